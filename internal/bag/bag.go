// Package bag writes and reads BagIt 1.0 bags (RFC 8493) in a ZIP of one exact
// form: the same files give the same bytes on every machine and in every year,
// and a bag with any other byte is refused.
package bag

import (
	"encoding/hex"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// Bounds of a bag.
const (
	MaxFiles     = 200_000  // files, tag files among them
	MaxPath      = 1000     // bytes of a path below the top folder
	maxComponent = 200      // bytes of one folder or file name
	maxTagFile   = 64 << 20 // bytes of a manifest or of bag-info.txt
)

// The files that every bag of ours has and that Write makes.
const (
	declarationFile = "bagit.txt"
	infoFile        = "bag-info.txt"
	manifestFile    = "manifest-sha256.txt"
	tagManifestFile = "tagmanifest-sha256.txt"
	payloadFolder   = "data/"
	oxumLabel       = "Payload-Oxum"
)

// declaration is the whole of bagit.txt. RFC 8493 section 2.1.1.
const declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// File is one file to put into a bag.
type File struct {
	// Path is relative to the top folder, with slashes. Below data/ it is
	// payload, else a tag file.
	Path   string
	Size   int64
	SHA256 [32]byte
	// Open gives the bytes, from the first. Write may call it twice, for two files
	// at once and from a goroutine of its own, and closes what it gets.
	Open func() (io.ReadCloser, error)
}

// Field is one line of bag-info.txt.
type Field struct {
	Label, Value string
}

// Payload reports whether f is payload rather than a tag file.
func (f File) Payload() bool { return strings.HasPrefix(f.Path, payloadFolder) }

// Manifest is the bytes of manifest-sha256.txt for files: each payload file's
// digest in hexadecimal, two spaces and its path with LF, CR and % written %0A,
// %0D and %25, by path in byte order (RFC 8493 section 2.1.3). Tag files among
// files are passed over, so that a note over the manifest can be one of them.
//
// The error is Invalid: BAG_PATH, BAG_PATH_TWICE.
func Manifest(files []File) ([]byte, error) {
	if err := checkPaths(files); err != nil {
		return nil, err
	}
	return manifest(sorted(files, true)), nil
}

// Info is the bytes of bag-info.txt: fields in the order given, then
// Payload-Oxum, the number of bytes and of files of the payload.
//
// The error is Invalid: BAG_INFO for a field whose label or value is empty, ends
// in a space, has a control character, bad UTF-8, or for a label that has a
// colon or is Payload-Oxum; BAG_PATH, BAG_PATH_TWICE, BAG_SIZE.
func Info(files []File, fields []Field) ([]byte, error) {
	if err := checkPaths(files); err != nil {
		return nil, err
	}
	var b strings.Builder
	for _, f := range fields {
		if !infoText(f.Label) || !infoText(f.Value) || strings.Contains(f.Label, ":") || strings.EqualFold(f.Label, oxumLabel) {
			return nil, errs.Newf(errs.Invalid, "BAG_INFO", "bag-info.txt cannot hold the field %.80q: %.80q", f.Label, f.Value)
		}
		b.WriteString(f.Label + ": " + f.Value + "\n")
	}
	var bytes int64
	count := 0
	for _, f := range files {
		if f.Payload() {
			if bytes += f.Size; bytes > largestLength {
				return nil, errs.Newf(errs.Invalid, "BAG_SIZE", "the payload is larger than %d bytes", int64(largestLength))
			}
			count++
		}
	}
	fmt.Fprintf(&b, "%s: %d.%d\n", oxumLabel, bytes, count)
	return []byte(b.String()), nil
}

func infoText(s string) bool {
	return s != "" && len(s) <= 4000 && utf8.ValidString(s) && strings.TrimSpace(s) == s && !strings.ContainsFunc(s, unicode.IsControl)
}

// sorted gives the payload files, or the tag files, by path in byte order.
func sorted(files []File, payload bool) []File {
	var out []File
	for _, f := range files {
		if f.Payload() == payload {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	return out
}

// manifest is a manifest's bytes for files in this order.
func manifest(files []File) []byte {
	var b []byte
	for _, f := range files {
		b = hex.AppendEncode(b, f.SHA256[:])
		b = append(b, "  "...)
		b = append(b, encodePath(f.Path)...)
		b = append(b, '\n')
	}
	return b
}

var encodePath = strings.NewReplacer("%", "%25", "\n", "%0A", "\r", "%0D").Replace

// decodePath undoes encodePath; any other percent sign is refused.
func decodePath(s string) (string, bool) {
	if !strings.Contains(s, "%") {
		return s, true
	}
	var b strings.Builder
	for {
		before, after, found := strings.Cut(s, "%")
		b.WriteString(before)
		if !found {
			return b.String(), true
		}
		if len(after) < 2 {
			return "", false
		}
		switch after[:2] {
		case "25":
			b.WriteByte('%')
		case "0A":
			b.WriteByte('\n')
		case "0D":
			b.WriteByte('\r')
		default:
			return "", false
		}
		s = after[2:]
	}
}

// checkPaths refuses paths that cannot stand in a bag and sizes below zero.
func checkPaths(files []File) error {
	if len(files) > MaxFiles-4 {
		return errs.Newf(errs.TooLarge, "BAG_TOO_MANY_FILES", "a bag holds at most %d files", MaxFiles)
	}
	var names nameSet
	for _, own := range []string{declarationFile, infoFile, manifestFile, tagManifestFile} {
		names.add(own)
	}
	for _, f := range files {
		if err := checkPath(f.Path); err != nil {
			return err
		}
		if reserved(f.Path) {
			return errs.New(errs.Invalid, "BAG_PATH", "the name "+strconv.Quote(f.Path)+" has a meaning of its own in a bag")
		}
		if had := names.add(f.Path); had != "" {
			return errs.Newf(errs.Invalid, "BAG_PATH_TWICE", "%q and %q cannot both be unpacked", f.Path, had)
		}
		if f.Size < 0 || f.Size > largestLength {
			return errs.Newf(errs.Invalid, "BAG_SIZE", "%q has a size of %d bytes", f.Path, f.Size)
		}
	}
	return nil
}

// reserved reports whether a tag file's name means something to a reader of
// bags: RFC 8493 sections 2.1 and 2.2. Only Write makes those that we use.
func reserved(path string) bool {
	lower := strings.ToLower(path)
	if strings.Contains(lower, "/") || !strings.HasSuffix(lower, ".txt") {
		return false
	}
	return lower == declarationFile || lower == infoFile || lower == "fetch.txt" ||
		strings.HasPrefix(lower, "manifest-") || strings.HasPrefix(lower, "tagmanifest-")
}

// checkPath refuses a path that would leave the folder it is unpacked in, or
// that some file system reads as another: absolute, with a backslash, a colon, a
// dot folder, an empty part, a part that ends in a space or dot, a control
// character other than the two that manifests encode, or over a bound.
func checkPath(path string) error {
	bad := func(why string) error {
		return errs.Newf(errs.Invalid, "BAG_PATH", "the path %.100q %s", path, why)
	}
	if len(path) > MaxPath {
		return bad("is longer than 1000 bytes")
	}
	if !utf8.ValidString(path) {
		return bad("is not UTF-8")
	}
	for part := range strings.SplitSeq(path, "/") {
		switch {
		case part == "" || part == "." || part == "..":
			return bad("is absolute, has an empty part or a dot folder")
		case len(part) > maxComponent:
			return bad("has a part longer than 200 bytes")
		case strings.HasSuffix(part, ".") || strings.HasSuffix(part, " ") || strings.HasPrefix(part, " "):
			return bad("has a part that begins or ends in a space or ends in a dot")
		case strings.ContainsFunc(part, func(r rune) bool {
			return r == '\\' || r == ':' || unicode.IsControl(r) && r != '\n' && r != '\r'
		}):
			return bad("has a backslash, a colon or a control character")
		}
	}
	return nil
}

// nameSet finds paths that cannot be unpacked side by side: equal, equal but for
// capitals, or one the folder of the other.
type nameSet struct {
	files   map[string]string // folded path to path
	folders map[string]string // folded folder to a path in it
}

// add puts path into the set and returns "", or the path that it collides with.
func (n *nameSet) add(path string) string {
	if n.files == nil {
		n.files, n.folders = map[string]string{}, map[string]string{}
	}
	key := fold(path)
	if had, ok := n.files[key]; ok {
		return had
	}
	if had, ok := n.folders[key]; ok {
		return had
	}
	for i := range key {
		if key[i] != '/' {
			continue
		}
		if had, ok := n.files[key[:i]]; ok {
			return had
		}
	}
	n.files[key] = path
	for i := range key {
		if key[i] == '/' {
			n.folders[key[:i]] = path
		}
	}
	return ""
}

// fold makes names equal that differ in capitals only.
func fold(s string) string { return strings.ToLower(strings.ToUpper(s)) }
