package limits

import (
	"strings"

	"witnessmark/internal/rf"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

var lineParameters = []Parameter{
	{Name: "loss_db_per_100m", Unit: "dB/100 m", Optional: true, Default: absent, Max: 1000, Meaning: "of the cable at the test frequency, where the line itself does not give it; without either, a generic foam cable of the line's type (from memory: for plausibility, not for acceptance)"},
	{Name: "temperature_celsius", Unit: "°C", Optional: true, Default: 20, Min: -80, Max: 150, Meaning: "of the cable: loss changes by 0.002 per kelvin from 20 °C (common practice)"},
}

var lineFromPlan = []string{
	"the line's length_meters", "its loss_db_per_100m, or its type (1/2, 7/8, 1-1/4, 1-5/8 inch)",
	"its high_mhz, else low_mhz",
	"its mated_pair_count; where that is 0, the number of the plan's connections on the line",
}

func init() {
	register(&Formula{
		Name:       "line_loss",
		Title:      "Largest one-way loss of a coaxial line",
		Form:       "(length/100 · cable loss + mated pairs · 0.05·√f) · (1 + 0.002·(T − 20)) + allowance, f in GHz",
		Gives:      "upper loss in dB",
		Quantities: []recordv1.Quantity{recordv1.Quantity_LINE_LOSS},
		Parameters: append([]Parameter{
			{Name: "allowance_db", Unit: "dB", Optional: true, Default: 0.5, Max: 20, Meaning: "room over the expected loss (common practice, no source)"},
		}, lineParameters...),
		NeedsLine: true,
		FromPlan:  lineFromPlan,
		Sources:   []string{"0.05·√f for a mated pair, and the temperature: common practice", "cable constants of generic foam cables: from memory, not a citation"},
		LeftOut:   []string{"water in the line, kinks and bad joints: what they add shows as loss over the limit", "jumpers, where the length does not hold them"},
		compute: func(in *inputs, r *Resolved) error {
			loss, err := in.lineLoss()
			if err != nil {
				return err
			}
			allowance, err := in.number("allowance_db")
			if err != nil {
				return err
			}
			in.term("allowance", allowance, "dB")
			in.term("largest loss", loss+allowance, "dB")
			r.upper(loss+allowance, decibels)
			return nil
		},
	}, &Formula{
		Name:       "line_return_loss",
		Title:      "Least return loss at the near end that shows a good far end",
		Form:       "smaller of (far-end return loss + 2 · one-way line loss) and the ceiling",
		Gives:      "lower return loss in dB",
		Quantities: []recordv1.Quantity{recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO},
		Parameters: append([]Parameter{
			{Name: "far_return_loss_db", Unit: "dB", Optional: true, Default: 14, Max: 60, Meaning: "what the antenna or load at the far end must have; 14 is common practice"},
			{Name: "ceiling_db", Unit: "dB", Optional: true, Default: 20, Max: 60, Meaning: "no more is asked than this, since the line's own joints reflect too; 20 is common practice for a line on a load"},
		}, lineParameters...),
		NeedsLine: true,
		FromPlan:  lineFromPlan,
		Sources:   []string{"return loss seen through a line: the load's, plus the loss there and back", "14 and 20 dB: common practice"},
		LeftOut:   []string{"reflections inside the line", "a line with 8 dB of loss shows 16 dB even with a short at its end: look at the loss first"},
		compute: func(in *inputs, r *Resolved) error {
			loss, err := in.lineLoss()
			if err != nil {
				return err
			}
			far, err := in.number("far_return_loss_db")
			if err != nil {
				return err
			}
			ceiling, err := in.number("ceiling_db")
			if err != nil {
				return err
			}
			near, err := rf.ReturnLossThroughLine(units.DB(far), units.DB(loss))
			if err != nil {
				return err
			}
			in.founded(working.CommonPractice)
			in.term("return loss at the far end", far, "dB")
			in.term("seen at the near end", float64(near), "dB")
			in.term("ceiling", ceiling, "dB")
			r.lower(min(float64(near), ceiling), decibels)
			return nil
		},
	})
}

// genericCable finds the generic cable of a plan's type, such as "7/8-foam".
func genericCable(name string) (rf.Cable, bool) {
	n := strings.ToLower(strings.TrimSpace(name))
	for _, suffix := range []string{"foam", "inch", "in", "\"", "-", " "} {
		n = strings.TrimRight(strings.TrimSuffix(n, suffix), "- ")
	}
	c, err := rf.GenericCable(strings.ReplaceAll(n, " ", "-") + " inch")
	return c, err == nil
}

// lineLoss is the expected one-way loss of the subject's line, with its terms.
func (in *inputs) lineLoss() (float64, error) {
	l := in.s.Line
	switch {
	case l == nil:
		return 0, in.needs("a line")
	case l.LengthMeters == nil:
		return 0, in.needs("the line's length_meters")
	case l.HighMhz == nil && l.LowMhz == nil:
		return 0, in.needs("the line's high_mhz")
	}
	f := l.GetHighMhz()
	if l.HighMhz == nil {
		f = l.GetLowMhz()
	}
	per100, ok := l.GetLossDbPer_100M(), l.LossDbPer_100M != nil
	if !ok {
		var err error
		if per100, ok, err = in.maybe("loss_db_per_100m"); err != nil {
			return 0, err
		}
	}
	if !ok {
		cable, known := genericCable(l.GetType())
		if !known {
			return 0, in.needs("the line's loss_db_per_100m, and its type is no generic cable")
		}
		a, err := cable.Attenuation(units.Megahertz(f))
		if err != nil {
			return 0, err
		}
		per100 = float64(a)
		in.founded(working.FromMemory)
	}
	t, err := in.number("temperature_celsius")
	if err != nil {
		return 0, err
	}
	warm, err := rf.FieldTemperatureFactor(units.Celsius(t))
	if err != nil {
		return 0, err
	}
	pair, err := rf.ConnectorPairLoss(units.Megahertz(f))
	if err != nil {
		return 0, err
	}
	in.founded(working.CommonPractice)
	pairs := in.matedPairs()
	cable := l.GetLengthMeters() / 100 * per100
	loss := (cable + float64(pairs)*float64(pair)) * warm
	in.term("frequency", f, "MHz")
	in.term("length", l.GetLengthMeters(), "m")
	in.term("cable loss", per100, "dB/100 m")
	in.term("cable", cable, "dB")
	in.term("mated pairs", float64(pairs), "")
	in.term("one mated pair", float64(pair), "dB")
	in.term("temperature factor", warm, "")
	in.term("expected one-way loss", loss, "dB")
	return loss, nil
}
