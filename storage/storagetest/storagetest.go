// Package storagetest holds the proof of the storage.Store contract: one suite
// for every backend, a wrapper that makes calls fail, and benchmarks.
package storagetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
)

// Open makes a fresh, empty database and returns two stores over it, as two
// servers would have them. Both are closed with the test.
type Open func(tb testing.TB) (one, two storage.Store)

// Run holds a backend to the contract. The calls of each test go to the two
// stores in turns, so that nothing can be kept in the memory of one.
func Run(t *testing.T, open Open) {
	for _, tc := range []struct {
		name string
		test func(t *testing.T, s storage.Store)
	}{
		{"ping and schema", testPing},
		{"organisations", testOrganizations},
		{"documents", testDocuments},
		{"sessions", testSessions},
		{"codes", testCodes},
		{"keys", testKeys},
		{"attempts", testAttempts},
		{"procedures", testProcedures},
		{"jobs", testJobs},
		{"lists of jobs", testListJobs},
		{"append", testAppend},
		{"append with what goes with it", testAppendExtras},
		{"refused entries", testRefused},
		{"device heads and unsent work", testDevices},
		{"lines in pages", testLines},
		{"lock", testLock},
		{"addenda", testAddenda},
		{"log nodes", testLogNodes},
		{"uploads", testUploads},
		{"blobs", testBlobs},
		{"queue of examinations", testExamine},
		{"outbox", testOutbox},
		{"queue of retention", testRetain},
		{"custody", testCustody},
		{"photo hashes", testPhotoHashes},
		{"nothing of another organisation", testOtherOrganization},
		{"text that cannot be stored", testText},
		{"cancelled before it begins", testCancelled},
		{"append and lock under faults", testFaults},
	} {
		t.Run(tc.name, func(t *testing.T) {
			one, two := open(t)
			tc.test(t, alternating(one, two))
		})
	}
	t.Run("two stores append to one job", func(t *testing.T) { testConcurrentAppend(t, open) })
	t.Run("two stores lock jobs of one organisation", func(t *testing.T) { testConcurrentLock(t, open) })
	t.Run("two stores take from one queue", func(t *testing.T) { testConcurrentTake(t, open) })
	t.Run("two stores use one code and one request id", func(t *testing.T) { testConcurrentOnce(t, open) })
}

// alternating sends every other call to the other store.
func alternating(one, two storage.Store) storage.Store {
	var n atomic.Int64
	return &wrapper{
		pick: func() storage.Store {
			if n.Add(1)%2 == 0 {
				return two
			}
			return one
		},
		fault: func(string) (bool, error) { return false, nil },
	}
}

// ---- what the tests say things with ----

var (
	ctx  = context.Background()
	noon = time.Date(2026, 3, 2, 12, 0, 0, 123e6, time.UTC)
)

const org = "north"

func sum(s string) [32]byte { return sha256.Sum256([]byte(s)) }

func must(t testing.TB, what string, err error) {
	t.Helper()
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

// wantErr checks kind and reason.
func wantErr(t testing.TB, what string, err error, kind errs.Kind, reason string) {
	t.Helper()
	if errs.KindOf(err) != kind || errs.ReasonOf(err) != reason {
		t.Errorf("%s: got error %v (kind %d, reason %q); want kind %d, reason %q", what, err, errs.KindOf(err), errs.ReasonOf(err), kind, reason)
	}
}

func same(t testing.TB, what string, got, want any) {
	t.Helper()
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
		t.Errorf("%s: got (+), want (-):\n%s", what, d)
	}
}

// seed makes organisations with one procedure each.
func seed(t testing.TB, s storage.Store, orgs ...string) {
	t.Helper()
	for _, o := range orgs {
		must(t, "CreateOrganization", s.CreateOrganization(ctx, storage.Organization{ID: o, Title: "Org " + o, CreateTime: noon}))
		_, err := s.PutProcedure(ctx, o, procedure("p1", "1", 0))
		must(t, "PutProcedure", err)
	}
}

func procedure(id, revision string, hours int) storage.Procedure {
	doc := []byte("procedure: " + id + " " + revision)
	return storage.Procedure{ID: id, Digest: sha256.Sum256(doc), Revision: revision, Title: "Procedure " + id,
		Document: doc, CreateTime: noon.Add(time.Duration(hours) * time.Hour)}
}

func newJob(id string) storage.Job {
	return storage.Job{ID: id, Title: "Job " + id, Site: "s1", SiteTitle: "Ridge 7", Zone: "Etc/UTC", Procedure: "p1",
		ProcedureDigest: procedure("p1", "1", 0).Digest, State: storage.JobOpen, People: []string{"zoe", "abe"}, Day: "2026-03-02",
		CreateTime: noon, Root: seal.EmptyRoot(), AddendumRoot: seal.EmptyRoot(), LogIndex: -1}
}

