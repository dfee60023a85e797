package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"rollwarden/rules/hazard"
)

// FileName is the file that is used when none is named and it exists in the
// working directory.
const FileName = "rollwarden.yaml"

// The largest files that are read, in bytes.
const (
	maxFile   = 1 << 20
	maxSecret = 64 << 10
)

// Load reads the configuration: the file at path, or else the one that
// ROLLWARDEN_CONFIG names, or else ./rollwarden.yaml if it exists, or else
// none; Chosen says which. Then environ, entries of "name=value" as from
// os.Environ, is laid over it. A flag of a command can be passed as one more
// entry at the end.
//
// The error joins all problems that were found, one on a line. Load opens the
// file, the rule book and the files of secrets, and nothing else.
func Load(path string, environ []string) (*Config, error) {
	vars := variables(environ)
	c := Default()
	c.origins = origins{}
	p := &problems{origins: c.origins, blamed: map[string]bool{}}
	if err := c.readFile(path, vars[FileVariable], p); err != nil {
		return nil, err
	}
	c.override(vars, p)
	c.readSecrets(p)
	c.readLogins(environ, p)
	c.readNATSUsers(environ, p)
	c.readBook(p)
	c.check(p)
	if err := p.err(); err != nil {
		return nil, err
	}
	c.lookAround()
	return c, nil
}

// readFile chooses the file and reads it.
func (c *Config) readFile(path, fromVariable string, p *problems) error {
	c.File = cmp.Or(path, fromVariable, FileName)
	text, err := readLimited(c.File, maxFile)
	switch {
	case path != "":
		c.Chosen = c.File + ": named on the command line"
	case fromVariable != "":
		c.Chosen = c.File + ": named by " + FileVariable
	case errors.Is(err, os.ErrNotExist):
		c.File, c.Chosen = "", Default().Chosen
		return nil
	default:
		c.Chosen = c.File + ": found in the working directory"
	}
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("read configuration (%s): %w: correct the name, or begin with a copy of deploy/rollwarden.example.yaml", c.Chosen, err)
	}
	if err != nil {
		return fmt.Errorf("read configuration (%s): %w", c.Chosen, err)
	}
	c.decode(c.File, text, p)
	return nil
}

// Path resolves a name from the configuration: one that is not absolute is
// meant relative to the folder of the configuration file, or to the working
// directory when there is no file.
func (c *Config) Path(name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(c.File), name)
}

// readSecrets fills every secret that has a file.
func (c *Config) readSecrets(p *problems) {
	for _, s := range []struct {
		key    string
		file   string
		secret *Secret
	}{
		{"nats.password", c.NATS.PasswordFile, &c.NATS.Password},
		{"pager.alertmanager.authorization", c.Pager.Alertmanager.AuthorizationFile, &c.Pager.Alertmanager.Authorization},
		{"pager.mail.password", c.Pager.Mail.PasswordFile, &c.Pager.Mail.Password},
	} {
		switch {
		case s.file == "":
		case s.secret.Set():
			p.note(s.key+"_file", fmt.Sprintf("%s_file: want it or %s, got both: take one away", s.key, Variable(s.key)))
		default:
			*s.secret = c.secretFile(s.key+"_file", s.file, p)
		}
	}
	for i, file := range c.Pager.Webhook.SecretFiles {
		key := fmt.Sprintf("pager.webhook.secret_files[%d]", i)
		c.Pager.Webhook.fromFiles = append(c.Pager.Webhook.fromFiles, c.secretFile(key, file, p))
	}
}

// secretFile reads one secret: all of a file but the line end at its end.
func (c *Config) secretFile(key, file string, p *problems) Secret {
	path := c.Path(file)
	text, err := readLimited(path, maxSecret)
	if err != nil {
		p.note(key, fmt.Sprintf("%s: want a file that can be read: %v", key, err))
		return Secret{}
	}
	c.warnIfOpen(key, path)
	secret := strings.TrimSuffix(strings.TrimSuffix(string(text), "\n"), "\r")
	if secret == "" || strings.ContainsAny(secret, "\r\n") {
		p.note(key, fmt.Sprintf("%s: want a file with the secret on one line, got %s with none or several", key, path))
		return Secret{}
	}
	return NewSecret(secret)
}

// warnIfOpen warns of a secret that other people on the computer can read.
func (c *Config) warnIfOpen(key, path string) {
	info, err := os.Stat(path)
	if err != nil || runtime.GOOS == "windows" { // there the mode does not say who may read
		return
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		warning := fmt.Sprintf("%s: other people on this computer can read %s (mode %04o): chmod 600 %s", key, path, mode, path)
		c.Warnings, c.Exposed = append(c.Warnings, warning), append(c.Exposed, warning)
	}
}

func (c *Config) warn(format string, args ...any) {
	c.Warnings = append(c.Warnings, fmt.Sprintf(format, args...))
}

// readBook reads the rule book, whose errors give its own file and line.
func (c *Config) readBook(p *problems) {
	const key = "rules.book"
	if c.Rules.Book == "" {
		return
	}
	path := c.Path(c.Rules.Book)
	text, err := readLimited(path, maxFile)
	if err != nil {
		p.note(key, fmt.Sprintf("%s: want a rule book that can be read: %v", key, err))
		return
	}
	if c.book, err = hazard.ParseBook(path, text); err != nil {
		p.list = append(p.list, err)
	}
}

// readLimited reads a regular file of at most most bytes.
func readLimited(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: want a plain file", path)
	}
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) > most {
		return nil, fmt.Errorf("%s: want at most %d bytes", path, most)
	}
	return text, nil
}
