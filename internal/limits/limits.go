// Package limits knows limits and verdicts: it finds the limit that applies to
// one step of one line or connection, and judges a reading, a torque, a trace
// or a kit check against it. It has no I/O and no clock; the same facts give
// the same verdict for ever.
package limits

import (
	"fmt"
	"math"
	"strings"

	"witnessmark/internal/errs"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// RulesVersion names the rules by which this package judges. It stands in each
// assessment and changes whenever the same facts would get another verdict.
const RulesVersion = "limits/1"

// Subject is what a limit or a condition is asked about: the plan, and the line
// and the connection of the step where it has them.
type Subject struct {
	Plan       *recordv1.Plan
	Line       *recordv1.Plan_Line
	Connection *recordv1.Plan_Connection
}

// Attribute returns the value of one attribute of the subject, and false when
// it has none. Of the connection: interface, position, sector, polish. Of its
// line: medium ("COAX" or "FIBRE"), band, type, near_equipment, far_equipment.
// Any other name is looked up in the attributes of the connection, then of the
// line, then of the plan. An empty value is none.
func (s Subject) Attribute(name string) (string, bool) {
	var v string
	switch name {
	case "interface":
		v = s.Connection.GetInterface()
	case "position":
		v = s.Connection.GetPosition()
	case "sector":
		v = s.Connection.GetSector()
	case "polish":
		v = s.Connection.GetPolish()
	case "medium":
		if m := s.Line.GetMedium(); m != recordv1.Plan_Line_MEDIUM_UNSPECIFIED {
			v = m.String()
		}
	case "band":
		v = s.Line.GetBand()
	case "type":
		v = s.Line.GetType()
	case "near_equipment":
		v = s.Line.GetNearEquipment()
	case "far_equipment":
		v = s.Line.GetFarEquipment()
	}
	if v != "" {
		return v, true
	}
	for _, m := range []map[string]string{s.Connection.GetAttributes(), s.Line.GetAttributes(), s.Plan.GetAttributes()} {
		if v = m[name]; v != "" {
			return v, true
		}
	}
	return "", false
}

// Matches reports whether all of ms hold for s. No match at all holds always.
// Values are compared without regard to case and to blanks around them. An
// attribute that the subject does not have is one of nothing.
func Matches(ms []*recordv1.Match, s Subject) bool {
	for _, m := range ms {
		v, ok := s.Attribute(m.GetAttribute())
		if any := m.GetAnyOf(); len(any) > 0 && (!ok || !oneOf(any, v)) {
			return false
		}
		if ok && oneOf(m.GetNoneOf(), v) {
			return false
		}
	}
	return true
}

func oneOf(list []string, v string) bool {
	v = strings.TrimSpace(v)
	for _, w := range list {
		if strings.EqualFold(strings.TrimSpace(w), v) {
			return true
		}
	}
	return false
}

// Resolved is a limit as numbers, for one subject.
type Resolved struct {
	// Lower and Upper are the smallest and the largest good value, in Unit;
	// nil where that side is open. Equality is inside.
	Lower, Upper *float64
	Unit         recordv1.Measure_Unit
	// Source is where the numbers come from.
	Source *recordv1.Source
	// Decision is how a reading's uncertainty is used; never nil.
	Decision *recordv1.Limit_Decision
	// Working is the working of a named formula, else nil.
	Working *recordv1.Assessment_Working
	// Note is the procedure's sentence for the lead.
	Note string
	// None says that no limit applies here: readings are recorded.
	None bool
	// ByWavelength holds the limits of a fibre line that differ by wavelength,
	// in the plan's order; the bounds above are then empty. See At.
	ByWavelength []WavelengthLimit
	// Problem says in a sentence why the limit cannot be had from this plan,
	// such as a line without a length. Nothing can be judged against it; the
	// step stays open until the plan is revised. Empty when all is well.
	Problem string
}

// WavelengthLimit is a limit at one wavelength.
type WavelengthLimit struct {
	Nanometers float64
	Limit      Resolved
}

// At returns the limit at a wavelength. A limit that is the same at all of them
// is returned as it is. False means that the limits go by wavelength and none
// is held for this one; 0 (not said) finds the limit of a line with a single
// wavelength.
func (r Resolved) At(nanometers float64) (Resolved, bool) {
	if len(r.ByWavelength) == 0 {
		return r, true
	}
	if nanometers == 0 && len(r.ByWavelength) == 1 {
		return r.ByWavelength[0].Limit, true
	}
	for _, w := range r.ByWavelength {
		if round6(w.Nanometers) == round6(nanometers) {
			return w.Limit, true
		}
	}
	return Resolved{}, false
}

// Resolve returns the limit of def for s. A nil def, a table without a matching
// row, or a bound open on both sides give a Resolved with None. The result is
// for reading only: it shares Source and Decision with def.
//
// Errors, all Invalid: LIMIT_SHARED_UNKNOWN, FORMULA_UNKNOWN (the procedure is
// wrong), or what the formula says about the plan, such as FORMULA_NEEDS.
func Resolve(def *recordv1.Limit, shared map[string]*recordv1.Limit, s Subject) (Resolved, error) {
	if def == nil {
		return Resolved{None: true, Decision: noDecision}, nil
	}
	note, decision := def.GetNote(), def.GetDecision()
	if name := def.GetShared(); name != "" {
		target := shared[name]
		if target == nil {
			return Resolved{}, errs.Field("LIMIT_SHARED_UNKNOWN", "limit.shared", fmt.Sprintf("the procedure has no shared limit %.80q", name))
		}
		if target.GetShared() != "" {
			return Resolved{}, errs.Field("LIMIT_SHARED_UNKNOWN", "limit.shared", fmt.Sprintf("the shared limit %.80q names another shared limit", name))
		}
		def = target
		if note == "" {
			note = target.GetNote()
		}
		if decision == nil {
			decision = target.GetDecision()
		}
	}
	if decision == nil {
		decision = noDecision
	}
	r := Resolved{Decision: decision, Note: note}
	switch b := def.GetBound().(type) {
	case *recordv1.Limit_Plain:
		r.bound(b.Plain)
	case *recordv1.Limit_Table_:
		r.None = true
		for _, row := range b.Table.GetRows() {
			if Matches(row.GetWhen(), s) {
				r.None = false
				r.bound(row.GetBound())
				break
			}
		}
	case *recordv1.Limit_Formula_:
		f, ok := FormulaNamed(b.Formula.GetName())
		if !ok {
			return Resolved{}, errs.Field("FORMULA_UNKNOWN", "limit.formula.name", fmt.Sprintf("%.80q is not a formula of this program", b.Formula.GetName()))
		}
		if err := f.resolve(&r, b.Formula, s); err != nil {
			return Resolved{}, err
		}
	default:
		r.None = true
	}
	return r, nil
}

func (r *Resolved) bound(b *recordv1.Limit_Bound) {
	if b == nil || b.Lower == nil && b.Upper == nil {
		r.None = true
		return
	}
	r.Lower, r.Upper, r.Unit, r.Source = b.Lower, b.Upper, b.GetUnit(), b.GetSource()
}

var noDecision = &recordv1.Limit_Decision{}

// round6 is the rounding of every number that a verdict gives out: 1e-6, so
// that another machine's last bit changes nothing.
func round6(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	r := math.Round(v*1e6) / 1e6
	if math.IsInf(r, 0) {
		return v
	}
	return r + 0 // −0 becomes 0
}
