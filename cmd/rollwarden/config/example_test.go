package config

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rollwarden/rules"
	"rollwarden/rules/hazard"
)

var rewrite = flag.Bool("rewrite", false, "write the examples into deploy/ again")

// TestDeployedExamples keeps the files that people copy equal to what the
// program has inside.
func TestDeployedExamples(t *testing.T) {
	for name, want := range map[string][]byte{"rollwarden.example.yaml": Example(), "rulebook.example.yaml": RuleBookExample()} {
		path := filepath.Join("..", "..", "..", "deploy", name)
		if *rewrite {
			if err := os.WriteFile(path, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from the example in the program: run go test ./cmd/rollwarden/config -rewrite", path)
		}
	}
}

// sameValues compares what was set, not where.
var sameValues = cmp.Options{
	cmpopts.IgnoreFields(Config{}, "File", "Chosen", "Warnings", "Exposed"),
	cmpopts.IgnoreUnexported(Config{}, Webhook{}),
	cmpopts.EquateEmpty(),
	cmp.Comparer(func(a, b Secret) bool { return a.Reveal() == b.Reveal() }),
}

func TestExampleStandsAtTheDefaults(t *testing.T) {
	c := load(t, string(Example()))
	if diff := cmp.Diff(Default(), c, sameValues); diff != "" {
		t.Errorf("the example says that it changes nothing, but it does (-default +example):\n%s", diff)
	}
	if _, err := c.Site(); err != nil {
		t.Error(err)
	}
}

// settings are the commented-out lines of the example.
var settings = regexp.MustCompile(`(?m)^( *)#([^ #\n].*)$`)

// fullExample is the example with every setting in force, with the files that
// it names beside it.
func fullExample(t *testing.T) *Config {
	t.Helper()
	t.Chdir(t.TempDir())
	write(t, "rulebook.example.yaml", string(RuleBookExample()))
	write(t, filepath.Join("texts", "de", "shop.yaml"), "")
	for _, name := range []string{"nats-password", "rollwarden.creds", "ca.pem", "client.pem", "client-key.pem", "alertmanager", "webhook", "mail-password", "board.pem", "board-key.pem", "nats.pem", "nats-key.pem"} {
		write(t, filepath.Join("secrets", name), "a secret of the shop\n")
	}
	write(t, filepath.Join("secrets", "heron-tablet"), someHash+"\n")
	write(t, filepath.Join("secrets", "prometheus-token"), someToken+"\n")
	write(t, filepath.Join("secrets", "archive"), someBcrypt+"\n")
	write(t, FileName, string(settings.ReplaceAll(Example(), []byte("$1$2"))))
	c, err := Load("", []string{"FEED_TOKEN=" + strings.ToUpper(someToken), "COMMANDS_HASH=" + someBcrypt})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A hash with the sum of the reference implementation of argon2 for "password"
// (P-H-C/phc-winner-argon2, src/test.c), and a token.
const (
	someHash  = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	someToken = "0123456789abcdef0123456789abcdef"
	// A test vector of jBCrypt (TestBCrypt.java), for "abcdefghijklmnopqrstuvwxyz".
	someBcrypt = "$2a$10$fVH8e28OQRj9tqiDXs1e1uxpsjN0c7II7YPKXua2NAKYvM6iQk7dq"
)

func TestFullExampleLoads(t *testing.T) {
	c := fullExample(t)
	site, err := c.Site()
	if err != nil {
		t.Fatal(err)
	}
	if m := site.Machines[0]; !m.Configured || m.Path.CureExitMM != 330 {
		t.Errorf("want a measured machine, got %+v", m)
	}
	if len(site.Advisor.Flat) != 1 || site.Advisor.Flat[0].PricePerM2.String() != "2.60 USD" {
		t.Errorf("want one film that lies flat for 2.60 USD, got %+v", site.Advisor.Flat)
	}
	channels, err := c.Channels(nil)
	if err != nil || len(channels) != 3 {
		t.Errorf("want three channels, got %d, %v", len(channels), err)
	}
}

// TestExampleExplainsEveryKey finds each key of the configuration in the
// example, with a comment above it or behind it.
func TestExampleExplainsEveryKey(t *testing.T) {
	c := fullExample(t)
	lines := strings.Split(string(Example()), "\n")
	for _, key := range patterns("", reflect.TypeFor[Config]()) {
		found := false
		for path, at := range c.origins {
			if !key.MatchString(path) || at.line == 0 {
				continue
			}
			found = true
			above, line := strings.TrimSpace(lines[at.line-2]), lines[at.line-1]
			if !strings.HasPrefix(above, "# ") && !strings.Contains(line, " # ") {
				t.Errorf("line %d: %s has no comment", at.line, path)
			}
		}
		if !found {
			t.Errorf("no key of the example matches %s", key)
		}
	}
}

// patterns lists the paths of all keys of a type, with any index in lists and
// any key in tables.
func patterns(path string, t reflect.Type) []*regexp.Regexp {
	var all []*regexp.Regexp
	for _, f := range fieldsOf(reflect.New(t).Elem()) {
		if f.secret {
			continue
		}
		below := path + `\.` + f.key
		if path == "" {
			below = f.key
		}
		all = append(all, regexp.MustCompile("^"+below+"$"))
		ft := f.value.Type()
		for ft.Kind() == reflect.Map || ft.Kind() == reflect.Slice {
			if ft.Kind() == reflect.Map {
				below += `\.[^.\[]+`
			} else {
				below += `\[\d+\]`
			}
			ft = ft.Elem()
		}
		if ft.Kind() == reflect.Struct && !scalar(ft) {
			all = append(all, patterns(below, ft)...)
		}
	}
	return all
}

// TestRuleBookExample plays the cases of the example, and shows that they can
// fail: without the cases' own hazards expected, each is refused.
func TestRuleBookExample(t *testing.T) {
	book, err := hazard.ParseBook("rulebook.example.yaml", RuleBookExample())
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	write(t, "rulebook.yaml", string(RuleBookExample()))
	write(t, FileName, measuredMachine+`
rules: {book: rulebook.yaml}
costs: {labour_per_hour: 30}
stocks:
  - {code: MONO-GLOSS-137, class: monomeric, width_mm: 1370, price_per_m2: 1.20}
  - {code: POLY-GLOSS-137, class: polymeric, width_mm: 1370, price_per_m2: 2.60}
`)
	c, err := Load("", nil)
	if err != nil {
		t.Fatal(err)
	}
	site, err := c.Site()
	if err != nil {
		t.Fatal(err)
	}
	if len(book.Cases) == 0 {
		t.Fatal("the example has no cases")
	}
	for _, k := range book.Cases {
		if err := rules.RunCase(site, k); err != nil {
			t.Error(err)
		}
		wrong := k
		wrong.Expect = append([]hazard.Code{hazard.UnprovenHead}, k.Expect...)
		if rules.RunCase(site, wrong) == nil {
			t.Errorf("case %q passes with a hazard that does not hold", k.Name)
		}
	}
}

const measuredMachine = `
machines:
  - site: shop
    name: printer-1
    path: {cure_entry_mm: 180, cure_exit_mm: 330, take_up_mm: 900, carriage_gap_um: 1500}
    swath_mm: 54
    stroke_s: 1.6
    max_width_mm: 1370
`
