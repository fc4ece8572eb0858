package photo

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"witnessmark/internal/photo/testpicture"
)

var update = flag.Bool("update", false, "write README.md")

// copies are what people do to a picture before they use it twice.
var copies = []struct {
	name  string
	least float64 // share that must be found with the default limits
	make  func(*image.YCbCr) image.Image
}{
	{"saved again at quality 30", 0.99, func(m *image.YCbCr) image.Image { return saved(m, 30) }},
	{"half the size", 0.99, func(m *image.YCbCr) image.Image { return planes(m).view(240).image() }},
	{"a quarter of the size, quality 40", 0.99, func(m *image.YCbCr) image.Image { return saved(planes(m).view(120).image(), 40) }},
	{"brighter by 25 of 255", 0.99, func(m *image.YCbCr) image.Image { return relit(m, 1, 25) }},
	{"darker by 30 %", 0.99, func(m *image.YCbCr) image.Image { return relit(m, 0.7, 0) }},
	{"more contrast, 30 %", 0.99, func(m *image.YCbCr) image.Image { return relit(m, 1.3, 0) }},
	{"turned by a quarter", 0.99, func(m *image.YCbCr) image.Image { return planes(m).turn(6).image() }},
	{"mirrored", 0.99, func(m *image.YCbCr) image.Image { return planes(m).turn(2).image() }},
	{"1 % cut off each side", 0.99, func(m *image.YCbCr) image.Image { return cut(m, 0.01) }},
	{"2 % cut off each side", 0.9, func(m *image.YCbCr) image.Image { return cut(m, 0.02) }},
	{"2 % cut off, half the size, brighter, quality 50", 0.85, func(m *image.YCbCr) image.Image {
		return saved(planes(cut(relit(m, 1.1, 10), 0.02)).view(240).image(), 50)
	}},
	{"3 % cut off each side", 0.9, func(m *image.YCbCr) image.Image { return cut(m, 0.03) }},
	{"5 % cut off each side", 0.9, func(m *image.YCbCr) image.Image { return cut(m, 0.05) }},
	{"4 % cut off, mirrored, quality 50", 0.9, func(m *image.YCbCr) image.Image { return saved(planes(cut(m, 0.04)).view(400).turn(2).image(), 50) }},
	{"6 % cut off the left", 0, func(m *image.YCbCr) image.Image {
		return m.SubImage(image.Rect(m.Bounds().Dx()*6/100, 0, m.Bounds().Dx(), m.Bounds().Dy()))
	}},
	{"8 % cut off each side", 0, func(m *image.YCbCr) image.Image { return cut(m, 0.08) }},
}

func saved(m image.Image, quality int) image.Image {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		panic(err)
	}
	out, err := jpeg.Decode(&b)
	if err != nil {
		panic(err)
	}
	return out
}

func relit(m *image.YCbCr, gain, add float64) *image.YCbCr {
	out := *m
	out.Y = make([]byte, len(m.Y))
	for i, v := range m.Y {
		out.Y[i] = byte(min(255, max(0, math.Round(float64(v)*gain+add))))
	}
	return &out
}

func cut(m *image.YCbCr, share float64) image.Image {
	b := m.Bounds()
	dx, dy := int(share*float64(b.Dx())), int(share*float64(b.Dy()))
	return m.SubImage(image.Rect(b.Min.X+dx, b.Min.Y+dy, b.Max.X-dx, b.Max.Y-dy))
}

func look(img image.Image) Look { return lookOf(planes(img).view(LargeSide).y) }

// gallery is a set of look-alike pictures: families of one site each, with
// connectors that differ by how they lie, their mark and their dirt.
type gallery struct {
	families, each int
	looks          []Look
	again          []Look // the same connector once more, hand-held
	againOf        []int  // which of looks
	found          map[string]int
	tried          int
}

var drawGallery = sync.OnceValue(func() gallery {
	g := gallery{families: 12, each: 60, found: map[string]int{}}
	if testing.Short() {
		g.families, g.each = 6, 12 // the race detector makes drawing slow
	}
	for f := range g.families {
		for i := range g.each {
			o := testpicture.Options{Family: uint64(f), Seed: uint64(i + 1), Width: 480, Height: 360}
			m := testpicture.Image(o)
			l := look(m)
			g.looks = append(g.looks, l)
			if i%5 != 0 {
				continue
			}
			o.Again = 7
			g.again = append(g.again, look(testpicture.Image(o)))
			g.againOf = append(g.againOf, len(g.looks)-1)
			g.tried++
			x := NewTwinIndex(1)
			x.Add("original", l.Upright, l.Trimmed)
			for _, c := range copies {
				g.found[c.name] += len(x.Near(look(c.make(m)), defaultTwinCoarse, defaultTwinFine))
			}
		}
	}
	return g
})

