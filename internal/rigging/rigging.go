// Package rigging calculates what a rope, a block, a sling, an anchor or a
// falling person does on a communications tower: loads, working load limits,
// plan classes, fall clearance. Every result carries its working; none of them
// gives permission. It has no I/O and no clock.
package rigging

import (
	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// LoadUnit is the unit that a load or force is entered and answered in. The
// formulas keep it; only a limit written in pounds is converted.
type LoadUnit string

// The units of a load. Kilogram stands for the weight of that mass.
const (
	Pound      LoadUnit = "lb"
	Kilogram   LoadUnit = "kg"
	Newton     LoadUnit = "N"
	Kilonewton LoadUnit = "kN"
)

// PoundsPerKilogram and NewtonsPerPound follow from the international pound
// (0.45359237 kg exactly) and standard gravity (9.80665 m/s2 exactly).
const (
	PoundsPerKilogram = 1 / 0.45359237
	NewtonsPerPound   = 0.45359237 * StandardGravity
)

// StandardGravity is in metres per second squared, exact by convention.
const StandardGravity = 9.80665

// LoadUnits lists the units of a load in the order a form shows them.
func LoadUnits() []LoadUnit { return []LoadUnit{Pound, Kilogram, Newton, Kilonewton} }

// pounds returns how many pounds-force one of u is.
func (u LoadUnit) pounds() (float64, error) {
	switch u {
	case Pound:
		return 1, nil
	case Kilogram:
		return PoundsPerKilogram, nil
	case Newton:
		return 1 / NewtonsPerPound, nil
	case Kilonewton:
		return 1000 / NewtonsPerPound, nil
	}
	return 0, errs.Field("LOAD_UNIT_UNKNOWN", "unit", "must be one of lb, kg, N, kN", "unit", string(u))
}

// Pounds converts v from u to pounds-force. The error is Invalid, reason
// LOAD_UNIT_UNKNOWN, for a unit outside LoadUnits.
func (u LoadUnit) Pounds(v float64) (float64, error) {
	k, err := u.pounds()
	return v * k, err
}

// LengthUnit is the unit that a length is entered and answered in.
type LengthUnit string

// The units of a length.
const (
	Foot  LengthUnit = "ft"
	Metre LengthUnit = "m"
)

// MetresPerFoot is exact (international foot).
const MetresPerFoot = 0.3048

// LengthUnits lists the units of a length in the order a form shows them.
func LengthUnits() []LengthUnit { return []LengthUnit{Foot, Metre} }

// fromFeet returns what one foot is in u.
func (u LengthUnit) fromFeet() (float64, error) {
	switch u {
	case Foot:
		return 1, nil
	case Metre:
		return MetresPerFoot, nil
	}
	return 0, errs.Field("LENGTH_UNIT_UNKNOWN", "unit", "must be ft or m", "unit", string(u))
}

// Domains of the inputs. The upper ends are bounds of this program, far beyond
// the trade's use, so that no arithmetic overflows.
var (
	LoadDomain       = working.Domain{Min: 0, MinOpen: true, Max: 1e7}
	ForceDomain      = working.Domain{Min: 0, Max: 1e7} // nought allowed: a part that may be absent
	LengthDomain     = working.Domain{Min: 0, Max: 1000}
	HeightDomain     = working.Domain{Min: -1000, Max: 1000} // below counts as negative
	BlockAngle       = working.Domain{Min: 0, Max: 180, Unit: "degrees"}
	LeanAngle        = working.Domain{Min: 0, Max: 90, MaxOpen: true, Unit: "degrees"}
	FactorDomain     = working.Domain{Min: 1, Max: 100}
	EfficiencyDomain = working.Domain{Min: 0.01, Max: 1}
)

// sources that several calculations share.
var (
	definition = working.Source{Document: "statics, force balance", Status: working.Computed}
	conversion = working.Source{Document: "international pound and foot, standard gravity", Status: working.Computed}
)

func fallRule(clause string, status working.Status) working.Source {
	return working.Source{Document: "29 CFR 1926.502", Clause: clause, Status: status}
}
