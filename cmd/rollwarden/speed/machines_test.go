package speed

import (
	"fmt"
	"io"
	"net/http"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
)

// BenchmarkManyMachines runs the watch as a program of its own over so many
// machines, each with a roll, a job that runs and five in its queue, and reports
// from all of them, 5 000 a second. It measures what room the program takes
// (rss-MiB; /proc/PID/status of proc(5)), how soon an alarm comes, and how
// soon while somebody scrapes the metrics and opens the board all the time. The
// first machine has nothing else to do but to raise alarms.
func BenchmarkManyMachines(b *testing.B) {
	for _, n := range []int{50, 1000, 10_000} {
		b.Run(fmt.Sprint("machines=", n), func(b *testing.B) { manyMachines(b, n) })
	}
}

const (
	reportsPerS  = 5000
	mostLookedAt = 1000 // machines: a daemon shows some 250 series and one picture of each
)

func manyMachines(b *testing.B, n int) {
	w := startProcess(b, b.TempDir(), n)
	s := speakTo(b, w.NATS)
	a := newAlarms(b, s)
	for m := 1; m < n; m++ {
		s.open(fmt.Sprint("m", m), 5)
	}
	a.load()
	s.stored()
	a.raise() // comes when all before it is folded
	var quiet, looked []time.Duration
	var scraping, painting time.Duration
	var pages int
	var rss float64
	sent := 0
	for b.Loop() {
		stop := make(chan struct{})
		ended := make(chan int)
		go reports(b, w.NATS, n, sent, stop, ended)
		quiet = append(quiet, a.series(200)...)
		rss = memory(b, w.pid, "VmRSS")
		if n <= mostLookedAt {
			look := make(chan looks)
			var done atomic.Bool
			go lookAround(b, w.URL, &done, look)
			looked = append(looked, a.series(200)...)
			done.Store(true)
			l := <-look
			scraping, painting, pages = scraping+l.scraping, painting+l.painting, pages+l.pages
		}
		close(stop)
		sent += <-ended
	}
	b.ReportMetric(rss, "rss-MiB")
	b.ReportMetric(quantile(quiet, 0.5), "alarm-p50-ms")
	b.ReportMetric(quantile(quiet, 0.99), "alarm-p99-ms")
	if pages > 0 {
		b.ReportMetric(memory(b, w.pid, "VmHWM"), "looked-at-peak-MiB")
		b.ReportMetric(quantile(looked, 0.99), "looked-at-p99-ms")
		b.ReportMetric(float64(scraping.Milliseconds())/float64(pages), "scrape-ms")
		b.ReportMetric(float64(painting.Milliseconds())/float64(pages), "board-ms")
	}
}

// reports tells what machines at work tell, from the number first on, and says how
// many there were.
func reports(b *testing.B, url string, machines, first int, stop chan struct{}, ended chan int) {
	n := 0
	defer func() { ended <- n }()
	nc, err := nats.Connect(url)
	if err != nil {
		b.Error(err)
		return
	}
	defer nc.Close()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for began := time.Now(); ; {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		for due := int(time.Since(began).Seconds() * reportsPerS); n < due; n++ {
			typ, p := report(first + n)
			machine := fmt.Sprint("m", 1+(first+n)%(machines-1))
			e := event.Event{ID: fmt.Sprint("r", first+n), Source: "/north/" + machine, Type: typ, Time: time.Now(), Site: "north", Machine: machine, Data: p}
			data, err := event.Encode(e)
			if err == nil {
				err = nc.Publish(e.Subject(), data)
			}
			if err != nil {
				b.Error(err)
				return
			}
		}
	}
}

// looks is how long it took to look, so many times.
type looks struct {
	scraping, painting time.Duration
	pages              int
}

// lookAround scrapes the metrics and opens the board in turn until it is done.
func lookAround(b *testing.B, url string, done *atomic.Bool, out chan looks) {
	var l looks
	defer func() { out <- l }()
	for ; !done.Load() || l.pages == 0; l.pages++ {
		began := time.Now()
		get(b, url+"/metrics")
		l.scraping += time.Since(began)
		began = time.Now()
		get(b, url+"/")
		l.painting += time.Since(began)
	}
}

func get(b *testing.B, url string) {
	r, err := http.Get(url)
	if err != nil {
		b.Error(err)
		return
	}
	defer r.Body.Close()
	if _, err := io.Copy(io.Discard, r.Body); err != nil || r.StatusCode != http.StatusOK {
		b.Errorf("%s: %s, %v", url, r.Status, err)
	}
}

// alarms raises bare-edge alarms on machine m0 and waits for them.
type alarms struct {
	b    *testing.B
	s    *speaker
	sub  *nats.Subscription
	jobs int
}

func newAlarms(b *testing.B, s *speaker) *alarms {
	b.Helper()
	sub, err := s.nc.SubscribeSync("floor.north.m0.alarm.changed")
	if err != nil {
		b.Fatal(err)
	}
	return &alarms{b: b, s: s, sub: sub}
}

func (a *alarms) load() {
	a.s.say("m0", "roll.loaded", &event.RollLoaded{Stock: "MONO-GLOSS-137", FilmClass: event.Monomeric, WidthMM: f(1370), LengthM: f(1e4), ThicknessUM: f(220), EdgeMM: f(0)})
}

// raise queues a run on the bare edge and returns how long its alarm took to come.
// The run then leaves the queue again, and somebody has seen its alarm.
func (a *alarms) raise() time.Duration {
	a.b.Helper()
	a.jobs++
	job := fmt.Sprint("A", a.jobs)
	began := time.Now()
	a.s.say("m0", "run.queued", &event.RunQueued{Job: job, Position: f(1)})
	a.await(job)
	took := time.Since(began)
	a.s.say("m0", "ticket.withdrawn", &event.TicketWithdrawn{Job: job})
	a.s.say("m0", "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: job, Action: "acknowledge", By: "speed"})
	return took
}

func (a *alarms) series(n int) (took []time.Duration) {
	for range n {
		time.Sleep(10 * time.Millisecond)
		took = append(took, a.raise())
	}
	return took
}

// await reads alarms until the job's bare edge is among them.
func (a *alarms) await(job string) {
	a.b.Helper()
	for {
		m, err := a.sub.NextMsg(patience)
		if err != nil {
			a.b.Fatal(err)
		}
		e, err := event.Decode(event.Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Stored: time.Now()})
		if err != nil {
			a.b.Fatal(err)
		}
		if d := e.Data.(*event.AlarmChanged); d.Hazard == "bare-edge" && d.Job == job && d.Emit == alarm.Annunciate {
			return
		}
	}
}
