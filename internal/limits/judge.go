package limits

import (
	"fmt"
	"math"
	"strings"
	"time"

	"witnessmark/internal/metrology"
	"witnessmark/internal/rf"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Judgement is what the rules say of one reading.
type Judgement struct {
	Verdict recordv1.Verdict
	// Sentence says value, limit, where the limit comes from and what the
	// uncertainty did. English, decimal point.
	Sentence string
	// Advice says what to do next; empty when there is nothing to do.
	Advice string
	// Limit is the limit as it was applied; nil when none was.
	Limit   *recordv1.Assessment_AppliedLimit
	Working *recordv1.Assessment_Working
	// Warnings are things to know; those whose code begins with ASK_ ask about
	// a value that is almost surely a slip, and are gone once confirmed.
	Warnings []*recordv1.Assessment_Warning
	// ToolFlag says that the tool or instrument was out of its calibration or
	// outside its range: the verdict stands by the numbers, and the step is
	// open until that is assessed or deviated.
	ToolFlag bool
	// Marginal is a pass with a kit that was only marginally fit.
	Marginal bool
}

// Codes of warnings. They are API and never renamed.
const (
	AskSign             = "ASK_SIGN"       // a minus on a return loss, a plus on a level in dBc
	AskStandingWave     = "ASK_VSWR"       // 1.33 for a return loss
	AskReturnLoss       = "ASK_DECIBELS"   // 18 for a standing-wave ratio
	AskUnlikely         = "ASK_UNLIKELY"   // outside what the quantity can plausibly be
	AskThousands        = "ASK_DECIMAL"    // exactly three digits after a lone comma or point
	AskTorque           = "ASK_TORQUE"     // far from what the interface takes
	AskSetting          = "ASK_SETTING"    // the tool's setting is not the torque entered
	WarnKitNone         = "KIT_NOT_KNOWN"  // no self-check holds for the kit
	WarnKitState        = "KIT_NOT_FIT"    // the kit's self-check says not fit
	WarnKitMarginal     = "KIT_MARGINAL"   // the kit's self-check was marginal
	WarnKitForLimit     = "KIT_FOR_LIMIT"  // the residual is less than 10 dB under this limit
	WarnCarrier         = "CARRIER_POWER"  // not the usual test power
	WarnExpired         = "TOOL_EXPIRED"   // out of calibration on that day
	WarnRange           = "TOOL_RANGE"     // outside the range the tool is made for
	WarnToolClass       = "TOOL_CLASS"     // class or largest value of the tool not known
	WarnUncertainty     = "UNCERTAINTY"    // the limit asks for a guard band, and no uncertainty is known
	WarnDirectivity     = "DIRECTIVITY"    // the limit asks for the directivity, and none is known
	WarnGust            = "GUST"           // a gust held against a limit for the mean
	WarnTraceImpedance  = "TRACE"          // what was noticed in a trace file
	WarnTraceReading    = "TRACE_READING"  // the value read on the screen is not the trace's
	WarnDirectivityNear = "DIRECTIVITY_10" // directivity less than 10 dB better than the limit
)

// judging collects one judgement.
type judging struct {
	out  Judgement
	pin  *recordv1.Assessment_Pinned
	asks bool // ask about slips: the value was not confirmed
}

func newJudging(formula string, confirmed bool, pin *recordv1.Assessment_Pinned) *judging {
	if pin == nil {
		pin = &recordv1.Assessment_Pinned{}
	}
	return &judging{pin: pin, asks: !confirmed, out: Judgement{Working: &recordv1.Assessment_Working{Formula: formula}}}
}

func (j *judging) term(name string, v float64, u recordv1.Measure_Unit) {
	j.termIn(name, v, unitOf(u).Symbol())
}

func (j *judging) termIn(name string, v float64, unit string) {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return // the sentence says it in words; a working holds finite numbers
	}
	j.out.Working.Terms = append(j.out.Working.Terms, &recordv1.Assessment_Working_Term{Name: name, Value: round6(v), Unit: unit})
}

func (j *judging) warn(code, sentence string) {
	j.out.Warnings = append(j.out.Warnings, &recordv1.Assessment_Warning{Code: code, Sentence: sentence})
}

// ask adds a question about a slip, with what was perhaps meant; nothing once
// the person has said that the value is meant.
func (j *judging) ask(code, sentence string, value float64, u recordv1.Measure_Unit) {
	if !j.asks {
		return
	}
	w := &recordv1.Assessment_Warning{Code: code, Sentence: sentence}
	if u != recordv1.Measure_UNIT_UNSPECIFIED {
		w.Proposal = &recordv1.Measure{Typed: measure(value, u), Value: round6(value), Unit: u}
	}
	j.out.Warnings = append(j.out.Warnings, w)
}

