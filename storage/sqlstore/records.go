package sqlstore

import (
	"bytes"
	"context"
	"fmt"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// checkLines holds the lines to the contract: seq after+1, after+2, …; an id,
// a line, no negative counter.
func checkLines(lines []storage.NewLine, after int64) error {
	for i, l := range lines {
		want := after + int64(i) + 1
		switch {
		case l.Seq != want || want < 1:
			return errs.Field("LINE_SEQ", fmt.Sprintf("lines[%d].seq", i), fmt.Sprintf("line %d has seq %d; it must be %d, and at least 1", i, l.Seq, want))
		case l.EntryID == "":
			return errs.Field("LINE_WITHOUT_ENTRY", fmt.Sprintf("lines[%d].entry_id", i), "a line needs the id of its entry")
		case len(l.Line) == 0 || bytes.IndexByte(l.Line, '\n') >= 0:
			return errs.Field("LINE_BYTES", fmt.Sprintf("lines[%d].line", i), "a line is one JSON object without a line break")
		case l.Counter < 0:
			return errs.Field("LINE_COUNTER", fmt.Sprintf("lines[%d].counter", i), "a counter is 1 or more, or 0 for none")
		}
	}
	return nil
}

func checkOpenState(state storage.JobState) error {
	if state != storage.JobOpen && state != storage.JobFinished {
		return errs.Field("JOB_STATE", "state", "lines can leave a record open or finished, not "+string(state)+"; a lock has a way of its own")
	}
	return nil
}

func isLocked(j storage.Job) bool {
	return j.State == storage.JobLocked || j.State == storage.JobEnded
}

// addLines stores lines; Exists ENTRY_ID_REUSED names the first id that is taken.
func addLines(ctx context.Context, tx Tx, o, job string, list storage.List, lines []storage.NewLine) error {
	rows := make([][]any, 0, len(lines))
	for i := range lines {
		l := &lines[i]
		rows = append(rows, []any{o, job, string(list), l.Seq, l.EntryID, hash(l.PayloadDigest), l.Device, l.Counter, l.Line, milli(l.ReceiveTime)})
	}
	n, err := insert(ctx, tx, "line", "org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time",
		"ON CONFLICT (org, entry_id) DO NOTHING", rows)
	if err != nil || n == int64(len(lines)) {
		return err
	}
	// The transaction ends here in any case; look which id was taken.
	ids := make([]string, 0, len(lines))
	here := map[string]int64{}
	for _, l := range lines {
		if _, twice := here[l.EntryID]; twice {
			return entryIDReused(storage.EntryRef{EntryID: l.EntryID, Job: job, List: list, Seq: here[l.EntryID]})
		}
		here[l.EntryID] = l.Seq
		ids = append(ids, l.EntryID)
	}
	refs, err := findEntries(ctx, tx, o, ids)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if ref := refs[l.EntryID]; ref.Job != job || ref.List != list || ref.Seq != l.Seq {
			return entryIDReused(ref)
		}
	}
	return fmt.Errorf("insert into line: %d rows in place of %d", n, len(lines))
}

func entryIDReused(ref storage.EntryRef) error {
	return errs.New(errs.Exists, "ENTRY_ID_REUSED", "an entry of this id is stored already",
		"entry", ref.EntryID, "job", ref.Job, "list", string(ref.List), "seq", itoa(ref.Seq))
}

// isReplay reports whether every one of lines is stored at its place with the
// same bytes.
func isReplay(ctx context.Context, tx Tx, o, job string, list storage.List, count int64, lines []storage.NewLine) (bool, error) {
	if len(lines) == 0 || lines[len(lines)-1].Seq > count {
		return false, nil
	}
	i, same := 0, true
	err := each(ctx, tx, func(row scanner) (bool, error) {
		var seq int64
		var id string
		var line []byte
		if err := row(&seq, &id, &line); err != nil {
			return false, err
		}
		same = seq == lines[i].Seq && id == lines[i].EntryID && bytes.Equal(line, lines[i].Line)
		i++
		return same, nil
	}, `SELECT seq, entry_id, line FROM line WHERE org = $1 AND job = $2 AND list = $3 AND seq >= $4 AND seq <= $5 ORDER BY seq`,
		o, job, string(list), lines[0].Seq, lines[len(lines)-1].Seq)
	return same && i == len(lines), err
}

