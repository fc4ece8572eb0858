package exposure

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Emission is one transmitter as a person meets it: frequency and power density.
type Emission struct {
	MHz     float64
	Density float64 // W/m2
}

// Field is one transmitter as its electric field strength, in V/m (rms).
type Field struct {
	MHz   float64
	Volts float64
}

// Fraction is a part of a limit, 1 at the limit. Set, tier and basis say of which
// limit; fractions of different sets, tiers or bases never add.
type Fraction struct {
	Value float64
	Set   Set
	Tier  Tier
	Basis Basis
	Limit Limit
}

// FractionOf returns density over limit at one frequency. Errors: those of
// LimitAt, and OUT_OF_RANGE for the density.
func FractionOf(set Set, tier Tier, basis Basis, e Emission) (Fraction, error) {
	l, err := LimitAt(set, tier, basis, e.MHz)
	if err != nil {
		return Fraction{}, err
	}
	if err := DensityWattsPerSqM.Check("density", e.Density); err != nil {
		return Fraction{}, err
	}
	return Fraction{Value: e.Density / l.Density, Set: set, Tier: tier, Basis: basis, Limit: l}, nil
}

// FieldFractionOf returns (E/E_limit)² at one frequency. Errors: those of
// LimitAt, OUT_OF_RANGE for the field, and Invalid NO_FIELD_LIMIT where the set
// gives no field strength at the frequency (FCC above 300 MHz).
func FieldFractionOf(set Set, tier Tier, basis Basis, f Field) (Fraction, error) {
	l, err := LimitAt(set, tier, basis, f.MHz)
	if err != nil {
		return Fraction{}, err
	}
	if err := FieldVoltsPerMetre.Check("volts_per_metre", f.Volts); err != nil {
		return Fraction{}, err
	}
	if l.Volts == 0 {
		return Fraction{}, errs.Field("NO_FIELD_LIMIT", "frequency_mhz",
			"has no field-strength limit in this set; give the power density", "frequency_mhz", working.Format(f.MHz))
	}
	q := f.Volts / l.Volts
	return Fraction{Value: q * q, Set: set, Tier: tier, Basis: basis, Limit: l}, nil
}

// Add returns the sum of fractions of one set, tier and basis.
//
// Errors are Invalid: SOURCES_MISSING for none, SOURCES_TOO_MANY over 100,
// SETS_MIXED when set, tier or basis differ (averaging times differ too).
func Add(fs ...Fraction) (Fraction, error) {
	if len(fs) == 0 {
		return Fraction{}, errs.Field("SOURCES_MISSING", "sources", "must hold at least one")
	}
	if len(fs) > MostSources {
		return Fraction{}, errs.Field("SOURCES_TOO_MANY", "sources", "must be at most "+strconv.Itoa(MostSources), "count", strconv.Itoa(len(fs)))
	}
	sum := Fraction{Set: fs[0].Set, Tier: fs[0].Tier, Basis: fs[0].Basis}
	for _, f := range fs {
		if f.Set != sum.Set || f.Tier != sum.Tier || f.Basis != sum.Basis {
			return Fraction{}, errs.Field("SETS_MIXED", "sources",
				"mix limits of different sets, tiers or bases: one assessment uses one of each", "first", string(sum.Set)+" "+string(sum.Tier)+" "+string(sum.Basis),
				"other", string(f.Set)+" "+string(f.Tier)+" "+string(f.Basis))
		}
		sum.Value += f.Value
	}
	return sum, nil
}

// SumResult is the sum of the fractions of several sources.
type SumResult struct {
	Sum       float64
	Fractions []float64 // in the order of the input
	Over      bool
	Working   working.Working
}

// SumOfFractions adds density over limit of every source; over 1 is over the
// limit, even where each source alone is under.
//
// Errors: those of FractionOf and Add.
func SumOfFractions(set Set, tier Tier, basis Basis, es []Emission) (SumResult, error) {
	if len(es) > MostSources { // before the work, not after
		return SumResult{}, errs.Field("SOURCES_TOO_MANY", "sources", "must be at most "+strconv.Itoa(MostSources), "count", strconv.Itoa(len(es)))
	}
	fs := make([]Fraction, 0, len(es))
	var inputs []working.Term
	for i, e := range es {
		f, err := FractionOf(set, tier, basis, e)
		if err != nil {
			return SumResult{}, err
		}
		fs = append(fs, f)
		inputs = append(inputs, working.Number("source "+strconv.Itoa(i+1)+" at "+working.Format(e.MHz)+" MHz", "", e.Density, "W/m2"))
	}
	return sum("sum of fractions: each power density over its limit", fs, inputs)
}

