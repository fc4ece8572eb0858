package limits

import (
	"errors"
	"fmt"
	"math"
	"unicode/utf8"

	"witnessmark/internal/errs"
	"witnessmark/internal/torque"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// MaxTyped is the longest text of a typed value, in characters.
const MaxTyped = 64

// CheckTyped reports whether a text that a person typed reads as value and
// unit. Where the text has no unit, the field's unit is taken. An empty text is
// good: no person typed the value.
//
// Errors are Invalid: TYPED_TOO_LONG; TYPED_NOT_VALUE when the text reads as
// something else; and those of units.Parse when it cannot be read.
func CheckTyped(typed string, value float64, unit recordv1.Measure_Unit) error {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return errs.Field("VALUE_NOT_FINITE", "value", "must be a finite number")
	}
	u := unitOf(unit)
	if !u.Valid() {
		return errs.Field("UNIT_UNKNOWN", "unit", "must be one of the units of the record")
	}
	if typed == "" {
		return nil
	}
	if n := utf8.RuneCountInString(typed); n > MaxTyped {
		return errs.Field("TYPED_TOO_LONG", "typed", fmt.Sprintf("has %d characters; at most %d are allowed", n, MaxTyped))
	}
	p, err := units.Parse(typed, units.Expectation{Field: "typed", Shown: u})
	if err != nil {
		return err
	}
	if p.Unit != u || math.Abs(p.Value-value) > 1e-9*math.Max(1, math.Abs(value)) {
		return errs.Field("TYPED_NOT_VALUE", "typed", fmt.Sprintf("%q reads as %s, and the value is %s", typed, units.Print(p.Value, p.Unit, units.Point), units.Print(value, u, units.Point)))
	}
	return nil
}

// span is what a quantity plausibly is; outside it the person is asked once.
type span struct{ low, high float64 }

type spanKey struct {
	q recordv1.Quantity
	u recordv1.Measure_Unit
}

var spans = map[spanKey]span{
	{recordv1.Quantity_RETURN_LOSS, decibels}:               {0, 65},
	{recordv1.Quantity_STANDING_WAVE_RATIO, ratio}:          {1, 20},
	{recordv1.Quantity_RETURN_LOSS, ratio}:                  {1, 20},
	{recordv1.Quantity_STANDING_WAVE_RATIO, decibels}:       {0, 65},
	{recordv1.Quantity_INTERMODULATION, decibelCarrier}:     {-200, -60},
	{recordv1.Quantity_INTERMODULATION, decibelMilli}:       {-160, -20},
	{recordv1.Quantity_LINE_LOSS, decibels}:                 {0, 40},
	{recordv1.Quantity_FIBRE_LOSS, decibels}:                {0, 45},
	{recordv1.Quantity_OPTICAL_RETURN_LOSS, decibels}:       {8, 90},
	{recordv1.Quantity_OPTICAL_POWER, decibelMilli}:         {-70, 25},
	{recordv1.Quantity_HUMIDITY, recordv1.Measure_PERCENT}:  {0, 100},
	{recordv1.Quantity_ELAPSED, recordv1.Measure_MINUTES}:   {0, 1440},
	{recordv1.Quantity_ELAPSED, recordv1.Measure_SECONDS}:   {0, 86400},
	{recordv1.Quantity_NUMBER, recordv1.Measure_COUNT}:      {0, 1e6},
	{recordv1.Quantity_NUMBER, recordv1.Measure_PERCENT}:    {-100, 1000},
	{recordv1.Quantity_WIND_SPEED, metersPerSecond}:         {0, 60},
	{recordv1.Quantity_TEMPERATURE, celsius}:                {-60, 60},
	{recordv1.Quantity_HEAT_INDEX, celsius}:                 {-20, 75},
	{recordv1.Quantity_WIND_CHILL, celsius}:                 {-100, 50},
	{recordv1.Quantity_DISTANCE_TO_FAULT, meters}:           {0, 2000},
	{recordv1.Quantity_STAND_OFF, meters}:                   {0, 500},
	{recordv1.Quantity_FALL_CLEARANCE, meters}:              {0, 500},
	{recordv1.Quantity_POWER_DENSITY, wattsPerSquareM}:      {0, 1000},
	{recordv1.Quantity_LIFT_LOAD, recordv1.Measure_NEWTONS}: {0, 1e6},
}

