package blob

import (
	"fmt"

	"witnessmark/internal/errs"
)

// The errors that every store gives alike.

// NotFound is Store's answer where nothing is under the key, or not this version.
func NotFound(ref Ref) error {
	return errs.New(errs.NotFound, "BLOB_NOT_FOUND", "nothing is stored under this key", "key", fmt.Sprintf("%.80q", string(ref.Key)))
}

// KeyTaken is Store.Put's answer where other bytes are under the key.
func KeyTaken(key Key) error {
	return errs.New(errs.Exists, "KEY_TAKEN", "other bytes are already stored under this key; they stay", "key", string(key))
}

// SizeMismatch is Store.Put's answer to more or fewer bytes than announced.
func SizeMismatch(got string, want int64) error {
	return errs.Newf(errs.Invalid, "SIZE_MISMATCH", "%s bytes came where %d were announced; nothing was stored", got, want)
}

// DigestMismatch is Store.Put's answer to bytes with another digest.
func DigestMismatch(want Digest) error {
	return errs.New(errs.Invalid, "DIGEST_MISMATCH", "the bytes do not have the announced SHA-256; nothing was stored, send them again", "sha256", want.Hex())
}

// NotEnforced is the answer of Store.Retain and Store.Hold where the store
// cannot keep the promise itself.
func NotEnforced(where string) error {
	return errs.New(errs.WrongState, "RETENTION_NOT_ENFORCED",
		where+" does not enforce retention: whoever runs the machine can delete; the seal would show it", "where", where)
}

// Unavailable wraps a failure that may pass.
func Unavailable(reason, doing string, cause error) error {
	return errs.Newf(errs.Unavailable, reason, "the blob store could not %s just now; try again later", doing).Because(cause)
}
