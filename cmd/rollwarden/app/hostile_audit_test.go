package app

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/net/html"

	"rollwarden/rules/action"
	"rollwarden/rules/event"
)

// anyValue is something that fits a field of an action, as a person types it.
func anyValue(f event.Field) string {
	switch {
	case f.Enum != nil:
		return f.Enum[0]
	case f.Format == "date-time":
		return time.Now().UTC().Format(time.RFC3339)
	case f.Type == "number":
		return fmt.Sprint(min(max(50, f.Min), f.Max))
	case f.Type == "boolean":
		return "true"
	}
	return "KL-1"
}

// whoDid reads who did each entry of a machine's history page.
func (v visitor) whoDid(path string) map[string]string {
	v.Helper()
	who := map[string]string{}
	for n := range parsePage(v, v.get(path).wants(v, 200).body).Descendants() {
		if n.Type != html.ElementNode || n.Data != "tr" {
			continue
		}
		var cells []string
		for c := range n.ChildNodes() {
			if c.Type == html.ElementNode {
				cells = append(cells, strings.TrimSpace(textOf(c)))
			}
		}
		who[cells[0]] = cells[len(cells)-1]
	}
	return who
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return b.String()
}

// entryOfAnswer is the journal's number of the event that an answer tells of.
func entryOfAnswer(t *testing.T, a *App, r reply) string {
	t.Helper()
	data := lastHeard(t, a, r)
	first, last, err := a.journals[0].Span(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for seq := last; seq >= first; seq-- {
		if e, err := a.journals[0].Get(t.Context(), seq); err == nil && string(e.Data) == string(data) {
			return fmt.Sprint(seq)
		}
	}
	return ""
}

// TestWhoDidIt does everything that the board lets a person do, under another
// typed name. Each leaves an entry of the journal that names the login, and the
// history page shows it.
func TestWhoDidIt(t *testing.T) {
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1))})
	busyFloor(t, a)
	ines := visit(t, a).as("supervisor")
	const m0 = "/api/v1/machines/north/m0/"
	done := map[string]string{}
	told := func(what string, got reply) {
		t.Helper()
		if got.StatusCode != 201 {
			t.Errorf("%s: want 201, got %d: %s", what, got.StatusCode, got.body)
			return
		}
		data := string(lastHeard(t, a, got))
		if !strings.Contains(data, `"ines"`) || strings.Contains(data, "Mallory") {
			t.Errorf("%s: want ines as who did it, got %s", what, data)
		}
		done[entryOfAnswer(t, a, got)] = what
	}
	for _, act := range action.Actions {
		form := url.Values{"id": {newID()}, "action": {act.Code}, "by": {"Mallory"}, "back": {"/floor/m0"}}
		fields := []string{}
		for _, f := range act.Fields {
			value := fmt.Sprintf("%q", anyValue(f.Field))
			if f.Type == "number" || f.Type == "boolean" {
				value = anyValue(f.Field)
			}
			fields = append(fields, fmt.Sprintf("%q: %s", f.Name, value))
			form.Set("field."+f.Name, anyValue(f.Field))
		}
		told("entry of "+act.Code, ines.ask("POST", m0+"entries", fmt.Sprintf(`{"id": %q, "action": %q, "by": "Mallory", "fields": {%s}}`, newID(), act.Code, strings.Join(fields, ", ")), asJSON))
		ines.ask("POST", m0+"entries", form.Encode(), asForm).wants(t, 303, act.Code)
		if got := string(lastEntry(t, a).Data); !strings.Contains(got, `"ines"`) || strings.Contains(got, "Mallory") {
			t.Errorf("form of %s: want ines as who did it, got %s", act.Code, got)
		}
	}
	for _, w := range writes(newID) {
		body := strings.ReplaceAll(w.body, `"Ada"`, `"Mallory"`)
		told(w.path+" "+body, ines.send(w.path, body))
	}
	who := map[string]string{}
	for _, page := range []string{"", "?kind=film", "?kind=people"} {
		for seq, name := range ines.whoDid("/history/north/m0" + page) {
			who[seq] = name
		}
	}
	for seq, what := range done {
		if who[seq] != "ines" {
			t.Errorf("%s: the history names %q, want ines", what, who[seq])
		}
	}
	if len(done) < len(action.Actions)+10 {
		t.Errorf("only %d things were done", len(done))
	}
}

// TestWhoCameAndWent wants the log to name who logged in, failed to, logged out,
// was refused and took a file; and what a stranger types as a name not to be
// able to write a line of the log.
func TestWhoCameAndWent(t *testing.T) {
	var log growing
	a := startApp(t, Options{Config: guarded(t, shopOf(t, 1)), Log: zerolog.New(&log).Level(zerolog.DebugLevel)})
	v := visit(t, a)
	ines, tomas := v.as("supervisor"), v.as("operator")
	v.login("tomas", "wrong password", "/").wants(t, 401)
	v.login("mallory\n{\"level\":\"info\",\"user\":\"ines\",\"message\":\"logged in\"}", "x", "/").wants(t, 401)
	tomas.ask("POST", "/upkeep", "").wants(t, 405) // nothing to read again here, whoever asks
	tomas.send("/api/v1/machines/north/m0/alarm", `{"id": "`+newID()+`", "action": "release", "hazard": "dry-air"}`).wants(t, 403)
	month := time.Now().Format("2006-01")
	ines.get("/report/"+month+"/report.csv").wants(t, 200)
	ines.get("/history/north/m0%0a{\"level\":\"info\"}").wants(t, 404)
	ines.ask("POST", "/logout", "", asForm).wants(t, 303)
	for _, want := range []string{
		`"part":"gate","user":"ines","role":"supervisor"`, `"message":"logged in"`, `"user":"tomas","message":"login failed"`,
		`"part":"audit","user":"ines","file":"/report/` + month + `/report.csv"`, `"user":"ines","address":"127.0.0.1","message":"logged out"`,
	} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %s", want)
		}
	}
	for line := range strings.Lines(log.String()) {
		if !strings.HasPrefix(line, `{"level":"`) || strings.Contains(line, "mallory") {
			t.Errorf("a line was written by a stranger: %s", line)
		}
	}
}
