package endface

import (
	"math"
	"slices"

	"witnessmark/internal/fibre"
)

// A scratch is told from a defect by being at least so many times longer than wide.
const scratchAspect = 4

// curve is v = a + b·t + c·t² in a frame turned by dir about origin; micrometres.
type curve struct {
	origin  point
	cs, sn  float64
	a, b, c float64
	t0, t1  float64
}

func (k curve) local(p point) (t, v float64) {
	dx, dy := p.x-k.origin.x, p.y-k.origin.y
	return dx*k.cs + dy*k.sn, -dx*k.sn + dy*k.cs
}

func (k curve) off(p point) (t, dv float64) {
	t, v := k.local(p)
	slope := k.b + 2*k.c*t
	return t, (v - k.a - k.b*t - k.c*t*t) / math.Sqrt(1+slope*slope)
}

func (k curve) at(t, dv float64) point {
	slope := k.b + 2*k.c*t
	n := math.Sqrt(1 + slope*slope)
	tt, v := t-dv*slope/n, k.a+k.b*t+k.c*t*t+dv/n
	return point{k.origin.x + tt*k.cs - v*k.sn, k.origin.y + tt*k.sn + v*k.cs}
}

// lines takes the scratches out of a region and returns the pixels that are left.
func (s *search) lines(field plane, px []int32, sign float32, peak, sd float64) []int32 {
	f := s.f
	w := field.w
	rest := px
	for range 12 {
		if len(rest) < 12 {
			break
		}
		pts := make([]point, len(rest))
		for i, q := range rest {
			pts[i] = f.micro(float64(int(q)%w), float64(int(q)/w))
		}
		_, r := smallestCircle(pts)
		area := float64(len(rest)) / (f.scale * f.scale)
		if 4*r*r < 3.6*area {
			break
		}
		k, ok := f.trace(pts)
		if !ok {
			break
		}
		m, ok := s.measureLine(k, float64(sign))
		if !ok {
			break
		}
		if better, ok := s.again(m, float64(sign)); ok && better.length > 0.8*m.length {
			m = better
		}
		// The scratch's own pixels, and those that its blurred edge explains.
		reach := m.size/2 + (2.5*sd+1)/f.scale
		var left, out []int32
		for i, q := range rest {
			t, dv := m.path.off(pts[i])
			if t > m.path.t0-reach && t < m.path.t1+reach && math.Abs(dv) < reach {
				out = append(out, q)
			} else {
				left = append(left, q)
			}
		}
		if len(out) == 0 {
			break
		}
		s.reserve(out, sd)
		s.reserveLine(m, sd)
		if len(s.marks) < maxMarks {
			s.marks = append(s.marks, m.mark)
		} else {
			s.more = true
		}
		rest = left
	}
	if len(rest) == len(px) {
		return rest
	}
	// What is left beside a scratch counts if it is more than a ragged edge.
	var keep []int32
	for _, part := range s.parts(rest, w) {
		if len(part) >= max(6, int(sd*sd*4)) {
			keep = append(keep, part...)
		} else {
			s.reserve(part, sd)
		}
	}
	return keep
}

// lineMark is a scratch.
type lineMark struct{ mark }

// trace finds the longest thin run through the points: a straight line by
// Hough's transform, then a parabola by robust least squares.
func (f *face) trace(pts []point) (curve, bool) {
	pxSize := 1 / f.scale
	bin := max(1.0, 1.5*pxSize)
	var mid point
	for _, p := range pts {
		mid.x += p.x / float64(len(pts))
		mid.y += p.y / float64(len(pts))
	}
	var far float64
	for _, p := range pts {
		far = max(far, math.Hypot(p.x-mid.x, p.y-mid.y))
	}
	const dirs = 90
	nb := int(2*far/bin) + 4
	votes := make([]int32, dirs*nb)
	stride := 1 + len(pts)/3000
	for d := range dirs {
		sn, cs := math.Sincos(math.Pi * float64(d) / dirs)
		row := votes[d*nb : (d+1)*nb]
		for i := 0; i < len(pts); i += stride {
			v := -(pts[i].x-mid.x)*sn + (pts[i].y-mid.y)*cs
			row[int((v+far)/bin)+1]++
		}
	}
	best, bd, bb := int32(0), 0, 0
	for d := range dirs {
		for b := 1; b < nb-1; b++ {
			if v := votes[d*nb+b-1] + votes[d*nb+b] + votes[d*nb+b+1]; v > best {
				best, bd, bb = v, d, b
			}
		}
	}
	sn, cs := math.Sincos(math.Pi * float64(bd) / dirs)
	v0 := (float64(bb)-0.5)*bin - far
	k := curve{origin: point{mid.x - v0*sn, mid.y + v0*cs}, cs: cs, sn: sn}
	band := 1.5 * bin
	k.t0, k.t1 = -far-1, far+1
	var width float64
	for it := range 6 {
		ok := false
		if k, width, ok = f.fitRun(k, pts, band, it > 0); !ok {
			return k, false
		}
		band = max(1.5*pxSize, 0.75*width)
	}
	long := k.t1 - k.t0
	return k, long >= scratchAspect*width && long >= max(4, 6*pxSize)
}

