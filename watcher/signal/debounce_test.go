package signal

import (
	"context"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestOnePressOverARestart sends a press again after something ended the watch that
// had told of it. Counted twice the edge would seem to be past the cure.
func TestOnePressOverARestart(t *testing.T) {
	for what, between := range map[string]func(*floor){
		"a restart":  func(*floor) {},
		"a takeover": func(f *floor) { f.o.BuiltIn = false },
		"a reload":   func(f *floor) { f.o.Rows = append([]Row{humidity()}, f.o.Rows...) },
	} {
		t.Run(what, func(t *testing.T) {
			r := advanced()
			r.Debounce = time.Minute
			f := newFloor(t, r)
			f.watch()
			c := f.client()
			f.settled(c.Publish(topic, 1, false, "on"))
			f.until("it is told", func() bool { return f.told() == 1 })
			f.stop()
			between(f)
			f.watch()
			for qos := range byte(3) {
				f.settled(c.Publish(topic, qos, false, "on"))
			}
			f.settled(c.Publish(topic, 1, false, "off"))
			f.until("the other is told", func() bool { return f.told() == 2 })
			f.want(2)
		})
	}
}

// A contact that bounces, or a sender that repeats itself, tells once. The same
// message delivered again is no repetition.
func TestDebounce(t *testing.T) {
	r := advanced()
	r.Debounce = 2 * time.Second
	m := mapperOf(t, r)
	d, err := openDebouncer(t.Context(), newFloor(t).js)
	check(t, err)
	m.again = d.again
	at := func(id, machine, payload string, after time.Duration) int {
		return len(eventsOf(t, m, message{id: id, topic: "kestrel/north/" + machine + "/advanced", data: []byte(payload), at: eight.Add(after)}))
	}
	for i, c := range []struct {
		id, machine, payload string
		after                time.Duration
		want                 int
	}{
		{"1", "heron", "on", 0, 1},
		{"1", "heron", "on", 0, 1},
		{"2", "heron", "on", time.Second, 0},
		{"3", "heron", "off", time.Second, 1},
		{"4", "wren", "on", time.Second, 1},
		{"5", "heron", "on", 2*time.Second - 1, 0},
		{"6", "heron", "on", 2 * time.Second, 1},
		{"2", "heron", "on", time.Second, 0},
	} {
		if got := at(c.id, c.machine, c.payload, c.after); got != c.want {
			t.Errorf("step %d: want %d events, got %d", i, c.want, got)
		}
	}
}

// TestRestartsChangeNothing: whatever is pressed how often, and delivered again or not,
// the same messages count as in a watch that never ends.
func TestRestartsChangeNothing(t *testing.T) {
	js, run := newFloor(t).js, 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		rows := []Row{advanced(), advanced()}
		rows[0].Debounce, rows[1].Debounce = time.Second, 3*time.Second
		start := func() *mapper {
			m, err := newMapper(rows, place, "north")
			check(t, err)
			d, err := openDebouncer(t.Context(), js)
			check(t, err)
			m.again = d.again
			return m
		}
		before, restarted := steady{}, start()
		msg := message{at: eight}
		for i := range rapid.IntRange(1, 20).Draw(rt, "messages") {
			if i == 0 || rapid.IntRange(0, 4).Draw(rt, "new") > 0 {
				msg.id, msg.at = fmt.Sprint(run, "-", i), msg.at.Add(time.Duration(rapid.IntRange(0, 1500).Draw(rt, "ms"))*time.Millisecond)
				msg.topic = "kestrel/north/" + rapid.SampledFrom([]string{"heron", "wren"}).Draw(rt, "machine") + "/advanced"
				msg.data = fmt.Append(nil, run, rapid.SampledFrom([]string{"on", "off"}).Draw(rt, "payload"))
			}
			switch rapid.SampledFrom([]string{"", "restart", "reload"}).Draw(rt, "before") {
			case "reload":
				rows[0], rows[1] = rows[1], rows[0]
				fallthrough
			case "restart":
				restarted = start()
			}
			got, err := restarted.events(t.Context(), msg)
			check(t, err)
			if want := before.count(msg, rows); len(got) != want {
				rt.Fatalf("message %d, %+v: want %d events, got %d", i, msg, want, len(got))
			}
		}
	})
}

// steady is what a watch remembers that never ends: for each debounce time, topic and
// payload the message that counted last.
type steady map[string]message

// count is how many rows tell of a message.
func (s steady) count(msg message, rows []Row) (n int) {
	for _, r := range rows {
		key := fmt.Sprint(r.Debounce, msg.topic, string(msg.data))
		before, known := s[key]
		if known && before.id != msg.id && msg.at.Sub(before.at) < r.Debounce {
			continue
		}
		s[key] = msg
		n++
	}
	return n
}

// TestAnOddMemory: what another program wrote into the stream stops no signal.
func TestAnOddMemory(t *testing.T) {
	r := advanced()
	r.Debounce = time.Minute
	m := mapperOf(t, r)
	f := newFloor(t)
	d, err := openDebouncer(t.Context(), f.js)
	check(t, err)
	m.again = func(ctx context.Context, r *compiled, msg message) (bool, error) {
		_, err := f.js.Publish(ctx, seenSubject(r, msg), []byte("[]"))
		check(t, err)
		return d.again(ctx, r, msg)
	}
	if n := len(eventsOf(t, m, message{id: "1", topic: topic, at: eight})); n != 1 {
		t.Errorf("want 1 event, got %d", n)
	}
}
