package action

import (
	"fmt"
	"slices"
	"strings"

	"rollwarden/rules/event"
)

// Caution is what can hurt while an action is done, in one sentence that leaves
// the last word to the machine's manual. Its code is for other languages.
type Caution struct {
	Code string
	Text string
}

// Cautions lists every caution.
var Cautions = []Caution{
	{"moving-carriage", "Stop the machine by its own controls, as its manual says, before you reach under or beside the carriage; Rollwarden is no interlock."},
	{"hot-zone", "The cure zone stays hot after a run: let it cool as the machine's manual says before you touch it or the film in it."},
	{"pinch-point", "Rollers draw in fingers, hair and cloth: keep clear while film moves, and follow the machine's manual."},
	{"blade", "Blades cut: cut away from the body with the blade guarded, and only where the machine's manual allows a cut."},
	{"heavy-roll", "Rolls are heavy: lift with help, or with the lifter that the machine's manual names."},
	{"static", "Dry film carries a charge: earth yourself as the machine's manual says, and keep solvents away."},
}

// CautionText returns the English sentence of a caution, empty when there is none
// of that code.
func CautionText(code string) string {
	for _, c := range Cautions {
		if c.Code == code {
			return c.Text
		}
	}
	return ""
}

// row is an action as it is written down. Need and may name fields of the payload:
// those it cannot do without, and those it can.
type row struct {
	code, title string
	typ         event.Type
	need, may   string
	cautions    string
	fixed       map[string]string
	adjust      func(*Field) // where the action asks for less than the contract allows
	negate      string
}

// Actions lists every action, in the order of a working day.
var Actions = compile([]row{
	{code: "load-roll", title: "Load a roll", typ: "roll.loaded", may: "stock film_class width_mm length_m lot thickness_um edge_mm",
		cautions: "heavy-roll pinch-point hot-zone static"},
	{code: "remove-roll", title: "Take the roll off", typ: "roll.removed", may: "length_m", cautions: "heavy-roll pinch-point"},
	{code: "tape-leader", title: "Tape on a leader", typ: "leader.attached", need: "length_mm", may: "thickness_um",
		cautions: "moving-carriage hot-zone pinch-point"},
	{code: "take-leader-off", title: "Take the leader off", typ: "leader.removed", cautions: "moving-carriage hot-zone pinch-point"},
	{code: "advance", title: "Advance the film", typ: "edge.moved", need: "by_mm", fixed: cause(event.CauseAdvance),
		cautions: "pinch-point moving-carriage hot-zone", adjust: forward},
	{code: "trim", title: "Trim the lip", typ: "edge.moved", need: "by_mm", fixed: cause(event.CauseTrim),
		cautions: "moving-carriage blade hot-zone", adjust: lip, negate: "by_mm"},
	{code: "round-lip", title: "Round the lip", typ: "edge.shaped", fixed: map[string]string{"shape": "rounded"},
		cautions: "moving-carriage blade hot-zone"},
	{code: "start", title: "Start a run", typ: "run.started", need: "job", may: "part", cautions: "moving-carriage pinch-point"},
	{code: "finish", title: "Finish the run", typ: "run.finished", need: "job", may: "part metres", cautions: "hot-zone"},
	{code: "stop", title: "Stop the run", typ: "run.stopped", need: "job", may: "part metres reason", cautions: "hot-zone moving-carriage"},
	{code: "cut", title: "Cut the job off", typ: "cut.finished", need: "rewound", may: "job part at_mm", cautions: "moving-carriage blade hot-zone"},
	{code: "strike", title: "Head strike", typ: "strike.recorded", may: "job part nozzles_lost downtime_s note", cautions: "moving-carriage hot-zone"},
	{code: "head-check", title: "Check the heads", typ: "head.checked", need: "nozzles_ok obstruction_clear", cautions: "moving-carriage hot-zone"},
	{code: "waste", title: "Film thrown away", typ: "film.wasted", need: "length_m cause", may: "width_mm", cautions: "blade static"},
	{code: "reprint", title: "Print again", typ: "job.reprinted", need: "job cause", may: "part copies"},
	{code: "strip", title: "Measure a control strip", typ: "strip.measured", need: "axis nominal_mm measured_mm cure_c", may: "passes stock", cautions: "blade"},
	{code: "note", title: "Leave a note", typ: "operator.noted", need: "reason", fixed: map[string]string{"action": event.ActNote}},
})

func cause(word string) map[string]string { return map[string]string{"cause": word} }

// forward asks for a movement towards the take-up only: a rewind is no advance.
func forward(f *Field) { f.Min, f.Doc = 0, "how far the film went forward" }

// lip asks for what was cut off, which leaves the edge that much further back. A
// straight trim takes about a centimetre (common practice, no source); should it
// have taken less, the edge is taken to be shorter than it is, which is safe.
func lip(f *Field) { f.Min, f.Default, f.Doc = 0, "10", "how much was cut off the edge" }

// Table writes the actions as a Markdown table for the documentation.
func Table() string {
	var b strings.Builder
	b.WriteString("| action | what it is | event | asks for | caution |\n|---|---|---|---|---|\n")
	for _, a := range Actions {
		asks := make([]string, len(a.Fields))
		for i, f := range a.Fields {
			asks[i] = "`" + f.Name + "`"
			if !f.Required {
				asks[i] = "(" + asks[i] + ")"
			}
		}
		fmt.Fprintf(&b, "| `%s` | %s | `%s` | %s | %s |\n", a.Code, a.Title, a.Type, strings.Join(asks, " "), strings.Join(a.Cautions, ", "))
	}
	return b.String()
}

func compile(rows []row) []Action {
	all := make([]Action, len(rows))
	for i, r := range rows {
		kind, _ := event.KindOf(r.typ) // a test finds a row of no type
		a := Action{
			Code: r.code, Title: r.title, Type: r.typ, Cautions: strings.Fields(r.cautions),
			Undo: slices.Contains(event.Undoable, r.typ), fixed: r.fixed, negate: r.negate,
		}
		for _, name := range strings.Fields(r.need) {
			a.Fields = append(a.Fields, ask(kind, name, true))
		}
		for _, name := range strings.Fields(r.may) {
			a.Fields = append(a.Fields, ask(kind, name, false))
		}
		for k := range a.Fields {
			if r.adjust != nil {
				r.adjust(&a.Fields[k])
			}
		}
		all[i] = a
	}
	return all
}

// ask takes a field over from the contract.
func ask(kind event.Kind, name string, required bool) Field {
	fields := event.Fields(kind)
	f := Field{Field: event.Field{Name: name}}
	if i := slices.IndexFunc(fields, func(f event.Field) bool { return f.Name == name }); i >= 0 {
		f.Field = fields[i] // a test finds a name of no field
	}
	f.Required = f.Required || required
	f.Kind, f.Choices = kindOf(f.Field), f.Enum
	return f
}

// kindOf reads from the contract how a value is asked for.
func kindOf(f event.Field) Kind {
	switch {
	case f.Name == "job":
		return Job
	case f.Name == "stock":
		return Stock
	case f.Enum != nil:
		return Choice
	case f.Type == "boolean":
		return YesNo
	case f.Type == "number" && f.Unit == "mm":
		return LengthMM
	case f.Type == "number" && f.Unit == "m":
		return LengthM
	case f.Type == "number":
		return Number
	}
	return Text
}
