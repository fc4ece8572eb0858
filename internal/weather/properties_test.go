package weather_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/weather"
)

func must(t *testing.T, hms string) time.Time {
	t.Helper()
	v, err := at(hms)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func limit(t *testing.T, use string) weather.WindLimit {
	t.Helper()
	for _, l := range weather.WindLimits() {
		if l.Use == use {
			return l
		}
	}
	t.Fatalf("no wind limit for %q", use)
	return weather.WindLimit{}
}

func TestWindChillFallsWithWindAndStaysUnderTheAir(t *testing.T) {
	for temp := -45.0; temp <= 40; temp += 5 {
		last := temp
		for v := 5.0; v <= 60; v++ {
			got, err := weather.WindChillFahrenheit(temp, v)
			if err != nil || got.Fahrenheit > last {
				t.Errorf("WindChillFahrenheit(%v, %v) = %v, %v; want at most %v", temp, v, got.Fahrenheit, err, last)
			}
			last = got.Fahrenheit
		}
	}
}

func TestBothWindChillFormsAgree(t *testing.T) {
	for c := -45.0; c <= 5; c += 2.5 {
		for v := 10.0; v <= 100; v += 5 {
			m, err := weather.WindChillCelsius(c, v)
			if err != nil {
				t.Fatal(err)
			}
			f, err := weather.WindChillFahrenheit(weather.FahrenheitFromCelsius(c), v/weather.KilometresPerMile)
			if err != nil || math.Abs(m.Celsius-f.Celsius) > 0.1 {
				t.Errorf("%v C, %v km/h: %v C by the metric form, %v by the other, %v", c, v, m.Celsius, f.Celsius, err)
			}
		}
	}
}

func TestHeatIndexGrowsWithHeat(t *testing.T) {
	for rh := 40.0; rh <= 100; rh += 5 {
		last := 0.0
		for temp := 80.0; temp <= 110; temp++ {
			got, err := weather.HeatIndexFahrenheit(temp, rh, weather.OlderChart)
			if err != nil || got.Fahrenheit < last {
				t.Errorf("HeatIndexFahrenheit(%v, %v) = %v, %v after %v; want growing", temp, rh, got.Fahrenheit, err, last)
			}
			last = got.Fahrenheit
		}
	}
}

func TestHeatIndexCelsiusIsTheSameAir(t *testing.T) {
	for c := 5.0; c <= 54; c += 0.5 {
		m, err := weather.HeatIndexCelsius(c, 60, weather.OlderChart)
		if err != nil {
			t.Fatal(err)
		}
		f, err := weather.HeatIndexFahrenheit(weather.FahrenheitFromCelsius(c), 60, weather.OlderChart)
		if err != nil || math.Abs(m.Fahrenheit-f.Fahrenheit) > 1e-9 {
			t.Errorf("%v C: %v, as F %v, %v", c, m.Fahrenheit, f.Fahrenheit, err)
		}
	}
}

func TestHeatLimitCountsWholeDegreesAsTheChartDoes(t *testing.T) {
	for _, tc := range []struct {
		t, rh float64
		over  bool
	}{{88, 75, true}, {90, 50, false}, {94, 75, true}} {
		got, err := weather.HeatIndexFahrenheit(tc.t, tc.rh, weather.NewerWording)
		if err != nil || got.OverLimit != tc.over {
			t.Errorf("%v F, %v %%: HI %v over %v, %v; want %v", tc.t, tc.rh, got.Fahrenheit, got.OverLimit, err, tc.over)
		}
	}
}

func TestLightningOrderDoesNotMatterAndNewEventsOnlyDelay(t *testing.T) {
	a := weather.LightningEvent{At: must(t, "14:00:00"), Kind: weather.Thunder}
	b := weather.LightningEvent{At: must(t, "14:20:00"), Kind: weather.Flash}
	c := weather.LightningEvent{At: must(t, "14:10:00"), Kind: weather.Detection, Miles: 3}
	asOf := must(t, "14:30:00")
	first, err := weather.LightningTimer([]weather.LightningEvent{a, b, c}, asOf)
	if err != nil {
		t.Fatal(err)
	}
	second, err := weather.LightningTimer([]weather.LightningEvent{b, c, a}, asOf)
	if err != nil || !first.Earliest.Equal(second.Earliest) || !first.Hold {
		t.Errorf("%v and %v, %v; want the same, a hold", first.Earliest, second.Earliest, err)
	}
	for _, extra := range []string{"13:00:00", "14:05:00", "14:29:00"} {
		more, err := weather.LightningTimer([]weather.LightningEvent{a, b, c, {At: must(t, extra), Kind: weather.Thunder}}, asOf)
		if err != nil || more.Earliest.Before(first.Earliest) {
			t.Errorf("thunder at %s: %v, %v; want not before %v", extra, more.Earliest, err, first.Earliest)
		}
	}
}

func TestLightningRefusesWhatItCannotRead(t *testing.T) {
	now := must(t, "14:30:00")
	for _, tc := range []struct {
		name   string
		e      weather.LightningEvent
		reason string
	}{
		{"no time", weather.LightningEvent{Kind: weather.Thunder}, "TIME_MISSING"},
		{"no kind", weather.LightningEvent{At: now}, "EVENT_KIND_UNKNOWN"},
		{"detection below nothing", weather.LightningEvent{At: now, Kind: weather.Detection, Miles: -1}, "DETECTION_DISTANCE"},
		{"detection that is no number", weather.LightningEvent{At: now, Kind: weather.Detection, Miles: math.NaN()}, "DETECTION_DISTANCE"},
	} {
		if _, err := weather.LightningTimer([]weather.LightningEvent{tc.e}, now); !errs.Is(err, tc.reason) {
			t.Errorf("%s: %v; want %s", tc.name, err, tc.reason)
		}
	}
	if _, err := weather.LightningTimer(make([]weather.LightningEvent, weather.MostLightningEvents+1), now); !errs.Is(err, "EVENTS_TOO_MANY") {
		t.Errorf("one event too many: %v", err)
	}
	none, err := weather.LightningTimer(nil, now)
	if err != nil || none.Hold || !strings.Contains(none.Working.Text(), "nothing else was checked") {
		t.Errorf("no event: %+v, %v; want no hold and a word that nothing was checked", none, err)
	}
}

// A wind reading holds for 60 minutes, read at work height and not scaled.
func TestWindReading(t *testing.T) {
	read := must(t, "09:00:00")
	base := weather.WindReading{Speed: 9, Unit: weather.MetresPerSecond, Kind: weather.Mean, AtWorkHeight: true, HeightMetres: 45, At: read}
	climbing := limit(t, weather.DefaultWindUse)
	for _, tc := range []struct {
		name   string
		change func(*weather.WindReading)
		asOf   string
		counts bool
		over   bool
		reason string
	}{
		{"fresh and under", func(*weather.WindReading) {}, "09:05:00", true, false, ""},
		{"exactly an hour old still holds", func(*weather.WindReading) {}, "10:00:00", true, false, ""},
		{"a second more does not", func(*weather.WindReading) {}, "10:00:01", false, false, ""},
		{"read below work height does not count and is not scaled", func(r *weather.WindReading) { r.AtWorkHeight = false }, "09:05:00", false, false, ""},
		{"20 knots are at the limit, not over", func(r *weather.WindReading) { r.Speed, r.Unit = 20, weather.Knot }, "09:05:00", true, false, ""},
		{"10.3 m/s is over 20 knots", func(r *weather.WindReading) { r.Speed = 10.3 }, "09:05:00", true, true, ""},
		{"a gust over counts against a mean", func(r *weather.WindReading) { r.Speed, r.Kind = 12, weather.Gust }, "09:05:00", true, true, ""},
		{"no kind", func(r *weather.WindReading) { r.Kind = "" }, "09:05:00", false, false, "WIND_KIND_UNKNOWN"},
		{"no unit", func(r *weather.WindReading) { r.Unit = "" }, "09:05:00", false, false, "SPEED_UNIT_UNKNOWN"},
		{"no height", func(r *weather.WindReading) { r.HeightMetres = 0 }, "09:05:00", false, false, "OUT_OF_RANGE"},
		{"no time", func(r *weather.WindReading) { r.At = time.Time{} }, "09:05:00", false, false, "TIME_MISSING"},
		{"wind below nothing", func(r *weather.WindReading) { r.Speed = -1 }, "09:05:00", false, false, "OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := base
			tc.change(&r)
			got, err := weather.CompareWind(r, climbing, must(t, tc.asOf), weather.ReadingHolds)
			if errs.ReasonOf(err) != tc.reason {
				t.Fatalf("CompareWind(%+v) = %v; want reason %q", r, err, tc.reason)
			}
			if got.Counts != tc.counts || got.Over != tc.over {
				t.Errorf("CompareWind(%+v): counts %v (%s) over %v; want %v, %v", r, got.Counts, got.Why, got.Over, tc.counts, tc.over)
			}
			if err == nil {
				if err := got.Working.Complete(true); err != nil {
					t.Error(err)
				}
				if checked := !strings.Contains(got.Working.Text(), "NOT CHECKED"); checked != tc.counts {
					t.Errorf("the working says checked %v; want %v", checked, tc.counts)
				}
			}
		})
	}
	gusts := climbing
	gusts.Kind = weather.Gust
	if _, err := weather.CompareWind(base, gusts, read, weather.ReadingHolds); !errs.Is(err, "KIND_NOT_COMPARABLE") {
		t.Errorf("a mean against a limit for gusts: %v; want KIND_NOT_COMPARABLE", err)
	}
	if _, err := weather.CompareWind(base, climbing, read, time.Second); !errs.Is(err, "HOLDS_OUT_OF_RANGE") {
		t.Errorf("a reading that holds a second: %v; want HOLDS_OUT_OF_RANGE", err)
	}
}

