package units

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"witnessmark/internal/errs"
)

// Unit is the code of a unit, from a closed list. The code is the name that the
// record uses; it never changes meaning.
type Unit string

// The closed list of units.
const (
	UnitNewtonMeters                  Unit = "NEWTON_METERS"
	UnitFootPounds                    Unit = "FOOT_POUNDS" // pound-force feet, a torque
	UnitInchPounds                    Unit = "INCH_POUNDS" // pound-force inches, a torque
	UnitKilogramForceMeters           Unit = "KILOGRAM_FORCE_METERS"
	UnitKilogramForceCentimeters      Unit = "KILOGRAM_FORCE_CENTIMETERS"
	UnitDecibels                      Unit = "DECIBELS"
	UnitDecibelsCarrier               Unit = "DECIBELS_CARRIER"   // over ONE carrier
	UnitDecibelsMilliwatt             Unit = "DECIBEL_MILLIWATTS" // over one milliwatt
	UnitDecibelsIsotropic             Unit = "DECIBELS_ISOTROPIC"
	UnitDecibelsPerKilometer          Unit = "DECIBELS_PER_KILOMETER"
	UnitDecibelsPerHundredMeters      Unit = "DECIBELS_PER_HUNDRED_METERS"
	UnitMeters                        Unit = "METERS"
	UnitKilometers                    Unit = "KILOMETERS"
	UnitCentimeters                   Unit = "CENTIMETERS"
	UnitMillimeters                   Unit = "MILLIMETERS"
	UnitMicrometers                   Unit = "MICROMETERS"
	UnitNanometers                    Unit = "NANOMETERS"
	UnitFeet                          Unit = "FEET"
	UnitInches                        Unit = "INCHES"
	UnitCelsius                       Unit = "CELSIUS"
	UnitFahrenheit                    Unit = "FAHRENHEIT"
	UnitWatts                         Unit = "WATTS"
	UnitMilliwatts                    Unit = "MILLIWATTS"
	UnitKilowatts                     Unit = "KILOWATTS"
	UnitHertz                         Unit = "HERTZ"
	UnitKilohertz                     Unit = "KILOHERTZ"
	UnitMegahertz                     Unit = "MEGAHERTZ"
	UnitGigahertz                     Unit = "GIGAHERTZ"
	UnitMetersPerSecond               Unit = "METERS_PER_SECOND"
	UnitKnots                         Unit = "KNOTS"
	UnitMilesPerHour                  Unit = "MILES_PER_HOUR"
	UnitKilometersPerHour             Unit = "KILOMETERS_PER_HOUR"
	UnitKilograms                     Unit = "KILOGRAMS"
	UnitPounds                        Unit = "POUNDS" // mass
	UnitTonnes                        Unit = "TONNES"
	UnitNewtons                       Unit = "NEWTONS"
	UnitKilonewtons                   Unit = "KILONEWTONS"
	UnitPoundsForce                   Unit = "POUNDS_FORCE"
	UnitKilogramsForce                Unit = "KILOGRAMS_FORCE"
	UnitPercent                       Unit = "PERCENT"
	UnitDegrees                       Unit = "DEGREES" // of angle
	UnitRatio                         Unit = "RATIO"   // VSWR, velocity factor
	UnitCount                         Unit = "COUNT"   // whole numbers
	UnitSeconds                       Unit = "SECONDS"
	UnitMinutes                       Unit = "MINUTES"
	UnitHours                         Unit = "HOURS"
	UnitWattsPerSquareMeter           Unit = "WATTS_PER_SQUARE_METER"
	UnitMilliwattsPerSquareCentimeter Unit = "MILLIWATTS_PER_SQUARE_CENTIMETER"
	UnitVoltsPerMeter                 Unit = "VOLTS_PER_METER"
	UnitOhms                          Unit = "OHMS"
)

// Dimension is what a unit measures, in the words of an error sentence. Only
// units of one dimension convert into each other. The decibel kinds are
// dimensions of their own: going from one to another needs a reference level
// (package rf).
type Dimension string

