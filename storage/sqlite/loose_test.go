package sqlite

import (
	"context"
	"path/filepath"
	"testing"

	"witnessmark/storage/sqlstore"
)

// A loose transaction does not wait for the disk; whoever gets the connection
// next does, however the loose one ended.
func TestLooseCommits(t *testing.T) {
	ctx := context.Background()
	s, err := Open(ctx, filepath.Join(t.TempDir(), "loose.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	level := func(loose bool, end func(sqlstore.Tx)) (n int) {
		t.Helper()
		x, err := s.engine.Begin(ctx, sqlstore.Scope{Org: "o", Loose: loose}, true)
		if err != nil {
			t.Fatal(err)
		}
		r, err := x.Query(ctx, "PRAGMA synchronous")
		if err != nil {
			t.Fatal(err)
		}
		for r.Next() {
			if err := r.Scan(&n); err != nil {
				t.Fatal(err)
			}
		}
		r.Close()
		end(x)
		return n
	}
	commit := func(x sqlstore.Tx) {
		if err := x.Commit(ctx); err != nil {
			t.Fatal(err)
		}
		x.Rollback() // as every caller does
	}
	// SQLite's documentation of PRAGMA synchronous: 1 is NORMAL, 2 is FULL.
	for _, end := range []func(sqlstore.Tx){commit, sqlstore.Tx.Rollback} {
		if got := level(true, end); got != 1 {
			t.Errorf("inside of a loose transaction: synchronous is %d; want 1", got)
		}
		if got := level(false, commit); got != 2 {
			t.Errorf("after a loose transaction: synchronous is %d; want 2", got)
		}
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.engine.Begin(ended, sqlstore.Scope{Org: "o", Loose: true}, true); err == nil {
		t.Error("a loose transaction began though its caller had gone")
	}
	if got := level(false, commit); got != 2 {
		t.Errorf("after one that did not begin: synchronous is %d; want 2", got)
	}
}
