package board

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// alarmCard is one alarm in a machine's strip.
type alarmCard struct {
	Key                           string // tells it from the strip's others
	Priority, PriorityText, Marks string
	Title                         web.Said
	For, State                    string
	Since                         moving
	Reason                        web.Said // why it stands, or what a person did last
	Message                       web.Said // as it was written at SaidAt, with what was so then
	SaidAt                        string
	Until                         *moving // when it comes off the shelf
	Note                          string  // by whom and why it was put aside
	Do                            *remedyLine
	DoLabel, Against              string
	Pays                          web.Said // which remedy pays and why, in one line
	All                           string   // address of the page on which remedy pays and why; empty for none
	Cautions                      []web.Said
	Why                           web.Said
	Evidence                      []evidenceLine
	Gone                          bool // it holds no more, and nobody has acknowledged it
	Acted                         bool // the reason says what a person did, so the evidence is the reason
	Others                        []remedyLine
	Forms                         []form
}

type remedyLine struct {
	Text  web.Said
	Cost  string
	Parts []web.Said
}

type evidenceLine struct{ Name, Value, Limit web.Said }

// form is what a person can do about an alarm, as it is sent to the watch.
type form struct {
	To, Back                    string
	ID                          string // of the entry; a script makes its own
	Hazard, Job, Part           string
	Action, Label, What         string
	Named                       bool // the watch knows who sends it
	Reason                      bool // whether it wants one
	Spans                       []span
	Sending, Sent, Failed, Name string
}

// span is a time for which an alarm can be put aside.
type span struct {
	Seconds int
	Label   string
}

// sorted puts alarms in the order in which a person should look at them:
// active ones first, then by priority, then those that nobody has acknowledged,
// then by which start comes first, then the newest.
func sorted(list []alarm.Alarm) []alarm.Alarm {
	return slices.SortedStableFunc(slices.Values(list), func(a, b alarm.Alarm) int {
		return cmp.Or(turnOf(a.State)-turnOf(b.State), urgency(a.Change.Priority)-urgency(b.Change.Priority),
			answered(a.State)-answered(b.State), startOf(&a).Compare(startOf(&b)), b.Since.Compare(a.Since), cmp.Compare(a.Hazard, b.Hazard))
	})
}

// answered orders what somebody has acknowledged behind what nobody has.
func answered(s alarm.State) int {
	if s == alarm.Acked {
		return 1
	}
	return 0
}

// startOf is the start that an alarm warns of: at once when nobody can tell.
func startOf(a *alarm.Alarm) time.Time {
	if a.Change.ReadyAt == nil {
		return time.Time{}
	}
	return *a.Change.ReadyAt
}

func urgency(priority string) int {
	return slices.Index(hazard.Priorities, hazard.Priority(priority))
}

// turnOf orders alarms by whether a person should look at them now.
func turnOf(s alarm.State) int {
	switch {
	case s.Active():
		return 0
	case s == alarm.Returned:
		return 1
	}
	return 2
}

// alarmsOf are the alarms of a machine as they are now.
func (b *board) alarmsOf(v *rules.View, s shown) []alarm.Alarm {
	if b.o.Alarms == nil {
		return v.Alarms.On(s.site, s.machine)
	}
	return b.o.Alarms(v, s.site, s.machine)
}

// alarm is the card of an alarm as it is now, and as it was told.
func (p *painter) alarm(s shown, a *alarm.Alarm, told string) alarmCard {
	c := &a.Change
	out := alarmCard{
		Key:      strings.Join([]string{a.Hazard, a.Job, a.Part}, "|"),
		Priority: c.Priority, PriorityText: p.Name("priority", c.Priority, c.Priority), Marks: web.Marks(c.Priority),
		Title: web.Said{Text: a.Hazard}, State: p.Name("state", string(a.State), string(a.State)), Since: p.ago("alarm.for-time", a.Since),
		SaidAt: p.Clock(a.Since), Acted: c.Emit != alarm.Annunciate, Gone: a.State == alarm.Returned,
	}
	if a.Job != "" {
		out.For = event.JobName(a.Job, a.Part)
	}
	if row := p.row(a.Hazard); row != nil {
		out.Title, out.Why = p.Turn(row.Title), p.Turn(row.Why)
	}
	reason, _ := web.Clauses(s.machine, out.For, c.Message)
	_, whole := web.Clauses(s.machine, out.For, told)
	out.Reason, out.Message = p.Turn(reason), p.Turn(whole)
	for _, e := range c.Evidence {
		out.Evidence = append(out.Evidence, evidenceLine{p.Turn(e.Name), web.Said{Text: p.Value(e.Value)}, web.Said{Text: p.Value(e.Limit)}})
	}
	p.aside(&out, a)
	out.Forms = p.forms(s, a)
	if out.Gone {
		return out // what it advised is no longer needed
	}
	if c.Caution != "" {
		out.Cautions = []web.Said{p.Turn(c.Caution)}
	}
	out.remedies(p, c.Remedies)
	if a.Hazard == string(hazard.BareEdge) {
		out.All = "/advice/" + s.site + "/" + s.machine
	}
	if i := slices.IndexFunc(c.Evidence, func(e event.Evidence) bool { return e.Name == "what pays" }); i >= 0 {
		out.Pays = p.Turn(c.Evidence[i].Value)
	}
	if out.Do != nil && out.Do.Cost != "" && a.Hazard == string(hazard.BareEdge) && p.o.StrikeCost != nil {
		if cost := p.o.StrikeCost(p.view, s.site, s.machine); cost != "" {
			out.Against = p.Say("alarm.against", p.Number(cost))
		}
	}
	return out
}

