package postgres

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"

	"witnessmark/internal/errs"
	"witnessmark/internal/testbed"
	"witnessmark/storage"
	"witnessmark/storage/sqlstore"
)

func openEngine(t *testing.T) (*Store, *engine, testbed.Database) {
	t.Helper()
	db := testbed.PostgresRoles(t)
	if err := Migrate(context.Background(), db.Owner); err != nil {
		t.Fatal(err)
	}
	s, err := Open(context.Background(), db.App)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return s, s.engine, db
}

// TestSettingsEndWithTheTransaction: the next user of a connection sees nothing
// of the organisation before.
func TestSettingsEndWithTheTransaction(t *testing.T) {
	ctx := context.Background()
	s, e, _ := openEngine(t)
	if err := s.CreateOrganization(ctx, storage.Organization{ID: "north"}); err != nil {
		t.Fatal(err)
	}
	for _, end := range []string{"commit", "rollback"} {
		began, err := e.Begin(ctx, sqlstore.Scope{Org: "north"}, true)
		if err != nil {
			t.Fatal(err)
		}
		x := began.(*tx)
		conn := x.conn.Conn()
		look := func() (setting, durable string, rows int) {
			t.Helper()
			err := conn.QueryRow(ctx, `SELECT coalesce(current_setting('app.organization', true), ''), current_setting('synchronous_commit'),
				(SELECT count(*) FROM organization)`).Scan(&setting, &durable, &rows)
			if err != nil {
				t.Fatal(err)
			}
			return setting, durable, rows
		}
		if setting, durable, rows := look(); setting != "north" || durable == "off" || rows != 1 {
			t.Errorf("inside: organisation %q, synchronous_commit %s, %d rows; want north, not off, 1", setting, durable, rows)
		}
		if end == "commit" {
			if err := x.Commit(ctx); err != nil {
				t.Fatal(err)
			}
		}
		x.Rollback()
		if setting, _, rows := look(); setting != "" || rows != 0 {
			t.Errorf("after %s: organisation %q, %d rows; want none", end, setting, rows)
		}
	}
}

// TestLostConnections: the database ends every connection of the server; the
// store answers that it was not available, or works, and then works again.
func TestLostConnections(t *testing.T) {
	ctx := context.Background()
	s, _, db := openEngine(t)
	if err := s.CreateOrganization(ctx, storage.Organization{ID: "north"}); err != nil {
		t.Fatal(err)
	}
	killer, err := pgx.Connect(ctx, db.App)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := killer.Close(ctx); err != nil {
			t.Errorf("close: %v", err)
		}
	}()
	var ended int
	if err := killer.QueryRow(ctx, `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity
		WHERE datname = current_database() AND usename = current_user AND pid <> pg_backend_pid()`).Scan(&ended); err != nil || ended == 0 {
		t.Fatalf("%d connections ended, %v; the test tests nothing", ended, err)
	}
	for n := 1; ; n++ {
		_, err := s.GetOrganization(ctx, "north")
		if err == nil {
			break
		}
		if errs.KindOf(err) != errs.Unavailable || n > 10 {
			t.Fatalf("call %d after lost connections: %v", n, err)
		}
	}
}
