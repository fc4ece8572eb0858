package rigging

import (
	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// PlanClass is a class of rigging plan, II to IV. Class I is never computed: no
// weight for it could be read, so a competent rigger alone may call a lift that.
type PlanClass int

// The classes that a calculation can return.
const (
	ClassII  PlanClass = 2
	ClassIII PlanClass = 3
	ClassIV  PlanClass = 4
)

// String is the class in Roman numerals.
func (c PlanClass) String() string {
	switch c {
	case ClassII:
		return "II"
	case ClassIII:
		return "III"
	case ClassIV:
		return "IV"
	}
	return "unknown"
}

// Upper ends of the classes by gross lift load, in pounds; both belong to the
// lower class.
const (
	ClassIIPounds  = 500.0
	ClassIIIPounds = 2000.0
)

// PlanClassInfo is one row of the table of plan classes.
type PlanClassInfo struct {
	Class       string // "I" to "IV"
	LeastPerson string // least responsible person
	GrossLoad   string
	Work        string
	Source      working.Source
}

// PlanClasses returns the table of plan classes.
func PlanClasses() []PlanClassInfo {
	c := working.Confirmed
	return []PlanClassInfo{
		{"I", "competent rigger", "no figure read; never relied on here",
			"light loads, does not touch the structure's integrity; no gin poles or other special lifting devices",
			working.Source{Document: "WAC 296-32-24020", Clause: "exclusion of special lifting devices", Status: c}},
		{"II", "competent rigger", "at most 500 lb",
			"add or remove appurtenances, mounts, platforms; loads minor against the structure's strength",
			working.Source{Document: "WAC 296-32-24020", Clause: "(ii)", Status: c}},
		{"III", "competent rigger with a qualified person, who may ask a qualified engineer", "at most 2,000 lb for lifts attached to the structure",
			"work outside I, II and IV; all new structures at least III; every crane lift needs a qualified person",
			working.Source{Document: "WAC 296-32-24020", Clause: "(iii)", Status: c}},
		{"IV", "qualified engineer involved", "over 2,000 lb, or engineered lifts, or doubtful strength or stability",
			"special lifts, structural work without redundancy",
			working.Source{Document: "WAC 296-32-24020", Clause: "points to it, confirmed in part; ANSI/ASSP A10.48 decides", Status: c}},
	}
}

// PlanInput is one lift. Loads are in Unit. The marks say what the work is.
type PlanInput struct {
	Load, Rigging, TagLine float64 // TagLine is its part that acts on the hoist line
	Unit                   LoadUnit
	MemberRemoved          bool // a structural member is removed or replaced
	NoRedundancy           bool // structural work without redundancy
	NewStructure           bool
	Crane                  bool
	Engineered             bool // an engineered or special lift
	StrengthInDoubt        bool // strength or stability is doubtful
	SpecialDevice          bool // gin pole or other special lifting device
}

// PlanResult holds the class and the gross load in the input's Unit and in lb.
type PlanResult struct {
	Class       PlanClass
	Gross       float64
	GrossPounds float64
	Working     working.Working
}

// GrossLoad returns the sum of its parts (each 0 or more, one unit): load,
// rigging, and the part of the tag-line force that acts on the hoist line; for an
// instrument: instrument, cables, loads, bag.
//
// Errors are Invalid: PARTS_MISSING, OUT_OF_RANGE, NOT_A_NUMBER.
func GrossLoad(parts ...float64) (float64, error) {
	if len(parts) == 0 {
		return 0, errs.Field("PARTS_MISSING", "parts", "must hold at least one load")
	}
	sum := 0.0
	for _, p := range parts {
		if err := ForceDomain.Check("parts", p); err != nil {
			return 0, err
		}
		sum += p
	}
	return sum, nil
}

// Classify returns the lowest plan class that the gross load and the marks
// allow. The class is the least; anyone competent may ask for a higher one.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN. Source: WAC
// 296-32-24020, a state copy of the ANSI/ASSP A10.48 scheme.
func Classify(in PlanInput) (PlanResult, error) {
	perUnit, err := in.Unit.pounds()
	if err != nil {
		return PlanResult{}, err
	}
	if err := LoadDomain.Check("load", in.Load); err != nil {
		return PlanResult{}, err
	}
	if err := ForceDomain.Check("rigging", in.Rigging); err != nil {
		return PlanResult{}, err
	}
	if err := ForceDomain.Check("tag_line", in.TagLine); err != nil {
		return PlanResult{}, err
	}
	gross := in.Load + in.Rigging + in.TagLine
	lb := gross * perUnit
	class := ClassII
	var why []working.Term
	raise := func(to PlanClass, because string) {
		class = max(class, to)
		why = append(why, working.Words("asks for at least class "+to.String(), because))
	}
	switch {
	case working.Exceeds(lb, ClassIIIPounds):
		raise(ClassIV, "gross load over 2000 lb")
	case working.Exceeds(lb, ClassIIPounds):
		raise(ClassIII, "gross load over 500 lb")
	default:
		raise(ClassII, "gross load at most 500 lb")
	}
	for _, m := range []struct {
		set bool
		to  PlanClass
		why string
	}{
		{in.SpecialDevice, ClassII, "a gin pole or other special lifting device is never class I"},
		{in.MemberRemoved, ClassIII, "a structural member is removed: never class I or II"},
		{in.NewStructure, ClassIII, "a new structure"},
		{in.Crane, ClassIII, "every crane lift needs a qualified person"},
		{in.NoRedundancy, ClassIV, "structural work without redundancy"},
		{in.Engineered, ClassIV, "an engineered or special lift"},
		{in.StrengthInDoubt, ClassIV, "strength or stability is doubtful"},
	} {
		if m.set {
			raise(m.to, m.why)
		}
	}
	info := PlanClasses()[int(class)-1]
	u := string(in.Unit)
	w := working.Working{
		Formula: "plan class: gross load = load + rigging + tag-line force on the hoist line, then the class by weight and work",
		Inputs: []working.Term{
			working.Number("load", "", in.Load, u),
			working.Number("rigging", "", in.Rigging, u),
			working.Number("tag-line force on the hoist line", "", in.TagLine, u),
		},
		Steps: append([]working.Term{
			working.NumberUp("gross load", "", gross, u),
			working.NumberUp("gross load in pounds", "", lb, "lb"),
		}, why...),
		Result: []working.Term{
			working.Words("least plan class", class.String()),
			working.Words("least responsible person", info.LeastPerson),
			working.Words("in writing", "class II, III and IV plans are documented"),
		},
		Sources: []working.Source{
			info.Source,
			{Document: "industry planning notice on TIA-322 and ANSI/ASSP A10.48", Clause: "classes II, III and IV are documented", Status: working.Confirmed},
			conversion,
		},
		Cautions: []string{
			"The bounds are read in a state copy of the scheme; the standard itself is to be checked before anyone relies on them.",
			"Class I is never given here, because no weight for it could be read; a lift that a competent rigger calls class I still belongs in the job hazard assessment.",
			"The class is the least; anyone competent may ask for a higher one.",
		},
		LeftOut: []string{"strength of the structure under the lift", "sheave friction and shock: not included", "marks that were not entered were not checked"},
		Defers:  working.DefersRigging,
	}
	return PlanResult{Class: class, Gross: gross, GrossPounds: lb, Working: w}, nil
}
