package calc

import (
	"witnessmark/internal/exposure"
	"witnessmark/internal/working"
)

func limitParameters() []Parameter {
	return []Parameter{
		choice("set", "set of limits; sets are never mixed", exposure.Sets()).or(string(exposure.FCC)),
		choice("tier", "occupational only for people who are trained, aware and in control", exposure.Tiers()).or(string(exposure.General)),
		choice("basis", "part of the body; local only in the icnirp-2020 set", []exposure.Basis{exposure.WholeBody, exposure.Local}).or(string(exposure.WholeBody)),
	}
}

// frequency spans both sets; the calculation applies the set's own ends.
func frequency(name, help string) Parameter {
	return num(name, help, working.Domain{Min: 0.3, Max: 300_000, Unit: "MHz"})
}

func reflection() Parameter {
	return choice("reflection", "what reflects: free-space in the main beam at the tower, ground for ground or roof", exposure.Reflections()).or(string(exposure.FreeSpace))
}

func densityUnit() Parameter {
	return choice("density_unit", "unit of the power densities", []string{"W/m2", "mW/cm2"}).or("W/m2")
}

// density returns the power densities of a parameter in W/m2.
func density(v values, name string) []float64 {
	k := 1.0
	if v.word("density_unit") == "mW/cm2" {
		k = exposure.WattsPerSqMPerMilliwattPerSqCm
	}
	out := make([]float64, 0, len(v.list(name)))
	for _, s := range v.list(name) {
		out = append(out, s*k)
	}
	return out
}

func limitOf(v values) (exposure.Set, exposure.Tier, exposure.Basis) {
	return exposure.Set(v.word("set")), exposure.Tier(v.word("tier")), exposure.Basis(v.word("basis"))
}