// The dimensions.
const (
	Torque        Dimension = "torque"
	Ratio         Dimension = "ratio"
	Count         Dimension = "count"
	LevelRatio    Dimension = "level ratio in dB"
	CarrierLevel  Dimension = "level over one carrier"
	PowerLevel    Dimension = "power level over one milliwatt"
	AntennaGain   Dimension = "gain over an isotropic radiator"
	LossPerLength Dimension = "loss per length"
	Length        Dimension = "length"
	Temperature   Dimension = "temperature"
	Power         Dimension = "power"
	Frequency     Dimension = "frequency"
	Speed         Dimension = "speed"
	Mass          Dimension = "mass"
	Force         Dimension = "force"
	Share         Dimension = "percentage"
	Angle         Dimension = "angle"
	Duration      Dimension = "duration"
	PowerDensity  Dimension = "power density"
	FieldStrength Dimension = "electric field strength"
	Resistance    Dimension = "resistance or impedance"
)

type unitInfo struct {
	code   Unit
	dim    Dimension
	symbol string
	name   string // in words, singular
	scale  string // one unit in the dimension's base unit: exact factors joined by *
}

// unitTable gives every unit and its exact size. The pound is 0.45359237 kg,
// the foot 0.3048 m, the inch 0.0254 m and the mile 1609.344 m by the
// international yard and pound agreement of 1959; the nautical mile is 1852 m;
// standard gravity is 9.80665 m/s² (third CGPM, 1901).
//
// The first unit of a dimension is its base unit.
var unitTable = []unitInfo{
	{UnitNewtonMeters, Torque, "N·m", "newton-metre", "1"},
	{UnitFootPounds, Torque, "ft·lbf", "foot-pound", "0.3048*0.45359237*9.80665"},
	{UnitInchPounds, Torque, "in·lbf", "inch-pound", "0.0254*0.45359237*9.80665"},
	{UnitKilogramForceMeters, Torque, "kgf·m", "kilogram-force metre", "9.80665"},
	{UnitKilogramForceCentimeters, Torque, "kgf·cm", "kilogram-force centimetre", "0.0980665"},
	{UnitDecibels, LevelRatio, "dB", "decibel", "1"},
	{UnitDecibelsCarrier, CarrierLevel, "dBc", "decibel over one carrier", "1"},
	{UnitDecibelsMilliwatt, PowerLevel, "dBm", "decibel over one milliwatt", "1"},
	{UnitDecibelsIsotropic, AntennaGain, "dBi", "decibel over isotropic", "1"},
	{UnitDecibelsPerHundredMeters, LossPerLength, "dB/100 m", "decibel per hundred metres", "1"},
	{UnitDecibelsPerKilometer, LossPerLength, "dB/km", "decibel per kilometre", "0.1"},
	{UnitMeters, Length, "m", "metre", "1"},
	{UnitKilometers, Length, "km", "kilometre", "1000"},
	{UnitCentimeters, Length, "cm", "centimetre", "0.01"},
	{UnitMillimeters, Length, "mm", "millimetre", "0.001"},
	{UnitMicrometers, Length, "µm", "micrometre", "0.000001"},
	{UnitNanometers, Length, "nm", "nanometre", "0.000000001"},
	{UnitFeet, Length, "ft", "foot", "0.3048"},
	{UnitInches, Length, "in", "inch", "0.0254"},
	{UnitCelsius, Temperature, "°C", "degree Celsius", "1"},
	{UnitFahrenheit, Temperature, "°F", "degree Fahrenheit", "5/9"},
	{UnitWatts, Power, "W", "watt", "1"},
	{UnitMilliwatts, Power, "mW", "milliwatt", "0.001"},
	{UnitKilowatts, Power, "kW", "kilowatt", "1000"},
	{UnitMegahertz, Frequency, "MHz", "megahertz", "1"},
	{UnitHertz, Frequency, "Hz", "hertz", "0.000001"},
	{UnitKilohertz, Frequency, "kHz", "kilohertz", "0.001"},
	{UnitGigahertz, Frequency, "GHz", "gigahertz", "1000"},
	{UnitMetersPerSecond, Speed, "m/s", "metre per second", "1"},
	{UnitKnots, Speed, "kn", "knot", "1852/3600"},
	{UnitMilesPerHour, Speed, "mph", "mile per hour", "0.44704"},
	{UnitKilometersPerHour, Speed, "km/h", "kilometre per hour", "1000/3600"},
	{UnitKilograms, Mass, "kg", "kilogram", "1"},
	{UnitPounds, Mass, "lb", "pound", "0.45359237"},
	{UnitTonnes, Mass, "t", "tonne", "1000"},
	{UnitNewtons, Force, "N", "newton", "1"},
	{UnitKilonewtons, Force, "kN", "kilonewton", "1000"},
	{UnitPoundsForce, Force, "lbf", "pound-force", "0.45359237*9.80665"},
	{UnitKilogramsForce, Force, "kgf", "kilogram-force", "9.80665"},
	{UnitPercent, Share, "%", "per cent", "1"},
	{UnitDegrees, Angle, "°", "degree", "1"},
	{UnitRatio, Ratio, "", "ratio", "1"},
	{UnitCount, Count, "", "count", "1"},
	{UnitMinutes, Duration, "min", "minute", "1"},
	{UnitSeconds, Duration, "s", "second", "1/60"},
	{UnitHours, Duration, "h", "hour", "60"},
	{UnitWattsPerSquareMeter, PowerDensity, "W/m²", "watt per square metre", "1"},
	{UnitMilliwattsPerSquareCentimeter, PowerDensity, "mW/cm²", "milliwatt per square centimetre", "10"},
	{UnitVoltsPerMeter, FieldStrength, "V/m", "volt per metre", "1"},
	{UnitOhms, Resistance, "Ω", "ohm", "1"},
}

