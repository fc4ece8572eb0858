package photo

import (
	"fmt"
	"image/color"
	"math"
	"math/bits"
	"strconv"
	"strings"
	"testing"

	"github.com/corona10/goimagehash"

	"witnessmark/internal/checkvalues"
	"witnessmark/internal/photo/testpicture"
)

// grid reads "1 2/3 4" as two rows of samples.
func grid(t *testing.T, rows string) plane {
	t.Helper()
	var p plane
	for _, line := range strings.Split(rows, "/") {
		words := strings.Fields(line)
		p.w, p.stride = len(words), len(words)
		p.h++
		for _, w := range words {
			v, err := strconv.Atoi(w)
			if err != nil || v < 0 || v > 255 {
				t.Fatalf("sample %q in %q", w, rows)
			}
			p.p = append(p.p, byte(v))
		}
	}
	return p
}

func TestCheckValues(t *testing.T) {
	hash := func(s string) uint64 {
		v, err := strconv.ParseUint(s, 16, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, row := range checkvalues.Load(t, "photo") {
		t.Run(row.Function+"/"+row.Case, func(t *testing.T) {
			got := map[string]float64{}
			switch row.Function {
			case "laplacian":
				p := grid(t, row.Text["rows"])
				got["variance"] = laplacian(p, 0, 0, p.w, p.h)
			case "differences":
				if h := fmt.Sprintf("%016x", differences(grid(t, row.Text["rows"]))[0]); h != row.WantText["hash"] {
					t.Errorf("differences(%s) = %s; want %s", row.Text["rows"], h, row.WantText["hash"])
				}
			case "dct rows":
				p := grid(t, row.Text["row"])
				for k, c := range dctRows(p.w, p.w) {
					for x, v := range p.p {
						got[strconv.Itoa(k)] += c[x] * float64(v)
					}
				}
			case "dct square":
				p := grid(t, row.Text["rows"])
				for i, v := range dct(p, dctRows(p.w, p.w)) {
					got[fmt.Sprintf("%d,%d", i/p.w, i%p.w)] = v
				}
			case "hamming":
				a, b := Fingerprint{Coarse: hash(row.Text["a"])}, Fingerprint{Coarse: hash(row.Text["b"])}
				n, fine := a.Distance(b)
				if fine != 0 {
					t.Errorf("fine distance %d of equal parts", fine)
				}
				got["bits"] = float64(n)
			case "luma":
				y, _, _ := color.RGBToYCbCr(uint8(row.In["r"]), uint8(row.In["g"]), uint8(row.In["b"]))
				got["y"] = float64(y)
			case "distance":
				got["meters"] = distance(row.In["lat1"], row.In["lon1"], row.In["lat2"], row.In["lon2"])
			default:
				t.Fatalf("no function %q", row.Function)
			}
			for name, want := range row.Want {
				if math.Abs(got[name]-want) > row.Tolerance {
					t.Errorf("%s(%v %v): %s = %v; want %v ± %v (%s)", row.Function, row.In, row.Text, name, got[name], want, row.Tolerance, row.Source)
				}
			}
		})
	}
}

// The two parts of the fingerprint against an independent library's: it resizes
// otherwise, so that a few bits may differ.
func TestFingerprintAgainstLibrary(t *testing.T) {
	for seed := range uint64(12) {
		img := testpicture.Image(testpicture.Options{Family: seed, Seed: seed + 5, Width: 640, Height: 480})
		y := planes(img).y
		reference, err := goimagehash.DifferenceHash(planes(img).image())
		if err != nil {
			t.Fatal(err)
		}
		ours := differences(squeeze(y, 9, 8))[0]
		if d := bits.OnesCount64(ours ^ reference.GetHash()); d > 10 {
			t.Errorf("picture %d: difference hash %016x; the library has %016x, %d bits apart; want at most 10", seed, ours, reference.GetHash(), d)
		}
		reference, err = goimagehash.PerceptionHash(planes(img).image())
		if err != nil {
			t.Fatal(err)
		}
		if d := bits.OnesCount64(fingerprint(y).Coarse ^ reference.GetHash()); d > 10 {
			t.Errorf("picture %d: DCT hash %016x; the library has %016x, %d bits apart; want at most 10", seed, fingerprint(y).Coarse, reference.GetHash(), d)
		}
	}
}

func TestFingerprintText(t *testing.T) {
	f := Fingerprint{Coarse: 0x0123456789abcdef, Fine: [4]uint64{1, 2, 3, 1 << 63}}
	got, err := ParseFingerprint(f.String())
	if err != nil || got != f {
		t.Errorf("ParseFingerprint(%q) = %v, %v; want %v", f, got, err, f)
	}
	for _, bad := range []string{"", "00", strings.Repeat("0", 79), strings.Repeat("g", 80), strings.Repeat("0", 82)} {
		if _, err := ParseFingerprint(bad); err == nil {
			t.Errorf("ParseFingerprint(%q) gave no error", bad)
		}
	}
}

// Areas averaged in whole numbers, by hand.
func TestShrink(t *testing.T) {
	for _, tc := range []struct{ name, from, want string }{
		{"two to one", "10 20", "15"},
		{"three to two shares the middle", "0 90 30", "30 50"},
		{"two rows to one", "10/31", "21"},
		{"four to two both ways", "0 0 100 100/0 0 100 100/200 200 8 8/200 200 8 8", "0 100/200 8"},
		{"five to three", "0 5 10 15 20", "2 10 18"},
		{"its own size", "1 2/3 4", "1 2/3 4"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			want := grid(t, tc.want)
			got := shrink(grid(t, tc.from), want.w, want.h)
			if string(got.p) != string(want.p) {
				t.Errorf("shrink(%s) = %v; want %v", tc.from, got.p, want.p)
			}
		})
	}
}

// The mean of a picture stays what it was, whatever the sizes.
func TestShrinkKeepsMean(t *testing.T) {
	src := planes(testpicture.Image(testpicture.Options{Family: 3, Width: 438, Height: 302})).y
	for _, size := range [][2]int{{320, 240}, {437, 301}, {17, 16}, {1, 1}, {100, 300}, {438, 2}} {
		got := lightOf(shrink(src, size[0], size[1])).mean
		if want := lightOf(src).mean; math.Abs(got-want) > 0.5 {
			t.Errorf("shrink to %v: mean %.3f; want %.3f ± 0.5", size, got, want)
		}
	}
}
