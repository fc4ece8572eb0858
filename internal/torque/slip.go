package torque

import (
	"math"

	"witnessmark/internal/units"
)

// Slip is a torque that is almost surely a slip of unit, decimal point or
// connection. It is asked about once; confirmed, the value is kept as said and
// judged.
type Slip struct {
	// Ratio is value ÷ nearest end of the expected range.
	Ratio     float64
	Proposals []Proposal      // what it may have been meant to be; may be empty
	Usual     []InterfaceName // other interfaces for which the value is usual
}

// Proposal is one reading of a slip.
type Proposal struct {
	Torque units.NewtonMeters
	Why    string
}

// near is how far from the usual range a proposal may lie, as a factor. It
// covers the permitted deviation of the widest tool class.
const near = 1.06

// farOff is the ratio from which a torque is asked about even when nothing can
// be proposed.
const farOff = 5

// Ask reports whether a torque entered in N·m for an interface is to be asked
// about: outside the accepted presets and the upper torque, and either five or
// more times too small or large, or right when read in the other unit of the
// trade (ft·lbf where N·m are whole, in·lbf where they are small, kgf·m). Where
// no torque is held, or the value is not a finite number over 0, there is
// nothing to ask.
func Ask(i Interface, t units.NewtonMeters) (Slip, bool) {
	v := float64(t)
	if !i.Preset.Held() || !(v > 0) || math.IsInf(v, 0) {
		return Slip{}, false
	}
	low, high := float64(i.Preset.Low), float64(i.Preset.High)
	if v >= low/near && v <= max(high, float64(i.Upper))*near {
		return Slip{}, false
	}
	s := Slip{Ratio: v / low}
	if v > low {
		s.Ratio = v / high
	}
	wrenchUnit := Proposal{units.NewtonMetersFromInchPounds(v), "the number read as in·lbf"}
	if low >= 10 {
		wrenchUnit = Proposal{units.NewtonMetersFromFootPounds(v), "the number read as ft·lbf"}
	}
	for _, p := range []Proposal{
		{t * 10, "ten times the number"},
		{t / 10, "a tenth of the number"},
		wrenchUnit,
		{t * units.StandardGravity, "the number read as kgf·m"},
		{t * units.StandardGravity / 100, "the number read as kgf·cm"},
	} {
		if p.Torque >= i.Preset.Low && float64(p.Torque) <= high*near || i.Preset.Low == i.Preset.High && math.Abs(float64(p.Torque)/low-1) < near-1 {
			s.Proposals = append(s.Proposals, p)
		}
	}
	if len(s.Proposals) == 0 && s.Ratio < farOff && s.Ratio > 1.0/farOff {
		return Slip{}, false
	}
	for _, other := range Interfaces() {
		if other.Name != i.Name && other.Preset.Held() && t >= other.Preset.Low && t <= other.Preset.High {
			s.Usual = append(s.Usual, other.Name)
		}
	}
	return s, true
}
