package touch

import (
	"cmp"
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"rollwarden/metrics/web"
	"rollwarden/rules/action"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/units"
)

// actionForm is one thing that can be told, ready to be drawn.
type actionForm struct {
	Code, Title string
	ID          string // of the entry, for a browser without a script
	To, Back    string
	Grave       bool // it stands apart: a head strike
	Cautions    []string
	Ask, More   []input
	Without     string // the button for a roll without a code; empty for none
	Named       bool
}

// input is one field of a form.
type input struct {
	Name     string // as a form sends it
	Field    string // of the contract; empty for a run, which is two of them
	Label    string
	Hint     string
	Widget   string // text, prose, number, choice, list, yes-no, stock or run
	Unit     string // what is typed, as people write it; empty for none
	Value    string
	Required bool
	Options  []option
}

type option struct {
	Value, Text string
	Chosen      bool
}

// group is a heading over actions that belong together.
type group struct {
	Code, Title string
	Actions     []template.HTML
}

// groups is where an operator looks for an action. What is in none of them stands
// with what is written down, which comes last.
var groups = []struct {
	code    string
	actions []string
}{
	{"film", []string{"load-roll", "remove-roll", "tape-leader", "take-leader-off", "advance", "trim", "round-lip"}},
	{"run", []string{"start", "finish", "stop", "cut"}},
	{"head", []string{"strike", "head-check"}},
	{"record", nil},
}

// groupOf is the place of an action among the groups.
func groupOf(code string) int {
	for i := range groups {
		if slices.Contains(groups[i].actions, code) {
			return i
		}
	}
	return len(groups) - 1
}

// asked are the fields that an action shows at once although it can do without
// them, since most entries have them, in this order behind what it wants. The others
// are folded away.
var asked = map[string][]string{
	"load-roll":   {"stock", "length_m", "edge_mm", "film_class"},
	"remove-roll": {"length_m"},
	"finish":      {"metres"},
	"stop":        {"metres", "reason"},
	"strike":      {"nozzles_lost", "note"},
	"reprint":     {"copies"},
	"strip":       {"passes", "stock"},
}

// loadRoll is the action that replaces what is known of the film. The contract
// takes a roll of which nothing is known; the page takes it from a button of its
// own only, so that an empty form that is sent by mistake wipes out nothing.
const loadRoll = "load-roll"

// tileID is the id of an action's element.
func tileID(code string) string { return "act-" + code }

// actions draws the table of actions for this machine as it is. A form that is
// sent without a script needs an id, which is a new one for each page; a part of
// a live page has none, so that it looks the same for as long as it is the same.
func (p *painter) actions(withIDs bool) []actionForm {
	forms := make([]actionForm, len(action.Actions))
	far := p.farther()
	for i := range action.Actions {
		a := &action.Actions[i]
		f := actionForm{
			Code: a.Code, Title: p.Name("action", a.Code, a.Title), Grave: a.Code == "strike",
			To: p.address("entries"), Back: p.back(), Named: p.audience.Named,
		}
		if withIDs {
			f.ID = uuid.NewString()
		}
		for _, code := range a.Cautions {
			f.Cautions = append(f.Cautions, p.Name("caution", code, action.CautionText(code)))
		}
		if a.Code == loadRoll {
			f.Without = p.Say("touch.without-code")
		}
		runs := p.runs(a.Code)
		for k := range a.Fields {
			in := p.input(a, &a.Fields[k], far)
			if in.Field == "job" && len(runs) > 0 {
				f.Ask = append(f.Ask, input{Name: "run", Label: in.Label, Widget: "run", Required: in.Required, Options: runs})
				in.Label, in.Required = p.Say("touch.other-job"), false
			}
			if in.Required || slices.Contains(asked[a.Code], in.Field) {
				f.Ask = append(f.Ask, in)
			} else {
				f.More = append(f.More, in)
			}
		}
		slices.SortStableFunc(f.Ask, func(x, y input) int {
			return cmp.Compare(slices.Index(asked[a.Code], x.Field), slices.Index(asked[a.Code], y.Field))
		})
		forms[i] = f
	}
	return forms
}

// address is where the watch's own edge takes what is told of the machine.
func (p *painter) address(of string) string {
	return "/api/v1/machines/" + p.site + "/" + p.machine + "/" + of
}

// back is where a form without a script returns to.
func (p *painter) back() string { return "/floor/" + p.machine + "?site=" + p.site }

func (p *painter) input(a *action.Action, f *action.Field, far string) input {
	in := input{
		Name: "field." + f.Name, Field: f.Name, Label: p.Name("field", f.Name, f.Doc), Widget: "text",
		Value: f.Default, Required: f.Required || a.Code == loadRoll && f.Kind == action.Stock,
	}
	switch f.Kind {
	case action.LengthMM, action.LengthM, action.Number:
		in.Widget, in.Unit, in.Value = "number", p.unit(f.Unit), p.suggest(a, f, far)
	case action.Choice:
		in.Widget = "choice"
		for _, v := range f.Choices {
			in.Options = append(in.Options, option{Value: v, Text: p.Name(choiceTable(f.Name), v, v), Chosen: v == f.Default})
		}
		if !f.Required {
			in.Widget = "list" // which can be left empty again
		}
	case action.YesNo:
		in.Widget = "yes-no"
		in.Options = []option{{Value: "true", Text: p.Say("touch.yes")}, {Value: "false", Text: p.Say("touch.no")}}
	case action.Stock:
		in.Widget, in.Hint = "stock", p.Say("touch.scan")
	case action.Text:
		if f.Name == "reason" || f.Name == "note" {
			in.Widget = "prose"
		}
	}
	return in
}

