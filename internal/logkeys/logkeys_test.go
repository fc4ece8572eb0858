package logkeys

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"witnessmark/internal/errs"
)

const origin = "log.test/gannet"

func open(t *testing.T, path string) *Folder {
	t.Helper()
	f, err := Open(path, true)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestKeyIsMadeOnceAndKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	k, all, err := open(t, dir).Signer(context.Background(), origin)
	if err != nil || len(all) != 1 || !all[0].Same(k.Public()) {
		t.Fatalf("Signer = %v, %v, %v; want one key", k, all, err)
	}
	again, _, err := open(t, dir).Signer(context.Background(), origin)
	if err != nil || again.Private() != k.Private() {
		t.Errorf("the second opening gives another key (%v)", err)
	}
	for path, want := range map[string]os.FileMode{dir: 0o700, filepath.Join(dir, "log.test%2Fgannet.keys"): 0o600} {
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v, %v; want mode %04o", path, info, err, want)
		}
	}
}

func TestRotationKeepsTheKeysBefore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	f := open(t, dir)
	if _, err := f.Rotate(origin); !errs.Is(err, "LOG_KEY_MISSING") {
		t.Errorf("Rotate without a key: %v; want LOG_KEY_MISSING", err)
	}
	first, _, err := f.Signer(context.Background(), origin)
	if err != nil {
		t.Fatal(err)
	}
	second, err := f.Rotate(origin)
	if err != nil {
		t.Fatal(err)
	}
	for name, g := range map[string]*Folder{"the same folder": f, "opened again": open(t, dir)} {
		now, all, err := g.Signer(context.Background(), origin)
		if err != nil || now.Private() != second.Private() || len(all) != 2 || !all[1].Same(first.Public()) {
			t.Errorf("%s: signer %v, all %v, %v; want the new one, then the old", name, now, all, err)
		}
	}
}

func TestOfSeveralMakersOneWins(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	var wg sync.WaitGroup
	var got [8]string
	for i := range got {
		f := open(t, dir)
		wg.Go(func() {
			k, _, err := f.Signer(context.Background(), origin)
			if err != nil {
				t.Error(err)
				return
			}
			got[i] = k.Private()
		})
	}
	wg.Wait()
	for i := range got {
		if got[i] != got[0] {
			t.Fatal("two makers have different keys")
		}
	}
	left, err := filepath.Glob(filepath.Join(dir, ".new-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("temporary files are left: %v, %v", left, err)
	}
}

func TestRefused(t *testing.T) {
	for _, tc := range []struct {
		name, reason string
		spoil        func(dir, file string) error
	}{
		{"no key and none may be made", "LOG_KEY_MISSING", func(_, file string) error { return os.Remove(file) }},
		{"a file that others may read", "LOG_KEY_FILE", func(_, file string) error { return os.Chmod(file, 0o644) }},
		{"a file without a key", "LOG_KEY_FILE", func(_, file string) error { return os.WriteFile(file, []byte("# nothing\n"), 0o600) }},
		{"a line that is no key", "LOG_KEY_FILE", func(_, file string) error { return os.WriteFile(file, []byte("hello\n"), 0o600) }},
		{"a key of another log", "LOG_KEY_FILE", func(dir, file string) error {
			f, err := Open(dir, true)
			if err != nil {
				return err
			}
			if _, err := f.Make("log.test/other"); err != nil {
				return err
			}
			return os.Rename(filepath.Join(dir, "log.test%2Fother.keys"), file)
		}},
		{"a folder that others may read", "KEYS_FOLDER", func(dir, _ string) error { return os.Chmod(dir, 0o750) }},
		{"no folder", "KEYS_FOLDER", func(dir, _ string) error { return os.RemoveAll(dir) }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "keys")
			if _, err := open(t, dir).Make(origin); err != nil {
				t.Fatal(err)
			}
			if err := tc.spoil(dir, filepath.Join(dir, "log.test%2Fgannet.keys")); err != nil {
				t.Fatal(err)
			}
			f, err := Open(dir, false)
			if err == nil {
				_, _, err = f.Signer(context.Background(), origin)
			}
			if !errs.Is(err, tc.reason) {
				t.Errorf("got %v; want %s", err, tc.reason)
			}
			if err != nil && strings.Contains(err.Error(), "PRIVATE+KEY+log.test") {
				t.Error("the error shows a key")
			}
		})
	}
}

func TestOrigins(t *testing.T) {
	f := open(t, filepath.Join(t.TempDir(), "keys"))
	for _, o := range []string{"b.test/x", "a.test/y"} {
		if _, err := f.Make(o); err != nil {
			t.Fatal(err)
		}
	}
	got, err := f.Origins()
	if err != nil || strings.Join(got, " ") != "a.test/y b.test/x" {
		t.Errorf("Origins() = %v, %v; want both, sorted", got, err)
	}
	if ok, err := f.Has("c.test/z"); ok || err != nil {
		t.Errorf("Has of an unknown log = %v, %v; want false", ok, err)
	}
}

func TestLogThatHasSignedGetsNoOtherKey(t *testing.T) {
	f := open(t, filepath.Join(t.TempDir(), "keys"))
	f.Signed(origin)
	if _, _, err := f.Signer(context.Background(), origin); !errs.Is(err, "LOG_KEY_MISSING") {
		t.Errorf("Signer of a log that has signed, without its key: %v; want LOG_KEY_MISSING", err)
	}
	if ok, err := f.Has(origin); ok || err != nil {
		t.Errorf("Has = %v, %v afterwards; want no key", ok, err)
	}
	if _, _, err := f.Signer(context.Background(), "log.test/other"); err != nil {
		t.Errorf("Signer of another log: %v; want a new key", err)
	}
}
