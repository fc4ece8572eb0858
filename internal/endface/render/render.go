// Package render draws microscope pictures of fibre end faces that never
// existed, together with the exact truth about each of them: where the fibre
// lies, and the kind, size and place of every mark. The end-face analysis is
// measured against these pictures. Everything is computed from the
// description and its seed; the same description gives the same picture.
package render

import (
	"image"
	"math"
	"math/rand/v2"

	"witnessmark/internal/fibre"
	"witnessmark/internal/units"
)

// CladdingMicrometers is the nominal diameter of the cladding.
const CladdingMicrometers = 125

// Mark is one scratch or defect as drawn. Lengths are micrometres, in the plane of
// the face, with the origin on the core's axis, x to the right and y down.
type Mark struct {
	Kind fibre.FeatureKind // Scratch or Defect
	X, Y float64           // middle of the scratch, centre of the defect's enclosing circle
	Size float64           // width of the scratch, diameter of the smallest circle around the defect

	// Contrast is relative to the level beneath in a bright field (-0.5: half as
	// bright), and a share of full scale that is added in a dark field.
	Contrast float64

	// For a scratch: its length, its direction in radians, and how far its
	// middle is bowed away from the line between its ends.
	Length, Direction, Bow float64

	// For a defect: the outline radius is 1 + the sum of Amp[k]·cos((k+2)φ +
	// Phase[k]), scaled so that the smallest circle has the diameter Size.
	Amp, Phase [4]float64
}

// Face describes one picture.
type Face struct {
	Seed                   uint64
	Width, Height          int     // pixels
	PixelsPerMicrometer    float64 // along the axis that tilt does not shorten
	AxisX, AxisY           float64 // where the core's axis is, pixels (pixel centres are at +0.5)
	TiltDegrees            float64 // of the face against the picture plane
	TiltDirection          float64 // radians; the direction that is shortened
	Dark                   bool    // dark field
	Cladding               float64 // diameter, micrometres
	CladdingDX, CladdingDY float64 // offset of the cladding's centre from the core's axis, micrometres
	CoreRadius             float64 // micrometres
	RingWidth              float64 // visible adhesive around the cladding, micrometres

	// Levels are shares of full scale before the lighting.
	CoreLevel, CladdingLevel, RingLevel, FerruleLevel float64

	Texture          float64 // grain of the ferrule: relative amplitude
	TextureSize      float64 // and its size, micrometres
	GradX, GradY     float64 // relative change of the light from the middle to the edge of the frame
	Vignette         float64 // relative loss of light in the corners
	Blur             float64 // standard deviation of the point spread, pixels
	Noise            float64 // standard deviation, share of full scale, at half level
	LensDust         []LensDust
	Marks            []Mark
	ExposureGain     float64 // 0 means 1; large values saturate
	WithoutFibre     bool    // draws the ferrule alone
	OuterRingRadius  float64 // edge of the ferrule's end, micrometres; 0 for none in the picture
	OuterRingFalloff float64 // relative level beyond it
}

// LensDust is a speck out of focus, somewhere in the optics: a shade, not a mark.
type LensDust struct{ X, Y, Sigma, Contrast float64 } // pixels; relative

// Truth is what a perfect inspection of the picture would find.
type Truth struct {
	Features []fibre.Feature // in the order of Face.Marks
}

// toPixel maps face micrometres to pixels.
func (f Face) toPixel() (a, b, c, d float64) {
	k := math.Cos(f.TiltDegrees * math.Pi / 180)
	cs, sn := math.Cos(f.TiltDirection), math.Sin(f.TiltDirection)
	s := f.PixelsPerMicrometer
	// R(dir) · diag(k, 1) · R(-dir), scaled.
	return s * (k*cs*cs + sn*sn), s * (k - 1) * cs * sn, s * (k - 1) * cs * sn, s * (k*sn*sn + cs*cs)
}

// ToPixel returns where the face point (x, y), in micrometres from the axis,
// lies in the picture, in pixels.
func (f Face) ToPixel(x, y float64) (px, py float64) {
	a, b, c, d := f.toPixel()
	return f.AxisX + a*x + b*y, f.AxisY + c*x + d*y
}

