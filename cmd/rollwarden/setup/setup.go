// Package setup begins a shop: it asks a few questions, or takes their answers
// from flags, and writes the configuration file with the folders and secrets that
// belong to it.
//
// What a person does not know yet may stay open. A machine that nobody has
// measured is judged with careful guesses, and every run on it is told to be not
// known: nothing is guessed here that would count as measured there.
package setup

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/gate"
)

// Answers are what a shop says about itself. What is empty keeps its default.
type Answers struct {
	Shop        string
	Zone        string // IANA name, or Local
	Currency    string // ISO 4217
	Length      string // metric or imperial
	Temperature string // C or F
	Language    string
	Machines    []Machine
	Stocks      []Stock
	Pager       Pager
	Network     Network
}

// Machine is one printer; what is nil has not been measured.
type Machine struct {
	Site, Name                   string
	Folder                       string // for tickets; empty for its name
	Path                         *Path  // all of it or nothing
	SwathMM, StrokeS, MaxWidthMM *float64
}

// Path is the feed path, mm downstream of the print line.
type Path struct{ CureEntryMM, CureExitMM, TakeUpMM, CarriageGapUM float64 }

// Stock is one film.
type Stock struct {
	Code, Class string
	WidthMM     *float64
	ThicknessUM *float64 // with liner; nil leaves it to the class
	PricePerM2  string   // in the shop's currency
}

// Pager says who is told, besides the log.
type Pager struct {
	Channel            string // log, webhook or mail
	WebhookURL         string
	SecretFile         string // signs what goes to the webhook; made when it is not there
	MailHost, MailFrom string
	MailTo             []string
}

// Network says how other computers open the board.
type Network struct {
	Open              bool
	Listen, PublicURL string
	CertFile, KeyFile string
	User, HashFile    string // who logs in first
	Password          string // empty when it is not set here
}

// ready reports whether there is all that the board needs to be opened to others.
func (n Network) ready() bool {
	return n.Open && n.CertFile != "" && n.KeyFile != "" && n.User != "" && n.HashFile != ""
}

// ErrThere says that there is a configuration already.
var ErrThere = errors.New("there is a configuration already")

// Written says what Write has made.
type Written struct {
	File    string   // the configuration
	Aside   string   // where one lies that was there before; empty for none
	Folders []string // for tickets
	Secrets []string // files
	Doubts  []string // measures that look like a slip of the unit
}

// Write writes the configuration and makes what belongs to it. The file gets its
// name when the program itself has read and checked it. One that is there is only
// moved aside, and only when told to.
func Write(file string, a Answers, force bool, now time.Time) (w Written, err error) {
	w.File = file
	if _, err := os.Lstat(file); err == nil && !force {
		return w, fmt.Errorf("%s: %w: edit it, or move it aside and begin anew with --force", file, ErrThere)
	}
	text, err := a.Text()
	if err != nil {
		return w, err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return w, err
	}
	w.Secrets, err = a.secrets(filepath.Dir(file))
	var cfg *config.Config
	if err == nil {
		cfg, w.Aside, err = put(file, text, now)
	}
	if err != nil {
		for _, made := range w.Secrets {
			err = errors.Join(err, os.Remove(made)) // or the next try would find it in its way
		}
		return Written{}, err
	}
	w.Doubts = cfg.Doubts()
	for _, in := range cfg.Inboxes() {
		if err := os.MkdirAll(in.Dir, 0o775); err != nil {
			return w, fmt.Errorf("make a ticket folder: %w", err)
		}
		w.Folders = append(w.Folders, in.Dir)
	}
	return w, nil
}

// ErrAnswers says that the answers do not fit one another.
var ErrAnswers = errors.New("these answers do not make a configuration")

// put writes the configuration, reads it as the watch would and gives it its name.
func put(file string, text []byte, now time.Time) (cfg *config.Config, aside string, err error) {
	temp, err := draft(file, text)
	if err != nil {
		return nil, "", err
	}
	defer os.Remove(temp)
	if cfg, err = config.Load(temp, nil); err != nil {
		// The draft is gone when somebody reads this, and has a name that nobody gave.
		return nil, "", fmt.Errorf("%w: %s", ErrAnswers, strings.ReplaceAll(err.Error(), temp, file))
	}
	aside, err = place(temp, file, now)
	return cfg, aside, err
}

// draft writes the file beside its place, since the names in it are relative to
// its folder. Its mode keeps others from reading it: the address of a webhook can
// hold a token.
func draft(file string, text []byte) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(file), ".rollwarden-init-*.yaml")
	if err != nil {
		return "", err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Chmod(0o640), f.Sync(), f.Close()); err != nil {
		return "", errors.Join(err, os.Remove(f.Name()))
	}
	return f.Name(), nil
}

// place gives the file its name, and moves one that has it aside.
func place(temp, file string, now time.Time) (aside string, err error) {
	if _, err := os.Lstat(file); err == nil {
		aside = untaken(file + ".before-" + now.UTC().Format("20060102T150405Z"))
		if err := os.Rename(file, aside); err != nil {
			return "", err
		}
	}
	if err := os.Rename(temp, file); err != nil {
		if aside != "" {
			err = errors.Join(err, os.Rename(aside, file))
		}
		return "", err
	}
	return aside, nil
}

// untaken is the name, or one with a number when something has it: what was moved
// aside within the same second stays.
func untaken(name string) string {
	for free, n := name, 2; ; n++ {
		if _, err := os.Lstat(free); err != nil { // of another error than its absence the move tells
			return free
		}
		free = fmt.Sprintf("%s-%d", name, n)
	}
}

// secrets makes the files of secrets that are not there yet, for this user alone.
func (a Answers) secrets(folder string) (made []string, err error) {
	texts := map[string]string{}
	if a.Pager.SecretFile != "" {
		var key [32]byte
		if _, err := rand.Read(key[:]); err != nil {
			return nil, err
		}
		texts[a.Pager.SecretFile] = hex.EncodeToString(key[:])
	}
	if a.Network.ready() && a.Network.Password != "" {
		if texts[a.Network.HashFile], err = gate.HashPassword(a.Network.Password); err != nil {
			return nil, err
		}
	}
	for name, text := range texts {
		path := name
		if !filepath.IsAbs(name) {
			path = filepath.Join(folder, name)
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return made, err
		}
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if errors.Is(err, fs.ErrExist) && name != a.Network.HashFile {
			continue // a key that receivers know already
		}
		if err != nil {
			return made, err
		}
		_, err = fmt.Fprintln(f, text)
		if err := errors.Join(err, f.Close()); err != nil {
			return made, err
		}
		made = append(made, path)
	}
	return made, nil
}

// Locate turns names of files that were meant from the working directory into
// names as the configuration in a folder has them.
func (a *Answers) Locate(folder string) error {
	base, err := filepath.Abs(folder)
	if err != nil {
		return err
	}
	n := &a.Network
	for _, name := range []*string{&n.CertFile, &n.KeyFile, &n.HashFile} {
		if *name == "" {
			continue
		}
		path, err := filepath.Abs(*name)
		if err != nil {
			return err
		}
		if *name = path; strings.HasPrefix(path, base+string(filepath.Separator)) {
			*name = filepath.ToSlash(strings.TrimPrefix(path, base+string(filepath.Separator)))
		}
	}
	return nil
}
