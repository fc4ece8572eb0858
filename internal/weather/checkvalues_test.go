package weather_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/errs"
	"witnessmark/internal/weather"
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

// at is a time of one invented day.
func at(hms string) (time.Time, error) { return time.Parse("2006-01-02 15:04:05", "2031-05-14 "+hms) }

var functions = map[string]func(checkvalues.Row) (answer, error){
	"WindChillF": func(r checkvalues.Row) (answer, error) {
		got, err := weather.WindChillFahrenheit(r.In["t"], r.In["v"])
		return answer{map[string]float64{"exact": got.Fahrenheit, "chart": math.Round(got.Fahrenheit), "frostbite": flag(got.Frostbite)}, nil, &got.Working}, err
	},
	"WindChillC": func(r checkvalues.Row) (answer, error) {
		got, err := weather.WindChillCelsius(r.In["t"], r.In["v"])
		return answer{map[string]float64{"exact": got.Celsius}, nil, &got.Working}, err
	},
	"HeatIndex": func(r checkvalues.Row) (answer, error) {
		got, err := weather.HeatIndexFahrenheit(r.In["t"], r.In["rh"], weather.NewerWording)
		return answer{map[string]float64{"full": got.Fahrenheit, "plain": got.Plain, "chart": math.Round(got.Plain)}, map[string]string{"branch": string(got.Branch)}, &got.Working}, err
	},
	"Category": func(r checkvalues.Row) (answer, error) {
		c, err := weather.Categories(r.Text["set"]).Category(r.In["hi"])
		return answer{text: map[string]string{"category": c}}, err
	},
	"HeatTrigger": func(r checkvalues.Row) (answer, error) {
		return answer{num: map[string]float64{"first": weather.FirstHeatTriggerFahrenheit, "high": weather.HighHeatTriggerFahrenheit, "default": weather.DefaultHeatLimitFahrenheit}}, nil
	},
	"FlashToBang": func(r checkvalues.Row) (answer, error) {
		got, err := weather.FlashToBang(r.In["s"])
		return answer{map[string]float64{"miles": got.Miles, "sound_km": got.SoundKilometres}, nil, &got.Working}, err
	},
	"Lightning": func(r checkvalues.Row) (answer, error) {
		var es []weather.LightningEvent
		for _, s := range strings.Split(r.Text["events"], ";") {
			part := strings.Fields(s)
			when, err := at(part[0])
			if err != nil {
				return answer{}, err
			}
			e := weather.LightningEvent{At: when, Kind: weather.LightningKind(part[1])}
			if len(part) == 3 {
				if e.Miles, err = strconv.ParseFloat(part[2], 64); err != nil {
					return answer{}, err
				}
			}
			es = append(es, e)
		}
		asOf, err := at(r.Text["as_of"])
		if err != nil {
			return answer{}, err
		}
		got, err := weather.LightningTimer(es, asOf)
		text := map[string]string{"earliest": "none", "hold": "no"}
		if !got.Earliest.IsZero() {
			text["earliest"] = got.Earliest.Format("15:04:05")
		}
		if got.Hold {
			text["hold"] = "yes"
		}
		return answer{nil, text, &got.Working}, err
	},
	"Miles": func(r checkvalues.Row) (answer, error) {
		return answer{num: map[string]float64{"km": r.In["miles"] * weather.KilometresPerMile}}, nil
	},
	"Speed": func(r checkvalues.Row) (answer, error) {
		ms, err := weather.SpeedUnit(r.Text["unit"]).PerSecond(r.In["v"])
		if err != nil {
			return answer{}, err
		}
		mph, err := weather.MPH.From(ms)
		return answer{num: map[string]float64{"mps": ms, "mph": mph}}, err
	},
	"WindLimit": func(r checkvalues.Row) (answer, error) {
		for _, l := range weather.WindLimits() {
			if l.Use == r.Text["use"] {
				return answer{num: map[string]float64{"value": l.Value, "high": l.High}, text: map[string]string{"unit": string(l.Unit), "kind": string(l.Kind), "status": string(l.Source.Status)}}, nil
			}
		}
		return answer{}, fmt.Errorf("no limit for %q", r.Text["use"])
	},
	"WindAtHeight": func(r checkvalues.Row) (answer, error) {
		got, err := weather.WindAtHeight(r.In["v"], weather.MPH, r.In["from_ft"]*weather.MetresPerFoot, r.In["to_ft"]*weather.MetresPerFoot, weather.ProfileExponent)
		return answer{map[string]float64{"v": got.Speed}, nil, &got.Working}, err
	},
	"WindPressure": func(r checkvalues.Row) (answer, error) {
		got, err := weather.WindPressure(r.In["v"], r.In["area"], r.In["drag"])
		return answer{map[string]float64{"psf": got.PoundsPerSqFt, "lbf": got.ForcePounds}, nil, &got.Working}, err
	},
	"Beaufort": func(r checkvalues.Row) (answer, error) {
		got, err := weather.ForceOf(r.In["v"], weather.SpeedUnit(r.Text["unit"]))
		return answer{map[string]float64{"force": float64(got.Force.Number)}, map[string]string{"sign": got.Force.Sign}, &got.Working}, err
	},
	"ForceSpeed": func(r checkvalues.Row) (answer, error) {
		v, err := weather.ForceSpeed(int(r.In["b"]))
		return answer{num: map[string]float64{"mps": v}}, err
	},
	"ForceSpeedInBand": func(r checkvalues.Row) (answer, error) {
		v, err := weather.ForceSpeed(int(r.In["b"]))
		if err != nil {
			return answer{}, err
		}
		got, err := weather.ForceOf(v, weather.MetresPerSecond)
		return answer{map[string]float64{"force": float64(got.Force.Number)}, nil, &got.Working}, err
	},
}

func TestCheckValues(t *testing.T) {
	used := map[string]bool{}
	for _, r := range checkvalues.Load(t, "weather") {
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
