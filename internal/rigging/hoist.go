package rigging

import (
	"math"

	"witnessmark/internal/working"
)

// PeopleHoistFactor is the design factor of rigging and hoist line for people,
// and PeopleHoistDerating the part of the hoist's material rating that is left.
const (
	PeopleHoistFactor   = 10.0
	PeopleHoistDerating = 0.5
)

// PeopleHoistInput is a hoist line that is to carry people, in Unit. LineMBS is
// the lowest minimum breaking strength of line and rigging. Load is people and
// gear, nought when it is not compared.
type PeopleHoistInput struct {
	MaterialRating float64
	LineMBS        float64
	Load           float64
	Unit           LoadUnit
}

// PeopleHoistResult is in the input's Unit.
type PeopleHoistResult struct {
	HoistLimit float64 // half of the material rating
	LineLimit  float64 // MBS/10
	Limit      float64 // the lower
	OverLimit  *bool   // nil when no load was entered
	Working    working.Working
}

// PeopleHoist returns the limit of a tower hoist line for people: half of the
// material rating, and a tenth of the breaking strength of line and rigging,
// whichever is lower.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN. Source:
// Michigan R 408.42934; OSHA CPL 02-01-056 is the federal enforcement directive.
func PeopleHoist(in PeopleHoistInput) (PeopleHoistResult, error) {
	if _, err := in.Unit.pounds(); err != nil {
		return PeopleHoistResult{}, err
	}
	if err := LoadDomain.Check("material_rating", in.MaterialRating); err != nil {
		return PeopleHoistResult{}, err
	}
	if err := LoadDomain.Check("line_mbs", in.LineMBS); err != nil {
		return PeopleHoistResult{}, err
	}
	u := string(in.Unit)
	r := PeopleHoistResult{HoistLimit: in.MaterialRating * PeopleHoistDerating, LineLimit: in.LineMBS / PeopleHoistFactor}
	r.Limit = math.Min(r.HoistLimit, r.LineLimit)
	w := working.Working{
		Formula: "hoisting people: the lower of half the material rating and a tenth of the breaking strength",
		Inputs: []working.Term{
			working.Number("material rating of the hoist", "", in.MaterialRating, u),
			working.Number("lowest breaking strength of line and rigging", "MBS", in.LineMBS, u),
		},
		Steps: []working.Term{
			working.NumberDown("hoist, halved for people", "", r.HoistLimit, u),
			working.NumberDown("line and rigging at 10:1", "", r.LineLimit, u),
		},
		Result: []working.Term{working.NumberDown("limit for people and their gear", "", r.Limit, u)},
		Sources: []working.Source{
			{Document: "Michigan R 408.42934", Status: working.Confirmed},
			{Document: "OSHA CPL 02-01-056", Clause: "federal enforcement directive, its existence", Year: 2014, Status: working.Confirmed},
		},
		Cautions: []string{
			"Hoisting people has many conditions that are no arithmetic: proof test, trial lift, communication, weather, a trained operator. The directive and the written plan list them.",
		},
		LeftOut: []string{"proof test and trial lift", "boatswain's chair or platform itself", "block loads: twice the line pull at the top block", "sheave friction and shock: not included"},
		Defers:  working.DefersRigging,
	}
	if in.Load == 0 {
		w.Result = append(w.Result, working.Words("against the load", "not checked: none was entered"))
	} else {
		if err := LoadDomain.Check("load", in.Load); err != nil {
			return PeopleHoistResult{}, err
		}
		over := working.Exceeds(in.Load, r.Limit)
		r.OverLimit = &over
		w.Inputs = append(w.Inputs, working.Number("people and gear", "", in.Load, u))
		w.Result = append(w.Result, compareDown("people and gear", in.Load, r.Limit, in.Unit))
	}
	r.Working = w
	return r, nil
}

// InstrumentInput is a test instrument to be hoisted, in Unit. Rating is that of
// the point that carries it: a point which the maker rates for lifting in
// writing, or a rated hoist bag. Nought means that there is none.
type InstrumentInput struct {
	Instrument, Cables, Loads, Bag float64
	Rating                         float64
	Unit                           LoadUnit
}

// InstrumentResult is in the input's Unit.
type InstrumentResult struct {
	Gross         float64
	NoRatedPoint  bool // not to be hoisted by the instrument
	OverTheRating *bool
	Working       working.Working
}

// InstrumentHoist adds up the gross load of a test instrument and compares it
// with the rating of the point that carries it. Without a rating the answer is
// that it is not to be hoisted so.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN. Source:
// common practice.
func InstrumentHoist(in InstrumentInput) (InstrumentResult, error) {
	if _, err := in.Unit.pounds(); err != nil {
		return InstrumentResult{}, err
	}
	if err := LoadDomain.Check("instrument", in.Instrument); err != nil {
		return InstrumentResult{}, err
	}
	u := string(in.Unit)
	w := working.Working{
		Formula: "hoisting an instrument: gross load = instrument + cables + loads + bag, against the rated point",
		Inputs:  []working.Term{working.Number("instrument", "", in.Instrument, u)},
		Sources: []working.Source{{Document: "lift only by points that the maker rates for lifting, in writing", Status: working.CommonPractice}},
		Cautions: []string{
			"Which rated point carries it, and what is its rating? Never carrying handles, straps or case latches.",
			"A second tether, closed covers, caps on every open connector.",
		},
		LeftOut: []string{"shock, wind and snagging", "the hoist line and its block"},
		Defers:  working.DefersRigging,
	}
	gross := in.Instrument
	for _, p := range []struct {
		name string
		v    float64
	}{{"cables", in.Cables}, {"loads", in.Loads}, {"bag", in.Bag}} {
		if err := ForceDomain.Check(p.name, p.v); err != nil {
			return InstrumentResult{}, err
		}
		gross += p.v
		w.Inputs = append(w.Inputs, working.Number(p.name, "", p.v, u))
	}
	r := InstrumentResult{Gross: gross, NoRatedPoint: in.Rating == 0}
	w.Result = []working.Term{working.NumberUp("gross load", "", gross, u)}
	if r.NoRatedPoint {
		w.Result = append(w.Result, working.Words("rated point", "NONE ENTERED: not to be hoisted by the instrument; raise it inside a rated hoist bag"))
	} else {
		var err error
		if r.OverTheRating, err = rating(&w, "gross load", gross, in.Rating, in.Unit); err != nil {
			return InstrumentResult{}, err
		}
	}
	r.Working = w
	return r, nil
}
