package evidence

import (
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// verdictWord is a verdict in the words that every screen uses.
func verdictWord(v recordv1.Verdict) string {
	switch v {
	case recordv1.Verdict_PASS:
		return "within limits"
	case recordv1.Verdict_PASS_NOT_PROVEN:
		return "within, not proven"
	case recordv1.Verdict_FAIL:
		return "out of limits"
	case recordv1.Verdict_NOT_MEASURABLE:
		return "not measurable"
	case recordv1.Verdict_RECORDED:
		return "recorded, no limit"
	}
	return "none"
}

// verdictSign is the stripe that stands beside the word: "whole", "broken",
// "dashed", "hollow", or "" for none.
func verdictSign(v recordv1.Verdict) string {
	switch v {
	case recordv1.Verdict_PASS:
		return "whole"
	case recordv1.Verdict_PASS_NOT_PROVEN:
		return "dashed"
	case recordv1.Verdict_FAIL:
		return "broken"
	case recordv1.Verdict_NOT_MEASURABLE:
		return "hollow"
	}
	return ""
}

// stateWord and stateSign say how a step stands.
func stateWord(s recordv1.StepState, v recordv1.Verdict) string {
	switch s {
	case recordv1.StepState_COMPLETE:
		switch v {
		case recordv1.Verdict_PASS, recordv1.Verdict_PASS_NOT_PROVEN, recordv1.Verdict_RECORDED:
			return verdictWord(v)
		}
		return "complete"
	case recordv1.StepState_OUT_OF_LIMITS:
		if v == recordv1.Verdict_FAIL {
			return verdictWord(v)
		}
		return "not right"
	case recordv1.StepState_DEVIATING:
		return "deviation"
	case recordv1.StepState_NOT_NEEDED:
		return "not applicable"
	case recordv1.StepState_WAITING:
		return "waiting"
	case recordv1.StepState_RETURNED:
		return "sent back"
	case recordv1.StepState_OPEN:
		if v == recordv1.Verdict_NOT_MEASURABLE {
			return verdictWord(v)
		}
	}
	return "open"
}

func stateSign(s recordv1.StepState, v recordv1.Verdict) string {
	switch s {
	case recordv1.StepState_COMPLETE:
		switch v {
		case recordv1.Verdict_RECORDED:
			return ""
		case recordv1.Verdict_PASS_NOT_PROVEN:
			return "dashed"
		}
		return "whole"
	case recordv1.StepState_OUT_OF_LIMITS:
		return "broken"
	case recordv1.StepState_DEVIATING:
		return "dashed"
	case recordv1.StepState_NOT_NEEDED:
		return ""
	}
	return "hollow"
}

// number prints a value to 1e-6 with a true minus sign.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "no number"
	}
	s := strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
	if s == "-0" {
		s = "0"
	}
	return strings.Replace(s, "-", "−", 1)
}

func withUnit(v float64, u recordv1.Measure_Unit) string {
	return joinUnit(number(v), limits.Symbol(u))
}

func joinUnit(n, symbol string) string {
	if symbol == "" {
		return n
	}
	if symbol == "°" {
		return n + symbol
	}
	return n + "\u00a0" + strings.ReplaceAll(symbol, " ", "\u00a0")
}

// limitText is an applied limit in one phrase.
func limitText(l *recordv1.Assessment_AppliedLimit) string {
	if l == nil {
		return "none"
	}
	unit := limits.Symbol(l.GetUnit())
	switch {
	case l.Lower != nil && l.Upper != nil:
		return joinUnit(number(*l.Lower)+" to "+number(*l.Upper), unit)
	case l.Lower != nil:
		return joinUnit(number(*l.Lower), unit) + " or more"
	case l.Upper != nil:
		return joinUnit(number(*l.Upper), unit) + " or less"
	}
	return "none"
}
