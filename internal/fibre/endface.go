package fibre

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"witnessmark/internal/errs"
	"witnessmark/internal/metrology"
	"witnessmark/internal/units"
	"witnessmark/internal/working"
)

// FeatureKind says what was found on an end face.
type FeatureKind string

// The kinds of feature. What stays after cleaning counts as a defect. A crack
// is told by a person or a picture, and fails wherever it reaches zone A or B
// (common practice).
const (
	Scratch FeatureKind = "scratch"
	Defect  FeatureKind = "defect"
	Crack   FeatureKind = "crack"
)

// Feature is one mark on an end face, measured from the axis of the core.
type Feature struct {
	Kind FeatureKind
	X, Y units.Micrometers // centre of the feature, from the core's axis
	// Size is the diameter of the smallest circle around a defect, the width
	// of a scratch or crack. More than 0, at most MaxFeatureMicrometers.
	Size units.Micrometers
	// InnerRadius is the distance from the axis to the nearest point of the
	// feature: 0 when it covers the axis.
	InnerRadius units.Micrometers
}

// Bounds of GradeEndFace.
const (
	MaxFeatures           = 20_000
	MaxFeatureMicrometers = 10_000
)

// DefectAt returns the Feature of a defect whose smallest enclosing circle has
// its centre at x, y and the diameter size, all in micrometres.
func DefectAt(x, y, size units.Micrometers) Feature {
	inner := math.Max(0, math.Hypot(float64(x), float64(y))-float64(size)/2)
	return Feature{Kind: Defect, X: x, Y: y, Size: size, InnerRadius: units.Micrometers(inner)}
}

// ScratchAlong returns the Feature of a straight scratch of the given width
// whose middle line runs from x1, y1 to x2, y2, all in micrometres.
func ScratchAlong(x1, y1, x2, y2, width units.Micrometers) Feature {
	ax, ay, bx, by := float64(x1), float64(y1), float64(x2), float64(y2)
	dx, dy := bx-ax, by-ay
	t := 0.0 // where along the line, 0 to 1, it comes nearest to the axis
	if length2 := dx*dx + dy*dy; length2 > 0 {
		t = math.Max(0, math.Min(1, -(ax*dx+ay*dy)/length2))
	}
	inner := math.Max(0, math.Hypot(ax+t*dx, ay+t*dy)-float64(width)/2)
	return Feature{
		Kind: Scratch, X: (x1 + x2) / 2, Y: (y1 + y2) / 2, Size: width,
		InnerRadius: units.Micrometers(inner),
	}
}

// CellResult is the verdict of one cell of the table: one kind in one zone.
type CellResult struct {
	Zone    ZoneName
	Kind    FeatureKind
	Verdict EndFaceVerdict
	Bands   []BandResult // in the order of the table; empty for cracks
	Reason  string       // why it is not a pass; empty for a pass
	Source  working.Source
}

// BandResult is the count in one size range of a cell.
type BandResult struct {
	Band    Band
	Count   int
	Verdict EndFaceVerdict
}

// PlacedFeature says where a feature was counted.
type PlacedFeature struct {
	Index int      // place in the slice given to GradeEndFace
	Zone  ZoneName // innermost zone that the feature touches, or Outside
	Band  int      // index into the cell's bands; -1 for cracks, outside and sizes the table does not state
}

// Result is the grade of one end face.
type Result struct {
	Ruleset  RulesetName
	Verdict  EndFaceVerdict // worst of the cells: fail, then not stated, then pass
	Cells    []CellResult   // every zone of the rule set, scratches then defects (then cracks if any)
	Features []PlacedFeature
	// Weakest is the least well founded status among the criteria applied;
	// working.FromMemory means that the owner's copy of the table must confirm it.
	Weakest working.Status
	Notes   []string // cautions for the reader, in words
}

// EndFaceVerdict is the outcome of a cell or an end face.
type EndFaceVerdict string

// The outcomes. NotStated means that the rule set as held here gives no
// requirement for a size that was found: the owner's table must decide.
const (
	EndFacePass      EndFaceVerdict = "pass"
	EndFaceFail      EndFaceVerdict = "fail"
	EndFaceNotStated EndFaceVerdict = "not stated"
)

