package board

import (
	"net/http"

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

func writeProblem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	write(w, status, "application/problem+json", problem{
		Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Instance: r.URL.Path,
	})
}

// write sends a value as indented JSON, which people read too.
func write(w http.ResponseWriter, status int, kind string, v any) {
	data, err := json.Marshal(v, json.Deterministic(true), jsontext.WithIndent("  "))
	if err != nil {
		// Only a number that is not one can get here.
		plain(w, http.StatusInternalServerError, "the answer could not be written: "+err.Error())
		return
	}
	w.Header().Set("Content-Type", kind)
	w.WriteHeader(status)
	w.Write(append(data, '\n'))
}
