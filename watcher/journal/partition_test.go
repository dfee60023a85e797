package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// mapped runs a server whose configuration divides the sites into n partitions,
// as its own parser reads it.
func mapped(t *testing.T, n int) jetstream.JetStream {
	t.Helper()
	p := partitions(t, max(n, 2))
	rule := ""
	if from, to := p.Mapping(); n > 1 {
		rule = fmt.Sprintf("mappings: { %q: %q }", from, to)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "nats.conf")
	text := fmt.Sprintf("listen: \"127.0.0.1:-1\"\njetstream: { store_dir: %q }\naccounts: { FLOOR: { jetstream: enabled, users: [{user: w, password: w}], %s } }\n", dir, rule)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := server.ProcessConfigFile(file)
	if err != nil {
		t.Fatal(err)
	}
	o.NoSigs, o.NoLog = true, true
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { stop(s) })
	return dial(t, fmt.Sprintf("nats://w:w@127.0.0.1:%d", portOf(s)))
}

func partitions(t *testing.T, n int) Partitions {
	t.Helper()
	p, err := NewPartitions(n)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func openAll(t *testing.T, js jetstream.JetStream, p Partitions) (all []*Journal) {
	t.Helper()
	for n := range p.Len() {
		all = append(all, open(t, js, p.Options(Options{MaxBytes: 1 << 20, Log: noLog}, n)))
	}
	return all
}

// The source here is the server itself: it maps what is published to it, and
// each site must turn up in the partition that Of names, under the subject that
// its sender gave it.
func TestSitesLieWhereTheServerPutsThem(t *testing.T) {
	p := partitions(t, 8)
	js := mapped(t, 8)
	all := openAll(t, js, p)
	for i := range 40 {
		e := moved(i)
		e.Site = fmt.Sprint("site-", i)
		publish(t, all[0], e)
		j := all[p.Of(e.Site)]
		last, err := j.Last(soon(t))
		if err != nil {
			t.Fatal(err)
		}
		got, err := j.Get(soon(t), last)
		if err != nil || got.Subject != e.Subject() || idOf(t, got) != e.ID {
			t.Fatalf("%s: partition %d ends with %q, %v", e.Site, p.Of(e.Site), got.Subject, err)
		}
		newest, _, err := j.Newest(soon(t), Query{Site: e.Site, Machine: e.Machine, Types: []event.Type{"edge.moved"}, N: 1})
		if err != nil || len(newest) != 1 || newest[0].Subject != e.Subject() {
			t.Fatalf("%s: newest %v, %v", e.Site, newest, err)
		}
		read := 0
		err = j.Read(soon(t), 1, 0, event.Subject(e.Site, "*", ">"), func(entry Entry) error {
			read++
			if entry.Subject != e.Subject() {
				t.Errorf("read %q", entry.Subject)
			}
			return nil
		})
		if err != nil || read != 1 {
			t.Fatalf("%s: read %d entries, %v", e.Site, read, err)
		}
	}
	f := follow(t, all[0], 0)
	last, err := all[0].Last(soon(t))
	if err != nil || last == 0 {
		t.Fatalf("partition 0 has %d entries, %v", last, err)
	}
	until(t, "partition 0 is followed", func() bool { return f.count() == int(last) })
	f.cancel()
}

// A server that does not map, or maps by another number, is found out before
// anything is stored in the wrong place, and the answer holds the line to add.
func TestAMappingThatIsNotThereIsSaid(t *testing.T) {
	sites := []string{"north", "quay", "mill", "harbour", "hill", "lock"}
	for _, n := range []int{0, 7} {
		js, p := mapped(t, n), partitions(t, 8)
		openAll(t, js, p)
		wantError(t, p.Check(soon(t), js, sites), "does not store the events of site", `"floor.*.>": "part.{{partition(8,1)}}.floor.{{wildcard(1)}}.>"`)
	}
	js, p := mapped(t, 8), partitions(t, 8)
	for i, j := range openAll(t, js, p) {
		if err := p.Check(soon(t), js, sites); i == p.Len()-1 && err != nil {
			t.Errorf("want the mapping taken for right, got %v", err)
		}
		if last, err := j.Last(soon(t)); err != nil || last != 0 {
			t.Errorf("probes stored %d entries, %v", last, err)
		}
	}
}

func TestTooManyPartitions(t *testing.T) {
	for _, n := range []int{-1, 0, MaxPartitions + 1} {
		_, err := NewPartitions(n)
		wantError(t, err, "want 1 to 512")
	}
}

// A state is handed from one watch to the next, and never to a journal that was
// made again.
func TestSharedSnapshots(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	shared := func(j *Journal) Shared {
		s, err := j.OpenShared(soon(t), js, 1)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	first := shared(j)
	if seq, state, err := first.Load(); seq != 0 || state != nil || err != nil {
		t.Fatalf("an empty store holds %d, %v", seq, err)
	}
	for _, seq := range []uint64{7, 9} {
		if err := first.Save(seq, []byte(fmt.Sprint("state ", seq))); err != nil {
			t.Fatal(err)
		}
	}
	if seq, state, err := shared(j).Load(); seq != 9 || string(state) != "state 9" || err != nil {
		t.Errorf("loaded %d %q, %v", seq, state, err)
	}
	if _, err := first.Kept("marks"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("nothing was kept, and Kept says %v", err)
	}
	for _, data := range []string{"old", "", "new"} {
		if err := first.Keep("marks", []byte(data)); err != nil {
			t.Fatal(err)
		}
		if kept, err := shared(j).Kept("marks"); string(kept) != data || err != nil {
			t.Errorf("kept %q, %v, want %q", kept, err, data)
		}
	}
	if err := js.DeleteStream(soon(t), StreamName); err != nil {
		t.Fatal(err)
	}
	again := shared(open(t, js, Options{Log: noLog}))
	if seq, _, err := again.Load(); seq != 0 || err != nil {
		t.Errorf("a journal that was made again is given state %d, %v", seq, err)
	}
	if err := again.Remove(); err != nil {
		t.Error(err)
	}
	if err := again.Remove(); err != nil {
		t.Errorf("removed twice: %v", err)
	}
}
