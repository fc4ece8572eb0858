package server

import (
	"context"

	"witnessmark/internal/errs"
	"witnessmark/internal/workflow"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// uploads implements UploadService.
type uploads struct {
	witnessmarkv1.UnimplementedUploadServiceServer
	s *Server
}

func (x uploads) BeginUpload(ctx context.Context, r *witnessmarkv1.BeginUploadRequest) (*witnessmarkv1.Upload, error) {
	purpose := workflow.PurposePhoto
	switch r.GetPurpose() {
	case witnessmarkv1.BeginUploadRequest_PURPOSE_UNSPECIFIED, witnessmarkv1.BeginUploadRequest_PHOTO:
	case witnessmarkv1.BeginUploadRequest_TRACE:
		purpose = workflow.PurposeTrace
	default:
		return nil, errs.Field("PURPOSE_UNKNOWN", "purpose", "is PHOTO or TRACE")
	}
	u, err := x.s.svc.BeginUpload(ctx, identityOf(ctx), bare(r.GetJob()), purpose, r.GetEntry(), r.GetSize(), [32]byte(r.GetDigest()))
	if err != nil {
		return nil, err
	}
	return uploadView(u, nil)
}

// UploadChunk answers a wrong offset with the upload as it stands, so that the
// client goes on from there; it is no error.
func (x uploads) UploadChunk(ctx context.Context, r *witnessmarkv1.UploadChunkRequest) (*witnessmarkv1.Upload, error) {
	u, err := x.s.svc.UploadChunk(ctx, identityOf(ctx), bare(r.GetName()), r.GetOffset(), r.GetChunk())
	if err != nil && !errs.Is(err, "UPLOAD_OFFSET") {
		return nil, err
	}
	return uploadView(u, nil)
}

func (x uploads) FinishUpload(ctx context.Context, r *witnessmarkv1.FinishUploadRequest) (*witnessmarkv1.Upload, error) {
	u, err := x.s.svc.FinishUpload(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return uploadView(u, nil)
}

func (x uploads) GetUpload(ctx context.Context, r *witnessmarkv1.GetUploadRequest) (*witnessmarkv1.Upload, error) {
	u, examined, err := x.s.svc.GetUpload(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return uploadView(u, examined)
}
