package setup

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hint"
)

// Flags are answers as the command line gives them; what is empty is asked for,
// or keeps its default.
type Flags struct {
	Shop     string   `help:"Name of the shop." placeholder:"NAME"`
	Zone     string   `help:"IANA time zone, such as Europe/Lisbon, or Local." placeholder:"ZONE"`
	Currency string   `help:"ISO 4217 code of every amount." placeholder:"CODE"`
	Units    string   `help:"metric or imperial, for display." placeholder:"UNITS"`
	Language string   `help:"Language of the pages, such as en or de." placeholder:"LANG"`
	Machine  []string `help:"A machine, as site/name, or site/name:entry=180,exit=330,takeup=900,gap=1500,swath=54,stroke=1.6,width=1370 with what is measured: mm, um for the gap, s for the stroke. Once for each." placeholder:"MACHINE" sep:"none"`
	Stock    []string `help:"A film, as CODE:class=monomeric,width=1370,thickness=220,price=1.20 with what is known: mm for the width, um for the thickness with liner. Once for each." placeholder:"STOCK" sep:"none"`

	Pager      string   `help:"Who is told besides the board: log, webhook or mail." placeholder:"CHANNEL"`
	WebhookURL string   `help:"Address of the webhook." placeholder:"URL" name:"webhook-url"`
	MailHost   string   `help:"Mail server." placeholder:"HOST"`
	MailFrom   string   `help:"Sender of mail." placeholder:"ADDRESS"`
	MailTo     []string `help:"Who gets mail. Once for each." placeholder:"ADDRESS" sep:"none"`

	Open     bool   `help:"Let other computers open the board; needs --host, --cert, --key, --user and --password-hash-file."`
	Host     string `help:"Name under which other computers reach this one." placeholder:"HOST"`
	Cert     string `help:"File with the certificate (PEM)." placeholder:"FILE"`
	Key      string `help:"File with its key (PEM)." placeholder:"FILE"`
	User     string `help:"Who logs in first, as supervisor." placeholder:"NAME"`
	HashFile string `help:"File with the line that rollwarden password prints." placeholder:"FILE" name:"password-hash-file"`
}

// secretFile is where the key of the webhook goes.
const secretFile = "secrets/webhook"

// Answers reads the flags. The error names the first that cannot be read.
func (f Flags) Answers() (a Answers, err error) {
	a.Network.Open = f.Open
	for _, flag := range []struct {
		name, text string
		to         *string
		read       func(string) (string, error)
	}{
		{"shop", f.Shop, &a.Shop, readText},
		{"zone", f.Zone, &a.Zone, readZone},
		{"currency", f.Currency, &a.Currency, readCurrency},
		{"units", f.Units, &a.Length, readOneOf("metric", "imperial")},
		{"language", f.Language, &a.Language, readLanguage},
		{"pager", f.Pager, &a.Pager.Channel, readOneOf("log", "webhook", "mail")},
		{"webhook-url", f.WebhookURL, &a.Pager.WebhookURL, readWebAddress},
		{"mail-host", f.MailHost, &a.Pager.MailHost, readHost},
		{"mail-from", f.MailFrom, &a.Pager.MailFrom, readAddress},
		{"host", f.Host, &a.Network.PublicURL, readHost},
		{"cert", f.Cert, &a.Network.CertFile, readFile},
		{"key", f.Key, &a.Network.KeyFile, readFile},
		{"user", f.User, &a.Network.User, readName("user")},
		{"password-hash-file", f.HashFile, &a.Network.HashFile, readFile},
	} {
		if flag.text == "" {
			continue
		}
		if *flag.to, err = flag.read(flag.text); err != nil {
			return a, fmt.Errorf("--%s: %w", flag.name, err)
		}
	}
	for _, to := range f.MailTo {
		if _, err := readAddress(to); err != nil {
			return a, fmt.Errorf("--mail-to: %w", err)
		}
		a.Pager.MailTo = append(a.Pager.MailTo, to)
	}
	if a.Network.PublicURL != "" {
		a.Network.PublicURL = "https://" + a.Network.PublicURL + ":8477"
	}
	for _, text := range f.Machine {
		m, err := parseMachine(text)
		if err != nil {
			return a, fmt.Errorf("--machine: %w", err)
		}
		a.Machines = append(a.Machines, m)
	}
	for _, text := range f.Stock {
		s, err := parseStock(text)
		if err != nil {
			return a, fmt.Errorf("--stock: %w", err)
		}
		a.Stocks = append(a.Stocks, s)
	}
	return a, nil
}