func (j *judging) done(v recordv1.Verdict, sentence, advice string) Judgement {
	j.out.Verdict, j.out.Sentence, j.out.Advice = v, sentence, advice
	return j.out
}

// unjudged is a reading that cannot be compared with its limit.
func (j *judging) unjudged(sentence, advice string) Judgement {
	return j.done(recordv1.Verdict_NOT_MEASURABLE, sentence, advice)
}

// applied writes the limit into the judgement.
func (j *judging) applied(l Resolved, guard float64) {
	j.out.Limit = &recordv1.Assessment_AppliedLimit{
		Lower: l.Lower, Upper: l.Upper, Unit: l.Unit, Guard: round6(guard),
		Source: SourceText(l.Source), Standing: l.Source.GetStanding(), Rule: ruleText(l.Decision),
	}
	if l.Lower != nil {
		j.term("lower limit", *l.Lower, l.Unit)
	}
	if l.Upper != nil {
		j.term("upper limit", *l.Upper, l.Unit)
	}
}

// SourceText is where a limit comes from, as it is printed. A figure from
// memory says so and is never printed as a citation.
func SourceText(s *recordv1.Source) string {
	cite := s.GetDocument()
	if s.GetClause() != "" {
		cite = strings.TrimPrefix(cite+", "+s.GetClause(), ", ")
	}
	if s.GetYear() != 0 {
		cite = strings.TrimSpace(fmt.Sprintf("%s (%d)", cite, s.GetYear()))
	}
	behind := func(words string) string {
		if cite == "" {
			return words
		}
		return words + ": " + cite
	}
	switch s.GetStanding() {
	case recordv1.Source_PUBLISHED:
		return cite
	case recordv1.Source_COMMON_PRACTICE:
		return "common practice"
	case recordv1.Source_COMPANY:
		return behind("this company")
	case recordv1.Source_OWNER:
		return behind("the owner")
	case recordv1.Source_MAKER:
		return behind("the maker")
	case recordv1.Source_FROM_MEMORY:
		if cite == "" {
			return "from memory, not confirmed"
		}
		return behind("from memory, not confirmed; to be looked up in")
	case recordv1.Source_COMPUTED:
		return behind("computed")
	}
	return "no source given"
}

func ruleText(d *recordv1.Limit_Decision) string {
	var s string
	switch d.GetRule() {
	case recordv1.Limit_Decision_GUARDED:
		s = "guarded"
	case recordv1.Limit_Decision_RESIDUAL:
		s = "bounded by the kit's residual"
	case recordv1.Limit_Decision_DIRECTIVITY:
		s = "bounded by the directivity"
	case recordv1.Limit_Decision_TOOL_CLASS:
		s = "bounded by the tool's class"
	default:
		s = "simple acceptance"
	}
	if g := d.GetGuardFactor(); g > 0 {
		s += ", guard band " + trimmed(g) + " times the expanded uncertainty"
	}
	return s
}

// phrase is a limit in words: "24.4 to 30 N·m", "at most −150 dBc".
func phrase(l Resolved) string {
	switch {
	case l.Lower != nil && l.Upper != nil:
		return trimmed(*l.Lower) + " to " + measure(*l.Upper, l.Unit)
	case l.Lower != nil:
		return "at least " + measure(*l.Lower, l.Unit)
	case l.Upper != nil:
		return "at most " + measure(*l.Upper, l.Unit)
	}
	return "no limit"
}

// where puts a value beside its limit in words. of is such as "for 7-16".
func where(value string, y float64, l Resolved, inside bool, of string) string {
	if of != "" {
		of = " " + of
	}
	both := l.Lower != nil && l.Upper != nil
	switch {
	case inside && both:
		return value + " is within " + phrase(l) + of
	case inside:
		return value + " is within the limit, " + phrase(l) + of
	case l.Upper != nil && y > *l.Upper:
		gap := gap(y-*l.Upper, l.Unit)
		if math.IsInf(y, 0) || y >= clampHigh {
			return value + " is over the limit, " + phrase(l) + of
		}
		if both {
			return value + " is outside " + phrase(l) + of + ": " + gap + " too much"
		}
		return value + " is over the limit, " + phrase(l) + of + ", by " + gap
	default:
		gap := gap(*l.Lower-y, l.Unit)
		if both {
			return value + " is outside " + phrase(l) + of + ": " + gap + " too little"
		}
		return value + " is under the limit, " + phrase(l) + of + ", by " + gap
	}
}

