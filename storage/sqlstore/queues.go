package sqlstore

import (
	"cmp"
	"context"
	"slices"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// ---- examinations ----

func addExamine(ctx context.Context, tx Tx, o string, items []storage.ExamineItem) error {
	rows := make([][]any, 0, len(items))
	for _, e := range items {
		rows = append(rows, []any{o, e.ID, e.Job, hash(e.Digest), e.Purpose, e.Entry, e.Subject, e.Step, e.Attempts, milli(e.NotBefore), e.LastProblem})
	}
	_, err := insert(ctx, tx, "examine", "org, "+examineColumns, "ON CONFLICT DO NOTHING", rows)
	return err
}

const examineColumns = `id, job, digest, purpose, entry, subject, step, attempts, due_time, last_problem`

func scanExamine(row scanner) (e storage.ExamineItem, err error) {
	var due int64
	err = row(&e.ID, &e.Job, (*hash)(&e.Digest), &e.Purpose, &e.Entry, &e.Subject, &e.Step, &e.Attempts, &due, &e.LastProblem)
	e.NotBefore = fromMilli(due)
	return e, err
}

// EnqueueExamine implements storage.Queues.
func (s *Store) EnqueueExamine(ctx context.Context, o string, items []storage.ExamineItem) error {
	return s.write(ctx, org(o), noJob(""), func(tx Tx) error { return addExamine(ctx, tx, o, items) })
}

// take leases due rows of a queue: it moves their due time to the end of the
// lease, and passes over rows that another worker is leasing at this moment.
func (s *Store) take(table, columns, order, set string) string {
	return `WITH due AS MATERIALIZED (SELECT org, id FROM ` + table + ` WHERE due_time <= $1 ORDER BY ` + order + ` LIMIT $2` + s.engine.SkipLocked() + `)
		UPDATE ` + table + ` SET due_time = $3` + set + ` WHERE (org, id) IN (SELECT org, id FROM due) RETURNING org, ` + columns
}

// TakeExamine implements storage.Queues.
func (s *Store) TakeExamine(ctx context.Context, now time.Time, lease time.Duration, limit int) (items map[string][]storage.ExamineItem, err error) {
	err = s.write(ctx, Scope{Across: "examine"}, nil, func(tx Tx) error {
		rows, err := many(ctx, tx, withOrg(scanExamine), s.take("examine", examineColumns, "due_time, id", ", attempts = attempts + 1"),
			milli(now), atMost(limit), milli(now.Add(lease)))
		slices.SortFunc(rows, func(a, b ofOrg[storage.ExamineItem]) int { return cmp.Compare(a.row.ID, b.row.ID) })
		items = byOrg(rows)
		return err
	})
	return items, err
}

// FinishExamine implements storage.Queues.
func (s *Store) FinishExamine(ctx context.Context, o, id, job string, digest [32]byte, examined []byte) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error {
		if _, err := exec(ctx, tx, `DELETE FROM examine WHERE org = $1 AND id = $2`, o, id); err != nil {
			return err
		}
		n, err := exec(ctx, tx, `UPDATE blob SET examined = $1 WHERE org = $2 AND job = $3 AND digest = $4`, blob(examined), o, job, hash(digest))
		if err == nil && n == 0 {
			return noBlob(job)
		}
		return err
	})
}

// PostponeExamine implements storage.Queues.
func (s *Store) PostponeExamine(ctx context.Context, o, id string, notBefore time.Time, problem string) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error {
		n, err := exec(ctx, tx, `UPDATE examine SET due_time = $1, last_problem = $2 WHERE org = $3 AND id = $4`, milli(notBefore), problem, o, id)
		if err == nil && n == 0 {
			return noItem(id)
		}
		return err
	})
}

func noItem(id string) error {
	return errs.New(errs.NotFound, "ITEM_NOT_FOUND", "there is no such item in the queue", "item", id)
}

// ---- the outbox ----

func addOutbox(ctx context.Context, tx Tx, o string, items []storage.OutboxItem) error {
	rows := make([][]any, 0, len(items))
	for _, i := range items {
		var job any // null where there is none
		if i.Job != "" {
			job = i.Job
		}
		rows = append(rows, []any{o, i.ID, job, blob(i.Payload), milli(i.CreateTime), int64(0)})
	}
	_, err := insert(ctx, tx, "outbox", "org, id, job, payload, create_time, due_time", "ON CONFLICT (org, id) DO NOTHING", rows)
	return err
}

func doneOutbox(ctx context.Context, tx Tx, o string, ids []string) error {
	for _, part := range batches(ids) {
		var q query
		q.add(`DELETE FROM outbox WHERE org = `)
		q.arg(o)
		q.add(` AND `)
		q.in("id", part)
		if _, err := exec(ctx, tx, q.text.String(), q.args...); err != nil {
			return err
		}
	}
	return nil
}

