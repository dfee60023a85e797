package folder

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/rs/zerolog"
)

// gather is how long a hint waits for more of its kind, so that a burst of
// notifications costs one scan. It is also the shortest time between scans.
const gather = 20 * time.Millisecond

// turn is how long one inbox may keep the others waiting in a scan: a flood of
// files in it must not hold up the ticket of another machine. What is left is
// taken by the next scan.
const turn = time.Second

// lookRest is how many times the length of a look an inbox is left alone after it,
// while files that were found ready still wait for their turn: a look at a hundred
// thousand files takes a second, and would take as long as their turns do.
const lookRest = 9

// The first and the longest wait before something that failed is tried again.
const (
	firstRetry = time.Second
	lastRetry  = time.Minute
)

// watcher is owned by one goroutine; only its hints run beside it.
type watcher struct {
	o       Options
	open    func(dir string) (tree, error)
	hints   *hints
	inboxes []*inbox
	known   []string // all folders that are read, here or elsewhere
	journal string   // why the journal last failed; empty when it works
}

// inbox is one folder and what is known about the files in it.
type inbox struct {
	Inbox
	files map[string]*candidate
	ready []string        // by the last look, those whose turn has not come yet, oldest first
	again time.Time       // not looked at before, while some are ready
	fault error           // of the last look
	moved map[string]bool // subfolders that got a file in this scan
	told  string          // the last complaint about the folder itself
	waits string          // why its tickets wait, as Trouble was told last
	retry *backoff.ExponentialBackOff

	strays     []Stray         // at the last look for them
	straysDue  time.Time       // of the next
	straysTold map[string]bool // by their names

	cleared bool // unfinished copies of an earlier run were removed
}

// candidate is one file that waits in an inbox.
type candidate struct {
	info       fs.FileInfo // at the last look
	first      time.Time   // since when MaxWait counts
	changed    time.Time   // when info last changed
	seen       bool        // in this scan
	judged     bool        // a change from now on is a new delivery
	queued     bool        // was quiet, and only waits for its turn: likewise
	incomplete bool        // wait for a change or for MaxWait
	idle       bool        // wait for a person: tried at each scan, but wakes nobody
	due        time.Time   // not tried before
	verdict    *verdict    // nil until it was read
	stored     bool        // the journal holds the verdict; only the move is left
	retry      *backoff.ExponentialBackOff
	told       string // the last complaint, which is not repeated
}

func newWatcher(o Options) (*watcher, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	w := &watcher{o: o, open: openTree, hints: newHints(o.Log, o.Inboxes, o.Poll), known: slices.Clone(o.Elsewhere)}
	for _, in := range o.Inboxes {
		w.known = append(w.known, in.Dir)
		w.inboxes = append(w.inboxes, &inbox{Inbox: in, files: map[string]*candidate{}, moved: map[string]bool{}})
	}
	return w, nil
}

// run scans whenever a hint came or a time is up, until ctx ends.
func (w *watcher) run(ctx context.Context) {
	defer w.hints.close()
	due := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-w.hints.c:
			if soon := time.Now().Add(gather); soon.Before(due) {
				due = soon
				timer.Reset(gather)
			}
		case <-timer.C:
			// Watching before looking: what comes in between is seen twice
			// rather than not at all.
			w.hints.follow()
			due = w.scan(ctx)
			timer.Reset(time.Until(due))
		}
	}
}

// scan looks at every inbox once, takes what is ready, and returns when to
// look again.
func (w *watcher) scan(ctx context.Context) time.Time {
	next := time.Now().Add(w.o.Poll)
	for _, in := range w.inboxes {
		if ctx.Err() != nil {
			break
		}
		wake, err := w.scanInbox(ctx, in)
		if err != nil {
			retry := time.Now().Add(pause(&in.retry))
			if wake.IsZero() || retry.Before(wake) {
				wake = retry
			}
		}
		w.tellInbox(in, err)
		w.tellTrouble(in)
		if !wake.IsZero() && wake.Before(next) {
			next = wake
		}
	}
	if soonest := time.Now().Add(gather); next.Before(soonest) {
		return soonest
	}
	return next
}

