// Package rf converts and bounds radio quantities of an antenna line: power and
// intermodulation levels, return loss and VSWR, cable loss, distance to fault,
// and the order in which a test kit's own parts are cleared of suspicion.
//
// It is pure: no I/O, no clock. Inputs outside the domain are errors, never NaN;
// infinities appear only where a comment says so (a perfect match).
package rf

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// SpeedOfLight in vacuum, m/s, exact (SI).
const SpeedOfLight = 299792458.0

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func checkFinite(field string, v float64) error {
	if !finite(v) {
		return errs.Field("VALUE_NOT_FINITE", field, "must be a finite number")
	}
	return nil
}

// checkWithin reports a value that is not in [low, high].
func checkWithin(reason, field string, v, low, high float64, unit string) error {
	if err := checkFinite(field, v); err != nil {
		return err
	}
	if v < low || v > high {
		return errs.Field(reason, field, fmt.Sprintf("must be from %g to %g %s, is %g", low, high, unit, v))
	}
	return nil
}

// Levels beyond these are no reading of any instrument; the bound keeps powers
// of ten finite.
const (
	lowestLevel  = -400.0
	highestLevel = 200.0
)

func checkLevel(field string, v float64, unit string) error {
	return checkWithin("LEVEL_OUT_OF_RANGE", field, v, lowestLevel, highestLevel, unit)
}

func checkLevels(field string, unit string, vs ...float64) error {
	for _, v := range vs {
		if err := checkLevel(field, v, unit); err != nil {
			return err
		}
	}
	return nil
}

// DBmFromWatts gives a power over one milliwatt: 10·log10(P/1 mW).
//
// The error is Invalid, POWER_NOT_POSITIVE or VALUE_NOT_FINITE.
// Definition of the decibel with a reference of 1 mW.
func DBmFromWatts(p units.Watts) (units.DBm, error) {
	if err := checkFinite("power", float64(p)); err != nil {
		return 0, err
	}
	if p <= 0 {
		return 0, errs.Field("POWER_NOT_POSITIVE", "power", "must be over 0 W to be given in dBm")
	}
	return units.DBm(10*math.Log10(float64(p)) + 30), nil
}

// WattsFromDBm gives a power in watts: 1 mW·10^(P/10), for −400 to 200 dBm.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func WattsFromDBm(p units.DBm) (units.Watts, error) {
	if err := checkLevel("level", float64(p), "dBm"); err != nil {
		return 0, err
	}
	return units.Watts(math.Pow(10, (float64(p)-30)/10)), nil
}

// SumOfTones gives the total power of n equal tones: tone + 10·log10(n), n ≥ 1.
// The total is never the reference of a level in dBc; one tone is.
//
// The error is Invalid, TONES_OUT_OF_RANGE or LEVEL_OUT_OF_RANGE.
func SumOfTones(tone units.DBm, n int) (units.DBm, error) {
	if n < 1 || n > 1000 {
		return 0, errs.Field("TONES_OUT_OF_RANGE", "tones", "must be from 1 to 1000")
	}
	if err := checkLevel("level", float64(tone), "dBm"); err != nil {
		return 0, err
	}
	return tone + units.DBm(10*math.Log10(float64(n))), nil
}

// DBcFromDBm gives a product's level over one carrier: level − carrier, where
// carrier is the power of ONE of the test tones.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
// From IEC 62037-1: level relative to one carrier.
func DBcFromDBm(level, carrier units.DBm) (units.DBc, error) {
	if err := checkLevels("level", "dBm", float64(level), float64(carrier)); err != nil {
		return 0, err
	}
	return units.DBc(level - carrier), nil
}

// DBmFromDBc gives a product's power from its level over one carrier.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func DBmFromDBc(level units.DBc, carrier units.DBm) (units.DBm, error) {
	if err := checkLevels("level", "dB", float64(level), float64(carrier)); err != nil {
		return 0, err
	}
	return units.DBm(level) + carrier, nil
}

// PairTolerance is the largest gap between a level in dBm and in dBc, entered
// by hand for one reading, that is not worth a warning: each figure is shown to
// 0.1 dB and 20 W (43.0103 dBm) is often taken as 43. Common practice.
const PairTolerance units.DB = 0.2

// CheckPair compares two figures entered for one reading. gap is what dBc says
// less what dBm and the carrier say; agrees is |gap| ≤ PairTolerance. It blocks
// nothing: both figures stay.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func CheckPair(dBm units.DBm, dBc units.DBc, carrier units.DBm) (gap units.DB, agrees bool, err error) {
	exact, err := DBcFromDBm(dBm, carrier)
	if err != nil {
		return 0, false, err
	}
	if err := checkLevel("level", float64(dBc), "dBc"); err != nil {
		return 0, false, err
	}
	gap = units.DB(dBc - exact)
	// The room keeps a gap of exactly 0.2, as typed, inside.
	return gap, math.Abs(float64(gap)) <= float64(PairTolerance)+1e-9, nil
}
