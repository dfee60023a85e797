package demo

import (
	"container/heap"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// machine is a printer as it really is.
type machine struct {
	place
	stock   string
	class   event.Class
	leftM   float64
	edgeMM  float64
	leader  float64 // mm; 0 for none
	treated string  // what the crew did about the edge since the last cut
	queue   []job
	busy    bool
	run     *run
}

// run is a run on the machine, with what the world knows of it.
type run struct {
	job
	nature start
	luck   float64 // drawn before anybody acts: it strikes when this is small enough
	struck bool
	paused bool // stopped and started again after its edge was settled
}

// task is something that happens at a moment.
type task struct {
	at time.Time
	n  int // order among equals
	do func() error
}

// agenda is a heap of tasks.
type agenda []task

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	return a[i].at.Before(a[j].at) || a[i].at.Equal(a[j].at) && a[i].n < a[j].n
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)   { *a = append(*a, x.(task)) }
func (a *agenda) Pop() any {
	last := len(*a) - 1
	t := (*a)[last]
	*a = (*a)[:last]
	return t
}

func (s *show) at(t time.Time, do func() error) {
	s.serial++
	heap.Push(&s.todo, task{t, s.serial, do})
}

func (s *show) in(d time.Duration, do func() error) { s.at(s.clock.Now().Add(d), do) }

// day plays one day: climate, tickets, and the runs that follow.
func (s *show) day(day time.Time, n *int) error {
	if err := s.until(day.Add(7*time.Hour + 30*time.Minute)); err != nil {
		return err
	}
	s.say("\n%s", day.Format("Monday 2 January"))
	s.weather(day)
	if day.Equal(s.monday) {
		if err := s.firstRolls(); err != nil {
			return err
		}
	}
	s.at(day.Add(7*time.Hour+40*time.Minute), func() error { return s.office(planDay(s.rng, day, n), day) })
	for len(s.todo) > 0 {
		t := heap.Pop(&s.todo).(task)
		if err := s.until(t.at); err != nil {
			return err
		}
		if err := t.do(); err != nil {
			return err
		}
		if err := s.settle(); err != nil {
			return err
		}
	}
	return nil
}

// humidity of the day, percent: it is dry on Thursday.
var humidity = []float64{48, 44, 41, 27, 38}

// weather reads the climate of both sites every two hours.
func (s *show) weather(day time.Time) {
	base := humidity[int(day.Weekday()-time.Monday)]
	for h := 8; h <= 18; h += 2 {
		s.at(day.Add(time.Duration(h)*time.Hour-15*time.Minute), func() error {
			for _, site := range []string{"north", "quay"} {
				rh, temp := base+s.rng.Float64()*4-2, 20+s.rng.Float64()*3
				if err := s.publish(site, event.AnyMachine, "climate.read", &event.ClimateRead{RHPct: &rh, TempC: &temp}); err != nil {
					return err
				}
			}
			return nil
		})
	}
}

func (s *show) rh(at time.Time) float64 { return humidity[int(at.Weekday()-time.Monday)] }

func (s *show) firstRolls() error {
	for _, m := range s.machines {
		if err := s.load(m, stocks[0].code, stocks[0].class); err != nil {
			return err
		}
	}
	return nil
}

// load puts a fresh roll on and threads it to the print line.
func (s *show) load(m *machine, stock string, class event.Class) error {
	if m.stock != "" {
		if err := s.publish(m.site, m.name, "roll.removed", &event.RollRemoved{Stock: m.stock, LengthM: ptr(max(0, m.leftM))}); err != nil {
			return err
		}
	}
	m.stock, m.class, m.leftM, m.edgeMM, m.leader, m.treated = stock, class, rollM, 0, 0, ""
	thickness := map[event.Class]float64{event.Monomeric: 220, event.Polymeric: 210, event.Cast: 180}[class]
	return s.publish(m.site, m.name, "roll.loaded", &event.RollLoaded{
		Stock: stock, FilmClass: class, WidthMM: ptr(widthMM), LengthM: ptr(rollM), ThicknessUM: &thickness, EdgeMM: ptr(0),
	})
}

func ptr(v float64) *float64 { return &v }

