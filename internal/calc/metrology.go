package calc

import (
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/working"
)

func guardBand(v values) (working.Working, error) {
	rule, err := metrology.RuleNamed(metrology.RuleName(v.word("rule")))
	if err != nil {
		return working.Working{}, err
	}
	var l metrology.Limits
	if x := v.given("lower_limit"); x != nil {
		l.Lower, l.HasLower = *x, true
	}
	if x := v.given("upper_limit"); x != nil {
		l.Upper, l.HasUpper = *x, true
	}
	if !l.HasLower && !l.HasUpper {
		return working.Working{}, errs.Field("PARAMETER_MISSING", "upper_limit", "must be given, or lower_limit, or both")
	}
	var u metrology.Uncertainty
	if x := v.given("uncertainty"); x != nil {
		u = metrology.Uncertainty{Expanded: *x, K: v.number("coverage")}
	}
	y := v.number("value")
	d, err := rule.Decide(l, u, y)
	if err != nil {
		return working.Working{}, err
	}
	unit := v.word("unit_name")
	n := func(name string, x float64) working.Term { return working.Number(name, "", x, unit) }
	w := working.Working{
		Formula:  "guard band w = r*U: each limit moves inward by w; a value on it is accepted",
		Inputs:   []working.Term{n("value", y), working.Words("rule", string(rule.Name)), working.Number("r of the rule", "r", rule.GuardFactor, "")},
		Steps:    []working.Term{n("guard band", d.GuardBand)},
		Sources:  []working.Source{rule.Source, {Document: "JCGM 106", Clause: "7, conformance probability", Year: 2012, Status: working.Computed}},
		Cautions: []string{"The rule is agreed before measuring and printed with the result.", ownersLimit},
		LeftOut:  []string{"errors that are bounded but not random, such as a residual or directivity: they act before the guard band"},
	}
	if l.HasLower {
		w.Inputs = append(w.Inputs, n("lower limit", l.Lower))
		w.Steps = append(w.Steps, n("lowest value accepted", d.Acceptance.Lower))
	}
	if l.HasUpper {
		w.Inputs = append(w.Inputs, n("upper limit", l.Upper))
		w.Steps = append(w.Steps, n("highest value accepted", d.Acceptance.Upper))
	}
	answer := "not accepted"
	if d.Accepted {
		answer = "accepted by the rule"
	}
	w.Result = []working.Term{working.Words("decision", answer), working.Words("in four parts", string(d.Grade))}
	if !u.Stated() {
		w.LeftOut = append(w.LeftOut, "the uncertainty: none was entered")
		return w, nil
	}
	w.Inputs = append(w.Inputs, n("expanded uncertainty", u.Expanded), working.Number("coverage factor", "k", u.K, ""))
	standard, err := u.Standard()
	if err != nil {
		return working.Working{}, err
	}
	p, err := metrology.ConformanceProbability(l, y, standard)
	if err != nil {
		return working.Working{}, err
	}
	risk, err := rule.WorstFalseAccept(u.K)
	if err != nil {
		return working.Working{}, err
	}
	w.Steps = append(w.Steps, n("standard uncertainty, U/k", standard))
	w.Result = append(w.Result,
		working.Number("probability that the true value lies within the limits", "", p*100, "%"),
		working.Number("false acceptance at worst, on the acceptance limit", "", risk*100, "%"))
	return w, nil
}

