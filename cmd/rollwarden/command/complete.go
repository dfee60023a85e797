package command

import (
	"embed"
	"io"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"github.com/posener/complete"
	"github.com/willabides/kongplete"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
)

//go:embed completion
var completions embed.FS

type completionCommand struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"Shell to complete for: bash, zsh or fish."`
}

type completionDocument struct {
	Script string `json:"script" jsonschema:"to be sourced by the shell"`
}

// Run prints what makes a shell complete the command line.
func (c completionCommand) Run(e *env) error {
	script, err := completions.ReadFile("completion/rollwarden." + c.Shell)
	if err != nil {
		return err
	}
	return e.answer(completionDocument{string(script)}, func(w io.Writer) error {
		_, err := w.Write(script)
		return err
	})
}

// lineVariable is how the scripts of the shells ask: it holds the command line
// that is to be completed, and COMP_POINT where in it the cursor is (bash's
// manual, "Programmable Completion").
const lineVariable = "COMP_LINE"

// asked is the command line that a shell wants to have completed, if it does.
func asked(environ []string) (line string, ok bool) {
	for _, v := range environ {
		if line, ok = strings.CutPrefix(v, lineVariable+"="); ok {
			return line, true
		}
	}
	return "", false
}

// answerShell prints how the command line may go on. What stands before an
// equals sign is not repeated.
func answerShell(parser *kong.Kong, line string, environ []string) {
	s := suggester{strings.Split(line, " "), environ}
	kongplete.Complete(parser, kongplete.WithPredictors(map[string]complete.Predictor{
		"machine": s.from(s.machineNames),
		"site":    s.from(siteNames),
		"stock":   s.from(stockCodes),
		"type":    complete.PredictFunc(func(complete.Args) []string { return typeNames() }),
		"field":   complete.PredictFunc(s.fields),
	}))
}

// suggester knows the words that are not in the grammar.
type suggester struct {
	words   []string // of the command line; the last is the one to complete
	environ []string
}

// from suggests names of the configuration, as long as it can be read.
func (s suggester) from(names func(*config.Config) []string) complete.Predictor {
	return complete.PredictFunc(func(complete.Args) []string {
		if cfg := s.config(); cfg != nil {
			return names(cfg)
		}
		return nil
	})
}

// config is the configuration that the command would read, or nil.
func (s suggester) config() *config.Config {
	path := ""
	for i, word := range s.words {
		if value, ok := strings.CutPrefix(word, "--config="); ok {
			path = value
		} else if word == "--config" && i+1 < len(s.words) {
			path = s.words[i+1]
		}
	}
	cfg, err := config.Load(path, s.environ)
	if err != nil {
		return nil
	}
	return cfg
}

// fields suggests the fields of the event that is sent, or after an equals sign
// the values of one of which there are but some.
func (s suggester) fields(complete.Args) (out []string) {
	var all []event.Field
	for _, word := range s.words {
		if kind, known := event.KindOf(event.Type(word)); known {
			all = event.Fields(kind)
		}
	}
	name, _, valued := strings.Cut(s.words[len(s.words)-1], "=")
	for _, f := range all {
		switch {
		case valued && f.Name == name:
			return s.values(f)
		case !slices.ContainsFunc(s.words, func(word string) bool { return strings.HasPrefix(word, f.Name+"=") }):
			out = append(out, f.Name+"=")
		}
	}
	return out
}

func (s suggester) values(f event.Field) []string {
	switch {
	case f.Name == "stock":
		if cfg := s.config(); cfg != nil {
			return stockCodes(cfg)
		}
	case f.Type == "boolean":
		return []string{"true", "false"}
	}
	return f.Enum
}

// machineNames suggests machines with their sites once a site was typed.
func (s suggester) machineNames(cfg *config.Config) []string {
	return machineNames(cfg, s.words[len(s.words)-1])
}

func siteNames(cfg *config.Config) (names []string) {
	for _, m := range cfg.Machines {
		names = append(names, m.Site)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func stockCodes(cfg *config.Config) (codes []string) {
	for _, k := range cfg.Stocks {
		codes = append(codes, k.Code)
	}
	return codes
}

// typeNames are the types of the events that people send.
func typeNames() (names []string) {
	for _, k := range operatorKinds() {
		names = append(names, string(k.Type))
	}
	return names
}
