package command

import (
	"cmp"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/runlog"
)

// mostRows is how many rows of a run log a check shows.
const mostRows = 3

// sourceNotes says what else tells of the floor, and what the first rows of the newest file of each
// run log that is there would tell.
func sourceNotes(cfg *config.Config, now time.Time) (notes []string) {
	s := cfg.Sources
	if len(s.Signals)+len(s.RunLogs)+len(s.IPP) == 0 {
		return nil
	}
	notes = append(notes, fmt.Sprintf("sources: %d signals, %d run logs, %d printers by IPP", len(s.Signals), len(s.RunLogs), len(s.IPP)))
	logs, err := cfg.RunLogs()
	if err != nil {
		return append(notes, err.Error()) // refused already when the configuration was read
	}
	for _, l := range logs {
		path, lines, err := runlog.Preview(l, now, mostRows)
		name := "run log of " + l.Site + "/" + l.Machine + ", " + filepath.Base(cmp.Or(path, l.Files))
		if err != nil {
			notes = append(notes, name+": "+err.Error())
		}
		for _, line := range lines {
			notes = append(notes, fmt.Sprintf("%s, line %d: %s", name, line.Number, told(line)))
		}
	}
	return notes
}

// told is what a row would tell, or why it would be passed over.
func told(line runlog.Line) string {
	if line.Err != nil {
		return "does not fit: " + line.Err.Error()
	}
	var all []string
	for _, e := range line.Events {
		all = append(all, string(e.Type)+" at "+e.Time.Format(time.RFC3339))
	}
	return strings.Join(all, ", ")
}
