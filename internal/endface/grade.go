package endface

import (
	"fmt"
	"math"

	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

// grade hands the marks to the rule set and says zone by zone what came of it.
func (r *Result) grade(f *face, marks []mark, rs fibre.Ruleset) error {
	features := make([]fibre.Feature, 0, len(marks))
	for _, m := range marks {
		ft := fibre.Feature{
			Kind: m.kind, X: units.Micrometers(m.centre.x), Y: units.Micrometers(m.centre.y),
			Size: units.Micrometers(m.size), InnerRadius: units.Micrometers(m.inner),
		}
		features = append(features, ft)
		out := Mark{Feature: ft, Length: units.Micrometers(m.length), Bright: m.depth > 0}
		for _, p := range m.outline {
			out.Outline = append(out.Outline, f.outside(f.pixel(p)))
		}
		// Half a level step of noise moves the edge by noise over slope; the
		// point spread is known to about a tenth.
		noise := f.noise
		if m.inner > outerFlat {
			noise = f.grain
		}
		slope := math.Abs(m.depth) / (f.blur*math.Sqrt(2*math.Pi) + 0.5)
		out.Uncertainty = units.Micrometers((0.15 + 2*noise/max(slope, 1e-6) + 0.1*f.blur) / f.scale)
		r.Marks = append(r.Marks, out)
	}
	g, err := fibre.GradeEndFace(rs, features)
	if err != nil {
		return fmt.Errorf("grade the end face: %w", err)
	}
	r.Grade = g
	r.Verdict = Verdict(g.Verdict)
	for _, p := range g.Features {
		r.Marks[p.Index].Zone = p.Zone
	}
	cut := fibre.ZoneName("")
	for _, z := range rs.Zones {
		zr := ZoneResult{Name: z.Name, Verdict: Pass, OuterMicrometers: z.OuterDiameter / 2}
		zr.InPicture = f.shown(float64(z.InnerDiameter)/2, float64(z.OuterDiameter)/2)
		for _, c := range g.Cells {
			if c.Zone != z.Name {
				continue
			}
			if c.Verdict == fibre.EndFaceFail {
				zr.Verdict = Fail
			} else if c.Verdict == fibre.EndFaceNotStated && zr.Verdict == Pass {
				zr.Verdict = NotStated
			}
			if r.Why == "" && c.Verdict == fibre.EndFaceFail {
				r.Why = c.Reason
			}
		}
		for _, m := range r.Marks {
			if m.Zone != z.Name {
				continue
			}
			if m.Feature.Kind == fibre.Scratch {
				zr.Scratches++
				zr.LargestScratch = max(zr.LargestScratch, m.Feature.Size)
			} else {
				zr.Defects++
				zr.LargestDefect = max(zr.LargestDefect, m.Feature.Size)
			}
		}
		if zr.InPicture < 0.995 && zr.Verdict != Fail && limited(z) {
			zr.Verdict = NotGradable
			if cut == "" {
				cut = z.Name
			}
		}
		r.Zones = append(r.Zones, zr)
	}
	r.judgeConfidence(f, rs)
	if cut != "" && r.Verdict != Fail {
		r.refuse(ReasonZoneCut, "Zone %s is not wholly in the picture: what is outside cannot be judged.", cut)
	} else if cut != "" {
		r.Cautions = append(r.Cautions, fmt.Sprintf("Zone %s is not wholly in the picture; what shows fails already.", cut))
	}
	if f.axisCut() {
		r.Cautions = append(r.Cautions, "The cladding's edge is partly outside the picture: sizes are less certain.")
	}
	return nil
}

// limited says whether the zone forbids anything at all.
func limited(z fibre.Zone) bool {
	for _, c := range []fibre.Cell{z.Scratches, z.Defects} {
		for _, b := range c.Bands {
			if b.Max != fibre.NoLimit {
				return true
			}
		}
	}
	return false
}

// shown is the share of the ring between two radii that lies in the picture.
func (f *face) shown(r0, r1 float64) float64 {
	in, all := 0, 0
	for i := range 6 {
		rr := r0 + (r1-r0)*(float64(i)+0.5)/6
		for a := range 360 {
			sn, cs := math.Sincos(float64(a) * math.Pi / 180)
			x, y := f.pixel(point{rr * cs, rr * sn})
			all++
			if x > -0.5 && y > -0.5 && x < float64(f.img.w)-0.5 && y < float64(f.img.h)-0.5 {
				in++
			}
		}
	}
	return float64(in) / float64(all)
}

func (f *face) axisCut() bool { return f.shown(claddingRadius-0.5, claddingRadius+0.5) < 0.999 }

// judgeConfidence is the product of how complete the circle is, how sharp and
// quiet the picture is, and how far the marks are from the limits. It orders
// pictures for a person's attention; it is no probability.
func (r *Result) judgeConfidence(f *face, rs fibre.Ruleset) {
	c := min(1, f.edge.whole/0.9)
	if s := r.PixelsPerMicrometer / 1.5; s < 1 {
		c *= 0.7 + 0.3*s
		r.Cautions = append(r.Cautions, fmt.Sprintf("Low magnification: marks under about %.1f µm may be missed.", r.Smallest))
	}
	if b := r.BlurMicrometers; b > 0.8 {
		c *= max(0.5, 1-(b-0.8))
		r.Cautions = append(r.Cautions, fmt.Sprintf("The picture is soft: marks under about %.1f µm may be missed.", r.Smallest))
	}
	if n := 6 * f.noise / max(f.cladding, 0.02); !f.dark && n > 0.15 {
		c *= max(0.5, 1-(n-0.15)*2)
	}
	if !r.Core.Seen {
		c *= 0.97
		r.Cautions = append(r.Cautions, "The core does not show; the zones are centred on the cladding.")
	}
	near := 0
	for _, m := range r.Marks {
		if m.nearLimit(rs) {
			near++
		}
	}
	if near > 0 {
		c *= 0.6
		r.Cautions = append(r.Cautions, fmt.Sprintf("Marks whose size or place is within the uncertainty of a limit: %d. Look at them yourself.", near))
	}
	r.Confidence = math.Round(100*c) / 100
}

// nearLimit says whether another size or zone within the uncertainty would fall
// under another limit.
func (m Mark) nearLimit(rs fibre.Ruleset) bool {
	u := m.Uncertainty
	for _, z := range rs.Zones {
		if z.Name == m.Zone && z.Name != fibre.ZoneD && math.Abs(float64(m.Feature.InnerRadius-z.OuterDiameter/2)) < float64(u) {
			return true
		}
		if m.Feature.InnerRadius > z.OuterDiameter/2 {
			if float64(m.Feature.InnerRadius-z.OuterDiameter/2) < float64(u) {
				return true
			}
			continue
		}
		cell := z.Defects
		if m.Feature.Kind == fibre.Scratch {
			cell = z.Scratches
		}
		for _, b := range cell.Bands {
			for _, lim := range []units.Micrometers{b.Low, b.High} {
				if lim > 0 && !math.IsInf(float64(lim), 0) && math.Abs(float64(m.Feature.Size-lim)) < float64(u) {
					return true
				}
			}
		}
		return false
	}
	return false
}
