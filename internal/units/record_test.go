package units_test

import (
	"testing"

	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func TestEveryUnitOfTheRecordIsKnownByItsName(t *testing.T) {
	for n, name := range recordv1.Measure_Unit_name {
		if n == 0 { // not given
			continue
		}
		u, err := units.ParseUnit(name)
		if err != nil || u.Dimension() == "" || u.Name() == "" {
			t.Errorf("ParseUnit(%q) = %q, %v; want a unit with a dimension and a name", name, u, err)
		}
	}
}
