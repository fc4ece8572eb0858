package photo

import (
	"bytes"
	"context"
	"image"
	"slices"
	"testing"

	"witnessmark/internal/photo/testpicture"
)

// FuzzMeasure throws damaged pictures at the readers and decoders, without the
// guard that catches panics in use: none may panic, and whatever is decoded stays
// within the bounds that the header was checked for.
func FuzzMeasure(f *testing.F) {
	tiny := testpicture.Options{Width: 64, Height: 48}
	tiny.Exif = &testpicture.Exif{Taken: noon, Offset: "+01:00", SubSeconds: "12", Software: "x", Positioned: true, Latitude: 1, Longitude: 2, Orientation: 5}
	seeds := [][]byte{
		testpicture.JPEG(tiny),
		progressiveJPEG(40, 24, func(x, y int) int { return x*9 + y }, 2),
		losslessWebP(33, 21, func(x, y int) byte { return byte(x * y) }),
		riff(chunk("VP8X", []byte{8, 0, 0, 0, 9, 0, 0, 9, 0, 0}), losslessWebP(10, 10, nil)[12:], chunk("EXIF", tiny.Exif.TIFF())),
		heif("heic"),
		heifWithExif(tiny.Exif.TIFF()),
		pngHead(60000, 60000, 16, 6),
		{},
	}
	var png bytes.Buffer
	if err := encodeInto(&png, image.NewGray16(image.Rect(0, 0, 20, 10))); err != nil {
		f.Fatal(err)
	}
	for _, s := range append(seeds, png.Bytes()) {
		f.Add(s)
	}
	ctx := context.Background()
	f.Fuzz(func(t *testing.T, b []byte) {
		h := ReadHeader(b)
		if h.Width < 0 || h.Height < 0 || h.TrailingBytes < 0 || h.TrailingBytes > len(b) || h.MemoryNeed(len(b)) < 0 {
			t.Fatalf("header %+v of %d bytes", h, len(b))
		}
		x, _, _ := readExif(b, h)
		if p := x.Position; p != nil {
			if err := (Facts{Position: p}).check(); err != nil {
				t.Errorf("Exif position %v: %v", *p, err)
			}
		}
		if x.Orientation < 1 || x.Orientation > 8 || len([]rune(x.Software)) > maxText {
			t.Errorf("Exif %+v", x)
		}
		most := int64(MaxExaminedOther)
		if h.Format == JPEG && !h.Progressive {
			most = MaxExaminedBaseline
		}
		// A fuzzer finds large and slow pictures; they are lawful, and tested by
		// name elsewhere.
		if h.Pixels() > 1<<20 && h.Pixels() <= most {
			t.Skip()
		}
		m, views, err := Measure(ctx, b)
		if err != nil {
			t.Fatal(err)
		}
		if (m.Outcome == Examined) != (len(views) == 2) || (m.Outcome == Examined) == (m.Reason != "") {
			t.Errorf("outcome %q, reason %q, %d views", m.Outcome, m.Reason, len(views))
		}
		if m.Outcome == Examined {
			img, err := decode(ctx, b, h.Format) // unguarded
			if err != nil || img.Bounds().Dx() != h.Width || img.Bounds().Dy() != h.Height {
				t.Errorf("decoded %v, %v; header %d × %d", img.Bounds(), err, h.Width, h.Height)
			}
		} else if h.Pixels() <= 1<<20 {
			// Unguarded: it may fail, it must not panic.
			if img, err := decode(ctx, b, h.Format); err == nil && img == nil {
				t.Error("no picture and no error")
			}
		}
		findings, err := Judge(m, Facts{}, nil, DefaultThresholds(Other))
		if err != nil {
			t.Fatal(err)
		}
		for _, fd := range findings {
			if fd.Text == "" {
				t.Errorf("finding %s says nothing", fd.Code)
			}
		}
	})
}

// FuzzFingerprint: what is read is written again as it was.
func FuzzFingerprint(f *testing.F) {
	f.Add(Fingerprint{Coarse: 7}.String())
	f.Add("zz")
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParseFingerprint(s)
		if err != nil {
			return
		}
		again, err := ParseFingerprint(p.String())
		if err != nil || again != p {
			t.Errorf("ParseFingerprint(%q) = %v; written and read again %v, %v", s, p, again, err)
		}
	})
}

// FuzzShrink holds the averaging against the plain definition: for each target
// the covered shares of all source samples.
func FuzzShrink(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, uint8(4), uint8(3), uint8(2))
	f.Fuzz(func(t *testing.T, p []byte, sw, dw, dh uint8) {
		if sw == 0 || len(p) < int(sw) || len(p) > 4096 {
			return
		}
		src := plane{int(sw), len(p) / int(sw), int(sw), p}
		w, h := int(dw)%src.w+1, int(dh)%src.h+1
		got := shrink(src, w, h)
		want := newPlane(w, h)
		for y := range h {
			for x := range w {
				var sum, all int
				for sy := range src.h {
					covered := min((sy+1)*h, (y+1)*src.h) - max(sy*h, y*src.h)
					for sx := range src.w {
						across := min((sx+1)*w, (x+1)*src.w) - max(sx*w, x*src.w)
						if covered > 0 && across > 0 {
							sum += covered * across * int(src.row(sy)[sx])
							all += covered * across
						}
					}
				}
				want.p[y*w+x] = byte((sum + all/2) / all)
			}
		}
		if !slices.Equal(got.p, want.p) {
			t.Errorf("shrink(%d × %d to %d × %d) = %v; want %v", src.w, src.h, w, h, got.p, want.p)
		}
	})
}
