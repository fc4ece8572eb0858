package rf

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// Slopes of third-order products with test power, dB per dB. The ideal one
// follows from the power series; real joints depart from it. The low practical
// value is from memory, not a citation.
const (
	IdealThirdOrderSlope = 3.0
	LowPracticalSlope    = 2.2
	HighPracticalSlope   = 2.8
)

// AtPower estimates the level of a product when both tones move together from
// one power to another: level + slope·(to − from). slope is 0 to MaxOrder; 3 is
// the ideal for third order. An estimate, not a reading: show it as one.
//
// Errors, Invalid: LEVEL_OUT_OF_RANGE, SLOPE_OUT_OF_RANGE, VALUE_NOT_FINITE.
func AtPower(level, from, to units.DBm, slope float64) (units.DBm, error) {
	if err := checkLevels("level", "dBm", float64(level), float64(from), float64(to)); err != nil {
		return 0, err
	}
	if err := checkWithin("SLOPE_OUT_OF_RANGE", "slope", slope, 0, MaxOrder, "dB per dB"); err != nil {
		return 0, err
	}
	return level + units.DBm(slope)*(to-from), nil
}

// SpanAtPower estimates a third-order product at another test power as a span:
// slopes from 2.2 (from memory) to the ideal 3. low ≤ high.
//
// Errors as AtPower.
func SpanAtPower(level, from, to units.DBm) (low, high units.DBm, err error) {
	a, err := AtPower(level, from, to, LowPracticalSlope)
	if err != nil {
		return 0, 0, err
	}
	b, err := AtPower(level, from, to, IdealThirdOrderSlope)
	if err != nil {
		return 0, 0, err
	}
	return min(a, b), max(a, b), nil
}

// ToneMoved gives the ideal level of the product m·f1 − n·f2 after the tones
// changed by d1 and d2 dB: level + m·d1 + n·d2 (m, n ≥ 1).
//
// Errors, Invalid: LEVEL_OUT_OF_RANGE, ORDER_OUT_OF_RANGE, VALUE_NOT_FINITE.
// From the power series: P(2f1−f2) is proportional to P1²·P2.
func ToneMoved(level units.DBm, m, n int, d1, d2 units.DB) (units.DBm, error) {
	if err := checkLevels("level", "dB", float64(level), float64(d1), float64(d2)); err != nil {
		return 0, err
	}
	if m < 1 || n < 1 || m+n > MaxOrder {
		return 0, errs.Field("ORDER_OUT_OF_RANGE", "order", "m and n must be 1 or more")
	}
	return level + units.DBm(m)*units.DBm(d1) + units.DBm(n)*units.DBm(d2), nil
}

// ChangeInDBc gives the change of a level in dBc when both tones change by d
// dB: (slope − 1)·d, because the carrier moves too.
//
// Errors, Invalid: LEVEL_OUT_OF_RANGE, SLOPE_OUT_OF_RANGE, VALUE_NOT_FINITE.
func ChangeInDBc(d units.DB, slope float64) (units.DB, error) {
	if err := checkLevel("power change", float64(d), "dB"); err != nil {
		return 0, err
	}
	if err := checkWithin("SLOPE_OUT_OF_RANGE", "slope", slope, 0, MaxOrder, "dB per dB"); err != nil {
		return 0, err
	}
	return units.DB(slope-1) * d, nil
}

// Slope gives the slope seen between two readings of one product at two test
// powers: (level2 − level1)/(power2 − power1), dB per dB.
//
// Errors, Invalid: POWERS_EQUAL (closer than 0.01 dB), LEVEL_OUT_OF_RANGE.
func Slope(level1, power1, level2, power2 units.DBm) (float64, error) {
	if err := checkLevels("level", "dBm", float64(level1), float64(power1), float64(level2), float64(power2)); err != nil {
		return 0, err
	}
	if math.Abs(float64(power2-power1)) < 0.01 {
		return 0, errs.Field("POWERS_EQUAL", "power", "the two test powers must differ by 0.01 dB or more")
	}
	return float64((level2 - level1) / (power2 - power1)), nil
}
