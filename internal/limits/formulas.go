package limits

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Formula is one of the program's named formulas: a limit computed from the
// plan. Its name and the meaning of its parameters stand in procedures for ten
// years and never change; a better formula gets another name.
type Formula struct {
	// Name, such as "fibre_budget".
	Name string
	// Title says in a few words what it computes.
	Title string
	// Form is the formula in plain characters.
	Form string
	// Gives says which bound it sets, in words.
	Gives string
	// Quantities that it can be a limit of.
	Quantities []recordv1.Quantity
	// Parameters that the procedure or the plan may give.
	Parameters []Parameter
	// NeedsLine and NeedsConnection say what the section must repeat for.
	NeedsLine, NeedsConnection bool
	// FromPlan names the fields of the plan that it reads, in words.
	FromPlan []string
	// Sources of the formula and of its defaults, as printed.
	Sources []string
	// LeftOut is what the figure does not include.
	LeftOut []string

	compute func(in *inputs, r *Resolved) error
}

// Parameter is one number that a formula takes. The plan's attribute of the
// same name wins over the procedure's parameter, since it knows the place; that
// wins over the default. Without any of them the limit cannot be had.
type Parameter struct {
	Name     string
	Unit     string // as printed; empty for a ratio or count
	Meaning  string
	Default  float64
	Optional bool // has the default, or may be left out altogether
	Min, Max float64
}

// ParameterProblem is something wrong with the parameters that a procedure
// gives; Name is empty for what is missing.
type ParameterProblem struct{ Name, Message string }

// CheckParameters reports unknown parameters and numbers outside their bounds,
// sorted by name.
func (f *Formula) CheckParameters(given map[string]float64) []ParameterProblem {
	var out []ParameterProblem
	for _, name := range slices.Sorted(maps.Keys(given)) {
		i := slices.IndexFunc(f.Parameters, func(p Parameter) bool { return p.Name == name })
		if i < 0 {
			known := make([]string, len(f.Parameters))
			for j, p := range f.Parameters {
				known[j] = p.Name
			}
			out = append(out, ParameterProblem{name, fmt.Sprintf("%s has no such parameter; it has %s", f.Name, strings.Join(known, ", "))})
			continue
		}
		if p, v := f.Parameters[i], given[name]; !(v >= p.Min && v <= p.Max) {
			out = append(out, ParameterProblem{name, fmt.Sprintf("must be %v to %v%s, and is %v", p.Min, p.Max, spaced(p.Unit), v)})
		}
	}
	return out
}

func spaced(unit string) string {
	if unit == "" {
		return ""
	}
	return " " + unit
}

// FormulaNamed returns the formula with this name, and false when there is none.
func FormulaNamed(name string) (*Formula, bool) {
	f, ok := formulas[name]
	return f, ok
}

// FormulaNames lists the names of every formula, sorted.
func FormulaNames() []string { return slices.Sorted(maps.Keys(formulas)) }

var formulas = map[string]*Formula{}

func register(fs ...*Formula) {
	for _, f := range fs {
		if formulas[f.Name] != nil {
			panic("limits: formula registered twice: " + f.Name)
		}
		formulas[f.Name] = f
	}
}

// inputs is one computation: where numbers come from, and its working.
type inputs struct {
	f       *Formula
	given   map[string]float64
	s       Subject
	working *recordv1.Assessment_Working
	// weakest is the standing of the weakest figure used: FROM_MEMORY when any
	// of them is, so that the limit is never printed as a citation.
	weakest recordv1.Source_Standing
	// document is what the figures were taken from, for a procedure that names
	// no document of its own; nil where there is none.
	document *working.Source
	def      *recordv1.Limit_Formula
}

