package runlog

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"

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
func (m *mark) fits(f io.ReaderAt, size int64) (bool, error) {
	if m.Offset == 0 || size < m.Offset {
		return m.Offset == 0, nil
	}
	head, tail, err := sums(f, m.Offset)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil // it was truncated just now
	}
	return head == m.Head && tail == m.Tail, err
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
type memory struct {
	logs map[string]*marks
	lost string // why nothing is known of what was read before; empty when it is
}

// marks are those of one log.
type marks struct {
	Seen  bool    `json:"seen"`          // there was a first look, so that another file is a new one
	Lost  string  `json:"lost,omitzero"` // why rows may be missing, until the journal has it
	Files []*mark `json:"files"`
}

// mostMarks is how many files of one log are remembered once some are gone.
const mostMarks = 1000

// of returns the marks of a log.
func (m *memory) of(l *Log) *marks {
	key := l.Site + "/" + l.Machine + " " + l.Files
	if m.logs[key] == nil {
		m.logs[key] = &marks{}
		if !l.History { // which is read from its start
			m.logs[key].Lost = m.lost
		}
	}
	return m.logs[key]
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

// load reads the memory. A damaged one is as good as none, but it is told to people;
// the error is one of reading, which may work later.
func load(s State, now time.Time) (*memory, error) {
	m := &memory{logs: map[string]*marks{}}
	data, err := s.Load()
	if errors.Is(err, fs.ErrNotExist) {
		return m, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read how far the run logs were read: %w", err)
	}
	if err = json.Unmarshal(data, &m.logs); err == nil {
		err = m.check()
	}
	if err != nil {
		m.logs = map[string]*marks{}
		m.lost = fmt.Sprintf("nobody can tell any more how far this log was read, as its state is damaged (%v): what was written between the last look and %s is not told, "+
			"so see whether the journal has the last rows before that", err, now.UTC().Format(time.RFC3339))
	}
	return m, nil
}

// check refuses what only damage leaves.
func (m *memory) check() error {
	if m.logs == nil {
		return errors.New("want the marks of the logs, got null")
	}
	for key, marks := range m.logs {
		if marks == nil || slices.Contains(marks.Files, nil) {
			return fmt.Errorf("want the marks of %q, got null", key)
		}
	}
	return nil
}

func (m *memory) save(s State) error {
	data, err := json.Marshal(m.logs, json.Deterministic(true))
	if err == nil {
		err = s.Save(data)
	}
	if err != nil {
		return fmt.Errorf("remember how far the run logs were read: %w", err)
	}
	return nil
}
