package config

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"net"
	"slices"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hint"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/gate"
)

// NATSServer says how the built-in server is reached and who may log in there.
type NATSServer struct {
	ServerTLS Certificate `yaml:"server_tls"`
	MQTT      MQTT        `yaml:"mqtt"`
	Users     []NATSUser  `yaml:"users"`
}

// MQTT says where the built-in server also speaks MQTT.
type MQTT struct {
	Listen string `yaml:"listen"`
}

// NATSUser is a machine or a program that logs in at the built-in server, with a
// key or with a password whose bcrypt hash a file or a variable of the
// environment holds. It speaks for one machine, or has a role.
type NATSUser struct {
	Name             string `yaml:"name"`
	Machine          string `yaml:"machine"`
	Role             string `yaml:"role" enum:"reader,watch"`
	Key              string `yaml:"key"`
	PasswordHashFile string `yaml:"password_hash_file"`
	Env              string `yaml:"env"`

	hash Secret // read from there
}

// notAMachines are the first words of what a machine may not say about itself:
// alarms and pages are the watch's, and what is noted, taken back or accepted is
// a person's.
var notAMachines = []string{"alarm", "page", "operator", "entry", "advice"}

// user says what the server lets the user do. Whoever it is hears only the
// answers to what it asked, below an inbox of its own.
func (u NATSUser) user() bus.User {
	b := bus.User{Name: u.Name, Key: u.Key, PasswordHash: u.hash.Reveal(), Subscribe: []string{"_INBOX_" + u.Name + ".>"}}
	switch u.Role {
	case "watch":
		b.Publish, b.Subscribe = []string{">"}, []string{">"}
	case "reader":
		// It asks for nothing that was said before: the answer would go wherever
		// it says, and so back into the journal as another's word.
		b.Subscribe = append(b.Subscribe, event.SubjectRoot+".>")
	default:
		site, machine, _ := strings.Cut(u.Machine, "/")
		b.Publish = []string{event.Subject(site, machine, ">")}
		for _, word := range notAMachines {
			b.Never = append(b.Never, event.Subject("*", "*", event.Type(word+".>")))
		}
	}
	return b
}

// natsUsers lists who may log in at the built-in server.
func (c *Config) natsUsers() []bus.User {
	var users []bus.User
	for _, u := range c.NATS.Users {
		user := u.user()
		if u.Machine != "" {
			user.Publish = append(user.Publish, c.signalsOf(u.Machine)...)
		}
		users = append(users, user)
	}
	return users
}

// OwnServer is for a command that reaches the built-in server on this computer. The
// certificate is made for the name that others use, and seldom for the loopback
// address: it is checked under that name.
func (c *Config) OwnServer() nats.Option {
	return func(o *nats.Options) error {
		if c.NATS.ServerTLS.CertFile == "" {
			return nil
		}
		text, err := readLimited(c.Path(c.NATS.ServerTLS.CertFile), maxFile)
		if err != nil {
			return fmt.Errorf("nats.server_tls.cert_file: %w", err)
		}
		if o.TLSConfig == nil {
			o.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
		}
		o.TLSConfig.ServerName = certified(text)
		return nil
	}
}

