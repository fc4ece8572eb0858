package record

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// ambiguity is how near two entries of different devices lie for their order
// to be uncertain.
const ambiguity = 2 * time.Minute

// outcome is how a step stands.
type outcome struct {
	state     recordv1.StepState
	verdict   recordv1.Verdict
	sentence  string
	advice    string
	limit     *recordv1.Assessment_AppliedLimit
	working   *recordv1.Assessment_Working
	deciding  []*item // what counts; several for photos, wavelengths, crews
	uncertain []*item // entries whose order is uncertain and matters
	deviation *item
}

// judgement is what one entry says by itself.
type judgement struct {
	rank     int     // 0 good, higher is worse
	badness  float64 // for comparing two bad ones
	state    recordv1.StepState
	verdict  recordv1.Verdict
	sentence string
	advice   string
	limit    *recordv1.Assessment_AppliedLimit
	working  *recordv1.Assessment_Working
	warnings []*recordv1.Assessment_Warning
	pinned   *recordv1.Assessment_Pinned
	doubts   []string  // doubts that it rests on, open or assessed
	from     time.Time // zero, or when it begins to count
	until    time.Time // zero, or when it ends to count for a gate
	proven   bool      // counts for a gate
}

// Ranks of judgements, best first.
const (
	rankGood = iota
	rankWaiting
	rankOpen
	rankBad
)

// eval returns how a step stands, from the cache if it is current.
func (j *Job) eval(s *stepRec) outcome {
	if !s.fresh {
		s.result = j.evalItems(s, s.items, time.Time{})
		s.fresh = true
	}
	return s.result
}

// evalItems evaluates a step over sorted items. asOf, if set, leaves out what is
// later, for gates.
func (j *Job) evalItems(s *stepRec, items []*item, asOf time.Time) outcome {
	def := s.def
	if def == nil {
		def = s.last
	}
	if def == nil {
		return outcome{state: recordv1.StepState_OPEN}
	}
	if !asOf.IsZero() {
		items = items[:upTo(items, asOf)]
	}
	o := j.evalKind(s, def, items, j.lastReturn(s, asOf), asOf)
	if asOf.IsZero() && !done(o.state) {
		if d := j.deviation(s); d != nil {
			o.state, o.deviation = recordv1.StepState_DEVIATING, d
			o.sentence = "Deviation accepted: " + d.Entry.GetDeviationAccepted().GetReason()
		}
	}
	return o
}

// upTo is how many of sorted items were made no later than t.
func upTo(items []*item, t time.Time) int {
	if n := len(items); n == 0 || !items[n-1].time.After(t) {
		return n
	}
	n, _ := slices.BinarySearchFunc(items, t, func(it *item, t time.Time) int {
		if it.time.After(t) {
			return 1
		}
		return -1
	})
	return n
}

// evalKind evaluates the entries of a step, deviations left out.
func (j *Job) evalKind(s *stepRec, def *procedure.Step, items []*item, back *item, asOf time.Time) outcome {
	switch {
	case def.Def.GetAcknowledge() != nil:
		return j.evalAcknowledge(s, def, items, back, asOf)
	case def.Def.GetPhoto() != nil:
		return j.evalPhotos(s, def, items, back)
	case def.Def.GetReading().GetEachWavelength() || def.Def.GetReading().GetBothDirections():
		return j.evalReadings(s, def, items, back)
	}
	o := j.evalLast(s, items, back, asOf, s.vague)
	if def.Def.GetKitCheck() != nil && o.state == recordv1.StepState_OPEN && len(o.deciding) == 0 {
		// A check of the day in another job counts here too.
		if k := j.knownCheck(def, asOf); k != nil {
			o.state, o.verdict = recordv1.StepState_COMPLETE, recordv1.Verdict_PASS
			o.sentence = "The kit was checked in another job at " + k.time.In(j.zone).Format("15:04") + "."
		}
	}
	return o
}

// lastReturn is the newest return for rework of the step that is not withdrawn.
func (j *Job) lastReturn(s *stepRec, asOf time.Time) *item {
	for i := len(s.backs) - 1; i >= 0; i-- {
		b := s.backs[i]
		if j.isWithdrawn(b) == nil && (asOf.IsZero() || !b.time.After(asOf)) {
			return b
		}
	}
	return nil
}

