package torque_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/torque"
	"witnessmark/internal/units"
)

type nm = units.NewtonMeters

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func TestPublishedAndComputedValues(t *testing.T) {
	type result = checkvalues.Result
	type row = checkvalues.Row
	num := checkvalues.Numbers
	ext := func(r row) torque.Extension {
		return torque.Extension{Lever: units.Millimeters(r.In["lever"]), Reach: units.Millimeters(r.In["reach"]), Angle: units.Degrees(r.In["angle"])}
	}
	named := func(r row) (torque.Interface, error) {
		name := r.Text["name"]
		if name == "" {
			name = r.Case
		}
		return torque.InterfaceNamed(torque.InterfaceName(name))
	}
	checkvalues.Run(t, "torque", map[string]func(row) (result, error){
		"from_foot_pounds": func(r row) (result, error) {
			return num("N_m", float64(units.NewtonMetersFromFootPounds(r.In["ft_lbf"]))), nil
		},
		"from_inch_pounds": func(r row) (result, error) {
			return num("N_m", float64(units.NewtonMetersFromInchPounds(r.In["in_lbf"]))), nil
		},
		"to_foot_pounds": func(r row) (result, error) { return num("ft_lbf", nm(r.In["N_m"]).FootPounds()), nil },
		"to_inch_pounds": func(r row) (result, error) { return num("in_lbf", nm(r.In["N_m"]).InchPounds()), nil },
		"interface": func(r row) (result, error) {
			i, err := named(r)
			if err != nil {
				return result{}, err
			}
			if string(i.RecommendedSource.Status) != r.Text["status"] || string(i.UpperSource.Status) != r.Text["upper_status"] {
				t.Errorf("%s: statuses %q and %q; want %q and %q", i.Name, i.RecommendedSource.Status, i.UpperSource.Status, r.Text["status"], r.Text["upper_status"])
			}
			return num("low", float64(i.Recommended.Low), "high", float64(i.Recommended.High), "upper", float64(i.Upper)), nil
		},
		// The inch-pounds that the same sources state, against the table's ends.
		"interface_inch_pounds": func(r row) (result, error) {
			i, err := named(row{Case: r.Case})
			if err != nil {
				return result{}, err
			}
			if w := nm(r.Want["N_m"]); w != i.Recommended.Low && w != i.Recommended.High && w != i.Upper && w != (i.Recommended.Low+i.Recommended.High)/2 {
				t.Errorf("%s: %v N·m is no end of the table's ranges", i.Name, w)
			}
			return num("N_m", float64(units.NewtonMetersFromInchPounds(r.In["in_lbf"]))), nil
		},
		"preset": func(r row) (result, error) {
			i, err := torque.InterfaceNamed(torque.Coax716)
			if err != nil {
				return result{}, err
			}
			tool := units.NewtonMetersFromFootPounds(r.In["ft_lbf"])
			if tool < i.Preset.Low || tool > i.Preset.High {
				t.Errorf("a preset of %v N·m is not accepted", tool)
			}
			return num("low", float64(i.Preset.Low), "high", float64(i.Preset.High), "under_percent", float64(100*(i.Recommended.Low-tool)/i.Recommended.Low)), nil
		},
		"ask": func(r row) (result, error) {
			i, err := named(r)
			if err != nil {
				return result{}, err
			}
			_, ask := torque.Ask(i, nm(r.In["N_m"]))
			return result{Words: map[string]string{"ask": yes(ask)}}, nil
		},
		"ask_proposal": func(r row) (result, error) {
			i, err := named(r)
			if err != nil {
				return result{}, err
			}
			s, _ := torque.Ask(i, nm(r.In["N_m"]))
			best := math.NaN()
			for _, p := range s.Proposals {
				if d := math.Abs(float64(p.Torque) - r.Want["proposal"]); math.IsNaN(best) || d < math.Abs(best-r.Want["proposal"]) {
					best = float64(p.Torque)
				}
			}
			return num("proposal", best), nil
		},
		"relative_deviation": func(r row) (result, error) {
			d, err := torque.RelativeDeviation(nm(r.In["shown"]), nm(r.In["reference"]))
			out := num("percent", float64(d))
			out.Words = map[string]string{"within": yes(torque.WithinDeviation(d, units.Percent(r.In["limit"])))}
			return out, err
		},
		"permissible": func(r row) (result, error) {
			p, src, err := torque.PermissibleDeviation(torque.ToolClass{Type: torque.ToolType(r.Text["type"]), Letter: r.Text["letter"]}, nm(r.In["maximum"]))
			if string(src.Status) != string(r.Status) {
				t.Errorf("%s: status %q; want %q", r.Case, src.Status, r.Status)
			}
			return num("percent", float64(p)), err
		},
		"delivered": func(r row) (result, error) {
			d, err := torque.Delivered(nm(r.In["set"]), units.Percent(r.In["percent"]))
			return num("low", float64(d.Low), "high", float64(d.High)), err
		},
		"test_points": func(r row) (result, error) {
			p, err := torque.TestPoints(torque.Edition(r.In["edition"]), nm(r.In["lowest"]), nm(r.In["maximum"]))
			return num("a", float64(p[0]), "b", float64(p[1]), "c", float64(p[2])), err
		},
		"calibration": func(r row) (result, error) {
			start, err := metrology.ParseDate(r.Text["start"])
			if err != nil {
				return result{}, err
			}
			on, err := metrology.ParseDate(r.Text["on"])
			if err != nil {
				return result{}, err
			}
			noon := time.Date(on.Year, on.Month, on.Day, 12, 0, 0, 0, time.UTC)
			s, err := torque.Calibration(start, int(r.In["cycles"]), noon, time.UTC)
			return result{Words: map[string]string{"status": string(s.Status)}}, err
		},
		"recalibrate": func(r row) (result, error) {
			why, err := torque.RecalibrateEarly(nm(r.In["maximum"]), torque.ToolEvents{Highest: nm(r.In["highest"])})
			return result{Words: map[string]string{"recalibrate": yes(len(why) > 0)}}, err
		},
		"extension_set": func(r row) (result, error) {
			s, err := ext(r).Set(nm(r.In["target"]))
			return num("set", float64(s)), err
		},
		"extension_delivers": func(r row) (result, error) {
			d, err := ext(r).Delivers(nm(r.In["set"]))
			return num("delivered", float64(d)), err
		},
	})
}

