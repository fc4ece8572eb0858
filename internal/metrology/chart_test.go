package metrology_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
)

// The recursion of a cumulative sum has a closed form: the running total of
// x − target − k, less the lowest that it has been (0 included).
func TestCUSUMAgreesWithItsClosedForm(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 300 {
		p := metrology.CUSUMParameters{Target: rng.NormFloat64(), K: rng.Float64(), H: 0.5 + rng.Float64()*4}
		values := make([]float64, 1+rng.IntN(60))
		for i := range values {
			values[i] = p.Target + rng.NormFloat64()*2
		}
		c, err := metrology.CUSUM(p, values)
		if err != nil {
			t.Fatal(err)
		}
		var up, down, lowestUp, lowestDown float64
		var signals []int
		for i, x := range values {
			up += x - p.Target - p.K
			down += p.Target - p.K - x
			lowestUp, lowestDown = math.Min(lowestUp, up), math.Min(lowestDown, down)
			if math.Abs(c.High[i]-(up-lowestUp)) > 1e-9 || math.Abs(c.Low[i]-(down-lowestDown)) > 1e-9 {
				t.Fatalf("after %d readings: %v and %v; want %v and %v", i+1, c.High[i], c.Low[i], up-lowestUp, down-lowestDown)
			}
			if up-lowestUp > p.H || down-lowestDown > p.H {
				signals = append(signals, i)
			}
		}
		if !slices.Equal(c.Signals, signals) {
			t.Fatalf("signals %v; want %v", c.Signals, signals)
		}
	}
}

// An average with weight 1 is the readings themselves; the early limits widen
// to the steady ones and never beyond.
func TestEWMABounds(t *testing.T) {
	values := []float64{3, 1, 4, 1, 5}
	p := metrology.EWMAParameters{Lambda: 1, Target: 2, Sigma: 1, K: 3}
	c, err := metrology.EWMA(p, values)
	if err != nil || !slices.Equal(c.Series, values) || c.Upper != 5 || c.Lower != -1 || len(c.Outside) != 0 {
		t.Errorf("weight 1: %+v, %v; want the readings and limits of ±3 sigma, with 5 on the line and not beyond", c, err)
	}
	p.Lambda = 0.2
	last := 0.0
	_, steady, err := p.Limits(0)
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n < 200; n++ {
		_, upper, err := p.Limits(n)
		if err != nil || upper < last || upper > steady+1e-12 {
			t.Fatalf("limit after %d readings %v, %v; want it from %v to %v", n, upper, err, last, steady)
		}
		last = upper
	}
	if c, err := metrology.EWMA(p, []float64{2, 30}); err != nil || !slices.Equal(c.Outside, []int{1}) {
		t.Errorf("a jump: %+v, %v; want the second point outside", c, err)
	}
}

func TestWatchStopsAndWarns(t *testing.T) {
	baseline := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1} // e-Handbook 6.3.2.2
	c, err := metrology.Individuals(baseline)
	if err != nil || c.Thin() {
		t.Fatalf("%+v, %v; want a chart that is not thin", c, err)
	}
	// Nine readings a little high, then one beyond the upper limit of 55.8041.
	stop, warn, err := c.Watch([]float64{51, 51, 51, 51, 51, 51, 51, 51, 51, 55.81})
	if err != nil || len(stop) != 1 || stop[0].Index != 9 || len(warn) != 2 || warn[0].Index != 8 {
		t.Errorf("Watch = stop %v, warn %v, %v; want a stop at the tenth and warnings from the ninth", stop, warn, err)
	}
	short, err := metrology.Individuals(baseline[:9])
	if err != nil || !short.Thin() {
		t.Errorf("nine readings: %+v, %v; want a thin chart", short, err)
	}
	same, err := metrology.Individuals([]float64{5, 5, 5})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := same.Watch([]float64{5}); !errs.Is(err, "CHART_WITHOUT_SPREAD") {
		t.Errorf("a baseline without spread: %v; want CHART_WITHOUT_SPREAD", err)
	}
}

