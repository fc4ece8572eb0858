package metrology

import (
	"fmt"
	"math"
	"time"

	"witnessmark/internal/errs"
)

// TimedValue is one self-check reading, or one error found at a calibration.
type TimedValue struct {
	At    time.Time
	Value float64
}

// DriftLine is the straight line through a series by least squares.
type DriftLine struct {
	Origin   time.Time // the first reading's time, from which days are counted
	AtOrigin float64   // value of the line there
	PerDay   float64   // slope
	Spread   float64   // standard deviation about the line, n − 2 in the divisor; 0 for two readings
	// PerDayUncertainty is the standard uncertainty of the slope, 0 for two
	// readings, where it is unknown.
	PerDayUncertainty float64
	Count             int
}

// Drift fits a line to 2 to MaxChartPoints readings, in any order, not all at
// the same moment.
//
// Errors are Invalid: CHART_POINTS_COUNT, CHART_POINT_NOT_FINITE, DRIFT_NO_TIME.
func Drift(series []TimedValue) (DriftLine, error) {
	if len(series) < 2 || len(series) > MaxChartPoints {
		return DriftLine{}, errs.Field("CHART_POINTS_COUNT", "series", fmt.Sprintf("a drift takes 2 to %d readings, got %d", MaxChartPoints, len(series)))
	}
	origin := series[0].At
	for i, p := range series {
		if !finite(p.Value) {
			return DriftLine{}, errs.Field("CHART_POINT_NOT_FINITE", fmt.Sprintf("series[%d]", i), "a reading is a finite number, got "+number(p.Value))
		}
		if p.At.Before(origin) {
			origin = p.At
		}
	}
	n := float64(len(series))
	var meanX, meanY float64
	for i, p := range series {
		meanX += (days(p.At, origin) - meanX) / float64(i+1)
		meanY += (p.Value - meanY) / float64(i+1)
	}
	var sxx, sxy float64
	for _, p := range series {
		dx := days(p.At, origin) - meanX
		sxx += dx * dx
		sxy += dx * (p.Value - meanY)
	}
	if sxx == 0 {
		return DriftLine{}, errs.Field("DRIFT_NO_TIME", "series", "all readings were taken at the same moment")
	}
	line := DriftLine{Origin: origin, PerDay: sxy / sxx, Count: len(series)}
	line.AtOrigin = meanY - line.PerDay*meanX
	if len(series) > 2 {
		rest := 0.0
		for _, p := range series {
			d := p.Value - line.At(p.At)
			rest += d * d
		}
		line.Spread = math.Sqrt(rest / (n - 2))
		line.PerDayUncertainty = line.Spread / math.Sqrt(sxx)
	}
	if !finite(line.PerDay) || !finite(line.AtOrigin) || !finite(line.Spread) || !finite(line.PerDayUncertainty) {
		return DriftLine{}, errs.Field("CHART_POINT_NOT_FINITE", "series", "the readings are too far apart to be fitted")
	}
	return line, nil
}

// At returns the value of the line at a moment.
func (l DriftLine) At(t time.Time) float64 { return l.AtOrigin + l.PerDay*days(t, l.Origin) }

// Reaches returns the moment at which the line comes to the bound after the
// origin, or false where it never does within a hundred years.
func (l DriftLine) Reaches(bound float64) (time.Time, bool) {
	d := (bound - l.AtOrigin) / l.PerDay
	if !(d >= 0 && d <= 36_525) { // NaN and infinities too: a level line
		return time.Time{}, false
	}
	return l.Origin.Add(time.Duration(d * 24 * float64(time.Hour))), true
}

func days(t, origin time.Time) float64 { return t.Sub(origin).Hours() / 24 }
