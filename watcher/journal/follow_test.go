package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// follower runs Follow and checks what every follower may rely on: sequences
// rise by one, and an entry is the event that was published there.
type follower struct {
	cancel context.CancelFunc
	ended  chan error

	mu      sync.Mutex
	seqs    []uint64
	ids     []string
	largest int // batch
}

func follow(t *testing.T, j *Journal, after uint64) *follower {
	t.Helper()
	ctx, cancel := context.WithCancel(soon(t))
	f := &follower{cancel: cancel, ended: make(chan error, 1)}
	go func() { f.ended <- j.Follow(ctx, after, func(b []Entry) error { return f.take(t, b) }) }()
	return f
}

func (f *follower) take(t *testing.T, batch []Entry) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.largest = max(f.largest, len(batch))
	for _, e := range batch {
		f.seqs = append(f.seqs, e.Seq)
		f.ids = append(f.ids, idOf(t, e))
	}
	return nil
}

func (f *follower) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.seqs)
}

// end stops the follower and waits for it.
func (f *follower) end(t *testing.T) {
	t.Helper()
	f.cancel()
	if err := <-f.ended; err != nil {
		t.Errorf("follow ended with %v", err)
	}
}

// wantAll checks that the follower got every sequence from first to last once
// and in order.
func (f *follower) wantAll(t *testing.T, first, last uint64) {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.seqs) != int(last-first+1) {
		t.Errorf("%d entries, want %d", len(f.seqs), last-first+1)
	}
	for i, seq := range f.seqs {
		if seq != first+uint64(i) {
			t.Fatalf("entry %d has sequence %d, want %d", i, seq, first+uint64(i))
		}
	}
}

func TestFollowFromTheBeginningAndLive(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 5000)...)
	f := follow(t, j, 0)
	publish(t, j, moves(5001, 5500)...)
	until(t, "all is there", func() bool { return f.count() >= 5500 })
	for i := 5501; i <= 5510; i++ { // one at a time on a quiet floor
		publish(t, j, moved(i))
		until(t, "the next one is there", func() bool { return f.count() == i })
	}
	f.end(t)
	f.wantAll(t, 1, 5510)
	if !slices.IsSorted(f.ids) || f.ids[5509] != moved(5510).ID {
		t.Error("the events are not those that were published")
	}
	if f.largest < 2 || f.largest > overLine.entries {
		t.Errorf("largest batch = %d, want 2 to %d", f.largest, overLine.entries)
	}
}

func TestFollowAfter(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 20)...)
	for _, after := range []uint64{7, 19, 20} {
		f := follow(t, j, after)
		until(t, "the rest is there", func() bool { return f.count() == int(20-after) })
		f.end(t)
		f.wantAll(t, after+1, 20)
	}
}

func TestFollowEndsWithTheHandlersError(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 100)...)
	stopped := errors.New("enough")
	if err := j.Follow(soon(t), 0, func([]Entry) error { return stopped }); err != stopped {
		t.Errorf("follow = %v, want the handler's own error", err)
	}
}

// A handler may take its time: the server waits, and nothing starts again.
func TestFollowWithASlowHandler(t *testing.T) {
	var log lockedBuffer
	j, _ := start(t, Options{Log: zerolog.New(&log)})
	publish(t, j, moves(1, 9000)...)
	slept := false
	seen := uint64(0)
	ctx, cancel := context.WithCancel(soon(t))
	defer cancel()
	err := j.Follow(ctx, 0, func(b []Entry) error {
		if !slept {
			slept = true
			time.Sleep(2*pullHeartbeat + time.Second)
		}
		for _, e := range b {
			if e.Seq != seen+1 {
				return fmt.Errorf("entry %d after %d", e.Seq, seen)
			}
			seen = e.Seq
		}
		if seen == 9000 {
			cancel()
		}
		return nil
	})
	if err != nil || seen != 9000 {
		t.Errorf("follow = %v after %d entries", err, seen)
	}
	if log.String() != "" {
		t.Errorf("logged %s", log.String())
	}
}

