package bag

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/errs"
)

func file(path, content string) File { return memoryFile(path, []byte(content)) }

// tiny is a small valid bag: RFC 8493, digests computed independently.
var tiny = []File{file("data/reading.txt", "torque 25.0 N.m\n")}
var tinyInfo = []Field{{"Bagging-Date", "2026-01-15"}}

func pack(tb testing.TB, top string, files []File, info []Field) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := Write(&b, top, files, info); err != nil {
		tb.Fatal(err)
	}
	if got, err := Size(top, files, info); err != nil || got != int64(b.Len()) {
		tb.Errorf("Size of %d files = %d, %v; want %d, as written", len(files), got, err, b.Len())
	}
	return b.Bytes()
}

// raw packs files as they are, manifests and all, in our archive's form.
func raw(tb testing.TB, top string, files []File) []byte {
	tb.Helper()
	var b bytes.Buffer
	p := packer{w: newBuffer(&b)}
	for _, f := range files {
		if err := p.add(top, f, nil); err != nil {
			tb.Fatal(err)
		}
	}
	if err := p.finish(); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// firstProblem is the reason for which Open or Verify refuses b, or "".
func firstProblem(tb testing.TB, b []byte) string {
	tb.Helper()
	bag, err := Open(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return errs.ReasonOf(err)
	}
	problems, err := bag.Verify()
	if err != nil {
		tb.Fatalf("Verify: %v", err)
	}
	if len(problems) > 0 {
		return problems[0].Reason
	}
	return ""
}

func TestTinyBag(t *testing.T) {
	b := pack(t, "ridge-7", tiny, tinyInfo)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b))) // the independent reader
	if err != nil {
		t.Fatal(err)
	}
	want := []struct{ name, sha string }{
		{"ridge-7/bagit.txt", "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9"},
		{"ridge-7/bag-info.txt", "488287579c1f7b64ab8068ad828ce57a9dfd8698c8b9a00d97d1a08295fb9326"},
		{"ridge-7/manifest-sha256.txt", "feefd3fc763c50c8cf8671363d99ff9f40faa3db10f029a1354244c5c4605876"},
		{"ridge-7/tagmanifest-sha256.txt", "14f56469a218dce33227b20d24543e49bc85ab88c5b0222cbadba84ed3d3f7ad"},
		{"ridge-7/data/reading.txt", "f92d63fa8cb2453a0a4822f54d05390ddc7fa8aaac5ac02a8282a4c767a319ed"},
	}
	if len(z.File) != len(want) {
		t.Fatalf("%d files, want %d", len(z.File), len(want))
	}
	for i, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprintf("%x", sha256.Sum256(content)); f.Name != want[i].name || got != want[i].sha || f.Method != zip.Store {
			t.Errorf("file %d is %s, %s, method %d; want %s, %s, stored", i, f.Name, got, f.Method, want[i].name, want[i].sha)
		}
	}
	if got := firstProblem(t, b); got != "" {
		t.Errorf("the bag as written: %s", got)
	}
	again := pack(t, "ridge-7", tiny, tinyInfo)
	if !bytes.Equal(b, again) {
		t.Error("written twice, the bytes differ")
	}
	// Every byte counts.
	for i := range b {
		changed := bytes.Clone(b)
		changed[i] ^= 1
		if firstProblem(t, changed) == "" {
			t.Errorf("byte %d changed passes", i)
		}
	}
	for n := range len(b) {
		if firstProblem(t, b[:n]) == "" {
			t.Errorf("cut at %d passes", n)
		}
	}
}

