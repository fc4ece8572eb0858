package server_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/testbed"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
	"witnessmark/storage/postgres"
)

// wiretap is a server's log, kept whole, and the secrets that must not be in it.
type wiretap struct {
	mu      sync.Mutex
	text    bytes.Buffer
	secrets []string
}

func (w *wiretap) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

// secret notes texts that must stay out of the log. Short ones would be found by chance.
func (w *wiretap) secret(ss ...string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, s := range ss {
		if len(s) >= 8 {
			w.secrets = append(w.secrets, s)
		}
	}
}

// forget empties the log, so that one leak is told once.
func (w *wiretap) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.text.Reset()
}

func (w *wiretap) leaks() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []string
	text := w.text.String()
	for _, s := range w.secrets {
		if i := strings.Index(text, s); i >= 0 {
			from, to := max(0, i-160), min(len(text), i+len(s)+40)
			out = append(out, fmt.Sprintf("%.12s… in: %q", s, text[from:to]))
		}
	}
	return out
}

// clock is the service's clock: a test moves it.
type clock struct{ ahead atomic.Int64 }

func (c *clock) now() time.Time          { return time.Now().Add(time.Duration(c.ahead.Load())) }
func (c *clock) advance(d time.Duration) { c.ahead.Add(int64(d)) }

// target is a server under attack: two organisations, a log that is kept.
type target struct {
	*servertest.Server
	a, b  *servertest.Organization
	log   *wiretap
	clock *clock
}

// attack starts a server on an engine, "sqlite" or "postgres". At the end of the
// test its log must hold none of the secrets that the test came to know.
func attack(t *testing.T, engine string, c server.Config) *target {
	t.Helper()
	x := &target{log: &wiretap{}, clock: &clock{}}
	c.Log = slog.New(slog.NewTextHandler(x.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	old := slog.Default()
	slog.SetDefault(c.Log) // what is written past the server's own
	t.Cleanup(func() {
		slog.SetDefault(old)
		for _, l := range x.log.leaks() {
			t.Errorf("the log holds a secret: %s", l)
		}
	})
	o := servertest.Options{Config: c, Service: func(s *workflow.Service) { s.Now = x.clock.now }}
	if engine == "postgres" {
		db := testbed.PostgresRoles(t)
		if err := postgres.Migrate(t.Context(), db.Owner); err != nil {
			t.Fatal(err)
		}
		st, err := postgres.Open(t.Context(), db.App)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := st.Close(); err != nil {
				t.Errorf("close the store: %v", err)
			}
		})
		o.Store = st
	}
	x.Server = servertest.Start(t, o)
	x.a, x.b = x.Organization(t, "ridge-crew"), x.Organization(t, "ridge-crew-2")
	for _, o := range []*servertest.Organization{x.a, x.b} {
		for _, p := range o.People() {
			x.log.secret(p.Token)
		}
	}
	return x
}

// code makes a one-time code and keeps it out of the log.
func (x *target) code(t *testing.T, o *servertest.Organization, person string, life time.Duration) string {
	t.Helper()
	c, err := x.Service.SignInCode(t.Context(), o.ID, person, life)
	if err != nil {
		t.Fatal(err)
	}
	x.log.secret(c, access.ReadCode(c))
	return c
}

// holdings are names that one organisation has and no other, by collection.
type holdings map[string]string

// furnish gives an organisation one of everything that has a name, each name its own.
func (x *target) furnish(t *testing.T, o *servertest.Organization, mark string) holdings {
	t.Helper()
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("furnish %s: %v", o.ID, err)
		}
	}
	h := holdings{"jobs": o.Job(t, "job-"+mark), "devices": o.Climber.Device.Name}
	p, err := o.Office.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/person-" + mark, Title: "Somebody", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_AUDITOR}}})
	must(err)
	h["people"] = p.GetName()
	s, err := o.Office.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: &witnessmarkv1.Site{Name: "sites/site-" + mark, Title: "Here", Zone: "UTC", Position: &recordv1.Position{Latitude: 1, Longitude: 1}}})
	must(err)
	h["sites"] = s.GetName()
	in, err := o.Office.Setup.CreateInstrument(ctx, &witnessmarkv1.CreateInstrumentRequest{Instrument: &witnessmarkv1.Instrument{Name: "instruments/instrument-" + mark, Kind: "torque-wrench", Title: "Wrench"}})
	must(err)
	h["instruments"] = in.GetName()
	g, err := o.Office.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: h["people"], ExpireTime: timestamppb.New(x.clock.now().Add(time.Hour))}})
	must(err)
	h["grants"] = g.GetName()
	l, err := o.Lead.Grants.CreateShareLink(ctx, &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: h["jobs"]}})
	must(err)
	h["shareLinks"] = l.GetName()
	x.log.secret(secretOf(l.GetUri()))
	u, err := o.Climber.Uploads.BeginUpload(ctx, &witnessmarkv1.BeginUploadRequest{Job: h["jobs"], Purpose: witnessmarkv1.BeginUploadRequest_PHOTO, Size: 4, Digest: bytes.Repeat([]byte{7}, 32)})
	must(err)
	h["uploads"] = u.GetName()
	doc := bytes.Replace(proceduretest.Document(), []byte("id: minimal"), []byte("id: proc-"+mark), 1)
	r, err := o.Office.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: doc})
	must(err)
	h["procedures"] = r.GetName()
	return h
}

