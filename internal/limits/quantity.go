package limits

import (
	"slices"

	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Short names of the units, as the record writes them.
const (
	newtonMeters   = recordv1.Measure_NEWTON_METERS
	decibels       = recordv1.Measure_DECIBELS
	decibelCarrier = recordv1.Measure_DECIBELS_CARRIER
	decibelMilli   = recordv1.Measure_DECIBEL_MILLIWATTS
	ratio          = recordv1.Measure_RATIO
)

var (
	torqueUnits = []recordv1.Measure_Unit{newtonMeters, recordv1.Measure_FOOT_POUNDS, recordv1.Measure_INCH_POUNDS, recordv1.Measure_KILOGRAM_FORCE_METERS}
	lengthUnits = []recordv1.Measure_Unit{recordv1.Measure_METERS, recordv1.Measure_FEET, recordv1.Measure_KILOMETERS, recordv1.Measure_MILLIMETERS, recordv1.Measure_INCHES, recordv1.Measure_MICROMETERS, recordv1.Measure_NANOMETERS}
	speedUnits  = []recordv1.Measure_Unit{recordv1.Measure_METERS_PER_SECOND, recordv1.Measure_KILOMETERS_PER_HOUR, recordv1.Measure_MILES_PER_HOUR, recordv1.Measure_KNOTS}
	degreeUnits = []recordv1.Measure_Unit{recordv1.Measure_CELSIUS, recordv1.Measure_FAHRENHEIT}
	loadUnits   = []recordv1.Measure_Unit{recordv1.Measure_KILOGRAMS, recordv1.Measure_POUNDS, recordv1.Measure_NEWTONS, recordv1.Measure_KILONEWTONS, recordv1.Measure_POUNDS_FORCE}
	matchUnits  = []recordv1.Measure_Unit{decibels, ratio}
	dB          = []recordv1.Measure_Unit{decibels}
)

// quantityUnits are the units that each quantity may be given in. A return loss
// in RATIO is a standing-wave ratio, and the other way round: the two are one
// thing in two forms.
var quantityUnits = map[recordv1.Quantity][]recordv1.Measure_Unit{
	recordv1.Quantity_RETURN_LOSS:         matchUnits,
	recordv1.Quantity_STANDING_WAVE_RATIO: {ratio, decibels},
	recordv1.Quantity_INTERMODULATION:     {decibelCarrier, decibelMilli},
	recordv1.Quantity_LINE_LOSS:           dB,
	recordv1.Quantity_DISTANCE_TO_FAULT:   lengthUnits,
	recordv1.Quantity_FIBRE_LOSS:          dB,
	recordv1.Quantity_OPTICAL_RETURN_LOSS: dB,
	recordv1.Quantity_OPTICAL_POWER:       {decibelMilli},
	recordv1.Quantity_TORQUE:              torqueUnits,
	recordv1.Quantity_WIND_SPEED:          speedUnits,
	recordv1.Quantity_TEMPERATURE:         degreeUnits,
	recordv1.Quantity_HUMIDITY:            {recordv1.Measure_PERCENT},
	recordv1.Quantity_HEAT_INDEX:          degreeUnits,
	recordv1.Quantity_WIND_CHILL:          degreeUnits,
	recordv1.Quantity_POWER_DENSITY:       {recordv1.Measure_WATTS_PER_SQUARE_METER, recordv1.Measure_MILLIWATTS_PER_SQUARE_CENTIMETER},
	recordv1.Quantity_STAND_OFF:           lengthUnits,
	recordv1.Quantity_FALL_CLEARANCE:      lengthUnits,
	recordv1.Quantity_LIFT_LOAD:           loadUnits,
	recordv1.Quantity_RIGGING_LOAD:        loadUnits,
	recordv1.Quantity_LENGTH:              lengthUnits,
	recordv1.Quantity_NUMBER:              {recordv1.Measure_COUNT, recordv1.Measure_PERCENT, ratio},
	recordv1.Quantity_ELAPSED:             {recordv1.Measure_MINUTES, recordv1.Measure_SECONDS},
}

// UnitsFor lists the units that a quantity may be given in, the usual one
// first; nil for a quantity that is not in the list.
func UnitsFor(q recordv1.Quantity) []recordv1.Measure_Unit { return slices.Clone(quantityUnits[q]) }

// UnitFits reports whether a value of quantity q may be given in unit u.
func UnitFits(q recordv1.Quantity, u recordv1.Measure_Unit) bool {
	return slices.Contains(quantityUnits[q], u)
}

// RuleFits reports whether a limit of quantity q may be decided by rule. The
// residual belongs to intermodulation, the directivity to return loss and
// standing-wave ratio, the tool class to torque; simple and guarded fit all.
func RuleFits(q recordv1.Quantity, rule recordv1.Limit_Decision_Rule) bool {
	switch rule {
	case recordv1.Limit_Decision_RESIDUAL:
		return q == recordv1.Quantity_INTERMODULATION
	case recordv1.Limit_Decision_DIRECTIVITY:
		return q == recordv1.Quantity_RETURN_LOSS || q == recordv1.Quantity_STANDING_WAVE_RATIO
	case recordv1.Limit_Decision_TOOL_CLASS:
		return q == recordv1.Quantity_TORQUE
	}
	return true
}

// unitOf is the unit of package units for a unit of the record.
func unitOf(u recordv1.Measure_Unit) units.Unit {
	if u == decibelMilli {
		return units.UnitDecibelsMilliwatt
	}
	return units.Unit(u.String())
}

// weight is the force under one kilogram at standard gravity, N.
const weight = units.StandardGravity

// convert gives value, in unit from, in unit to. Besides the units of one
// dimension it knows a mass as the weight that it is at standard gravity.
//
// Errors are Invalid, those of units.Convert.
func convert(value float64, from, to recordv1.Measure_Unit) (float64, error) {
	if from == to {
		return value, nil
	}
	f, t := unitOf(from), unitOf(to)
	switch {
	case f.Dimension() == units.Mass && t.Dimension() == units.Force:
		kg, err := units.Convert(value, f, units.UnitKilograms)
		if err != nil {
			return 0, err
		}
		return units.Convert(kg*weight, units.UnitNewtons, t)
	case f.Dimension() == units.Force && t.Dimension() == units.Mass:
		n, err := units.Convert(value, f, units.UnitNewtons)
		if err != nil {
			return 0, err
		}
		return units.Convert(n/weight, units.UnitKilograms, t)
	}
	return units.Convert(value, f, t)
}

// Symbol is the printed form of a unit of the record: "N·m"; empty for ratios
// and counts.
func Symbol(u recordv1.Measure_Unit) string { return unitOf(u).Symbol() }
