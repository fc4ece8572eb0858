package procedure

import (
	"embed"
	"fmt"
	"slices"

	"witnessmark/internal/errs"
)

//go:embed shipped/*.yaml
var shipped embed.FS

// Shipped lists the ids of the procedures that come with the program, sorted:
// antenna-line, fibre-trunk and tower-day. The first two include the third.
func Shipped() []string {
	entries, err := shipped.ReadDir("shipped")
	if err != nil {
		panic("procedure: the shipped procedures are not in the program: " + err.Error())
	}
	out := make([]string, 0, len(entries))
	for _, e := range entries {
		out = append(out, e.Name()[:len(e.Name())-len(".yaml")])
	}
	slices.Sort(out)
	return out
}

// ShippedSource returns a shipped procedure's document as its author wrote it,
// with its includes named. It is the start for a company's own.
//
// The error is NotFound, PROCEDURE_UNKNOWN.
func ShippedSource(id string) ([]byte, error) {
	if !procedureID.MatchString(id) {
		return nil, unknownProcedure(id)
	}
	doc, err := shipped.ReadFile("shipped/" + id + ".yaml")
	if err != nil {
		return nil, unknownProcedure(id)
	}
	return doc, nil
}

// ShippedDocument returns a shipped procedure's document with its includes
// written out: ready for Compile, and the same bytes each time.
//
// The error is NotFound, PROCEDURE_UNKNOWN.
func ShippedDocument(id string) ([]byte, error) {
	doc, err := ShippedSource(id)
	if err != nil {
		return nil, err
	}
	return Include(doc, ShippedSource)
}

func unknownProcedure(id string) error {
	return errs.New(errs.NotFound, "PROCEDURE_UNKNOWN", fmt.Sprintf("procedure: %.80q does not come with this program", id), "field", "procedure")
}
