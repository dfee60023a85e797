package floor_test

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

var update = flag.Bool("update", false, "write what the fold gives into the transcripts")

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// TestTranscripts plays the files in testdata/floor. Each is a story in
// blocks: events, one a line as "type key=value ...", a line "----", and the
// machine as the fold then has it. A line may begin with "@site/machine", with
// "@site/any" for a whole site, and "refuse reason" stands for a message that
// cannot be decoded. Every line is one minute later than the one before, and one that
// begins with a time such as "-2h" is told that much after it happened.
func TestTranscripts(t *testing.T) {
	files, err := filepath.Glob("testdata/floor/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no transcripts: %v", err)
	}
	types := map[event.Type]bool{}
	anomalies := map[string]bool{}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			p := &player{t: t, state: floor.New(), at: start}
			got := p.play(string(text))
			for typ := range p.state.Counts.Events {
				types[typ] = true
			}
			for kind := range p.state.Anomalies.Total {
				anomalies[kind] = true
			}
			if *update {
				if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(string(text), got); diff != "" {
				t.Errorf("%s (-file +fold); if the fold is right, run the test with -update:\n%s", name, diff)
			}
		})
	}
	for _, k := range event.Kinds {
		if !types[k.Type] {
			t.Errorf("no transcript tells of %s", k.Type)
		}
	}
	for _, k := range floor.AnomalyKinds {
		if !anomalies[k.Code] {
			t.Errorf("no transcript provokes %s: %s", k.Code, k.Doc)
		}
	}
}

type player struct {
	t     *testing.T
	state *floor.State
	seq   uint64
	at    time.Time
	known int // anomalies that were printed already
}

// play returns the text with the blocks' answers replaced by the fold's.
func (p *player) play(text string) string {
	var out strings.Builder
	blocks := strings.Split(strings.TrimRight(text, "\n"), "\n\n")
	for i, block := range blocks {
		if i > 0 {
			out.WriteString("\n")
		}
		question, _, asks := strings.Cut(block, "\n----")
		last := "north/heron"
		for line := range strings.Lines(question) {
			if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
				last = p.say(line)
			}
		}
		out.WriteString(question + "\n")
		if asks {
			out.WriteString("----\n" + p.show(last))
		}
	}
	return out.String()
}

// say applies one line and returns the machine that it is about.
func (p *player) say(line string) string {
	p.t.Helper()
	p.seq++
	p.at = p.at.Add(time.Minute)
	words := fields(line)
	place := "north/heron"
	if rest, ok := strings.CutPrefix(words[0], "@"); ok {
		place, words = rest, words[1:]
	}
	site, machine, _ := strings.Cut(place, "/")
	if words[0] == "refuse" {
		p.state.Refuse(p.seq, p.at, "floor."+site+"."+machine+".edge.moved", errors.New(strings.Join(words[1:], " ")))
		return place
	}
	at := p.at
	if ago, err := time.ParseDuration(words[0]); err == nil {
		at, words = at.Add(ago), words[1:]
	}
	e := event.Event{ID: fmt.Sprint(p.seq), Source: "test", Type: event.Type(words[0]), Time: at, Site: site, Machine: machine}
	if kind, known := event.KindOf(e.Type); known {
		payload, err := event.DecodeData(kind, object(p.t, words[1:]))
		if err != nil {
			p.t.Fatalf("%s: %v", line, err)
		}
		e.Data = payload
	}
	p.state.Apply(p.seq, e)
	return place
}

// fields splits at spaces that stand outside of quotes.
func fields(line string) []string {
	quoted := false
	return strings.FieldsFunc(line, func(r rune) bool {
		if r == '"' {
			quoted = !quoted
		}
		return r == ' ' && !quoted
	})
}

// object makes a JSON object of key=value words. What is no JSON is a text.
func object(t *testing.T, words []string) []byte {
	members := map[string]json.RawMessage{}
	for _, w := range words {
		key, value, ok := strings.Cut(w, "=")
		if !ok {
			t.Fatalf("want key=value, got %q", w)
		}
		if !json.Valid([]byte(value)) {
			value = strconv.Quote(value)
		}
		members[key] = json.RawMessage(value)
	}
	b, err := json.Marshal(members)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// show prints a machine, the tickets of its site that are its own, and the
// anomalies that are new.
func (p *player) show(place string) string {
	var out strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&out, "  %-8s %s\n", name, fmt.Sprintf(format, args...))
	}
	site, name, _ := strings.Cut(place, "/")
	out.WriteString(place + "\n")
	if m := p.state.Machine(site, name); m != nil {
		showMachine(line, m, p.state.Climate(m, p.at))
	} else if room, ok := p.state.Rooms[site]; ok {
		line("room", "%s °C, %s %% humidity", num(room.TempC), num(room.RHPct))
	}
	if n := len(p.state.Tickets.All()); n > 0 {
		line("tickets", "%d", n)
	}
	for _, stock := range slices.Sorted(maps.Keys(p.state.Strips)) {
		list := p.state.Strips[stock]
		s := list[len(list)-1]
		line("strips", "%d of %s, the last one %s: %g mm for %g mm at %g °C", len(list), stock, s.Axis, s.MeasuredMM, s.NominalMM, s.CureC)
	}
	for _, r := range p.state.Rejects {
		line("reject", "%s on %s/%s: %s, %s", r.File, r.Site, r.Machine, r.Kind, r.Reason)
	}
	if c := p.state.Counts; c.Unknown > 0 || len(c.Rejected) > 0 {
		line("counts", "%d unknown, rejected %v", c.Unknown, c.Rejected)
	}
	for _, a := range p.state.Anomalies.Newest[p.known:] {
		line("anomaly", "%s: %s", a.Kind, a.Text)
	}
	p.known = len(p.state.Anomalies.Newest)
	return out.String()
}