func TestVerifyNamesWhatIsWrong(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(all []File) []File
		want   string
	}{
		{"payload byte changed", func(a []File) []File { a[4] = file(a[4].Path, "torque 26.0 N.m\n"); return a }, "FILE_CHANGED"},
		{"file added under data", func(a []File) []File { return append(a, file("data/z.txt", "z")) }, "FILE_UNLISTED"},
		{"payload missing", func(a []File) []File { return a[:4] }, "FILE_MISSING"},
		{"manifest missing", func(a []File) []File { return append(a[:2:2], a[3:]...) }, "FILE_MISSING"},
		{"declaration missing", func(a []File) []File { return a[1:] }, "FILE_MISSING"},
		{"Payload-Oxum 17.1", func(a []File) []File {
			a[1] = file(infoFile, "Bagging-Date: 2026-01-15\nPayload-Oxum: 17.1\n")
			a[3] = memoryFile(tagManifestFile, manifest([]File{a[1], a[0], a[2]}))
			return a
		}, "OXUM_WRONG"},
		{"byte-order mark in bagit.txt", func(a []File) []File {
			a[0] = file(declarationFile, "\ufeff"+declaration)
			a[3] = memoryFile(tagManifestFile, manifest([]File{a[1], a[0], a[2]}))
			return a
		}, "DECLARATION_WRONG"},
		{"tag file changed", func(a []File) []File { a[1] = file(infoFile, "Payload-Oxum: 16.1\n"); return a }, "FILE_CHANGED"},
		{"tag file unlisted", func(a []File) []File { return append(a, file("note.txt", "n")) }, "FILE_UNLISTED"},
		{"fetch.txt", func(a []File) []File { return append(a, file("fetch.txt", "x")) }, "FETCH_LISTED"},
		{"a manifest of another digest", func(a []File) []File { return append(a, file("manifest-md5.txt", "x")) }, "TAG_RESERVED"},
		{"manifest names a path outside", func(a []File) []File {
			a[2] = file(manifestFile, strings.Repeat("0", 64)+"  data/../../x\n")
			return a
		}, "MANIFEST_MALFORMED"},
		{"manifest names a file twice", func(a []File) []File {
			m := string(manifest(a[4:5]))
			a[2] = file(manifestFile, m+m)
			return a
		}, "MANIFEST_MALFORMED"},
		{"manifest without last line feed", func(a []File) []File {
			a[2] = file(manifestFile, strings.TrimSuffix(string(manifest(a[4:5])), "\n"))
			return a
		}, "MANIFEST_MALFORMED"},
		{"tag manifest in another order", func(a []File) []File {
			a[3] = memoryFile(tagManifestFile, manifest([]File{a[0], a[1], a[2]}))
			return a
		}, "ARCHIVE_DIFFERS"},
		{"archive in another order", func(a []File) []File { a[0], a[1] = a[1], a[0]; return a }, "ARCHIVE_DIFFERS"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			all, err := plan("ridge-7", tiny, tinyInfo)
			if err != nil {
				t.Fatal(err)
			}
			if got := firstProblem(t, raw(t, "ridge-7", tc.change(all))); got != tc.want {
				t.Errorf("first problem %q, want %q", got, tc.want)
			}
		})
	}
}

func TestOpenRefusesHostileArchives(t *testing.T) {
	good := pack(t, "t", tiny, tinyInfo)
	other := func(method uint16, names ...string) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for _, n := range names {
			w, err := z.CreateHeader(&zip.FileHeader{Name: n, Method: method})
			if err != nil {
				t.Fatal(err)
			}
			if !strings.HasSuffix(n, "/") {
				if _, err := io.WriteString(w, strings.Repeat("x", 5000)); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	overlap := func() []byte {
		a := entry{name: "t/a", size: 3}
		c := entry{name: "t/b", size: 3}
		b := append(a.appendLocal(nil), "xyz"...)
		start := len(b)
		b = c.appendDirectory(a.appendDirectory(b))
		return appendEnd(b, 2, int64(start), int64(len(b)-start))
	}
	for _, tc := range []struct {
		name string
		in   []byte
		want string
	}{
		{"nothing", nil, "ARCHIVE_MALFORMED"},
		{"a byte after it", append(bytes.Clone(good), 0), "ARCHIVE_MALFORMED"},
		{"a byte before it", append([]byte{0}, good...), "ARCHIVE_MALFORMED"},
		{"compressed", other(zip.Deflate, "t/a"), "ARCHIVE_COMPRESSED"},
		{"stored by another program", other(zip.Store, "t/a"), "ARCHIVE_DIFFERS"},
		{"climbs out", raw(t, "t", []File{file("../../etc/x", "x")}), "ARCHIVE_NAME"},
		{"absolute", raw(t, "", []File{file("etc/x", "x")}), "ARCHIVE_NAME"},
		{"a backslash", raw(t, "t", []File{file(`a\b`, "x")}), "ARCHIVE_NAME"},
		{"a folder entry", other(zip.Store, "t/"), "ARCHIVE_NAME"},
		{"a name twice", raw(t, "t", []File{file("a", "x"), file("a", "y")}), "ARCHIVE_NAME_TWICE"},
		{"names equal but for capitals", raw(t, "t", []File{file("data/A", "x"), file("data/a", "y")}), "ARCHIVE_NAME_TWICE"},
		{"a file that is also a folder", raw(t, "t", []File{file("data/a", "x"), file("data/a/b", "y")}), "ARCHIVE_NAME_TWICE"},
		{"entries that overlap", overlap(), "ARCHIVE_OVERLAP"},
		{"a count over the bound", appendEnd(nil, MaxFiles+1, 0, 0), "ARCHIVE_TOO_LARGE"},
		{"sizes that overflow", appendEnd(nil, 1, 1<<62, 1<<62), "ARCHIVE_TOO_LARGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := firstProblem(t, tc.in); got != tc.want {
				t.Errorf("refused as %q, want %q", got, tc.want)
			}
		})
	}
}

