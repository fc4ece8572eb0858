package rigging

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Form names one of the two public ways to add up a fall clearance. They differ
// by a foot for the same set-up, so a record names its form and nothing is ever
// averaged between them.
type Form string

const (
	// DRingForm: free fall + deceleration + D-ring shift + D-ring height +
	// margin (+ swing drop).
	DRingForm Form = "d-ring"
	// WholePersonForm, the older one: lanyard + deceleration + height of the
	// person + margin (+ swing drop).
	WholePersonForm Form = "whole-person"
)

// Forms lists both forms.
func Forms() []Form { return []Form{DRingForm, WholePersonForm} }

// The usual inputs of a fall clearance and the limits of a fall, in feet, the
// unit that the rules are written in.
const (
	FreeFallLimitFeet     = 6.0 // legal maximum
	DecelerationLimitFeet = 3.5 // legal maximum, and the usual input
	DRingShiftFeet        = 1.0
	DRingHeightFeet       = 5.0 // back D-ring over the soles of a 6 ft person
	PersonHeightFeet      = 6.0
	MarginFeet            = 2.0 // D-ring form; some use 3
	OlderMarginFeet       = 3.0 // whole-person form
	TestedWeightPounds    = 310 // person and tools that the test criteria assume
)

// ClearanceInput is one set-up. Lengths are in Unit. A pointer that is nil takes
// the usual value (the constants above) in Unit.
type ClearanceInput struct {
	Form            Form
	Unit            LengthUnit
	Lanyard         float64
	AnchorAboveRing float64 // height of the anchor over the back D-ring; negative below it
	Deceleration    *float64
	DRingShift      *float64 // D-ring form only
	DRingHeight     *float64 // D-ring form only
	PersonHeight    *float64 // whole-person form only
	Margin          *float64
	SwingDrop       float64  // nought when hanging straight below the anchor
	Available       *float64 // clear height below the feet's level, when it was measured
}

// ClearanceResult is in the input's Unit.
type ClearanceResult struct {
	FreeFall     float64
	Clearance    float64
	FreeFallOver bool  // the free fall is over 6 ft: the set-up is refused
	Short        *bool // whether the available height is less than Clearance; nil when none was given
	Working      working.Working
}

// FreeFall returns max(0, lanyard − anchorAboveRing), all in one unit; the
// height is negative when the anchor is below the back D-ring.
//
// Source: terms of the OSHA Technical Manual, section V chapter 4. Errors:
// Invalid OUT_OF_RANGE, NOT_A_NUMBER.
func FreeFall(lanyard, anchorAboveRing float64) (float64, error) {
	if err := LengthDomain.Check("lanyard", lanyard); err != nil {
		return 0, err
	}
	if err := HeightDomain.Check("anchor_above_ring", anchorAboveRing); err != nil {
		return 0, err
	}
	return math.Max(0, lanyard-anchorAboveRing), nil
}

