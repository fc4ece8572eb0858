// Package blobtest holds every blob.Store to the contract: one suite, run word
// for word by each implementation.
package blobtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
)

// Run runs the suite. Open gives a fresh, empty store.
func Run(t *testing.T, open func(tb testing.TB) blob.Store) {
	for _, tc := range []struct {
		name string
		test func(t *testing.T, st blob.Store)
	}{
		{"what is put comes back", putAndOpen},
		{"the same bytes again are no error", putAgain},
		{"other bytes under a key are refused and nothing changes", putOther},
		{"bytes that are not the announced ones are not stored", putWrong},
		{"a source that fails midway stores nothing", putFailingSource},
		{"of many writers of one key exactly one wins", putConcurrently},
		{"ranges", ranges},
		{"what is not there", notThere},
		{"keys that are none", badKeys},
		{"the longest keys", longKeys},
		{"lists are whole, in order, and come in pages", lists},
		{"lists refuse a bad question", badLists},
		{"only what may go can be deleted", deletes},
		{"retention is kept, or refused in so many words", retention},
		{"a context that is over", endedContext},
		{"the probe tells the truth", probe},
		{"an upload by chunks", uploadByChunks},
		{"an upload whose chunks overlap or leave gaps", uploadWithGaps},
		{"an upload by two replicas at once", uploadTwice},
		{"uploads that nobody touched are swept", sweep},
		{"an upload under faults ends whole", uploadUnderFaults},
	} {
		t.Run(tc.name, func(t *testing.T) { tc.test(t, open(t)) })
	}
}

// sample returns n bytes that only this seed gives.
func sample(n int, seed uint64) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func evidenceKey(n int) blob.Key {
	return blob.EvidenceKey("org-one", "photo", fmt.Sprintf("%08x", n))
}

// put stores data, which must work.
func put(t *testing.T, st blob.Store, key blob.Key, data []byte) blob.Placed {
	t.Helper()
	placed, err := st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
	if err != nil {
		t.Fatalf("Put(%s, %d bytes): %v", key, len(data), err)
	}
	return placed
}

// read opens and reads a range.
func read(ctx context.Context, st blob.Store, ref blob.Ref, offset, length int64) (data []byte, err error) {
	rc, err := st.Open(ctx, ref, offset, length)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rc.Close()) }()
	return io.ReadAll(rc)
}

// holds fails the test unless exactly want is under the key.
func holds(t *testing.T, st blob.Store, ref blob.Ref, want []byte) {
	t.Helper()
	got, err := read(t.Context(), st, ref, 0, -1)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("Open(%s): got %d bytes %.16x…, %v; want %d bytes %.16x…", ref.Key, len(got), got, err, len(want), want)
	}
}

// wantReason fails the test unless err has this reason.
func wantReason(t *testing.T, what string, err error, reason string) {
	t.Helper()
	if !errs.Is(err, reason) {
		t.Errorf("%s: got %v; want reason %s", what, err, reason)
	}
}

// absent fails the test unless nothing is under the key.
func absent(t *testing.T, st blob.Store, key blob.Key) {
	t.Helper()
	_, err := st.Stat(t.Context(), blob.Ref{Key: key})
	wantReason(t, fmt.Sprintf("Stat(%s)", key), err, "BLOB_NOT_FOUND")
}

