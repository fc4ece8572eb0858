package endface

import "math"

// Radii that separate the parts of a face, micrometres.
const (
	claddingRadius = 62.5
	innerFlat      = 58.0  // the cladding is flat inside this
	outerFlat      = 70.0  // the ferrule is flat outside this
	contactRadius  = 125.0 // end of zone D
	farRadius      = 129.0 // analysed this far
	coreFlat       = 9.0   // outside a single-mode core
)

// face is the part of the picture around the fibre, and what is known of it.
type face struct {
	img        plane
	x0, y0, k  int // pixel (x, y) here is the block of k by k at (x0+k·x, y0+k·y) of the picture
	edge       ellipse
	scale      float64    // pixels per micrometre, geometric mean of the axes
	toMicro    [4]float64 // offset in pixels to micrometres
	toPixel    [4]float64
	rad        []float32 // micrometres from the cladding's centre
	light      lighting
	flat       plane   // picture with the lighting removed
	masked     []bool  // pixels of marks, as the first round shows them; nil before
	res        plane   // picture, lighting removed, minus what a clean face would show
	smooth     plane   // the same, lightly smoothed
	blur       float64 // standard deviation of the point spread, pixels
	dark       bool
	profile    []float64 // level of a clean face by radius
	binWidth   float64   // micrometres
	cladding   float64   // level of the cladding
	ferrule    float64   // level of the ferrule
	noise      float64   // standard deviation in smooth, on the cladding
	grain      float64   // the same on the ferrule
	threshold  []float64 // by radius in steps of 1 µm
	core       coreFit
	axisX      float64 // the core's axis, pixels here
	axisY      float64
	coreRadius float64 // multimode core seen in the profile, 0 for none
}

const smoothing = 0.8 // pixels; light smoothing before marks are looked for

// micro returns the face coordinates, micrometres from the axis, of a pixel position.
func (f *face) micro(x, y float64) point {
	dx, dy := x-f.axisX, y-f.axisY
	return point{f.toMicro[0]*dx + f.toMicro[1]*dy, f.toMicro[2]*dx + f.toMicro[3]*dy}
}

// pixel is the inverse of micro.
func (f *face) pixel(p point) (x, y float64) {
	return f.axisX + f.toPixel[0]*p.x + f.toPixel[1]*p.y, f.axisY + f.toPixel[2]*p.x + f.toPixel[3]*p.y
}

// place sets up the geometry once the cladding's edge is known.
func (f *face) place() {
	long, short, dir := f.edge.axes()
	pl, ps := long/claddingRadius, short/claddingRadius
	f.scale = math.Sqrt(pl * ps)
	sn, cs := math.Sincos(dir)
	turn := func(a, b float64) [4]float64 { // R(dir)·diag(a, b)·R(-dir)
		return [4]float64{a*cs*cs + b*sn*sn, (a - b) * cs * sn, (a - b) * cs * sn, a*sn*sn + b*cs*cs}
	}
	f.toMicro, f.toPixel = turn(1/pl, 1/ps), turn(pl, ps)
	f.axisX, f.axisY = f.edge.x, f.edge.y
	f.blur = f.edge.blur
	f.rad = make([]float32, len(f.img.pix))
	a, b, c, d := float32(f.toMicro[0]), float32(f.toMicro[1]), float32(f.toMicro[2]), float32(f.toMicro[3])
	for y := range f.img.h {
		dy := float32(float64(y) - f.edge.y)
		o := f.rad[y*f.img.w : (y+1)*f.img.w]
		for x := range o {
			dx := float32(float64(x) - f.edge.x)
			ux, uy := a*dx+b*dy, c*dx+d*dy
			o[x] = float32(math.Sqrt(float64(ux*ux + uy*uy)))
		}
	}
}

// histogram counts values between lo and hi.
type histogram struct {
	lo, width, per float64 // per is 1/width
	count          []int32
}

