package limits

import (
	"fmt"
	"math"
	"strings"

	"witnessmark/internal/metrology"
	"witnessmark/internal/rf"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// JudgeTrace judges what the server computed from a trace file: the worst
// return loss of each band, each band by itself. attached is the entry that
// attached the file; nil when it is not known. The line passes when every band
// does, and is as bad as its worst band.
func JudgeTrace(t *recordv1.TraceReceived, attached *recordv1.TraceAttached, limit Resolved, pin *recordv1.Assessment_Pinned) Judgement {
	j := newJudging("worst return loss of each band against the limit", true, pin)
	for _, w := range t.GetWarnings() {
		j.warn(WarnTraceImpedance, w)
	}
	if t == nil || !t.GetReadable() || len(t.GetBands()) == 0 {
		return j.unjudged("The trace file cannot be read as a one-port trace with a band to judge.", "Export it again as a one-port Touchstone file (.s1p) over the line's band, and attach that.")
	}
	j.screenReading(t, attached)
	if limit.Problem != "" {
		return j.unjudged("The trace cannot be judged: "+limit.Problem+".", "Have the plan revised; the trace is kept.")
	}
	worst := math.Inf(1)
	for _, b := range t.GetBands() {
		if math.IsNaN(b.GetReturnLossDb()) {
			return j.unjudged("The trace holds no usable return loss in "+bandText(b)+".", "Sweep again over the line's band.")
		}
		worst = min(worst, b.GetReturnLossDb())
		j.term("worst return loss in "+bandText(b), b.GetReturnLossDb(), decibels)
	}
	if limit.None {
		return j.done(recordv1.Verdict_RECORDED, "Worst return loss "+about(worst, decibels)+"; recorded, no limit applies here.", "")
	}
	if limit.Unit != decibels && limit.Unit != ratio {
		return j.refused("The trace", limit, fmt.Errorf("its unit is %s", unitName(limit.Unit)))
	}
	rule, u, known := j.guard(limit)
	asked := limit.Decision.GetRule() == recordv1.Limit_Decision_DIRECTIVITY
	verdict, guard := recordv1.Verdict_VERDICT_UNSPECIFIED, 0.0
	var says []string
	inside, bounds := false, ""
	for _, b := range t.GetBands() {
		rl := b.GetReturnLossDb()
		y, ok := asUnit(rl, limit.Unit)
		if !ok {
			says = append(says, "in "+bandText(b)+" more comes back than was sent: the calibration is suspect")
			verdict = worseVerdict(verdict, recordv1.Verdict_NOT_MEASURABLE)
			continue
		}
		interval := metrology.Interval{Low: clamped(y), High: clamped(y)}
		proven := known
		low, high, unknown := j.trueBounds(rl, limit.Unit)
		if !unknown {
			j.term("lowest true value in "+bandText(b), low, limit.Unit)
			j.term("highest true value in "+bandText(b), high, limit.Unit)
			if rl == worst {
				bounds = " With " + measure(j.pin.GetDirectivity(), decibels) + " of directivity the worst lies " + between(low, high, limit.Unit, limit.Lower, limit.Upper)
			}
		}
		switch {
		case asked && unknown:
			proven = false
		case asked:
			interval = metrology.Interval{Low: min(clamped(low), clamped(y)), High: max(clamped(high), clamped(y))}
		}
		m, err := metrology.Judge(tolerance(limit), rule, u, clamped(y), interval)
		if err != nil {
			return j.refused("The trace", limit, err)
		}
		guard = m.GuardBand
		v := verdictOf(m.Outcome)
		if v == recordv1.Verdict_PASS && !proven {
			v = recordv1.Verdict_PASS_NOT_PROVEN
		}
		inside = inside || m.InsideUncertainty
		verdict = worseVerdict(verdict, v)
		says = append(says, bandSentence(b, y, limit, v))
	}
	if asked && j.pin.Directivity == nil {
		j.warn(WarnDirectivity, "The limit asks for the instrument's directivity, and it is not known.")
	}
	j.applied(limit, guard)
	text := strings.Join(says, "; ")
	text = strings.ToUpper(text[:1]) + text[1:] + "." + sourceSentence(limit)
	switch {
	case bounds != "" && asked:
		text += bounds + "."
	case bounds != "":
		text += bounds + "; the limit does not ask for that."
	}
	advice := ""
	switch verdict {
	case recordv1.Verdict_PASS_NOT_PROVEN:
		advice = notProvenAdvice(recordv1.Quantity_RETURN_LOSS)
	case recordv1.Verdict_FAIL:
		if inside {
			text += " The error of the measurement is larger than what is missing."
		}
		advice = failAdvice(recordv1.Quantity_RETURN_LOSS, 0, limit)
		if t.FaultDistanceMeters != nil {
			advice += " The largest peak lies at about " + about(t.GetFaultDistanceMeters(), meters) + "."
		}
	case recordv1.Verdict_NOT_MEASURABLE:
		advice = "Calibrate the instrument and sweep again."
	}
	return j.done(verdict, text, advice)
}

// screenReading warns when the person read something else on the instrument
// than the trace says; half a dB covers the marker's place and rounding.
func (j *judging) screenReading(t *recordv1.TraceReceived, attached *recordv1.TraceAttached) {
	read := attached.GetRead()
	if read == nil || len(t.GetBands()) == 0 {
		return
	}
	rl, ok := asReturnLoss(read.GetValue(), read.GetUnit())
	if !ok || math.IsNaN(rl) {
		return
	}
	j.term("read on the screen", read.GetValue(), read.GetUnit())
	worst := math.Inf(1)
	for _, b := range t.GetBands() {
		worst = min(worst, b.GetReturnLossDb())
	}
	if math.Abs(rl-worst) > 0.5 {
		j.warn(WarnTraceReading, "Read on the screen: "+measure(read.GetValue(), read.GetUnit())+"; worst in the trace: "+about(worst, decibels)+". The trace is judged.")
	}
}

func bandText(b *recordv1.TraceReceived_Band) string {
	return trimmed(b.GetLowMhz()) + " to " + measure(b.GetHighMhz(), recordv1.Measure_MEGAHERTZ)
}

func bandSentence(b *recordv1.TraceReceived_Band, y float64, l Resolved, v recordv1.Verdict) string {
	text := about(y, l.Unit, l.Lower, l.Upper) + " at " + measure(round6(b.GetAtMhz()), recordv1.Measure_MEGAHERTZ)
	s := where(text, y, l, tolerance(l).Holds(clamped(y)), "")
	if v == recordv1.Verdict_PASS_NOT_PROVEN {
		s += ", but not proven"
	}
	return "in " + bandText(b) + " the worst, " + s
}

// asUnit is a return loss in a limit's unit.
func asUnit(rl float64, to recordv1.Measure_Unit) (float64, bool) {
	if to == decibels {
		return round6(rl), true
	}
	v, err := rf.VSWR(units.DB(rl))
	return round6(float64(v)), err == nil
}

// trueBounds is where the true value behind a return loss can lie, in the
// limit's unit; unknown when the directivity is.
func (j *judging) trueBounds(rl float64, to recordv1.Measure_Unit) (low, high float64, unknown bool) {
	if j.pin.Directivity == nil {
		return 0, 0, true
	}
	a, b, err := rf.TrueReturnLoss(units.DB(rl), units.DB(j.pin.GetDirectivity()), units.DB(math.Inf(1)))
	if err != nil {
		return 0, 0, true
	}
	low, high = float64(a), float64(b)
	if to == ratio {
		x, err1 := rf.VSWR(b)
		y, err2 := rf.VSWR(a)
		if err1 != nil || err2 != nil {
			return 0, 0, true
		}
		low, high = float64(x), float64(y)
	}
	return round6(low), round6(high), false
}

func verdictOf(o metrology.Outcome) recordv1.Verdict {
	switch o {
	case metrology.Pass:
		return recordv1.Verdict_PASS
	case metrology.PassNotProven:
		return recordv1.Verdict_PASS_NOT_PROVEN
	case metrology.Fail:
		return recordv1.Verdict_FAIL
	case metrology.RecordedNoLimit:
		return recordv1.Verdict_RECORDED
	}
	return recordv1.Verdict_NOT_MEASURABLE
}

// Worse returns the worse of two verdicts: none given, recorded, pass, not
// proven, not measurable, fail.
func Worse(a, b recordv1.Verdict) recordv1.Verdict { return worseVerdict(a, b) }

func worseVerdict(a, b recordv1.Verdict) recordv1.Verdict {
	if badness(b) > badness(a) {
		return b
	}
	return a
}

func badness(v recordv1.Verdict) int {
	switch v {
	case recordv1.Verdict_RECORDED:
		return 1
	case recordv1.Verdict_PASS:
		return 2
	case recordv1.Verdict_PASS_NOT_PROVEN:
		return 3
	case recordv1.Verdict_NOT_MEASURABLE:
		return 4
	case recordv1.Verdict_FAIL:
		return 5
	}
	return 0
}
