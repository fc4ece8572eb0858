// Package logkeys keeps the private keys of organisations' logs as files in one
// folder, never in the database: a copy of the database alone cannot sign.
//
// One file for each log, named after its origin with a slash written as %2F.
// Each line is a key in the form of a signed note's signer key; the last one
// signs, the ones before it once did and are kept, so that what they signed
// stays verifiable. Lines that begin with # are remarks.
package logkeys

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

const suffix = ".keys"

// Folder is a folder of log keys. It is safe for concurrent use, and several
// processes may share one folder: the first that makes a key wins.
type Folder struct {
	path   string
	make   bool
	random io.Reader
	now    func() time.Time

	mu    sync.Mutex
	known map[string][]*seal.LogKey // by origin, the current one first
	old   map[string]bool           // logs that have signed already
}

// Open opens a folder of keys, which it makes (mode 0700) if make is set. Without
// make a missing key is an error: for several servers that share one database,
// each would make its own.
//
// Errors: WrongState KEYS_FOLDER if there is no folder and make is not set, or
// if others than the owner can read it.
func Open(path string, make bool) (*Folder, error) {
	if path == "" {
		return nil, errs.New(errs.Invalid, "KEYS_FOLDER", "the folder of the log keys is not named")
	}
	if make {
		if err := os.MkdirAll(path, 0o700); err != nil {
			return nil, errs.Newf(errs.WrongState, "KEYS_FOLDER", "the folder of the log keys, %s, cannot be made", path).Because(err)
		}
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, errs.Newf(errs.WrongState, "KEYS_FOLDER", "the folder of the log keys, %s, cannot be read; make the keys with 'witnessmark keys make', or name their folder", path).Because(err)
	}
	if !info.IsDir() {
		return nil, errs.Newf(errs.WrongState, "KEYS_FOLDER", "%s is no folder", path)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, errs.Newf(errs.WrongState, "KEYS_FOLDER", "the folder of the log keys, %s, is open to others (mode %04o); close it with chmod 700", path, info.Mode().Perm())
	}
	return &Folder{path: path, make: make, random: rand.Reader, now: time.Now, known: map[string][]*seal.LogKey{}, old: map[string]bool{}}, nil
}

// Path is where the keys are.
func (f *Folder) Path() string { return f.path }

// Signed says that a log has signed before: where its key is missing, another is
// never made in its place.
func (f *Folder) Signed(origin string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.old[origin] = true
}

// Signer returns the key of a log that signs now, and the public half of every
// key that ever signed it, the current one first. A key that is not there is
// made where Open allows it.
//
// Errors: WrongState LOG_KEY_MISSING; Corrupt LOG_KEY_FILE; Invalid LOG_NAME.
func (f *Folder) Signer(_ context.Context, origin string) (*seal.LogKey, []seal.LogPublicKey, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	keys := f.known[origin]
	if keys == nil {
		var err error
		keys, err = f.read(origin)
		if errors.Is(err, fs.ErrNotExist) {
			if f.old[origin] {
				return nil, nil, errs.Newf(errs.WrongState, "LOG_KEY_MISSING", "the log %s has signed before and its key is not in %s: put the key file back from where you keep it. Nothing is locked meanwhile; recording goes on", origin, f.path)
			}
			if !f.make {
				return nil, nil, errs.Newf(errs.WrongState, "LOG_KEY_MISSING", "the key of the log %s is not in %s; copy it there, or make it once with 'witnessmark keys make'", origin, f.path)
			}
			keys, err = f.first(origin)
		}
		if err != nil {
			return nil, nil, err
		}
		f.known[origin] = keys
	}
	public := make([]seal.LogPublicKey, len(keys))
	for i, k := range keys {
		public[i] = k.Public()
	}
	return keys[0], public, nil
}

// Has reports whether a log has a key in the folder.
func (f *Folder) Has(origin string) (bool, error) {
	_, err := os.Stat(f.file(origin))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// Origins lists the logs that have keys, sorted.
func (f *Folder) Origins() ([]string, error) {
	entries, err := os.ReadDir(f.path)
	if err != nil {
		return nil, fmt.Errorf("list the log keys: %w", err)
	}
	var out []string
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), suffix)
		if !ok || strings.HasPrefix(name, ".") {
			continue
		}
		origin, err := url.PathUnescape(name)
		if err != nil {
			return nil, errs.Newf(errs.Corrupt, "LOG_KEY_FILE", "%s is not the name of a key file", e.Name()).Because(err)
		}
		out = append(out, origin)
	}
	slices.Sort(out)
	return out, nil
}