func secretOf(uri string) string { return uri[strings.Index(uri, "#share=")+len("#share="):] }

// resourceName is a name in one of the collections.
var resourceName = regexp.MustCompile(`^(jobs|people|sites|instruments|devices|grants|shareLinks|uploads|procedures)/[^ ]+$`)

// collectionOf is the collection of a resource name; "" where it is none.
func collectionOf(name string) string {
	if m := resourceName.FindStringSubmatch(name); m != nil {
		return m[1]
	}
	return ""
}

// nameFields lists the fields of a request, by path, whose rule says that they
// name a resource. It stops at the record's own messages, which the fold checks.
func nameFields(d protoreflect.MessageDescriptor, prefix string) []string {
	var out []string
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		at := prefix + string(f.Name())
		switch {
		case f.Kind() == protoreflect.MessageKind && !f.IsMap() && strings.HasPrefix(string(f.Message().FullName()), "witnessmark.v1."):
			out = append(out, nameFields(f.Message(), at+".")...)
		case f.Kind() == protoreflect.StringKind:
			if rule := fmt.Sprint(f.Options()); regexp.MustCompile(`\^\(?(jobs|people|sites|instruments|devices|grants|shareLinks|uploads|procedures)/`).MatchString(rule) {
				out = append(out, at)
			}
		}
	}
	return out
}

// namesIn lists the paths of a request's fields that hold names.
func namesIn(m proto.Message) []string {
	var out []string
	var walk func(at protoreflect.Message, prefix string)
	walk = func(at protoreflect.Message, prefix string) {
		at.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			path := prefix + string(f.Name())
			switch {
			case f.IsMap():
			case f.IsList() && f.Kind() == protoreflect.StringKind:
				if v.List().Len() > 0 && collectionOf(v.List().Get(0).String()) != "" {
					out = append(out, path)
				}
			case f.IsList() && f.Kind() == protoreflect.MessageKind:
				for i := range v.List().Len() {
					walk(v.List().Get(i).Message(), path+".")
				}
			case f.Kind() == protoreflect.MessageKind:
				walk(v.Message(), path+".")
			case f.Kind() == protoreflect.StringKind && collectionOf(v.String()) != "":
				out = append(out, path)
			}
			return true
		})
	}
	walk(m.ProtoReflect(), "")
	slices.Sort(out)
	return slices.Compact(out)
}

