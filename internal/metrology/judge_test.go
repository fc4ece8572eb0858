package metrology_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
)

func rule(t testing.TB, name metrology.RuleName) metrology.Rule {
	t.Helper()
	r, err := metrology.RuleNamed(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The limit -107 dBm and the intervals are worked from the error bound of a
// residual of unknown phase (IEC 62037-1, error curve as quoted in open text).
func TestJudge(t *testing.T) {
	pim := metrology.AtMost(-107)
	window := metrology.Between(24, 26)
	u := func(expanded float64) metrology.Uncertainty {
		return metrology.Uncertainty{Expanded: expanded, K: 2}
	}
	none := metrology.Uncertainty{}
	for _, tc := range []struct {
		name     string
		limits   metrology.Limits
		rule     metrology.RuleName
		u        metrology.Uncertainty
		y        float64
		interval metrology.Interval
		want     metrology.Outcome
		inside   bool
	}{
		{"well within", pim, metrology.SimpleAcceptance, none, -120, metrology.Interval{Low: -123.302, High: -117.613}, metrology.Pass, false},
		{"within, but the residual allows a value over the limit", pim, metrology.SimpleAcceptance, none, -107.5, metrology.Interval{Low: -108.4, High: -106.7}, metrology.PassNotProven, false},
		{"over, but the residual allows a value within", pim, metrology.SimpleAcceptance, none, -106.8, metrology.Interval{Low: -107.6, High: -106.1}, metrology.Fail, true},
		{"over, whatever the residual did", pim, metrology.SimpleAcceptance, none, -100, metrology.Interval{Low: -100.4, High: -99.6}, metrology.Fail, false},
		{"on the limit, without error", pim, metrology.SimpleAcceptance, none, -107, metrology.Interval{Low: -107, High: -107}, metrology.Pass, false},
		{"a hair of arithmetic over the limit is on it", metrology.AtMost(1.68), metrology.SimpleAcceptance, none, 0.060*3.0 + 1.5 + 4e-16, metrology.Interval{Low: 1.68, High: 1.68}, metrology.Pass, false},
		{"a low end without bound", pim, metrology.SimpleAcceptance, none, -120, metrology.Interval{Low: math.Inf(-1), High: -117}, metrology.Pass, false},
		{"within the guard band", metrology.AtMost(-153), metrology.GuardedU, u(2), -154.2, metrology.Interval{Low: -154.2, High: -154.2}, metrology.PassNotProven, false},
		{"guard band and residual one after the other", metrology.AtMost(-153), metrology.GuardedU, u(2), -155.5, metrology.Interval{Low: -156, High: -154.9}, metrology.PassNotProven, false},
		{"both cleared", metrology.AtMost(-153), metrology.GuardedU, u(2), -155.5, metrology.Interval{Low: -156, High: -155.1}, metrology.Pass, false},
		{"over by less than the guard band", metrology.AtMost(0.30), metrology.GuardedU, u(0.05), 0.31, metrology.Interval{Low: 0.31, High: 0.31}, metrology.Fail, true},
		{"over by more than the guard band", metrology.AtMost(0.30), metrology.GuardedU, u(0.05), 0.36, metrology.Interval{Low: 0.36, High: 0.36}, metrology.Fail, false},
		{"torque in the middle of its window", window, metrology.GuardedU, u(0.7), 25, metrology.Interval{Low: 25, High: 25}, metrology.Pass, false},
		{"torque near the upper end", window, metrology.GuardedU, u(0.7), 25.4, metrology.Interval{Low: 25.4, High: 25.4}, metrology.PassNotProven, false},
		{"torque under, the tool's class reaches back", window, metrology.SimpleAcceptance, none, 23.9, metrology.Interval{Low: 22.98, High: 24.9}, metrology.Fail, true},
		{"uncritical: over, not surely out", metrology.AtMost(-153), metrology.Uncritical, u(2), -152, metrology.Interval{Low: -152, High: -152}, metrology.PassNotProven, false},
		{"uncritical: within", metrology.AtMost(-153), metrology.Uncritical, u(2), -153.5, metrology.Interval{Low: -153.5, High: -153.5}, metrology.Pass, false},
		{"uncritical: surely out", metrology.AtMost(-153), metrology.Uncritical, u(2), -150.9, metrology.Interval{Low: -150.9, High: -150.9}, metrology.Fail, false},
		{"no limit", metrology.Limits{}, metrology.SimpleAcceptance, none, 5, metrology.Interval{Low: 5, High: 5}, metrology.RecordedNoLimit, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := metrology.Judge(tc.limits, rule(t, tc.rule), tc.u, tc.y, tc.interval)
			if err != nil || got.Outcome != tc.want || got.InsideUncertainty != tc.inside {
				t.Errorf("Judge(%+v, %s, %v, %v) = %+v, %v; want %q, inside the uncertainty %v", tc.limits, tc.rule, tc.y, tc.interval, got, err, tc.want, tc.inside)
			}
		})
	}
}

func TestJudgeBound(t *testing.T) {
	pim := metrology.AtMost(-107)
	simple := rule(t, metrology.SimpleAcceptance)
	minus := math.Inf(-1)
	for _, tc := range []struct {
		name string
		r    metrology.Rule
		u    metrology.Uncertainty
		l    metrology.Limits
		i    metrology.Interval
		want metrology.Outcome
	}{
		{"at most a value within the limit", simple, metrology.Uncertainty{}, pim, metrology.Interval{Low: minus, High: -110}, metrology.Pass},
		{"at most a value over the limit", simple, metrology.Uncertainty{}, pim, metrology.Interval{Low: minus, High: -104}, metrology.NotMeasurable},
		{"at most exactly the limit", simple, metrology.Uncertainty{}, pim, metrology.Interval{Low: minus, High: -107}, metrology.Pass},
		{"wholly over the limit", simple, metrology.Uncertainty{}, pim, metrology.Interval{Low: -100, High: -90}, metrology.Fail},
		{"within, not beyond the guard band", rule(t, metrology.GuardedU), metrology.Uncertainty{Expanded: 2, K: 2}, pim, metrology.Interval{Low: minus, High: -108}, metrology.PassNotProven},
		{"no limit", simple, metrology.Uncertainty{}, metrology.Limits{}, metrology.Interval{Low: minus, High: -108}, metrology.RecordedNoLimit},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := metrology.JudgeBound(tc.l, tc.r, tc.u, tc.i)
			if err != nil || got.Outcome != tc.want || !got.BoundOnly {
				t.Errorf("JudgeBound(%+v, %+v) = %+v, %v; want %q as a bound only", tc.l, tc.i, got, err, tc.want)
			}
		})
	}
}

