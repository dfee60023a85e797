package web

import (
	"net/http"
	"strconv"
)

// Elsewhere is a site of a shared floor that another watch shows.
type Elsewhere struct {
	Site   string
	Holder string // name of that watch; empty while there is none
	URL    string // of its board; empty when nobody said
}

// standbyPage says who watches what.
type standbyPage struct {
	Frame
	Elsewhere []Elsewhere
}

// Standby says that this watch shows nothing of this, and which watch does.
func (k *Kit) Standby(w http.ResponseWriter, r *http.Request, list []Elsewhere) {
	words := k.texts.words[k.Lang(r)]
	page := standbyPage{k.Frame(r, "", words.Say("standby.title")), list}
	page.Text, page.Refresh = words.Say("standby.text"), RetryAfterS
	w.Header().Set("Retry-After", strconv.Itoa(RetryAfterS))
	k.frame.Render(w, page.Lang, "standby", http.StatusServiceUnavailable, page)
}
