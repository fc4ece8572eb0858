package fibre

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// Bounds of a link that a budget takes.
const (
	MaxLinkMeters    = 1_000_000
	MaxBudgetEntries = 10_000 // connections or splices of one kind
	MaxAllowanceDB   = 20
)

// BudgetItem is one line of a budget: a number of equal parts, each with its
// allowance.
type BudgetItem struct {
	Name   string
	Count  int
	Each   units.DB
	Source working.Source
}

// Link is what a loss budget is made of. A connection is one mated pair; count
// the pairs at both ends when a one-cord reference is used.
type Link struct {
	Length      units.Meters
	Attenuation units.DBPerKilometer
	// AttenuationSource is where the coefficient comes from.
	AttenuationSource working.Source
	Connections       []BudgetItem
	Splices           []BudgetItem
}

// BudgetLine is one summed line of a budget.
type BudgetLine struct {
	Name   string
	Loss   units.DB
	Source working.Source
}

// Budget is the largest loss that a link may show at one wavelength.
type Budget struct {
	Lines       []BudgetLine // fibre first, then connections, then splices
	Total       units.DB     // rounded to metrology.Resolution
	Fibre       units.DB
	Connections units.DB // connections alone: on a short run nearly everything
	Splices     units.DB
	// FibreShare and ConnectionShare are parts of Total in percent; 0 for an
	// empty budget. On a short tower run the connections are nearly everything,
	// and a pass can hide one dirty pair.
	FibreShare, ConnectionShare units.Percent
}

// LossBudget sums a link: length·a + connections + splices.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE, ATTENUATION_OUT_OF_RANGE,
// ALLOWANCE_OUT_OF_RANGE, COUNT_OUT_OF_RANGE.
func LossBudget(l Link) (Budget, error) {
	if !(l.Length >= 0 && l.Length <= MaxLinkMeters) {
		return Budget{}, errs.Field("LENGTH_OUT_OF_RANGE", "length", fmt.Sprintf("a length is from 0 to %d m, got %s", MaxLinkMeters, plain(float64(l.Length))))
	}
	if !(l.Attenuation >= 0 && l.Attenuation <= 1000) {
		return Budget{}, errs.Field("ATTENUATION_OUT_OF_RANGE", "attenuation", "an attenuation is from 0 to 1000 dB/km, got "+plain(float64(l.Attenuation)))
	}
	var b Budget
	b.Fibre = units.DB(float64(l.Length) / 1000 * float64(l.Attenuation))
	b.Lines = append(b.Lines, BudgetLine{
		fmt.Sprintf("%s m of fibre at %s dB/km", plain(float64(l.Length)), plain(float64(l.Attenuation))), rounded(b.Fibre), l.AttenuationSource,
	})
	for _, part := range []struct {
		field string
		items []BudgetItem
		sum   *units.DB
	}{{"connections", l.Connections, &b.Connections}, {"splices", l.Splices, &b.Splices}} {
		for i, it := range part.items {
			field := part.field + "[" + strconv.Itoa(i) + "]"
			if it.Count < 0 || it.Count > MaxBudgetEntries {
				return Budget{}, errs.Field("COUNT_OUT_OF_RANGE", field+".count", fmt.Sprintf("a count is from 0 to %d, got %d", MaxBudgetEntries, it.Count))
			}
			if !(it.Each >= 0 && it.Each <= MaxAllowanceDB) {
				return Budget{}, errs.Field("ALLOWANCE_OUT_OF_RANGE", field+".each", fmt.Sprintf("an allowance is from 0 to %d dB, got %s", MaxAllowanceDB, plain(float64(it.Each))))
			}
			loss := units.DB(float64(it.Count) * float64(it.Each))
			*part.sum += loss
			b.Lines = append(b.Lines, BudgetLine{fmt.Sprintf("%d × %s at %s dB", it.Count, it.Name, plain(float64(it.Each))), rounded(loss), it.Source})
		}
	}
	total := b.Fibre + b.Connections + b.Splices
	if total > 0 {
		b.FibreShare = units.Percent(100 * b.Fibre / total)
		b.ConnectionShare = units.Percent(100 * b.Connections / total)
	}
	b.Total, b.Fibre, b.Connections, b.Splices = rounded(total), rounded(b.Fibre), rounded(b.Connections), rounded(b.Splices)
	return b, nil
}