func TestWriteRefuses(t *testing.T) {
	wrong := file("data/a", "abc")
	wrong.SHA256[0] ^= 1
	short := file("data/a", "abc")
	short.Size = 4
	long := file("data/a", "abc")
	long.Size = 2
	broken := errors.New("the disk is gone")
	gone := file("data/a", "abc")
	gone.Open = func() (io.ReadCloser, error) { return nil, broken }
	for _, tc := range []struct {
		name  string
		top   string
		files []File
		info  []Field
		want  string
	}{
		{"another digest", "t", []File{wrong}, nil, "BAG_FILE_DIGEST"},
		{"a file too short", "t", []File{short}, nil, "BAG_FILE_SIZE"},
		{"a file too long", "t", []File{long}, nil, "BAG_FILE_SIZE"},
		{"a negative size", "t", []File{{Path: "data/a", Size: -1}}, nil, "BAG_SIZE"},
		{"climbs out", "t", []File{file("data/../x", "")}, nil, "BAG_PATH"},
		{"a file of the bag itself", "t", []File{file("bagit.txt", "")}, nil, "BAG_PATH"},
		{"twice", "t", []File{file("data/a", ""), file("data/A", "")}, nil, "BAG_PATH_TWICE"},
		{"a top folder of two parts", "a/b", nil, nil, "BAG_PATH"},
		{"an info field over two lines", "t", nil, []Field{{"A", "b\nc"}}, "BAG_INFO"},
		{"Payload-Oxum given", "t", nil, []Field{{"payload-oxum", "1.1"}}, "BAG_INFO"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := Write(io.Discard, tc.top, tc.files, tc.info); !errs.Is(err, tc.want) {
				t.Errorf("Write = %v, want %s", err, tc.want)
			}
		})
	}
	if err := Write(io.Discard, "t", []File{gone}, nil); !errors.Is(err, broken) {
		t.Errorf("Write of a file that does not open = %v, want its error", err)
	}
}

