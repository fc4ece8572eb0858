package record

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// A gate is a section that others require. Its timeline says when it was met.
// An entry is never refused because of a gate: it is kept, with an exception.

// span is a half-open time during which a gate was met; a zero end is open.
type span struct{ from, to time.Time }

// gateTimeline is when a gate was met, in order.
type gateTimeline struct {
	met []span
	why string // what is lacking after the last event, in words
}

// holdsAt says whether the gate was met at t.
func (g *gateTimeline) holdsAt(t time.Time) bool {
	for i := len(g.met) - 1; i >= 0; i-- {
		s := g.met[i]
		if !t.Before(s.from) {
			return s.to.IsZero() || t.Before(s.to)
		}
	}
	return false
}

// gate returns the timeline of a gate's instance, from the cache if current.
func (j *Job) gate(instance string) *gateTimeline {
	if j.gatesFor != j.gateEpoch {
		clear(j.gates)
		j.gatesFor = j.gateEpoch
	}
	if g := j.gates[instance]; g != nil {
		return g
	}
	g := j.makeTimeline(instance)
	j.gates[instance] = g
	return g
}

// makeTimeline evaluates a gate at each moment at which it may change.
func (j *Job) makeTimeline(instance string) *gateTimeline {
	steps := j.exp.Section(instance)
	g := &gateTimeline{}
	if len(steps) == 0 {
		g.why = "This part of the procedure has not begun."
		return g
	}
	var moments []time.Time
	for _, d := range steps {
		s := j.steps[d.ID]
		for _, it := range s.items {
			moments = append(moments, it.time)
			if gd := j.judge(s, it); !gd.until.IsZero() {
				moments = append(moments, gd.until)
			}
			for _, c := range j.confirmed[it.Entry.GetId()] {
				moments = append(moments, c.time)
			}
		}
		for _, b := range s.backs {
			moments = append(moments, b.time)
		}
		if d.Def.GetAcknowledge() != nil {
			for _, c := range j.climbs {
				for _, it := range c.crews {
					moments = append(moments, it.time)
				}
			}
		}
		if d.Def.GetKitCheck() != nil {
			for _, k := range j.kits {
				moments = append(moments, k.time, k.until)
			}
		}
	}
	slices.SortFunc(moments, time.Time.Compare)
	moments = slices.CompactFunc(moments, time.Time.Equal)
	open := false
	for _, t := range moments {
		ok, why := j.sectionGood(steps, t)
		switch {
		case ok && !open:
			g.met = append(g.met, span{from: t})
		case !ok && open:
			g.met[len(g.met)-1].to = t
		}
		open, g.why = ok, why
	}
	if len(moments) == 0 {
		_, g.why = j.sectionGood(steps, time.Time{}.Add(1))
	}
	return g
}

// sectionGood says whether every required step of a gate counts at t. Only a
// pass, an allowed confirmation or an acknowledgement counts: 'not proven', 'no
// limit' and a deviation do not.
func (j *Job) sectionGood(steps []*procedure.Step, t time.Time) (bool, string) {
	for _, d := range steps {
		if !d.Required {
			continue
		}
		if ok, why := j.stepGood(j.steps[d.ID], t); !ok {
			return false, d.Def.GetTitle() + ": " + why
		}
	}
	return true, ""
}

func (j *Job) stepGood(s *stepRec, t time.Time) (bool, string) {
	if s.def.Def.GetKitCheck() != nil {
		for i := len(j.kits) - 1; i >= 0; i-- {
			k := j.kits[i]
			if k.time.After(t) || j.isWithdrawn(k.it) != nil {
				continue
			}
			if !t.Before(k.until) {
				return false, "the check of the kit has ended."
			}
			if k.state == recordv1.KitState_NOT_FIT {
				return false, "the kit is not fit for use."
			}
			return true, ""
		}
		return false, "the kit has not been checked today."
	}
	o := j.evalItems(s, s.items, t)
	switch o.state {
	case recordv1.StepState_COMPLETE, recordv1.StepState_NOT_NEEDED:
	default:
		if o.sentence == "" {
			return false, "not entered yet."
		}
		return false, o.sentence
	}
	for _, it := range o.deciding {
		if s.def.Def.GetAcknowledge() != nil || s.def.Def.GetPhoto() != nil {
			continue
		}
		g := j.judge(s, it)
		if !g.proven {
			return false, "within limits, but not proven; a gate needs a proven pass."
		}
		if !g.until.IsZero() && !t.Before(g.until) {
			return false, fmt.Sprintf("the last entry held until %s.", g.until.In(j.zone).Format("15:04"))
		}
	}
	return true, ""
}

