// Package photo examines a photo: what its bytes are, what it shows of light and
// sharpness, what it says about time and place, and whether it was seen before.
// The answer is findings for people. None of them refuses a photo.
//
// The package has no I/O, no clock and no memory of other photos: the same bytes,
// facts and thresholds give the same answer. Strangers send the bytes, so that
// bounds are checked before anything is decoded.
package photo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"

	"golang.org/x/image/webp"

	"witnessmark/internal/errs"
)

// RulesVersion names the rules that made an examination. It changes with every
// change of a measure, a default or a bound, so that an old examination is known
// for what it is and can be made again.
const RulesVersion = "photo-1"

// Outcome says how far the examination came.
type Outcome string

const (
	// Examined: decoded and measured. Only this completes a photo step.
	Examined Outcome = "examined"
	// Kept: sound as far as can be told, kept, not examined.
	Kept Outcome = "kept, not examined"
	// Unreadable: no picture. The step stays open.
	Unreadable Outcome = "not readable as a picture"
)

// Measurement is everything that the bytes alone say.
type Measurement struct {
	Outcome Outcome
	// Reason is set unless Examined: the message id of the finding, and its
	// parameters.
	Reason     string
	Parameters map[string]string

	Header Header
	Exif   Exif

	// The following are set when Examined.

	// Sharpness is the variance of the Laplacian in the sharpest of 16 tiles of
	// the 1280 px luma, SharpnessWhole over all of it.
	Sharpness, SharpnessWhole float64
	// MeanLuma and Spread are mean and standard deviation of the luma, 0 to 255.
	MeanLuma, Spread float64
	// DarkPercent and BrightPercent are the shares at 5 or less, 250 or more.
	DarkPercent, BrightPercent float64
	// FlatPercent is the share in exactly even runs.
	FlatPercent float64
	Look        Look
}

// View is a derived picture: a JPEG, upright, without any metadata.
type View struct {
	Side          int // the longest side asked for: LargeSide or SmallSide
	Width, Height int
	JPEG          []byte
}

// Examination is the answer about one photo.
type Examination struct {
	RulesVersion string
	Measurement  Measurement
	Findings     []Finding
	Views        []View // large, small; none unless examined
}

// Examine measures a photo, looks for its twins and judges it against what the
// entry and the server know. It decodes the picture once.
//
// The error is Invalid for facts or thresholds that cannot be (reasons
// FACT_OUT_OF_RANGE, THRESHOLD_OUT_OF_RANGE, THRESHOLD_WITHOUT_SOURCE), TooLarge
// with reason PHOTO_TOO_LARGE over MaxBytes, or the context's. Whatever is wrong
// with the picture itself is a finding.
func Examine(ctx context.Context, photo []byte, facts Facts, thresholds Thresholds) (Examination, error) {
	if err := errors.Join(facts.check(), thresholds.check()); err != nil {
		return Examination{}, err
	}
	m, views, err := Measure(ctx, photo)
	if err != nil {
		return Examination{}, err
	}
	var twins []Match
	if facts.Others != nil && m.comparable(thresholds) {
		twins = facts.Others.Near(m.Look, int(thresholds.TwinCoarse.Value), int(thresholds.TwinFine.Value))
	}
	findings, err := Judge(m, facts, twins, thresholds)
	if err != nil {
		return Examination{}, err
	}
	return Examination{RulesVersion: RulesVersion, Measurement: m, Findings: findings, Views: views}, nil
}

// comparable says whether the fingerprint means anything: all blank pictures
// have the same one.
func (m Measurement) comparable(t Thresholds) bool {
	return m.Outcome == Examined && m.Spread >= t.Spread.Value
}

// Comparable says whether the photo's fingerprint means anything and belongs
// into a TwinIndex: blank pictures all have the same one.
func (m Measurement) Comparable() bool { return m.comparable(DefaultThresholds(Other)) }

// Measure reads, decodes and measures a photo. Views are nil unless the outcome
// is Examined. The errors are those of Examine about size and context.
func Measure(ctx context.Context, photo []byte) (Measurement, []View, error) {
	m, large, err := reduce(ctx, photo)
	if err != nil || m.Outcome != Examined {
		return m, nil, err
	}
	views, err := large.views(ctx)
	if err != nil {
		return Measurement{}, nil, err
	}
	l := lightOf(large.y)
	m.MeanLuma, m.Spread, m.DarkPercent, m.BrightPercent = l.mean, l.spread, l.darkPercent, l.whitePercent
	m.SharpnessWhole, m.Sharpness = sharpness(large.y)
	if err := ctx.Err(); err != nil {
		return Measurement{}, nil, fmt.Errorf("examine photo: %w", err)
	}
	m.Look = lookOf(large.y)
	return m, views, nil
}

// reduce does all that needs the whole picture and returns its large view,
// upright; the full picture can go.
func reduce(ctx context.Context, photo []byte) (m Measurement, large picture, err error) {
	img, m, err := open(ctx, photo)
	if err != nil || m.Outcome != Examined {
		return m, picture{}, err
	}
	full := planes(img)
	m.FlatPercent = flatPercent(full.y)
	if err := ctx.Err(); err != nil {
		return m, picture{}, fmt.Errorf("examine photo: %w", err)
	}
	return m, full.view(LargeSide).turn(m.Exif.Orientation), nil
}

