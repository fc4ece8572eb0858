package rigging

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Limits of an arrest and of its anchorage, in pounds-force, the unit that the
// rules are written in.
const (
	ArrestForceLimitPounds = 1800.0
	AnchoragePounds        = 5000.0 // for each person attached
	AnchorageSafetyFactor  = 2.0
)

// FallSpeed returns √(2·g·h) in m/s after a free fall of h metres (0 to 1,000).
// Air is left out. Source: uniform acceleration. Errors: Invalid OUT_OF_RANGE,
// NOT_A_NUMBER.
func FallSpeed(heightMetres float64) (metresPerSecond float64, err error) {
	if err := LengthDomain.Check("height", heightMetres); err != nil {
		return 0, err
	}
	return math.Sqrt(2 * StandardGravity * heightMetres), nil
}

// FallTime returns √(2·h/g) in seconds for a free fall of h metres (0 to 1,000).
// Source and errors as FallSpeed.
func FallTime(heightMetres float64) (seconds float64, err error) {
	if err := LengthDomain.Check("height", heightMetres); err != nil {
		return 0, err
	}
	return math.Sqrt(2 * heightMetres / StandardGravity), nil
}

// ArrestInput is a person with tools (Weight, in WeightUnit) who falls freely by
// FreeFall and stops over Deceleration, both in LengthUnit.
type ArrestInput struct {
	Weight       float64
	WeightUnit   LoadUnit
	FreeFall     float64
	Deceleration float64
	LengthUnit   LengthUnit
}

// ArrestResult holds the arithmetic of one arrest.
type ArrestResult struct {
	SpeedMetresPerSecond float64
	TimeSeconds          float64
	EnergyFootPounds     float64 // W*h
	EnergyJoules         float64
	MeanForcePounds      float64 // W*(h+s)/s
	Working              working.Working
}

// Arrest returns speed and time of the fall, its impact energy W·h and the mean
// arresting force W·(h+s)/s for a constant deceleration over s. The 1,800 lbf
// limit is for the peak, which is higher than the mean: a mean over it is over
// the limit for certain, a mean under it proves nothing.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN,
// LENGTH_UNIT_UNKNOWN. Source: work and energy.
func Arrest(in ArrestInput) (ArrestResult, error) {
	perUnit, err := in.WeightUnit.pounds()
	if err != nil {
		return ArrestResult{}, err
	}
	foot, err := in.LengthUnit.fromFeet()
	if err != nil {
		return ArrestResult{}, err
	}
	if err := LoadDomain.Check("weight", in.Weight); err != nil {
		return ArrestResult{}, err
	}
	if err := LengthDomain.Check("free_fall", in.FreeFall); err != nil {
		return ArrestResult{}, err
	}
	if err := (working.Domain{Min: 0.01, Max: 1000}).Check("deceleration", in.Deceleration); err != nil {
		return ArrestResult{}, err
	}
	lb, h, s := in.Weight*perUnit, in.FreeFall/foot, in.Deceleration/foot
	hMetres := h * MetresPerFoot
	speed, err := FallSpeed(hMetres)
	if err != nil {
		return ArrestResult{}, err
	}
	fallTime, err := FallTime(hMetres)
	if err != nil {
		return ArrestResult{}, err
	}
	r := ArrestResult{
		SpeedMetresPerSecond: speed,
		TimeSeconds:          fallTime,
		EnergyFootPounds:     lb * h,
		EnergyJoules:         lb * NewtonsPerPound * hMetres,
		MeanForcePounds:      lb * (h + s) / s,
	}
	verdict := "the mean is under the limit for the peak of 1800 lbf; the peak is higher and is not calculated here"
	if working.Exceeds(r.MeanForcePounds, ArrestForceLimitPounds) {
		verdict = working.Over + ": already the mean is over the limit for the peak of 1800 lbf"
	}
	w := working.Working{
		Formula: "arrest: E = W*h, mean force F = W*(h+s)/s",
		Inputs: []working.Term{
			working.Number("weight of person and tools", "W", in.Weight, string(in.WeightUnit)),
			working.Number("free fall", "h", in.FreeFall, string(in.LengthUnit)),
			working.Number("deceleration distance", "s", in.Deceleration, string(in.LengthUnit)),
		},
		Steps: []working.Term{
			working.NumberUp("speed after the fall, sqrt(2*g*h)", "v", speed, "m/s"),
			working.NumberUp("the same", "v", speed/MetresPerFoot, "ft/s"),
			working.NumberDown("time of the fall, sqrt(2*h/g)", "t", fallTime, "s"),
			working.NumberUp("impact energy", "E", r.EnergyFootPounds, "ft-lbf"),
			working.NumberUp("the same", "E", r.EnergyJoules, "J"),
			working.NumberUp("strength asked of the system, twice the impact energy", "", 2*r.EnergyFootPounds, "ft-lbf"),
		},
		Result: []working.Term{
			working.NumberUp("mean arresting force", "F", r.MeanForcePounds, "lbf"),
			working.NumberUp("the same", "F", r.MeanForcePounds*NewtonsPerPound/1000, "kN"),
			working.Words("against the arresting force limit", verdict),
			working.Compare("free fall", h, FreeFallLimitFeet, "ft"),
			working.Compare("deceleration", s, DecelerationLimitFeet, "ft"),
		},
		Sources: []working.Source{
			{Document: "uniform acceleration, work and energy", Status: working.Computed},
			fallRule("(d)(16)(ii), at most 1,800 lbf on the person in a body harness", working.Confirmed),
			fallRule("(d)(16)(v), twice the impact energy", working.Confirmed),
		},
		Cautions: []string{"The limit of 1,800 lbf (8 kN) is for the peak. The mean force is lower than the peak and cannot show that the limit is kept."},
		LeftOut:  []string{"the peak force", "stretch of harness and line", "air resistance"},
		Defers:   working.DefersFall,
	}
	if working.Exceeds(lb, TestedWeightPounds) {
		w.Cautions = append(w.Cautions, "Person and tools are OVER the 310 lb (140 kg) that the test criteria assume: the maker's rating or a qualified person decides.")
	}
	r.Working = w
	return r, nil
}

