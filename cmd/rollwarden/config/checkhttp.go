package config

import (
	"fmt"
	"net"
	"slices"
	"strings"

	"rollwarden/watcher/gate"
)

func (c *Config) checkHTTP(p *problems) {
	if c.HTTP.Listen == "" {
		p.missing("http.listen", "an address such as 127.0.0.1:8477")
	} else {
		checkHostPort(p, "http.listen", c.HTTP.Listen)
		c.checkReach(p)
	}
	if _, port, _ := net.SplitHostPort(c.HTTP.Listen); c.HTTP.Listen == c.NATS.Listen && port != "0" && c.NATS.URL == "" {
		p.bad("http.listen", "an address of its own, and nats.listen is the same", c.HTTP.Listen)
	}
	checkURL(p, "http.public_url", c.HTTP.PublicURL)
	for i, name := range c.HTTP.Hosts {
		if gate.CheckHost(name) != nil {
			p.bad(fmt.Sprintf("http.hosts[%d]", i), "a name such as board.shop.example, without scheme, port and path", name)
		}
	}
	c.checkFile(p, "http.tls.cert_file", c.HTTP.TLS.CertFile)
	c.checkFile(p, "http.tls.key_file", c.HTTP.TLS.KeyFile)
	if (c.HTTP.TLS.CertFile == "") != (c.HTTP.TLS.KeyFile == "") {
		p.note("http.tls", "http.tls: want cert_file and key_file, got only one of them")
	}
	if c.HTTP.LoginLasts < c.HTTP.LoginIdle {
		p.bad("http.login_lasts", "at least http.login_idle, which is "+c.HTTP.LoginIdle.String(), c.HTTP.LoginLasts.String())
	}
	c.checkUsers(p)
	c.checkTokens(p)
}

// login reports whether anybody has to say who he is.
func (h HTTP) login() bool { return len(h.Users)+len(h.Tokens) > 0 }

// checkReach wants a login and TLS where other computers can reach the board.
func (c *Config) checkReach(p *problems) {
	var more []string
	if !c.HTTP.login() {
		more = append(more, "a login (http.users with hashes from rollwarden password, or http.tokens)")
	}
	if c.HTTP.TLS.CertFile == "" && !c.HTTP.BehindProxy {
		more = append(more, "TLS (http.tls.cert_file and key_file, or http.behind_proxy: true with a proxy that speaks it), or passwords would go in clear")
	}
	if len(more) > 0 && !gate.Loopback(c.HTTP.Listen) {
		p.bad("http.listen", "a loopback address such as 127.0.0.1, or else for one that others can reach "+strings.Join(more, ", and "), c.HTTP.Listen)
	}
}

func (c *Config) checkUsers(p *problems) {
	var names []string
	for i, u := range c.HTTP.Users {
		key := fmt.Sprintf("http.users[%d]", i)
		names = append(names, u.Name)
		checkWho(p, key, u.Role, names)
		switch at := u.hashKey(key); {
		case !u.PasswordHash.Set() && u.PasswordHashFile == "":
			p.missing(at, "the line that rollwarden password prints, or password_hash_file")
		case !p.blamed[at]:
			if err := gate.CheckHash(u.PasswordHash.Reveal()); err != nil {
				p.note(at, at+": "+err.Error())
			}
		}
	}
}

// hashKey is the key from which the hash comes.
func (u User) hashKey(key string) string {
	if u.PasswordHashFile != "" {
		return key + ".password_hash_file"
	}
	return key + ".password_hash"
}

func (c *Config) checkTokens(p *problems) {
	var names []string
	for i, t := range c.HTTP.Tokens {
		key := fmt.Sprintf("http.tokens[%d]", i)
		names = append(names, t.Name)
		checkWho(p, key, t.Role, names)
		switch at := t.secretKey(key); {
		case (t.TokenFile == "") == (t.Env == ""):
			p.note(at, key+": want token_file or env, and only one of them")
		case !p.blamed[at]:
			if err := gate.CheckToken(t.Secret.Reveal()); err != nil {
				p.note(at, at+": "+err.Error())
			}
		}
	}
}

// secretKey is the key that says where the token is.
func (t Token) secretKey(key string) string {
	if t.Env != "" {
		return key + ".env"
	}
	return key + ".token_file"
}

// checkWho checks the last of the names, and that it has a role.
func checkWho(p *problems, key, role string, names []string) {
	last := len(names) - 1
	switch name := names[last]; {
	case name == "":
		p.missing(key+".name", "the name that the journal and the log show")
	case gate.CheckName(name) != nil:
		p.bad(key+".name", "at most 64 bytes of plain text without spaces around it", name)
	case slices.Index(names, name) < last:
		p.bad(key+".name", "each name once", name)
	}
	if role == "" {
		p.missing(key+".role", "viewer, operator or supervisor")
	}
}

// readLogins fills the hashes and tokens that are kept elsewhere.
func (c *Config) readLogins(environ []string, p *problems) {
	for i := range c.HTTP.Users {
		u, key := &c.HTTP.Users[i], fmt.Sprintf("http.users[%d].password_hash_file", i)
		switch {
		case u.PasswordHashFile == "":
		case u.PasswordHash.Set():
			p.note(key, key+": want it or password_hash, got both: take one away")
		default:
			u.PasswordHash = c.secretFile(key, u.PasswordHashFile, p)
		}
	}
	for i := range c.HTTP.Tokens {
		t, key := &c.HTTP.Tokens[i], fmt.Sprintf("http.tokens[%d]", i)
		switch {
		case (t.TokenFile == "") == (t.Env == ""): // checkTokens says so
		case t.TokenFile != "":
			t.Secret = c.secretFile(key+".token_file", t.TokenFile, p)
		default:
			if t.Secret = NewSecret(valueOf(t.Env, environ)); !t.Secret.Set() {
				p.bad(key+".env", "a variable of the environment that holds the token", t.Env)
			}
		}
	}
}
