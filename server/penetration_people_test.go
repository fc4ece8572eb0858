package server_test

import (
	"bytes"
	"image/png"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"rsc.io/qr"

	"witnessmark/internal/access"
	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

// A climber whose qualification has ended holds the work on the structure, until
// the office enters it again.
func TestEndedQualificationHoldsTheClimb(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	doc := bytes.Replace(proceduretest.Document(), []byte("    on_structure: true\n"), []byte("    on_structure: true\n    qualifications: [climbing]\n"), 1)
	doc = bytes.Replace(doc, []byte("id: minimal"), []byte("id: qualified"), 1)
	rev, err := x.a.Office.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: doc})
	if err != nil {
		t.Fatal(err)
	}
	until := func(day string) {
		t.Helper()
		if _, err := x.a.Office.People.UpdatePerson(ctx, &witnessmarkv1.UpdatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/climber", Title: "Climber Person", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_CLIMBER},
			Qualifications: []*witnessmarkv1.Person_Qualification{{Name: "climbing", Until: day}}}}); err != nil {
			t.Fatal(err)
		}
	}
	day := func(d int) string { return time.Now().UTC().AddDate(0, 0, d).Format(time.DateOnly) }
	for name, c := range map[string]struct {
		until string
		held  bool
	}{"ended last week": {day(-7), true}, "ends next week": {day(7), false}} {
		until(c.until)
		j, err := x.a.Lead.Jobs.CreateJob(ctx, &witnessmarkv1.CreateJobRequest{Title: name, Site: x.a.Site, ProcedureRevision: rev.GetName(), Plan: proceduretest.Plan(), People: []string{"people/climber"}})
		if err != nil {
			t.Fatal(err)
		}
		x.a.Lead.Submit(t, j.GetName(), servertest.Sign(t, x.a.Lead.Chain(t, j.GetName()), &recordv1.Entry{Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: []string{"people/climber"}}}}))
		v, err := x.a.Lead.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: j.GetName()})
		if err != nil {
			t.Fatal(err)
		}
		held := false
		for _, h := range v.GetHolds() {
			held = held || strings.HasPrefix(h.GetGate(), "qualification:")
		}
		if held != c.held {
			t.Errorf("a qualification that %s: held %v; want %v (holds %v)", name, held, c.held, v.GetHolds())
		}
	}
}

// A phone goes lost with work that it never sent. Another of the same person does
// the open steps; what was only on the lost one stands in the lead's list, named.
func TestLostPhone(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	three := int64(3)
	chain := x.a.Climber.Chain(t, job)
	if _, err := x.a.Climber.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: job, UnsentCount: &three, Entries: []*witnessmarkv1.SubmittedEntry{servertest.Sign(t, chain, servertest.Note("the last that came"))}}); err != nil {
		t.Fatal(err)
	}
	lost := x.a.Climber.Device.Name
	if _, err := x.a.Lead.Devices.RevokeDevice(ctx, &witnessmarkv1.RevokeDeviceRequest{Name: lost, Reason: "fell"}); err != nil {
		t.Fatal(err)
	}
	again := x.a.SignIn(t, "climber", access.Climber)
	x.log.secret(again.Token)
	done := again.Submit(t, job, servertest.Sign(t, again.Chain(t, job), &recordv1.Entry{Step: "job/close/tidy", Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: "yes"}}}))
	if done[0].GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
		t.Fatalf("an open step on another phone: %v %s", done[0].GetOutcome(), done[0].GetSentence())
	}
	h := x.a.Head(t, job)
	sign := servertest.Sign(t, x.a.Lead.Chain(t, job), &recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{Size: h.GetSize(), Root: h.GetRoot(), Meaning: recordv1.SignedOff_APPROVED}}})
	if _, err := x.a.Lead.Jobs.SignOff(ctx, &witnessmarkv1.SignOffRequest{Job: job, Entry: sign}); err == nil {
		t.Error("signed off over what a lost phone holds")
	}
	v, err := x.a.Lead.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: job})
	if err != nil {
		t.Fatal(err)
	}
	named := false
	for _, e := range v.GetExceptions() {
		named = named || e.GetKind() == "UNSENT" && strings.Contains(e.GetSentence(), lost) && strings.Contains(e.GetSentence(), "3")
	}
	if !named {
		t.Errorf("no exception says that %s holds 3; have %v", lost, v.GetExceptions())
	}
}

// The code for a phone comes as a picture of the address with the code behind the
// fragment sign; a desk signs in by the same code, for a working day.
func TestCodeForAPhoneAndForADesk(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	c, err := x.a.Office.Devices.CreateEnrollmentCode(ctx, &witnessmarkv1.CreateEnrollmentCodeRequest{Person: "people/climber"})
	if err != nil {
		t.Fatal(err)
	}
	x.log.secret(c.GetCode(), access.ReadCode(c.GetCode()))
	if life := c.GetExpireTime().AsTime().Sub(x.clock.now()); life > 15*time.Minute || life < 14*time.Minute {
		t.Errorf("the code lives %v; want 15 minutes", life)
	}
	if before, after, ok := strings.Cut(c.GetUri(), "#code="); !ok || after != c.GetCode() || strings.Contains(before, after) {
		t.Errorf("address = %q; want the code behind the fragment sign", c.GetUri())
	}
	img, err := png.Decode(bytes.NewReader(c.GetQrPng()))
	if err != nil {
		t.Fatalf("the picture: %v", err)
	}
	want, err := qr.Encode(c.GetUri(), qr.M)
	if err != nil {
		t.Fatal(err)
	}
	if got := img.Bounds().Dx(); got < want.Size+8 {
		t.Errorf("the picture is %d pixels wide; want at least %d modules and a border of four", got, want.Size)
	}
	desk, err := x.enrol(t, c.GetCode())
	if err != nil {
		t.Fatal(err)
	}
	if desk.GetDevice() != nil {
		t.Errorf("a desk got a device: %v", desk.GetDevice())
	}
	at := x.Client(t, desk.GetToken())
	if _, err := at.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{}); err != nil {
		t.Errorf("the desk: %v", err)
	}
	if _, err := at.Devices.RotateKey(ctx, &witnessmarkv1.RotateKeyRequest{PublicKey: spkiOf(t)}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a desk rotates a key: %v; want FAILED_PRECONDITION", err)
	}
	x.clock.advance(12 * time.Hour)
	if _, err := at.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("the desk after a working day: %v; want UNAUTHENTICATED", err)
	}
}