func headMoved(job string, have int64) error {
	return errs.New(errs.Stale, "HEAD_MOVED", "the record has moved on since you read it; read it again", "job", job, "line_count", itoa(have))
}

func recordLocked(job string) error {
	return errs.New(errs.WrongState, "RECORD_LOCKED", "this record is locked; what arrives now is an addendum", "job", job)
}

// Append implements storage.Records.
func (s *Store) Append(ctx context.Context, o, job string, a storage.Append) (j storage.Job, err error) {
	if err := checkLines(a.Lines, a.After); err != nil {
		return storage.Job{}, err
	}
	if a.State != "" {
		if err := checkOpenState(a.State); err != nil {
			return storage.Job{}, err
		}
	}
	err = s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		j, err = getJob(ctx, tx, o, job, s.engine.RowLock())
		if err != nil {
			return err
		}
		if replay, err := isReplay(ctx, tx, o, job, storage.ListRecord, j.LineCount, a.Lines); err != nil || replay {
			return err
		}
		switch {
		case isLocked(j):
			return recordLocked(job)
		case j.LineCount != a.After:
			return headMoved(job, j.LineCount)
		}
		if err := addLines(ctx, tx, o, job, storage.ListRecord, a.Lines); err != nil {
			return err
		}
		if len(a.Lines) > 0 {
			j.LineCount += int64(len(a.Lines))
			j.Root, j.Compact = a.Root, blob(a.Compact)
		}
		if a.State != "" {
			j.State = a.State
		}
		if a.AdmitDigest != ([32]byte{}) {
			if err := admit(ctx, tx, o, job, a.AdmitDigest, a.AdmitSeq); err != nil {
				return err
			}
		}
		if err := addRefused(ctx, tx, o, &j, a.Refused); err != nil {
			return err
		}
		if err := addExamine(ctx, tx, o, a.Examine); err != nil {
			return err
		}
		if err := addOutbox(ctx, tx, o, a.Outbox); err != nil {
			return err
		}
		if err := doneOutbox(ctx, tx, o, a.OutboxDone); err != nil {
			return err
		}
		_, err := exec(ctx, tx, `UPDATE job SET line_count = $1, root = $2, compact = $3, state = $4, refused_count = $5, refused_bytes = $6
			WHERE org = $7 AND id = $8`,
			j.LineCount, hash(j.Root), blob(j.Compact), string(j.State), j.RefusedCount, j.RefusedBytes, o, job)
		return err
	})
	return orZero(j, err)
}

// AppendAddenda implements storage.Records.
func (s *Store) AppendAddenda(ctx context.Context, o, job string, a storage.AppendAddenda) (j storage.Job, err error) {
	if err := checkLines(a.Lines, a.After); err != nil {
		return storage.Job{}, err
	}
	err = s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		j, err = getJob(ctx, tx, o, job, s.engine.RowLock())
		if err != nil {
			return err
		}
		if replay, err := isReplay(ctx, tx, o, job, storage.ListAddenda, j.AddendumCount, a.Lines); err != nil || replay {
			return err
		}
		switch {
		case !isLocked(j):
			return errs.New(errs.WrongState, "RECORD_OPEN", "this record is not locked; what arrives is a line of it", "job", job)
		case j.AddendumCount != a.After:
			return errs.New(errs.Stale, "HEAD_MOVED", "the addenda have moved on since you read them; read them again",
				"job", job, "addendum_count", itoa(j.AddendumCount))
		}
		if err := addLines(ctx, tx, o, job, storage.ListAddenda, a.Lines); err != nil {
			return err
		}
		if len(a.Lines) > 0 {
			j.AddendumCount += int64(len(a.Lines))
			j.AddendumRoot, j.AddendumCompact = a.Root, blob(a.Compact)
		}
		j.Contradicted = j.Contradicted || a.Contradicted
		if err := addRefused(ctx, tx, o, &j, a.Refused); err != nil {
			return err
		}
		if err := addExamine(ctx, tx, o, a.Examine); err != nil {
			return err
		}
		if err := addRetain(ctx, tx, o, a.Retain); err != nil {
			return err
		}
		if err := doneOutbox(ctx, tx, o, a.OutboxDone); err != nil {
			return err
		}
		_, err := exec(ctx, tx, `UPDATE job SET addendum_count = $1, addendum_root = $2, addendum_compact = $3, contradicted = $4,
			refused_count = $5, refused_bytes = $6 WHERE org = $7 AND id = $8`,
			j.AddendumCount, hash(j.AddendumRoot), blob(j.AddendumCompact), flag(j.Contradicted), j.RefusedCount, j.RefusedBytes, o, job)
		return err
	})
	return orZero(j, err)
}