// fitRun fits the curve to the points within band of it and cuts it to the
// longest unbroken run. width is the middle thickness of the points along it.
func (f *face) fitRun(k curve, pts []point, band float64, bent bool) (curve, float64, bool) {
	pxSize := 1 / f.scale
	lo, hi := k.t0-6, k.t1+6
	step := max(1.0, 1.5*pxSize)
	n := int((hi-lo)/step) + 2
	if n < 3 || n > 100_000 {
		return k, 0, false
	}
	thick := make([]int, n)
	var ft [][]float64
	var fy, wt []float64
	for _, p := range pts {
		t, dv := k.off(p)
		if t < lo || t > hi {
			continue
		}
		if math.Abs(dv) < max(3*band, 3) {
			thick[int((t-lo)/step)]++
		}
		if math.Abs(dv) < band {
			tt, v := k.local(p)
			ft = append(ft, []float64{1, tt / 50, tt * tt / 2500})
			fy = append(fy, v)
			wt = append(wt, 1)
		}
	}
	if len(ft) < 6 {
		return k, 0, false
	}
	terms := 2
	if bent {
		terms = 3
	}
	a, ok := least(ft, fy, wt, terms)
	if !ok {
		return k, 0, false
	}
	k.a, k.b, k.c = a[0], a[1]/50, 0
	if terms == 3 {
		k.c = a[2] / 2500
	}
	// Longest run with gaps of at most 4 µm.
	gap := int(4/step) + 1
	bestA, bestB, start, last := 0, -1, -1, -1
	for i, c := range thick {
		if c == 0 {
			continue
		}
		if start < 0 || i-last > gap {
			start = i
		}
		last = i
		if last-start > bestB-bestA {
			bestA, bestB = start, last
		}
	}
	if bestB < bestA {
		return k, 0, false
	}
	k.t0, k.t1 = lo+float64(bestA)*step, lo+float64(bestB+1)*step
	var some []int
	for _, c := range thick[bestA : bestB+1] {
		if c > 0 {
			some = append(some, c)
		}
	}
	slices.Sort(some)
	width := float64(some[len(some)/2]) * pxSize * pxSize / step
	return k, width, true
}

// across is the middle profile across the curve between t0 and t1: level against
// offset, in steps of the returned size, the curve in the middle.
func (s *search) across(k curve, t0, t1, reach, sign float64) (prof []float64, step float64) {
	f := s.f
	step = 0.25 / f.scale
	half := int(reach / step)
	rows := min(max(int((t1-t0)*f.scale*0.7), 3), 160)
	prof = make([]float64, 2*half+1)
	col := make([]float64, 0, rows)
	for i := range prof {
		dv := float64(i-half) * step
		// The adhesive is left out where anything else is to be had.
		for _, all := range [2]bool{false, true} {
			col = col[:0]
			for j := range rows {
				t := t0 + (t1-t0)*(float64(j)+0.5)/float64(rows)
				p := k.at(t, dv)
				x, y := f.pixel(p)
				if x < 0 || y < 0 || x > float64(f.img.w-1) || y > float64(f.img.h-1) {
					continue
				}
				if r := math.Hypot(x-f.edge.x, y-f.edge.y) / f.scale; !all && r > innerFlat+1.5 && r < outerFlat-3 {
					continue
				}
				col = append(col, sign*float64(f.res.at(x, y)))
			}
			if len(col) > 0 {
				break
			}
		}
		if len(col) == 0 {
			return nil, step
		}
		slices.Sort(col)
		lo, hi := len(col)*3/10, len(col)-len(col)*3/10
		if hi <= lo {
			lo, hi = 0, len(col)
		}
		for _, v := range col[lo:hi] {
			prof[i] += v / float64(hi-lo)
		}
	}
	return prof, step
}

