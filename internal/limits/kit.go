package limits

import (
	"math"
	"slices"
	"strings"

	"witnessmark/internal/rf"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Kinds of test kit that can check themselves.
const (
	KitIntermodulation = "intermodulation" // source, load, load on the cable, flexing; dBc or dBm
	KitReturnLoss      = "return-loss"     // a precision load; dB or standing-wave ratio
	KitOptical         = "optical"         // added loss of the reference cords; dB
	KitTorque          = "torque"          // deviation on a tester; percent
)

// KitKinds lists the kinds of kit.
func KitKinds() []string { return []string{KitIntermodulation, KitReturnLoss, KitOptical, KitTorque} }

// KitQuantity is what the limits of a kind of kit are limits of; false for a
// kind that is not in the list.
func KitQuantity(kind string) (recordv1.Quantity, bool) {
	switch kind {
	case KitIntermodulation:
		return recordv1.Quantity_INTERMODULATION, true
	case KitReturnLoss:
		return recordv1.Quantity_RETURN_LOSS, true
	case KitOptical:
		return recordv1.Quantity_FIBRE_LOSS, true
	case KitTorque:
		return recordv1.Quantity_NUMBER, true
	}
	return recordv1.Quantity_QUANTITY_UNSPECIFIED, false
}

// KitJudgement is what the rules say of a kit's self-check.
type KitJudgement struct {
	// State is FIT, MARGINAL or NOT_FIT; unspecified while steps are missing:
	// an unfinished check says nothing of the kit, good or bad.
	State recordv1.KitState
	// ResidualDBc is the kit's own level with the cable in the chain, the worst
	// of resting and flexing; nil where none was read. It bounds the error of
	// every intermodulation reading taken with the kit.
	ResidualDBc *float64
	// Suspect is the part to look at, in words; empty when none is.
	Suspect string
	// Sentence and Advice as in Judgement.
	Sentence, Advice string
	Working          *recordv1.Assessment_Working
}

// kitMarginal is how far over the residual limit a load may read and the kit
// still be usable with a warning: 3 dB for an 'about' in the trade's figures
// (common practice, no source).
const kitMarginal = 3.0

var kitSetups = map[recordv1.KitChecked_Part_Setup]rf.KitStep{
	recordv1.KitChecked_Part_SOURCE_DIRECT: rf.SourceDirect,
	recordv1.KitChecked_Part_LOAD_DIRECT:   rf.LoadDirect,
	recordv1.KitChecked_Part_LOAD_ON_CABLE: rf.LoadOnCable,
	recordv1.KitChecked_Part_FLEXING:       rf.Flexing,
}

var setupWords = map[recordv1.KitChecked_Part_Setup]string{
	recordv1.KitChecked_Part_SOURCE_DIRECT:     "source direct",
	recordv1.KitChecked_Part_LOAD_DIRECT:       "load direct",
	recordv1.KitChecked_Part_LOAD_ON_CABLE:     "load on the cable",
	recordv1.KitChecked_Part_FLEXING:           "flexing the cable",
	recordv1.KitChecked_Part_REFERENCE_LOAD:    "precision load",
	recordv1.KitChecked_Part_OPTICAL_REFERENCE: "reference cords",
	recordv1.KitChecked_Part_TORQUE_TESTER:     "torque tester",
}

// JudgeKit judges a self-check from its readings in the order they were taken.
// source is the window for the source, residual the limit for the load direct,
// on the cable and while flexing; for the other kinds of kit residual is the
// limit of every reading. Of several readings of one set-up the last counts.
func JudgeKit(k *recordv1.KitChecked, source, residual Resolved) KitJudgement {
	out := KitJudgement{Working: &recordv1.Assessment_Working{Formula: "self-check of the kit: each part added in turn, the part last added is suspect"}}
	term := func(name string, v float64, u recordv1.Measure_Unit) {
		out.Working.Terms = append(out.Working.Terms, &recordv1.Assessment_Working_Term{Name: name, Value: round6(v), Unit: Symbol(u)})
	}
	if len(k.GetParts()) == 0 {
		out.Sentence, out.Advice = "The self-check holds no reading.", "Read the kit's parts one after the other."
		return out
	}
	if residual.Problem != "" || residual.None {
		out.Sentence = "The self-check cannot be judged: the procedure gives no limit for it."
		out.Advice = "Have the procedure put right; the readings are kept."
		return out
	}
	for _, p := range k.GetParts() {
		if v := p.GetRead().GetValue(); p.GetRead() == nil || math.IsNaN(v) || math.IsInf(v, 0) {
			out.Sentence = "The self-check cannot be judged: " + setupName(p) + " has no number."
			out.Advice = "Read it again; what the instrument cannot show belongs in the remark."
			return out
		}
	}
	_, intermodulation := kitSetups[k.GetParts()[0].GetSetup()]
	for _, p := range k.GetParts() {
		if _, ok := kitSetups[p.GetSetup()]; ok != intermodulation {
			out.Sentence = "The self-check cannot be judged: it mixes the parts of different kinds of kit."
			out.Advice = "Check each kit by itself."
			return out
		}
	}
	if !intermodulation {
		return otherKit(k, residual, out, term)
	}
	return intermodulationKit(k, source, residual, out, term)
}

func setupName(p *recordv1.KitChecked_Part) string {
	if s := setupWords[p.GetSetup()]; s != "" {
		return s
	}
	return "a part"
}

func intermodulationKit(k *recordv1.KitChecked, source, residual Resolved, out KitJudgement, term func(string, float64, recordv1.Measure_Unit)) KitJudgement {
	limits := rf.DefaultKitLimits()
	carrier := float64(limits.Carrier)
	for _, p := range k.GetParts() {
		if c, ok := milliwattLevel(p.GetCarrierPower()); ok {
			carrier = c
			break
		}
	}
	// The limits go to dBc with the power that they are meant at, which is the
	// usual 2 × 20 W.
	toCarrier := func(v float64, u recordv1.Measure_Unit) float64 {
		if u == decibelMilli {
			return v - float64(rf.DefaultKitLimits().Carrier)
		}
		return v
	}
	if source.Lower != nil && source.Upper != nil {
		low, high := toCarrier(*source.Lower, source.Unit), toCarrier(*source.Upper, source.Unit)
		limits.SourceLevel, limits.SourceTolerance = units.DBc((low+high)/2), units.DB((high-low)/2)
	}
	if residual.Upper != nil {
		limits.LoadPass = units.DBc(toCarrier(*residual.Upper, residual.Unit))
		limits.LoadMarginal = limits.LoadPass + kitMarginal
	}
	firstLoad := ""
	var readings []rf.KitReading
	for _, p := range k.GetParts() {
		level, unit := p.GetRead().GetValue(), p.GetRead().GetUnit()
		switch unit {
		case decibelCarrier:
		case decibelMilli:
			c, ok := milliwattLevel(p.GetCarrierPower())
			if !ok {
				out.Sentence = "The self-check cannot be judged: " + setupName(p) + " was read in dBm, and the power of one carrier is missing."
				out.Advice = "Enter the power of one carrier."
				return out
			}
			level -= c
		default:
			out.Sentence = "The self-check cannot be judged: " + setupName(p) + " was read in " + unitName(unit) + ", and not in dBc or dBm."
			out.Advice = "Enter the reading again in the right unit."
			return out
		}
		term(setupName(p), level, decibelCarrier)
		r := rf.KitReading{Step: kitSetups[p.GetSetup()], Level: units.DBc(level), Cleaned: p.GetCleaned()}
		if id := p.GetInstrument(); r.Step != rf.SourceDirect && id != "" {
			if firstLoad == "" && r.Step == rf.LoadDirect {
				firstLoad = id
			}
			// Behind the cable the part named may be the cable itself; only a
			// load that was read direct counts as a second one.
			r.SecondLoad = id != firstLoad && slices.ContainsFunc(k.GetParts(), func(o *recordv1.KitChecked_Part) bool {
				return o.GetSetup() == recordv1.KitChecked_Part_LOAD_DIRECT && o.GetInstrument() == id
			})
		}
		readings = append(readings, r)
	}
	check, err := rf.IsolateKit(readings, units.DBm(carrier), limits)
	if err != nil {
		out.Sentence, out.Advice = "The self-check cannot be judged: "+sentence(err)+".", "Look at the readings and enter them again."
		return out
	}
	term("source at least", float64(limits.SourceLevel)-float64(limits.SourceTolerance), decibelCarrier)
	term("source at most", float64(limits.SourceLevel)+float64(limits.SourceTolerance), decibelCarrier)
	term("load at most", float64(limits.LoadPass), decibelCarrier)
	term("marginal to", float64(limits.LoadMarginal), decibelCarrier)
	if check.HasResidual {
		v := round6(float64(check.Residual))
		out.ResidualDBc = &v
		term("residual", v, decibelCarrier)
	}
	out.Suspect = suspectWords[check.Suspect]
	var advice []string
	for _, a := range check.Advice {
		if a == rf.AdviceTestLine {
			continue // the sentence says it
		}
		advice = append(advice, rf.KitSentence(a))
	}
	out.Advice = strings.Join(advice, " ")
	src := " Limit: " + SourceText(residual.Source) + "."
	switch check.Finding {
	case rf.KitFit:
		out.State = recordv1.KitState_FIT
		out.Sentence = "The kit passes its self-check; its residual is " + about(*out.ResidualDBc, decibelCarrier) + "." + src
	case rf.KitMarginal:
		out.State = recordv1.KitState_MARGINAL
		out.Sentence = "The kit is marginal; its residual is " + about(*out.ResidualDBc, decibelCarrier) + "." + src
	case rf.KitIncomplete:
		out.Sentence = "The self-check is not complete: " + check.Next.String() + " is missing."
	default:
		out.State = recordv1.KitState_NOT_FIT
		bad := check.Steps[len(check.Steps)-1]
		against := "at most " + measure(float64(limits.LoadPass), decibelCarrier)
		if bad.Step == rf.SourceDirect {
			against = trimmed(float64(limits.SourceLevel-units.DBc(limits.SourceTolerance))) + " to " + measure(float64(limits.SourceLevel)+float64(limits.SourceTolerance), decibelCarrier)
		}
		out.Sentence = "The kit is not fit: " + bad.Step.String() + " reads " + measure(float64(bad.Reading.Level), decibelCarrier) + ", and the limit is " + against + "; suspect: " + out.Suspect + "." + src
	}
	return out
}

var suspectWords = map[rf.KitPart]string{
	rf.SourceOrAnalyser:   "the source, or the analyser and its port",
	rf.LoadOrAnalyserPort: "the load, or the analyser's port",
	rf.Load:               "the load",
	rf.AnalyserPort:       "the analyser's port",
	rf.TestCable:          "the test cable",
}

// otherKit judges a kit whose readings all have one limit.
func otherKit(k *recordv1.KitChecked, limit Resolved, out KitJudgement, term func(string, float64, recordv1.Measure_Unit)) KitJudgement {
	last := map[recordv1.KitChecked_Part_Setup]*recordv1.KitChecked_Part{}
	for _, p := range k.GetParts() {
		last[p.GetSetup()] = p
	}
	out.State = recordv1.KitState_FIT
	src := " Limit: " + SourceText(limit.Source) + "."
	for _, p := range k.GetParts() {
		if last[p.GetSetup()] != p {
			continue // read again later
		}
		v, u := p.GetRead().GetValue(), p.GetRead().GetUnit()
		term(setupName(p), v, u)
		y, err := v, error(nil)
		switch {
		case u == limit.Unit:
		case u == ratio && limit.Unit == decibels:
			rl, e := rf.ReturnLossFromVSWR(units.VSWR(v))
			y, err = float64(rl), e
		case u == decibels && limit.Unit == ratio:
			w, e := rf.VSWR(units.DB(v))
			y, err = float64(w), e
		default:
			y, err = convert(v, u, limit.Unit)
		}
		if err != nil {
			out.State = recordv1.KitState_KIT_STATE_UNSPECIFIED
			out.Sentence, out.Advice = "The self-check cannot be judged: "+sentence(err)+".", "Enter the reading again in the right unit."
			return out
		}
		if !tolerance(limit).Holds(clamped(y)) {
			out.State, out.Suspect = recordv1.KitState_NOT_FIT, setupName(p)
			out.Sentence = "The kit is not fit: " + where(measure(v, u), y, limit, false, "") + " (" + setupName(p) + ")." + src
			out.Advice = "Clean what can be cleaned and repeat once; still wrong: withdraw the part, tag it, and do not test with it."
			return out
		}
		out.Sentence = "The kit passes its self-check: " + where(measure(v, u), y, limit, true, "") + " (" + setupName(p) + ")." + src
	}
	return out
}
