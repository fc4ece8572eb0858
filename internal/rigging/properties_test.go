package rigging_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/rigging"
	"witnessmark/internal/working"
)

func TestBlockLoadFallsAsTheLinesOpen(t *testing.T) {
	last := math.Inf(1)
	for a := 0.0; a <= 180; a += 0.5 {
		got, err := rigging.BlockLoad(rigging.BlockInput{Pull: 100, Unit: rigging.Pound, AngleDegrees: a})
		if err != nil {
			t.Fatal(err)
		}
		if got.Load > last || got.Load < 0 || got.Load > 200 {
			t.Errorf("BlockLoad(100, %v) = %v after %v; want falling between 200 and 0", a, got.Load, last)
		}
		printed, err := strconv.ParseFloat(got.Working.Result[0].Value, 64)
		if err != nil || printed < got.Load*(1-1e-12) {
			t.Errorf("BlockLoad(100, %v) prints %v, %v; want nothing under %v", a, printed, err, got.Load)
		}
		last = got.Load
	}
}

func TestBlockLoadSaysWhenFrictionIsNotIncluded(t *testing.T) {
	bare, err := rigging.BlockLoad(rigging.BlockInput{Pull: 100, Unit: rigging.Pound, AngleDegrees: 90})
	if err != nil {
		t.Fatal(err)
	}
	if got := bare.Working.Text(); !strings.Contains(got, "not included") {
		t.Errorf("without a factor the working must say 'not included':\n%s", got)
	}
	with, err := rigging.BlockLoad(rigging.BlockInput{Pull: 100, Unit: rigging.Pound, AngleDegrees: 90, Factor: 1.2, Rating: 160})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(with.Load-1.2*bare.Load) > 1e-9 || with.OverTheRating == nil || !*with.OverTheRating {
		t.Errorf("with factor 1.2 against 160: %v, over %v; want %v and over", with.Load, with.OverTheRating, 1.2*bare.Load)
	}
}

func TestSlingTensionHasTheLoadAsItsVerticalPart(t *testing.T) {
	for a := 30.0; a <= 90; a++ {
		got, err := rigging.SlingTension(rigging.SlingInput{Load: 1000, Unit: rigging.Kilogram, Legs: 2, AngleDegrees: a, AngleFrom: rigging.FromHorizontal})
		if err != nil {
			t.Fatal(err)
		}
		if v := 2 * got.TensionPerLeg * math.Sin(a*math.Pi/180); math.Abs(v-1000) > 1e-9 {
			t.Errorf("at %v degrees the legs lift %v; want 1000", a, v)
		}
		other, err := rigging.SlingTension(rigging.SlingInput{Load: 1000, Unit: rigging.Kilogram, Legs: 2, AngleDegrees: 90 - a, AngleFrom: rigging.FromVertical})
		if err != nil || math.Abs(other.TensionPerLeg-got.TensionPerLeg) > 1e-9 {
			t.Errorf("at %v from vertical: %v, %v; want %v as from horizontal", 90-a, other.TensionPerLeg, err, got.TensionPerLeg)
		}
	}
}

func TestSlingRefusals(t *testing.T) {
	ok := rigging.SlingInput{Load: 100, Unit: rigging.Pound, Legs: 2, AngleDegrees: 60, AngleFrom: rigging.FromHorizontal}
	for _, tc := range []struct {
		name   string
		change func(*rigging.SlingInput)
		reason string
	}{
		{"as it is", func(*rigging.SlingInput) {}, ""},
		{"neither angle nor lengths", func(in *rigging.SlingInput) { in.AngleDegrees, in.AngleFrom = 0, "" }, "SLING_SLOPE_MISSING"},
		{"both", func(in *rigging.SlingInput) { in.LegLength, in.Height = 10, 8 }, "SLING_SLOPE_TWICE"},
		{"height over leg", func(in *rigging.SlingInput) {
			in.AngleDegrees, in.AngleFrom, in.LegLength, in.Height = 0, "", 8, 10
		}, "HEIGHT_OVER_LEG"},
		{"one leg at a slope", func(in *rigging.SlingInput) { in.Legs = 1 }, "SINGLE_LEG_NOT_VERTICAL"},
		{"one leg hanging", func(in *rigging.SlingInput) { in.Legs, in.AngleDegrees = 1, 90 }, ""},
		{"nine legs", func(in *rigging.SlingInput) { in.Legs = 9 }, "OUT_OF_RANGE"},
		{"low angle asked for by a qualified person", func(in *rigging.SlingInput) { in.AngleDegrees, in.AllowLow = 20, true }, ""},
		{"flat even then", func(in *rigging.SlingInput) { in.AngleDegrees, in.AllowLow = 0, true }, "OUT_OF_RANGE"},
		{"flat by lengths", func(in *rigging.SlingInput) {
			in.AngleDegrees, in.AngleFrom, in.LegLength, in.Height, in.AllowLow = 0, "", 1000, 5e-324, true
		}, "OUT_OF_RANGE"},
		{"unit unknown", func(in *rigging.SlingInput) { in.Unit = "stone" }, "LOAD_UNIT_UNKNOWN"},
		{"load not a number", func(in *rigging.SlingInput) { in.Load = math.NaN() }, "NOT_A_NUMBER"},
		{"load below nothing", func(in *rigging.SlingInput) { in.Load = -1 }, "OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := ok
			tc.change(&in)
			_, err := rigging.SlingTension(in)
			if errs.ReasonOf(err) != tc.reason {
				t.Errorf("SlingTension(%+v) = %v; want reason %q", in, err, tc.reason)
			}
		})
	}
	in := ok
	in.Legs, in.Flexible = 4, true
	got, err := rigging.SlingTension(in)
	if err != nil || got.CountedLegs != 4 {
		t.Errorf("flexible load on four legs counts %d, %v; want 4", got.CountedLegs, err)
	}
}

