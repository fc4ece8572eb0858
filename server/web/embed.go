// Package web serves the phone client: the built files of this folder, embedded.
package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strconv"
	"strings"
	"time"
)

//go:embed all:dist
var dist embed.FS

// policy lets the page load and talk to nothing but its own origin. Pictures
// are also shown from memory (blob:), before they are sent.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; " +
	"media-src 'self' blob:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; font-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// file is one file of the client, ready to send.
type file struct {
	plain, packed []byte // packed is nil where gzip does not make it smaller
	etag          string
	kind          string
	immutable     bool
}

// Handler serves the client built into this program; see New.
//
// The error says which embedded file could not be read; it cannot happen in a
// program that was built from a whole checkout.
func Handler() (http.Handler, error) {
	sub, err := fs.Sub(dist, "dist")
	if err != nil {
		return nil, err
	}
	return New(sub)
}

// New serves a built client from files. It reads and packs every file once.
// Files under assets/ carry a hash in their names and are kept for ever by the
// browser; all others are asked for again with their ETag. A path that is no
// file and has no extension gets the page, because the client has its own
// paths; any other is 404. Only GET and HEAD are answered.
//
// The error says which file could not be read, or that index.html is missing.
func New(files fs.FS) (http.Handler, error) {
	h := handler{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || path.Base(name)[0] == '.' {
			return err
		}
		b, err := fs.ReadFile(files, name)
		if err != nil {
			return fmt.Errorf("read %s: %w", name, err)
		}
		sum := sha256.Sum256(b)
		f := &file{
			plain: b, etag: hex.EncodeToString(sum[:12]), kind: kindOf(name),
			immutable: strings.HasPrefix(name, "assets/"),
		}
		var packed bytes.Buffer
		z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		if err != nil {
			return err
		}
		if _, err := z.Write(b); err != nil {
			return fmt.Errorf("pack %s: %w", name, err)
		}
		if err := z.Close(); err != nil {
			return fmt.Errorf("pack %s: %w", name, err)
		}
		if packed.Len() < len(b)*9/10 {
			f.packed = packed.Bytes()
		}
		h["/"+name] = f
		return nil
	})
	if err != nil {
		return nil, err
	}
	if h["/index.html"] == nil {
		return nil, fmt.Errorf("the client has no index.html")
	}
	return h, nil
}

// kindOf is the media type by the name's ending; the machine's own table is not
// asked for what the client consists of, so that it is the same everywhere.
func kindOf(name string) string {
	switch ext := path.Ext(name); ext {
	case ".html":
		return "text/html; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".json", ".map":
		return "application/json"
	case ".webmanifest":
		return "application/manifest+json"
	case ".svg":
		return "image/svg+xml"
	case ".png":
		return "image/png"
	case ".woff2":
		return "font/woff2"
	default:
		if t := mime.TypeByExtension(ext); t != "" {
			return t
		}
		return "application/octet-stream"
	}
}

type handler map[string]*file

func (h handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Content-Security-Policy", policy)
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Permissions-Policy", "camera=(self), geolocation=(self), microphone=(), screen-wake-lock=(self)")
	head.Set("Cross-Origin-Opener-Policy", "same-origin")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		head.Set("Allow", "GET, HEAD")
		http.Error(w, "only GET and HEAD", http.StatusMethodNotAllowed)
		return
	}
	f := h[r.URL.Path]
	if f == nil {
		// The client's own paths have no file name with an ending at their end.
		if path.Ext(r.URL.Path) != "" || strings.HasPrefix(r.URL.Path, "/assets/") {
			http.NotFound(w, r)
			return
		}
		f = h["/index.html"]
	}
	if f.immutable {
		head.Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		head.Set("Cache-Control", "no-cache")
	}
	head.Set("Content-Type", f.kind)
	body, tag := f.plain, `"`+f.etag+`"`
	if f.packed != nil {
		head.Set("Vary", "Accept-Encoding")
		if acceptsGzip(r.Header.Get("Accept-Encoding")) {
			head.Set("Content-Encoding", "gzip")
			body, tag = f.packed, `"`+f.etag+`-gz"`
		}
	}
	head.Set("ETag", tag)
	if head.Get("Content-Encoding") == "" { // ranges of packed bytes would serve nobody
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
		return
	}
	if matches(r.Header.Get("If-None-Match"), tag) {
		head.Del("Content-Type")
		head.Del("Content-Encoding")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	head.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method == http.MethodGet {
		_, _ = w.Write(body) // a client that went away needs no answer
	}
}

// acceptsGzip reads Accept-Encoding, RFC 9110 section 12.5.3: named and not with q=0.
func acceptsGzip(header string) bool {
	for part := range strings.SplitSeq(header, ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name = strings.ToLower(strings.TrimSpace(name)); name != "gzip" && name != "*" {
			continue
		}
		value, ok := strings.CutPrefix(strings.ReplaceAll(strings.ToLower(q), " ", ""), "q=")
		if !ok {
			return true
		}
		weight, err := strconv.ParseFloat(value, 64)
		return err == nil && weight > 0
	}
	return false
}

// matches compares weakly, RFC 9110 section 13.1.2.
func matches(header, tag string) bool {
	for part := range strings.SplitSeq(header, ",") {
		if p := strings.TrimPrefix(strings.TrimSpace(part), "W/"); p == tag || p == "*" {
			return true
		}
	}
	return false
}
