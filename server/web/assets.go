package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

//go:embed static/*
var staticFiles embed.FS

// assets are the static files under names that change with their content, so that
// a browser may keep them for good.
type assets struct {
	byURL map[string][]byte // "app.<checksum>.css"
	url   map[string]string // "app.css" to "/static/app.<checksum>.css"
}

func loadAssets() (*assets, error) {
	a := &assets{byURL: map[string][]byte{}, url: map[string]string{}}
	files, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		body, err := staticFiles.ReadFile("static/" + f.Name())
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(body)
		ext := path.Ext(f.Name())
		name := strings.TrimSuffix(f.Name(), ext) + "." + hex.EncodeToString(sum[:8]) + ext
		a.byURL[name], a.url[f.Name()] = body, "/static/"+name
	}
	return a, nil
}

var contentTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	body, ok := a.byURL[r.PathValue("file")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", contentTypes[path.Ext(r.PathValue("file"))])
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	if r.Header.Get("Range") != "" || !accepts(r) {
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
		return
	}
	send(w, r, http.StatusOK, body)
}
