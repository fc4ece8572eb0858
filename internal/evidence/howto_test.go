package evidence_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/seal"
)

// unpack writes an archive's files with the standard reader and returns the top
// folder: what a stranger has.
func unpack(tb testing.TB, archive []byte) string {
	tb.Helper()
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		tb.Fatal(err)
	}
	dir := tb.TempDir()
	for _, f := range z.File {
		path := filepath.Join(dir, filepath.FromSlash(f.Name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			tb.Fatal(err)
		}
		r, err := f.Open()
		if err != nil {
			tb.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			tb.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	return filepath.Join(dir, strings.TrimPrefix(evidencetest.JobName, "jobs/"))
}

func needTools(t *testing.T, names ...string) {
	t.Helper()
	for _, n := range names {
		if _, err := exec.LookPath(n); err != nil {
			t.Fatalf("this test runs the script that strangers run, and needs %s on this machine: %v", n, err)
		}
	}
}

// check runs a shell command in a folder.
func check(dir, command string) (string, error) {
	c := exec.Command("sh", "-c", command)
	c.Dir = dir
	out, err := c.CombinedOutput()
	return string(out), err
}

// The commands that HOWTO.txt prints, word for word.
const (
	extract = `sed -n '/^#!\/bin\/sh/,/^# end/p' data/HOWTO.txt > ../check.sh`
	runIt   = `sh ../check.sh && echo "nothing wrong found"`
)

func TestHowto(t *testing.T) {
	needTools(t, "sh", "sha256sum", "openssl", "base64", "sed", "od")
	j := usual(t)
	archive := j.Archive()
	text := string(file(t, archive, "data/HOWTO.txt"))
	for _, c := range []string{extract, runIt} {
		if !strings.Contains(text, c) {
			t.Fatalf("HOWTO.txt does not print the command that this test runs: %s", c)
		}
	}
	for n, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, "#!/bin/sh") {
			break
		}
		if len([]rune(line)) > 80 {
			t.Errorf("HOWTO.txt line %d is wider than a printed page: %q", n+1, line)
		}
	}
	if n := strings.Count(text[strings.Index(text, "#!/bin/sh"):], "\n"); n > 21 {
		t.Errorf("the script has %d lines; want 20 at most, and the line that ends it", n)
	}

	t.Run("an honest package", func(t *testing.T) {
		dir := unpack(t, archive)
		if out, err := check(dir, extract); err != nil {
			t.Fatalf("%s: %v\n%s", extract, err, out)
		}
		out, err := check(dir, runIt)
		if err != nil {
			t.Fatalf("the script failed: %v\n%s", err, out)
		}
		root, _ := seal.RootOf(func(yield func([]byte) bool) {
			for _, l := range j.Lines {
				if !yield(l) {
					return
				}
			}
		})
		for _, want := range []string{"every file has its digest", "the log's key signed the manifest", fmt.Sprintf("%d lines have the root %s", len(j.Lines), root.Base64()), "the log holds this record", "nothing wrong found"} {
			if !strings.Contains(out, want) {
				t.Errorf("the script does not say %q:\n%s", want, out)
			}
		}
		signed := 0
		for _, l := range j.Lines {
			if p, err := seal.ParseLine(l); err == nil && len(p.Signatures) > 0 {
				signed++
			}
		}
		if got := strings.Count(out, "Verified OK"); got != signed {
			t.Errorf("the script verified %d device signatures; want %d", got, signed)
		}
	})

	t.Run("the signature of the line that ends the record", func(t *testing.T) {
		dir := unpack(t, archive)
		line := len(j.Lines) - 1
		command := fmt.Sprintf("for f in data/signatures/%d-*.der; do k=${f##*-}; openssl dgst -sha256 \\\n     -verify \"data/keys/${k%%.der}.pem\" -signature \"$f\" \"${f%%.der}.pae\"; done", line)
		if !strings.Contains(text, command) {
			t.Fatalf("HOWTO.txt does not print the command that this test runs:\n%s", command)
		}
		if out, err := check(dir, command); err != nil || strings.TrimSpace(out) != "Verified OK" {
			t.Errorf("%v\n%s", err, out)
		}
	})

	t.Run("the fingerprint of the key", func(t *testing.T) {
		dir := unpack(t, archive)
		out, err := check(dir, "openssl pkey -pubin -in data/log/log.pem -outform DER | sha256sum")
		if want := j.LogKey().Public().Fingerprint().String(); err != nil || !strings.HasPrefix(out, want) || !strings.Contains(text, want) {
			t.Errorf("openssl says %q, %v; want %s, in HOWTO.txt too", out, err, want)
		}
	})

	forged := func(change func(map[string][]byte)) string { return unpack(t, forge(t, archive, change)) }
	for _, tc := range []struct {
		name string
		make func(t *testing.T) string
	}{
		{"a byte of a photo changed", func(t *testing.T) string {
			dir := unpack(t, archive)
			photos, err := filepath.Glob(filepath.Join(dir, "data/photos/*"))
			if err != nil || len(photos) == 0 {
				t.Fatal("no photos", err)
			}
			b, err := os.ReadFile(photos[0])
			if err != nil {
				t.Fatal(err)
			}
			b[len(b)/2] ^= 1
			if err := os.WriteFile(photos[0], b, 0o644); err != nil {
				t.Fatal(err)
			}
			return dir
		}},
		{"a forged report with manifests that fit", func(*testing.T) string {
			return forged(func(f map[string][]byte) { f["data/derived/report.html"] = []byte("<p>All is well.") })
		}},
		{"a forged manifest note", func(*testing.T) string {
			return forged(func(f map[string][]byte) { f["manifest.note"][10] ^= 1 })
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := tc.make(t)
			if out, err := check(dir, extract+"\n"+runIt); err == nil {
				t.Errorf("the script finds nothing wrong:\n%s", out)
			}
		})
	}
}

