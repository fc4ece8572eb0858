package weather

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Branch says which step of the heat-index method gave the figure.
type Branch string

// The branches of the method.
const (
	Simple      Branch = "simple formula"
	Regression  Branch = "regression"
	LowHumidity Branch = "regression less the low-humidity step"
	HighHumid   Branch = "regression plus the high-humidity step"
)

// Categories names one published set of heat categories. They differ, so an
// answer names its set.
type Categories string

const (
	// OlderChart: caution from 80 F, extreme caution 90, danger 105, extreme
	// danger 130.
	OlderChart Categories = "older chart"
	// NewerWording: danger from 103 F, extreme danger 125; it names nothing
	// lower that this program holds.
	NewerWording Categories = "newer wording"
)

// CategorySets lists both sets.
func CategorySets() []Categories { return []Categories{OlderChart, NewerWording} }

// DefaultHeatLimitFahrenheit is where the program holds by default: danger by the
// newer wording (common practice, the employer decides).
const DefaultHeatLimitFahrenheit = 103.0

// Triggers of the heat rule that OSHA proposed on 30 August 2024 (not final): at
// the high one a paid 15 minute break at least every two hours.
const (
	FirstHeatTriggerFahrenheit = 80.0
	HighHeatTriggerFahrenheit  = 90.0
)

// Category returns the name of a heat index in °F by this set. The index is
// rounded to whole degrees first, as the charts print it; where two bands share a
// degree the worse counts.
//
// The error is Invalid, reason CATEGORY_SET_MISSING: the sets differ, one must be
// named.
func (c Categories) Category(indexF float64) (string, error) {
	h := math.Floor(indexF + 0.5)
	switch c {
	case OlderChart:
		switch {
		case h >= 130:
			return "extreme danger", nil
		case h >= 105:
			return "danger", nil
		case h >= 90:
			return "extreme caution", nil
		case h >= 80:
			return "caution", nil
		}
		return "below the categories of the chart", nil
	case NewerWording:
		switch {
		case h >= 125:
			return "extreme danger", nil
		case h >= 103:
			return "danger", nil
		}
		return "below danger", nil
	}
	return "", errs.Field("CATEGORY_SET_MISSING", "categories", "must name the set, older chart or newer wording: they differ", "categories", string(c))
}

// HeatResult is a heat index in both units. Plain is the regression without the
// adjustments and without the simple branch: what printed charts show.
type HeatResult struct {
	Fahrenheit float64
	Celsius    float64
	Plain      float64 // °F
	Branch     Branch
	Category   string // by the set asked for
	OverLimit  bool   // at or over DefaultHeatLimitFahrenheit, rounded to whole degrees
	Working    working.Working
}

// HeatIndexFahrenheit returns the heat index of air at T °F (40 to 130) and RH %
// (0 to 100) by the full method: the simple formula where its mean with T stays
// under 80, else the regression with its low- and high-humidity steps.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER, CATEGORY_SET_MISSING. Source: NWS
// Weather Prediction Center, heat index equation page; regression of Rothfusz, SR
// 90-23, 1990.
func HeatIndexFahrenheit(temperatureF, humidityPercent float64, set Categories) (HeatResult, error) {
	if err := HeatFahrenheit.Check("temperature", temperatureF); err != nil {
		return HeatResult{}, err
	}
	return heat(temperatureF, humidityPercent, set, working.Number("air temperature in the shade", "T", temperatureF, "F"))
}

// HeatIndexCelsius is HeatIndexFahrenheit for a temperature in °C (4.5 to 54.4),
// which is converted first: the method exists in °F only.
func HeatIndexCelsius(temperatureC, humidityPercent float64, set Categories) (HeatResult, error) {
	if err := HeatCelsius.Check("temperature", temperatureC); err != nil {
		return HeatResult{}, err
	}
	return heat(FahrenheitFromCelsius(temperatureC), humidityPercent, set, working.Number("air temperature in the shade", "T", temperatureC, "C"))
}

// plainRegression is the regression of Rothfusz, °F and %.
func plainRegression(t, rh float64) float64 {
	return -42.379 + 2.04901523*t + 10.14333127*rh - 0.22475541*t*rh -
		0.00683783*t*t - 0.05481717*rh*rh +
		0.00122874*t*t*rh + 0.00085282*t*rh*rh - 0.00000199*t*t*rh*rh
}