// EnqueueOutbox implements storage.Queues.
func (s *Store) EnqueueOutbox(ctx context.Context, o string, items []storage.OutboxItem) error {
	return s.write(ctx, org(o), noJob(""), func(tx Tx) error { return addOutbox(ctx, tx, o, items) })
}

// TakeOutbox implements storage.Queues.
func (s *Store) TakeOutbox(ctx context.Context, now time.Time, lease time.Duration, limit int) (items map[string][]storage.OutboxItem, err error) {
	err = s.write(ctx, Scope{Across: "outbox"}, nil, func(tx Tx) error {
		rows, err := many(ctx, tx, withOrg(func(row scanner) (i storage.OutboxItem, err error) {
			var created int64
			var job *string
			err = row(&i.ID, &job, &i.Payload, &created)
			if job != nil {
				i.Job = *job
			}
			i.CreateTime = fromMilli(created)
			return i, err
		}), s.take("outbox", "id, job, payload, create_time", "create_time, id", ""), milli(now), atMost(limit), milli(now.Add(lease)))
		slices.SortFunc(rows, func(a, b ofOrg[storage.OutboxItem]) int {
			return cmp.Or(a.row.CreateTime.Compare(b.row.CreateTime), cmp.Compare(a.row.ID, b.row.ID))
		})
		items = byOrg(rows)
		return err
	})
	return items, err
}

// DoneOutbox implements storage.Queues.
func (s *Store) DoneOutbox(ctx context.Context, o string, ids []string) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error { return doneOutbox(ctx, tx, o, ids) })
}

// ---- retention ----

func addRetain(ctx context.Context, tx Tx, o string, items []storage.RetainItem) error {
	for _, r := range items {
		if _, err := exec(ctx, tx, `INSERT INTO retain (org, id, job, key, version_id, until, digest, attempts, due_time)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, 0) ON CONFLICT (org, id) DO NOTHING`,
			o, r.ID, r.Job, r.Key, r.VersionID, milli(r.Until), hash(r.Digest), r.Attempts); err != nil {
			return err
		}
	}
	return nil
}

// TakeRetain implements storage.Queues.
func (s *Store) TakeRetain(ctx context.Context, now time.Time, lease time.Duration, limit int) (items map[string][]storage.RetainItem, err error) {
	err = s.write(ctx, Scope{Across: "retain"}, nil, func(tx Tx) error {
		rows, err := many(ctx, tx, withOrg(func(row scanner) (i storage.RetainItem, err error) {
			var until int64
			err = row(&i.ID, &i.Job, &i.Key, &i.VersionID, &until, (*hash)(&i.Digest), &i.Attempts)
			i.Until = fromMilli(until)
			return i, err
		}), s.take("retain", "id, job, key, version_id, until, digest, attempts", "due_time, id", ", attempts = attempts + 1"),
			milli(now), atMost(limit), milli(now.Add(lease)))
		slices.SortFunc(rows, func(a, b ofOrg[storage.RetainItem]) int { return cmp.Compare(a.row.ID, b.row.ID) })
		items = byOrg(rows)
		return err
	})
	return items, err
}

// FinishRetain implements storage.Queues.
func (s *Store) FinishRetain(ctx context.Context, o, id, job string, digest [32]byte, retention string) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error {
		if _, err := exec(ctx, tx, `DELETE FROM retain WHERE org = $1 AND id = $2`, o, id); err != nil {
			return err
		}
		n, err := exec(ctx, tx, `UPDATE blob SET retention = $1 WHERE org = $2 AND job = $3 AND digest = $4`, retention, o, job, hash(digest))
		if err == nil && n == 0 {
			return noBlob(job)
		}
		return err
	})
}

// PostponeRetain implements storage.Queues.
func (s *Store) PostponeRetain(ctx context.Context, o, id string, notBefore time.Time) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error {
		n, err := exec(ctx, tx, `UPDATE retain SET due_time = $1 WHERE org = $2 AND id = $3`, milli(notBefore), o, id)
		if err == nil && n == 0 {
			return noItem(id)
		}
		return err
	})
}

// QueueDepths implements storage.Queues.
func (s *Store) QueueDepths(ctx context.Context) (map[string]int64, error) {
	depths := make(map[string]int64)
	for _, queue := range []string{"examine", "outbox", "retain"} {
		err := s.read(ctx, Scope{Across: queue}, func(tx Tx) error {
			n, _, err := one(ctx, tx, number, `SELECT count(*) FROM `+queue)
			depths[queue] = n
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return depths, nil
}
