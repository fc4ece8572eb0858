package evidence

import (
	"bytes"
	"encoding/json"
	"testing"
)

// compact is held against encoding/json, on all JSON.
func FuzzCompact(f *testing.F) {
	for _, s := range []string{`{}`, ` { "a" : [ 1 , true , null , "b c" ] }`, `"a \" b"`, `"\\"`, `{"a\\" : " \\\" "}`, `{"limit": {"lower":24.4,  "unit":"NEWTON_METERS"}}`, "[\n\t1,\r2]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var want bytes.Buffer
		if json.Compact(&want, b) != nil {
			compact(bytes.Clone(b)) // must not panic; the line's checks refuse what comes out
			return
		}
		if got := compact(bytes.Clone(b)); !bytes.Equal(got, want.Bytes()) {
			t.Errorf("compact(%q) = %q; want %q", b, got, want.Bytes())
		}
	})
}