// CoefficientFromTest returns the attenuation of the fibre that a measured loss
// leaves when the connections (and splices) have taken theirs:
// (loss − connections)/length. A negative answer is possible where the
// allowance was larger than the real loss; it says that nothing is known.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE (over 0 here), LOSS_OUT_OF_RANGE.
func CoefficientFromTest(loss, connections units.DB, length units.Meters) (units.DBPerKilometer, error) {
	if !(length > 0 && length <= MaxLinkMeters) {
		return 0, errs.Field("LENGTH_OUT_OF_RANGE", "length", fmt.Sprintf("a length is over 0 and at most %d m, got %s", MaxLinkMeters, plain(float64(length))))
	}
	if err := levels(level{"loss", float64(loss)}, level{"connections", float64(connections)}); err != nil {
		return 0, err
	}
	a := float64(loss-connections) / (float64(length) / 1000)
	if math.IsInf(a, 0) {
		return 0, errs.Field("LENGTH_OUT_OF_RANGE", "length", "the length is too short for a coefficient")
	}
	return units.DBPerKilometer(a), nil
}

// FibreType names a fibre and how it is laid.
type FibreType string

// The fibre types held here.
const (
	OM1           FibreType = "om1"
	OM2           FibreType = "om2"
	OM3           FibreType = "om3"
	OM4           FibreType = "om4"
	OM5           FibreType = "om5"
	OS1aInside    FibreType = "os1a-inside-plant"
	OSIndoorOut   FibreType = "single-mode-indoor-outdoor"
	OS2Outside    FibreType = "os2-outside-plant"
	OS2Cabled     FibreType = "os2-cabled"
	G652D         FibreType = "g652d"
	G657A         FibreType = "g657a"
	G657B         FibreType = "g657b"
	TypicalMM50   FibreType = "typical-multimode-50"
	TypicalSingle FibreType = "typical-single-mode"
)

// Attenuation is the coefficient of a fibre type at a wavelength. Low is under
// High only where trade figures are a range; budgets use High.
type Attenuation struct {
	Type      FibreType
	From, To  units.Nanometers // the wavelengths it holds for; equal for one alone
	Low, High units.DBPerKilometer
	Source    working.Source
}

// Attenuations returns the table of coefficients. The caller owns the slice.
func Attenuations() []Attenuation {
	tia := func(doc string, year int, s working.Status) working.Source {
		return working.Source{Document: doc, Year: year, Status: s}
	}
	tia568 := tia("TIA-568", 0, working.Confirmed)
	tia568mem := tia("TIA-568.3-D", 0, working.FromMemory)
	iso := tia("ISO/IEC 11801", 0, working.FromMemory)
	g652 := working.Source{Document: "ITU-T G.652", Clause: "table 2", Year: 2016, Status: working.FromMemory}
	g657 := tia("ITU-T G.657", 2016, working.FromMemory)
	built := tia("typical as built", 0, working.CommonPractice)
	var out []Attenuation
	at := func(t FibreType, src working.Source, from, to units.Nanometers, low, high units.DBPerKilometer) {
		out = append(out, Attenuation{t, from, to, low, high, src})
	}
	for _, t := range []FibreType{OM1, OM2} {
		at(t, tia568, 850, 850, 3.5, 3.5)
		at(t, tia568, 1300, 1300, 1.5, 1.5)
	}
	for _, t := range []FibreType{OM3, OM4, OM5} {
		at(t, tia568mem, 850, 850, 3.0, 3.0)
		at(t, tia568mem, 1300, 1300, 1.5, 1.5)
	}
	for _, row := range []struct {
		t   FibreType
		src working.Source
		a   units.DBPerKilometer
	}{{OS1aInside, tia568mem, 1.0}, {OSIndoorOut, tia568mem, 0.5}, {OS2Outside, tia568, 0.5}, {OS2Cabled, iso, 0.4}} {
		at(row.t, row.src, 1310, 1310, row.a, row.a)
		at(row.t, row.src, 1550, 1550, row.a, row.a)
	}
	// The narrow range stands before the wide one: the first that holds counts.
	at(G652D, g652, 1530, 1565, 0.30, 0.30)
	at(G652D, g652, 1310, 1625, 0.40, 0.40)
	at(G657A, g657, 1550, 1550, 0.30, 0.30)
	at(G657A, g657, 1310, 1310, 0.40, 0.40)
	at(G657A, g657, 1625, 1625, 0.40, 0.40)
	at(G657B, g657, 1550, 1550, 0.30, 0.30)
	at(G657B, g657, 1310, 1310, 0.50, 0.50)
	at(G657B, g657, 1625, 1625, 0.40, 0.40)
	at(TypicalMM50, built, 850, 850, 3.0, 3.0)
	at(TypicalMM50, built, 1300, 1300, 0.8, 1.0)
	at(TypicalSingle, built, 1310, 1310, 0.33, 0.35)
	at(TypicalSingle, built, 1550, 1550, 0.19, 0.22)
	return out
}