// outline returns the defect's boundary, micrometres from the axis, at n angles.
func (m Mark) outline(n int) (xs, ys []float64) {
	xs, ys = make([]float64, n), make([]float64, n)
	for i := range n {
		phi := 2 * math.Pi * float64(i) / float64(n)
		r := m.radius(phi)
		xs[i], ys[i] = r*math.Cos(phi), r*math.Sin(phi)
	}
	cx, cy, r := smallestCircle(xs, ys)
	k := m.Size / 2 / r
	for i := range xs {
		xs[i] = m.X + (xs[i]-cx)*k
		ys[i] = m.Y + (ys[i]-cy)*k
	}
	return xs, ys
}

func (m Mark) radius(phi float64) float64 {
	r := 1.0
	for k := range m.Amp {
		r += m.Amp[k] * math.Cos(float64(k+2)*phi+m.Phase[k])
	}
	return math.Max(r, 0.2)
}

// smallestCircle finds the circle by ternary search of the convex function
// "largest distance to a point": slow, and unlike the method that the analysis
// uses, so that a mistake there is not repeated here.
func smallestCircle(xs, ys []float64) (cx, cy, r float64) {
	far := func(x, y float64) float64 {
		var m float64
		for i := range xs {
			m = max(m, (xs[i]-x)*(xs[i]-x)+(ys[i]-y)*(ys[i]-y))
		}
		return m
	}
	inner := func(x float64) (y, v float64) {
		lo, hi := -3.0, 3.0
		for range 40 {
			a, b := lo+(hi-lo)/3, hi-(hi-lo)/3
			if far(x, a) < far(x, b) {
				hi = b
			} else {
				lo = a
			}
		}
		return (lo + hi) / 2, far(x, (lo+hi)/2)
	}
	lo, hi := -3.0, 3.0
	for range 40 {
		a, b := lo+(hi-lo)/3, hi-(hi-lo)/3
		_, va := inner(a)
		_, vb := inner(b)
		if va < vb {
			hi = b
		} else {
			lo = a
		}
	}
	cx = (lo + hi) / 2
	cy, v := inner(cx)
	return cx, cy, math.Sqrt(v)
}

// Feature returns the mark as the standard measures it.
func (m Mark) Feature() fibre.Feature {
	inner := math.Inf(1)
	if m.Kind == fibre.Scratch {
		for i := range 2001 {
			t := m.Length * (float64(i)/2000 - 0.5)
			x, y := m.along(t)
			inner = min(inner, math.Hypot(x, y)-m.Size/2)
		}
	} else {
		xs, ys := m.outline(360)
		for i := range xs {
			inner = min(inner, math.Hypot(xs[i], ys[i]))
		}
		if m.covers(0, 0, xs, ys) {
			inner = 0
		}
	}
	return fibre.Feature{
		Kind: m.Kind, X: units.Micrometers(m.X), Y: units.Micrometers(m.Y),
		Size: units.Micrometers(m.Size), InnerRadius: units.Micrometers(max(0, inner)),
	}
}

// covers says whether the outline encloses the point, by winding.
func (m Mark) covers(x, y float64, xs, ys []float64) bool {
	in := false
	for i, j := 0, len(xs)-1; i < len(xs); j, i = i, i+1 {
		if (ys[i] > y) != (ys[j] > y) && x < (xs[j]-xs[i])*(y-ys[i])/(ys[j]-ys[i])+xs[i] {
			in = !in
		}
	}
	return in
}

// along returns the point of the scratch's middle line at t micrometres from its middle.
func (m Mark) along(t float64) (x, y float64) {
	ux, uy := math.Cos(m.Direction), math.Sin(m.Direction)
	v := m.bow(t)
	return m.X + t*ux - v*uy, m.Y + t*uy + v*ux
}

func (m Mark) bow(t float64) float64 {
	h := m.Length / 2
	return m.Bow * (t/h*t/h - 1)
}

// Draw renders the picture, 8 bits deep.
func (f Face) Draw() (*image.Gray, Truth) {
	level := f.levels()
	img := image.NewGray(image.Rect(0, 0, f.Width, f.Height))
	for i, v := range level {
		img.Pix[i] = uint8(min(255, max(0, math.Round(float64(v)*255))))
	}
	return img, f.Truth()
}

