package web_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"rollwarden/metrics/web"
)

// pipes listens in memory, so that a test's clock is the network's too.
type pipes struct {
	conns chan net.Conn
	once  sync.Once
	done  chan struct{}
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), done: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { p.once.Do(func() { close(p.done) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{} }
func (p *pipes) dial(context.Context, string, string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case p.conns <- theirs:
		return ours, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

// stage is a hub behind a real server with the limits of the watch's own.
type stage struct {
	t      *testing.T
	hub    *web.Hub
	client *http.Client
	text   atomic.Pointer[string] // what the one part shows
	paints atomic.Int64
	ready  atomic.Bool
	fail   atomic.Int64 // 1 fails, 2 panics
	told   atomic.Int64 // how often the page was said to have failed
	takes  atomic.Int64 // how long a painting takes, in ns
	end    func()
}

func newStage(t *testing.T, streams int) *stage {
	s := &stage{t: t}
	s.show("one")
	s.ready.Store(true)
	s.hub = web.NewHub(web.HubOptions{
		Kit: kit(t, web.Options{}), Streams: streams,
		Pulse:  func() web.Pulse { return web.Pulse{Ready: s.ready.Load()} },
		Failed: func(web.Audience, error) { s.told.Add(1) },
	})
	s.hub.Paint("board", func(a web.Audience) ([]web.Part, error) {
		s.paints.Add(1)
		time.Sleep(time.Duration(s.takes.Load()))
		switch s.fail.Load() {
		case 1:
			return nil, errors.New("no paint")
		case 2:
			panic("a pot fell over")
		}
		return []web.Part{{ID: "still", HTML: []byte("<p>" + a.Lang + "</p>")}, {ID: "moving", HTML: []byte(*s.text.Load())}}, nil
	})
	ctx, cancel := context.WithCancel(context.Background())
	mux := http.NewServeMux()
	mux.Handle("/stream", s.hub)
	server := &http.Server{Handler: mux, ReadTimeout: 5 * time.Second, WriteTimeout: 5 * time.Second}
	listener := newPipes()
	var running sync.WaitGroup
	running.Go(func() { s.hub.Run(ctx) })
	running.Go(func() { server.Serve(listener) })
	s.client = &http.Client{Transport: &http.Transport{DialContext: listener.dial, DisableKeepAlives: true}}
	s.end = func() {
		cancel()
		if err := server.Shutdown(context.Background()); err != nil {
			t.Errorf("the streams do not end with the hub: %v", err)
		}
		running.Wait()
	}
	return s
}

func (s *stage) show(text string) { s.text.Store(&text) }

// listen opens a stream and collects its lines of data by event.
func (s *stage) listen(query string) *listener {
	s.t.Helper()
	response, err := s.client.Get("http://watch/stream?" + query)
	if err != nil {
		s.t.Fatal(err)
	}
	if response.StatusCode != http.StatusOK || response.Header.Get("Content-Type") != "text/event-stream" {
		s.t.Fatalf("got %s, %s", response.Status, response.Header.Get("Content-Type"))
	}
	l := &listener{body: response.Body, ended: make(chan struct{})}
	go l.read()
	return l
}

type listener struct {
	body  io.ReadCloser
	ended chan struct{}
	mu    sync.Mutex
	lines []string // "part {…}"
}

func (l *listener) read() {
	defer close(l.ended)
	name := ""
	for lines := bufio.NewScanner(l.body); lines.Scan(); {
		if field, value, _ := strings.Cut(lines.Text(), ": "); field == "event" {
			name = value
		} else if field == "data" {
			l.mu.Lock()
			l.lines = append(l.lines, name+" "+value)
			l.mu.Unlock()
		}
	}
}

// take returns what came since the last take, without the beats.
func (l *listener) take() (news []string, beats int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range l.lines {
		if strings.HasPrefix(line, "beat ") {
			beats++
		} else {
			news = append(news, line)
		}
	}
	l.lines = nil
	return news, beats
}

// TestOnePaintingForAll paints once for many readers, sends only what changed,
// and goes on for longer than the server's limits on a request.
func TestOnePaintingForAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 20)
		defer s.end()
		var readers []*listener
		for range 20 {
			readers = append(readers, s.listen("page=board&lang=de"))
		}
		time.Sleep(time.Second)
		for _, r := range readers {
			if news, _ := r.take(); len(news) != 3 || !strings.HasPrefix(news[0], `shape {"ids":["still","moving"]`) || news[1] != `part {"id":"still","html":"<p>de</p>"}` {
				t.Fatalf("at first a reader got %q, want the shape and both parts", news)
			}
		}
		before := s.paints.Load()
		s.show("two")
		for range 50 {
			s.hub.Changed()
		}
		time.Sleep(time.Second)
		if got := s.paints.Load() - before; got < 1 || got > 2 {
			t.Errorf("50 changes at once were painted %d times for 20 readers, want once or twice", got)
		}
		for _, r := range readers {
			if news, _ := r.take(); !slices.Equal(news, []string{`part {"id":"moving","html":"two"}`}) {
				t.Errorf("a reader got %q, want only the part that changed", news)
			}
		}
		time.Sleep(time.Minute)
		for _, r := range readers {
			if news, beats := r.take(); len(news) != 0 || beats < 29 {
				t.Errorf("in a quiet minute a reader got %q and %d beats, want nothing and 30", news, beats)
			}
		}
	})
}

