package disk_test

import (
	"testing"

	"witnessmark/storage/blob"
	"witnessmark/storage/blob/blobtest"
	"witnessmark/storage/blob/disk"
)

func open(tb testing.TB) blob.Store {
	tb.Helper()
	st, err := disk.Open(tb.TempDir())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := st.Close(); err != nil {
			tb.Error(err)
		}
	})
	return st
}

func TestStore(t *testing.T) { blobtest.Run(t, open) }
