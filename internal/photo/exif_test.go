package photo

import (
	"bytes"
	"encoding/binary"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/photo/testpicture"
)

var noon = time.Date(2026, 3, 14, 12, 0, 5, 0, time.UTC)

// Tags and their meaning: Exif 2.32 (CIPA DC-008-2019), sections 4.6.4 to 4.6.6.
func TestExif(t *testing.T) {
	base := small(testpicture.Options{Width: 160, Height: 120})
	full := testpicture.Exif{
		Taken: noon, Offset: "+02:00", SubSeconds: "05", Make: "Example Works", Model: "Example One", Software: "7.1 (build 12)",
		Orientation: 6, Positioned: true, Latitude: -33.856784, Longitude: 151.215297, AccuracyMeters: 4.5,
	}
	want := Exif{
		Present: true, Taken: time.Date(2026, 3, 14, 10, 0, 5, 50e6, time.UTC), OffsetKnown: true, Orientation: 6, Camera: true,
		Software: "7.1 (build 12)", Position: &Position{-33.856784, 151.215297, 4.5},
	}
	little := full
	little.LittleEndian = true
	for _, tc := range []struct {
		name  string
		bytes []byte
		want  Exif
	}{
		{"none", base, Exif{Orientation: 1}},
		{"all of it, big-endian", full.Insert(base), want},
		{"all of it, little-endian", little.Insert(base), want},
		{"in a PNG", insertPNG(t, full.TIFF()), want},
		{"in a WebP", riff(chunk("VP8X", []byte{8, 0, 0, 0, 63, 0, 0, 63, 0, 0}), losslessWebP(64, 64, nil)[12:], chunk("EXIF", full.TIFF())), want},
		{"in a HEIC", heifWithExif(full.TIFF()), func() Exif {
			w := want
			w.Taken = w.Taken.Truncate(time.Second) // its hundredths are not read
			return w
		}()},
		{"time without offset stays the number on the clock", testpicture.Exif{Taken: noon}.Insert(base),
			Exif{Present: true, Taken: noon, Orientation: 1}},
		{"an offset left blank is unknown", testpicture.Exif{Taken: noon, Offset: "      "}.Insert(base),
			Exif{Present: true, Taken: noon, Orientation: 1}},
		{"an offset of 30 hours is unknown", testpicture.Exif{Taken: noon, Offset: "+30:00"}.Insert(base),
			Exif{Present: true, Taken: noon, Orientation: 1}},
		{"a negative offset", testpicture.Exif{Taken: noon, Offset: "-05:30"}.Insert(base),
			Exif{Present: true, Taken: noon.Add(5*time.Hour + 30*time.Minute), OffsetKnown: true, Orientation: 1}},
		{"six digits of a second", testpicture.Exif{Taken: noon, SubSeconds: "123456"}.Insert(base),
			Exif{Present: true, Taken: noon.Add(123 * time.Millisecond), Orientation: 1}},
		{"letters for a second", testpicture.Exif{Taken: noon, SubSeconds: "x1"}.Insert(base),
			Exif{Present: true, Taken: noon, Orientation: 1}},
		{"an orientation of 9 is none", testpicture.Exif{Orientation: 9}.Insert(base), Exif{Present: true, Orientation: 1}},
		{"a receiver without a fix says 0, 0", testpicture.Exif{Positioned: true}.Insert(base), Exif{Present: true, Orientation: 1}},
		{"a latitude of 200 degrees is none", testpicture.Exif{Positioned: true, Latitude: 200, Longitude: 3}.Insert(base), Exif{Present: true, Orientation: 1}},
		{"changed two hours later", testpicture.Exif{Taken: noon, Changed: noon.Add(2 * time.Hour)}.Insert(base),
			Exif{Present: true, Taken: noon, Changed: noon.Add(2 * time.Hour), Orientation: 1, Edits: []string{EditTime}}},
		{"changed in the same second", testpicture.Exif{Taken: noon, Changed: noon}.Insert(base),
			Exif{Present: true, Taken: noon, Changed: noon, Orientation: 1}},
		{"the software is an editor", testpicture.Exif{Software: "Some Photo Editor 2"}.Insert(base),
			Exif{Present: true, Orientation: 1, Software: "Some Photo Editor 2", Edits: []string{EditSoftware}}},
		{"a history in the XMP packet", testpicture.Segment(base, 0xe1, []byte("http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta><xmpMM:History>saved")),
			Exif{Orientation: 1, Edits: []string{EditHistory}}},
		{"a generator in the XMP packet", testpicture.Segment(base, 0xe1, []byte("http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta>http://cv.iptc.org/newscodes/digitalsourcetype/trainedAlgorithmicMedia")),
			Exif{Orientation: 1, Edits: []string{EditGenerated}}},
		{"control characters in the software", testpicture.Exif{Software: "a\x1b[31mb\x07" + strings.Repeat("c", 300)}.Insert(base),
			Exif{Present: true, Orientation: 1, Software: "a[31mb" + strings.Repeat("c", 94)}},
		{"the time of no camera", testpicture.Segment(base, 0xe1, append([]byte("Exif\x00\x00"), bytes.ReplaceAll(
			testpicture.Exif{Taken: noon}.TIFF(), []byte("2026:03:14 12:00:05"), []byte("0000:00:00 00:00:00"))...)),
			Exif{Present: true, Orientation: 1}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, _, _ := readExif(tc.bytes, ReadHeader(tc.bytes))
			near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-6 })
			if d := cmp.Diff(tc.want, got, near); d != "" {
				t.Errorf("readExif: got other than wanted (−want +got):\n%s", d)
			}
		})
	}
}

