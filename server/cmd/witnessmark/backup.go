package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/sqlite"
)

// A backup is a data folder with one more file that says what it is.
const backupFile = "backup.json"

const backupFormat = "witnessmark-backup/1"

// about is what a backup says of itself.
type about struct {
	Format  string           `json:"format"`
	Time    time.Time        `json:"time"`
	Version string           `json:"version"`
	LogName string           `json:"logName"`
	Keys    bool             `json:"keys"`
	Locks   map[string]int64 `json:"locks"` // of each organisation's log
	Jobs    int64            `json:"jobs"`
	Lines   int64            `json:"lines"`
	Blobs   int64            `json:"blobs"`
	Bytes   int64            `json:"bytes"`
}

func setupBackup(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	withKeys := f.local("with-keys", "copy the log keys too: whoever has the copy can then sign as this log")
	asJSON := f.local("json", "for machines")
	return withBackend(where, []string{"DEST"}, func(ctx context.Context, s *streams, b *backend, args []string) error {
		db, ok := b.store.(*sqlite.Store)
		if !ok || b.place.s3.Bucket != "" {
			return errs.New(errs.WrongState, "NOT_EMBEDDED", "backup copies an embedded installation; with PostgreSQL or S3 use their own tools: 'witnessmark help backup' says how")
		}
		p := &progress{w: s.err}
		a, err := backup(ctx, b, db, args[0], *withKeys, p, s.now)
		p.end()
		if err != nil {
			return err
		}
		if *asJSON {
			return printJSON(s.out, a)
		}
		_, err = fmt.Fprintf(s.out, "Copied to %s and checked: %d jobs, %d lines, %d photos and traces, %d bytes.\n", args[0], a.Jobs, a.Lines, a.Blobs, a.Bytes)
		if err == nil && !*withKeys {
			_, err = fmt.Fprintf(s.out, "The log keys are not in it. Keep %s in another place: without them nothing can be locked after a restore.\n", b.place.keys)
		}
		return err
	})
}

// emptyFolder makes a folder, or takes one that is empty.
func emptyFolder(path string) error {
	entries, err := os.ReadDir(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if err := os.MkdirAll(path, 0o700); err != nil {
			return fmt.Errorf("make %s: %w", path, err)
		}
		return nil
	case err != nil:
		return fmt.Errorf("look into %s: %w", path, err)
	case len(entries) > 0:
		return errs.Newf(errs.Exists, "FOLDER_NOT_EMPTY", "%s is not empty; name a new folder", path)
	}
	return nil
}

func backup(ctx context.Context, b *backend, db *sqlite.Store, dest string, withKeys bool, p *progress, now func() time.Time) (a about, err error) {
	if err := emptyFolder(dest); err != nil {
		return a, err
	}
	// The database first: every blob that it names is there by then, and blobs are
	// never changed.
	if err := db.Backup(ctx, filepath.Join(dest, databaseFile)); err != nil {
		return a, err
	}
	c := &backend{place: place{data: dest, logName: b.place.logName}, keys: b.keys}
	defer func() { err = errors.Join(err, c.Close()) }()
	copied, err := sqlite.Open(ctx, c.place.database())
	if err != nil {
		return a, err
	}
	c.store = copied
	c.close = append(c.close, copied.Close)
	blobs, err := disk.Open(filepath.Join(dest, blobFolder))
	if err != nil {
		return a, err
	}
	c.blobs = blobs
	c.close = append(c.close, blobs.Close)
	a = about{Format: backupFormat, Time: now().UTC().Truncate(time.Second), Version: version, LogName: b.place.logName, Keys: withKeys, Locks: map[string]int64{}}
	x := &inspector{b: c, tell: func(int64, string) {}}
	err = x.organizations(ctx, func(org string) error {
		head, err := copied.GetLogHead(ctx, org)
		if err != nil {
			return err
		}
		a.Locks[org] = head.Size
		// A checkpoint of a later lock belongs to the next backup.
		keep := func(key blob.Key) bool { return !later(key, org, head.Size) }
		if err := copyBlobs(ctx, b.blobs, blobs, org+"/", keep, func(n int64) { p.say("%s: %d copied", org, n) }); err != nil {
			return err
		}
		return x.everything(ctx, org, p)
	})
	if err != nil {
		return a, err
	}
	// What is on its way is copied as far as it is; the phone sends the rest, or again.
	if err := copyBlobs(ctx, b.blobs, blobs, "staging/", func(blob.Key) bool { return true }, func(n int64) { p.say("uploads on their way: %d pieces", n) }); err != nil {
		return a, err
	}
	if len(x.found) > 0 {
		return a, errs.Newf(errs.Corrupt, "BACKUP_WRONG", "the copy does not agree with itself in %d places, first %s: %s", len(x.found), x.found[0].Where, x.found[0].What)
	}
	if withKeys {
		if err := copyKeys(b.place.keys, filepath.Join(dest, "keys")); err != nil {
			return a, err
		}
	}
	a.Jobs, a.Lines, a.Blobs, a.Bytes = x.count.jobs, x.count.lines, x.count.blobs, x.count.bytes
	// The file comes last: a folder without it is no whole backup.
	text, err := json.MarshalIndent(a, "", "  ")
	if err != nil {
		return a, fmt.Errorf("describe the backup: %w", err)
	}
	return a, writeSynced(filepath.Join(dest, backupFile), append(text, '\n'))
}

