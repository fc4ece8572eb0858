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
	"crypto/sha256"
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
	order     int64     // breaks ties of time: seq, or that of the device's entry before if larger
	vague     bool      // no clock offset is known
	step      *stepRec  // nil for entries about the job
	judged    *judgement
	judgedFor int64 // epoch of judged
}

// before sorts by corrected time, ties by seq; what one device made later never
// comes before what it made earlier.
func (a *item) before(b *item) bool {
	switch {
	case !a.time.Equal(b.time):
		return a.time.Before(b.time)
	case a.order != b.order:
		return a.order < b.order
	case a.Entry.GetCounter() != b.Entry.GetCounter():
		return a.Entry.GetCounter() < b.Entry.GetCounter()
	}
	return a.Seq < b.Seq
}

// stepRec is a step with its entries.
type stepRec struct {
	id    string
	def   *procedure.Step // nil while the plan in force does not have it
	last  *procedure.Step // the newest definition it ever had
	items []*item         // sorted; without deviations and returns
	vague int             // how many of items are vague

	device  string // of the first item, once known
	known   bool
	several bool // items of several devices may be among items

	devs   []*item // deviations accepted, by seq
	asked  []*item // deviations asked, by seq
	backs  []*item // returns for rework, sorted
	result outcome // cached
	fresh  bool    // result is current
}

// climb is one climb. Entries may name it before it is known to be open; its
// steps are asked for from the line on that opens it.
type climb struct {
	id       string
	opened   *item
	exp      *procedure.Expansion // its sections alone; nil until opened
	crews    []*item              // 'climb opened' and 'crew changed', sorted
	closers  []*item              // 'climb closed', sorted
	closer   *item                // the one that completed it, cached
	closerOf int64                // gate epoch of closer
}

// tool is what was entered with one instrument, sorted.
type tool struct{ items []*item }

