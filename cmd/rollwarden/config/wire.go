package config

import (
	"cmp"
	"crypto/tls"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"rollwarden/rules/ticket"
	"rollwarden/watcher/bus"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/gate"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/pager"
)

// TicketOptions say how the shop writes its tickets.
func (c *Config) TicketOptions() (ticket.Options, error) {
	zone, err := c.Location()
	if err != nil {
		return ticket.Options{}, err
	}
	keys := ticket.KeyMap{}
	for member, list := range c.Tickets.Keys {
		for _, k := range list {
			keys[member] = append(keys[member], ticket.Key(k))
		}
	}
	return ticket.Options{Keys: keys, Location: zone, Classes: c.Tickets.Classes}, nil
}

// Inboxes are the drop folders: one for each machine, and the ticket folder
// itself for what names its machine inside, or none.
func (c *Config) Inboxes() []folder.Inbox {
	root := filepath.Clean(c.Path(c.Tickets.Folder))
	var inboxes []folder.Inbox
	for i, m := range c.Machines {
		if i == 0 {
			inboxes = append(inboxes, folder.Inbox{Dir: root, Site: cmp.Or(c.Tickets.Site, m.Site)})
		}
		inboxes = append(inboxes, folder.Inbox{Dir: filepath.Join(root, m.folder()), Site: m.Site, Machine: m.Name})
	}
	return inboxes
}

// TicketFolders are the paths of all inboxes.
func (c *Config) TicketFolders() (paths []string) {
	for _, in := range c.Inboxes() {
		paths = append(paths, in.Dir)
	}
	return paths
}

// FolderOptions fill what the configuration knows about watching the drop
// folders; reading, publishing and reporting are the application's.
func (c *Config) FolderOptions(log zerolog.Logger) folder.Options {
	return folder.Options{
		Inboxes: c.Inboxes(), Elsewhere: c.TicketFolders(), Settle: c.Tickets.Settle, MaxWait: c.Tickets.MaxWait, Poll: c.Tickets.Poll,
		MaxBytes: ticket.MaxBytes, Log: log,
	}
}

// serverStore is what the built-in server may store, bytes. The journal is all
// that it stores and has its own limit; one here as well would have to be above
// every limit that the journal ever had, or a lower one could not be set.
const serverStore = 1 << 50

// BusOptions say which NATS to use. name is what the connection is called.
func (c *Config) BusOptions(name string, log zerolog.Logger) bus.Options {
	return bus.Options{
		URL: c.natsURL(), Listen: c.NATS.Listen, StoreDir: filepath.Join(c.DataFolder(), "nats"),
		SyncAlways: c.NATS.SyncAlways, MaxStore: serverStore, Name: name,
		Login: c.NATSOptions(), MQTT: c.NATS.MQTT.Listen, TLS: c.natsTLS(log), Users: c.natsUsers(), Log: log,
	}
}

// natsURL adds the login to every server of the list.
func (c *Config) natsURL() string {
	if c.NATS.URL == "" || c.NATS.User == "" {
		return c.NATS.URL
	}
	var servers []string
	for server := range strings.SplitSeq(c.NATS.URL, ",") {
		u, err := url.Parse(strings.TrimSpace(server))
		if err != nil {
			return c.NATS.URL // refused by check already
		}
		u.User = url.UserPassword(c.NATS.User, c.NATS.Password.Reveal())
		servers = append(servers, u.String())
	}
	return strings.Join(servers, ",")
}

// NATSOptions are the credentials and certificates for an external NATS, or for
// a command that speaks to the watch's own over the network.
func (c *Config) NATSOptions() []nats.Option {
	var options []nats.Option
	if c.NATS.URL == "" && c.NATS.User != "" {
		options = append(options, nats.UserInfo(c.NATS.User, c.NATS.Password.Reveal()))
	}
	if file := c.NATS.CredentialsFile; file != "" {
		options = append(options, nats.UserCredentials(c.Path(file)))
	}
	if file := c.NATS.TLS.CAFile; file != "" {
		options = append(options, nats.RootCAs(c.Path(file)))
	}
	if t := c.NATS.TLS; t.CertFile != "" {
		options = append(options, nats.ClientCert(c.Path(t.CertFile), c.Path(t.KeyFile)))
	}
	return options
}

// JournalOptions say how much the journal may hold, and for how long.
func (c *Config) JournalOptions(log zerolog.Logger) journal.Options {
	o := journal.Options{Shop: c.Shop.Name, MaxBytes: int64(c.NATS.MaxStore), MaxAge: c.NATS.Keep, Replicas: c.NATS.Replicas, Log: log}
	if c.NATS.URL == "" {
		o.Inside = true
		o.Mark = filepath.Join(c.DataFolder(), "journal.mark")
	}
	return o
}

