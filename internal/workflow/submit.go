package workflow

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// Submission is an entry on its way in: a payload with a signature, or a
// message that the server serialises and attests.
type Submission struct {
	Payload   []byte
	Signature []byte
	KeyID     string
	Entry     *recordv1.Entry
	Code      string // the author's own code; checked and not kept
}

// Outcome is what became of an entry.
type Outcome int

// The outcomes.
const (
	Accepted Outcome = iota + 1
	AlreadyKnown
	Addendum
	Refused
)

// Result is what became of one entry.
type Result struct {
	ID         string
	Digest     [32]byte
	Outcome    Outcome
	Seq        int64
	Assessment *recordv1.Assessment
	Reason     string
	Sentence   string
	Permanent  bool
	KeptAside  bool
}

// Head is size and root of a list.
type Head struct {
	Size int64
	Root [32]byte
}

// prepared is a submission that was read and whose signature was checked.
type prepared struct {
	Submission
	payload []byte
	entry   *recordv1.Entry // nil: cannot be read
	digest  [32]byte
	refusal error
	who     access.Person // the author's authority: who signed, or the session's person
	owner   string        // person that the signing or carrying device belongs to
	keyID   string
	device  string // that verifiably made it: of the key whose signature is good, or of the session
	codeOK  bool
	index   int
}

// Submit takes a batch of entries to one job. The answer is per entry, in order;
// one bad entry never stops the others; sending twice is harmless. What it
// returns as accepted is durable.
//
// Errors: NotFound JOB_NOT_FOUND; Invalid BATCH_TOO_LARGE; Unavailable when the
// store does not answer: nothing is known then, and the whole batch is sent again.
func (s *Service) Submit(ctx context.Context, id access.Identity, job string, subs []Submission, unsent *int64) ([]Result, Head, error) {
	if len(subs) > MaxBatch {
		return nil, Head{}, errs.Field("BATCH_TOO_LARGE", "entries", fmt.Sprintf("has %d entries; at most %d", len(subs), MaxBatch))
	}
	if err := s.mayWrite(ctx, id, job); err != nil {
		return nil, Head{}, unavailable(err)
	}
	_, set, err := s.Organization(ctx, id.Org)
	if err != nil {
		return nil, Head{}, unavailable(err)
	}
	ps, err := s.prepare(ctx, id, set, subs)
	if err != nil {
		return nil, Head{}, unavailable(err)
	}
	// From here on the work is finished even if the phone has gone away.
	ctx = context.WithoutCancel(ctx)
	var results []Result
	var head Head
	var late []*recordv1.Entry
	for try := 0; ; try++ {
		err = s.withJob(ctx, id.Org, job, func(l *live) error {
			var err error
			results, head, late, err = s.submitInto(ctx, id, set, l, job, ps)
			if err != nil {
				l.forget()
			}
			return err
		})
		if errors.Is(err, errOneRefused) { // at most once for each entry
			try--
			continue
		}
		if err == nil || try >= 8 || !(errs.KindOf(err) == errs.Stale || errs.Is(err, "RECORD_LOCKED") || errs.Is(err, "ENTRY_ID_REUSED")) {
			break
		}
	}
	if err != nil {
		return nil, Head{}, unavailable(err)
	}
	s.catchUp(ctx, id.Org, job, late)
	if unsent != nil && id.Device != "" {
		if err := s.Store.ReportUnsent(ctx, id.Org, job, storage.Unsent{Device: id.Device, Person: id.Person, Count: *unsent, Time: s.now()}); err != nil {
			return nil, Head{}, unavailable(err)
		}
	}
	return results, head, nil
}

