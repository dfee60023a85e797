package desk_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
	"rollwarden/watcher/desk"
)

// form writes names and values in turn as a form.
func form(pairs ...string) string {
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return v.Encode()
}

// TestForms posts what a page without a script can: units as people write them,
// empty fields, and a way back.
func TestForms(t *testing.T) {
	f64 := func(v float64) *float64 { return &v }
	yes := true
	for _, tt := range []struct {
		path string
		form string
		want event.Payload
	}{
		{"entries", form("action", "advance", "field.by_mm", "14.4 in"), &event.EdgeMoved{ByMM: f64(365.76), Cause: "advance", By: "Ada"}},
		{"entries", form("action", "load-roll", "field.stock", "MONO-GLOSS-137", "field.length_m", "45 ft", "field.width_mm", "54 in", "field.lot", ""),
			&event.RollLoaded{Stock: "MONO-GLOSS-137", LengthM: f64(13.716), WidthMM: f64(1371.6), By: "Ada"}},
		{"entries", form("action", "strip", "field.axis", "feed", "field.nominal_mm", "1 m", "field.measured_mm", "998.5", "field.cure_c", "200 °F"),
			&event.StripMeasured{Axis: "feed", NominalMM: 1000, MeasuredMM: 998.5, CureC: 93.3333333333, By: "Ada"}},
		{"entries", form("action", "head-check", "field.nozzles_ok", "yes", "field.obstruction_clear", "true"),
			&event.HeadChecked{NozzlesOK: &yes, ObstructionClear: &yes, By: "Ada"}},
		{"entries", form("action", "note", "field.reason", "tape is on\r\nand holds"), &event.OperatorNoted{Action: "note", Reason: "tape is on\nand holds", By: "Ada"}},
		{"entries", form("action", "advance", "field.by_mm", "14.4", "unit.by_mm", "in"), &event.EdgeMoved{ByMM: f64(365.76), Cause: "advance", By: "Ada"}},
		{"entries", form("action", "advance", "field.by_mm", " 14,4 ", "unit.by_mm", "in"), &event.EdgeMoved{ByMM: f64(365.76), Cause: "advance", By: "Ada"}},
		{"entries", form("action", "advance", "field.by_mm", "366 mm", "unit.by_mm", "in"), &event.EdgeMoved{ByMM: f64(366), Cause: "advance", By: "Ada"}},
		{"entries", form("action", "tape-leader", "field.length_mm", "12,5", "field.thickness_um", "", "unit.thickness_um", "µm"), &event.LeaderAttached{LengthMM: 12.5, By: "Ada"}},
		{"entries", form("action", "note", "field.reason", "12,5"), &event.OperatorNoted{Action: "note", Reason: "12,5", By: "Ada"}},
		{"entries", form("action", "start", "run", "job=KL%201&part=A", "field.job", "", "field.part", ""), &event.RunStarted{Run: event.Run{Job: "KL 1", Part: "A", By: "Ada"}}},
		{"entries", form("action", "start", "run", "job=KL-1&part=A", "field.job", "KL-2", "field.part", ""), &event.RunStarted{Run: event.Run{Job: "KL-2", By: "Ada"}}},
		{"alarm", form("action", "acknowledge", "hazard", "bare-edge", "until", ""), &event.OperatorNoted{Action: "acknowledge", Hazard: "bare-edge", By: "Ada"}},
		{"advice", form("order", "K-102", "order", "K-101"), &event.AdviceAccepted{Order: []string{"K-102", "K-101"}, By: "Ada"}},
	} {
		s := open(t, nil)
		r := s.send(t, heron+tt.path, formType+"; charset=UTF-8", tt.form+"&"+form("id", id(1), "by", "Ada", "back", "/floor/heron?tab=1#now"))
		if r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/floor/heron?tab=1#now" {
			t.Fatalf("%s: status %d to %q: %s", tt.form, r.Code, r.Header().Get("Location"), r.Body)
		}
		if d := cmp.Diff(tt.want, s.last(t).Data); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.form, d)
		}
		again := s.send(t, heron+tt.path, formType, tt.form+"&"+form("id", id(1), "by", "Ada", "back", "/floor/heron"))
		if again.Code != http.StatusSeeOther || len(s.journal) != 1 {
			t.Errorf("%s: the second time it is %d, and %d events are stored", tt.form, again.Code, len(s.journal))
		}
	}
}

