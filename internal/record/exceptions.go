package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Kinds of exceptions, most weighty first. They are API and never renamed.
const (
	GateUnmet        = "GATE_UNMET"          // an entry was made before its gate was met
	GateUnmetAtClose = "GATE_UNMET_AT_CLOSE" // a gate was not met when the climb ended
	WhileStopped     = "WHILE_STOPPED"       // an entry on the structure while work was stopped
	NoClimb          = "NO_CLIMB"            // an entry on the structure that names no open climb
	NotOnCrew        = "NOT_ON_CREW"         // its author was not on the climb's crew
	AfterClimb       = "AFTER_CLIMB"         // made after the climb was closed
	Unqualified      = "UNQUALIFIED"         // a qualification was missing or had ended during the climb
	FailedThenPassed = "FAILED_THEN_PASSED"  // a fail before the pass that counts
	FailWithdrawn    = "FAIL_WITHDRAWN"      // a failed entry was withdrawn
	Deviation        = "DEVIATION"           // a deviation was accepted
	NotProven        = "NOT_PROVEN"          // within limits, not proven
	OptionalOut      = "OPTIONAL_OUT"        // an optional step is out of limits
	OrderUncertain   = "ORDER_UNCERTAIN"     // the order of two entries matters and is uncertain
	OnAnothersPhone  = "ON_ANOTHERS_PHONE"   // acknowledged on another's phone, not confirmed
	WrongDoer        = "WRONG_DOER"          // an entry by a person who may not do the step
	NotConfirmed     = "VALUE_NOT_CONFIRMED" // a value that was asked about and not confirmed
	TraceDiffers     = "TRACE_DIFFERS"       // what was read on the screen is not the trace's
	PhotoFinding     = "PHOTO_FINDING"       // something about a photo
	EndFaceFails     = "END_FACE_FAILS"      // a graded end face is outside its rule set
	PlanDropped      = "PLAN_DROPPED"        // entries on a step that the plan no longer has
	ChainGap         = "CHAIN_GAP"           // a device's counters have a gap
	ChainForked      = "CHAIN_FORKED"        // a counter was used twice
	ChainBroken      = "CHAIN_BROKEN"        // a previous hash is not that of the entry before
	RefusedAside     = "REFUSED_ASIDE"       // refused entries are kept aside
	UnsentWork       = "UNSENT"              // a phone says that it still holds work
	ClockOff         = "CLOCK_OFF"           // a device's clock was over two minutes off
	ClockUnknown     = "CLOCK_UNKNOWN"       // a device's clock was never measured
	AfterDoubt       = "READING_WITHOUT_KIT" // a reading without a good self-check of its kit
)

var weights = func() map[string]int {
	m := map[string]int{}
	for i, k := range []string{GateUnmet, GateUnmetAtClose, WhileStopped, NoClimb, NotOnCrew, AfterClimb, Unqualified, FailedThenPassed, FailWithdrawn, Deviation,
		OrderUncertain, NotProven, AfterDoubt, OptionalOut, WrongDoer, OnAnothersPhone, NotConfirmed, TraceDiffers, PhotoFinding, EndFaceFails, PlanDropped,
		ChainForked, ChainBroken, ChainGap, RefusedAside, UnsentWork, ClockOff, ClockUnknown} {
		m[k] = i
	}
	return m
}()

// Exception is something that a lead must look at before he signs.
type Exception struct {
	ID       string // kind, subject and causing lines: a new cause gives a new id
	Kind     string
	Step     string
	Lines    []int64
	Sentence string
	LookedAt []string // people who looked at it, in order
}

type found struct {
	kind, subject, step, sentence string
	lines                         []int64
	finding                       string   // its code, where it is about a photo
	photo                         [32]byte // that photo
}

func exceptionID(f found) string {
	parts := make([]string, len(f.lines))
	for i, n := range f.lines {
		parts[i] = strconv.FormatInt(n, 10)
	}
	cause := strings.Join(parts, ",")
	if len(cause) > 60 {
		h := sha256.Sum256([]byte(cause))
		cause = fmt.Sprintf("%d-lines-%s", len(f.lines), hex.EncodeToString(h[:6]))
	}
	return f.kind + "|" + f.subject + "|" + cause
}

