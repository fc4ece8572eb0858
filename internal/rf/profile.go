package rf

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// Transform gives the reflection over distance of an evenly spaced sweep:
//
//	profile(k) = |Σ Γ(i)·w(i)·exp(+j2πik/bins)| / Σ w,  k = 0 … bins−1.
//
// With as many bins as points each bin is the native one; with more, the same
// curve is drawn on a finer grid. bins is from len(gamma) to 16·MaxPoints.
//
// Errors, Invalid: WINDOW_UNKNOWN, POINTS_OUT_OF_RANGE, BINS_OUT_OF_RANGE,
// VALUE_NOT_FINITE.
func Transform(gamma []complex128, w Window, bins int) ([]float64, error) {
	weights, err := w.Weights(len(gamma))
	if err != nil {
		return nil, err
	}
	if bins < len(gamma) || bins > 16*MaxPoints {
		return nil, errs.Field("BINS_OUT_OF_RANGE", "bins", fmt.Sprintf("must be from the number of points (%d) to %d", len(gamma), 16*MaxPoints))
	}
	x := make([]complex128, bins)
	var total float64
	for i, g := range gamma {
		if a := cmplx.Abs(g); !finite(a) || a > maxReflection {
			return nil, errs.Field("VALUE_NOT_FINITE", "trace", fmt.Sprintf("point %d has a reflection that is not finite, or over %g", i+1, maxReflection))
		}
		x[i] = g * complex(weights[i], 0)
		total += weights[i]
	}
	if smooth(bins) {
		x = fourier.NewCmplxFFT(bins).Sequence(x, x)
	} else {
		x = chirp(x)
	}
	out := make([]float64, bins)
	for i, v := range x {
		out[i] = cmplx.Abs(v) / total
	}
	return out, nil
}

// smooth reports whether n has no prime factor above 100: with a large one the
// plain transform's time grows as the square.
func smooth(n int) bool {
	for p := 2; p <= 100 && n > 1; p++ {
		for n%p == 0 {
			n /= p
		}
	}
	return n == 1
}

// chirp is the inverse transform, unscaled, of any length n by a convolution of
// a power of two (Bluestein): ik = (i² + k² − (k−i)²)/2.
func chirp(x []complex128) []complex128 {
	n := len(x)
	m := powerOfTwo(2*n - 1)
	c := make([]complex128, n) // exp(+jπi²/n); i² modulo 2n keeps the angle exact
	for i := range c {
		sin, cos := math.Sincos(math.Pi * float64(int64(i)*int64(i)%int64(2*n)) / float64(n))
		c[i] = complex(cos, sin)
	}
	a, b := make([]complex128, m), make([]complex128, m)
	for i := range x {
		a[i] = x[i] * c[i]
		b[i] = cmplx.Conj(c[i])
		if i > 0 {
			b[m-i] = b[i]
		}
	}
	fft := fourier.NewCmplxFFT(m)
	fft.Coefficients(a, a)
	fft.Coefficients(b, b)
	for i := range a {
		a[i] *= b[i]
	}
	fft.Sequence(a, a)
	for i := range x {
		x[i] = a[i] * c[i] / complex(float64(m), 0)
	}
	return x
}

func powerOfTwo(atLeast int) int {
	n := 1
	for n < atLeast {
		n *= 2
	}
	return n
}

// Peak is one reflection found on a line.
type Peak struct {
	Distance units.Meters
	// Uncertainty is the half-width of the interval that holds the fault: half
	// the window's 6 dB width, and the velocity factor's share of the distance.
	Uncertainty units.Meters
	Reflection  float64  // |Γ| as seen from the near end, through the line's loss
	Shown       units.DB // the same as a return loss
	AtFault     units.DB // Shown less the round-trip loss up to it; = Shown when no loss is known
}

// ProfileOptions are what a distance profile needs beside the trace.
type ProfileOptions struct {
	VelocityFactor units.VelocityFactor
	// VelocityFactorError is the half-width of what the velocity factor may be
	// off by (0.01 for foam lines without a data sheet: 0.87 to 0.89).
	VelocityFactorError float64
	Window              Window
	Loss                units.DBPerHundredMeter // at the sweep's centre; 0: not known
	From, To            units.Meters            // where to look; To = 0: to the largest distance
	Apart               units.Meters            // two faults to be told apart; 0: not asked
	Threshold           units.DB                // peaks with a return loss above it are left out; 0: 60 dB
	MaxPeaks            int                     // the strongest are kept; 0: 10
}

