package command

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/gate"
)

type passwordCommand struct {
	Machine bool `help:"For a machine that logs in at the built-in NATS server (nats.users), and not for a person."`
}

// Run reads a password and prints its hash, for password_hash in http.users or
// in nats.users. It goes to standard output alone, so that it can be sent into a
// file.
func (p passwordCommand) Run(e *env) error {
	password, err := askPassword(e.ctx, os.Stdin, e.err)
	if err != nil {
		return err
	}
	if p.Machine {
		return e.printMachineHash(password)
	}
	return e.printHash(password)
}

type passwordDocument struct {
	Hash  string   `json:"hash" jsonschema:"for password_hash in http.users, or in nats.users with --machine"`
	Notes []string `json:"notes" jsonschema:"what deserves a look"`
}

func (e *env) printHash(password string) error {
	hash, err := gate.HashPassword(password)
	if err != nil {
		return usageError{err}
	}
	d := passwordDocument{Hash: hash}
	if gate.PasswordLength(password) < gate.AdvisedPassword {
		d.Notes = append(d.Notes, fmt.Sprintf("%d characters or more are advised (NIST SP 800-63B-4), such as a few words that do not belong together", gate.AdvisedPassword))
	}
	return e.tellHash(d)
}

// printMachineHash takes what a program made, which is long enough or refused.
func (e *env) printMachineHash(password string) error {
	hash, err := bus.HashPassword(password)
	if err != nil {
		return usageError{err}
	}
	return e.tellHash(passwordDocument{Hash: hash})
}

func (e *env) tellHash(d passwordDocument) error {
	return e.answer(d, func(w io.Writer) error {
		for _, note := range d.Notes {
			fmt.Fprintln(e.err, "note:", note)
		}
		_, err := fmt.Fprintln(w, d.Hash)
		return err
	})
}

// askPassword asks a person twice, without showing what is typed, or takes one
// line from a program.
func askPassword(ctx context.Context, in *os.File, prompts io.Writer) (string, error) {
	if !term.IsTerminal(int(in.Fd())) {
		return firstLine(in)
	}
	first, err := askOnce(ctx, in, prompts, "Password: ")
	if err != nil {
		return "", err
	}
	again, err := askOnce(ctx, in, prompts, "Once more: ")
	if err != nil {
		return "", err
	}
	if first != again {
		return "", errors.New("the two passwords differ: start again")
	}
	return first, nil
}

// askOnce reads a line from a terminal. When the program is told to stop
// meanwhile, the terminal shows again what is typed.
func askOnce(ctx context.Context, in *os.File, prompts io.Writer, prompt string) (string, error) {
	fd := int(in.Fd())
	before, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("ask for the password: %w", err)
	}
	fmt.Fprint(prompts, prompt)
	defer fmt.Fprintln(prompts) // the person's own line end was not shown
	type line struct {
		text []byte
		err  error
	}
	typed := make(chan line, 1)
	go func() {
		text, err := term.ReadPassword(fd)
		typed <- line{text, err}
	}()
	select {
	case l := <-typed:
		if l.err != nil {
			return "", fmt.Errorf("read the password: %w", l.err)
		}
		return string(l.text), nil
	case <-ctx.Done():
		return "", errors.Join(errors.New("no password was given"), term.Restore(fd, before))
	}
}

// maxLine bounds what is read of a line, in bytes; it is more than a password
// may have.
const maxLine = 64 << 10

// firstLine is the first line of a text without its end.
func firstLine(in io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(in, maxLine)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return strings.TrimSuffix(strings.TrimSuffix(line, "\n"), "\r"), nil
}
