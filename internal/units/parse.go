package units

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// MaxTyped is the longest text, in bytes, that Parse reads.
const MaxTyped = 128

// maxDigits leaves room, within MaxTyped, for the sign and the unit.
const maxDigits = 64

// Sign says which sign a quantity normally has. The other one is asked about,
// never refused: an odd value is still evidence.
type Sign int

// The signs.
const (
	AnySign      Sign = iota
	UsuallyPlus       // return loss, torque, length
	UsuallyMinus      // intermodulation levels in dBc and dBm
)

// Expectation is what the field that was filled in is for.
type Expectation struct {
	Field      string      // named in errors: "torque"
	Shown      Unit        // the unit that the field shows; "" when it shows none
	Dimensions []Dimension // what may be typed; empty: Shown's dimension only
	Usual      []Unit      // proposed when no unit is typed and none is shown
	Sign       Sign
	// Low and High, when High > Low, are the plausible values in the first
	// usual unit (Usual[0], else Shown). Outside them Parse asks.
	Low, High float64
	// MayBeVSWR: the field takes a return loss, for which a small number such
	// as 1.33 is almost surely a VSWR.
	MayBeVSWR bool
	// Keypad: the text comes from the program's own keypad, which has one
	// decimal sign and no grouping, so 1.234 is never ambiguous.
	Keypad bool
}

// The reasons of an Ask. They are API and never renamed.
const (
	AskMinusUnexpected = "MINUS_UNEXPECTED"    // −15 typed for a return loss
	AskMinusMissing    = "MINUS_MISSING"       // 153 typed for a level in dBc
	AskUnitMissing     = "UNIT_MISSING"        // no unit typed, none shown
	AskThousandsOrNot  = "DECIMAL_OR_THOUSAND" // exactly three digits after a lone comma or point
	AskUnlikely        = "VALUE_UNLIKELY"      // outside the plausible values
	AskVSWR            = "LOOKS_LIKE_VSWR"     // 1.33 typed for a return loss
)

// Proposal is a value that was perhaps meant.
type Proposal struct {
	Value float64
	Unit  Unit
}

// Ask is one question to the person about a value that is almost surely a slip.
// It is asked once; confirmed, the value is kept as said and judged.
type Ask struct {
	Reason    string     // one of the Ask constants
	Sentence  string     // for a person
	Proposals []Proposal // what was perhaps meant; may be empty
}

// Parsed is what a text means.
type Parsed struct {
	Typed  string  // the text, untouched
	Value  float64 // finite, in Unit
	Unit   Unit
	Normal string // one way of writing it: true minus, decimal point, digits as typed, unit's symbol
	Asks   []Ask
}

// In returns the value in another unit of the same dimension. Errors as Convert.
func (p Parsed) In(to Unit) (float64, error) { return Convert(p.Value, p.Unit, to) }

// Parse reads one measured value with its unit from what a person typed:
// "18 ft·lb", "24,4 Nm", "-112.5dBm", "7/8\"", "5'11\"". The decimal sign is a
// comma or a point; minus may be any of the dashes that keyboards make; spaces
// of all widths count as spaces. Fractions and feet with inches are read for
// lengths only and give inches. A unit may be missing where the field shows
// one. "Nm" is newton-metre and "nm" is nanometre: case decides.
//
// Refused on purpose, with a sentence of its own: grouping of thousands ("1
// 234", "1,234.5", "1'234"), exponents ("1e3"), a decimal sign at the end,
// digits other than 0 to 9, bounds and ranges ("<-120", "24-26").
//
// Errors, all Invalid: TEXT_TOO_LONG, TEXT_NOT_READABLE (not UTF-8, control or
// hidden characters), VALUE_MISSING, NUMBER_NOT_READABLE, NUMBER_GROUPED,
// NUMBER_HAS_EXPONENT, FRACTION_NOT_READABLE, FEET_INCHES_NOT_READABLE,
// COUNT_NOT_WHOLE, UNIT_UNKNOWN, UNIT_AMBIGUOUS, UNIT_WRONG_DIMENSION,
// BELOW_ABSOLUTE_ZERO; EXPECTATION_EMPTY when the expectation names neither a
// known unit nor a dimension.
func Parse(text string, expect Expectation) (Parsed, error) {
	field := expect.Field
	if field == "" {
		field = "value"
	}
	dims := expect.Dimensions
	if len(dims) == 0 && expect.Shown.Valid() {
		dims = []Dimension{expect.Shown.Dimension()}
	}
	if len(dims) == 0 {
		return Parsed{}, errs.Field("EXPECTATION_EMPTY", field, "no known unit or dimension is expected here")
	}
	s, err := normalise(text, field)
	if err != nil {
		return Parsed{}, err
	}
	p := parser{field: field, s: s, expect: expect, dims: dims}
	out, err := p.parse()
	if err != nil {
		return Parsed{}, err
	}
	out.Typed = text
	return out, nil
}

