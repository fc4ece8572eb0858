// Package exposure predicts radio-frequency exposure near antennas and compares
// it with published limits: limits by frequency and tier, power density, stand-off
// distances, sums over several sources, averages over time. One assessment uses
// one set of limits; sets are never mixed. Predictions come from entered data and
// stand behind a measurement or a transmitter that is confirmed off. The package
// has no I/O and no clock.
package exposure

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Set names one published set of limits.
type Set string

// The sets known.
const (
	FCC    Set = "fcc"         // 47 CFR 1.1310
	ICNIRP Set = "icnirp-2020" // reference levels of 2020, an alternative to the other, never mixed with it
)

// Sets lists the sets in the order a form shows them.
func Sets() []Set { return []Set{FCC, ICNIRP} }

// Tier says for whom a limit is meant.
type Tier string

const (
	// Occupational is only for people who are trained, fully aware (they know
	// how to reduce or avoid their exposure) and able to control it.
	Occupational Tier = "occupational"
	// General is for anybody else, on the tower or off it.
	General Tier = "general"
)

// Tiers lists both tiers, the cautious one first.
func Tiers() []Tier { return []Tier{General, Occupational} }

// Basis says over what part of the body a limit holds.
type Basis string

// The bases. The FCC set has only WholeBody here.
const (
	WholeBody Basis = "whole body"
	Local     Basis = "local"
)

// Domains of the inputs. Upper ends are bounds of this program where no rule
// gives one.
var (
	FCCFrequencyMHz    = working.Domain{Min: 0.3, Max: 100_000, Unit: "MHz"}
	ICNIRPFrequencyMHz = working.Domain{Min: 30, Max: 300_000, Unit: "MHz"}
	ICNIRPLocalMHz     = working.Domain{Min: 400, Max: 300_000, Unit: "MHz"}
	PowerWatts         = working.Domain{Min: 0, MinOpen: true, Max: 1e7, Unit: "W"}
	GainDBi            = working.Domain{Min: -60, Max: 80, Unit: "dBi"}
	DistanceMetres     = working.Domain{Min: 0.01, Max: 1e6, Unit: "m"}
	DensityWattsPerSqM = working.Domain{Min: 0, Max: 1e9, Unit: "W/m2"}
	FieldVoltsPerMetre = working.Domain{Min: 0, Max: 1e6, Unit: "V/m"}
	FieldAmperesPerM   = working.Domain{Min: 0, Max: 1e4, Unit: "A/m"}
	AntennaMetres      = working.Domain{Min: 0.01, Max: 100, Unit: "m"}
	SectorDegrees      = working.Domain{Min: 1, Max: 360, Unit: "degrees"}
	ApertureEfficiency = working.Domain{Min: 0.01, Max: 1}
	LossDB             = working.Domain{Min: 0, Max: 100, Unit: "dB"}
	Minutes            = working.Domain{Min: 0, Max: 1440, Unit: "min"}
	LimitWattsPerSqM   = working.Domain{Min: 1e-9, Max: 1e4, Unit: "W/m2"}
	ApertureDistance   = working.Domain{Min: 0, Max: 1e6, Unit: "m"}
)

// MostSources is how many sources one assessment may hold.
const MostSources = 100

const (
	freeSpaceOhms       = 376.730313668
	speedOfLightMetres  = 299_792_458.0
	dipoleOverIsotropic = 1.64 // gain of a half-wave dipole, as OET 65 rounds it
)

// Conversions of power density; 1 mW/cm2 is 10 W/m2 exactly.
const (
	WattsPerSqMPerMilliwattPerSqCm = 10.0
	WattsPerSqMPerMicrowattPerSqCm = 0.01
)

// Limit is one published limit at one frequency. Density is the limit in W/m2,
// below 30 MHz its plane-wave equivalent. Volts and Amperes are the limits of the
// field strengths in V/m and A/m, 0 where the set gives none.
type Limit struct {
	Set         Set
	Tier        Tier
	Basis       Basis
	MHz         float64
	Density     float64
	Volts       float64
	Amperes     float64
	PlaneWave   bool // Density is the plane-wave equivalent of the fields
	AverageMin  float64
	Source      working.Source // of Density
	FieldSource working.Source // of Volts and Amperes
}

// LimitAt returns the limit of a set, tier and basis at a frequency. Where two
// rows of a table meet, the lower figure counts.
//
// Errors are Invalid: SET_UNKNOWN, TIER_UNKNOWN, BASIS_UNKNOWN (also for a basis
// that the set has not), OUT_OF_RANGE below or above the set's frequencies (FCC
// 0.3 to 100,000 MHz; ICNIRP 30 to 300,000 MHz, local 400 to 300,000 MHz),
// NOT_A_NUMBER.
//
// Sources: 47 CFR 1.1310 Table 1; ICNIRP, Health Physics 118:483-524 (2020),
// Tables 5 and 6.
func LimitAt(set Set, tier Tier, basis Basis, mhz float64) (Limit, error) {
	if tier != Occupational && tier != General {
		return Limit{}, errs.Field("TIER_UNKNOWN", "tier", "must be occupational or general", "tier", string(tier))
	}
	if basis != WholeBody && basis != Local {
		return Limit{}, errs.Field("BASIS_UNKNOWN", "basis", "must be whole body or local", "basis", string(basis))
	}
	l := Limit{Set: set, Tier: tier, Basis: basis, MHz: mhz}
	switch {
	case set == FCC && basis == Local:
		return Limit{}, errs.Field("BASIS_UNKNOWN", "basis", "of the FCC set is whole body only", "basis", string(basis))
	case set == FCC:
		if err := FCCFrequencyMHz.Check("frequency_mhz", mhz); err != nil {
			return Limit{}, err
		}
		l.fcc()
	case set == ICNIRP && basis == WholeBody:
		if err := ICNIRPFrequencyMHz.Check("frequency_mhz", mhz); err != nil {
			return Limit{}, err
		}
		l.icnirpWhole()
	case set == ICNIRP:
		if err := ICNIRPLocalMHz.Check("frequency_mhz", mhz); err != nil {
			return Limit{}, err
		}
		l.icnirpLocal()
	default:
		return Limit{}, errs.Field("SET_UNKNOWN", "set", "must be fcc or icnirp-2020", "set", string(set))
	}
	return l, nil
}

