package sqlstore

import (
	"context"
	"fmt"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// lockLog takes the row lock on the head of the organisation's log until the
// end of the transaction and returns the log's size. A job's row is always
// locked before it, never after.
func (s *Store) lockLog(ctx context.Context, tx Tx, o string) (size int64, err error) {
	size, found, err := one(ctx, tx, number, `SELECT size FROM log_head WHERE org = $1`+s.engine.RowLock(), o)
	if err == nil && !found {
		return 0, noOrganization(o)
	}
	return size, err
}

func logMoved(size int64) error {
	return errs.New(errs.Stale, "LOG_MOVED", "the organisation's log has grown since you read it; read its head again", "size", itoa(size))
}

// addLeaf adds one leaf, the nodes that it completes and the new head. The
// caller holds the lock on the head and has compared its size.
func addLeaf(ctx context.Context, tx Tx, o string, l storage.LogAppend) error {
	if _, err := exec(ctx, tx, `INSERT INTO log_leaf (org, idx, leaf, job, list) VALUES ($1, $2, $3, $4, $5)`,
		o, l.After, blob(l.Leaf), l.Job, string(l.List)); err != nil {
		return err
	}
	rows := make([][]any, 0, len(l.Nodes))
	for _, n := range l.Nodes {
		if n.Index > 1<<62 {
			return errs.Field("LOG_NODE_INDEX", "nodes", "a node's index is out of range")
		}
		rows = append(rows, []any{o, int64(n.Level), int64(n.Index), hash(n.Hash)})
	}
	if _, err := insert(ctx, tx, "log_node", "org, level, idx, hash", "", rows); err != nil {
		return err
	}
	_, err := exec(ctx, tx, `UPDATE log_head SET size = $1, root = $2, compact = $3, checkpoint = $4 WHERE org = $5`,
		l.After+1, hash(l.Root), blob(l.Compact), blob(l.Checkpoint), o)
	return err
}

// GetLogHead implements storage.Logs.
func (s *Store) GetLogHead(ctx context.Context, o string) (h storage.LogHead, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var found bool
		h, found, err = one(ctx, tx, func(row scanner) (h storage.LogHead, err error) {
			err = row(&h.Size, (*hash)(&h.Root), &h.Compact, &h.Checkpoint)
			return h, err
		}, `SELECT size, root, compact, checkpoint FROM log_head WHERE org = $1`, o)
		if err == nil && !found {
			return noOrganization(o)
		}
		return err
	})
	return h, err
}

// LogNodes implements storage.Logs.
func (s *Store) LogNodes(ctx context.Context, o string, want []storage.Node) (nodes []storage.Node, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		nodes = make([]storage.Node, 0, len(want))
		for _, w := range want {
			found := false
			if w.Index <= 1<<62 {
				var h hash
				h, found, err = one(ctx, tx, func(row scanner) (h hash, err error) {
					err = row(&h)
					return h, err
				}, `SELECT hash FROM log_node WHERE org = $1 AND level = $2 AND idx = $3`, o, int64(w.Level), int64(w.Index))
				if err != nil {
					return err
				}
				nodes = append(nodes, storage.Node{Level: w.Level, Index: w.Index, Hash: h})
			}
			if !found {
				return errs.New(errs.Corrupt, "LOG_NODE_MISSING",
					fmt.Sprintf("the log has no node at level %d, index %d", w.Level, w.Index), "organization", o)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return nodes, nil
}

const leafColumns = `idx, leaf, job, list`

func scanLeaf(row scanner) (l storage.LogLeaf, err error) {
	var list string
	err = row(&l.Index, &l.Leaf, &l.Job, &list)
	l.List = storage.List(list)
	return l, err
}

// LogLeaves implements storage.Logs.
func (s *Store) LogLeaves(ctx context.Context, o, job string, after int64, limit int) (ls []storage.LogLeaf, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var q query
		q.add(`SELECT ` + leafColumns + ` FROM log_leaf WHERE org = `)
		q.arg(o)
		q.add(` AND idx > `)
		q.arg(after)
		if job != "" {
			q.add(` AND job = `)
			q.arg(job)
		}
		q.add(` ORDER BY idx LIMIT `)
		q.arg(atMost(limit))
		ls, err = many(ctx, tx, scanLeaf, q.text.String(), q.args...)
		return err
	})
	return ls, err
}
