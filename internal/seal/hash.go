// Package seal makes a record tamper-evident and checks it: Merkle trees over
// its lines, device signatures over its entries, signed checkpoints of an
// organisation's log, and the exact bytes of lines and log leaves.
//
// It is pure: no clock, no network, no files. Randomness is a reader that the
// caller passes in; ECDSA signing is deterministic.
package seal

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"strings"

	"witnessmark/internal/errs"
)

// Hash is a SHA-256 digest.
type Hash [sha256.Size]byte

// Base64 prints h in standard base64 with padding, 44 characters: the form in
// payloads, log leaves and checkpoints.
func (h Hash) Base64() string { return base64.StdEncoding.EncodeToString(h[:]) }

// String prints h in 64 lower-case hexadecimal digits: the form in file names
// and manifests.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// Sum is the SHA-256 of b.
func Sum(b []byte) Hash { return sha256.Sum256(b) }

// ParseHash reads the 44 characters that Base64 prints.
//
// The error is Invalid, reason HASH_MALFORMED.
func ParseHash(s string) (Hash, error) {
	b, ok := decodeBase64(s)
	if !ok || len(b) != sha256.Size {
		return Hash{}, errs.Newf(errs.Invalid, "HASH_MALFORMED",
			"a hash is 32 bytes in standard base64 with padding (44 characters); this has %d characters and does not read as one", len(s))
	}
	return Hash(b), nil
}

// decodeBase64 accepts exactly what the standard encoder with padding writes,
// so that one value has one text. The library's decoder skips line breaks and,
// unless strict, ignores the spare bits of the last character.
func decodeBase64(s string) ([]byte, bool) {
	if strings.ContainsAny(s, "\r\n") {
		return nil, false
	}
	b, err := base64.StdEncoding.Strict().DecodeString(s)
	return b, err == nil
}
