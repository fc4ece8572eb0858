package working_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/working"
)

func TestFormat(t *testing.T) {
	for _, tc := range []struct {
		name string
		v    float64
		want string
	}{
		{"nothing", 0, "0"},
		{"six digits of a load", 494.9747468, "494.975"},
		{"a whole load has no noughts behind the point", 1000, "1000"},
		{"a large one has no exponent", 1234567, "1234567"},
		{"a small one has no exponent", 0.0079201512, "0.00792015"},
		{"below zero", -19.39802, "-19.398"},
		{"too small to read becomes an exponent", 1.58489e-10, "1.58489e-10"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := working.Format(tc.v); got != tc.want {
				t.Errorf("Format(%v) = %q; want %q", tc.v, got, tc.want)
			}
		})
	}
}

func TestNumberNeverRoundsAgainstTheCaution(t *testing.T) {
	for _, v := range []float64{1, 0.1, 494.9747468306, 1e-5, 123456.7, 1234567.8, 2.0 / 3, 7e8, 0.3, 599.9999999} {
		up, err := strconv.ParseFloat(working.NumberUp("", "", v, "").Value, 64)
		if err != nil {
			t.Fatal(err)
		}
		down, err := strconv.ParseFloat(working.NumberDown("", "", v, "").Value, 64)
		if err != nil {
			t.Fatal(err)
		}
		if up < v*(1-1e-12) || down > v*(1+1e-12) || up-down > 1.1e-5*v {
			t.Errorf("%v printed up %v, down %v; want down <= value <= up, one digit in the sixth apart", v, up, down)
		}
	}
}

func TestSourceFromMemoryIsNeverACitation(t *testing.T) {
	for _, tc := range []struct {
		status working.Status
		prefix string
	}{
		{working.Confirmed, "A Rule, 3 (2020)"},
		{working.Computed, "computed: A Rule"},
		{working.CommonPractice, "common practice, no source: A Rule"},
		{working.FromMemory, "from memory, not confirmed and not a citation"},
		{"", "status of source not given"},
	} {
		got := working.Source{Document: "A Rule", Clause: "3", Year: 2020, Status: tc.status}.String()
		if !strings.HasPrefix(got, tc.prefix) {
			t.Errorf("status %q prints %q; want it to begin with %q", tc.status, got, tc.prefix)
		}
	}
}

func whole() working.Working {
	return working.Working{
		Formula:  "free fall: lanyard - height of anchor",
		Inputs:   []working.Term{working.Number("lanyard", "L", 6, "ft")},
		Result:   []working.Term{working.Number("free fall", "", 6, "ft")},
		Sources:  []working.Source{{Document: "definition", Status: working.Computed}},
		Cautions: []string{"The label comes first."},
		LeftOut:  []string{"swing"},
		Defers:   working.DefersFall,
	}
}

func TestComplete(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(*working.Working)
		safety bool
		ok     bool
	}{
		{"whole", func(*working.Working) {}, true, true},
		{"no formula", func(w *working.Working) { w.Formula = "" }, false, false},
		{"no result", func(w *working.Working) { w.Result = nil }, false, false},
		{"no source", func(w *working.Working) { w.Sources = nil }, false, false},
		{"source without status", func(w *working.Working) { w.Sources[0].Status = "" }, false, false},
		{"source without document", func(w *working.Working) { w.Sources[0].Document = "" }, false, false},
		{"no caution", func(w *working.Working) { w.Cautions = nil }, true, false},
		{"no caution outside safety", func(w *working.Working) { w.Cautions = nil }, false, true},
		{"nothing left out", func(w *working.Working) { w.LeftOut = nil }, true, false},
		{"defers to nobody", func(w *working.Working) { w.Defers = "" }, true, false},
		{"says safe", func(w *working.Working) { w.Result[0].Value = "Safe to climb" }, true, false},
		{"says go", func(w *working.Working) { w.Cautions = []string{"Good to go."} }, true, false},
		{"a person's own word is quoted", func(w *working.Working) { w.Result[0].Value = working.Quoted(`safe" go "block`) }, true, true},
		{"what follows the quote is ours", func(w *working.Working) { w.Result[0].Value = working.Quoted("block") + " is safe" }, true, false},
		{"safety is another word", func(w *working.Working) { w.Cautions = []string{"Ask for the safety margin."} }, true, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w := whole()
			tc.change(&w)
			err := w.Complete(tc.safety)
			if (err == nil) != tc.ok {
				t.Errorf("Complete(%v) = %v; want passing %v", tc.safety, err, tc.ok)
			}
			if err != nil && !errs.Is(err, "WORKING_INCOMPLETE") {
				t.Errorf("Complete reason %q; want WORKING_INCOMPLETE", errs.ReasonOf(err))
			}
		})
	}
}

func TestEveryDeferenceEndsWithTheCommonOne(t *testing.T) {
	for _, d := range []string{working.DefersFall, working.DefersRigging, working.DefersExposure, working.DefersWeather, working.DefersEmergency} {
		w := whole()
		w.Defers = d
		if err := w.Complete(true); err != nil {
			t.Errorf("%v", err)
		}
	}
}

func TestTextReadsAloudInOrder(t *testing.T) {
	got := whole().Text()
	last := -1
	for _, part := range []string{"free fall: lanyard", "Entered", "Result", "Sources", "Cautions", "Left out", "Who decides"} {
		i := strings.Index(got, "\n"+part)
		if strings.HasPrefix(got, part) {
			i = 0
		}
		if i < 0 || i < last {
			t.Fatalf("%q at %d after %d in:\n%s", part, i, last, got)
		}
		last = i
	}
	for line := range strings.Lines(got) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > 78 {
			t.Errorf("line of %d characters: %q", n, line)
		}
	}
	if !strings.Contains(got, "  lanyard (L)  6 ft\n") || !strings.Contains(got, "  free fall    6 ft\n") {
		t.Errorf("columns not aligned in:\n%s", got)
	}
}

func TestFormatOfWhatIsNotANumberSaysSo(t *testing.T) {
	if got := working.Format(math.NaN()); got != "NaN" {
		t.Errorf("Format(NaN) = %q; want NaN, never a digit", got)
	}
}

func TestTermKnowsWhetherItIsANumber(t *testing.T) {
	if v, ok := working.Number("load", "", 494.974747, "lb").Float(); !ok || v != 494.975 {
		t.Errorf("a number reads back as %v, %v; want 494.975 as printed", v, ok)
	}
	for _, s := range []string{"not checked", "NaN", "+Inf", ""} {
		if v, ok := working.Words("load", s).Float(); ok {
			t.Errorf("%q reads as the number %v", s, v)
		}
	}
}
