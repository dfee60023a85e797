package config

import (
	"fmt"
	"net/mail"
	"net/url"
	"slices"
	"strings"

	"rollwarden/rules/hazard"
	"rollwarden/rules/hint"
)

// The channels that a route can name. The log is always there; each of the
// others is there when its section says where it leads.
const (
	logChannel          = "log"
	mailChannel         = "mail"
	webhookChannel      = "webhook"
	alertmanagerChannel = "alertmanager"
)

// channels lists the channels that are there.
func (g *Pager) channels() []string {
	names := []string{logChannel}
	if g.Alertmanager.URL != "" {
		names = append(names, alertmanagerChannel)
	}
	if g.Webhook.URL.Set() {
		names = append(names, webhookChannel)
	}
	if g.Mail.Host != "" {
		names = append(names, mailChannel)
	}
	return names
}

func (c *Config) checkPager(p *problems) {
	for _, priority := range hazard.Priorities {
		c.checkRoute(p, "pager.routes."+string(priority), c.PageFor(priority))
	}
	if c.Pager.RunbookURL != "" {
		if u, err := url.Parse(c.Pager.RunbookURL); err != nil || !webAddress(u) {
			p.bad("pager.runbook_url", "an http or https address; {hazard} stands for the hazard's code", c.Pager.RunbookURL)
		}
	}
	c.checkAlertmanager(p)
	c.checkWebhook(p)
	c.checkMail(p)
}

func (c *Config) checkRoute(p *problems, key string, route []string) {
	there := c.Pager.channels()
	for i, name := range route {
		at := fmt.Sprintf("%s[%d]", key, i)
		switch {
		case !slices.Contains(there, name):
			near := hint.DidYouMean(name, there)
			if slices.Contains([]string{mailChannel, webhookChannel, alertmanagerChannel}, name) {
				near = ": fill in pager." + name + " first"
			}
			p.note(at, fmt.Sprintf("%s: want one of the channels %s, got %s%s", at, strings.Join(there, ", "), quote(name), near))
		case slices.Index(route, name) < i:
			p.bad(at, "each channel once", name)
		}
	}
}

func (c *Config) checkAlertmanager(p *problems) {
	a := c.Pager.Alertmanager
	checkURL(p, "pager.alertmanager.url", a.URL)
	if a.URL == "" && a.Authorization.Set() {
		p.missing("pager.alertmanager.url", "the server that the authorization is for")
	}
}

// minWebhookSecret is the shortest signing secret, in bytes. RFC 2104 section
// 3 discourages keys shorter than the hash's output, 32 bytes here; half of
// that still cannot be guessed.
const minWebhookSecret = 16

func (c *Config) checkWebhook(p *problems) {
	const key = "pager.webhook"
	w, secrets := c.Pager.Webhook, c.Pager.Webhook.Secrets()
	u, err := url.Parse(w.URL.Reveal())
	switch {
	case !w.URL.Set() && len(secrets) > 0:
		p.missing(key+".url", "the receiver that the secret is for")
	case !w.URL.Set():
	case err != nil || !webAddress(u) || u.Fragment != "" || u.User != nil:
		p.note(key+".url", key+".url: want http:// or https://, a host, and no user or fragment; the address is not shown, it can hold a secret")
	case len(secrets) == 0 && len(w.SecretFiles) == 0:
		p.note(key, fmt.Sprintf("%s.secret_files is missing: want a file with a signing secret, or %s", key, Variable(key+".secret")))
	}
	for _, s := range secrets {
		if len(s.Reveal()) < minWebhookSecret {
			p.note(key+".secret", fmt.Sprintf("%s.secret: want at least %d bytes in every secret, got fewer", key, minWebhookSecret))
		}
	}
}

// Secrets lists what signs a request: the one of the environment first.
func (w Webhook) Secrets() []Secret {
	var all []Secret
	for _, s := range append([]Secret{w.Secret}, w.fromFiles...) {
		if s.Set() {
			all = append(all, s)
		}
	}
	return all
}

func (c *Config) checkMail(p *problems) {
	const key = "pager.mail"
	m := c.Pager.Mail
	if m.Host == "" {
		if m.Username != "" || m.Password.Set() || m.From != "" || len(m.To) > 0 {
			p.missing(key+".host", "the name of the mail server")
		}
		return
	}
	if strings.ContainsAny(m.Host, ":/ ") {
		p.bad(key+".host", "the name of the mail server alone; the port has a key of its own", m.Host)
	}
	if (m.Username == "") == m.Password.Set() && !p.blamed[key+".password_file"] {
		p.note(key+".username", key+".username: want a user with a password, got only one of them: set password_file or "+Variable(key+".password")+" too")
	}
	if m.Username != "" && m.TLS == "none" {
		p.bad(key+".tls", "starttls or tls, because a login must not cross the network in plain text", m.TLS)
	}
	checkAddress(p, key+".from", m.From)
	if len(m.To) == 0 {
		p.missing(key+".to", "at least one address")
	}
	for i, to := range m.To {
		checkAddress(p, fmt.Sprintf("%s.to[%d]", key, i), to)
	}
}

// checkAddress wants one mail address (RFC 5322).
func checkAddress(p *problems, key, text string) {
	if text == "" {
		p.missing(key, "a mail address such as floor@shop.example")
	} else if _, err := mail.ParseAddress(text); err != nil {
		p.bad(key, "one mail address such as floor@shop.example", text)
	}
}
