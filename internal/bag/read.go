package bag

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"strings"

	"witnessmark/internal/errs"
)

// Bag is an archive whose form has been checked: its entries lie one after the
// other, and every byte outside the files' contents is as Write makes it.
// Whether the contents are right is Verify's to say.
type Bag struct {
	Top     string // the one top folder
	r       io.ReaderAt
	size    int64
	entries []entry // in the order of the archive
	byPath  map[string]int
}

// Entry is one file in a bag.
type Entry struct {
	Path string // below the top folder
	Size int64
}

// Open reads the directory of the archive that is the size bytes of r, and
// refuses whatever Write would not have made. It reads no file's content, and
// memory grows with the number of files only.
//
// Errors, all Corrupt: ARCHIVE_MALFORMED if it is no ZIP, is cut short, has
// bytes after its end or encrypted entries; ARCHIVE_COMPRESSED;
// ARCHIVE_NAME for a path that would leave its folder or that file systems read
// differently; ARCHIVE_NAME_TWICE, also for names equal but for capitals;
// ARCHIVE_TOP unless there is one top folder; ARCHIVE_OVERLAP for entries that
// overlap or have bytes between or before them; ARCHIVE_TOO_LARGE over MaxFiles;
// ARCHIVE_DIFFERS for any other byte that Write makes otherwise. r's own errors.
func Open(r io.ReaderAt, size int64) (*Bag, error) {
	b := &Bag{r: r, size: size, byPath: map[string]int{}}
	count, start, length, err := b.readEnd()
	if err != nil {
		return nil, err
	}
	if err := b.readDirectory(count, start, length); err != nil {
		return nil, err
	}
	if err := b.checkLayout(start); err != nil {
		return nil, err
	}
	return b, nil
}

func malformed(format string, args ...any) error {
	return errs.Newf(errs.Corrupt, "ARCHIVE_MALFORMED", format, args...)
}

// differs says where the archive is not as Write makes it.
func differs(at int64, what string) error {
	return errs.Newf(errs.Corrupt, "ARCHIVE_DIFFERS", "the archive is not as this program writes it: %s, at byte %d", what, at)
}

// bytes reads n bytes at offset, which the caller has bounded.
func (b *Bag) bytes(offset, n int64) ([]byte, error) {
	buf := make([]byte, n)
	if got, err := b.r.ReadAt(buf, offset); int64(got) < n {
		if err == nil || err == io.EOF {
			return nil, malformed("the archive ends at byte %d, before its end", offset+int64(got))
		}
		return nil, fmt.Errorf("read the archive: %w", err)
	}
	return buf, nil
}

// readEnd finds the central directory.
func (b *Bag) readEnd() (count, start, length int64, err error) {
	le := binary.LittleEndian
	if b.size < endSize {
		return 0, 0, 0, malformed("%d bytes are too few for an archive", b.size)
	}
	end, err := b.bytes(b.size-endSize, endSize)
	if err != nil {
		return 0, 0, 0, err
	}
	if le.Uint32(end) != endMagic {
		return 0, 0, 0, malformed("the archive does not end as a ZIP: cut short, or with bytes after it")
	}
	n, l, s := uint64(le.Uint16(end[10:])), uint64(le.Uint32(end[12:])), uint64(le.Uint32(end[16:]))
	tail := int64(endSize)
	if n == none16 || l == none32 || s == none32 {
		if tail += end64Size + locatorSize; b.size < tail {
			return 0, 0, 0, malformed("the archive is too short for its ZIP64 end")
		}
		end64, err := b.bytes(b.size-tail, end64Size)
		if err != nil {
			return 0, 0, 0, err
		}
		if le.Uint32(end64) != end64Magic {
			return 0, 0, 0, malformed("the archive has no ZIP64 end where one is due")
		}
		n, l, s = le.Uint64(end64[32:]), le.Uint64(end64[40:]), le.Uint64(end64[48:])
	}
	if n > MaxFiles || l > maxDirectory {
		return 0, 0, 0, errs.Newf(errs.Corrupt, "ARCHIVE_TOO_LARGE", "the archive says that it has %d files, the bound is %d", n, MaxFiles)
	}
	if n == 0 || s > uint64(b.size) || s+l+uint64(tail) != uint64(b.size) || l < n*directorySize {
		return 0, 0, 0, malformed("the archive's directory does not lie where the archive says")
	}
	// Everything in the end record follows from these three numbers.
	got, err := b.bytes(b.size-tail, tail)
	if err != nil {
		return 0, 0, 0, err
	}
	if !bytes.Equal(got, appendEnd(nil, int(n), int64(s), int64(l))) {
		return 0, 0, 0, differs(b.size-tail, "the end of its directory")
	}
	return int64(n), int64(s), int64(l), nil
}

