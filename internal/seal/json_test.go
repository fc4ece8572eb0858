package seal_test

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

// RFC 8259, and section 4 of it for the names that must not repeat.
func TestCheckJSON(t *testing.T) {
	for _, tc := range []struct{ name, in, want string }{
		{"an entry", `{"id":"a","note":{"text":"two 7-16 · −153 dBc"}}`, ""},
		{"a bare number", "-12.5e+3", ""},
		{"white space around", " \t\r\n[1, 2]\n", ""},
		{"one name in two objects", `{"a":{"b":1},"c":{"b":1}}`, ""},
		{"a surrogate pair", `"\ud83d\ude00"`, ""},
		{"64 levels", strings.Repeat("[", 64) + strings.Repeat("]", 64), ""},
		{"65 levels", strings.Repeat("[", 65) + strings.Repeat("]", 65), "JSON_TOO_DEEP"},
		{"a million levels", strings.Repeat("[", 1_000_000), "JSON_TOO_DEEP"},
		{"over the size", `"` + strings.Repeat("x", seal.MaxJSON) + `"`, "JSON_TOO_LARGE"},
		{"a name twice", `{"value":25.5,"value":12}`, "JSON_MEMBER_TWICE"},
		{"a name twice, once escaped", `{"value":25.5,"\u0076alue":12}`, "JSON_MEMBER_TWICE"},
		{"a name twice, deep down", `[{"a":[{"b":1,"c":2,"b":3}]}]`, "JSON_MEMBER_TWICE"},
		{"the empty name twice", `{"":1,"":2}`, "JSON_MEMBER_TWICE"},
		{"a name twice among many", `{` + many(40) + `"n7":0}`, "JSON_MEMBER_TWICE"},
		{"nothing", "", "JSON_MALFORMED"},
		{"a byte-order mark", "\ufeff{}", "JSON_MALFORMED"},
		{"two values", "{} {}", "JSON_MALFORMED"},
		{"a trailing comma", `{"a":1,}`, "JSON_MALFORMED"},
		{"a comma too many", `[1,,2]`, "JSON_MALFORMED"},
		{"a comment", `{} // no`, "JSON_MALFORMED"},
		{"a leading zero", "[025]", "JSON_MALFORMED"},
		{"a plus", "+1", "JSON_MALFORMED"},
		{"a bare point", "1.", "JSON_MALFORMED"},
		{"a bare exponent", "1e", "JSON_MALFORMED"},
		{"not a number", "NaN", "JSON_MALFORMED"},
		{"infinity", "[Infinity]", "JSON_MALFORMED"},
		{"single quotes", "{'a':1}", "JSON_MALFORMED"},
		{"a tab in a string", "\"a\tb\"", "JSON_MALFORMED"},
		{"a control character after an escape", "\"\\n\x01\"", "JSON_MALFORMED"},
		{"an unknown escape", `"\x41"`, "JSON_MALFORMED"},
		{"a short escape", `"\u12"`, "JSON_MALFORMED"},
		{"half a surrogate pair", `"\ud83d"`, "JSON_MALFORMED"},
		{"two high halves", `"\ud83d\ud83d"`, "JSON_MALFORMED"},
		{"the low half first", `"\ude00\ud83d"`, "JSON_MALFORMED"},
		{"cut off", `{"a":`, "JSON_MALFORMED"},
		{"cut off in a string", `{"a`, "JSON_MALFORMED"},
		{"cut off after a backslash", `"a\`, "JSON_MALFORMED"},
		{"a zero byte after it", "{}\x00", "JSON_MALFORMED"},
		{"tru", "tru", "JSON_MALFORMED"},
		{"bytes that are no UTF-8", "\"\xff\"", "JSON_NOT_UTF8"},
		{"a surrogate in UTF-8", "\"\xed\xa0\xbd\"", "JSON_NOT_UTF8"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := seal.CheckJSON([]byte(tc.in)); errs.ReasonOf(err) != tc.want {
				t.Errorf("CheckJSON(%.80q) = %v, want %q", tc.in, err, tc.want)
			}
		})
	}
}

func many(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(`"n` + string(rune('0'+i%10)) + strings.Repeat("x", i/10) + `":1,`)
	}
	return b.String()
}

// The standard library's decoder is the twin: it takes all that we take, and
// what it takes and we refuse is refused for a reason that it does not know.
func FuzzCheckJSON(f *testing.F) {
	for _, s := range []string{`{"a":[1,-0.5e3,true,null,"\u00e9\ud83d\ude00"]}`, `{"a":1,"a":2}`, `"\ud800"`, "[[[[", `{"":{}}`, "\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		err := seal.CheckJSON(b)
		if err == nil && !(json.Valid(b) && utf8.Valid(b)) {
			t.Errorf("CheckJSON(%q) accepts what encoding/json refuses", b)
		}
		if errs.Is(err, "JSON_MALFORMED") && json.Valid(b) && !strings.Contains(err.Error(), "surrogate") {
			t.Errorf("CheckJSON(%q) = %v, encoding/json accepts it", b, err)
		}
		if errs.Is(err, "JSON_NOT_UTF8") && utf8.Valid(b) {
			t.Errorf("CheckJSON(%q) = %v, but it is UTF-8", b, err)
		}
	})
}

func BenchmarkCheckJSON(b *testing.B) {
	payload := []byte(`{"id":"0193a1c0-0000-7000-8000-000000000002","job":"jobs/demo-ridge-7","torqueApplied":{"typed":"25,5 N·m","value":25.5,"unit":"NEWTON_METERS"}}`)
	b.SetBytes(int64(len(payload)))
	for b.Loop() {
		if err := seal.CheckJSON(payload); err != nil {
			b.Fatal(err)
		}
	}
}
