package checkvalues

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/errs"
)

// Result is what a package gave for one row: its numbers and words by the names
// that the row's Want and WantText use.
type Result struct {
	Numbers map[string]float64
	Words   map[string]string
}

// Numbers makes a Result of names and values in turn.
func Numbers(kv ...any) Result {
	r := Result{Numbers: map[string]float64{}}
	for i := 0; i+1 < len(kv); i += 2 {
		r.Numbers[kv[i].(string)] = kv[i+1].(float64)
	}
	return r
}

// Run holds every row of testdata/checkvalues/<name>.json against calls, one
// subtest each. A row whose function has no call, and a call that no row uses,
// fail the test.
func Run(t *testing.T, name string, calls map[string]func(Row) (Result, error)) {
	t.Helper()
	used := map[string]bool{}
	for _, row := range Load(t, name) {
		call, ok := calls[row.Function]
		if !ok {
			t.Errorf("%s.json names the function %q, which this test does not call", name, row.Function)
			continue
		}
		used[row.Function] = true
		t.Run(row.Function+"/"+strings.ReplaceAll(row.Case, "/", "÷"), func(t *testing.T) {
			got, err := call(row)
			if row.WantError != "" || err != nil {
				if !errs.Is(err, row.WantError) {
					t.Errorf("%s(%v %v) = %v; want error %q", row.Function, row.In, row.Text, err, row.WantError)
				}
				return
			}
			for k, want := range row.Want {
				v, ok := got.Numbers[k]
				allowed := row.Tolerance
				if row.Relative {
					allowed *= math.Abs(want)
				}
				// Near nothing, a relative tolerance would ask for exactness.
				if row.Relative && want == 0 {
					allowed = row.Tolerance
				}
				if !ok || !(math.Abs(v-want) <= allowed) {
					t.Errorf("%s(%v %v): %s = %v; want %v within %v (%s, %s)", row.Function, row.In, row.Text, k, v, want, allowed, row.Source, row.Status)
				}
			}
			for k, want := range row.WantText {
				if v, ok := got.Words[k]; !ok || v != want {
					t.Errorf("%s(%v %v): %s = %q; want %q (%s, %s)", row.Function, row.In, row.Text, k, v, want, row.Source, row.Status)
				}
			}
		})
	}
	for f := range calls {
		if !used[f] {
			t.Errorf("no row of %s.json uses the function %q", name, f)
		}
	}
}

// Fields reads the numbers of a text separated by blanks, such as a series of
// readings, and fails the test on anything else.
func Fields(tb testing.TB, text string) []float64 {
	tb.Helper()
	var out []float64
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			tb.Fatalf("checkvalues: %q in %q is not a number", f, text)
		}
		out = append(out, v)
	}
	return out
}
