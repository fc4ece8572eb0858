package evidence_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/evidence"
	"witnessmark/internal/evidence/evidencetest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// album is photos of random bytes that take no memory each: eight bytes of
// their own, then a stretch of one shared sheet.
type album struct {
	*evidencetest.Source
	sheet []byte
	sizes map[[32]byte][2]uint64 // digest to number and size
	order [][32]byte
}

func newAlbum(photos int) *album {
	a := &album{sheet: make([]byte, 4<<20), sizes: map[[32]byte][2]uint64{}}
	src := rand.NewChaCha8([32]byte{1})
	_, _ = src.Read(a.sheet) // never fails
	r := rand.New(src)
	for n := range photos {
		size := 1<<20 + r.Uint64N(3<<20)
		h := sha256.New()
		if _, err := io.Copy(h, a.reader(uint64(n), size)); err != nil {
			panic(err) // memory does not fail
		}
		d := [32]byte(h.Sum(nil))
		a.sizes[d] = [2]uint64{uint64(n), size}
		a.order = append(a.order, d)
	}
	return a
}

func (a *album) reader(n, size uint64) io.Reader {
	return io.MultiReader(bytes.NewReader(binary.BigEndian.AppendUint64(nil, n)), bytes.NewReader(a.sheet[:size-8]))
}

// Open gives a photo; what is no photo of the album is the source's.
func (a *album) Open(ctx context.Context, d [32]byte) (io.ReadCloser, int64, error) {
	if s, ok := a.sizes[d]; ok {
		return io.NopCloser(a.reader(s[0], s[1])), int64(s[1]), nil
	}
	return a.Source.Open(ctx, d)
}

// BenchmarkPackage asks how long a lead waits for a package of 500 photos of 1
// to 4 MB, and an auditor for its verification, against the least that any
// program must do: copy the bytes into a stored ZIP and hash them once.
func BenchmarkPackage(b *testing.B) {
	const photos = 500
	a := newAlbum(photos)
	j := evidencetest.New(b)
	c := j.Begin()
	for n, d := range a.order {
		at := []string{"A1-top", "A1-bottom", "A2-top", "A2-bottom"}[n%4]
		c.One.Big("connection:"+at+"/couple/photos", "mated", d, int64(a.sizes[d][1]))
	}
	j.EndUnfinished(c.Lead, "Only for its size.")
	m, src := j.Package()
	a.Source = src

	var total int64
	start := time.Now()
	z := zip.NewWriter(io.Discard)
	for n, d := range a.order {
		w, err := z.CreateHeader(&zip.FileHeader{Name: fmt.Sprintf("photos/%d.jpg", n), Method: zip.Store})
		if err != nil {
			b.Fatal(err)
		}
		k, err := io.Copy(io.MultiWriter(w, sha256.New()), a.reader(a.sizes[d][0], a.sizes[d][1]))
		if err != nil {
			b.Fatal(err)
		}
		total += k
	}
	if err := z.Close(); err != nil {
		b.Fatal(err)
	}
	floor := time.Since(start)
	path := filepath.Join(b.TempDir(), "package.zip")

	b.Run("write", func(b *testing.B) {
		b.ReportAllocs()
		b.SetBytes(total)
		for b.Loop() {
			if err := evidence.Write(context.Background(), io.Discard, m, a); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(floor), "x-floor")
	})
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	if err := evidence.Write(context.Background(), f, m, a); err != nil {
		b.Fatal(err)
	}
	st, err := f.Stat()
	if err != nil {
		b.Fatal(err)
	}
	b.Run("verify", func(b *testing.B) {
		b.ReportAllocs()
		b.SetBytes(total)
		for b.Loop() {
			r, err := evidence.Verify(context.Background(), f, st.Size(), evidence.Options{})
			if err != nil || r.Failure != nil {
				b.Fatal(err, r.Failure)
			}
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(floor), "x-floor")
	})
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkPrepare asks what the lines alone cost.
func BenchmarkPrepare(b *testing.B) {
	j := evidencetest.New(b)
	c := j.Begin()
	for range 1000 {
		c.One.Enter(&recordv1.Entry{Step: "line:A1/test/return-loss", Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{Typed: "21.5 dB", Value: 21.5, Unit: recordv1.Measure_DECIBELS}}})
	}
	j.EndUnfinished(c.Lead, "Only for its length.")
	m, src := j.Package()
	for b.Loop() {
		if _, err := evidence.Prepare(context.Background(), m, src); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(len(j.Lines)), "ns/line")
}