// Clearance adds up the height that a fall needs below the feet's level by the
// form named in the input and compares the free fall with 6 ft. A free fall over
// the limit is an answer (FreeFallOver), not an error.
//
// Errors are Invalid: CLEARANCE_FORM_MISSING without a form (the two differ by a
// foot), LENGTH_UNIT_UNKNOWN, FORM_HAS_NO_SUCH_PART for an input of the other
// form, ANCHOR_BELOW_NOT_IN_FORM when the whole-person form, which has no term
// for the anchor's height, is asked about an anchor below the D-ring,
// NOT_A_NUMBER, and OUT_OF_RANGE, also for a part that no person or gear has (a
// D-ring height beyond 3 to 7 ft, a person beyond 4 to 8 ft, a deceleration
// distance beyond 0.5 to 50 ft, a D-ring shift over 5 ft).
func Clearance(in ClearanceInput) (ClearanceResult, error) {
	none := ClearanceResult{}
	if in.Form != DRingForm && in.Form != WholePersonForm {
		return none, errs.Field("CLEARANCE_FORM_MISSING", "form",
			"must name the form, d-ring or whole-person: they differ by a foot for the same set-up", "form", string(in.Form))
	}
	foot, err := in.Unit.fromFeet()
	if err != nil {
		return none, err
	}
	u := string(in.Unit)
	fall, err := FreeFall(in.Lanyard, in.AnchorAboveRing)
	if err != nil {
		return none, err
	}
	w := working.Working{
		Inputs: []working.Term{
			working.Words("form", string(in.Form)),
			working.Number("lanyard", "L", in.Lanyard, u),
			working.Number("anchor above the back D-ring", "a", in.AnchorAboveRing, u),
		},
		Steps: []working.Term{working.NumberUp("free fall, max(0, L - a)", "f", fall, u)},
		Sources: []working.Source{
			{Document: "OSHA Technical Manual", Clause: "section V chapter 4, terms and usual values", Year: 2016, Status: working.Confirmed},
			fallRule("(d)(16)(iii), free fall at most 6 ft", working.Confirmed),
			fallRule("(d)(16)(iv), deceleration at most 3.5 ft", working.Confirmed),
		},
		Cautions: []string{
			"The product's own label comes before these figures.",
			"Two forms in public use differ by one foot for the same set-up. The form is named here; they are never averaged.",
			"The usual values assume person and tools of at most 310 lb (140 kg); above that the maker's rating or a qualified person decides.",
		},
		LeftOut: []string{
			"stretch of a lifeline or anchor, movement of the structure",
			"obstacles beside the line of the fall",
			"strength of the anchorage",
			"time to rescue: it is planned separately",
		},
		Defers: working.DefersFall,
	}
	type piece struct {
		name, field string
		value       *float64
		usual       float64 // ft
		least, most float64 // ft: a slip of the finger must not shorten the clearance
	}
	part := func(p piece) (float64, error) {
		v := p.usual * foot
		label := p.name + ", usual value"
		if p.value != nil {
			v, label = *p.value, p.name
		}
		d := working.Domain{Min: p.least * foot, Max: p.most * foot, Unit: u}
		if err := d.Check(p.field, v); err != nil {
			return 0, err
		}
		w.Inputs = append(w.Inputs, working.Number(label, "", v, u))
		return v, nil
	}
	pieces := []piece{{"deceleration distance", "deceleration", in.Deceleration, DecelerationLimitFeet, 0.5, 50}}
	sum := 0.0
	switch in.Form {
	case DRingForm:
		if in.PersonHeight != nil {
			return none, noSuchPart("person_height", in.Form)
		}
		w.Formula = "fall clearance, D-ring form: free fall + deceleration + D-ring shift + D-ring height + margin + swing drop"
		pieces = append(pieces,
			piece{"D-ring shift", "d_ring_shift", in.DRingShift, DRingShiftFeet, 0, 5},
			piece{"height of the back D-ring over the soles", "d_ring_height", in.DRingHeight, DRingHeightFeet, 3, 7},
			piece{"margin", "margin", in.Margin, MarginFeet, 0, 100})
		sum = fall
	case WholePersonForm:
		if in.DRingShift != nil {
			return none, noSuchPart("d_ring_shift", in.Form)
		}
		if in.DRingHeight != nil {
			return none, noSuchPart("d_ring_height", in.Form)
		}
		if in.AnchorAboveRing < 0 {
			return none, errs.Field("ANCHOR_BELOW_NOT_IN_FORM", "anchor_above_ring",
				"is below the D-ring; the whole-person form has no term for it, use the d-ring form")
		}
		w.Formula = "fall clearance, whole-person form: lanyard + deceleration + height of the person + margin + swing drop"
		w.Sources = append(w.Sources, working.Source{Document: "WAC 296-880-505", Clause: "App. B form", Status: working.Confirmed})
		pieces = append(pieces,
			piece{"height of the person", "person_height", in.PersonHeight, PersonHeightFeet, 4, 8},
			piece{"margin", "margin", in.Margin, OlderMarginFeet, 0, 100})
		sum = in.Lanyard
	}
	for _, p := range pieces {
		v, err := part(p)
		if err != nil {
			return none, err
		}
		if p.field == "deceleration" && working.Exceeds(v, DecelerationLimitFeet*foot) {
			w.Cautions = append(w.Cautions, "The deceleration distance entered is OVER the legal limit of 3.5 ft (1.0668 m).")
		}
		if p.field == "margin" && working.Exceeds(p.usual*foot, v) {
			w.Cautions = append(w.Cautions, "The margin entered is LESS than the usual one.")
		}
		sum += v
	}
	if err := LengthDomain.Check("swing_drop", in.SwingDrop); err != nil {
		return none, err
	}
	sum += in.SwingDrop
	if in.SwingDrop > 0 {
		w.Inputs = append(w.Inputs, working.Number("swing drop", "", in.SwingDrop, u))
	} else {
		w.LeftOut = append(w.LeftOut, "swing: the figure is for a fall straight below the anchor")
	}

	r := ClearanceResult{FreeFall: fall, Clearance: sum, FreeFallOver: working.Exceeds(fall, FreeFallLimitFeet*foot)}
	w.Result = []working.Term{working.NumberUp("clearance needed below the feet's level", "", sum, u)}
	if u == string(Foot) {
		w.Result = append(w.Result, working.NumberUp("the same in metres", "", sum*MetresPerFoot, "m"))
	} else {
		w.Result = append(w.Result, working.NumberUp("the same in feet", "", sum/MetresPerFoot, "ft"))
	}
	limit := working.Compare("free fall", fall, FreeFallLimitFeet*foot, u)
	if r.FreeFallOver {
		limit.Value += "; this set-up is refused"
	}
	w.Result = append(w.Result, limit)
	if in.Available != nil {
		if err := LengthDomain.Check("available", *in.Available); err != nil {
			return none, err
		}
		short := working.Exceeds(sum, *in.Available)
		r.Short = &short
		w.Inputs = append(w.Inputs, working.Number("clear height available", "", *in.Available, u))
		words := "the height available covers the clearance, as entered"
		if short {
			words = "TOO LITTLE HEIGHT: short by " + working.NumberUp("", "", sum-*in.Available, "").Value + " " + u
		}
		w.Result = append(w.Result, working.Words("height available", words))
	} else {
		w.Result = append(w.Result, working.Words("height available", "not checked: none was entered"))
	}
	r.Working = w
	return r, nil
}

