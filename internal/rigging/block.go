package rigging

import (
	"math"

	"witnessmark/internal/working"
)

// BlockFactor returns 2·cos(θ/2): the load on a turning block over the pull in
// the line, for the angle θ in degrees between the two lines (0 = side by side,
// 180 = straight through). It is exactly 2 at 0 and exactly 0 at 180.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: statics. The angle-factor
// table printed in handbooks truncates and reads up to 0.7 % low at 40, 45, 130
// and 135 degrees; it is not used.
func BlockFactor(angleDegrees float64) (float64, error) {
	if err := BlockAngle.Check("angle_degrees", angleDegrees); err != nil {
		return 0, err
	}
	// sin((180−θ)/2) is cos(θ/2) and is exact at both ends.
	return 2 * math.Sin((180-angleDegrees)/2*math.Pi/180), nil
}

// BlockInput is one turning block. Pull is the tension in the line in Unit.
// Factor multiplies the load for sheave friction and shock; nought means that no
// qualified person gave one, and the result says 'not included'. Rating is the
// block's working load limit in Unit, nought when it was not entered.
type BlockInput struct {
	Pull         float64
	Unit         LoadUnit
	AngleDegrees float64
	Factor       float64
	Rating       float64
}

// BlockResult is in the input's Unit. Load is never lower than the arithmetic:
// its sixth digit is rounded up in the working.
type BlockResult struct {
	Load          float64
	OverTheRating *bool // nil when no rating was entered
	Working       working.Working
}

// BlockLoad returns the load on a turning block, 2·T·cos(θ/2), times the factor
// that a qualified person gave for friction and shock.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN.
func BlockLoad(in BlockInput) (BlockResult, error) {
	if _, err := in.Unit.pounds(); err != nil {
		return BlockResult{}, err
	}
	if err := LoadDomain.Check("pull", in.Pull); err != nil {
		return BlockResult{}, err
	}
	f, err := BlockFactor(in.AngleDegrees)
	if err != nil {
		return BlockResult{}, err
	}
	u := string(in.Unit)
	load := in.Pull * f
	w := working.Working{
		Formula: "turning block: 2*T*cos(theta/2)",
		Inputs: []working.Term{
			working.Number("pull in the line", "T", in.Pull, u),
			working.Number("angle between the two lines", "theta", in.AngleDegrees, "degrees"),
		},
		Steps: []working.Term{working.NumberUp("angle factor, 2*cos(theta/2)", "", f, "")},
		Sources: []working.Source{
			definition,
			{Document: "angle-factor table common to rigging handbooks, read in three copies; not used, because it truncates", Status: working.Confirmed},
		},
		Cautions: []string{"The figure is rounded up. Printed angle-factor tables read up to 0.7 % low at 40, 45, 130 and 135 degrees."},
		LeftOut:  []string{"strength of what the block hangs from", "bend ratio of rope and sheave"},
		Defers:   working.DefersRigging,
	}
	if in.Factor == 0 {
		w.Result = append(w.Result, working.Words("sheave friction and shock", "not included"))
		w.LeftOut = append(w.LeftOut, "sheave friction and shock: hauling adds both; a qualified person gives the figures")
	} else {
		if err := FactorDomain.Check("factor", in.Factor); err != nil {
			return BlockResult{}, err
		}
		load *= in.Factor
		w.Inputs = append(w.Inputs, working.Number("factor for friction and shock, given by a qualified person", "", in.Factor, ""))
		w.Result = append(w.Result, working.Words("sheave friction and shock", "included by the factor entered"))
	}
	w.Result = append([]working.Term{working.NumberUp("load on the block and its anchorage", "", load, u)}, w.Result...)
	r := BlockResult{Load: load}
	if r.OverTheRating, err = rating(&w, "load on the block", load, in.Rating, in.Unit); err != nil {
		return BlockResult{}, err
	}
	r.Working = w
	return r, nil
}

// rating compares load with the working load limit entered as "rating"; nought
// is 'not checked', never a pass.
func rating(w *working.Working, name string, load, limit float64, unit LoadUnit) (*bool, error) {
	if limit == 0 {
		w.Result = append(w.Result, working.Words("against the working load limit", "not checked: none was entered"))
		return nil, nil
	}
	if err := LoadDomain.Check("rating", limit); err != nil {
		return nil, err
	}
	w.Inputs = append(w.Inputs, working.Number("working load limit", "", limit, string(unit)))
	w.Result = append(w.Result, working.Compare(name, load, limit, string(unit)))
	over := working.Exceeds(load, limit)
	return &over, nil
}
