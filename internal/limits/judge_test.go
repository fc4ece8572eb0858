package limits_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

const (
	dBc = recordv1.Measure_DECIBELS_CARRIER
	dBm = recordv1.Measure_DECIBEL_MILLIWATTS
	dB  = recordv1.Measure_DECIBELS
	nm  = recordv1.Measure_NEWTON_METERS
	rat = recordv1.Measure_RATIO
)

var noon = time.Date(2026, 3, 5, 12, 0, 0, 0, time.UTC)

func ptr(v float64) *float64 { return &v }

// lim is a limit of common practice; NaN leaves a side open.
func lim(lower, upper float64, u recordv1.Measure_Unit, rule recordv1.Limit_Decision_Rule) limits.Resolved {
	r := limits.Resolved{Unit: u, Source: &recordv1.Source{Standing: recordv1.Source_COMMON_PRACTICE}, Decision: &recordv1.Limit_Decision{Rule: rule}}
	if !math.IsNaN(lower) {
		r.Lower = &lower
	}
	if !math.IsNaN(upper) {
		r.Upper = &upper
	}
	return r
}

var open = math.NaN()

const (
	simple      = recordv1.Limit_Decision_SIMPLE
	residual    = recordv1.Limit_Decision_RESIDUAL
	directivity = recordv1.Limit_Decision_DIRECTIVITY
	toolClass   = recordv1.Limit_Decision_TOOL_CLASS
	guarded     = recordv1.Limit_Decision_GUARDED
)

func reading(v float64, u recordv1.Measure_Unit) *recordv1.ReadingTaken {
	return &recordv1.ReadingTaken{Value: v, Unit: u}
}

func carrier(r *recordv1.ReadingTaken, watts float64) *recordv1.ReadingTaken {
	r.CarrierPower = &recordv1.Measure{Value: watts, Unit: recordv1.Measure_WATTS}
	return r
}

func kit(residual float64) *recordv1.Assessment_Pinned {
	return &recordv1.Assessment_Pinned{Residual: &residual, KitState: "FIT"}
}

