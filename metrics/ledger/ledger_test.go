package ledger_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"rollwarden/metrics/ledger"
	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/film"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

var start = time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)

// book is a journal in memory and what was folded from it.
type book struct {
	entries []ledger.Entry
	state   *floor.State
	away    error
	stuck   []ledger.Folder
	films   *film.Catalogue
	display units.Display
	zone    *time.Location
}

func newBook() *book { return &book{state: floor.New()} }

// tell writes an event into the journal, a minute after the one before.
func (b *book) tell(t *testing.T, machine string, typ event.Type, pairs map[string]string) string {
	t.Helper()
	kind, known := event.KindOf(typ)
	if !known {
		t.Fatalf("no type %s", typ)
	}
	data, err := event.Set(kind, pairs)
	if err != nil {
		t.Fatal(err)
	}
	seq := uint64(len(b.entries) + 1)
	at := start.Add(time.Duration(seq) * time.Minute)
	e := event.Event{ID: fmt.Sprintf("e%d", seq), Source: "shop/test", Type: typ, Time: at, Site: "north", Machine: machine, Data: data}
	b.entries = append(b.entries, ledger.Entry{Seq: seq, Stored: at, Subject: e.Subject(), Event: e})
	b.state.Apply(seq, e)
	return e.ID
}

func (b *book) newest(_ context.Context, q ledger.Query) (out []ledger.Entry, more bool, err error) {
	if b.away != nil {
		return nil, false, b.away
	}
	for _, e := range slices.Backward(b.entries) {
		_, machine, typ, _ := event.ParseSubject(e.Subject)
		switch {
		case machine != q.Machine, q.Before > 0 && e.Seq >= q.Before, len(q.Types) > 0 && !slices.Contains(q.Types, typ):
		case len(out) == q.N:
			return out, true, nil
		default:
			out = append(out, e)
		}
	}
	return out, false, nil
}

func (b *book) at(_ context.Context, _ string, seq uint64) (ledger.Entry, error) {
	if seq == 0 || seq > uint64(len(b.entries)) {
		return ledger.Entry{}, ledger.ErrNoEntry
	}
	return b.entries[seq-1], b.away
}

func (b *book) serve(t *testing.T) http.Handler {
	t.Helper()
	kit, err := web.New(web.Options{Now: func() time.Time { return start.Add(2 * time.Hour) }, Display: b.display, Zone: b.zone})
	if err != nil {
		t.Fatal(err)
	}
	hub := web.NewHub(web.HubOptions{Kit: kit, Pulse: func() web.Pulse { return web.Pulse{} }})
	mux := http.NewServeMux()
	ledger.Register(mux, ledger.Options{
		Kit: kit, Hub: hub, Newest: b.newest, At: b.at, Films: b.films, Stuck: func() []ledger.Folder { return b.stuck },
		View:  func() *rules.View { return &rules.View{At: start, Floor: b.state.Snapshot(), Alarms: alarm.NewBook()} },
		Known: func(site, machine string) bool { return site == "north" && machine == "heron" },
	})
	return mux
}

func get(t *testing.T, h http.Handler, url, lang string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, url, nil)
	r.Header.Set("Accept-Language", lang)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func wants(t *testing.T, body string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(body, text) {
			t.Errorf("the page does not say %q", text)
		}
	}
}

func TestTickets(t *testing.T) {
	b := newBook()
	b.tell(t, "heron", "ticket.received", map[string]string{"job": "KL-1", "stock": "MONO-GLOSS-137", "film_class": "monomeric", "length_m": "12.5", "due": "2026-03-02T16:00:00Z"})
	b.tell(t, "heron", "ticket.received", map[string]string{"job": "KL-2"})
	b.tell(t, "any", "ticket.received", map[string]string{"job": "KL-3"})
	b.tell(t, "heron", "run.started", map[string]string{"job": "KL-1"})
	b.tell(t, "heron", "run.queued", map[string]string{"job": "KL-4"})
	b.tell(t, "heron", "ticket.rejected", map[string]string{"source_file": "<script>.json", "kind": "bad-value", "reason": "length_m: want a length, got -1"})
	page := get(t, b.serve(t), "/tickets", "en").Body.String()
	wants(t, page, "runs on heron", "KL-2", "place 1 in the queue", "for no machine yet", "no ticket: film, passes and cure unknown",
		"&lt;script&gt;.json", "length_m: want a length, got -1", "a bad value", "12.5 m")
	waiting, _, _ := strings.Cut(page, `id="accepted"`)
	if strings.Contains(waiting, "KL-1<") {
		t.Error("a running job is not waiting")
	}
	wants(t, get(t, b.serve(t), "/tickets", "de").Body.String(), `lang="de"`, "läuft auf heron", "12,5 m")
}

