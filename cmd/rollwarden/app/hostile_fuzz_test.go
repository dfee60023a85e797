package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"rollwarden/metrics/advice"
	"rollwarden/metrics/board"
	"rollwarden/metrics/ledger"
	"rollwarden/metrics/touch"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/reliability"
	"rollwarden/watcher/gate"
)

// fuzzAt is the moment at which the fuzzed journal is stored.
var fuzzAt = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// window is an engine with the pages that look into it, and neither a network nor
// a disk.
type window struct {
	site    rules.Site
	engine  *rules.Engine
	pages   http.Handler
	entries []ledger.Entry
}

func newWindow(tb testing.TB) *window {
	tb.Helper()
	cfg := shopOf(tb, 2)
	site, err := cfg.Site()
	fail(tb, err)
	prices, err := cfg.QueuePrices()
	fail(tb, err)
	now := func() time.Time { return fuzzAt }
	kit, err := web.New(web.Options{Shop: "Kestrel Lane Decals", Zone: time.UTC, Now: now, LetIn: func(*http.Request) bool { return true }})
	fail(tb, err)
	hub := web.NewHub(web.HubOptions{Kit: kit, Pulse: func() web.Pulse { return web.Pulse{Ready: true} }})
	w := &window{site: site, engine: rules.New(site)}
	view := func() *rules.View { return w.engine.View(fuzzAt) }
	known := func(site, machine string) bool { return site == "north" }
	mux := http.NewServeMux()
	mux.Handle("/", board.Handler(board.Options{Kit: kit, Hub: hub, View: view, Machines: site.Machines, Rows: site.Book.Rows, Films: site.Films}))
	touch.Register(mux, touch.Options{Kit: kit, Hub: hub, View: view, Machines: site.Machines, Stocks: site.Films.Stocks()})
	ledger.Register(mux, ledger.Options{Kit: kit, Hub: hub, View: view, Known: known, Films: site.Films,
		Newest: func(context.Context, ledger.Query) ([]ledger.Entry, bool, error) { return w.entries, false, nil },
		At: func(_ context.Context, _ string, seq uint64) (ledger.Entry, error) {
			if seq < 1 || seq > uint64(len(w.entries)) {
				return ledger.Entry{}, ledger.ErrNoEntry
			}
			return w.entries[seq-1], nil
		}})
	advice.Register(mux, advice.Options{Kit: kit, Hub: hub, View: view, Known: known, Site: site, Prices: prices})
	g, err := gate.New(gate.Options{Listen: "127.0.0.1:0", Page: kit.Refusal, LoginPage: kit.Login, Now: now})
	fail(tb, err)
	w.pages = g.Wrap(mux)
	return w
}

// clear begins a new floor behind the same pages, which take long to make.
func (w *window) clear() { w.engine, w.entries = rules.New(w.site), nil }

// take folds one message as the loop does, and whatever follows from it.
func (w *window) take(t *testing.T, m event.Message) {
	seq := uint64(len(w.entries) + 1)
	m.Stored = fuzzAt
	entry := ledger.Entry{Seq: seq, Stored: fuzzAt, Subject: m.Subject}
	e, err := event.Decode(m)
	if entry.Event = e; err != nil {
		entry.Problem = err.Error()
		w.engine.Refuse(seq, fuzzAt, m.Subject, err)
	} else {
		w.engine.Apply(seq, e)
	}
	w.entries = append(w.entries, entry)
	for range 50 {
		due, _ := w.engine.Judge(fuzzAt)
		if again, _ := w.engine.Judge(fuzzAt); len(again) > 0 {
			t.Fatalf("judging twice gave %d more transitions", len(again))
		}
		if len(due) == 0 {
			return
		}
		for _, e := range due {
			data, err := event.Encode(e)
			if err != nil {
				t.Fatalf("a transition cannot be written: %v", err)
			}
			back, err := event.Decode(event.Message{Subject: e.Subject(), Data: data, Stored: fuzzAt})
			if err != nil {
				t.Fatalf("a transition cannot be read: %v\n%s", err, data)
			}
			seq := uint64(len(w.entries) + 1)
			w.engine.Apply(seq, back)
			w.entries = append(w.entries, ledger.Entry{Seq: seq, Stored: fuzzAt, Subject: back.Subject(), Event: back})
		}
	}
	t.Fatal("the watch does not come to rest")
}

