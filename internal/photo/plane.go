package photo

import (
	"image"
	"image/color"
	"image/draw"
)

// plane is one channel of eight-bit samples, rows top down.
type plane struct {
	w, h, stride int
	p            []byte
}

func newPlane(w, h int) plane { return plane{w, h, w, make([]byte, w*h)} }

func (a plane) row(y int) []byte { return a.p[y*a.stride : y*a.stride+a.w] }

// picture is luma and, unless grey, two colour planes (full-range BT.601, as JPEG
// has it). The colour planes may be smaller than the luma.
type picture struct{ y, cb, cr plane }

func (p picture) grey() bool { return p.cb.p == nil }

// planes returns img as a picture. The usual kinds share their samples with img;
// the others are laid on white and converted in strips.
func planes(img image.Image) picture {
	b := img.Bounds()
	switch m := img.(type) {
	case *image.YCbCr:
		cw, ch := chromaSize(b, m.SubsampleRatio)
		yo, co := m.YOffset(b.Min.X, b.Min.Y), m.COffset(b.Min.X, b.Min.Y)
		return picture{
			plane{b.Dx(), b.Dy(), m.YStride, m.Y[yo:]},
			plane{cw, ch, m.CStride, m.Cb[co:]},
			plane{cw, ch, m.CStride, m.Cr[co:]},
		}
	case *image.Gray:
		return picture{y: plane{b.Dx(), b.Dy(), m.Stride, m.Pix[m.PixOffset(b.Min.X, b.Min.Y):]}}
	}
	out := picture{newPlane(b.Dx(), b.Dy()), newPlane(b.Dx(), b.Dy()), newPlane(b.Dx(), b.Dy())}
	const rows = 64
	strip := image.NewRGBA(image.Rect(0, 0, b.Dx(), min(rows, b.Dy())))
	for y0 := 0; y0 < b.Dy(); y0 += rows {
		n := min(rows, b.Dy()-y0)
		r := image.Rect(0, 0, b.Dx(), n)
		draw.Draw(strip, r, image.White, image.Point{}, draw.Src)
		draw.Draw(strip, r, img, image.Pt(b.Min.X, b.Min.Y+y0), draw.Over)
		for y := range n {
			px := strip.Pix[y*strip.Stride:]
			o := (y0 + y) * out.y.stride
			for x := range b.Dx() {
				yy, cb, cr := color.RGBToYCbCr(px[4*x], px[4*x+1], px[4*x+2])
				out.y.p[o+x], out.cb.p[o+x], out.cr.p[o+x] = yy, cb, cr
			}
		}
	}
	return out
}

func chromaSize(b image.Rectangle, ratio image.YCbCrSubsampleRatio) (w, h int) {
	down := func(lo, hi, n int) int { return (hi+n-1)/n - lo/n }
	dx, dy := 1, 1
	switch ratio {
	case image.YCbCrSubsampleRatio422:
		dx = 2
	case image.YCbCrSubsampleRatio420:
		dx, dy = 2, 2
	case image.YCbCrSubsampleRatio440:
		dy = 2
	case image.YCbCrSubsampleRatio411:
		dx = 4
	case image.YCbCrSubsampleRatio410:
		dx, dy = 4, 2
	}
	return down(b.Min.X, b.Max.X, dx), down(b.Min.Y, b.Max.Y, dy)
}

