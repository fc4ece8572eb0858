package photo

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/photo/testpicture"
)

func small(o testpicture.Options) []byte {
	if o.Width == 0 {
		o.Width, o.Height = 640, 480
	}
	return testpicture.JPEG(o)
}

func examine(t *testing.T, b []byte, facts Facts) Examination {
	t.Helper()
	e, err := Examine(context.Background(), b, facts, DefaultThresholds(facts.Subject))
	if err != nil {
		t.Fatalf("Examine(%d bytes): %v", len(b), err)
	}
	return e
}

func (e Examination) find(code Code) *Finding {
	for i := range e.Findings {
		if e.Findings[i].Code == code {
			return &e.Findings[i]
		}
	}
	return nil
}

func TestOutcomes(t *testing.T) {
	jpg := small(testpicture.Options{})
	gray := image.NewGray(image.Rect(0, 0, 700, 500))
	for i := range gray.Pix {
		gray.Pix[i] = byte(i * 7)
	}
	good := encodePNG(t, gray)
	badCRC := bytes.Clone(good)
	badCRC[bytes.Index(badCRC, []byte("IDAT"))+9] ^= 0x40
	animatedPNG := bytes.Clone(good[:33])
	animatedPNG = append(animatedPNG, pngChunk("acTL", []byte{0, 0, 0, 3, 0, 0, 0, 0})...)
	animatedPNG = append(animatedPNG, good[33:]...)
	lossy, err := os.ReadFile(filepath.Join("..", "..", "testdata", "pictures", "gradient.lossy.webp"))
	if err != nil {
		t.Fatal(err)
	}
	smallCanvas := riff(chunk("VP8X", []byte{0, 0, 0, 0, 9, 0, 0, 9, 0, 0}), losslessWebP(16383, 16383, nil)[12:])
	animatedWebP := riff(chunk("VP8X", []byte{2, 0, 0, 0, 9, 0, 0, 9, 0, 0}), chunk("ANIM", make([]byte, 6)),
		chunk("ANMF", make([]byte, 24)), chunk("ANMF", make([]byte, 24)))
	wrongSize := bytes.Clone(jpg)
	sof := bytes.Index(wrongSize, []byte{0xff, 0xc0})
	binary.BigEndian.PutUint16(wrongSize[sof+5:], 9000)
	giant := bytes.Clone(jpg)
	binary.BigEndian.PutUint16(giant[sof+5:], 65535)
	binary.BigEndian.PutUint16(giant[sof+7:], 65535)
	zero := bytes.Clone(jpg)
	binary.BigEndian.PutUint16(zero[sof+5:], 0)
	arithmetic := bytes.Clone(jpg)
	arithmetic[sof+1] = 0xc9
	deep := bytes.Clone(jpg)
	deep[sof+4] = 12
	noEnd := progressiveJPEG(640, 480, func(x, y int) int { return x + y }, 3)
	noEnd = noEnd[:len(noEnd)-2]
	bomb := progressiveJPEG(64, 48, func(int, int) int { return 128 }, 1)
	frame := bytes.Index(bomb, []byte{0xff, 0xc2})
	binary.BigEndian.PutUint16(bomb[frame+5:], 9000)
	binary.BigEndian.PutUint16(bomb[frame+7:], 7000)
	mean := func(x, y int) int { return 60 + (x*5+y*11)%130 }

	for _, tc := range []struct {
		name    string
		bytes   []byte
		outcome Outcome
		reason  string
	}{
		{"a sound JPEG", jpg, Examined, ""},
		{"a sound progressive JPEG", progressiveJPEG(640, 480, mean, 1), Examined, ""},
		{"a sound PNG", good, Examined, ""},
		{"a sound lossless WebP", losslessWebP(300, 200, func(x, y int) byte { return byte(x*3 + y) }), Examined, ""},
		{"a sound lossy WebP", lossy, Examined, ""},
		{"one pixel", encodePNG(t, image.NewGray(image.Rect(0, 0, 1, 1))), Examined, ""},
		{"one row", encodePNG(t, image.NewGray(image.Rect(0, 0, 3000, 1))), Examined, ""},
		{"one column", encodePNG(t, image.NewGray(image.Rect(0, 0, 1, 3000))), Examined, ""},
		{"a JPEG named otherwise still is one", jpg, Examined, ""},
		{"no bytes", nil, Unreadable, "photo.not_readable.empty"},
		{"text", []byte("this is no picture at all, only words"), Unreadable, "photo.not_readable.unknown"},
		{"a page", []byte("<!doctype html><script>x()</script>"), Unreadable, "photo.not_readable.unknown"},
		{"an archive before a picture", append([]byte("PK\x03\x04............"), jpg...), Unreadable, "photo.not_readable.unknown"},
		{"only a start marker", []byte{0xff, 0xd8, 0xff}, Unreadable, "photo.not_readable.cut"},
		{"a JPEG with no height", zero, Unreadable, "photo.not_readable.damaged"},
		{"a JPEG that claims more rows than it has", wrongSize, Unreadable, "photo.not_readable.damaged"},
		{"a JPEG that claims 4,295 megapixels", giant, Unreadable, "photo.over_bounds.pixels"},
		{"an arithmetic JPEG", arithmetic, Kept, "photo.not_examined.kind"},
		{"a twelve-bit JPEG", deep, Kept, "photo.not_examined.kind"},
		{"a progressive JPEG without its last scans", noEnd, Unreadable, "photo.not_readable.cut"},
		{"a PNG with a wrong checksum", badCRC, Unreadable, "photo.not_readable.damaged"},
		{"an animated PNG", animatedPNG, Examined, ""},
		{"a PNG header of 60,000 by 60,000 and nothing more", append(pngHead(60000, 60000, 8, 2), pngChunk("IEND", nil)...), Unreadable, "photo.over_bounds.pixels"},
		{"a PNG header of 4,000,000,000 by 4,000,000,000", append(pngHead(4e9, 4e9, 8, 2), pngChunk("IEND", nil)...), Unreadable, "photo.over_bounds.pixels"},
		{"a PNG of 20 megapixels", append(pngHead(5000, 4000, 8, 2), pngChunk("IEND", nil)...), Kept, "photo.not_examined.pixels"},
		{"a WebP bomb of 268 megapixels", losslessWebP(16383, 16383, nil), Unreadable, "photo.over_bounds.pixels"},
		{"a WebP bomb behind a small canvas", smallCanvas, Unreadable, "photo.over_bounds.pixels"},
		{"a WebP of one colour and 16 megapixels", losslessWebP(4000, 4000, nil), Examined, ""},
		{"an animated WebP", animatedWebP, Kept, "photo.not_examined.kind"},
		{"a progressive bomb of 63 megapixels", bomb, Kept, "photo.not_examined.pixels"},
		{"a progressive JPEG of 1,000 empty scans", progressiveJPEG(640, 480, mean, 1000), Kept, "photo.not_examined.scans"},
		{"a HEIC", heif("heic"), Kept, "photo.not_examined.heif"},
		{"a HEIC with its metadata", heifWithExif(testpicture.Exif{Software: "7.1"}.TIFF()), Kept, "photo.not_examined.heif"},
		{"an AVIF", heif("avif"), Kept, "photo.not_examined.heif"},
		{"a film", heif("isom"), Unreadable, "photo.not_readable.unknown"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			e := examine(t, tc.bytes, Facts{})
			if m := e.Measurement; m.Outcome != tc.outcome || m.Reason != tc.reason {
				t.Errorf("%d bytes: %q, %q %v; want %q, %q", len(tc.bytes), m.Outcome, m.Reason, m.Parameters, tc.outcome, tc.reason)
			}
			want := map[Outcome]int{Examined: 2}[tc.outcome]
			if len(e.Views) != want {
				t.Errorf("%d views; want %d", len(e.Views), want)
			}
			if (e.find(NotReadable) != nil || e.find(OverBounds) != nil) != (tc.outcome == Unreadable) || (e.find(NotExamined) != nil) != (tc.outcome == Kept) {
				t.Errorf("findings %v do not tell the outcome %q", e.Findings, tc.outcome)
			}
			for _, f := range e.Findings {
				if f.Text == "" || bytes.ContainsAny([]byte(f.Text), "{}") {
					t.Errorf("finding %s has the text %q", f.Code, f.Text)
				}
			}
		})
	}
}