func putAndOpen(t *testing.T, st blob.Store) {
	for i, size := range []int{0, 1, 4095, 1 << 20, 5<<20 + 7} {
		data := sample(size, uint64(i))
		before := time.Now()
		placed := put(t, st, evidenceKey(i), data)
		if placed.Key != evidenceKey(i) || placed.Existed {
			t.Errorf("Put of %d new bytes: got %+v; want its key, not existed", size, placed)
		}
		holds(t, st, placed.Ref, data)
		holds(t, st, blob.Ref{Key: placed.Key}, data) // whatever is current
		info, err := st.Stat(t.Context(), placed.Ref)
		if err != nil {
			t.Fatalf("Stat(%s): %v", placed.Key, err)
		}
		if info.Ref != placed.Ref || info.Size != int64(size) || !info.RetainedUntil.IsZero() || info.Held {
			t.Errorf("Stat: got %+v; want %+v with %d bytes, not retained, not held", info, placed.Ref, size)
		}
		// A store may count whole seconds, and by its own clock.
		if d := info.Modified.Sub(before); d < -2*time.Second || d > time.Minute || info.Modified.Location() != time.UTC {
			t.Errorf("Stat: put at %v; got modified %v; want about that, in UTC", before.UTC(), info.Modified)
		}
		if err := blob.Check(t.Context(), st, placed.Ref, blob.DigestOf(data)); err != nil {
			t.Errorf("Check of the bytes that were put: %v", err)
		}
		other := blob.DigestOf(append(slices.Clone(data), 1))
		wantReason(t, "Check against another digest", blob.Check(t.Context(), st, placed.Ref, other), "BLOB_CORRUPT")
	}
}

func putAgain(t *testing.T, st blob.Store) {
	data := sample(100_000, 1)
	first := put(t, st, evidenceKey(1), data)
	second := put(t, st, evidenceKey(1), data)
	if want := (blob.Placed{Ref: first.Ref, Existed: true}); second != want {
		t.Errorf("the second Put: got %+v; want %+v", second, want)
	}
	holds(t, st, first.Ref, data)
}

func putOther(t *testing.T, st blob.Store) {
	data := sample(100_000, 1)
	placed := put(t, st, evidenceKey(1), data)
	for _, tc := range []struct {
		name string
		data []byte
	}{
		{"of the same length", sample(100_000, 2)},
		{"shorter", data[:99_999]},
		{"none", nil},
	} {
		_, err := st.Put(t.Context(), placed.Key, bytes.NewReader(tc.data), blob.DigestOf(tc.data))
		wantReason(t, "Put of other bytes, "+tc.name, err, "KEY_TAKEN")
	}
	holds(t, st, placed.Ref, data)
	holds(t, st, blob.Ref{Key: placed.Key}, data)
}

func putWrong(t *testing.T, st blob.Store) {
	data := sample(70_000, 1)
	right := blob.DigestOf(data)
	for i, tc := range []struct {
		name   string
		data   []byte
		want   blob.Digest
		reason string
	}{
		{"one bit turned", append([]byte{data[0] ^ 1}, data[1:]...), right, "DIGEST_MISMATCH"},
		{"cut short", data[:len(data)-1], right, "SIZE_MISMATCH"},
		{"nothing came", nil, right, "SIZE_MISMATCH"},
		{"one byte more", append(slices.Clone(data), 0), right, "SIZE_MISMATCH"},
		{"announced as empty", data, blob.DigestOf(nil), "SIZE_MISMATCH"},
		{"another digest", data, blob.Digest{Size: right.Size}, "DIGEST_MISMATCH"},
		{"a size below nothing", data, blob.Digest{Size: -1, SHA256: right.SHA256}, "SIZE_INVALID"},
		{"a size above the bound", data, blob.Digest{Size: blob.MaxSize + 1, SHA256: right.SHA256}, "SIZE_INVALID"},
	} {
		_, err := st.Put(t.Context(), evidenceKey(i), bytes.NewReader(tc.data), tc.want)
		wantReason(t, "Put, "+tc.name, err, tc.reason)
		absent(t, st, evidenceKey(i))
		// The place is still free for the right bytes.
		placed := put(t, st, evidenceKey(i), data)
		if placed.Existed {
			t.Errorf("Put after the refused one, %s: existed", tc.name)
		}
	}
}

// failing is a source whose second half cannot be read.
type failing struct {
	data []byte
	err  error
}

