// Package record folds a job's lines into its state: what is complete, what is
// missing, what holds, what a lead must look at, who may sign. It is a pure
// function of (procedure, lines, as-of time); the server, the export and the
// offline verifier run the same one. Nothing is edited: a correction is another
// line.
//
// A Job is built by applying lines in the order of their sequence numbers.
// Applying one costs the same however many came before; State computes the
// whole picture for one moment.
package record

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/durationpb"

	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// RulesVersion names the rules of this fold; it stands in assessments.
const RulesVersion = "record/1"

// Line is one accepted entry with what the server said of it.
type Line struct {
	Seq           int64
	Received      time.Time
	Entry         *recordv1.Entry
	PayloadDigest [32]byte
	KeyID         string // empty: attested by the server
	Person        string // authenticated, "people/…"; empty: made by the server
	Device        string // that carried it, "devices/…"
	Assessment    *recordv1.Assessment
}

// Pinned returns the facts pinned in the line's assessment; never nil.
func (l *Line) Pinned() *recordv1.Assessment_Pinned {
	if p := l.Assessment.GetPinned(); p != nil {
		return p
	}
	return &recordv1.Assessment_Pinned{}
}

// item is a line within the fold.
type item struct {
	*Line
	time      time.Time // corrected, never earlier than the device's previous
	base      time.Time // corrected alone
	vague     bool      // no clock offset is known
	step      *stepRec  // nil for entries about the job
	judged    *judgement
	judgedFor int64 // epoch of judged
}

// before sorts by corrected time, ties by seq.
func (a *item) before(b *item) bool {
	if !a.time.Equal(b.time) {
		return a.time.Before(b.time)
	}
	return a.Seq < b.Seq
}

// stepRec is a step with its entries.
type stepRec struct {
	id     string
	def    *procedure.Step // nil while the plan in force does not have it
	last   *procedure.Step // the newest definition it ever had
	items  []*item         // sorted; without deviations and returns
	vague  int             // how many of items are vague
	devs   []*item         // deviations accepted, by seq
	asked  []*item         // deviations asked, by seq
	backs  []*item         // returns for rework, sorted
	result outcome         // cached
	fresh  bool            // result is current
}

// climb is one climb.
type climb struct {
	id      string
	opened  *item
	crews   []*item // 'climb opened' and 'crew changed', sorted
	closers []*item // 'climb closed', sorted
	named   bool    // only named by an entry so far
}

// Job is a job folded so far. It is not safe for concurrent use.
type Job struct {
	compiled *procedure.Compiled
	name     string
	opened   *item
	zone     *time.Location
	plan     *recordv1.Plan
	exp      *procedure.Expansion
	items    []*item
	byID     map[string]*item
	steps    map[string]*stepRec
	climbs   map[string]*climb
	order    []string // climbs in the order of their first mention
	devices  map[string]*chain

	withdrawn  map[string][]*item // by the withdrawn entry's id
	confirmed  map[string][]*item // acknowledgement confirmations by entry id
	received   map[[32]byte]*item
	examined   map[[32]byte]*item
	photoOf    map[[32]byte][]*item // photo entries by digest
	traces     map[string]*item     // trace received by attaching entry's id
	kits       []*kitCheck          // sorted by time
	doubted    []*item              // kit in doubt
	calibrated map[string][]*item   // calibration changes by instrument
	ended      map[string][]*item   // qualification ended by person
	assessed   map[string]*item     // by doubt id
	lookedAt   map[string][]*item   // by exception id
	accepted   []*item              // findings accepted
	stops      []*item              // stopped and resumed, sorted
	unsent     map[string]*item     // last report by device
	admitted   map[[32]byte]*item

	finish     *item // the effective 'finished', nil when none
	futile     []*item
	signed     *item
	endedLine  *item
	lockedLine *item

	gateSections map[string]bool // ids of sections that others require
	epoch        int64           // moves when judgements may change
	gateEpoch    int64           // moves when gates may change
	gates        map[string]*gateTimeline
	gatesFor     int64
	missing      int // required steps that are not done
	touched      []touch
	tracking     bool
}