// What a broken connection leaves: the first sixteenths of each kind.
func TestCutOff(t *testing.T) {
	gray := image.NewGray(image.Rect(0, 0, 640, 480))
	for i := range gray.Pix {
		gray.Pix[i] = byte(i*i>>5 ^ i)
	}
	for _, whole := range []struct {
		name  string
		bytes []byte
	}{
		{"JPEG", small(testpicture.Options{Exif: &testpicture.Exif{Software: "7.1", Orientation: 6}})},
		{"progressive JPEG", progressiveJPEG(1280, 960, func(x, y int) int { return (x*7 ^ y*13) & 255 }, 1)},
		{"PNG", encodePNG(t, gray)},
		{"WebP", losslessWebP(640, 480, func(x, y int) byte { return byte(x*y>>3 ^ x) })},
	} {
		for part := range 17 {
			t.Run(fmt.Sprintf("%s/%d of 16", whole.name, part), func(t *testing.T) {
				cut := whole.bytes[:len(whole.bytes)*part/16]
				e := examine(t, cut, Facts{})
				want := Unreadable
				if part == 16 {
					want = Examined
				}
				if e.Measurement.Outcome != want {
					t.Errorf("%d of %d bytes: %q; want %q", len(cut), len(whole.bytes), e.Measurement.Outcome, want)
				}
				if part > 0 && part < 16 && e.Measurement.Reason != "photo.not_readable.cut" {
					t.Errorf("%d of %d bytes: reason %q; want that the picture ends too early", len(cut), len(whole.bytes), e.Measurement.Reason)
				}
			})
		}
	}
}