// Profile is a distance profile.
type Profile struct {
	Setup           Setup
	Resolution      units.Meters // one native bin
	Separation      units.Meters // two equal faults closer than this are one peak
	LargestDistance units.Meters
	Step            units.Meters // of Values
	Values          []float64    // |Γ| at 0, Step, 2·Step … up to LargestDistance
	Peaks           []Peak       // by distance
	// SideLobes counts peaks that are not listed because the window makes false
	// ones of their height beside a stronger one.
	SideLobes int
	Warnings  []Warning
}

const defaultThreshold units.DB = 60

const (
	defaultPeaks = 10
	maxPeaks     = 100
)

// DistanceProfile transforms a trace into reflection over distance and lists
// its peaks. The trace is taken as it is; refer it to the line's impedance
// first.
//
// Errors, Invalid: those of Trace.Setup; DISTANCE_OUT_OF_RANGE,
// LOSS_OUT_OF_RANGE, VELOCITY_FACTOR_OUT_OF_RANGE (also for its error: 0 to
// 0.2), PEAKS_OUT_OF_RANGE (0 to 100), THRESHOLD_OUT_OF_RANGE (0 to 200 dB).
func DistanceProfile(t Trace, o ProfileOptions) (Profile, error) {
	s, err := t.Setup(o.VelocityFactor, o.Window)
	if err != nil {
		return Profile{}, err
	}
	if err := o.check(); err != nil {
		return Profile{}, err
	}
	p := Profile{Setup: s}
	if p.Resolution, err = s.Resolution(); err != nil {
		return Profile{}, err
	}
	if p.Separation, err = s.Separation(); err != nil {
		return Profile{}, err
	}
	if p.LargestDistance, err = s.LargestDistance(); err != nil {
		return Profile{}, err
	}
	if p.Warnings, err = s.WarningsFor(max(o.From, o.To), o.Apart); err != nil {
		return Profile{}, err
	}
	if over := countOverOne(t.Gamma); over > 0 {
		p.Warnings = append(p.Warnings, Warning{WarnReflectionOver1,
			fmt.Sprintf("%d points reflect more than was sent: a calibration error, or gain", over)})
	}
	if o.Loss == 0 {
		p.Warnings = append(p.Warnings, Warning{WarnLossNotKnown, "no cable loss was given: return losses are as seen from the near end"})
	}
	// Four bins or more per native one: a peak's top is then off by less than
	// 0.1 dB before it is interpolated, with any of the windows.
	bins := powerOfTwo(4 * s.Points)
	if p.Values, err = Transform(t.Gamma, o.Window, bins); err != nil {
		return Profile{}, err
	}
	// The transform repeats after c·Vf/(2·step), the largest distance.
	p.Step = p.LargestDistance / units.Meters(bins)
	p.findPeaks(o)
	return p, nil
}

func (o ProfileOptions) check() error {
	for _, d := range []units.Meters{o.From, o.To, o.Apart} {
		if err := checkDistance(d); err != nil {
			return err
		}
	}
	if o.To != 0 && o.To < o.From {
		return errs.Field("DISTANCE_OUT_OF_RANGE", "distance", "the search ends before it begins")
	}
	if err := checkWithin("LOSS_OUT_OF_RANGE", "cable loss", float64(o.Loss), 0, 10_000, "dB per 100 m"); err != nil {
		return err
	}
	if err := checkWithin("VELOCITY_FACTOR_OUT_OF_RANGE", "velocity factor error", o.VelocityFactorError, 0, 0.2, ""); err != nil {
		return err
	}
	if err := checkWithin("PEAKS_OUT_OF_RANGE", "peaks", float64(o.MaxPeaks), 0, maxPeaks, ""); err != nil {
		return err
	}
	return checkWithin("THRESHOLD_OUT_OF_RANGE", "threshold", float64(o.Threshold), 0, 200, "dB")
}

func countOverOne(gamma []complex128) int {
	n := 0
	for _, g := range gamma {
		if cmplx.Abs(g) > 1+1e-9 {
			n++
		}
	}
	return n
}

