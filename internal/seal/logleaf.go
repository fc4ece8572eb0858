package seal

import (
	"bytes"
	"strconv"
	"time"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// List says which list of a job a log leaf seals.
type List string

// The lists that have leaves in an organisation's log.
const (
	ListRecord  List = "record"  // the lines up to the lock
	ListAddenda List = "addenda" // what came after it
)

// maxLogLeaf bounds the bytes of a log leaf and of a proof beside it.
const maxLogLeaf = 64 << 10

// LogLeaf is what an organisation's log holds of one sealed list.
type LogLeaf struct {
	Job    string // resource name of the job
	List   List
	Size   uint64 // lines in the list
	Root   Hash   // root over them
	Locked time.Time
}

// Bytes is the JSON line, without a line feed, whose LeafHash is the leaf of the
// log: {"job":…,"list":…,"size":"n","root":base64,"locked":time}.
//
// The error is Invalid: LOG_LEAF for an empty or malformed job, another list or
// a size over MaxTreeSize; TIME_OUT_OF_RANGE.
func (l LogLeaf) Bytes() ([]byte, error) {
	if l.Job == "" || len(l.Job) > 1000 || !utf8.ValidString(l.Job) {
		return nil, errs.Field("LOG_LEAF", "job", "1 to 1000 bytes of UTF-8 are expected")
	}
	if l.List != ListRecord && l.List != ListAddenda {
		return nil, errs.Field("LOG_LEAF", "list", `"record" or "addenda" is expected`)
	}
	if l.Size > MaxTreeSize {
		return nil, errs.Field("LOG_LEAF", "size", "more lines than a list can have")
	}
	locked, err := FormatTime(l.Locked)
	if err != nil {
		return nil, err
	}
	b := appendText([]byte(`{"job":`), l.Job)
	b = appendText(append(b, `,"list":`...), string(l.List))
	b = append(b, `,"size":"`...)
	b = strconv.AppendUint(b, l.Size, 10)
	b = append(b, `","root":"`...)
	b = append(b, l.Root.Base64()...)
	b = append(b, `","locked":"`...)
	b = append(b, locked...)
	return append(b, `"}`...), nil
}

// ParseLogLeaf reads what Bytes writes and nothing else: other order, spacing,
// escapes or members are refused, for a leaf has one form.
//
// The error is Invalid, reason LOG_LEAF, or one of CheckJSON's.
func ParseLogLeaf(b []byte) (LogLeaf, error) {
	ms, err := members(b, maxLogLeaf)
	if err != nil {
		return LogLeaf{}, err
	}
	var l LogLeaf
	for _, m := range ms {
		s, ok := text(m.value)
		if !ok {
			return LogLeaf{}, errs.Field("LOG_LEAF", m.name, "a string is expected")
		}
		switch m.name {
		case "job":
			l.Job = s
		case "list":
			l.List = List(s)
		case "size":
			if l.Size, ok = decimal(s); !ok {
				return LogLeaf{}, errs.Field("LOG_LEAF", "size", "a decimal number without leading zeros is expected")
			}
		case "root":
			if l.Root, err = ParseHash(s); err != nil {
				return LogLeaf{}, errs.Field("LOG_LEAF", "root", "a hash in base64 is expected").Because(err)
			}
		case "locked":
			if l.Locked, err = ParseTime(s); err != nil {
				return LogLeaf{}, errs.Field("LOG_LEAF", "locked", "a time in UTC with milliseconds is expected").Because(err)
			}
		}
	}
	again, err := l.Bytes()
	if err != nil {
		return LogLeaf{}, err
	}
	if !bytes.Equal(again, b) {
		return LogLeaf{}, errs.New(errs.Invalid, "LOG_LEAF", "the log leaf is not in its one form: job, list, size, root, locked, without spaces")
	}
	return l, nil
}

// Inclusion is a proof file beside a log leaf: the leaf with this index (0 is
// the first) is in the tree of this size.
type Inclusion struct {
	Index, Size uint64
	Path        []Hash
}

// Bytes is {"index":"n","size":"n","path":[base64, …]}, without a line feed.
func (p Inclusion) Bytes() []byte {
	b := strconv.AppendUint([]byte(`{"index":"`), p.Index, 10)
	b = strconv.AppendUint(append(b, `","size":"`...), p.Size, 10)
	b = append(b, `","path":[`...)
	for i, h := range p.Path {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendText(b, h.Base64())
	}
	return append(b, `]}`...)
}

// ParseInclusion reads what Bytes writes and nothing else. It does not verify
// the path: see VerifyInclusion.
//
// The error is Invalid, reason INCLUSION_MALFORMED, or one of CheckJSON's.
func ParseInclusion(b []byte) (Inclusion, error) {
	ms, err := members(b, maxLogLeaf)
	if err != nil {
		return Inclusion{}, err
	}
	bad := errs.New(errs.Invalid, "INCLUSION_MALFORMED", `an inclusion proof is {"index":"n","size":"n","path":[hashes in base64]} without spaces`)
	var p Inclusion
	for _, m := range ms {
		s, _ := text(m.value)
		ok := true
		switch m.name {
		case "index":
			p.Index, ok = decimal(s)
		case "size":
			p.Size, ok = decimal(s)
		case "path":
			p.Path, ok = parseHashes(m.value)
		}
		if !ok {
			return Inclusion{}, bad
		}
	}
	if !bytes.Equal(p.Bytes(), b) {
		return Inclusion{}, bad
	}
	return p, nil
}

// parseHashes reads ["…","…"] as Inclusion.Bytes writes it; the caller compares
// the whole file with what it would write, so spaces need no care here.
func parseHashes(value []byte) ([]Hash, bool) {
	inner, ok := bytes.CutPrefix(value, []byte("["))
	if !ok {
		return nil, false
	}
	inner = bytes.TrimSuffix(inner, []byte("]"))
	if len(inner) == 0 {
		return nil, true
	}
	var out []Hash
	for one := range bytes.SplitSeq(inner, []byte(",")) {
		s, ok := text(one)
		if !ok || len(out) == maxProof {
			return nil, false
		}
		h, err := ParseHash(s)
		if err != nil {
			return nil, false
		}
		out = append(out, h)
	}
	return out, true
}