// orZero keeps a job that was read but not changed from being taken for the
// outcome of a failed call.
func orZero(j storage.Job, err error) (storage.Job, error) {
	if err != nil {
		return storage.Job{}, err
	}
	return j, nil
}

// admit marks a refused entry as admitted.
func admit(ctx context.Context, tx Tx, o, job string, digest [32]byte, seq int64) error {
	n, err := exec(ctx, tx, `UPDATE refused SET admitted_seq = $1 WHERE org = $2 AND job = $3 AND digest = $4`, seq, o, job, hash(digest))
	if err == nil && n == 0 {
		return noRefused()
	}
	return err
}

func noRefused() *errs.Error {
	return errs.New(errs.NotFound, "REFUSED_NOT_FOUND", "no refused entry of this digest is kept for the job")
}

// addRefused keeps rs aside and counts them in j; the caller stores the counts.
func addRefused(ctx context.Context, tx Tx, o string, j *storage.Job, rs []storage.Refused) error {
	for _, r := range rs {
		n, err := exec(ctx, tx, `INSERT INTO refused (org, job, `+refusedColumns+`)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14) ON CONFLICT (org, job, digest) DO NOTHING`,
			o, j.ID, hash(r.Digest), r.EntryID, blob(r.Payload), blob(r.Signature), r.KeyID, r.Reason, r.Sentence, r.Sender, r.Device,
			r.Counter, milli(r.ReceiveTime), r.AdmittedSeq)
		if err != nil {
			return err
		}
		if n == 1 {
			j.RefusedCount++
			j.RefusedBytes += int64(len(r.Payload))
		}
	}
	return nil
}

const refusedColumns = `digest, entry_id, payload, signature, key_id, reason, sentence, sender, device, counter, receive_time, admitted_seq`

func scanRefused(row scanner) (r storage.Refused, err error) {
	var received int64
	err = row((*hash)(&r.Digest), &r.EntryID, &r.Payload, &r.Signature, &r.KeyID, &r.Reason, &r.Sentence, &r.Sender, &r.Device,
		&r.Counter, &received, &r.AdmittedSeq)
	r.ReceiveTime = fromMilli(received)
	return r, err
}

// KeepRefused implements storage.Records.
func (s *Store) KeepRefused(ctx context.Context, o, job string, rs []storage.Refused) error {
	return s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		j, err := getJob(ctx, tx, o, job, s.engine.RowLock())
		if err != nil {
			return err
		}
		if err := addRefused(ctx, tx, o, &j, rs); err != nil {
			return err
		}
		_, err = exec(ctx, tx, `UPDATE job SET refused_count = $1, refused_bytes = $2 WHERE org = $3 AND id = $4`,
			j.RefusedCount, j.RefusedBytes, o, job)
		return err
	})
}

