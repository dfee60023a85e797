package desk_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
	"rollwarden/watcher/desk"
)

func TestAnEntryBecomesAnEvent(t *testing.T) {
	s := open(t, nil)
	r := s.send(t, heron+"entries", jsonType,
		`{"id": "`+id(1)+`", "action": "advance", "at": "2026-03-02T05:30:00+01:00", "by": " Ada ", "fields": {"by_mm": 365}}`).wants(t, 201)
	by := 365.0
	want := event.Event{
		ID: id(1), Source: "rollwarden/desk", Type: "edge.moved", Time: time.Date(2026, 3, 2, 4, 30, 0, 0, time.UTC), Site: "north", Machine: "heron",
		Data: &event.EdgeMoved{ByMM: &by, Cause: event.CauseAdvance, By: "Ada"},
	}
	if d := cmp.Diff(want, s.last(t)); d != "" {
		t.Errorf("event (-want +got):\n%s", d)
	}
	if r.ID != id(1) || r.Event != id(1) || r.Undo == nil || !r.Undo.Equal(eight.Add(time.Minute)) {
		t.Errorf("answer %s", r.Body)
	}
}

// sample returns a value that fits a field, as JSON.
func sample(f action.Field) string {
	switch {
	case f.Enum != nil:
		return `"` + f.Enum[0] + `"`
	case f.Type == "number":
		return fmt.Sprint(max(f.Min, min(f.Max, 12)))
	case f.Type == "boolean":
		return "true"
	}
	return `"K-101"`
}

// TestEveryAction enters each action of the table twice: with all its values,
// and with those only that it cannot do without.
func TestEveryAction(t *testing.T) {
	s, n := open(t, nil), 0
	for _, a := range action.Actions {
		for _, all := range []bool{true, false} {
			var fields []string
			for _, f := range a.Fields {
				if all || f.Required && f.Default == "" {
					fields = append(fields, fmt.Sprintf("%q: %s", f.Name, sample(f)))
				}
			}
			n++
			r := s.send(t, heron+"entries", jsonType,
				fmt.Sprintf(`{"id": %q, "action": %q, "by": "Ada", "fields": {%s}}`, id(n), a.Code, strings.Join(fields, ", "))).wants(t, 201)
			e := s.last(t)
			if e.ID != id(n) || e.Type != a.Type || (r.Undo != nil) != a.Undo {
				t.Errorf("%s became %s %s, to be undone until %v", a.Code, e.Type, e.ID, r.Undo)
			}
			if err := e.Data.Check(); err != nil {
				t.Errorf("%s: %v", a.Code, err)
			}
		}
	}
}

func TestSendingAgain(t *testing.T) {
	s := open(t, nil)
	one := `{"id": "` + id(1) + `", "action": "round-lip", "by": "Ada"}`
	first := s.send(t, heron+"entries", jsonType, one).wants(t, 201)
	s.pass(30 * time.Second)
	for _, same := range []string{one, `{"by":"Ada","action":"round-lip","id":"` + id(1) + `"}`} {
		again := s.send(t, heron+"entries", jsonType, same).wants(t, 200)
		if again.Body.String() != first.Body.String() {
			t.Errorf("the second answer is %s, the first was %s", again.Body, first.Body)
		}
	}
	if len(s.journal) != 1 {
		t.Errorf("%d events are stored, want 1", len(s.journal))
	}
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(1)+`", "action": "take-leader-off", "by": "Ada"}`).wants(t, 409).says(t, "make a new id")
	s.send(t, "/api/v1/machines/north/wren/entries", jsonType, one).wants(t, 409)
}

// TestAJournalThatFails: what is not known to be stored is answered with 503,
// and sending it again is safe, whether it was stored or not.
func TestAJournalThatFails(t *testing.T) {
	broken := errors.New("the journal is full at nats://10.0.0.7")
	for name, set := range map[string]func(*shop, error){
		"stored nothing":       func(s *shop, err error) { s.fail = err },
		"stored, and says not": func(s *shop, err error) { s.lie = err },
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, nil)
			set(s, broken)
			body := `{"id": "` + id(1) + `", "action": "round-lip", "by": "Ada"}`
			r := s.send(t, heron+"entries", jsonType, body).wants(t, 503)
			r.says(t, "send it again", "same id")
			if r.Header().Get("Retry-After") == "" || strings.Contains(r.Body.String(), "10.0.0.7") {
				t.Errorf("%v %s", r.Header(), r.Body)
			}
			s.send(t, heron+"entries", jsonType, strings.Replace(body, "round-lip", "take-leader-off", 1)).wants(t, 409)
			set(s, nil)
			s.send(t, heron+"entries", jsonType, body).wants(t, 201)
			for _, e := range s.journal {
				if e.Key() != s.journal[0].Key() {
					t.Errorf("%v would count as another event than %v", e, s.journal[0])
				}
			}
			s.send(t, heron+"entries", jsonType, body).wants(t, 200)
		})
	}
}

