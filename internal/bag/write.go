package bag

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"strings"

	"witnessmark/internal/errs"
)

// buffered is the largest file that is read once, into memory, to know its
// checksum before its header. A larger one is read twice. Photos as phones make
// them fit; memory stays flat because two buffers serve all files.
const buffered = 8 << 20

// Write writes a bag with one top folder. In the archive stand bagit.txt,
// bag-info.txt, the two manifests, the other tag files, the payload; within each
// group by path in byte order. The order of files does not matter.
//
// Each file's bytes must be those of its Size and SHA256. If an error is
// returned, what was written is no archive and is to be thrown away.
//
// Errors: Invalid BAG_PATH, BAG_PATH_TWICE, BAG_SIZE, BAG_INFO; TooLarge
// BAG_TOO_MANY_FILES; Corrupt BAG_FILE_SIZE or BAG_FILE_DIGEST for a file that
// is not what it was said to be; those of Open and w.
func Write(w io.Writer, top string, files []File, info []Field) error {
	all, err := plan(top, files, info)
	if err != nil {
		return err
	}
	p := packer{w: newBuffer(w), ahead: readAhead(all)}
	defer p.ahead.stop()
	for _, f := range all {
		if err := p.add(top, f, nil); err != nil {
			return err
		}
	}
	return p.finish()
}

// reader reads and checks the files that fit into memory while the ones before
// them are on their way out.
type reader struct {
	files   chan content
	buffers chan []byte // two: one is filled, one is written
	stopped chan struct{}
	done    chan struct{}
}

// content is a file that was read.
type content struct {
	bytes    []byte
	crc      uint32
	err      error
	panicked any
}

func readAhead(files []File) *reader {
	r := &reader{files: make(chan content), buffers: make(chan []byte, 2), stopped: make(chan struct{}), done: make(chan struct{})}
	r.buffers <- nil // the other comes with the first call of next
	go func() {
		defer close(r.done)
		for _, f := range files {
			if f.Size > buffered {
				continue
			}
			var b []byte
			select {
			case b = <-r.buffers:
			case <-r.stopped:
				return
			}
			select {
			case r.files <- readWhole(f, b):
			case <-r.stopped:
				return
			}
		}
	}()
	return r
}

// stop returns when no file is being read any more.
func (r *reader) stop() {
	close(r.stopped)
	<-r.done
}

// readWhole reads a file into buffer, which grows as need be, and checks it.
func readWhole(f File, buffer []byte) (c content) {
	defer func() {
		if p := recover(); p != nil {
			c = content{panicked: p} // the caller's, whichever goroutine this is
		}
	}()
	m := memory{slices.Grow(buffer[:0], int(f.Size)+1)} // one more, to see the end without growing
	if err := read(f, &m); err != nil {
		return content{bytes: m.b, err: err}
	}
	if sha256.Sum256(m.b) != f.SHA256 {
		return content{bytes: m.b, err: wrongDigest(f)}
	}
	return content{bytes: m.b, crc: crc32.ChecksumIEEE(m.b)}
}

// Size is the number of bytes of the archive that Write writes of the same
// arguments. It opens no file.
//
// Errors: those of Write for what the files and fields say of themselves; Invalid
// BAG_SIZE too where the whole is longer than an archive may be.
func Size(top string, files []File, info []Field) (int64, error) {
	all, err := plan(top, files, info)
	if err != nil {
		return 0, err
	}
	var at, directory int64
	var header []byte
	for _, f := range all {
		e := entry{name: top + "/" + f.Path, size: f.Size, offset: at}
		if at = e.end(); at > largestLength {
			return 0, errs.Newf(errs.Invalid, "BAG_SIZE", "the files have more than %d bytes together", int64(largestLength))
		}
		header = e.appendDirectory(header[:0])
		directory += int64(len(header))
	}
	return at + directory + int64(len(appendEnd(header[:0], len(all), at, directory))), nil
}

// plan is every file of the bag, in the order of the archive.
func plan(top string, files []File, info []Field) ([]File, error) {
	if err := checkTop(top); err != nil {
		return nil, err
	}
	infoBytes, err := Info(files, info) // checks paths and sizes too
	if err != nil {
		return nil, err
	}
	payload, tags := sorted(files, true), sorted(files, false)
	own := []File{
		memoryFile(declarationFile, []byte(declaration)),
		memoryFile(infoFile, infoBytes),
		memoryFile(manifestFile, manifest(payload)),
	}
	own = append(own, memoryFile(tagManifestFile, manifest(sorted(append(own[:len(own):len(own)], tags...), false))))
	return append(append(own, tags...), payload...), nil
}

func checkTop(top string) error {
	if strings.ContainsAny(top, "/\r\n") || len(top) > maxComponent || checkPath(top) != nil {
		return errs.Newf(errs.Invalid, "BAG_PATH", "the top folder %.100q is not one plain name", top)
	}
	return nil
}

func memoryFile(path string, b []byte) File {
	return File{Path: path, Size: int64(len(b)), SHA256: sha256.Sum256(b),
		Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b)), nil }}
}

