package server_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"witnessmark/internal/access"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server/servertest"
)

// rpcs lists every method of our services from their descriptors.
func rpcs(tb testing.TB) []protoreflect.MethodDescriptor {
	tb.Helper()
	var out []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("witnessmark.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			ms := f.Services().Get(i).Methods()
			for j := range ms.Len() {
				out = append(out, ms.Get(j))
			}
		}
		return true
	})
	if len(out) < 40 {
		tb.Fatalf("found %d RPCs; want at least 40", len(out))
	}
	return out
}

func path(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

func message(tb testing.TB, d protoreflect.MessageDescriptor) proto.Message {
	tb.Helper()
	t, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		tb.Fatalf("no type for %s: %v", d.FullName(), err)
	}
	return t.New().Interface()
}

// call does any RPC and returns its error; of a stream, the first message's.
func call(tb testing.TB, ctx context.Context, c grpc.ClientConnInterface, m protoreflect.MethodDescriptor, req proto.Message) (proto.Message, error) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	out := message(tb, m.Output())
	if !m.IsStreamingServer() {
		return out, c.Invoke(ctx, path(m), req, out)
	}
	s, err := c.NewStream(ctx, &grpc.StreamDesc{StreamName: string(m.Name()), ServerStreams: true}, path(m))
	if err != nil {
		return out, err
	}
	if err := s.SendMsg(req); err != nil {
		return out, err
	}
	if err := s.CloseSend(); err != nil {
		return out, err
	}
	return out, s.RecvMsg(out)
}

// reason is the ErrorInfo's of a status, and that there is exactly one.
func reason(tb testing.TB, err error) string {
	tb.Helper()
	out := ""
	n := 0
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			n++
			out = i.GetReason()
			if i.GetDomain() != "witnessmark" {
				tb.Errorf("domain of %v = %q; want witnessmark", err, i.GetDomain())
			}
		}
	}
	if n > 1 {
		tb.Errorf("%v has %d ErrorInfos; want one", err, n)
	}
	return out
}

func detail[T any](err error) (T, bool) {
	for _, d := range status.Convert(err).Details() {
		if t, ok := d.(T); ok {
			return t, true
		}
	}
	var zero T
	return zero, false
}

func option(tb testing.TB, m protoreflect.MethodDescriptor) *witnessmarkv1.Access {
	tb.Helper()
	a, ok := proto.GetExtension(m.Options(), witnessmarkv1.E_Access).(*witnessmarkv1.Access)
	if !ok || a == nil {
		tb.Fatalf("%s declares no access", m.FullName())
	}
	return a
}

// shareToken opens a share link to a job.
func shareToken(tb testing.TB, s *servertest.Server, o *servertest.Organization, job string) string {
	tb.Helper()
	l, err := o.Lead.Grants.CreateShareLink(tb.Context(), &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: job, Title: "the owner"}})
	if err != nil {
		tb.Fatalf("share link: %v", err)
	}
	secret := l.GetUri()[len("/#share="):]
	r, err := s.Client(tb, "").Grants.OpenShareLink(tb.Context(), &witnessmarkv1.OpenShareLinkRequest{Secret: secret})
	if err != nil {
		tb.Fatalf("open the share link: %v", err)
	}
	return r.GetToken()
}

// Every RPC by every kind of caller: who gets past the gate is what its
// declaration says, and nobody else. Requests are empty, so that a caller who
// gets past is stopped by the field rules at the latest.
func TestEveryRPCIsOpenToWhomItIsDeclaredFor(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	callers := map[string]struct {
		token string
		may   func(*witnessmarkv1.Access) bool
	}{
		"nobody":        {"", func(a *witnessmarkv1.Access) bool { return a.GetAnonymous() }},
		"a wrong token": {"0123456789012345678901234567890123456789", func(a *witnessmarkv1.Access) bool { return a.GetAnonymous() }},
		"a share link":  {shareToken(t, s, o, job), func(a *witnessmarkv1.Access) bool { return a.GetAnonymous() || a.GetShareLink() }},
	}
	for role, p := range o.People() {
		token := p.Token
		if role == access.Climber { // SignOut is among the calls: each caller has a session to lose
			token = o.SignIn(t, "climber", role).Token
		}
		callers["the "+string(role)] = struct {
			token string
			may   func(*witnessmarkv1.Access) bool
		}{token, func(a *witnessmarkv1.Access) bool {
			return a.GetAnonymous() || slices.Contains(a.GetRoles(), witnessmarkv1.Role(witnessmarkv1.Role_value[string(role)]))
		}}
	}
	conn := s.Conn(t)
	all := rpcs(t)
	slices.SortStableFunc(all, func(a, b protoreflect.MethodDescriptor) int { // signing out last
		return map[bool]int{true: 1}[a.Name() == "SignOut"] - map[bool]int{true: 1}[b.Name() == "SignOut"]
	})
	for name, c := range callers {
		t.Run(name, func(t *testing.T) {
			for _, m := range all {
				ctx := t.Context()
				if c.token != "" {
					ctx = servertest.Bearer(ctx, c.token)
				}
				_, err := call(t, ctx, conn, m, message(t, m.Input()))
				code, why := status.Code(err), reason(t, err)
				in := why != "ROLE_MISSING" && why != "LINK_DENIED" && code != codes.Unauthenticated
				if want := c.may(option(t, m)); in != want {
					t.Errorf("%s by %s: let in %v (%v %s); want %v", m.FullName(), name, in, code, why, want)
				}
				if code == codes.Internal || code == codes.Unknown || code == codes.Unimplemented || code == codes.DataLoss {
					t.Errorf("%s by %s with an empty request: %v; want an answer or a clear refusal", m.FullName(), name, err)
				}
			}
		})
	}
}