// prepare reads payloads, checks signatures and finds the authors.
func (s *Service) prepare(ctx context.Context, id access.Identity, set Settings, subs []Submission) ([]*prepared, error) {
	ps := make([]*prepared, len(subs))
	parallel(len(subs), func(i int) { ps[i] = read(id, subs[i], i) })
	var keyIDs []string
	for _, p := range ps {
		if p.entry != nil && len(p.Signature) > 0 {
			keyIDs = append(keyIDs, p.KeyID)
		}
	}
	slices.Sort(keyIDs)
	keyIDs = slices.Compact(keyIDs)
	keys := map[string]storage.Key{}
	if len(keyIDs) > 0 {
		found, err := s.Store.Keys(ctx, id.Org, keyIDs)
		if err != nil {
			return nil, err
		}
		for _, k := range found {
			keys[k.KeyID] = k
		}
	}
	people := map[string]bool{id.Person: true}
	for _, k := range keys {
		people[k.Person] = true
	}
	for _, p := range ps {
		if p.entry.GetAcknowledged() != nil {
			people[bare(p.entry.GetAuthor())] = true
		}
	}
	known, err := s.people(ctx, id.Org, people)
	if err != nil {
		return nil, err
	}
	parsed := map[string]*ecdsa.PublicKey{}
	for _, k := range keys {
		if parsed[k.KeyID], err = seal.ParsePublicKey(k.SPKI); err != nil {
			return nil, err
		}
	}
	// Most of the time goes into the signatures: all at once, before the job's lock.
	wrong := make([]error, len(ps))
	parallel(len(ps), func(i int) {
		p := ps[i]
		if pub := parsed[p.KeyID]; pub != nil && p.entry != nil && len(p.Signature) > 0 {
			wrong[i] = seal.VerifySignature(pub, seal.EntryType, p.payload, p.Signature)
		}
	})
	codes := map[[2]string]bool{} // checked once for a batch: each check is slow on purpose
	for _, p := range ps {
		if p.entry == nil || p.refusal != nil {
			continue
		}
		if len(p.Signature) == 0 {
			if set.RequireDeviceSignatures {
				p.refusal = errs.New(errs.Denied, "SIGNATURE_REQUIRED", "this organisation takes entries with a device's signature only")
				continue
			}
			p.who, p.owner = known[id.Person], id.Person
			if d := p.entry.GetDevice(); d != "" && d != deviceName(id.Device) {
				p.refusal = errs.Field("DEVICE_DIFFERS", "device", fmt.Sprintf("%.80q is not the device of this session; an entry of another device needs its signature", d))
			}
		} else if k, ok := keys[p.KeyID]; !ok {
			p.refusal = errs.New(errs.Denied, "KEY_UNKNOWN", "the signature's key is not registered in this organisation; enrol the device", "key_id", p.KeyID)
		} else {
			if err := wrong[p.index]; err != nil {
				p.refusal = errs.New(errs.Denied, errs.ReasonOf(err), "the signature is not that of the device over these bytes", "key_id", p.KeyID)
			} else if p.device = k.Device; !k.RevokeTime.IsZero() {
				p.refusal = errs.New(errs.Denied, "KEY_REVOKED", "the signature's key was revoked; the entry is kept aside for the lead", "key_id", p.KeyID)
			} else if p.entry.GetDevice() != deviceName(k.Device) {
				p.refusal = errs.Field("DEVICE_DIFFERS", "device", fmt.Sprintf("%.80q is not the device that signed, %s", p.entry.GetDevice(), deviceName(k.Device)))
			}
			p.who, p.owner, p.keyID = known[k.Person], k.Person, p.KeyID
		}
		if p.refusal == nil && p.Code != "" && p.entry.GetAcknowledged() != nil {
			if a, ok := known[bare(p.entry.GetAuthor())]; ok {
				ok, known := codes[[2]string{a.ID, p.Code}]
				if !known {
					err := s.checkCode(ctx, id.Org, a, p.Code)
					if err != nil && errs.KindOf(err) != errs.Denied {
						return nil, err
					}
					ok = err == nil
					codes[[2]string{a.ID, p.Code}] = ok
				}
				p.codeOK = ok
			}
		}
	}
	return ps, nil
}

// read reads one submission's payload.
func read(id access.Identity, sub Submission, i int) *prepared {
	p := &prepared{Submission: sub, index: i, payload: sub.Payload, device: id.Device}
	switch {
	case len(sub.Payload) == 0 && sub.Entry == nil:
		p.refusal = errs.Field("PAYLOAD_MISSING", fmt.Sprintf("entries[%d]", i), "has neither a payload nor an entry")
		return p
	case len(sub.Payload) > 0 && sub.Entry != nil:
		p.refusal = errs.Field("PAYLOAD_TWICE", fmt.Sprintf("entries[%d]", i), "has a payload and an entry; exactly one is wanted")
		p.digest = seal.Sum(p.payload)
		return p
	case sub.Entry != nil:
		b, err := serialise(sub.Entry)
		if err != nil {
			p.refusal = errs.Field("PAYLOAD_MALFORMED", fmt.Sprintf("entries[%d].entry", i), "cannot be written as JSON")
			return p
		}
		p.payload = b
	}
	p.digest = seal.Sum(p.payload)
	p.entry, p.refusal = evidence.ReadEntry(p.payload)
	return p
}

