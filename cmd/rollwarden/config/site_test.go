package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bojanz/currency"
	"github.com/google/go-cmp/cmp"

	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/risk"
	"rollwarden/rules/ticket"
	"rollwarden/rules/units"
	"rollwarden/watcher/folder"
)

const kestrelLane = `
shop: {name: Kestrel Lane Decals, time_zone: Europe/Lisbon, temperature: F, length: imperial, currency: EUR}
tickets: {site: quay, keys: {cure_c: [{general_id: "kestrel:Cure", unit: F}]}, classes: {economy: monomeric}}
machines:
  - {site: north, name: heron, device_ids: [KL-1, heron-left], tolerance_mm: 0.2, swath_mm: 54, stroke_s: 1.6, max_width_mm: 1370,
     path: {cure_entry_mm: 180, cure_exit_mm: 330, take_up_mm: 900, carriage_gap_um: 1500}, ink: slow}
  - {site: north, name: wren, stroke_s: 2}
  - {site: quay, name: plover}
  - {site: quay, name: wren, folder: quay-wren}
inks:
  slow: {activation_j_per_mol: 50000, reference_c: 95, need_s: 60, rest_laminate: 24h, rest_cut: 10m}
classes:
  polymeric: {ceiling_c: 118, price_per_m2: 2.50}
stocks:
  - {code: MONO-GLOSS-137, class: monomeric, width_mm: 1370, price_per_m2: 1.20, thickness_um: 230}
  - {code: POLY-GLOSS-137, class: polymeric, width_mm: 1370}
  - {code: CAST-WRAP-152, class: cast, price_per_m2: 9.90, in_stock: false, onset_c: 92.5, strain_per_c: -1e-5}
costs: {leader_tape: 0.125, leader_work: 90s}
odds: {bare: {monomeric: 0.2}}
pager: {routes: {high: [log], low: [log]}}
`

func TestSite(t *testing.T) {
	c := load(t, kestrelLane)
	site, err := c.Site()
	if err != nil {
		t.Fatal(err)
	}
	heron, wren := site.Machines[0], site.Machines[1]
	if !heron.Configured || heron.Path.ZoneMM() != 150 || heron.ToleranceMM != 0.2 || heron.Inbox != "heron" {
		t.Errorf("heron: %+v", heron)
	}
	want := plant.Ink{Family: "slow", ActivationJ: 50000, ReferenceC: 95, NeedS: 60, RestLaminateS: 86400, RestCutS: 600}
	if diff := cmp.Diff(want, heron.Ink); diff != "" {
		t.Errorf("ink, -want +got:\n%s", diff)
	}
	if wren.Configured || wren.Path != assumed.Path || wren.StrokeS != 2 || wren.Ink != plant.DefaultInk {
		t.Errorf("wren is not measured, got %+v", wren)
	}
	mono, poly, cast := site.Films.Lookup("MONO-GLOSS-137", ""), site.Films.Lookup("POLY-GLOSS-137", ""), site.Films.Lookup("CAST-WRAP-152", "")
	if mono.PricePerM2.String() != "1.20 EUR" || mono.ThicknessUM != units.Some(230) || mono.CeilingC != 110 || !mono.Given || mono.LiesFlat {
		t.Errorf("monomeric: %+v", mono)
	}
	if poly.PricePerM2.String() != "2.50 EUR" || poly.CeilingC != 118 || poly.ContourCeilingC != 115 || poly.Class != event.Polymeric {
		t.Errorf("polymeric follows its class, got %+v", poly)
	}
	if cast.OnsetC != 92.5 || cast.StrainPerC != -1e-5 || cast.WidthMM.Known() {
		t.Errorf("cast: %+v", cast)
	}
	if flat := site.Advisor.Flat; len(flat) != 1 || flat[0].Stock != "POLY-GLOSS-137" {
		t.Errorf("want only the film that is in stock and lies flat, got %+v", flat)
	}
	if k := site.Advisor.Costs; k.LeaderTape.String() != "0.125 EUR" || k.LeaderWorkS != 90 || k.DownPerHour.String() != "60 EUR" || k.StrikeDownS != 2700 || k.Currency != "EUR" {
		t.Errorf("costs: %+v", k)
	}
	odds := risk.DefaultPrior()
	odds.Bare[event.Monomeric] = 0.2
	if diff := cmp.Diff(odds, site.Advisor.Odds); diff != "" {
		t.Errorf("odds, -want +got:\n%s", diff)
	}
	if site.Lapse != 12*time.Hour || site.Default.Configured || site.Drift.Share <= 0 {
		t.Errorf("site: %+v", site)
	}
}

