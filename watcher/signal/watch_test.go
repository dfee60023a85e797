package signal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/rules/event"
)

// floor is a NATS server that speaks MQTT, a watch on it, and a journal that keeps
// each id once.
type floor struct {
	*testing.T
	server *server.Server
	js     jetstream.JetStream
	o      Options

	mu    sync.Mutex
	byID  map[string]event.Event
	fail  func() error // before an event is kept
	after func() error // after it was
	end   func()
}

func newFloor(t *testing.T, rows ...Row) *floor {
	t.Helper()
	s, err := server.NewServer(&server.Options{
		ServerName: "floor", Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true,
		MQTT: server.MQTTOpts{Host: "127.0.0.1", Port: server.RANDOM_PORT},
	})
	check(t, err)
	s.Start()
	if !s.ReadyForConnections(30 * time.Second) {
		t.Fatal("the server is not ready")
	}
	conn, err := nats.Connect("", nats.InProcessServer(s))
	check(t, err)
	js, err := jetstream.New(conn)
	check(t, err)
	f := &floor{T: t, server: s, js: js, byID: map[string]event.Event{}}
	f.o = Options{JetStream: js, BuiltIn: true, Rows: rows, Site: "north", Place: place, Publish: f.publish, Log: zerolog.New(zerolog.NewTestWriter(t))}
	t.Cleanup(func() {
		f.stop()
		conn.Close()
		s.Shutdown()
		s.WaitForShutdown()
	})
	return f
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (f *floor) publish(_ context.Context, events ...event.Event) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, try := range []func() error{f.fail, func() error {
		for _, e := range events {
			f.byID[e.ID] = e
		}
		return nil
	}, f.after} {
		if try == nil {
			continue
		}
		if err := try(); err != nil {
			return err
		}
	}
	return nil
}

// watch starts a watch and waits until it listens to all streams.
func (f *floor) watch() {
	f.Helper()
	f.watchOf(StreamName, mqttStream)
}

// watchOf starts a watch and waits until it listens to some streams.
func (f *floor) watchOf(streams ...string) {
	f.Helper()
	ctx, cancel := context.WithCancel(f.Context())
	done := make(chan error, 1)
	go func() { done <- Watch(ctx, f.o) }()
	f.end = func() {
		cancel()
		check(f, <-done)
	}
	f.until("the watch listens", func() bool {
		for _, stream := range streams {
			c, err := f.js.Consumer(f.Context(), stream, Consumer)
			if err != nil || c.CachedInfo().NumWaiting == 0 {
				return false
			}
		}
		return true
	})
}

func (f *floor) stop() {
	if f.end != nil {
		f.end()
	}
	f.end = nil
}

func (f *floor) until(what string, ok func() bool) {
	f.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			f.Fatalf("waited too long until %s; %d events", what, f.told())
		}
	}
}

func (f *floor) told() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.byID)
}

// want waits until nothing is under way any more, and wants so many events.
func (f *floor) want(n int) {
	f.Helper()
	f.until("nothing is left to do", func() bool {
		for _, stream := range []string{StreamName, mqttStream} {
			c, err := f.js.Consumer(f.Context(), stream, Consumer)
			check(f, err)
			if i := c.CachedInfo(); i.NumPending > 0 || i.NumAckPending > 0 {
				return false
			}
		}
		return true
	})
	if got := f.told(); got != n {
		f.Errorf("want %d events, got %d", n, got)
	}
}

func (f *floor) mqttAddress() string {
	v, err := f.server.Varz(nil)
	check(f, err)
	return net.JoinHostPort("127.0.0.1", strconv.Itoa(v.MQTT.Port))
}

// client is a button: the Eclipse Paho client, which speaks MQTT 3.1.1.
func (f *floor) client() mqtt.Client {
	f.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + f.mqttAddress()).SetClientID("button").SetProtocolVersion(4).SetConnectTimeout(10 * time.Second)
	c := mqtt.NewClient(o)
	f.settled(c.Connect())
	f.Cleanup(func() { c.Disconnect(100) })
	return c
}

// settled waits for the answer of the server: for QoS 1 its PUBACK, for QoS 2 its
// PUBCOMP (MQTT 3.1.1, section 4.3).
func (f *floor) settled(token mqtt.Token) {
	f.Helper()
	if !token.WaitTimeout(20 * time.Second) {
		f.Fatal("no answer")
	}
	check(f, token.Error())
}