func (f failing) ReadAt(p []byte, off int64) (int, error) {
	half := f.data[:len(f.data)/2]
	if off >= int64(len(half)) {
		return 0, f.err
	}
	n := copy(p, half[off:])
	if n < len(p) {
		return n, f.err
	}
	return n, nil
}

func putFailingSource(t *testing.T, st blob.Store) {
	data := sample(600_000, 1)
	broken := errors.New("the disk of the spool is gone")
	_, err := st.Put(t.Context(), evidenceKey(1), failing{data, broken}, blob.DigestOf(data))
	if !errors.Is(err, broken) {
		t.Errorf("Put from a source that fails: got %v; want the source's own error", err)
	}
	absent(t, st, evidenceKey(1))
}

func putConcurrently(t *testing.T, st blob.Store) {
	const writers = 8
	var wg sync.WaitGroup
	var won [writers]bool
	for i := range writers {
		wg.Go(func() {
			data := sample(50_000, uint64(i))
			// A conflict between writers may ask to come again; then it is decided.
			for {
				placed, err := st.Put(t.Context(), evidenceKey(1), bytes.NewReader(data), blob.DigestOf(data))
				switch {
				case errs.KindOf(err) == errs.Unavailable:
					continue
				case err == nil && placed.Existed:
					t.Errorf("writer %d, whose bytes nobody else has: existed", i)
				case err == nil:
					won[i] = true
				case !errs.Is(err, "KEY_TAKEN"):
					t.Errorf("writer %d: got %v; want KEY_TAKEN", i, err)
				}
				return
			}
		})
	}
	wg.Wait()
	winner := slices.Index(won[:], true)
	if winner < 0 || slices.Contains(won[winner+1:], true) {
		t.Fatalf("who was told that he won: %v; want exactly one", won)
	}
	holds(t, st, blob.Ref{Key: evidenceKey(1)}, sample(50_000, uint64(winner)))
}

func ranges(t *testing.T, st blob.Store) {
	data := sample(10_000, 1)
	ref := put(t, st, evidenceKey(1), data).Ref
	empty := put(t, st, evidenceKey(2), nil).Ref
	for _, tc := range []struct {
		name           string
		ref            blob.Ref
		offset, length int64
		from, to       int // of data
		reason         string
	}{
		{"the whole", ref, 0, -1, 0, 10_000, ""},
		{"the first byte", ref, 0, 1, 0, 1, ""},
		{"the last byte", ref, 9_999, 1, 9_999, 10_000, ""},
		{"the middle", ref, 4_000, 2_000, 4_000, 6_000, ""},
		{"from the middle on", ref, 4_000, -1, 4_000, 10_000, ""},
		{"past the end is cut", ref, 9_000, 2_000, 9_000, 10_000, ""},
		{"far past the end is cut", ref, 9_000, math.MaxInt64, 9_000, 10_000, ""},
		{"nothing", ref, 5_000, 0, 0, 0, ""},
		{"from the very end", ref, 10_000, -1, 0, 0, ""},
		{"one byte from the very end", ref, 10_000, 1, 0, 0, ""},
		{"past the end", ref, 10_001, -1, 0, 0, "RANGE_INVALID"},
		{"one byte past the end", ref, 10_001, 1, 0, 0, "RANGE_INVALID"},
		{"nothing past the end", ref, 10_001, 0, 0, 0, "RANGE_INVALID"},
		{"farthest past the end", ref, math.MaxInt64, 1, 0, 0, "RANGE_INVALID"},
		{"before the beginning", ref, -1, 5, 0, 0, "RANGE_INVALID"},
		{"the whole of nothing", empty, 0, -1, 0, 0, ""},
		{"a byte of nothing", empty, 0, 1, 0, 0, ""},
		{"past nothing", empty, 1, 1, 0, 0, "RANGE_INVALID"},
	} {
		got, err := read(t.Context(), st, tc.ref, tc.offset, tc.length)
		if tc.reason != "" {
			wantReason(t, tc.name, err, tc.reason)
			continue
		}
		if err != nil || !bytes.Equal(got, data[tc.from:tc.to]) {
			t.Errorf("%s: Open(%d, %d) gave %d bytes, %v; want %d", tc.name, tc.offset, tc.length, len(got), err, tc.to-tc.from)
		}
	}
}

