package touchstone

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"witnessmark/internal/errs"
	"witnessmark/internal/rf"
	"witnessmark/internal/units"
)

func open(tb testing.TB, name string) *File {
	tb.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "traces", name))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	file, err := Read(f)
	if err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
	return file
}

// The values beside each example follow from the rules of the Touchstone File
// Format Specification (Rev 1.1, 2002; Version 2.0, 2009) by arithmetic.
func TestExamplesOfTheFormat(t *testing.T) {
	type point struct{ hz, re, im, mag, rl, vswr float64 }
	for _, tc := range []struct {
		file, version, unit string
		format              Format
		reference           float64
		points              []point
		warnings            []string
	}{
		{"defaults-only.s1p", "1", "GHz", MagnitudeAngle, 50, []point{
			{700e6, 0, -0.1, 0.1, 20, 1.22222},
			{800e6, 0.141421, 0.141421, 0.2, 13.9794, 1.5},
			{900e6, -0.05, 0, 0.05, 26.0206, 1.10526},
		}, nil},
		{"megahertz-decibel.s1p", "1", "MHz", DecibelAngle, 50, []point{
			{1710e6, 0.1, 0, 0.1, 20, 1.22222},
			{1785e6, -0.099763, -0.172795, 0.199526, 14, 1.49852},
			{1880e6, 0, 0.047619, 0.0476190, 26.4444, 1.1},
		}, nil},
		{"free-order-75-ohm.s1p", "1", "Hz", RealImaginary, 75, []point{
			{700e6, 0.03, -0.04, 0.05, 26.0206, 1.10526},
			{800e6, -0.1, 0.2, 0.223607, 13.0103, 1.57601},
		}, []string{WarnOptionRepeated}},
		{"version-2.s1p", "2.0", "kHz", RealImaginary, 50, []point{
			{900e6, 0.3, 0.4, 0.5, 6.02060, 3},
			{901e6, -0.25, 0, 0.25, 12.0412, 1.66667},
		}, nil},
	} {
		t.Run(tc.file, func(t *testing.T) {
			got := open(t, tc.file)
			if got.Version != tc.version || got.FrequencyUnit != tc.unit || got.Format != tc.format || got.Trace.Reference != tc.reference {
				t.Errorf("version %s, %s, %s, R %v; want %s, %s, %s, R %v", got.Version, got.FrequencyUnit, got.Format, got.Trace.Reference,
					tc.version, tc.unit, tc.format, tc.reference)
			}
			if r := reasons(got.Warnings); !slices.Equal(r, tc.warnings) {
				t.Errorf("warnings %v; want %v", r, tc.warnings)
			}
			if len(got.Trace.Hertz) != len(tc.points) {
				t.Fatalf("%d points; want %d", len(got.Trace.Hertz), len(tc.points))
			}
			for i, want := range tc.points {
				g := got.Trace.Gamma[i]
				rl, err := rf.ReturnLoss(cmplx.Abs(g))
				if err != nil {
					t.Fatal(err)
				}
				vswr, err := rf.VSWR(rl)
				if err != nil {
					t.Fatal(err)
				}
				if got.Trace.Hertz[i] != want.hz || math.Abs(real(g)-want.re) > 6e-7 || math.Abs(imag(g)-want.im) > 6e-7 ||
					math.Abs(cmplx.Abs(g)-want.mag) > 1e-5*want.mag || math.Abs(float64(rl)-want.rl) > 1e-5*want.rl ||
					math.Abs(float64(vswr)-want.vswr) > 1e-5*want.vswr {
					t.Errorf("point %d: %v Hz, %v, |Γ| %v, RL %v, VSWR %v; want %+v", i, got.Trace.Hertz[i], g, cmplx.Abs(g), rl, vswr, want)
				}
			}
		})
	}
}

func reasons(ws []Warning) []string {
	var out []string
	for _, w := range ws {
		out = append(out, w.Reason)
	}
	return out
}

