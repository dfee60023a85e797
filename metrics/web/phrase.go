package web

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// Phrases turn what the rules have written in English into another language.
// The journal holds sentences as they were written, and those who read them
// later may read another language. Each sentence comes from a pattern, and each
// pattern stands in the texts under a key that begins with "phrase.": the
// English one finds the values in the sentence, the other takes them. Values are
// turned by the same phrases, so that a film's class in a sentence is turned too.
//
// Any number of goroutines may use them.
type Phrases struct {
	list  []phrase // the most particular first
	words map[string]Words

	mu    sync.Mutex
	known map[asked]turned
}

// asked is a text that was to be turned into a language.
type asked struct {
	lang, text string
	value      bool // rather than a sentence
}

// turned is what became of a text.
type turned struct {
	text string
	ok   bool
}

// mostKnown bounds what is remembered. A live page asks for the same few hundred
// sentences with every painting, and each would be held against every pattern.
const mostKnown = 4096

type phrase struct {
	key        string
	literal    int    // how much of it is not a value
	begin, end string // what a text has to begin and end with, looked at first because it is quick
	pattern    *regexp.Regexp
}

const phrasePrefix = "phrase."

// Phrases are those of the catalogue.
func (k *Kit) Phrases() *Phrases { return k.phrases }

func newPhrases(words map[string]Words) *Phrases {
	p := &Phrases{words: words, known: map[asked]turned{}}
	for _, key := range slices.Sorted(maps.Keys(words[fallback])) {
		if strings.HasPrefix(key, phrasePrefix) {
			p.list = append(p.list, compile(key, words[fallback][key]))
		}
	}
	slices.SortStableFunc(p.list, func(a, b phrase) int { return b.literal - a.literal })
	return p
}

func compile(key, text string) phrase {
	parts := strings.Split(text, "%s")
	literal := 0
	for i := range parts {
		parts[i] = strings.ReplaceAll(parts[i], "%%", "%")
		literal += len(parts[i])
	}
	begin, end := parts[0], parts[len(parts)-1]
	for i := range parts {
		parts[i] = regexp.QuoteMeta(parts[i])
	}
	return phrase{key, literal, begin, end, regexp.MustCompile("^" + strings.Join(parts, "(.+?)") + "$")}
}

// In returns a text in a language. It is not ok, and the text is as it was, when
// a part of it has no phrase: half a sentence in each language helps nobody.
func (p *Phrases) In(lang, text string) (inLang string, ok bool) {
	if lang == fallback || text == "" {
		return text, true
	}
	t := p.remember(asked{lang, text, false}, func() (t turned) {
		t.text, t.ok = p.turn(p.words[lang], text)
		return t
	})
	return t.text, t.ok
}

// remember returns what became of a text, and finds out if nobody asked before.
// A full memory is emptied: what is still asked for is soon there again.
func (p *Phrases) remember(q asked, find func() turned) turned {
	p.mu.Lock()
	t, known := p.known[q]
	p.mu.Unlock()
	if known {
		return t
	}
	t = find()
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.known) >= mostKnown {
		clear(p.known)
	}
	p.known[q] = t
	return t
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
		one := &p.list[i]
		if !strings.HasPrefix(text, one.begin) || !strings.HasSuffix(text, one.end) {
			continue
		}
		m := one.pattern.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		values := make([]any, len(m)-1)
		for k, v := range m[1:] {
			values[k] = p.value(w, v)
		}
		return w.Say(one.key, values...), true
	}
	return text, false
}

var measure = regexp.MustCompile(`^[-+]?[0-9]+\.[0-9]+( \S+)*$`)

// Value returns a value in a language: by a phrase if it is one, with the
// language's decimal sign if it is a number, each by itself if it is a list, and
// as it was if it is a name.
func (p *Phrases) Value(lang, v string) string {
	if lang == fallback {
		return v
	}
	return p.remember(asked{lang, v, true}, func() turned { return turned{p.value(p.words[lang], v), true} }).text
}

func (p *Phrases) value(w Words, v string) string {
	if turned, ok := p.whole(w, v); ok {
		return turned
	}
	if measure.MatchString(v) {
		return strings.Replace(v, ".", w["decimal"], 1)
	}
	if parts := strings.Split(v, ", "); len(parts) > 1 {
		for i := range parts {
			parts[i] = p.value(w, parts[i])
		}
		return strings.Join(parts, ", ")
	}
	return v
}