func TestTagLineBalances(t *testing.T) {
	for alpha := 0.0; alpha < 60; alpha += 3 {
		for beta := 0.0; alpha+beta < 89; beta += 3 {
			got, err := rigging.TagLine(rigging.TagLineInput{Load: 500, Unit: rigging.Newton, LoadLineDegrees: alpha, TagLineDegrees: beta})
			if err != nil {
				t.Fatal(err)
			}
			a, b := alpha*math.Pi/180, beta*math.Pi/180
			vertical := got.LoadLine*math.Cos(a) - got.TagForce*math.Sin(b)
			sideways := got.LoadLine*math.Sin(a) - got.TagForce*math.Cos(b)
			if math.Abs(vertical-500) > 1e-9*got.LoadLine || math.Abs(sideways) > 1e-9*got.LoadLine {
				t.Errorf("TagLine(500, %v, %v): vertical %v, sideways %v; want 500 and 0", alpha, beta, vertical, sideways)
			}
			if got.LoadLine < 500*(1-1e-12) {
				t.Errorf("TagLine(500, %v, %v): load line %v under the load", alpha, beta, got.LoadLine)
			}
		}
	}
}

func TestSmallestMBSIsTheInverseOfTheWorkingLoadLimit(t *testing.T) {
	for _, load := range []float64{0.1, 350, 499.999, 5e5} {
		for _, factor := range []float64{1, 4, 5, 10} {
			for _, eff := range []float64{0.1, 0.45, 0.5, 1} {
				mbs, err := rigging.SmallestMBS(load, factor, eff)
				if err != nil {
					t.Fatal(err)
				}
				if mbs > rigging.LoadDomain.Max {
					continue
				}
				got, err := rigging.WorkingLoadLimit(rigging.WLLInput{MBS: mbs, Unit: rigging.Kilonewton, Factor: factor, Efficiency: eff, Load: load})
				if err != nil || math.Abs(got.WLL-load) > 1e-9*load || *got.OverLoad {
					t.Errorf("WLL of the smallest MBS %v for %v = %v over %v, %v", mbs, load, got.WLL, got.OverLoad, err)
				}
			}
		}
	}
}

func TestWorkingLoadLimitRefusals(t *testing.T) {
	for _, tc := range []struct {
		name   string
		in     rigging.WLLInput
		reason string
	}{
		{"no factor", rigging.WLLInput{MBS: 1, Unit: rigging.Pound}, "DESIGN_FACTOR_MISSING"},
		{"factor and item", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Item: "wire-rope-sling", Factor: 5}, "DESIGN_FACTOR_TWICE"},
		{"item nobody knows", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Item: "string"}, "ITEM_UNKNOWN"},
		{"knot nobody knows", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Factor: 5, Knot: "granny"}, "KNOT_UNKNOWN"},
		{"knot and efficiency", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Factor: 5, Knot: "any", Efficiency: 1}, "EFFICIENCY_TWICE"},
		{"more than everything kept", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Factor: 5, Efficiency: 1.1}, "OUT_OF_RANGE"},
		{"a factor under one", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Factor: 0.5}, "OUT_OF_RANGE"},
		{"load without end", rigging.WLLInput{MBS: 1, Unit: rigging.Pound, Factor: 5, Load: math.Inf(1)}, "NOT_A_NUMBER"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := rigging.WorkingLoadLimit(tc.in); errs.ReasonOf(err) != tc.reason {
				t.Errorf("%+v: %v; want %s", tc.in, err, tc.reason)
			}
		})
	}
}