func makeJob(t testing.TB, s storage.Store, o, id string) storage.Job {
	t.Helper()
	j, err := s.CreateJob(ctx, o, newJob(id), nil, "")
	must(t, "CreateJob", err)
	return j
}

// line is line seq of a job, with an entry id of its own.
func line(job string, seq int64) storage.NewLine {
	id := fmt.Sprintf("%s-%d", job, seq)
	return storage.NewLine{Seq: seq, EntryID: id, PayloadDigest: sum(id), Device: "d1", Counter: seq,
		Line: fmt.Appendf(nil, `{"seq":%d,"id":%q}`, seq, id), ReceiveTime: noon.Add(time.Duration(seq) * time.Second)}
}

func lines(job string, from, to int64) []storage.NewLine {
	var ls []storage.NewLine
	for seq := from; seq <= to; seq++ {
		ls = append(ls, line(job, seq))
	}
	return ls
}

// step is an Append of lines after+1 to to; its root tells how far it went.
func step(job string, after, to int64) storage.Append {
	return storage.Append{After: after, Lines: lines(job, after+1, to), Root: sum(fmt.Sprint("root ", to)),
		Compact: fmt.Appendf(nil, "tree of %d", to), State: storage.JobOpen}
}

// logAppend adds a leaf to the log as its head is now.
func logAppend(t testing.TB, s storage.Store, o, leaf string) storage.LogAppend {
	t.Helper()
	h, err := s.GetLogHead(ctx, o)
	must(t, "GetLogHead", err)
	l, err := grow(h, leaf)
	must(t, "grow the log", err)
	return l
}

func grow(h storage.LogHead, leaf string) (storage.LogAppend, error) {
	tree := seal.NewTree()
	if h.Size > 0 {
		var err error
		if tree, err = seal.ResumeTree(h.Compact); err != nil {
			return storage.LogAppend{}, err
		}
	}
	l := storage.LogAppend{After: h.Size, Leaf: []byte(leaf)}
	err := tree.Append(seal.LeafHash(l.Leaf), func(id seal.NodeID, hash seal.Hash) {
		l.Nodes = append(l.Nodes, storage.Node{Level: uint32(id.Level), Index: id.Index, Hash: hash})
	})
	l.Compact, l.Root = tree.State(), tree.Root()
	l.Checkpoint = fmt.Appendf(nil, "checkpoint %d %x", tree.Size(), l.Root)
	return l, err
}

// lockOf is the lock of a job that has after lines.
func lockOf(job string, after int64, l storage.LogAppend) storage.Lock {
	return storage.Lock{After: after, Lines: lines(job, after+1, after+2), Root: sum("locked"), Compact: []byte("last"),
		State: storage.JobLocked, Names: []byte(`{"abe":"A. Climber"}`), LockTime: noon.Add(time.Hour), Log: l}
}

func lockJob(t testing.TB, s storage.Store, o, job string) storage.Job {
	t.Helper()
	j, err := s.GetJob(ctx, o, job)
	must(t, "GetJob", err)
	j, err = s.Lock(ctx, o, job, lockOf(job, j.LineCount, logAppend(t, s, o, "leaf of "+job)))
	must(t, "Lock", err)
	return j
}

// stored returns the lines of a list as they were stored.
func stored(t testing.TB, s storage.Store, o, job string, list storage.List) [][]byte {
	t.Helper()
	ls, err := s.Lines(ctx, o, job, list, 0, 1_000_000, 0)
	must(t, "Lines", err)
	var all [][]byte
	for i, l := range ls {
		if l.Seq != int64(i)+1 {
			t.Errorf("line %d of %s has seq %d; want %d", i, job, l.Seq, i+1)
		}
		all = append(all, l.Line)
	}
	return all
}

// checkLog holds what is stored of a log against itself: leaves 0, 1, 2 … hash
// to the head's root by RFC 9162 section 2.1, computed anew from all of them.
func checkLog(t testing.TB, s storage.Store, o string, want int) {
	t.Helper()
	h, err := s.GetLogHead(ctx, o)
	must(t, "GetLogHead", err)
	ls, err := s.LogLeaves(ctx, o, "", -1, 1_000_000)
	must(t, "LogLeaves", err)
	if h.Size != int64(want) || len(ls) != want {
		t.Errorf("log has size %d and %d leaves; want %d", h.Size, len(ls), want)
	}
	root, _ := seal.RootOf(func(yield func([]byte) bool) {
		for i, l := range ls {
			if l.Index != int64(i) {
				t.Errorf("leaf %d has index %d", i, l.Index)
			}
			if !yield(l.Leaf) {
				return
			}
		}
	})
	if root != seal.Hash(h.Root) {
		t.Errorf("root of the stored leaves is %x; the head says %x", root, h.Root)
	}
}