func heat(t, rh float64, set Categories, entered working.Term) (HeatResult, error) {
	if err := Humidity.Check("humidity", rh); err != nil {
		return HeatResult{}, err
	}
	simple := 0.5 * (t + 61 + (t-68)*1.2 + 0.094*rh)
	mean := (simple + t) / 2
	r := HeatResult{Fahrenheit: mean, Plain: plainRegression(t, rh), Branch: Simple}
	steps := []working.Term{
		working.Number("temperature", "T", t, "F"),
		working.Number("simple formula, 0.5*(T + 61 + (T-68)*1.2 + 0.094*RH)", "", simple, "F"),
		working.Number("its mean with T; used when under 80", "", mean, "F"),
		working.Number("plain regression, as charts print it", "", r.Plain, "F"),
	}
	if mean >= 80 {
		r.Fahrenheit, r.Branch = r.Plain, Regression
		switch {
		case rh < 13 && t >= 80 && t <= 112:
			// |T−95| is at most 17 here, so the root is real.
			a := (13 - rh) / 4 * math.Sqrt((17-math.Abs(t-95))/17)
			r.Fahrenheit, r.Branch = r.Plain-a, LowHumidity
			steps = append(steps, working.Number("low-humidity step, taken off", "", a, "F"))
		case rh > 85 && t >= 80 && t <= 87:
			a := (rh - 85) / 10 * (87 - t) / 5
			r.Fahrenheit, r.Branch = r.Plain+a, HighHumid
			steps = append(steps, working.Number("high-humidity step, added", "", a, "F"))
		}
	}
	var err error
	if r.Category, err = set.Category(r.Fahrenheit); err != nil {
		return HeatResult{}, err
	}
	r.Celsius = CelsiusFromFahrenheit(r.Fahrenheit)
	whole := math.Floor(r.Fahrenheit + 0.5)
	r.OverLimit = whole >= DefaultHeatLimitFahrenheit
	limit := "under the program's default of 103 F, as entered"
	if r.OverLimit {
		limit = "AT OR OVER THE LIMIT: the program's default is 103 F"
	}
	trigger := "below the first trigger of the proposed rule (80 F)"
	switch {
	case whole >= HighHeatTriggerFahrenheit:
		trigger = "at or over the high trigger of the proposed rule (90 F: a paid 15 minute break at least every two hours)"
	case whole >= FirstHeatTriggerFahrenheit:
		trigger = "at or over the first trigger of the proposed rule (80 F)"
	}
	r.Working = working.Working{
		Formula: "heat index, full method: simple formula, regression, low- and high-humidity steps",
		Inputs:  []working.Term{entered, working.Number("relative humidity", "RH", rh, "%")},
		Steps:   append(steps, working.Words("step that gave the figure", string(r.Branch))),
		Result: []working.Term{
			working.Number("heat index", "HI", r.Fahrenheit, "F"),
			working.Number("the same", "HI", r.Celsius, "C"),
			working.Words("category by the "+string(set), r.Category),
			working.Words("against the default limit", limit),
			working.Words("proposed heat rule", trigger),
		},
		Sources: []working.Source{
			{Document: "NWS Weather Prediction Center, heat index equation page; regression of Rothfusz, SR 90-23", Year: 1990, Status: working.Confirmed},
			nws("categories, "+string(set), working.Confirmed),
			{Document: "OSHA proposed heat rule, published 30 August 2024, not final", Status: working.Confirmed},
			{Document: "default limit of 103 F (danger, newer wording); the employer decides", Status: working.CommonPractice},
		},
		Cautions: []string{
			"The index is for shade; full sun can add up to 15 F.",
			"Printed charts show the plain regression: above 85 % humidity they read 1 to 2 F lower than the full method.",
			"New workers and people back from leave get used to heat over days: they start with less.",
		},
		LeftOut: []string{"sun", "harness, clothing and work rate", "health of the person, water"},
		Defers:  working.DefersWeather,
	}
	if t > 110 || rh < 40 && mean >= 80 {
		r.Working.Cautions = append(r.Working.Cautions, "The pair lies outside the printed chart (80 to 110 F, 40 to 100 %): the regression is stretched there.")
	}
	return r, nil
}
