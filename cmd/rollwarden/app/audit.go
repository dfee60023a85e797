package app

import (
	"net/http"
	"path"
)

// audited writes down who takes a file of a report out of the watch. What people
// tell is in the journal with their names, and the gate writes down who comes and
// goes; a file that was taken leaves no other trace.
func (a *App) audited(next http.Handler) http.Handler {
	log := a.part("audit")
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if taken, _ := path.Match("/report/*/*", r.URL.Path); taken {
			log.Info().Str("user", userName(r)).Str("file", r.URL.Path).Msg("asked for a file of a report")
		}
		next.ServeHTTP(w, r)
	})
}