// Rule 28: a trace with another reference impedance is referred to the line's.
func TestAnotherImpedanceIsReferredTo(t *testing.T) {
	trace := open(t, "free-order-75-ohm.s1p").Trace
	got, err := trace.ReferTo(50)
	if err != nil {
		t.Fatal(err)
	}
	// By arithmetic from Z = 75·(1+Γ)/(1−Γ), Γ′ = (Z−50)/(Z+50).
	for i, want := range []struct{ z, gamma complex128 }{
		{complex(79.3767, -6.3660), complex(0.228930, -0.037941)},
		{complex(57, 24), complex(0.110187, 0.199584)},
	} {
		z, err := rf.Impedance(trace.Gamma[i], trace.Reference)
		if err != nil || cmplx.Abs(z-want.z) > 1e-4 {
			t.Errorf("point %d: Z = %v, %v; want %v", i, z, err, want.z)
		}
		if cmplx.Abs(got.Gamma[i]-want.gamma) > 1e-6 || got.Reference != 50 {
			t.Errorf("point %d: Γ at 50 Ω = %v (R %v); want %v", i, got.Gamma[i], got.Reference, want.gamma)
		}
	}
	back, err := got.ReferTo(75)
	if err != nil {
		t.Fatal(err)
	}
	for i := range back.Gamma {
		if cmplx.Abs(back.Gamma[i]-trace.Gamma[i]) > 1e-15 {
			t.Errorf("point %d: there and back gives %v; want %v", i, back.Gamma[i], trace.Gamma[i])
		}
	}
}

