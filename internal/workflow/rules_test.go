package workflow_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// lines reads a job's record as the server keeps it.
func lines(t testing.TB, b *wt.Bench, job string) []*evidence.Parsed {
	t.Helper()
	var out []*evidence.Parsed
	for {
		ls, more, _, err := b.Any().Lines(context.Background(), b.Office, job, false, int64(len(out)), 1000)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range ls {
			p, err := evidence.ParseLine(l.Line)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, p)
		}
		if !more {
			return out
		}
	}
}

// count counts the lines of a record that are of a kind.
func count(t testing.TB, b *wt.Bench, job string, is func(*recordv1.Entry) bool) (n int) {
	t.Helper()
	for _, l := range lines(t, b, job) {
		if is(l.Fold.Entry) {
			n++
		}
	}
	return n
}

func refused(t testing.TB, b *wt.Bench, job string) []storage.Refused {
	t.Helper()
	rs, err := b.Any().Refused(context.Background(), b.Office, job, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return rs
}

func TestRule10APhotoStepIsOpenUntilTheServerHasTheBytes(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	climb := crew.Climb(job)
	pic := wt.Picture(1)
	crew.Climber.Now(job, wt.Photo(climb, pic))
	if got := stateOf(t, b.View(b.Office, job), wt.PhotoStep); got != recordv1.StepState_WAITING {
		t.Errorf("before the bytes: %v; want waiting", got)
	}
	if _, err := crew.Climber.Upload(b.Any(), job, workflow.PurposePhoto, pic, 1<<20); err != nil {
		t.Fatal(err)
	}
	is := func(e *recordv1.Entry) bool { return e.GetPhotoReceived() != nil }
	if n := count(t, b, job, is); n != 1 {
		t.Errorf("'photo received' lines: %d; want 1", n)
	}
	b.Drain()
	if got := stateOf(t, b.View(b.Office, job), wt.PhotoStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("after the examination: %v; want complete", got)
	}
	// Begun again and finished again: no second line.
	if _, err := crew.Climber.Upload(b.Any(), job, workflow.PurposePhoto, pic, 1<<20); err != nil {
		t.Fatal(err)
	}
	if n := count(t, b, job, is); n != 1 {
		t.Errorf("'photo received' lines after a second upload: %d; want 1", n)
	}
}

func TestRule12AReturnedStepNeedsANewEntry(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	climb := crew.Day(job, 1)
	b.Clock.Advance(5 * time.Minute)
	crew.Lead.Now(job, wt.Returned("paint mark missing", wt.TorqueStep))
	v := b.View(b.Office, job)
	if got := stateOf(t, v, wt.TorqueStep); got != recordv1.StepState_RETURNED || v.Row.State != storage.JobOpen {
		t.Errorf("returned: step %v, job %v; want returned, open", got, v.Row.State)
	}
	b.Clock.Advance(5 * time.Minute)
	crew.Climber.Now(job, wt.Torque(climb, 26))
	if got := stateOf(t, b.View(b.Office, job), wt.TorqueStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("after a new entry: %v; want complete", got)
	}
}

func TestRule15AnAcknowledgementIsThePersonsOwn(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	if err := b.Service().SetOwnCode(ctx, crew.Climber2.ID, "4711", ""); err != nil {
		t.Fatal(err)
	}
	job := b.Job("j1")
	climb := crew.Lead.Now(job, wt.ClimbOpened("climber", "climber2")).ID
	crew.Climber.Now(job, wt.Briefed(climb, "climber"))
	step := "climb:" + climb + "/briefing/understood"

	// Said on another's phone, with a wrong code and offline: kept, an exception, the gate stays.
	say := func(code string) workflow.Result {
		sub := crew.Climber.Make(job, wt.Briefed(climb, "climber2"))
		sub.Code = code
		rs, _, err := b.Any().Submit(ctx, crew.Climber.ID, job, []workflow.Submission{sub}, nil)
		if err != nil || rs[0].Outcome != workflow.Accepted {
			t.Fatalf("said on another's phone: %+v, %v; want it kept", rs, err)
		}
		return rs[0]
	}
	r := say("")
	v := b.View(b.Office, job)
	if !slices.Contains(exceptions(v), record.OnAnothersPhone) || stateOf(t, v, step) == recordv1.StepState_COMPLETE {
		t.Errorf("said without a code: %v, step %v; want the exception and the step not complete", exceptions(v), stateOf(t, v, step))
	}
	// Five tries, then not even the right code.
	for range 5 {
		say("0000")
	}
	say("4711")
	if got := stateOf(t, b.View(b.Office, job), step); got == recordv1.StepState_COMPLETE {
		t.Error("the right code after five wrong ones opened the step")
	}
	if _, err := b.Any().ConfirmAcknowledgement(ctx, crew.Climber.ID, job, r.ID, "climber2", "4711"); errs.ReasonOf(err) != "CODE_TRIES" {
		t.Errorf("confirm with the code while tries are used up: %v; want CODE_TRIES", err)
	}
	// Nobody confirms for another.
	if _, err := b.Any().ConfirmAcknowledgement(ctx, crew.Climber.ID, job, r.ID, "climber2", ""); errs.ReasonOf(err) != "CODE_MISSING" {
		t.Errorf("confirm for another without his code: %v; want CODE_MISSING", err)
	}
	b.Clock.Advance(16 * time.Minute)
	if rr := say("4711"); rr.Assessment == nil {
		t.Error("no assessment")
	}
	if got := stateOf(t, b.View(b.Office, job), step); got != recordv1.StepState_COMPLETE {
		t.Errorf("with the own code: %v; want complete", got)
	}
	// Confirmed on the own phone, twice: one line.
	first, err := b.Any().ConfirmAcknowledgement(ctx, crew.Climber2.ID, job, r.ID, "", "")
	if err != nil {
		t.Fatal(err)
	}
	again, err := b.Any().ConfirmAcknowledgement(ctx, crew.Climber2.ID, job, r.ID, "", "")
	if err != nil || again != first {
		t.Errorf("confirmed again: line %d, %v; want line %d", again, err, first)
	}
}

func TestRule16UnsentWorkLastReportedIsAnException(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	three := int64(3)
	if _, _, err := b.Any().Submit(ctx, crew.Climber2.ID, job, nil, &three); err != nil {
		t.Fatal(err)
	}
	crew.Lead.LookAt(job)
	v := b.View(crew.Lead.ID, job)
	_, err := b.Any().SignOff(ctx, crew.Lead.ID, job, crew.Lead.Make(job, wt.SignedOff(v)), "")
	var fresh *workflow.NewLines
	if !errors.As(err, &fresh) {
		t.Fatalf("sign-off while a phone holds work: %v; want the line that says so", err)
	}
	if v = b.View(crew.Lead.ID, job); !slices.Contains(exceptions(v), record.UnsentWork) {
		t.Errorf("exceptions: %v; want unsent work among them", exceptions(v))
	}
	crew.Lead.SignOff(job)
	verified(t, b, job)
}

func TestRule17OneMoreLookAndOneMoreSignatureSuffice(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	crew.Lead.LookAt(job)
	stale := b.View(crew.Lead.ID, job)
	crew.Climber.Now(job, wt.Note("one"))
	crew.Climber2.Now(job, wt.Note("two"))
	_, err := b.Any().SignOff(ctx, crew.Lead.ID, job, crew.Lead.Make(job, wt.SignedOff(stale)), "")
	var fresh *workflow.NewLines
	if !errors.As(err, &fresh) || errs.KindOf(err) != errs.Stale || len(fresh.Lines) != 2 || fresh.Head.Size != stale.Head.Size+2 {
		t.Fatalf("sign-off over a stale root: %v; want it stale, with the two lines", err)
	}
	v := b.View(crew.Lead.ID, job)
	if len(v.Blockers) != 0 {
		t.Errorf("blockers after the refused sign-off: %+v; want none", v.Blockers)
	}
	e := wt.SignedOff(v)
	e.GetSignedOff().Size, e.GetSignedOff().Root = fresh.Head.Size, fresh.Head.Root[:]
	if _, err := b.Any().SignOff(ctx, crew.Lead.ID, job, crew.Lead.Make(job, e), ""); err != nil {
		t.Errorf("sign-off over the head that the error named: %v", err)
	}
}

func TestRule18AddendaAreSealedDailyAndChangeNothing(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	climb := crew.Day(job, 1)
	locked := crew.Lead.SignOff(job)
	before := b.View(b.Office, job)

	b.Clock.Advance(time.Hour)
	crew.Climber.Try(job, wt.Note("came down late"))
	if ok, err := b.Service().SealAddenda(ctx, wt.Org, job); !ok || err != nil {
		t.Fatalf("seal: %v, %v", ok, err)
	}
	if ok, err := b.Service().SealAddenda(ctx, wt.Org, job); ok || err != nil {
		t.Errorf("seal with nothing new: %v, %v; want nothing done", ok, err)
	}
	r := crew.Climber.Try(job, wt.Torque(climb, 3))
	if r.Outcome != workflow.Addendum || r.Seq != 2 {
		t.Errorf("late torque: %v, seq %d; want addendum 2", r.Outcome, r.Seq)
	}
	v := b.View(b.Office, job)
	if !v.Row.Contradicted {
		t.Error("an addendum with a fail on a passed step does not contradict")
	}
	if stateOf(t, v, wt.TorqueStep) != recordv1.StepState_COMPLETE || v.Head.Root != locked.Head.Root || v.State.AsOf != before.State.AsOf {
		t.Error("an addendum changed the locked state")
	}
	if again := crew.Climber.Send(b.Any(), job); len(again) != 0 {
		t.Errorf("outbox: %v", again)
	}
	verified(t, b, job)
}

func TestRule19RefusedEntriesAreKeptAside(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Climber.Now(job, wt.Note("first"))

	// Not authorised: kept, with its reason; the others of the batch are accepted.
	bad := wt.Returned("I say so", wt.TorqueStep) // a lead's word
	crew.Climber.Say(job, bad)
	crew.Climber.Say(job, wt.Note("second"))
	rs := crew.Climber.Send(b.Any(), job)
	if rs[0].Outcome != workflow.Refused || rs[0].Reason != "ROLE_MISSING" || !rs[0].Permanent || !rs[0].KeptAside {
		t.Errorf("a climber returns steps: %+v; want it refused for good and kept", rs[0])
	}
	if rs[1].Outcome != workflow.Accepted {
		t.Errorf("the next of the batch: %+v; want it accepted", rs[1])
	}
	// The chain is whole over accepted and refused entries.
	if v := b.View(b.Office, job); slices.Contains(exceptions(v), record.ChainGap) || slices.Contains(exceptions(v), record.ChainBroken) {
		t.Errorf("exceptions: %v; want no gap where an entry was refused", exceptions(v))
	}
	// What a newer client says is refused for now only, and not kept.
	sub := crew.Climber.SignBytes([]byte(strings.Replace(string(crew.Climber.Sign(crew.Climber.Fill(job, wt.Note("x"))).Payload), `"note"`, `"noteOfTomorrow"`, 1)))
	rs, _, err := b.Any().Submit(ctx, crew.Climber.ID, job, []workflow.Submission{sub}, nil)
	if err != nil || rs[0].Reason != "PAYLOAD_NOT_KNOWN" || rs[0].Permanent || rs[0].KeptAside {
		t.Errorf("a member that the server does not know: %+v, %v; want 'later'", rs, err)
	}
	// A lead admits it; sent once more it is known, and nothing is stopped.
	kept := refused(t, b, job)
	if len(kept) != 1 || kept[0].Device != crew.Climber.ID.Device || kept[0].Counter != 2 {
		t.Fatalf("kept aside: %+v; want the one, at counter 2 of its device", kept)
	}
	if _, err := b.Any().AdmitRefused(ctx, crew.Climber.ID, job, kept[0].Digest, "mine"); errs.KindOf(err) != errs.Denied {
		t.Errorf("a climber admits: %v; want it denied", err)
	}
	if _, err := b.Any().AdmitRefused(ctx, crew.Lead.ID, job, kept[0].Digest, "he is right"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Any().AdmitRefused(ctx, crew.Lead.ID, job, kept[0].Digest, "again"); errs.ReasonOf(err) != "ALREADY_ADMITTED" {
		t.Errorf("admitted again: %v; want ALREADY_ADMITTED", err)
	}
}

func TestRule19AnAdmittedEntryThatIsSentAgainStopsNothing(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	// An auditor reads a value and sends it: refused for his role. The role changes.
	auditor := b.Phone("auditor")
	sub := auditor.Make(job, wt.ReturnLoss(21))
	send := func(subs ...workflow.Submission) []workflow.Result {
		rs, _, err := b.Any().Submit(ctx, auditor.ID, job, subs, nil)
		if err != nil {
			t.Fatal(err)
		}
		return rs
	}
	auditor.ID.Scope = nil
	if r := send(sub)[0]; r.Outcome != workflow.Refused {
		t.Fatalf("an auditor's reading: %+v; want it refused", r)
	}
	if n, _, err := b.Any().DeviceChain(ctx, auditor.ID, job); n != 1 || err != nil {
		t.Errorf("chain after a refused entry: %d, %v; want 1, its counter is used up", n, err)
	}
	if _, err := b.Any().AdmitRefused(ctx, crew.Lead.ID, job, seal.Sum(sub.Payload), "he measured it"); err != nil {
		t.Fatal(err)
	}
	if got := stateOf(t, b.View(b.Office, job), wt.LossStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("the step of an admitted reading: %v; want complete", got)
	}
	ls := lines(t, b, job)
	if pin := ls[len(ls)-1].Fold.Assessment.GetPinned(); pin.GetToolCalibratedUntil() != "2026-12-01" {
		t.Errorf("facts pinned for an admitted reading: %v; want its instrument's calibration", pin)
	}
	p, err := b.Service().Person(ctx, wt.Org, "auditor")
	if err != nil {
		t.Fatal(err)
	}
	p.Roles = append(p.Roles, access.Climber)
	if _, err := b.Service().UpdatePerson(ctx, b.Office, p); err != nil {
		t.Fatal(err)
	}
	rs := send(sub, auditor.Make(job, wt.Note("and this")))
	if rs[0].Outcome != workflow.AlreadyKnown || rs[1].Outcome != workflow.Accepted {
		t.Errorf("the admitted entry again, with another: %v and %v (%s); want already known and accepted", rs[0].Outcome, rs[1].Outcome, rs[1].Sentence)
	}
}

func TestRule19AtMostFiveHundredOrTwoMebibytesForADeviceAndJob(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	p := b.Phone("climber")
	job := b.Job("j1")
	send := func(subs []workflow.Submission) []workflow.Result {
		rs, _, err := b.Any().Submit(ctx, p.ID, job, subs, nil)
		if err != nil {
			t.Fatal(err)
		}
		return rs
	}
	var subs []workflow.Submission
	for i := range 505 {
		subs = append(subs, p.SignBytes(fmt.Appendf(nil, `{"id":"no id %d"}`, i)))
	}
	rs := append(send(subs[:400]), send(subs[400:])...)
	kept := 0
	for _, r := range rs {
		if r.KeptAside {
			kept++
		} else if r.Permanent {
			t.Errorf("not kept and yet for good: %+v; want the phone to keep it", r)
		}
	}
	if kept != workflow.MaxRefusedCount || len(refused(t, b, job)) != workflow.MaxRefusedCount {
		t.Errorf("kept: %d said, %d there; want %d", kept, len(refused(t, b, job)), workflow.MaxRefusedCount)
	}
	// One that is kept is still kept when it is sent again.
	if r := send(subs[:1])[0]; !r.KeptAside || !r.Permanent {
		t.Errorf("sent again though kept: %+v; want kept", r)
	}
	job2 := b.Job("j2")
	big := func(i int) workflow.Submission {
		return p.SignBytes(fmt.Appendf(nil, `{"id":"no id %d","note":{"text":"%s"}}`, i, strings.Repeat("x", 900<<10)))
	}
	rs, _, err := b.Any().Submit(ctx, p.ID, job2, []workflow.Submission{big(1), big(2), big(3)}, nil)
	if err != nil || !rs[0].KeptAside || !rs[1].KeptAside || rs[2].KeptAside {
		t.Errorf("three of 900 KiB: kept %v %v %v, %v; want two", rs[0].KeptAside, rs[1].KeptAside, rs[2].KeptAside, err)
	}
}

func TestRule19ARefusedSignOffIsACustodyLineAndKeptAside(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	sub := crew.Lead.Make(job, wt.SignedOff(b.View(crew.Lead.ID, job)))
	_, err := b.Any().SignOff(ctx, crew.Lead.ID, job, sub, "")
	wantReason(t, "sign-off of an empty job", err, "SIGN_OFF_BLOCKED")
	cs, err := b.Any().Custody(ctx, b.Office, job, 0, 10)
	if err != nil || len(cs) != 1 || cs[0].Subject != "SIGN_OFF_BLOCKED" || string(cs[0].Detail) != string(sub.Payload) || cs[0].Who != "people/lead" {
		t.Errorf("custody: %+v, %v; want one line with the payload", cs, err)
	}
	if rs := refused(t, b, job); len(rs) != 1 || rs[0].Digest != seal.Sum(sub.Payload) || rs[0].Counter != 1 || rs[0].EntryID == "" {
		t.Errorf("kept aside: %+v; want the sign-off with its counter", rs)
	}
	crew.Lead.Now(job, wt.Note("on with it"))
	if v := b.View(b.Office, job); slices.Contains(exceptions(v), record.ChainGap) {
		t.Errorf("exceptions: %v; want no gap at the refused sign-off", exceptions(v))
	}
}

func TestRule20AKitCheckHoldsInEveryJobOfTheOrganisation(t *testing.T) {
	known := func(e *recordv1.Entry) bool { return e.GetKitCheckKnown() != nil }
	t.Run("a check before the reading", func(t *testing.T) {
		b := embedded(t)
		p := b.Phone("climber")
		one, two := b.Job("j1"), b.Job("j2")
		check := p.Now(one, wt.KitCheck(-175))
		b.Drain()
		b.Clock.Advance(time.Hour)
		r := p.Now(two, wt.PIM(-165))
		if r.Assessment.GetVerdict() != recordv1.Verdict_PASS || r.Assessment.GetPinned().GetKitCheck() != check.ID {
			t.Errorf("reading in another job: %v with check %q; want a pass that names %s", r.Assessment.GetVerdict(), r.Assessment.GetPinned().GetKitCheck(), check.ID)
		}
		if n := count(t, b, two, known); n != 1 {
			t.Errorf("'kit check known' lines: %d; want 1", n)
		}
	})
	t.Run("a check that arrives after the reading", func(t *testing.T) {
		b := embedded(t)
		p, q := b.Phone("climber"), b.Phone("climber2")
		one, two := b.Job("j1"), b.Job("j2")
		q.Say(one, wt.KitCheck(-175)) // made now, sent later
		b.Clock.Advance(time.Hour)
		p.Now(two, wt.PIM(-165))
		if got := stateOf(t, b.View(b.Office, two), wt.PIMStep); got != recordv1.StepState_OPEN {
			t.Errorf("reading without a check: %v; want open", got)
		}
		q.Accepted(one)
		b.Drain()
		if got := stateOf(t, b.View(b.Office, two), wt.PIMStep); got != recordv1.StepState_COMPLETE {
			t.Errorf("after the check arrived: %v; want complete", got)
		}
		b.Drain()
		if n := count(t, b, two, known); n != 1 {
			t.Errorf("'kit check known' lines: %d; want 1", n)
		}
	})
	t.Run("a bad check after a good one puts readings in doubt, also in another job", func(t *testing.T) {
		b := embedded(t)
		p := b.Phone("climber")
		one, two := b.Job("j1"), b.Job("j2")
		p.Now(one, wt.KitCheck(-175))
		b.Drain()
		b.Clock.Advance(time.Hour)
		p.Now(two, wt.PIM(-165))
		b.Clock.Advance(time.Hour)
		p.Now(one, wt.KitCheck(-120))
		b.Drain()
		v := b.View(b.Office, two)
		if len(v.State.Doubts) != 1 || stateOf(t, v, wt.PIMStep) != recordv1.StepState_WAITING {
			t.Errorf("doubts %+v, step %v; want one doubt and the step waiting", v.State.Doubts, stateOf(t, v, wt.PIMStep))
		}
	})
	t.Run("nobody sees the newest check behind a thousand old ones", func(t *testing.T) {
		b := embedded(t)
		p := b.Phone("climber")
		one, two := b.Job("j1"), b.Job("j2")
		p.Now(one, wt.KitCheck(-175))
		b.Clock.Advance(15 * time.Hour) // the next day
		check := p.Now(one, wt.KitCheck(-176))
		b.Drain()
		if r := p.Now(two, wt.PIM(-165)); r.Assessment.GetPinned().GetKitCheck() != check.ID {
			t.Errorf("check behind the reading: %q; want the newest, %s", r.Assessment.GetPinned().GetKitCheck(), check.ID)
		}
	})
}

func TestRule21And22AChangedCalibrationReachesWhatWasMeasured(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	open, locked := b.Job("j1"), b.Job("j2")
	crew.Day(locked, 1)
	crew.Lead.SignOff(locked)
	climb := crew.Climb(open)
	crew.Climber.Now(open, wt.Torque(climb, 26))
	b.Clock.Advance(24 * time.Hour)
	i, err := b.Service().Instrument(ctx, b.Office, "wrench")
	if err != nil {
		t.Fatal(err)
	}
	i.CalibratedUntil, i.Remark = "2026-03-01", "found bad at recalibration"
	if _, err := b.Service().UpdateInstrument(ctx, b.Office, i); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	v := b.View(b.Office, open)
	if stateOf(t, v, wt.TorqueStep) != recordv1.StepState_WAITING || len(v.State.Doubts) != 1 {
		t.Fatalf("torque with a wrench whose calibration had ended: %v, doubts %+v; want it waiting for the lead", stateOf(t, v, wt.TorqueStep), v.State.Doubts)
	}
	if v := b.View(b.Office, locked); v.Row.AddendumCount != 1 {
		t.Errorf("addenda of the locked job: %d; want one that names the calibration", v.Row.AddendumCount)
	}
	verified(t, b, locked)
	crew.Lead.Now(open, &recordv1.Entry{Kind: &recordv1.Entry_Assessed{Assessed: &recordv1.Assessed{Doubts: []string{v.State.Doubts[0].ID}, Outcome: recordv1.Assessed_STANDS, Reason: "error found is 1 %"}}})
	if got := stateOf(t, b.View(b.Office, open), wt.TorqueStep); got != recordv1.StepState_COMPLETE {
		t.Errorf("after the lead's assessment: %v; want complete", got)
	}
	// An expired tool: judged by the numbers, flagged, open until assessed.
	r := crew.Climber.Now(open, wt.Torque(climb, 26))
	if r.Assessment.GetVerdict() == recordv1.Verdict_FAIL || r.Assessment.GetPinned().GetToolCalibratedUntil() != "2026-03-01" {
		t.Errorf("expired wrench: %v, calibrated until %q; want the verdict by the numbers and the day pinned", r.Assessment.GetVerdict(), r.Assessment.GetPinned().GetToolCalibratedUntil())
	}
	if got := stateOf(t, b.View(b.Office, open), wt.TorqueStep); got != recordv1.StepState_WAITING {
		t.Errorf("step with an expired wrench: %v; want it waiting", got)
	}
}

func TestRule23AnAssessmentCarriesWhatItUsedAndReplaysTheSame(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	crew.Day(job, 1)
	fold := record.Open(proceduretest.Compiled(t))
	for _, p := range lines(t, b, job) {
		said := proto.Clone(p.Fold.Assessment).(*recordv1.Assessment)
		if p.Fold.Entry.GetTorqueApplied() != nil {
			pin := said.GetPinned()
			if pin.GetToolCalibratedUntil() != "2026-12-01" || pin.GetToolClass() != "II A" || pin.GetToolMaximum() != 50 || pin.GetRules() == "" || !slices.Contains(pin.GetRoles(), "CLIMBER") || pin.GetOffset() == nil {
				t.Errorf("pinned facts of the torque: %v; want calibration, class, range, rules, roles and offset", pin)
			}
			// The site's day, UTC+1 in March: 2 March 00:00 is 23:00 UTC on the first.
			if got, want := pin.GetDayBegin().AsTime(), time.Date(2026, 3, 1, 23, 0, 0, 0, time.UTC); !got.Equal(want) {
				t.Errorf("day begins %v; want %v", got, want)
			}
		}
		now, err := fold.Advance(p.Fold)
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(now, said) {
			t.Errorf("line %d: computed again %v; the line says %v", p.Fold.Seq, now, said)
		}
	}
}

func TestRule26AReadingUnderTheResidualIsShownAsAtMost(t *testing.T) {
	b := embedded(t)
	p := b.Phone("climber")
	job := b.Job("j1")
	p.Now(job, wt.KitCheck(-171))
	b.Clock.Advance(time.Minute)
	// Reading and residual added as voltages: -171 dBc twice is 6.02 dB more, still under -150.
	r := p.Now(job, wt.PIM(-172))
	if r.Assessment.GetVerdict() != recordv1.Verdict_PASS || !strings.Contains(r.Assessment.GetSentence(), "at most") {
		t.Errorf("a reading under the residual: %v, %q; want a pass shown as 'at most'", r.Assessment.GetVerdict(), r.Assessment.GetSentence())
	}
}

func TestRule29AValueThatIsAskedAboutIsKeptAsSaid(t *testing.T) {
	b := embedded(t)
	p := b.Phone("climber")
	job := b.Job("j1")
	r := p.Now(job, wt.ReturnLoss(-22)) // a minus on a return loss
	if !slices.ContainsFunc(r.Assessment.GetWarnings(), func(w *recordv1.Assessment_Warning) bool { return strings.HasPrefix(w.GetCode(), "ASK_") }) {
		t.Errorf("warnings of a return loss of -22 dB: %v; want a question", r.Assessment.GetWarnings())
	}
	if !slices.Contains(exceptions(b.View(b.Office, job)), record.NotConfirmed) {
		t.Error("a value asked about and not confirmed is no exception")
	}
	e := wt.ReturnLoss(-22)
	e.ConfirmedValue = true
	p.Now(job, e)
	ls := lines(t, b, job)
	if got := ls[len(ls)-1].Fold.Entry.GetReadingTaken().GetValue(); got != -22 {
		t.Errorf("confirmed value as kept: %v; want -22, as said", got)
	}
}

func TestRule30AClientWithoutAKeyMayLeaveOutCounterAndPrevious(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	job := b.Job("j1")
	desk := b.SignIn("climber")
	e := wt.Note("from the desk")
	e.Id, e.Job, e.Author = wt.NewID(), "jobs/"+job, "people/climber"
	e.DeviceTime = b.Phone("climber").Fill(job, wt.Note("")).DeviceTime
	rs, _, err := b.Any().Submit(ctx, desk, job, []workflow.Submission{{Entry: e}}, nil)
	if err != nil || rs[0].Outcome != workflow.Accepted {
		t.Fatalf("without a key: %+v, %v; want it accepted", rs, err)
	}
	ls := lines(t, b, job)
	if l := ls[len(ls)-1]; l.AttestedBy != seal.AttestedByServer || len(l.Signatures) != 0 {
		t.Errorf("the line: attested by %q, %d signatures; want the server, none", l.AttestedBy, len(l.Signatures))
	}
	// The same message again is known, though bytes may differ.
	rs, _, err = b.Any().Submit(ctx, desk, job, []workflow.Submission{{Entry: wt.Clone(e)}}, nil)
	if err != nil || rs[0].Outcome != workflow.AlreadyKnown {
		t.Errorf("the same message again: %+v, %v; want it known", rs, err)
	}
	// A payload by hand, spaced otherwise: the same message, not signed.
	rs, _, err = b.Any().Submit(ctx, desk, job, []workflow.Submission{{Payload: []byte(" " + string(wt.Payload(t, e)))}}, nil)
	if err != nil || rs[0].Outcome != workflow.AlreadyKnown {
		t.Errorf("the same message with other spaces: %+v, %v; want it known", rs, err)
	}
	if err := b.Service().UpdateSettings(ctx, b.Office, workflow.Settings{RequireDeviceSignatures: true}); err != nil {
		t.Fatal(err)
	}
	e = wt.Clone(e)
	e.Id = wt.NewID()
	rs, _, err = b.Any().Submit(ctx, desk, job, []workflow.Submission{{Entry: e}}, nil)
	if err != nil || rs[0].Reason != "SIGNATURE_REQUIRED" {
		t.Errorf("where signatures are asked for: %+v, %v; want SIGNATURE_REQUIRED", rs, err)
	}
}

func TestRule31TheSameBytesAreOneEntryAndIdsAreUniqueInTheOrganisation(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	p := b.Phone("climber")
	one, two := b.Job("j1"), b.Job("j2")
	sub := p.Make(one, wt.Note("once"))
	send := func(job string, subs ...workflow.Submission) []workflow.Result {
		rs, _, err := b.Any().Submit(ctx, p.ID, job, subs, nil)
		if err != nil {
			t.Fatal(err)
		}
		return rs
	}
	rs := send(one, sub, sub)
	if rs[0].Outcome != workflow.Accepted || rs[1].Outcome != workflow.AlreadyKnown || rs[1].Seq != rs[0].Seq {
		t.Errorf("twice in a batch: %+v; want one line", rs)
	}
	resigned := p.SignBytes(sub.Payload)
	if r := send(one, resigned)[0]; r.Outcome != workflow.AlreadyKnown || r.Seq != rs[0].Seq || r.Assessment == nil {
		t.Errorf("the same payload with another signature: %+v; want it known", r)
	}
	other := p.Fill(one, wt.Note("other"))
	other.Id = rs[0].ID
	if r := send(one, p.Sign(other))[0]; r.Reason != "ENTRY_ID_CONFLICT" || r.Outcome != workflow.Refused {
		t.Errorf("the id with other bytes: %+v; want ENTRY_ID_CONFLICT", r)
	}
	other = p.Fill(two, wt.Note("elsewhere"))
	other.Id = rs[0].ID
	if r := send(two, p.Sign(other))[0]; r.Reason != "ENTRY_ID_CONFLICT" {
		t.Errorf("the id in another job: %+v; want ENTRY_ID_CONFLICT", r)
	}
	typed := wt.ReturnLoss(22)
	typed.GetReadingTaken().Typed = "23"
	if r := p.Try(one, typed); r.Reason != "TYPED_DIFFERS" {
		t.Errorf("typed 23 for 22: %+v; want TYPED_DIFFERS", r)
	}
}

func TestRule32AForkedChainIsAnExceptionAndADeviceAsksWhereItIs(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	p := b.Phone("climber")
	job := b.Job("j1")
	if n, _, err := b.Any().DeviceChain(ctx, p.ID, job); n != 0 || err != nil {
		t.Errorf("chain of a new phone: %d, %v; want 0", n, err)
	}
	p.Now(job, wt.Note("one"))
	fork := p.Sign(p.Fill(job, wt.Note("two, lost in a restore")))
	if rs, _, err := b.Any().Submit(ctx, p.ID, job, []workflow.Submission{fork}, nil); err != nil || rs[0].Outcome != workflow.Accepted {
		t.Fatalf("%+v, %v", rs, err)
	}
	p.Now(job, wt.Note("two again")) // the same counter, other bytes
	if v := b.View(b.Office, job); !slices.Contains(exceptions(v), record.ChainForked) {
		t.Errorf("exceptions: %v; want a forked chain", exceptions(v))
	}
	last := p.Make(job, wt.Note("three"))
	if _, _, err := b.Any().Submit(ctx, p.ID, job, []workflow.Submission{last}, nil); err != nil {
		t.Fatal(err)
	}
	if n, d, err := b.Any().DeviceChain(ctx, p.ID, job); n != 3 || d != seal.Sum(last.Payload) || err != nil {
		t.Errorf("chain: %d, %x, %v; want 3 and the last payload's hash", n, d, err)
	}
	if _, _, err := b.Any().DeviceChain(ctx, b.SignIn("climber"), job); errs.ReasonOf(err) != "NO_DEVICE" {
		t.Errorf("without a device: %v; want NO_DEVICE", err)
	}
}

func TestRule33AReenrolledPhoneDeliversItsOlderEntries(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	old := b.Phone("climber")
	job := b.Job("j1")
	sub := old.Make(job, wt.Note("before the phone was set up again"))
	fresh := b.Phone("climber")
	rs, _, err := b.Any().Submit(ctx, fresh.ID, job, []workflow.Submission{sub}, nil)
	if err != nil || rs[0].Outcome != workflow.Accepted {
		t.Fatalf("older entry over a new session: %+v, %v; want it accepted", rs, err)
	}
	ls := lines(t, b, job)
	l := ls[len(ls)-1]
	if l.Fold.Entry.GetDevice() != "devices/"+old.ID.Device || l.Identity.Device != "devices/"+fresh.ID.Device || l.Fold.KeyID != old.KeyID {
		t.Errorf("the line names %s in the entry and %s in the identity; want %s and %s", l.Fold.Entry.GetDevice(), l.Identity.Device, old.ID.Device, fresh.ID.Device)
	}
	// A revoked key stays refused, is kept, and its counter is no gap.
	sub = old.Make(job, wt.Note("lost phone"))
	if _, err := b.Service().RevokeDevice(ctx, b.Office, old.ID.Device, "lost"); err != nil {
		t.Fatal(err)
	}
	rs, _, err = b.Any().Submit(ctx, fresh.ID, job, []workflow.Submission{sub}, nil)
	if err != nil || rs[0].Reason != "KEY_REVOKED" || !rs[0].KeptAside {
		t.Errorf("revoked key: %+v, %v; want it refused and kept", rs, err)
	}
	if k := refused(t, b, job); len(k) != 1 || k[0].Device != old.ID.Device || k[0].Counter != 2 {
		t.Errorf("kept aside: %+v; want it under the device that made it", k)
	}
}

func TestRules34To36ClimbsIdsFollowUpsAndFitness(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	job := b.Job("j1")
	climb := crew.Lead.Now(job, wt.ClimbOpened("climber")).ID
	if v := b.View(b.Office, job); len(v.State.Climbs) != 1 || v.State.Climbs[0].ID != climb {
		t.Errorf("climbs: %+v; want one with the id of its entry", v.State.Climbs)
	}
	plan := wt.Plan()
	plan.Lines[0].Id = "A 1"
	if _, err := b.Service().CreateJob(ctx, b.Office, workflow.NewJob{Title: "x", Site: "ridge", Procedure: "minimal", Plan: plan}, ""); errs.KindOf(err) != errs.Invalid {
		t.Errorf("plan id with a space: %v; want it refused", err)
	}
	if _, err := b.Service().CreateSite(ctx, b.Office, workflow.Site{Title: "x", Zone: "Nowhere/Land", Latitude: 1, Longitude: 1}, ""); errs.ReasonOf(err) != "ZONE_UNKNOWN" {
		t.Errorf("zone Nowhere/Land: %v; want ZONE_UNKNOWN", err)
	}
	if _, err := b.Service().CreateJob(ctx, b.Office, workflow.NewJob{Title: "x", Site: "ridge", Procedure: "minimal", Plan: wt.Plan(), Follows: "nothing"}, ""); errs.ReasonOf(err) != "JOB_NOT_FOUND" {
		t.Errorf("follows a job that is not there: %v; want JOB_NOT_FOUND", err)
	}
	if _, err := b.Service().AssignJob(ctx, b.Office, job, []string{"climber"}, "2026-03-02"); err != nil {
		t.Fatal(err)
	}
	js, err := b.Any().Jobs(ctx, crew.Climber.ID, storage.JobFilter{Person: "climber", Day: "2026-03-02"}, time.Time{}, "", 10)
	if err != nil || len(js) != 1 || js[0].ID != job {
		t.Errorf("my jobs today: %+v, %v; want %s", js, err, job)
	}
	e := wt.Briefed(climb, "climber")
	e.GetAcknowledged().Fitness = recordv1.Acknowledged_NOT_FIT
	crew.Climber.Now(job, e)
	if got := stateOf(t, b.View(b.Office, job), e.Step); got != recordv1.StepState_OUT_OF_LIMITS {
		t.Errorf("not fit, by his own word: %v; want it out of limits", got)
	}
}

func TestAuditorsSeeOnlyWhatTheirGrantsCover(t *testing.T) {
	ctx := context.Background()
	b := embedded(t)
	crew := b.Crew()
	if _, err := b.Service().CreateSite(ctx, b.Office, workflow.Site{ID: "valley", Title: "Demo Valley", Zone: "Europe/Madrid", Latitude: 41, Longitude: 2}, ""); err != nil {
		t.Fatal(err)
	}
	crew.Day(b.Job("j1"), 1)
	crew.Lead.SignOff("j1")
	for i := range 7 {
		b.JobWith(workflow.NewJob{ID: fmt.Sprintf("v%d", i), Site: "valley"})
	}
	if _, err := b.Service().CreateGrant(ctx, b.Office, access.Grant{Person: "auditor", Sites: []string{"ridge"}, ExpireTime: b.Clock.Now().Add(30 * 24 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	id := b.SignIn("auditor")
	s := b.Service()
	js, err := s.Jobs(ctx, id, storage.JobFilter{}, time.Time{}, "", 5)
	if err != nil || len(js) != 1 || js[0].ID != "j1" {
		t.Errorf("an auditor's jobs: %d, %v; want j1 alone", len(js), err)
	}
	sites, err := s.Sites(ctx, id, "", 10)
	if err != nil || len(sites) != 1 || sites[0].ID != "ridge" {
		t.Errorf("an auditor's sites: %+v, %v; want ridge alone", sites, err)
	}
	reads := map[string]func(job string) error{
		"job":       func(job string) error { _, err := s.Job(ctx, id, job); return err },
		"view":      func(job string) error { _, err := s.View(ctx, id, job); return err },
		"lines":     func(job string) error { _, _, _, err := s.Lines(ctx, id, job, false, 0, 10); return err },
		"addenda":   func(job string) error { _, _, _, err := s.Lines(ctx, id, job, true, 0, 10); return err },
		"refused":   func(job string) error { _, err := s.Refused(ctx, id, job, 0, 10); return err },
		"inclusion": func(job string) error { _, _, err := s.Inclusion(ctx, id, job, 0); return err },
		"package":   func(job string) error { _, _, err := s.Package(ctx, id, job, nil); return err },
		"readings":  func(job string) error { return s.Readings(ctx, id, job, &strings.Builder{}) },
		"report": func(job string) error {
			return s.Report(ctx, id, job, func([32]byte) evidence.Picture { return evidence.Picture{} }, &strings.Builder{})
		},
		"file": func(job string) error {
			rc, _, _, err := s.File(ctx, id, job, seal.Sum(wt.Picture(1)), 0)
			if err == nil {
				err = rc.Close()
			}
			return err
		},
	}
	for name, read := range reads {
		before, err := s.Custody(ctx, b.Office, "j1", 0, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if err := read("j1"); err != nil {
			t.Errorf("%s of a job within the grant: %v", name, err)
		}
		after, err := s.Custody(ctx, b.Office, "j1", 0, 1000)
		if err != nil || len(after) != len(before)+1 || after[0].Who != "people/auditor" {
			t.Errorf("%s: %d custody lines more, %v; want one by the auditor", name, len(after)-len(before), err)
		}
		hidden, absent := read("v1"), read("nothing")
		if errs.KindOf(hidden) != errs.NotFound || errs.KindOf(absent) != errs.NotFound {
			t.Errorf("%s of a job outside, of none: %v, %v; want not found", name, hidden, absent)
		} else if strings.ReplaceAll(hidden.Error(), "v1", "nothing") != absent.Error() {
			t.Errorf("%s: a hidden job answers %q, one that is not there %q; want the same", name, hidden, absent)
		}
	}
	if _, _, err := s.Submit(ctx, id, "v1", nil, nil); errs.KindOf(err) != errs.NotFound {
		t.Errorf("an auditor sends to a job outside: %v; want not found", err)
	}
	// A link reads one job and writes nothing.
	_, secret, err := s.CreateShareLink(ctx, b.Office, access.ShareLink{Job: "j1"}, "")
	if err != nil {
		t.Fatal(err)
	}
	token, _, _, err := s.OpenShareLink(ctx, secret, "", "test")
	if err != nil {
		t.Fatal(err)
	}
	link, err := s.Authenticate(ctx, token)
	if err != nil {
		t.Fatal(err)
	}
	if js, err := s.Jobs(ctx, link, storage.JobFilter{}, time.Time{}, "", 100); err != nil || len(js) != 1 {
		t.Errorf("jobs through a link: %d, %v; want one", len(js), err)
	}
	stop := &recordv1.Entry{Id: wt.NewID(), Job: "jobs/j1", DeviceTime: crew.Climber.Fill("j1", wt.Note("")).DeviceTime, Kind: &recordv1.Entry_WorkStopped{WorkStopped: &recordv1.WorkStopped{}}}
	if _, _, err := s.Submit(ctx, link, "j1", []workflow.Submission{{Entry: stop}}, nil); errs.ReasonOf(err) != "READ_ONLY" {
		t.Errorf("a link stops the work: %v; want READ_ONLY", err)
	}
}

// Rule 28: a trace with another reference impedance is referred to the line's.
// Both are shown, and the line's is judged.
func TestRule28ATraceIsReferredToTheLinesImpedance(t *testing.T) {
	b := embedded(t)
	crew := b.Crew()
	plan := wt.Plan()
	*plan.Lines[0].LowMhz, *plan.Lines[0].HighMhz = 700, 800
	job := b.JobWith(workflow.NewJob{ID: "j1", Plan: plan})
	tr := trace(t, "free-order-75-ohm.s1p")
	crew.Climber.Now(job, wt.Trace(tr))
	if _, err := crew.Climber.Upload(b.Any(), job, workflow.PurposeTrace, tr, 1<<20); err != nil {
		t.Fatal(err)
	}
	b.Drain()
	var got *recordv1.TraceReceived
	for _, l := range lines(t, b, job) {
		if x := l.Fold.Entry.GetTraceReceived(); x != nil {
			got = x
		}
	}
	// By arithmetic, |Γ| at 800 MHz is √(0.1² + 0.2²) at 75 Ω, a return loss of
	// 13.01 dB; Z = 57 + 24j Ω, and at 50 Ω |Γ| is 0.227980: 12.8421 dB. At 700 MHz
	// it is 26.02 dB and, at 50 Ω, 0.232053: 12.6884 dB, the worst.
	if len(got.GetBands()) != 1 || math.Abs(got.GetBands()[0].GetReturnLossDb()-12.6884) > 1e-3 || got.GetBands()[0].GetAtMhz() != 700 {
		t.Errorf("bands %v; want 12.6884 dB at 700 MHz, by the line's 50 Ω", got.GetBands())
	}
	if !slices.ContainsFunc(got.GetWarnings(), func(w string) bool {
		return strings.Contains(w, "75 Ω") && strings.Contains(w, "13.01 dB") && strings.Contains(w, "50 Ω")
	}) {
		t.Errorf("warnings %q; want both impedances and the 13.01 dB of the trace's own", got.GetWarnings())
	}
}
