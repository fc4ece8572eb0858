package seal

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"math/big"
	"strconv"

	"golang.org/x/crypto/cryptobyte"
	"golang.org/x/crypto/cryptobyte/asn1"

	"witnessmark/internal/errs"
)

// EntryType is the payload type of a signed entry.
const EntryType = "application/vnd.witnessmark.entry+json"

// SignatureSize is the length of a raw P-256 signature: r and s, 32 bytes each,
// most significant byte first.
const SignatureSize = 64

// PAE is the DSSE v1 pre-authentication encoding, the bytes that are signed:
// "DSSEv1" SP len(type) SP type SP len(payload) SP payload, with lengths as
// decimal numbers of bytes.
func PAE(payloadType string, payload []byte) []byte {
	b := make([]byte, 0, len(payloadType)+len(payload)+32)
	b = append(b, "DSSEv1 "...)
	b = strconv.AppendInt(b, int64(len(payloadType)), 10)
	b = append(b, ' ')
	b = append(b, payloadType...)
	b = append(b, ' ')
	b = strconv.AppendInt(b, int64(len(payload)), 10)
	b = append(b, ' ')
	return append(b, payload...)
}

// VerifySignature checks a raw signature (r ‖ s, 64 bytes) by key over
// PAE(payloadType, payload), ECDSA P-256 with SHA-256.
//
// If (r, s) verifies then so does (r, n−s): a signature is never an identity,
// only the payload's bytes are.
//
// Errors: Corrupt, reason SIGNATURE_MALFORMED, if the length is not 64 or r or s
// is 0 or not below the group order; Corrupt, reason SIGNATURE_WRONG, if it is
// not this key's signature over these bytes.
func VerifySignature(key *ecdsa.PublicKey, payloadType string, payload, sig []byte) error {
	r, s, err := splitSignature(sig)
	if err != nil {
		return err
	}
	digest := sha256.Sum256(PAE(payloadType, payload))
	if key == nil || key.Curve != elliptic.P256() || !ecdsa.Verify(key, digest[:], r, s) {
		return errs.New(errs.Corrupt, "SIGNATURE_WRONG", "the signature is not this key's signature over this payload")
	}
	return nil
}

// Sign makes the raw signature of key over PAE(payloadType, payload). The same
// input gives the same signature (RFC 6979), so no randomness is needed. It
// serves devices that are programs, and tests; a phone signs by itself.
//
// The error is Invalid, reason KEY_NOT_P256, for a key on another curve.
func Sign(key *ecdsa.PrivateKey, payloadType string, payload []byte) ([]byte, error) {
	if key == nil || key.Curve != elliptic.P256() {
		return nil, errs.New(errs.Invalid, "KEY_NOT_P256", "a device key is an ECDSA key on the curve P-256")
	}
	digest := sha256.Sum256(PAE(payloadType, payload))
	der, err := key.Sign(nil, digest[:], crypto.SHA256)
	if err != nil {
		return nil, errs.New(errs.Invalid, "KEY_NOT_P256", "the key cannot sign").Because(err)
	}
	return RawSignature(der)
}

func splitSignature(sig []byte) (r, s *big.Int, err error) {
	if len(sig) != SignatureSize {
		return nil, nil, errs.Newf(errs.Corrupt, "SIGNATURE_MALFORMED", "a signature is %d bytes (r and s), this is %d", SignatureSize, len(sig))
	}
	r, s = new(big.Int).SetBytes(sig[:32]), new(big.Int).SetBytes(sig[32:])
	n := elliptic.P256().Params().N
	for _, v := range []*big.Int{r, s} {
		if v.Sign() == 0 || v.Cmp(n) >= 0 {
			return nil, nil, errs.New(errs.Corrupt, "SIGNATURE_MALFORMED", "the two numbers of a signature lie between 1 and the order of P-256 less 1")
		}
	}
	return r, s, nil
}

// DERSignature turns a raw signature into the ASN.1 DER form that openssl reads:
// SEQUENCE { r INTEGER, s INTEGER }, RFC 3279 section 2.2.3.
//
// The error is Corrupt, reason SIGNATURE_MALFORMED, as in VerifySignature.
func DERSignature(raw []byte) ([]byte, error) {
	r, s, err := splitSignature(raw)
	if err != nil {
		return nil, err
	}
	var b cryptobyte.Builder
	b.AddASN1(asn1.SEQUENCE, func(b *cryptobyte.Builder) {
		b.AddASN1BigInt(r)
		b.AddASN1BigInt(s)
	})
	der, err := b.Bytes()
	if err != nil {
		return nil, errs.New(errs.Corrupt, "SIGNATURE_MALFORMED", "the signature cannot be written as DER").Because(err)
	}
	return der, nil
}