// office drops the day's tickets and queues them in the world.
func (s *show) office(jobs []job, day time.Time) error {
	formats := map[string]int{}
	for i, j := range jobs {
		if day.Equal(s.monday) && i == 2 {
			j.format = "zip"
		}
		m := s.machineOf(j)
		m.queue = append(m.queue, j)
		name, err := j.drop(s.tickets(), m.device)
		if err != nil {
			return err
		}
		formats[strings.TrimPrefix(filepath.Ext(name), ".")]++
		s.score.tickets++
	}
	if day.Equal(s.monday) {
		if err := dropFile(filepath.Join(s.tickets(), "heron"), "KL-BROKEN.xjdf", []byte(broken)); err != nil {
			return err
		}
		s.score.broken++
	}
	s.line("office", "", "%d tickets dropped into the folders (%d XJDF, %d JDF, %d JSON, %d ZIP)", len(jobs), formats["xjdf"], formats["jdf"], formats["json"], formats["zip"])
	if err := s.taken(); err != nil {
		return err
	}
	if day.Equal(s.monday) {
		if err := s.showRejected(); err != nil {
			return err
		}
	}
	if day.Weekday() == time.Wednesday {
		s.line("office", "", "marks a change: new tape for leaders")
		if err := s.publish("north", "heron", "change.marked", &event.ChangeMarked{Label: "new tape for leaders"}); err != nil {
			return err
		}
	}
	for _, m := range s.machines {
		s.next(m)
	}
	return nil
}

func (s *show) machineOf(j job) *machine {
	for _, m := range s.machines {
		if m.name == j.machine {
			return m
		}
	}
	panic(fmt.Sprintf("no machine %q in the shop", j.machine))
}

// lastStart is the hour after which no run is started.
const lastStart = 18

// next plans the machine's next run: set-up ten minutes before, then the start.
func (s *show) next(m *machine) {
	if m.busy || len(m.queue) == 0 {
		return
	}
	m.busy = true
	j := m.queue[0]
	begin := j.at
	if earliest := s.clock.Now().Add(12 * time.Minute); begin.Before(earliest) {
		begin = earliest
	}
	if begin.In(s.zone).Hour() >= lastStart {
		m.busy = false // the rest waits for tomorrow
		return
	}
	s.at(begin.Add(-10*time.Minute), func() error { return s.setUp(m, m.queue[0]) })
	s.at(begin, func() error { return s.begin(m) })
}

// setUp is the crew getting ready without being told. Mostly they put the
// right roll on.
func (s *show) setUp(m *machine, j job) error {
	if m.stock == j.stock || s.rng.Float64() > 0.85 {
		return nil
	}
	s.line("crew", m.name, "loads %s for %s", j.stock, j.id)
	return s.load(m, j.stock, j.class)
}

// threading is how long it takes from a fresh roll to a start.
const threading = 10 * time.Minute

// begin starts the run, as the floor is.
func (s *show) begin(m *machine) error {
	j := m.queue[0]
	if m.stock == j.stock && m.leftM < j.lengthM+1 {
		s.line("crew", m.name, "finds the roll too short for %s and loads another", j.id)
		s.in(threading, func() error { return s.begin(m) })
		return s.load(m, j.stock, j.class)
	}
	m.queue = m.queue[1:]
	m.run = &run{job: j, luck: s.rng.Float64()}
	return s.startRun(m)
}

func (s *show) startRun(m *machine) error {
	r := m.run
	r.nature = start{class: m.class, cureC: r.job.cureC, rhPct: s.rh(s.clock.Now()), settled: m.edgeMM+m.leader >= m.exitMM}
	began := s.clock.Now()
	if err := s.started(m, began); err != nil {
		return err
	}
	if err := s.settle(); err != nil {
		return err
	}
	s.score.start(s, m)
	// What the crew does about the alarm at the start comes before fate does.
	s.in(90*time.Second, func() error {
		switch {
		case m.run != r || r.paused:
			return nil
		case r.luck < r.nature.strikes():
			return s.strike(m)
		}
		return s.goOn(m)
	})
	return nil
}

// goOn reports half the run, and its end when its time is over.
func (s *show) goOn(m *machine) error {
	r := m.run
	takes := r.takes(m.place)
	s.in(takes/2, func() error {
		half := r.lengthM / 2
		return s.publish(m.site, m.name, "run.progress", &event.RunProgress{Run: event.Run{Job: r.id, Part: "P1", Metres: &half}})
	})
	s.in(takes, func() error { return s.finish(m) })
	return nil
}

func (s *show) finish(m *machine) error {
	r := m.run
	if err := s.ended(m, s.clock.Now()); err != nil {
		return err
	}
	m.run = nil
	m.leftM -= r.lengthM
	m.edgeMM += r.lengthM * 1000
	if m.class != r.job.class {
		if err := s.publish(m.site, m.name, "job.reprinted", &event.JobReprinted{Job: r.id, Part: "P1", Cause: "misprint", Copies: ptr(float64(r.copies))}); err != nil {
			return err
		}
		s.line("crew", m.name, "%s came out on the wrong film: it is printed again later", r.id)
	}
	s.in(3*time.Minute, func() error { return s.cut(m, r) })
	return nil
}

