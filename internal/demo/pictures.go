package demo

import (
	"bytes"
	"fmt"
	"hash/fnv"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"time"

	"witnessmark/internal/endface/render"
	"witnessmark/internal/fibre"
	"witnessmark/internal/photo/testpicture"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// The size of the drawn photos: enough to be judged, small enough to be quick.
const photoWidth, photoHeight = 1600, 1200

// lens draws photos of one site on one day.
type lens struct {
	family uint64
	zone   *time.Location
	place  *recordv1.Position
	now    func() time.Time
}

func number(parts ...any) uint64 {
	h := fnv.New64a()
	fmt.Fprint(h, parts...)
	return h.Sum64()
}

// options are those of a good photo of a subject.
func (l lens) options(step, subject string, n int) testpicture.Options {
	at := l.now().In(l.zone)
	return testpicture.Options{
		Family: l.family, Seed: number(step, "|", subject, "|", n), Width: photoWidth, Height: photoHeight, Quality: 85,
		Exif: &testpicture.Exif{Taken: at, Offset: at.Format("-07:00"), SubSeconds: at.Format("000"), Positioned: true,
			Latitude: l.place.GetLatitude() + 0.00003, Longitude: l.place.GetLongitude() - 0.00002, AccuracyMeters: 6, Make: "Invented", Model: "Phone 1", Orientation: 1},
	}
}

// picture is a good photo.
func (l lens) picture(s Step, subject *recordv1.PhotoStep_Subject, n int) []byte {
	if subject.GetEndFace() || s.Line.GetMedium() == recordv1.Plan_Line_FIBRE && (subject.GetId() == "before" || subject.GetId() == "after") {
		seed := number(s.View.GetId(), subject.GetId())
		var marks []render.Mark
		if subject.GetId() == "before" { // as it came out of the cap
			marks = dirt(seed)
		}
		return endFace(seed, marks, subject.GetEndFace())
	}
	return testpicture.JPEG(l.options(s.View.GetId(), subject.GetId(), n))
}

// endFace draws a microscope picture of a clean end face with the marks given: a
// frame of the microscope's own size, or one as large as a photo is wanted.
func endFace(seed uint64, marks []render.Mark, own bool) []byte {
	f := render.Random(seed, render.Clean, fibre.Ruleset{}, false) // clean faces do not depend on a rule set
	// One microscope, one setting: the fibre in the middle of a frame of its own size.
	f.Width, f.Height, f.PixelsPerMicrometer, f.Dark = 900, 720, 2.4, false
	f.AxisX, f.AxisY, f.TiltDegrees, f.Blur, f.LensDust = 452, 358, 1.5, 0.8, nil
	f.CladdingLevel, f.FerruleLevel, f.RingLevel, f.CoreLevel, f.Noise = 0.5, 0.62, 0.15, 0.54, 0.008
	if !own {
		const larger = 2
		f.Width, f.Height, f.PixelsPerMicrometer = f.Width*larger, f.Height*larger, f.PixelsPerMicrometer*larger
		f.AxisX, f.AxisY = f.AxisX*larger, f.AxisY*larger
	}
	f.Marks = marks
	picture, _ := f.Draw()
	return encode(picture)
}

func encode(m image.Image) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		panic(err) // a drawn picture into memory: cannot fail
	}
	return b.Bytes()
}

// dirt are specks and films beside the core, which a cleaning takes away.
func dirt(seed uint64) []render.Mark {
	r := rand.New(rand.NewPCG(seed, 1))
	var out []render.Mark
	for range 8 {
		at, turn := 25+80*r.Float64(), 2*math.Pi*r.Float64()
		out = append(out, render.Mark{Kind: fibre.Defect, X: at * math.Cos(turn), Y: at * math.Sin(turn), Size: 10 + 30*r.Float64(), Contrast: -0.7 + 0.3*r.Float64()})
	}
	return out
}

// scratched are the marks of an end face that no rule set lets through: a wide
// scratch across the core and a chip beside it.
var scratched = []render.Mark{
	{Kind: fibre.Scratch, X: 1, Y: -1, Size: 4, Contrast: -0.6, Length: 90, Direction: 0.5},
	{Kind: fibre.Defect, X: 14, Y: 9, Size: 12, Contrast: -0.7},
}
