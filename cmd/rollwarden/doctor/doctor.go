// Package doctor looks at everything that a watch rests on: configuration,
// folders, disk, clock, journal, addresses, certificates, secrets and pager. It
// says for each what it found, why that matters and what to do next.
//
// It changes nothing but a file that it makes and removes at once where it asks
// a file system for its time, and it works beside a running watch.
package doctor

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/watcher/bus"
)

// Verdict says how something stands.
type Verdict string

// The verdicts, the best first.
const (
	OK     Verdict = "ok"
	Look   Verdict = "look"   // it works, and somebody should look at it
	Broken Verdict = "broken" // the watch does not work, or not as it says
)

// Finding is one thing that was found.
type Finding struct {
	Check   string
	Verdict Verdict
	What    string
	Why     string // why it matters
	Next    string // what to do
}

// Patient is the watch that is looked at.
type Patient struct {
	Config  *config.Config
	System  System
	Version string
	// Open reaches the journal of a running watch, or opens that of one that does
	// not run, as running says.
	Open func(context.Context) (b *bus.Bus, running bool, err error)
	Page bool // send a test page on every channel
}

// Findings is what one look found.
type Findings []Finding

// Worst is the worst verdict.
func (f Findings) Worst() Verdict {
	worst := OK
	for _, one := range f {
		if one.Verdict == Broken || one.Verdict == Look && worst == OK {
			worst = one.Verdict
		}
	}
	return worst
}

// Examine runs every check of the table.
func Examine(ctx context.Context, p Patient) Findings {
	x := &examination{Patient: p, ctx: ctx}
	defer x.close()
	for _, c := range checks {
		x.check = c.name
		before := len(x.found)
		c.run(x)
		if len(x.found) == before {
			x.ok("nothing to find fault with")
		}
	}
	return x.found
}

// Unreadable is all there is to say when the configuration cannot be read.
func Unreadable(err error) Findings {
	return Findings{{"configuration", Broken, err.Error(), "nothing else can be checked without it", "correct it; rollwarden check says the same"}}
}

// examination is one look, and what it has found so far.
type examination struct {
	Patient
	ctx   context.Context
	check string
	found Findings

	opened  bool // the journal, or not because of err
	bus     *bus.Bus
	running bool
	err     error
}

func (x *examination) ok(format string, args ...any) {
	x.add(OK, fmt.Sprintf(format, args...), "", "")
}

// well sums up a check that found nothing broken: it cannot be both.
func (x *examination) well(format string, args ...any) {
	if !slices.ContainsFunc(x.found, func(f Finding) bool { return f.Check == x.check && f.Verdict == Broken }) {
		x.ok(format, args...)
	}
}

func (x *examination) add(v Verdict, what, why, next string) {
	x.found = append(x.found, Finding{x.check, v, what, why, next})
}

// journal opens the journal once for all checks.
func (x *examination) journal() (*bus.Bus, error) {
	if !x.opened {
		x.opened = true
		x.bus, x.running, x.err = x.Open(x.ctx)
	}
	return x.bus, x.err
}

func (x *examination) close() {
	if x.bus != nil {
		_ = x.bus.Close(context.WithoutCancel(x.ctx)) // it was only read
	}
}

// Text writes the findings for a person.
func (f Findings) Text(w io.Writer) error {
	var b strings.Builder
	for _, one := range f {
		fmt.Fprintf(&b, "%-7s %s: %s\n", one.Verdict, one.Check, strings.ReplaceAll(one.What, "\n", "\n          "))
		for _, more := range []struct{ word, text string }{{"why", one.Why}, {"next", one.Next}} {
			if more.text != "" {
				fmt.Fprintf(&b, "        %s: %s\n", more.word, more.text)
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
