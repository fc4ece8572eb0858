package endface

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// ellipse is the cladding's edge: the picture of a circle, shortened by tilt.
type ellipse struct {
	x, y  float64 // centre, pixels
	mean  float64 // mean of the half axes, pixels
	c, d  float64 // radius = mean + c·cos 2θ + d·sin 2θ
	whole float64 // share of the circle on which an edge lies where the fit says
	sign  float64 // +1: brighter outside the edge
	step  float64 // strength of the edge: change of level
	blur  float64 // standard deviation of the point spread, pixels
}

func (e ellipse) radius(theta float64) float64 {
	sn, cs := math.Sincos(2 * theta)
	return e.mean + e.c*cs + e.d*sn
}

// axes returns the half axes and the direction of the long one.
func (e ellipse) axes() (long, short, direction float64) {
	k := math.Hypot(e.c, e.d)
	return e.mean + k, e.mean - k, 0.5 * math.Atan2(e.d, e.c)
}

// least fits y = Σ a[j]·f[j] by weighted least squares. ok is false where the
// data do not fix the coefficients.
func least(f [][]float64, y, wt []float64, n int) (a []float64, ok bool) {
	ata := mat.NewSymDense(n, nil)
	aty := mat.NewVecDense(n, nil)
	acc := make([]float64, n*n)
	rhs := make([]float64, n)
	for i, row := range f {
		w := wt[i]
		if w == 0 {
			continue
		}
		for p := range n {
			v := w * row[p]
			rhs[p] += v * y[i]
			for q := p; q < n; q++ {
				acc[p*n+q] += v * row[q]
			}
		}
	}
	for p := range n {
		aty.SetVec(p, rhs[p])
		for q := p; q < n; q++ {
			ata.SetSym(p, q, acc[p*n+q])
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(ata) || ch.Cond() > 1e12 {
		return nil, false
	}
	var x mat.VecDense
	if ch.SolveVecTo(&x, aty) != nil {
		return nil, false
	}
	return x.RawVector().Data, true
}

const edgeAngles = 256

// refineRing fits the cladding's edge near the proposed circle to a fraction of
// a pixel. ok is false when there is no such edge.
func refineRing(p plane, start ring) (e ellipse, ok bool) {
	e = ellipse{x: start.x, y: start.y, mean: start.r}
	// Window each side of the expected radius, relative, pass by pass.
	for pass, span := range []float64{0.13, 0.07, 0.04, 0.035} {
		e, ok = fitEdge(p, e, span, pass)
		if !ok {
			return e, false
		}
	}
	return e, true
}

func fitEdge(p plane, e ellipse, span float64, pass int) (ellipse, bool) {
	const perPixel = 2
	half := int(math.Ceil(max(span*e.mean, 4) * perPixel))
	n := 2*half + 1
	prof := make([]float64, edgeAngles*n)
	seen := make([]bool, edgeAngles)
	any := 0 // directions whose profile lies in the picture
	for a := range edgeAngles {
		th := 2 * math.Pi * float64(a) / edgeAngles
		sn, cs := math.Sincos(th)
		r0 := e.radius(th)
		rEnd := r0 + float64(half)/perPixel
		x, y := e.x+cs*rEnd, e.y+sn*rEnd
		if x < 0 || y < 0 || x > float64(p.w-1) || y > float64(p.h-1) {
			continue
		}
		seen[a] = true
		any++
		for k := range n {
			r := r0 + float64(k-half)/perPixel
			prof[a*n+k] = float64(p.at(e.x+cs*r, e.y+sn*r))
		}
	}
	if any < edgeAngles*6/10 {
		return e, false
	}
	// Slope per pixel, over two pixels and lightly smoothed.
	slope := make([]float64, edgeAngles*n)
	mean := make([]float64, n)
	for a := range edgeAngles {
		if !seen[a] {
			continue
		}
		q := prof[a*n : (a+1)*n]
		for k := 3; k < n-3; k++ {
			s := ((q[k+1] - q[k-1]) + (q[k+2] - q[k-2]) + (q[k+3] - q[k-3])) / 6
			slope[a*n+k] = s
			mean[k] += s / float64(any)
		}
	}
	// The early passes are off centre by pixels, so the mean slope is smeared.
	if pass < 2 {
		reach := max(1, int(0.02*e.mean*perPixel))
		if pass == 1 {
			reach = max(1, reach/2)
		}
		sm := make([]float64, n)
		for k := range sm {
			c := 0
			for j := max(0, k-reach); j <= min(n-1, k+reach); j++ {
				sm[k] += mean[j]
				c++
			}
			sm[k] /= float64(c)
		}
		mean = sm
	}
	top := 0.0
	for _, v := range mean {
		top = max(top, math.Abs(v))
	}
	if top < 1e-4 {
		return e, false
	}
	// The adhesive gives two edges of opposite sign; the inner is the cladding's.
	at := -1
	const share = 0.35 // of the strongest edge
	for k := 3; k < n-3; k++ {
		v := math.Abs(mean[k])
		if v >= share*top && v >= math.Abs(mean[k-1]) && v >= math.Abs(mean[k+1]) {
			at = k
			break
		}
	}
	if at < 0 {
		return e, false
	}
	sign := math.Copysign(1, mean[at])
	shift := float64(at-half) / perPixel
	// Each direction's own edge, near the common one.
	reach := int(math.Ceil([]float64{0.07, 0.035, 0.02, 0.015}[pass]*e.mean*perPixel)) + 2
	var f [][]float64
	var y, wt []float64
	for a := range edgeAngles {
		if !seen[a] {
			continue
		}
		best, bk := 0.0, -1
		for k := max(3, at-reach); k <= min(n-4, at+reach); k++ {
			if v := sign * slope[a*n+k]; v > best {
				best, bk = v, k
			}
		}
		if bk < 0 || best < 0.2*top {
			continue
		}
		off := 0.0
		l, c, r := sign*slope[a*n+bk-1], best, sign*slope[a*n+bk+1]
		if den := l - 2*c + r; den < 0 {
			off = min(1, max(-1, 0.5*(l-r)/den))
		}
		th := 2 * math.Pi * float64(a) / edgeAngles
		sn, cs := math.Sincos(th)
		s2, c2 := math.Sincos(2 * th)
		f = append(f, []float64{1, cs, sn, c2, s2})
		y = append(y, e.radius(th)+(float64(bk-half)+off)/perPixel)
		wt = append(wt, 1)
	}
	if len(f) < edgeAngles/2 {
		return e, false
	}
	start := e.mean + shift
	a := []float64{start, 0, 0, e.c, e.d}
	for it := range 8 {
		dev := make([]float64, len(f))
		abs := make([]float64, len(f))
		for i := range f {
			v := y[i]
			for j := range a {
				v -= a[j] * f[i][j]
			}
			dev[i], abs[i] = v, math.Abs(v)
		}
		slices.Sort(abs)
		scale := max(1.4826*abs[len(abs)/2], 0.1)
		if it == 0 {
			scale = max(scale, 1)
		}
		for i, v := range dev {
			u := v / (4.7 * scale)
			wt[i] = 0
			if u*u < 1 {
				wt[i] = (1 - u*u) * (1 - u*u)
			}
		}
		b, ok := least(f, y, wt, 5)
		if !ok {
			return e, false
		}
		a = b
	}
	near := 0
	tol := max(1, 0.008*a[0])
	for i := range f {
		v := y[i]
		for j := range a {
			v -= a[j] * f[i][j]
		}
		if math.Abs(v) < tol {
			near++
		}
	}
	out := ellipse{
		x: e.x + a[1], y: e.y + a[2], mean: a[0], c: a[3], d: a[4],
		whole: float64(near) / edgeAngles, sign: sign,
	}
	if out.mean < 5 || out.mean > 2*e.mean || math.Hypot(a[3], a[4]) > 0.15*out.mean {
		return out, false
	}
	out.step, out.blur = edgeSpread(p, out)
	return out, true
}

// edgeSpread measures the edge's change of level and the point spread from the
// mean profile across the edge: for a step seen through a Gaussian the slope in
// its middle is step/(σ√2π), and the level there is half way.
func edgeSpread(p plane, e ellipse) (step, blur float64) {
	const perPixel = 4
	reach := max(0.05*e.mean, 6)
	half := int(reach * perPixel)
	n := 2*half + 1
	prof := make([]float64, n)
	col := make([]float64, 0, edgeAngles)
	for k := range prof {
		col = col[:0]
		for a := range edgeAngles {
			th := 2 * math.Pi * (float64(a) + 0.5) / edgeAngles
			sn, cs := math.Sincos(th)
			r := e.radius(th) + float64(k-half)/perPixel
			x, y := e.x+cs*r, e.y+sn*r
			if x < 0 || y < 0 || x > float64(p.w-1) || y > float64(p.h-1) {
				continue
			}
			col = append(col, float64(p.at(x, y)))
		}
		if len(col) == 0 {
			return 0, math.Inf(1)
		}
		slices.Sort(col)
		// The middle half: marks that cross the edge do not count.
		lo, hi := len(col)/4, len(col)-len(col)/4
		for _, v := range col[lo:hi] {
			prof[k] += v
		}
		prof[k] /= float64(hi - lo)
	}
	best, at := 0.0, half
	for k := max(2, half-2*perPixel); k <= min(n-3, half+2*perPixel); k++ {
		s := e.sign * (prof[k+1] - prof[k-1]) * perPixel / 2
		if s > best {
			best, at = s, k
		}
	}
	if best <= 0 {
		return 0, math.Inf(1)
	}
	var inside float64
	m := max(1, half/4)
	for k := range m {
		inside += prof[k] / float64(m)
	}
	drop := math.Abs(prof[at] - inside)
	blur = 2 * drop / (best * math.Sqrt(2*math.Pi))
	// Interpolation between pixels spreads too: variance 1/6 on average.
	v := blur*blur - 1./6
	return 2 * drop, math.Sqrt(max(v, 0.09))
}
