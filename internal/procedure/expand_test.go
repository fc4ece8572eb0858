package procedure_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func ids(e *procedure.Expansion) []string {
	out := make([]string, len(e.Steps))
	for i, s := range e.Steps {
		out[i] = s.ID
	}
	return out
}

func TestExpandOrderAndIDs(t *testing.T) {
	e := proceduretest.Expand(t)
	climb := "climb:" + proceduretest.Climb
	want := []string{climb + "/briefing/understood", climb + "/weather/wind", "job/kit/self-check"}
	for _, c := range []string{"A1-top", "A1-bottom", "A2-top", "A2-bottom"} {
		for _, s := range []string{"clean", "torque", "photos"} {
			want = append(want, "connection:"+c+"/couple/"+s)
		}
	}
	for _, l := range []string{"A1", "A2"} {
		for _, s := range []string{"intermodulation", "return-loss", "trace"} {
			want = append(want, "line:"+l+"/test/"+s)
		}
	}
	want = append(want, "job/close/tidy", "job/close/remark")
	if got := ids(e); !slices.Equal(got, want) {
		t.Errorf("steps:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, s := range e.Steps {
		if e.Step(s.ID) != s {
			t.Errorf("Step(%q) is another step", s.ID)
		}
		if !strings.HasPrefix(s.ID, s.SectionInstance+"/") || !slices.Contains(e.Section(s.SectionInstance), s) {
			t.Errorf("%s is not found in its section instance %q", s.ID, s.SectionInstance)
		}
	}
	if s := e.Step("job/close/remark"); s.Required {
		t.Error("job/close/remark is required; the procedure says optional")
	}
	if e.Step("job/close") != nil || e.Step("") != nil {
		t.Error("a step was found for an id that names none")
	}
}

// Sections in a row that repeat for the same thing keep the work in one place.
func TestExpandStaysAtOneConnection(t *testing.T) {
	c, err := procedure.Compile([]byte(small))
	if err != nil {
		t.Fatal(err)
	}
	plan := proceduretest.Plan()
	plan.Connections = plan.Connections[:2]
	e, err := c.Expand(plan, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"connection:A1-top/one/torque", "connection:A1-top/one/photo", "connection:A1-top/two/answer",
		"connection:A1-bottom/one/torque", "connection:A1-bottom/one/photo", "connection:A1-bottom/two/answer",
	}
	if got := ids(e); !slices.Equal(got, want) {
		t.Errorf("steps %v; want %v", got, want)
	}
}

func TestRevisedPlanKeepsIDs(t *testing.T) {
	c := proceduretest.Compiled(t)
	before := proceduretest.Expand(t)
	plan := proceduretest.Plan()
	plan.Connections = slices.Delete(plan.Connections, 0, 1)
	plan.Lines[1].Title = "renamed"
	after, err := c.Expand(plan, []string{proceduretest.Climb, "second"})
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range ids(before) {
		gone := strings.HasPrefix(id, "connection:A1-top/")
		if (after.Step(id) == nil) != gone {
			t.Errorf("%s: in the new expansion %v; want %v", id, after.Step(id) != nil, !gone)
		}
	}
	if after.Step("climb:second/briefing/understood") == nil {
		t.Error("the second climb has no briefing")
	}
}

func TestConditions(t *testing.T) {
	doc := strings.Replace(small, "    requires: [one]", "    requires: [one]\n    when: [{attribute: interface, any_of: [lc]}, {attribute: far_equipment, none_of: [load]}, {attribute: painted, any_of: [\"yes\"]}]", 1)
	c, err := procedure.Compile([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	plan := proceduretest.Plan()
	plan.Connections[0].Interface = "LC"
	plan.Connections[0].Attributes = map[string]string{"painted": " Yes "}
	plan.Connections[1].Interface = "LC" // not painted
	plan.Connections[2].Interface = "LC"
	plan.Connections[2].Attributes = map[string]string{"painted": "yes"}
	plan.Lines[1].FarEquipment = "load"
	e, err := c.Expand(plan, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range e.Steps {
		if s.Section.GetId() == "two" {
			got = append(got, s.ScopeID)
		}
	}
	if !slices.Equal(got, []string{"A1-top"}) {
		t.Errorf("section two holds for %v; want A1-top alone", got)
	}
}

func TestRequires(t *testing.T) {
	e := proceduretest.Expand(t)
	climb := proceduretest.Climb
	for _, tc := range []struct {
		name, instance, climb string
		want                  []string
	}{
		{"a connection on the structure, by the entry's climb", "connection:A1-top/couple", climb, []string{"climb:" + climb + "/briefing", "climb:" + climb + "/weather"}},
		{"without a climb the gates are there and never met", "connection:A1-top/couple", "", []string{"climb:/briefing", "climb:/weather"}},
		{"a section without gates", "job/kit", climb, nil},
		{"no such section", "job/none", climb, nil},
		{"no instance at all", "nonsense", climb, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := e.Requires(tc.instance, tc.climb); !slices.Equal(got, tc.want) {
				t.Errorf("Requires(%q, %q) = %v; want %v", tc.instance, tc.climb, got, tc.want)
			}
		})
	}
}

func TestRequiresAcrossScopes(t *testing.T) {
	step := "    steps: [{id: s, title: S, instruction: Do., confirm: {}}]\n"
	doc := "id: scopes\ntitle: Scopes\nrevision: \"1\"\nsections:\n" +
		"  - id: start\n    title: T\n    repeat: JOB\n" + step +
		"  - id: brief\n    title: T\n    repeat: CLIMB\n    requires: [start]\n" + step +
		"  - id: weather\n    title: T\n    repeat: CLIMB\n    requires: [brief]\n" + step +
		"  - id: line\n    title: T\n    repeat: LINE\n    requires: [start]\n    when: [{attribute: band, any_of: [B8]}]\n" + step +
		"  - id: clean\n    title: T\n    repeat: CONNECTION\n" + step +
		"  - id: couple\n    title: T\n    repeat: CONNECTION\n    on_structure: true\n    requires: [start, weather, line, clean]\n" + step
	c, err := procedure.Compile([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	plan := proceduretest.Plan()
	plan.Lines[1].Band = "B20"
	e, err := c.Expand(plan, []string{"k1", "k2"})
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		instance string
		want     []string
	}{
		{"climb:k2/weather", []string{"climb:k2/brief"}},
		{"line:A1/line", []string{"job/start"}},
		{"connection:A1-top/couple", []string{"job/start", "climb:k1/weather", "line:A1/line", "connection:A1-top/clean"}},
		// The section 'line' does not hold for A2: no gate there.
		{"connection:A2-top/couple", []string{"job/start", "climb:k1/weather", "connection:A2-top/clean"}},
	} {
		if got := e.Requires(tc.instance, "k1"); !slices.Equal(got, tc.want) {
			t.Errorf("Requires(%q) = %v; want %v", tc.instance, got, tc.want)
		}
	}
}

func TestExpandRefuses(t *testing.T) {
	c := proceduretest.Compiled(t)
	for _, tc := range []struct {
		name   string
		plan   func(*recordv1.Plan)
		climbs []string
		reason string
	}{
		{"a connection of no line", func(p *recordv1.Plan) { p.Connections[0].Line = "B9" }, nil, "PLAN_LINE_UNKNOWN"},
		{"a climb given twice", func(*recordv1.Plan) {}, []string{"a", "a"}, "CLIMB_ID_INVALID"},
		{"a climb with a slash", func(*recordv1.Plan) {}, []string{"a/b"}, "CLIMB_ID_INVALID"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			plan := proceduretest.Plan()
			tc.plan(plan)
			if _, err := c.Expand(plan, tc.climbs); !errs.Is(err, tc.reason) {
				t.Errorf("Expand = %v; want reason %s", err, tc.reason)
			}
		})
	}
}

func TestExpansionBound(t *testing.T) {
	c, err := procedure.Compile(manySteps(100))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Expand(manyConnections(200), nil); err != nil {
		t.Errorf("20,000 steps: %v; want none", err)
	}
	if _, err := c.Expand(manyConnections(201), nil); !errs.Is(err, "EXPANSION_TOO_LARGE") {
		t.Errorf("20,100 steps: %v; want EXPANSION_TOO_LARGE", err)
	}
	one := string(manySteps(100)) + "  - id: b\n    title: B\n    repeat: JOB\n    steps:\n      - {id: s, title: S, instruction: Do., confirm: {}}\n"
	if c, err = procedure.Compile([]byte(one)); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Expand(manyConnections(200), nil); !errs.Is(err, "EXPANSION_TOO_LARGE") {
		t.Errorf("20,001 steps: %v; want EXPANSION_TOO_LARGE", err)
	}
}

// A line without a length is no error of the expansion: it is said, and the
// step cannot be judged.
func TestPlanThatDoesNotSuffice(t *testing.T) {
	doc := strings.Replace(string(proceduretest.Document()), `          quantity: RETURN_LOSS
          unit: DECIBELS
          limit:
            plain:
              lower: 18
              unit: DECIBELS
              source: {standing: COMMON_PRACTICE, note: The owner's written limit wins.}
`, `          quantity: RETURN_LOSS
          unit: DECIBELS
          limit:
            formula:
              name: line_return_loss
              source: {standing: COMMON_PRACTICE, note: The owner's written limit wins.}
`, 1)
	c, err := procedure.Compile([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	plan := proceduretest.Plan()
	plan.Lines[0].LengthMeters = nil
	e, err := c.Expand(plan, nil)
	if err != nil {
		t.Fatal(err)
	}
	missing := e.MissingForLimits()
	if len(missing) != 1 || !strings.HasPrefix(missing[0], "line A1: ") || !strings.Contains(missing[0], "length_meters") {
		t.Errorf("missing = %v; want line A1's length_meters alone", missing)
	}
	if l := e.Step("line:A2/test/return-loss").Limit; l.Problem != "" || l.Lower == nil {
		t.Errorf("the other line's limit = %+v; want numbers", l)
	}
}

func manySteps(n int) []byte {
	var b strings.Builder
	b.WriteString("id: many\ntitle: Many\nrevision: \"1\"\nsections:\n  - id: a\n    title: A\n    repeat: CONNECTION\n    steps:\n")
	for i := range n {
		if i%2 == 0 {
			fmt.Fprintf(&b, "      - {id: s%d, title: S, instruction: Do., torque: {limit: {formula: {name: coupling_torque, source: {standing: COMPUTED}}}}}\n", i)
			continue
		}
		fmt.Fprintf(&b, "      - {id: s%d, title: S, instruction: Do., torque: {limit: {table: {rows: [{when: [{attribute: interface, any_of: [N]}], bound: {lower: 1, unit: NEWTON_METERS, source: {standing: COMMON_PRACTICE}}}, {when: [{attribute: interface, any_of: [\"7-16\"]}], bound: {lower: 24.4, upper: 30, unit: NEWTON_METERS, source: {standing: COMMON_PRACTICE}}}]}}}}\n", i)
	}
	return []byte(b.String())
}

func manyConnections(n int) *recordv1.Plan {
	p := &recordv1.Plan{Lines: []*recordv1.Plan_Line{{Id: "L", Medium: recordv1.Plan_Line_COAX}}}
	for i := range n {
		p.Connections = append(p.Connections, &recordv1.Plan_Connection{Id: fmt.Sprintf("c%d", i), Line: "L", Interface: "7-16"})
	}
	return p
}

// How long a job of 10,000 steps takes to expand, half of its limits from a
// formula and half from a table.
func BenchmarkExpand(b *testing.B) {
	c, err := procedure.Compile(manySteps(50))
	if err != nil {
		b.Fatal(err)
	}
	plan := manyConnections(200)
	b.ReportAllocs()
	for b.Loop() {
		e, err := c.Expand(plan, nil)
		if err != nil || len(e.Steps) != 10_000 {
			b.Fatalf("%d steps, %v", len(e.Steps), err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/10000steps")
}