const topic = "kestrel/north/heron/advanced"

func TestEveryQoS(t *testing.T) {
	f := newFloor(t, advanced())
	f.watch()
	c := f.client()
	n := 0
	for _, retained := range []bool{false, true} {
		for qos := range byte(3) {
			f.settled(c.Publish(topic, qos, retained, "pressed"))
			n++
			f.until("it is told", func() bool { return f.told() == n })
		}
	}
	f.want(6)
	// A retained message is for who subscribes later (section 3.3.1.3); a watch that
	// starts again is nobody new.
	f.stop()
	f.watch()
	f.want(6)
}

// TestAcknowledgedBeforeItIsMapped: what was acknowledged while no watch runs is told
// by the next one, with QoS 0 too as long as the server itself goes on.
func TestAcknowledgedBeforeItIsMapped(t *testing.T) {
	f := newFloor(t, advanced())
	f.watch()
	f.stop()
	c, kept := f.client(), uint64(0)
	for i := range 30 {
		f.settled(c.Publish(topic, byte(i%3), false, fmt.Sprint(i)))
		if i%3 > 0 {
			kept++
		}
		// What was acknowledged is in the server's own stream by then.
		s, err := f.js.Stream(t.Context(), mqttStream)
		check(t, err)
		if got := s.CachedInfo().State.Msgs; got != kept {
			t.Fatalf("%d messages of QoS 1 and 2 were acknowledged, and %d are kept", kept, got)
		}
	}
	f.until("QoS 0 has arrived", func() bool {
		s, err := f.js.Stream(t.Context(), StreamName)
		return err == nil && s.CachedInfo().State.Msgs >= 30
	})
	f.watch()
	f.want(30)
}

// TestAcknowledgedBeforeTheFirstWatch: the first watch has a whole journal to read
// before it maps anything.
func TestAcknowledgedBeforeTheFirstWatch(t *testing.T) {
	f := newFloor(t, advanced())
	check(t, Prepare(t.Context(), f.o))
	c := f.client()
	for i := range 6 {
		f.settled(c.Publish(topic, byte(i%3), false, fmt.Sprint(i)))
	}
	f.until("QoS 0 has arrived", func() bool {
		s, err := f.js.Stream(t.Context(), StreamName)
		return err == nil && s.CachedInfo().State.Msgs >= 6
	})
	f.watch()
	f.want(6)
}

// TestAcknowledgedWithoutRoom: what was acknowledged with QoS 1 is in the server's own
// stream also when the one that listens to the topics could not take it.
func TestAcknowledgedWithoutRoom(t *testing.T) {
	f := newFloor(t, advanced())
	f.watch()
	f.stop()
	s, err := f.js.Stream(t.Context(), StreamName)
	check(t, err)
	full := s.CachedInfo().Config
	full.MaxMsgs = 1
	_, err = f.js.UpdateStream(t.Context(), full)
	check(t, err)
	c := f.client()
	for i := range 10 {
		f.settled(c.Publish(topic, 1, false, fmt.Sprint(i)))
	}
	f.watch()
	f.want(10)
}

// TestNoMoreRoom: when too many signals wait, one is not acknowledged rather than lost.
func TestNoMoreRoom(t *testing.T) {
	f := newFloor(t, advanced())
	f.watch()
	f.stop()
	s, err := f.js.Stream(t.Context(), mqttStream)
	check(t, err)
	full := s.CachedInfo().Config
	if full.MaxBytes != maxWaiting {
		t.Errorf("up to %d bytes may wait", full.MaxBytes)
	}
	full.MaxMsgs = 1
	_, err = f.js.UpdateStream(t.Context(), full)
	check(t, err)
	c, send := f.packets()
	body := append([]byte{0, byte(len(topic))}, topic...)
	body = append(body, 0, 9) // packet identifier 9
	publish := append([]byte{0x32, byte(len(body))}, body...)
	send(publish, []byte{0x40, 2, 0, 9})
	_, err = c.Write(publish)
	check(t, err)
	if n, err := c.Read(make([]byte, 1)); n > 0 || !errors.Is(err, io.EOF) {
		t.Errorf("want the connection ended and nothing acknowledged, got %d bytes, %v", n, err)
	}
	f.watch()
	f.want(1)
}