// lockedBuffer is a log that may be read while it is written.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// The server goes away and comes back several times, under a publisher and two
// followers, one of which starts late.
func TestFollowAcrossServerRestarts(t *testing.T) {
	dir := t.TempDir()
	srv := serve(t, dir, server.RANDOM_PORT)
	port := portOf(srv)
	url := srv.ClientURL()
	j := open(t, dial(t, url), Options{Log: noLog})
	first := follow(t, j, 0)

	const total, step = 4000, 20
	published := make(chan error, 1)
	progress := make(chan int, total)
	go func() {
		for i := 1; i <= total; i += step {
			if err := j.Publish(soon(t), moves(i, i+step-1)...); err != nil {
				published <- err
				return
			}
			progress <- i + step - 1
		}
		published <- nil
	}()
	for range 3 {
		for n := 0; n < total/5/step; n++ {
			<-progress
		}
		stop(srv)
		srv = serve(t, dir, port)
	}
	second := follow(t, j, 0)
	if err := <-published; err != nil {
		t.Fatalf("publish: %v", err)
	}
	defer func() { stop(srv) }()
	var last uint64
	until(t, "the journal answers", func() bool {
		var err error
		last, err = j.Last(soon(t))
		return err == nil
	})
	for _, f := range []*follower{first, second} {
		until(t, "all is there", func() bool { return f.count() >= int(last) })
		f.end(t)
		f.wantAll(t, 1, last)
	}
	// A retry may have stored an event twice. None may be missing.
	ids := slices.Compact(slices.Sorted(slices.Values(first.ids)))
	if len(ids) != total {
		t.Errorf("%d different events, want %d", len(ids), total)
	}
	t.Logf("%d entries for %d events", last, total)
}

// proxy stands between a client and its server. It can swallow what the server
// sends and cut the connections.
type proxy struct {
	listener net.Listener
	target   string
	wg       sync.WaitGroup

	mu      sync.Mutex
	conns   []net.Conn
	swallow bool
}

func newProxy(t *testing.T, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: l, target: target}
	p.wg.Go(p.accept)
	t.Cleanup(func() {
		l.Close()
		p.cut()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) url() string { return "nats://" + p.listener.Addr().String() }

func (p *proxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		srv, err := net.Dial("tcp", p.target)
		if err != nil {
			client.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, client, srv)
		p.mu.Unlock()
		p.wg.Go(func() { _, _ = io.Copy(srv, client); srv.Close() })
		p.wg.Go(func() { _, _ = io.Copy(p.toClient(client), srv); client.Close() })
	}
}

