package limits

import (
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// nbsp keeps a number and its unit on one line.
const nbsp = "\u00a0"

// trimmed prints v rounded to 1e-6 with as few digits as it needs, a decimal
// point and a true minus.
func trimmed(v float64) string { return decimal(v, 6) }

func decimal(v float64, places int) string {
	if math.IsInf(v, 1) {
		return "∞"
	}
	if math.IsInf(v, -1) {
		return "−∞"
	}
	a := math.Abs(v)
	// An exact half goes up, as ECMAScript's toFixed does it: the phone client
	// prints the same sentence. FormatFloat alone would round to even.
	if digits := strconv.FormatFloat(a, 'f', places+40, 64); strings.TrimRight(digits[len(digits)-40:], "0") == "5" {
		a = math.Nextafter(a, math.Inf(1))
	}
	s := strconv.FormatFloat(a, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if v < 0 && s != "0" {
		s = "−" + s
	}
	return s
}

// with puts a unit behind a printed number.
func with(number string, u recordv1.Measure_Unit) string {
	symbol := unitOf(u).Symbol()
	switch {
	case symbol == "":
		return number
	case unitOf(u) == units.UnitDegrees:
		return number + symbol
	}
	return number + nbsp + strings.ReplaceAll(symbol, " ", nbsp)
}

// measure prints a value as it is judged: to 1e-6.
func measure(v float64, u recordv1.Measure_Unit) string { return with(trimmed(v), u) }

// gap prints a difference of two values in unit u.
func gap(v float64, u recordv1.Measure_Unit) string {
	var nought float64
	return with(apart(round6(v), &nought), differenceUnit(u))
}

// between prints a computed range for a sentence.
func between(low, high float64, u recordv1.Measure_Unit, bounds ...*float64) string {
	return "between " + apart(low, bounds...) + " and " + about(high, u, bounds...)
}

// about prints a computed value for a sentence: to two places, or as many more
// as it takes to tell it from the bounds that it is held against.
func about(v float64, u recordv1.Measure_Unit, bounds ...*float64) string {
	return with(apart(v, bounds...), u)
}

func apart(v float64, bounds ...*float64) string {
	places := 2
	for ; places < 6; places++ {
		same := false
		for _, b := range bounds {
			if b != nil && decimal(v, places) == decimal(*b, places) && round6(v) != round6(*b) {
				same = true
			}
		}
		if !same {
			break
		}
	}
	return decimal(v, places)
}
