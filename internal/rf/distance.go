package rf

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// MaxPoints is the most points that a trace may have.
const MaxPoints = 100_001

// Setup is a frequency sweep meant for distance to fault. Distances follow the
// convention of the full complex transform: resolution c·Vf/(2·span), largest
// distance (points−1) times that, with c = 299792458 m/s (not the rounded
// 1.5e8). Some instruments halve the range by keeping half of a real transform:
// compare distances only when Vf, points, span and convention are all recorded.
type Setup struct {
	Start, Stop    units.Megahertz
	Points         int
	VelocityFactor units.VelocityFactor
	Window         Window
}

// Check reports what is wrong with the setup.
//
// Errors, Invalid: FREQUENCY_OUT_OF_RANGE, SPAN_NOT_POSITIVE,
// POINTS_OUT_OF_RANGE (2 to MaxPoints), VELOCITY_FACTOR_OUT_OF_RANGE,
// WINDOW_UNKNOWN.
func (s Setup) Check() error {
	for _, f := range []units.Megahertz{s.Start, s.Stop} {
		if err := checkWithin("FREQUENCY_OUT_OF_RANGE", "frequency", float64(f), 0, highestMegahertz, "MHz"); err != nil {
			return err
		}
	}
	if s.Stop <= s.Start {
		return errs.Field("SPAN_NOT_POSITIVE", "span", "the sweep must end above its start")
	}
	if err := checkPoints(s.Points); err != nil {
		return err
	}
	if err := checkVelocityFactor(s.VelocityFactor); err != nil {
		return err
	}
	return s.Window.check()
}

func checkPoints(n int) error {
	if n < 2 || n > MaxPoints {
		return errs.Field("POINTS_OUT_OF_RANGE", "points", fmt.Sprintf("must be from 2 to %d, is %d", MaxPoints, n))
	}
	return nil
}

func checkSpan(span units.Megahertz) error {
	if err := checkWithin("SPAN_NOT_POSITIVE", "span", float64(span), 0, highestMegahertz, "MHz"); err != nil {
		return err
	}
	if span < 1e-6 {
		return errs.Field("SPAN_NOT_POSITIVE", "span", "must be at least 1 Hz")
	}
	return nil
}

func checkDistance(d units.Meters) error {
	return checkWithin("DISTANCE_OUT_OF_RANGE", "distance", float64(d), 0, maxLineLength, "m")
}

// Resolution gives c·Vf/(2·span): the width of one bin, the closest that two
// faults can be told apart by a rectangular window, roughly (see Separation).
//
// Errors, Invalid: SPAN_NOT_POSITIVE, VELOCITY_FACTOR_OUT_OF_RANGE.
func Resolution(span units.Megahertz, vf units.VelocityFactor) (units.Meters, error) {
	if err := checkSpan(span); err != nil {
		return 0, err
	}
	if err := checkVelocityFactor(vf); err != nil {
		return 0, err
	}
	return units.Meters(SpeedOfLight * float64(vf) / (2 * float64(span) * 1e6)), nil
}

// LargestDistance gives (points−1)·Resolution: beyond it a fault shows at a
// wrong, nearer place. A distance beyond it is not measurable.
//
// Errors, Invalid: POINTS_OUT_OF_RANGE and those of Resolution.
func LargestDistance(points int, span units.Megahertz, vf units.VelocityFactor) (units.Meters, error) {
	if err := checkPoints(points); err != nil {
		return 0, err
	}
	r, err := Resolution(span, vf)
	return units.Meters(points-1) * r, err
}

// SpanFor gives the span whose largest distance is d: (points−1)·c·Vf/(2·d).
//
// Errors, Invalid: POINTS_OUT_OF_RANGE, DISTANCE_OUT_OF_RANGE,
// VELOCITY_FACTOR_OUT_OF_RANGE.
func SpanFor(d units.Meters, points int, vf units.VelocityFactor) (units.Megahertz, error) {
	if err := checkPoints(points); err != nil {
		return 0, err
	}
	if err := checkVelocityFactor(vf); err != nil {
		return 0, err
	}
	if err := checkDistance(d); err != nil {
		return 0, err
	}
	if d < 0.001 {
		return 0, errs.Field("DISTANCE_OUT_OF_RANGE", "distance", "must be at least 1 mm")
	}
	return units.Megahertz(float64(points-1) * SpeedOfLight * float64(vf) / (2 * float64(d)) / 1e6), nil
}

