// Package proceduretest holds a small procedure and a small plan for the tests
// of other packages. It is imported by tests only.
package proceduretest

import (
	_ "embed"
	"testing"

	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

//go:embed minimal.yaml
var minimal []byte

// Climb is the id of a climb for tests.
const Climb = "01912345-6789-7abc-8def-0123456789ab"

// Document returns a copy of the minimal procedure's YAML. Its sections:
// briefing (climb: understood), weather (climb: wind, holds 60 minutes), kit
// (job: self-check), couple (connection, on the structure, requires briefing
// and weather: clean, torque, photos), test (line: intermodulation,
// return-loss, trace), close (job: tidy, remark).
func Document() []byte { return append([]byte(nil), minimal...) }

// Compiled returns the minimal procedure, compiled.
func Compiled(tb testing.TB) *procedure.Compiled {
	tb.Helper()
	c, err := procedure.Compile(minimal)
	if err != nil {
		tb.Fatalf("the minimal procedure does not compile:\n%v", err)
	}
	return c
}

// Plan returns a plan of two coaxial lines, A1 and A2, each with the 7-16
// connections <line>-top and <line>-bottom. Each call makes a new one.
func Plan() *recordv1.Plan {
	p := &recordv1.Plan{}
	for _, id := range []string{"A1", "A2"} {
		low, high, length := 880.0, 960.0, 42.0
		p.Lines = append(p.Lines, &recordv1.Plan_Line{
			Id: id, Title: id, Medium: recordv1.Plan_Line_COAX, Band: "B8",
			LowMhz: &low, HighMhz: &high, LengthMeters: &length, Type: "7/8-foam",
			NearEquipment: "radio", FarEquipment: "antenna",
		})
		for _, end := range []string{"top", "bottom"} {
			height := map[string]float64{"top": 38.0, "bottom": 2.0}[end]
			p.Connections = append(p.Connections, &recordv1.Plan_Connection{
				Id: id + "-" + end, Line: id, Title: id + " " + end, Interface: "7-16",
				Position: end, Sector: "A", HeightMeters: &height,
			})
		}
	}
	return p
}

// Expand returns the minimal procedure times Plan, for one climb, Climb.
func Expand(tb testing.TB) *procedure.Expansion {
	tb.Helper()
	e, err := Compiled(tb).Expand(Plan(), []string{Climb})
	if err != nil {
		tb.Fatalf("the minimal procedure does not expand: %v", err)
	}
	return e
}