func TestInterfacesAreWhole(t *testing.T) {
	seen := map[torque.InterfaceName]bool{}
	for _, i := range torque.Interfaces() {
		if seen[i.Name] {
			t.Errorf("%s is listed twice", i.Name)
		}
		seen[i.Name] = true
		if i.Title == "" || i.Standard.Document == "" || i.Standard.Status == "" || i.RecommendedSource.Status == "" || i.PresetSource.Status == "" {
			t.Errorf("%s lacks a title, source or status: %+v", i.Name, i)
		}
		if (i.Upper > 0) != (i.UpperSource.Document != "") {
			t.Errorf("%s: upper torque %v with source %q", i.Name, i.Upper, i.UpperSource.Document)
		}
		if i.Recommended.Held() != (i.Coupling == torque.ByWrench) {
			t.Errorf("%s: coupling %q with a recommended torque %+v", i.Name, i.Coupling, i.Recommended)
		}
		if i.Recommended.Held() && (i.Recommended.Low > i.Recommended.High || i.Preset.Low > i.Recommended.Low || i.Preset.High < i.Recommended.High || i.Upper > 0 && i.Upper < i.Recommended.High) {
			t.Errorf("%s: ranges out of order: %+v", i.Name, i)
		}
		if _, err := torque.InterfaceNamed(i.Name); err != nil {
			t.Errorf("InterfaceNamed(%s): %v", i.Name, err)
		}
		// A usual torque is never asked about; a hundredth or hundredfold always.
		for _, v := range []nm{i.Preset.Low, i.Preset.High, i.Recommended.Low} {
			if _, ask := torque.Ask(i, v); ask {
				t.Errorf("Ask(%s, %v) asks about a usual torque", i.Name, v)
			}
		}
		for _, v := range []nm{i.Preset.Low / 100, i.Preset.High * 100} {
			if _, ask := torque.Ask(i, v); ask != i.Preset.Held() {
				t.Errorf("Ask(%s, %v) = %v; want %v", i.Name, v, ask, i.Preset.Held())
			}
		}
	}
	if len(seen) != 12 {
		t.Errorf("%d interfaces; want 12", len(seen))
	}
	if _, err := torque.InterfaceNamed("bnc"); !errs.Is(err, "INTERFACE_UNKNOWN") {
		t.Errorf("InterfaceNamed(bnc) = %v; want INTERFACE_UNKNOWN", err)
	}
}

