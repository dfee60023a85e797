package board_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"rollwarden/metrics/board"
	"rollwarden/metrics/web"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hazard"
	"rollwarden/rules/remedy"
)

// TestEveryRuleHasAPhrase wants German for every sentence that the rules have in
// their tables.
func TestEveryRuleHasAPhrase(t *testing.T) {
	kit, err := web.New(web.Options{})
	if err != nil {
		t.Fatal(err)
	}
	phrases := kit.Phrases()
	want := func(text string) {
		t.Helper()
		if turned, ok := phrases.In("de", text); !ok || turned == text {
			t.Errorf("no German for %q", text)
		}
		if same, ok := phrases.In("en", text); !ok || same != text {
			t.Errorf("English became %q for %q", same, text)
		}
	}
	for _, row := range hazard.Builtin {
		want(row.Title)
		want(row.Why)
		want(row.Caution)
	}
	for _, k := range floor.AnomalyKinds {
		want(k.Doc)
	}
}

// TestGermanFloor shows a working shop in German: every text of the rules is
// turned, and every number has a decimal comma (DIN 5008).
func TestGermanFloor(t *testing.T) {
	d := newDesk(t)
	morning(d)
	d.say("north", "heron", "operator.noted", &event.OperatorNoted{Hazard: "bare-edge", Job: "KL-1043", Part: "P1", Action: event.ActAcknowledge, By: "Mira"})
	d.say("north", "wren", "strike.recorded", &event.StrikeRecorded{Job: "KL-1039", Part: "P1", NozzlesLost: num(3), DowntimeS: num(1500)})
	d.say("quay", "plover", "ticket.received", ticket("KL-1060"))
	d.wait(10 * time.Minute)
	_, body := get(t, board.Handler(d.options(german)), "GET", "/")
	page := parse(t, body)
	alarms := 0
	for _, strip := range page.all("article", "strip") {
		alarms += len(strip.all("section", "alarm"))
		for _, n := range strip.all("") {
			if n.attrs["lang"] == "en" {
				t.Errorf("%s still says in English: %s", strip.attrs["id"], n.words())
			}
		}
	}
	if alarms < 4 {
		t.Errorf("only %d alarms stand: the test sees too little", alarms)
	}
	text := page.words()
	for _, want := range []string{
		"Freie Kante vor der Heizzone", "Folie 365 mm vorschieben kostet 0,68 USD gegen 111,10 USD für einen Kopfcrash",
		"noch 46,0 m", "„Freie Kante vor der Heizzone“ wurde quittiert von Mira", "freie Kante durch die Heizzone, ihr fehlen noch 330 mm bis zum Ausgang",
		"Kopf nicht nachweislich in Ordnung", "12 % (3 bis 36 %)", "quittiert", "nicht bekannt: ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
	for _, not := range []string{"46.0", "0.68", "%!", "kostet 0.", "unacknowledged"} {
		if strings.Contains(text, not) {
			t.Errorf("the page has %q", not)
		}
	}
}

// TestOwnHazard shows a shop's own hazard in the shop's own words, marked as of
// another language on a German page (WCAG 2.2, success criterion 3.1.2).
func TestOwnHazard(t *testing.T) {
	kit, err := web.New(web.Options{})
	if err != nil {
		t.Fatal(err)
	}
	const own = "m0, KL-1: nobody will hear it when something goes wrong; it starts in 5 min."
	if text, ok := kit.Phrases().In("de", own); ok || text != own {
		t.Errorf("half a sentence was turned: %q", text)
	}
}

// TestRoles offers each role what it may do, and asks for no name where the watch
// knows who is logged in.
func TestRoles(t *testing.T) {
	for _, c := range []struct {
		role, user string
		actions    string
	}{
		{"", "", "acknowledge shelve"},
		{"supervisor", "Mira", "acknowledge shelve"},
		{"operator", "Ada", "acknowledge"},
		{"viewer", "Jo", ""},
		{"nobody", "", ""},
		{"a role of later days", "Jo", ""},
	} {
		d := newDesk(t)
		morning(d)
		d.role = func(*http.Request) string { return c.role }
		_, body := get(t, board.Handler(d.options(func(o *web.Options) {
			o.User = func(*http.Request) string { return c.user }
		})), "GET", "/")
		var actions []string
		names := 0
		heron := parse(t, body).byID("m.north.heron")
		for _, f := range heron.all("form", "act") {
			if f.attrs["method"] != "post" || f.attrs["action"] != "/api/v1/machines/north/heron/alarm" {
				t.Errorf("a form goes to %v", f.attrs)
			}
			for _, in := range f.all("input") {
				switch in.attrs["name"] {
				case "action":
					actions = append(actions, in.attrs["value"])
				case "by":
					names++
				}
			}
		}
		if got := strings.Join(actions, " "); got != c.actions {
			t.Errorf("the role %q is offered %q, want %q", c.role, got, c.actions)
		}
		if want := len(actions); c.user != "" && names != 0 || c.user == "" && names != want {
			t.Errorf("the user %q is asked %d times for a name", c.user, names)
		}
	}
}

// TestRemediesHavePhrases takes what the advisor writes on a real floor.
func TestRemediesHavePhrases(t *testing.T) {
	if len(remedy.Table) == 0 {
		t.Fatal("no remedies")
	}
	kit, err := web.New(web.Options{})
	if err != nil {
		t.Fatal(err)
	}
	phrases := kit.Phrases()
	for text, want := range map[string]string{
		"advance the film 14.4 in":                                       "Folie 14,4 in vorschieben",
		"print on POLY-GLOSS-137":                                        "auf POLY-GLOSS-137 drucken",
		"the roll has only 1.2 m left":                                   "auf der Rolle sind nur noch 1,2 m",
		"pause the machine by its own controls, then load a longer roll": "die Maschine an ihrer eigenen Bedienung anhalten, dann: eine längere Rolle laden",
		"not known: edge position, print passes":                         "nicht bekannt: Lage der Kante, Druckdurchgänge",
	} {
		if got, ok := phrases.In("de", text); !ok || got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}