// chain is what one device sent.
type chain struct {
	items  []*item // by counter, then seq
	forked []*item
}

// Open begins a job that follows a procedure.
func Open(c *procedure.Compiled) *Job {
	j := &Job{
		compiled: c, zone: time.UTC,
		byID: map[string]*item{}, steps: map[string]*stepRec{}, climbs: map[string]*climb{}, devices: map[string]*chain{},
		withdrawn: map[string][]*item{}, confirmed: map[string][]*item{},
		received: map[[32]byte]*item{}, examined: map[[32]byte]*item{}, photoOf: map[[32]byte][]*item{}, traces: map[string]*item{},
		calibrated: map[string][]*item{}, ended: map[string][]*item{}, assessed: map[string]*item{}, lookedAt: map[string][]*item{},
		unsent: map[string]*item{}, admitted: map[[32]byte]*item{},
		gateSections: map[string]bool{}, gates: map[string]*gateTimeline{},
	}
	for _, s := range c.Proc.GetSections() {
		for _, r := range s.GetRequires() {
			j.gateSections[r] = true
		}
	}
	return j
}

// Size returns the number of lines applied.
func (j *Job) Size() int64 { return int64(len(j.items)) }

// Plan returns the plan in force; nil before the job was opened.
func (j *Job) Plan() *recordv1.Plan { return j.plan }

// Procedure returns the pinned procedure.
func (j *Job) Procedure() *procedure.Compiled { return j.compiled }

// Zone returns the site's time zone.
func (j *Job) Zone() *time.Location { return j.zone }

// Name returns "jobs/{job}"; empty before the job was opened.
func (j *Job) Name() string { return j.name }

// Site returns the site as the job pinned it; nil before.
func (j *Job) Site() *recordv1.JobOpened_Site {
	if j.opened == nil {
		return nil
	}
	return j.opened.Entry.GetJobOpened().GetSite()
}

// Locked reports whether the record is locked or ended.
func (j *Job) Locked() bool { return j.lockedLine != nil }

// LockTime returns when the locked line was received; zero before.
func (j *Job) LockTime() time.Time {
	if j.lockedLine == nil {
		return time.Time{}
	}
	return j.lockedLine.Received
}

// Has reports whether an entry with this id was applied.
func (j *Job) Has(entryID string) bool { return j.byID[entryID] != nil }

// LineOf returns the line with this entry, or nil.
func (j *Job) LineOf(entryID string) *Line {
	if it := j.byID[entryID]; it != nil {
		return it.Line
	}
	return nil
}

// Lines returns the lines applied, in order. The slice is the caller's.
func (j *Job) Lines() []*Line {
	out := make([]*Line, len(j.items))
	for i, it := range j.items {
		out[i] = it.Line
	}
	return out
}

// Step returns the definition of a step in the plan in force, or nil.
func (j *Job) Step(id string) *procedure.Step {
	if s := j.steps[id]; s != nil {
		return s.def
	}
	return nil
}

// Steps returns the steps of the plan in force, in order.
func (j *Job) Steps() []*procedure.Step {
	if j.exp == nil {
		return nil
	}
	return j.exp.Steps
}