func TestAskNamesTheInterfaceThatTheTorqueFits(t *testing.T) {
	i, err := torque.InterfaceNamed(torque.Coax4310Screw)
	if err != nil {
		t.Fatal(err)
	}
	s, ask := torque.Ask(i, 25)
	if !ask || len(s.Usual) != 1 || s.Usual[0] != torque.Coax716 || math.Abs(s.Ratio-5) > 1e-9 {
		t.Errorf("Ask(4.3-10, 25) = %+v, %v; want it asked, five times too large, usual for 7-16", s, ask)
	}
	for _, v := range []nm{0, -25, nm(math.NaN()), nm(math.Inf(1))} {
		if _, ask := torque.Ask(i, v); ask {
			t.Errorf("Ask(4.3-10, %v) asks; want nothing to ask", v)
		}
	}
	// A little under the usual torque is judged, not asked about.
	if _, ask := torque.Ask(i, 4.5); ask {
		t.Error("Ask(4.3-10, 4.5) asks; want it judged")
	}
}

func TestBadInputIsRefused(t *testing.T) {
	nan := math.NaN()
	ok := torque.Extension{Lever: 400, Reach: 50}
	for _, tc := range []struct {
		name   string
		call   func() error
		reason string
	}{
		{"deviation against nothing", func() error { _, err := torque.RelativeDeviation(25, 0); return err }, "TORQUE_OUT_OF_RANGE"},
		{"deviation of NaN", func() error { _, err := torque.RelativeDeviation(nm(nan), 25); return err }, "TORQUE_OUT_OF_RANGE"},
		{"deviation against a hair", func() error { _, err := torque.RelativeDeviation(25, 5e-324); return err }, "TORQUE_OUT_OF_RANGE"},
		{"setting class H", func() error {
			_, _, err := torque.PermissibleDeviation(torque.ToolClass{Type: torque.Setting, Letter: "H"}, 25)
			return err
		}, "TOOL_CLASS_UNKNOWN"},
		{"indicating class G", func() error {
			_, _, err := torque.PermissibleDeviation(torque.ToolClass{Type: torque.Indicating, Letter: "G"}, 25)
			return err
		}, "TOOL_CLASS_UNKNOWN"},
		{"class of a tool without a maximum", func() error {
			_, _, err := torque.PermissibleDeviation(torque.ToolClass{Type: torque.Setting, Letter: "A"}, 0)
			return err
		}, "TORQUE_OUT_OF_RANGE"},
		{"deviation of 100 %", func() error { _, err := torque.Delivered(25, 100); return err }, "DEVIATION_OUT_OF_RANGE"},
		{"negative deviation", func() error { _, err := torque.Delivered(25, -1); return err }, "DEVIATION_OUT_OF_RANGE"},
		{"huge torque", func() error { _, err := torque.Delivered(1e300, 4); return err }, "TORQUE_OUT_OF_RANGE"},
		{"no lever", func() error { _, err := torque.Extension{Reach: 50}.Set(25); return err }, "EXTENSION_OUT_OF_RANGE"},
		{"negative reach", func() error { _, err := torque.Extension{Lever: 400, Reach: -1}.Set(25); return err }, "EXTENSION_OUT_OF_RANGE"},
		{"angle of 200", func() error { _, err := torque.Extension{Lever: 400, Angle: 200}.Set(25); return err }, "EXTENSION_OUT_OF_RANGE"},
		{"folded back to the hand", func() error { _, err := torque.Extension{Lever: 400, Reach: 400, Angle: 180}.Set(25); return err }, "EXTENSION_OUT_OF_RANGE"},
		{"angle not a number", func() error {
			_, err := torque.Extension{Lever: 400, Angle: units.Degrees(nan)}.Delivers(25)
			return err
		}, "EXTENSION_OUT_OF_RANGE"},
		{"no target", func() error { _, err := ok.Set(0); return err }, "TORQUE_OUT_OF_RANGE"},
		{"nothing set", func() error { _, err := ok.Delivers(-5); return err }, "TORQUE_OUT_OF_RANGE"},
		{"applied with a bad extension", func() error {
			_, err := torque.Applied{Set: 25, Deviation: 4, Extension: &torque.Extension{}}.Really()
			return err
		}, "EXTENSION_OUT_OF_RANGE"},
		{"applied with nothing set", func() error { _, err := torque.Applied{}.Really(); return err }, "TORQUE_OUT_OF_RANGE"},
		{"negative cycles", func() error {
			_, err := torque.Calibration(metrology.Date{Year: 2026, Month: 1, Day: 1}, -1, time.Time{}, time.UTC)
			return err
		}, "CYCLES_OUT_OF_RANGE"},
		{"calibration without a zone", func() error {
			_, err := torque.Calibration(metrology.Date{Year: 2026, Month: 1, Day: 1}, 1, time.Time{}, nil)
			return err
		}, "SITE_ZONE_MISSING"},
		{"calibrated on no day", func() error {
			_, err := torque.Calibration(metrology.Date{Year: 2026, Month: 2, Day: 30}, 1, time.Time{}, time.UTC)
			return err
		}, "DATE_INVALID"},
		{"edition of 1992", func() error { _, err := torque.TestPoints(1992, 5, 25); return err }, "EDITION_UNKNOWN"},
		{"lowest mark over the middle", func() error { _, err := torque.TestPoints(torque.ISO6789of2017, 20, 25); return err }, "TORQUE_OUT_OF_RANGE"},
		{"pulled to NaN", func() error {
			_, err := torque.RecalibrateEarly(25, torque.ToolEvents{Highest: nm(nan)})
			return err
		}, "TORQUE_OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := tc.call(); !errs.Is(err, tc.reason) {
				t.Errorf("got %v; want %s", err, tc.reason)
			}
		})
	}
}

