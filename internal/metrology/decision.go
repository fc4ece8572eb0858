package metrology

import (
	"fmt"
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Limits are the tolerance limits of a quantity, in its unit. The zero value
// has no limit at all.
type Limits struct {
	Lower, Upper       float64
	HasLower, HasUpper bool
}

// AtMost is a single upper limit.
func AtMost(upper float64) Limits { return Limits{Upper: upper, HasUpper: true} }

// AtLeast is a single lower limit.
func AtLeast(lower float64) Limits { return Limits{Lower: lower, HasLower: true} }

// Between is a window with both limits inside it.
func Between(lower, upper float64) Limits {
	return Limits{Lower: lower, Upper: upper, HasLower: true, HasUpper: true}
}

// Check says whether the limits can be used: each stated bound is finite and
// the lower one does not exceed the upper.
//
// Errors are Invalid: LIMIT_NOT_FINITE, LIMITS_CROSSED.
func (l Limits) Check() error {
	if l.HasLower && !finite(l.Lower) {
		return errs.Field("LIMIT_NOT_FINITE", "lower", "a lower limit is a finite number, got "+number(l.Lower))
	}
	if l.HasUpper && !finite(l.Upper) {
		return errs.Field("LIMIT_NOT_FINITE", "upper", "an upper limit is a finite number, got "+number(l.Upper))
	}
	if l.HasLower && l.HasUpper && Rounded(l.Lower) > Rounded(l.Upper) {
		return errs.Field("LIMITS_CROSSED", "lower",
			fmt.Sprintf("the lower limit %s is above the upper limit %s", number(l.Lower), number(l.Upper)))
	}
	return nil
}

// Holds reports whether y lies within the limits. A value on a limit is inside:
// equality belongs to acceptance. Both are rounded to Resolution first.
func (l Limits) Holds(y float64) bool { return l.holdsAll(y, y) }

// holdsAll reports whether the whole interval low to high lies within l.
func (l Limits) holdsAll(low, high float64) bool {
	return (!l.HasLower || Rounded(low) >= Rounded(l.Lower)) && (!l.HasUpper || Rounded(high) <= Rounded(l.Upper))
}

// touches reports whether any of the interval low to high lies within l.
func (l Limits) touches(low, high float64) bool {
	return (!l.HasLower || Rounded(high) >= Rounded(l.Lower)) && (!l.HasUpper || Rounded(low) <= Rounded(l.Upper))
}

// inward moves each limit by w into the window, or out of it for a negative w.
func (l Limits) inward(w float64) Limits {
	l.Lower += w
	l.Upper -= w
	return l
}

// RuleName names a decision rule.
type RuleName string

// The decision rules held here.
const (
	SimpleAcceptance RuleName = "simple-acceptance" // w = 0
	GuardedU         RuleName = "guarded-u"         // w = U
	Guarded083U      RuleName = "guarded-0.83u"     // w = 0.83 U
	Guarded15U       RuleName = "guarded-1.5u"      // w = 1.5 U
	Guarded3U        RuleName = "guarded-3u"        // w = 3 U
	Uncritical       RuleName = "uncritical"        // w = -U: reject only when surely out
)

// Rule is a decision rule, agreed before measuring and printed with the result
// (ISO/IEC 17025:2017 7.1.3 and 7.8.6).
type Rule struct {
	Name RuleName
	// GuardFactor is r in the guard band w = r·U, from -1 to 10.
	GuardFactor float64
	// SimpleWithoutUncertainty lets the rule fall back to simple acceptance
	// where no uncertainty is stated; else such a reading is an error.
	SimpleWithoutUncertainty bool
	Source                   working.Source
}

// Rules returns the decision rules held here, in the order of their guard bands
// from none upward, then the uncritical one. The default for connector work is
// the first, simple acceptance with U shown beside the reading (common
// practice), unless the contract names a guard band.
func Rules() []Rule {
	return []Rule{
		{SimpleAcceptance, 0, true, ilacG8("4.2.1", working.Confirmed)},
		{Guarded083U, 0.83, false, ilacG8("table 1, after ISO 14253-1:2017", working.FromMemory)},
		{GuardedU, 1, false, ilacG8("4.2.2", working.Confirmed)},
		{Guarded15U, 1.5, false, ilacG8("table 1", working.FromMemory)},
		{Guarded3U, 3, false, ilacG8("table 1", working.FromMemory)},
		{Uncritical, -1, false, ilacG8("table 1", working.FromMemory)},
	}
}

func ilacG8(clause string, status working.Status) working.Source {
	return working.Source{Document: "ILAC-G8:09", Clause: clause, Year: 2019, Status: status}
}

// RuleNamed returns the rule of that name.
//
// The error is Invalid, DECISION_RULE_UNKNOWN.
func RuleNamed(name RuleName) (Rule, error) {
	for _, r := range Rules() {
		if r.Name == name {
			return r, nil
		}
	}
	return Rule{}, errs.Field("DECISION_RULE_UNKNOWN", "rule", strconv.Quote(string(name))+" is not a decision rule held here")
}

// Uncertainty is the expanded uncertainty U of a reading in its unit, and its
// coverage factor k. The zero value means that none is stated.
type Uncertainty struct {
	Expanded float64 // U = k·u, over 0
	K        float64 // over 0; usually 2
}

// Stated reports whether an uncertainty is given at all.
func (u Uncertainty) Stated() bool { return u != Uncertainty{} }

// Standard returns u = U/k.
//
// The error is Invalid, UNCERTAINTY_OUT_OF_RANGE, when U or k is not a finite
// number over 0.
func (u Uncertainty) Standard() (float64, error) {
	if err := u.check(); err != nil {
		return 0, err
	}
	s := u.Expanded / u.K
	if !(s > 0) || math.IsInf(s, 0) {
		return 0, errs.Field("UNCERTAINTY_OUT_OF_RANGE", "uncertainty", "U over k is too small or too large to be represented")
	}
	return s, nil
}

func (u Uncertainty) check() error {
	if !(u.Expanded > 0) || math.IsInf(u.Expanded, 0) {
		return errs.Field("UNCERTAINTY_OUT_OF_RANGE", "uncertainty.expanded",
			"an expanded uncertainty is a finite number over 0, got "+number(u.Expanded))
	}
	if !(u.K > 0) || math.IsInf(u.K, 0) {
		return errs.Field("UNCERTAINTY_OUT_OF_RANGE", "uncertainty.k",
			"a coverage factor is a finite number over 0, got "+number(u.K))
	}
	return nil
}

// Acceptance returns the acceptance limits of a rule: each tolerance limit
// moved inward by w = r·U, and w itself. AL = TU − w above, TL + w below.
//
// Errors are Invalid: those of Limits.Check; GUARD_FACTOR_OUT_OF_RANGE;
// UNCERTAINTY_NOT_STATED when the rule needs U and may not fall back;
// UNCERTAINTY_OUT_OF_RANGE; ACCEPTANCE_ZONE_EMPTY when the guard bands meet,
// which refuses the rule and not the reading: no value could ever pass.
func (r Rule) Acceptance(l Limits, u Uncertainty) (Limits, float64, error) {
	if err := l.Check(); err != nil {
		return Limits{}, 0, err
	}
	if !(r.GuardFactor >= -1 && r.GuardFactor <= 10) {
		return Limits{}, 0, errs.Field("GUARD_FACTOR_OUT_OF_RANGE", "rule.guardFactor",
			"a guard factor is from -1 to 10, got "+number(r.GuardFactor))
	}
	if !u.Stated() {
		if r.GuardFactor != 0 && !r.SimpleWithoutUncertainty {
			return Limits{}, 0, errs.Field("UNCERTAINTY_NOT_STATED", "uncertainty",
				fmt.Sprintf("the rule %s needs the expanded uncertainty of the reading", r.Name))
		}
		return l, 0, nil
	}
	if err := u.check(); err != nil {
		return Limits{}, 0, err
	}
	w := r.GuardFactor * u.Expanded
	a := l.inward(w)
	if math.IsInf(a.Lower, 0) || math.IsInf(a.Upper, 0) {
		return Limits{}, 0, errs.Field("UNCERTAINTY_OUT_OF_RANGE", "uncertainty.expanded", "the guard band is too large to be represented")
	}
	if a.HasLower && a.HasUpper && Rounded(a.Lower) > Rounded(a.Upper) {
		return Limits{}, 0, errs.Field("ACCEPTANCE_ZONE_EMPTY", "rule",
			fmt.Sprintf("with an uncertainty of %s the rule %s accepts nothing between %s and %s: agree another rule or use a better tool",
				number(u.Expanded), r.Name, number(l.Lower), number(l.Upper)))
	}
	return a, w, nil
}

// WorstFalseAccept returns the chance that a reading exactly on the acceptance
// limit belongs to an item outside the tolerance limit, for a normal error, no
// prior knowledge, one limit, and coverage factor k: 1 − Φ(r·k).
//
// The error is Invalid, UNCERTAINTY_OUT_OF_RANGE, when k is not a finite number
// over 0. From ILAC-G8:09/2019 section 4.2.
func (r Rule) WorstFalseAccept(k float64) (float64, error) {
	if !(k > 0) || math.IsInf(k, 0) {
		return 0, errs.Field("UNCERTAINTY_OUT_OF_RANGE", "k", "a coverage factor is a finite number over 0, got "+number(k))
	}
	return math.Erfc(r.GuardFactor*k/math.Sqrt2) / 2, nil
}

// Grade is the four-part answer of ILAC-G8:09/2019 4.2.3.
type Grade string

// The grades, from the best.
const (
	GradePass            Grade = "pass"
	GradeConditionalPass Grade = "conditional pass" // inside the tolerance, within the guard band
	GradeConditionalFail Grade = "conditional fail" // outside the tolerance, within the guard band
	GradeFail            Grade = "fail"
)

// Decision is what a rule says of one value.
type Decision struct {
	Accepted   bool  // the two-part answer: within the acceptance limits
	Grade      Grade // the four-part answer
	Acceptance Limits
	GuardBand  float64 // w, in the quantity's unit; negative for the uncritical rule
}

// Decide applies the rule to the value y. The grades use |w|, so that under the
// uncritical rule an accepted value outside the tolerance is still graded
// conditional fail. Equality belongs to acceptance.
//
// Errors are Invalid: those of Acceptance; VALUE_NOT_FINITE; LIMIT_MISSING when
// there is no limit to decide by.
func (r Rule) Decide(l Limits, u Uncertainty, y float64) (Decision, error) {
	if !finite(y) {
		return Decision{}, errs.Field("VALUE_NOT_FINITE", "value", "a value is a finite number, got "+number(y))
	}
	if !l.HasLower && !l.HasUpper {
		return Decision{}, errs.Field("LIMIT_MISSING", "limits", "without a limit there is nothing to decide")
	}
	a, w, err := r.Acceptance(l, u)
	if err != nil {
		return Decision{}, err
	}
	d := Decision{Accepted: a.Holds(y), Acceptance: a, GuardBand: w, Grade: GradeFail}
	switch band := math.Abs(w); {
	case l.inward(band).Holds(y):
		d.Grade = GradePass
	case l.Holds(y):
		d.Grade = GradeConditionalPass
	case l.inward(-band).Holds(y):
		d.Grade = GradeConditionalFail
	}
	return d, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func number(x float64) string { return strconv.FormatFloat(Rounded(x), 'g', -1, 64) }