// entryExceptions lists what one entry brings up by itself.
func (j *Job) entryExceptions(it *item) []found {
	e := it.Entry
	var out []found
	add := func(kind, subject, sentence string) {
		out = append(out, found{kind: kind, subject: subject, step: e.GetStep(), sentence: sentence, lines: []int64{it.Seq}})
	}
	s := it.step
	if s == nil || s.last == nil || !kindFits(s.last.Def, e) {
		return nil
	}
	withdrawn := j.isWithdrawn(it) != nil
	def := s.last
	if def.Section.GetOnStructure() {
		out = append(out, j.structureExceptions(it)...)
	}
	climb := e.GetClimb()
	if climb == "" {
		climb = climbOfStep(e.GetStep())
	}
	for _, gate := range j.requires(def, climb) {
		if !j.metAt(gate, it.time) {
			add(GateUnmet, gate, fmt.Sprintf("Entered before '%s' was met, or after it ended.", j.sectionTitle(gate)))
		}
	}
	if !withdrawn {
		if !rightDoer(s, it) {
			add(WrongDoer, e.GetStep(), "This step is the lead's; the entry is kept and does not count.")
		}
		if own, _ := j.ownWord(it); e.GetAcknowledged() != nil && !own {
			add(OnAnothersPhone, e.GetStep(), fmt.Sprintf("%s said it on another's phone; it does not open the gate until confirmed.", e.GetAuthor()))
		}
		g := j.judge(s, it)
		for _, w := range g.warnings {
			switch {
			case strings.HasPrefix(w.GetCode(), "ASK_") && !e.GetConfirmedValue():
				add(NotConfirmed, e.GetStep(), "The value was asked about and not confirmed: "+w.GetSentence())
			case w.GetCode() == "TRACE_READING":
				add(TraceDiffers, e.GetStep(), w.GetSentence())
			}
		}
		if def.Def.GetReading().GetNeedsKitCheck() && g.pinned != nil && (g.pinned.GetKitState() == "NONE" || g.pinned.GetKitState() == "NOT_FIT") {
			add(AfterDoubt, e.GetStep(), "Measured without a good self-check of the kit.")
		}
	}
	return out
}

// structureExceptions checks an entry on the structure against its climb, its
// gates and a stop of work, all at its own time.
func (j *Job) structureExceptions(it *item) []found {
	e, t := it.Entry, it.time
	var out []found
	add := func(kind, subject, sentence string) {
		out = append(out, found{kind: kind, subject: subject, step: e.GetStep(), sentence: sentence, lines: []int64{it.Seq}})
	}
	id := e.GetClimb()
	if id == "" {
		id = climbOfStep(e.GetStep())
	}
	c := j.climbs[id]
	switch {
	case c == nil || c.opened == nil || t.Before(c.opened.time):
		add(NoClimb, "", "Entered for work on the structure without a climb that is open.")
	default:
		if !slices.Contains(j.crewAt(c, t), e.GetAuthor()) {
			add(NotOnCrew, id, fmt.Sprintf("%s was not on the climb's crew.", e.GetAuthor()))
		}
		if closed := j.closedAt(c); !closed.IsZero() && t.After(closed) {
			add(AfterClimb, id, "Entered after the climb was closed.")
		}
		if lacks := j.qualificationLacks(c, it.step.last.Section, t); len(lacks) > 0 {
			add(Unqualified, id, "Qualification missing or ended: "+joinNames(lacks)+".")
		}
	}
	if stop := j.stoppedAt(t); stop != nil {
		add(WhileStopped, "", "Entered while work was stopped.")
	}
	return out
}

// Outside is what the fold needs to know and no line says.
type Outside struct {
	RefusedCounters map[string][]int64 // device to counters kept aside: no gap
	Refused         int                // entries kept aside and not admitted
}