// refusedAs is how a submission is kept aside. It stands under the device that
// verifiably made it, and its counter counts in that device's chain only: nobody
// fills gaps in another's.
func (p *prepared) refusedAs(id access.Identity, reason, sentence string, at time.Time) storage.Refused {
	r := storage.Refused{Digest: p.digest, EntryID: p.entry.GetId(), Payload: p.payload, Signature: p.Signature, KeyID: p.KeyID, Reason: reason, Sentence: sentence,
		Sender: id.Person, Device: p.device, ReceiveTime: at}
	if p.device != "" && p.entry.GetDevice() == deviceName(p.device) {
		r.Counter = max(p.entry.GetCounter(), 0)
	}
	return r
}

// errOneRefused says that the fold could not take an entry, which is refused
// now: the batch begins again without it.
var errOneRefused = errors.New("an entry does not fit into the record")

// serialise writes a message as a payload: proto3 JSON without spaces.
func serialise(e *recordv1.Entry) ([]byte, error) {
	b, err := protojson.Marshal(e)
	if err != nil {
		return nil, err
	}
	var c bytes.Buffer
	if err := json.Compact(&c, b); err != nil {
		return nil, err
	}
	return c.Bytes(), nil
}

// step is one line that is about to be appended.
type step struct {
	line      *record.Line
	payload   []byte
	signature []byte
	identity  evidence.Identity
}

// makeLines makes the bytes of lines and puts them into the tree.
func makeLines(tree *seal.Tree, steps []step) ([]storage.NewLine, error) {
	lines := make([]storage.NewLine, len(steps))
	failed := make([]error, len(steps))
	parallel(len(steps), func(i int) {
		st := &steps[i]
		b, err := evidence.MakeLine(st.line, st.payload, st.signature, st.identity)
		e := st.line.Entry
		lines[i], failed[i] = storage.NewLine{Seq: st.line.Seq, EntryID: e.GetId(), PayloadDigest: st.line.PayloadDigest, Device: bare(e.GetDevice()), Counter: e.GetCounter(), Line: b, ReceiveTime: st.line.Received}, err
	})
	for i := range lines {
		if failed[i] != nil {
			return nil, failed[i]
		}
		if err := tree.Append(seal.LeafHash(lines[i].Line), nil); err != nil {
			return nil, err
		}
	}
	return lines, nil
}

