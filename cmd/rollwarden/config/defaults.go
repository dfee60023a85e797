package config

import (
	"strconv"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/risk"
	"rollwarden/watcher/lease"
)

// Default is the configuration of a shop that has said nothing yet. Costs are
// values from memory; everything else says where it comes from in the package
// that uses it.
func Default() *Config {
	return &Config{
		Shop: Shop{Name: "Rollwarden", TimeZone: "Local", Temperature: "C", Length: "metric", Clock: "24h", Currency: "USD"},
		Data: Data{Folder: "data"},
		NATS: NATS{Listen: "127.0.0.1:4222", SyncAlways: true, MaxStore: 4 << 30, NATSShare: NATSShare{Lease: lease.DefaultTTL}},
		HTTP: HTTP{
			Listen: "127.0.0.1:8477", LoginIdle: 12 * time.Hour, LoginLasts: 7 * 24 * time.Hour,
			Streams: 1000, StreamsPerClient: 20,
		},
		Tickets: Tickets{
			Folder: "tickets", Settle: 2 * time.Second, MaxWait: 2 * time.Minute, Poll: 30 * time.Second,
			Keys: map[string][]Key{}, Classes: map[string]event.Class{},
		},
		Sources:  Sources{Poll: 30 * time.Second},
		Rules:    Rules{UncompensatedShare: 0.2},
		Machines: []Machine{{Site: "shop", Name: "printer-1", Ink: plant.DefaultInk.Family}},
		Inks:     map[string]Ink{plant.DefaultInk.Family: inkOf(plant.DefaultInk)},
		Classes:  map[event.Class]Film{},
		Costs: Costs{
			LabourPerHour: "30", DowntimePerHour: "60", HeadSharePerStrike: "40", LeaderTape: "0.15",
			StrikeDowntime: 45 * time.Minute, StrikeReprintM2: 3,
			LeaderWork: time.Minute, AdvanceWork: 10 * time.Second, ShapeWork: time.Minute,
			PauseStandstill: 5 * time.Minute, CoolerSlowerPct: 20,
		},
		Queue: queueOf(queue.DefaultPrices()),
		Odds:  oddsOf(risk.DefaultPrior()),
		Pager: Pager{
			Routes:       Routes{High: []string{logChannel}, Medium: []string{logChannel}, Low: []string{}},
			GiveUpAfter:  time.Hour,
			Alertmanager: Alertmanager{ResendEvery: time.Minute},
			Mail:         Mail{TLS: "starttls"},
		},
		Alarms: Alarms{Lapse: 12 * time.Hour},
		Report: Report{Formats: []string{"html", "pdf", "csv"}},
		Log:    Log{Level: "info", Format: "console"},
		Chosen: "no file: built-in defaults",
	}
}

func inkOf(k plant.Ink) Ink {
	return Ink{
		ActivationJPerMol: &k.ActivationJ, ReferenceC: &k.ReferenceC, NeedS: &k.NeedS,
		RestLaminate: seconds(k.RestLaminateS), RestCut: seconds(k.RestCutS),
	}
}

func queueOf(p queue.Prices) Queue {
	late := strconv.FormatFloat(p.LatePerHour, 'f', -1, 64)
	return Queue{LatePerHour: Decimal(late), ChangeWork: seconds(p.ChangeS), ThreadM: p.ThreadM, UsualRollM: p.RollM}
}

func oddsOf(p risk.Prior) Odds {
	return Odds{Bare: p.Bare, Treatment: p.Factor, DryBelowRHPct: p.DryRH, DryFactor: p.DryMore, Learn: true, PriorStarts: 20, MachineStarts: 60}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// assumed is what a machine is judged with while nobody has measured it. The
// values are from memory. The cure exit lies further down than usual, so that
// an edge is taken for bare rather than for clear, and the carriage lower; the
// machine counts as not configured, and the watch says so for every run.
var assumed = plant.Machine{
	Path:    plant.Path{CureEntryMM: 450, CureExitMM: 600, TakeUpMM: 1200, GapUM: 1200, Assumed: true},
	SwathMM: 54, StrokeS: 1.6, MaxWidthMM: 1620, ToleranceMM: 0.3,
}
