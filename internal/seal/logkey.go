package seal

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/errs"
)

// noteEd25519 is the algorithm byte of an Ed25519 key in a signed note.
const noteEd25519 = 1

// Origin is the name of an organisation's log, and of its key: the configured
// log name, a slash, the organisation's id (without "organizations/").
//
// The error is Invalid, reason LOG_NAME, if either is empty or holds a space, a
// plus sign, a control character or bad UTF-8, or the id holds a slash.
func Origin(logName, organization string) (string, error) {
	if strings.Contains(organization, "/") {
		return "", errs.Field("LOG_NAME", "organization", "the id alone is expected, without a slash")
	}
	if organization == "" {
		return "", errs.Field("LOG_NAME", "organization", "an id is expected")
	}
	if err := checkName(logName); err != nil {
		return "", err
	}
	origin := logName + "/" + organization
	return origin, checkName(origin)
}

func checkName(name string) error {
	if name == "" || len(name) > 500 || !utf8.ValidString(name) || strings.Contains(name, "+") ||
		strings.ContainsFunc(name, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }) {
		return errs.Field("LOG_NAME", "name", "a log's name is 1 to 500 bytes of UTF-8 without spaces, plus signs or control characters")
	}
	return nil
}

// LogKey is an organisation's private log key, Ed25519, with its name (the
// log's origin). Printing one shows the public part only.
type LogKey struct {
	name string
	key  ed25519.PrivateKey
}

// GenerateLogKey makes a key named name from 32 bytes of random.
//
// Errors: Invalid, reason LOG_NAME; random's own.
func GenerateLogKey(random io.Reader, name string) (*LogKey, error) {
	if err := checkName(name); err != nil {
		return nil, err
	}
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(random, seed); err != nil {
		return nil, fmt.Errorf("make a log key: %w", err)
	}
	return &LogKey{name, ed25519.NewKeyFromSeed(seed)}, nil
}

// ParseLogKey reads a private key as Private writes it.
//
// The error is Invalid, reason LOG_KEY_MALFORMED; it never holds the key.
func ParseLogKey(text string) (*LogKey, error) {
	bad := errs.New(errs.Invalid, "LOG_KEY_MALFORMED", "a private log key is PRIVATE+KEY+<name>+<hash>+<key>, with Ed25519")
	text = strings.TrimSpace(text)
	signer, err := note.NewSigner(text) // checks the form, the algorithm and the hash
	if err != nil || checkName(signer.Name()) != nil {
		return nil, bad
	}
	// PRIVATE, KEY, name, hash, key; only the last may hold plus signs.
	parts := strings.SplitN(text, "+", 5)
	b, ok := decodeBase64(parts[len(parts)-1])
	if !ok || len(b) != 1+ed25519.SeedSize {
		return nil, bad
	}
	return &LogKey{signer.Name(), ed25519.NewKeyFromSeed(b[1:])}, nil
}

// Private is the key as a signed note's signer key:
// PRIVATE+KEY+<name>+<hash>+<base64 of 0x01 ‖ seed>. Keep it secret.
func (k *LogKey) Private() string {
	return fmt.Sprintf("PRIVATE+KEY+%s+%08x+%s", k.name, k.Public().hash(),
		base64.StdEncoding.EncodeToString(append([]byte{noteEd25519}, k.key.Seed()...)))
}

// Public is the half that others check with.
func (k *LogKey) Public() LogPublicKey {
	return LogPublicKey{k.name, k.key.Public().(ed25519.PublicKey)}
}

// String and GoString keep the private half out of logs.
func (k *LogKey) String() string { return k.Public().String() }

// GoString is String.
func (k *LogKey) GoString() string { return k.String() }

func (k *LogKey) signer() note.Signer { return noteSigner{k} }

// noteSigner shows a LogKey to the note library.
type noteSigner struct{ *LogKey }

func (s noteSigner) Name() string    { return s.name }
func (s noteSigner) KeyHash() uint32 { return s.Public().hash() }
func (s noteSigner) Sign(msg []byte) ([]byte, error) {
	return ed25519.Sign(s.key, msg), nil
}

// LogPublicKey is the public half of a log key with its name.
type LogPublicKey struct {
	name string
	key  ed25519.PublicKey
}