// ask reads an address of the pages; nil for one that the HTTP server would have
// refused before.
func (w *window) ask(address string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", "http://127.0.0.1/", nil)
	r.Host = "127.0.0.1"
	u, err := url.ParseRequestURI(address)
	if err != nil {
		return nil
	}
	r.URL.Path, r.URL.RawPath, r.URL.RawQuery, r.RequestURI = u.Path, u.RawPath, u.RawQuery, address
	out := httptest.NewRecorder()
	w.pages.ServeHTTP(out, r)
	return out
}

// kept wants a state that was written down and read to be the same state.
func (w *window) kept(t *testing.T) {
	first, err := w.engine.Freeze().Encode()
	if err != nil {
		t.Fatalf("the state cannot be written: %v", err)
	}
	if err := w.engine.Restore(first); err != nil {
		t.Fatalf("the state cannot be read: %v\n%s", err, first)
	}
	if again, err := w.engine.Freeze().Encode(); err != nil || !bytes.Equal(first, again) {
		t.Fatalf("the state is another one once it was read, %v\n%s\n%s", err, first, again)
	}
}

// counted works the month's report out of the same journal.
func (w *window) counted() {
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	f := reliability.New(reliability.Period{From: from, To: from.AddDate(0, 1, 0)}, time.UTC, reliability.Origin{})
	for _, e := range w.entries {
		if e.Problem != "" {
			f.Refuse(e.Seq, e.Stored, e.Subject, fmt.Errorf("%s", e.Problem))
		} else {
			f.Apply(e.Seq, e.Event)
		}
	}
}

// script is a journal to fuzz: lines of a machine's number, a type and the data as
// JSON. A line that begins with "raw" is a whole message of its own.
func script(tb testing.TB, text string, turn int) string {
	var b strings.Builder
	for _, kind := range event.Kinds {
		data, err := json.Marshal(dataOf(event.Fields(kind), text, fuzzAt, turn))
		fail(tb, err)
		fmt.Fprintf(&b, "%d %s %s\n", turn%2, kind.Type, data)
	}
	return b.String()
}

// messages reads a script; at most as many as a test has time for.
func messages(text string) (list []event.Message) {
	for line := range strings.SplitSeq(text, "\n") {
		machine, rest, _ := strings.Cut(line, " ")
		typ, data, _ := strings.Cut(rest, " ")
		m := event.Message{Subject: "floor.north.m" + machine + "." + typ, Data: []byte(data)}
		if machine == "raw" {
			m.Subject = "floor.north.m0." + typ
		} else {
			m.Data = fmt.Appendf(nil, `{"specversion":"1.0","id":"%d","source":"/fuzz","type":"rollwarden.%s","time":"2026-03-02T07:59:00Z","data":%s}`, len(list), typ, data)
		}
		if list = append(list, m); len(list) == 64 {
			break
		}
	}
	return list
}