func showMachine(line func(string, string, ...any), m *floor.Machine, air floor.Climate) {
	line("heard", "%s", m.LastHeard.Format("15:04"))
	if m.Roll.Loaded {
		line("roll", "%s %s %s mm wide, %s m left, %s µm", m.Roll.Stock, m.Roll.Class, num(m.Roll.WidthMM), num(m.Roll.LeftM), num(m.Roll.ThicknessUM))
	}
	line("edge", "%s", words(num(m.Edge.PositionMM)+" mm", m.Edge.Cause, m.Edge.Shape, when(m.Edge.Rewound, "reversed")))
	if m.Leader.On {
		line("leader", "%g mm, %s µm, front at %s mm", m.Leader.LengthMM, num(m.Leader.ThicknessUM), num(floor.FrontMM(m.Edge, m.Leader)))
	}
	if m.Run != nil {
		line("run", "%s", showRun(m.Run))
	}
	if m.Last != nil {
		line("last", "%s", showRun(m.Last))
	}
	for i := range m.Queue {
		line("queue", "%s", showRun(m.Queue[i]))
	}
	if h := m.Head; !h.StruckAt.IsZero() || !h.CheckedAt.IsZero() {
		line("head", "%s lost, nozzles ok %t, clear %t%s", num(h.NozzlesLost), h.NozzlesOK, h.Clear, when(h.Unproven, ", unproven"))
	}
	for _, n := range m.Notes {
		line("note", "%s: %s", n.By, n.Text)
	}
	if air.TempC.Known() || air.RHPct.Known() {
		line("air", "%s °C, %s %% humidity", num(air.TempC), num(air.RHPct))
	}
	showTally(line, &m.Tally)
}

func showRun(r *floor.Run) string {
	return words(
		r.Job+when(r.Part != "", "/"+r.Part), when(r.Recipe != "", "recipe "+r.Recipe),
		when(r.LengthM().Known(), "planned "+num(r.LengthM())+" m"), when(r.FedM.Known(), "fed "+num(r.FedM)+" m"),
		when(!r.StartAt.IsZero(), "starts "+r.StartAt.Format("15:04")), when(r.Pinned, "pinned"),
		when(r.Ticket == nil, "no ticket"), when(r.Advised != "", "advised "+r.Advised), when(r.Cut, "cut"), when(r.Struck, "struck"),
	)
}

func showTally(line func(string, string, ...any), t *floor.Tally) {
	for c, class := range event.Classes {
		for k, treatment := range floor.Treatments {
			if t.Starts[c][k]+t.Strikes[c][k] > 0 {
				line("starts", "%s, %s: %d with %d strikes", class, treatment, t.Starts[c][k], t.Strikes[c][k])
			}
		}
	}
	if t.Finished+t.Stopped > 0 || t.PrintedM > 0 {
		line("runs", "%d finished, %d stopped, %.2f m and %.2f m² printed", t.Finished, t.Stopped, t.PrintedM, t.PrintedM2)
	}
	if t.DownS > 0 {
		line("down", "%g s", t.DownS)
	}
	for i, cause := range event.WasteCauses {
		if t.WasteM2[i] > 0 || t.Reprints[i] > 0 {
			line("waste", "%s: %.3f m², %d reprints of %g copies", cause, t.WasteM2[i], t.Reprints[i], t.Copies[i])
		}
	}
	for _, typ := range event.Undoable {
		if n := t.Undone[typ]; n > 0 {
			line("undone", "%s: %d", typ, n)
		}
	}
	for _, w := range t.WasteBy {
		line("of", "%s: %.3f m² by %s", w.Stock, w.M2, event.WasteCauses[w.Cause])
	}
}

func num(m units.Maybe) string {
	v, ok := m.Get()
	if !ok {
		return "?"
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

func when(on bool, text string) string {
	if on {
		return text
	}
	return ""
}

// words joins what there is to say.
func words(w ...string) string {
	return strings.Join(slices.DeleteFunc(w, func(s string) bool { return s == "" }), ", ")
}
