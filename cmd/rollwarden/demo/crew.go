package demo

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// names of the crew, by machine.
var names = map[string]string{"heron": "Ada", "wren": "Bruno", "plover": "Caro"}

// alarm prints what the watch says and lets the crew react to it.
func (s *show) alarm(e event.Event, d *event.AlarmChanged) {
	if d.Emit != alarm.Annunciate {
		return
	}
	m := s.machineNamed(e.Machine)
	s.score.alarm(e, d)
	s.record(Alarm{"alarm", e.Time.UTC(), e.Site, e.Machine, d})
	s.printAlarm(e, d)
	switch {
	case d.Hazard == "bare-edge" && d.Phase == "queued":
		s.thinkOfEdge(m, d)
	case d.Hazard == "bare-edge":
		s.thinkOfRunningEdge(m, d)
	case d.Hazard == "wrong-stock" && d.Phase == "queued":
		s.react(m, d, 2*time.Minute, 0.95, func() error { return s.changeRoll(m, d.Job) })
	case d.Hazard == "short-roll" && d.Phase == "queued":
		s.react(m, d, 2*time.Minute, 0.95, func() error { return s.freshRoll(m, d.Job) })
	case d.Hazard == "hot-recipe":
		s.react(m, d, 20*time.Minute, 0.8, func() error { return s.revise(m, d.Job) })
	case d.Hazard == "dry-air":
		s.shelve(m, d)
	}
}

func (s *show) machineNamed(name string) *machine {
	for _, m := range s.machines {
		if m.name == name {
			return m
		}
	}
	return &machine{place: place{name: name}}
}

func (s *show) printAlarm(e event.Event, d *event.AlarmChanged) {
	what := d.Hazard + " (" + d.Priority + ")"
	if d.Job != "" {
		what += " " + d.Job
	}
	switch {
	case d.Job == "":
	case d.Phase == "running":
		what += " has started"
	case d.ReadyAt != nil && !d.ReadyAt.After(e.Time):
		what += " is due"
	case d.ReadyAt != nil:
		what += " starts in " + units.Span(d.ReadyAt.Sub(e.Time))
	}
	s.print("ALARM", e.Machine, what+": "+reason(d))
	if len(d.Remedies) > 0 && d.Remedies[0].WhyNot == "" {
		r := d.Remedies[0]
		price := ""
		if r.Cost != "" {
			price = " (" + r.Cost + ")"
		}
		s.print("", "", "  do: "+r.Text+price)
	}
}

// reason is the message without the machine, the time and the remedy, which
// have places of their own.
func reason(d *event.AlarmChanged) string {
	text := d.Message
	if _, after, ok := strings.Cut(text, ": "); ok {
		text = after
	}
	text, _, _ = strings.Cut(text, "; ")
	text, _, _ = strings.Cut(text, ". ")
	return text
}

// react lets the crew act after a while, if it does not forget.
func (s *show) react(m *machine, d *event.AlarmChanged, after time.Duration, attention float64, act func() error) {
	if s.rng.Float64() > attention {
		return
	}
	s.in(after, func() error {
		if err := s.acknowledge(m, d); err != nil {
			return err
		}
		return act()
	})
}

func (s *show) acknowledge(m *machine, d *event.AlarmChanged) error {
	return s.publish(m.site, m.name, "operator.noted", &event.OperatorNoted{
		Hazard: d.Hazard, Job: d.Job, Part: d.Part, Action: event.ActAcknowledge, By: names[m.name],
	})
}

// attention fades over the day.
func (s *show) attention() float64 {
	h := s.clock.Now().In(s.zone).Hour()
	switch {
	case h < 12:
		return 0.88
	case h < 16:
		return 0.75
	}
	return 0.6
}

