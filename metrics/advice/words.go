package advice

import (
	"regexp"
	"strings"

	"github.com/bojanz/currency"

	"rollwarden/metrics/web"
	"rollwarden/rules/units"
)

// fact is one value with its name.
type fact struct{ Name, Value, Note, Source web.Said }

// section is a part of an explanation.
type section struct {
	Title web.Said
	Lines []fact
}

// painter writes one machine's page for one reader.
type painter struct {
	web.Pen
	audience      web.Audience
	site, machine string
}

var (
	wordy  = regexp.MustCompile(`[a-z]{4,}`)
	number = regexp.MustCompile(`^[-+]?[0-9]`)
	ranged = regexp.MustCompile(`([0-9%] ?(?:mm|m|%|°C|°F|in|ft|s|min|h|d)?) to ([-+0-9])`)
)

// phrase says in the reader's language what the rules said in theirs. What has no
// words, such as a number or a name, is of any language.
func (p painter) phrase(text string) web.Said {
	if turned := p.Turn(text); turned.Lang == "" {
		return turned
	}
	value := ranged.ReplaceAllString(p.Value(text), "$1 "+p.Say("advice.to")+" $2")
	if wordy.MatchString(strings.ReplaceAll(value, p.Say("advice.to"), "")) {
		return web.Said{Text: text, Lang: "en"}
	}
	if number.MatchString(value) {
		value = p.Number(value)
	}
	return web.Said{Text: value}
}

// own is a text of the page's own catalogue.
func (p painter) own(key string, values ...any) web.Said {
	return web.Said{Text: p.Say(key, values...)}
}

// keyed is a name that has a stable key, else as the rules wrote it.
func (p painter) keyed(table, key, text string) web.Said {
	if own, ok := p.Words[table+"."+strings.ReplaceAll(key, "/", "-")]; ok {
		return web.Said{Text: own}
	}
	return p.phrase(text)
}

func (p painter) amount(m currency.Amount) web.Said { return p.phrase(money(m)) }

// money writes an amount as the rules do: rounded, with its currency.
func money(m currency.Amount) string {
	m = m.Round()
	return m.Number() + " " + m.CurrencyCode()
}

// reasons are explanations. What has a key is named by the catalogue.
func (p painter) reasons(all ...units.Explanation) []section {
	out := make([]section, len(all))
	for i, e := range all {
		out[i].Title = p.keyed("advice.section", e.Key, e.Title)
		for _, l := range e.Lines {
			out[i].Lines = append(out[i].Lines, p.fact(l))
		}
	}
	return out
}

func (p painter) fact(l units.Line) fact {
	return fact{p.keyed("advice.line", l.Key, l.Name), p.phrase(l.Value), p.phrase(l.Note), p.phrase(l.Source)}
}