func notThere(t *testing.T, st blob.Store) {
	placed := put(t, st, evidenceKey(1), []byte("here"))
	for _, tc := range []struct {
		name string
		ref  blob.Ref
	}{
		{"another name", blob.Ref{Key: evidenceKey(2)}},
		{"another organisation", blob.Ref{Key: blob.EvidenceKey("org-two", "photo", "00000001")}},
		{"the beginning of a key", blob.Ref{Key: "org-one/photo/00"}},
		{"a longer key", blob.Ref{Key: placed.Key + "/more"}},
		{"a version that never was", blob.Ref{Key: placed.Key, Version: "no-such-version"}},
	} {
		_, err := st.Stat(t.Context(), tc.ref)
		wantReason(t, "Stat of "+tc.name, err, "BLOB_NOT_FOUND")
		for _, r := range [][2]int64{{0, -1}, {0, 0}, {3, 4}} {
			_, err = read(t.Context(), st, tc.ref, r[0], r[1])
			wantReason(t, fmt.Sprintf("Open of %s, range %v", tc.name, r), err, "BLOB_NOT_FOUND")
		}
		_, err = st.Retain(t.Context(), tc.ref, time.Now().Add(time.Hour))
		wantReason(t, "Retain of "+tc.name, err, "BLOB_NOT_FOUND")
		wantReason(t, "Hold of "+tc.name, st.Hold(t.Context(), tc.ref, true), "BLOB_NOT_FOUND")
	}
}

// BadKeys are keys that no store may take, each by what is wrong with it.
var BadKeys = map[string]blob.Key{
	"empty":                        "",
	"a slash alone":                "/",
	"one part":                     "org-one",
	"two parts":                    "org-one/photo",
	"absolute":                     "/org-one/photo/aa",
	"up and out":                   "org-one/photo/../../../etc/passwd",
	"up at the beginning":          "../org-one/photo/aa",
	"up inside":                    "org-one/photo/../org-two",
	"here":                         "org-one/./photo/aa",
	"an empty part":                "org-one//photo/aa",
	"a slash at the end":           "org-one/photo/aa/",
	"a backslash":                  `org-one\photo\aa`,
	"a NUL":                        "org-one/photo/aa\x00bb",
	"a line end":                   "org-one/photo/aa\nbb",
	"capitals":                     "org-one/photo/AA",
	"not ASCII":                    "org-one/photo/été",
	"not UTF-8":                    "org-one/photo/a\xff",
	"a blank":                      "org-one/photo/a b",
	"a percent escape":             "org-one/photo/%2e%2e",
	"a drive":                      "c:/photo/aa",
	"a part of one byte":           "org-one/photo/a",
	"a hidden file":                "org-one/photo/.aa",
	"an option":                    "org-one/photo/-rf",
	"the disk's own mark":          "org-one/=aa/aa",
	"a part too long":              "org-one/photo/" + blob.Key(strings.Repeat("a", blob.MaxSegment+1)),
	"huge":                         "org-one/" + blob.Key(strings.Repeat("aa/", 100_000)) + "aa",
	"just too long":                "org-one/" + blob.Key(strings.Repeat("aa/", 168)) + "a",
	"staging without an upload":    "staging/org-one/aa",
	"derived without a name":       "org-one/derived/aa",
	"derived in place of an owner": "derived/photo/aa",
}

