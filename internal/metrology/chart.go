package metrology

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
)

// How many self-check readings of the same tool and reference make a baseline,
// and how many a chart takes at all. A new calibration starts a new baseline.
// The first two are common practice.
const (
	BaselineLeast  = 10
	BaselineBetter = 20
	MaxChartPoints = 100_000
)

// The divisors of a chart of individuals, as the published example rounds them
// (d2 = 2/√π = 1.12838, D4 = 1 + 3·d3/d2 = 3.26653).
const (
	d2 = 1.128
	d4 = 3.267
)

// IndividualsChart holds the limits of a chart of single readings, in their unit.
type IndividualsChart struct {
	Count             int     // readings in the baseline
	Center            float64 // their mean
	MovingRanges      []float64
	MeanRange         float64
	Sigma             float64 // mean moving range / 1.128
	Lower, Upper      float64 // centre ∓ 3 sigma
	MovingRangesUpper float64 // 3.267 × mean moving range; the lower limit is 0
}

// Individuals makes a chart of individuals and moving ranges from a baseline of
// at least 2 finite readings in the order they were taken. Under BaselineLeast
// the limits are too loose to trust: see Thin.
//
// Errors are Invalid: CHART_POINTS_COUNT, CHART_POINT_NOT_FINITE.
//
// From the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
func Individuals(baseline []float64) (IndividualsChart, error) {
	if err := points(baseline, 2); err != nil {
		return IndividualsChart{}, err
	}
	c := IndividualsChart{Count: len(baseline), MovingRanges: make([]float64, 0, len(baseline)-1)}
	for i, x := range baseline {
		// A running mean neither overflows nor drifts on long baselines.
		c.Center += (x - c.Center) / float64(i+1)
		if i > 0 {
			r := math.Abs(x - baseline[i-1])
			c.MovingRanges = append(c.MovingRanges, r)
			c.MeanRange += (r - c.MeanRange) / float64(i)
		}
	}
	c.Sigma = c.MeanRange / d2
	c.Lower, c.Upper = c.Center-3*c.Sigma, c.Center+3*c.Sigma
	c.MovingRangesUpper = d4 * c.MeanRange
	if !finite(c.Lower) || !finite(c.Upper) || !finite(c.MovingRangesUpper) {
		return IndividualsChart{}, errs.Field("CHART_POINT_NOT_FINITE", "values", "the readings are too far apart to be charted")
	}
	return c, nil
}

// Thin reports whether the baseline is too short to act on.
func (c IndividualsChart) Thin() bool { return c.Count < BaselineLeast }

// Watch applies the default rules of a daily self-check to the readings that
// follow the baseline: one point beyond 3 sigma stops work, nine in a row on
// one side warn (common practice).
//
// Errors are those of Runs.
func (c IndividualsChart) Watch(values []float64) (stop, warn []Signal, err error) {
	signals, err := Runs(c.Center, c.Sigma, values, BeyondThreeSigma, NineOneSide)
	for _, s := range signals {
		if s.Rule == BeyondThreeSigma {
			stop = append(stop, s)
		} else {
			warn = append(warn, s)
		}
	}
	return stop, warn, err
}

// EWMAParameters describe an exponentially weighted moving average chart.
type EWMAParameters struct {
	Lambda float64 // weight of the newest reading, over 0, at most 1
	Target float64 // also the starting value
	Sigma  float64 // standard deviation of single readings, over 0
	K      float64 // width of the limits in sigma, over 0; usually 3
}

// EWMAChart is the chart of a series.
type EWMAChart struct {
	Series       []float64 // z after each reading; the start is the target
	Lower, Upper float64   // steady limits
	Outside      []int     // indexes of the series beyond the steady limits
}

// EWMA computes z = λ·x + (1 − λ)·z before, from the target, with the steady
// limits target ± k·s·√(λ/(2 − λ)). A value on a limit is not beyond it.
//
// Errors are Invalid: CHART_PARAMETER_OUT_OF_RANGE, CHART_POINTS_COUNT,
// CHART_POINT_NOT_FINITE.
//
// From the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
func EWMA(p EWMAParameters, values []float64) (EWMAChart, error) {
	if err := points(values, 1); err != nil {
		return EWMAChart{}, err
	}
	lower, upper, err := p.Limits(0)
	if err != nil {
		return EWMAChart{}, err
	}
	c := EWMAChart{Series: make([]float64, len(values)), Lower: lower, Upper: upper}
	z := p.Target
	for i, x := range values {
		z = p.Lambda*x + (1-p.Lambda)*z
		if !finite(z) {
			return EWMAChart{}, errs.Field("CHART_POINT_NOT_FINITE", "values", "the readings are too far apart to be charted")
		}
		c.Series[i] = z
		if beyond(z, p.Target, upper-p.Target) {
			c.Outside = append(c.Outside, i)
		}
	}
	return c, nil
}

