package disk

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

func openAt(t *testing.T, dir string) *Store {
	t.Helper()
	st, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	})
	return st
}

func put(t *testing.T, st *Store, key blob.Key, text string) {
	t.Helper()
	if _, err := st.Put(t.Context(), key, strings.NewReader(text), blob.DigestOf([]byte(text))); err != nil {
		t.Fatalf("Put(%s): %v", key, err)
	}
}

// files lists the plain files below dir, by slash paths.
func files(t *testing.T, dir string) []string {
	t.Helper()
	var found []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, rerr := filepath.Rel(dir, path)
			found, err = append(found, filepath.ToSlash(rel)), rerr
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// A person with a file browser finds the photo, and nothing else lies about.
func TestFilesLieWhereTheyAreSaidToLie(t *testing.T) {
	dir := t.TempDir()
	st := openAt(t, dir)
	put(t, st, "org-one/photo/abcdef", "one")
	put(t, st, "org-one/photo/abcdef/deeper", "two")
	put(t, st, blob.ChunkKey("org-one", "upload-1", 1<<20), "three")
	_, err := st.Put(t.Context(), "org-one/photo/wrong", strings.NewReader("x"), blob.DigestOf([]byte("y")))
	if !errs.Is(err, "DIGEST_MISMATCH") {
		t.Fatalf("Put of wrong bytes: %v", err)
	}
	want := []string{
		"org-one/photo/=ab/abcdef",
		"org-one/photo/abcdef/=de/deeper",
		"staging/org-one/upload-1/=00/0000000001048576",
	}
	if got := files(t, dir); !slices.Equal(got, want) {
		t.Errorf("got %q; want %q", got, want)
	}
	info, err := os.Stat(filepath.Join(dir, "org-one/photo/=ab/abcdef"))
	if err != nil || info.Mode().Perm()&0o222 != 0 {
		t.Errorf("the file: %v, %v; want that nobody may write", info.Mode(), err)
	}
	if err := st.Delete(t.Context(), blob.ChunkKey("org-one", "upload-1", 1<<20)); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "staging/org-one/upload-1")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder of an upload that is gone: got %v; want it gone", err)
	}
}

// Two stores on one folder are two processes on it.
func TestTwoStoresShareAFolder(t *testing.T) {
	dir := t.TempDir()
	a, b := openAt(t, dir), openAt(t, dir)
	put(t, a, "org-one/photo/ab", "one")
	_, err := b.Put(t.Context(), "org-one/photo/ab", strings.NewReader("two"), blob.DigestOf([]byte("two")))
	if !errs.Is(err, "KEY_TAKEN") {
		t.Errorf("got %v; want KEY_TAKEN", err)
	}
	put(t, b, "org-one/photo/ab", "one")
}

func TestWhatACrashLeftIsRemoved(t *testing.T) {
	dir := t.TempDir()
	openAt(t, dir)
	old, young := filepath.Join(dir, temporary, "old"), filepath.Join(dir, temporary, "young")
	for _, path := range []string{old, young} {
		if err := os.WriteFile(path, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-2 * staleAfter)
	if err := os.Chtimes(old, long, long); err != nil {
		t.Fatal(err)
	}
	openAt(t, dir)
	if got, want := files(t, dir), []string{temporary + "/young"}; !slices.Equal(got, want) {
		t.Errorf("after opening again: got %q; want %q, another process may be writing it", got, want)
	}
}

// Links that lead out of the folder lead nowhere.
func TestLinksOutOfTheFolderAreNotFollowed(t *testing.T) {
	dir, outside := t.TempDir(), t.TempDir()
	st := openAt(t, dir)
	if err := os.WriteFile(filepath.Join(outside, "secret"), []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "org-one/photo/=se"), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(outside, "secret"), filepath.Join(dir, "org-one/photo/=se/secret")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(dir, "org-two")); err != nil {
		t.Fatal(err)
	}
	if _, err := st.Open(t.Context(), blob.Ref{Key: "org-one/photo/secret"}, 0, -1); err == nil {
		t.Error("a link to a file outside was read")
	}
	text := "text"
	if _, err := st.Put(t.Context(), "org-two/photo/ab", strings.NewReader(text), blob.DigestOf([]byte(text))); err == nil {
		t.Error("a blob was written through a link to a folder outside")
	}
	if got := files(t, outside); !slices.Equal(got, []string{"secret"}) {
		t.Errorf("outside lies %q; want what lay there", got)
	}
}

