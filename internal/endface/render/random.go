package render

import (
	"math"
	"math/rand/v2"

	"witnessmark/internal/fibre"
)

// Population says what kind of face Random makes.
type Population int

// The populations.
const (
	// Clean faces carry no mark.
	Clean Population = iota
	// Clear faces carry marks that are each at least 3 pixels wide and at
	// least a tenth away from every size limit of their cell; defects keep
	// apart from other marks, scratches may cross one another.
	Clear
	// Free faces carry marks of any size, faint ones too, that may touch.
	Free
)

// Random describes a face of the population, to be graded under rs, from the
// seed alone.
func Random(seed uint64, pop Population, rs fibre.Ruleset, multimode bool) Face {
	rng := rand.New(rand.NewPCG(seed, 0x6661636573))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	sign := func() float64 {
		if rng.IntN(2) == 0 {
			return -1
		}
		return 1
	}
	f := Face{Seed: seed}
	f.Width, f.Height = 300+rng.IntN(1201), 300+rng.IntN(1201)
	if rng.IntN(2) == 0 { // the usual shape of a frame
		f.Height = max(300, f.Width*3/4)
	}
	side := float64(min(f.Width, f.Height))
	f.PixelsPerMicrometer = side / between(258, min(420, side/1.05))
	s := f.PixelsPerMicrometer
	room := 126 * s
	f.AxisX = between(room, float64(f.Width)-room)
	f.AxisY = between(room, float64(f.Height)-room)
	f.TiltDegrees = between(0, 10)
	f.TiltDirection = between(0, math.Pi)
	f.Dark = rng.IntN(4) == 0
	f.Cladding = CladdingMicrometers + between(-0.5, 0.5)
	f.CladdingDX, f.CladdingDY = between(-0.3, 0.3), between(-0.3, 0.3)
	f.RingWidth = between(0.5, 4)
	f.CoreRadius = between(4.1, 4.7)
	if multimode {
		f.CoreRadius = []float64{25, 31.25}[rng.IntN(2)]
	}
	if f.Dark {
		f.CladdingLevel = between(0.02, 0.08)
		f.FerruleLevel = f.CladdingLevel + between(0.02, 0.12)
		f.RingLevel = between(0.3, 0.9)
		f.CoreLevel = f.CladdingLevel + between(0, 0.02)
		f.Noise = between(0.003, 0.012)
	} else {
		f.CladdingLevel = between(0.35, 0.6)
		f.FerruleLevel = f.CladdingLevel * between(0.85, 1.45)
		f.RingLevel = f.CladdingLevel * between(0.1, 0.5)
		switch rng.IntN(10) {
		case 0:
			f.CoreLevel = f.CladdingLevel
		case 1, 2:
			f.CoreLevel = f.CladdingLevel * between(1.25, 1.5)
		default:
			f.CoreLevel = f.CladdingLevel * (1 + sign()*between(0.03, 0.1))
		}
		f.Noise = between(0.004, 0.02)
	}
	f.Texture = between(0, 0.05)
	f.TextureSize = between(0.8, 4)
	f.GradX, f.GradY = between(-0.2, 0.2), between(-0.2, 0.2)
	f.Vignette = between(0, 0.25)
	f.Blur = min(between(0.3, 1.4), 0.9*s)
	for range rng.IntN(3) {
		f.LensDust = append(f.LensDust, LensDust{
			X: between(0, float64(f.Width)), Y: between(0, float64(f.Height)),
			Sigma: between(10, 25) * s, Contrast: -between(0.01, 0.04),
		})
	}
	if pop == Clean {
		return f
	}
	want := 1 + rng.IntN(6)
	for try := 0; len(f.Marks) < want && try < 400; try++ {
		m := randomMark(rng, f, pop)
		if !f.fits(m, pop, rs) {
			continue
		}
		f.Marks = append(f.Marks, m)
	}
	return f
}