// fullWidth is the width of the profile's middle hump at half of its height,
// the offset of its centre, and that height.
func fullWidth(prof []float64, step float64) (width, centre, height float64, ok bool) {
	n := len(prof)
	if n < 9 {
		return 0, 0, 0, false
	}
	end := max(2, n/10)
	var base float64
	for i := range end {
		base += (prof[i] + prof[n-1-i]) / float64(2*end)
	}
	mid := n / 2
	at := mid
	for i := max(1, mid-n/4); i <= min(n-2, mid+n/4); i++ {
		if prof[i] > prof[at] {
			at = i
		}
	}
	peak := prof[at] - base
	if peak <= 0 {
		return 0, 0, 0, false
	}
	// A wide scratch has a floor: its mean, not its deepest point.
	var sum, c float64
	for i := at; i >= 0 && prof[i]-base > 0.85*peak; i-- {
		sum += prof[i] - base
		c++
	}
	for i := at + 1; i < n && prof[i]-base > 0.85*peak; i++ {
		sum += prof[i] - base
		c++
	}
	if c >= 12 {
		peak = sum / c
	}
	half := base + peak/2
	l, r := -1.0, -1.0
	for i := at; i > 0; i-- {
		if prof[i-1] < half {
			l = float64(i) - (prof[i]-half)/(prof[i]-prof[i-1])
			break
		}
	}
	for i := at; i < n-1; i++ {
		if prof[i+1] < half {
			r = float64(i) + (prof[i]-half)/(prof[i]-prof[i+1])
			break
		}
	}
	if l < 0 || r < 0 {
		return 0, 0, 0, false
	}
	return (r - l) * step, ((l+r)/2 - float64(mid)) * step, peak, true
}

// measureLine measures the width of the scratch along the curve, follows it as
// far as it goes, and makes the mark.
func (s *search) measureLine(k curve, sign float64) (lineMark, bool) {
	f := s.f
	spread := math.Sqrt(f.blur*f.blur+1./6) / f.scale
	reach := 4*spread + 4/f.scale + 3
	var width, height float64
	for range 3 {
		prof, step := s.across(k, k.t0, k.t1, reach, sign)
		fw, c, hgt, ok := fullWidth(prof, step)
		if !ok {
			if reach > 40 {
				return lineMark{}, false
			}
			reach *= 1.8
			continue
		}
		width, height = stripeWidth(fw, spread), hgt
		k.a += c * math.Sqrt(1+k.b*k.b)
		if fw*1.2 < reach {
			break
		}
		reach = 1.5*fw + 4*spread
	}
	if width <= 0 || k.t1-k.t0 < scratchAspect*width*0.9 {
		return lineMark{}, false
	}
	k.t0 = s.follow(k, k.t0, -1, width, height, sign)
	k.t1 = s.follow(k, k.t1, 1, width, height, sign)
	m := lineMark{mark{path: &k}}
	m.kind, m.size, m.depth = fibre.Scratch, width, sign*height
	m.place()
	return m, true
}

