package fibre_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

func TestBadInputIsRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	reading := fibre.LossReading{Wavelength: 850, Direction: fibre.AToB, Loss: 1, Limit: 2}
	with := func(change func(*fibre.LossReading)) []fibre.LossReading {
		r := reading
		change(&r)
		return []fibre.LossReading{r}
	}
	for _, tc := range []struct {
		name   string
		call   func() error
		reason string
	}{
		{"budget of a negative length", func() error { _, err := fibre.LossBudget(fibre.Link{Length: -1}); return err }, "LENGTH_OUT_OF_RANGE"},
		{"budget of no number", func() error { _, err := fibre.LossBudget(fibre.Link{Length: units.Meters(nan)}); return err }, "LENGTH_OUT_OF_RANGE"},
		{"budget with a negative attenuation", func() error { _, err := fibre.LossBudget(fibre.Link{Attenuation: -3}); return err }, "ATTENUATION_OUT_OF_RANGE"},
		{"budget with a negative count", func() error {
			_, err := fibre.LossBudget(fibre.Link{Connections: []fibre.BudgetItem{{Count: -1}}})
			return err
		}, "COUNT_OUT_OF_RANGE"},
		{"budget with an infinite allowance", func() error {
			_, err := fibre.LossBudget(fibre.Link{Splices: []fibre.BudgetItem{{Count: 1, Each: units.DB(inf)}}})
			return err
		}, "ALLOWANCE_OUT_OF_RANGE"},
		{"coefficient over no length", func() error { _, err := fibre.CoefficientFromTest(1, 1, 0); return err }, "LENGTH_OUT_OF_RANGE"},
		{"coefficient over a hair", func() error { _, err := fibre.CoefficientFromTest(1, 0, 5e-324); return err }, "LENGTH_OUT_OF_RANGE"},
		{"coefficient of no number", func() error { _, err := fibre.CoefficientFromTest(units.DB(nan), 1, 1); return err }, "LOSS_OUT_OF_RANGE"},
		{"unknown fibre", func() error { _, err := fibre.AttenuationOf("om9", 850); return err }, "FIBRE_TYPE_UNKNOWN"},
		{"unknown element", func() error { _, err := fibre.AllowanceOf("bolt"); return err }, "ALLOWANCE_UNKNOWN"},
		{"power of no number", func() error { _, err := fibre.Milliwatts(units.DBm(nan)); return err }, "LOSS_OUT_OF_RANGE"},
		{"no light at all", func() error { _, err := fibre.DBmFromMilliwatts(0); return err }, "POWER_OUT_OF_RANGE"},
		{"negative power", func() error { _, err := fibre.DBmFromMilliwatts(-1); return err }, "POWER_OUT_OF_RANGE"},
		{"margin of no number", func() error { _, err := fibre.PowerMargin(0, units.DBm(nan), 1); return err }, "LOSS_OUT_OF_RANGE"},
		{"overload of no number", func() error { _, _, err := fibre.Overload(0, 0, units.DB(inf)); return err }, "LOSS_OUT_OF_RANGE"},
		{"a return loss entered as a reflectance", func() error { _, err := fibre.ReturnLossOfReflectance(55); return err }, "REFLECTANCE_SIGN"},
		{"more light back than in", func() error { _, err := fibre.ReturnLossOfPowers(1, 2); return err }, "POWER_OUT_OF_RANGE"},
		{"index of a vacuum", func() error { _, _, err := fibre.OpenEnd(1); return err }, "INDEX_OUT_OF_RANGE"},
		{"no reflection", func() error { _, err := fibre.TotalReturnLoss(nil); return err }, "REFLECTIONS_COUNT"},
		{"negative return loss", func() error {
			_, err := fibre.TotalReturnLoss([]fibre.Reflection{{ReturnLoss: -50}})
			return err
		}, "LOSS_OUT_OF_RANGE"},
		{"two total reflections", func() error {
			_, err := fibre.TotalReturnLoss(make([]fibre.Reflection, 2))
			return err
		}, "REFLECTIONS_TOO_STRONG"},
		{"unknown reference", func() error { _, err := fibre.ReferenceMethod("four-cord").EndConnections(); return err }, "REFERENCE_METHOD_UNKNOWN"},
		{"the smallest gain", func() error { _, err := fibre.InsertionLoss(-10, -9.99); return err }, "REFERENCE_INVALID"},
		{"no readings", func() error { _, err := fibre.JudgeLosses(nil); return err }, "LOSS_READINGS_COUNT"},
		{"loss of no number", func() error {
			_, err := fibre.JudgeLosses(with(func(r *fibre.LossReading) { r.Loss = units.DB(nan) }))
			return err
		}, "LOSS_OUT_OF_RANGE"},
		{"limit of no number", func() error {
			_, err := fibre.JudgeLosses(with(func(r *fibre.LossReading) { r.Limit = units.DB(nan) }))
			return err
		}, "LOSS_OUT_OF_RANGE"},
		{"wavelength in micrometres", func() error {
			_, err := fibre.JudgeLosses(with(func(r *fibre.LossReading) { r.Wavelength = 1.31 }))
			return err
		}, "WAVELENGTH_OUT_OF_RANGE"},
		{"no direction", func() error {
			_, err := fibre.JudgeLosses(with(func(r *fibre.LossReading) { r.Direction = "" }))
			return err
		}, "DIRECTION_UNKNOWN"},
		{"one reading twice", func() error {
			_, err := fibre.JudgeLosses([]fibre.LossReading{reading, reading})
			return err
		}, "LOSS_READING_TWICE"},
		{"time of no number", func() error { _, err := fibre.Distance(nan, 1.4677); return err }, "TIME_OUT_OF_RANGE"},
		{"negative time", func() error { _, err := fibre.Distance(-1, 1.4677); return err }, "TIME_OUT_OF_RANGE"},
		{"index of no number", func() error { _, err := fibre.Distance(1e-6, nan); return err }, "INDEX_OUT_OF_RANGE"},
		{"round trip of a negative distance", func() error { _, err := fibre.RoundTrip(-1, 1.4677); return err }, "LENGTH_OUT_OF_RANGE"},
		{"index set under one", func() error { _, err := fibre.CorrectIndex(100, 0.5, 1.4677); return err }, "INDEX_OUT_OF_RANGE"},
		{"pulse of nothing", func() error { _, err := fibre.PulseLength(0, 1.4677); return err }, "PULSE_OUT_OF_RANGE"},
		{"pulse of a second", func() error { _, err := fibre.PulseLength(time.Second, 1.4677); return err }, "PULSE_OUT_OF_RANGE"},
		{"two points in one place", func() error { _, err := fibre.TwoPointLoss(fibre.Point{At: 5}, fibre.Point{At: 5}); return err }, "LENGTH_OUT_OF_RANGE"},
		{"points in the wrong order", func() error { _, err := fibre.TwoPointLoss(fibre.Point{At: 5}, fibre.Point{At: 4}); return err }, "LENGTH_OUT_OF_RANGE"},
		{"helix excess in percent", func() error { _, err := fibre.CableLength(100, 2); return err }, "HELIX_OUT_OF_RANGE"},
		{"cable of no number", func() error { _, err := fibre.CableLength(units.Meters(nan), 0.02); return err }, "LENGTH_OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := tc.call()
			if !errs.Is(err, tc.reason) || errs.KindOf(err) != errs.Invalid {
				t.Errorf("got %v; want Invalid %s", err, tc.reason)
			}
		})
	}
}

