package rf

import (
	"math"

	"witnessmark/internal/errs"
)

// Window weights a sweep before it is transformed: less of a strong fault leaks
// over a weak one, at the price of a wider peak.
type Window string

// The windows, all periodic: w(i) = a0 − a1·cos(2πi/N) + a2·cos(4πi/N).
const (
	Rectangular Window = "RECTANGULAR"
	Hann        Window = "HANN"     // 0.50/0.50
	Hamming     Window = "HAMMING"  // 0.54/0.46
	Blackman    Window = "BLACKMAN" // 0.42/0.50/0.08
)

type windowShape struct {
	a0, a1, a2 float64
	sixDB      float64 // width of a peak 6.0 dB below its top, bins, computed (512 points)
	threeDB    float64 // 3.0 dB below
	sideLobe   float64 // highest side lobe, dB below the peak: F. J. Harris 1978, from memory
}

var shapes = map[Window]windowShape{
	Rectangular: {1, 0, 0, 1.204961, 0.884488, -13},
	Hann:        {0.5, 0.5, 0, 1.996834, 1.438205, -31},
	Hamming:     {0.54, 0.46, 0, 1.812306, 1.300816, -42},
	Blackman:    {0.42, 0.5, 0.08, 2.295040, 1.640929, -58},
}

// Windows lists the windows.
func Windows() []Window { return []Window{Rectangular, Hann, Hamming, Blackman} }

func (w Window) check() error {
	if _, ok := shapes[w]; !ok {
		return errs.New(errs.Invalid, "WINDOW_UNKNOWN", "window: must be RECTANGULAR, HANN, HAMMING or BLACKMAN", "field", "window")
	}
	return nil
}

// SixDBWidth gives the width of a single fault's peak 6.0 dB below its top, in
// bins; two equal faults closer than this are not told apart. 0 for an unknown
// window.
func (w Window) SixDBWidth() float64 { return shapes[w].sixDB }

// ThreeDBWidth gives the width 3.0 dB below the top, in bins.
func (w Window) ThreeDBWidth() float64 { return shapes[w].threeDB }

// HighestSideLobe gives the highest false peak beside a true one, in dB (a
// negative number). F. J. Harris, Proc. IEEE 66(1), 1978, table 1; the digits
// are from memory, rounded up.
func (w Window) HighestSideLobe() float64 { return shapes[w].sideLobe }

// sideLobeAt gives the envelope of the false peaks at a distance in bins from a
// peak of height 1: |a0/x − a1·x/(x²−1) + a2·x/(x²−4)|/(π·a0), the transform of
// a long window without its oscillating factor; never above the highest side
// lobe.
func (w Window) sideLobeAt(bins float64) float64 {
	s := shapes[w]
	highest := math.Pow(10, s.sideLobe/20)
	x := math.Abs(bins)
	if x < 3 { // inside every window's main lobe or beside it
		return highest
	}
	e := math.Abs(s.a0/x-s.a1*x/(x*x-1)+s.a2*x/(x*x-4)) / (math.Pi * s.a0)
	return math.Min(e, highest)
}

// Weights gives the n periodic weights.
//
// Errors, Invalid: WINDOW_UNKNOWN, POINTS_OUT_OF_RANGE.
func (w Window) Weights(n int) ([]float64, error) {
	if err := w.check(); err != nil {
		return nil, err
	}
	if err := checkPoints(n); err != nil {
		return nil, err
	}
	s := shapes[w]
	out := make([]float64, n)
	for i := range out {
		c := math.Cos(2 * math.Pi * float64(i) / float64(n))
		// cos 2x = 2·cos² x − 1 saves the second cosine.
		out[i] = s.a0 - s.a1*c + s.a2*(2*c*c-1)
	}
	return out, nil
}
