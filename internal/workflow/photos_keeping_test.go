package workflow_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	awss3 "github.com/aws/aws-sdk-go-v2/service/s3"

	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/testbed"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/s3"
)

// onBucket is a bench over a store in a file and a bucket on a real S3 server.
func onBucket(t testing.TB, c testbed.S3Config) *wt.Bench {
	t.Helper()
	bl, err := s3.Open(context.Background(), s3.Config{Bucket: c.Bucket, Region: c.Region, Endpoint: c.Endpoint, PathStyle: true, AccessKey: c.AccessKey, SecretKey: c.SecretKey})
	if err != nil {
		t.Fatal(err)
	}
	return wt.New(t, wt.Stores{Store: wt.SQLite(t, filepath.Join(t.TempDir(), "witnessmark.db")), Blobs: bl})
}

func infoOf(t testing.TB, b *wt.Bench, job string, digest [32]byte) (storage.Blob, blob.Info) {
	t.Helper()
	ctx := context.Background()
	bl, err := b.Service().Store.GetBlob(ctx, wt.Org, job, digest)
	if err != nil {
		t.Fatal(err)
	}
	info, err := b.Service().Blobs.Stat(ctx, blob.Ref{Key: blob.Key(bl.Key), Version: bl.VersionID})
	if err != nil {
		t.Fatal(err)
	}
	return bl, info
}

// Locked originals are retained where the bucket can, as long as the
// organisation says, and what comes after the lock too.
func TestRetentionAfterTheLock(t *testing.T) {
	ctx, c := context.Background(), testbed.S3(t)
	b := onBucket(t, c)
	if err := b.Service().UpdateSettings(ctx, b.Office, workflow.Settings{RetentionYears: 3}); err != nil {
		t.Fatal(err)
	}
	// Retention is kept by the store's own clock, so the bench's stands at it.
	b.Clock.Advance(time.Until(b.Clock.Now()).Abs().Truncate(time.Second))
	crew, job := b.Crew(), b.Job("j1")
	climb := crew.Day(job, 1)
	first := sha256.Sum256(wt.Picture(1))
	if bl, info := infoOf(t, b, job, first); bl.Retention != "" || !info.RetainedUntil.IsZero() {
		t.Fatalf("before the lock: %q, until %v; want no retention yet", bl.Retention, info.RetainedUntil)
	}
	crew.Lead.SignOff(job)
	locked := b.Clock.Now()
	b.Drain()
	wantUntil := func(d [32]byte, from time.Time) {
		t.Helper()
		want := from.AddDate(3, 0, 0)
		bl, info := infoOf(t, b, job, d)
		if info.RetainedUntil.Before(want.Add(-time.Second)) || info.RetainedUntil.After(want.Add(24*time.Hour)) {
			t.Errorf("retained until %v; want %v", info.RetainedUntil, want)
		}
		if got := "until " + want.Format(time.DateOnly); bl.Retention != got {
			t.Errorf("the view says %q; want %q", bl.Retention, got)
		}
	}
	wantUntil(first, locked)
	bl, _ := infoOf(t, b, job, first)
	_, err := c.Client().DeleteObject(ctx, &awss3.DeleteObjectInput{Bucket: &c.Bucket, Key: aws.String(bl.Key), VersionId: aws.String(bl.VersionID)})
	if err == nil {
		t.Error("the store deleted a retained version; want it refused")
	}
	if got, _ := kept(t, b.Service(), crew.Lead.ID, job, first, 0); !bytes.Equal(got, wt.Picture(1)) {
		t.Error("the retained original does not come back")
	}

	// Late: after the lock.
	b.Clock.Advance(48 * time.Hour)
	late := wt.Picture(77)
	crew.Climber.Say(job, wt.Photo(climb, late))
	crew.Climber.Send(b.Service(), job)
	if _, err := crew.Climber.Upload(b.Service(), job, workflow.PurposePhoto, late, 1<<20); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	wantUntil(sha256.Sum256(late), b.Clock.Now())
	examined := false
	for e, err := range entriesOf(b, job, storage.ListAddenda) {
		if err != nil {
			t.Fatal(err)
		}
		d := sha256.Sum256(late)
		examined = examined || bytes.Equal(e.GetPhotoExamined().GetDigest(), d[:])
	}
	if !examined {
		t.Error("the late photo was not examined; want it examined, as an addendum")
	}
	if _, _, text := reportOf(t, b, job); !strings.Contains(text, "until "+locked.AddDate(3, 0, 0).Format(time.DateOnly)) {
		t.Error("the report does not say until when the originals are retained")
	}
	verified(t, b, job)
}