// GradeEndFace counts the features in the cells of the rule set and grades
// each cell. A feature counts once, in the innermost zone that it touches; a
// feature that just reaches a boundary touches the inner zone. Sizes and radii
// are rounded to metrology.Resolution first, ranges keep the inclusive and
// exclusive ends of the table. Clean and inspect again before grading; visual
// inspection does not replace the loss and return-loss measurement.
//
// Errors are Invalid: FEATURE_KIND_UNKNOWN, FEATURE_SIZE_OUT_OF_RANGE,
// FEATURE_POSITION_OUT_OF_RANGE, FEATURES_TOO_MANY, END_FACE_RULESET_UNKNOWN
// (a rule set without zones).
func GradeEndFace(rs Ruleset, features []Feature) (Result, error) {
	if len(rs.Zones) == 0 {
		return Result{}, errs.Field("END_FACE_RULESET_UNKNOWN", "ruleset", "this rule set has no zones")
	}
	if len(features) > MaxFeatures {
		return Result{}, errs.Field("FEATURES_TOO_MANY", "features",
			fmt.Sprintf("%d features; at most %d can be graded", len(features), MaxFeatures))
	}
	res := Result{Ruleset: rs.Name, Verdict: EndFacePass, Weakest: working.Confirmed}
	cracks := make([]int, len(rs.Zones))
	counts := make([][2][]int, len(rs.Zones)) // by zone, then kind, then band
	unstated := make([][2]int, len(rs.Zones)) // features in no band
	for i, z := range rs.Zones {
		counts[i][0] = make([]int, len(z.Scratches.Bands))
		counts[i][1] = make([]int, len(z.Defects.Bands))
	}
	for i, f := range features {
		if err := checkFeature(i, f); err != nil {
			return Result{}, err
		}
		placed := PlacedFeature{Index: i, Zone: Outside, Band: -1}
		zi := rs.zoneAt(f.InnerRadius)
		if zi < 0 {
			res.Features = append(res.Features, placed)
			continue
		}
		zone := rs.Zones[zi]
		placed.Zone = zone.Name
		switch f.Kind {
		case Crack:
			cracks[zi]++
		default:
			k, cell := 0, zone.Scratches
			if f.Kind == Defect {
				k, cell = 1, zone.Defects
			}
			placed.Band = cell.bandOf(f.Size)
			if placed.Band < 0 {
				unstated[zi][k]++
			} else {
				counts[zi][k][placed.Band]++
			}
			if note := rs.outerZoneNote(i, f, zi, cell, placed.Band); note != "" {
				res.Notes = append(res.Notes, note)
			}
		}
		res.Features = append(res.Features, placed)
	}
	for i, z := range rs.Zones {
		res.add(gradeCell(z, Scratch, z.Scratches, counts[i][0], unstated[i][0]))
		res.add(gradeCell(z, Defect, z.Defects, counts[i][1], unstated[i][1]))
		if cracks[i] > 0 {
			res.add(gradeCracks(z, cracks[i]))
		}
	}
	if rs.ContactNote != "" {
		res.Notes = append(res.Notes, rs.ContactNote)
	}
	return res, nil
}

// GradeRectangular grades each fibre of a rectangular multi-fibre ferrule:
// only zones A and B apply, and every fibre of the array must pass. The
// verdict is the worst of the fibres.
//
// Errors are those of GradeEndFace, and FIBRES_MISSING for no fibre at all.
func GradeRectangular(rs Ruleset, fibres [][]Feature) (EndFaceVerdict, []Result, error) {
	if len(fibres) == 0 {
		return "", nil, errs.Field("FIBRES_MISSING", "fibres", "a ferrule has at least one fibre")
	}
	rs = rs.Rectangular()
	worst := EndFacePass
	results := make([]Result, 0, len(fibres))
	for i, features := range fibres {
		r, err := GradeEndFace(rs, features)
		if err != nil {
			return "", nil, fmt.Errorf("fibre %d of the ferrule: %w", i+1, err)
		}
		worst = worse(worst, r.Verdict)
		results = append(results, r)
	}
	return worst, results, nil
}

func checkFeature(i int, f Feature) error {
	at := func(field string) string { return "features[" + strconv.Itoa(i) + "]." + field }
	switch f.Kind {
	case Scratch, Defect, Crack:
	default:
		return errs.Field("FEATURE_KIND_UNKNOWN", at("kind"),
			fmt.Sprintf("%q is not a kind of feature; use scratch, defect or crack", f.Kind))
	}
	if !(f.Size > 0 && f.Size <= MaxFeatureMicrometers) { // NaN fails too
		return errs.Field("FEATURE_SIZE_OUT_OF_RANGE", at("size"),
			fmt.Sprintf("%v µm; a size is over 0 and at most %d µm", float64(f.Size), MaxFeatureMicrometers))
	}
	for _, p := range []struct {
		name string
		v    units.Micrometers
	}{{"x", f.X}, {"y", f.Y}} {
		if !(math.Abs(float64(p.v)) <= MaxFeatureMicrometers) {
			return errs.Field("FEATURE_POSITION_OUT_OF_RANGE", at(p.name),
				fmt.Sprintf("%v µm; a position is at most %d µm from the axis", float64(p.v), MaxFeatureMicrometers))
		}
	}
	if !(f.InnerRadius >= 0 && f.InnerRadius <= 2*MaxFeatureMicrometers) {
		return errs.Field("FEATURE_POSITION_OUT_OF_RANGE", at("innerRadius"),
			fmt.Sprintf("%v µm; a radius is from 0 to %d µm", float64(f.InnerRadius), 2*MaxFeatureMicrometers))
	}
	return nil
}

