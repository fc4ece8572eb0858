package photo

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"math"

	"witnessmark/internal/errs"
)

const (
	viewQuality   = 80
	redactQuality = 90
)

// Views makes the derived views again from the original bytes. They are nil when
// the photo cannot be examined. The errors are those of Examine.
func Views(ctx context.Context, photo []byte) ([]View, error) {
	m, large, err := reduce(ctx, photo)
	if err != nil || m.Outcome != Examined {
		return nil, err
	}
	return large.views(ctx)
}

func (p picture) views(ctx context.Context) ([]View, error) {
	out := make([]View, 0, 2)
	for _, side := range []int{LargeSide, SmallSide} {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("derive views: %w", err)
		}
		v := p
		if w, h := fit(p.y.w, p.y.h, side); w != p.y.w || h != p.y.h {
			v = p.view(side)
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, v.image(), &jpeg.Options{Quality: viewQuality}); err != nil {
			return nil, fmt.Errorf("encode view: %w", err)
		}
		out = append(out, View{Side: side, Width: v.y.w, Height: v.y.h, JPEG: b.Bytes()})
	}
	return out, nil
}

// Region is a rectangle of the upright picture in shares of its width and
// height, 0 to 1, so that it can be drawn on any view.
type Region struct {
	Left, Top, Width, Height float64
}

// maxRegions bounds one redaction.
const maxRegions = 100

// Redact returns a derived copy of a photo with the regions filled in one grey:
// a JPEG of the full size, upright, without metadata. The original stays as it
// is; whoever keeps the copy names its parent. Each region is widened to whole
// blocks of 16 pixels, so that no compressed block mixes hidden and shown.
//
// Errors: Invalid, reasons REGIONS_MISSING, REGION_OUT_OF_RANGE (a region must
// lie inside the picture) and PHOTO_NOT_READABLE; those of Examine. The peak of
// memory is MemoryNeed plus 3 bytes for each pixel.
func Redact(ctx context.Context, photo []byte, regions []Region) ([]byte, error) {
	if len(regions) == 0 || len(regions) > maxRegions {
		return nil, errs.Field("REGIONS_MISSING", "regions", "name 1 to 100 regions to fill")
	}
	for i, r := range regions {
		const slack = 1e-9
		for _, v := range []float64{r.Left, r.Top, r.Width, r.Height} {
			if math.IsNaN(v) || v < 0 || v > 1 {
				return nil, errs.Field("REGION_OUT_OF_RANGE", fmt.Sprintf("regions[%d]", i), "shares lie from 0 to 1")
			}
		}
		if r.Width == 0 || r.Height == 0 || r.Left+r.Width > 1+slack || r.Top+r.Height > 1+slack {
			return nil, errs.Field("REGION_OUT_OF_RANGE", fmt.Sprintf("regions[%d]", i), "a region has a size and lies inside the picture")
		}
	}
	img, m, err := open(ctx, photo)
	if err != nil {
		return nil, err
	}
	if m.Outcome != Examined {
		return nil, errs.New(errs.Invalid, string(NotReadable), "only a picture that can be examined can be redacted: "+Sentence(m.Reason, m.Parameters))
	}
	full := planes(img)
	// A copy at its own size: the decoder's samples are not written to.
	p := full.view(max(full.y.w, full.y.h)).turn(m.Exif.Orientation)
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("redact photo: %w", err)
	}
	for _, r := range regions {
		const block = 16
		x0 := int(r.Left*float64(p.y.w)) / block * block
		y0 := int(r.Top*float64(p.y.h)) / block * block
		x1 := min(p.y.w, (int(math.Ceil((r.Left+r.Width)*float64(p.y.w)))+block-1)/block*block)
		y1 := min(p.y.h, (int(math.Ceil((r.Top+r.Height)*float64(p.y.h)))+block-1)/block*block)
		p.y.fill(image.Rect(x0, y0, x1, y1), 96)
		if !p.grey() {
			half := image.Rect(x0/2, y0/2, (x1+1)/2, (y1+1)/2)
			p.cb.fill(half, 128)
			p.cr.fill(half, 128)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p.image(), &jpeg.Options{Quality: redactQuality}); err != nil {
		return nil, fmt.Errorf("encode redacted copy: %w", err)
	}
	return b.Bytes(), nil
}

func (a plane) fill(r image.Rectangle, v byte) {
	r = r.Intersect(image.Rect(0, 0, a.w, a.h))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := a.row(y)[r.Min.X:r.Max.X]
		for x := range row {
			row[x] = v
		}
	}
}