// TestASlowJournal: an answer comes in a bounded time, and requests do not pile
// up behind a journal that hangs.
func TestASlowJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		s := open(t, func(o *desk.Options) {
			o.Publish = func(ctx context.Context, _ ...event.Event) error {
				select {
				case <-release:
					return nil
				case <-ctx.Done():
					return ctx.Err()
				}
			}
		})
		codes := make(chan int, 100)
		for i := range 100 {
			go func() {
				w := httptest.NewRecorder()
				s.ServeHTTP(w, post(heron+"entries", jsonType, `{"id": "`+id(i)+`", "action": "round-lip", "by": "Ada"}`))
				codes <- w.Code
			}()
		}
		synctest.Wait()
		if n := len(codes); n != 36 { // 100 less the 64 that may wait
			t.Errorf("%d requests were turned away at once, want 36", n)
		}
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if n := len(codes); n != 100 {
			t.Errorf("%d requests are answered, want all", n)
		}
		for range len(codes) {
			if code := <-codes; code != http.StatusServiceUnavailable {
				t.Errorf("status %d", code)
			}
		}
		close(release)
		s.send(t, heron+"entries", jsonType, `{"id": "`+id(7)+`", "action": "round-lip", "by": "Ada"}`).wants(t, 201)
	})
}

// TestTheSameEntryFromEverywhere sends one entry many times at once.
func TestTheSameEntryFromEverywhere(t *testing.T) {
	s := open(t, nil)
	var all sync.WaitGroup
	codes := make(chan int, 50)
	for range cap(codes) {
		all.Go(func() {
			w := httptest.NewRecorder()
			s.ServeHTTP(w, post(heron+"entries", jsonType, `{"id": "`+id(1)+`", "action": "round-lip", "by": "Ada"}`))
			codes <- w.Code
		})
	}
	all.Wait()
	close(codes)
	count := map[int]int{}
	for code := range codes {
		count[code]++
	}
	if count[201] != 1 || count[200] != 49 {
		t.Errorf("answers %v: want one 201, and 200 for the others", count)
	}
}

