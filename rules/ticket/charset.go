package ticket

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/ianaindex"
	"golang.org/x/text/encoding/unicode"
)

const utf8BOM = "\xEF\xBB\xBF"

// toUTF8 decodes an XML text. A byte order mark goes before the declaration
// (RFC 7303, section 3.3); without either the text is UTF-8. The decoded
// text must be clean: a byte that its charset does not have is an error, for
// a job number with a hole in it is a wrong job number.
func toUTF8(data []byte) ([]byte, error) {
	if rest, ok := bytes.CutPrefix(data, []byte(utf8BOM)); ok {
		return checkUTF8(rest)
	}
	if enc, name := wideEncoding(data); enc != nil {
		return decode(data, enc, name)
	}
	name := declaredCharset(data)
	switch strings.ToLower(name) {
	case "", "utf-8", "utf8", "us-ascii", "ascii":
		return checkUTF8(data)
	}
	enc, err := ianaindex.IANA.Encoding(name)
	if err != nil || enc == nil || strings.HasPrefix(strings.ToLower(name), "utf-") {
		return nil, &Error{Line: 1, Field: "XML declaration encoding", Kind: unsupported, Want: "the name of the charset that the text is in, such as UTF-8", Got: quote(name)}
	}
	return decode(data, enc, name)
}

// wideEncoding recognises UTF-16 by its byte order mark, or by how an XML
// declaration looks in it (XML 1.0, appendix F.1).
func wideEncoding(data []byte) (encoding.Encoding, string) {
	big := unicode.UTF16(unicode.BigEndian, unicode.UseBOM)
	little := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	switch {
	case bytes.HasPrefix(data, []byte{0xFE, 0xFF}), bytes.HasPrefix(data, []byte{0, '<', 0}):
		return big, "UTF-16"
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}), bytes.HasPrefix(data, []byte{'<', 0}):
		return little, "UTF-16"
	}
	return nil, ""
}

// declaredCharset reads the encoding of an XML declaration in a charset that
// agrees with ASCII as far as the declaration goes.
func declaredCharset(data []byte) string {
	decl, ok := bytes.CutPrefix(data[:min(len(data), 200)], []byte("<?xml"))
	if !ok {
		return ""
	}
	decl, _, whole := bytes.Cut(decl, []byte("?>"))
	_, value, ok := bytes.Cut(decl, []byte("encoding"))
	if !ok || !whole {
		return ""
	}
	value = bytes.TrimLeft(value, " \t\r\n=")
	if len(value) == 0 || value[0] != '"' && value[0] != '\'' {
		return ""
	}
	name, _, _ := bytes.Cut(value[1:], value[:1])
	return string(name)
}

func decode(data []byte, enc encoding.Encoding, name string) ([]byte, error) {
	if name == "UTF-16" && len(data)%2 == 1 {
		return nil, &Error{Field: "file", Kind: incomplete, Incomplete: true, Want: "an even number of bytes of UTF-16", Got: fmt.Sprintf("%d", len(data))}
	}
	text, err := enc.NewDecoder().Bytes(data)
	if err != nil {
		return nil, &Error{Field: "file", Kind: malformed, Want: "text in " + name, Got: err.Error()}
	}
	if i := bytes.IndexRune(text, utf8.RuneError); i >= 0 {
		return nil, badBytes(text, i, name)
	}
	return text, nil
}

func checkUTF8(text []byte) ([]byte, error) {
	if utf8.Valid(text) {
		return text, nil
	}
	rest := text
	for len(rest) > 0 {
		r, size := utf8.DecodeRune(rest)
		if r == utf8.RuneError && size == 1 {
			break
		}
		rest = rest[size:]
	}
	if !utf8.FullRune(rest) {
		return nil, &Error{Field: "file", Kind: incomplete, Incomplete: true, Want: "a whole letter at the end", Got: "half of one"}
	}
	return nil, badBytes(text, len(text)-len(rest), "UTF-8")
}

func badBytes(text []byte, at int, name string) error {
	return &Error{
		Line: 1 + bytes.Count(text[:at], []byte("\n")), Field: "file", Kind: malformed,
		Want: "text in " + name + ", or an XML declaration that names its charset", Got: "a byte that " + name + " does not have",
	}
}
