package limits

import (
	"witnessmark/internal/exposure"
	"witnessmark/internal/rigging"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func init() {
	register(&Formula{
		Name:       "stand_off",
		Title:      "Distance to keep from an antenna while test tones are on",
		Form:       "√(sum over both tones of k · EIRP / (4·π · limit at the tone)), EIRP = P · 10^((G − loss)/10)",
		Gives:      "lower distance in m",
		Quantities: []recordv1.Quantity{recordv1.Quantity_STAND_OFF},
		Parameters: []Parameter{
			{Name: "power_watts", Unit: "W", Optional: true, Default: 20, Min: 0.001, Max: 10_000, Meaning: "P: power of each of the two tones"},
			{Name: "gain_dbi", Unit: "dBi", Optional: true, Default: 17, Min: -20, Max: 60, Meaning: "G: gain of the antenna on the line"},
			{Name: "loss_db", Unit: "dB", Optional: true, Default: 0, Max: 60, Meaning: "loss of the line between; 0 is the cautious figure"},
			{Name: "low_mhz", Unit: "MHz", Optional: true, Default: absent, Min: 0.3, Max: 100_000, Meaning: "lower tone, where no line gives it; without either 300 MHz, where the limits are lowest"},
			{Name: "high_mhz", Unit: "MHz", Optional: true, Default: absent, Min: 0.3, Max: 100_000, Meaning: "upper tone, where no line gives it"},
			{Name: "occupational", Optional: true, Default: 0, Max: 1, Meaning: "1 for people who are trained, fully aware and able to control their exposure; 0 for anybody else"},
			{Name: "reflection", Optional: true, Default: 1, Min: 1, Max: 4, Meaning: "k: 1 in free space, 2.56 over realistic ground or roof, 4 for full reflection; other values are taken up to the next of these"},
			{Name: "icnirp", Optional: true, Default: 0, Max: 1, Meaning: "1 for the ICNIRP 2020 reference levels in place of 47 CFR 1.1310; one assessment uses one set"},
		},
		FromPlan: []string{"the line's low_mhz and high_mhz, where the section has a line", "attributes of the plan with the parameters' names, such as gain_dbi"},
		Sources:  []string{"FCC OET Bulletin 65, edition 97-01 (1997), section 2", "47 CFR 1.1310, Table 1, or ICNIRP 2020 reference levels"},
		LeftOut: []string{
			"the near field of the antenna, where the far-field form does not hold",
			"every other transmitter at the site",
			"a measurement, or the transmitter confirmed off by the licensee, comes first: this is a prediction from entered data",
		},
		compute: standOff,
	}, &Formula{
		Name:       "fall_clearance",
		Title:      "Clear height that a fall needs below the feet's level",
		Form:       "max(0, lanyard − anchor above D-ring) + deceleration + D-ring shift + D-ring height + margin + swing drop (D-ring form)",
		Gives:      "lower clearance in m",
		Quantities: []recordv1.Quantity{recordv1.Quantity_FALL_CLEARANCE},
		Parameters: []Parameter{
			{Name: "lanyard_meters", Unit: "m", Optional: true, Default: 1.8288, Max: 30, Meaning: "length of the lanyard; 6 ft"},
			{Name: "anchor_above_ring_meters", Unit: "m", Optional: true, Default: 0, Min: -30, Max: 30, Meaning: "height of the anchor over the back D-ring, negative below it"},
			{Name: "deceleration_meters", Unit: "m", Optional: true, Default: 1.0668, Max: 10, Meaning: "3.5 ft, the legal maximum of 29 CFR 1926.502(d)(16)(iv)"},
			{Name: "ring_shift_meters", Unit: "m", Optional: true, Default: 0.3048, Max: 5, Meaning: "1 ft, usual value"},
			{Name: "ring_height_meters", Unit: "m", Optional: true, Default: 1.524, Max: 5, Meaning: "back D-ring over the soles, 5 ft, usual value"},
			{Name: "margin_meters", Unit: "m", Optional: true, Default: 0.6096, Max: 10, Meaning: "2 ft, usual value; some use 3 ft"},
			{Name: "swing_drop_meters", Unit: "m", Optional: true, Default: 0, Max: 30, Meaning: "what swinging sideways adds"},
		},
		FromPlan: []string{"attributes of the plan with the parameters' names, such as lanyard_meters"},
		Sources:  []string{"OSHA Technical Manual, section V chapter 4 (2016), terms and usual values", "29 CFR 1926.502(d)(16)"},
		LeftOut:  []string{"the equipment's own label comes first", "people over 140 kg with tools: the maker's rating or a qualified person decides", "the strength of the anchor"},
		compute:  fallClearance,
	}, &Formula{
		Name:       "working_load",
		Title:      "Working load limit of a rope, sling or block",
		Form:       "minimum breaking strength · efficiency / design factor",
		Gives:      "upper load in kN",
		Quantities: []recordv1.Quantity{recordv1.Quantity_RIGGING_LOAD, recordv1.Quantity_LIFT_LOAD},
		Parameters: []Parameter{
			{Name: "breaking_strength_kilonewtons", Unit: "kN", Min: 0.01, Max: 100_000, Meaning: "minimum breaking strength of the piece"},
			{Name: "design_factor", Optional: true, Default: 10, Min: 1, Max: 100, Meaning: "10 for lines that carry people (Michigan R 408.42934) and used by many for synthetic hoist lines; 5 for most slings; the maker's own wins"},
			{Name: "efficiency", Optional: true, Default: 0.5, Min: 0.01, Max: 1, Meaning: "of the knot or termination; 0.5 for any knot is common practice"},
		},
		FromPlan: []string{"attributes of the plan with the parameters' names"},
		Sources:  []string{"definition of the design factor", "efficiency of knots: common practice"},
		LeftOut:  []string{"wear, age, edges, shock", "angles: blocks and slings carry more than the gross load", "the marked working load limit of shackles and hardware wins"},
		compute:  workingLoad,
	})
}

func standOff(in *inputs, r *Resolved) error {
	v := map[string]float64{}
	for _, name := range []string{"power_watts", "gain_dbi", "loss_db", "occupational", "reflection", "icnirp"} {
		x, err := in.number(name)
		if err != nil {
			return err
		}
		v[name] = x
	}
	const lowest = 300 // MHz: from 30 to 300 MHz the limits are lowest
	low, high := in.s.Line.GetLowMhz(), in.s.Line.GetHighMhz()
	if in.s.Line == nil || in.s.Line.LowMhz == nil {
		x, ok, err := in.maybe("low_mhz")
		if err != nil {
			return err
		}
		if low = x; !ok {
			low = lowest
		}
	}
	if in.s.Line == nil || in.s.Line.HighMhz == nil {
		x, ok, err := in.maybe("high_mhz")
		if err != nil {
			return err
		}
		if high = x; !ok {
			high = low
		}
	}
	input := exposure.TestKitInput{
		PowerPerToneWatts: v["power_watts"], GainDBi: v["gain_dbi"], LossDB: v["loss_db"],
		ToneMHz: [2]float64{low, high}, Set: exposure.FCC, Reflection: exposure.FreeSpace,
	}
	if v["icnirp"] >= 0.5 {
		input.Set = exposure.ICNIRP
	}
	switch {
	case v["reflection"] > 2.56:
		input.Reflection = exposure.Full
	case v["reflection"] > 1:
		input.Reflection = exposure.Ground
	}
	out, err := exposure.TestKitStandOff(input)
	if err != nil {
		return err
	}
	for _, s := range out.Working.Sources {
		if s.Status == working.FromMemory {
			in.founded(working.FromMemory)
		}
	}
	metres := out.GeneralMetres
	tier := "general"
	if v["occupational"] >= 0.5 {
		metres, tier = out.OccupationalMetres, "occupational"
	}
	in.term("power of each tone", v["power_watts"], "W")
	in.term("gain of the antenna", v["gain_dbi"], "dBi")
	in.term("loss of the line", v["loss_db"], "dB")
	in.term("lower tone", low, "MHz")
	in.term("upper tone", high, "MHz")
	in.term("EIRP of both tones", out.EIRPWatts, "W")
	in.term("distance for the "+tier+" limit", metres, "m")
	r.lower(metres, recordv1.Measure_METERS)
	return nil
}

func fallClearance(in *inputs, r *Resolved) error {
	v := map[string]float64{}
	for _, p := range in.f.Parameters {
		x, err := in.number(p.Name)
		if err != nil {
			return err
		}
		v[p.Name] = x
		in.term(p.Meaning, x, p.Unit)
	}
	deceleration, shift, height, margin := v["deceleration_meters"], v["ring_shift_meters"], v["ring_height_meters"], v["margin_meters"]
	out, err := rigging.Clearance(rigging.ClearanceInput{
		Form: rigging.DRingForm, Unit: rigging.Metre, Lanyard: v["lanyard_meters"], AnchorAboveRing: v["anchor_above_ring_meters"],
		Deceleration: &deceleration, DRingShift: &shift, DRingHeight: &height, Margin: &margin, SwingDrop: v["swing_drop_meters"],
	})
	if err != nil {
		return err
	}
	in.term("free fall", out.FreeFall, "m")
	in.term("clearance needed", out.Clearance, "m")
	r.lower(out.Clearance, recordv1.Measure_METERS)
	if out.FreeFallOver {
		r.Problem = "the free fall of this set-up is over 6 ft (1.8 m), which 29 CFR 1926.502(d)(16)(iii) does not allow: use a higher anchor or a shorter lanyard"
	}
	return nil
}

func workingLoad(in *inputs, r *Resolved) error {
	var v [3]float64
	for i, p := range in.f.Parameters {
		x, err := in.number(p.Name)
		if err != nil {
			return err
		}
		v[i] = x
		in.term(p.Name, x, p.Unit)
	}
	in.founded(working.CommonPractice)
	wll := v[0] * v[2] / v[1]
	in.term("working load limit", wll, "kN")
	r.upper(wll, recordv1.Measure_KILONEWTONS)
	return nil
}