func TestTrailingData(t *testing.T) {
	jpg := small(testpicture.Options{})
	png := encodePNG(t, image.NewGray(image.Rect(0, 0, 64, 64)))
	webp := losslessWebP(64, 64, nil)
	for _, tc := range []struct {
		name     string
		bytes    []byte
		kind     string
		severity Severity
	}{
		{"nothing", jpg, "", ""},
		{"zeros to the end of a block", append(bytes.Clone(jpg), make([]byte, 4096)...), "", ""},
		{"a second picture", append(bytes.Clone(jpg), jpg...), "picture", Info},
		{"a film", append(bytes.Clone(jpg), heif("isom")...), "film", Info},
		{"an archive", append(bytes.Clone(jpg), "PK\x03\x04and more"...), "archive", Exception},
		{"a page", append(bytes.Clone(png), " <HTML><script>"...), "page", Exception},
		{"a document", append(bytes.Clone(webp), "%PDF-1.7"...), "document", Exception},
		{"a program", append(bytes.Clone(png), "MZ\x90\x00"...), "program", Exception},
		{"something", append(bytes.Clone(webp), 1, 2, 3), "data", Info},
	} {
		t.Run(tc.name, func(t *testing.T) {
			e := examine(t, tc.bytes, Facts{})
			f := e.find(TrailingData)
			if tc.kind == "" {
				if f != nil {
					t.Errorf("finding %v; want none", f)
				}
				return
			}
			if f == nil || f.Parameters["kind"] != tc.kind || f.Severity != tc.severity || e.Measurement.Outcome != Examined {
				t.Errorf("finding %v, outcome %q; want kind %q, %s, and the picture examined", f, e.Measurement.Outcome, tc.kind, tc.severity)
			}
		})
	}
}

func TestSize(t *testing.T) {
	_, err := Examine(context.Background(), make([]byte, MaxBytes+1), Facts{}, DefaultThresholds(Other))
	if !errs.Is(err, "PHOTO_TOO_LARGE") || errs.KindOf(err) != errs.TooLarge {
		t.Errorf("one byte over the bound: %v; want PHOTO_TOO_LARGE", err)
	}
	e := examine(t, append(small(testpicture.Options{}), make([]byte, MaxBytes-2_000_000)...), Facts{})
	if e.Measurement.Outcome != Examined {
		t.Errorf("a picture padded to nearly the bound: %q; want it examined", e.Measurement.Outcome)
	}
}

// The context ends the work between stages and within the decoder.
func TestContext(t *testing.T) {
	b := small(testpicture.Options{})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Examine(ctx, b, Facts{}, DefaultThresholds(Other)); !errors.Is(err, context.Canceled) {
		t.Errorf("Examine with an ended context: %v; want %v", err, context.Canceled)
	}
	if _, err := Redact(ctx, b, []Region{{0, 0, 1, 1}}); !errors.Is(err, context.Canceled) {
		t.Errorf("Redact with an ended context: %v; want %v", err, context.Canceled)
	}
	for reads := range 12 {
		ctx := &endsAfter{Context: context.Background(), left: reads}
		_, err := Examine(ctx, b, Facts{}, DefaultThresholds(Other))
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Examine with a context that ends at its look number %d: %v; want %v", reads, err, context.DeadlineExceeded)
		}
	}
}

// endsAfter is a context whose time is up after it was asked left times.
type endsAfter struct {
	context.Context
	left int
}

func (c *endsAfter) Err() error {
	if c.left--; c.left < 0 {
		return context.DeadlineExceeded
	}
	return nil
}

// What the estimate promises holds: all memory taken during one examination,
// given back or not, stays under it.
func TestMemoryNeed(t *testing.T) {
	if testing.Short() {
		t.Skip("large pictures: not with -short")
	}
	colours := image.NewNRGBA64(image.Rect(0, 0, 2000, 1500))
	for _, tc := range []struct {
		name  string
		bytes []byte
	}{
		{"baseline JPEG", testpicture.JPEG(testpicture.Options{Width: 2400, Height: 1800})},
		{"progressive JPEG", progressiveJPEG(4000, 3000, func(x, y int) int { return (x*7 ^ y*13) & 255 }, 1)},
		{"grey PNG", encodePNG(t, image.NewGray(image.Rect(0, 0, 3000, 2000)))},
		{"PNG of sixteen bits with transparency", encodePNG(t, colours)},
		{"WebP", losslessWebP(3000, 2000, nil)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			need := ReadHeader(tc.bytes).MemoryNeed(len(tc.bytes))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			m, _, err := Measure(context.Background(), tc.bytes)
			runtime.ReadMemStats(&after)
			if err != nil || m.Outcome != Examined {
				t.Fatalf("Measure: %q, %v", m.Outcome, err)
			}
			taken := int64(after.TotalAlloc-before.TotalAlloc) + int64(len(tc.bytes))
			t.Logf("%s: %d × %d took %.1f MB, estimated %.1f MB", tc.name, m.Header.Width, m.Header.Height, float64(taken)/1e6, float64(need)/1e6)
			if taken > need {
				t.Errorf("took %d bytes; the estimate is %d", taken, need)
			}
		})
	}
}