// The tool's interval and the extension act one after the other: 25 N·m set on
// a 4 % tool with a 50 mm extension on a 400 mm lever delivers 12.5 % more.
func TestReallyDelivered(t *testing.T) {
	got, err := torque.Applied{Set: 25, Deviation: 4, Extension: &torque.Extension{Lever: 400, Reach: 50}}.Really()
	if err != nil {
		t.Fatal(err)
	}
	for name, pair := range map[string][2]float64{
		"nominal": {float64(got.Nominal), 28.125},
		"low":     {float64(got.Range.Low), 24.0384615 * 1.125},
		"high":    {float64(got.Range.High), 26.0416667 * 1.125},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-6 {
			t.Errorf("%s = %v; want %v", name, pair[0], pair[1])
		}
	}
	plain, err := torque.Applied{Set: 25}.Really()
	if err != nil || plain.Range != (torque.Range{Low: 25, High: 25}) || plain.Nominal != 25 {
		t.Errorf("no deviation and no extension: %+v, %v; want 25 throughout", plain, err)
	}
}

func TestEarlyRecalibrationGivesEveryReason(t *testing.T) {
	why, err := torque.RecalibrateEarly(25, torque.ToolEvents{Dropped: true, Repaired: true, Highest: 40})
	if err != nil || len(why) != 3 {
		t.Errorf("RecalibrateEarly = %q, %v; want three reasons", why, err)
	}
	if why, err := torque.RecalibrateEarly(25, torque.ToolEvents{}); err != nil || len(why) != 0 {
		t.Errorf("RecalibrateEarly without events = %q, %v; want none", why, err)
	}
}

func TestExtensionInvertsAndIsMonotone(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 5000 {
		e := torque.Extension{
			Lever: units.Millimeters(100 + rng.Float64()*900), Reach: units.Millimeters(rng.Float64() * 90),
			Angle: units.Degrees(rng.Float64() * 180),
		}
		target := nm(0.1 + rng.Float64()*300)
		set, err := e.Set(target)
		if err != nil {
			t.Fatalf("%+v Set(%v): %v", e, target, err)
		}
		back, err := e.Delivers(set)
		if err != nil || math.Abs(float64(back-target)) > 1e-9*float64(target) {
			t.Fatalf("%+v: Set(%v) = %v delivers %v, %v; want the target again", e, target, set, back, err)
		}
		// In line needs the lowest setting, folded back the highest.
		wider := e
		wider.Angle = e.Angle + (180-e.Angle)*units.Degrees(rng.Float64())
		more, err := wider.Set(target)
		if err != nil || more < set-1e-9 {
			t.Fatalf("%+v Set(%v) = %v, under %v at the narrower angle %v (%v)", wider, target, more, set, e.Angle, err)
		}
	}
}

func TestDeliveredIntervalHoldsTheSettingAndItsDeviation(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 5000 {
		set, p := nm(0.1+rng.Float64()*300), units.Percent(rng.Float64()*20)
		d, err := torque.Delivered(set, p)
		if err != nil || d.Low > set || d.High < set {
			t.Fatalf("Delivered(%v, %v) = %+v, %v; want it around the setting", set, p, d, err)
		}
		for _, reference := range []nm{d.Low, d.High} {
			dev, err := torque.RelativeDeviation(set, reference)
			if err != nil || math.Abs(math.Abs(float64(dev))-float64(p)) > 1e-9 || !torque.WithinDeviation(dev, p) {
				t.Fatalf("set %v, delivered %v: deviation %v, %v; want %v and within", set, reference, dev, err, p)
			}
		}
	}
}
