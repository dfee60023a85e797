package setup_test

import (
	"bufio"
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/setup"
	"rollwarden/rules/event"
)

func noon() time.Time { return time.Date(2026, 3, 5, 12, 0, 0, 0, time.UTC) }

// answered are the answers to what somebody types.
func answered(t *testing.T, typed ...string) (setup.Answers, string, error) {
	t.Helper()
	var a setup.Answers
	var out bytes.Buffer
	d := setup.Dialog{
		In: bufio.NewReader(strings.NewReader(strings.Join(typed, "\n") + "\n")), Out: &out,
		Password: func(string) (string, error) { return "correct horse battery staple", nil },
	}
	err := d.Ask(&a)
	if err == nil {
		err = a.Complete()
	}
	return a, out.String(), err
}

// load writes the answers and reads the configuration that they make.
func load(t *testing.T, a setup.Answers) *config.Config {
	t.Helper()
	t.Chdir(t.TempDir())
	if _, err := setup.Write("rollwarden.yaml", a, false, noon()); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load("rollwarden.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

var sameValues = cmp.Options{
	cmpopts.IgnoreFields(config.Config{}, "File", "Chosen", "Warnings"),
	cmpopts.IgnoreUnexported(config.Config{}, config.Webhook{}),
	cmpopts.EquateEmpty(),
	cmp.Comparer(func(a, b config.Secret) bool { return a.Reveal() == b.Reveal() }),
}

// TestDefaultsSetNothing answers nothing: the file then stands at the defaults,
// and all that is in force is the machine.
func TestDefaultsSetNothing(t *testing.T) {
	var a setup.Answers
	if err := a.Complete(); err != nil {
		t.Fatal(err)
	}
	c := load(t, a)
	want := config.Default()
	want.Machines[0].Ink = "" // which stands for the same
	if diff := cmp.Diff(want, c, sameValues); diff != "" {
		t.Errorf("the file is not at the defaults (-default +file):\n%s", diff)
	}
	text, err := a.Text()
	if err != nil {
		t.Fatal(err)
	}
	inForce := regexp.MustCompile(`(?m)^ *(- )?[^ #\n][^:\n]*: .+$`).FindAllString(string(text), -1)
	if lines := []string{"  - site: shop", "    name: printer-1"}; !cmp.Equal(inForce, lines) {
		t.Errorf("in force is %q, want %q", inForce, lines)
	}
}

// TestEveryCommentStays keeps what explains the settings: every comment of the
// example after its introduction.
func TestEveryCommentStays(t *testing.T) {
	var a setup.Answers
	a.Machines = []setup.Machine{{Site: "north", Name: "heron"}, {Site: "quay", Name: "plover"}}
	text, err := a.Text()
	if err != nil {
		t.Fatal(err)
	}
	_, example, _ := strings.Cut(string(config.Example()), "\n\n")
	for line := range strings.Lines(example) {
		if strings.HasPrefix(strings.TrimSpace(line), "# ") && !bytes.Contains(text, []byte(line)) {
			t.Errorf("gone: %s", line)
		}
	}
}

// TestQuestions answers all of them, some badly at first.
func TestQuestions(t *testing.T) {
	a, said, err := answered(t,
		"Kestrel Lane Decals", "Moon/Base", "Europe/Lisbon", "euros", "eur", "imperial",
		"north", "two words", "heron", "far", "180", "170", "13 in", "300", "900", "1.5 mm", "54", "1.6", "1370", "yes",
		"", "heron", "wren", "", "", "", "", "no",
		"MONO-GLOSS-137", "monomric", "monomeric", "1370", "thick", "9 mil", "1.20", "",
		"mail", "smtp.kestrel-lane.example", "nobody", "Rollwarden <floor@kestrel-lane.example>", "crew@kestrel-lane.example",
		"no")
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	for _, want := range []string{
		`want an IANA time zone such as Europe/Lisbon, or Local for that of this computer, got "Moon/Base"`,
		`want an ISO 4217 code such as USD or EUR, got "EUROS"`,
		`want letters, digits, - and _, such as heron, got "two words"`,
		`want a number from -1000 to 20000 mm, got "far"`,
		`want more than 180 mm, where the part before it ends, got "170"`,
		`want at least 330.2 mm`,
		`want a name that no other machine of the site has, got "heron"`,
		`did you mean "monomeric"?`,
		`want a number from 10 to 20000 um, got "thick", or nothing`,
		`want one mail address such as floor@shop.example, got "nobody"`,
		"every run on it is told to be not known",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("nothing says %q:\n%s", want, said)
		}
	}
	c := load(t, a)
	if c.Shop.Name != "Kestrel Lane Decals" || c.Shop.TimeZone != "Europe/Lisbon" || c.Shop.Currency != "EUR" || c.Shop.Length != "imperial" || c.Shop.Temperature != "F" {
		t.Errorf("shop is %+v", c.Shop)
	}
	heron, wren := c.Machines[0], c.Machines[1]
	if heron.Site != "north" || *heron.Path.CureExitMM != 330.2 || *heron.Path.CarriageGapUM != 1500 || *heron.SwathMM != 54 || *heron.StrokeS != 1.6 || *heron.MaxWidthMM != 1370 {
		t.Errorf("heron is %+v", heron)
	}
	if wren.Site != "north" || wren.Name != "wren" || wren.Path != (config.Path{}) || wren.SwathMM != nil {
		t.Errorf("wren is %+v", wren)
	}
	if s := c.Stocks[0]; s.Code != "MONO-GLOSS-137" || s.Class != event.Monomeric || *s.WidthMM != 1370 || *s.ThicknessUM != 228.6 || s.PricePerM2 != "1.20" {
		t.Errorf("stock is %+v", s)
	}
	if m := c.Pager.Mail; m.Host != "smtp.kestrel-lane.example" || m.From != "Rollwarden <floor@kestrel-lane.example>" || !cmp.Equal(m.To, []string{"crew@kestrel-lane.example"}) || !cmp.Equal(c.Pager.Routes.High, []string{"log", "mail"}) {
		t.Errorf("pager is %+v %+v", m, c.Pager.Routes)
	}
	if hints := strings.Join(a.Hints(), "\n"); !strings.Contains(hints, "measure north/wren") || strings.Contains(hints, "north/heron") {
		t.Errorf("hints are %s", hints)
	}
	for _, folder := range []string{"tickets", "tickets/heron", "tickets/wren"} {
		if info, err := os.Stat(folder); err != nil || !info.IsDir() {
			t.Errorf("%s: %v", folder, err)
		}
	}
}

// TestAnswersThatEnd writes nothing when the answers end early.
func TestAnswersThatEnd(t *testing.T) {
	if _, _, err := answered(t, "Kestrel Lane Decals", "Local"); err == nil || !strings.Contains(err.Error(), "Currency") || !strings.Contains(err.Error(), "--yes") {
		t.Errorf("want the question and what to do, got %v", err)
	}
}

// TestOpenToOthers makes a login, and refuses to open the board without what it
// needs.
func TestOpenToOthers(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	for _, name := range []string{"board.pem", "board.key"} {
		if err := os.WriteFile(name, []byte("for the check of the configuration it only has to be there\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	early := []string{"", "", "", "", "", "", "", "", "", "", "no", "", "log"}
	a, said, err := answered(t, append(early, "yes", "board.kestrel-lane.example", "nowhere.pem", "board.pem", "board.key", "ines")...)
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if err := a.Locate("."); err != nil {
		t.Fatal(err)
	}
	w, err := setup.Write("rollwarden.yaml", a, false, noon())
	if err != nil {
		t.Fatal(err)
	}
	c, err := config.Load("rollwarden.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	h := c.HTTP
	if h.Listen != "0.0.0.0:8477" || h.PublicURL != "https://board.kestrel-lane.example:8477" || h.TLS.CertFile != "board.pem" || len(h.Users) != 1 || h.Users[0].Name != "ines" || !h.Users[0].PasswordHash.Set() {
		t.Errorf("http is %+v", h)
	}
	info, err := os.Stat(filepath.Join("secrets", "ines"))
	if err != nil || info.Mode().Perm() != 0o600 || !cmp.Equal(w.Secrets, []string{filepath.Join("secrets", "ines")}) {
		t.Errorf("%v, %v, %v", info, err, w.Secrets)
	}

	a, _, err = answered(t, append(early, "yes", "board.kestrel-lane.example", "")...)
	if err != nil {
		t.Fatal(err)
	}
	if c := load(t, a); c.HTTP.Listen != "127.0.0.1:8477" {
		t.Errorf("the board listens on %s without a certificate", c.HTTP.Listen)
	}
	if hints := strings.Join(a.Hints(), "\n"); !strings.Contains(hints, "the board stays on this computer") {
		t.Errorf("hints are %s", hints)
	}
}

// TestFlags gives the same by flags as by questions, and tells mistakes.
func TestFlags(t *testing.T) {
	f := setup.Flags{
		Shop: "Kestrel Lane Decals", Zone: "Europe/Lisbon", Currency: "EUR", Units: "metric",
		Machine: []string{"north/heron:entry=180,exit=330,takeup=900,gap=1500,swath=54,stroke=1.6,width=1370", "plover"},
		Stock:   []string{"MONO-GLOSS-137:class=monomeric,width=1370,thickness=220,price=1.20", "CAST-WRAP-152", "POLY-GLOSS-137:class=polymeric"},
		Pager:   "webhook", WebhookURL: "https://pages.kestrel-lane.example/a?b=c",
	}
	a, err := f.Answers()
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Complete(); err != nil {
		t.Fatal(err)
	}
	c := load(t, a)
	if len(c.Machines) != 2 || *c.Machines[0].Path.TakeUpMM != 900 || c.Machines[1].Site != "shop" || c.Stocks[1].Class != event.Unknown {
		t.Errorf("%+v %+v", c.Machines, c.Stocks)
	}
	if s := c.Stocks[0]; *s.ThicknessUM != 220 || c.Stocks[1].ThicknessUM != nil {
		t.Errorf("%+v", c.Stocks)
	}
	// What is not known is not made up, and a person is told what follows.
	hints := strings.Join(a.Hints(), "\n")
	for _, want := range []string{"how thick CAST-WRAP-152 is with its liner, and enter it as thickness_um in the file: until then nobody can tell", "how thick POLY-GLOSS-137 is with its liner, and enter it as thickness_um in the file: until then the 220 um that are usual"} {
		if !strings.Contains(hints, want) {
			t.Errorf("hints do not say %q: %s", want, hints)
		}
	}
	if strings.Contains(hints, "MONO-GLOSS-137") {
		t.Errorf("hints are %s", hints)
	}
	if secrets := c.Pager.Webhook.Secrets(); len(secrets) != 1 || len(secrets[0].Reveal()) != 64 || c.Pager.Webhook.URL.Reveal() != f.WebhookURL {
		t.Errorf("%d secrets", len(secrets))
	}
	for want, f := range map[string]setup.Flags{
		`--zone: want an IANA time zone`:                                               {Zone: "Moon/Base"},
		`--machine: heron: want the whole feed path or none of it, got it without gap`: {Machine: []string{"heron:entry=1,exit=2,takeup=3"}},
		`--machine: heron: want entry=…`:                                               {Machine: []string{"heron:entr=1"}},
		`--machine: heron: swath: want a number from 1 to 2000 mm`:                     {Machine: []string{"heron:swath=0"}},
		`--machine: a/b/c: name: want letters`:                                         {Machine: []string{"a/b/c"}},
		`--stock: X: class: want one of`:                                               {Stock: []string{"X:class=vinyl"}},
		`--stock: X: thickness: want a number from 10 to 20000 um`:                     {Stock: []string{"X:thickness=5"}},
		`--stock: X: price: want an amount such as 1.20`:                               {Stock: []string{"X:price=1e3"}},
		`--language: want one of `:                                                     {Language: "fr"},
		`--units: want one of metric, imperial`:                                        {Units: "feet"},
		`--mail-to: want one mail address`:                                             {MailTo: []string{"me"}},
	} {
		if _, err := f.Answers(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
	for _, a := range []setup.Answers{{Pager: setup.Pager{Channel: "webhook"}}, {Pager: setup.Pager{Channel: "mail", MailHost: "x"}}} {
		if err := a.Complete(); err == nil {
			t.Errorf("%+v is complete", a.Pager)
		}
	}
}

// TestNothingIsLost leaves a configuration alone, or moves it aside.
func TestNothingIsLost(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("rollwarden.yaml", []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	var a setup.Answers
	if err := a.Complete(); err != nil {
		t.Fatal(err)
	}
	if _, err := setup.Write("rollwarden.yaml", a, false, noon()); !errors.Is(err, setup.ErrThere) {
		t.Errorf("want %v, got %v", setup.ErrThere, err)
	}
	bad := a
	bad.Machines = []setup.Machine{{Site: "north", Name: "heron", Path: &setup.Path{CureEntryMM: 300, CureExitMM: 100}}}
	if _, err := setup.Write("rollwarden.yaml", bad, true, noon()); err == nil || !strings.Contains(err.Error(), "cure_exit_mm") {
		t.Errorf("want a refusal that names cure_exit_mm, got %v", err)
	}
	if text, _ := os.ReadFile("rollwarden.yaml"); string(text) != "mine" {
		t.Errorf("the configuration is now %q", text)
	}
	w, err := setup.Write("rollwarden.yaml", a, true, noon())
	if err != nil {
		t.Fatal(err)
	}
	if text, _ := os.ReadFile(w.Aside); string(text) != "mine" {
		t.Errorf("%s holds %q", w.Aside, text)
	}
	again, err := setup.Write("rollwarden.yaml", a, true, noon())
	if err != nil {
		t.Fatal(err)
	}
	if text, _ := os.ReadFile(w.Aside); string(text) != "mine" || again.Aside == w.Aside {
		t.Errorf("within the same second %s takes the place of %s", again.Aside, w.Aside)
	}
	if left, _ := filepath.Glob(".rollwarden-*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := os.Stat("secrets"); !errors.Is(err, fs.ErrNotExist) {
		t.Error("secrets were made that nobody needs")
	}
}

// TestSecretsOfARefusal: answers that make no configuration leave no secret that would
// be in the way of better ones.
func TestSecretsOfARefusal(t *testing.T) {
	t.Chdir(t.TempDir())
	a := setup.Answers{Pager: setup.Pager{Channel: "webhook", WebhookURL: "https://hooks.kestrel-lane.example/x", SecretFile: "secrets/webhook"}}
	if err := a.Complete(); err != nil {
		t.Fatal(err)
	}
	bad := a
	bad.Machines = []setup.Machine{{Site: "north", Name: "heron", Path: &setup.Path{CureEntryMM: 300, CureExitMM: 100}}}
	if w, err := setup.Write("rollwarden.yaml", bad, false, noon()); err == nil || len(w.Secrets) > 0 {
		t.Errorf("want a refusal and no secrets, got %v, %v", w.Secrets, err)
	}
	if _, err := os.Stat("secrets/webhook"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the secret is left: %v", err)
	}
	if w, err := setup.Write("rollwarden.yaml", a, false, noon()); err != nil || len(w.Secrets) != 1 {
		t.Errorf("want a configuration and its secret, got %v, %v", w.Secrets, err)
	}
}

// TestAWayOutOfThePath mistypes where the cure zone begins, and goes on without a path.
func TestAWayOutOfThePath(t *testing.T) {
	a, said, err := answered(t, "", "", "", "", "north", "heron", "330", "180", "", "54", "", "", "", "", "", "")
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if m := a.Machines[0]; m.Path != nil || m.SwathMM == nil || *m.SwathMM != 54 {
		t.Errorf("want no path and a swath of 54 mm, got %+v\n%s", m, said)
	}
	if !strings.Contains(said, "want more than 330 mm") || !strings.Contains(said, "[the whole path stays open]") {
		t.Errorf("want the reason and the way out, got\n%s", said)
	}
}

// TestAnyTextComesThrough writes names that YAML could take for something else,
// and reads them again.
func TestAnyTextComesThrough(t *testing.T) {
	t.Chdir(t.TempDir())
	rapid.Check(t, func(r *rapid.T) {
		name := rapid.OneOf(
			rapid.SampledFrom([]string{"yes", "No", "null", "~", "12", "1e3", "0x1F", "- a", "a: b", "a #b", "#a", "'", `"`, `\`, "[a]", "{a}", "&a", "*a", "!a", "%a", "@a", "2026-03-05", "Ünïcode", "a\tb", "<b>", "=", "on"}),
			rapid.StringMatching(`[ -~]{1,30}`),
		).Draw(r, "name")
		if strings.TrimSpace(name) == "" {
			return
		}
		a := setup.Answers{Shop: name, Machines: []setup.Machine{{Site: "y", Name: "no"}}, Stocks: []setup.Stock{{Code: name, Class: "cast"}}}
		text, err := a.Text()
		if err != nil {
			r.Fatal(err)
		}
		if err := os.WriteFile("rollwarden.yaml", text, 0o644); err != nil {
			r.Fatal(err)
		}
		c, err := config.Load("rollwarden.yaml", nil)
		if err != nil {
			r.Fatalf("%q: %v", name, err)
		}
		if c.Shop.Name != name || c.Stocks[0].Code != name || c.Machines[0].Name != "no" || c.Machines[0].Site != "y" {
			r.Errorf("wrote %q, read %q and %q", name, c.Shop.Name, c.Stocks[0].Code)
		}
	})
}

// TestEveryAnswerHasAFlag wants a flag for each question, so that a script can do
// what a person can.
func TestEveryAnswerHasAFlag(t *testing.T) {
	flags := reflect.TypeFor[setup.Flags]()
	for _, name := range []string{"Shop", "Zone", "Currency", "Units", "Machine", "Stock", "Pager", "WebhookURL", "MailHost", "MailFrom", "MailTo", "Open", "Host", "Cert", "Key", "User", "HashFile"} {
		f, there := flags.FieldByName(name)
		if !there || f.Tag.Get("help") == "" {
			t.Errorf("no flag for %s, or none that is explained", name)
		}
	}
}

// TestInchesAreDoubted gives a feed path in inches to flags whose unit is mm.
func TestInchesAreDoubted(t *testing.T) {
	a, err := setup.Flags{Machine: []string{"north/heron:entry=7.1,exit=13,takeup=35,gap=1500"}}.Answers()
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	w, err := setup.Write("rollwarden.yaml", a, false, noon())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"330.2 mm", "889 mm"} { // 13 in and 35 in, at 25.4 mm
		if !strings.Contains(strings.Join(w.Doubts, "\n"), want) {
			t.Errorf("told %q, want it to say %s", w.Doubts, want)
		}
	}
}

// TestOneNameOnTwoSites makes a folder for each of the machines.
func TestOneNameOnTwoSites(t *testing.T) {
	a, err := setup.Flags{Machine: []string{"north/wren", "quay/wren"}}.Answers()
	if err == nil {
		err = a.Complete()
	}
	if err != nil {
		t.Fatal(err)
	}
	var folders []string
	for _, in := range load(t, a).Inboxes() {
		folders = append(folders, in.Dir)
	}
	if diff := cmp.Diff([]string{"tickets", "tickets/wren", "tickets/quay-wren"}, folders); diff != "" {
		t.Errorf("folders (-want +got):\n%s", diff)
	}
}

// TestAnswersThatDoNotFit are told with the name of the file that was asked for, and
// not of the draft of it.
func TestAnswersThatDoNotFit(t *testing.T) {
	t.Chdir(t.TempDir())
	a := setup.Answers{Machines: []setup.Machine{{Site: "north", Name: "heron"}, {Site: "north", Name: "heron"}}}
	_, err := setup.Write("rollwarden.yaml", a, false, noon())
	if !errors.Is(err, setup.ErrAnswers) || strings.Contains(err.Error(), "rollwarden-init") || !strings.Contains(err.Error(), ": rollwarden.yaml:") {
		t.Errorf("got %v", err)
	}
}