func plausible(q recordv1.Quantity, u recordv1.Measure_Unit) (span, bool) {
	if s, ok := spans[spanKey{q, u}]; ok {
		return s, true
	}
	for _, from := range []recordv1.Measure_Unit{metersPerSecond, celsius, meters, wattsPerSquareM} {
		s, ok := spans[spanKey{q, from}]
		if !ok {
			continue
		}
		low, err1 := convert(s.low, from, u)
		high, err2 := convert(s.high, from, u)
		if err1 == nil && err2 == nil {
			return span{low, high}, true
		}
	}
	return span{}, false
}

const (
	metersPerSecond = recordv1.Measure_METERS_PER_SECOND
	celsius         = recordv1.Measure_CELSIUS
	meters          = recordv1.Measure_METERS
	wattsPerSquareM = recordv1.Measure_WATTS_PER_SQUARE_METER
)

// askAbout asks about a reading that is almost surely a slip, at most once for
// each kind of slip.
func (j *judging) askAbout(q recordv1.Quantity, r *recordv1.ReadingTaken) {
	if !j.asks {
		return
	}
	v, u := r.GetValue(), r.GetUnit()
	s, bounded := plausible(q, u)
	switch {
	case u == decibels && v < 0:
		j.ask(AskSign, "A "+quantityName(q)+" is a positive number of dB. Was the minus meant?", -v, u)
		return
	case q == recordv1.Quantity_INTERMODULATION && v > 0:
		j.ask(AskSign, "A level of intermodulation is usually negative. Is the minus missing?", -v, u)
		return
	case q == recordv1.Quantity_RETURN_LOSS && u == decibels && v >= 1 && v < 3:
		j.ask(AskStandingWave, "A return loss so small is nearly a short or open end. Is it a standing-wave ratio?", v, ratio)
		return
	case (q == recordv1.Quantity_STANDING_WAVE_RATIO || q == recordv1.Quantity_RETURN_LOSS) && u == ratio && v > 10 && v <= 65:
		j.ask(AskReturnLoss, "A standing-wave ratio so large is nearly a short or open end. Is it a return loss in dB?", v, decibels)
		return
	}
	j.askTyped(r.GetTyped(), v, u, func(x float64) bool { return !bounded || x >= s.low && x <= s.high })
	if bounded && (v < s.low || v > s.high) {
		j.ask(AskUnlikely, measure(v, u)+" is hardly possible for "+quantityName(q)+". Was it meant so?", 0, recordv1.Measure_UNIT_UNSPECIFIED)
	}
}

// askTyped asks about three digits behind a lone comma or point, where the
// other reading would be possible too.
func (j *judging) askTyped(typed string, v float64, u recordv1.Measure_Unit, possible func(float64) bool) {
	if typed == "" || !j.asks {
		return
	}
	p, err := units.Parse(typed, units.Expectation{Field: "typed", Shown: unitOf(u)})
	if err != nil {
		return // refused elsewhere: CheckTyped
	}
	for _, a := range p.Asks {
		if a.Reason != units.AskThousandsOrNot {
			continue
		}
		for _, other := range a.Proposals {
			if other.Unit == unitOf(u) && other.Value != v && possible(other.Value) {
				j.ask(AskThousands, "Is the comma or point in "+fmt.Sprintf("%q", typed)+" a decimal sign?", other.Value, u)
			}
		}
	}
}

// askTorque asks about a torque that is far from what its interface takes.
func (j *judging) askTorque(iface torque.Interface, newton float64, u recordv1.Measure_Unit) {
	slip, ok := torque.Ask(iface, units.NewtonMeters(newton))
	if !ok {
		return
	}
	text := measure(newton, newtonMeters) + " is far from what " + iface.Title + " takes. Was it meant so?"
	if len(slip.Proposals) == 0 {
		j.ask(AskTorque, text, 0, recordv1.Measure_UNIT_UNSPECIFIED)
		return
	}
	v, err := convert(float64(slip.Proposals[0].Torque), newtonMeters, u)
	if err != nil {
		v, u = float64(slip.Proposals[0].Torque), newtonMeters
	}
	j.ask(AskTorque, text, v, u)
}

// sentence is what an error says, without its reason; empty for nil.
func sentence(err error) string {
	if err == nil {
		return ""
	}
	var e *errs.Error
	if errors.As(err, &e) {
		return e.Msg
	}
	return err.Error()
}