// submitInto folds the batch into the job and stores it. The job's lock is held.
func (s *Service) submitInto(ctx context.Context, id access.Identity, set Settings, l *live, job string, ps []*prepared) ([]Result, Head, []*recordv1.Entry, error) {
	results := make([]Result, len(ps))
	ids := make([]string, 0, len(ps))
	for _, p := range ps {
		if p.entry != nil {
			ids = append(ids, p.entry.GetId())
		}
	}
	known, err := s.Store.FindEntries(ctx, id.Org, ids)
	if err != nil {
		return nil, Head{}, nil, err
	}
	facts, err := s.facts(ctx, id.Org, l.fold, ps)
	if err != nil {
		return nil, Head{}, nil, err
	}
	facts.set = set
	locked := l.fold.Locked()
	inBatch := map[string]*prepared{}
	var steps []step
	var refused []storage.Refused
	var examine []storage.ExamineItem
	var outbox []storage.OutboxItem
	contradicted := l.row.Contradicted
	now := s.now()
	refusedAt, err := s.refusedTime(ctx, id.Org, l.row, now)
	if err != nil {
		return nil, Head{}, nil, err
	}
	var late []*recordv1.Entry // what may have met something on its way through another server
	tree := l.tree
	after := l.fold.Size()
	if locked {
		after = l.row.AddendumCount
		if tree, err = resume(l.row.AddendumCompact); err != nil {
			return nil, Head{}, nil, err
		}
	}
	seq := after
	add := func(ln *record.Line, payload, signature []byte, ident evidence.Identity) error {
		steps = append(steps, step{ln, payload, signature, ident})
		seq = ln.Seq
		return nil
	}
	for i, p := range ps {
		r := &results[i]
		r.Digest = p.digest
		if p.entry != nil {
			r.ID = p.entry.GetId()
		}
		refuse := func(err error) {
			r.Outcome, r.Reason, r.Permanent = Refused, errs.ReasonOf(err), true
			var e *errs.Error
			if errors.As(err, &e) {
				r.Sentence = e.Msg
				r.Permanent = e.Meta["later"] == ""
			}
			if !r.Permanent {
				return // the phone keeps it and sends it again
			}
			if len(p.payload) == 0 {
				return // there is nothing to keep
			}
			refused = append(refused, p.refusedAs(id, r.Reason, r.Sentence, refusedAt))
			r.KeptAside = true
		}
		if p.refusal != nil {
			refuse(p.refusal)
			continue
		}
		if ref, ok := known[r.ID]; ok {
			same := ref.PayloadDigest == p.digest
			if !same && len(p.Signature) == 0 && ref.Job == job {
				if same, err = s.sameMessage(ctx, id.Org, ref, p.entry); err != nil {
					return nil, Head{}, nil, err
				}
			}
			if same && ref.Job == job {
				r.Outcome, r.Seq = AlreadyKnown, ref.Seq
				if ref.List == storage.ListRecord {
					if ln := l.fold.LineOf(r.ID); ln != nil {
						r.Assessment = ln.Assessment
					}
				}
				continue
			}
			refuse(errs.New(errs.Exists, "ENTRY_ID_CONFLICT", "an entry with this id and other bytes is stored already; make a new entry with a new id", "entry", r.ID))
			continue
		}
		if other := inBatch[r.ID]; other != nil && r.ID != "" {
			if other.digest == p.digest || (len(p.Signature) == 0 && proto.Equal(other.entry, p.entry)) {
				first := results[other.index]
				*r = first
				r.Outcome, r.KeptAside = AlreadyKnown, false
				if first.Outcome == Refused {
					r.Outcome = Refused
				}
				continue
			}
			refuse(errs.New(errs.Exists, "ENTRY_ID_CONFLICT", "two entries of this batch have the same id and different bytes", "entry", r.ID))
			continue
		}
		inBatch[r.ID] = p
		if l.fold.Has(r.ID) { // not by a line of its own: a lead admitted it
			switch rf, err := s.Store.GetRefused(ctx, id.Org, job, p.digest); {
			case err == nil && rf.AdmittedSeq != 0:
				r.Outcome, r.Seq = AlreadyKnown, rf.AdmittedSeq
			case err == nil || errs.KindOf(err) == errs.NotFound:
				refuse(errs.New(errs.Exists, "ENTRY_ID_CONFLICT", "an entry with this id and other bytes was admitted already; make a new entry with a new id", "entry", r.ID))
			default:
				return nil, Head{}, nil, err
			}
			continue
		}
		if err := l.fold.Check(p.entry, record.Who{Person: personName(p.who.ID), Roles: p.who.RoleNames()}); err != nil {
			refuse(err)
			continue
		}
		if p.who.Disabled {
			refuse(errs.New(errs.Denied, "PERSON_DISABLED", "this person can no longer enter anything"))
			continue
		}
		if !locked {
			known, err := s.kitKnown(ctx, id.Org, l.fold, p.entry, facts)
			if err != nil {
				return nil, Head{}, nil, err
			}
			for _, k := range known { // a check of the same kit in another job, as a line of this one
				if err := s.serverLine(l.fold, k, seq+1, now, id.Org, facts.pinServer(l.fold, now), add); err != nil {
					return nil, Head{}, nil, err
				}
			}
		}
		ln := &record.Line{Seq: seq + 1, Received: now, Entry: p.entry, PayloadDigest: p.digest, KeyID: p.keyID, Person: personName(p.who.ID), Device: deviceName(id.Device),
			Assessment: &recordv1.Assessment{Pinned: facts.pin(l.fold, p, now)}}
		if locked {
			ln.Assessment = l.fold.AssessAddendum(ln)
			contradicted = contradicted || l.fold.Contradicts(ln)
			r.Outcome = Addendum
		} else {
			if _, err := l.fold.Advance(ln); errs.KindOf(err) == errs.Invalid {
				p.refusal = err // such as a climb whose steps are over the bound
				return nil, Head{}, nil, errOneRefused
			} else if err != nil {
				return nil, Head{}, nil, err
			}
			r.Outcome = Accepted
		}
		ident := evidence.Identity{Organization: "organizations/" + id.Org, Person: personName(p.who.ID), Device: deviceName(id.Device)}
		if id.Device == "" {
			ident.Session = "sessions/" + id.Session
		}
		if err := add(ln, p.payload, p.Signature, ident); err != nil {
			return nil, Head{}, nil, err
		}
		r.Seq, r.Assessment = ln.Seq, ln.Assessment
		if x, ok, err := s.examineFor(ctx, id.Org, job, p.entry); err != nil {
			return nil, Head{}, nil, err
		} else if ok {
			examine = append(examine, x)
		} else if p.entry.GetPhotoAttached() != nil || p.entry.GetTraceAttached() != nil || p.entry.GetReadingTaken() != nil {
			late = append(late, p.entry)
		}
		if p.entry.GetKitChecked() != nil && !locked {
			outbox = append(outbox, storage.OutboxItem{ID: "kit:" + r.ID, Job: job, Payload: p.payload, CreateTime: now})
		}
	}
	refused, err = s.boundRefused(ctx, id, job, refused, results)
	if err != nil {
		return nil, Head{}, nil, err
	}
	lines, err := makeLines(tree, steps)
	if err != nil {
		return nil, Head{}, nil, err
	}
	var row storage.Job
	switch {
	case len(lines) == 0 && len(refused) == 0:
		return results, Head{l.row.LineCount, l.row.Root}, late, nil
	case len(lines) == 0:
		if err := s.Store.KeepRefused(ctx, id.Org, job, refused); err != nil {
			return nil, Head{}, nil, err
		}
		return results, Head{l.row.LineCount, l.row.Root}, late, nil
	case locked:
		row, err = s.Store.AppendAddenda(ctx, id.Org, job, storage.AppendAddenda{After: after, Lines: lines, Root: tree.Root(), Compact: tree.State(), Contradicted: contradicted, Examine: examine, Refused: refused})
	default:
		row, err = s.Store.Append(ctx, id.Org, job, storage.Append{After: after, Lines: lines, Root: tree.Root(), Compact: tree.State(), State: jobState(l.fold), Refused: refused, Examine: examine, Outbox: outbox})
	}
	if err != nil {
		return nil, Head{}, nil, err
	}
	if contradicted && !l.row.Contradicted {
		slog.WarnContext(ctx, "an addendum contradicts a locked record", "organization", id.Org, "job", job)
	}
	l.row = row
	s.news.tell(l.key)
	if len(examine) > 0 || len(outbox) > 0 {
		s.wake()
	}
	return results, Head{row.LineCount, row.Root}, late, nil
}

