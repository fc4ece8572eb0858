package storagetest

import (
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
)

func testJobs(t *testing.T, s storage.Store) {
	seed(t, s, org)
	j := newJob("j1")
	j.Follows, j.Root, j.Compact = "j0", sum("root"), []byte("tree")
	want := j
	want.LineCount = 2
	made, err := s.CreateJob(ctx, org, j, lines("j1", 1, 2), "request 1")
	must(t, "CreateJob", err)
	same(t, "CreateJob", made, want)
	got, err := s.GetJob(ctx, org, "j1")
	must(t, "GetJob", err)
	same(t, "GetJob", got, want)
	_, err = s.GetJob(ctx, org, "j9")
	wantErr(t, "GetJob unknown", err, errs.NotFound, "JOB_NOT_FOUND")

	made, err = s.CreateJob(ctx, org, newJob("j2"), nil, "request 1")
	must(t, "CreateJob with a known request id", err)
	same(t, "CreateJob with a known request id", made, want)
	_, err = s.GetJob(ctx, org, "j2")
	wantErr(t, "what a repeated request would have made", err, errs.NotFound, "JOB_NOT_FOUND")
	_, err = s.CreateJob(ctx, org, newJob("j1"), nil, "")
	wantErr(t, "CreateJob again", err, errs.Exists, "JOB_EXISTS")
	taken := line("j1", 1)
	_, err = s.CreateJob(ctx, org, newJob("j2"), []storage.NewLine{taken}, "request 2")
	wantErr(t, "CreateJob with an entry of another job", err, errs.Exists, "ENTRY_ID_REUSED")
	_, err = s.GetJob(ctx, org, "j2")
	wantErr(t, "a job whose first line was refused", err, errs.NotFound, "JOB_NOT_FOUND")
	_, err = s.CreateJob(ctx, org, newJob("j2"), lines("j2", 2, 3), "")
	wantErr(t, "CreateJob that begins at line 2", err, errs.Invalid, "LINE_SEQ")
	j = newJob("j2")
	j.ProcedureDigest = sum("unknown")
	_, err = s.CreateJob(ctx, org, j, nil, "")
	wantErr(t, "CreateJob with an unknown revision", err, errs.NotFound, "PROCEDURE_NOT_FOUND")
	j = newJob("j2")
	j.State = storage.JobLocked
	_, err = s.CreateJob(ctx, org, j, nil, "")
	wantErr(t, "CreateJob that is locked", err, errs.Invalid, "JOB_STATE")
	_, err = s.CreateJob(ctx, "nobody", newJob("j2"), nil, "")
	wantErr(t, "CreateJob in no organisation", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")

	// What a caller sets that is the store's to say has no effect.
	j = newJob("j3")
	j.State, j.LineCount, j.LogIndex, j.AddendumSealed, j.RefusedCount, j.LockTime = "", 7, 7, 7, 7, noon
	made, err = s.CreateJob(ctx, org, j, nil, "request 2")
	must(t, "CreateJob after a refused call with its request id", err)
	same(t, "CreateJob with nonsense in the head", made, newJob("j3"))

	want.People, want.Day = []string{"mia", "abe"}, ""
	made, err = s.AssignJob(ctx, org, "j1", []string{"mia", "abe", "mia"}, "")
	must(t, "AssignJob", err)
	same(t, "AssignJob", made, want)
	made, err = s.AssignJob(ctx, org, "j1", nil, "2026-03-09")
	must(t, "AssignJob to nobody", err)
	if len(made.People) != 0 || made.Day != "2026-03-09" {
		t.Errorf("AssignJob to nobody = %v on %q", made.People, made.Day)
	}
	_, err = s.AssignJob(ctx, org, "j9", nil, "")
	wantErr(t, "AssignJob unknown", err, errs.NotFound, "JOB_NOT_FOUND")
}

func testListJobs(t *testing.T, s storage.Store) {
	seed(t, s, org)
	for _, v := range []struct {
		id, site, day string
		minutes       int
		people        []string
		state         storage.JobState
	}{
		{"a", "s1", "2026-03-02", 0, []string{"abe", "zoe"}, storage.JobOpen},
		{"b", "s2", "2026-03-02", 0, []string{"zoe"}, storage.JobFinished},
		{"c", "s1", "2026-03-03", 5, nil, storage.JobOpen},
		{"d", "s3", "", 9, []string{"abe"}, storage.JobOpen},
	} {
		j := newJob(v.id)
		j.Site, j.Day, j.People, j.State, j.CreateTime = v.site, v.day, v.people, v.state, noon.Add(time.Duration(v.minutes)*time.Minute)
		_, err := s.CreateJob(ctx, org, j, nil, "")
		must(t, "CreateJob", err)
	}
	lockJob(t, s, org, "d")
	at := func(minutes int) time.Time { return noon.Add(time.Duration(minutes) * time.Minute) }
	for _, tc := range []struct {
		name       string
		filter     storage.JobFilter
		beforeTime time.Time
		beforeID   string
		limit      int
		want       string
	}{
		{"all, newest first", storage.JobFilter{}, time.Time{}, "", 9, "d c b a"},
		{"a page", storage.JobFilter{}, time.Time{}, "", 2, "d c"},
		{"the next page", storage.JobFilter{}, at(5), "c", 2, "b a"},
		{"after one of the same time", storage.JobFilter{}, at(0), "b", 9, "a"},
		{"after a place where no job is", storage.JobFilter{}, at(7), "x", 9, "c b a"},
		{"my jobs", storage.JobFilter{Person: "abe"}, time.Time{}, "", 9, "d a"},
		{"my jobs today", storage.JobFilter{Person: "zoe", Day: "2026-03-02"}, time.Time{}, "", 9, "b a"},
		{"nobody's jobs", storage.JobFilter{Person: "nobody"}, time.Time{}, "", 9, ""},
		{"of a site", storage.JobFilter{Site: "s1"}, time.Time{}, "", 9, "c a"},
		{"of a state", storage.JobFilter{State: storage.JobLocked}, time.Time{}, "", 9, "d"},
		{"scoped to jobs", storage.JobFilter{Jobs: []string{"a", "d", "none"}}, time.Time{}, "", 9, "d a"},
		{"scoped to no job", storage.JobFilter{Jobs: []string{}}, time.Time{}, "", 9, ""},
		{"scoped to sites", storage.JobFilter{Sites: []string{"s1", "s2"}}, time.Time{}, "", 9, "c b a"},
		{"scoped to no site", storage.JobFilter{Sites: []string{}}, time.Time{}, "", 9, ""},
		{"from a time on", storage.JobFilter{From: at(5)}, time.Time{}, "", 9, "d c"},
		{"before a time", storage.JobFilter{To: at(5)}, time.Time{}, "", 9, "b a"},
		{"everything at once", storage.JobFilter{Person: "abe", Day: "2026-03-02", Site: "s1", State: storage.JobOpen, Jobs: []string{"a", "c"},
			Sites: []string{"s1"}, From: at(0), To: at(1)}, at(1), "zzz", 9, "a"},
		{"no limit is none", storage.JobFilter{}, time.Time{}, "", 0, ""},
	} {
		js, err := s.ListJobs(ctx, org, tc.filter, tc.beforeTime, tc.beforeID, tc.limit)
		must(t, tc.name, err)
		got := ""
		for i, j := range js {
			if i > 0 {
				got += " "
			}
			got += j.ID
		}
		if got != tc.want {
			t.Errorf("ListJobs %s = %q; want %q", tc.name, got, tc.want)
		}
		for _, j := range js {
			single, err := s.GetJob(ctx, org, j.ID)
			must(t, "GetJob", err)
			same(t, "a job in a list", j, single)
		}
	}
}

func testAppend(t *testing.T, s storage.Store) {
	seed(t, s, org)
	want := makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")

	a := step("j1", 0, 3)
	a.State = storage.JobFinished
	got, err := s.Append(ctx, org, "j1", a)
	must(t, "Append", err)
	want.LineCount, want.Root, want.Compact, want.State = 3, a.Root, a.Compact, storage.JobFinished
	same(t, "Append", got, want)

	b := step("j1", 3, 5)
	b.State = ""
	got, err = s.Append(ctx, org, "j1", b)
	must(t, "Append", err)
	want.LineCount, want.Root, want.Compact = 5, b.Root, b.Compact
	same(t, "Append that leaves the state", got, want)

	// A replay is told by its bytes, wherever the head is by now.
	for name, replay := range map[string]storage.Append{"first": a, "last": b} {
		replay.Root = sum("whatever")
		got, err := s.Append(ctx, org, "j1", replay)
		must(t, "replay of the "+name, err)
		same(t, "replay of the "+name, got, want)
	}

	for _, tc := range []struct {
		name   string
		job    string
		change func(a *storage.Append)
		kind   errs.Kind
		reason string
	}{
		{"an unknown job", "j9", func(*storage.Append) {}, errs.NotFound, "JOB_NOT_FOUND"},
		{"an old head", "j1", func(a *storage.Append) { *a = step("j1", 4, 6); a.Lines[1].EntryID = "new" }, errs.Stale, "HEAD_MOVED"},
		{"a head to come", "j1", func(a *storage.Append) { *a = step("j1", 6, 7) }, errs.Stale, "HEAD_MOVED"},
		{"other bytes at a known place", "j1", func(a *storage.Append) { *a = step("j1", 3, 5); a.Lines[0].Line = []byte("other") }, errs.Stale, "HEAD_MOVED"},
		{"part of a replay and more", "j1", func(a *storage.Append) { *a = step("j1", 4, 7) }, errs.Stale, "HEAD_MOVED"},
		{"an id of this record", "j1", func(a *storage.Append) { a.Lines[0].EntryID = "j1-2" }, errs.Exists, "ENTRY_ID_REUSED"},
		{"an id of this record, the last of a batch", "j1", func(a *storage.Append) { a.Lines[1].EntryID = "j1-2" }, errs.Exists, "ENTRY_ID_REUSED"},
		{"an id twice in a batch", "j1", func(a *storage.Append) { a.Lines[1].EntryID = a.Lines[0].EntryID }, errs.Exists, "ENTRY_ID_REUSED"},
		{"an id of another job", "j2", func(a *storage.Append) { *a = step("j2", 0, 2); a.Lines[1].EntryID = "j1-1" }, errs.Exists, "ENTRY_ID_REUSED"},
		{"a gap in seq", "j1", func(a *storage.Append) { a.Lines[1].Seq++ }, errs.Invalid, "LINE_SEQ"},
		{"seq from 0", "j2", func(a *storage.Append) { a.After = -1; a.Lines = []storage.NewLine{line("j2", 0)} }, errs.Invalid, "LINE_SEQ"},
		{"no entry id", "j1", func(a *storage.Append) { a.Lines[0].EntryID = "" }, errs.Invalid, "LINE_WITHOUT_ENTRY"},
		{"an empty line", "j1", func(a *storage.Append) { a.Lines[0].Line = nil }, errs.Invalid, "LINE_BYTES"},
		{"a line break in a line", "j1", func(a *storage.Append) { a.Lines[0].Line = []byte("{}\n") }, errs.Invalid, "LINE_BYTES"},
		{"a negative counter", "j1", func(a *storage.Append) { a.Lines[0].Counter = -1 }, errs.Invalid, "LINE_COUNTER"},
		{"a state that only a lock gives", "j1", func(a *storage.Append) { a.State = storage.JobLocked }, errs.Invalid, "JOB_STATE"},
		{"a state that is none", "j1", func(a *storage.Append) { a.State = "closed" }, errs.Invalid, "JOB_STATE"},
		{"admitting what was not refused", "j1", func(a *storage.Append) { a.AdmitDigest, a.AdmitSeq = sum("x"), 6 }, errs.NotFound, "REFUSED_NOT_FOUND"},
		{"an outbox item for no job", "j1", func(a *storage.Append) { a.Outbox = []storage.OutboxItem{{ID: "o", Job: "j9"}} }, errs.NotFound, "JOB_NOT_FOUND"},
	} {
		a := step("j1", 5, 7)
		tc.change(&a)
		got, err := s.Append(ctx, org, tc.job, a)
		wantErr(t, "Append with "+tc.name, err, tc.kind, tc.reason)
		same(t, "job returned with an error", got, storage.Job{})
	}
	got, err = s.GetJob(ctx, org, "j1")
	must(t, "GetJob", err)
	same(t, "the job after refused appends", got, want)
	if n := len(stored(t, s, org, "j1", storage.ListRecord)); n != 5 {
		t.Errorf("%d lines after refused appends; want 5", n)
	}
	if n := len(stored(t, s, org, "j2", storage.ListRecord)); n != 0 {
		t.Errorf("%d lines in the other job; want none", n)
	}
	refs, err := s.FindEntries(ctx, org, []string{"j1-1", "j1-5", "j1-6", "new", ""})
	must(t, "FindEntries", err)
	same(t, "FindEntries", refs, map[string]storage.EntryRef{
		"j1-1": {EntryID: "j1-1", Job: "j1", List: storage.ListRecord, Seq: 1, PayloadDigest: sum("j1-1")},
		"j1-5": {EntryID: "j1-5", Job: "j1", List: storage.ListRecord, Seq: 5, PayloadDigest: sum("j1-5")},
	})
	_, err = s.Append(ctx, org, "j1", step("j1", 5, 5+500))
	must(t, "Append of 500 lines", err)
}

func testAppendExtras(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")
	must(t, "EnqueueOutbox", s.EnqueueOutbox(ctx, org, []storage.OutboxItem{{ID: "o1", Job: "j1", CreateTime: noon}, {ID: "o2", Job: "j1", CreateTime: noon}}))
	a := step("j1", 0, 1)
	a.Refused = []storage.Refused{
		{Digest: sum("r1"), EntryID: "e", Payload: []byte("12345"), Signature: []byte{9}, KeyID: "k", Reason: "UNKNOWN_STEP", Sentence: "No such step.",
			Sender: "abe", Device: "d1", Counter: 4, ReceiveTime: noon},
		{Digest: sum("r1"), Payload: []byte("the same again")},
		{Digest: sum("r2"), Payload: []byte("123"), Device: "d2", ReceiveTime: noon},
	}
	a.Examine = []storage.ExamineItem{{ID: "x1", Job: "j1", Digest: sum("photo"), Purpose: "photo", Entry: "j1-1"}}
	a.Outbox = []storage.OutboxItem{{ID: "o3", Job: "j2", Payload: []byte("kit in doubt"), CreateTime: noon}}
	a.OutboxDone = []string{"o1", "gone"}
	j, err := s.Append(ctx, org, "j1", a)
	must(t, "Append", err)
	if j.RefusedCount != 2 || j.RefusedBytes != 8 {
		t.Errorf("job has %d refused, %d bytes; want 2 and 8", j.RefusedCount, j.RefusedBytes)
	}
	r, err := s.GetRefused(ctx, org, "j1", sum("r1"))
	must(t, "GetRefused", err)
	same(t, "the refused entry, as first kept", r, a.Refused[0])
	depths, err := s.QueueDepths(ctx)
	must(t, "QueueDepths", err)
	same(t, "QueueDepths", depths, map[string]int64{"examine": 1, "outbox": 2, "retain": 0})

	// A replay stores nothing of it again.
	must(t, "DoneOutbox", s.DoneOutbox(ctx, org, []string{"o3"}))
	again, err := s.Append(ctx, org, "j1", a)
	must(t, "replay", err)
	same(t, "replay", again, j)
	depths, err = s.QueueDepths(ctx)
	must(t, "QueueDepths", err)
	same(t, "QueueDepths after a replay", depths, map[string]int64{"examine": 1, "outbox": 1, "retain": 0})

	// Without lines: the record's head stays.
	only, err := s.Append(ctx, org, "j1", storage.Append{After: 1, Root: sum("no"), Refused: []storage.Refused{{Digest: sum("r3"), Payload: []byte("1")}},
		AdmitDigest: sum("r1"), AdmitSeq: 1})
	must(t, "Append without lines", err)
	j.RefusedCount, j.RefusedBytes = 3, 9
	same(t, "Append without lines", only, j)
	r, err = s.GetRefused(ctx, org, "j1", sum("r1"))
	must(t, "GetRefused", err)
	same(t, "admitted by line", r.AdmittedSeq, int64(1))
	_, err = s.Append(ctx, org, "j1", storage.Append{After: 0})
	wantErr(t, "Append without lines at an old head", err, errs.Stale, "HEAD_MOVED")
}

func testRefused(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	rs := []storage.Refused{
		{Digest: sum("b"), Payload: []byte("bb"), Device: "d1", ReceiveTime: noon},
		{Digest: sum("a"), Payload: []byte("a"), Device: "d2", ReceiveTime: noon.Add(time.Second)},
		{Digest: sum("c"), Device: "d1", ReceiveTime: noon.Add(2 * time.Second)},
	}
	must(t, "KeepRefused", s.KeepRefused(ctx, org, "j1", rs[1:]))
	must(t, "KeepRefused", s.KeepRefused(ctx, org, "j1", rs))
	wantErr(t, "KeepRefused of no job", s.KeepRefused(ctx, org, "j9", rs), errs.NotFound, "JOB_NOT_FOUND")
	got, err := s.ListRefused(ctx, org, "j1", 0, 9)
	must(t, "ListRefused", err)
	same(t, "ListRefused, by time", got, rs)
	got, err = s.ListRefused(ctx, org, "j1", 1, 1)
	must(t, "ListRefused", err)
	same(t, "ListRefused, a page", got, rs[1:2])
	_, err = s.GetRefused(ctx, org, "j1", sum("z"))
	wantErr(t, "GetRefused unknown", err, errs.NotFound, "REFUSED_NOT_FOUND")
	for _, tc := range []struct {
		device      string
		count, size int64
	}{{"d1", 2, 2}, {"d2", 1, 1}, {"d3", 0, 0}} {
		count, size, err := s.RefusedTotals(ctx, org, "j1", tc.device)
		if err != nil || count != tc.count || size != tc.size {
			t.Errorf("RefusedTotals(%q) = %d, %d, %v; want %d, %d", tc.device, count, size, err, tc.count, tc.size)
		}
	}
	lockJob(t, s, org, "j1")
	must(t, "KeepRefused of a locked job", s.KeepRefused(ctx, org, "j1", []storage.Refused{{Digest: sum("d"), Payload: []byte("4444")}}))
	j, err := s.GetJob(ctx, org, "j1")
	must(t, "GetJob", err)
	if j.RefusedCount != 4 || j.RefusedBytes != 7 {
		t.Errorf("job has %d refused, %d bytes; want 4 and 7", j.RefusedCount, j.RefusedBytes)
	}
}

func testDevices(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	head := func(device string, want int64, digest [32]byte) {
		t.Helper()
		n, d, err := s.DeviceHead(ctx, org, "j1", device)
		if err != nil || n != want || d != digest {
			t.Errorf("DeviceHead(%q) = %d, %x, %v; want %d, %x", device, n, d, err, want, digest)
		}
	}
	head("d1", 0, [32]byte{})
	a := step("j1", 0, 5)
	a.Lines[1].Counter = 9                        // out of order
	a.Lines[3].Device = "d2"                      // another device, at counter 4
	a.Lines[4].Device, a.Lines[4].Counter = "", 0 // the server's
	_, err := s.Append(ctx, org, "j1", a)
	must(t, "Append", err)
	head("d1", 9, sum("j1-2"))
	head("d2", 4, sum("j1-4"))
	head("", 0, [32]byte{})
	lockJob(t, s, org, "j1")
	late := storage.NewLine{Seq: 1, EntryID: "late", PayloadDigest: sum("late"), Device: "d2", Counter: 5, Line: []byte("late"), ReceiveTime: noon}
	fork := storage.NewLine{Seq: 2, EntryID: "fork", PayloadDigest: sum("fork"), Device: "d2", Counter: 5, Line: []byte("fork"), ReceiveTime: noon.Add(time.Second)}
	_, err = s.AppendAddenda(ctx, org, "j1", storage.AppendAddenda{Lines: []storage.NewLine{late, fork}})
	must(t, "AppendAddenda", err)
	head("d2", 5, sum("fork"))

	u := storage.Unsent{Device: "d1", Person: "abe", Count: 3, Time: noon}
	v := storage.Unsent{Device: "d0", Person: "zoe", Count: 1, Time: noon}
	must(t, "ReportUnsent", s.ReportUnsent(ctx, org, "j1", u))
	must(t, "ReportUnsent", s.ReportUnsent(ctx, org, "j1", v))
	u.Count, u.Time = 0, noon.Add(time.Minute)
	must(t, "ReportUnsent", s.ReportUnsent(ctx, org, "j1", u))
	must(t, "ReportUnsent, older", s.ReportUnsent(ctx, org, "j1", storage.Unsent{Device: "d1", Count: 99, Time: noon}))
	wantErr(t, "ReportUnsent of no job", s.ReportUnsent(ctx, org, "j9", u), errs.NotFound, "JOB_NOT_FOUND")
	got, err := s.Unsent(ctx, org, "j1")
	must(t, "Unsent", err)
	same(t, "Unsent", got, []storage.Unsent{v, u})
}

func testLines(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	_, err := s.Append(ctx, org, "j1", step("j1", 0, 5))
	must(t, "Append", err)
	each := int64(len(line("j1", 1).Line))
	for _, tc := range []struct {
		name     string
		job      string
		list     storage.List
		after    int64
		limit    int
		maxBytes int64
		from, to int64
	}{
		{"all", "j1", storage.ListRecord, 0, 9, 0, 1, 5},
		{"a page", "j1", storage.ListRecord, 1, 2, 1 << 20, 2, 3},
		{"so many bytes", "j1", storage.ListRecord, 0, 9, 3 * each, 1, 3},
		{"a byte less", "j1", storage.ListRecord, 0, 9, 3*each - 1, 1, 2},
		{"at least one", "j1", storage.ListRecord, 3, 9, 1, 4, 4},
		{"behind the end", "j1", storage.ListRecord, 5, 9, 0, 1, 0},
		{"no limit is none", "j1", storage.ListRecord, 0, 0, 0, 1, 0},
		{"the other list", "j1", storage.ListAddenda, 0, 9, 0, 1, 0},
		{"an unknown job", "j9", storage.ListRecord, 0, 9, 0, 1, 0},
	} {
		got, err := s.Lines(ctx, org, tc.job, tc.list, tc.after, tc.limit, tc.maxBytes)
		must(t, tc.name, err)
		var want []storage.Line
		for _, l := range lines("j1", tc.from, tc.to) {
			want = append(want, storage.Line{Seq: l.Seq, EntryID: l.EntryID, Line: l.Line, ReceiveTime: l.ReceiveTime})
		}
		same(t, "Lines, "+tc.name, got, want)
	}
}

func testLock(t *testing.T, s storage.Store) {
	seed(t, s, org)
	want := makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")
	checkLog(t, s, org, 0)
	h, err := s.GetLogHead(ctx, org)
	must(t, "GetLogHead", err)
	same(t, "head of a new log", h, storage.LogHead{Root: seal.EmptyRoot()})
	_, err = s.GetLogHead(ctx, "nobody")
	wantErr(t, "GetLogHead of nobody", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")
	_, err = s.Append(ctx, org, "j1", step("j1", 0, 3))
	must(t, "Append", err)

	good := func() storage.Lock { return lockOf("j1", 3, logAppend(t, s, org, "leaf of j1")) }
	for _, tc := range []struct {
		name   string
		job    string
		change func(l *storage.Lock)
		kind   errs.Kind
		reason string
	}{
		{"an unknown job", "j9", func(*storage.Lock) {}, errs.NotFound, "JOB_NOT_FOUND"},
		{"an old head", "j1", func(l *storage.Lock) { *l = lockOf("j1", 2, l.Log) }, errs.Stale, "HEAD_MOVED"},
		{"an old log", "j1", func(l *storage.Lock) { l.Log.After = 1 }, errs.Stale, "LOG_MOVED"},
		{"an old head and an old log", "j1", func(l *storage.Lock) { *l = lockOf("j1", 4, l.Log); l.Log.After = 1 }, errs.Stale, "HEAD_MOVED"},
		{"an id that is taken", "j1", func(l *storage.Lock) { l.Lines[1].EntryID = "j1-1" }, errs.Exists, "ENTRY_ID_REUSED"},
		{"a state that is no lock", "j1", func(l *storage.Lock) { l.State = storage.JobFinished }, errs.Invalid, "JOB_STATE"},
		{"no lines", "j1", func(l *storage.Lock) { l.Lines = nil }, errs.Invalid, "LOCK_WITHOUT_LINES"},
	} {
		l := good()
		tc.change(&l)
		_, err := s.Lock(ctx, org, tc.job, l)
		wantErr(t, "Lock with "+tc.name, err, tc.kind, tc.reason)
	}
	checkLog(t, s, org, 0)

	l := good()
	l.Retain = []storage.RetainItem{{ID: "r1", Job: "j1", Key: "key", VersionID: "v", Until: noon.Add(time.Hour), Digest: sum("photo")}}
	got, err := s.Lock(ctx, org, "j1", l)
	must(t, "Lock", err)
	want.LineCount, want.Root, want.Compact, want.State, want.Names, want.LockTime, want.LogIndex = 5, l.Root, l.Compact, storage.JobLocked, l.Names, l.LockTime, 0
	same(t, "Lock", got, want)
	got, err = s.Lock(ctx, org, "j1", l)
	must(t, "replay of a lock", err)
	same(t, "replay of a lock", got, want)
	got, err = s.Append(ctx, org, "j1", step("j1", 0, 3))
	must(t, "replay of an append after the lock", err)
	same(t, "replay of an append after the lock", got, want)
	checkLog(t, s, org, 1)

	other := lockOf("j1", 5, logAppend(t, s, org, "again"))
	_, err = s.Lock(ctx, org, "j1", other)
	wantErr(t, "Lock of a locked job", err, errs.WrongState, "RECORD_LOCKED")
	_, err = s.Append(ctx, org, "j1", step("j1", 5, 6))
	wantErr(t, "Append to a locked job", err, errs.WrongState, "RECORD_LOCKED")
	_, err = s.Append(ctx, org, "j1", storage.Append{After: 5, Refused: []storage.Refused{{Digest: sum("x")}}})
	wantErr(t, "Append of nothing to a locked job", err, errs.WrongState, "RECORD_LOCKED")

	// A lock prepared before another's must look again.
	stale := lockOf("j2", 0, l.Log)
	stale.State = storage.JobEnded
	_, err = s.Lock(ctx, org, "j2", stale)
	wantErr(t, "Lock with the log of before", err, errs.Stale, "LOG_MOVED")
	stale.Log = logAppend(t, s, org, "leaf of j2")
	got, err = s.Lock(ctx, org, "j2", stale)
	must(t, "Lock as ended", err)
	if got.State != storage.JobEnded || got.LogIndex != 1 {
		t.Errorf("ended job is %s at %d; want ended at 1", got.State, got.LogIndex)
	}
	checkLog(t, s, org, 2)
	h, err = s.GetLogHead(ctx, org)
	must(t, "GetLogHead", err)
	same(t, "the log's head", h, storage.LogHead{Size: 2, Root: stale.Log.Root, Compact: stale.Log.Compact, Checkpoint: stale.Log.Checkpoint})
	ls, err := s.LogLeaves(ctx, org, "j2", -1, 9)
	must(t, "LogLeaves", err)
	same(t, "leaves of a job", ls, []storage.LogLeaf{{Index: 1, Leaf: []byte("leaf of j2"), Job: "j2", List: storage.ListRecord}})
	ls, err = s.LogLeaves(ctx, org, "", 0, 9)
	must(t, "LogLeaves", err)
	if len(ls) != 1 || ls[0].Index != 1 {
		t.Errorf("LogLeaves after 0 = %+v; want the leaf at 1", ls)
	}
}

func testAddenda(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")
	addendum := func(seq int64) storage.NewLine {
		l := line("late", seq)
		return l
	}
	a := storage.AppendAddenda{Lines: []storage.NewLine{addendum(1), addendum(2)}, Root: sum("a2"), Compact: []byte("a2")}
	_, err := s.AppendAddenda(ctx, org, "j1", a)
	wantErr(t, "AppendAddenda to an open job", err, errs.WrongState, "RECORD_OPEN")
	_, err = s.SealAddenda(ctx, org, "j1", 1, logAppend(t, s, org, "no"))
	wantErr(t, "SealAddenda of an open job", err, errs.WrongState, "RECORD_OPEN")
	_, err = s.AppendAddenda(ctx, org, "j9", a)
	wantErr(t, "AppendAddenda to no job", err, errs.NotFound, "JOB_NOT_FOUND")
	want := lockJob(t, s, org, "j1")
	_, err = s.PutBlob(ctx, org, storage.Blob{Job: "j1", Digest: sum("photo")})
	must(t, "PutBlob", err)
	must(t, "EnqueueOutbox", s.EnqueueOutbox(ctx, org, []storage.OutboxItem{{ID: "o1", Job: "j1"}}))

	a.Examine = []storage.ExamineItem{{ID: "x1", Job: "j1", Digest: sum("photo")}}
	a.Refused = []storage.Refused{{Digest: sum("bad"), Payload: []byte("bad")}}
	a.OutboxDone = []string{"o1"}
	got, err := s.AppendAddenda(ctx, org, "j1", a)
	must(t, "AppendAddenda", err)
	want.AddendumCount, want.AddendumRoot, want.AddendumCompact, want.RefusedCount, want.RefusedBytes = 2, a.Root, a.Compact, 1, 3
	same(t, "AppendAddenda", got, want)
	depths, err := s.QueueDepths(ctx)
	must(t, "QueueDepths", err)
	same(t, "QueueDepths", depths, map[string]int64{"examine": 1, "outbox": 0, "retain": 0})
	got, err = s.AppendAddenda(ctx, org, "j1", a)
	must(t, "replay of addenda", err)
	same(t, "replay of addenda", got, want)

	for _, tc := range []struct {
		name   string
		a      storage.AppendAddenda
		kind   errs.Kind
		reason string
	}{
		{"an old head", storage.AppendAddenda{After: 1, Lines: []storage.NewLine{{Seq: 2, EntryID: "x", Line: []byte("x")}}}, errs.Stale, "HEAD_MOVED"},
		{"an id of the record", storage.AppendAddenda{After: 2, Lines: []storage.NewLine{{Seq: 3, EntryID: "j1-1", Line: []byte("x")}}}, errs.Exists, "ENTRY_ID_REUSED"},
		{"an id of the addenda", storage.AppendAddenda{After: 2, Lines: []storage.NewLine{{Seq: 3, EntryID: "late-1", Line: []byte("x")}}}, errs.Exists, "ENTRY_ID_REUSED"},
		{"a gap", storage.AppendAddenda{After: 2, Lines: []storage.NewLine{{Seq: 4, EntryID: "x", Line: []byte("x")}}}, errs.Invalid, "LINE_SEQ"},
	} {
		_, err := s.AppendAddenda(ctx, org, "j1", tc.a)
		wantErr(t, "AppendAddenda with "+tc.name, err, tc.kind, tc.reason)
	}
	_, err = s.Append(ctx, org, "j2", storage.Append{Lines: []storage.NewLine{{Seq: 1, EntryID: "late-1", Line: []byte("x")}}})
	wantErr(t, "Append with an id of addenda", err, errs.Exists, "ENTRY_ID_REUSED")

	want.Contradicted, want.AddendumCount, want.AddendumRoot, want.AddendumCompact = true, 3, sum("a3"), nil
	got, err = s.AppendAddenda(ctx, org, "j1", storage.AppendAddenda{After: 2, Lines: []storage.NewLine{addendum(3)}, Root: sum("a3"), Contradicted: true})
	must(t, "AppendAddenda", err)
	same(t, "an addendum that contradicts", got, want)
	got, err = s.AppendAddenda(ctx, org, "j1", storage.AppendAddenda{After: 3})
	must(t, "AppendAddenda of nothing", err)
	same(t, "contradicted stays", got, want)
	if n := len(stored(t, s, org, "j1", storage.ListAddenda)); n != 3 {
		t.Errorf("%d addenda; want 3", n)
	}

	l := logAppend(t, s, org, "addenda of j1")
	for _, tc := range []struct {
		name   string
		job    string
		count  int64
		after  int64
		kind   errs.Kind
		reason string
	}{
		{"no job", "j9", 2, l.After, errs.NotFound, "JOB_NOT_FOUND"},
		{"more than there are", "j1", 4, l.After, errs.Invalid, "ADDENDUM_COUNT"},
		{"none", "j1", 0, l.After, errs.Invalid, "ADDENDUM_COUNT"},
		{"an old log", "j1", 2, l.After - 1, errs.Stale, "LOG_MOVED"},
		{"a log to come", "j1", 2, l.After + 1, errs.Stale, "LOG_MOVED"},
	} {
		bad := l
		bad.After = tc.after
		_, err := s.SealAddenda(ctx, org, tc.job, tc.count, bad)
		wantErr(t, "SealAddenda with "+tc.name, err, tc.kind, tc.reason)
	}
	want.AddendumSealed = 2
	for _, what := range []string{"SealAddenda", "replay of SealAddenda"} {
		got, err = s.SealAddenda(ctx, org, "j1", 2, l)
		must(t, what, err)
		same(t, what, got, want)
	}
	_, err = s.SealAddenda(ctx, org, "j1", 2, logAppend(t, s, org, "the same again"))
	wantErr(t, "SealAddenda of what is sealed", err, errs.Invalid, "ADDENDUM_COUNT")
	checkLog(t, s, org, 2)
	ls, err := s.LogLeaves(ctx, org, "j1", -1, 9)
	must(t, "LogLeaves", err)
	same(t, "leaves of the job", ls, []storage.LogLeaf{
		{Index: 0, Leaf: []byte("leaf of j1"), Job: "j1", List: storage.ListRecord},
		{Index: 1, Leaf: l.Leaf, Job: "j1", List: storage.ListAddenda},
	})
}

func testLogNodes(t *testing.T, s storage.Store) {
	seed(t, s, org)
	for i := range 5 {
		job := fmt.Sprint("j", i)
		makeJob(t, s, org, job)
		lockJob(t, s, org, job)
	}
	leaf := func(i int) seal.Hash { return seal.LeafHash(fmt.Appendf(nil, "leaf of j%d", i)) }
	want := []storage.Node{
		{Level: 1, Index: 1, Hash: seal.NodeHash(leaf(2), leaf(3))},
		{Level: 0, Index: 4, Hash: leaf(4)},
		{Level: 2, Index: 0, Hash: seal.NodeHash(seal.NodeHash(leaf(0), leaf(1)), seal.NodeHash(leaf(2), leaf(3)))},
		{Level: 0, Index: 4, Hash: leaf(4)},
	}
	ask := make([]storage.Node, 0, len(want))
	for _, n := range want {
		ask = append(ask, storage.Node{Level: n.Level, Index: n.Index})
	}
	got, err := s.LogNodes(ctx, org, ask)
	must(t, "LogNodes", err)
	same(t, "LogNodes, in the order asked", got, want)
	for _, n := range []storage.Node{{Level: 1, Index: 2}, {Level: 0, Index: 5}, {Level: 64}, {Index: 1<<64 - 1}, {Level: 1<<32 - 1, Index: 1 << 63}} {
		_, err := s.LogNodes(ctx, org, append(ask, n))
		wantErr(t, fmt.Sprintf("LogNodes with %d/%d", n.Level, n.Index), err, errs.Corrupt, "LOG_NODE_MISSING")
	}
	got, err = s.LogNodes(ctx, org, nil)
	if err != nil || len(got) != 0 {
		t.Errorf("LogNodes of none = %v, %v", got, err)
	}
}