// TestTwoPeopleAndOneForm lets two people answer an alarm from one page, on which
// the form has one id for all: the first counts, and the second is led back to see
// that it is done. Who sends other things with that id is told what to do, without
// a word about ids.
func TestTwoPeopleAndOneForm(t *testing.T) {
	s := open(t, nil)
	send := func(path, by string, more ...string) reply {
		return s.send(t, heron+path, formType, form("id", id(1), "by", by, "back", "/")+"&"+form(more...))
	}
	acknowledge := []string{"action", "acknowledge", "hazard", "bare-edge"}
	for _, by := range []string{"Ada", "Ben"} {
		if r := send("alarm", by, acknowledge...); r.Code != http.StatusSeeOther {
			t.Errorf("%s acknowledges: status %d: %s", by, r.Code, r.Body)
		}
	}
	if note := s.last(t).Data.(*event.OperatorNoted); len(s.journal) != 1 || note.By != "Ada" {
		t.Errorf("%d events are stored, the last by %s; want one by Ada", len(s.journal), note.By)
	}
	other := send("alarm", "Ben", "action", "shelve", "hazard", "bare-edge", "reason", "tape is on", "for_s", "900")
	if other.Code != http.StatusConflict || !strings.Contains(other.Body.String(), "load the page again") || strings.Contains(other.Body.String(), "new id") {
		t.Errorf("another form with the same id: status %d: %s", other.Code, other.Body)
	}
	if r := s.send(t, heron+"alarm", jsonType, `{"id": "`+id(1)+`", "action": "acknowledge", "hazard": "bare-edge", "by": "Cyd"}`); r.Code != http.StatusConflict {
		t.Errorf("a program that sends another name with the same id: status %d", r.Code)
	}
}

// TestFormsRefuse holds forms to what is told apart: a unit belongs to a field
// that was sent, and a comma is no sign of thousands.
func TestFormsRefuse(t *testing.T) {
	for _, tt := range []struct{ field, form string }{
		{"unit.by_mm", form("action", "round-lip", "unit.by_mm", "in")},
		{"unit.length_mm", form("action", "advance", "field.by_mm", "14", "unit.length_mm", "in")},
		{"unit.by_mm", form("action", "advance", "field.by_mm", "14", "unit.by_mm", "in", "unit.by_mm", "mm")},
		{"fields.by_mm", form("action", "advance", "field.by_mm", "14", "unit.by_mm", "°C")},
		{"fields.by_mm", form("action", "advance", "field.by_mm", "1,234,5")},
		{"fields.by_mm", form("action", "advance", "field.by_mm", "1,234.5")},
		{"fields.by_mm", form("action", "advance", "field.by_mm", "")},
		{"run", form("action", "start", "run", "part=A")},
		{"run", form("action", "start", "run", "job=%zz")},
		{"run", form("action", "start", "run", "job=KL-1&job=KL-2")},
		{"run", form("action", "start", "run", "job=KL-1&by_mm=3")},
		{"run", form("action", "start", "run", "job=%ff")},
		{"fields.job", form("action", "start", "run", "job=a%00b")},
		{"fields.job", form("action", "round-lip", "run", "job=KL-1")},
	} {
		s := open(t, nil)
		s.send(t, heron+"entries", formType, tt.form+"&"+form("id", id(1), "by", "Ada")).wants(t, 422, tt.field)
	}
	s := open(t, nil)
	s.send(t, heron+"entries", jsonType, `{"id": "`+id(1)+`", "action": "advance", "by": "Ada", "fields": {"by_mm": "12,5"}}`).wants(t, 422, "fields.by_mm")
}