func resume(state []byte) (*seal.Tree, error) {
	if len(state) == 0 {
		return seal.NewTree(), nil
	}
	return seal.ResumeTree(state)
}

func jobState(f *record.Job) storage.JobState { return storage.JobState(f.Status()) }

// boundRefused drops what is over the bound of a device and says so: the phone keeps it.
func (s *Service) boundRefused(ctx context.Context, id access.Identity, job string, refused []storage.Refused, results []Result) ([]storage.Refused, error) {
	if len(refused) == 0 {
		return nil, nil
	}
	type total struct{ count, size int64 }
	totals := map[string]*total{}
	var kept []storage.Refused
	for _, r := range refused {
		t := totals[r.Device]
		if t == nil {
			n, size, err := s.Store.RefusedTotals(ctx, id.Org, job, r.Device)
			if err != nil {
				return nil, err
			}
			t = &total{n, size}
			totals[r.Device] = t
		}
		if t.count+1 > MaxRefusedCount || t.size+int64(len(r.Payload)) > MaxRefusedBytes {
			if _, err := s.Store.GetRefused(ctx, id.Org, job, r.Digest); err == nil {
				continue // kept when it came first
			} else if errs.KindOf(err) != errs.NotFound {
				return nil, err
			}
			for i := range results {
				if results[i].Outcome == Refused && results[i].Digest == r.Digest {
					results[i].KeptAside = false
					results[i].Permanent = false
					results[i].Sentence += fmt.Sprintf(" It is not kept here: at most %d entries or %d MiB are kept aside for a device and job; keep it on the phone.", MaxRefusedCount, MaxRefusedBytes>>20)
				}
			}
			continue
		}
		t.count++
		t.size += int64(len(r.Payload))
		kept = append(kept, r)
	}
	return kept, nil
}

