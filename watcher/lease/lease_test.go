package lease

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"
)

// shareOf is an address of NATS at which this test program plays a daemon that
// holds a share, for tests that stop a whole process.
const shareOf = "LEASE_TEST_NATS"

func TestMain(m *testing.M) {
	if url := os.Getenv(shareOf); url != "" {
		playDaemon(url)
		return
	}
	goleak.VerifyTestMain(m)
}

// shortTTL keeps the tests short; it is the shortest that is allowed.
const shortTTL = time.Second

func serve(t *testing.T) string { return serveOn(t, t.TempDir(), server.RANDOM_PORT).ClientURL() }

func serveOn(t *testing.T, dir string, port int) *server.Server {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: dir, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	return s
}

func dial(url string) (jetstream.JetStream, error) {
	c, err := nats.Connect(url, nats.MaxReconnects(-1), nats.ReconnectWait(20*time.Millisecond))
	if err != nil {
		return nil, err
	}
	return jetstream.New(c)
}

// daemon is one that a test started.
type daemon struct {
	t     *testing.T
	name  string
	table *Table
	conn  *nats.Conn
	stop  func()
	ended chan error

	mu   sync.Mutex
	held []int
}

// ring says of each share how many work on it at this moment.
type ring struct {
	t      *testing.T
	works  [8]atomic.Int32
	worked [8]atomic.Int32 // how often one began
}

func (r *ring) start(url, name string, shares int) *daemon {
	r.t.Helper()
	js, err := dial(url)
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(r.t.Context())
	table, err := Open(ctx, js, Options{Bucket: "leases", Shares: shares, TTL: shortTTL, Me: Holder{ID: name, Name: name}, Log: zerolog.Nop()})
	if err != nil {
		r.t.Fatal(err)
	}
	d := &daemon{t: r.t, name: name, table: table, conn: js.Conn(), ended: make(chan error, 1)}
	go func() {
		d.ended <- table.Run(ctx, func(ctx context.Context, share int, held func() bool) error { return r.work(ctx, d, share, held) })
	}()
	var once sync.Once
	d.stop = func() {
		once.Do(func() {
			cancel()
			if err := <-d.ended; err != nil {
				r.t.Errorf("%s: %v", name, err)
			}
			d.conn.Close()
		})
	}
	r.t.Cleanup(d.stop)
	return d
}

// work takes note, and fails the test when two work on one share.
func (r *ring) work(ctx context.Context, d *daemon, share int, held func() bool) error {
	if n := r.works[share].Add(1); n != 1 {
		r.t.Errorf("%d daemons work on share %d", n, share)
	}
	r.worked[share].Add(1)
	d.set(share, true)
	for ctx.Err() == nil && held() {
		time.Sleep(time.Millisecond)
	}
	d.set(share, false)
	r.works[share].Add(-1)
	return nil
}

func (d *daemon) set(share int, in bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.held = slices.DeleteFunc(d.held, func(n int) bool { return n == share })
	if in {
		d.held = append(d.held, share)
	}
	slices.Sort(d.held)
}

func (d *daemon) holds() []int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.held)
}

func (d *daemon) waitFor(n int) {
	d.t.Helper()
	until(d.t, fmt.Sprintf("%s holds %d shares", d.name, n), func() bool { return len(d.holds()) == n })
}

func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited too long until %s", what)
}

// Each daemon has its part, whoever comes and goes, and no share is ever worked
// on by two.
func TestSharesAreFair(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	a := r.start(url, "a", 8)
	a.waitFor(8)
	b := r.start(url, "b", 8)
	a.waitFor(4)
	b.waitFor(4)
	c := r.start(url, "c", 8)
	until(t, "three hold 8 shares, none more than 3", func() bool {
		n := []int{len(a.holds()), len(b.holds()), len(c.holds())}
		return n[0]+n[1]+n[2] == 8 && slices.Max(n) == 3
	})
	holders := b.table.Holders()
	until(t, "b knows who holds what", func() bool {
		holders = b.table.Holders()
		return !slices.ContainsFunc(holders, func(h Holder) bool { return h.ID == "" })
	})
	for _, n := range c.holds() {
		if holders[n].Name != "c" {
			t.Errorf("b takes %q for the holder of share %d, want c", holders[n].Name, n)
		}
	}
	began := time.Now()
	c.stop()
	a.waitFor(4)
	b.waitFor(4)
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("a daemon that leaves hands over in %s", took)
	}
}