// exceptions lists everything that a lead must look at.
func (j *Job) exceptions(out Outside) []Exception {
	groups := map[string]*found{}
	var order []string
	add := func(f found) {
		key := f.kind + "|" + f.subject
		if g := groups[key]; g != nil {
			g.lines = append(g.lines, f.lines...)
			return
		}
		c := f
		c.lines = slices.Clone(f.lines)
		groups[key] = &c
		order = append(order, key)
	}
	for _, it := range j.entries {
		for _, f := range j.entryExceptions(it) {
			if f.subject == "" {
				f.subject = f.step
			}
			add(f)
		}
	}
	for _, s := range j.stepsSorted() {
		j.stepExceptions(s, add)
	}
	j.photoExceptions(add)
	j.climbExceptions(add)
	j.deviceExceptions(out, add)
	if out.Refused > 0 {
		add(found{kind: RefusedAside, subject: strconv.Itoa(out.Refused), sentence: fmt.Sprintf("%d refused entries are kept aside; they count for nothing unless a lead admits them.", out.Refused)})
	}

	list := make([]Exception, 0, len(order))
	for _, key := range order {
		f := groups[key]
		slices.Sort(f.lines)
		f.lines = slices.Compact(f.lines)
		x := Exception{ID: exceptionID(*f), Kind: f.kind, Step: f.step, Lines: f.lines, Sentence: f.sentence}
		if len(f.lines) > 1 {
			x.Sentence = fmt.Sprintf("%s (%d entries)", f.sentence, len(f.lines))
		}
		for _, l := range j.lookedAt[x.ID] {
			if isLead(l) && j.isWithdrawn(l) == nil && !slices.Contains(x.LookedAt, l.Entry.GetAuthor()) {
				x.LookedAt = append(x.LookedAt, l.Entry.GetAuthor())
			}
		}
		if f.finding != "" {
			for _, l := range j.accepted {
				k := l.Entry.GetFindingAccepted()
				if isLead(l) && j.isWithdrawn(l) == nil && l.Seq > x.Lines[len(x.Lines)-1] && digest(k.GetDigest()) == f.photo && slices.Contains(k.GetCodes(), f.finding) && !slices.Contains(x.LookedAt, l.Entry.GetAuthor()) {
					x.LookedAt = append(x.LookedAt, l.Entry.GetAuthor())
				}
			}
		}
		list = append(list, x)
	}
	slices.SortStableFunc(list, func(a, b Exception) int { return weights[a.Kind] - weights[b.Kind] })
	return list
}

// stepsSorted returns the steps of the plan in order, then those it dropped.
func (j *Job) stepsSorted() []*stepRec {
	out := make([]*stepRec, 0, len(j.steps))
	for _, d := range j.Steps() {
		out = append(out, j.steps[d.ID])
	}
	var dropped []*stepRec
	for _, s := range j.steps {
		if s.def == nil {
			dropped = append(dropped, s)
		}
	}
	slices.SortFunc(dropped, func(a, b *stepRec) int { return strings.Compare(a.id, b.id) })
	return append(out, dropped...)
}

func (j *Job) stepExceptions(s *stepRec, add func(found)) {
	if len(s.items) == 0 && len(s.devs) == 0 {
		return
	}
	if s.last == nil {
		return
	}
	o := j.eval(s)
	put := func(kind, sentence string, items ...*item) {
		f := found{kind: kind, subject: s.id, step: s.id, sentence: sentence}
		for _, it := range items {
			f.lines = append(f.lines, it.Seq)
		}
		add(f)
	}
	if s.def == nil {
		var kept []*item
		for _, it := range s.items {
			if kindFits(s.last.Def, it.Entry) {
				kept = append(kept, it)
			}
		}
		if len(kept) > 0 && climbOfStep(s.id) != "" && !j.isOpened(climbOfStep(s.id)) {
			put(NoClimb, "Entered for a climb that was never opened.", kept...)
		} else if len(kept) > 0 {
			put(PlanDropped, "The plan no longer has this step; what was entered is kept.", kept...)
		}
		return
	}
	var bad, lost []*item
	counting := setOf(o.deciding)
	for _, it := range s.items {
		if !kindFits(s.last.Def, it.Entry) || !rightDoer(s, it) {
			continue
		}
		w := j.isWithdrawn(it)
		if j.judge(s, it).rank == rankBad {
			if w != nil {
				lost = append(lost, it)
			} else if !counting[it] && it.Entry.GetAcknowledged() == nil {
				bad = append(bad, it)
			}
		}
	}
	if len(lost) > 0 {
		put(FailWithdrawn, "An entry out of limits was withdrawn.", lost...)
	}
	if len(bad) > 0 && done(o.state) && o.deviation == nil {
		put(FailedThenPassed, "Out of limits before it was within.", append(bad, o.deciding...)...)
	}
	if o.deviation != nil {
		put(Deviation, "A deviation was accepted: "+o.deviation.Entry.GetDeviationAccepted().GetReason(), o.deviation)
	}
	if len(o.uncertain) > 0 {
		put(OrderUncertain, "Two entries lie within two minutes, or a clock was not measured; the worse counts.", o.uncertain...)
	}
	for _, it := range o.deciding {
		if s.last.Def.GetAcknowledge() == nil && s.last.Def.GetPhoto() == nil && j.judge(s, it).verdict == recordv1.Verdict_PASS_NOT_PROVEN {
			put(NotProven, "Within limits, not proven: "+j.judge(s, it).sentence, it)
		}
	}
	if !s.def.Required && o.state == recordv1.StepState_OUT_OF_LIMITS {
		put(OptionalOut, "An optional step is out of limits: "+o.sentence, o.deciding...)
	}
}

