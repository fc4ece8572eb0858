package workflow

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// FixityOptions say what of an organisation's kept files is read again.
type FixityOptions struct {
	// Percent of the files to read, over 0 to 100; 0 means all. Which ones follows
	// from Seed and each file's digest alone, so that a run that goes on reads the
	// sample that it began with, and runs with other seeds come round to all.
	Percent float64
	Seed    uint64
	// After is the token of an earlier report to go on from; empty: from the start.
	After string
	// Who asks, for the custody lines; empty: the server.
	Who string
	// Progress is told of the work, now and then; nil: nobody.
	Progress func(files, bytes int64)
}

// FixityFailure is a file that is not what it was when it was put.
type FixityFailure struct {
	Job    string
	Digest [32]byte
	Key    string
	Lost   bool // nothing is there; else other bytes are
}

func (f FixityFailure) String() string {
	what := "has changed"
	if f.Lost {
		what = "is missing"
	}
	return fmt.Sprintf("job %s: the original %x %s", f.Job, f.Digest, what)
}

// FixityReport is what a run found.
type FixityReport struct {
	Files, Bytes int64 // read and compared, in this run
	Failures     []FixityFailure
	Next         string // token to go on from, where the run was stopped; empty: it came to the end
}

// Fixity reads originals of an organisation again and compares their SHA-256. A
// changed or missing one becomes a custody line of its job and goes to report
// (nil: nobody) as it is found; the run ends with a custody line 'fixity' that
// has the counts and the failures. A run that stops in between, by ctx or by a
// store that does not answer, leaves the line 'fixity stopped' and returns its
// report, with the token in Next, and the error.
//
// A failed file is no error: the report has it. Errors: Invalid SAMPLE_INVALID,
// TOKEN_INVALID; of report; of the stores.
func (s *Service) Fixity(ctx context.Context, org string, o FixityOptions, report func(FixityFailure) error) (FixityReport, error) {
	var r FixityReport
	if math.IsNaN(o.Percent) || o.Percent < 0 || o.Percent > 100 {
		return r, errs.Field("SAMPLE_INVALID", "sample", "is a percentage from 0 (all) to 100")
	}
	after, err := fixityToken(o.After)
	if err != nil {
		return r, err
	}
	last := after // the last file that is done with
	err = s.fixity(ctx, org, o, after, &last, &r, report)
	action := "fixity"
	if err != nil {
		action, r.Next = "fixity stopped", hex.EncodeToString(last[:])
	}
	// Also where ctx has ended: what was read, was read.
	return r, errorOr(err, s.fixityCustody(context.WithoutCancel(ctx), org, o, action, r))
}

func errorOr(first, second error) error {
	if first != nil {
		return first
	}
	return second
}

func fixityToken(token string) (d [32]byte, err error) {
	if token == "" {
		return d, nil
	}
	b, err := hex.DecodeString(token)
	if err != nil || len(b) != len(d) {
		return d, errs.Field("TOKEN_INVALID", "after", "is the token of an earlier run: 64 hexadecimal digits")
	}
	return [32]byte(b), nil
}

func (s *Service) fixity(ctx context.Context, org string, o FixityOptions, after [32]byte, last *[32]byte, r *FixityReport, report func(FixityFailure) error) error {
	const page = 500
	for {
		bs, err := s.Store.ListBlobs(ctx, org, "", after, page)
		if err != nil {
			return unavailable(err)
		}
		for _, b := range bs {
			if b.Digest != after { // every job's file of the digest before is done with
				*last, after = after, b.Digest
			}
			if err := ctx.Err(); err != nil {
				return err
			}
			if !o.chooses(b.Digest) {
				continue
			}
			failure, n, err := s.rehash(ctx, b)
			if err != nil {
				return err
			}
			r.Files, r.Bytes = r.Files+1, r.Bytes+n
			if failure != nil {
				r.Failures = append(r.Failures, *failure)
				if err := s.failureCustody(ctx, org, o, *failure); err != nil {
					return err
				}
				if report != nil {
					if err := report(*failure); err != nil {
						return err
					}
				}
			}
			if o.Progress != nil {
				o.Progress(r.Files, r.Bytes)
			}
		}
		*last = after
		if len(bs) < page { // a page holds every job of its last digest, so it may be longer
			return nil
		}
	}
}

// chooses says whether a file is in the sample.
func (o FixityOptions) chooses(digest [32]byte) bool {
	if o.Percent == 0 || o.Percent == 100 {
		return true
	}
	var key [32]byte
	copy(key[:], digest[:])
	for i := range 8 {
		key[i] ^= byte(o.Seed >> (8 * i))
	}
	return rand.New(rand.NewChaCha8(key)).Float64()*100 < o.Percent
}

// rehash reads a kept file; failure is nil where it is what it was.
func (s *Service) rehash(ctx context.Context, b storage.Blob) (failure *FixityFailure, n int64, err error) {
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
	if err == nil {
		n, err = io.Copy(io.Discard, blob.Verifying(rc, blob.Digest{Size: b.Size, SHA256: b.Digest}))
		if cerr := rc.Close(); err == nil {
			err = cerr
		}
	}
	switch errs.KindOf(err) {
	case errs.NotFound:
		return &FixityFailure{Job: b.Job, Digest: b.Digest, Key: b.Key, Lost: true}, n, nil
	case errs.Corrupt:
		return &FixityFailure{Job: b.Job, Digest: b.Digest, Key: b.Key}, n, nil
	}
	return nil, n, err
}

func (o FixityOptions) who() string {
	if o.Who == "" {
		return "server"
	}
	return o.Who
}

func (s *Service) failureCustody(ctx context.Context, org string, o FixityOptions, f FixityFailure) error {
	action := "original changed"
	if f.Lost {
		action = "original missing"
	}
	detail, err := json.Marshal(map[string]string{"key": f.Key})
	if err != nil {
		return fmt.Errorf("fixity: %w", err)
	}
	return unavailable(s.Store.AddCustody(ctx, org, storage.CustodyLine{Time: s.now(), Who: o.who(), Action: action, Job: f.Job, Subject: seal.Hash(f.Digest).String(), Detail: detail}))
}

func (s *Service) fixityCustody(ctx context.Context, org string, o FixityOptions, action string, r FixityReport) error {
	sample := o.Percent
	if sample == 0 {
		sample = 100
	}
	type failure struct {
		Job    string `json:"job"`
		Digest string `json:"digest"`
		Lost   bool   `json:"lost"`
	}
	failures := make([]failure, 0, min(len(r.Failures), 100)) // each has a line of its own
	for _, f := range r.Failures[:min(len(r.Failures), 100)] {
		failures = append(failures, failure{f.Job, seal.Hash(f.Digest).String(), f.Lost})
	}
	detail, err := json.Marshal(map[string]any{"percent": sample, "seed": fmt.Sprint(o.Seed), "after": o.After, "next": r.Next, "files": r.Files, "bytes": r.Bytes, "failed": len(r.Failures), "failures": failures, "version": s.Version})
	if err != nil {
		return fmt.Errorf("fixity: %w", err)
	}
	return unavailable(s.Store.AddCustody(ctx, org, storage.CustodyLine{Time: s.now(), Who: o.who(), Action: action, Subject: fmt.Sprintf("%d read, %d wrong", r.Files, len(r.Failures)), Detail: detail}))
}