func TestRunRulesKeepTheirLines(t *testing.T) {
	times := func(n int, v float64) []float64 { return slices.Repeat([]float64{v}, n) }
	for _, tc := range []struct {
		name   string
		rule   metrology.RunRule
		values []float64
		want   []int
	}{
		{"below the lower line", metrology.BeyondThreeSigma, []float64{-3.001, -3}, []int{0}},
		{"seven rising points signal at the sixth and seventh", metrology.SixRisingOrFalling, []float64{1, 2, 3, 4, 5, 6, 7}, []int{5, 6}},
		{"five rising points do not", metrology.SixRisingOrFalling, []float64{1, 2, 3, 4, 5, 5}, nil},
		{"six falling", metrology.SixRisingOrFalling, []float64{6, 5, 4, 3, 2, 1}, []int{5}},
		{"thirteen alternating do not", metrology.FourteenAlternating, []float64{0.5, -0.5, 0.5, -0.5, 0.5, -0.5, 0.5, -0.5, 0.5, -0.5, 0.5, -0.5, 0.5}, nil},
		{"alternating need not cross the centre", metrology.FourteenAlternating, []float64{1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 1, 2}, []int{13}},
		{"two of three, both sides: not flagged", metrology.TwoOfThreeBeyondTwo, []float64{2.1, 0, -2.1}, nil},
		{"two of three, a point on the line: not flagged", metrology.TwoOfThreeBeyondTwo, []float64{2.1, 0, 2}, nil},
		{"two of three below", metrology.TwoOfThreeBeyondTwo, []float64{0, -2.1, -2.5}, []int{2}},
		{"two of three, completed and then returned: once", metrology.TwoOfThreeBeyondTwo, []float64{0, 2.1, 2.5, 0}, []int{2}},
		{"fourteen within one sigma do not", metrology.FifteenWithinOne, times(14, 0.1), nil},
		{"on the line counts as within", metrology.FifteenWithinOne, times(15, 1), []int{14}},
		{"eight on one side only are another rule's", metrology.EightBeyondOneBothSide, times(8, 1.5), nil},
		{"eight in a row below", metrology.EightOneSide, times(9, -0.1), []int{7, 8}},
		{"too few points", metrology.NineOneSide, times(3, 1), nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			signals, err := metrology.Runs(0, 1, tc.values, tc.rule)
			var got []int
			for _, s := range signals {
				got = append(got, s.Index)
			}
			if err != nil || !slices.Equal(got, tc.want) {
				t.Errorf("Runs(%v) = %v, %v; want %v", tc.values, got, err, tc.want)
			}
		})
	}
	// Scale and place do not matter, though binary fractions do not divide evenly.
	signals, err := metrology.Runs(50, 0.1, []float64{50.3, 49.7}, metrology.BeyondThreeSigma)
	if err != nil || len(signals) != 0 {
		t.Errorf("points on the 3 sigma lines of 50 ± 0.3: %v, %v; want none beyond", signals, err)
	}
}

func TestChartsRefuseBadInput(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := metrology.EWMAParameters{Lambda: 0.3, Target: 0, Sigma: 1, K: 3}
	ewma := func(change func(*metrology.EWMAParameters)) func() error {
		return func() error {
			p := good
			change(&p)
			_, err := metrology.EWMA(p, []float64{1})
			return err
		}
	}
	for _, tc := range []struct {
		name   string
		call   func() error
		reason string
	}{
		{"a baseline of one", func() error { _, err := metrology.Individuals([]float64{1}); return err }, "CHART_POINTS_COUNT"},
		{"a baseline with no number", func() error { _, err := metrology.Individuals([]float64{1, nan}); return err }, "CHART_POINT_NOT_FINITE"},
		{"a baseline too wide", func() error { _, err := metrology.Individuals([]float64{1e308, -1e308, 1e308}); return err }, "CHART_POINT_NOT_FINITE"},
		{"too many points", func() error {
			_, err := metrology.Individuals(make([]float64, metrology.MaxChartPoints+1))
			return err
		}, "CHART_POINTS_COUNT"},
		{"weight 0", ewma(func(p *metrology.EWMAParameters) { p.Lambda = 0 }), "CHART_PARAMETER_OUT_OF_RANGE"},
		{"weight over 1", ewma(func(p *metrology.EWMAParameters) { p.Lambda = 1.1 }), "CHART_PARAMETER_OUT_OF_RANGE"},
		{"target not a number", ewma(func(p *metrology.EWMAParameters) { p.Target = nan }), "CHART_PARAMETER_OUT_OF_RANGE"},
		{"no spread", ewma(func(p *metrology.EWMAParameters) { p.Sigma = 0 }), "CHART_PARAMETER_OUT_OF_RANGE"},
		{"no width", ewma(func(p *metrology.EWMAParameters) { p.K = 0 }), "CHART_PARAMETER_OUT_OF_RANGE"},
		{"no readings", func() error { _, err := metrology.EWMA(good, nil); return err }, "CHART_POINTS_COUNT"},
		{"negative time", func() error { _, _, err := good.Limits(-1); return err }, "CHART_PARAMETER_OUT_OF_RANGE"},
		{"negative allowance", func() error {
			_, err := metrology.CUSUM(metrology.CUSUMParameters{K: -1, H: 1}, []float64{1})
			return err
		}, "CHART_PARAMETER_OUT_OF_RANGE"},
		{"no decision limit", func() error { _, err := metrology.CUSUM(metrology.CUSUMParameters{K: 1}, []float64{1}); return err }, "CHART_PARAMETER_OUT_OF_RANGE"},
		{"sums without end", func() error {
			_, err := metrology.CUSUM(metrology.CUSUMParameters{H: 1}, []float64{1.7e308, 1.7e308})
			return err
		}, "CHART_POINT_NOT_FINITE"},
		{"unknown run rule", func() error { _, err := metrology.Runs(0, 1, []float64{1}, "ten in a row"); return err }, "RUN_RULE_UNKNOWN"},
		{"centre not a number", func() error { _, err := metrology.Runs(nan, 1, []float64{1}); return err }, "CHART_PARAMETER_OUT_OF_RANGE"},
		{"infinite spread", func() error { _, err := metrology.Runs(0, inf, []float64{1}); return err }, "CHART_WITHOUT_SPREAD"},
		{"drift of one reading", func() error { _, err := metrology.Drift(make([]metrology.TimedValue, 1)); return err }, "CHART_POINTS_COUNT"},
		{"drift at one moment", func() error { _, err := metrology.Drift(make([]metrology.TimedValue, 3)); return err }, "DRIFT_NO_TIME"},
		{"drift of no number", func() error {
			_, err := metrology.Drift([]metrology.TimedValue{{Value: nan}, {Value: 1}})
			return err
		}, "CHART_POINT_NOT_FINITE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := tc.call()
			if !errs.Is(err, tc.reason) || errs.KindOf(err) != errs.Invalid {
				t.Errorf("got %v; want Invalid %s", err, tc.reason)
			}
		})
	}
}