// packer writes an archive.
type packer struct {
	w       *bufio.Writer
	at      int64
	entries []entry
	header  []byte
	buffer  []byte  // of the file being written
	ahead   *reader // nil: files are read when it is their turn
}

func newBuffer(w io.Writer) *bufio.Writer { return bufio.NewWriterSize(w, 64<<10) }

// add writes one file. If crc is given, the file's digest is known to be right:
// it is streamed and only counted.
func (p *packer) add(top string, f File, crc *uint32) error {
	e := entry{name: top + "/" + f.Path, size: f.Size, offset: p.at}
	switch {
	case crc != nil:
		e.crc = *crc
		if err := p.head(e); err != nil {
			return err
		}
		if err := read(f, p.w); err != nil {
			return err
		}
	case f.Size <= buffered:
		c := p.next(f)
		if c.err != nil {
			return c.err
		}
		e.crc = c.crc
		if err := p.head(e); err != nil {
			return err
		}
		if _, err := p.w.Write(c.bytes); err != nil {
			return err
		}
	default:
		sum := crc32.NewIEEE()
		if err := read(f, sum); err != nil {
			return err
		}
		e.crc = sum.Sum32()
		if err := p.head(e); err != nil {
			return err
		}
		// The bytes that are written are the ones that are checked: the file
		// may have changed since it was read for its checksum.
		digest, again := sha256.New(), crc32.NewIEEE()
		if err := read(f, io.MultiWriter(p.w, digest, again)); err != nil {
			return err
		}
		if [sha256.Size]byte(digest.Sum(nil)) != f.SHA256 || again.Sum32() != e.crc {
			return wrongDigest(f)
		}
	}
	p.at += e.size
	p.entries = append(p.entries, e)
	return nil
}

// next returns the bytes of f, the next file that fits into memory. They are
// good until the next call.
func (p *packer) next(f File) content {
	if p.ahead == nil {
		return p.take(readWhole(f, p.buffer))
	}
	p.ahead.buffers <- p.buffer // never waits: there are two
	return p.take(<-p.ahead.files)
}

func (p *packer) take(c content) content {
	p.buffer = c.bytes
	if c.panicked != nil {
		panic(c.panicked)
	}
	return c
}

func wrongDigest(f File) error {
	return errs.Newf(errs.Corrupt, "BAG_FILE_DIGEST", "the bytes of %q do not have the digest that they should", f.Path).With("path", f.Path)
}

// head writes e's local header.
func (p *packer) head(e entry) error {
	p.header = e.appendLocal(p.header[:0])
	p.at += int64(len(p.header))
	_, err := p.w.Write(p.header)
	return err
}

// finish writes the central directory.
func (p *packer) finish() error {
	start := p.at
	for _, e := range p.entries {
		p.header = e.appendDirectory(p.header[:0])
		p.at += int64(len(p.header))
		if _, err := p.w.Write(p.header); err != nil {
			return err
		}
	}
	if _, err := p.w.Write(appendEnd(nil, len(p.entries), start, p.at-start)); err != nil {
		return err
	}
	return p.w.Flush()
}

// memory is a writer that keeps its buffer for the next file.
type memory struct{ b []byte }

func (m *memory) Write(b []byte) (int, error) {
	m.b = append(m.b, b...)
	return len(b), nil
}

// ReadFrom reads straight into the buffer, which spares io.Copy its own.
func (m *memory) ReadFrom(r io.Reader) (int64, error) {
	start := len(m.b)
	for {
		if len(m.b) == cap(m.b) {
			m.b = slices.Grow(m.b, 512)
		}
		n, err := r.Read(m.b[len(m.b):cap(m.b)])
		m.b = m.b[:len(m.b)+n]
		if err != nil {
			if err == io.EOF {
				err = nil
			}
			return int64(len(m.b) - start), err
		}
	}
}

// read copies f's bytes to w and checks their number.
func read(f File, w io.Writer) (err error) {
	r, err := f.Open()
	if err != nil {
		return fmt.Errorf("open %q for the bag: %w", f.Path, err)
	}
	defer func() {
		if cerr := r.Close(); err == nil && cerr != nil {
			err = fmt.Errorf("close %q: %w", f.Path, cerr)
		}
	}()
	n, err := io.Copy(w, io.LimitReader(r, f.Size))
	if err != nil {
		return fmt.Errorf("copy %q into the bag: %w", f.Path, err)
	}
	if n == f.Size {
		var one [1]byte
		more, err := io.ReadFull(r, one[:])
		if more == 0 && err == io.EOF {
			return nil
		}
		if more == 0 {
			return fmt.Errorf("copy %q into the bag: %w", f.Path, err)
		}
		n++
	}
	got := fmt.Sprintf("only %d", n)
	if n > f.Size {
		got = "more"
	}
	return errs.Newf(errs.Corrupt, "BAG_FILE_SIZE", "%q should have %d bytes and has %s", f.Path, f.Size, got).With("path", f.Path)
}
