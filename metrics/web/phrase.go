package web

import (
	"maps"
	"regexp"
	"slices"
	"strings"
)

// Phrases turn what the rules have written in English into another language.
// The journal holds sentences as they were written, and those who read them
// later may read another language. Each sentence comes from a pattern, and each
// pattern stands in the texts under a key that begins with "phrase.": the
// English one finds the values in the sentence, the other takes them. Values are
// turned by the same phrases, so that a film's class in a sentence is turned too.
type Phrases struct {
	list  []phrase // the most particular first
	words map[string]Words
}

type phrase struct {
	key     string
	literal int // how much of it is not a value
	pattern *regexp.Regexp
}

const phrasePrefix = "phrase."

// Phrases compiles the phrases of the catalogue.
func (k *Kit) Phrases() *Phrases {
	p := &Phrases{words: k.texts.words}
	for _, key := range slices.Sorted(maps.Keys(k.texts.words[fallback])) {
		if strings.HasPrefix(key, phrasePrefix) {
			p.list = append(p.list, compile(key, k.texts.words[fallback][key]))
		}
	}
	slices.SortStableFunc(p.list, func(a, b phrase) int { return b.literal - a.literal })
	return p
}

func compile(key, text string) phrase {
	parts := strings.Split(text, "%s")
	literal := 0
	for i, part := range parts {
		literal += len(part)
		parts[i] = regexp.QuoteMeta(strings.ReplaceAll(part, "%%", "%"))
	}
	return phrase{key, literal, regexp.MustCompile("^" + strings.Join(parts, "(.+?)") + "$")}
}

// In returns a text in a language. It is not ok, and the text is as it was, when
// a part of it has no phrase: half a sentence in each language helps nobody.
func (p *Phrases) In(lang, text string) (turned string, ok bool) {
	if lang == fallback || text == "" {
		return text, true
	}
	return p.turn(p.words[lang], text)
}

// turn tries a text as a whole, then its sentences, then their clauses.
func (p *Phrases) turn(w Words, text string) (string, bool) {
	if turned, ok := p.whole(w, text); ok {
		return turned, true
	}
	if body, found := strings.CutSuffix(text, "."); found {
		turned, ok := p.turn(w, body)
		return turned + ".", ok
	}
	for _, between := range []string{". ", "; "} {
		if parts := strings.Split(text, between); len(parts) > 1 {
			for i, part := range parts {
				turned, ok := p.turn(w, part)
				if !ok {
					return text, false
				}
				parts[i] = turned
			}
			return strings.Join(parts, between), true
		}
	}
	return text, false
}

func (p *Phrases) whole(w Words, text string) (string, bool) {
	for i := range p.list {
		m := p.list[i].pattern.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		values := make([]any, len(m)-1)
		for k, v := range m[1:] {
			values[k] = p.Value(w, v)
		}
		return w.Say(p.list[i].key, values...), true
	}
	return text, false
}

var measure = regexp.MustCompile(`^[-+]?[0-9]+\.[0-9]+( \S+)*$`)

// Value turns a value: by a phrase if it is one, with the language's decimal
// sign if it is a number, each by itself if it is a list, and not at all if it is
// a name.
func (p *Phrases) Value(w Words, v string) string {
	if turned, ok := p.whole(w, v); ok {
		return turned
	}
	if measure.MatchString(v) {
		return strings.Replace(v, ".", w["decimal"], 1)
	}
	if parts := strings.Split(v, ", "); len(parts) > 1 {
		for i := range parts {
			parts[i] = p.Value(w, parts[i])
		}
		return strings.Join(parts, ", ")
	}
	return v
}
