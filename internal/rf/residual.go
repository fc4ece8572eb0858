package rf

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// ResidualMargin is how far the kit's own intermodulation must lie below what
// is measured, or below the limit, for the kit to be fit (IEC 62037-1, as
// quoted in open text).
const ResidualMargin units.DB = 10

// ErrorBounds gives how far a reading can lie from the true level when a
// residual lies d dB below the true level, phase unknown: low =
// 20·log10(1 − 10^(−d/20)) (negative) and high = 20·log10(1 + 10^(−d/20)).
//
// The error is Invalid, RESIDUAL_MASKS_READING, when d ≤ 0: the residual is as
// large as the signal and a reading says nothing about the device.
// Curve of IEC 62037-1: d = 10 gives about +2 / −3 dB.
func ErrorBounds(d units.DB) (low, high units.DB, err error) {
	if err := checkFinite("level over residual", float64(d)); err != nil {
		return 0, 0, err
	}
	if d <= 0 {
		return 0, 0, errs.Field("RESIDUAL_MASKS_READING", "level over residual",
			"the residual is as large as the level or larger: the reading says nothing about the device")
	}
	// log1p and expm1 keep the digits for residuals far below the signal and
	// for residuals just below it.
	x := float64(d) * math.Ln10 / 20
	low = units.DB(20 / math.Ln10 * math.Log(-math.Expm1(-x)))
	high = units.DB(20 / math.Ln10 * math.Log1p(math.Exp(-x)))
	return low, high, nil
}

// ReadingBounds gives the lowest and highest reading that a device with a true
// level can give through a kit with a residual.
//
// Errors, Invalid: RESIDUAL_MASKS_READING, LEVEL_OUT_OF_RANGE.
func ReadingBounds(trueLevel, residual units.DBm) (low, high units.DBm, err error) {
	return bounds(trueLevel, residual)
}

// TrueBounds gives the lowest and highest true level behind a reading taken
// through a kit with a residual: the phasors' difference and sum. It is the
// same formula as ReadingBounds with the reading as its base.
//
// Errors, Invalid: RESIDUAL_MASKS_READING (a reading at or under the residual:
// see AtMost), LEVEL_OUT_OF_RANGE.
func TrueBounds(reading, residual units.DBm) (low, high units.DBm, err error) {
	return bounds(reading, residual)
}

func bounds(base, residual units.DBm) (low, high units.DBm, err error) {
	if err := checkLevels("level", "dBm", float64(base), float64(residual)); err != nil {
		return 0, 0, err
	}
	l, h, err := ErrorBounds(units.DB(base - residual))
	if err != nil {
		return 0, 0, err
	}
	return base + units.DBm(l), base + units.DBm(h), nil
}

// AtMost gives the highest true level behind a reading, whatever its size:
// reading and residual added as voltages, 20·log10(10^(M/20) + 10^(R/20)). It
// is what can be said of a reading at or under the residual: the device is 'at
// most' this. Inside the limit it passes; else it is not measurable.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func AtMost(reading, residual units.DBm) (units.DBm, error) {
	if err := checkLevels("level", "dBm", float64(reading), float64(residual)); err != nil {
		return 0, err
	}
	top, bottom := max(reading, residual), min(reading, residual)
	return top + units.DBm(20*math.Log10(1+math.Pow(10, float64(bottom-top)/20))), nil
}

// LevelAgainstLimit says what a reading and the kit's residual prove against an
// upper limit.
type LevelAgainstLimit int

// The findings. Package limits turns them into verdicts with their sources.
const (
	Inside        LevelAgainstLimit = iota + 1 // even the highest true level is at or under the limit
	InsideAtMost                               // as Inside, for a reading at or under the residual: shown as 'at most'
	NotProven                                  // the reading is inside, the highest true level is not
	Outside                                    // even the lowest true level is over the limit
	OutsideByLess                              // the reading is over the limit, the lowest true level is not: fail inside the uncertainty
	NotMeasurable                              // at or under the residual, and 'at most' is over the limit
)

// LevelJudged is a reading with its true-level interval.
type LevelJudged struct {
	Finding   LevelAgainstLimit
	Low, High units.DBm // the true level; Low is meaningless when !HasLow
	HasLow    bool      // false at or under the residual: nothing bounds it below
	// MarginOfKit is limit − residual; under ResidualMargin the kit is not fit
	// for this limit and the reading is judged with a warning.
	MarginOfKit units.DB
	KitFit      bool
}

// JudgeLevel compares a reading, with the kit's residual, against the highest
// level allowed. All three are powers in dBm at one test power (levels in dBc
// over the same carrier do as well: only differences count).
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func JudgeLevel(reading, residual, limit units.DBm) (LevelJudged, error) {
	high, err := AtMost(reading, residual)
	if err != nil {
		return LevelJudged{}, err
	}
	if err := checkLevel("limit", float64(limit), "dBm"); err != nil {
		return LevelJudged{}, err
	}
	margin := units.DB(limit - residual)
	// Levels are typed to 0.1 dB at best: the room keeps sums of typed decimals exact.
	const room = 1e-9
	out := LevelJudged{High: high, MarginOfKit: margin, KitFit: margin >= ResidualMargin-room}
	if reading <= residual {
		out.Finding = NotMeasurable
		if high <= limit+room {
			out.Finding = InsideAtMost
		}
		return out, nil
	}
	low, _, err := TrueBounds(reading, residual)
	if err != nil {
		return LevelJudged{}, err
	}
	out.Low, out.HasLow = low, true
	switch {
	case high <= limit+room:
		out.Finding = Inside
	case reading <= limit+room:
		out.Finding = NotProven
	case low > limit+room:
		out.Finding = Outside
	default:
		out.Finding = OutsideByLess
	}
	return out, nil
}

// ProvenPass gives the highest reading that still proves a pass: the reading
// whose highest true level is the limit, 20·log10(10^(L/20) − 10^(R/20)). A
// reading between it and the limit is 'pass, not proven'. It equals the lowest
// reading that a device exactly at the limit can give.
//
// Errors, Invalid: RESIDUAL_MASKS_READING (residual at or over the limit),
// LEVEL_OUT_OF_RANGE.
func ProvenPass(limit, residual units.DBm) (units.DBm, error) {
	low, _, err := bounds(limit, residual)
	return low, err
}