// follow goes along the curve from t in one direction as long as the scratch is
// there, over gaps of 4 µm, or 14 µm where the adhesive hides it.
func (s *search) follow(k curve, t, dir, width, height, sign float64) float64 {
	f := s.f
	step := max(0.5, 0.7/f.scale)
	end, gap := t, 0.0
	side := width/2 + (2.5*f.blur+1)/f.scale
	for range 2000 {
		t += dir * step
		m := k.at(t, 0)
		x, y := f.pixel(m)
		r := math.Hypot(x-f.edge.x, y-f.edge.y) / f.scale
		if x < 1 || y < 1 || x > float64(f.img.w-2) || y > float64(f.img.h-2) || r > contactRadius {
			break
		}
		// Three steps together, against both sides.
		var in, out float64
		for _, j := range [3]float64{-1, 0, 1} {
			for _, q := range [3]float64{-0.25, 0, 0.25} {
				px, py := f.pixel(k.at(t+j*step, q*width))
				in += float64(f.smooth.at(px, py)) / 9
			}
			for _, q := range [2]float64{-side, side} {
				px, py := f.pixel(k.at(t+j*step, q))
				out += float64(f.smooth.at(px, py)) / 6
			}
		}
		if sign*(in-out) > 0.45*height {
			end, gap = t, 0
			continue
		}
		gap += step
		if limit := 4.0; gap > limit && !(r > innerFlat && r < outerFlat && gap < 14) {
			break
		}
	}
	return end
}

// reserveLine takes the pixels along the scratch.
func (s *search) reserveLine(m lineMark, sd float64) {
	f := s.f
	w, h := f.img.w, f.img.h
	inner := m.size/2*f.scale + 0.7
	d := int(math.Ceil(inner + 2.5*sd + 0.5))
	step := 0.7 / f.scale
	for t := m.path.t0; t <= m.path.t1; t += step {
		px, py := f.pixel(m.path.at(t, 0))
		s.shroud(int(math.Round(px)), int(math.Round(py)), d, w, h)
		x0, y0 := int(math.Round(px)), int(math.Round(py))
		n := int(inner)
		for y := max(0, y0-n); y <= min(h-1, y0+n); y++ {
			for x := max(0, x0-n); x <= min(w-1, x0+n); x++ {
				if dx, dy := float64(x)-px, float64(y)-py; dx*dx+dy*dy <= inner*inner {
					s.state[y*w+x] = body
				}
			}
		}
	}
}

