package rigging

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// AngleReference says what a sling angle is measured from. Printed tables use
// both, so an angle without its reference is refused.
type AngleReference string

// The two references.
const (
	FromHorizontal AngleReference = "horizontal"
	FromVertical   AngleReference = "vertical"
)

// AngleReferences lists both references.
func AngleReferences() []AngleReference { return []AngleReference{FromHorizontal, FromVertical} }

// LowestSlingAngleDegrees from the horizontal: below it the program refuses by
// default (common practice, printed in sling catalogues).
const LowestSlingAngleDegrees = 30.0

// SlingAngle is the domain of a sling angle from either reference.
var SlingAngle = working.Domain{Min: 0, Max: 90, Unit: "degrees"}

// SlingFactor returns 1/sin(α), the tension in a leg over its share of the load,
// for the angle measured from the reference named. No lower bound but over 0
// degrees from the horizontal is set here.
//
// Errors are Invalid: ANGLE_REFERENCE_MISSING, OUT_OF_RANGE, NOT_A_NUMBER.
// Source: load angle factor, US DOE-STD-1090 section 11.3.1.1.
func SlingFactor(angleDegrees float64, from AngleReference) (float64, error) {
	alpha, err := fromHorizontal(angleDegrees, from)
	if err != nil {
		return 0, err
	}
	return 1 / math.Sin(alpha*math.Pi/180), nil
}

func fromHorizontal(angleDegrees float64, from AngleReference) (float64, error) {
	if err := SlingAngle.Check("angle_degrees", angleDegrees); err != nil {
		return 0, err
	}
	switch from {
	case FromHorizontal:
	case FromVertical:
		angleDegrees = 90 - angleDegrees
	default:
		return 0, errs.Field("ANGLE_REFERENCE_MISSING", "angle_from",
			"must say what the angle is measured from, horizontal or vertical: printed tables use both", "angle_from", string(from))
	}
	if angleDegrees < flattestDegrees {
		return 0, flat("angle_degrees")
	}
	return angleDegrees, nil
}

// flattestDegrees from the horizontal is the end of the arithmetic, whatever a
// qualified person allows.
const flattestDegrees = 0.1

func flat(field string) error {
	return errs.Field("OUT_OF_RANGE", field, "makes the legs lie flat (under 0.1 degrees from the horizontal), where the tension has no bound")
}

// SlingInput is one lift by a sling with equal legs. The slope is given either
// by AngleDegrees with AngleFrom, or by LegLength and Height (one unit for both:
// the length of a leg and the vertical height from its lower end to the hook).
type SlingInput struct {
	Load         float64
	Unit         LoadUnit
	Legs         int // 1 to 8
	AngleDegrees float64
	AngleFrom    AngleReference
	LegLength    float64
	Height       float64
	Flexible     bool // the load is not rigid, so that all legs may be counted
	AllowLow     bool // a qualified person asked for an angle under 30 degrees in writing
	Rating       float64
}

// SlingResult is in the input's Unit.
type SlingResult struct {
	TensionPerLeg         float64
	FromHorizontalDegrees float64
	CountedLegs           int
	OverTheRating         *bool // nil when no rating was entered
	Working               working.Working
}