// AttenuationOf returns the coefficient of a fibre type at a wavelength.
//
// Errors are Invalid: FIBRE_TYPE_UNKNOWN; WAVELENGTH_NOT_HELD where the table
// is empty, which is never filled by a guess.
func AttenuationOf(t FibreType, wavelength units.Nanometers) (Attenuation, error) {
	known := false
	for _, a := range Attenuations() {
		if a.Type != t {
			continue
		}
		known = true
		if wavelength >= a.From && wavelength <= a.To {
			return a, nil
		}
	}
	if !known {
		return Attenuation{}, errs.Field("FIBRE_TYPE_UNKNOWN", "type", strconv.Quote(string(t))+" is not a fibre type held here")
	}
	return Attenuation{}, errs.Field("WAVELENGTH_NOT_HELD", "wavelength",
		fmt.Sprintf("no attenuation is held for %s at %s nm", t, plain(float64(wavelength))))
}

// AllowanceName names an element of a link that has an allowance.
type AllowanceName string

// The elements held here.
const (
	StandardPair        AllowanceName = "mated pair, standard to standard"
	ReferencePairMMIEC  AllowanceName = "mated pair, reference to standard, multimode, ISO/IEC 14763-3 or with TIA-568.3-D"
	ReferencePairMMTIAE AllowanceName = "mated pair, reference to standard, multimode, TIA-568.3-E"
	ReferencePairSM     AllowanceName = "mated pair, reference to standard, single-mode"
	ReferenceToRefMM    AllowanceName = "mated pair, reference to reference, multimode"
	ReferenceToRefSM    AllowanceName = "mated pair, reference to reference, single-mode"
	Splice              AllowanceName = "splice"
	FusionTarget        AllowanceName = "fusion splice, usual target over both directions"
	PlanningConnection  AllowanceName = "connection, usual planning value"
)

// Allowance is the loss allowed for one element. Low is under High only where
// trade figures are a range; budgets use High.
type Allowance struct {
	Name      AllowanceName
	Low, High units.DB
	Source    working.Source
}

// Allowances returns the table of allowances. The caller owns the slice.
func Allowances() []Allowance {
	src := func(doc string, s working.Status) working.Source { return working.Source{Document: doc, Status: s} }
	const yes = working.Confirmed
	return []Allowance{
		{StandardPair, 0.75, 0.75, src("TIA-568", yes)},
		{ReferencePairMMIEC, 0.3, 0.3, src("ISO/IEC 14763-3", yes)},
		{ReferencePairMMTIAE, 0.5, 0.5, src("TIA-568.3-E", yes)},
		{ReferencePairSM, 0.5, 0.5, src("ISO/IEC 14763-3 and TIA-568.3-E", yes)},
		{ReferenceToRefMM, 0.10, 0.10, src("ISO/IEC 14763-3", yes)},
		{ReferenceToRefSM, 0.20, 0.20, src("ISO/IEC 14763-3", yes)},
		{Splice, 0.3, 0.3, src("TIA-568", yes)},
		{FusionTarget, 0.1, 0.1, src("usual fusion target, averaged over both directions", working.CommonPractice)},
		{PlanningConnection, 0.3, 0.5, src("usual planning value", working.CommonPractice)},
	}
}

// AllowanceOf returns the allowance of an element.
//
// The error is Invalid, ALLOWANCE_UNKNOWN.
func AllowanceOf(name AllowanceName) (Allowance, error) {
	all := Allowances()
	if i := slices.IndexFunc(all, func(a Allowance) bool { return a.Name == name }); i >= 0 {
		return all[i], nil
	}
	return Allowance{}, errs.Field("ALLOWANCE_UNKNOWN", "name", strconv.Quote(string(name))+" is not an element held here")
}

func rounded(d units.DB) units.DB { return units.DB(metrology.Rounded(float64(d))) }

func plain(x float64) string { return strconv.FormatFloat(metrology.Rounded(x), 'g', -1, 64) }

// level is a named figure in dB or dBm for checking.
type level struct {
	field string
	v     float64
}

// MaxLevelDB bounds every level and loss, in dB or dBm, of either sign.
const MaxLevelDB = 200

func levels(ls ...level) error {
	for _, l := range ls {
		if !(math.Abs(l.v) <= MaxLevelDB) {
			return errs.Field("LOSS_OUT_OF_RANGE", l.field, fmt.Sprintf("a level is a number from -%d to %d, got %s", MaxLevelDB, MaxLevelDB, plain(l.v)))
		}
	}
	return nil
}