// The later steps of the script, each by itself: the manifest's steps are taken
// out, so that what comes after them has to find it.
func TestHowtoLaterSteps(t *testing.T) {
	needTools(t, "sh", "openssl", "base64", "sed", "od")
	j := usual(t)
	archive := j.Archive()
	for _, tc := range []struct {
		name   string
		wrong  bool
		change func(map[string][]byte)
	}{
		{"nothing", false, func(map[string][]byte) {}},
		{"a word of a signed payload", true, lines(func(ls [][]byte) [][]byte {
			ls[1] = payload(t, ls[1], func(b []byte) []byte { return bytes.Replace(b, []byte(`"counter":"1"`), []byte(`"counter":"1" `), 1) })
			return ls
		})},
		{"a word of an attested payload", true, lines(func(ls [][]byte) [][]byte {
			ls[0] = payload(t, ls[0], func(b []byte) []byte { return bytes.Replace(b, []byte(`Ridge 7`), []byte(`Ridge 8`), 1) })
			return ls
		})},
		{"the last line left out", true, lines(func(ls [][]byte) [][]byte { return ls[:len(ls)-1] })},
		{"the proof's index", true, func(f map[string][]byte) {
			f["data/log/inclusion.json"] = bytes.Replace(f["data/log/inclusion.json"], []byte(`"index":"2"`), []byte(`"index":"3"`), 1)
		}},
		{"the checkpoint's size", true, func(f map[string][]byte) {
			f["data/log/checkpoint.txt"] = bytes.Replace(f["data/log/checkpoint.txt"], []byte("\n7\n"), []byte("\n8\n"), 1)
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := unpack(t, forge(t, archive, tc.change))
			out, err := check(dir, extract+"\n"+`sed '/^sha256sum/d; /^note manifest/d' ../check.sh > ../rest.sh; sh ../rest.sh`)
			if (err != nil) != tc.wrong {
				t.Errorf("wrong = %v, %v; want %v\n%s", err != nil, err, tc.wrong, out)
			}
		})
	}
}
