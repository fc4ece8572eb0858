package render

import (
	"bytes"
	"math"
	"testing"

	"witnessmark/internal/fibre"
)

func TestTruthOfSimpleMarks(t *testing.T) {
	for _, tc := range []struct {
		name  string
		m     Mark
		inner float64
	}{
		{"a round defect", Mark{Kind: fibre.Defect, X: 30, Y: 40, Size: 10}, 45},
		{"a defect over the axis", Mark{Kind: fibre.Defect, X: 1, Y: 0, Size: 10}, 0},
		{"a scratch that passes the axis at 20 µm", Mark{Kind: fibre.Scratch, X: 0, Y: 20, Size: 3, Length: 60}, 18.5},
		{"a scratch that ends before the axis", Mark{Kind: fibre.Scratch, X: 50, Y: 0, Size: 2, Length: 40}, 29},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := float64(tc.m.Feature().InnerRadius); math.Abs(got-tc.inner) > 0.01 {
				t.Errorf("inner radius %v, want %v", got, tc.inner)
			}
		})
	}
}

// The drawn darkness of a mark adds up to its area times its contrast.
func TestMarksCoverTheirArea(t *testing.T) {
	for _, tc := range []struct {
		name string
		m    Mark
		area float64
	}{
		{"disc of 8 µm", Mark{Kind: fibre.Defect, X: 20, Y: 5, Size: 8, Contrast: -0.5}, math.Pi * 16},
		{"scratch of 2 by 30 µm", Mark{Kind: fibre.Scratch, X: 20, Y: 5, Size: 2, Length: 30, Direction: 1, Contrast: -0.5}, 60},
	} {
		t.Run(tc.name, func(t *testing.T) {
			f := Face{Width: 400, Height: 400, PixelsPerMicrometer: 3, AxisX: 200, AxisY: 200, Cladding: 125,
				CladdingLevel: 0.8, CoreLevel: 0.8, RingLevel: 0.8, FerruleLevel: 0.8, Marks: []Mark{tc.m}}
			img, _ := f.Draw16()
			var sum float64
			for y := range 400 {
				for x := range 400 {
					sum += 0.8 - float64(img.Gray16At(x, y).Y)/65535
				}
			}
			got := sum / (0.8 * 0.5) / 9
			if math.Abs(got/tc.area-1) > 0.02 {
				t.Errorf("covers %v µm², want %v", got, tc.area)
			}
		})
	}
}

func TestSameSeedSamePicture(t *testing.T) {
	rs, err := fibre.EndFaceRuleset(fibre.SMUPC2015)
	if err != nil {
		t.Fatal(err)
	}
	a, _ := Random(9, Clear, rs, false).Draw()
	b, _ := Random(9, Clear, rs, false).Draw()
	c, _ := Random(10, Clear, rs, false).Draw()
	if !bytes.Equal(a.Pix, b.Pix) {
		t.Error("two pictures of one seed differ")
	}
	if bytes.Equal(a.Pix, c.Pix) {
		t.Error("two seeds give one picture")
	}
}
