package bag

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"strings"

	"witnessmark/internal/errs"
)

// maxProblems bounds what Verify lists.
const maxProblems = 1000

// Problem is one thing wrong with a bag.
type Problem struct {
	Path   string // the file, "" for the archive as a whole
	Reason string // stable, UPPER_SNAKE
	Msg    string // one sentence
}

// Error says the reason and the sentence.
func (p Problem) Error() string { return p.Reason + ": " + p.Msg }

// Verify checks a bag: the declaration, the manifests, every file present and
// none besides, every digest, Payload-Oxum; then it writes the bag again from
// its files and compares every byte. No problems: the bag is complete and valid
// by RFC 8493 section 3, and is what Write makes of its files.
//
// Problems stand in the order of these checks, the first failure first, at most
// 1000. Reasons: DECLARATION_WRONG, FILE_MISSING, FETCH_LISTED, TAG_RESERVED,
// MANIFEST_MALFORMED, FILE_UNLISTED, FILE_CHANGED, CHECKSUM_WRONG,
// INFO_MALFORMED, OXUM_WRONG, ARCHIVE_DIFFERS. The error is the reader's own.
func (b *Bag) Verify() ([]Problem, error) {
	v := verifier{bag: b, sums: map[string]checked{}}
	err := v.run()
	if errors.Is(err, errEnough) {
		err = nil
	}
	return v.problems, err
}

type verifier struct {
	bag      *Bag
	problems []Problem
	sums     map[string]checked
}

// checked is a file whose bytes have been read.
type checked struct {
	sha [sha256.Size]byte
	crc uint32
}

// errEnough ends a check that further reading cannot add to.
var errEnough = errors.New("enough")

func (v *verifier) problem(path, reason, format string, args ...any) {
	if len(v.problems) < maxProblems {
		v.problems = append(v.problems, Problem{path, reason, fmt.Sprintf(format, args...)})
	}
}

func (v *verifier) run() error {
	if err := v.declaration(); err != nil {
		return err
	}
	for _, e := range v.bag.Files() {
		switch {
		case strings.EqualFold(e.Path, "fetch.txt"):
			v.problem(e.Path, "FETCH_LISTED", "the bag has files elsewhere (fetch.txt); a package is whole in itself")
		case reserved(e.Path) && e.Path != declarationFile && e.Path != infoFile && e.Path != manifestFile && e.Path != tagManifestFile:
			v.problem(e.Path, "TAG_RESERVED", "%q means something to readers of bags and is none of ours", e.Path)
		}
	}
	tags, err := v.manifest(tagManifestFile, false)
	if err != nil {
		return err
	}
	payload, err := v.manifest(manifestFile, true)
	if err != nil {
		return err
	}
	// The manifests list each other's world: tag files first, because they
	// say what the payload should be.
	for _, part := range []struct {
		listed  []File
		payload bool
		by      string
	}{{tags, false, tagManifestFile}, {payload, true, manifestFile}} {
		if err := v.files(part.listed, part.payload, part.by); err != nil {
			return err
		}
	}
	fields, err := v.info(payload)
	if err != nil {
		return err
	}
	if len(v.problems) > 0 {
		return nil // the archive would differ for a reason that is listed already
	}
	return v.rebuild(append(tags, payload...), fields)
}

func (v *verifier) declaration() error {
	b, err := v.read(declarationFile)
	if err != nil {
		return err
	}
	switch {
	case bytes.HasPrefix(b, []byte("\xef\xbb\xbf")):
		v.problem(declarationFile, "DECLARATION_WRONG", "bagit.txt begins with a byte-order mark")
	case string(b) != declaration:
		v.problem(declarationFile, "DECLARATION_WRONG", "bagit.txt does not say BagIt-Version 1.0, then encoding UTF-8, and nothing else")
	}
	return nil
}

// read gives one of the bag's own files, or lists it as missing and stops.
func (v *verifier) read(path string) ([]byte, error) {
	b, err := v.bag.ReadFile(path, maxTagFile)
	switch {
	case errs.Is(err, "BAG_FILE_MISSING"):
		v.problem(path, "FILE_MISSING", "the bag has no %s", path)
		return nil, errEnough
	case errs.Is(err, "BAG_FILE_TOO_LARGE"):
		v.problem(path, "MANIFEST_MALFORMED", "%s is larger than %d bytes", path, maxTagFile)
		return nil, errEnough
	}
	return b, err
}

