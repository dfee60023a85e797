package faults

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
)

// A disk that is full refuses events and loses none. The watch says so, keeps
// what it has, and goes on by itself when there is room again.
func TestTheDiskIsFull(t *testing.T) {
	if !ownMounts(t) {
		return
	}
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = hook.environ()
	s.smallDisk("data", "4m")
	s.start()
	m := s.play("north/heron", 2)

	free := s.fill(s.path("data"))
	refused := s.tellUntilRefused("quay/wren")
	s.until("/readyz says that the watch is not well", s.unready)
	s.shows(`rollwarden_ready 0`)
	s.logs("free disk space")
	s.must(s.drop("quay/wren", "late.json", ticket("late")))
	s.logs("the journal did not take every event, trying again")
	if status, body, err := s.get("/api/v1/alarms"); err != nil || status != http.StatusOK {
		t.Errorf("with the disk full the alarms cannot be read: %d %s %v", status, body, err)
	}

	free()
	s.until("the watch is well again", func() (bool, string) {
		bad, said := s.unready()
		return !bad, said
	})
	s.logs("the disk has room again")
	s.findAgain(s.watch)
	s.must1(s.tell(soon(t), "quay/wren", "film.wasted", refused, `{"length_m":1,"cause":"trim"}`), "the event that was refused")
	m.must1(m.job(soon(t)), "a job after there is room again")
	s.prove(hook)
}

// A journal at its limit refuses events and drops none.
func TestTheJournalIsFull(t *testing.T) {
	hook := newReceiver(t)
	s := newShop(t, paged)
	s.extra = append(hook.environ(), "ROLLWARDEN_NATS_MAX_STORE=16MiB", "ROLLWARDEN_NATS_SYNC_ALWAYS=false")
	s.start()
	m := s.play("north/heron", 2)

	refused := s.tellUntilRefused("quay/wren")
	s.until("/readyz says that the watch is not well", s.unready)
	s.shows(`rollwarden_ready 0`)
	s.must(s.drop("quay/wren", "late.json", ticket("late")))
	s.logs("journal is full", "16777216")

	s.stop()
	s.extra = append(s.extra, "ROLLWARDEN_NATS_MAX_STORE=64MiB")
	s.start()
	s.must1(s.tell(soon(t), "quay/wren", "film.wasted", refused, `{"length_m":1,"cause":"trim"}`), "the event that was refused")
	m.must1(m.job(soon(t)), "a job after there is room again")
	s.prove(hook)
}

// play loads a machine and plays so many jobs on it.
func (s *shop) play(name string, jobs int) *machine {
	s.tb.Helper()
	m := &machine{shop: s, name: name}
	ctx := soon(s.tb)
	s.must1(m.load(ctx), "a loaded machine")
	for range jobs {
		s.must1(m.job(ctx), "a job")
	}
	return m
}

// soon is as long as a test waits for something.
func soon(tb testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	tb.Cleanup(cancel)
	return ctx
}

func (s *shop) must1(ok bool, what string) {
	s.tb.Helper()
	if !ok {
		s.tb.Fatalf("%s did not come within %s", what, patience)
	}
}

func (s *shop) until(what string, met func() (bool, string)) {
	s.tb.Helper()
	until(s.tb, what, met)
}

// tellUntilRefused tells long notes until one is not taken, and returns its id.
func (s *shop) tellUntilRefused(machine string) (id string) {
	s.tb.Helper()
	note := strings.Repeat("x", 4000)
	for i := range 20_000 {
		id := fmt.Sprint("note-", i)
		data := fmt.Sprintf(`{"action":"note","by":"ines","reason":%q}`, note)
		if err := s.publish(soon(s.tb), messageAt(s.clock(), machine, "operator.noted", id, data)); err != nil {
			s.tb.Logf("after %d notes: %v", i, err)
			return "again-" + id
		}
		s.mu.Lock()
		s.acked = append(s.acked, id)
		s.mu.Unlock()
	}
	s.tb.Fatal("a full disk takes everything")
	return ""
}

func (s *shop) unready() (bool, string) {
	status, body, err := s.get("/readyz")
	return status == http.StatusServiceUnavailable, fmt.Sprint(status, " ", body, " ", err)
}

// shows waits for a line of the metrics.
func (s *shop) shows(line string) {
	s.tb.Helper()
	s.until("/metrics has "+line, func() (bool, string) {
		_, body, err := s.get("/metrics")
		return strings.Contains(body, "\n"+line+"\n"), fmt.Sprint(err, " ", firstLine(body, strings.Fields(line)[0]))
	})
}

// logs waits for a line of the log with all these words.
func (s *shop) logs(words ...string) {
	s.tb.Helper()
	s.until(fmt.Sprintf("the log has a line with %q", words), func() (bool, string) {
	lines:
		for l := range strings.Lines(string(s.log())) {
			for _, w := range words {
				if !strings.Contains(l, w) {
					continue lines
				}
			}
			return true, ""
		}
		return false, "no such line"
	})
}
