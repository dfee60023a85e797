package units

import "fmt"

// Explanation shows where a number comes from, so that anyone can work it out
// again: inputs, formula, result, how far it may be off, and the source. Keys never
// change, so that texts can be translated by them; what has none is translated by
// its words.
type Explanation struct {
	Key, Title string
	Lines      []Line
}

// Line is one line of an explanation: what it is, and how much. Key, note and
// source may be empty.
type Line struct {
	Key, Name, Value string
	Note             string // what it means, how it was worked out, or what to keep in mind
	Source           string // where it comes from
}

// Add appends a line without a key.
func (e *Explanation) Add(name, value, note string) {
	e.Lines = append(e.Lines, Line{Name: name, Value: value, Note: note})
}

// Addf appends a line without a key and a note.
func (e *Explanation) Addf(name, format string, args ...any) {
	e.Add(name, fmt.Sprintf(format, args...), "")
}