func controlChart(v values) (working.Working, error) {
	c, err := metrology.Individuals(v.list("baseline"))
	if err != nil {
		return working.Working{}, err
	}
	w := working.Working{
		Formula: "chart of single readings: mean -/+ 3 * (mean moving range / 1.128)",
		Inputs:  []working.Term{{Name: "readings in the baseline", Value: strconv.Itoa(c.Count)}},
		Steps: []working.Term{
			working.Number("mean", "", c.Center, ""), working.Number("mean moving range", "", c.MeanRange, ""), working.Number("sigma", "", c.Sigma, ""),
		},
		Result: []working.Term{
			working.Number("lower control limit", "", c.Lower, ""), working.Number("upper control limit", "", c.Upper, ""),
			working.Number("upper limit of a moving range", "", c.MovingRangesUpper, ""),
		},
		Sources: []working.Source{
			{Document: "NIST/SEMATECH e-Handbook of Statistical Methods", Clause: "6.3.2.2", Status: working.Confirmed},
			{Document: "one point beyond 3 sigma stops work, nine in a row on one side warn", Status: working.CommonPractice},
		},
		Cautions: []string{"A control limit says that the instrument changed; it is no limit for the line.", "A new calibration starts a new baseline."},
	}
	if c.Thin() {
		w.Cautions = append(w.Cautions, "The baseline has fewer than "+strconv.Itoa(metrology.BaselineLeast)+" readings: the limits are too loose to act on.")
	}
	values := v.list("values")
	w.Inputs = append(w.Inputs, working.Term{Name: "readings that follow", Value: strconv.Itoa(len(values))})
	if len(values) == 0 {
		w.Result = append(w.Result, working.Words("readings that follow", "not checked: none was entered"))
		return w, nil
	}
	stop, warn, err := c.Watch(values)
	if err != nil {
		return working.Working{}, err
	}
	for _, s := range stop {
		w.Result = append(w.Result, working.Words("reading "+strconv.Itoa(s.Index+1), "STOP: "+string(s.Rule)))
	}
	for _, s := range warn {
		w.Result = append(w.Result, working.Words("reading "+strconv.Itoa(s.Index+1), "warning: "+string(s.Rule)))
	}
	if len(stop)+len(warn) == 0 {
		w.Result = append(w.Result, working.Words("readings that follow", "no signal by these two rules"))
	}
	return w, nil
}

func calibrationDue(v values) (working.Working, error) {
	last, err := metrology.ParseDate(v.word("calibrated_on"))
	if err != nil {
		return working.Working{}, err
	}
	due, err := metrology.CalibrationInterval{Months: v.whole("months"), Days: v.whole("days")}.Due(last)
	if err != nil {
		return working.Working{}, err
	}
	return working.Working{
		Formula: "calibration: last day in date = calibration + months, month ends clamped, + days",
		Inputs: []working.Term{working.Words("calibrated on", last.String()),
			{Name: "months", Value: strconv.Itoa(v.whole("months"))}, {Name: "days", Value: strconv.Itoa(v.whole("days"))}},
		Result:   []working.Term{working.Words("last day in date, in the site's zone", due.String())},
		Sources:  []working.Source{{Document: "12 months for sweep, intermodulation and optical instruments; the owner sets and justifies his own", Status: working.CommonPractice}},
		Cautions: []string{"The state at the moment of the reading decides. A reading taken later is kept and flagged."},
	}, nil
}

func metrologyCalculations() []Calculation {
	rules := []string{}
	for _, r := range metrology.Rules() {
		rules = append(rules, string(r.Name))
	}
	any := working.Domain{Min: -1e9, Max: 1e9}
	over := working.Domain{Min: 0, MinOpen: true, Max: 1e9}
	return []Calculation{
		{Name: "guard-band", Group: "metrology", Title: "decision on a reading with its uncertainty, by a named rule",
			Parameters: []Parameter{
				num("value", "value as read", any), num("lower_limit", "lower limit", any).maybe(), num("upper_limit", "upper limit", any).maybe(),
				num("uncertainty", "expanded uncertainty U", over).maybe(), num("coverage", "its coverage factor k", working.Domain{Min: 0, MinOpen: true, Max: 10}).or("2"),
				choice("rule", "decision rule", rules).or(string(metrology.SimpleAcceptance)),
				words("unit_name", "unit to print").maybe(),
			}, do: guardBand},
		{Name: "control-chart", Group: "metrology", Title: "control limits of a self-check, and signals in the readings that follow",
			Parameters: []Parameter{num("baseline", "readings of the baseline, in order", any).many(), num("values", "readings that follow", any).many().maybe()}, do: controlChart},
		{Name: "calibration-due", Group: "metrology", Title: "last day on which an instrument is in date",
			Parameters: []Parameter{words("calibrated_on", "day of the calibration, like 2031-05-14"), whole("months", "months of the interval", 0, 240).or("12"), whole("days", "days added to them", 0, 7300).or("0")}, do: calibrationDue},
	}
}
