package setup

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Dialog asks a person, on a terminal or through a pipe.
type Dialog struct {
	In       *bufio.Reader
	Out      io.Writer
	Password func(prompt string) (string, error) // reads one without showing it
}

// errNoAnswer means that the answers have ended.
var errNoAnswer = errors.New("there are no more answers: give the rest as flags, or --yes to take the defaults")

// ask asks until the answer can be read. An empty answer is the default.
func ask[T any](d *Dialog, question, byDefault string, read func(string) (T, error)) (T, error) {
	for {
		if byDefault != "" {
			fmt.Fprintf(d.Out, "%s [%s]: ", question, byDefault)
		} else {
			fmt.Fprintf(d.Out, "%s: ", question)
		}
		line, err := d.In.ReadString('\n')
		if err != nil && (line == "" || !errors.Is(err, io.EOF)) {
			var none T
			fmt.Fprintln(d.Out)
			return none, fmt.Errorf("%s? %w", question, errNoAnswer)
		}
		if line = strings.TrimSpace(line); line == "" {
			line = byDefault
		}
		answer, err := read(line)
		if err == nil {
			return answer, nil
		}
		fmt.Fprintf(d.Out, "  %v\n", err)
	}
}

// optional takes an empty answer, or the word for none, for nil.
func optional[T any](read func(string) (T, error)) func(string) (*T, error) {
	return func(text string) (*T, error) {
		if text == "" || text == none {
			return nil, nil
		}
		v, err := read(text)
		if err != nil {
			return nil, fmt.Errorf("%w, or nothing", err)
		}
		return &v, nil
	}
}

// none is the default of what may stay open.
const none = "none"

func (d *Dialog) yes(question string) (bool, error) {
	text, err := ask(d, question+" (yes or no)", "no", readOneOf("yes", "no"))
	return text == "yes", err
}

func (d *Dialog) say(lines ...string) {
	for _, line := range lines {
		fmt.Fprintln(d.Out, line)
	}
}

// Ask asks for everything that the flags have left open.
func (d *Dialog) Ask(a *Answers) error {
	d.say("An empty answer takes what stands in brackets. Nothing is written before the last one.", "")
	for _, q := range []struct {
		question, byDefault string
		to                  *string
		read                func(string) (string, error)
	}{
		{"Name of the shop", "Rollwarden", &a.Shop, readText},
		{"Time zone, as Europe/Lisbon", "Local", &a.Zone, readZone},
		{"Currency, as ISO 4217 writes it", "USD", &a.Currency, readCurrency},
		{"Lengths, metric or imperial", "metric", &a.Length, readOneOf("metric", "imperial")},
	} {
		if *q.to != "" {
			continue
		}
		var err error
		if *q.to, err = ask(d, q.question, q.byDefault, q.read); err != nil {
			return err
		}
	}
	for _, part := range []func(*Answers) error{d.machines, d.stocks, d.pager, d.network} {
		if err := part(a); err != nil {
			return err
		}
	}
	return nil
}

func (d *Dialog) machines(a *Answers) error {
	if len(a.Machines) > 0 {
		return nil
	}
	d.say("", "The printers. Measure along the film, downstream from the line that the carriage prints, with",
		"the machine stopped by its own controls and cold. What is not measured yet may stay open: the",
		"machine is then judged with careful guesses, and every run on it is told to be not known.")
	site := "shop"
	for {
		m, err := d.machine(a, site)
		if err != nil {
			return err
		}
		a.Machines, site = append(a.Machines, m), m.Site
		more, err := d.yes("Another machine?")
		if err != nil || !more {
			return err
		}
	}
}

func (d *Dialog) machine(a *Answers, site string) (m Machine, err error) {
	if m.Site, err = ask(d, "Site", site, readName("site")); err != nil {
		return m, err
	}
	fresh := func(text string) (string, error) {
		if slices.ContainsFunc(a.Machines, func(o Machine) bool { return o.Site == m.Site && strings.EqualFold(o.Name, text) }) {
			return "", fmt.Errorf("want a name that no other machine of the site has, got %q", text)
		}
		return readName("name")(text)
	}
	if m.Name, err = ask(d, "Name of the machine", fmt.Sprintf("printer-%d", len(a.Machines)+1), fresh); err != nil {
		return m, err
	}
	if m.Path, err = d.path(); err != nil {
		return m, err
	}
	for _, q := range []struct {
		question string
		to       **float64
		limit    limit
	}{
		{"Height that one pass covers, mm", &m.SwathMM, limits["swath"]},
		{"Time of one stroke of the carriage, s", &m.StrokeS, limits["stroke"]},
		{"Widest roll, mm", &m.MaxWidthMM, limits["width"]},
	} {
		if *q.to, err = ask(d, q.question, none, optional(q.limit.read())); err != nil {
			return m, err
		}
	}
	return m, nil
}

const stayOpen = "the whole path stays open"

