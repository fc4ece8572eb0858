package units

import (
	"math"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

var (
	torqueField = Expectation{Field: "torque", Shown: UnitNewtonMeters, Usual: []Unit{UnitNewtonMeters, UnitFootPounds, UnitInchPounds}, Sign: UsuallyPlus}
	pimField    = Expectation{Field: "level", Dimensions: []Dimension{CarrierLevel, PowerLevel}, Usual: []Unit{UnitDecibelsCarrier, UnitDecibelsMilliwatt}, Sign: UsuallyMinus}
	rlField     = Expectation{Field: "return loss", Shown: UnitDecibels, Dimensions: []Dimension{LevelRatio, Ratio}, Sign: UsuallyPlus, MayBeVSWR: true}
	lengthField = Expectation{Field: "length", Shown: UnitMeters, Sign: UsuallyPlus}
	sizeField   = Expectation{Field: "cable size", Shown: UnitInches, Sign: UsuallyPlus}
	speedField  = Expectation{Field: "wind", Shown: UnitMetersPerSecond}
	tempField   = Expectation{Field: "temperature", Shown: UnitCelsius}
	forceField  = Expectation{Field: "load", Shown: UnitKilonewtons}
	massField   = Expectation{Field: "mass", Shown: UnitKilograms}
	countField  = Expectation{Field: "pairs", Shown: UnitCount}
	keypadField = Expectation{Field: "torque", Shown: UnitNewtonMeters, Keypad: true}
	densField   = Expectation{Field: "power density", Shown: UnitWattsPerSquareMeter}
	freqField   = Expectation{Field: "frequency", Shown: UnitMegahertz}
	cableField  = Expectation{Field: "loss", Shown: UnitDecibelsPerHundredMeters}
)

func TestParseReadsWhatPeopleType(t *testing.T) {
	for _, tc := range []struct {
		name   string
		text   string
		expect Expectation
		value  float64
		unit   Unit
		normal string
		asks   []string
	}{
		{"foot-pounds with a middle dot", "18 ft·lb", torqueField, 18, UnitFootPounds, "18\u00a0ft·lbf", nil},
		{"foot-pounds with a hyphen", "18ft-lbs", torqueField, 18, UnitFootPounds, "18\u00a0ft·lbf", nil},
		{"pound-feet, other order", "18 LBF.FT", torqueField, 18, UnitFootPounds, "18\u00a0ft·lbf", nil},
		{"inch-pounds with a space", "12 in lb", torqueField, 12, UnitInchPounds, "12\u00a0in·lbf", nil},
		{"decimal comma", "24,4 Nm", torqueField, 24.4, UnitNewtonMeters, "24.4\u00a0N·m", nil},
		{"digits as typed stay", "24.40 N m", torqueField, 24.4, UnitNewtonMeters, "24.40\u00a0N·m", nil},
		{"bare number in a field that shows its unit", "25", torqueField, 25, UnitNewtonMeters, "25\u00a0N·m", nil},
		{"no space before dBm", "-112.5dBm", pimField, -112.5, UnitDecibelsMilliwatt, "\u2212112.5\u00a0dBm", nil},
		{"true minus", "\u2212170 dBc", pimField, -170, UnitDecibelsCarrier, "\u2212170\u00a0dBc", nil},
		{"en dash as minus, small letters", "\u2013170 dbc", pimField, -170, UnitDecibelsCarrier, "\u2212170\u00a0dBc", nil},
		{"no-break and thin spaces", "\u2212\u200a112,5\u202fdBm\u00a0", pimField, -112.5, UnitDecibelsMilliwatt, "\u2212112.5\u00a0dBm", nil},
		{"plus sign", "+43 dBm", Expectation{Field: "carrier", Shown: UnitDecibelsMilliwatt}, 43, UnitDecibelsMilliwatt, "43\u00a0dBm", nil},
		{"seven eighths", `7/8"`, sizeField, 0.875, UnitInches, "7/8\u00a0in", nil},
		{"one and a quarter, hyphen", `1-1/4"`, sizeField, 1.25, UnitInches, "1 1/4\u00a0in", nil},
		{"one and five eighths, single character", "1⅝ in", sizeField, 1.625, UnitInches, "1 5/8\u00a0in", nil},
		{"half inch without unit", "1/2", sizeField, 0.5, UnitInches, "1/2\u00a0in", nil},
		{"feet and inches", `5'11"`, lengthField, 71, UnitInches, "71\u00a0in", nil},
		{"feet and inches, curly", "5’ 11 1/2”", lengthField, 71.5, UnitInches, "71.5\u00a0in", nil},
		{"feet and inches, words", "5 ft 11 in", lengthField, 71, UnitInches, "71\u00a0in", nil},
		{"feet alone", "98.5'", lengthField, 98.5, UnitFeet, "98.5\u00a0ft", nil},
		{"point first", ".5 m", lengthField, 0.5, UnitMeters, "0.5\u00a0m", nil},
		{"nanometre", "1550 nm", Expectation{Field: "wavelength", Shown: UnitNanometers}, 1550, UnitNanometers, "1550\u00a0nm", nil},
		{"Greek mu", "9 μm", Expectation{Field: "core", Shown: UnitMicrometers}, 9, UnitMicrometers, "9\u00a0µm", nil},
		{"knots", "20 kn", speedField, 20, UnitKnots, "20\u00a0kn", nil},
		{"kilonewtons", "20 kN", forceField, 20, UnitKilonewtons, "20\u00a0kN", nil},
		{"pounds in a field of forces are pounds-force", "500 lb", forceField, 500, UnitPoundsForce, "500\u00a0lbf", nil},
		{"pounds in a field of masses are a mass", "500 lb", massField, 500, UnitPounds, "500\u00a0lb", nil},
		{"kilometres per hour", "36 kph", speedField, 36, UnitKilometersPerHour, "36\u00a0km/h", nil},
		{"below freezing", "-12 °c", tempField, -12, UnitCelsius, "\u221212\u00a0°C", nil},
		{"one character for °F", "14 ℉", tempField, 14, UnitFahrenheit, "14\u00a0°F", nil},
		{"VSWR with :1", "1.5:1", rlField, 1.5, UnitRatio, "1.5", nil},
		{"per hundred metres", "5.5 dB/100 m", cableField, 5.5, UnitDecibelsPerHundredMeters, "5.5\u00a0dB/100\u00a0m", nil},
		{"milliwatts per square centimetre", "0.57 mW/cm²", densField, 0.57, UnitMilliwattsPerSquareCentimeter, "0.57\u00a0mW/cm²", nil},
		{"small megahertz", "900 mhz", freqField, 900, UnitMegahertz, "900\u00a0MHz", nil},
		{"minus zero is zero", "-0", lengthField, 0, UnitMeters, "0\u00a0m", nil},
		{"whole count", "12", countField, 12, UnitCount, "12", nil},

		{"minus on a return loss", "-15 dB", rlField, -15, UnitDecibels, "\u221215\u00a0dB", []string{AskMinusUnexpected}},
		{"VSWR typed as a return loss", "1.33", rlField, 1.33, UnitDecibels, "1.33\u00a0dB", []string{AskVSWR}},
		{"minus forgotten", "153 dBc", pimField, 153, UnitDecibelsCarrier, "153\u00a0dBc", []string{AskMinusMissing}},
		{"unit missing where none is shown", "-153", pimField, -153, UnitDecibelsCarrier, "\u2212153\u00a0dBc", []string{AskUnitMissing}},
		{"three digits after a lone comma", "1,234 m", lengthField, 1.234, UnitMeters, "1.234\u00a0m", []string{AskThousandsOrNot}},
		{"three digits after a lone point", "25.123", torqueField, 25.123, UnitNewtonMeters, "25.123\u00a0N·m", []string{AskThousandsOrNot}},
		{"three digits after a zero cannot be thousands", "0.875 in", sizeField, 0.875, UnitInches, "0.875\u00a0in", nil},
		{"three digits after four cannot be thousands", "1234,567 m", lengthField, 1234.567, UnitMeters, "1234.567\u00a0m", nil},
		{"own keypad is never ambiguous", "25.123", keypadField, 25.123, UnitNewtonMeters, "25.123\u00a0N·m", nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Parse(tc.text, tc.expect)
			if err != nil {
				t.Fatalf("Parse(%q) failed: %v", tc.text, err)
			}
			var asks []string
			for _, a := range got.Asks {
				asks = append(asks, a.Reason)
				if a.Sentence == "" || len(a.Proposals) == 0 {
					t.Errorf("Parse(%q): ask %+v has no sentence or no proposal", tc.text, a)
				}
			}
			if got.Value != tc.value || got.Unit != tc.unit || got.Normal != tc.normal || got.Typed != tc.text || !slices.Equal(asks, tc.asks) {
				t.Errorf("Parse(%q) = %v %s %q asks %v; want %v %s %q asks %v", tc.text, got.Value, got.Unit, got.Normal, asks,
					tc.value, tc.unit, tc.normal, tc.asks)
			}
			if math.Signbit(got.Value) && got.Value == 0 {
				t.Errorf("Parse(%q) gave a negative zero", tc.text)
			}
		})
	}
}

