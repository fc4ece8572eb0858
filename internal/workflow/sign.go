package workflow

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// Locked is the answer to a sign-off.
type Locked struct {
	Job        storage.Job
	Head       Head
	LogIndex   int64
	Checkpoint []byte
}

// NewLines is the error of a sign-off against a root that is no longer the
// root: it carries the lines that the lead has not seen.
type NewLines struct {
	Cause *errs.Error
	Lines []storage.Line
	Head  Head
}

// Unwrap lets the error be seen as what it is.
func (n *NewLines) Unwrap() error { return n.Cause }

// Error is the error of its cause.
func (n *NewLines) Error() string { return n.Cause.Error() }

// Blocked is the error of a sign-off that something keeps back.
type Blocked struct {
	Cause    *errs.Error
	Blockers []record.Blocker
}

// Unwrap lets the error be seen as what it is.
func (b *Blocked) Unwrap() error { return b.Cause }

// Error is the error of its cause.
func (b *Blocked) Error() string { return b.Cause.Error() }

// SignOff signs off and locks a job, in one transaction, against the root that
// the lead saw. A refused sign-off is a custody line with its payload.
//
// Errors: Stale ROOT_MOVED (NewLines); WrongState SIGN_OFF_BLOCKED (Blocked),
// RECORD_LOCKED; Denied CODE_WRONG, CODE_MISSING, ROLE_MISSING; Invalid
// MEANING_WRONG, WAIVER_WRONG and those of an entry; WrongState
// LOG_BEHIND_CHECKPOINT after a store was put back from an older copy.
func (s *Service) SignOff(ctx context.Context, id access.Identity, job string, sub Submission, code string) (*Locked, error) {
	return s.closing(ctx, id, job, sub, code, false)
}

// EndJob ends a job unfinished and seals it. Errors as SignOff.
func (s *Service) EndJob(ctx context.Context, id access.Identity, job string, sub Submission, code string) (*Locked, error) {
	return s.closing(ctx, id, job, sub, code, true)
}

func (s *Service) closing(ctx context.Context, id access.Identity, job string, sub Submission, code string, unfinished bool) (*Locked, error) {
	locked, p, err := s.tryClosing(ctx, id, job, sub, code, unfinished)
	if err == nil {
		return locked, nil
	}
	err = unavailable(err)
	if k := errs.KindOf(err); k != errs.Unavailable && k != errs.Internal && k != errs.NotFound {
		ctx := context.WithoutCancel(ctx)
		line := storage.CustodyLine{Time: s.now(), Who: id.Who(), Action: "sign-off refused", Job: job, Subject: errs.ReasonOf(err)}
		if p != nil && len(p.payload) <= maxCustodyDetail {
			line.Detail = p.payload
		}
		if cerr := s.Store.AddCustody(ctx, id.Org, line); cerr != nil {
			return nil, unavailable(cerr)
		}
		if kerr := s.keepSignOff(ctx, id, job, p, err); kerr != nil {
			return nil, unavailable(kerr)
		}
	}
	return nil, err
}

// maxCustodyDetail bounds what a custody line carries of a refused sign-off; a
// longer payload is kept aside only.
const maxCustodyDetail = 64 << 10

// keepSignOff keeps a refused sign-off aside, within the bounds of its device.
// Its counter goes with it: the phone used it up.
func (s *Service) keepSignOff(ctx context.Context, id access.Identity, job string, p *prepared, why error) error {
	if p == nil || len(p.payload) == 0 {
		return nil
	}
	j, err := s.Store.GetJob(ctx, id.Org, job)
	if err != nil {
		return err
	}
	at, err := s.refusedTime(ctx, id.Org, j, s.now())
	if err != nil {
		return err
	}
	kept, err := s.boundRefused(ctx, id, job, []storage.Refused{p.refusedAs(id, errs.ReasonOf(why), message(why), at)}, nil)
	if err != nil || len(kept) == 0 {
		return err
	}
	return s.Store.KeepRefused(ctx, id.Org, job, kept)
}