// everything checks one organisation whole: records, log, blobs.
func (x *inspector) everything(ctx context.Context, org string, p *progress) error {
	if err := x.records(ctx, org); err != nil {
		return err
	}
	if err := x.log(ctx, org); err != nil {
		return err
	}
	return blobsOf(ctx, x.b.store, org, [32]byte{}, func(bl storage.Blob) error {
		p.say("%s: %d checked, %d bytes", org, x.count.blobs, x.count.bytes)
		return x.blob(ctx, org, bl)
	})
}

// later reports whether a key is a checkpoint over a larger log than size.
func later(key blob.Key, org string, size int64) bool {
	return strings.HasPrefix(string(key), org+"/"+checkpointKind+"/") && key > checkpointKey(org, size)
}

// copyBlobs copies what begins with prefix and is not there yet.
func copyBlobs(ctx context.Context, from, to blob.Store, prefix string, want func(blob.Key) bool, tell func(int64)) error {
	n := int64(0)
	for info, err := range blob.All(ctx, from, prefix) {
		if err != nil {
			return err
		}
		if !want(info.Key) {
			continue
		}
		if err := copyBlob(ctx, from, to, info); err != nil {
			return err
		}
		n++
		tell(n)
	}
	return nil
}

func copyBlob(ctx context.Context, from, to blob.Store, info blob.Info) (err error) {
	r, err := from.Open(ctx, info.Ref, 0, -1)
	if errs.KindOf(err) == errs.NotFound {
		return nil // swept meanwhile: it was no evidence
	}
	if err != nil {
		return err
	}
	spool, err := blob.NewSpool(r, info.Size, "")
	if cerr := r.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("copy %s: %w", info.Key, err)
	}
	defer func() { err = errors.Join(err, spool.Close()) }()
	if _, err = to.Put(ctx, info.Key, spool, spool.Digest()); err != nil {
		return fmt.Errorf("copy %s: %w", info.Key, err)
	}
	return nil
}

func copyKeys(from, to string) error {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return fmt.Errorf("copy the log keys: %w", err)
	}
	entries, err := os.ReadDir(from)
	if err != nil {
		return fmt.Errorf("copy the log keys: %w", err)
	}
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".keys") || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(from, e.Name()))
		if err != nil {
			return fmt.Errorf("copy the log keys: %w", err)
		}
		if err := writeSynced(filepath.Join(to, e.Name()), b); err != nil {
			return err
		}
	}
	return nil
}

