package storagetest

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// together runs f for worker 0 … n-1 at once, each on the store whose turn it is.
func together(t *testing.T, open Open, n int, prepare func(s storage.Store), f func(s storage.Store, worker int) error) storage.Store {
	t.Helper()
	one, two := open(t)
	prepare(one)
	stores := []storage.Store{one, two}
	problems := make([]error, n)
	var wg sync.WaitGroup
	for w := range n {
		wg.Go(func() { problems[w] = f(stores[w%2], w) })
	}
	wg.Wait()
	for w, err := range problems {
		if err != nil {
			t.Fatalf("worker %d: %v", w, err)
		}
	}
	return two
}

// testConcurrentAppend lets four workers append to one job. Each repeats what
// came too late at the new head, as a server does.
func testConcurrentAppend(t *testing.T, open Open) {
	const workers, batches = 4, 10
	s := together(t, open, workers, func(s storage.Store) {
		seed(t, s, org)
		makeJob(t, s, org, "j1")
	}, func(s storage.Store, worker int) error {
		for batch := 0; batch < batches; {
			j, err := s.GetJob(ctx, org, "j1")
			if err != nil {
				return err
			}
			a := step("j1", j.LineCount, j.LineCount+2)
			for i := range a.Lines {
				a.Lines[i].EntryID = fmt.Sprintf("w%d-%d-%d", worker, batch, i)
				a.Lines[i].Line = []byte(a.Lines[i].EntryID)
			}
			_, err = s.Append(ctx, org, "j1", a)
			switch {
			case err == nil:
				batch++
			case !errs.Is(err, "HEAD_MOVED"):
				return err
			}
		}
		return nil
	})
	j, err := s.GetJob(ctx, org, "j1")
	must(t, "GetJob", err)
	all := stored(t, s, org, "j1", storage.ListRecord)
	if want := workers * batches * 2; j.LineCount != int64(want) || len(all) != want || j.Root != step("j1", 0, int64(want)).Root {
		t.Errorf("job says %d lines, %d are stored; want %d, with the last root", j.LineCount, len(all), want)
	}
	seen := map[string]bool{}
	for i, l := range all {
		seen[string(l)] = true
		if i%2 == 1 && string(l[:len(l)-1]) != string(all[i-1][:len(l)-1]) {
			t.Errorf("line %d, %s, stands after %s: a batch was torn", i+1, l, all[i-1])
		}
	}
	if len(seen) != len(all) {
		t.Errorf("%d different lines of %d", len(seen), len(all))
	}
}

// testConcurrentLock lets workers lock a job each, in one organisation: the log
// has each leaf once, its root is that of its leaves, and no two checkpoints
// were ever given for one size.
func testConcurrentLock(t *testing.T, open Open) {
	const workers, each = 4, 5
	var mu sync.Mutex
	checkpoints := map[int64][]byte{}
	s := together(t, open, workers, func(s storage.Store) {
		seed(t, s, org)
		for w := range workers {
			for n := range each {
				makeJob(t, s, org, fmt.Sprintf("j%d-%d", w, n))
			}
		}
	}, func(s storage.Store, worker int) error {
		for n := 0; n < each; {
			job := fmt.Sprintf("j%d-%d", worker, n)
			h, err := s.GetLogHead(ctx, org)
			if err != nil {
				return err
			}
			mu.Lock()
			if had, ok := checkpoints[h.Size]; ok && string(had) != string(h.Checkpoint) {
				mu.Unlock()
				return fmt.Errorf("two checkpoints of size %d: %s and %s", h.Size, had, h.Checkpoint)
			}
			checkpoints[h.Size] = h.Checkpoint
			mu.Unlock()
			l, err := grow(h, "leaf of "+job)
			if err != nil {
				return err
			}
			_, err = s.Lock(ctx, org, job, lockOf(job, 0, l))
			switch {
			case err == nil:
				n++
			case !errs.Is(err, "LOG_MOVED"):
				return err
			}
		}
		return nil
	})
	checkLog(t, s, org, workers*each)
	ls, err := s.LogLeaves(ctx, org, "", -1, 1000)
	must(t, "LogLeaves", err)
	for _, l := range ls {
		j, err := s.GetJob(ctx, org, l.Job)
		must(t, "GetJob", err)
		if j.LogIndex != l.Index || j.State != storage.JobLocked || j.LineCount != 2 {
			t.Errorf("job %s is %s with %d lines at %d; its leaf stands at %d", j.ID, j.State, j.LineCount, j.LogIndex, l.Index)
		}
	}
}

