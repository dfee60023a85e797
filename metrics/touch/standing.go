package touch

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"rollwarden/metrics/web"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
)

// standing is how the machine is now, in the few words that an operator needs.
type standing struct {
	Film, Edge    string
	EdgeClear     bool
	EdgeUnknown   bool
	Running, Next string
	Start         *countdown
	Alarms        []alarmLine
	Calm          string
	Old           bool // the watch itself is not sure that it still is
}

// countdown is a text that goes on by itself: data-in before the moment At,
// data-ago from then on, with {} for the span.
type countdown struct{ At, In, Ago, Text string }

// alarmLine is one alarm that needs a hand.
type alarmLine struct {
	Key                   string
	Priority, Marks, Name string
	Title, Reason         web.Said
	For                   string // the job; empty for the machine itself
	State                 string
	Gone                  bool // it no longer holds, and waits to be acknowledged
	Do                    web.Said
	Cost                  string
	Pays                  web.Said // which remedy pays and why, in one line
	All                   string   // address of the page with all of it; empty for none
	Action                string   // code of the action that tells of the remedy; empty for none
	Caution               web.Said
	Ack                   *ackForm
}

type ackForm struct {
	To, Back, ID, Hazard, Job, Part string
	Named                           bool
}

// tells is the action by which an operator tells that a remedy was taken.
var tells = map[string]string{
	"advance": "advance", "pause": "advance", "leader": "tape-leader", "shaped-edge": "round-lip", "load-stock": "load-roll",
	"new-roll": "load-roll", "check-head": "head-check", "thinner-leader": "take-leader-off",
}

func (p *painter) standing() standing {
	s := standing{Film: p.Say("unknown"), Running: p.Say("touch.unknown-run"), Next: p.Say("touch.unknown-run")}
	s.Edge, s.EdgeClear, s.EdgeUnknown = p.edge()
	if m := p.floor; m != nil {
		s.Film = p.film(&m.Roll)
		s.Running = jobOf(m.Run, p.Say("touch.idle"))
		s.Next = p.Say("touch.empty")
		if len(m.Queue) > 0 {
			s.Next = jobOf(m.Queue[0], "")
			s.Start = p.start(m)
		}
	}
	for _, a := range p.alarms() {
		s.Alarms = append(s.Alarms, p.alarm(&a))
	}
	s.Calm = p.Say("touch.calm")
	s.Old = p.o.Ready != nil && !p.o.Ready()
	return s
}

func (p *painter) film(r *floor.Roll) string {
	if !r.Loaded {
		if r.At.IsZero() {
			return p.Say("unknown")
		}
		return p.Say("touch.no-roll")
	}
	parts := []string{cmp.Or(r.Stock, p.Say("touch.no-stock")), p.Name("class", string(r.Class), string(r.Class))}
	if left, known := r.LeftM.Get(); known {
		parts = append(parts, p.Say("touch.left", p.Number(p.Long(left))))
	} else {
		parts = append(parts, p.Say("touch.left-unknown"))
	}
	return strings.Join(parts, ", ")
}

// edge says where the first thing is that meets the cure zone.
func (p *painter) edge() (text string, clear, unknown bool) {
	if p.floor == nil {
		return p.Say("touch.edge-unknown"), false, true
	}
	front, known := floor.FrontMM(p.floor.Edge, p.floor.Leader).Get()
	if !known {
		return p.Say("touch.edge-unknown"), false, true
	}
	key := "touch.edge"
	if p.floor.Leader.On {
		key = "touch.leader"
	}
	if p.plant == nil || p.plant.Path.Assumed {
		return p.Say(key+"-unmeasured", p.Number(p.Short(front))), false, true
	}
	exit := p.plant.Path.CureExitMM
	if front >= exit {
		return p.Say(key+"-clear", p.Number(p.Short(front))), true, false
	}
	return p.Say(key+"-short", p.Number(p.Short(front)), p.Number(p.Short(exit-front))), false, false
}

func (p *painter) start(m *floor.Machine) *countdown {
	if p.o.StartAt == nil {
		return nil
	}
	at, known := p.o.StartAt(p.view, m.Site, m.Name)
	if !known {
		return &countdown{Text: p.Say("touch.any-moment")}
	}
	return &countdown{At: web.Instant(at), In: p.Say("touch.in"), Ago: p.Say("touch.was-due"), Text: p.Minute(at.In(p.Zone), p.Now.In(p.Zone))}
}

