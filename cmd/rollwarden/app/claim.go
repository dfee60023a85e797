package app

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"rollwarden/watcher/bus"
	"rollwarden/watcher/folder"
)

// claimFolder is the folder in each drop folder that says which watch reads it. A
// name that begins with a full stop is no ticket.
const claimFolder = ".watch"

// claim takes the drop folders for a watch with its own journal. Two such watches
// on one folder would each get some of its tickets, and each would judge without
// the rest. Daemons that share a journal settle by their leases who reads.
//
// Only another watch is an error. A folder that is not there yet, and one on a
// share without locks, is read without a claim.
func (a *App) claim(inboxes []folder.Inbox) (release func(), err error) {
	var held []func() error
	release = func() {
		for _, let := range held {
			if err := let(); err != nil {
				a.log.Warn().Err(err).Msg("cannot let go of a ticket folder")
			}
		}
	}
	for _, in := range inboxes {
		if _, err := os.Stat(in.Dir); err != nil {
			continue
		}
		let, err := bus.Hold(filepath.Join(in.Dir, claimFolder))
		if other, ok := errors.AsType[*bus.InUse](err); ok {
			release()
			return nil, fmt.Errorf("ticket folder %s is read by another watch (pid %s), and each would miss tickets: stop that one, or give this one its own tickets.folder", in.Dir, other.PID)
		}
		if err != nil {
			a.log.Warn().Err(err).Str("folder", in.Dir).Msg("cannot make sure that no other watch reads a ticket folder")
			continue
		}
		held = append(held, let)
	}
	return release, nil
}
