package exposure_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/errs"
	"witnessmark/internal/exposure"
	"witnessmark/internal/working"
)

type answer struct {
	num  map[string]float64
	text map[string]string
	w    *working.Working
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func setOf(r checkvalues.Row) exposure.Set {
	if s := r.Text["set"]; s != "" {
		return exposure.Set(s)
	}
	return exposure.FCC
}

func basisOf(r checkvalues.Row) exposure.Basis {
	if s := r.Text["basis"]; s != "" {
		return exposure.Basis(s)
	}
	return exposure.WholeBody
}

func tierOf(r checkvalues.Row) exposure.Tier { return exposure.Tier(r.Text["tier"]) }

var functions = map[string]func(checkvalues.Row) (answer, error){
	"LimitAt": func(r checkvalues.Row) (answer, error) {
		l, err := exposure.LimitAt(setOf(r), tierOf(r), basisOf(r), r.In["mhz"])
		return answer{num: map[string]float64{"wm2": l.Density, "mwcm2": l.Density / 10, "volts": l.Volts, "amperes": l.Amperes, "average_min": l.AverageMin}}, err
	},
	"SAR": func(r checkvalues.Row) (answer, error) {
		for _, s := range exposure.SARLimits() {
			if s.Tier == tierOf(r) && s.Part == r.Text["part"] {
				return answer{num: map[string]float64{"wkg": s.WattsPerKilo, "average_min": s.AverageMin}}, nil
			}
		}
		return answer{}, fmt.Errorf("no limit for %v", r.Text)
	},
	"GroundERP": func(r checkvalues.Row) (answer, error) {
		v, err := exposure.GroundERP(r.In["erp"], r.In["m"])
		return answer{num: map[string]float64{"uwcm2": v}}, err
	},
	"Rule": func(r checkvalues.Row) (answer, error) {
		for _, f := range exposure.Rules() {
			if strings.Contains(f.Text, r.Text["holds"]) {
				return answer{text: map[string]string{"status": string(f.Source.Status), "document": f.Source.Document}}, nil
			}
		}
		return answer{}, fmt.Errorf("no rule holds %q", r.Text["holds"])
	},
	"Station": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.Station(exposure.StationInput{ERPWatts: r.In["erp"], HeightMetres: r.In["h"], AlongMetres: r.In["d"], MHz: r.In["mhz"], Set: setOf(r), Tier: tierOf(r), Basis: basisOf(r)})
		return answer{map[string]float64{"m": got.SlantMetres, "uwcm2": 100 * got.Density, "limit_uwcm2": 100 * got.Limit.Density, "over": flag(got.Over)}, nil, &got.Working}, err
	},
	"GroundFromEIRP": func(r checkvalues.Row) (answer, error) {
		e, err := exposure.EIRPFromERP(r.In["erp"])
		if err != nil {
			return answer{}, err
		}
		v, err := exposure.FarField(e, r.In["m"], exposure.Ground)
		return answer{num: map[string]float64{"uwcm2": v / exposure.WattsPerSqMPerMicrowattPerSqCm}}, err
	},
	"Slant": func(r checkvalues.Row) (answer, error) {
		v, err := exposure.Slant(r.In["h"], r.In["d"])
		return answer{num: map[string]float64{"m": v}}, err
	},
	"EIRP": func(r checkvalues.Row) (answer, error) {
		v, err := exposure.EIRP(r.In["p"], r.In["g"])
		return answer{num: map[string]float64{"w": v}}, err
	},
	"FarField": func(r checkvalues.Row) (answer, error) {
		e, err := exposure.EIRP(r.In["p"], r.In["g"])
		if err != nil {
			return answer{}, err
		}
		v, err := exposure.FarField(e, r.In["m"], exposure.Reflection(r.Text["reflection"]))
		return answer{num: map[string]float64{"wm2": v, "mwcm2": v / 10}}, err
	},
	"StandOff": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.Single(exposure.SingleInput{PowerWatts: r.In["p"], GainDBi: r.In["g"], MHz: r.In["mhz"],
			Reflection: exposure.Reflection(r.Text["reflection"]), Set: setOf(r), Tier: tierOf(r), Basis: basisOf(r)})
		return answer{map[string]float64{"m": got.StandOffMetres}, nil, &got.Working}, err
	},
	"Aperture": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.Aperture(exposure.ApertureInput{DiameterMetres: r.In["d"], MHz: r.In["mhz"], PowerWatts: r.In["p"], Efficiency: r.In["eta"], DistanceMetres: r.In["m"]})
		return answer{map[string]float64{"lambda": got.WavelengthMetres, "surface": got.Surface, "near": got.Near, "near_end": got.NearEndMetres,
			"far_from": got.FarFromMetres, "density": got.Density}, map[string]string{"region": string(got.Region)}, &got.Working}, err
	},
	"Cylinder": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.Cylinder(r.In["p"], r.In["theta"], r.In["m"], r.In["h"])
		return answer{map[string]float64{"wm2": got.Density}, nil, &got.Working}, err
	},
	"SetRatio": func(r checkvalues.Row) (answer, error) {
		a, err := exposure.LimitAt(exposure.FCC, tierOf(r), exposure.WholeBody, r.In["mhz"])
		if err != nil {
			return answer{}, err
		}
		b, err := exposure.LimitAt(exposure.ICNIRP, tierOf(r), exposure.WholeBody, r.In["mhz"])
		return answer{num: map[string]float64{"ratio": a.Density / b.Density}}, err
	},
	"SumOfFractions": func(r checkvalues.Row) (answer, error) {
		var es []exposure.Emission
		for i := 1; ; i++ {
			f, ok := r.In["f"+strconv.Itoa(i)]
			if !ok {
				break
			}
			es = append(es, exposure.Emission{MHz: f, Density: r.In["s"+strconv.Itoa(i)] * exposure.WattsPerSqMPerMilliwattPerSqCm})
		}
		got, err := exposure.SumOfFractions(setOf(r), tierOf(r), basisOf(r), es)
		return answer{map[string]float64{"sum": got.Sum, "over": flag(got.Over)}, nil, &got.Working}, err
	},
	"SumOfFields": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.SumOfFieldFractions(setOf(r), tierOf(r), basisOf(r), []exposure.Field{{MHz: r.In["f1"], Volts: r.In["e1"]}})
		return answer{map[string]float64{"sum": got.Sum}, nil, &got.Working}, err
	},
	"TimeAverage": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.TimeAverage(setOf(r), tierOf(r), basisOf(r), r.In["mhz"], []exposure.Stay{{Density: 10 * r.In["s1"], Minutes: r.In["t1"]}})
		return answer{map[string]float64{"mwcm2": got.Worst / 10, "over": flag(got.Over)}, nil, &got.Working}, err
	},
	"LongestStay": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.LongestStay(setOf(r), tierOf(r), basisOf(r), r.In["mhz"], 10*r.In["s1"])
		return answer{map[string]float64{"min": got.Minutes}, nil, &got.Working}, err
	},
	"TestKit": func(r checkvalues.Row) (answer, error) {
		got, err := exposure.TestKitStandOff(exposure.TestKitInput{PowerPerToneWatts: r.In["p"], GainDBi: r.In["g"],
			ToneMHz: [2]float64{r.In["f1"], r.In["f2"]}, Reflection: exposure.FreeSpace, Set: exposure.FCC})
		return answer{map[string]float64{"eirp": got.EIRPWatts, "occ": got.OccupationalMetres, "gen": got.GeneralMetres}, nil, &got.Working}, err
	},
	"FieldForms": func(r checkvalues.Row) (answer, error) {
		v, err := exposure.DensityFromVolts(r.In["e"])
		return answer{num: map[string]float64{"wm2": v, "mwcm2": v / 10}}, err
	},
}