// Draw16 is Draw at 16 bits.
func (f Face) Draw16() (*image.Gray16, Truth) {
	level := f.levels()
	img := image.NewGray16(image.Rect(0, 0, f.Width, f.Height))
	for i, v := range level {
		g := uint16(min(65535, max(0, math.Round(float64(v)*65535))))
		img.Pix[2*i], img.Pix[2*i+1] = uint8(g>>8), uint8(g)
	}
	return img, f.Truth()
}

// Truth returns the features as drawn.
func (f Face) Truth() Truth {
	var t Truth
	for _, m := range f.Marks {
		t.Features = append(t.Features, m.Feature())
	}
	return t
}

func (f Face) levels() []float32 {
	rng := rand.New(rand.NewPCG(f.Seed, 0x7769746e657373))
	pix := f.base(rng)
	for _, m := range f.Marks {
		f.paint(pix, m)
	}
	f.light(pix)
	blur(pix, f.Width, f.Height, f.Blur)
	// Photon noise grows with the root of the level; a fifth is there in the dark too.
	for i, v := range pix {
		sd := f.Noise * math.Sqrt(0.04+0.96*2*max(0, float64(v)))
		pix[i] = v + float32(sd*rng.NormFloat64())
	}
	return pix
}

// base draws core, cladding, adhesive and ferrule.
func (f Face) base(rng *rand.Rand) []float32 {
	a, b, c, d := f.toPixel()
	det := a*d - b*c
	ia, ib, ic, id := d/det, -b/det, -c/det, a/det
	s := f.PixelsPerMicrometer
	// The grain is a lattice of random values, interpolated.
	cell := max(f.TextureSize*s, 1)
	gw, gh := int(float64(f.Width)/cell)+3, int(float64(f.Height)/cell)+3
	grain := make([]float32, gw*gh)
	for i := range grain {
		grain[i] = float32(rng.NormFloat64() * f.Texture)
	}
	edge := func(r, at float64) float64 { return min(1, max(0, (at-r)*s+0.5)) } // 1 inside
	pix := make([]float32, f.Width*f.Height)
	for y := range f.Height {
		for x := range f.Width {
			dx, dy := float64(x)+0.5-f.AxisX, float64(y)+0.5-f.AxisY
			ux, uy := ia*dx+ib*dy, ic*dx+id*dy
			gx, gy := float64(x)/cell, float64(y)/cell
			i, j := int(gx), int(gy)
			fx, fy := float32(gx-float64(i)), float32(gy-float64(j))
			g := grain[j*gw+i]*(1-fx)*(1-fy) + grain[j*gw+i+1]*fx*(1-fy) + grain[(j+1)*gw+i]*(1-fx)*fy + grain[(j+1)*gw+i+1]*fx*fy
			v := f.FerruleLevel * (1 + float64(g))
			if f.OuterRingRadius > 0 {
				in := edge(math.Hypot(ux, uy), f.OuterRingRadius)
				v *= in + (1-in)*f.OuterRingFalloff
			}
			if !f.WithoutFibre {
				rc := math.Hypot(ux-f.CladdingDX, uy-f.CladdingDY)
				if rc < f.Cladding/2+f.RingWidth+2/s {
					k := edge(rc, f.Cladding/2+f.RingWidth)
					v = k*f.RingLevel + (1-k)*v
					k = edge(rc, f.Cladding/2)
					v = k*f.CladdingLevel + (1-k)*v
					k = edge(math.Hypot(ux, uy), f.CoreRadius)
					v = k*f.CoreLevel + (1-k)*v
				}
			}
			pix[y*f.Width+x] = float32(v)
		}
	}
	return pix
}

