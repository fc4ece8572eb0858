package photo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/photo/testpicture"
)

// How long does a 12-megapixel photo take, from bytes to findings and views, and
// how many times the decoding alone is that? At most 4 is wanted.
func BenchmarkExamine(b *testing.B) {
	photo := testpicture.JPEG(testpicture.Options{Exif: &testpicture.Exif{Taken: noon, Orientation: 6}})
	ctx := context.Background()
	b.SetBytes(int64(len(photo)))
	var decoding, all time.Duration
	for b.Loop() {
		start := time.Now()
		if _, err := decode(ctx, photo, JPEG); err != nil {
			b.Fatal(err)
		}
		middle := time.Now()
		if _, err := Examine(ctx, photo, Facts{}, DefaultThresholds(Connector)); err != nil {
			b.Fatal(err)
		}
		decoding += middle.Sub(start)
		all += time.Since(middle)
	}
	b.ReportMetric(float64(all.Microseconds())/float64(b.N)/1000, "ms/photo")
	b.ReportMetric(float64(all)/float64(decoding), "×decode")
}

// How long does a look for twins take among a million photos? At most 20 ms are
// wanted, also when all of them look alike.
func BenchmarkNear(b *testing.B) {
	for _, kind := range []string{"unlike", "alike"} {
		b.Run(fmt.Sprintf("photos=1000000/%s", kind), func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 2))
			random := func() (f Fingerprint) {
				f.Coarse = r.Uint64()
				for i := range f.Fine {
					f.Fine[i] = r.Uint64()
				}
				return f
			}
			base := random()
			x := NewTwinIndex(1_000_000)
			for i := range 1_000_000 {
				f, g := random(), random()
				if kind == "alike" { // near in the coarse part, one quarter unlike in the fine
					near := func(h Fingerprint) Fingerprint {
						n := base
						n.Coarse ^= 1<<(h.Coarse&63) | 1<<(h.Coarse>>6&63) | 1<<(h.Coarse>>12&63)
						for k := range n.Fine {
							n.Fine[k] ^= h.Fine[k] & h.Fine[(k+1)%4]
						}
						return n
					}
					f, g = near(f), near(g)
				}
				x.Add(fmt.Sprint(i), f, g)
			}
			look := Look{Upright: base, Trimmed: random()}
			for i := range look.Turned {
				look.Turned[i] = random()
			}
			for b.Loop() {
				x.Near(look, defaultTwinCoarse, defaultTwinFine)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/1000, "ms/look-up")
		})
	}
}

// How fast is the generator for others' benchmarks?
func BenchmarkTestPicture(b *testing.B) {
	for b.Loop() {
		testpicture.JPEG(testpicture.Options{})
	}
}