func (j *Job) photoExceptions(add func(found)) {
	var ds [][32]byte
	for d := range j.examined {
		ds = append(ds, d)
	}
	slices.SortFunc(ds, func(a, b [32]byte) int { return bytes.Compare(a[:], b[:]) })
	for _, d := range ds {
		x := j.examined[d]
		var step string
		lines := []int64{x.Seq}
		live := false
		for _, p := range j.photoOf[d] {
			if j.isWithdrawn(p) == nil {
				step, live = p.Entry.GetStep(), true
				lines = append(lines, p.Seq)
			}
		}
		if !live {
			continue
		}
		hexd := hex.EncodeToString(d[:8])
		for _, f := range x.Entry.GetPhotoExamined().GetFindings() {
			if f.GetException() {
				add(found{kind: PhotoFinding, subject: step + "#" + hexd + "#" + f.GetCode(), step: step, sentence: f.GetSentence(), lines: lines, finding: f.GetCode(), photo: d})
			}
		}
		if g := x.Entry.GetPhotoExamined().GetEndFace(); g.GetOutcome() == recordv1.EndFaceGrade_FAIL || g.GetOutcome() == recordv1.EndFaceGrade_NOT_GRADABLE {
			add(found{kind: EndFaceFails, subject: step + "#" + hexd, step: step, sentence: g.GetSentence(), lines: lines})
		}
	}
	// A digest used on two steps is the same picture twice.
	var used [][32]byte
	for d := range j.photoOf {
		used = append(used, d)
	}
	slices.SortFunc(used, func(a, b [32]byte) int { return bytes.Compare(a[:], b[:]) })
	for _, d := range used {
		steps := map[string]bool{}
		var lines []int64
		for _, p := range j.photoOf[d] {
			if j.isWithdrawn(p) == nil {
				steps[p.Entry.GetStep()+"#"+p.Entry.GetPhotoAttached().GetSubject()] = true
				lines = append(lines, p.Seq)
			}
		}
		if len(steps) > 1 {
			first := j.photoOf[d][0].Entry.GetStep()
			add(found{kind: PhotoFinding, subject: "same#" + hex.EncodeToString(d[:8]), step: first, sentence: "The same picture serves for several things: " + strings.Join(j.PhotoPlaces(d), "; ") + ".", lines: lines})
		}
	}
}

// PhotoPlaces says in words what a photo serves for in the job: the connection,
// line or section and the subject of each entry that names it and was not
// withdrawn, in the order of the lines, each once, at most ten.
func (j *Job) PhotoPlaces(digest [32]byte) []string {
	var out []string
	for _, p := range j.photoOf[digest] {
		if p.step == nil || p.step.last == nil || j.isWithdrawn(p) != nil {
			continue
		}
		def := p.step.last
		place := ""
		for _, name := range []string{def.Connection.GetTitle(), def.Connection.GetId(), def.Line.GetTitle(), def.Line.GetId(), def.Section.GetTitle()} {
			if place = name; place != "" {
				break
			}
		}
		subject := p.Entry.GetPhotoAttached().GetSubject()
		for _, s := range def.Def.GetPhoto().GetSubjects() {
			if s.GetId() == subject && s.GetTitle() != "" {
				subject = s.GetTitle()
			}
		}
		if subject != "" {
			place += " (" + subject + ")"
		}
		if len(out) < 10 && !slices.Contains(out, place) {
			out = append(out, place)
		}
	}
	return out
}

