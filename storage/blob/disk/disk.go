// Package disk keeps blobs as plain files in one folder: for a trial, for a
// small crew, for a laptop without a network.
//
// A blob's file is <organisation>/<kind>/=ab/abcdef…: the key, with a folder
// named after the first two characters of its last part, so that no folder
// gets millions of files. A person can find a photo without this program.
//
// A put writes a temporary file, syncs it, links it to its name (which fails
// where the name is taken: the first writer wins, across processes too) and
// syncs the folder. Nothing else may write into the folder.
//
// What is on its way (staging) is not synced: a power cut may lose or damage a
// chunk, which the digest of the whole shows, and the upload is begun again. A
// process that is killed loses nothing.
package disk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"syscall"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// temporary is the folder of files on their way; no key can name it.
const temporary = "=tmp"

// staleAfter is the age at which a temporary file was surely left by a crash.
const staleAfter = 24 * time.Hour

// Store is a blob.Store in a folder. It keeps no versions and enforces no
// retention.
type Store struct {
	root *os.Root // symbolic links out of it are not followed
}

// Open opens the folder, which it makes if need be, and removes what a crash
// left half written.
func Open(folder string) (*Store, error) {
	if folder == "" {
		return nil, errs.New(errs.Invalid, "FOLDER_MISSING", "the folder of the blobs has no name")
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("open the blobs' folder: %w", err)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, fmt.Errorf("open the blobs' folder: %w", err)
	}
	s := &Store{root: root}
	if err := s.removeStale(time.Now()); err != nil {
		return nil, errors.Join(fmt.Errorf("open the blobs' folder: %w", err), root.Close())
	}
	return s, nil
}

// Close gives the folder back.
func (s *Store) Close() error { return s.root.Close() }

func (s *Store) removeStale(now time.Time) error {
	if err := s.root.MkdirAll(temporary, 0o750); err != nil {
		return err
	}
	entries, err := s.readDir(temporary)
	if err != nil {
		return err
	}
	for _, e := range entries {
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue // another process finished with it
		}
		if err != nil {
			return err
		}
		if now.Sub(info.ModTime()) > staleAfter {
			if err := s.root.Remove(path.Join(temporary, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}

// place returns the folder and the file of a key that was checked.
func place(key blob.Key) (folder, file string) {
	dir, name := path.Split(string(key))
	folder = dir + "=" + name[:2]
	return folder, folder + "/" + name
}

// failed classifies what the file system said.
func failed(doing string, err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return blob.Unavailable("BLOB_STORE_FULL", doing+", its disk is full,", err)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return blob.Unavailable("BLOB_STORE_REFUSED", doing, err)
	default:
		return blob.Unavailable("BLOB_STORE_UNAVAILABLE", doing, err)
	}
}

// Put implements blob.Store.
func (s *Store) Put(ctx context.Context, key blob.Key, src io.ReaderAt, want blob.Digest) (blob.Placed, error) {
	if err := blob.CheckPut(key, want); err != nil {
		return blob.Placed{}, err
	}
	temp := path.Join(temporary, rand.Text())
	f, err := s.root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o440)
	if err != nil {
		return blob.Placed{}, failed("store", err)
	}
	placed, err := s.put(ctx, f, temp, key, src, want)
	// The link keeps the bytes; the temporary name goes in any case.
	if rerr := s.root.Remove(temp); rerr != nil && err == nil {
		err = failed("store", rerr)
	}
	if err != nil {
		return blob.Placed{}, err
	}
	return placed, nil
}

func (s *Store) put(ctx context.Context, f *os.File, temp string, key blob.Key, src io.ReaderAt, want blob.Digest) (blob.Placed, error) {
	err := blob.Fill(ctx, writer{f}, src, want)
	if err == nil && !key.Staging() {
		if serr := f.Sync(); serr != nil {
			err = failed("store", serr)
		}
	}
	if cerr := f.Close(); cerr != nil && err == nil {
		err = failed("store", cerr)
	}
	if err != nil {
		return blob.Placed{}, err
	}
	existed, err := s.link(temp, key)
	if err != nil {
		return blob.Placed{}, failed("store", err)
	}
	if existed {
		same, err := s.holds(ctx, key, want)
		if errs.KindOf(err) == errs.NotFound {
			err = failed("store", err) // deleted since; a repeat will find the place free
		}
		if err != nil {
			return blob.Placed{}, err
		}
		if !same {
			return blob.Placed{}, blob.KeyTaken(key)
		}
	}
	// Where the file was there already, its writer may not have come to this
	// point yet; the promise is ours as well.
	if folder, _ := place(key); !key.Staging() {
		if err := s.sync(folder); err != nil {
			return blob.Placed{}, failed("store", err)
		}
	}
	return blob.Placed{Ref: blob.Ref{Key: key}, Existed: existed}, nil
}

// writer classifies the faults of writing, to be told from those of reading.
type writer struct{ *os.File }

func (w writer) Write(p []byte) (int, error) {
	n, err := w.File.Write(p)
	if err != nil {
		err = failed("store", err)
	}
	return n, err
}

// link gives the temporary file its name; existed where the name is taken.
func (s *Store) link(temp string, key blob.Key) (existed bool, err error) {
	folder, file := place(key)
	for range 100 {
		err = s.root.Link(temp, file)
		switch {
		case err == nil:
			return false, nil
		case errors.Is(err, fs.ErrExist):
			return true, nil
		case !errors.Is(err, fs.ErrNotExist):
			return false, err
		}
		// The folder is not there yet, or Delete has just removed it, empty.
		if err := s.makeFolders(folder, !key.Staging()); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, err
		}
	}
	return false, err
}

