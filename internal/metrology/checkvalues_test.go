package metrology_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/metrology"
)

func limitsOf(in map[string]float64) metrology.Limits {
	var l metrology.Limits
	l.Lower, l.HasLower = in["lower"]
	l.Upper, l.HasUpper = in["upper"]
	return l
}

func ruleOf(in map[string]float64) metrology.Rule { return metrology.Rule{GuardFactor: in["r"]} }

func expanded(in map[string]float64) metrology.Uncertainty {
	return metrology.Uncertainty{Expanded: in["U"], K: 2}
}

func ewma(in map[string]float64) metrology.EWMAParameters {
	return metrology.EWMAParameters{Lambda: in["lambda"], Target: in["target"], Sigma: in["sigma"], K: in["k"]}
}

func components(t *testing.T, r checkvalues.Row) []metrology.Component {
	var out []metrology.Component
	freedom := checkvalues.Fields(t, r.Text["freedom"])
	for i, u := range checkvalues.Fields(t, r.Text["standard"]) {
		c := metrology.Component{Name: fmt.Sprint(i), Standard: u, Sensitivity: 1, Freedom: math.Inf(1)}
		if freedom != nil {
			c.Freedom = freedom[i]
		}
		out = append(out, c)
	}
	return out
}

func joined(xs []float64, format string) string {
	var s []string
	for _, x := range xs {
		s = append(s, fmt.Sprintf(format, x))
	}
	return strings.Join(s, " ")
}

// closeTo gives want back when every number of it lies within the distance of
// got, and else shows got.
func closeTo(t *testing.T, got []float64, want, within string) string {
	d := checkvalues.Fields(t, within)[0]
	ws := checkvalues.Fields(t, want)
	for i, w := range ws {
		if len(got) != len(ws) || !(math.Abs(got[i]-w) <= d) {
			return joined(got, "%.7g")
		}
	}
	return want
}