// thinkOfEdge is what the crew does when told of a bare edge in time.
func (s *show) thinkOfEdge(m *machine, d *event.AlarmChanged) {
	after := time.Duration(2+s.rng.IntN(5)) * time.Minute
	s.react(m, d, after, s.attention(), func() error {
		if m.run != nil || len(m.queue) == 0 || m.queue[0].id != d.Job || m.edgeMM+m.leader >= m.exitMM {
			return nil // too late, or settled already
		}
		return s.treat(m, d)
	})
}

// treat takes one of the remedies that settle the edge: mostly the cheapest.
func (s *show) treat(m *machine, d *event.AlarmChanged) error {
	code := d.Remedies[0].Code
	if code == "advance" && s.rng.Float64() < 0.3 {
		code = "leader"
	}
	need := m.exitMM + m.marginMM - m.edgeMM
	if err := s.publish(m.site, m.name, "advice.accepted", &event.AdviceAccepted{Remedy: code, Hazard: d.Hazard, Job: d.Job, Part: d.Part, By: names[m.name]}); err != nil {
		return err
	}
	s.score.treated(code, d)
	m.treated = code
	if code == "leader" {
		m.leader = need
		s.line("crew", m.name, "%s tapes on a leader of %.0f mm", names[m.name], need)
		return s.publish(m.site, m.name, "leader.attached", &event.LeaderAttached{LengthMM: need, ThicknessUM: ptr(leaderUM)})
	}
	s.line("crew", m.name, "%s advances the film %.0f mm", names[m.name], need)
	return s.advance(m, need)
}

func (s *show) advance(m *machine, mm float64) error {
	m.edgeMM += mm
	m.leftM -= mm / 1000
	if err := s.publish(m.site, m.name, "edge.moved", &event.EdgeMoved{ByMM: &mm, Cause: event.CauseAdvance}); err != nil {
		return err
	}
	return s.publish(m.site, m.name, "film.wasted", &event.FilmWasted{LengthM: mm / 1000, WidthMM: ptr(widthMM), Cause: "edge-advance"})
}

// thinkOfRunningEdge is the last chance: somebody near the machine pauses it.
func (s *show) thinkOfRunningEdge(m *machine, d *event.AlarmChanged) {
	r := m.run
	s.react(m, d, 40*time.Second, 0.35*s.attention(), func() error {
		if m.run != r || r == nil || r.nature.settled {
			return nil
		}
		s.line("crew", m.name, "%s pauses the machine and advances the film before it goes on", names[m.name])
		s.score.treated("pause", d)
		s.score.last(m).treated = true
		r.paused = true
		if err := s.publish(m.site, m.name, "run.stopped", &event.RunStopped{Run: event.Run{Job: r.id, Part: "P1", Metres: ptr(0.05), Reason: "paused to settle the edge"}}); err != nil {
			return err
		}
		m.edgeMM += 50
		m.leftM -= 0.05
		if err := s.advance(m, m.exitMM+m.marginMM-m.edgeMM); err != nil {
			return err
		}
		r.nature.settled = true
		return s.restart(m)
	})
}

// restart starts a paused run again.
func (s *show) restart(m *machine) error {
	r := m.run
	return s.delayed(3*time.Minute, func() error {
		if err := s.publish(m.site, m.name, "run.queued", &event.RunQueued{Job: r.id, Part: "P1", Position: ptr(1)}); err != nil {
			return err
		}
		if err := s.publish(m.site, m.name, "run.started", &event.RunStarted{Run: event.Run{Job: r.id, Part: "P1"}}); err != nil {
			return err
		}
		s.score.starts++ // the machine counts it as one more start, and a settled one
		return s.goOn(m)
	})
}

func (s *show) delayed(d time.Duration, do func() error) error {
	s.in(d, do)
	return nil
}

func (s *show) changeRoll(m *machine, jobID string) error {
	if m.run != nil || len(m.queue) == 0 || m.queue[0].id != jobID || m.queue[0].stock == m.stock {
		return nil
	}
	j := m.queue[0]
	s.line("crew", m.name, "%s takes %s off and loads %s", names[m.name], m.stock, j.stock)
	return s.load(m, j.stock, j.class)
}