// afterReturn says whether an item is made after a return, and whether the two
// clocks cannot tell.
func afterReturn(it, back *item) (after, unsure bool) {
	if back == nil {
		return true, false
	}
	if it.Seq < back.Seq && uncertain(it, back) {
		return false, false // the lead returned what he saw: what the server had before is not new
	}
	return back.before(it), uncertain(it, back)
}

// uncertain says that the order of two entries cannot be told: of different
// devices, and within two minutes or by a clock that was never measured.
func uncertain(a, b *item) bool {
	if a.Entry.GetDevice() == b.Entry.GetDevice() {
		return false
	}
	return a.vague || b.vague || absDuration(a.time.Sub(b.time)) <= ambiguity
}

func absDuration(d time.Duration) time.Duration {
	if d < 0 {
		return -d
	}
	return d
}

// evalLast lets the last counting entry decide; where the order of it and one of
// another device is uncertain and matters, the worse counts. vague is how many
// of the items have an unknown clock, or more.
func (j *Job) evalLast(s *stepRec, items []*item, back *item, asOf time.Time, vague int) outcome {
	var o outcome
	var last, pick *item // the last by time, and the one that counts
	var unsure []*item   // perhaps made after the return
	for i := len(items) - 1; i >= 0; i-- {
		it := items[i]
		if last != nil && !last.vague && vague == 0 && last.time.Sub(it.time) > ambiguity {
			break // nothing further back can be uncertain against it
		}
		if last != nil && back == nil {
			if !s.several {
				break // of one device: the order is certain
			}
			if last.Entry.GetDevice() == it.Entry.GetDevice() {
				if it.vague {
					vague--
				}
				continue
			}
		}
		if it.vague {
			vague--
		}
		if !j.counts(s, it) {
			continue
		}
		after, doubt := afterReturn(it, back)
		if doubt {
			unsure = append(unsure, it)
			continue
		}
		if !after {
			continue
		}
		if last == nil {
			last, pick = it, it
			continue
		}
		if !uncertain(it, last) {
			continue
		}
		a, b := j.judge(s, pick), j.judge(s, it)
		if same(j.judge(s, last), b) {
			continue
		}
		o.uncertain = append(o.uncertain, it)
		if worse(b, a) {
			pick = it
		}
	}
	if last == nil && len(unsure) > 0 {
		// Whether the entry is new cannot be told: the worse is that it is not.
		o.uncertain = append(unsure, back)
		o.state = recordv1.StepState_RETURNED
		o.sentence = "Sent back at nearly the same time as the entry; enter it again."
		return o
	}
	if last == nil && back != nil {
		o.state = recordv1.StepState_RETURNED
		o.sentence = "Sent back: " + back.Entry.GetReturnedForRework().GetReason()
		return o
	}
	for _, it := range unsure {
		if (last.before(it) || uncertain(it, last)) && !same(j.judge(s, last), j.judge(s, it)) {
			o.uncertain = append(o.uncertain, it)
			if worse(j.judge(s, it), j.judge(s, pick)) {
				pick = it
			}
		}
	}
	if len(o.uncertain) > 0 {
		o.uncertain = append(o.uncertain, last)
	}
	if last == nil {
		o.state = recordv1.StepState_OPEN
		return o
	}
	g := j.judge(s, pick)
	o.state, o.verdict, o.sentence, o.advice, o.limit, o.working = g.state, g.verdict, g.sentence, g.advice, g.limit, g.working
	o.deciding = []*item{pick}
	if !asOf.IsZero() && g.rank == rankGood && g.from.After(asOf) {
		o.state, o.sentence = recordv1.StepState_WAITING, "Not confirmed yet at that time."
	}
	return o
}

// same says that exchanging two entries changes nothing.
func same(a, b *judgement) bool {
	return a.rank == b.rank && a.state == b.state && a.verdict == b.verdict && a.proven == b.proven
}

func worse(a, b *judgement) bool {
	switch {
	case a.rank != b.rank:
		return a.rank > b.rank
	case a.proven != b.proven:
		return b.proven
	case a.state != b.state:
		return a.state == recordv1.StepState_NOT_NEEDED // not done is worse than done
	}
	return a.badness > b.badness
}

