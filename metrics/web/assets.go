package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed assets
var assetFiles embed.FS

// assets are the files beside the pages, each under a name that holds a hash
// of its content, so that a browser may keep it for ever.
type assets struct {
	byURL map[string]asset  // by the last part of the URL
	url   map[string]string // URL by file name
}

type asset struct {
	data []byte
	kind string // media type
}

// mediaTypes are told here and not asked of the system, which may differ.
var mediaTypes = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// Add takes the files of a folder as assets, each under a name of its own in the
// kit. Embedded files are part of the program: it can fail only in a program that
// was built wrong.
func (k *Kit) Add(files fs.FS, folder string) {
	entries, err := fs.ReadDir(files, folder)
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		data, err := fs.ReadFile(files, path.Join(folder, e.Name()))
		if err != nil {
			panic(err)
		}
		ext := path.Ext(e.Name())
		if mediaTypes[ext] == "" {
			panic("no media type for the asset " + e.Name())
		}
		sum := sha256.Sum256(data)
		hashed := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:6]) + ext
		if other, twice := k.assets.url[e.Name()]; twice && other != "/assets/"+hashed {
			panic("two assets are called " + e.Name())
		}
		k.assets.byURL[hashed] = asset{data, mediaTypes[ext]}
		k.assets.url[e.Name()] = "/assets/" + hashed
	}
}

// Asset is the address of an asset by its file name.
func (k *Kit) Asset(name string) string {
	url, ok := k.assets.url[name]
	if !ok {
		panic("there is no asset " + name) // a program built wrong
	}
	return url
}

// ServeAsset serves /assets/{file}.
func (k *Kit) ServeAsset(w http.ResponseWriter, r *http.Request) {
	a, ok := k.assets.byURL[r.PathValue("file")]
	if !ok {
		k.Missing(w, r)
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Write(a.data)
}
