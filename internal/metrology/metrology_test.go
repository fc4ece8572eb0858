package metrology_test

import (
	"math"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
)

func TestRounded(t *testing.T) {
	for _, tc := range []struct{ in, want float64 }{
		{0.060*3.0 + 2*0.75, 1.68},
		{1.2345675, 1.234568}, {-1.2345675, -1.234568},
		{1e-7, 0}, {-1e-7, 0},
		{1e12 + 0.25, 1e12 + 0.25},
		{math.Inf(1), math.Inf(1)}, {math.Inf(-1), math.Inf(-1)},
	} {
		if got := metrology.Rounded(tc.in); got != tc.want || math.Signbit(got) && got == 0 {
			t.Errorf("Rounded(%v) = %v; want %v", tc.in, got, tc.want)
		}
	}
	if got := metrology.Rounded(math.NaN()); !math.IsNaN(got) {
		t.Errorf("Rounded(NaN) = %v; want NaN", got)
	}
}

func FuzzParseDate(f *testing.F) {
	for _, s := range []string{"2026-03-15", "2024-02-29", "", "9999-12-31", "0001-01-01", "2026-02-30", "+026-01-01"} {
		f.Add(s, 1)
	}
	f.Fuzz(func(t *testing.T, s string, months int) {
		d, err := metrology.ParseDate(s)
		if err != nil {
			if !errs.Is(err, "DATE_INVALID") {
				t.Errorf("ParseDate(%q) = %v; want DATE_INVALID", s, err)
			}
			return
		}
		if d.String() != s || d.Check() != nil {
			t.Errorf("ParseDate(%q) = %v (%v); want the same again", s, d, d.Check())
		}
		due, err := metrology.CalibrationInterval{Months: months}.Due(d)
		if err == nil && (due.Compare(d) <= 0 || due.Day > d.Day || due.Check() != nil) {
			t.Errorf("due %d months after %v is %v", months, d, due)
		}
	})
}

func FuzzCharts(f *testing.F) {
	f.Add(0.1, 0.2, 0.3, 0.4, 50.0, 2.0)
	f.Add(math.MaxFloat64, -math.MaxFloat64, math.NaN(), 0.0, math.Inf(1), 5e-324)
	f.Fuzz(func(t *testing.T, a, b, c, d, center, sigma float64) {
		values := []float64{a, b, c, d}
		number := func(xs ...float64) {
			for _, x := range xs {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Errorf("charts of %v about %v ± %v give %v", values, center, sigma, xs)
				}
			}
		}
		if x, err := metrology.Individuals(values); err == nil {
			number(x.Center, x.Sigma, x.Lower, x.Upper, x.MeanRange, x.MovingRangesUpper)
		}
		if x, err := metrology.EWMA(metrology.EWMAParameters{Lambda: 0.3, Target: center, Sigma: sigma, K: 3}, values); err == nil {
			number(append(x.Series, x.Lower, x.Upper)...)
		}
		if x, err := metrology.CUSUM(metrology.CUSUMParameters{Target: center, K: sigma / 2, H: 4 * sigma}, values); err == nil {
			number(append(x.High, x.Low...)...)
		}
		if _, err := metrology.Runs(center, sigma, values, metrology.NelsonRules()...); err != nil && errs.KindOf(err) != errs.Invalid {
			t.Errorf("Runs = %v; want Invalid", err)
		}
		if p, err := metrology.ConformanceProbability(metrology.Between(a, b), center, sigma); err == nil && !(p >= 0 && p <= 1) {
			t.Errorf("ConformanceProbability(%v to %v, %v, %v) = %v", a, b, center, sigma, p)
		}
	})
}
