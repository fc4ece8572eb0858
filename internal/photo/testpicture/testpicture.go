// Package testpicture draws pictures like those a climber takes of connectors: a
// cable, a nut, a thread, a body and a paint mark before steel, concrete or sky,
// with light, sensor noise, blur, darkness and an Exif block on demand. They
// stand in for photographs in tests, benchmarks and the demonstration; everything
// in them is invented. The same options always give the same bytes.
package testpicture

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
)

// Options says what to draw. The zero value is a sharp, well-lit 12-megapixel
// picture of about 4 MB.
type Options struct {
	// Family chooses what pictures of one site have in common: the kind of
	// connector, its colours, the background, the light.
	Family uint64
	// Seed chooses the connector within the family: where it lies, how it is
	// turned, its mark, its dirt.
	Seed uint64
	// Again, when not 0, moves the camera a little: the same connector once more.
	Again uint64
	// Width and Height in pixels; 4000 × 3000 when 0. Rounded up to even numbers.
	Width, Height int
	// Blur is the standard deviation of a blur, in pixels of a picture 4000 wide.
	Blur float64
	// Darkness takes light away: 0 none, 1 all.
	Darkness float64
	// Noise is the standard deviation of the sensor noise in steps of 255; 0
	// means 4, negative none.
	Noise float64
	// Quality is the JPEG quality; 0 means 95.
	Quality int
	// Exif is written when not nil.
	Exif *Exif
}

// JPEG draws the picture and encodes it.
func JPEG(o Options) []byte {
	var b bytes.Buffer
	quality := o.Quality
	if quality == 0 {
		quality = 95
	}
	if err := jpeg.Encode(&b, Image(o), &jpeg.Options{Quality: quality}); err != nil {
		panic("testpicture: " + err.Error()) // a buffer takes everything; the size is ours
	}
	if o.Exif == nil {
		return b.Bytes()
	}
	return o.Exif.Insert(b.Bytes())
}

// Image draws the picture. It is drawn at half the size and its luma enlarged,
// which no lens shows and makes it fast.
func Image(o Options) *image.YCbCr {
	if o.Width == 0 || o.Height == 0 {
		o.Width, o.Height = 4000, 3000
	}
	w, h := (o.Width+1)/2, (o.Height+1)/2
	s := newScene(o, w, h)
	img := image.NewYCbCr(image.Rect(0, 0, 2*w, 2*h), image.YCbCrSubsampleRatio420)
	luma := make([]byte, w*h)
	s.draw(luma, img.Cb, img.Cr)
	s.dirt(luma)
	if o.Blur > 0 {
		sigma := o.Blur * float64(w) / 4000
		blur(luma, w, h, sigma)
		blur(img.Cb, w, h, sigma)
		blur(img.Cr, w, h, sigma)
	}
	noise := o.Noise
	if noise == 0 {
		noise = 4
	}
	enlarge(img.Y, luma, w, h, s.grain(max(noise, 0)))
	return img
}

// scene is one picture in its own units: the picture is 100 wide.
type scene struct {
	w, h     int
	unit     float64 // pixels for one unit
	cos, sin float64
	cx, cy   float64
	segments []segment
	at       [512]uint8 // segment index by u, plus 1; 0 outside
	mark     mark
	light    float64 // 1 is full
	back     [4]rgb  // background colours by corner of a cell
	lattice  []float64
	cell     float64
	edges    [3]edge
	bend     float64
	rnd      *rand.Rand
	shiftX   float64
	shiftY   float64
	contrast float64
}

type rgb struct{ r, g, b float64 }

type segment struct {
	from, to, radius float64
	colour           rgb
	pitch            float64 // thread or knurl; 0 smooth
	depth            float64
	shade            [256]float64
}

type mark struct {
	at, width, slant, from, to float64
	colour                     rgb
}

type edge struct{ a, b, c, factor float64 }

const lattice = 24

