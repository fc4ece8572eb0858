package endface

import "math"

type point struct{ x, y float64 }

// smallestCircle returns the smallest circle around the points, by Welzl's
// move-to-front method on their convex hull (Welzl, "Smallest enclosing disks",
// 1991). Hull order makes it deterministic.
func smallestCircle(pts []point) (c point, r float64) {
	h := hull(pts)
	if len(h) == 0 {
		return point{}, 0
	}
	c, r = h[0], 0
	out := func(p point) bool { return math.Hypot(p.x-c.x, p.y-c.y) > r*(1+1e-12)+1e-12 }
	for i := range h {
		if !out(h[i]) {
			continue
		}
		c, r = h[i], 0
		for j := range i {
			if !out(h[j]) {
				continue
			}
			c, r = across(h[i], h[j])
			for k := range j {
				if out(h[k]) {
					c, r = through(h[i], h[j], h[k])
				}
			}
		}
	}
	return c, r
}

func across(a, b point) (point, float64) {
	return point{(a.x + b.x) / 2, (a.y + b.y) / 2}, math.Hypot(a.x-b.x, a.y-b.y) / 2
}

func through(a, b, p point) (point, float64) {
	bx, by, px, py := b.x-a.x, b.y-a.y, p.x-a.x, p.y-a.y
	d := 2 * (bx*py - by*px)
	if d == 0 { // in line: the far pair
		c, r := across(a, b)
		if c2, r2 := across(a, p); r2 > r {
			c, r = c2, r2
		}
		if c2, r2 := across(b, p); r2 > r {
			c, r = c2, r2
		}
		return c, r
	}
	ux := (py*(bx*bx+by*by) - by*(px*px+py*py)) / d
	uy := (bx*(px*px+py*py) - px*(bx*bx+by*by)) / d
	return point{a.x + ux, a.y + uy}, math.Hypot(ux, uy)
}