// differenceUnit is the unit of a difference of two values: two levels in dBm
// or dBc differ by dB.
func differenceUnit(u recordv1.Measure_Unit) recordv1.Measure_Unit {
	if u == decibelCarrier || u == decibelMilli {
		return decibels
	}
	return u
}

func sourceSentence(l Resolved) string {
	return " Limit: " + strings.TrimSuffix(SourceText(l.Source), ".") + "."
}

// tolerance turns a limit into the form of package metrology.
func tolerance(l Resolved) metrology.Limits {
	var m metrology.Limits
	if l.Lower != nil {
		m.Lower, m.HasLower = *l.Lower, true
	}
	if l.Upper != nil {
		m.Upper, m.HasUpper = *l.Upper, true
	}
	return m
}

// guard is the guard band that a limit asks for: factor times the expanded
// uncertainty that the procedure fixes, else the instrument's. Known is false
// when a band is asked for and no uncertainty is known.
func (j *judging) guard(l Resolved) (rule metrology.Rule, u metrology.Uncertainty, known bool) {
	rule = metrology.Rule{SimpleWithoutUncertainty: true}
	factor := l.Decision.GetGuardFactor()
	if factor <= 0 {
		return rule, u, true
	}
	expanded := l.Decision.GetExpandedUncertainty()
	if expanded <= 0 {
		expanded = j.pin.GetExpandedUncertainty()
	}
	if !(expanded > 0) || math.IsInf(expanded, 0) {
		return rule, u, false
	}
	rule.GuardFactor = factor
	return rule, metrology.Uncertainty{Expanded: expanded, K: 2}, true
}

// clampHigh stands for an infinite standing-wave ratio or return loss, which
// the arithmetic of decisions does not take.
const clampHigh = 1e8

func clamped(v float64) float64 { return max(-clampHigh, min(clampHigh, v)) }

// kit says what the pinned kit check gives at the time of a reading: its
// residual in dBc where it holds, and whether one holds at all.
func (j *judging) kit(at time.Time) (residual float64, holds bool) {
	if until := j.pin.GetKitHoldsUntil(); until != nil && at.After(until.AsTime()) {
		j.warn(WarnKitNone, "The kit's self-check held until "+until.AsTime().UTC().Format("15:04")+" UTC, before this reading.")
		return 0, false
	}
	switch j.pin.GetKitState() {
	case "NOT_FIT":
		j.warn(WarnKitState, "The kit's self-check says that it is not fit for use.")
	case "MARGINAL":
		j.warn(WarnKitMarginal, "The kit's self-check was marginal.")
		j.out.Marginal = true
	}
	r := j.pin.GetResidual()
	if j.pin.Residual == nil || math.IsNaN(r) || math.IsInf(r, 0) {
		return 0, false
	}
	return r, true
}

// calibrated flags a tool or instrument that was out of its calibration at the
// site's day of the reading, or is used outside its range. value is in the
// limit's unit, as the tool's range is.
func (j *judging) calibrated(at time.Time, value float64, u recordv1.Measure_Unit) {
	if until := j.pin.GetToolCalibratedUntil(); until != "" {
		due, err := metrology.ParseDate(until)
		switch day, known := j.siteDay(at); {
		case err != nil:
			j.out.ToolFlag = true
			j.warn(WarnExpired, "The calibration date on record, "+fmt.Sprintf("%.20q", until)+", cannot be read.")
		case known && day.Compare(due) > 0:
			j.out.ToolFlag = true
			j.warn(WarnExpired, "Out of calibration: in date through "+until+", used on "+day.String()+".")
		}
	}
	// A billionth of room: the range was converted from the tool's own unit.
	room := 1e-9 * math.Abs(value)
	if j.pin.ToolMaximum != nil && value > j.pin.GetToolMaximum()+room {
		j.out.ToolFlag = true
		j.warn(WarnRange, measure(value, u)+" is over the largest value that the tool is made for, "+measure(j.pin.GetToolMaximum(), u)+".")
	}
	if j.pin.ToolMinimum != nil && value < j.pin.GetToolMinimum()-room {
		j.out.ToolFlag = true
		j.warn(WarnRange, measure(value, u)+" is under the smallest value that the tool is made for, "+measure(j.pin.GetToolMinimum(), u)+".")
	}
}

