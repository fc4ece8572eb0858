package record

import (
	"fmt"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // zones mean the same on every machine

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Status is how a job stands.
type Status string

// The statuses.
const (
	StatusOpen     Status = "open"
	StatusFinished Status = "finished"
	StatusLocked   Status = "locked"
	StatusEnded    Status = "ended"
)

// Status returns how the job stands after the lines applied.
func (j *Job) Status() Status {
	switch {
	case j.lockedLine != nil && j.lockedLine.Entry.GetLocked().GetUnfinished():
		return StatusEnded
	case j.lockedLine != nil:
		return StatusLocked
	case j.finish != nil:
		return StatusFinished
	}
	return StatusOpen
}

// State is everything about a job at one moment.
type State struct {
	AsOf       time.Time
	Status     Status
	Steps      []StepStatus
	Dropped    []StepStatus // with entries, and no longer in the plan
	Holds      []Hold
	Exceptions []Exception
	Doubts     []Doubt
	Climbs     []Climb
	Kits       []KitState
	Photos     []Photo
	Counts     Counts
	Stopped    bool
}

// Climb is one climb.
type Climb struct {
	ID             string
	Crew           []string
	Opened, Closed time.Time // zero: not
}

// Counts of steps.
type Counts struct{ All, Required, Done, Open, OutOfLimits, Waiting int }

// StepStatus is how one step stands.
type StepStatus struct {
	Step      *procedure.Step
	State     recordv1.StepState
	Verdict   recordv1.Verdict
	Sentence  string
	Advice    string
	Limit     *recordv1.Assessment_AppliedLimit
	Working   *recordv1.Assessment_Working
	Entries   []EntryStatus
	Deviation *Line
}

// EntryStatus is one entry of a step.
type EntryStatus struct {
	Line      *Line
	Time      time.Time // corrected
	Verdict   recordv1.Verdict
	Sentence  string
	Withdrawn bool
	Counts    bool
}

// Photo is a photo that an entry names.
type Photo struct {
	Digest   [32]byte
	Step     string
	Subject  string
	Entry    string
	Received bool
	Examined *recordv1.PhotoExamined // nil: not yet
	Derived  bool
}

// AsOf returns the moment at which a job is to be looked at: now, or after the
// lock the locked line's receipt.
func (j *Job) AsOf(now time.Time) time.Time {
	if j.lockedLine != nil {
		return j.lockedLine.Received
	}
	return now
}

// State computes the whole picture at a moment. After the lock the moment is
// the locked line's receipt, whatever is asked.
func (j *Job) State(now time.Time, out Outside) *State {
	t := j.AsOf(now)
	st := &State{AsOf: t, Status: j.Status()}
	for _, s := range j.stepsSorted() {
		if s.last == nil {
			continue
		}
		ss := j.stepStatus(s)
		if s.def == nil {
			if len(s.items) > 0 {
				st.Dropped = append(st.Dropped, ss)
			}
			continue
		}
		st.Steps = append(st.Steps, ss)
		st.Counts.All++
		if s.def.Required {
			st.Counts.Required++
			switch {
			case done(ss.State):
				st.Counts.Done++
			case ss.State == recordv1.StepState_OUT_OF_LIMITS:
				st.Counts.OutOfLimits++
			case ss.State == recordv1.StepState_WAITING:
				st.Counts.Waiting++
			default:
				st.Counts.Open++
			}
		}
	}
	st.Holds = j.holds(t)
	st.Exceptions = j.exceptions(out)
	st.Doubts = j.doubts()
	for _, id := range j.order {
		c := j.climbs[id]
		if c.opened == nil {
			continue
		}
		st.Climbs = append(st.Climbs, Climb{ID: id, Crew: j.crewAt(c, time.Time{}), Opened: c.opened.time, Closed: j.closedAt(c)})
	}
	st.Kits = j.KitChecks()
	st.Photos = j.Photos()
	st.Stopped = j.stoppedAt(t) != nil
	return st
}

func (j *Job) stepStatus(s *stepRec) StepStatus {
	o := j.eval(s)
	def := s.def
	if def == nil {
		def = s.last
	}
	ss := StepStatus{Step: def, State: o.state, Verdict: o.verdict, Sentence: o.sentence, Advice: o.advice, Limit: o.limit, Working: o.working}
	if ss.Limit == nil && def.Limit != nil && !def.Limit.None {
		ss.Limit = limits.Applied(*def.Limit)
	}
	if o.deviation != nil {
		ss.Deviation = o.deviation.Line
	}
	all := s.items
	if len(s.asked)+len(s.devs) > 0 {
		all = slices.Concat(s.items, s.asked, s.devs)
		slices.SortFunc(all, compareItems)
	}
	counting := setOf(o.deciding)
	for _, it := range all {
		es := EntryStatus{Line: it.Line, Time: it.time, Withdrawn: j.isWithdrawn(it) != nil, Counts: counting[it]}
		if kindFits(def.Def, it.Entry) {
			g := j.judge(s, it)
			es.Verdict, es.Sentence = g.verdict, g.sentence
		}
		ss.Entries = append(ss.Entries, es)
	}
	return ss
}

func setOf(items []*item) map[*item]bool {
	if len(items) == 0 {
		return nil
	}
	m := make(map[*item]bool, len(items))
	for _, it := range items {
		m[it] = true
	}
	return m
}

// StepStatus returns how one step stands; false if the job has no such step.
func (j *Job) StepStatus(id string) (StepStatus, bool) {
	s := j.steps[id]
	if s == nil || s.last == nil {
		return StepStatus{}, false
	}
	return j.stepStatus(s), true
}

// Requires lists the gates of a step for an entry that names climb.
func (j *Job) Requires(d *procedure.Step, climb string) []string { return j.requires(d, climb) }

// Photos lists the photos that entries name, in the order of the lines.
func (j *Job) Photos() []Photo {
	var out []Photo
	for _, it := range j.entries {
		p := it.Entry.GetPhotoAttached()
		if p == nil || j.isWithdrawn(it) != nil {
			continue
		}
		d := digest(p.GetDigest())
		ph := Photo{Digest: d, Step: it.Entry.GetStep(), Subject: p.GetSubject(), Entry: it.Entry.GetId(), Received: j.received[d] != nil, Derived: len(p.GetDerivedFrom()) > 0}
		if x := j.examined[d]; x != nil {
			ph.Examined = x.Entry.GetPhotoExamined()
		}
		out = append(out, ph)
	}
	return out
}

// Received lists the digests of the photos that the record says the server has,
// in the order of the lines.
func (j *Job) Received() []*recordv1.PhotoReceived {
	var out []*recordv1.PhotoReceived
	seen := map[[32]byte]bool{}
	for _, it := range j.entries {
		if p := it.Entry.GetPhotoReceived(); p != nil && !seen[digest(p.GetDigest())] {
			seen[digest(p.GetDigest())] = true
			out = append(out, p)
		}
	}
	return out
}

// Traces lists the trace files that the record says the server has.
func (j *Job) Traces() []*recordv1.TraceReceived {
	var out []*recordv1.TraceReceived
	seen := map[[32]byte]bool{}
	for _, it := range j.entries {
		if p := it.Entry.GetTraceReceived(); p != nil && !seen[digest(p.GetDigest())] {
			seen[digest(p.GetDigest())] = true
			out = append(out, p)
		}
	}
	return out
}

// Blocker is something that keeps a job from sign-off.
type Blocker struct {
	Reason   string // stable
	Sentence string
	Subjects []string
}

// Blockers lists what keeps a lead from signing: the whole list, not only the
// first. An empty lead asks for what keeps anyone. waiver is the organisation's
// reason for waiving four eyes, or empty.
func (j *Job) Blockers(lead, waiver string, now time.Time, out Outside) []Blocker {
	return j.BlockersOf(j.State(now, out), lead, waiver)
}

// BlockersOf is Blockers over a state that was computed already.
func (j *Job) BlockersOf(st *State, lead, waiver string) []Blocker {
	var bs []Blocker
	add := func(reason, sentence string, subjects []string) {
		if len(subjects) > 20 {
			subjects = subjects[:20]
		}
		bs = append(bs, Blocker{reason, sentence, subjects})
	}
	if st.Status == StatusLocked || st.Status == StatusEnded {
		add("RECORD_LOCKED", "The record is locked.", nil)
		return bs
	}
	var open, climbs, xs, ds []string
	for _, s := range st.Steps {
		if s.Step.Required && !done(s.State) {
			open = append(open, s.Step.ID)
		}
	}
	if len(open) > 0 {
		add("STEPS_OPEN", fmt.Sprintf("%d required step(s) are not complete.", len(open)), open)
	}
	if st.Status != StatusFinished {
		add("NOT_FINISHED", "The crew has not declared the work finished, or something was opened since.", nil)
	}
	for _, c := range st.Climbs {
		if c.Closed.IsZero() {
			climbs = append(climbs, c.ID)
		}
	}
	if len(climbs) > 0 {
		add("CLIMBS_OPEN", fmt.Sprintf("%d climb(s) are not closed with everyone named as down.", len(climbs)), climbs)
	}
	for _, h := range st.Holds {
		add("HOLD", "HOLD: "+h.Title+". "+h.Sentence, []string{h.Gate})
	}
	for _, x := range st.Standing() {
		if len(x.LookedAt) == 0 || (lead != "" && !slices.Contains(x.LookedAt, lead)) {
			xs = append(xs, x.ID)
		}
	}
	if len(xs) > 0 {
		add("EXCEPTIONS_NOT_LOOKED_AT", fmt.Sprintf("%d exception(s) have not been looked at by the lead who signs.", len(xs)), xs)
	}
	for _, d := range st.Doubts {
		if !d.Assessed {
			ds = append(ds, d.ID)
		}
	}
	if len(ds) > 0 {
		add("DOUBTS_OPEN", fmt.Sprintf("%d doubt(s) about instruments are not assessed.", len(ds)), ds)
	}
	if lead != "" && waiver == "" {
		if own := j.WorkOf(lead); len(own) > 0 {
			add("FOUR_EYES", fmt.Sprintf("%s made %d entries on the crew's steps himself; another lead signs.", lead, len(own)), own)
		}
	}
	return bs
}

// Standing returns the exceptions that a sign-off answers for. Refused entries
// are shown to the lead as one exception and do not block him: they count for
// nothing, and each refused sign-off would add one more.
func (st *State) Standing() []Exception {
	return slices.DeleteFunc(slices.Clone(st.Exceptions), func(x Exception) bool { return x.Kind == RefusedAside })
}

// WorkOf lists the steps of the crew on which a person made entries. Steps that
// the procedure gives to the lead or to each person, deviations and returns do
// not count.
func (j *Job) WorkOf(person string) []string {
	var out []string
	seen := map[*stepRec]bool{}
	for _, it := range j.entries {
		s := it.step
		if s == nil || seen[s] || s.last == nil || it.Entry.GetAuthor() != person || !kindFits(s.last.Def, it.Entry) {
			continue
		}
		if d := s.last.Def.GetDoer(); d == recordv1.Step_LEAD || d == recordv1.Step_EACH || s.last.Def.GetAcknowledge() != nil {
			continue
		}
		seen[s] = true
		out = append(out, s.id)
	}
	return out
}

// ExceptionsFor returns what a 'looked at' entry may name: ids of exceptions
// that stand.
func (st *State) ExceptionsFor(kind string) []string {
	var ids []string
	for _, x := range st.Exceptions {
		if kind == "" || x.Kind == kind || strings.HasPrefix(x.ID, kind) {
			ids = append(ids, x.ID)
		}
	}
	return ids
}

// Contradicts says whether an entry that came after the lock contradicts the
// record: a fail on a step that passed. It changes nothing.
func (j *Job) Contradicts(l *Line) bool {
	s := j.steps[l.Entry.GetStep()]
	if s == nil || s.last == nil || !kindFits(s.last.Def, l.Entry) {
		return false
	}
	it := &item{Line: l, step: s}
	it.base, it.vague = correctedTime(l)
	it.time, it.order = it.base, l.Seq
	return j.judgeFresh(s, it).rank == rankBad && done(j.eval(s).state)
}

// AssessAddendum returns what the server says of an entry after the lock.
func (j *Job) AssessAddendum(l *Line) *recordv1.Assessment {
	pinned := l.Assessment.GetPinned()
	if pinned == nil {
		pinned = &recordv1.Assessment_Pinned{}
	}
	pinned.Rules = rulesVersions()
	a := &recordv1.Assessment{Pinned: pinned}
	if s := j.steps[l.Entry.GetStep()]; s != nil && s.last != nil && kindFits(s.last.Def, l.Entry) {
		it := &item{Line: &Line{Seq: l.Seq, Received: l.Received, Entry: l.Entry, Person: l.Person, Device: l.Device, Assessment: a}, step: s}
		it.base, it.vague = correctedTime(it.Line)
		it.time = it.base
		g := j.judgeFresh(s, it)
		a.Verdict, a.Sentence, a.Limit, a.Working = g.verdict, g.sentence, g.limit, g.working
		a.Warnings = g.warnings
		if g.rank == rankBad && done(j.eval(s).state) {
			a.Warnings = append(a.Warnings, &recordv1.Assessment_Warning{Code: "CONTRADICTS", Sentence: "An addendum contradicts the record."})
		}
	}
	return a
}
