package workflow

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/photo"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// original reads the bytes of a kept photo, checked against its digest.
func (s *Service) original(ctx context.Context, b storage.Blob) ([]byte, error) {
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(blob.Verifying(rc, blob.Digest{Size: b.Size, SHA256: b.Digest}), MaxPhoto+1))
	if cerr := rc.Close(); err == nil {
		err = cerr
	}
	return data, err
}

func redactedKey(org string, parent [32]byte) blob.Key {
	return blob.DerivedKey(org, "redacted", seal.Hash(parent).String()+".jpg")
}

// Redact makes a redacted copy of a photo: a derived picture with regions filled
// in. Sharing gives the copy from then on; the original stays, locked or not. A
// line names both digests, the regions, the reason and who asked; after the lock
// it is an addendum. A later redaction of the same photo takes the place of the copy.
//
// Errors: NotFound BLOB_NOT_FOUND; Invalid REGIONS_MISSING, REGION_OUT_OF_RANGE,
// PHOTO_NOT_READABLE, REASON_MISSING.
func (s *Service) Redact(ctx context.Context, id access.Identity, job string, digest [32]byte, regions []*recordv1.PhotoRedacted_Region, reason string) ([32]byte, int64, error) {
	if strings.TrimSpace(reason) == "" {
		return [32]byte{}, 0, errs.Field("REASON_MISSING", "reason", "is needed")
	}
	if _, err := s.readJob(ctx, id, job, "redact photo", seal.Hash(digest).String()); err != nil {
		return [32]byte{}, 0, unavailable(err)
	}
	b, err := s.Store.GetBlob(ctx, id.Org, job, digest)
	if err != nil {
		return [32]byte{}, 0, unavailable(err)
	}
	rs := make([]photo.Region, len(regions))
	for i, r := range regions {
		rs[i] = photo.Region{Left: r.GetLeft(), Top: r.GetTop(), Width: r.GetWidth(), Height: r.GetHeight()}
	}
	copied, err := func() ([]byte, error) {
		s.exam.Lock() // one large picture at a time
		defer s.exam.Unlock()
		data, err := s.original(ctx, b)
		if err != nil {
			return nil, err
		}
		rctx, cancel := context.WithTimeout(ctx, examineLimit)
		defer cancel()
		return photo.Redact(rctx, data, rs)
	}()
	if err != nil {
		return [32]byte{}, 0, err
	}
	if err := s.putDerived(ctx, redactedKey(id.Org, digest), copied); err != nil {
		return [32]byte{}, 0, err
	}
	sum := seal.Sum(copied)
	var seq int64
	err = s.appendServer(ctx, id.Org, job, func(f *record.Job) ([]*recordv1.Entry, error) {
		return []*recordv1.Entry{{Kind: &recordv1.Entry_PhotoRedacted{PhotoRedacted: &recordv1.PhotoRedacted{Digest: digest[:], Copy: sum[:], Size: int64(len(copied)), Regions: regions, Reason: reason, Person: personName(id.Person)}}}}, nil
	}, nil)
	if err != nil {
		return [32]byte{}, 0, err
	}
	j, err := s.Store.GetJob(ctx, id.Org, job)
	if err != nil {
		return sum, 0, unavailable(err)
	}
	if seq = j.LineCount; !j.LockTime.IsZero() {
		seq = j.AddendumCount
	}
	return sum, seq, nil
}

// redacted opens the redacted copy of a photo, where there is one.
func (s *Service) redacted(ctx context.Context, org string, digest [32]byte) (io.ReadCloser, int64, bool, error) {
	key := redactedKey(org, digest)
	info, err := s.Blobs.Stat(ctx, blob.Ref{Key: key})
	if errs.KindOf(err) == errs.NotFound {
		return nil, 0, false, nil
	}
	if err != nil {
		return nil, 0, false, err
	}
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: key, Version: info.Version}, 0, -1)
	return rc, info.Size, err == nil, err
}