// counts says whether an entry bears on its step's outcome: of the right kind,
// not withdrawn, by a person who may.
func (j *Job) counts(s *stepRec, it *item) bool {
	if j.isWithdrawn(it) != nil || !rightDoer(s, it) {
		return false
	}
	def := s.def
	if def == nil {
		def = s.last
	}
	return kindFits(def.Def, it.Entry)
}

// rightDoer says whether the author may do the step.
func rightDoer(s *stepRec, it *item) bool {
	def := s.def
	if def == nil {
		def = s.last
	}
	if def.Def.GetDoer() == recordv1.Step_LEAD {
		return isLead(it)
	}
	return true
}

// judge says what one entry says by itself, from the cache if it is current.
func (j *Job) judge(s *stepRec, it *item) *judgement {
	if it.judged != nil && it.judgedFor == j.epoch {
		return it.judged
	}
	g := j.judgeFresh(s, it)
	it.judged, it.judgedFor = g, j.epoch
	return g
}

func (j *Job) judgeFresh(s *stepRec, it *item) *judgement {
	def := s.def
	if def == nil {
		def = s.last
	}
	e := it.Entry
	g := &judgement{state: recordv1.StepState_COMPLETE, proven: true}
	if h := def.Def.GetHoldsMinutes(); h > 0 {
		m := h
		if def.Def.GetReading().GetQuantity() == recordv1.Quantity_WIND_SPEED {
			if v, err := strconv.Atoi(it.Pinned().GetSettings()["wind_holds_minutes"]); err == nil && v > 0 {
				m = int32(v)
			}
		}
		g.until = it.time.Add(time.Duration(m) * time.Minute)
	}
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_Confirmed:
		switch k.Confirmed.GetOutcome() {
		case recordv1.Confirmed_DONE:
			g.sentence = "Done."
		case recordv1.Confirmed_NOT_APPLICABLE:
			if def.Def.GetConfirm().GetAllowNotApplicable() {
				g.state, g.sentence = recordv1.StepState_NOT_NEEDED, "Not applicable: "+k.Confirmed.GetReason()
			} else {
				g.open("'Not applicable' is not foreseen here: it asks for a deviation.", "Do the step, or ask for a deviation.")
			}
		default:
			g.bad("Not right: "+k.Confirmed.GetReason(), "Make it right and confirm again, or ask for a deviation.")
		}
	case *recordv1.Entry_Acknowledged:
		who := k.Acknowledged.GetPerson()
		own, since := j.ownWord(it)
		switch fit := k.Acknowledged.GetFitness(); {
		case fit == recordv1.Acknowledged_NOT_FIT:
			g.bad("Not fit for this work, by his own word: "+who+".", "He stays on the ground; change the crew.")
		case def.Def.GetAcknowledge().GetAskFitness() && fit != recordv1.Acknowledged_FIT:
			g.open("Whether he is fit for this work was not said: "+who+".", "Acknowledge again and say it.")
		case !own:
			g.rank, g.state, g.proven = rankWaiting, recordv1.StepState_WAITING, false
			g.sentence, g.advice = "Said on another's phone and not confirmed: "+who+".", "Confirm with the own code, or on the own phone."
		default:
			g.sentence, g.from = "Acknowledged.", since
		}
	case *recordv1.Entry_Answered:
		if c := def.Def.GetChoice(); c != nil {
			g.open("This answer is not one of the step's.", "Choose one of the answers.")
			for _, o := range c.GetOptions() {
				if o.GetId() == k.Answered.GetChoice() {
					*g = judgement{state: recordv1.StepState_COMPLETE, proven: true, until: g.until, sentence: o.GetTitle()}
					if !o.GetGood() {
						g.bad(o.GetTitle()+": this answer does not complete the step.", "Make it right and answer again, or ask for a deviation.")
					}
				}
			}
		} else if n := max(int(def.Def.GetText().GetMinLength()), 1); len([]rune(k.Answered.GetText())) < n {
			g.open(fmt.Sprintf("The answer has fewer than %d characters.", n), "Write a fuller answer.")
		}
	case *recordv1.Entry_ReadingTaken:
		pin := j.pinFor(s, it)
		g.take(limits.JudgeReading(def.Def.GetReading().GetQuantity(), k.ReadingTaken, e.GetConfirmedValue(), limitOf(def.Limit), pin, it.time))
		g.pinned = pin
		j.applyKit(s, it, g, pin)
		j.applyDoubts(it, g, k.ReadingTaken.GetInstrument())
		j.applyNotProven(it, g)
	case *recordv1.Entry_TorqueApplied:
		pin := j.pinFor(s, it)
		v := limits.JudgeTorque(k.TorqueApplied, e.GetConfirmedValue(), def.Connection.GetInterface(), limitOf(def.Limit), pin, it.time)
		g.take(v)
		g.pinned = pin
		j.applyDoubts(it, g, k.TorqueApplied.GetTool())
		j.applyNotProven(it, g)
	case *recordv1.Entry_TraceAttached:
		r := j.traces[e.GetId()]
		if r == nil {
			g.rank, g.state, g.sentence, g.proven = rankWaiting, recordv1.StepState_WAITING, "The trace file has not reached the server yet.", false
			break
		}
		if !r.Entry.GetTraceReceived().GetReadable() {
			g.open("The trace file cannot be read.", "Export it again as a one-port Touchstone file and attach it.")
			break
		}
		pin := j.pinFor(s, it)
		g.take(limits.JudgeTrace(r.Entry.GetTraceReceived(), k.TraceAttached, limitOf(def.Limit), pin))
		g.pinned = pin
		j.applyDoubts(it, g, k.TraceAttached.GetInstrument())
		j.applyNotProven(it, g)
	case *recordv1.Entry_KitChecked:
		v := limits.JudgeKit(k.KitChecked, limitOf(def.SourceLimit), limitOf(def.ResidualLimit))
		g.sentence, g.advice, g.working = v.Sentence, v.Advice, v.Working
		g.until = kitUntil(it.time, j.zone)
		switch v.State {
		case recordv1.KitState_FIT:
			g.verdict = recordv1.Verdict_PASS
		case recordv1.KitState_MARGINAL:
			g.verdict = recordv1.Verdict_PASS
			g.warnings = append(g.warnings, &recordv1.Assessment_Warning{Code: "KIT_MARGINAL", Sentence: v.Sentence})
		case recordv1.KitState_NOT_FIT:
			g.bad(v.Sentence, v.Advice)
			g.verdict = recordv1.Verdict_FAIL
		default: // an unfinished check says nothing of the kit, good or bad
			g.open(v.Sentence, v.Advice)
		}
	}
	return g
}

