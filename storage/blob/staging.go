package blob

import (
	"bytes"
	"context"
	"errors"
	"io"
	"iter"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/errs"
)

// MaxChunk is the most bytes of one chunk of an upload.
const MaxChunk = 1 << 20

// Uploads is the staging area of a store: the chunks of files on their way,
// each a blob of its own, so that any replica can take the next one.
type Uploads struct{ Store Store }

// PutChunk keeps data, 1 to MaxChunk bytes, as what lies at offset in the
// upload. The first writer of an offset wins: the same bytes again are no
// error, others are Exists KEY_TAKEN, and the upload goes on from Received.
func (u Uploads) PutChunk(ctx context.Context, organisation, upload string, offset int64, data []byte) error {
	if len(data) < 1 || len(data) > MaxChunk {
		return errs.Newf(errs.Invalid, "CHUNK_INVALID", "a chunk has 1 to %d bytes, not %d", MaxChunk, len(data))
	}
	if offset < 0 || offset > MaxSize {
		return errs.Newf(errs.Invalid, "OFFSET_INVALID", "a chunk begins at byte 0 to %d, not %d", int64(MaxSize), offset)
	}
	_, err := u.Store.Put(ctx, ChunkKey(organisation, upload, offset), bytes.NewReader(data), DigestOf(data))
	return err
}

// chunk is one stored piece of an upload.
type chunk struct {
	key    Key
	offset int64
	size   int64
}

// chunks gives the upload's chunks that join without a gap from byte 0 on.
func (u Uploads) chunks(ctx context.Context, organisation, upload string) iter.Seq2[chunk, error] {
	return func(yield func(chunk, error) bool) {
		var next int64
		for info, err := range All(ctx, u.Store, stagingArea+"/"+organisation+"/"+upload+"/") {
			if err != nil {
				yield(chunk{}, err)
				return
			}
			key := string(info.Key)
			offset, err := strconv.ParseInt(key[strings.LastIndexByte(key, '/')+1:], 10, 64)
			if err != nil || offset > next {
				return // a gap, or nothing that PutChunk wrote
			}
			if offset < next {
				continue // begins inside what we have: the first writer's bytes stand
			}
			if !yield(chunk{info.Key, offset, info.Size}, nil) {
				return
			}
			next = offset + info.Size
		}
	}
}

// Received says how far the upload has got: the number of bytes that are there
// without a gap from the beginning. It is the offset that the next chunk should
// have. An upload that nobody began has 0.
func (u Uploads) Received(ctx context.Context, organisation, upload string) (int64, error) {
	var n int64
	for c, err := range u.chunks(ctx, organisation, upload) {
		if err != nil {
			return 0, err
		}
		n = c.offset + c.size
	}
	return n, nil
}

// Assemble joins the chunks into a temporary file in dir ("": the system's),
// ready to be put. WrongState UPLOAD_INCOMPLETE when they are not want.Size
// bytes; Invalid DIGEST_MISMATCH when they are other bytes than announced.
func (u Uploads) Assemble(ctx context.Context, organisation, upload string, want Digest, dir string) (*Spool, error) {
	if want.Size < 0 || want.Size > MaxSize {
		return nil, errs.Newf(errs.Invalid, "SIZE_INVALID", "a blob has 0 to %d bytes, not %d", int64(MaxSize), want.Size)
	}
	r := &joined{ctx: ctx, store: u.Store}
	var have int64
	for c, err := range u.chunks(ctx, organisation, upload) {
		if err != nil {
			return nil, err
		}
		r.chunks = append(r.chunks, c)
		have = c.offset + c.size
	}
	if have != want.Size {
		return nil, incomplete(have, want.Size)
	}
	s, err := NewSpool(r, want.Size, dir)
	if err != nil {
		return nil, errors.Join(err, r.close())
	}
	if s.digest != want {
		return nil, errors.Join(DigestMismatch(want), s.Close())
	}
	return s, nil
}

// Source joins the chunks without a copy, to be put at once: for a store whose
// reads cost no network (Local). Only the sizes are looked at; Put checks the
// digest. WrongState UPLOAD_INCOMPLETE when they are not want.Size bytes.
func (u Uploads) Source(ctx context.Context, organisation, upload string, want Digest) (io.ReaderAt, error) {
	r := &parts{ctx: ctx, store: u.Store}
	var have int64
	for c, err := range u.chunks(ctx, organisation, upload) {
		if err != nil {
			return nil, err
		}
		r.chunks = append(r.chunks, c)
		have = c.offset + c.size
	}
	if have != want.Size {
		return nil, incomplete(have, want.Size)
	}
	return r, nil
}

