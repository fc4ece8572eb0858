package storagetest

import (
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

func testUploads(t *testing.T, s storage.Store) {
	seed(t, s, org, "south")
	makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")
	u := storage.Upload{ID: "u1", Job: "j1", Person: "abe", Device: "d1", Purpose: "photo", Entry: "e1", Size: 100, Digest: sum("photo"),
		CreateTime: noon, ExpireTime: noon.Add(time.Hour)}
	want := u
	want.State = "receiving"
	for _, id := range []string{"u1", "u2"} { // the second finds the first
		u.ID = id
		got, err := s.CreateUpload(ctx, org, u, 2)
		must(t, "CreateUpload", err)
		same(t, "CreateUpload", got, want)
	}
	with := func(change func(u *storage.Upload)) storage.Upload {
		v := u
		v.ID, v.Job = "u3", "j2"
		change(&v)
		return v
	}
	for _, tc := range []struct {
		name   string
		u      storage.Upload
		max    int
		kind   errs.Kind
		reason string
	}{
		{"one too many", with(func(*storage.Upload) {}), 1, errs.Busy, "TOO_MANY_UPLOADS"},
		{"no job", with(func(u *storage.Upload) { u.Job = "j9" }), 9, errs.NotFound, "JOB_NOT_FOUND"},
		{"an id that is taken", with(func(u *storage.Upload) { u.ID = "u1" }), 9, errs.Exists, "UPLOAD_EXISTS"},
		{"another purpose", with(func(u *storage.Upload) { u.Purpose = "film" }), 9, errs.Invalid, "PURPOSE"},
		{"a negative size", with(func(u *storage.Upload) { u.Size = -1 }), 9, errs.Invalid, "UPLOAD_BEGIN"},
		{"an offset", with(func(u *storage.Upload) { u.Offset = 1 }), 9, errs.Invalid, "UPLOAD_BEGIN"},
	} {
		_, err := s.CreateUpload(ctx, org, tc.u, tc.max)
		wantErr(t, "CreateUpload with "+tc.name, err, tc.kind, tc.reason)
	}
	_, err := s.CreateUpload(ctx, "nobody", u, 9)
	wantErr(t, "CreateUpload in no organisation", err, errs.NotFound, "ORGANIZATION_NOT_FOUND")
	byPerson := with(func(u *storage.Upload) { u.ID, u.Job, u.Device = "u4", "j1", "" })
	got, err := s.CreateUpload(ctx, org, byPerson, 1)
	must(t, "CreateUpload by the person without a device", err)
	same(t, "its id", got.ID, "u4")

	got, err = s.GetUpload(ctx, org, "u1")
	must(t, "GetUpload", err)
	same(t, "GetUpload", got, want)
	_, err = s.GetUpload(ctx, org, "u9")
	wantErr(t, "GetUpload unknown", err, errs.NotFound, "UPLOAD_NOT_FOUND")

	want.Offset, want.ExpireTime = 60, noon.Add(2*time.Hour)
	got, err = s.AdvanceUpload(ctx, org, "u1", 0, 60, want.ExpireTime)
	must(t, "AdvanceUpload", err)
	same(t, "AdvanceUpload", got, want)
	got, err = s.AdvanceUpload(ctx, org, "u1", 0, 60, noon)
	wantErr(t, "AdvanceUpload from an old offset", err, errs.Stale, "UPLOAD_OFFSET")
	same(t, "the upload that comes with it", got, want)
	for _, to := range []int64{101, 59, -1} {
		_, err = s.AdvanceUpload(ctx, org, "u1", 60, to, noon)
		wantErr(t, fmt.Sprint("AdvanceUpload to ", to), err, errs.Invalid, "UPLOAD_RANGE")
	}
	_, err = s.AdvanceUpload(ctx, org, "u9", 0, 1, noon)
	wantErr(t, "AdvanceUpload unknown", err, errs.NotFound, "UPLOAD_NOT_FOUND")

	_, err = s.FinishUpload(ctx, org, "u1", "receiving")
	wantErr(t, "FinishUpload as receiving", err, errs.Invalid, "UPLOAD_STATE")
	_, err = s.FinishUpload(ctx, org, "u9", "stored")
	wantErr(t, "FinishUpload unknown", err, errs.NotFound, "UPLOAD_NOT_FOUND")
	want.State = "stored"
	for range 2 {
		got, err = s.FinishUpload(ctx, org, "u1", "stored")
		must(t, "FinishUpload", err)
		same(t, "FinishUpload", got, want)
	}
	_, err = s.FinishUpload(ctx, org, "u1", "wrong")
	wantErr(t, "FinishUpload the other way", err, errs.WrongState, "UPLOAD_OVER")
	got, err = s.AdvanceUpload(ctx, org, "u1", 60, 61, noon)
	wantErr(t, "AdvanceUpload of one that is over", err, errs.WrongState, "UPLOAD_OVER")
	same(t, "the upload that comes with it", got, want)
	u.ID = "u5" // the old one is over, so this is new
	got, err = s.CreateUpload(ctx, org, u, 1)
	must(t, "CreateUpload after the first is over", err)
	same(t, "its id", got.ID, "u5")

	late := storage.Upload{ID: "w1", Job: "j1", Person: "abe", Purpose: "trace", Size: 1, Digest: sum("w"), ExpireTime: noon.Add(30 * time.Minute)}
	makeJob(t, s, "south", "j1")
	late, err = s.CreateUpload(ctx, "south", late, 9)
	must(t, "CreateUpload", err)
	for _, tc := range []struct {
		name  string
		at    time.Duration
		limit int
		want  map[string]int
	}{
		{"before any is over", 0, 9, map[string]int{}},
		{"the first is over", 30 * time.Minute, 9, map[string]int{"south": 1}},
		{"of all organisations", time.Hour, 9, map[string]int{"south": 1, org: 2}},
		{"the oldest", 9 * time.Hour, 1, map[string]int{"south": 1}},
		{"all", 9 * time.Hour, 9, map[string]int{"south": 1, org: 3}},
	} {
		us, err := s.ExpiredUploads(ctx, noon.Add(tc.at), tc.limit)
		must(t, tc.name, err)
		n := map[string]int{}
		for o, list := range us {
			n[o] = len(list)
		}
		same(t, "ExpiredUploads, "+tc.name, n, tc.want)
		if len(us["south"]) == 1 {
			same(t, "an expired upload", us["south"][0], late)
		}
	}
	for range 2 {
		must(t, "DeleteUpload", s.DeleteUpload(ctx, org, "u4"))
	}
	_, err = s.GetUpload(ctx, org, "u4")
	wantErr(t, "GetUpload of a deleted one", err, errs.NotFound, "UPLOAD_NOT_FOUND")
}

func testBlobs(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	makeJob(t, s, org, "j2")
	low, high := [32]byte{0, 1}, [32]byte{255}
	b := storage.Blob{Job: "j1", Digest: high, Purpose: "photo", Size: 9, MediaType: "image/jpeg", Key: "north/k", VersionID: "v1",
		CreateTime: noon, Retention: "pending", Examined: []byte("{}")}
	got, err := s.PutBlob(ctx, org, b)
	must(t, "PutBlob", err)
	same(t, "PutBlob", got, b)
	again := b
	again.Key, again.Size = "other", 10
	got, err = s.PutBlob(ctx, org, again)
	must(t, "PutBlob again", err)
	same(t, "PutBlob again", got, b)
	_, err = s.PutBlob(ctx, org, storage.Blob{Job: "j9"})
	wantErr(t, "PutBlob of no job", err, errs.NotFound, "JOB_NOT_FOUND")
	got, err = s.GetBlob(ctx, org, "j1", high)
	must(t, "GetBlob", err)
	same(t, "GetBlob", got, b)
	_, err = s.GetBlob(ctx, org, "j2", high)
	wantErr(t, "GetBlob of another job", err, errs.NotFound, "BLOB_NOT_FOUND")

	bLow, b2 := b, b
	bLow.Digest = low
	b2.Job = "j2"
	for _, v := range []storage.Blob{b2, bLow} {
		_, err = s.PutBlob(ctx, org, v)
		must(t, "PutBlob", err)
	}
	jobs, err := s.BlobJobs(ctx, org, high)
	must(t, "BlobJobs", err)
	same(t, "BlobJobs", jobs, []string{"j1", "j2"})
	for _, tc := range []struct {
		name  string
		job   string
		after [32]byte
		limit int
		want  []storage.Blob
	}{
		{"of a job, by digest", "j1", [32]byte{}, 9, []storage.Blob{bLow, b}},
		{"of a job, next page", "j1", low, 9, []storage.Blob{b}},
		{"of a job, a page", "j1", [32]byte{}, 1, []storage.Blob{bLow}},
		{"of all", "", [32]byte{}, 9, []storage.Blob{bLow, b, b2}},
		{"of all, a page", "", [32]byte{}, 1, []storage.Blob{bLow}},
		{"of all, a page that ends between two jobs", "", [32]byte{}, 2, []storage.Blob{bLow, b, b2}},
		{"of all, after the last", "", high, 9, nil},
	} {
		bs, err := s.ListBlobs(ctx, org, tc.job, tc.after, tc.limit)
		must(t, tc.name, err)
		same(t, "ListBlobs "+tc.name, bs, tc.want)
	}
}

func testExamine(t *testing.T, s storage.Store) {
	seed(t, s, org, "south")
	makeJob(t, s, org, "j1")
	makeJob(t, s, "south", "j1")
	_, err := s.PutBlob(ctx, org, storage.Blob{Job: "j1", Digest: sum("p1")})
	must(t, "PutBlob", err)
	item := func(id string) storage.ExamineItem {
		return storage.ExamineItem{ID: id, Job: "j1", Digest: sum("p1"), Purpose: "photo", Entry: "entry " + id, Subject: "connector", Step: "job/a/b"}
	}
	wait := item("x3")
	wait.NotBefore = noon.Add(time.Hour)
	twin := item("x4")
	twin.Entry = "entry x1"
	must(t, "EnqueueExamine", s.EnqueueExamine(ctx, org, []storage.ExamineItem{item("x1"), item("x2"), wait, twin}))
	must(t, "EnqueueExamine again", s.EnqueueExamine(ctx, org, []storage.ExamineItem{item("x1"), twin}))
	must(t, "EnqueueExamine of nothing", s.EnqueueExamine(ctx, org, nil))
	must(t, "EnqueueExamine", s.EnqueueExamine(ctx, "south", []storage.ExamineItem{item("x1")}))
	wantErr(t, "EnqueueExamine for no job", s.EnqueueExamine(ctx, org, []storage.ExamineItem{{ID: "x9", Job: "j9"}}), errs.NotFound, "JOB_NOT_FOUND")
	depths, err := s.QueueDepths(ctx)
	must(t, "QueueDepths", err)
	same(t, "QueueDepths", depths, map[string]int64{"examine": 4, "outbox": 0, "retain": 0})

	leased := item("x1")
	leased.Attempts, leased.NotBefore = 1, noon.Add(time.Minute)
	two := item("x2")
	two.Attempts, two.NotBefore = 1, noon.Add(time.Minute)
	got, err := s.TakeExamine(ctx, noon, time.Minute, 9)
	must(t, "TakeExamine", err)
	same(t, "TakeExamine, all that are due", got, map[string][]storage.ExamineItem{org: {leased, two}, "south": {leased}})
	got, err = s.TakeExamine(ctx, noon.Add(59*time.Second), time.Minute, 9)
	must(t, "TakeExamine", err)
	same(t, "TakeExamine within the lease", got, map[string][]storage.ExamineItem{})

	must(t, "FinishExamine", s.FinishExamine(ctx, org, "x1", "j1", sum("p1"), []byte(`{"ok":true}`)))
	must(t, "FinishExamine again", s.FinishExamine(ctx, org, "x1", "j1", sum("p1"), []byte(`{"ok":true}`)))
	b, err := s.GetBlob(ctx, org, "j1", sum("p1"))
	must(t, "GetBlob", err)
	same(t, "examination with the blob", b.Examined, []byte(`{"ok":true}`))
	wantErr(t, "FinishExamine of no blob", s.FinishExamine(ctx, org, "x2", "j1", sum("none"), nil), errs.NotFound, "BLOB_NOT_FOUND")
	must(t, "PostponeExamine", s.PostponeExamine(ctx, org, "x2", noon.Add(30*time.Minute), "the disk was full"))
	wantErr(t, "PostponeExamine unknown", s.PostponeExamine(ctx, org, "x9", noon, ""), errs.NotFound, "ITEM_NOT_FOUND")

	got, err = s.TakeExamine(ctx, noon.Add(time.Minute), time.Minute, 9)
	must(t, "TakeExamine", err)
	leased.Attempts, leased.NotBefore = 2, noon.Add(2*time.Minute)
	same(t, "TakeExamine after the lease", got, map[string][]storage.ExamineItem{"south": {leased}})
	got, err = s.TakeExamine(ctx, noon.Add(2*time.Hour), time.Minute, 2)
	must(t, "TakeExamine", err)
	two.Attempts, two.LastProblem, two.NotBefore = 2, "the disk was full", noon.Add(2*time.Hour+time.Minute)
	leased.Attempts, leased.NotBefore = 3, noon.Add(2*time.Hour+time.Minute)
	same(t, "TakeExamine at most two, the longest due", got, map[string][]storage.ExamineItem{org: {two}, "south": {leased}})
}

func testOutbox(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	item := func(id string, seconds int) storage.OutboxItem {
		return storage.OutboxItem{ID: id, Job: "j1", Payload: []byte("payload " + id), CreateTime: noon.Add(time.Duration(seconds) * time.Second)}
	}
	must(t, "EnqueueOutbox", s.EnqueueOutbox(ctx, org, []storage.OutboxItem{item("o1", 3), item("o2", 1), item("o3", 2)}))
	other := item("o1", 9)
	other.Payload = []byte("other")
	must(t, "EnqueueOutbox of a known id", s.EnqueueOutbox(ctx, org, []storage.OutboxItem{other}))
	wantErr(t, "EnqueueOutbox for no job", s.EnqueueOutbox(ctx, org, []storage.OutboxItem{{ID: "o9", Job: "j9"}}), errs.NotFound, "JOB_NOT_FOUND")
	got, err := s.TakeOutbox(ctx, noon, time.Minute, 2)
	must(t, "TakeOutbox", err)
	same(t, "TakeOutbox, oldest first", got, map[string][]storage.OutboxItem{org: {item("o2", 1), item("o3", 2)}})
	must(t, "DoneOutbox", s.DoneOutbox(ctx, org, []string{"o3", "none"}))
	must(t, "DoneOutbox of nothing", s.DoneOutbox(ctx, org, nil))
	got, err = s.TakeOutbox(ctx, noon, time.Minute, 9)
	must(t, "TakeOutbox", err)
	same(t, "TakeOutbox, what is not leased", got, map[string][]storage.OutboxItem{org: {item("o1", 3)}})
	got, err = s.TakeOutbox(ctx, noon.Add(time.Minute), time.Minute, 9)
	must(t, "TakeOutbox", err)
	same(t, "TakeOutbox after the lease", got, map[string][]storage.OutboxItem{org: {item("o2", 1), item("o1", 3)}})
}

func testRetain(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	_, err := s.PutBlob(ctx, org, storage.Blob{Job: "j1", Digest: sum("photo"), Retention: "pending"})
	must(t, "PutBlob", err)
	item := storage.RetainItem{ID: "r1", Job: "j1", Key: "north/k", VersionID: "v1", Until: noon.Add(time.Hour), Digest: sum("photo")}
	l := lockOf("j1", 0, logAppend(t, s, org, "leaf"))
	l.Retain = []storage.RetainItem{item}
	_, err = s.Lock(ctx, org, "j1", l)
	must(t, "Lock", err)
	item.Attempts = 1
	got, err := s.TakeRetain(ctx, noon, time.Minute, 9)
	must(t, "TakeRetain", err)
	same(t, "TakeRetain", got, map[string][]storage.RetainItem{org: {item}})
	got, err = s.TakeRetain(ctx, noon, time.Minute, 9)
	must(t, "TakeRetain", err)
	same(t, "TakeRetain within the lease", got, map[string][]storage.RetainItem{})
	must(t, "PostponeRetain", s.PostponeRetain(ctx, org, "r1", noon.Add(time.Hour)))
	wantErr(t, "PostponeRetain unknown", s.PostponeRetain(ctx, org, "r9", noon), errs.NotFound, "ITEM_NOT_FOUND")
	got, err = s.TakeRetain(ctx, noon.Add(30*time.Minute), time.Minute, 9)
	must(t, "TakeRetain", err)
	same(t, "TakeRetain of a postponed one", got, map[string][]storage.RetainItem{})
	item.Attempts = 2
	got, err = s.TakeRetain(ctx, noon.Add(time.Hour), time.Minute, 9)
	must(t, "TakeRetain", err)
	same(t, "TakeRetain when it is due", got, map[string][]storage.RetainItem{org: {item}})
	for range 2 {
		must(t, "FinishRetain", s.FinishRetain(ctx, org, "r1", "j1", sum("photo"), "until 2036-03-02"))
	}
	wantErr(t, "FinishRetain of no blob", s.FinishRetain(ctx, org, "r1", "j1", sum("none"), ""), errs.NotFound, "BLOB_NOT_FOUND")
	b, err := s.GetBlob(ctx, org, "j1", sum("photo"))
	must(t, "GetBlob", err)
	same(t, "retention of the blob", b.Retention, "until 2036-03-02")
	depths, err := s.QueueDepths(ctx)
	must(t, "QueueDepths", err)
	same(t, "QueueDepths", depths, map[string]int64{"examine": 0, "outbox": 0, "retain": 0})

	// What arrives after the lock comes with its addendum, once.
	late := storage.RetainItem{ID: "r2", Job: "j1", Key: "north/late", VersionID: "v2", Until: noon.Add(2 * time.Hour), Digest: sum("late photo")}
	for range 2 {
		_, err = s.AppendAddenda(ctx, org, "j1", storage.AppendAddenda{Lines: []storage.NewLine{line("late", 1)}, Root: sum("a1"), Compact: []byte("a1"), Retain: []storage.RetainItem{late}})
		must(t, "AppendAddenda", err)
	}
	late.Attempts = 1
	got, err = s.TakeRetain(ctx, noon.Add(3*time.Hour), time.Minute, 9)
	must(t, "TakeRetain", err)
	same(t, "TakeRetain of an addendum's", got, map[string][]storage.RetainItem{org: {late}})
}

func testPhotoHashes(t *testing.T, s storage.Store) {
	seed(t, s, org)
	makeJob(t, s, org, "j1")
	var hs []storage.PhotoHash
	for i := range 3 {
		h := storage.PhotoHash{Job: "j1", Site: []string{"s1", "s2"}[i%2], Digest: sum(fmt.Sprint(i)), Hash: []byte{byte(i), 0, 255},
			Time: noon.Add(time.Duration(i) * time.Hour)}
		must(t, "PutPhotoHash", s.PutPhotoHash(ctx, org, h))
		hs = append([]storage.PhotoHash{h}, hs...)
	}
	wantErr(t, "PutPhotoHash of no job", s.PutPhotoHash(ctx, org, storage.PhotoHash{Job: "j9"}), errs.NotFound, "JOB_NOT_FOUND")
	hs[1].Hash = []byte("anew")
	must(t, "PutPhotoHash again", s.PutPhotoHash(ctx, org, hs[1]))
	for _, tc := range []struct {
		name  string
		site  string
		since time.Time
		limit int
		want  []storage.PhotoHash
	}{
		{"all, newest first", "", time.Time{}, 9, hs},
		{"since a time", "", noon.Add(time.Hour), 9, hs[:2]},
		{"of a site", "s2", time.Time{}, 9, hs[1:2]},
		{"so many", "", time.Time{}, 1, hs[:1]},
	} {
		got, err := s.PhotoHashes(ctx, org, tc.site, tc.since, tc.limit)
		must(t, tc.name, err)
		same(t, "PhotoHashes "+tc.name, got, tc.want)
	}
}
