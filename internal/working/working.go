// Package working holds the shown working of a calculation: what went in, each
// step on the way, what came out, where the formula and the limits come from,
// what to beware of, what was left out, and who decides. Verdicts and safety
// calculations all hand it out, so that a screen, a report and a command line
// show the same thing. It has no I/O and no clock.
package working

import (
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/errs"
)

// Status says how well a source is founded.
type Status string

// The four statuses. Only Confirmed may be printed as a citation.
const (
	Confirmed      Status = "confirmed"       // read in a public text
	Computed       Status = "computed"        // follows from the formula or a definition
	CommonPractice Status = "common practice" // the trade does it; no single source
	FromMemory     Status = "from memory"     // believed right, not confirmed; never cited
)

// Source is where a formula, a limit or a default comes from. Year is the
// edition, 0 when the text has none that matters (a law in force).
type Source struct {
	Document string // "29 CFR 1926.502"; free words for common practice
	Clause   string // "(d)(16)(iii)", "Table 1"; may be empty
	Year     int
	Status   Status
}

// String is the source as a report prints it. A source from memory is never
// printed as a citation: it says so first and names where to look it up.
func (s Source) String() string {
	where := s.Document
	if s.Clause != "" {
		where += ", " + s.Clause
	}
	if s.Year != 0 {
		where += " (" + strconv.Itoa(s.Year) + ")"
	}
	switch s.Status {
	case Confirmed:
		return where
	case Computed:
		return "computed: " + where
	case CommonPractice:
		if where == "" {
			return "common practice, no source"
		}
		return "common practice, no source: " + where
	case FromMemory:
		return "from memory, not confirmed and not a citation; to be looked up in: " + where
	default:
		return "status of source not given: " + where
	}
}

// Term is one named value of a working, ready to print. Value is a plain
// decimal number (see Format) or a few words; Unit is empty for a ratio or words.
type Term struct {
	Name   string // "free fall"
	Symbol string // "h", the formula's letter; may be empty
	Value  string // "17.5"
	Unit   string // "ft"
}

// Working is one calculation, shown.
type Working struct {
	Formula  string   // its name and form: "turning block: 2*T*cos(theta/2)"
	Inputs   []Term   // as entered, in the unit entered
	Steps    []Term   // named intermediate values in the order of the arithmetic
	Result   []Term   // value or values, and the comparison in words when there is one
	Sources  []Source // of the formula, the limit and the defaults
	Cautions []string // sentences
	LeftOut  []string // what the figure does not include
	Defers   string   // who decides; one of the Defers constants, or empty outside safety
}

// What every safety calculation says at its end: calculations are aids, they
// show a comparison and never permission. The constants below are whole texts;
// use one as Working.Defers.
const (
	// DefersAlways stands at the end of each.
	DefersAlways = "This calculation is an aid. It says which limit was compared, with which input, and what was not checked; " +
		"it gives nobody leave to climb, lift or stay. A competent or qualified person on site decides and may always be stricter. " +
		"Local law, the site owner's rule and the maker's label override every default. " +
		"Anyone may stop work, with no reason given. An empty answer means not checked."

	// DefersFall is for fall clearance, arrest and anchorage.
	DefersFall = "Anchor design and structural strength belong to a licensed engineer of the place. " + DefersAlways

	// DefersRigging is for loads, slings, tag lines and plan classes.
	DefersRigging = "Structural strength, engineered lifts and anchor design belong to a licensed engineer of the place. " + DefersAlways

	// DefersExposure is for radio-frequency exposure.
	DefersExposure = "Radio-frequency figures are predictions from entered data; a measurement, or the transmitter shut down and " +
		"confirmed off by the licensee, comes first. " + DefersAlways

	// DefersWeather is for wind, heat, cold and lightning.
	DefersWeather = "Weather shown is as old as its time stamp; look up and listen. " + DefersAlways

	// DefersEmergency is for anything about rescue or an injury.
	DefersEmergency = "In an emergency call the local number; this program does not call for help. " + DefersAlways
)