// Limits returns the limits after t readings, which are tighter at the start:
// target ± k·s·√(λ/(2 − λ)·(1 − (1 − λ)^2t)). A t of 0 asks for the steady ones.
//
// The error is Invalid, CHART_PARAMETER_OUT_OF_RANGE.
func (p EWMAParameters) Limits(t int) (lower, upper float64, err error) {
	bad := func(field, msg string) (float64, float64, error) {
		return 0, 0, errs.Field("CHART_PARAMETER_OUT_OF_RANGE", field, msg)
	}
	switch {
	case !(p.Lambda > 0 && p.Lambda <= 1):
		return bad("lambda", "the weight is over 0 and at most 1, got "+number(p.Lambda))
	case !finite(p.Target):
		return bad("target", "the target is a finite number, got "+number(p.Target))
	case !(p.Sigma > 0) || math.IsInf(p.Sigma, 0):
		return bad("sigma", "the standard deviation is a finite number over 0, got "+number(p.Sigma))
	case !(p.K > 0 && p.K <= 10):
		return bad("k", "the width is over 0 and at most 10 sigma, got "+number(p.K))
	case t < 0:
		return bad("t", "the number of readings is 0 or more")
	}
	half := p.K * p.Sigma * math.Sqrt(p.Lambda/(2-p.Lambda))
	if t > 0 {
		half *= math.Sqrt(1 - math.Pow(1-p.Lambda, 2*float64(t)))
	}
	lower, upper = p.Target-half, p.Target+half
	if !finite(lower) || !finite(upper) {
		return bad("sigma", "the limits are too far apart to be represented")
	}
	return lower, upper, nil
}

// CUSUMParameters describe a two-sided cumulative sum.
type CUSUMParameters struct {
	Target float64
	K      float64 // allowance, 0 or more: half of the shift to be found
	H      float64 // decision limit, over 0: usually 4 to 5 standard deviations
}

// CUSUMChart is the sum of a series.
type CUSUMChart struct {
	High, Low []float64 // after each reading
	Signals   []int     // indexes at which either sum is over H
}

// CUSUM computes high = max(0, high + x − target − k) and
// low = max(0, low + target − k − x), both from 0, and signals when over h.
// The sums run on after a signal; the caller decides when to begin again.
//
// Errors are Invalid: CHART_PARAMETER_OUT_OF_RANGE, CHART_POINTS_COUNT,
// CHART_POINT_NOT_FINITE.
//
// From the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
func CUSUM(p CUSUMParameters, values []float64) (CUSUMChart, error) {
	if err := points(values, 1); err != nil {
		return CUSUMChart{}, err
	}
	for _, q := range []struct {
		field string
		v     float64
		ok    bool
	}{{"target", p.Target, true}, {"k", p.K, p.K >= 0}, {"h", p.H, p.H > 0}} {
		if !finite(q.v) || !q.ok {
			return CUSUMChart{}, errs.Field("CHART_PARAMETER_OUT_OF_RANGE", q.field,
				"the target is finite, k is 0 or more and h is over 0; got "+number(q.v))
		}
	}
	c := CUSUMChart{High: make([]float64, len(values)), Low: make([]float64, len(values))}
	high, low := 0.0, 0.0
	for i, x := range values {
		high = math.Max(0, high+x-p.Target-p.K)
		low = math.Max(0, low+p.Target-p.K-x)
		if !finite(high) || !finite(low) {
			return CUSUMChart{}, errs.Field("CHART_POINT_NOT_FINITE", "values", "the readings are too far apart to be charted")
		}
		c.High[i], c.Low[i] = high, low
		if Rounded(high) > Rounded(p.H) || Rounded(low) > Rounded(p.H) {
			c.Signals = append(c.Signals, i)
		}
	}
	return c, nil
}

func points(values []float64, least int) error {
	if len(values) < least || len(values) > MaxChartPoints {
		return errs.Field("CHART_POINTS_COUNT", "values",
			fmt.Sprintf("a chart takes %d to %d readings, got %d", least, MaxChartPoints, len(values)))
	}
	for i, x := range values {
		if !finite(x) {
			return errs.Field("CHART_POINT_NOT_FINITE", fmt.Sprintf("values[%d]", i), "a reading is a finite number, got "+number(x))
		}
	}
	return nil
}