// refusedTime is the time under which an entry is kept aside. The list is in the
// order of these times, and the locked line covers its beginning: after the lock
// nothing may come to stand before what is there, whatever another server's
// clock said.
func (s *Service) refusedTime(ctx context.Context, org string, j storage.Job, now time.Time) (time.Time, error) {
	if j.LockTime.IsZero() {
		return now, nil
	}
	if !now.After(j.LockTime) {
		now = j.LockTime.Add(time.Millisecond)
	}
	if j.RefusedCount > 0 {
		last, err := s.Store.ListRefused(ctx, org, j.ID, int(j.RefusedCount-1), 1)
		if err != nil {
			return now, err
		}
		if len(last) > 0 && !now.After(last[0].ReceiveTime) {
			now = last[0].ReceiveTime.Add(time.Millisecond)
		}
	}
	return now, nil
}

func message(err error) string {
	s := err.Error()
	if len(s) > 500 {
		s = s[:500]
	}
	return strings.ToValidUTF8(s, "?")
}

func (s *Service) tryClosing(ctx context.Context, id access.Identity, job string, sub Submission, code string, unfinished bool) (*Locked, *prepared, error) {
	if err := s.mayWrite(ctx, id, job); err != nil {
		return nil, nil, err
	}
	_, set, err := s.Organization(ctx, id.Org)
	if err != nil {
		return nil, nil, err
	}
	ps, err := s.prepare(ctx, id, set, []Submission{sub})
	if err != nil {
		return nil, nil, err
	}
	p := ps[0]
	if p.refusal != nil {
		return nil, p, p.refusal
	}
	so, eu := p.entry.GetSignedOff(), p.entry.GetEndedUnfinished()
	if (so == nil && !unfinished) || (eu == nil && unfinished) {
		return nil, p, errs.Field("KIND_WRONG", "entry", "is not the entry that this call takes: signedOff to sign off, endedUnfinished to end")
	}
	me, err := s.Person(ctx, id.Org, p.who.ID)
	if err == nil && me.Disabled {
		err = errs.New(errs.Denied, "PERSON_DISABLED", "this person can no longer sign anything")
	}
	if err != nil {
		return nil, p, err
	}
	if len(me.CodeHash) > 0 {
		if code == "" {
			return nil, p, errs.New(errs.Denied, "CODE_MISSING", "signing needs your own code", "field", "code")
		}
		if err := s.checkCode(ctx, id.Org, me, code); err != nil {
			return nil, p, err
		}
	}
	ctx = context.WithoutCancel(ctx)
	// What phones say that they still hold becomes a line first, so that the lead sees it.
	if !unfinished {
		if err := s.writeUnsent(ctx, id.Org, job); err != nil {
			return nil, p, err
		}
	}
	var locked *Locked
	for try := 0; try < 8; try++ {
		err = s.withJob(ctx, id.Org, job, func(l *live) error {
			var err error
			locked, err = s.lockInto(ctx, id, set, l, job, p)
			if err != nil {
				l.forget()
			}
			return err
		})
		if errs.ReasonOf(err) != "HEAD_MOVED" && errs.ReasonOf(err) != "LOG_MOVED" {
			break
		}
	}
	if err != nil {
		return nil, p, err
	}
	if _, err := s.publishCheckpoint(ctx, id.Org); err != nil {
		return nil, p, err
	}
	s.wake()
	return locked, p, nil
}

// writeUnsent turns the devices' last words about unsent work into lines where
// they differ from what the lines say.
func (s *Service) writeUnsent(ctx context.Context, org, job string) error {
	us, err := s.Store.Unsent(ctx, org, job)
	if err != nil {
		return err
	}
	if len(us) == 0 {
		return nil
	}
	return s.appendServer(ctx, org, job, func(f *record.Job) ([]*recordv1.Entry, error) {
		if f.Locked() {
			return nil, nil
		}
		said := map[string]int64{}
		for _, ln := range f.Lines() {
			if u := ln.Entry.GetUnsentReported(); u != nil {
				said[u.GetDevice()] = u.GetCount()
			}
		}
		var es []*recordv1.Entry
		for _, u := range us {
			if said[deviceName(u.Device)] != u.Count {
				es = append(es, &recordv1.Entry{Kind: &recordv1.Entry_UnsentReported{UnsentReported: &recordv1.UnsentReported{Device: deviceName(u.Device), Count: u.Count}}})
			}
		}
		return es, nil
	}, nil)
}

