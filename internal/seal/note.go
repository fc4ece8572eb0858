package seal

import (
	"encoding/base64"
	"errors"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/errs"
)

// maxNote bounds a signed note; a checkpoint with 16 signatures is 3 KiB.
const maxNote = 64 << 10

// Checkpoint is the head of an organisation's log (C2SP tlog-checkpoint).
type Checkpoint struct {
	Origin string // Origin(log name, organisation)
	Size   uint64 // leaves
	Root   Hash
}

// text is origin, size and root, one to a line.
func (c Checkpoint) text() (string, error) {
	if err := checkName(c.Origin); err != nil {
		return "", err
	}
	if c.Size > MaxTreeSize {
		return "", errs.Newf(errs.Invalid, "CHECKPOINT_MALFORMED", "a log of %d leaves is larger than one can be", c.Size)
	}
	if c.Size == 0 && c.Root != EmptyRoot() {
		return "", errs.New(errs.Invalid, "CHECKPOINT_MALFORMED", "the root of no leaves is the hash of nothing")
	}
	return c.Origin + "\n" + strconv.FormatUint(c.Size, 10) + "\n" + c.Root.Base64() + "\n", nil
}

// SignCheckpoint makes the signed note of c, with a signature line for each key:
// during a rotation the old and the new. The keys' names must be the origin.
//
// The error is Invalid: CHECKPOINT_MALFORMED, LOG_NAME, or LOG_KEY_NAME for no
// key or one of another name.
//
// The caller must never sign two checkpoints of one origin that are not
// consistent, which a pure function cannot know.
func SignCheckpoint(c Checkpoint, keys ...*LogKey) ([]byte, error) {
	t, err := c.text()
	if err != nil {
		return nil, err
	}
	return signNote(t, c.Origin, keys)
}

func signNote(t, name string, keys []*LogKey) ([]byte, error) {
	if len(keys) == 0 {
		return nil, errs.New(errs.Invalid, "LOG_KEY_NAME", "a note needs at least one key to sign with")
	}
	signers := make([]note.Signer, len(keys))
	for i, k := range keys {
		if k == nil {
			return nil, errs.New(errs.Invalid, "LOG_KEY_NAME", "a note needs a key to sign with, one is nil")
		}
		if k.name != name {
			return nil, errs.Newf(errs.Invalid, "LOG_KEY_NAME", "the key is named %q, the log %q", k.name, name)
		}
		signers[i] = k.signer()
	}
	b, err := note.Sign(&note.Note{Text: t}, signers...)
	if err != nil {
		return nil, errs.New(errs.Invalid, "NOTE_MALFORMED", "the note cannot be signed").Because(err)
	}
	return b, nil
}

// OpenCheckpoint verifies a signed note and reads the checkpoint in it. At least
// one of keys, which are all of the log's keys that the caller trusts (several
// across a rotation), must have signed it, and each that did must have signed
// rightly. Lines by other signers and extension lines are passed over.
//
// All errors are Corrupt. Reasons: NOTE_MALFORMED; NOTE_SIGNATURE_WRONG for a
// known key's wrong signature; NOTE_KEY_UNKNOWN if no known key signed;
// CHECKPOINT_MALFORMED; CHECKPOINT_ORIGIN if it is of another log.
func OpenCheckpoint(b []byte, origin string, keys ...LogPublicKey) (Checkpoint, error) {
	if len(keys) == 0 {
		return Checkpoint{}, errs.New(errs.Corrupt, "NOTE_KEY_UNKNOWN", "a checkpoint needs a key to be checked with")
	}
	n, err := openNote(b, keys)
	if err != nil {
		return Checkpoint{}, err
	}
	c, err := parseCheckpoint(n.Text)
	if err != nil {
		return Checkpoint{}, err
	}
	if c.Origin != origin {
		return Checkpoint{}, errs.Newf(errs.Corrupt, "CHECKPOINT_ORIGIN", "the checkpoint is of the log %q, not of %q", short(c.Origin), origin)
	}
	// A trusted key of another log says nothing about this one.
	for _, s := range n.Sigs {
		if s.Name == origin {
			return c, nil
		}
	}
	return Checkpoint{}, errs.New(errs.Corrupt, "NOTE_KEY_UNKNOWN", "the checkpoint is signed by no key of this log that is known here")
}

// PeekCheckpoint reads a checkpoint without checking any signature: for the
// origin to look a key up by, or to see how far an unknown log says it is.
//
// The error is Corrupt, reason NOTE_MALFORMED or CHECKPOINT_MALFORMED.
func PeekCheckpoint(b []byte) (Checkpoint, error) {
	n, err := openNote(b, nil)
	if err != nil {
		return Checkpoint{}, err
	}
	return parseCheckpoint(n.Text)
}

