package sqlstore

import (
	"context"
	"fmt"
	"slices"

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

// maxNodeIndex keeps an index inside the databases' signed numbers.
const maxNodeIndex = 1 << 62

// addLeaf adds one leaf, the nodes that it completes and the new head. The
// caller holds the lock on the head and has compared its size.
func addLeaf(ctx context.Context, tx Tx, o string, l storage.LogAppend) error {
	if _, err := exec(ctx, tx, `INSERT INTO log_leaf (org, idx, leaf, job, list) VALUES ($1, $2, $3, $4, $5)`,
		o, l.After, blob(l.Leaf), l.Job, string(l.List)); err != nil {
		return err
	}
	rows := make([][]any, 0, len(l.Nodes))
	for _, n := range l.Nodes {
		if n.Index > maxNodeIndex {
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

// LogNodes implements storage.Logs, with one statement for a proof's nodes.
func (s *Store) LogNodes(ctx context.Context, o string, want []storage.Node) ([]storage.Node, error) {
	type place struct{ level, index int64 }
	found := make(map[place]hash, len(want))
	at := func(n storage.Node) place { return place{int64(n.Level), int64(min(n.Index, maxNodeIndex+1))} }
	err := s.read(ctx, org(o), func(tx Tx) error {
		for part := range slices.Chunk(want, 1000) {
			var q query
			q.add(`SELECT level, idx, hash FROM log_node WHERE org = `)
			q.arg(o)
			q.add(` AND (level, idx) IN (VALUES `)
			for i, n := range part {
				if i > 0 {
					q.add(`, `)
				}
				p := at(n)
				q.add(`(CAST(`)
				q.arg(p.level)
				q.add(` AS BIGINT), CAST(`)
				q.arg(p.index)
				q.add(` AS BIGINT))`)
			}
			q.add(`)`)
			err := each(ctx, tx, func(row scanner) (bool, error) {
				var p place
				var h hash
				err := row(&p.level, &p.index, &h)
				found[p] = h
				return true, err
			}, q.text.String(), q.args...)
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	nodes := make([]storage.Node, 0, len(want))
	for _, n := range want {
		h, ok := found[at(n)]
		if !ok {
			return nil, errs.New(errs.Corrupt, "LOG_NODE_MISSING",
				fmt.Sprintf("the log has no node at level %d, index %d", n.Level, n.Index), "organization", o)
		}
		nodes = append(nodes, storage.Node{Level: n.Level, Index: n.Index, Hash: h})
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