// climbExceptions says which gates were not met when a climb ended.
func (j *Job) climbExceptions(add func(found)) {
	if j.exp == nil {
		return
	}
	for _, id := range j.order {
		c := j.climbs[id]
		closer := j.closedBy(c)
		if c.opened == nil || closer == nil {
			continue
		}
		closed, lines := closer.time, []int64{c.opened.Seq, closer.Seq}
		unmet := func(gate, subject string) {
			if j.metAt(gate, closed) {
				return
			}
			f := found{kind: GateUnmetAtClose, subject: subject, sentence: fmt.Sprintf("'%s' was not met when the climb ended.", j.sectionTitle(gate)), lines: lines}
			for _, s := range j.gate(gate).met {
				if !s.to.IsZero() && !s.to.After(closed) {
					f.sentence = fmt.Sprintf("'%s' had ended at %s and was not met again when the climb ended.", j.sectionTitle(gate), s.to.In(j.zone).Format("15:04"))
				}
			}
			add(f)
		}
		for _, s := range j.climbGates {
			unmet("climb:"+id+"/"+s.GetId(), "climb:"+id+"/"+s.GetId())
		}
		seen := map[string]bool{}
		for _, s := range j.structure {
			for _, r := range s.GetRequires() {
				if j.compiled.Section(r).GetRepeat() == recordv1.Section_JOB && !seen[r] && len(j.section("job/"+r)) > 0 {
					seen[r] = true
					unmet("job/"+r, "job/"+r+"@"+id)
				}
			}
			if lacks := j.qualificationLacks(c, s, closed); len(lacks) > 0 {
				add(found{kind: Unqualified, subject: id, sentence: "Qualification missing or ended: " + joinNames(lacks) + ".", lines: lines})
			}
		}
	}
}

func (j *Job) isOpened(climb string) bool {
	c := j.climbs[climb]
	return c != nil && c.opened != nil
}

func (j *Job) deviceExceptions(out Outside, add func(found)) {
	var ids []string
	for d := range j.devices {
		ids = append(ids, d)
	}
	slices.Sort(ids)
	for _, d := range ids {
		c := j.devices[d]
		var offs, unknown, broken []int64
		known, refused := map[int64]bool{}, map[int64]bool{}
		for _, n := range out.RefusedCounters[d] {
			known[n], refused[n] = true, true
		}
		hash := map[int64][][32]byte{}
		largest := int64(0)
		for _, it := range c.items {
			n := it.Entry.GetCounter()
			known[n] = true
			largest = max(largest, n)
			hash[n] = append(hash[n], it.PayloadDigest)
			if it.vague {
				unknown = append(unknown, it.Seq)
			} else if absDuration(it.Entry.GetClockOffset().AsDuration()) > ambiguity {
				offs = append(offs, it.Seq)
			}
		}
		for _, it := range c.items {
			n := it.Entry.GetCounter()
			if it.KeyID == "" && len(it.Entry.GetPrevious()) == 0 {
				continue // a client without a key need not chain
			}
			if prev := hash[n-1]; n > 1 && len(prev) > 0 && !refused[n-1] && !slices.Contains(prev, digest(it.Entry.GetPrevious())) {
				broken = append(broken, it.Seq)
			}
		}
		var gap []string
		missing := 0
		for n := int64(1); n <= largest && missing <= 1000; n++ {
			if !known[n] {
				missing++
				if len(gap) < 10 {
					gap = append(gap, strconv.FormatInt(n, 10))
				}
			}
		}
		if missing > 0 {
			subject := d + "#" + strings.Join(gap, ",")
			if missing > len(gap) {
				subject += "+" + strconv.Itoa(missing-len(gap))
			}
			add(found{kind: ChainGap, subject: subject, sentence: fmt.Sprintf("%s: entry %s of this device has not arrived.", d, strings.Join(gap, ", "))})
		}
		if len(c.forked) > 0 {
			f := found{kind: ChainForked, subject: d, sentence: d + ": a counter was used for two different entries."}
			for _, it := range c.forked {
				f.lines = append(f.lines, it.Seq)
			}
			add(f)
		}
		if len(broken) > 0 {
			add(found{kind: ChainBroken, subject: d, sentence: d + ": an entry does not follow from the one before.", lines: broken})
		}
		if len(offs) > 0 {
			add(found{kind: ClockOff, subject: d, sentence: d + ": the clock was more than two minutes off; times are corrected by the measured offset.", lines: offs})
		}
		if len(unknown) > 0 {
			add(found{kind: ClockUnknown, subject: d, sentence: d + ": the clock was never measured; the times of receipt are used.", lines: unknown})
		}
	}
	ids = ids[:0]
	for d := range j.unsent {
		ids = append(ids, d)
	}
	slices.Sort(ids)
	for _, d := range ids {
		it := j.unsent[d]
		if n := it.Entry.GetUnsentReported().GetCount(); n > 0 {
			add(found{kind: UnsentWork, subject: d, sentence: fmt.Sprintf("%s last said at %s that it still holds %d entries or photos.", d, it.time.In(j.zone).Format("2006-01-02 15:04"), n), lines: []int64{it.Seq}})
		}
	}
}

