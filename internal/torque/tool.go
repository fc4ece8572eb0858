package torque

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// MaxNewtonMeters bounds every torque that is taken.
const MaxNewtonMeters = 10_000

// ToolType is how a hand torque tool works (ISO 6789).
type ToolType string

// The types.
const (
	Indicating ToolType = "indicating" // type I: shows the torque
	Setting    ToolType = "setting"    // type II: clicks or slips at a set torque
)

// ToolClass is the class of a hand torque tool: type, and letter A to G for
// setting tools, A to E for indicating ones.
type ToolClass struct {
	Type   ToolType
	Letter string
}

// PermissibleDeviation returns the largest deviation, in percent of the
// reference, that a tool of the class may show, and where that comes from. For
// most classes it depends on the tool's own maximum: 4 % over 10 N·m, 6 % to
// 10 N·m. Screwdrivers, bars and flexion tools have 6 % throughout.
//
// Errors are Invalid: TOOL_CLASS_UNKNOWN, TORQUE_OUT_OF_RANGE.
//
// From ISO 6789-1:2017; the split of class A was read in an open text, the
// other classes are from memory.
func PermissibleDeviation(c ToolClass, maximum units.NewtonMeters) (units.Percent, working.Source, error) {
	if err := torqueIn("maximum", maximum); err != nil {
		return 0, working.Source{}, err
	}
	src := working.Source{Document: "ISO 6789-1", Year: 2017, Status: working.FromMemory}
	byMaximum := units.Percent(4)
	if maximum <= 10 {
		byMaximum = 6
	}
	switch {
	case c == ToolClass{Setting, "A"}:
		src.Status = working.Confirmed
		return byMaximum, src, nil
	case c.Type == Setting && (c.Letter == "B" || c.Letter == "C"),
		c.Type == Indicating && (c.Letter == "B" || c.Letter == "C" || c.Letter == "E"):
		return byMaximum, src, nil
	case c.Type == Setting && (c.Letter == "D" || c.Letter == "E" || c.Letter == "F" || c.Letter == "G"),
		c.Type == Indicating && (c.Letter == "A" || c.Letter == "D"):
		return 6, src, nil
	}
	return 0, working.Source{}, errs.Field("TOOL_CLASS_UNKNOWN", "class",
		fmt.Sprintf("%q class %q is not a class of hand torque tool: setting A to G, indicating A to E", c.Type, c.Letter))
}

// RelativeDeviation returns how far a tool is off, in percent of the reference:
// (shown − reference)·100/reference, both over 0.
//
// The error is Invalid, TORQUE_OUT_OF_RANGE.
//
// From ISO 6789-1:2017 (form from memory).
func RelativeDeviation(shown, reference units.NewtonMeters) (units.Percent, error) {
	if err := torqueIn("shown", shown); err != nil {
		return 0, err
	}
	if err := torqueIn("reference", reference); err != nil {
		return 0, err
	}
	d := float64(shown-reference) * 100 / float64(reference)
	if math.IsInf(d, 0) {
		return 0, errs.Field("TORQUE_OUT_OF_RANGE", "reference", "too small beside what the tool shows")
	}
	return units.Percent(d), nil
}

// WithinDeviation reports whether a deviation, of either sign, is permitted;
// one exactly at the limit is.
func WithinDeviation(deviation, permitted units.Percent) bool {
	return metrology.Rounded(math.Abs(float64(deviation))) <= metrology.Rounded(float64(permitted))
}

// Delivered returns the torque that a tool inside its permitted deviation gives
// when set to set: from set/(1 + p/100) to set/(1 − p/100), because the
// deviation is taken on the reference. The field shortcut set·(1 ∓ p/100) is a
// little different. p is from 0 to under 100.
//
// Errors are Invalid: TORQUE_OUT_OF_RANGE, DEVIATION_OUT_OF_RANGE.
func Delivered(set units.NewtonMeters, p units.Percent) (Range, error) {
	if err := torqueIn("set", set); err != nil {
		return Range{}, err
	}
	if !(p >= 0 && p < 100) {
		return Range{}, errs.Field("DEVIATION_OUT_OF_RANGE", "deviation", "a permitted deviation is from 0 to under 100 percent, got "+plain(float64(p)))
	}
	return Range{
		Low:  units.NewtonMeters(float64(set) / (1 + float64(p)/100)),
		High: units.NewtonMeters(float64(set) / (1 - float64(p)/100)),
	}, nil
}

// Edition is an edition of the calibration rules for hand torque tools.
type Edition int

// The editions, by year. They differ in the first test point.
const (
	ISO6789of2003 Edition = 2003
	ISO6789of2017 Edition = 2017
)