// catchUp looks again, after the commit, for what another server may have put
// down between our look and our commit: bytes of a photo or trace, a self-check
// of the kit. What is found is written as if it had come later. A failure is
// logged: the entries themselves are safe.
func (s *Service) catchUp(ctx context.Context, org, job string, late []*recordv1.Entry) {
	for _, e := range late {
		if e.GetReadingTaken() != nil {
			if err := s.lateKit(ctx, org, job, e); err != nil {
				slog.ErrorContext(ctx, "look again for self-checks failed", "job", job, "err", err)
			}
			continue
		}
		x, ok, err := s.examineFor(ctx, org, job, e)
		if err == nil && ok {
			err = s.Store.EnqueueExamine(ctx, org, []storage.ExamineItem{x})
			s.wake()
		}
		if err != nil {
			slog.ErrorContext(ctx, "look again for bytes failed", "job", job, "err", err)
		}
	}
}

// lateKit writes self-checks of other jobs that came to be known meanwhile.
func (s *Service) lateKit(ctx context.Context, org, job string, e *recordv1.Entry) error {
	needed := false
	err := s.withJob(ctx, org, job, func(l *live) error {
		known, err := s.kitKnown(ctx, org, l.fold, e, nil)
		needed = len(known) > 0 && !l.fold.Locked()
		return err
	})
	if err != nil || !needed {
		return err
	}
	return s.appendServer(ctx, org, job, func(f *record.Job) ([]*recordv1.Entry, error) {
		if f.Locked() {
			return nil, nil
		}
		return s.kitKnown(ctx, org, f, e, nil)
	}, nil)
}

// sameMessage compares a stored attested entry with a message.
func (s *Service) sameMessage(ctx context.Context, org string, ref storage.EntryRef, e *recordv1.Entry) (bool, error) {
	lines, err := s.Store.Lines(ctx, org, ref.Job, ref.List, ref.Seq-1, 1, 16<<20)
	if err != nil {
		return false, err
	}
	if len(lines) == 0 || lines[0].Seq != ref.Seq {
		return false, nil
	}
	p, err := evidence.ParseLine(lines[0].Line)
	if err != nil {
		return false, err
	}
	return p.Fold.KeyID == "" && proto.Equal(p.Fold.Entry, e), nil
}

// serverLine appends a line that the server makes.
func (s *Service) serverLine(fold *record.Job, e *recordv1.Entry, seq int64, now time.Time, org string, pin *recordv1.Assessment_Pinned, add func(*record.Line, []byte, []byte, evidence.Identity) error) error {
	id, err := s.newID()
	if err != nil {
		return err
	}
	if e.Id == "" {
		e.Id = id
	}
	e.Job, e.DeviceTime = fold.Name(), timestamppb.New(now)
	payload, err := serialise(e)
	if err != nil {
		return err
	}
	ln := &record.Line{Seq: seq, Received: now, Entry: e, PayloadDigest: seal.Sum(payload), Assessment: &recordv1.Assessment{Pinned: pin}}
	if _, err := fold.Advance(ln); err != nil {
		return err
	}
	return add(ln, payload, nil, evidence.Identity{Organization: "organizations/" + org})
}

// pinAdmitted writes the facts that bear on a refused entry as if it came now:
// the line that admits it carries them, and it is judged by them.
func (s *Service) pinAdmitted(ctx context.Context, org string, fold *record.Job, a *recordv1.RefusedAdmitted, now time.Time) (*recordv1.Assessment_Pinned, error) {
	_, set, err := s.Organization(ctx, org)
	if err != nil {
		return nil, err
	}
	e, err := evidence.ReadEntry(a.GetPayload())
	if err != nil { // it cannot be read: the line is without effect
		return (&facts{set: set}).pinServer(fold, now), nil
	}
	p := &prepared{entry: e}
	author := bare(e.GetAuthor())
	known, err := s.people(ctx, org, map[string]bool{author: true})
	if err != nil {
		return nil, err
	}
	p.who = known[author]
	f, err := s.facts(ctx, org, fold, []*prepared{p})
	if err != nil {
		return nil, err
	}
	f.set = set
	return f.pin(fold, p, now), nil
}