// PointsFor gives the fewest points whose largest distance reaches d with a
// given span.
//
// Errors, Invalid: DISTANCE_OUT_OF_RANGE, POINTS_OUT_OF_RANGE (more than
// MaxPoints would be needed) and those of Resolution.
func PointsFor(d units.Meters, span units.Megahertz, vf units.VelocityFactor) (int, error) {
	r, err := Resolution(span, vf)
	if err != nil {
		return 0, err
	}
	if err := checkDistance(d); err != nil {
		return 0, err
	}
	n := math.Ceil(float64(d/r)-1e-9) + 1
	if n > MaxPoints {
		return 0, errs.Field("POINTS_OUT_OF_RANGE", "points", fmt.Sprintf("more than %d points would be needed; take a smaller span", MaxPoints))
	}
	return max(int(n), 2), nil
}

// RoundTripDelay gives 2·d/(c·Vf) in nanoseconds.
//
// Errors, Invalid: DISTANCE_OUT_OF_RANGE, VELOCITY_FACTOR_OUT_OF_RANGE.
func RoundTripDelay(d units.Meters, vf units.VelocityFactor) (nanoseconds float64, err error) {
	if err := checkDistance(d); err != nil {
		return 0, err
	}
	if err := checkVelocityFactor(vf); err != nil {
		return 0, err
	}
	return 2 * float64(d) / (SpeedOfLight * float64(vf)) * 1e9, nil
}

// PhaseSlope gives the slope of a single reflection's phase over frequency,
// −720·d/(Vf·299.792458) degrees per MHz.
//
// Errors as RoundTripDelay.
func PhaseSlope(d units.Meters, vf units.VelocityFactor) (degreesPerMegahertz float64, err error) {
	t, err := RoundTripDelay(d, vf)
	return -0.36 * t, err // 360° per period; 1 ns is 0.001 periods of 1 MHz
}

// DistanceFromPhaseSlope is the inverse of PhaseSlope: where a single
// reflection lies. The slope, zero or negative, must stay inside ±180° per
// frequency step, else the distance aliases: stepMegahertz is checked for that.
//
// Errors, Invalid: PHASE_SLOPE_OUT_OF_RANGE, VELOCITY_FACTOR_OUT_OF_RANGE,
// SPAN_NOT_POSITIVE.
func DistanceFromPhaseSlope(degreesPerMegahertz float64, step units.Megahertz, vf units.VelocityFactor) (units.Meters, error) {
	if err := checkSpan(step); err != nil {
		return 0, err
	}
	if err := checkVelocityFactor(vf); err != nil {
		return 0, err
	}
	limit := 180 / float64(step)
	if !(degreesPerMegahertz <= 0 && degreesPerMegahertz > -limit) {
		return 0, errs.Field("PHASE_SLOPE_OUT_OF_RANGE", "phase slope",
			fmt.Sprintf("must be 0 or negative and inside −180° per step (over −%g degrees per MHz)", limit))
	}
	return units.Meters(-degreesPerMegahertz * float64(vf) * SpeedOfLight / 720e6), nil
}

// PhaseLimit gives the distance at which phase turns by 180° per frequency
// step, c·Vf/(4·step): phase unwrapping aliases beyond it.
//
// Errors, Invalid: SPAN_NOT_POSITIVE, VELOCITY_FACTOR_OUT_OF_RANGE.
func PhaseLimit(step units.Megahertz, vf units.VelocityFactor) (units.Meters, error) {
	r, err := Resolution(step, vf)
	return r / 2, err
}

// WithVelocityFactor gives the true distance of a fault shown with a wrong
// velocity factor: shown·true/set.
//
// Errors, Invalid: DISTANCE_OUT_OF_RANGE, VELOCITY_FACTOR_OUT_OF_RANGE.
func WithVelocityFactor(shown units.Meters, set, right units.VelocityFactor) (units.Meters, error) {
	if err := checkDistance(shown); err != nil {
		return 0, err
	}
	for _, vf := range []units.VelocityFactor{set, right} {
		if err := checkVelocityFactor(vf); err != nil {
			return 0, err
		}
	}
	return shown * units.Meters(right/set), nil
}