// falseTwins counts pictures of which another one counts as a twin, and how many
// pictures taken once more from nearly the same place do.
func (g gallery) falseTwins(coarse, fine int) (wrong, again int) {
	x := NewTwinIndex(len(g.looks))
	for i, l := range g.looks {
		x.Add(fmt.Sprint(i), l.Upright, l.Trimmed)
	}
	for i, l := range g.looks {
		if slices.ContainsFunc(x.Near(l, coarse, fine), func(m Match) bool { return m.ID != fmt.Sprint(i) }) {
			wrong++
		}
	}
	for i, l := range g.again {
		if slices.ContainsFunc(x.Near(l, coarse, fine), func(m Match) bool { return m.ID == fmt.Sprint(g.againOf[i]) }) {
			again++
		}
	}
	return wrong, again
}

// The default limits: at most one look-alike in a hundred has a false twin, and
// copies are found.
func TestTwinLimits(t *testing.T) {
	g := drawGallery()
	percent := func(n, of int) float64 { return 100 * float64(n) / float64(of) }
	wrong, _ := g.falseTwins(defaultTwinCoarse, defaultTwinFine)
	if p := percent(wrong, len(g.looks)); p > 1 {
		t.Errorf("%.2f %% of %d look-alike pictures have a false twin; want at most 1 %%", p, len(g.looks))
	}
	for _, c := range copies {
		if p := percent(g.found[c.name], g.tried); p < 100*c.least {
			t.Errorf("%s: %.1f %% found; want at least %.0f %%", c.name, p, 100*c.least)
		}
	}

	var b strings.Builder
	fmt.Fprintf(&b, "%d look-alike pictures: %d families (one site, one kind of connector, one light) of %d connectors each.\n\n", len(g.looks), g.families, g.each)
	b.WriteString("| Coarse, at most of 64 | Fine, at most of 256 | Distinct pictures with a false twin | Same connector once more, hand-held |\n|---:|---:|---:|---:|\n")
	for _, l := range [][2]int{{5, 256}, {10, 256}, {15, 256}, {64, 36}, {10, 24}, {10, 28}, {10, 32}, {10, 36}, {10, 44}, {14, 32}} {
		w, a := g.falseTwins(l[0], l[1])
		mark := ""
		if l == [2]int{defaultTwinCoarse, defaultTwinFine} {
			mark = " **default**"
		}
		fmt.Fprintf(&b, "| %d | %d%s | %.2f %% | %.0f %% |\n", l[0], l[1], mark, percent(w, len(g.looks)), percent(a, len(g.again)))
	}
	fmt.Fprintf(&b, "\n%d of the pictures were copied in each of these ways and looked up with the default limits:\n\n| Copy | Found |\n|---|---:|\n", g.tried)
	for _, c := range copies {
		fmt.Fprintf(&b, "| %s | %.1f %% |\n", c.name, percent(g.found[c.name], g.tried))
	}
	t.Log("\n" + b.String())

	if testing.Short() {
		return
	}
	const begin, end = "<!-- table -->\n", "<!-- end of table -->\n"
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	head, rest, ok := strings.Cut(string(page), begin)
	_, tail, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatal("README.md has lost the marks of its table")
	}
	want := head + begin + b.String() + end + tail
	if *update {
		if err := os.WriteFile("README.md", []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(page) != want {
		t.Errorf("the table in README.md is old; write it again with: go test -run TestTwinLimits -update ./internal/photo")
	}
}

func TestTwinIndex(t *testing.T) {
	x := NewTwinIndex(0)
	flip := func(f Fingerprint, coarse, fine int) Fingerprint {
		for i := range coarse {
			f.Coarse ^= 1 << (i * 3 % 64)
		}
		for i := range fine {
			f.Fine[i%4] ^= 1 << (i / 4)
		}
		return f
	}
	none := Fingerprint{Coarse: 0xaaaaaaaa55555555, Fine: [4]uint64{^uint64(0), ^uint64(0), ^uint64(0), ^uint64(0)}}
	base := Fingerprint{Coarse: 0x0f0f123456789abc, Fine: [4]uint64{1, 2, 3, 4}}
	x.Add("same", base, none)
	x.Add("near", flip(base, 3, 10), none)
	x.Add("at the limits", flip(base, 10, 32), none)
	x.Add("coarse beyond", flip(base, 11, 0), none)
	x.Add("fine beyond", flip(base, 0, 33), none)
	far := [7]Fingerprint{}
	for i := range far {
		far[i] = flip(base, 20+i, 200)
	}
	ids := func(ms []Match) (out []string) {
		for _, m := range ms {
			out = append(out, m.ID)
		}
		return out
	}
	look := Look{Upright: base, Trimmed: flip(base, 30, 250), Turned: far}
	if got, want := ids(x.Near(look, 10, 32)), []string{"same", "near", "at the limits"}; !slices.Equal(got, want) {
		t.Errorf("Near: %v; want %v", got, want)
	}
	if got, want := ids(x.Near(look, 64, 256)), 5; len(got) != want {
		t.Errorf("Near without limits: %v; want all %d", got, want)
	}
	turned := Look{Upright: flip(base, 32, 128), Trimmed: flip(base, 30, 250), Turned: far}
	turned.Turned[4] = base
	got := x.Near(turned, 10, 32)
	if len(got) != 3 || !got[0].Turned || got[0].ID != "same" {
		t.Errorf("Near of a turned copy: %v; want three, turned", got)
	}
	x.Add("same", flip(base, 40, 0), none) // replaced
	x.Remove("near")
	x.Remove("never there")
	if got, want := ids(x.Near(look, 10, 32)), []string{"at the limits"}; !slices.Equal(got, want) || x.Len() != 4 {
		t.Errorf("after a change: %v of %d; want %v of 4", got, x.Len(), want)
	}
	for i := range 200 {
		x.Add(fmt.Sprintf("copy %03d", i), base, none)
	}
	if got := x.Near(look, 10, 32); len(got) != 50 || got[0].ID != "copy 000" || got[49].ID != "copy 049" {
		t.Errorf("Near among 200 copies: %d, first %v; want the first 50 by id", len(got), got[0])
	}
}

// The buckets against going through all: the same answers, as photos come,
// change and go, alike and unlike.
func TestTwinIndexBuckets(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	centres := make([]Fingerprint, 20)
	some := func() Fingerprint {
		f := centres[r.IntN(len(centres))]
		for range r.IntN(16) {
			f.Coarse ^= 1 << r.IntN(64)
		}
		for range r.IntN(50) {
			f.Fine[r.IntN(4)] ^= 1 << r.IntN(64)
		}
		return f
	}
	for i := range centres {
		centres[i] = Fingerprint{Coarse: r.Uint64(), Fine: [4]uint64{r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64()}}
	}
	x := NewTwinIndex(0)
	for range 3 * bandsFrom {
		id := fmt.Sprint(r.IntN(2 * bandsFrom))
		if r.IntN(4) == 0 {
			x.Remove(id)
			continue
		}
		f, g := some(), some()
		if r.IntN(20) > 0 { // most are unlike everything
			f.Coarse, g.Coarse = r.Uint64(), r.Uint64()
		}
		x.Add(id, f, g)
	}
	if x.buckets[0] == nil {
		t.Fatalf("no buckets with %d photos", x.Len())
	}
	plain := &TwinIndex{coarse: x.coarse, fine: x.fine, ids: x.ids, at: x.at}
	bucketed, matches := 0, 0
	for i := range 60 {
		l := Look{Upright: some(), Trimmed: some()}
		for k := range l.Turned {
			l.Turned[k] = some()
		}
		coarse := []int{10, 0, 3, 15, 16, 64}[i%6]
		if _, ok := x.candidates(l.Upright.Coarse, coarse); ok {
			bucketed++
		}
		got, want := x.Near(l, coarse, 60), plain.Near(l, coarse, 60)
		matches += len(want)
		if !slices.Equal(got, want) {
			t.Errorf("Near within %d: %v; want %v", coarse, got, want)
		}
	}
	if bucketed < 20 || matches < 100 {
		t.Errorf("%d looks went by buckets, %d matches: too few to say anything", bucketed, matches)
	}
}

// The index is used by many at once; the race detector watches.
func TestTwinIndexAtOnce(t *testing.T) {
	x := NewTwinIndex(100)
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			r := rand.New(rand.NewPCG(uint64(w), 1))
			for i := range 200 {
				x.Add(fmt.Sprint(w, i), Fingerprint{Coarse: r.Uint64()}, Fingerprint{Coarse: r.Uint64()})
				x.Near(Look{Upright: Fingerprint{Coarse: r.Uint64()}}, 64, 256)
				if i%3 == 0 {
					x.Remove(fmt.Sprint(w, i))
				}
			}
		})
	}
	wg.Wait()
	if got, want := x.Len(), 4*(200-67); got != want {
		t.Errorf("%d photos left; want %d", got, want)
	}
}

