package workflow

import (
	"container/list"
	"context"
	"sync"

	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/storage"
)

// cacheLines bounds the lines held in memory over all jobs; a line takes about
// a kilobyte.
const cacheLines = 40_000

// live is a job folded in memory. mu is held while it is read or moved on; its
// truth is the store's, which other servers move too.
type live struct {
	mu   sync.Mutex
	key  string
	fold *record.Job
	tree *seal.Tree
	row  storage.Job

	element *list.Element
	weight  int
}

// cache keeps the jobs that were used last.
type cache struct {
	mu     sync.Mutex
	jobs   map[string]*live
	recent *list.List
	weight int
}

func newCache() *cache { return &cache{jobs: map[string]*live{}, recent: list.New()} }

// get returns the entry of a job, new or old, and marks it as used.
func (c *cache) get(key string) *live {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := c.jobs[key]
	if l == nil {
		l = &live{key: key}
		l.element = c.recent.PushFront(l)
		c.jobs[key] = l
	} else {
		c.recent.MoveToFront(l.element)
	}
	return l
}

// weigh notes how many lines an entry holds and drops the oldest others.
func (c *cache) weigh(l *live, lines int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.jobs[l.key] != l {
		return
	}
	c.weight += lines - l.weight
	l.weight = lines
	for c.weight > cacheLines && c.recent.Len() > 1 {
		last := c.recent.Back().Value.(*live)
		if last == l {
			break
		}
		c.recent.Remove(last.element)
		delete(c.jobs, last.key)
		c.weight -= last.weight
	}
}

// forget empties an entry: the store is asked again next time. mu is held.
func (l *live) forget() { l.fold, l.tree = nil, nil }

// withJob calls f with the job's fold brought up to date with the store, under
// the job's lock. f may move the fold on only together with the store.
func (s *Service) withJob(ctx context.Context, org, job string, f func(l *live) error) error {
	l := s.cache.get(org + "/" + job)
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := s.refresh(ctx, org, job, l); err != nil {
		l.forget()
		return err
	}
	s.cache.weigh(l, int(l.fold.Size()))
	return f(l)
}

// refresh reads the job's row and the lines that the fold has not seen.
func (s *Service) refresh(ctx context.Context, org, job string, l *live) error {
	row, err := s.Store.GetJob(ctx, org, job)
	if err != nil {
		return unavailable(err)
	}
	if l.fold != nil && l.fold.Size() > row.LineCount {
		l.forget() // a store put back from an older copy
	}
	warm := l.fold != nil
	if l.fold == nil {
		c, err := s.compiled(ctx, org, row.Procedure, row.ProcedureDigest)
		if err != nil {
			return unavailable(err)
		}
		l.fold, l.tree = record.Open(c), seal.NewTree()
	}
	for l.fold.Size() < row.LineCount {
		lines, err := s.Store.Lines(ctx, org, job, storage.ListRecord, l.fold.Size(), 1000, 8<<20)
		if err != nil {
			return unavailable(err)
		}
		if len(lines) == 0 {
			return errs.Newf(errs.Corrupt, "LINES_MISSING", "job %s has %d lines and only %d are there; run doctor", job, row.LineCount, l.fold.Size())
		}
		for _, ln := range lines {
			if ln.Seq > row.LineCount {
				break
			}
			p, err := evidence.ParseLine(ln.Line)
			if err != nil {
				return errs.Newf(errs.Corrupt, "LINE_UNREADABLE", "line %d of job %s cannot be read", ln.Seq, job).Because(err)
			}
			if err := l.fold.Apply(p.Fold); err != nil {
				return err
			}
			if err := l.tree.Append(seal.LeafHash(ln.Line), nil); err != nil {
				return err
			}
		}
	}
	if root := l.tree.Root(); root != seal.Hash(row.Root) {
		if warm { // a store put back from an older copy that has grown since: begin anew
			l.forget()
			return s.refresh(ctx, org, job, l)
		}
		return errs.Newf(errs.Corrupt, "ROOT_DIFFERS", "the lines of job %s do not give the root that was kept with them; run doctor", job)
	}
	l.row = row
	return nil
}

// news tells watchers within this process that a job moved on.
type news struct {
	mu      sync.Mutex
	waiting map[string]chan struct{}
}

func newNews() *news { return &news{waiting: map[string]chan struct{}{}} }

// wait returns a channel that closes when the job moves on.
func (n *news) wait(key string) <-chan struct{} {
	n.mu.Lock()
	defer n.mu.Unlock()
	ch := n.waiting[key]
	if ch == nil {
		ch = make(chan struct{})
		n.waiting[key] = ch
	}
	return ch
}

func (n *news) tell(key string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if ch := n.waiting[key]; ch != nil {
		close(ch)
		delete(n.waiting, key)
	}
}

// News returns a channel that closes when a job moves on in this process.
// Moves by other servers are seen by asking again.
func (s *Service) News(org, job string) <-chan struct{} { return s.news.wait(org + "/" + job) }
