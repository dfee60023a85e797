package runlog

import (
	"bytes"
	"fmt"
	"io"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"rollwarden/rules/event"
)

// script is how the bytes of one file stand for text. A file is split into records
// before it is decoded, so that a record's place is one in bytes.
type script struct {
	width  int  // bytes of a character in ASCII
	little bool // of two bytes, whether the first is the low one
	decode func([]byte) (string, error)
	begin  int64 // after the byte order mark
}

// marks are the byte order marks (Unicode 17, section 23.8), by the script that
// they stand for.
var byteOrderMarks = []struct {
	mark    string
	charset string
	endian  unicode.Endianness
}{
	{"\xef\xbb\xbf", "utf-8", unicode.BigEndian},
	{"\xff\xfe", "utf-16", unicode.LittleEndian},
	{"\xfe\xff", "utf-16", unicode.BigEndian},
}

// scriptOf tells how a file is written by how it begins; charset is what it is
// said to be.
func scriptOf(start []byte, charset string) script {
	endian := unicode.LittleEndian // what Windows calls Unicode
	var begin int64
	for _, m := range byteOrderMarks {
		if bytes.HasPrefix(start, []byte(m.mark)) {
			charset, endian, begin = m.charset, m.endian, int64(len(m.mark))
			break
		}
	}
	s := script{width: 1, decode: decodeUTF8, begin: begin}
	switch charset {
	case "windows-1252":
		s.decode = func(b []byte) (string, error) {
			text, err := charmap.Windows1252.NewDecoder().Bytes(b)
			return string(text), err
		}
	case "utf-16":
		s.width, s.little = 2, endian == unicode.LittleEndian
		s.decode = func(b []byte) (string, error) {
			text, err := unicode.UTF16(endian, unicode.IgnoreBOM).NewDecoder().Bytes(b)
			return string(text), err
		}
	}
	return s
}

func decodeUTF8(b []byte) (string, error) {
	if !utf8.Valid(b) {
		return "", &event.Fault{Field: "the row", Want: "UTF-8 text; set the log's charset", Got: fmt.Sprintf("%q", clip(b))}
	}
	return string(b), nil
}

// clip shows the beginning of a row in a message.
func clip(b []byte) []byte {
	const most = 120
	if len(b) > most {
		return b[:most]
	}
	return b
}

// at returns the character at i, or 0xff for one outside of ASCII.
func (s script) at(data []byte, i int) byte {
	if s.width == 1 {
		return data[i]
	}
	low, high := data[i+1], data[i]
	if s.little {
		low, high = high, low
	}
	if high != 0 {
		return 0xff
	}
	return low
}

// maxRecord is the longest record, in bytes. A quote that is never closed would
// take in the rest of the file.
const maxRecord = 64 << 10

// record returns the length of the first record with its end of line, or 0 when
// data ends before it does. Within quotes a line may end (RFC 4180, rule 6).
func (s script) record(data []byte, separator byte) int {
	quoted, begin := false, true
	for i := 0; i+s.width <= len(data) && i < maxRecord; i += s.width {
		c := s.at(data, i)
		switch {
		case quoted:
			quoted = c != '"' // of two in a row, the second opens again
			begin = c == '"'
			continue
		case c == '\n':
			return i + s.width
		case c == '"' && begin:
			quoted = true
		}
		begin = c == separator
	}
	return 0
}

// line returns the length of the first line, whatever its quotes; 0 when it has
// no end.
func (s script) line(data []byte) int {
	for i := 0; i+s.width <= len(data); i += s.width {
		if s.at(data, i) == '\n' {
			return i + s.width
		}
	}
	return 0
}

// lines counts the ends of lines.
func (s script) lines(data []byte) (n int) {
	for i := 0; i+s.width <= len(data); i += s.width {
		if s.at(data, i) == '\n' {
			n++
		}
	}
	return n
}

// readStart reads the first bytes of a file, fewer when it has no more.
func readStart(f io.ReaderAt, n int64) ([]byte, error) {
	return io.ReadAll(io.NewSectionReader(f, 0, n))
}