func limitOf(r *limits.Resolved) limits.Resolved {
	if r == nil {
		return limits.Resolved{None: true}
	}
	return *r
}

func (g *judgement) open(sentence, advice string) {
	g.rank, g.state, g.sentence, g.advice, g.proven = rankOpen, recordv1.StepState_OPEN, sentence, advice, false
}

func (g *judgement) bad(sentence, advice string) {
	g.rank, g.state, g.sentence, g.advice, g.proven, g.badness = rankBad, recordv1.StepState_OUT_OF_LIMITS, sentence, advice, false, 1
}

// take copies a verdict.
func (g *judgement) take(v limits.Judgement) {
	g.verdict, g.sentence, g.advice, g.limit, g.working, g.warnings = v.Verdict, v.Sentence, v.Advice, v.Limit, v.Working, v.Warnings
	g.proven = v.Verdict == recordv1.Verdict_PASS
	switch v.Verdict {
	case recordv1.Verdict_PASS, recordv1.Verdict_PASS_NOT_PROVEN, recordv1.Verdict_RECORDED:
	case recordv1.Verdict_FAIL:
		g.rank, g.state, g.badness = rankBad, recordv1.StepState_OUT_OF_LIMITS, 1+excess(v)
	case recordv1.Verdict_NOT_MEASURABLE:
		g.rank, g.state = rankOpen, recordv1.StepState_OPEN
	default:
		g.rank, g.state = rankOpen, recordv1.StepState_OPEN
	}
	if v.ToolFlag && g.rank == rankGood {
		g.doubts = append(g.doubts, "")
	}
}

