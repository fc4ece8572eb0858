package workflow_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/blobtest"
	"witnessmark/storage/storagetest"
)

var errBroken = errors.New("the line broke")

// breaker fails the n-th call of those that it counts.
type breaker struct {
	mu    sync.Mutex
	at    int // 0: only counts
	n     int
	apply bool
	ops   []string
}

func (f *breaker) fault(op string) (bool, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.n++
	f.ops = append(f.ops, op)
	if f.n == f.at {
		return f.apply, errBroken
	}
	return true, nil
}

func (f *breaker) arm(at int, apply bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.at, f.n, f.apply, f.ops = at, 0, apply, nil
}

func (f *breaker) calls() (int, []string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.n, f.ops
}

// brittle is a bench whose store and blobs fail as a breaker says.
func brittle(t testing.TB) (*wt.Bench, *breaker) {
	t.Helper()
	st, _ := wt.Embedded(t)
	f := &breaker{}
	return wt.New(t, wt.Stores{
		Store: storagetest.Faulty(st.Store, f.fault),
		Blobs: blobtest.Faulty(st.Blobs, func(op string, _ blob.Key) (bool, error) { return f.fault("blob " + op) }),
	}), f
}

// persist repeats what clients repeat: what failed as unavailable, or in a way
// that nothing is known of.
func persist(t testing.TB, what string, f func() error) {
	t.Helper()
	var err error
	for range 4 {
		if err = f(); err == nil {
			return
		}
		if k := errs.KindOf(err); k != errs.Unavailable && k != errs.Internal {
			t.Fatalf("%s: %v; want it unavailable, to be repeated", what, err)
		}
	}
	t.Fatalf("%s, repeated: %v", what, err)
}

// sealed checks what must hold whatever failed: each entry once, the kept root
// over the lines, no fork of the log, and a package that verifies.
func sealed(t testing.TB, b *wt.Bench, job string, want []string) {
	t.Helper()
	seen := map[string]int{}
	tree := seal.NewTree()
	ls, more, head, err := b.Any().Lines(context.Background(), b.Office, job, false, 0, 1000)
	if err != nil || more {
		t.Fatalf("lines: %v, more %v", err, more)
	}
	for _, l := range ls {
		seen[l.EntryID]++
		if err := tree.Append(seal.LeafHash(l.Line), nil); err != nil {
			t.Fatal(err)
		}
	}
	if tree.Root() != seal.Hash(head.Root) {
		t.Errorf("root over the lines: %v; kept %v", tree.Root(), seal.Hash(head.Root))
	}
	for _, id := range want {
		if seen[id] != 1 {
			t.Errorf("entry %s stands %d times in the record; want once", id, seen[id])
		}
	}
	verified(t, b, job)
}