// makeFolders makes folder and those above it, and syncs each one's name where
// that is wanted.
func (s *Store) makeFolders(folder string, durable bool) error {
	parent := "."
	for part := range strings.SplitSeq(folder, "/") {
		dir := path.Join(parent, part)
		if err := s.root.Mkdir(dir, 0o750); err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
		// Also where it was there: its maker may not have synced it yet.
		if durable {
			if err := s.sync(parent); err != nil {
				return err
			}
		}
		parent = dir
	}
	return nil
}

// sync makes the names in a folder durable.
func (s *Store) sync(folder string) error {
	d, err := s.root.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// holds says whether the file of key has want's bytes.
func (s *Store) holds(ctx context.Context, key blob.Key, want blob.Digest) (bool, error) {
	err := blob.Check(ctx, s, blob.Ref{Key: key}, want)
	if errs.KindOf(err) == errs.Corrupt {
		return false, nil
	}
	return err == nil, err
}

// open opens the file of ref, a plain file, and says how long it is.
func (s *Store) open(ref blob.Ref) (*os.File, fs.FileInfo, error) {
	if err := ref.Key.Check(); err != nil {
		return nil, nil, err
	}
	if ref.Version != "" {
		return nil, nil, blob.NotFound(ref) // put by another store than this one
	}
	_, file := place(ref.Key)
	f, err := s.root.Open(file)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return nil, nil, blob.NotFound(ref)
	}
	if err != nil {
		return nil, nil, failed("read", err)
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("not a plain file")
	}
	if err != nil {
		return nil, nil, failed("read", errors.Join(err, f.Close()))
	}
	return f, info, nil
}

// Open implements blob.Store.
func (s *Store) Open(ctx context.Context, ref blob.Ref, offset, length int64) (io.ReadCloser, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	f, info, err := s.open(ref)
	if err != nil {
		return nil, err
	}
	length, err = blob.CheckRange(offset, length, info.Size())
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &section{Reader: io.NewSectionReader(f, offset, length), ctx: ctx, file: f, left: length}, nil
}

// section reads a range of a file, and tells a file that got shorter from one
// that ends.
type section struct {
	io.Reader
	ctx  context.Context // of Open, as a network store has it too
	file *os.File
	left int64
}

func (r *section) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := r.Reader.Read(p)
	r.left -= int64(n)
	switch {
	case errors.Is(err, io.EOF) && r.left > 0:
		return n, failed("read", io.ErrUnexpectedEOF)
	case err != nil && !errors.Is(err, io.EOF):
		return n, failed("read", err)
	}
	return n, err
}

func (r *section) Close() error { return r.file.Close() }

// Stat implements blob.Store.
func (s *Store) Stat(ctx context.Context, ref blob.Ref) (blob.Info, error) {
	if err := ctx.Err(); err != nil {
		return blob.Info{}, err
	}
	f, info, err := s.open(ref)
	if err != nil {
		return blob.Info{}, err
	}
	if err := f.Close(); err != nil {
		return blob.Info{}, failed("read", err)
	}
	return blob.Info{Ref: ref, Size: info.Size(), Modified: info.ModTime().UTC().Truncate(time.Millisecond)}, nil
}

// List implements blob.Store.
func (s *Store) List(ctx context.Context, prefix string, after blob.Key, limit int) ([]blob.Info, error) {
	if err := blob.CheckList(prefix, after, limit); err != nil {
		return nil, err
	}
	l := &listing{store: s, ctx: ctx, after: string(after), limit: limit}
	if err := l.walk(strings.TrimSuffix(prefix, "/")); err != nil {
		return nil, err
	}
	return l.found, nil
}

// listing is one List on its way through the folders.
type listing struct {
	store *Store
	ctx   context.Context // of List
	after string
	limit int
	found []blob.Info
}

func (l *listing) full() bool { return len(l.found) >= l.limit }

