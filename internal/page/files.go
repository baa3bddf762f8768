package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"
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
	kind    string
	plain   encoded
	gzipped func() *encoded // nil when that saves nothing; compressed when first asked for, not to delay the start
}

// document reports whether a browser may show the file by itself, rather than as a part of another.
func (f file) document() bool {
	return f.kind != contentTypes[".js"] && f.kind != contentTypes[".css"]
}

// encoded is a file as it goes over the wire. Its tag is of these bytes, so the two encodings of a file have two.
type encoded struct {
	body []byte
	etag string
}

func newEncoded(body []byte) encoded {
	sum := sha256.Sum256(body)
	return encoded{body, fmt.Sprintf(`"%x"`, sum[:8])}
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
		files["/"+name] = file{kind: kind, plain: newEncoded(body),
			gzipped: sync.OnceValue(func() *encoded { return gzipped(body) })}
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

func gzipped(body []byte) *encoded {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	w.Write(body)
	w.Close()
	if out.Len() >= len(body) {
		return nil
	}
	e := newEncoded(out.Bytes())
	return &e
}

func (s *Server) handleFile(w http.ResponseWriter, r *http.Request) {
	f, ok := s.files[r.URL.Path]
	if !ok {
		http.Error(w, "There is nothing here. The page is at /.", http.StatusNotFound)
		return
	}
	h := w.Header()
	if !f.document() {
		for _, name := range documentHeaders {
			h.Del(name)
		}
	}
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("Vary", "Accept-Encoding")
	send := f.plain
	if acceptsGzip(r.Header.Values("Accept-Encoding")) && f.gzipped() != nil {
		send = *f.gzipped()
		h.Set("Content-Encoding", "gzip")
		h.Set("Content-Length", strconv.Itoa(len(send.body))) // ServeContent leaves it to who encodes
	}
	h.Set("ETag", send.etag)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(send.body))
}

// acceptsGzip reads Accept-Encoding (RFC 9110, 12.5.3): gzip by name, else by the asterisk, and not with weight 0.
func acceptsGzip(headers []string) bool {
	named, others := -1.0, 0.0
	for item := range strings.SplitSeq(strings.Join(headers, ","), ",") {
		coding, parameter, weighed := strings.Cut(item, ";")
		weight := 1.0
		if weighed {
			name, value, _ := strings.Cut(strings.ToLower(strings.TrimSpace(parameter)), "=")
			q, err := strconv.ParseFloat(value, 64)
			if name != "q" || err != nil {
				q = 0 // not understood: a file that is not compressed is never wrong
			}
			weight = q
		}
		switch strings.ToLower(strings.TrimSpace(coding)) {
		case "gzip", "x-gzip":
			named = weight
		case "*":
			others = weight
		}
	}
	if named >= 0 {
		return named > 0
	}
	return others > 0
}