func newScene(o Options, w, h int) *scene {
	family := rand.New(rand.NewPCG(o.Family, 0x5ca1ab1e))
	own := rand.New(rand.NewPCG(o.Family^o.Seed*0x9e3779b97f4a7c15, o.Seed))
	again := rand.New(rand.NewPCG(o.Again, o.Seed+1))
	between := func(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }
	s := &scene{w: w, h: h, unit: float64(w) / 100, rnd: rand.New(rand.NewPCG(o.Seed^o.Again<<32, o.Family))}
	tall := 100 * float64(h) / float64(w)

	// Where it lies. A row of connectors on one panel is photographed from much
	// the same side, hand-held.
	angle := between(family, -0.5, 0.5) + between(own, -0.16, 0.16)
	scale := between(family, 0.8, 1.15) * between(own, 0.88, 1.14)
	s.cx = 50 + between(own, -8, 8)
	s.cy = tall/2 + between(own, -7, 7)
	if o.Again != 0 {
		angle += between(again, -0.04, 0.04)
		scale *= between(again, 0.96, 1.04)
		s.cx += between(again, -2, 2)
		s.cy += between(again, -2, 2)
	}
	s.cos, s.sin = math.Cos(angle), math.Sin(angle)
	s.bend = between(own, -0.004, 0.004)

	// The connector: cable, boot, nut, thread, body.
	metal := between(family, 150, 215)
	steel := rgb{metal, metal * between(family, 0.94, 1), metal * between(family, 0.82, 1)}
	black := rgb{38, 38, 42}
	cable := black
	if family.IntN(3) == 0 {
		cable = rgb{90, 95, 100}
	}
	boot := []rgb{black, {60, 60, 64}, {150, 40, 36}}[family.IntN(3)]
	thick := between(family, 8, 11)
	hex := family.IntN(2) == 0
	lightFrom := between(family, -0.9, 0.9) + between(own, -0.1, 0.1)
	x := -26.0 + between(own, -1.5, 1.5)
	part := func(length, radius float64, colour rgb, pitch, depth float64, flats bool, shine float64) {
		g := segment{from: x * scale, to: (x + length) * scale, radius: radius * scale, colour: colour, pitch: pitch * scale, depth: depth}
		for i := range g.shade {
			n := float64(i)/127.5 - 1
			if flats { // three of a hexagon's sides are seen
				switch {
				case n < -0.5:
					n = -0.72
				case n > 0.5:
					n = 0.72
				default:
					n = 0
				}
			}
			lambert := math.Max(0, math.Cos(math.Asin(n)-lightFrom))
			g.shade[i] = 0.22 + 0.62*lambert + shine*math.Pow(lambert, 40)
		}
		s.segments = append(s.segments, g)
		x += length
	}
	part(-60, thick*0.62, cable, 0, 0, false, 0.25)
	s.segments[0].from, s.segments[0].to = s.segments[0].to, s.segments[0].from
	x = s.segments[0].to / scale
	part(between(family, 7, 12), thick*0.72, boot, 0, 0, false, 0.1)
	part(between(family, 10, 15), thick, steel, map[bool]float64{true: 0, false: 1.1}[hex], 0.25, hex, 0.6)
	part(between(family, 5, 8), thick*0.8, steel, between(family, 1.2, 2), 0.5, false, 0.4)
	part(between(family, 5, 9), thick*0.9, steel, 0, 0, false, 0.7)
	part(3, thick*1.5, steel, 0, 0, false, 0.5)
	part(80, thick*between(family, 1.8, 3.2), rgb{metal * 0.8, metal * 0.82, metal * 0.84}, 0, 0, false, 0.1)
	for i := range s.at {
		u := float64(i)/2 - 128
		for j, g := range s.segments {
			if u >= g.from && u < g.to {
				s.at[i] = uint8(j + 1)
			}
		}
	}

	paint := []rgb{{225, 60, 40}, {235, 200, 40}, {240, 240, 235}, {60, 150, 70}}[family.IntN(4)]
	s.mark = mark{
		at: between(own, -0.75, 0.75), width: between(own, 0.05, 0.12), slant: between(own, -0.02, 0.02),
		from: s.segments[2].from + scale*between(own, 1, 4), to: s.segments[4].to - scale*between(own, 0, 2), colour: paint,
	}
	s.light = between(family, 0.75, 1.05) * between(own, 0.9, 1.1) * (1 - min(max(o.Darkness, 0), 1))

	// The background: a lattice of patches, out of focus, and the edges of steel.
	kind := family.IntN(3)
	base := []rgb{{150, 180, 215}, {140, 138, 132}, {105, 112, 116}}[kind]
	spread := []float64{12, 30, 45}[kind]
	s.contrast = spread
	s.back[0] = base
	s.cell = 100.0 / (lattice - 8)
	s.lattice = make([]float64, lattice*lattice)
	for i := range s.lattice {
		s.lattice[i] = between(family, -1, 1)
	}
	s.shiftX, s.shiftY = between(own, 0, 7), between(own, 0, 7)
	if o.Again != 0 {
		s.shiftX += between(again, -0.3, 0.3)
		s.shiftY += between(again, -0.3, 0.3)
	}
	for i := range s.edges {
		a := between(family, 0, math.Pi) + between(own, -0.1, 0.1)
		s.edges[i] = edge{math.Cos(a), math.Sin(a), between(family, 10, 80) + between(own, -6, 6), between(family, 0.6, 1.25)}
	}
	return s
}

