package rf

import (
	"fmt"
	"slices"

	"witnessmark/internal/errs"
	"witnessmark/internal/units"
)

// MaxOrder is the highest order of intermodulation that is computed.
const MaxOrder = 21

const highestMegahertz = 1e6 // 1 THz: above any band of a tower

// Range is a span of frequencies, Low ≤ High, both in MHz.
type Range struct{ Low, High units.Megahertz }

// Overlap returns the part that two ranges share; ok is false when they share
// none or a single point: a product that only touches an edge does not land in
// the band.
func (r Range) Overlap(other Range) (shared Range, ok bool) {
	shared = Range{max(r.Low, other.Low), min(r.High, other.High)}
	if shared.Low >= shared.High {
		return Range{}, false
	}
	return shared, true
}

// Contains reports whether f lies in the range, edges included.
func (r Range) Contains(f units.Megahertz) bool { return f >= r.Low && f <= r.High }

func (r Range) check(field string) error {
	for _, f := range []units.Megahertz{r.Low, r.High} {
		if err := checkFrequency(field, f); err != nil {
			return err
		}
	}
	if r.Low > r.High {
		return errs.Field("RANGE_REVERSED", field, fmt.Sprintf("begins at %g MHz, above its end at %g MHz", r.Low, r.High))
	}
	return nil
}

func checkFrequency(field string, f units.Megahertz) error {
	if err := checkWithin("FREQUENCY_OUT_OF_RANGE", field, float64(f), 0, highestMegahertz, "MHz"); err != nil {
		return err
	}
	if f == 0 {
		return errs.Field("FREQUENCY_OUT_OF_RANGE", field, "must be over 0 MHz")
	}
	return nil
}

func checkOrder(order int) error {
	if order < 3 || order > MaxOrder || order%2 == 0 {
		return errs.Field("ORDER_OUT_OF_RANGE", "order", fmt.Sprintf("must be odd, from 3 to %d, is %d", MaxOrder, order))
	}
	return nil
}

// Product is one intermodulation product |M·f1 ± N·f2| of two tones. M and N
// carry their signs; Order is |M| + |N|.
type Product struct {
	M, N      int
	Order     int
	Frequency units.Megahertz
}