// siteDay is the civil date at the site of an instant, from the pinned bounds
// of the site's day in UTC. Noon there lies within 14 hours of a UTC noon; the
// setting site_date, where pinned, decides for the few zones beyond.
func (j *judging) siteDay(at time.Time) (metrology.Date, bool) {
	begin, end := j.pin.GetDayBegin(), j.pin.GetDayEnd()
	if begin == nil || end == nil {
		if at.IsZero() {
			return metrology.Date{}, false
		}
		return metrology.DateOf(at, time.UTC), true
	}
	if d, err := metrology.ParseDate(j.pin.GetSettings()["site_date"]); err == nil {
		return d, true
	}
	b := begin.AsTime()
	d := metrology.DateOf(b.Add(13*time.Hour+30*time.Minute), time.UTC)
	if !at.IsZero() {
		// Bounds of another day than the reading's: move by whole days.
		if at.Before(b) {
			d = d.AddDays(-int(math.Ceil(b.Sub(at).Hours() / 24)))
		} else if e := end.AsTime(); !at.Before(e) {
			d = d.AddDays(1 + int(at.Sub(e).Hours()/24))
		}
	}
	return d, true
}

// JudgeReading judges a reading of quantity q against a limit. confirmed says
// that the person was asked about the value and meant it; pin holds what is not
// in the entry (kit, calibration, uncertainty); at is the reading's corrected
// time.
//
// The reading is judged in the limit's unit. A level in dBm goes to dBc, and
// back, only with the power of one carrier. Return loss and standing-wave ratio
// are one thing in two forms. For a distance to a fault the pinned largest value
// is that of the set-up, in the limit's unit, or the reading's where no limit
// applies; a distance beyond it says nothing. What cannot be compared is not measurable, with
// the reason; it is never an error and never a pass.
func JudgeReading(q recordv1.Quantity, r *recordv1.ReadingTaken, confirmed bool, limit Resolved, pin *recordv1.Assessment_Pinned, at time.Time) Judgement {
	j := newJudging("reading against its limit", confirmed, pin)
	value, unit := r.GetValue(), r.GetUnit()
	if r == nil || r.GetNotMeasurable() {
		return j.unjudged("The instrument showed no number.", "Say in the set-up what it showed; check range, connections and the kit, then read again.")
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return j.unjudged("The reading is not a finite number.", "Enter the number that the instrument shows.")
	}
	if !UnitFits(q, unit) {
		return j.unjudged(measure(value, unit)+" cannot be judged: "+unitName(unit)+" is not a unit of "+quantityName(q)+".", "Enter the reading again in the right unit.")
	}
	j.term("reading", value, unit)
	j.askAbout(q, r)
	text := measure(value, unit)
	of := fibreWords(r)
	if of != "" {
		text += " " + of
	}

	if limit.Problem != "" {
		return j.unjudged(text+" cannot be judged: "+limit.Problem+".", "Have the plan revised; the reading is kept.")
	}
	l, ok := limit.At(r.GetWavelength().GetValue())
	if !ok {
		return j.unjudged(text+" cannot be judged: "+wavelengthMissing(r), "Enter the reading again with its wavelength.")
	}
	if l.Problem != "" {
		return j.unjudged(text+" cannot be judged: "+l.Problem+".", "Have the plan revised; the reading is kept.")
	}
	if q == recordv1.Quantity_DISTANCE_TO_FAULT && j.pin.ToolMaximum != nil {
		in := l.Unit
		if l.None {
			in = unit
		}
		if y, err := convert(value, unit, in); err == nil && round6(y) > round6(j.pin.GetToolMaximum()) {
			return j.unjudged(text+" lies beyond the largest distance of this set-up, "+measure(j.pin.GetToolMaximum(), in)+".", "Choose a smaller span or more points, so that the whole line lies within the largest distance, and sweep again.")
		}
	}
	if l.None {
		j.calibrated(at, value, unit)
		return j.done(recordv1.Verdict_RECORDED, text+" is recorded; no limit applies here.", "")
	}
	if why, advice := impossible(q, value, unit); why != "" {
		j.applied(l, 0)
		return j.unjudged(text+" cannot be judged: "+why+".", advice)
	}

	y, why := inLimitUnit(q, r, l.Unit)
	if why != "" {
		j.applied(l, 0)
		return j.unjudged(text+" cannot be compared with the limit, "+phrase(l)+": "+why+".", "Enter the reading again with what is missing.")
	}
	if l.Unit != unit {
		j.term("reading in the limit's unit", y, l.Unit)
		text = measure(value, unit) + " (" + about(y, l.Unit, l.Lower, l.Upper) + ")"
		if of != "" {
			text += " " + of
		}
	}
	j.calibrated(at, y, l.Unit)
	if r.GetGust() && q == recordv1.Quantity_WIND_SPEED {
		j.warn(WarnGust, "A gust was entered; the limit is for the mean.")
	}
	switch q {
	case recordv1.Quantity_INTERMODULATION:
		return j.intermodulation(r, text, y, l, at)
	case recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO:
		return j.returnLoss(q, text, value, unit, y, l)
	}
	return j.plain(q, text, y, l)
}

