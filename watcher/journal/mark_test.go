package journal

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

func TestMissingFrom(t *testing.T) {
	for _, row := range []struct {
		name      string
		state     jetstream.StreamState
		all, aged uint64 // missing where all are kept, and where age lets them go
	}{
		{"never used", jetstream.StreamState{}, 0, 0},
		{"whole", jetstream.StreamState{FirstSeq: 1, LastSeq: 5, Msgs: 5}, 0, 0},
		{"no front", jetstream.StreamState{FirstSeq: 4, LastSeq: 5, Msgs: 2}, 3, 0},
		{"nothing", jetstream.StreamState{FirstSeq: 6, LastSeq: 5}, 5, 0},
		{"a hole", jetstream.StreamState{FirstSeq: 1, LastSeq: 5, Msgs: 4}, 1, 1},
		{"no tail", jetstream.StreamState{FirstSeq: 1, LastSeq: 5, Msgs: 1}, 4, 4},
		{"nothing but its end", jetstream.StreamState{FirstSeq: 0, LastSeq: 5}, 5, 5},
	} {
		if all, aged := missingFrom(row.state, true), missingFrom(row.state, false); all != row.all || aged != row.aged {
			t.Errorf("%s: want %d and %d, got %d and %d", row.name, row.all, row.aged, all, aged)
		}
	}
}

// A journal that ends sooner than it was read is told, and only that one.
func TestALostTailIsTold(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "data", "journal.mark")
	said := func(entries int) string {
		var log bytes.Buffer
		s := serve(t, t.TempDir(), server.RANDOM_PORT)
		defer stop(s)
		js := dial(t, s.ClientURL())
		publish(t, open(t, js, Options{Log: noLog}), moves(1, entries)...)
		j := open(t, js, Options{Mark: mark, Log: zerolog.New(&log)})
		f := follow(t, j, 0)
		until(t, "all is read", func() bool { return f.count() == entries })
		f.end(t)
		if told := strings.Contains(log.String(), "sooner"); told != (len(j.Lost()) == 1) || told && !strings.Contains(j.Lost()[0], "it ended at 5 and ends at 3") {
			t.Errorf("the log says %s, and lost is %q", &log, j.Lost())
		}
		return log.String()
	}
	if log := said(5); strings.Contains(log, "sooner") {
		t.Errorf("without a mark: %s", log)
	}
	if log := said(5); strings.Contains(log, "sooner") {
		t.Errorf("as long as before: %s", log)
	}
	if log := said(3); !strings.Contains(log, `"ended":5,"ends":3`) {
		t.Errorf("two entries shorter: %s", log)
	}
	if log := said(4); strings.Contains(log, "sooner") {
		t.Errorf("told a second time: %s", log)
	}
	if err := os.WriteFile(mark, []byte("\x00\x00"), 0o600); err != nil {
		t.Fatal(err)
	}
	if log := said(4); !strings.Contains(log, "nobody can tell") {
		t.Errorf("a mark that cannot be read: %s", log)
	}
}
