package runlog

import (
	"fmt"
	"os"
	"time"

	"rollwarden/rules/event"
)

// Line is what one row of a log would tell.
type Line struct {
	Number int
	Events []event.Event
	Err    error // why it would be passed over
}

// Preview reads the first rows of the newest file of a log, for people who want to
// see whether its columns are the right ones. The journal is told nothing.
func Preview(l Log, now time.Time, most int) (path string, lines []Line, err error) {
	paths, err := l.paths()
	if err != nil {
		return "", nil, err
	}
	if len(paths) == 0 {
		return "", nil, fmt.Errorf("no file %s: it is taken up when it is there", l.Files)
	}
	path = paths[len(paths)-1]
	file, err := os.Open(path)
	if err != nil {
		return path, nil, err
	}
	defer file.Close()
	data, err := readStart(file, chunk)
	if err != nil {
		return path, nil, err
	}
	r := &reader{visit: &visit{follower: &follower{Options: Options{Now: func() time.Time { return now }}}, log: &l}}
	s, titles, first, err := l.Format.begin(data)
	if err != nil {
		return path, nil, err
	}
	r.script = s
	if r.header, err = l.Format.locate(titles); err != nil {
		return path, nil, err
	}
	for number := 1 + s.lines(data[:first]); len(lines) < most; {
		n, broken := r.next(data[first:], true)
		if n == 0 {
			break
		}
		row := data[first : first+int64(n)]
		told, e := r.parse(row, broken)
		if line := (Line{Number: number, Err: e}); e != nil || len(told) > 0 {
			for _, t := range told {
				line.Events = append(line.Events, l.event(t))
			}
			lines = append(lines, line)
		}
		number, first = number+s.lines(row), first+int64(n)
	}
	return path, lines, nil
}