// Products lists every product |m·f1 ± n·f2| of two tones with orders 2 to
// maxOrder, both tones taking part, sorted by order, then frequency. Products
// at 0 Hz are left out.
//
// Errors, Invalid: FREQUENCY_OUT_OF_RANGE, TONES_EQUAL, ORDER_OUT_OF_RANGE
// (2 to MaxOrder). Form from IEC 62037-1.
func Products(f1, f2 units.Megahertz, maxOrder int) ([]Product, error) {
	if err := checkTones(f1, f2); err != nil {
		return nil, err
	}
	if maxOrder < 2 || maxOrder > MaxOrder {
		return nil, errs.Field("ORDER_OUT_OF_RANGE", "order", fmt.Sprintf("must be from 2 to %d, is %d", MaxOrder, maxOrder))
	}
	var out []Product
	for order := 2; order <= maxOrder; order++ {
		for m := 1; m < order; m++ {
			n := order - m
			out = append(out, Product{m, n, order, units.Megahertz(m)*f1 + units.Megahertz(n)*f2})
			switch diff := units.Megahertz(m)*f1 - units.Megahertz(n)*f2; {
			case diff > 0:
				out = append(out, Product{m, -n, order, diff})
			case diff < 0:
				out = append(out, Product{-m, n, order, -diff})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Product) int {
		switch {
		case a.Order != b.Order:
			return a.Order - b.Order
		case a.Frequency < b.Frequency:
			return -1
		case a.Frequency > b.Frequency:
			return 1
		}
		return 0
	})
	return out, nil
}

func checkTones(f1, f2 units.Megahertz) error {
	for _, f := range []units.Megahertz{f1, f2} {
		if err := checkFrequency("frequency", f); err != nil {
			return err
		}
	}
	if f1 == f2 {
		return errs.Field("TONES_EQUAL", "frequency", "the two tones must differ")
	}
	return nil
}

// NearProducts gives the two products of an odd order that lie beside the
// tones: with k = (order+1)/2 and f1 < f2, low = k·f1 − (k−1)·f2 and
// high = k·f2 − (k−1)·f1. The tones may be given in either order. low is below
// zero when the tones are far apart: there it is the product |low|, folded.
//
// Errors, Invalid: FREQUENCY_OUT_OF_RANGE, TONES_EQUAL, ORDER_OUT_OF_RANGE.
func NearProducts(f1, f2 units.Megahertz, order int) (low, high units.Megahertz, err error) {
	if err := checkTones(f1, f2); err != nil {
		return 0, 0, err
	}
	if err := checkOrder(order); err != nil {
		return 0, 0, err
	}
	if f1 > f2 {
		f1, f2 = f2, f1
	}
	k := units.Megahertz((order + 1) / 2)
	return k*f1 - (k-1)*f2, k*f2 - (k-1)*f1, nil
}

// Carrier is a modulated carrier: its centre and occupied bandwidth (0 for an
// unmodulated tone), in MHz.
type Carrier struct{ Centre, Bandwidth units.Megahertz }

// Range returns the carrier's edges.
func (c Carrier) Range() Range {
	return Range{c.Centre - c.Bandwidth/2, c.Centre + c.Bandwidth/2}
}

func (c Carrier) check() error {
	if err := checkFrequency("carrier", c.Centre); err != nil {
		return err
	}
	if err := checkWithin("BANDWIDTH_OUT_OF_RANGE", "bandwidth", float64(c.Bandwidth), 0, float64(2*c.Centre), "MHz"); err != nil {
		return err
	}
	return nil
}

// ProductRange gives every frequency that the product m·a − n·b can reach when
// a and b run over whole ranges (m, n ≥ 1): m·a.Low − n·b.High to m·a.High −
// n·b.Low. Where that spans or lies below zero, the magnitudes are given, since
// a product has no negative frequency.
//
// Errors, Invalid: ORDER_OUT_OF_RANGE, FREQUENCY_OUT_OF_RANGE, RANGE_REVERSED.
func ProductRange(a Range, m int, b Range, n int) (Range, error) {
	if m < 1 || n < 1 || m+n > MaxOrder {
		return Range{}, errs.Field("ORDER_OUT_OF_RANGE", "order", fmt.Sprintf("m and n must be 1 or more and together at most %d, are %d and %d", MaxOrder, m, n))
	}
	if err := a.check("first range"); err != nil {
		return Range{}, err
	}
	if err := b.check("second range"); err != nil {
		return Range{}, err
	}
	low := units.Megahertz(m)*a.Low - units.Megahertz(n)*b.High
	high := units.Megahertz(m)*a.High - units.Megahertz(n)*b.Low
	switch {
	case high < 0:
		low, high = -high, -low
	case low < 0:
		low, high = 0, max(-low, high)
	}
	return Range{low, high}, nil
}

// CarrierProduct gives centre, bandwidth and edges of the product m·a − n·b of
// two modulated carriers. The bandwidth is m·a.Bandwidth + n·b.Bandwidth: a
// product's spectrum is the convolution of its carriers'.
//
// Errors, Invalid: ORDER_OUT_OF_RANGE, FREQUENCY_OUT_OF_RANGE,
// BANDWIDTH_OUT_OF_RANGE.
func CarrierProduct(a Carrier, m int, b Carrier, n int) (Carrier, Range, error) {
	if m < 1 || n < 1 || m+n > MaxOrder {
		return Carrier{}, Range{}, errs.Field("ORDER_OUT_OF_RANGE", "order", fmt.Sprintf("m and n must be 1 or more and together at most %d, are %d and %d", MaxOrder, m, n))
	}
	for _, c := range []Carrier{a, b} {
		if err := c.check(); err != nil {
			return Carrier{}, Range{}, err
		}
	}
	centre := units.Megahertz(m)*a.Centre - units.Megahertz(n)*b.Centre
	out := Carrier{max(centre, -centre), units.Megahertz(m)*a.Bandwidth + units.Megahertz(n)*b.Bandwidth}
	edges := out.Range()
	if edges.Low < 0 { // the part below zero folds back
		edges = Range{0, max(-edges.Low, edges.High)}
	}
	return out, edges, nil
}

// WholeBand gives every frequency that near products of an odd order can reach
// when both tones lie anywhere in one band. It covers the band itself and both
// sides of it.
//
// Errors, Invalid: ORDER_OUT_OF_RANGE, FREQUENCY_OUT_OF_RANGE, RANGE_REVERSED.
func WholeBand(order int, band Range) (Range, error) {
	if err := checkOrder(order); err != nil {
		return Range{}, err
	}
	k := (order + 1) / 2
	return ProductRange(band, k, band, k-1)
}

// Hit is a product of transmitted bands that lands in a receive band.
type Hit struct {
	Order int
	From  string // "3·B1" style: which bands, with their factors
	Range Range  // everything that the product can reach
	Into  Range  // the part that lies in the receive band
}

// WholeBandHits finds which odd orders from 3 to maxOrder of one downlink band
// land in an uplink band, over any pair of tones.
//
// Errors as WholeBand.
func WholeBandHits(downlink, uplink Range, maxOrder int) ([]Hit, error) {
	if err := checkOrder(maxOrder); err != nil {
		return nil, err
	}
	if err := uplink.check("uplink"); err != nil {
		return nil, err
	}
	var hits []Hit
	for order := 3; order <= maxOrder; order += 2 {
		r, err := WholeBand(order, downlink)
		if err != nil {
			return nil, err
		}
		if into, ok := r.Overlap(uplink); ok {
			k := (order + 1) / 2
			hits = append(hits, Hit{order, fmt.Sprintf("%d·f − %d·f′", k, k-1), r, into})
		}
	}
	return hits, nil
}

// TwoBandHits finds which near products of two bands that share a line land in
// an uplink band: k·a − (k−1)·b and k·b − (k−1)·a for each odd order from 3 to
// maxOrder.
//
// Errors as WholeBand.
func TwoBandHits(a, b, uplink Range, maxOrder int) ([]Hit, error) {
	if err := checkOrder(maxOrder); err != nil {
		return nil, err
	}
	if err := uplink.check("uplink"); err != nil {
		return nil, err
	}
	var hits []Hit
	for order := 3; order <= maxOrder; order += 2 {
		k := (order + 1) / 2
		for _, pair := range []struct {
			name string
			x, y Range
		}{{fmt.Sprintf("%d·A − %d·B", k, k-1), a, b}, {fmt.Sprintf("%d·B − %d·A", k, k-1), b, a}} {
			r, err := ProductRange(pair.x, k, pair.y, k-1)
			if err != nil {
				return nil, err
			}
			if into, ok := r.Overlap(uplink); ok {
				hits = append(hits, Hit{order, pair.name, r, into})
			}
		}
	}
	return hits, nil
}

// Band is a cellular operating band with uplink and downlink edges.
type Band struct {
	Number   int
	Uplink   Range
	Downlink Range
	Source   string
}

const bandSource = "3GPP TS 36.104 table 5.5-1"

// bands holds the bands whose edges were read in a public text.
var bands = []Band{
	{1, Range{1920, 1980}, Range{2110, 2170}, bandSource},
	{2, Range{1850, 1910}, Range{1930, 1990}, bandSource},
	{3, Range{1710, 1785}, Range{1805, 1880}, bandSource},
	{4, Range{1710, 1755}, Range{2110, 2155}, bandSource},
	{5, Range{824, 849}, Range{869, 894}, bandSource},
	{7, Range{2500, 2570}, Range{2620, 2690}, bandSource},
	{8, Range{880, 915}, Range{925, 960}, bandSource},
	{12, Range{699, 716}, Range{729, 746}, bandSource},
	{13, Range{777, 787}, Range{746, 756}, bandSource},
	{20, Range{832, 862}, Range{791, 821}, bandSource},
}

// Bands lists the known bands by number. Another band is a Band that the caller
// fills in, with its source.
func Bands() []Band { return slices.Clone(bands) }

// BandByNumber returns a known band.
//
// The error is NotFound, BAND_UNKNOWN.
func BandByNumber(n int) (Band, error) {
	for _, b := range bands {
		if b.Number == n {
			return b, nil
		}
	}
	return Band{}, errs.New(errs.NotFound, "BAND_UNKNOWN",
		fmt.Sprintf("band %d is not in the table; give its edges and their source", n), "field", "band")
}
