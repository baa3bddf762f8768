package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

// contentTypes are the kinds of file a page is made of; a file of another kind is a mistake and is not served. They are
// written down here because the system's own table differs from machine to machine.
var contentTypes = map[string]string{
	".html":        "text/html; charset=utf-8",
	".css":         "text/css; charset=utf-8",
	".js":          "text/javascript; charset=utf-8",
	".svg":         "image/svg+xml",
	".png":         "image/png",
	".webmanifest": "application/manifest+json",
}

// file is one file of the page, ready to send.
type file struct {
	body, zipped []byte
	kind, etag   string
}

// loadFiles reads all files, so that a request path is only ever a key to look up.
func loadFiles(root fs.FS) (map[string]file, error) {
	files := map[string]file{}
	err := fs.WalkDir(root, ".", func(name string, entry fs.DirEntry, err error) error {
		kind := contentTypes[path.Ext(name)]
		if err != nil || entry.IsDir() || kind == "" {
			return err
		}
		body, err := fs.ReadFile(root, name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		files["/"+name] = file{body: body, zipped: zipped(body), kind: kind, etag: fmt.Sprintf(`"%x"`, sum[:8])}
		return nil
	})
	if err != nil {
		return nil, err
	}
	index, ok := files["/index.html"]
	if !ok {
		return nil, fmt.Errorf("index.html: %w", fs.ErrNotExist)
	}
	files["/"] = index
	return files, nil
}

// zipped is the body under gzip, nil when that saves nothing.
func zipped(body []byte) []byte {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	w.Write(body)
	w.Close()
	if out.Len() >= len(body) {
		return nil
	}
	return out.Bytes()
}

func (s *Server) handleFile(w http.ResponseWriter, r *http.Request) {
	f, ok := s.files[r.URL.Path]
	if !ok {
		http.Error(w, "There is nothing here. The page is at /.", http.StatusNotFound)
		return
	}
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", f.etag)
	if r.Header.Get("If-None-Match") == f.etag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.body
	if f.zipped != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = f.zipped
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	if r.Method != http.MethodHead {
		w.Write(body)
	}
}
