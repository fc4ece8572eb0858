package photo

import "math"

// Where the light counts as lost: common practice, no source.
const (
	darkLevel   = 5   // a sample at or under it shows nothing
	brightLevel = 250 // a sample at or over it shows nothing
	tiles       = 4   // sharpness is judged on a grid of tiles × tiles
	noiseFloor  = 400 // variance of the Laplacian that noise may explain: a deviation of 4.5, √(400/20)
	flatRun     = 16  // samples of one value in a row that no camera gives
)

// light is what the luma says about exposure.
type light struct {
	mean, spread              float64 // 0 to 255: mean and standard deviation
	darkPercent, whitePercent float64 // shares at or beyond the levels above
}

func lightOf(y plane) light {
	var count [256]int
	for r := range y.h {
		for _, v := range y.row(r) {
			count[v]++
		}
	}
	var sum, squares, dark, white int
	for v, n := range count {
		sum += v * n
		squares += v * v * n
		if v <= darkLevel {
			dark += n
		}
		if v >= brightLevel {
			white += n
		}
	}
	n := float64(y.w * y.h)
	mean := float64(sum) / n
	return light{
		mean:         mean,
		spread:       math.Sqrt(max(0, float64(squares)/n-mean*mean)),
		darkPercent:  100 * float64(dark) / n,
		whitePercent: 100 * float64(white) / n,
	}
}

// laplacian returns the population variance of the Laplacian (kernel 0 1 0 /
// 1 −4 1 / 0 1 0) over the samples of the w × h area at (x, y) that have all four
// neighbours; 0 when there is none. In units of the samples squared.
//
// Pech-Pacheco et al., "Diatom autofocusing in brightfield microscopy", 2000.
func laplacian(a plane, x, y, w, h int) float64 {
	x0, x1 := max(x, 1), min(x+w, a.w-1)
	y0, y1 := max(y, 1), min(y+h, a.h-1)
	if x0 >= x1 || y0 >= y1 {
		return 0
	}
	var sum, squares int64
	for r := y0; r < y1; r++ {
		up, mid, down := a.row(r-1), a.row(r), a.row(r+1)
		for c := x0; c < x1; c++ {
			v := int64(up[c]) + int64(down[c]) + int64(mid[c-1]) + int64(mid[c+1]) - 4*int64(mid[c])
			sum += v
			squares += v * v
		}
	}
	n := float64(x1-x0) * float64(y1-y0)
	mean := float64(sum) / n
	return max(0, float64(squares)/n-mean*mean)
}

// sharpness returns the variance of the Laplacian over the whole luma, and that
// of its sharpest tile less that of its plainest. A close picture has one sharp
// thing before a soft or plain background, so that the whole says little: the
// sharpest tile is judged. The plainest tile shows what sensor noise alone gives,
// which would make a blurred picture in poor light look sharp; at most noiseFloor
// is taken off, so that a picture that is sharp all over stays so.
func sharpness(y plane) (whole, sharpest float64) {
	whole = laplacian(y, 0, 0, y.w, y.h)
	least := math.Inf(1)
	for r := range tiles {
		for c := range tiles {
			x0, x1 := c*y.w/tiles, (c+1)*y.w/tiles
			y0, y1 := r*y.h/tiles, (r+1)*y.h/tiles
			v := laplacian(y, x0, y0, x1-x0, y1-y0)
			sharpest, least = max(sharpest, v), min(least, v)
		}
	}
	return whole, max(0, sharpest-min(least, noiseFloor))
}

// flatPercent is the share of samples that stand in a run of at least flatRun
// equal ones, over some 200 rows of the full picture. A sensor's noise keeps it
// low in a photograph; a screen has large areas of exactly one value.
func flatPercent(y plane) float64 {
	step := max(1, y.h/200)
	flat, all := 0, 0
	for r := step / 2; r < y.h; r += step {
		row := y.row(r)
		run := 1
		for c := 1; c <= len(row); c++ {
			if c < len(row) && row[c] == row[c-1] {
				run++
				continue
			}
			if run >= flatRun {
				flat += run
			}
			run = 1
		}
		all += len(row)
	}
	if all == 0 {
		return 0
	}
	return 100 * float64(flat) / float64(all)
}
