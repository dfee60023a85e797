package app

import (
	"context"
	"net/http"

	"rollwarden/metrics/upkeep"
	"rollwarden/watcher/gate"
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
	s := upkeep.State{Version: a.opts.Version, Began: a.began, Chosen: a.cfg.Chosen, Warnings: a.cfg.Warnings, Journal: a.journalState(ctx)}
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
	return s
}

// journalState asks the journal itself, and waits no longer for it than a scrape does.
func (a *App) journalState(ctx context.Context) (j upkeep.Journal) {
	ctx, cancel := context.WithTimeout(ctx, lagTimeout)
	defer cancel()
	err := a.bus.Health()
	if err == nil {
		err = a.journals[0].Health()
	}
	if err == nil {
		j.First, j.Last, err = a.journals[0].Span(ctx)
	}
	if err != nil {
		j.Trouble = err.Error()
	}
	return j
}
