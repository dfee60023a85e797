package reliability_test

import (
	"fmt"
	"strconv"
	"testing"
	"time"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
)

// busyMonth is March on ten machines, each with a start every hour and a half
// around the clock, twelve words of progress to each, alarms to half of them and
// a strike now and then.
func busyMonth(b *testing.B) *journal {
	b.Helper()
	j := &journal{t: b}
	for now := march.From.Add(time.Hour); now.Before(march.To); now = now.Add(90 * time.Minute) {
		for m := range 10 {
			j.busyRun(now.Add(time.Duration(m)*time.Minute).UTC(), fmt.Sprint("m", m), fmt.Sprint("J", len(j.events)))
		}
	}
	return j
}

func (j *journal) busyRun(now time.Time, machine, job string) {
	if len(j.events) < 20*10 {
		j.load(now.Add(-30*time.Minute), machine, "MONO-GLOSS-137", event.Monomeric)
	}
	n := len(j.events)
	if n%2 == 0 {
		j.alarm(now.Add(-20*time.Minute), machine, "bare-edge", job, alarm.Normal, alarm.Condition)
		j.alarm(now.Add(-15*time.Minute), machine, "bare-edge", job, alarm.Unacked, alarm.Acknowledge)
		j.advance(now.Add(-10*time.Minute), machine)
		j.alarm(now.Add(-9*time.Minute), machine, "bare-edge", job, alarm.Acked, alarm.Return)
	}
	j.start(now, machine, job)
	for i := range 12 {
		j.say(now.Add(time.Duration(2*i)*time.Minute), machine, "run.progress", &event.RunProgress{Run: event.Run{Job: job, Metres: p(float64(i) / 4)}})
	}
	if n%50 == 0 {
		j.say(now.Add(25*time.Minute), machine, "strike.recorded", &event.StrikeRecorded{Job: job, DowntimeS: p(300)})
	}
	j.finish(now.Add(25*time.Minute), machine, job, 3)
	j.cut(now.Add(26*time.Minute), machine, job)
}

// BenchmarkMonth folds a month of ten machines from its start and makes the
// report of it.
func BenchmarkMonth(b *testing.B) {
	j, with := busyMonth(b), params(b)
	var folding, computing time.Duration
	b.ResetTimer()
	for range b.N {
		began := time.Now()
		f := j.fold(reliability.Origin{}, march)
		folded := time.Now()
		r := reliability.Compute(f, with)
		folding, computing = folding+folded.Sub(began), computing+time.Since(folded)
		if r.Front.Starts < 4_000 {
			b.Fatalf("%d starts", r.Front.Starts)
		}
	}
	b.ReportMetric(float64(len(j.events)), "events")
	b.ReportMetric(folding.Seconds()*1000/float64(b.N), "ms-fold")
	b.ReportMetric(computing.Seconds()*1000/float64(b.N), "ms-report")
}

// BenchmarkFold folds a million events, and says how much longer than merely
// decoding them that takes.
func BenchmarkFold(b *testing.B) {
	const events = 1_000_000
	j := busyMonth(b)
	messages := make([]event.Message, len(j.events))
	for i, e := range j.events {
		data, err := event.Encode(e)
		if err != nil {
			b.Fatal(err)
		}
		messages[i] = event.Message{Subject: e.Subject(), Data: data, Stored: e.Time}
	}
	var decoding, folding time.Duration
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		decoding += run(b, messages, events, func(int, event.Event) {})
		f := reliability.New(march, zone, reliability.Origin{})
		folding += run(b, messages, events, func(i int, e event.Event) { f.Apply(uint64(i+1), e) })
	}
	b.ReportMetric(folding.Seconds()/decoding.Seconds(), "x-decoding")
	b.ReportMetric((folding-decoding).Seconds()*1e9/float64(b.N)/events, "ns-fold/event")
	b.ReportMetric(decoding.Seconds()*1e9/float64(b.N)/events, "ns-decode/event")
}

// run decodes n messages, again and again those given, each time with ids of
// its own.
func run(b *testing.B, messages []event.Message, n int, do func(int, event.Event)) time.Duration {
	began := time.Now()
	for i := range n {
		e, err := event.Decode(messages[i%len(messages)])
		if err != nil {
			b.Fatal(err)
		}
		e.ID = strconv.Itoa(i)
		do(i, e)
	}
	return time.Since(began)
}
