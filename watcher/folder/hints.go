package folder

import (
	"errors"
	"io/fs"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"
)

// notifier is the part of a file system's notifications that is used; a test
// can put one in its place that fails, overflows or stays silent.
type notifier struct {
	events <-chan fsnotify.Event
	errors <-chan error
	add    func(dir string) error
	close  func() error
}

func openNotifier() (*notifier, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	return &notifier{events: w.Events, errors: w.Errors, add: w.Add, close: w.Close}, nil
}

// hints turns notifications into requests to scan. Nothing depends on them:
// without any, the poll still finds every file.
type hints struct {
	c    chan struct{} // holds at most one request
	open func() (*notifier, error)
	dirs map[string]bool // the inboxes; read-only
	poll time.Duration
	log  zerolog.Logger

	n     *notifier // nil until it could be opened
	drain sync.WaitGroup
	told  map[string]string // the last complaint about each folder
}

func newHints(log zerolog.Logger, inboxes []Inbox, poll time.Duration) *hints {
	h := &hints{c: make(chan struct{}, 1), open: openNotifier, dirs: map[string]bool{}, poll: poll, log: log, told: map[string]string{}}
	for _, in := range inboxes {
		h.dirs[filepath.Clean(in.Dir)] = true
	}
	return h
}

// follow asks for notifications of every inbox, at each scan anew: asking
// twice costs one system call, and it is how a folder that came back is
// followed again.
func (h *hints) follow() {
	if h.n == nil {
		n, err := h.open()
		h.tell("", err)
		if err != nil {
			return
		}
		h.n = n
		h.drain.Go(func() { h.forward(n) })
	}
	for dir := range h.dirs {
		err := h.n.add(dir)
		if errors.Is(err, fs.ErrNotExist) {
			// The parent tells when it comes back; if that is gone as well
			// the poll will find it.
			err = h.n.add(filepath.Dir(dir))
		}
		if errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
		h.tell(dir, err)
	}
}

// forward reads both channels until they are closed, so that a full one never
// holds the notifier up.
func (h *hints) forward(n *notifier) {
	for {
		select {
		case e, ok := <-n.events:
			if !ok {
				return
			}
			if isTicket(filepath.Base(e.Name)) || h.dirs[filepath.Clean(e.Name)] {
				h.hint()
			}
		case err, ok := <-n.errors:
			if !ok {
				return
			}
			h.log.Debug().Err(err).Msg("file notifications were lost; scanning instead")
			h.hint()
		}
	}
}

func (h *hints) hint() {
	select {
	case h.c <- struct{}{}:
	default: // a scan is due already
	}
}

// tell logs trouble with notifications once for each new reason.
func (h *hints) tell(dir string, err error) {
	reason := ""
	if err != nil {
		reason = err.Error()
	}
	if h.told[dir] == reason {
		return
	}
	h.told[dir] = reason
	if err == nil {
		h.log.Info().Str("folder", dir).Msg("file notifications work again")
		return
	}
	next := "none needed: the folder is polled"
	switch {
	case errors.Is(err, syscall.ENOSPC):
		next = "raise the number of watches: sysctl fs.inotify.max_user_watches=524288, and set it in /etc/sysctl.d to keep it"
	case errors.Is(err, syscall.EMFILE):
		next = "raise the number of watchers: sysctl fs.inotify.max_user_instances=1024, and set it in /etc/sysctl.d to keep it"
	}
	h.log.Warn().Str("folder", dir).Err(err).Stringer("poll", h.poll).Str("next", next).
		Msg("no file notifications; polling goes on")
}

func (h *hints) close() {
	if h.n == nil {
		return
	}
	if err := h.n.close(); err != nil {
		h.log.Warn().Err(err).Msg("close file notifications")
	}
	h.drain.Wait()
}
