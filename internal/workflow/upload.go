package workflow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/photo"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// Purposes of an upload.
const (
	PurposePhoto = "photo"
	PurposeTrace = "trace"
)

// BeginUpload begins an upload, or returns the one that the same device has for
// the same job and bytes. Where the bytes are there already it is stored at once:
// only for bytes that this job holds, for knowing a digest never replaces sending.
//
// Errors: NotFound JOB_NOT_FOUND; TooLarge PHOTO_TOO_LARGE, TRACE_TOO_LARGE; Busy
// TOO_MANY_UPLOADS.
func (s *Service) BeginUpload(ctx context.Context, id access.Identity, job, purpose, entry string, size int64, digest [32]byte) (storage.Upload, error) {
	if err := s.mayWrite(ctx, id, job); err != nil {
		return storage.Upload{}, unavailable(err)
	}
	bound, what := int64(MaxPhoto), "PHOTO_TOO_LARGE"
	if purpose == PurposeTrace {
		bound, what = MaxTrace, "TRACE_TOO_LARGE"
	}
	if size < 1 || size > bound {
		return storage.Upload{}, errs.New(errs.TooLarge, what, fmt.Sprintf("size: has %d bytes; a %s has 1 to %d", size, purpose, bound), "field", "size", "bound", fmt.Sprint(bound))
	}
	name, err := s.newID()
	if err != nil {
		return storage.Upload{}, err
	}
	now := s.now()
	u, err := s.Store.CreateUpload(ctx, id.Org, storage.Upload{
		ID: name, Job: job, Person: id.Person, Device: id.Device, Purpose: purpose, Entry: entry, Size: size, Digest: digest, State: "receiving",
		CreateTime: now, ExpireTime: now.Add(UploadLife),
	}, MaxOpenUploads)
	if err != nil {
		return u, unavailable(err)
	}
	if u.Size != size {
		return u, errs.Field("SIZE_DIFFERS", "size", fmt.Sprintf("these bytes were begun with %d bytes; a digest has one size", u.Size))
	}
	if _, err := s.Store.GetBlob(ctx, id.Org, job, digest); err == nil {
		if u, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "stored"); err != nil {
			return u, unavailable(err)
		}
		u.Offset = size
		// The bytes may be there without their line: a server that stopped between the two.
		return u, s.received(ctx, id.Org, u)
	} else if errs.KindOf(err) != errs.NotFound {
		return u, unavailable(err)
	}
	return u, nil
}

// upload reads an upload of the caller.
func (s *Service) upload(ctx context.Context, id access.Identity, name string) (storage.Upload, error) {
	u, err := s.Store.GetUpload(ctx, id.Org, name)
	if err != nil {
		return u, unavailable(err)
	}
	if u.Person != id.Person {
		return u, errs.New(errs.NotFound, "UPLOAD_NOT_FOUND", "there is no such upload; it may have run out: begin again", "upload", name) // in the words of one that is nowhere
	}
	return u, nil
}

// GetUpload returns an upload and the examination, once there is one.
func (s *Service) GetUpload(ctx context.Context, id access.Identity, name string) (storage.Upload, []byte, error) {
	u, err := s.upload(ctx, id, name)
	if err != nil || u.State != "stored" {
		return u, nil, err
	}
	b, err := s.Store.GetBlob(ctx, id.Org, u.Job, u.Digest)
	if errs.KindOf(err) == errs.NotFound {
		return u, nil, nil
	}
	return u, b.Examined, unavailable(err)
}