// openNote opens a note; with no keys at all it checks the form only.
func openNote(b []byte, keys []LogPublicKey) (*note.Note, error) {
	if len(b) > maxNote {
		return nil, errs.Newf(errs.Corrupt, "NOTE_MALFORMED", "a signed note of %d bytes is over the bound of %d", len(b), maxNote)
	}
	verifiers := make([]note.Verifier, 0, len(keys))
	known := map[string]bool{}
	for _, k := range keys {
		if id := k.String(); !known[id] { // the library calls a key given twice ambiguous
			known[id] = true
			verifiers = append(verifiers, noteVerifier{k})
		}
	}
	n, err := note.Open(b, note.VerifierList(verifiers...))
	var unverified *note.UnverifiedNoteError
	var wrong *note.InvalidSignatureError
	switch {
	case errors.As(err, &unverified):
		if len(keys) > 0 {
			return nil, errs.New(errs.Corrupt, "NOTE_KEY_UNKNOWN", "the note is signed by no key that is known here")
		}
		n = unverified.Note
	case errors.As(err, &wrong):
		return nil, errs.Newf(errs.Corrupt, "NOTE_SIGNATURE_WRONG", "the signature of key %s+%08x is not over this text", wrong.Name, wrong.Hash)
	case err != nil:
		return nil, errs.New(errs.Corrupt, "NOTE_MALFORMED", "this is not a signed note").Because(err)
	}
	// The library checks a key's first line and skips further ones, and decodes
	// base64 loosely. A known key has one line, in one spelling.
	_, block := cutNote(b)
	mine := map[string]int{}
	for _, s := range n.Sigs {
		mine[s.Name+"\n"+strconv.FormatUint(uint64(s.Hash), 16)]++
		if _, ok := decodeBase64(s.Base64); !ok {
			return nil, errs.New(errs.Corrupt, "NOTE_MALFORMED", "a signature is not in standard base64")
		}
	}
	for line := range strings.Lines(block) {
		name, sig64, _ := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(line, "— "), "\n"), " ")
		raw, err := base64.StdEncoding.DecodeString(sig64)
		if err != nil || len(raw) < 4 {
			return nil, errs.New(errs.Corrupt, "NOTE_MALFORMED", "a signature line cannot be read").Because(err)
		}
		hash := uint64(raw[0])<<24 | uint64(raw[1])<<16 | uint64(raw[2])<<8 | uint64(raw[3])
		id := name + "\n" + strconv.FormatUint(hash, 16)
		if n, ok := mine[id]; ok {
			if n == 0 {
				return nil, errs.New(errs.Corrupt, "NOTE_MALFORMED", "a key signs the note twice")
			}
			mine[id]--
		}
	}
	return n, nil
}

// cutNote parts a note at its last empty line. The text keeps its line feed.
func cutNote(b []byte) (text, signatures string) {
	s := string(b)
	i := strings.LastIndex(s, "\n\n")
	if i < 0 {
		return s, ""
	}
	return s[:i+1], s[i+2:]
}

func parseCheckpoint(text string) (Checkpoint, error) {
	bad := func(what string) (Checkpoint, error) {
		return Checkpoint{}, errs.New(errs.Corrupt, "CHECKPOINT_MALFORMED", "the checkpoint "+what)
	}
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if len(lines) < 3 {
		return bad("has fewer than three lines: origin, size, root")
	}
	for _, extension := range lines[3:] {
		if extension == "" {
			return bad("has an empty extension line")
		}
	}
	c := Checkpoint{Origin: lines[0]}
	if checkName(c.Origin) != nil {
		return bad("has no origin in its first line")
	}
	var ok bool
	if c.Size, ok = decimal(lines[1]); !ok {
		return bad("has no size in its second line: decimal without leading zeros")
	}
	var err error
	if c.Root, err = ParseHash(lines[2]); err != nil {
		return bad("has no root in its third line: 32 bytes in base64")
	}
	if c.Size == 0 && c.Root != EmptyRoot() {
		return bad("gives a root to a log without leaves")
	}
	return c, nil
}

// manifestTitle is the first line of a manifest note. It holds spaces, so it
// can be no origin, and the note no checkpoint.
const manifestTitle = "witnessmark package manifest v1"

// Manifest is what a package's manifest.note signs: together with them every
// file of the package, for the manifest lists the payload, the bag's remaining
// tag files are a constant, computed from these, or the note itself.
type Manifest struct {
	Origin  string // of the log whose key signs
	Payload Hash   // of the bytes of manifest-sha256.txt
	Info    Hash   // of the bytes of bag-info.txt
}

// text is four lines: the title, the origin, the digests of manifest-sha256.txt
// and of bag-info.txt in base64.
func (m Manifest) text() string {
	return manifestTitle + "\n" + m.Origin + "\n" + m.Payload.Base64() + "\n" + m.Info.Base64() + "\n"
}

// SignManifest makes manifest.note: a signed note of four lines (the title
// "witnessmark package manifest v1", the origin, and in base64 the SHA-256 of
// manifest-sha256.txt and of bag-info.txt) with one signature.
//
// The error is Invalid: LOG_NAME or LOG_KEY_NAME.
func SignManifest(m Manifest, key *LogKey) ([]byte, error) {
	if err := checkName(m.Origin); err != nil {
		return nil, err
	}
	return signNote(m.text(), m.Origin, []*LogKey{key})
}

// OpenManifest verifies a manifest note against what it should say. It has
// exactly one signature line, by one of keys: nothing in it is left unchecked.
//
// All errors are Corrupt: those of a note in OpenCheckpoint, and
// MANIFEST_NOTE_WRONG if it says something else or has more signatures.
func OpenManifest(b []byte, want Manifest, keys ...LogPublicKey) error {
	if len(keys) == 0 {
		return errs.New(errs.Corrupt, "NOTE_KEY_UNKNOWN", "the manifest's note needs a key to be checked with")
	}
	n, err := openNote(b, keys)
	if err != nil {
		return err
	}
	if n.Text != want.text() {
		what := "other digests"
		if lines := strings.Split(n.Text, "\n"); lines[0] != manifestTitle {
			what = "no package's manifest"
		} else if len(lines) > 1 && lines[1] != want.Origin && utf8.ValidString(lines[1]) {
			what = "a package of the log " + strconv.Quote(short(lines[1]))
		}
		return errs.New(errs.Corrupt, "MANIFEST_NOTE_WRONG", "the note signs "+what)
	}
	if len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 0 {
		return errs.New(errs.Corrupt, "MANIFEST_NOTE_WRONG", "the note has more than one signature")
	}
	return nil
}