func (s *show) freshRoll(m *machine, jobID string) error {
	if m.run != nil || len(m.queue) == 0 || m.queue[0].id != jobID {
		return nil
	}
	s.line("crew", m.name, "%s loads a fresh roll of %s", names[m.name], m.stock)
	return s.load(m, m.stock, m.class)
}

// revise is the office dropping a cooler ticket for a hot one.
func (s *show) revise(m *machine, jobID string) error {
	for i := range m.queue {
		j := &m.queue[i]
		if j.id != jobID || j.cureC < 100 {
			continue
		}
		j.passes, j.cureC, j.revision = 12, 93, j.revision+1
		s.line("office", m.name, "drops a cooler ticket for %s: 12 passes at 93 °C", j.id)
		if _, err := j.drop(s.tickets(), m.device); err != nil {
			return err
		}
		s.score.tickets++
		return s.taken()
	}
	return nil
}

// shelve puts the dry air aside for the day: the room has no humidifier.
func (s *show) shelve(m *machine, d *event.AlarmChanged) {
	if s.score.shelved[m.name] {
		return
	}
	s.score.shelved[m.name] = true
	until := s.clock.Now().Add(8 * time.Hour)
	s.in(5*time.Minute, func() error {
		s.line("crew", m.name, "%s shelves %s until the evening: the room has no humidifier", names[m.name], d.Hazard)
		return s.publish(m.site, m.name, "operator.noted", &event.OperatorNoted{
			Hazard: d.Hazard, Action: event.ActShelve, By: names[m.name], Reason: "no humidifier in this room", Until: &until,
		})
	})
}

// Files.

// takenWithin bounds how long the watch may take for a file.
const takenWithin = 20 * time.Second

// taken waits until no file waits in any folder and what came of them is
// judged.
func (s *show) taken() error {
	end := time.Now().Add(takenWithin)
	for {
		waiting := 0
		for _, p := range places {
			entries, err := os.ReadDir(filepath.Join(s.tickets(), p.name))
			if err != nil {
				return err
			}
			for _, e := range entries {
				if !e.IsDir() {
					waiting++
				}
			}
		}
		if waiting == 0 {
			return s.settle()
		}
		if time.Now().After(end) {
			return fmt.Errorf("%d ticket files are still waiting after %s", waiting, takenWithin)
		}
		select {
		case <-time.After(10 * time.Millisecond):
		case <-s.ctx.Done():
			return s.ctx.Err()
		}
	}
}

// showRejected prints why files were refused, as the folder tells people.
func (s *show) showRejected() error {
	found, err := filepath.Glob(filepath.Join(s.tickets(), "*", "rejected", "*.reason.txt"))
	if err != nil {
		return err
	}
	for _, f := range found {
		text, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		s.line("ticket", filepath.Base(filepath.Dir(filepath.Dir(f))), "%s was rejected:", strings.TrimSuffix(filepath.Base(f), ".reason.txt"))
		for l := range strings.Lines(strings.ReplaceAll(string(text), s.dir+string(filepath.Separator), "")) {
			if l = strings.TrimSpace(l); strings.HasPrefix(l, "Reason") || strings.HasPrefix(l, "What to do") {
				s.line("", "", "  %s", l)
			}
		}
	}
	return nil
}

// line tells of something that happened.
func (s *show) line(who, where, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	s.moment(who, where, text)
	s.print(who, where, text)
}

// print prints one line of the day: shop time, who, where, what.
func (s *show) print(who, where, text string) {
	at := ""
	if who != "" {
		at = s.clock.Now().In(s.zone).Format("15:04")
	}
	s.say("  %-5s  %-6s  %-6s  %s", at, who, where, text)
}

// free reports whether nothing listens at an address.
func free(address string) bool {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return false
	}
	l.Close()
	return true
}
