package fibre_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// at gives a feature of the kind that begins at the radius inner and lies outward.
func at(kind fibre.FeatureKind, inner, size float64) fibre.Feature {
	return fibre.Feature{
		Kind: kind, X: units.Micrometers(inner + size/2), Size: units.Micrometers(size),
		InnerRadius: units.Micrometers(inner),
	}
}

func many(n int, f fibre.Feature) []fibre.Feature {
	out := make([]fibre.Feature, n)
	for i := range out {
		out[i] = f
	}
	return out
}

// The cases follow the tables of IEC 61300-3-35 (2015 tables as read in an open
// reproduction dated 2018; table 3 and all of 2009 from memory). Radii: zone A
// to 12.5 µm (multimode 32.5), B to 57.5, C to 67.5, D to 125.
func TestGradeEndFace(t *testing.T) {
	const sc, de, cr = fibre.Scratch, fibre.Defect, fibre.Crack
	sizes := func(kind fibre.FeatureKind, inner float64, sizes ...float64) (out []fibre.Feature) {
		for _, s := range sizes {
			out = append(out, at(kind, inner, s))
		}
		return out
	}
	join := func(parts ...[]fibre.Feature) (out []fibre.Feature) {
		for _, p := range parts {
			out = append(out, p...)
		}
		return out
	}
	for _, tc := range []struct {
		name     string
		set      fibre.RulesetName
		features []fibre.Feature
		verdict  fibre.EndFaceVerdict
		zone     fibre.ZoneName // of the failing cell
		kind     fibre.FeatureKind
	}{
		{"clean face", fibre.SMUPC2015, nil, "pass", "", ""},
		{"one 2.9 µm scratch in B", fibre.SMUPC2015, sizes(sc, 20, 2.9), "pass", "", ""},
		{"exactly 3 µm scratch in B", fibre.SMUPC2015, sizes(sc, 20, 3), "pass", "", ""},
		{"one 0.5 µm scratch in A", fibre.SMUPC2015, sizes(sc, 5, 0.5), "fail", "A", sc},
		{"one 3.1 µm scratch in B", fibre.SMUPC2015, sizes(sc, 20, 3.1), "fail", "B", sc},
		{"five defects of 2.0 to 5.0 µm in B", fibre.SMUPC2015, sizes(de, 20, 2, 2.5, 3, 4, 5), "pass", "", ""},
		{"six defects of 2 to 5 µm in B", fibre.SMUPC2015, sizes(de, 20, 2, 2.5, 3, 4, 5, 3), "fail", "B", de},
		{"two hundred defects under 2 µm in B", fibre.SMUPC2015, many(200, at(de, 20, 1.9)), "pass", "", ""},
		{"one defect of 5.1 µm in B", fibre.SMUPC2015, sizes(de, 20, 5.1), "fail", "B", de},
		{"8 µm defect wholly inside C", fibre.SMUPC2015, sizes(de, 58.5, 8), "pass", "", ""},
		{"10.0 µm defect in D", fibre.SMUPC2015, sizes(de, 80, 10), "pass", "", ""},
		{"10.1 µm defect in D", fibre.SMUPC2015, sizes(de, 80, 10.1), "fail", "D", de},
		{"wide scratch in D", fibre.SMUPC2015, sizes(sc, 80, 40), "pass", "", ""},
		{"large debris outside the contact zone", fibre.SMUPC2015, sizes(de, 126, 60), "pass", "", ""},
		{"four scratches of 3.0 µm in A", fibre.SMAPC2015, sizes(sc, 5, 3, 3, 3, 3), "pass", "", ""},
		{"five scratches of 1 µm in A", fibre.SMAPC2015, sizes(sc, 5, 1, 1, 1, 1, 1), "fail", "A", sc},
		{"one 3.1 µm scratch in A", fibre.SMAPC2015, sizes(sc, 5, 3.1), "fail", "A", sc},
		{"wide scratch in B of an angled connector", fibre.SMAPC2015, sizes(sc, 20, 12), "pass", "", ""},
		{"one 0.8 µm defect in A", fibre.SMAPC2015, sizes(de, 5, 0.8), "fail", "A", de},
		{"multimode, four defects of 5.0 µm in A", fibre.MM2015, sizes(de, 5, 5, 5, 5, 5), "pass", "", ""},
		{"multimode, five defects of 5.0 µm in A", fibre.MM2015, sizes(de, 5, 5, 5, 5, 5, 5), "fail", "A", de},
		{"multimode, one 3.1 µm scratch in A", fibre.MM2015, sizes(sc, 5, 3.1), "fail", "A", sc},
		{"multimode, six defects of 5 to 10 µm in B", fibre.MM2015, many(6, at(de, 40, 7)), "fail", "B", de},
		{"multimode, five defects of 20 to 30 µm in D", fibre.MM2015, sizes(de, 80, 20, 22, 25, 28, 30), "pass", "", ""},
		{"multimode, six defects of 20 to 30 µm in D", fibre.MM2015, sizes(de, 80, 20, 22, 25, 28, 30, 20), "fail", "D", de},
		{"multimode, 30.1 µm defect in D", fibre.MM2015, sizes(de, 80, 30.1), "fail", "D", de},
		{"3 µm defect centred 12.0 µm from the axis counts in A", fibre.SMUPC2015, []fibre.Feature{fibre.DefectAt(12, 0, 3)}, "fail", "A", de},
		{"the same defect at 14.1 µm lies in B", fibre.SMUPC2015, []fibre.Feature{fibre.DefectAt(0, 14.1, 3)}, "pass", "", ""},
		{"a defect that just touches radius 12.5 counts in A", fibre.SMUPC2015, []fibre.Feature{fibre.DefectAt(-14, 0, 3)}, "fail", "A", de},
		{"a radius of 25 µm is not zone A: the figures are diameters", fibre.SMUPC2015, sizes(de, 24, 1), "pass", "", ""},
		{"return loss 26: two scratches and two defects in A", fibre.SMRL262015, join(sizes(sc, 5, 3, 2), sizes(de, 5, 3, 1)), "pass", "", ""},
		{"return loss 26: three defects in A", fibre.SMRL262015, sizes(de, 5, 1, 1, 1), "fail", "A", de},
		{"return loss 26: three wide scratches in B", fibre.SMRL262015, sizes(sc, 20, 4, 4, 4), "pass", "", ""},
		{"return loss 26: four wide scratches in B", fibre.SMRL262015, sizes(sc, 20, 4, 4, 4, 4), "fail", "B", sc},
		{"2009: exactly 10 µm in D fails", fibre.SMUPC2009, sizes(de, 80, 10), "fail", "D", de},
		{"2009: 9.9 µm in D passes", fibre.SMUPC2009, sizes(de, 80, 9.9), "pass", "", ""},
		{"2009: cladding reaches 120 µm, so 5.1 µm at radius 59 fails", fibre.SMUPC2009, sizes(de, 59, 5.1), "fail", "B", de},
		{"2015: the same defect lies in the adhesive", fibre.SMUPC2015, sizes(de, 59, 5.1), "pass", "", ""},
		{"2009 multimode: a 4 µm scratch in A has no stated requirement", fibre.MM2009, sizes(sc, 5, 4), "not stated", "A", sc},
		{"crack into the cladding", fibre.SMUPC2015, sizes(cr, 30, 0.4), "fail", "B", cr},
		{"crack in the contact zone only", fibre.SMUPC2015, sizes(cr, 80, 0.4), "pass", "", ""},
		{"scratch through the core", fibre.SMUPC2015, []fibre.Feature{fibre.ScratchAlong(-50, -40, 50, 40, 0.5)}, "fail", "A", sc},
		{"scratch that passes the core at 20 µm", fibre.SMUPC2015, []fibre.Feature{fibre.ScratchAlong(-40, 20, 40, 20, 1)}, "pass", "", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rs, err := fibre.EndFaceRuleset(tc.set)
			if err != nil {
				t.Fatal(err)
			}
			got, err := fibre.GradeEndFace(rs, tc.features)
			if err != nil {
				t.Fatal(err)
			}
			if got.Verdict != tc.verdict {
				t.Fatalf("GradeEndFace(%s, %+v) = %s; want %s (cells %+v)", tc.set, tc.features, got.Verdict, tc.verdict, got.Cells)
			}
			for _, c := range got.Cells {
				bad := c.Verdict != fibre.EndFacePass
				want := c.Zone == tc.zone && c.Kind == tc.kind
				if bad != want || bad != (c.Reason != "") {
					t.Errorf("cell %s %s is %q (%q); want a failing cell only at %s %s", c.Zone, c.Kind, c.Verdict, c.Reason, tc.zone, tc.kind)
				}
			}
			if len(got.Features) != len(tc.features) {
				t.Errorf("%d features placed; want %d", len(got.Features), len(tc.features))
			}
		})
	}
}