// certified is a name that the first certificate of a file is good for; empty for none.
func certified(text []byte) string {
	block, _ := pem.Decode(text)
	if block == nil {
		return ""
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	switch {
	case err != nil:
		return ""
	case len(leaf.DNSNames) > 0:
		return strings.Replace(leaf.DNSNames[0], "*", "any", 1) // of a wildcard, one that it stands for
	case len(leaf.IPAddresses) > 0:
		return leaf.IPAddresses[0].String()
	}
	return ""
}

// natsTLS reads what the built-in server is served with; nil for plain
// connections.
func (c *Config) natsTLS(log zerolog.Logger) bus.ServeTLS {
	pair := c.NATS.ServerTLS
	if pair.CertFile == "" {
		return nil
	}
	return func() (*tls.Config, error) {
		served, err := gate.TLSConfig(c.Path(pair.CertFile), c.Path(pair.KeyFile), log)
		if err != nil {
			return nil, fmt.Errorf("nats.server_tls: %w", err)
		}
		served.NextProtos = nil // they are of HTTP
		return served, nil
	}
}

// checkNATSServer looks at what is for the built-in server only.
func (c *Config) checkNATSServer(p *problems) {
	s := c.NATS.NATSServer
	c.checkFile(p, "nats.server_tls.cert_file", s.ServerTLS.CertFile)
	c.checkFile(p, "nats.server_tls.key_file", s.ServerTLS.KeyFile)
	if (s.ServerTLS.CertFile == "") != (s.ServerTLS.KeyFile == "") {
		p.note("nats.server_tls", "nats.server_tls: want cert_file and key_file, got only one of them")
	}
	for key, listen := range map[string]string{"nats.listen": c.NATS.Listen, "nats.mqtt.listen": s.MQTT.Listen} {
		if listen != "" {
			checkHostPort(p, key, listen)
			s.checkReach(p, key, listen)
		}
	}
	if _, port, _ := net.SplitHostPort(s.MQTT.Listen); port != "0" && s.MQTT.Listen != "" && (s.MQTT.Listen == c.NATS.Listen || s.MQTT.Listen == c.HTTP.Listen) {
		p.bad("nats.mqtt.listen", "an address of its own, and nats.listen or http.listen is the same", s.MQTT.Listen)
	}
	c.checkNATSUsers(p)
}

// unused reports whether something is set that only the built-in server reads,
// and there is none.
func (c *Config) unused() bool {
	s := c.NATS.NATSServer
	return c.NATS.URL != "" && (s.MQTT.Listen != "" || s.ServerTLS != (Certificate{}) || len(s.Users) > 0)
}

// checkReach wants a login and TLS where other computers can reach the journal.
func (s NATSServer) checkReach(p *problems, key, listen string) {
	var more []string
	if len(s.Users) == 0 {
		more = append(more, "a login for each machine (nats.users)")
	}
	if s.ServerTLS.CertFile == "" {
		more = append(more, "TLS (nats.server_tls.cert_file and key_file)")
	}
	if len(more) > 0 && !gate.Loopback(listen) {
		p.bad(key, "a loopback address such as 127.0.0.1, or else "+strings.Join(more, " and ")+", because who reaches the port can write in the journal", listen)
	}
}

func (c *Config) checkNATSUsers(p *problems) {
	passwords := false
	var names, keys []string
	for i, u := range c.NATS.Users {
		at := fmt.Sprintf("nats.users[%d]", i)
		if u.Name == "" {
			p.missing(at+".name", "a name of letters, digits, - and _; the user hears below _INBOX_<name>")
		} else if checkName(p, at+".name", u.Name); slices.Contains(names, u.Name) {
			p.bad(at+".name", "each name once", u.Name)
		}
		if u.Key != "" && slices.Contains(keys, u.Key) {
			p.note(at+".key", at+".key: want each key once")
		}
		names, keys = append(names, u.Name), append(keys, u.Key)
		passwords = passwords || u.Key == ""
		c.checkSpeaksFor(p, at, u)
		u.checkLogin(p, at)
	}
	if c.NATS.MQTT.Listen != "" && len(c.NATS.Users) > 0 && !passwords {
		p.bad("nats.mqtt.listen", "a user with a password beside it, because MQTT knows no keys", c.NATS.MQTT.Listen)
	}
}

// checkSpeaksFor wants a user to be bound to a machine that is watched, or to a
// role.
func (c *Config) checkSpeaksFor(p *problems, at string, u NATSUser) {
	if (u.Machine == "") == (u.Role == "") {
		p.note(at, at+": want machine, such as "+floor.Key(c.Machines[0].Site, c.Machines[0].Name)+", or role (reader or watch), and only one of them")
		return
	}
	var known []string
	for _, m := range c.Machines {
		known = append(known, floor.Key(m.Site, m.Name))
	}
	if u.Machine != "" && !slices.Contains(known, u.Machine) {
		p.note(at+".machine", fmt.Sprintf("%s.machine: want one of %s, got %s%s", at, strings.Join(known, ", "), quote(u.Machine), hint.DidYouMean(u.Machine, known)))
	}
}

// checkLogin wants one way to log in, and that it can be used.
func (u NATSUser) checkLogin(p *problems, at string) {
	ways := 0
	for _, text := range []string{u.Key, u.PasswordHashFile, u.Env} {
		if text != "" {
			ways++
		}
	}
	switch {
	case ways != 1:
		p.note(at, at+": want key, password_hash_file or env, and only one of them")
	case u.Key != "":
		if err := bus.CheckKey(u.Key); err != nil {
			p.note(at+".key", at+".key: "+err.Error())
		}
	case !p.blamed[u.hashKey(at)]:
		if err := bus.CheckPasswordHash(u.hash.Reveal()); err != nil {
			p.note(u.hashKey(at), u.hashKey(at)+": "+err.Error())
		}
	}
}

// hashKey is the key that says where the hash is.
func (u NATSUser) hashKey(at string) string {
	if u.Env != "" {
		return at + ".env"
	}
	return at + ".password_hash_file"
}

// readNATSUsers fills the hashes that are kept elsewhere.
func (c *Config) readNATSUsers(environ []string, p *problems) {
	for i := range c.NATS.Users {
		u := &c.NATS.Users[i]
		at := u.hashKey(fmt.Sprintf("nats.users[%d]", i))
		switch {
		case u.Env != "" && u.PasswordHashFile != "": // checkLogin says so
		case u.PasswordHashFile != "":
			u.hash = c.secretFile(at, u.PasswordHashFile, p)
		case u.Env != "":
			if u.hash = NewSecret(valueOf(u.Env, environ)); !u.hash.Set() {
				p.bad(at, "a variable of the environment that holds the hash", u.Env)
			}
		}
	}
}
