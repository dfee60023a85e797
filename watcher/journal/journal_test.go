package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rollwarden/rules/event"
)

// The stream is checked on the wire, by the field names of the JetStream API.
// Source: the JSON schema io.nats.jetstream.api.v1.stream_info_response in
// github.com/nats-io/jsm.go, and docs.nats.io, JetStream concepts, "Streams".
func TestOpenMakesTheStream(t *testing.T) {
	_, js := start(t, Options{MaxBytes: 1 << 20, MaxAge: time.Hour, Log: noLog})
	m, err := js.Conn().RequestWithContext(soon(t), "$JS.API.STREAM.INFO.FLOOR", nil)
	if err != nil {
		t.Fatal(err)
	}
	var answer struct{ Config map[string]any }
	if err := json.Unmarshal(m.Data, &answer); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"name": "FLOOR", "storage": "file", "retention": "limits", "discard": "new",
		"max_bytes": 1048576.0, "max_age": 3.6e12, "max_msgs": -1.0, "max_msgs_per_subject": -1.0,
		"max_msg_size": 1048576.0, "num_replicas": 1.0, "duplicate_window": 3e10,
		"deny_delete": true, "deny_purge": true, "allow_rollup_hdrs": false, "allow_direct": true, "sealed": false,
	}
	for name, value := range want {
		if got := answer.Config[name]; got != value {
			t.Errorf("%s = %v, want %v", name, got, value)
		}
	}
	if got := fmt.Sprint(answer.Config["subjects"]); got != "[floor.>]" {
		t.Errorf("subjects = %s", got)
	}
}

func TestNothingCanBeTakenOut(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 3)...)
	s, err := js.Stream(soon(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.DeleteMsg(soon(t), 2); err == nil {
		t.Error("an entry was deleted")
	}
	if err := s.Purge(soon(t)); err == nil {
		t.Error("the journal was purged")
	}
	rollup := &nats.Msg{Subject: moved(4).Subject(), Header: nats.Header{"Nats-Rollup": {"all"}}}
	if _, err := js.PublishMsg(soon(t), rollup); err == nil {
		t.Error("the journal was rolled up")
	}
	if last, err := j.Last(soon(t)); err != nil || last != 3 {
		t.Errorf("last = %d, %v", last, err)
	}
}

func TestOpenAgainChangesLimitsOnly(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	if last, err := j.Last(soon(t)); err != nil || last != 0 {
		t.Errorf("last of an empty journal = %d, %v", last, err)
	}
	publish(t, j, moves(1, 100)...)
	j = open(t, js, Options{MaxBytes: 1 << 20, MaxAge: 24 * time.Hour, Log: noLog})
	info, err := j.stream.Info(soon(t))
	if err != nil {
		t.Fatal(err)
	}
	if info.State.Msgs != 100 || info.Config.MaxBytes != 1<<20 || info.Config.MaxAge != 24*time.Hour {
		t.Errorf("after the second open: %+v", info)
	}
	_, err = Open(soon(t), js, Options{MaxBytes: 1000, Log: noLog})
	wantError(t, err, "FLOOR", "more than the 1000 that are allowed", "raise the limit")
	if last, err := j.Last(soon(t)); err != nil || last != 100 {
		t.Errorf("last = %d, %v: a smaller limit cost entries", last, err)
	}
}

func TestOpenLeavesTheOperatorsSettings(t *testing.T) {
	_, js := start(t, Options{Log: noLog})
	s, err := js.Stream(soon(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	c := s.CachedInfo().Config
	c.Compression = jetstream.S2Compression
	c.Description = "kept by the shop"
	if _, err := js.UpdateStream(soon(t), c); err != nil {
		t.Fatal(err)
	}
	j := open(t, js, Options{MaxAge: time.Hour, Log: noLog})
	got := j.stream.CachedInfo().Config
	if got.Compression != c.Compression || got.Description != c.Description || got.MaxAge != time.Hour {
		t.Errorf("config = %+v", got)
	}
}

func TestOpenRefusesUnfitStreams(t *testing.T) {
	base := func() jetstream.StreamConfig {
		return jetstream.StreamConfig{Name: "UNFIT", Subjects: []string{"unfit.>"}, Storage: jetstream.FileStorage}
	}
	tests := []struct {
		want   string
		change func(*jetstream.StreamConfig)
	}{
		{"want file storage", func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage }},
		{"want retention by limits", func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }},
		{"want no_ack off", func(c *jetstream.StreamConfig) { c.NoAck = true }},
		{"want per-message TTL off", func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }},
		{"want one of its own", func(c *jetstream.StreamConfig) { c.Sources = []*jetstream.StreamSource{{Name: "FLOOR"}} }},
		{"want no subject transform", func(c *jetstream.StreamConfig) {
			c.SubjectTransform = &jetstream.SubjectTransformConfig{Source: ">", Destination: "unfit.x.>"}
		}},
		{"want the default persist mode", func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }},
	}
	_, js := start(t, Options{Log: noLog})
	for _, tt := range tests {
		t.Run(tt.want, func(t *testing.T) {
			c := base()
			tt.change(&c)
			if _, err := js.CreateStream(soon(t), c); err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := js.DeleteStream(soon(t), c.Name); err != nil {
					t.Error(err)
				}
			}()
			_, err := Open(soon(t), js, Options{Stream: c.Name, MaxBytes: 1 << 20, Log: noLog})
			wantError(t, err, "UNFIT", tt.want)
		})
	}
}