// readDirectory reads count entries and checks that they are written as we do.
func (b *Bag) readDirectory(count, start, length int64) error {
	le := binary.LittleEndian
	in := bufio.NewReaderSize(io.NewSectionReader(b.r, start, length), 64<<10)
	var names nameSet
	var want []byte
	at := start
	for range count {
		rec := make([]byte, directorySize, directorySize+256)
		if err := b.fill(in, rec); err != nil {
			return err
		}
		if le.Uint32(rec) != directoryMagic {
			return malformed("an entry of the directory is none, at byte %d", at)
		}
		nameLen, extraLen, commentLen := int(le.Uint16(rec[28:])), int(le.Uint16(rec[30:])), int(le.Uint16(rec[32:]))
		if nameLen == 0 || nameLen > maxNameInZIP {
			return errs.Newf(errs.Corrupt, "ARCHIVE_NAME", "a name of %d bytes in the directory at byte %d", nameLen, at)
		}
		if commentLen != 0 || extraLen > 4+24 {
			return differs(at, "a comment or extra fields in its directory")
		}
		rest := make([]byte, nameLen+extraLen)
		if err := b.fill(in, rest); err != nil {
			return err
		}
		name, extra := string(rest[:nameLen]), rest[nameLen:]
		if le.Uint16(rec[8:])&1 != 0 {
			return malformed("the entry %.100q is encrypted", name)
		}
		if method := le.Uint16(rec[10:]); method != methodStored {
			return errs.Newf(errs.Corrupt, "ARCHIVE_COMPRESSED", "the entry %.100q is compressed (method %d); a bag's are stored", name, method)
		}
		if err := b.name(&names, name); err != nil {
			return err
		}
		size, offset := uint64(le.Uint32(rec[24:])), uint64(le.Uint32(rec[42:]))
		take := func(into *uint64) {
			if len(extra) >= 8 {
				*into, extra = le.Uint64(extra), extra[8:]
			}
		}
		if len(extra) >= 4 {
			extra = extra[4:] // id and length: compared below with all else
		}
		if size == none32 {
			take(&size)
			take(new(uint64))
		}
		if offset == none32 {
			take(&offset)
		}
		if size > largestLength || offset > largestLength {
			return errs.Newf(errs.Corrupt, "ARCHIVE_OVERLAP", "the entry %.100q says that it lies outside the archive", name)
		}
		e := entry{name: name, size: int64(size), offset: int64(offset), crc: le.Uint32(rec[16:])}
		want = e.appendDirectory(want[:0])
		if !bytes.Equal(want, append(rec, rest...)) {
			return differs(at, fmt.Sprintf("the directory's entry of %.100q", name))
		}
		at += int64(len(want))
		b.byPath[strings.TrimPrefix(name, b.Top+"/")] = len(b.entries)
		b.entries = append(b.entries, e)
	}
	if at != start+length {
		return malformed("bytes follow the last entry of the directory, at byte %d", at)
	}
	return nil
}

func (b *Bag) fill(in io.Reader, buf []byte) error {
	_, err := io.ReadFull(in, buf)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return malformed("the directory is shorter than its entries")
	}
	if err != nil {
		return fmt.Errorf("read the archive's directory: %w", err)
	}
	return nil
}

