package blobtest

import (
	"context"
	"errors"
	"io"
	"time"

	"witnessmark/storage/blob"
)

// FaultyStore is a store whose calls can be made to fail, both ways.
type FaultyStore struct {
	blob.Store
	fault    func(op string, key blob.Key) (apply bool, err error)
	modified func(blob.Info) time.Time // for tests of age; nil: as it is
}

// Faulty wraps st. Before each call fault is asked, with the method's name (put,
// open, stat, list, delete, retain, hold) and the key (for list: the prefix). On
// an error that is what the caller gets, and apply says whether the call
// happened all the same: false is a call that failed and is lost, true one that
// failed yet landed. Fault may be nil: no faults. It is called by as many
// goroutines as call the store.
func Faulty(st blob.Store, fault func(op string, key blob.Key) (apply bool, err error)) *FaultyStore {
	if fault == nil {
		fault = func(string, blob.Key) (bool, error) { return true, nil }
	}
	return &FaultyStore{Store: st, fault: fault}
}

// run asks for a fault and runs the call unless it is lost. Where the call
// itself fails too, both errors come back.
func (f *FaultyStore) run(op string, key blob.Key, call func() error) error {
	apply, err := f.fault(op, key)
	if err == nil {
		return call()
	}
	if apply {
		return errors.Join(err, call())
	}
	return err
}

// Put implements blob.Store.
func (f *FaultyStore) Put(ctx context.Context, key blob.Key, src io.ReaderAt, want blob.Digest) (placed blob.Placed, err error) {
	err = f.run("put", key, func() (err error) {
		placed, err = f.Store.Put(ctx, key, src, want)
		return err
	})
	if err != nil {
		return blob.Placed{}, err
	}
	return placed, nil
}

// Open implements blob.Store. A read that failed yet landed is one that fails
// after its first half.
func (f *FaultyStore) Open(ctx context.Context, ref blob.Ref, offset, length int64) (io.ReadCloser, error) {
	apply, fault := f.fault("open", ref.Key)
	if fault != nil && !apply {
		return nil, fault
	}
	rc, err := f.Store.Open(ctx, ref, offset, length)
	if err != nil || fault == nil {
		return rc, err
	}
	info, err := f.Store.Stat(ctx, ref)
	if err != nil {
		return nil, errors.Join(err, rc.Close())
	}
	return &breaking{ReadCloser: rc, left: (info.Size - offset) / 2, err: fault}, nil
}

// breaking is a body that ends early, with an error.
type breaking struct {
	io.ReadCloser
	left int64
	err  error
}

func (b *breaking) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, b.err
	}
	n, err := b.ReadCloser.Read(p[:min(int64(len(p)), b.left)])
	b.left -= int64(n)
	return n, err
}

// Stat implements blob.Store.
func (f *FaultyStore) Stat(ctx context.Context, ref blob.Ref) (info blob.Info, err error) {
	err = f.run("stat", ref.Key, func() (err error) {
		info, err = f.Store.Stat(ctx, ref)
		return err
	})
	return info, err
}

// List implements blob.Store.
func (f *FaultyStore) List(ctx context.Context, prefix string, after blob.Key, limit int) (infos []blob.Info, err error) {
	err = f.run("list", blob.Key(prefix), func() (err error) {
		infos, err = f.Store.List(ctx, prefix, after, limit)
		return err
	})
	if err != nil {
		return nil, err
	}
	if f.modified != nil {
		for i := range infos {
			infos[i].Modified = f.modified(infos[i])
		}
	}
	return infos, nil
}

// Delete implements blob.Store.
func (f *FaultyStore) Delete(ctx context.Context, key blob.Key) error {
	return f.run("delete", key, func() error { return f.Store.Delete(ctx, key) })
}

// Retain implements blob.Store.
func (f *FaultyStore) Retain(ctx context.Context, ref blob.Ref, until time.Time) (stands time.Time, err error) {
	err = f.run("retain", ref.Key, func() (err error) {
		stands, err = f.Store.Retain(ctx, ref, until)
		return err
	})
	return stands, err
}

// Hold implements blob.Store.
func (f *FaultyStore) Hold(ctx context.Context, ref blob.Ref, on bool) error {
	return f.run("hold", ref.Key, func() error { return f.Store.Hold(ctx, ref, on) })
}
