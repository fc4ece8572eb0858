// Package workflowtest sets up an organisation with its crew, kit and jobs over
// real stores, for the tests of the use cases and of what stands on them. It is
// imported by tests only.
package workflowtest

import (
	"context"
	"crypto/rand"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/logkeys"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/seal"
	"witnessmark/internal/testbed"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/blob/s3"
	"witnessmark/storage/postgres"
	"witnessmark/storage/sqlite"
)

// Org is the organisation of a bench.
const Org = "demo"

// Start is where a bench's clock begins: nine o'clock at the site.
var Start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// Clock is a clock that a test sets. It is safe for concurrent use.
type Clock struct {
	mu sync.Mutex
	t  time.Time
}

// Now returns the clock's time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

// Advance moves the clock on.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

// Stores is what one server stands on.
type Stores struct {
	Store storage.Store
	Blobs blob.Store
}

// Keys makes log keys when first asked, and keeps them.
type Keys struct {
	mu   sync.Mutex
	keys map[string]*seal.LogKey
}

var _ workflow.LogKeys = (*Keys)(nil)
var _ workflow.LogKeys = (*logkeys.Folder)(nil)

// Signer implements workflow.LogKeys.
func (k *Keys) Signer(_ context.Context, origin string) (*seal.LogKey, []seal.LogPublicKey, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.keys == nil {
		k.keys = map[string]*seal.LogKey{}
	}
	if k.keys[origin] == nil {
		key, err := seal.GenerateLogKey(rand.Reader, origin)
		if err != nil {
			return nil, nil, err
		}
		k.keys[origin] = key
	}
	return k.keys[origin], []seal.LogPublicKey{k.keys[origin].Public()}, nil
}

// Embedded is a store in a file and a folder of photos, as a small crew runs it.
// path is the store's file.
func Embedded(tb testing.TB) (st Stores, path string) {
	tb.Helper()
	path = filepath.Join(tb.TempDir(), "witnessmark.db")
	return Stores{SQLite(tb, path), Disk(tb, tb.TempDir())}, path
}

// SQLite opens the store in a file until the test ends.
func SQLite(tb testing.TB, path string) *sqlite.Store {
	tb.Helper()
	st, err := sqlite.Open(context.Background(), path)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = st.Close() }) // a test that puts an older copy back closes it first
	return st
}

