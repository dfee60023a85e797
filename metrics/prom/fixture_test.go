package prom_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/bojanz/currency"
	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"rollwarden/metrics/prom"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/register"
	"rollwarden/rules/remedy"
	"rollwarden/rules/risk"
	"rollwarden/rules/units"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func usd(n string) currency.Amount {
	a, err := currency.NewAmount(n, "USD")
	if err != nil {
		panic(err)
	}
	return a
}

func machine(site, name string) plant.Machine {
	return plant.Machine{
		Site: site, Name: name, Configured: true,
		Path:    plant.Path{CureEntryMM: 180, CureExitMM: 330, TakeUpMM: 900, GapUM: 1500},
		SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1370, Ink: plant.DefaultInk, ToleranceMM: 0.3,
	}
}

// shop has north/heron configured; anything else is a stranger.
func shop(t testing.TB, machines ...plant.Machine) rules.Site {
	t.Helper()
	films := priced(t, map[string]string{"MONO-GLOSS-137": "1.20"})
	if len(machines) == 0 {
		machines = []plant.Machine{machine("north", "heron")}
	}
	return rules.Site{
		Machines: machines, Default: machine("", ""), Films: films,
		Book: hazard.DefaultBook(), Drift: register.ClassDefault{Share: 0.2},
		Advisor: &remedy.Advisor{Odds: risk.DefaultPrior(), Films: films, Costs: plant.Costs{
			Currency: "USD", LabourPerHour: usd("30"), DownPerHour: usd("60"), HeadShare: usd("40"), LeaderTape: usd("0.15"),
			StrikeDownS: 2700, StrikeReprint: 3, LeaderWorkS: 60, AdvanceWorkS: 10, ShapeWorkS: 60, CoolerSlowPct: 20,
		}},
		PageFor: func(hazard.Priority) []string { return []string{"log", "office"} },
		Lapse:   12 * time.Hour,
	}
}

// priced is a catalogue of monomeric stocks by their prices in USD per m².
func priced(t testing.TB, prices map[string]string) *film.Catalogue {
	t.Helper()
	var stocks []film.Film
	for stock, price := range prices {
		f := film.Defaults[event.Monomeric]
		f.Stock, f.Class, f.PricePerM2, f.WidthMM = stock, event.Monomeric, usd(price), units.Some(1370)
		stocks = append(stocks, f)
	}
	films, err := film.NewCatalogue(nil, stocks)
	if err != nil {
		t.Fatal(err)
	}
	return films
}

func options(site rules.Site, view func() *rules.View) prom.Options {
	return prom.Options{
		Parts: []prom.Part{{Machines: site.Machines, View: view}}, Ready: func() bool { return view() != nil },
		Films: site.Films, Currency: "USD", Rows: site.Book.Rows, Channels: []string{"log", "office"}, Version: "test",
	}
}

// desk feeds an engine as the watch would.
type desk struct {
	t      testing.TB
	site   rules.Site
	engine *rules.Engine
	now    time.Time
	seq    uint64
}

func newDesk(t testing.TB, site rules.Site) *desk {
	return &desk{t: t, site: site, engine: rules.New(site), now: start}
}

func (d *desk) view() *rules.View { return d.engine.View(d.now) }

// fold applies one event without judging.
func (d *desk) fold(site, machine string, typ event.Type, p event.Payload) {
	d.t.Helper()
	if err := p.Check(); err != nil {
		d.t.Fatal(err)
	}
	d.seq++
	d.engine.Apply(d.seq, event.Event{
		ID: fmt.Sprint("e", d.seq), Source: "test", Type: typ, Time: d.now, Site: site, Machine: machine, Data: p,
	})
}

// say folds an event and brings the watch's transitions back.
func (d *desk) say(site, machine string, typ event.Type, p event.Payload) {
	d.t.Helper()
	d.fold(site, machine, typ, p)
	for range 50 {
		out, _ := d.engine.Judge(d.now)
		if len(out) == 0 {
			return
		}
		for _, e := range out {
			d.seq++
			d.engine.Apply(d.seq, e)
		}
	}
	d.t.Fatal("the watch does not come to rest")
}

func num(v float64) *float64 { return &v }
func truth(b bool) *bool     { return &b }

func run(job string, metres *float64) event.Run {
	return event.Run{Job: job, Part: "P1", Metres: metres}
}

// registry registers a collector where every inconsistency is an error.
func registry(t testing.TB, o prom.Options) (*prom.Collector, *prometheus.Registry) {
	t.Helper()
	c, err := prom.New(o)
	if err != nil {
		t.Fatal(err)
	}
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(c); err != nil {
		t.Fatal(err)
	}
	return c, r
}

// nonzero leaves out series that are zero, so that an expectation can be
// written by hand.
func nonzero(g prometheus.Gatherer) prometheus.Gatherer {
	return prometheus.GathererFunc(func() ([]*dto.MetricFamily, error) {
		all, err := g.Gather()
		for _, f := range all {
			f.Metric = slices.DeleteFunc(f.Metric, func(m *dto.Metric) bool { return value(m) == 0 })
		}
		return slices.DeleteFunc(all, func(f *dto.MetricFamily) bool { return len(f.Metric) == 0 }), err
	})
}

// value is a series' number; a histogram's is its count.
func value(m *dto.Metric) float64 {
	switch {
	case m.Counter != nil:
		return m.Counter.GetValue()
	case m.Gauge != nil:
		return m.Gauge.GetValue()
	}
	return float64(m.Histogram.GetSampleCount())
}

func gather(t testing.TB, g prometheus.Gatherer) map[string]*dto.MetricFamily {
	t.Helper()
	all, err := g.Gather()
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]*dto.MetricFamily{}
	for _, f := range all {
		byName[f.GetName()] = f
	}
	return byName
}