// Job is a job folded so far. It is not safe for concurrent use.
type Job struct {
	compiled *procedure.Compiled
	name     string
	opened   *item
	zone     *time.Location
	plan     *recordv1.Plan
	exp      *procedure.Expansion // of the plan, without climbs
	list     []*procedure.Step    // every step in order, nil when it must be made again
	items    []*item              // by line
	entries  []*item              // items and the refused entries that were admitted
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
	copies     map[[32]byte][]*item // entries of derived copies by the original's digest
	traces     map[string]*item     // trace received by attaching entry's id
	kits       []*kitCheck          // sorted by time
	kitsOf     map[string][]*kitCheck
	tools      map[string]*tool   // by instrument; "" for entries that name none
	doubted    map[string]*item   // kit in doubt by doubt id
	doubtsBy   map[string][]*item // kit in doubt by the doubted entry's id
	calibrated map[string][]*item // calibration changes by instrument
	ended      map[string][]*item // qualification ended by person
	assessed   map[string][]*item // by doubt id
	lookedAt   map[string][]*item // by exception id
	accepted   []*item            // findings accepted
	stops      []*item            // stopped and resumed, sorted
	unsent     map[string]*item   // last report by device
	admitted   map[[32]byte]*item

	finish     *item // the effective 'finished', nil when none
	lockedLine *item

	gateSections map[string]bool // ids of sections that others require
	epoch        int64           // moves when judgements may change
	gateEpoch    int64           // moves when gates may change
	gates        map[string]*gateTimeline
	gatesFor     int64
	missing      int                   // required steps that are not done
	total        int                   // steps in force
	openIn       map[string]int        // required steps that are not done, by section instance
	needers      map[string][]string   // instances in needing, by gate
	needing      []string              // section instances that have gates of their own beside those of climbs
	gatesOf      map[string][]string   // those gates
	ackSteps     map[string][]*stepRec // steps that each person answers, by climb; "" for the others
	kitSteps     []*stepRec            // self-checks of a kit
	kitReadings  []*stepRec            // readings that need one
	climbGates   []*recordv1.Section   // sections of the climb that others require
	structure    []*recordv1.Section   // on the structure
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
		received: map[[32]byte]*item{}, examined: map[[32]byte]*item{}, photoOf: map[[32]byte][]*item{}, copies: map[[32]byte][]*item{}, traces: map[string]*item{},
		kitsOf: map[string][]*kitCheck{}, tools: map[string]*tool{}, doubted: map[string]*item{}, doubtsBy: map[string][]*item{},
		calibrated: map[string][]*item{}, ended: map[string][]*item{}, assessed: map[string][]*item{}, lookedAt: map[string][]*item{},
		unsent: map[string]*item{}, admitted: map[[32]byte]*item{},
		gateSections: map[string]bool{}, gates: map[string]*gateTimeline{},
	}
	for _, s := range c.Proc.GetSections() {
		if s.GetOnStructure() {
			j.structure = append(j.structure, s)
		}
		for _, r := range s.GetRequires() {
			j.gateSections[r] = true
			if g := c.Section(r); g.GetRepeat() == recordv1.Section_CLIMB && (s.GetOnStructure() || s.GetRepeat() == recordv1.Section_CLIMB) && !slices.Contains(j.climbGates, g) {
				j.climbGates = append(j.climbGates, g)
			}
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

// Steps returns the steps of the plan in force and of the climbs that were
// opened, in order. The slice is for reading only.
func (j *Job) Steps() []*procedure.Step {
	if j.list == nil && j.exp != nil {
		j.list = j.inOrder()
	}
	return j.list
}

// inOrder merges the steps of the plan and of the climbs: the sections in the
// order of the procedure, as procedure.Expand gives them for both at once.
func (j *Job) inOrder() []*procedure.Step {
	run, runs := map[string]int{}, 0
	sections := j.compiled.Proc.GetSections()
	for i, s := range sections {
		if i > 0 && s.GetRepeat() != sections[i-1].GetRepeat() {
			runs++
		}
		run[s.GetId()] = runs
	}
	parts := make([][]*procedure.Step, runs+1)
	put := func(e *procedure.Expansion) {
		for _, d := range e.Steps {
			n := run[d.Section.GetId()]
			parts[n] = append(parts[n], d)
		}
	}
	put(j.exp)
	for _, id := range j.order {
		if c := j.climbs[id]; c.exp != nil {
			put(c.exp)
		}
	}
	return slices.Concat(parts...)
}

// section returns the steps of a section instance in force.
func (j *Job) section(instance string) []*procedure.Step {
	if id := climbOfStep(instance); id != "" {
		if c := j.climbs[id]; c != nil && c.exp != nil {
			return c.exp.Section(instance)
		}
		return nil
	}
	return j.exp.Section(instance)
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
	if e.GetClimbOpened() != nil {
		if err := j.openClimb(e.GetId(), it); err != nil {
			return err
		}
	}
	j.items = append(j.items, it)
	j.entries = append(j.entries, it)
	j.byID[e.GetId()] = it
	j.place(it)
	j.note(it)
	j.declare(it)
	return nil
}

// declare lets a 'finished' take effect where nothing is open, and ends the one
// in effect where something is.
func (j *Job) declare(it *item) {
	if j.finish != nil && j.missing > 0 {
		j.finish = nil // what opened a step after 'finished' opened the job
	}
	if it.Entry.GetFinished() != nil && j.missing == 0 && j.isWithdrawn(it) == nil {
		j.finish = it
	}
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
	exp, climbs, err := j.expandAll(p)
	if err != nil {
		return err
	}
	j.plan, j.exp = p, exp
	for id, e := range climbs {
		j.climbs[id].exp = e
	}
	j.adopt()
	return nil
}

// expandAll multiplies the procedure with a plan and with each climb opened.
func (j *Job) expandAll(p *recordv1.Plan) (*procedure.Expansion, map[string]*procedure.Expansion, error) {
	exp, err := j.compiled.Expand(p, nil)
	if err != nil {
		return nil, nil, err
	}
	total := len(exp.Steps)
	climbs := map[string]*procedure.Expansion{}
	for id, c := range j.climbs {
		if c.opened == nil {
			continue
		}
		if climbs[id], err = j.expandClimb(p, id); err != nil {
			return nil, nil, err
		}
		total += len(climbs[id].Steps)
	}
	return exp, climbs, checkTotal(total)
}

func checkTotal(n int) error {
	if n > procedure.MaxExpanded {
		return errs.Newf(errs.Invalid, "EXPANSION_TOO_LARGE", "plan: this procedure, this plan and the climbs come to %d steps; at most %d", n, procedure.MaxExpanded)
	}
	return nil
}

// expandClimb returns the steps of one climb alone. Lines and connections bear
// on no climb; the plan's attributes may.
func (j *Job) expandClimb(p *recordv1.Plan, id string) (*procedure.Expansion, error) {
	e, err := j.compiled.Expand(&recordv1.Plan{Attributes: p.GetAttributes()}, []string{id})
	if err != nil {
		return nil, err
	}
	e.Steps = slices.DeleteFunc(e.Steps, func(d *procedure.Step) bool { return d.Scope != recordv1.Section_CLIMB })
	return e, nil
}

// adopt moves the steps to the plan in force and counts again.
func (j *Job) adopt() {
	for _, s := range j.steps {
		if j.tracking && s.last != nil && len(s.items)+len(s.devs) > 0 {
			j.touched = append(j.touched, touch{s, stateOf(s)})
		}
		s.def, s.fresh = nil, false
	}
	j.missing, j.total = 0, 0
	j.openIn, j.gatesOf, j.ackSteps = map[string]int{}, map[string][]string{}, map[string][]*stepRec{}
	j.needing, j.kitSteps, j.kitReadings, j.needers = nil, nil, nil, map[string][]string{}
	j.epoch++
	j.list = nil
	j.define(j.exp)
	for _, id := range j.order {
		if c := j.climbs[id]; c.exp != nil {
			j.define(c.exp)
		}
	}
	j.judgeKits()
	j.count(j.exp)
	for _, id := range j.order {
		if c := j.climbs[id]; c.exp != nil {
			j.count(c.exp)
		}
	}
	j.gateEpoch++
}

// define gives the steps of an expansion their definitions.
func (j *Job) define(e *procedure.Expansion) {
	for _, d := range e.Steps {
		s := j.rec(d.ID)
		s.def, s.last, s.fresh = d, d, false
		switch {
		case d.Def.GetAcknowledge() != nil && d.Scope == recordv1.Section_CLIMB:
			j.ackSteps[d.ScopeID] = append(j.ackSteps[d.ScopeID], s)
		case d.Def.GetAcknowledge() != nil:
			j.ackSteps[""] = append(j.ackSteps[""], s)
		case d.Def.GetKitCheck() != nil:
			j.kitSteps = append(j.kitSteps, s)
		case d.Def.GetReading().GetNeedsKitCheck():
			j.kitReadings = append(j.kitReadings, s)
		}
		if len(d.Section.GetRequires()) == 0 {
			continue
		}
		if _, ok := j.gatesOf[d.SectionInstance]; !ok {
			gates := slices.DeleteFunc(j.exp.Requires(d.SectionInstance, ""), func(g string) bool { return climbOfStep(g) != "" || len(j.exp.Section(g)) == 0 })
			j.gatesOf[d.SectionInstance] = gates
			if len(gates) > 0 {
				j.needing = append(j.needing, d.SectionInstance)
				for _, g := range gates {
					j.needers[g] = append(j.needers[g], d.SectionInstance)
				}
			}
		}
	}
}

// count evaluates the steps of an expansion and counts those that are missing.
func (j *Job) count(e *procedure.Expansion) {
	j.total += len(e.Steps)
	for _, d := range e.Steps {
		if s := j.steps[d.ID]; d.Required && !done(j.eval(s).state) {
			j.missing++
			j.openIn[d.SectionInstance]++
		}
	}
}

// rec returns the record of a step, made if it is new.
func (j *Job) rec(id string) *stepRec {
	s := j.steps[id]
	if s == nil {
		s = &stepRec{id: id}
		j.steps[id] = s
	}
	return s
}

// know returns the climb of this id, made if it is named for the first time.
func (j *Job) know(id string) *climb {
	c := j.climbs[id]
	if c == nil {
		c = &climb{id: id}
		j.climbs[id] = c
	}
	return c
}

// openClimb makes the steps of a climb.
func (j *Job) openClimb(id string, it *item) error {
	e, err := j.expandClimb(j.plan, id)
	if err != nil {
		return err
	}
	if err := checkTotal(j.total + len(e.Steps)); err != nil {
		return err
	}
	c := j.know(id)
	c.opened, c.exp = it, e
	j.order = append(j.order, id)
	j.list = nil
	j.define(e)
	j.count(e)
	j.gateEpoch++
	return nil
}

// place gives the item its time and puts it into its device's chain.
func (j *Job) place(it *item) {
	it.base, it.vague = correctedTime(it.Line)
	it.time, it.order = it.base, it.Seq
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
		x := c.items[i]
		t, order := x.base, x.Seq
		if i > 0 {
			p := c.items[i-1]
			if p.time.After(t) {
				t = p.time
			}
			if p.time.Equal(t) {
				order = max(order, p.order)
			}
		}
		switch {
		case i == n:
			x.time, x.order = t, order
		case t.Equal(x.time) && order == x.order:
			return
		default:
			j.move(x, t, order)
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
func (j *Job) move(it *item, t time.Time, order int64) {
	lists := j.listsOf(it)
	for _, l := range lists {
		*l = remove(*l, it)
	}
	kit := it.Entry.GetKitChecked() != nil
	if kit {
		j.dropKit(it)
	}
	it.time, it.order, it.judged = t, order, nil
	for _, l := range lists {
		*l = insert(*l, it)
	}
	if kit {
		j.addKit(it)
	}
	j.gateEpoch++
	j.refreshOf(it)
}

// listsOf names the sorted lists that an item stands in.
func (j *Job) listsOf(it *item) []*[]*item {
	var out []*[]*item
	e := it.Entry
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_DeviationAccepted, *recordv1.Entry_DeviationAsked:
		return nil // by seq
	case *recordv1.Entry_ClimbOpened:
		out = append(out, &j.know(e.GetId()).crews)
	case *recordv1.Entry_CrewChanged:
		out = append(out, &j.know(e.GetClimb()).crews)
	case *recordv1.Entry_ClimbClosed:
		out = append(out, &j.know(e.GetClimb()).closers)
	case *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed:
		out = append(out, &j.stops)
	case *recordv1.Entry_ReturnedForRework:
		seen := map[string]bool{}
		for _, id := range k.ReturnedForRework.GetSteps() {
			if !seen[id] {
				seen[id] = true
				out = append(out, &j.rec(id).backs)
			}
		}
	case *recordv1.Entry_ReadingTaken, *recordv1.Entry_TorqueApplied, *recordv1.Entry_TraceAttached:
		id := InstrumentOf(e)
		if j.tools[id] == nil {
			j.tools[id] = &tool{}
		}
		out = append(out, &j.tools[id].items)
	}
	if it.step != nil {
		out = append(out, &it.step.items)
	}
	return out
}

// refreshOf evaluates the steps that an item bears on by its place in the order.
func (j *Job) refreshOf(it *item) {
	e := it.Entry
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ClimbOpened:
		j.refreshCrew(e.GetId())
	case *recordv1.Entry_CrewChanged:
		j.refreshCrew(e.GetClimb())
	case *recordv1.Entry_ReturnedForRework:
		for _, id := range k.ReturnedForRework.GetSteps() {
			j.refresh(j.rec(id))
		}
	}
	if it.step != nil {
		j.refresh(it.step)
	}
}

func compareItems(a, b *item) int {
	switch {
	case a == b:
		return 0
	case a.before(b):
		return -1
	}
	return 1
}

// insert puts an item into a sorted list; nearly always at its end.
func insert(list []*item, it *item) []*item {
	if n := len(list); n == 0 || list[n-1].before(it) {
		return append(list, it)
	}
	n, _ := slices.BinarySearchFunc(list, it, compareItems)
	return slices.Insert(list, n, it)
}

// remove takes an item out of a sorted list, by the place that it has now.
func remove(list []*item, it *item) []*item {
	n, ok := slices.BinarySearchFunc(list, it, compareItems)
	if !ok {
		return list
	}
	return slices.Delete(list, n, n+1)
}

func stateOf(s *stepRec) recordv1.StepState {
	if s.result.state == recordv1.StepState_STEP_STATE_UNSPECIFIED {
		return recordv1.StepState_OPEN
	}
	return s.result.state
}

// refresh evaluates a step again and keeps the count of missing ones.
func (j *Job) refresh(s *stepRec) {
	if j.tracking {
		j.touched = append(j.touched, touch{s, stateOf(s)})
	}
	was := s.def != nil && s.def.Required && !done(s.result.state)
	s.fresh = false
	is := !done(j.eval(s).state) && s.def != nil && s.def.Required
	if was != is {
		n := 1
		if was {
			n = -1
		}
		j.missing += n
		j.openIn[s.def.SectionInstance] += n
	}
	if s.def != nil && j.gateSections[s.def.Section.GetId()] {
		j.gateEpoch++
	}
}

// rejudge judges items again and evaluates their steps: after facts that they
// rest on have changed.
func (j *Job) rejudge(items []*item) {
	var steps []*stepRec
	for _, it := range items {
		if it == nil {
			continue
		}
		it.judged = nil
		if it.step != nil && (len(steps) == 0 || steps[len(steps)-1] != it.step) {
			steps = append(steps, it.step)
		}
	}
	seen := map[*stepRec]bool{}
	for _, s := range steps {
		if !seen[s] {
			seen[s] = true
			j.refresh(s)
		}
	}
}

// note files an item where the fold looks for it.
func (j *Job) note(it *item) {
	e := it.Entry
	if id := e.GetStep(); id != "" {
		s := j.rec(id)
		it.step = s
		if dev := e.GetDevice(); !s.known {
			s.known, s.device = true, dev
		} else if dev != s.device {
			s.several = true
		}
		if c := climbOfStep(id); c != "" && s.last == nil {
			j.know(c)
			if exp, err := j.expandClimb(j.plan, c); err == nil {
				s.last = exp.Step(id) // so that what is entered before the climb's opening arrives can be read
			}
		}
		switch {
		case e.GetDeviationAccepted() != nil:
			s.devs = append(s.devs, it)
		case e.GetDeviationAsked() != nil:
			s.asked = append(s.asked, it)
		case it.vague:
			s.vague++
		}
	}
	for _, l := range j.listsOf(it) {
		*l = insert(*l, it)
	}
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ClimbOpened, *recordv1.Entry_CrewChanged, *recordv1.Entry_ClimbClosed:
		j.gateEpoch++
	case *recordv1.Entry_Withdrawn:
		id := k.Withdrawn.GetEntry()
		j.withdrawn[id] = append(j.withdrawn[id], it)
		j.afterChange(j.byID[id])
	case *recordv1.Entry_AcknowledgementConfirmed:
		id := k.AcknowledgementConfirmed.GetEntry()
		j.confirmed[id] = append(j.confirmed[id], it)
		j.afterChange(j.byID[id])
	case *recordv1.Entry_PhotoAttached:
		d := digest(k.PhotoAttached.GetDigest())
		j.photoOf[d] = append(j.photoOf[d], it)
		if p := k.PhotoAttached.GetDerivedFrom(); len(p) > 0 {
			j.copies[digest(p)] = append(j.copies[digest(p)], it)
		}
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
		j.afterChange(j.byID[k.TraceReceived.GetEntry()])
	case *recordv1.Entry_KitChecked, *recordv1.Entry_KitCheckKnown:
		j.addKit(it)
	case *recordv1.Entry_KitInDoubt:
		j.doubted[k.KitInDoubt.GetDoubt()] = it
		var items []*item
		seen := map[string]bool{}
		for _, id := range k.KitInDoubt.GetEntries() {
			if !seen[id] {
				seen[id] = true
				j.doubtsBy[id] = append(j.doubtsBy[id], it)
				items = append(items, j.byID[id])
			}
		}
		j.rejudge(items)
	case *recordv1.Entry_CalibrationChanged:
		id := k.CalibrationChanged.GetInstrument()
		j.calibrated[id] = append(j.calibrated[id], it)
		if t := j.tools[id]; t != nil {
			j.rejudge(slices.Clone(t.items))
		}
	case *recordv1.Entry_QualificationEnded:
		id := k.QualificationEnded.GetPerson()
		j.ended[id] = append(j.ended[id], it)
		j.gateEpoch++
	case *recordv1.Entry_Assessed:
		for _, id := range k.Assessed.GetDoubts() {
			j.assessed[id] = append(j.assessed[id], it)
		}
		j.assessmentChanged(k.Assessed)
	case *recordv1.Entry_LookedAt:
		for _, id := range k.LookedAt.GetExceptions() {
			j.lookedAt[id] = append(j.lookedAt[id], it)
		}
	case *recordv1.Entry_FindingAccepted:
		j.accepted = append(j.accepted, it)
	case *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed:
		j.gateEpoch++
	case *recordv1.Entry_UnsentReported:
		j.unsent[k.UnsentReported.GetDevice()] = it
	case *recordv1.Entry_RefusedAdmitted:
		j.admitted[digest(k.RefusedAdmitted.GetDigest())] = it
		j.admit(it, k.RefusedAdmitted)
	case *recordv1.Entry_Locked:
		j.lockedLine = it
	}
	j.refreshOf(it)
}

// admit lets a refused entry count from the line that admits it on. What cannot
// be read, is not the payload that was refused, is the server's to make, or fits
// no step of this job, stays a line without effect.
func (j *Job) admit(it *item, a *recordv1.RefusedAdmitted) {
	if sha256.Sum256(a.GetPayload()) != digest(a.GetDigest()) {
		return
	}
	e := &recordv1.Entry{}
	if err := protojson.Unmarshal(a.GetPayload(), e); err != nil || j.byID[e.GetId()] != nil || ServerMade(e) || e.GetJob() != j.name {
		return
	}
	switch e.GetKind().(type) {
	case nil, *recordv1.Entry_SignedOff, *recordv1.Entry_EndedUnfinished, *recordv1.Entry_PlanRevised:
		return // never by admission
	}
	if checkValues(e) != nil || j.checkStep(e) != nil || j.checkKind(e, Who{Person: e.GetAuthor()}) != nil {
		return
	}
	in := &item{Line: &Line{Seq: it.Seq, Received: it.Received, Entry: e, Person: e.GetAuthor(), Device: e.GetDevice(), Assessment: it.Assessment}}
	if e.GetClimbOpened() != nil && j.openClimb(e.GetId(), in) != nil {
		return
	}
	in.base, in.vague = correctedTime(in.Line)
	in.time, in.order = in.base, in.Seq
	j.entries = append(j.entries, in)
	j.byID[e.GetId()] = in
	j.note(in)
	j.declare(in)
}

// afterChange evaluates what an earlier entry bore on, after it was withdrawn,
// confirmed or computed.
func (j *Job) afterChange(it *item) {
	if it == nil {
		return
	}
	it.judged = nil
	switch k := it.Entry.GetKind().(type) {
	case *recordv1.Entry_KitChecked:
		j.kitChanged(it)
	case *recordv1.Entry_Assessed:
		j.assessmentChanged(k.Assessed)
	case *recordv1.Entry_PhotoAttached:
		if p := k.PhotoAttached.GetDerivedFrom(); len(p) > 0 {
			j.photoChanged(digest(p))
		}
	case *recordv1.Entry_DeviationAsked:
	case *recordv1.Entry_Finished:
		if j.finish == it && j.isWithdrawn(it) != nil {
			j.finish = nil
		}
	}
	j.gateEpoch++
	j.refreshOf(it)
}

// assessmentChanged judges again what stands or falls with the doubts named.
func (j *Job) assessmentChanged(a *recordv1.Assessed) {
	for _, id := range a.GetDoubts() {
		j.rejudge(j.doubtful(id))
	}
}

// photoChanged evaluates the steps that name a photo, or the original of which
// it is a copy, again.
func (j *Job) photoChanged(d [32]byte) {
	for _, p := range j.photoOf[d] {
		if p.step != nil {
			j.refresh(p.step)
		}
	}
}

// refreshCrew evaluates the steps that each crew member answers for himself.
func (j *Job) refreshCrew(climbID string) {
	for _, s := range j.ackSteps[climbID] {
		j.refresh(s)
	}
	for _, s := range j.ackSteps[""] {
		j.refresh(s)
	}
}

// isWithdrawn returns the withdrawal that counts, or nil: by the author or by a
// lead. A withdrawal itself cannot be withdrawn.
func (j *Job) isWithdrawn(it *item) *item {
	if len(j.withdrawn) == 0 || final(it.Entry) {
		return nil
	}
	for _, w := range j.withdrawn[it.Entry.GetId()] {
		if w.Entry.GetAuthor() == it.Entry.GetAuthor() || isLead(w) {
			return w
		}
	}
	return nil
}

// final says whether an entry is of a kind that cannot be withdrawn.
func final(e *recordv1.Entry) bool {
	switch e.GetKind().(type) {
	case *recordv1.Entry_Withdrawn, *recordv1.Entry_SignedOff, *recordv1.Entry_EndedUnfinished, *recordv1.Entry_ClimbOpened, *recordv1.Entry_PlanRevised:
		return true
	}
	return ServerMade(e)
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
