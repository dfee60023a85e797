package runlog

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/go-json-experiment/json"
)

// mark is how far one file was read, and what it looked like up to there.
type mark struct {
	Path   string `json:"path"`
	Offset int64  `json:"offset"` // bytes that were read
	Line   int    `json:"line"`   // lines that were read
	Head   string `json:"head"`   // SHA-256 of how the read part begins, hexadecimal
	Tail   string `json:"tail"`   // and of how it ends

	History int64 `json:"history,omitzero"` // bytes that stood there at the first look, and are not told
}

// fingerprint is how many bytes at each end of what was read are compared.
const fingerprint = 512

// moved notes that the file was read up to offset.
func (m *mark) moved(f io.ReaderAt, offset int64, lines int) error {
	head, tail, err := sums(f, offset)
	if err != nil {
		return err
	}
	m.Offset, m.Line, m.Head, m.Tail = offset, m.Line+lines, head, tail
	return nil
}

// fits reports whether a file is the one that was read, and perhaps more of it.
func (m *mark) fits(f io.ReaderAt, size int64) bool {
	if m.Offset == 0 || size < m.Offset {
		return m.Offset == 0
	}
	head, tail, err := sums(f, m.Offset)
	return err == nil && head == m.Head && tail == m.Tail
}

func sums(f io.ReaderAt, offset int64) (head, tail string, err error) {
	n := min(offset, fingerprint)
	if head, err = sum(f, 0, n); err == nil {
		tail, err = sum(f, offset-n, n)
	}
	return head, tail, err
}

func sum(f io.ReaderAt, from, n int64) (string, error) {
	h := sha256.New()
	read, err := io.Copy(h, io.NewSectionReader(f, from, n))
	if err == nil && read < n {
		err = io.ErrUnexpectedEOF
	}
	return hex.EncodeToString(h.Sum(nil)), err
}

// memory is what is kept over a restart: the marks of each log, by its pattern and
// machine.
type memory map[string]*marks

// marks are those of one log.
type marks struct {
	Seen  bool    `json:"seen"` // there was a first look, so that another file is a new one
	Files []*mark `json:"files"`
}

// mostMarks is how many files of one log are remembered once some are gone.
const mostMarks = 1000

// of returns the marks of a log.
func (m memory) of(l *Log) *marks {
	key := l.Site + "/" + l.Machine + " " + l.Files
	if m[key] == nil {
		m[key] = &marks{}
	}
	return m[key]
}

// at returns the mark of a path, and makes it if need be.
func (s *marks) at(path string) *mark {
	for _, m := range s.Files {
		if m.Path == path {
			return m
		}
	}
	m := &mark{Path: path}
	s.Files = append(s.Files, m)
	return m
}

func (s *marks) drop(gone func(*mark) bool) { s.Files = slices.DeleteFunc(s.Files, gone) }

func load(file string) (memory, error) {
	data, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return memory{}, nil
	}
	if err != nil {
		return nil, err
	}
	m := memory{}
	if err := json.Unmarshal(data, &m); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return m, nil
}

// save replaces the file at once, so that a crash leaves the old one or the new.
func (m memory) save(file string) error {
	data, err := json.Marshal(m, json.Deterministic(true))
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
		return err
	}
	next := file + ".tmp"
	if err := os.WriteFile(next, data, 0o640); err != nil {
		return err
	}
	return os.Rename(next, file)
}
