package command

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/term"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/cmd/rollwarden/setup"
)

type initCommand struct {
	setup.Flags `embed:""`

	Yes   bool `help:"Ask nothing: what no flag answers keeps its default."`
	Force bool `help:"Begin anew where there is a configuration; the old one is moved aside."`
}

// initDocument is what was made.
type initDocument struct {
	File    string   `json:"file" jsonschema:"the configuration"`
	Aside   string   `json:"aside,omitzero" jsonschema:"where the one lies that was there before; absent when there was none"`
	Folders []string `json:"folders" jsonschema:"made for tickets"`
	Secrets []string `json:"secrets" jsonschema:"files that were made, which only you can read"`
	Notes   []string `json:"notes" jsonschema:"what is left to do"`
}

// Run asks about the shop and writes its configuration.
func (c initCommand) Run(e *env) error {
	file := cmp.Or(e.config, config.FileName)
	if _, err := os.Lstat(file); err == nil && !c.Force {
		return usageError{fmt.Errorf("%s: %w: edit it, or begin anew with --force", file, setup.ErrThere)}
	}
	answers, err := c.Answers()
	if err != nil {
		return usageError{err}
	}
	if !c.Yes {
		if err := dialog(e).Ask(&answers); err != nil {
			return usageError{err}
		}
	}
	if err := errors.Join(answers.Locate(filepath.Dir(file)), answers.Complete()); err != nil {
		return usageError{err}
	}
	w, err := setup.Write(file, answers, c.Force, time.Now())
	if errors.Is(err, setup.ErrAnswers) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	d := initDocument{w.File, w.Aside, w.Folders, append([]string{}, w.Secrets...), append(append([]string{}, w.Doubts...), answers.Hints()...)}
	return e.answer(d, d.text)
}

// dialog asks on the standard error, so that the answer of the command is all
// that there is on the standard output.
func dialog(e *env) *setup.Dialog {
	in := bufio.NewReader(os.Stdin)
	return &setup.Dialog{In: in, Out: e.err, Password: func(prompt string) (string, error) {
		if term.IsTerminal(int(os.Stdin.Fd())) {
			return askPassword(e.ctx, os.Stdin, e.err)
		}
		fmt.Fprint(e.err, prompt)
		line, err := in.ReadString('\n')
		if err != nil && line == "" {
			return "", fmt.Errorf("read the password: %w", err)
		}
		return strings.TrimRight(line, "\r\n"), nil
	}}
}

func (d initDocument) text(w io.Writer) error {
	fmt.Fprintf(w, "wrote %s\n", d.File)
	if d.Aside != "" {
		fmt.Fprintf(w, "the one before is %s\n", d.Aside)
	}
	for _, folder := range d.Folders {
		fmt.Fprintf(w, "drop tickets into %s\n", folder)
	}
	for _, secret := range d.Secrets {
		fmt.Fprintf(w, "made %s, which only you can read\n", secret)
	}
	for _, note := range d.Notes {
		fmt.Fprintf(w, "left to do: %s\n", note)
	}
	_, err := fmt.Fprintln(w, "then: rollwarden check, rollwarden doctor, rollwarden run")
	return err
}