// toClient writes to the client unless the proxy swallows.
func (p *proxy) toClient(client net.Conn) io.Writer {
	return writerFunc(func(b []byte) (int, error) {
		p.mu.Lock()
		swallow := p.swallow
		p.mu.Unlock()
		if swallow {
			return len(b), nil
		}
		return client.Write(b)
	})
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

func (p *proxy) setSwallow(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.swallow = on
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// The network fails again and again while the follower is far behind.
func TestFollowAcrossCutConnections(t *testing.T) {
	srv := serve(t, t.TempDir(), server.RANDOM_PORT)
	t.Cleanup(func() { stop(srv) })
	direct := open(t, dial(t, "", nats.InProcessServer(srv)), Options{Log: noLog})
	const total = 12000
	publish(t, direct, moves(1, total)...)

	p := newProxy(t, srv.Addr().String())
	var log lockedBuffer
	j := open(t, dial(t, p.url()), Options{Log: zerolog.New(&log)})
	f := follow(t, j, 0)
	for cuts := 1; cuts <= 4; cuts++ {
		until(t, "some have come", func() bool { return f.count() > cuts*total/8 })
		p.cut()
	}
	until(t, "all is there", func() bool { return f.count() >= total })
	f.end(t)
	f.wantAll(t, 1, total)
	if !strings.Contains(log.String(), "interrupted") {
		t.Error("no cut hit the follower: the test shows nothing")
	}
}

// The last entries are lost on the way together with the connection. No later
// entry shows the loss.
func TestFollowRecoversALostTail(t *testing.T) {
	srv := serve(t, t.TempDir(), server.RANDOM_PORT)
	t.Cleanup(func() { stop(srv) })
	direct := open(t, dial(t, "", nats.InProcessServer(srv)), Options{Log: noLog})
	publish(t, direct, moves(1, 10)...)

	p := newProxy(t, srv.Addr().String())
	f := follow(t, open(t, dial(t, p.url()), Options{Log: noLog}), 0)
	until(t, "the first are there", func() bool { return f.count() == 10 })
	p.setSwallow(true)
	publish(t, direct, moves(11, 13)...)
	until(t, "the server has sent them", func() bool {
		for info := range direct.stream.ListConsumers(soon(t)).Info() {
			if info.Delivered.Stream != 13 {
				return false
			}
		}
		return true
	})
	p.cut()
	p.setSwallow(false)
	until(t, "they have come after all", func() bool { return f.count() == 13 })
	f.end(t)
	f.wantAll(t, 1, 13)
}

// holed makes a stream with entries 1 to n that lacks some of them, and opens
// it as a journal. Only before it is one can anything be deleted.
func holed(t *testing.T, o Options, n int, lost ...uint64) *Journal {
	t.Helper()
	srv := serve(t, t.TempDir(), server.RANDOM_PORT)
	t.Cleanup(func() { stop(srv) })
	js := dial(t, "", nats.InProcessServer(srv))
	s, err := js.CreateStream(soon(t), jetstream.StreamConfig{Name: StreamName, Subjects: []string{"floor.>"}})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, &Journal{out: js, log: noLog}, moves(1, n)...)
	for _, seq := range lost {
		if err := s.DeleteMsg(soon(t), seq); err != nil {
			t.Fatal(err)
		}
	}
	return open(t, js, o)
}

func TestFollowReportsGaps(t *testing.T) {
	var log lockedBuffer
	var order []string // gaps and entries as they came
	var mu sync.Mutex
	note := func(format string, v ...any) {
		mu.Lock()
		defer mu.Unlock()
		order = append(order, fmt.Sprintf(format, v...))
	}
	j := holed(t, Options{
		Log: zerolog.New(&log),
		Gap: func(first, last uint64) { note("gap %d-%d", first, last) },
	}, 10, 1, 2, 5, 8, 9)

	tests := []struct {
		after uint64
		want  string
	}{
		{0, "3 4 gap 5-5 6 7 gap 8-9 10"}, // a beginning that is gone is no gap to a newcomer
		{1, "gap 2-2 3 4 gap 5-5 6 7 gap 8-9 10"},
		{7, "gap 8-9 10"},
		{9, "10"},
	}
	for _, tt := range tests {
		order = nil
		ctx, cancel := context.WithCancel(soon(t))
		err := j.Follow(ctx, tt.after, func(b []Entry) error {
			for _, e := range b {
				note("%d", e.Seq)
				if e.Seq == 10 {
					cancel()
				}
			}
			return nil
		})
		cancel()
		if got := strings.Join(order, " "); err != nil || got != tt.want {
			t.Errorf("after %d: %s, %v; want %s", tt.after, got, err, tt.want)
		}
	}
	for _, want := range []string{"journal entries are missing", `"first":8,"last":9`, "the journal begins here"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("log lacks %q:\n%s", want, log.String())
		}
	}
}

// A newcomer must learn at once that everything it missed is gone, not only
// when the next entry comes.
func TestFollowReportsAnEmptiedJournal(t *testing.T) {
	gaps := make(chan [2]uint64, 10)
	j := holed(t, Options{Log: noLog, Gap: func(first, last uint64) { gaps <- [2]uint64{first, last} }}, 5, 1, 2, 3, 4, 5)
	f := follow(t, j, 2)
	select {
	case got := <-gaps:
		if got != [2]uint64{3, 5} {
			t.Errorf("gap = %v, want 3 to 5", got)
		}
	case <-soon(t).Done():
		t.Error("no gap was reported")
	}
	publish(t, j, moved(6))
	until(t, "the next entry is there", func() bool { return f.count() == 1 })
	f.end(t)
	f.wantAll(t, 6, 6)
}

// A consumer that starts after the end of its stream simply waits, and would
// skip what is stored before it gets there.
func TestFollowNoticesAnotherJournal(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 5)...)
	nothing := func([]Entry) error { return nil }

	err := j.Follow(soon(t), 6, nothing)
	if !errors.Is(err, ErrReplaced) {
		t.Errorf("a start after the end: %v, want ErrReplaced", err)
	}
	wantError(t, err, "ends at entry 5", "entry 6 was read before")

	if err := js.DeleteStream(soon(t), StreamName); err != nil {
		t.Fatal(err)
	}
	err = j.Follow(soon(t), 5, nothing)
	if !errors.Is(err, ErrReplaced) {
		t.Errorf("no stream: %v, want ErrReplaced", err)
	}
	wantError(t, err, "its stream is gone")

	publish(t, open(t, js, Options{Log: noLog}), moves(1, 9)...)
	err = j.Follow(soon(t), 5, nothing)
	if !errors.Is(err, ErrReplaced) {
		t.Errorf("another stream of the same name: %v, want ErrReplaced", err)
	}
	wantError(t, err, "its stream was made again")
}