// SetLegalHold puts a legal hold on every original of a job, or takes it off,
// and writes who asked and why as a line. enforced says whether the store itself
// keeps it; where it cannot, the line and the seal are the only proof.
func (s *Service) SetLegalHold(ctx context.Context, id access.Identity, job string, on bool, reason string) (enforced bool, files int, err error) {
	if strings.TrimSpace(reason) == "" {
		return false, 0, errs.Field("REASON_MISSING", "reason", "is needed")
	}
	if _, err := s.Store.GetJob(ctx, id.Org, job); err != nil {
		return false, 0, unavailable(err)
	}
	c, err := s.Blobs.Capabilities(ctx)
	if err != nil {
		return false, 0, err
	}
	enforced = c.ObjectLock
	all := func() (n int, err error) {
		return n, s.eachBlob(ctx, id.Org, job, func(b storage.Blob) error {
			n++
			if !on {
				if kept, err := s.heldElsewhere(ctx, id.Org, job, b.Digest); kept || err != nil {
					return err
				}
			}
			err := s.Blobs.Hold(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, on)
			if errs.Is(err, "RETENTION_NOT_ENFORCED") {
				enforced = false
				return nil
			}
			return err
		})
	}
	if files, err = all(); err != nil {
		return false, files, err
	}
	err = s.appendServer(ctx, id.Org, job, func(*record.Job) ([]*recordv1.Entry, error) {
		return []*recordv1.Entry{{Kind: &recordv1.Entry_LegalHoldChanged{LegalHoldChanged: &recordv1.LegalHoldChanged{On: on, Reason: reason, Person: personName(id.Person), Enforced: enforced}}}}, nil
	}, nil)
	if err == nil && on { // what arrived before the line was there
		files, err = all()
	}
	return enforced, files, err
}

// held says whether a legal hold is on a job: what its last line about one says,
// in the record or the addenda.
func (s *Service) held(ctx context.Context, org, job string) (on bool, err error) {
	err = s.withJob(ctx, org, job, func(l *live) error {
		for _, ln := range l.fold.Lines() {
			if h := ln.Entry.GetLegalHoldChanged(); h != nil {
				on = h.GetOn()
			}
		}
		for after := int64(0); l.fold.Locked(); {
			ls, err := s.Store.Lines(ctx, org, job, storage.ListAddenda, after, 1000, 8<<20)
			if err != nil {
				return err
			}
			if len(ls) == 0 {
				return nil
			}
			for _, x := range ls {
				p, err := evidence.ParseLine(x.Line)
				if err != nil {
					return err
				}
				if h := p.Fold.Entry.GetLegalHoldChanged(); h != nil {
					on = h.GetOn()
				}
				after = x.Seq
			}
		}
		return nil
	})
	return on, unavailable(err)
}

// heldElsewhere says whether another job with a legal hold has the same file: the
// organisation keeps the bytes once.
func (s *Service) heldElsewhere(ctx context.Context, org, job string, digest [32]byte) (bool, error) {
	jobs, err := s.Store.BlobJobs(ctx, org, digest)
	if err != nil {
		return false, unavailable(err)
	}
	for _, j := range jobs {
		if j != job {
			if on, err := s.held(ctx, org, j); on || err != nil {
				return on, err
			}
		}
	}
	return false, nil
}

// holdArrived puts a legal hold that is on also on a file that has just come.
func (s *Service) holdArrived(ctx context.Context, org string, b storage.Blob) error {
	on, err := s.held(ctx, org, b.Job)
	if err != nil || !on {
		return err
	}
	err = s.Blobs.Hold(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, true)
	if errs.Is(err, "RETENTION_NOT_ENFORCED") {
		return nil
	}
	return err
}

