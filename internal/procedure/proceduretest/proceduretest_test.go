package proceduretest_test

import (
	"testing"

	"witnessmark/internal/procedure/proceduretest"
)

func TestMinimal(t *testing.T) {
	e := proceduretest.Expand(t)
	// briefing 1, weather 1, kit 1, couple 3 x 4, test 3 x 2, close 2.
	if got := len(e.Steps); got != 23 {
		t.Errorf("steps = %d; want 23", got)
	}
	if missing := e.MissingForLimits(); len(missing) > 0 {
		t.Errorf("limits that the plan does not suffice for: %v", missing)
	}
	torque := e.Step("connection:A1-top/couple/torque")
	if torque == nil || torque.Limit == nil || torque.Limit.Lower == nil || *torque.Limit.Lower != 24.4 {
		t.Fatalf("torque step = %+v; want a lower limit of 24.4", torque)
	}
}