// A legal hold is put on what is there and on what comes, and taken off again,
// except where another job with a hold has the same file.
func TestLegalHold(t *testing.T) {
	ctx := context.Background()
	b := onBucket(t, testbed.S3(t))
	crew, job, other := b.Crew(), b.Job("j1"), b.Job("j2")
	climb, climb2 := crew.Climb(job), crew.Climb(other)
	pic, shared := smallPicture(1), smallPicture(2)
	one := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, pic)
	both := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, shared)
	attach(t, b, crew.Climber, other, climb2, wt.PhotoStep, shared)
	hold := func(job string, on bool, files int) {
		t.Helper()
		enforced, n, err := b.Service().SetLegalHold(ctx, b.Office, job, on, "matter 12")
		if err != nil || !enforced || n != files {
			t.Fatalf("hold on %s to %v: enforced %v, %d files, %v; want enforced, %d", job, on, enforced, n, err, files)
		}
	}
	want := func(d [32]byte, job string, held bool) {
		t.Helper()
		if _, info := infoOf(t, b, job, d); info.Held != held {
			t.Errorf("%x of %s is held: %v; want %v", d[:4], job, info.Held, held)
		}
	}
	hold(job, true, 2)
	want(one, job, true)
	late := attach(t, b, crew.Climber, job, climb, wt.PhotoStep, smallPicture(3))
	want(late, job, true)
	hold(other, true, 1)
	hold(job, false, 3)
	want(one, job, false)
	want(late, job, false)
	want(both, job, true) // the other job's hold stands
	hold(other, false, 1)
	want(both, job, false)
	_, _, err := b.Service().SetLegalHold(ctx, b.Office, job, true, " ")
	wantReason(t, "a hold without a reason", err, "REASON_MISSING")
	var said []bool
	for e, err := range linesOf(t, b, job) {
		if err != nil {
			t.Fatal(err)
		}
		if h := e.GetLegalHoldChanged(); h != nil {
			said = append(said, h.GetOn())
			if h.GetReason() != "matter 12" || !h.GetEnforced() || h.GetPerson() == "" {
				t.Errorf("line %v; want reason, person and that the store enforces it", h)
			}
		}
	}
	if !slices.Equal(said, []bool{true, false}) {
		t.Errorf("lines about holds %v; want on, then off", said)
	}
}

// Where the store retains nothing, everything says so.
func TestRetentionNotEnforced(t *testing.T) {
	for name, make := range map[string]func(t *testing.T) *wt.Bench{
		"a folder":              func(t *testing.T) *wt.Bench { return embedded(t) },
		"a bucket without lock": func(t *testing.T) *wt.Bench { return onBucket(t, testbed.S3WithoutLock(t)) },
	} {
		t.Run(name, func(t *testing.T) {
			b := make(t)
			crew, job := b.Crew(), b.Job("j1")
			crew.Day(job, 1)
			crew.Lead.SignOff(job)
			b.Drain()
			if bl, _ := infoOf(t, b, job, sha256.Sum256(wt.Picture(1))); !strings.HasPrefix(bl.Retention, "not enforced") {
				t.Errorf("the view says %q; want that it is not enforced", bl.Retention)
			}
			if _, _, text := reportOf(t, b, job); !strings.Contains(text, "not enforced by this store") {
				t.Error("the report does not say that retention is not enforced")
			}
			enforced, files, err := b.Service().SetLegalHold(context.Background(), b.Office, job, true, "matter 12")
			if err != nil || enforced || files != 1 {
				t.Errorf("hold: enforced %v, %d files, %v; want not enforced, 1", enforced, files, err)
			}
		})
	}
}

