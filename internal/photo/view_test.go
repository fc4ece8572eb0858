package photo

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/photo/testpicture"
)

func decodeJPEG(t *testing.T, b []byte) image.Image {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// quarters is a picture with a colour in each quarter: red, green over blue,
// white.
func quarters(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{220, 30, 30, 255}
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{30, 200, 30, 255}
			case x < w/2 && y >= h/2:
				c = color.RGBA{30, 30, 220, 255}
			case y >= h/2:
				c = color.RGBA{240, 240, 240, 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

func nameOf(c color.Color) string {
	r, g, b, _ := c.RGBA()
	switch {
	case r > 0xa000 && g > 0xa000 && b > 0xa000:
		return "white"
	case r > 0x9000 && g < 0x7000 && b < 0x7000:
		return "red"
	case g > 0x9000 && r < 0x7000 && b < 0x7000:
		return "green"
	case b > 0x9000 && r < 0x7000 && g < 0x7000:
		return "blue"
	}
	return fmt.Sprintf("%04x %04x %04x", r, g, b)
}

func corners(img image.Image) [4]string {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	return [4]string{
		nameOf(img.At(w/8, h/8)), nameOf(img.At(w*7/8, h/8)), nameOf(img.At(w/8, h*7/8)), nameOf(img.At(w*7/8, h*7/8)),
	}
}

// What each orientation means: Exif 2.32, tag 274: which side of the scene the
// first row and the first column show. Stored: red green / blue white.
func TestOrientation(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, quarters(1601, 1203), &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	for o, want := range map[int][4]string{
		0: {"red", "green", "blue", "white"}, // absent
		1: {"red", "green", "blue", "white"}, // row 0 top, column 0 left
		2: {"green", "red", "white", "blue"}, // top, right
		3: {"white", "blue", "green", "red"}, // bottom, right
		4: {"blue", "white", "red", "green"}, // bottom, left
		5: {"red", "blue", "green", "white"}, // left, top
		6: {"blue", "red", "white", "green"}, // right, top
		7: {"white", "green", "blue", "red"}, // right, bottom
		8: {"green", "white", "red", "blue"}, // left, bottom
	} {
		photo := testpicture.Exif{Orientation: o, Software: "x"}.Insert(b.Bytes())
		e := examine(t, photo, Facts{})
		if len(e.Views) != 2 {
			t.Fatalf("orientation %d: %d views", o, len(e.Views))
		}
		for i, v := range e.Views {
			img := decodeJPEG(t, v.JPEG)
			if got := corners(img); got != want {
				t.Errorf("orientation %d, %d px: corners %v; want %v", o, v.Side, got, want)
			}
			long, short := []int{1280, 320}[i], []int{962, 241}[i]
			if o >= 5 {
				long, short = short, long
			}
			if s := img.Bounds().Size(); s != image.Pt(long, short) || v.Width != long || v.Height != short {
				t.Errorf("orientation %d, %d px: size %v, said %d × %d; want %d × %d", o, v.Side, s, v.Width, v.Height, long, short)
			}
			h := ReadHeader(v.JPEG)
			if h.exif != nil || h.xmp != nil || bytes.Contains(v.JPEG, []byte("Exif")) {
				t.Errorf("orientation %d: the view carries metadata", o)
			}
		}
		if e.Measurement.Header.Width != 1601 || e.Measurement.Header.Height != 1203 {
			t.Errorf("orientation %d: the measurement says %d × %d; want the size as stored", o, e.Measurement.Header.Width, e.Measurement.Header.Height)
		}
	}
}

func TestViewsAgain(t *testing.T) {
	photo := small(testpicture.Options{Width: 1700, Height: 900, Exif: &testpicture.Exif{Orientation: 8}})
	e := examine(t, photo, Facts{})
	again, err := Views(context.Background(), photo)
	if err != nil || len(again) != 2 {
		t.Fatalf("Views: %d, %v", len(again), err)
	}
	for i, v := range again {
		if !bytes.Equal(v.JPEG, e.Views[i].JPEG) {
			t.Errorf("view %d made again differs", v.Side)
		}
	}
	none, err := Views(context.Background(), heif("heic"))
	if err != nil || none != nil {
		t.Errorf("Views of a HEIC: %d, %v; want none", len(none), err)
	}
	tiny := examine(t, small(testpicture.Options{Width: 200, Height: 100}), Facts{}).Views
	if tiny[0].Width != 200 || tiny[1].Width != 200 {
		t.Errorf("views of 200 px are %d and %d wide; want them not enlarged", tiny[0].Width, tiny[1].Width)
	}
}

// Transparency is laid on white, grey stays grey.
func TestViewKinds(t *testing.T) {
	clear := image.NewNRGBA(image.Rect(0, 0, 400, 300))
	v := examine(t, encodePNG(t, clear), Facts{}).Views[0]
	if got := nameOf(decodeJPEG(t, v.JPEG).At(50, 50)); got != "white" {
		t.Errorf("a transparent picture is shown %s; want white", got)
	}
	grey := image.NewGray(image.Rect(0, 0, 400, 300))
	if _, ok := decodeJPEG(t, examine(t, encodePNG(t, grey), Facts{}).Views[0].JPEG).(*image.Gray); !ok {
		t.Error("a grey picture's view is not grey")
	}
	// The odd subsamplings and a shifted origin give the same picture.
	for _, ratio := range []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
		image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
	} {
		img := image.NewYCbCr(image.Rect(0, 0, 333, 222), ratio)
		q := quarters(333, 222)
		for y := range 222 {
			for x := range 333 {
				r, g, b, _ := q.At(x, y).RGBA()
				yy, cb, cr := color.RGBToYCbCr(byte(r>>8), byte(g>>8), byte(b>>8))
				img.Y[img.YOffset(x, y)], img.Cb[img.COffset(x, y)], img.Cr[img.COffset(x, y)] = yy, cb, cr
			}
		}
		if got := corners(planes(img).view(100).image()); got != [4]string{"red", "green", "blue", "white"} {
			t.Errorf("%v: corners %v", ratio, got)
		}
		sub := img.SubImage(image.Rect(3, 5, 333, 222))
		if got := corners(planes(sub).view(100).image()); got != [4]string{"red", "green", "blue", "white"} {
			t.Errorf("%v, cut: corners %v", ratio, got)
		}
	}
}

func TestRedact(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, quarters(803, 601), &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	photo := testpicture.Exif{Orientation: 6, Software: "x", Positioned: true, Latitude: 1, Longitude: 2}.Insert(b.Bytes())
	before := bytes.Clone(photo)
	// Upright it is 601 × 803: blue red over white green. Hide the upper left.
	out, err := Redact(context.Background(), photo, []Region{{0, 0, 0.5, 0.5}, {0.9, 0.9, 0.1, 0.1}})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(before, photo) {
		t.Error("the original bytes were changed")
	}
	if bytes.Contains(out, []byte("Exif")) {
		t.Error("the copy carries metadata")
	}
	img := decodeJPEG(t, out)
	if s := img.Bounds().Size(); s != image.Pt(601, 803) {
		t.Errorf("size %v; want 601 × 803, upright", s)
	}
	for _, p := range []image.Point{{0, 0}, {300, 400}, {10, 390}, {299, 3}, {600, 802}, {545, 725}} {
		r, g, bl, _ := img.At(p.X, p.Y).RGBA()
		for _, v := range []uint32{r, g, bl} {
			if math.Abs(float64(v>>8)-96) > 6 {
				t.Errorf("%v is %d %d %d; want the grey 96", p, r>>8, g>>8, bl>>8)
				break
			}
		}
	}
	if got := nameOf(img.At(500, 100)); got != "red" {
		t.Errorf("upper right is %s; want red, as it was", got)
	}
	if got := nameOf(img.At(100, 700)); got != "white" {
		t.Errorf("lower left is %s; want white, as it was", got)
	}
	again, err := Redact(context.Background(), photo, []Region{{0, 0, 0.5, 0.5}, {0.9, 0.9, 0.1, 0.1}})
	if err != nil || !bytes.Equal(again, out) {
		t.Errorf("redacted again: other bytes, %v", err)
	}
}

func TestRedactRefuses(t *testing.T) {
	photo := small(testpicture.Options{})
	for _, tc := range []struct {
		name    string
		photo   []byte
		regions []Region
		want    string
	}{
		{"no region", photo, nil, "REGIONS_MISSING"},
		{"too many", photo, make([]Region, 101), "REGIONS_MISSING"},
		{"no size", photo, []Region{{0.1, 0.1, 0, 0.5}}, "REGION_OUT_OF_RANGE"},
		{"outside", photo, []Region{{0.6, 0.1, 0.5, 0.5}}, "REGION_OUT_OF_RANGE"},
		{"negative", photo, []Region{{-0.1, 0.1, 0.5, 0.5}}, "REGION_OUT_OF_RANGE"},
		{"no number", photo, []Region{{0.1, math.NaN(), 0.5, 0.5}}, "REGION_OUT_OF_RANGE"},
		{"infinite", photo, []Region{{0.1, 0.1, math.Inf(1), 0.5}}, "REGION_OUT_OF_RANGE"},
		{"no picture", []byte("words"), []Region{{0, 0, 1, 1}}, "PHOTO_NOT_READABLE"},
		{"a HEIC", heif("heic"), []Region{{0, 0, 1, 1}}, "PHOTO_NOT_READABLE"},
		{"over the bound", make([]byte, MaxBytes+1), []Region{{0, 0, 1, 1}}, "PHOTO_TOO_LARGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			out, err := Redact(context.Background(), tc.photo, tc.regions)
			if !errs.Is(err, tc.want) || out != nil {
				t.Errorf("Redact(%v) = %d bytes, %v; want %s", tc.regions, len(out), err, tc.want)
			}
		})
	}
}
