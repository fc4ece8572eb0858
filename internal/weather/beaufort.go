package weather

import (
	"math"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Force is one row of the Beaufort table. Both ends belong to it and are whole
// numbers; an upper end of 0 means that the table prints none for the row.
type Force struct {
	Number           int
	MPHFrom, MPHTo   float64 // whole mph
	KnotFrom, KnotTo float64 // whole knots
	Sign             string  // on land
}

// Beaufort returns the table of the US National Weather Service.
func Beaufort() []Force {
	return []Force{
		{0, 0, 0, 0, 0, "smoke rises straight"},
		{1, 1, 3, 1, 3, "smoke drifts"},
		{2, 4, 7, 4, 6, "felt on the face"},
		{3, 8, 12, 7, 10, "leaves move, light flag extends"},
		{4, 13, 18, 11, 16, "dust, small branches"},
		{5, 19, 24, 17, 21, "small trees sway"},
		{6, 25, 31, 22, 27, "large branches, wires whistle"},
		{7, 32, 38, 28, 33, "whole trees move"},
		{8, 39, 46, 34, 40, "twigs break"},
		{9, 47, 54, 41, 47, "slight damage"},
		{10, 55, 63, 48, 55, "trees uprooted"},
		{11, 64, 73, 56, 63, "widespread damage"},
		{12, 74, 0, 64, 0, "hurricane"},
	}
}

// ForceResult is one row with its working.
type ForceResult struct {
	Force   Force
	Working working.Working
}

// ForceOf classifies a wind by the table: mph by its mph column, any other unit by
// its column in knots. Under 1 is Force 0; else the speed is rounded to the whole
// number that the table is written in, a half upwards.
//
// Errors: Invalid SPEED_UNIT_UNKNOWN, OUT_OF_RANGE, NOT_A_NUMBER. Source: NWS
// table.
func ForceOf(speed float64, unit SpeedUnit) (ForceResult, error) {
	if err := Speed.Check("speed", speed); err != nil {
		return ForceResult{}, err
	}
	column, v := Knot, speed
	switch unit {
	case MPH:
		column = MPH
	case Knot:
	default:
		ms, err := unit.PerSecond(speed)
		if err != nil {
			return ForceResult{}, err
		}
		v = ms / MetresPerSecondPerKnot
	}
	whole := math.Floor(v + 0.5)
	if v < 1 {
		whole = 0
	}
	table := Beaufort()
	f := table[0]
	for _, row := range table {
		from := row.KnotFrom
		if column == MPH {
			from = row.MPHFrom
		}
		if whole >= from {
			f = row
		}
	}
	w := working.Working{
		Formula: "Beaufort force by the table",
		Inputs:  []working.Term{working.Number("wind", "", speed, string(unit))},
		Steps:   []working.Term{working.Number("in the table's column", "", whole, string(column))},
		Result: []working.Term{
			{Name: "force", Value: strconv.Itoa(f.Number)},
			working.Words("sign on land", f.Sign),
		},
		Sources:  []working.Source{nws("Beaufort table", working.Confirmed)},
		Cautions: []string{"A force seen from the ground is not the wind at work height."},
		LeftOut:  []string{"gusts", "height"},
		Defers:   working.DefersWeather,
	}
	if column == MPH && whole == 73 {
		w.Cautions = append(w.Cautions, "Other tables end Force 11 at 72 mph and begin Force 12 at 73.")
	}
	return ForceResult{Force: f, Working: w}, nil
}

// ForceSpeed returns 0.836·B^1.5 m/s, the middle of the band of force B (0 to
// 12); winds are classified by the table, not by it.
//
// Errors: Invalid OUT_OF_RANGE. Source: from memory.
func ForceSpeed(force int) (metresPerSecond float64, err error) {
	if force < 0 || force > 12 {
		return 0, errs.Field("OUT_OF_RANGE", "force", "must be 0 to 12", "value", strconv.Itoa(force))
	}
	b := float64(force)
	return 0.836 * b * math.Sqrt(b), nil
}
