package workflow_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// embedded is a bench over one file and one folder.
func embedded(t testing.TB) *wt.Bench {
	t.Helper()
	st, _ := wt.Embedded(t)
	return wt.New(t, st)
}

// everywhere runs f over the embedded store, over Postgres with S3, and with
// two servers over one Postgres and one bucket, taking turns.
func everywhere(t *testing.T, f func(t *testing.T, b *wt.Bench)) {
	t.Run("sqlite and disk", func(t *testing.T) { f(t, embedded(t)) })
	t.Run("postgres and s3", func(t *testing.T) { f(t, wt.New(t, wt.Company(t, 1)...)) })
	t.Run("two servers", func(t *testing.T) { f(t, wt.New(t, wt.Company(t, 2)...)) })
}

func trace(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "traces", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// pack writes a job's package and verifies it with the log's key.
func pack(t testing.TB, b *wt.Bench, job string) *evidence.Result {
	t.Helper()
	ctx := context.Background()
	p, _, err := b.Any().Package(ctx, b.Office, job, nil)
	if err != nil {
		t.Fatalf("package of %s: %v", job, err)
	}
	var buf bytes.Buffer
	if err := p.Write(ctx, &buf); err != nil {
		t.Fatalf("write package of %s: %v", job, err)
	}
	_, keys, err := b.Keys.Signer(ctx, wt.LogName+"/"+wt.Org)
	if err != nil {
		t.Fatal(err)
	}
	r, err := evidence.Verify(ctx, bytes.NewReader(buf.Bytes()), int64(buf.Len()), evidence.Options{LogKeys: keys})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// verified packs a job and wants it to verify.
func verified(t testing.TB, b *wt.Bench, job string) *evidence.Result {
	t.Helper()
	r := pack(t, b, job)
	if !r.Verified() {
		t.Fatalf("package of %s: %+v, pinned %v; want it verified", job, r.Failure, r.Pinned)
	}
	for _, d := range r.Differences {
		t.Errorf("package of %s: calculated again, %v", job, d)
	}
	return r
}

// stateOf returns how a step stands.
func stateOf(t testing.TB, v *workflow.View, step string) recordv1.StepState {
	t.Helper()
	for _, s := range v.State.Steps {
		if s.Step.ID == step {
			return s.State
		}
	}
	t.Fatalf("the job has no step %s", step)
	return 0
}

// exceptions lists the kinds of exceptions that stand.
func exceptions(v *workflow.View) []string {
	var out []string
	for _, x := range v.State.Exceptions {
		out = append(out, x.Kind)
	}
	return out
}

func wantReason(t testing.TB, what string, err error, reason string) {
	t.Helper()
	if errs.ReasonOf(err) != reason {
		t.Errorf("%s: %v; want %s", what, err, reason)
	}
}

func TestTheWholeJob(t *testing.T) {
	everywhere(t, func(t *testing.T, b *wt.Bench) {
		ctx, crew := context.Background(), b.Crew()
		plan := wt.Plan() // a line in the band of the trace
		*plan.Lines[0].LowMhz, *plan.Lines[0].HighMhz = 1710, 1880
		job := b.JobWith(workflow.NewJob{ID: "j1", Plan: plan})
		climber, lead, lead2 := crew.Climber, crew.Lead, crew.Lead2

		// The gates: briefing and wind.
		climb := lead.Now(job, wt.ClimbOpened("climber", "climber2")).ID
		if v := b.View(lead.ID, job); len(v.State.Holds) == 0 {
			t.Error("a climb without briefing and wind has no hold")
		}
		climber.Now(job, wt.Briefed(climb, "climber"))
		crew.Climber2.Now(job, wt.Briefed(climb, "climber2"))
		lead.Now(job, wt.Wind(climb, 4))
		climber.Now(job, wt.KitCheck(-172))
		if v := b.View(lead.ID, job); len(v.State.Holds) != 0 {
			t.Errorf("holds after briefing, wind and kit check: %+v; want none", v.State.Holds)
		}

		// Couple, too loose; sent back; right.
		b.Clock.Advance(10 * time.Minute)
		climber.Now(job, wt.Clean(climb))
		if r := climber.Now(job, wt.Torque(climb, 12)); r.Assessment.GetVerdict() != recordv1.Verdict_FAIL {
			t.Errorf("12 N·m: %v; want a fail", r.Assessment)
		}
		b.Clock.Advance(3 * time.Minute)
		lead.Now(job, wt.Returned("too loose", wt.TorqueStep))
		if got := stateOf(t, b.View(lead.ID, job), wt.TorqueStep); got != recordv1.StepState_RETURNED {
			t.Errorf("torque after it was sent back: %v; want returned", got)
		}
		b.Clock.Advance(3 * time.Minute)
		if r := climber.Now(job, wt.Torque(climb, 26)); r.Assessment.GetVerdict() != recordv1.Verdict_PASS {
			t.Errorf("26 N·m: %v; want a pass", r.Assessment)
		}

		// The photo, in chunks: interrupted, resumed, a wrong offset, a wrong digest.
		pic := wt.Picture(1)
		climber.Now(job, wt.Photo(climb, pic))
		if got := stateOf(t, b.View(lead.ID, job), wt.PhotoStep); got != recordv1.StepState_WAITING {
			t.Errorf("photo step before its bytes: %v; want waiting", got)
		}
		wrong := sha256.Sum256([]byte("other bytes"))
		u, err := b.Any().BeginUpload(ctx, climber.ID, job, workflow.PurposePhoto, "", int64(len(pic)), wrong)
		if err != nil {
			t.Fatal(err)
		}
		for u.Offset < u.Size {
			if u, err = b.Any().UploadChunk(ctx, climber.ID, u.ID, u.Offset, pic[u.Offset:min(u.Offset+100_000, u.Size)]); err != nil {
				t.Fatal(err)
			}
		}
		if u, err = b.Any().FinishUpload(ctx, climber.ID, u.ID); err != nil || u.State != "wrong" {
			t.Errorf("finish of bytes with another digest: %q, %v; want wrong", u.State, err)
		}
		if u, err = b.Any().BeginUpload(ctx, climber.ID, job, workflow.PurposePhoto, "", int64(len(pic)), sha256.Sum256(pic)); err != nil {
			t.Fatal(err)
		}
		if u, err = b.Any().UploadChunk(ctx, climber.ID, u.ID, 0, pic[:100_000]); err != nil {
			t.Fatal(err)
		}
		again, err := b.Any().BeginUpload(ctx, climber.ID, job, workflow.PurposePhoto, "", int64(len(pic)), sha256.Sum256(pic))
		if err != nil || again.ID != u.ID || again.Offset != 100_000 {
			t.Errorf("begun again: %s at %d, %v; want the same upload %s at 100000", again.ID, again.Offset, err, u.ID)
		}
		if u, err = b.Any().UploadChunk(ctx, climber.ID, u.ID, 50_000, pic[50_000:60_000]); errs.ReasonOf(err) != "UPLOAD_OFFSET" || u.Offset != 100_000 {
			t.Errorf("chunk at a wrong offset: %v, at %d; want UPLOAD_OFFSET at 100000", err, u.Offset)
		}
		if _, err = b.Any().FinishUpload(ctx, climber.ID, u.ID); errs.ReasonOf(err) != "UPLOAD_INCOMPLETE" {
			t.Errorf("finish too early: %v; want UPLOAD_INCOMPLETE", err)
		}
		if _, err := climber.Upload(b.Any(), job, workflow.PurposePhoto, pic, 64<<10); err != nil {
			t.Fatal(err)
		}
		b.Drain()
		if got := stateOf(t, b.View(lead.ID, job), wt.PhotoStep); got != recordv1.StepState_COMPLETE {
			t.Errorf("photo step after its examination: %v; want complete", got)
		}

		// The trace, and the readings with the kit's residual.
		tr := trace(t, "line-with-antenna.s1p")
		climber.Now(job, wt.Trace(tr))
		if _, err := climber.Upload(b.Any(), job, workflow.PurposeTrace, tr, 1<<20); err != nil {
			t.Fatal(err)
		}
		b.Drain()
		if got := stateOf(t, b.View(lead.ID, job), wt.TraceStep); got != recordv1.StepState_OUT_OF_LIMITS {
			t.Errorf("trace step after its file, whose antenna returns 17 dB: %v; want out of the limit of 18 dB", got)
		}
		r := climber.Now(job, wt.PIM(-163))
		if r.Assessment.GetVerdict() != recordv1.Verdict_PASS || r.Assessment.GetPinned().Residual == nil {
			t.Errorf("intermodulation: %v, residual %v; want a pass with the residual of the self-check", r.Assessment.GetVerdict(), r.Assessment.GetPinned().Residual)
		}
		climber.Now(job, wt.ReturnLoss(22))
		climber.Now(job, wt.Tidy())
		b.Clock.Advance(time.Minute)
		climber.Now(job, wt.Finished())
		lead.Now(job, wt.ClimbClosed(climb, "climber", "climber2"))

		// Sign-off: exceptions first, then by the doer, with a stale root, and well.
		v := b.View(lead.ID, job)
		if !slices.Contains(exceptions(v), "FAILED_THEN_PASSED") {
			t.Errorf("exceptions: %v; want the fail before the pass among them", exceptions(v))
		}
		_, err = b.Any().SignOff(ctx, lead.ID, job, lead.Make(job, wt.SignedOff(v)), "")
		var blocked *workflow.Blocked
		if !errors.As(err, &blocked) {
			t.Fatalf("sign-off with exceptions not looked at: %v; want it blocked", err)
		}
		lead.LookAt(job)
		stale := b.View(lead.ID, job)
		climber.Now(job, wt.Note("left the gate as found"))
		_, err = b.Any().SignOff(ctx, lead.ID, job, lead.Make(job, wt.SignedOff(stale)), "")
		var fresh *workflow.NewLines
		if !errors.As(err, &fresh) || errs.KindOf(err) != errs.Stale || len(fresh.Lines) != 1 {
			t.Fatalf("sign-off over a root that moved: %v; want ROOT_MOVED with one new line", err)
		}
		locked := lead.SignOff(job)
		if locked.Job.State != storage.JobLocked || locked.LogIndex != 0 {
			t.Errorf("locked: state %v at log index %d; want locked at 0", locked.Job.State, locked.LogIndex)
		}
		_, err = b.Any().SignOff(ctx, lead2.ID, job, lead2.Make(job, wt.SignedOff(b.View(lead2.ID, job))), "")
		wantReason(t, "a second sign-off", err, "RECORD_LOCKED")

		verified(t, b, job)

		// What comes late is kept apart, and contradicts.
		b.Clock.Advance(time.Hour)
		if r := climber.Try(job, wt.Torque(climb, 3)); r.Outcome != workflow.Addendum {
			t.Errorf("entry after the lock: outcome %v, %s; want an addendum", r.Outcome, r.Reason)
		}
		v = b.View(lead.ID, job)
		if !v.Row.Contradicted || v.Row.AddendumCount != 1 || v.Head.Root != locked.Head.Root {
			t.Errorf("after the addendum: contradicted %v, %d addenda, root moved %v; want true, 1, false", v.Row.Contradicted, v.Row.AddendumCount, v.Head.Root != locked.Head.Root)
		}
		if r := verified(t, b, job); r.Addenda != 1 {
			t.Errorf("addenda in the package: %d; want 1", r.Addenda)
		}

		// A job that ends unfinished, and the one that follows it up.
		j2 := b.Job("j2")
		lead.Now(j2, wt.Note("lightning all day"))
		ended, err := b.Any().EndJob(ctx, lead.ID, j2, lead.Make(j2, wt.Ended(b.View(lead.ID, j2), "lightning")), "")
		if err != nil || ended.Job.State != storage.JobEnded || ended.LogIndex != 2 {
			t.Fatalf("end unfinished: %+v, %v; want it ended at log index 2", ended, err)
		}
		if r := verified(t, b, j2); r.State != "ended unfinished" {
			t.Errorf("state in the package: %q; want ended unfinished", r.State)
		}
		j3 := b.JobWith(workflow.NewJob{ID: "j3", Follows: j2})
		if v := b.View(lead.ID, j3); v.Row.Follows != j2 {
			t.Errorf("the job that follows names %q; want %s", v.Row.Follows, j2)
		}

		// The log grew without a fork.
		head, key, err := b.Any().Checkpoint(ctx, wt.Org)
		if err != nil {
			t.Fatal(err)
		}
		cp, err := seal.OpenCheckpoint(head.Checkpoint, key.Name(), key)
		if err != nil || cp.Size != 3 {
			t.Fatalf("checkpoint: %+v, %v; want three leaves", cp, err)
		}
		first, err := seal.OpenCheckpoint(locked.Checkpoint, key.Name(), key)
		if err != nil {
			t.Fatal(err)
		}
		path, _, err := b.Any().Consistency(ctx, wt.Org, int64(first.Size), 0)
		if err != nil {
			t.Fatal(err)
		}
		if err := seal.VerifyConsistency(first.Size, cp.Size, path, first.Root, cp.Root); err != nil {
			t.Errorf("consistency from %d to %d: %v", first.Size, cp.Size, err)
		}
	})
}

func TestTheDoerDoesNotSign(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	crew.Lead.Now(job, wt.ReturnLoss(23)) // the crew's step, by the lead
	crew.Climber.Now(job, wt.Finished())
	crew.Lead.LookAt(job)
	v := b.View(crew.Lead.ID, job)
	_, err := b.Service().SignOff(context.Background(), crew.Lead.ID, job, crew.Lead.Make(job, wt.SignedOff(v)), "")
	var blocked *workflow.Blocked
	if !errors.As(err, &blocked) || !slices.ContainsFunc(blocked.Blockers, func(x record.Blocker) bool { return x.Reason == "FOUR_EYES" }) {
		t.Errorf("sign-off by the doer: %v; want FOUR_EYES", err)
	}
	crew.Lead2.SignOff(job)
	verified(t, b, job)
}