// Each wavelength and direction passes by itself; the mean of two directions is
// shown and hides nothing.
func TestTheMeanOfTwoDirectionsDoesNotPassABadOne(t *testing.T) {
	v, err := fibre.JudgeLosses([]fibre.LossReading{
		{1550, fibre.BToA, 2.0, 1.8}, // over
		{1310, fibre.AToB, 1.0, 1.8},
		{1550, fibre.AToB, 1.2, 1.8}, // the mean, 1.6, would be within
		{1310, fibre.BToA, 1.1, 1.8},
		{1625, fibre.AToB, 1.1, 1.8}, // one direction only: no mean
	})
	if err != nil {
		t.Fatal(err)
	}
	if v.Within || v.Results[0].Within || !v.Results[2].Within {
		t.Errorf("results %+v; want only the first over its limit, and the whole failed", v.Results)
	}
	want := []fibre.MeanLoss{{1310, 1.05}, {1550, 1.6}}
	if len(v.Means) != 2 || v.Means[0] != want[0] || v.Means[1] != want[1] {
		t.Errorf("means %+v; want %+v", v.Means, want)
	}
	if v.Bend != fibre.BendSuspected {
		t.Errorf("bend %q; want the worse direction's %q", v.Bend, fibre.BendSuspected)
	}
	one, err := fibre.JudgeLosses([]fibre.LossReading{{850, fibre.AToB, 1, 1}})
	if err != nil || one.Bend != fibre.BendUnknown || len(one.Means) != 0 || !one.Within {
		t.Errorf("one multimode reading: %+v, %v; want within, no mean and nothing said of a bend", one, err)
	}
}

func TestKitCheckSaysWhatIsNotMeasured(t *testing.T) {
	for _, p := range (fibre.KitCheck{}).Parts() {
		if p.Measured || p.Within || p.Next != "" {
			t.Errorf("%s: %+v; want not measured, and not within", p.Name, p)
		}
	}
	gain, nan := units.DB(-0.05), units.DB(math.NaN())
	parts := fibre.KitCheck{SecondCord: &gain, Drift: &nan}.Parts()
	if parts[1].Within || parts[3].Within {
		t.Errorf("a gain through the second cord and a drift of no number: %+v; want neither within", parts)
	}
}