// lockInto checks the sign-off and writes the last lines. The job's lock is held.
func (s *Service) lockInto(ctx context.Context, id access.Identity, set Settings, l *live, job string, p *prepared) (*Locked, error) {
	if l.fold.Locked() {
		if ln := l.fold.LineOf(p.entry.GetId()); ln != nil && ln.PayloadDigest == p.digest { // a lost answer
			return s.lockedAnswer(ctx, id.Org, l.row)
		}
		return nil, errs.New(errs.WrongState, "RECORD_LOCKED", "this record is locked; open a follow-up job", "job", job)
	}
	who := record.Who{Person: personName(p.who.ID), Roles: p.who.RoleNames()}
	if err := l.fold.Check(p.entry, who); err != nil && !errs.Is(err, "SIGN_OFF_APART") && !errs.Is(err, "END_APART") {
		return nil, err
	}
	size, root := p.entry.GetSignedOff().GetSize(), p.entry.GetSignedOff().GetRoot()
	if e := p.entry.GetEndedUnfinished(); e != nil {
		size, root = e.GetSize(), e.GetRoot()
		if strings.TrimSpace(e.GetReason()) == "" {
			return nil, errs.Field("REASON_MISSING", "endedUnfinished.reason", "is needed")
		}
	}
	if size != l.row.LineCount || !bytes.Equal(root, l.row.Root[:]) {
		n := &NewLines{Cause: errs.New(errs.Stale, "ROOT_MOVED", fmt.Sprintf("the record has %d lines and another root than the %d lines that were seen; look at the new lines and sign again", l.row.LineCount, size),
			"size", fmt.Sprint(l.row.LineCount), "root", seal.Hash(l.row.Root).Base64()), Head: Head{l.row.LineCount, l.row.Root}}
		if size >= 0 && size < l.row.LineCount {
			lines, err := s.Store.Lines(ctx, id.Org, job, storage.ListRecord, size, 200, 1<<20)
			if err != nil {
				return nil, err
			}
			n.Lines = lines
		}
		return nil, n
	}
	now := s.now()
	out, err := s.outside(ctx, id.Org, job)
	if err != nil {
		return nil, err
	}
	if so := p.entry.GetSignedOff(); so != nil {
		st := l.fold.State(now, out)
		if bs := l.fold.BlockersOf(st, who.Person, set.FourEyesWaiver); len(bs) > 0 {
			sentences := make([]string, len(bs))
			for i, b := range bs {
				sentences[i] = b.Sentence
			}
			return nil, &Blocked{Cause: errs.New(errs.WrongState, "SIGN_OFF_BLOCKED", strings.Join(sentences, " "), "blockers", blockerReasons(bs)), Blockers: bs}
		}
		want := recordv1.SignedOff_APPROVED
		standing := len(st.Standing())
		if standing > 0 {
			want = recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS
		}
		// Refused entries are no exception that stands, but a lead who counts them is not wrong.
		counted := standing == 0 && len(st.Exceptions) > 0 && so.GetMeaning() == recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS
		if so.GetMeaning() != want && !counted {
			return nil, errs.Field("MEANING_WRONG", "signedOff.meaning", fmt.Sprintf("is %s: %d exception(s) stand and were looked at", want, standing))
		}
		waiver := ""
		if len(l.fold.WorkOf(who.Person)) > 0 {
			waiver = set.FourEyesWaiver
		}
		if so.GetFourEyesWaiver() != waiver {
			return nil, errs.Field("WAIVER_WRONG", "signedOff.fourEyesWaiver", fmt.Sprintf("is %q: the organisation's reason where the lead did work himself, else empty", waiver))
		}
	}
	f, err := s.facts(ctx, id.Org, l.fold, []*prepared{p})
	if err != nil {
		return nil, err
	}
	f.set = set
	var lines []storage.NewLine
	ident := evidence.Identity{Organization: "organizations/" + id.Org, Person: who.Person, Device: deviceName(id.Device)}
	if id.Device == "" {
		ident.Session = "sessions/" + id.Session
	}
	add := func(ln *record.Line, payload, signature []byte, ident evidence.Identity) error {
		b, err := evidence.MakeLine(ln, payload, signature, ident)
		if err != nil {
			return err
		}
		lines = append(lines, storage.NewLine{Seq: ln.Seq, EntryID: ln.Entry.GetId(), PayloadDigest: ln.PayloadDigest, Device: bare(ln.Entry.GetDevice()), Counter: ln.Entry.GetCounter(), Line: b, ReceiveTime: now})
		return l.tree.Append(seal.LeafHash(b), nil)
	}
	signed := &record.Line{Seq: l.fold.Size() + 1, Received: now, Entry: p.entry, PayloadDigest: p.digest, KeyID: p.keyID, Person: who.Person, Device: deviceName(id.Device), Assessment: &recordv1.Assessment{Pinned: f.pin(l.fold, p, now)}}
	if _, err := l.fold.Advance(signed); err != nil {
		return nil, err
	}
	if err := add(signed, p.payload, p.Signature, ident); err != nil {
		return nil, err
	}
	names, err := s.names(ctx, id.Org, l.fold)
	if err != nil {
		return nil, err
	}
	digest := seal.Sum(names)
	size2, refusedRoot, err := s.refusedRoot(ctx, id.Org, job)
	if err != nil {
		return nil, err
	}
	lockEntry := &recordv1.Entry{Job: l.fold.Name(), DeviceTime: timestamppb.New(now), Kind: &recordv1.Entry_Locked{Locked: &recordv1.Locked{
		Names: digest[:], Refused: &recordv1.Locked_Refused{Size: size2, Root: refusedRoot[:]}, Unfinished: p.entry.GetEndedUnfinished() != nil}}}
	if err := s.serverLine(l.fold, lockEntry, l.fold.Size()+1, now, id.Org, f.pinServer(l.fold, now), add); err != nil {
		return nil, err
	}
	final := l.tree.Root()
	la, index, note, err := s.logAppend(ctx, id.Org, seal.LogLeaf{Job: l.fold.Name(), List: seal.ListRecord, Size: l.tree.Size(), Root: final, Locked: now}, job, storage.ListRecord)
	if err != nil {
		return nil, err
	}
	retain, err := s.retainItems(ctx, id.Org, job, now)
	if err != nil {
		return nil, err
	}
	row, err := s.Store.Lock(ctx, id.Org, job, storage.Lock{After: l.row.LineCount, Lines: lines, Root: final, Compact: l.tree.State(), State: jobState(l.fold), Names: names, LockTime: now, Log: la, Retain: retain})
	if err != nil {
		return nil, err
	}
	l.row = row
	s.news.tell(l.key)
	return &Locked{Job: row, Head: Head{row.LineCount, row.Root}, LogIndex: index, Checkpoint: note}, nil
}