// TestWhyTicketsWaitIsSaid where people look for their tickets.
func TestWhyTicketsWaitIsSaid(t *testing.T) {
	b := newBook()
	if page := get(t, b.serve(t), "/tickets", "en").Body.String(); strings.Contains(page, `role="alert"><p>`) {
		t.Error("no ticket waits, and the page warns of some")
	}
	b.stuck = []ledger.Folder{{Path: "/srv/tickets/heron", Why: "open KL-1.json: permission denied"}}
	wants(t, get(t, b.serve(t), "/tickets", "en").Body.String(), "Tickets wait in these folders", `/srv/tickets/heron: <span lang="en">open KL-1.json: permission denied</span>`)
	wants(t, get(t, b.serve(t), "/tickets", "de").Body.String(), "In diesen Ordnern warten Aufträge")
}

// TestManyTickets says how many of them are shown, and where the others are.
func TestManyTickets(t *testing.T) {
	b := newBook()
	for i := range 250 {
		b.tell(t, "heron", "ticket.received", map[string]string{"job": fmt.Sprint("KL-", i)})
	}
	page := get(t, b.serve(t), "/tickets", "en").Body.String()
	wants(t, page, "The first 200 of 250 are shown.", "The newest 100 of 250 are shown.", `<a href="/history/north/heron?kind=tickets">north/heron</a>`)
	if strings.Contains(page, "/api/") {
		t.Error("people are sent to the API")
	}
	found, url := 0, "/history/north/heron?kind=tickets"
	for url != "" {
		page := get(t, b.serve(t), url, "en").Body.String()
		found += strings.Count(page, ">ticket read<")
		_, rest, more := strings.Cut(page, `<p><a class="button" href="/history/north/heron?before=`)
		url = ""
		if more {
			before, _, _ := strings.Cut(rest, "&")
			url = "/history/north/heron?kind=tickets&before=" + before
		}
	}
	if found != 250 {
		t.Errorf("the history has %d tickets, want 250", found)
	}
}

// TestNobodyReadsADigest leaves the SHA-256 of a ticket's file to programs.
func TestNobodyReadsADigest(t *testing.T) {
	b := newBook()
	sum := strings.Repeat("0badcafe", 8)
	b.tell(t, "heron", "ticket.received", map[string]string{"job": "KL-1", "source_file": "KL-1.json", "source_sha256": sum})
	for _, url := range []string{"/history/north/heron", "/history/north/heron/1"} {
		page, _, _ := strings.Cut(get(t, b.serve(t), url, "en").Body.String(), "<details>")
		wants(t, page, "KL-1.json")
		if strings.Contains(page, sum[:8]) || strings.Contains(strings.ToLower(page), "sha-256") {
			t.Errorf("%s shows people a digest", url)
		}
	}
}

// TestARejectThatNobodyCanPlace is shown, and under no site.
func TestARejectThatNobodyCanPlace(t *testing.T) {
	b := newBook()
	for i, site := range []string{"quay", event.AnySite} {
		b.state.Apply(uint64(i+1), event.Event{ID: site, Source: "/rollwarden/signal", Type: "ticket.rejected", Time: start, Site: site, Machine: event.AnyMachine,
			Data: &event.TicketRejected{SourceFile: "kestrel/owl/advanced", Kind: "bad-value", Reason: "want a machine of the configuration, got \"owl\""}})
	}
	for lang, want := range map[string]string{"en": ">place unknown</td>", "de": ">Ort unbekannt</td>"} {
		page := get(t, b.serve(t), "/tickets", lang).Body.String()
		wants(t, page, want, ">quay</td>")
		if strings.Contains(page, ">any</td>") {
			t.Errorf("%s: a reserved word is shown for a place", lang)
		}
	}
}

