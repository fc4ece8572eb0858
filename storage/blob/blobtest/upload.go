package blobtest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// received fails the test unless the upload has got this far.
func received(t *testing.T, u blob.Uploads, upload string, want int64) {
	t.Helper()
	if got, err := u.Received(t.Context(), "org-one", upload); err != nil || got != want {
		t.Errorf("Received(%s): got %d, %v; want %d", upload, got, err, want)
	}
}

func chunk(t *testing.T, u blob.Uploads, upload string, offset int64, data []byte) {
	t.Helper()
	if err := u.PutChunk(t.Context(), "org-one", upload, offset, data); err != nil {
		t.Errorf("PutChunk(%s, %d, %d bytes): %v", upload, offset, len(data), err)
	}
}

// assembled fails the test unless the upload gives exactly data.
func assembled(t *testing.T, u blob.Uploads, upload string, data []byte) {
	t.Helper()
	s, err := u.Assemble(t.Context(), "org-one", upload, blob.DigestOf(data), t.TempDir())
	if err != nil {
		t.Errorf("Assemble(%s): %v", upload, err)
		return
	}
	got, err := io.ReadAll(io.NewSectionReader(s, 0, s.Digest().Size))
	if err != nil || !bytes.Equal(got, data) {
		t.Errorf("Assemble(%s): got %d bytes, %v; want the %d that were sent", upload, len(got), err, len(data))
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func uploadByChunks(t *testing.T, st blob.Store) {
	u := blob.Uploads{Store: st}
	data := sample(2*blob.MaxChunk+300_001, 1)
	received(t, u, "upload-1", 0)
	for n := 0; n < len(data); {
		next := min(n+blob.MaxChunk, len(data))
		chunk(t, u, "upload-1", int64(n), data[n:next])
		n = next
		received(t, u, "upload-1", int64(n))
	}
	received(t, u, "upload-2", 0)
	assembled(t, u, "upload-1", data)

	_, err := u.Assemble(t.Context(), "org-one", "upload-1", blob.DigestOf(data[1:]), t.TempDir())
	wantReason(t, "Assemble of more bytes than announced", err, "UPLOAD_INCOMPLETE")
	_, err = u.Assemble(t.Context(), "org-one", "upload-2", blob.DigestOf(data), t.TempDir())
	wantReason(t, "Assemble of an upload that nobody began", err, "UPLOAD_INCOMPLETE")
	_, err = u.Assemble(t.Context(), "org-two", "upload-1", blob.DigestOf(data), t.TempDir())
	wantReason(t, "Assemble of another organisation's upload", err, "UPLOAD_INCOMPLETE")
	_, err = u.Assemble(t.Context(), "org-one", "upload-1", blob.Digest{Size: int64(len(data))}, t.TempDir())
	wantReason(t, "Assemble against another digest", err, "DIGEST_MISMATCH")

	for _, tc := range []struct {
		name   string
		upload string
		offset int64
		size   int
		reason string
	}{
		{"no bytes", "upload-1", 0, 0, "CHUNK_INVALID"},
		{"too many bytes", "upload-1", 0, blob.MaxChunk + 1, "CHUNK_INVALID"},
		{"before the beginning", "upload-1", -1, 1, "OFFSET_INVALID"},
		{"past every bound", "upload-1", blob.MaxSize + 1, 1, "OFFSET_INVALID"},
		{"out of its folder", "../org-two", 0, 1, "KEY_INVALID"},
	} {
		err := u.PutChunk(t.Context(), "org-one", tc.upload, tc.offset, make([]byte, tc.size))
		wantReason(t, "PutChunk, "+tc.name, err, tc.reason)
	}

	if err := u.Remove(t.Context(), "org-one", "upload-1"); err != nil {
		t.Errorf("Remove: %v", err)
	}
	received(t, u, "upload-1", 0)
	if err := u.Remove(t.Context(), "org-one", "upload-1"); err != nil {
		t.Errorf("Remove of nothing: %v", err)
	}
}

func uploadWithGaps(t *testing.T, st blob.Store) {
	u := blob.Uploads{Store: st}
	data := sample(300, 1)
	chunk(t, u, "upload-1", 100, data[100:200])
	received(t, u, "upload-1", 0)
	chunk(t, u, "upload-1", 0, data[:100])
	received(t, u, "upload-1", 200)
	// A client that forgot where it was sends over what is there.
	chunk(t, u, "upload-1", 150, data[150:250])
	received(t, u, "upload-1", 200)
	chunk(t, u, "upload-1", 200, data[200:])
	received(t, u, "upload-1", 300)
	assembled(t, u, "upload-1", data)
	// The first writer of an offset wins.
	err := u.PutChunk(t.Context(), "org-one", "upload-1", 100, data[:100])
	wantReason(t, "PutChunk of other bytes at an offset that is taken", err, "KEY_TAKEN")
	assembled(t, u, "upload-1", data)
}

func uploadTwice(t *testing.T, st blob.Store) {
	// Two replicas get the same chunks, cut at different places.
	u := blob.Uploads{Store: st}
	data := sample(40_000, 1)
	var wg sync.WaitGroup
	for _, size := range []int{4_000, 5_000} {
		wg.Go(func() {
			for n := 0; n < len(data); {
				next := min(n+size, len(data))
				err := u.PutChunk(t.Context(), "org-one", "upload-1", int64(n), data[n:next])
				switch {
				case err == nil || errs.Is(err, "KEY_TAKEN"):
					got, err := u.Received(t.Context(), "org-one", "upload-1")
					if err != nil || got <= int64(n) {
						t.Errorf("after a chunk at %d: received %d, %v; want more", n, got, err)
						return
					}
					n = int(got)
				case errs.KindOf(err) != errs.Unavailable:
					t.Errorf("PutChunk at %d: %v", n, err)
					return
				}
			}
		})
	}
	wg.Wait()
	assembled(t, u, "upload-1", data)
}

func sweep(t *testing.T, st blob.Store) {
	u := blob.Uploads{Store: st}
	chunk(t, u, "upload-1", 0, []byte("one"))
	chunk(t, u, "upload-1", 3, []byte("more"))
	chunk(t, u, "upload-2", 0, []byte("two"))
	put(t, st, evidenceKey(1), []byte("evidence"))
	if n, err := u.Sweep(t.Context(), time.Now().Add(-time.Minute)); n != 0 || err != nil {
		t.Errorf("Sweep of what is older than a minute: got %d, %v; want none", n, err)
	}
	received(t, u, "upload-1", 7)
	if n, err := u.Sweep(t.Context(), time.Now().Add(time.Minute)); n != 2 || err != nil {
		t.Errorf("Sweep of everything: got %d, %v; want 2 uploads", n, err)
	}
	received(t, u, "upload-1", 0)
	received(t, u, "upload-2", 0)
	holds(t, st, blob.Ref{Key: evidenceKey(1)}, []byte("evidence"))

	// One young chunk keeps the whole upload.
	aged := Faulty(st, nil)
	aged.modified = func(info blob.Info) time.Time {
		if info.Size == 3 {
			return time.Now().Add(-8 * 24 * time.Hour)
		}
		return info.Modified
	}
	u = blob.Uploads{Store: aged}
	chunk(t, u, "upload-1", 0, []byte("one"))
	chunk(t, u, "upload-1", 3, []byte("more"))
	chunk(t, u, "upload-2", 0, []byte("two"))
	if n, err := u.Sweep(t.Context(), time.Now().Add(-7*24*time.Hour)); n != 1 || err != nil {
		t.Errorf("Sweep of what is older than a week: got %d, %v; want upload-2 alone", n, err)
	}
	received(t, u, "upload-1", 7)
	received(t, u, "upload-2", 0)
}

// uploadUnderFaults sends a file while writes and reads fail, lost or landed,
// and sends again until it is through; what is stored at the end must be whole.
func uploadUnderFaults(t *testing.T, st blob.Store) {
	r := rand.New(rand.NewPCG(7, 7))
	broken := errors.New("the line is down")
	faults := 0
	u := blob.Uploads{Store: Faulty(st, func(string, blob.Key) (bool, error) {
		if r.IntN(3) != 0 {
			return true, nil
		}
		faults++
		return r.IntN(2) == 0, blob.Unavailable("BLOB_STORE_UNAVAILABLE", "answer", broken)
	})}
	data := sample(60_000, 1)
	again := func(what string, do func() error) {
		t.Helper()
		for range 1000 {
			err := do()
			if err == nil {
				return
			}
			if !errors.Is(err, broken) {
				t.Fatalf("%s: got %v; want nothing but the faults put in", what, err)
			}
		}
		t.Fatalf("%s: not through after 1000 tries", what)
	}
	var n int64
	for n < int64(len(data)) {
		again("PutChunk", func() error {
			return u.PutChunk(t.Context(), "org-one", "upload-1", n, data[n:min(n+7_000, int64(len(data)))])
		})
		again("Received", func() (err error) {
			n, err = u.Received(t.Context(), "org-one", "upload-1")
			return err
		})
	}
	var spool *blob.Spool
	again("Assemble", func() (err error) {
		spool, err = u.Assemble(t.Context(), "org-one", "upload-1", blob.DigestOf(data), t.TempDir())
		return err
	})
	var placed blob.Placed
	again("Put", func() (err error) {
		placed, err = u.Store.Put(t.Context(), evidenceKey(1), spool, spool.Digest())
		return err
	})
	if err := spool.Close(); err != nil {
		t.Error(err)
	}
	again("Remove", func() error { return u.Remove(t.Context(), "org-one", "upload-1") })
	if faults < 10 {
		t.Errorf("only %d faults were put in: the test proves nothing", faults)
	}
	holds(t, st, placed.Ref, data)
	left, err := st.List(context.WithoutCancel(t.Context()), "staging/", "", 10)
	if err != nil || len(left) != 0 {
		t.Errorf("staging holds %v, %v; want nothing", left, err)
	}
}