// plainSpace makes sentences easy to write down: no-break spaces become blanks.
func plainSpace(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

func TestJudgeReading(t *testing.T) {
	guard := func(l limits.Resolved, factor, u float64) limits.Resolved {
		l.Decision = &recordv1.Limit_Decision{Rule: guarded, GuardFactor: factor, ExpandedUncertainty: u}
		return l
	}
	both := func(l limits.Resolved, factor, u float64) limits.Resolved {
		l.Decision = &recordv1.Limit_Decision{Rule: residual, GuardFactor: factor, ExpandedUncertainty: u}
		return l
	}
	im := lim(open, -107, dBm, residual)
	for _, tc := range []struct {
		name     string
		q        recordv1.Quantity
		r        *recordv1.ReadingTaken
		l        limits.Resolved
		pin      *recordv1.Assessment_Pinned
		want     recordv1.Verdict
		sentence string // part of it
	}{
		// Common practice: return loss of a line on a load at least 18 dB. Equality is inside.
		{"on the limit", recordv1.Quantity_RETURN_LOSS, reading(18, dB), lim(18, open, dB, simple), nil, recordv1.Verdict_PASS, "18 dB is within the limit, at least 18 dB. Limit: common practice."},
		{"a hair under", recordv1.Quantity_RETURN_LOSS, reading(17.99999, dB), lim(18, open, dB, simple), nil, recordv1.Verdict_FAIL, "17.99999 dB is under the limit, at least 18 dB, by 0.00001 dB."},
		// IEC 61169-16 style arithmetic of mismatch: VSWR 1.5 is a return loss of 13.9794 dB, and 1.25 is 19.0849 dB.
		{"a standing-wave ratio against a return loss", recordv1.Quantity_STANDING_WAVE_RATIO, reading(1.5, rat), lim(14, open, dB, simple), nil, recordv1.Verdict_FAIL, "1.5 (13.98 dB) is under the limit, at least 14 dB, by 0.02 dB."},
		{"a return loss against a standing-wave ratio", recordv1.Quantity_RETURN_LOSS, reading(14, dB), lim(open, 1.5, rat, simple), nil, recordv1.Verdict_PASS, "14 dB (1.499) is within the limit, at most 1.5"},
		{"a perfect match", recordv1.Quantity_STANDING_WAVE_RATIO, reading(1, rat), lim(14, open, dB, simple), nil, recordv1.Verdict_PASS, "1 (∞ dB) is within"},
		{"a standing-wave ratio under one", recordv1.Quantity_STANDING_WAVE_RATIO, reading(0.9, rat), lim(14, open, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "1 or more"},
		// 20 knots is 10.2889 m/s (1852/3600 m/s a knot, exact).
		{"wind in knots against metres per second", recordv1.Quantity_WIND_SPEED, reading(20, recordv1.Measure_KNOTS), lim(open, 10.3, recordv1.Measure_METERS_PER_SECOND, simple), nil, recordv1.Verdict_PASS, "20 kn (10.29 m/s) is within the limit, at most 10.3 m/s."},
		{"wind of 24 mph", recordv1.Quantity_WIND_SPEED, reading(24, recordv1.Measure_MILES_PER_HOUR), lim(open, 10.3, recordv1.Measure_METERS_PER_SECOND, simple), nil, recordv1.Verdict_FAIL, "24 mph (10.73 m/s) is over the limit"},
		{"a temperature below nought", recordv1.Quantity_TEMPERATURE, reading(-5, recordv1.Measure_CELSIUS), lim(-20, 40, recordv1.Measure_CELSIUS, simple), nil, recordv1.Verdict_PASS, "−5 °C is within −20 to 40 °C"},

		// IEC 62037-1, error from the residual: limit −107 dBm, residual −127: a
		// device exactly at the limit can read as low as −107.915.
		{"proven", recordv1.Quantity_INTERMODULATION, carrier(reading(-107.92, dBm), 20), im, kit(-127 - 43.0103), recordv1.Verdict_PASS, "is within the limit, at most −107 dBm."},
		{"inside, not proven", recordv1.Quantity_INTERMODULATION, carrier(reading(-107.9, dBm), 20), im, kit(-127 - 43.0103), recordv1.Verdict_PASS_NOT_PROVEN, "but not proven"},
		{"over, inside the error", recordv1.Quantity_INTERMODULATION, carrier(reading(-106.9, dBm), 20), im, kit(-127 - 43.0103), recordv1.Verdict_FAIL, "the error of the measurement is larger than that"},
		{"over, whatever the error", recordv1.Quantity_INTERMODULATION, carrier(reading(-100, dBm), 20), im, kit(-127 - 43.0103), recordv1.Verdict_FAIL, "−100 dBm is over the limit, at most −107 dBm, by 7 dB."},
		// Reading and residual added as voltages: −130 and −125 dBm give −121.115 dBm.
		{"under the residual, still inside", recordv1.Quantity_INTERMODULATION, carrier(reading(-130, dBm), 20), im, kit(-125 - 43.0103), recordv1.Verdict_PASS, "the line is at most −121.1"},
		{"under the residual, cannot tell", recordv1.Quantity_INTERMODULATION, carrier(reading(-112, dBm), 20), im, kit(-110 - 43.0103), recordv1.Verdict_NOT_MEASURABLE, "This kit cannot tell."},
		{"no kit check known", recordv1.Quantity_INTERMODULATION, carrier(reading(-120, dBm), 20), im, nil, recordv1.Verdict_PASS_NOT_PROVEN, "What the kit itself adds is not known."},
		// −110 dBm at 2 × 20 W is −153.010 dBc.
		{"dBm against dBc", recordv1.Quantity_INTERMODULATION, carrier(reading(-110, dBm), 20), lim(open, -150, dBc, residual), kit(-180), recordv1.Verdict_PASS, "−110 dBm (−153.01 dBc) is within"},
		{"dBm against dBc without the carrier", recordv1.Quantity_INTERMODULATION, reading(-110, dBm), lim(open, -150, dBc, residual), kit(-180), recordv1.Verdict_NOT_MEASURABLE, "the power of one carrier is missing"},
		// Residual and guard band, one after the other: the highest true level of
		// −108.5 with −127 is −107.52; a guard band of 0.6 accepts to −107.6 only.
		{"residual alone", recordv1.Quantity_INTERMODULATION, carrier(reading(-108.5, dBm), 20), im, kit(-127 - 43.0103), recordv1.Verdict_PASS, ""},
		{"residual and guard band", recordv1.Quantity_INTERMODULATION, carrier(reading(-108.5, dBm), 20), both(im, 1, 0.6), kit(-127 - 43.0103), recordv1.Verdict_PASS_NOT_PROVEN, "Guard band: 0.6 dB."},

		// Return loss 26 dB read with 40 dB directivity lies between 24.4198 and 27.9331 dB.
		{"directivity asked", recordv1.Quantity_RETURN_LOSS, reading(26, dB), lim(25, open, dB, directivity), &recordv1.Assessment_Pinned{Directivity: ptr(40)}, recordv1.Verdict_PASS_NOT_PROVEN, "the true value lies between 24.42 and 27.93 dB"},
		{"directivity shown only", recordv1.Quantity_RETURN_LOSS, reading(26, dB), lim(25, open, dB, simple), &recordv1.Assessment_Pinned{Directivity: ptr(40)}, recordv1.Verdict_PASS, "the limit does not ask for that"},
		{"directivity asked and not known", recordv1.Quantity_RETURN_LOSS, reading(40, dB), lim(25, open, dB, directivity), nil, recordv1.Verdict_PASS_NOT_PROVEN, "directivity is not known"},

		// JCGM 106 guard band w = r·U: upper limit 10, U 0.5, r 1: acceptance to 9.5.
		{"inside the guard band", recordv1.Quantity_LINE_LOSS, reading(9.6, dB), guard(lim(open, 10, dB, guarded), 1, 0.5), nil, recordv1.Verdict_PASS_NOT_PROVEN, "not proven"},
		{"clear of the guard band", recordv1.Quantity_LINE_LOSS, reading(9.5, dB), guard(lim(open, 10, dB, guarded), 1, 0.5), nil, recordv1.Verdict_PASS, "Guard band: 0.5 dB."},
		{"over by less than the guard band", recordv1.Quantity_LINE_LOSS, reading(10.4, dB), guard(lim(open, 10, dB, guarded), 1, 0.5), nil, recordv1.Verdict_FAIL, "the error of the measurement is larger"},
		{"a guard band without an uncertainty", recordv1.Quantity_LINE_LOSS, reading(5, dB), guard(lim(open, 10, dB, guarded), 1, 0), nil, recordv1.Verdict_PASS_NOT_PROVEN, "No uncertainty is known"},
		{"guard bands that meet", recordv1.Quantity_LENGTH, reading(5, recordv1.Measure_METERS), guard(lim(4.9, 5.1, recordv1.Measure_METERS, guarded), 1, 0.5), nil, recordv1.Verdict_NOT_MEASURABLE, "cannot be judged"},

		{"more light out than in", recordv1.Quantity_FIBRE_LOSS, reading(-0.2, dB), lim(open, 1.68, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "the reference is not valid"},
		// Largest distance (N − 1)·c·Vf/(2·span): 256 points, 0.88, 500 MHz give 67.2734 m.
		{"a fault within the set-up", recordv1.Quantity_DISTANCE_TO_FAULT, reading(67.2, recordv1.Measure_METERS), limits.Resolved{None: true}, &recordv1.Assessment_Pinned{ToolMaximum: ptr(67.2734)}, recordv1.Verdict_RECORDED, "recorded"},
		{"a fault beyond the set-up", recordv1.Quantity_DISTANCE_TO_FAULT, reading(67.3, recordv1.Measure_METERS), limits.Resolved{None: true}, &recordv1.Assessment_Pinned{ToolMaximum: ptr(67.2734)}, recordv1.Verdict_NOT_MEASURABLE, "beyond the largest distance of this set-up, 67.2734 m"},
		{"no limit", recordv1.Quantity_TEMPERATURE, reading(23, recordv1.Measure_CELSIUS), limits.Resolved{None: true}, nil, recordv1.Verdict_RECORDED, "23 °C is recorded; no limit applies here."},
		{"the wrong unit", recordv1.Quantity_RETURN_LOSS, reading(23, recordv1.Measure_CELSIUS), lim(18, open, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "degree Celsius is not a unit of return loss"},
		{"not a number", recordv1.Quantity_RETURN_LOSS, reading(math.NaN(), dB), lim(18, open, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "not a finite number"},
		{"nothing", recordv1.Quantity_RETURN_LOSS, nil, lim(18, open, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "no number"},
		{"the instrument showed no number", recordv1.Quantity_RETURN_LOSS, &recordv1.ReadingTaken{NotMeasurable: true}, lim(18, open, dB, simple), nil, recordv1.Verdict_NOT_MEASURABLE, "no number"},
		{"a limit that the plan does not suffice for", recordv1.Quantity_RETURN_LOSS, reading(20, dB), limits.Resolved{Problem: "the plan does not say the line's length"}, nil, recordv1.Verdict_NOT_MEASURABLE, "cannot be judged: the plan does not say"},
		{"a mass against a force", recordv1.Quantity_RIGGING_LOAD, reading(100, recordv1.Measure_KILOGRAMS), lim(open, 1, recordv1.Measure_KILONEWTONS, simple), nil, recordv1.Verdict_PASS, "100 kg (0.98 kN) is within"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := limits.JudgeReading(tc.q, tc.r, false, tc.l, tc.pin, noon)
			if got.Verdict != tc.want || !strings.Contains(plainSpace(got.Sentence), tc.sentence) {
				t.Errorf("%v: %s\nwant %v: … %s …", got.Verdict, plainSpace(got.Sentence), tc.want, tc.sentence)
			}
			switch got.Verdict {
			case recordv1.Verdict_PASS, recordv1.Verdict_RECORDED:
				if got.Advice != "" {
					t.Errorf("advice on a pass: %s", got.Advice)
				}
			default:
				if got.Advice == "" {
					t.Errorf("%v without advice", got.Verdict)
				}
			}
		})
	}
}

// A repeat cures neither a residual nor a directivity nor a tool's class.
func TestAdviceIsTrue(t *testing.T) {
	for _, j := range []limits.Judgement{
		limits.JudgeReading(recordv1.Quantity_INTERMODULATION, reading(-150.5, dBc), false, lim(open, -150, dBc, residual), kit(-165), noon),
		limits.JudgeReading(recordv1.Quantity_RETURN_LOSS, reading(26, dB), false, lim(25, open, dB, directivity), &recordv1.Assessment_Pinned{Directivity: ptr(40)}, noon),
		limits.JudgeTorque(&recordv1.TorqueApplied{Value: 24.5, Unit: nm}, false, "7-16", lim(24.4, 30, nm, toolClass), &recordv1.Assessment_Pinned{ToolClass: "II A", ToolMaximum: ptr(50)}, noon),
	} {
		if j.Verdict != recordv1.Verdict_PASS_NOT_PROVEN || !strings.Contains(j.Advice, "Repeating with the same") || !strings.Contains(j.Advice, "cannot prove it") {
			t.Errorf("%v: %s\nadvice: %s\nwant that repeating cannot prove it", j.Verdict, j.Sentence, j.Advice)
		}
	}
}

func code(j limits.Judgement, code string) *recordv1.Assessment_Warning {
	for _, w := range j.Warnings {
		if w.GetCode() == code {
			return w
		}
	}
	return nil
}

// A value that is almost surely a slip is asked about once; confirmed, it is
// kept as said and judged.
func TestAsking(t *testing.T) {
	judge := func(q recordv1.Quantity, r *recordv1.ReadingTaken, confirmed bool) limits.Judgement {
		l := lim(18, open, dB, simple)
		if q == recordv1.Quantity_INTERMODULATION {
			l = lim(open, -150, dBc, residual)
		}
		if q == recordv1.Quantity_LENGTH {
			l = limits.Resolved{None: true}
		}
		return limits.JudgeReading(q, r, confirmed, l, kit(-170), noon)
	}
	for _, tc := range []struct {
		name     string
		q        recordv1.Quantity
		r        *recordv1.ReadingTaken
		code     string
		proposal float64
		unit     recordv1.Measure_Unit
	}{
		{"a minus on a return loss", recordv1.Quantity_RETURN_LOSS, reading(-18.5, dB), limits.AskSign, 18.5, dB},
		{"1.33 for a return loss", recordv1.Quantity_RETURN_LOSS, reading(1.33, dB), limits.AskStandingWave, 1.33, rat},
		{"18 for a standing-wave ratio", recordv1.Quantity_STANDING_WAVE_RATIO, reading(18, rat), limits.AskReturnLoss, 18, dB},
		{"a plus on a level", recordv1.Quantity_INTERMODULATION, reading(153, dBc), limits.AskSign, -153, dBc},
		{"three digits after a lone comma", recordv1.Quantity_LENGTH, &recordv1.ReadingTaken{Typed: "1,234 m", Value: 1.234, Unit: recordv1.Measure_METERS}, limits.AskThousands, 1234, recordv1.Measure_METERS},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w := code(judge(tc.q, tc.r, false), tc.code)
			if w == nil || w.GetProposal().GetValue() != tc.proposal || w.GetProposal().GetUnit() != tc.unit {
				t.Errorf("warning %v; want %s proposing %v %v", w, tc.code, tc.proposal, tc.unit)
			}
			confirmed := judge(tc.q, tc.r, true)
			for _, w := range confirmed.Warnings {
				if strings.HasPrefix(w.GetCode(), "ASK_") {
					t.Errorf("confirmed, and still asked: %v", w)
				}
			}
			if confirmed.Verdict == recordv1.Verdict_VERDICT_UNSPECIFIED {
				t.Error("confirmed, and not judged")
			}
		})
	}
	for _, r := range []*recordv1.ReadingTaken{reading(18.5, dB), {Typed: "18.512 dB", Value: 18.512, Unit: dB}, {Typed: "3.5", Value: 3.5, Unit: dB}} {
		for _, w := range judge(recordv1.Quantity_RETURN_LOSS, r, false).Warnings {
			if strings.HasPrefix(w.GetCode(), "ASK_") {
				t.Errorf("%v is an ordinary return loss and was asked about: %v", r, w)
			}
		}
	}
}

func TestJudgeTorque(t *testing.T) {
	// 7-16: 25 to 30 N·m (IEC 61169-4); an 18 ft·lbf tool, 24.4047 N·m, is common practice.
	l := lim(24.4, 30, nm, simple)
	classed := lim(24.4, 30, nm, toolClass)
	class := &recordv1.Assessment_Pinned{ToolClass: "II A", ToolMaximum: ptr(50)}
	ext := func(v, lever, reach, angle float64) *recordv1.TorqueApplied {
		mm := recordv1.Measure_MILLIMETERS
		return &recordv1.TorqueApplied{Value: v, Unit: nm, LeverLength: &recordv1.Measure{Value: lever, Unit: mm},
			ExtensionLength: &recordv1.Measure{Value: reach, Unit: mm}, ExtensionAngle: &recordv1.Measure{Value: angle, Unit: recordv1.Measure_DEGREES}}
	}
	for _, tc := range []struct {
		name     string
		t        *recordv1.TorqueApplied
		l        limits.Resolved
		pin      *recordv1.Assessment_Pinned
		want     recordv1.Verdict
		sentence string
		flag     bool
	}{
		{"in the middle", &recordv1.TorqueApplied{Value: 25.5, Unit: nm}, l, nil, recordv1.Verdict_PASS, "25.5 N·m is within 24.4 to 30 N·m for 7-16.", false},
		{"the usual 18 ft·lbf tool", &recordv1.TorqueApplied{Value: 18, Unit: recordv1.Measure_FOOT_POUNDS}, l, nil, recordv1.Verdict_PASS, "18 ft·lbf (24.405 N·m) is within 24.4 to 30 N·m for 7-16.", false},
		{"too little", &recordv1.TorqueApplied{Value: 20, Unit: nm}, l, nil, recordv1.Verdict_FAIL, "20 N·m is outside 24.4 to 30 N·m for 7-16: 4.4 N·m too little.", false},
		{"too much", &recordv1.TorqueApplied{Value: 36, Unit: nm}, l, nil, recordv1.Verdict_FAIL, "6 N·m too much.", false},
		// ISO 6789-1:2017 class A over 10 N·m: 25 N·m delivers 24.0385 to 26.0417.
		{"the class guards where asked", &recordv1.TorqueApplied{Value: 25, Unit: nm}, classed, class, recordv1.Verdict_PASS_NOT_PROVEN, "delivers between 24.04 and 26.04 N·m", false},
		{"the class is shown where not asked", &recordv1.TorqueApplied{Value: 25, Unit: nm}, l, class, recordv1.Verdict_PASS, "the limit does not ask for that", false},
		{"clear of the class", &recordv1.TorqueApplied{Value: 25.5, Unit: nm}, classed, class, recordv1.Verdict_PASS, "", false},
		{"the class is asked and not known", &recordv1.TorqueApplied{Value: 27, Unit: nm}, classed, nil, recordv1.Verdict_PASS_NOT_PROVEN, "class is not known", false},
		// Published crow-foot arithmetic: 25 set, 400 mm, 50 mm in line delivers 28.125; at 90° nothing is added.
		{"an extension in line", ext(25, 400, 50, 0), l, nil, recordv1.Verdict_PASS, "25 N·m at the tool, 28.13 N·m at the fastener, is within", false},
		{"an extension in line, too much", ext(28, 300, 60, 0), l, nil, recordv1.Verdict_FAIL, "33.6 N·m at the fastener", false},
		{"an extension at a right angle", ext(25, 400, 50, 90), l, nil, recordv1.Verdict_PASS, "25 N·m at the fastener", false},
		{"an extension without a lever", &recordv1.TorqueApplied{Value: 25, Unit: nm, ExtensionLength: &recordv1.Measure{Value: 50, Unit: recordv1.Measure_MILLIMETERS}}, l, nil, recordv1.Verdict_NOT_MEASURABLE, "lever's length", false},
		{"an expired tool", &recordv1.TorqueApplied{Value: 25, Unit: nm}, l, &recordv1.Assessment_Pinned{ToolCalibratedUntil: "2026-03-04"}, recordv1.Verdict_PASS, "", true},
		{"its last day", &recordv1.TorqueApplied{Value: 25, Unit: nm}, l, &recordv1.Assessment_Pinned{ToolCalibratedUntil: "2026-03-05"}, recordv1.Verdict_PASS, "", false},
		{"outside the tool's range", &recordv1.TorqueApplied{Value: 25, Unit: nm}, l, &recordv1.Assessment_Pinned{ToolMaximum: ptr(20)}, recordv1.Verdict_PASS, "", true},
		{"no torque at all", &recordv1.TorqueApplied{Value: 0, Unit: nm}, l, nil, recordv1.Verdict_NOT_MEASURABLE, "over 0", false},
		{"a coupling without a wrench", &recordv1.TorqueApplied{Value: 5, Unit: nm}, limits.Resolved{None: true, Note: "hand tight, no wrench"}, nil, recordv1.Verdict_RECORDED, "hand tight", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := limits.JudgeTorque(tc.t, false, "7-16", tc.l, tc.pin, noon)
			if got.Verdict != tc.want || !strings.Contains(plainSpace(got.Sentence), tc.sentence) || got.ToolFlag != tc.flag {
				t.Errorf("%v (flag %v): %s\nwant %v (flag %v): … %s …", got.Verdict, got.ToolFlag, plainSpace(got.Sentence), tc.want, tc.flag, tc.sentence)
			}
		})
	}
	// A tenth of the usual torque, such as from a table that took ft·lbf for in·lbf.
	w := code(limits.JudgeTorque(&recordv1.TorqueApplied{Value: 2.5, Unit: nm}, false, "7-16", l, nil, noon), limits.AskTorque)
	if w == nil || w.GetProposal().GetValue() != 25 {
		t.Errorf("2.5 N·m on 7-16: warning %v; want a question proposing 25 N·m", w)
	}
}

// A tool is in date through the end of its day at the site, wherever that is.
func TestCalibrationDayAtTheSite(t *testing.T) {
	day := func(utc string, until string, at string) bool {
		begin, err1 := time.Parse(time.RFC3339, utc)
		when, err2 := time.Parse(time.RFC3339, at)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		pin := &recordv1.Assessment_Pinned{ToolCalibratedUntil: until, DayBegin: timestamppb.New(begin), DayEnd: timestamppb.New(begin.Add(24 * time.Hour))}
		return limits.JudgeTorque(&recordv1.TorqueApplied{Value: 25, Unit: nm}, false, "7-16", lim(24.4, 30, nm, simple), pin, when).ToolFlag
	}
	for _, tc := range []struct {
		name, begin, at string
		lastDay         string // the site's civil day
		nextDay         string
	}{
		{"Madrid in winter", "2026-03-04T23:00:00Z", "2026-03-05T22:59:00Z", "2026-03-05", "2026-03-04"},
		{"Honolulu", "2026-03-05T10:00:00Z", "2026-03-06T09:00:00Z", "2026-03-05", "2026-03-04"},
		{"Auckland in summer", "2026-03-04T11:00:00Z", "2026-03-05T10:00:00Z", "2026-03-05", "2026-03-04"},
		{"Los Angeles", "2026-03-05T08:00:00Z", "2026-03-06T07:00:00Z", "2026-03-05", "2026-03-04"},
	} {
		if day(tc.begin, tc.lastDay, tc.at) {
			t.Errorf("%s: in date through %s, used that day, and flagged", tc.name, tc.lastDay)
		}
		if !day(tc.begin, tc.nextDay, tc.at) {
			t.Errorf("%s: in date through %s, used the day after, and not flagged", tc.name, tc.nextDay)
		}
	}
}

func TestKitHoldsOnlyItsTime(t *testing.T) {
	pin := kit(-180)
	pin.KitHoldsUntil = timestamppb.New(noon.Add(-time.Minute))
	j := limits.JudgeReading(recordv1.Quantity_INTERMODULATION, reading(-160, dBc), false, lim(open, -150, dBc, residual), pin, noon)
	if j.Verdict != recordv1.Verdict_PASS_NOT_PROVEN || code(j, limits.WarnKitNone) == nil {
		t.Errorf("%v, warnings %v; want not proven: the check no longer held", j.Verdict, j.Warnings)
	}
	j = limits.JudgeReading(recordv1.Quantity_INTERMODULATION, reading(-155, dBc), false, lim(open, -150, dBc, residual), kit(-158), noon)
	if code(j, limits.WarnKitForLimit) == nil {
		t.Errorf("warnings %v; want that a residual 8 dB under the limit is not fit for it (IEC 62037-1: at least 10 dB)", j.Warnings)
	}
}

func TestJudgeTrace(t *testing.T) {
	band := func(low, high, rl float64) *recordv1.TraceReceived_Band {
		return &recordv1.TraceReceived_Band{LowMhz: low, HighMhz: high, ReturnLossDb: rl, AtMhz: (low + high) / 2}
	}
	trace := func(bs ...*recordv1.TraceReceived_Band) *recordv1.TraceReceived {
		return &recordv1.TraceReceived{Readable: true, Bands: bs}
	}
	for _, tc := range []struct {
		name string
		t    *recordv1.TraceReceived
		l    limits.Resolved
		want recordv1.Verdict
	}{
		{"both bands good", trace(band(880, 915, 19), band(925, 960, 22)), lim(18, open, dB, simple), recordv1.Verdict_PASS},
		{"one band bad", trace(band(880, 915, 19), band(925, 960, 17)), lim(18, open, dB, simple), recordv1.Verdict_FAIL},
		{"against a standing-wave ratio", trace(band(880, 915, 14)), lim(open, 1.5, rat, simple), recordv1.Verdict_PASS},
		{"more comes back than was sent", trace(band(880, 915, -1)), lim(open, 1.5, rat, simple), recordv1.Verdict_NOT_MEASURABLE},
		{"no limit", trace(band(880, 915, 14)), limits.Resolved{None: true}, recordv1.Verdict_RECORDED},
		{"not readable", &recordv1.TraceReceived{}, lim(18, open, dB, simple), recordv1.Verdict_NOT_MEASURABLE},
		{"nothing", nil, lim(18, open, dB, simple), recordv1.Verdict_NOT_MEASURABLE},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := limits.JudgeTrace(tc.t, nil, tc.l, nil); got.Verdict != tc.want || got.Sentence == "" {
				t.Errorf("%v: %s; want %v", got.Verdict, got.Sentence, tc.want)
			}
		})
	}
	// 26 dB read with 40 dB of directivity lies between 24.4198 and 27.9331 dB.
	for rule, want := range map[recordv1.Limit_Decision_Rule]recordv1.Verdict{directivity: recordv1.Verdict_PASS_NOT_PROVEN, simple: recordv1.Verdict_PASS} {
		j := limits.JudgeTrace(trace(band(880, 915, 26)), nil, lim(25, open, dB, rule), &recordv1.Assessment_Pinned{Directivity: ptr(40)})
		if j.Verdict != want || !strings.Contains(plainSpace(j.Sentence), "between 24.42 and 27.93 dB") {
			t.Errorf("%v: %v, %s; want %v, with the bounds", rule, j.Verdict, j.Sentence, want)
		}
	}
	read := &recordv1.TraceAttached{Read: &recordv1.Measure{Value: 21, Unit: dB}}
	if j := limits.JudgeTrace(trace(band(880, 915, 19)), read, lim(18, open, dB, simple), nil); code(j, limits.WarnTraceReading) == nil {
		t.Errorf("21 dB on the screen and 19 in the trace: warnings %v; want one", j.Warnings)
	}
}