// RawSignature turns an ASN.1 DER signature into r ‖ s, 64 bytes.
//
// The error is Corrupt, reason SIGNATURE_MALFORMED, for anything but DER, for
// bytes after it, and for numbers out of range.
func RawSignature(der []byte) ([]byte, error) {
	bad := errs.New(errs.Corrupt, "SIGNATURE_MALFORMED", "the signature is not a DER sequence of two numbers below the order of P-256")
	in := cryptobyte.String(der)
	var seq cryptobyte.String
	r, s := new(big.Int), new(big.Int)
	if !in.ReadASN1(&seq, asn1.SEQUENCE) || !in.Empty() ||
		!seq.ReadASN1Integer(r) || !seq.ReadASN1Integer(s) || !seq.Empty() ||
		r.Sign() < 0 || s.Sign() < 0 || r.BitLen() > 256 || s.BitLen() > 256 {
		return nil, bad
	}
	raw := make([]byte, SignatureSize)
	r.FillBytes(raw[:32])
	s.FillBytes(raw[32:])
	if _, _, err := splitSignature(raw); err != nil {
		return nil, err
	}
	return raw, nil
}

// ParsePublicKey reads a device's public key: a SubjectPublicKeyInfo (RFC 5480)
// in DER, or one PEM block PUBLIC KEY with nothing before it and at most white
// space after it.
//
// Errors: Invalid, reason KEY_MALFORMED; Invalid, reason KEY_NOT_P256, for a key
// of another kind or curve.
func ParsePublicKey(b []byte) (*ecdsa.PublicKey, error) {
	der, err := spki(b)
	if err != nil {
		return nil, err
	}
	parsed, err := x509.ParsePKIXPublicKey(der)
	if err != nil {
		return nil, errs.New(errs.Invalid, "KEY_MALFORMED", "the public key cannot be read").Because(err)
	}
	key, ok := parsed.(*ecdsa.PublicKey)
	if !ok || key.Curve != elliptic.P256() {
		return nil, errs.New(errs.Invalid, "KEY_NOT_P256", "a device key is an ECDSA key on the curve P-256")
	}
	// One key has one key id, so it may have one encoding only.
	if again, err := x509.MarshalPKIXPublicKey(key); err != nil || string(again) != string(der) {
		return nil, errs.New(errs.Invalid, "KEY_MALFORMED", "the public key is not in its usual encoding").Because(err)
	}
	return key, nil
}

// spki finds the DER bytes in a PEM block PUBLIC KEY, or takes b as DER.
func spki(b []byte) ([]byte, error) {
	if len(b) > 4096 {
		return nil, errs.Newf(errs.Invalid, "KEY_MALFORMED", "a public key is at most 4096 bytes, this is %d", len(b))
	}
	if len(b) > 0 && b[0] == 0x30 { // an ASN.1 sequence; a PEM block begins with a dash
		return b, nil
	}
	// The decoder skips any text before a block; a key file has no such text.
	if !bytes.HasPrefix(b, []byte("-----BEGIN PUBLIC KEY-----")) {
		return nil, errs.New(errs.Invalid, "KEY_MALFORMED", "a public key is DER or one PEM block PUBLIC KEY")
	}
	block, rest := pem.Decode(b)
	if block == nil || block.Type != "PUBLIC KEY" || len(block.Headers) != 0 || !blank(rest) {
		return nil, errs.New(errs.Invalid, "KEY_MALFORMED", "a public key is DER or one PEM block PUBLIC KEY")
	}
	return block.Bytes, nil
}

func blank(b []byte) bool {
	for _, c := range b {
		if c != ' ' && c != '\n' && c != '\r' && c != '\t' {
			return false
		}
	}
	return true
}

// PublicKeyPEM writes key as ParsePublicKey reads it.
//
// The error is Invalid, reason KEY_NOT_P256.
func PublicKeyPEM(key *ecdsa.PublicKey) ([]byte, error) {
	der, err := publicKeyDER(key)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), nil
}

// KeyID is the first 16 hexadecimal digits of SHA-256 over the key's DER
// SubjectPublicKeyInfo. It finds a key; it proves nothing.
//
// The error is Invalid, reason KEY_NOT_P256.
func KeyID(key *ecdsa.PublicKey) (string, error) {
	der, err := publicKeyDER(key)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(der)
	return hex.EncodeToString(sum[:8]), nil
}

func publicKeyDER(key *ecdsa.PublicKey) ([]byte, error) {
	if key == nil || key.Curve != elliptic.P256() {
		return nil, errs.New(errs.Invalid, "KEY_NOT_P256", "a device key is an ECDSA key on the curve P-256")
	}
	der, err := x509.MarshalPKIXPublicKey(key)
	if err != nil {
		return nil, errs.New(errs.Invalid, "KEY_NOT_P256", "the key is not a point on P-256").Because(err)
	}
	return der, nil
}

// Keys are device public keys by key id.
type Keys map[string]*ecdsa.PublicKey

// Add puts a key under its own key id and returns it.
//
// Errors: Invalid, reason KEY_NOT_P256; Corrupt, reason KEY_ID_COLLISION, if
// another key has the same key id.
func (k Keys) Add(key *ecdsa.PublicKey) (string, error) {
	id, err := KeyID(key)
	if err != nil {
		return "", err
	}
	if had, ok := k[id]; ok && !had.Equal(key) {
		return "", errs.New(errs.Corrupt, "KEY_ID_COLLISION", "two different keys have the key id "+id, "keyid", id)
	}
	k[id] = key
	return id, nil
}