// requests are one request for each RPC that names anything, good but for whose it is.
func (x *target) requests(t *testing.T, h holdings) map[string]proto.Message {
	t.Helper()
	o := x.a
	hex64 := strings.Repeat("ab", 32)
	entry := &witnessmarkv1.SubmittedEntry{Entry: &recordv1.Entry{Id: "01912345-6789-7abc-8def-0123456789ff", Job: h["jobs"], Author: "people/lead", DeviceTime: timestamppb.Now(), Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: "x"}}}}
	end := &witnessmarkv1.SubmittedEntry{Entry: &recordv1.Entry{Id: "01912345-6789-7abc-8def-0123456789fe", DeviceTime: timestamppb.Now(), Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{Reason: "x", Size: 1}}}}
	return map[string]proto.Message{
		"GetPerson":              &witnessmarkv1.GetPersonRequest{Name: h["people"]},
		"UpdatePerson":           &witnessmarkv1.UpdatePersonRequest{Person: &witnessmarkv1.Person{Name: h["people"], Title: "Taken over", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_OFFICE}}},
		"CreateEnrollmentCode":   &witnessmarkv1.CreateEnrollmentCodeRequest{Person: h["people"]},
		"ListDevices":            &witnessmarkv1.ListDevicesRequest{Person: h["people"]},
		"RevokeDevice":           &witnessmarkv1.RevokeDeviceRequest{Name: h["devices"], Reason: "taken over"},
		"GetSite":                &witnessmarkv1.GetSiteRequest{Name: h["sites"]},
		"UpdateSite":             &witnessmarkv1.UpdateSiteRequest{Site: &witnessmarkv1.Site{Name: h["sites"], Title: "Taken over", Zone: "UTC", Position: &recordv1.Position{Latitude: 1, Longitude: 1}}},
		"GetInstrument":          &witnessmarkv1.GetInstrumentRequest{Name: h["instruments"]},
		"UpdateInstrument":       &witnessmarkv1.UpdateInstrumentRequest{Instrument: &witnessmarkv1.Instrument{Name: h["instruments"], Kind: "other", Title: "Taken over"}},
		"GetProcedureRevision":   &witnessmarkv1.GetProcedureRevisionRequest{Name: h["procedures"]},
		"CreateJob":              &witnessmarkv1.CreateJobRequest{Title: "x", Site: h["sites"], ProcedureRevision: h["procedures"], Plan: proceduretest.Plan(), People: []string{"people/climber"}, Follows: h["jobs"]},
		"GetJob":                 &witnessmarkv1.GetJobRequest{Name: h["jobs"]},
		"ListJobs":               &witnessmarkv1.ListJobsRequest{Site: h["sites"]},
		"AssignJob":              &witnessmarkv1.AssignJobRequest{Name: h["jobs"], People: []string{"people/climber"}},
		"SubmitEntries":          &witnessmarkv1.SubmitEntriesRequest{Job: h["jobs"], Entries: []*witnessmarkv1.SubmittedEntry{entry}},
		"GetDeviceChain":         &witnessmarkv1.GetDeviceChainRequest{Job: h["jobs"]},
		"ListLines":              &witnessmarkv1.ListLinesRequest{Job: h["jobs"]},
		"GetJobView":             &witnessmarkv1.GetJobViewRequest{Name: h["jobs"]},
		"ListSteps":              &witnessmarkv1.ListStepsRequest{Job: h["jobs"]},
		"WatchJob":               &witnessmarkv1.WatchJobRequest{Job: h["jobs"]},
		"SignOff":                &witnessmarkv1.SignOffRequest{Job: h["jobs"], Entry: end},
		"EndJob":                 &witnessmarkv1.EndJobRequest{Job: h["jobs"], Entry: end},
		"ListRefused":            &witnessmarkv1.ListRefusedRequest{Job: h["jobs"]},
		"AdmitRefused":           &witnessmarkv1.AdmitRefusedRequest{Job: h["jobs"], Digest: hex64, Reason: "x"},
		"ConfirmAcknowledgement": &witnessmarkv1.ConfirmAcknowledgementRequest{Job: h["jobs"], Entry: "x", Person: "people/climber", Code: "1234"},
		"BeginUpload":            &witnessmarkv1.BeginUploadRequest{Job: h["jobs"], Size: 4, Digest: make([]byte, 32)},
		"UploadChunk":            &witnessmarkv1.UploadChunkRequest{Name: h["uploads"], Chunk: []byte("abcd")},
		"FinishUpload":           &witnessmarkv1.FinishUploadRequest{Name: h["uploads"]},
		"GetUpload":              &witnessmarkv1.GetUploadRequest{Name: h["uploads"]},
		"DownloadPackage":        &witnessmarkv1.DownloadPackageRequest{Job: h["jobs"]},
		"DownloadFile":           &witnessmarkv1.DownloadFileRequest{Job: h["jobs"], Digest: hex64},
		"GetInclusionProof":      &witnessmarkv1.GetInclusionProofRequest{Job: h["jobs"]},
		"GetReadings":            &witnessmarkv1.GetReadingsRequest{Job: h["jobs"]},
		"GetReport":              &witnessmarkv1.GetReportRequest{Job: h["jobs"]},
		"RedactPhoto":            &witnessmarkv1.RedactPhotoRequest{Job: h["jobs"], Digest: hex64, Reason: "x", Regions: []*recordv1.PhotoRedacted_Region{{Width: 0.1, Height: 0.1}}},
		"SetLegalHold":           &witnessmarkv1.SetLegalHoldRequest{Job: h["jobs"], On: true, Reason: "x"},
		"FindTwins":              &witnessmarkv1.FindTwinsRequest{Job: h["jobs"], Digest: hex64},
		"CreateGrant":            &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: "people/auditor", Sites: []string{o.Site}, Jobs: []string{h["jobs"]}, ExpireTime: timestamppb.New(x.clock.now().Add(time.Hour))}},
		"RevokeGrant":            &witnessmarkv1.RevokeGrantRequest{Name: h["grants"]},
		"CreateShareLink":        &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: h["jobs"]}},
		"ListShareLinks":         &witnessmarkv1.ListShareLinksRequest{Job: h["jobs"]},
		"RevokeShareLink":        &witnessmarkv1.RevokeShareLinkRequest{Name: h["shareLinks"]},
		"ListCustody":            &witnessmarkv1.ListCustodyRequest{Job: h["jobs"]},
	}
}

