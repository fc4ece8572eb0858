package weather

import (
	"math"
	"strconv"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// ReadingHolds is how long a wind reading counts by default; a company may set
// another time.
const ReadingHolds = 60 * time.Minute

// WindKind says whether a figure is a mean or a gust.
type WindKind string

// The kinds of wind figure. Either is for limits that name both.
const (
	Mean   WindKind = "mean"
	Gust   WindKind = "gust"
	Either WindKind = "mean or gust"
)

// WindLimit is one published or customary wind limit, in the unit it is written
// in. High is the upper end where practice gives a range, else equal to Value.
type WindLimit struct {
	Use         string // stable key: "climbing"
	Name        string
	Value, High float64
	Unit        SpeedUnit
	Kind        WindKind
	Where       string // where the wind is read
	Note        string
	Source      working.Source
}

// DefaultWindUse is the limit that the program applies when a company set none:
// 20 knots mean, read at work height, not scaled.
const DefaultWindUse = "climbing"

// WindLimits returns the table of wind limits. No law gives a figure for
// climbing; the employer decides.
func WindLimits() []WindLimit {
	p := func(what string) working.Source {
		return working.Source{Document: what, Status: working.CommonPractice}
	}
	return []WindLimit{
		{"climbing", "climbing", 20, 20, Knot, Mean, "at work height", "Force 5 affects balance; no law gives a figure; the employer decides",
			p("the employer decides; rule of thumb of a work-at-height advisory note on telecom wind speeds")},
		{"climbing-us-crews", "climbing, as many US crews stop", 25, 30, MPH, Mean, "at work height", "sustained", p("many US crews stop at 25 to 30 mph sustained")},
		{"hoisting-large-light", "hoisting large light objects", 15, 20, MPH, Mean, "at the load", "", p("stop at 15 to 20 mph")},
		{"crane-hoisted-people", "people hoisted by crane", 20, 20, MPH, Either, "at the platform", "over it a qualified person decides whether to start or stop",
			working.Source{Document: "29 CFR 1926.1431", Clause: "(k)(8)", Status: working.Confirmed}},
		{"personnel-hoist-city", "personnel hoist on a building site, one city's code", 35, 35, MPH, Mean, "at the hoist", "sustained, 2 minute mean",
			working.Source{Document: "Chicago 14C-10-011", Status: working.Confirmed}},
	}
}

// IceRule is the rule on ice, which has no figure.
func IceRule() (text string, source working.Source) {
	return "ice on the climb path: no climb", working.Source{Status: working.CommonPractice}
}

// WindReading is one reading of the wind as a person took it.
type WindReading struct {
	Speed        float64
	Unit         SpeedUnit
	Kind         WindKind // Mean or Gust
	AtWorkHeight bool     // read where the work is; otherwise it does not count
	HeightMetres float64  // of the instrument, for the record
	At           time.Time
}

// WindResult says how a reading stands to a limit as of a time. Counts is false
// when the reading cannot answer (too old, not at work height); Why says so.
type WindResult struct {
	MetresPerSecond float64
	LimitPerSecond  float64
	Over            bool
	Counts          bool
	Why             string    // empty when it counts
	HoldsUntil      time.Time // the reading's age reaches its bound
	Working         working.Working
}

// Holds reports whether a reading taken at `at` still counts as of asOf: up to
// and including at + holds. One taken after asOf counts (two clocks differ).
func Holds(at, asOf time.Time, holds time.Duration) bool {
	return !asOf.After(at.Add(holds))
}

// CompareWind compares a reading with a limit, as of a time. A reading away from
// work height is not scaled and does not count. A gust within a limit for means
// is within it; a gust over it is over, because the mean is not known.
//
// Errors are Invalid: SPEED_UNIT_UNKNOWN, WIND_KIND_UNKNOWN, KIND_NOT_COMPARABLE
// for a mean against a limit for gusts, TIME_MISSING, HOLDS_OUT_OF_RANGE for a
// duration under one minute or over 24 h, OUT_OF_RANGE, NOT_A_NUMBER.
func CompareWind(r WindReading, l WindLimit, asOf time.Time, holds time.Duration) (WindResult, error) {
	if err := Speed.Check("speed", r.Speed); err != nil {
		return WindResult{}, err
	}
	v, err := r.Unit.PerSecond(r.Speed)
	if err != nil {
		return WindResult{}, err
	}
	if err := Speed.Check("limit", l.Value); err != nil {
		return WindResult{}, err
	}
	lim, err := l.Unit.PerSecond(l.Value)
	if err != nil {
		return WindResult{}, err
	}
	if r.Kind != Mean && r.Kind != Gust {
		return WindResult{}, errs.Field("WIND_KIND_UNKNOWN", "kind", "must say whether the figure is a mean or a gust", "kind", string(r.Kind))
	}
	switch l.Kind {
	case Mean, Either:
	case Gust:
		if r.Kind == Mean {
			return WindResult{}, errs.Field("KIND_NOT_COMPARABLE", "kind", "is a mean and the limit is for gusts: read the gust")
		}
	default:
		return WindResult{}, errs.Field("WIND_KIND_UNKNOWN", "limit", "must be for a mean, a gust or either", "kind", string(l.Kind))
	}
	if err := HeightMetres.Check("height_metres", r.HeightMetres); err != nil {
		return WindResult{}, err
	}
	if r.At.IsZero() || asOf.IsZero() {
		return WindResult{}, errs.Field("TIME_MISSING", "at", "the reading and the comparison must have a time")
	}
	if holds < time.Minute || holds > 24*time.Hour {
		return WindResult{}, errs.Field("HOLDS_OUT_OF_RANGE", "holds", "must be 1 minute to 24 hours", "holds", holds.String())
	}
	out := WindResult{MetresPerSecond: v, LimitPerSecond: lim, Over: working.Exceeds(v, lim), Counts: true, HoldsUntil: r.At.Add(holds)}
	switch {
	case !r.AtWorkHeight:
		out.Counts, out.Why = false, "not read at work height; it is not scaled"
	case !Holds(r.At, asOf, holds):
		out.Counts, out.Why = false, "older than "+strconv.FormatFloat(holds.Minutes(), 'g', 4, 64)+" minutes"
	}
	w := working.Working{
		Formula: "wind reading against a limit, at work height, not scaled",
		Inputs: []working.Term{
			working.Number("wind, "+string(r.Kind), "", r.Speed, string(r.Unit)),
			working.Number("height of the instrument", "", r.HeightMetres, "m"),
			working.Words("read at", clock(r.At)),
			working.Words("as of", clock(asOf)),
			working.Number("limit, "+l.Name+", "+string(l.Kind), "", l.Value, string(l.Unit)),
		},
		Steps: []working.Term{
			working.NumberUp("wind", "", v, "m/s"),
			working.NumberDown("limit", "", lim, "m/s"),
			working.Words("the reading holds until", clock(out.HoldsUntil)),
		},
		Sources:  []working.Source{l.Source},
		Cautions: []string{"No law gives a wind figure for climbing; the employer's plan decides.", "Gusts and turbulence behind the structure are felt before they are read."},
		LeftOut:  []string{"gusts between readings", "ice on the climb path: no climb", "wind on a load being hoisted"},
		Defers:   working.DefersWeather,
	}
	if l.Note != "" {
		w.Cautions = append(w.Cautions, "Limit: "+l.Note+".")
	}
	if r.Kind == Gust && l.Kind == Mean && out.Over {
		w.Cautions = append(w.Cautions, "A gust was compared with a limit for means; the mean is not known and the gust counts.")
	}
	compared := compareSpeed(v, lim)
	if !out.Counts {
		compared = "NOT CHECKED: the reading is " + out.Why
	}
	w.Result = []working.Term{working.Words("wind against the limit", compared)}
	if !out.Counts && out.Over {
		w.Result = append(w.Result, working.Words("for what it is worth", compareSpeed(v, lim)))
	}
	out.Working = w
	return out, nil
}

func compareSpeed(v, lim float64) string {
	verdict := working.Within
	if working.Exceeds(v, lim) {
		verdict = working.Over
	}
	return verdict + ": " + working.NumberUp("", "", v, "").Value + " m/s against " + working.NumberDown("", "", lim, "").Value + " m/s"
}

// ProfileExponent is that of the wind profile over open terrain.
const ProfileExponent = 1.0 / 7

// ProfileResult is in the unit of the input speed.
type ProfileResult struct {
	Speed   float64
	Working working.Working
}

// WindAtHeight returns v·(to/from)^exponent: an estimate of the wind at another
// height over open terrain, both heights in one unit (metres here). It informs; a
// limit is compared with a reading at work height and never with this.
//
// Errors: Invalid SPEED_UNIT_UNKNOWN, OUT_OF_RANGE, NOT_A_NUMBER. Source: power
// law, exponent 1/7 for open terrain.
func WindAtHeight(speed float64, unit SpeedUnit, fromMetres, toMetres, exponent float64) (ProfileResult, error) {
	if _, err := unit.factor(); err != nil {
		return ProfileResult{}, err
	}
	if err := Speed.Check("speed", speed); err != nil {
		return ProfileResult{}, err
	}
	if err := HeightMetres.Check("from_metres", fromMetres); err != nil {
		return ProfileResult{}, err
	}
	if err := HeightMetres.Check("to_metres", toMetres); err != nil {
		return ProfileResult{}, err
	}
	if err := Exponent.Check("exponent", exponent); err != nil {
		return ProfileResult{}, err
	}
	ratio := math.Pow(toMetres/fromMetres, exponent)
	v := speed * ratio
	return ProfileResult{Speed: v, Working: working.Working{
		Formula: "wind profile: v2 = v1*(h2/h1)^exponent",
		Inputs: []working.Term{
			working.Number("wind", "v1", speed, string(unit)),
			working.Number("at height", "h1", fromMetres, "m"),
			working.Number("wanted at height", "h2", toMetres, "m"),
			working.Number("exponent", "", exponent, ""),
		},
		Steps:    []working.Term{working.NumberUp("ratio", "", ratio, "")},
		Result:   []working.Term{working.NumberUp("estimate of the wind", "v2", v, string(unit))},
		Sources:  []working.Source{{Document: "power-law profile, exponent 1/7 for open terrain", Status: working.Computed}},
		Cautions: []string{"An estimate: the limit is compared with a reading at work height, which is not scaled."},
		LeftOut:  []string{"hills, buildings, trees", "gusts", "a calm lower layer at night under strong wind above"},
		Defers:   working.DefersWeather,
	}}, nil
}

// PressureResult is in pounds-force and feet.
type PressureResult struct {
	PoundsPerSqFt float64
	ForcePounds   float64 // 0 when no area was entered
	Working       working.Working
}

// WindPressure returns 0.00256·V² lb/ft² for V in mph, and the force on an area
// (ft²) with a drag factor.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: constant from ASCE 7 (from
// memory).
func WindPressure(windMPH, areaSqFt, dragFactor float64) (PressureResult, error) {
	if err := Speed.Check("wind", windMPH); err != nil {
		return PressureResult{}, err
	}
	if err := Area.Check("area", areaSqFt); err != nil {
		return PressureResult{}, err
	}
	if err := DragFactor.Check("drag_factor", dragFactor); err != nil {
		return PressureResult{}, err
	}
	p := 0.00256 * windMPH * windMPH
	r := PressureResult{PoundsPerSqFt: p, ForcePounds: p * areaSqFt * dragFactor}
	r.Working = working.Working{
		Formula: "wind pressure: 0.00256*V^2 lb/ft2, force = pressure * area * drag factor",
		Inputs: []working.Term{
			working.Number("wind", "V", windMPH, "mph"),
			working.Number("area", "", areaSqFt, "ft2"),
			working.Number("drag factor", "", dragFactor, ""),
		},
		Steps:    []working.Term{working.NumberUp("pressure", "", p, "lb/ft2")},
		Result:   []working.Term{working.NumberUp("force", "", r.ForcePounds, "lbf")},
		Sources:  []working.Source{{Document: "ASCE 7", Clause: "constant 0.00256", Status: working.FromMemory}},
		Cautions: []string{"For judging a hoisted load by feel, never for the design of a structure."},
		LeftOut:  []string{"gusts", "height, terrain and air density", "swing of the load"},
		Defers:   working.DefersWeather,
	}
	return r, nil
}