// Make makes the first key of a log; a log that has one keeps it.
func (f *Folder) Make(origin string) (*seal.LogKey, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	keys, err := f.read(origin)
	if errors.Is(err, fs.ErrNotExist) {
		keys, err = f.first(origin)
	}
	if err != nil {
		return nil, err
	}
	f.known[origin] = keys
	return keys[0], nil
}

// Rotate gives a log a new key, which signs from now on. The ones before stay.
// A server that runs signs with the old key until it is started again.
//
// Errors: WrongState LOG_KEY_MISSING if the log has none yet.
func (f *Folder) Rotate(origin string) (*seal.LogKey, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	old, err := os.ReadFile(f.file(origin))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errs.Newf(errs.WrongState, "LOG_KEY_MISSING", "the log %s has no key in %s to be followed by a new one", origin, f.path)
	}
	if err != nil {
		return nil, fmt.Errorf("read the log key: %w", err)
	}
	if _, err := f.read(origin); err != nil {
		return nil, err
	}
	key, text, err := f.fresh(origin)
	if err != nil {
		return nil, err
	}
	if len(old) > 0 && old[len(old)-1] != '\n' {
		old = append(old, '\n')
	}
	temporary, err := f.write(append(old, text...))
	if err != nil {
		return nil, err
	}
	if err := os.Rename(temporary, f.file(origin)); err != nil {
		return nil, errors.Join(fmt.Errorf("put the new log key in place: %w", err), os.Remove(temporary))
	}
	delete(f.known, origin)
	return key, f.syncFolder()
}

func (f *Folder) file(origin string) string {
	return filepath.Join(f.path, url.PathEscape(origin)+suffix)
}

// read returns the keys of a file, the current one first.
func (f *Folder) read(origin string) ([]*seal.LogKey, error) {
	path := f.file(origin)
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, errs.Newf(errs.WrongState, "LOG_KEY_FILE", "the key file %s is open to others (mode %04o); close it with chmod 600", path, info.Mode().Perm())
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the log key: %w", err)
	}
	var keys []*seal.LogKey
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		k, err := seal.ParseLogKey(line)
		if err != nil {
			return nil, errs.Newf(errs.Corrupt, "LOG_KEY_FILE", "the key file %s holds a line that is no key", path).Because(err)
		}
		if k.Public().Name() != origin {
			return nil, errs.Newf(errs.Corrupt, "LOG_KEY_FILE", "the key file %s holds a key of another log, %s", path, k.Public().Name())
		}
		keys = append(keys, k)
	}
	if len(keys) == 0 {
		return nil, errs.Newf(errs.Corrupt, "LOG_KEY_FILE", "the key file %s holds no key", path)
	}
	slices.Reverse(keys)
	return keys, nil
}

// first makes the first key of a log. If another process was first, its key counts.
func (f *Folder) first(origin string) ([]*seal.LogKey, error) {
	_, text, err := f.fresh(origin)
	if err != nil {
		return nil, err
	}
	temporary, err := f.write([]byte(text))
	if err != nil {
		return nil, err
	}
	err = os.Link(temporary, f.file(origin))
	if errors.Is(err, fs.ErrExist) {
		err = nil
	}
	if err = errors.Join(err, os.Remove(temporary)); err != nil {
		return nil, fmt.Errorf("put the log key in place: %w", err)
	}
	if err := f.syncFolder(); err != nil {
		return nil, err
	}
	return f.read(origin)
}

func (f *Folder) fresh(origin string) (*seal.LogKey, string, error) {
	k, err := seal.GenerateLogKey(f.random, origin)
	if err != nil {
		return nil, "", err
	}
	return k, fmt.Sprintf("# made %s\n%s\n", f.now().UTC().Format(time.RFC3339), k.Private()), nil
}

// write puts b into a temporary file of the folder, on the disk.
func (f *Folder) write(b []byte) (path string, err error) {
	t, err := os.CreateTemp(f.path, ".new-*")
	if err != nil {
		return "", fmt.Errorf("write the log key: %w", err)
	}
	_, err = t.Write(b)
	if err = errors.Join(err, t.Chmod(0o600), t.Sync(), t.Close()); err != nil {
		return "", errors.Join(fmt.Errorf("write the log key: %w", err), os.Remove(t.Name()))
	}
	return t.Name(), nil
}

func (f *Folder) syncFolder() error {
	d, err := os.Open(f.path)
	if err != nil {
		return fmt.Errorf("sync the folder of the log keys: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("sync the folder of the log keys: %w", err)
	}
	return nil
}
