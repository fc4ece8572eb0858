package procedure_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
)

// small is a procedure that is right; tests change one thing in it.
const small = `id: small
title: Small
revision: "1"
sections:
  - id: one
    title: One
    repeat: CONNECTION
    steps:
      - id: torque
        title: Torque
        instruction: Tighten.
        torque:
          limit:
            plain:
              lower: 24.4
              upper: 30
              unit: NEWTON_METERS
              source: {standing: COMMON_PRACTICE}
      - id: photo
        title: Photo
        instruction: Photograph.
        photo:
          subjects:
            - {id: before, title: Before}
            - {id: after, title: After, beside: before}
  - id: two
    title: Two
    repeat: CONNECTION
    requires: [one]
    steps:
      - id: answer
        title: Answer
        instruction: Answer.
        choice:
          options:
            - {id: "yes", title: "Yes", good: true}
            - {id: "no", title: "No"}
`

func problems(t *testing.T, doc string) procedure.Problems {
	t.Helper()
	_, err := procedure.Parse("p.yaml", []byte(doc))
	if err == nil {
		return nil
	}
	var ps procedure.Problems
	if !errors.As(err, &ps) {
		t.Fatalf("error is a %T, not Problems: %v", err, err)
	}
	if errs.KindOf(err) != errs.Invalid || errs.ReasonOf(err) != "PROCEDURE_INVALID" {
		t.Errorf("kind %v, reason %q; want Invalid, PROCEDURE_INVALID", errs.KindOf(err), errs.ReasonOf(err))
	}
	return ps
}

func TestSmallIsGood(t *testing.T) {
	if ps := problems(t, small); ps != nil {
		t.Fatalf("the unchanged document has problems:\n%v", ps)
	}
}

