package workflowtest

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// Phone is a person's phone: a key, a chain per job, a clock that may be wrong,
// and an outbox.
type Phone struct {
	tb     testing.TB
	bench  *Bench
	Person string
	ID     access.Identity
	Key    *ecdsa.PrivateKey
	KeyID  string
	Skew   time.Duration  // the phone's clock minus the true time
	Offset *time.Duration // server minus phone, as measured; nil: never measured
	Outbox map[string][]workflow.Submission
	chain  map[string]link
}

type link struct {
	counter int64
	last    [32]byte
}

// Phone enrols a phone for a person, its clock right and measured.
func (b *Bench) Phone(person string) *Phone {
	b.tb.Helper()
	ctx, s := context.Background(), b.Service()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		b.tb.Fatal(err)
	}
	spki, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		b.tb.Fatal(err)
	}
	code, err := s.SignInCode(ctx, Org, person, time.Hour)
	if err != nil {
		b.tb.Fatal(err)
	}
	en, err := s.Enroll(ctx, code, "phone of "+person, spki, "test")
	if err != nil {
		b.tb.Fatal(err)
	}
	id, err := s.Authenticate(ctx, en.Token)
	if err != nil {
		b.tb.Fatal(err)
	}
	keyID, err := seal.KeyID(&key.PublicKey)
	if err != nil {
		b.tb.Fatal(err)
	}
	zero := time.Duration(0)
	return &Phone{tb: b.tb, bench: b, Person: person, ID: id, Key: key, KeyID: keyID, Offset: &zero, Outbox: map[string][]workflow.Submission{}, chain: map[string]link{}}
}

// NewID makes an entry's id.
func NewID() string { return uuid.Must(uuid.NewV7()).String() }

// Payload writes an entry as a client does: JSON without spaces.
func Payload(tb testing.TB, e *recordv1.Entry) []byte {
	tb.Helper()
	b, err := protojson.Marshal(e)
	if err != nil {
		tb.Fatal(err)
	}
	var c bytes.Buffer
	if err := json.Compact(&c, b); err != nil {
		tb.Fatal(err)
	}
	return c.Bytes()
}

// Fill gives an entry its id, author, device, time, counter and previous hash.
func (p *Phone) Fill(job string, e *recordv1.Entry) *recordv1.Entry {
	l := p.chain[job]
	if e.Id == "" {
		e.Id = NewID()
	}
	e.Job = "jobs/" + job
	if e.Author == "" {
		e.Author = "people/" + p.Person
	}
	e.Device = "devices/" + p.ID.Device
	e.DeviceTime = timestamppb.New(p.bench.Clock.Now().Add(p.Skew))
	if p.Offset != nil {
		e.ClockOffset = durationpb.New(*p.Offset)
	}
	e.Counter = l.counter + 1
	if l.counter > 0 {
		e.Previous = l.last[:]
	}
	return e
}

// Sign signs an entry that was filled in.
func (p *Phone) Sign(e *recordv1.Entry) workflow.Submission {
	p.tb.Helper()
	return p.SignBytes(Payload(p.tb, e))
}

// SignBytes signs any bytes as an entry.
func (p *Phone) SignBytes(payload []byte) workflow.Submission {
	p.tb.Helper()
	sig, err := seal.Sign(p.Key, seal.EntryType, payload)
	if err != nil {
		p.tb.Fatal(err)
	}
	return workflow.Submission{Payload: payload, Signature: sig, KeyID: p.KeyID}
}

// Make fills an entry in, signs it and moves the chain on. It is not in the outbox.
func (p *Phone) Make(job string, e *recordv1.Entry) workflow.Submission {
	p.tb.Helper()
	s := p.Sign(p.Fill(job, e))
	p.chain[job] = link{e.Counter, sha256.Sum256(s.Payload)}
	return s
}

// Say makes an entry and puts it into the outbox. It returns the entry's id.
func (p *Phone) Say(job string, e *recordv1.Entry) string {
	p.tb.Helper()
	p.Outbox[job] = append(p.Outbox[job], p.Make(job, e))
	return e.Id
}

