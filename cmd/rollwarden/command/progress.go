package command

import (
	"context"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"rollwarden/watcher/journal"
)

// progress shows on a terminal how far long work has come. The work calls tick
// from one goroutine with what is done of how much, in any unit, and the command
// calls end before it prints anything more. Where nobody looks nothing is shown:
// the standard error is no terminal, or a program reads JSON.
func (e *env) progress(what string) (tick func(done, total int64), end func()) {
	if e.json || !isTerminal(e.err) {
		return func(int64, int64) {}, func() {}
	}
	var bar *progressbar.ProgressBar
	tick = func(done, total int64) {
		if bar == nil {
			bar = newBar(e.err, what, total)
		}
		_ = bar.Set64(min(done, total)) // it fails when the terminal is gone, and the work goes on
	}
	end = func() {
		if bar != nil {
			_ = bar.Clear()
			_ = bar.Exit()
		}
	}
	return tick, end
}

// redrawEach is how often a bar is drawn at most.
const redrawEach = 100 * time.Millisecond

func newBar(w io.Writer, what string, total int64) *progressbar.ProgressBar {
	return progressbar.NewOptions64(total, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what), progressbar.OptionThrottle(redrawEach),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetElapsedTime(false), progressbar.OptionSetRenderBlankState(true))
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// counted is a journal that tells how far it was read.
type counted struct {
	*journal.Journal
	tick func(done, total int64)
}

// Read is that of the journal.
func (c counted) Read(ctx context.Context, from, to uint64, filterSubject string, handle func(journal.Entry) error) error {
	first, last, err := c.Span(ctx)
	if err != nil {
		return err
	}
	return c.Journal.Read(ctx, from, to, filterSubject, func(m journal.Entry) error {
		c.tick(int64(m.Seq-first+1), int64(last-first+1))
		return handle(m)
	})
}