// Working shows the limit with its field strengths, averaging time and source.
func (l Limit) Working() working.Working {
	w := working.Working{
		Formula: "exposure limit at a frequency",
		Inputs:  append(limitInputs(l), working.Number("frequency", "f", l.MHz, "MHz")),
		Result: []working.Term{
			working.NumberDown("power density", "S", l.Density, "W/m2"),
			working.NumberDown("the same", "S", l.Density/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
			working.Number("averaging time", "", l.AverageMin, "min"),
		},
		Sources:  []working.Source{l.Source},
		Cautions: tierCautions(l.Tier),
		LeftOut:  []string{"contact currents and metal close to the body", "implanted medical devices", "limits on absorbed power (W/kg)", "any other set of limits"},
		Defers:   working.DefersExposure,
	}
	if l.PlaneWave {
		w.Cautions = append(w.Cautions, "Below 30 MHz the power density is a plane-wave equivalent: electric and magnetic field are each compared with their own limit.")
	}
	if l.Volts != 0 {
		w.Result = append(w.Result, working.NumberDown("electric field", "E", l.Volts, "V/m"))
		w.Sources = append(w.Sources, l.FieldSource)
	}
	if l.Amperes != 0 {
		w.Result = append(w.Result, working.NumberDown("magnetic field", "H", l.Amperes, "A/m"))
	}
	return w
}

func (l *Limit) fcc() {
	f := l.MHz
	l.Source = working.Source{Document: "47 CFR 1.1310", Clause: "Table 1", Status: working.Confirmed}
	l.FieldSource = working.Source{Document: "47 CFR 1.1310", Clause: "Table 1, field strengths", Status: working.FromMemory}
	mwcm2 := 0.0
	if l.Tier == Occupational {
		l.AverageMin = 6
		switch {
		case f <= 3:
			mwcm2, l.Volts, l.Amperes = 100, 614, 1.63
			l.FieldSource.Status = working.Confirmed
		case f <= 30:
			mwcm2, l.Volts, l.Amperes = 900/(f*f), 1842/f, 4.89/f
		case f <= 300:
			mwcm2, l.Volts, l.Amperes = 1, 61.4, 0.163
		case f <= 1500:
			mwcm2 = f / 300
		default:
			mwcm2 = 5
		}
	} else {
		l.AverageMin = 30
		switch {
		case f <= 1.34:
			mwcm2, l.Volts, l.Amperes = 100, 614, 1.63
		case f <= 30:
			mwcm2, l.Volts, l.Amperes = 180/(f*f), 824/f, 2.19/f
		case f <= 300:
			mwcm2, l.Volts, l.Amperes = 0.2, 27.5, 0.073
		case f <= 1500:
			mwcm2 = f / 1500
		default:
			mwcm2 = 1
		}
	}
	l.PlaneWave = f < 30
	l.Density = mwcm2 * WattsPerSqMPerMilliwattPerSqCm
}

const icnirpPaper = "ICNIRP, Health Physics 118:483-524"

func (l *Limit) icnirpWhole() {
	f := l.MHz
	l.AverageMin = 30
	l.Source = working.Source{Document: icnirpPaper, Clause: "Table 5, whole body", Year: 2020, Status: working.FromMemory}
	l.FieldSource = l.Source
	occ := l.Tier == Occupational
	switch {
	case f <= 400:
		l.Density = pick(occ, 10, 2)
	case f <= 2000:
		l.Density = pick(occ, f/40, f/200)
	default:
		l.Density = pick(occ, 50, 10)
	}
	if f >= 400 && f <= 2000 {
		l.Volts = pick(occ, 3, 1.375) * math.Sqrt(f)
	}
}

func (l *Limit) icnirpLocal() {
	f := l.MHz
	l.AverageMin = 6
	l.Source = working.Source{Document: icnirpPaper, Clause: "Table 6, local, read in a textbook reprint", Year: 2020, Status: working.Confirmed}
	occ := l.Tier == Occupational
	switch {
	case f < 2000:
		l.Density = pick(occ, 0.29, 0.058) * math.Pow(f, 0.86)
	case f <= 6000:
		l.Density = pick(occ, 200, 40)
	default:
		l.Density = pick(occ, 275, 55) * math.Pow(f/1000, -0.177)
	}
}

func pick(occupational bool, o, g float64) float64 {
	if occupational {
		return o
	}
	return g
}
