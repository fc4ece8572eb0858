package torque_test

import (
	"math"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/torque"
	"witnessmark/internal/units"
)

// No number that a stranger sends makes a torque that is not one.
func FuzzApplied(f *testing.F) {
	f.Add(25.0, 4.0, 400.0, 50.0, 0.0)
	f.Add(math.NaN(), -1.0, 0.0, math.Inf(1), 181.0)
	f.Add(1e-300, 99.999999999, 1e-300, 5000.0, 180.0)
	f.Fuzz(func(t *testing.T, set, deviation, lever, reach, angle float64) {
		e := &torque.Extension{Lever: units.Millimeters(lever), Reach: units.Millimeters(reach), Angle: units.Degrees(angle)}
		got, err := torque.Applied{Set: nm(set), Deviation: units.Percent(deviation), Extension: e}.Really()
		if err != nil {
			if errs.KindOf(err) != errs.Invalid {
				t.Errorf("Really = %v; want Invalid", err)
			}
		} else {
			for _, v := range []nm{got.Nominal, got.Range.Low, got.Range.High} {
				if !(v >= 0) || math.IsInf(float64(v), 0) {
					t.Errorf("%v N·m ± %v %% through %+v delivers %+v", set, deviation, *e, got)
				}
			}
			if got.Range.Low > got.Nominal || got.Range.High < got.Nominal {
				t.Errorf("%v N·m ± %v %%: %+v does not hold its nominal", set, deviation, got)
			}
		}
		for _, i := range torque.Interfaces() {
			s, ask := torque.Ask(i, nm(set))
			if ask && (math.IsNaN(s.Ratio) || !(set > 0)) {
				t.Errorf("Ask(%s, %v) = %+v", i.Name, set, s)
			}
			for _, p := range s.Proposals {
				if p.Torque < i.Preset.Low*0.94 || p.Torque > i.Preset.High*1.07 || p.Why == "" {
					t.Errorf("Ask(%s, %v) proposes %+v", i.Name, set, p)
				}
			}
		}
	})
}