func TestOpenBadOptions(t *testing.T) {
	_, js := start(t, Options{Log: noLog})
	for want, o := range map[string]Options{
		"journal size: want a number of bytes above 0": {},
		"journal age: want 0 to keep everything":       {MaxBytes: 1, MaxAge: time.Second},
		"lower the journal's":                          {MaxBytes: 8 << 30, Stream: "LARGE"},
	} {
		_, err := Open(soon(t), js, o)
		wantError(t, err, want)
	}
}

func TestOpenWithoutJetStream(t *testing.T) {
	s, err := server.NewServer(&server.Options{DontListen: true, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { stop(s) })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	_, err = Open(soon(t), dial(t, "", nats.InProcessServer(s)), Options{MaxBytes: 1 << 20, Log: noLog})
	wantError(t, err, "switch JetStream on")
}

func TestFullJournalSaysSo(t *testing.T) {
	j, js := start(t, Options{MaxBytes: 16 << 10, Log: noLog})
	var err error
	stored := 0
	for ; stored < 1000 && err == nil; stored++ {
		err = j.Publish(soon(t), moved(stored+1))
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("error = %v, want ErrFull", err)
	}
	wantError(t, err, "limit 16384 bytes", "raise the journal's size limit", "1 of 1 events are not stored")
	if _, err := j.Get(soon(t), 1); err != nil {
		t.Errorf("the first entry was dropped: %v", err)
	}
	if last, err := j.Last(soon(t)); err != nil || int(last) != stored-1 {
		t.Errorf("last = %d, %v; want the %d that were acknowledged", last, err, stored-1)
	}
	publish(t, open(t, js, Options{MaxBytes: 1 << 20, Log: noLog}), moved(stored))
}

func TestGetAndReadAgree(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moved(1))
	// An outside publisher may use the binary mode, with headers.
	binary := &nats.Msg{Subject: moved(2).Subject(), Data: []byte(`{"by_mm":-1,"cause":"rewind"}`), Header: nats.Header{
		"ce-specversion": {"1.0"}, "ce-id": {"b-1"}, "ce-source": {"/quay/console"}, "ce-type": {"rollwarden.edge.moved"},
		"content-type": {"application/json"},
	}}
	if _, err := js.PublishMsg(soon(t), binary); err != nil {
		t.Fatal(err)
	}
	empty := &nats.Msg{Subject: "floor.quay.wren.shop.own"}
	if _, err := js.PublishMsg(soon(t), empty); err != nil {
		t.Fatal(err)
	}
	var read []Entry
	if err := j.Read(soon(t), 0, 0, "", keep(&read)); err != nil {
		t.Fatal(err)
	}
	if len(read) != 3 {
		t.Fatalf("read %d entries, want 3", len(read))
	}
	for _, e := range read {
		got, err := j.Get(soon(t), e.Seq)
		if err != nil {
			t.Fatal(err)
		}
		got.Stored = got.Stored.Local() // the same instant in another zone
		e.Stored = e.Stored.Local()
		if diff := cmp.Diff(normal(e), normal(got)); diff != "" {
			t.Errorf("entry %d differs (-read +get):\n%s", e.Seq, diff)
		}
	}
	if got := idOf(t, read[1]); got != "b-1" {
		t.Errorf("id of the binary event = %s", got)
	}
	for _, seq := range []uint64{4, 1 << 40} {
		if _, err := j.Get(soon(t), seq); !errors.Is(err, ErrNotFound) {
			t.Errorf("get %d: %v, want ErrNotFound", seq, err)
		}
	}
}