// excess is how far outside its limit a value lies, for comparing two failures.
func excess(v limits.Judgement) float64 {
	val := math.NaN()
	for _, t := range v.Working.GetTerms() {
		switch t.GetName() { // the later one is in the limit's unit
		case "reading", "reading in the limit's unit":
			val = t.GetValue()
		}
	}
	x := 0.0
	if l := v.Limit; l != nil && !math.IsNaN(val) {
		if l.Upper != nil {
			x = max(x, val-*l.Upper)
		}
		if l.Lower != nil {
			x = max(x, *l.Lower-val)
		}
	}
	return x
}

// applyNotProven lets an organisation ask for a deviation where a pass is not proven.
func (j *Job) applyNotProven(it *item, g *judgement) {
	if g.verdict == recordv1.Verdict_PASS_NOT_PROVEN && g.rank == rankGood && it.Pinned().GetSettings()["not_proven_needs_deviation"] == "true" {
		g.rank, g.state = rankOpen, recordv1.StepState_OPEN
		g.advice = "This organisation asks for a deviation where a pass is not proven."
	}
}

// applyDoubts holds an entry back while a doubt about its instrument is open.
func (j *Job) applyDoubts(it *item, g *judgement, instrument string) {
	flagged := len(g.doubts) > 0
	g.doubts = nil
	if flagged || j.calibrationCut(it, instrument) {
		g.doubts = append(g.doubts, toolDoubt(it))
	}
	g.doubts = append(g.doubts, j.doubtsOf(it, instrument)...)
	open := false
	for _, id := range g.doubts {
		a := j.assessmentOf(id)
		switch {
		case a == nil:
			open = true
		case a.Entry.GetAssessed().GetOutcome() != recordv1.Assessed_STANDS:
			g.open("It was assessed as not to be counted: "+a.Entry.GetAssessed().GetReason(), "Repeat it with an instrument in order.")
		}
	}
	if open && g.rank == rankGood {
		g.rank, g.state, g.proven = rankWaiting, recordv1.StepState_WAITING, false
		g.advice = "The lead assesses whether it stands; or repeat it with a tool in order."
	}
}

// assessmentOf returns the newest assessment of a doubt by a lead that was not
// withdrawn, or nil.
func (j *Job) assessmentOf(doubt string) *item {
	for _, a := range slices.Backward(j.assessed[doubt]) {
		if isLead(a) && j.isWithdrawn(a) == nil {
			return a
		}
	}
	return nil
}

// toolDoubt is the doubt's id where an expired or out-of-range tool was used.
func toolDoubt(it *item) string { return "tool:" + it.Entry.GetId() }

// calibrationCut says whether the newest change of the instrument's calibration
// since the entry arrived ends before the entry was made.
func (j *Job) calibrationCut(it *item, instrument string) bool {
	cs := j.calibrated[instrument]
	if instrument == "" || len(cs) == 0 || cs[len(cs)-1].Seq < it.Seq {
		return false
	}
	until := cs[len(cs)-1].Entry.GetCalibrationChanged().GetCalibratedUntil()
	pinned := it.Pinned().GetToolCalibratedUntil()
	return until != "" && (pinned == "" || until < pinned) && it.time.In(j.zone).Format(time.DateOnly) > until
}

// pinFor returns the facts for judging an entry: those pinned, with the kit
// check that the lines know now.
func (j *Job) pinFor(s *stepRec, it *item) *recordv1.Assessment_Pinned {
	pin := it.Pinned()
	def := s.def
	if def == nil {
		def = s.last
	}
	if !def.Def.GetReading().GetNeedsKitCheck() {
		return pin
	}
	k := j.kitAt(it.Entry.GetReadingTaken().GetInstrument(), it.time)
	out := proto.Clone(pin).(*recordv1.Assessment_Pinned)
	if k == nil {
		out.KitState, out.KitCheck, out.Residual, out.KitHoldsUntil = "NONE", "", nil, nil
		return out
	}
	k.pin(out)
	return out
}

// applyKit opens a reading that no self-check stands behind.
func (j *Job) applyKit(s *stepRec, it *item, g *judgement, pin *recordv1.Assessment_Pinned) {
	def := s.def
	if def == nil {
		def = s.last
	}
	if !def.Def.GetReading().GetNeedsKitCheck() {
		return
	}
	if g.rank < rankBad && (pin.GetKitState() == "NONE" || pin.GetKitState() == "NOT_FIT") {
		g.open("No good self-check of this kit is known for that time; the reading is kept and does not count yet.",
			"Check the kit and repeat the reading, or send the check if it was made.")
	}
}

