package metrology

import (
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/internal/errs"
)

// PointError is the error that a calibration found at one value.
type PointError struct {
	At    float64 // the value shown or set, in the instrument's unit
	Error float64 // shown − true, in the instrument's unit, or in percent of true when relative
}

// FoundErrors are the errors that an as-found calibration gives, with
// increasing At. Relative errors are (shown − true)·100/true, as ISO 6789
// states them for torque tools.
type FoundErrors struct {
	Points   []PointError
	Relative bool
}

// MaxErrorPoints bounds one calibration table.
const MaxErrorPoints = 1_000

func (f FoundErrors) check() error {
	if len(f.Points) == 0 || len(f.Points) > MaxErrorPoints {
		return errs.Field("ERROR_POINTS_COUNT", "points", fmt.Sprintf("found errors are given at 1 to %d values, got %d", MaxErrorPoints, len(f.Points)))
	}
	for i, p := range f.Points {
		field := fmt.Sprintf("points[%d]", i)
		if !finite(p.At) || !finite(p.Error) {
			return errs.Field("ERROR_POINT_INVALID", field, "a value and its error are finite numbers")
		}
		if f.Relative && p.Error <= -100 {
			return errs.Field("ERROR_POINT_INVALID", field, "a relative error is over -100 percent, got "+number(p.Error))
		}
		if i > 0 && p.At <= f.Points[i-1].At {
			return errs.Field("ERROR_POINT_INVALID", field, "the values of the calibration must increase")
		}
	}
	return nil
}

// Worst returns the largest error by magnitude, with its sign.
//
// Errors are Invalid: ERROR_POINTS_COUNT, ERROR_POINT_INVALID.
func (f FoundErrors) Worst() (float64, error) {
	if err := f.check(); err != nil {
		return 0, err
	}
	worst := 0.0
	for _, p := range f.Points {
		if math.Abs(p.Error) > math.Abs(worst) {
			worst = p.Error
		}
	}
	return worst, nil
}

// neighbors returns the points that bracket the shown value: one where it is
// on a point or beyond the ends, else two.
func (f FoundErrors) neighbors(shown float64) []PointError {
	i, exact := slices.BinarySearchFunc(f.Points, shown, func(p PointError, v float64) int {
		switch {
		case p.At < v:
			return -1
		case p.At > v:
			return 1
		}
		return 0
	})
	switch {
	case exact || i == 0:
		return f.Points[i : i+1]
	case i == len(f.Points):
		return f.Points[i-1:]
	}
	return f.Points[i-1 : i+1]
}

// True returns the values that a reading can really have been, one for each
// neighbouring point of the calibration: shown − error, or shown/(1 + error/100).
//
// Errors are Invalid: ERROR_POINTS_COUNT, ERROR_POINT_INVALID, VALUE_NOT_FINITE.
func (f FoundErrors) True(shown float64) ([]float64, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	if !finite(shown) {
		return nil, errs.Field("VALUE_NOT_FINITE", "shown", "a value is a finite number, got "+number(shown))
	}
	var out []float64
	for _, p := range f.neighbors(shown) {
		v := shown - p.Error
		if f.Relative {
			v = shown / (1 + p.Error/100)
		}
		if !finite(v) {
			return nil, errs.Field("VALUE_NOT_FINITE", "shown", "the corrected value is too large to be represented")
		}
		out = append(out, v)
	}
	return out, nil
}

// Rejudged is a reading judged again with the error that was found.
type Rejudged struct {
	Before, After Judgement
	True          float64 // the corrected value that gives After
	Changed       bool    // the outcome is another one: the reading is to be repeated
}

// Rejudge judges a shown reading as it stood, and again with the found error,
// by the worst of the neighbouring calibration points. The reading itself is
// never changed.
//
// Errors are Invalid: those of FoundErrors.True and Judge.
func Rejudge(l Limits, r Rule, u Uncertainty, shown float64, found FoundErrors) (Rejudged, error) {
	trues, err := found.True(shown)
	if err != nil {
		return Rejudged{}, err
	}
	before, err := Judge(l, r, u, shown, Interval{shown, shown})
	if err != nil {
		return Rejudged{}, err
	}
	out := Rejudged{Before: before}
	for i, v := range trues {
		after, err := Judge(l, r, u, v, Interval{v, v})
		if err != nil {
			return Rejudged{}, err
		}
		if i == 0 || badness(after.Outcome) > badness(out.After.Outcome) {
			out.After, out.True = after, v
		}
	}
	out.Changed = out.After.Outcome != before.Outcome
	return out, nil
}

// Proof is something that showed an instrument to be good at one moment: a
// calibration, or a check against a reference.
type Proof struct {
	At time.Time
	// Shows is the smallest error that it could have shown, in the same unit as
	// the found error; 0 for a calibration, which shows any.
	Shows float64
}

// DoubtWindow is the time whose readings are to be judged again.
type DoubtWindow struct {
	From, To time.Time
	Opened   int // index into proofs of the one that opens the window; -1 when none does
}

// Doubt returns the window of an instrument found bad at the moment found: it
// opens at the latest good proof before that which could have shown an error as
// large as the one found, and closes at the finding. With no such proof it opens
// at the zero time: every reading of the instrument is in doubt.
//
// Errors are Invalid: FOUND_ERROR_INVALID when the error is 0 or not finite;
// PROOF_INVALID for a proof whose Shows is negative or not finite.
func Doubt(foundError float64, found time.Time, proofs []Proof) (DoubtWindow, error) {
	if !finite(foundError) || foundError == 0 {
		return DoubtWindow{}, errs.Field("FOUND_ERROR_INVALID", "foundError", "the found error is a finite number other than 0, got "+number(foundError))
	}
	w := DoubtWindow{To: found, Opened: -1}
	for i, p := range proofs {
		if !(p.Shows >= 0) || math.IsInf(p.Shows, 0) {
			return DoubtWindow{}, errs.Field("PROOF_INVALID", fmt.Sprintf("proofs[%d].shows", i), "the smallest error that a check can show is a finite number of 0 or more")
		}
		if !p.At.Before(found) || Rounded(p.Shows) > Rounded(math.Abs(foundError)) {
			continue
		}
		if w.Opened < 0 || p.At.After(w.From) {
			w.From, w.Opened = p.At, i
		}
	}
	return w, nil
}

// Holds reports whether a reading taken at t is in doubt: after the window
// opens, not after it closes.
func (w DoubtWindow) Holds(t time.Time) bool { return t.After(w.From) && !t.After(w.To) }