// writeSynced writes a new file, mode 0600, and waits for the disk.
func writeSynced(path string, b []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

func setupRestore(f *flags) func(context.Context, *streams, []string) error {
	data := f.text("data", "FOLDER", "data", "where to put it; it must not hold a store")
	keys := f.word("keys", "FOLDER", "", "take the log keys from here, where the backup has none")
	keepBlobs := f.local("keep-blobs", "photos are there already: leave them and add what is missing")
	asJSON := f.local("json", "for machines")
	return func(ctx context.Context, s *streams, args []string) error {
		if err := exactly(args, "SRC"); err != nil {
			return err
		}
		p := &progress{w: s.err}
		x, a, behind, err := restore(ctx, args[0], *data, *keys, *keepBlobs, p)
		p.end()
		if err != nil {
			return err
		}
		if !*asJSON {
			if _, err := fmt.Fprintf(s.out, "The backup of %s is in %s.\n", a.Time.Format(time.RFC3339), *data); err != nil {
				return err
			}
			if !a.Keys && *keys == "" {
				if _, err := fmt.Fprintf(s.out, "The backup has no log keys: put them into %s before anything is locked.\n", filepath.Join(*data, "keys")); err != nil {
					return err
				}
			}
			for _, org := range behind {
				if _, err := fmt.Fprintf(s.out, "A later checkpoint of %s lies beside the photos: nothing will be locked until the newer store is back.\n", org); err != nil {
					return err
				}
			}
			if _, err := fmt.Fprintln(s.out, "If anyone was given a checkpoint of this log after that time, say so to him: this copy does not know it."); err != nil {
				return err
			}
		}
		return x.result(s, *asJSON, fmt.Sprintf("%d jobs, %d lines, %d log leaves, %d photos and traces checked", x.count.jobs, x.count.lines, x.count.leaves, x.count.blobs))
	}
}

func restore(ctx context.Context, src, data, keys string, keepBlobs bool, p *progress) (x *inspector, a about, behind []string, err error) {
	text, err := os.ReadFile(filepath.Join(src, backupFile))
	if err == nil {
		err = json.Unmarshal(text, &a)
	}
	if err != nil || a.Format != backupFormat {
		return nil, a, nil, errs.Newf(errs.Invalid, "NOT_A_BACKUP", "%s is no whole backup: its %s is missing or of another kind", src, backupFile).Because(err)
	}
	if keepBlobs {
		if _, err := os.Stat(filepath.Join(data, databaseFile)); err == nil {
			return nil, a, nil, errs.Newf(errs.Exists, "STORE_EXISTS", "%s holds a store already; move its %s* away first", data, databaseFile)
		}
	} else if err := emptyFolder(data); err != nil {
		return nil, a, nil, err
	}
	if err := os.MkdirAll(data, 0o700); err != nil {
		return nil, a, nil, fmt.Errorf("make %s: %w", data, err)
	}
	from, err := disk.Open(filepath.Join(src, blobFolder))
	if err != nil {
		return nil, a, nil, err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	to, err := disk.Open(filepath.Join(data, blobFolder))
	if err != nil {
		return nil, a, nil, err
	}
	b := &backend{place: place{data: data, logName: a.LogName, keys: filepath.Join(data, "keys"), makeKeys: true}, blobs: to, close: []func() error{to.Close}}
	defer func() { err = errors.Join(err, b.Close()) }()
	for _, prefix := range prefixes(a) {
		if err := copyBlobs(ctx, from, to, prefix, func(blob.Key) bool { return true }, func(n int64) { p.say("%s %d copied", prefix, n) }); err != nil {
			return nil, a, nil, err
		}
	}
	keyFrom := keys
	if keyFrom == "" && a.Keys {
		keyFrom = filepath.Join(src, "keys")
	}
	if _, serr := os.Stat(b.place.keys); serr != nil && keyFrom != "" {
		if err := copyKeys(keyFrom, b.place.keys); err != nil {
			return nil, a, nil, err
		}
	}
	// The database last: a folder without it is not taken for a whole one.
	if err := copyFile(filepath.Join(src, databaseFile), b.place.database()); err != nil {
		return nil, a, nil, err
	}
	db, err := sqlite.Open(ctx, b.place.database())
	if err != nil {
		return nil, a, nil, err
	}
	b.store = db
	b.close = append(b.close, db.Close)
	if b.keys, err = openKeys(b.place, true); err != nil {
		return nil, a, nil, err
	}
	x = &inspector{b: b, tell: func(int64, string) {}}
	err = x.organizations(ctx, func(org string) error {
		_, newer, err := b.newerCheckpoints(ctx, org)
		if err != nil {
			return err
		}
		if len(newer) > 0 {
			behind = append(behind, org)
		}
		return x.everything(ctx, org, p)
	})
	return x, a, behind, err
}

func prefixes(a about) []string {
	out := []string{"staging/"}
	for org := range a.Locks {
		out = append(out, org+"/")
	}
	return out
}

func copyFile(from, to string) error {
	r, err := os.Open(from)
	if err != nil {
		return fmt.Errorf("copy the database: %w", err)
	}
	defer r.Close()
	w, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("copy the database: %w", err)
	}
	_, err = io.Copy(w, r)
	if err = errors.Join(err, w.Sync(), w.Close()); err != nil {
		return fmt.Errorf("copy the database: %w", err)
	}
	return nil
}