// choiceTable is where the catalogue has the words for a field's choices.
func choiceTable(field string) string {
	switch field {
	case "film_class":
		return "class"
	case "cause":
		return "waste"
	}
	return field
}

// unit is how people here write a unit of the contract.
func (p *painter) unit(of string) string {
	switch {
	case of == "mm" && p.Imperial:
		return "in"
	case of == "m" && p.Imperial:
		return "ft"
	case of == "µm" && p.Imperial:
		return "mil"
	case of == "°C" && p.Fahrenheit:
		return "°F"
	case of == "percent":
		return "%"
	}
	return of
}

// shown writes a value of the contract in the unit that people here write. A
// suggestion is rounded up, so that it still reaches where it should.
func (p *painter) shown(v float64, unit string) string {
	switch p.unit(unit) {
	case "in":
		v, unit = v/units.MMPerInch, "in"
	case "ft":
		v, unit = v*1000/units.MMPerFoot, "ft"
	case "mil":
		v, unit = v/units.UMPerMil, "mil"
	}
	step := map[string]float64{"mm": 1, "in": 10, "m": 10, "ft": 1, "mil": 10}[unit]
	if step == 0 {
		step = 1
	}
	return p.Number(strconv.FormatFloat(ceil(v, step), 'f', -1, 64))
}

// ceil rounds up to a fraction of one, and takes dust for nothing.
func ceil(v, parts float64) float64 {
	const dust = 1e-9
	whole := float64(int64(v * parts))
	if v*parts-whole > dust {
		whole++
	}
	return whole / parts
}

// farther is how far the film has yet to go for its edge to lie past the cure
// exit, as text. It is empty when that is nothing, and when nobody can know.
func (p *painter) farther() string {
	if p.o.Clear == nil {
		return ""
	}
	mm, known := p.o.Clear(p.view, p.site, p.machine)
	if !known || mm <= 0 {
		return ""
	}
	return p.shown(mm, "mm")
}

// suggest is what will most likely be told, so that it need not be typed.
func (p *painter) suggest(a *action.Action, f *action.Field, far string) string {
	if a.Code == "advance" && f.Name == "by_mm" || a.Code == "tape-leader" && f.Name == "length_mm" {
		return far
	}
	if v, ok := units.Parse(f.Default, f.Unit); ok {
		return p.shown(v, f.Unit)
	}
	return ""
}

// mostOffered is how many queued runs are offered to be chosen from. A list that is
// longer is slower than typing the job's name, for which there is a field.
const mostOffered = 50

// runs lists the runs that an action can be about, the likeliest first: the
// queue for a start, the running one for its end, the last one after that.
func (p *painter) runs(code string) []option {
	m := p.floor
	if m == nil {
		return nil
	}
	runs := slices.Clone(m.Queue[:min(len(m.Queue), mostOffered)])
	if code == "start" {
		return runOptions(runs)
	}
	runs = append([]*floor.Run{m.Run, m.Last}, runs...)
	if code == "cut" || code == "reprint" {
		runs[0], runs[1] = runs[1], runs[0]
	}
	return runOptions(slices.DeleteFunc(runs, func(r *floor.Run) bool { return r == nil }))
}

// runOptions names each run once. Its value is a query, so that a job and its
// part stay together.
func runOptions(runs []*floor.Run) []option {
	var out []option
	for _, r := range runs {
		value := url.Values{"job": {r.Job}}
		if r.Part != "" {
			value.Set("part", r.Part)
		}
		o := option{Value: value.Encode(), Text: event.JobName(r.Job, r.Part), Chosen: len(out) == 0}
		if r.Ticket != nil && r.Ticket.Data.Title != "" {
			o.Text += " · " + r.Ticket.Data.Title
		}
		if !slices.ContainsFunc(out, func(x option) bool { return x.Value == o.Value }) {
			out = append(out, o)
		}
	}
	return out
}

// undoForm is an entry that can still be taken back.
type undoForm struct {
	To, Back, ID string
	Event        string
	Text         string
	At           string // when it was told
	Until        string // when it no longer can
	Left         string
	Named        bool
}

// undoWithin is how long an entry is offered to be taken back. The watch's own
// edge has the last word.
const undoWithin = time.Minute

// taken lists what was told within the last minute and has not been overtaken.
func (p *painter) taken() []undoForm {
	var out []undoForm
	if p.floor == nil {
		return out
	}
	for _, e := range slices.Backward(p.floor.Entries) {
		until := e.At.Add(undoWithin)
		if !until.After(p.Now) || !p.undoable(e) {
			continue
		}
		out = append(out, undoForm{
			To: p.address("undo"), Back: p.back(),
			ID: uuid.NewSHA1(uuid.NameSpaceURL, []byte("undo\x00"+e.ID)).String(), Event: e.ID,
			Text: p.Name("event", string(e.Type), string(e.Type)), At: p.Clock(e.At), Until: web.Instant(until),
			Left: p.Number(units.Span(until.Sub(p.Now))), Named: p.audience.Named,
		})
	}
	return out
}

// undoable reports whether the fold would take an entry back: not twice, and not
// when what it changed has changed since. What a machine said by itself is no
// entry; the ids of people's are UUIDs.
func (p *painter) undoable(e *floor.Entry) bool {
	if e.Undone || uuid.Validate(e.ID) != nil {
		return false
	}
	return !slices.ContainsFunc(e.Changed, func(part int) bool { return p.floor.Changed[part] != e.Seq })
}

// jobOf names the job that a run is of, or says that there is none.
func jobOf(r *floor.Run, none string) string {
	if r == nil {
		return none
	}
	return cmp.Or(event.JobName(r.Job, r.Part), none)
}