// Apply adds the next line.
//
// Errors: Corrupt LINE_OUT_OF_ORDER if its seq is not the next; Corrupt
// LINE_AFTER_LOCK; Corrupt ENTRY_ID_TWICE; Corrupt JOB_NOT_OPENED if the first
// line does not open the job; Invalid from the plan.
func (j *Job) Apply(l *Line) error {
	if l.Seq != int64(len(j.items))+1 {
		return errs.Newf(errs.Corrupt, "LINE_OUT_OF_ORDER", "line %d comes where line %d should", l.Seq, len(j.items)+1)
	}
	if j.lockedLine != nil {
		return errs.Newf(errs.Corrupt, "LINE_AFTER_LOCK", "line %d stands after the locked line", l.Seq)
	}
	e := l.Entry
	if j.byID[e.GetId()] != nil {
		return errs.Newf(errs.Corrupt, "ENTRY_ID_TWICE", "line %d has the entry id of line %d", l.Seq, j.byID[e.GetId()].Seq)
	}
	opening := e.GetJobOpened()
	if (opening != nil) != (l.Seq == 1) {
		return errs.Newf(errs.Corrupt, "JOB_NOT_OPENED", "line %d: exactly the first line opens the job", l.Seq)
	}
	it := &item{Line: l}
	if opening != nil {
		if err := j.open(it); err != nil {
			return err
		}
	}
	if p := e.GetPlanRevised(); p != nil {
		if err := j.usePlan(p.GetPlan()); err != nil {
			return err
		}
	}
	// A climb that is opened or first named gives steps of its own.
	for _, id := range climbsOf(e) {
		if err := j.knowClimb(id); err != nil {
			return err
		}
	}
	j.items = append(j.items, it)
	j.byID[e.GetId()] = it
	j.place(it)
	j.note(it)
	if j.finish != nil && j.missing > 0 {
		j.finish = nil // what opened a step after 'finished' opened the job
	}
	if e.GetFinished() != nil {
		if j.missing == 0 {
			j.finish = it
		} else {
			j.futile = append(j.futile, it)
		}
	}
	return nil
}

// open takes the site, the zone and the plan.
func (j *Job) open(it *item) error {
	o := it.Entry.GetJobOpened()
	zone, err := time.LoadLocation(o.GetSite().GetZone())
	if err != nil || o.GetSite().GetZone() == "" {
		return errs.Field("ZONE_UNKNOWN", "jobOpened.site.zone", fmt.Sprintf("%.64q is not a time zone of the IANA data", o.GetSite().GetZone()))
	}
	j.opened, j.zone, j.name = it, zone, it.Entry.GetJob()
	return j.usePlan(o.GetPlan())
}

// usePlan puts a plan in force.
func (j *Job) usePlan(p *recordv1.Plan) error {
	if p == nil {
		p = &recordv1.Plan{}
	}
	exp, err := j.compiled.Expand(p, j.order)
	if err != nil {
		return err
	}
	j.plan, j.exp = p, exp
	j.adopt()
	return nil
}

// adopt moves the steps to the expansion in force and counts again.
func (j *Job) adopt() {
	for _, s := range j.steps {
		s.def, s.fresh = nil, false
	}
	j.missing = 0
	j.epoch++
	j.gateEpoch++
	for _, d := range j.exp.Steps {
		s := j.steps[d.ID]
		if s == nil {
			s = &stepRec{id: d.ID}
			j.steps[d.ID] = s
		}
		s.def, s.last = d, d
		if d.Required && !done(j.eval(s).state) {
			j.missing++
		}
	}
}

// climbsOf names the climbs that an entry brings up.
func climbsOf(e *recordv1.Entry) []string {
	var ids []string
	if e.GetClimbOpened() != nil {
		ids = append(ids, e.GetId())
	}
	if c := e.GetClimb(); c != "" {
		ids = append(ids, c)
	}
	if c := climbOfStep(e.GetStep()); c != "" {
		ids = append(ids, c)
	}
	return ids
}

// knowClimb makes the steps of a climb that was not mentioned before.
func (j *Job) knowClimb(id string) error {
	if j.climbs[id] != nil {
		return nil
	}
	exp, err := j.compiled.Expand(j.plan, append(slices.Clone(j.order), id))
	if err != nil {
		return err
	}
	j.climbs[id] = &climb{id: id, named: true}
	j.order = append(j.order, id)
	j.exp = exp
	j.adopt()
	return nil
}