func TestJudgingRefusesBadInput(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	simple, guarded := rule(t, metrology.SimpleAcceptance), rule(t, metrology.GuardedU)
	one := metrology.Interval{Low: 1, High: 1}
	u := metrology.Uncertainty{Expanded: 1, K: 2}
	judge := func(l metrology.Limits, r metrology.Rule, u metrology.Uncertainty, y float64, i metrology.Interval) func() error {
		return func() error { _, err := metrology.Judge(l, r, u, y, i); return err }
	}
	for _, tc := range []struct {
		name   string
		call   func() error
		reason string
	}{
		{"value not a number", judge(metrology.AtMost(1), simple, u, nan, one), "VALUE_NOT_FINITE"},
		{"infinite value", judge(metrology.AtMost(1), simple, u, inf, one), "VALUE_NOT_FINITE"},
		{"interval not a number", judge(metrology.AtMost(1), simple, u, 1, metrology.Interval{Low: nan, High: 1}), "INTERVAL_OUT_OF_ORDER"},
		{"interval turned round", judge(metrology.AtMost(1), simple, u, 1, metrology.Interval{Low: 2, High: 0}), "INTERVAL_OUT_OF_ORDER"},
		{"interval nowhere", judge(metrology.AtMost(1), simple, u, 1, metrology.Interval{Low: inf, High: inf}), "INTERVAL_OUT_OF_ORDER"},
		{"value outside its interval", judge(metrology.AtMost(1), simple, u, 3, one), "INTERVAL_OUT_OF_ORDER"},
		{"limit not a number", judge(metrology.AtMost(nan), simple, u, 1, one), "LIMIT_NOT_FINITE"},
		{"lower limit without end", judge(metrology.AtLeast(inf), simple, u, 1, one), "LIMIT_NOT_FINITE"},
		{"limits crossed", judge(metrology.Between(2, 1), simple, u, 1, one), "LIMITS_CROSSED"},
		{"guarded without uncertainty", judge(metrology.AtMost(1), guarded, metrology.Uncertainty{}, 1, one), "UNCERTAINTY_NOT_STATED"},
		{"negative uncertainty", judge(metrology.AtMost(1), guarded, metrology.Uncertainty{Expanded: -1, K: 2}, 1, one), "UNCERTAINTY_OUT_OF_RANGE"},
		{"uncertainty not a number, even with simple acceptance", judge(metrology.AtMost(1), simple, metrology.Uncertainty{Expanded: nan, K: 2}, 1, one), "UNCERTAINTY_OUT_OF_RANGE"},
		{"uncertainty without a factor", judge(metrology.AtMost(1), guarded, metrology.Uncertainty{Expanded: 1}, 1, one), "UNCERTAINTY_OUT_OF_RANGE"},
		{"guard bands that meet", judge(metrology.Between(24, 26), guarded, metrology.Uncertainty{Expanded: 1.2, K: 2}, 25, metrology.Interval{Low: 25, High: 25}), "ACCEPTANCE_ZONE_EMPTY"},
		{"guard factor of 11", judge(metrology.AtMost(1), metrology.Rule{GuardFactor: 11}, u, 1, one), "GUARD_FACTOR_OUT_OF_RANGE"},
		{"guard factor not a number", judge(metrology.AtMost(1), metrology.Rule{GuardFactor: nan}, u, 1, one), "GUARD_FACTOR_OUT_OF_RANGE"},
		{"bound not a number", func() error {
			_, err := metrology.JudgeBound(metrology.AtMost(1), simple, u, metrology.Interval{Low: 1, High: nan})
			return err
		}, "INTERVAL_OUT_OF_ORDER"},
		{"decision without a limit", func() error { _, err := simple.Decide(metrology.Limits{}, u, 1); return err }, "LIMIT_MISSING"},
		{"decision on no number", func() error { _, err := simple.Decide(metrology.AtMost(1), u, nan); return err }, "VALUE_NOT_FINITE"},
		{"unknown rule", func() error { _, err := metrology.RuleNamed("coin"); return err }, "DECISION_RULE_UNKNOWN"},
		{"probability without a limit", func() error { _, err := metrology.ConformanceProbability(metrology.Limits{}, 1, 1); return err }, "LIMIT_MISSING"},
		{"probability with an infinite uncertainty", func() error { _, err := metrology.ConformanceProbability(metrology.AtMost(1), 1, inf); return err }, "UNCERTAINTY_OUT_OF_RANGE"},
		{"probability with no number", func() error { _, err := metrology.ConformanceProbability(metrology.AtMost(1), 1, nan); return err }, "UNCERTAINTY_OUT_OF_RANGE"},
		{"probability of no number", func() error { _, err := metrology.ConformanceProbability(metrology.AtMost(1), nan, 1); return err }, "VALUE_NOT_FINITE"},
		{"no components", func() error { _, err := metrology.Combine(); return err }, "BUDGET_EMPTY"},
		{"component without sensitivity", func() error { _, err := metrology.Combine(metrology.Component{Standard: 1, Freedom: 1}); return err }, "COMPONENT_OUT_OF_RANGE"},
		{"component without freedom", func() error {
			_, err := metrology.Combine(metrology.Component{Standard: 1, Sensitivity: 1})
			return err
		}, "COMPONENT_OUT_OF_RANGE"},
		{"mean of one reading", func() error { _, err := metrology.FromMean("x", 1, 1); return err }, "COMPONENT_OUT_OF_RANGE"},
		{"negative half-width", func() error { _, err := metrology.FromRectangular("x", -1); return err }, "COMPONENT_OUT_OF_RANGE"},
		{"factor of nothing", func() error { _, err := metrology.Budget{Combined: 1}.Expanded(0); return err }, "COVERAGE_OUT_OF_RANGE"},
		{"two total reflections", func() error { _, _, err := metrology.Mismatch(1, 1); return err }, "REFLECTION_OUT_OF_RANGE"},
		{"reflection of 2", func() error { _, err := metrology.MismatchUncertainty(2, 0.1); return err }, "REFLECTION_OUT_OF_RANGE"},
		{"false accept for no factor", func() error { _, err := simple.WorstFalseAccept(0); return err }, "UNCERTAINTY_OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := tc.call()
			if !errs.Is(err, tc.reason) || errs.KindOf(err) != errs.Invalid {
				t.Errorf("got %v; want Invalid %s", err, tc.reason)
			}
		})
	}
	// A rule that says so falls back to simple acceptance where no uncertainty
	// is stated.
	fallback := metrology.Rule{GuardFactor: 1, SimpleWithoutUncertainty: true}
	got, err := metrology.Judge(metrology.AtMost(1), fallback, metrology.Uncertainty{}, 1, one)
	if err != nil || got.Outcome != metrology.Pass || got.GuardBand != 0 {
		t.Errorf("fallback = %+v, %v; want a pass without a guard band", got, err)
	}
}

