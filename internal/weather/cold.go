package weather

import (
	"math"

	"witnessmark/internal/working"
)

// FrostbiteFahrenheit is the wind chill from about which exposed skin freezes in
// 30 minutes or less.
const FrostbiteFahrenheit = -18.0

// ChillResult is a wind chill in both units. Frostbite says that it is at or
// below FrostbiteFahrenheit.
type ChillResult struct {
	Fahrenheit float64
	Celsius    float64
	Frostbite  bool
	Working    working.Working
}

// WindChillFahrenheit returns 35.74 + 0.6215·T − 35.75·V^0.16 + 0.4275·T·V^0.16
// for T in °F (−130 to 50) and V in mph (over 3, at 33 ft).
//
// Errors: Invalid OUT_OF_RANGE (too warm or too little wind for the formula),
// NOT_A_NUMBER. Source: US National Weather Service, 2001.
func WindChillFahrenheit(temperatureF, windMPH float64) (ChillResult, error) {
	if err := ChillFahrenheit.Check("temperature", temperatureF); err != nil {
		return ChillResult{}, err
	}
	if err := ChillMPH.Check("wind", windMPH); err != nil {
		return ChillResult{}, err
	}
	p := math.Pow(windMPH, 0.16)
	f := 35.74 + 0.6215*temperatureF - 35.75*p + 0.4275*temperatureF*p
	return chill("wind chill: 35.74 + 0.6215*T - 35.75*V^0.16 + 0.4275*T*V^0.16, F and mph",
		[]working.Term{
			working.Number("air temperature", "T", temperatureF, "F"),
			working.Number("wind at 33 ft (10 m)", "V", windMPH, "mph"),
		}, p, f, CelsiusFromFahrenheit(f)), nil
}

// WindChillCelsius returns 13.12 + 0.6215·T − 11.37·V^0.16 + 0.3965·T·V^0.16 for
// T in °C (−90 to 10) and V in km/h (over 4.828, at 10 m). It is the published
// metric form; it differs from the other by its rounded coefficients, under
// 0.1 °C over the chart.
//
// Errors and source as WindChillFahrenheit.
func WindChillCelsius(temperatureC, windKMH float64) (ChillResult, error) {
	if err := ChillCelsius.Check("temperature", temperatureC); err != nil {
		return ChillResult{}, err
	}
	if err := ChillKMH.Check("wind", windKMH); err != nil {
		return ChillResult{}, err
	}
	p := math.Pow(windKMH, 0.16)
	c := 13.12 + 0.6215*temperatureC - 11.37*p + 0.3965*temperatureC*p
	return chill("wind chill: 13.12 + 0.6215*T - 11.37*V^0.16 + 0.3965*T*V^0.16, C and km/h",
		[]working.Term{
			working.Number("air temperature", "T", temperatureC, "C"),
			working.Number("wind at 33 ft (10 m)", "V", windKMH, "km/h"),
		}, p, FahrenheitFromCelsius(c), c), nil
}

func chill(formula string, inputs []working.Term, p, f, c float64) ChillResult {
	r := ChillResult{Fahrenheit: f, Celsius: c, Frostbite: f <= FrostbiteFahrenheit}
	words := "above the wind chill from which exposed skin freezes in 30 minutes (about -18 F)"
	if r.Frostbite {
		words = "EXPOSED SKIN CAN FREEZE IN 30 MINUTES OR LESS (wind chill about -18 F or under)"
	}
	r.Working = working.Working{
		Formula: formula,
		Inputs:  inputs,
		Steps:   []working.Term{working.Number("V^0.16", "", p, "")},
		Result: []working.Term{
			working.Number("wind chill", "", f, "F"),
			working.Number("the same", "", c, "C"),
			working.Words("frostbite", words),
		},
		Sources: []working.Source{
			{Document: "US National Weather Service", Clause: "wind chill formula and chart", Year: 2001, Status: working.Confirmed},
			nws("valid up to 50 F", working.FromMemory),
		},
		Cautions: []string{
			"Wind at work height is higher than at 33 ft, and wet skin or clothes cool faster.",
			"Bare metal takes skin at any wind chill under freezing.",
		},
		LeftOut: []string{"sun", "wet clothing", "clothing, work rate and health of the person"},
		Defers:  working.DefersWeather,
	}
	return r
}