// Against gonum's least squares.
func TestDriftAgreesWithALibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	start := time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)
	for range 200 {
		n := 3 + rng.IntN(40)
		var series []metrology.TimedValue
		var x, y []float64
		for i := range n {
			day := float64(i) + rng.Float64()
			v := -120 + 0.02*day + rng.NormFloat64()*0.3
			series = append(series, metrology.TimedValue{At: start.Add(time.Duration(day * 24 * float64(time.Hour))), Value: v})
			y = append(y, v)
		}
		rng.Shuffle(n, func(i, j int) {
			series[i], series[j] = series[j], series[i]
			y[i], y[j] = y[j], y[i]
		})
		line, err := metrology.Drift(series)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range series {
			x = append(x, p.At.Sub(line.Origin).Hours()/24)
		}
		alpha, beta := stat.LinearRegression(x, y, nil, false)
		if math.Abs(line.AtOrigin-alpha) > 1e-9 || math.Abs(line.PerDay-beta) > 1e-9 || line.Count != n {
			t.Fatalf("Drift = %+v; want %v + %v a day", line, alpha, beta)
		}
		rest := 0.0
		for i := range x {
			d := y[i] - alpha - beta*x[i]
			rest += d * d
		}
		spread := math.Sqrt(rest / float64(n-2))
		_, sd := stat.MeanStdDev(x, nil)
		if math.Abs(line.Spread-spread) > 1e-9 || math.Abs(line.PerDayUncertainty-spread/(sd*math.Sqrt(float64(n-1)))) > 1e-9 {
			t.Fatalf("spread %v ± %v a day; want %v", line.Spread, line.PerDayUncertainty, spread)
		}
	}
}

func TestDriftReachesABound(t *testing.T) {
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	line, err := metrology.Drift([]metrology.TimedValue{{day(10), -119}, {day(0), -120}})
	if err != nil || line.Spread != 0 || !line.Origin.Equal(start) {
		t.Fatalf("Drift = %+v, %v", line, err)
	}
	if at, ok := line.Reaches(-115); !ok || at.Sub(day(50)).Abs() > time.Second {
		t.Errorf("Reaches(-115) = %v, %v; want %v", at, ok, day(50))
	}
	for _, bound := range []float64{-121, math.NaN(), math.Inf(1), 1e9} {
		if at, ok := line.Reaches(bound); ok {
			t.Errorf("Reaches(%v) = %v; want never", bound, at)
		}
	}
	level, err := metrology.Drift([]metrology.TimedValue{{day(0), 1}, {day(1), 1}})
	if err != nil {
		t.Fatal(err)
	}
	if at, ok := level.Reaches(2); ok {
		t.Errorf("a level line reaches 2 at %v; want never", at)
	}
}
