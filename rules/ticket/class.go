package ticket

import (
	"maps"
	"slices"
	"strings"
	"unicode"

	"rollwarden/rules/event"
)

// wordlist finds film classes in what a ticket says about its film.
type wordlist struct {
	shop    map[string]event.Class // phrases of the shop, normalised
	builtin map[string]event.Class
	soft    map[string]event.Class // used only when nothing firm is said
}

// newWordlist joins the built-in words with those of the shop. The built-in
// ones are common trade use, no source.
func newWordlist(shop map[string]event.Class) wordlist {
	w := wordlist{
		shop: map[string]event.Class{},
		builtin: map[string]event.Class{
			"monomeric": event.Monomeric, "polymeric": event.Polymeric, "cast": event.Cast,
			"paper": event.Paper, "polyester": event.Polyester, "pet": event.Polyester,
			"banner": event.Banner, "mesh": event.Banner, "textile": event.Textile, "fabric": event.Textile,
		},
		// Polymeric film is calendered too, but nobody calls it just that.
		soft: map[string]event.Class{"calendered": event.Monomeric},
	}
	for phrase, class := range shop {
		w.shop[normal(phrase)] = class
	}
	return w
}

// normal writes a text as lowercase words with one space between. A change
// from a small to a capital letter parts words, as in CastVinyl.
func normal(text string) string {
	var b strings.Builder
	small := false
	for _, r := range text {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			r = ' '
		} else if small && unicode.IsUpper(r) {
			b.WriteByte(' ')
		}
		small = unicode.IsLower(r)
		b.WriteRune(unicode.ToLower(r))
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// classes returns the classes that the words of a text stand for.
func (w wordlist) classes(text string) (firm, soft []event.Class) {
	words := " " + withoutLiner(normal(text)) + " "
	if shop := matching(w.shop, " "+normal(text)+" "); len(shop) > 0 {
		return shop, nil
	}
	return matching(w.builtin, words), matching(w.soft, words)
}

func matching(list map[string]event.Class, words string) []event.Class {
	var out []event.Class
	for _, phrase := range slices.Sorted(maps.Keys(list)) {
		if phrase != "" && strings.Contains(words, " "+phrase+" ") {
			out = append(out, list[phrase])
		}
	}
	return out
}

// withoutLiner drops the word before "liner" and its like: a film on a paper
// liner is not paper.
func withoutLiner(words string) string {
	list := strings.Fields(words)
	var kept []string
	for i, word := range list {
		if i+1 < len(list) && slices.Contains([]string{"liner", "backing", "carrier"}, list[i+1]) {
			continue
		}
		kept = append(kept, word)
	}
	return strings.Join(kept, " ")
}

// verdict is what a list of texts says about the class.
type verdict struct {
	class   event.Class // empty when nothing was said
	soft    bool        // only a trade word said so
	against event.Class // another class that the same texts name
}

// classify weighs several texts about one film. Where they name different
// classes the result is the low grade among them, else unknown, which is
// judged like the low grade.
func (w wordlist) classify(texts []string) verdict {
	var firm, soft []event.Class
	for _, t := range texts {
		f, s := w.classes(t)
		firm, soft = append(firm, f...), append(soft, s...)
	}
	if len(firm) == 0 && len(soft) > 0 {
		return verdict{class: soft[0], soft: true}
	}
	return weigh(firm)
}

func weigh(classes []event.Class) verdict {
	var v verdict
	for _, c := range classes {
		switch {
		case v.class == "" || c == v.class:
			v.class = c
		case c == event.Monomeric || v.class == event.Monomeric:
			v = verdict{class: event.Monomeric, against: other(c, v.class)}
		default:
			v = verdict{class: event.Unknown, against: c}
		}
	}
	return v
}

func other(a, b event.Class) event.Class {
	if a == event.Monomeric {
		return b
	}
	return a
}

// setClass puts a verdict into the draft and flags what is not sure about it.
func (d *draft) setClass(v verdict, what string) {
	d.FilmClass = v.class
	switch {
	case v.class == "":
		d.flag("film_class: %s names no film class that is known here", what)
	case v.against != "":
		d.flag("film_class: %s names different classes, %s among them, so %s was taken", what, v.against, v.class)
	case v.soft:
		d.flag("film_class: %s says only calendered, which usually means monomeric", what)
	}
}

// keyedClass reads the class from where the shop's key map says it is. The
// text is a class of the contract, or words that stand for one.
func (d *draft) keyedClass(found []reading) error {
	var all []event.Class
	for _, f := range found {
		class := event.Class(strings.ToLower(f.text))
		if slices.Contains(event.Classes, class) {
			all = append(all, class)
			continue
		}
		v := d.r.words.classify([]string{f.text})
		if v.class == "" {
			return f.bad("a film class, or a word of the shop's class list")
		}
		all = append(all, v.class)
	}
	d.setClass(weigh(all), "the shop's own attribute")
	return nil
}
