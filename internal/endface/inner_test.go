package endface

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Every point lies in the circle, and no circle through two or three of the
// points that holds all of them is smaller: the slow definition.
func TestSmallestCircleAgainstTheDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for n := 2; n < 14; n++ {
		pts := make([]point, n)
		for i := range pts {
			pts[i] = point{math.Round(rng.Float64() * 8), rng.Float64() * 5}
		}
		c, r := smallestCircle(pts)
		holds := func(c point, r float64) bool {
			for _, p := range pts {
				if math.Hypot(p.x-c.x, p.y-c.y) > r+1e-9 {
					return false
				}
			}
			return true
		}
		if !holds(c, r) {
			t.Fatalf("circle %v %v does not hold %v", c, r, pts)
		}
		want := math.Inf(1)
		for i := range pts {
			for j := range i {
				if c, r := across(pts[i], pts[j]); holds(c, r) {
					want = min(want, r)
				}
				for k := range j {
					if c, r := through(pts[i], pts[j], pts[k]); holds(c, r) {
						want = min(want, r)
					}
				}
			}
		}
		if math.Abs(r-want) > 1e-9 {
			t.Errorf("%d points: radius %v, want %v", n, r, want)
		}
	}
	if c, r := smallestCircle(nil); r != 0 || c != (point{}) {
		t.Errorf("no points: %v %v, want nothing", c, r)
	}
}

// The full width at half of the peak of a Gaussian is 2·√(2·ln 2) of its
// deviation (any table of the normal distribution); a wide stripe or disc keeps its size.
func TestSpreadCorrections(t *testing.T) {
	fwhm := 2 * math.Sqrt(2*math.Ln2)
	if got := seenDisc(0.2); math.Abs(got-fwhm) > 0.02 {
		t.Errorf("a point under a blur of 1 looks %v wide, want %v", got, fwhm)
	}
	for _, w := range []float64{3, 5, 9, 20} {
		got := stripeWidth(w, 0.01)
		if math.Abs(got-w) > 1e-3 {
			t.Errorf("stripe of %v in a sharp picture: %v", w, got)
		}
		if got := discDiameter(w, 0.01); math.Abs(got-w) > 0.01 {
			t.Errorf("disc of %v in a sharp picture: %v", w, got)
		}
	}
	// There and back.
	for _, d := range []float64{1, 2.5, 4, 8, 15} {
		if got := discDiameter(seenDisc(d)*0.7, 0.7); math.Abs(got-d*0.7) > 0.01 {
			t.Errorf("disc of %v seen and corrected: %v", d*0.7, got)
		}
	}
}

// I0(1) = 1.266065878 and I0(5) = 27.23987182: Abramowitz and Stegun, table 9.8.
func TestBessel(t *testing.T) {
	for _, tc := range []struct{ x, want float64 }{{1, 1.266065878}, {5, 27.23987182}} {
		if got := besselI0e(tc.x) * math.Exp(tc.x); math.Abs(got/tc.want-1) > 1e-6 {
			t.Errorf("I0(%v) = %v, want %v", tc.x, got, tc.want)
		}
	}
}

func TestKth(t *testing.T) {
	v := []float64{5, 1, 4, 1, 3, 9, 2}
	for k, want := range []float64{1, 1, 2, 3, 4, 5, 9, 9} {
		if got := kth(v, k); got != want {
			t.Errorf("kth(%v, %d) = %v, want %v", v, k, got, want)
		}
	}
}
