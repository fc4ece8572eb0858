package torque

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// Extension is an extension or crow-foot on a torque tool.
type Extension struct {
	// Lever is from the centre of the square drive to the grip point, over 0
	// and at most 5 m.
	Lever units.Millimeters
	// Reach is from the drive's centre to the fastener's centre, 0 to 5 m.
	Reach units.Millimeters
	// Angle is between the tool and the extension: 0 in line (full correction),
	// 90 square (none), 180 folded back (the correction reversed).
	Angle units.Degrees
}

// factor returns the delivered torque over the set one, (L + E·cos θ)/L.
func (e Extension) factor() (float64, error) {
	const most = 5000
	if !(e.Lever > 0 && e.Lever <= most) {
		return 0, errs.Field("EXTENSION_OUT_OF_RANGE", "lever", fmt.Sprintf("the lever is over 0 and at most %d mm, got %s", most, plain(float64(e.Lever))))
	}
	if !(e.Reach >= 0 && e.Reach <= most) {
		return 0, errs.Field("EXTENSION_OUT_OF_RANGE", "reach", fmt.Sprintf("the reach is from 0 to %d mm, got %s", most, plain(float64(e.Reach))))
	}
	if !(e.Angle >= 0 && e.Angle <= 180) {
		return 0, errs.Field("EXTENSION_OUT_OF_RANGE", "angle", "the angle is from 0 to 180 degrees, got "+plain(float64(e.Angle)))
	}
	f := 1 + float64(e.Reach)/float64(e.Lever)*cosDegrees(float64(e.Angle))
	// A factor near nothing means that the fastener lies beside the hand: the
	// tool then turns it by next to nothing, and the set value by any amount.
	if !(f >= 0.05 && f <= 20) {
		return 0, errs.Field("EXTENSION_OUT_OF_RANGE", "reach",
			"this geometry changes the torque more than twentyfold; use another extension")
	}
	return f, nil
}

// Set returns the torque to set on the tool so that target reaches the
// fastener: target·L/(L + E·cos θ).
//
// Errors are Invalid: TORQUE_OUT_OF_RANGE, EXTENSION_OUT_OF_RANGE.
//
// In line it agrees with the published examples 80 → 71.1 (400, 50 mm) and
// 100 → 57.14 (12, 9 in).
func (e Extension) Set(target units.NewtonMeters) (units.NewtonMeters, error) {
	if err := torqueIn("target", target); err != nil {
		return 0, err
	}
	f, err := e.factor()
	if err != nil {
		return 0, err
	}
	return units.NewtonMeters(float64(target) / f), nil
}

// Delivers returns the torque that reaches the fastener when the tool is set to
// set: set·(L + E·cos θ)/L, the inverse of Set.
//
// Errors as Set.
func (e Extension) Delivers(set units.NewtonMeters) (units.NewtonMeters, error) {
	if err := torqueIn("set", set); err != nil {
		return 0, err
	}
	f, err := e.factor()
	if err != nil {
		return 0, err
	}
	return units.NewtonMeters(float64(set) * f), nil
}

// Applied is how a torque was applied.
type Applied struct {
	Set       units.NewtonMeters
	Deviation units.Percent // permitted deviation of the tool, 0 where not known
	Extension *Extension    // nil for none
}

// AtFastener is what reached the fastener.
type AtFastener struct {
	Nominal units.NewtonMeters // for a tool without error
	Range   Range              // for a tool anywhere inside its deviation
}

// Really returns what the tool and the extension together delivered.
//
// Errors are Invalid: TORQUE_OUT_OF_RANGE, DEVIATION_OUT_OF_RANGE,
// EXTENSION_OUT_OF_RANGE.
func (a Applied) Really() (AtFastener, error) {
	r, err := Delivered(a.Set, a.Deviation)
	if err != nil {
		return AtFastener{}, err
	}
	f := 1.0
	if a.Extension != nil {
		if f, err = a.Extension.factor(); err != nil {
			return AtFastener{}, err
		}
	}
	scale := func(t units.NewtonMeters) units.NewtonMeters { return units.NewtonMeters(float64(t) * f) }
	return AtFastener{Nominal: scale(a.Set), Range: Range{Low: scale(r.Low), High: scale(r.High)}}, nil
}

// cosDegrees is exact at 0, 90 and 180, where π itself is not.
func cosDegrees(a float64) float64 {
	if a == 90 {
		return 0
	}
	return math.Cos(a * math.Pi / 180)
}