// UploadChunk takes the bytes at an offset. A wrong offset changes nothing and
// the upload that comes back with Stale UPLOAD_OFFSET says the right one. The
// first writer of an offset wins.
func (s *Service) UploadChunk(ctx context.Context, id access.Identity, name string, offset int64, data []byte) (storage.Upload, error) {
	u, err := s.upload(ctx, id, name)
	if err != nil {
		return u, err
	}
	switch {
	case u.State != "receiving":
		return u, nil
	case len(data) == 0 || len(data) > blob.MaxChunk:
		return u, errs.New(errs.TooLarge, "CHUNK_TOO_LARGE", fmt.Sprintf("chunk: has %d bytes; 1 to %d", len(data), blob.MaxChunk), "field", "chunk", "bound", fmt.Sprint(blob.MaxChunk))
	case offset != u.Offset:
		return u, errs.New(errs.Stale, "UPLOAD_OFFSET", fmt.Sprintf("offset: the server has %d bytes; go on from there", u.Offset), "field", "offset", "offset", fmt.Sprint(u.Offset))
	case offset+int64(len(data)) > u.Size:
		return u, errs.New(errs.Invalid, "CHUNK_PAST_END", fmt.Sprintf("chunk: would reach %d bytes; the upload has %d", offset+int64(len(data)), u.Size), "field", "chunk", "bound", fmt.Sprint(u.Size))
	}
	staging := blob.Uploads{Store: s.Blobs}
	if err := staging.PutChunk(ctx, id.Org, u.ID, offset, data); err != nil {
		if errs.KindOf(err) != errs.Exists {
			return u, err
		}
		// Another chunk was first at this offset: go on from what is there.
		n, rerr := staging.Received(ctx, id.Org, u.ID)
		if rerr != nil {
			return u, rerr
		}
		if n <= u.Offset {
			// What lies there does not go on from what was taken: a power cut damaged
			// it, for chunks are not synced. The upload is begun again under a new id.
			u, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "wrong")
			if errs.Is(err, "UPLOAD_OVER") { // another server finished it meanwhile
				return s.upload(ctx, id, name)
			}
			if err != nil {
				return u, unavailable(err)
			}
			return u, staging.Remove(ctx, id.Org, u.ID)
		}
		if u, err = s.Store.AdvanceUpload(ctx, id.Org, u.ID, u.Offset, n, s.now().Add(UploadLife)); err != nil && errs.KindOf(err) != errs.Stale {
			return u, unavailable(err)
		}
		return u, errs.New(errs.Stale, "UPLOAD_OFFSET", fmt.Sprintf("offset: the server has %d bytes; go on from there", u.Offset), "field", "offset", "offset", fmt.Sprint(u.Offset))
	}
	to := offset + int64(len(data))
	u, err = s.Store.AdvanceUpload(ctx, id.Org, u.ID, offset, to, s.now().Add(UploadLife))
	if errs.KindOf(err) == errs.Stale && u.Offset >= to {
		return u, nil // the same chunk, sent twice at once
	}
	return u, unavailable(err)
}

// FinishUpload verifies the digest, keeps the bytes for ever and writes the
// server's line. What arrived in full is finished even if the phone goes away.
//
// Errors: WrongState UPLOAD_INCOMPLETE; a wrong digest is no error: the upload's
// state is then "wrong" and it is begun again under a new id.
func (s *Service) FinishUpload(ctx context.Context, id access.Identity, name string) (storage.Upload, error) {
	u, err := s.upload(ctx, id, name)
	if err != nil || u.State == "wrong" {
		return u, err
	}
	ctx = context.WithoutCancel(ctx)
	staging := blob.Uploads{Store: s.Blobs}
	want := blob.Digest{Size: u.Size, SHA256: u.Digest}
	if u.State == "receiving" {
		if u.Offset < u.Size {
			return u, errs.New(errs.WrongState, "UPLOAD_INCOMPLETE", fmt.Sprintf("the server has %d of %d bytes; send the rest first", u.Offset, u.Size), "offset", fmt.Sprint(u.Offset))
		}
		placed, media, err := s.keep(ctx, id.Org, u, want)
		if errs.Is(err, "DIGEST_MISMATCH") || errs.Is(err, "SIZE_MISMATCH") {
			if u, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "wrong"); err != nil {
				return u, unavailable(err)
			}
			return u, staging.Remove(ctx, id.Org, u.ID)
		}
		if errs.Is(err, "UPLOAD_INCOMPLETE") || errs.Is(err, "BLOB_NOT_FOUND") {
			return s.chunksGone(ctx, id, u)
		}
		if err != nil {
			return u, err
		}
		if _, err := s.Store.PutBlob(ctx, id.Org, storage.Blob{Job: u.Job, Digest: u.Digest, Purpose: u.Purpose, Size: u.Size, MediaType: media, Key: string(placed.Key), VersionID: placed.Version, CreateTime: s.now()}); err != nil {
			return u, unavailable(err)
		}
		if u, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "stored"); err != nil {
			return u, unavailable(err)
		}
	}
	if err := s.received(ctx, id.Org, u); err != nil {
		return u, err
	}
	b, err := s.Store.GetBlob(ctx, id.Org, u.Job, u.Digest)
	if err != nil {
		return u, unavailable(err)
	}
	if err := s.holdArrived(ctx, id.Org, b); err != nil {
		return u, err
	}
	return u, staging.Remove(ctx, id.Org, u.ID)
}