// TestEveryCallFailsOnceBothWays breaks each call to store and blobs once, lost
// and landed, under the sending of entries, an upload with its examination, and
// the sign-off. Each is repeated as a phone does.
func TestEveryCallFailsOnceBothWays(t *testing.T) {
	b, f := brittle(t)
	crew := b.Crew()
	n := 0
	for _, story := range []struct {
		name string
		// run prepares a job and returns what is done under faults and the ids
		// that must then stand in the record.
		run func(job string) (act func(), want func() []string)
	}{
		{"entries", func(job string) (func(), func() []string) {
			ids := []string{}
			p := crew.Climber
			for i := range 3 {
				ids = append(ids, p.Say(job, wt.Note(fmt.Sprint("note ", i))))
			}
			ids = append(ids, p.Say(job, wt.KitCheck(-175)))
			p.Say(job, wt.Returned("not mine to say", wt.LossStep)) // refused, kept aside
			return func() {
				persist(t, "send", func() error { _, err := p.TrySend(b.Service(), job); return err })
			}, func() []string { return ids }
		}},
		{"upload", func(job string) (func(), func() []string) {
			climb := crew.Lead.Now(job, wt.ClimbOpened("climber")).ID
			n++
			pic := testpicture.JPEG(testpicture.Options{Family: uint64(1000 + n), Seed: 1, Width: 800, Height: 600, Quality: 80})
			crew.Climber.Now(job, wt.Photo(climb, pic))
			return func() {
					persist(t, "upload", func() error {
						_, err := crew.Climber.Upload(b.Service(), job, workflow.PurposePhoto, pic, len(pic)/2+1)
						return err
					})
					// The worker comes back to what failed when its lease is over.
					for range 3 {
						if err := b.Service().Drain(context.Background()); err != nil && !errors.Is(err, errBroken) {
							t.Error(err)
						}
						b.Clock.Advance(20 * time.Minute)
					}
				}, func() []string {
					if n := count(t, b, job, func(e *recordv1.Entry) bool { return e.GetPhotoReceived() != nil }); n != 1 {
						t.Errorf("'photo received' lines: %d; want 1", n)
					}
					if n := count(t, b, job, func(e *recordv1.Entry) bool { return e.GetPhotoExamined().GetReadable() }); n != 1 {
						t.Errorf("'photo examined' lines: %d; want 1", n)
					}
					return nil
				}
		}},
		{"lock", func(job string) (func(), func() []string) {
			crew.Lead.Now(job, wt.Note("rain"))
			v := b.View(crew.Lead.ID, job)
			e := wt.Ended(v, "rain")
			sub := crew.Lead.Make(job, e)
			return func() {
				persist(t, "end", func() error {
					_, err := b.Service().EndJob(context.Background(), crew.Lead.ID, job, sub, "")
					return err
				})
			}, func() []string { return []string{e.Id} }
		}},
	} {
		t.Run(story.name, func(t *testing.T) {
			jobs := 0
			once := func(at int, apply bool) (calls int, ops []string) {
				jobs++
				job := b.Job(fmt.Sprintf("%s-%d", story.name, jobs))
				act, want := story.run(job)
				f.arm(at, apply)
				act()
				calls, ops = f.calls()
				f.arm(0, false)
				b.Clock.Advance(time.Hour)
				b.Drain()
				ids := want()
				if v := b.View(b.Office, job); v.Row.LockTime.IsZero() {
					e := wt.Ended(v, "end of the test")
					if _, err := b.Service().EndJob(context.Background(), crew.Lead.ID, job, crew.Lead.Make(job, e), ""); err != nil {
						t.Fatalf("call %d: end the job: %v", at, err)
					}
				}
				sealed(t, b, job, ids)
				return calls, ops
			}
			calls, ops := once(0, false)
			step := 1
			if testing.Short() {
				step = 7
			}
			for at := 1; at <= calls; at += step {
				for _, apply := range []bool{false, true} {
					once(at, apply)
					if t.Failed() {
						t.Fatalf("with call %d of %d, %s, broken (landed: %v)", at, calls, ops[min(at, len(ops))-1], apply)
					}
				}
			}
		})
	}
	// The log: one tree, however often a lock was repeated.
	head, key, err := b.Service().Checkpoint(context.Background(), wt.Org)
	if err != nil {
		t.Fatal(err)
	}
	if cp, err := seal.OpenCheckpoint(head.Checkpoint, key.Name(), key); err != nil || int64(cp.Size) != head.Size {
		t.Errorf("checkpoint: %+v, %v; want size %d", cp, err, head.Size)
	}
}