func TestPublishedAndComputedValues(t *testing.T) {
	type result = checkvalues.Result
	type row = checkvalues.Row
	num := checkvalues.Numbers
	component := func(c metrology.Component, err error) (result, error) { return num("u", c.Standard), err }
	calls := map[string]func(row) (result, error){
		"worst_false_accept": func(r row) (result, error) {
			p, err := ruleOf(r.In).WorstFalseAccept(r.In["k"])
			return num("chance", p), err
		},
		// The print states bounds; the chance must not exceed them.
		"worst_false_accept_stated": func(r row) (result, error) {
			p, err := ruleOf(r.In).WorstFalseAccept(r.In["k"])
			if p <= r.Want["at_most"] {
				p = r.Want["at_most"]
			}
			return num("at_most", p), err
		},
		"acceptance": func(r row) (result, error) {
			a, _, err := ruleOf(r.In).Acceptance(limitsOf(r.In), expanded(r.In))
			return num("lower", a.Lower, "upper", a.Upper), err
		},
		"decide": func(r row) (result, error) {
			simple, err := metrology.Rule{}.Decide(limitsOf(r.In), expanded(r.In), r.In["y"])
			if err != nil {
				return result{}, err
			}
			guarded, err := ruleOf(r.In).Decide(limitsOf(r.In), expanded(r.In), r.In["y"])
			return result{Words: map[string]string{
				"simple": string(simple.Grade), "guarded": string(guarded.Grade),
			}}, err
		},
		"conformance": func(r row) (result, error) {
			p, err := metrology.ConformanceProbability(limitsOf(r.In), r.In["y"], r.In["u"])
			return num("p", p), err
		},
		"phi": func(r row) (result, error) { return num("p", metrology.Phi(r.In["z"])), nil },
		"combine": func(r row) (result, error) {
			b, err := metrology.Combine(components(t, r)...)
			return num("combined", b.Combined, "combined_squared", b.Combined*b.Combined), err
		},
		"freedom": func(r row) (result, error) {
			b, err := metrology.Combine(components(t, r)...)
			return num("freedom", b.Freedom), err
		},
		"expanded": func(r row) (result, error) {
			b, err := metrology.Combine(metrology.Component{Standard: r.In["u"], Sensitivity: 1, Freedom: math.Inf(1)})
			if err != nil {
				return result{}, err
			}
			u, err := b.Expanded(r.In["k"])
			return num("U", u.Expanded), err
		},
		"from_mean":        func(r row) (result, error) { return component(metrology.FromMean("x", r.In["s"], int(r.In["n"]))) },
		"from_rectangular": func(r row) (result, error) { return component(metrology.FromRectangular("x", r.In["a"])) },
		"from_triangular":  func(r row) (result, error) { return component(metrology.FromTriangular("x", r.In["a"])) },
		"from_u_shaped":    func(r row) (result, error) { return component(metrology.FromUShaped("x", r.In["a"])) },
		"from_resolution":  func(r row) (result, error) { return component(metrology.FromResolution("x", r.In["d"])) },
		"from_certificate": func(r row) (result, error) { return component(metrology.FromCertificate("x", expanded(r.In))) },
		"mismatch": func(r row) (result, error) {
			low, high, err := metrology.Mismatch(r.In["g1"], r.In["g2"])
			return num("low", low, "high", high), err
		},
		"mismatch_uncertainty": func(r row) (result, error) {
			u, err := metrology.MismatchUncertainty(r.In["g1"], r.In["g2"])
			return num("u", u), err
		},
		"mismatch_uncertainty_return_loss": func(r row) (result, error) {
			g := func(rl float64) float64 { return math.Pow(10, -rl/20) }
			u, err := metrology.MismatchUncertainty(g(r.In["rl1"]), g(r.In["rl2"]))
			return num("u", u), err
		},
		"budget_return_loss": func(r row) (result, error) {
			certificate, e1 := metrology.FromCertificate("certificate", expanded(r.In))
			resolution, e2 := metrology.FromResolution("resolution", r.In["d"])
			repeat, e3 := metrology.FromMean("repeat", r.In["s"], int(r.In["n"]))
			mismatch, e4 := metrology.FromUShaped("mismatch", r.In["mismatch"])
			drift, e5 := metrology.FromRectangular("drift", r.In["drift"])
			b, e6 := metrology.Combine(certificate, resolution, repeat, mismatch, drift)
			u, e7 := b.Expanded(r.In["k"])
			for _, err := range []error{e1, e2, e3, e4, e5, e6, e7} {
				if err != nil {
					return result{}, err
				}
			}
			return num("certificate", certificate.Standard, "resolution", resolution.Standard, "repeat", repeat.Standard,
				"mismatch", mismatch.Standard, "drift", drift.Standard, "combined", b.Combined, "expanded", u.Expanded), nil
		},
		"budget_torque": func(r row) (result, error) {
			tool, e1 := metrology.FromRectangular("tool", r.In["tool"])
			calibration, e2 := metrology.FromCertificate("calibration", expanded(r.In))
			scale, e3 := metrology.FromRectangular("scale", r.In["scale"])
			b, e4 := metrology.Combine(tool, calibration, scale)
			u, e5 := b.Expanded(r.In["k"])
			for _, err := range []error{e1, e2, e3, e4, e5} {
				if err != nil {
					return result{}, err
				}
			}
			return num("tool", tool.Standard, "calibration", calibration.Standard, "scale", scale.Standard,
				"combined", b.Combined, "expanded", u.Expanded), nil
		},
		"individuals": func(r row) (result, error) {
			c, err := metrology.Individuals(checkvalues.Fields(t, r.Text["values"]))
			return num("center", c.Center, "mean_range", c.MeanRange, "upper", c.Upper, "lower", c.Lower,
				"sigma", c.Sigma, "range_upper", c.MovingRangesUpper), err
		},
		"moving_ranges": func(r row) (result, error) {
			c, err := metrology.Individuals(checkvalues.Fields(t, r.Text["values"]))
			return result{Words: map[string]string{"ranges": joined(c.MovingRanges, "%.1f")}}, err
		},
		"runs_none": func(r row) (result, error) {
			values := checkvalues.Fields(t, r.Text["values"])
			c, err := metrology.Individuals(values)
			if err != nil {
				return result{}, err
			}
			signals, err := metrology.Runs(c.Center, c.Sigma, values, append(metrology.NelsonRules(), metrology.ZoneRules()...)...)
			words := ""
			if len(signals) > 0 {
				words = fmt.Sprint(signals)
			}
			return result{Words: map[string]string{"signals": words}}, err
		},
		"ewma": func(r row) (result, error) {
			c, err := metrology.EWMA(ewma(r.In), checkvalues.Fields(t, r.Text["values"]))
			outside := ""
			if len(c.Outside) > 0 {
				outside = fmt.Sprint(c.Outside)
			}
			return result{Words: map[string]string{
				"series": closeTo(t, c.Series, r.WantText["series"], r.WantText["within"]),
				"within": r.WantText["within"], "outside": outside,
			}}, err
		},
		"ewma_limits": func(r row) (result, error) {
			low, high, err := ewma(r.In).Limits(int(r.In["t"]))
			return num("lower", low, "upper", high), err
		},
		"ewma_factor": func(r row) (result, error) {
			_, high, err := metrology.EWMAParameters{Lambda: r.In["lambda"], Sigma: 1, K: 1}.Limits(0)
			return num("factor", high), err
		},
		"cusum": func(r row) (result, error) {
			c, err := metrology.CUSUM(metrology.CUSUMParameters{Target: r.In["target"], K: r.In["k"], H: r.In["h"]}, checkvalues.Fields(t, r.Text["values"]))
			signals := ""
			if len(c.Signals) > 0 {
				signals = fmt.Sprint(c.Signals)
			}
			return result{Words: map[string]string{
				"high": joined(c.High, "%.1f"), "low": joined(c.Low, "%.1f"), "signals": signals,
			}}, err
		},
		"runs": func(r row) (result, error) {
			signals, err := metrology.Runs(0, 1, checkvalues.Fields(t, r.Text["values"]), metrology.RunRule(r.Text["rule"]))
			first := 0.0
			if len(signals) > 0 {
				first = float64(signals[0].Index + 1)
			}
			return num("first", first), err
		},
		// The share of the normal distribution that the rule flags, from the
		// rule itself: it fires just beyond 3 and not at 3.
		"false_alarm": func(r row) (result, error) {
			edge := 0.0
			for x := 0.0; x < 6; x += 0.001 {
				s, err := metrology.Runs(0, 1, []float64{x}, metrology.RunRule(r.Text["rule"]))
				if err != nil {
					return result{}, err
				}
				if len(s) == 0 {
					edge = x
				}
			}
			p := 2 * metrology.Phi(-math.Round(edge*1000)/1000)
			return num("chance", p, "mean_run", 1/p), nil
		},
		// Every way in which n points can fall on the two sides.
		"false_alarm_signs": func(r row) (result, error) {
			n := int(r.In["n"])
			flagged := 0
			for bits := range 1 << n {
				values := make([]float64, n)
				for i := range values {
					values[i] = float64(bits>>i&1) - 0.5
				}
				s, err := metrology.Runs(0, 1, values, metrology.RunRule(r.Text["rule"]))
				if err != nil {
					return result{}, err
				}
				flagged += len(s)
			}
			return num("chance", float64(flagged)/float64(int(1)<<n)), nil
		},
		"due": func(r row) (result, error) {
			last, err := metrology.ParseDate(r.Text["last"])
			if err != nil {
				return result{}, err
			}
			due, err := metrology.CalibrationInterval{Months: int(r.In["months"]), Days: int(r.In["days"])}.Due(last)
			return result{Words: map[string]string{"due": due.String()}}, err
		},
	}
	checkvalues.Run(t, "metrology", calls)
}

// The exact constants behind the rounded divisors of the published chart.
func TestChartConstantsAreRoundingsOfTheExactOnes(t *testing.T) {
	c, err := metrology.Individuals([]float64{0, 1})
	if err != nil {
		t.Fatal(err)
	}
	d2 := 2 / math.Sqrt(math.Pi)
	d3 := math.Sqrt(2 - 4/math.Pi)
	for name, pair := range map[string][2]float64{
		"d2 = 2/√π":               {1 / c.Sigma, d2},
		"D4 = 1 + 3·d3/d2":        {c.MovingRangesUpper, 1 + 3*d3/d2},
		"d3 as tabled, 0.852502":  {0.852502, d3},
		"D4 with d2 = 1.128":      {3.26729, 1 + 3*d3/1.128},
		"d2 as tabled, 1.12838":   {1.12838, d2},
		"3/1.128 tabled, 2.65957": {(c.Upper - c.Center) / c.MeanRange, 2.65957},
	} {
		if math.Abs(pair[0]-pair[1]) > 5e-4 {
			t.Errorf("%s: %s against %s", name, strconv.FormatFloat(pair[0], 'g', 8, 64), strconv.FormatFloat(pair[1], 'g', 8, 64))
		}
	}
}