func TestLargeAndOddFilesSurvive(t *testing.T) {
	large := strings.Repeat("0123456789abcdef", (buffered+4096)/16) // over the buffer: read twice
	files := []File{file("manifest.note", "note"), file("data/100%\r\n.txt", "odd"), file("data/empty", ""), file("data/large", large)}
	b := pack(t, "t", files, nil)
	slices.Reverse(files)
	if !bytes.Equal(b, pack(t, "t", files, nil)) {
		t.Error("the order of the files changes the bytes")
	}
	if got := firstProblem(t, b); got != "" {
		t.Errorf("first problem %q", got)
	}
	bag, err := Open(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := bag.ReadFile("data/100%\r\n.txt", 10); err != nil || string(got) != "odd" {
		t.Errorf("ReadFile = %q, %v", got, err)
	}
	m, err := bag.ReadFile(manifestFile, 1000)
	if err != nil || !strings.Contains(string(m), "  data/100%25%0D%0A.txt\n") {
		t.Errorf("manifest = %s, %v", m, err)
	}
}

func TestManyFilesNeedZIP64(t *testing.T) {
	var files []File
	for i := range 66_000 {
		files = append(files, file(fmt.Sprintf("data/%05d", i), ""))
	}
	b := pack(t, "t", files, nil)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil || len(z.File) != 66_004 {
		t.Fatalf("the standard reader: %v", err)
	}
	if got := firstProblem(t, b); got != "" {
		t.Errorf("first problem %q", got)
	}
}

// hole is an archive whose first file is all zeros and is not held in memory.
type hole struct {
	head, tail []byte
	zeros      int64
}

func (h hole) size() int64 { return int64(len(h.head)) + h.zeros + int64(len(h.tail)) }

func (h hole) ReadAt(b []byte, at int64) (int, error) {
	for i := range b {
		switch n := at + int64(i); {
		case n < int64(len(h.head)):
			b[i] = h.head[n]
		case n < int64(len(h.head))+h.zeros:
			b[i] = 0
		case n < h.size():
			b[i] = h.tail[n-int64(len(h.head))-h.zeros]
		default:
			return i, io.EOF
		}
	}
	return len(b), nil
}

// TestSizeBeyondFourGiB compares with the sizes of APPNOTE 6.3.10, 4.3.7, 4.3.12,
// 4.3.14 to 4.3.16 and 4.5.3, added up by hand: a field of 4+16 bytes in a local
// header whose sizes do not fit, one of 4+8·n bytes in the directory for n numbers
// that do not fit, and the ZIP64 end record and locator where the directory's
// place does not fit.
func TestSizeBeyondFourGiB(t *testing.T) {
	never := func() (io.ReadCloser, error) { t.Error("a file was opened"); return nil, io.EOF }
	const end64 = 56 + 20
	base, err := Size("t", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	line := int64(64 + 2 + len("data/a") + 1) // of the manifest
	plain := int64(30 + 46 + 2*len("t/data/a"))
	for _, c := range []struct {
		size1, size2 int64
		extra        int64 // by ZIP64
	}{
		{1 << 20, 1 << 20, 0},
		{1<<32 - 2, 1, 4 + 8 + end64},        // the second file's place, and the directory's
		{1<<32 - 1, 1, 20 + 20 + 12 + end64}, // the first file's sizes too
		{5 << 30, 6 << 30, 20 + 20 + 20 + 28 + end64},
	} {
		got, err := Size("t", []File{{Path: "data/a", Size: c.size1, Open: never}, {Path: "data/b", Size: c.size2, Open: never}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		// The bag's own text grows with the payload's numbers: Payload-Oxum and Bag-Size.
		texts := int64(0)
		for _, f := range []struct {
			files []File
			sign  int64
		}{{[]File{{Path: "data/a", Size: c.size1}, {Path: "data/b", Size: c.size2}}, 1}, {nil, -1}} {
			b, err := Info(f.files, nil)
			if err != nil {
				t.Fatal(err)
			}
			texts += f.sign * int64(len(b))
		}
		want := base + texts + 2*line + 2*plain + c.size1 + c.size2 + c.extra
		if got != want {
			t.Errorf("Size of %d and %d bytes = %d; want %d", c.size1, c.size2, got, want)
		}
	}
	if _, err := Size("t", []File{{Path: "data/a", Size: 1 << 61}, {Path: "data/b", Size: 1 << 61}}, nil); err == nil {
		t.Error("Size of 2^62 bytes: no error; want BAG_SIZE")
	}
}

func TestFilesBeyondFourGiBNeedZIP64(t *testing.T) {
	for _, size := range []int64{1<<32 - 2, 1<<32 - 1, 5 << 30} {
		a := entry{name: "t/a", size: size}
		h := hole{head: a.appendLocal(nil), zeros: size}
		c := entry{name: "t/b", size: 3, crc: 0xeb8eba67, offset: a.end()} // CRC-32 of xyz
		h.tail = append(c.appendLocal(nil), "xyz"...)
		directory := c.appendDirectory(a.appendDirectory(nil))
		h.tail = appendEnd(append(h.tail, directory...), 2, c.end(), int64(len(directory)))
		z, err := zip.NewReader(h, h.size())
		if err != nil || len(z.File) != 2 || int64(z.File[0].UncompressedSize64) != size {
			t.Fatalf("size %d: the standard reader says %v", size, err)
		}
		r, err := z.File[1].Open()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := io.ReadAll(r); err != nil || string(got) != "xyz" {
			t.Errorf("size %d: the file behind it reads as %q, %v", size, got, err)
		}
		bag, err := Open(h, h.size())
		if err != nil {
			t.Fatalf("size %d: Open = %v", size, err)
		}
		if got, err := bag.ReadFile("b", 3); err != nil || string(got) != "xyz" {
			t.Errorf("size %d: ReadFile = %q, %v", size, got, err)
		}
	}
}

func FuzzOpen(f *testing.F) {
	f.Add(pack(f, "t", tiny, tinyInfo))
	f.Fuzz(func(t *testing.T, b []byte) {
		bag, err := Open(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			if errs.KindOf(err) != errs.Corrupt {
				t.Errorf("Open = %v: unclassified", err)
			}
			return
		}
		if _, err := bag.Verify(); err != nil {
			t.Errorf("Verify of bytes in memory = %v", err)
		}
	})
}

// BenchmarkPack packs 8 photos of 4 MiB, beside copying and hashing the same
// bytes in the same run: what a bag costs is the ratio of the two.
func BenchmarkPack(b *testing.B) {
	photo := bytes.Repeat([]byte{0xff, 0xd8, 1, 7}, 1<<20)
	var files []File
	for i := range 8 {
		files = append(files, memoryFile(fmt.Sprintf("data/photos/%d.jpg", i), photo))
	}
	b.SetBytes(int64(8 * len(photo)))
	for _, plain := range []bool{true, false} {
		b.Run(map[bool]string{true: "copy and sha256", false: "bag"}[plain], func(b *testing.B) {
			b.SetBytes(int64(8 * len(photo)))
			for b.Loop() {
				if !plain {
					if err := Write(io.Discard, "t", files, nil); err != nil {
						b.Fatal(err)
					}
					continue
				}
				for range files {
					if _, err := io.Copy(io.MultiWriter(io.Discard, sha256.New()), bytes.NewReader(photo)); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}