// part is what one of several readings of a step is asked for.
type part struct {
	nm  float64
	dir recordv1.ReadingTaken_Direction
}

// partOf says which of a step's readings an entry is; for other steps the zero.
func partOf(def *procedure.Step, e *recordv1.Entry) part {
	var p part
	r := e.GetReadingTaken()
	if def.Def.GetReading().GetEachWavelength() {
		p.nm = math.Round(r.GetWavelength().GetValue())
	}
	if def.Def.GetReading().GetBothDirections() {
		p.dir = r.GetDirection()
	}
	return p
}

// evalReadings evaluates a reading that is asked for each wavelength or in both
// directions: each passes by itself.
func (j *Job) evalReadings(s *stepRec, def *procedure.Step, items []*item, back *item) outcome {
	dirs := []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_DIRECTION_UNSPECIFIED}
	if def.Def.GetReading().GetBothDirections() {
		dirs = []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_NEAR_TO_FAR, recordv1.ReadingTaken_FAR_TO_NEAR}
	}
	groups := map[part][]*item{}
	for _, it := range items {
		if it.Entry.GetReadingTaken() != nil {
			p := partOf(def, it.Entry)
			groups[p] = append(groups[p], it)
		}
	}
	waves := []float64{0}
	if def.Def.GetReading().GetEachWavelength() {
		waves = nil
		for _, w := range def.Line.GetWavelengthsNanometers() {
			waves = append(waves, math.Round(w))
		}
		if len(waves) == 0 { // the plan names none: those that were measured, at least one
			for p := range groups {
				if p.nm != 0 && !slices.Contains(waves, p.nm) && slices.ContainsFunc(groups[p], func(it *item) bool { return j.counts(s, it) }) {
					waves = append(waves, p.nm)
				}
			}
			slices.Sort(waves)
		}
		if len(waves) == 0 {
			waves = []float64{0}
		}
	}
	o := outcome{}
	worst, entered, want := -1, 0, 0
	for _, w := range waves {
		for _, d := range dirs {
			want++
			p := j.evalLast(s, groups[part{w, d}], back, time.Time{}, s.vague)
			o.uncertain = append(o.uncertain, p.uncertain...)
			o.deciding = append(o.deciding, p.deciding...)
			if len(p.deciding) > 0 {
				entered++
			}
			r := stateRank(p.state) * 2
			if p.verdict == recordv1.Verdict_PASS_NOT_PROVEN {
				r++ // shown before a proven one
			}
			if r > worst {
				worst = r
				o.state, o.verdict, o.sentence, o.advice, o.limit, o.working = p.state, p.verdict, p.sentence, p.advice, p.limit, p.working
			}
		}
	}
	if entered < want && (o.state == recordv1.StepState_OPEN || o.state == recordv1.StepState_COMPLETE) {
		o.state = recordv1.StepState_OPEN
		o.sentence = fmt.Sprintf("%d of %d readings are entered.", entered, want)
	}
	return o
}

// stateRank orders states, worst last.
func stateRank(s recordv1.StepState) int {
	switch s {
	case recordv1.StepState_COMPLETE, recordv1.StepState_NOT_NEEDED:
		return 0
	case recordv1.StepState_DEVIATING:
		return 1
	case recordv1.StepState_WAITING:
		return 2
	case recordv1.StepState_OPEN:
		return 3
	case recordv1.StepState_RETURNED:
		return 4
	}
	return 5
}

