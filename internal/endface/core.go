package endface

import (
	"math"
	"slices"
)

// coreFit is a single-mode core seen in the picture.
type coreFit struct {
	seen   bool
	x, y   float64 // centre, micrometres from the cladding's centre
	radius float64 // micrometres
	depth  float64 // level relative to the cladding around
}

type sample struct{ x, y, v float64 }

// findCore looks for a disc of the size of a single-mode core within 0.9 µm of
// the cladding's centre and takes it out of the residue, so that the core is not
// counted as a mark. A dark disc of more than 15 % is a mark, not a core. A weak
// disc of just the core's size and place cannot be told from the core.
func (f *face) findCore() {
	known := f.core.seen
	f.core = coreFit{}
	f.axisX, f.axisY = f.edge.x, f.edge.y
	var pts []sample
	reach := coreFlat * f.scale * 1.1
	stride := max(1, int(reach/16+0.5))
	// What is far too dark or bright for a core is a mark, and so is its edge.
	deep := func(o int) bool {
		v := float64(f.res.pix[o])
		return v < -0.17*f.cladding || v > max(0.65*f.cladding, 0.05)
	}
	d := int(math.Ceil(1.5*f.blur)) + 1
	in, clear := 0, 0
	for y := max(d, int(f.edge.y-reach)); y <= min(f.img.h-1-d, int(f.edge.y+reach)); y += stride {
		for x := max(d, int(f.edge.x-reach)); x <= min(f.img.w-1-d, int(f.edge.x+reach)); x += stride {
			o := y*f.img.w + x
			if f.rad[o] > coreFlat {
				continue
			}
			in++
			// Where the core itself was taken for a mark, the mask says nothing.
			if f.masked != nil && f.masked[o] && (known || f.rad[o] > 6.5) {
				continue
			}
			if f.dark {
				if float64(f.res.pix[o]) > 0.06 {
					continue
				}
			} else if deep(o) || deep(o-d) || deep(o+d) || deep(o-d*f.img.w) || deep(o+d*f.img.w) {
				continue
			}
			clear++
			p := f.micro(float64(x), float64(y))
			pts = append(pts, sample{p.x, p.y, float64(f.res.pix[o])})
		}
	}
	if float64(clear) < 0.35*float64(in) {
		return
	}
	if len(pts) < 60 {
		return
	}
	soft := math.Sqrt(f.blur*f.blur+0.01) / f.scale
	dev, shape, use := make([]float64, len(pts)), make([]float64, len(pts)), make([]bool, len(pts))
	// cost is the trimmed sum of squares with the best depth for this disc.
	cost := func(cx, cy, r, soft float64) (depth, base, c float64) {
		for i, p := range pts {
			shape[i] = 0
			// Beyond six deviations nothing is left of the edge: under 1e-16.
			dx, dy := p.x-cx, p.y-cy
			if out := (math.Sqrt(dx*dx+dy*dy) - r) / (soft * math.Sqrt2); out < 6 {
				shape[i] = 0.5 * math.Erfc(out)
			}
			use[i] = true
		}
		for range 3 {
			var sv, sb, svs, sbb, n float64
			for i, p := range pts {
				if use[i] {
					sv += p.v
					sb += shape[i]
					svs += p.v * shape[i]
					sbb += shape[i] * shape[i]
					n++
				}
			}
			den := n*sbb - sb*sb
			if den <= 1e-9 {
				return 0, 0, math.Inf(1)
			}
			depth = (n*svs - sv*sb) / den
			base = (sv - depth*sb) / n
			for i, p := range pts {
				dev[i] = math.Abs(p.v - base - depth*shape[i])
			}
			limit := kth(dev, len(dev)*3/4)
			c = 0
			for i, d := range dev {
				use[i] = d <= limit
				if use[i] {
					c += d * d
				}
			}
		}
		return depth, base, c
	}
	best, bx, by, br, bd, bb, bs := math.Inf(1), 0.0, 0.0, 4.4, 0.0, 0.0, soft
	try := func(x, y, r, soft float64) {
		// Concentricity of 0.6 µm (from memory) and what the centre may be off.
		if math.Hypot(x, y) > 0.9 {
			return
		}
		if d, b, c := cost(x, y, r, soft); c < best {
			best, bx, by, br, bd, bb, bs = c, x, y, r, d, b, soft
		}
	}
	for _, dx := range []float64{-0.7, -0.35, 0, 0.35, 0.7} {
		for _, dy := range []float64{-0.7, -0.35, 0, 0.35, 0.7} {
			try(dx, dy, 4.4, soft)
		}
	}
	for _, step := range []float64{0.3, 0.15, 0.07} {
		x, y, r := bx, by, br
		for _, dr := range []float64{-1, 0, 1} {
			for _, dx := range []float64{-1, 0, 1} {
				for _, dy := range []float64{-1, 0, 1} {
					try(x+dx*step, y+dy*step, min(max(r+dr*step, 3.6), 5.4), bs)
				}
			}
		}
		// The core's edge has a softness of its own.
		x, y, r = bx, by, br
		for _, k := range []float64{0.8, 1.2, 1.45} {
			try(x, y, r, soft*k)
		}
	}
	soft = bs
	var none float64
	{
		limitDev := make([]float64, len(pts))
		var mid []float64
		for _, p := range pts {
			mid = append(mid, p.v)
		}
		slices.Sort(mid)
		m := mid[len(mid)/2]
		for i, p := range pts {
			limitDev[i] = math.Abs(p.v - m)
		}
		slices.Sort(limitDev)
		for _, v := range limitDev[:len(limitDev)*3/4] {
			none += v * v
		}
	}
	perPoint := best / float64(len(pts)*3/4)
	if perPoint <= 0 {
		perPoint = 1e-12
	}
	gain := (none - best) / perPoint
	if gain < 30 || bd < -0.15*f.cladding || math.Abs(bd) < 0.004 {
		return
	}
	// Most of the disc must differ: a scratch across the middle is not a core.
	inside, with := 0, 0
	for _, p := range pts {
		if math.Hypot(p.x-bx, p.y-by) < br-soft {
			inside++
			if (p.v-bb)*bd > 0.4*bd*bd {
				with++
			}
		}
	}
	if inside == 0 || float64(with) < 0.6*float64(inside) {
		return
	}
	f.core = coreFit{true, bx, by, br, bd}
	cx, cy := f.edge.x+f.toPixel[0]*bx+f.toPixel[1]*by, f.edge.y+f.toPixel[2]*bx+f.toPixel[3]*by
	for y := max(0, int(cy-reach)); y <= min(f.img.h-1, int(cy+reach)); y++ {
		for x := max(0, int(cx-reach)); x <= min(f.img.w-1, int(cx+reach)); x++ {
			p := f.micro(float64(x), float64(y))
			s := 0.5 * math.Erfc((math.Hypot(p.x-bx, p.y-by)-br)/(soft*math.Sqrt2))
			f.res.pix[y*f.img.w+x] -= float32(bd * s)
		}
	}
	// Marks on the core pull the fit; the cladding's centre is then the better axis.
	if float64(clear) > 0.85*float64(in) {
		f.axisX, f.axisY = cx, cy
	}
}

