package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// tell sends an event as a machine does: it goes on under the same id until the
// journal has acknowledged it, or returns false when the context ends.
func (s *shop) tell(ctx context.Context, machine, typ, id, data string) bool {
	msg := messageAt(s.clock(), machine, typ, id, data)
	for ctx.Err() == nil {
		if err := s.publish(ctx, msg); err == nil {
			s.mu.Lock()
			s.acked = append(s.acked, id)
			s.mu.Unlock()
			return true
		}
		time.Sleep(5 * time.Millisecond)
	}
	return false
}

func (s *shop) publish(ctx context.Context, msg *nats.Msg) error {
	js, err := s.dial()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	_, err = js.PublishMsg(ctx, msg)
	return err
}

// message is an event that happens now.
func message(machine, typ, id, data string) *nats.Msg {
	return messageAt(time.Now(), machine, typ, id, data)
}

// messageAt is a structured CloudEvent 1.0 (JSON Event Format 1.0.2, section 3).
// It has no Nats-Msg-Id, so that a second try is stored a second time and the
// watch has to see for itself that it is one event.
func messageAt(at time.Time, machine, typ, id, data string) *nats.Msg {
	body, err := json.Marshal(map[string]any{
		"specversion": "1.0", "id": id, "source": "test/floor", "type": typePrefix + typ,
		"time": at.UTC().Format(time.RFC3339Nano), "data": json.RawMessage(data),
	})
	if err != nil {
		panic(err) // a test with data that is no JSON
	}
	return &nats.Msg{
		Subject: "floor." + strings.ReplaceAll(machine, "/", ".") + "." + typ,
		Header:  nats.Header{"Content-Type": {"application/cloudevents+json"}}, Data: body,
	}
}

// drop puts a ticket file into the folder of a machine as a good writer does:
// under another name first.
func (s *shop) drop(machine, name, text string) error {
	dir := s.inbox(machine)
	part := filepath.Join(dir, name+".part")
	if err := os.WriteFile(part, []byte(text), 0o644); err != nil {
		return err
	}
	if err := os.Rename(part, filepath.Join(dir, name)); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.files = append(s.files, dropped{dir, name, sumOf([]byte(text))})
	return nil
}

// ticket is a ticket with all that is needed to judge its run. Each job has a
// title of its own, so that no two files are alike.
func ticket(job string) string {
	return fmt.Sprintf(`{"job": %q, "title": "Decals of %[1]s", "stock": "MONO-GLOSS-137", "roll_width_mm": 1370, "length_m": 3, "passes": 12, "ink_density_pct": 100, "cure_c": 90}`, job)
}

// machine plays one machine: job after job on cheap film with a bare edge. It
// never goes on before the alarm that has to come has come.
type machine struct {
	*shop
	name string
	did  func(what string) // told of each step; may be nil
	n    int               // jobs so far
	ids  int
}

// load brings the machine to where a job can come.
func (m *machine) load(ctx context.Context) bool {
	return m.say(ctx, "climate.read", `{"temp_c":21,"rh_pct":50}`) &&
		m.say(ctx, "roll.loaded", `{"stock":"MONO-GLOSS-137","film_class":"monomeric","width_mm":1370,"length_m":100000,"thickness_um":220,"edge_mm":0}`)
}

func (m *machine) say(ctx context.Context, typ, data string) bool {
	m.ids++
	ok := m.tell(ctx, m.name, typ, fmt.Sprintf("%s/%d", m.name, m.ids), data)
	m.tells("told")
	return ok
}

func (m *machine) tells(what string) {
	if m.did != nil {
		m.did(what)
	}
}

// job plays one job from its ticket to the bare edge that it leaves.
func (m *machine) job(ctx context.Context) bool {
	m.n++
	job := fmt.Sprintf("KL-%s-%d", strings.ReplaceAll(m.name, "/", "-"), m.n)
	text := ticket(job)
	if m.n%5 == 0 {
		m.must(m.drop(m.name, job+"-bad.json", strings.Replace(text, `"passes": 12`, `"passes": "many"`, 1)))
	}
	m.must(m.drop(m.name, job+".json", text))
	m.tells("dropped")
	data := fmt.Sprintf(`{"job":%q}`, job)
	return m.alarmed(ctx, job, "queued") &&
		m.say(ctx, "run.started", data) && m.alarmed(ctx, job, "running") &&
		m.say(ctx, "edge.moved", `{"by_mm":365,"cause":"advance"}`) &&
		m.say(ctx, "film.wasted", `{"length_m":0.365,"cause":"edge-advance"}`) &&
		m.say(ctx, "run.finished", fmt.Sprintf(`{"job":%q,"metres":3}`, job)) &&
		m.say(ctx, "edge.moved", `{"position_mm":0,"cause":"rewind"}`)
}

// alarmed waits until the journal has the alarm of a risky start.
func (m *machine) alarmed(ctx context.Context, job, phase string) bool {
	subject := "floor." + strings.ReplaceAll(m.name, "/", ".") + ".alarm.changed"
	for ; ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
		js, err := m.dial()
		if err != nil {
			continue
		}
		if a, err := newest(ctx, js, subject); err == nil && a.Hazard == "bare-edge" && a.Job == job && a.Phase == phase {
			return true
		}
	}
	return false
}

// newest is the last alarm of a machine.
func newest(ctx context.Context, js jetstream.JetStream, subject string) (a alarm, err error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	stream, err := js.Stream(ctx, journalStream)
	if err != nil {
		return a, err
	}
	m, err := stream.GetLastMsgForSubject(ctx, subject)
	if err != nil {
		return a, err
	}
	a.entry = entryOf(m.Sequence, m.Subject, m.Header, m.Data)
	a.read(&a)
	return a, nil
}
