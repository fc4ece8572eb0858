// Package servertest runs the whole server for tests and benchmarks: the
// embedded store and blobs on disk in the test's folder, a listener on the
// loopback address, organisations with a person of each role, a device that
// signs. It is imported by tests only.
package servertest

import (
	"context"
	"crypto/ecdsa"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/client"
	"witnessmark/internal/logkeys"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/storage"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/sqlite"
)

// Options changes what Start makes. A nil store is the embedded one, nil blobs
// are on disk, both in the test's folder.
type Options struct {
	Store   storage.Store
	Blobs   blob.Store
	Config  server.Config
	Service func(*workflow.Service) // called before the server is made
	Workers bool                    // examinations and the outbox run
}

// Server is a running server.
type Server struct {
	Service *workflow.Service
	Server  *server.Server
	Store   storage.Store
	Address string // "127.0.0.1:port"
	URL     string // "http://127.0.0.1:port"

	// Stop ends the server as a signal would and returns what Run returned.
	Stop func() error
}

// Unlimited are rates that a test does not meet.
var Unlimited = server.Rate{PerSecond: 1e9, Burst: 1e9}

// Start runs a server until the test ends.
func Start(tb testing.TB, o Options) *Server {
	tb.Helper()
	dir := tb.TempDir()
	if o.Store == nil {
		st, err := sqlite.Open(tb.Context(), filepath.Join(dir, "witnessmark.db"))
		if err != nil {
			tb.Fatalf("open the embedded store: %v", err)
		}
		tb.Cleanup(func() {
			if err := st.Close(); err != nil {
				tb.Errorf("close the embedded store: %v", err)
			}
		})
		o.Store = st
	}
	if o.Blobs == nil {
		b, err := disk.Open(filepath.Join(dir, "blobs"))
		if err != nil {
			tb.Fatalf("open the blob folder: %v", err)
		}
		o.Blobs = b
	}
	keys, err := logkeys.Open(filepath.Join(dir, "keys"), true)
	if err != nil {
		tb.Fatalf("open the folder of log keys: %v", err)
	}
	svc := workflow.New(o.Store, o.Blobs, keys, "test.example")
	svc.SpoolDir = dir
	if o.Service != nil {
		o.Service(svc)
	}
	c := o.Config
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	for _, r := range []*server.Rate{&c.ByIdentity, &c.ByAddress, &c.Anonymous} {
		if *r == (server.Rate{}) {
			*r = Unlimited
		}
	}
	s, err := server.New(c, svc)
	if err != nil {
		tb.Fatalf("make the server: %v", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatalf("listen on the loopback address: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, l) }()
	workers := make(chan struct{})
	go func() {
		defer close(workers)
		if o.Workers {
			svc.RunWorkers(ctx)
		}
	}()
	out := &Server{Service: svc, Server: s, Store: o.Store, Address: l.Addr().String(), URL: "http://" + l.Addr().String()}
	stopped := false
	out.Stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		<-workers
		return <-done
	}
	tb.Cleanup(func() {
		if err := out.Stop(); err != nil {
			tb.Errorf("the server ended with: %v", err)
		}
	})
	return out
}

// Client is a client with a token; "" calls without one.
func (s *Server) Client(tb testing.TB, token string) *client.Client {
	tb.Helper()
	c, err := client.Dial(s.URL, token, false)
	if err != nil {
		tb.Fatalf("dial: %v", err)
	}
	tb.Cleanup(func() { _ = c.Close() }) // the server may be gone already
	return c
}

// Conn is a bare connection without a credential and without retries.
func (s *Server) Conn(tb testing.TB) *grpc.ClientConn {
	tb.Helper()
	c, err := grpc.NewClient("passthrough:///"+s.Address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDisableRetry())
	if err != nil {
		tb.Fatalf("dial: %v", err)
	}
	tb.Cleanup(func() { _ = c.Close() }) // the server may be gone already
	return c
}

// Bearer is a context whose calls carry a token.
func Bearer(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// Person is a person who has signed in with a device that signs.
type Person struct {
	*client.Client
	ID     string // without "people/"
	Name   string // "people/…"
	Role   access.Role
	Token  string
	Device client.Device
}

// Organization is a tenant with a person of each role and something to work on.
type Organization struct {
	ID                             string
	Climber, Lead, Auditor, Office *Person
	Site                           string            // "sites/…"
	Revision                       string            // of the minimal procedure, "procedures/minimal/revisions/…"
	Instruments                    map[string]string // kind to "instruments/…"

	s *Server
}

// People returns the four by role.
func (o *Organization) People() map[access.Role]*Person {
	return map[access.Role]*Person{access.Climber: o.Climber, access.Lead: o.Lead, access.Auditor: o.Auditor, access.Office: o.Office}
}

// Organization makes a tenant. Everything goes in through the API but the
// tenant itself and the first sign-in. The auditor has a grant for everything.
func (s *Server) Organization(tb testing.TB, id string) *Organization {
	tb.Helper()
	ctx := tb.Context()
	must := func(err error) {
		tb.Helper()
		if err != nil {
			tb.Fatalf("set up organisation %s: %v", id, err)
		}
	}
	must(s.Service.CreateOrganization(ctx, id, "Company "+id))
	o := &Organization{ID: id, Instruments: map[string]string{}, s: s}
	_, err := s.Service.CreatePerson(ctx, access.Identity{Org: id}, access.Person{ID: "office", Title: "Office Person", Roles: []access.Role{access.Office}}, "")
	must(err)
	o.Office = o.SignIn(tb, "office", access.Office)
	for _, p := range []struct {
		id, title string
		role      access.Role
		to        **Person
	}{
		{"climber", "Climber Person", access.Climber, &o.Climber}, {"lead", "Lead Person", access.Lead, &o.Lead}, {"auditor", "Auditor Person", access.Auditor, &o.Auditor},
	} {
		_, err := o.Office.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: &witnessmarkv1.Person{
			Name: "people/" + p.id, Title: p.title, Roles: []witnessmarkv1.Role{witnessmarkv1.Role(witnessmarkv1.Role_value[string(p.role)])},
			Qualifications: []*witnessmarkv1.Person_Qualification{{Name: "climbing"}, {Name: "rescue"}},
		}})
		must(err)
		*p.to = o.SignIn(tb, p.id, p.role)
	}
	_, err = o.Office.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: "people/auditor", ExpireTime: timestamppb.New(s.Service.Now().Add(24 * time.Hour))}})
	must(err)
	site, err := o.Office.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: &witnessmarkv1.Site{Name: "sites/ridge", Title: "Ridge", Zone: "Europe/Madrid", Position: &recordv1.Position{Latitude: 40.4, Longitude: -3.7}}})
	must(err)
	o.Site = site.GetName()
	for _, kind := range []string{"torque-wrench", "intermodulation-analyser", "sweep-analyser", "anemometer"} {
		in, err := o.Office.Setup.CreateInstrument(ctx, &witnessmarkv1.CreateInstrumentRequest{Instrument: &witnessmarkv1.Instrument{Kind: kind, Title: kind, Serial: "S-1", CalibratedUntil: "2099-12-31", ToolClass: map[bool]string{true: "II A"}[kind == "torque-wrench"]}})
		must(err)
		o.Instruments[kind] = in.GetName()
	}
	rev, err := o.Office.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: proceduretest.Document()})
	must(err)
	o.Revision = rev.GetName()
	return o
}