// TestANumberThatMayBeEither has three digits behind its only comma, and is refused
// with both readings, from a form and from its script. Only what can be but one is read.
func TestANumberThatMayBeEither(t *testing.T) {
	for _, by := range []string{"1,365", "12,500", "+1,365", "1,365 mm", "365,000"} {
		s := open(t, nil)
		s.send(t, heron+"entries", formType, form("id", id(1), "by", "Ada", "action", "advance", "field.by_mm", by)).wants(t, 422, "fields.by_mm")
		r := s.send(t, heron+"entries", jsonType, `{"id": "`+id(2)+`", "action": "advance", "by": "Ada", "fields": {"by_mm": "`+by+`"}}`)
		r.wants(t, 422, "fields.by_mm")
		if by == "1,365" && !strings.Contains(r.Body.String(), "1.365 or 1365") {
			t.Errorf("not both readings in %s", r.Body)
		}
		if len(s.journal) > 0 {
			t.Errorf("%s was stored", by)
		}
	}
	for by, want := range map[string]float64{"365,5": 365.5, "0,365": 0.365, "1365,250": 1365.25, "12,50": 12.5} {
		s := open(t, nil)
		s.send(t, heron+"entries", formType, form("id", id(1), "by", "Ada", "action", "advance", "field.by_mm", by))
		if len(s.journal) != 1 {
			t.Fatalf("%s was not stored", by)
		}
		if got := s.last(t).Data.(*event.EdgeMoved).ByMM; got == nil || *got != want {
			t.Errorf("%s was read as %v", by, got)
		}
	}
}

// TestBack wants forms to return to this server only. The references that are
// refused are those by which the WHATWG URL Standard leads a browser to another
// host ("special authority ignore slashes state", and the removal of tabs and
// newlines before parsing), with the cases of the OWASP Unvalidated Redirects
// and Forwards Cheat Sheet.
func TestBack(t *testing.T) {
	for back, want := range map[string]string{
		"": "/", "/": "/", "/floor/heron": "/floor/heron", "/floor/heron?a=%2F%2Fb#c": "/floor/heron?a=%2F%2Fb#c", "/?next=http:evil.example": "/?next=http:evil.example",
		"//evil.example": "", "///evil.example": "", `/\evil.example`: "", `\\evil.example`: "", `/a\..\b`: "",
		"http://evil.example/": "", "https:evil.example": "", "evil.example": "", "javascript:alert(1)": "",
		"/\t/evil.example": "", "/\n/evil.example": "", "\t//evil.example": "", " //evil.example": "", "/a b": "",
		"/.//evil.example": "", "/..//evil.example": "", "/a\r\nSet-Cookie: a=b": "", "/%zz": "", "/é": "", "/\x00": "",
		"/a?b=//evil.example": "", // harmless, and not worth telling apart
	} {
		s := open(t, nil)
		r := s.send(t, heron+"entries", formType, form("id", id(1), "action", "round-lip", "by", "Ada", "back", back))
		code := http.StatusSeeOther
		if want == "" {
			code = http.StatusBadRequest
		}
		if r.Code != code || r.Header().Get("Location") != want || (want == "") != (len(s.journal) == 0) {
			t.Errorf("%q: status %d to %q, want %d to %q", back, r.Code, r.Header().Get("Location"), code, want)
		}
	}
	s := open(t, nil)
	body := "back=/a&back=/b&" + form("id", id(1), "action", "round-lip", "by", "Ada")
	if r := s.send(t, heron+"entries", formType, body); r.Code != http.StatusBadRequest {
		t.Errorf("two ways back: status %d", r.Code)
	}
}

// TestRefusedForms draws a page of the shop's own.
func TestRefusedForms(t *testing.T) {
	var drawn desk.Problem
	var typed url.Values
	s := open(t, func(o *desk.Options) {
		o.Refuse = func(w http.ResponseWriter, r *http.Request, p desk.Problem) {
			drawn, typed = p, r.PostForm
			w.WriteHeader(p.Status)
			fmt.Fprint(w, `{"page": true}`)
		}
	})
	w := httptest.NewRecorder()
	s.ServeHTTP(w, post(heron+"entries", formType, form("id", id(1), "action", "advance", "by", "Ada", "field.by_mm", "a bit", "back", "/floor/heron")))
	if w.Code != 422 || w.Body.String() != `{"page": true}` || drawn.Status != 422 || typed.Get("field.by_mm") != "a bit" {
		t.Errorf("%d %s, %+v, %v", w.Code, w.Body, drawn, typed)
	}
	if len(drawn.Errors) != 1 || drawn.Errors[0].Field != "fields.by_mm" || drawn.Errors[0].Got != `"a bit"` {
		t.Errorf("it complains of %+v", drawn.Errors)
	}
	s.send(t, heron+"entries", jsonType, `{}`).wants(t, 422, "id", "action") // a program gets JSON all the same
}

