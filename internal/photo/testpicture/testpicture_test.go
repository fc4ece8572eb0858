package testpicture_test

import (
	"bytes"
	"crypto/sha256"
	"image/jpeg"
	"testing"
	"time"

	"witnessmark/internal/photo/testpicture"
)

func TestJPEG(t *testing.T) {
	plain := testpicture.Options{Family: 2, Seed: 5, Width: 401, Height: 300}
	with := func(change func(*testpicture.Options)) testpicture.Options {
		o := plain
		change(&o)
		return o
	}
	seen := map[[32]byte]string{}
	for _, tc := range []struct {
		name string
		o    testpicture.Options
	}{
		{"plain", plain},
		{"another connector", with(func(o *testpicture.Options) { o.Seed++ })},
		{"another site", with(func(o *testpicture.Options) { o.Family++ })},
		{"once more", with(func(o *testpicture.Options) { o.Again = 1 })},
		{"blurred", with(func(o *testpicture.Options) { o.Blur = 20 })},
		{"dark", with(func(o *testpicture.Options) { o.Darkness = 0.8 })},
		{"without noise", with(func(o *testpicture.Options) { o.Noise = -1 })},
		{"poorly saved", with(func(o *testpicture.Options) { o.Quality = 20 })},
		{"with Exif", with(func(o *testpicture.Options) { o.Exif = &testpicture.Exif{Taken: time.Unix(1e9, 0).UTC()} })},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := testpicture.JPEG(tc.o)
			if !bytes.Equal(b, testpicture.JPEG(tc.o)) {
				t.Error("drawn again: other bytes")
			}
			if other, twice := seen[sha256.Sum256(b)]; twice {
				t.Errorf("the same bytes as %q", other)
			}
			seen[sha256.Sum256(b)] = tc.name
			c, err := jpeg.DecodeConfig(bytes.NewReader(b))
			if err != nil || c.Width != 402 || c.Height != 300 {
				t.Errorf("%d × %d, %v; want 402 × 300", c.Width, c.Height, err)
			}
		})
	}
}

// The zero value is what other benchmarks count on.
func TestDefaultSize(t *testing.T) {
	b := testpicture.JPEG(testpicture.Options{})
	c, err := jpeg.DecodeConfig(bytes.NewReader(b))
	if err != nil || c.Width != 4000 || c.Height != 3000 {
		t.Errorf("%d × %d, %v; want 4000 × 3000", c.Width, c.Height, err)
	}
	if len(b) < 3_500_000 || len(b) > 4_500_000 {
		t.Errorf("%d bytes; want about 4 MB", len(b))
	}
}
