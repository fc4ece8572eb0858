package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// wrong is something that does not agree with itself.
type wrong struct {
	Where string `json:"where"`
	What  string `json:"what"`
}

// inspector reads a whole installation and compares what is kept twice: roots
// with lines, the log with its leaves, blobs with their digests. It changes nothing.
type inspector struct {
	b     *backend
	tell  func(done int64, what string)
	found []wrong
	count struct{ jobs, lines, leaves, blobs, bytes int64 }
}

func (x *inspector) bad(where, format string, args ...any) {
	x.found = append(x.found, wrong{where, fmt.Sprintf(format, args...)})
}

const page = 500

// organizations calls f for each organisation.
func (x *inspector) organizations(ctx context.Context, f func(org string) error) error {
	orgs, err := x.b.store.ListOrganizations(ctx)
	if err != nil {
		return err
	}
	for _, o := range orgs {
		if err := f(o); err != nil {
			return err
		}
	}
	return nil
}

// jobs calls f for each job of an organisation.
func jobsOf(ctx context.Context, st storage.Store, org string, f func(storage.Job) error) error {
	var before time.Time
	id := ""
	for {
		js, err := st.ListJobs(ctx, org, storage.JobFilter{}, before, id, page)
		if err != nil {
			return err
		}
		for _, j := range js {
			before, id = j.CreateTime, j.ID
			if err := f(j); err != nil {
				return err
			}
		}
		if len(js) < page {
			return nil
		}
	}
}

// blobsOf calls f for each kept blob of an organisation, in order, after a digest.
func blobsOf(ctx context.Context, st storage.Store, org string, after [32]byte, f func(storage.Blob) error) error {
	for {
		bs, err := st.ListBlobs(ctx, org, "", after, page)
		if err != nil {
			return err
		}
		for _, b := range bs {
			after = b.Digest
			if err := f(b); err != nil {
				return err
			}
		}
		if len(bs) < page {
			return nil
		}
	}
}

// records recomputes every job's roots from its lines.
func (x *inspector) records(ctx context.Context, org string) error {
	return jobsOf(ctx, x.b.store, org, func(j storage.Job) error {
		x.count.jobs++
		where := org + "/jobs/" + j.ID
		x.tell(x.count.lines, where)
		for _, l := range []struct {
			list  storage.List
			count int64
			root  [32]byte
		}{{storage.ListRecord, j.LineCount, j.Root}, {storage.ListAddenda, j.AddendumCount, j.AddendumRoot}} {
			root, size, err := x.rootOf(ctx, org, j.ID, l.list, where)
			if err != nil {
				return err
			}
			// An open job may have grown while we read; then look again.
			if size != l.count {
				again, err := x.b.store.GetJob(ctx, org, j.ID)
				if err != nil {
					return err
				}
				now := again.LineCount
				if l.list == storage.ListAddenda {
					now = again.AddendumCount
				}
				if now == l.count {
					x.bad(where, "the %s has %d lines and the job says %d", l.list, size, l.count)
				}
				continue
			}
			if size > 0 && root != seal.Hash(l.root) {
				x.bad(where, "the lines of the %s give another root than the job says", l.list)
			}
		}
		return nil
	})
}

func (x *inspector) rootOf(ctx context.Context, org, job string, list storage.List, where string) (seal.Hash, int64, error) {
	tree := seal.NewTree()
	after := int64(0)
	for {
		lines, err := x.b.store.Lines(ctx, org, job, list, after, page, 8<<20)
		if err != nil {
			return seal.Hash{}, 0, err
		}
		if len(lines) == 0 {
			return tree.Root(), after, nil
		}
		for _, l := range lines {
			if l.Seq != after+1 {
				x.bad(where, "after line %d of the %s comes line %d", after, list, l.Seq)
			}
			after = l.Seq
			x.count.lines++
			if err := tree.Append(seal.LeafHash(l.Line), nil); err != nil {
				return seal.Hash{}, 0, err
			}
		}
	}
}