// The second of two daemons waits, and takes over when the first is gone.
func TestAStandbyWaits(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	a := r.start(url, "a", 1)
	a.waitFor(1)
	b := r.start(url, "b", 1)
	time.Sleep(2 * shortTTL)
	if len(b.holds()) != 0 || b.table.Holders()[0].Name != "a" {
		t.Fatalf("b holds %v and sees %v, want a to go on", b.holds(), b.table.Holders())
	}
	a.stop()
	b.waitFor(1)
	if n := r.worked[0].Load(); n != 2 {
		t.Errorf("the share was taken %d times, want 2", n)
	}
}

// Who cannot reach NATS has stopped before another begins.
func TestACutOffHolderStopsFirst(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	a := r.start(url, "a", 1)
	a.waitFor(1)
	b := r.start(url, "b", 1)
	a.conn.Close()
	b.waitFor(1) // work fails the test if a still works
	if len(a.holds()) != 0 {
		t.Error("a still works")
	}
}

// A copy of a daemon, as of a computer whose disk was copied, has its id and stands
// by all the same.
func TestACopyOfADaemonStandsBy(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	a := r.start(url, "a", 1)
	a.waitFor(1)
	again := r.start(url, "a", 1)
	time.Sleep(2 * shortTTL) // work fails the test if both work
	if len(a.holds()) != 1 || len(again.holds()) != 0 {
		t.Errorf("a holds %v and its copy %v", a.holds(), again.holds())
	}
}

// While NATS is away nobody is heard. Nobody is blamed for it when it is back, and
// each goes on with what it had.
func TestAnOutageIsNobodysFault(t *testing.T) {
	dir := t.TempDir()
	s := serveOn(t, dir, server.RANDOM_PORT)
	r := &ring{t: t}
	a := r.start(s.ClientURL(), "a", 8)
	a.waitFor(8)
	b := r.start(s.ClientURL(), "b", 8)
	a.waitFor(4)
	b.waitFor(4)
	had := fmt.Sprint(a.holds(), b.holds())
	port := s.Addr().(*net.TCPAddr).Port
	s.Shutdown()
	s.WaitForShutdown()
	a.waitFor(0) // their terms run out
	b.waitFor(0)
	serveOn(t, dir, port)
	a.waitFor(4)
	b.waitFor(4)
	if has := fmt.Sprint(a.holds(), b.holds()); has != had {
		t.Errorf("after the outage they hold %s, before %s", has, had)
	}
}

// A daemon that is started again with the same id does not wait for itself.
func TestARestartTakesItsOwnAtOnce(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	js, err := dial(url)
	if err != nil {
		t.Fatal(err)
	}
	defer js.Conn().Close()
	a := r.start(url, "a", 1)
	a.waitFor(1)
	a.stop()
	// As after kill -9: the rows of a stand, and of a stranger there is one too.
	kv, err := js.KeyValue(t.Context(), "leases")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Put(t.Context(), shareKey(0), a.table.row); err != nil {
		t.Fatal(err)
	}
	again := r.start(url, "a", 1)
	again.waitFor(1)
	again.stop()
	if _, err := kv.Put(t.Context(), shareKey(0), []byte("{")); err != nil {
		t.Fatal(err)
	}
	b := r.start(url, "b", 1)
	time.Sleep(shortTTL / 2)
	if len(b.holds()) != 0 {
		t.Error("a row that cannot be read counts as free")
	}
	b.waitFor(1) // nobody writes it any more
}

// A write of which the answer was lost is this daemon's all the same, and one of
// another daemon ends the term at once.
func TestWhoWroteTheRow(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	a := r.start(url, "a", 1)
	a.waitFor(1)
	kv := a.table.kv
	if _, err := kv.Put(t.Context(), shareKey(0), a.table.row); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2 * shortTTL)
	if n := r.worked[0].Load(); n != 1 || len(a.holds()) != 1 {
		t.Fatalf("the share was taken %d times and is held: %v", n, a.holds())
	}
	if _, err := kv.Put(t.Context(), shareKey(0), []byte(`{"id":"b","name":"b"}`)); err != nil {
		t.Fatal(err)
	}
	a.waitFor(0)
}