func exposureCalculations() []Calculation {
	anyDensity := working.Domain{Min: 0, Max: 1e8}
	return []Calculation{
		{
			Name: "exposure-limit", Group: "exposure", Safety: true, Title: "exposure limit at a frequency",
			Parameters: append([]Parameter{frequency("frequency_mhz", "frequency")}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				set, tier, basis := limitOf(v)
				l, err := exposure.LimitAt(set, tier, basis, v.number("frequency_mhz"))
				if err != nil {
					return working.Working{}, err
				}
				return l.Working(), nil
			},
		},
		{
			Name: "stand-off", Group: "exposure", Safety: true, Title: "distance at which one antenna reaches a limit, far field",
			Parameters: append([]Parameter{
				num("power_watts", "power at the antenna", exposure.PowerWatts),
				num("gain_dbi", "gain of the antenna", exposure.GainDBi),
				frequency("frequency_mhz", "frequency"),
				num("distance_metres", "distance of the person, to compare", exposure.DistanceMetres).maybe(),
				reflection(),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				set, tier, basis := limitOf(v)
				r, err := exposure.Single(exposure.SingleInput{PowerWatts: v.number("power_watts"), GainDBi: v.number("gain_dbi"), MHz: v.number("frequency_mhz"),
					DistanceMetres: v.number("distance_metres"), Reflection: exposure.Reflection(v.word("reflection")), Set: set, Tier: tier, Basis: basis})
				return r.Working, err
			},
		},
		{
			Name: "test-stand-off", Group: "exposure", Safety: true, Title: "distances that both tones of an intermodulation test ask for",
			Parameters: []Parameter{
				num("power_per_tone_watts", "power of each of the two tones", exposure.PowerWatts).or("20"),
				num("gain_dbi", "gain of the antenna on the line", exposure.GainDBi),
				frequency("tone1_mhz", "frequency of the first tone"),
				frequency("tone2_mhz", "frequency of the second tone"),
				num("loss_db", "loss of the line between, 0 for the cautious figure", exposure.LossDB).or("0"),
				reflection(),
				choice("set", "set of limits; sets are never mixed", exposure.Sets()).or(string(exposure.FCC)),
			},
			do: func(v values) (working.Working, error) {
				r, err := exposure.TestKitStandOff(exposure.TestKitInput{PowerPerToneWatts: v.number("power_per_tone_watts"), GainDBi: v.number("gain_dbi"),
					ToneMHz: [2]float64{v.number("tone1_mhz"), v.number("tone2_mhz")}, LossDB: v.number("loss_db"),
					Reflection: exposure.Reflection(v.word("reflection")), Set: exposure.Set(v.word("set"))})
				return r.Working, err
			},
		},
		{
			Name: "station-exposure", Group: "exposure", Safety: true, Title: "a station seen from the ground, by its ERP",
			Parameters: append([]Parameter{
				num("erp_watts", "effective radiated power over a half-wave dipole", working.Domain{Min: 0, MinOpen: true, Max: 1e8, Unit: "W"}),
				num("height_metres", "centre of radiation above the person's head", working.Domain{Min: -1000, Max: 1000, Unit: "m"}),
				num("along_metres", "distance along the ground", working.Domain{Min: 0, Max: 100_000, Unit: "m"}),
				frequency("frequency_mhz", "frequency"),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				set, tier, basis := limitOf(v)
				r, err := exposure.Station(exposure.StationInput{ERPWatts: v.number("erp_watts"), HeightMetres: v.number("height_metres"),
					AlongMetres: v.number("along_metres"), MHz: v.number("frequency_mhz"), Set: set, Tier: tier, Basis: basis})
				return r.Working, err
			},
		},
		{
			Name: "exposure-sum", Group: "exposure", Safety: true, Title: "several sources at one place: sum of the parts of their limits",
			Parameters: append([]Parameter{
				frequency("frequencies_mhz", "frequency of each source").many(),
				num("densities", "power density of each source, in density_unit", anyDensity).many(),
				densityUnit(),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				if err := v.sameLength("frequencies_mhz", "densities"); err != nil {
					return working.Working{}, err
				}
				set, tier, basis := limitOf(v)
				var es []exposure.Emission
				for i, s := range density(v, "densities") {
					es = append(es, exposure.Emission{MHz: v.list("frequencies_mhz")[i], Density: s})
				}
				r, err := exposure.SumOfFractions(set, tier, basis, es)
				return r.Working, err
			},
		},
		{
			Name: "exposure-sum-fields", Group: "exposure", Safety: true, Title: "the same from electric field strengths",
			Parameters: append([]Parameter{
				frequency("frequencies_mhz", "frequency of each source").many(),
				num("volts_per_metre", "field strength of each source", exposure.FieldVoltsPerMetre).many(),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				if err := v.sameLength("frequencies_mhz", "volts_per_metre"); err != nil {
					return working.Working{}, err
				}
				set, tier, basis := limitOf(v)
				var fields []exposure.Field
				for i, e := range v.list("volts_per_metre") {
					fields = append(fields, exposure.Field{MHz: v.list("frequencies_mhz")[i], Volts: e})
				}
				r, err := exposure.SumOfFieldFractions(set, tier, basis, fields)
				return r.Working, err
			},
		},
		{
			Name: "exposure-average", Group: "exposure", Safety: true, Title: "worst mean over the averaging time, occupational tier only",
			Parameters: append([]Parameter{
				frequency("frequency_mhz", "frequency"),
				num("densities", "power density of each stay, in density_unit", anyDensity).many(),
				num("minutes", "minutes of each stay", exposure.Minutes).many(),
				densityUnit(),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				if err := v.sameLength("densities", "minutes"); err != nil {
					return working.Working{}, err
				}
				set, tier, basis := limitOf(v)
				var stays []exposure.Stay
				for i, s := range density(v, "densities") {
					stays = append(stays, exposure.Stay{Density: s, Minutes: v.list("minutes")[i]})
				}
				r, err := exposure.TimeAverage(set, tier, basis, v.number("frequency_mhz"), stays)
				return r.Working, err
			},
		},
		{
			Name: "longest-stay", Group: "exposure", Safety: true, Title: "longest stay at a power density in each averaging time, occupational tier only",
			Parameters: append([]Parameter{
				frequency("frequency_mhz", "frequency"),
				num("density", "power density, in density_unit", anyDensity),
				densityUnit(),
			}, limitParameters()...),
			do: func(v values) (working.Working, error) {
				set, tier, basis := limitOf(v)
				r, err := exposure.LongestStay(set, tier, basis, v.number("frequency_mhz"), density(v, "density")[0])
				return r.Working, err
			},
		},
		{
			Name: "dish-exposure", Group: "exposure", Safety: true, Title: "power density on the axis of a dish, by region",
			Parameters: []Parameter{
				num("diameter_metres", "diameter of the dish", exposure.AntennaMetres),
				num("frequency_mhz", "frequency", exposure.FCCFrequencyMHz),
				num("power_watts", "power at its port", exposure.PowerWatts),
				num("efficiency", "efficiency of the aperture", exposure.ApertureEfficiency).or("0.55"),
				num("distance_metres", "distance on the axis", exposure.ApertureDistance),
			},
			do: func(v values) (working.Working, error) {
				r, err := exposure.Aperture(exposure.ApertureInput{DiameterMetres: v.number("diameter_metres"), MHz: v.number("frequency_mhz"),
					PowerWatts: v.number("power_watts"), Efficiency: v.number("efficiency"), DistanceMetres: v.number("distance_metres")})
				return r.Working, err
			},
		},
		{
			Name: "panel-exposure", Group: "exposure", Safety: true, Title: "mean power density close up to a panel",
			Parameters: []Parameter{
				num("power_watts", "power at its port", exposure.PowerWatts),
				num("sector_degrees", "sector that it radiates into", exposure.SectorDegrees),
				num("distance_metres", "distance from the panel", exposure.DistanceMetres),
				num("height_metres", "height of its radiating part", exposure.AntennaMetres),
			},
			do: func(v values) (working.Working, error) {
				r, err := exposure.Cylinder(v.number("power_watts"), v.number("sector_degrees"), v.number("distance_metres"), v.number("height_metres"))
				return r.Working, err
			},
		},
	}
}