// TestTheJournalFails: a message stays until the journal has its event, and one whose
// event was stored before the failure counts once.
func TestTheJournalFails(t *testing.T) {
	f := newFloor(t, advanced())
	tries := 0
	f.fail = func() error {
		if tries++; tries == 1 {
			return errors.New("the journal is full")
		}
		return nil
	}
	f.after = func() error {
		if tries == 2 {
			return errors.New("the answer was lost")
		}
		return nil
	}
	f.watch()
	f.settled(f.client().Publish(topic, 1, false, ""))
	f.until("it was tried three times", func() bool { f.mu.Lock(); defer f.mu.Unlock(); return tries >= 3 })
	f.want(1)
}

// TestMQTTComesLater: a server of somebody else speaks MQTT only after the watch has
// begun. What waits from before the watch knew counts, once.
func TestMQTTComesLater(t *testing.T) {
	f := newFloor(t, advanced())
	f.o.BuiltIn = false
	f.watchOf(StreamName)
	c := f.client()
	f.settled(c.Publish(topic, 1, false, "1"))
	f.until("it is told", func() bool { return f.told() == 1 })
	f.stop()
	f.settled(c.Publish(topic, 1, false, "2"))
	f.until("it waits", func() bool {
		s, err := f.js.Stream(t.Context(), StreamName)
		return err == nil && s.CachedInfo().State.Msgs == 1
	})
	f.watch()
	f.settled(c.Publish(topic, 1, false, "3"))
	f.until("it is told", func() bool { return f.told() == 3 })
	f.want(3)
}

// TestPlainNATS: the same table reads subjects, with and without JetStream's
// acknowledgement.
func TestPlainNATS(t *testing.T) {
	f := newFloor(t, advanced(), humidity())
	f.watch()
	check(t, f.js.Conn().Publish("kestrel.north.heron.advanced", nil))
	ack, err := f.js.Publish(t.Context(), "kestrel.north.climate", []byte(`{"air":[{"rh":0.4,"t":68}]}`))
	check(t, err)
	if ack.Stream != StreamName {
		t.Errorf("stored in %s", ack.Stream)
	}
	f.until("both are told", func() bool { return f.told() == 2 })
	f.want(2)
}

// packets connects a client that speaks MQTT packet by packet. What is sent is
// answered as it should be, or not at all when the connection ends.
func (f *floor) packets() (c net.Conn, send func(packet, answer []byte)) {
	f.Helper()
	c, err := net.Dial("tcp", f.mqttAddress())
	check(f, err)
	f.Cleanup(func() { c.Close() })
	check(f, c.SetDeadline(time.Now().Add(20*time.Second)))
	send = func(packet, answer []byte) {
		f.Helper()
		_, err := c.Write(packet)
		check(f, err)
		got := make([]byte, len(answer))
		_, err = io.ReadFull(c, got)
		check(f, err)
		if !bytes.Equal(got, answer) {
			f.Fatalf("want %x, got %x", answer, got)
		}
	}
	// CONNECT: protocol "MQTT", level 4, clean session, no keep alive, client "b".
	send([]byte("\x10\x0d\x00\x04MQTT\x04\x02\x00\x00\x00\x01b"), []byte{0x20, 2, 0, 0})
	return c, send
}

// TestDUP sends a PUBLISH again with the DUP flag, as a client does that did not hear
// the PUBACK (MQTT 3.1.1, sections 3.3.1.1 and 4.4), packet by packet. To the server
// it is a new message [MQTT-3.3.1-3]; with a debounce time it counts once.
func TestDUP(t *testing.T) {
	for debounce, want := range map[time.Duration]int{0: 2, time.Minute: 1} {
		r := advanced()
		r.Debounce = debounce
		f := newFloor(t, r)
		f.watch()
		c, send := f.packets()
		body := append([]byte{0, byte(len(topic))}, topic...)
		body = append(body, 0, 9, 'o', 'n') // packet identifier 9
		send(append([]byte{0x32, byte(len(body))}, body...), []byte{0x40, 2, 0, 9})
		send(append([]byte{0x3a, byte(len(body))}, body...), []byte{0x40, 2, 0, 9})
		c.Close()
		f.until("it is told", func() bool { return f.told() > 0 })
		f.want(want)
		f.stop()
	}
}

