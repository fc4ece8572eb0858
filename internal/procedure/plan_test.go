package procedure_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func TestCheckPlan(t *testing.T) {
	if err := procedure.CheckPlan(nil); err != nil {
		t.Errorf("no plan: %v", err)
	}
	number := func(v float64) *float64 { return &v }
	for _, tc := range []struct {
		name   string
		change func(*recordv1.Plan)
		reason string
		field  string
	}{
		{"as it is", func(*recordv1.Plan) {}, "", ""},
		{"an id with a slash", func(p *recordv1.Plan) { p.Lines[0].Id = "A/1" }, "PLAN_ID_INVALID", "plan.lines[0].id"},
		{"no id", func(p *recordv1.Plan) { p.Connections[2].Id = "" }, "PLAN_ID_INVALID", "plan.connections[2].id"},
		{"an id over 64 characters", func(p *recordv1.Plan) { p.Lines[1].Id = strings.Repeat("a", 65) }, "PLAN_ID_INVALID", "plan.lines[1].id"},
		{"an id twice", func(p *recordv1.Plan) { p.Lines[1].Id = "A1" }, "PLAN_ID_TWICE", "plan.lines[1].id"},
		{"a line that is not there", func(p *recordv1.Plan) { p.Connections[3].Line = "C9" }, "PLAN_LINE_UNKNOWN", "plan.connections[3].line"},
		{"no medium", func(p *recordv1.Plan) { p.Lines[0].Medium = 0 }, "PLAN_MEDIUM_MISSING", "plan.lines[0].medium"},
		{"a negative length", func(p *recordv1.Plan) { p.Lines[0].LengthMeters = number(-1) }, "PLAN_NUMBER_INVALID", "plan.lines[0].length_meters"},
		{"a length that is no number", func(p *recordv1.Plan) { p.Lines[0].LengthMeters = number(math.NaN()) }, "PLAN_NUMBER_INVALID", "plan.lines[0].length_meters"},
		{"a velocity factor over one", func(p *recordv1.Plan) { p.Lines[0].VelocityFactor = number(1.1) }, "PLAN_NUMBER_INVALID", "plan.lines[0].velocity_factor"},
		{"a band the wrong way round", func(p *recordv1.Plan) { p.Lines[0].LowMhz = number(970) }, "PLAN_NUMBER_INVALID", "plan.lines[0].high_mhz"},
		{"a negative count", func(p *recordv1.Plan) { p.Lines[0].SpliceCount = -1 }, "PLAN_NUMBER_INVALID", "plan.lines[0].splice_count"},
		{"a wavelength twice", func(p *recordv1.Plan) { p.Lines[0].WavelengthsNanometers = []float64{1310, 1310} }, "PLAN_NUMBER_INVALID", "plan.lines[0].wavelengths_nanometers"},
		{"an azimuth of 400", func(p *recordv1.Plan) { p.Connections[0].AzimuthDegrees = number(400) }, "PLAN_NUMBER_INVALID", "plan.connections[0].azimuth_degrees"},
		{"a title without end", func(p *recordv1.Plan) { p.Connections[0].Title = strings.Repeat("x", 201) }, "PLAN_TEXT_TOO_LONG", "plan.connections[0].title"},
		{"an attribute with a field of its own", func(p *recordv1.Plan) { p.Lines[0].Attributes = map[string]string{"band": "B8"} }, "PLAN_ATTRIBUTE_INVALID", "plan.lines[0].attributes"},
		{"an attribute with a capital", func(p *recordv1.Plan) { p.Attributes = map[string]string{"Gain": "17"} }, "PLAN_ATTRIBUTE_INVALID", "plan.attributes"},
		{"500 connections", func(p *recordv1.Plan) {
			for i := len(p.Connections); i < 500; i++ {
				p.Connections = append(p.Connections, &recordv1.Plan_Connection{Id: fmt.Sprint("c", i), Line: "A1"})
			}
		}, "", ""},
		{"501 connections", func(p *recordv1.Plan) {
			for i := len(p.Connections); i < 501; i++ {
				p.Connections = append(p.Connections, &recordv1.Plan_Connection{Id: fmt.Sprint("c", i), Line: "A1"})
			}
		}, "PLAN_TOO_LARGE", "plan.connections"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			plan := proceduretest.Plan()
			tc.change(plan)
			err := procedure.CheckPlan(plan)
			if errs.ReasonOf(err) != tc.reason || err != nil && !strings.Contains(err.Error(), tc.field+":") {
				t.Errorf("CheckPlan = %v; want reason %q at %s", err, tc.reason, tc.field)
			}
		})
	}
}
