package sqlite_test

import (
	"context"
	"path/filepath"
	"testing"

	"witnessmark/storage"
	"witnessmark/storage/sqlite"
	"witnessmark/storage/storagetest"
)

func openAt(tb testing.TB, path string) *sqlite.Store {
	tb.Helper()
	s, err := sqlite.Open(context.Background(), path)
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

func openPair(tb testing.TB) (one, two storage.Store) {
	path := filepath.Join(tb.TempDir(), "witnessmark.db")
	return openAt(tb, path), openAt(tb, path)
}

func TestStore(t *testing.T) { storagetest.Run(t, openPair) }