// SlingTension returns (W/n)/sin(α) for α from the horizontal. For more than two
// legs on a rigid load only two are counted (common practice).
//
// Errors are Invalid: ANGLE_REFERENCE_MISSING; SLING_SLOPE_TWICE when both an
// angle and lengths are given, SLING_SLOPE_MISSING when neither is whole;
// SLING_ANGLE_TOO_LOW under 30 degrees from the horizontal unless AllowLow;
// SINGLE_LEG_NOT_VERTICAL; HEIGHT_OVER_LEG; OUT_OF_RANGE, NOT_A_NUMBER,
// LOAD_UNIT_UNKNOWN.
func SlingTension(in SlingInput) (SlingResult, error) {
	none := SlingResult{}
	if _, err := in.Unit.pounds(); err != nil {
		return none, err
	}
	if err := LoadDomain.Check("load", in.Load); err != nil {
		return none, err
	}
	if in.Legs < 1 || in.Legs > 8 {
		return none, errs.Field("OUT_OF_RANGE", "legs", "must be 1 to 8", "value", strconv.Itoa(in.Legs))
	}
	u := string(in.Unit)
	w := working.Working{
		Inputs: []working.Term{
			working.Number("load", "W", in.Load, u),
			{Name: "legs", Value: strconv.Itoa(in.Legs)},
		},
		Sources: []working.Source{
			{Document: "US DOE-STD-1090", Clause: "section 11.3.1.1, load angle factor", Status: working.Confirmed},
			definition,
			{Document: "no sling under 30 degrees from the horizontal; printed in sling catalogues", Status: working.CommonPractice},
		},
		Cautions: []string{"The angle counts from the horizontal here; some printed tables count from the vertical."},
		LeftOut:  []string{"unequal legs or an off-centre load", "shock, wind and snagging", "strength of the lifting points and of the hardware"},
		Defers:   working.DefersRigging,
	}
	var alpha, factor float64
	byLength := in.LegLength != 0 || in.Height != 0
	byAngle := in.AngleDegrees != 0 || in.AngleFrom != ""
	switch {
	case byLength && byAngle:
		return none, errs.Field("SLING_SLOPE_TWICE", "angle_degrees", "is given together with leg_length and height: give one of the two")
	case byLength:
		lengths := working.Domain{Min: 0, MinOpen: true, Max: 1000}
		if err := lengths.Check("leg_length", in.LegLength); err != nil {
			return none, err
		}
		if err := lengths.Check("height", in.Height); err != nil {
			return none, err
		}
		if in.Height > in.LegLength {
			return none, errs.Field("HEIGHT_OVER_LEG", "height", "cannot be more than leg_length")
		}
		factor = in.LegLength / in.Height
		alpha = math.Asin(in.Height/in.LegLength) * 180 / math.Pi
		if alpha < flattestDegrees {
			return none, flat("height")
		}
		w.Formula = "sling tension per leg: (W/n) * L/H"
		w.Inputs = append(w.Inputs,
			working.Number("length of a leg", "L", in.LegLength, "(same unit)"),
			working.Number("vertical height of a leg", "H", in.Height, "(same unit)"))
	case byAngle:
		var err error
		if alpha, err = fromHorizontal(in.AngleDegrees, in.AngleFrom); err != nil {
			return none, err
		}
		factor = 1 / math.Sin(alpha*math.Pi/180)
		w.Formula = "sling tension per leg: (W/n) / sin(alpha), alpha from the horizontal"
		w.Inputs = append(w.Inputs, working.Number("angle from the "+string(in.AngleFrom), "", in.AngleDegrees, "degrees"))
	default:
		return none, errs.Field("SLING_SLOPE_MISSING", "angle_degrees",
			"must be given with angle_from (horizontal or vertical), or give leg_length and height")
	}
	if in.Legs == 1 && alpha < 89.9 {
		return none, errs.Field("SINGLE_LEG_NOT_VERTICAL", "legs", "one leg hangs vertical: its angle is 90 degrees from the horizontal")
	}
	if alpha < LowestSlingAngleDegrees*(1-1e-12) {
		if !in.AllowLow {
			return none, errs.Field("SLING_ANGLE_TOO_LOW", "angle_degrees",
				"is under 30 degrees from the horizontal, where the tension is over twice the share of the load: longer legs or a spreader are wanted",
				"from_horizontal_degrees", working.Format(alpha), "lowest_degrees", "30")
		}
		w.Cautions = append(w.Cautions, "The angle is UNDER 30 degrees from the horizontal, which the program refuses by default; it was calculated because a qualified person's written word was claimed.")
	}
	counted := in.Legs
	if in.Legs > 2 && !in.Flexible {
		counted = 2
		w.Cautions = append(w.Cautions, "Only two legs are counted: on a rigid load two legs may carry everything.")
		w.Sources = append(w.Sources, working.Source{Document: "for more than two legs on a rigid load count two", Status: working.CommonPractice})
	}
	share := in.Load / float64(counted)
	r := SlingResult{TensionPerLeg: share * factor, FromHorizontalDegrees: alpha, CountedLegs: counted}
	w.Steps = []working.Term{
		working.NumberDown("angle from the horizontal", "alpha", alpha, "degrees"),
		{Name: "legs counted", Symbol: "n", Value: strconv.Itoa(counted)},
		working.NumberUp("share of the load", "W/n", share, u),
		working.NumberUp("angle factor, 1/sin(alpha)", "", factor, ""),
	}
	w.Result = []working.Term{working.NumberUp("tension in each leg", "", r.TensionPerLeg, u)}
	var err error
	if r.OverTheRating, err = rating(&w, "tension in each leg", r.TensionPerLeg, in.Rating, in.Unit); err != nil {
		return none, err
	}
	r.Working = w
	return r, nil
}