// factor is the size of one unit in another, as a fraction of two floats, so
// that factors such as 1/1000 and 12 cost one rounding only.
type factor struct{ num, den float64 }

var (
	unitByCode = map[Unit]unitInfo{}
	factors    = map[[2]Unit]factor{}
)

func init() {
	sizes := map[Unit]*big.Rat{}
	for _, u := range unitTable {
		size := big.NewRat(1, 1)
		for part := range strings.SplitSeq(u.scale, "*") {
			r, ok := new(big.Rat).SetString(part)
			if !ok {
				panic("units: bad scale of " + string(u.code))
			}
			size.Mul(size, r)
		}
		unitByCode[u.code] = u
		sizes[u.code] = size
	}
	for _, a := range unitTable {
		for _, b := range unitTable {
			if a.dim != b.dim {
				continue
			}
			q := new(big.Rat).Quo(sizes[a.code], sizes[b.code])
			num, numExact := new(big.Float).SetInt(q.Num()).Float64()
			den, denExact := new(big.Float).SetInt(q.Denom()).Float64()
			if numExact == big.Exact && denExact == big.Exact && (num == 1 || den == 1) {
				factors[[2]Unit{a.code, b.code}] = factor{num, den}
				continue
			}
			f, _ := q.Float64() // the nearest float64: one rounding here, one when applied
			factors[[2]Unit{a.code, b.code}] = factor{f, 1}
		}
	}
}

// Units lists every unit in a fixed order.
func Units() []Unit {
	out := make([]Unit, len(unitTable))
	for i, u := range unitTable {
		out[i] = u.code
	}
	return out
}

// UnitsOf lists the units of a dimension; the first is its base unit.
func UnitsOf(d Dimension) []Unit {
	var out []Unit
	for _, u := range unitTable {
		if u.dim == d {
			out = append(out, u.code)
		}
	}
	return out
}

// Valid reports whether u is in the closed list.
func (u Unit) Valid() bool { _, ok := unitByCode[u]; return ok }

// Dimension returns what u measures, or "" for a code that is not in the list.
func (u Unit) Dimension() Dimension { return unitByCode[u].dim }

// Symbol returns the printed form ("N·m"), "" for ratios, counts and codes that
// are not in the list.
func (u Unit) Symbol() string { return unitByCode[u].symbol }

// Name returns the unit's name in words, singular ("newton-metre").
func (u Unit) Name() string { return unitByCode[u].name }

// ParseUnit returns the unit with this code.
//
// The error is Invalid, reason UNIT_UNKNOWN.
func ParseUnit(code string) (Unit, error) {
	if u := Unit(code); u.Valid() {
		return u, nil
	}
	return "", errs.New(errs.Invalid, "UNIT_UNKNOWN", fmt.Sprintf("unit: %.60q is not a unit of this program", code),
		"field", "unit")
}

// absoluteZeroC is 0 K in °C, exact by definition of the Celsius scale.
const absoluteZeroC = -273.15

