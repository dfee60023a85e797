package reliability

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// History is what is remembered of the months before: enough for the trend and
// for comparisons, and bounded. It may be written down as JSON.
type History struct {
	Months  []Summary  `json:"months,omitzero"`  // oldest first
	Days    []Day      `json:"days,omitzero"`    // by date, site and machine
	Starts  uint64     `json:"starts"`           // of the whole life
	Strikes []Position `json:"strikes,omitzero"` // of the whole life, oldest first
	Dropped uint64     `json:"dropped,omitzero"` // starts before the strikes that are remembered; 0 when all are
}

// How much is remembered; the oldest goes first.
const (
	maxMonths    = 60
	maxDays      = 20_000 // machine days
	maxPositions = 10_000
)

// Summary is one month in short. A time that nobody recorded is not in it.
type Summary struct {
	Period
	Starts        uint64            `json:"starts"`
	Strikes       uint64            `json:"strikes"`
	Finished      uint64            `json:"finished_runs"`
	Reprints      uint64            `json:"reprints"`
	PrintedM      float64           `json:"printed_m"`
	PrintedM2     float64           `json:"printed_m2"`
	Waste         []floor.StockArea `json:"waste,omitzero"` // to be priced
	RunS          float64           `json:"run_s"`          // printing, down or not
	DownS         float64           `json:"down_s"`
	Annunciations uint64            `json:"annunciations"`
}

// wasteM2 is all film thrown away.
func (s *Summary) wasteM2() (m2 float64) {
	for _, w := range s.Waste {
		m2 += w.M2
	}
	return m2
}

// Day counts the starts and strikes of a machine on one day of the shop's.
type Day struct {
	Date    string `json:"date"` // 2026-03-02
	Site    string `json:"site"`
	Machine string `json:"machine"`
	Starts  uint64 `json:"starts"`
	Strikes uint64 `json:"strikes"`
}

// Position is where in the life of the shop a strike came.
type Position struct {
	At     time.Time `json:"at"`
	Starts uint64    `json:"starts"` // starts up to it, its own included
}

func (h History) clone() History {
	h.Months, h.Days, h.Strikes = slices.Clone(h.Months), slices.Clone(h.Days), slices.Clone(h.Strikes)
	return h
}

// take adds a period of the fold that lies after all that h holds. now is up to
// when something is known.
func (h *History) take(f *Fold, p Period, now time.Time) {
	h.add(f.summarise(p, now))
	h.live(in(f.starts, p), in(f.strikes, p))
	h.count(in(f.starts, p), in(f.strikes, p), f.zone)
	h.bound()
}

// add puts a month behind the others.
func (h *History) add(s Summary) {
	if s.Starts > 0 || s.Strikes > 0 || len(s.Waste) > 0 || s.PrintedM > 0 || len(h.Months) > 0 {
		h.Months = append(h.Months, s)
	}
}

// live finds the place of each strike among the starts.
func (h *History) live(starts []*Start, strikes []*Strike) {
	i := 0
	for _, s := range strikes {
		for i < len(starts) && !starts[i].At.After(s.At) {
			i++
		}
		h.Strikes = append(h.Strikes, Position{s.At, h.Starts + uint64(i)})
	}
	h.Starts += uint64(len(starts))
}

func (h *History) count(starts []*Start, strikes []*Strike, zone *time.Location) {
	type id struct{ date, site, machine string }
	days := map[id]*Day{}
	day := func(e *Entry) *Day {
		k := id{e.At.In(zone).Format(time.DateOnly), e.Site, e.Machine}
		if days[k] == nil {
			days[k] = &Day{Date: k.date, Site: k.site, Machine: k.machine}
		}
		return days[k]
	}
	for _, s := range starts {
		day(&s.Entry).Starts++
	}
	for _, s := range strikes {
		day(&s.Entry).Strikes++
	}
	for _, d := range slices.SortedFunc(maps.Values(days), func(a, b *Day) int {
		return cmp.Or(cmp.Compare(a.Date, b.Date), cmp.Compare(a.Site, b.Site), cmp.Compare(a.Machine, b.Machine))
	}) {
		h.Days = append(h.Days, *d)
	}
}

// bound drops the oldest of what is too much. The life then counts from the
// last strike that was dropped.
func (h *History) bound() {
	h.Months = newest(h.Months, maxMonths)
	h.Days = newest(h.Days, maxDays)
	if extra := len(h.Strikes) - maxPositions; extra > 0 {
		h.Dropped = h.Strikes[extra-1].Starts
		h.Strikes = newest(h.Strikes, maxPositions)
	}
}

func newest[T any](list []T, most int) []T {
	return slices.Clone(list[max(0, len(list)-most):])
}

// summarise adds up a period.
func (f *Fold) summarise(p Period, now time.Time) Summary {
	s := Summary{Period: p, Starts: uint64(len(in(f.starts, p))), Strikes: uint64(len(in(f.strikes, p)))}
	s.Reprints, s.Annunciations = uint64(len(in(f.reprints, p))), uint64(len(in(f.rings, p)))
	s.Waste = areas(in(f.wastes, p))
	for _, t := range f.tallies {
		if t.From.Equal(p.From) {
			film := t.sum()
			s.PrintedM, s.PrintedM2 = film.m, film.m2
		}
	}
	for _, r := range f.runs {
		s.RunS += p.Overlap(r.At, ended(r.until, now)).Seconds()
		if r.finished && p.Has(r.until) {
			s.Finished++
		}
	}
	for _, st := range f.strikes {
		s.DownS += p.Overlap(st.At, ended(st.up(), now)).Seconds()
	}
	return s
}

