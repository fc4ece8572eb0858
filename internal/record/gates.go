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

// metAt says whether a gate is met at t, without making its whole timeline.
func (j *Job) metAt(instance string, t time.Time) bool {
	if j.gatesFor == j.gateEpoch {
		if g := j.gates[instance]; g != nil {
			return g.holdsAt(t)
		}
	}
	steps := j.section(instance)
	if len(steps) == 0 {
		return j.leftOut(instance)
	}
	ok, _ := j.sectionGood(steps, t)
	return ok
}

// leftOut says that a climb is open and the procedure's conditions leave this
// section out: what has no step is no gate.
func (j *Job) leftOut(instance string) bool {
	c := j.climbs[climbOfStep(instance)]
	return c != nil && c.exp != nil
}

// makeTimeline evaluates a gate at each moment at which it may change.
func (j *Job) makeTimeline(instance string) *gateTimeline {
	steps := j.section(instance)
	g := &gateTimeline{}
	if len(steps) == 0 {
		if j.leftOut(instance) {
			g.met = []span{{}}
		}
		return g
	}
	var moments []time.Time
	for _, d := range steps {
		s := j.steps[d.ID]
		for _, it := range s.items {
			moments = append(moments, it.time)
			gd := j.judge(s, it)
			for _, t := range []time.Time{gd.until, gd.from} {
				if !t.IsZero() {
					moments = append(moments, t)
				}
			}
		}
		for _, b := range s.backs {
			moments = append(moments, b.time)
		}
		if d.Def.GetAcknowledge() != nil {
			for id, c := range j.climbs {
				if d.Scope == recordv1.Section_CLIMB && id != d.ScopeID {
					continue
				}
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
		ok, _ := j.sectionGood(steps, t)
		switch {
		case ok && !open:
			g.met = append(g.met, span{from: t})
		case !ok && open:
			g.met[len(g.met)-1].to = t
		}
		open = ok
	}
	if len(moments) == 0 { // a section without a required step is met from the start
		if ok, _ := j.sectionGood(steps, time.Time{}.Add(1)); ok {
			g.met = []span{{}}
		}
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
		for n := j.lastKit(j.kits, t); n >= 0; n-- {
			k := j.kits[n]
			if !j.usable(k) || !(k.it.step == s || standsFor(k, s.def)) {
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
	if s.def.Def.GetPhoto() != nil {
		return true, ""
	}
	for _, it := range o.deciding {
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

// crewAt returns who is on a climb at t; the zero t means now. Before the climb
// is opened nobody is.
func (j *Job) crewAt(c *climb, t time.Time) []string {
	n := len(c.crews)
	if !t.IsZero() {
		n = upTo(c.crews, t)
	}
	for n--; n >= 0; n-- {
		it := c.crews[n]
		if o := it.Entry.GetClimbOpened(); o != nil {
			return o.GetCrew()
		}
		if j.isWithdrawn(it) == nil && c.opened != nil && c.opened.before(it) {
			return it.Entry.GetCrewChanged().GetCrew()
		}
	}
	return nil
}

// crewFor returns who must answer a step for himself: the climb's crew; for a
// step of the job, everyone who is on any climb.
func (j *Job) crewFor(scope recordv1.Section_Repeat, id string, t time.Time) []string {
	if scope == recordv1.Section_CLIMB {
		if c := j.climbs[id]; c != nil {
			return j.crewAt(c, t)
		}
		return nil
	}
	var all []string
	for _, cid := range j.order {
		for _, p := range j.crewAt(j.climbs[cid], t) {
			if !slices.Contains(all, p) {
				all = append(all, p)
			}
		}
	}
	return all
}

// closedBy returns the entry by which everyone of a climb was down; nil while
// it is open.
func (j *Job) closedBy(c *climb) *item {
	if c.closerOf == j.gateEpoch {
		return c.closer
	}
	c.closer, c.closerOf = nil, j.gateEpoch
	down := map[string]bool{}
	for _, it := range c.closers {
		if j.isWithdrawn(it) != nil {
			continue
		}
		for _, p := range it.Entry.GetClimbClosed().GetDown() {
			down[p] = true
		}
		if !slices.ContainsFunc(j.crewAt(c, it.time), func(p string) bool { return !down[p] }) {
			c.closer = it
			break
		}
	}
	return c.closer
}

// closedAt returns when everyone of a climb was down; zero while open.
func (j *Job) closedAt(c *climb) time.Time {
	if it := j.closedBy(c); it != nil {
		return it.time
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
	var lacks []string
	for _, p := range j.crewAt(c, t) {
		pin, held := j.qualificationsOf(c, p, t)
		for _, q := range section.GetQualifications() {
			ok := slices.ContainsFunc(held, func(s string) bool { return holdsOn(s, q, day) })
			for _, e := range j.ended[p] {
				// What was pinned afterwards knows of the end already.
				x := e.Entry.GetQualificationEnded()
				if x.GetQualification() == q && day > x.GetUntil() && e.Seq > pin {
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

// qualificationsOf returns what a crew member held as the newest line up to t
// pinned it, and that line's number; from a later line where none did before.
func (j *Job) qualificationsOf(c *climb, person string, t time.Time) (seq int64, held []string) {
	n := upTo(c.crews, t)
	find := func(it *item) bool {
		for _, m := range it.Pinned().GetCrew() {
			if m.GetPerson() == person {
				seq, held = it.Seq, m.GetQualifications()
				return true
			}
		}
		return false
	}
	for _, it := range slices.Backward(c.crews[:n]) {
		if find(it) {
			return seq, held
		}
	}
	for _, it := range c.crews[n:] {
		if find(it) {
			return seq, held
		}
	}
	return 0, nil
}

// Hold is a gate that is not met.
type Hold struct {
	Gate     string // instance of a section, "qualification:<climb>/<section>", "kit" or "work-stopped"
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
	out := j.climbHolds(t)
	seen := map[string]bool{}
	kit := false
	for _, instance := range j.needing {
		if j.openIn[instance] == 0 {
			continue
		}
		for _, gate := range j.gatesOf[instance] {
			if seen[gate] {
				continue
			}
			seen[gate] = true
			if h, ok := j.gateHold(gate, "", t); ok {
				out = append(out, h)
				kit = kit || slices.ContainsFunc(j.section(gate), func(d *procedure.Step) bool { return d.Def.GetKitCheck() != nil })
			}
		}
	}
	if h, ok := j.kitHold(t); ok && !kit {
		out = append(out, h)
	}
	return out
}

// climbHolds lists the holds of the climbs that are open at t, and a stop.
func (j *Job) climbHolds(t time.Time) []Hold {
	var out []Hold
	if stop := j.stoppedAt(t); stop != nil {
		s := "Work is stopped. A lead or a competent person resumes it."
		if r := stop.Entry.GetWorkStopped().GetReason(); r != "" {
			s = "Work is stopped: " + r + ". A lead or a competent person resumes it."
		}
		out = append(out, Hold{Gate: "work-stopped", Title: "Work stopped", Sentence: s, Since: stop.time})
	}
	for _, id := range j.order {
		c := j.climbs[id]
		if c.opened == nil || t.Before(c.opened.time) {
			continue
		}
		if closed := j.closedAt(c); !closed.IsZero() && !t.Before(closed) {
			continue
		}
		for _, s := range j.climbGates {
			if h, ok := j.gateHold("climb:"+id+"/"+s.GetId(), id, t); ok {
				out = append(out, h)
			}
		}
		for _, s := range j.compiled.Proc.GetSections() {
			if s.GetOnStructure() || s.GetRepeat() == recordv1.Section_CLIMB {
				if lacks := j.qualificationLacks(c, s, t); len(lacks) > 0 {
					out = append(out, Hold{Gate: "qualification:" + id + "/" + s.GetId(), Climb: id, Title: "Qualification",
						Sentence: "Missing or ended: " + joinNames(lacks) + ". The office enters it, or the crew changes."})
				}
			}
		}
	}
	return out
}

// gateHold returns the hold of a gate that is not met at t.
func (j *Job) gateHold(gate, climb string, t time.Time) (Hold, bool) {
	if j.metAt(gate, t) {
		return Hold{}, false
	}
	h := Hold{Gate: gate, Climb: climb, Title: j.sectionTitle(gate), Sentence: "This part of the procedure has not begun."}
	if steps := j.section(gate); len(steps) > 0 {
		_, h.Sentence = j.sectionGood(steps, t)
	}
	if !j.tracking { // nobody asks while a line is applied
		for _, s := range j.gate(gate).met {
			if !s.to.IsZero() && !s.to.After(t) {
				h.Since = s.to
			}
		}
	}
	return h, true
}

// kitHold returns the hold while readings are still asked for that need a kit's
// self-check, and none is good at t or good enough for their limits.
func (j *Job) kitHold(t time.Time) (Hold, bool) {
	h := Hold{Gate: "kit", Title: "Test kit"}
	n := j.lastKit(j.kits, t)
	var k *kitCheck
	if n >= 0 {
		k = j.kits[n]
	}
	for _, s := range j.kitReadings {
		if !s.def.Required || done(j.eval(s).state) {
			continue
		}
		l := s.def.Limit
		switch {
		case k == nil:
			h.Sentence = "No self-check of the test kit is known. Check the kit; readings are kept and do not count before."
		case !t.Before(k.until):
			h.Sentence, h.Since = "The self-check of the test kit held until "+k.until.In(j.zone).Format("15:04")+". Check the kit again.", k.until
		case k.state == recordv1.KitState_NOT_FIT:
			h.Sentence, h.Since = "The test kit is not fit for use. Put it right and check it again.", k.time
		case k.residual != nil && l != nil && l.Upper != nil && l.Unit == recordv1.Measure_DECIBELS_CARRIER && *l.Upper-*k.residual < kitMargin:
			h.Sentence, h.Since = "The kit's residual is less than 10 dB under the limit of "+s.id+": the kit is not fit for that limit.", k.time
		default:
			continue
		}
		return h, true
	}
	return Hold{}, false
}

// kitMargin is how far in dB a kit's residual lies under a limit that the kit is
// fit for: the settled rule of the record.
const kitMargin = 10.0

// sectionTitle returns the title of a section instance.
func (j *Job) sectionTitle(instance string) string {
	id := instance[strings.LastIndexByte(instance, '/')+1:]
	if s := j.compiled.Section(id); s != nil {
		return s.GetTitle()
	}
	return instance
}