func noSuchPart(field string, f Form) error {
	return errs.Field("FORM_HAS_NO_SUCH_PART", field, "does not belong to the "+string(f)+" form", "form", string(f))
}

// SwingResult is in the unit of the input.
type SwingResult struct {
	Drop    float64
	Working working.Working
}

// SwingDrop returns L − √(L² − x²): how much lower a person ends up who falls
// with the line out by L and stands x to the side of the anchor. One unit for
// both; the drop is in it.
//
// Errors are Invalid: OFFSET_OVER_LINE when x > L (the line does not reach),
// OUT_OF_RANGE, NOT_A_NUMBER, LENGTH_UNIT_UNKNOWN. Source: geometry.
func SwingDrop(line, offset float64, unit LengthUnit) (SwingResult, error) {
	if _, err := unit.fromFeet(); err != nil {
		return SwingResult{}, err
	}
	if err := LengthDomain.Check("line", line); err != nil {
		return SwingResult{}, err
	}
	if err := LengthDomain.Check("offset", offset); err != nil {
		return SwingResult{}, err
	}
	if offset > line {
		return SwingResult{}, errs.Field("OFFSET_OVER_LINE", "offset",
			"is more than the line paid out: the line cannot reach that far to the side")
	}
	height := math.Sqrt((line - offset) * (line + offset)) // (L−x)(L+x) keeps the digits that L²−x² loses
	drop := line - height
	u := string(unit)
	return SwingResult{Drop: drop, Working: working.Working{
		Formula: "swing drop: L - sqrt(L^2 - x^2)",
		Inputs: []working.Term{
			working.Number("line paid out", "L", line, u),
			working.Number("sideways offset", "x", offset, u),
		},
		Steps:   []working.Term{working.NumberDown("height below the anchor at the start", "", height, u)},
		Result:  []working.Term{working.NumberUp("swing drop, to be added to the clearance", "", drop, u)},
		Sources: []working.Source{{Document: "geometry of a circle", Status: working.Computed}},
		Cautions: []string{
			"A swinging person meets what stands beside the line with the speed of a fall.",
		},
		LeftOut: []string{"stretch of the line", "obstacles in the path of the swing", "line that pays out further during the fall"},
		Defers:  working.DefersFall,
	}}, nil
}