// plain is a comparison without an error bound of its own: guard band only.
func (j *judging) plain(q recordv1.Quantity, text string, y float64, l Resolved) Judgement {
	rule, u, known := j.guard(l)
	m, err := metrology.Judge(tolerance(l), rule, u, clamped(y), metrology.Interval{Low: clamped(y), High: clamped(y)})
	if err != nil {
		return j.refused(text, l, err)
	}
	j.applied(l, m.GuardBand)
	return j.conclude(q, text, y, l, m, known, "")
}

// refused is a limit that cannot decide anything, such as guard bands that meet.
func (j *judging) refused(text string, l Resolved, err error) Judgement {
	j.applied(l, 0)
	return j.unjudged(text+" cannot be judged against "+phrase(l)+": "+sentence(err)+".", "Have the limit put right; the reading is kept.")
}

// conclude turns a decision into verdict and words. errorSays is a sentence on
// what the error did; known is false when a guard band was asked for and the
// uncertainty is not known.
func (j *judging) conclude(q recordv1.Quantity, text string, y float64, l Resolved, m metrology.Judgement, known bool, errorSays string) Judgement {
	if m.GuardBand > 0 {
		j.term("guard band", m.GuardBand, differenceUnit(l.Unit))
		errorSays += " Guard band: " + with(trimmed(m.GuardBand), differenceUnit(l.Unit)) + "."
	}
	inside := tolerance(l).Holds(clamped(y))
	say := where(text, y, l, inside, "")
	switch m.Outcome {
	case metrology.Pass:
		if !known {
			j.warn(WarnUncertainty, "The limit asks for a guard band, and the uncertainty of the reading is not known.")
			return j.done(recordv1.Verdict_PASS_NOT_PROVEN, say+", but not proven."+sourceSentence(l)+" No uncertainty is known for the guard band."+errorSays,
				"Have the instrument's uncertainty put on record, or the lead looks at it; repeating the reading changes nothing.")
		}
		return j.done(recordv1.Verdict_PASS, say+"."+sourceSentence(l)+errorSays, "")
	case metrology.PassNotProven:
		return j.done(recordv1.Verdict_PASS_NOT_PROVEN, say+", but not proven."+sourceSentence(l)+errorSays, notProvenAdvice(q))
	case metrology.Fail:
		if m.InsideUncertainty {
			return j.done(recordv1.Verdict_FAIL, say+"; the error of the measurement is larger than that."+sourceSentence(l)+errorSays, failAdvice(q, y, l))
		}
		return j.done(recordv1.Verdict_FAIL, say+"."+sourceSentence(l)+errorSays, failAdvice(q, y, l))
	}
	return j.done(recordv1.Verdict_NOT_MEASURABLE, text+" cannot be judged against "+phrase(l)+"."+sourceSentence(l)+errorSays, notProvenAdvice(q))
}

func notProvenAdvice(q recordv1.Quantity) string {
	switch q {
	case recordv1.Quantity_INTERMODULATION:
		return "Repeating with the same kit cannot prove it. A kit with a lower residual can; else the lead looks at it."
	case recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO:
		return "Repeating with the same instrument cannot prove it. One with a better directivity can; else the lead looks at it."
	case recordv1.Quantity_TORQUE:
		return "Repeating with the same tool cannot prove it, and a second click adds torque. A tool of a closer class, or set nearer the middle, can on the next joint; the lead looks at this one."
	}
	return "Repeating with the same instrument cannot prove it. One with a smaller uncertainty can; else the lead looks at it."
}