func TestGradeEndFaceReasonsAreSentences(t *testing.T) {
	rs, err := fibre.EndFaceRuleset(fibre.SMUPC2015)
	if err != nil {
		t.Fatal(err)
	}
	got, err := fibre.GradeEndFace(rs, append(many(6, at(fibre.Defect, 20, 3)), at(fibre.Defect, 20, 7)))
	if err != nil {
		t.Fatal(err)
	}
	const want = "6 defects from 2 to 5 µm in zone B, at most 5 allowed; 1 defect over 5 µm in zone B, none allowed"
	if got.Cells[3].Reason != want {
		t.Errorf("reason = %q; want %q", got.Cells[3].Reason, want)
	}
	// A defect that counts in the adhesive but reaches the contact zone.
	got, err = fibre.GradeEndFace(rs, []fibre.Feature{fibre.DefectAt(70, 0, 14)})
	if err != nil {
		t.Fatal(err)
	}
	if got.Verdict != fibre.EndFacePass || len(got.Notes) != 2 {
		t.Errorf("14 µm defect across C and D: verdict %s, notes %q; want pass with a note that D allows none", got.Verdict, got.Notes)
	}
}

func TestGradeEndFaceRefusesBadFeatures(t *testing.T) {
	rs, err := fibre.EndFaceRuleset(fibre.SMUPC2015)
	if err != nil {
		t.Fatal(err)
	}
	nan, inf := units.Micrometers(math.NaN()), units.Micrometers(math.Inf(1))
	for _, tc := range []struct {
		name   string
		rs     fibre.Ruleset
		f      []fibre.Feature
		reason string
	}{
		{"unknown kind", rs, []fibre.Feature{{Kind: "pit", Size: 1}}, "FEATURE_KIND_UNKNOWN"},
		{"no size", rs, []fibre.Feature{{Kind: fibre.Defect}}, "FEATURE_SIZE_OUT_OF_RANGE"},
		{"negative size", rs, []fibre.Feature{{Kind: fibre.Defect, Size: -1}}, "FEATURE_SIZE_OUT_OF_RANGE"},
		{"size not a number", rs, []fibre.Feature{{Kind: fibre.Defect, Size: nan}}, "FEATURE_SIZE_OUT_OF_RANGE"},
		{"infinite size", rs, []fibre.Feature{{Kind: fibre.Defect, Size: inf}}, "FEATURE_SIZE_OUT_OF_RANGE"},
		{"position not a number", rs, []fibre.Feature{{Kind: fibre.Defect, Size: 1, Y: nan}}, "FEATURE_POSITION_OUT_OF_RANGE"},
		{"radius not a number", rs, []fibre.Feature{{Kind: fibre.Defect, Size: 1, InnerRadius: nan}}, "FEATURE_POSITION_OUT_OF_RANGE"},
		{"negative radius", rs, []fibre.Feature{{Kind: fibre.Defect, Size: 1, InnerRadius: -1}}, "FEATURE_POSITION_OUT_OF_RANGE"},
		{"too many", rs, many(fibre.MaxFeatures+1, at(fibre.Defect, 20, 1)), "FEATURES_TOO_MANY"},
		{"empty rule set", fibre.Ruleset{}, nil, "END_FACE_RULESET_UNKNOWN"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := fibre.GradeEndFace(tc.rs, tc.f)
			if !errs.Is(err, tc.reason) {
				t.Errorf("GradeEndFace = %v; want %s", err, tc.reason)
			}
		})
	}
	for name, reason := range map[fibre.RulesetName]string{
		"iec-61300-3-35:2022/sm-upc": "END_FACE_TABLE_NOT_HELD",
		"":                           "END_FACE_RULESET_UNKNOWN",
		"iec-61300-3-35:2015/xx":     "END_FACE_RULESET_UNKNOWN",
	} {
		if _, err := fibre.EndFaceRuleset(name); !errs.Is(err, reason) {
			t.Errorf("EndFaceRuleset(%q) = %v; want %s", name, err, reason)
		}
	}
}