// TestPoints returns the three torques at which an adjustable tool is
// calibrated: the lowest marked value (in 2003: 20 % of the maximum), 60 % and
// 100 % of the maximum.
//
// Errors are Invalid: TORQUE_OUT_OF_RANGE, also when the lowest value is over
// 60 % of the maximum; EDITION_UNKNOWN.
func TestPoints(e Edition, lowestMarked, maximum units.NewtonMeters) ([3]units.NewtonMeters, error) {
	if err := torqueIn("maximum", maximum); err != nil {
		return [3]units.NewtonMeters{}, err
	}
	first := lowestMarked
	switch e {
	case ISO6789of2003:
		first = maximum * 0.2
	case ISO6789of2017:
		if err := torqueIn("lowestMarked", lowestMarked); err != nil {
			return [3]units.NewtonMeters{}, err
		}
	default:
		return [3]units.NewtonMeters{}, errs.Field("EDITION_UNKNOWN", "edition", strconv.Itoa(int(e))+" is not an edition held here; use 2003 or 2017")
	}
	if first > maximum*0.6 {
		return [3]units.NewtonMeters{}, errs.Field("TORQUE_OUT_OF_RANGE", "lowestMarked", "the lowest marked value lies over 60 percent of the maximum")
	}
	return [3]units.NewtonMeters{first, maximum * 0.6, maximum}, nil
}

// Recalibration intervals of ISO 6789-2:2017 for a user without a procedure of
// his own, whichever comes first; his own control procedure takes precedence.
const (
	CalibrationMonths = 12
	CalibrationCycles = 5000
)

// CalibrationState is the state of a torque tool at one moment.
type CalibrationState struct {
	metrology.CalibrationState
	CyclesLeft int // 0 when used up
}

// Calibration returns the state of a tool at the instant at: out of date after
// the anniversary day of the start (the calibration, or the first use after it)
// has ended in the site's zone, or from the 5000th cycle on.
//
// Errors are Invalid: CYCLES_OUT_OF_RANGE for a negative count, and those of
// metrology.Calibration.
func Calibration(start metrology.Date, cycles int, at time.Time, site *time.Location) (CalibrationState, error) {
	if cycles < 0 {
		return CalibrationState{}, errs.Field("CYCLES_OUT_OF_RANGE", "cycles", "a count of cycles is 0 or more, got "+strconv.Itoa(cycles))
	}
	s, err := metrology.Calibration(start, metrology.CalibrationInterval{Months: CalibrationMonths}, at, site)
	if err != nil {
		return CalibrationState{}, err
	}
	out := CalibrationState{CalibrationState: s, CyclesLeft: max(0, CalibrationCycles-cycles)}
	if out.CyclesLeft == 0 && s.Status == metrology.InDate {
		out.Status = metrology.OutOfDate
	}
	return out, nil
}

// ToolEvents are what a tool has gone through since its calibration.
type ToolEvents struct {
	Dropped, Repaired bool
	Highest           units.NewtonMeters // largest torque it was pulled to; 0 when not known
}

// RecalibrateEarly reports, with the reasons in words, whether a tool must be
// recalibrated before it is due: after a drop, a repair, or a pull of more than
// 25 % over its maximum.
//
// The error is Invalid, TORQUE_OUT_OF_RANGE.
//
// From open texts on ISO 6789-2:2017.
func RecalibrateEarly(maximum units.NewtonMeters, e ToolEvents) ([]string, error) {
	if err := torqueIn("maximum", maximum); err != nil {
		return nil, err
	}
	if !(e.Highest >= 0 && e.Highest <= MaxNewtonMeters) {
		return nil, errs.Field("TORQUE_OUT_OF_RANGE", "highest", fmt.Sprintf("a torque is from 0 to %d N·m, got %s", MaxNewtonMeters, plain(float64(e.Highest))))
	}
	var why []string
	if e.Dropped {
		why = append(why, "it was dropped")
	}
	if e.Repaired {
		why = append(why, "it was repaired")
	}
	if metrology.Rounded(float64(e.Highest)) > metrology.Rounded(1.25*float64(maximum)) {
		why = append(why, fmt.Sprintf("it was pulled to %s N·m, more than 25 %% over its maximum of %s N·m", plain(float64(e.Highest)), plain(float64(maximum))))
	}
	return why, nil
}

func torqueIn(field string, t units.NewtonMeters) error {
	if !(t > 0 && t <= MaxNewtonMeters) {
		return errs.Field("TORQUE_OUT_OF_RANGE", field, fmt.Sprintf("a torque is over 0 and at most %d N·m, got %s", MaxNewtonMeters, plain(float64(t))))
	}
	return nil
}

func plain(x float64) string { return strconv.FormatFloat(metrology.Rounded(x), 'g', -1, 64) }