// Lock implements storage.Records.
func (s *Store) Lock(ctx context.Context, o, job string, l storage.Lock) (j storage.Job, err error) {
	if err := checkLines(l.Lines, l.After); err != nil {
		return storage.Job{}, err
	}
	if l.State != storage.JobLocked && l.State != storage.JobEnded {
		return storage.Job{}, errs.Field("JOB_STATE", "state", "a lock leaves a record locked or ended, not "+string(l.State))
	}
	if len(l.Lines) == 0 {
		return storage.Job{}, errs.Field("LOCK_WITHOUT_LINES", "lines", "a lock has at least the locked line")
	}
	err = s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		j, err = getJob(ctx, tx, o, job, s.engine.RowLock())
		if err != nil {
			return err
		}
		if isLocked(j) {
			replay, err := isReplay(ctx, tx, o, job, storage.ListRecord, j.LineCount, l.Lines)
			if err == nil && !replay {
				return recordLocked(job)
			}
			return err
		}
		if j.LineCount != l.After {
			return headMoved(job, j.LineCount)
		}
		size, err := s.lockLog(ctx, tx, o)
		if err != nil {
			return err
		}
		if size != l.Log.After {
			return logMoved(size)
		}
		if err := addLines(ctx, tx, o, job, storage.ListRecord, l.Lines); err != nil {
			return err
		}
		leaf := l.Log
		leaf.Job, leaf.List = job, storage.ListRecord
		if err := addLeaf(ctx, tx, o, leaf); err != nil {
			return err
		}
		if err := addRetain(ctx, tx, o, l.Retain); err != nil {
			return err
		}
		j.LineCount += int64(len(l.Lines))
		j.Root, j.Compact, j.State, j.Names, j.LogIndex = l.Root, blob(l.Compact), l.State, blob(l.Names), l.Log.After
		j.LockTime = fromMilli(milli(l.LockTime))
		_, err = exec(ctx, tx, `UPDATE job SET line_count = $1, root = $2, compact = $3, state = $4, names = $5, lock_time = $6, log_index = $7
			WHERE org = $8 AND id = $9`,
			j.LineCount, hash(j.Root), j.Compact, string(j.State), j.Names, milli(j.LockTime), j.LogIndex, o, job)
		return err
	})
	return orZero(j, err)
}

// SealAddenda implements storage.Records.
func (s *Store) SealAddenda(ctx context.Context, o, job string, count int64, l storage.LogAppend) (j storage.Job, err error) {
	err = s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		j, err = getJob(ctx, tx, o, job, s.engine.RowLock())
		if err != nil {
			return err
		}
		if !isLocked(j) {
			return errs.New(errs.WrongState, "RECORD_OPEN", "this record is not locked; it has no addenda to seal", "job", job)
		}
		size, err := s.lockLog(ctx, tx, o)
		if err != nil {
			return err
		}
		if size > l.After {
			stored, _, err := one(ctx, tx, scanLeaf, `SELECT `+leafColumns+` FROM log_leaf WHERE org = $1 AND idx = $2`, o, l.After)
			if err != nil {
				return err
			}
			if stored.Job == job && stored.List == storage.ListAddenda && bytes.Equal(stored.Leaf, l.Leaf) {
				return nil // a replay
			}
		}
		if size != l.After {
			return logMoved(size)
		}
		if count <= j.AddendumSealed || count > j.AddendumCount {
			return errs.Field("ADDENDUM_COUNT", "count", fmt.Sprintf("a seal covers more than the %d addenda sealed so far and at most the %d there are, not %d",
				j.AddendumSealed, j.AddendumCount, count))
		}
		leaf := l
		leaf.Job, leaf.List = job, storage.ListAddenda
		if err := addLeaf(ctx, tx, o, leaf); err != nil {
			return err
		}
		j.AddendumSealed = count
		_, err = exec(ctx, tx, `UPDATE job SET addendum_sealed = $1 WHERE org = $2 AND id = $3`, count, o, job)
		return err
	})
	return orZero(j, err)
}

// Lines implements storage.Records.
func (s *Store) Lines(ctx context.Context, o, job string, list storage.List, after int64, limit int, maxBytes int64) (lines []storage.Line, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var total int64
		return each(ctx, tx, func(row scanner) (bool, error) {
			var l storage.Line
			var received int64
			if err := row(&l.Seq, &l.EntryID, &l.Line, &received); err != nil {
				return false, err
			}
			total += int64(len(l.Line))
			if maxBytes > 0 && total > maxBytes && len(lines) > 0 {
				return false, nil
			}
			l.ReceiveTime = fromMilli(received)
			lines = append(lines, l)
			return true, nil
		}, `SELECT seq, entry_id, line, receive_time FROM line WHERE org = $1 AND job = $2 AND list = $3 AND seq > $4 ORDER BY seq LIMIT $5`,
			o, job, string(list), after, atMost(limit))
	})
	return lines, err
}