// draw fills the luma and colour planes, all w × h.
func (s *scene) draw(luma, cb, cr []byte) {
	var sine [1024]float64
	for i := range sine {
		sine[i] = math.Sin(2 * math.Pi * float64(i) / float64(len(sine)))
	}
	per := 1 / s.unit
	i := 0
	for py := range s.h {
		y := float64(py) * per
		for px := range s.w {
			x := float64(px) * per
			dx, dy := x-s.cx, y-s.cy
			u := dx*s.cos + dy*s.sin
			v := -dx*s.sin + dy*s.cos
			v += s.bend * u * u * 0.2
			var c rgb
			k := int(2*u) + 256
			var g *segment
			if k >= 0 && k < len(s.at) && s.at[k] > 0 {
				g = &s.segments[s.at[k]-1]
			}
			if g != nil && v < g.radius && v > -g.radius {
				n := v / g.radius
				light := g.shade[int((n+1)*127.5)]
				if g.pitch > 0 {
					phase := u/g.pitch + 0.2*n
					light *= 1 + g.depth*sine[int(phase*1024)&1023]
				}
				c = g.colour
				if u > s.mark.from && u < s.mark.to {
					if d := n - s.mark.at - s.mark.slant*u; d < s.mark.width && d > -s.mark.width {
						c = s.mark.colour
					}
				}
				light *= s.light
				c = rgb{c.r * light, c.g * light, c.b * light}
			} else {
				c = s.background(x, y)
				light := s.light
				if g != nil && v > 0 && v < 1.4*g.radius { // its shadow
					light *= 0.75
				}
				c = rgb{c.r * light, c.g * light, c.b * light}
			}
			yy := 0.299*c.r + 0.587*c.g + 0.114*c.b
			luma[i] = clamp(yy)
			cb[i] = clamp(128 + (c.b-yy)*0.564)
			cr[i] = clamp(128 + (c.r-yy)*0.713)
			i++
		}
	}
}

func (s *scene) background(x, y float64) rgb {
	gx, gy := x/s.cell+s.shiftX, y/s.cell+s.shiftY
	ix, iy := int(gx), int(gy)
	fx, fy := gx-float64(ix), gy-float64(iy)
	fx, fy = fx*fx*(3-2*fx), fy*fy*(3-2*fy)
	at := func(i, j int) float64 { return s.lattice[(j%lattice)*lattice+i%lattice] }
	top := at(ix, iy)*(1-fx) + at(ix+1, iy)*fx
	low := at(ix, iy+1)*(1-fx) + at(ix+1, iy+1)*fx
	d := s.contrast * (top*(1-fy) + low*fy)
	f := 1.0
	for _, e := range s.edges {
		if e.a*x+e.b*y > e.c {
			f *= e.factor
		}
	}
	return rgb{(s.back[0].r + d) * f, (s.back[0].g + d) * f, (s.back[0].b + d) * f}
}