func TestSizeOfHEIF(t *testing.T) {
	m := examine(t, heifWithExif(testpicture.Exif{Software: "x"}.TIFF()), Facts{}).Measurement
	if m.Header.Width != 4032 || m.Header.Height != 3024 {
		t.Errorf("%d × %d; want 4032 × 3024", m.Header.Width, m.Header.Height)
	}
}

func insertPNG(t *testing.T, tiff []byte) []byte {
	t.Helper()
	b := encodePNG(t, screen(64, 64))
	out := append(bytes.Clone(b[:33]), pngChunk("eXIf", tiff)...)
	return append(out, b[33:]...)
}

// Blocks that were broken on purpose: nothing wrong may come out as a fact, and
// the picture beside them is still examined.
func TestBrokenExif(t *testing.T) {
	base := small(testpicture.Options{Width: 160, Height: 120})
	good := testpicture.Exif{
		Taken: noon, Offset: "+01:00", Software: "x", Positioned: true, Latitude: 50, Longitude: 8, SubSeconds: "123456789",
	}.TIFF()
	self := bytes.Clone(good)
	// every pointer points to the first directory: a circle
	for i := 10; i+12 < len(self); i++ {
		if tag := binary.BigEndian.Uint16(self[i:]); tag == 0x8769 || tag == 0x8825 {
			binary.BigEndian.PutUint32(self[i+8:], 8)
		}
	}
	many := append([]byte("MM\x00*\x00\x00\x00\x08\xff\xff"), bytes.Repeat([]byte{1, 0x31, 0, 2, 0xff, 0xff, 0xff, 0xff, 0, 0, 0, 8}, 5000)...)
	for _, tc := range []struct {
		name string
		tiff []byte
	}{
		{"empty", nil},
		{"half a header", []byte("MM\x00")},
		{"another byte order", append([]byte("XX"), good[2:]...)},
		{"a first directory far outside", append([]byte("MM\x00*\xff\xff\xff\xf0"), good[8:]...)},
		{"directories in a circle", self},
		{"65,535 fields of 4 GiB each", many},
		{"cut in the middle", good[:len(good)/2]},
		{"zeros", make([]byte, 3000)},
		{"ones", bytes.Repeat([]byte{0xff}, 3000)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			e := examine(t, testpicture.Segment(base, 0xe1, append([]byte("Exif\x00\x00"), tc.tiff...)), Facts{})
			if e.Measurement.Outcome != Examined {
				t.Errorf("outcome %q; want %q", e.Measurement.Outcome, Examined)
			}
			if p := e.Measurement.Exif.Position; p != nil && !reflect.DeepEqual(*p, Position{50, 8, 0}) {
				t.Errorf("position %v out of a broken block", *p)
			}
		})
	}
}

// Boxes of a HEIF that lead back to themselves, or count to four thousand
// million: the reading ends. Without a bound it goes on until the test's time is
// up.
func TestEndlessBoxes(t *testing.T) {
	start := heif("heic")[:20]
	box := func(kind string, size uint64, body ...byte) []byte {
		out := append([]byte{0, 0, 0, 1}, kind...)
		return append(binary.BigEndian.AppendUint64(out, size), body...)
	}
	u32 := func(v uint32) []byte { return binary.BigEndian.AppendUint32(nil, v) }
	back := func(n uint64) uint64 { return -n }
	items := slices.Concat(u32(1<<24), u32(0xffffffff), box("infe", back(0)+1), make([]byte, 200))
	inner := append(append(u32(uint32(8+len(items))), "iinf"...), items...)
	for _, tc := range []struct {
		name string
		tail []byte
	}{
		{"the second box leads to the first", box("free", back(20), make([]byte, 100)...)},
		{"a box leads to a place before the file", box("free", back(4000), make([]byte, 100)...)},
		{"four thousand million items, each one byte on", append(append(u32(uint32(12+len(inner))), "meta\x00\x00\x00\x00"...), inner...)},
		{"a box inside leads back to its list", append(append(u32(400), "meta\x00\x00\x00\x00"...), box("free", back(0), make([]byte, 300)...)...)},
		{"a box inside leads back to itself", append(append(u32(400), "meta\x00\x00\x00\x00"...), box("free", back(12), make([]byte, 300)...)...)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			e := examine(t, append(bytes.Clone(start), tc.tail...), Facts{})
			if m := e.Measurement; m.Outcome != Kept || m.Exif.Present {
				t.Errorf("outcome %q, Exif %+v; want it kept and no Exif", m.Outcome, m.Exif)
			}
		})
	}
}