// While a follower runs, the stream is removed and made again.
func TestFollowNoticesAReplacementWhileItRuns(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 5)...)
	f := follow(t, j, 0)
	until(t, "the first are there", func() bool { return f.count() == 5 })
	if err := js.DeleteStream(soon(t), StreamName); err != nil {
		t.Fatal(err)
	}
	publish(t, open(t, js, Options{Log: noLog}), moves(1, 9)...)
	select {
	case err := <-f.ended:
		if !errors.Is(err, ErrReplaced) {
			t.Errorf("follow = %v, want ErrReplaced", err)
		}
	case <-soon(t).Done():
		t.Error("the follower did not notice")
	}
	f.cancel()
}

func TestFollowEndsWhenTheConnectionIsClosed(t *testing.T) {
	j, js := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 5)...)
	f := follow(t, j, 0)
	until(t, "the first are there", func() bool { return f.count() == 5 })
	js.Conn().Close()
	select {
	case err := <-f.ended:
		if !errors.Is(err, nats.ErrConnectionClosed) {
			t.Errorf("follow = %v, want the closed connection", err)
		}
	case <-soon(t).Done():
		t.Error("the follower did not end")
	}
	f.cancel()
}

// The operator puts an older copy of the store back. The stream is the same,
// but its end is not.
func TestFollowNoticesAnOlderCopy(t *testing.T) {
	dir, old := t.TempDir(), t.TempDir()
	srv := serve(t, dir, server.RANDOM_PORT)
	port := portOf(srv)
	j := open(t, dial(t, srv.ClientURL()), Options{Log: noLog})
	publish(t, j, moves(1, 5)...)
	stop(srv)
	if err := os.CopyFS(old, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}

	srv = serve(t, dir, port)
	publish(t, j, moves(6, 9)...)
	f := follow(t, j, 0)
	until(t, "all is there", func() bool { return f.count() == 9 })
	stop(srv)
	srv = serve(t, old, port)
	defer func() { stop(srv) }()
	select {
	case err := <-f.ended:
		if !errors.Is(err, ErrReplaced) {
			t.Errorf("follow = %v, want ErrReplaced", err)
		}
	case <-soon(t).Done():
		t.Error("the follower did not notice")
	}
	f.cancel()
}

// delivery is a message with no more than its place in the journal.
type delivery struct {
	jetstream.Msg
	seq jetstream.SequencePair
}

func (d delivery) Metadata() (*jetstream.MsgMetadata, error) {
	return &jetstream.MsgMetadata{Sequence: d.seq, NumPending: 1}, nil
}
func (d delivery) Subject() string      { return moved(1).Subject() }
func (d delivery) Headers() nats.Header { return nil }
func (d delivery) Data() []byte         { return nil }

// A jump in the consumer's own sequence is a loss on the way, and no gap in the
// journal (NATS ADR-17).
func TestTakeTellsALossFromAGap(t *testing.T) {
	var gaps, batches []string
	r := &reader{j: &Journal{log: noLog}, whole: true, last: 10,
		gap:    func(first, last uint64) { gaps = append(gaps, fmt.Sprintf("%d-%d", first, last)) },
		handle: func(b []Entry) error { batches = append(batches, fmt.Sprintf("%d+%d", b[0].Seq, len(b))); return nil },
	}
	for i, stream := range []uint64{11, 12, 15} {
		at := uint64(i) + 1
		if _, err := r.take(delivery{seq: jetstream.SequencePair{Consumer: at, Stream: stream}}, at); err != nil {
			t.Fatalf("entry %d: %v", stream, err)
		}
	}
	if _, err := r.take(delivery{seq: jetstream.SequencePair{Consumer: 5, Stream: 17}}, 4); !errors.Is(err, errDelivery) {
		t.Errorf("delivery 5 in place of 4: %v, want errDelivery", err)
	}
	if fmt.Sprint(gaps, batches, len(r.batch)) != "[13-14] [11+2] 1" {
		t.Errorf("gaps %v, batches %v, %d waiting", gaps, batches, len(r.batch))
	}
}

// However much is waiting, nothing is handed over once the context has ended.
func TestFollowEndsAtOnce(t *testing.T) {
	j, _ := start(t, Options{Log: noLog})
	publish(t, j, moves(1, 9000)...)
	ctx, cancel := context.WithCancel(soon(t))
	calls := 0
	err := j.Follow(ctx, 0, func([]Entry) error {
		calls++
		cancel()
		return nil
	})
	if err != nil || calls != 1 {
		t.Errorf("follow = %v after %d batches, want nil after 1", err, calls)
	}
}
