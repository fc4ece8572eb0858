package metrology

import (
	"math"

	"witnessmark/internal/errs"
)

// Outcome is the verdict on a reading.
type Outcome string

// The five outcomes.
const (
	Pass            Outcome = "pass"
	PassNotProven   Outcome = "pass, not proven" // within the limit, but the errors allow a value beyond it
	Fail            Outcome = "fail"
	NotMeasurable   Outcome = "not measurable"
	RecordedNoLimit Outcome = "recorded, no limit"
)

// Worse returns the worse of two outcomes: recorded, pass, pass not proven,
// not measurable, fail.
func Worse(a, b Outcome) Outcome {
	if badness(b) > badness(a) {
		return b
	}
	return a
}

func badness(o Outcome) int {
	switch o {
	case RecordedNoLimit:
		return 0
	case Pass:
		return 1
	case PassNotProven:
		return 2
	case NotMeasurable:
		return 3
	}
	return 4
}

// Interval is where the true value can lie, given errors that are bounded but
// not known, such as a residual of unknown phase. Either end may be infinite.
type Interval struct{ Low, High float64 }

func (i Interval) check() error {
	if math.IsNaN(i.Low) || math.IsNaN(i.High) || i.Low > i.High || math.IsInf(i.Low, 1) || math.IsInf(i.High, -1) {
		return errs.Field("INTERVAL_OUT_OF_ORDER", "interval", "an interval runs from its low to its high end, got "+number(i.Low)+" to "+number(i.High))
	}
	return nil
}

// Judgement is a verdict with its working.
type Judgement struct {
	Outcome    Outcome
	Acceptance Limits  // what the value was held against after the guard band
	GuardBand  float64 // w, in the quantity's unit
	// InsideUncertainty is set on a fail that the errors could turn into a pass.
	InsideUncertainty bool
	// BoundOnly is set where no value was read, only an interval: the reading
	// is shown as 'at most' or 'at least'.
	BoundOnly bool
}

// Judge gives the verdict on a shown value whose bounded errors let the true
// value lie anywhere in i, by a rule with the uncertainty u. The bounded error
// and the guard band act one after the other: the interval is held against the
// acceptance limits. Values are rounded to Resolution before they are compared.
//
//   - Pass: the whole interval lies within the acceptance limits.
//   - Pass, not proven: the value is within the tolerance limits (or is accepted
//     by the rule) but not all of the interval is accepted.
//   - Fail: the value is outside; InsideUncertainty when the interval or the
//     guard band reaches back inside the tolerance.
//   - Recorded, no limit: l states no limit.
//
// Errors are Invalid: VALUE_NOT_FINITE; INTERVAL_OUT_OF_ORDER, also when the
// value lies outside its interval; those of Rule.Acceptance.
func Judge(l Limits, r Rule, u Uncertainty, y float64, i Interval) (Judgement, error) {
	if !finite(y) {
		return Judgement{}, errs.Field("VALUE_NOT_FINITE", "value", "a value is a finite number, got "+number(y))
	}
	if err := i.check(); err != nil {
		return Judgement{}, err
	}
	if Rounded(y) < Rounded(i.Low) || Rounded(y) > Rounded(i.High) {
		return Judgement{}, errs.Field("INTERVAL_OUT_OF_ORDER", "interval",
			"the value "+number(y)+" lies outside its interval "+number(i.Low)+" to "+number(i.High))
	}
	if !l.HasLower && !l.HasUpper {
		return Judgement{Outcome: RecordedNoLimit}, nil
	}
	a, w, err := r.Acceptance(l, u)
	if err != nil {
		return Judgement{}, err
	}
	j := Judgement{Acceptance: a, GuardBand: w}
	switch {
	case (a.Holds(y) || l.Holds(y)) && a.holdsAll(i.Low, i.High):
		j.Outcome = Pass
	case a.Holds(y) || l.Holds(y):
		j.Outcome = PassNotProven
	default:
		j.Outcome = Fail
		j.InsideUncertainty = l.touches(i.Low, i.High) || l.inward(-math.Abs(w)).touches(i.Low, i.High)
	}
	// An uncritical rule accepts values beyond the tolerance; such a pass is
	// never proven.
	if j.Outcome == Pass && !l.Holds(y) {
		j.Outcome = PassNotProven
	}
	return j, nil
}

// JudgeBound gives the verdict where the kit shows no usable value and only the
// interval is known, such as a reading at or under the residual. It passes when
// the whole interval is accepted (pass, not proven when it is only within the
// tolerance), fails when none of it is within the tolerance, and is else not
// measurable.
//
// Errors are Invalid: INTERVAL_OUT_OF_ORDER; those of Rule.Acceptance.
func JudgeBound(l Limits, r Rule, u Uncertainty, i Interval) (Judgement, error) {
	if err := i.check(); err != nil {
		return Judgement{}, err
	}
	if !l.HasLower && !l.HasUpper {
		return Judgement{Outcome: RecordedNoLimit, BoundOnly: true}, nil
	}
	a, w, err := r.Acceptance(l, u)
	if err != nil {
		return Judgement{}, err
	}
	j := Judgement{Acceptance: a, GuardBand: w, BoundOnly: true, Outcome: NotMeasurable}
	switch {
	case a.holdsAll(i.Low, i.High) && l.holdsAll(i.Low, i.High):
		j.Outcome = Pass
	case a.holdsAll(i.Low, i.High) || l.holdsAll(i.Low, i.High):
		j.Outcome = PassNotProven
	case !l.touches(i.Low, i.High):
		j.Outcome = Fail
		j.InsideUncertainty = l.inward(-math.Abs(w)).touches(i.Low, i.High)
	}
	return j, nil
}
