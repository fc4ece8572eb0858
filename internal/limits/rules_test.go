package limits_test

import (
	"strings"
	"testing"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Rule 25: intermodulation is always judged with the kit's residual, whatever
// the limit's rule; directivity and tool class guard only where the rule asks
// for it, and are shown always; residual and guard band work one after the other.
func TestRule25WhatGuardsALimit(t *testing.T) {
	// IEC 62037-1: −107.9 dBm read with a residual of −127 dBm can stand for a
	// device up to −106.98 dBm.
	for _, rule := range []recordv1.Limit_Decision_Rule{simple, guarded, directivity, residual} {
		l := lim(open, -107, dBm, rule)
		j := limits.JudgeReading(recordv1.Quantity_INTERMODULATION, carrier(reading(-107.9, dBm), 20), false, l, kit(-127-43.0103), noon)
		if j.Verdict != recordv1.Verdict_PASS_NOT_PROVEN {
			t.Errorf("intermodulation by the rule %v: %v, %s; want not proven, by the kit's residual", rule, j.Verdict, plainSpace(j.Sentence))
		}
	}
	// 26 dB read with a directivity of 40 dB lies between 24.42 and 27.93 dB.
	pin := &recordv1.Assessment_Pinned{Directivity: ptr(40)}
	for rule, want := range map[recordv1.Limit_Decision_Rule]recordv1.Verdict{
		simple: recordv1.Verdict_PASS, directivity: recordv1.Verdict_PASS_NOT_PROVEN,
	} {
		j := limits.JudgeReading(recordv1.Quantity_RETURN_LOSS, reading(26, dB), false, lim(25, open, dB, rule), pin, noon)
		if j.Verdict != want || !strings.Contains(plainSpace(j.Sentence), "between 24.42 and 27.93 dB") {
			t.Errorf("return loss by the rule %v: %v, %s; want %v and the bounds shown", rule, j.Verdict, plainSpace(j.Sentence), want)
		}
	}
	// −108.5 dBm with a residual of −127 dBm is −107.52 at most: inside the limit,
	// and outside it once a guard band of 0.6 dB follows.
	l := lim(open, -107, dBm, residual)
	for u, want := range map[float64]recordv1.Verdict{0: recordv1.Verdict_PASS, 0.6: recordv1.Verdict_PASS_NOT_PROVEN} {
		l.Decision = &recordv1.Limit_Decision{Rule: residual, ExpandedUncertainty: u}
		if u > 0 {
			l.Decision.GuardFactor = 1
		}
		j := limits.JudgeReading(recordv1.Quantity_INTERMODULATION, carrier(reading(-108.5, dBm), 20), false, l, kit(-127-43.0103), noon)
		if j.Verdict != want {
			t.Errorf("residual, then a guard band of %v dB: %v, %s; want %v", u, j.Verdict, plainSpace(j.Sentence), want)
		}
	}
}

// Rule 28, the part that is judged here: a distance beyond the largest of the
// set-up is not measurable. (256 points, 0.88, 500 MHz: (N − 1)·c·v/(2·span) is
// 67.2734 m.) Another reference impedance and a missing count of frequencies are
// tested where traces are read.
func TestRule28DistanceBeyondTheSetUp(t *testing.T) {
	pin := &recordv1.Assessment_Pinned{ToolMaximum: ptr(67.2734)}
	for metres, want := range map[float64]recordv1.Verdict{67.2734: recordv1.Verdict_RECORDED, 67.2735: recordv1.Verdict_NOT_MEASURABLE} {
		j := limits.JudgeReading(recordv1.Quantity_DISTANCE_TO_FAULT, reading(metres, recordv1.Measure_METERS), false, limits.Resolved{None: true}, pin, noon)
		if j.Verdict != want {
			t.Errorf("a fault at %v m: %v, %s; want %v", metres, j.Verdict, j.Sentence, want)
		}
	}
}