func TestEndFaceRulesetsAreWhole(t *testing.T) {
	seen := map[fibre.RulesetName]bool{}
	for _, rs := range fibre.EndFaceRulesets() {
		if seen[rs.Name] {
			t.Errorf("%s is listed twice", rs.Name)
		}
		seen[rs.Name] = true
		edge := units.Micrometers(0)
		for _, z := range rs.Zones {
			if z.InnerDiameter != edge || z.OuterDiameter <= edge {
				t.Errorf("%s zone %s runs from %v to %v; want it to begin at %v", rs.Name, z.Name, z.InnerDiameter, z.OuterDiameter, edge)
			}
			edge = z.OuterDiameter
			for kind, c := range map[string]fibre.Cell{"scratches": z.Scratches, "defects": z.Defects} {
				if c.Source.Document == "" || c.Source.Status == "" {
					t.Errorf("%s zone %s %s has no source", rs.Name, z.Name, kind)
				}
				if rs.Edition == 2009 && c.Source.Status != working.FromMemory {
					t.Errorf("%s zone %s %s is %q; the values of 2009 are from memory", rs.Name, z.Name, kind, c.Source.Status)
				}
				high, closed := 0.0, false
				for i, b := range c.Bands {
					gap := float64(b.Low) != high || (i > 0 && b.LowInclusive == closed)
					if gap && !(rs.Name == fibre.MM2009 && z.Name == fibre.ZoneA && kind == "scratches") {
						t.Errorf("%s zone %s %s: range %d (%s) leaves a gap or overlaps", rs.Name, z.Name, kind, i, b.Words())
					}
					high, closed = float64(b.High), b.HighInclusive
				}
				if !math.IsInf(high, 1) {
					t.Errorf("%s zone %s %s ends at %v µm; want every size covered", rs.Name, z.Name, kind, high)
				}
			}
		}
		if edge != 250 {
			t.Errorf("%s ends at %v µm; want the 250 µm contact diameter", rs.Name, edge)
		}
	}
	if len(seen) != 8 {
		t.Errorf("%d rule sets; want 8", len(seen))
	}
}

