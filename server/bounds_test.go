package server_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server/servertest"
)

// Each bound that a caller can reach, at the bound and one past it, through the
// wire. Messages and pages have theirs beside what else is asked of them.
func TestBoundsThroughTheWire(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")

	begin := func(p *servertest.Person, size int64, purpose witnessmarkv1.BeginUploadRequest_Purpose, seed string) error {
		sum := sha256.Sum256([]byte(seed))
		_, err := p.Uploads.BeginUpload(t.Context(), &witnessmarkv1.BeginUploadRequest{Job: job, Size: size, Digest: sum[:], Purpose: purpose})
		return err
	}
	for _, tc := range []struct {
		name    string
		size    int64
		purpose witnessmarkv1.BeginUploadRequest_Purpose
		reason  string
	}{
		{"a photo of 32 MiB", 32 << 20, witnessmarkv1.BeginUploadRequest_PHOTO, ""},
		{"a photo of one byte more", 32<<20 + 1, witnessmarkv1.BeginUploadRequest_PHOTO, "PHOTO_TOO_LARGE"},
		{"a trace of 8 MiB", 8 << 20, witnessmarkv1.BeginUploadRequest_TRACE, ""},
		{"a trace of one byte more", 8<<20 + 1, witnessmarkv1.BeginUploadRequest_TRACE, "TRACE_TOO_LARGE"},
	} {
		err := begin(o.Lead, tc.size, tc.purpose, tc.name)
		if tc.reason == "" && err != nil || tc.reason != "" && reason(t, err) != tc.reason {
			t.Errorf("%s: %v; want the reason %q", tc.name, err, tc.reason)
		}
	}

	chunk := bytes.Repeat([]byte{7}, 1<<20)
	sum := sha256.Sum256(append(chunk, 1))
	u, err := o.Lead.Uploads.BeginUpload(t.Context(), &witnessmarkv1.BeginUploadRequest{Job: job, Size: 1<<20 + 1, Digest: sum[:]})
	if err != nil {
		t.Fatal(err)
	}
	send := func(b []byte) (*witnessmarkv1.Upload, error) {
		return o.Lead.Uploads.UploadChunk(t.Context(), &witnessmarkv1.UploadChunkRequest{Name: u.GetName(), Chunk: b})
	}
	if _, err := send(append(chunk, 1)); status.Code(err) != codes.InvalidArgument || reason(t, err) == "" {
		t.Errorf("a chunk one byte over 1 MiB: %v; want INVALID_ARGUMENT with a reason", err)
	}
	if got, err := send(chunk); err != nil || got.GetOffset() != 1<<20 {
		t.Errorf("a chunk of 1 MiB: %v, %v; want it taken", got, err)
	}

	for i := range 64 {
		if err := begin(o.Climber, 100, witnessmarkv1.BeginUploadRequest_PHOTO, fmt.Sprint("open ", i)); err != nil {
			t.Fatalf("open upload %d of 64: %v", i+1, err)
		}
	}
	if err := begin(o.Climber, 100, witnessmarkv1.BeginUploadRequest_PHOTO, "open 64"); reason(t, err) != "TOO_MANY_UPLOADS" || status.Code(err) != codes.ResourceExhausted {
		t.Errorf("the 65th open upload of a device: %v; want TOO_MANY_UPLOADS", err)
	}

	batch := func(n int) error {
		var es []*witnessmarkv1.SubmittedEntry
		chain := o.Climber.Chain(t, job)
		for i := range n {
			es = append(es, servertest.Sign(t, chain, servertest.Note(fmt.Sprint("note ", i))))
		}
		got, err := o.Climber.Jobs.SubmitEntries(t.Context(), &witnessmarkv1.SubmitEntriesRequest{Job: job, Entries: es})
		for i, r := range got.GetResults() {
			if r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
				t.Errorf("entry %d of %d: %v", i+1, n, r)
			}
		}
		return err
	}
	if err := batch(501); status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "500") {
		t.Errorf("501 entries in a batch: %v; want INVALID_ARGUMENT that names 500", err)
	}
	if err := batch(500); err != nil {
		t.Errorf("500 entries in a batch: %v; want none", err)
	}

	// Characters, not bytes: é has two.
	for n, want := range map[int]witnessmarkv1.EntryResult_Outcome{4000: witnessmarkv1.EntryResult_ACCEPTED, 4001: witnessmarkv1.EntryResult_REFUSED} {
		r := o.Lead.Submit(t, job, servertest.Sign(t, o.Lead.Chain(t, job), servertest.Note(strings.Repeat("é", n))))[0]
		if r.GetOutcome() != want || want == witnessmarkv1.EntryResult_REFUSED && r.GetReason() != "TEXT_TOO_LONG" {
			t.Errorf("a note of %d characters: %v, %s; want %v", n, r.GetOutcome(), r.GetReason(), want)
		}
	}

	plan := func(n int) *recordv1.Plan {
		p := &recordv1.Plan{Lines: []*recordv1.Plan_Line{{Id: "L1", Medium: recordv1.Plan_Line_COAX}}}
		for i := range n {
			p.Connections = append(p.Connections, &recordv1.Plan_Connection{Id: fmt.Sprint("c", i), Line: "L1", Interface: "7-16"})
		}
		return p
	}
	j, err := o.Lead.Jobs.GetJob(t.Context(), &witnessmarkv1.GetJobRequest{Name: job})
	if err != nil {
		t.Fatal(err)
	}
	create := func(n int) error {
		_, err := o.Lead.Jobs.CreateJob(t.Context(), &witnessmarkv1.CreateJobRequest{JobId: fmt.Sprint("plan-", n), Title: "A large plan", Site: j.GetSite(), ProcedureRevision: "procedures/" + j.GetProcedure() + "/revisions/" + j.GetProcedureDigest(), Plan: plan(n)})
		return err
	}
	if err := create(500); err != nil {
		t.Errorf("a plan of 500 connections: %v; want none", err)
	}
	if err := create(501); status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "500") {
		t.Errorf("a plan of 501 connections: %v; want INVALID_ARGUMENT that names 500", err)
	}
}