func TestParseRefusesWithItsOwnReason(t *testing.T) {
	for _, tc := range []struct {
		name, text string
		expect     Expectation
		reason     string
	}{
		{"empty", "  ", torqueField, "VALUE_MISSING"},
		{"thousands by space", "1 234 m", lengthField, "NUMBER_GROUPED"},
		{"thousands by narrow space", "1\u202f234,5 m", lengthField, "NUMBER_GROUPED"},
		{"thousands by comma", "1,234.5 m", lengthField, "NUMBER_GROUPED"},
		{"thousands by points", "1.234.567", lengthField, "NUMBER_GROUPED"},
		{"thousands by apostrophe", "1'234 m", lengthField, "NUMBER_GROUPED"},
		{"exponent", "1e3 m", lengthField, "NUMBER_HAS_EXPONENT"},
		{"exponent with sign", "1E-3 m", lengthField, "NUMBER_HAS_EXPONENT"},
		{"decimal sign at the end", "25. Nm", torqueField, "NUMBER_NOT_READABLE"},
		{"a bound", "<-120 dBm", pimField, "NUMBER_NOT_READABLE"},
		{"a range", "24-26 Nm", torqueField, "NUMBER_NOT_READABLE"},
		{"two signs", "--5 dBc", pimField, "NUMBER_NOT_READABLE"},
		{"a word", "loose", torqueField, "NUMBER_NOT_READABLE"},
		{"not a number", "NaN Nm", torqueField, "NUMBER_NOT_READABLE"},
		{"infinity", "Inf dB", rlField, "NUMBER_NOT_READABLE"},
		{"hexadecimal", "0x10 m", lengthField, "NUMBER_NOT_READABLE"},
		{"Arabic-Indic digits", "٢٥ Nm", torqueField, "NUMBER_NOT_READABLE"},
		{"right-to-left override", "\u202e52 Nm", torqueField, "TEXT_NOT_READABLE"},
		{"zero-width space inside", "2\u200b5 Nm", torqueField, "TEXT_NOT_READABLE"},
		{"NUL", "25\x00", torqueField, "TEXT_NOT_READABLE"},
		{"not UTF-8", "25 \xff", torqueField, "TEXT_NOT_READABLE"},
		{"much too long", strings.Repeat("9", 200), torqueField, "TEXT_TOO_LONG"},
		{"nanometres in a torque field", "25 nm", torqueField, "UNIT_WRONG_DIMENSION"},
		{"newton-metres in a wavelength field", "1550 Nm", Expectation{Field: "wavelength", Shown: UnitNanometers}, "UNIT_WRONG_DIMENSION"},
		{"capitals hide which it is", "25 NM", torqueField, "UNIT_AMBIGUOUS"},
		{"knot or kilonewton", "25 KN", forceField, "UNIT_AMBIGUOUS"},
		{"plain dB for a level", "-153 dB", pimField, "UNIT_WRONG_DIMENSION"},
		{"unknown unit", "25 furlongs", lengthField, "UNIT_UNKNOWN"},
		{"fraction of a newton-metre", "1/2 Nm", torqueField, "FRACTION_NOT_READABLE"},
		{"fraction of a metre", "1/2 m", lengthField, "FRACTION_NOT_READABLE"},
		{"divided by zero", `7/0"`, sizeField, "FRACTION_NOT_READABLE"},
		{"improper after a whole", `1 9/8"`, sizeField, "FRACTION_NOT_READABLE"},
		{"thirteen inches after feet", `5'13"`, lengthField, "FEET_INCHES_NOT_READABLE"},
		{"part of a foot before inches", `5.5'3"`, lengthField, "FEET_INCHES_NOT_READABLE"},
		{"half a pair", "1.5", countField, "COUNT_NOT_WHOLE"},
		{"colder than can be", "-274 °C", tempField, "BELOW_ABSOLUTE_ZERO"},
		{"a field that expects nothing", "5", Expectation{Field: "x"}, "EXPECTATION_EMPTY"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Parse(tc.text, tc.expect)
			if errs.ReasonOf(err) != tc.reason || errs.KindOf(err) != errs.Invalid {
				t.Errorf("Parse(%q) = %+v, %v; want reason %s", tc.text, got, err, tc.reason)
			}
		})
	}
}

