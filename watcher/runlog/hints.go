package runlog

import (
	"path/filepath"
	"sync"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"
)

// hints turn notifications of the file system into requests to look. Nothing
// depends on them: without any, the poll finds every row.
type hints struct {
	c      chan struct{} // holds at most one request
	dirs   map[string]bool
	files  []string
	log    zerolog.Logger
	n      *fsnotify.Watcher // nil when there can be none
	drain  sync.WaitGroup
	warned bool
}

func newHints(log zerolog.Logger, logs []Log) *hints {
	h := &hints{c: make(chan struct{}, 1), dirs: map[string]bool{}, log: log}
	for _, l := range logs {
		h.dirs[filepath.Dir(l.Files)] = true
		h.files = append(h.files, l.Files)
	}
	return h
}

// follow asks for notifications of every folder, at each look anew: it is how a
// folder that came back is followed again.
func (h *hints) follow() {
	var err error
	if h.n == nil {
		if h.n, err = fsnotify.NewWatcher(); err != nil {
			h.n = nil
			h.warn(err)
			return
		}
		h.drain.Go(func() { h.forward(h.n) })
	}
	for dir := range h.dirs {
		if err := h.n.Add(dir); err != nil {
			h.warn(err)
		}
	}
}

func (h *hints) warn(err error) {
	if !h.warned {
		h.log.Debug().Err(err).Msg("no file notifications for a run log; it is polled")
	}
	h.warned = true
}

// forward reads both channels until they are closed.
func (h *hints) forward(n *fsnotify.Watcher) {
	for {
		select {
		case e, ok := <-n.Events:
			if !ok {
				return
			}
			if h.ours(e.Name) {
				h.hint()
			}
		case _, ok := <-n.Errors:
			if !ok {
				return
			}
			h.hint()
		}
	}
}

func (h *hints) ours(name string) bool {
	for _, pattern := range h.files {
		if ok, _ := filepath.Match(pattern, name); ok {
			return true
		}
	}
	return false
}

func (h *hints) hint() {
	select {
	case h.c <- struct{}{}:
	default: // a look is due already
	}
}

func (h *hints) close() {
	if h.n != nil {
		_ = h.n.Close() // nothing is written by it
		h.drain.Wait()
	}
}