// scanInbox returns when the inbox needs the next look; zero when no file in
// it waits for a time.
func (w *watcher) scanInbox(ctx context.Context, in *inbox) (time.Time, error) {
	t, err := w.open(in.Dir)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			clear(in.files)
			in.ready = nil
		}
		return time.Time{}, err
	}
	defer t.Close()
	// Trouble with one file must not keep the journal from the others.
	err = errors.Join(t.Writable(), in.mend(t))
	began := time.Now()
	if len(in.ready) == 0 || !began.Before(in.again) {
		in.fault = w.look(t, in)
		in.ready = w.readyNow(in)
		w.lookForStrays(t, in)
		in.again = time.Now().Add(lookRest * time.Since(began))
	}
	w.takeTurn(ctx, t, in)
	return w.nextLook(in), errors.Join(err, in.fault, w.flush(t, in))
}

// takeTurn takes what is ready until the inbox's time is up. What has changed or
// gone since the look is found out when it is read.
func (w *watcher) takeTurn(ctx context.Context, t tree, in *inbox) {
	for end := time.Now().Add(turn); len(in.ready) > 0 && ctx.Err() == nil && !time.Now().After(end); in.ready = in.ready[1:] {
		w.take(ctx, t, in, in.ready[0])
	}
}

// mend clears up what a crash or a failed move left.
func (in *inbox) mend(t tree) error {
	var errs []error
	if !in.cleared {
		if err := clearIncoming(t); err != nil {
			errs = append(errs, fmt.Errorf("remove an unfinished copy: %w", err))
		}
		in.cleared = len(errs) == 0
	}
	if err := recoverHeld(t); err != nil {
		errs = append(errs, fmt.Errorf("put back what an earlier move left in %s: %w", takingDir, err))
	}
	return errors.Join(errs...)
}

// look compares every ticket in the inbox with the look before.
func (w *watcher) look(t tree, in *inbox) error {
	names, err := list(t, ".")
	if err != nil {
		return err
	}
	now := time.Now()
	for _, name := range names {
		if !isTicket(name) {
			continue
		}
		info, e := t.Lstat(name)
		switch {
		case errors.Is(e, fs.ErrNotExist):
		case e != nil:
			err = errors.Join(err, e)
			if c := in.files[name]; c != nil {
				c.seen = true
			}
		case !info.IsDir():
			in.observe(name, info, now)
		}
	}
	for name, c := range in.files {
		if !c.seen {
			w.forget(in, name, c)
		}
		c.seen = false
	}
	return err
}

// observe notes what a name looks like now.
func (in *inbox) observe(name string, info fs.FileInfo, now time.Time) {
	c := in.files[name]
	if c == nil {
		c = &candidate{first: now}
		in.files[name] = c
	}
	c.seen = true
	if same(c.info, info) {
		return
	}
	// What was decided held for another content. A change after that is a
	// new delivery with a patience of its own, and so is one of a file that
	// would have been read if others had not come first; before, it is the
	// same one still on its way.
	if c.judged || c.queued {
		c.first = now
	}
	*c = candidate{first: c.first, seen: true, info: info, changed: now, due: c.due, retry: c.retry, told: c.told}
}

// forget drops a name that is no longer in the inbox.
func (w *watcher) forget(in *inbox, name string, c *candidate) {
	delete(in.files, name)
	if c.stored {
		w.log(zerolog.InfoLevel, in, name).Msg("the journal holds this file, and somebody else took it away")
	}
}

// readyAt is the time from which the candidate may be tried.
func (w *watcher) readyAt(c *candidate) time.Time {
	at := c.changed.Add(w.o.Settle)
	if limit := c.first.Add(w.o.MaxWait); c.incomplete || limit.Before(at) {
		at = limit
	}
	if c.due.After(at) {
		at = c.due
	}
	return at
}

// readyNow lists the files to take now, oldest first, because one ticket may
// replace another.
func (w *watcher) readyNow(in *inbox) []string {
	type file struct {
		name string
		at   time.Time
	}
	now := time.Now()
	var ready []file
	for name, c := range in.files {
		if !w.readyAt(c).After(now) {
			c.queued = !c.changed.Add(w.o.Settle).After(now)
			ready = append(ready, file{name, c.info.ModTime()})
		}
	}
	slices.SortFunc(ready, func(a, b file) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.name, b.name)) })
	names := make([]string, len(ready))
	for i, f := range ready {
		names[i] = f.name
	}
	return names
}