// A wider interval never gives a better pass, and mirroring the number line
// turns an upper limit into a lower one with the same verdict.
func TestJudgeIsMonotoneAndMirrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	u := metrology.Uncertainty{Expanded: 0.5, K: 2}
	rules := metrology.Rules()
	for range 20_000 {
		limit, y := rng.Float64()*4-2, rng.Float64()*8-4
		r := rules[rng.IntN(len(rules))]
		i := metrology.Interval{Low: y - rng.Float64(), High: y + rng.Float64()}
		wide := metrology.Interval{Low: i.Low - rng.Float64(), High: i.High + rng.Float64()}
		a, err := metrology.Judge(metrology.AtMost(limit), r, u, y, i)
		if err != nil {
			t.Fatal(err)
		}
		b, err := metrology.Judge(metrology.AtMost(limit), r, u, y, wide)
		if err != nil {
			t.Fatal(err)
		}
		if a.Outcome == metrology.PassNotProven && b.Outcome == metrology.Pass || (a.Outcome == metrology.Fail) != (b.Outcome == metrology.Fail) || a.InsideUncertainty && !b.InsideUncertainty {
			t.Fatalf("limit %v, %s, y %v: %+v with %v but %+v with the wider %v", limit, r.Name, y, a, i, b, wide)
		}
		m, err := metrology.Judge(metrology.AtLeast(-limit), r, u, -y, metrology.Interval{Low: -i.High, High: -i.Low})
		if err != nil || m.Outcome != a.Outcome || m.InsideUncertainty != a.InsideUncertainty {
			t.Fatalf("limit %v, %s, y %v: %+v, mirrored %+v, %v", limit, r.Name, y, a, m, err)
		}
	}
}

