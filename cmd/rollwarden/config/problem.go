package config

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// place says where a value was given: in a file or by a variable.
type place struct {
	file         string
	line, column int
	variable     string
}

func (p place) String() string {
	switch {
	case p.variable != "":
		return p.variable
	case p.line > 0:
		return fmt.Sprintf("%s:%d:%d", p.file, p.line, p.column)
	case p.file != "":
		return p.file
	}
	return "configuration"
}

// origins remembers the place of every key that was given, by its path such as
// machines[0].path.cure_exit_mm.
type origins map[string]place

// of returns the place of a path, or else of the nearest one that holds it.
func (o origins) of(path string) place {
	for path != "" {
		if p, ok := o[path]; ok {
			return p
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return o[""]
}

// Problem is one thing to mend.
type Problem struct {
	Where string // file:line:column, or the name of a variable
	Text  string // the key, what was expected and what was there

	File      string // empty when it is not in a file
	Line      int    // from 1; 0 when there is none to name
	Key       string // such as machines[0].path.cure_exit_mm
	Want, Got string // empty where Text says it in other words

	at place
}

// Error formats the problem as one sentence.
func (p *Problem) Error() string { return p.Where + ": " + p.Text }

// problems collects what is wrong, one entry for each key.
type problems struct {
	origins origins
	list    []error
	blamed  map[string]bool
}

// note adds a problem with a key unless the key has one already: what follows
// from a value that could not be read helps nobody.
func (p *problems) note(key, text string) { p.add(Problem{Key: key, Text: text}) }

func (p *problems) add(one Problem) {
	if p.blamed[one.Key] {
		return
	}
	p.blamed[one.Key] = true
	one.at = p.origins.of(one.Key)
	one.Where, one.File, one.Line = one.at.String(), one.at.file, one.at.line
	p.list = append(p.list, &one)
}

// bad notes a value that is not as wanted.
func (p *problems) bad(key, want, got string) { p.unlike(key, want, quote(got)) }

// unlike is bad for a value that is shown as it should be.
func (p *problems) unlike(key, want, shown string) {
	p.add(Problem{Key: key, Want: want, Got: shown, Text: fmt.Sprintf("%s: want %s, got %s", key, want, shown)})
}

// missing notes a value that is not there.
func (p *problems) missing(key, want string) {
	p.add(Problem{Key: key, Want: want, Text: fmt.Sprintf("%s is missing: want %s", key, want)})
}

// err joins the problems: first the file's from top to bottom, then the rest.
func (p *problems) err() error {
	slices.SortStableFunc(p.list, func(a, b error) int { return compareLines(placeOf(a), placeOf(b)) })
	return errors.Join(p.list...)
}

func placeOf(err error) place {
	if p, ok := errors.AsType[*Problem](err); ok {
		return p.at
	}
	return place{}
}

func compareLines(a, b place) int {
	if a.line == 0 || b.line == 0 {
		return cmp.Compare(min(b.line, 1), min(a.line, 1))
	}
	return cmp.Or(cmp.Compare(a.line, b.line), cmp.Compare(a.column, b.column))
}

// quote shows a text from outside without letting it fill the screen.
func quote(s string) string {
	const most = 80
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
