// Package weather judges wind, cold, heat and lightning for work on a tower: the
// indices that weather services publish, the limits that trade and law give, and
// how old a reading may be. Times are arguments; it has no I/O and no clock.
package weather

import (
	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Exact conversions: international mile and foot, nautical mile.
const (
	MetresPerSecondPerMPH  = 0.44704
	MetresPerSecondPerKnot = 1852.0 / 3600
	MetresPerSecondPerKMH  = 1 / 3.6
	KilometresPerMile      = 1.609344
	MetresPerFoot          = 0.3048
)

// SpeedUnit is the unit that a wind speed is entered in.
type SpeedUnit string

// The units of a wind speed.
const (
	MPH             SpeedUnit = "mph"
	Knot            SpeedUnit = "kn"
	MetresPerSecond SpeedUnit = "m/s"
	KMH             SpeedUnit = "km/h"
)

// SpeedUnits lists the units in the order a form shows them.
func SpeedUnits() []SpeedUnit { return []SpeedUnit{MPH, Knot, MetresPerSecond, KMH} }

// PerSecond converts v from u to metres per second. The error is Invalid, reason
// SPEED_UNIT_UNKNOWN.
func (u SpeedUnit) PerSecond(v float64) (metresPerSecond float64, err error) {
	k, err := u.factor()
	return v * k, err
}

// From converts metres per second to u. The error is Invalid, reason
// SPEED_UNIT_UNKNOWN.
func (u SpeedUnit) From(metresPerSecond float64) (float64, error) {
	k, err := u.factor()
	if err != nil {
		return 0, err
	}
	return metresPerSecond / k, nil
}

func (u SpeedUnit) factor() (float64, error) {
	switch u {
	case MPH:
		return MetresPerSecondPerMPH, nil
	case Knot:
		return MetresPerSecondPerKnot, nil
	case MetresPerSecond:
		return 1, nil
	case KMH:
		return MetresPerSecondPerKMH, nil
	}
	return 0, errs.Field("SPEED_UNIT_UNKNOWN", "unit", "must be one of mph, kn, m/s, km/h", "unit", string(u))
}

// FahrenheitFromCelsius and CelsiusFromFahrenheit convert temperatures.
func FahrenheitFromCelsius(c float64) float64 { return c*9/5 + 32 }

// CelsiusFromFahrenheit is the inverse of FahrenheitFromCelsius.
func CelsiusFromFahrenheit(f float64) float64 { return (f - 32) * 5 / 9 }

// Domains of the inputs. Where no publication gives an end, the end is a bound of
// this program beyond what was ever measured on the ground.
var (
	ChillFahrenheit = working.Domain{Min: -130, Max: 50, Unit: "F"} // the upper end from memory
	ChillCelsius    = working.Domain{Min: -90, Max: 10, Unit: "C"}
	ChillMPH        = working.Domain{Min: 3, MinOpen: true, Max: 250, Unit: "mph"}
	ChillKMH        = working.Domain{Min: 3 * KilometresPerMile, MinOpen: true, Max: 400, Unit: "km/h"}
	HeatFahrenheit  = working.Domain{Min: 40, Max: 130, Unit: "F"}
	HeatCelsius     = working.Domain{Min: 4.5, Max: 54.4, Unit: "C"} // inside 40 to 130 F
	Humidity        = working.Domain{Min: 0, Max: 100, Unit: "%"}
	Speed           = working.Domain{Min: 0, Max: 500}
	HeightMetres    = working.Domain{Min: 0.1, Max: 1000, Unit: "m"}
	Exponent        = working.Domain{Min: 0, Max: 1}
	Area            = working.Domain{Min: 0, Max: 100_000, Unit: "ft2"}
	DragFactor      = working.Domain{Min: 0, Max: 10}
	FlashSeconds    = working.Domain{Min: 0, Max: 300, Unit: "s"}
)

func nws(what string, status working.Status) working.Source {
	return working.Source{Document: "US National Weather Service", Clause: what, Status: status}
}
