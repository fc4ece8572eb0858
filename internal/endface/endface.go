// Package endface finds a fibre in a microscope picture of a ferrule's end
// face, finds the scratches and defects on it, measures them against the
// cladding's diameter and has them graded under a rule set of IEC 61300-3-35.
//
// It is an aid. A picture that cannot be judged is "not gradable", with the
// reason, never a guess; and every verdict asks a person to confirm it by eye.
// How well it does, and on what, is measured in ACCURACY.md.
package endface

import (
	"fmt"
	"image"
	"math"

	"witnessmark/internal/errs"
	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

// MaxPixels is the largest picture that Analyze takes: 50 megapixels.
const MaxPixels = 50_000_000

const (
	// CladdingMicrometers is the diameter that gives the picture its scale:
	// 125 µm nominal for every fibre these rule sets know (IEC 60793-2-10 and
	// -2-50 allow a deviation of about 1 µm, from memory).
	CladdingMicrometers = 125
	// MinSide is the shortest side of a picture that is looked at, pixels.
	MinSide = 100
	// MinPixelsPerMicrometer is the coarsest scale that is graded: the 2 µm
	// that the rule sets ask about cover two pixels there.
	MinPixelsPerMicrometer = 1.0
	// MaxBlurMicrometers is the largest standard deviation of the point spread
	// that is graded: beyond it a mark of 3 µm and one of 2 µm look alike.
	MaxBlurMicrometers = 1.3
	// MaxTiltDegrees is the largest tilt of the face against the picture.
	MaxTiltDegrees = 18
)

// Aid is the sentence that goes with every verdict.
const Aid = "This is an aid: a person looks at the picture and confirms the verdict. It does not replace the measurement of loss and return loss."

// Field is how the face was lit.
type Field string

// The fields. Auto lets the picture decide.
const (
	FieldAuto   Field = "auto"
	FieldBright Field = "bright"
	FieldDark   Field = "dark"
)

// Mode is the kind of fibre.
type Mode string

// The modes. Auto expects what the rule set is for.
const (
	ModeAuto   Mode = "auto"
	SingleMode Mode = "single-mode"
	Multimode  Mode = "multimode"
)

// Options says how to look at a picture. The zero value takes the default rule
// set, and lets the picture decide the rest.
type Options struct {
	Ruleset fibre.Ruleset // without zones: the first of fibre.EndFaceRulesets
	Field   Field         // "" is auto
	Mode    Mode          // "" is auto
	// MicrometersPerPixel is the microscope's scale if it is known, else 0. The
	// cladding is then looked for within 10 % of the size that it should have.
	MicrometersPerPixel float64
}

// Verdict is the outcome for a face or one zone.
type Verdict string

// The verdicts. NotStated: the rule set as held has no requirement for a size
// that was found.
const (
	Pass        Verdict = "pass"
	Fail        Verdict = "fail"
	NotStated   Verdict = "not stated"
	NotGradable Verdict = "not gradable"
)

// The reasons why a picture is not gradable. They are stable.
const (
	ReasonNoCircle     = "NO_CIRCLE"
	ReasonTooSmall     = "SCALE_TOO_SMALL"
	ReasonTooBlurred   = "TOO_BLURRED"
	ReasonTooTilted    = "TOO_TILTED"
	ReasonSaturated    = "SATURATED"
	ReasonTooNoisy     = "TOO_NOISY"
	ReasonWrongMode    = "MODE_DIFFERS"
	ReasonWrongField   = "FIELD_DIFFERS"
	ReasonZoneCut      = "ZONE_NOT_IN_PICTURE"
	ReasonTooManyMarks = "TOO_MANY_MARKS"
)

// Core is what was seen of the core.
type Core struct {
	Seen   bool
	Radius units.Micrometers // meaningless unless seen
}

// Mark is one scratch or defect found.
type Mark struct {
	Feature fibre.Feature
	Zone    fibre.ZoneName
	Length  units.Micrometers // of a scratch; 0 for a defect
	Bright  bool              // brighter than a clean face there
	// Outline is the middle line of a scratch or the boundary's corners of a
	// defect, in pixels of the picture from its left upper corner.
	Outline []Point
	// Uncertainty is about how far the size may be off, half width.
	Uncertainty units.Micrometers
}

// Point is a place in the picture, pixels from the left upper corner of its bounds.
type Point struct{ X, Y float64 }

// ZoneResult is what is known of one zone.
type ZoneResult struct {
	Name             fibre.ZoneName
	Verdict          Verdict
	Scratches        int
	Defects          int
	LargestScratch   units.Micrometers // width; 0 for none
	LargestDefect    units.Micrometers // diameter; 0 for none
	InPicture        float64           // share of the zone's area that the picture shows
	OuterMicrometers units.Micrometers // radius
}

// Result is all that Analyze can say of a picture.
type Result struct {
	Verdict Verdict
	Reason  string // why it is not gradable, stable; else ""
	Why     string // the same in a sentence, or the first failed cell's
	Aid     string

	Width, Height int
	Field         Field
	Mode          Mode

	// Where the fibre is, in pixels from the left upper corner. Valid when
	// Found: HalfLong and HalfShort are the half axes of the cladding's edge,
	// Direction that of the long one in radians, Axis the zones' centre.
	Found                          bool
	Centre, Axis                   Point
	HalfLong, HalfShort, Direction float64
	PixelsPerMicrometer            float64
	TiltDegrees                    float64
	Core                           Core
	BlurMicrometers                float64 // standard deviation of the point spread
	NoiseShare                     float64 // of the cladding's level, after light smoothing
	// Smallest is the size below which a mark may be missed or its size be wrong.
	Smallest units.Micrometers

	Marks      []Mark
	Zones      []ZoneResult
	Grade      fibre.Result // of what was found; empty when nothing could be measured
	Confidence float64      // 0 to 1: how clear the picture is and how far sizes are from limits
	Cautions   []string
}

// Analyze finds and grades the fibre in the picture. It is deterministic and
// has no side effects; img is only read.
//
// Errors are Invalid: IMAGE_MISSING, IMAGE_EMPTY, IMAGE_UNREADABLE (its pixels
// do not fill its bounds), FIELD_UNKNOWN, MODE_UNKNOWN,
// MODE_RULESET_MISMATCH, MICROMETERS_PER_PIXEL_OUT_OF_RANGE, those of
// fibre.GradeEndFace; and TooLarge: IMAGE_TOO_LARGE. A picture that can be read
// but not judged is no error: its Verdict is NotGradable.
func Analyze(img image.Image, opts Options) (res Result, err error) {
	src, err := newSource(img)
	if err != nil {
		return Result{}, err
	}
	opts, err = opts.complete()
	if err != nil {
		return Result{}, err
	}
	res = Result{Aid: Aid, Width: src.w, Height: src.h, Field: opts.Field, Mode: opts.Mode}
	if min(src.w, src.h) < MinSide {
		res.refuse(ReasonTooSmall, "The picture's shorter side has %d pixels; at least %d are needed.", min(src.w, src.h), MinSide)
		return res, nil
	}
	f, reason, err := locate(src, opts)
	if err != nil {
		return Result{}, err
	}
	if f == nil {
		res.refuse(ReasonNoCircle, "%s", reason)
		return res, nil
	}
	if !res.describe(f) {
		return res, nil
	}
	if !f.separate() {
		res.refuse(ReasonNoCircle, "The light on the face could not be told from the face itself.")
		return res, nil
	}
	f.judgeField(opts.Field)
	res.Field = FieldBright
	if f.dark {
		res.Field = FieldDark
	}
	for round := range 2 {
		if round == 1 {
			f.separateAgain()
		}
		f.findMultimode()
		if f.coreRadius == 0 {
			f.findCore()
		} else {
			f.centreMultimode()
		}
		f.judgeNoise()
	}
	res.settle(f)
	if !res.usable(f, opts) {
		return res, nil
	}
	marks, more := f.findMarks()
	if err := res.grade(f, marks, opts.Ruleset); err != nil {
		return Result{}, err
	}
	if more && res.Verdict != Fail {
		res.refuse(ReasonTooManyMarks, "More than %d marks: the face cannot be judged mark by mark. Clean it and inspect again.", maxMarks)
	}
	return res, nil
}

func (o Options) complete() (Options, error) {
	if len(o.Ruleset.Zones) == 0 {
		if o.Ruleset.Name != "" {
			return o, errs.Field("END_FACE_RULESET_UNKNOWN", "ruleset", "the rule set has no zones", "ruleset", string(o.Ruleset.Name))
		}
		o.Ruleset = fibre.EndFaceRulesets()[0]
	}
	switch o.Field {
	case "":
		o.Field = FieldAuto
	case FieldAuto, FieldBright, FieldDark:
	default:
		return o, errs.Field("FIELD_UNKNOWN", "field", "the field is auto, bright or dark")
	}
	of := SingleMode
	if o.Ruleset.Zones[0].OuterDiameter > 40 {
		of = Multimode
	}
	switch o.Mode {
	case "", ModeAuto:
		o.Mode = of
	case SingleMode, Multimode:
		if o.Mode != of {
			return o, errs.Field("MODE_RULESET_MISMATCH", "mode",
				fmt.Sprintf("the rule set %s is for %s fibre, not for %s", o.Ruleset.Name, of, o.Mode))
		}
	default:
		return o, errs.Field("MODE_UNKNOWN", "mode", "the mode is auto, single-mode or multimode")
	}
	if m := o.MicrometersPerPixel; math.IsNaN(m) || m < 0 || m > 0 && (m < 0.005 || m > 5) {
		return o, errs.Field("MICROMETERS_PER_PIXEL_OUT_OF_RANGE", "micrometers_per_pixel", "the scale is 0 (not known) or from 0.005 to 5 µm per pixel")
	}
	return o, nil
}

// locate finds the cladding's edge and reads the part of the picture around it.
// A nil face comes with the reason in words.
func locate(src source, opts Options) (f *face, why string, err error) {
	// A picture whose pixels do not fill its bounds panics when read.
	defer func() {
		if recover() != nil {
			f, why = nil, ""
			err = errs.Field("IMAGE_UNREADABLE", "image", "the picture's pixels do not fill its bounds")
		}
	}()
	why = "No circle like a cladding's edge was found in the picture."
	for _, side := range []float64{coarseSide, 3 * coarseSide} {
		k := max(1, int(math.Ceil(math.Sqrt(float64(src.w)*float64(src.h))/side)))
		want := 0.0
		if opts.MicrometersPerPixel > 0 {
			want = claddingRadius / opts.MicrometersPerPixel / float64(k)
		}
		coarse := src.window(0, 0, src.w, src.h, k)
		best := (*face)(nil)
		var bestScore, first float64
		tried := 0
		for _, c := range findRings(coarse, want) {
			if tried == 4 || best != nil && c.score < 0.35*first {
				break
			}
			if tried++; tried == 1 {
				first = c.score
			}
			g := around(src, c, k)
			e, ok := refineRing(g.img, ring{x: (c.x*float64(k) + float64(k-1)/2 - float64(g.x0)) / float64(g.k), y: (c.y*float64(k) + float64(k-1)/2 - float64(g.y0)) / float64(g.k), r: c.r * float64(k) / float64(g.k)})
			if !ok || e.whole < 0.55 {
				continue
			}
			g.edge = e
			if score := c.score * e.whole * e.whole; best == nil || score > bestScore {
				best, bestScore = g, score
			}
		}
		if best != nil {
			return best, "", nil
		}
		if k == 1 {
			break
		}
	}
	return nil, why, nil
}

// around reads the picture out to the end of zone D around a proposed circle.
func around(src source, c ring, k int) *face {
	r := c.r * float64(k)
	reach := int(r/claddingRadius*farRadius*1.06) + 4
	cx, cy := int(c.x*float64(k)), int(c.y*float64(k))
	x0, y0 := max(0, cx-reach), max(0, cy-reach)
	x1, y1 := min(src.w, cx+reach), min(src.h, cy+reach)
	// Beyond six pixels per micrometre there is nothing more to see, only more to do.
	d := max(1, int(math.Ceil(r/claddingRadius/6-1e-9)))
	return &face{img: src.window(x0, y0, x1-x0, y1-y0, d), x0: x0, y0: y0, k: d}
}

// outside maps a pixel of the face's window to the picture's, where the centre
// of the left upper pixel is at (0.5, 0.5).
func (f *face) outside(x, y float64) Point {
	k := float64(f.k)
	return Point{float64(f.x0) + (x+0.5)*k, float64(f.y0) + (y+0.5)*k}
}

func (r *Result) refuse(reason, format string, args ...any) {
	r.Verdict, r.Reason, r.Why = NotGradable, reason, fmt.Sprintf(format, args...)
	r.Confidence = 0
}

// describe fills in the geometry and refuses what cannot be graded by it.
func (r *Result) describe(f *face) bool {
	f.place()
	long, short, dir := f.edge.axes()
	k := float64(f.k)
	r.Found = true
	r.Centre = f.outside(f.edge.x, f.edge.y)
	r.Axis = r.Centre
	r.HalfLong, r.HalfShort, r.Direction = long*k, short*k, dir
	r.PixelsPerMicrometer = f.scale * k
	r.TiltDegrees = math.Acos(min(1, short/long)) * 180 / math.Pi
	r.BlurMicrometers = f.blur / f.scale
	switch {
	case r.PixelsPerMicrometer < MinPixelsPerMicrometer:
		r.refuse(ReasonTooSmall, "The cladding is %.0f pixels across, %.2f pixels per µm; at least %.1f are needed. Take the picture at a higher magnification.",
			2*long*k, r.PixelsPerMicrometer, MinPixelsPerMicrometer)
	case r.TiltDegrees > MaxTiltDegrees:
		r.refuse(ReasonTooTilted, "The cladding's edge is an ellipse: the face is tilted by about %.0f°, more than %d°.", r.TiltDegrees, MaxTiltDegrees)
	case r.BlurMicrometers > MaxBlurMicrometers:
		r.refuse(ReasonTooBlurred, "The cladding's edge is blurred by %.1f µm (standard deviation), more than %.1f µm. Focus and take the picture again.", r.BlurMicrometers, MaxBlurMicrometers)
	default:
		return true
	}
	return false
}

// settle fills in what the separated picture shows.
func (r *Result) settle(f *face) {
	r.Axis = f.outside(f.axisX, f.axisY)
	r.NoiseShare = f.noise / max(f.cladding, 0.01)
	r.Smallest = units.Micrometers(max(2/f.scale, 1.7*f.blur/f.scale))
	switch {
	case f.coreRadius > 0:
		r.Core = Core{true, units.Micrometers(f.coreRadius)}
	case f.core.seen:
		r.Core = Core{true, units.Micrometers(f.core.radius)}
	}
}

// judgeField tells a dark field by a cladding near black, or by an edge that
// shines where the cladding is much darker than it.
func (f *face) judgeField(asked Field) {
	var ring float64
	for r := claddingRadius - 1; r < claddingRadius+7; r += 0.25 {
		ring = max(ring, f.level(r))
	}
	f.dark = f.cladding < 0.16 && ring > 1.5*f.cladding || f.cladding < 0.05
	switch asked {
	case FieldBright:
		f.dark = false
	case FieldDark:
		f.dark = true
	}
}

// usable refuses a picture whose levels or whose core do not allow a verdict.
func (r *Result) usable(f *face, opts Options) bool {
	var full, all, coreFull, coreAll float64
	for o, rad := range f.rad {
		if rad > innerFlat {
			continue
		}
		top := f.img.pix[o] >= 0.996
		if rad < 33 {
			coreAll++
			if top {
				coreFull++
			}
			continue
		}
		all++
		if top {
			full++
		}
	}
	limit := 0.03
	if f.dark {
		limit = 0.25 // the marks themselves shine
	}
	seen := SingleMode
	if f.coreRadius > 0 {
		seen = Multimode
	}
	switch {
	case all == 0 || coreAll == 0:
		r.refuse(ReasonZoneCut, "The cladding is not in the picture.")
	case full > limit*all || coreFull > max(limit, 0.05)*coreAll:
		r.refuse(ReasonSaturated, "%.0f %% of the cladding is at full scale: marks are burnt out. Lower the light or the exposure.",
			100*max(full/all, coreFull/coreAll))
	case f.dark && f.edge.sign < 0:
		r.refuse(ReasonWrongField, "The cladding's edge is darker than the cladding: this is not a dark-field picture.")
	case !f.dark && 6*f.noise > 0.35*f.cladding || f.dark && 6*f.noise > 0.12:
		r.refuse(ReasonTooNoisy, "The noise is %.0f %% of the cladding's level: weak marks cannot be told from it.", 100*f.noise/f.cladding)
	case (f.coreRadius > 0 || f.core.seen) && seen != opts.Mode:
		r.refuse(ReasonWrongMode, "A core of %.0f µm diameter shows; the rule set %s is for %s fibre.", 2*float64(r.Core.Radius), opts.Ruleset.Name, opts.Mode)
	default:
		return true
	}
	return false
}