// open checks the bounds and decodes. m.Outcome is Examined when img is there.
func open(ctx context.Context, photo []byte) (img image.Image, m Measurement, err error) {
	if len(photo) > MaxBytes {
		return nil, m, errs.New(errs.TooLarge, "PHOTO_TOO_LARGE",
			"photo: at most 32 MiB are taken", "max", fmt.Sprint(MaxBytes), "bytes", fmt.Sprint(len(photo)))
	}
	if err := ctx.Err(); err != nil {
		return nil, m, fmt.Errorf("examine photo: %w", err)
	}
	m.Header = ReadHeader(photo)
	h := &m.Header
	var w, ht int
	if perr := guard(func() error {
		m.Exif, w, ht = readExif(photo, *h)
		return nil
	}); perr != nil {
		m.Exif = Exif{Orientation: 1}
	}
	if h.Format == HEIF && w > 0 && ht > 0 {
		h.Width, h.Height = w, ht
	}
	stop := func(o Outcome, reason string, kv ...string) (image.Image, Measurement, error) {
		f := say("", "", reason, kv...)
		m.Outcome, m.Reason, m.Parameters = o, reason, f.Parameters
		return nil, m, nil
	}
	mega := decimal(float64(h.Pixels())/1e6, 1)
	most := MaxExaminedOther
	if h.Format == JPEG && !h.Progressive {
		most = MaxExaminedBaseline
	}
	switch {
	case len(photo) == 0:
		return stop(Unreadable, "photo.not_readable.empty")
	case h.Format == Unknown:
		return stop(Unreadable, "photo.not_readable.unknown", "kind", h.LooksLike)
	case h.Pixels() > MaxPixels:
		return stop(Unreadable, "photo.over_bounds.pixels", "megapixels", mega, "most", decimal(MaxPixels/1e6, 0))
	case h.Format == HEIF:
		return stop(Kept, "photo.not_examined.heif")
	case h.Pixels() == 0 && !h.Ended:
		return stop(Unreadable, "photo.not_readable.cut")
	case h.Pixels() == 0:
		return stop(Unreadable, "photo.not_readable.damaged")
	case h.unsupported != "":
		return stop(Kept, "photo.not_examined.kind", "kind", h.unsupported)
	case h.Pixels() > int64(most):
		kind := string(h.Format)
		if h.Format == JPEG && h.Progressive {
			kind = "progressive JPEG"
		}
		return stop(Kept, "photo.not_examined.pixels", "megapixels", mega, "kind", kind, "most", decimal(float64(most)/1e6, 0))
	case h.MemoryNeed(len(photo)) > MaxMemory:
		return stop(Kept, "photo.not_examined.memory",
			"megabytes", decimal(float64(h.MemoryNeed(len(photo)))/1e6, 0), "most", decimal(MaxMemory/1e6, 0))
	case h.Scans > maxScans:
		return stop(Kept, "photo.not_examined.scans", "scans", fmt.Sprint(h.Scans), "most", fmt.Sprint(maxScans))
	}
	err = guard(func() (err error) {
		img, err = decode(ctx, photo, h.Format)
		return err
	})
	if cerr := ctx.Err(); cerr != nil {
		return nil, m, fmt.Errorf("examine photo: %w", cerr)
	}
	var ju jpeg.UnsupportedError
	var pu png.UnsupportedError
	switch {
	case err == nil && !h.Ended:
		// The decoder makes do with less than all scans; what is missing may be
		// what the picture was taken for.
		return stop(Unreadable, "photo.not_readable.cut")
	case err == nil && img.Bounds().Dx() == h.Width && img.Bounds().Dy() == h.Height:
		m.Outcome = Examined
		return img, m, nil
	case errors.As(err, &ju), errors.As(err, &pu):
		return stop(Kept, "photo.not_examined.kind", "kind", "a rare kind of "+string(h.Format))
	case !h.Ended:
		return stop(Unreadable, "photo.not_readable.cut")
	default:
		return stop(Unreadable, "photo.not_readable.damaged")
	}
}

// guard turns a panic of a decoder into an error: strangers send the bytes, and
// one bad photo must not end the program. Tests call the decoders without it.
func guard(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("decoder: %v", r)
		}
	}()
	return f()
}

// decode decodes a picture whose header was found within bounds. It ends soon
// after the context does: the decoders read as they go.
func decode(ctx context.Context, photo []byte, format Format) (image.Image, error) {
	r := &contextReader{ctx, bytes.NewReader(photo)}
	switch format {
	case JPEG:
		return jpeg.Decode(r)
	case PNG:
		return png.Decode(r)
	case WebP:
		return webp.Decode(r)
	}
	return nil, image.ErrFormat
}

type contextReader struct {
	ctx context.Context //nolint:containedctx // lives for one decode
	r   io.Reader
}

func (r *contextReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	// Small steps, so that the end of the context is seen soon.
	return r.r.Read(p[:min(len(p), 64<<10)])
}