// notYetThere drops the entries whose id stands in a line already: the ids of
// lines that the server makes follow from their causes.
func (s *Service) notYetThere(ctx context.Context, org string, es []*recordv1.Entry) ([]*recordv1.Entry, error) {
	var ids []string
	for _, e := range es {
		if e.GetId() != "" {
			ids = append(ids, e.GetId())
		}
	}
	if len(ids) == 0 {
		return es, nil
	}
	known, err := s.Store.FindEntries(ctx, org, ids)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(es, func(e *recordv1.Entry) bool {
		_, there := known[e.GetId()]
		return there
	}), nil
}

// appendServer appends lines that the server makes to an open job, or to the
// addenda of a locked one. It is repeated when another server moved the job.
func (s *Service) appendServer(ctx context.Context, org, job string, make func(fold *record.Job) ([]*recordv1.Entry, error), change func(*storage.Append)) error {
	var err error
	for try := 0; try < 8; try++ {
		err = s.withJob(ctx, org, job, func(l *live) error {
			err := s.appendServerInto(ctx, org, job, l, make, change)
			if err != nil {
				l.forget()
			}
			return err
		})
		if err == nil || !(errs.KindOf(err) == errs.Stale || errs.Is(err, "RECORD_LOCKED")) {
			break
		}
	}
	return unavailable(err)
}

func (s *Service) appendServerInto(ctx context.Context, org, job string, l *live, make func(fold *record.Job) ([]*recordv1.Entry, error), change func(*storage.Append)) error {
	es, err := make(l.fold)
	if err != nil {
		return err
	}
	if es, err = s.notYetThere(ctx, org, es); err != nil {
		return err
	}
	now := s.now()
	var lines []storage.NewLine
	locked := l.fold.Locked()
	tree, after := l.tree, l.fold.Size()
	if locked {
		after = l.row.AddendumCount
		if tree, err = resume(l.row.AddendumCompact); err != nil {
			return err
		}
	}
	seq := after
	add := func(ln *record.Line, payload, signature []byte, ident evidence.Identity) error {
		b, err := evidence.MakeLine(ln, payload, signature, ident)
		if err != nil {
			return err
		}
		seq = ln.Seq
		lines = append(lines, storage.NewLine{Seq: ln.Seq, EntryID: ln.Entry.GetId(), PayloadDigest: ln.PayloadDigest, Line: b, ReceiveTime: now})
		return tree.Append(seal.LeafHash(b), nil)
	}
	pin := func() *recordv1.Assessment_Pinned { return (&facts{}).pinServer(l.fold, now) }
	for _, e := range es {
		if !locked {
			pinned := pin()
			if a := e.GetRefusedAdmitted(); a != nil {
				if pinned, err = s.pinAdmitted(ctx, org, l.fold, a, now); err != nil {
					return err
				}
			}
			if err := s.serverLine(l.fold, e, seq+1, now, org, pinned, add); err != nil {
				return err
			}
			continue
		}
		id, err := s.newID()
		if err != nil {
			return err
		}
		if e.Id == "" {
			e.Id = id
		}
		e.Job, e.DeviceTime = l.fold.Name(), timestamppb.New(now)
		payload, err := serialise(e)
		if err != nil {
			return err
		}
		ln := &record.Line{Seq: seq + 1, Received: now, Entry: e, PayloadDigest: seal.Sum(payload), Assessment: &recordv1.Assessment{Pinned: pin()}}
		if err := add(ln, payload, nil, evidence.Identity{Organization: "organizations/" + org}); err != nil {
			return err
		}
	}
	if locked {
		a := storage.Append{}
		if change != nil {
			change(&a)
		}
		if len(lines) == 0 {
			return nil // nothing to write
		}
		retain, err := s.retainArrived(ctx, org, job, es, now)
		if err != nil {
			return err
		}
		row, err := s.Store.AppendAddenda(ctx, org, job, storage.AppendAddenda{After: after, Lines: lines, Root: tree.Root(), Compact: tree.State(), Contradicted: l.row.Contradicted, Examine: a.Examine, Retain: retain, OutboxDone: a.OutboxDone})
		if err != nil {
			return err
		}
		l.row = row
		s.news.tell(l.key)
		return nil
	}
	a := storage.Append{After: after, Lines: lines, Root: tree.Root(), Compact: tree.State(), State: jobState(l.fold)}
	if change != nil {
		change(&a)
	}
	if len(lines) == 0 {
		return nil // nothing to write
	}
	row, err := s.Store.Append(ctx, org, job, a)
	if err != nil {
		return err
	}
	l.row = row
	s.news.tell(l.key)
	return nil
}
