package web

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
)

func files() fstest.MapFS {
	long := strings.Repeat("const a = 1;\n", 500)
	return fstest.MapFS{
		"index.html":           {Data: []byte("<!doctype html><title>page</title>" + strings.Repeat(" ", 500))},
		"sw.js":                {Data: []byte("// worker " + long)},
		"assets/a-1234.js":     {Data: []byte(long)},
		"assets/tiny.css":      {Data: []byte("a{}")},
		"icon.svg":             {Data: []byte("<svg/>")},
		".hidden":              {Data: []byte("no")},
		"manifest.webmanifest": {Data: []byte("{}")},
	}
}

func TestServe(t *testing.T) {
	h, err := New(files())
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name, method, path, accept string
		status                     int
		kind, cache, encoding      string
	}{
		{"the page, packed", "GET", "/", "gzip", 200, "text/html; charset=utf-8", "no-cache", "gzip"},
		{"the page for a path of the client's own", "GET", "/job/ridge-7/step", "gzip, br", 200, "text/html; charset=utf-8", "no-cache", "gzip"},
		{"a hashed file, kept for ever", "GET", "/assets/a-1234.js", "gzip", 200, "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", "gzip"},
		{"a hashed file for a client without gzip", "GET", "/assets/a-1234.js", "", 200, "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", ""},
		{"gzip refused by weight", "GET", "/assets/a-1234.js", "gzip;q=0", 200, "text/javascript; charset=utf-8", "public, max-age=31536000, immutable", ""},
		{"a file that gzip does not make smaller", "GET", "/assets/tiny.css", "gzip", 200, "text/css; charset=utf-8", "public, max-age=31536000, immutable", ""},
		{"the worker is asked for again", "GET", "/sw.js", "gzip", 200, "text/javascript; charset=utf-8", "no-cache", "gzip"},
		{"the manifest", "HEAD", "/manifest.webmanifest", "gzip", 200, "application/manifest+json", "no-cache", ""},
		{"a file that is not there", "GET", "/assets/b-5678.js", "gzip", 404, "text/plain; charset=utf-8", "", ""},
		{"a folder of hashed files", "GET", "/assets/", "gzip", 404, "text/plain; charset=utf-8", "", ""},
		{"a hidden file", "GET", "/.hidden", "gzip", 404, "text/plain; charset=utf-8", "", ""},
		{"a way up", "GET", "/../secret.txt", "gzip", 404, "text/plain; charset=utf-8", "", ""},
		{"another method", "POST", "/", "gzip", 405, "text/plain; charset=utf-8", "", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := httptest.NewRequest(tc.method, "http://x/", nil)
			r.URL.Path = tc.path
			r.Header.Set("Accept-Encoding", tc.accept)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			got := w.Result()
			if got.StatusCode != tc.status || got.Header.Get("Content-Type") != tc.kind || got.Header.Get("Cache-Control") != tc.cache || got.Header.Get("Content-Encoding") != tc.encoding {
				t.Errorf("%s %s = %d %q %q %q; want %d %q %q %q", tc.method, tc.path, got.StatusCode, got.Header.Get("Content-Type"), got.Header.Get("Cache-Control"), got.Header.Get("Content-Encoding"), tc.status, tc.kind, tc.cache, tc.encoding)
			}
			if csp := got.Header.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("Content-Security-Policy = %q; want one that starts from none and has nothing unsafe", csp)
			}
			if got.Header.Get("X-Content-Type-Options") != "nosniff" {
				t.Error("X-Content-Type-Options is not nosniff")
			}
			if tc.method == "HEAD" && w.Body.Len() != 0 {
				t.Errorf("HEAD has %d bytes of body; want none", w.Body.Len())
			}
		})
	}
}

func TestNotModified(t *testing.T) {
	h, err := New(files())
	if err != nil {
		t.Fatal(err)
	}
	for _, accept := range []string{"gzip", ""} {
		first := httptest.NewRecorder()
		r := httptest.NewRequest("GET", "/sw.js", nil)
		r.Header.Set("Accept-Encoding", accept)
		h.ServeHTTP(first, r)
		tag := first.Header().Get("ETag")
		r.Header.Set("If-None-Match", `"other", W/`+tag)
		again := httptest.NewRecorder()
		h.ServeHTTP(again, r)
		if again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("accepting %q: with ETag %s = %d, %d bytes; want 304 without a body", accept, tag, again.Code, again.Body.Len())
		}
	}
}

func TestPackedIsTheSame(t *testing.T) {
	h, err := New(files())
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("GET", "/assets/a-1234.js", nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(z)
	if err != nil || string(got) != string(files()["assets/a-1234.js"].Data) {
		t.Errorf("unpacked %d bytes, %v; want the file's", len(got), err)
	}
}

func TestNoPage(t *testing.T) {
	if _, err := New(fstest.MapFS{"a.js": {Data: []byte("x")}}); err == nil {
		t.Error("New without index.html gives no error; want one")
	}
}

// TestBuilt holds the committed build: it is there, whole, and its first load is small.
func TestBuilt(t *testing.T) {
	h, err := Handler()
	if err != nil {
		t.Fatal(err)
	}
	files := h.(handler)
	page := string(files["/index.html"].plain)
	if files["/sw.js"] == nil || files["/manifest.webmanifest"] == nil {
		t.Fatal("the build has no worker or no manifest")
	}
	const most = 150 << 10
	first := 0
	for name, f := range files {
		if name != "/index.html" && !strings.Contains(page, name) {
			continue
		}
		if f.packed != nil {
			first += len(f.packed)
		} else {
			first += len(f.plain)
		}
	}
	if first > most || first < 10<<10 {
		t.Errorf("the first load is %d bytes packed; want over 10 kB (it is built) and at most %d", first, most)
	}
	worker := string(files["/sw.js"].plain)
	for name := range files {
		if strings.HasPrefix(name, "/assets/") && !strings.Contains(worker, `"`+name+`"`) {
			t.Errorf("the worker does not keep %s", name)
		}
	}
	if strings.Contains(worker, "@version") || strings.Contains(worker, "@files") {
		t.Error("the worker's list of files or version was not filled in")
	}
}
