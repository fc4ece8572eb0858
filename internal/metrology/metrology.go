// Package metrology says what a reading proves: guard-banded decisions,
// conformance probability, combined uncertainty, control charts for an
// instrument's self-check, calibration dates and what to judge again when a
// tool turns out bad. It has no I/O and no clock: dates and zones are arguments.
package metrology

import "math"

// Resolution is the step to which computed values are rounded before they are
// compared with a limit, in the unit of the value. It makes a sum such as
// 0.060·3.0 + 2·0.75 equal to the typed limit 1.68, and makes every program
// that recomputes a verdict reach the same one.
const Resolution = 1e-6

// Rounded returns x rounded to the nearest Resolution, halves away from zero.
// NaN and infinities come back as they are; so does any magnitude of 1e9 or
// more, where a float64 holds little or nothing finer than a Resolution.
func Rounded(x float64) float64 {
	if math.IsNaN(x) || math.Abs(x) >= 1e9 {
		return x
	}
	return math.Round(x*1e6)/1e6 + 0 // −0 becomes 0
}
