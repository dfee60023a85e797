package web

import (
	"net/http"
	"strings"
	"time"

	"rollwarden/rules/units"
)

// Pen writes for one reader at one moment.
type Pen struct {
	Words
	units.Display
	Lang string
	Now  time.Time
	Zone *time.Location

	phrases *Phrases
}

// Pen returns the pen for a request.
func (k *Kit) Pen(r *http.Request) Pen { return k.PenIn(k.Lang(r)) }

// PenIn returns the pen for a language.
func (k *Kit) PenIn(lang string) Pen {
	return Pen{Words: k.texts.words[lang], Display: k.o.Display, Lang: lang, Now: k.o.Now(), Zone: k.o.Zone, phrases: k.phrases}
}

// Said is a text, and its language when that is not the page's. The template
// "said" marks it so.
type Said struct{ Text, Lang string }

// Turn says a sentence of the rules in the reader's language, if there is a phrase.
func (p Pen) Turn(text string) Said {
	turned, ok := p.phrases.In(p.Lang, text)
	if !ok {
		return Said{text, fallback}
	}
	return Said{Text: turned}
}

// Value says a value of the rules: a number, a name, or one of their words.
func (p Pen) Value(text string) string { return p.phrases.Value(p.Lang, text) }

// Instant writes a moment for a page's script, which counts in ms.
func Instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// Stamp is a moment for people and for programs.
type Stamp struct{ Text, Machine string }

// Ago is how long before now a moment was; one that a clock elsewhere puts in
// the future is now.
func (p Pen) Ago(t time.Time) string { return p.Number(units.Span(max(0, p.Now.Sub(t)))) }

// ZoneName names the zone of the page's times. That of this computer has no
// name that a reader elsewhere could use, so it goes by what its clock shows.
func (p Pen) ZoneName() string {
	if p.Zone == time.Local {
		return p.Now.In(p.Zone).Format("MST (UTC-07:00)")
	}
	return p.Zone.String()
}

// Clock writes a moment in the shop's zone, with its date unless it is today's.
func (p Pen) Clock(t time.Time) string {
	t, now := t.In(p.Zone), p.Now.In(p.Zone)
	second, minute := "15:04:05", "15:04"
	if p.Clock12 {
		second, minute = "3:04:05 PM", "3:04 PM"
	}
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format(second)
	}
	return t.Format(time.DateOnly + " " + minute)
}

// Stamp writes a moment.
func (p Pen) Stamp(t time.Time) Stamp { return Stamp{p.Clock(t), t.UTC().Format(time.RFC3339)} }

// Number puts the language's decimal sign into a number with its unit.
func (p Pen) Number(text string) string {
	if sign := p.Words["decimal"]; sign != "." && sign != "" {
		return strings.ReplaceAll(text, ".", sign)
	}
	return text
}
