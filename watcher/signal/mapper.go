package signal

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"rollwarden/rules/event"
)

// message is one message with its place in a stream.
type message struct {
	id    string // the same whenever it is delivered again
	topic string
	data  []byte
	at    time.Time // when the server took it
}

// mapper turns messages into events by the table. It is safe for concurrent use if
// again is.
type mapper struct {
	rows  []compiled
	place func(site, machine string) (string, string, error)
	site  string // of what cannot be placed

	// again reports whether a message only repeats another one for a row; nil where no
	// row is debounced.
	again func(ctx context.Context, r *compiled, msg message) (bool, error)
}

type compiled struct {
	Row
	filter filter
	kind   event.Kind
}

func newMapper(rows []Row, place func(site, machine string) (string, string, error), site string) (*mapper, error) {
	m := &mapper{place: place, site: site}
	for i, r := range rows {
		if err := r.Check(); err != nil {
			return nil, fmt.Errorf("row %d: %w", i+1, err)
		}
		c := compiled{Row: r}
		c.filter, _ = compile(r.Topic) // checked
		c.kind, _ = kindOf(r.Type)
		m.rows = append(m.rows, c)
	}
	return m, nil
}

func (m *mapper) filters() []filter {
	var all []filter
	for _, r := range m.rows {
		all = append(all, r.filter)
	}
	return all
}

// events makes what the journal should hold of a message: its events, and a
// ticket.rejected for each row that it does not fit. The error is that of again.
func (m *mapper) events(ctx context.Context, msg message) ([]event.Event, error) {
	var all []event.Event
	for i := range m.rows {
		r := &m.rows[i]
		site, machine, ok := r.filter.match(msg.topic)
		if !ok {
			continue
		}
		if r.Debounce > 0 {
			if again, err := m.again(ctx, r, msg); err != nil {
				return nil, err
			} else if again {
				continue
			}
		}
		if e := m.event(i, r, msg, or(site, r.Site), or(machine, r.Machine)); e != nil {
			all = append(all, *e)
		}
	}
	return all, nil
}

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

func (m *mapper) event(i int, r *compiled, msg message, site, machine string) *event.Event {
	data, err := r.data(r.kind, msg.data)
	if err == nil && data == nil {
		return nil
	}
	placed, e := "", error(nil)
	if site, placed, e = m.placed(site, machine); e != nil && err == nil {
		err = &misfit{"bad-value", e}
	}
	if err != nil {
		return m.reject(msg, i, site, placed, err)
	}
	return &event.Event{
		ID:     event.DerivedID("signal", msg.id, r.Topic, string(r.Type), strconv.Itoa(i)),
		Source: Source, Type: r.Type, Time: msg.at, Site: site, Machine: placed, Data: data,
	}
}

// placed finds the machine; when there is none such it is any of the site that the
// topic or its row names, or of the site for what nobody can place.
func (m *mapper) placed(site, machine string) (string, string, error) {
	s, name, err := m.place(site, machine)
	if err != nil {
		if event.CheckName("site", site) != nil {
			site = m.site
		}
		return site, event.AnyMachine, err
	}
	return s, name, nil
}

// reject makes the event of a message that does not fit.
func (m *mapper) reject(msg message, i int, site, machine string, why error) *event.Event {
	kind := "malformed"
	if f, ok := errors.AsType[*misfit](why); ok {
		kind = f.kind
	}
	reason := fmt.Sprintf("signal for %s: %v", m.rows[i].Type, why)
	if len(msg.data) > 0 {
		reason += fmt.Sprintf("; the payload was %q", clip(strings.ToValidUTF8(string(msg.data), "�")))
	}
	return &event.Event{
		ID:     event.DerivedID("signal-rejected", msg.id, strconv.Itoa(i)),
		Source: Source, Type: "ticket.rejected", Time: msg.at, Site: site, Machine: machine,
		Data: &event.TicketRejected{SourceFile: clip(strings.ToValidUTF8(msg.topic, "�")), Kind: kind, Reason: event.Shorten(reason)},
	}
}