// SumOfFieldFractions adds (E/E_limit)² of every source; see SumOfFractions.
func SumOfFieldFractions(set Set, tier Tier, basis Basis, fields []Field) (SumResult, error) {
	if len(fields) > MostSources {
		return SumResult{}, errs.Field("SOURCES_TOO_MANY", "sources", "must be at most "+strconv.Itoa(MostSources), "count", strconv.Itoa(len(fields)))
	}
	fs := make([]Fraction, 0, len(fields))
	var inputs []working.Term
	for i, e := range fields {
		f, err := FieldFractionOf(set, tier, basis, e)
		if err != nil {
			return SumResult{}, err
		}
		fs = append(fs, f)
		inputs = append(inputs, working.Number("source "+strconv.Itoa(i+1)+" at "+working.Format(e.MHz)+" MHz", "", e.Volts, "V/m"))
	}
	r, err := sum("sum of fractions: each (field strength / limit)^2", fs, inputs)
	for i, f := range fs {
		if i == 0 || f.Limit.FieldSource != fs[i-1].Limit.FieldSource {
			r.Working.Sources = append(r.Working.Sources, f.Limit.FieldSource)
		}
	}
	return r, err
}

func sum(formula string, fs []Fraction, inputs []working.Term) (SumResult, error) {
	total, err := Add(fs...)
	if err != nil {
		return SumResult{}, err
	}
	r := SumResult{Sum: total.Value, Over: working.Exceeds(total.Value, 1)}
	w := working.Working{
		Formula: formula,
		Inputs: append([]working.Term{
			working.Words("set of limits", string(total.Set)),
			working.Words("tier", string(total.Tier)),
			working.Words("basis", string(total.Basis)),
		}, inputs...),
		Sources:  []working.Source{oet65("section 2, several sources", working.Computed)},
		Cautions: tierCautions(total.Tier),
		LeftOut:  otherLeftOut("sources that were not entered"),
		Defers:   working.DefersExposure,
	}
	for i, f := range fs {
		r.Fractions = append(r.Fractions, f.Value)
		name := "source " + strconv.Itoa(i+1)
		if inputs[i].Unit == "V/m" {
			w.Steps = append(w.Steps, working.NumberDown(name+", limit", "", f.Limit.Volts, "V/m"))
		} else {
			w.Steps = append(w.Steps, working.NumberDown(name+", limit", "", f.Limit.Density, "W/m2"))
		}
		w.Steps = append(w.Steps, working.NumberUp(name+", part of its limit", "", f.Value, ""))
		if i == 0 || f.Limit.Source != fs[i-1].Limit.Source {
			w.Sources = append(w.Sources, f.Limit.Source)
		}
	}
	w.Result = []working.Term{
		working.NumberUp("sum of the parts", "", r.Sum, ""),
		working.Compare("sum", r.Sum, 1, ""),
		working.Number("averaging time of these limits", "", fs[0].Limit.AverageMin, "min"),
	}
	r.Working = w
	return r, nil
}

func tierCautions(t Tier) []string {
	c := []string{"Sets of limits are never mixed in one assessment; their averaging times differ too."}
	if t == Occupational {
		return append(c, "The occupational tier applies only to people who are trained, fully aware and able to control their exposure. Anybody else on the tower is general population.")
	}
	return c
}

// SingleInput is one antenna seen from one distance in its far field.
type SingleInput struct {
	PowerWatts, GainDBi float64
	MHz                 float64
	DistanceMetres      float64 // 0 when only the stand-off is asked
	Reflection          Reflection
	Set                 Set
	Tier                Tier
	Basis               Basis
}

// SingleResult is in W/m² and metres.
type SingleResult struct {
	EIRPWatts      float64
	Density        float64 // at the distance entered; 0 when none was
	Limit          Limit
	StandOffMetres float64
	Working        working.Working
}

