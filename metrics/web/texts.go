package web

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"

	"github.com/goccy/go-yaml"
	"golang.org/x/text/language"
)

// The texts are files of keys and sentences, one folder for each language:
// texts/en/board.yaml. A sentence may have values, written like those of
// package fmt; a translation that needs them in another order numbers them, as
// in "%[2]s of %[1]s".
//
//go:embed texts
var textFiles embed.FS

// fallback is the language that has every text.
const fallback = "en"

// Words are the texts of one language by key.
type Words map[string]string

// Say returns a text with its values filled in. A key that has no text shows
// itself, which a test forbids.
func (w Words) Say(key string, values ...any) string {
	text, ok := w[key]
	if !ok {
		return key
	}
	if len(values) == 0 {
		return text
	}
	return fmt.Sprintf(text, values...)
}

// Name is the text for a value of one of the rules' tables, or fallback for a
// value that the catalogue does not have, such as one of the shop's own.
func (w Words) Name(table, value, fallback string) string {
	if text, ok := w[table+"."+value]; ok {
		return text
	}
	return fallback
}

// catalogue holds the words of every language.
type catalogue struct {
	words   map[string]Words
	tags    []string // the fallback first, then by name
	matcher language.Matcher
}

// loadTexts reads our texts and lays the shop's own over them. Ours are part
// of the program, and only a program built wrong has faults in them.
func loadTexts(own fs.FS) (catalogue, error) {
	words := map[string]Words{}
	if err := readTexts(words, textFiles, "texts"); err != nil {
		panic(err)
	}
	if own != nil {
		if err := readTexts(words, own, "."); err != nil {
			return catalogue{}, err
		}
	}
	for lang, w := range words {
		if err := w.complete(lang, words[fallback]); err != nil {
			return catalogue{}, err
		}
	}
	c := catalogue{words: words, tags: []string{fallback}}
	for _, lang := range slices.Sorted(maps.Keys(words)) {
		if lang != fallback {
			c.tags = append(c.tags, lang)
		}
	}
	tags := make([]language.Tag, len(c.tags))
	for i, l := range c.tags {
		tags[i] = language.Make(l)
	}
	c.matcher = language.NewMatcher(tags)
	return c, nil
}

// Languages lists the languages that there are texts of, ours and a shop's own.
// The error names a file and key of the shop's own that cannot be used.
func Languages(own fs.FS) ([]string, error) {
	c, err := loadTexts(own)
	return c.tags, err
}

func readTexts(words map[string]Words, files fs.FS, root string) error {
	names, err := fs.Glob(files, path.Join(root, "*", "*.yaml"))
	if err != nil {
		return fmt.Errorf("read the texts: %w", err)
	}
	for _, name := range names {
		lang := path.Base(path.Dir(name))
		if _, err := language.Parse(lang); err != nil {
			return fmt.Errorf("texts %s: %q is no language tag: name the folder as in en or pt-BR", name, lang)
		}
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return fmt.Errorf("read the texts: %w", err)
		}
		var texts Words
		if err := yaml.UnmarshalWithOptions(data, &texts, yaml.Strict()); err != nil {
			return fmt.Errorf("texts %s: want one sentence for each key: %w", name, err)
		}
		if words[lang] == nil {
			words[lang] = Words{}
		}
		maps.Copy(words[lang], texts)
	}
	return nil
}

// complete refuses texts that nobody says or that take other values than the
// fallback's, and fills the missing ones from it.
func (w Words) complete(lang string, from Words) error {
	var errs []error
	for _, key := range slices.Sorted(maps.Keys(w)) {
		text, known := from[key]
		switch {
		case !known:
			errs = append(errs, fmt.Errorf("texts %s: there is no text %q: see the keys of %s", lang, key, fallback))
		case !slices.Equal(verbs(w[key]), verbs(text)):
			errs = append(errs, fmt.Errorf("texts %s: %q takes the values %v, want %v as in %q", lang, key, verbs(w[key]), verbs(text), text))
		}
	}
	for key, text := range from {
		if _, ok := w[key]; !ok {
			w[key] = text
		}
	}
	return errors.Join(errs...)
}

var verb = regexp.MustCompile(`%(?:\[(\d)\])?[+\-#0]*\d*(?:\.\d+)?([a-zA-Z%])`)

// verbs lists the values that a text takes, in the order that they are given.
func verbs(text string) []string {
	var list []string
	for i, m := range verb.FindAllStringSubmatch(text, -1) {
		if m[2] == "%" {
			continue
		}
		place := m[1]
		if place == "" {
			place = fmt.Sprint(i + 1)
		}
		list = append(list, place+m[2])
	}
	slices.Sort(list)
	return list
}

// pick chooses the language of a request by its Accept-Language header.
func (c catalogue) pick(accept string) string {
	_, i := language.MatchStrings(c.matcher, accept)
	return c.tags[i]
}