func blockerReasons(bs []record.Blocker) string {
	var rs []string
	for _, b := range bs {
		if !slices.Contains(rs, b.Reason) {
			rs = append(rs, b.Reason)
		}
	}
	return strings.Join(rs, " ")
}

func (s *Service) lockedAnswer(ctx context.Context, org string, row storage.Job) (*Locked, error) {
	head, err := s.Store.GetLogHead(ctx, org)
	if err != nil {
		return nil, err
	}
	return &Locked{Job: row, Head: Head{row.LineCount, row.Root}, LogIndex: row.LogIndex, Checkpoint: head.Checkpoint}, nil
}

// names is names.json: what the opaque ids in the lines stand for.
func (s *Service) names(ctx context.Context, org string, f *record.Job) ([]byte, error) {
	people, devices, instruments := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, ln := range f.Lines() {
		e := ln.Entry
		for _, p := range slices.Concat([]string{e.GetAuthor(), ln.Person}, e.GetClimbOpened().GetCrew(), e.GetCrewChanged().GetCrew(), e.GetClimbClosed().GetDown()) {
			if p != "" {
				people[bare(p)] = true
			}
		}
		for _, d := range []string{e.GetDevice(), ln.Device} {
			if d != "" {
				devices[bare(d)] = true
			}
		}
		if i := record.InstrumentOf(e); i != "" {
			instruments[bare(i)] = true
		}
		for _, p := range e.GetKitChecked().GetParts() {
			if p.GetInstrument() != "" {
				instruments[bare(p.GetInstrument())] = true
			}
		}
	}
	o, err := s.Store.GetOrganization(ctx, org)
	if err != nil {
		return nil, err
	}
	doc := evidence.Names{Organizations: map[string]string{"organizations/" + org: o.Title}, People: map[string]string{}, Devices: map[string]string{}, Instruments: map[string]string{}}
	docs := func(kind storage.Kind, ids map[string]bool) ([]storage.Document, error) {
		var list []string
		for i := range ids {
			list = append(list, i)
		}
		if len(list) == 0 {
			return nil, nil
		}
		return s.Store.GetDocuments(ctx, org, kind, list)
	}
	ds, err := docs(storage.KindDevice, devices)
	if err != nil {
		return nil, err
	}
	for _, d := range ds {
		v, err := readDevice(d)
		if err != nil {
			return nil, err
		}
		people[v.Person] = true
		doc.Devices["devices/"+d.ID] = v.Title
	}
	if ds, err = docs(storage.KindPerson, people); err != nil {
		return nil, err
	}
	for _, d := range ds {
		v, err := readPerson(d)
		if err != nil {
			return nil, err
		}
		doc.People["people/"+d.ID] = v.Title
	}
	if ds, err = docs(storage.KindInstrument, instruments); err != nil {
		return nil, err
	}
	for _, d := range ds {
		v, err := readInstrument(d)
		if err != nil {
			return nil, err
		}
		doc.Instruments["instruments/"+d.ID] = v.Title
		if v.Serial != "" {
			doc.Instruments["instruments/"+d.ID] += ", serial " + v.Serial
		}
	}
	return doc.Bytes()
}