// Channels builds the pager's channels besides the log.
func (c *Config) Channels(now func() time.Time) ([]pager.Channel, error) {
	zone, err := c.Location()
	if err != nil {
		return nil, err
	}
	var channels []pager.Channel
	for _, build := range []func(*time.Location, func() time.Time) (pager.Channel, error){
		c.Pager.Alertmanager.channel, c.Pager.Webhook.channel, c.Pager.Mail.channel,
	} {
		ch, err := build(zone, now)
		if err != nil {
			return nil, fmt.Errorf("pager: %w", err)
		}
		if ch != nil {
			channels = append(channels, ch)
		}
	}
	return channels, nil
}

func (a Alertmanager) channel(zone *time.Location, now func() time.Time) (pager.Channel, error) {
	if a.URL == "" {
		return nil, nil
	}
	return pager.NewAlertmanager(pager.AlertmanagerOptions{
		Name: alertmanagerChannel, URL: a.URL, Authorization: pager.NewSecret(a.Authorization.Reveal()),
		ResendEvery: a.ResendEvery, Location: zone, Now: now,
	})
}

func (w Webhook) channel(_ *time.Location, now func() time.Time) (pager.Channel, error) {
	if !w.URL.Set() {
		return nil, nil
	}
	var secrets []pager.Secret
	for _, s := range w.Secrets() {
		secrets = append(secrets, pager.NewSecret(s.Reveal()))
	}
	return pager.NewWebhook(pager.WebhookOptions{Name: webhookChannel, URL: w.URL.Reveal(), Secrets: secrets, Now: now})
}

func (m Mail) channel(zone *time.Location, now func() time.Time) (pager.Channel, error) {
	if m.Host == "" {
		return nil, nil
	}
	o := m.options()
	o.Name, o.To, o.Location, o.Now = mailChannel, m.To, zone, now
	return pager.NewEmail(o)
}

// options say how the mail server is reached.
func (m Mail) options() pager.EmailOptions {
	return pager.EmailOptions{
		Host: m.Host, Port: m.Port, TLS: pager.TLSMode(m.TLS), Username: m.Username, Password: pager.NewSecret(m.Password.Reveal()), From: m.From,
	}
}

// RunbookFor is the address of the instructions for a hazard, or "".
func (c *Config) RunbookFor(hazard string) string {
	return strings.ReplaceAll(c.Pager.RunbookURL, "{hazard}", url.PathEscape(hazard))
}

// PublicURL is the address under which people open the board.
func (c *Config) PublicURL() string {
	if c.HTTP.PublicURL != "" {
		return strings.TrimRight(c.HTTP.PublicURL, "/")
	}
	if c.HTTP.TLS.CertFile != "" {
		return "https://" + c.HTTP.Listen
	}
	return "http://" + c.HTTP.Listen
}

// GateOptions say who may come in; the pages and the clock are the
// application's.
func (c *Config) GateOptions(log zerolog.Logger) (gate.Options, error) {
	h := c.HTTP
	o := gate.Options{
		Listen: h.Listen, PublicURL: h.PublicURL, Hosts: h.Hosts, TLS: h.TLS.CertFile != "", BehindProxy: h.BehindProxy,
		Idle: h.LoginIdle, Lasts: h.LoginLasts, Streams: h.Streams, StreamsPerClient: h.StreamsPerClient, Log: log,
	}
	for _, u := range h.Users {
		role, err := gate.ParseRole(u.Role)
		if err != nil {
			return o, fmt.Errorf("http.users: %w", err)
		}
		account, err := gate.NewAccount(u.Name, role, u.PasswordHash.Reveal())
		if err != nil {
			return o, fmt.Errorf("http.users: %w", err)
		}
		o.Users = append(o.Users, account)
	}
	for _, t := range h.Tokens {
		role, err := gate.ParseRole(t.Role)
		if err != nil {
			return o, fmt.Errorf("http.tokens: %w", err)
		}
		token, err := gate.NewToken(t.Name, role, t.Secret.Reveal())
		if err != nil {
			return o, fmt.Errorf("http.tokens: %w", err)
		}
		o.Tokens = append(o.Tokens, token)
	}
	return o, nil
}

// ServerTLS is what the board is served with; nil for plain HTTP. The error
// names the file that cannot be used.
func (c *Config) ServerTLS(log zerolog.Logger) (*tls.Config, error) {
	if c.HTTP.TLS.CertFile == "" {
		return nil, nil
	}
	served, err := gate.TLSConfig(c.Path(c.HTTP.TLS.CertFile), c.Path(c.HTTP.TLS.KeyFile), log)
	if err != nil {
		return nil, fmt.Errorf("http.tls: %w", err)
	}
	return served, nil
}
