package record

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/limits"
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
	doubts   []string // open doubts that it rests on
	until    time.Time
	proven   bool // counts for a gate
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
		n := len(items)
		for n > 0 && items[n-1].time.After(asOf) {
			n--
		}
		items = items[:n]
	}
	back := j.lastReturn(s, asOf)
	var o outcome
	switch {
	case def.Def.GetAcknowledge() != nil:
		o = j.evalAcknowledge(s, items, back, asOf)
	case def.Def.GetPhoto() != nil:
		o = j.evalPhotos(s, items, back)
	case def.Def.GetReading().GetEachWavelength() || def.Def.GetReading().GetBothDirections():
		o = j.evalReadings(s, items, back)
	default:
		o = j.evalLast(s, items, back, nil)
	}
	if asOf.IsZero() && !done(o.state) && o.state != recordv1.StepState_WAITING {
		if d := j.deviation(s); d != nil {
			o.state, o.deviation = recordv1.StepState_DEVIATING, d
			o.sentence = "Deviation accepted: " + d.Entry.GetDeviationAccepted().GetReason()
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

// afterReturn says whether an item is made after a return; unsure when the two
// clocks cannot tell.
func afterReturn(it, back *item) (after, unsure bool) {
	if back == nil {
		return true, false
	}
	after = back.before(it)
	unsure = it.vague || (it.Entry.GetDevice() != back.Entry.GetDevice() && it.Entry.GetDevice() != "" && absDuration(it.time.Sub(back.time)) <= ambiguity)
	if unsure && it.Seq < back.Seq {
		// The lead returned what he saw: what the server had before cannot be new.
		return false, false
	}
	return after, unsure && after
}

func absDuration(d time.Duration) time.Duration {
	if d < 0 {
		return -d
	}
	return d
}

// evalLast lets the last counting entry decide; where the order of two entries
// of different devices is uncertain and matters, the worse counts.
func (j *Job) evalLast(s *stepRec, items []*item, back *item, only func(*item) bool) outcome {
	var last *item
	var o outcome
	returned := back != nil
	var returnedUnsure *item
	for i := len(items) - 1; i >= 0; i-- {
		it := items[i]
		if last != nil && s.vague == 0 && last.time.Sub(it.time) > ambiguity {
			break
		}
		if !j.counts(s, it) || (only != nil && !only(it)) {
			continue
		}
		after, unsure := afterReturn(it, back)
		if !after {
			if last == nil {
				break // everything earlier was before the return too
			}
			continue
		}
		returned = false
		if unsure && last == nil {
			returnedUnsure = it
		}
		if last == nil {
			last = it
			continue
		}
		if it.Entry.GetDevice() == last.Entry.GetDevice() {
			continue
		}
		if !(it.vague || last.vague || last.time.Sub(it.time) <= ambiguity) {
			continue
		}
		a, b := j.judge(s, last), j.judge(s, it)
		if b.rank != a.rank {
			o.uncertain = append(o.uncertain, it)
			if worse(b, a) {
				o.uncertain = append(o.uncertain, last)
				last = it
			}
		}
	}
	if returned && last == nil {
		o.state = recordv1.StepState_RETURNED
		o.sentence = "Sent back: " + back.Entry.GetReturnedForRework().GetReason()
		return o
	}
	if last == nil {
		o.state = recordv1.StepState_OPEN
		return o
	}
	if returnedUnsure != nil && returnedUnsure == last {
		o.uncertain = append(o.uncertain, last, back)
		o.state = recordv1.StepState_RETURNED
		o.sentence = "Sent back at nearly the same time as the entry; enter it again."
		return o
	}
	g := j.judge(s, last)
	o.state, o.verdict, o.sentence, o.advice, o.limit, o.working = g.state, g.verdict, g.sentence, g.advice, g.limit, g.working
	o.deciding = []*item{last}
	if len(o.uncertain) > 0 && !slices.Contains(o.uncertain, last) {
		o.uncertain = append(o.uncertain, last)
	}
	return o
}

func worse(a, b *judgement) bool {
	if a.rank != b.rank {
		return a.rank > b.rank
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
		default:
			g.bad(v.Sentence, v.Advice)
			g.verdict = recordv1.Verdict_FAIL
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
	var ids []string
	if flagged || j.calibrationCut(it, instrument) {
		ids = append(ids, toolDoubt(it))
	}
	ids = append(ids, j.doubtsOf(it, instrument)...)
	for _, id := range ids {
		a := j.assessed[id]
		switch {
		case a == nil || j.isWithdrawn(a) != nil:
			g.doubts = append(g.doubts, id)
		case a.Entry.GetAssessed().GetOutcome() != recordv1.Assessed_STANDS:
			g.open("It was assessed as not to be counted: "+a.Entry.GetAssessed().GetReason(), "Repeat it with an instrument in order.")
		}
	}
	if len(g.doubts) > 0 && g.rank == rankGood {
		g.rank, g.state, g.proven = rankWaiting, recordv1.StepState_WAITING, false
		g.advice = "The lead assesses whether it stands; or repeat it with a tool in order."
	}
}

// toolDoubt is the doubt's id where an expired or out-of-range tool was used.
func toolDoubt(it *item) string { return "tool:" + it.Entry.GetId() }

// calibrationCut says whether a later change of the instrument's calibration
// ends before this entry was made.
func (j *Job) calibrationCut(it *item, instrument string) bool {
	for _, c := range j.calibrated[instrument] {
		until := c.Entry.GetCalibrationChanged().GetCalibratedUntil()
		pinned := it.Pinned().GetToolCalibratedUntil()
		if c.Seq > it.Seq && until != "" && (pinned == "" || until < pinned) && it.time.In(j.zone).Format(time.DateOnly) > until {
			return true
		}
	}
	return false
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

// evalReadings evaluates a reading that is asked for each wavelength or in both
// directions: each passes by itself.
func (j *Job) evalReadings(s *stepRec, items []*item, back *item) outcome {
	def := s.def
	if def == nil {
		def = s.last
	}
	type key struct {
		nm  float64
		dir recordv1.ReadingTaken_Direction
	}
	keyOf := func(it *item) key {
		r := it.Entry.GetReadingTaken()
		k := key{}
		if def.Def.GetReading().GetEachWavelength() {
			k.nm = math.Round(r.GetWavelength().GetValue())
		}
		if def.Def.GetReading().GetBothDirections() {
			k.dir = r.GetDirection()
		}
		return k
	}
	var want []key
	dirs := []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_DIRECTION_UNSPECIFIED}
	if def.Def.GetReading().GetBothDirections() {
		dirs = []recordv1.ReadingTaken_Direction{recordv1.ReadingTaken_NEAR_TO_FAR, recordv1.ReadingTaken_FAR_TO_NEAR}
	}
	waves := []float64{0}
	if def.Def.GetReading().GetEachWavelength() {
		waves = nil
		for _, w := range def.Line.GetWavelengthsNanometers() {
			waves = append(waves, math.Round(w))
		}
		if len(waves) == 0 { // the plan names none: those that were measured, at least one
			for _, it := range items {
				if w := keyOf(it).nm; w != 0 && !slices.Contains(waves, w) {
					waves = append(waves, w)
				}
			}
			slices.Sort(waves)
		}
		if len(waves) == 0 {
			waves = []float64{0}
		}
	}
	for _, w := range waves {
		for _, d := range dirs {
			want = append(want, key{w, d})
		}
	}
	o := outcome{state: recordv1.StepState_COMPLETE, verdict: recordv1.Verdict_PASS}
	worst := -1
	entered := 0
	for _, w := range want {
		p := j.evalLast(s, items, back, func(it *item) bool { return keyOf(it) == w })
		o.uncertain = append(o.uncertain, p.uncertain...)
		o.deciding = append(o.deciding, p.deciding...)
		if len(p.deciding) > 0 {
			entered++
		}
		if r := stateRank(p.state); r > worst {
			worst = r
			o.state, o.verdict, o.sentence, o.advice, o.limit, o.working = p.state, p.verdict, p.sentence, p.advice, p.limit, p.working
		}
	}
	if entered < len(want) && (o.state == recordv1.StepState_OPEN || o.state == recordv1.StepState_COMPLETE) {
		o.state = recordv1.StepState_OPEN
		o.sentence = fmt.Sprintf("%d of %d readings are entered.", entered, len(want))
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
func (j *Job) evalPhotos(s *stepRec, items []*item, back *item) outcome {
	def := s.def
	if def == nil {
		def = s.last
	}
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
		if !after {
			continue
		}
		if unsure {
			o.uncertain = append(o.uncertain, it, back)
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
		case x == nil || j.received[d] == nil:
			there[sub][d] = true
		case x.Entry.GetPhotoExamined().GetReadable():
			there[sub][d], good[sub][d] = true, true
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

// evalAcknowledge wants each member of the crew.
func (j *Job) evalAcknowledge(s *stepRec, items []*item, back *item, asOf time.Time) outcome {
	def := s.def
	if def == nil {
		def = s.last
	}
	var o outcome
	crew := j.crewFor(def.Scope, def.ScopeID, asOf)
	said := map[string]*item{}
	for _, it := range items {
		a := it.Entry.GetAcknowledged()
		if a == nil || !j.counts(s, it) {
			continue
		}
		if after, unsure := afterReturn(it, back); !after || unsure {
			continue
		}
		said[a.GetPerson()] = it
	}
	o.state = recordv1.StepState_COMPLETE
	var lacking, unsure, unfit []string
	if len(crew) == 0 {
		o.state, o.sentence = recordv1.StepState_OPEN, "Nobody is on the crew yet."
		return o
	}
	for _, p := range crew {
		it := said[p]
		switch {
		case it == nil:
			lacking = append(lacking, p)
		case it.Entry.GetAcknowledged().GetFitness() == recordv1.Acknowledged_NOT_FIT:
			unfit = append(unfit, p)
			o.deciding = append(o.deciding, it)
		case def.Def.GetAcknowledge().GetAskFitness() && it.Entry.GetAcknowledged().GetFitness() != recordv1.Acknowledged_FIT:
			lacking = append(lacking, p)
		case !j.ownWord(it):
			unsure = append(unsure, p)
			o.deciding = append(o.deciding, it)
		default:
			o.deciding = append(o.deciding, it)
		}
	}
	switch {
	case len(unfit) > 0:
		o.state, o.sentence, o.advice = recordv1.StepState_OUT_OF_LIMITS, fmt.Sprintf("Not fit for this work, by his own word: %s.", joinNames(unfit)), "He stays on the ground; change the crew."
	case len(lacking) > 0:
		o.state, o.sentence = recordv1.StepState_OPEN, fmt.Sprintf("Still to acknowledge: %s.", joinNames(lacking))
		if back != nil && len(o.deciding) == 0 {
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
// device, without a device in his own session, or with his own code.
func (j *Job) ownWord(it *item) bool {
	who := it.Entry.GetAcknowledged().GetPerson()
	if it.Entry.GetAuthor() != who {
		return false
	}
	p := it.Pinned()
	if p.GetCodeChecked() {
		return true
	}
	if it.Entry.GetDevice() == "" {
		if it.Person == who {
			return true
		}
	} else if p.GetDeviceOwner() == who || (p.GetDeviceOwner() == "" && it.Person == who) {
		return true
	}
	for _, c := range j.confirmed[it.Entry.GetId()] {
		if c.Entry.GetAcknowledgementConfirmed().GetPerson() == who {
			return true
		}
	}
	return false
}

// deviation returns the accepted deviation that covers the step as it stands:
// accepted by a lead, not on his own entry, and nothing worse came afterwards.
func (j *Job) deviation(s *stepRec) *item {
	for i := len(s.devs) - 1; i >= 0; i-- {
		d := s.devs[i]
		if j.isWithdrawn(d) != nil || !isLead(d) {
			continue
		}
		if asked := d.Entry.GetDeviationAccepted().GetAsked(); asked != "" {
			if a := j.byID[asked]; a != nil && j.isWithdrawn(a) != nil {
				continue
			}
		}
		if b := j.lastReturn(s, time.Time{}); b != nil && b.Seq > d.Seq {
			continue
		}
		known, own, worst := 0.5, false, 0.0
		for _, it := range s.items {
			if !j.counts(s, it) {
				continue
			}
			b := 0.0
			if g := j.judge(s, it); g.rank > rankGood {
				b = max(g.badness, 0.5)
			}
			if it.Seq < d.Seq {
				known = max(b, 0.5)
				own = own || (it.Entry.GetAuthor() == d.Entry.GetAuthor() && b > 0)
			} else {
				worst = max(worst, b)
			}
		}
		if own || worst > known {
			continue
		}
		return d
	}
	return nil
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
