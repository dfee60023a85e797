package app

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/xuri/excelize/v2"
	"golang.org/x/net/html"

	"rollwarden/rules/event"
)

// hostileTexts are what is put into every text of every event type: one that
// would be markup, one that a spreadsheet would compute, one that would be an
// address, and one that turns the direction of writing and ends the line.
var hostileTexts = []string{
	`"'></textarea></title><x-evil onx=1></x-evil><script>xevil()</script>`,
	`=HYPERLINK("http://evil.example","xevil")`,
	`javascript:xevil()`,
	"xevil\u202e\u2066\u200f\r\nSet-Cookie: xevil=1\x1b[31m",
}

// valueOf is what stands in a field: the hostile text wherever any text may, and
// something that fits everywhere else. turn chooses among the words of a list.
func valueOf(f event.Field, text string, now time.Time, turn int) any {
	switch {
	case f.Enum != nil:
		return f.Enum[turn%len(f.Enum)]
	case f.Format == "date-time":
		return now.Add(time.Duration(turn) * time.Hour).UTC().Format(time.RFC3339)
	case f.Type == "number":
		return min(max(50, f.Min), f.Max)
	case f.Type == "boolean":
		return turn%2 == 0
	case f.Type == "array" && f.Items != nil:
		return []any{dataOf(f.Items, text, now, turn)}
	case f.Type == "array":
		return []any{text}
	}
	return text
}

func dataOf(fields []event.Field, text string, now time.Time, turn int) map[string]any {
	data := map[string]any{}
	for _, f := range fields {
		data[f.Name] = valueOf(f, text, now, turn)
	}
	return data
}

// plain is the text as far as it may stand in an attribute of an event.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return '-'
		}
		return r
	}, text)
}

// hostileFloor says everything that can be said on a machine with a text in all
// places, as whoever may write on the bus would.
func hostileFloor(t *testing.T, a *App, machine, text string) (stored, refused int) {
	t.Helper()
	now, id := time.Now(), 0
	send := func(typ string, data any) {
		id++
		body, err := json.Marshal(map[string]any{
			"specversion": "1.0", "id": fmt.Sprint(plain(text), id), "source": "/" + url.PathEscape(text), "type": event.TypePrefix + typ,
			"time": now.UTC().Format(time.RFC3339), "data": data,
		})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.bus.JetStream().PublishMsg(deadline(t), &nats.Msg{Subject: "floor.north." + machine + "." + typ, Data: body}); err != nil {
			t.Fatal(err)
		}
	}
	for turn := range 3 {
		for _, kind := range event.Kinds {
			send(string(kind.Type), dataOf(event.Fields(kind), text, now, turn))
		}
	}
	// What the watch shows most of: a roll, a queue, and an alarm that was raised,
	// with its words.
	send("roll.loaded", map[string]any{"stock": text, "film_class": "monomeric", "lot": text, "width_mm": 1370, "by": text})
	send("edge.moved", map[string]any{"position_mm": 0, "cause": "rewind"})
	for i := range 3 {
		job := fmt.Sprint(text, i)
		send("ticket.received", map[string]any{"job": job, "part": text, "title": text, "stock": text, "film_class": "monomeric", "flags": []string{text}, "source_file": text, "source_sha256": text, "source_format": text})
		send("run.queued", map[string]any{"job": job, "part": text, "recipe": text})
	}
	send("alarm.changed", map[string]any{
		"hazard": text, "from": "normal", "to": "unacknowledged", "on": "condition", "emit": "annunciate", "priority": "high", "message": text, "caution": text,
		"evidence": []any{map[string]any{"name": text, "value": text, "limit": text}}, "cause_event": text, "page": []string{text},
		"remedies": []any{map[string]any{"code": text, "text": text, "cost": text, "why_not": text}, map[string]any{"code": "leader", "text": text, "settles": true, "cheapest": true}},
	})
	send("operator.noted", map[string]any{"hazard": "dry-air", "action": "shelve", "by": text, "reason": text, "until": now.Add(time.Hour).UTC().Format(time.RFC3339)})
	send("operator.noted", map[string]any{"action": "note", "by": text, "reason": text})
	send("strange."+strings.NewReplacer(" ", "-", ".", "-", "*", "-", ">", "-").Replace(plain(text)), map[string]any{"x": text})
	if err := a.Settle(deadline(t)); err != nil {
		t.Fatal(err)
	}
	return id, int(a.View().Floor.Counts.Rejected["event"])
}

