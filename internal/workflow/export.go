package workflow

import (
	"context"
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// source reads a job for its package.
type source struct {
	s   *Service
	org string
	job storage.Job
	// sealed leaves out addenda that no leaf of the log covers yet.
	sealed bool
}

// Lines implements evidence.Source.
func (x source) Lines(ctx context.Context, list string, after int64, limit int) ([][]byte, error) {
	var out [][]byte
	if list == evidence.ListRefused {
		rs, err := x.s.Store.ListRefused(ctx, x.org, x.job.ID, int(after), limit)
		if err != nil {
			return nil, err
		}
		for _, r := range rs {
			b, err := refusedLine(r)
			if err != nil {
				return nil, err
			}
			out = append(out, b)
		}
		return out, nil
	}
	kind := storage.ListRecord
	if list == evidence.ListAddenda {
		kind = storage.ListAddenda
	}
	if kind == storage.ListAddenda && x.sealed { // what came since the seal waits for the next
		limit = int(min(int64(limit), x.job.AddendumSealed-after))
	}
	for len(out) < limit { // the store may return fewer for their size
		ls, err := x.s.Store.Lines(ctx, x.org, x.job.ID, kind, after, limit-len(out), 8<<20)
		if err != nil {
			return nil, err
		}
		for _, l := range ls {
			out, after = append(out, l.Line), l.Seq
		}
		if len(ls) == 0 {
			break
		}
	}
	return out, nil
}

// Open implements evidence.Source.
func (x source) Open(ctx context.Context, digest [32]byte) (io.ReadCloser, int64, error) {
	b, err := x.s.Store.GetBlob(ctx, x.org, x.job.ID, digest)
	if err != nil {
		return nil, 0, err
	}
	rc, err := x.s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
	return rc, b.Size, err
}

// Derived implements evidence.Source.
func (x source) Derived(ctx context.Context, digest [32]byte, kind string) (io.ReadCloser, int64, string, error) {
	size := 320
	if kind == evidence.DerivedOverlay {
		size = overlaySize
	}
	key, media := viewKey(x.org, digest, size)
	if kind == evidence.DerivedRedacted {
		key, media = redactedKey(x.org, digest), "image/jpeg"
	}
	info, err := x.s.Blobs.Stat(ctx, blob.Ref{Key: key})
	if err != nil {
		return nil, 0, "", err
	}
	rc, err := x.s.Blobs.Open(ctx, blob.Ref{Key: key, Version: info.Version}, 0, -1)
	return rc, info.Size, media, err
}

// Package prepares the evidence package of a locked or ended job. It may be
// written more than once; every read of it by an auditor or through a link is a
// custody line.
//
// Errors: NotFound; WrongState NOT_LOCKED.
func (s *Service) Package(ctx context.Context, id access.Identity, job string, tell func(done, total int64)) (*evidence.Package, string, error) {
	j, err := s.readJob(ctx, id, job, "download package", "")
	if err != nil {
		return nil, "", unavailable(err)
	}
	if j.LogIndex < 0 || j.LockTime.IsZero() {
		return nil, "", errs.New(errs.WrongState, "NOT_LOCKED", "the job is not locked yet; there is a package once it is signed off or ended", "job", job)
	}
	if id.ShareLink != "" {
		redacted, err := s.hasRedacted(ctx, id.Org, j)
		if err != nil {
			return nil, "", err
		}
		if redacted {
			return nil, "", errs.New(errs.Denied, "PACKAGE_HAS_ORIGINALS", "a package holds the originals, and photos of this job were redacted for sharing; ask the organisation for a grant")
		}
	}
	if j.AddendumCount > j.AddendumSealed { // a package carries sealed addenda only
		if _, err := s.SealAddenda(ctx, id.Org, job); err != nil {
			return nil, "", err
		}
		if j, err = s.Store.GetJob(ctx, id.Org, job); err != nil {
			return nil, "", unavailable(err)
		}
	}
	head, _, err := s.Checkpoint(ctx, id.Org)
	if err != nil {
		return nil, "", err
	}
	origin, err := s.origin(id.Org)
	if err != nil {
		return nil, "", err
	}
	key, pubs, err := s.Keys.Signer(ctx, origin)
	if err != nil {
		return nil, "", err
	}
	incl, leaf, err := s.inclusion(ctx, id.Org, j, head.Size, storage.ListRecord)
	if err != nil {
		return nil, "", err
	}
	p, err := s.Store.GetProcedure(ctx, id.Org, j.Procedure, j.ProcedureDigest)
	if err != nil {
		return nil, "", unavailable(err)
	}
	keys, err := s.signingKeys(ctx, id.Org, j)
	if err != nil {
		return nil, "", err
	}
	m := evidence.Meta{
		Organization: "organizations/" + id.Org, Job: "jobs/" + j.ID, Title: j.Title, ProgramVersion: s.Version, Procedure: p.Document, Names: j.Names, Keys: keys,
		LogOrigin: origin, Leaf: leaf, Inclusion: incl, Checkpoint: head.Checkpoint, CheckpointTime: j.LockTime, LogKey: key, LogKeys: pubs, Progress: tell,
	}
	if m.Retention, err = s.retentionText(ctx, id.Org, j.ID); err != nil {
		return nil, "", err
	}
	if j.AddendumSealed > 0 {
		ai, al, err := s.inclusion(ctx, id.Org, j, head.Size, storage.ListAddenda)
		if err != nil {
			return nil, "", err
		}
		m.AddendaLeaf, m.AddendaInclusion = al, &ai
	}
	pkg, err := evidence.Prepare(ctx, m, source{s, id.Org, j, true})
	return pkg, j.ID + ".zip", err
}

// hasRedacted says whether a photo of the job has a redacted copy.
func (s *Service) hasRedacted(ctx context.Context, org string, j storage.Job) (bool, error) {
	found := false
	err := s.eachBlob(ctx, org, j.ID, func(b storage.Blob) error {
		rc, _, ok, err := s.redacted(ctx, org, b.Digest)
		if ok {
			found = true
			return rc.Close()
		}
		return err
	})
	return found, err
}

// signingKeys returns the keys of every device that signed in a job.
func (s *Service) signingKeys(ctx context.Context, org string, j storage.Job) (map[string][]byte, error) {
	ids := map[string]bool{}
	for _, list := range []storage.List{storage.ListRecord, storage.ListAddenda} {
		after := int64(0)
		for {
			ls, err := s.Store.Lines(ctx, org, j.ID, list, after, 1000, 8<<20)
			if err != nil {
				return nil, unavailable(err)
			}
			if len(ls) == 0 {
				break
			}
			for _, l := range ls {
				after = l.Seq
				sl, err := seal.ParseLine(l.Line)
				if err != nil {
					return nil, err
				}
				for _, g := range sl.Signatures {
					ids[g.KeyID] = true
				}
			}
		}
	}
	var list []string
	for k := range ids {
		list = append(list, k)
	}
	out := map[string][]byte{}
	if len(list) == 0 {
		return out, nil
	}
	ks, err := s.Store.Keys(ctx, org, list)
	if err != nil {
		return nil, unavailable(err)
	}
	for _, k := range ks {
		out[k.KeyID] = k.SPKI
	}
	return out, nil
}

// retentionText says in words how the store keeps the originals.
func (s *Service) retentionText(ctx context.Context, org, job string) (string, error) {
	c, err := s.Blobs.Capabilities(ctx)
	if err != nil {
		return "", err
	}
	if !c.ObjectLock {
		return "not enforced by this store; the seal is the proof", nil
	}
	var after [32]byte
	texts := map[string]bool{}
	for {
		bs, err := s.Store.ListBlobs(ctx, org, job, after, 1000)
		if err != nil {
			return "", unavailable(err)
		}
		for _, b := range bs {
			after = b.Digest
			switch {
			case strings.HasPrefix(b.Retention, "until "):
				texts[b.Retention] = true
			default:
				texts["pending"] = true
			}
		}
		if len(bs) < 1000 {
			break
		}
	}
	if texts["pending"] || len(texts) == 0 {
		return "retention pending", nil
	}
	first := ""
	for t := range texts {
		if first == "" || t < first {
			first = t
		}
	}
	return first, nil
}

// Readings writes a job's readings, torques and traces as CSV (RFC 4180): one
// row for each entry, withdrawn ones included and marked.
func (s *Service) Readings(ctx context.Context, id access.Identity, job string, w io.Writer) error {
	v, err := s.View(ctx, id, job)
	if err != nil {
		return err
	}
	c := csv.NewWriter(w)
	head := []string{"seq", "step", "line", "connection", "kind", "typed", "value", "unit", "verdict", "lower_limit", "upper_limit", "limit_unit", "limit_source", "instrument", "author", "time_utc", "received_utc", "counts", "withdrawn", "sentence"}
	if err := c.Write(head); err != nil {
		return err
	}
	for _, st := range v.State.Steps {
		for _, es := range st.Entries {
			e := es.Line.Entry
			var typed, value, unit string
			switch {
			case e.GetReadingTaken() != nil:
				r := e.GetReadingTaken()
				typed, value, unit = r.GetTyped(), strconv.FormatFloat(r.GetValue(), 'f', -1, 64), r.GetUnit().String()
			case e.GetTorqueApplied() != nil:
				r := e.GetTorqueApplied()
				typed, value, unit = r.GetTyped(), strconv.FormatFloat(r.GetValue(), 'f', -1, 64), r.GetUnit().String()
			case e.GetTraceAttached() != nil || e.GetKitChecked() != nil:
			default:
				continue
			}
			lo, hi, lu, src := "", "", "", ""
			if l := st.Limit; l != nil {
				if l.Lower != nil {
					lo = strconv.FormatFloat(*l.Lower, 'f', -1, 64)
				}
				if l.Upper != nil {
					hi = strconv.FormatFloat(*l.Upper, 'f', -1, 64)
				}
				lu, src = l.GetUnit().String(), l.GetSource()
			}
			conn := ""
			if st.Step.Connection != nil {
				conn = st.Step.Connection.GetId()
			}
			row := []string{strconv.FormatInt(es.Line.Seq, 10), st.Step.ID, st.Step.Line.GetId(), conn, record.KindName(e), plain(typed), value, unit, es.Verdict.String(), lo, hi, lu, plain(src),
				record.InstrumentOf(e), e.GetAuthor(), es.Time.UTC().Format(time.RFC3339Nano), es.Line.Received.UTC().Format(time.RFC3339Nano), strconv.FormatBool(es.Counts), strconv.FormatBool(es.Withdrawn), plain(es.Sentence)}
			if err := c.Write(row); err != nil {
				return err
			}
		}
	}
	c.Flush()
	return c.Error()
}

// plain keeps a text from being taken for a formula by a spreadsheet.
func plain(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Report writes the readable page of a job as it stands.
func (s *Service) Report(ctx context.Context, id access.Identity, job string, photoURL func(digest [32]byte) evidence.Picture, w io.Writer) error {
	j, err := s.readJob(ctx, id, job, "read report", "")
	if err != nil {
		return unavailable(err)
	}
	out, err := s.outside(ctx, id.Org, job)
	if err != nil {
		return unavailable(err)
	}
	in := evidence.ReportInput{Organization: "organizations/" + id.Org, Title: j.Title}
	if in.LogOrigin, err = s.origin(id.Org); err != nil {
		return err
	}
	if in.Retention, err = s.retentionText(ctx, id.Org, job); err != nil {
		return err
	}
	src := source{s, id.Org, j, false}
	for after := int64(0); ; {
		ls, err := src.Lines(ctx, evidence.ListAddenda, after, 1000)
		if err != nil {
			return unavailable(err)
		}
		for _, l := range ls {
			p, err := evidence.ParseLine(l)
			if err != nil {
				return err
			}
			in.Addenda, after = append(in.Addenda, p.Fold), p.Fold.Seq
		}
		if len(ls) < 1000 {
			break
		}
	}
	for after := int64(0); ; {
		ls, err := src.Lines(ctx, evidence.ListRefused, after, 1000)
		if err != nil {
			return unavailable(err)
		}
		for _, l := range ls {
			r, err := evidence.ParseRefused(l)
			if err != nil {
				return err
			}
			in.Refused, after = append(in.Refused, r), after+1
		}
		if len(ls) < 1000 {
			break
		}
	}
	var data evidence.ReportData
	err = s.withJob(ctx, id.Org, job, func(l *live) error {
		names := l.row.Names
		if len(names) == 0 {
			if names, err = s.names(ctx, id.Org, l.fold); err != nil {
				return err
			}
		}
		if in.Names, err = evidence.ParseNames(names); err != nil {
			return err
		}
		in.Job, in.State = l.fold, l.fold.State(s.now(), out)
		if l.fold.Locked() {
			in.Root = l.row.Root
		}
		data = evidence.NewReport(in)
		return nil
	})
	if err != nil {
		return err
	}
	return evidence.Report(w, data, photoURL)
}