// Send sends the outbox through a service and empties it of what was answered.
func (p *Phone) Send(s *workflow.Service, job string) []workflow.Result {
	p.tb.Helper()
	rs, err := p.TrySend(s, job)
	if err != nil {
		p.tb.Fatalf("%s sends to %s: %v", p.Person, job, err)
	}
	return rs
}

// TrySend is Send for a service that may fail.
func (p *Phone) TrySend(s *workflow.Service, job string) ([]workflow.Result, error) {
	box := p.Outbox[job]
	none := int64(0)
	rs, _, err := s.Submit(context.Background(), p.ID, job, box, &none)
	if err != nil {
		return nil, err
	}
	p.Outbox[job] = nil
	return rs, nil
}

// Accepted sends the outbox and wants every entry accepted.
func (p *Phone) Accepted(job string) []workflow.Result {
	p.tb.Helper()
	rs := p.Send(p.bench.Any(), job)
	for i, r := range rs {
		if r.Outcome != workflow.Accepted {
			p.tb.Fatalf("%s, entry %d: outcome %v, %s: %s; want accepted", p.Person, i, r.Outcome, r.Reason, r.Sentence)
		}
	}
	return rs
}

// Now says one entry, sends it, and wants it accepted.
func (p *Phone) Now(job string, e *recordv1.Entry) workflow.Result {
	p.tb.Helper()
	p.Say(job, e)
	rs := p.Accepted(job)
	return rs[len(rs)-1]
}

// Try says one entry, sends it, and returns what became of it.
func (p *Phone) Try(job string, e *recordv1.Entry) workflow.Result {
	p.tb.Helper()
	p.Say(job, e)
	rs := p.Send(p.bench.Any(), job)
	return rs[len(rs)-1]
}

// Upload sends bytes in chunks of a size and finishes.
func (p *Phone) Upload(s *workflow.Service, job, purpose string, data []byte, chunk int) (storage.Upload, error) {
	ctx := context.Background()
	u, err := s.BeginUpload(ctx, p.ID, job, purpose, "", int64(len(data)), sha256.Sum256(data))
	if err != nil {
		return u, err
	}
	for u.State == "receiving" && u.Offset < u.Size {
		if u, err = s.UploadChunk(ctx, p.ID, u.ID, u.Offset, data[u.Offset:min(u.Offset+int64(min(chunk, blob.MaxChunk)), u.Size)]); err != nil {
			return u, err
		}
	}
	return s.FinishUpload(ctx, p.ID, u.ID)
}

// ---- what people enter ----

// ClimbOpened opens a climb with a crew.
func ClimbOpened(crew ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: names(crew)}}}
}

// ClimbClosed ends a climb with those who are down.
func ClimbClosed(climb string, down ...string) *recordv1.Entry {
	return &recordv1.Entry{Climb: climb, Kind: &recordv1.Entry_ClimbClosed{ClimbClosed: &recordv1.ClimbClosed{Down: names(down)}}}
}

func names(people []string) []string {
	out := make([]string, len(people))
	for i, p := range people {
		out[i] = "people/" + p
	}
	return out
}

// Briefed is a person's own word that he is briefed and fit.
func Briefed(climb, person string) *recordv1.Entry {
	return &recordv1.Entry{Step: "climb:" + climb + "/briefing/understood", Climb: climb, Author: "people/" + person,
		Kind: &recordv1.Entry_Acknowledged{Acknowledged: &recordv1.Acknowledged{Person: "people/" + person, Fitness: recordv1.Acknowledged_FIT}}}
}

// Wind is a reading of the mean wind.
func Wind(climb string, metersPerSecond float64) *recordv1.Entry {
	return &recordv1.Entry{Step: "climb:" + climb + "/weather/wind", Climb: climb,
		Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{Value: metersPerSecond, Unit: recordv1.Measure_METERS_PER_SECOND}}}
}

