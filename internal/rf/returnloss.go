package rf

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// highestReturnLoss is above any calibrated instrument's floor; it keeps powers
// of ten away from zero. +Inf, a perfect match, is accepted besides.
const highestReturnLoss = 300.0

func checkReturnLoss(rl units.DB) error {
	v := float64(rl)
	if math.IsInf(v, 1) {
		return nil
	}
	if math.IsNaN(v) || v > highestReturnLoss {
		return errs.Field("RETURN_LOSS_OUT_OF_RANGE", "return loss", fmt.Sprintf("must be a number from 0 to %g dB", highestReturnLoss))
	}
	if v < 0 {
		return errs.Field("RETURN_LOSS_NEGATIVE", "return loss",
			"is negative: a passive line has a positive return loss; is it S11 in dB, or is the calibration wrong?")
	}
	return nil
}

// Reflection gives |Γ| = 10^(−RL/20), 0 to 1, of a return loss of 0 dB or more.
// +Inf gives 0.
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE.
func Reflection(rl units.DB) (float64, error) {
	if err := checkReturnLoss(rl); err != nil {
		return 0, err
	}
	return math.Pow(10, -float64(rl)/20), nil
}

func checkReflection(mag float64) error {
	if err := checkFinite("reflection", mag); err != nil {
		return err
	}
	if mag < 0 {
		return errs.Field("REFLECTION_NEGATIVE", "reflection", "a magnitude cannot be negative")
	}
	return nil
}

var errOverOne = errs.Field("REFLECTION_OVER_ONE", "reflection",
	"more comes back than was sent: a calibration error, or gain; there is no VSWR")

// ReturnLoss gives −20·log10|Γ|, a positive number of dB for a passive load.
// |Γ| = 0 gives +Inf; |Γ| over 1 (a calibration error, or gain) gives a
// negative number, which the caller flags.
//
// Errors, Invalid: REFLECTION_NEGATIVE, VALUE_NOT_FINITE.
func ReturnLoss(reflection float64) (units.DB, error) {
	if err := checkReflection(reflection); err != nil {
		return 0, err
	}
	return returnLoss(reflection), nil
}

// returnLoss is ReturnLoss of a magnitude known to be 0 or more.
func returnLoss(mag float64) units.DB {
	if mag == 1 {
		return 0 // not −0
	}
	return units.DB(-20 * math.Log10(mag))
}

// ReturnLossFromVSWR gives the return loss of a VSWR of 1 or more; 1 gives
// +Inf, +Inf gives 0. |Γ| = (VSWR−1)/(VSWR+1).
//
// The error is Invalid, VSWR_BELOW_ONE, if vswr < 1 or NaN.
func ReturnLossFromVSWR(vswr units.VSWR) (units.DB, error) {
	mag, err := ReflectionFromVSWR(vswr)
	if err != nil {
		return 0, err
	}
	return returnLoss(mag), nil
}

// ReflectionFromVSWR gives |Γ| = (VSWR−1)/(VSWR+1); +Inf gives 1.
//
// The error is Invalid, VSWR_BELOW_ONE, if vswr < 1 or NaN.
func ReflectionFromVSWR(vswr units.VSWR) (float64, error) {
	v := float64(vswr)
	if !(v >= 1) {
		return 0, errs.Field("VSWR_BELOW_ONE", "VSWR", "must be 1 or more")
	}
	if math.IsInf(v, 1) {
		return 1, nil
	}
	return (v - 1) / (v + 1), nil
}

// VSWRFromReflection gives (1+|Γ|)/(1−|Γ|); |Γ| = 1 (open or short) gives +Inf.
//
// Errors, Invalid: REFLECTION_OVER_ONE (VSWR is undefined), REFLECTION_NEGATIVE,
// VALUE_NOT_FINITE.
func VSWRFromReflection(reflection float64) (units.VSWR, error) {
	if err := checkReflection(reflection); err != nil {
		return 0, err
	}
	if reflection > 1 {
		return 0, errOverOne
	}
	return units.VSWR((1 + reflection) / (1 - reflection)), nil
}

// VSWR gives the VSWR of a return loss of 0 dB or more; 0 gives +Inf, +Inf
// gives 1.
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE.
func VSWR(rl units.DB) (units.VSWR, error) {
	mag, err := Reflection(rl)
	if err != nil {
		return 0, err
	}
	return VSWRFromReflection(mag)
}

// MismatchLoss gives −10·log10(1−|Γ|²), the part of the power that does not go
// on because it is reflected; |Γ| = 1 gives +Inf.
//
// Errors, Invalid: REFLECTION_OVER_ONE, REFLECTION_NEGATIVE, VALUE_NOT_FINITE.
func MismatchLoss(reflection float64) (units.DB, error) {
	if err := checkReflection(reflection); err != nil {
		return 0, err
	}
	switch {
	case reflection > 1:
		return 0, errOverOne
	case reflection == 1:
		return units.DB(math.Inf(1)), nil
	case reflection == 0:
		return 0, nil
	}
	return units.DB(-10 / math.Ln10 * math.Log1p(-reflection*reflection)), nil
}

