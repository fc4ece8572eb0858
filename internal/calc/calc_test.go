package calc_test

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/calc"
	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

// example is one calculation asked for as a person types it, and what the named
// result must say. The figures are those of the packages' own check values.
type example struct {
	name   string
	args   string // name=value pairs, blanks between them; _ stands for a blank inside a value
	result string // name of a result
	want   string // its value, or how it begins
}

var examples = []example{
	{"block-load", "pull=350 angle_degrees=90", "load on the block and its anchorage", "494.975"},
	{"sling", "load=1000 legs=2 angle_degrees=60 angle_from=horizontal", "tension in each leg", "577.351"},
	{"sling", "load=1200 legs=2 leg_length=10 height=8", "tension in each leg", "750"},
	{"tag-line", "load=500 load_line_degrees=5 tag_line_degrees=45", "force in the tag line", "67.7952"},
	{"working-load-limit", "mbs=6400 item=people-hoist-line knot=bowline load=350", "working load limit", "384"},
	{"gear-chain", "load=500 names=shackle,hand_line limits=900,500", "weakest piece", "\"hand line\""},
	{"plan-class", "load=500.1", "least plan class", "III"},
	{"people-hoist", "material_rating=2000 line_mbs=20000", "limit for people and their gear", "1000"},
	{"instrument-hoist", "instrument=30", "rated point", "NONE ENTERED"},
	{"fall-clearance", "form=d-ring lanyard=6 anchor_above_ring=0", "clearance needed below the feet's level", "17.5"},
	{"fall-clearance", "form=whole-person lanyard=6 anchor_above_ring=0", "clearance needed below the feet's level", "18.5"},
	{"fall-clearance", "form=d-ring lanyard=6 anchor_above_ring=−5", "free fall", working.Over},
	{"swing-drop", "line=20 offset=8", "swing drop, to be added to the clearance", "1.6697"},
	{"fall-arrest", "weight=310 free_fall=6 deceleration=3.5", "mean arresting force", "841.429"},
	{"anchorage", "max_arrest_force=900", "by calculation, for one person, only under a qualified person", "1800"},
	{"ladder-device", "lock_feet=2", "speed of descent", "not checked"},
	{"exposure-limit", "frequency_mhz=881.5", "power density", "5.87666"},
	{"exposure-limit", "frequency_mhz=28000 set=icnirp-2020 basis=local tier=occupational", "power density", "152.47"},
	{"stand-off", "power_watts=20 gain_dbi=17 frequency_mhz=850 tier=occupational", "distance at which the limit is reached", "1.67789"},
	{"test-stand-off", "gain_dbi=17 tone1_mhz=850 tone2_mhz=850", "occupational limit reached at", "2.37289"},
	{"station-exposure", "erp_watts=10000 height_metres=48 along_metres=20 frequency_mhz=100", "power density", "123.521"},
	{"exposure-sum", "frequencies_mhz=850,1900,700,2100 densities=0.9,1.2,0.35,2 density_unit=mW/cm2 tier=occupational", "sum", working.Over},
	{"exposure-sum-fields", "frequencies_mhz=100 volts_per_metre=20 tier=occupational", "sum of the parts", "0.106102"},
	{"exposure-average", "frequency_mhz=1900 densities=12 minutes=2 density_unit=mW/cm2 tier=occupational", "largest mean", "40"},
	{"longest-stay", "frequency_mhz=1900 density=15 density_unit=mW/cm2 tier=occupational", "at most, with no exposure for the rest of the window", "2"},
	{"dish-exposure", "diameter_metres=1.2 frequency_mhz=6000 power_watts=1 distance_metres=10", "region", "transition"},
	{"panel-exposure", "power_watts=20 sector_degrees=65 distance_metres=1.5 height_metres=2", "mean power density", "5.8765"},
	{"wind", "speed=9 kind=mean at_work_height=yes height_metres=45 read_at=2031-05-14T09:00:00+02:00 as_of=2031-05-14T08:00:00Z", "wind against the limit", working.Within},
	{"wind", "speed=9 kind=mean at_work_height=yes height_metres=45 read_at=2031-05-14T09:00:00+02:00 as_of=2031-05-14T08:00:01Z", "wind against the limit", "NOT CHECKED"},
	{"wind", "speed=9 limit=8 kind=mean at_work_height=yes height_metres=45 read_at=2031-05-14T09:00:00Z as_of=2031-05-14T09:10:00Z", "wind against the limit", working.Over},
	{"lightning", "times=2031-05-14T14:00:00Z,2031-05-14T14:20:00Z kinds=thunder,thunder as_of=2031-05-14T14:30:00Z", "earliest", "2031-05-14 14:50:00"},
	{"flash-to-bang", "seconds=30", "distance", "6"},
	{"storm-distance", "storm_mph=30 descent_minutes=15 shelter_minutes=5", "start down when the storm is within", "20"},
	{"wind-chill", "temperature=20 wind=15", "wind chill", "6.21889"},
	{"wind-chill", "temperature=-20 wind=50 scale=celsius", "the same", "-35.4005"},
	{"heat-index", "temperature=96 humidity=50", "category by the newer wording", "danger"},
	{"wind-at-height", "speed=15 unit=mph from_metres=10.0584 to_metres=45.72", "estimate of the wind", "18.6222"},
	{"wind-pressure", "wind_mph=30 area_square_feet=12", "force", "33.1776"},
	{"beaufort", "speed=20 unit=kn", "force", "5"},
	{"intermodulation-hits", "bands=3", "order 3, 2*f - 1*f' of band 3, into the receive band of band 3", "1730 to 1785"},
	{"intermodulation-hits", "bands=1,3 uplinks=2500-2570", "order 3, 2*A - 1*B of A = band 1, B = band 3, into the receive band of 2500-2570 MHz", "2500 to 2535"},
	{"intermodulation-hits", "bands=4", "hits", "none up to this order"},
	{"intermodulation-hits", "downlinks=925-960 uplinks=880-915 max_order=3", "order 3, 2*f - 1*f' of 925-960 MHz, into the receive band of 880-915 MHz", "890 to 915"},
	{"intermodulation-products", "tone1_mhz=935 tone2_mhz=960", "order 3, below", "910"},
	{"intermodulation-level", "level_dbm=-107", "level", "-150.01"},
	{"intermodulation-level", "level_dbc=-150", "level", "-106.99"},
	{"intermodulation-level", "level_dbm=-130 level_dbc=-170", "pair", "THE PAIR DIFFERS"},
	{"residual-bound", "reading_dbm=-107 residual_dbm=-130", "true level, lowest", "-107.638"},
	{"residual-bound", "reading_dbm=-107.5 residual_dbm=-127 limit_dbm=-107", "against the limit", "the reading is inside, the highest true level is not: not proven"},
	{"residual-bound", "reading_dbm=-131 residual_dbm=-130 limit_dbm=-107", "against the limit", "inside, shown as 'at most'"},
	{"return-loss", "return_loss_db=20", "VSWR", "1.22222"},
	{"return-loss", "vswr=3", "return loss", "6.0206"},
	{"return-loss", "reflection=0", "return loss", "no upper bound"},
	{"directivity-bound", "reading_db=20 directivity_db=40 limit_db=20", "against the limit", "the reading is inside, the lowest true value is not"},
	{"directivity-bound", "reading_db=30 directivity_db=30", "true return loss, highest", "no upper bound"},
	{"line-loss", "cables=7/8_inch lengths_metres=50 frequency_mhz=1000", "loss of the line, one way", "2.09"},
	{"distance-setup", "start_mhz=700 stop_mhz=900 points=401 velocity_factor=0.88", "resolution, one bin", "0.659543"},
	{"fibre-budget", "fibre=om4 wavelength_nanometers=850 length_metres=60 pairs=2 measured_db=1.68", "largest loss allowed", "1.68"},
	{"fibre-budget", "fibre=om4 wavelength_nanometers=850 length_metres=60 pairs=2 measured_db=1.69", "loss measured", working.Over},
	{"fibre-return-loss", "return_losses_db=40 losses_before_db=1", "return loss of all", "42"},
	{"optical-power", "transmit_least_dbm=-5 sensitivity_dbm=-20 loss_db=3", "margin", "12"},
	{"optical-power", "transmit_least_dbm=-5 sensitivity_dbm=-20 loss_db=3 transmit_most_dbm=2 receive_most_dbm=-3", "overload", "TOO MUCH LIGHT"},
	{"wrench-setting", "target_newton_meters=80 lever_mm=400 reach_mm=50", "set the wrench to", "71.1111"},
	{"wrench-setting", "target_newton_meters=25 interface=7-16", "set the wrench to", "25"},
	{"torque-delivered", "set_newton_meters=25", "with the tool's deviation", "24.0385 to 26.0417"},
	{"tool-deviation", "class=A maximum_newton_meters=100", "permissible deviation", "4"},
	{"guard-band", "value=11.5 upper_limit=12 uncertainty=1 rule=guarded-u", "in four parts", "conditional pass"},
	// NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches.
	{"control-chart", "baseline=49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1", "upper control limit", "55.8041"},
	{"control-chart", "baseline=49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1 values=50,56", "reading 2", "STOP"},
	{"calibration-due", "calibrated_on=2031-01-31 months=1", "last day in date, in the site's zone", "2031-02-28"},
}