func randomMark(rng *rand.Rand, f Face, pop Population) Mark {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	var m Mark
	least := 3.0 / f.PixelsPerMicrometer
	if pop == Free {
		least = 0.5
	}
	// Evenly over zones more than over area, or nearly all would lie in D.
	var r float64
	switch rng.IntN(5) {
	case 0:
		r = between(0, 14)
	case 1, 2:
		r = between(12, 58)
	case 3:
		r = between(45, 75)
	default:
		r = between(65, 120)
	}
	phi := between(0, 2*math.Pi)
	m.X, m.Y = r*math.Cos(phi), r*math.Sin(phi)
	strength := between(0.2, 0.75)
	if pop == Free {
		strength = between(0.06, 0.75)
	}
	if rng.IntN(5) < 2 {
		m.Kind = fibre.Scratch
		top := max(6, least*1.5)
		m.Size = least * math.Pow(top/least, rng.Float64())
		m.Length = max(between(20, 160), 8*m.Size)
		m.Direction = between(0, math.Pi)
		m.Bow = between(-0.03, 0.03) * m.Length
		m.Contrast = -strength
		if rng.IntN(5) == 0 {
			m.Contrast = strength * 0.7
		}
	} else {
		m.Kind = fibre.Defect
		top := 14.0
		if r > 70 {
			top = 40
		}
		top = max(top, least*1.5)
		m.Size = least * math.Pow(top/least, rng.Float64())
		m.Contrast = -strength
		if rng.IntN(3) > 0 { // not round
			for k := range m.Amp {
				m.Amp[k] = between(0, []float64{0.25, 0.1, 0.06, 0.04}[k])
				m.Phase[k] = between(0, 2*math.Pi)
			}
		}
	}
	if f.Dark {
		m.Contrast = strength
	}
	return m
}

// fits says whether the mark keeps the population's rules.
func (f Face) fits(m Mark, pop Population, rs fibre.Ruleset) bool {
	if pop == Free {
		return true
	}
	ft := m.Feature()
	if !ClearOfLimits(rs, ft) || float64(ft.Size)*f.PixelsPerMicrometer < 3 {
		return false
	}
	gap := max(3, 6/f.PixelsPerMicrometer)
	for _, o := range f.Marks {
		if m.Kind == fibre.Scratch && o.Kind == fibre.Scratch {
			// Two scratches that run along one another are not two to any eye.
			turn := math.Abs(math.Mod(m.Direction-o.Direction+2*math.Pi, math.Pi))
			if min(turn, math.Pi-turn) < 0.35 && distance(m, o) < 3*gap {
				return false
			}
			continue
		}
		if distance(m, o) < gap {
			return false
		}
	}
	return true
}

// distance is the gap between two marks' boundaries, micrometres, or less.
func distance(a, b Mark) float64 {
	pa, pb := a.spine(), b.spine()
	d := math.Inf(1)
	for _, p := range pa {
		for _, q := range pb {
			d = min(d, math.Hypot(p[0]-q[0], p[1]-q[1]))
		}
	}
	return d - a.Size/2 - b.Size/2
}

func (m Mark) spine() [][2]float64 {
	if m.Kind != fibre.Scratch {
		return [][2]float64{{m.X, m.Y}}
	}
	n := int(m.Length) + 1
	p := make([][2]float64, n+1)
	for i := range p {
		x, y := m.along(m.Length * (float64(i)/float64(n) - 0.5))
		p[i] = [2]float64{x, y}
	}
	return p
}

// ClearOfLimits says whether the feature's size is at least a tenth away from
// every limit of its cell in the rule set.
func ClearOfLimits(rs fibre.Ruleset, ft fibre.Feature) bool {
	for _, z := range rs.Zones {
		if ft.InnerRadius > z.OuterDiameter/2 {
			continue
		}
		cell := z.Defects
		if ft.Kind == fibre.Scratch {
			cell = z.Scratches
		}
		for _, b := range cell.Bands {
			for _, lim := range []float64{float64(b.Low), float64(b.High)} {
				if lim > 0 && !math.IsInf(lim, 0) && math.Abs(float64(ft.Size)-lim) < 0.1*lim {
					return false
				}
			}
		}
		return true
	}
	return true
}