// Format prints a finite number with at most six significant digits, without
// noughts at its end, and with no exponent where a person can read it so (1e-6 up
// to 1e12). It is read aloud: 60 degrees, 17.5 ft.
func Format(v float64) string {
	if v == 0 {
		return "0"
	}
	a := math.Abs(v)
	if a < 1e-6 || a >= 1e12 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
	whole := int(math.Floor(math.Log10(a))) + 1 // digits before the point; 0 or less under 1
	s := strconv.FormatFloat(v, 'f', max(0, 6-whole), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Number is a term with a number printed by Format.
func Number(name, symbol string, v float64, unit string) Term {
	return Term{Name: name, Symbol: symbol, Value: Format(v), Unit: unit}
}

// NumberUp is Number rounded away from nothing: never printed lower than v. It
// is for loads, distances to keep and fractions used, where a rounded-down
// figure would flatter.
func NumberUp(name, symbol string, v float64, unit string) Term {
	return Number(name, symbol, roundSix(v, math.Ceil), unit)
}

// NumberDown is Number never printed higher than v: for capacities and limits.
func NumberDown(name, symbol string, v float64, unit string) Term {
	return Number(name, symbol, roundSix(v, math.Floor), unit)
}

// Float returns the term's number, as printed, and whether it is one.
func (t Term) Float() (v float64, ok bool) {
	v, err := strconv.ParseFloat(t.Value, 64)
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// Words is a term whose value is words.
func Words(name, value string) Term { return Term{Name: name, Value: value} }

// roundSix cuts v to six significant digits in the direction of cut. A value
// that already has six digits but for binary noise (1e-12 relative) is kept.
func roundSix(v float64, cut func(float64) float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	digits := 5 - int(math.Floor(math.Log10(math.Abs(v))))
	// Scaling by a power of ten that is itself a whole number keeps 0.1-like
	// noise out; that is why a negative exponent divides.
	up := digits >= 0
	p := math.Pow10(max(digits, -digits))
	scaled := v / p
	if up {
		scaled = v * p
	}
	if math.IsInf(scaled, 0) || math.IsInf(p, 0) {
		return v
	}
	r := math.Round(scaled)
	if math.Abs(scaled-r) > 1e-12*math.Abs(scaled) {
		r = cut(scaled)
	}
	if up {
		return r / p
	}
	return r * p
}

// forbidden are whole words that no working may say: a calculation compares, it
// never permits.
var forbidden = []string{"safe", "safely", "unsafe", "go", "ok", "okay", "cleared", "permitted"}

// Complete reports whether w can be shown: it names its formula, has a result
// and a source with a status. A safety working must also carry a caution, what
// it leaves out and whom it defers to, and must not use a word that reads as
// permission in its own sentences. What stands in double quotes is a person's own
// word and is not looked at.
//
// The error is Internal, reason WORKING_INCOMPLETE: it is a fault of the
// program, never of the input.
func (w Working) Complete(safety bool) error {
	switch {
	case w.Formula == "":
		return incomplete(w, "no formula named")
	case len(w.Result) == 0:
		return incomplete(w, "no result")
	case len(w.Sources) == 0:
		return incomplete(w, "no source")
	}
	for _, s := range w.Sources {
		switch s.Status {
		case Confirmed, Computed, CommonPractice, FromMemory:
		default:
			return incomplete(w, "a source without a status: "+s.Document)
		}
		if s.Document == "" && s.Status != CommonPractice {
			return incomplete(w, "a source without a document")
		}
	}
	if !safety {
		return nil
	}
	switch {
	case len(w.Cautions) == 0:
		return incomplete(w, "no caution")
	case len(w.LeftOut) == 0:
		return incomplete(w, "nothing said about what is left out")
	case !strings.HasSuffix(w.Defers, DefersAlways):
		return incomplete(w, "no word on who decides")
	}
	sentences := []string{w.Formula, w.Defers}
	sentences = append(sentences, w.Cautions...)
	sentences = append(sentences, w.LeftOut...)
	for _, t := range append(append([]Term{}, w.Steps...), w.Result...) {
		sentences = append(sentences, t.Name, t.Value)
	}
	for _, s := range sentences {
		for _, word := range strings.FieldsFunc(strings.ToLower(unquoted(s)), notLetter) {
			for _, f := range forbidden {
				if word == f {
					return incomplete(w, "the word '"+word+"' in: "+s)
				}
			}
		}
	}
	return nil
}

// unquoted returns s without what stands between double quotes.
func unquoted(s string) string {
	parts := strings.Split(s, `"`)
	var b strings.Builder
	for i := 0; i < len(parts); i += 2 {
		b.WriteString(parts[i])
		b.WriteByte(' ')
	}
	return b.String()
}

// Quoted returns a person's own word as a working prints it: in double quotes,
// which it cannot close itself.
func Quoted(s string) string { return `"` + strings.ReplaceAll(s, `"`, "'") + `"` }

func notLetter(r rune) bool { return (r < 'a' || r > 'z') && r != '\'' }

func incomplete(w Working, what string) error {
	return errs.New(errs.Internal, "WORKING_INCOMPLETE", what, "formula", w.Formula)
}