// alarms lists what needs a hand: what still holds first, and of that the gravest,
// what nobody has answered, what comes first, and what stands longest.
func (p *painter) alarms() []alarm.Alarm {
	list := slices.Clone(p.view.Alarms.On(p.site, p.machine))
	if p.o.Alarms != nil {
		list = slices.Clone(p.o.Alarms(p.view, p.site, p.machine))
	}
	all := slices.DeleteFunc(list, func(a alarm.Alarm) bool {
		return !a.State.Active() && a.State != alarm.Returned
	})
	slices.SortStableFunc(all, func(a, b alarm.Alarm) int {
		return cmp.Or(
			last(a.State == alarm.Returned, b.State == alarm.Returned),
			cmp.Compare(rank(&a), rank(&b)),
			last(a.State != alarm.Unacked, b.State != alarm.Unacked),
			soonest(a.Change.ReadyAt, b.Change.ReadyAt),
			a.Since.Compare(b.Since), cmp.Compare(a.Hazard+a.Job, b.Hazard+b.Job))
	})
	return all
}

func rank(a *alarm.Alarm) int {
	return slices.Index(hazard.Priorities, hazard.Priority(a.Change.Priority))
}

// last puts what is so behind what is not.
func last(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// soonest puts the earlier moment first, and one that nobody knows before them
// all: it may be now.
func soonest(a, b *time.Time) int {
	if a == nil || b == nil {
		return last(a != nil, b != nil)
	}
	return a.Compare(*b)
}

func (p *painter) alarm(a *alarm.Alarm) alarmLine {
	c := &a.Change
	line := alarmLine{
		Key: a.Hazard + "/" + a.Job + "/" + a.Part, Priority: c.Priority, Marks: web.Marks(c.Priority), Name: p.Name("priority", c.Priority, c.Priority),
		State: p.Name("state", string(a.State), string(a.State)), Title: web.Said{Text: p.Name("phrase", a.Hazard+".title", a.Hazard)},
		For: event.JobName(a.Job, a.Part), Reason: p.Turn(p.reason(a)),
	}
	if (a.State == alarm.Unacked || a.State == alarm.Returned) && !reads(p.audience.Role) {
		line.Ack = p.ack(a)
	}
	if a.State == alarm.Returned {
		line.Gone = true
		return line // what it advised is no longer needed
	}
	line.Caution = p.Turn(c.Caution)
	if i := slices.IndexFunc(c.Remedies, func(r event.Remedy) bool { return r.WhyNot == "" }); i >= 0 {
		r := &c.Remedies[i]
		line.Do, line.Cost = p.Turn(r.Text), p.Number(r.Cost)
		if !reads(p.audience.Role) {
			line.Action = tells[r.Code]
		}
	}
	if a.Hazard == string(hazard.BareEdge) {
		line.All = "/advice/" + p.site + "/" + p.machine
	}
	if i := slices.IndexFunc(c.Evidence, func(e event.Evidence) bool { return e.Name == "what pays" }); i >= 0 {
		line.Pays = p.Turn(c.Evidence[i].Value)
	}
	return line
}

// reason is why an alarm stands: its sentence without machine, job and tails.
func (p *painter) reason(a *alarm.Alarm) string {
	job := ""
	if a.Job != "" {
		job = event.JobName(a.Job, a.Part)
	}
	reason, _ := web.Clauses(p.machine, job, a.Change.Message)
	return reason
}

func (p *painter) ack(a *alarm.Alarm) *ackForm {
	id := strings.Join([]string{"acknowledge", p.site, p.machine, a.Hazard, a.Job, a.Part, string(a.State), a.Since.Format(time.RFC3339Nano)}, "\x00")
	return &ackForm{
		To: p.address("alarm"), Back: p.back(), ID: uuid.NewSHA1(uuid.NameSpaceURL, []byte(id)).String(),
		Hazard: a.Hazard, Job: a.Job, Part: a.Part, Named: p.audience.Named,
	}
}
