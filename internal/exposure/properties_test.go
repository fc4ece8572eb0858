package exposure_test

import (
	"math"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/exposure"
	"witnessmark/internal/working"
)

func TestGeneralLimitIsNeverOverTheOccupationalOne(t *testing.T) {
	for _, set := range exposure.Sets() {
		for f := 30.0; f <= 100_000; f *= 1.01 {
			o, err := exposure.LimitAt(set, exposure.Occupational, exposure.WholeBody, f)
			if err != nil {
				t.Fatal(err)
			}
			g, err := exposure.LimitAt(set, exposure.General, exposure.WholeBody, f)
			if err != nil || g.Density > o.Density || g.Density <= 0 {
				t.Errorf("%s at %v MHz: general %v, occupational %v, %v", set, f, g.Density, o.Density, err)
			}
		}
	}
}

func TestLimitsMeetWhereTwoRowsMeet(t *testing.T) {
	for _, tc := range []struct {
		set   exposure.Set
		tier  exposure.Tier
		basis exposure.Basis
		at    float64
		step  float64 // how far the printed rows differ there, as a part
	}{
		{exposure.FCC, exposure.Occupational, exposure.WholeBody, 3, 1e-5},
		{exposure.FCC, exposure.Occupational, exposure.WholeBody, 30, 1e-5},
		{exposure.FCC, exposure.Occupational, exposure.WholeBody, 300, 1e-5},
		{exposure.FCC, exposure.Occupational, exposure.WholeBody, 1500, 1e-5},
		{exposure.FCC, exposure.General, exposure.WholeBody, 1.34, 0.003},
		{exposure.FCC, exposure.General, exposure.WholeBody, 30, 1e-5},
		{exposure.FCC, exposure.General, exposure.WholeBody, 300, 1e-5},
		{exposure.FCC, exposure.General, exposure.WholeBody, 1500, 1e-5},
		{exposure.ICNIRP, exposure.General, exposure.WholeBody, 400, 1e-5},
		{exposure.ICNIRP, exposure.General, exposure.WholeBody, 2000, 1e-5},
		{exposure.ICNIRP, exposure.Occupational, exposure.Local, 2000, 0.002},
		{exposure.ICNIRP, exposure.Occupational, exposure.Local, 6000, 0.002},
	} {
		at := func(f float64) float64 {
			l, err := exposure.LimitAt(tc.set, tc.tier, tc.basis, f)
			if err != nil {
				t.Fatal(err)
			}
			return l.Density
		}
		below, here, above := at(tc.at*(1-1e-7)), at(tc.at), at(tc.at*(1+1e-7))
		if math.Abs(above/below-1) > tc.step {
			t.Errorf("%s %s %s at %v MHz: %v below, %v above; want them within %v", tc.set, tc.tier, tc.basis, tc.at, below, above, tc.step)
		}
		if here > math.Min(below, above)*(1+1e-6) {
			t.Errorf("%s %s %s at %v MHz: %v at the joint; want the lower of %v and %v", tc.set, tc.tier, tc.basis, tc.at, here, below, above)
		}
	}
}

func TestDistanceForIsTheInverseOfFarField(t *testing.T) {
	for _, r := range exposure.Reflections() {
		for _, eirp := range []float64{0.1, 1000, 1e6} {
			for _, s := range []float64{0.001, 2, 50, 1000} {
				d, err := exposure.DistanceFor(eirp, s, r)
				if err != nil {
					t.Fatal(err)
				}
				if d < exposure.DistanceMetres.Min {
					continue
				}
				back, err := exposure.FarField(eirp, d, r)
				if err != nil || math.Abs(back-s) > 1e-9*s {
					t.Errorf("FarField(%v, DistanceFor(%v, %s)) = %v, %v; want %v", eirp, s, r, back, err, s)
				}
			}
		}
	}
}

func TestFieldFormsAreInverses(t *testing.T) {
	for _, s := range []float64{0, 1e-6, 10, 1e5} {
		e, err := exposure.VoltsFromDensity(s)
		if err != nil {
			t.Fatal(err)
		}
		h, err := exposure.AmperesFromDensity(s)
		if err != nil {
			t.Fatal(err)
		}
		se, err1 := exposure.DensityFromVolts(e)
		sh, err2 := exposure.DensityFromAmperes(h)
		if err1 != nil || err2 != nil || math.Abs(se-s) > 1e-9*s || math.Abs(sh-s) > 1e-9*s || math.Abs(e*h-s) > 1e-9*s {
			t.Errorf("%v W/m2 -> %v V/m, %v A/m -> %v, %v (%v, %v)", s, e, h, se, sh, err1, err2)
		}
	}
}