// TestWhatBecameOfTickets says of each accepted ticket where it is, whichever way
// it went, and the film class that the shop's list has for its stock.
func TestWhatBecameOfTickets(t *testing.T) {
	b := newBook()
	var err error
	if b.films, err = film.NewCatalogue(nil, []film.Film{{Stock: "CAST-WRAP-152", Class: event.Cast}}); err != nil {
		t.Fatal(err)
	}
	b.tell(t, "heron", "ticket.received", map[string]string{"job": "KL-1", "stock": "CAST-WRAP-152"})
	b.tell(t, "any", "ticket.received", map[string]string{"job": "KL-2"})
	for _, job := range []string{"KL-3", "KL-4", "KL-5"} {
		b.tell(t, "heron", "ticket.received", map[string]string{"job": job})
	}
	b.tell(t, "any", "ticket.received", map[string]string{"job": "KL-6", "start_at": "2026-03-02T16:02:00Z", "due": "2026-03-03T09:30:00Z"})
	for _, run := range []struct {
		job string
		end event.Type // empty when nobody said how it ended
	}{{"KL-1", "run.finished"}, {"KL-2", "run.finished"}, {"KL-3", "run.stopped"}, {"KL-4", ""}, {"KL-5", ""}, {"KL-9", ""}} {
		b.tell(t, "heron", "run.started", map[string]string{"job": run.job})
		if run.end != "" {
			b.tell(t, "heron", run.end, map[string]string{"job": run.job, "metres": "3"})
		}
	}
	page := get(t, b.serve(t), "/tickets", "en").Body.String()
	waiting, accepted, _ := strings.Cut(page, `id="accepted"`)
	for job, want := range map[string]string{
		"KL-1": "printed on heron at", "KL-2": "printed on heron at", "KL-3": "stopped on heron at", "KL-4": "no longer waiting", "KL-5": "ran on heron until", "KL-6": "for no machine yet",
	} {
		_, row, _ := strings.Cut(accepted, `<th scope="row">`+job)
		row, _, _ = strings.Cut(row, "</tr>")
		wants(t, row, want)
	}
	if strings.Count(waiting, "KL-") != 1 || !strings.Contains(waiting, "KL-6") {
		t.Error("KL-6 alone waits")
	}
	wants(t, accepted, "CAST-WRAP-152, cast")
	wants(t, waiting, ">16:02<", ">2026-03-03 09:30<")
}

func TestHistory(t *testing.T) {
	b := newBook()
	moved := b.tell(t, "heron", "edge.moved", map[string]string{"by_mm": "365", "cause": "advance", "by": "Ada"})
	b.tell(t, "wren", "edge.moved", map[string]string{"by_mm": "777", "cause": "advance"})
	b.tell(t, "heron", "entry.undone", map[string]string{"event": moved, "type": "edge.moved", "by": "Ada"})
	for range 230 {
		b.tell(t, "heron", "climate.read", map[string]string{"rh_pct": "41"})
	}
	b.entries = append(b.entries, ledger.Entry{Seq: 234, Stored: start, Subject: "floor.north.heron.edge.moved", Problem: "data.by_mm: want a number"})
	h := b.serve(t)

	newest := get(t, h, "/history/north/heron", "en").Body.String()
	if n := strings.Count(newest, "<tr><td "); n != 200 {
		t.Errorf("want the newest 200 entries, got %d", n)
	}
	wants(t, newest, "data.by_mm: want a number", "Older entries", "before=")
	few := get(t, h, "/history/north/heron?kind=film&kind=people", "en").Body.String()
	wants(t, few, "edge moved", "365", "Ada", "taken back", `class="undone"`, "checked")
	if strings.Contains(few, "777") || strings.Contains(few, "air read") {
		t.Error("the choice shows more than was chosen")
	}
	one := get(t, h, "/history/north/heron/1", "en").Body.String()
	wants(t, one, "Entry 1", "shop/test", "&#34;by_mm&#34;: 365")
	for url, want := range map[string]int{
		"/history/north/heron/2":                      http.StatusNotFound, // another machine's
		"/history/north/heron/9999":                   http.StatusNotFound,
		"/history/north/heron/x":                      http.StatusNotFound,
		"/history/north/nobody":                       http.StatusNotFound,
		"/history/north/heron?kind=x":                 http.StatusBadRequest,
		"/history/north/heron?before=-1":              http.StatusBadRequest,
		"/api/v1/machines/north/heron/events?n=201":   http.StatusBadRequest,
		"/api/v1/machines/north/heron/events?type=x":  http.StatusBadRequest,
		"/api/v1/machines/north/nobody/events":        http.StatusNotFound,
		"/api/v1/machines/north/heron/events?before=": http.StatusBadRequest,
	} {
		if got := get(t, h, url, "en").Code; got != want {
			t.Errorf("%s: want %d, got %d", url, want, got)
		}
	}
	b.away = errors.New("no servers")
	for _, url := range []string{"/history/north/heron", "/history/north/heron/1", "/api/v1/machines/north/heron/events"} {
		if got := get(t, h, url, "en"); got.Code != http.StatusServiceUnavailable || got.Header().Get("Retry-After") == "" {
			t.Errorf("%s with the journal away: got %d, to be asked again after %q s", url, got.Code, got.Header().Get("Retry-After"))
		}
	}
}

