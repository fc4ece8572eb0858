package endface

import (
	"cmp"
	"math"
	"slices"

	"witnessmark/internal/fibre"
)

// mark is what the search found, micrometres from the axis.
type mark struct {
	kind    fibre.FeatureKind
	centre  point
	size    float64
	inner   float64
	length  float64 // scratches
	depth   float64 // level against a clean face, signed
	outline []point // contour of a defect, middle line of a scratch
	area    float64 // µm²
	path    *curve  // scratches that run smoothly
}

const (
	maxMarks = 400
	free     = 0
	halo     = 1 // too close to a mark to begin another
	body     = 2
	skip     = 3 // too small for the wide field, left for the fine one
)

type search struct {
	f     *face
	state []uint8
	stamp []int32
	turn  int32
	marks []mark
	owner []int32 // 1 + index of the defect whose body a pixel is
	more  bool    // stopped at maxMarks
}

// findMarks finds scratches and defects out to the end of the contact zone.
func (f *face) findMarks() (marks []mark, more bool) {
	n := len(f.img.pix)
	s := &search{f: f, state: make([]uint8, n), stamp: make([]int32, n), owner: make([]int32, n)}
	if 6*f.grain > 0.1*f.ferrule && !f.dark || f.dark && 6*f.grain > 0.05 {
		// Grain hides weak marks; on the ferrule only large ones matter.
		s.coarse()
	}
	s.sweep(f.smooth, smoothing, f.threshold, 0, 0)
	s.faint()
	s.joinLines()
	return s.marks, s.more
}

// coarse looks for large marks on the ferrule through its grain.
func (s *search) coarse() {
	f := s.f
	sd := min(max(1.5*f.scale, 1.5), 8)
	wide := f.res.smooth(sd)
	hist := newHistogram(0, 0.25, 1000)
	for o, r := range f.rad {
		if r >= outerFlat && r < contactRadius {
			hist.add(math.Abs(float64(wide.pix[o])))
		}
	}
	noise := max(1.4826*hist.quantile(0.5), 0.001)
	th := make([]float64, len(f.threshold))
	for i := range th {
		th[i] = max(6*noise, 0.05*f.ferrule, 0.01)
	}
	s.sweep(wide, sd, th, outerFlat, 5)
	for i, v := range s.state {
		if v == skip {
			s.state[i] = free
		}
	}
}

type seed struct {
	v float32
	o int32
}

// sweep takes marks from the field, deepest first. Marks smaller than least
// micrometres are left alone.
func (s *search) sweep(field plane, extra float64, threshold []float64, rmin, least float64) {
	f := s.f
	w, h := field.w, field.h
	th := make([]float32, len(threshold))
	for i, v := range threshold {
		th[i] = float32(v)
	}
	var seeds []seed
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			o := y*w + x
			r := f.rad[o]
			if r >= contactRadius || float64(r) < rmin {
				continue
			}
			v := field.pix[o]
			a := v
			if a < 0 {
				a = -a
			}
			if a > th[int(r)] && s.state[o] == free && (v > 0 || !f.dark) {
				seeds = append(seeds, seed{a, int32(o)})
			}
		}
	}
	slices.SortFunc(seeds, func(a, b seed) int {
		return cmp.Or(cmp.Compare(b.v, a.v), cmp.Compare(a.o, b.o))
	})
	sd := math.Sqrt(f.blur*f.blur + extra*extra)
	for _, sd0 := range seeds {
		o := int(sd0.o)
		if s.state[o] != free {
			continue
		}
		if len(s.marks) >= maxMarks {
			s.more = true
			return
		}
		sign := float32(1)
		if field.pix[o] < 0 {
			sign = -1
		}
		s.take(field, o, sign, sd, extra, least)
	}
}

