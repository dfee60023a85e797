package touch

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

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
	Named       bool
}

// input is one field of a form.
type input struct {
	ID, Name string
	Label    string
	Hint     string
	Widget   string // text, number, choice, stock or job
	Unit     string // what is typed, as people write it; empty for none
	Value    string
	Required bool
	Options  []option
}

type option struct {
	Value, Text string
	Part        string // of a job
	Chosen      bool
}

// asked are the fields that an action shows at once although it can do without
// them, since most entries have them. The others are folded away.
var asked = map[string][]string{
	"load-roll":   {"stock", "length_m", "edge_mm"},
	"remove-roll": {"length_m"},
	"finish":      {"metres"},
	"stop":        {"metres", "reason"},
	"strike":      {"nozzles_lost", "note"},
	"reprint":     {"copies"},
	"strip":       {"passes", "stock"},
}

// actions draws the table of actions for this machine as it is.
func (p *painter) actions() []actionForm {
	forms := make([]actionForm, len(action.Actions))
	for i := range action.Actions {
		a := &action.Actions[i]
		f := actionForm{
			Code: a.Code, Title: p.Name("action", a.Code, a.Title), ID: uuid.NewString(), Grave: a.Code == "strike",
			To:   "/api/v1/machines/" + p.site + "/" + p.machine + "/entries",
			Back: "/floor/" + p.machine + "?site=" + p.site, Named: p.audience.Named,
		}
		for _, code := range a.Cautions {
			f.Cautions = append(f.Cautions, p.Name("caution", code, action.CautionText(code)))
		}
		for k := range a.Fields {
			in := p.input(a, &a.Fields[k])
			if in.Required || slices.Contains(asked[a.Code], in.Name) {
				f.Ask = append(f.Ask, in)
			} else {
				f.More = append(f.More, in)
			}
		}
		forms[i] = f
	}
	return forms
}

func (p *painter) input(a *action.Action, f *action.Field) input {
	in := input{
		ID: a.Code + "-" + f.Name, Name: f.Name, Label: p.Name("field", f.Name, f.Doc), Widget: "text",
		Value: f.Default, Required: f.Required,
	}
	switch f.Kind {
	case action.LengthMM, action.LengthM, action.Number:
		in.Widget = "number"
		in.Unit = p.unit(f.Unit)
		in.Value = p.suggest(a, f)
	case action.Choice:
		in.Widget = "choice"
		for _, v := range f.Choices {
			in.Options = append(in.Options, option{Value: v, Text: p.Name(choiceTable(f.Name), v, v), Chosen: v == f.Default})
		}
		if f.Name == "film_class" || len(f.Choices) > 4 && !f.Required {
			in.Widget = "list"
		}
	case action.YesNo:
		in.Widget = "choice"
		in.Options = []option{{Value: "true", Text: p.Say("touch.yes")}, {Value: "false", Text: p.Say("touch.no")}}
	case action.Stock:
		in.Widget, in.Hint = "stock", p.Say("touch.scan")
	case action.Job:
		in.Widget = "job"
		in.Options = p.jobs(a.Code)
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
	}
	step := map[string]float64{"mm": 1, "in": 10, "m": 10, "ft": 1}[unit]
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

// suggest is what will most likely be told, so that it need not be typed: how
// far an advance or a leader has to reach. It is empty when nobody can know.
func (p *painter) suggest(a *action.Action, f *action.Field) string {
	far, known := 0.0, false
	if p.o.Clear != nil {
		far, known = p.o.Clear(p.site, p.machine)
	}
	switch {
	case a.Code == "advance" && f.Name == "by_mm", a.Code == "tape-leader" && f.Name == "length_mm":
		if known && far > 0 {
			return p.shown(far, f.Unit)
		}
	case f.Default != "":
		if v, ok := units.Parse(f.Default, f.Unit); ok {
			return p.shown(v, f.Unit)
		}
	}
	return ""
}

// jobs lists the jobs that an action can be about, the likeliest first: the
// queue for a start, the running one for its end, the last one after that.
func (p *painter) jobs(code string) []option {
	m := p.floor
	if m == nil {
		return nil
	}
	var runs []*floor.Run
	for i := range m.Queue {
		runs = append(runs, &m.Queue[i])
	}
	if code == "start" {
		return jobOptions(runs)
	}
	runs = append([]*floor.Run{m.Run, m.Last}, runs...)
	if code == "cut" || code == "reprint" {
		runs[0], runs[1] = runs[1], runs[0]
	}
	return jobOptions(slices.DeleteFunc(runs, func(r *floor.Run) bool { return r == nil }))
}

func jobOptions(runs []*floor.Run) []option {
	var out []option
	for _, r := range runs {
		o := option{Value: r.Job, Part: r.Part, Text: event.JobName(r.Job, r.Part), Chosen: len(out) == 0}
		if r.Ticket != nil && r.Ticket.Data.Title != "" {
			o.Text += " · " + r.Ticket.Data.Title
		}
		if !slices.ContainsFunc(out, func(x option) bool { return x.Value == o.Value && x.Part == o.Part }) {
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

// taken lists what was told within the last minute.
func (p *painter) taken() []undoForm {
	var out []undoForm
	if p.floor == nil || reads(p.audience.Role) {
		return out
	}
	for _, e := range slices.Backward(p.floor.Entries) {
		until := e.At.Add(undoWithin)
		if e.Undone || !until.After(p.Now) {
			continue
		}
		out = append(out, undoForm{
			To:   "/api/v1/machines/" + p.site + "/" + p.machine + "/undo",
			Back: "/floor/" + p.machine + "?site=" + p.site,
			ID:   uuid.NewSHA1(uuid.NameSpaceURL, []byte("undo\x00"+e.ID)).String(), Event: e.ID,
			Text: p.Name("event", string(e.Type), string(e.Type)), At: p.Clock(e.At), Until: moment(until),
			Left: p.Number(units.Span(until.Sub(p.Now))), Named: p.audience.Named,
		})
	}
	return out
}

// jobOf names the job that a run is of, or says that there is none.
func jobOf(r *floor.Run, none string) string {
	if r == nil {
		return none
	}
	return cmp.Or(event.JobName(r.Job, r.Part), none)
}