// faint looks on the cladding for scratches too weak to show in single pixels:
// the mean level along short lines in many directions, at reduced size.
func (s *search) faint() {
	f := s.f
	k := max(1, int(math.Round(f.scale/1.6)))
	x0, y0 := int(f.edge.x-innerFlat*f.scale*1.05), int(f.edge.y-innerFlat*f.scale*1.05)
	side := int(2.1*innerFlat*f.scale) / k
	small := newPlane(side, side)
	open := make([]bool, side*side)
	for y := range side {
		for x := range side {
			sx, sy := x0+x*k, y0+y*k
			if sx < 0 || sy < 0 || sx+k > f.img.w || sy+k > f.img.h || float64(f.rad[sy*f.img.w+sx]) > innerFlat-0.5 {
				continue
			}
			var v float32
			ok := true
			for j := range k {
				for i := range k {
					o := (sy+j)*f.img.w + sx + i
					v += f.res.pix[o]
					ok = ok && s.state[o] == free
				}
			}
			if r := float64(f.rad[sy*f.img.w+sx]); f.core.seen && math.Abs(r-f.core.radius) < 1.5 ||
				f.coreRadius > 0 && math.Abs(r-f.coreRadius) < 1.5 {
				ok = false
			}
			if open[y*side+x] = ok; ok {
				small.pix[y*side+x] = v / float32(k*k)
			}
		}
	}
	perMicro := f.scale / float64(k)
	n := max(4, int(7*perMicro)) // half length in small pixels: 14 µm in all
	const dirs = 18
	type cand struct {
		v    float32
		o, d int
	}
	var cands []cand
	resp := make([]float32, side*side)
	row := make([]float32, max(0, side-2*n))
	hist := newHistogram(0, 0.1, 2000)
	best := make([]float32, side*side)
	bestDir := make([]uint8, side*side)
	for d := range dirs {
		sn, cs := math.Sincos(math.Pi * float64(d) / dirs)
		off := make([]int, 0, 2*n+1)
		for t := -n; t <= n; t++ {
			off = append(off, int(math.Round(float64(t)*sn))*side+int(math.Round(float64(t)*cs)))
		}
		inv := 1 / float32(len(off))
		for y := n; y < side-n; y++ { // whole rows at a time: they lie in a line in memory
			at := y*side + n
			clear(row)
			for _, t := range off {
				src := small.pix[at+t:][:len(row)]
				for x, v := range src {
					row[x] += v
				}
			}
			for x, v := range row {
				resp[at+x] = 0
				if open[at+x] {
					resp[at+x] = v * inv
				}
			}
		}
		// Against lines beside it, so that a slope of the ground does not count.
		g := max(3, int(math.Round(3*perMicro)))
		side1 := int(math.Round(float64(g)*cs))*side - int(math.Round(float64(g)*sn))
		for y := n + g; y < side-n-g; y++ {
			for x := n + g; x < side-n-g; x++ {
				o := y*side + x
				if !open[o] || !open[o+side1] || !open[o-side1] {
					continue
				}
				v := resp[o] - (resp[o+side1]+resp[o-side1])/2
				a := v
				if a < 0 {
					a = -a
				}
				hist.add(float64(a))
				if a > best[o] {
					best[o], bestDir[o] = a, uint8(d)
				}
			}
		}
	}
	if hist.total() == 0 {
		return
	}
	noise := max(1.4826*hist.quantile(0.5), 0.0004)
	limit := float32(max(6.5*noise, 0.012*f.cladding, 0.003))
	for o, v := range best {
		if v > limit {
			cands = append(cands, cand{v, o, int(bestDir[o])})
		}
	}
	slices.SortFunc(cands, func(a, b cand) int {
		if a.v != b.v {
			if a.v > b.v {
				return -1
			}
			return 1
		}
		return a.o - b.o
	})
	for _, c := range cands {
		sx, sy := float64(x0)+(float64(c.o%side)+0.5)*float64(k)-0.5, float64(y0)+(float64(c.o/side)+0.5)*float64(k)-0.5
		if s.state[int(sy)*f.img.w+int(sx)] != free || len(s.marks) >= maxMarks {
			continue
		}
		sign := 1.0
		if small.pix[c.o] < 0 {
			sign = -1
		}
		if f.dark && sign < 0 {
			continue
		}
		p := f.micro(sx, sy)
		sn, cs := math.Sincos(math.Pi * float64(c.d) / dirs)
		q := f.micro(sx+cs*f.scale, sy+sn*f.scale)
		l := math.Hypot(q.x-p.x, q.y-p.y)
		path := curve{origin: p, cs: (q.x - p.x) / l, sn: (q.y - p.y) / l, t0: -6, t1: 6}
		m, ok := s.measureLine(path, sign)
		if ok && m.length >= 10 {
			m, ok = s.again(m, sign)
		}
		if !ok || m.length < 10 || m.size > 6 || !s.plain(m, sign) {
			s.shroud(int(sx), int(sy), 2*k, f.img.w, f.img.h)
			continue
		}
		s.marks = append(s.marks, m.mark)
		s.reserveLine(m, f.blur+1)
	}
}

// again fits the middle line to where the scratch is deepest, station by
// station, and measures it anew over its whole length.
func (s *search) again(m lineMark, sign float64) (lineMark, bool) {
	k := *m.path
	n := max(3, int(m.length/6))
	var rows [][]float64
	var y, wt []float64
	for i := range n {
		t0, t1 := k.t0+m.length*float64(i)/float64(n), k.t0+m.length*float64(i+1)/float64(n)
		prof, step := s.across(k, t0, t1, m.size+3, sign)
		if _, c, h, ok := fullWidth(prof, step); ok && math.Abs(c) < m.size/2+1.5 {
			t := (t0 + t1) / 2
			rows = append(rows, []float64{1, t / 50, t * t / 2500})
			y = append(y, k.a+k.b*t+k.c*t*t+c*math.Sqrt(1+k.b*k.b))
			wt = append(wt, h)
		}
	}
	terms := 3
	if len(rows) < 5 {
		terms = 2
	}
	if len(rows) < 3 {
		return m, false
	}
	a, ok := least(rows, y, wt, terms)
	if !ok {
		return m, false
	}
	k.a, k.b, k.c = a[0], a[1]/50, 0
	if terms == 3 {
		k.c = a[2] / 2500
	}
	return s.measureLine(k, sign)
}