// The stated worst chance is the conformance probability of a reading on the
// acceptance limit (JCGM 106:2012 clause 7 against ILAC-G8:09/2019 4.2).
func TestWorstFalseAcceptAgreesWithConformanceProbability(t *testing.T) {
	for _, r := range metrology.Rules() {
		u := metrology.Uncertainty{Expanded: 0.8, K: 2}
		a, _, err := r.Acceptance(metrology.AtMost(10), u)
		if err != nil {
			t.Fatal(err)
		}
		s, err := u.Standard()
		if err != nil {
			t.Fatal(err)
		}
		p, err := metrology.ConformanceProbability(metrology.AtMost(10), a.Upper, s)
		if err != nil {
			t.Fatal(err)
		}
		risk, err := r.WorstFalseAccept(2)
		if err != nil || math.Abs(1-p-risk) > 1e-12 {
			t.Errorf("%s: WorstFalseAccept(2) = %v, %v; want %v", r.Name, risk, err, 1-p)
		}
		if r.Source.Document == "" || r.Source.Status == "" {
			t.Errorf("%s has no source", r.Name)
		}
	}
}

func TestConformanceProbabilityBounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 10_000 {
		y, u := rng.NormFloat64()*5, 0.01+rng.Float64()
		lower := rng.NormFloat64() * 5
		upper := lower + rng.Float64()*5
		both, err := metrology.ConformanceProbability(metrology.Between(lower, upper), y, u)
		if err != nil || both < 0 || both > 1 {
			t.Fatalf("ConformanceProbability(%v to %v, %v, %v) = %v, %v", lower, upper, y, u, both, err)
		}
		below, err := metrology.ConformanceProbability(metrology.AtMost(upper), y, u)
		if err != nil {
			t.Fatal(err)
		}
		above, err := metrology.ConformanceProbability(metrology.AtLeast(lower), y, u)
		if err != nil {
			t.Fatal(err)
		}
		// P(within) = P(below upper) + P(above lower) − 1.
		if math.Abs(both-(below+above-1)) > 1e-9 {
			t.Fatalf("two-sided %v against %v + %v − 1", both, below, above)
		}
	}
	// Far from the middle the digits hold: 1 − Φ(8) = 6.22e-16 (standard normal tables).
	p, err := metrology.ConformanceProbability(metrology.Between(8, 9), 0, 1)
	if err != nil || math.Abs(p/6.22096e-16-1) > 1e-3 {
		t.Errorf("ConformanceProbability(8 to 9, 0, 1) = %v, %v; want 6.22096e-16", p, err)
	}
}

