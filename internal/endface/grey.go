package endface

import (
	"image"
	"math"

	"witnessmark/internal/errs"
)

// plane is a grey picture, row by row, 0 black to 1 full scale.
type plane struct {
	w, h int
	pix  []float32
}

func newPlane(w, h int) plane { return plane{w, h, make([]float32, w*h)} }

// at interpolates between the four pixels around (x, y), where pixel (0, 0) has
// its centre at (0, 0). Outside the picture the nearest pixel counts.
func (p plane) at(x, y float64) float32 {
	x = min(max(x, 0), float64(p.w-1))
	y = min(max(y, 0), float64(p.h-1))
	i, j := int(x), int(y)
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	o := j*p.w + i
	r, d := 1, p.w
	if i == p.w-1 {
		r = 0
	}
	if j == p.h-1 {
		d = 0
	}
	return (p.pix[o]*(1-fx)+p.pix[o+r]*fx)*(1-fy) + (p.pix[o+d]*(1-fx)+p.pix[o+d+r]*fx)*fy
}

// source reads the luminance of a picture without copying the whole of it.
type source struct {
	img  image.Image
	w, h int
}

func newSource(img image.Image) (source, error) {
	if img == nil {
		return source{}, errs.Field("IMAGE_MISSING", "image", "there is no picture")
	}
	b := img.Bounds()
	if b.Max.X <= b.Min.X || b.Max.Y <= b.Min.Y {
		return source{}, errs.Field("IMAGE_EMPTY", "image", "the picture has no pixels")
	}
	w, h := b.Max.X-b.Min.X, b.Max.Y-b.Min.Y
	// A side that overflows is negative.
	if w <= 0 || h <= 0 || w > MaxPixels || h > MaxPixels/w {
		return source{}, errs.Newf(errs.TooLarge, "IMAGE_TOO_LARGE",
			"image: the picture has more than %d megapixels; send a smaller one", MaxPixels/1_000_000)
	}
	return source{img, w, h}, nil
}

// row writes the luminance of pixels x0 … x0+len(dst)-1 of row y, 0 to 1, with
// the weights of ITU-R BT.601.
func (s source) row(x0, y int, dst []float32) {
	b := s.img.Bounds()
	X, Y := b.Min.X+x0, b.Min.Y+y
	switch m := s.img.(type) {
	case *image.Gray:
		p := m.Pix[m.PixOffset(X, Y):]
		for i := range dst {
			dst[i] = float32(p[i]) * (1. / 255)
		}
	case *image.Gray16:
		p := m.Pix[m.PixOffset(X, Y):]
		for i := range dst {
			dst[i] = float32(uint32(p[2*i])<<8|uint32(p[2*i+1])) * (1. / 65535)
		}
	case *image.YCbCr:
		p := m.Y[m.YOffset(X, Y):]
		for i := range dst {
			dst[i] = float32(p[i]) * (1. / 255)
		}
	case *image.RGBA:
		rgba8(m.Pix[m.PixOffset(X, Y):], dst)
	case *image.NRGBA:
		p := m.Pix[m.PixOffset(X, Y):]
		for i := range dst {
			q := p[4*i : 4*i+4]
			dst[i] = (0.299*float32(q[0]) + 0.587*float32(q[1]) + 0.114*float32(q[2])) * float32(q[3]) * (1. / 65025)
		}
	default:
		for i := range dst {
			r, g, bl, _ := m.At(X+i, Y).RGBA()
			dst[i] = (0.299*float32(r) + 0.587*float32(g) + 0.114*float32(bl)) * (1. / 65535)
		}
	}
}

func rgba8(p []uint8, dst []float32) {
	for i := range dst {
		q := p[4*i : 4*i+4]
		dst[i] = (0.299*float32(q[0]) + 0.587*float32(q[1]) + 0.114*float32(q[2])) * (1. / 255)
	}
}

// window reads the part of the picture that begins at (x0, y0), w by h source
// pixels, as the means of k by k blocks. What does not fill a block at the far
// edges is left out.
func (s source) window(x0, y0, w, h, k int) plane {
	out := newPlane(w/k, h/k)
	if k == 1 {
		for y := range out.h {
			s.row(x0, y0+y, out.pix[y*out.w:(y+1)*out.w])
		}
		return out
	}
	buf := make([]float32, out.w*k)
	inv := 1 / float32(k*k)
	for y := range out.h {
		o := out.pix[y*out.w : (y+1)*out.w]
		for j := range k {
			s.row(x0, y0+y*k+j, buf)
			for x := range o {
				var v float32
				for _, b := range buf[x*k : x*k+k] {
					v += b
				}
				o[x] += v * inv
			}
		}
	}
	return out
}

// smooth returns p convolved with a Gaussian of standard deviation sd pixels.
func (p plane) smooth(sd float64) plane {
	n := max(1, int(math.Ceil(3*sd)))
	k := make([]float32, n+1)
	var sum float64
	for i := range k {
		e := math.Exp(-float64(i*i) / (2 * sd * sd))
		k[i] = float32(e)
		sum += e
		if i > 0 {
			sum += e
		}
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	// Down the columns first, whole rows at a time, then along each row.
	out := newPlane(p.w, p.h)
	col := make([]float32, p.w+2*n)
	for y := range p.h {
		c := col[n : n+p.w]
		mid := p.pix[y*p.w : (y+1)*p.w]
		for x, v := range mid {
			c[x] = v * k[0]
		}
		for i := 1; i <= n; i++ {
			a := p.pix[max(y-i, 0)*p.w:]
			b := p.pix[min(y+i, p.h-1)*p.w:]
			a, b = a[:len(c)], b[:len(c)]
			f := k[i]
			for x := range c {
				c[x] += f * (a[x] + b[x])
			}
		}
		for i := range n {
			col[i], col[n+p.w+i] = c[0], c[p.w-1]
		}
		o := out.pix[y*p.w : (y+1)*p.w]
		for x := range o {
			o[x] = k[0] * c[x]
		}
		for i := 1; i <= n; i++ {
			a, b := col[n-i:], col[n+i:]
			a, b = a[:len(o)], b[:len(o)]
			f := k[i]
			for x := range o {
				o[x] += f * (a[x] + b[x])
			}
		}
	}
	return out
}
