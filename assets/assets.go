// Package assets holds the style sheet, the browser modules and the icons.
// Each file is served under an address that carries a checksum of its content,
// so that a browser may keep it for ever and still never shows an old one.
package assets

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
)

//go:embed css/*.css js/*.js icons/*.svg
var files embed.FS

// Prefix is where Handler expects to be mounted.
const Prefix = "/assets/"

// types maps an extension to its media type. It is spelt out because the
// system's own table differs from machine to machine, and a module with the
// wrong type does not run.
var types = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// file is one embedded file as it is served.
type file struct {
	body []byte
	kind string
	etag string
}

var byURL, urlOf = load()

func load() (map[string]file, map[string]string) {
	served, urls := map[string]file{}, map[string]string{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		hash := hex.EncodeToString(sum[:6])
		ext := path.Ext(name)
		url := Prefix + strings.TrimSuffix(name, ext) + "." + hash + ext
		served[url] = file{body: body, kind: types[ext], etag: strconv.Quote(hash)}
		urls[name] = url
		return nil
	})
	if err != nil {
		panic(fmt.Sprintf("assets: embedded files unreadable: %v", err))
	}
	return served, urls
}

// URL is the address of an embedded file, such as "css/site.css". It panics
// where there is no such file, which is a mistake in the program.
func URL(name string) string {
	url, ok := urlOf[name]
	if !ok {
		panic("assets: no file " + name)
	}
	return url
}

// Names lists the embedded files.
func Names() []string {
	names := make([]string, 0, len(urlOf))
	for name := range urlOf {
		names = append(names, name)
	}
	return names
}

// Handler serves the files under Prefix. An address without the right checksum
// is not found: it was never handed out for this content.
func Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f, ok := byURL[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, http.StatusText(http.StatusMethodNotAllowed), http.StatusMethodNotAllowed)
			return
		}
		h := w.Header()
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
		h.Set("ETag", f.etag)
		h.Set("X-Content-Type-Options", "nosniff")
		if r.Header.Get("If-None-Match") == f.etag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		h.Set("Content-Type", f.kind)
		h.Set("Content-Length", strconv.Itoa(len(f.body)))
		if r.Method == http.MethodGet {
			_, _ = w.Write(f.body) // the reader may be gone; nothing is left to do for it
		}
	})
}
