package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules/event"
	"rollwarden/rules/floor"
	"rollwarden/rules/hint"
	"rollwarden/watcher/bus"
)

type sendCommand struct {
	Type    string   `arg:"" optional:"" help:"Event type, for example roll.loaded; without one the types are listed." predictor:"type"`
	Machine string   `arg:"" optional:"" help:"Machine, as name or site/name, or 'any' for the whole site." predictor:"machine"`
	Fields  []string `arg:"" optional:"" help:"Fields as name=value, in SI units." predictor:"field"`

	Site string `help:"Site; needed only when two sites have a machine of that name." predictor:"site"`
	At   string `help:"When it happened, such as 2026-03-02T08:00:00Z; now when absent." placeholder:"TIME"`
	ID   string `help:"Id of the event; sending the same id twice counts once."`
	NATS string `help:"NATS address; the configuration's when absent." placeholder:"URL"`
}

// sendWithin bounds one send.
const sendWithin = 10 * time.Second

// Run publishes one event and returns once the journal has stored it.
func (s sendCommand) Run(e *env) error {
	if s.Type == "" {
		return listTypes(e)
	}
	cfg, err := e.load()
	if err != nil {
		return err
	}
	ev, err := s.event(cfg)
	if err != nil {
		return usageError{err}
	}
	ctx, cancel := context.WithTimeout(e.ctx, sendWithin)
	defer cancel()
	seq, err := publish(ctx, cfg, s.NATS, ev)
	if err != nil {
		return err
	}
	return e.answer(sendDocument{Stored: &storedDocument{ev.ID, string(ev.Type), ev.Site, ev.Machine, ev.Time.UTC(), seq}}, func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "stored %s for %s/%s as journal entry %d (id %s)\n", ev.Type, ev.Site, ev.Machine, seq, ev.ID)
		return err
	})
}

// sendDocument is what was stored, or what can be sent.
type sendDocument struct {
	Stored *storedDocument `json:"stored,omitzero" jsonschema:"the event that the journal has stored; absent without a type"`
	Types  []typeDocument  `json:"types,omitzero" jsonschema:"what can be sent; only without a type"`
}

type storedDocument struct {
	ID      string    `json:"id"`
	Type    string    `json:"type"`
	Site    string    `json:"site"`
	Machine string    `json:"machine" jsonschema:"any for the whole site"`
	Time    time.Time `json:"time" jsonschema:"when it happened"`
	Seq     uint64    `json:"seq" jsonschema:"of its entry in the journal"`
}

type typeDocument struct {
	Type   string          `json:"type"`
	Doc    string          `json:"doc" jsonschema:"what it means"`
	Fields []fieldDocument `json:"fields"`
}

type fieldDocument struct {
	Name     string `json:"name"`
	Doc      string `json:"doc" jsonschema:"what it means"`
	Required bool   `json:"required"`
	Want     string `json:"want" jsonschema:"what may stand in it, in words"`
}

// listTypes prints the event types that people can send, with their fields.
func listTypes(e *env) error {
	var types []typeDocument
	for _, k := range operatorKinds() {
		t := typeDocument{Type: string(k.Type), Doc: k.Doc}
		for _, f := range event.Fields(k) {
			t.Fields = append(t.Fields, fieldDocument{f.Name, f.Doc, f.Required, f.Want()})
		}
		types = append(types, t)
	}
	return e.answer(sendDocument{Types: types}, func(w io.Writer) error {
		fmt.Fprintln(w, "rollwarden send TYPE MACHINE [field=value ...]")
		for _, t := range types {
			fmt.Fprintf(w, "\n%s  %s\n", t.Type, t.Doc)
			for _, f := range t.Fields {
				fmt.Fprintf(w, "    %s%s  %s; %s\n", f.Name, map[bool]string{true: " (required)"}[f.Required], f.Doc, f.Want)
			}
		}
		return nil
	})
}

