package endface

import (
	"math"
	"sort"
	"sync"
)

// What half of the greatest depth encloses is not what the mark covers once the
// picture is blurred: small marks look larger, curved edges draw in. Both are
// corrected from the measured point spread, taken as Gaussian.

// stripeWidth returns the width of a stripe whose blurred profile has the full
// width fwhm at half of its peak, with a point spread of deviation sd (same unit).
func stripeWidth(fwhm, sd float64) float64 {
	if sd <= 0 {
		return fwhm
	}
	// A stripe of no width shows 2.3548·sd; near that the width is not determined.
	if fwhm <= 2.36*sd {
		return 0.3 * sd
	}
	phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
	seen := func(w float64) float64 {
		at := func(x float64) float64 { return phi((x+w/2)/sd) - phi((x-w/2)/sd) }
		half := at(0) / 2
		lo, hi := 0.0, w+4*sd
		for range 40 {
			if mid := (lo + hi) / 2; at(mid) > half {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo + hi
	}
	lo, hi := 0.3*sd, fwhm
	for range 40 {
		if mid := (lo + hi) / 2; seen(mid) < fwhm {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// discTable pairs true diameters with seen ones, both in units of the spread.
var discTable = sync.OnceValue(func() (t struct{ real, seen []float64 }) {
	for d := 0.2; d <= 24; d += 0.1 {
		t.real = append(t.real, d)
		t.seen = append(t.seen, seenDisc(d))
	}
	return t
})

// seenDisc is the diameter of the contour at half of the peak of a disc of
// diameter d under a Gaussian of deviation 1.
func seenDisc(d float64) float64 {
	R := d / 2
	const n = 200
	at := func(r float64) float64 { // ∫ ρ·exp(-(r²+ρ²)/2)·I0(rρ) dρ, Simpson
		var s float64
		h := R / n
		for i := 0; i <= n; i++ {
			p := float64(i) * h
			v := p * math.Exp(-(r-p)*(r-p)/2) * besselI0e(r*p)
			switch {
			case i == 0 || i == n:
				s += v
			case i%2 == 1:
				s += 4 * v
			default:
				s += 2 * v
			}
		}
		return s * h / 3
	}
	half := (1 - math.Exp(-R*R/2)) / 2
	lo, hi := 0.0, R+4
	for range 30 {
		if mid := (lo + hi) / 2; at(mid) > half {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + hi
}

// besselI0e is exp(-x)·I0(x), x ≥ 0: Abramowitz and Stegun 9.8.1 and 9.8.2.
func besselI0e(x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Exp(-x) * (1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t := 3.75 / x
	return (0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+
		t*(-0.02057706+t*(0.02635537+t*(-0.01647633+t*0.00392377)))))))) / math.Sqrt(x)
}

// discDiameter returns the diameter of a disc whose half-depth contour has the
// diameter seen, with a point spread of deviation sd (same unit).
func discDiameter(seen, sd float64) float64 {
	if sd <= 0 {
		return seen
	}
	t := discTable()
	q := seen / sd
	if q <= t.seen[0] {
		return t.real[0] * sd
	}
	i := sort.SearchFloat64s(t.seen, q)
	if i >= len(t.seen) {
		return seen + (t.real[len(t.real)-1]-t.seen[len(t.seen)-1])*sd
	}
	f := (q - t.seen[i-1]) / (t.seen[i] - t.seen[i-1])
	return (t.real[i-1] + f*(t.real[i]-t.real[i-1])) * sd
}