func TestProblems(t *testing.T) {
	for _, tc := range []struct {
		name     string
		old, new string // one replacement in small
		at       string // line:column of the problem
		path     string
		message  string // part of it
	}{
		{"a field given twice", "title: Small", "title: Small\ntitle: Again", "3:1", "title", "given twice"},
		{"a field given twice in its two spellings", "    requires: [one]", "    onStructure: true\n    on_structure: true", "30:5", "sections[1].on_structure", "given twice"},
		{"an anchor", "title: Two", "title: &t Two", "27:12", "sections[1].title", "anchors"},
		{"an unknown field", "title: Two", "titel: Two", "27:5", "", "unknown field"},
		{"an unknown enum value", "unit: NEWTON_METERS", "unit: NEWTON", "17:21", "sections[0].steps[0].torque.limit.plain.unit", "NEWTON_METERS"},
		{"an enum value by number", "unit: NEWTON_METERS", "unit: 1", "17:21", "sections[0].steps[0].torque.limit.plain.unit", "write the name"},
		{"a field by number", "title: Small", "2: Small", "2:1", "", "write the field's name"},
		{"an id with capitals", "id: small", "id: Small", "1:5", "id", "lower-case"},
		{"no revision", "revision: \"1\"\n", "", "1:1", "revision", "must be 1 to 64"},
		{"two sections of one name", "id: two", "id: one", "26:9", "sections[1].id", "given twice"},
		{"two steps of one name", "id: photo", "id: torque", "19:13", "sections[0].steps[1].id", "given twice"},
		{"no repeat", "    repeat: CONNECTION\n    requires", "    requires", "26:5", "sections[1].repeat", "JOB, CLIMB, LINE or CONNECTION"},
		{"an unknown section required", "[one]", "[three]", "29:16", "sections[1].requires[0]", "no section"},
		{"a section that requires itself", "[one]", "[two]", "29:16", "sections[1].requires[0]", "itself"},
		{"a gate of a narrower scope", "    title: Two\n    repeat: CONNECTION", "    title: Two\n    repeat: JOB", "29:16", "sections[1].requires[0]", "repeats per connection"},
		{"a limit without a source", "              source: {standing: COMMON_PRACTICE}\n", "", "14:13", "sections[0].steps[0].torque.limit.plain.source", "where it comes from"},
		{"a source without a standing", "{standing: COMMON_PRACTICE}", "{document: A book}", "18:15", "sections[0].steps[0].torque.limit.plain.source.standing", "must be one of"},
		{"a figure from memory without a remark", "{standing: COMMON_PRACTICE}", "{standing: FROM_MEMORY}", "18:15", "sections[0].steps[0].torque.limit.plain.source.note", "not confirmed"},
		{"common practice dressed as a citation", "{standing: COMMON_PRACTICE}", "{standing: COMMON_PRACTICE, document: IEC 61169-4}", "18:61", "sections[0].steps[0].torque.limit.plain.source.document", "has no document"},
		{"a unit that does not fit", "unit: NEWTON_METERS", "unit: DECIBELS", "17:21", "sections[0].steps[0].torque.limit.plain.unit", "not a unit of TORQUE"},
		{"bounds the wrong way round", "lower: 24.4", "lower: 34.4", "15:22", "sections[0].steps[0].torque.limit.plain.lower", "over upper"},
		{"a bound that is no number", "lower: 24.4", "lower: .nan", "15:22", "sections[0].steps[0].torque.limit.plain.lower", ""},
		{"an infinite bound", "upper: 30", "upper: .inf", "16:22", "sections[0].steps[0].torque.limit.plain.upper", ""},
		{"beside a subject that is not there", "beside: before", "beside: during", "25:49", "sections[0].steps[1].photo.subjects[1].beside", "no subject"},
		{"a choice without a good answer", ", good: true", "", "35:11", "sections[1].steps[0].choice.options", "at least one answer must be good"},
		{"a step without a kind", "        choice:\n          options:\n            - {id: \"yes\", title: \"Yes\", good: true}\n            - {id: \"no\", title: \"No\"}\n", "", "31:9", "sections[1].steps[0]", "exactly one of confirm"},
		{"two kinds at once", "        choice:", "        confirm: {}\n        choice:", "36:11", "sections[1].steps[0].choice", "already set"},
		{"an acknowledgement outside a climb", "        choice:\n          options:\n            - {id: \"yes\", title: \"Yes\", good: true}\n            - {id: \"no\", title: \"No\"}\n", "        acknowledge: {}\n", "34:9", "sections[1].steps[0].acknowledge", "per CLIMB"},
		{"a text over the bound", "instruction: Tighten.", "instruction: " + strings.Repeat("x", procedure.MaxText+1), "11:22", "sections[0].steps[0].instruction", "at most 4000"},
		{"an unknown formula", "            plain:\n              lower: 24.4\n              upper: 30\n              unit: NEWTON_METERS\n", "            formula:\n              name: magic\n", "15:21", "sections[0].steps[0].torque.limit.formula.name", "not a formula"},
		{"a formula with an unknown parameter", "            plain:\n              lower: 24.4\n              upper: 30\n              unit: NEWTON_METERS\n", "            formula:\n              name: coupling_torque\n              parameters: {force: 3}\n", "16:35", `sections[0].steps[0].torque.limit.formula.parameters["force"]`, "no such parameter"},
		{"a formula of another quantity", "            plain:\n              lower: 24.4\n              upper: 30\n              unit: NEWTON_METERS\n", "            formula:\n              name: fibre_budget\n", "15:21", "sections[0].steps[0].torque.limit.formula.name", "does not give a limit of TORQUE"},
		{"a text of another language without a place", "sections:", "catalogues:\n  - language: es\n    texts:\n      section/one/title: Uno\n      section/three/title: Tres\nsections:", "8:28", `catalogues[0].texts["section/three/title"]`, "no text at this path"},
		{"a shared limit that is not there", "            plain:\n              lower: 24.4\n              upper: 30\n              unit: NEWTON_METERS\n              source: {standing: COMMON_PRACTICE}\n", "            shared: usual\n", "14:21", "sections[0].steps[0].torque.limit.shared", "no shared limit"},
		{"a rule of another quantity", "            plain:", "            decision: {rule: RESIDUAL}\n            plain:", "14:30", "sections[0].steps[0].torque.limit.decision.rule", "does not fit TORQUE"},
		{"a condition on what a section cannot have", "    requires: [one]", "    when: [{attribute: Interface, any_of: [LC]}]", "29:24", "sections[1].when[0].attribute", "lower-case"},
		{"a control character", "instruction: Tighten.", `instruction: "Tighten\x07"`, "11:22", "sections[0].steps[0].instruction", "control character"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if !strings.Contains(small, tc.old) {
				t.Fatalf("the test's own text %q is not in the document", tc.old)
			}
			doc := strings.Replace(small, tc.old, tc.new, 1)
			ps := problems(t, doc)
			for _, p := range ps {
				if fmt.Sprintf("%d:%d", p.Line, p.Column) == tc.at && p.Path == tc.path && strings.Contains(p.Message, tc.message) {
					return
				}
			}
			t.Errorf("problems:\n%v\nwant one at %s, path %q, with %q", ps, tc.at, tc.path, tc.message)
		})
	}
}

