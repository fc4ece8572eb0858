package rf

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// Attenuation gives k1·√f + k2·f in dB per 100 m at 20 °C, f in GHz: conductor
// loss by skin effect and dielectric loss. The frequency is given in MHz.
//
// Errors, Invalid: FREQUENCY_OUT_OF_RANGE, CABLE_CONSTANT_OUT_OF_RANGE (k1 and
// k2 are 0 to 10,000).
func Attenuation(k1, k2 float64, f units.Megahertz) (units.DBPerHundredMeter, error) {
	if err := checkFrequency("frequency", f); err != nil {
		return 0, err
	}
	for _, k := range []float64{k1, k2} {
		if err := checkWithin("CABLE_CONSTANT_OUT_OF_RANGE", "cable constant", k, 0, 10_000, "dB per 100 m"); err != nil {
			return 0, err
		}
	}
	ghz := float64(f) / 1000
	return units.DBPerHundredMeter(k1*math.Sqrt(ghz) + k2*ghz), nil
}

// Cable is one size of coaxial line.
type Cable struct {
	Name           string
	K1, K2         float64         // see Attenuation
	Highest        units.Megahertz // loss is not extrapolated above it
	VelocityFactor units.VelocityFactor
	Source         string
}

const genericSource = "typical of generic 50 ohm foam-dielectric corrugated line, from memory: for plausibility, not for acceptance"

var cables = []Cable{
	{"1/2 inch", 6.66, 0.65, 3500, 0.88, genericSource},
	{"7/8 inch", 3.51, 0.47, 3500, 0.88, genericSource},
	{"1-1/4 inch", 2.52, 0.40, 3500, 0.88, genericSource},
	{"1-5/8 inch", 2.07, 0.37, 2700, 0.88, genericSource},
}

// GenericCables lists the built-in sizes. Their constants are from memory: good
// enough to see a mistake, not to accept a line; the data sheet's values win.
func GenericCables() []Cable { return slices.Clone(cables) }

// GenericCable returns a built-in size by name: "1/2 inch", "7/8 inch",
// "1-1/4 inch", "1-5/8 inch".
//
// The error is NotFound, CABLE_UNKNOWN.
func GenericCable(name string) (Cable, error) {
	for _, c := range cables {
		if c.Name == name {
			return c, nil
		}
	}
	return Cable{}, errs.New(errs.NotFound, "CABLE_UNKNOWN", fmt.Sprintf("cable: %.60q is not a built-in size; give its data sheet's values", name), "field", "cable")
}

// Attenuation gives the cable's loss at 20 °C in dB per 100 m.
//
// Errors, Invalid: FREQUENCY_ABOVE_CABLE (no extrapolation above Highest, near
// the cut-off), and those of the function Attenuation.
func (c Cable) Attenuation(f units.Megahertz) (units.DBPerHundredMeter, error) {
	a, err := Attenuation(c.K1, c.K2, f)
	if err != nil {
		return 0, err
	}
	if f > c.Highest {
		return 0, errs.Field("FREQUENCY_ABOVE_CABLE", "frequency",
			fmt.Sprintf("%g MHz is above %g MHz, the highest for %s cable", float64(f), float64(c.Highest), c.Name))
	}
	return a, nil
}

// CablePoint is one row of a data sheet's loss table.
type CablePoint struct {
	Frequency units.Megahertz
	Loss      units.DBPerHundredMeter
}

// CableFromTable fits k1 and k2 to a data sheet's loss table by least squares
// of the relative error, so that loss between the table's frequencies follows
// the physical form. Highest becomes the table's highest frequency. worst is
// the largest relative difference between table and fit (0.01 = 1 %).
//
// Errors, Invalid: CABLE_TABLE_UNUSABLE (fewer than 2 rows or more than 1000,
// rows at one frequency only, a loss that is not positive, or a fit with a
// negative constant), FREQUENCY_OUT_OF_RANGE.
func CableFromTable(name string, points []CablePoint, vf units.VelocityFactor, source string) (c Cable, worst float64, err error) {
	bad := func(msg string) (Cable, float64, error) {
		return Cable{}, 0, errs.Field("CABLE_TABLE_UNUSABLE", "loss table", msg)
	}
	if len(points) < 2 || len(points) > 1000 {
		return bad("needs 2 to 1000 rows")
	}
	if err := checkVelocityFactor(vf); err != nil {
		return Cable{}, 0, err
	}
	// Minimise Σ((k1·√f + k2·f)/a − 1)²: columns u = √f/a, v = f/a.
	var uu, uv, vv, u1, v1 float64
	var highest units.Megahertz
	for _, p := range points {
		if err := checkFrequency("frequency", p.Frequency); err != nil {
			return Cable{}, 0, err
		}
		a := float64(p.Loss)
		if !finite(a) || a < 1e-6 || a > 1e6 {
			return bad("every loss must be a number over 0 dB per 100 m")
		}
		f := float64(p.Frequency) / 1000
		u, v := math.Sqrt(f)/a, f/a
		uu, uv, vv, u1, v1 = uu+u*u, uv+u*v, vv+v*v, u1+u, v1+v
		highest = max(highest, p.Frequency)
	}
	det := uu*vv - uv*uv
	if det <= 1e-9*uu*vv {
		return bad("needs rows at two frequencies that are well apart")
	}
	c = Cable{name, (u1*vv - v1*uv) / det, (v1*uu - u1*uv) / det, highest, vf, source}
	if c.K1 < 0 || c.K2 < 0 {
		return bad("does not follow the form k1·√f + k2·f of a coaxial line; is a row mistyped?")
	}
	for _, p := range points {
		a, err := c.Attenuation(p.Frequency)
		if err != nil {
			return Cable{}, 0, err
		}
		worst = math.Max(worst, math.Abs(float64(a/p.Loss)-1))
	}
	return c, worst, nil
}