// plain says whether a weak scratch is there along its whole length: against
// both sides, in nearly all of its stretches of 3 µm, and well above the noise
// in all of them together.
func (s *search) plain(m lineMark, sign float64) bool {
	f := s.f
	k := *m.path
	n := max(4, int(m.length/3))
	side := m.size/2 + (2.5*f.blur+1.5)/f.scale
	step := 0.7 / f.scale
	with, used := 0, 0
	var sum, sq float64
	for i := range n {
		var in, out, c float64
		for t := k.t0 + m.length*float64(i)/float64(n); t < k.t0+m.length*float64(i+1)/float64(n); t += step {
			x, y := f.pixel(k.at(t, 0))
			if o := int(y+0.5)*f.img.w + int(x+0.5); x < 1 || y < 1 || x > float64(f.img.w-2) || y > float64(f.img.h-2) || s.state[o] == body {
				continue
			}
			lx, ly := f.pixel(k.at(t, -side))
			rx, ry := f.pixel(k.at(t, side))
			in += float64(f.smooth.at(x, y))
			out += float64(f.smooth.at(lx, ly)+f.smooth.at(rx, ry)) / 2
			c++
		}
		if c < 2 {
			continue
		}
		d := sign * (in - out) / c
		used++
		sum += d
		sq += d * d
		if d > 0 {
			with++
		}
	}
	if used < 4 {
		return false
	}
	mean := sum / float64(used)
	sd := math.Sqrt(max(sq/float64(used)-mean*mean, 0))
	return float64(with) >= 0.9*float64(used) && mean*math.Sqrt(float64(used)) > 5*sd && mean > 0.5*f.noise
}

// joinLines makes one scratch of pieces that lie on one parabola, are about as
// wide as one another and at most 15 µm apart.
func (s *search) joinLines() {
	for again := true; again; {
		again = false
	pairs:
		for i := range s.marks {
			for j := range s.marks {
				if i != j && s.join(i, j) {
					s.marks = slices.Delete(s.marks, j, j+1)
					again = true
					break pairs
				}
			}
		}
	}
}

func (s *search) join(i, j int) bool {
	a, b := s.marks[i], s.marks[j]
	if a.path == nil || b.path == nil || a.length < b.length || (a.depth > 0) != (b.depth > 0) ||
		max(a.size, b.size) > 1.6*min(a.size, b.size)+0.8 {
		return false
	}
	k := *a.path
	lo, hi := math.Inf(1), math.Inf(-1)
	var rows [][]float64
	var y, wt []float64
	for _, m := range []mark{a, b} {
		for _, p := range m.outline {
			t, v := k.local(p)
			rows = append(rows, []float64{1, t / 50, t * t / 2500})
			y = append(y, v)
			wt = append(wt, m.length)
		}
	}
	for _, p := range b.outline {
		t, _ := k.local(p)
		lo, hi = min(lo, t), max(hi, t)
	}
	if lo > k.t1+15 || hi < k.t0-15 {
		return false
	}
	c, ok := least(rows, y, wt, 3)
	if !ok {
		return false
	}
	var sq, n float64
	tol := 0.4 + 0.25*max(a.size, b.size)
	for r, row := range rows {
		d := y[r] - c[0]*row[0] - c[1]*row[1] - c[2]*row[2]
		sq += d * d
		n++
		if math.Abs(d) > 2*tol {
			return false
		}
	}
	if math.Sqrt(sq/n) > tol {
		return false
	}
	k.a, k.b, k.c = c[0], c[1]/50, c[2]/2500
	k.t0, k.t1 = min(k.t0, lo), max(k.t1, hi)
	m := lineMark{mark{path: &k}}
	m.kind, m.depth = fibre.Scratch, a.depth
	m.size = (a.size*a.length + b.size*b.length) / (a.length + b.length)
	m.place()
	s.marks[i] = m.mark
	return true
}

// place sets what follows from path and width.
func (m *lineMark) place() {
	k := *m.path
	m.outline = nil
	m.length = k.t1 - k.t0
	m.centre = k.at((k.t0+k.t1)/2, 0)
	m.inner = math.Inf(1)
	const n = 200
	for i := 0; i <= n; i++ {
		p := k.at(k.t0+m.length*float64(i)/n, 0)
		m.inner = min(m.inner, math.Hypot(p.x, p.y)-m.size/2)
		if i%10 == 0 {
			m.outline = append(m.outline, p)
		}
	}
	m.inner = max(0, m.inner)
	m.area = m.length * m.size
}
