package exposure

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Stay is a time at one power density.
type Stay struct {
	Density float64 // W/m2
	Minutes float64
}

// MostStays is how many stays one average may hold.
const MostStays = 100

// AverageResult is in W/m².
type AverageResult struct {
	Worst   float64 // the largest mean over any window of the averaging time
	Limit   Limit
	Over    bool
	Working working.Working
}

// TimeAverage returns the largest mean density over any window of the limit's
// averaging time; before the first and after the last stay there is none. It is
// for people who control their exposure: the occupational tier only.
//
// Errors: those of LimitAt; Invalid AVERAGING_IS_OCCUPATIONAL for the general
// tier, STAYS_MISSING, STAYS_TOO_MANY (over 100), OUT_OF_RANGE, NOT_A_NUMBER.
// Source: OET 65 section 2 and 47 CFR 1.1310.
func TimeAverage(set Set, tier Tier, basis Basis, mhz float64, stays []Stay) (AverageResult, error) {
	l, err := averagingLimit(set, tier, basis, mhz)
	if err != nil {
		return AverageResult{}, err
	}
	if len(stays) == 0 {
		return AverageResult{}, errs.Field("STAYS_MISSING", "stays", "must hold at least one density with its minutes")
	}
	if len(stays) > MostStays {
		return AverageResult{}, errs.Field("STAYS_TOO_MANY", "stays", "must be at most "+strconv.Itoa(MostStays), "count", strconv.Itoa(len(stays)))
	}
	edges := []float64{0}
	w := averagingWorking("mean power density over the worst window of the averaging time", l, mhz)
	for i, s := range stays {
		if err := DensityWattsPerSqM.Check("density", s.Density); err != nil {
			return AverageResult{}, err
		}
		if err := Minutes.Check("minutes", s.Minutes); err != nil {
			return AverageResult{}, err
		}
		edges = append(edges, edges[i]+s.Minutes)
		w.Inputs = append(w.Inputs, working.Number("stay "+strconv.Itoa(i+1)+", density", "", s.Density, "W/m2"),
			working.Number("stay "+strconv.Itoa(i+1)+", time", "", s.Minutes, "min"))
	}
	// A window's mean is largest where one of its ends lies on an edge.
	r := AverageResult{Limit: l}
	start := 0.0
	for _, e := range edges {
		for _, from := range []float64{e, e - l.AverageMin} {
			if mean := meanOver(stays, edges, from, l.AverageMin); mean > r.Worst {
				r.Worst, start = mean, from
			}
		}
	}
	r.Over = working.Exceeds(r.Worst, l.Density)
	w.Steps = append(w.Steps, working.Number("worst window begins", "", start, "min"))
	w.Result = []working.Term{
		working.NumberUp("largest mean", "", r.Worst, "W/m2"),
		working.NumberUp("the same", "", r.Worst/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
		working.Compare("largest mean", r.Worst, l.Density, "W/m2"),
	}
	r.Working = w
	return r, nil
}

func meanOver(stays []Stay, edges []float64, from, window float64) float64 {
	sum := 0.0
	for i, s := range stays {
		overlap := math.Min(edges[i+1], from+window) - math.Max(edges[i], from)
		if overlap > 0 {
			sum += s.Density * overlap
		}
	}
	return sum / window
}

// StayResult is in minutes.
type StayResult struct {
	Minutes     float64 // in each averaging time; the whole of it where NoTimeLimit
	NoTimeLimit bool    // the density is at or under the limit
	Limit       Limit
	Working     working.Working
}

// LongestStay returns window·limit/density: how long in each averaging time a
// person who controls the exposure may meet a density, with none for the rest.
// At or under the limit the rule sets no time (NoTimeLimit).
//
// Errors as TimeAverage.
func LongestStay(set Set, tier Tier, basis Basis, mhz, densityWattsPerSqM float64) (StayResult, error) {
	l, err := averagingLimit(set, tier, basis, mhz)
	if err != nil {
		return StayResult{}, err
	}
	if err := DensityWattsPerSqM.Check("density", densityWattsPerSqM); err != nil {
		return StayResult{}, err
	}
	r := StayResult{Minutes: l.AverageMin, Limit: l, NoTimeLimit: !working.Exceeds(densityWattsPerSqM, l.Density)}
	w := averagingWorking("longest stay in each averaging time: window*limit/density", l, mhz)
	w.Inputs = append(w.Inputs, working.Number("power density", "S", densityWattsPerSqM, "W/m2"))
	if r.NoTimeLimit {
		w.Result = []working.Term{
			working.Words("time", "this limit sets none at this density"),
			working.Compare("power density", densityWattsPerSqM, l.Density, "W/m2"),
		}
	} else {
		r.Minutes = l.AverageMin * l.Density / densityWattsPerSqM
		w.Result = []working.Term{
			working.NumberDown("at most, with no exposure for the rest of the window", "", r.Minutes, "min"),
			working.Compare("power density while there", densityWattsPerSqM, l.Density, "W/m2"),
		}
	}
	r.Working = w
	return r, nil
}

func averagingLimit(set Set, tier Tier, basis Basis, mhz float64) (Limit, error) {
	l, err := LimitAt(set, tier, basis, mhz)
	if err != nil {
		return Limit{}, err
	}
	if tier != Occupational {
		return Limit{}, errs.Field("AVERAGING_IS_OCCUPATIONAL", "tier",
			"must be occupational: staying by the clock is only for people who are trained, aware and control their exposure", "tier", string(tier))
	}
	return l, nil
}

func averagingWorking(formula string, l Limit, mhz float64) working.Working {
	return working.Working{
		Formula: formula,
		Inputs:  append(limitInputs(l), working.Number("frequency", "f", mhz, "MHz")),
		Steps: []working.Term{
			working.NumberDown("limit", "", l.Density, "W/m2"),
			working.Number("averaging time", "", l.AverageMin, "min"),
		},
		Sources: []working.Source{oet65("section 2, time averaging", working.Computed), l.Source},
		Cautions: append(tierCautions(Occupational),
			"Averaging is only for people who control their exposure; a personal monitor is no leave to stay."),
		LeftOut: otherLeftOut("exposure before and after the times entered", "changes of the transmitter's power"),
		Defers:  working.DefersExposure,
	}
}
