package limits

import (
	"fmt"
	"math"
	"strings"
)

// FormulaPage is the page of documentation of the named formulas, in Markdown,
// made from the same data that computes.
func FormulaPage() string {
	var b strings.Builder
	b.WriteString("# Named formulas for limits\n\n" +
		"This page is made from the program (`go test ./internal/limits -update`). A procedure names a formula in `limit.formula`; " +
		"the limit is computed from the plan for each line or connection. An attribute of the plan with a parameter's name wins over the procedure's " +
		"parameter, and that over the default. Every figure is a default: the owner's written limit wins. Safety figures are aids: a competent or qualified person decides.\n")
	for _, name := range FormulaNames() {
		f := formulas[name]
		fmt.Fprintf(&b, "\n## `%s`\n\n%s.\n\n- Formula: %s\n- Gives: %s\n", f.Name, f.Title, f.Form, f.Gives)
		qs := make([]string, len(f.Quantities))
		for i, q := range f.Quantities {
			qs[i] = "`" + q.String() + "`"
		}
		fmt.Fprintf(&b, "- For: %s\n", strings.Join(qs, ", "))
		fmt.Fprintf(&b, "- Reads: %s\n\n", strings.Join(f.FromPlan, "; "))
		b.WriteString("| Parameter | Unit | Default | From | To | Meaning |\n|---|---|---|---|---|---|\n")
		for _, p := range f.Parameters {
			def := "needed"
			switch {
			case p.Optional && math.IsNaN(p.Default):
				def = "none"
			case p.Optional:
				def = trimmed(p.Default)
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", p.Name, p.Unit, def, trimmed(p.Min), trimmed(p.Max), strings.ReplaceAll(p.Meaning, "|", "\\|"))
		}
		list := func(heading string, items []string) {
			fmt.Fprintf(&b, "\n%s:\n", heading)
			for _, s := range items {
				fmt.Fprintf(&b, "- %s\n", s)
			}
		}
		list("Sources", f.Sources)
		list("Left out", f.LeftOut)
	}
	return b.String()
}