func incomplete(have, want int64) error {
	return errs.New(errs.WrongState, "UPLOAD_INCOMPLETE", "the upload does not have all its bytes, or has too many",
		"received", strconv.FormatInt(have, 10), "size", strconv.FormatInt(want, 10))
}

// parts reads from chunks that join from byte 0 on.
type parts struct {
	ctx    context.Context // of Source, which the reader does not outlive
	store  Store
	chunks []chunk
}

func (r *parts) ReadAt(p []byte, off int64) (n int, err error) {
	if off < 0 {
		return 0, errs.Newf(errs.Invalid, "RANGE_INVALID", "offset %d is before the beginning", off)
	}
	for _, c := range r.chunks {
		from := off + int64(n) - c.offset
		if from >= c.size {
			continue
		}
		if n == len(p) {
			return n, nil
		}
		rc, err := r.store.Open(r.ctx, Ref{Key: c.key}, from, min(c.size-from, int64(len(p)-n)))
		if err != nil {
			return n, err
		}
		got, err := io.ReadFull(rc, p[n:n+int(min(c.size-from, int64(len(p)-n)))])
		n += got
		if cerr := rc.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			return n, err
		}
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// joined reads chunks one after the other, one open at a time.
type joined struct {
	ctx    context.Context // of Assemble, which the reader does not outlive
	store  Store
	chunks []chunk
	open   io.ReadCloser
}

func (j *joined) Read(p []byte) (int, error) {
	for {
		if j.open == nil {
			if len(j.chunks) == 0 {
				return 0, io.EOF
			}
			rc, err := j.store.Open(j.ctx, Ref{Key: j.chunks[0].key}, 0, -1)
			if err != nil {
				return 0, err
			}
			j.open, j.chunks = rc, j.chunks[1:]
		}
		n, err := j.open.Read(p)
		if errors.Is(err, io.EOF) {
			err = j.close()
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

func (j *joined) close() error {
	if j.open == nil {
		return nil
	}
	err := j.open.Close()
	j.open = nil
	return err
}

// Remove deletes all chunks of the upload; one that is not there is no error.
func (u Uploads) Remove(ctx context.Context, organisation, upload string) error {
	for info, err := range All(ctx, u.Store, stagingArea+"/"+organisation+"/"+upload+"/") {
		if err != nil {
			return err
		}
		if err := u.Store.Delete(ctx, info.Key); err != nil {
			return err
		}
	}
	return nil
}

// Sweep deletes the uploads that nobody has touched since before: none of
// whose chunks is younger. It returns how many uploads went.
func (u Uploads) Sweep(ctx context.Context, before time.Time) (int, error) {
	swept := 0
	var upload string // "staging/<organisation>/<upload>/" of the keys gathered
	var keys []Key
	var young bool
	finish := func() error {
		if len(keys) == 0 || young {
			return nil
		}
		for _, k := range keys {
			if err := u.Store.Delete(ctx, k); err != nil {
				return err
			}
		}
		swept++
		return nil
	}
	for info, err := range All(ctx, u.Store, stagingArea+"/") {
		if err != nil {
			return swept, err
		}
		this := string(info.Key[:strings.LastIndexByte(string(info.Key), '/')+1])
		if this != upload {
			if err := finish(); err != nil {
				return swept, err
			}
			upload, keys, young = this, keys[:0], false
		}
		keys = append(keys, info.Key)
		young = young || !info.Modified.Before(before)
	}
	err := finish()
	return swept, err
}

// All gives every current blob below prefix, in the order of keys, page by page.
func All(ctx context.Context, st Store, prefix string) iter.Seq2[Info, error] {
	return func(yield func(Info, error) bool) {
		var after Key
		for {
			page, err := st.List(ctx, prefix, after, MaxListPage)
			if err != nil {
				yield(Info{}, err)
				return
			}
			for _, info := range page {
				if !yield(info, nil) {
					return
				}
			}
			if len(page) < MaxListPage {
				return
			}
			after = page[len(page)-1].Key
		}
	}
}
