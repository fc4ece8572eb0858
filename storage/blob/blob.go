// Package blob keeps bytes under keys: photographs, traces, evidence packages
// and the chunks of uploads on their way. It says what a store promises; the
// packages disk and s3 keep the promise, and blobtest holds them to it.
//
// A blob is written once. Its digest is known before it is put and checked by
// the store; nothing is ever replaced, and only what can be made again, or was
// never evidence, can be deleted.
package blob

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"time"
)

// Bounds of every store.
const (
	MaxKeyLength = 512       // bytes
	MaxSegment   = 128       // bytes between two slashes
	MaxSize      = 4 << 30   // bytes of one blob: below what one S3 put takes (5 GiB)
	MaxListPage  = 1000      // blobs in one answer of List
	stagingArea  = "staging" // first segment of what is on its way
	derivedKind  = "derived" // second segment of what can be made again
	// ProbeOwner is the organisation under which Store.Probe writes.
	ProbeOwner = "store-probe"
)

// Digest is what a blob must be: its length and its SHA-256.
type Digest struct {
	Size   int64
	SHA256 [sha256.Size]byte
}

// DigestOf returns the digest of b.
func DigestOf(b []byte) Digest {
	return Digest{Size: int64(len(b)), SHA256: sha256.Sum256(b)}
}

// Hex returns the SHA-256 in lower-case hexadecimal.
func (d Digest) Hex() string { return hex.EncodeToString(d.SHA256[:]) }

// Ref names stored bytes exactly. Version is what the store gave when they were
// put: record it and read by it, for a store with versions may later hold
// others under the same key. A store without versions gives, and wants, "".
// Empty means: whatever is current.
type Ref struct {
	Key     Key
	Version string
}

// Info is what a store knows of a blob without reading it.
type Info struct {
	Ref
	Size          int64
	Modified      time.Time // when it was put, by the store's clock; UTC, cut to milliseconds
	RetainedUntil time.Time // the store refuses to delete this version before; zero: it would not refuse
	Held          bool      // a legal hold is on
}

// Placed is the answer to a put.
type Placed struct {
	Ref
	Existed bool // the same bytes were there already
}

// Store is the contract. Every method is safe for concurrent use. A context
// that ends makes a method return its error; a put may then have landed or not,
// and is simply sent again.
//
// Errors are errs.Error: Invalid for a bad key or argument (KEY_INVALID,
// RANGE_INVALID …); NotFound BLOB_NOT_FOUND; Unavailable where trying later may
// help (BLOB_STORE_UNAVAILABLE, BLOB_STORE_FULL, BLOB_STORE_REFUSED: the store
// does not accept our credential, which somebody will repair).
type Store interface {
	// Put stores want.Size bytes of src under key, if nothing is there. They
	// are durable when it returns; under staging/ they may be lost or damaged
	// by a power cut, which the digest of the whole upload then shows. The store
	// checks size and SHA-256 itself.
	//
	// The same bytes under the same key: no error, Existed is true. Other bytes
	// under it: Exists KEY_TAKEN, nothing changes; of several puts at the same
	// time exactly one wins. Bytes that are not want's: Invalid SIZE_MISMATCH or
	// DIGEST_MISMATCH, and nothing is stored. A store of several replicas needs
	// no other lock than this.
	Put(ctx context.Context, key Key, src io.ReaderAt, want Digest) (Placed, error)

	// Open reads length bytes from offset on; a negative length means up to
	// the end, and a range that reaches past the end is cut there. Offset may
	// equal the size (nothing to read); past it, or negative: Invalid
	// RANGE_INVALID. The caller closes. A read that fails midway gives an error
	// other than io.EOF. The bytes are not checked: see Verifying.
	Open(ctx context.Context, ref Ref, offset, length int64) (io.ReadCloser, error)

	// Stat returns what is known of a blob.
	Stat(ctx context.Context, ref Ref) (Info, error)

	// List returns up to limit (1 to MaxListPage) current blobs whose key
	// begins with prefix, those after the key after, in the order of the keys'
	// bytes. Fewer than limit means that there are no more. Neither Version nor
	// retention is filled in. The prefix is an organisation's or a part of it,
	// whole segments: "org/", "org/photo/", "staging/", "staging/org/upload/";
	// else Invalid PREFIX_INVALID.
	List(ctx context.Context, prefix string, after Key, limit int) ([]Info, error)

	// Delete removes a blob under staging/ or <organisation>/derived/, all its
	// versions; one that is not there is no error. Any other key: Denied
	// BLOB_IS_EVIDENCE. Where the bucket's own default retention refuses, the
	// blob goes out of sight and its bytes stay until then (StagingLocked).
	Delete(ctx context.Context, key Key) error

	// Retain makes the store refuse to delete this version before until. It
	// only ever lengthens: an earlier time than what stands changes nothing.
	// Returns what stands now. WrongState RETENTION_NOT_ENFORCED where the
	// store cannot: the caller says so and relies on the seal.
	Retain(ctx context.Context, ref Ref, until time.Time) (time.Time, error)

	// Hold puts a legal hold on this version, or takes it off. WrongState
	// RETENTION_NOT_ENFORCED where the store cannot.
	Hold(ctx context.Context, ref Ref, on bool) error

	// Capabilities asks the store how it is set up. It writes nothing.
	Capabilities(ctx context.Context) (Capabilities, error)

	// Probe proves by trying: it writes, reads and deletes a small blob, and
	// where the store claims to enforce retention, tries to break one. It may
	// leave a probe of a few bytes that goes away by its retention's end.
	Probe(ctx context.Context) (Report, error)
}

// Local is a Store whose reads cost no network: what is read twice need not be
// copied first.
type Local interface {
	Store
	Local()
}

// Capabilities are the differences between stores that cannot be hidden.
type Capabilities struct {
	Where      string // for a person: "folder …" or "bucket …"
	Versions   bool   // an overwritten or deleted blob can still be read by its version
	ObjectLock bool   // Retain and Hold are kept by the store itself
	Compliance bool   // retention binds the store's administrators too; else it is governance
	// StagingLocked: what is put under staging/ falls under the bucket's own
	// default retention, so swept uploads go on taking space.
	StagingLocked bool
}

// Report is what Probe found, each line a sentence for a person.
type Report struct {
	Capabilities
	Writable bool // a blob could be written, read back and deleted
	Enforced bool // a version under retention could not be deleted
	Lines    []string
}
