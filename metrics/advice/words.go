package advice

import (
	"regexp"
	"strings"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/remedy"
	"rollwarden/rules/units"
)

// said is a text and the language that it is in; empty for the page's.
type said struct{ Text, Lang string }

// fact is one value with its name.
type fact struct{ Name, Value, Note, Source said }

// section is a part of an explanation.
type section struct {
	Title said
	Lines []fact
}

// painter writes one machine's page for one reader.
type painter struct {
	web.Pen
	phrases       *web.Phrases
	audience      web.Audience
	site, machine string
}

var (
	wordy  = regexp.MustCompile(`[a-z]{4,}`)
	number = regexp.MustCompile(`^[-+]?[0-9]`)
	ranged = regexp.MustCompile(`([0-9%] ?(?:mm|m|%|°C|°F|in|ft|s|min|h|d)?) to ([-+0-9])`)
)

// turn says in the reader's language what the rules said in theirs. What has no
// words, such as a number or a name, is of any language.
func (p painter) turn(text string) said {
	if turned, ok := p.phrases.In(p.Lang, text); ok {
		return said{Text: turned}
	}
	value := ranged.ReplaceAllString(p.phrases.Value(p.Lang, text), "$1 "+p.Say("advice.to")+" $2")
	if wordy.MatchString(strings.ReplaceAll(value, p.Say("advice.to"), "")) {
		return said{text, "en"}
	}
	if number.MatchString(value) {
		value = p.Number(value)
	}
	return said{Text: value}
}

// own is a text of the page's own catalogue.
func (p painter) own(key string, values ...any) said { return said{Text: p.Say(key, values...)} }

// keyed is a name that has a stable key, else as the rules wrote it.
func (p painter) keyed(table, key, text string) said {
	if own, ok := p.Words[table+"."+strings.ReplaceAll(key, "/", "-")]; ok {
		return said{Text: own}
	}
	return p.turn(text)
}

func (p painter) amount(m currency.Amount) said { return p.turn(money(m)) }

// money writes an amount as the rules do: rounded, with its currency.
func money(m currency.Amount) string {
	m = m.Round()
	return m.Number() + " " + m.CurrencyCode()
}

// reasons are a decision's explanation.
func (p painter) reasons(e remedy.Explanation) []section {
	out := make([]section, len(e.Sections))
	for i, s := range e.Sections {
		out[i].Title = p.keyed("advice.section", s.Key, s.Title)
		for _, l := range s.Lines {
			out[i].Lines = append(out[i].Lines, p.fact(l))
		}
	}
	return out
}

func (p painter) fact(l remedy.Line) fact {
	return fact{p.keyed("advice.line", l.Key, l.Name), p.turn(l.Value), p.turn(l.Note), p.turn(l.Source)}
}

// plainReasons are explanations whose lines have no keys.
func (p painter) plainReasons(all ...units.Explanation) []section {
	out := make([]section, len(all))
	for i, e := range all {
		out[i].Title = p.turn(e.Title)
		for _, l := range e.Lines {
			out[i].Lines = append(out[i].Lines, p.plainFact(l))
		}
	}
	return out
}

func (p painter) plainFact(l units.Line) fact {
	return fact{Name: p.turn(l.Name), Value: p.turn(l.Value), Note: p.turn(l.Note)}
}