func TestClearanceGrowsWithEveryPart(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	base := rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6}
	b, err := rigging.Clearance(base)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		change func(*rigging.ClearanceInput)
		more   float64
	}{
		{"longer lanyard", func(in *rigging.ClearanceInput) { in.Lanyard = 6.5 }, 0.5},
		{"lower anchor", func(in *rigging.ClearanceInput) { in.AnchorAboveRing = -1 }, 1},
		{"more shift", func(in *rigging.ClearanceInput) { in.DRingShift = v(2) }, 1},
		{"higher ring", func(in *rigging.ClearanceInput) { in.DRingHeight = v(5.5) }, 0.5},
		{"more margin", func(in *rigging.ClearanceInput) { in.Margin = v(3) }, 1},
		{"less deceleration, from the label", func(in *rigging.ClearanceInput) { in.Deceleration = v(2.5) }, -1},
		{"swing", func(in *rigging.ClearanceInput) { in.SwingDrop = 0.75 }, 0.75},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := base
			tc.change(&in)
			got, err := rigging.Clearance(in)
			if err != nil || math.Abs(got.Clearance-b.Clearance-tc.more) > 1e-9 {
				t.Errorf("Clearance = %v, %v; want %v more than %v", got.Clearance, err, tc.more, b.Clearance)
			}
		})
	}
}

func TestClearanceAgainstTheHeightAvailable(t *testing.T) {
	for _, tc := range []struct {
		available float64
		short     bool
	}{{17.4, true}, {17.5, false}, {30, false}} {
		got, err := rigging.Clearance(rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6, Available: &tc.available})
		if err != nil || got.Short == nil || *got.Short != tc.short {
			t.Errorf("available %v: short %v, %v; want %v", tc.available, got.Short, err, tc.short)
		}
	}
	got, err := rigging.Clearance(rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6})
	if err != nil || got.Short != nil || !strings.Contains(got.Working.Text(), "not checked: none was entered") {
		t.Errorf("no height entered: short %v, %v; want nil and 'not checked'", got.Short, err)
	}
}

func TestClearanceRefusesPartsThatNobodyHas(t *testing.T) {
	for _, tc := range []struct {
		name  string
		v     float64
		put   func(*rigging.ClearanceInput, *float64)
		field string
	}{
		{"a D-ring at the soles", 0, func(in *rigging.ClearanceInput, v *float64) { in.DRingHeight = v }, "d_ring_height"},
		{"metres typed where feet are read", 1.5, func(in *rigging.ClearanceInput, v *float64) { in.DRingHeight = v }, "d_ring_height"},
		{"a stop in no distance", 0, func(in *rigging.ClearanceInput, v *float64) { in.Deceleration = v }, "deceleration"},
		{"a margin below nothing", -1, func(in *rigging.ClearanceInput, v *float64) { in.Margin = v }, "margin"},
		{"a height that is no number", math.NaN(), func(in *rigging.ClearanceInput, v *float64) { in.Available = v }, "available"},
	} {
		in := rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6}
		tc.put(&in, &tc.v)
		if _, err := rigging.Clearance(in); errs.KindOf(err) != errs.Invalid || !strings.Contains(err.Error(), tc.field) {
			t.Errorf("%s: %v; want Invalid naming %s", tc.name, err, tc.field)
		}
	}
	half := 0.5
	got, err := rigging.Clearance(rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6, Margin: &half})
	if err != nil || !strings.Contains(got.Working.Text(), "LESS than the usual one") {
		t.Errorf("a margin of half a foot: %v; want a caution", err)
	}
}

func TestClearanceRefusesPartsOfTheOtherForm(t *testing.T) {
	one := 1.0
	for _, in := range []rigging.ClearanceInput{
		{Form: rigging.DRingForm, Unit: rigging.Foot, Lanyard: 6, PersonHeight: &one},
		{Form: rigging.WholePersonForm, Unit: rigging.Foot, Lanyard: 6, DRingShift: &one},
		{Form: rigging.WholePersonForm, Unit: rigging.Foot, Lanyard: 6, DRingHeight: &one},
	} {
		if _, err := rigging.Clearance(in); !errs.Is(err, "FORM_HAS_NO_SUCH_PART") {
			t.Errorf("%+v: %v; want FORM_HAS_NO_SUCH_PART", in, err)
		}
	}
}