// resolve computes the limit of one subject into r.
func (f *Formula) resolve(r *Resolved, def *recordv1.Limit_Formula, s Subject) error {
	in := &inputs{
		f: f, given: def.GetParameters(), s: s, def: def,
		working: &recordv1.Assessment_Working{Formula: f.Name + ": " + f.Form, LeftOut: f.LeftOut},
		weakest: recordv1.Source_COMPUTED,
	}
	if err := f.compute(in, r); err != nil {
		return err
	}
	if r.None {
		return nil
	}
	r.Source = in.source()
	if r.Working == nil {
		r.Working = in.working
	}
	return nil
}

// source is where the computed limit comes from: the procedure's source of the
// formula, with the standing of the weakest figure that was used.
func (in *inputs) source() *recordv1.Source {
	src := &recordv1.Source{}
	if given := in.def.GetSource(); given != nil {
		src = proto.CloneOf(given)
	}
	if src.GetStanding() != recordv1.Source_FROM_MEMORY {
		src.Standing = in.weakest
	}
	if src.GetDocument() == "" && in.document != nil && in.weakest != recordv1.Source_COMMON_PRACTICE {
		src.Document, src.Clause, src.Year = in.document.Document, in.document.Clause, int32(in.document.Year)
	}
	src.Note = strings.TrimSpace(in.f.Name + " over the plan. " + src.GetNote())
	return src
}

// number is the value of a parameter: the plan's attribute, the procedure's
// parameter, or the default.
//
// Errors are Invalid: FORMULA_NEEDS, PLAN_ATTRIBUTE_INVALID.
func (in *inputs) number(name string) (float64, error) {
	v, ok, err := in.maybe(name)
	if err == nil && !ok {
		err = in.needs(fmt.Sprintf("the parameter or attribute %q", name))
	}
	return v, err
}

// maybe is number for a parameter that may be left out.
func (in *inputs) maybe(name string) (float64, bool, error) {
	i := slices.IndexFunc(in.f.Parameters, func(p Parameter) bool { return p.Name == name })
	if i < 0 {
		panic("limits: " + in.f.Name + " asks for a parameter that it does not declare: " + name)
	}
	p := in.f.Parameters[i]
	if text, ok := in.s.Attribute(name); ok {
		v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if err != nil || !(v >= p.Min && v <= p.Max) {
			return 0, false, errs.Field("PLAN_ATTRIBUTE_INVALID", "attributes."+name, fmt.Sprintf("must be a number from %v to %v%s with a decimal point, and is %.40q", p.Min, p.Max, spaced(p.Unit), text))
		}
		return v, true, nil
	}
	if v, ok := in.given[name]; ok {
		if !(v >= p.Min && v <= p.Max) {
			return 0, false, errs.Field("FORMULA_PARAMETER_INVALID", "limit.formula.parameters."+name, fmt.Sprintf("must be %v to %v%s, and is %v", p.Min, p.Max, spaced(p.Unit), v))
		}
		return v, true, nil
	}
	if p.Optional && !math.IsNaN(p.Default) {
		return p.Default, true, nil
	}
	return 0, false, nil
}

// absent is the default of a parameter that may be left out without one.
var absent = math.NaN()

func (in *inputs) needs(what string) error {
	return errs.Newf(errs.Invalid, "FORMULA_NEEDS", "the limit cannot be computed (%s): the plan does not say %s", in.f.Name, what)
}

// founded notes the standing of a figure that was used.
func (in *inputs) founded(s working.Status) {
	switch s {
	case working.FromMemory:
		in.weakest = recordv1.Source_FROM_MEMORY
	case working.CommonPractice:
		if in.weakest != recordv1.Source_FROM_MEMORY {
			in.weakest = recordv1.Source_COMMON_PRACTICE
		}
	}
}

func (in *inputs) term(name string, v float64, unit string) {
	in.working.Terms = append(in.working.Terms, &recordv1.Assessment_Working_Term{Name: name, Value: round6(v), Unit: unit})
}

func (r *Resolved) upper(v float64, u recordv1.Measure_Unit) {
	v = round6(v)
	r.Upper, r.Unit = &v, u
}

func (r *Resolved) lower(v float64, u recordv1.Measure_Unit) {
	v = round6(v)
	r.Lower, r.Unit = &v, u
}