// normalise maps the many forms of minus, space, prime and product sign to one
// each, and refuses what a person cannot see.
func normalise(text, field string) (string, error) {
	if len(text) > MaxTyped {
		return "", errs.Field("TEXT_TOO_LONG", field, fmt.Sprintf("is longer than %d bytes", MaxTyped))
	}
	if !utf8.ValidString(text) {
		return "", errs.Field("TEXT_NOT_READABLE", field, "is not valid UTF-8 text")
	}
	var b strings.Builder
	for _, r := range text {
		switch r {
		case ' ', '\t', '\u00a0', '\u2002', '\u2003', '\u2004', '\u2005', '\u2006', '\u2007',
			'\u2008', '\u2009', '\u200a', '\u202f', '\u205f', '\u3000':
			b.WriteByte(' ')
		case '\u2010', '\u2011', '\u2012', '\u2013', '\u2014', '\u2212', '\ufe63', '\uff0d':
			b.WriteByte('-')
		case '\u00b7', '\u22c5', '\u2219', '\u2022', '\u2027', '*', '\u00d7':
			b.WriteRune('·')
		case '\u2032', '\u2018', '\u2019', '\u00b4', '`':
			b.WriteByte('\'')
		case '\u2033', '\u201c', '\u201d', '\u201e':
			b.WriteByte('"')
		case '\u2044', '\u2215':
			b.WriteByte('/')
		case '\u03bc': // Greek mu for the micro sign
			b.WriteRune('µ')
		case '\u2126': // ohm sign for Greek capital omega
			b.WriteRune('Ω')
		case '\u2103':
			b.WriteString("°C")
		case '\u2109':
			b.WriteString("°F")
		case '\u00ba', '\u02da': // ordinal indicator, ring: on many phone keyboards nearer than °
			b.WriteRune('°')
		case '¼', '½', '¾', '⅛', '⅜', '⅝', '⅞':
			b.WriteString(" " + vulgar[r])
		default:
			if !visible(r) {
				return "", errs.Field("TEXT_NOT_READABLE", field, fmt.Sprintf("holds a character that cannot be seen (U+%04X); type it again", r))
			}
			b.WriteRune(r)
		}
	}
	s := strings.ReplaceAll(b.String(), "''", "\"")
	s = strings.Join(strings.Fields(s), " ")
	if s == "" {
		return "", errs.Field("VALUE_MISSING", field, "is empty; type a number and its unit")
	}
	return s, nil
}

var vulgar = map[rune]string{'¼': "1/4", '½': "1/2", '¾': "3/4", '⅛': "1/8", '⅜': "3/8", '⅝': "5/8", '⅞': "7/8"}

