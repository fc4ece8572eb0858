package workflow_test

import (
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/errs"
	wt "witnessmark/internal/workflow/workflowtest"
)

// A whole crew enrols behind one address in a quarter of an hour: only wrong
// codes count against the address.
func TestACrewEnrolsBehindOneAddress(t *testing.T) {
	b := embedded(t)
	ctx := t.Context()
	enrol := func(code string) error {
		_, err := b.Service().Enroll(ctx, code, "desk", nil, "192.0.2.7")
		return err
	}
	for i := range 30 {
		code, err := b.Service().SignInCode(ctx, wt.Org, "lead", time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		if err := enrol(code); err != nil {
			t.Fatalf("good code %d: %v", i+1, err)
		}
	}
	for i := range 21 {
		err := enrol(fmt.Sprintf("0000-0000-0000-%04d", i))
		if want := map[bool]string{false: "CODE_NOT_GOOD", true: "CODE_TRIES"}[i == 20]; !errs.Is(err, want) {
			t.Fatalf("wrong code %d: %v, want %s", i+1, err, want)
		}
	}
}