// hostile are texts that hurt where they are taken for anything but data.
var hostile = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `';DROP TABLE floor;--`, `{{.}}`, `${jndi:x}`, `%s%n`, `../../etc/passwd`,
	"a\r\nSet-Cookie: a=b", "a\x00b", "a\x1b[31mb", "a\u2028b", "a\u202eb", "\ufeffa", "a\x7fb", "NaN", "Infinity", "1e999", "-0", "0x10",
	strings.Repeat("9", 400), strings.Repeat("ab", 3000), "null", "floor.>", "𝕬𝖉𝖆", "a\xffb", "\xed\xa0\x80",
}

// TestHostileTexts puts each of them in each member of each request, as JSON and
// as a form. It is refused, or it comes out of the journal as it went in.
func TestHostileTexts(t *testing.T) {
	type place struct {
		path, member string
		rest         []string
	}
	places := []place{}
	for _, member := range []string{"id", "action", "at", "by"} {
		places = append(places, place{"entries", member, []string{"action", "round-lip"}})
	}
	for _, a := range action.Actions {
		for _, f := range a.Fields {
			rest := []string{"action", a.Code}
			for _, other := range a.Fields {
				if other.Required && other.Name != f.Name {
					rest = append(rest, "field."+other.Name, strings.Trim(sample(other), `"`))
				}
			}
			places = append(places, place{"entries", "field." + f.Name, rest})
		}
	}
	for _, member := range []string{"hazard", "job", "part", "action", "reason", "until", "for_s"} {
		places = append(places, place{"alarm", member, []string{"action", "note", "reason", "r", "hazard", "bare-edge"}})
	}
	for _, member := range []string{"remedy", "hazard", "job", "part"} {
		places = append(places, place{"advice", member, []string{"remedy", "leader", "hazard", "bare-edge"}})
	}
	places = append(places, place{"advice", "order", nil}, place{"undo", "event", nil}, place{"undo", "reason", []string{"event", id(2)}})
	stored := 0
	for _, p := range places {
		for _, text := range hostile {
			s := open(t, func(o *desk.Options) { o.Hazards = nil })
			v := url.Values{"id": {id(1)}, "by": {"Ada"}}
			for i := 0; i < len(p.rest); i += 2 {
				v.Set(p.rest[i], p.rest[i+1])
			}
			v.Set(p.member, text)
			r := s.do(t, heron+p.path, formType, v.Encode())
			switch r.Code {
			case http.StatusSeeOther:
				stored++
				comesBack(t, s.last(t), text)
			case 400, 409, 422:
				if len(s.journal) > 0 {
					t.Errorf("%s %s=%q was refused and stored", p.path, p.member, text)
				}
			default:
				t.Errorf("%s %s=%q: status %d", p.path, p.member, text, r.Code)
			}
			for name, values := range r.Header() {
				if strings.ContainsAny(strings.Join(values, ""), "\r\n") {
					t.Errorf("%s %s=%q: header %s is %q", p.path, p.member, text, name, values)
				}
			}
		}
	}
	if stored < 100 {
		t.Errorf("only %d were stored: the test tests nothing", stored)
	}
}

// comesBack wants an event to survive the journal, with the text in it as data.
func comesBack(t *testing.T, e event.Event, text string) {
	t.Helper()
	data, err := event.Encode(e)
	if err != nil {
		t.Errorf("%q: %v", text, err)
		return
	}
	back, err := event.Decode(event.Message{Subject: e.Subject(), Data: data})
	if err != nil {
		t.Errorf("%q: %v", text, err)
	}
	if d := cmp.Diff(e, back); d != "" {
		t.Errorf("%q (-sent +read):\n%s", text, d)
	}
	if e.Subject() != event.Subject("north", "heron", e.Type) {
		t.Errorf("%q: subject %s", text, e.Subject())
	}
}