// TestMosquitto publishes with mosquitto_pub of Debian's mosquitto-clients, as a
// script beside a sensor would.
func TestMosquitto(t *testing.T) {
	f := newFloor(t, humidity())
	f.watch()
	host, port, err := net.SplitHostPort(f.mqttAddress())
	check(t, err)
	for _, payload := range []string{`{"air":[{"rh":0.4,"t":68}]}`, `{"air":"dry"}`} {
		out, err := exec.CommandContext(t.Context(), "mosquitto_pub", "-h", host, "-p", port, "-V", "mqttv311", "-q", "1", "-t", "kestrel/north/climate", "-m", payload).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	f.until("both are told", func() bool { return f.told() == 2 })
	types := map[event.Type]int{}
	for _, e := range f.byID {
		types[e.Type]++
	}
	if types["climate.read"] != 1 || types["ticket.rejected"] != 1 {
		t.Errorf("%v", types)
	}
}

// TestTroubleAndItsEnd: why signals wait is told for each reason once, and that none
// does any more.
func TestTroubleAndItsEnd(t *testing.T) {
	f := newFloor(t, advanced())
	f.fail = func() error { return errors.New("the journal is full") }
	var told []string
	f.o.Trouble = func(why string) {
		f.mu.Lock()
		defer f.mu.Unlock()
		told = append(told, why)
	}
	says := func(want ...string) {
		t.Helper()
		f.until(fmt.Sprintf("it says %q", want), func() bool {
			f.mu.Lock()
			defer f.mu.Unlock()
			return slices.Equal(told, want)
		})
	}
	f.watch()
	says()
	check(t, f.js.Conn().Publish("kestrel.north.heron.advanced", nil))
	plain := "cannot tell the journal of the signals in SIGNALS: the journal is full"
	says(plain)
	f.settled(f.client().Publish(topic, 1, false, ""))
	both := "cannot tell the journal of the signals in $MQTT_msgs: the journal is full; " + plain
	says(plain, both)
	f.mu.Lock()
	told, f.fail = nil, nil
	f.mu.Unlock()
	f.until("both are told", func() bool { return f.told() == 2 })
	f.until("the end is told", func() bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		return len(told) == 2 && told[1] == ""
	})
	f.want(2)
}

// TestNoMoreSignals: a table that was emptied leaves nothing behind that gathers
// messages for ever.
func TestNoMoreSignals(t *testing.T) {
	r := advanced()
	r.Debounce = time.Second
	f := newFloor(t, r)
	f.watch()
	f.stop()
	f.o.Rows = nil
	check(t, Watch(t.Context(), f.o))
	check(t, Watch(t.Context(), f.o))
	f.settled(f.client().Publish(topic, 1, false, ""))
	for _, name := range []string{StreamName, SeenStream} {
		if _, err := f.js.Stream(t.Context(), name); !errors.Is(err, jetstream.ErrStreamNotFound) {
			t.Errorf("the stream %s is still there: %v", name, err)
		}
	}
	s, err := f.js.Stream(t.Context(), mqttStream)
	check(t, err)
	if n := s.CachedInfo().State; n.Msgs > 0 || n.Consumers > 0 {
		t.Errorf("messages wait for nobody: %+v", n)
	}
}

// TestTheStreamGoesAway: somebody deletes what the watch reads from, and it makes it
// anew.
func TestTheStreamGoesAway(t *testing.T) {
	f := newFloor(t, advanced())
	f.watch()
	check(t, f.js.DeleteStream(t.Context(), StreamName))
	f.until("it is there again", func() bool {
		c, err := f.js.Consumer(t.Context(), StreamName, Consumer)
		return err == nil && c.CachedInfo().NumWaiting > 0
	})
	check(t, f.js.Conn().Publish("kestrel.north.heron.advanced", nil))
	f.until("it is told", func() bool { return f.told() == 1 })
}

func TestOptionsThatCannotWork(t *testing.T) {
	if err := Watch(t.Context(), Options{}); err == nil {
		t.Error("no options")
	}
	f := newFloor(t, Row{})
	if err := errors.Join(Watch(t.Context(), f.o), Prepare(t.Context(), f.o)); err == nil || strings.Count(err.Error(), "row 1") != 2 {
		t.Errorf("an empty row: %v", err)
	}
}