func FuzzJudge(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 1.5, 1.0, 2.0, 0.5, uint8(0))
	f.Add(math.NaN(), math.Inf(1), 0.0, -1.0, 1e308, -1e308, 0.0, uint8(5))
	f.Fuzz(func(t *testing.T, lower, upper, y, low, high, expanded, k float64, which uint8) {
		rules := metrology.Rules()
		l := metrology.Limits{Lower: lower, Upper: upper, HasLower: which&64 != 0, HasUpper: which&128 != 0}
		r := rules[int(which&63)%len(rules)]
		u := metrology.Uncertainty{Expanded: expanded, K: k}
		i := metrology.Interval{Low: low, High: high}
		for _, judge := range []func() (metrology.Judgement, error){
			func() (metrology.Judgement, error) { return metrology.Judge(l, r, u, y, i) },
			func() (metrology.Judgement, error) { return metrology.JudgeBound(l, r, u, i) },
		} {
			j, err := judge()
			if err != nil {
				if errs.KindOf(err) != errs.Invalid {
					t.Errorf("%v; want an Invalid error", err)
				}
				continue
			}
			if j.Outcome == "" || math.IsNaN(j.GuardBand) || math.IsNaN(j.Acceptance.Lower) || math.IsNaN(j.Acceptance.Upper) {
				t.Errorf("Judge(%+v, %s, %+v, %v, %+v) = %+v", l, r.Name, u, y, i, j)
			}
		}
	})
}