// From examination to finding: a copy is told, another connector is not, a blank
// picture never is.
func TestExamineFindsTwin(t *testing.T) {
	x := NewTwinIndex(2)
	first := examine(t, small(testpicture.Options{Family: 1, Seed: 1}), Facts{})
	x.Add("first", first.Measurement.Look.Upright, first.Measurement.Look.Trimmed)
	facts := Facts{Others: x}
	if e := examine(t, small(testpicture.Options{Family: 1, Seed: 1, Quality: 60, Exif: &testpicture.Exif{Orientation: 3}}), facts); e.find(LooksLike) == nil {
		t.Errorf("a copy upside down, saved again: findings %v; want %s", e.Findings, LooksLike)
	}
	if e := examine(t, small(testpicture.Options{Family: 1, Seed: 2}), facts); e.find(LooksLike) != nil {
		t.Errorf("the next connector: %v; want no twin", e.find(LooksLike))
	}
	blank := encodePNG(t, image.NewGray(image.Rect(0, 0, 2000, 1500)))
	e := examine(t, blank, Facts{})
	x.Add("blank", e.Measurement.Look.Upright, e.Measurement.Look.Trimmed)
	if e.Measurement.Comparable() {
		t.Error("a blank picture counts as comparable")
	}
	if e := examine(t, blank, facts); e.find(LooksLike) != nil || e.find(Blank) == nil {
		t.Errorf("a second blank picture: findings %v; want %s and no twin", e.Findings, Blank)
	}
}