// accepted are fields that filter or narrow: a name that is nobody's is taken,
// and finds nothing. Every other field refuses it.
var accepted = []string{"ListDevices person", "ListJobs site", "ListShareLinks job", "ListCustody job", "CreateGrant grant.sites", "CreateGrant grant.jobs", "SubmitEntries entries.entry.job", "SubmitEntries entries.entry.author"}

// belongings is what an organisation has, as its office and lead see it.
func (x *target) belongings(t *testing.T, o *servertest.Organization, h holdings) []proto.Message {
	t.Helper()
	ctx := t.Context()
	var out []proto.Message
	keep := func(m proto.Message, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("look at what %s has: %v", o.ID, err)
		}
		out = append(out, m)
	}
	pm, err := o.Office.People.ListPeople(ctx, &witnessmarkv1.ListPeopleRequest{})
	keep(pm, err)
	dm, err := o.Office.Devices.ListDevices(ctx, &witnessmarkv1.ListDevicesRequest{})
	keep(dm, err)
	sm, err := o.Office.Setup.ListSites(ctx, &witnessmarkv1.ListSitesRequest{})
	keep(sm, err)
	im, err := o.Office.Setup.ListInstruments(ctx, &witnessmarkv1.ListInstrumentsRequest{})
	keep(im, err)
	jm, err := o.Office.Jobs.ListJobs(ctx, &witnessmarkv1.ListJobsRequest{})
	keep(jm, err)
	lm, err := o.Lead.Jobs.ListLines(ctx, &witnessmarkv1.ListLinesRequest{Job: h["jobs"]})
	keep(lm, err)
	rm, err := o.Lead.Jobs.ListRefused(ctx, &witnessmarkv1.ListRefusedRequest{Job: h["jobs"]})
	keep(rm, err)
	gm, err := o.Office.Grants.ListGrants(ctx, &witnessmarkv1.ListGrantsRequest{})
	keep(gm, err)
	km, err := o.Office.Grants.ListShareLinks(ctx, &witnessmarkv1.ListShareLinksRequest{})
	keep(km, err)
	um, err := o.Climber.Uploads.GetUpload(ctx, &witnessmarkv1.GetUploadRequest{Name: h["uploads"]})
	keep(um, err)
	cm, err := o.Office.Grants.ListCustody(ctx, &witnessmarkv1.ListCustodyRequest{})
	keep(cm, err)
	return out
}

// nowhere is a name of the same form that nobody has.
func nowhere(name string) string {
	switch c := collectionOf(name); c {
	case "":
		return name
	case "procedures":
		return "procedures/proc-none/revisions/" + strings.Repeat("cd", 32)
	default:
		return c + "/none-at-all"
	}
}