func newHistogram(lo, hi float64, n int) histogram {
	return histogram{lo, (hi - lo) / float64(n), float64(n) / (hi - lo), make([]int32, n)}
}

// newHistograms makes several alike, their counts side by side.
func newHistograms(many int, lo, hi float64, n int) []histogram {
	counts := make([]int32, many*n)
	out := make([]histogram, many)
	for i := range out {
		out[i] = histogram{lo, (hi - lo) / float64(n), float64(n) / (hi - lo), counts[i*n : (i+1)*n : (i+1)*n]}
	}
	return out
}

func (h *histogram) add(v float64) {
	i := int((v - h.lo) * h.per)
	h.count[min(max(i, 0), len(h.count)-1)]++
}

// total is the number of values: added up when asked for, because add is called
// for every pixel.
func (h *histogram) total() (n int32) {
	for _, c := range h.count {
		n += c
	}
	return n
}

// midmean is the mean of the middle six tenths: as robust as a median is here,
// and finer than the steps of the picture's levels.
func (h *histogram) midmean() float64 {
	total := float64(h.total())
	lo, hi := total*0.2, total*0.8
	var seen, sum, n float64
	for i, c := range h.count {
		a, b := max(seen, lo), min(seen+float64(c), hi)
		if b > a {
			sum += (b - a) * (h.lo + (float64(i)+0.5)*h.width)
			n += b - a
		}
		seen += float64(c)
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / n
}

// quantile interpolates within the step.
func (h *histogram) quantile(q float64) float64 {
	want := q * float64(h.total())
	var seen float64
	for i, c := range h.count {
		if c > 0 && seen+float64(c) >= want {
			return h.lo + (float64(i)+(want-seen)/float64(c))*h.width
		}
		seen += float64(c)
	}
	return h.lo
}

// lighting is a smooth factor over the picture: 1 + a cubic in x and y.
type lighting struct {
	cx, cy, r float64
	a         [9]float64 // u v u² uv v² u³ u²v uv² v³
}

func (l lighting) basis(x, y float64) [9]float64 {
	u, v := (x-l.cx)/l.r, (y-l.cy)/l.r
	return [9]float64{u, v, u * u, u * v, v * v, u * u * u, u * u * v, u * v * v, v * v * v}
}

// row returns the polynomial in u for a fixed y.
func (l lighting) row(y float64) (c0, c1, c2, c3 float64) {
	v := (y - l.cy) / l.r
	a := l.a
	return 1 + v*(a[1]+v*(a[4]+v*a[8])), a[0] + v*(a[3]+v*a[7]), a[2] + v*a[6], a[5]
}

// separate finds lighting and profile and leaves the residue in f.res.
func (f *face) separate() bool {
	w, h := f.img.w, f.img.h
	f.binWidth = 0.5 / f.scale
	n := int(farRadius/f.binWidth) + 2
	l := lighting{cx: f.edge.x, cy: f.edge.y, r: contactRadius * f.scale}
	var top float32
	for _, v := range f.img.pix {
		top = max(top, v)
	}
	inv := float32(1 / f.binWidth)
	flat := newPlane(w, h)
	for pass := range 3 {
		stride := 1
		if pass < 2 {
			stride = max(1, int(f.scale))
		}
		hists := newHistograms(n, 0, float64(top)*1.3+0.01, 512)
		for y := 0; y < h; y += stride {
			c0, c1, c2, c3 := l.row(float64(y))
			for x := 0; x < w; x += stride {
				o := y*w + x
				r := f.rad[o]
				if r >= farRadius {
					continue
				}
				u := (float64(x) - l.cx) / l.r
				g := max(c0+u*(c1+u*(c2+u*c3)), 0.05)
				v := f.img.pix[o] / float32(g)
				flat.pix[o] = v
				if pass < 2 || f.scale < 2 || (x^y)&1 == 0 {
					hists[int(r*inv)].add(float64(v))
				}
			}
		}
		f.profile = make([]float64, n)
		for i := range hists {
			f.profile[i] = hists[i].midmean()
		}
		fillGaps(f.profile)
		f.calm()
		if pass == 2 {
			break
		}
		if !f.fitLight(&l, stride) {
			return false
		}
	}
	f.light = l
	f.flat = flat
	f.res = newPlane(w, h)
	f.shade()
	f.remain()
	return true
}

// separateAgain repeats the profile and the shades without the pixels that the
// first round shows to be marks: a wide scratch near the axis fills whole radii.
func (f *face) separateAgain() {
	w, h := f.img.w, f.img.h
	reach := int(math.Ceil(2*f.blur)) + 1
	f.masked = make([]bool, w*h)
	any := false
	for y := range h {
		for x := range w {
			o := y*w + x
			r := f.rad[o]
			if r >= contactRadius || math.Abs(float64(f.smooth.pix[o])) < 0.6*f.threshold[int(r)] {
				continue
			}
			any = true
			for yy := max(0, y-reach); yy <= min(h-1, y+reach); yy++ {
				row := f.masked[yy*w:]
				for xx := max(0, x-reach); xx <= min(w-1, x+reach); xx++ {
					row[xx] = true
				}
			}
		}
	}
	if !any {
		return
	}
	var top float32
	for _, v := range f.img.pix {
		top = max(top, v)
	}
	inv := float32(1 / f.binWidth)
	hists := newHistograms(len(f.profile), 0, float64(top)*1.3+0.01, 512)
	for y := range h {
		c0, c1, c2, c3 := f.light.row(float64(y))
		for x := range w {
			o := y*w + x
			r := f.rad[o]
			if r >= farRadius {
				continue
			}
			u := (float64(x) - f.light.cx) / f.light.r
			g := max(c0+u*(c1+u*(c2+u*c3)), 0.05)
			v := f.img.pix[o] / float32(g)
			f.flat.pix[o] = v
			if !f.masked[o] {
				hists[int(r*inv)].add(float64(v))
			}
		}
	}
	for i := range hists {
		// A radius with hardly a clean pixel keeps its neighbours' level.
		r := (float64(i) + 0.5) * f.binWidth
		if float64(hists[i].total()) < 0.1*2*math.Pi*r*f.scale*0.5 {
			f.profile[i] = math.NaN()
		} else {
			f.profile[i] = hists[i].midmean()
		}
	}
	fillGaps(f.profile)
	f.calm()
	f.shade()
	f.remain()
}

// fillGaps copies neighbours into radii that no pixel has.
func fillGaps(p []float64) {
	last := math.NaN()
	for i, v := range p {
		if math.IsNaN(v) {
			p[i] = last
		} else {
			last = v
		}
	}
	for i := len(p) - 1; i >= 0; i-- {
		if math.IsNaN(p[i]) {
			p[i] = last
		} else {
			last = p[i]
		}
	}
}

// calm replaces the profile near the axis, where few pixels lie and one mark
// could fill a whole radius, by a parabola through the cladding around it.
func (f *face) calm() {
	i0, i1 := int(coreFlat/f.binWidth), int(22/f.binWidth)
	var rows [][]float64
	var y, wt []float64
	for i := i0; i < i1; i++ {
		r := (float64(i) + 0.5) * f.binWidth
		rows = append(rows, []float64{1, r * r / 400})
		y = append(y, f.profile[i])
		wt = append(wt, r)
	}
	if a, ok := least(rows, y, wt, 2); ok {
		for i := range i0 {
			r := (float64(i) + 0.5) * f.binWidth
			f.profile[i] = a[0] + a[1]*r*r/400
		}
	}
	f.cladding = f.mean(coreFlat, innerFlat)
	f.ferrule = f.mean(outerFlat, contactRadius)
}

// mean is the area mean of the profile between two radii.
func (f *face) mean(r0, r1 float64) float64 {
	var sum, n float64
	for i := int(r0 / f.binWidth); i < min(len(f.profile), int(r1/f.binWidth)); i++ {
		r := (float64(i) + 0.5) * f.binWidth
		sum += r * f.profile[i]
		n += r
	}
	if n == 0 {
		return 0
	}
	return sum / n
}

// level is the profile at radius r, interpolated.
func (f *face) level(r float64) float64 {
	x := r/f.binWidth - 0.5
	if x <= 0 {
		return f.profile[0]
	}
	i := int(x)
	if i >= len(f.profile)-1 {
		return f.profile[len(f.profile)-1]
	}
	t := x - float64(i)
	return f.profile[i]*(1-t) + f.profile[i+1]*t
}

// fitLight fits the lighting to cladding and ferrule together, robustly.
func (f *face) fitLight(l *lighting, stride int) bool {
	w, h := f.img.w, f.img.h
	var rows [][]float64
	var y, base []float64
	for py := 0; py < h; py += 2 * stride {
		for px := 0; px < w; px += 2 * stride {
			o := py*w + px
			r := float64(f.rad[o])
			if r < coreFlat || (r > innerFlat && r < outerFlat) || r > contactRadius {
				continue
			}
			p := f.level(r)
			if p <= 0 {
				continue
			}
			b := l.basis(float64(px), float64(py))
			rows = append(rows, append([]float64(nil), b[:]...))
			y = append(y, float64(f.img.pix[o])/p-1)
			base = append(base, p*p)
		}
	}
	if len(rows) < 200 {
		return false
	}
	wt := append([]float64(nil), base...)
	a := l.a
	for it := range 5 {
		if it > 0 || a != [9]float64{} {
			hist := newHistogram(0, 1, 2000)
			dev := make([]float64, len(rows))
			for i, row := range rows {
				v := y[i]
				for j := range a {
					v -= a[j] * row[j]
				}
				dev[i] = v * math.Sqrt(base[i])
				hist.add(math.Abs(dev[i]))
			}
			s := max(4.7*1.4826*hist.quantile(0.5), 0.004)
			for i, v := range dev {
				q := v / s
				wt[i] = 0
				if q*q < 1 {
					wt[i] = base[i] * (1 - q*q) * (1 - q*q)
				}
			}
		}
		b, ok := least(rows, y, wt, 9)
		if !ok {
			return false
		}
		copy(a[:], b)
	}
	l.a = a
	return true
}

// shade removes what is left of slow changes of light (dust in the optics, a
// spot of the lamp): the mid level of cells of 10 µm, where it is within 5 % of
// the level; more than that is a mark, and stays.
func (f *face) shade() {
	flat := f.flat
	const cell, limit = 10.0, 0.05
	n := int(math.Ceil(2*farRadius/cell)) + 2
	size := cell * f.scale
	ox, oy := f.edge.x-float64(n)/2*size, f.edge.y-float64(n)/2*size
	hists := newHistograms(n*n, -0.25, 0.25, 250)
	stride := 1
	if f.scale > 2 {
		stride = 2
	}
	for y := 0; y < flat.h; y += stride {
		for x := 0; x < flat.w; x += stride {
			o := y*flat.w + x
			r := float64(f.rad[o])
			if r < coreFlat || (r > innerFlat && r < outerFlat) || r >= farRadius {
				continue
			}
			p := f.level(r)
			i, j := int((float64(x)-ox)/size), int((float64(y)-oy)/size)
			if p <= 0.01 || f.masked != nil && f.masked[o] || i < 0 || j < 0 || i >= n || j >= n {
				continue
			}
			hists[j*n+i].add(float64(flat.pix[o])/p - 1)
		}
	}
	val := make([]float64, n*n)
	few := int32(size * size / float64(stride*stride) / 4)
	for i := range hists {
		if hists[i].total() <= few {
			continue
		}
		v := hists[i].midmean()
		if math.Abs(v) <= limit {
			val[i] = v
		}
	}
	for y := range flat.h {
		gy := (float64(y)-oy)/size - 0.5
		j := int(gy)
		ty := gy - float64(j)
		for x := range flat.w {
			o := y*flat.w + x
			if f.rad[o] >= farRadius {
				continue
			}
			gx := (float64(x)-ox)/size - 0.5
			i := int(gx)
			if i < 0 || j < 0 || i+1 >= n || j+1 >= n {
				continue
			}
			tx := gx - float64(i)
			q := j*n + i
			v := (val[q]*(1-tx)+val[q+1]*tx)*(1-ty) + (val[q+n]*(1-tx)+val[q+n+1]*tx)*ty
			flat.pix[o] /= float32(1 + v)
		}
	}
}

// remain writes the residue: flat picture minus profile, 0 beyond the far radius.
func (f *face) remain() {
	flat := f.flat
	inv := float32(1 / f.binWidth)
	prof := make([]float32, len(f.profile)+1)
	for i, v := range f.profile {
		prof[i] = float32(v)
	}
	prof[len(f.profile)] = prof[len(f.profile)-1]
	for o, r := range f.rad {
		if r >= farRadius {
			continue
		}
		x := max(r*inv-0.5, 0)
		i := int(x)
		t := x - float32(i)
		f.res.pix[o] = flat.pix[o] - prof[i]*(1-t) - prof[i+1]*t
	}
}

// judgeNoise sets the smoothed residue, its noise by radius and the thresholds.
func (f *face) judgeNoise() {
	f.smooth = f.res.smooth(smoothing)
	n := int(farRadius) + 1
	hists := make([]histogram, n)
	for i := range hists {
		hists[i] = newHistogram(0, 0.25, 1000)
	}
	// Neighbours say the same twice: a third of the pixels is enough.
	for o := 0; o < len(f.rad); o += 3 {
		if r := f.rad[o]; r < farRadius {
			hists[int(r)].add(math.Abs(float64(f.smooth.pix[o])))
		}
	}
	clad, ferr := newHistogram(0, 0.25, 1000), newHistogram(0, 0.25, 1000)
	for i, hh := range hists {
		var into *histogram
		switch {
		case float64(i) >= coreFlat && float64(i) < innerFlat:
			into = &clad
		case float64(i) >= outerFlat && float64(i) < contactRadius:
			into = &ferr
		default:
			continue
		}
		for k, c := range hh.count {
			into.count[k] += c
		}
	}
	const floor = 0.0012 // the steps of 8 bits
	f.noise = max(1.4826*clad.quantile(0.5), floor)
	f.grain = max(1.4826*ferr.quantile(0.5), floor)
	least := func(level float64) float64 { return max(0.03*level, 0.008) }
	f.threshold = make([]float64, n+1)
	for i := range n {
		switch r := float64(i) + 0.5; {
		case r < innerFlat:
			f.threshold[i] = max(6*f.noise, least(f.cladding))
		case r > outerFlat:
			f.threshold[i] = max(7*f.grain, least(f.ferrule))
		default:
			s := max(1.4826*hists[i].quantile(0.5), f.noise)
			f.threshold[i] = max(7*s, least(f.cladding))
		}
	}
	// Where the profile is steep a small misfit of an edge looks like a mark.
	misfit := 0.35 / f.scale
	for i := range n {
		steep := 0.0
		for r := float64(i) - 0.5; r < float64(i)+1.5; r += f.binWidth {
			steep = max(steep, math.Abs(f.level(r+f.binWidth)-f.level(r-f.binWidth))/(2*f.binWidth))
		}
		f.threshold[i] += misfit * steep
	}
	f.threshold[n] = f.threshold[n-1]
	if f.core.seen {
		// The fitted core's edge is known less well than its middle.
		w := math.Sqrt(f.blur*f.blur+smoothing*smoothing) / f.scale
		for i := 0; i < int(coreFlat); i++ {
			d := math.Abs(float64(i)+0.5-f.core.radius) - 0.5
			f.threshold[i] += 0.35 * math.Abs(f.core.depth) * math.Exp(-max(d, 0)*max(d, 0)/(2*(w*w+0.1)))
		}
	}
}