func badKeys(t *testing.T, st blob.Store) {
	data := []byte("data")
	for name, key := range BadKeys {
		ref := blob.Ref{Key: key}
		_, err := st.Put(t.Context(), key, bytes.NewReader(data), blob.DigestOf(data))
		wantReason(t, "Put, "+name, err, "KEY_INVALID")
		_, err = read(t.Context(), st, ref, 0, -1)
		wantReason(t, "Open, "+name, err, "KEY_INVALID")
		_, err = st.Stat(t.Context(), ref)
		wantReason(t, "Stat, "+name, err, "KEY_INVALID")
		wantReason(t, "Delete, "+name, st.Delete(t.Context(), key), "KEY_INVALID")
		_, err = st.Retain(t.Context(), ref, time.Now().Add(time.Hour))
		wantReason(t, "Retain, "+name, err, "KEY_INVALID")
		wantReason(t, "Hold, "+name, st.Hold(t.Context(), ref, true), "KEY_INVALID")
		if key != "" {
			_, err = st.List(t.Context(), "org-one/", key, 1)
			wantReason(t, "List after, "+name, err, "KEY_INVALID")
		}
	}
}

func longKeys(t *testing.T, st blob.Store) {
	part := strings.Repeat("x", blob.MaxSegment)
	deep := blob.Key("org-one/" + strings.Repeat("aa/", 167) + "aaa") // MaxKeyLength in all
	if len(deep) != blob.MaxKeyLength {
		t.Fatalf("the deepest key has %d bytes; want %d", len(deep), blob.MaxKeyLength)
	}
	for i, key := range []blob.Key{blob.Key("org-one/" + part + "/" + part), deep} {
		data := sample(10, uint64(i))
		holds(t, st, put(t, st, key, data).Ref, data)
	}
}

func lists(t *testing.T, st blob.Store) {
	keys := []blob.Key{
		// The bytes around the slash: - and . come before it, digits and letters
		// after.
		"org-one/photo/ab-c", "org-one/photo/ab.c", "org-one/photo/ab/cd", "org-one/photo/ab/ce/ef",
		"org-one/photo/ab0", "org-one/photo/ab0-1", "org-one/photo/abc", "org-one/photo/ac", "org-one/photo/zz",
		"org-one/photo-small/ab", "org-one/photo.old/ab", "org-one/trace/ab",
		"org-one/derived/thumb/ab",
		"org-two/photo/ab",
		"staging/org-one/upload-1/0000000000000000", "staging/org-two/upload-1/0000000000000000",
	}
	slices.Reverse(keys)
	sizes := map[blob.Key]int64{}
	for i, k := range keys {
		put(t, st, k, sample(i, uint64(i)))
		sizes[k] = int64(i)
	}
	slices.Sort(keys)
	below := func(prefix string) (want []blob.Key) {
		for _, k := range keys {
			if strings.HasPrefix(string(k), prefix) {
				want = append(want, k)
			}
		}
		return want
	}
	for _, prefix := range []string{
		"org-one/", "org-one/photo/", "org-one/photo/ab/", "org-one/derived/", "org-two/", "org-three/",
		"staging/", "staging/org-one/", "staging/org-one/upload-1/", "org-one/photo/zz/",
	} {
		want := below(prefix)
		for _, limit := range []int{1, 2, 3, blob.MaxListPage} {
			var got []blob.Key
			var after blob.Key
			for {
				page, err := st.List(t.Context(), prefix, after, limit)
				if err != nil {
					t.Fatalf("List(%q, %q, %d): %v", prefix, after, limit, err)
				}
				for _, info := range page {
					got = append(got, info.Key)
					if sizes[info.Key] != info.Size {
						t.Errorf("List: %s has size %d; want %d", info.Key, info.Size, sizes[info.Key])
					}
					if time.Since(info.Modified).Abs() > time.Minute {
						t.Errorf("List: %s was put at %v; want about now", info.Key, info.Modified)
					}
				}
				if len(page) < limit {
					break
				}
				after = page[len(page)-1].Key
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("List(%q) in pages of %d (-want +got):\n%s", prefix, limit, d)
			}
		}
	}
	// After a key that is not there, or of elsewhere.
	for _, after := range []blob.Key{"org-one/photo/ab/cc", "org-one/photo/zzz", "org-nine/photo/ab", "org-two/photo/ab"} {
		var want []blob.Key
		for _, k := range below("org-one/photo/") {
			if k > after {
				want = append(want, k)
			}
		}
		page, err := st.List(t.Context(), "org-one/photo/", after, blob.MaxListPage)
		if err != nil {
			t.Errorf("List after %s: %v", after, err)
		}
		var got []blob.Key
		for _, info := range page {
			got = append(got, info.Key)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("List after %s (-want +got):\n%s", after, d)
		}
	}
}

