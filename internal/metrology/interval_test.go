package metrology_test

import (
	"math"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
)

// ILAC-G24 / OIML D 10 (2022), method 1; the 80 % from memory.
func TestStaircase(t *testing.T) {
	for _, tc := range []struct {
		found, permitted float64
		want             metrology.IntervalAdvice
		reason           string
	}{
		{0, 4, metrology.Lengthen, ""},
		{-3.2, 4, metrology.Lengthen, ""},
		{3.3, 4, metrology.Keep, ""},
		{4, 4, metrology.Keep, ""},
		{-4.1, 4, metrology.Shorten, ""},
		{math.NaN(), 4, "", "VALUE_NOT_FINITE"},
		{1, 0, "", "FOUND_ERROR_INVALID"},
		{1, math.Inf(1), "", "FOUND_ERROR_INVALID"},
	} {
		got, err := metrology.Staircase(tc.found, tc.permitted)
		if got != tc.want || errs.ReasonOf(err) != tc.reason {
			t.Errorf("Staircase(%v, %v) = %q, %v; want %q %s", tc.found, tc.permitted, got, err, tc.want, tc.reason)
		}
	}
}

func TestIntervalRulesCanBeUsed(t *testing.T) {
	last := date(t, "2026-01-15")
	for _, r := range metrology.IntervalRules() {
		due, err := r.Interval.Due(last)
		if err != nil || due != date(t, "2027-01-15") || r.Source.Document == "" || r.Source.Status == "" || r.Kind == "" {
			t.Errorf("%+v: due %v, %v; want twelve months with a source", r, due, err)
		}
	}
}
