// Package torque knows the coupling torque of the trade's connectors, what a
// torque tool really delivers for what it is set to, what an extension changes,
// and when a tool is due for calibration. It has no I/O and no clock.
//
// Every torque here is a default: the owner's written limit and the connector's
// data sheet win.
package torque

import (
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// InterfaceName names a coaxial interface with its kind of coupling.
type InterfaceName string

// The interfaces held here.
const (
	Coax716       InterfaceName = "7-16"
	Coax4310Screw InterfaceName = "4.3-10-screw"
	Coax4310Hand  InterfaceName = "4.3-10-hand-screw"
	Coax4310Lock  InterfaceName = "4.3-10-quick-lock"
	Coax4195      InterfaceName = "4.1-9.5"
	Coax4195Lock  InterfaceName = "4.1-9.5-quick-lock"
	Coax225Screw  InterfaceName = "2.2-5-screw"
	Coax225Lock   InterfaceName = "2.2-5-quick-lock"
	NGeneral      InterfaceName = "n"
	NPrecision    InterfaceName = "n-precision"
	SMAStainless  InterfaceName = "sma-stainless"
	SMABrass      InterfaceName = "sma-brass"
)

// Coupling is how a connector is made up.
type Coupling string

// The ways. A data sheet means that a wrench may be used but no value is held.
const (
	ByWrench    Coupling = "wrench"
	ByHand      Coupling = "hand tight, no wrench"
	ByLock      Coupling = "audible lock, no wrench"
	ByDataSheet Coupling = "as the connector's data sheet says"
)

// Range is a torque range, both ends inside. The zero value means no value held.
type Range struct{ Low, High units.NewtonMeters }

// Held reports whether there is a value.
func (r Range) Held() bool { return r.High > 0 }

// Interface is what is known of one interface. A value that is not confirmed
// nor remembered is empty, never guessed.
type Interface struct {
	Name     InterfaceName
	Title    string // for a person
	Coupling Coupling
	// Recommended is the coupling torque; both ends are equal where the
	// standard gives one value.
	Recommended       Range
	RecommendedSource working.Source
	// Preset is the range of tool settings accepted for it. It is wider than
	// Recommended where the trade's usual tool is set a little outside.
	Preset       Range
	PresetSource working.Source
	// Upper is the largest torque named, 0 where none is held; Proof says that
	// it is the coupling's proof torque and not a setting to aim at.
	Upper       units.NewtonMeters
	Proof       bool
	UpperSource working.Source
	// Standard is the document of the interface itself.
	Standard working.Source
	// Note is a caution for the reader; may be empty.
	Note string
}

// Interfaces returns every interface held here. The caller owns the slice.
func Interfaces() []Interface {
	std := func(document string, year int, status working.Status) working.Source {
		return working.Source{Document: document, Year: year, Status: status}
	}
	const open, mem, practice = working.Confirmed, working.FromMemory, working.CommonPractice
	const noWrench = "a wrench on this coupling can damage it"
	iec4 := func(s working.Status) working.Source { return std("IEC 61169-4", 0, s) }
	iec54 := func(s working.Status) working.Source { return std("IEC 61169-54", 2021, s) }
	iec11 := func(s working.Status) working.Source { return std("IEC 61169-11", 2017, s) }
	iec16 := std("IEC 61169-16", 0, mem)
	ieee := std("IEEE 287", 2007, open)
	iec15 := func(s working.Status) working.Source { return std("IEC 61169-15", 2021, s) }
	list := []Interface{
		{
			Name: Coax716, Title: "7-16", Coupling: ByWrench,
			Recommended: Range{25, 30}, RecommendedSource: iec4(open),
			Preset:       Range{24.4, 30},
			PresetSource: std("an 18 ft·lbf (24.4 N·m) wrench is used on 7-16", 0, practice),
			Upper:        35, Proof: true, UpperSource: iec4(mem), Standard: iec4(open),
			Note: "an 18 ft·lbf tool is set to 24.4 N·m, 2.4 % under 25 N·m: the tool's own setting is shown",
		},
		{
			Name: Coax4310Screw, Title: "4.3-10, screw", Coupling: ByWrench,
			Recommended: Range{5, 5}, RecommendedSource: iec54(mem),
			Upper: 8, Proof: true, UpperSource: iec54(mem), Standard: iec54(open),
		},
		{
			Name: Coax4310Hand, Title: "4.3-10, hand-screw", Coupling: ByHand,
			RecommendedSource: std("hand tight", 0, practice), Standard: iec54(open), Note: noWrench,
		},
		{
			Name: Coax4310Lock, Title: "4.3-10, quick-lock", Coupling: ByLock,
			RecommendedSource: std("audible lock", 0, practice), Standard: iec54(open), Note: noWrench,
		},
		{
			Name: Coax4195, Title: "4.1-9.5, threaded", Coupling: ByWrench,
			Recommended: Range{10, 10}, RecommendedSource: iec11(mem),
			Upper: 15, UpperSource: iec11(mem), Standard: iec11(open),
		},
		{
			Name: Coax4195Lock, Title: "4.1-9.5, quick-lock", Coupling: ByLock,
			RecommendedSource: std("audible lock", 0, practice), Standard: std("IEC 61169-61", 2020, open), Note: noWrench,
		},
		{
			Name: Coax225Screw, Title: "2.2-5, screw", Coupling: ByDataSheet,
			RecommendedSource: std("connector's data sheet", 0, practice), Standard: std("IEC 61169-66", 2021, open),
			Note: "no torque is held for this interface: take it from the connector's data sheet",
		},
		{
			Name: Coax225Lock, Title: "2.2-5, quick-lock", Coupling: ByLock,
			RecommendedSource: std("audible lock", 0, practice), Standard: std("IEC 61169-66", 2021, open), Note: noWrench,
		},
		{
			Name: NGeneral, Title: "N, general purpose", Coupling: ByWrench,
			Recommended: Range{0.7, 1.1}, RecommendedSource: iec16,
			Upper: 1.7, Proof: true, UpperSource: iec16, Standard: iec16,
		},
		{
			Name: NPrecision, Title: "N, precision", Coupling: ByWrench,
			Recommended: Range{1.3, 1.7}, RecommendedSource: ieee, Standard: ieee,
		},
		{
			Name: SMAStainless, Title: "SMA, stainless nut", Coupling: ByWrench,
			Recommended: Range{0.8, 1.1}, RecommendedSource: iec15(open),
			Upper: 1.7, UpperSource: iec15(mem), Standard: iec15(open),
		},
		{
			Name: SMABrass, Title: "SMA, brass nut", Coupling: ByWrench,
			Recommended: Range{0.3, 0.6}, RecommendedSource: iec15(open), Standard: iec15(open),
		},
	}
	for i := range list {
		if !list[i].Preset.Held() {
			list[i].Preset, list[i].PresetSource = list[i].Recommended, list[i].RecommendedSource
		}
	}
	return list
}

// InterfaceNamed returns the interface of that name.
//
// The error is Invalid, INTERFACE_UNKNOWN.
func InterfaceNamed(name InterfaceName) (Interface, error) {
	for _, i := range Interfaces() {
		if i.Name == name {
			return i, nil
		}
	}
	return Interface{}, errs.Field("INTERFACE_UNKNOWN", "interface", strconv.Quote(string(name))+" is not an interface held here")
}
