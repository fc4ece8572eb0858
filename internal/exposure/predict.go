package exposure

import (
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// Reflection says what reflects towards the person. Its factor multiplies the
// power density of the free-space form.
type Reflection string

const (
	// FreeSpace is the main beam at the tower, factor 1.
	FreeSpace Reflection = "free-space"
	// Ground is a realistic ground or roof: field × 1.6, factor 2.56.
	Ground Reflection = "ground"
	// Full is the truly worst case, 100 % reflection: field × 2, factor 4.
	Full Reflection = "full"
)

// Reflections lists the reflections in the order a form shows them.
func Reflections() []Reflection { return []Reflection{FreeSpace, Ground, Full} }

// Factor returns 1, 2.56 or 4. The error is Invalid, reason REFLECTION_UNKNOWN.
func (r Reflection) Factor() (float64, error) {
	switch r {
	case FreeSpace:
		return 1, nil
	case Ground:
		return 1.6 * 1.6, nil
	case Full:
		return 4, nil
	}
	return 0, errs.Field("REFLECTION_UNKNOWN", "reflection", "must be free-space, ground or full", "reflection", string(r))
}

func (r Reflection) source() working.Source {
	switch r {
	case Ground:
		return oet65("section 2, EPA model: field x 1.6", working.Confirmed)
	case Full:
		return oet65("section 2, 100 % reflection: field x 2", working.FromMemory)
	}
	return oet65("section 2, pages 18-19, main beam", working.Confirmed)
}

func oet65(clause string, status working.Status) working.Source {
	return working.Source{Document: "FCC OET Bulletin 65, edition 97-01", Clause: clause, Year: 1997, Status: status}
}

// EIRP returns P·10^(G/10): the power in watts that an isotropic radiator would
// need. Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: definition.
func EIRP(powerWatts, gainDBi float64) (watts float64, err error) {
	if err := PowerWatts.Check("power_watts", powerWatts); err != nil {
		return 0, err
	}
	if err := GainDBi.Check("gain_dbi", gainDBi); err != nil {
		return 0, err
	}
	return powerWatts * math.Pow(10, gainDBi/10), nil
}

// EIRPFromERP returns 1.64·ERP, both in watts. Errors: Invalid OUT_OF_RANGE,
// NOT_A_NUMBER. Source: OET 65.
func EIRPFromERP(erpWatts float64) (watts float64, err error) {
	if err := eirpWatts.Check("erp_watts", erpWatts); err != nil {
		return 0, err
	}
	return dipoleOverIsotropic * erpWatts, nil
}

// eirpWatts bounds a radiated power: the largest power with the largest gain.
var eirpWatts = working.Domain{Min: 0, MinOpen: true, Max: 1e15, Unit: "W"}

// Slant returns the distance √(h²+d²) in metres between two points whose heights
// differ by h and which stand d apart on the ground. Errors: Invalid
// OUT_OF_RANGE, NOT_A_NUMBER. Source: geometry.
func Slant(heightMetres, alongMetres float64) (metres float64, err error) {
	d := working.Domain{Min: -1e6, Max: 1e6, Unit: "m"}
	if err := d.Check("height_metres", heightMetres); err != nil {
		return 0, err
	}
	if err := d.Check("along_metres", alongMetres); err != nil {
		return 0, err
	}
	return math.Hypot(heightMetres, alongMetres), nil
}

// FarField returns k·EIRP/(4·π·R²) in W/m², k from the reflection. It holds in
// the far field of the antenna and over-predicts close to one.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER, REFLECTION_UNKNOWN. Source: OET 65
// section 2.
func FarField(eirp, distanceMetres float64, r Reflection) (wattsPerSqM float64, err error) {
	k, err := r.Factor()
	if err != nil {
		return 0, err
	}
	if err := eirpWatts.Check("eirp_watts", eirp); err != nil {
		return 0, err
	}
	if err := DistanceMetres.Check("distance_metres", distanceMetres); err != nil {
		return 0, err
	}
	return k * eirp / (4 * math.Pi * distanceMetres * distanceMetres), nil
}

// GroundERP returns 33.4·ERP/R² in µW/cm², the bulletin's equation (9) for a
// station over ground: ERP in W, R in m. The coefficient is the printed one; the
// exact product 100·0.64·1.64/π is 33.4098.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: OET 65 equation (9), page 21.
func GroundERP(erpWatts, distanceMetres float64) (microwattsPerSqCm float64, err error) {
	if err := eirpWatts.Check("erp_watts", erpWatts); err != nil {
		return 0, err
	}
	if err := DistanceMetres.Check("distance_metres", distanceMetres); err != nil {
		return 0, err
	}
	return 33.4 * erpWatts / (distanceMetres * distanceMetres), nil
}

// DistanceFor returns √(k·EIRP/(4·π·S)): how far away the far-field form falls
// to the power density S in W/m². It is the inverse of FarField.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER, REFLECTION_UNKNOWN.
func DistanceFor(eirp, densityWattsPerSqM float64, r Reflection) (metres float64, err error) {
	k, err := r.Factor()
	if err != nil {
		return 0, err
	}
	if err := eirpWatts.Check("eirp_watts", eirp); err != nil {
		return 0, err
	}
	if err := LimitWattsPerSqM.Check("density", densityWattsPerSqM); err != nil {
		return 0, err
	}
	return math.Sqrt(k * eirp / (4 * math.Pi * densityWattsPerSqM)), nil
}

// Region says in which part of a dish's field a distance lies.
type Region string

// The regions of an aperture antenna, from the antenna outwards.
const (
	NearField  Region = "near field"
	Transition Region = "transition"
	Far        Region = "far field"
)

// ApertureInput is a dish: diameter, frequency, power at its port, efficiency of
// the aperture (0.01 to 1; usually 0.5 to 0.75) and a distance on the axis
// (0 = at the surface).
type ApertureInput struct {
	DiameterMetres float64
	MHz            float64
	PowerWatts     float64
	Efficiency     float64
	DistanceMetres float64
}

// ApertureResult holds the regions and the densities of a dish in metres and W/m².
type ApertureResult struct {
	WavelengthMetres float64
	Surface          float64 // 4·P/A, the largest at the surface
	Near             float64 // 16·η·P/(π·D²), the largest in the near field
	NearEndMetres    float64 // D²/(4·λ)
	FarFromMetres    float64 // 0.6·D²/λ
	Region           Region  // of the distance entered
	Density          float64 // at the distance entered, on the axis
	Working          working.Working
}

// Aperture predicts the density on the axis of a dish by regions: near field
// constant, transition falling with R, far field P·G/(4·π·R²) with
// G = η·(π·D/λ)². The bulletin's forms step up by about 3 % where the far field
// begins; that is left as published.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: OET 65 section 2 (from
// memory).
func Aperture(in ApertureInput) (ApertureResult, error) {
	for _, c := range []struct {
		d     working.Domain
		field string
		v     float64
	}{
		{AntennaMetres, "diameter_metres", in.DiameterMetres},
		{FCCFrequencyMHz, "frequency_mhz", in.MHz},
		{PowerWatts, "power_watts", in.PowerWatts},
		{ApertureEfficiency, "efficiency", in.Efficiency},
		{ApertureDistance, "distance_metres", in.DistanceMetres},
	} {
		if err := c.d.Check(c.field, c.v); err != nil {
			return ApertureResult{}, err
		}
	}
	d, dist := in.DiameterMetres, in.DistanceMetres
	lambda := speedOfLightMetres / (in.MHz * 1e6)
	area := math.Pi * d * d / 4
	r := ApertureResult{
		WavelengthMetres: lambda,
		Surface:          4 * in.PowerWatts / area,
		Near:             16 * in.Efficiency * in.PowerWatts / (math.Pi * d * d),
		NearEndMetres:    d * d / (4 * lambda),
		FarFromMetres:    0.6 * d * d / lambda,
	}
	gain := in.Efficiency * math.Pow(math.Pi*d/lambda, 2)
	form := "near field, constant"
	switch {
	case dist <= r.NearEndMetres:
		r.Region, r.Density = NearField, r.Near
	case dist < r.FarFromMetres:
		r.Region, r.Density, form = Transition, r.Near*r.NearEndMetres/dist, "transition, S_nf*R_nf/R"
	default:
		r.Region, r.Density, form = Far, in.PowerWatts*gain/(4*math.Pi*dist*dist), "far field, P*G/(4*pi*R^2)"
	}
	r.Working = working.Working{
		Formula: "dish on its axis: 16*eta*P/(pi*D^2) in the near field, falling with R in the transition, P*G/(4*pi*R^2) in the far field",
		Inputs: []working.Term{
			working.Number("diameter", "D", d, "m"),
			working.Number("frequency", "f", in.MHz, "MHz"),
			working.Number("power at the port", "P", in.PowerWatts, "W"),
			working.Number("aperture efficiency", "eta", in.Efficiency, ""),
			working.Number("distance on the axis", "R", dist, "m"),
		},
		Steps: []working.Term{
			working.Number("wavelength", "lambda", lambda, "m"),
			working.NumberUp("density at the surface, 4*P/A", "", r.Surface, "W/m2"),
			working.NumberUp("density in the near field", "S_nf", r.Near, "W/m2"),
			working.NumberUp("end of the near field, D^2/(4*lambda)", "R_nf", r.NearEndMetres, "m"),
			working.NumberUp("far field from, 0.6*D^2/lambda", "", r.FarFromMetres, "m"),
			working.Words("form used", form),
		},
		Result: []working.Term{
			working.Words("region", string(r.Region)),
			working.NumberUp("power density on the axis", "S", r.Density, "W/m2"),
			working.NumberUp("the same", "S", r.Density/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
		},
		Sources: []working.Source{oet65("section 2, aperture antennas", working.FromMemory)},
		Cautions: []string{
			"Between dish and feed the density can be higher than at the surface.",
			"At the surface itself the surface figure counts.",
		},
		LeftOut: otherLeftOut("side lobes and spill-over", "reflections"),
		Defers:  working.DefersExposure,
	}
	return r, nil
}

// CylinderResult is the mean density close to a panel, in W/m².
type CylinderResult struct {
	Density float64
	Working working.Working
}

// Cylinder returns 180·P/(θ·π·R·h) in W/m²: the mean density close up to a panel
// that radiates evenly through a sector of θ degrees over its height h metres, R
// metres away. For distances where the panel still looks like a line.
//
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: OET 65 section 2, cylinder
// model (from memory).
func Cylinder(powerWatts, sectorDegrees, distanceMetres, heightMetres float64) (CylinderResult, error) {
	for _, c := range []struct {
		d     working.Domain
		field string
		v     float64
	}{
		{PowerWatts, "power_watts", powerWatts},
		{SectorDegrees, "sector_degrees", sectorDegrees},
		{DistanceMetres, "distance_metres", distanceMetres},
		{AntennaMetres, "height_metres", heightMetres},
	} {
		if err := c.d.Check(c.field, c.v); err != nil {
			return CylinderResult{}, err
		}
	}
	s := 180 * powerWatts / (sectorDegrees * math.Pi * distanceMetres * heightMetres)
	return CylinderResult{Density: s, Working: working.Working{
		Formula: "panel close up, cylinder: 180*P/(theta*pi*R*h)",
		Inputs: []working.Term{
			working.Number("power at the port", "P", powerWatts, "W"),
			working.Number("sector", "theta", sectorDegrees, "degrees"),
			working.Number("distance", "R", distanceMetres, "m"),
			working.Number("height of the radiating part", "h", heightMetres, "m"),
		},
		Result: []working.Term{
			working.NumberUp("mean power density", "S", s, "W/m2"),
			working.NumberUp("the same", "S", s/WattsPerSqMPerMilliwattPerSqCm, "mW/cm2"),
		},
		Sources: []working.Source{oet65("section 2, cylinder model", working.FromMemory)},
		Cautions: []string{
			"The figure is a mean over the panel's height; the peak before single radiators is higher.",
			"Touching the panel or standing within centimetres of it is not described by this form.",
		},
		LeftOut: otherLeftOut("reflections", "the fall-off beyond the panel's near field: the far-field form is lower there"),
		Defers:  working.DefersExposure,
	}}, nil
}

// DensityFromVolts returns E²/Z0 in W/m² for a plane wave of E V/m (rms), and
// VoltsFromDensity its inverse, Z0 = 376.730 Ω (bulletins round it to 377).
// Errors: Invalid OUT_OF_RANGE, NOT_A_NUMBER. Source: plane wave in free space.
func DensityFromVolts(voltsPerMetre float64) (wattsPerSqM float64, err error) {
	if err := FieldVoltsPerMetre.Check("volts_per_metre", voltsPerMetre); err != nil {
		return 0, err
	}
	return voltsPerMetre * voltsPerMetre / freeSpaceOhms, nil
}

// VoltsFromDensity returns √(S·Z0) in V/m; see DensityFromVolts.
func VoltsFromDensity(wattsPerSqM float64) (voltsPerMetre float64, err error) {
	if err := DensityWattsPerSqM.Check("density", wattsPerSqM); err != nil {
		return 0, err
	}
	return math.Sqrt(wattsPerSqM * freeSpaceOhms), nil
}

// DensityFromAmperes returns H²·Z0 in W/m² for a plane wave of H A/m (rms); see
// DensityFromVolts.
func DensityFromAmperes(amperesPerMetre float64) (wattsPerSqM float64, err error) {
	if err := FieldAmperesPerM.Check("amperes_per_metre", amperesPerMetre); err != nil {
		return 0, err
	}
	return amperesPerMetre * amperesPerMetre * freeSpaceOhms, nil
}

// AmperesFromDensity returns √(S/Z0) in A/m; see DensityFromVolts.
func AmperesFromDensity(wattsPerSqM float64) (amperesPerMetre float64, err error) {
	if err := DensityWattsPerSqM.Check("density", wattsPerSqM); err != nil {
		return 0, err
	}
	return math.Sqrt(wattsPerSqM / freeSpaceOhms), nil
}

// otherLeftOut is what every prediction leaves out, after its own.
func otherLeftOut(own ...string) []string {
	return append(own,
		"other transmitters on the structure and near it",
		"contact currents and metal close to the body",
		"implanted medical devices",
	)
}