// ConnectorPairLoss gives 0.05·√f dB (f in GHz) for one mated pair. Common
// practice; open connector specifications use the form.
//
// The error is Invalid, FREQUENCY_OUT_OF_RANGE.
func ConnectorPairLoss(f units.Megahertz) (units.DB, error) {
	if err := checkFrequency("frequency", f); err != nil {
		return 0, err
	}
	return units.DB(0.05 * math.Sqrt(float64(f)/1000)), nil
}

// Section is a length of one cable in a line.
type Section struct {
	Cable  Cable
	Length units.Meters
}

// maxLineLength bounds a line on or to a tower.
const maxLineLength = 100_000.0

// LineLoss gives the one-way loss of a line at 20 °C: each section's length/100
// times its loss, plus the mated pairs.
//
// Errors, Invalid: FREQUENCY_OUT_OF_RANGE, FREQUENCY_ABOVE_CABLE,
// LENGTH_OUT_OF_RANGE, CONNECTORS_OUT_OF_RANGE (0 to 1000).
func LineLoss(sections []Section, connectorPairs int, f units.Megahertz) (units.DB, error) {
	if connectorPairs < 0 || connectorPairs > 1000 {
		return 0, errs.Field("CONNECTORS_OUT_OF_RANGE", "connector pairs", "must be from 0 to 1000")
	}
	pair, err := ConnectorPairLoss(f)
	if err != nil {
		return 0, err
	}
	loss := units.DB(connectorPairs) * pair
	for _, s := range sections {
		if err := checkWithin("LENGTH_OUT_OF_RANGE", "length", float64(s.Length), 0, maxLineLength, "m"); err != nil {
			return 0, err
		}
		a, err := s.Cable.Attenuation(f)
		if err != nil {
			return 0, err
		}
		loss += units.DB(s.Length) / 100 * units.DB(a)
	}
	return loss, nil
}

const copperPerKelvin = 0.00393 // at 20 °C, IEC 60028, from memory

func checkCableTemperature(t units.Celsius) error {
	return checkWithin("TEMPERATURE_OUT_OF_RANGE", "temperature", float64(t), -80, 150, "°C")
}

// ConductorTemperatureFactor gives √(1 + 0.00393·(T−20)): how conductor loss
// changes from 20 °C, for −80 to 150 °C. Skin-effect loss goes with the root of
// the resistivity; strictly for the k1 term only.
//
// The error is Invalid, TEMPERATURE_OUT_OF_RANGE.
func ConductorTemperatureFactor(t units.Celsius) (float64, error) {
	if err := checkCableTemperature(t); err != nil {
		return 0, err
	}
	return math.Sqrt(1 + copperPerKelvin*(float64(t)-20)), nil
}

// FieldTemperatureFactor gives 1 + 0.002·(T−20), the field form for the whole
// loss, for −80 to 150 °C. Common practice.
//
// The error is Invalid, TEMPERATURE_OUT_OF_RANGE.
func FieldTemperatureFactor(t units.Celsius) (float64, error) {
	if err := checkCableTemperature(t); err != nil {
		return 0, err
	}
	return 1 + 0.002*(float64(t)-20), nil
}

// LossFromShort gives a line's one-way loss from the return loss read with its
// far end shorted: half the mean of the ripple's peak and trough (give the same
// number twice when there is no ripple). Common practice.
//
// Errors, Invalid: RETURN_LOSS_NEGATIVE, RETURN_LOSS_OUT_OF_RANGE.
func LossFromShort(peak, trough units.DB) (units.DB, error) {
	for _, rl := range []units.DB{peak, trough} {
		if err := checkReturnLoss(rl); err != nil {
			return 0, err
		}
		if math.IsInf(float64(rl), 1) {
			return 0, errs.Field("RETURN_LOSS_OUT_OF_RANGE", "return loss", "a shorted line cannot have an infinite return loss")
		}
	}
	return (peak + trough) / 4, nil
}

func checkVelocityFactor(vf units.VelocityFactor) error {
	if !(vf > 0 && vf <= 1) {
		return errs.Field("VELOCITY_FACTOR_OUT_OF_RANGE", "velocity factor", "must be over 0 and at most 1")
	}
	if vf < 0.1 {
		return errs.Field("VELOCITY_FACTOR_OUT_OF_RANGE", "velocity factor", "is under 0.1, slower than any line")
	}
	return nil
}