func failAdvice(q recordv1.Quantity, y float64, l Resolved) string {
	switch q {
	case recordv1.Quantity_INTERMODULATION:
		return "Tones off and confirmed off. Then clean, check the torque and look for loose metal near the antenna; test again, judging the peak while tapping."
	case recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO:
		return "Find the place with a distance-to-fault sweep; inspect, clean and torque that connection, then sweep again."
	case recordv1.Quantity_LINE_LOSS:
		return "Check length and cable type in the plan, then joints and kinks; water in the line shows like this too."
	case recordv1.Quantity_FIBRE_LOSS, recordv1.Quantity_OPTICAL_RETURN_LOSS:
		return "Inspect and clean both ends, look for a tight bend, and measure again; then in the other direction."
	case recordv1.Quantity_WIND_SPEED, recordv1.Quantity_HEAT_INDEX, recordv1.Quantity_WIND_CHILL, recordv1.Quantity_ELAPSED, recordv1.Quantity_TEMPERATURE:
		return "Nobody begins to climb. The competent person decides what those on the structure do. Enter it again when it has changed."
	case recordv1.Quantity_STAND_OFF, recordv1.Quantity_POWER_DENSITY:
		return "Keep everyone away, or have the transmitter shut down and confirmed off, before work goes on. The competent person decides."
	case recordv1.Quantity_FALL_CLEARANCE:
		return "Use a higher anchor or a shorter connection. The competent person decides."
	case recordv1.Quantity_LIFT_LOAD, recordv1.Quantity_RIGGING_LOAD:
		return "Do not lift. Make the load smaller or the gear stronger; the qualified person decides."
	}
	return "Put right what is wrong and read again, or ask for a deviation."
}

// intermodulation judges a level with the kit's residual, always.
func (j *judging) intermodulation(r *recordv1.ReadingTaken, text string, y float64, l Resolved, at time.Time) Judgement {
	j.carrierPower(r)
	rule, u, known := j.guard(l)
	residual, holds := j.kit(at)
	if holds && l.Unit == decibelMilli {
		carrier, ok := carrierOf(r)
		if !ok {
			holds = false
			j.warn(WarnKitNone, "The kit's residual is known in dBc; without the power of one carrier it cannot be put beside a level in dBm.")
		}
		residual += carrier
	}
	if !holds || l.Upper == nil {
		m, err := metrology.Judge(tolerance(l), rule, u, y, metrology.Interval{Low: y, High: y})
		if err != nil {
			return j.refused(text, l, err)
		}
		j.applied(l, m.GuardBand)
		if m.Outcome == metrology.Pass {
			m.Outcome = metrology.PassNotProven
		}
		if len(j.out.Warnings) == 0 || !hasCode(j.out.Warnings, WarnKitNone) {
			j.warn(WarnKitNone, "No self-check of the kit is known for this reading.")
		}
		out := j.conclude(recordv1.Quantity_INTERMODULATION, text, y, l, m, known, " What the kit itself adds is not known.")
		if out.Verdict == recordv1.Verdict_PASS_NOT_PROVEN {
			out.Advice = "Check the kit (source, load, load on the cable, flexing). The check of the same day counts for this reading too."
		}
		return out
	}
	j.term("residual of the kit", residual, l.Unit)
	limit := *l.Upper
	found, err := rf.JudgeLevel(units.DBm(y), units.DBm(residual), units.DBm(limit))
	if err != nil {
		return j.refused(text, l, err)
	}
	if !found.KitFit {
		j.warn(WarnKitForLimit, "The kit's residual, "+about(residual, l.Unit, &limit)+", is less than 10"+nbsp+"dB under the limit: the kit is not fit for this limit.")
	}
	high := round6(float64(found.High))
	j.term("highest true level", high, l.Unit)
	band := 0.0
	if proven, err := rf.ProvenPass(units.DBm(limit), units.DBm(residual)); err == nil {
		band = limit - float64(proven)
	}

	if !found.HasLow { // at or under the residual
		m, err := metrology.JudgeBound(tolerance(l), rule, u, metrology.Interval{Low: math.Inf(-1), High: high})
		if err != nil {
			return j.refused(text, l, err)
		}
		j.applied(l, band+m.GuardBand)
		atMost := "at most " + about(high, l.Unit, &limit)
		says := text + " is at or under the kit's own " + about(residual, l.Unit, &limit) + ": the line is " + atMost
		switch {
		case m.Outcome == metrology.Pass && known:
			return j.done(recordv1.Verdict_PASS, says+", within the limit, "+phrase(l)+"."+sourceSentence(l), "")
		case m.Outcome == metrology.Pass || m.Outcome == metrology.PassNotProven:
			return j.done(recordv1.Verdict_PASS_NOT_PROVEN, says+", within the limit, "+phrase(l)+", but not proven."+sourceSentence(l), notProvenAdvice(recordv1.Quantity_INTERMODULATION))
		}
		return j.done(recordv1.Verdict_NOT_MEASURABLE, says+", and the limit is "+phrase(l)+". This kit cannot tell."+sourceSentence(l),
			"Repeating with the same kit changes nothing. Find what raises the kit's residual, or use another kit.")
	}

	low := round6(float64(found.Low))
	j.term("lowest true level", low, l.Unit)
	m, err := metrology.Judge(tolerance(l), rule, u, y, metrology.Interval{Low: min(low, y), High: max(high, y)})
	if err != nil {
		return j.refused(text, l, err)
	}
	j.applied(l, band+m.GuardBand)
	says := " With the kit's own " + about(residual, l.Unit, &limit) + " the true level lies " + between(low, high, l.Unit, &limit) + "."
	out := j.conclude(recordv1.Quantity_INTERMODULATION, text, y, l, m, known, says)
	if m.InsideUncertainty && out.Verdict == recordv1.Verdict_FAIL {
		out.Advice = failAdvice(recordv1.Quantity_INTERMODULATION, y, l) + " A kit with a lower residual could tell better; this one cannot, however often it is repeated."
	}
	return out
}