func badLists(t *testing.T, st blob.Store) {
	for _, tc := range []struct {
		name   string
		prefix string
		limit  int
		reason string
	}{
		{"no prefix", "", 1, "PREFIX_INVALID"},
		{"everything", "/", 1, "PREFIX_INVALID"},
		{"half a part", "org-one/pho", 1, "PREFIX_INVALID"},
		{"up and out", "org-one/../", 1, "PREFIX_INVALID"},
		{"an empty part", "org-one//", 1, "PREFIX_INVALID"},
		{"a NUL", "org-one/\x00/", 1, "PREFIX_INVALID"},
		{"huge", strings.Repeat("aa/", 100_000), 1, "PREFIX_INVALID"},
		{"none", "org-one/", 0, "LIMIT_INVALID"},
		{"fewer than none", "org-one/", -1, "LIMIT_INVALID"},
		{"too many", "org-one/", blob.MaxListPage + 1, "LIMIT_INVALID"},
	} {
		_, err := st.List(t.Context(), tc.prefix, "", tc.limit)
		wantReason(t, "List, "+tc.name, err, tc.reason)
	}
}

func deletes(t *testing.T, st blob.Store) {
	chunk := blob.ChunkKey("org-one", "upload-1", 0)
	thumb := blob.DerivedKey("org-one", "thumb", "ab")
	longer := thumb + "cd"
	for _, k := range []blob.Key{chunk, thumb, longer, evidenceKey(1)} {
		put(t, st, k, []byte(k))
	}
	for _, k := range []blob.Key{chunk, thumb, chunk, blob.DerivedKey("org-none", "thumb", "ab")} {
		if err := st.Delete(t.Context(), k); err != nil {
			t.Errorf("Delete(%s): %v", k, err)
		}
		absent(t, st, k)
	}
	holds(t, st, blob.Ref{Key: longer}, []byte(longer))
	// The place is free again, for other bytes.
	if placed := put(t, st, chunk, []byte("other")); placed.Existed {
		t.Error("Put after Delete: existed")
	}
	for _, k := range []blob.Key{evidenceKey(1), "org-one/photo/derived/ab", "org-one/staging/ab"} {
		wantReason(t, "Delete of evidence", st.Delete(t.Context(), k), "BLOB_IS_EVIDENCE")
	}
	holds(t, st, blob.Ref{Key: evidenceKey(1)}, []byte(evidenceKey(1)))
}

