package blob

import (
	"context"
	"crypto/sha256"
	"errors"
	"hash"
	"io"
	"os"
	"strconv"

	"witnessmark/internal/errs"
)

// Spool is a stream that was written to a temporary file, so that it can be put
// with its digest known and be read more than once. Memory stays flat.
type Spool struct {
	file   *os.File
	digest Digest
}

// NewSpool reads r to its end into a temporary file in dir ("": the system's).
// TooLarge BLOB_TOO_LARGE when more than limit bytes come; an error of r comes
// back as it is. The caller closes the spool.
func NewSpool(r io.Reader, limit int64, dir string) (s *Spool, err error) {
	f, err := os.CreateTemp(dir, "spool-*")
	if err != nil {
		return nil, Unavailable("BLOB_STORE_UNAVAILABLE", "make a temporary file", err)
	}
	s = &Spool{file: f}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
			s = nil
		}
	}()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, h), io.LimitReader(r, limit))
	if err != nil {
		return s, err
	}
	if n == limit {
		var one [1]byte
		switch _, err := io.ReadFull(r, one[:]); {
		case err == nil:
			return s, errs.Newf(errs.TooLarge, "BLOB_TOO_LARGE", "more than the allowed %d bytes came", limit)
		case !errors.Is(err, io.EOF):
			return s, err
		}
	}
	s.digest = Digest{Size: n, SHA256: [sha256.Size]byte(h.Sum(nil))}
	return s, nil
}

// ReadAt reads from the file.
func (s *Spool) ReadAt(p []byte, off int64) (int, error) { return s.file.ReadAt(p, off) }

// Digest returns the size and SHA-256 of all that was read.
func (s *Spool) Digest() Digest { return s.digest }

// Close removes the file.
func (s *Spool) Close() error {
	return errors.Join(s.file.Close(), os.Remove(s.file.Name()))
}

// Verifying returns rc, a reader of a whole blob, with a check at its end: in
// place of io.EOF it gives Corrupt BLOB_CORRUPT where the bytes were not
// want's.
func Verifying(rc io.ReadCloser, want Digest) io.ReadCloser {
	return &verifying{ReadCloser: rc, want: want, hash: sha256.New()}
}

type verifying struct {
	io.ReadCloser
	want Digest
	hash hash.Hash
	n    int64
}

func (v *verifying) Read(p []byte) (int, error) {
	n, err := v.ReadCloser.Read(p)
	v.hash.Write(p[:n]) // never fails, says its documentation
	v.n += int64(n)
	if errors.Is(err, io.EOF) && (v.n != v.want.Size || [sha256.Size]byte(v.hash.Sum(nil)) != v.want.SHA256) {
		return n, errs.New(errs.Corrupt, "BLOB_CORRUPT", "the stored bytes are not the ones that were put", "sha256", v.want.Hex())
	}
	return n, err
}

// Check reads the whole blob and compares: nil, or Corrupt BLOB_CORRUPT, or
// the error of Open.
func Check(ctx context.Context, st Store, ref Ref, want Digest) (err error) {
	rc, err := st.Open(ctx, ref, 0, -1)
	if err != nil {
		return err
	}
	rc = Verifying(rc, want)
	defer func() { err = errors.Join(err, rc.Close()) }()
	_, err = io.Copy(io.Discard, rc)
	return err
}

// CheckSource reads src once and returns nil where its bytes are want, else
// Invalid SIZE_MISMATCH or DIGEST_MISMATCH, or src's error. For stores that
// cannot take back what they have begun to send.
func CheckSource(ctx context.Context, src io.ReaderAt, want Digest) error {
	return Fill(ctx, io.Discard, src, want)
}

// Fill copies src to w and returns the errors of CheckSource, or w's. On an
// error w has got some bytes or all: the caller throws them away.
func Fill(ctx context.Context, w io.Writer, src io.ReaderAt, want Digest) error {
	h := sha256.New()
	w = io.MultiWriter(w, h)
	r := io.NewSectionReader(src, 0, want.Size)
	buf := make([]byte, min(want.Size, 256<<10))
	for n := int64(0); n < want.Size; {
		if err := ctx.Err(); err != nil {
			return err
		}
		got, err := r.Read(buf)
		if _, werr := w.Write(buf[:got]); werr != nil {
			return werr
		}
		n += int64(got)
		switch {
		case n == want.Size:
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return SizeMismatch(strconv.FormatInt(n, 10), want.Size)
		case err != nil:
			return err
		}
	}
	var one [1]byte
	switch n, err := src.ReadAt(one[:], want.Size); {
	case n > 0:
		return SizeMismatch("more", want.Size)
	case err != nil && !errors.Is(err, io.EOF):
		return err
	}
	if [sha256.Size]byte(h.Sum(nil)) != want.SHA256 {
		return DigestMismatch(want)
	}
	return nil
}