func TestApertureFallsWithDistance(t *testing.T) {
	in := exposure.ApertureInput{DiameterMetres: 1.8, MHz: 11000, PowerWatts: 0.5, Efficiency: 0.6}
	last := math.Inf(1)
	for d := 0.0; d < 300; d += 0.5 {
		in.DistanceMetres = d
		got, err := exposure.Aperture(in)
		if err != nil {
			t.Fatal(err)
		}
		// The published forms step up by 2.8 % where the far field begins.
		if got.Density > last*1.03 || got.Density > got.Surface {
			t.Errorf("at %v m %v W/m2 after %v, surface %v", d, got.Density, last, got.Surface)
		}
		last = got.Density
	}
}

func TestSetsTiersAndBasesNeverAdd(t *testing.T) {
	one := func(s exposure.Set, tier exposure.Tier, b exposure.Basis) exposure.Fraction {
		f, err := exposure.FractionOf(s, tier, b, exposure.Emission{MHz: 900, Density: 1})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	base := one(exposure.ICNIRP, exposure.General, exposure.WholeBody)
	for name, other := range map[string]exposure.Fraction{
		"set":   one(exposure.FCC, exposure.General, exposure.WholeBody),
		"tier":  one(exposure.ICNIRP, exposure.Occupational, exposure.WholeBody),
		"basis": one(exposure.ICNIRP, exposure.General, exposure.Local),
	} {
		if _, err := exposure.Add(base, other); !errs.Is(err, "SETS_MIXED") {
			t.Errorf("another %s: %v; want SETS_MIXED", name, err)
		}
	}
	if got, err := exposure.Add(base, base); err != nil || math.Abs(got.Value-2*base.Value) > 1e-12 {
		t.Errorf("Add of the same twice = %v, %v; want %v", got.Value, err, 2*base.Value)
	}
}

func TestSumGrowsWithEverySource(t *testing.T) {
	var es []exposure.Emission
	last := -1.0
	for i := range exposure.MostSources {
		es = append(es, exposure.Emission{MHz: 100 * float64(i+1), Density: 0.01})
		got, err := exposure.SumOfFractions(exposure.FCC, exposure.General, exposure.WholeBody, es)
		if err != nil || got.Sum <= last {
			t.Fatalf("%d sources: %v, %v after %v", i+1, got.Sum, err, last)
		}
		last = got.Sum
	}
	es = append(es, es[0])
	if _, err := exposure.SumOfFractions(exposure.FCC, exposure.General, exposure.WholeBody, es); !errs.Is(err, "SOURCES_TOO_MANY") {
		t.Errorf("%d sources: %v; want SOURCES_TOO_MANY", len(es), err)
	}
	if _, err := exposure.SumOfFractions(exposure.FCC, exposure.General, exposure.WholeBody, nil); !errs.Is(err, "SOURCES_MISSING") {
		t.Errorf("no source: %v; want SOURCES_MISSING", err)
	}
}

func TestTestKitCountsBothTones(t *testing.T) {
	kit := exposure.TestKitInput{PowerPerToneWatts: 20, GainDBi: 17, ToneMHz: [2]float64{1930, 1990}, Reflection: exposure.FreeSpace, Set: exposure.FCC}
	both, err := exposure.TestKitStandOff(kit)
	if err != nil {
		t.Fatal(err)
	}
	one, err := exposure.Single(exposure.SingleInput{PowerWatts: 20, GainDBi: 17, MHz: 1930, Reflection: exposure.FreeSpace, Set: exposure.FCC, Tier: exposure.General, Basis: exposure.WholeBody})
	if err != nil {
		t.Fatal(err)
	}
	if want := one.StandOffMetres * math.Sqrt2; math.Abs(both.GeneralMetres-want) > 1e-9 {
		t.Errorf("two tones reach %v m; want sqrt(2) of one tone's %v", both.GeneralMetres, one.StandOffMetres)
	}
	if both.GeneralMetres <= both.OccupationalMetres {
		t.Errorf("general %v, occupational %v; want the general one farther", both.GeneralMetres, both.OccupationalMetres)
	}
	kit.LossDB = 3
	less, err := exposure.TestKitStandOff(kit)
	if err != nil || less.GeneralMetres >= both.GeneralMetres {
		t.Errorf("with 3 dB of loss %v m, %v; want less than %v", less.GeneralMetres, err, both.GeneralMetres)
	}
	// At two frequencies whose limits differ, the parts of each limit add.
	kit = exposure.TestKitInput{PowerPerToneWatts: 20, GainDBi: 17, ToneMHz: [2]float64{700, 850}, Reflection: exposure.FreeSpace, Set: exposure.FCC}
	got, err := exposure.TestKitStandOff(kit)
	if err != nil {
		t.Fatal(err)
	}
	at, err := exposure.FarField(got.EIRPWatts/2, got.GeneralMetres, exposure.FreeSpace)
	if err != nil {
		t.Fatal(err)
	}
	sum, err := exposure.SumOfFractions(exposure.FCC, exposure.General, exposure.WholeBody, []exposure.Emission{{MHz: 700, Density: at}, {MHz: 850, Density: at}})
	if err != nil || math.Abs(sum.Sum-1) > 1e-9 {
		t.Errorf("sum of parts at the distance = %v, %v; want 1", sum.Sum, err)
	}
}

func TestTimeAverageFindsTheWorstWindow(t *testing.T) {
	avg := func(stays ...exposure.Stay) float64 {
		got, err := exposure.TimeAverage(exposure.FCC, exposure.Occupational, exposure.WholeBody, 1900, stays)
		if err != nil {
			t.Fatal(err)
		}
		return got.Worst
	}
	for _, tc := range []struct {
		name  string
		stays []exposure.Stay
		want  float64
	}{
		{"longer than the window is the density itself", []exposure.Stay{{Density: 40, Minutes: 60}}, 40},
		{"the worst part counts, not the whole", []exposure.Stay{{Density: 10, Minutes: 30}, {Density: 60, Minutes: 3}, {Density: 10, Minutes: 30}}, 35},
		{"none but the middle", []exposure.Stay{{Density: 0, Minutes: 30}, {Density: 60, Minutes: 1}, {Density: 0, Minutes: 30}}, 10},
		{"two peaks in one window", []exposure.Stay{{Density: 60, Minutes: 1}, {Density: 0, Minutes: 3}, {Density: 60, Minutes: 1}}, 20},
	} {
		if got := avg(tc.stays...); math.Abs(got-tc.want) > 1e-9 {
			t.Errorf("%s: %v; want %v", tc.name, got, tc.want)
		}
	}
}

func TestLongestStayReachesExactlyTheLimit(t *testing.T) {
	for _, s := range []float64{50.001, 75, 150, 4000} {
		stay, err := exposure.LongestStay(exposure.FCC, exposure.Occupational, exposure.WholeBody, 1900, s)
		if err != nil {
			t.Fatal(err)
		}
		got, err := exposure.TimeAverage(exposure.FCC, exposure.Occupational, exposure.WholeBody, 1900, []exposure.Stay{{Density: s, Minutes: stay.Minutes}})
		if err != nil || math.Abs(got.Worst-50) > 1e-9 || got.Over {
			t.Errorf("%v W/m2 for %v min averages %v over %v, %v; want 50", s, stay.Minutes, got.Worst, got.Over, err)
		}
	}
	stay, err := exposure.LongestStay(exposure.FCC, exposure.Occupational, exposure.WholeBody, 1900, 50)
	if err != nil || !stay.NoTimeLimit {
		t.Errorf("at the limit itself: %+v, %v; want no time limit", stay, err)
	}
}

func TestUnknownWordsAreRefused(t *testing.T) {
	for _, tc := range []struct {
		name   string
		call   func() error
		reason string
	}{
		{"set", func() error {
			_, err := exposure.LimitAt("other", exposure.General, exposure.WholeBody, 900)
			return err
		}, "SET_UNKNOWN"},
		{"tier", func() error {
			_, err := exposure.LimitAt(exposure.FCC, "", exposure.WholeBody, 900)
			return err
		}, "TIER_UNKNOWN"},
		{"local FCC", func() error {
			_, err := exposure.LimitAt(exposure.FCC, exposure.General, exposure.Local, 900)
			return err
		}, "BASIS_UNKNOWN"},
		{"reflection", func() error {
			_, err := exposure.FarField(1, 1, "")
			return err
		}, "REFLECTION_UNKNOWN"},
		{"not a number", func() error {
			_, err := exposure.LimitAt(exposure.FCC, exposure.General, exposure.WholeBody, math.NaN())
			return err
		}, "NOT_A_NUMBER"},
	} {
		if err := tc.call(); !errs.Is(err, tc.reason) {
			t.Errorf("%s: %v; want %s", tc.name, err, tc.reason)
		}
	}
}

func TestTheWorkingOfTheTestKitSaysThatItRadiates(t *testing.T) {
	got, err := exposure.TestKitStandOff(exposure.TestKitInput{PowerPerToneWatts: 20, GainDBi: 17, ToneMHz: [2]float64{850, 850}, Reflection: exposure.FreeSpace, Set: exposure.FCC})
	if err != nil {
		t.Fatal(err)
	}
	text := got.Working.Text()
	for _, part := range []string{"The test itself radiates", "near field", "other transmitters", "2004.75", "trained, fully aware"} {
		if !strings.Contains(text, part) {
			t.Errorf("no %q in:\n%s", part, text)
		}
	}
}

func TestTablesHaveSources(t *testing.T) {
	for _, r := range exposure.Rules() {
		w := working.Working{Formula: r.Text, Result: []working.Term{working.Words("rule", r.Text)}, Sources: []working.Source{r.Source}}
		if err := w.Complete(false); err != nil {
			t.Error(err)
		}
	}
}

func FuzzNothingBecomesNaN(f *testing.F) {
	f.Add(20.0, 17.0, 850.0, 10.0)
	f.Add(math.MaxFloat64, math.Inf(-1), 0.3, math.SmallestNonzeroFloat64)
	f.Fuzz(func(t *testing.T, a, b, c, d float64) {
		check := func(name string, err error, vs ...float64) {
			for _, v := range vs {
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Errorf("%s(%v, %v, %v, %v) = %v without an error", name, a, b, c, d, v)
				}
			}
		}
		s, err := exposure.Single(exposure.SingleInput{PowerWatts: a, GainDBi: b, MHz: c, DistanceMetres: d, Reflection: exposure.Full, Set: exposure.FCC, Tier: exposure.General, Basis: exposure.WholeBody})
		check("Single", err, s.Density, s.StandOffMetres, s.EIRPWatts)
		ap, err := exposure.Aperture(exposure.ApertureInput{DiameterMetres: a, MHz: c, PowerWatts: b, Efficiency: 0.5, DistanceMetres: d})
		check("Aperture", err, ap.Density, ap.Surface, ap.FarFromMetres)
		cy, err := exposure.Cylinder(a, b, c, d)
		check("Cylinder", err, cy.Density)
		k, err := exposure.TestKitStandOff(exposure.TestKitInput{PowerPerToneWatts: a, GainDBi: b, ToneMHz: [2]float64{c, d}, Reflection: exposure.Ground, Set: exposure.ICNIRP})
		check("TestKitStandOff", err, k.GeneralMetres, k.OccupationalMetres)
		av, err := exposure.TimeAverage(exposure.FCC, exposure.Occupational, exposure.WholeBody, c, []exposure.Stay{{Density: a, Minutes: b}, {Density: d, Minutes: b}})
		check("TimeAverage", err, av.Worst)
		ls, err := exposure.LongestStay(exposure.ICNIRP, exposure.Occupational, exposure.Local, c, a)
		check("LongestStay", err, ls.Minutes)
		sf, err := exposure.SumOfFieldFractions(exposure.FCC, exposure.General, exposure.WholeBody, []exposure.Field{{MHz: c, Volts: a}})
		check("SumOfFieldFractions", err, sf.Sum)
	})
}

// Four sources in mW/cm2 at 0.9, 1.2, 0.35 and 2.0: computed from 47 CFR 1.1310.
func TestSourcesThatEachPassCanFailTogether(t *testing.T) {
	es := []exposure.Emission{{MHz: 850, Density: 9}, {MHz: 1900, Density: 12}, {MHz: 700, Density: 3.5}, {MHz: 2100, Density: 20}}
	got, err := exposure.SumOfFractions(exposure.FCC, exposure.Occupational, exposure.WholeBody, es)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range got.Fractions {
		if f >= 1 {
			t.Errorf("source %+v alone is %v of its limit; want under 1", es[i], f)
		}
	}
	if !got.Over || !strings.Contains(got.Working.Text(), working.Over) {
		t.Errorf("together %v; want over the limit, said so", got.Sum)
	}
}