func operatorKinds() []event.Kind {
	return slices.DeleteFunc(slices.Clone(event.Kinds), func(k event.Kind) bool { return k.From != event.FromOperator })
}

// event builds the event from the arguments.
func (s sendCommand) event(cfg *config.Config) (event.Event, error) {
	kind, err := kindOf(s.Type)
	if err != nil {
		return event.Event{}, err
	}
	if s.Machine == "" {
		return event.Event{}, fmt.Errorf("want a machine after the type, one of %s", strings.Join(machineNames(cfg, ""), ", "))
	}
	site, machine, err := s.place(cfg)
	if err != nil {
		return event.Event{}, err
	}
	pairs, err := fields(s.Fields)
	if err != nil {
		return event.Event{}, err
	}
	payload, err := event.Set(kind, pairs)
	if err != nil {
		return event.Event{}, fmt.Errorf("%w (rollwarden send lists every type with its fields)", err)
	}
	at, err := s.when(time.Now())
	if err != nil {
		return event.Event{}, err
	}
	if note, ok := payload.(*event.OperatorNoted); ok {
		if err := checkNote(cfg, note, at); err != nil {
			return event.Event{}, err
		}
	}
	id := s.ID
	if id == "" {
		v7, err := uuid.NewV7()
		if err != nil {
			return event.Event{}, fmt.Errorf("make an id: %w", err)
		}
		id = v7.String()
	}
	ev := event.Event{ID: id, Source: "rollwarden/send", Type: kind.Type, Time: at, Site: site, Machine: machine, Data: payload}
	cfg.Complete(&ev)
	return ev, nil
}

// when is the time of the event. The watch would refuse one too far ahead, but
// only after the sender was told that it is stored.
func (s sendCommand) when(now time.Time) (time.Time, error) {
	if s.At == "" {
		return now, nil
	}
	at, err := time.Parse(time.RFC3339, s.At)
	switch {
	case err != nil:
		return at, fmt.Errorf("--at: want a time such as 2026-03-02T08:00:00Z, got %q", s.At)
	case at.Sub(now) > event.MaxAhead:
		return at, fmt.Errorf("--at: want a time at most %.0f h ahead, got %q", event.MaxAhead.Hours(), s.At)
	}
	return at, nil
}

// checkNote refuses what would change no alarm although a person believes that
// it did: a hazard that does not exist, a shelf that is over already.
func checkNote(cfg *config.Config, note *event.OperatorNoted, at time.Time) error {
	if note.Until != nil && !note.Until.After(at) {
		return fmt.Errorf("until: want a time to come, got %q", note.Until.Format(time.RFC3339))
	}
	site, err := cfg.Site()
	if err != nil || note.Hazard == "" {
		return err
	}
	var codes []string
	for _, row := range site.Book.Rows {
		codes = append(codes, string(row.Code))
	}
	if !slices.Contains(codes, note.Hazard) {
		return fmt.Errorf("hazard: no hazard %q%s (want one of %s)", note.Hazard, hint.DidYouMean(note.Hazard, codes), strings.Join(codes, ", "))
	}
	return nil
}

func kindOf(name string) (event.Kind, error) {
	kind, known := event.KindOf(event.Type(name))
	if known && kind.From == event.FromOperator {
		return kind, nil
	}
	if known {
		return kind, fmt.Errorf("%s is published by the %s and not by people", name, kind.From)
	}
	return kind, fmt.Errorf("no event type %q%s (rollwarden send lists them all)", name, hint.DidYouMean(name, typeNames()))
}

