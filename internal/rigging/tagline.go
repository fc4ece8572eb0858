package rigging

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// TagLineInput is a load of weight Load in Unit, in equilibrium, held off the
// structure: the load line leans LoadLineDegrees from the vertical, the tag line
// pulls TagLineDegrees below the horizontal.
type TagLineInput struct {
	Load            float64
	Unit            LoadUnit
	LoadLineDegrees float64 // alpha, 0 up to under 90
	TagLineDegrees  float64 // beta, 0 up to under 90
}

// TagLineResult is in the input's Unit.
type TagLineResult struct {
	TagForce float64
	LoadLine float64
	Working  working.Working
}

// TagLine returns tag force W·sin(α)/cos(α+β) and load-line force
// W·cos(β)/cos(α+β).
//
// Errors are Invalid: TAG_LINE_NO_BALANCE when α+β reaches 90 degrees (nothing
// balances there), OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN. Source: force
// balance.
func TagLine(in TagLineInput) (TagLineResult, error) {
	if _, err := in.Unit.pounds(); err != nil {
		return TagLineResult{}, err
	}
	if err := LoadDomain.Check("load", in.Load); err != nil {
		return TagLineResult{}, err
	}
	if err := LeanAngle.Check("load_line_degrees", in.LoadLineDegrees); err != nil {
		return TagLineResult{}, err
	}
	if err := LeanAngle.Check("tag_line_degrees", in.TagLineDegrees); err != nil {
		return TagLineResult{}, err
	}
	sum := in.LoadLineDegrees + in.TagLineDegrees
	if sum >= 89.9 {
		return TagLineResult{}, errs.Field("TAG_LINE_NO_BALANCE", "load_line_degrees",
			"together with tag_line_degrees must stay under 90 degrees (89.9 here): at 90 no force balances the load", "sum_degrees", working.Format(sum))
	}
	rad := math.Pi / 180
	c := math.Cos(sum * rad)
	tag := in.Load * math.Sin(in.LoadLineDegrees*rad) / c
	line := in.Load * math.Cos(in.TagLineDegrees*rad) / c
	if in.LoadLineDegrees == 0 {
		line = in.Load // cos(β)/cos(β), without the noise of dividing
	}
	u := string(in.Unit)
	w := working.Working{
		Formula: "tag line: tag force W*sin(alpha)/cos(alpha+beta), load line W*cos(beta)/cos(alpha+beta)",
		Inputs: []working.Term{
			working.Number("load", "W", in.Load, u),
			working.Number("load line from the vertical", "alpha", in.LoadLineDegrees, "degrees"),
			working.Number("tag line below the horizontal", "beta", in.TagLineDegrees, "degrees"),
		},
		Steps: []working.Term{
			working.Number("sum of the angles", "alpha+beta", sum, "degrees"),
			working.NumberUp("load line over load", "", line/in.Load, ""),
		},
		Result: []working.Term{
			working.NumberUp("force in the tag line", "", tag, u),
			working.NumberUp("force in the load line", "", line, u),
			working.NumberUp("what the load line adds to the block, two lines side by side", "", 2*line, u),
		},
		Sources: []working.Source{
			definition,
			{Document: "OSHA Susan Harwood workbook Advanced Rigging Principles, grant SH-05018-SH8", Clause: "terms block force, line force, straight tag", Year: 2018, Status: working.Confirmed},
		},
		Cautions: []string{"The block carries two lines at the load-line figure, not at the weight of the load."},
		LeftOut:  []string{"wind on the load", "sheave friction and shock: not included", "a tag line that is snatched"},
		Defers:   working.DefersRigging,
	}
	if sum > 75 {
		w.Cautions = append(w.Cautions, "The angles add to more than 75 degrees: a few degrees more multiply both forces.")
	}
	return TagLineResult{TagForce: tag, LoadLine: line, Working: w}, nil
}