func TestWholeDocumentRefused(t *testing.T) {
	for _, tc := range []struct{ name, doc, message string }{
		{"empty", "", "empty"},
		{"a list", "- a\n", "mapping"},
		{"two documents", small + "---\nid: other\n", "second document"},
		{"no YAML", "id: [", "line"},
		{"too large", "description: " + strings.Repeat("x", procedure.MaxDocument), "at most 1048576"},
		{"nested without end", "id: " + strings.Repeat("[", 200) + strings.Repeat("]", 200), ""},
		{"an alias", "id: &a x\ntitle: *a\n", "aliases"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			ps := problems(t, tc.doc)
			if len(ps) == 0 || !strings.Contains(ps.Error(), tc.message) {
				t.Errorf("problems: %v; want one with %q", ps, tc.message)
			}
		})
	}
}

func TestEveryProblemIsReported(t *testing.T) {
	doc := strings.Replace(small, "id: small", "id: SMALL", 1)
	doc = strings.Replace(doc, "standing: COMMON_PRACTICE", "standing: FROM_MEMORY", 1)
	doc = strings.Replace(doc, "beside: before", "beside: during", 1)
	doc = strings.Replace(doc, "[one]", "[none]", 1)
	ps := problems(t, doc)
	if len(ps) != 4 {
		t.Fatalf("%d problems, want 4:\n%v", len(ps), ps)
	}
	for i := 1; i < len(ps); i++ {
		if ps[i].Line < ps[i-1].Line {
			t.Errorf("problems are not in the order of the document:\n%v", ps)
		}
	}
}

func TestCycle(t *testing.T) {
	doc := strings.Replace(small, "    steps:\n      - id: torque", "    requires: [two]\n    steps:\n      - id: torque", 1)
	ps := problems(t, doc)
	if len(ps) != 2 || !strings.Contains(ps[0].Message, "one requires two requires one") {
		t.Errorf("problems:\n%v\nwant 'one requires two requires one' and its twin", ps)
	}
}

func TestGateThatCouldNeverOpen(t *testing.T) {
	doc := strings.Replace(small, "        torque:\n          limit:\n            plain:\n              lower: 24.4\n              upper: 30\n              unit: NEWTON_METERS\n              source: {standing: COMMON_PRACTICE}\n",
		"        reading: {quantity: LENGTH, unit: METERS}\n", 1)
	ps := problems(t, doc)
	if len(ps) != 1 || !strings.Contains(ps[0].Message, "never opens a gate") {
		t.Errorf("problems:\n%v\nwant that a reading without a limit never opens a gate", ps)
	}
}

func TestStepBound(t *testing.T) {
	steps := func(n int) string {
		var b strings.Builder
		b.WriteString("id: many\ntitle: Many\nrevision: \"1\"\nsections:\n  - id: a\n    title: A\n    repeat: JOB\n    steps:\n")
		for i := range n {
			fmt.Fprintf(&b, "      - {id: s%d, title: S, instruction: Do., confirm: {}}\n", i)
		}
		return b.String()
	}
	if _, err := procedure.Parse("f", []byte(steps(500))); err != nil {
		t.Errorf("500 steps: %v; want none", err)
	}
	ps := problems(t, steps(501))
	if len(ps) != 1 || !strings.Contains(ps[0].Message, "501 steps; at most 500") {
		t.Errorf("501 steps: problems %v; want the bound of 500", ps)
	}
	text := func(n int) string {
		return strings.Replace(steps(1), "instruction: Do.", "instruction: "+strings.Repeat("é", n), 1)
	}
	if _, err := procedure.Parse("f", []byte(text(4000))); err != nil {
		t.Errorf("a text of 4,000 characters: %v; want none", err)
	}
	if _, err := procedure.Parse("f", []byte(text(4001))); err == nil {
		t.Error("a text of 4,001 characters was taken")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(small))
	f.Add(proceduretest.Document())
	f.Add([]byte("id: &a [*a]"))
	f.Add([]byte("? {a: b}\n: c"))
	f.Add([]byte("sections: [{steps: [{reading: {limit: {plain: {lower: 1e999}}}}]}]"))
	f.Fuzz(func(t *testing.T, doc []byte) {
		p, err := procedure.Parse("f", doc)
		if err == nil {
			if len(p.GetSections()) == 0 && len(p.GetInclude()) == 0 {
				t.Error("a procedure without sections was taken")
			}
			return
		}
		var ps procedure.Problems
		if !errors.As(err, &ps) || len(ps) == 0 {
			t.Fatalf("error is not Problems: %v", err)
		}
		for _, p := range ps {
			if p.Message == "" || p.Line < 0 {
				t.Errorf("problem without message or place: %+v", p)
			}
		}
	})
}