// SignIn enrols a device for a person who is there already.
func (o *Organization) SignIn(tb testing.TB, person string, role access.Role) *Person {
	tb.Helper()
	code, err := o.s.Service.SignInCode(tb.Context(), o.ID, person, time.Hour)
	if err != nil {
		tb.Fatalf("code for %s: %v", person, err)
	}
	key := Key(tb)
	e, err := o.s.Client(tb, "").Enrol(tb.Context(), code, "device of "+person, key)
	if err != nil {
		tb.Fatalf("enrol %s: %v", person, err)
	}
	return &Person{Client: o.s.Client(tb, e.GetToken()), ID: person, Name: "people/" + person, Role: role, Token: e.GetToken(),
		Device: client.Device{Name: e.GetDevice().GetName(), Person: "people/" + person, Key: key}}
}

// Key makes a P-256 key.
func Key(tb testing.TB) *ecdsa.PrivateKey {
	tb.Helper()
	k, err := client.NewKey()
	if err != nil {
		tb.Fatal(err)
	}
	return k
}

// Job opens a job of the minimal procedure over the minimal plan.
func (o *Organization) Job(tb testing.TB, id string) string {
	tb.Helper()
	j, err := o.Lead.Jobs.CreateJob(tb.Context(), &witnessmarkv1.CreateJobRequest{JobId: id, Title: "Job " + id, Site: o.Site, ProcedureRevision: o.Revision, Plan: proceduretest.Plan(),
		People: []string{"people/climber", "people/lead"}})
	if err != nil {
		tb.Fatalf("open job %s: %v", id, err)
	}
	return j.GetName()
}

