package web

import (
	"io"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// problem is an error as RFC 9457 lays it out. Its type is about:blank: the
// status says what kind of problem it is, and the detail what to do.
type problem struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"`
}

// Problem answers a program's request with an error.
func Problem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	write(w, status, "application/problem+json", problem{
		Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Instance: r.URL.EscapedPath(),
	})
}

// JSON answers with a value.
func JSON(w http.ResponseWriter, status int, v any) { write(w, status, "application/json", v) }

// write sends a value as indented JSON, which people read too.
func write(w http.ResponseWriter, status int, kind string, v any) {
	// What a client or an event said may stand in it; as JSON it is data and no
	// markup, whatever a browser takes it for.
	data, err := json.Marshal(v, json.Deterministic(true), jsontext.WithIndent("  "), jsontext.EscapeForHTML(true), jsontext.AllowInvalidUTF8(true))
	if err != nil {
		// Only a number that is not one can get here.
		Plain(w, http.StatusInternalServerError, "the answer could not be written: "+err.Error())
		return
	}
	w.Header().Set("Content-Type", kind)
	w.WriteHeader(status)
	w.Write(append(data, '\n'))
}

// Plain answers with one line of text.
func Plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	io.WriteString(w, text+"\n")
}

// ReadOnly refuses every method that could mean a change.
func ReadOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Allow", "GET, HEAD")
		const detail = "only GET and HEAD are served here"
		if strings.HasPrefix(r.URL.Path, "/api/") {
			Problem(w, r, http.StatusMethodNotAllowed, detail)
			return
		}
		Plain(w, http.StatusMethodNotAllowed, detail)
	})
}