// keep puts the joined chunks where evidence lies, checked against the announced
// digest, and says what they are. Where reading costs a network they are joined
// in a temporary file first, for a put reads them twice.
func (s *Service) keep(ctx context.Context, org string, u storage.Upload, want blob.Digest) (blob.Placed, string, error) {
	staging := blob.Uploads{Store: s.Blobs}
	var src io.ReaderAt
	if _, local := s.Blobs.(blob.Local); local {
		joined, err := staging.Source(ctx, org, u.ID, want)
		if err != nil {
			return blob.Placed{}, "", err
		}
		src = joined
	} else {
		spool, err := staging.Assemble(ctx, org, u.ID, want, s.SpoolDir)
		if err != nil {
			return blob.Placed{}, "", err
		}
		defer func() { _ = spool.Close() }() // a temporary file; the system clears it too
		src = spool
	}
	head := make([]byte, min(64<<10, u.Size))
	if _, err := src.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return blob.Placed{}, "", err
	}
	kind, media := "photo", mediaType(head, u.Purpose)
	if u.Purpose == PurposeTrace {
		kind = "trace"
	}
	placed, err := s.Blobs.Put(ctx, blob.EvidenceKey(org, kind, seal.Hash(u.Digest).String()), src, want)
	return placed, media, err
}

// chunksGone is the end of an upload whose chunks are not all there though they
// all came: another server finished it meanwhile, or they were swept. In the
// second case it is begun again, as after a wrong digest.
func (s *Service) chunksGone(ctx context.Context, id access.Identity, u storage.Upload) (storage.Upload, error) {
	now, err := s.Store.GetUpload(ctx, id.Org, u.ID)
	if err != nil {
		return u, unavailable(err)
	}
	if now.State == "receiving" {
		if _, err := s.Store.GetBlob(ctx, id.Org, u.Job, u.Digest); errs.KindOf(err) == errs.NotFound {
			now, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "wrong")
			return now, unavailable(err)
		} else if err != nil {
			return u, unavailable(err)
		}
		if now, err = s.Store.FinishUpload(ctx, id.Org, u.ID, "stored"); err != nil {
			return u, unavailable(err)
		}
	}
	if now.State != "stored" {
		return now, nil
	}
	return now, s.received(ctx, id.Org, now)
}

// received writes 'photo received' once and asks for the examination.
func (s *Service) received(ctx context.Context, org string, u storage.Upload) error {
	b, err := s.Store.GetBlob(ctx, org, u.Job, u.Digest)
	if err != nil {
		return unavailable(err)
	}
	var items []storage.ExamineItem
	err = s.appendServer(ctx, org, u.Job, func(f *record.Job) ([]*recordv1.Entry, error) {
		items = nil
		if u.Purpose == PurposeTrace {
			for _, ln := range f.Lines() {
				if t := ln.Entry.GetTraceAttached(); t != nil && [32]byte(pad(t.GetDigest())) == u.Digest {
					items = append(items, examineItem(u.Job, u.Digest, PurposeTrace, ln.Entry.GetId(), ln.Entry.GetStep(), ""))
				}
			}
			return nil, nil
		}
		for _, r := range f.Received() {
			if [32]byte(pad(r.GetDigest())) == u.Digest {
				return nil, nil
			}
		}
		// Without an entry: an entry that comes later asks for a look of its own, and
		// must not be taken for this one while a worker has it.
		it := examineItem(u.Job, u.Digest, PurposePhoto, "", "", "")
		items = append(items, it)
		return []*recordv1.Entry{{Id: madeID(b.CreateTime, "photo received", u.Job, seal.Hash(u.Digest).String()), Kind: &recordv1.Entry_PhotoReceived{PhotoReceived: &recordv1.PhotoReceived{Digest: u.Digest[:], Size: u.Size, MediaType: b.MediaType}}}}, nil
	}, func(a *storage.Append) { a.Examine = items })
	if err != nil {
		return err
	}
	if len(items) > 0 {
		if u.Purpose == PurposeTrace { // it has no line of its own yet that would have brought them along
			if err := s.Store.EnqueueExamine(ctx, org, items); err != nil {
				return unavailable(err)
			}
		}
		s.wake()
	}
	return nil
}

func pad(b []byte) []byte {
	if len(b) == 32 {
		return b
	}
	out := make([]byte, 32)
	copy(out, b)
	return out
}

