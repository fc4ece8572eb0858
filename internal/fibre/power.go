package fibre

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
)

// Milliwatts converts a power level: 10^(dBm/10) mW.
//
// The error is Invalid, LOSS_OUT_OF_RANGE, beyond ±MaxLevelDB.
func Milliwatts(p units.DBm) (float64, error) {
	if err := levels(level{"power", float64(p)}); err != nil {
		return 0, err
	}
	return math.Pow(10, float64(p)/10), nil
}

// DBmFromMilliwatts converts a power over 0: 10·log10(mW).
//
// The error is Invalid, POWER_OUT_OF_RANGE, unless the level lies within
// ±MaxLevelDB.
func DBmFromMilliwatts(milliwatts float64) (units.DBm, error) {
	d := 10 * math.Log10(milliwatts)
	if !(milliwatts > 0) || !(math.Abs(d) <= MaxLevelDB) {
		return 0, errs.Field("POWER_OUT_OF_RANGE", "milliwatts", fmt.Sprintf("a power is over 0 mW and within ±%d dBm, got %g mW", MaxLevelDB, milliwatts))
	}
	return units.DBm(d), nil
}

// PowerMargin returns what the receiver has left over its sensitivity:
// txMin − sensitivity − loss. Negative means too little light.
//
// The error is Invalid, LOSS_OUT_OF_RANGE.
func PowerMargin(txMin, sensitivity units.DBm, loss units.DB) (units.DB, error) {
	if err := levels(level{"txMin", float64(txMin)}, level{"sensitivity", float64(sensitivity)}, level{"loss", float64(loss)}); err != nil {
		return 0, err
	}
	return rounded(units.DB(float64(txMin-sensitivity) - float64(loss))), nil
}

// Overload returns the strongest light that can reach the receiver,
// txMax − loss, and whether it is more than the receiver takes. Exactly its
// maximum is no overload.
//
// The error is Invalid, LOSS_OUT_OF_RANGE.
func Overload(txMax, rxMax units.DBm, loss units.DB) (received units.DBm, over bool, err error) {
	if err := levels(level{"txMax", float64(txMax)}, level{"rxMax", float64(rxMax)}, level{"loss", float64(loss)}); err != nil {
		return 0, false, err
	}
	received = units.DBm(metrology.Rounded(float64(txMax) - float64(loss)))
	return received, metrology.Rounded(float64(received)) > metrology.Rounded(float64(rxMax)), nil
}

// ReturnLossOfReflectance turns a reflectance, which is 0 dB or negative, into
// a return loss, which is 0 dB or positive: the same figure with the other sign.
//
// The error is Invalid, REFLECTANCE_SIGN, for a positive reflectance, which is
// almost surely a return loss, and LOSS_OUT_OF_RANGE.
func ReturnLossOfReflectance(reflectance units.DB) (units.DB, error) {
	if err := levels(level{"reflectance", float64(reflectance)}); err != nil {
		return 0, err
	}
	if reflectance > 0 {
		return 0, errs.Field("REFLECTANCE_SIGN", "reflectance", "a reflectance is 0 dB or negative; a positive figure is a return loss, got "+plain(float64(reflectance)))
	}
	return units.DB(0 - reflectance), nil
}

// ReturnLossOfPowers returns 10·log10(in/back) for two powers in mW, both over
// 0. More light back than in is an error: a passive end cannot do it.
//
// The error is Invalid, POWER_OUT_OF_RANGE.
func ReturnLossOfPowers(inMilliwatts, backMilliwatts float64) (units.DB, error) {
	in, err := DBmFromMilliwatts(inMilliwatts)
	if err != nil {
		return 0, err
	}
	back, err := DBmFromMilliwatts(backMilliwatts)
	if err != nil {
		return 0, err
	}
	if back > in {
		return 0, errs.Field("POWER_OUT_OF_RANGE", "backMilliwatts", "more light comes back than went in; the two are exchanged or the meter saw another source")
	}
	return units.DB(in - back), nil
}

// OpenEnd returns the share of light that a flat end in air sends back,
// ((n − 1)/(n + 1))², and the same as a return loss, for an index n over 1 and
// at most 3. It is about 14 dB for any fibre.
//
// The error is Invalid, INDEX_OUT_OF_RANGE.
func OpenEnd(n float64) (share float64, rl units.DB, err error) {
	if err := index(n); err != nil {
		return 0, 0, err
	}
	r := (n - 1) / (n + 1)
	return r * r, units.DB(-20 * math.Log10(r)), nil
}

// Reflection is one reflecting point seen from the near end.
type Reflection struct {
	ReturnLoss units.DB // of the point itself, 0 or more
	LossBefore units.DB // one-way loss between the near end and it, 0 or more
}

// TotalReturnLoss sums reflections as powers, each seen through the loss before
// it twice: −10·log10 Σ 10^(−(RL + 2·loss)/10). It neglects light reflected more
// than once and backscatter.
//
// Errors are Invalid: REFLECTIONS_COUNT for none or more than 1,000;
// LOSS_OUT_OF_RANGE; REFLECTIONS_TOO_STRONG when the sum is more than all the
// light.
func TotalReturnLoss(reflections []Reflection) (units.DB, error) {
	if len(reflections) == 0 || len(reflections) > 1000 {
		return 0, errs.Field("REFLECTIONS_COUNT", "reflections", fmt.Sprintf("1 to 1000 reflections can be summed, got %d", len(reflections)))
	}
	sum := 0.0
	for i, r := range reflections {
		field := fmt.Sprintf("reflections[%d]", i)
		if !(r.ReturnLoss >= 0 && r.ReturnLoss <= MaxLevelDB && r.LossBefore >= 0 && r.LossBefore <= MaxLevelDB) {
			return 0, errs.Field("LOSS_OUT_OF_RANGE", field, fmt.Sprintf("a return loss and the loss before it are from 0 to %d dB", MaxLevelDB))
		}
		sum += math.Pow(10, -float64(r.ReturnLoss+2*r.LossBefore)/10)
	}
	// A single total reflection may round to a hair over 1.
	if sum > 1+1e-12 {
		return 0, errs.Field("REFLECTIONS_TOO_STRONG", "reflections", "together they return more light than was sent; a sum of powers does not hold here")
	}
	return units.DB(math.Max(0, -10*math.Log10(sum))), nil
}