// refusedRoot is size and root of the refused list as the package carries it.
func (s *Service) refusedRoot(ctx context.Context, org, job string) (int64, seal.Hash, error) {
	tree := seal.NewTree()
	for offset := 0; ; offset += 500 {
		rs, err := s.Store.ListRefused(ctx, org, job, offset, 500)
		if err != nil {
			return 0, seal.Hash{}, err
		}
		for _, r := range rs {
			b, err := refusedLine(r)
			if err != nil {
				return 0, seal.Hash{}, err
			}
			if err := tree.Append(seal.LeafHash(b), nil); err != nil {
				return 0, seal.Hash{}, err
			}
		}
		if len(rs) < 500 {
			return int64(tree.Size()), tree.Root(), nil
		}
	}
}

func refusedLine(r storage.Refused) ([]byte, error) {
	at, err := seal.FormatTime(r.ReceiveTime)
	if err != nil {
		return nil, err
	}
	return evidence.RefusedLine{Digest: seal.Hash(r.Digest).String(), Payload: r.Payload, Signature: r.Signature, KeyID: r.KeyID, Reason: r.Reason, Sentence: r.Sentence,
		Sender: personName(r.Sender), Device: deviceName(r.Device), Counter: r.Counter, Received: at}.Bytes()
}

// logAppend prepares the next leaf of the organisation's log and a checkpoint
// over it. Nothing leaves the program before the leaf is committed: the store
// takes both or neither, and the checkpoint is given out only from there.
func (s *Service) logAppend(ctx context.Context, org string, leaf seal.LogLeaf, job string, list storage.List) (storage.LogAppend, int64, []byte, error) {
	var la storage.LogAppend
	head, err := s.Store.GetLogHead(ctx, org)
	if err != nil {
		return la, 0, nil, err
	}
	origin, err := s.origin(org)
	if err != nil {
		return la, 0, nil, err
	}
	if err := s.checkLogBehind(ctx, org, head); err != nil {
		return la, 0, nil, err
	}
	key, _, err := s.Keys.Signer(ctx, origin)
	if err != nil {
		return la, 0, nil, err
	}
	tree, err := resume(head.Compact)
	if err != nil {
		return la, 0, nil, err
	}
	if tree.Root() != seal.Hash(head.Root) && head.Size > 0 {
		return la, 0, nil, errs.New(errs.Corrupt, "LOG_ROOT_DIFFERS", "the organisation's log does not give the root that was kept with it; run doctor")
	}
	b, err := leaf.Bytes()
	if err != nil {
		return la, 0, nil, err
	}
	la = storage.LogAppend{After: head.Size, Leaf: b, Job: job, List: list}
	if err := tree.Append(seal.LeafHash(b), func(n seal.NodeID, h seal.Hash) {
		la.Nodes = append(la.Nodes, storage.Node{Level: uint32(n.Level), Index: n.Index, Hash: h})
	}); err != nil {
		return la, 0, nil, err
	}
	la.Root, la.Compact = tree.Root(), tree.State()
	if la.Checkpoint, err = seal.SignCheckpoint(seal.Checkpoint{Origin: origin, Size: tree.Size(), Root: tree.Root()}, key); err != nil {
		return la, 0, nil, err
	}
	return la, head.Size, la.Checkpoint, nil
}

const checkpointKind = "checkpoint"

func checkpointKey(org string, size int64) blob.Key {
	return blob.EvidenceKey(org, checkpointKind, fmt.Sprintf("%020d", size))
}