// TestPaintingIsBounded paints at most ten times a second, and the last state
// always.
func TestPaintingIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		r := s.listen("page=board")
		time.Sleep(time.Second)
		before := s.paints.Load()
		for i := range 500 {
			s.show(fmt.Sprint("n", i))
			s.hub.Changed()
			time.Sleep(2 * time.Millisecond)
		}
		time.Sleep(time.Second)
		if got := s.paints.Load() - before; got < 5 || got > 12 {
			t.Errorf("500 changes in a second were painted %d times, want about 10", got)
		}
		if news, _ := r.take(); news[len(news)-1] != `part {"id":"moving","html":"n499"}` {
			t.Errorf("the last state came as %q", news[len(news)-1])
		}
	})
}

// TestSlowReader gets the newest state when it reads again, and nothing of what
// was in between, while another reader is not held up.
func TestSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 2)
		defer s.end()
		response, err := s.client.Get("http://watch/stream?page=board")
		if err != nil {
			t.Fatal(err)
		}
		quick := s.listen("page=board")
		time.Sleep(time.Second)
		quick.take()
		for i := range 8 { // for less than the limit on a write
			s.show(fmt.Sprint("n", i))
			s.hub.Changed()
			time.Sleep(time.Second)
		}
		if news, _ := quick.take(); len(news) != 8 {
			t.Errorf("the quick reader got %d changes, want 8", len(news))
		}
		slow := &listener{body: response.Body, ended: make(chan struct{})}
		go slow.read()
		time.Sleep(time.Second)
		news, _ := slow.take()
		if n := len(news); n > 5 || !strings.Contains(news[n-1], "n7") || slices.ContainsFunc(news, func(l string) bool { return strings.Contains(l, "n5") }) {
			t.Errorf("the slow reader got %q, want what was under way and then only the newest", news)
		}
	})
}

// TestDeadReader gives a place up when its reader takes nothing any more.
func TestDeadReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		dead, err := s.client.Get("http://watch/stream?page=board")
		if err != nil {
			t.Fatal(err)
		}
		defer dead.Body.Close()
		refused, err := s.client.Get("http://watch/stream?page=board")
		if err != nil {
			t.Fatal(err)
		}
		refused.Body.Close()
		if refused.StatusCode != http.StatusServiceUnavailable || refused.Header.Get("Retry-After") == "" {
			t.Errorf("with every place taken: got %s", refused.Status)
		}
		time.Sleep(30 * time.Second)
		s.listen("page=board")
	})
}

// TestNobodyReads paints nothing while nobody reads, and again for the next.
func TestNobodyReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		r := s.listen("page=board")
		time.Sleep(time.Second)
		r.body.Close()
		<-r.ended
		time.Sleep(3 * time.Second)
		before := s.paints.Load()
		for range 10 {
			s.hub.Changed()
			time.Sleep(time.Second)
		}
		if got := s.paints.Load() - before; got != 0 {
			t.Errorf("painted %d times for nobody", got)
		}
		again := s.listen("page=board&lang=xx")
		time.Sleep(time.Second)
		if news, _ := again.take(); len(news) != 3 || !strings.Contains(news[1], "<p>en</p>") {
			t.Errorf("the next reader got %q", news)
		}
	})
}