func TestAnUnlikelyTorqueIsAskedAboutWithItsLikelyCause(t *testing.T) {
	// 7-16 couplings are tightened to 25 to 30 N·m (IEC 61169-4); an 18 ft·lbf
	// wrench gives 24.4 N·m.
	field := torqueField
	field.Low, field.High = 24.4, 30
	for _, tc := range []struct {
		text string
		want []Proposal
	}{
		{"2.5", []Proposal{{25, UnitNewtonMeters}}},
		{"250", []Proposal{{250, UnitInchPounds}, {25, UnitNewtonMeters}}},
		{"18", []Proposal{{18, UnitFootPounds}}},
		{"220", []Proposal{{220, UnitInchPounds}}},
		{"7", nil},
	} {
		got, err := Parse(tc.text, field)
		if err != nil || len(got.Asks) != 1 || got.Asks[0].Reason != AskUnlikely || !slices.Equal(got.Asks[0].Proposals, tc.want) {
			t.Errorf("Parse(%q) = %+v, %v; want one ask proposing %v", tc.text, got.Asks, err, tc.want)
		}
	}
	for _, text := range []string{"25", "30 Nm", "18.5 ft·lb", "24,4"} {
		if got, err := Parse(text, field); err != nil || len(got.Asks) != 0 {
			t.Errorf("Parse(%q) = %+v, %v; want no question", text, got.Asks, err)
		}
	}
}

