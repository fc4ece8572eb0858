package fibre

import (
	"fmt"
	"math"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// SpeedOfLight in vacuum, in m/s, exact.
const SpeedOfLight = 299_792_458

// GroupIndex is a typical group index of a fibre at a wavelength.
type GroupIndex struct {
	Fibre      string
	Wavelength units.Nanometers
	Index      float64
	Source     working.Source
}

// GroupIndices returns the typical settings; use the cable maker's figure where
// it is given. The caller owns the slice.
func GroupIndices() []GroupIndex {
	s := working.Source{Document: "usual baseline setting in open texts", Status: working.Confirmed}
	return []GroupIndex{
		{"single-mode", 1310, 1.4677, s},
		{"single-mode", 1550, 1.4682, s},
		{"50/125", 850, 1.481, s},
		{"50/125", 1300, 1.476, s},
		{"62.5/125", 850, 1.496, s},
		{"62.5/125", 1300, 1.491, s},
	}
}

// Bounds of OTDR arithmetic.
const (
	maxRoundTripSeconds = 0.1
	maxFibreMeters      = 10_000_000
)

// Distance returns how far away an echo lies, c·t/(2·n), for a round-trip time
// of 0 to 0.1 s, in seconds, and a group index n over 1 and at most 3.
//
// Errors are Invalid: TIME_OUT_OF_RANGE, INDEX_OUT_OF_RANGE.
func Distance(roundTripSeconds, n float64) (units.Meters, error) {
	if err := index(n); err != nil {
		return 0, err
	}
	if !(roundTripSeconds >= 0 && roundTripSeconds <= maxRoundTripSeconds) {
		return 0, errs.Field("TIME_OUT_OF_RANGE", "roundTripSeconds", fmt.Sprintf("a round trip takes 0 to %v s, got %g", maxRoundTripSeconds, roundTripSeconds))
	}
	return units.Meters(SpeedOfLight * roundTripSeconds / (2 * n)), nil
}

// RoundTrip returns the seconds that light takes to a distance and back,
// 2·n·d/c. It is the inverse of Distance.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE, INDEX_OUT_OF_RANGE.
func RoundTrip(d units.Meters, n float64) (float64, error) {
	if err := index(n); err != nil {
		return 0, err
	}
	if err := fibreLength("distance", d); err != nil {
		return 0, err
	}
	return 2 * n * float64(d) / SpeedOfLight, nil
}

// CorrectIndex returns the true distance of an event shown with the index set
// on the instrument, when the fibre's is another: shown·set/true. Raising the
// index shortens the shown length.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE, INDEX_OUT_OF_RANGE.
func CorrectIndex(shown units.Meters, indexSet, indexTrue float64) (units.Meters, error) {
	for _, n := range []float64{indexSet, indexTrue} {
		if err := index(n); err != nil {
			return 0, err
		}
	}
	if err := fibreLength("shown", shown); err != nil {
		return 0, err
	}
	return units.Meters(float64(shown) * indexSet / indexTrue), nil
}

// PulseLength returns how far apart two points must lie for a pulse to tell
// them apart, c·τ/(2·n): a lower bound of the dead zone. Real dead zones are
// longer. The pulse is over 0 and at most 1 ms.
//
// Errors are Invalid: PULSE_OUT_OF_RANGE, INDEX_OUT_OF_RANGE.
func PulseLength(pulse time.Duration, n float64) (units.Meters, error) {
	if pulse <= 0 || pulse > time.Millisecond {
		return 0, errs.Field("PULSE_OUT_OF_RANGE", "pulse", fmt.Sprintf("a pulse is over 0 and at most 1 ms, got %v", pulse))
	}
	return Distance(pulse.Seconds(), n)
}

// DeadZone is a definition of how near to a reflection an OTDR is blind.
type DeadZone struct {
	Name       string
	Definition string
	LevelDB    units.DB
	Source     working.Source
}

// DeadZones returns the two definitions. The caller owns the slice.
func DeadZones() []DeadZone {
	s := working.Source{Document: "IEC 61746-1", Status: working.FromMemory}
	return []DeadZone{
		{"event dead zone", "width of a reflection 1.5 dB below its peak", 1.5, s},
		{"attenuation dead zone", "distance until the trace is within 0.5 dB of backscatter", 0.5, s},
	}
}

// Point is one point of a trace: where, and the level there in dB.
type Point struct {
	At    units.Meters
	Level units.DB
}

// TwoPointLoss returns the loss per kilometre between two points of a trace,
// (y1 − y2)/(d2 − d1). A rising trace gives a negative figure.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE, also when the second point is not
// beyond the first; LOSS_OUT_OF_RANGE.
func TwoPointLoss(first, second Point) (units.DBPerKilometer, error) {
	for _, p := range []struct {
		field string
		p     Point
	}{{"first", first}, {"second", second}} {
		if err := fibreLength(p.field+".at", p.p.At); err != nil {
			return 0, err
		}
		if err := levels(level{p.field + ".level", float64(p.p.Level)}); err != nil {
			return 0, err
		}
	}
	d := float64(second.At-first.At) / 1000
	a := float64(first.Level-second.Level) / d
	if !(d > 0) || math.IsInf(a, 0) {
		return 0, errs.Field("LENGTH_OUT_OF_RANGE", "second.at", "the second point lies beyond the first")
	}
	return units.DBPerKilometer(a), nil
}

// CableLength returns the length of the jacket from that of the fibre inside,
// fibre/(1 + h), where h is the helix excess, 0 to 0.2. The optical length is
// the longer one.
//
// Errors are Invalid: LENGTH_OUT_OF_RANGE, HELIX_OUT_OF_RANGE.
func CableLength(fibre units.Meters, helixExcess float64) (units.Meters, error) {
	if err := fibreLength("fibre", fibre); err != nil {
		return 0, err
	}
	if !(helixExcess >= 0 && helixExcess <= 0.2) {
		return 0, errs.Field("HELIX_OUT_OF_RANGE", "helixExcess", fmt.Sprintf("a helix excess is from 0 to 0.2, got %g", helixExcess))
	}
	return units.Meters(float64(fibre) / (1 + helixExcess)), nil
}

// LaunchCord returns the usual least length of launch and receive cords. Without
// a receive cord the far connector is not measured: that is recorded as 'not
// measured', never as 0 dB (common practice).
func LaunchCord(singleMode bool) (units.Meters, working.Source) {
	s := working.Source{Document: "launch and receive cord long enough to clear the dead zone of the pulse used", Status: working.CommonPractice}
	if singleMode {
		return 150, s
	}
	return 100, s
}

func index(n float64) error {
	if !(n > 1 && n <= 3) {
		return errs.Field("INDEX_OUT_OF_RANGE", "index", fmt.Sprintf("a group index is over 1 and at most 3, got %g", n))
	}
	return nil
}

func fibreLength(field string, d units.Meters) error {
	if !(d >= 0 && d <= maxFibreMeters) {
		return errs.Field("LENGTH_OUT_OF_RANGE", field, fmt.Sprintf("a length is from 0 to %d m, got %s", maxFibreMeters, plain(float64(d))))
	}
	return nil
}