// ended is until, or now for what has not ended.
func ended(until, now time.Time) time.Time {
	if until.IsZero() {
		return now
	}
	return until
}

// up is when a machine was back after a strike; zero when it was not yet.
func (s *Strike) up() time.Time {
	if seconds, known := s.DownS.Get(); known {
		return s.At.Add(time.Duration(seconds * float64(time.Second)))
	}
	return s.back
}

// areas adds waste up by stock and cause, in the order of its first mention.
func areas(list []*waste) []floor.StockArea {
	var out []floor.StockArea
	for _, w := range list {
		m2, known := w.m2.Get()
		if !known {
			continue
		}
		c := floor.StockArea{Stock: w.stock, Class: w.class, Cause: slices.Index(event.WasteCauses, w.cause)}
		i := slices.IndexFunc(out, func(o floor.StockArea) bool { return o.Stock == c.Stock && o.Class == c.Class && o.Cause == c.Cause })
		if i < 0 {
			i, out = len(out), append(out, c)
		}
		out[i].M2 += m2
	}
	return out
}

// monthOf is the month that a moment counts in: the period, or the part of a
// calendar month that does not lie in it.
func (f *Fold) monthOf(t time.Time) Period {
	if f.period.Has(t) {
		return f.period
	}
	m := MonthOf(t, f.zone)
	if t.Before(f.period.From) && m.To.After(f.period.From) {
		m.To = f.period.From
	}
	if !t.Before(f.period.To) && m.From.Before(f.period.To) {
		m.From = f.period.To
	}
	return m
}

// tallyOf returns the tally of a moment's month, and squeezes the months that
// lie two before.
func (f *Fold) tallyOf(t time.Time) *tally {
	for i := len(f.tallies) - 1; i >= 0; i-- {
		if f.tallies[i].Has(t) {
			return f.tallies[i]
		}
	}
	n := &tally{
		Period: f.monthOf(t), printed: map[string]*printed{}, rejected: map[string]uint64{}, advice: map[string]uint64{}, anomalies: map[string]uint64{},
	}
	f.tallies = append(f.tallies, n)
	slices.SortFunc(f.tallies, func(a, b *tally) int { return a.From.Compare(b.From) })
	for len(f.tallies) > keptMonths && f.tallies[0].To.Compare(f.period.From) <= 0 && f.tallies[0] != n {
		f.squeeze(f.tallies[0])
	}
	return n
}

// keptMonths is how many months are kept in full while older ones are squeezed.
const keptMonths = 3

// squeeze turns a month into history and forgets its records.
func (f *Fold) squeeze(t *tally) {
	if !t.From.Before(f.kept) {
		f.history.take(f, t.Period, f.latest)
		f.kept = t.To
	}
	old := func(r recorded) bool { return r.head().At.Before(t.To) }
	f.starts, f.strikes, f.wastes = without(f.starts, old), without(f.strikes, old), without(f.wastes, old)
	f.reprints, f.changes = without(f.reprints, old), without(f.changes, old)
	f.runs = without(f.runs, func(r recorded) bool { return old(r) && !r.(*run).until.IsZero() })
	f.rings = without(f.rings, func(r recorded) bool { return old(r) && !r.(*ring).until.IsZero() })
	for id, list := range f.warnings {
		if list = without(list, old); len(list) == 0 {
			delete(f.warnings, id)
		} else {
			f.warnings[id] = list
		}
	}
	f.tallies = f.tallies[1:]
}

// before returns the history up to the period's start, without changing f.
func (f *Fold) before() History {
	h := f.history.clone()
	for _, t := range f.tallies {
		if t.To.Compare(f.period.From) <= 0 && !t.From.Before(f.kept) {
			h.take(f, t.Period, f.latest)
		}
	}
	return h
}

// Next is where the fold of the next period starts, once the journal was
// applied up to the period's end and not further. The fold is then used up.
func (f *Fold) Next() Origin {
	h := f.before()
	h.take(f, f.period, f.latest)
	return Origin{Floor: f.floor, Alarms: f.alarms, Seen: f.seen, History: h}
}

// bounds is what of the period has been: all of it, or up to now.
func (f *Fold) bounds(now time.Time) Period {
	if now.IsZero() || !now.Before(f.period.To) {
		return f.period
	}
	p := f.period
	if now.After(p.From) {
		p.To = now
	} else {
		p.To = p.From
	}
	return p
}

// sum adds up the machines of a tally.
func (t *tally) sum() (p printed) {
	for _, key := range slices.Sorted(maps.Keys(t.printed)) {
		p.m, p.m2 = p.m+t.printed[key].m, p.m2+t.printed[key].m2
	}
	return p
}

// ofPeriod is the period's own tally, empty before its first event.
func (f *Fold) ofPeriod() *tally {
	for _, t := range f.tallies {
		if t.From.Equal(f.period.From) {
			return t
		}
	}
	return &tally{Period: f.period}
}