// ReturnLossAtFault takes the line's round-trip loss out of what a distance
// plot shows: shown − 2·a·d/100, a in dB per 100 m. Negative results (more than
// all comes back) say that the loss or the distance is wrong; the caller flags.
//
// Errors, Invalid: RETURN_LOSS_OUT_OF_RANGE, RETURN_LOSS_NEGATIVE,
// DISTANCE_OUT_OF_RANGE, LOSS_OUT_OF_RANGE.
func ReturnLossAtFault(shown units.DB, d units.Meters, a units.DBPerHundredMeter) (units.DB, error) {
	if err := checkReturnLoss(shown); err != nil {
		return 0, err
	}
	if err := checkDistance(d); err != nil {
		return 0, err
	}
	if err := checkWithin("LOSS_OUT_OF_RANGE", "cable loss", float64(a), 0, 10_000, "dB per 100 m"); err != nil {
		return 0, err
	}
	return shown - units.DB(2*float64(a)*float64(d)/100), nil
}

// Span is Stop − Start.
func (s Setup) Span() units.Megahertz { return s.Stop - s.Start }

// Step is the distance between two frequencies, Span/(Points−1).
func (s Setup) Step() units.Megahertz { return s.Span() / units.Megahertz(s.Points-1) }

// Resolution, LargestDistance and Separation of the setup; errors as Check.
// Separation is the closest that two equal faults are told apart: the window's
// 6 dB width in bins times the resolution.
func (s Setup) Resolution() (units.Meters, error) {
	if err := s.Check(); err != nil {
		return 0, err
	}
	return Resolution(s.Span(), s.VelocityFactor)
}

// LargestDistance of the setup; errors as Check.
func (s Setup) LargestDistance() (units.Meters, error) {
	if err := s.Check(); err != nil {
		return 0, err
	}
	return LargestDistance(s.Points, s.Span(), s.VelocityFactor)
}

// Separation of the setup; errors as Check.
func (s Setup) Separation() (units.Meters, error) {
	r, err := s.Resolution()
	return r * units.Meters(s.Window.SixDBWidth()), err
}

// The reasons of a Warning about a setup or a trace. API, never renamed.
const (
	WarnBeyondLargest   = "DISTANCE_BEYOND_LARGEST"  // a distance asked for is not measurable
	WarnTooCoarse       = "RESOLUTION_TOO_COARSE"    // two faults this close are not told apart
	WarnReflectionOver1 = "REFLECTION_OVER_ONE"      // calibration error, or gain
	WarnGainAtFault     = "RETURN_LOSS_BELOW_ZERO"   // after loss correction: loss or distance wrong
	WarnBandNotCovered  = "BAND_NOT_COVERED"         // the sweep leaves out a part of the band
	WarnLossNotKnown    = "LOSS_NOT_CORRECTED"       // no cable loss was given
	WarnPeaksLeftOut    = "MORE_PEAKS_THAN_REPORTED" // only the strongest are listed
)

// Warning is a doubt about a result, for a person, with a stable reason.
type Warning struct{ Reason, Sentence string }

// WarningsFor says what the setup cannot show: reach is the length of the line
// (0: not asked), apart the distance of two faults to be told apart (0: not
// asked). A reach beyond the largest distance is not measurable.
//
// Errors, Invalid: DISTANCE_OUT_OF_RANGE and those of Check.
func (s Setup) WarningsFor(reach, apart units.Meters) ([]Warning, error) {
	for _, d := range []units.Meters{reach, apart} {
		if err := checkDistance(d); err != nil {
			return nil, err
		}
	}
	largest, err := s.LargestDistance()
	if err != nil {
		return nil, err
	}
	separation, err := s.Separation()
	if err != nil {
		return nil, err
	}
	var out []Warning
	if reach > largest {
		span, err := SpanFor(reach, s.Points, s.VelocityFactor)
		if err != nil {
			return nil, err
		}
		out = append(out, Warning{WarnBeyondLargest, fmt.Sprintf(
			"%.1f m is beyond %.1f m, the largest distance of this sweep; take more points, or a span of at most %.1f MHz", float64(reach), float64(largest), float64(span))})
	}
	if apart > 0 && apart < separation {
		out = append(out, Warning{WarnTooCoarse, fmt.Sprintf(
			"faults %.2f m apart are not told apart: this span and window need %.2f m", float64(apart), float64(separation))})
	}
	return out, nil
}
