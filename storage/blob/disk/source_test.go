package disk_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// The joined chunks read as the whole does, from any offset, at any length.
func TestSource(t *testing.T) {
	st := open(t)
	up := blob.Uploads{Store: st}
	data := []byte("one chunk, another chunk and a third")
	for _, at := range [][2]int{{0, 10}, {10, 11}, {11, len(data)}} {
		if err := up.PutChunk(t.Context(), "org-one", "up-one", int64(at[0]), data[at[0]:at[1]]); err != nil {
			t.Fatal(err)
		}
	}
	src, err := up.Source(t.Context(), "org-one", "up-one", blob.DigestOf(data))
	if err != nil {
		t.Fatal(err)
	}
	for off := range len(data) + 2 {
		for n := range len(data) + 2 {
			got := make([]byte, n)
			k, err := src.ReadAt(got, int64(off))
			want := data[min(off, len(data)):min(off+n, len(data))]
			if !bytes.Equal(got[:k], want) || (k < n) != errors.Is(err, io.EOF) || (k == n && err != nil) {
				t.Fatalf("ReadAt(%d bytes, %d) = %q, %v; want %q", n, off, got[:k], err, want)
			}
		}
	}
	if _, err := src.ReadAt(make([]byte, 1), -1); !errs.Is(err, "RANGE_INVALID") {
		t.Errorf("before the beginning: %v; want RANGE_INVALID", err)
	}
	for _, size := range []int{len(data) - 1, len(data) + 1} {
		if _, err := up.Source(t.Context(), "org-one", "up-one", blob.Digest{Size: int64(size)}); !errs.Is(err, "UPLOAD_INCOMPLETE") {
			t.Errorf("announced as %d bytes: %v; want UPLOAD_INCOMPLETE", size, err)
		}
	}
	key := blob.EvidenceKey("org-one", "photo", blob.DigestOf(data).Hex())
	if _, err := st.Put(t.Context(), key, src, blob.Digest{Size: int64(len(data))}); !errs.Is(err, "DIGEST_MISMATCH") {
		t.Errorf("put as other bytes: %v; want DIGEST_MISMATCH", err)
	}
	if _, err := st.Put(t.Context(), key, src, blob.DigestOf(data)); err != nil {
		t.Error(err)
	}
	if got := fmt.Sprint(blob.Check(t.Context(), st, blob.Ref{Key: key}, blob.DigestOf(data))); got != "<nil>" {
		t.Error(got)
	}
}