// AnchorageInput asks what an anchorage must hold. MaxArrestForce is the largest
// arresting force of the system, from its label, in Unit; Persons is how many
// are attached (1 to 10).
type AnchorageInput struct {
	MaxArrestForce float64
	Unit           LoadUnit
	Persons        int
}

// AnchorageResult is in pounds-force.
type AnchorageResult struct {
	PrescribedPounds  float64 // 5,000 for each person
	CalculatedPounds  float64 // 2 x the arresting force, one person, by a qualified person only
	ForceOverTheLimit bool    // the arresting force entered is over 1,800 lbf
	Working           working.Working
}

// Anchorage returns both ways of the rule: 5,000 lbf for each person attached,
// or, as part of a complete system under a qualified person, twice the maximum
// arresting force of the system. An arresting force over 1,800 lbf is an answer
// (ForceOverTheLimit), not an error.
//
// Errors are Invalid: OUT_OF_RANGE, NOT_A_NUMBER, LOAD_UNIT_UNKNOWN. Source:
// 29 CFR 1926.502(d)(15).
func Anchorage(in AnchorageInput) (AnchorageResult, error) {
	perUnit, err := in.Unit.pounds()
	if err != nil {
		return AnchorageResult{}, err
	}
	if err := LoadDomain.Check("max_arrest_force", in.MaxArrestForce); err != nil {
		return AnchorageResult{}, err
	}
	if in.Persons < 1 || in.Persons > 10 {
		return AnchorageResult{}, errs.Field("OUT_OF_RANGE", "persons", "must be 1 to 10", "value", strconv.Itoa(in.Persons))
	}
	force := in.MaxArrestForce * perUnit
	r := AnchorageResult{
		PrescribedPounds:  AnchoragePounds * float64(in.Persons),
		CalculatedPounds:  AnchorageSafetyFactor * force,
		ForceOverTheLimit: working.Exceeds(force, ArrestForceLimitPounds),
	}
	r.Working = working.Working{
		Formula: "anchorage: 5000 lbf for each person attached, or 2 x the maximum arresting force",
		Inputs: []working.Term{
			working.Number("maximum arresting force of the system", "F", in.MaxArrestForce, string(in.Unit)),
			{Name: "persons attached", Value: strconv.Itoa(in.Persons)},
		},
		Steps: []working.Term{working.NumberUp("arresting force", "F", force, "lbf")},
		Result: []working.Term{
			working.NumberUp("prescribed, for these persons", "", r.PrescribedPounds, "lbf"),
			working.NumberUp("the same", "", r.PrescribedPounds*NewtonsPerPound/1000, "kN"),
			working.NumberUp("by calculation, for one person, only under a qualified person", "2F", r.CalculatedPounds, "lbf"),
			working.NumberUp("the same", "2F", r.CalculatedPounds*NewtonsPerPound/1000, "kN"),
			working.Compare("arresting force on the person", force, ArrestForceLimitPounds, "lbf"),
		},
		Sources: []working.Source{
			fallRule("(d)(15), anchorage", working.Confirmed),
			fallRule("(d)(16)(ii), arresting force", working.Confirmed),
			conversion,
		},
		Cautions: []string{
			"The calculated figure counts only where the anchorage is designed, installed and used under a qualified person as part of a complete system with a factor of two.",
			"An anchorage for persons is apart from any that holds a platform or a load.",
		},
		LeftOut: []string{
			"whether the member of the tower can hold the figure",
			"more than one person on an anchorage that is used by calculation",
			"direction of the pull, edges, corrosion",
		},
		Defers: working.DefersFall,
	}
	return r, nil
}
