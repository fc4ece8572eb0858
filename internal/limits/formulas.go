package limits

import (
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Formula is one of the program's named formulas: a limit computed from the
// plan. Its name is data in procedures for ten years and never changes meaning.
type Formula struct {
	// Name, such as "fibre_budget".
	Name string
	// Title says in a few words what it computes.
	Title string

	resolve func(r *Resolved, f *recordv1.Limit_Formula, s Subject) error
}

// FormulaNamed returns the formula with this name, and false when there is none.
func FormulaNamed(name string) (*Formula, bool) {
	f, ok := formulas[name]
	return f, ok
}

var formulas = map[string]*Formula{}