// kth returns the k-th smallest of v without changing it, by Hoare's selection.
func kth[T float32 | float64](v []T, k int) T {
	c := slices.Clone(v)
	k = min(k, len(c)-1)
	lo, hi := 0, len(c)-1
	for lo < hi {
		pivot := c[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for c[i] < pivot {
				i++
			}
			for c[j] > pivot {
				j--
			}
			if i <= j {
				c[i], c[j] = c[j], c[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return c[k]
		}
	}
	return c[k]
}

// findMultimode looks in the profile for the edge of a core of 50 or 62.5 µm.
func (f *face) findMultimode() {
	at := func(r float64) float64 { // step of the profile at r, against its surroundings
		return f.mean(r+0.8, r+3.3) - f.mean(r-3.3, r-0.8)
	}
	f.coreRadius = 0
	best, radius := 0.0, 0.0
	for r := 23.0; r <= 34; r += 0.25 {
		if s := math.Abs(at(r)); s > best {
			best, radius = s, r
		}
	}
	other := 0.0
	for r := 37.5; r <= 53; r += 0.25 {
		other = max(other, math.Abs(at(r)))
	}
	for r := 13.0; r <= 19; r += 0.25 {
		other = max(other, math.Abs(at(r)))
	}
	if best > max(0.015*f.cladding, 3*other) && best > 0.004 &&
		(math.Abs(radius-25) < 1.6 || math.Abs(radius-31.25) < 1.9) {
		f.coreRadius = radius
	}
}

// centreMultimode finds how far the multimode core's edge lies off the
// cladding's centre, takes the difference out of the residue and moves the axis.
// To first order a shift by (dx, dy) adds -(dx·cos θ + dy·sin θ)·dP/dr.
func (f *face) centreMultimode() {
	f.axisX, f.axisY = f.edge.x, f.edge.y
	w := f.img.w
	var rows [][]float64
	var y, wt []float64
	var at []int
	reach := (f.coreRadius + 3) * f.scale * 1.1
	h := 1.5 * f.binWidth
	for py := max(0, int(f.edge.y-reach)); py <= min(f.img.h-1, int(f.edge.y+reach)); py++ {
		for px := max(0, int(f.edge.x-reach)); px <= min(w-1, int(f.edge.x+reach)); px++ {
			o := py*w + px
			r := float64(f.rad[o])
			if math.Abs(r-f.coreRadius) > 3 {
				continue
			}
			p := f.micro(float64(px), float64(py))
			g := (f.level(r+h) - f.level(r-h)) / (2 * h)
			rows = append(rows, []float64{-g * p.x / r, -g * p.y / r})
			y = append(y, float64(f.res.pix[o]))
			u := 1.0
			if f.masked != nil && f.masked[o] {
				u = 0
			}
			wt = append(wt, u)
			at = append(at, o)
		}
	}
	if len(rows) < 100 {
		return
	}
	base := append([]float64(nil), wt...)
	dev := make([]float64, len(rows))
	var a []float64
	for range 4 {
		b, ok := least(rows, y, wt, 2)
		if !ok {
			return
		}
		a = b
		for i, row := range rows {
			dev[i] = math.Abs(y[i] - a[0]*row[0] - a[1]*row[1])
		}
		s := max(4.7*1.4826*kth(dev, len(dev)/2), 1e-4)
		for i, d := range dev {
			u := d / s
			wt[i] = 0
			if u < 1 {
				wt[i] = base[i] * (1 - u*u) * (1 - u*u)
			}
		}
	}
	if math.Hypot(a[0], a[1]) > 1.2 {
		return
	}
	for i, o := range at {
		f.res.pix[o] -= float32(a[0]*rows[i][0] + a[1]*rows[i][1])
	}
	f.axisX += f.toPixel[0]*a[0] + f.toPixel[1]*a[1]
	f.axisY += f.toPixel[2]*a[0] + f.toPixel[3]*a[1]
}