// TestATypeOutsideTheContract stands in the history like any other entry, with
// its data as they came. Whoever may write in the journal may make one up.
func TestATypeOutsideTheContract(t *testing.T) {
	b := newBook()
	m := event.Message{Subject: "floor.north.heron.roller.squeaked", Stored: start,
		Data: []byte(`{"specversion":"1.0","id":"1","source":"/north/heron","type":"rollwarden.roller.squeaked","time":"2026-03-02T08:00:00Z","data":{"pitch":"<b>high</b>"}}`)}
	e, err := event.Decode(m)
	if err != nil {
		t.Fatal(err)
	}
	b.entries = append(b.entries, ledger.Entry{Seq: 1, Stored: start, Subject: m.Subject, Event: e})
	h := b.serve(t)
	wants(t, get(t, h, "/history/north/heron", "en").Body.String(), "roller.squeaked", "&lt;b&gt;high&lt;/b&gt;")
	wants(t, get(t, h, "/history/north/heron/1", "de").Body.String(), "roller.squeaked", "&lt;b&gt;high")
}

// alarmed writes an alarm into the journal with a sentence of the rules.
func (b *book) alarmed(t *testing.T, emit, message string) {
	t.Helper()
	b.tell(t, "heron", "alarm.changed", map[string]string{"hazard": "bare-edge", "job": "KL-1", "from": "normal", "to": "unacknowledged",
		"on": "condition", "priority": "high", "emit": emit, "message": message})
}

// TestSentencesAreTurnedWhole reads alarms in German: a sentence is turned with
// all its clauses, or it stays as it was and is marked as English (WCAG 2.2,
// success criterion 3.1.2). What people wrote in it stays theirs.
func TestSentencesAreTurnedWhole(t *testing.T) {
	b := newBook()
	const reason = "heron, KL-1: the bare edge of MONO-GLOSS-137 (monomeric) lies at 0 mm, short of the cure exit at 330 mm; it starts in 40 min. "
	b.alarmed(t, "annunciate", reason+"Cheapest: cut a rounded lip for 0.10 USD; starting as it is costs 8.42 USD in expectation (7 % odds of a strike). Change the roll first: the wrong stock is loaded.")
	b.alarmed(t, "annunciate", reason+"Nobody has a phrase for this one.")
	b.alarmed(t, "clear", `heron, KL-1: "Bare edge before the cure zone" was shelved by Ada until 2026-03-02T09:30:00Z (the tape is out; ask Ben).`)
	b.zone = time.FixedZone("", 2*3600)
	page := get(t, b.serve(t), "/history/north/heron", "de").Body.String()
	wants(t, page, "Am günstigsten: eine runde Lippe schneiden",
		`<span lang="en">the bare edge of MONO-GLOSS-137 (monomeric) lies at 0 mm, short of the cure exit at 330 mm; it starts in 40 min. Nobody has a phrase for this one.</span>`,
		"bis 11:30 (the tape is out; ask Ben)")
	if n := strings.Count(page, "it starts in"); n != 1 {
		t.Errorf("%d sentences are English, want the one that is marked", n)
	}
	wants(t, get(t, b.serve(t), "/history/north/heron", "en").Body.String(), "the bare edge of MONO-GLOSS-137 (monomeric) lies at 0 mm, short of the cure exit at 330 mm; it starts in 40 min. Cheapest: cut a rounded lip for 0.10 USD; ")
}

// TestAnAlarmsEvidence shows on an alarm's own page what was looked at, in the
// reader's language and by the shop's clock.
func TestAnAlarmsEvidence(t *testing.T) {
	b := newBook()
	b.alarmed(t, "annunciate", "heron, KL-1: bare.")
	b.entries[0].Event.Data.(*event.AlarmChanged).Evidence = []event.Evidence{
		{Name: "head strike", Value: "2026-03-02T05:30:00Z"}, {Name: "cure", Value: "93.5 °C", Limit: "90.5 °C"},
	}
	b.zone = time.FixedZone("", 2*3600)
	wants(t, get(t, b.serve(t), "/history/north/heron/1", "de").Body.String(),
		"<dt>Kopfcrash</dt><dd>07:30</dd>", "<dd>93,5 °C, verglichen mit: 90,5 °C</dd>")
}