func TestSwingDropStaysBetweenNothingAndTheLine(t *testing.T) {
	last := -1.0
	for x := 0.0; x <= 20; x += 0.25 {
		got, err := rigging.SwingDrop(20, x, rigging.Metre)
		if err != nil || got.Drop < 0 || got.Drop > 20 || got.Drop <= last && x > 0 {
			t.Errorf("SwingDrop(20, %v) = %v, %v after %v; want growing from 0 to 20", x, got.Drop, err, last)
		}
		last = got.Drop
	}
}

func TestArrestWarnsOverTheTestedWeightAndOverThePeak(t *testing.T) {
	got, err := rigging.Arrest(rigging.ArrestInput{Weight: 400, WeightUnit: rigging.Pound, FreeFall: 6, Deceleration: 1, LengthUnit: rigging.Foot})
	if err != nil {
		t.Fatal(err)
	}
	text := got.Working.Text()
	if !strings.Contains(text, "OVER the 310 lb") || !strings.Contains(text, working.Over) {
		t.Errorf("400 lb stopped in 1 ft (mean %v lbf) says neither:\n%s", got.MeanForcePounds, text)
	}
}

func TestSameLoadInEveryUnitHasTheSameClass(t *testing.T) {
	for _, lb := range []float64{10, 499.9, 500, 500.1, 2000, 2000.1} {
		want, err := rigging.Classify(rigging.PlanInput{Load: lb, Unit: rigging.Pound})
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range rigging.LoadUnits() {
			one, err := u.Pounds(1)
			if err != nil {
				t.Fatal(err)
			}
			got, err := rigging.Classify(rigging.PlanInput{Load: lb / one, Unit: u})
			if err != nil || got.Class != want.Class {
				t.Errorf("%v lb as %v %s: class %v, %v; want %v", lb, lb/one, u, got.Class, err, want.Class)
			}
		}
	}
}

func TestGrossLoad(t *testing.T) {
	if got, err := rigging.GrossLoad(30, 6, 4, 5); err != nil || got != 45 {
		t.Errorf("GrossLoad(30, 6, 4, 5) = %v, %v; want 45", got, err)
	}
	if _, err := rigging.GrossLoad(); !errs.Is(err, "PARTS_MISSING") {
		t.Errorf("GrossLoad() = %v; want PARTS_MISSING", err)
	}
	if _, err := rigging.GrossLoad(1, -1); !errs.Is(err, "OUT_OF_RANGE") {
		t.Errorf("GrossLoad(1, -1) = %v; want OUT_OF_RANGE", err)
	}
}

func FuzzNothingBecomesNaN(f *testing.F) {
	f.Add(500.0, 45.0, 10.0)
	f.Add(math.MaxFloat64, 180.0, -1.0)
	f.Add(math.SmallestNonzeroFloat64, 1e-300, math.Inf(1))
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		check := func(name string, err error, vs ...float64) {
			for _, v := range vs {
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Errorf("%s(%v, %v, %v) = %v without an error", name, a, b, c, v)
				}
			}
		}
		bl, err := rigging.BlockLoad(rigging.BlockInput{Pull: a, Unit: rigging.Pound, AngleDegrees: b, Factor: c})
		check("BlockLoad", err, bl.Load)
		tl, err := rigging.TagLine(rigging.TagLineInput{Load: a, Unit: rigging.Pound, LoadLineDegrees: b, TagLineDegrees: c})
		check("TagLine", err, tl.TagForce, tl.LoadLine)
		sl, err := rigging.SlingTension(rigging.SlingInput{Load: a, Unit: rigging.Pound, Legs: 2, LegLength: b, Height: c, AllowLow: true})
		check("SlingTension", err, sl.TensionPerLeg)
		sw, err := rigging.SwingDrop(a, b, rigging.Foot)
		check("SwingDrop", err, sw.Drop)
		cl, err := rigging.Clearance(rigging.ClearanceInput{Form: rigging.DRingForm, Unit: rigging.Metre, Lanyard: a, AnchorAboveRing: b, SwingDrop: c})
		check("Clearance", err, cl.Clearance)
		ar, err := rigging.Arrest(rigging.ArrestInput{Weight: a, WeightUnit: rigging.Kilogram, FreeFall: b, Deceleration: c, LengthUnit: rigging.Metre})
		check("Arrest", err, ar.MeanForcePounds)
		wl, err := rigging.WorkingLoadLimit(rigging.WLLInput{MBS: a, Unit: rigging.Pound, Factor: b, Efficiency: c})
		check("WorkingLoadLimit", err, wl.WLL)
	})
}