func (p *Profile) findPeaks(o ProfileOptions) {
	to := min(o.To, p.LargestDistance)
	if o.To == 0 {
		to = p.LargestDistance
	}
	threshold, most := o.Threshold, o.MaxPeaks
	if threshold == 0 {
		threshold = defaultThreshold
	}
	if most == 0 {
		most = defaultPeaks
	}
	floor := math.Pow(10, -float64(threshold)/20)
	n := len(p.Values)
	var found []Peak
	for k, v := range p.Values {
		// The profile is circular: a fault at the near end has neighbours at both ends.
		before, after := p.Values[(k+n-1)%n], p.Values[(k+1)%n]
		if v < floor || v <= before || v < after {
			continue
		}
		offset, top := vertex(before, v, after)
		d := units.Meters(float64(k)+offset) * p.Step
		if d < 0 && d > -p.Step {
			d = 0
		}
		if d < o.From || d > to {
			continue
		}
		found = append(found, Peak{Distance: d, Reflection: top})
	}
	slices.SortStableFunc(found, func(a, b Peak) int {
		switch {
		case a.Reflection > b.Reflection:
			return -1
		case a.Reflection < b.Reflection:
			return 1
		}
		return 0
	})
	found = p.withoutSideLobes(found)
	if len(found) > most {
		p.Warnings = append(p.Warnings, Warning{WarnPeaksLeftOut,
			fmt.Sprintf("%d weaker peaks are not listed", len(found)-most)})
		found = found[:most]
	}
	gain := false
	for i := range found {
		f := &found[i]
		f.Uncertainty = p.Separation/2 + f.Distance*units.Meters(o.VelocityFactorError/float64(o.VelocityFactor))
		f.Shown = returnLoss(f.Reflection)
		f.AtFault = f.Shown - units.DB(2*float64(o.Loss)*float64(f.Distance)/100)
		// 0.1 dB of room: an ideal short stands at 0 dB within the interpolation.
		gain = gain || f.AtFault < -0.1
	}
	if gain {
		p.Warnings = append(p.Warnings, Warning{WarnGainAtFault,
			"a peak corrected for cable loss returns more than was sent: the loss or the velocity factor is wrong"})
	}
	slices.SortFunc(found, func(a, b Peak) int {
		switch {
		case a.Distance < b.Distance:
			return -1
		case a.Distance > b.Distance:
			return 1
		}
		return 0
	})
	p.Peaks = found
}

// maxLobes bounds the strong peaks whose side lobes are looked for; weaker ones
// have none above the threshold that matter.
const maxLobes = 100

// withoutSideLobes keeps, of peaks sorted from the strongest, those that stand
// above what the side lobes of the kept ones can add up to at their place.
func (p *Profile) withoutSideLobes(sorted []Peak) []Peak {
	// A side lobe's top is as high as its envelope; interpolation adds under 1 dB.
	const room = 1.12
	around := p.LargestDistance
	var kept []Peak
	for _, peak := range sorted {
		var lobes float64
		for _, k := range kept[:min(len(kept), maxLobes)] {
			apart := max(k.Distance-peak.Distance, peak.Distance-k.Distance)
			apart = min(apart, around-apart) // the profile is circular
			lobes += k.Reflection * p.Setup.Window.sideLobeAt(float64(apart/p.Resolution))
		}
		if peak.Reflection <= room*lobes {
			p.SideLobes++
			continue
		}
		kept = append(kept, peak)
	}
	return kept
}

// vertex fits a parabola through three neighbours, the middle one the highest,
// and gives its top's offset (−0.5 to 0.5 of a step) and height. The tops of the
// windows' main lobes are close to a parabola in their logarithms; beside a
// null, where a logarithm has no floor, the values themselves are fitted.
func vertex(before, at, after float64) (offset, top float64) {
	a, b, c := before, at, after
	logs := min(before, after) > at/2
	if logs {
		a, b, c = math.Log(before), math.Log(at), math.Log(after)
	}
	curve := a - 2*b + c
	if curve >= 0 {
		return 0, at
	}
	offset = math.Max(-0.5, math.Min(0.5, (a-c)/(2*curve)))
	top = b - (a-c)*offset/4
	if logs {
		top = math.Exp(top)
	}
	return offset, top
}
