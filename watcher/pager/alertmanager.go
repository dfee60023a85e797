package pager

import (
	"cmp"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// AlertmanagerOptions configure an Alertmanager channel.
type AlertmanagerOptions struct {
	Name string // channel name
	// URL is the root of the server, such as http://127.0.0.1:9093, with the
	// prefix it is served under if there is one.
	URL           string
	Authorization Secret           // whole value of the Authorization header; may be empty
	TLS           *tls.Config      // nil for the system's roots
	ResendEvery   time.Duration    // how often the active alarms are told again; 1 min
	Timeout       time.Duration    // for one request; 10 s
	Location      *time.Location   // for the times in texts; UTC
	Now           func() time.Time // time.Now
}

// holdIntervals is how many re-sends an alert outlives without being heard of.
// Four lets three be lost; the rule manager of the Prometheus server uses the
// same figure (sendAlerts in rules/alerting.go).
const holdIntervals = 4

// Alertmanager posts alerts to the v2 API (POST /api/v2/alerts). An alert is
// known by its labels, which are few and stable: alertname (the hazard's code),
// site, machine, job, part and severity. As long as an alarm is active the
// alert is sent again in time, with an end a few intervals ahead; when the
// alarm clears it is sent with its end set to now. A silent floor leaves the
// alarm active, and so never resolves its alert.
type Alertmanager struct {
	options AlertmanagerOptions
	poster  *poster
	told    map[string]postableAlert // active alerts of the last set, by labels
}

// postableAlert is the API's object of the same name (api/v2/openapi.yaml of
// github.com/prometheus/alertmanager, definitions alert and postableAlert).
type postableAlert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// NewAlertmanager returns the channel. It fails on an address that is not
// plain http or https.
func NewAlertmanager(o AlertmanagerOptions) (*Alertmanager, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Location == nil {
		o.Location = time.UTC
	}
	o.ResendEvery = cmp.Or(o.ResendEvery, time.Minute)
	if o.ResendEvery < time.Second {
		return nil, fmt.Errorf("alertmanager %s: resend interval: want at least 1s, got %s", o.Name, o.ResendEvery)
	}
	address := strings.TrimRight(o.URL, "/") + "/api/v2/alerts"
	if u, err := url.Parse(o.URL); err != nil || u.RawQuery != "" {
		return nil, fmt.Errorf("alertmanager %s: url: want the root of the server without a query", o.Name)
	}
	// The scheme before the credentials is no secret, the credentials alone are.
	_, credentials, _ := strings.Cut(o.Authorization.text(), " ")
	p, err := newPoster(posterOptions{
		URL: address, TLS: o.TLS, Timeout: o.Timeout, Now: o.Now,
		Secrets: []Secret{o.Authorization, NewSecret(credentials)},
	})
	if err != nil {
		return nil, fmt.Errorf("alertmanager %s: %w", o.Name, err)
	}
	return &Alertmanager{options: o, poster: p}, nil
}

// Name implements Channel.
func (a *Alertmanager) Name() string { return a.options.Name }

// Every implements Leveller.
func (a *Alertmanager) Every() time.Duration { return a.options.ResendEvery }

// Send implements Channel: it posts the alert of one transition.
func (a *Alertmanager) Send(ctx context.Context, p Page) error {
	if p.Cleared() {
		return a.post(ctx, []postableAlert{a.ended(a.alert(p))})
	}
	return a.post(ctx, []postableAlert{a.alert(p)})
}

// Level implements Leveller: it posts every active alarm, and the end of those
// that were in the last set and are not in this one. An alarm whose priority
// changed has new labels, so its former alert ends here too.
func (a *Alertmanager) Level(ctx context.Context, active []Page) error {
	present := make(map[string]postableAlert, len(active))
	for _, p := range active {
		if !p.Cleared() {
			alert := a.alert(p)
			present[labelKey(alert.Labels)] = alert
		}
	}
	alerts := sorted(present)
	for _, former := range sorted(a.told) {
		if _, ok := present[labelKey(former.Labels)]; !ok {
			alerts = append(alerts, a.ended(former))
		}
	}
	if len(alerts) == 0 {
		return nil
	}
	if err := a.post(ctx, alerts); err != nil {
		return err
	}
	a.told = present
	return nil
}

// alert returns the alert of an active alarm.
func (a *Alertmanager) alert(p Page) postableAlert {
	start := p.Raised
	if start.IsZero() {
		start = p.At
	}
	end := a.options.Now().Add(holdIntervals * a.options.ResendEvery)
	return postableAlert{
		Labels: withoutEmpty(map[string]string{
			"alertname": p.Hazard, "site": p.Site, "machine": p.Machine,
			"job": p.Job, "part": p.Part, "severity": severity(p.Priority),
		}),
		Annotations: withoutEmpty(map[string]string{
			"summary": summary(p, a.options.Location), "description": describe(p),
			"remedy": bestRemedy(p), "caution": p.Caution, "runbook_url": p.RunbookURL,
		}),
		StartsAt: start.UTC(), EndsAt: later(end, start).UTC(), GeneratorURL: p.BoardURL,
	}
}

// ended sets the end to now. The API refuses an end before the start, which
// clocks that differ could give.
func (a *Alertmanager) ended(alert postableAlert) postableAlert {
	alert.EndsAt = later(a.options.Now().UTC(), alert.StartsAt)
	return alert
}

// severity maps a priority to the customary severities. An unknown priority
// is critical, because unknown is never safe.
func severity(priority string) string {
	switch priority {
	case "low":
		return "info"
	case "medium":
		return "warning"
	}
	return "critical"
}

func (a *Alertmanager) post(ctx context.Context, alerts []postableAlert) error {
	body, err := json.Marshal(alerts)
	if err != nil {
		return Permanent(errors.New("alertmanager: the alerts cannot be written as JSON; please report it"))
	}
	header := http.Header{}
	if !a.options.Authorization.empty() {
		header.Set("Authorization", a.options.Authorization.text())
	}
	return a.poster.post(ctx, body, header)
}

// withoutEmpty drops empty values: the server treats them as absent.
func withoutEmpty(m map[string]string) map[string]string {
	maps.DeleteFunc(m, func(_, v string) bool { return v == "" })
	return m
}

// labelKey tells apart what the server tells apart.
func labelKey(labels map[string]string) string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(labels)) {
		fmt.Fprintf(&b, "%q=%q,", name, labels[name])
	}
	return b.String()
}

func sorted(m map[string]postableAlert) []postableAlert {
	alerts := make([]postableAlert, 0, len(m))
	for _, key := range slices.Sorted(maps.Keys(m)) {
		alerts = append(alerts, m[key])
	}
	return alerts
}
