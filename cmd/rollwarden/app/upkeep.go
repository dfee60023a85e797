package app

import (
	"context"
	"net/http"

	"rollwarden/metrics/upkeep"
	"rollwarden/watcher/gate"
	"rollwarden/watcher/journal"
)

// registerUpkeep serves the page about the watch itself.
func (a *App) registerUpkeep(mux *http.ServeMux) {
	o := upkeep.Options{
		Kit: a.front.kit, State: a.upkeep,
		May: func(r *http.Request) bool { u, ok := gate.Who(r); return ok && u.Role >= gate.Supervisor },
	}
	if a.opts.Reload != nil {
		o.Reload = func(r *http.Request) error { return a.opts.Reload.Ask(a, userName(r)) }
	}
	upkeep.Register(mux, o)
}

// upkeep is the state of the watch itself.
func (a *App) upkeep(ctx context.Context) upkeep.State {
	s := upkeep.State{Version: a.opts.Version, Began: a.began, Chosen: a.cfg.Chosen, Warnings: a.cfg.Warnings, Journals: a.journalStates(ctx), Folders: a.folders(), Sources: a.sourcesInUse()}
	if r := a.opts.Reload; r != nil {
		s.Taking = r.asking()
		if last := r.Last(); last != nil {
			s.Last = upkeep.Attempt{At: last.At, By: last.By}
			if last.Err != nil {
				s.Last.Why = last.Err.Error()
			}
		}
	}
	for _, c := range a.channelStatus() {
		s.Channels = append(s.Channels, upkeep.Channel{Name: c.Channel, Waiting: c.Waiting, Fail: c.Reason})
	}
	for _, d := range a.bus.Denied() {
		s.Denied = append(s.Denied, upkeep.Denial(d))
	}
	return s
}

// journalStates asks the journals that this daemon watches, or all as long as it
// watches none, and waits no longer for them than a scrape does.
func (a *App) journalStates(ctx context.Context) (all []upkeep.Journal) {
	ctx, cancel := context.WithTimeout(ctx, lagTimeout)
	defer cancel()
	watched := len(a.held.list()) > 0
	for n, j := range a.journals {
		if watched && !a.holds(n) {
			continue
		}
		s := a.journalState(ctx, j)
		if len(a.journals) > 1 {
			s.Name = a.partitions.Stream(n)
		}
		all = append(all, s)
	}
	return all
}

func (a *App) journalState(ctx context.Context, j *journal.Journal) (s upkeep.Journal) {
	s.Lost = j.Lost()
	err := a.bus.Health()
	if err == nil {
		err = j.Health()
	}
	if err == nil {
		s.First, s.Last, err = j.Span(ctx)
	}
	if err != nil {
		s.Trouble = err.Error()
	}
	return s
}