// dirt puts spots and scratches on the picture: what makes one connector differ
// from its neighbour.
func (s *scene) dirt(luma []byte) {
	own := s.rnd
	for range 14 {
		x, y := own.Float64()*float64(s.w), own.Float64()*float64(s.h)
		r := (0.2 + 1.3*own.Float64()) * s.unit
		f := 0.6 + 0.6*own.Float64()
		for py := max(0, int(y-r)); py < min(s.h, int(y+r)); py++ {
			for px := max(0, int(x-r)); px < min(s.w, int(x+r)); px++ {
				dx, dy := float64(px)-x, float64(py)-y
				if dx*dx+dy*dy < r*r {
					luma[py*s.w+px] = clamp(float64(luma[py*s.w+px]) * f)
				}
			}
		}
	}
	for range 10 {
		x, y := own.Float64()*float64(s.w), own.Float64()*float64(s.h)
		a := own.Float64() * 2 * math.Pi
		dx, dy := math.Cos(a), math.Sin(a)
		for range int((2 + 10*own.Float64()) * s.unit) {
			x, y = x+dx, y+dy
			if px, py := int(x), int(y); px >= 0 && py >= 0 && px < s.w && py < s.h {
				luma[py*s.w+px] = clamp(float64(luma[py*s.w+px])*0.8 + 50)
			}
		}
	}
}

// grain is a table of sensor noise.
func (s *scene) grain(sigma float64) []int16 {
	out := make([]int16, 1<<14)
	for i := range out {
		out[i] = int16(math.Round(s.rnd.NormFloat64() * sigma))
	}
	return out
}

// enlarge doubles src (w × h) into dst, bilinear, and adds noise.
func enlarge(dst, src []byte, w, h int, grain []int16) {
	mask := uint32(len(grain) - 1)
	state := uint32(2463534242)
	for y := range 2 * h {
		a := src[y/2*w:]
		b := a
		if y%2 == 1 && y/2+1 < h {
			b = src[(y/2+1)*w:]
		}
		state ^= state << 13
		state ^= state >> 17
		state ^= state << 5
		g := state
		row := dst[y*2*w : (y+1)*2*w]
		for x := range w {
			this := (int(a[x]) + int(b[x])) / 2
			next := this
			if x+1 < w {
				next = (int(a[x+1]) + int(b[x+1])) / 2
			}
			row[2*x] = clampInt(this + int(grain[g&mask]))
			row[2*x+1] = clampInt((this+next)/2 + int(grain[(g+1)&mask]))
			g += 2
		}
	}
}

// blur is three box filters after each other: close to a bell curve.
func blur(p []byte, w, h int, sigma float64) {
	size := int(math.Round(math.Sqrt(4*sigma*sigma + 1)))
	r := size / 2
	if r < 1 {
		return
	}
	line := make([]byte, max(w, h))
	box := func(at, step, n int) {
		sum := 0
		get := func(i int) int { return int(p[at+step*min(max(i, 0), n-1)]) }
		for i := -r; i <= r; i++ {
			sum += get(i)
		}
		for i := range n {
			line[i] = byte((sum + r) / (2*r + 1))
			sum += get(i+r+1) - get(i-r)
		}
		for i := range n {
			p[at+step*i] = line[i]
		}
	}
	for range 3 {
		for y := range h {
			box(y*w, 1, w)
		}
		for x := range w {
			box(x, w, h)
		}
	}
}

func clamp(v float64) byte {
	if v <= 0 {
		return 0
	}
	if v >= 255 {
		return 255
	}
	return byte(v)
}

func clampInt(v int) byte { return byte(min(max(v, 0), 255)) }
