package endface

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"strings"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"

	"witnessmark/internal/fibre"
)

// OverlaySide is the longest side of an overlay, pixels; larger pictures are drawn smaller.
const OverlaySide = 1600

// Overlay draws the zones and marks over a grey copy of the picture. Zones are
// rings with their letter, solid for a pass, dashed for a fail; a scratch is a
// line between two bars with the word SCRATCH, a defect a circle with the word
// DEFECT: nothing is said by colour alone. The verdict stands in words at the
// bottom. A missing, empty or too large picture gives a picture of one line that
// says so. An unreadable one is drawn black.
func Overlay(img image.Image, r Result) image.Image {
	src, err := newSource(img)
	if err != nil {
		return notice("NO PICTURE")
	}
	k := max(1, (max(src.w, src.h)+OverlaySide-1)/OverlaySide)
	w, h := max(1, src.w/k), max(1, src.h/k)
	const foot = 34
	out := image.NewRGBA(image.Rect(0, 0, max(w, 320), h+foot))
	draw.Draw(out, out.Bounds(), image.Black, image.Point{}, draw.Src)
	paintGrey(out, src, w, h, k)
	c := canvas{out, float64(k)}
	if r.Found {
		c.zones(r)
		for i, m := range r.Marks {
			if i == 60 { // more words than a person can read
				break
			}
			c.mark(m, r.PixelsPerMicrometer)
		}
	}
	line := "VERDICT: " + upper(r.Verdict)
	if r.Verdict == "" {
		line = "NOT ANALYSED"
	}
	if r.Why != "" {
		line += " - " + r.Why
	}
	c.words(line, 6, h+14, white)
	c.words("AN AID: A PERSON CONFIRMS", 6, h+28, white)
	return out
}

var (
	white  = color.RGBA{255, 255, 255, 255}
	black  = color.RGBA{0, 0, 0, 255}
	yellow = color.RGBA{255, 220, 60, 255}
	sky    = color.RGBA{110, 200, 255, 255}
)

func upper(v Verdict) string {
	b := []byte(v)
	for i, c := range b {
		if 'a' <= c && c <= 'z' {
			b[i] = c - 32
		}
	}
	return string(b)
}

func notice(s string) image.Image {
	out := image.NewRGBA(image.Rect(0, 0, 320, 34))
	draw.Draw(out, out.Bounds(), image.Black, image.Point{}, draw.Src)
	canvas{out, 1}.words(s, 6, 20, white)
	return out
}

// paintGrey copies the picture's luminance. Reading pixels that are not there
// panics; the picture then stays black, as Analyze has already refused it.
func paintGrey(out *image.RGBA, src source, w, h, k int) {
	defer func() { _ = recover() }()
	p := src.window(0, 0, w*k, h*k, k)
	grey := image.NewGray(image.Rect(0, 0, p.w, p.h))
	for i, v := range p.pix {
		grey.Pix[i] = uint8(min(255, max(0, v*255+0.5)))
	}
	xdraw.Copy(out, image.Point{}, grey, grey.Bounds(), xdraw.Src, nil)
}

type canvas struct {
	img *image.RGBA
	k   float64 // picture pixels per canvas pixel
}

func (c canvas) dot(x, y float64, col color.RGBA) {
	px, py := int(math.Floor(x)), int(math.Floor(y))
	if (image.Point{px, py}).In(c.img.Rect) {
		c.img.SetRGBA(px, py, col)
	}
}

func (c canvas) line(a, b Point, col color.RGBA) {
	n := min(int(math.Hypot(b.X-a.X, b.Y-a.Y)*1.5)+1, 20_000)
	for i := 0; i <= n; i++ {
		t := float64(i) / float64(n)
		c.dot(a.X+(b.X-a.X)*t, a.Y+(b.Y-a.Y)*t, col)
	}
}

// words writes text on a black ground, so that it reads on any picture.
func (c canvas) words(s string, x, y int, col color.RGBA) {
	s = strings.ReplaceAll(s, "µ", "u") // the fixed face has ASCII only
	x = max(2, min(x, c.img.Rect.Max.X-7*len(s)-2))
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(col), Face: basicfont.Face7x13, Dot: fixed.P(x, y)}
	wide := d.MeasureString(s).Ceil()
	draw.Draw(c.img, image.Rect(x-2, y-11, x+wide+2, y+3).Intersect(c.img.Rect), image.NewUniform(black), image.Point{}, draw.Src)
	d.DrawString(s)
}

func (c canvas) zones(r Result) {
	long, short := r.HalfLong, r.HalfShort
	sn, cs := math.Sincos(r.Direction)
	for i, z := range r.Zones {
		f := float64(z.OuterMicrometers) / claddingRadius
		n := 1440
		for a := range n {
			if z.Verdict != Pass && a/24%2 == 1 { // dashed
				continue
			}
			st, ct := math.Sincos(2 * math.Pi * float64(a) / float64(n))
			u, v := ct*long*f, st*short*f
			c.dot((r.Axis.X+u*cs-v*sn)/c.k, (r.Axis.Y+u*sn+v*cs)/c.k, sky)
		}
		// Letters step round so that they do not cover one another.
		th := -math.Pi/2 + float64(i)*0.5
		x, y := (r.Axis.X+math.Cos(th)*long*f)/c.k, (r.Axis.Y+math.Sin(th)*long*f)/c.k
		c.words(fmt.Sprintf("%s %s", z.Name, upper(z.Verdict)), int(x)-8, int(y)+4, sky)
	}
}

func (c canvas) mark(m Mark, perMicro float64) {
	if len(m.Outline) == 0 {
		return
	}
	half := float64(m.Feature.Size) / 2 * perMicro / c.k
	word := "DEFECT"
	at := Point{}
	if m.Feature.Kind == fibre.Scratch {
		word = "SCRATCH"
		p := make([]Point, len(m.Outline))
		for i, q := range m.Outline {
			p[i] = Point{q.X / c.k, q.Y / c.k}
		}
		for i := 1; i < len(p); i++ {
			c.line(p[i-1], p[i], yellow)
		}
		a, b := p[0], p[len(p)-1]
		l := math.Hypot(b.X-a.X, b.Y-a.Y)
		if l > 0 {
			nx, ny := -(b.Y-a.Y)/l*(half+5), (b.X-a.X)/l*(half+5)
			for _, e := range []Point{a, b} {
				c.line(Point{e.X - nx, e.Y - ny}, Point{e.X + nx, e.Y + ny}, yellow)
			}
		}
		at = p[len(p)/2]
	} else {
		for _, q := range m.Outline {
			at.X += q.X / c.k / float64(len(m.Outline))
			at.Y += q.Y / c.k / float64(len(m.Outline))
		}
		rad := max(half, 2) + 2
		for a := range 360 {
			s, cs := math.Sincos(float64(a) * math.Pi / 180)
			c.dot(at.X+rad*cs, at.Y+rad*s, yellow)
		}
	}
	c.words(fmt.Sprintf("%s %.1f um %s", word, float64(m.Feature.Size), m.Zone), int(at.X+half)+6, int(at.Y)+4, yellow)
}
