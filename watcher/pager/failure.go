package pager

import (
	"cmp"
	"errors"
	"strings"
	"time"
	"unicode"

	"github.com/cenkalti/backoff/v5"
)

// Permanent marks an error that another try would not mend, such as a bad
// address or a refused password. The page is then given up at once.
func Permanent(err error) error { return backoff.Permanent(err) }

func isPermanent(err error) bool {
	_, ok := errors.AsType[*backoff.PermanentError](err)
	return ok
}

// RetryAfter marks an error whose sender was asked to wait. The whole channel
// then rests for that time, because the request was about the sender and not
// about one page.
func RetryAfter(err error, wait time.Duration) error {
	return &waitError{err: err, wait: wait}
}

type waitError struct {
	err  error
	wait time.Duration
}

func (e *waitError) Error() string { return e.err.Error() }
func (e *waitError) Unwrap() error { return e.err }

// askedWait returns how long the other side asked to wait, or 0.
func askedWait(err error) time.Duration {
	if w, ok := errors.AsType[*waitError](err); ok {
		return max(w.wait, 0)
	}
	return 0
}

// maxReason bounds what a failed try writes in the journal, in bytes.
const maxReason = 500

// reasonOf writes an error for the journal, which takes no empty reason.
func reasonOf(err error) string {
	return cmp.Or(oneLine(err.Error(), maxReason), "the channel did not say why")
}

// oneLine makes text from outside fit for a header, a journal reason or the
// first line of a message: one line, no control characters, at most max bytes.
func oneLine(s string, most int) string {
	s = strings.ToValidUTF8(s, "?")
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || unicode.In(r, unicode.Zl, unicode.Zp) {
			return ' '
		}
		return r
	}, s)
	return shorten(strings.Join(strings.Fields(s), " "), most)
}

// shorten cuts s to at most max bytes, at a rune boundary, with an ellipsis.
func shorten(s string, most int) string {
	const dots = "…"
	if len(s) <= most {
		return s
	}
	end := 0
	for i := range s {
		if i > most-len(dots) {
			break
		}
		end = i
	}
	return s[:end] + dots
}
