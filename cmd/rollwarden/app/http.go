package app

import (
	"context"
	"log"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/bojanz/currency"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/rs/zerolog"

	"rollwarden/metrics/prom"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/watcher/lease"
	"rollwarden/watcher/pager"
)

// newMetrics registers what the watch shows to Prometheus.
func (a *App) newMetrics() (*prom.Collector, http.Handler, error) {
	o := prom.Options{
		Parts: a.metricParts(), Ready: a.ready, Standby: a.standby, Films: a.site.Films, Currency: a.cfg.Shop.Currency,
		Rows: a.site.Book.Rows, Channels: a.channels, Version: a.opts.Version,
		Lag: a.lag, Odds: a.odds, OpenPages: a.front.hub.Readers, RefusedLogins: a.front.gate.RefusedLogins, FoldersInTrouble: a.foldersInTrouble,
	}
	if a.opts.Reload != nil {
		o.ConfigurationRefused = a.opts.Reload.Refused
	}
	collector, err := prom.New(o)
	if err != nil {
		return nil, nil, err
	}
	registry := prometheus.NewRegistry() // the tests of metrics/prom have a pedantic one
	registry.MustRegister(collector, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return collector, promhttp.HandlerFor(registry, promhttp.HandlerOpts{EnableOpenMetrics: true, Registry: registry}), nil
}

// metricParts are the journals of the floor, whoever watches them. What this
// daemon does not hold has no view.
func (a *App) metricParts() []prom.Part {
	parts := make([]prom.Part, a.partitions.Len())
	for n := range parts {
		parts[n].View = func() *rules.View { return a.held.viewOf(n) }
		if len(parts) > 1 {
			parts[n].Partition = strconv.Itoa(n)
		}
	}
	for _, m := range a.site.Machines {
		p := &parts[a.partitions.Of(m.Site)]
		p.Machines = append(p.Machines, m)
	}
	return parts
}

// ready reports whether all that this daemon holds has been read and can be
// written; who holds nothing is not ready.
func (a *App) ready() bool {
	held := a.held.list()
	unwell := func(s *shard) bool { return !s.pipe.ready.Load() || s.journal.Health() != nil }
	return len(held) > 0 && !slices.ContainsFunc(held, unwell) && a.bus.Health() == nil
}

// standby reports whether this daemon is well and has nothing to watch, because
// others hold all of the floor. One that is about to watch something stands by no
// longer.
func (a *App) standby() bool {
	if !a.shared() || len(a.held.list()) > 0 || a.bus.Health() != nil {
		return false
	}
	me := a.table.Me().ID
	return !slices.ContainsFunc(a.table.Holders(), func(h lease.Holder) bool { return h.ID == "" || h.ID == me })
}

// channelStatus is the state of the channels, the log last, over all shards.
func (a *App) channelStatus() []pager.Status {
	all := make([]pager.Status, len(a.channels))
	for i, name := range a.channels {
		all[i].Channel = name
	}
	for _, s := range a.held.list() {
		for i, of := range s.pager.Status() { // in the same order
			all[i].Waiting += of.Waiting
			if all[i].Reason == "" {
				all[i].Reason = of.Reason
			}
			if next := all[i].NextTry; next.IsZero() || !of.NextTry.IsZero() && of.NextTry.Before(next) {
				all[i].NextTry = of.NextTry
			}
		}
	}
	return all
}

// lagTimeout bounds how long a scrape waits for a journal that is away.
const lagTimeout = time.Second

// lag is how many messages of the journal are not folded yet. With the journal
// away, or not read for the first time yet, nobody knows: that is no number.
func (a *App) lag() float64 {
	ctx, cancel := context.WithTimeout(context.Background(), lagTimeout)
	defer cancel()
	held := a.held.list()
	if len(held) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, s := range held {
		first, last, err := s.journal.Span(ctx)
		v := s.pipe.view.Load()
		if err != nil || v == nil {
			return math.NaN()
		}
		sum += max(0, float64(readable(first, last))-float64(v.Seq))
	}
	return sum
}

// odds is the probability of a head strike at a machine's next start, in the view
// of its journal.
func (a *App) odds(v *rules.View, site, machine string) (float64, bool) {
	a.reading.Lock()
	defer a.reading.Unlock()
	e, ok := a.reader.On(v).Odds(a.clock.Now(), site, machine)
	return e.P, ok
}

// startAt is when a machine's next run in a view is expected to start.
func (a *App) startAt(v *rules.View, site, machine string) (time.Time, bool) {
	a.reading.Lock()
	defer a.reading.Unlock()
	at := a.reader.On(v.Of(site)).ReadyAt(a.clock.Now(), site, machine)
	if len(at) == 0 || at[0].IsZero() {
		return time.Time{}, false
	}
	return at[0], true
}

// alarms are those of a machine in a view, as they are now.
func (a *App) alarms(v *rules.View, site, machine string) []alarm.Alarm {
	a.reading.Lock()
	defer a.reading.Unlock()
	return a.reader.On(v.Of(site)).Alarms(a.clock.Now(), site, machine)
}

// warnings is a log for what a server says in lines of its own.
type warnings struct{ log zerolog.Logger }

// Write implements io.Writer.
func (w warnings) Write(line []byte) (int, error) {
	w.log.Warn().Msg(strings.TrimSpace(string(line)))
	return len(line), nil
}

// newServer serves a handler. Its limits keep a slow or endless request from
// holding on to the watch; a live page sets its own. What it says, of connections
// that speak no TLS for one, anybody can have it say: it says so much a minute.
func newServer(h http.Handler, part zerolog.Logger) *http.Server {
	few := part.Sample(&zerolog.BurstSampler{Burst: 10, Period: time.Minute})
	return &http.Server{
		Handler: h, ErrorLog: log.New(warnings{few}, "", 0),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
	}
}

// strikeCost is what a head strike would cost on a machine with what is loaded in
// a view.
func (a *App) strikeCost(v *rules.View, site, machine string) string {
	m, advisor := v.Floor.Machine(site, machine), a.site.Advisor
	if m == nil || advisor == nil || advisor.Costs.Currency == "" {
		return ""
	}
	film := a.site.Films.Lookup(m.Roll.Stock, m.Roll.Class)
	cost, err := currency.NewAmount(strconv.FormatFloat(advisor.StrikePrice(film, advisor.Costs.StrikeReprint), 'f', 6, 64), advisor.Costs.Currency)
	if err != nil {
		return ""
	}
	cost = cost.Round()
	return cost.Number() + " " + cost.CurrencyCode()
}