// evalPhotos counts photos by subject.
func (j *Job) evalPhotos(s *stepRec, def *procedure.Step, items []*item, back *item) outcome {
	var o outcome
	good, there := map[string]map[[32]byte]bool{}, map[string]map[[32]byte]bool{}
	fresh := false
	unreadable := 0
	for _, it := range items {
		p := it.Entry.GetPhotoAttached()
		if p == nil || !j.counts(s, it) || len(p.GetDerivedFrom()) > 0 {
			continue
		}
		after, unsure := afterReturn(it, back)
		if unsure {
			o.uncertain = append(o.uncertain, it, back)
			continue
		}
		if !after {
			continue
		}
		fresh = true
		d := digest(p.GetDigest())
		sub := p.GetSubject()
		if there[sub] == nil {
			there[sub], good[sub] = map[[32]byte]bool{}, map[[32]byte]bool{}
		}
		o.deciding = append(o.deciding, it)
		x := j.examined[d]
		switch {
		case j.received[d] != nil && (x.readable() || j.readableCopy(s, d)):
			there[sub][d], good[sub][d] = true, true
		case j.received[d] == nil || x == nil:
			there[sub][d] = true
		default:
			unreadable++
		}
	}
	o.state = recordv1.StepState_COMPLETE
	lacking, waiting := 0, 0
	for _, sub := range def.Def.GetPhoto().GetSubjects() {
		n := max(int(sub.GetCount()), 1)
		if len(good[sub.GetId()]) >= n {
			continue
		}
		if len(there[sub.GetId()]) >= n {
			waiting++
			continue
		}
		lacking += n - len(there[sub.GetId()])
	}
	switch {
	case lacking > 0 && back != nil && !fresh:
		o.state, o.sentence = recordv1.StepState_RETURNED, "Sent back: "+back.Entry.GetReturnedForRework().GetReason()
	case lacking > 0:
		o.state, o.sentence = recordv1.StepState_OPEN, fmt.Sprintf("%d photo(s) are missing.", lacking)
		if unreadable > 0 {
			o.sentence = fmt.Sprintf("%d photo(s) are missing; %d cannot be read as a picture.", lacking, unreadable)
			o.advice = "Take the photo again."
		}
	case waiting > 0:
		o.state, o.sentence = recordv1.StepState_WAITING, "Photos are on their way to the server."
	}
	return o
}

// readable says whether an examination found a picture; nil: there was none.
func (it *item) readable() bool {
	return it != nil && it.Entry.GetPhotoExamined().GetReadable()
}

// readableCopy says whether the step holds a readable derived copy of a photo
// that is itself not examined, such as the JPEG of an HEIC.
func (j *Job) readableCopy(s *stepRec, original [32]byte) bool {
	for _, c := range j.copies[original] {
		d := digest(c.Entry.GetPhotoAttached().GetDigest())
		if c.step == s && j.counts(s, c) && j.received[d] != nil && j.examined[d].readable() {
			return true
		}
	}
	return false
}

// evalAcknowledge wants each member of the crew.
func (j *Job) evalAcknowledge(s *stepRec, def *procedure.Step, items []*item, back *item, asOf time.Time) outcome {
	crew := j.crewFor(def.Scope, def.ScopeID, asOf)
	if len(crew) == 0 {
		return outcome{state: recordv1.StepState_OPEN, sentence: "Nobody is on the crew yet."}
	}
	said := map[string][]*item{}
	for _, it := range items {
		if a := it.Entry.GetAcknowledged(); a != nil {
			said[a.GetPerson()] = append(said[a.GetPerson()], it)
		}
	}
	o := outcome{state: recordv1.StepState_COMPLETE}
	var lacking, unsure, unfit []string
	returned := back != nil
	for _, p := range crew {
		q := j.evalLast(s, said[p], back, asOf, s.vague)
		o.uncertain = append(o.uncertain, q.uncertain...)
		o.deciding = append(o.deciding, q.deciding...)
		returned = returned && q.state == recordv1.StepState_RETURNED
		switch q.state {
		case recordv1.StepState_COMPLETE:
		case recordv1.StepState_OUT_OF_LIMITS:
			unfit = append(unfit, p)
		case recordv1.StepState_WAITING:
			unsure = append(unsure, p)
		default:
			lacking = append(lacking, p)
		}
	}
	switch {
	case len(unfit) > 0:
		o.state, o.sentence, o.advice = recordv1.StepState_OUT_OF_LIMITS, fmt.Sprintf("Not fit for this work, by his own word: %s.", joinNames(unfit)), "He stays on the ground; change the crew."
	case len(lacking) > 0:
		o.state, o.sentence = recordv1.StepState_OPEN, fmt.Sprintf("Still to acknowledge: %s.", joinNames(lacking))
		if returned {
			o.state = recordv1.StepState_RETURNED
		}
	case len(unsure) > 0:
		o.state, o.sentence, o.advice = recordv1.StepState_WAITING, fmt.Sprintf("Said on another's phone and not confirmed: %s.", joinNames(unsure)), "Confirm with the own code, or on the own phone."
	default:
		o.sentence = fmt.Sprintf("Acknowledged by all %d.", len(crew))
	}
	return o
}

