package client

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"witnessmark/internal/errs"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// MaxChunk is the largest piece of an upload.
const MaxChunk = 1 << 20

// Upload sends bytes to a job, from where an earlier attempt stopped, and
// returns when the server keeps them with the right digest. progress, if not
// nil, is told how many bytes the server has.
func (c *Client) Upload(ctx context.Context, job, entry string, purpose witnessmarkv1.BeginUploadRequest_Purpose, data []byte, progress func(have, whole int64)) (*witnessmarkv1.Upload, error) {
	digest := sha256.Sum256(data)
	u, err := c.Uploads.BeginUpload(ctx, &witnessmarkv1.BeginUploadRequest{Job: job, Size: int64(len(data)), Digest: digest[:], Purpose: purpose, Entry: entry})
	if err != nil {
		return nil, err
	}
	for stalled := 0; u.GetState() == witnessmarkv1.Upload_RECEIVING && u.GetOffset() < int64(len(data)); {
		if progress != nil {
			progress(u.GetOffset(), int64(len(data)))
		}
		have := u.GetOffset()
		end := min(have+MaxChunk, int64(len(data)))
		if u, err = c.Uploads.UploadChunk(ctx, &witnessmarkv1.UploadChunkRequest{Name: u.GetName(), Offset: have, Chunk: data[have:end]}); err != nil {
			return nil, err
		}
		if u.GetOffset() > have {
			stalled = 0
		} else if stalled++; stalled > 3 {
			return nil, errs.Newf(errs.Unavailable, "UPLOAD_STALLED", "the server stays at %d of %d bytes; send it again later", have, len(data))
		}
	}
	if u.GetState() == witnessmarkv1.Upload_RECEIVING {
		if u, err = c.Uploads.FinishUpload(ctx, &witnessmarkv1.FinishUploadRequest{Name: u.GetName()}); err != nil {
			return nil, err
		}
	}
	if u.GetState() != witnessmarkv1.Upload_STORED {
		return nil, errs.Newf(errs.Corrupt, "UPLOAD_NOT_STORED", "the server did not keep the bytes (%s); send them again", u.GetState())
	}
	if progress != nil {
		progress(int64(len(data)), int64(len(data)))
	}
	return u, nil
}

// Package writes a job's evidence package to w. progress, if not nil, is told
// how many bytes came of how many; whole is 0 where the server does not say.
//
// The error is Corrupt PACKAGE_CUT_OFF if fewer bytes came than were announced.
func (c *Client) Package(ctx context.Context, job string, w io.Writer, progress func(have, whole int64)) error {
	stream, err := c.Evidence.DownloadPackage(ctx, &witnessmarkv1.DownloadPackageRequest{Job: job})
	if err != nil {
		return err
	}
	var have, whole int64
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		whole = max(whole, piece.GetSize())
		n, err := w.Write(piece.GetChunk())
		have += int64(n)
		if err != nil {
			return fmt.Errorf("write the package: %w", err)
		}
		if progress != nil {
			progress(have, whole)
		}
	}
	if whole > 0 && have != whole {
		return errs.Newf(errs.Corrupt, "PACKAGE_CUT_OFF", "%d of %d bytes came; fetch it again", have, whole)
	}
	return nil
}

// MaxLine bounds one line of a file of entries.
const MaxLine = 4 << 20

// ReadEntries reads entries to be sent, one JSON object a line. A line is either
// an entry by itself, to be signed here, or what a phone exports: an object with
// the members payload (base64), signature (base64) and keyId, which goes as it is.
//
// The error is Invalid, reason ENTRY_LINE, and names the line.
func ReadEntries(r io.Reader, each func(line int, entry []byte) error) error {
	sc := bufio.NewScanner(r)
	sc.Buffer(make([]byte, 0, 64<<10), MaxLine)
	n := 0
	for sc.Scan() {
		n++
		b := bytes.TrimSpace(sc.Bytes())
		if len(b) == 0 {
			continue
		}
		if b[0] != '{' {
			return errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d is not a JSON object", n)
		}
		if err := each(n, bytes.Clone(b)); err != nil {
			return err
		}
	}
	if err := sc.Err(); err != nil {
		return errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d cannot be read; a line has at most %d bytes", n+1, MaxLine).Because(err)
	}
	return nil
}