// TestQueuePrices reads what the order of a queue costs.
func TestQueuePrices(t *testing.T) {
	for text, want := range map[string]queue.Prices{
		"": queue.DefaultPrices(),
		"queue: {late_per_hour: 12.50, change_work: 8m, thread_m: 0.8, usual_roll_m: 45}": {LatePerHour: 12.5, ChangeS: 480, ThreadM: 0.8, RollM: 45},
	} {
		if got, err := load(t, text).QueuePrices(); err != nil || got != want {
			t.Errorf("%q: got %+v, %v, want %+v", text, got, err, want)
		}
	}
}

// TestDisplay checks the shop's display with the definitions of the units: the
// international inch is 25.4 mm exactly, and °F = °C × 9/5 + 32 (NIST SP 811,
// appendix B.8 and B.9). 200 °F is 93.33 °C.
func TestDisplay(t *testing.T) {
	us, si := load(t, kestrelLane).Display(), Default().Display()
	for want, got := range map[string]string{
		"200 °F": us.Temp(93.3333), "13.0 in": us.Short(330.2), "10.0 ft": us.Long(3.048),
		"93 °C": si.Temp(93.3333), "330 mm": si.Short(330.2), "3.0 m": si.Long(3.048),
	} {
		if got != want {
			t.Errorf("want %s, got %s", want, got)
		}
	}
}

func TestLocation(t *testing.T) {
	zone, err := load(t, kestrelLane).Location()
	if err != nil {
		t.Fatal(err)
	}
	// Portugal keeps UTC in winter and UTC+1 in summer (IANA time zone
	// database, file europe, zone Europe/Lisbon).
	for month, want := range map[time.Month]string{time.January: "08:00", time.July: "09:00"} {
		if got := time.Date(2026, month, 5, 8, 0, 0, 0, time.UTC).In(zone).Format("15:04"); got != want {
			t.Errorf("%s: want %s, got %s", month, want, got)
		}
	}
	for _, bad := range []string{"", "../etc/passwd", "Europe/Nowhere", "/etc/localtime"} {
		if _, err := (&Config{Shop: Shop{TimeZone: bad}}).Location(); err == nil {
			t.Errorf("%q is taken for a zone", bad)
		}
	}
}

// TestCurrencies compares with ISO 4217: the codes of list one, the minor
// units of some, and what is no code there.
func TestCurrencies(t *testing.T) {
	for code, digits := range map[string]uint8{"EUR": 2, "USD": 2, "GBP": 2, "JPY": 0, "KWD": 3, "CHF": 2} {
		c := load(t, "shop: {currency: "+code+"}")
		if got, ok := currency.GetDigits(c.Shop.Currency); !ok || got != digits {
			t.Errorf("%s has %d digits, got %d", code, digits, got)
		}
		if _, err := c.Site(); err != nil {
			t.Error(err)
		}
	}
	for _, code := range []string{"EURO", "eur", "BTC", "XXXX", "€", "''"} {
		if _, err := tryLoad(t, "shop: {currency: "+code+"}"); err == nil || !strings.Contains(err.Error(), "ISO 4217") {
			t.Errorf("%s: want it refused, got %v", code, err)
		}
	}
}

// TestAddresses compares with the blocks that are loopback: 127.0.0.0/8 (RFC
// 1122, section 3.2.1.3) and ::1 (RFC 4291, section 2.5.3).
func TestAddresses(t *testing.T) {
	for listen, good := range map[string]bool{
		"127.0.0.1:0": true, "127.1.2.3:8477": true, "[::1]:8477": true, "localhost:8477": true,
		"128.0.0.1:8477": false, "[::]:8477": false, "[::2]:8477": false, "192.0.2.1:8477": false, ":8477": false,
		"localhost.example:8477": false, "[fe80::1]:8477": false, "0.0.0.0:8477": false, "127.0.0.1:70000": false, "127.0.0.1:http": false,
	} {
		_, err := tryLoad(t, "http: {listen: '"+listen+"'}")
		if (err == nil) != good {
			t.Errorf("%s: want good=%v, got %v", listen, good, err)
		}
	}
}