// place finds the site and the name of the machine in the configuration.
func (s sendCommand) place(cfg *config.Config) (site, machine string, err error) {
	site, machine, both := strings.Cut(s.Machine, "/")
	switch {
	case !both && s.Site != "":
		return s.Site, s.Machine, nil
	case !both:
		machine = s.Machine
	case s.Site != "" && s.Site != site:
		return "", "", fmt.Errorf("want one site, got %s in %s and --site %s", site, s.Machine, s.Site)
	}
	sites := map[string]bool{}
	for _, m := range cfg.Machines {
		if (m.Name == machine || machine == event.AnyMachine) && (m.Site == site || !both) {
			sites[m.Site] = true
		}
	}
	found := slices.Sorted(maps.Keys(sites))
	switch len(found) {
	case 1:
		return found[0], machine, nil
	case 0:
		names := machineNames(cfg, s.Machine)
		return "", "", fmt.Errorf("no machine %q in the configuration%s (want one of %s, or give --site)", s.Machine, hint.DidYouMean(s.Machine, names), strings.Join(names, ", "))
	}
	return "", "", fmt.Errorf("%q is on %s: say which, as in %s/%s", s.Machine, strings.Join(found, " and "), found[0], s.Machine)
}

// asTyped names a machine in the way in which somebody has typed one: with its site,
// or without.
func asTyped(typed string) func(config.Machine) string {
	if strings.Contains(typed, "/") {
		return func(m config.Machine) string { return floor.Key(m.Site, m.Name) }
	}
	return func(m config.Machine) string { return m.Name }
}

// machineNames lists the machines as somebody has typed one.
func machineNames(cfg *config.Config, typed string) (names []string) {
	for _, m := range cfg.Machines {
		names = append(names, asTyped(typed)(m))
	}
	return names
}

func fields(args []string) (map[string]string, error) {
	pairs := make(map[string]string, len(args))
	for _, a := range args {
		name, value, ok := strings.Cut(a, "=")
		if !ok || name == "" {
			return nil, fmt.Errorf("want field=value, got %q", a)
		}
		if _, twice := pairs[name]; twice {
			return nil, fmt.Errorf("field %q is given twice", name)
		}
		pairs[name] = value
	}
	return pairs, nil
}

// publish stores one event and returns its journal sequence.
func publish(ctx context.Context, cfg *config.Config, address string, ev event.Event) (uint64, error) {
	b, err := connect(ctx, cfg, address)
	if err != nil {
		return 0, err
	}
	defer b.Close(ctx)
	data, err := event.Encode(ev)
	if err != nil {
		return 0, err
	}
	msg := &nats.Msg{Subject: ev.Subject(), Data: data, Header: nats.Header{"Content-Type": {event.ContentType}}}
	ack, err := b.JetStream().PublishMsg(ctx, msg)
	switch {
	case errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, nats.ErrNoResponders):
		return 0, fmt.Errorf("no journal answers at that address: start the watch first with rollwarden run")
	case err != nil:
		return 0, fmt.Errorf("the journal did not store it: %w", err)
	}
	return ack.Sequence, nil
}

// connect reaches the NATS of this shop's running watch.
func connect(ctx context.Context, cfg *config.Config, address string) (*bus.Bus, error) {
	o := cfg.BusOptions("rollwarden-cli", zerolog.Nop())
	if o.URL = cmp.Or(address, o.URL); o.URL == "" {
		o.URL, o.Login = localAddress(cfg), append(o.Login, cfg.OwnServer())
	}
	b, err := reach(ctx, cfg, o, addressKey(cfg, address))
	var other *otherShop
	if err != nil && !errors.As(err, &other) {
		return nil, fmt.Errorf("no watch answers (is the watch running? Start it with rollwarden run, or give --nats): %w", err)
	}
	return b, err
}

// localAddress is the built-in server's, from this computer: one that listens on every
// address is reached on the loopback one.
func localAddress(cfg *config.Config) string {
	host, port, err := net.SplitHostPort(cfg.NATS.Listen)
	if err != nil {
		return "nats://127.0.0.1:4222"
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = ""
	}
	return "nats://" + net.JoinHostPort(cmp.Or(host, "127.0.0.1"), port)
}