func copyFile(t testing.TB, from, to string) {
	t.Helper()
	src, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	dst, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(dst, src); err != nil {
		t.Fatal(err)
	}
	if err := dst.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestAStorePutBackFromAnOlderCopyLocksNothing(t *testing.T) {
	ctx := context.Background()
	folder := t.TempDir()
	path := t.TempDir() + "/w.db"
	first := wt.SQLite(t, path)
	b := wt.New(t, wt.Stores{Store: first, Blobs: wt.Disk(t, folder)})
	lead := b.Phone("lead")
	end := func(s *workflow.Service, job string) error {
		v, err := s.View(ctx, lead.ID, job)
		if err != nil {
			return err
		}
		_, err = s.EndJob(ctx, lead.ID, job, lead.Make(job, wt.Ended(v, "storm")), "")
		return err
	}
	for _, job := range []string{"j1", "j2", "j3"} {
		b.Job(job)
	}
	if err := end(b.Service(), "j1"); err != nil {
		t.Fatal(err)
	}
	if err := first.Close(); err != nil { // the backup: the file as it is when nobody writes
		t.Fatal(err)
	}
	old := t.TempDir() + "/old.db"
	copyFile(t, path, old)
	s := b.AddService(wt.Stores{Store: wt.SQLite(t, path), Blobs: wt.Disk(t, folder)})
	if err := end(s, "j2"); err != nil {
		t.Fatal(err)
	}
	restored := b.AddService(wt.Stores{Store: wt.SQLite(t, old), Blobs: wt.Disk(t, folder)})
	wantReason(t, "lock over the older copy", end(restored, "j3"), "LOG_BEHIND_CHECKPOINT")
	wantReason(t, "the same lock again over the older copy", end(restored, "j2"), "LOG_BEHIND_CHECKPOINT")
	if err := end(s, "j3"); err != nil {
		t.Errorf("lock over the newer store: %v", err)
	}
}

func TestTwoServersSignTwoJobsAtOnce(t *testing.T) {
	ctx := context.Background()
	b := wt.New(t, wt.Company(t, 2)...)
	leads := []*wt.Phone{b.Phone("lead"), b.Phone("lead2")}
	const rounds = 5
	for i := range rounds {
		var wg sync.WaitGroup
		for k, s := range b.Services {
			job := b.Job(fmt.Sprintf("j%d-%d", i, k))
			v := b.View(leads[k].ID, job)
			sub := leads[k].Make(job, wt.Ended(v, "storm"))
			wg.Go(func() {
				if _, err := s.EndJob(ctx, leads[k].ID, job, sub, ""); err != nil {
					t.Errorf("%s: %v", job, err)
				}
			})
		}
		wg.Wait()
	}
	head, _, err := b.Any().Checkpoint(ctx, wt.Org)
	if err != nil || head.Size != 2*rounds {
		t.Fatalf("log: %d leaves, %v; want %d", head.Size, err, 2*rounds)
	}
	verified(t, b, "j0-0")
	verified(t, b, "j4-1")
}

func TestEightPhonesSendToOneJobThroughTwoServers(t *testing.T) {
	b := wt.New(t, wt.Company(t, 2)...)
	job := b.Job("j1")
	var phones []*wt.Phone
	for i := range 8 {
		phones = append(phones, b.Phone([]string{"climber", "climber2", "lead", "lead2"}[i%4]))
	}
	var mu sync.Mutex
	var ids []string
	var wg sync.WaitGroup
	for k, p := range phones {
		wg.Go(func() {
			for i := range 6 {
				var mine []string
				for j := range 4 {
					mine = append(mine, p.Say(job, wt.Note(fmt.Sprintf("phone %d, batch %d, entry %d", k, i, j))))
				}
				again := slices.Clone(p.Outbox[job])
				for range 20 { // ABORTED when others were faster eight times: send again
					if _, err := p.TrySend(b.Services[(k+i)%2], job); err == nil {
						break
					} else if kind := errs.KindOf(err); kind != errs.Stale && kind != errs.Unavailable {
						t.Error(err)
						return
					}
				}
				if len(p.Outbox[job]) > 0 {
					t.Errorf("phone %d: batch %d was never taken", k, i)
					return
				}
				p.Outbox[job] = again // twice, by the other server
				if rs, err := p.TrySend(b.Services[(k+i+1)%2], job); err == nil {
					for _, r := range rs {
						if r.Outcome != workflow.AlreadyKnown {
							t.Errorf("sent twice: %+v; want it known", r)
						}
					}
				}
				p.Outbox[job] = nil
				mu.Lock()
				ids = append(ids, mine...)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	lead := phones[2]
	for _, k := range []string{record.ChainGap, record.ChainBroken, record.ChainForked} {
		if slices.Contains(exceptions(b.View(lead.ID, job)), k) {
			t.Errorf("exception %s after phones sent at once", k)
		}
	}
	if _, err := b.Any().EndJob(context.Background(), lead.ID, job, lead.Make(job, wt.Ended(b.View(lead.ID, job), "end")), ""); err != nil {
		t.Fatal(err)
	}
	sealed(t, b, job, ids)
}

func TestFiftyPhonesUploadAtOnceAndMemoryStaysFlat(t *testing.T) {
	b := embedded(t)
	job := b.Job("j1")
	p := b.Phone("climber")
	upload := func(n, size int) uint64 {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		var wg sync.WaitGroup
		for i := range n {
			data := make([]byte, size)
			copy(data, fmt.Sprintf("%d of %d, %d bytes", i, n, size))
			wg.Go(func() {
				u, err := p.Upload(b.Service(), job, workflow.PurposePhoto, data, 64<<10)
				if err != nil || u.State != "stored" {
					t.Errorf("upload %d: %q, %v", i, u.State, err)
				}
			})
		}
		wg.Wait()
		runtime.GC()
		runtime.ReadMemStats(&after)
		return max(after.HeapAlloc, before.HeapAlloc) - before.HeapAlloc
	}
	upload(5, 10_000) // what is made once
	if grown := upload(50, 200_000); grown > 5_000_000 {
		t.Errorf("after 50 uploads of 200 kB the heap keeps %d bytes more; want under half of what was sent", grown)
	}
	if n := count(t, b, job, func(e *recordv1.Entry) bool { return e.GetPhotoReceived() != nil }); n != 55 {
		t.Errorf("'photo received' lines: %d; want 55", n)
	}
}

func TestAWorkerFindsAnEntryThatCameAfterItsBytes(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	climb := crew.Climb(job)
	pic, tr := wt.Picture(1), trace(t, "two-reflectors.s1p")
	for purpose, data := range map[string][]byte{workflow.PurposePhoto: pic, workflow.PurposeTrace: tr} {
		if _, err := crew.Climber.Upload(b.Any(), job, purpose, data, 1<<20); err != nil {
			t.Fatal(err)
		}
	}
	b.Drain()
	crew.Climber.Now(job, wt.Photo(climb, pic))
	crew.Climber.Now(job, wt.Trace(tr))
	b.Drain()
	v := b.View(b.Office, job)
	if got := stateOf(t, v, wt.PhotoStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("photo whose bytes came first: %v; want complete", got)
	}
	if got := stateOf(t, v, wt.TraceStep); got == recordv1.StepState_WAITING || got == recordv1.StepState_OPEN {
		t.Errorf("trace whose bytes came first: %v; want it judged", got)
	}
}

func TestAPhotoThatArrivesAfterTheLockIsAnAddendumOnce(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	late := wt.Picture(2)
	crew.Lead.SignOff(job)
	for range 2 {
		if _, err := crew.Climber.Upload(b.Any(), job, workflow.PurposePhoto, late, 1<<20); err != nil {
			t.Fatal(err)
		}
		b.Drain()
	}
	if v := b.View(b.Office, job); v.Row.AddendumCount != 2 {
		t.Errorf("addenda: %d; want 'photo received' and 'photo examined' once each", v.Row.AddendumCount)
	}
	verified(t, b, job)
}

func TestAPictureUsedForTwoJobsIsNamedInWords(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	one, two := b.Job("j1"), b.Job("j2")
	pic := wt.Picture(1)
	for _, job := range []string{one, two} {
		climb := crew.Climb(job)
		crew.Climber.Now(job, wt.Photo(climb, pic))
		if _, err := crew.Climber.Upload(b.Any(), job, workflow.PurposePhoto, pic, 1<<20); err != nil {
			t.Fatal(err)
		}
		b.Drain()
	}
	var said []string
	for _, l := range lines(t, b, two) {
		for _, f := range l.Fold.Entry.GetPhotoExamined().GetFindings() {
			if f.GetCode() == "PHOTO_SAME_BYTES" {
				said = append(said, f.GetSentence())
			}
		}
	}
	want := "Exactly the same photo is already here: the photo of A1 top"
	if len(said) != 1 || len(said[0]) < len(want) || said[0][:len(want)] != want {
		t.Errorf("finding: %q; want one that begins %q", said, want)
	}
}

func TestAJobThatMovesWhileItsPackageIsMade(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	crew.Lead.SignOff(job)
	crew.Climber.Try(job, wt.Note("late"))
	pkg, _, err := b.Any().Package(ctx, b.Office, job, nil)
	if err != nil {
		t.Fatal(err)
	}
	crew.Climber.Try(job, wt.Note("later still")) // between preparing and writing
	if err := pkg.Write(ctx, io.Discard); err != nil {
		t.Errorf("write while an addendum arrives: %v", err)
	}
	var wg sync.WaitGroup // several at once seal the same addenda
	for range 4 {
		wg.Go(func() {
			if _, _, err := b.Service().Package(ctx, b.Office, job, nil); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if r := verified(t, b, job); r.Addenda != 2 {
		t.Errorf("addenda: %d; want 2", r.Addenda)
	}
}
