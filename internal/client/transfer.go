package client

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
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

// MaxLine bounds one line of a file of entries: a photo of the largest size that
// a server takes, in base64, and what is said about it.
const MaxLine = 48 << 20

// Line is one line of a file of work that is to be sent.
type Line struct {
	Number int
	// Job that the line names; may be empty.
	Job string
	// Entry is set for an entry that was signed elsewhere, or is there to be
	// attested: it goes as it is.
	Entry *witnessmarkv1.SubmittedEntry
	// File is set for a photo or trace.
	File *File
	// Plain is the line itself where it is neither: an entry to be signed here.
	Plain []byte
}

// File is a photo or trace with its bytes, as a phone exports it.
type File struct {
	Digest  string // hex
	Entry   string // id of the entry that names it
	Purpose witnessmarkv1.BeginUploadRequest_Purpose
	Bytes   []byte
}

// exportLine is a line as a phone exports it: an entry's, a file's, or another's.
type exportLine struct {
	Job       string  `json:"job"`
	Payload   []byte  `json:"payload"`
	Signature []byte  `json:"signature"`
	KeyID     string  `json:"keyId"`
	Bytes     *[]byte `json:"bytes"`
	File      *struct {
		Digest  string `json:"digest"`
		Job     string `json:"job"`
		Entry   string `json:"entry"`
		Purpose string `json:"purpose"`
		Size    int64  `json:"size"`
	} `json:"file"`
}

// ReadLines reads a file of work, one JSON object a line, and calls each for
// each line. A line is an entry by itself, to be signed here, or one of what a
// phone exports: an entry with the members payload (base64), signature (base64)
// and keyId, or a file with the members file and bytes (base64).
//
// A line that is none of these, or a file whose bytes are not those of its
// digest, is given to each with its error: Invalid ENTRY_LINE, Corrupt
// FILE_DAMAGED. What each returns ends the reading. Other errors: Invalid
// ENTRY_LINE for a line that is too long; r's.
func ReadLines(r io.Reader, each func(l Line, err error) error) error {
	sc := bufio.NewScanner(r)
	sc.Buffer(make([]byte, 0, 64<<10), MaxLine)
	n := 0
	for sc.Scan() {
		n++
		b := bytes.TrimSpace(sc.Bytes())
		if len(b) == 0 {
			continue
		}
		if err := each(readLine(n, b)); err != nil {
			return err
		}
	}
	if err := sc.Err(); errors.Is(err, bufio.ErrTooLong) {
		return errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d has more than %d bytes", n+1, MaxLine).Because(err)
	} else if err != nil {
		return fmt.Errorf("read line %d: %w", n+1, err)
	}
	return nil
}

func readLine(n int, b []byte) (Line, error) {
	l := Line{Number: n}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(b, &members); err != nil || members == nil {
		return l, errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d is not a JSON object, or was cut off", n).Because(err)
	}
	_, payload := members["payload"]
	_, file := members["file"]
	if !payload && !file {
		l.Plain = bytes.Clone(b)
		return l, nil
	}
	var x exportLine
	if err := json.Unmarshal(b, &x); err != nil {
		return l, errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d is not as a phone exports it", n).Because(err)
	}
	if payload {
		if len(x.Payload) == 0 {
			return l, errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d: payload is empty", n)
		}
		l.Job = x.Job
		l.Entry = &witnessmarkv1.SubmittedEntry{Payload: x.Payload, Signature: x.Signature, KeyId: x.KeyID}
		return l, nil
	}
	f := x.File
	if f == nil || f.Job == "" || x.Bytes == nil {
		return l, errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d: a file has its digest, its job and its bytes", n)
	}
	l.Job, l.File = f.Job, &File{Digest: f.Digest, Entry: f.Entry, Bytes: *x.Bytes}
	switch f.Purpose {
	case "photo":
		l.File.Purpose = witnessmarkv1.BeginUploadRequest_PHOTO
	case "trace":
		l.File.Purpose = witnessmarkv1.BeginUploadRequest_TRACE
	default:
		return l, errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d: file.purpose is %.40q; it is photo or trace", n, f.Purpose)
	}
	if sum := sha256.Sum256(l.File.Bytes); hex.EncodeToString(sum[:]) != f.Digest || int64(len(l.File.Bytes)) != f.Size {
		return l, errs.Newf(errs.Corrupt, "FILE_DAMAGED", "line %d: the bytes are not those of the file %.80q; the phone has them still, or they are lost", n, f.Digest)
	}
	return l, nil
}