// name checks an entry's name and takes the top folder from the first.
func (b *Bag) name(names *nameSet, name string) error {
	top, path, ok := strings.Cut(name, "/")
	if ok && strings.HasSuffix(path, "/") || ok && path == "" {
		return errs.Newf(errs.Corrupt, "ARCHIVE_NAME", "the entry %.100q is a folder; a bag's archive holds files only", name)
	}
	if !ok || checkTop(top) != nil || checkPath(path) != nil {
		return errs.Newf(errs.Corrupt, "ARCHIVE_NAME", "the name %.100q cannot be unpacked everywhere into one folder of its own", name)
	}
	if b.Top == "" {
		b.Top = top
	}
	if top != b.Top {
		return errs.Newf(errs.Corrupt, "ARCHIVE_TOP", "the entry %.100q lies outside the top folder %.100q", name, b.Top)
	}
	if had := names.add(path); had != "" {
		return errs.Newf(errs.Corrupt, "ARCHIVE_NAME_TWICE", "%.100q and %.100q cannot both be unpacked", path, had)
	}
	return nil
}

// checkLayout checks that the entries fill the archive up to the directory and
// that each local header says what the directory says.
func (b *Bag) checkLayout(directory int64) error {
	at := int64(0)
	for _, e := range b.entries {
		if e.offset != at {
			return errs.Newf(errs.Corrupt, "ARCHIVE_OVERLAP", "the entry %.100q begins at byte %d, the one before it ends at byte %d", e.name, e.offset, at)
		}
		if e.end() > directory {
			return errs.Newf(errs.Corrupt, "ARCHIVE_OVERLAP", "the entry %.100q reaches into the directory", e.name)
		}
		at = e.end()
	}
	if at != directory {
		return errs.Newf(errs.Corrupt, "ARCHIVE_OVERLAP", "%d bytes before the directory belong to no entry", directory-at)
	}
	var want []byte
	for _, e := range b.entries {
		want = e.appendLocal(want[:0])
		got, err := b.bytes(e.offset, int64(len(want)))
		if err != nil {
			return err
		}
		if !bytes.Equal(got, want) {
			return differs(e.offset, fmt.Sprintf("the header of %.100q", e.name))
		}
	}
	return nil
}

// path is e's path below the top folder.
func (b *Bag) path(e entry) string { return strings.TrimPrefix(e.name, b.Top+"/") }

// Files lists the files in the order of the archive.
func (b *Bag) Files() []Entry {
	out := make([]Entry, len(b.entries))
	for i, e := range b.entries {
		out[i] = Entry{b.path(e), e.size}
	}
	return out
}

// Has reports whether the bag has a file of this path.
func (b *Bag) Has(path string) bool {
	_, ok := b.byPath[path]
	return ok
}

// File gives the bytes of one file.
//
// The error is NotFound, reason BAG_FILE_MISSING.
func (b *Bag) File(path string) (*io.SectionReader, error) {
	i, ok := b.byPath[path]
	if !ok {
		return nil, errs.Newf(errs.NotFound, "BAG_FILE_MISSING", "the bag has no file %.100q", path)
	}
	e := b.entries[i]
	return io.NewSectionReader(b.r, e.contentOffset(), e.size), nil
}

// ReadFile is the whole of a file of at most limit bytes.
//
// Errors: NotFound BAG_FILE_MISSING; TooLarge BAG_FILE_TOO_LARGE; the reader's.
func (b *Bag) ReadFile(path string, limit int64) ([]byte, error) {
	r, err := b.File(path)
	if err != nil {
		return nil, err
	}
	if r.Size() > limit {
		return nil, errs.Newf(errs.TooLarge, "BAG_FILE_TOO_LARGE", "%.100q has %d bytes, the bound is %d", path, r.Size(), limit)
	}
	buf := make([]byte, r.Size())
	if _, err := io.ReadFull(r, buf); err != nil {
		return nil, fmt.Errorf("read %q in the archive: %w", path, err)
	}
	return buf, nil
}