func joinNames(names []string) string {
	out := ""
	for i, n := range names {
		if i > 0 {
			out += ", "
		}
		out += n
	}
	return out
}

// ownWord says whether an acknowledgement is the person's own: on his own
// device, without a device in his own session, or with his own code. since is
// when it was confirmed afterwards, else zero.
func (j *Job) ownWord(it *item) (own bool, since time.Time) {
	who := it.Entry.GetAcknowledged().GetPerson()
	if it.Entry.GetAuthor() != who {
		return false, since
	}
	p := it.Pinned()
	if p.GetCodeChecked() {
		return true, since
	}
	if it.Entry.GetDevice() == "" {
		if it.Person == who {
			return true, since
		}
	} else if p.GetDeviceOwner() == who || (p.GetDeviceOwner() == "" && it.Person == who) {
		return true, since
	}
	for _, c := range j.confirmed[it.Entry.GetId()] {
		if c.Entry.GetAcknowledgementConfirmed().GetPerson() == who {
			return true, c.time
		}
	}
	return false, since
}

// deviation returns the accepted deviation that covers the step as it stands:
// accepted by a lead, not on his own entry, and nothing worse came afterwards
// than what was known then.
func (j *Job) deviation(s *stepRec) *item {
	def := s.def
	if def == nil {
		def = s.last
	}
	back := j.lastReturn(s, time.Time{})
	for i := len(s.devs) - 1; i >= 0; i-- {
		d := s.devs[i]
		if j.isWithdrawn(d) != nil || !isLead(d) || (back != nil && back.Seq > d.Seq) {
			continue
		}
		if asked := d.Entry.GetDeviationAccepted().GetAsked(); asked != "" {
			if a := j.byID[asked]; a != nil && (j.isWithdrawn(a) != nil || a.Entry.GetAuthor() == d.Entry.GetAuthor()) {
				continue
			}
		}
		if j.covers(s, def, d) {
			return d
		}
		if i < len(s.devs)-mostDeviations {
			break
		}
	}
	return nil
}

// mostDeviations bounds how many deviations of one step are tried, newest first.
const mostDeviations = 50

// covers says whether a deviation was accepted by another than the author of
// what it covers, and no worse entry came after it.
func (j *Job) covers(s *stepRec, def *procedure.Step, d *item) bool {
	then := make([]*item, 0, len(s.items))
	for _, it := range s.items {
		if it.Seq < d.Seq {
			then = append(then, it)
		}
	}
	known := map[part]float64{}
	for _, it := range j.evalKind(s, def, then, j.lastReturn(s, time.Time{}), time.Time{}).deciding {
		g := j.judge(s, it)
		if g.rank > rankGood && it.Entry.GetAuthor() == d.Entry.GetAuthor() {
			return false
		}
		p := partOf(def, it.Entry)
		known[p] = max(known[p], g.badness)
	}
	for _, it := range s.items {
		if it.Seq > d.Seq && j.counts(s, it) && j.judge(s, it).badness > max(known[partOf(def, it.Entry)], 0.5) {
			return false
		}
	}
	return true
}

// kindFits says whether an entry's kind answers a step.
func kindFits(def *recordv1.Step, e *recordv1.Entry) bool {
	switch e.GetKind().(type) {
	case *recordv1.Entry_Confirmed:
		return def.GetConfirm() != nil
	case *recordv1.Entry_Acknowledged:
		return def.GetAcknowledge() != nil
	case *recordv1.Entry_ReadingTaken:
		return def.GetReading() != nil
	case *recordv1.Entry_TorqueApplied:
		return def.GetTorque() != nil
	case *recordv1.Entry_PhotoAttached:
		return def.GetPhoto() != nil
	case *recordv1.Entry_TraceAttached:
		return def.GetTrace() != nil
	case *recordv1.Entry_KitChecked:
		return def.GetKitCheck() != nil
	case *recordv1.Entry_Answered:
		return def.GetChoice() != nil || def.GetText() != nil
	}
	return false
}