// A folder in a blob's place, or a file that got shorter under a reader.
func TestDamageIsAnErrorNotAnAnswer(t *testing.T) {
	dir := t.TempDir()
	st := openAt(t, dir)
	if err := os.MkdirAll(filepath.Join(dir, "org-one/photo/=ab/abcd"), 0o750); err != nil {
		t.Fatal(err)
	}
	if _, err := st.Stat(t.Context(), blob.Ref{Key: "org-one/photo/abcd"}); errs.KindOf(err) != errs.Unavailable {
		t.Errorf("a folder in a blob's place: got %v; want an error of the store", err)
	}
	put(t, st, "org-one/photo/ef01", strings.Repeat("x", 100_000))
	rc, err := st.Open(t.Context(), blob.Ref{Key: "org-one/photo/ef01"}, 0, -1)
	if err != nil {
		t.Fatal(err)
	}
	defer rc.Close()
	if err := os.Truncate(filepath.Join(dir, "org-one/photo/=ef/ef01"), 50_000); err != nil {
		t.Fatal(err)
	}
	if n, err := io.Copy(io.Discard, rc); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a file cut under the reader: read %d bytes, %v; want %v", n, err, io.ErrUnexpectedEOF)
	}
}

// The disk says no: classified, and nothing lies about.
func TestFolderThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if st, err := Open(filepath.Join(file, "below")); err == nil {
		t.Errorf("Open below a file: got %v; want an error", st)
	}
	if _, err := Open(""); !errs.Is(err, "FOLDER_MISSING") {
		t.Errorf(`Open(""): got %v; want FOLDER_MISSING`, err)
	}
	st := openAt(t, filepath.Join(dir, "blobs"))
	// The organisation's place is a file: root or not, no folder can be made.
	if err := os.WriteFile(filepath.Join(dir, "blobs", "org-one"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := st.Put(t.Context(), "org-one/photo/ab", strings.NewReader("x"), blob.DigestOf([]byte("x")))
	if errs.KindOf(err) != errs.Unavailable {
		t.Errorf("Put: got %v; want an error of the store", err)
	}
	if got := files(t, filepath.Join(dir, "blobs")); !slices.Equal(got, []string{"org-one"}) {
		t.Errorf("in the folder lies %q; want no temporary file", got)
	}
	if err := os.RemoveAll(filepath.Join(dir, "blobs", temporary)); err != nil {
		t.Fatal(err)
	}
	report, err := st.Probe(t.Context())
	if err != nil || report.Writable || !strings.Contains(report.Lines[0], "cannot be written") {
		t.Errorf("Probe without a folder for temporary files: got %+v, %v; want not writable, said first", report, err)
	}
}

// A disk that is full: the kernel's /dev/full stands for it.
func TestFullDiskIsSaidSo(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Log("only Linux has /dev/full; the classification is tested there")
		return
	}
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer full.Close()
	data := []byte("bytes")
	err = blob.Fill(t.Context(), writer{full}, bytes.NewReader(data), blob.DigestOf(data))
	if !errs.Is(err, "BLOB_STORE_FULL") {
		t.Errorf("got %v; want BLOB_STORE_FULL", err)
	}
}

// Delete takes empty folders away under the feet of Put, which makes them anew.
func TestPutWhileFoldersGo(t *testing.T) {
	st := openAt(t, t.TempDir())
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		for ctx.Err() == nil {
			key := blob.ChunkKey("org-one", "upload-1", 7)
			_, err := st.Put(t.Context(), key, strings.NewReader("x"), blob.DigestOf([]byte("x")))
			if err = errors.Join(err, st.Delete(t.Context(), key)); err != nil {
				t.Errorf("put and delete: %v", err)
				return
			}
		}
	})
	for i := range 200 {
		key := blob.ChunkKey("org-one", "upload-1", int64(100+i))
		put(t, st, key, "text")
		if err := st.Delete(t.Context(), key); err != nil {
			t.Fatalf("Delete: %v", err)
		}
	}
	stop()
	wg.Wait()
}