// Complete adds what follows from the answers, and says what they lack.
func (a *Answers) Complete() error {
	if len(a.Machines) == 0 {
		a.Machines = []Machine{{Site: "shop", Name: "printer-1"}}
	}
	for i := range a.Machines {
		a.Machines[i].Folder = a.folder(i)
	}
	if a.Length == "imperial" {
		a.Temperature = "F"
	}
	p, n := &a.Pager, &a.Network
	switch {
	case p.Channel == "webhook" && p.WebhookURL == "":
		return errors.New("a webhook needs its address: --webhook-url")
	case p.Channel == "mail" && (p.MailHost == "" || p.MailFrom == "" || len(p.MailTo) == 0):
		return errors.New("mail needs a server, a sender and somebody who gets it: --mail-host, --mail-from and --mail-to")
	case p.Channel == "webhook":
		p.SecretFile = secretFile
	}
	if n.Open {
		n.Listen = "0.0.0.0:8477"
		if n.HashFile == "" && n.Password != "" {
			n.HashFile = "secrets/" + n.User
		}
	}
	return nil
}

// folder is the ticket folder of a machine: one with the site in it where an earlier
// machine, of another site, has the name.
func (a *Answers) folder(i int) string {
	m := a.Machines[i]
	if slices.ContainsFunc(a.Machines[:i], func(o Machine) bool { return o.Site != m.Site && strings.EqualFold(o.Name, m.Name) }) {
		return m.Site + "-" + m.Name
	}
	return ""
}

// limit is what a measure may be; those of the configuration are the same.
type limit struct {
	unit        string
	least, most float64
}

func (l limit) read() func(string) (float64, error) { return readMeasure(l.unit, l.least, l.most) }

// limits are those of what can be measured, by the words of --machine.
var limits = map[string]limit{
	"entry": {"mm", -1000, 20000}, "exit": {"mm", 0, 20000}, "takeup": {"mm", 0, 100000}, "gap": {"um", 100, 50000},
	"swath": {"mm", 1, 2000}, "stroke": {"s", 0.05, 120}, "width": {"mm", 50, 20000}, "rollwidth": {"mm", 50, 20000},
	"thickness": {"um", 10, 20000},
}

// pairs reads name:key=value,key=value.
func pairs(text string, keys ...string) (name string, values map[string]string, err error) {
	name, list, more := strings.Cut(text, ":")
	values = map[string]string{}
	if !more {
		return name, values, nil
	}
	for pair := range strings.SplitSeq(list, ",") {
		key, value, ok := strings.Cut(pair, "=")
		if key = strings.TrimSpace(key); !ok || !slices.Contains(keys, key) {
			return "", nil, fmt.Errorf("%s: want %s=…, got %q%s", name, strings.Join(keys, "=…, "), pair, hint.DidYouMean(key, keys))
		}
		values[key] = strings.TrimSpace(value)
	}
	return name, values, nil
}

