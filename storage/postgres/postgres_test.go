package postgres_test

import (
	"context"
	"testing"

	"witnessmark/internal/testbed"
	"witnessmark/storage"
	"witnessmark/storage/postgres"
	"witnessmark/storage/storagetest"
)

func migrated(tb testing.TB) testbed.Database {
	tb.Helper()
	db := testbed.PostgresRoles(tb)
	if err := postgres.Migrate(context.Background(), db.Owner); err != nil {
		tb.Fatal(err)
	}
	return db
}

func openAt(tb testing.TB, dsn string) *postgres.Store {
	tb.Helper()
	s, err := postgres.Open(context.Background(), dsn)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Errorf("Close: %v", err)
		}
	})
	return s
}

// openPair opens two stores, as two servers do.
func openPair(tb testing.TB) (one, two storage.Store) {
	db := migrated(tb)
	return openAt(tb, db.App), openAt(tb, db.App)
}

func TestStore(t *testing.T) { storagetest.Run(t, openPair) }
