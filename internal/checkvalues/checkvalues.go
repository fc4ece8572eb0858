// Package checkvalues reads the tables of published and computed values that
// the physics packages are tested against. Each file in testdata/checkvalues
// belongs to one package; each row names its function, inputs, expected result,
// tolerance, source and status. It is imported by tests only.
package checkvalues

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Status says how well a row is founded.
type Status string

const (
	Confirmed      Status = "confirmed"       // read in a public text
	Computed       Status = "computed"        // follows from the formula
	CommonPractice Status = "common practice" // the trade does it; no single source
	FromMemory     Status = "from memory"     // believed right; never cited
)

// Row is one check: Function names what is called, Case says it in words.
// In holds the named inputs, Want the named results. Tolerance is relative
// when Relative, else absolute; 0 means exact.
type Row struct {
	Function  string             `json:"function"`
	Case      string             `json:"case"`
	In        map[string]float64 `json:"in,omitempty"`
	Text      map[string]string  `json:"text,omitempty"` // inputs that are words
	Want      map[string]float64 `json:"want,omitempty"`
	WantText  map[string]string  `json:"wantText,omitempty"`
	WantError string             `json:"wantError,omitempty"` // an errs reason
	Tolerance float64            `json:"tolerance,omitempty"`
	Relative  bool               `json:"relative,omitempty"`
	Source    string             `json:"source"`
	Status    Status             `json:"status"`
}

// Load reads testdata/checkvalues/<name>.json. It fails the test when a row
// has no function, source or status, or expects nothing.
func Load(tb testing.TB, name string) []Row {
	tb.Helper()
	_, self, _, ok := runtime.Caller(0)
	if !ok {
		tb.Fatal("checkvalues: cannot find this source file")
	}
	path := filepath.Join(filepath.Dir(self), "..", "..", "testdata", "checkvalues", name+".json")
	b, err := os.ReadFile(path)
	if err != nil {
		tb.Fatalf("checkvalues: %v", err)
	}
	var rows []Row
	if err := json.Unmarshal(b, &rows); err != nil {
		tb.Fatalf("checkvalues: %s: %v", path, err)
	}
	for i, r := range rows {
		if r.Function == "" || r.Source == "" || r.Status == "" {
			tb.Fatalf("checkvalues: %s row %d (%s) lacks function, source or status", path, i, r.Case)
		}
		if len(r.Want) == 0 && len(r.WantText) == 0 && r.WantError == "" {
			tb.Fatalf("checkvalues: %s row %d (%s) expects nothing", path, i, r.Case)
		}
	}
	if len(rows) == 0 {
		tb.Fatalf("checkvalues: %s is empty", path)
	}
	return rows
}
