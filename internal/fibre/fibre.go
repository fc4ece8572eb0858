// Package fibre holds the arithmetic of an optical link: loss budgets, power
// margins, return loss, reference methods, OTDR figures, and the criteria by
// which a connector's end face is graded. It has no I/O and no clock.
//
// Every limit here is a default: the owner's written limit wins.
package fibre

import "witnessmark/internal/working"

// weaker returns the less well founded of two statuses; the zero Status counts
// as no statement and never wins.
func weaker(a, b working.Status) working.Status {
	rank := map[working.Status]int{working.Computed: 1, working.Confirmed: 1, working.CommonPractice: 2, working.FromMemory: 3}
	if rank[b] > rank[a] {
		return b
	}
	return a
}