// The isolation order of the trade (common practice): the part last added when
// the reading first goes bad is suspect.
func TestJudgeKit(t *testing.T) {
	part := func(s recordv1.KitChecked_Part_Setup, v float64) *recordv1.KitChecked_Part {
		return &recordv1.KitChecked_Part{Setup: s, Read: &recordv1.Measure{Value: v, Unit: dBc}}
	}
	four := func(v ...float64) *recordv1.KitChecked {
		k := &recordv1.KitChecked{}
		for i, x := range v {
			k.Parts = append(k.Parts, part(recordv1.KitChecked_Part_Setup(i+1), x))
		}
		return k
	}
	source, load := lim(-113, -107, dBc, simple), lim(open, -170, dBc, simple)
	for _, tc := range []struct {
		name     string
		k        *recordv1.KitChecked
		want     recordv1.KitState
		residual float64
		suspect  string
	}{
		{"all good", four(-110.5, -172, -171, -170.4), recordv1.KitState_FIT, -170.4, ""},
		{"cable bad", four(-110.2, -171, -149), recordv1.KitState_NOT_FIT, -149, "cable"},
		{"load or port bad", four(-109.6, -150), recordv1.KitState_NOT_FIT, 0, "load"},
		{"edge of window", four(-107, -167, -167, -167), recordv1.KitState_MARGINAL, -167, ""},
		{"just out", four(-106.9), recordv1.KitState_NOT_FIT, 0, "source"},
		{"not complete", four(-110, -172), recordv1.KitState_KIT_STATE_UNSPECIFIED, 0, ""},
		{"nothing", &recordv1.KitChecked{}, recordv1.KitState_KIT_STATE_UNSPECIFIED, 0, ""},
		{"no number", &recordv1.KitChecked{Parts: []*recordv1.KitChecked_Part{{Setup: 1}}}, recordv1.KitState_KIT_STATE_UNSPECIFIED, 0, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := limits.JudgeKit(tc.k, source, load)
			if got.State != tc.want || !strings.Contains(got.Suspect, tc.suspect) || got.Sentence == "" {
				t.Errorf("%v, suspect %q: %s; want %v, suspect %q", got.State, got.Suspect, got.Sentence, tc.want, tc.suspect)
			}
			if (got.ResidualDBc == nil) != (tc.residual == 0) || got.ResidualDBc != nil && *got.ResidualDBc != tc.residual {
				t.Errorf("residual %v; want %v", got.ResidualDBc, tc.residual)
			}
		})
	}
	cords := &recordv1.KitChecked{Parts: []*recordv1.KitChecked_Part{{Setup: recordv1.KitChecked_Part_OPTICAL_REFERENCE, Read: &recordv1.Measure{Value: 0.25, Unit: dB}}}}
	// ISO/IEC 14763-3: reference to reference, single-mode, at most 0.20 dB.
	if got := limits.JudgeKit(cords, limits.Resolved{None: true}, lim(open, 0.2, dB, simple)); got.State != recordv1.KitState_NOT_FIT {
		t.Errorf("cords that add 0.25 dB: %v; want not fit", got.State)
	}
}

func TestCheckTyped(t *testing.T) {
	for _, tc := range []struct {
		typed string
		value float64
		unit  recordv1.Measure_Unit
		good  bool
	}{
		{"18 ft·lb", 18, recordv1.Measure_FOOT_POUNDS, true},
		{"24,4 Nm", 24.4, nm, true},
		{"-112,5", -112.5, dBc, true},
		{"−153 dBc", -153, dBc, true},
		{"", 5, nm, true},
		{"18 ft·lb", 24.4, nm, false},
		{"25", 26, nm, false},
		{"25 dB", 25, nm, false},
		{"about 25", 25, nm, false},
		{strings.Repeat("1", 65), 1, nm, false},
		{"25", math.NaN(), nm, false},
	} {
		if err := limits.CheckTyped(tc.typed, tc.value, tc.unit); (err == nil) != tc.good {
			t.Errorf("CheckTyped(%q, %v, %v) = %v; want good %v", tc.typed, tc.value, tc.unit, err, tc.good)
		}
	}
}