func examineItem(job string, digest [32]byte, purpose, entry, step, subject string) storage.ExamineItem {
	return storage.ExamineItem{ID: job + ":" + seal.Hash(digest).String() + ":" + entry, Job: job, Digest: digest, Purpose: purpose, Entry: entry, Step: step, Subject: subject}
}

// examineFor asks for an examination where an entry names bytes that are there
// already: the entry came after them.
func (s *Service) examineFor(ctx context.Context, org, job string, e *recordv1.Entry) (storage.ExamineItem, bool, error) {
	var d [32]byte
	purpose, subject := "", ""
	switch {
	case e.GetPhotoAttached() != nil:
		d, purpose, subject = [32]byte(pad(e.GetPhotoAttached().GetDigest())), PurposePhoto, e.GetPhotoAttached().GetSubject()
	case e.GetTraceAttached() != nil:
		d, purpose = [32]byte(pad(e.GetTraceAttached().GetDigest())), PurposeTrace
	default:
		return storage.ExamineItem{}, false, nil
	}
	_, err := s.Store.GetBlob(ctx, org, job, d)
	if errs.KindOf(err) == errs.NotFound {
		return storage.ExamineItem{}, false, nil
	}
	return examineItem(job, d, purpose, e.GetId(), e.GetStep(), subject), err == nil, err
}

// mediaType names what the bytes say that they are.
func mediaType(head []byte, purpose string) string {
	if purpose == PurposeTrace {
		return "text/plain"
	}
	switch photo.Sniff(head) {
	case photo.JPEG:
		return "image/jpeg"
	case photo.PNG:
		return "image/png"
	case photo.WebP:
		return "image/webp"
	case photo.HEIF:
		return "image/heic"
	}
	return "application/octet-stream"
}

// File opens kept bytes of a job: the original, or a derived view where size is
// 320 or 1280, or an end face's overlay where size is 1. The caller closes.
//
// Errors: NotFound BLOB_NOT_FOUND, VIEW_NOT_FOUND (not examined yet, or no picture).
func (s *Service) File(ctx context.Context, id access.Identity, job string, digest [32]byte, size int) (io.ReadCloser, string, int64, error) {
	if size != 0 && size != overlaySize && !slices.Contains(viewSizes, size) {
		return nil, "", 0, errs.Field("VIEW_UNKNOWN", "size", "is 0 (the original), 320, 1280, or 1 (the overlay of an end face)")
	}
	if _, err := s.readJob(ctx, id, job, "read file", seal.Hash(digest).String()); err != nil {
		return nil, "", 0, unavailable(err)
	}
	b, err := s.Store.GetBlob(ctx, id.Org, job, digest)
	if err != nil {
		return nil, "", 0, unavailable(err)
	}
	if id.ShareLink != "" { // who was let in by a link sees the redacted copy, where there is one
		if rc, n, ok, err := s.redacted(ctx, id.Org, digest); ok || err != nil {
			return rc, "image/jpeg", n, err
		}
	}
	if size == 0 {
		rc, err := s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
		if err != nil {
			return nil, "", 0, err
		}
		return blob.Verifying(rc, blob.Digest{Size: b.Size, SHA256: b.Digest}), b.MediaType, b.Size, nil
	}
	key, media := viewKey(id.Org, digest, size)
	info, err := s.Blobs.Stat(ctx, blob.Ref{Key: key})
	if errs.KindOf(err) == errs.NotFound && size != overlaySize {
		// Derived things can be made again from the original.
		if err := s.makeViews(ctx, id.Org, b); err != nil {
			return nil, "", 0, err
		}
		info, err = s.Blobs.Stat(ctx, blob.Ref{Key: key})
	}
	if errs.KindOf(err) == errs.NotFound {
		return nil, "", 0, errs.New(errs.NotFound, "VIEW_NOT_FOUND", "there is no such view: the photo is not examined yet, or is no picture", "digest", seal.Hash(digest).String())
	}
	if err != nil {
		return nil, "", 0, err
	}
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: key, Version: info.Version}, 0, -1)
	return rc, media, info.Size, err
}

const overlaySize = 1

// viewSizes are the longer sides of the derived views, in pixels.
var viewSizes = []int{320, 1280}

func viewKey(org string, digest [32]byte, size int) (blob.Key, string) {
	if size == overlaySize {
		return blob.DerivedKey(org, "overlay", seal.Hash(digest).String()+".png"), "image/png"
	}
	return blob.DerivedKey(org, fmt.Sprintf("view-%d", size), seal.Hash(digest).String()+".jpg"), "image/jpeg"
}