func TestCheckValues(t *testing.T) {
	used := map[string]bool{}
	for _, r := range checkvalues.Load(t, "exposure") {
		used[r.Function] = true
		t.Run(r.Function+"/"+r.Case, func(t *testing.T) {
			f, ok := functions[r.Function]
			if !ok {
				t.Fatalf("no function %q for this row", r.Function)
			}
			got, err := f(r)
			if r.WantError != "" {
				if !errs.Is(err, r.WantError) {
					t.Fatalf("in %v %v: error %v; want %s", r.In, r.Text, err, r.WantError)
				}
				return
			}
			if err != nil {
				t.Fatalf("in %v %v: %v", r.In, r.Text, err)
			}
			for name, want := range r.Want {
				v, ok := got.num[name]
				tol := r.Tolerance
				if r.Relative {
					tol *= math.Abs(want)
				}
				if !ok || !(math.Abs(v-want) <= tol) {
					t.Errorf("%s in %v %v = %v; want %v within %v (%s)", name, r.In, r.Text, v, want, tol, r.Source)
				}
			}
			for name, want := range r.WantText {
				if got.text[name] != want {
					t.Errorf("%s in %v %v = %q; want %q (%s)", name, r.In, r.Text, got.text[name], want, r.Source)
				}
			}
			if got.w != nil {
				if err := got.w.Complete(true); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for name := range functions {
		if !used[name] {
			t.Errorf("no row checks %s", name)
		}
	}
}