func parseMachine(text string) (m Machine, err error) {
	name, values, err := pairs(text, "entry", "exit", "takeup", "gap", "swath", "stroke", "width")
	if err != nil {
		return m, err
	}
	site, machine, both := strings.Cut(name, "/")
	if !both {
		site, machine = "shop", name
	}
	if m.Site, err = readName("site")(site); err != nil {
		return m, fmt.Errorf("%s: site: %w", name, err)
	}
	if m.Name, err = readName("name")(machine); err != nil {
		return m, fmt.Errorf("%s: name: %w", name, err)
	}
	measured := map[string]*float64{}
	for _, key := range slices.Sorted(maps.Keys(values)) {
		v, err := limits[key].read()(values[key])
		if err != nil {
			return m, fmt.Errorf("%s: %s: %w", name, key, err)
		}
		measured[key] = &v
	}
	m.SwathMM, m.StrokeS, m.MaxWidthMM = measured["swath"], measured["stroke"], measured["width"]
	m.Path, err = pathOf(measured)
	if err != nil {
		return m, fmt.Errorf("%s: %w", name, err)
	}
	return m, nil
}

// pathOf wants all four measures of the feed path, or none.
func pathOf(measured map[string]*float64) (*Path, error) {
	var missing []string
	keys := []string{"entry", "exit", "takeup", "gap"}
	for _, key := range keys {
		if measured[key] == nil {
			missing = append(missing, key)
		}
	}
	switch len(missing) {
	case len(keys):
		return nil, nil
	case 0:
		return &Path{*measured["entry"], *measured["exit"], *measured["takeup"], *measured["gap"]}, nil
	}
	return nil, fmt.Errorf("want the whole feed path or none of it, got it without %s", strings.Join(missing, ", "))
}

func parseStock(text string) (s Stock, err error) {
	code, values, err := pairs(text, "class", "width", "thickness", "price")
	if err != nil {
		return s, err
	}
	if s.Code, err = readText(code); err != nil {
		return s, err
	}
	s.Class = "unknown"
	if class := values["class"]; class != "" {
		if s.Class, err = readClass(class); err != nil {
			return s, fmt.Errorf("%s: class: %w", code, err)
		}
	}
	for _, measure := range []struct {
		key   string
		limit limit
		to    **float64
	}{{"width", limits["rollwidth"], &s.WidthMM}, {"thickness", limits["thickness"], &s.ThicknessUM}} {
		if *measure.to, err = optional(measure.limit.read())(values[measure.key]); err != nil {
			return s, fmt.Errorf("%s: %s: %w", code, measure.key, err)
		}
	}
	if price := values["price"]; price != "" {
		if s.PricePerM2, err = readMoney(price); err != nil {
			return s, fmt.Errorf("%s: price: %w", code, err)
		}
	}
	return s, nil
}

// unmeasured says what follows from a thickness that nobody knows.
func (s Stock) unmeasured() string {
	usual, known := film.Defaults[event.Class(s.Class)].ThicknessUM.Get()
	if !known {
		return "nobody can tell whether it, or a leader on it, passes under the carriage"
	}
	return fmt.Sprintf("the %s um that are usual for its class count as its own, also for whether a leader passes under the carriage", number(usual))
}

// Hints say what a person still has to do.
func (a Answers) Hints() (list []string) {
	for _, m := range a.Machines {
		if m.Path == nil || m.SwathMM == nil || m.StrokeS == nil {
			list = append(list, fmt.Sprintf("measure %s/%s and enter it in the file: until then every run on it is told to be not known", m.Site, m.Name))
		}
	}
	for _, s := range a.Stocks {
		if s.ThicknessUM == nil {
			list = append(list, fmt.Sprintf("find out how thick %s is with its liner, and enter it as thickness_um in the file: until then %s", s.Code, s.unmeasured()))
		}
	}
	if a.Pager.Channel == "webhook" {
		list = append(list, "give the receiver of the webhook the key in "+a.Pager.SecretFile+", by which it knows who sent a page")
	}
	if a.Pager.Channel == "mail" {
		list = append(list, "where the mail server asks for a login, set pager.mail.username and password_file")
	}
	if a.Network.Open && !a.Network.ready() {
		list = append(list, "the board stays on this computer until there is a certificate and a login: set http.listen, http.public_url, http.tls and http.users, and make the line for a user with rollwarden password")
	}
	return list
}