// paint adds one mark, each pixel by the share of it that the mark covers.
func (f Face) paint(pix []float32, m Mark) {
	a, b, c, d := f.toPixel()
	det := a*d - b*c
	ia, ib, ic, id := d/det, -b/det, -c/det, a/det
	s := f.PixelsPerMicrometer
	reach := m.Size/2 + 2/s
	var shapeScale, ox, oy float64
	if m.Kind == fibre.Scratch {
		reach = math.Hypot(m.Length/2+2/s, math.Abs(m.Bow)+m.Size/2+2/s)
	} else {
		n := 360
		xs, ys := make([]float64, n), make([]float64, n)
		for i := range n {
			phi := 2 * math.Pi * float64(i) / float64(n)
			xs[i], ys[i] = m.radius(phi)*math.Cos(phi), m.radius(phi)*math.Sin(phi)
		}
		cx, cy, r := smallestCircle(xs, ys)
		shapeScale = m.Size / 2 / r
		ox, oy = m.X-cx*shapeScale, m.Y-cy*shapeScale
	}
	px, py := f.ToPixel(m.X, m.Y)
	x0, x1 := max(0, int(px-reach*s)), min(f.Width-1, int(px+reach*s)+1)
	y0, y1 := max(0, int(py-reach*s)), min(f.Height-1, int(py+reach*s)+1)
	cu, su := math.Cos(m.Direction), math.Sin(m.Direction)
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			dx, dy := float64(x)+0.5-f.AxisX, float64(y)+0.5-f.AxisY
			ux, uy := ia*dx+ib*dy, ic*dx+id*dy
			var out float64 // signed distance to the boundary, micrometres, positive outside
			if m.Kind == fibre.Scratch {
				t := (ux-m.X)*cu + (uy-m.Y)*su
				v := -(ux-m.X)*su + (uy-m.Y)*cu
				h := m.Length / 2
				slope := 2 * m.Bow * t / (h * h)
				out = max(math.Abs(v-m.bow(t))/math.Sqrt(1+slope*slope)-m.Size/2, math.Abs(t)-h)
			} else {
				vx, vy := ux-ox, uy-oy
				rho := math.Hypot(vx, vy)
				phi := math.Atan2(vy, vx)
				r := m.radius(phi)
				var dr float64
				for k := range m.Amp {
					dr -= m.Amp[k] * float64(k+2) * math.Sin(float64(k+2)*phi+m.Phase[k])
				}
				out = (rho - r*shapeScale) * r / math.Hypot(r, dr)
			}
			cov := min(1, max(0, 0.5-out*s))
			if cov == 0 {
				continue
			}
			i := y*f.Width + x
			if f.Dark {
				pix[i] += float32(cov * m.Contrast)
			} else {
				pix[i] *= float32(1 + cov*m.Contrast)
			}
		}
	}
}

// light applies gradient, vignetting, shades of dust in the optics, exposure.
func (f Face) light(pix []float32) {
	gain := f.ExposureGain
	if gain == 0 {
		gain = 1
	}
	hw, hh := float64(f.Width)/2, float64(f.Height)/2
	for y := range f.Height {
		v := (float64(y) + 0.5 - hh) / hh
		for x := range f.Width {
			u := (float64(x) + 0.5 - hw) / hw
			g := gain * (1 + f.GradX*u + f.GradY*v) * (1 - f.Vignette*(u*u+v*v)/2)
			for _, s := range f.LensDust {
				dx, dy := float64(x)-s.X, float64(y)-s.Y
				if q := (dx*dx + dy*dy) / (2 * s.Sigma * s.Sigma); q < 12 {
					g *= 1 + s.Contrast*math.Exp(-q)
				}
			}
			pix[y*f.Width+x] *= float32(g)
		}
	}
}

// blur is a Gaussian of standard deviation sd pixels.
func blur(pix []float32, w, h int, sd float64) {
	if sd <= 0 {
		return
	}
	n := int(math.Ceil(4 * sd))
	k := make([]float32, 2*n+1)
	var sum float64
	for i := range k {
		e := math.Exp(-float64((i-n)*(i-n)) / (2 * sd * sd))
		k[i] = float32(e)
		sum += e
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	row := make([]float32, w+2*n)
	for y := range h {
		p := pix[y*w : (y+1)*w]
		for i := range row {
			row[i] = p[min(max(i-n, 0), w-1)]
		}
		for x := range p {
			var v float32
			for i, c := range k {
				v += c * row[x+i]
			}
			p[x] = v
		}
	}
	out := make([]float32, len(pix))
	for y := range h {
		o := out[y*w : (y+1)*w]
		for i, c := range k {
			yy := min(max(y+i-n, 0), h-1)
			p := pix[yy*w : (yy+1)*w]
			for x, v := range p {
				o[x] += c * v
			}
		}
	}
	copy(pix, out)
}

// DistanceToMiddleLine is how far the point is from the scratch's middle line, µm.
func (m Mark) DistanceToMiddleLine(x, y float64) float64 {
	d := math.Inf(1)
	for i := range 401 {
		px, py := m.along(m.Length * (float64(i)/400 - 0.5))
		d = min(d, math.Hypot(x-px, y-py))
	}
	return d
}
