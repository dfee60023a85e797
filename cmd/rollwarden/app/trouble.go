package app

import (
	"sync"

	"rollwarden/metrics/upkeep"
	"rollwarden/watcher/folder"
)

// troubles are why tickets wait, by their folder. It is safe for concurrent use.
type troubles struct {
	mu sync.Mutex
	of map[folder.Inbox]string
}

// set notes the trouble of a folder, or with an empty text that there is none.
func (t *troubles) set(in folder.Inbox, why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.of == nil {
		t.of = map[folder.Inbox]string{}
	}
	t.of[in] = why
}

// in is the state of some folders.
func (t *troubles) in(inboxes []folder.Inbox) (all []upkeep.Folder) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, in := range inboxes {
		all = append(all, upkeep.Folder{Path: in.Dir, Trouble: t.of[in]})
	}
	return all
}

// folders is the state of the ticket folders that this daemon watches.
func (a *App) folders() (all []upkeep.Folder) {
	for _, s := range a.held.list() {
		all = append(all, s.troubles.in(s.inboxes)...)
	}
	return all
}

// foldersInTrouble is in how many of them tickets wait.
func (a *App) foldersInTrouble() (n int) {
	for _, f := range a.folders() {
		if f.Trouble != "" {
			n++
		}
	}
	return n
}