func TestWhatIsNotAOnePortSweepIsRefusedWithItsLine(t *testing.T) {
	v2 := "[Version] 2.0\n# MHz S RI R 50\n"
	for _, tc := range []struct {
		name, text string
		line       string
		cause      string
	}{
		{"empty", "", "1", CauseNoOptionLine},
		{"comments only", "! nothing\n! here\n", "2", CauseNoOptionLine},
		{"data before any option line", "! x\n700 0.1 0\n", "2", CauseNoOptionLine},
		{"option line without data", "# MHz S MA R 50\n", "1", CauseNoData},
		{"four columns", "# MHz S MA R 50\n700 0.1 0 0.2\n", "2", CauseColumns},
		{"two columns", "# MHz S MA R 50\n700 0.1 0\n701 0.1\n", "3", CauseColumns},
		{"nine columns of a two-port file", "#\n1 .1 0 .1 0 .1 0 .1 0\n", "2", CauseColumns},
		{"format word not known", "# MHz S MP R 50\n700 0.1 0\n", "1", CauseFormat},
		{"R without a number", "# MHz S MA R\n700 0.1 0\n", "1", CauseImpedance},
		{"R followed by a word", "# R MHz S MA\n700 0.1 0\n", "1", CauseImpedance},
		{"R of zero", "# MHz S MA R 0\n700 0.1 0\n", "1", CauseImpedance},
		{"R negative", "# MHz S MA R -50\n700 0.1 0\n", "1", CauseImpedance},
		{"frequency goes down", "# MHz S MA R 50\n700 0.1 0\n699 0.1 0\n", "3", CauseNotRising},
		{"frequency stands twice", "# MHz S MA R 50\n700 0.1 0\n700 0.1 0\n", "3", CauseNotRising},
		{"negative frequency", "# MHz S MA R 50\n-1 0.1 0\n", "2", CauseFrequency},
		{"NaN in a data column", "# MHz S MA R 50\n700 NaN 0\n", "2", CauseNumber},
		{"infinity in a data column", "# MHz S MA R 50\n700 0.1 Inf\n", "2", CauseNumber},
		{"text in a data column", "# MHz S MA R 50\n700 low 0\n", "2", CauseNumber},
		{"hexadecimal", "# MHz S MA R 50\n0x10 0.1 0\n", "2", CauseNumber},
		{"underscores", "# MHz S MA R 50\n7_00 0.1 0\n", "2", CauseNumber},
		{"decimal comma", "# MHz S MA R 50\n700,5 0.1 0\n", "2", CauseNumber},
		{"a number beyond all bounds", "# MHz S MA R 50\n1e999 0.1 0\n", "2", CauseNumber},
		{"negative magnitude", "# MHz S MA R 50\n700 -20 0\n", "2", CauseMagnitude},
		{"decibels read as a magnitude", "# MHz S MA R 50\n700 20 0\n", "2", CauseMagnitude},
		{"impedance parameters", "# MHz Z MA R 50\n700 0.1 0\n", "1", CauseParameter},
		{"hybrid parameters", "# MHz H MA R 50\n700 0.1 0\n", "1", CauseParameter},
		{"unknown option", "# MHz S MA R 50 fast\n700 0.1 0\n", "1", CauseOption},
		{"unit twice", "# MHz GHz S MA R 50\n700 0.1 0\n", "1", CauseOption},
		{"version 2 without ports", v2 + "[Network Data]\n700 0.1 0\n[End]\n", "3", CausePorts},
		{"version 2 without ports or network data", v2 + "700 0.1 0\n", "3", CausePorts},
		{"version 2 without network data", v2 + "[Number of Ports] 1\n700 0.1 0\n", "4", CauseKeyword},
		{"two ports", v2 + "[Number of Ports] 2\n", "3", CausePorts},
		{"ports not a number", v2 + "[Number of Ports] one\n", "3", CausePorts},
		{"unknown version", "[Version] 3.0\n", "1", CauseVersion},
		{"version too late", "# MHz S RI R 50\n[Version] 2.0\n", "2", CauseVersion},
		{"keyword in a 1.x file", "# MHz S RI R 50\n[Number of Ports] 1\n", "2", CauseKeyword},
		{"bracket not closed", "[Version 2.0\n", "1", CauseKeyword},
		{"fewer points than said", v2 + "[Number of Ports] 1\n[Number of Frequencies] 3\n[Network Data]\n700 0 0\n701 0 0\n[End]\n", "4", CauseFrequencyCount},
		{"no impedance after [Reference]", v2 + "[Number of Ports] 1\n[Reference]\n[Network Data]\n", "5", CauseImpedance},
		{"two impedances for one port", v2 + "[Number of Ports] 1\n[Reference] 50 75\n", "4", CauseImpedance},
		{"noise data", v2 + "[Number of Ports] 1\n[Network Data]\n700 0 0\n[Noise Data]\n", "6", CauseKeyword},
		{"mixed modes", v2 + "[Number of Ports] 1\n[Mixed-Mode Order] D2,3\n", "4", CausePorts},
		{"a byte outside ASCII in the data", "# MHz S MA R 50\n700 0.1 0\xb0\n", "2", CauseCharacter},
		{"NUL", "# MHz S MA R 50\n\x00", "2", CauseCharacter},
		{"a line without end", "# MHz S MA R 50\n" + strings.Repeat("7", 5000), "2", CauseLineTooLong},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Read(strings.NewReader(tc.text))
			var e *errs.Error
			if !errors.As(err, &e) || e.Kind != errs.Invalid || e.Reason != "TRACE_NOT_READABLE" || e.Meta["line"] != tc.line || e.Meta["cause"] != tc.cause {
				t.Errorf("Read(%.80q) = %v, %v; want line %s, cause %s", tc.text, got, err, tc.line, tc.cause)
			}
		})
	}
}