// Chain is what a person's device states in a job.
func (p *Person) Chain(tb testing.TB, job string) *client.Chain {
	tb.Helper()
	c, err := p.NewChain(tb.Context(), p.Device, job, func() time.Time { return time.Now().UTC() })
	if err != nil {
		tb.Fatalf("chain of %s in %s: %v", p.Name, job, err)
	}
	return c
}

// Sign completes and signs an entry.
func Sign(tb testing.TB, c *client.Chain, e *recordv1.Entry) *witnessmarkv1.SubmittedEntry {
	tb.Helper()
	s, _, err := c.Sign(e)
	if err != nil {
		tb.Fatalf("sign: %v", err)
	}
	return s
}

// Note is an entry that any step and job takes.
func Note(text string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: text}}}
}

// Submit sends entries and returns the results.
func (p *Person) Submit(tb testing.TB, job string, es ...*witnessmarkv1.SubmittedEntry) []*witnessmarkv1.EntryResult {
	tb.Helper()
	r, err := p.Jobs.SubmitEntries(tb.Context(), &witnessmarkv1.SubmitEntriesRequest{Job: job, Entries: es})
	if err != nil {
		tb.Fatalf("submit to %s: %v", job, err)
	}
	return r.GetResults()
}

// End ends a job unfinished with the lead's signature and returns it locked.
func (o *Organization) End(tb testing.TB, job string) *witnessmarkv1.EndJobResponse {
	tb.Helper()
	r, err := o.Lead.Jobs.EndJob(tb.Context(), &witnessmarkv1.EndJobRequest{Job: job, Entry: o.EndEntry(tb, job)})
	if err != nil {
		tb.Fatalf("end %s: %v", job, err)
	}
	return r
}

// EndEntry is the lead's entry that ends a job as it stands.
func (o *Organization) EndEntry(tb testing.TB, job string) *witnessmarkv1.SubmittedEntry {
	tb.Helper()
	h := o.Head(tb, job)
	return Sign(tb, o.Lead.Chain(tb, job), &recordv1.Entry{Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{Reason: "weather", Size: h.GetSize(), Root: h.GetRoot()}}})
}

// Head is size and root of a job's lines.
func (o *Organization) Head(tb testing.TB, job string) *witnessmarkv1.Head {
	tb.Helper()
	r, err := o.Lead.Jobs.ListLines(tb.Context(), &witnessmarkv1.ListLinesRequest{Job: job, PageSize: 1})
	if err != nil {
		tb.Fatalf("head of %s: %v", job, err)
	}
	return r.GetHead()
}
