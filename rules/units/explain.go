package units

import "fmt"

// Explanation shows where a number comes from, so that anyone can work it out
// again: inputs, formula, result, how far it may be off, and the source.
type Explanation struct {
	Title string
	Lines []Line
}

// Line is one line of an explanation: what it is, how much, and what that means
// or where it comes from.
type Line struct{ Name, Value, Note string }

// Add appends a line.
func (e *Explanation) Add(name, value, note string) {
	e.Lines = append(e.Lines, Line{name, value, note})
}

// Addf appends a line without a note.
func (e *Explanation) Addf(name, format string, args ...any) {
	e.Add(name, fmt.Sprintf(format, args...), "")
}