func findEntries(ctx context.Context, tx Tx, o string, ids []string) (map[string]storage.EntryRef, error) {
	refs := make(map[string]storage.EntryRef, len(ids))
	for _, part := range batches(ids) {
		var q query
		q.add(`SELECT entry_id, job, list, seq, payload_digest FROM line WHERE org = `)
		q.arg(o)
		q.add(` AND `)
		q.in("entry_id", part)
		err := each(ctx, tx, func(row scanner) (bool, error) {
			var r storage.EntryRef
			var list string
			err := row(&r.EntryID, &r.Job, &list, &r.Seq, (*hash)(&r.PayloadDigest))
			r.List = storage.List(list)
			refs[r.EntryID] = r
			return true, err
		}, q.text.String(), q.args...)
		if err != nil {
			return nil, err
		}
	}
	return refs, nil
}

// FindEntries implements storage.Records.
func (s *Store) FindEntries(ctx context.Context, o string, ids []string) (refs map[string]storage.EntryRef, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		refs, err = findEntries(ctx, tx, o, ids)
		return err
	})
	return refs, err
}

// DeviceHead implements storage.Records.
func (s *Store) DeviceHead(ctx context.Context, o, job, device string) (counter int64, digest [32]byte, err error) {
	if device == "" {
		return 0, digest, nil
	}
	err = s.read(ctx, org(o), func(tx Tx) error {
		return each(ctx, tx, func(row scanner) (bool, error) {
			return false, row(&counter, (*hash)(&digest))
		}, `SELECT counter, payload_digest FROM line WHERE org = $1 AND job = $2 AND device = $3 AND device <> '' AND counter > 0
			ORDER BY counter DESC, receive_time DESC, seq DESC LIMIT 1`, o, job, device)
	})
	return counter, digest, err
}

// ReportUnsent implements storage.Records.
func (s *Store) ReportUnsent(ctx context.Context, o, job string, u storage.Unsent) error {
	return s.write(ctx, org(o), noJob(job), func(tx Tx) error {
		_, err := exec(ctx, tx, `INSERT INTO unsent (org, job, device, person, count, time) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (org, job, device) DO UPDATE SET person = excluded.person, count = excluded.count, time = excluded.time
			WHERE excluded.time >= unsent.time`, o, job, u.Device, u.Person, u.Count, milli(u.Time))
		return err
	})
}

// Unsent implements storage.Records.
func (s *Store) Unsent(ctx context.Context, o, job string) (us []storage.Unsent, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		us, err = many(ctx, tx, func(row scanner) (u storage.Unsent, err error) {
			var at int64
			err = row(&u.Device, &u.Person, &u.Count, &at)
			u.Time = fromMilli(at)
			return u, err
		}, `SELECT device, person, count, time FROM unsent WHERE org = $1 AND job = $2 ORDER BY device`, o, job)
		return err
	})
	return us, err
}

// ListRefused implements storage.Records.
func (s *Store) ListRefused(ctx context.Context, o, job string, offset, limit int) (rs []storage.Refused, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		rs, err = many(ctx, tx, scanRefused, `SELECT `+refusedColumns+` FROM refused WHERE org = $1 AND job = $2
			ORDER BY receive_time, digest LIMIT $3 OFFSET $4`, o, job, atMost(limit), atMost(offset))
		return err
	})
	return rs, err
}

// GetRefused implements storage.Records.
func (s *Store) GetRefused(ctx context.Context, o, job string, digest [32]byte) (r storage.Refused, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var found bool
		r, found, err = one(ctx, tx, scanRefused, `SELECT `+refusedColumns+` FROM refused WHERE org = $1 AND job = $2 AND digest = $3`,
			o, job, hash(digest))
		if err == nil && !found {
			return noRefused()
		}
		return err
	})
	return r, err
}

// RefusedTotals implements storage.Records.
func (s *Store) RefusedTotals(ctx context.Context, o, job, device string) (count, size int64, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		return each(ctx, tx, func(row scanner) (bool, error) {
			return false, row(&count, &size)
		}, `SELECT count(*), CAST(coalesce(sum(length(payload)), 0) AS BIGINT) FROM refused WHERE org = $1 AND job = $2 AND device = $3`,
			o, job, device)
	})
	return count, size, err
}
