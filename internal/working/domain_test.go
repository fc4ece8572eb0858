package working_test

import (
	"math"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

func TestDomain(t *testing.T) {
	angle := working.Domain{Min: 0, MinOpen: true, Max: 90, Unit: "degrees"}
	for _, tc := range []struct {
		name   string
		v      float64
		reason string
	}{
		{"inside", 45, ""},
		{"the closed end belongs", 90, ""},
		{"the open end does not", 0, "OUT_OF_RANGE"},
		{"over", 90.0001, "OUT_OF_RANGE"},
		{"not a number", math.NaN(), "NOT_A_NUMBER"},
		{"without end", math.Inf(1), "NOT_A_NUMBER"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := angle.Check("angle_degrees", tc.v)
			if errs.ReasonOf(err) != tc.reason {
				t.Errorf("Check(%v) = %v; want reason %q", tc.v, err, tc.reason)
			}
			if err != nil && (!strings.Contains(err.Error(), "angle_degrees") || !strings.Contains(err.Error(), "over 0 and at most 90 degrees")) {
				t.Errorf("Check(%v) = %q; want field and bounds in the sentence", tc.v, err)
			}
		})
	}
}

func TestEqualityIsNotOver(t *testing.T) {
	for _, tc := range []struct {
		v, limit float64
		over     bool
	}{
		{500, 500, false},
		{226.796185 / 0.45359237, 500, false}, // 500 lb, entered in kilograms
		{500.1, 500, true},
		{500.00001, 500, true},
		{0, 0, false},
	} {
		if got := working.Exceeds(tc.v, tc.limit); got != tc.over {
			t.Errorf("Exceeds(%v, %v) = %v; want %v", tc.v, tc.limit, got, tc.over)
		}
		got := working.Compare("load", tc.v, tc.limit, "lb").Value
		if want := map[bool]string{false: working.Within, true: working.Over}[tc.over]; !strings.HasPrefix(got, want) {
			t.Errorf("Compare(%v, %v) = %q; want it to begin with %q", tc.v, tc.limit, got, want)
		}
	}
}