func retention(t *testing.T, st blob.Store) {
	caps, err := st.Capabilities(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if caps.Where == "" {
		t.Error("Capabilities: the store does not say where it is")
	}
	ref := put(t, st, evidenceKey(1), []byte("evidence")).Ref
	until := time.Now().UTC().Add(time.Hour).Truncate(time.Second)
	if !caps.ObjectLock {
		_, err := st.Retain(t.Context(), ref, until)
		wantReason(t, "Retain where nothing is enforced", err, "RETENTION_NOT_ENFORCED")
		wantReason(t, "Hold where nothing is enforced", st.Hold(t.Context(), ref, true), "RETENTION_NOT_ENFORCED")
		return
	}
	stands := func(wantUntil time.Time, wantHeld bool) {
		t.Helper()
		info, err := st.Stat(t.Context(), ref)
		if err != nil || !info.RetainedUntil.Equal(wantUntil) || info.Held != wantHeld {
			t.Errorf("Stat: retained until %v, held %v, %v; want %v, %v", info.RetainedUntil, info.Held, err, wantUntil, wantHeld)
		}
	}
	for _, tc := range []struct {
		name        string
		until, want time.Time
	}{
		{"first", until, until},
		{"the same again", until, until},
		{"earlier changes nothing", until.Add(-time.Minute), until},
		{"longer", until.Add(time.Hour), until.Add(time.Hour)},
		{"a part of a second is rounded up", until.Add(2*time.Hour + time.Millisecond), until.Add(2*time.Hour + time.Second)},
	} {
		got, err := st.Retain(t.Context(), ref, tc.until)
		if err != nil || !got.Equal(tc.want) {
			t.Errorf("Retain, %s: got %v, %v; want %v", tc.name, got, err, tc.want)
		}
		stands(tc.want, false)
	}
	end := until.Add(2*time.Hour + time.Second)
	for _, on := range []bool{true, true, false, false} {
		if err := st.Hold(t.Context(), ref, on); err != nil {
			t.Errorf("Hold(%v): %v", on, err)
		}
		stands(end, on)
	}
	holds(t, st, ref, []byte("evidence"))
}

func endedContext(t *testing.T, st blob.Store) {
	put(t, st, evidenceKey(1), sample(1<<20, 1))
	ctx, cancel := context.WithCancel(t.Context())
	rc, err := st.Open(ctx, blob.Ref{Key: evidenceKey(1)}, 0, -1)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := io.Copy(io.Discard, rc); err == nil {
		// The bytes may have been on their way already: then they are whole.
		t.Log("the read was quicker than the end of its context")
	}
	if err := rc.Close(); err != nil {
		t.Errorf("Close after the context's end: %v", err)
	}
	data := sample(1<<20, 2)
	if _, err := st.Put(ctx, evidenceKey(2), bytes.NewReader(data), blob.DigestOf(data)); !errors.Is(err, context.Canceled) {
		t.Errorf("Put: got %v; want %v", err, context.Canceled)
	}
	absent(t, st, evidenceKey(2))
	if _, err := st.Open(ctx, blob.Ref{Key: evidenceKey(1)}, 0, -1); !errors.Is(err, context.Canceled) {
		t.Errorf("Open: got %v; want %v", err, context.Canceled)
	}
	if _, err := st.Stat(ctx, blob.Ref{Key: evidenceKey(1)}); !errors.Is(err, context.Canceled) {
		t.Errorf("Stat: got %v; want %v", err, context.Canceled)
	}
	if _, err := st.List(ctx, "org-one/", "", 1); !errors.Is(err, context.Canceled) {
		t.Errorf("List: got %v; want %v", err, context.Canceled)
	}
	if err := st.Delete(ctx, blob.ChunkKey("org-one", "upload-1", 0)); !errors.Is(err, context.Canceled) {
		t.Errorf("Delete: got %v; want %v", err, context.Canceled)
	}
}

func probe(t *testing.T, st blob.Store) {
	for range 2 { // a probe must not stand in the next one's way
		r, err := st.Probe(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if !r.Writable || r.Enforced != r.ObjectLock || len(r.Lines) < 2 {
			t.Errorf("Probe of a good store: got %+v; want writable, enforced exactly if it has object lock, and sentences", r)
		}
		for _, line := range r.Lines {
			if !strings.HasSuffix(line, ".") {
				t.Errorf("Probe: %q is no sentence", line)
			}
		}
	}
	left, err := st.List(t.Context(), "staging/", "", 10)
	if err != nil || len(left) != 0 {
		t.Errorf("after the probe staging holds %v, %v; want nothing", left, err)
	}
}
