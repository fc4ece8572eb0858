package endface

import (
	"cmp"
	"math"
	"slices"
)

// ring is a circle that the coarse search proposes, in pixels of the picture it
// was found in.
type ring struct {
	x, y, r float64
	score   float64
}

const (
	coarseSide   = 360 // root of the pixels of the picture that is searched first
	coarseLeast  = 10  // smallest radius looked for there, pixels
	searchAngles = 96
)

// findRings proposes places for the cladding's edge, best first. Edges vote for
// centres along their gradient (the circle transform of Kimme, Ballard and
// Sklansky, 1975); around each good centre the radii are judged by how much of
// the circle is there and what lies inside and outside it. want is the radius to
// look for in pixels, 0 when the scale is not known.
func findRings(src plane, want float64) []ring {
	p := src.smooth(1.1)
	w, h := p.w, p.h
	if w < 2*coarseLeast || h < 2*coarseLeast {
		return nil
	}
	gradient := func(o int) (gx, gy, m float32) {
		gx, gy = p.pix[o+1]-p.pix[o-1], p.pix[o+w]-p.pix[o-w]
		return gx, gy, gx*gx + gy*gy
	}
	mags := make([]float32, 0, w*h/4+w)
	for y := 1; y < h-1; y++ {
		for x := 4 - y%4; x < w-1; x += 4 { // enough for two quantiles
			_, _, m := gradient(y*w + x)
			mags = append(mags, m)
		}
	}
	least := max(kth(mags, len(mags)*88/100), 6*kth(mags, len(mags)/2), 1e-7)
	rmax := float64(max(w, h)) * 0.55
	acc := newPlane(w, h)
	for ey := 1; ey < h-1; ey++ {
		for ex := 1; ex < w-1; ex++ {
			gx, gy, mg := gradient(ey*w + ex)
			if mg < least {
				continue
			}
			m := float32(math.Sqrt(float64(mg)))
			ux, uy := gx/m, gy/m
			for _, s := range [2]float32{1, -1} {
				sx, sy := ux*s, uy*s
				x, y := float32(ex)+0.5+sx*coarseLeast, float32(ey)+0.5+sy*coarseLeast
				for r := coarseLeast; float64(r) < rmax; r++ {
					if x < 0 || y < 0 || x >= float32(w) || y >= float32(h) {
						break
					}
					acc.pix[int(y)*w+int(x)]++
					x += sx
					y += sy
				}
			}
		}
	}
	acc = acc.smooth(1.5)
	var out []ring
	for range 8 {
		best, at := float32(0), 0
		for i, v := range acc.pix {
			if v > best {
				best, at = v, i
			}
		}
		if best <= 0 {
			break
		}
		cx, cy := at%w, at/w
		for y := max(0, cy-6); y <= min(h-1, cy+6); y++ {
			for x := max(0, cx-6); x <= min(w-1, cx+6); x++ {
				acc.pix[y*w+x] = 0
			}
		}
		out = append(out, radii(p, float64(cx), float64(cy), rmax, want)...)
	}
	slices.SortStableFunc(out, func(a, b ring) int { return cmp.Compare(b.score, a.score) })
	return out
}

// radii judges the circles around one centre and returns the best few.
func radii(p plane, cx, cy, rmax, want float64) []ring {
	const step = 0.5
	n := int(rmax / step)
	g := make([]float64, searchAngles*n)
	for a := range searchAngles {
		sn, cs := math.Sincos(2 * math.Pi * float64(a) / searchAngles)
		for k := 2; k < n; k++ {
			r := float64(k) * step
			x, y := cx+cs*r, cy+sn*r
			if x < 1 || y < 1 || x > float64(p.w-2) || y > float64(p.h-2) {
				break
			}
			g[a*n+k] = float64(p.at(x+cs, y+sn)-p.at(x-cs, y-sn)) / 2
		}
	}
	// An ellipse or a centre that is slightly off smears the edge over some radii.
	mean, whole := make([]float64, n), make([]float64, n)
	wide := make([]float64, searchAngles)
	for k := 4; k < n-4; k++ {
		reach := 1 + int(0.012*float64(k))
		var sum float64
		for a := range wide {
			var s float64
			for j := max(2, k-reach); j <= min(n-1, k+reach); j++ {
				s += g[a*n+j]
			}
			wide[a] = s / float64(2*reach+1)
			sum += wide[a]
		}
		mean[k] = sum / searchAngles
		count := 0
		for _, v := range wide {
			if v*mean[k] > 0.25*mean[k]*mean[k] {
				count++
			}
		}
		whole[k] = float64(count) / searchAngles
	}
	score := make([]float64, n)
	for k := range score {
		score[k] = math.Abs(mean[k]) * whole[k] * whole[k]
	}
	most := func(lo, hi float64, at int, same int) float64 {
		var m float64
		for k := max(4, int(math.Ceil(lo*float64(at)))); k <= min(n-5, int(hi*float64(at))); k++ {
			if same != 0 && (mean[k]*mean[at] > 0) != (same > 0) {
				continue
			}
			m = max(m, score[k])
		}
		return m
	}
	var out []ring
	for k := int(coarseLeast / step); k < n-4; k++ {
		if whole[k] < 0.55 || score[k] < score[k-1] || score[k] < score[k+1] || math.Abs(mean[k]) < 0.002 {
			continue
		}
		r := float64(k) * step
		if want > 0 && math.Abs(r/want-1) > 0.1 {
			continue
		}
		s := score[k]
		s += 0.5 * most(1.015, 1.12, k, -1)                                // the adhesive's outer edge
		s += 0.3 * max(most(0.38, 0.42, k, 0), most(0.48, 0.52, k, 0))     // a multimode core
		s -= 0.8 * max(most(0.15, 0.36, k, 0), most(0.54, 0.86, k, 0))     // it is not the cladding that is inside
		s -= 1.0 * most(0.88, 0.985, k, -1)                                // this is the adhesive's outer edge
		s -= 0.5 * max(most(1.94, 2.06, k, 0), most(2.44, 2.56, k, 0)) * 1 // this is a multimode core
		// A long edge is better evidence than a short one: a large round
		// defect has a stronger edge than some claddings.
		out = append(out, ring{cx, cy, r, s * r})
	}
	slices.SortStableFunc(out, func(a, b ring) int { return cmp.Compare(b.score, a.score) })
	return out[:min(len(out), 3)]
}
