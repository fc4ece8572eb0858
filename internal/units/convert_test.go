package units

import (
	"math"
	"testing"
	"testing/quick"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/errs"
)

func TestPublishedConversions(t *testing.T) {
	for _, r := range checkvalues.Load(t, "units") {
		t.Run(r.Case, func(t *testing.T) {
			switch r.Function {
			case "Convert":
				got, err := Convert(r.In["value"], Unit(r.Text["from"]), Unit(r.Text["to"]))
				if r.WantError != "" {
					if !errs.Is(err, r.WantError) {
						t.Errorf("Convert(%v) = %v, %v; want reason %s", r.In, got, err, r.WantError)
					}
					return
				}
				want := r.Want["value"]
				room := r.Tolerance
				if r.Relative {
					room *= math.Abs(want)
				}
				if err != nil || math.Abs(got-want) > room {
					t.Errorf("Convert(%v, %v) = %v, %v; want %v ± %v (%s)", r.In, r.Text, got, err, want, room, r.Source)
				}
			case "Parse":
				got, err := Parse(r.Text["typed"], Expectation{Field: "value", Shown: Unit(r.Text["shown"])})
				if err != nil || got.Value != r.Want["value"] || string(got.Unit) != r.WantText["unit"] {
					t.Errorf("Parse(%v) = %+v, %v; want %v %v", r.Text, got, err, r.Want, r.WantText)
				}
			default:
				t.Errorf("row %q calls the unknown function %q", r.Case, r.Function)
			}
		})
	}
}

func TestConvertingThereAndBackGivesTheSame(t *testing.T) {
	for _, a := range Units() {
		for _, b := range UnitsOf(a.Dimension()) {
			property := func(x float64) bool {
				x = math.Mod(x, 1e6)
				if a.Dimension() == Temperature {
					x = math.Abs(x)
				}
				there, err := Convert(x, a, b)
				if err != nil {
					return false
				}
				back, err := Convert(there, b, a)
				// Temperatures lose digits where the offset of 32 cancels.
				return err == nil && math.Abs(back-x) <= 4e-16*math.Abs(x)+64*2.3e-16
			}
			if err := quick.Check(property, &quick.Config{MaxCount: 200}); err != nil {
				t.Errorf("%s to %s and back: %v", a, b, err)
			}
		}
	}
}

func TestConvertRefuses(t *testing.T) {
	for _, tc := range []struct {
		name     string
		value    float64
		from, to Unit
		reason   string
	}{
		{"nanometres into newton-metres", 1, UnitNanometers, UnitNewtonMeters, "UNIT_WRONG_DIMENSION"},
		{"dBm into dBc needs a carrier", -110, UnitDecibelsMilliwatt, UnitDecibelsCarrier, "UNIT_WRONG_DIMENSION"},
		{"mass into force", 1, UnitPounds, UnitPoundsForce, "UNIT_WRONG_DIMENSION"},
		{"unknown code", 1, "FURLONGS", UnitMeters, "UNIT_UNKNOWN"},
		{"NaN", math.NaN(), UnitMeters, UnitFeet, "VALUE_NOT_FINITE"},
		{"infinite", math.Inf(-1), UnitMeters, UnitFeet, "VALUE_NOT_FINITE"},
		{"overflow", 1e300, UnitKilometers, UnitNanometers, "VALUE_NOT_FINITE"},
		{"under absolute zero", -460, UnitFahrenheit, UnitCelsius, "BELOW_ABSOLUTE_ZERO"},
	} {
		if got, err := Convert(tc.value, tc.from, tc.to); !errs.Is(err, tc.reason) {
			t.Errorf("%s: Convert(%v, %s, %s) = %v, %v; want reason %s", tc.name, tc.value, tc.from, tc.to, got, err, tc.reason)
		}
	}
	if u, err := ParseUnit("NEWTON_METERS"); u != UnitNewtonMeters || err != nil {
		t.Errorf("ParseUnit(NEWTON_METERS) = %v, %v", u, err)
	}
	if u, err := ParseUnit("newton_meters"); !errs.Is(err, "UNIT_UNKNOWN") {
		t.Errorf("ParseUnit(newton_meters) = %v, %v; want UNIT_UNKNOWN", u, err)
	}
}
