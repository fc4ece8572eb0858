package rigging

import (
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// DesignFactor is one row of the table of design factors. Factor 0 means that no
// factor is applied: Note says what counts instead.
type DesignFactor struct {
	Item   string // stable key: "wire-rope-sling"
	Name   string
	Factor float64
	Sling  bool // knots are not allowed in it
	Note   string
	Source working.Source
}

// DesignFactors returns the table of design factors with its sources.
func DesignFactors() []DesignFactor {
	c, m := working.Confirmed, working.FromMemory
	return []DesignFactor{
		{"wire-rope-sling", "wire rope sling", 5, true, "", working.Source{Document: "US DOE-STD-1090-96", Clause: "11.3.1.3", Year: 1996, Status: c}},
		{"synthetic-web-sling", "synthetic web sling", 5, true, "", working.Source{Document: "US DOE-STD-1090-96", Clause: "11.3.5 f", Year: 1996, Status: c}},
		{"synthetic-rope-sling", "synthetic rope sling", 5, true, "-20 to 180 F without loss of rating (WAC 296-78-755)", working.Source{Document: "ASME B30.9", Status: m}},
		{"alloy-chain-sling", "alloy chain sling", 4, true, "", working.Source{Document: "ASME B30.9", Status: m}},
		{"shackle", "shackle", 0, false, "use the working load limit marked on the bow; most are made to 5:1 or 6:1", working.Source{Document: "ASME B30.26", Status: m}},
		{"people-hoist-line", "hoist line for people and its rigging", 10, false, "", working.Source{Document: "Michigan R 408.42934", Status: c}},
		{"capstan-or-hand-line", "synthetic rope as hoist line on a capstan or by hand", 10, false, "used by many", working.Source{Status: working.CommonPractice}},
	}
}

// Knot is a knot or other termination and the part of the rope's strength that
// it keeps. Low and High are the range that is told; the program takes Low.
type Knot struct {
	Key       string
	Name      string
	Low, High float64
	Source    working.Source
}

// DefaultKnotEfficiency is the rule of thumb that covers every knot listed but
// the square knot's low end.
const DefaultKnotEfficiency = 0.5

// Knots returns the knots known, all of them common practice without a source.
func Knots() []Knot {
	p := working.Source{Status: working.CommonPractice}
	return []Knot{
		{"any", "any knot, the 50 % rule", 0.5, 0.5, p},
		{"figure-eight", "figure-eight", 0.75, 0.80, p},
		{"bowline", "bowline", 0.60, 0.75, p},
		{"clove-hitch", "clove hitch", 0.60, 0.75, p},
		{"square", "square knot", 0.45, 0.50, p},
	}
}

// ExtraRigFact is a published figure on slings and rope that no formula here
// applies; a briefing or a form may show it.
type ExtraRigFact struct {
	Text   string
	Source working.Source
}

// RigFacts returns the further figures on slings, accessories and rope.
func RigFacts() []ExtraRigFact {
	c, m := working.Confirmed, working.FromMemory
	return []ExtraRigFact{
		{"custom lifting accessories are proof loaded to 125 % of their rating", working.Source{Document: "29 CFR 1926.251", Clause: "(a)(4)", Status: c}},
		{"slings are inspected each day before use by a competent person", working.Source{Document: "29 CFR 1926.251", Clause: "(a)(6)", Status: c}},
		{"no knots in slings", working.Source{Document: "29 CFR 1926.251", Clause: "(c)-(d)", Status: c}},
		{"synthetic rope slings keep their rating from -20 to 180 F", working.Source{Document: "WAC 296-78-755", Status: c}},
		{"thimble bend ratio D/d of 3 or more for critical lifts", working.Source{Document: "US DOE-STD-1090-96", Clause: "11.3.2.3 b", Year: 1996, Status: c}},
		{"a wire rope basket hitch has its full rating from D/d 25", working.Source{Document: "ASME B30.9", Status: m}},
		{"rope over a pin of its own diameter (D/d 1) keeps about 50 % of its strength", working.Source{Document: "rigging handbooks", Status: m}},
	}
}

// WLLInput asks for a working load limit. MBS is the minimum breaking strength
// in Unit. Item is a key of DesignFactors; or, with Item empty, Factor is the
// design factor from the maker or the plan. Knot is a key of Knots, or
// Efficiency is the termination's from its maker (0.01 to 1); both empty means
// a termination that keeps everything.
type WLLInput struct {
	MBS        float64
	Unit       LoadUnit
	Item       string
	Factor     float64
	Knot       string
	Efficiency float64
	Load       float64 // gross load to compare, nought when there is none
}

// WLLResult is in the input's Unit.
type WLLResult struct {
	WLL      float64
	OverLoad *bool // whether Load is over WLL; nil when no load was entered
	Working  working.Working
}

// WorkingLoadLimit returns MBS × efficiency / design factor.
//
// Errors are Invalid: DESIGN_FACTOR_MISSING, DESIGN_FACTOR_TWICE, ITEM_UNKNOWN,
// USE_MARKED_LIMIT for a shackle, KNOT_UNKNOWN, KNOT_IN_SLING (29 CFR
// 1926.251(c)-(d)), EFFICIENCY_TWICE, OUT_OF_RANGE, NOT_A_NUMBER,
// LOAD_UNIT_UNKNOWN.
func WorkingLoadLimit(in WLLInput) (WLLResult, error) {
	if _, err := in.Unit.pounds(); err != nil {
		return WLLResult{}, err
	}
	if err := LoadDomain.Check("mbs", in.MBS); err != nil {
		return WLLResult{}, err
	}
	w := working.Working{
		Formula: "working load limit: minimum breaking strength * efficiency / design factor",
		Inputs:  []working.Term{working.Number("minimum breaking strength", "MBS", in.MBS, string(in.Unit))},
		Sources: []working.Source{{Document: "definition of the design factor", Status: working.Computed}},
		Cautions: []string{
			"The maker's tag or marking comes before this figure; gear without a legible tag is not used.",
			"The lowest working load limit in the chain is the limit of the chain.",
		},
		LeftOut: []string{"wear, age, heat, chemicals", "bends over small pins and edges", "shock"},
		Defers:  working.DefersRigging,
	}
	factor, eff, err := factorAndEfficiency(&w, in)
	if err != nil {
		return WLLResult{}, err
	}
	r := WLLResult{WLL: in.MBS * eff / factor}
	w.Steps = []working.Term{working.NumberDown("strength with the termination", "", in.MBS*eff, string(in.Unit))}
	w.Result = []working.Term{working.NumberDown("working load limit", "WLL", r.WLL, string(in.Unit))}
	if in.Load == 0 {
		w.Result = append(w.Result, working.Words("against the load", "not checked: none was entered"))
	} else {
		if err := LoadDomain.Check("load", in.Load); err != nil {
			return WLLResult{}, err
		}
		over := working.Exceeds(in.Load, r.WLL)
		r.OverLoad = &over
		w.Inputs = append(w.Inputs, working.Number("gross load", "", in.Load, string(in.Unit)))
		least, err := SmallestMBS(in.Load, factor, eff)
		if err != nil {
			return WLLResult{}, err
		}
		w.Steps = append(w.Steps, working.NumberUp("least breaking strength that carries the load", "", least, string(in.Unit)))
		w.Result = append(w.Result, compareDown("gross load", in.Load, r.WLL, in.Unit))
	}
	r.Working = w
	return r, nil
}

// factorAndEfficiency resolves design factor and efficiency and writes them to w.
func factorAndEfficiency(w *working.Working, in WLLInput) (factor, eff float64, err error) {
	factor, eff = in.Factor, 1
	sling := false
	switch {
	case in.Item != "" && in.Factor != 0:
		return 0, 0, errs.Field("DESIGN_FACTOR_TWICE", "factor", "is given together with item: give one of the two")
	case in.Item != "":
		found := false
		for _, d := range DesignFactors() {
			if d.Item != in.Item {
				continue
			}
			found, factor, sling = true, d.Factor, d.Sling
			if d.Factor == 0 {
				return 0, 0, errs.Field("USE_MARKED_LIMIT", "item", "for a "+d.Name+" "+d.Note, "item", in.Item)
			}
			w.Inputs = append(w.Inputs, working.Number("design factor, "+d.Name, "", factor, ":1"))
			w.Sources = append(w.Sources, d.Source)
			if d.Note != "" {
				w.Cautions = append(w.Cautions, d.Name+": "+d.Note+".")
			}
		}
		if !found {
			return 0, 0, errs.Field("ITEM_UNKNOWN", "item", "is not in the table of design factors; give the factor itself", "item", in.Item)
		}
	case in.Factor != 0:
		if err := FactorDomain.Check("factor", in.Factor); err != nil {
			return 0, 0, err
		}
		w.Inputs = append(w.Inputs, working.Number("design factor, as entered", "", factor, ":1"))
		w.Sources = append(w.Sources, working.Source{Document: "design factor entered by the user: the maker's or the plan's", Status: working.CommonPractice})
	default:
		return 0, 0, errs.Field("DESIGN_FACTOR_MISSING", "item", "must name the kind of gear, or factor must give the design factor")
	}
	switch {
	case in.Knot != "" && in.Efficiency != 0:
		return 0, 0, errs.Field("EFFICIENCY_TWICE", "efficiency", "is given together with knot: give one of the two")
	case in.Knot != "":
		if sling {
			return 0, 0, errs.Field("KNOT_IN_SLING", "knot", "is not allowed in a sling (29 CFR 1926.251(c)-(d))")
		}
		found := false
		for _, k := range Knots() {
			if k.Key == in.Knot {
				found, eff = true, k.Low
				w.Inputs = append(w.Inputs, working.Number("efficiency, "+k.Name, "", eff, ""))
				w.Sources = append(w.Sources, working.Source{Document: "efficiency of knots: take 50 % unless the knot is known; the low end of its range is used", Status: working.CommonPractice})
			}
		}
		if !found {
			return 0, 0, errs.Field("KNOT_UNKNOWN", "knot", "is not in the table; use any", "knot", in.Knot)
		}
	case in.Efficiency != 0:
		if err := EfficiencyDomain.Check("efficiency", in.Efficiency); err != nil {
			return 0, 0, err
		}
		eff = in.Efficiency
		w.Inputs = append(w.Inputs, working.Number("efficiency of the termination, as entered", "", eff, ""))
	default:
		w.LeftOut = append(w.LeftOut, "a knot or termination: none was entered, so the full strength is taken")
	}
	return factor, eff, nil
}

// SmallestMBS returns load × design factor / efficiency: the least breaking
// strength that lifts load, in load's unit.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: definition of the factor.
func SmallestMBS(load, factor, efficiency float64) (float64, error) {
	if err := LoadDomain.Check("load", load); err != nil {
		return 0, err
	}
	if err := FactorDomain.Check("factor", factor); err != nil {
		return 0, err
	}
	if err := EfficiencyDomain.Check("efficiency", efficiency); err != nil {
		return 0, err
	}
	return load * factor / efficiency, nil
}

// ChainItem is one piece of gear between the load and the structure.
type ChainItem struct {
	Name string
	WLL  float64 // in the chain's unit
}

// ChainResult is in the chain's unit.
type ChainResult struct {
	Weakest  string
	WLL      float64
	OverLoad bool
	Working  working.Working
}

// Chain compares a gross load with the lowest working load limit of the gear
// that carries it; equality passes, above it fails. Up to 50 items.
//
// Errors are Invalid: CHAIN_EMPTY, CHAIN_TOO_LONG, ITEM_NAME_MISSING,
// OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN.
func Chain(gross float64, unit LoadUnit, items []ChainItem) (ChainResult, error) {
	if _, err := unit.pounds(); err != nil {
		return ChainResult{}, err
	}
	if err := LoadDomain.Check("load", gross); err != nil {
		return ChainResult{}, err
	}
	switch {
	case len(items) == 0:
		return ChainResult{}, errs.Field("CHAIN_EMPTY", "items", "must name at least one piece of gear with its working load limit")
	case len(items) > 50:
		return ChainResult{}, errs.Field("CHAIN_TOO_LONG", "items", "must be at most 50", "count", strconv.Itoa(len(items)))
	}
	w := working.Working{
		Formula: "chain of gear: gross load against the lowest working load limit",
		Inputs:  []working.Term{working.Number("gross load", "", gross, string(unit))},
		Sources: []working.Source{{Document: "the weakest piece bounds the chain; equality passes, above it fails", Status: working.Computed}},
		Cautions: []string{
			"A piece that is not in the list was not checked.",
			"Each piece is inspected on the day by a competent person.",
		},
		LeftOut: []string{"angles: blocks and slings carry more than the gross load", "sheave friction and shock: not included", "what the chain hangs from"},
		Defers:  working.DefersRigging,
	}
	low := 0
	for i, it := range items {
		if it.Name == "" {
			return ChainResult{}, errs.Field("ITEM_NAME_MISSING", "items", "each piece of gear must have a name", "index", strconv.Itoa(i))
		}
		if err := LoadDomain.Check("items["+strconv.Itoa(i)+"]", it.WLL); err != nil {
			return ChainResult{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("working load limit of "+working.Quoted(it.Name), "", it.WLL, string(unit)))
		if it.WLL < items[low].WLL {
			low = i
		}
	}
	r := ChainResult{Weakest: items[low].Name, WLL: items[low].WLL, OverLoad: working.Exceeds(gross, items[low].WLL)}
	w.Result = []working.Term{
		working.Words("weakest piece", working.Quoted(r.Weakest)),
		working.NumberDown("working load limit of the chain", "", r.WLL, string(unit)),
		compareDown("gross load", gross, r.WLL, unit),
	}
	r.Working = w
	return r, nil
}

// compareDown is Compare against a limit that is itself calculated and so is
// printed rounded down.
func compareDown(name string, v, limit float64, unit LoadUnit) working.Term {
	verdict := working.Within
	if working.Exceeds(v, limit) {
		verdict = working.Over
	}
	return working.Words(name, verdict+": "+working.NumberUp("", "", v, "").Value+" "+string(unit)+
		" against "+working.NumberDown("", "", limit, "").Value+" "+string(unit))
}