func TestInverses(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 5000 {
		n := 1.4 + rng.Float64()*0.2
		d := units.Meters(rng.Float64() * 100_000)
		s, err := fibre.RoundTrip(d, n)
		if err != nil {
			t.Fatal(err)
		}
		back, err := fibre.Distance(s, n)
		if err != nil || math.Abs(float64(back-d)) > 1e-9*float64(d) {
			t.Fatalf("Distance(RoundTrip(%v, %v)) = %v, %v", d, n, back, err)
		}
		m := 1.4 + rng.Float64()*0.2
		there, err := fibre.CorrectIndex(d, n, m)
		if err != nil {
			t.Fatal(err)
		}
		again, err := fibre.CorrectIndex(there, m, n)
		if err != nil || math.Abs(float64(again-d)) > 1e-9*float64(d) {
			t.Fatalf("CorrectIndex there and back of %v = %v, %v", d, again, err)
		}
		if (m > n) != (there < d) && d > 0 {
			t.Fatalf("a larger index %v over %v gives %v from %v; want it shorter", m, n, there, d)
		}
		p := units.DBm(rng.Float64()*100 - 60)
		mw, err := fibre.Milliwatts(p)
		if err != nil {
			t.Fatal(err)
		}
		if q, err := fibre.DBmFromMilliwatts(mw); err != nil || math.Abs(float64(q-p)) > 1e-9 {
			t.Fatalf("%v dBm to mW and back = %v, %v", p, q, err)
		}
		// A budget and the coefficient from a loss equal to it.
		l := fibre.Link{Length: 100 + d, Attenuation: units.DBPerKilometer(rng.Float64() * 4), Connections: []fibre.BudgetItem{{Count: 1 + rng.IntN(4), Each: 0.75}}}
		b, err := fibre.LossBudget(l)
		if err != nil {
			t.Fatal(err)
		}
		if b.Total > 200 {
			continue
		}
		a, err := fibre.CoefficientFromTest(b.Total, b.Connections, l.Length)
		if err != nil || math.Abs(float64(a-l.Attenuation)) > 2e-5 {
			t.Fatalf("coefficient from the budget of %+v = %v, %v", l, a, err)
		}
	}
}

// More reflections never raise the total return loss, and it never exceeds the
// best of them nor falls under the worst by more than 10·log10(n).
func TestTotalReturnLossBounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for range 2000 {
		var rs []fibre.Reflection
		last, worst := math.Inf(1), math.Inf(1)
		for i := range 10 {
			r := fibre.Reflection{ReturnLoss: units.DB(14 + rng.Float64()*60), LossBefore: units.DB(rng.Float64() * 5)}
			rs = append(rs, r)
			worst = math.Min(worst, float64(r.ReturnLoss+2*r.LossBefore))
			got, err := fibre.TotalReturnLoss(rs)
			if err != nil {
				t.Fatal(err)
			}
			if float64(got) > last || float64(got) > worst+1e-9 || float64(got) < worst-10*math.Log10(float64(i+1))-1e-9 {
				t.Fatalf("TotalReturnLoss(%+v) = %v; want at most %v and %v", rs, got, last, worst)
			}
			last = float64(got)
		}
	}
	if rl, err := fibre.TotalReturnLoss(make([]fibre.Reflection, 1)); err != nil || rl != 0 {
		t.Errorf("one total reflection = %v, %v; want 0 dB", rl, err)
	}
}

func TestTablesHaveSources(t *testing.T) {
	for _, a := range fibre.Attenuations() {
		if a.Source.Document == "" || a.Source.Status == "" || a.Low > a.High || a.Low <= 0 || a.From > a.To {
			t.Errorf("attenuation %+v lacks a source or is out of order", a)
		}
	}
	for _, a := range fibre.Allowances() {
		if a.Source.Document == "" || a.Source.Status == "" || a.Low > a.High || a.Low <= 0 {
			t.Errorf("allowance %+v lacks a source or is out of order", a)
		}
	}
	for _, m := range fibre.ReturnLossMinima() {
		if m.Source.Document == "" || m.Source.Status == "" || m.Minimum <= 0 {
			t.Errorf("return loss minimum %+v lacks a source", m)
		}
	}
	for _, z := range fibre.DeadZones() {
		if z.Source.Status == "" || z.Definition == "" {
			t.Errorf("dead zone %+v lacks a source or a definition", z)
		}
	}
	if _, s := fibre.LaunchCord(true); s.Status == "" {
		t.Error("the launch cord's length lacks a status")
	}
}