// testConcurrentTake lets workers take from one queue: nobody gets what another has.
func testConcurrentTake(t *testing.T, open Open) {
	const items = 60
	var mu sync.Mutex
	taken := map[string]int{}
	together(t, open, 4, func(s storage.Store) {
		seed(t, s, org)
		makeJob(t, s, org, "j1")
		var list []storage.OutboxItem
		for i := range items {
			list = append(list, storage.OutboxItem{ID: fmt.Sprint("o", i), Job: "j1", CreateTime: noon})
		}
		must(t, "EnqueueOutbox", s.EnqueueOutbox(ctx, org, list))
	}, func(s storage.Store, _ int) error {
		for empty := 0; empty < 3; {
			got, err := s.TakeOutbox(ctx, noon, time.Hour, 7)
			if err != nil {
				return err
			}
			if len(got[org]) > 7 {
				return fmt.Errorf("took %d items; at most 7", len(got[org]))
			}
			if len(got[org]) == 0 {
				empty++
			}
			mu.Lock()
			for _, i := range got[org] {
				taken[i.ID]++
			}
			mu.Unlock()
		}
		return nil
	})
	for id, n := range taken {
		if n != 1 {
			t.Errorf("item %s was taken %d times within its lease", id, n)
		}
	}
	if len(taken) != items {
		t.Errorf("%d items taken of %d", len(taken), items)
	}
}

// testConcurrentOnce lets workers use one code, repeat one request, begin one
// upload, and count one key.
func testConcurrentOnce(t *testing.T, open Open) {
	const workers = 6
	var mu sync.Mutex
	used, jobs, uploads := 0, map[string]int{}, map[string]int{}
	s := together(t, open, workers, func(s storage.Store) {
		seed(t, s, org)
		makeJob(t, s, org, "j0")
		must(t, "PutCode", s.PutCode(ctx, storage.Code{Hash: sum("code"), Org: org, ExpireTime: noon.Add(time.Hour)}))
	}, func(s storage.Store, worker int) error {
		_, err := s.UseCode(ctx, sum("code"), noon)
		if err != nil && !errs.Is(err, "CODE_NOT_FOUND") {
			return err
		}
		j, jerr := s.CreateJob(ctx, org, newJob(fmt.Sprint("j", worker+1)), nil, "one request")
		if jerr != nil {
			return jerr
		}
		u, uerr := s.CreateUpload(ctx, org, storage.Upload{ID: fmt.Sprint("u", worker), Job: "j0", Device: "d1", Purpose: "photo", Digest: sum("x")}, 1)
		if uerr != nil {
			return uerr
		}
		if _, err := s.CountAttempt(ctx, "key", time.Hour, noon); err != nil {
			return err
		}
		if err := s.AddCustody(ctx, org, storage.CustodyLine{Who: "ann", Time: noon}); err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		if err == nil {
			used++
		}
		jobs[j.ID]++
		uploads[u.ID]++
		return nil
	})
	if used != 1 || len(jobs) != 1 || len(uploads) != 1 {
		t.Errorf("code used %d times, request made %v, uploads %v; want one of each", used, jobs, uploads)
	}
	n, err := s.CountAttempt(ctx, "key", time.Hour, noon)
	if err != nil || n != workers+1 {
		t.Errorf("CountAttempt = %d, %v; want %d", n, err, workers+1)
	}
	cs, err := s.ListCustody(ctx, org, "", "", 0, 99)
	must(t, "ListCustody", err)
	for i, c := range cs {
		if c.Seq != int64(workers-i) {
			t.Errorf("custody line %d has seq %d; want %d", i, c.Seq, workers-i)
		}
	}
}