func arguments(t testing.TB, s string) map[string]string {
	t.Helper()
	args, err := calc.Arguments(strings.Fields(s))
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range args {
		args[k] = strings.ReplaceAll(v, "_", " ")
	}
	return args
}

func TestEveryCalculationAnswersItsExample(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range examples {
		seen[e.name] = true
		t.Run(e.name+" "+e.args, func(t *testing.T) {
			c, err := calc.Named(e.name)
			if err != nil {
				t.Fatal(err)
			}
			w, err := c.Do(arguments(t, e.args))
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(w.Result, func(r working.Term) bool { return r.Name == e.result })
			if i < 0 {
				t.Fatalf("no result named %q in %+v", e.result, w.Result)
			}
			if got := w.Result[i].Value; !strings.HasPrefix(got, e.want) {
				t.Errorf("%s = %q; want %q", e.result, got, e.want)
			}
			text := w.Text()
			if c.Safety && !strings.HasSuffix(strings.Join(strings.Fields(text), " "), working.DefersAlways) {
				t.Errorf("the text does not end with who decides:\n%s", text)
			}
		})
	}
	for _, c := range calc.All() {
		if !seen[c.Name] {
			t.Errorf("%s has no example", c.Name)
		}
	}
}

func TestTheListIsWellFormed(t *testing.T) {
	name := regexp.MustCompile(`^[a-z0-9-]{1,64}$`)
	parameter := regexp.MustCompile(`^[a-z][a-z0-9_]{0,63}$`)
	seen := map[string]bool{}
	for _, c := range calc.All() {
		if !name.MatchString(c.Name) || seen[c.Name] {
			t.Errorf("name %q: want [a-z0-9-]{1,64}, once", c.Name)
		}
		seen[c.Name] = true
		if c.Title == "" || c.Group == "" {
			t.Errorf("%s lacks a title or a group", c.Name)
		}
		params := map[string]bool{}
		for _, p := range c.Parameters {
			if !parameter.MatchString(p.Name) || params[p.Name] {
				t.Errorf("%s: parameter %q: want snake_case, once", c.Name, p.Name)
			}
			params[p.Name] = true
			if p.Help == "" {
				t.Errorf("%s: parameter %s lacks help", c.Name, p.Name)
			}
			if p.Kind == calc.Choice {
				if len(p.Choices) == 0 || p.Default != "" && p.Default != calc.NotEntered && !slices.Contains(p.Choices, p.Default) {
					t.Errorf("%s: parameter %s: default %q of %v", c.Name, p.Name, p.Default, p.Choices)
				}
				for _, w := range p.Choices {
					if w == "" || p.List && strings.Contains(w, ",") {
						t.Errorf("%s: parameter %s: choice %q", c.Name, p.Name, w)
					}
				}
			}
		}
		help := c.Help()
		for p := range params {
			if !strings.Contains(help, "  "+p+" ") {
				t.Errorf("%s: help leaves out %s", c.Name, p)
			}
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, tc := range []struct {
		name, calc, args, reason, field string
	}{
		{"a parameter that is not there", "block-load", "pull=1 angle_degrees=0 colour=red", "PARAMETER_UNKNOWN", "colour"},
		{"one left out", "block-load", "pull=1", "PARAMETER_MISSING", "angle_degrees"},
		{"empty is left out", "block-load", "pull= angle_degrees=0", "PARAMETER_MISSING", "pull"},
		{"words for a number", "block-load", "pull=much angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"not a number", "block-load", "pull=NaN angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"without end", "block-load", "pull=Inf angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"too large to be a number", "block-load", "pull=1e999 angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"hexadecimal", "block-load", "pull=0x10 angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"a decimal comma", "block-load", "pull=1,5 angle_degrees=0", "NOT_A_NUMBER", "pull"},
		{"outside the domain", "block-load", "pull=1 angle_degrees=181", "OUT_OF_RANGE", "angle_degrees"},
		{"half a leg", "sling", "load=1 legs=1.5 angle_degrees=60 angle_from=horizontal", "NOT_A_WHOLE_NUMBER", "legs"},
		{"another word", "sling", "load=1 legs=2 angle_degrees=60 angle_from=wall", "NOT_A_CHOICE", "angle_from"},
		{"an angle without its reference", "sling", "load=1 legs=2 angle_degrees=60", "ANGLE_REFERENCE_MISSING", "angle_from"},
		{"under 30 degrees", "sling", "load=1 legs=2 angle_degrees=61 angle_from=vertical", "SLING_ANGLE_TOO_LOW", "angle_degrees"},
		{"no form of clearance", "fall-clearance", "lanyard=6 anchor_above_ring=0", "PARAMETER_MISSING", "form"},
		{"lists that differ", "exposure-sum", "frequencies_mhz=850,900 densities=1", "LISTS_DIFFER", "densities"},
		{"a time without a zone", "lightning", "times=2031-05-14T14:00:00 kinds=thunder as_of=2031-05-14T14:30:00Z", "NOT_A_TIME", "times"},
		{"a detection without distance", "lightning", "times=2031-05-14T14:00:00Z kinds=detection as_of=2031-05-14T14:30:00Z", "PARAMETER_MISSING", "miles"},
		{"general tier by the clock", "longest-stay", "frequency_mhz=1900 density=60", "AVERAGING_IS_OCCUPATIONAL", "tier"},
		{"a band that is not in the table", "intermodulation-hits", "bands=99", "BAND_UNKNOWN", "bands"},
		{"no band at all", "intermodulation-hits", "max_order=5", "PARAMETER_MISSING", "bands"},
		{"transmitted but not received", "intermodulation-hits", "downlinks=925-960", "PARAMETER_MISSING", "uplinks"},
		{"a range backwards", "intermodulation-hits", "downlinks=960-925 uplinks=880-915", "NOT_A_RANGE", "downlinks"},
		{"a range that is none", "intermodulation-hits", "downlinks=925 uplinks=880-915", "NOT_A_RANGE", "downlinks"},
		{"too many bands", "intermodulation-hits", "bands=" + strings.Repeat("1,", 12) + "1", "LIST_TOO_LONG", "bands"},
		{"a level of neither kind", "intermodulation-level", "carrier_watts=20", "PARAMETER_MISSING", "level_dbc"},
		{"two of three", "return-loss", "vswr=2 reflection=0.1", "ONE_OF_THREE", "vswr"},
		{"a wavelength that the table has not", "fibre-budget", "fibre=om4 wavelength_nanometers=1550 length_metres=60 pairs=2", "WAVELENGTH_NOT_HELD", "wavelength"},
		{"a guard band without an uncertainty", "guard-band", "value=1 upper_limit=2 rule=guarded-u", "UNCERTAINTY_NOT_STATED", "uncertainty"},
		{"limits that cross", "guard-band", "value=1 upper_limit=0 lower_limit=2", "LIMITS_CROSSED", "limit"},
		{"a day that is none", "calibration-due", "calibrated_on=2031-02-30", "DATE_INVALID", "date"},
		{"a class that indicating tools have not", "tool-deviation", "type=indicating class=G maximum_newton_meters=50", "TOOL_CLASS_UNKNOWN", "class"},
		{"a list without end", "exposure-sum", "densities=1 frequencies_mhz=" + strings.Repeat("9,", 600) + "9", "LIST_TOO_LONG", "frequencies_mhz"},
		{"a text without end", "gear-chain", "load=1 limits=1 names=" + strings.Repeat("x", 5000), "PARAMETER_TOO_LONG", "names"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c, err := calc.Named(tc.calc)
			if err != nil {
				t.Fatal(err)
			}
			args, err := calc.Arguments(strings.Fields(tc.args))
			if err != nil {
				t.Fatal(err)
			}
			_, err = c.Do(args)
			if !errs.Is(err, tc.reason) || errs.KindOf(err) != errs.Invalid || !strings.Contains(err.Error(), tc.field) {
				t.Errorf("%s %s: %v; want Invalid %s naming %s", tc.calc, tc.args, err, tc.reason, tc.field)
			}
		})
	}
}

func TestUnknownNameOffersItsNeighbours(t *testing.T) {
	_, err := calc.Named("wind-cold")
	if !errs.Is(err, "CALCULATION_UNKNOWN") || errs.KindOf(err) != errs.NotFound || !strings.Contains(err.Error(), "wind-chill") {
		t.Errorf("Named(wind-cold) = %v; want NotFound CALCULATION_UNKNOWN that offers wind-chill", err)
	}
}

func TestArguments(t *testing.T) {
	got, err := calc.Arguments([]string{"a=1", "b = x=y", "a=2"})
	want := map[string]string{"a": "1,2", "b": " x=y"}
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("Arguments = %v, %v; want %v", got, err, want)
	}
	for _, bad := range []string{"a", "=1", ""} {
		if _, err := calc.Arguments([]string{bad}); !errs.Is(err, "PARAMETER_FORM") {
			t.Errorf("Arguments(%q) = %v; want PARAMETER_FORM", bad, err)
		}
	}
}

func TestUnitBehindTheNumberIsRead(t *testing.T) {
	c, err := calc.Named("stand-off")
	if err != nil {
		t.Fatal(err)
	}
	plain, err := c.Do(map[string]string{"power_watts": "20", "gain_dbi": "17", "frequency_mhz": "850"})
	if err != nil {
		t.Fatal(err)
	}
	unit, err := c.Do(map[string]string{"power_watts": "20 W", "gain_dbi": " 17dBi ", "frequency_mhz": "850 MHz"})
	if err != nil || unit.Text() != plain.Text() {
		t.Errorf("with units: %v\n%s\nwant\n%s", err, unit.Text(), plain.Text())
	}
	if _, err := c.Do(map[string]string{"power_watts": "20 kW", "gain_dbi": "17", "frequency_mhz": "850"}); !errs.Is(err, "NOT_A_NUMBER") {
		t.Errorf("20 kW where W is read: %v; want NOT_A_NUMBER, never 20", err)
	}
}

func TestNamesOfGearCannotForgeALine(t *testing.T) {
	c, err := calc.Named("gear-chain")
	if err != nil {
		t.Fatal(err)
	}
	w, err := c.Do(map[string]string{"load": "900", "limits": "500", "names": "block\nResult\n  gross load  within"})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Count(w.Text(), "\nResult\n"); got != 1 {
		t.Errorf("%d results headed in:\n%s", got, w.Text())
	}
}

// The program never says such a word itself; a person's own word is quoted.
func TestGearMayBeCalledAnything(t *testing.T) {
	c, err := calc.Named("gear-chain")
	if err != nil {
		t.Fatal(err)
	}
	w, err := c.Do(map[string]string{"load": "900", "limits": "500", "names": `safe "go" block`})
	if err != nil || w.Result[0].Value != `"safe 'go' block"` {
		t.Errorf("%v, %v; want the name in quotes", w.Result, err)
	}
}

func FuzzDo(f *testing.F) {
	for _, e := range examples {
		f.Add(e.name, e.args)
	}
	f.Add("gear-chain", "load=1 names=safe,go limits=1,2")
	f.Add("sling", "load=1e7 legs=8 angle_degrees=0.1 angle_from=horizontal allow_low=yes")
	f.Fuzz(func(t *testing.T, name, args string) {
		c, err := calc.Named(name)
		if err != nil {
			return
		}
		pairs, err := calc.Arguments(strings.Fields(args))
		if err != nil {
			return
		}
		w, err := c.Do(pairs)
		if err != nil {
			if errs.KindOf(err) != errs.Invalid {
				t.Errorf("%s %q: %v; want Invalid", name, args, err)
			}
			return
		}
		for _, r := range w.Result {
			if strings.Contains(r.Value, "NaN") || strings.Contains(r.Value, "Inf") {
				t.Errorf("%s %q: %s = %s", name, args, r.Name, r.Value)
			}
		}
	})
}