// manifest reads a manifest: lines of 64 hexadecimal digits, two spaces, path.
func (v *verifier) manifest(path string, payload bool) ([]File, error) {
	b, err := v.read(path)
	if err != nil {
		return nil, err
	}
	var files []File
	seen := map[string]bool{}
	n := 0
	bad := func(why string) error {
		v.problem(path, "MANIFEST_MALFORMED", "%s line %d %s", path, n, why)
		return errEnough
	}
	for line := range strings.Lines(string(b)) {
		n++
		line, ended := strings.CutSuffix(line, "\n")
		digits, name, spaced := strings.Cut(line, "  ")
		digest, err := hex.DecodeString(digits)
		if !ended || !spaced || err != nil || len(digest) != sha256.Size || strings.ToLower(digits) != digits {
			return nil, bad("is not a digest in lower-case hexadecimal, two spaces and a path, ended by a line feed")
		}
		name, ok := decodePath(name)
		if !ok || checkPath(name) != nil || strings.HasPrefix(name, payloadFolder) != payload {
			return nil, bad("names a path that it cannot")
		}
		if seen[name] {
			return nil, bad("names a path a second time")
		}
		seen[name] = true
		if len(files) == MaxFiles {
			return nil, bad("is one too many")
		}
		files = append(files, File{Path: name, SHA256: [sha256.Size]byte(digest)})
	}
	return files, nil
}

// files checks one half of the bag against its manifest.
func (v *verifier) files(listed []File, payload bool, by string) error {
	isListed := make(map[string]bool, len(listed))
	for i := range listed {
		f := &listed[i]
		isListed[f.Path] = true
		r, err := v.bag.File(f.Path)
		if err != nil {
			v.problem(f.Path, "FILE_MISSING", "%q is listed in %s and is not in the bag", f.Path, by)
			continue
		}
		f.Size = r.Size()
		f.Open = func() (io.ReadCloser, error) {
			r, err := v.bag.File(f.Path)
			return io.NopCloser(r), err
		}
	}
	for _, e := range v.bag.Files() {
		if strings.HasPrefix(e.Path, payloadFolder) == payload && !isListed[e.Path] && e.Path != tagManifestFile {
			v.problem(e.Path, "FILE_UNLISTED", "%q is in the bag and is not listed in %s", e.Path, by)
		}
	}
	for _, f := range listed {
		if f.Open == nil {
			continue
		}
		sum, err := v.sum(f.Path)
		if err != nil {
			return err
		}
		if sum.sha != f.SHA256 {
			v.problem(f.Path, "FILE_CHANGED", "%q does not have the digest that %s lists", f.Path, by)
		}
		if sum.crc != v.bag.entries[v.bag.byPath[f.Path]].crc {
			v.problem(f.Path, "CHECKSUM_WRONG", "%q does not have the CRC-32 that the archive gives", f.Path)
		}
		if len(v.problems) >= maxProblems {
			return errEnough
		}
	}
	return nil
}

// sum reads a file once for both of its checksums.
func (v *verifier) sum(path string) (checked, error) {
	r, err := v.bag.File(path)
	if err != nil {
		return checked{}, err
	}
	sha, crc := sha256.New(), crc32.NewIEEE()
	if n, err := io.Copy(io.MultiWriter(sha, crc), r); err != nil {
		return checked{}, fmt.Errorf("read %q in the archive: %w", path, err)
	} else if n != r.Size() {
		return checked{}, fmt.Errorf("read %q in the archive: %w", path, io.ErrUnexpectedEOF)
	}
	c := checked{[sha256.Size]byte(sha.Sum(nil)), crc.Sum32()}
	v.sums[path] = c
	return c, nil
}