// flood collects the pixels around o whose level is at least half, sign applied.
func (s *search) flood(field plane, o int, sign, half float32, into []int32) (px []int32, touched int32) {
	s.turn++
	f := s.f
	w := field.w
	px = append(into[:0], int32(o))
	s.stamp[o] = s.turn
	for i := 0; i < len(px); i++ {
		q := int(px[i])
		x, y := q%w, q/w
		if x == 0 || y == 0 || x == w-1 || y == field.h-1 {
			continue
		}
		for _, d := range [4]int{-1, 1, -w, w} {
			t := q + d
			if s.stamp[t] == s.turn || field.pix[t]*sign < half || f.rad[t] >= farRadius {
				continue
			}
			if s.state[t] == body {
				if s.owner[t] > 0 {
					touched = s.owner[t]
				}
				continue
			}
			s.stamp[t] = s.turn
			px = append(px, int32(t))
		}
	}
	return px, touched
}

// take measures the mark around one seed and reserves its pixels.
func (s *search) take(field plane, o int, sign float32, sd, extra, least float64) {
	f := s.f
	w := field.w
	peak := field.pix[o] * sign
	px, touched := s.flood(field, o, sign, peak/2, nil)
	// A large mark's own level is that of its inside, away from the edge.
	if depth, ok := s.plateau(field, px, sign, sd); ok && depth < peak {
		px, touched = s.flood(field, o, sign, depth/2, px)
		peak = depth
	}
	if len(px) < 3 {
		s.state[o] = halo
		return
	}
	if least > 0 && float64(len(px)) < least*least*f.scale*f.scale*0.5 {
		for _, q := range px {
			if s.state[q] == free {
				s.state[q] = skip
			}
		}
		return
	}
	rest := s.lines(field, px, sign, float64(peak), sd)
	for _, part := range s.parts(rest, w) {
		s.defect(field, part, sign, float64(peak), sd, touched)
	}
}

// plateau is the middle level of the pixels that lie well inside the region, if
// there are enough of them.
func (s *search) plateau(field plane, px []int32, sign float32, sd float64) (float32, bool) {
	w := field.w
	d := int(math.Ceil(2 * sd))
	g := int(math.Ceil(1.4 * sd))
	off := [8]int{-d, d, -d * w, d * w, -g - g*w, g - g*w, -g + g*w, g + g*w}
	var in []float32
	for _, q := range px {
		inside := true
		for _, k := range off {
			t := int(q) + k
			if t < 0 || t >= len(s.stamp) || s.stamp[t] != s.turn {
				inside = false
				break
			}
		}
		if inside {
			in = append(in, field.pix[q]*sign)
		}
	}
	if len(in) < 9 {
		return 0, false
	}
	slices.Sort(in)
	return in[len(in)/2], true
}

// parts splits pixels into connected pieces, 8-neighbours.
func (s *search) parts(px []int32, w int) [][]int32 {
	s.turn++
	in := s.turn
	for _, q := range px {
		s.stamp[q] = in
	}
	s.turn++
	var out [][]int32
	for _, q := range px {
		if s.stamp[q] != in {
			continue
		}
		s.stamp[q] = s.turn
		part := []int32{q}
		for i := 0; i < len(part); i++ {
			o := int(part[i])
			for _, d := range [8]int{-1, 1, -w, w, -w - 1, -w + 1, w - 1, w + 1} {
				if t := o + d; t >= 0 && t < len(s.stamp) && s.stamp[t] == in {
					s.stamp[t] = s.turn
					part = append(part, int32(t))
				}
			}
		}
		out = append(out, part)
	}
	return out
}