// TestBeatSaysTrouble tells a reader that the journal is away, or that its page
// could not be made; what it has then stays as it was.
func TestBeatSaysTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		r := s.listen("page=board")
		last := func() string {
			time.Sleep(5 * time.Second)
			r.mu.Lock()
			defer r.mu.Unlock()
			return r.lines[len(r.lines)-1]
		}
		if got := last(); !strings.HasPrefix(got, `beat {"now":`) || !strings.HasSuffix(got, `"ready":true}`) {
			t.Errorf("all is well, and the beat says %s", got)
		}
		s.ready.Store(false)
		if got := last(); !strings.HasSuffix(got, `"ready":false}`) {
			t.Errorf("the journal is away, and the beat says %s", got)
		}
		s.ready.Store(true)
		for how := range int64(2) {
			s.fail.Store(how + 1)
			s.hub.Changed()
			if got := last(); !strings.HasSuffix(got, `"ready":false}`) {
				t.Errorf("the page cannot be made, and the beat says %s", got)
			}
		}
		s.fail.Store(0)
		s.hub.Changed()
		if got := last(); !strings.HasSuffix(got, `"ready":true}`) {
			t.Errorf("all is well again, and the beat says %s", got)
		}
	})
}

// TestNoBeatBeforeThePage sends no beat to a page that nobody has painted yet: it
// would say that what a browser has is the whole of the newest state.
func TestNoBeatBeforeThePage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 40)
		defer s.end()
		s.listen("page=board&lang=en")
		s.takes.Store(int64(10 * time.Millisecond))
		for range 20 { // which of the two comes first is left to chance
			time.Sleep(1950 * time.Millisecond)
			s.hub.Changed() // so that the hub rests while the beat comes due
			time.Sleep(40 * time.Millisecond)
			r := s.listen("page=board&lang=de")
			time.Sleep(1010 * time.Millisecond)
			r.mu.Lock()
			if !strings.HasPrefix(r.lines[0], "shape ") {
				t.Errorf("a new reader first got %q, want what its page is made of", r.lines[0])
			}
			r.mu.Unlock()
			r.body.Close()
			<-r.ended
			time.Sleep(time.Second)
		}
	})
}

// TestPaintingRests leaves the watch its processor: painting takes a fifth of one
// at most, however many views there are.
func TestPaintingRests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		s.listen("page=board")
		time.Sleep(time.Second)
		s.takes.Store(int64(200 * time.Millisecond))
		before := s.paints.Load()
		for range 1000 {
			s.hub.Changed()
			time.Sleep(10 * time.Millisecond)
		}
		if got := s.paints.Load() - before; got < 8 || got > 11 {
			t.Errorf("in 10 s a page that takes 0.2 s was painted %d times, want about 10", got)
		}
	})
}

// TestBeatsWhileBusy lets no page go without a beat for as long as its script takes
// for the watch's being away, 6 s, however much there is to paint: not while the
// hub rests, nor while others are painted.
func TestBeatsWhileBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 2)
		defer s.end()
		all := []*listener{s.listen("page=board&lang=en"), s.listen("page=board&lang=de")}
		time.Sleep(time.Second)
		s.takes.Store(int64(3 * time.Second))
		heard := []time.Time{time.Now(), time.Now()}
		for range 1200 {
			s.hub.Changed()
			time.Sleep(100 * time.Millisecond)
			for i, l := range all {
				if _, beats := l.take(); beats > 0 {
					heard[i] = time.Now()
				} else if silent := time.Since(heard[i]); silent >= 6*time.Second {
					t.Fatalf("page %d heard nothing for %s", i, silent)
				}
			}
		}
	})
}