// Rule 28, among them: [Number of Frequencies] absent is accepted with a warning.
func TestWhatAReaderCanDoWithoutIsAWarning(t *testing.T) {
	v2 := "[Version] 2.1\n# MHz S RI R 50\n[Number of Ports] 1\n"
	for _, tc := range []struct {
		name, text string
		reference  float64
		points     int
		want       []string
	}{
		{"number of frequencies missing", v2 + "[Network Data]\n700 0 0\n701 0 0\n[End]\n", 50, 2, []string{WarnNoFrequencyCount}},
		{"end missing too", v2 + "[Network Data]\n700 0 0\n701 0 0", 50, 2, []string{WarnNoFrequencyCount, WarnNoEnd}},
		{"text after the end", v2 + "[Number of Frequencies] 1\n[Network Data]\n700 0 0\n[End]\nx\n", 50, 1, []string{WarnAfterEnd, WarnOnePoint}},
		{"many option lines warn three times", "#\n#\n#\n#\n#\n#\n1 0 0\n2 0 0\n", 50, 2, []string{WarnOptionRepeated, WarnOptionRepeated, WarnOptionRepeated}},
		{"byte order mark", "\xef\xbb\xbf# MHz\n1 0 0\n2 0 0\n", 50, 2, []string{WarnByteOrderMark}},
		{"more comes back than was sent", "#\n1 1.2 0\n2 0 0\n", 50, 2, []string{WarnReflectionOverOne}},
		{"impedance on the next line wins over R", v2 + "[Reference]\n 75 ! ohm\n[Number of Frequencies] 2\n[Network Data]\n1 0 0\n2 0 0\n[End]\n", 75, 2, nil},
		{"information and matrix format", v2 + "[Matrix Format] Full\n[Begin Information]\n700 1 2 3\n[Made by] x\n[End Information]\n[Number of Frequencies] 2\n[Network Data]\n1 0 0\n2 0 0\n[End]\n", 50, 2, nil},
		{"unknown keyword", v2 + "[Colour] red\n[Number of Frequencies] 2\n[Network Data]\n1 0 0\n2 0 0\n[End]\n", 50, 2, []string{WarnKeywordIgnored}},
		{"carriage returns only, bytes in comments", "! caf\xe9\r# MHz S MA R 50\r1 0 0\r\r2 0 0\r", 50, 2, nil},
		{"CRLF and a comment right after a number", "# MHz S MA R 50\r\n1 0 0!x\r\n2 0 0\r\n", 50, 2, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Read(strings.NewReader(tc.text))
			if err != nil {
				t.Fatalf("Read(%q): %v", tc.text, err)
			}
			if r := reasons(got.Warnings); !slices.Equal(r, tc.want) || got.Trace.Reference != tc.reference || len(got.Trace.Hertz) != tc.points {
				t.Errorf("Read(%q): warnings %v, R %v, %d points; want %v, %v, %d", tc.text, r, got.Trace.Reference, len(got.Trace.Hertz), tc.want, tc.reference, tc.points)
			}
		})
	}
}

func TestBounds(t *testing.T) {
	endless := io.MultiReader(strings.NewReader("# MHz S MA R 50\n"), io.LimitReader(zeros{}, 1<<40))
	if f, err := Read(endless); errs.ReasonOf(err) != "TRACE_TOO_LARGE" || errs.KindOf(err) != errs.TooLarge {
		t.Errorf("an endless file = %v, %v; want TRACE_TOO_LARGE", f, err)
	}
	var b bytes.Buffer
	b.WriteString("# Hz\n")
	for i := range MaxPoints + 1 {
		fmt.Fprintf(&b, "%d 0 0\n", i)
	}
	if f, err := Read(&b); errs.ReasonOf(err) != "TRACE_TOO_MANY_POINTS" {
		t.Errorf("one point too many = %v, %v; want TRACE_TOO_MANY_POINTS", f, err)
	}
	exact := append([]byte("#\n1 0 0\n2 0 0\n!"), bytes.Repeat([]byte("x"), MaxBytes-15)...)
	if f, err := Read(bytes.NewReader(exact)); err != nil || len(f.Trace.Hertz) != 2 {
		t.Errorf("a file of exactly %d bytes = %v, %v; want it read", len(exact), f, err)
	}
	if _, err := Read(bytes.NewReader(append(exact, 'x'))); errs.ReasonOf(err) != "TRACE_TOO_LARGE" {
		t.Errorf("one byte more = %v; want TRACE_TOO_LARGE", err)
	}
	broken := errors.New("the line went dead")
	if _, err := Read(io.MultiReader(strings.NewReader("#\n1 0"), iotest.ErrReader(broken))); !errors.Is(err, broken) {
		t.Errorf("a broken stream = %v; want its own error", err)
	}
}