func TestWindProfileThereAndBack(t *testing.T) {
	for _, h := range []float64{1, 10, 45, 300} {
		up, err := weather.WindAtHeight(10, weather.Knot, 10, h, weather.ProfileExponent)
		if err != nil {
			t.Fatal(err)
		}
		back, err := weather.WindAtHeight(up.Speed, weather.Knot, h, 10, weather.ProfileExponent)
		if err != nil || math.Abs(back.Speed-10) > 1e-9 || (h > 10) != (up.Speed > 10) {
			t.Errorf("10 kn to %v m = %v and back %v, %v", h, up.Speed, back.Speed, err)
		}
	}
}

func TestSpeedUnitsThereAndBack(t *testing.T) {
	for _, u := range weather.SpeedUnits() {
		ms, err := u.PerSecond(37)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := u.From(ms); err != nil || math.Abs(back-37) > 1e-12*37 {
			t.Errorf("37 %s there and back = %v, %v", u, back, err)
		}
	}
	for _, f := range []float64{-40, 0, 32, 98.6} {
		if back := weather.FahrenheitFromCelsius(weather.CelsiusFromFahrenheit(f)); math.Abs(back-f) > 1e-12*100 {
			t.Errorf("%v F there and back = %v", f, back)
		}
	}
}

func TestBeaufortNeverFallsAndLeavesNoGap(t *testing.T) {
	for _, u := range weather.SpeedUnits() {
		last := 0
		for v := 0.0; v < 100; v += 0.1 {
			got, err := weather.ForceOf(v, u)
			if err != nil || got.Force.Number < last || got.Force.Number > last+1 {
				t.Errorf("ForceOf(%v, %s) = %d, %v after %d; want the same or one more", v, u, got.Force.Number, err, last)
			}
			last = got.Force.Number
		}
	}
	got, err := weather.ForceOf(73, weather.MPH)
	if err != nil || !strings.Contains(got.Working.Text(), "Other tables") {
		t.Errorf("73 mph says nothing of the other tables, %v", err)
	}
	for _, bad := range []int{-1, 13} {
		if _, err := weather.ForceSpeed(bad); !errs.Is(err, "OUT_OF_RANGE") {
			t.Errorf("ForceSpeed(%d) = %v; want OUT_OF_RANGE", bad, err)
		}
	}
}

