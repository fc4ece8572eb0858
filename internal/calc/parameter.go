package calc

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Kind is how a parameter's text is read.
type Kind int

// The kinds of parameter.
const (
	Number Kind = iota // a decimal number with a point
	Whole              // a whole number
	Choice             // one of Choices
	Text               // free words, at most 200 characters each
	Time               // a date and time with its zone
)

// NotEntered is the default of a parameter that may stay out: the working then
// says 'not checked' or leaves the part out, never that it passes.
const NotEntered = "none"

// Bounds of what is read.
const (
	mostText = 4000 // characters of one parameter
	mostList = 500  // values of one list
	mostWord = 200  // characters of one free text
	timeForm = "2006-01-02T15:04:05+07:00"
)

// Parameter is one input of a calculation.
type Parameter struct {
	Name    string // snake_case with its unit where that is fixed: "angle_degrees"
	Help    string
	Unit    string         // as printed; empty for words, ratios and where another parameter names it
	Default string         // empty: required; NotEntered: may stay out
	Choices []string       // of a Choice
	Domain  working.Domain // of a Number or Whole
	Kind    Kind
	List    bool // several values, commas between them
}

// values are the parameters, read.
type values struct {
	numbers map[string][]float64
	words   map[string][]string
	times   map[string][]time.Time
}

// The getters below are for names that the calculation itself lists; read has
// put each in place or left out what was not entered.

func (v values) has(name string) bool {
	return len(v.numbers[name]) > 0 || len(v.words[name]) > 0 || len(v.times[name]) > 0
}

func (v values) number(name string) float64 {
	if ns := v.numbers[name]; len(ns) > 0 {
		return ns[0]
	}
	return 0
}

func (v values) whole(name string) int { return int(v.number(name)) }

// given returns nil when the number was not entered.
func (v values) given(name string) *float64 {
	if ns := v.numbers[name]; len(ns) > 0 {
		return &ns[0]
	}
	return nil
}

func (v values) list(name string) []float64 { return v.numbers[name] }

func (v values) word(name string) string {
	if ws := v.words[name]; len(ws) > 0 {
		return ws[0]
	}
	return ""
}

func (v values) yes(name string) bool { return v.word(name) == "yes" }

func (v values) time(name string) time.Time {
	if ts := v.times[name]; len(ts) > 0 {
		return ts[0]
	}
	return time.Time{}
}

// sameLength checks that lists which belong together have as many values each.
func (v values) sameLength(names ...string) error {
	count := func(n string) int { return max(len(v.numbers[n]), len(v.words[n]), len(v.times[n])) }
	for _, n := range names[1:] {
		if count(n) != count(names[0]) {
			return errs.Field("LISTS_DIFFER", n, "must hold as many values as "+names[0],
				names[0], strconv.Itoa(count(names[0])), n, strconv.Itoa(count(n)))
		}
	}
	return nil
}

func (c Calculation) read(arguments map[string]string) (values, error) {
	v := values{numbers: map[string][]float64{}, words: map[string][]string{}, times: map[string][]time.Time{}}
	known := make([]string, 0, len(c.Parameters))
	for _, p := range c.Parameters {
		known = append(known, p.Name)
	}
	// In a fixed order, so that the same wrong input always gets the same error.
	names := make([]string, 0, len(arguments))
	for name := range arguments {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if !slices.Contains(known, name) {
			return values{}, errs.Field("PARAMETER_UNKNOWN", cut(name, 64), "is no parameter of "+c.Name+"; it has: "+strings.Join(known, ", "))
		}
	}
	for _, p := range c.Parameters {
		text := strings.TrimSpace(arguments[p.Name])
		if len(text) > mostText {
			return values{}, errs.Field("PARAMETER_TOO_LONG", p.Name, "must be at most "+strconv.Itoa(mostText)+" characters")
		}
		if text == "" {
			text = p.Default
		}
		if text == "" {
			return values{}, errs.Field("PARAMETER_MISSING", p.Name, "must be given: "+p.Help)
		}
		if text == NotEntered && p.Default == NotEntered {
			continue
		}
		parts := []string{text}
		if p.List {
			parts = strings.Split(text, ",")
			if len(parts) > mostList {
				return values{}, errs.Field("LIST_TOO_LONG", p.Name, "must hold at most "+strconv.Itoa(mostList)+" values")
			}
		}
		for _, part := range parts {
			if err := v.add(p, strings.TrimSpace(part)); err != nil {
				return values{}, err
			}
		}
	}
	return v, nil
}

