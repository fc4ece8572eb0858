package record

import (
	"fmt"

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
	gates := j.mayChangeGates(l.Entry)
	var before []Hold
	if gates && j.exp != nil {
		before = j.holds(l.Received)
	}
	j.touched = j.touched[:0]
	j.tracking = true
	err := j.Apply(l)
	j.tracking = false
	if err != nil {
		return nil, err
	}
	a := l.Assessment
	it := j.items[len(j.items)-1]
	seen := map[*stepRec]bool{}
	for _, t := range j.touched {
		if seen[t.step] || t.step.def == nil {
			continue
		}
		seen[t.step] = true
		if now := j.eval(t.step).state; now != t.was {
			a.Steps = append(a.Steps, &recordv1.Assessment_StepChange{Step: t.step.id, State: now})
		}
	}
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
	if gates && j.exp != nil {
		a.Holds = holdChanges(before, j.holds(l.Received))
	}
	return a, nil
}

// touch is a step and how it stood before a line.
type touch struct {
	step *stepRec
	was  recordv1.StepState
}

// mayChangeGates says whether an entry can begin or end a hold.
func (j *Job) mayChangeGates(e *recordv1.Entry) bool {
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ClimbOpened, *recordv1.Entry_ClimbClosed, *recordv1.Entry_CrewChanged, *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed,
		*recordv1.Entry_KitChecked, *recordv1.Entry_KitCheckKnown, *recordv1.Entry_QualificationEnded, *recordv1.Entry_AcknowledgementConfirmed,
		*recordv1.Entry_PlanRevised, *recordv1.Entry_ReturnedForRework, *recordv1.Entry_Acknowledged:
		return true
	case *recordv1.Entry_Withdrawn:
		if t := j.byID[k.Withdrawn.GetEntry()]; t != nil {
			return t.Entry.GetStep() == "" || j.isGateStep(t.Entry.GetStep())
		}
		return false
	}
	return j.isGateStep(e.GetStep())
}

func (j *Job) isGateStep(id string) bool {
	s := j.steps[id]
	return s != nil && s.last != nil && j.gateSections[s.last.Section.GetId()]
}

func holdChanges(before, after []Hold) []*recordv1.Assessment_HoldChange {
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
		if !is[h.Gate] {
			out = append(out, &recordv1.Assessment_HoldChange{Gate: h.Gate, Sentence: h.Title + ": condition met as entered."})
		}
	}
	return out
}
