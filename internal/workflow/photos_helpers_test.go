package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"iter"
	"testing"

	"witnessmark/internal/evidence"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/workflow"
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

// sendShared sends head followed by what shared has after it, chunk by chunk,
// without a copy of the whole: what a phone holds is not the server's memory.
func sendShared(p *wt.Phone, s *workflow.Service, job string, shared []byte, head string) error {
	ctx := context.Background()
	h := sha256.New()
	h.Write([]byte(head))
	h.Write(shared[len(head):])
	u, err := s.BeginUpload(ctx, p.ID, job, workflow.PurposePhoto, "", int64(len(shared)), [32]byte(h.Sum(nil)))
	if err != nil {
		return err
	}
	for u.Offset < u.Size {
		chunk := bytes.Clone(shared[u.Offset:min(u.Offset+1<<20, u.Size)]) // as a request brings it
		if u.Offset == 0 {
			copy(chunk, head)
		}
		if u, err = s.UploadChunk(ctx, p.ID, u.ID, u.Offset, chunk); err != nil {
			return err
		}
	}
	if u, err = s.FinishUpload(ctx, p.ID, u.ID); err == nil && u.State != "stored" {
		err = fmt.Errorf("the upload is %s", u.State)
	}
	return err
}