// Every field of every request that names something, filled with what another
// organisation has: refused as if it were nowhere, and nothing of the other's
// has changed. The fields come from the descriptors, so that none is forgotten.
func TestNamesOfAnotherOrganisationAreNowhere(t *testing.T) {
	for _, engine := range []string{"sqlite", "postgres"} {
		t.Run(engine, func(t *testing.T) {
			x := attack(t, engine, server.Config{})
			own, theirs := x.furnish(t, x.a, "own"), x.furnish(t, x.b, "theirs")
			before := x.belongings(t, x.b, theirs)
			requests := x.requests(t, own)
			conn := x.Conn(t)
			tried := 0
			for _, m := range rpcs(t) {
				req, ok := requests[string(m.Name())]
				fields := nameFields(m.Input(), "")
				if !ok {
					if len(fields) > 0 {
						t.Errorf("%s names things in %v and is not in the walk", m.FullName(), fields)
					}
					continue
				}
				paths := namesIn(req)
				for _, f := range fields {
					if !slices.Contains(paths, f) {
						t.Errorf("%s: the walk does not fill %s", m.FullName(), f)
					}
				}
				for _, path := range paths {
					var as []*servertest.Person
					for role, p := range x.a.People() {
						if slices.Contains(option(t, m).GetRoles(), witnessmarkv1.Role(witnessmarkv1.Role_value[string(role)])) {
							as = append(as, p)
						}
					}
					for _, p := range as {
						ask := func(name func(string) string) (proto.Message, error) {
							r := rename(req, path, name)
							return call(t, servertest.Bearer(t.Context(), p.Token), conn, m, r)
						}
						got, err := ask(func(n string) string { return theirs[collectionOf(n)] })
						none, nerr := ask(nowhere)
						tried++
						same := strings.NewReplacer(theirs["jobs"], "X", theirs["people"], "X", theirs["sites"], "X", theirs["procedures"], "X", nowhere("jobs/x"), "X", nowhere("people/x"), "X", nowhere("sites/x"), "X", nowhere(own["procedures"]), "X")
						if a, b := same.Replace(fmt.Sprint(err)), same.Replace(fmt.Sprint(nerr)); a != b {
							t.Errorf("%s %s by the %s: a foreign name is answered with\n%s\nand one that is nowhere with\n%s\nwant no difference", m.Name(), path, p.Role, a, b)
						}
						if slices.Contains(accepted, string(m.Name())+" "+path) {
							if err != nil {
								t.Errorf("%s %s by the %s: %v; want it taken, as any name that is nobody's", m.Name(), path, p.Role, err)
							}
							if strings.HasPrefix(string(m.Name()), "List") && !cmp.Equal(got, message(t, m.Output()), protocmp.Transform()) {
								t.Errorf("%s %s by the %s lists %v; want nothing", m.Name(), path, p.Role, got)
							}
							if s, ok := got.(*witnessmarkv1.SubmitEntriesResponse); ok {
								for i, r := range s.GetResults() {
									if n := none.(*witnessmarkv1.SubmitEntriesResponse).GetResults()[i]; r.GetOutcome() != witnessmarkv1.EntryResult_REFUSED || r.GetReason() != n.GetReason() {
										t.Errorf("%s %s by the %s: %v %s; want REFUSED %s", m.Name(), path, p.Role, r.GetOutcome(), r.GetReason(), n.GetReason())
									}
								}
							}
							continue
						}
						if c := status.Code(err); c != codes.NotFound && c != codes.PermissionDenied {
							t.Errorf("%s %s by the %s: %v; want NOT_FOUND or PERMISSION_DENIED", m.Name(), path, p.Role, err)
						}
					}
				}
			}
			if tried < 60 {
				t.Errorf("tried %d names; want at least 60", tried)
			}
			if d := cmp.Diff(before, x.belongings(t, x.b, theirs), protocmp.Transform()); d != "" {
				t.Errorf("what the other organisation has was changed (-before +after):\n%s", d)
			}
		})
	}
}

// rename returns a copy of a request in which the names in one field are others.
func rename(m proto.Message, path string, name func(string) string) proto.Message {
	c := proto.Clone(m)
	parts := strings.Split(path, ".")
	var walk func(at protoreflect.Message, parts []string)
	walk = func(at protoreflect.Message, parts []string) {
		f := at.Descriptor().Fields().ByName(protoreflect.Name(parts[0]))
		if f == nil { // a oneof's member of the record
			return
		}
		v := at.Get(f)
		switch {
		case len(parts) > 1 && f.IsList():
			for i := range v.List().Len() {
				walk(v.List().Get(i).Message(), parts[1:])
			}
		case len(parts) > 1:
			walk(v.Message(), parts[1:])
		case f.IsList():
			for i := range v.List().Len() {
				v.List().Set(i, protoreflect.ValueOfString(name(v.List().Get(i).String())))
			}
		default:
			at.Set(f, protoreflect.ValueOfString(name(v.String())))
		}
	}
	walk(c.ProtoReflect(), parts)
	return c
}
