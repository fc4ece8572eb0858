package workflow_test

import (
	"context"
	"iter"
	"testing"

	"witnessmark/internal/evidence"
	"witnessmark/internal/photo/testpicture"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// testPicture is a very small readable picture; each seed gives another.
func testPicture(seed uint64) []byte {
	return testpicture.JPEG(testpicture.Options{Family: seed, Seed: seed, Width: 320, Height: 240, Quality: 80})
}

// linesOf reads the entries of a job's record.
func linesOf(t testing.TB, b *wt.Bench, job string) iter.Seq2[*recordv1.Entry, error] {
	t.Helper()
	return entriesOf(b, job, storage.ListRecord)
}

func entriesOf(b *wt.Bench, job string, list storage.List) iter.Seq2[*recordv1.Entry, error] {
	return func(yield func(*recordv1.Entry, error) bool) {
		for after := int64(0); ; {
			ls, err := b.Service().Store.Lines(context.Background(), wt.Org, job, list, after, 1000, 8<<20)
			if err != nil {
				yield(nil, err)
				return
			}
			if len(ls) == 0 {
				return
			}
			for _, l := range ls {
				after = l.Seq
				p, err := evidence.ParseLine(l.Line)
				if err != nil {
					yield(nil, err)
					return
				}
				if !yield(p.Fold.Entry, nil) {
					return
				}
			}
		}
	}
}