// TestIDsAreShortInRows shows the beginning of ids and hashes among other entries,
// all of them on the entry's own page, and thicknesses as they were told: 8.7 mil
// are 220.98 µm (NIST SP 811, appendix B.8).
func TestIDsAreShortInRows(t *testing.T) {
	b := newBook()
	const alarm, hash, id = "0123456789abcdef0123456789abcdef", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", "6ba7b810-9dad-11d1-80b4-00c04fd430c8"
	b.tell(t, "heron", "page.sent", map[string]string{"alarm": alarm, "channel": "mail", "attempt": "1", "key": hash})
	b.tell(t, "heron", "entry.undone", map[string]string{"event": id, "type": "edge.moved", "by": "Ada"})
	b.tell(t, "heron", "roll.loaded", map[string]string{"stock": "MONO-GLOSS-137", "thickness_um": "220.98"})
	b.display = units.Display{Imperial: true}
	page := get(t, b.serve(t), "/history/north/heron", "en").Body.String()
	wants(t, page, "01234567…", "e3b0c442…", "6ba7b810…", "MONO-GLOSS-137", "8.7 mil")
	for _, long := range []string{alarm, hash, id} {
		if strings.Contains(page, long) {
			t.Errorf("the row has all of %s", long)
		}
	}
	wants(t, get(t, b.serve(t), "/history/north/heron/1", "en").Body.String(), "<dd>"+alarm+"</dd>", "<dd>"+hash+"</dd>")
}

// TestTheAPIWalksTheWholeHistory follows before until there is no more.
func TestTheAPIWalksTheWholeHistory(t *testing.T) {
	b := newBook()
	for i := range 130 {
		b.tell(t, []string{"heron", "wren"}[i%2], "climate.read", map[string]string{"rh_pct": "41"})
	}
	b.entries[2].Event, b.entries[2].Problem = event.Event{}, "no JSON"
	h, url := b.serve(t), "/api/v1/machines/north/heron/events"
	var seqs []uint64
	for before := ""; ; {
		var answer struct {
			Events []struct {
				Seq  uint64          `json:"seq"`
				Type string          `json:"type"`
				Data json.RawMessage `json:"data"`
			} `json:"events"`
			More   bool    `json:"more"`
			Before *uint64 `json:"before"`
		}
		if err := json.Unmarshal(get(t, h, url+before, "").Body.Bytes(), &answer); err != nil {
			t.Fatal(err)
		}
		for _, e := range answer.Events {
			seqs = append(seqs, e.Seq)
			if e.Type != "climate.read" || (string(e.Data) == "null") != (e.Seq == 3) {
				t.Errorf("entry %d: %s %s", e.Seq, e.Type, e.Data)
			}
		}
		if answer.More != (answer.Before != nil) {
			t.Fatal("more and before do not agree")
		}
		if !answer.More {
			break
		}
		before = fmt.Sprintf("?before=%d", *answer.Before)
	}
	if len(seqs) != 65 || !slices.IsSortedFunc(seqs, func(a, b uint64) int { return int(b) - int(a) }) || seqs[64] != 1 {
		t.Errorf("got %d entries: %v", len(seqs), seqs)
	}
}

// TestEveryTypeHasAName wants a name for each type of the contract in each
// language, and each type in one group of the filter.
func TestEveryTypeHasAName(t *testing.T) {
	kit, err := web.New(web.Options{})
	if err != nil {
		t.Fatal(err)
	}
	grouped := ledger.Grouped()
	slices.Sort(grouped)
	all := slices.Sorted(func(yield func(event.Type) bool) {
		for _, k := range event.Kinds {
			if !yield(k.Type) {
				return
			}
		}
	})
	if !slices.Equal(grouped, all) {
		t.Errorf("the groups of the filter hold %v, the contract %v", grouped, all)
	}
	for _, lang := range kit.Languages() {
		words := kit.PenIn(lang).Words
		for key := range maps.Keys(words) {
			if typ, is := strings.CutPrefix(key, "event."); is && !slices.Contains(all, event.Type(typ)) {
				t.Errorf("%s: %s names no type of the contract", lang, key)
			}
		}
		for _, typ := range all {
			if words["event."+string(typ)] == "" {
				t.Errorf("%s: no name for %s", lang, typ)
			}
		}
	}
}