// zeros is an endless comment.
type zeros struct{}

func (zeros) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = '!'
	}
	return len(b), nil
}

func TestFaultsAreFoundInTracesMadeByFormula(t *testing.T) {
	for _, tc := range []struct {
		file string
		want []rf.Peak // Distance and Shown
	}{
		{"short-at-50-bins.s1p", []rf.Peak{{Distance: 25.7634, Shown: 0}}},
		{"two-reflectors.s1p", []rf.Peak{{Distance: 10.3054, Shown: 20}, {Distance: 30.9161, Shown: 26.0206}}},
	} {
		got, err := rf.DistanceProfile(open(t, tc.file).Trace, rf.ProfileOptions{VelocityFactor: 0.88, Window: rf.Hann, Threshold: 50})
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Peaks) != len(tc.want) {
			t.Fatalf("%s: %d peaks %+v; want %d", tc.file, len(got.Peaks), got.Peaks, len(tc.want))
		}
		for i, want := range tc.want {
			if p := got.Peaks[i]; math.Abs(float64(p.Distance-want.Distance)) > 0.005 || math.Abs(float64(p.Shown-want.Shown)) > 0.01 {
				t.Errorf("%s: peak at %v m, %v dB; want %v m, %v dB", tc.file, p.Distance, p.Shown, want.Distance, want.Shown)
			}
		}
	}
}

func TestABadJointStandsOutFromTheAntenna(t *testing.T) {
	// The joint at 32 m has a return loss of 10 dB, the antenna at 33.5 m of 17 dB,
	// behind a 7/8 inch line; sweep 1700 to 1905 MHz.
	trace := open(t, "line-with-bad-joint.s1p").Trace
	cable, err := rf.GenericCable("7/8 inch")
	if err != nil {
		t.Fatal(err)
	}
	loss, err := cable.Attenuation(1802.5)
	if err != nil {
		t.Fatal(err)
	}
	got, err := rf.DistanceProfile(trace, rf.ProfileOptions{VelocityFactor: 0.88, VelocityFactorError: 0.01, Window: rf.Hann, Loss: loss, To: 50, Threshold: 40})
	if err != nil {
		t.Fatal(err)
	}
	var joint *rf.Peak
	for i, p := range got.Peaks {
		if math.Abs(float64(p.Distance)-32) < 0.3 {
			joint = &got.Peaks[i]
		}
	}
	if joint == nil || math.Abs(float64(joint.AtFault)-10) > 0.5 || joint.Uncertainty < got.Separation/2 {
		t.Fatalf("the joint = %+v of %+v; want one at 32 m with a return loss of 10 dB", joint, got.Peaks)
	}
	worst, err := trace.WorstReturnLoss(rf.Range{Low: 1710, High: 1785})
	if err != nil || worst.ReturnLoss > 12 || !worst.HasVSWR || worst.Points != 151 || len(worst.Warnings) != 0 {
		t.Errorf("worst in 1710-1785 MHz = %+v, %v; want under 12 dB from 151 points", worst, err)
	}
	good, err := open(t, "line-with-antenna.s1p").Trace.WorstReturnLoss(rf.Range{Low: 1710, High: 1785})
	if err != nil || good.ReturnLoss < 16 {
		t.Errorf("worst of the good line = %+v, %v; want 16 dB or more", good, err)
	}
	beyond, err := trace.WorstReturnLoss(rf.Range{Low: 1850, High: 1990})
	if err != nil || len(beyond.Warnings) != 1 || beyond.Warnings[0].Reason != rf.WarnBandNotCovered {
		t.Errorf("a band that the sweep covers in part = %+v, %v; want a warning", beyond, err)
	}
	if got, err := trace.WorstReturnLoss(rf.Range{Low: 700, High: 800}); !errs.Is(err, "BAND_NOT_MEASURED") {
		t.Errorf("a band outside the sweep = %+v, %v; want BAND_NOT_MEASURED", got, err)
	}
}

