package disk_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"witnessmark/storage/blob"
)

// How long does a photo of 4 MB take to be safe on disk, and how much of that is
// ours? The floor, in the same run and folder: copy, SHA-256, sync of the file.
func BenchmarkPut(b *testing.B) {
	const size = 4 << 20
	st := open(b)
	dir := b.TempDir()
	data := make([]byte, size)
	var ours, floor []time.Duration
	i := 0
	for b.Loop() {
		i++
		copy(data, fmt.Sprintf("photo %d", i)) // no two alike
		want := blob.DigestOf(data)

		put := func() error {
			_, err := st.Put(b.Context(), blob.EvidenceKey("org-one", "photo", want.Hex()), bytes.NewReader(data), want)
			return err
		}
		least := func() error { return copyHashSync(filepath.Join(dir, fmt.Sprint(i)), data) }
		// Whoever syncs second pays for the journal of both: take turns.
		if i%2 == 0 {
			ours = append(ours, timed(b, put))
			floor = append(floor, timed(b, least))
		} else {
			floor = append(floor, timed(b, least))
			ours = append(ours, timed(b, put))
		}
	}
	// Medians: a neighbour on the same disk makes single puts ten times longer.
	b.ReportMetric(median(ours).Seconds()*1e3, "ms/put")
	b.ReportMetric(median(floor).Seconds()*1e3, "ms/floor")
	b.ReportMetric(float64(median(ours))/float64(median(floor)), "x-floor")
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

func timed(b *testing.B, do func() error) time.Duration {
	b.Helper()
	begin := time.Now()
	if err := do(); err != nil {
		b.Fatal(err)
	}
	return time.Since(begin)
}

func copyHashSync(path string, data []byte) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	h := sha256.New()
	if _, err := io.Copy(io.MultiWriter(f, h), bytes.NewReader(data)); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return f.Close()
}

// How long does a page of a big organisation's photos take?
func BenchmarkList(b *testing.B) {
	const blobs, page = 5000, 100
	st := open(b)
	var middle blob.Key
	for i := range blobs {
		text := []byte(fmt.Sprint(i))
		key := blob.EvidenceKey("org-one", "photo", blob.DigestOf(text).Hex())
		if i == 0 {
			middle = key
		}
		if _, err := st.Put(b.Context(), key, bytes.NewReader(text), blob.DigestOf(text)); err != nil {
			b.Fatal(err)
		}
	}
	b.ResetTimer()
	for b.Loop() {
		got, err := st.List(b.Context(), "org-one/photo/", middle, page)
		if err != nil || len(got) != page {
			b.Fatalf("List: %d blobs, %v; want %d", len(got), err, page)
		}
	}
}