// visible is false for control characters and for the format characters
// (direction marks, joiners) that could make a text look like another value.
func visible(r rune) bool {
	switch {
	case r < 0x20, r >= 0x7f && r < 0xa0, r == 0xad, r == 0x034f, r == 0x061c, r == 0x180e, r == 0xfeff,
		r >= 0x200b && r <= 0x200f, r >= 0x2028 && r <= 0x202e, r >= 0x2060 && r <= 0x206f,
		r >= 0xfff0 && r <= 0xfffd, r >= 0xe0000:
		return false
	}
	return true
}

type parser struct {
	field  string
	s      string // normalised; what is left to read
	expect Expectation
	dims   []Dimension
}

// scalar is one unsigned number: its exact value and how it was written.
type scalar struct {
	value    *big.Rat
	text     string // digits with a decimal point, or "1 7/8"
	fraction bool
	// thousand is the value if the lone separator grouped thousands; nil if it cannot.
	thousand *big.Rat
	whole    bool // digits only
}

func (p *parser) fail(reason, format string, args ...any) error {
	return errs.Field(reason, p.field, fmt.Sprintf(format, args...))
}

func (p *parser) parse() (Parsed, error) {
	negative := false
	switch {
	case strings.HasPrefix(p.s, "-"):
		negative, p.s = true, strings.TrimPrefix(p.s[1:], " ")
	case strings.HasPrefix(p.s, "+"):
		p.s = strings.TrimPrefix(p.s[1:], " ")
	}
	first, err := p.scalar()
	if err != nil {
		return Parsed{}, err
	}
	rest := strings.TrimPrefix(p.s, " ")
	unit, bare := Unit(""), rest == ""

	if i := strings.IndexAny(rest, "0123456789"); i > 0 && p.feetPrefix(rest[:i]) {
		first, err = p.feetAndInches(first, rest[i:])
		if err != nil {
			return Parsed{}, err
		}
		unit = UnitInches
	} else if !bare {
		if unit, err = p.unit(rest); err != nil {
			return Parsed{}, err
		}
	}

	var asks []Ask
	if bare {
		unit = p.expect.Shown
		if !unit.Valid() {
			unit = p.usual()
			if d := unit.Dimension(); d != Ratio && d != Count {
				ask := Ask{Reason: AskUnitMissing, Sentence: fmt.Sprintf("%s: which unit? No unit was typed.", p.field)}
				for _, u := range p.candidates() {
					ask.Proposals = append(ask.Proposals, Proposal{signed(first.value, negative), u})
				}
				asks = append(asks, ask)
			}
		}
	}
	if first.fraction && unit.Dimension() != Length {
		return Parsed{}, p.fail("FRACTION_NOT_READABLE", "a fraction is read for lengths only; write the number with a decimal sign")
	}
	if first.fraction && unit != UnitInches && unit != UnitFeet {
		return Parsed{}, p.fail("FRACTION_NOT_READABLE", "a fraction is read in inches or feet only, not in %s", unit.Name())
	}
	if unit == UnitCount && !first.value.IsInt() {
		return Parsed{}, p.fail("COUNT_NOT_WHOLE", "must be a whole number")
	}
	value := signed(first.value, negative)
	if unit.Dimension() == Temperature {
		if _, err := Convert(value, unit, UnitCelsius); err != nil {
			return Parsed{}, p.fail("BELOW_ABSOLUTE_ZERO", "is below absolute zero (−273.15 °C)")
		}
	}
	normal := first.text
	if value < 0 {
		normal = trueMinus + normal
	}
	out := Parsed{Value: value, Unit: unit, Normal: withSymbol(normal, unit)}
	if first.thousand != nil && !p.expect.Keypad {
		asks = append(asks, Ask{
			Reason:    AskThousandsOrNot,
			Sentence:  fmt.Sprintf("%s: is the comma or point a decimal sign (%s)?", p.field, Print(value, unit, Point)),
			Proposals: []Proposal{{signed(first.thousand, negative), unit}},
		})
	}
	out.Asks = append(asks, p.askAboutValue(value, unit)...)
	return out, nil
}

