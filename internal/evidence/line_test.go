package evidence_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/seal"
)

// The vectors of the format, which were made without this program: six lines,
// three of them signed by a device. Their payload hashes are the contract's.
func TestVectorLines(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "vectors", "record.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		kind, digest string
		signed       bool
	}{
		{"acknowledged", "b60d06a3bb4eaea512e97eb1f5c2e49ff91b5bee22764f5adde41fb1fb679e32", true},
		{"torque applied", "f16c4a8189bca7c9249550f628b1cf19237beb85eeb9125c693f9600ead4f035", true},
		{"reading taken", "9cb6e5ecce8bd2e60c1b7c587c28de87e308030af6e35f41570f1f6b664af79a", true},
		{"note", "e6db15a4f2000de1284cd4ccab6df78887347a745caeeb3c2fc3c8be0021a119", false},
		{"signed off", "0196d97b6731308e48c12e1cf94452fa08f2d114581a3b2959c2ec5813509ed2", false},
		{"locked", "bf3b6ef5008dea5bbc303c0cf1a5b49e994a790d523a906b8c7939488ef4948e", false},
	}
	n := 0
	err = seal.EachLine(bytes.NewReader(b), func(i uint64, line []byte) error {
		p, err := evidence.ParseLine(bytes.Clone(line))
		if err != nil {
			t.Errorf("line %d: %v", i, err)
			return nil
		}
		if int(i) > len(want) {
			t.Fatalf("line %d; want %d", i, len(want))
		}
		w := want[i-1]
		if got := seal.Hash(p.Fold.PayloadDigest).String(); got != w.digest {
			t.Errorf("line %d: payload hash %s; want %s", i, got, w.digest)
		}
		if got := kind(p); got != w.kind {
			t.Errorf("line %d: kind %q; want %q", i, got, w.kind)
		}
		if got := p.Fold.KeyID != ""; got != w.signed {
			t.Errorf("line %d: signed %v; want %v", i, got, w.signed)
		}
		n++
		return nil
	})
	if err != nil || n != len(want) {
		t.Errorf("read %d lines, %v; want %d", n, err, len(want))
	}
}

func TestReadEntryRefuses(t *testing.T) {
	for _, tc := range []struct{ name, payload, reason, later string }{
		{"a member twice", `{"id":"a","id":"b"}`, "JSON_MEMBER_TWICE", ""},
		{"a member that nobody knows", `{"id":"a","mood":"good"}`, "PAYLOAD_NOT_KNOWN", "true"},
		{"a name of an enum that nobody knows", `{"id":"a","readingTaken":{"unit":"PARSECS"}}`, "PAYLOAD_NOT_KNOWN", "true"},
		{"a number for a text", `{"id":5}`, "PAYLOAD_MALFORMED", ""},
		{"two kinds", `{"note":{"text":"a"},"finished":{}}`, "PAYLOAD_MALFORMED", ""},
		{"no JSON", `id=a`, "JSON_MALFORMED", ""},
		{"a time out of range", `{"deviceTime":"99999-01-01T00:00:00Z"}`, "PAYLOAD_MALFORMED", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := evidence.ReadEntry([]byte(tc.payload))
			if !errs.Is(err, tc.reason) {
				t.Errorf("ReadEntry(%s) = %v; want %s", tc.payload, err, tc.reason)
			}
		})
	}
}