// remedies puts first what to do: the cheapest in expectation, else the first
// that can be taken.
func (c *alarmCard) remedies(p *painter, all []event.Remedy) {
	first := slices.IndexFunc(all, func(r event.Remedy) bool { return r.Cheapest })
	c.DoLabel = p.Say("alarm.do")
	if first < 0 || all[first].Expected == "" {
		c.DoLabel = p.Say("alarm.do.plain") // without prices there is no cheapest
	}
	if first < 0 {
		first = slices.IndexFunc(all, func(r event.Remedy) bool { return r.WhyNot == "" })
	}
	for i := range all {
		line := p.remedy(&all[i])
		if i == first {
			c.Do = &line
		} else {
			c.Others = append(c.Others, line)
		}
	}
}

func (p *painter) remedy(r *event.Remedy) remedyLine {
	line := remedyLine{Text: p.Turn(r.Text)}
	if r.WhyNot != "" {
		why := p.Turn(r.WhyNot)
		why.Text = p.Say("alarm.not", why.Text)
		line.Parts = []web.Said{why}
		return line
	}
	if r.Cost != "" {
		line.Cost = p.Say("alarm.cost", p.Value(r.Cost))
	}
	if r.Expected != "" {
		line.Parts = append(line.Parts, web.Said{Text: p.Say("alarm.expected", p.Value(r.Expected))})
	}
	if r.Settles {
		line.Parts = append(line.Parts, web.Said{Text: p.Say("alarm.settles")})
	} else {
		line.Parts = append(line.Parts, web.Said{Text: p.Say("alarm.helps")})
	}
	return line
}

// aside says who put an alarm aside, why and until when.
func (p *painter) aside(c *alarmCard, a *alarm.Alarm) {
	if until := a.Change.Until; until != nil {
		c.Until = &moving{At: web.Instant(*until), In: p.Say("alarm.until", p.Clock(*until), "{}"), Ago: p.Say("alarm.until-over")}
		if c.Until.Text = c.Until.Ago; until.After(p.Now) {
			c.Until.Text = p.Say("alarm.until", p.Clock(*until), p.Number(spanTo(p.Now, *until)))
		}
	}
	if a.Change.By != "" {
		c.Note = p.Say("alarm.by", a.Change.By)
	}
	if a.Change.Reason != "" {
		c.Note += ": " + a.Change.Reason
	}
}

// What a person can do.

// may reports whether a role may do something about an alarm, so that nothing is
// offered in vain; the watch's own edge has the last word. Anybody may do anything
// where nobody has to log in.
func may(role, action string) bool {
	switch role {
	case "", "supervisor":
		return true
	case "operator":
		return action == event.ActAcknowledge || action == event.ActReset
	}
	return false
}

// forms offers what can be done about an alarm in its state.
func (p *painter) forms(s shown, a *alarm.Alarm) (forms []form) {
	offer := func(action string) {
		if may(p.audience.Role, action) {
			forms = append(forms, p.form(s, a, action))
		}
	}
	switch a.State {
	case alarm.Unacked, alarm.Returned:
		offer(event.ActAcknowledge)
		offer(event.ActShelve)
	case alarm.Acked:
		offer(event.ActShelve)
	case alarm.Latched:
		offer(event.ActReset)
		offer(event.ActShelve)
	case alarm.Shelved:
		offer(event.ActRelease)
	}
	return forms
}

