package board

import (
	"io"
	"net/http"
	"strings"
)

// policy allows what the page needs and nothing else: its own style sheet and
// its own mark. There is no script, so none may run.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// guard sets the headers that every answer carries. Live data is never kept by
// a cache; an asset overrides that for itself.
func guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// readOnly refuses every method that could mean a change.
func readOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Allow", "GET, HEAD")
		const detail = "only GET and HEAD are served here"
		if strings.HasPrefix(r.URL.Path, "/api/") {
			writeProblem(w, r, http.StatusMethodNotAllowed, detail)
			return
		}
		plain(w, http.StatusMethodNotAllowed, detail)
	})
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	io.WriteString(w, text+"\n")
}