// log recomputes an organisation's log, checks its checkpoint against the key,
// and compares each leaf with the job that it locks.
func (x *inspector) log(ctx context.Context, org string) error {
	where := org + "/log"
	head, err := x.b.store.GetLogHead(ctx, org)
	if err != nil {
		return err
	}
	tree := seal.NewTree()
	after := int64(-1)
	for {
		leaves, err := x.b.store.LogLeaves(ctx, org, "", after, page)
		if err != nil {
			return err
		}
		if len(leaves) == 0 {
			break
		}
		for _, l := range leaves {
			if l.Index != after+1 {
				x.bad(where, "after leaf %d comes leaf %d", after, l.Index)
			}
			after = l.Index
			x.count.leaves++
			if err := tree.Append(seal.LeafHash(l.Leaf), nil); err != nil {
				return err
			}
			if err := x.leaf(ctx, org, l); err != nil {
				return err
			}
		}
	}
	if int64(tree.Size()) != head.Size || (head.Size > 0 && tree.Root() != seal.Hash(head.Root)) {
		x.bad(where, "its %d leaves do not give the head of size %d", tree.Size(), head.Size)
	}
	if head.Size == 0 {
		return nil
	}
	origin, err := seal.Origin(x.b.place.logName, org)
	if err != nil {
		return err
	}
	has, err := x.b.keys.Has(origin)
	if err != nil {
		return err
	}
	if !has {
		return nil // doctor says so by itself
	}
	_, keys, err := x.b.keys.Signer(ctx, origin)
	if err != nil {
		return err
	}
	cp, err := seal.OpenCheckpoint(head.Checkpoint, origin, keys...)
	if err != nil {
		x.bad(where, "its checkpoint is not signed by the log's key: %v", err)
		return nil
	}
	if int64(cp.Size) != head.Size || cp.Root != seal.Hash(head.Root) {
		x.bad(where, "its checkpoint is of size %d and the log of size %d, or the roots differ", cp.Size, head.Size)
	}
	return nil
}

func (x *inspector) leaf(ctx context.Context, org string, l storage.LogLeaf) error {
	where := fmt.Sprintf("%s/log leaf %d", org, l.Index)
	leaf, err := seal.ParseLogLeaf(l.Leaf)
	if err != nil {
		x.bad(where, "cannot be read: %v", err)
		return nil
	}
	j, err := x.b.store.GetJob(ctx, org, l.Job)
	if errs.KindOf(err) == errs.NotFound {
		x.bad(where, "names %s, which is not there", leaf.Job)
		return nil
	}
	if err != nil {
		return err
	}
	if leaf.List == seal.ListRecord && (int64(leaf.Size) != j.LineCount || leaf.Root != seal.Hash(j.Root)) {
		x.bad(where, "locks %s at %d lines with another root than the job's %d lines have", leaf.Job, leaf.Size, j.LineCount)
	}
	return nil
}

// checkpointKey is where the checkpoint of a size lies beside the blobs.
func checkpointKey(org string, size int64) blob.Key {
	return blob.EvidenceKey(org, checkpointKind, fmt.Sprintf("%020d", size))
}

const checkpointKind = "checkpoint"

// newerCheckpoints lists checkpoints beside the blobs that the log does not
// reach: the store was put back from an older copy.
func (b *backend) newerCheckpoints(ctx context.Context, org string) (int64, []blob.Info, error) {
	head, err := b.store.GetLogHead(ctx, org)
	if err != nil {
		return 0, nil, err
	}
	infos, err := b.blobs.List(ctx, org+"/"+checkpointKind+"/", checkpointKey(org, head.Size), 1000)
	return head.Size, infos, err
}

// checkpointBeside compares the checkpoint beside the blobs with the log's own;
// false where there is none of that size.
func (b *backend) checkpointBeside(ctx context.Context, org string, head storage.LogHead) (there, same bool, err error) {
	r, err := b.blobs.Open(ctx, blob.Ref{Key: checkpointKey(org, head.Size)}, 0, -1)
	if errs.KindOf(err) == errs.NotFound {
		return false, false, nil
	}
	if err != nil {
		return false, false, err
	}
	text, err := io.ReadAll(io.LimitReader(r, 1<<20))
	if cerr := r.Close(); err == nil {
		err = cerr
	}
	return true, bytes.Equal(text, head.Checkpoint), err
}

// blob reads one blob again and compares its digest.
func (x *inspector) blob(ctx context.Context, org string, b storage.Blob) error {
	err := blob.Check(ctx, x.b.blobs, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, blob.Digest{Size: b.Size, SHA256: b.Digest})
	x.count.blobs++
	x.count.bytes += b.Size
	switch errs.KindOf(err) {
	case errs.NotFound, errs.Corrupt, errs.Invalid:
		x.bad(org+"/jobs/"+b.Job, "%s %s: %s", b.Purpose, seal.Hash(b.Digest), err)
		return nil
	}
	return err
}

// progress prints what is being done, at most once a second, on one line.
type progress struct {
	mu   sync.Mutex
	w    io.Writer
	last time.Time
	used bool
}

func (p *progress) say(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := time.Now(); now.Sub(p.last) >= time.Second {
		if p.last.IsZero() {
			p.last = now // short work says nothing
			return
		}
		p.last, p.used = now, true
		if _, err := fmt.Fprintf(p.w, "\r\x1b[K"+format, args...); err != nil {
			p.w = io.Discard
		}
	}
}

func (p *progress) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.used {
		p.used = false
		if _, err := fmt.Fprint(p.w, "\r\x1b[K"); err != nil {
			p.w = io.Discard
		}
	}
}
