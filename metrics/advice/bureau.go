package advice

import (
	"slices"
	"sync"
	"time"

	"rollwarden/rules"
	"rollwarden/rules/floor"
	"rollwarden/rules/plant"
	"rollwarden/rules/queue"
	"rollwarden/rules/remedy"
	"rollwarden/rules/units"
)

// picture is what was worked out for one machine from one view. It never changes
// again.
type picture struct {
	seq     uint64
	at      time.Time
	machine *floor.Machine // nil when nothing was heard of it

	decision *remedy.Decision // nil when nothing runs and nothing is queued
	whys     remedy.Explanation

	heat     *rules.Heat // nil without a run and a roll
	heatWhys []units.Explanation
	plant    *plant.Machine // as it was measured; nil when it was not

	slots     []rules.Slot
	queue     *queue.Advice // nil when nothing is queued
	queueWhys units.Explanation
}

// bureau works pictures out, one at a time because a reader has one user, and
// keeps the newest of each machine.
type bureau struct {
	prices   queue.Prices
	display  units.Display
	machines []plant.Machine

	mu     sync.Mutex
	reader rules.Reader
	kept   map[string]*picture
}

// keep is how long a picture is kept although nothing has changed: time alone
// moves what is expected.
const keep = 20 * time.Second

func newBureau(site rules.Site, prices queue.Prices) *bureau {
	return &bureau{prices: prices, display: site.Display, machines: site.Machines, reader: rules.NewReader(site), kept: map[string]*picture{}}
}

// picture returns the picture of a machine in a view.
func (b *bureau) picture(v *rules.View, now time.Time, site, machine string) *picture {
	b.mu.Lock()
	defer b.mu.Unlock()
	key := floor.Key(site, machine)
	if p := b.kept[key]; p != nil && p.seq == v.Seq && now.Sub(p.at).Abs() < keep {
		return p
	}
	p := &picture{seq: v.Seq, at: now, machine: v.Floor.Machine(site, machine)}
	b.reader.On(v.Of(site))
	if d, ok := b.reader.Decide(now, site, machine); ok {
		p.decision, p.whys = &d, d.Explain()
	}
	if h, ok := b.reader.Heat(now, site, machine); ok {
		p.heat, p.heatWhys = &h, h.Explain(b.display)
		if i := slices.IndexFunc(b.machines, func(m plant.Machine) bool { return m.Site == site && m.Name == machine }); i >= 0 {
			p.plant = &b.machines[i]
		}
	}
	p.slots = b.reader.Schedule(now, site, machine)
	if a, ok := b.reader.QueueAdvice(now, site, machine, b.prices); ok {
		p.queue, p.queueWhys = &a, a.Explain()
	}
	b.kept[key] = p
	return p
}
