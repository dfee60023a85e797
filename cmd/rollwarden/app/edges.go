package app

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"os"
	"slices"
	"strings"

	"github.com/nats-io/nats.go"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/ticket"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/pager"
)

// readTicket turns a dropped file into the events that the journal should hold.
func (a *App) readTicket(in folder.Inbox, name string, data []byte) (folder.Reading, error) {
	doc, err := ticket.Parse(name, data, a.cfg.TicketOptions())
	if err != nil {
		return folder.Reading{}, refusal(err)
	}
	events, err := doc.Events(ticket.Target{
		Site: in.Site, Machine: in.Machine, MachineFor: a.cfg.MachineFor, Received: a.clock.Now(),
		Current: func(site, machine, job, part string) string {
			return a.known(site, machine, job, part).Data.SourceSHA256
		},
		CurrentID: func(site, machine, job, part string) string { return a.known(site, machine, job, part).ID },
	})
	if err != nil {
		return folder.Reading{}, refusal(err)
	}
	return folder.Reading{Events: events, Note: strings.Join(doc.Notes, "; ")}, nil
}

// known is the ticket that the floor has for a job part, or an empty one.
func (a *App) known(site, machine, job, part string) floor.Ticket {
	if v := a.View(); v != nil {
		if t := v.Floor.Tickets.Get(floor.TicketKey{Site: site, Machine: machine, Job: job, Part: part}); t != nil {
			return *t
		}
	}
	return floor.Ticket{}
}

// refused tells the folder what a ticket's error knows of itself.
type refused struct{ *ticket.Error }

func (r refused) RejectKind() string { return r.Kind }
func (r refused) Incomplete() bool   { return r.Error.Incomplete }
func (r refused) Unwrap() error      { return r.Error }
func (r refused) Error() string      { return r.Error.Error() }

func refusal(err error) error {
	var e *ticket.Error
	if errors.As(err, &e) {
		return refused{e}
	}
	return err
}

// offerPages hands the pager what is due and which alarms stand.
func (a *App) offerPages(pages []alarm.Page, alarms map[string][]alarm.Alarm) {
	var due []pager.Due
	for _, p := range pages {
		e := event.Event{ID: p.ID, Type: event.AlarmChangedType, Time: p.At, Site: p.Site, Machine: p.Machine, Data: &p.Change}
		for _, open := range p.Open {
			due = append(due, pager.Due{AlarmID: p.ID, Channel: open.Channel, Attempts: open.Attempts, Event: e})
		}
	}
	a.pager.Offer(due)
	a.pager.Active(activePages(alarms))
}

func activePages(alarms map[string][]alarm.Alarm) []pager.Page {
	var active []pager.Page
	for _, machine := range slices.Sorted(maps.Keys(alarms)) {
		site, name, _ := strings.Cut(machine, "/")
		for _, al := range alarms[machine] {
			if !al.State.Active() {
				continue
			}
			e := event.Event{ID: al.RaisedID, Type: event.AlarmChangedType, Time: al.Raised, Site: site, Machine: name, Data: &al.Change}
			p, err := pager.NewPage(pager.Due{AlarmID: al.RaisedID, Event: e})
			if err != nil {
				continue // the event is made right here and is an alarm.changed
			}
			p.Raised = al.First
			active = append(active, p)
		}
	}
	return active
}

// channels opens the channels that the configuration names.
func channels(cfg *config.Config, clock Clock) ([]pager.Channel, error) {
	var out []pager.Channel
	p, zone := cfg.Pager, cfg.Location()
	if p.Alertmanager.URL != "" {
		c, err := pager.NewAlertmanager(pager.AlertmanagerOptions{
			Name: "alertmanager", URL: p.Alertmanager.URL, Authorization: pager.NewSecret(p.Alertmanager.Authorization.Reveal()),
			ResendEvery: p.Alertmanager.ResendEvery, Location: zone,
		})
		if err != nil {
			return nil, fmt.Errorf("pager.alertmanager: %w", err)
		}
		out = append(out, c)
	}
	if p.Webhook.URL.Set() {
		var secrets []pager.Secret
		for _, s := range p.Webhook.Secrets() {
			secrets = append(secrets, pager.NewSecret(s.Reveal()))
		}
		c, err := pager.NewWebhook(pager.WebhookOptions{Name: "webhook", URL: p.Webhook.URL.Reveal(), Secrets: secrets})
		if err != nil {
			return nil, fmt.Errorf("pager.webhook: %w", err)
		}
		out = append(out, c)
	}
	if p.Mail.Host != "" {
		c, err := pager.NewEmail(pager.EmailOptions{
			Name: "mail", Host: p.Mail.Host, Port: p.Mail.Port, TLS: pager.TLSMode(p.Mail.TLS), Username: p.Mail.Username,
			Password: pager.NewSecret(p.Mail.Password.Reveal()), From: p.Mail.From, To: p.Mail.To, Location: zone,
		})
		if err != nil {
			return nil, fmt.Errorf("pager.mail: %w", err)
		}
		out = append(out, c)
	}
	return out, nil
}

// links point from a page to the board and to the hazard's instructions.
func links(cfg *config.Config) func(pager.Page) (board, runbook string) {
	board := cmp.Or(cfg.HTTP.PublicURL, "http://"+cfg.HTTP.Listen)
	return func(p pager.Page) (string, string) {
		if cfg.Pager.RunbookURL == "" {
			return board, ""
		}
		return board, strings.TrimSuffix(cfg.Pager.RunbookURL, "/") + "/" + url.PathEscape(p.Hazard)
	}
}

// natsLogin makes connection options of the configured credentials.
func natsLogin(n config.NATS) ([]nats.Option, error) {
	var login []nats.Option
	if n.CredentialsFile != "" {
		if _, err := os.Stat(n.CredentialsFile); err != nil {
			return nil, fmt.Errorf("nats.credentials_file: %w", err)
		}
		login = append(login, nats.UserCredentials(n.CredentialsFile))
	}
	if n.User != "" {
		login = append(login, nats.UserInfo(n.User, n.Password.Reveal()))
	}
	if n.TLS.CAFile != "" {
		login = append(login, nats.RootCAs(n.TLS.CAFile))
	}
	if n.TLS.CertFile != "" {
		login = append(login, nats.ClientCert(n.TLS.CertFile, n.TLS.KeyFile))
	}
	return login, nil
}