// place gives the item its time and puts it into its device's chain.
func (j *Job) place(it *item) {
	it.base, it.vague = correctedTime(it.Line)
	it.time = it.base
	dev := it.Entry.GetDevice()
	if dev == "" || it.Entry.GetCounter() == 0 {
		return
	}
	c := j.devices[dev]
	if c == nil {
		c = &chain{}
		j.devices[dev] = c
	}
	n, _ := slices.BinarySearchFunc(c.items, it, func(a, b *item) int {
		if d := a.Entry.GetCounter() - b.Entry.GetCounter(); d != 0 {
			return int(min(max(d, -1), 1))
		}
		return int(min(max(a.Seq-b.Seq, -1), 1))
	})
	if (n > 0 && c.items[n-1].Entry.GetCounter() == it.Entry.GetCounter()) || (n < len(c.items) && c.items[n].Entry.GetCounter() == it.Entry.GetCounter()) {
		c.forked = append(c.forked, it)
	}
	c.items = slices.Insert(c.items, n, it)
	// Never earlier than the device's previous entry; what follows may move.
	for i := n; i < len(c.items); i++ {
		t := c.items[i].base
		if i > 0 && c.items[i-1].time.After(t) {
			t = c.items[i-1].time
		}
		if i > n && t.Equal(c.items[i].time) {
			break
		}
		if i > n {
			j.move(c.items[i], t)
		} else {
			c.items[i].time = t
		}
	}
}

// correctedTime is the device's time plus the measured offset, never later than
// the receipt; the receipt itself where no offset is known. vague says that a
// device's clock was never measured.
func correctedTime(l *Line) (t time.Time, vague bool) {
	e := l.Entry
	off := e.GetClockOffset()
	if off == nil {
		off = l.Pinned().GetOffset()
	}
	if e.GetDevice() == "" || e.GetAuthor() == "" {
		return l.Received, false // sent by hand or made by the server: the receipt is the moment
	}
	if off == nil || e.GetDeviceTime() == nil || !off.IsValid() {
		return l.Received, true
	}
	t = e.GetDeviceTime().AsTime().Add(off.AsDuration()).Truncate(time.Millisecond)
	if t.After(l.Received) {
		t = l.Received
	}
	return t, false
}

// move gives an item another time and keeps every sorted list sorted.
func (j *Job) move(it *item, t time.Time) {
	it.time = t
	it.judged = nil
	resort := func(list []*item) { slices.SortFunc(list, compareItems) }
	if s := it.step; s != nil {
		resort(s.items)
		resort(s.backs)
		j.refresh(s)
	}
	for _, c := range j.climbs {
		resort(c.crews)
		resort(c.closers)
	}
	resort(j.stops)
	if it.Entry.GetKitChecked() != nil || it.Entry.GetKitCheckKnown() != nil {
		j.sortKits()
	}
	j.gateEpoch++
}

func compareItems(a, b *item) int {
	if a == b {
		return 0
	}
	if a.before(b) {
		return -1
	}
	return 1
}

// insert puts an item into a sorted list; nearly always at its end.
func insert(list []*item, it *item) []*item {
	n := len(list)
	for n > 0 && it.before(list[n-1]) {
		n--
	}
	return slices.Insert(list, n, it)
}

// refresh evaluates a step again and keeps the count of missing ones.
func (j *Job) refresh(s *stepRec) {
	if j.tracking {
		was := s.result.state
		if was == recordv1.StepState_STEP_STATE_UNSPECIFIED {
			was = recordv1.StepState_OPEN
		}
		j.touched = append(j.touched, touch{s, was})
	}
	was := s.def != nil && s.def.Required && !done(s.result.state)
	s.fresh = false
	is := s.def != nil && s.def.Required && !done(j.eval(s).state)
	if was != is {
		if is {
			j.missing++
		} else {
			j.missing--
		}
	}
	if s.def != nil && j.gateSections[s.def.Section.GetId()] {
		j.gateEpoch++
	}
}

// refreshAll evaluates every step that has entries again: after facts that
// judgements rest on have changed.
func (j *Job) refreshAll() {
	j.epoch++
	j.gateEpoch++
	for _, s := range j.steps {
		if len(s.items) > 0 {
			j.refresh(s)
		}
	}
}

