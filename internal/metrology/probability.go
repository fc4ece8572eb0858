package metrology

import (
	"math"

	"witnessmark/internal/errs"
)

// Phi is the standard normal distribution function, Φ(z) = erfc(−z/√2)/2.
// ±Inf gives 1 and 0; NaN gives NaN.
func Phi(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// ConformanceProbability returns the probability, 0 to 1, that the true value
// lies within the limits, given the measured value y and its standard
// uncertainty, with a normal error and no prior knowledge:
//
//	upper      Φ((TU − y)/u)
//	lower      Φ((y − TL)/u)
//	two-sided  Φ((TU − y)/u) − Φ((TL − y)/u)
//
// Errors are Invalid: VALUE_NOT_FINITE, LIMIT_MISSING, those of Limits.Check,
// and UNCERTAINTY_OUT_OF_RANGE when u is not a finite number over 0.
//
// From JCGM 106:2012 clause 7.
func ConformanceProbability(l Limits, y, standardUncertainty float64) (float64, error) {
	if !finite(y) {
		return 0, errs.Field("VALUE_NOT_FINITE", "value", "a value is a finite number, got "+number(y))
	}
	if !(standardUncertainty > 0) || math.IsInf(standardUncertainty, 0) {
		return 0, errs.Field("UNCERTAINTY_OUT_OF_RANGE", "standardUncertainty",
			"a standard uncertainty is a finite number over 0, got "+number(standardUncertainty))
	}
	if err := l.Check(); err != nil {
		return 0, err
	}
	upper := (l.Upper - y) / standardUncertainty
	lower := (l.Lower - y) / standardUncertainty
	switch {
	case l.HasLower && l.HasUpper:
		// The smaller tails are subtracted, which keeps the digits that
		// 1 − (1 − p) would lose far from the middle.
		if lower > 0 {
			return Phi(-lower) - Phi(-upper), nil
		}
		return Phi(upper) - Phi(lower), nil
	case l.HasUpper:
		return Phi(upper), nil
	case l.HasLower:
		return Phi(-lower), nil
	}
	return 0, errs.Field("LIMIT_MISSING", "limits", "without a limit there is nothing to conform to")
}
