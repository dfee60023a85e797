package event

import "bytes"

// decodeShort reads an event of the contract that stands in the message just as Encode
// writes it, which most do, without a parser for the attributes. It reports false
// for any other, and for one with a fault: the long way then says what is wrong.
// A test holds the two ways together.
func decodeShort(e Event, m Message) (Event, bool) {
	var env envelope
	if !env.asWritten(m.Data) {
		return e, false
	}
	err := env.fill(&e, m)
	return e, err == nil && e.Data != nil // only data that was parsed is known to be JSON
}

// asWritten takes the attributes apart if they are those that Encode writes, in its
// order and without a space, an escape or a character beyond ASCII. What follows
// "data" up to the last brace is left for the payload's own parser to refuse.
func (env *envelope) asWritten(data []byte) bool {
	env.message = data
	rest, ok := data, true
	for _, a := range [...]struct {
		before string
		value  *[]byte
	}{
		{`{"specversion":"`, &env.specVersion}, {`,"id":"`, &env.id}, {`,"source":"`, &env.source}, {`,"type":"`, &env.typ},
		{`,"time":"`, &env.time}, {`,"datacontenttype":"`, &env.contentType},
	} {
		if rest, ok = bytes.CutPrefix(rest, []byte(a.before)); !ok {
			return false
		}
		end := plainEnd(rest)
		if end < 0 {
			return false
		}
		*a.value, rest = rest[:end], rest[end+1:]
	}
	rest, ok = bytes.CutPrefix(rest, []byte(`,"data":`))
	if !ok || len(rest) < 2 || rest[len(rest)-1] != '}' {
		return false
	}
	env.data = rest[:len(rest)-1]
	return true
}

// plainEnd is where a text of plain ASCII ends with its quote; -1 when it does not,
// or when anything else is in it.
func plainEnd(b []byte) int {
	for i, c := range b {
		switch {
		case c == '"':
			return i
		case c < ' ' || c > '~' || c == '\\':
			return -1
		}
	}
	return -1
}