// walk adds the blobs below folder. A folder holds folders of names ("=ab" with
// all names that begin with ab) and folders of longer keys ("abc"). The keys of
// what begins with the same two characters belong together, so one such group
// is in memory at a time.
func (l *listing) walk(folder string) error {
	if err := l.ctx.Err(); err != nil {
		return err
	}
	entries, err := l.store.readDir(folder)
	if err != nil {
		return err
	}
	groups := map[string][]string{} // two characters -> folders of longer keys
	for _, e := range entries {
		name := e.Name()
		if two, ok := strings.CutPrefix(name, "="); ok {
			if len(two) == 2 && groups[two] == nil {
				groups[two] = []string{}
			}
		} else if len(name) >= 2 {
			groups[name[:2]] = append(groups[name[:2]], name)
		}
	}
	starts := make([]string, 0, len(groups))
	for two := range groups {
		// All keys of the group begin so; past pages are not read again.
		if start := folder + "/" + two; len(l.after) < len(start) || start >= l.after[:len(start)] {
			starts = append(starts, two)
		}
	}
	slices.Sort(starts)
	for _, two := range starts {
		if err := l.group(folder, two, groups[two]); err != nil || l.full() {
			return err
		}
	}
	return nil
}

// group adds the blobs of one group of walk.
func (l *listing) group(folder, two string, longer []string) error {
	files, err := l.store.readDir(folder + "/=" + two)
	if err != nil {
		return err
	}
	type item struct {
		key  string // of a longer key: its beginning, with a slash at the end
		file fs.DirEntry
	}
	items := make([]item, 0, len(files)+len(longer))
	for _, f := range files {
		items = append(items, item{folder + "/" + f.Name(), f})
	}
	for _, name := range longer {
		items = append(items, item{folder + "/" + name + "/", nil})
	}
	slices.SortFunc(items, func(a, b item) int { return strings.Compare(a.key, b.key) })
	for _, it := range items {
		if l.full() {
			return nil
		}
		if it.file == nil {
			// Skipped when every key in it comes before the page.
			if it.key > l.after || strings.HasPrefix(l.after, it.key) {
				if err := l.walk(strings.TrimSuffix(it.key, "/")); err != nil {
					return err
				}
			}
			continue
		}
		if it.key <= l.after {
			continue
		}
		info, err := it.file.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue // deleted meanwhile
		}
		if err != nil {
			return failed("list", err)
		}
		l.found = append(l.found, blob.Info{
			Ref: blob.Ref{Key: blob.Key(it.key)}, Size: info.Size(),
			Modified: info.ModTime().UTC().Truncate(time.Millisecond),
		})
	}
	return nil
}

// readDir returns what is in a folder, in no order; a folder that is not there
// is empty.
func (s *Store) readDir(folder string) ([]fs.DirEntry, error) {
	d, err := s.root.Open(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, failed("list", err)
	}
	entries, err := d.ReadDir(-1)
	if err = errors.Join(err, d.Close()); err != nil {
		return nil, failed("list", err)
	}
	return entries, nil
}

// Delete implements blob.Store.
func (s *Store) Delete(ctx context.Context, key blob.Key) error {
	if err := blob.CheckDelete(key); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	folder, file := place(key)
	if err := s.root.Remove(file); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return failed("delete", err)
	}
	// Folders that got empty go too, the organisation's stays. One that is not
	// empty refuses, which is the answer to the question.
	for strings.Count(folder, "/") >= 2 && s.root.Remove(folder) == nil {
		folder = path.Dir(folder)
	}
	return nil
}

// Retain implements blob.Store: a folder enforces nothing.
func (s *Store) Retain(ctx context.Context, ref blob.Ref, _ time.Time) (time.Time, error) {
	if _, err := s.Stat(ctx, ref); err != nil {
		return time.Time{}, err
	}
	return time.Time{}, blob.NotEnforced(s.where())
}

// Hold implements blob.Store: a folder enforces nothing.
func (s *Store) Hold(ctx context.Context, ref blob.Ref, _ bool) error {
	if _, err := s.Stat(ctx, ref); err != nil {
		return err
	}
	return blob.NotEnforced(s.where())
}

// Local marks the store as a blob.Local.
func (s *Store) Local() {}

func (s *Store) where() string { return "the folder " + s.root.Name() }

// Capabilities implements blob.Store.
func (s *Store) Capabilities(context.Context) (blob.Capabilities, error) {
	return blob.Capabilities{Where: s.where()}, nil
}

// Probe implements blob.Store.
func (s *Store) Probe(ctx context.Context) (blob.Report, error) {
	caps, err := s.Capabilities(ctx)
	if err != nil {
		return blob.Report{}, err
	}
	report := blob.Report{Capabilities: caps}
	if err := blob.TryWriting(ctx, s); err != nil {
		report.Lines = append(report.Lines, fmt.Sprintf("%s cannot be written to: %v.", caps.Where, err))
	} else {
		report.Writable = true
		report.Lines = append(report.Lines, caps.Where+" can be written to, read and cleaned up.")
	}
	report.Lines = append(report.Lines, caps.Where+" keeps no versions and enforces no retention: whoever runs the machine can delete. The seal shows it; keep copies elsewhere.")
	return report, nil
}

var _ blob.Local = (*Store)(nil)