// signed gives the float64 nearest to ±r; zero is never negative zero, so that
// a value stored and read again compares equal in its bits.
func signed(r *big.Rat, negative bool) float64 {
	f, _ := r.Float64()
	if negative && f != 0 {
		return -f
	}
	return f
}

// candidates are the units to propose when none was typed.
func (p *parser) candidates() []Unit {
	var out []Unit
	for _, u := range p.expect.Usual {
		if u.Valid() && inDimensions(u, p.dims) {
			out = append(out, u)
		}
	}
	if len(out) == 0 {
		out = UnitsOf(p.dims[0])
	}
	return out[:min(len(out), 4)]
}

func (p *parser) usual() Unit {
	if c := p.candidates(); len(c) > 0 {
		return c[0]
	}
	return UnitRatio // a dimension outside the list: nothing can be typed but a number
}

// scalar reads an unsigned number or fraction from the front of p.s.
func (p *parser) scalar() (scalar, error) {
	i := 0
	for i < len(p.s) && (isDigit(p.s[i]) || p.s[i] == '.' || p.s[i] == ',') {
		i++
	}
	text := p.s[:i]
	if text == "" || !strings.ContainsAny(text, "0123456789") {
		return scalar{}, p.notANumber()
	}
	if len(text) > maxDigits {
		return scalar{}, p.fail("NUMBER_NOT_READABLE", "has more than %d digits", maxDigits)
	}
	p.s = p.s[i:]
	seps := strings.Count(text, ".") + strings.Count(text, ",")
	if seps > 1 {
		return scalar{}, p.grouped()
	}
	if seps == 0 {
		if frac, ok, err := p.fraction(text); ok || err != nil {
			return frac, err
		}
	}
	// A digit after a space or an apostrophe, not in feet and inches, groups thousands.
	if r := strings.TrimLeft(p.s, " "); r != "" && isDigit(r[0]) {
		return scalar{}, p.grouped()
	}
	if len(p.s) > 3 && p.s[0] == '\'' && allDigits(p.s[1:4]) && (len(p.s) == 4 || p.s[4] != '"') {
		return scalar{}, p.grouped()
	}
	point := strings.Replace(text, ",", ".", 1)
	if strings.HasSuffix(point, ".") {
		return scalar{}, p.fail("NUMBER_NOT_READABLE", "ends with a decimal sign; is a digit missing?")
	}
	if len(p.s) > 0 && (p.s[0] == 'e' || p.s[0] == 'E') && exponentFollows(p.s[1:]) {
		return scalar{}, p.fail("NUMBER_HAS_EXPONENT", "write the number in full, without an exponent")
	}
	if strings.HasPrefix(point, ".") {
		point = "0" + point
	}
	value, ok := new(big.Rat).SetString(point)
	if !ok {
		return scalar{}, p.notANumber()
	}
	out := scalar{value: value, text: point, whole: seps == 0}
	if intPart, frac, found := strings.Cut(point, "."); found && len(frac) == 3 && len(intPart) <= 3 && intPart[0] != '0' {
		out.thousand, _ = new(big.Rat).SetString(intPart + frac)
	}
	return out, nil
}

