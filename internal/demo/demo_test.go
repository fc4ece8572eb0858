package demo

import (
	"bytes"
	"image/jpeg"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/touchstone"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

func TestClockStandsInThePastAndNeverPassesNow(t *testing.T) {
	var c Clock
	past := time.Now().Add(-26 * time.Hour).Truncate(time.Millisecond)
	c.Set(past)
	if got := c.Now().Sub(past); got < 0 || got > time.Minute {
		t.Errorf("Set(%v), Now() = %v", past, c.Now())
	}
	before := c.Now()
	c.Advance(time.Hour)
	if got := c.Now().Sub(before); got < time.Hour || got > time.Hour+time.Minute {
		t.Errorf("Advance(1h) moved it by %v", got)
	}
	c.Advance(1000 * time.Hour)
	if late := time.Since(c.Now()); late < 0 || late > time.Second {
		t.Errorf("advanced past the present: %v behind", late)
	}
}

// TestSweepIsATrace reads the drawn sweep with the program's own reader, whose
// oracle is the Touchstone specification (touchstone_test.go there), and wants
// the reflection that the drawing's two parts add up to at most.
func TestSweepIsATrace(t *testing.T) {
	f, err := touchstone.Read(bytes.NewReader(Trace(coax("A1", "A1", 42))))
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for _, g := range f.Trace.Gamma {
		worst = math.Max(worst, math.Hypot(real(g), imag(g)))
	}
	if len(f.Trace.Gamma) != 401 || worst > 0.11 || worst < 0.07 {
		t.Errorf("%d points, worst reflection %v; want 401 and 0.07 to 0.07+0.04", len(f.Trace.Gamma), worst)
	}
}

// TestEveryShippedStepIsAnswered answers each step of each shipped procedure and
// wants values that read as typed and lie inside their limits.
func TestEveryShippedStepIsAnswered(t *testing.T) {
	list := kit("2099-12-31", "2020-01-31", "2026-01-01")
	for id, plan := range map[string]*recordv1.Plan{"antenna-line": coaxPlan("A", 1), "fibre-trunk": fibrePlan("T1"), "tower-day": {}} {
		doc, err := procedure.ShippedDocument(id)
		if err != nil {
			t.Fatal(err)
		}
		c, err := procedure.Compile(doc)
		if err != nil {
			t.Fatal(err)
		}
		const climb = "01a20cc8-8f30-738f-8f70-19b156f16851"
		exp, err := c.Expand(plan, []string{climb})
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range exp.Steps {
			s := Step{View: &witnessmarkv1.StepView{Id: d.ID, Limit: applied(d.Limit)}, Def: d.Def, Section: d.Section, Line: d.Line, Connection: d.Connection}
			picture := func(Step, *recordv1.PhotoStep_Subject, int) []byte { return []byte("a picture") }
			answers, err := Answers(s, "people/ada", kitOf(list), picture)
			if err != nil || len(answers) == 0 {
				t.Errorf("%s: %d answers, %v", d.ID, len(answers), err)
			}
			for _, a := range answers {
				r := a.Entry.GetReadingTaken()
				if r == nil {
					continue
				}
				if err := limits.CheckTyped(r.GetTyped(), r.GetValue(), r.GetUnit()); err != nil {
					t.Errorf("%s: %v", d.ID, err)
				}
				pin := &recordv1.Assessment_Pinned{KitState: "FIT", Residual: proto.Float64(-171.8), ToolCalibratedUntil: "2099-12-31"}
				j := limits.JudgeReading(d.Def.GetReading().GetQuantity(), r, false, *d.Limit, pin, time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))
				if j.Verdict != recordv1.Verdict_PASS && j.Verdict != recordv1.Verdict_RECORDED {
					t.Errorf("%s: %s %s gives %s: %s; want a pass", d.ID, r.GetTyped(), r.GetUnit(), j.Verdict, j.Sentence)
				}
				if len(j.Warnings) > 0 {
					t.Errorf("%s: %s %s is asked about: %v", d.ID, r.GetTyped(), r.GetUnit(), j.Warnings)
				}
			}
		}
	}
}

func applied(l *limits.Resolved) *recordv1.Assessment_AppliedLimit {
	if l == nil {
		return nil
	}
	return limits.Applied(*l)
}

func TestEndFacesArePictures(t *testing.T) {
	for _, own := range []bool{true, false} {
		m, err := jpeg.Decode(bytes.NewReader(endFace(7, scratched, own)))
		if err != nil || m.Bounds().Dx() < 900 {
			t.Errorf("endFace(own %v): %v, %v; want a picture at least 900 wide", own, m, err)
		}
	}
}