// Disk opens a folder of blobs.
func Disk(tb testing.TB, folder string) blob.Store {
	tb.Helper()
	b, err := disk.Open(folder)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// Company is Postgres and an S3 server, opened as often as there are servers.
func Company(tb testing.TB, servers int) []Stores {
	tb.Helper()
	db := testbed.PostgresRoles(tb)
	ctx := context.Background()
	if err := postgres.Migrate(ctx, db.Owner); err != nil {
		tb.Fatal(err)
	}
	c := testbed.S3(tb)
	var out []Stores
	for range servers {
		st, err := postgres.Open(ctx, db.App)
		if err != nil {
			tb.Fatal(err)
		}
		tb.Cleanup(func() { _ = st.Close() })
		bl, err := s3.Open(ctx, s3.Config{Bucket: c.Bucket, Region: c.Region, Endpoint: c.Endpoint, PathStyle: true, AccessKey: c.AccessKey, SecretKey: c.SecretKey})
		if err != nil {
			tb.Fatal(err)
		}
		out = append(out, Stores{st, bl})
	}
	return out
}

// Bench is an organisation at work: services over one store, a crew, kit, a
// procedure and a site.
type Bench struct {
	tb       testing.TB
	Clock    *Clock
	Keys     *Keys
	Services []*workflow.Service
	Office   access.Identity
	next     int
}

// LogName names the log of a bench's installation.
const LogName = "log.invalid/witnessmark"

// New sets a bench up over stores, one service for each.
func New(tb testing.TB, stores ...Stores) *Bench {
	tb.Helper()
	b := &Bench{tb: tb, Clock: &Clock{t: Start}, Keys: &Keys{}}
	for _, st := range stores {
		b.AddService(st)
	}
	s, ctx := b.Service(), context.Background()
	code, err := s.Bootstrap(ctx, Org, "Demo Rigging")
	if err != nil {
		tb.Fatal(err)
	}
	b.Office = b.Desk(code)
	if _, err := s.CreateSite(ctx, b.Office, workflow.Site{ID: "ridge", Title: "Demo Ridge", Zone: "Europe/Madrid", Latitude: 41.5, Longitude: 2.1}, ""); err != nil {
		tb.Fatal(err)
	}
	for _, p := range []access.Person{
		{ID: "climber", Title: "First Climber", Roles: []access.Role{access.Climber}},
		{ID: "climber2", Title: "Second Climber", Roles: []access.Role{access.Climber}},
		{ID: "lead", Title: "Ground Lead", Roles: []access.Role{access.Lead}},
		{ID: "lead2", Title: "Second Lead", Roles: []access.Role{access.Lead}},
		{ID: "auditor", Title: "Auditor", Roles: []access.Role{access.Auditor}},
	} {
		if _, err := s.CreatePerson(ctx, b.Office, p, ""); err != nil {
			tb.Fatal(err)
		}
	}
	nm := func(v float64) *workflow.Value { return &workflow.Value{Value: v, Unit: "NEWTON_METERS"} }
	for _, i := range []workflow.Instrument{
		{ID: "wrench", Kind: "torque-wrench", Title: "Click wrench", Serial: "W-1", CalibratedOn: "2025-12-01", CalibratedUntil: "2026-12-01", Minimum: nm(5), Maximum: nm(50), Class: "II A"},
		{ID: "analyser", Kind: "intermodulation-analyser", Title: "Analyser", Serial: "A-1", CalibratedUntil: "2026-12-01"},
		{ID: "source", Kind: "intermodulation-source", Title: "Source", Serial: "S-1"},
		{ID: "load", Kind: "load", Title: "Load", Serial: "L-1"},
		{ID: "cable", Kind: "test-cable", Title: "Test cable", Serial: "C-1"},
		{ID: "sweeper", Kind: "sweep-analyser", Title: "Sweep analyser", Serial: "V-1", CalibratedUntil: "2026-12-01"},
	} {
		if _, err := s.CreateInstrument(ctx, b.Office, i, ""); err != nil {
			tb.Fatal(err)
		}
	}
	if _, err := s.PublishProcedure(ctx, b.Office, proceduretest.Document()); err != nil {
		tb.Fatal(err)
	}
	return b
}

// AddService puts one more service over stores, with the bench's clock and keys.
func (b *Bench) AddService(st Stores) *workflow.Service {
	s := workflow.New(st.Store, st.Blobs, b.Keys, LogName)
	s.Now, s.SpoolDir, s.Version = b.Clock.Now, b.tb.TempDir(), "test"
	b.Services = append(b.Services, s)
	return s
}

// Service returns the first service.
func (b *Bench) Service() *workflow.Service { return b.Services[0] }

// Any returns one service after the other, as a load balancer does.
func (b *Bench) Any() *workflow.Service {
	b.next++
	return b.Services[b.next%len(b.Services)]
}

// Desk signs in with a code and without a device.
func (b *Bench) Desk(code string) access.Identity {
	b.tb.Helper()
	en, err := b.Service().Enroll(context.Background(), code, "desk", nil, "test")
	if err != nil {
		b.tb.Fatal(err)
	}
	id, err := b.Service().Authenticate(context.Background(), en.Token)
	if err != nil {
		b.tb.Fatal(err)
	}
	return id
}

// SignIn signs a person in without a device.
func (b *Bench) SignIn(person string) access.Identity {
	b.tb.Helper()
	code, err := b.Service().SignInCode(context.Background(), Org, person, time.Hour)
	if err != nil {
		b.tb.Fatal(err)
	}
	return b.Desk(code)
}

// Plan is a plan of one line, A1, with one connection, A1-top.
func Plan() *recordv1.Plan {
	p := proceduretest.Plan()
	p.Lines, p.Connections = p.Lines[:1], p.Connections[:1]
	return p
}

// Job opens a job with Plan.
func (b *Bench) Job(id string) string {
	b.tb.Helper()
	return b.JobWith(workflow.NewJob{ID: id})
}

// JobWith opens a job; what is empty is filled in.
func (b *Bench) JobWith(n workflow.NewJob) string {
	b.tb.Helper()
	if n.Title == "" {
		n.Title = "Job " + n.ID
	}
	if n.Site == "" {
		n.Site = "ridge"
	}
	if n.Procedure == "" {
		n.Procedure = "minimal"
	}
	if n.Plan == nil {
		n.Plan = Plan()
	}
	if n.People == nil {
		n.People = []string{"climber", "climber2", "lead"}
	}
	j, err := b.Service().CreateJob(context.Background(), b.Office, n, "")
	if err != nil {
		b.tb.Fatal(err)
	}
	return j.ID
}

// View returns how a job stands.
func (b *Bench) View(id access.Identity, job string) *workflow.View {
	b.tb.Helper()
	v, err := b.Any().View(context.Background(), id, job)
	if err != nil {
		b.tb.Fatal(err)
	}
	return v
}

// Drain works off every queue.
func (b *Bench) Drain() {
	b.tb.Helper()
	if err := b.Any().Drain(context.Background()); err != nil {
		b.tb.Fatal(err)
	}
}
