package metrology

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// IntervalRule is a usual interval for a kind of instrument; the owner sets his
// own and must be able to justify it.
type IntervalRule struct {
	Kind     string // in words
	Interval CalibrationInterval
	Daily    bool // also checked against a reference each day of use
	Source   working.Source
}

// IntervalRules returns the usual intervals. Hand torque tools also have a count
// of cycles: see package torque. The caller owns the slice.
func IntervalRules() []IntervalRule {
	year := CalibrationInterval{Months: 12}
	practice := working.Source{Document: "usual interval", Status: working.CommonPractice}
	return []IntervalRule{
		{"hand torque tool without a user procedure", year, false, working.Source{Document: "ISO 6789-2", Clause: "4.1", Year: 2017, Status: working.FromMemory}},
		{"intermodulation, sweep and optical instruments", year, false, practice},
		{"loads and intermodulation sources", year, true, practice},
	}
}

// IntervalAdvice is what an as-found calibration says of the interval.
type IntervalAdvice string

// The answers of the staircase method.
const (
	Lengthen IntervalAdvice = "lengthen: found well inside"
	Keep     IntervalAdvice = "keep"
	Shorten  IntervalAdvice = "shorten: found outside"
)

// StaircaseInside is the part of the permitted error, 80 %, up to which an
// instrument is found well inside (from memory).
const StaircaseInside = 0.8

// Staircase reviews an interval by the largest error found and the error
// permitted, in the same unit: lengthen up to 80 % of it, shorten beyond it.
//
// Errors are Invalid: VALUE_NOT_FINITE; FOUND_ERROR_INVALID when the permitted
// error is not a finite number over 0.
//
// From ILAC-G24 / OIML D 10 (2022) clause 6, method 1; the 80 % from memory.
func Staircase(found, permitted float64) (IntervalAdvice, error) {
	if !finite(found) {
		return "", errs.Field("VALUE_NOT_FINITE", "found", "a found error is a finite number, got "+number(found))
	}
	if !(permitted > 0) || math.IsInf(permitted, 0) {
		return "", errs.Field("FOUND_ERROR_INVALID", "permitted", "a permitted error is a finite number over 0, got "+number(permitted))
	}
	switch size := Rounded(math.Abs(found)); {
	case size > Rounded(permitted):
		return Shorten, nil
	case size <= Rounded(StaircaseInside*permitted):
		return Lengthen, nil
	}
	return Keep, nil
}
