package runlog

import (
	"context"
	"fmt"
	"io"
	"os"

	"rollwarden/rules/event"
)

// reader reads one file from where its mark is.
type reader struct {
	*visit
	file   *os.File
	name   string
	mark   *mark
	script script
	header header
}

// read tells the journal of everything that is new, and returns errHalf when the
// file ends with half a line. When it was quiet that half is taken for a whole.
func (r *reader) read(ctx context.Context, quiet bool) error {
	first, err := r.open()
	if err != nil {
		return err
	}
	if r.mark.Offset < first {
		start, err := readStart(r.file, first)
		if err != nil {
			return err
		}
		if err := r.mark.moved(r.file, first, r.script.lines(start)); err != nil {
			return err
		}
	}
	for ctx.Err() == nil {
		more, err := r.step(ctx, quiet)
		if !more || err != nil {
			return err
		}
	}
	return ctx.Err()
}

// open finds out how the file is written, and where its first row begins.
func (r *reader) open() (first int64, err error) {
	start, err := readStart(r.file, maxRecord)
	if err != nil {
		return 0, err
	}
	var titles []string
	r.script, titles, first, err = r.log.Format.begin(start)
	if err != nil {
		return 0, err
	}
	r.header, err = r.log.Format.locate(titles)
	return first, err
}

// begin reads what comes before the first row of a file: a byte order mark and the
// header. It is errHalf when the header is not whole yet.
func (f *Format) begin(start []byte) (s script, titles []string, first int64, err error) {
	s = scriptOf(start, f.Charset)
	if first = s.begin; !f.Header {
		return s, nil, first, nil
	}
	n := s.record(start[first:], byte(f.separator()))
	if n == 0 {
		return s, nil, 0, errHalf
	}
	text, err := s.decode(start[first : first+int64(n)])
	if err == nil {
		titles, err = f.cells(text)
	}
	return s, titles, first + int64(n), err
}

// step reads one batch of rows and moves the mark behind them once the journal has
// what they say.
func (r *reader) step(ctx context.Context, quiet bool) (more bool, err error) {
	data, err := io.ReadAll(io.NewSectionReader(r.file, r.mark.Offset, chunk))
	if err != nil || len(data) == 0 {
		return false, err
	}
	var events []event.Event
	used, lines := 0, 0
	for rows := 0; rows < batch; {
		n, broken := r.next(data[used:], quiet && len(data) < chunk)
		if n == 0 {
			break
		}
		if r.mark.Offset+int64(used+n) > r.mark.History {
			events = append(events, r.tell(data[used:used+n], r.mark.Line+lines+1, broken)...)
			rows++
		}
		lines += r.script.lines(data[used : used+n])
		used += n
	}
	if used == 0 {
		return false, errHalf
	}
	if len(events) > 0 {
		if err := r.Publish(ctx, events...); err != nil {
			return false, fmt.Errorf("tell the journal: %w", err)
		}
	}
	if err := r.mark.moved(r.file, r.mark.Offset+int64(used), lines); err != nil {
		return false, err
	}
	return true, r.save()
}

// next returns the length of the next record, 0 when it is not whole yet. One that
// does not end where a record must is broken off at its line's end.
func (r *reader) next(data []byte, quiet bool) (n int, broken bool) {
	if n = r.script.record(data, byte(r.log.Format.separator())); n > 0 {
		return n, false
	}
	if len(data) >= maxRecord {
		if n = r.script.line(data[:maxRecord]); n == 0 {
			n = maxRecord
		}
		return n, true
	}
	if quiet && len(data) >= r.script.width {
		return len(data), false
	}
	return 0, false
}

// tell makes the events of one record: what it says, or that it says nothing that
// can be understood.
func (r *reader) tell(record []byte, line int, broken bool) []event.Event {
	all, err := r.parse(record, broken)
	if err != nil {
		return []event.Event{r.reject(record, line, err)}
	}
	events := make([]event.Event, len(all))
	for i, t := range all {
		events[i] = r.log.event(t)
	}
	return events
}

func (r *reader) parse(record []byte, broken bool) ([]told, error) {
	if broken {
		return nil, &event.Fault{Field: "the row", Want: fmt.Sprintf("quotes in pairs and at most %d bytes", maxRecord), Got: fmt.Sprintf("%q", clip(record))}
	}
	text, err := r.script.decode(record)
	if err != nil {
		return nil, err
	}
	cells, err := r.log.Format.cells(text)
	if err != nil || cells == nil {
		return nil, err
	}
	return (&row{&r.log.Format, r.header, cells, r.Now()}).tell()
}
