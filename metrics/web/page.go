package web

import (
	"bytes"
	"embed"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"strconv"
)

//go:embed templates
var templateFiles embed.FS

// Frame is what every page has. A page's data embeds it.
type Frame struct {
	Lang     string
	Shop     string
	Title    string
	User     string // who is logged in; empty when nobody has to
	Here     string // the page's place in the navigation, such as board
	Refresh  int    // s, without a script; 0 for a page that is held still
	Text     string
	Back     string // of a notice: the page that it leads back to; empty for none
	Machines []Place
}

// Frame returns the frame of a page for a request. Who is not let in is told of
// no machine, not even by the page that says so.
func (k *Kit) Frame(r *http.Request, here, title string) Frame {
	f := Frame{Lang: k.Lang(r), Shop: k.o.Shop, Title: title, Here: here}
	if k.o.LetIn == nil || k.o.LetIn(r) {
		f.Machines = k.o.Machines
	}
	if k.o.User != nil {
		f.User = k.o.User(r)
	}
	return f
}

// Pages are parsed templates in every language.
type Pages map[string]*template.Template

// Parse parses templates beside those of the frame. In them, t says a text,
// name says a table's value, and asset gives an asset's address; more functions
// may be given.
func (k *Kit) Parse(files fs.FS, pattern string, more template.FuncMap) Pages {
	pages := Pages{}
	for _, lang := range k.texts.tags {
		words := k.texts.words[lang]
		funcs := template.FuncMap{
			"t": words.Say, "asset": k.Asset,
			"name": func(table, value string) string { return words.Name(table, value, value) },
		}
		maps.Copy(funcs, more)
		set := template.Must(template.New("").Funcs(funcs).ParseFS(templateFiles, "templates/*.html"))
		if files != nil {
			template.Must(set.ParseFS(files, pattern))
		}
		pages[lang] = set
	}
	return pages
}

// Fragment renders a part of a page.
func (p Pages) Fragment(lang, name string, data any) ([]byte, error) {
	var body bytes.Buffer
	err := p[lang].ExecuteTemplate(&body, name, data)
	return body.Bytes(), err
}

// Render writes a page only when it is whole, so that a fault in a template
// never leaves half a floor on the screen.
func (p Pages) Render(w http.ResponseWriter, lang, name string, status int, data any) {
	body, err := p.Fragment(lang, name, data)
	if err != nil {
		Plain(w, http.StatusInternalServerError, "the page could not be made: "+err.Error())
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Language", lang)
	w.WriteHeader(status)
	w.Write(body)
}

// Notice serves a page that says one thing: the texts <key>.title and
// <key>.text. It is loaded again after refresh seconds unless that is 0.
func (k *Kit) Notice(w http.ResponseWriter, r *http.Request, status int, key string, refresh int) {
	words := k.texts.words[k.Lang(r)]
	f := k.Frame(r, "", words.Say(key+".title"))
	f.Text, f.Refresh = words.Say(key+".text"), refresh
	k.frame.Render(w, f.Lang, "notice", status, f)
}

// RetryAfterS is how long a client should wait before it asks again, in s.
const RetryAfterS = 5

// Reading says that the journal is still being read.
func (k *Kit) Reading(w http.ResponseWriter, r *http.Request) { k.Later(w, r, "reading") }

// Later says why a page cannot be had now, and to ask again soon.
func (k *Kit) Later(w http.ResponseWriter, r *http.Request, key string) {
	w.Header().Set("Retry-After", strconv.Itoa(RetryAfterS))
	k.Notice(w, r, http.StatusServiceUnavailable, key, RetryAfterS)
}

// Missing says that there is nothing at an address.
func (k *Kit) Missing(w http.ResponseWriter, r *http.Request) {
	k.Notice(w, r, http.StatusNotFound, "missing", 0)
}
