package fibre_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// items reads "2x0.75 1x0.5".
func items(t *testing.T, text string) []fibre.BudgetItem {
	var out []fibre.BudgetItem
	for _, f := range strings.Fields(text) {
		count, each, _ := strings.Cut(f, "x")
		n, err1 := strconv.Atoi(count)
		db, err2 := strconv.ParseFloat(each, 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%q is not a count and an allowance", f)
		}
		out = append(out, fibre.BudgetItem{Name: "part", Count: n, Each: units.DB(db)})
	}
	return out
}

func TestPublishedAndComputedValues(t *testing.T) {
	type result = checkvalues.Result
	type row = checkvalues.Row
	num := checkvalues.Numbers
	db := func(r row, name string) units.DB { return units.DB(r.In[name]) }
	dbm := func(r row, name string) units.DBm { return units.DBm(r.In[name]) }
	meters := func(r row, name string) units.Meters { return units.Meters(r.In[name]) }
	words := func(kv ...string) result {
		r := result{Words: map[string]string{}}
		for i := 0; i+1 < len(kv); i += 2 {
			r.Words[kv[i]] = kv[i+1]
		}
		return r
	}
	status := func(r row, got string) {
		if got != r.Text["status"] {
			t.Errorf("%s: status %q; want %q", r.Case, got, r.Text["status"])
		}
	}
	kit := func(r row, i int, k fibre.KitCheck) (result, error) {
		p := k.Parts()[i]
		if !p.Measured || p.Within == (p.Next != "") {
			t.Errorf("%s: %+v; want it measured, with a next step exactly when it is not within", r.Case, p)
		}
		return words("within", yes(p.Within)), nil
	}
	checkvalues.Run(t, "fibre", map[string]func(row) (result, error){
		"end_face": func(r row) (result, error) {
			rs, err := fibre.EndFaceRuleset(fibre.RulesetName(r.Text["ruleset"]))
			if err != nil {
				return result{}, err
			}
			var features []fibre.Feature
			for _, f := range strings.Split(r.Text["features"], ";") {
				p := strings.Fields(f)
				v := checkvalues.Fields(t, strings.Join(p[1:], " "))
				features = append(features, at(fibre.FeatureKind(p[0]), v[0], v[1]))
			}
			got, err := fibre.GradeEndFace(rs, features)
			cell := ""
			for _, c := range got.Cells {
				if c.Verdict != fibre.EndFacePass {
					cell = strings.TrimSpace(cell + " " + string(c.Zone) + " " + string(c.Kind))
				}
			}
			return words("verdict", string(got.Verdict), "cell", cell), err
		},
		"zone_diameters": func(r row) (result, error) {
			rs, err := fibre.EndFaceRuleset(fibre.RulesetName(r.Text["ruleset"]))
			var d []string
			for _, z := range rs.Zones {
				d = append(d, fmt.Sprint(float64(z.OuterDiameter)))
			}
			return words("diameters", strings.Join(d, " ")), err
		},
		"attenuation": func(r row) (result, error) {
			a, err := fibre.AttenuationOf(fibre.FibreType(r.Text["type"]), units.Nanometers(r.In["nm"]))
			status(r, string(a.Source.Status))
			return num("low", float64(a.Low), "high", float64(a.High)), err
		},
		"allowance": func(r row) (result, error) {
			a, err := fibre.AllowanceOf(fibre.AllowanceName(r.Text["name"]))
			status(r, string(a.Source.Status))
			return num("low", float64(a.Low), "high", float64(a.High)), err
		},
		"budget": func(r row) (result, error) {
			b, err := fibre.LossBudget(fibre.Link{
				Length: meters(r, "meters"), Attenuation: units.DBPerKilometer(r.In["db_per_km"]),
				Connections: items(t, r.Text["connections"]), Splices: items(t, r.Text["splices"]),
			})
			sum := units.DB(0)
			for _, l := range b.Lines {
				sum += l.Loss
			}
			if math.Abs(float64(sum-b.Total)) > 1e-5 {
				t.Errorf("%s: lines sum to %v, total %v", r.Case, sum, b.Total)
			}
			return num("total", float64(b.Total), "fibre", float64(b.Fibre), "connections", float64(b.Connections), "fibre_share", float64(b.FibreShare)), err
		},
		"loss_within": func(r row) (result, error) {
			v, err := fibre.JudgeLosses([]fibre.LossReading{{Wavelength: 850, Direction: fibre.AToB, Loss: db(r, "loss"), Limit: db(r, "limit")}})
			return words("within", yes(v.Within)), err
		},
		"margin": func(r row) (result, error) {
			m, err := fibre.PowerMargin(dbm(r, "tx"), dbm(r, "sensitivity"), db(r, "loss"))
			return num("margin", float64(m)), err
		},
		"overload": func(r row) (result, error) {
			p, over, err := fibre.Overload(dbm(r, "tx"), dbm(r, "max"), db(r, "loss"))
			out := num("received", float64(p))
			out.Words = map[string]string{"over": yes(over)}
			return out, err
		},
		"coefficient": func(r row) (result, error) {
			a, err := fibre.CoefficientFromTest(db(r, "loss"), db(r, "connections"), meters(r, "meters"))
			return num("a", float64(a)), err
		},
		"return_loss_minimum": func(r row) (result, error) {
			for _, m := range fibre.ReturnLossMinima() {
				if m.Kind == r.Text["kind"] {
					status(r, string(m.Source.Status))
					return num("db", float64(m.Minimum)), nil
				}
			}
			return result{}, nil
		},
		"milliwatts": func(r row) (result, error) {
			mw, err := fibre.Milliwatts(dbm(r, "dbm"))
			return num("mw", mw), err
		},
		"dbm": func(r row) (result, error) {
			d, err := fibre.DBmFromMilliwatts(r.In["mw"])
			return num("dbm", float64(d)), err
		},
		"return_loss_of_reflectance": func(r row) (result, error) {
			rl, err := fibre.ReturnLossOfReflectance(db(r, "db"))
			return num("rl", float64(rl)), err
		},
		"return_loss_of_powers": func(r row) (result, error) {
			rl, err := fibre.ReturnLossOfPowers(r.In["in"], r.In["back"])
			return num("rl", float64(rl)), err
		},
		"open_end": func(r row) (result, error) {
			share, rl, err := fibre.OpenEnd(r.In["n"])
			return num("share", share, "rl", float64(rl)), err
		},
		"total_return_loss": func(r row) (result, error) {
			var rs []fibre.Reflection
			before := checkvalues.Fields(t, r.Text["loss_before"])
			for i, rl := range checkvalues.Fields(t, r.Text["return_loss"]) {
				rs = append(rs, fibre.Reflection{ReturnLoss: units.DB(rl), LossBefore: units.DB(before[i])})
			}
			rl, err := fibre.TotalReturnLoss(rs)
			return num("rl", float64(rl)), err
		},
		"insertion_loss": func(r row) (result, error) {
			l, err := fibre.InsertionLoss(dbm(r, "reference"), dbm(r, "measured"))
			return num("loss", float64(l)), err
		},
		"end_connections": func(r row) (result, error) {
			n, err := fibre.ReferenceMethod(r.Text["method"]).EndConnections()
			return num("count", float64(n)), err
		},
		"mean_of_directions": func(r row) (result, error) {
			m, err := fibre.MeanOfDirections(db(r, "ab"), db(r, "ba"))
			return num("mean", float64(m)), err
		},
		"two_wavelengths": func(r row) (result, error) {
			var rs []fibre.LossReading
			for _, one := range strings.Split(r.Text["readings"], ";") {
				v := checkvalues.Fields(t, one)
				rs = append(rs, fibre.LossReading{Wavelength: units.Nanometers(v[0]), Direction: fibre.AToB, Loss: units.DB(v[1]), Limit: units.DB(v[2])})
			}
			v, err := fibre.JudgeLosses(rs)
			var each []string
			for _, one := range v.Results {
				each = append(each, yes(one.Within))
			}
			return words("within", yes(v.Within), "each", strings.Join(each, " ")), err
		},
		"bend": func(r row) (result, error) {
			return words("bend", string(fibre.BendSign(db(r, "at1310"), db(r, "at1550")))), nil
		},
		"group_index": func(r row) (result, error) {
			for _, g := range fibre.GroupIndices() {
				if g.Fibre == r.Text["fibre"] && float64(g.Wavelength) == r.In["nm"] {
					return num("index", g.Index), nil
				}
			}
			return result{}, nil
		},
		"distance": func(r row) (result, error) {
			d, err := fibre.Distance(r.In["seconds"], r.In["n"])
			return num("meters", float64(d)), err
		},
		"round_trip": func(r row) (result, error) {
			s, err := fibre.RoundTrip(meters(r, "meters"), r.In["n"])
			return num("seconds", s), err
		},
		"correct_index": func(r row) (result, error) {
			d, err := fibre.CorrectIndex(meters(r, "shown"), r.In["set"], r.In["true"])
			return num("meters", float64(d)), err
		},
		"pulse_length": func(r row) (result, error) {
			d, err := fibre.PulseLength(time.Duration(r.In["ns"])*time.Nanosecond, r.In["n"])
			return num("meters", float64(d)), err
		},
		"dead_zone": func(r row) (result, error) {
			for _, z := range fibre.DeadZones() {
				if z.Name == r.Text["name"] {
					return num("db", float64(z.LevelDB)), nil
				}
			}
			return result{}, nil
		},
		"two_point_loss": func(r row) (result, error) {
			a, err := fibre.TwoPointLoss(fibre.Point{Level: db(r, "y1")}, fibre.Point{At: units.Meters(r.In["km"] * 1000), Level: db(r, "y2")})
			return num("a", float64(a)), err
		},
		"cable_length": func(r row) (result, error) {
			c, err := fibre.CableLength(meters(r, "fibre"), r.In["helix"])
			return num("meters", float64(c)), err
		},
		"launch_cord": func(r row) (result, error) {
			m, _ := fibre.LaunchCord(r.In["single_mode"] == 1)
			return num("meters", float64(m)), nil
		},
		"kit_second_cord": func(r row) (result, error) {
			loss := db(r, "loss")
			return kit(r, 1, fibre.KitCheck{SingleMode: r.In["single_mode"] == 1, SecondCord: &loss})
		},
		"kit_change": func(r row) (result, error) {
			change := db(r, "change")
			switch r.Text["part"] {
			case "steadiness":
				return kit(r, 0, fibre.KitCheck{Steadiness: &change})
			case "movement":
				return kit(r, 2, fibre.KitCheck{Movement: &change})
			}
			return kit(r, 3, fibre.KitCheck{Drift: &change})
		},
	})
}
