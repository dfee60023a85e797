package board

import (
	"cmp"
	"errors"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"time"

	"rollwarden/metrics/web"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
)

// page is the board's name among the live pages, and in the navigation.
const page = "board"

// The number of things on the page that a flood could make many.
const (
	mostStrangers = 20 // machines that are not configured
	mostAnomalies = 10
	mostAlarms    = 60 // in the list over the whole floor
	mostMarks     = 400
)

// refreshS is how often the page is loaded again without a script, in s.
const refreshS = 10

// statusPage is the page as it is first loaded. From then on its parts change by
// themselves.
type statusPage struct {
	web.Frame
	Held   bool
	Stream string
	Now    string
	State  template.HTML
	Parts  []template.HTML
}

// statePart says of which moment and journal entry the picture is.
type statePart struct {
	Seq  uint64
	At   web.Stamp
	Zone string
}

// painter turns one view into a page for one audience.
type painter struct {
	*board
	web.Pen
	audience web.Audience
	view     *rules.View
	shown    []shown
	more     int // machines that there is no room for
}

func (b *board) painter(a web.Audience, v *rules.View) *painter {
	p := &painter{board: b, Pen: b.o.Kit.PenIn(a.Lang), audience: a, view: v}
	strangers := 0
	for _, s := range b.machines(v) {
		if s.plant == nil {
			if strangers++; strangers > mostStrangers {
				p.more++
				continue
			}
		}
		p.shown = append(p.shown, s)
	}
	return p
}

// status serves the page of the whole floor.
func (b *board) status(w http.ResponseWriter, r *http.Request) {
	v := b.o.View()
	if elsewhere := b.elsewhere(); v == nil && len(elsewhere) > 0 {
		b.o.Kit.Standby(w, r, elsewhere)
		return
	}
	if v == nil {
		b.o.Kit.Reading(w, r)
		return
	}
	a := b.o.Hub.Audience(r, page, "")
	p := b.painter(a, v)
	parts, err := p.parts()
	if err != nil {
		web.Plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	s := &statusPage{
		Frame: b.o.Kit.Frame(r, page, p.Say("title")), Held: r.URL.Query().Has("still"),
		Now: web.Instant(p.Now), State: template.HTML(parts[0].HTML),
	}
	if !s.Held {
		s.Refresh, s.Stream = refreshS, a.Stream()
	}
	for _, part := range parts[1:] {
		s.Parts = append(s.Parts, template.HTML(part.HTML))
	}
	b.pages.Render(w, a.Lang, "status", http.StatusOK, s)
}

var errNoView = errors.New("the journal has not been read")

// paint makes the parts for the hub.
func (b *board) paint(a web.Audience) ([]web.Part, error) {
	v := b.o.View()
	if v == nil {
		return nil, errNoView
	}
	return b.painter(a, v).parts()
}

// parts makes what changes by itself: how new the picture is, the notices, the
// alarms of the floor, a strip for each machine, the shift, and what did not fit.
func (p *painter) parts() ([]web.Part, error) {
	type piece struct {
		id, template string
		data         any
	}
	state := statePart{p.view.Seq, p.Stamp(p.view.At), p.ZoneName()}
	pieces := []piece{{"state", "state", state}, {"notices", "notices", p.notices()}, {"alarms", "floor-alarms", p.floorAlarms()}}
	for _, s := range p.shown {
		pieces = append(pieces, piece{anchor(s.site, s.machine), "strip", p.strip(s)})
	}
	pieces = append(pieces, piece{"shift", "shift", p.shift()}, piece{"odd", "odd", p.odd()})
	parts := make([]web.Part, len(pieces))
	for i, x := range pieces {
		html, err := p.pages.Fragment(p.Lang, x.template, x.data)
		if err != nil {
			return nil, err
		}
		parts[i] = web.Part{ID: x.id, HTML: html}
	}
	return parts, nil
}

// anchor is a machine's place on the page. A dot stands in no name.
func anchor(site, machine string) string { return "m." + site + "." + machine }

// Texts.

// moving is a text that changes while time goes by; a script counts it on.
type moving struct {
	At      string
	In, Ago string // with {} for the time that is left or has passed
	Text    string
}

// ago is a text about how long something has been so.
func (p *painter) ago(key string, t time.Time) moving {
	return moving{At: web.Instant(t), Ago: p.Say(key, "{}"), Text: p.Say(key, p.Ago(t))}
}

// Notices.

type noticesPart struct {
	Ready  bool
	None   bool      // there is no machine to show
	Untold []counted // pages that a channel has not taken, by channel

	Elsewhere []web.Elsewhere
}

type counted struct {
	Text string
	N    uint64
}

// notices says what a person has to know before he trusts the rest. It counts
// the pages that a channel has refused at least once and has not taken since:
// the people behind it may not know of the alarm.
func (p *painter) notices() noticesPart {
	part := noticesPart{Ready: p.ready(p.view), None: len(p.shown) == 0, Elsewhere: p.elsewhere()}
	counts := map[string]uint64{}
	for _, page := range p.view.Alarms.Pages {
		for _, open := range page.Open {
			if open.Attempts > 0 {
				counts[open.Channel]++
			}
		}
	}
	for _, channel := range slices.Sorted(maps.Keys(counts)) {
		part.Untold = append(part.Untold, counted{channel, counts[channel]})
	}
	return part
}

// What did not fit.

type oddPart struct {
	More      int // machines that there is no room for
	Anomalies []anomalyLine
	All       uint64
	Refused   []counted
}

type anomalyLine struct {
	At      web.Stamp
	Machine string
	Text    string
	Reason  web.Said
}

func (p *painter) odd() oddPart {
	part := oddPart{More: p.more}
	for _, n := range p.view.Floor.Anomalies.Total {
		part.All += n
	}
	newest := p.view.Floor.Anomalies.Newest
	for i := len(newest) - 1; i >= 0 && len(part.Anomalies) < mostAnomalies; i-- {
		n := &newest[i]
		line := anomalyLine{At: p.Stamp(n.At), Machine: cmp.Or(n.Machine, p.Say("unknown")), Text: n.Text}
		for _, k := range floor.AnomalyKinds {
			if k.Code == n.Kind {
				line.Reason = p.Turn(k.Doc)
			}
		}
		part.Anomalies = append(part.Anomalies, line)
	}
	for _, kind := range append(slices.Clone(event.RejectKinds), "event") {
		if n := p.view.Floor.Counts.Rejected[kind]; n > 0 {
			part.Refused = append(part.Refused, counted{p.Name("reject", kind, kind), n})
		}
	}
	return part
}