// note files an item where the fold looks for it.
func (j *Job) note(it *item) {
	e := it.Entry
	if id := e.GetStep(); id != "" {
		s := j.steps[id]
		if s == nil {
			s = &stepRec{id: id}
			j.steps[id] = s
		}
		it.step = s
		switch {
		case e.GetDeviationAccepted() != nil:
			s.devs = append(s.devs, it)
		case e.GetDeviationAsked() != nil:
			s.asked = append(s.asked, it)
		default:
			s.items = insert(s.items, it)
			if it.vague {
				s.vague++
			}
		}
	}
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ClimbOpened:
		c := j.climbs[e.GetId()]
		c.named, c.opened = false, it
		c.crews = insert(c.crews, it)
		j.gateEpoch++
	case *recordv1.Entry_CrewChanged:
		if c := j.climbs[e.GetClimb()]; c != nil {
			c.crews = insert(c.crews, it)
		}
		j.gateEpoch++
		j.refreshCrew(e.GetClimb())
	case *recordv1.Entry_ClimbClosed:
		if c := j.climbs[e.GetClimb()]; c != nil {
			c.closers = insert(c.closers, it)
		}
		j.gateEpoch++
	case *recordv1.Entry_Withdrawn:
		id := k.Withdrawn.GetEntry()
		j.withdrawn[id] = append(j.withdrawn[id], it)
		j.afterChange(j.byID[id])
	case *recordv1.Entry_AcknowledgementConfirmed:
		id := k.AcknowledgementConfirmed.GetEntry()
		j.confirmed[id] = append(j.confirmed[id], it)
		j.afterChange(j.byID[id])
	case *recordv1.Entry_ReturnedForRework:
		for _, id := range k.ReturnedForRework.GetSteps() {
			s := j.steps[id]
			if s == nil {
				s = &stepRec{id: id}
				j.steps[id] = s
			}
			s.backs = insert(s.backs, it)
			j.refresh(s)
		}
	case *recordv1.Entry_PhotoAttached:
		d := digest(k.PhotoAttached.GetDigest())
		j.photoOf[d] = append(j.photoOf[d], it)
	case *recordv1.Entry_PhotoReceived:
		d := digest(k.PhotoReceived.GetDigest())
		if j.received[d] == nil {
			j.received[d] = it
		}
		j.photoChanged(d)
	case *recordv1.Entry_PhotoExamined:
		d := digest(k.PhotoExamined.GetDigest())
		j.examined[d] = it
		j.photoChanged(d)
	case *recordv1.Entry_TraceReceived:
		j.traces[k.TraceReceived.GetEntry()] = it
		if a := j.byID[k.TraceReceived.GetEntry()]; a != nil {
			a.judged = nil
			j.afterChange(a)
		}
	case *recordv1.Entry_KitChecked, *recordv1.Entry_KitCheckKnown:
		j.addKit(it)
		j.refreshAll()
	case *recordv1.Entry_KitInDoubt:
		j.doubted = append(j.doubted, it)
		j.refreshAll()
	case *recordv1.Entry_CalibrationChanged:
		id := k.CalibrationChanged.GetInstrument()
		j.calibrated[id] = append(j.calibrated[id], it)
		j.refreshAll()
	case *recordv1.Entry_QualificationEnded:
		id := k.QualificationEnded.GetPerson()
		j.ended[id] = append(j.ended[id], it)
		j.gateEpoch++
	case *recordv1.Entry_Assessed:
		for _, id := range k.Assessed.GetDoubts() {
			j.assessed[id] = it
		}
		j.refreshAll()
	case *recordv1.Entry_LookedAt:
		for _, id := range k.LookedAt.GetExceptions() {
			j.lookedAt[id] = append(j.lookedAt[id], it)
		}
	case *recordv1.Entry_FindingAccepted:
		j.accepted = append(j.accepted, it)
	case *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed:
		j.stops = insert(j.stops, it)
	case *recordv1.Entry_UnsentReported:
		j.unsent[k.UnsentReported.GetDevice()] = it
	case *recordv1.Entry_RefusedAdmitted:
		j.admitted[digest(k.RefusedAdmitted.GetDigest())] = it
		j.admit(it, k.RefusedAdmitted)
	case *recordv1.Entry_SignedOff:
		j.signed = it
	case *recordv1.Entry_EndedUnfinished:
		j.endedLine = it
	case *recordv1.Entry_Locked:
		j.lockedLine = it
	}
	if it.step != nil {
		j.refresh(it.step)
	}
}

