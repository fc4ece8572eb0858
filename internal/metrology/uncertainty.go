package metrology

import (
	"fmt"
	"math"

	"witnessmark/internal/errs"
)

// Component is one line of an uncertainty budget.
type Component struct {
	Name        string
	Standard    float64 // standard uncertainty u, 0 or more, in its own unit
	Sensitivity float64 // c, the change of the result per unit of it; 1 where units are the same
	Freedom     float64 // degrees of freedom, over 0; +Inf where the uncertainty itself is taken as known
}

// Budget is a combined uncertainty, in the unit of the result.
type Budget struct {
	Components []Component
	Combined   float64 // u_c = √Σ(c·u)², uncorrelated
	Freedom    float64 // effective, not cut down to a whole number; +Inf possible
}

// Expanded returns U = k·u_c.
//
// The error is Invalid, COVERAGE_OUT_OF_RANGE, when k is not over 0 and at most 10.
func (b Budget) Expanded(k float64) (Uncertainty, error) {
	if !(k > 0 && k <= 10) {
		return Uncertainty{}, errs.Field("COVERAGE_OUT_OF_RANGE", "k", "a coverage factor is over 0 and at most 10, got "+number(k))
	}
	return Uncertainty{Expanded: k * b.Combined, K: k}, nil
}

// Combine adds uncorrelated components by root sum of squares (JCGM 100:2008
// 5.1.2) and finds the effective degrees of freedom, u_c⁴/Σ((c·u)⁴/ν)
// (JCGM 100:2008 G.4.1; clause numbers from memory). Cut the freedom down to a
// whole number before looking up a coverage factor.
//
// Errors are Invalid: BUDGET_EMPTY, COMPONENT_OUT_OF_RANGE.
func Combine(components ...Component) (Budget, error) {
	if len(components) == 0 {
		return Budget{}, errs.Field("BUDGET_EMPTY", "components", "an uncertainty budget has at least one component")
	}
	combined := 0.0
	for i, c := range components {
		if !(c.Standard >= 0) || !finite(c.Standard) || !finite(c.Sensitivity) || c.Sensitivity == 0 || !(c.Freedom > 0) {
			return Budget{}, errs.Field("COMPONENT_OUT_OF_RANGE", fmt.Sprintf("components[%d]", i),
				fmt.Sprintf("%s: needs an uncertainty of 0 or more, a sensitivity that is not 0 and degrees of freedom over 0", c.Name))
		}
		combined = math.Hypot(combined, c.Sensitivity*c.Standard)
	}
	if !finite(combined) {
		return Budget{}, errs.Field("COMPONENT_OUT_OF_RANGE", "components", "the combined uncertainty is too large to be represented")
	}
	b := Budget{Components: components, Combined: combined, Freedom: math.Inf(1)}
	sum := 0.0
	for _, c := range components {
		if combined > 0 {
			sum += math.Pow(c.Sensitivity*c.Standard/combined, 4) / c.Freedom
		}
	}
	if sum > 0 {
		b.Freedom = 1 / sum
	}
	return b, nil
}

// FromCertificate is a component of an expanded uncertainty U with factor k:
// u = U/k (JCGM 100:2008 4.3.3).
//
// The error is that of Uncertainty.Standard.
func FromCertificate(name string, u Uncertainty) (Component, error) {
	s, err := u.Standard()
	if err != nil {
		return Component{}, err
	}
	return known(name, s), nil
}

// FromMean is a component of the mean of n readings with the experimental
// standard deviation s: u = s/√n, with n − 1 degrees of freedom
// (JCGM 100:2008 4.2.3).
//
// The error is Invalid, COMPONENT_OUT_OF_RANGE, for n under 2 or s not a finite
// number of 0 or more.
func FromMean(name string, s float64, n int) (Component, error) {
	if n < 2 {
		return Component{}, errs.Field("COMPONENT_OUT_OF_RANGE", name, "the spread of a mean needs at least 2 readings")
	}
	if err := halfWidth(name, s); err != nil {
		return Component{}, err
	}
	return Component{Name: name, Standard: s / math.Sqrt(float64(n)), Sensitivity: 1, Freedom: float64(n - 1)}, nil
}

// FromRectangular is a component of an error anywhere within ±a, all equally
// likely: u = a/√3 (JCGM 100:2008 4.3.7). The error is Invalid,
// COMPONENT_OUT_OF_RANGE, for an a that is not a finite number of 0 or more.
func FromRectangular(name string, a float64) (Component, error) {
	return shaped(name, a, math.Sqrt(3))
}

// FromTriangular is a component of an error within ±a, likelier in the middle:
// u = a/√6 (JCGM 100:2008 4.3.9). Errors as FromRectangular.
func FromTriangular(name string, a float64) (Component, error) {
	return shaped(name, a, math.Sqrt(6))
}

// FromUShaped is a component of an error within ±a, likelier at the ends, such
// as a mismatch of unknown phase: u = a/√2 (common practice in radio work).
// Errors as FromRectangular.
func FromUShaped(name string, a float64) (Component, error) {
	return shaped(name, a, math.Sqrt2)
}

// FromResolution is a component of the rounding of a display whose last digit
// steps by d: u = d/√12 (JCGM 100:2008 F.2.2.1). Errors as FromRectangular.
func FromResolution(name string, d float64) (Component, error) {
	return shaped(name, d, math.Sqrt(12))
}

func shaped(name string, a, divisor float64) (Component, error) {
	if err := halfWidth(name, a); err != nil {
		return Component{}, err
	}
	return known(name, a/divisor), nil
}

func known(name string, u float64) Component {
	return Component{Name: name, Standard: u, Sensitivity: 1, Freedom: math.Inf(1)}
}

func halfWidth(name string, a float64) error {
	if !(a >= 0) || math.IsInf(a, 0) {
		return errs.Field("COMPONENT_OUT_OF_RANGE", name, "a spread is a finite number of 0 or more, got "+number(a))
	}
	return nil
}

// Mismatch returns the most and least that two mismatched ports can change a
// level, in dB, where g1 and g2 are their reflection coefficients, 0 or more
// with a product under 1: 20·log10(1 ± g1·g2).
//
// The error is Invalid, REFLECTION_OUT_OF_RANGE.
func Mismatch(g1, g2 float64) (low, high float64, err error) {
	if err := reflections(g1, g2); err != nil {
		return 0, 0, err
	}
	p := g1 * g2
	return 20 / math.Ln10 * math.Log1p(-p), 20 / math.Ln10 * math.Log1p(p), nil
}

// MismatchUncertainty returns the standard uncertainty in dB of a mismatch of
// unknown phase: (20/ln 10)·g1·g2/√2, the half-width 8.68589·g1·g2 taken as
// U-shaped. Domain and error as Mismatch.
func MismatchUncertainty(g1, g2 float64) (float64, error) {
	if err := reflections(g1, g2); err != nil {
		return 0, err
	}
	return 20 / math.Ln10 * g1 * g2 / math.Sqrt2, nil
}

func reflections(g1, g2 float64) error {
	for _, g := range []struct {
		field string
		v     float64
	}{{"g1", g1}, {"g2", g2}} {
		if !(g.v >= 0 && g.v <= 1) {
			return errs.Field("REFLECTION_OUT_OF_RANGE", g.field, "a reflection coefficient is from 0 to 1, got "+number(g.v))
		}
	}
	if g1*g2 >= 1 {
		return errs.Field("REFLECTION_OUT_OF_RANGE", "g1", "two total reflections have no bounded mismatch")
	}
	return nil
}
