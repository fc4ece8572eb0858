// Package units holds the quantities that the trade reads and writes: decibel
// kinds, power, frequency, length, torque, force, temperature, speed. It parses
// what people type, converts, and prints. It has no I/O and no clock.
//
// A quantity's Go type is its unit: a value of type NewtonMeters is in N·m.
// Conversions are methods or functions that name both ends.
package units

// Decibel kinds. They are different things and never mixed without a function.
type (
	DB  float64 // a ratio: return loss (positive), insertion loss (positive), gain
	DBm float64 // power over one milliwatt
	DBc float64 // level over ONE carrier
	DBi float64 // gain over an isotropic radiator
)

// Plain quantities, each in the unit of its name.
type (
	Watts             float64
	Megahertz         float64
	Meters            float64
	Millimeters       float64
	Micrometers       float64
	Nanometers        float64 // wavelength; the torque is NewtonMeters
	NewtonMeters      float64
	Newtons           float64
	Kilograms         float64
	Celsius           float64
	MetersPerSecond   float64
	WattsPerSquareM   float64
	Percent           float64
	Degrees           float64
	RelativeHumidity  float64 // percent, 0 to 100
	VSWR              float64 // 1 or more
	VelocityFactor    float64 // over 0, at most 1
	DBPerKilometer    float64
	DBPerHundredMeter float64
)
