package config

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
)

// check looks at everything that one value alone cannot show.
func (c *Config) check(p *problems) {
	c.checkShop(p)
	c.checkNATS(p)
	c.checkHTTP(p)
	c.checkTickets(p)
	c.checkMachines(p)
	c.checkSources(p)
	c.checkFolders(p)
	c.checkFilms(p)
	c.checkPager(p)
	c.checkReport(p)
}

func (c *Config) checkShop(p *problems) {
	if strings.TrimSpace(c.Shop.Name) == "" {
		p.missing("shop.name", "the name that the board shows")
	}
	if _, err := c.Location(); err != nil {
		p.bad("shop.time_zone", "an IANA time zone such as Europe/Lisbon, or Local", c.Shop.TimeZone)
	}
	if c.Shop.Currency == "" || !currency.IsValid(c.Shop.Currency) { // the library allows none
		p.bad("shop.currency", "an ISO 4217 code in capitals such as USD or EUR", c.Shop.Currency)
	}
	c.checkTexts(p)
	for i, text := range c.Shop.Shifts {
		if _, err := time.Parse(shiftForm, text); err != nil {
			p.bad(fmt.Sprintf("shop.shifts[%d]", i), "a time of day such as 06:00", text)
		}
	}
	if c.Data.Folder == "" {
		p.missing("data.folder", "a folder for the journal")
	}
}

// checkTexts wants the language of the pages to have texts, and every text of
// the shop's own to be one that is said.
func (c *Config) checkTexts(p *problems) {
	if c.Shop.Language == "" && c.Shop.Texts == "" {
		return
	}
	texts, problem := c.Texts(), ""
	if info, err := os.Stat(c.Path(c.Shop.Texts)); texts != nil && (err != nil || !info.IsDir()) {
		texts, problem = nil, "a folder that is there, with a folder of texts for each language"
	}
	languages, err := web.Languages(texts)
	if err != nil {
		p.bad("shop.texts", "texts that the pages can use", err.Error())
		return
	}
	if c.Shop.Language != "" && !slices.Contains(languages, c.Shop.Language) {
		p.bad("shop.language", "a language that has texts, "+strings.Join(languages, " or ")+", or one with a folder of its own below shop.texts", c.Shop.Language)
	}
	if problem != "" {
		p.bad("shop.texts", problem, c.Shop.Texts)
	}
}

func checkHostPort(p *problems, key, listen string) {
	_, port, err := net.SplitHostPort(listen)
	if n, bad := strconv.Atoi(port); err != nil || bad != nil || n < 0 || n > 65535 {
		p.bad(key, "host:port such as 127.0.0.1:8477; port 0 takes any free one", listen)
	}
}

// checkURL wants a plain http address (RFC 3986: scheme and authority, no user
// information, query or fragment), or none.
func checkURL(p *problems, key, text string) {
	if text == "" {
		return
	}
	if u, err := url.Parse(text); err != nil || !webAddress(u) || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		p.bad(key, "an address such as https://board.example without user, query and fragment", text)
	}
}

func webAddress(u *url.URL) bool {
	return (u.Scheme == "http" || u.Scheme == "https") && u.Hostname() != ""
}

func (c *Config) checkNATS(p *problems) {
	if c.NATS.URL != "" {
		for server := range strings.SplitSeq(c.NATS.URL, ",") {
			checkServer(p, strings.TrimSpace(server))
		}
	}
	c.checkNATSServer(p)
	c.checkNATSShare(p)
	if c.NATS.Keep > 0 && c.NATS.Keep < time.Minute {
		p.bad("nats.keep", "0s to keep everything, or at least 1m", c.NATS.Keep.String())
	}
	if (c.NATS.User == "") == c.NATS.Password.Set() && !p.blamed["nats.password_file"] {
		p.note("nats.user", "nats.user: want a user with a password, got only one of them: set password_file or "+Variable("nats.password")+" too")
	}
	c.checkFile(p, "nats.credentials_file", c.NATS.CredentialsFile)
	c.checkFile(p, "nats.tls.ca_file", c.NATS.TLS.CAFile)
	c.checkFile(p, "nats.tls.cert_file", c.NATS.TLS.CertFile)
	c.checkFile(p, "nats.tls.key_file", c.NATS.TLS.KeyFile)
	if (c.NATS.TLS.CertFile == "") != (c.NATS.TLS.KeyFile == "") {
		p.note("nats.tls", "nats.tls: want cert_file and key_file, got only one of them")
	}
	if c.NATS.URL == "" && len(c.NATS.Users) == 0 && (c.NATS.User != "" || c.NATS.CredentialsFile != "" || c.NATS.TLS != (TLS{})) {
		p.missing("nats.url", "the server that the login and the tls files are for")
	}
}

// checkServer does not show the address when it holds a password.
func checkServer(p *problems, server string) {
	u, err := url.Parse(server)
	switch {
	case err != nil || !slices.Contains([]string{"nats", "tls", "ws", "wss"}, u.Scheme) || u.Hostname() == "":
		got := quote(server)
		if strings.Contains(server, "@") {
			got = "another one, not shown because it may hold a password"
		}
		p.note("nats.url", "nats.url: want addresses such as nats://127.0.0.1:4222, with commas between several, got "+got)
	case u.User != nil:
		p.note("nats.url", "nats.url: want an address without user and password: use nats.user with password_file, or credentials_file")
	}
}

// checkFile wants a file that is named to be there.
func (c *Config) checkFile(p *problems, key, name string) {
	if name == "" {
		return
	}
	if info, err := os.Stat(c.Path(name)); err != nil {
		p.note(key, fmt.Sprintf("%s: want a file that can be read: %v", key, err))
	} else if !info.Mode().IsRegular() {
		p.bad(key, "a plain file", c.Path(name))
	}
}

func (c *Config) checkTickets(p *problems) {
	if c.Tickets.Folder == "" {
		p.missing("tickets.folder", "a folder to drop job tickets in")
	}
	if c.Tickets.MaxWait < c.Tickets.Settle {
		p.bad("tickets.max_wait", "at least tickets.settle, which is "+c.Tickets.Settle.String(), c.Tickets.MaxWait.String())
	}
	for _, member := range sorted(c.Tickets.Keys) {
		for i, k := range c.Tickets.Keys[member] {
			checkTicketKey(p, fmt.Sprintf("tickets.keys.%s[%d]", member, i), member, k)
		}
	}
	for _, word := range sorted(c.Tickets.Classes) {
		if key := "tickets.classes." + word; strings.TrimSpace(word) == "" || c.Tickets.Classes[word] == "" {
			p.missing(key, "a word and the film class that it stands for")
		}
	}
}

// checkTicketKey asks the reader of tickets itself what it can use.
func checkTicketKey(p *problems, path, member string, k Key) {
	err := ticket.KeyMap{member: {ticket.Key(k)}}.Check()
	if e, ok := errors.AsType[*ticket.Error](err); ok {
		p.unlike(path, e.Want, e.Got)
	}
}

// checkName wants what can be one subject token, one label and one folder.
func checkName(p *problems, key, name string) {
	if f, ok := errors.AsType[*event.Fault](event.CheckName(key, name)); ok {
		p.note(key, f.Error())
	}
}
