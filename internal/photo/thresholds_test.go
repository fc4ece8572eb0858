package photo

import (
	"math"
	"slices"
	"testing"

	"witnessmark/internal/errs"
)

// One figure is replaced, in a copy; names, bounds and sources are held.
func TestThresholdsWith(t *testing.T) {
	for _, subject := range Subjects() {
		plain := DefaultThresholds(subject)
		if err := plain.check(); err != nil {
			t.Errorf("defaults for %q: %v", subject, err)
		}
		for _, name := range ThresholdNames() {
			got, err := plain.With(name, Limit{1, "contract C-7"})
			if err != nil {
				t.Errorf("%q with %s: %v", subject, name, err)
				continue
			}
			changed := 0
			was := plain.all()
			for i, x := range got.all() {
				if *x.limit != *was[i].limit {
					changed++
					if x.name != name || *x.limit != (Limit{1, "contract C-7"}) {
						t.Errorf("%q with %s: %s is %+v", subject, name, x.name, *x.limit)
					}
				}
			}
			if changed != 1 {
				t.Errorf("%q with %s: %d figures changed; want 1", subject, name, changed)
			}
		}
	}
	if again := DefaultThresholds(Other); again.Sharpness.Value == 1 {
		t.Error("the defaults themselves were changed")
	}
	if !slices.Contains(ThresholdNames(), "sharpness") {
		t.Errorf("names %v; want sharpness among them", ThresholdNames())
	}
	for _, tc := range []struct {
		what, name string
		limit      Limit
		reason     string
	}{
		{"a name that is not known", "beauty", Limit{1, "s"}, "THRESHOLD_UNKNOWN"},
		{"no name", "", Limit{1, "s"}, "THRESHOLD_UNKNOWN"},
		{"no number", "sharpness", Limit{math.NaN(), "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"infinite", "sharpness", Limit{math.Inf(1), "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"below nothing", "sharpness", Limit{-1, "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"more luma than there is", "mean_high", Limit{256, "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"more bits than there are", "twin_fine", Limit{FineBits + 1, "s"}, "THRESHOLD_OUT_OF_RANGE"},
		{"no source", "sharpness", Limit{1, " "}, "THRESHOLD_WITHOUT_SOURCE"},
	} {
		if _, err := DefaultThresholds(Other).With(tc.name, tc.limit); errs.ReasonOf(err) != tc.reason {
			t.Errorf("%s: %v; want %s", tc.what, err, tc.reason)
		}
	}
}