var errFault = errors.New("storagetest: fault")

// testFaults locks two jobs through a store whose calls fail, lost or landed, at
// every position, and looks whether a caller that only repeats ends in the
// state that it would have reached undisturbed.
func testFaults(t *testing.T, s storage.Store) {
	seed(t, s, org)
	locks := 0
	for _, landed := range []bool{false, true} {
		for position := range 4 {
			job := fmt.Sprintf("j-%v-%d", landed, position)
			makeJob(t, s, org, job)
			calls, failed := 0, 0
			faulty := Faulty(s, func(op string) (bool, error) {
				if op != "Append" && op != "Lock" {
					return false, nil
				}
				calls++
				if calls-1 == position || calls-2 == position { // twice in a row
					failed++
					return landed, fmt.Errorf("%w: %s", errFault, op)
				}
				return false, nil
			})
			again := func(what string, f func() error) {
				for range 5 {
					err := f()
					if err == nil {
						return
					}
					if !errors.Is(err, errFault) {
						t.Fatalf("%s under faults (landed %v, position %d): %v", what, landed, position, err)
					}
				}
				t.Fatalf("%s under faults: never done", what)
			}
			for n := range int64(3) {
				again("Append", func() error {
					a := step(job, n*2, n*2+2)
					a.Refused = []storage.Refused{{Digest: sum(fmt.Sprint("bad ", n)), Payload: []byte("bad"), Device: "d1", ReceiveTime: noon}}
					_, err := faulty.Append(ctx, org, job, a)
					return err
				})
			}
			l := lockOf(job, 6, logAppend(t, s, org, "leaf of "+job))
			again("Lock", func() error {
				_, err := faulty.Lock(ctx, org, job, l)
				return err
			})
			locks++
			if failed != 2 {
				t.Fatalf("position %d: %d calls were made to fail; want 2", position, failed)
			}
			j, err := s.GetJob(ctx, org, job)
			must(t, "GetJob", err)
			if j.State != storage.JobLocked || j.LineCount != 8 || j.RefusedCount != 3 || j.LogIndex != int64(locks-1) {
				t.Errorf("landed %v, position %d: job ended %s with %d lines, %d refused, log index %d; want locked, 8, 3, %d",
					landed, position, j.State, j.LineCount, j.RefusedCount, j.LogIndex, locks-1)
			}
			var want [][]byte
			for _, l := range lines(job, 1, 8) {
				want = append(want, l.Line)
			}
			same(t, "lines after faults", stored(t, s, org, job, storage.ListRecord), want)
			checkLog(t, s, org, locks)
		}
	}
}

func testPing(t *testing.T, s storage.Store) {
	must(t, "Ping", s.Ping(ctx))
	have, want, err := s.SchemaVersion(ctx)
	if err != nil || have != want || want < 3 {
		t.Errorf("SchemaVersion = %d, %d, %v; want the same number twice", have, want, err)
	}
}

func testText(t *testing.T, s storage.Store) {
	seed(t, s, org)
	for _, bad := range []string{"a\x00b", "\xff", "\xed\xa0\x80"} {
		_, err := s.GetJob(ctx, org, bad)
		wantErr(t, fmt.Sprintf("GetJob of %q", bad), err, errs.Invalid, "TEXT_NOT_UTF8")
		_, err = s.GetJob(ctx, bad, "j")
		wantErr(t, fmt.Sprintf("GetJob in %q", bad), err, errs.Invalid, "TEXT_NOT_UTF8")
		j := newJob("j")
		j.Title = bad
		_, err = s.CreateJob(ctx, org, j, nil, "")
		wantErr(t, fmt.Sprintf("CreateJob with title %q", bad), err, errs.Invalid, "TEXT_NOT_UTF8")
	}
	// What looks like SQL, and every odd character, comes back as it was.
	j := newJob(`'; DROP TABLE line; -- $1 ?2 "x" % _ \ ` + "\t\r\n Ångström ℃ 🗼")
	j.Names = bytes.Repeat([]byte{0, 255, '\'', '$'}, 50)
	made, err := s.CreateJob(ctx, org, j, nil, "")
	must(t, "CreateJob", err)
	got, err := s.GetJob(ctx, org, j.ID)
	must(t, "GetJob", err)
	same(t, "a job with odd text", got, made)
	same(t, "its names", got.Names, j.Names)
}

func testCancelled(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j")
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.Append(cancelled, org, "j", step("j", 0, 2)); !errors.Is(err, context.Canceled) {
		t.Errorf("Append with a cancelled context = %v; want context.Canceled", err)
	}
	if got := stored(t, s, org, "j", storage.ListRecord); len(got) != 0 {
		t.Errorf("a cancelled Append stored %d lines", len(got))
	}
	must(t, "the store after a cancelled call", s.Ping(ctx))
}