// zipOf writes a job's package.
func zipOf(t testing.TB, b *wt.Bench, job string) []byte {
	t.Helper()
	p, _, err := b.Service().Package(context.Background(), b.Office, job, nil)
	if err != nil {
		t.Fatal(err)
	}
	var buf bytes.Buffer
	if err := p.Write(context.Background(), &buf); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// filesOf reads a package's files by their paths below the top folder.
func filesOf(t testing.TB, archive []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range z.File {
		rc, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(rc)
		if err != nil {
			t.Fatal(err)
		}
		_, name, _ := strings.Cut(f.Name, "/")
		out[name] = data
	}
	return out
}

// reportOf returns a job's package, its files and its report.
func reportOf(t testing.TB, b *wt.Bench, job string) (archive []byte, files map[string][]byte, report string) {
	t.Helper()
	archive = zipOf(t, b, job)
	files = filesOf(t, archive)
	return archive, files, string(files["data/derived/report.html"])
}

// A redacted copy travels in the package beside the original; the report shows
// the original and lists the copy. What is changed in the copy is found.
func TestRedactedCopyInThePackage(t *testing.T) {
	b := embedded(t)
	ctx, crew, job := context.Background(), b.Crew(), b.Job("j1")
	crew.Day(job, 1)
	parent := sha256.Sum256(wt.Picture(1))
	corner := []*recordv1.PhotoRedacted_Region{{Left: 0.1, Top: 0.1, Width: 0.2, Height: 0.2}}
	before, _, err := b.Service().Redact(ctx, crew.Lead.ID, job, parent, corner, "a number plate")
	if err != nil {
		t.Fatal(err)
	}
	crew.Lead.SignOff(job)
	path := "data/derived/redacted/" + hex.EncodeToString(parent[:]) + ".jpg"
	check := func(copied [32]byte, reasons ...string) []byte {
		t.Helper()
		archive, files, report := reportOf(t, b, job)
		if got := sha256.Sum256(files[path]); got != copied {
			t.Errorf("%s has digest %x; want %x", path, got, copied)
		}
		if original := files["data/photos/"+hex.EncodeToString(parent[:])+".jpg"]; !bytes.Equal(original, wt.Picture(1)) {
			t.Error("the original in the package is not what was sent")
		}
		for _, want := range append(reasons, hex.EncodeToString(copied[:]), hex.EncodeToString(parent[:]), "Ground Lead", "../photos/") {
			if !strings.Contains(report, want) {
				t.Errorf("the report does not say %q", want)
			}
		}
		verified(t, b, job)
		return archive
	}
	check(before, "a number plate")
	// After the lock a redaction is an addendum, and takes the copy's place.
	after, _, err := b.Service().Redact(ctx, crew.Lead.ID, job, parent, append(corner, &recordv1.PhotoRedacted_Region{Left: 0.6, Top: 0.6, Width: 0.3, Height: 0.3}), "a face too")
	if err != nil {
		t.Fatal(err)
	}
	if after == before {
		t.Fatal("another redaction gave the same copy")
	}
	archive := check(after, "a number plate", "a face too")

	// One byte of the copy, inside of the ZIP.
	files := filesOf(t, archive)
	files[path][len(files[path])/2] ^= 1
	var buf bytes.Buffer
	z := zip.NewWriter(&buf)
	zr, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range zr.File {
		w, err := z.CreateHeader(&zip.FileHeader{Name: f.Name, Method: f.Method})
		if err != nil {
			t.Fatal(err)
		}
		_, name, _ := strings.Cut(f.Name, "/")
		if _, err := w.Write(files[name]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	_, keys, err := b.Keys.Signer(ctx, wt.LogName+"/"+wt.Org)
	if err != nil {
		t.Fatal(err)
	}
	r, err := evidence.Verify(ctx, bytes.NewReader(buf.Bytes()), int64(buf.Len()), evidence.Options{LogKeys: keys})
	if err != nil {
		t.Fatal(err)
	}
	if r.Verified() || r.Failure == nil {
		t.Error("a package with a changed copy verifies; want it to fail")
	}
}

// Sharing gives the redacted copy and never the original.
func TestSharingPrefersTheRedactedCopy(t *testing.T) {
	b := embedded(t)
	ctx, crew, job := context.Background(), b.Crew(), b.Job("j1")
	crew.Day(job, 1)
	d := sha256.Sum256(wt.Picture(1))
	sum, seq, err := b.Service().Redact(ctx, crew.Lead.ID, job, d, []*recordv1.PhotoRedacted_Region{{Left: 0, Top: 0, Width: 0.5, Height: 0.5}}, "a face")
	if err != nil || seq < 1 {
		t.Fatalf("redact: line %d, %v", seq, err)
	}
	link := crew.Lead.ID
	link.ShareLink, link.Person, link.Device = "link", "", ""
	for _, size := range []int{0, 320, 1280} {
		got, _ := kept(t, b.Service(), link, job, d, size)
		if sha256.Sum256(got) != sum {
			t.Errorf("through a link, size %d: not the redacted copy", size)
		}
	}
	if got, _ := kept(t, b.Service(), crew.Lead.ID, job, d, 0); !bytes.Equal(got, wt.Picture(1)) {
		t.Error("the lead does not get the original")
	}
	for _, tc := range []struct {
		name, reason, why string
		regions           []*recordv1.PhotoRedacted_Region
	}{
		{"no region", "REGIONS_MISSING", "a face", nil},
		{"no reason", "REASON_MISSING", " ", []*recordv1.PhotoRedacted_Region{{Width: 1, Height: 1}}},
		{"out of the picture", "REGION_OUT_OF_RANGE", "a face", []*recordv1.PhotoRedacted_Region{{Left: 0.9, Width: 0.2, Height: 0.1}}},
	} {
		_, _, err := b.Service().Redact(ctx, crew.Lead.ID, job, d, tc.regions, tc.why)
		wantReason(t, tc.name, err, tc.reason)
	}
}

// onFolder is a bench over a folder that the test can reach into.
func onFolder(t testing.TB) (b *wt.Bench, folder string) {
	t.Helper()
	folder = t.TempDir()
	return wt.New(t, wt.Stores{Store: wt.SQLite(t, filepath.Join(t.TempDir(), "witnessmark.db")), Blobs: wt.Disk(t, folder)}), folder
}

// fileOf finds the file of an original.
func fileOf(t testing.TB, folder string, digest [32]byte) string {
	t.Helper()
	found := ""
	err := filepath.WalkDir(filepath.Join(folder, wt.Org, "photo"), func(path string, _ fs.DirEntry, err error) error {
		if filepath.Base(path) == hex.EncodeToString(digest[:]) {
			found = path
		}
		return err
	})
	if err != nil || found == "" {
		t.Fatalf("the file of %x: %q, %v", digest[:4], found, err)
	}
	return found
}

// Stored bits rot: reading everything again finds a changed and a missing
// original, says so in custody, and goes on where it was stopped.
func TestFixity(t *testing.T) {
	b, folder := onFolder(t)
	ctx, p := context.Background(), b.Phone("climber")
	one, two := b.Job("j1"), b.Job("j2")
	var digests [][32]byte
	for i := range uint64(12) {
		data := testPicture(200 + i)
		job := one
		if i%2 == 1 {
			job = two
		}
		if _, err := p.Upload(b.Service(), job, workflow.PurposePhoto, data, 1<<20); err != nil {
			t.Fatal(err)
		}
		digests = append(digests, sha256.Sum256(data))
	}
	run := func(o workflow.FixityOptions) workflow.FixityReport {
		t.Helper()
		r, err := b.Service().Fixity(ctx, wt.Org, o, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if r := run(workflow.FixityOptions{}); r.Files != 12 || len(r.Failures) != 0 || r.Next != "" {
		t.Fatalf("with everything as it was: %+v; want 12 files, none wrong", r)
	}

	changed := fileOf(t, folder, digests[3])
	data, err := os.ReadFile(changed)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 0x10
	if err := errors.Join(os.Chmod(changed, 0o640), os.WriteFile(changed, data, 0o640), os.Remove(fileOf(t, folder, digests[6]))); err != nil {
		t.Fatal(err)
	}
	want := map[[32]byte]bool{digests[3]: false, digests[6]: true} // lost?
	checkFailures := func(fs []workflow.FixityFailure) {
		t.Helper()
		got := map[[32]byte]bool{}
		for _, f := range fs {
			got[f.Digest] = f.Lost
			if job := map[bool]string{false: two, true: one}[f.Lost]; f.Job != job {
				t.Errorf("%v; want job %s", f, job)
			}
		}
		if len(fs) != 2 || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("failures %v; want one changed and one missing", fs)
		}
	}
	all := run(workflow.FixityOptions{Who: "people/office"})
	if all.Files != 12 {
		t.Errorf("read %d; want 12", all.Files)
	}
	checkFailures(all.Failures)

	cs, err := b.Service().Store.ListCustody(ctx, wt.Org, "people/office", "", 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	actions := map[string]int{}
	for _, c := range cs {
		actions[c.Action]++
		if c.Action == "fixity" {
			var d struct{ Files, Failed int64 }
			if err := json.Unmarshal(c.Detail, &d); err != nil || d.Files != 12 || d.Failed != 2 || c.Subject != "12 read, 2 wrong" {
				t.Errorf("custody line %q %s, %v; want 12 read and 2 wrong", c.Subject, c.Detail, err)
			}
		}
	}
	if actions["fixity"] != 1 || actions["original changed"] != 1 || actions["original missing"] != 1 {
		t.Errorf("custody lines %v; want one of each", actions)
	}
	// Who looks at the job's custody sees it there.
	cs, err = b.Service().Store.ListCustody(ctx, wt.Org, "", two, 0, 10)
	if err != nil || !slices.ContainsFunc(cs, func(c storage.CustodyLine) bool {
		return c.Action == "original changed" && c.Subject == hex.EncodeToString(digests[3][:])
	}) {
		t.Errorf("custody of the job: %v, %v; want the changed original in it", cs, err)
	}

	t.Run("stopped after each file and gone on", func(t *testing.T) {
		var failures []workflow.FixityFailure
		var files int64
		token, runs := "", 0
		for {
			if runs++; runs > 20 {
				t.Fatal("does not come to an end")
			}
			short, stop := context.WithCancel(ctx)
			r, err := b.Service().Fixity(short, wt.Org, workflow.FixityOptions{After: token, Progress: func(int64, int64) { stop() }}, nil)
			stop()
			failures, files = append(failures, r.Failures...), files+r.Files
			if err == nil {
				break
			}
			if !errors.Is(err, context.Canceled) || r.Next == "" {
				t.Fatalf("stopped: %+v, %v; want a token to go on from", r, err)
			}
			token = r.Next
		}
		if files < 12 || files > 24 {
			t.Errorf("read %d files in %d runs; want each once, or once more where a run was stopped", files, runs)
		}
		seen := map[[32]byte]workflow.FixityFailure{}
		for _, f := range failures {
			seen[f.Digest] = f
		}
		failures = failures[:0]
		for _, f := range seen {
			failures = append(failures, f)
		}
		checkFailures(failures)
	})

	t.Run("samples", func(t *testing.T) {
		first := run(workflow.FixityOptions{Percent: 40, Seed: 1})
		if again := run(workflow.FixityOptions{Percent: 40, Seed: 1}); again.Files != first.Files {
			t.Errorf("the same sample read %d and then %d", first.Files, again.Files)
		}
		if first.Files == 0 || first.Files == 12 {
			t.Errorf("40 %% of 12 files read %d", first.Files)
		}
		seen := map[[32]byte]bool{}
		for seed := range uint64(30) { // other seeds come round to every file
			for _, f := range run(workflow.FixityOptions{Percent: 40, Seed: seed}).Failures {
				seen[f.Digest] = true
			}
		}
		if len(seen) != 2 {
			t.Errorf("30 samples found %d of 2 failures", len(seen))
		}
		_, err := b.Service().Fixity(ctx, wt.Org, workflow.FixityOptions{Percent: 101}, nil)
		wantReason(t, "a sample of 101 %", err, "SAMPLE_INVALID")
		_, err = b.Service().Fixity(ctx, wt.Org, workflow.FixityOptions{After: "here"}, nil)
		wantReason(t, "a token that is none", err, "TOKEN_INVALID")
	})

	t.Run("whoever asks is told of each", func(t *testing.T) {
		full := errors.New("the list is full")
		r, err := b.Service().Fixity(ctx, wt.Org, workflow.FixityOptions{}, func(workflow.FixityFailure) error { return full })
		if !errors.Is(err, full) || len(r.Failures) != 1 || r.Next == "" {
			t.Errorf("%+v, %v; want the first failure and a token", r, err)
		}
	})

	// A changed original is not handed out as if it were whole.
	rc, _, _, err := b.Service().File(ctx, p.ID, two, digests[3], 0)
	if err == nil {
		_, err = io.Copy(io.Discard, rc)
		err = errors.Join(err, rc.Close())
	}
	if errs.KindOf(err) != errs.Corrupt {
		t.Errorf("the changed original: %v; want it called corrupt", err)
	}
}