func TestGradeRectangularFerrule(t *testing.T) {
	rs, err := fibre.EndFaceRuleset(fibre.MM2015)
	if err != nil {
		t.Fatal(err)
	}
	bad := []fibre.Feature{at(fibre.Scratch, 5, 3.1)}
	inD := []fibre.Feature{at(fibre.Defect, 80, 31)} // zone D does not apply
	for _, tc := range []struct {
		name   string
		fibres [][]fibre.Feature
		want   fibre.EndFaceVerdict
	}{
		{"twelve clean fibres", make([][]fibre.Feature, 12), "pass"},
		{"one bad fibre fails the ferrule", [][]fibre.Feature{nil, bad, nil}, "fail"},
		{"zones C and D do not apply", [][]fibre.Feature{inD, nil}, "pass"},
	} {
		got, all, err := fibre.GradeRectangular(rs, tc.fibres)
		if err != nil || got != tc.want || len(all) != len(tc.fibres) {
			t.Errorf("%s: GradeRectangular = %s, %d results, %v; want %s", tc.name, got, len(all), err, tc.want)
		}
	}
	if _, _, err := fibre.GradeRectangular(rs, nil); !errs.Is(err, "FIBRES_MISSING") {
		t.Errorf("GradeRectangular without fibres = %v; want FIBRES_MISSING", err)
	}
	if _, _, err := fibre.GradeRectangular(rs, [][]fibre.Feature{{{Kind: "pit"}}}); !errs.Is(err, "FEATURE_KIND_UNKNOWN") {
		t.Errorf("GradeRectangular with a bad feature = %v; want FEATURE_KIND_UNKNOWN", err)
	}
}

// A dirtier face never grades better, and the order of features is no matter.
func TestMoreFeaturesNeverGradeBetter(t *testing.T) {
	rank := map[fibre.EndFaceVerdict]int{fibre.EndFacePass: 0, fibre.EndFaceNotStated: 1, fibre.EndFaceFail: 2}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, rs := range fibre.EndFaceRulesets() {
		for range 200 {
			var fs []fibre.Feature
			last := 0
			for range 30 {
				kind := []fibre.FeatureKind{fibre.Scratch, fibre.Defect}[rng.IntN(2)]
				f := at(kind, rng.Float64()*140, rng.Float64()*12+0.01)
				if kind == fibre.Defect {
					f = fibre.DefectAt(units.Micrometers(rng.Float64()*280-140), units.Micrometers(rng.Float64()*280-140), f.Size)
				}
				fs = append(fs, f)
				got, err := fibre.GradeEndFace(rs, fs)
				if err != nil {
					t.Fatal(err)
				}
				if rank[got.Verdict] < last {
					t.Fatalf("%s: adding %+v turned the verdict to %s", rs.Name, f, got.Verdict)
				}
				last = rank[got.Verdict]
				rng.Shuffle(len(fs), func(i, j int) { fs[i], fs[j] = fs[j], fs[i] })
			}
		}
	}
}

func FuzzGradeEndFace(f *testing.F) {
	f.Add("defect", 1.0, 2.0, 3.0, 0.0)
	f.Add("scratch", math.NaN(), math.Inf(1), -1.0, 1e300)
	f.Fuzz(func(t *testing.T, kind string, x, y, size, inner float64) {
		for _, rs := range fibre.EndFaceRulesets() {
			feature := fibre.Feature{
				Kind: fibre.FeatureKind(kind), X: units.Micrometers(x), Y: units.Micrometers(y),
				Size: units.Micrometers(size), InnerRadius: units.Micrometers(inner),
			}
			got, err := fibre.GradeEndFace(rs, []fibre.Feature{feature})
			if err != nil {
				if errs.KindOf(err) != errs.Invalid {
					t.Errorf("GradeEndFace(%+v) = %v; want an Invalid error", feature, err)
				}
				continue
			}
			if got.Verdict == "" || len(got.Features) != 1 {
				t.Errorf("GradeEndFace(%+v) = %+v; want a verdict and one placed feature", feature, got)
			}
		}
	})
}