// Doubt is a doubt about readings that a lead assesses.
type Doubt struct {
	ID       string
	Sentence string
	Steps    []string
	Entries  []string
	Assessed bool
}

// doubts lists the doubts, open and assessed. One about an expired or
// out-of-range tool is also settled by a deviation of its step.
func (j *Job) doubts() []Doubt {
	byID := map[string]*Doubt{}
	steps := map[string]map[string]bool{}
	var order []string
	for _, it := range j.entries {
		switch it.Entry.GetKind().(type) {
		case *recordv1.Entry_ReadingTaken, *recordv1.Entry_TorqueApplied, *recordv1.Entry_TraceAttached, *recordv1.Entry_PhotoAttached, *recordv1.Entry_KitChecked, *recordv1.Entry_Confirmed, *recordv1.Entry_Answered:
		default:
			continue
		}
		if it.step == nil || it.step.last == nil || !kindFits(it.step.last.Def, it.Entry) || j.isWithdrawn(it) != nil {
			continue
		}
		ids := j.judge(it.step, it).doubts
		if len(ids) == 0 { // kinds that rest on no instrument may be named by a line all the same
			for _, d := range j.doubtsBy[it.Entry.GetId()] {
				ids = append(ids, d.Entry.GetKitInDoubt().GetDoubt())
			}
		}
		for i, id := range ids {
			if slices.Contains(ids[:i], id) {
				continue
			}
			d := byID[id]
			if d == nil {
				d = &Doubt{ID: id, Sentence: j.doubtSentence(id, InstrumentOf(it.Entry)), Assessed: j.assessmentOf(id) != nil}
				byID[id], steps[id] = d, map[string]bool{}
				order = append(order, id)
			}
			if id == toolDoubt(it) && j.eval(it.step).state == recordv1.StepState_DEVIATING {
				d.Assessed = true
			}
			d.Entries = append(d.Entries, it.Entry.GetId())
			if !steps[id][it.step.id] {
				steps[id][it.step.id] = true
				d.Steps = append(d.Steps, it.step.id)
			}
		}
	}
	out := make([]Doubt, 0, len(order))
	for _, id := range order {
		out = append(out, *byID[id])
	}
	return out
}

func (j *Job) doubtSentence(id, instrument string) string {
	if d := j.doubted[id]; d != nil {
		return d.Entry.GetKitInDoubt().GetCause()
	}
	if strings.HasPrefix(id, "tool:") {
		return instrument + " was out of its calibration or outside its range."
	}
	return instrument + ": a good self-check was followed by a bad one; what was measured in between is in doubt."
}