// Single predicts the density of one antenna in its far field, compares it with
// the limit and gives the stand-off distance of that limit.
//
// Errors: those of LimitAt, EIRP, FarField.
func Single(in SingleInput) (SingleResult, error) {
	l, err := LimitAt(in.Set, in.Tier, in.Basis, in.MHz)
	if err != nil {
		return SingleResult{}, err
	}
	eirp, err := EIRP(in.PowerWatts, in.GainDBi)
	if err != nil {
		return SingleResult{}, err
	}
	k, err := in.Reflection.Factor()
	if err != nil {
		return SingleResult{}, err
	}
	r := SingleResult{EIRPWatts: eirp, Limit: l}
	if r.StandOffMetres, err = DistanceFor(eirp, l.Density, in.Reflection); err != nil {
		return SingleResult{}, err
	}
	w := working.Working{
		Formula: "far field: S = k*EIRP/(4*pi*R^2), distance for a limit R = sqrt(k*EIRP/(4*pi*S_limit))",
		Inputs: append([]working.Term{
			working.Number("power at the antenna", "P", in.PowerWatts, "W"),
			working.Number("gain", "G", in.GainDBi, "dBi"),
			working.Number("frequency", "f", in.MHz, "MHz"),
			working.Words("reflection", string(in.Reflection)),
		}, limitInputs(l)...),
		Steps: []working.Term{
			working.NumberUp("EIRP, P*10^(G/10)", "", eirp, "W"),
			working.Number("reflection factor", "k", k, ""),
			working.NumberDown("limit", "S_limit", l.Density, "W/m2"),
			working.NumberDown("limit", "S_limit", l.Density/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
		},
		Result:   []working.Term{working.NumberUp("distance at which the limit is reached", "R", r.StandOffMetres, "m")},
		Sources:  []working.Source{in.Reflection.source(), l.Source},
		Cautions: append(tierCautions(in.Tier), nearFieldCaution, groundCaution),
		LeftOut:  otherLeftOut("the near field of the antenna", "loss of the feeder: the power is taken at the antenna"),
		Defers:   working.DefersExposure,
	}
	if l.PlaneWave {
		w.Cautions = append(w.Cautions, "Below 30 MHz the limit is a plane-wave equivalent: electric and magnetic field are each compared with their own limit.")
	}
	if in.DistanceMetres == 0 {
		w.Result = append(w.Result, working.Words("at the person's distance", "not checked: none was entered"))
	} else {
		if r.Density, err = FarField(eirp, in.DistanceMetres, in.Reflection); err != nil {
			return SingleResult{}, err
		}
		w.Inputs = append(w.Inputs, working.Number("distance of the person", "R", in.DistanceMetres, "m"))
		w.Result = append(w.Result,
			working.NumberUp("power density there", "S", r.Density, "W/m2"),
			working.NumberUp("the same", "S", r.Density/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
			working.NumberUp("part of the limit", "", r.Density/l.Density, ""),
			working.Compare("power density", r.Density, l.Density, "W/m2"))
	}
	r.Working = w
	return r, nil
}

const (
	nearFieldCaution = "The far-field form does not describe the near field; close to a panel or a dish use the cylinder or aperture form."
	groundCaution    = "The ground factor belongs to the ground or a roof; in the main beam at the tower the free-space form counts."
)

func limitInputs(l Limit) []working.Term {
	return []working.Term{
		working.Words("set of limits", string(l.Set)),
		working.Words("tier", string(l.Tier)),
		working.Words("basis", string(l.Basis)),
	}
}

// StationInput is a station seen from the ground or a roof: ERP over a half-wave
// dipole, how far its centre is above the person's head, and how far away along
// the ground.
type StationInput struct {
	ERPWatts     float64
	HeightMetres float64
	AlongMetres  float64
	MHz          float64
	Set          Set
	Tier         Tier
	Basis        Basis
}

// StationResult is in metres and W/m².
type StationResult struct {
	SlantMetres float64
	Density     float64
	Limit       Limit
	Over        bool
	Working     working.Working
}

// Station predicts the density of a station over reflecting ground by the
// bulletin's equation (9) and compares it with a limit.
//
// Errors: those of LimitAt, Slant and GroundERP.
func Station(in StationInput) (StationResult, error) {
	l, err := LimitAt(in.Set, in.Tier, in.Basis, in.MHz)
	if err != nil {
		return StationResult{}, err
	}
	slant, err := Slant(in.HeightMetres, in.AlongMetres)
	if err != nil {
		return StationResult{}, err
	}
	uw, err := GroundERP(in.ERPWatts, slant)
	if err != nil {
		return StationResult{}, err
	}
	r := StationResult{SlantMetres: slant, Density: uw * WattsPerSqMPerMicrowattPerSqCm, Limit: l}
	r.Over = working.Exceeds(r.Density, l.Density)
	r.Working = working.Working{
		Formula: "station over ground: S = 33.4*ERP/R^2 in uW/cm2, R = sqrt(h^2 + d^2)",
		Inputs: append([]working.Term{
			working.Number("ERP", "", in.ERPWatts, "W"),
			working.Number("centre above the head", "h", in.HeightMetres, "m"),
			working.Number("along the ground", "d", in.AlongMetres, "m"),
			working.Number("frequency", "f", in.MHz, "MHz"),
		}, limitInputs(l)...),
		Steps: []working.Term{
			working.NumberDown("slant distance", "R", slant, "m"),
			working.NumberDown("limit", "S_limit", l.Density, "W/m2"),
		},
		Result: []working.Term{
			working.NumberUp("power density", "S", uw, "uW/cm2"),
			working.NumberUp("the same", "S", r.Density, "W/m2"),
			working.NumberUp("part of the limit", "", r.Density/l.Density, ""),
			working.Compare("power density", r.Density, l.Density, "W/m2"),
		},
		Sources: []working.Source{oet65("equation (9), page 21", working.Confirmed), l.Source},
		Cautions: append(tierCautions(in.Tier), groundCaution,
			"The main beam is assumed to point at the person; the coefficient 33.4 is the printed one (exactly 33.4098)."),
		LeftOut: otherLeftOut("the near field of the antenna", "the antenna's pattern below the horizon"),
		Defers:  working.DefersExposure,
	}
	return r, nil
}

// TestKitInput is an intermodulation test whose tones go up an antenna line to an
// antenna. Both tones radiate. LossDB is the loss of the line between, 0 for the
// cautious figure.
type TestKitInput struct {
	PowerPerToneWatts float64
	GainDBi           float64
	ToneMHz           [2]float64
	LossDB            float64
	Reflection        Reflection
	Set               Set
}

// TestKitResult is in watts and metres.
type TestKitResult struct {
	EIRPWatts          float64 // both tones together
	OccupationalMetres float64
	GeneralMetres      float64
	Working            working.Working
}

// TestKitStandOff returns the distances at which the two tones of a test, added
// as parts of their limits, reach the occupational and the general limit (whole
// body): R = √(Σ k·EIRP_i/(4·π·S_i)).
//
// Errors: those of LimitAt and EIRP; OUT_OF_RANGE for the loss.
func TestKitStandOff(in TestKitInput) (TestKitResult, error) {
	if err := LossDB.Check("loss_db", in.LossDB); err != nil {
		return TestKitResult{}, err
	}
	k, err := in.Reflection.Factor()
	if err != nil {
		return TestKitResult{}, err
	}
	one, err := EIRP(in.PowerPerToneWatts, in.GainDBi)
	if err != nil {
		return TestKitResult{}, err
	}
	one *= math.Pow(10, -in.LossDB/10)
	r := TestKitResult{EIRPWatts: 2 * one}
	w := working.Working{
		Formula: "test kit, both tones: EIRP = 2*P*10^(G/10), R = sqrt(sum of k*EIRP_tone/(4*pi*S_limit))",
		Inputs: []working.Term{
			working.Number("power of each tone", "P", in.PowerPerToneWatts, "W"),
			working.Number("gain of the antenna", "G", in.GainDBi, "dBi"),
			working.Number("first tone", "f1", in.ToneMHz[0], "MHz"),
			working.Number("second tone", "f2", in.ToneMHz[1], "MHz"),
			working.Number("loss of the line", "", in.LossDB, "dB"),
			working.Words("reflection", string(in.Reflection)),
			working.Words("set of limits", string(in.Set)),
		},
		Steps: []working.Term{
			working.NumberUp("EIRP of one tone", "", one, "W"),
			working.NumberUp("EIRP of both tones", "", r.EIRPWatts, "W"),
			working.Number("reflection factor", "k", k, ""),
		},
		Sources: []working.Source{
			in.Reflection.source(),
			oet65("section 2, several sources", working.Computed),
			{Document: "IEC 62037-8", Clause: "warning: transmitters are off before mating or unmating", Year: 2025, Status: working.Confirmed},
		},
		Cautions: []string{
			"The test itself radiates: with tones on, an antenna on the line radiates both tones.",
			"Connect and disconnect only with the tones off; other transmitters are verified off before a connector is mated or unmated.",
			"Tones off, and confirmed off, before anyone touches a connector or comes inside the distance; tones on only after everyone is confirmed clear of it.",
			tierCautions(Occupational)[1],
			nearFieldCaution,
		},
		LeftOut: otherLeftOut("the near field of the antenna", "intermodulation products: far below the tones"),
		Defers:  working.DefersExposure,
	}
	for _, tier := range Tiers() {
		sum := 0.0 // of EIRP over limit, tone by tone
		for i, mhz := range in.ToneMHz {
			l, err := LimitAt(in.Set, tier, WholeBody, mhz)
			if err != nil {
				return TestKitResult{}, err
			}
			sum += one / l.Density
			w.Steps = append(w.Steps, working.NumberDown("limit at tone "+strconv.Itoa(i+1)+", "+string(tier), "", l.Density, "W/m2"))
			if tier == General && i == 0 {
				w.Sources = append(w.Sources, l.Source)
			}
		}
		metres := math.Sqrt(k * sum / (4 * math.Pi))
		if tier == General {
			r.GeneralMetres = metres
		} else {
			r.OccupationalMetres = metres
		}
	}
	w.Result = []working.Term{
		working.NumberUp("general limit reached at", "", r.GeneralMetres, "m"),
		working.NumberUp("occupational limit reached at", "", r.OccupationalMetres, "m"),
	}
	r.Working = w
	return r, nil
}