// Whoever belongs to another organisation learns nothing: what he names is not there.
func TestAnotherOrganisationFindsNothing(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o, other := s.Organization(t, "ridge-crew"), s.Organization(t, "valley-crew")
	job := o.Job(t, "only-here")
	person, err := o.Office.People.CreatePerson(t.Context(), &witnessmarkv1.CreatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/only-here", Title: "Somebody", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_AUDITOR}}})
	if err != nil {
		t.Fatal(err)
	}
	grant, err := o.Office.Grants.CreateGrant(t.Context(), &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: person.GetName(), ExpireTime: in(time.Hour)}})
	if err != nil {
		t.Fatal(err)
	}
	link, err := o.Lead.Grants.CreateShareLink(t.Context(), &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: job}})
	if err != nil {
		t.Fatal(err)
	}
	up, err := o.Climber.Uploads.BeginUpload(t.Context(), &witnessmarkv1.BeginUploadRequest{Job: job, Size: 4, Digest: make([]byte, 32)})
	if err != nil {
		t.Fatal(err)
	}
	site, err := o.Office.Setup.CreateSite(t.Context(), &witnessmarkv1.CreateSiteRequest{Site: &witnessmarkv1.Site{Name: "sites/only-here", Title: "Here", Zone: "UTC", Position: &recordv1.Position{Latitude: 1, Longitude: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	instrument := o.Instruments["torque-wrench"]
	entry := servertest.Sign(t, o.Lead.Chain(t, job), servertest.Note("hello"))
	hex64 := "0000000000000000000000000000000000000000000000000000000000000000"
	requests := map[string]proto.Message{
		"GetPerson":              &witnessmarkv1.GetPersonRequest{Name: person.GetName()},
		"UpdatePerson":           &witnessmarkv1.UpdatePersonRequest{Person: &witnessmarkv1.Person{Name: person.GetName(), Title: "Taken over"}},
		"CreateEnrollmentCode":   &witnessmarkv1.CreateEnrollmentCodeRequest{Person: person.GetName()},
		"RevokeDevice":           &witnessmarkv1.RevokeDeviceRequest{Name: o.Climber.Device.Name},
		"GetSite":                &witnessmarkv1.GetSiteRequest{Name: site.GetName()},
		"UpdateSite":             &witnessmarkv1.UpdateSiteRequest{Site: site},
		"GetInstrument":          &witnessmarkv1.GetInstrumentRequest{Name: instrument},
		"UpdateInstrument":       &witnessmarkv1.UpdateInstrumentRequest{Instrument: &witnessmarkv1.Instrument{Name: instrument, Kind: "other", Title: "Taken over"}},
		"GetJob":                 &witnessmarkv1.GetJobRequest{Name: job},
		"AssignJob":              &witnessmarkv1.AssignJobRequest{Name: job},
		"SubmitEntries":          &witnessmarkv1.SubmitEntriesRequest{Job: job, Entries: []*witnessmarkv1.SubmittedEntry{entry}},
		"GetDeviceChain":         &witnessmarkv1.GetDeviceChainRequest{Job: job},
		"ListLines":              &witnessmarkv1.ListLinesRequest{Job: job},
		"GetJobView":             &witnessmarkv1.GetJobViewRequest{Name: job},
		"ListSteps":              &witnessmarkv1.ListStepsRequest{Job: job},
		"WatchJob":               &witnessmarkv1.WatchJobRequest{Job: job},
		"SignOff":                &witnessmarkv1.SignOffRequest{Job: job, Entry: entry},
		"EndJob":                 &witnessmarkv1.EndJobRequest{Job: job, Entry: entry},
		"ListRefused":            &witnessmarkv1.ListRefusedRequest{Job: job},
		"AdmitRefused":           &witnessmarkv1.AdmitRefusedRequest{Job: job, Digest: hex64, Reason: "x"},
		"ConfirmAcknowledgement": &witnessmarkv1.ConfirmAcknowledgementRequest{Job: job, Entry: "x"},
		"BeginUpload":            &witnessmarkv1.BeginUploadRequest{Job: job, Size: 4, Digest: make([]byte, 32)},
		"UploadChunk":            &witnessmarkv1.UploadChunkRequest{Name: up.GetName(), Chunk: []byte("abcd")},
		"FinishUpload":           &witnessmarkv1.FinishUploadRequest{Name: up.GetName()},
		"GetUpload":              &witnessmarkv1.GetUploadRequest{Name: up.GetName()},
		"DownloadPackage":        &witnessmarkv1.DownloadPackageRequest{Job: job},
		"DownloadFile":           &witnessmarkv1.DownloadFileRequest{Job: job, Digest: hex64},
		"RedactPhoto":            &witnessmarkv1.RedactPhotoRequest{Job: job, Digest: hex64, Reason: "x", Regions: []*recordv1.PhotoRedacted_Region{{Width: 1, Height: 1}}},
		"SetLegalHold":           &witnessmarkv1.SetLegalHoldRequest{Job: job, On: true, Reason: "x"},
		"FindTwins":              &witnessmarkv1.FindTwinsRequest{Job: job, Digest: hex64},
		"GetInclusionProof":      &witnessmarkv1.GetInclusionProofRequest{Job: job},
		"GetReadings":            &witnessmarkv1.GetReadingsRequest{Job: job},
		"GetReport":              &witnessmarkv1.GetReportRequest{Job: job},
		"CreateGrant":            &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: person.GetName(), ExpireTime: in(time.Hour)}},
		"RevokeGrant":            &witnessmarkv1.RevokeGrantRequest{Name: grant.GetName()},
		"CreateShareLink":        &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: job}},
		"RevokeShareLink":        &witnessmarkv1.RevokeShareLinkRequest{Name: link.GetName()},
		"CreateJob":              &witnessmarkv1.CreateJobRequest{Title: "x", Site: site.GetName(), ProcedureRevision: other.Revision, Plan: &recordv1.Plan{}},
	}
	// These name nothing of one organisation's: they answer for the caller's own.
	own := []string{"CreatePerson", "ListPeople", "SetOwnCode", "Enroll", "GetIdentity", "ListDevices", "RotateKey", "SignOut", "CreateSite", "ListSites", "CreateInstrument", "ListInstruments",
		"PublishProcedure", "CheckProcedure", "GetProcedureRevision", "ListProcedureRevisions", "ReadPlan", "UpdateSettings", "ListJobs", "GetCheckpoint", "GetConsistencyProof",
		"ListGrants", "ListShareLinks", "OpenShareLink", "ListCustody", "ListCalculations", "Calculate"}
	conn := s.Conn(t)
	for _, m := range rpcs(t) {
		req, ok := requests[string(m.Name())]
		if !ok {
			if !slices.Contains(own, string(m.Name())) {
				t.Errorf("%s is not in the walk: add the request that names what another organisation has", m.FullName())
			}
			continue
		}
		a := option(t, m)
		for role, p := range other.People() {
			if !slices.Contains(a.GetRoles(), witnessmarkv1.Role(witnessmarkv1.Role_value[string(role)])) {
				continue
			}
			_, err := call(t, servertest.Bearer(t.Context(), p.Token), conn, m, req)
			if status.Code(err) != codes.NotFound {
				t.Errorf("%s by the other organisation's %s: %v; want NOT_FOUND", m.FullName(), role, err)
			}
		}
	}
	for name, list := range map[string]func(context.Context) (int, error){
		"jobs": func(ctx context.Context) (int, error) {
			r, err := other.Lead.Jobs.ListJobs(ctx, &witnessmarkv1.ListJobsRequest{})
			return len(r.GetJobs()), err
		},
		"links": func(ctx context.Context) (int, error) {
			r, err := other.Lead.Grants.ListShareLinks(ctx, &witnessmarkv1.ListShareLinksRequest{})
			return len(r.GetShareLinks()), err
		},
	} {
		if n, err := list(t.Context()); err != nil || n != 0 {
			t.Errorf("the other organisation lists %d %s, %v; want none", n, name, err)
		}
	}
}