// shrink averages src over areas to w × h samples (1 ≤ w ≤ src.w, 1 ≤ h ≤ src.h).
// Each source sample counts by the share of it that the area covers. The
// arithmetic is exact in integers, so that every machine gives the same bytes; it
// reads each source sample once, which no interpolation without aliasing avoids.
func shrink(src plane, w, h int) plane {
	dst := newPlane(w, h)
	if w == src.w && h == src.h {
		for y := range h {
			copy(dst.row(y), src.row(y))
		}
		return dst
	}
	// In units of 1/w of a source sample, target x covers [x·src.w, (x+1)·src.w).
	type span struct {
		from, to    int    // whole samples: from ≤ i < to
		first, last uint32 // weights of samples from−1 and to; 0 when not touched
	}
	spans := make([]span, w)
	for x := range spans {
		a, b := x*src.w, (x+1)*src.w
		s := span{from: (a + w - 1) / w, to: b / w}
		s.first = uint32(s.from*w - a)
		s.last = uint32(b - s.to*w)
		spans[x] = s
	}
	sums := make([]uint32, w)  // one source row, averaged across: at most 255·src.w
	total := make([]uint64, w) // the rows of one target row
	all := uint64(src.w) * uint64(src.h)
	sy, left := 0, uint64(h) // left: what is not used yet of source row sy, in 1/h
	across := func() {
		row := src.row(sy)
		for x := range spans {
			s := &spans[x]
			var whole uint32
			for _, v := range row[s.from:s.to] {
				whole += uint32(v)
			}
			whole *= uint32(w)
			if s.first > 0 {
				whole += s.first * uint32(row[s.from-1])
			}
			if s.last > 0 {
				whole += s.last * uint32(row[s.to])
			}
			sums[x] = whole
		}
	}
	across()
	for y := range h {
		clear(total)
		for need := uint64(src.h); need > 0; {
			take := min(need, left)
			for x, s := range sums {
				total[x] += take * uint64(s)
			}
			need -= take
			if left -= take; left == 0 && sy+1 < src.h {
				sy++
				left = uint64(h)
				across()
			}
		}
		row := dst.row(y)
		for x, t := range total {
			row[x] = byte((t + all/2) / all)
		}
	}
	return dst
}

// fit returns the size of a w × h picture whose longer side is at most side, and
// never larger than it was.
func fit(w, h, side int) (int, int) {
	long := max(w, h)
	if long <= side {
		return w, h
	}
	return max(1, (w*side+long/2)/long), max(1, (h*side+long/2)/long)
}

// view shrinks a picture to fit side, with colour at half the size (4:2:0).
func (p picture) view(side int) picture {
	w, h := fit(p.y.w, p.y.h, side)
	out := picture{y: shrink(p.y, w, h)}
	if !p.grey() {
		cw, ch := (w+1)/2, (h+1)/2
		out.cb, out.cr = squeeze(p.cb, cw, ch), squeeze(p.cr, cw, ch)
	}
	return out
}

// squeeze is shrink for a plane that may be smaller than w × h already, as the
// colour of a picture that was not reduced; it then repeats samples.
func squeeze(src plane, w, h int) plane {
	if w <= src.w && h <= src.h {
		return shrink(src, w, h)
	}
	dst := newPlane(w, h)
	for y := range h {
		from := src.row(y * src.h / h)
		row := dst.row(y)
		for x := range row {
			row[x] = from[x*src.w/w]
		}
	}
	return dst
}

// turn applies an Exif orientation (1 to 8; anything else is 1) so that the
// result is upright: Exif 2.32, tag 274.
func (a plane) turn(orientation int) plane {
	if orientation < 2 || orientation > 8 {
		return a
	}
	w, h := a.w, a.h
	if orientation >= 5 {
		w, h = h, w
	}
	out := newPlane(w, h)
	for y := range a.h {
		src := a.row(y)
		// where the row's first sample goes, and the step from one to the next
		var at, step int
		switch orientation {
		case 2: // mirrored left to right
			at, step = y*w+a.w-1, -1
		case 3: // upside down
			at, step = (a.h-1-y)*w+a.w-1, -1
		case 4: // mirrored top to bottom
			at, step = (a.h-1-y)*w, 1
		case 5: // mirrored along the falling diagonal
			at, step = y, w
		case 6: // needs a quarter turn clockwise
			at, step = a.h-1-y, w
		case 7: // mirrored along the rising diagonal
			at, step = (a.w-1)*w+a.h-1-y, -w
		case 8: // needs a quarter turn anticlockwise
			at, step = (a.w-1)*w+y, -w
		}
		for _, v := range src {
			out.p[at] = v
			at += step
		}
	}
	return out
}

func (p picture) turn(orientation int) picture {
	out := picture{y: p.y.turn(orientation)}
	if !p.grey() {
		out.cb, out.cr = p.cb.turn(orientation), p.cr.turn(orientation)
	}
	return out
}

// image returns the picture for the encoder. Colour must be at half the size.
func (p picture) image() image.Image {
	r := image.Rect(0, 0, p.y.w, p.y.h)
	if p.grey() {
		return &image.Gray{Pix: p.y.p, Stride: p.y.stride, Rect: r}
	}
	return &image.YCbCr{
		Y: p.y.p, Cb: p.cb.p, Cr: p.cr.p, YStride: p.y.stride, CStride: p.cb.stride,
		SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: r,
	}
}