// FuzzFloor sends any journal through the whole watch: decode, fold, judge, view,
// snapshot, report, and every page. Nothing panics or fails, and no text becomes
// an element of a page.
func FuzzFloor(f *testing.F) {
	f.Add(script(f, "KL-1", 0))
	f.Add(script(f, hostileTexts[0], 1) + script(f, "KL-1", 2))
	f.Add("0 roll.loaded {\"stock\":\"MONO-GLOSS-137\"}\n0 edge.moved {\"position_mm\":0}\n0 run.queued {\"job\":\"KL-1\"}\n0 run.started {\"job\":\"KL-1\"}\n0 roller.squeaked [1]\nraw edge.moved {}")
	w := newWindow(f)
	f.Fuzz(func(t *testing.T, text string) {
		w.clear()
		for _, m := range messages(text) {
			w.take(t, m)
		}
		w.kept(t)
		w.counted()
		for _, address := range []string{"/", "/?still", "/tickets", "/floor/m0", "/floor/m1", "/history/north/m0", "/history/north/m0/1", "/advice/north/m0", "/api/v1/floor", "/api/v1/alarms",
			"/api/v1/tickets", "/api/v1/anomalies", "/api/v1/machines/north/m0/events", "/api/v1/machines/north/m0/advice"} {
			got := w.ask(address)
			if got.Code >= 500 {
				t.Fatalf("%s: status %d: %s", address, got.Code, got.Body)
			}
			if strings.HasPrefix(got.Header().Get("Content-Type"), "text/html") {
				wantHarmless(visitor{TB: t}, address, got.Body.String())
			} else if !json.Valid(got.Body.Bytes()) {
				t.Fatalf("%s: no JSON: %s", address, got.Body)
			}
		}
	})
}

// FuzzAddress asks for any address of a busy floor: filters of the history, the
// way back after a login, names of machines. The answer is a page, a refusal or a
// way to another address here, and repeats nothing as markup.
func FuzzAddress(f *testing.F) {
	for _, address := range append([]string{
		"/history/north/m0?kind=film&kind=people&before=7", "/history/north/m0?before=18446744073709551615", "/api/v1/machines/north/m0/events?n=200&type=edge.moved&before=3",
		"/login?next=//evil.example", "/login?next=%2F%5Cevil.example", "/floor/m0?site=%3Cx-evil%3E", "/?shift=-1", "/stream?page=board&of=north/m0", "/history/north/m0?%",
	}, reads...) {
		f.Add(address)
	}
	w := newWindow(f)
	f.Fuzz(func(t *testing.T, address string) {
		if strings.HasPrefix(address, "/metrics") {
			return // not among these pages
		}
		got := w.ask(address)
		if got == nil {
			return
		}
		if got.Code >= 500 && got.Code != http.StatusServiceUnavailable {
			t.Fatalf("%q: status %d: %s", address, got.Code, got.Body)
		}
		if to := got.Header().Get("Location"); to != "" && (!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t")) {
			t.Fatalf("%q leads to %q", address, to)
		}
		if strings.HasPrefix(got.Header().Get("Content-Type"), "text/html") {
			wantHarmless(visitor{TB: t}, address, got.Body.String())
		}
	})
}

// FuzzRestore reads anything as a state, and what is refused leaves the engine as
// it was. A state lies on the disk under a checksum (FuzzParseSnapshot in
// watcher/journal), so what is taken was written by a watch, and is not doubted
// any further.
func FuzzRestore(f *testing.F) {
	w := newWindow(f)
	for _, text := range []string{"", script(f, "KL-1", 0)} {
		for _, m := range messages(text) {
			if e, err := event.Decode(m); err == nil {
				w.engine.Apply(1, e)
			}
		}
		data, err := w.engine.Freeze().Encode()
		fail(f, err)
		f.Add(data)
	}
	f.Add([]byte(`{"version":7,"floor":null,"alarms":null}`))
	f.Add([]byte(`{"version":7,"floor":{"machines":{"north/m0":null}},"alarms":{"alarms":{"x":[{}]}}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		w.clear()
		before, err := w.engine.Freeze().Encode()
		fail(t, err)
		if err := w.engine.Restore(data); err != nil {
			if after, err := w.engine.Freeze().Encode(); err != nil || !bytes.Equal(before, after) {
				t.Fatalf("a state that was refused changed the engine: %v", err)
			}
			return
		}
	})
}
