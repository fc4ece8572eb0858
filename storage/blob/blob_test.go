package blob_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
	"testing"
	"testing/iotest"

	"witnessmark/internal/errs"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/blobtest"
)

func TestKeys(t *testing.T) {
	for _, tc := range []struct {
		key       blob.Key
		deletable bool
		staging   bool
	}{
		{blob.EvidenceKey("org-one", "photo", blob.DigestOf(nil).Hex()), false, false},
		{blob.DerivedKey("org-one", "thumb", "ab"), true, false},
		{blob.ChunkKey("org-one", "01890a5d-ac96-774b-bcce-b302099a8057", 0), true, true},
		{"org-one/photo/derived", false, false},
		{"staging-old/photo/ab", false, false},
	} {
		if err := tc.key.Check(); err != nil {
			t.Errorf("Check(%s): %v", tc.key, err)
		}
		if got := tc.key.Deletable(); got != tc.deletable {
			t.Errorf("Deletable(%s): got %v; want %v", tc.key, got, tc.deletable)
		}
		if got := tc.key.Staging(); got != tc.staging {
			t.Errorf("Staging(%s): got %v; want %v", tc.key, got, tc.staging)
		}
	}
	for name, key := range blobtest.BadKeys {
		if err := key.Check(); !errs.Is(err, "KEY_INVALID") {
			t.Errorf("%s: got %v; want KEY_INVALID", name, err)
		}
	}
	// Chunks sort as their offsets do.
	if a, b := blob.ChunkKey("org-one", "up", 9), blob.ChunkKey("org-one", "up", blob.MaxSize); a >= b {
		t.Errorf("%s does not sort before %s", a, b)
	}
}

// A key that passes is its own cleaned path, inside of the folder, and one file
// name at each level that every file system takes.
func FuzzKey(f *testing.F) {
	for _, key := range blobtest.BadKeys {
		f.Add(string(key))
	}
	f.Add("org-one/photo/ab")
	f.Fuzz(func(t *testing.T, s string) {
		key := blob.Key(s)
		if key.Check() != nil {
			return
		}
		if path.Clean("/"+s) != "/"+s || strings.ContainsAny(s, "\\\x00:=%") || strings.ToLower(s) != s || len(s) > blob.MaxKeyLength {
			t.Errorf("%q passes", s)
		}
		if key.Deletable() && !strings.HasPrefix(s, "staging/") && !strings.Contains(s, "/derived/") {
			t.Errorf("%q may be deleted", s)
		}
	})
}

func TestSpool(t *testing.T) {
	data := bytes.Repeat([]byte("spool"), 100_000)
	broken := errors.New("the phone has gone")
	for _, tc := range []struct {
		name   string
		source io.Reader
		limit  int64
		want   error
		reason string
	}{
		{"all of it", bytes.NewReader(data), int64(len(data)), nil, ""},
		{"byte by byte", iotest.OneByteReader(bytes.NewReader(data[:1000])), 1000, nil, ""},
		{"with room", bytes.NewReader(data), 1 << 30, nil, ""},
		{"nothing", bytes.NewReader(nil), 0, nil, ""},
		{"one byte too many", bytes.NewReader(data), int64(len(data)) - 1, nil, "BLOB_TOO_LARGE"},
		{"a source that fails", io.MultiReader(bytes.NewReader(data), iotest.ErrReader(broken)), 1 << 30, broken, ""},
		{"a source that fails at the limit", io.MultiReader(bytes.NewReader(data), iotest.ErrReader(broken)), int64(len(data)), broken, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			var copied bytes.Buffer
			s, err := blob.NewSpool(io.TeeReader(tc.source, &copied), tc.limit, dir)
			if tc.want != nil || tc.reason != "" {
				if tc.want != nil && !errors.Is(err, tc.want) || tc.reason != "" && !errs.Is(err, tc.reason) {
					t.Errorf("got %v; want %v%s", err, tc.want, tc.reason)
				}
			} else if err != nil {
				t.Fatal(err)
			} else {
				if want := blob.DigestOf(copied.Bytes()); s.Digest() != want {
					t.Errorf("digest: got %v; want %v", s.Digest(), want)
				}
				got, err := io.ReadAll(io.NewSectionReader(s, 0, s.Digest().Size))
				if err != nil || !bytes.Equal(got, copied.Bytes()) {
					t.Errorf("read back %d bytes, %v; want %d", len(got), err, copied.Len())
				}
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			}
			left, err := os.ReadDir(dir)
			if err != nil || len(left) != 0 {
				t.Errorf("left in the folder: %v, %v; want nothing", left, err)
			}
		})
	}
}

func TestVerifying(t *testing.T) {
	data := []byte("the photo of the joint")
	for _, tc := range []struct {
		name string
		got  []byte
		bad  bool
	}{
		{"the same", data, false},
		{"one bit turned", append([]byte{data[0] ^ 1}, data[1:]...), true},
		{"cut short", data[:5], true},
		{"longer", append(bytes.Clone(data), 0), true},
		{"nothing", nil, true},
	} {
		for _, r := range []io.Reader{bytes.NewReader(tc.got), iotest.OneByteReader(bytes.NewReader(tc.got)), iotest.DataErrReader(bytes.NewReader(tc.got))} {
			_, err := io.Copy(io.Discard, blob.Verifying(io.NopCloser(r), blob.DigestOf(data)))
			if got := errs.Is(err, "BLOB_CORRUPT"); got != tc.bad || !got && err != nil {
				t.Errorf("%s, by %T: got %v; want corrupt: %v", tc.name, r, err, tc.bad)
			}
		}
	}
}

func TestErrorsNameTheBound(t *testing.T) {
	err := blob.CheckPut("org-one/photo/ab", blob.Digest{Size: blob.MaxSize + 1})
	if want := fmt.Sprint(int64(blob.MaxSize)); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v; want the bound %s named", err, want)
	}
	_, err = blob.CheckRange(11, 1, 10)
	if err == nil || !strings.Contains(err.Error(), "11") || !strings.Contains(err.Error(), "10 bytes") {
		t.Errorf("got %v; want offset and size named", err)
	}
}