func FuzzRead(f *testing.F) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "traces", "*.s1p"))
	if err != nil || len(files) == 0 {
		f.Fatal("no seed traces", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b[:min(len(b), 400)])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := Read(bytes.NewReader(b))
		if err != nil {
			if k := errs.KindOf(err); k != errs.Invalid && k != errs.TooLarge {
				t.Fatalf("Read(%q): unclassified error %v", b, err)
			}
			return
		}
		if err := got.Trace.Check(); err != nil {
			t.Fatalf("Read(%q) gave a trace that does not check: %v", b, err)
		}
		if len(got.Warnings) > 40 {
			t.Fatalf("Read(%q) gave %d warnings", b, len(got.Warnings))
		}
		if _, err := got.Trace.WorstReturnLoss(rf.Range{Low: 1, High: 1e6}); err != nil && !errs.Is(err, "BAND_NOT_MEASURED") {
			t.Fatalf("Read(%q): %v", b, err)
		}
		// A sweep may be uneven or too short for distances: an error, never NaN.
		p, err := rf.DistanceProfile(got.Trace, rf.ProfileOptions{VelocityFactor: 0.88, Window: rf.Blackman})
		if err != nil {
			if errs.KindOf(err) != errs.Invalid {
				t.Fatalf("Read(%q): %v", b, err)
			}
			return
		}
		for _, k := range p.Peaks {
			if v := float64(k.Distance) + float64(k.Shown) + float64(k.AtFault) + float64(k.Uncertainty); math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("Read(%q): peak %+v", b, k)
			}
		}
	})
}

// sweep writes a file of n points with one reflection at 30 m.
func sweep(n int) []byte {
	var b bytes.Buffer
	b.WriteString("! made by formula\n# MHz S RI R 50\n")
	for i := range n {
		f := 700 + float64(i)*0.02
		g := 0.1 * cmplx.Exp(complex(0, -4*math.Pi*f*1e6*30/(rf.SpeedOfLight*0.88)))
		fmt.Fprintf(&b, "%.2f %.9f %.9f\n", f, real(g), imag(g))
	}
	return b.Bytes()
}

// How long does the server take to read and judge one uploaded trace?
func BenchmarkTraceToProfile(b *testing.B) {
	for _, n := range []int{1_001, 10_001} {
		file := sweep(n)
		b.Run(fmt.Sprintf("points=%d", n), func(b *testing.B) {
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				f, err := Read(bytes.NewReader(file))
				if err != nil {
					b.Fatal(err)
				}
				if _, err := f.Trace.WorstReturnLoss(rf.Range{Low: 700, High: 715}); err != nil {
					b.Fatal(err)
				}
				p, err := rf.DistanceProfile(f.Trace, rf.ProfileOptions{VelocityFactor: units.VelocityFactor(0.88), Window: rf.Hann, To: 100})
				if err != nil || len(p.Peaks) == 0 {
					b.Fatal(p.Peaks, err)
				}
			}
		})
	}
	b.Run("points=10001/reading alone", func(b *testing.B) {
		file := sweep(10_001)
		b.SetBytes(int64(len(file)))
		for b.Loop() {
			if _, err := Read(bytes.NewReader(file)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
