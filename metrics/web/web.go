// Package web is what all pages share: the frame around a page, the catalogue
// of texts in every language, the files that a browser loads beside a page, and
// how numbers, times and errors are written.
//
// A package with pages of its own makes them from a Kit: it adds its assets,
// parses its templates, and renders them with a Pen for the reader's language.
package web

import (
	"fmt"
	"io/fs"
	"net/http"
	"time"

	"rollwarden/rules/units"
)

// Options are the same for every page of a watch.
type Options struct {
	Shop     string                     // the shop's name; may be empty
	Zone     *time.Location             // of the times that people read; UTC when nil
	Display  units.Display              // of the lengths, temperatures and clock times that people read
	Language string                     // every reader's; empty for what each browser asks for
	Texts    fs.FS                      // the shop's own texts over ours, <language>/*.yaml; may be nil
	Now      func() time.Time           // time.Now when nil
	Machines []Place                    // for the links to their pages
	User     func(*http.Request) string // who is logged in; may be nil
	LetIn    func(*http.Request) bool   // whether a reader may see the floor; anybody may when nil
}

// Place names a machine.
type Place struct{ Site, Machine string }

// Kit makes pages. Add every asset before the first page is served; from then
// on nothing in it changes, and any number of goroutines may use it.
type Kit struct {
	o       Options
	texts   catalogue
	phrases *Phrases
	assets  assets
	frame   Pages
}

// New returns a kit. The error names a file and key of the shop's own texts
// that cannot be used.
func New(o Options) (*Kit, error) {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	texts, err := loadTexts(o.Texts)
	if err != nil {
		return nil, err
	}
	if _, ok := texts.words[o.Language]; o.Language != "" && !ok {
		return nil, fmt.Errorf("language %q has no texts: want one of %v, or a folder %s of your own beside them", o.Language, texts.tags, o.Language)
	}
	k := &Kit{o: o, texts: texts, phrases: newPhrases(texts.words), assets: assets{byURL: map[string]asset{}, url: map[string]string{}}}
	k.Add(assetFiles, "assets")
	k.frame = k.Parse(nil, "", nil)
	return k, nil
}

// Lang is the language to answer a request in.
func (k *Kit) Lang(r *http.Request) string {
	if k.o.Language != "" {
		return k.o.Language
	}
	return k.texts.pick(r.Header.Get("Accept-Language"))
}

// Languages lists the languages that have texts; the first is the fallback.
func (k *Kit) Languages() []string { return k.texts.tags }