// crawl reads pages and what they lead to, as a browser that looks at everything
// would, and returns each address with the text of its page; empty for no page.
func (v visitor) crawl(most int, from ...string) map[string]string {
	v.Helper()
	pages, queue := map[string]string{}, slices.Clone(from)
	for len(queue) > 0 && len(pages) < most {
		at := queue[0]
		queue = queue[1:]
		if _, read := pages[at]; read {
			continue
		}
		got := v.get(at, "Accept: text/html")
		if got.StatusCode >= 500 {
			v.Errorf("%s: status %d: %.300s", at, got.StatusCode, got.body)
		}
		for name, values := range got.Header {
			if strings.ContainsAny(strings.Join(values, ""), "\r\n") || name == "Set-Cookie" && strings.Contains(fmt.Sprint(values), "xevil") {
				v.Errorf("%s: header %s is %q", at, name, values)
			}
		}
		if got.Header.Get("X-Content-Type-Options") != "nosniff" { // without it a browser may take any text for a page
			v.Errorf("%s: a browser may guess what it is", at)
		}
		if pages[at] = ""; !strings.HasPrefix(got.Header.Get("Content-Type"), "text/html") {
			continue
		}
		pages[at] = got.body
		base, _ := url.Parse(v.url + at)
		for n := range parsePage(v, got.body).Descendants() {
			for _, a := range n.Attr {
				if to, err := base.Parse(a.Val); a.Key == "href" && err == nil && to.Host == base.Host {
					queue = append(queue, to.RequestURI())
				}
			}
		}
	}
	return pages
}

func parsePage(tb visitor, text string) *html.Node {
	tb.Helper()
	root, err := html.Parse(strings.NewReader(text))
	if err != nil {
		tb.Fatal(err)
	}
	return root
}

// wantHarmless looks for what a browser would make of a page out of a text.
func wantHarmless(v visitor, at, page string) {
	v.Helper()
	for n := range parsePage(v, page).Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if n.Data == "x-evil" {
			v.Errorf("%s: a text became an element", at)
		}
		if n.Data == "script" || n.Data == "style" {
			for c := range n.ChildNodes() {
				if strings.Contains(c.Data, "xevil") {
					v.Errorf("%s: a text stands in a %s: %.200s", at, n.Data, c.Data)
				}
			}
		}
		for _, a := range n.Attr {
			value := strings.ToLower(strings.TrimSpace(a.Val))
			switch a.Key {
			case "onx", "x-evil", "srcdoc":
				v.Errorf("%s: a text became an attribute of %s", at, n.Data)
			case "href", "src", "action", "formaction", "xlink:href", "poster", "data":
				if scheme, _, found := strings.Cut(value, ":"); found && !slices.Contains([]string{"http", "https"}, scheme) && !strings.ContainsAny(scheme, "/?#") {
					v.Errorf("%s: %s of %s leads to %.100q", at, a.Key, n.Data, a.Val)
				}
			case "style":
				if strings.Contains(value, "xevil") {
					v.Errorf("%s: a text stands in a style: %.100q", at, a.Val)
				}
			}
			if strings.HasPrefix(a.Key, "on") {
				v.Errorf("%s: %s has a handler %s=%.100q", at, n.Data, a.Key, a.Val)
			}
		}
	}
}