// info reads bag-info.txt and holds its last line to the payload.
func (v *verifier) info(payload []File) ([]Field, error) {
	b, err := v.read(infoFile)
	if err != nil {
		return nil, err
	}
	fields, err := parseInfo(b)
	if err != nil {
		v.problem(infoFile, "INFO_MALFORMED", "%s: %v", infoFile, err)
		return nil, errEnough
	}
	var size int64
	for _, f := range payload {
		size += f.Size
	}
	last := len(fields) - 1
	if last < 0 || fields[last].Label != oxumLabel {
		v.problem(infoFile, "INFO_MALFORMED", "%s does not end in %s", infoFile, oxumLabel)
		return nil, errEnough
	}
	if want := fmt.Sprintf("%d.%d", size, len(payload)); fields[last].Value != want {
		v.problem(infoFile, "OXUM_WRONG", "%s says %.40q where the payload is %s (bytes.files)", oxumLabel, fields[last].Value, want)
	}
	return fields[:last], nil
}

// Fields is bag-info.txt without its Payload-Oxum.
//
// Errors: NotFound BAG_FILE_MISSING; Corrupt INFO_MALFORMED.
func (b *Bag) Fields() ([]Field, error) {
	text, err := b.ReadFile(infoFile, maxTagFile)
	if err != nil {
		return nil, err
	}
	fields, err := parseInfo(text)
	if err != nil {
		return nil, err
	}
	if n := len(fields); n > 0 && fields[n-1].Label == oxumLabel {
		fields = fields[:n-1]
	}
	return fields, nil
}

// parseInfo reads lines of label, colon, space, value. The standard also knows
// lines that go on with white space; Info makes none.
func parseInfo(b []byte) ([]Field, error) {
	var out []Field
	for line := range strings.Lines(string(b)) {
		line, ended := strings.CutSuffix(line, "\n")
		label, value, ok := strings.Cut(line, ": ")
		if !ended || !ok || !infoText(label) || !infoText(value) {
			return nil, errs.Newf(errs.Corrupt, "INFO_MALFORMED", "line %d is not a label, a colon, a space and a value", len(out)+1)
		}
		out = append(out, Field{label, value})
	}
	return out, nil
}

// rebuild writes the bag again from its files and compares. Digests are known to
// be right by now, so each file is only read.
func (v *verifier) rebuild(listed []File, info []Field) error {
	var files []File
	for _, f := range listed {
		if f.Payload() || !reserved(f.Path) {
			files = append(files, f)
		}
	}
	all, err := plan(v.bag.Top, files, info)
	if err != nil {
		v.problem("", "ARCHIVE_DIFFERS", "the bag cannot be written again: %v", err)
		return nil
	}
	same := &comparer{r: v.bag.r, size: v.bag.size}
	p := packer{w: newBuffer(same)}
	err = func() error {
		for _, f := range all {
			sum, ok := v.sums[f.Path]
			// bagit.txt, bag-info.txt and the manifests are made anew; if they
			// come out otherwise than they are, so must their checksums.
			if !ok || sum.sha != f.SHA256 {
				if err := p.add(v.bag.Top, f, nil); err != nil {
					return err
				}
				continue
			}
			if err := p.add(v.bag.Top, f, &sum.crc); err != nil {
				return err
			}
		}
		return p.finish()
	}()
	if err == nil && same.at != same.size {
		err = errDiffers
	}
	if errors.Is(err, errDiffers) {
		v.problem("", "ARCHIVE_DIFFERS", "written again from its files, the archive differs from byte %d on", same.at)
		return nil
	}
	return err
}

var errDiffers = errors.New("the archive differs")

// comparer is a writer that holds what is written against an archive.
type comparer struct {
	r    io.ReaderAt
	size int64
	at   int64 // bytes that were equal
	buf  []byte
}

func (c *comparer) Write(b []byte) (int, error) {
	if int64(len(b)) > c.size-c.at {
		return 0, errDiffers
	}
	if cap(c.buf) < len(b) {
		c.buf = make([]byte, len(b))
	}
	got := c.buf[:len(b)]
	if n, err := c.r.ReadAt(got, c.at); n < len(got) {
		return 0, fmt.Errorf("read the archive again: %w", err)
	}
	if !bytes.Equal(got, b) {
		for i := range got {
			if got[i] != b[i] {
				c.at += int64(i)
				break
			}
		}
		return 0, errDiffers
	}
	c.at += int64(len(b))
	return len(b), nil
}