// contour returns where the level falls through half around the pixels,
// interpolated, in micrometres from the axis.
func (s *search) contour(field plane, px []int32, sign, half float32) []point {
	f := s.f
	w := field.w
	s.turn++
	for _, q := range px {
		s.stamp[q] = s.turn
	}
	var out []point
	for _, q := range px {
		x, y := int(q)%w, int(q)/w
		if x == 0 || y == 0 || x == w-1 || y == field.h-1 {
			out = append(out, f.micro(float64(x), float64(y)))
			continue
		}
		v := field.pix[q] * sign
		for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
			t := int(q) + d[0] + d[1]*w
			if s.stamp[t] == s.turn {
				continue
			}
			n := field.pix[t] * sign
			if n >= half || v <= n {
				// Bounded by another mark, not by its own edge.
				out = append(out, f.micro(float64(x), float64(y)))
				continue
			}
			k := float64(min(max((v-half)/(v-n), 0), 1))
			out = append(out, f.micro(float64(x)+k*float64(d[0]), float64(y)+k*float64(d[1])))
		}
	}
	return out
}

// defect measures one piece and records it, or joins it to the defect that it touches.
func (s *search) defect(field plane, px []int32, sign float32, peak, sd float64, touched int32) {
	f := s.f
	s.reserve(px, sd)
	if len(px) < 3 {
		return
	}
	half := float32(peak / 2)
	pts := s.contour(field, px, sign, half)
	if len(pts) == 0 {
		return
	}
	joined := touched > 0 && s.marks[touched-1].kind == fibre.Defect && (s.marks[touched-1].depth > 0) == (sign > 0)
	m := mark{kind: fibre.Defect, depth: float64(sign) * peak}
	var own []point
	if joined {
		m = s.marks[touched-1]
		own = m.outline
	}
	own = append(own, hull(pts)...)
	spread := sd / f.scale
	c, r := smallestCircle(own)
	m.centre = c
	m.size = discDiameter(2*r, spread)
	m.outline = own
	m.area += float64(len(px)) / (f.scale * f.scale)
	// The contour drawn in or out by the same amount all round.
	inner := math.Inf(1)
	grow := m.size/2 - r
	for _, p := range pts {
		inner = min(inner, math.Hypot(p.x, p.y)-grow)
	}
	for _, q := range px {
		if p := f.micro(float64(int(q)%field.w), float64(int(q)/field.w)); math.Hypot(p.x, p.y) < 0.8/f.scale {
			inner = 0
		}
	}
	if joined {
		inner = min(inner, m.inner)
	}
	m.inner = max(0, inner)
	if m.size <= 0 {
		return
	}
	// Long and thin, though no smooth line: graded by its width all the same.
	if !joined && 4*r*r > 8*m.area {
		m.kind = fibre.Scratch
		m.length = 2 * r
		m.size = stripeWidth(m.area/(2*r), spread)
	}
	id := touched
	if joined {
		s.marks[touched-1] = m
	} else {
		s.marks = append(s.marks, m)
		id = int32(len(s.marks))
	}
	for _, q := range px {
		s.owner[q] = id
	}
}

// reserve marks pixels as taken, and those around them as too close to begin another mark.
func (s *search) reserve(px []int32, sd float64) {
	w, h := s.f.img.w, s.f.img.h
	d := int(math.Ceil(2.5*sd + 1))
	s.turn++
	for _, q := range px {
		s.state[q] = body
		s.stamp[q] = s.turn
	}
	for _, q := range px {
		o := int(q)
		if x := o % w; x > 0 && x < w-1 && o >= w && o+w < len(s.stamp) &&
			s.stamp[o-1] == s.turn && s.stamp[o+1] == s.turn && s.stamp[o-w] == s.turn && s.stamp[o+w] == s.turn {
			continue
		}
		s.shroud(o%w, o/w, d, w, h)
	}
}

func (s *search) shroud(x0, y0, d, w, h int) {
	for y := max(0, y0-d); y <= min(h-1, y0+d); y++ {
		for x := max(0, x0-d); x <= min(w-1, x0+d); x++ {
			if dx, dy := x-x0, y-y0; dx*dx+dy*dy <= d*d {
				if o := y*w + x; s.state[o] == free || s.state[o] == skip {
					s.state[o] = halo
				}
			}
		}
	}
}