// carrierPower warns about a test at another power than the trade's 2 × 20 W:
// less power shows a lower level for the same joint.
func (j *judging) carrierPower(r *recordv1.ReadingTaken) {
	p, ok := carrierOf(r)
	if !ok {
		return
	}
	j.termIn("power of one carrier", p, "dBm")
	const usual = 43.0 // 20 W, rounded as the trade does
	if math.Abs(p-usual) > 0.5 {
		j.warn(WarnCarrier, "Tested at "+about(p, decibelMilli)+" per carrier; limits in dBc are usually meant at 43"+nbsp+"dBm (2 × 20 W). The reading is judged as it is, not converted.")
	}
}

// carrierOf is the power of one carrier in dBm.
func carrierOf(r *recordv1.ReadingTaken) (float64, bool) { return milliwattLevel(r.GetCarrierPower()) }

func milliwattLevel(m *recordv1.Measure) (float64, bool) {
	if m == nil {
		return 0, false
	}
	v := m.GetValue()
	switch m.GetUnit() {
	case decibelMilli:
		return v, !math.IsNaN(v) && math.Abs(v) <= 200
	case recordv1.Measure_WATTS:
		p, err := rf.DBmFromWatts(units.Watts(v))
		return float64(p), err == nil
	}
	return 0, false
}

// returnLoss judges a return loss or standing-wave ratio; the directivity is
// always shown where it is known, and guards where the limit says so.
func (j *judging) returnLoss(q recordv1.Quantity, text string, value float64, unit recordv1.Measure_Unit, y float64, l Resolved) Judgement {
	rule, u, known := j.guard(l)
	asked := l.Decision.GetRule() == recordv1.Limit_Decision_DIRECTIVITY
	interval := metrology.Interval{Low: clamped(y), High: clamped(y)}
	says := ""
	proven := true
	d := j.pin.GetDirectivity()
	switch {
	case j.pin.Directivity == nil:
		if asked {
			proven = false
			j.warn(WarnDirectivity, "The limit asks for the instrument's directivity, and it is not known.")
			says = " The instrument's directivity is not known."
		}
	default:
		rl, ok := asReturnLoss(value, unit)
		low, high, err := 0.0, 0.0, error(nil)
		if ok {
			var a, b units.DB
			a, b, err = rf.TrueReturnLoss(units.DB(rl), units.DB(d), units.DB(math.Inf(1)))
			low, high = float64(a), float64(b)
		}
		if !ok || err != nil {
			break
		}
		j.term("directivity", d, decibels)
		if l.Unit == ratio {
			a, err1 := rf.VSWR(units.DB(high))
			b, err2 := rf.VSWR(units.DB(low))
			if err1 != nil || err2 != nil {
				break
			}
			low, high = float64(a), float64(b)
		}
		low, high = round6(low), round6(high)
		j.term("lowest true value", low, l.Unit)
		j.term("highest true value", high, l.Unit)
		says = " With " + measure(d, decibels) + " of directivity the true value lies " + between(low, high, l.Unit, l.Lower, l.Upper) + "."
		if asked {
			interval = metrology.Interval{Low: min(clamped(low), clamped(y)), High: max(clamped(high), clamped(y))}
		} else {
			says = strings.TrimSuffix(says, ".") + "; the limit does not ask for that."
		}
		if bound, ok := limitAsReturnLoss(l); ok && d < bound+float64(rf.DirectivityMargin) {
			j.warn(WarnDirectivityNear, "The directivity, "+measure(d, decibels)+", is less than 10"+nbsp+"dB better than the limit.")
		}
	}
	m, err := metrology.Judge(tolerance(l), rule, u, clamped(y), interval)
	if err != nil {
		return j.refused(text, l, err)
	}
	if m.Outcome == metrology.Pass && !proven {
		m.Outcome = metrology.PassNotProven
	}
	j.applied(l, m.GuardBand)
	return j.conclude(q, text, y, l, m, known, says)
}