// checkLogBehind refuses to lock when a checkpoint beside the blobs is newer
// than the log: the store was put back from an older copy, and another tree of
// a size that was already signed must never be made.
func (s *Service) checkLogBehind(ctx context.Context, org string, head storage.LogHead) error {
	infos, err := s.Blobs.List(ctx, org+"/"+checkpointKind+"/", checkpointKey(org, head.Size), 1)
	if err != nil {
		return err
	}
	if len(infos) > 0 {
		return errs.New(errs.WrongState, "LOG_BEHIND_CHECKPOINT",
			fmt.Sprintf("the store knows %d locks of this organisation, but a later checkpoint was already signed (%s): the store was put back from an older copy. Nothing is locked until the newer store is back; run doctor", head.Size, infos[0].Key))
	}
	return nil
}

// publishCheckpoint puts the log's checkpoint beside the blobs. It is called
// before a checkpoint is given to anyone.
func (s *Service) publishCheckpoint(ctx context.Context, org string) (storage.LogHead, error) {
	head, err := s.Store.GetLogHead(ctx, org)
	if err != nil || head.Size == 0 {
		return head, unavailable(err)
	}
	_, err = s.Blobs.Put(ctx, checkpointKey(org, head.Size), bytes.NewReader(head.Checkpoint), blob.DigestOf(head.Checkpoint))
	if errs.KindOf(err) == errs.Exists {
		return head, errs.New(errs.Corrupt, "LOG_FORKED", "another checkpoint of the same size was signed before; nothing is given out; run doctor").Because(err)
	}
	return head, unavailable(err)
}

// Checkpoint returns the signed head of the organisation's log and its key.
func (s *Service) Checkpoint(ctx context.Context, org string) (storage.LogHead, seal.LogPublicKey, error) {
	head, err := s.publishCheckpoint(ctx, org)
	if err != nil {
		return storage.LogHead{}, seal.LogPublicKey{}, err
	}
	origin, err := s.origin(org)
	if err != nil {
		return head, seal.LogPublicKey{}, err
	}
	key, all, err := s.Keys.Signer(ctx, origin)
	if err != nil {
		return head, seal.LogPublicKey{}, err
	}
	if head.Size == 0 {
		if head.Checkpoint, err = seal.SignCheckpoint(seal.Checkpoint{Origin: origin, Root: seal.EmptyRoot()}, key); err != nil {
			return head, seal.LogPublicKey{}, err
		}
	}
	// After a change of keys the newest checkpoint is the old key's until the next lock.
	for _, k := range all {
		if _, err := seal.OpenCheckpoint(head.Checkpoint, origin, k); err == nil {
			return head, k, nil
		}
	}
	return head, seal.LogPublicKey{}, errs.New(errs.Corrupt, "LOG_KEY_MISSING", "the newest checkpoint is signed by none of the log's keys that are here; put the folder of keys back whole")
}

// logNodes reads nodes of the log for proofs.
type logNodes struct {
	store storage.Store
	org   string
}

// Nodes implements seal.NodeSource.
func (n logNodes) Nodes(ctx context.Context, ids []seal.NodeID) ([]seal.Hash, error) {
	want := make([]storage.Node, len(ids))
	for i, id := range ids {
		want[i] = storage.Node{Level: uint32(id.Level), Index: id.Index}
	}
	got, err := n.store.LogNodes(ctx, n.org, want)
	if err != nil {
		return nil, err
	}
	at := map[seal.NodeID]seal.Hash{}
	for _, g := range got {
		at[seal.NodeID{Level: uint(g.Level), Index: g.Index}] = g.Hash
	}
	out := make([]seal.Hash, len(ids))
	for i, id := range ids {
		h, ok := at[id]
		if !ok {
			return nil, errs.Newf(errs.Corrupt, "LOG_NODE_MISSING", "node %d/%d of the log is not there; run doctor", id.Level, id.Index)
		}
		out[i] = h
	}
	return out, nil
}