// fraction reads what follows a whole number if it is a fraction: "7/8",
// "1 7/8", "1-7/8".
func (p *parser) fraction(whole string) (scalar, bool, error) {
	num, den, rest := whole, "", p.s
	mixed := false
	if len(rest) > 1 && (rest[0] == ' ' || rest[0] == '-') {
		n := leadingDigits(rest[1:])
		if n == 0 || len(rest) <= 1+n || rest[1+n] != '/' {
			return scalar{}, false, nil
		}
		mixed, num, rest = true, rest[1:1+n], rest[1+n:]
	}
	if !strings.HasPrefix(rest, "/") {
		return scalar{}, false, nil
	}
	n := leadingDigits(rest[1:])
	if n == 0 {
		if mixed {
			return scalar{}, false, p.fail("FRACTION_NOT_READABLE", "the fraction has nothing under its stroke")
		}
		return scalar{}, false, nil // "5 dB/km" has no number here; "5/" is caught as a unit
	}
	den, p.s = rest[1:1+n], rest[1+n:]
	if len(num) > 4 || len(den) > 4 {
		return scalar{}, false, p.fail("FRACTION_NOT_READABLE", "the fraction has more than four digits above or under its stroke")
	}
	f, ok := new(big.Rat).SetString(num + "/" + den)
	if !ok {
		return scalar{}, false, p.fail("FRACTION_NOT_READABLE", "the fraction is divided by zero")
	}
	text := num + "/" + den
	if mixed {
		if f.Cmp(big.NewRat(1, 1)) >= 0 {
			return scalar{}, false, p.fail("FRACTION_NOT_READABLE", "the fraction after the whole number is 1 or more")
		}
		w, ok := new(big.Rat).SetString(whole)
		if !ok {
			return scalar{}, false, p.notANumber()
		}
		f.Add(f, w)
		text = whole + " " + text
	}
	return scalar{value: f, text: text, fraction: true}, true, nil
}

// feetPrefix reports whether s, between two numbers, is a unit of feet.
func (p *parser) feetPrefix(s string) bool {
	if !slices.Contains(p.dims, Length) {
		return false
	}
	s = strings.TrimSpace(s)
	return s == "'" || strings.EqualFold(s, "ft") || strings.EqualFold(s, "feet") || strings.EqualFold(s, "foot")
}

func (p *parser) feetAndInches(feet scalar, rest string) (scalar, error) {
	const reason = "FEET_INCHES_NOT_READABLE"
	if !feet.whole {
		return scalar{}, p.fail(reason, "the feet before the inches must be a whole number")
	}
	p.s = rest
	inches, err := p.scalar()
	if err != nil {
		return scalar{}, err
	}
	if u := strings.TrimSpace(p.s); u != "" {
		got, err := p.unit(u)
		if err != nil {
			return scalar{}, err
		}
		if got != UnitInches {
			return scalar{}, p.fail(reason, "inches are expected after the feet, not %s", got.Name())
		}
	}
	if inches.value.Cmp(big.NewRat(12, 1)) >= 0 {
		return scalar{}, p.fail(reason, "the inches after the feet are 12 or more")
	}
	total := new(big.Rat).Mul(feet.value, big.NewRat(12, 1))
	total.Add(total, inches.value)
	f, _ := total.Float64()
	return scalar{value: total, text: strings.ReplaceAll(Print(f, UnitRatio, Point), trueMinus, "")}, nil
}

func (p *parser) grouped() error {
	return p.fail("NUMBER_GROUPED", "write the number without spaces, commas or points between thousands")
}

func (p *parser) notANumber() error {
	// Other scripts' digits would need their own rules for signs and separators.
	if r, _ := utf8.DecodeRuneInString(p.s); r > 0x7f && unicode.IsDigit(r) {
		return p.fail("NUMBER_NOT_READABLE", "use the digits 0 to 9")
	}
	return p.fail("NUMBER_NOT_READABLE", "%.60q does not begin with a number; type one value, not a bound or a range", p.s)
}

// unit resolves what stands after the number.
func (p *parser) unit(text string) (Unit, error) {
	u, err := lookUp(text, p.dims)
	if err != nil {
		if i := strings.IndexAny(text, "0123456789"); i >= 0 && errs.Is(err, "UNIT_UNKNOWN") {
			return "", p.fail("NUMBER_NOT_READABLE", "holds more than one number (%.60q); type one value", text)
		}
		return "", p.fail(errs.ReasonOf(err), "%s", message(err))
	}
	if inDimensions(u, p.dims) {
		return u, nil
	}
	wanted := make([]string, len(p.dims))
	for i, d := range p.dims {
		wanted[i] = string(d)
	}
	hint := ""
	if u == UnitNanometers && slices.Contains(p.dims, Torque) {
		hint = "; newton-metre is written Nm, with a capital N"
	}
	if u == UnitNewtonMeters && slices.Contains(p.dims, Length) {
		hint = "; nanometre is written nm, with a small n"
	}
	return "", p.fail("UNIT_WRONG_DIMENSION", "%q is %s, a %s; this field takes a %s%s", text, u.Name(), u.Dimension(),
		strings.Join(wanted, " or a "), hint)
}