func TestRefusals(t *testing.T) {
	good := `{"id": "` + id(1) + `", "action": "advance", "by": "Ada", "fields": {"by_mm": 365}}`
	with := func(old, new string) string { return strings.Replace(good, old, new, 1) }
	var hundred, twenty []string // unknown names, and those that are complained of
	for i := range 100 {
		hundred = append(hundred, fmt.Sprintf(`"x%d": 1,`, 100+i))
		if i < 20 {
			twenty = append(twenty, fmt.Sprintf("x%d", 100+i))
		}
	}
	for _, tt := range []struct {
		name, path, media, body string
		status                  int
		fields                  string
		says                    string
	}{
		{"unknown machine", "/api/v1/machines/north/herron/entries", jsonType, good, 404, "", `did you mean "north/heron"? (there is north/heron, north/wren`},
		{"unknown site", "/api/v1/machines/south/heron/entries", jsonType, good, 404, "", "south/heron"},
		{"wildcard machine", "/api/v1/machines/north/%3E/entries", jsonType, good, 404, "", "no machine"},
		{"unknown path", "/api/v1/machines/north/heron/entry", jsonType, good, 404, "", "entries"},
		{"media type", heron + "entries", "text/plain", good, 415, "", "application/json"},
		{"no media type", heron + "entries", "", good, 415, "", "application/json"},
		{"multipart", heron + "entries", "multipart/form-data; boundary=x", good, 415, "", formType},
		{"charset", heron + "entries", "application/json; charset=latin-1", good, 415, "", "UTF-8"},
		{"too large", heron + "entries", jsonType, `{"id": "` + strings.Repeat("x", 16<<10) + `"}`, 413, "", "16384"},
		{"no JSON", heron + "entries", jsonType, `id=1`, 400, "", "well-formed JSON"},
		{"empty", heron + "entries", jsonType, ``, 400, "", "well-formed JSON"},
		{"a list", heron + "entries", jsonType, `[]`, 400, "", "JSON object"},
		{"cut off", heron + "entries", jsonType, good[:40], 400, "", "well-formed JSON"},
		{"two objects", heron + "entries", jsonType, good + good, 400, "", "nothing after it"},
		{"a name twice", heron + "entries", jsonType, with(`"by"`, `"id": "x", "by"`), 400, "", "each name once"},
		{"an inner name twice", heron + "entries", jsonType, with(`365`, `365, "by_mm": 400`), 400, "", "each name once"},
		{"a name twice, by a dot", heron + "entries", jsonType, with(`"fields"`, `"fields.by_mm": 400, "fields"`), 422, `"fields.by_mm"`, ""},
		{"not UTF-8", heron + "entries", jsonType, with("Ada", "A\xffda"), 400, "", "UTF-8"},
		{"NaN", heron + "entries", jsonType, with("365", "NaN"), 400, "", "well-formed JSON"},
		{"deep", heron + "entries", jsonType, with("365", strings.Repeat("[", 5000)+strings.Repeat("]", 5000)), 422, "fields.by_mm", ""},
		{"deeper", heron + "entries", jsonType, strings.Repeat(`{"fields":`, 1500), 400, "", ""},
		{"unknown member", heron + "entries", jsonType, with(`"by"`, `"buy": 1, "by"`), 422, "buy", `did you mean "by"?`},
		{"unknown value", heron + "entries", jsonType, with(`by_mm`, `by_m`), 422, "fields.by_mm fields.by_m", `did you mean "by_mm"?`},
		{"everything missing", heron + "entries", jsonType, `{}`, 422, "id action", "UUID"},
		{"no name", heron + "entries", jsonType, with("Ada", " "), 422, "by", "who did it"},
		{"null", heron + "entries", jsonType, with("365", "null"), 422, "fields.by_mm", "got null"},
		{"an object for a number", heron + "entries", jsonType, with("365", `{"mm": 365}`), 422, "fields.by_mm", "got an object"},
		{"a list for a number", heron + "entries", jsonType, with("365", `[365]`), 422, "fields.by_mm", "got a list"},
		{"a number for a name", heron + "entries", jsonType, with(`"Ada"`, `5`), 422, "by", "got a number"},
		{"values for an object", heron + "entries", jsonType, with(`{"by_mm": 365}`, `5`), 422, "fields", "an object"},
		{"huge", heron + "entries", jsonType, with("365", "1e999"), 422, "fields.by_mm", "from 0 to 1000000 mm"},
		{"large", heron + "entries", jsonType, with("365", `"99999 ft"`), 422, "fields.by_mm", "99999 ft"},
		{"backwards", heron + "entries", jsonType, with("365", "-1"), 422, "fields.by_mm", "from 0"},
		{"another kind of unit", heron + "entries", jsonType, with("365", `"200 °F"`), 422, "fields.by_mm", "with a unit behind it: mm, m, cm"},
		{"action", heron + "entries", jsonType, with("advance", "advanse"), 422, "action", `did you mean "advance"?`},
		{"no UUID", heron + "entries", jsonType, with(id(1), "7"), 422, "id", "UUID"},
		{"another UUID", heron + "entries", jsonType, with(id(1), "{"+id(1)+"}"), 422, "id", "UUID"},
		{"the nil UUID", heron + "entries", jsonType, with(id(1), "00000000-0000-0000-0000-000000000000"), 422, "id", "UUID"},
		{"a long name", heron + "entries", jsonType, with("Ada", strings.Repeat("ä", 65)), 422, "by", "64 characters"},
		{"tomorrow", heron + "entries", jsonType, with(`"by"`, `"at": "2026-03-02T08:01:01Z", "by"`), 422, "at", "not in the future"},
		{"last week", heron + "entries", jsonType, with(`"by"`, `"at": "2026-02-23T07:59:59Z", "by"`), 422, "at", "last 7 days"},
		{"no time", heron + "entries", jsonType, with(`"by"`, `"at": "yesterday", "by"`), 422, "at", "2026-03-02T08:00:00Z"},
		{"many unknown names", heron + "entries", jsonType, with(`"by"`, strings.Join(hundred, " ")+`"by"`), 422, strings.Join(twenty, " "), "x100"},
		{"form encoding", heron + "entries", formType, "id=%zz", 400, "", "well-formed form"},
		{"form not UTF-8", heron + "entries", formType, "by=%ff", 400, "", "UTF-8"},
		{"form twice", heron + "entries", formType, "id=" + id(1) + "&action=round-lip&by=Ada&by=Bea", 422, "by", "2 values"},
		{"form unknown", heron + "entries", formType, "id=" + id(1) + "&action=round-lip&by=Ada&who=Bea", 422, "who", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t, nil)
			s.send(t, tt.path, tt.media, tt.body).wants(t, tt.status, strings.Fields(tt.fields)...).says(t, tt.says)
			if len(s.journal) > 0 {
				t.Errorf("something was stored: %v", s.journal)
			}
			// What was refused may be mended under the same id.
			s.send(t, heron+"entries", jsonType, good).wants(t, 201)
		})
	}
}

