package board

import (
	"cmp"
	"slices"
	"strings"

	"rollwarden/rules/alarm"
	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// alarmCard is one alarm on a machine's sheet.
type alarmCard struct {
	Priority, PriorityText, Marks string
	Title, For, State             string
	Message                       string // as it was written at Said, with what was so then
	Said                          stamp
	Aside                         string
	Do                            *remedyLine
	DoLabel                       string
	Caution, Why                  string
	Evidence                      []event.Evidence
	Gone                          bool // it holds no more, and nobody has acknowledged it
	Acted                         bool // the message says what a person did, so the evidence is the reason
	Others                        []remedyLine
}

type remedyLine struct {
	Text  string
	Parts []string
}

// sorted puts alarms in the order in which a person should look at them:
// active ones first, then by priority, then the newest.
func sorted(list []alarm.Alarm) []alarm.Alarm {
	rank := func(a *alarm.Alarm) int {
		if a.State.Active() {
			return 0
		}
		return 1
	}
	urgency := func(a *alarm.Alarm) int { return slices.Index(hazard.Priorities, hazard.Priority(a.Change.Priority)) }
	return slices.SortedStableFunc(slices.Values(list), func(a, b alarm.Alarm) int {
		return cmp.Or(rank(&a)-rank(&b), urgency(&a)-urgency(&b), b.Since.Compare(a.Since), cmp.Compare(a.Hazard, b.Hazard))
	})
}

// marks show the priority by their number, so that colour is never alone.
var marks = map[string]string{"high": "▲▲▲", "medium": "▲▲△", "low": "▲△△"}

func (p *painter) alarm(a *alarm.Alarm) alarmCard {
	c := &a.Change
	out := alarmCard{
		Priority: c.Priority, PriorityText: p.name("priority", c.Priority), Marks: marks[c.Priority],
		Title: a.Hazard, State: p.say("alarm.since", p.name("state", string(a.State)), p.ago(a.Since)),
		Message: c.Message, Said: p.stamp(a.Since), Caution: c.Caution, Evidence: c.Evidence,
		Acted: c.Emit != alarm.Annunciate, Gone: a.State == alarm.Returned,
	}
	if a.Job != "" {
		out.For = event.JobName(a.Job, a.Part)
	}
	if row := p.row(a.Hazard); row != nil {
		out.Title, out.Why = row.Title, row.Why
	}
	out.Aside = p.aside(a)
	if out.Gone {
		return out // what it advised is no longer needed
	}
	out.remedies(p, c.Remedies)
	return out
}

// remedies puts first what to do: the cheapest in expectation, else the first
// that can be taken.
func (c *alarmCard) remedies(p *painter, all []event.Remedy) {
	first := slices.IndexFunc(all, func(r event.Remedy) bool { return r.Cheapest })
	c.DoLabel = p.say("alarm.do")
	if first < 0 || all[first].Expected == "" {
		c.DoLabel = p.say("alarm.do.plain") // without prices there is no cheapest
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
	line := remedyLine{Text: r.Text}
	if r.WhyNot != "" {
		line.Parts = []string{p.say("alarm.not", r.WhyNot)}
		return line
	}
	if r.Cost != "" {
		line.Parts = append(line.Parts, p.say("alarm.cost", r.Cost))
	}
	if r.Expected != "" {
		line.Parts = append(line.Parts, p.say("alarm.expected", r.Expected))
	}
	if r.Settles {
		line.Parts = append(line.Parts, p.say("alarm.settles"))
	} else {
		line.Parts = append(line.Parts, p.say("alarm.helps"))
	}
	return line
}

// aside says who put an alarm aside, why and until when.
func (p *painter) aside(a *alarm.Alarm) string {
	parts := []string{p.say("state." + string(a.State))}
	if a.Change.Until != nil {
		parts = append(parts, p.say("alarm.until", p.clock(*a.Change.Until)))
	}
	if a.Change.By != "" {
		parts = append(parts, p.say("alarm.by", a.Change.By))
	}
	text := strings.Join(parts, " ")
	if a.Change.Reason != "" {
		text += ": " + a.Change.Reason
	}
	return text
}