// zoneAt returns the index of the innermost zone reached by a feature whose
// nearest point is at radius r, or -1 outside the last zone. A point on a
// boundary belongs to the inner zone.
func (rs Ruleset) zoneAt(r units.Micrometers) int {
	rr := metrology.Rounded(float64(r))
	for i, z := range rs.Zones {
		if rr <= metrology.Rounded(float64(z.OuterDiameter)/2) {
			return i
		}
	}
	return -1
}

// outerZoneNote says so when a feature that passes in the zone where it counts
// also reaches a farther zone that allows none of its size. The rule counts it
// in the inner zone; the reader should know.
func (rs Ruleset) outerZoneNote(i int, f Feature, zi int, cell Cell, band int) string {
	if band < 0 || cell.Bands[band].Max == 0 || f.Kind != Defect {
		return ""
	}
	outer := metrology.Rounded(float64(f.InnerRadius + f.Size))
	for j := zi + 1; j < len(rs.Zones); j++ {
		if outer <= metrology.Rounded(float64(rs.Zones[j-1].OuterDiameter)/2) {
			break
		}
		c := rs.Zones[j].Defects
		if b := c.bandOf(f.Size); b >= 0 && c.Bands[b].Max == 0 {
			return fmt.Sprintf("feature %d (defect of %v µm) counts in zone %s, where it passes, but reaches into zone %s, which allows none of that size: look at it",
				i+1, metrology.Rounded(float64(f.Size)), rs.Zones[zi].Name, rs.Zones[j].Name)
		}
	}
	return ""
}

func gradeCell(z Zone, kind FeatureKind, cell Cell, counts []int, unstated int) CellResult {
	r := CellResult{Zone: z.Name, Kind: kind, Verdict: EndFacePass, Source: cell.Source}
	for i, b := range cell.Bands {
		br := BandResult{Band: b, Count: counts[i], Verdict: EndFacePass}
		if b.Max != NoLimit && counts[i] > b.Max {
			br.Verdict = EndFaceFail
			r.Verdict = EndFaceFail
			allowed := "none allowed"
			if b.Max > 0 {
				allowed = fmt.Sprintf("at most %d allowed", b.Max)
			}
			if r.Reason != "" {
				r.Reason += "; "
			}
			r.Reason += fmt.Sprintf("%s %s in zone %s, %s", counted(counts[i], kind), b.Words(), z.Name, allowed)
		}
		r.Bands = append(r.Bands, br)
	}
	if unstated > 0 && r.Verdict == EndFacePass {
		r.Verdict = EndFaceNotStated
		r.Reason = fmt.Sprintf("%s in zone %s of a size for which this rule set states nothing", counted(unstated, kind), z.Name)
	}
	return r
}

func gradeCracks(z Zone, n int) CellResult {
	r := CellResult{
		Zone: z.Name, Kind: Crack, Verdict: EndFacePass,
		Source: working.Source{Document: "cracks in core or cladding fail", Status: working.CommonPractice},
	}
	if z.Name == ZoneA || z.Name == ZoneB {
		r.Verdict = EndFaceFail
		r.Reason = fmt.Sprintf("%s reaching zone %s, none allowed", counted(n, Crack), z.Name)
	}
	return r
}

func (r *Result) add(c CellResult) {
	r.Cells = append(r.Cells, c)
	r.Verdict = worse(r.Verdict, c.Verdict)
	r.Weakest = weaker(r.Weakest, c.Source.Status)
	for _, b := range c.Bands {
		if b.Count > 0 && b.Band.Source != (working.Source{}) {
			r.Weakest = weaker(r.Weakest, b.Band.Source.Status)
		}
	}
}

func worse(a, b EndFaceVerdict) EndFaceVerdict {
	order := []EndFaceVerdict{EndFacePass, EndFaceNotStated, EndFaceFail}
	if slices.Index(order, b) > slices.Index(order, a) {
		return b
	}
	return a
}

func counted(n int, k FeatureKind) string {
	switch {
	case n == 1:
		return "1 " + string(k)
	case k == Scratch:
		return strconv.Itoa(n) + " scratches"
	}
	return strconv.Itoa(n) + " " + string(k) + "s"
}