// Consistency proves that the log of an older size is the beginning of a newer.
func (s *Service) Consistency(ctx context.Context, org string, from, to int64) ([]seal.Hash, int64, error) {
	head, err := s.Store.GetLogHead(ctx, org)
	if err != nil {
		return nil, 0, unavailable(err)
	}
	if to == 0 {
		to = head.Size
	}
	if from < 0 || from > to || to > head.Size {
		return nil, 0, errs.Field("SIZE_OUT_OF_RANGE", "from_size", fmt.Sprintf("0 ≤ from_size ≤ to_size ≤ %d, the log's size", head.Size))
	}
	p, err := seal.ConsistencyProof(ctx, logNodes{s.Store, org}, uint64(from), uint64(to))
	return p, to, unavailable(err)
}

// Inclusion proves that a job's lock stands in the log.
func (s *Service) Inclusion(ctx context.Context, id access.Identity, job string, size int64) (seal.Inclusion, []byte, error) {
	j, err := s.readJob(ctx, id, job, "inclusion proof", "")
	if err != nil {
		return seal.Inclusion{}, nil, unavailable(err)
	}
	return s.inclusion(ctx, id.Org, j, size, storage.ListRecord)
}

func (s *Service) inclusion(ctx context.Context, org string, j storage.Job, size int64, list storage.List) (seal.Inclusion, []byte, error) {
	leaves, err := s.Store.LogLeaves(ctx, org, j.ID, -1, 1000)
	if err != nil {
		return seal.Inclusion{}, nil, unavailable(err)
	}
	head, err := s.Store.GetLogHead(ctx, org)
	if err != nil {
		return seal.Inclusion{}, nil, unavailable(err)
	}
	if size == 0 {
		size = head.Size
	}
	if size > head.Size {
		return seal.Inclusion{}, nil, errs.Field("SIZE_OUT_OF_RANGE", "size", fmt.Sprintf("is at most %d, the log's size", head.Size))
	}
	for i := len(leaves) - 1; i >= 0; i-- { // the newest seal of the list
		lf := leaves[i]
		if lf.List != list || lf.Index >= size {
			continue
		}
		path, err := seal.InclusionProof(ctx, logNodes{s.Store, org}, uint64(lf.Index), uint64(size))
		return seal.Inclusion{Index: uint64(lf.Index), Size: uint64(size), Path: path}, lf.Leaf, unavailable(err)
	}
	return seal.Inclusion{}, nil, errs.New(errs.WrongState, "NOT_LOCKED", "this job is not locked, so it has no leaf in the log", "job", j.ID)
}

// SealAddenda seals the addenda that came since the last seal, with a leaf of
// their own. It returns whether there was anything to seal.
func (s *Service) SealAddenda(ctx context.Context, org, job string) (bool, error) {
	for try := 0; ; try++ {
		j, err := s.Store.GetJob(ctx, org, job)
		if err != nil {
			return false, unavailable(err)
		}
		if j.AddendumCount == j.AddendumSealed {
			return false, nil
		}
		now := s.now()
		la, _, _, err := s.logAppend(ctx, org, seal.LogLeaf{Job: "jobs/" + job, List: seal.ListAddenda, Size: uint64(j.AddendumCount), Root: j.AddendumRoot, Locked: now}, job, storage.ListAddenda)
		if err != nil {
			return false, unavailable(err)
		}
		_, err = s.Store.SealAddenda(ctx, org, job, j.AddendumCount, la)
		if err == nil {
			_, err = s.publishCheckpoint(ctx, org)
			return true, err
		}
		// Moved on, or sealed by another server meanwhile.
		if (errs.KindOf(err) != errs.Stale && !errs.Is(err, "ADDENDUM_COUNT")) || try > 8 {
			return false, unavailable(err)
		}
	}
}

func retainItem(job string, b storage.Blob, until time.Time) storage.RetainItem {
	return storage.RetainItem{ID: "retain:" + job + ":" + seal.Hash(b.Digest).String(), Job: job, Key: b.Key, VersionID: b.VersionID, Until: until, Digest: b.Digest}
}

// retainItems asks for retention of everything that a lock covers.
func (s *Service) retainItems(ctx context.Context, org, job string, now time.Time) ([]storage.RetainItem, error) {
	_, set, err := s.Organization(ctx, org)
	if err != nil {
		return nil, err
	}
	until := s.retention(now, set)
	var out []storage.RetainItem
	var after [32]byte
	for {
		bs, err := s.Store.ListBlobs(ctx, org, job, after, 1000)
		if err != nil {
			return nil, err
		}
		for _, b := range bs {
			after = b.Digest
			out = append(out, retainItem(job, b, until))
		}
		if len(bs) < 1000 {
			return out, nil
		}
	}
}