func (w *watcher) nextLook(in *inbox) time.Time {
	var next time.Time
	for _, c := range in.files {
		if at := w.readyAt(c); !c.idle && (next.IsZero() || at.Before(next)) {
			next = at
		}
	}
	return next
}

// take brings one ready file as far as it goes: read, stored, moved.
func (w *watcher) take(ctx context.Context, t tree, in *inbox, name string) {
	c := in.files[name]
	if c.verdict == nil && !w.decide(t, in, name, c) {
		return
	}
	if !c.stored && !w.store(ctx, in, name, c) {
		return
	}
	w.putAway(t, in, name, c)
}

// decide reads the file and reports whether there is a verdict.
func (w *watcher) decide(t tree, in *inbox, name string, c *candidate) bool {
	last := !time.Now().Before(c.first.Add(w.o.MaxWait))
	c.idle = false
	v, err := w.judge(t, in, name, c, last)
	switch {
	case err == nil:
		c.verdict, c.judged = v, true
		return true
	case errors.Is(err, errIncomplete):
		c.incomplete, c.queued = true, false
	case errors.Is(err, fs.ErrNotExist):
		c.wait()
	case errors.Is(err, errChanged):
		c.wait()
		if last && !c.queued {
			w.complain(in, name, c, Unreadable, err, "let its writer finish, or write under a .part name and rename")
		}
	case errors.Is(err, fs.ErrPermission):
		c.judged, c.idle = true, true
		w.complain(in, name, c, Unreadable, err, fmt.Sprintf("give %s the right to read the file, for example with chmod a+r", whoami()))
	default:
		c.judged = true
		c.wait()
		w.complain(in, name, c, Unreadable, err, "check the disk or network share; it is tried again")
	}
	return false
}

// store publishes the verdict and reports whether the journal holds it. The
// file waits in the inbox until then, for however long that takes.
func (w *watcher) store(ctx context.Context, in *inbox, name string, c *candidate) bool {
	if len(c.verdict.events) > 0 {
		if err := w.o.Publish(ctx, c.verdict.events...); err != nil {
			if ctx.Err() == nil {
				c.wait()
				w.complain(in, name, c, Retrying, err, "the file stays and is tried again")
			}
			return false
		}
	}
	if w.journal != "" {
		w.journal = ""
		w.o.Log.Info().Msg("the journal takes tickets again")
	}
	c.stored, c.retry, c.told = true, nil, ""
	return true
}

// putAway moves a file that the journal holds.
func (w *watcher) putAway(t tree, in *inbox, name string, c *candidate) {
	v := c.verdict
	m := mover{tree: t, name: name, info: c.info, mark: v.mark(name, c.info), dir: v.dir()}
	if v.fault != nil {
		m.note = v.fault.text(in.Inbox, name)
	}
	path, err := m.move()
	switch {
	case err == nil:
		delete(in.files, name)
		in.moved[v.dir()] = true
		w.finish(in, name, path, v)
	case errors.Is(err, errChanged):
		// Forgetting what was seen makes the next scan start over with it.
		*c = candidate{first: time.Now(), changed: time.Now(), info: c.info}
	default:
		c.wait()
		if _, gone := t.Lstat(name); !errors.Is(gone, fs.ErrNotExist) {
			w.complain(in, name, c, Stuck, err, fmt.Sprintf(
				"the journal holds the file and it will not be read again; give %s the right to write in %s and in %s below it, and free disk space if there is none", whoami(), in.Dir, v.dir()))
		}
	}
}

// mark is a short sign of the content, for a second file of the same name.
func (v *verdict) mark(name string, info fs.FileInfo) string {
	sum := v.sum
	if sum == "" {
		sum = looks(name, info)
	}
	return sum[:12]
}

// flush makes this scan's moves last over a power cut. It waits for the end
// of the scan because a lost move only means that a file is taken again.
func (w *watcher) flush(t tree, in *inbox) error {
	if len(in.moved) == 0 {
		return nil
	}
	var err error
	for dir := range in.moved {
		err = errors.Join(err, syncDir(t, dir))
	}
	clear(in.moved)
	return errors.Join(err, syncDir(t, "."))
}

// wait puts the next try off, longer each time.
func (c *candidate) wait() { c.due = time.Now().Add(pause(&c.retry)) }