func (p *painter) form(s shown, a *alarm.Alarm, action string) form {
	title := a.Hazard
	if row := p.row(a.Hazard); row != nil {
		title = p.Turn(row.Title).Text
	}
	f := form{
		To:   "/api/v1/machines/" + s.site + "/" + s.machine + "/alarm",
		Back: "/#" + anchor(s.site, s.machine), ID: entryID(s, a, action),
		Hazard: a.Hazard, Job: a.Job, Part: a.Part, Action: action,
		Label: p.Name("act", action, action), What: title + " " + event.JobName(a.Job, a.Part), Named: p.audience.Named,
		Sending: p.Say("act.sending"), Sent: p.Say("act.sent"), Failed: p.Say("act.failed"), Name: p.Say("act.name"),
	}
	if action == event.ActShelve {
		f.Reason = true
		f.Spans = []span{{15 * 60, p.Say("act.shelve.short")}, {3600, p.Say("act.shelve.hour")}, {8 * 3600, p.Say("act.shelve.shift")}}
	}
	return f
}

// entryID names an entry by what it answers, so that a form that is sent twice
// counts once, and looks the same in every painting until the alarm changes.
func entryID(s shown, a *alarm.Alarm, action string) string {
	name := strings.Join([]string{s.site, s.machine, a.Hazard, a.Job, a.Part, string(a.State), web.Instant(a.Since), action}, "\x00")
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(name)).String()
}

// Over the whole floor.

type floorAlarms struct {
	Title  string // for the browser's tab
	Counts []counted
	Groups []alarmGroup
	Aside  []alarmLine
	More   int
}

type alarmGroup struct {
	Priority, Marks, Text string
	Lines                 []alarmLine
}

type alarmLine struct {
	Key             string
	Anchor, Machine string
	Title           web.Said
	For, State      string
	Since           moving
	Gone            bool
	Until           *moving
	Note            string
}

// floorAlarms lists the alarms of every machine, whether the page has room for
// its strip or not: what needs a person by priority, then what was put aside.
func (p *painter) floorAlarms() *floorAlarms {
	type one struct {
		s shown
		a alarm.Alarm
	}
	var all []one
	for _, s := range p.machines(p.view) {
		for _, a := range p.view.Alarms.On(s.site, s.machine) {
			all = append(all, one{s, a})
		}
	}
	slices.SortStableFunc(all, func(x, y one) int {
		return cmp.Or(turnOf(x.a.State)-turnOf(y.a.State), y.a.Since.Compare(x.a.Since))
	})
	out, standing := &floorAlarms{Title: p.Say("title")}, 0
	for _, priority := range hazard.Priorities {
		name := string(priority)
		g, n := alarmGroup{Priority: name, Marks: web.Marks(name)}, 0
		for i := range all {
			if a := &all[i].a; a.Change.Priority == name && turnOf(a.State) < 2 {
				n++
				if len(g.Lines) < mostAlarms {
					g.Lines = append(g.Lines, p.line(all[i].s, a))
				} else {
					out.More++
				}
			}
		}
		if n > 0 {
			standing += n
			g.Text = p.Say("summary."+name, n)
			out.Groups = append(out.Groups, g)
		}
	}
	for i := range all {
		if a := &all[i].a; turnOf(a.State) == 2 {
			if len(out.Aside) == mostAlarms {
				out.More++
				continue
			}
			out.Aside = append(out.Aside, p.line(all[i].s, a))
		}
	}
	if standing > 0 {
		out.Title = p.Say("title.alarms", standing)
	}
	return out
}

func (p *painter) line(s shown, a *alarm.Alarm) alarmLine {
	card := alarmCard{}
	p.aside(&card, a)
	l := alarmLine{
		Key: anchor(s.site, s.machine) + "|" + a.Hazard + "|" + a.Job + "|" + a.Part, Anchor: anchor(s.site, s.machine), Machine: s.machine,
		Title: web.Said{Text: a.Hazard}, State: p.Name("state", string(a.State), string(a.State)),
		Since: p.ago("alarm.for-time", a.Since), Gone: a.State == alarm.Returned,
	}
	if a.Job != "" {
		l.For = event.JobName(a.Job, a.Part)
	}
	if turnOf(a.State) == 2 {
		l.Until, l.Note = card.Until, card.Note
	}
	if row := p.row(a.Hazard); row != nil {
		l.Title = p.Turn(row.Title)
	}
	return l
}