// asReturnLoss is a reading as a return loss in dB.
func asReturnLoss(value float64, unit recordv1.Measure_Unit) (float64, bool) {
	if unit == decibels {
		return value, value >= 0
	}
	rl, err := rf.ReturnLossFromVSWR(units.VSWR(value))
	return float64(rl), err == nil
}

func limitAsReturnLoss(l Resolved) (float64, bool) {
	switch {
	case l.Unit == decibels && l.Lower != nil:
		return *l.Lower, true
	case l.Unit == ratio && l.Upper != nil:
		return asReturnLoss(*l.Upper, ratio)
	}
	return 0, false
}

// inLimitUnit gives a reading in the limit's unit, or why it cannot be had.
func inLimitUnit(q recordv1.Quantity, r *recordv1.ReadingTaken, to recordv1.Measure_Unit) (float64, string) {
	value, from := r.GetValue(), r.GetUnit()
	if from == to {
		return value, ""
	}
	if q == recordv1.Quantity_INTERMODULATION {
		carrier, ok := carrierOf(r)
		if !ok {
			return 0, "the power of one carrier is missing"
		}
		if to == decibelCarrier {
			v, err := rf.DBcFromDBm(units.DBm(value), units.DBm(carrier))
			return round6(float64(v)), sentence(err)
		}
		v, err := rf.DBmFromDBc(units.DBc(value), units.DBm(carrier))
		return round6(float64(v)), sentence(err)
	}
	if q == recordv1.Quantity_RETURN_LOSS || q == recordv1.Quantity_STANDING_WAVE_RATIO {
		if to == ratio {
			v, err := rf.VSWR(units.DB(value))
			return round6(float64(v)), sentence(err)
		}
		v, err := rf.ReturnLossFromVSWR(units.VSWR(value))
		return round6(float64(v)), sentence(err)
	}
	v, err := convert(value, from, to)
	return round6(v), sentence(err)
}

// impossible says why a value cannot be what its quantity is, and what to do;
// empty when it can.
func impossible(q recordv1.Quantity, v float64, u recordv1.Measure_Unit) (why, advice string) {
	switch q {
	case recordv1.Quantity_FIBRE_LOSS, recordv1.Quantity_LINE_LOSS:
		if v < 0 {
			return "more comes out than was put in, so the reference is not valid", "Set the reference again and repeat every reading since."
		}
	case recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO:
		if u == ratio && v < 1 {
			return "a standing-wave ratio is 1 or more", "Calibrate the instrument and read again."
		}
	case recordv1.Quantity_HUMIDITY:
		if v < 0 || v > 100 {
			return "humidity is 0 to 100 percent", "Read again."
		}
	}
	return "", ""
}

func fibreWords(r *recordv1.ReadingTaken) string {
	var parts []string
	if w := r.GetWavelength(); w != nil {
		parts = append(parts, "at "+measure(w.GetValue(), w.GetUnit()))
	}
	switch r.GetDirection() {
	case recordv1.ReadingTaken_NEAR_TO_FAR:
		parts = append(parts, "from near to far")
	case recordv1.ReadingTaken_FAR_TO_NEAR:
		parts = append(parts, "from far to near")
	}
	return strings.Join(parts, " ")
}

func wavelengthMissing(r *recordv1.ReadingTaken) string {
	if r.GetWavelength() == nil {
		return "its wavelength is missing."
	}
	return "the plan's line is not tested at that wavelength."
}

func hasCode(ws []*recordv1.Assessment_Warning, code string) bool {
	for _, w := range ws {
		if w.GetCode() == code {
			return true
		}
	}
	return false
}

func quantityName(q recordv1.Quantity) string {
	return strings.ToLower(strings.ReplaceAll(q.String(), "_", " "))
}

func unitName(u recordv1.Measure_Unit) string {
	if n := unitOf(u).Name(); n != "" {
		return n
	}
	return strings.ToLower(strings.ReplaceAll(u.String(), "_", " "))
}