func pause(b **backoff.ExponentialBackOff) time.Duration {
	if *b == nil {
		*b = &backoff.ExponentialBackOff{InitialInterval: firstRetry, MaxInterval: lastRetry,
			Multiplier: backoff.DefaultMultiplier, RandomizationFactor: backoff.DefaultRandomizationFactor}
	}
	return (*b).NextBackOff()
}

// finish tells that a file lies where it belongs.
func (w *watcher) finish(in *inbox, name, path string, v *verdict) {
	r := Result{Inbox: in.Inbox, Name: name, Path: path, Outcome: Accepted, Note: v.note, Events: len(v.events)}
	level := zerolog.InfoLevel
	if v.fault != nil {
		r.Outcome, r.Kind, r.Reason = Rejected, v.fault.kind, v.fault.reason+"; "+v.fault.nextStep(in.Inbox)
		level = zerolog.WarnLevel
	}
	w.report(level, r)
}

// complain tells why a file waits, once for each new reason. While the
// journal is down every file waits for the same reason, which is logged once.
func (w *watcher) complain(in *inbox, name string, c *candidate, outcome Outcome, err error, next string) {
	reason := string(outcome) + ": " + err.Error()
	if c.told == reason {
		return
	}
	c.told = reason
	level := zerolog.WarnLevel
	if outcome == Retrying {
		if w.journal == reason {
			level = zerolog.DebugLevel
		}
		w.journal = reason
	}
	r := Result{Inbox: in.Inbox, Name: name, Path: name, Outcome: outcome, Reason: err.Error() + "; " + next}
	if c.stored {
		r.Events = len(c.verdict.events)
	}
	w.report(level, r)
}

func (w *watcher) report(level zerolog.Level, r Result) {
	e := w.o.Log.WithLevel(level).Str("folder", r.Inbox.Dir).Str("file", strings.ToValidUTF8(r.Name, "�")).Str("path", strings.ToValidUTF8(r.Path, "�"))
	if r.Kind != "" {
		e = e.Str("kind", r.Kind)
	}
	if r.Reason != "" {
		e = e.Str("reason", r.Reason)
	}
	if r.Note != "" {
		e = e.Str("note", r.Note)
	}
	e.Int("events", r.Events).Msg("ticket file " + string(r.Outcome))
	w.o.Report(r)
}

// tellInbox logs trouble with a folder once for each new reason, and its end.
func (w *watcher) tellInbox(in *inbox, err error) {
	if err == nil {
		if in.told != "" {
			w.o.Log.Info().Str("folder", in.Dir).Msg("the ticket folder is in order again")
		}
		in.told, in.retry = "", nil
		return
	}
	if in.told == err.Error() {
		return
	}
	in.told = err.Error()
	next := "check the disk or network share; it is tried again"
	switch {
	case errors.Is(err, fs.ErrNotExist):
		next = "make the folder or mount its share; it is taken up when it is there"
	case errors.Is(err, fs.ErrPermission):
		next = fmt.Sprintf("give %s the right to read and write the folder", whoami())
	}
	w.o.Log.Error().Str("folder", in.Dir).Err(err).Str("next", next).Msg("trouble with a ticket folder")
}

// tellTrouble says why tickets wait when that has changed.
func (w *watcher) tellTrouble(in *inbox) {
	if why := in.trouble(); why != in.waits {
		in.waits = why
		w.o.Trouble(in.Inbox, why)
	}
}

// trouble is what is wrong with the folder, or else with the first file by name that
// waits because something is, or else with folders in it that nobody reads.
func (in *inbox) trouble() string {
	if in.told != "" {
		return in.told
	}
	first := ""
	for name, c := range in.files {
		if c.told != "" && (first == "" || name < first) {
			first = name
		}
	}
	if first == "" {
		return in.straysText()
	}
	return strings.ToValidUTF8(first, "�") + ": " + in.files[first].told
}

func (w *watcher) log(level zerolog.Level, in *inbox, name string) *zerolog.Event {
	return w.o.Log.WithLevel(level).Str("folder", in.Dir).Str("file", strings.ToValidUTF8(name, "�"))
}

// whoami names the account whose rights are missing.
func whoami() string {
	if u, err := user.Current(); err == nil {
		return fmt.Sprintf("user %s (uid %s)", u.Username, u.Uid)
	}
	return fmt.Sprintf("uid %d", os.Getuid())
}
