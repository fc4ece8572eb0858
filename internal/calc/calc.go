// Package calc is the one list of calculations that a person may ask for: each
// with its plain name, its parameters and the function that does it. The service
// and the command line are made from this list, so that both ask the same and
// answer the same. It has no I/O and no clock.
package calc

import (
	"slices"
	"strings"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Calculation is one entry of the list.
type Calculation struct {
	Name       string // [a-z0-9-]{1,64}, never renamed: "block-load"
	Group      string // the package's subject: "rigging"
	Title      string // one line, as help prints it
	Safety     bool   // its working must carry cautions, what is left out, and who decides
	Parameters []Parameter

	do func(values) (working.Working, error)
}

// All returns every calculation, by group and in the order of use within one.
func All() []Calculation {
	return slices.Concat(rigCalculations(), exposureCalculations(), weatherCalculations(),
		radioCalculations(), fibreCalculations(), torqueCalculations(), metrologyCalculations())
}

// Named returns the calculation of that name. The error is NotFound, reason
// CALCULATION_UNKNOWN, and offers names that hold the same word.
func Named(name string) (Calculation, error) {
	all := All()
	for _, c := range all {
		if c.Name == name {
			return c, nil
		}
	}
	var near []string
	for _, c := range all {
		for word := range strings.SplitSeq(name, "-") {
			if len(word) > 2 && strings.Contains(c.Name, word) && !slices.Contains(near, c.Name) {
				near = append(near, c.Name)
			}
		}
	}
	msg := "there is no calculation of this name"
	if len(near) > 0 {
		msg += "; near it: " + strings.Join(near, ", ")
	}
	return Calculation{}, errs.New(errs.NotFound, "CALCULATION_UNKNOWN", msg, "calculation", cut(name, 64))
}

// Do runs the calculation on parameters as a person typed them: a name of the
// list with its text, lists with commas between their values. What is left out
// takes its default.
//
// Errors are Invalid and name the parameter: PARAMETER_UNKNOWN,
// PARAMETER_MISSING, PARAMETER_TOO_LONG, NOT_A_NUMBER, NOT_A_WHOLE_NUMBER,
// NOT_A_CHOICE, NOT_A_TIME, LIST_TOO_LONG, OUT_OF_RANGE, and those of the
// calculation itself.
func (c Calculation) Do(arguments map[string]string) (working.Working, error) {
	v, err := c.read(arguments)
	if err != nil {
		return working.Working{}, err
	}
	w, err := c.do(v)
	if err != nil {
		return working.Working{}, err
	}
	if err := w.Complete(c.Safety); err != nil {
		return working.Working{}, err
	}
	return w, nil
}

// Help prints the calculation and its parameters, aligned, for a command line.
func (c Calculation) Help() string {
	var b strings.Builder
	b.WriteString(c.Name + ": " + c.Title + "\n")
	width := 0
	for _, p := range c.Parameters {
		width = max(width, len(p.Name))
	}
	for _, p := range c.Parameters {
		b.WriteString("  " + p.Name + strings.Repeat(" ", width-len(p.Name)+2) + p.Help)
		if len(p.Choices) > 0 {
			b.WriteString(" (" + strings.Join(p.Choices, ", ") + ")")
		} else if d := p.Domain.String(); p.Kind == Number || p.Kind == Whole {
			b.WriteString(" (" + d + ")")
		}
		if p.Kind == Time {
			b.WriteString(" (" + timeForm + ")")
		}
		if p.List {
			b.WriteString(", list")
		}
		if p.Default == "" {
			b.WriteString(", required")
		} else {
			b.WriteString(", default " + p.Default)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// Arguments reads name=value pairs, as a command line gives them. The same name
// twice makes a list.
//
// The error is Invalid, reason PARAMETER_FORM, for a pair without a name or '='.
func Arguments(pairs []string) (map[string]string, error) {
	out := make(map[string]string, len(pairs))
	for _, pair := range pairs {
		name, value, ok := strings.Cut(pair, "=")
		name = strings.TrimSpace(name)
		if !ok || name == "" {
			return nil, errs.Field("PARAMETER_FORM", cut(pair, 64), "must be written as name=value")
		}
		if before, twice := out[name]; twice {
			value = before + "," + value
		}
		out[name] = value
	}
	return out, nil
}

func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n], "") + "…"
}