// retainArrived asks for the retention of files that lines say arrived after the
// lock: the lock could not cover them.
func (s *Service) retainArrived(ctx context.Context, org, job string, es []*recordv1.Entry, now time.Time) ([]storage.RetainItem, error) {
	var out []storage.RetainItem
	for _, e := range es {
		d := e.GetPhotoReceived().GetDigest()
		if t := e.GetTraceReceived(); t != nil {
			d = t.GetDigest()
		}
		if len(d) != 32 {
			continue
		}
		b, err := s.Store.GetBlob(ctx, org, job, [32]byte(d))
		if errs.KindOf(err) == errs.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		_, set, err := s.Organization(ctx, org)
		if err != nil {
			return nil, err
		}
		out = append(out, retainItem(job, b, s.retention(now, set)))
	}
	return out, nil
}

// eachBlob calls f with every kept file of a job; job empty: of the organisation.
func (s *Service) eachBlob(ctx context.Context, org, job string, f func(storage.Blob) error) error {
	var after [32]byte
	for {
		bs, err := s.Store.ListBlobs(ctx, org, job, after, 1000)
		if err != nil {
			return unavailable(err)
		}
		for _, b := range bs {
			after = b.Digest
			if err := f(b); err != nil {
				return err
			}
		}
		if len(bs) < 1000 {
			return nil
		}
	}
}

// Twin is a photo that looks like another.
type Twin struct {
	Job      string
	Digest   [32]byte
	Distance int // differing bits of 256
}

// Twins looks for photos of the whole organisation, of any time, that look like
// one: on demand, for a lead who doubts.
//
// Errors: NotFound BLOB_NOT_FOUND; WrongState PHOTO_NOT_COMPARABLE.
func (s *Service) Twins(ctx context.Context, id access.Identity, job string, digest [32]byte) ([]Twin, error) {
	if _, err := s.readJob(ctx, id, job, "find twins", seal.Hash(digest).String()); err != nil {
		return nil, unavailable(err)
	}
	b, err := s.Store.GetBlob(ctx, id.Org, job, digest)
	if err != nil {
		return nil, unavailable(err)
	}
	m, err := func() (photo.Measurement, error) {
		s.exam.Lock()
		defer s.exam.Unlock()
		data, err := s.original(ctx, b)
		if err != nil {
			return photo.Measurement{}, err
		}
		mctx, cancel := context.WithTimeout(ctx, examineLimit)
		defer cancel()
		m, _, err := photo.Measure(mctx, data)
		return m, err
	}()
	if err != nil {
		return nil, err
	}
	if !m.Comparable() {
		return nil, errs.New(errs.WrongState, "PHOTO_NOT_COMPARABLE", "this photo cannot be compared: it is not readable as a picture, or blank")
	}
	hs, err := s.Store.PhotoHashes(ctx, id.Org, "", time.Time{}, 1_000_000)
	if err != nil {
		return nil, unavailable(err)
	}
	x := photo.NewTwinIndex(len(hs))
	byID := map[string]storage.PhotoHash{}
	for _, h := range hs {
		a, c, _ := strings.Cut(string(h.Hash), " ")
		up, err := photo.ParseFingerprint(a)
		if err != nil {
			return nil, err
		}
		tr, err := photo.ParseFingerprint(c)
		if err != nil {
			return nil, err
		}
		name := fmt.Sprintf("%s:%x", h.Job, h.Digest)
		x.Add(name, up, tr)
		byID[name] = h
	}
	var out []Twin
	_, set, err := s.Organization(ctx, id.Org)
	if err != nil {
		return nil, unavailable(err)
	}
	th, _, err := set.thresholds(photo.Other)
	if err != nil {
		return nil, err
	}
	for _, n := range x.Near(m.Look, int(th.TwinCoarse.Value), int(th.TwinFine.Value)) {
		h := byID[n.ID]
		if h.Job == job && h.Digest == digest {
			continue
		}
		out = append(out, Twin{Job: h.Job, Digest: h.Digest, Distance: n.Fine})
	}
	return out, nil
}