// ParseLogPublicKey reads a signed note's verifier key, <name>+<hash>+<key>.
//
// The error is Invalid, reason LOG_KEY_MALFORMED.
func ParseLogPublicKey(text string) (LogPublicKey, error) {
	bad := errs.New(errs.Invalid, "LOG_KEY_MALFORMED", "a public log key is <name>+<hash>+<key>, with Ed25519")
	text = strings.TrimSpace(text)
	if _, err := note.NewVerifier(text); err != nil {
		return LogPublicKey{}, bad.Because(err)
	}
	name, rest, _ := strings.Cut(text, "+")
	_, key64, _ := strings.Cut(rest, "+")
	b, ok := decodeBase64(key64)
	if !ok || len(b) != 1+ed25519.PublicKeySize || checkName(name) != nil {
		return LogPublicKey{}, bad
	}
	return LogPublicKey{name, b[1:]}, nil
}

// ParseLogPEM reads an Ed25519 SubjectPublicKeyInfo (RFC 8410) in PEM or DER;
// the form has no room for a name, so the caller gives it: the log's origin.
//
// Errors, all Invalid: LOG_NAME; KEY_MALFORMED; LOG_KEY_MALFORMED for another
// kind of key.
func ParseLogPEM(name string, b []byte) (LogPublicKey, error) {
	if err := checkName(name); err != nil {
		return LogPublicKey{}, err
	}
	der, err := spki(b)
	if err != nil {
		return LogPublicKey{}, err
	}
	parsed, err := x509.ParsePKIXPublicKey(der)
	if err != nil {
		return LogPublicKey{}, errs.New(errs.Invalid, "KEY_MALFORMED", "the log's public key cannot be read").Because(err)
	}
	key, ok := parsed.(ed25519.PublicKey)
	if !ok {
		return LogPublicKey{}, errs.New(errs.Invalid, "LOG_KEY_MALFORMED", "a log's key is an Ed25519 key")
	}
	return LogPublicKey{name, key}, nil
}

// Name is the log's origin.
func (k LogPublicKey) Name() string { return k.name }

// String is the verifier key <name>+<hash>+<base64 of 0x01 ‖ key>.
func (k LogPublicKey) String() string {
	return fmt.Sprintf("%s+%08x+%s", k.name, k.hash(), base64.StdEncoding.EncodeToString(append([]byte{noteEd25519}, k.key...)))
}

// PEM is the key as a SubjectPublicKeyInfo (RFC 8410), which openssl reads. The
// zero LogPublicKey gives nil.
func (k LogPublicKey) PEM() []byte {
	der := k.der()
	if der == nil {
		return nil
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
}

// Fingerprint is SHA-256 over the DER SubjectPublicKeyInfo: what people compare,
// and what openssl pkey -pubin -outform DER | sha256sum prints.
func (k LogPublicKey) Fingerprint() Hash { return Sum(k.der()) }

// Same reports whether both are the same key, whatever their names.
func (k LogPublicKey) Same(other LogPublicKey) bool { return bytes.Equal(k.key, other.key) }

func (k LogPublicKey) der() []byte {
	if len(k.key) != ed25519.PublicKeySize {
		return nil
	}
	der, err := x509.MarshalPKIXPublicKey(k.key)
	if err != nil {
		panic("seal: " + err.Error()) // an Ed25519 key of the right length always encodes
	}
	return der
}

// hash is the key id of a signed note: the first 4 bytes of
// SHA-256(name ‖ 0x0A ‖ 0x01 ‖ key).
func (k LogPublicKey) hash() uint32 {
	sum := Sum(append([]byte(k.name+"\n\x01"), k.key...))
	return uint32(sum[0])<<24 | uint32(sum[1])<<16 | uint32(sum[2])<<8 | uint32(sum[3])
}

// noteVerifier shows a LogPublicKey to the note library.
type noteVerifier struct{ LogPublicKey }

func (v noteVerifier) KeyHash() uint32 { return v.hash() }
func (v noteVerifier) Verify(msg, sig []byte) bool {
	return len(v.key) == ed25519.PublicKeySize && ed25519.Verify(v.key, msg, sig)
}