// cut takes the job off. The machine then rewinds what is left to the print
// line, unless the crew leaves the job on the film.
func (s *show) cut(m *machine, r *run) error {
	if s.rng.Float64() < 0.06 && len(m.queue) > 0 && m.queue[0].stock == m.stock {
		s.line("crew", m.name, "leaves %s on the film: the next run starts without a bare edge", r.id)
		m.treated = "no-cut"
	} else {
		rewound := true
		m.edgeMM, m.leader, m.treated = 0, 0, ""
		if err := s.publish(m.site, m.name, "cut.finished", &event.CutFinished{Job: r.id, Part: "P1", Rewound: &rewound, AtMM: ptr(cutterMM)}); err != nil {
			return err
		}
		m.leftM += cutterMM / 1000.0
	}
	m.busy = false
	s.next(m)
	return nil
}

// strike is a head strike and what follows: the job stops, film is thrown
// away, the head is checked, and the job is printed again.
func (s *show) strike(m *machine) error {
	r := m.run
	r.struck = true
	nozzles, down := float64(3+s.rng.IntN(25)), float64(1800+60*s.rng.IntN(40))
	s.score.last(m).struck = true
	s.line("STRIKE", m.name, "%s: the edge lifted and the carriage hit it; %.0f nozzles lost, %.0f min down", r.id, nozzles, down/60)
	for _, e := range []struct {
		typ event.Type
		p   event.Payload
	}{
		{"strike.recorded", &event.StrikeRecorded{Job: r.id, Part: "P1", NozzlesLost: &nozzles, DowntimeS: &down}},
		{"run.stopped", &event.RunStopped{Run: event.Run{Job: r.id, Part: "P1", Metres: ptr(0.25), Reason: "head strike"}}},
		{"film.wasted", &event.FilmWasted{LengthM: 1.2, WidthMM: ptr(widthMM), Cause: "head-strike"}},
		{"edge.moved", &event.EdgeMoved{PositionMM: ptr(0), Cause: event.CauseTrim}},
	} {
		if err := s.publish(m.site, m.name, e.typ, e.p); err != nil {
			return err
		}
	}
	m.run, m.edgeMM, m.leader, m.treated = nil, 0, 0, ""
	m.leftM -= 1.2
	s.in(time.Duration(down)*time.Second, func() error { return s.recover(m, r) })
	return nil
}

// recover brings the machine back: the head is checked and the job queued anew.
func (s *show) recover(m *machine, r *run) error {
	if err := s.check(m); err != nil {
		return err
	}
	again := r.job
	again.at = s.clock.Now().Add(20 * time.Minute)
	m.queue = append([]job{again}, m.queue...)
	if err := s.publish(m.site, m.name, "job.reprinted", &event.JobReprinted{Job: r.id, Part: "P1", Cause: "head-strike", Copies: ptr(float64(r.copies))}); err != nil {
		return err
	}
	if err := s.publish(m.site, m.name, "run.queued", &event.RunQueued{Job: r.id, Part: "P1", StartAt: &again.at, Position: ptr(1)}); err != nil {
		return err
	}
	m.busy = false
	s.next(m)
	return nil
}

func (s *show) check(m *machine) error {
	yes := true
	s.line("crew", m.name, "checks nozzles and looks for obstructions: both well")
	return s.publish(m.site, m.name, "head.checked", &event.HeadChecked{NozzlesOK: &yes, ObstructionClear: &yes})
}

// speaksXJMF is the machine that reports its runs by XJMF files.
const speaksXJMF = "plover"

func (s *show) started(m *machine, at time.Time) error {
	if m.name == speaksXJMF && s.signalDay(at) {
		return s.signal(m, "started", signal(m.device, m.run.id, "InProgress", "Production", at, 0))
	}
	return s.publish(m.site, m.name, "run.started", &event.RunStarted{Run: event.Run{Job: m.run.id, Part: "P1"}})
}

func (s *show) ended(m *machine, at time.Time) error {
	if m.name == speaksXJMF && s.signalDay(at) {
		return s.signal(m, "finished", signal(m.device, m.run.id, "Completed", "Idle", at, m.run.lengthM))
	}
	return s.publish(m.site, m.name, "run.finished", &event.RunFinished{Run: event.Run{Job: m.run.id, Part: "P1", Metres: &m.run.lengthM}})
}

// signalDay keeps the demo short: files take a moment to settle.
func (s *show) signalDay(at time.Time) bool { return at.In(s.zone).Weekday() == time.Tuesday }

func (s *show) signal(m *machine, what, text string) error {
	name := fmt.Sprintf("%s-%s.xjmf", m.run.id, what)
	if err := dropFile(filepath.Join(s.tickets(), m.name), name, []byte(text)); err != nil {
		return err
	}
	s.score.signals++
	return s.taken()
}
