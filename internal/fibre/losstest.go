package fibre

import (
	"fmt"
	"slices"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
)

// ReferenceMethod is how a loss test was zeroed.
type ReferenceMethod string

// The methods. The one-cord reference is the first choice (TIA-526-14 and -7,
// IEC 61280-4-1 and -4-2); what the other two cover is from memory.
const (
	OneCord   ReferenceMethod = "one-cord"
	TwoCord   ReferenceMethod = "two-cord"
	ThreeCord ReferenceMethod = "three-cord"
)

// EndConnections returns how many of the link's two end connections a test with
// this reference includes: both, one or none. The budget drops the others.
//
// The error is Invalid, REFERENCE_METHOD_UNKNOWN.
func (m ReferenceMethod) EndConnections() (int, error) {
	i := slices.Index([]ReferenceMethod{ThreeCord, TwoCord, OneCord}, m)
	if i < 0 {
		return 0, errs.Field("REFERENCE_METHOD_UNKNOWN", "method", fmt.Sprintf("%q is not a reference method; use one-cord, two-cord or three-cord", m))
	}
	return i, nil
}

// InsertionLoss returns reference − measured. A gain means that the reference
// is not valid: redo it and the measurements since.
//
// Errors are Invalid: REFERENCE_INVALID for a gain, LOSS_OUT_OF_RANGE.
func InsertionLoss(reference, measured units.DBm) (units.DB, error) {
	if err := levels(level{"reference", float64(reference)}, level{"measured", float64(measured)}); err != nil {
		return 0, err
	}
	l := rounded(units.DB(float64(reference) - float64(measured)))
	if l < 0 {
		return 0, errs.Field("REFERENCE_INVALID", "reference",
			fmt.Sprintf("more light with the link than without it (loss %s dB): the reference is invalid, redo it and every reading since", plain(float64(l))))
	}
	return l, nil
}

// Direction is the way in which a loss was measured.
type Direction string

// The two directions between the ends of a line.
const (
	AToB Direction = "A to B"
	BToA Direction = "B to A"
)

// LossReading is one measured loss with the limit for its wavelength.
type LossReading struct {
	Wavelength units.Nanometers
	Direction  Direction
	Loss       units.DB
	Limit      units.DB
}

// LossResult judges one reading.
type LossResult struct {
	Reading LossReading
	Within  bool
}

// MeanLoss is the mean of both directions at one wavelength. It is shown, never
// judged: it can hide a bad direction behind a good one.
type MeanLoss struct {
	Wavelength units.Nanometers
	Mean       units.DB
}

// Bend says what two wavelengths of one single-mode fibre tell of a bend.
type Bend string

// The answers.
const (
	BendNotSeen   Bend = "normal"         // loss at 1550 nm under loss at 1310 nm
	BendPossible  Bend = "look"           // equal
	BendSuspected Bend = "suspect a bend" // 1550 nm over 1310 nm
	BendUnknown   Bend = ""               // not both wavelengths measured
)

// LossVerdict is the outcome of a loss test.
type LossVerdict struct {
	Within  bool // every wavelength in every direction tested, each by itself
	Results []LossResult
	Means   []MeanLoss // in ascending wavelength, where both directions are there
	Bend    Bend       // worst of the directions
}

// JudgeLosses holds each reading against its own limit; equality passes. One
// reading over its limit fails the whole.
//
// Errors are Invalid: LOSS_READINGS_COUNT (1 to 100), LOSS_OUT_OF_RANGE,
// WAVELENGTH_OUT_OF_RANGE (600 to 1700 nm), DIRECTION_UNKNOWN,
// LOSS_READING_TWICE for a wavelength and direction given twice.
func JudgeLosses(readings []LossReading) (LossVerdict, error) {
	if len(readings) == 0 || len(readings) > 100 {
		return LossVerdict{}, errs.Field("LOSS_READINGS_COUNT", "readings", fmt.Sprintf("1 to 100 readings can be judged, got %d", len(readings)))
	}
	type way struct {
		w units.Nanometers
		d Direction
	}
	by := make(map[way]units.DB)
	v := LossVerdict{Within: true}
	for i, r := range readings {
		field := fmt.Sprintf("readings[%d]", i)
		if err := levels(level{field + ".loss", float64(r.Loss)}, level{field + ".limit", float64(r.Limit)}); err != nil {
			return LossVerdict{}, err
		}
		if !(r.Wavelength >= 600 && r.Wavelength <= 1700) {
			return LossVerdict{}, errs.Field("WAVELENGTH_OUT_OF_RANGE", field+".wavelength", "a wavelength is from 600 to 1700 nm, got "+plain(float64(r.Wavelength)))
		}
		if r.Direction != AToB && r.Direction != BToA {
			return LossVerdict{}, errs.Field("DIRECTION_UNKNOWN", field+".direction", fmt.Sprintf("%q is not a direction; use %q or %q", r.Direction, AToB, BToA))
		}
		k := way{r.Wavelength, r.Direction}
		if _, twice := by[k]; twice {
			return LossVerdict{}, errs.Field("LOSS_READING_TWICE", field, fmt.Sprintf("%s nm from %s is given twice", plain(float64(r.Wavelength)), r.Direction))
		}
		by[k] = r.Loss
		within := metrology.AtMost(float64(r.Limit)).Holds(float64(r.Loss))
		v.Results = append(v.Results, LossResult{r, within})
		v.Within = v.Within && within
	}
	seen := make(map[units.Nanometers]bool)
	for k, loss := range by {
		other, both := by[way{k.w, BToA}]
		if k.d == AToB && both && !seen[k.w] {
			seen[k.w] = true
			mean, err := MeanOfDirections(loss, other)
			if err != nil {
				return LossVerdict{}, err
			}
			v.Means = append(v.Means, MeanLoss{k.w, mean})
		}
	}
	slices.SortFunc(v.Means, func(a, b MeanLoss) int {
		if a.Wavelength < b.Wavelength {
			return -1
		}
		return 1
	})
	rank := []Bend{BendUnknown, BendNotSeen, BendPossible, BendSuspected}
	for _, d := range []Direction{AToB, BToA} {
		at1310, ok1 := by[way{1310, d}]
		at1550, ok2 := by[way{1550, d}]
		if ok1 && ok2 {
			if b := BendSign(at1310, at1550); slices.Index(rank, b) > slices.Index(rank, v.Bend) {
				v.Bend = b
			}
		}
	}
	return v, nil
}

// MeanOfDirections returns (AB + BA)/2 of a loss, or of a splice seen by an
// OTDR, where a gain in one direction is no error.
//
// The error is Invalid, LOSS_OUT_OF_RANGE.
func MeanOfDirections(ab, ba units.DB) (units.DB, error) {
	if err := levels(level{"ab", float64(ab)}, level{"ba", float64(ba)}); err != nil {
		return 0, err
	}
	return rounded((ab + ba) / 2), nil
}

// BendSign compares the losses of one single-mode fibre at two wavelengths: a
// bend takes more of the longer one (common practice).
func BendSign(at1310, at1550 units.DB) Bend {
	a, b := rounded(at1310), rounded(at1550)
	switch {
	case b < a:
		return BendNotSeen
	case b == a:
		return BendPossible
	case b > a:
		return BendSuspected
	}
	return BendUnknown // not numbers
}