// Convert returns value, given in unit from, in unit to. Both units measure the
// same dimension. Temperatures are points on the scale, not differences.
//
// Errors, all Invalid: UNIT_UNKNOWN; UNIT_WRONG_DIMENSION (also between the
// decibel kinds); VALUE_NOT_FINITE (the value, or the result, is NaN or
// infinite); BELOW_ABSOLUTE_ZERO.
func Convert(value float64, from, to Unit) (float64, error) {
	for _, u := range []Unit{from, to} {
		if !u.Valid() {
			return 0, errs.New(errs.Invalid, "UNIT_UNKNOWN", fmt.Sprintf("unit: %.60q is not a unit of this program", string(u)),
				"field", "unit")
		}
	}
	if from.Dimension() != to.Dimension() {
		return 0, errs.New(errs.Invalid, "UNIT_WRONG_DIMENSION", fmt.Sprintf("unit: a %s (%s) cannot be given in %s, a %s",
			from.Dimension(), from.Name(), to.Name(), to.Dimension()), "field", "unit")
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, errs.Field("VALUE_NOT_FINITE", "value", "must be a finite number")
	}
	if from.Dimension() == Temperature {
		return convertTemperature(value, from, to)
	}
	if from == to {
		return value, nil
	}
	f := factors[[2]Unit{from, to}]
	out := value * f.num / f.den
	if math.IsInf(out, 0) {
		return 0, errs.Field("VALUE_NOT_FINITE", "value", fmt.Sprintf("is too large to be given in %s", to.Name()))
	}
	return out, nil
}

func convertTemperature(value float64, from, to Unit) (float64, error) {
	celsius := value
	if from == UnitFahrenheit {
		celsius = (value - 32) * 5 / 9
	}
	// A hair of room: −459.67 °F is 0 K exactly but not in binary.
	if celsius < absoluteZeroC-1e-9 {
		return 0, errs.Field("BELOW_ABSOLUTE_ZERO", "temperature", "is below absolute zero (−273.15 °C)")
	}
	out := value
	switch {
	case from == to:
	case to == UnitCelsius:
		out = celsius
	default:
		out = value*9/5 + 32
	}
	if math.IsInf(out, 0) {
		return 0, errs.Field("VALUE_NOT_FINITE", "value", fmt.Sprintf("is too large to be given in %s", to.Name()))
	}
	return out, nil
}

// Exact sizes of the units that the trade mixes, as untyped constants for
// packages that want to compute with them directly.
const (
	PoundInKilograms       = 0.45359237
	FootInMeters           = 0.3048
	InchInMeters           = 0.0254
	StandardGravity        = 9.80665 // m/s²
	FootPoundInNewtonMeter = FootInMeters * PoundInKilograms * StandardGravity
	InchPoundInNewtonMeter = InchInMeters * PoundInKilograms * StandardGravity
	KnotInMetersPerSecond  = 1852.0 / 3600
	MileHourInMetersPerSec = 0.44704
)

// NewtonMetersFromFootPounds converts pound-force feet; the factor is
// 0.3048·0.45359237·9.80665 N·m, exact.
func NewtonMetersFromFootPounds(footPounds float64) NewtonMeters {
	return NewtonMeters(footPounds * FootPoundInNewtonMeter)
}

// NewtonMetersFromInchPounds converts pound-force inches.
func NewtonMetersFromInchPounds(inchPounds float64) NewtonMeters {
	return NewtonMeters(inchPounds * InchPoundInNewtonMeter)
}

// FootPounds returns the torque in pound-force feet.
func (t NewtonMeters) FootPounds() float64 { return float64(t) / FootPoundInNewtonMeter }

// InchPounds returns the torque in pound-force inches.
func (t NewtonMeters) InchPounds() float64 { return float64(t) / InchPoundInNewtonMeter }

// Feet returns the length in international feet.
func (m Meters) Feet() float64 { return float64(m) / FootInMeters }

// Fahrenheit returns the temperature on the Fahrenheit scale: 9/5·C + 32.
func (c Celsius) Fahrenheit() float64 { return float64(c)*9/5 + 32 }

func inDimensions(u Unit, dims []Dimension) bool { return slices.Contains(dims, u.Dimension()) }