// TestEveryTextIsOnlyText fills every text of every event type with each hostile
// text, walks all pages that lead from each other, and the answers for programs.
func TestEveryTextIsOnlyText(t *testing.T) {
	for i, text := range hostileTexts {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			a := startApp(t, Options{Config: shopOf(t, 1)})
			sent, refused := hostileFloor(t, a, "m0", text)
			if refused > sent/2 {
				t.Errorf("%d of %d events were refused: the test tests little", refused, sent)
			}
			v := visit(t, a)
			month := time.Now().Format("2006-01")
			from := []string{"/", "/?still", "/tickets", "/floor/m0", "/history/north/m0", "/advice/north/m0", "/report/" + month, "/upkeep", "/metrics"}
			from = append(from, "/history/north/m0?job="+url.QueryEscape(text)+"&type="+url.QueryEscape(text)+"&q="+url.QueryEscape(text), "/floor/m0?"+url.QueryEscape(text)+"="+url.QueryEscape(text),
				"/login?next="+url.QueryEscape(text), "/"+url.PathEscape(text), "/history/north/"+url.PathEscape(text), "/report/"+url.PathEscape(text))
			pages := v.crawl(150, from...)
			shown := 0
			for at, page := range pages {
				wantHarmless(v, at, page)
				if strings.Contains(page, "xevil") {
					shown++
				}
			}
			if len(pages) < 40 || shown < 10 {
				t.Errorf("%d pages were read and %d showed the text: the test tests little", len(pages), shown)
			}
			for _, at := range []string{"/api/v1/floor", "/api/v1/alarms", "/api/v1/tickets", "/api/v1/anomalies", "/api/v1/machines/north/m0/events", "/api/v1/machines/north/m0/advice"} {
				got := v.get(at).wants(t, 200)
				if kind := got.Header.Get("Content-Type"); kind != "application/json" || !json.Valid([]byte(got.body)) || got.Header.Get("X-Content-Type-Options") != "nosniff" {
					t.Errorf("%s: %s, %v", at, kind, got.Header)
				}
			}
			for _, line := range strings.Split(v.get("/metrics").body, "\n") {
				if strings.Contains(line, "xevil") && !strings.HasPrefix(line, "rollwarden_") {
					t.Errorf("a text became a line of the metrics: %q", line)
				}
			}
			reportIsHarmless(t, v, month)
		})
	}
}

// reportIsHarmless opens the month's report in the forms that other programs
// read. A spreadsheet takes a text for a formula that begins with one of the
// signs that the OWASP page "CSV Injection" lists.
func reportIsHarmless(t *testing.T, v visitor, month string) {
	t.Helper()
	list, err := csv.NewReader(strings.NewReader(v.get("/report/"+month+"/report.csv").wants(t, 200).body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, record := range list {
		for k, cell := range record {
			if numeric := k >= 6 && k <= 9; !numeric && cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r") {
				t.Errorf("record %d: %.100q is a formula", i+1, cell)
			}
		}
	}
	book, err := excelize.OpenReader(strings.NewReader(v.get("/report/"+month+"/report.xlsx").wants(t, 200).body))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	for _, sheet := range book.GetSheetList() {
		rows, err := book.GetRows(sheet)
		if err != nil {
			t.Fatal(err)
		}
		for r, row := range rows {
			for c := range row {
				cell, err := excelize.CoordinatesToCellName(c+1, r+1)
				if err != nil {
					t.Fatal(err)
				}
				if formula, err := book.GetCellFormula(sheet, cell); err != nil || strings.Contains(formula, "evil") {
					t.Errorf("%s %s computes %q, %v", sheet, cell, formula, err)
				}
				if link, to, err := book.GetCellHyperLink(sheet, cell); err != nil || link && strings.Contains(to, "evil") {
					t.Errorf("%s %s leads to %q, %v", sheet, cell, to, err)
				}
			}
		}
	}
	pdf := []byte(v.get("/report/"+month+"/report.pdf").wants(t, 200).body)
	for _, word := range []string{"/JavaScript", "/JS", "/Launch", "evil.example"} { // ISO 32000-1 section 12.6.4
		if bytes.Contains(pdf, []byte(word)) {
			t.Errorf("the PDF has %s", word)
		}
	}
}
