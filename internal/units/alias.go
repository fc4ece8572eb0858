package units

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/errs"
)

// exactNames are spellings for which case carries meaning.
var exactNames = map[string]Unit{
	"Nm": UnitNewtonMeters, "N·m": UnitNewtonMeters,
	"nm": UnitNanometers,
	"mW": UnitMilliwatts,
	"kN": UnitKilonewtons, "kn": UnitKnots,
	"N": UnitNewtons, "h": UnitHours, "s": UnitSeconds, "t": UnitTonnes, "m": UnitMeters,
	"C": UnitCelsius, "F": UnitFahrenheit,
	"mW/cm²": UnitMilliwattsPerSquareCentimeter, "mW/cm2": UnitMilliwattsPerSquareCentimeter, "mW/cm^2": UnitMilliwattsPerSquareCentimeter,
	"MHz": UnitMegahertz, "mhz": UnitMegahertz, "MHZ": UnitMegahertz, "Mhz": UnitMegahertz,
	"m/s": UnitMetersPerSecond,
}

// ambiguousNames are spellings that two units share once case is lost.
var ambiguousNames = map[string]string{
	"NM":  "write Nm for newton-metre or nm for nanometre",
	"nM":  "write Nm for newton-metre or nm for nanometre",
	"n·m": "write Nm for newton-metre or nm for nanometre",
	"N·M": "write Nm for newton-metre or nm for nanometre",
	"KN":  "write kN for kilonewton or kn for knot",
	"Kn":  "write kN for kilonewton or kn for knot",
	"MW":  "write mW for milliwatt; megawatts are not used here",
	"mHz": "write MHz for megahertz; millihertz are not used here",
}

// foldedNames are spellings for which case does not matter, in lower case. A
// product sign is ·; spaces and hyphens between letters have become one.
var foldedNames = map[string]Unit{}

func init() {
	for u, names := range map[Unit]string{
		UnitNewtonMeters:             "newton·meter newton·meters newton·metre newton·metres newtonmeters newtonmetres",
		UnitFootPounds:               "ft·lb ft·lbs ft·lbf ftlb ftlbs ftlbf lb·ft lbs·ft lbf·ft lbft lbfft foot·pound foot·pounds pound·feet pie·libra",
		UnitInchPounds:               "in·lb in·lbs in·lbf inlb inlbs inlbf lb·in lbs·in lbf·in lbin lbfin inch·pound inch·pounds",
		UnitKilogramForceMeters:      "kgf·m kgfm m·kgf",
		UnitKilogramForceCentimeters: "kgf·cm kgfcm",
		UnitDecibels:                 "db",
		UnitDecibelsCarrier:          "dbc",
		UnitDecibelsMilliwatt:        "dbm",
		UnitDecibelsIsotropic:        "dbi",
		UnitDecibelsPerKilometer:     "db/km",
		UnitDecibelsPerHundredMeters: "db/100m db/100·m",
		UnitMeters:                   "meter meters metre metres metro metros",
		UnitKilometers:               "km",
		UnitCentimeters:              "cm",
		UnitMillimeters:              "mm",
		UnitMicrometers:              "µm um micron microns",
		UnitNanometers:               "nanometer nanometers nanometre nanometres",
		UnitFeet:                     "ft foot feet '",
		UnitInches:                   "in inch inches \"",
		UnitCelsius:                  "°c degc celsius",
		UnitFahrenheit:               "°f degf fahrenheit",
		UnitWatts:                    "w watt watts",
		UnitKilowatts:                "kw",
		UnitHertz:                    "hz",
		UnitKilohertz:                "khz",
		UnitGigahertz:                "ghz",
		UnitKnots:                    "kt kts knot knots",
		UnitMilesPerHour:             "mph mi/h",
		UnitKilometersPerHour:        "km/h kmh kph",
		UnitKilograms:                "kg",
		UnitPounds:                   "lb lbs pound pounds",
		UnitTonnes:                   "tonne tonnes",
		UnitPoundsForce:              "lbf",
		UnitKilogramsForce:           "kgf",
		UnitPercent:                  "%",
		UnitDegrees:                  "° deg degree degrees",
		UnitRatio:                    ":1",
		UnitMinutes:                  "min minute minutes",
		UnitSeconds:                  "sec second seconds",
		UnitHours:                    "hour hours hr hrs",
		UnitWattsPerSquareMeter:      "w/m² w/m2 w/m^2",
		UnitVoltsPerMeter:            "v/m",
		UnitOhms:                     "ω ohm ohms",
	} {
		for n := range strings.FieldsSeq(names) {
			if other, taken := foldedNames[n]; taken {
				panic("units: " + n + " names both " + string(u) + " and " + string(other))
			}
			foldedNames[n] = u
		}
	}
}

// lookUp finds the unit that text names. In a field for forces, where none for
// masses is allowed, "lb" and "kg" are the trade's pound-force and
// kilogram-force.
func lookUp(text string, dims []Dimension) (Unit, error) {
	key := productSigns(text)
	u, ok := exactNames[key]
	if !ok {
		if why, bad := ambiguousNames[key]; bad {
			return "", errs.New(errs.Invalid, "UNIT_AMBIGUOUS", fmt.Sprintf("%q could be two units; %s", text, why))
		}
		// ToLower turns Ω into ω, and leaves µ, ² and ° alone.
		u, ok = foldedNames[strings.ToLower(key)]
	}
	if !ok {
		return "", errs.New(errs.Invalid, "UNIT_UNKNOWN", fmt.Sprintf("%.60q is not a unit that is known here", text))
	}
	if slices.Contains(dims, Force) && !slices.Contains(dims, Mass) {
		switch u {
		case UnitPounds:
			return UnitPoundsForce, nil
		case UnitKilograms:
			return UnitKilogramsForce, nil
		}
	}
	return u, nil
}

// productSigns turns what joins the parts of a unit (space, hyphen, full stop)
// into ·, and drops blanks around signs: "ft - lb" and "ft lb" give "ft·lb".
func productSigns(s string) string {
	s = strings.TrimSuffix(s, ".") // "12 in."
	var b strings.Builder
	joined := false
	for _, r := range s {
		switch r {
		case ' ', '-', '.', '·':
			joined = true
			continue
		}
		if joined && b.Len() > 0 && r != '/' && !strings.HasSuffix(b.String(), "/") {
			b.WriteRune('·')
		}
		joined = false
		b.WriteRune(r)
	}
	return b.String()
}