func TestOtherMethods(t *testing.T) {
	s := open(t, nil)
	for _, method := range []string{"GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"} {
		w := httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest(method, heron+"entries", nil))
		if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") != "POST" {
			t.Errorf("%s: %d, allow %q", method, w.Code, w.Header().Get("Allow"))
		}
	}
	packed := post(heron+"entries", jsonType, "{}")
	packed.Header.Set("Content-Encoding", "gzip")
	w := httptest.NewRecorder()
	if s.ServeHTTP(w, packed); w.Code != http.StatusUnsupportedMediaType {
		t.Errorf("a packed body: %d", w.Code)
	}
}

// TestNames: who is logged in is who did it, whatever is typed.
func TestNames(t *testing.T) {
	s := open(t, nil)
	s.name = "Ines"
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(1)+`", "action": "round-lip", "by": "Ada"}`).wants(t, 201)
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(2)+`", "action": "round-lip"}`).wants(t, 201)
	for _, e := range s.journal {
		if by := e.Data.(*event.EdgeShaped).By; by != "Ines" {
			t.Errorf("%q is said to have done it", by)
		}
	}
	s.role = 0
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(3)+`", "action": "round-lip"}`).wants(t, 403).says(t, "log in")
	nobody := open(t, func(o *desk.Options) { o.Who = nil })
	nobody.send(t, heron+"entries", jsonType, `{"id": "`+id(3)+`", "action": "round-lip", "by": "Ada"}`).wants(t, 403)
}

// TestRoles holds the rights against a list written by hand: what others rely on
// takes a supervisor.
func TestRoles(t *testing.T) {
	alarm := func(action, more string) string {
		return `{"id": "` + id(1) + `", "by": "Ada", "hazard": "bare-edge", "action": "` + action + `"` + more + `}`
	}
	for _, tt := range []struct {
		path, body string
		need       desk.Role
	}{
		{"entries", `{"id": "` + id(1) + `", "by": "Ada", "action": "strike"}`, desk.Operator},
		{"alarm", alarm("acknowledge", ""), desk.Operator},
		{"alarm", alarm("note", `, "reason": "tape is on"`), desk.Operator},
		{"alarm", alarm("reset", ""), desk.Operator},
		{"alarm", alarm("shelve", `, "reason": "trial", "for_s": 600`), desk.Supervisor},
		{"alarm", alarm("release", ""), desk.Supervisor},
		{"alarm", alarm("out-of-service", ""), desk.Supervisor},
		{"alarm", alarm("return-to-service", ""), desk.Supervisor},
		{"advice", `{"id": "` + id(1) + `", "by": "Ada", "remedy": "leader", "hazard": "bare-edge", "job": "K-101"}`, desk.Operator},
		{"advice", `{"id": "` + id(1) + `", "by": "Ada", "order": ["K-102", "K-101/P1"]}`, desk.Supervisor},
	} {
		for _, role := range []desk.Role{desk.Operator, desk.Supervisor} {
			s := open(t, nil)
			s.role = role
			r := s.send(t, heron+tt.path, jsonType, tt.body)
			if role >= tt.need {
				r.wants(t, 201)
				continue
			}
			r.wants(t, 403).says(t, "supervisor")
		}
	}
}
