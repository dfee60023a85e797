package command

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"rollwarden/cmd/rollwarden/config"
)

// manDate is what the pages say of their age: when their form changed last.
const manDate = "2026-11-25"

// TestManPages holds the pages of the manual against the grammar, the cautions of
// the README and the example of the configuration, and has mandoc, which most
// systems read manuals with, look for mistakes.
func TestManPages(t *testing.T) {
	lint, err := exec.LookPath("mandoc")
	if err != nil {
		t.Fatal("mandoc is not installed, and the manual cannot be checked without it: sudo apt-get install --no-install-recommends mandoc")
	}
	for name, text := range map[string]string{"rollwarden.1": manual(t), "rollwarden.yaml.5": manualOfFile()} {
		file := filepath.Join("..", "..", "..", "deploy", "man", name)
		generated(t, file, []byte(text))
		if out, err := exec.Command(lint, "-T", "lint", "-W", "warning", file).CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
		shown, err := exec.Command(lint, "-T", "utf8", file).Output()
		if err != nil || !bytes.Contains(shown, []byte("rollwarden")) {
			t.Errorf("%s: %v\n%s", name, err, shown)
		}
	}
}

// roff writes a page with the macros of man(7).
type roff struct{ strings.Builder }

// escaped keeps a text from being taken for an instruction of roff (groff's
// manual, "Escapes" and "Control Characters").
var escaped = strings.NewReplacer(`\`, `\e`, "-", `\-`, "\n.", "\n\\&.", "\n'", "\n\\&'")

func plainText(text string) string { return strings.TrimPrefix(escaped.Replace("\n"+text), "\n") }

func (r *roff) macro(name string, args ...string) {
	r.WriteString("." + name)
	for _, a := range args {
		fmt.Fprintf(r, " \"%s\"", strings.ReplaceAll(plainText(a), `"`, `\(dq`))
	}
	r.WriteString("\n")
}

func (r *roff) head(title string, section int, volume string) {
	fmt.Fprintf(r, ".TH %s %d %s Rollwarden \"%s\"\n", title, section, manDate, volume)
}

func (r *roff) text(format string, args ...any) {
	r.WriteString(plainText(strings.TrimSpace(fmt.Sprintf(format, args...))) + "\n")
}

// item is a word and what it means.
func (r *roff) item(word, format string, args ...any) {
	r.macro("TP")
	r.macro("B", word)
	r.text(format, args...)
}

func (r *roff) verbatim(text string) {
	r.WriteString(".PP\n.nf\n")
	for line := range strings.Lines(text) {
		if line = plainText(strings.TrimRight(line, "\n")); line == "" {
			line = `\&`
		}
		r.WriteString(line + "\n")
	}
	r.WriteString(".fi\n")
}

func manual(t *testing.T) string {
	t.Helper()
	parser, err := kong.New(new(cli), kong.Name("rollwarden"))
	if err != nil {
		t.Fatal(err)
	}
	r := &roff{}
	r.head("ROLLWARDEN", 1, "User Commands")
	r.macro("SH", "NAME")
	r.text("rollwarden - warns before a printer starts on a bare film edge")
	r.macro("SH", "SYNOPSIS")
	r.WriteString(".B rollwarden\n[\\fIflags\\fR] \\fIcommand\\fR [\\fIarguments\\fR]\n")
	r.macro("SH", "DESCRIPTION")
	r.text(`Rollwarden watches roll-fed, heat-cured wide-format printers in shops that print and contour-cut.
It reads job tickets and floor events, knows what is loaded, where its edge is and what starts next, and warns before a start that is likely to end in a head strike.`)
	r.macro("PP")
	r.text("It is an adviser and no safety interlock: see CAUTIONS.")
	r.macro("SH", "FLAGS")
	for _, f := range parser.Model.Flags {
		r.flag(f)
	}
	r.macro("SH", "COMMANDS")
	for _, c := range parser.Model.Children {
		r.command(c)
	}
	r.macro("SH", "EXIT STATUS")
	r.item(fmt.Sprint(exitOK), "All went well.")
	r.item(fmt.Sprint(exitFailed), "The command ran and something is wrong.")
	r.item(fmt.Sprint(exitUsage), "The arguments or the configuration are wrong.")
	r.macro("SH", "ENVIRONMENT")
	r.item(config.FileVariable, "The configuration file, where --config names none.")
	r.item(config.Prefix+"...", "Every single value of the configuration outside lists and tables: http.listen is %s. The environment goes before the file.", config.Variable("http.listen"))
	r.macro("SH", "FILES")
	r.item(config.FileName, "The configuration, in the working directory.")
	r.item("/etc/rollwarden/rollwarden.yaml", "The configuration that the unit of systemd reads.")
	r.item("/var/lib/rollwarden", "Where that unit keeps journal, reports and tickets.")
	r.macro("SH", "CAUTIONS")
	r.cautions(t)
	r.macro("SH", "SEE ALSO")
	r.WriteString(".BR rollwarden.yaml (5)\n")
	return r.String()
}

// command describes one command with its arguments and flags.
func (r *roff) command(c *kong.Node) {
	name := "rollwarden " + c.Name
	for _, a := range c.Positional {
		name += " " + a.Summary()
	}
	r.macro("SS", name)
	r.text("%s", c.Help)
	for _, a := range c.Positional {
		r.item(a.Name, "%s", a.Help)
	}
	for _, f := range c.Flags {
		r.flag(f)
	}
}

func (r *roff) flag(f *kong.Flag) {
	name := "--" + f.Name
	if !f.IsBool() {
		name += "=" + f.FormatPlaceHolder()
	}
	if f.Short != 0 {
		name = fmt.Sprintf("-%c, %s", f.Short, name)
	}
	r.item(name, "%s", f.Help)
}

// cautions are those of the README.
func (r *roff) cautions(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile("../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "\n## Cautions\n\n")
	section, _, ended := strings.Cut(rest, "\n## ")
	intro, list, listed := strings.Cut(section, "\n\n- ")
	if !found || !ended || !listed {
		t.Fatal("README.md: want a part Cautions that ends in a list")
	}
	r.text("%s", intro)
	for _, one := range strings.Split(list, "\n- ") {
		r.macro("IP", "*", "2")
		r.text("%s", strings.ReplaceAll(one, "\n  ", "\n"))
	}
}

// manualOfFile is the example with its comments, which explain every key.
func manualOfFile() string {
	r := &roff{}
	r.head("ROLLWARDEN.YAML", 5, "File Formats")
	r.macro("SH", "NAME")
	r.text("rollwarden.yaml - settings of a shop for rollwarden")
	r.macro("SH", "DESCRIPTION")
	r.text("The configuration is a YAML file, and rollwarden check says what is wrong with one. Its keys, with their defaults:")
	r.verbatim(string(config.Example()))
	r.macro("SH", "SEE ALSO")
	r.WriteString(".BR rollwarden (1)\n")
	return r.String()
}
