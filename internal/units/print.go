package units

import (
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Decimal is the decimal sign of a printed number.
type Decimal byte

// The decimal signs.
const (
	Point Decimal = '.'
	Comma Decimal = ','
)

// pointLanguages are BCP 47 primary languages that write a decimal point, and
// pointRegions are regions that do so although their language elsewhere writes
// a comma. All else gets a comma. (Unicode CLDR, from memory.)
var (
	pointLanguages = words("en zh ja ko th he hi bn ta te ur ms cy ga")
	pointRegions   = words("es-mx es-us es-pr es-gt es-hn es-ni es-pa es-pe es-do es-sv de-ch de-li it-ch")
	commaRegions   = words("en-za")
)

func words(s string) map[string]bool {
	out := map[string]bool{}
	for w := range strings.FieldsSeq(s) {
		out[w] = true
	}
	return out
}

// DecimalFor returns the decimal sign that readers of a BCP 47 language tag
// expect ("en" and "es-MX": point; "de", "es": comma). An empty tag gets a
// point.
func DecimalFor(language string) Decimal {
	tag := strings.ToLower(strings.ReplaceAll(language, "_", "-"))
	primary, _, _ := strings.Cut(tag, "-")
	switch {
	case commaRegions[tag]:
		return Comma
	case tag == "", pointRegions[tag], pointLanguages[primary]:
		return Point
	}
	return Comma
}

const (
	trueMinus = "\u2212"
	noBreak   = "\u00a0"
)

// Print writes value with the fewest digits that give the same float64 again,
// a true minus sign, no grouping of digits, and a no-break space before the
// unit's symbol (none before the degree sign of an angle). For 1e-30 ≤ |value|
// ≤ 1e30, and 0, Parse reads it back to the same value and unit. An infinity
// prints as ∞ (a perfect match has an infinite return loss), NaN as "no value".
func Print(value float64, u Unit, d Decimal) string {
	return printed(value, u, d, -1)
}

// PrintTo is Print rounded to a number of decimals (0 to 12; outside it is cut
// to that range). The decimal digits that Print gives are rounded, halves away
// from zero, as a person rounds them: 2.675 to two decimals is 2.68, although
// the float64 lies a hair below.
func PrintTo(value float64, u Unit, decimals int, d Decimal) string {
	return printed(value, u, d, min(max(decimals, 0), 12))
}

func printed(value float64, u Unit, d Decimal, decimals int) string {
	var number string
	switch {
	case math.IsNaN(value):
		return "no value"
	case math.IsInf(value, 0):
		number = "∞"
	default:
		number = strconv.FormatFloat(math.Abs(value), 'f', -1, 64)
		if decimals >= 0 {
			if r, ok := new(big.Rat).SetString(number); ok {
				number = r.FloatString(decimals)
			}
		}
	}
	// −0.04 to one decimal is 0.0, not −0.0.
	if value < 0 && strings.ContainsAny(number, "123456789∞") {
		number = trueMinus + number
	}
	if d == Comma {
		number = strings.Replace(number, ".", ",", 1)
	}
	return withSymbol(number, u)
}

func withSymbol(number string, u Unit) string {
	symbol := strings.ReplaceAll(u.Symbol(), " ", noBreak)
	switch {
	case symbol == "":
		return number
	case u == UnitDegrees:
		return number + symbol
	}
	return number + noBreak + symbol
}
