package metrology

import (
	"cmp"
	"math"
	"slices"

	"witnessmark/internal/errs"
)

// RunRule is a test for a pattern among charted points.
type RunRule string

// The eight tests of Nelson (Journal of Quality Technology 16(4), 1984), and
// eight in a row, which the older zone rules have in place of nine.
const (
	BeyondThreeSigma       RunRule = "one point beyond 3 sigma"
	NineOneSide            RunRule = "nine in a row on one side"
	SixRisingOrFalling     RunRule = "six in a row rising or falling"
	FourteenAlternating    RunRule = "fourteen in a row alternating"
	TwoOfThreeBeyondTwo    RunRule = "two of three beyond 2 sigma on one side"
	FourOfFiveBeyondOne    RunRule = "four of five beyond 1 sigma on one side"
	FifteenWithinOne       RunRule = "fifteen in a row within 1 sigma"
	EightBeyondOneBothSide RunRule = "eight in a row beyond 1 sigma on both sides"
	EightOneSide           RunRule = "eight in a row on one side"
)

// NelsonRules returns the eight tests in their published order.
func NelsonRules() []RunRule {
	return []RunRule{
		BeyondThreeSigma, NineOneSide, SixRisingOrFalling, FourteenAlternating,
		TwoOfThreeBeyondTwo, FourOfFiveBeyondOne, FifteenWithinOne, EightBeyondOneBothSide,
	}
}

// ZoneRules returns the older set: Statistical Quality Control Handbook, 1956;
// e-Handbook 6.3.2. Some libraries use nine in a row under this name.
func ZoneRules() []RunRule {
	return []RunRule{BeyondThreeSigma, TwoOfThreeBeyondTwo, FourOfFiveBeyondOne, EightOneSide}
}

// Signal is one pattern found: the rule, and the index of the point that
// completes it.
type Signal struct {
	Rule  RunRule
	Index int
}

// Runs applies the rules to values, ordered by the point that completes each
// pattern. Beyond means strictly beyond; a point on a line is not beyond it, so
// a point on the 1 sigma line counts as within; a point on the centre breaks a
// run on one side. Distances are rounded to a millionth of a sigma first.
//
// Errors are Invalid: CHART_WITHOUT_SPREAD when sigma is not a finite number
// over 0 (identical readings: the display is too coarse for a chart);
// RUN_RULE_UNKNOWN, CHART_PARAMETER_OUT_OF_RANGE, CHART_POINTS_COUNT,
// CHART_POINT_NOT_FINITE.
func Runs(center, sigma float64, values []float64, rules ...RunRule) ([]Signal, error) {
	if !finite(center) {
		return nil, errs.Field("CHART_PARAMETER_OUT_OF_RANGE", "center", "the centre is a finite number, got "+number(center))
	}
	if !(sigma > 0) || math.IsInf(sigma, 0) {
		return nil, errs.Field("CHART_WITHOUT_SPREAD", "sigma",
			"the baseline has no spread, so no point can be judged: take readings with a finer display")
	}
	if err := points(values, 1); err != nil {
		return nil, err
	}
	z := make([]float64, len(values))
	for i, x := range values {
		z[i] = Rounded((x - center) / sigma)
	}
	var out []Signal
	for _, rule := range rules {
		width, test, ok := rule.test()
		if !ok {
			return nil, errs.Field("RUN_RULE_UNKNOWN", "rules", string(rule)+" is not a run rule held here")
		}
		for end := width; end <= len(z); end++ {
			if test(z[end-width : end]) {
				out = append(out, Signal{rule, end - 1})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Signal) int { return cmp.Compare(a.Index, b.Index) })
	return out, nil
}

// test returns how many points the rule looks at and the test of such a window.
func (r RunRule) test() (width int, test func(z []float64) bool, ok bool) {
	switch r {
	case BeyondThreeSigma:
		return 1, func(z []float64) bool { return math.Abs(z[0]) > 3 }, true
	case NineOneSide:
		return 9, atLeastOnOneSide(9, 0), true
	case EightOneSide:
		return 8, atLeastOnOneSide(8, 0), true
	case TwoOfThreeBeyondTwo:
		return 3, atLeastOnOneSide(2, 2), true
	case FourOfFiveBeyondOne:
		return 5, atLeastOnOneSide(4, 1), true
	case SixRisingOrFalling:
		return 6, func(z []float64) bool {
			up, down := true, true
			for i := 1; i < len(z); i++ {
				up = up && z[i] > z[i-1]
				down = down && z[i] < z[i-1]
			}
			return up || down
		}, true
	case FourteenAlternating:
		return 14, func(z []float64) bool {
			for i := 2; i < len(z); i++ {
				if (z[i]-z[i-1])*(z[i-1]-z[i-2]) >= 0 {
					return false
				}
			}
			return true
		}, true
	case FifteenWithinOne:
		return 15, func(z []float64) bool {
			return !slices.ContainsFunc(z, func(v float64) bool { return math.Abs(v) > 1 })
		}, true
	case EightBeyondOneBothSide:
		return 8, func(z []float64) bool {
			return !slices.ContainsFunc(z, func(v float64) bool { return math.Abs(v) <= 1 }) &&
				slices.Min(z) < 0 && slices.Max(z) > 0
		}, true
	}
	return 0, nil, false
}

// atLeastOnOneSide tests for n points beyond the line, all above or all below.
// The newest point must be one of them, so that a pattern is reported when it
// completes and not again by a point that has returned.
func atLeastOnOneSide(n int, line float64) func(z []float64) bool {
	return func(z []float64) bool {
		above, below := 0, 0
		for _, v := range z {
			if v > line {
				above++
			}
			if v < -line {
				below++
			}
		}
		last := z[len(z)-1]
		return above >= n && last > line || below >= n && last < -line
	}
}

// beyond reports whether x is strictly farther than half from the centre.
func beyond(x, center, half float64) bool {
	return Rounded(math.Abs(x-center)) > Rounded(half)
}