// requires lists the gates of a step's section for an entry that names climb.
func (j *Job) requires(def *procedure.Step, climb string) []string {
	return j.exp.Requires(def.SectionInstance, climb)
}

// crewAt returns who is on a climb at t; the zero t means now.
func (c *climb) crewAt(t time.Time) []string {
	var crew []string
	for _, it := range c.crews {
		if !t.IsZero() && it.time.After(t) && crew != nil {
			break
		}
		if o := it.Entry.GetClimbOpened(); o != nil {
			crew = o.GetCrew()
		} else {
			crew = it.Entry.GetCrewChanged().GetCrew()
		}
	}
	return crew
}

// crewFor returns who must answer a step for himself: the climb's crew; for a
// step of the job, everyone who is on any climb.
func (j *Job) crewFor(scope recordv1.Section_Repeat, id string, t time.Time) []string {
	if scope == recordv1.Section_CLIMB {
		if c := j.climbs[id]; c != nil {
			return c.crewAt(t)
		}
		return nil
	}
	var all []string
	for _, cid := range j.order {
		for _, p := range j.climbs[cid].crewAt(t) {
			if !slices.Contains(all, p) {
				all = append(all, p)
			}
		}
	}
	return all
}

// closedAt returns when everyone of a climb was down; zero while open.
func (j *Job) closedAt(c *climb) time.Time {
	down := map[string]bool{}
	for _, it := range c.closers {
		if j.isWithdrawn(it) != nil {
			continue
		}
		for _, p := range it.Entry.GetClimbClosed().GetDown() {
			down[p] = true
		}
		missing := false
		for _, p := range c.crewAt(it.time) {
			missing = missing || !down[p]
		}
		if !missing {
			return it.time
		}
	}
	return time.Time{}
}

// stoppedAt returns the stop that holds the work at t, or nil.
func (j *Job) stoppedAt(t time.Time) *item {
	var stop *item
	for _, it := range j.stops {
		if it.time.After(t) {
			break
		}
		if j.isWithdrawn(it) != nil {
			continue
		}
		if it.Entry.GetWorkStopped() != nil {
			stop = it
		} else if j.mayResume(it) {
			stop = nil
		}
	}
	return stop
}

// mayResume says whether a 'work resumed' is by a lead or a competent person.
func (j *Job) mayResume(it *item) bool {
	if isLead(it) {
		return true
	}
	return slices.ContainsFunc(it.Pinned().GetQualifications(), func(q string) bool {
		return holdsOn(q, "competent-person", it.time.In(j.zone).Format(time.DateOnly))
	})
}

// holdsOn reads a pinned qualification, "name" or "name until YYYY-MM-DD".
func holdsOn(pinned, name, day string) bool {
	n, until, dated := strings.Cut(pinned, " until ")
	return n == name && (!dated || day <= until)
}

// qualificationLacks lists who of a climb's crew lacks what a section asks for at t.
func (j *Job) qualificationLacks(c *climb, section *recordv1.Section, t time.Time) []string {
	if len(section.GetQualifications()) == 0 {
		return nil
	}
	day := t.In(j.zone).Format(time.DateOnly)
	pinned := map[string][]string{}
	for _, it := range c.crews {
		for _, m := range it.Pinned().GetCrew() {
			pinned[m.GetPerson()] = m.GetQualifications()
		}
	}
	var lacks []string
	for _, p := range c.crewAt(t) {
		for _, q := range section.GetQualifications() {
			ok := slices.ContainsFunc(pinned[p], func(s string) bool { return holdsOn(s, q, day) })
			for _, e := range j.ended[p] {
				x := e.Entry.GetQualificationEnded()
				if x.GetQualification() == q && day > x.GetUntil() && !e.time.After(t) {
					ok = false
				}
			}
			if !ok {
				lacks = append(lacks, p+" ("+q+")")
			}
		}
	}
	return lacks
}