func TestEveryUnitIsPrintedAndReadBack(t *testing.T) {
	for _, u := range Units() {
		for _, d := range []Decimal{Point, Comma} {
			for _, v := range []float64{0, 1, 25, 112.5, 0.1, 1e-16, 123456.789, 1e30, 1e-30, math.Pi} {
				if u == UnitCount {
					v = math.Trunc(v)
				}
				text := Print(v, u, d)
				got, err := Parse(text, Expectation{Field: "value", Shown: u})
				if err != nil || got.Value != v || got.Unit != u {
					t.Fatalf("Parse(Print(%v, %s) = %q) = %v %s, %v; want the same value and unit", v, u, text, got.Value, got.Unit, err)
				}
			}
		}
	}
}

func TestPrint(t *testing.T) {
	for _, tc := range []struct {
		got, want string
	}{
		{Print(-112.5, UnitDecibelsMilliwatt, Comma), "\u2212112,5\u00a0dBm"},
		{Print(45, UnitDegrees, Point), "45°"},
		{Print(1.5, UnitRatio, DecimalFor("de")), "1,5"},
		{Print(1.5, UnitRatio, DecimalFor("es-MX")), "1.5"},
		{Print(1.5, UnitRatio, DecimalFor("es_ES")), "1,5"},
		{Print(1.5, UnitRatio, DecimalFor("en-GB")), "1.5"},
		{Print(math.Inf(1), UnitDecibels, Point), "∞\u00a0dB"},
		{Print(math.NaN(), UnitDecibels, Point), "no value"},
		{PrintTo(-0.04, UnitCelsius, 1, Point), "0.0\u00a0°C"},
		{PrintTo(28.125, UnitNewtonMeters, 2, Point), "28.13\u00a0N·m"},
		{PrintTo(-2.675, UnitDecibels, 2, Point), "\u22122.68\u00a0dB"},
		{PrintTo(9.9999, UnitDecibels, 0, Point), "10\u00a0dB"},
		{PrintTo(1e300, UnitDecibels, 1, Point), "1" + strings.Repeat("0", 300) + ".0\u00a0dB"},
		{PrintTo(24.4047, UnitNewtonMeters, 1, Point), "24.4\u00a0N·m"},
	} {
		if tc.got != tc.want {
			t.Errorf("printed %q; want %q", tc.got, tc.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"18 ft·lb", "24,4 Nm", "-112.5dBm", "−170 dBc", `7/8"`, `5'11"`, "1 234", "1,234", "1e9", "½ in", "5 ft 3 1/4 in", "1.5:1", "5 dB/100 m"} {
		f.Add(s, uint8(3))
	}
	units := Units()
	f.Fuzz(func(t *testing.T, s string, n uint8) {
		expect := Expectation{Field: "value", Shown: units[int(n)%len(units)], Low: 1, High: 10, MayBeVSWR: n%2 == 0, Sign: Sign(n % 3)}
		got, err := Parse(s, expect)
		if err != nil {
			if errs.KindOf(err) != errs.Invalid || errs.ReasonOf(err) == "" || !utf8.ValidString(err.Error()) {
				t.Fatalf("Parse(%q): unclassified error %v", s, err)
			}
			return
		}
		if math.IsNaN(got.Value) || math.IsInf(got.Value, 0) || got.Unit.Dimension() != expect.Shown.Dimension() || got.Typed != s {
			t.Fatalf("Parse(%q) = %+v", s, got)
		}
		again, err := Parse(got.Normal, expect)
		if err != nil || again.Value != got.Value || again.Unit != got.Unit || again.Normal != got.Normal {
			t.Fatalf("Parse(%q) = %+v; its normal text gives %+v, %v", s, got, again, err)
		}
		if a := math.Abs(got.Value); a == 0 || a >= 1e-30 && a <= 1e30 {
			printed, err := Parse(Print(got.Value, got.Unit, Comma), expect)
			if err != nil || printed.Value != got.Value || printed.Unit != got.Unit {
				t.Fatalf("Print(%v, %s) gives %+v, %v", got.Value, got.Unit, printed, err)
			}
		}
	})
}
