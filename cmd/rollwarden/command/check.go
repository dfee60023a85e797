package command

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
	"rollwarden/rules/units"
)

type checkCommand struct {
	Tickets []string `arg:"" optional:"" help:"Ticket and signal files to read." type:"existingfile"`
}

// checkDocument is what was checked, and what is wrong with it.
type checkDocument struct {
	OK            bool                  `json:"ok" jsonschema:"whether all is well; the exit code is 1 when it is not"`
	Configuration configurationDocument `json:"configuration"`
	RuleBook      ruleBookDocument      `json:"rule_book"`
	Tickets       []ticketDocument      `json:"tickets" jsonschema:"of each file that was named"`
}

type configurationDocument struct {
	Chosen   string   `json:"chosen" jsonschema:"which file was read, and why"`
	Machines int      `json:"machines"`
	Stocks   int      `json:"stocks"`
	Notes    []string `json:"notes" jsonschema:"what deserves a look"`
}

type ruleBookDocument struct {
	Hazards  int       `json:"hazards"`
	Cases    int       `json:"cases"`
	Problems []problem `json:"problems" jsonschema:"of the cases that failed"`
}

type ticketDocument struct {
	File     string                 `json:"file"`
	Format   string                 `json:"format,omitzero" jsonschema:"absent when the file could not be read"`
	Tickets  []event.TicketReceived `json:"tickets" jsonschema:"as the event ticket.received in deploy/asyncapi.json has them"`
	Signals  []signalDocument       `json:"signals"`
	Notes    []string               `json:"notes" jsonschema:"what was read and not used, and what deserves a look"`
	Problems []problem              `json:"problems" jsonschema:"why the file would be rejected, or is of no machine"`

	wrong error
}

type signalDocument struct {
	Time   time.Time `json:"time"`
	Type   string    `json:"type" jsonschema:"type of the event that it becomes"`
	Device string    `json:"device,omitzero" jsonschema:"device that it comes from; absent when it names none"`
}

// Run checks everything that can be checked without a daemon and says what is
// wrong with each part.
func (c checkCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	d := checkDocument{Configuration: configurationDocument{cfg.Chosen, len(cfg.Machines), len(cfg.Stocks), append(cfg.Warnings, sourceNotes(cfg, time.Now())...)}}
	if d.RuleBook, err = checkBook(cfg); err != nil {
		return err
	}
	if d.Tickets, err = c.tickets(e, cfg); err != nil {
		return err
	}
	d.OK = len(d.RuleBook.Problems) == 0 && !slices.ContainsFunc(d.Tickets, func(t ticketDocument) bool { return t.wrong != nil })
	if err := e.answer(d, d.print); err != nil {
		return err
	}
	if !d.OK {
		return errSilent
	}
	return nil
}

// checkBook runs the cases of the rule book.
func checkBook(cfg *config.Config) (d ruleBookDocument, err error) {
	site, err := cfg.Site()
	if err != nil {
		return d, err
	}
	d.Hazards, d.Cases = len(site.Book.Rows), len(site.Book.Cases)
	for _, c := range site.Book.Cases {
		if err := rules.RunCase(site, c); err != nil {
			d.Problems = append(d.Problems, problem{Message: err.Error()})
		}
	}
	return d, nil
}

// tickets reads the files that were named.
func (c checkCommand) tickets(e *env, cfg *config.Config) (all []ticketDocument, err error) {
	options, err := cfg.TicketOptions()
	if err != nil {
		return nil, err
	}
	tick, end := e.progress("reading files")
	defer end()
	for i, path := range c.Tickets {
		d := ticketDocument{File: path}
		if d.wrong = d.read(cfg, options); d.wrong != nil {
			d.Problems = problemsOf(d.wrong)
		}
		all = append(all, d)
		tick(int64(i+1), int64(len(c.Tickets)))
	}
	return all, nil
}

