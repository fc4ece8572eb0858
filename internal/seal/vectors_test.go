package seal_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/seal"
)

// vectorFile reads a file that Go and the phone client both test against.
func vectorFile(tb testing.TB, name string) []byte {
	tb.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "vectors", name))
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

func vectorJSON(tb testing.TB, name string, into any) {
	tb.Helper()
	if err := json.Unmarshal(vectorFile(tb, name), into); err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
}

// wantHash reads a vector's hexadecimal hash.
func wantHash(tb testing.TB, hexDigits string) seal.Hash {
	tb.Helper()
	var h seal.Hash
	if len(hexDigits) != 64 {
		tb.Fatalf("a hash of %d digits in a vector", len(hexDigits))
	}
	copy(h[:], unhex(tb, hexDigits))
	return h
}

func vectorKeys(tb testing.TB) seal.Keys {
	tb.Helper()
	key, err := seal.ParsePublicKey(vectorFile(tb, "device-0adc823c1353bbde.pem"))
	if err != nil {
		tb.Fatal(err)
	}
	keys := seal.Keys{}
	id, err := keys.Add(key)
	if err != nil {
		tb.Fatal(err)
	}
	if want := "0adc823c1353bbde"; id != want {
		tb.Fatalf("KeyID = %s, want %s", id, want)
	}
	return keys
}