// path asks for the feed path: all four, or none. An empty answer leaves it open, so
// that nobody who has mistyped or not measured one is kept here.
func (d *Dialog) path() (*Path, error) {
	entry, err := ask(d, "Where the cure zone begins, mm", "not measured yet", func(text string) (*float64, error) {
		if text == "not measured yet" {
			return nil, nil
		}
		return optional(limits["entry"].read())(text)
	})
	if err != nil || entry == nil {
		return nil, err
	}
	p := &Path{CureEntryMM: *entry}
	for _, q := range []struct {
		question string
		to       *float64
		limit    limit
		above    *float64
		strictly bool
	}{
		{"Where it ends, mm", &p.CureExitMM, limits["exit"], &p.CureEntryMM, true},
		{"Where film reaches the take-up or the floor, mm", &p.TakeUpMM, limits["takeup"], &p.CureExitMM, false},
		{"Room between platen and carriage, um", &p.CarriageGapUM, limits["gap"], nil, false},
	} {
		open := false
		*q.to, err = ask(d, q.question, stayOpen, func(text string) (float64, error) {
			if open = text == stayOpen; open {
				return 0, nil
			}
			v, err := q.limit.read()(text)
			if err == nil && q.above != nil && (v < *q.above || q.strictly && v == *q.above) {
				err = fmt.Errorf("want %s %s mm, where the part before it ends, got %q", map[bool]string{true: "more than", false: "at least"}[q.strictly], number(*q.above), text)
			}
			return v, err
		})
		if err != nil || open {
			return nil, err
		}
	}
	return p, nil
}

func (d *Dialog) stocks(a *Answers) error {
	if len(a.Stocks) > 0 {
		return nil
	}
	d.say("", "The films, as tickets and roll labels write their stock codes.")
	for {
		code, err := ask(d, "Stock code", none, optional(readText))
		if err != nil || code == nil {
			return err
		}
		s := Stock{Code: *code}
		if slices.ContainsFunc(a.Stocks, func(o Stock) bool { return o.Code == s.Code }) {
			d.say("  want a code that is not there yet")
			continue
		}
		if s.Class, err = ask(d, "Its class, such as monomeric, polymeric or cast", "unknown", readClass); err != nil {
			return err
		}
		if s.WidthMM, err = ask(d, "Width of a roll, mm", none, optional(limits["rollwidth"].read())); err != nil {
			return err
		}
		if s.ThicknessUM, err = ask(d, "Thickness with its liner, um, as its data sheet or a caliper says", none, optional(limits["thickness"].read())); err != nil {
			return err
		}
		price, err := ask(d, "Price of a square metre, "+a.Currency, none, optional(readMoney))
		if err != nil {
			return err
		}
		if price != nil {
			s.PricePerM2 = *price
		}
		a.Stocks = append(a.Stocks, s)
	}
}

func (d *Dialog) pager(a *Answers) (err error) {
	p := &a.Pager
	if p.Channel == "" {
		d.say("", "Who is told of an alarm, besides the board.")
		if p.Channel, err = ask(d, "log, webhook or mail", "log", readOneOf("log", "webhook", "mail")); err != nil {
			return err
		}
	}
	switch p.Channel {
	case "webhook":
		if p.WebhookURL == "" {
			p.WebhookURL, err = ask(d, "Address of the webhook", "", readWebAddress)
		}
	case "mail":
		if p.MailHost == "" {
			if p.MailHost, err = ask(d, "Mail server", "", readHost); err != nil {
				return err
			}
		}
		if p.MailFrom == "" {
			if p.MailFrom, err = ask(d, "Sender", "", readAddress); err != nil {
				return err
			}
		}
		if len(p.MailTo) == 0 {
			var to string
			to, err = ask(d, "Who gets it", "", readAddress)
			p.MailTo = []string{to}
		}
	}
	return err
}

func (d *Dialog) network(a *Answers) (err error) {
	n := &a.Network
	if !n.Open {
		d.say("", "The board can be opened on this computer alone, or on others too. That needs a certificate",
			"(TLS) and a login.")
		if n.Open, err = d.yes("Shall other computers open it?"); err != nil || !n.Open {
			return err
		}
	}
	if n.PublicURL == "" {
		host, err := ask(d, "Name under which they reach this computer", "", readHost)
		if err != nil {
			return err
		}
		n.PublicURL = "https://" + host + ":8477"
	}
	for _, q := range []struct {
		question string
		to       *string
	}{{"File with the certificate (PEM)", &n.CertFile}, {"File with its key (PEM)", &n.KeyFile}} {
		if *q.to != "" {
			continue
		}
		file, err := ask(d, q.question, none, optional(readFile))
		if err != nil || file == nil {
			return err // Hints says what is left to do
		}
		*q.to = *file
	}
	if n.User == "" {
		if n.User, err = ask(d, "Who logs in first, as supervisor", "", readName("user")); err != nil {
			return err
		}
	}
	if n.Password == "" && n.HashFile == "" {
		n.Password, err = d.Password("Password of " + n.User + ": ")
	}
	return err
}