// A lead enrols climbers and himself; nobody else, and never upwards.
func TestLeadGivesCodesToClimbersOnly(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	if _, err := x.a.Office.People.CreatePerson(t.Context(), &witnessmarkv1.CreatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/both", Title: "Both", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_CLIMBER, witnessmarkv1.Role_LEAD}}}); err != nil {
		t.Fatal(err)
	}
	for person, want := range map[string]codes.Code{"climber": codes.OK, "lead": codes.OK, "office": codes.PermissionDenied, "auditor": codes.PermissionDenied, "both": codes.PermissionDenied, "nobody": codes.NotFound} {
		c, err := x.a.Lead.Devices.CreateEnrollmentCode(t.Context(), &witnessmarkv1.CreateEnrollmentCodeRequest{Person: "people/" + person})
		x.log.secret(c.GetCode())
		if status.Code(err) != want {
			t.Errorf("a lead's code for %s: %v; want %v", person, err, want)
		}
	}
}

// With ACME configured the challenge handler answers only ACME's paths, for the
// names configured, and sends the rest to https (RFC 8555, section 8.3).
func TestACMEAnswersForItsNamesOnly(t *testing.T) {
	s := servertest.Start(t, servertest.Options{Config: server.Config{}})
	acme, err := server.New(server.Config{TLS: server.TLS{ACMEHosts: []string{"tower.example.com"}, ACMECache: t.TempDir(), ACMEDirectory: "http://127.0.0.1:1/directory"}}, s.Service)
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]int{"/v1/jobs": http.StatusFound, "/.well-known/acme-challenge/none": http.StatusNotFound} {
		if got := serve(acme.ChallengeHandler(), "http://tower.example.com"+path); got != want {
			t.Errorf("GET %s on port 80 = %d; want %d", path, got, want)
		}
	}
	if got := serve(acme.ChallengeHandler(), "http://evil.example/.well-known/acme-challenge/x"); got != http.StatusForbidden {
		t.Errorf("a challenge for a name that is not configured = %d; want 403", got)
	}
	if acme.HTTPServer().TLSConfig == nil {
		t.Error("no TLS with ACME configured")
	}
	for name, bad := range map[string]server.TLS{"no cache": {ACMEHosts: []string{"tower.example.com"}}, "half": {CertFile: "x"}, "twice": {CertFile: "x", KeyFile: "y", ACMEHosts: []string{"a"}, ACMECache: "b"}} {
		if _, err := server.New(server.Config{TLS: bad}, s.Service); err == nil {
			t.Errorf("a server started with %s", name)
		}
	}
}

// An organisation's name stands first in the keys of its files: it can be none
// that means something else there, and one that begins like another's is another.
func TestOrganisationsWhoseNamesAreKeys(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	for _, id := range []string{"staging", "derived", "", "a", "..", "ridge/crew", "Ridge-Crew", "ridge_crew", "-ridge", "ridge-crew/photo", strings.Repeat("a", 64), "ridge-crew"} {
		if err := x.Service.CreateOrganization(t.Context(), id, "Company"); err == nil {
			t.Errorf("an organisation was made with the name %q", id)
		}
	}
	// ridge-crew-2 begins like ridge-crew: what one sends the other does not have.
	jobA, photo := x.sealedJob(t, "same", x.a.Site, 9)
	if jobB := x.b.Job(t, "same"); jobB != jobA {
		t.Fatalf("jobs %s and %s; want one name in two organisations", jobA, jobB)
	}
	for _, p := range jobPaths(jobA, photo)[3:4] {
		if code, _, _ := x.fetch(t, "GET", p, x.a.Lead.Token); code != http.StatusOK {
			t.Errorf("GET %s by its own = %d; want 200", p, code)
		}
		if code, _, _ := x.fetch(t, "GET", p, x.b.Lead.Token); code != http.StatusNotFound {
			t.Errorf("GET %s by the other, who has a job of that name = %d; want 404", p, code)
		}
	}
	// Knowing the digest is no sending: the other's upload of it is not there at once.
	u, err := x.b.Climber.Uploads.BeginUpload(t.Context(), &witnessmarkv1.BeginUploadRequest{Job: jobA, Size: 1000, Digest: photo[:]})
	if err != nil || u.GetState() == witnessmarkv1.Upload_STORED || u.GetOffset() != 0 {
		t.Errorf("an upload by digest alone: %v %v; want one that receives from 0", u, err)
	}
}