// slowTable answers each write so late.
type slowTable struct {
	jetstream.KeyValue
	after time.Duration
}

func (s slowTable) Create(context.Context, string, []byte, ...jetstream.KVCreateOpt) (uint64, error) {
	time.Sleep(s.after)
	return 1, nil
}

// A daemon that takes many shares over a slow line renews those that it has taken
// before it takes the rest.
func TestManySharesAreTakenInSeveralRounds(t *testing.T) {
	const slow = shortTTL / roundsPerTTL / 4
	table := &Table{o: Options{Shares: 100, TTL: shortTTL, Log: zerolog.Nop()}, kv: slowTable{after: slow}, seen: map[string]sighting{}, terms: map[int]*term{}}
	_, order := table.fair()
	var begun []int
	table.take(t.Context(), 100, order, func(share int, _ uint64, _ time.Time) { begun = append(begun, share) })
	if n := len(begun); n < 1 || n > 4+1 {
		t.Errorf("%d shares were taken in the time of 4", n)
	}
}

func TestTermsRunOut(t *testing.T) {
	why := make(chan error, 1)
	term := newTerm(0, 1, time.Now().Add(50*time.Millisecond), func(err error) { why <- err })
	if !term.held() {
		t.Error("it is over before its time")
	}
	if err := <-why; !errors.Is(err, ErrLost) || term.held() {
		t.Errorf("it ended with %v, and is held: %v", err, term.held())
	}
	term.extend(time.Now().Add(time.Hour))
	if term.held() {
		t.Error("a term that ran out is taken up again")
	}
	// The computer slept: the counting clock stood still, the other went on.
	now := time.Now()
	woken := now.Round(0).Add(time.Hour) // has no reading of the counting clock
	if before(woken, now.Add(time.Minute)) {
		t.Error("a computer that slept for an hour still holds a lease of a minute")
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for _, o := range []Options{{Shares: 1, TTL: time.Millisecond, Me: Holder{ID: "a"}}, {TTL: time.Minute, Me: Holder{ID: "a"}}, {Shares: 1, TTL: time.Minute}} {
		if _, err := Open(t.Context(), nil, o); err == nil || !strings.Contains(err.Error(), "want") {
			t.Errorf("%+v: got %v", o, err)
		}
	}
}

// playDaemon holds a share and says so as often as it can, each time after
// asking whether it still may. It ends with its parent.
func playDaemon(url string) {
	js, err := dial(url)
	if err != nil {
		panic(err)
	}
	table, err := Open(context.Background(), js, Options{Bucket: "leases", Shares: 1, TTL: shortTTL, Me: Holder{ID: "child", Name: "child"}, Log: zerolog.Nop()})
	if err != nil {
		panic(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		bufio.NewReader(os.Stdin).ReadByte()
		cancel()
	}()
	table.Run(ctx, func(ctx context.Context, _ int, held func() bool) error {
		for held() {
			fmt.Println(time.Now().UnixNano())
			time.Sleep(time.Millisecond)
		}
		fmt.Println("over")
		return nil
	})
}

// A process that is stopped in its tracks wakes up with its work half done, long
// after another has begun: it must not go on.
func TestASleeperDoesNotGoOn(t *testing.T) {
	url, r := serve(t), &ring{t: t}
	child := exec.CommandContext(t.Context(), os.Args[0])
	child.Env = append(os.Environ(), shareOf+"="+url)
	stdin, err := child.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer child.Wait()
	defer stdin.Close()
	lines := bufio.NewScanner(stdout)
	if !lines.Scan() {
		t.Fatal("the child does not begin")
	}
	b := r.start(url, "b", 1)
	if err := child.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	b.waitFor(1)
	taken := time.Now()
	if err := child.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	for lines.Scan() && lines.Text() != "over" {
		var at int64
		if _, err := fmt.Sscan(lines.Text(), &at); err != nil {
			t.Fatalf("%q: %v", lines.Text(), err)
		}
		if at > taken.UnixNano() {
			t.Fatalf("the sleeper went on %s after another had begun", time.Unix(0, at).Sub(taken))
		}
	}
	if lines.Text() != "over" {
		t.Error("the sleeper did not find out that its lease is over")
	}
}
