// Package fibre holds the arithmetic of an optical link: loss budgets, power
// margins, return loss, reference methods, OTDR figures, and the criteria by
// which a connector's end face is graded. It has no I/O and no clock.
//
// Every limit here is a default: the owner's written limit wins.
package fibre

// Status says how well a value is founded.
type Status string

// The statuses, from the strongest. A value that is FromMemory is believed
// right but is never shown as a citation.
const (
	Confirmed      Status = "confirmed"
	CommonPractice Status = "common practice"
	FromMemory     Status = "from memory"
)

// Basis is where a value comes from.
type Basis struct {
	Source string
	Status Status
}

// weaker returns the less well founded of two statuses; the zero Status counts
// as no statement and never wins.
func weaker(a, b Status) Status {
	rank := map[Status]int{Confirmed: 1, CommonPractice: 2, FromMemory: 3}
	if rank[b] > rank[a] {
		return b
	}
	return a
}