// ReflectedPower gives the part of the power that comes back: 100·|Γ|² per cent.
//
// Errors, Invalid: REFLECTION_NEGATIVE, VALUE_NOT_FINITE.
func ReflectedPower(reflection float64) (units.Percent, error) {
	if err := checkReflection(reflection); err != nil {
		return 0, err
	}
	return units.Percent(100 * reflection * reflection), nil
}

// DirectivityMargin is how much better the directivity should be than the
// return loss that is judged. Common practice.
const DirectivityMargin units.DB = 10

// ReturnLossReadings gives the lowest and highest reading of a load with a true
// return loss through an instrument with limited directivity, phase unknown:
// −20·log10(g+d) to −20·log10|g−d|, with g = 10^(−RL/20), d = 10^(−D/20). high
// is +Inf when the two are equal. low can be negative near a total reflection.
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE.
func ReturnLossReadings(trueRL, directivity units.DB) (low, high units.DB, err error) {
	return ReturnLossReadingsWithMatch(trueRL, directivity, units.DB(math.Inf(1)))
}

// ReturnLossReadingsWithMatch is ReturnLossReadings with the source match (as a
// return loss) besides: its share is g²·s. Tracking is left out. high is +Inf
// when the three can cancel.
//
// Errors as ReturnLossReadings.
func ReturnLossReadingsWithMatch(trueRL, directivity, sourceMatch units.DB) (low, high units.DB, err error) {
	g, d, s, err := reflections(trueRL, directivity, sourceMatch)
	if err != nil {
		return 0, 0, err
	}
	sum := g + d + g*g*s
	// Phasors of unknown phase: the sum is smallest when the largest stands
	// against the rest, and zero when the rest reaches it.
	least := math.Max(0, 2*math.Max(g, math.Max(d, g*g*s))-sum)
	if s == 0 {
		least = math.Abs(g - d)
	}
	return returnLoss(sum), returnLoss(least), nil
}

// TrueReturnLoss gives the lowest and highest true return loss behind a
// reading: the inverse of ReturnLossReadingsWithMatch. sourceMatch +Inf leaves
// it out. high is +Inf when the reading can be directivity alone. low is 0 at
// least: a passive load returns no more than it is sent.
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE.
//
// From m = g ± d ± g²·s: the largest g solves g − s·g² = m + d, the smallest
// g + s·g² = |m − d|.
func TrueReturnLoss(reading, directivity, sourceMatch units.DB) (low, high units.DB, err error) {
	m, d, s, err := reflections(reading, directivity, sourceMatch)
	if err != nil {
		return 0, 0, err
	}
	most, least := m+d, math.Abs(m-d)
	if s > 0 {
		// 2c/(1+√(1∓4sc)) is the root that stays exact for small s.
		root := 1 - 4*s*most
		if root < 0 {
			most = 1
		} else {
			most = 2 * most / (1 + math.Sqrt(root))
		}
		least = 2 * least / (1 + math.Sqrt(1+4*s*least))
	}
	return returnLoss(math.Min(most, 1)), returnLoss(math.Min(least, 1)), nil
}

func reflections(a, b, c units.DB) (ra, rb, rc float64, err error) {
	if ra, err = Reflection(a); err != nil {
		return 0, 0, 0, err
	}
	if rb, err = Reflection(b); err != nil {
		return 0, 0, 0, err
	}
	rc, err = Reflection(c)
	return ra, rb, rc, err
}

func checkLineLoss(loss units.DB) error {
	return checkWithin("LOSS_OUT_OF_RANGE", "line loss", float64(loss), 0, 200, "dB")
}

// ReturnLossThroughLine gives the return loss at the near end of a line whose
// far end has rlLoad: rlLoad + 2·loss (one-way loss, 0 to 200 dB).
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE,
// LOSS_OUT_OF_RANGE.
func ReturnLossThroughLine(rlLoad, loss units.DB) (units.DB, error) {
	if err := checkReturnLoss(rlLoad); err != nil {
		return 0, err
	}
	if err := checkLineLoss(loss); err != nil {
		return 0, err
	}
	return rlLoad + 2*loss, nil
}

// FarEndReturnLoss gives the return loss at the far end from the one read at
// the near end: rlIn − 2·loss. judgeable is false when the result is 0 or less:
// a short at the far end would look the same, so the reading says nothing about
// the antenna.
//
// Errors as ReturnLossThroughLine.
func FarEndReturnLoss(rlIn, loss units.DB) (rl units.DB, judgeable bool, err error) {
	if err := checkReturnLoss(rlIn); err != nil {
		return 0, false, err
	}
	if err := checkLineLoss(loss); err != nil {
		return 0, false, err
	}
	rl = rlIn - 2*loss
	return rl, rl > 1e-9, nil
}

// TwoReflections gives the worst-case return loss of two reflections with a
// one-way loss between them: |Γ| = |Γ1| + |Γ2|·10^(−2L/20). Sums over 1 give 0
// dB, total reflection.
//
// Errors as ReturnLossThroughLine.
func TwoReflections(rl1, rl2, loss units.DB) (units.DB, error) {
	g1, g2, _, err := reflections(rl1, rl2, 0)
	if err != nil {
		return 0, err
	}
	if err := checkLineLoss(loss); err != nil {
		return 0, err
	}
	return returnLoss(math.Min(1, g1+g2*math.Pow(10, -2*float64(loss)/20))), nil
}
