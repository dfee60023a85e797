package web_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/goccy/go-yaml"

	"rollwarden/metrics/web"
)

func kit(t *testing.T, o web.Options) *web.Kit {
	t.Helper()
	k, err := web.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func ask(lang string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Header.Set("Accept-Language", lang)
	return r
}

// TestLanguage falls back to the first language for a reader of any other. The
// header's grammar is RFC 9110, section 12.5.4.
func TestLanguage(t *testing.T) {
	k := kit(t, web.Options{})
	for header, want := range map[string]string{"": "en", "en-IE, en;q=0.8": "en", "fi": "en", "*": "en", "not a language;;;": "en"} {
		if got := k.Lang(ask(header)); got != want {
			t.Errorf("Accept-Language %q gives %q, want %q", header, got, want)
		}
	}
	own := fstest.MapFS{"fr/frame.yaml": {Data: []byte("unknown: inconnu\n")}}
	k = kit(t, web.Options{Texts: own})
	if got := k.Lang(ask("fr-CA, en;q=0.5")); got != "fr" {
		t.Errorf("a shop's own French: got %q", got)
	}
	words := k.PenIn("fr").Words
	if words.Say("unknown") != "inconnu" || words.Say("none") != "none" {
		t.Errorf("want the shop's text, and English where it has none; got %q, %q", words.Say("unknown"), words.Say("none"))
	}
	if got := kit(t, web.Options{Language: "fr", Texts: own}).Lang(ask("en")); got != "fr" {
		t.Errorf("a language for everybody: got %q", got)
	}
}

// TestOwnTextsAreChecked refuses what could not be shown.
func TestOwnTextsAreChecked(t *testing.T) {
	for text, want := range map[string]string{
		"nobody-says-this: x": `there is no text "nobody-says-this"`,
		"unknown: '%d rolls'": `"unknown" takes the values`,
		"unknown: [a, b]":     "fr/frame.yaml",
	} {
		_, err := web.New(web.Options{Texts: fstest.MapFS{"fr/frame.yaml": {Data: []byte(text)}}})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: want an error with %q, got %v", text, want, err)
		}
	}
	if _, err := web.New(web.Options{Texts: fstest.MapFS{"no language/x.yaml": {}}}); err == nil {
		t.Error("a folder that is no language: want an error")
	}
	if _, err := web.New(web.Options{Language: "xx"}); err == nil {
		t.Error("a language without texts: want an error")
	}
}

// said finds the keys of texts in the sources of all pages.
var said = map[*regexp.Regexp]string{
	regexp.MustCompile(`\bt "([^"]+)"`):              "../*/templates/*.html",
	regexp.MustCompile(`\bSay\("([a-z0-9.-]+)"[,)]`): "../*/*.go",
}

// TestEveryTextIsThere wants a text for every key that stands in a source.
func TestEveryTextIsThere(t *testing.T) {
	words := kit(t, web.Options{}).PenIn("en").Words
	found := 0
	for pattern, files := range said {
		names, err := filepath.Glob(files)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range pattern.FindAllStringSubmatch(string(data), -1) {
				found++
				if _, ok := words[m[1]]; !ok && !strings.HasSuffix(name, "_test.go") {
					t.Errorf("%s: no text for %q", name, m[1])
				}
			}
		}
	}
	if found == 0 {
		t.Error("no text is said anywhere: the patterns are out of date")
	}
}

// TestEachTextIsWrittenOnce forbids a key in two files of a language, where one
// would silently hide the other, and two phrases for one sentence.
func TestEachTextIsWrittenOnce(t *testing.T) {
	for _, lang := range kit(t, web.Options{}).Languages() {
		files, err := filepath.Glob("texts/" + lang + "/*.yaml")
		if err != nil || len(files) == 0 {
			t.Fatalf("no texts in %q: %v", lang, err)
		}
		keys, phrases := map[string]string{}, map[string]string{}
		for _, file := range files {
			for key, text := range readTexts(t, file) {
				if other, twice := keys[key]; twice {
					t.Errorf("%q is in %s and in %s", key, other, file)
				}
				keys[key] = file
				if lang != "en" || !strings.HasPrefix(key, "phrase.") {
					continue
				}
				if other, twice := phrases[text]; twice {
					t.Errorf("%q and %q are one sentence: %s", key, other, text)
				}
				phrases[text] = key
			}
		}
	}
}

func readTexts(t *testing.T, file string) (texts map[string]string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(data, &texts); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return texts
}

// TestEveryTextIsSaid finds texts that nobody says: those whose key, or the table
// that it is of, stands in no source. Phrases are held against the rules by the
// tests of the packages that turn them.
func TestEveryTextIsSaid(t *testing.T) {
	var sources strings.Builder
	for _, pattern := range []string{"../*/*.go", "../*/templates/*.html", "../../watcher/gate/*.go"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", pattern, err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			sources.Write(data)
		}
	}
	source := sources.String()
	for key := range kit(t, web.Options{}).PenIn("en").Words {
		if !strings.HasPrefix(key, "phrase.") && !isSaid(source, key) {
			t.Errorf("nobody says %q", key)
		}
	}
}

// isSaid looks for a key, or for the beginning of one to which a value is added,
// such as "waste" or "waste." of waste.trim.
func isSaid(source, key string) bool {
	if strings.Contains(source, `"`+key+`"`) {
		return true
	}
	for cut := strings.LastIndexAny(key, ".-"); cut > 0; cut = strings.LastIndexAny(key[:cut], ".-") {
		if table := key[:cut]; strings.Contains(source, `"`+table+`"`) || strings.Contains(source, `"`+table+`."`) {
			return true
		}
	}
	return false
}

// TestAssetsAreKept serves an asset under a name that changes with it.
func TestAssetsAreKept(t *testing.T) {
	k := kit(t, web.Options{})
	mux := http.NewServeMux()
	mux.HandleFunc("GET /assets/{file}", k.ServeAsset)
	answer := httptest.NewRecorder()
	mux.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, k.Asset("look.css"), nil))
	if answer.Code != http.StatusOK || !strings.HasPrefix(answer.Header().Get("Content-Type"), "text/css") ||
		!strings.Contains(answer.Header().Get("Cache-Control"), "immutable") {
		t.Errorf("got %d %v", answer.Code, answer.Header())
	}
	answer = httptest.NewRecorder()
	mux.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/assets/look.css", nil))
	if answer.Code != http.StatusNotFound || answer.Header().Get("Cache-Control") != "" {
		t.Errorf("an unhashed name: got %d %v", answer.Code, answer.Header())
	}
}

// TestReadOnly answers programs as RFC 9457 lays an error out, and says which
// methods there are as RFC 9110, section 15.5.6, wants.
func TestReadOnly(t *testing.T) {
	h := web.ReadOnly(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { web.Plain(w, 200, "read") }))
	for path, kind := range map[string]string{"/api/v1/floor": "application/problem+json", "/": "text/plain; charset=utf-8"} {
		answer := httptest.NewRecorder()
		h.ServeHTTP(answer, httptest.NewRequest(http.MethodPost, path, nil))
		if answer.Code != http.StatusMethodNotAllowed || answer.Header().Get("Allow") != "GET, HEAD" || answer.Header().Get("Content-Type") != kind {
			t.Errorf("%s: got %d %v", path, answer.Code, answer.Header())
		}
	}
}
