package web

import "net/http"

// loginPage is the form by which somebody logs in.
type loginPage struct {
	Frame
	Problem string // what was wrong with the last try; empty for a first one
	Next    string // where to go on
}

// Login draws the form by which somebody logs in. problem is one of the kinds
// of refusal that the catalogue has words for, or empty.
func (k *Kit) Login(w http.ResponseWriter, r *http.Request, status int, problem, next string) {
	words := k.texts.words[k.Lang(r)]
	page := loginPage{Frame: k.Frame(r, "login", words.Say("login.title")), Next: next}
	page.Machines = nil // nothing is shown to somebody who is not logged in
	if problem != "" {
		page.Problem = words.Name("refusal", problem, problem)
	}
	k.frame.Render(w, page.Lang, "login", status, page)
}

// Refusal draws a page that says why something was refused, by its kind.
func (k *Kit) Refusal(w http.ResponseWriter, r *http.Request, status int, kind string) {
	words := k.texts.words[k.Lang(r)]
	f := k.Frame(r, "", words.Say("refusal.title"))
	f.Text = words.Name("refusal", kind, kind)
	k.frame.Render(w, f.Lang, "notice", status, f)
}

// Refused draws a page that says why what was sent was refused, in the words of
// those who read it, and leads back to the page that it was sent from, a path on
// this server or empty.
func (k *Kit) Refused(w http.ResponseWriter, r *http.Request, status int, why, back string) {
	f := k.Frame(r, "", k.texts.words[k.Lang(r)].Say("refusal.title"))
	f.Text, f.Back = why, back
	k.frame.Render(w, f.Lang, "notice", status, f)
}