// read reads one file and says what is wrong with it.
func (d *ticketDocument) read(cfg *config.Config, options ticket.Options) error {
	data, err := os.ReadFile(d.File)
	if err != nil {
		return err
	}
	doc, err := ticket.Parse(filepath.Base(d.File), data, options)
	if err != nil {
		return err
	}
	d.Format, d.Notes = doc.Format, doc.Notes
	for _, t := range doc.Tickets {
		cfg.Complete(&event.Event{Data: &t.Data}) // as the watch does before it stores one
		d.Tickets = append(d.Tickets, t.Data)
		d.Notes = append(d.Notes, strangers(cfg, t)...)
	}
	for _, s := range doc.Signals {
		d.Signals = append(d.Signals, signalDocument{s.Time, string(s.Type), s.DeviceID})
	}
	return where(cfg, doc)
}

// strangers notes the devices of a ticket that no machine is.
func strangers(cfg *config.Config, t ticket.Ticket) (notes []string) {
	for _, id := range t.DeviceIDs {
		if _, _, known := cfg.Machine(id); !known {
			notes = append(notes, fmt.Sprintf("no machine has the device id %q: the ticket counts for a machine only when it is dropped into that machine's folder", id))
		}
	}
	return notes
}

// print says it to a person.
func (d *checkDocument) print(w io.Writer) error {
	fmt.Fprintf(w, "configuration: ok, %s; machines: %d, stocks: %d\n", d.Configuration.Chosen, d.Configuration.Machines, d.Configuration.Stocks)
	for _, note := range d.Configuration.Notes {
		fmt.Fprintln(w, "  note:", note)
	}
	for _, p := range d.RuleBook.Problems {
		fmt.Fprintln(w, "rule book:", p.Message)
	}
	_, err := fmt.Fprintf(w, "rule book: %d hazards, %d cases, %d failed\n", d.RuleBook.Hazards, d.RuleBook.Cases, len(d.RuleBook.Problems))
	for i := range d.Tickets {
		d.Tickets[i].print(w)
	}
	return err
}

func (d *ticketDocument) print(w io.Writer) {
	if d.Format != "" {
		verdict := "ok"
		if d.wrong != nil {
			verdict = "readable, but of no machine"
		}
		fmt.Fprintf(w, "ticket %s: %s, %s, tickets: %d, signals: %d\n", d.File, verdict, d.Format, len(d.Tickets), len(d.Signals))
	}
	for i := range d.Tickets {
		printTicket(w, &d.Tickets[i])
	}
	for _, s := range d.Signals {
		fmt.Fprintf(w, "  %s %s from %s\n", s.Time.Format("2006-01-02T15:04:05Z07:00"), s.Type, or(s.Device, "an unnamed device"))
	}
	for _, n := range d.Notes {
		fmt.Fprintln(w, "  note:", n)
	}
	if d.wrong != nil {
		fmt.Fprintf(w, "ticket %s: %v\n", d.File, d.wrong)
	}
}

func printTicket(w io.Writer, d *event.TicketReceived) {
	fmt.Fprintf(w, "  %s: %s (%s), width %s, length %s, passes %s, cure %s, contour cut %s\n", event.JobName(d.Job, d.Part),
		or(d.Stock, "no stock code"), or(string(d.FilmClass), "class unknown"), shown(d.RollWidthMM, "mm"), shown(d.LengthM, "m"),
		shown(d.Passes, ""), shown(d.CureC, "°C"), map[bool]string{true: "yes", false: "no"}[d.ContourCut])
	for _, flag := range d.Flags {
		fmt.Fprintln(w, "    flag:", flag)
	}
}

// where says which devices no machine of the configuration stands for.
func where(cfg *config.Config, doc ticket.Document) error {
	_, err := doc.Events(ticket.Target{Site: "shop", MachineFor: cfg.Machine, Current: func(string, string, string, string) string { return "" }})
	return err
}

func shown(p *float64, unit string) string {
	v, known := units.From(p).Get()
	if !known {
		return "unknown"
	}
	return fmt.Sprintf("%.4g%s", v, map[bool]string{true: " " + unit, false: ""}[unit != ""])
}

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}
