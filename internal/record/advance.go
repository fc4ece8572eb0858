package record

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Advance applies the next line, whose assessment holds the pinned facts only,
// and returns the whole assessment: verdict, sentence, limit, working, warnings,
// steps that changed, holds that began or ended. The line then carries it.
//
// The verifier calls it again with the same pinned facts and compares.
// Errors as Apply.
func (j *Job) Advance(l *Line) (*recordv1.Assessment, error) {
	pinned := l.Assessment.GetPinned()
	if pinned == nil {
		pinned = &recordv1.Assessment_Pinned{}
	}
	pinned.Rules = rulesVersions()
	l.Assessment = &recordv1.Assessment{Pinned: pinned, Findings: l.Assessment.GetFindings()}
	j.touched = j.touched[:0]
	j.tracking = true
	defer func() { j.tracking = false }()
	gates := j.gatesBy(l.Entry)
	before := j.holdsAmong(gates, l.Received)
	if err := j.Apply(l); err != nil {
		return nil, err
	}
	a := l.Assessment
	it := j.items[len(j.items)-1]
	seen := map[*stepRec]bool{}
	for _, t := range j.touched { // the first says how the step stood before
		if seen[t.step] || t.step.def == nil {
			continue
		}
		seen[t.step] = true
		if now := j.eval(t.step).state; now != t.was {
			a.Steps = append(a.Steps, &recordv1.Assessment_StepChange{Step: t.step.id, State: now})
		}
	}
	slices.SortFunc(a.Steps, func(x, y *recordv1.Assessment_StepChange) int { return strings.Compare(x.Step, y.Step) })
	if it.step != nil && it.step.last != nil && kindFits(it.step.last.Def, l.Entry) {
		g := j.judge(it.step, it)
		a.Verdict, a.Sentence, a.Advice, a.Limit, a.Working = g.verdict, g.sentence, g.advice, g.limit, g.working
		a.Warnings = append(a.Warnings, g.warnings...)
		if g.pinned != nil && g.pinned != pinned { // the kit check that the fold knows
			a.Pinned = proto.Clone(g.pinned).(*recordv1.Assessment_Pinned)
		}
	}
	for _, x := range j.entryExceptions(it) {
		a.Warnings = append(a.Warnings, &recordv1.Assessment_Warning{Code: x.kind, Sentence: x.sentence})
	}
	if l.Entry.GetFinished() != nil && j.finish != it {
		a.Sentence = fmt.Sprintf("Kept, without effect: %d step(s) are still open. Declare it again when they are done.", j.missing)
	}
	if after := j.gatesBy(l.Entry); len(after.steps) > len(gates.steps) {
		gates = after // the line itself gave the steps
	}
	a.Holds = j.holdChanges(before, j.holdsAmong(gates, l.Received), l.Received)
	return a, nil
}

// touch is a step and how it stood before a line.
type touch struct {
	step *stepRec
	was  recordv1.StepState
}

// gateSet says which holds an entry can begin or end.
type gateSet struct {
	all, climbs bool
	steps       []*stepRec // those whose section is a gate or has gates
}

// gatesBy says which holds an entry can begin or end.
func (j *Job) gatesBy(e *recordv1.Entry) gateSet {
	var g gateSet
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ClimbOpened, *recordv1.Entry_ClimbClosed, *recordv1.Entry_CrewChanged, *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed,
		*recordv1.Entry_QualificationEnded:
		g.climbs = true
		for _, s := range j.ackSteps[""] {
			g.add(j, s)
		}
	case *recordv1.Entry_PlanRevised, *recordv1.Entry_KitChecked, *recordv1.Entry_KitCheckKnown, *recordv1.Entry_KitInDoubt, *recordv1.Entry_CalibrationChanged,
		*recordv1.Entry_Assessed, *recordv1.Entry_RefusedAdmitted:
		g.all = true
	case *recordv1.Entry_Withdrawn:
		if t := j.byID[k.Withdrawn.GetEntry()]; t != nil && t.Entry.GetWithdrawn() == nil {
			return j.gatesBy(t.Entry)
		}
	case *recordv1.Entry_AcknowledgementConfirmed:
		if t := j.byID[k.AcknowledgementConfirmed.GetEntry()]; t != nil {
			g.add(j, t.step)
		}
	case *recordv1.Entry_PhotoReceived:
		for _, t := range j.photoOf[digest(k.PhotoReceived.GetDigest())] {
			g.add(j, t.step)
		}
	case *recordv1.Entry_PhotoExamined:
		for _, t := range j.photoOf[digest(k.PhotoExamined.GetDigest())] {
			g.add(j, t.step)
		}
	case *recordv1.Entry_TraceReceived:
		if t := j.byID[k.TraceReceived.GetEntry()]; t != nil {
			g.add(j, t.step)
		}
	case *recordv1.Entry_ReturnedForRework:
		for _, id := range k.ReturnedForRework.GetSteps() {
			g.add(j, j.steps[id])
		}
	}
	g.add(j, j.steps[e.GetStep()])
	return g
}