// KitCheck is a self-check of the kit with a residual.
func KitCheck(residual float64) *recordv1.Entry {
	part := func(setup recordv1.KitChecked_Part_Setup, inst string, v float64) *recordv1.KitChecked_Part {
		return &recordv1.KitChecked_Part{Setup: setup, Instrument: "instruments/" + inst, Read: &recordv1.Measure{Value: v, Unit: recordv1.Measure_DECIBELS_CARRIER}}
	}
	return &recordv1.Entry{Step: "job/kit/self-check", Kind: &recordv1.Entry_KitChecked{KitChecked: &recordv1.KitChecked{Analyser: "instruments/analyser", Parts: []*recordv1.KitChecked_Part{
		part(recordv1.KitChecked_Part_SOURCE_DIRECT, "source", -110),
		part(recordv1.KitChecked_Part_LOAD_DIRECT, "load", residual),
		part(recordv1.KitChecked_Part_LOAD_ON_CABLE, "cable", residual),
		part(recordv1.KitChecked_Part_FLEXING, "cable", residual),
	}}}}
}

// Clean confirms that the connection was cleaned.
func Clean(climb string) *recordv1.Entry {
	return &recordv1.Entry{Step: "connection:A1-top/couple/clean", Climb: climb, Kind: &recordv1.Entry_Confirmed{Confirmed: &recordv1.Confirmed{Outcome: recordv1.Confirmed_DONE}}}
}

// Torque is a torque on the connection, with the wrench.
func Torque(climb string, newtonMeters float64) *recordv1.Entry {
	return &recordv1.Entry{Step: TorqueStep, Climb: climb, Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{
		Value: newtonMeters, Unit: recordv1.Measure_NEWTON_METERS, Tool: "instruments/wrench", ToolSetting: &recordv1.Measure{Value: newtonMeters, Unit: recordv1.Measure_NEWTON_METERS}}}}
}

// Steps of Plan's connection and line.
const (
	TorqueStep = "connection:A1-top/couple/torque"
	PhotoStep  = "connection:A1-top/couple/photos"
	PIMStep    = "line:A1/test/intermodulation"
	LossStep   = "line:A1/test/return-loss"
	TraceStep  = "line:A1/test/trace"
)

// Photo names a photo of the connection.
func Photo(climb string, data []byte) *recordv1.Entry {
	d := sha256.Sum256(data)
	return &recordv1.Entry{Step: PhotoStep, Climb: climb, Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{
		Digest: d[:], Size: int64(len(data)), Subject: "mated", HowTaken: recordv1.PhotoAttached_IN_APP}}}
}

// PIM is a reading of passive intermodulation with the analyser.
func PIM(dBc float64) *recordv1.Entry {
	return &recordv1.Entry{Step: PIMStep, Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{
		Value: dBc, Unit: recordv1.Measure_DECIBELS_CARRIER, Instrument: "instruments/analyser"}}}
}

// ReturnLoss is a reading of the line's return loss.
func ReturnLoss(dB float64) *recordv1.Entry {
	return &recordv1.Entry{Step: LossStep, Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{
		Value: dB, Unit: recordv1.Measure_DECIBELS, Instrument: "instruments/sweeper"}}}
}

// Trace names a trace of the line.
func Trace(data []byte) *recordv1.Entry {
	d := sha256.Sum256(data)
	return &recordv1.Entry{Step: TraceStep, Kind: &recordv1.Entry_TraceAttached{TraceAttached: &recordv1.TraceAttached{
		Digest: d[:], Size: int64(len(data)), FileName: "sweep.s1p", Instrument: "instruments/sweeper"}}}
}

// Tidy answers that the site is left as found.
func Tidy() *recordv1.Entry {
	return &recordv1.Entry{Step: "job/close/tidy", Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: "yes"}}}
}

// Note is a remark.
func Note(text string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: text}}}
}

// Finished declares the work finished.
func Finished() *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Finished{Finished: &recordv1.Finished{}}}
}

