package command

import (
	"fmt"
	"os"
	"path/filepath"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules"
	"rollwarden/rules/event"
	"rollwarden/rules/ticket"
	"rollwarden/rules/units"
)

type checkCommand struct {
	Tickets []string `arg:"" optional:"" help:"Ticket and signal files to read." type:"existingfile"`
}

// Run checks everything that can be checked without a daemon and says what is
// wrong with each part.
func (c checkCommand) Run(e *env) error {
	cfg, err := e.load()
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "configuration: ok, %s; %d machines, %d stocks\n", cfg.Chosen, len(cfg.Machines), len(cfg.Stocks))
	for _, w := range cfg.Warnings {
		fmt.Fprintln(e.out, "  note:", w)
	}
	failed, err := checkBook(e, cfg)
	if err != nil {
		return err
	}
	for _, path := range c.Tickets {
		if err := checkTicket(e, cfg, path); err != nil {
			fmt.Fprintf(e.out, "ticket %s: %v\n", path, err)
			failed++
		}
	}
	if failed > 0 {
		return errSilent
	}
	return nil
}

// checkBook runs the cases of the rule book.
func checkBook(e *env, cfg *config.Config) (failed int, err error) {
	site, err := cfg.Site()
	if err != nil {
		return 0, err
	}
	for _, c := range site.Book.Cases {
		if err := rules.RunCase(site, c); err != nil {
			fmt.Fprintln(e.out, "rule book:", err)
			failed++
		}
	}
	fmt.Fprintf(e.out, "rule book: %d hazards, %d cases, %d failed\n", len(site.Book.Rows), len(site.Book.Cases), failed)
	return failed, nil
}

func checkTicket(e *env, cfg *config.Config, path string) error {
	options, err := cfg.TicketOptions()
	if err != nil {
		return err
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	doc, err := ticket.Parse(filepath.Base(path), data, options)
	if err != nil {
		return err
	}
	verdict, unplaced := "ok", where(cfg, doc)
	if unplaced != nil {
		verdict = "readable, but of no machine"
	}
	fmt.Fprintf(e.out, "ticket %s: %s, %s, tickets: %d, signals: %d\n", path, verdict, doc.Format, len(doc.Tickets), len(doc.Signals))
	for _, t := range doc.Tickets {
		printTicket(e, cfg, t)
	}
	for _, s := range doc.Signals {
		fmt.Fprintf(e.out, "  %s %s from %s\n", s.Time.Format("2006-01-02T15:04:05Z07:00"), s.Type, or(s.DeviceID, "an unnamed device"))
	}
	for _, n := range doc.Notes {
		fmt.Fprintln(e.out, "  note:", n)
	}
	return unplaced
}

func printTicket(e *env, cfg *config.Config, t ticket.Ticket) {
	d := t.Data
	fmt.Fprintf(e.out, "  %s: %s (%s), width %s, length %s, passes %s, cure %s, contour cut %s\n", event.JobName(d.Job, d.Part),
		or(d.Stock, "no stock code"), or(string(d.FilmClass), "class unknown"), shown(d.RollWidthMM, "mm"), shown(d.LengthM, "m"),
		shown(d.Passes, ""), shown(d.CureC, "°C"), map[bool]string{true: "yes", false: "no"}[d.ContourCut])
	for _, flag := range d.Flags {
		fmt.Fprintln(e.out, "    flag:", flag)
	}
	for _, id := range t.DeviceIDs {
		if _, _, known := cfg.Machine(id); !known {
			fmt.Fprintf(e.out, "    note: no machine has the device id %q: the ticket counts for a machine only when it is dropped into that machine's folder\n", id)
		}
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
