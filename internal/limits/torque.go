package limits

import (
	"math"
	"strings"
	"time"

	"witnessmark/internal/metrology"
	"witnessmark/internal/torque"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// JudgeTorque judges a torque against a limit. iface is the connection's
// interface as the plan names it; empty when there is none.
//
// What is held against the limit is what reached the fastener: the torque at
// the tool, and with an extension that times (L + E·cos θ)/L. The class of the
// tool bounds what it really delivered; that guards where the limit's rule says
// TOOL_CLASS, and is always shown. pin holds class, range and calibration of
// the tool; at is the entry's corrected time.
func JudgeTorque(t *recordv1.TorqueApplied, confirmed bool, iface string, limit Resolved, pin *recordv1.Assessment_Pinned, at time.Time) Judgement {
	j := newJudging("torque at the fastener: T·(L + E·cos θ)/L with an extension, else T", confirmed, pin)
	q := recordv1.Quantity_TORQUE
	value, unit := t.GetValue(), t.GetUnit()
	switch {
	case t == nil || math.IsNaN(value) || math.IsInf(value, 0):
		return j.unjudged("The torque is not a finite number.", "Enter the torque that the tool was set to or showed.")
	case !UnitFits(q, unit):
		return j.unjudged(measure(value, unit)+" cannot be judged: "+unitName(unit)+" is not a unit of torque.", "Enter the torque again in the right unit.")
	}
	j.term("torque at the tool", value, unit)
	newton, err := convert(value, unit, newtonMeters)
	if err != nil || !(newton > 0 && newton <= torque.MaxNewtonMeters) {
		return j.unjudged(measure(value, unit)+" cannot be judged: a torque is over 0 and at most "+measure(torque.MaxNewtonMeters, newtonMeters)+".", "Enter the torque that the tool was set to or showed.")
	}
	of := ""
	data, known := interfaceOf(iface, "")
	if iface != "" {
		of = "for " + iface
	}

	extension, why := extensionOf(t)
	if why != "" {
		return j.unjudged(measure(value, unit)+" cannot be judged: "+why+".", "Enter the geometry of the extension.")
	}
	deviation, classSays := j.toolClass(limit.Unit)
	got, err := torque.Applied{Set: units.NewtonMeters(newton), Deviation: units.Percent(deviation), Extension: extension}.Really()
	if err != nil {
		return j.unjudged(measure(value, unit)+" cannot be judged: "+sentence(err)+".", "Enter the geometry of the extension again.")
	}
	nominal := float64(got.Nominal)
	if extension != nil {
		j.termIn("lever", float64(extension.Lever), "mm")
		j.termIn("extension", float64(extension.Reach), "mm")
		j.termIn("angle", float64(extension.Angle), "°")
		j.term("at the fastener", nominal, newtonMeters)
	}
	if known {
		j.askTorque(data, nominal, unit)
	}
	j.askTyped(t.GetTyped(), value, unit, func(x float64) bool {
		n, err := convert(x, unit, newtonMeters)
		return err == nil && n > 0 && n <= 500
	})
	j.setting(t, newton)

	text := measure(value, unit)
	switch {
	case limit.Problem != "":
		return j.unjudged(text+" cannot be judged: "+limit.Problem+".", "Have the plan revised; the entry is kept.")
	case limit.None:
		j.calibrated(at, value, unit)
		note := ""
		if limit.Note != "" {
			note = " " + strings.TrimSuffix(limit.Note, ".") + "."
		}
		return j.done(recordv1.Verdict_RECORDED, strings.TrimSpace(text+" "+of)+" is recorded; no limit applies here."+note, "")
	}
	y, err := convert(nominal, newtonMeters, limit.Unit)
	if err != nil {
		return j.refused(text, limit, err)
	}
	y = round6(y)
	atTool, err := convert(newton, newtonMeters, limit.Unit)
	if err != nil {
		return j.refused(text, limit, err)
	}
	low, err1 := convert(float64(got.Range.Low), newtonMeters, limit.Unit)
	high, err2 := convert(float64(got.Range.High), newtonMeters, limit.Unit)
	if err1 != nil || err2 != nil {
		low, high = y, y
	}
	switch {
	case extension != nil:
		text = measure(value, unit) + " at the tool, " + about(y, limit.Unit, limit.Lower, limit.Upper) + " at the fastener,"
	case limit.Unit != unit:
		text = measure(value, unit) + " (" + about(y, limit.Unit, limit.Lower, limit.Upper) + ")"
	}
	if limit.Unit != unit {
		j.term("in the limit's unit", y, limit.Unit)
	}
	j.calibrated(at, round6(atTool), limit.Unit)

	rule, u, guardKnown := j.guard(limit)
	interval := metrology.Interval{Low: y, High: y}
	asked := limit.Decision.GetRule() == recordv1.Limit_Decision_TOOL_CLASS
	says, proven, band := "", true, 0.0
	switch {
	case deviation > 0:
		j.termIn("permitted deviation of the tool", deviation, "%")
		j.term("least that a tool in its class delivers", low, limit.Unit)
		j.term("most that a tool in its class delivers", high, limit.Unit)
		says = " A tool of this class delivers " + between(low, high, limit.Unit, limit.Lower, limit.Upper) + classSays
		if asked {
			interval = metrology.Interval{Low: min(round6(low), y), High: max(round6(high), y)}
			if limit.Upper != nil {
				band = *limit.Upper * deviation / 100
			}
			says += "."
		} else {
			says += "; the limit does not ask for that."
		}
	case asked:
		proven = false
		j.warn(WarnToolClass, "The limit asks for the tool's class, and it is not known.")
		says = " The tool's class is not known."
	}
	m, err := metrology.Judge(tolerance(limit), rule, u, y, interval)
	if err != nil {
		return j.refused(text, limit, err)
	}
	if m.Outcome == metrology.Pass && !proven {
		m.Outcome = metrology.PassNotProven
	}
	j.applied(limit, band+m.GuardBand)

	inside := tolerance(limit).Holds(y)
	say := where(text, y, limit, inside, of)
	switch {
	case m.Outcome == metrology.Pass && guardKnown:
		return j.done(recordv1.Verdict_PASS, say+"."+sourceSentence(limit)+says, "")
	case m.Outcome == metrology.Pass || m.Outcome == metrology.PassNotProven:
		return j.done(recordv1.Verdict_PASS_NOT_PROVEN, say+", but not proven."+sourceSentence(limit)+says, notProvenAdvice(q))
	}
	tail := "."
	if m.InsideUncertainty {
		tail = "; the error of the tool is larger than that."
	}
	return j.done(recordv1.Verdict_FAIL, say+tail+sourceSentence(limit)+says, torqueAdvice(nominal, y, limit, data, known))
}

func torqueAdvice(nominal, y float64, l Resolved, data torque.Interface, known bool) string {
	if l.Upper != nil && y > *l.Upper {
		if known && data.Upper > 0 && nominal > float64(data.Upper) {
			return "This is over " + measure(float64(data.Upper), newtonMeters) + ", the largest torque held for " + data.Title + ": uncouple, look at threads and contacts, replace the connector if in doubt, and couple again."
		}
		return "Uncouple, look at threads and contacts, then couple again with the tool set right: one click only."
	}
	return "Set the tool right and tighten again: one click only, a second click adds torque."
}

// extensionOf reads the extension's geometry; nil without one, and why it
// cannot be read.
func extensionOf(t *recordv1.TorqueApplied) (*torque.Extension, string) {
	if t.GetExtensionLength() == nil {
		return nil, ""
	}
	mm := func(m *recordv1.Measure) (float64, bool) {
		if m == nil || math.IsNaN(m.GetValue()) {
			return 0, false
		}
		v, err := convert(m.GetValue(), m.GetUnit(), recordv1.Measure_MILLIMETERS)
		return v, err == nil
	}
	reach, ok := mm(t.GetExtensionLength())
	if !ok {
		return nil, "the length of the extension is not a length"
	}
	if reach == 0 {
		return nil, ""
	}
	lever, ok := mm(t.GetLeverLength())
	if !ok {
		return nil, "an extension was used, and the lever's length from the square drive to the grip is missing"
	}
	angle := 0.0
	if a := t.GetExtensionAngle(); a != nil {
		if a.GetUnit() != recordv1.Measure_DEGREES {
			return nil, "the angle of the extension is not in degrees"
		}
		angle = a.GetValue()
	}
	return &torque.Extension{Lever: units.Millimeters(lever), Reach: units.Millimeters(reach), Angle: units.Degrees(angle)}, ""
}

// setting asks about a tool that was set to another torque than was entered. A
// tolerance of one percent covers the rounding of a scale.
func (j *judging) setting(t *recordv1.TorqueApplied, newton float64) {
	s := t.GetToolSetting()
	if s == nil {
		return
	}
	set, err := convert(s.GetValue(), s.GetUnit(), newtonMeters)
	if err != nil || math.IsNaN(set) {
		return
	}
	j.term("the tool's setting", s.GetValue(), s.GetUnit())
	if math.Abs(set-newton) <= 0.01*newton {
		return
	}
	v, err := convert(set, newtonMeters, t.GetUnit())
	if err != nil {
		return
	}
	j.ask(AskSetting, "The tool was set to "+measure(s.GetValue(), s.GetUnit())+", and "+measure(t.GetValue(), t.GetUnit())+" was entered. Which is right?", v, t.GetUnit())
}

// toolClass is the permitted deviation of the pinned tool in percent, 0 when
// its class is not known, and words on what that rests on. The tool's largest
// value is pinned in the limit's unit.
func (j *judging) toolClass(u recordv1.Measure_Unit) (percent float64, says string) {
	class := strings.Fields(j.pin.GetToolClass())
	if len(class) != 2 {
		return 0, ""
	}
	c := torque.ToolClass{Letter: strings.ToUpper(class[1])}
	switch strings.ToUpper(class[0]) {
	case "I", "INDICATING":
		c.Type = torque.Indicating
	case "II", "SETTING":
		c.Type = torque.Setting
	default:
		return 0, ""
	}
	// Without the tool's largest value the wider of the two deviations counts.
	maximum := units.NewtonMeters(10)
	if j.pin.ToolMaximum != nil {
		if m, err := convert(j.pin.GetToolMaximum(), u, newtonMeters); err == nil && m > 0 && m <= torque.MaxNewtonMeters {
			maximum = units.NewtonMeters(m)
		}
	} else {
		j.warn(WarnToolClass, "The largest value of the tool is not known: the wider deviation of small tools is taken.")
	}
	p, src, err := torque.PermissibleDeviation(c, maximum)
	if err != nil {
		return 0, ""
	}
	says = " (±" + trimmed(float64(p)) + nbsp + "%, class " + j.pin.GetToolClass()
	if src.Status == working.FromMemory {
		says += ", from memory"
	}
	return float64(p), says + ")"
}
