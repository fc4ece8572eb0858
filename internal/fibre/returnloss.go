package fibre

import (
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// ReturnLossMinimum is the smallest return loss usual for a kind of connector.
type ReturnLossMinimum struct {
	Kind    string // in words
	Minimum units.DB
	Source  working.Source
}

// ReturnLossMinima returns the table of usual minima; the owner's limit wins.
// The caller owns the slice.
func ReturnLossMinima() []ReturnLossMinimum {
	practice := working.Source{Document: "usual figure by polish", Status: working.CommonPractice}
	tia := working.Source{Document: "TIA-568.3-D", Status: working.FromMemory}
	iec := working.Source{Document: "IEC 61755-1", Status: working.FromMemory}
	return []ReturnLossMinimum{
		{"PC", 40, practice},
		{"UPC", 50, practice},
		{"APC", 60, practice},
		{"multimode PC", 20, working.Source{Document: "TIA-568", Status: working.FromMemory}},
		{"single-mode", 26, tia},
		{"single-mode for analogue video", 35, tia},
		{"single-mode angled", 55, tia},
		{"grade 1, mated", 60, iec},
		{"grade 1, unmated", 55, iec},
		{"grade 2", 45, iec},
		{"grade 3", 35, iec},
		{"grade 4", 26, iec},
	}
}
