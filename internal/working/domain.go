package working

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
)

// Domain is where one number of the input may lie, in Unit. Min and Max belong
// to it unless MinOpen or MaxOpen is set. A calculation checks its input with
// it, and a form prints it, so that the two cannot differ.
type Domain struct {
	Min, Max         float64
	MinOpen, MaxOpen bool
	Unit             string
}

// Check returns nil when v lies in d.
//
// The error is Invalid and names field: reason NOT_A_NUMBER for NaN and for an
// infinite value, OUT_OF_RANGE for one outside d, with the bounds in its facts.
func (d Domain) Check(field string, v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return errs.Field("NOT_A_NUMBER", field, "must be a finite number ("+d.String()+")")
	}
	low := v < d.Min || d.MinOpen && v == d.Min
	high := v > d.Max || d.MaxOpen && v == d.Max
	if low || high {
		return errs.Field("OUT_OF_RANGE", field, "must be "+d.String()+", and is "+plain(v),
			"min", plain(d.Min), "max", plain(d.Max))
	}
	return nil
}

// String says the domain in words: "over 0 and at most 90 degrees".
func (d Domain) String() string {
	s := "at least " + plain(d.Min)
	if d.MinOpen {
		s = "over " + plain(d.Min)
	}
	if d.MaxOpen {
		s += " and under " + plain(d.Max)
	} else {
		s += " and at most " + plain(d.Max)
	}
	if d.Unit != "" {
		s += " " + d.Unit
	}
	return s
}

// plain prints v with as many digits as it needs and no more.
func plain(v float64) string {
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Comparisons with a limit. A figure compared says one of these and no more.
const (
	Within = "within the limit, as entered"
	Over   = "OVER THE LIMIT"
)

// Exceeds reports whether v is over limit. Equality is not over; a billionth
// part of the limit is allowed for the arithmetic of a unit conversion, so that
// 500 lb entered in kilograms stays 500 lb.
func Exceeds(v, limit float64) bool { return v > limit+1e-9*math.Abs(limit) }

// Compare is the term that says how v stands to limit, both in unit.
func Compare(name string, v, limit float64, unit string) Term {
	verdict := Within
	if Exceeds(v, limit) {
		verdict = Over
	}
	if unit != "" {
		unit = " " + unit
	}
	return Term{Name: name, Value: verdict + ": " + NumberUp("", "", v, "").Value + unit + " against " + limitText(limit) + unit}
}

// limitText prints a limit as its rule writes it; one that comes from a formula
// and has no short decimal form is cut to six digits, downwards.
func limitText(limit float64) string {
	if s := plain(limit); len(s) <= 9 {
		return s
	}
	return NumberDown("", "", limit, "").Value
}
