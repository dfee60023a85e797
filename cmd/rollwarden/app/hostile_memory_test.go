package app

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rollwarden/rules/ticket"
)

// mostMemory is a generous bound for what a watch holds under attack, in bytes.
const mostMemory = 384 << 20

// peak watches the heap until it is told to stop, and returns the most that was
// in use.
func peak() (stop func() uint64) {
	end, most := make(chan struct{}), make(chan uint64)
	go func() {
		var top uint64
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			top = max(top, m.HeapInuse)
			select {
			case <-end:
				tick.Stop()
				most <- top
				return
			case <-tick.C:
			}
		}
	}()
	return func() uint64 { close(end); return <-most }
}

// laughs is an XML document whose entities would stand for 10^9 words.
func laughs() string {
	var b strings.Builder
	b.WriteString(`<?xml version="1.0"?><!DOCTYPE XJDF [<!ENTITY a0 "lol">`)
	for i := range 9 {
		fmt.Fprintf(&b, `<!ENTITY a%d "%s">`, i+1, strings.Repeat(fmt.Sprintf("&a%d;", i), 10))
	}
	b.WriteString(`]><XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" JobID="&a9;"/>`)
	return b.String()
}

// TestMemoryIsBounded attacks a watch by each way in at once for its kind: files
// in a drop folder, messages of the greatest size on the bus, and requests. What
// it holds stays below a bound, each file is refused with a reason that lies
// beside it, and it answers all the while.
func TestMemoryIsBounded(t *testing.T) {
	cfg := shopOf(t, 1)
	cfg.Tickets.MaxWait = 2 * time.Second // for the package that looks half written
	a := startApp(t, Options{Config: cfg})
	v := visit(t, a)
	inbox := filepath.Join(cfg.Tickets.Folder, "m0")
	fail(t, os.MkdirAll(inbox, 0o755))
	files := map[string]string{
		"laughs.xjdf":  laughs(),
		"entity.xjdf":  `<?xml version="1.0"?><!DOCTYPE XJDF [<!ENTITY x SYSTEM "file:///etc/hostname">]><XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" JobID="&x;"/>`,
		"deep.xjdf":    `<XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0">` + strings.Repeat("<a>", 1e6),
		"deep.json":    strings.Repeat("[", 1e6),
		"members.json": `{"job": "KL-1"` + strings.Repeat(`,"x":1`, 1e6) + "}",
		"number.json":  `{"job": "KL-1", "length_m": ` + strings.Repeat("9", 1e6) + "}",
		"huge.json":    `{"job": "` + strings.Repeat("x", ticket.MaxBytes+1) + `"}`,
		"nan.json":     `{"job": "KL-1", "length_m": NaN}`,
		"bytes.json":   "{\"job\": \"KL-\xff\xfe\"}",
		"zip.zip":      "PK\x03\x04" + strings.Repeat("\x00", 1e6),
	}
	runtime.GC() // what the test itself holds does not count
	var held runtime.MemStats
	runtime.ReadMemStats(&held)
	stop := peak()
	for name, text := range files {
		fail(t, os.WriteFile(filepath.Join(inbox, name), []byte(text), 0o644))
	}
	// On the bus: the greatest message that there is, deep and wide, and one that
	// is no text.
	for i, data := range []string{
		`{"specversion":"1.0","id":"1","source":"/a","type":"rollwarden.edge.shaped","data":` + strings.Repeat(`{"a":`, 100_000), strings.Repeat(`[`, 700_000),
		`{"specversion":"1.0","id":"2","source":"/a","type":"rollwarden.edge.shaped","data":{"shape":"` + strings.Repeat("x", 700_000) + `"}}`, strings.Repeat("\xff", 700_000),
	} {
		for range 20 {
			msg := &nats.Msg{Subject: "floor.north.m0.edge.shaped", Data: []byte(data), Header: nats.Header{"X": {fmt.Sprint(i)}}}
			a.bus.Conn().PublishMsg(msg) // one that is too large for the journal is refused there
		}
	}
	fail(t, a.bus.Conn().Flush())
	// Over HTTP: bodies without an end, which the watch stops reading.
	for _, path := range []string{"/api/v1/machines/north/m0/entries", "/login"} {
		for _, media := range []string{"application/json", "application/x-www-form-urlencoded"} {
			r, err := http.NewRequestWithContext(t.Context(), "POST", v.url+path, io.LimitReader(endless{}, 64<<20))
			fail(t, err)
			r.Header.Set("Content-Type", media)
			if got, err := v.client.Do(r); err == nil { // or the connection is cut
				if got.Body.Close(); got.StatusCode < 300 {
					t.Errorf("%s %s: a body without an end was taken: %d", path, media, got.StatusCode)
				}
			}
		}
	}
	fail(t, a.Settle(deadline(t)))
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if left := notYetRefused(t, inbox, files); len(left) == 0 {
			break
		} else if time.Now().After(end) {
			t.Errorf("not refused with a reason: %v", left)
			break
		}
	}
	for _, path := range []string{"/", "/tickets", "/history/north/m0", "/metrics"} {
		v.get(path).wants(t, 200)
	}
	grown := max(stop(), held.HeapInuse) - held.HeapInuse
	if t.Logf("the heap grew by %d MiB", grown>>20); grown > mostMemory {
		t.Errorf("the heap grew by %d MiB, want at most %d", grown>>20, mostMemory>>20)
	}
	v.get("/tickets").says(t, "laughs.xjdf", "nan.json")
	v.get("/healthz").wants(t, 200)
}

// endless is a body that a client sends as long as it is let.
type endless struct{}

func (endless) Read(b []byte) (int, error) {
	return copy(b, bytes.Repeat([]byte("id=1&"), len(b)/5+1)), nil
}

// notYetRefused lists the files that do not lie in rejected/ beside a text that
// says why.
func notYetRefused(t *testing.T, inbox string, files map[string]string) (left []string) {
	t.Helper()
	for name := range files {
		found, err := filepath.Glob(filepath.Join(inbox, "rejected", "*"+name+"*"))
		fail(t, err)
		if len(found) < 2 {
			left = append(left, name)
		}
	}
	return left
}