// LookedAt says that exceptions were looked at.
func LookedAt(ids ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_LookedAt{LookedAt: &recordv1.LookedAt{Exceptions: ids}}}
}

// Returned sends steps back.
func Returned(reason string, steps ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ReturnedForRework{ReturnedForRework: &recordv1.ReturnedForRework{Steps: steps, Reason: reason}}}
}

// SignedOff signs a record as a view shows it.
func SignedOff(v *workflow.View) *recordv1.Entry {
	m := recordv1.SignedOff_APPROVED
	if len(v.State.Exceptions) > 0 {
		m = recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS
	}
	return &recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{Size: v.Head.Size, Root: slices.Clone(v.Head.Root[:]), Meaning: m}}}
}

// Ended ends a record unfinished as a view shows it.
func Ended(v *workflow.View, reason string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{Size: v.Head.Size, Root: slices.Clone(v.Head.Root[:]), Reason: reason}}}
}

// Picture is a small picture of a connector; each seed gives another.
func Picture(seed uint64) []byte {
	return testpicture.JPEG(testpicture.Options{Family: seed, Seed: seed, Width: 1600, Height: 1200, Quality: 80})
}

// ---- whole days ----

// Crew is the phones of a day's work.
type Crew struct {
	Climber, Climber2, Lead, Lead2 *Phone
}

// Crew enrols phones for everyone.
func (b *Bench) Crew() Crew {
	b.tb.Helper()
	return Crew{b.Phone("climber"), b.Phone("climber2"), b.Phone("lead"), b.Phone("lead2")}
}

// Climb opens a climb, has everyone briefed and reads the wind.
func (c Crew) Climb(job string) string {
	c.Climber.tb.Helper()
	climb := c.Lead.Now(job, ClimbOpened("climber", "climber2")).ID
	c.Climber.Now(job, Briefed(climb, "climber"))
	c.Climber2.Now(job, Briefed(climb, "climber2"))
	c.Lead.Now(job, Wind(climb, 4))
	return climb
}

// Day does a job's whole work, all of it well, up to 'finished' and the climb's
// end. seed chooses the photo.
func (c Crew) Day(job string, seed uint64) (climb string) {
	p := c.Climber
	p.tb.Helper()
	b := p.bench
	climb = c.Climb(job)
	p.Say(job, KitCheck(-175))
	b.Clock.Advance(5 * time.Minute)
	p.Say(job, Clean(climb))
	p.Say(job, Torque(climb, 26))
	pic := Picture(seed)
	p.Say(job, Photo(climb, pic))
	p.Say(job, PIM(-165))
	p.Say(job, ReturnLoss(22))
	p.Say(job, Tidy())
	p.Accepted(job)
	if _, err := p.Upload(b.Any(), job, workflow.PurposePhoto, pic, 1<<20); err != nil {
		p.tb.Fatal(err)
	}
	b.Drain()
	b.Clock.Advance(time.Minute)
	p.Now(job, Finished())
	c.Lead.Now(job, ClimbClosed(climb, "climber", "climber2"))
	return climb
}

// LookAt has a lead look at every exception that stands.
func (p *Phone) LookAt(job string) {
	p.tb.Helper()
	v := p.bench.View(p.ID, job)
	if ids := v.State.ExceptionsFor(""); len(ids) > 0 {
		p.Now(job, LookedAt(ids...))
	}
}

// SignOff looks at what stands, signs and locks.
func (p *Phone) SignOff(job string) *workflow.Locked {
	p.tb.Helper()
	p.LookAt(job)
	v := p.bench.View(p.ID, job)
	l, err := p.bench.Any().SignOff(context.Background(), p.ID, job, p.Make(job, SignedOff(v)), "")
	if err != nil {
		p.tb.Fatalf("sign-off of %s: %v\nblockers: %v", job, err, v.Blockers)
	}
	return l
}

// Clone copies an entry.
func Clone(e *recordv1.Entry) *recordv1.Entry { return proto.Clone(e).(*recordv1.Entry) }
