package endface

import (
	"cmp"
	"slices"
)

// hull returns the convex hull, counter-clockwise, by Andrew's monotone chain.
func hull(pts []point) []point {
	p := slices.Clone(pts)
	slices.SortFunc(p, func(a, b point) int {
		return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y))
	})
	p = slices.Compact(p)
	if len(p) < 3 {
		return p
	}
	turn := func(o, a, b point) float64 { return (a.x-o.x)*(b.y-o.y) - (a.y-o.y)*(b.x-o.x) }
	h := make([]point, 0, 2*len(p))
	for pass := range 2 {
		base := len(h)
		for i := range p {
			q := p[i]
			if pass == 1 {
				q = p[len(p)-1-i]
			}
			for len(h) >= base+2 && turn(h[len(h)-2], h[len(h)-1], q) <= 0 {
				h = h[:len(h)-1]
			}
			h = append(h, q)
		}
		h = h[:len(h)-1]
	}
	return h
}