// askAboutValue lists what makes the value almost surely a slip.
func (p *parser) askAboutValue(value float64, u Unit) []Ask {
	var asks []Ask
	switch {
	case p.expect.Sign == UsuallyPlus && value < 0:
		asks = append(asks, Ask{AskMinusUnexpected,
			fmt.Sprintf("%s: %s has a minus sign. Is it meant?", p.field, Print(value, u, Point)),
			[]Proposal{{-value, u}}})
	case p.expect.Sign == UsuallyMinus && value > 0:
		asks = append(asks, Ask{AskMinusMissing,
			fmt.Sprintf("%s: %s has no minus sign. Is it meant?", p.field, Print(value, u, Point)),
			[]Proposal{{-value, u}}})
	}
	if p.expect.MayBeVSWR && u == UnitDecibels && math.Abs(value) >= 1 && math.Abs(value) < 3 {
		asks = append(asks, Ask{AskVSWR,
			fmt.Sprintf("%s: %s would be nearly a short or an open. Is it a VSWR?", p.field, Print(value, u, Point)),
			[]Proposal{{math.Abs(value), UnitRatio}}})
		return asks
	}
	if p.expect.High > p.expect.Low && len(asks) == 0 {
		if ask, odd := p.askUnlikely(value, u); odd {
			asks = append(asks, ask)
		}
	}
	return asks
}

// askUnlikely compares with the plausible values, and looks for the slip that
// explains the difference: a decimal sign one to three places off, or the
// number of another unit of the same dimension.
func (p *parser) askUnlikely(value float64, u Unit) (Ask, bool) {
	ref := p.expect.Shown
	if len(p.expect.Usual) > 0 {
		ref = p.expect.Usual[0]
	}
	plausible := func(v float64, u Unit) bool {
		in, err := Convert(v, u, ref)
		// A part in 10⁹ of room, so that a bound typed in another unit counts as inside.
		room := 1e-9 * math.Max(math.Abs(p.expect.Low), math.Abs(p.expect.High))
		return err == nil && in >= p.expect.Low-room && in <= p.expect.High+room
	}
	if u.Dimension() != ref.Dimension() || plausible(value, u) {
		return Ask{}, false
	}
	ask := Ask{Reason: AskUnlikely, Sentence: fmt.Sprintf("%s: %s is outside what is usual here (%s to %s). Is it meant?",
		p.field, Print(value, u, Point), Print(p.expect.Low, ref, Point), Print(p.expect.High, ref, Point))}
	for _, other := range p.expect.Usual {
		if other != u && other.Dimension() == u.Dimension() && plausible(value, other) {
			ask.Proposals = append(ask.Proposals, Proposal{value, other})
		}
	}
	for _, v := range []float64{value * 10, value / 10, value * 100, value / 100, value * 1000, value / 1000} {
		if plausible(v, u) {
			ask.Proposals = append(ask.Proposals, Proposal{v, u})
			break
		}
	}
	return ask, true
}

func message(err error) string {
	var e *errs.Error
	if errors.As(err, &e) {
		return e.Msg
	}
	return err.Error()
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func leadingDigits(s string) int {
	n := 0
	for n < len(s) && isDigit(s[n]) {
		n++
	}
	return n
}

func allDigits(s string) bool { return leadingDigits(s) == len(s) }

func exponentFollows(s string) bool {
	s = strings.TrimLeft(s, "+-")
	return s != "" && isDigit(s[0])
}