func (v values) add(p Parameter, text string) error {
	switch p.Kind {
	case Number, Whole:
		n, err := number(p, text)
		if err != nil {
			return err
		}
		v.numbers[p.Name] = append(v.numbers[p.Name], n)
	case Choice:
		if !slices.Contains(p.Choices, text) {
			return errs.Field("NOT_A_CHOICE", p.Name, "must be one of "+strings.Join(p.Choices, ", "), "value", cut(text, 64))
		}
		v.words[p.Name] = append(v.words[p.Name], text)
	case Text:
		if text == "" || len(text) > mostWord {
			return errs.Field("PARAMETER_TOO_LONG", p.Name, "must be 1 to "+strconv.Itoa(mostWord)+" characters for each value")
		}
		v.words[p.Name] = append(v.words[p.Name], printable(text))
	case Time:
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return errs.Field("NOT_A_TIME", p.Name, "must be a date and time with its zone, written like "+timeForm, "value", cut(text, 64)).Because(err)
		}
		v.times[p.Name] = append(v.times[p.Name], t)
	default:
		return errs.Newf(errs.Internal, "PARAMETER_KIND", "parameter %s has a kind that is not read", p.Name)
	}
	return nil
}

// number reads a plain decimal number, with the parameter's unit behind it or
// without: no comma, no hexadecimal, nothing that is not a number.
func number(p Parameter, text string) (float64, error) {
	digits := strings.ReplaceAll(text, "−", "-") // a typographic minus
	if p.Unit != "" {
		digits = strings.TrimSpace(strings.TrimSuffix(digits, p.Unit))
	}
	if len(digits) > 40 || strings.Trim(digits, "0123456789+-.eE") != "" {
		msg := "must be a plain number with a decimal point"
		if strings.Contains(digits, ",") {
			msg += "; a comma is not read here, it separates the values of a list"
		}
		return 0, errs.Field("NOT_A_NUMBER", p.Name, msg, "value", cut(text, 64))
	}
	n, err := strconv.ParseFloat(digits, 64)
	if err != nil {
		return 0, errs.Field("NOT_A_NUMBER", p.Name, "must be a plain number with a decimal point", "value", cut(text, 64)).Because(err)
	}
	if p.Kind == Whole && n != float64(int64(n)) {
		return 0, errs.Field("NOT_A_WHOLE_NUMBER", p.Name, "must be a whole number", "value", cut(text, 64))
	}
	if err := p.Domain.Check(p.Name, n); err != nil {
		return 0, err
	}
	return n, nil
}

// printable replaces control characters, so that a text cannot forge a line of
// the output.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, " "))
}

// The constructors below keep the lists of parameters readable.

func num(name, help string, d working.Domain) Parameter {
	return Parameter{Name: name, Help: help, Unit: d.Unit, Domain: d}
}

func whole(name, help string, least, most float64) Parameter {
	return Parameter{Name: name, Help: help, Kind: Whole, Domain: working.Domain{Min: least, Max: most}}
}

func choice[T ~string](name, help string, choices []T) Parameter {
	p := Parameter{Name: name, Help: help, Kind: Choice}
	for _, c := range choices {
		p.Choices = append(p.Choices, string(c))
	}
	return p
}

func yesNo(name, help string) Parameter {
	return Parameter{Name: name, Help: help, Kind: Choice, Choices: []string{"yes", "no"}, Default: "no"}
}

func moment(name, help string) Parameter { return Parameter{Name: name, Help: help, Kind: Time} }

func words(name, help string) Parameter { return Parameter{Name: name, Help: help, Kind: Text} }

// or returns p with a default.
func (p Parameter) or(text string) Parameter { p.Default = text; return p }

// maybe returns p as one that may stay out.
func (p Parameter) maybe() Parameter { return p.or(NotEntered) }

// many returns p as a list.
func (p Parameter) many() Parameter { p.List = true; return p }