// TestBytes compares with IEC 80000-13: kibi is 2^10 and so on; and with the
// SI: kilo is 10^3.
func TestBytes(t *testing.T) {
	for text, want := range map[string]Bytes{
		"1B": 1, "1KiB": 1024, "4GiB": 4294967296, "1 MiB": 1048576, "2TiB": 2199023255552, "1PiB": 1125899906842624,
		"1kB": 1000, "5GB": 5000000000, "1TB": 1000000000000,
	} {
		var b, again Bytes
		if err := b.UnmarshalText([]byte(text)); err != nil || b != want {
			t.Errorf("%s: want %d, got %d, %v", text, want, b, err)
		}
		if err := again.UnmarshalText([]byte(b.String())); err != nil || again != b {
			t.Errorf("%s is written as %s and read as %d, %v", text, b, again, err)
		}
	}
	for _, bad := range []string{"", "4", "GiB", "-1GiB", "1.5GiB", "4gib", "99999999PiB", "18446744073709551616B", "4GiBs"} {
		if err := new(Bytes).UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestMachineByDevice(t *testing.T) {
	c := load(t, kestrelLane)
	for id, want := range map[string]string{
		"KL-1": "north/heron", "heron-left": "north/heron", "heron": "north/heron", "plover": "quay/plover",
		"wren": "", "kl-1": "", "": "", "quay/plover": "", // wren is on two sites
	} {
		site, machine, ok := c.Machine(id)
		if got := strings.Trim(site+"/"+machine, "/"); got != want || ok != (want != "") {
			t.Errorf("%q: want %q, got %q, %v", id, want, got, ok)
		}
	}
}

func TestInboxes(t *testing.T) {
	c := load(t, kestrelLane)
	want := []folder.Inbox{
		{Dir: "tickets", Site: "quay"},
		{Dir: filepath.Join("tickets", "heron"), Site: "north", Machine: "heron"},
		{Dir: filepath.Join("tickets", "wren"), Site: "north", Machine: "wren"},
		{Dir: filepath.Join("tickets", "plover"), Site: "quay", Machine: "plover"},
		{Dir: filepath.Join("tickets", "quay-wren"), Site: "quay", Machine: "wren"},
	}
	if diff := cmp.Diff(want, c.Inboxes()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	if in := Default().Inboxes()[0]; in.Site != "shop" {
		t.Errorf("want loose tickets on the site of the first machine, got %+v", in)
	}
}

func TestTicketOptions(t *testing.T) {
	o, err := load(t, kestrelLane).TicketOptions()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(ticket.KeyMap{"cure_c": {{GeneralID: "kestrel:Cure", Unit: "F"}}}, o.Keys); diff != "" {
		t.Errorf("keys, -want +got:\n%s", diff)
	}
	if o.Location.String() != "Europe/Lisbon" || o.Classes["economy"] != event.Monomeric {
		t.Errorf("got %v, %v", o.Location, o.Classes)
	}
}

func TestPageFor(t *testing.T) {
	c := load(t, kestrelLane)
	for p, want := range map[hazard.Priority][]string{hazard.High: {"log"}, hazard.Medium: {"log"}, hazard.Low: {"log"}, "new": {"log"}} {
		if got := c.PageFor(p); !slices.Equal(got, want) {
			t.Errorf("%s: want %v, got %v", p, want, got)
		}
	}
	if got := Default().PageFor(hazard.Low); len(got) != 0 {
		t.Errorf("want nobody paged for low, got %v", got)
	}
}

// TestUnmeasuredIsNotSafe judges the machine of the defaults: a start is told
// to be not known, and an edge that clears a usual cure exit is still bare.
func TestUnmeasuredIsNotSafe(t *testing.T) {
	site, err := Default().Site()
	if err != nil {
		t.Fatal(err)
	}
	if !site.Machines[0].Path.Assumed {
		t.Error("want the feed path marked as a guess, for the boards")
	}
	number := func(v float64) *float64 { return &v }
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	e := rules.New(site)
	for i, p := range []event.Payload{
		&event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: number(1370), LengthM: number(50), ThicknessUM: number(220)},
		&event.EdgeMoved{PositionMM: number(400), Cause: event.CauseAdvance},
		&event.RunQueued{Job: "KL-1", Metres: number(3)},
	} {
		typ := []event.Type{"roll.loaded", "edge.moved", "run.queued"}[i]
		e.Apply(uint64(i+1), event.Event{ID: string(typ), Source: "test", Type: typ, Time: now, Site: "shop", Machine: "printer-1", Data: p})
	}
	var held []string
	for _, h := range rules.Read(site, e.View(now)).Hazards(now, "shop", "printer-1") {
		held = append(held, h.Key.Hazard)
	}
	for _, want := range []hazard.Code{hazard.StaleFloor, hazard.BareEdge} {
		if !slices.Contains(held, string(want)) {
			t.Errorf("want %s among %v", want, held)
		}
	}
}

func TestWarnings(t *testing.T) {
	t.Chdir(t.TempDir())
	write(t, "creds", "x")
	if err := os.Chmod("creds", 0o644); err != nil {
		t.Fatal(err)
	}
	write(t, FileName, `
pager:
  mail: {host: smtp.kestrel-lane.example, from: floor@kestrel-lane.example, to: [crew@kestrel-lane.example]}
nats: {sync_always: false}
`)
	c, err := Load("", nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"machine shop/printer-1 is not measured (path, swath_mm, stroke_s, max_width_mm): it is judged with careful guesses, and every run on it is told to be not known",
		"pager.mail is set and no route names it: nobody is told by it",
		"nats.sync_always is false: the last events before a power cut can be lost",
	}
	if diff := cmp.Diff(want, c.Warnings); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// TestShiftFrom finds the shift that is on, over midnight and over the change
// to summer time (Lisbon, 29 March 2026, at 01:00).
func TestShiftFrom(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	c := Default()
	if c.ShiftFrom(zone) != nil {
		t.Error("without shifts there is none that is on")
	}
	c.Shop.Shifts = []string{"06:00", "14:00", "22:00"}
	for now, want := range map[string]string{
		"2026-03-02T06:00:00Z": "2026-03-02T06:00:00Z", "2026-03-02T05:59:00Z": "2026-03-01T22:00:00Z",
		"2026-03-02T21:59:00Z": "2026-03-02T14:00:00Z", "2026-03-29T03:00:00Z": "2026-03-28T22:00:00Z",
		"2026-03-29T05:00:00Z": "2026-03-29T05:00:00Z",
	} {
		at, _ := time.Parse(time.RFC3339, now)
		if got := c.ShiftFrom(zone)(at).UTC().Format(time.RFC3339); got != want {
			t.Errorf("at %s: want %s, got %s", now, want, got)
		}
	}
}

// TestComplete writes what the stock list knows into what came without it, and
// changes nothing that was said.
func TestComplete(t *testing.T) {
	width, other := 1370.0, 1000.0
	c := Default()
	c.Stocks = []Stock{{Code: "MONO-GLOSS-137", Class: event.Monomeric, WidthMM: &width}}
	roll := &event.RollLoaded{Stock: "MONO-GLOSS-137"}
	c.Complete(&event.Event{Data: roll})
	if roll.FilmClass != event.Monomeric || roll.WidthMM == nil || *roll.WidthMM != width || roll.ThicknessUM != nil {
		t.Errorf("got %+v", roll)
	}
	roll = &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Cast, WidthMM: &other}
	c.Complete(&event.Event{Data: roll})
	if roll.FilmClass != event.Cast || *roll.WidthMM != other {
		t.Errorf("what was said is changed: %+v", roll)
	}
	ticket := &event.TicketReceived{Job: "KL-1", Stock: "MONO-GLOSS-137"}
	c.Complete(&event.Event{Data: ticket})
	if ticket.FilmClass != event.Monomeric || ticket.RollWidthMM != nil {
		t.Errorf("got %+v", ticket)
	}
	ticket = &event.TicketReceived{Job: "KL-1", Stock: "SOMETHING-ELSE"}
	if c.Complete(&event.Event{Data: ticket}); ticket.FilmClass != "" {
		t.Errorf("a stock that is not listed is of class %q", ticket.FilmClass)
	}
}
