package upkeep_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"rollwarden/metrics/upkeep"
	"rollwarden/metrics/web"
)

var start = time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)

// shown is the page of a state, as the text that a person reads, and whether it
// has the button.
func shown(t *testing.T, s upkeep.State, o upkeep.Options, accept string) (text string, button bool) {
	t.Helper()
	kit, err := web.New(web.Options{Shop: "Kestrel Lane Decals", Zone: time.UTC, Now: func() time.Time { return start.Add(time.Hour) }})
	if err != nil {
		t.Fatal(err)
	}
	o.Kit, o.State = kit, func(context.Context) upkeep.State { return s }
	mux := http.NewServeMux()
	upkeep.Register(mux, o)
	r := httptest.NewRequest("GET", upkeep.Path, nil)
	r.Header.Set("Accept-Language", accept)
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	page, err := html.Parse(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	for n := range page.Descendants() {
		switch {
		case n.Type == html.TextNode && n.Parent.Data != "script":
			text += n.Data + " "
		case n.Type == html.ElementNode && n.Data == "form":
			for _, a := range n.Attr {
				button = button || a.Key == "action" && a.Val == upkeep.Path
			}
		}
	}
	return strings.Join(strings.Fields(text), " "), button
}

func may(yes bool) func(*http.Request) bool { return func(*http.Request) bool { return yes } }

func reload(*http.Request) error { return nil }

func TestThePage(t *testing.T) {
	s := upkeep.State{
		Version: "v1.2.3", Began: start, Chosen: "/etc/rollwarden.yaml: named on the command line", Warnings: []string{"other people can read <secrets>"},
		Journals: []upkeep.Journal{{First: 17, Last: 4711, Lost: []string{"entries are missing"}}, {Name: "FLOOR-1", Trouble: "the journal is full"}},
		Folders:  []upkeep.Folder{{Path: "/srv/tickets/north", Trouble: "order.xjdf: stuck"}, {Path: "/srv/tickets/quay"}},
		Sources:  []upkeep.Source{{Name: "north/heron: /srv/heron/runs*.csv", Trouble: "runs.csv: <header>"}, {Name: "quay/plover: /srv/plover.csv"}, {Trouble: "the journal is full"}},
		Channels: []upkeep.Channel{{Name: "webhook", Waiting: 3, Fail: "connection refused"}},
		Denied:   []upkeep.Denial{{Subject: "kestrel.owl.advanced", By: `"<button>" at 192.0.2.7`, Times: 12, At: start.Add(time.Minute)}},
	}
	text, button := shown(t, s, upkeep.Options{May: may(true), Reload: reload}, "en")
	for _, part := range []string{"v1.2.3", "07:40:00", "/etc/rollwarden.yaml", "other people can read <secrets>", "entries 17 to 4711", "entries are missing", "/srv/tickets/north: order.xjdf: stuck /srv/tickets/quay: in order",
		"north/heron: /srv/heron/runs*.csv: runs.csv: <header> quay/plover: /srv/plover.csv: in order Signals: the journal is full", "FLOOR-1: the journal is full", "webhook 3 connection refused", `Refused messages Their senders`, `kestrel.owl.advanced "<button>" at 192.0.2.7 12 07:41:00`} {
		if !strings.Contains(text, part) {
			t.Errorf("want %q on the page, got %s", part, text)
		}
	}
	if !button {
		t.Error("want the button for who may press it")
	}
	for what, o := range map[string]upkeep.Options{"who may not": {May: may(false), Reload: reload}, "where it cannot be done": {May: may(true)}} {
		if _, button := shown(t, s, o, "en"); button {
			t.Errorf("want no button for %s", what)
		}
	}

	s.Last, s.Journals[0].Trouble, s.Channels = upkeep.Attempt{At: start, By: "ines", Why: "rollwarden.yaml:3: want C or F\nrollwarden.yaml:4: want 24h or 12h"}, "NATS connection is closed", nil
	s.Denied = nil
	text, _ = shown(t, s, upkeep.Options{May: may(false)}, "de")
	if strings.Contains(text, "Verweigerte") {
		t.Errorf("nothing was denied, and the page says %s", text)
	}
	for _, part := range []string{"konnte nicht übernommen werden", "(ines)", "rollwarden.yaml:3: want C or F", "NATS connection is closed", "Keiner ist eingerichtet", "Druckprotokolle und Signale", "Signale: the journal is full"} {
		if !strings.Contains(text, part) {
			t.Errorf("want %q on the page, got %s", part, text)
		}
	}
}

// TestWhoMayReload presses the button as somebody who may and as somebody who
// may not. A configuration that is wrong leads back to the page as well.
func TestWhoMayReload(t *testing.T) {
	kit, err := web.New(web.Options{Zone: time.UTC, Now: func() time.Time { return start }})
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		may    bool
		status int
		asked  int
	}{{true, http.StatusSeeOther, 1}, {false, http.StatusForbidden, 0}} {
		asked, mux := 0, http.NewServeMux()
		upkeep.Register(mux, upkeep.Options{
			Kit: kit, May: may(test.may), State: func(context.Context) upkeep.State { return upkeep.State{} },
			Reload: func(*http.Request) error { asked++; return errors.New("it is wrong") },
		})
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, httptest.NewRequest("POST", upkeep.Path, nil))
		if w.Code != test.status || asked != test.asked {
			t.Errorf("may %t: want %d asked %d times, got %d, %d", test.may, test.status, test.asked, w.Code, asked)
		}
	}
}
