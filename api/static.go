package api

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed web
var webFiles embed.FS

// asset is one file of the page, ready to send.
type asset struct {
	body, zipped []byte
	kind, tag    string
}

// loadPage reads and compresses the page once.
func loadPage() (map[string]*asset, error) {
	page := map[string]*asset{}
	err := fs.WalkDir(webFiles, "web", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		kind, ok := contentType(name)
		if !ok {
			return fmt.Errorf("page file %s: no content type is known for it", name)
		}
		body, err := webFiles.ReadFile(name)
		if err != nil {
			return err
		}
		page[strings.TrimPrefix(name, "web")], err = newAsset(body, kind)
		return err
	})
	if err != nil {
		return nil, err
	}
	index := page["/index.html"]
	delete(page, "/index.html")
	page["/{$}"] = index
	return page, nil
}

// newAsset compresses a body that never changes.
func newAsset(body []byte, kind string) (*asset, error) {
	var z bytes.Buffer
	w, err := gzip.NewWriterLevel(&z, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(body); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(body)
	return &asset{body: body, zipped: z.Bytes(), kind: kind, tag: `"` + hex.EncodeToString(sum[:8]) + `"`}, nil
}

// contentType is given here because what the mime package answers depends on
// files of the host.
func contentType(name string) (string, bool) {
	switch path.Ext(name) {
	case ".html":
		return "text/html; charset=utf-8", true
	case ".css":
		return "text/css; charset=utf-8", true
	case ".js":
		return "text/javascript; charset=utf-8", true
	case ".svg":
		return "image/svg+xml", true
	case ".json", ".webmanifest":
		return "application/json", true
	}
	return "", false
}

func (a *asset) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", a.kind)
	// Ask each time, cheaply: a new program brings a new page.
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.tag)
	h.Set("Vary", "Accept-Encoding")
	if r.Header.Get("If-None-Match") == a.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	b := a.body
	if len(a.zipped) < len(b) && takesGzip(r.Header.Get("Accept-Encoding")) {
		h.Set("Content-Encoding", "gzip")
		b = a.zipped
	}
	_, _ = w.Write(b) // the asker may be gone; net/http drops the body of HEAD
}

func takesGzip(accept string) bool {
	for _, part := range strings.Split(accept, ",") {
		name, param, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(name, "gzip") {
			q := strings.ReplaceAll(param, " ", "")
			return q != "q=0" && q != "q=0.0" && q != "q=0.00" && q != "q=0.000"
		}
	}
	return false
}
