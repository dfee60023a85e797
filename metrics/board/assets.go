package board

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"net/http"
	"path"
	"strings"
)

//go:embed assets
var assetFiles embed.FS

// assets are the files beside the page, each under a name that holds a hash of
// its content, so that a browser may keep it for ever.
type assets struct {
	byURL map[string]asset  // by the last part of the URL
	url   map[string]string // URL by file name
}

type asset struct {
	data []byte
	kind string // media type
}

// mediaTypes are told here and not asked of the system, which may differ.
var mediaTypes = map[string]string{".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}

// loadAssets reads the embedded files, which are part of the program: it can
// fail only in a program that was built wrong.
func loadAssets() assets {
	a := assets{map[string]asset{}, map[string]string{}}
	entries, err := assetFiles.ReadDir("assets")
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		data, err := assetFiles.ReadFile("assets/" + e.Name())
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(data)
		ext := path.Ext(e.Name())
		hashed := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:6]) + ext
		a.byURL[hashed] = asset{data, mediaTypes[ext]}
		a.url[e.Name()] = "/assets/" + hashed
	}
	return a
}

func (b *board) asset(w http.ResponseWriter, r *http.Request) {
	a, ok := b.assets.byURL[r.PathValue("file")]
	if !ok {
		b.missing(w, r)
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Write(a.data)
}
