package evidence_test

import (
	"bytes"
	"context"
	"testing"

	"witnessmark/internal/evidence"
	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
)

func verify(tb testing.TB, archive []byte, o evidence.Options) *evidence.Result {
	tb.Helper()
	r, err := evidence.Verify(context.Background(), bytes.NewReader(archive), int64(len(archive)), o)
	if err != nil {
		tb.Fatalf("Verify: %v", err)
	}
	return r
}

func pinned(j *evidencetest.Job) evidence.Options {
	return evidence.Options{LogKeys: []seal.LogPublicKey{j.LogKey().Public()}}
}

func TestSignedJobVerifies(t *testing.T) {
	j := evidencetest.Signed(t)
	r := verify(t, j.Archive(), pinned(j))
	if !r.Verified() {
		t.Errorf("verified = false: %v", r.Failure)
	}
	for _, c := range r.Checks {
		t.Logf("%-18s %-12s %s", c.Name, c.Outcome, c.Detail)
	}
	for _, n := range r.Notes {
		t.Logf("note %s %s %s", n.Reason, n.Subject, n.Sentence)
	}
}

func kind(p *evidence.Parsed) string { return record.KindName(p.Fold.Entry) }
