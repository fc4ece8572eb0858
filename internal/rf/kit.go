package rf

import (
	"fmt"
	"slices"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// KitStep is one set-up of the order in which a kit's parts are cleared. Each
// adds one part; the part last added when a reading first goes bad is suspect.
type KitStep int

// The steps, in order.
const (
	SourceDirect KitStep = iota + 1 // intermodulation source straight on the analyser
	LoadDirect                      // low-intermodulation load straight on the analyser
	LoadOnCable                     // test cable on the analyser, load at its end
	Flexing                         // as LoadOnCable, flexed and rotated gently; the peak counts
)

var kitStepNames = map[KitStep]string{
	SourceDirect: "source direct", LoadDirect: "load direct", LoadOnCable: "load on the cable", Flexing: "flexing the cable",
}

// String is the step in words; empty for one that is not known.
func (s KitStep) String() string { return kitStepNames[s] }

// KitReading is one reading of the self-check, over one carrier.
type KitReading struct {
	Step  KitStep
	Level units.DBc
	// Cleaned: taken after every face in the chain was cleaned.
	Cleaned bool
	// SecondLoad: taken with another load, to tell load from port.
	SecondLoad bool
}

// KitLimits are what the self-check is judged by, at one test power.
type KitLimits struct {
	Carrier         units.DBm // of ONE tone
	SourceLevel     units.DBc // what the source should read; its own label wins
	SourceTolerance units.DB  // either side, inclusive
	LoadPass        units.DBc // pass at or below
	LoadMarginal    units.DBc // marginal at or below
	Source          string
}

// DefaultKitLimits are the trade's figures at 2 × 20 W: source about −110 dBc
// within 3 dB, load −170 dBc or better, marginal to −167. Common practice, no
// source; the owner's or the source's own label wins.
func DefaultKitLimits() KitLimits {
	return KitLimits{Carrier: 43.01029995663981, SourceLevel: -110, SourceTolerance: 3, LoadPass: -170, LoadMarginal: -167,
		Source: "common practice, no source"}
}

func (l KitLimits) check() error {
	if err := checkLevels("kit limits", "dB", float64(l.Carrier), float64(l.SourceLevel), float64(l.LoadPass), float64(l.LoadMarginal)); err != nil {
		return err
	}
	if err := checkWithin("TOLERANCE_OUT_OF_RANGE", "source tolerance", float64(l.SourceTolerance), 0, 20, "dB"); err != nil {
		return err
	}
	if l.LoadMarginal < l.LoadPass {
		return errs.Field("KIT_LIMITS_REVERSED", "kit limits", "the marginal level must not lie below the pass level")
	}
	return nil
}

// KitFinding is what the self-check says of the kit.
type KitFinding string

// The findings.
const (
	KitFit        KitFinding = "KIT_FIT"        // every step passes
	KitMarginal   KitFinding = "KIT_MARGINAL"   // fit, with a warning
	KitNotFit     KitFinding = "KIT_NOT_FIT"    // do not test the line with it
	KitIncomplete KitFinding = "KIT_INCOMPLETE" // a step is missing: Next
)

// KitPart is a part of the kit under suspicion.
type KitPart string

// The parts.
const (
	NoPart             KitPart = ""
	SourceOrAnalyser   KitPart = "SOURCE_OR_ANALYSER" // analyser output, its port connector, or the source
	LoadOrAnalyserPort KitPart = "LOAD_OR_ANALYSER_PORT"
	Load               KitPart = "LOAD" // the second load was good
	AnalyserPort       KitPart = "ANALYSER_PORT"
	TestCable          KitPart = "TEST_CABLE"
)

// KitAdvice is the id of a sentence; KitSentence has its English.
type KitAdvice string

// The advice.
const (
	AdviceCleanAndRepeat   KitAdvice = "KIT_CLEAN_AND_REPEAT"
	AdviceTrySecondLoad    KitAdvice = "KIT_TRY_SECOND_LOAD"
	AdviceWithdraw         KitAdvice = "KIT_WITHDRAW_PART"
	AdviceDoNotTestLine    KitAdvice = "KIT_DO_NOT_TEST_LINE"
	AdviceContamination    KitAdvice = "KIT_RECORD_CONTAMINATION"
	AdviceMarginal         KitAdvice = "KIT_MARGINAL_WATCH"
	AdviceNextStep         KitAdvice = "KIT_NEXT_STEP"
	AdviceTestLine         KitAdvice = "KIT_CHECK_COMPLETE"
	AdviceLaterStepsUnread KitAdvice = "KIT_LATER_STEPS_NOT_JUDGED"
	AdviceOtherPower       KitAdvice = "KIT_OTHER_TEST_POWER"
)

var kitSentences = map[KitAdvice]string{
	AdviceCleanAndRepeat:   "Tones off. Clean every face in the chain, connect again and repeat this step once.",
	AdviceTrySecondLoad:    "Try a second load: good with it, the first load is suspect; bad with both, the analyser's port is.",
	AdviceWithdraw:         "Withdraw the suspect part, tag it and record its serial number.",
	AdviceDoNotTestLine:    "Do not test the line with this kit.",
	AdviceContamination:    "Good after cleaning: record contamination and carry on.",
	AdviceMarginal:         "The kit is usable but near its limit: look at the margin to the limit that is to be tested.",
	AdviceNextStep:         "Go on with the next step; do not skip one.",
	AdviceTestLine:         "The self-check is complete: from here the line, not the kit, is in question.",
	AdviceLaterStepsUnread: "Readings of later steps are kept but not judged: an earlier step is missing or bad.",
	AdviceOtherPower:       "The limits are for another test power; the figures are not comparable as they stand.",
}

// KitSentence gives the English sentence of an advice, "" for an unknown id.
func KitSentence(a KitAdvice) string { return kitSentences[a] }

// KitStepResult is one step's judgement.
type KitStepResult struct {
	Step     KitStep
	Reading  KitReading // the one that counts
	Pass     bool       // marginal counts as pass
	Marginal bool
	// Contaminated: bad at first, good after cleaning.
	Contaminated bool
}

// KitCheck is what the self-check says.
type KitCheck struct {
	Finding KitFinding
	// Suspect is the part to withdraw. A kit is fit with Suspect = Load when the
	// check went on with a second load.
	Suspect KitPart
	Failed  KitStep // the first bad step; 0 if none
	Next    KitStep // the step to do or to repeat; 0 when done
	Steps   []KitStepResult
	Advice  []KitAdvice
	// Residual is the kit's own level with the cable in the chain: the worst of
	// the resting and the flexing reading. It then bounds the error of every
	// reading taken with the kit. HasResidual is false until LoadOnCable is read.
	Residual    units.DBc
	HasResidual bool
}

const maxKitReadings = 200

// IsolateKit judges a self-check from its readings in the order they were
// taken. Of several readings of one step the last counts; one taken after
// cleaning that turns a bad step good is recorded as contamination. carrier is
// the power of ONE tone during the check. The steps build on each other: the
// first bad or missing one ends the judgement. Common practice, no source.
//
// Errors, Invalid: KIT_STEP_UNKNOWN, KIT_READINGS_TOO_MANY (200),
// LEVEL_OUT_OF_RANGE, KIT_LIMITS_REVERSED, TOLERANCE_OUT_OF_RANGE.
func IsolateKit(readings []KitReading, carrier units.DBm, limits KitLimits) (KitCheck, error) {
	if err := limits.check(); err != nil {
		return KitCheck{}, err
	}
	if err := checkLevel("carrier", float64(carrier), "dBm"); err != nil {
		return KitCheck{}, err
	}
	if len(readings) > maxKitReadings {
		return KitCheck{}, errs.Field("KIT_READINGS_TOO_MANY", "readings", fmt.Sprintf("are more than %d", maxKitReadings))
	}
	for _, r := range readings {
		if kitStepNames[r.Step] == "" {
			return KitCheck{}, errs.Field("KIT_STEP_UNKNOWN", "step", fmt.Sprintf("%d is not a step of the self-check", r.Step))
		}
		if r.SecondLoad && r.Step == SourceDirect {
			return KitCheck{}, errs.Field("KIT_STEP_UNKNOWN", "step", "a second load has no part in reading the source")
		}
		if err := checkLevel("level", float64(r.Level), "dBc"); err != nil {
			return KitCheck{}, err
		}
	}
	var out KitCheck
	// Half a decibel of carrier covers 20 W taken as 43 dBm and a tired battery.
	if d := carrier - limits.Carrier; d > 0.5 || d < -0.5 {
		out.Advice = append(out.Advice, AdviceOtherPower)
	}
	last := 0
	for step := SourceDirect; step <= Flexing; step++ {
		result, second, found := judgeStep(readings, step, limits)
		if !found {
			out.Finding, out.Next = KitIncomplete, step
			out.Advice = append(out.Advice, AdviceNextStep)
			break
		}
		last = int(step)
		if step == LoadDirect && !result.Pass && second != nil && second.Pass && usedLater(readings) {
			// The check went on with the second load: the first one is out, the kit goes on.
			result, out.Suspect = *second, Load
			out.Advice = append(out.Advice, AdviceWithdraw)
			readings = withSecondLoad(readings)
		}
		out.Steps = append(out.Steps, result)
		if result.Contaminated && !slices.Contains(out.Advice, AdviceContamination) {
			out.Advice = append(out.Advice, AdviceContamination)
		}
		if !result.Pass {
			out.fail(result, second)
			break
		}
	}
	out.residual()
	if out.Finding == "" {
		out.Finding = KitFit
		for _, s := range out.Steps {
			if s.Marginal {
				out.Finding = KitMarginal
			}
		}
		if out.Finding == KitMarginal {
			out.Advice = append(out.Advice, AdviceMarginal)
		}
		out.Advice = append(out.Advice, AdviceTestLine)
	}
	for _, r := range readings {
		if int(r.Step) > last {
			out.Advice = append(out.Advice, AdviceLaterStepsUnread)
			break
		}
	}
	return out, nil
}

// judgeStep finds the reading of a step that counts. second is the judgement of
// the second load's last reading, where one was tried on LoadDirect.
func judgeStep(readings []KitReading, step KitStep, l KitLimits) (result KitStepResult, second *KitStepResult, found bool) {
	badBefore := false
	for _, r := range readings {
		if r.Step != step {
			continue
		}
		one := KitStepResult{Step: step, Reading: r}
		one.Pass, one.Marginal = l.judge(r)
		if r.SecondLoad && step == LoadDirect {
			second = &one
			continue
		}
		one.Contaminated = one.Pass && r.Cleaned && badBefore
		badBefore = badBefore || !one.Pass
		result, found = one, true
	}
	return result, second, found
}

// usedLater reports whether the steps with the cable were read with the second load.
func usedLater(readings []KitReading) bool {
	return slices.ContainsFunc(readings, func(r KitReading) bool { return r.Step > LoadDirect && r.SecondLoad })
}

// withSecondLoad drops the readings of the cable that were taken with the bad load.
func withSecondLoad(readings []KitReading) []KitReading {
	return slices.DeleteFunc(slices.Clone(readings), func(r KitReading) bool { return r.Step > LoadDirect && !r.SecondLoad })
}

func (l KitLimits) judge(r KitReading) (pass, marginal bool) {
	// Readings are typed to 0.1 dB: the room keeps a bound typed exactly inside.
	const room = 1e-9
	if r.Step == SourceDirect {
		d := units.DB(r.Level - l.SourceLevel)
		return d <= l.SourceTolerance+room && d >= -l.SourceTolerance-room, false
	}
	if r.Level <= l.LoadPass+room {
		return true, false
	}
	marginal = r.Level <= l.LoadMarginal+room
	return marginal, marginal
}

func (c *KitCheck) fail(bad KitStepResult, second *KitStepResult) {
	c.Finding, c.Failed = KitNotFit, bad.Step
	switch bad.Step {
	case SourceDirect:
		c.Suspect = SourceOrAnalyser
	case LoadDirect:
		c.Suspect = LoadOrAnalyserPort
		if second != nil {
			c.Suspect = AnalyserPort
			if second.Pass {
				c.Suspect = Load
			}
		}
	default:
		c.Suspect = TestCable
	}
	switch {
	case !bad.Reading.Cleaned && second == nil:
		c.Next = bad.Step
		c.Advice = append(c.Advice, AdviceCleanAndRepeat)
	case c.Suspect == LoadOrAnalyserPort:
		c.Next = bad.Step
		c.Advice = append(c.Advice, AdviceTrySecondLoad)
	default:
		c.Advice = append(c.Advice, AdviceWithdraw)
	}
	c.Advice = append(c.Advice, AdviceDoNotTestLine)
}

func (c *KitCheck) residual() {
	for _, s := range c.Steps {
		if s.Step != LoadOnCable && s.Step != Flexing {
			continue
		}
		if !c.HasResidual || s.Reading.Level > c.Residual {
			c.Residual, c.HasResidual = s.Reading.Level, true
		}
	}
}

// KitFitForLimit reports whether a kit's residual lies far enough under the
// limit about to be tested: ResidualMargin (10 dB) at least, whatever the
// self-check's own tolerance. margin is limit − residual.
//
// The error is Invalid, LEVEL_OUT_OF_RANGE or VALUE_NOT_FINITE.
func KitFitForLimit(residual, limit units.DBc) (margin units.DB, fit bool, err error) {
	if err := checkLevels("level", "dBc", float64(residual), float64(limit)); err != nil {
		return 0, false, err
	}
	margin = units.DB(limit - residual)
	return margin, margin >= ResidualMargin-1e-9, nil
}