// admit lets a refused entry count from the line that admits it on. What cannot
// be read, or fits no step, stays a line without effect.
func (j *Job) admit(it *item, a *recordv1.RefusedAdmitted) {
	e := &recordv1.Entry{}
	if err := protojson.Unmarshal(a.GetPayload(), e); err != nil || j.byID[e.GetId()] != nil || ServerMade(e) {
		return
	}
	in := &item{Line: &Line{Seq: it.Seq, Received: it.Received, Entry: e, Person: e.GetAuthor(), Device: e.GetDevice(), Assessment: it.Assessment}}
	in.base, in.vague = correctedTime(in.Line)
	in.time = in.base
	if s := j.steps[e.GetStep()]; s != nil && s.last != nil && kindFits(s.last.Def, e) {
		in.step = s
		s.items = insert(s.items, in)
		if in.vague {
			s.vague++
		}
		j.byID[e.GetId()] = in
		if p := e.GetPhotoAttached(); p != nil {
			d := digest(p.GetDigest())
			j.photoOf[d] = append(j.photoOf[d], in)
		}
		j.refresh(s)
	}
}

// afterChange evaluates what an earlier entry bore on, after it was withdrawn,
// confirmed or computed.
func (j *Job) afterChange(it *item) {
	if it == nil {
		return
	}
	switch it.Entry.GetKind().(type) {
	case *recordv1.Entry_KitChecked, *recordv1.Entry_Assessed:
		j.refreshAll()
	case *recordv1.Entry_Finished:
		if j.finish == it {
			j.finish = nil
		}
	}
	j.gateEpoch++
	if it.step != nil {
		j.refresh(it.step)
	}
	if r := it.Entry.GetReturnedForRework(); r != nil {
		for _, id := range r.GetSteps() {
			if s := j.steps[id]; s != nil {
				j.refresh(s)
			}
		}
	}
}

// photoChanged evaluates the steps that name a photo again.
func (j *Job) photoChanged(d [32]byte) {
	for _, p := range j.photoOf[d] {
		if p.step != nil {
			j.refresh(p.step)
		}
	}
}

// refreshCrew evaluates the steps that each crew member answers for himself.
func (j *Job) refreshCrew(climbID string) {
	for _, s := range j.steps {
		if s.def != nil && s.def.Def.GetAcknowledge() != nil && (s.def.ScopeID == climbID || s.def.Scope == recordv1.Section_JOB) {
			j.refresh(s)
		}
	}
}

// isWithdrawn returns the withdrawal that counts, or nil: by the author or by a
// lead. A withdrawal itself cannot be withdrawn.
func (j *Job) isWithdrawn(it *item) *item {
	if it.Entry.GetWithdrawn() != nil {
		return nil
	}
	for _, w := range j.withdrawn[it.Entry.GetId()] {
		if w.Entry.GetAuthor() == it.Entry.GetAuthor() || isLead(w) {
			return w
		}
	}
	return nil
}

func isLead(it *item) bool { return slices.Contains(it.Pinned().GetRoles(), "LEAD") }

func digest(b []byte) (d [32]byte) {
	copy(d[:], b)
	return d
}

// climbOfStep returns the climb in a step id "climb:<id>/…", or "".
func climbOfStep(step string) string {
	const p = "climb:"
	if len(step) <= len(p) || step[:len(p)] != p {
		return ""
	}
	for i := len(p); i < len(step); i++ {
		if step[i] == '/' {
			return step[len(p):i]
		}
	}
	return ""
}

// done says whether a step needs nothing more.
func done(s recordv1.StepState) bool {
	switch s {
	case recordv1.StepState_COMPLETE, recordv1.StepState_DEVIATING, recordv1.StepState_NOT_NEEDED:
		return true
	}
	return false
}

// Offset turns a measured offset into its message, for pinning.
func Offset(d time.Duration) *durationpb.Duration { return durationpb.New(d) }

// rulesVersions is what an assessment pins.
func rulesVersions() string { return RulesVersion + " " + limits.RulesVersion }
