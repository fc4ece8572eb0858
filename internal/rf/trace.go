package rf

import (
	"fmt"
	"math"
	"math/cmplx"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// Trace is a one-port sweep: complex reflection over rising frequency.
type Trace struct {
	Hertz     []float64    // strictly rising, 0 or more
	Gamma     []complex128 // as many, finite
	Reference float64      // the impedance that Γ is referred to, Ω, over 0
}

// Check reports what is wrong with the trace.
//
// Errors, Invalid: TRACE_EMPTY, POINTS_OUT_OF_RANGE (more than MaxPoints),
// TRACE_LENGTHS_DIFFER, VALUE_NOT_FINITE, FREQUENCY_NOT_RISING,
// FREQUENCY_OUT_OF_RANGE, IMPEDANCE_OUT_OF_RANGE.
func (t Trace) Check() error {
	switch {
	case len(t.Hertz) == 0:
		return errs.Field("TRACE_EMPTY", "trace", "has no points")
	case len(t.Hertz) > MaxPoints:
		return errs.Field("POINTS_OUT_OF_RANGE", "trace", fmt.Sprintf("has more than %d points", MaxPoints))
	case len(t.Hertz) != len(t.Gamma):
		return errs.Field("TRACE_LENGTHS_DIFFER", "trace", fmt.Sprintf("has %d frequencies and %d values", len(t.Hertz), len(t.Gamma)))
	}
	if err := checkImpedance("reference impedance", t.Reference); err != nil {
		return err
	}
	last := -1.0
	for i, f := range t.Hertz {
		if err := checkWithin("FREQUENCY_OUT_OF_RANGE", "frequency", f, 0, highestMegahertz*1e6, "Hz"); err != nil {
			return err
		}
		if f <= last {
			return errs.Field("FREQUENCY_NOT_RISING", "trace", fmt.Sprintf("point %d is not above the one before it", i+1))
		}
		last = f
		if g := cmplx.Abs(t.Gamma[i]); !finite(g) || g > maxReflection {
			return errs.Field("VALUE_NOT_FINITE", "trace", fmt.Sprintf("point %d has a reflection that is not finite, or over %g", i+1, maxReflection))
		}
	}
	return nil
}

// maxReflection is beyond any miscalibrated instrument; it keeps sums finite.
const maxReflection = 1e6

func checkImpedance(field string, z float64) error {
	return checkWithin("IMPEDANCE_OUT_OF_RANGE", field, z, 1e-3, 1e6, "Ω")
}

// ReferTo gives the same loads with Γ referred to another impedance z0 (Ω):
// Z = z·(1+Γ)/(1−Γ), Γ′ = (Z−z0)/(Z+z0). Infinite impedances (Γ = 1) stay 1.
//
// Errors, Invalid: IMPEDANCE_OUT_OF_RANGE, those of Check, and
// REFLECTION_NOT_REFERABLE at a point (|Γ| over 1 only) whose impedance is −z0.
func (t Trace) ReferTo(z0 float64) (Trace, error) {
	if err := t.Check(); err != nil {
		return Trace{}, err
	}
	if err := checkImpedance("reference impedance", z0); err != nil {
		return Trace{}, err
	}
	out := Trace{t.Hertz, make([]complex128, len(t.Gamma)), z0}
	for i, g := range t.Gamma {
		// Γ′ = ((z−z0) + Γ(z+z0))/((z+z0) + Γ(z−z0)): no division by 1−Γ.
		d, s := complex(t.Reference-z0, 0), complex(t.Reference+z0, 0)
		den := s + g*d
		if cmplx.Abs(den) < 1e-9*real(s) {
			return Trace{}, errs.Field("REFLECTION_NOT_REFERABLE", "trace",
				fmt.Sprintf("point %d reflects more than all and cannot be referred to %g Ω", i+1, z0))
		}
		out.Gamma[i] = (d + g*s) / den
	}
	return out, nil
}

// Impedance gives the load's impedance behind a reflection referred to z0 (Ω).
//
// Errors, Invalid: IMPEDANCE_OUT_OF_RANGE, VALUE_NOT_FINITE, and
// IMPEDANCE_INFINITE for Γ = 1.
func Impedance(gamma complex128, z0 float64) (complex128, error) {
	if err := checkImpedance("reference impedance", z0); err != nil {
		return 0, err
	}
	if !finite(cmplx.Abs(gamma)) {
		return 0, errs.Field("VALUE_NOT_FINITE", "reflection", "must be a finite number")
	}
	if gamma == 1 {
		return 0, errs.Field("IMPEDANCE_INFINITE", "reflection", "is 1: an open, of infinite impedance")
	}
	return complex(z0, 0) * (1 + gamma) / (1 - gamma), nil
}

// Worst is the worst return loss of a trace in a band.
type Worst struct {
	Band       Range
	At         units.Megahertz
	ReturnLoss units.DB   // +Inf for a perfect match, negative for |Γ| over 1
	VSWR       units.VSWR // +Inf for a total reflection; 0 when HasVSWR is false
	HasVSWR    bool       // false for |Γ| over 1: VSWR is undefined
	Points     int        // measured points in the band, edges included
	Warnings   []Warning
}

// WorstReturnLoss finds the worst return loss at the measured points of a band,
// edges included. A sweep that begins or ends inside the band by more than one
// of its own steps is warned about: what it leaves out was not measured.
//
// Errors, Invalid: those of Check and of the band (FREQUENCY_OUT_OF_RANGE,
// RANGE_REVERSED); BAND_NOT_MEASURED when no point lies in it.
func (t Trace) WorstReturnLoss(band Range) (Worst, error) {
	if err := t.Check(); err != nil {
		return Worst{}, err
	}
	if err := band.check("band"); err != nil {
		return Worst{}, err
	}
	// Room of 1 Hz: 1710 MHz computed from a start and a step is still the edge.
	low, high := float64(band.Low)*1e6-1, float64(band.High)*1e6+1
	worst, at, n, over := -1.0, 0, 0, 0
	for i, f := range t.Hertz {
		if f < low || f > high {
			continue
		}
		n++
		g := cmplx.Abs(t.Gamma[i])
		if g > 1 {
			over++
		}
		if g > worst {
			worst, at = g, i
		}
	}
	if n == 0 {
		return Worst{}, errs.Field("BAND_NOT_MEASURED", "trace",
			fmt.Sprintf("has no point between %g and %g MHz", float64(band.Low), float64(band.High)))
	}
	out := Worst{Band: band, At: units.Megahertz(t.Hertz[at] / 1e6), ReturnLoss: returnLoss(worst), Points: n}
	if worst <= 1 {
		v, err := VSWRFromReflection(worst)
		if err != nil {
			return Worst{}, err
		}
		out.VSWR, out.HasVSWR = v, true
	}
	if over > 0 {
		out.Warnings = append(out.Warnings, Warning{WarnReflectionOver1,
			fmt.Sprintf("%d points reflect more than was sent: a calibration error, or gain", over)})
	}
	step := 0.0
	if len(t.Hertz) > 1 {
		step = (t.Hertz[len(t.Hertz)-1] - t.Hertz[0]) / float64(len(t.Hertz)-1)
	}
	if t.Hertz[0] > low+step+1 || t.Hertz[len(t.Hertz)-1] < high-step-1 {
		out.Warnings = append(out.Warnings, Warning{WarnBandNotCovered,
			fmt.Sprintf("the sweep runs from %g to %g MHz and leaves out a part of the band %g to %g MHz",
				t.Hertz[0]/1e6, t.Hertz[len(t.Hertz)-1]/1e6, float64(band.Low), float64(band.High))})
	}
	return out, nil
}

// Setup gives the sweep's setup for distance to fault.
//
// Errors, Invalid: those of Check; POINTS_OUT_OF_RANGE (fewer than 2);
// STEP_NOT_EVEN when a point lies more than a hundredth of a step off an even
// grid (a logarithmic or segmented sweep has no distances);
// VELOCITY_FACTOR_OUT_OF_RANGE, WINDOW_UNKNOWN.
func (t Trace) Setup(vf units.VelocityFactor, w Window) (Setup, error) {
	if err := t.Check(); err != nil {
		return Setup{}, err
	}
	n := len(t.Hertz)
	if err := checkPoints(n); err != nil {
		return Setup{}, err
	}
	step := (t.Hertz[n-1] - t.Hertz[0]) / float64(n-1)
	for i, f := range t.Hertz {
		if math.Abs(f-t.Hertz[0]-float64(i)*step) > step/100 {
			return Setup{}, errs.Field("STEP_NOT_EVEN", "trace",
				fmt.Sprintf("the frequencies are not evenly spaced (point %d): distances need an even sweep", i+1))
		}
	}
	s := Setup{units.Megahertz(t.Hertz[0] / 1e6), units.Megahertz(t.Hertz[n-1] / 1e6), n, vf, w}
	return s, s.Check()
}