// Hold is a gate that is not met.
type Hold struct {
	Gate     string // instance of a section, "qualification:<climb>/<section>" or "work-stopped"
	Climb    string
	Title    string
	Sentence string
	Since    time.Time // zero: from the start
}

// holds lists the holds that stand at t.
func (j *Job) holds(t time.Time) []Hold {
	if j.exp == nil {
		return nil
	}
	var out []Hold
	if stop := j.stoppedAt(t); stop != nil {
		s := "Work is stopped. A lead or a competent person resumes it."
		if r := stop.Entry.GetWorkStopped().GetReason(); r != "" {
			s = "Work is stopped: " + r + ". A lead or a competent person resumes it."
		}
		out = append(out, Hold{Gate: "work-stopped", Title: "Work stopped", Sentence: s, Since: stop.time})
	}
	seen := map[string]bool{}
	addGate := func(gate, climb string) {
		if seen[gate] {
			return
		}
		seen[gate] = true
		g := j.gate(gate)
		if g.holdsAt(t) {
			return
		}
		h := Hold{Gate: gate, Climb: climb, Title: j.sectionTitle(gate), Sentence: g.whyAt(j, gate, t)}
		for _, s := range g.met {
			if !s.to.IsZero() && !s.to.After(t) {
				h.Since = s.to
			}
		}
		out = append(out, h)
	}
	for _, id := range j.order {
		c := j.climbs[id]
		if c.opened == nil {
			continue
		}
		if closed := j.closedAt(c); !closed.IsZero() && !t.Before(closed) {
			continue
		}
		for _, s := range j.compiled.Proc.GetSections() {
			if s.GetOnStructure() {
				for _, r := range s.GetRequires() {
					if rs := j.compiled.Section(r); rs.GetRepeat() == recordv1.Section_CLIMB {
						addGate("climb:"+id+"/"+r, id)
					}
				}
			}
			if s.GetOnStructure() || s.GetRepeat() == recordv1.Section_CLIMB {
				if lacks := j.qualificationLacks(c, s, t); len(lacks) > 0 {
					gate := "qualification:" + id + "/" + s.GetId()
					if !seen[gate] {
						seen[gate] = true
						out = append(out, Hold{Gate: gate, Climb: id, Title: "Qualification",
							Sentence: "Missing or ended: " + joinNames(lacks) + ". The office enters it, or the crew changes."})
					}
				}
			}
		}
	}
	// Gates that belong to no climb hold while what needs them is not done.
	needed := map[string]bool{}
	for _, d := range j.exp.Steps {
		if !d.Required || done(j.eval(j.steps[d.ID]).state) || len(d.Section.GetRequires()) == 0 {
			continue
		}
		for _, gate := range j.requires(d, "") {
			if !strings.HasPrefix(gate, "climb:") && !needed[gate] && len(j.exp.Section(gate)) > 0 {
				needed[gate] = true
				addGate(gate, "")
			}
		}
	}
	return out
}

// whyAt says what is lacking at t.
func (g *gateTimeline) whyAt(j *Job, gate string, t time.Time) string {
	steps := j.exp.Section(gate)
	if len(steps) == 0 {
		return g.why
	}
	_, why := j.sectionGood(steps, t)
	return why
}

// sectionTitle returns the title of a section instance.
func (j *Job) sectionTitle(instance string) string {
	id := instance[strings.LastIndexByte(instance, '/')+1:]
	if s := j.compiled.Section(id); s != nil {
		return s.GetTitle()
	}
	return instance
}
