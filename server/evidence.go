package server

import (
	"bytes"
	"context"
	"encoding/hex"
	"io"

	"witnessmark/internal/evidence"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// evidenceService implements EvidenceService.
type evidenceService struct {
	witnessmarkv1.UnimplementedEvidenceServiceServer
	s *Server
}

// pieceSize is how much of a download goes into one message: with the message's
// own bytes a little under the size of a buffer that gRPC keeps.
const pieceSize = 256<<10 - 64

// pieces cuts a stream of bytes into messages. What send is given is its own
// until it returns: gRPC has encoded a message, which copies it, by then, and
// what counts the calls reads no more than its size.
type pieces struct {
	buf  []byte
	send func([]byte) error
	sent bool
}

func (p *pieces) Write(b []byte) (int, error) {
	n := len(b)
	for len(b) > 0 {
		if len(p.buf) == 0 && len(b) >= pieceSize { // without copying
			p.sent = true
			if err := p.send(b[:pieceSize]); err != nil {
				return n - len(b), err
			}
			b = b[pieceSize:]
			continue
		}
		if p.buf == nil {
			p.buf = make([]byte, 0, pieceSize)
		}
		k := min(pieceSize-len(p.buf), len(b))
		p.buf, b = append(p.buf, b[:k]...), b[k:]
		if len(p.buf) == pieceSize {
			if err := p.flush(); err != nil {
				return n - len(b), err
			}
		}
	}
	return n, nil
}

func (p *pieces) flush() error {
	if len(p.buf) == 0 && p.sent {
		return nil
	}
	p.sent = true
	err := p.send(p.buf)
	p.buf = p.buf[:0]
	return err
}

// until ends a download's context when the server stops.
func (s *Server) until(ctx context.Context) (context.Context, context.CancelCauseFunc) {
	ctx, cancel := context.WithCancelCause(ctx)
	go func() {
		select {
		case <-s.stopped:
			cancel(stopping())
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// endOf is the error of a download, which may have been ended by the stop.
func (s *Server) endOf(err error) error {
	if err != nil && s.isStopping() {
		return stopping()
	}
	return err
}

func (x evidenceService) DownloadPackage(r *witnessmarkv1.DownloadPackageRequest, stream witnessmarkv1.EvidenceService_DownloadPackageServer) error {
	ctx, cancel := x.s.until(stream.Context())
	defer cancel(nil)
	pkg, _, err := x.s.svc.Package(ctx, identityOf(ctx), bare(r.GetJob()), nil)
	if err != nil {
		return err
	}
	size, err := pkg.ArchiveBytes()
	if err != nil {
		return err
	}
	p := &pieces{send: func(b []byte) error {
		m := &witnessmarkv1.DownloadPackageResponse{Chunk: b, Size: size}
		size = 0 // said once, in the first piece
		return stream.Send(m)
	}}
	if err := pkg.Write(ctx, p); err != nil {
		return x.s.endOf(err)
	}
	return p.flush()
}

func (x evidenceService) DownloadFile(r *witnessmarkv1.DownloadFileRequest, stream witnessmarkv1.EvidenceService_DownloadFileServer) error {
	ctx, cancel := x.s.until(stream.Context())
	defer cancel(nil)
	d, err := hexDigest("digest", r.GetDigest())
	if err != nil {
		return err
	}
	rc, media, _, err := x.s.svc.File(ctx, identityOf(ctx), bare(r.GetJob()), d, int(r.GetSize()))
	if err != nil {
		return err
	}
	p := &pieces{send: func(b []byte) error {
		m := &witnessmarkv1.DownloadFileResponse{Chunk: b, MediaType: media}
		media = ""
		return stream.Send(m)
	}}
	_, err = io.Copy(p, rc)
	if cerr := rc.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return x.s.endOf(err)
	}
	return p.flush()
}

func (x evidenceService) GetCheckpoint(ctx context.Context, _ *witnessmarkv1.GetCheckpointRequest) (*witnessmarkv1.Checkpoint, error) {
	head, key, err := x.s.svc.Checkpoint(ctx, identityOf(ctx).Org)
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.Checkpoint{Note: string(head.Checkpoint), Key: key.String(), Size: head.Size}, nil
}

func (x evidenceService) GetConsistencyProof(ctx context.Context, r *witnessmarkv1.GetConsistencyProofRequest) (*witnessmarkv1.Proof, error) {
	path, size, err := x.s.svc.Consistency(ctx, identityOf(ctx).Org, r.GetFromSize(), r.GetToSize())
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.Proof{Size: size}
	for _, h := range path {
		out.Hashes = append(out.Hashes, h[:])
	}
	return out, nil
}

func (x evidenceService) GetInclusionProof(ctx context.Context, r *witnessmarkv1.GetInclusionProofRequest) (*witnessmarkv1.Proof, error) {
	p, leaf, err := x.s.svc.Inclusion(ctx, identityOf(ctx), bare(r.GetJob()), r.GetSize())
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.Proof{Index: int64(p.Index), Size: int64(p.Size), Leaf: leaf}
	for _, h := range p.Path {
		out.Hashes = append(out.Hashes, h[:])
	}
	return out, nil
}

func (x evidenceService) GetReadings(ctx context.Context, r *witnessmarkv1.GetReadingsRequest) (*witnessmarkv1.GetReadingsResponse, error) {
	var b bytes.Buffer
	if err := x.s.svc.Readings(ctx, identityOf(ctx), bare(r.GetJob()), &b); err != nil {
		return nil, err
	}
	return &witnessmarkv1.GetReadingsResponse{Csv: b.Bytes()}, nil
}

func (x evidenceService) GetReport(ctx context.Context, r *witnessmarkv1.GetReportRequest) (*witnessmarkv1.GetReportResponse, error) {
	job := bare(r.GetJob())
	var b bytes.Buffer
	err := x.s.svc.Report(ctx, identityOf(ctx), job, photoPath(job), &b)
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.GetReportResponse{Html: b.Bytes()}, nil
}

func (x evidenceService) RedactPhoto(ctx context.Context, r *witnessmarkv1.RedactPhotoRequest) (*witnessmarkv1.RedactPhotoResponse, error) {
	d, err := hexDigest("digest", r.GetDigest())
	if err != nil {
		return nil, err
	}
	made, seq, err := x.s.svc.Redact(ctx, identityOf(ctx), bare(r.GetJob()), d, r.GetRegions(), r.GetReason())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.RedactPhotoResponse{CopyDigest: hex.EncodeToString(made[:]), Seq: seq}, nil
}

func (x evidenceService) SetLegalHold(ctx context.Context, r *witnessmarkv1.SetLegalHoldRequest) (*witnessmarkv1.SetLegalHoldResponse, error) {
	enforced, files, err := x.s.svc.SetLegalHold(ctx, identityOf(ctx), bare(r.GetJob()), r.GetOn(), r.GetReason())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.SetLegalHoldResponse{Enforced: enforced, FileCount: int32(files)}, nil
}

func (x evidenceService) FindTwins(ctx context.Context, r *witnessmarkv1.FindTwinsRequest) (*witnessmarkv1.FindTwinsResponse, error) {
	d, err := hexDigest("digest", r.GetDigest())
	if err != nil {
		return nil, err
	}
	twins, err := x.s.svc.Twins(ctx, identityOf(ctx), bare(r.GetJob()), d)
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.FindTwinsResponse{}
	for _, t := range twins {
		out.Twins = append(out.Twins, &witnessmarkv1.FindTwinsResponse_Twin{Job: named("jobs", t.Job), Digest: hex.EncodeToString(t.Digest[:]), Distance: int32(t.Distance)})
	}
	return out, nil
}

// photoPath gives the report the addresses of a job's pictures.
func photoPath(job string) func([32]byte) evidence.Picture {
	return func(digest [32]byte) evidence.Picture {
		at := "/jobs/" + job + "/photos/" + hex.EncodeToString(digest[:])
		return evidence.Picture{Original: at, Small: at + "?size=320", Overlay: at + "?size=1"}
	}
}