func (g *gateSet) add(j *Job, s *stepRec) {
	if s == nil || s.def == nil || slices.Contains(g.steps, s) {
		return
	}
	if j.gateSections[s.def.Section.GetId()] || len(s.def.Section.GetRequires()) > 0 || s.def.Def.GetReading().GetNeedsKitCheck() {
		g.steps = append(g.steps, s)
	}
}

// holdsAmong lists the holds at t that a set can begin or end.
func (j *Job) holdsAmong(g gateSet, t time.Time) []Hold {
	switch {
	case j.exp == nil || (!g.all && !g.climbs && len(g.steps) == 0):
		return nil
	case g.all:
		return j.holds(t)
	}
	var out []Hold
	climbs := g.climbs
	gates := map[string]bool{}
	kit := false
	for _, s := range g.steps {
		climbs = climbs || s.def.Scope == recordv1.Section_CLIMB
		kit = kit || s.def.Def.GetReading().GetNeedsKitCheck()
		gates[s.def.SectionInstance] = j.gateSections[s.def.Section.GetId()]
		for _, gate := range j.gatesOf[s.def.SectionInstance] {
			gates[gate] = true
		}
	}
	if climbs {
		out = j.climbHolds(t)
	}
	for _, gate := range slices.Sorted(maps.Keys(gates)) {
		if gates[gate] && climbOfStep(gate) == "" && j.isNeeded(gate) {
			if h, ok := j.gateHold(gate, "", t); ok {
				out = append(out, h)
			}
		}
	}
	if h, ok := j.kitHold(t); ok && kit {
		out = append(out, h)
	}
	return out
}

// isNeeded says whether a step that is not done requires a gate of no climb.
func (j *Job) isNeeded(gate string) bool {
	return slices.ContainsFunc(j.needers[gate], func(instance string) bool { return j.openIn[instance] > 0 })
}

func (j *Job) holdChanges(before, after []Hold, t time.Time) []*recordv1.Assessment_HoldChange {
	was := map[string]bool{}
	for _, h := range before {
		was[h.Gate] = true
	}
	var out []*recordv1.Assessment_HoldChange
	is := map[string]bool{}
	for _, h := range after {
		is[h.Gate] = true
		if !was[h.Gate] {
			out = append(out, &recordv1.Assessment_HoldChange{Gate: h.Gate, Began: true, Sentence: h.Sentence})
		}
	}
	for _, h := range before {
		if is[h.Gate] {
			continue
		}
		sentence := h.Title + ": condition met as entered."
		switch c := j.climbs[h.Climb]; {
		case h.Gate == "work-stopped":
			sentence = "Work resumed, as entered."
		case c != nil && j.closedBy(c) != nil:
			sentence = h.Title + ": the climb is closed; what was not met then stays an exception."
		case h.Gate != "kit" && !strings.HasPrefix(h.Gate, "qualification:") && !j.metAt(h.Gate, t):
			sentence = h.Title + ": nothing that is still open asks for it."
		}
		out = append(out, &recordv1.Assessment_HoldChange{Gate: h.Gate, Sentence: sentence})
	}
	return out
}