// TestNewPageNeedNotWait paints a page that nobody has read so far while the hub
// rests from painting the others, which may be for longer than the 6 s after which
// its script takes the watch for away.
func TestNewPageNeedNotWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 2)
		defer s.end()
		s.takes.Store(int64(1600 * time.Millisecond))
		s.listen("page=board&lang=en")
		time.Sleep(1700 * time.Millisecond)
		before := s.paints.Load()
		other := s.listen("page=board&lang=de")
		time.Sleep(1700 * time.Millisecond)
		if news, beats := other.take(); len(news) != 3 || beats == 0 {
			t.Errorf("after 1.7 s a new page got %q and %d beats", news, beats)
		}
		if got := s.paints.Load() - before; got != 1 {
			t.Errorf("for a new page %d were painted, want that one alone", got)
		}
	})
}

// TestFailureIsToldOnce tells of a page when it breaks, and not again with each
// painting until it was whole in between.
func TestFailureIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		s.listen("page=board")
		for round := range int64(2) {
			s.fail.Store(1)
			for range 50 {
				s.hub.Changed()
				time.Sleep(200 * time.Millisecond)
			}
			if got := s.told.Load(); got != round+1 {
				t.Errorf("a page that broke %d times was told of %d times", round+1, got)
			}
			s.fail.Store(0)
			s.hub.Changed()
			time.Sleep(time.Second)
		}
	})
}

func TestUnknownPage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStage(t, 1)
		defer s.end()
		response, err := s.client.Get("http://watch/stream?page=nothing")
		if err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		if response.StatusCode != http.StatusNotFound {
			t.Errorf("got %s, want 404", response.Status)
		}
	})
}

// TestMain wants every goroutine to have ended with its test.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// BenchmarkPages keeps 500 pages of three audiences open on one hub, over TCP,
// and reports how long a change takes to the last of them, and how much memory a
// page takes with its connection (both ends of it, since they share the process).
func BenchmarkPages(b *testing.B) {
	const pages = 500
	text := atomic.Pointer[string]{}
	show := func(n int) { s := fmt.Sprintf("<p>n%d %s</p>", n, strings.Repeat("x", 4000)); text.Store(&s) }
	show(0)
	kit, err := web.New(web.Options{})
	if err != nil {
		b.Fatal(err)
	}
	hub := web.NewHub(web.HubOptions{Kit: kit, Streams: pages, Pulse: func() web.Pulse { return web.Pulse{Ready: true} }})
	for _, name := range []string{"a", "b", "c"} {
		hub.Paint(name, func(web.Audience) ([]web.Part, error) {
			return []web.Part{{ID: "still", HTML: []byte(strings.Repeat("y", 20000))}, {ID: "moving", HTML: []byte(*text.Load())}}, nil
		})
	}
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() { hub.Run(ctx) })
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	server := &http.Server{Handler: hub}
	all.Go(func() { server.Serve(listener) })
	defer func() { cancel(); server.Close(); all.Wait() }()

	seen := make(chan time.Time, 2*pages)
	var waitFor atomic.Pointer[string]
	before := memory()
	for i := range pages {
		c, err := net.Dial("tcp", listener.Addr().String())
		if err != nil {
			b.Fatal(err)
		}
		fmt.Fprintf(c, "GET /stream?page=%c HTTP/1.1\r\nHost: watch\r\n\r\n", 'a'+i%3)
		all.Go(func() {
			buffer := make([]byte, 8192)
			for tail := ""; ; {
				n, err := c.Read(buffer)
				if err != nil {
					return
				}
				data := tail + string(buffer[:n])
				if w := waitFor.Load(); w != nil && strings.Contains(data, *w) {
					seen <- time.Now()
				}
				tail = data[max(0, len(data)-20):]
			}
		})
	}
	time.Sleep(time.Second)
	perPage := float64(memory()-before) / pages
	var took []time.Duration
	for n := 1; b.Loop(); n++ {
		want := fmt.Sprintf("n%d ", n)
		waitFor.Store(&want)
		show(n)
		start := time.Now()
		hub.Changed()
		for range pages {
			took = append(took, (<-seen).Sub(start))
		}
		time.Sleep(150 * time.Millisecond) // longer than the hub rests
		for len(seen) > 0 {
			<-seen
		}
	}
	slices.Sort(took)
	b.ReportMetric(perPage, "B/page")
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
}

// memory is what heap and stacks take after a collection.
func memory() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse + m.StackInuse
}