// normal makes entries comparable: no data and empty data are the same.
func normal(e Entry) Entry {
	if len(e.Data) == 0 {
		e.Data = nil
	}
	return e
}

func keep(list *[]Entry) func(Entry) error {
	return func(e Entry) error {
		*list = append(*list, e)
		return nil
	}
}

func TestReadBounds(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 5000)...)
	heron := event.Subject("north", "heron", "edge.moved") // every third
	tests := []struct {
		from, to    uint64
		filter      string
		first, last uint64
		count       int
	}{
		{0, 0, "", 1, 5000, 5000},
		{1, 1, "", 1, 1, 1},
		{4000, 4999, "", 4000, 4999, 1000},
		{4990, 9999, "", 4990, 5000, 11},
		{5000, 0, "", 5000, 5000, 1},
		{5001, 0, "", 0, 0, 0},
		{10, 9, "", 0, 0, 0},
		{1, 0, heron, 3, 4998, 1666},
		{1, 10, heron, 3, 9, 3},
		{4999, 0, heron, 0, 0, 0},
		{4, 5, heron, 0, 0, 0},
		{1, 0, "floor.quay.>", 0, 0, 0},
		{1, 0, "floor.*.*.edge.moved", 1, 5000, 5000},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprintf("%d-%d %s", tt.from, tt.to, tt.filter), func(t *testing.T) {
			var got []Entry
			if err := j.Read(soon(t), tt.from, tt.to, tt.filter, keep(&got)); err != nil {
				t.Fatal(err)
			}
			if len(got) != tt.count {
				t.Fatalf("read %d entries, want %d", len(got), tt.count)
			}
			if tt.count > 0 && (got[0].Seq != tt.first || got[len(got)-1].Seq != tt.last) {
				t.Errorf("read %d to %d, want %d to %d", got[0].Seq, got[len(got)-1].Seq, tt.first, tt.last)
			}
			for i, e := range got {
				if i > 0 && e.Seq <= got[i-1].Seq {
					t.Fatalf("entry %d comes after %d", e.Seq, got[i-1].Seq)
				}
				if want := moved(int(e.Seq)).ID; idOf(t, e) != want {
					t.Fatalf("entry %d is %s, want %s", e.Seq, idOf(t, e), want)
				}
			}
		})
	}
}

func TestReadEndsEarly(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 3000)...)
	stopped := errors.New("enough")
	seen := 0
	err := j.Read(soon(t), 1, 0, "", func(Entry) error {
		if seen++; seen == 10 {
			return stopped
		}
		return nil
	})
	if err != stopped || seen != 10 {
		t.Errorf("read = %v after %d entries, want the handler's own error after 10", err, seen)
	}
	ctx, cancel := context.WithCancel(soon(t))
	err = j.Read(ctx, 1, 0, "", func(Entry) error { cancel(); return nil })
	if err != nil && !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled read = %v", err)
	}
	if err := j.Read(ctx, 1, 0, "", func(Entry) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("read with a context that is over = %v", err)
	}
}

// Readers leave nothing behind on the server.
func TestReadersAreForgotten(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 10)...)
	for range 5 {
		if err := j.Read(soon(t), 1, 0, "", func(Entry) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	s, err := js.Stream(soon(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if n := s.CachedInfo().State.Consumers; n != 0 {
		t.Errorf("%d consumers are left", n)
	}
}

func TestRestartKeepsTheJournal(t *testing.T) {
	dir := t.TempDir()
	first := serve(t, dir, server.RANDOM_PORT)
	js := dial(t, "", nats.InProcessServer(first))
	before := open(t, js, Options{Log: noLog})
	publish(t, before, moves(1, 500)...)
	js.Conn().Close()
	stop(first)

	second := serve(t, dir, server.RANDOM_PORT)
	t.Cleanup(func() { stop(second) })
	j := open(t, dial(t, "", nats.InProcessServer(second)), Options{Log: noLog})
	publish(t, j, moves(501, 510)...)
	var got []Entry
	if err := j.Read(soon(t), 1, 0, "", keep(&got)); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, e := range got {
		ids = append(ids, idOf(t, e))
	}
	if !j.Created().Equal(before.Created()) || j.Created().IsZero() {
		t.Errorf("made at %s before the restart and at %s after it", before.Created(), j.Created())
	}
	if len(ids) != 510 || !slices.IsSorted(ids) || !strings.HasSuffix(ids[509], "510") {
		t.Errorf("%d entries after the restart, sorted %t", len(ids), slices.IsSorted(ids))
	}
}