func TestStopDistanceAddsTheDescent(t *testing.T) {
	got, err := weather.StopDistance(weather.StopDistanceInput{StormMPH: 30, DescentMinutes: 15, ShelterMinutes: 5})
	if err != nil || math.Abs(got.Miles-20) > 1e-12 {
		t.Errorf("30 mph, 15 + 5 minutes = %v miles, %v; want 10 + 10", got.Miles, err)
	}
	if err := got.Working.Complete(true); err != nil {
		t.Error(err)
	}
}

func TestThunderAlwaysMeansShelter(t *testing.T) {
	for _, s := range []float64{0, 5, 30, 100, 300} {
		got, err := weather.FlashToBang(s)
		if err != nil || !strings.Contains(got.Working.Text(), "into shelter at once, at any distance") {
			t.Errorf("%v s: %v; want shelter at any distance", s, err)
		}
	}
}

func TestIceRuleIsCommonPractice(t *testing.T) {
	text, s := weather.IceRule()
	if !strings.Contains(text, "no climb") || s.String() != "common practice, no source" {
		t.Errorf("IceRule() = %q, %q", text, s)
	}
}

func FuzzNothingBecomesNaN(f *testing.F) {
	f.Add(90.0, 50.0, 10.0)
	f.Add(math.MaxFloat64, math.Inf(-1), math.SmallestNonzeroFloat64)
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		check := func(name string, err error, vs ...float64) {
			for _, v := range vs {
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Errorf("%s(%v, %v, %v) = %v without an error", name, a, b, c, v)
				}
			}
		}
		ch, err := weather.WindChillFahrenheit(a, b)
		check("WindChillFahrenheit", err, ch.Fahrenheit)
		ch, err = weather.WindChillCelsius(a, b)
		check("WindChillCelsius", err, ch.Celsius)
		hi, err := weather.HeatIndexFahrenheit(a, b, weather.NewerWording)
		check("HeatIndexFahrenheit", err, hi.Fahrenheit, hi.Plain)
		wp, err := weather.WindAtHeight(a, weather.MPH, b, c, weather.ProfileExponent)
		check("WindAtHeight", err, wp.Speed)
		pr, err := weather.WindPressure(a, b, c)
		check("WindPressure", err, pr.ForcePounds)
		fb, err := weather.FlashToBang(a)
		check("FlashToBang", err, fb.Miles)
		fo, err := weather.ForceOf(a, weather.KMH)
		check("ForceOf", err, float64(fo.Force.Number))
	})
}
