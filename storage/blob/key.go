package blob

import (
	"fmt"
	"strings"

	"witnessmark/internal/errs"
)

// Key names a blob: segments between slashes, the first of them the
// organisation, or "staging" and then the organisation.
//
//	<organisation>/<kind>/<name>…            evidence: never deleted
//	<organisation>/derived/<kind>/<name>…    can be made again
//	staging/<organisation>/<upload>/<offset> on its way
//
// A segment has 2 to MaxSegment of a-z 0-9 . _ - and begins with a letter or a
// digit, so that no key means anything to a file system or a URL, and keys
// that differ stay apart where capitals do not count.
//
// No key may go on where another ends (aa/bb/cc and aa/bb/cc/dd): stores that
// are file systems inside may refuse it. The keys of one kind are equally deep.
type Key string

// Check returns Invalid KEY_INVALID where k is not such a key.
func (k Key) Check() error {
	if len(k) > MaxKeyLength {
		return errs.Newf(errs.Invalid, "KEY_INVALID", "a blob's key may have at most %d bytes, this one has %d", MaxKeyLength, len(k))
	}
	segments := strings.Split(string(k), "/")
	if len(segments) < 3 {
		return keyError(string(k), "needs an organisation, a kind and a name")
	}
	for _, s := range segments {
		if why := segmentFault(s); why != "" {
			return keyError(string(k), why)
		}
	}
	if segments[0] == stagingArea && len(segments) < 4 {
		return keyError(string(k), "under staging/ needs an organisation, an upload and an offset")
	}
	if segments[0] == derivedKind || segments[0] != stagingArea && segments[1] == derivedKind && len(segments) < 4 {
		return keyError(string(k), "keeps derived/ for the second segment, before a kind and a name")
	}
	return nil
}

func keyError(key, why string) error {
	return errs.New(errs.Invalid, "KEY_INVALID", fmt.Sprintf("the blob's key %.80q %s", key, why), "key", fmt.Sprintf("%.80q", key))
}

// segmentFault says what is wrong with one segment; "" where nothing is.
func segmentFault(s string) string {
	if len(s) < 2 || len(s) > MaxSegment {
		return fmt.Sprintf("has a part of %d bytes: 2 to %d are allowed", len(s), MaxSegment)
	}
	for i := range len(s) {
		switch c := s[i]; {
		case 'a' <= c && c <= 'z', '0' <= c && c <= '9':
		case i > 0 && (c == '.' || c == '_' || c == '-'):
		default:
			return "has a character other than a-z 0-9 . _ - or a part that begins with . _ or -"
		}
	}
	return ""
}

// checkPrefix returns Invalid PREFIX_INVALID where prefix is not whole segments
// with a slash at the end.
func checkPrefix(prefix string) error {
	body, ok := strings.CutSuffix(prefix, "/")
	if !ok || len(prefix) > MaxKeyLength {
		return errs.Newf(errs.Invalid, "PREFIX_INVALID", "the prefix %.80q must be whole parts of a key, with a slash at the end", prefix)
	}
	for _, s := range strings.Split(body, "/") {
		if why := segmentFault(s); why != "" {
			return errs.Newf(errs.Invalid, "PREFIX_INVALID", "the prefix %.80q %s", prefix, why)
		}
	}
	return nil
}

// CheckList checks the arguments of Store.List for the stores.
func CheckList(prefix string, after Key, limit int) error {
	if err := checkPrefix(prefix); err != nil {
		return err
	}
	if limit < 1 || limit > MaxListPage {
		return errs.Newf(errs.Invalid, "LIMIT_INVALID", "the limit of a list is 1 to %d, not %d", MaxListPage, limit)
	}
	if after != "" {
		return after.Check()
	}
	return nil
}

// CheckPut checks the arguments of Store.Put for the stores.
func CheckPut(key Key, want Digest) error {
	if err := key.Check(); err != nil {
		return err
	}
	if want.Size < 0 || want.Size > MaxSize {
		return errs.Newf(errs.Invalid, "SIZE_INVALID", "a blob has 0 to %d bytes, not %d", int64(MaxSize), want.Size)
	}
	return nil
}

// CheckRange cuts the range offset, length to a blob of this size, as
// Store.Open promises.
func CheckRange(offset, length, size int64) (cut int64, err error) {
	if offset < 0 || offset > size {
		return 0, errs.Newf(errs.Invalid, "RANGE_INVALID", "the range begins at byte %d; the blob has %d bytes", offset, size)
	}
	if rest := size - offset; length < 0 || length > rest {
		length = rest
	}
	return length, nil
}

// Deletable says whether the key is of a blob that may go: on its way, or made
// from others.
func (k Key) Deletable() bool {
	segments := strings.SplitN(string(k), "/", 3)
	return segments[0] == stagingArea || len(segments) == 3 && segments[1] == derivedKind
}

// Staging says whether the key is of a blob on its way.
func (k Key) Staging() bool { return strings.HasPrefix(string(k), stagingArea+"/") }

// CheckDelete returns the error of Store.Delete for a key that it must refuse.
func CheckDelete(key Key) error {
	if err := key.Check(); err != nil {
		return err
	}
	if !key.Deletable() {
		return errs.New(errs.Denied, "BLOB_IS_EVIDENCE", "evidence is never deleted by the program", "key", string(key))
	}
	return nil
}

// EvidenceKey returns the key of evidence: an original that is kept for ever.
// Kind is photo, trace, package, checkpoint and the like.
func EvidenceKey(organisation, kind, name string) Key {
	return Key(organisation + "/" + kind + "/" + name)
}

// DerivedKey returns the key of something that can be made again: a thumbnail,
// a report.
func DerivedKey(organisation, kind, name string) Key {
	return Key(organisation + "/" + derivedKind + "/" + kind + "/" + name)
}

// ChunkKey returns the key of the chunk of an upload that begins at offset,
// zero or more. Keys of one upload sort by offset.
func ChunkKey(organisation, upload string, offset int64) Key {
	return Key(fmt.Sprintf("%s/%s/%s/%016d", stagingArea, organisation, upload, offset))
}
