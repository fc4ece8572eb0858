package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	"witnessmark/storage/blob"
)

// An upload that breaks off after any chunk goes on from there, through another
// server, and what is kept is what was sent.
func TestUploadInterruptedAtEveryChunk(t *testing.T) {
	everywhere(t, func(t *testing.T, b *wt.Bench) {
		ctx, job := context.Background(), b.Job("j1")
		p, other := b.Phone("climber"), b.Phone("climber2")
		data := smallPicture(3)
		const chunk = 10_000
		pieces := (len(data) + chunk - 1) / chunk
		if pieces < 4 {
			t.Fatalf("a picture of %d bytes has only %d chunks", len(data), pieces)
		}
		for stop := range pieces + 1 {
			bytesOf := append(bytes.Clone(data), byte(stop)) // no two alike
			size, digest := int64(len(bytesOf)), sha256.Sum256(bytesOf)
			begin := func() string {
				u, err := b.Any().BeginUpload(ctx, p.ID, job, workflow.PurposePhoto, "", size, digest)
				if err != nil {
					t.Fatalf("begin: %v", err)
				}
				return u.ID
			}
			id := begin()
			at := func() int64 {
				u, _, err := b.Any().GetUpload(ctx, p.ID, id)
				if err != nil {
					t.Fatalf("get: %v", err)
				}
				return u.Offset
			}
			send := func(offset int64) error {
				_, err := b.Any().UploadChunk(ctx, p.ID, id, offset, bytesOf[offset:min(offset+chunk, size)])
				return err
			}
			for range stop {
				if off := at(); off < size {
					if err := send(off); err != nil {
						t.Fatalf("chunk at %d: %v", off, err)
					}
				}
			}
			// The phone goes away and comes back; its answer may have been lost.
			if again := begin(); again != id {
				t.Fatalf("stopped after %d chunks: begun again as another upload", stop)
			}
			if off := at(); stop > 0 && off > 0 {
				wantReason(t, "the first chunk once more", send(0), "UPLOAD_OFFSET")
			}
			if off := at(); off < size {
				_, err := b.Any().FinishUpload(ctx, p.ID, id)
				wantReason(t, fmt.Sprintf("finish at %d of %d", off, size), err, "UPLOAD_INCOMPLETE")
				_, err = b.Any().UploadChunk(ctx, p.ID, id, off, make([]byte, size-off+1))
				wantReason(t, "a chunk past the end", err, "CHUNK_PAST_END")
				_, err = b.Any().UploadChunk(ctx, p.ID, id, off, nil)
				wantReason(t, "an empty chunk", err, "CHUNK_TOO_LARGE")
				_, err = b.Any().UploadChunk(ctx, p.ID, id, off, make([]byte, blob.MaxChunk+1))
				wantReason(t, "a chunk over the bound", err, "CHUNK_TOO_LARGE")
				_, err = b.Any().UploadChunk(ctx, other.ID, id, off, bytesOf[off:min(off+chunk, size)])
				wantReason(t, "another person's chunk", err, "UPLOAD_NOT_FOUND")
			}
			for off := at(); off < size; off = at() {
				if err := send(off); err != nil {
					t.Fatalf("chunk at %d: %v", off, err)
				}
			}
			for range 2 { // the answer of the first may be lost
				u, err := b.Any().FinishUpload(ctx, p.ID, id)
				if err != nil || u.State != "stored" {
					t.Fatalf("finish: %q, %v", u.State, err)
				}
			}
			if got, _ := kept(t, b.Any(), p.ID, job, digest, 0); !bytes.Equal(got, bytesOf) {
				t.Errorf("stopped after %d chunks: %d bytes came back, not the %d that were sent", stop, len(got), size)
			}
			n := 0
			for l, err := range linesOf(t, b, job) {
				if err != nil {
					t.Fatal(err)
				}
				if r := l.GetPhotoReceived(); bytes.Equal(r.GetDigest(), digest[:]) {
					n++
				}
			}
			if n != 1 {
				t.Errorf("stopped after %d chunks: %d lines 'photo received'; want 1", stop, n)
			}
		}
	})
}

// Bytes that are not the announced ones are never kept; they are begun again.
func TestUploadOfOtherBytes(t *testing.T) {
	b := embedded(t)
	ctx, job, p := context.Background(), b.Job("j1"), b.Phone("climber")
	data := smallPicture(3)
	digest := sha256.Sum256(data)
	u, err := b.Service().BeginUpload(ctx, p.ID, job, workflow.PurposePhoto, "", int64(len(data)), digest)
	if err != nil {
		t.Fatal(err)
	}
	bad := bytes.Clone(data)
	bad[len(bad)/2] ^= 1
	if _, err := b.Service().UploadChunk(ctx, p.ID, u.ID, 0, bad); err != nil {
		t.Fatal(err)
	}
	got, err := b.Service().FinishUpload(ctx, p.ID, u.ID)
	if err != nil || got.State != "wrong" {
		t.Fatalf("finish: %q, %v; want wrong", got.State, err)
	}
	_, _, _, err = b.Service().File(ctx, p.ID, job, digest, 0)
	wantReason(t, "the file", err, "BLOB_NOT_FOUND")
	again, err := p.Upload(b.Service(), job, workflow.PurposePhoto, data, 1<<20)
	if err != nil || again.State != "stored" || again.ID == u.ID {
		t.Fatalf("sent again: upload %s is %q, %v; want another, stored", again.ID, again.State, err)
	}
}

// Receipts do not wait for examinations: while one takes its time, twenty
// photos arrive and get theirs.
func TestReceiptsDoNotWait(t *testing.T) {
	b := embedded(t)
	job, p := b.Job("j1"), b.Phone("climber")
	release := b.Service().HoldExamination()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); b.Service().RunWorkers(ctx) }()
	for i := range uint64(20) {
		data := testPicture(100 + i)
		u, err := p.Upload(b.Service(), job, workflow.PurposePhoto, data, 1<<20)
		if err != nil || u.State != "stored" {
			t.Fatalf("photo %d: %q, %v", i, u.State, err)
		}
	}
	received, examined := 0, 0
	for l, err := range linesOf(t, b, job) {
		if err != nil {
			t.Fatal(err)
		}
		if l.GetPhotoReceived() != nil {
			received++
		}
		if l.GetPhotoExamined() != nil {
			examined++
		}
	}
	if received != 20 || examined != 0 {
		t.Errorf("while the examination is held: %d received, %d examined; want 20 and 0", received, examined)
	}
	release()
	stop()
	<-done
	b.Clock.Advance(3 * time.Minute) // what the stopped worker had comes back when its lease ends
	b.Drain()
	examined = 0
	for l, err := range linesOf(t, b, job) {
		if err != nil {
			t.Fatal(err)
		}
		if l.GetPhotoExamined().GetReadable() {
			examined++
		}
	}
	if examined != 20 {
		t.Errorf("afterwards: %d examined and readable; want 20", examined)
	}
}
