package runlog

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"rollwarden/rules/event"
)

// event makes the event of what a row told. Its id is made of that alone, so that
// the same row counts once wherever it stands. The start of a run is told by the
// row that was written then and by the one that was written at its end, in which
// more may be known of it, and counts once too.
func (l *Log) event(t told) event.Event {
	typ := event.Type("run." + t.meaning)
	at := t.at.Format(time.RFC3339Nano)
	var id string
	if s, ok := t.data.(*event.RunStarted); ok {
		id = event.DerivedID("run-log", l.Site, l.Machine, string(typ), at, s.Job, s.Part)
	} else {
		data, _ := json.Marshal(t.data, json.Deterministic(true)) // checked, so that it can be written
		id = event.DerivedID("run-log", l.Site, l.Machine, string(typ), at, string(data))
	}
	return event.Event{ID: id, Source: Source, Type: typ, Time: t.at, Site: l.Site, Machine: l.Machine, Data: t.data}
}

// reject makes the event of a row that does not fit.
func (r *reader) reject(record []byte, line int, why error) event.Event {
	sum := sha256.Sum256(record)
	content := hex.EncodeToString(sum[:])
	return event.Event{
		ID:     event.DerivedID("run-log-rejected", r.log.Site, r.log.Machine, r.name, strconv.Itoa(line), content),
		Source: Source, Type: "ticket.rejected", Time: r.Now().UTC(), Site: r.log.Site, Machine: r.log.Machine,
		Data: &event.TicketRejected{
			SourceFile: strings.ToValidUTF8(r.name, "�") + ", line " + strconv.Itoa(line),
			Kind:       kindOf(why),
			Reason:     event.Shorten(fmt.Sprintf("%v; the row is passed over, and the rows after it count", why)),
		},
	}
}

// loss makes the event of a log of which nobody knows how far it was read.
func (l *Log) loss(why string, now time.Time) event.Event {
	name := filepath.Base(l.Files)
	return event.Event{
		ID:     event.DerivedID("run-log-loss", l.Site, l.Machine, name, why),
		Source: Source, Type: "ticket.rejected", Time: now.UTC(), Site: l.Site, Machine: l.Machine,
		Data: &event.TicketRejected{SourceFile: strings.ToValidUTF8(name, "�"), Kind: "unreadable", Reason: event.Shorten(why)},
	}
}

// kindOf sorts a fault into one of event.RejectKinds.
func kindOf(err error) string {
	f, ok := errors.AsType[*event.Fault](err)
	switch {
	case !ok || !strings.HasPrefix(f.Field, "column "):
		return "malformed"
	case f.Got == "":
		return "missing-field"
	}
	return "bad-value"
}
