// Package evidencetest makes jobs, their lines and their packages in memory, for
// the tests of other packages. It is imported by tests only. Everything in it is
// deterministic: keys, ids, clock and pictures.
package evidencetest

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Names of the invented organisation, job and log.
const (
	Organization = "organizations/northgate"
	JobName      = "jobs/ridge-7"
	Title        = "Ridge 7, sector A"
	LogName      = "log.example"
	Climber      = "people/p1"
	Second       = "people/p2"
	Lead         = "people/p9"
	Wrench       = "instruments/w-113"
	Analyser     = "instruments/p-09"
)

// Start is when the job opens.
var Start = time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC)

// Job is a job being made, line by line, as a server would.
type Job struct {
	tb       testing.TB
	compiled *procedure.Compiled
	fold     *record.Job
	tree     *seal.Tree
	now      time.Time
	ids      int
	document []byte

	Lines, Addenda, Refused [][]byte
	blobs                   map[[32]byte][]byte
	thumbs                  map[[32]byte][]byte
	keys                    map[string][]byte
	names                   []byte
	logKey                  *seal.LogKey
	ClimbID                 string

	// Doctor changes a line before its bytes are made: what a server could do
	// that lies. The fold goes on without the change.
	Doctor func(l *record.Line)
}

// Phone is a device with its key and its chain.
type Phone struct {
	job      *Job
	Device   string
	Person   string
	Roles    []string
	Offset   time.Duration
	key      *ecdsa.PrivateKey
	KeyID    string
	counter  int64
	previous []byte
}

// New opens a job that follows the minimal procedure.
func New(tb testing.TB) *Job {
	tb.Helper()
	j := &Job{tb: tb, document: proceduretest.Document(), compiled: proceduretest.Compiled(tb), tree: seal.NewTree(), now: Start,
		blobs: map[[32]byte][]byte{}, thumbs: map[[32]byte][]byte{}, keys: map[string][]byte{}}
	j.fold = record.Open(j.compiled)
	origin, err := seal.Origin(LogName, "northgate")
	j.must(err)
	j.logKey, err = seal.GenerateLogKey(bytes.NewReader(bytes.Repeat([]byte{7}, 64)), origin)
	j.must(err)
	j.names, err = evidence.Names{
		Organizations: map[string]string{Organization: "Northgate Rigging (invented)"},
		People:        map[string]string{Climber: "Ana Uno", Second: "Ben Dos", Lead: "Lia Nueve"},
		Devices:       map[string]string{"devices/d1": "phone 1", "devices/d2": "phone 2", "devices/d9": "tablet 9"},
		Instruments:   map[string]string{Wrench: "torque wrench 113", Analyser: "analyser 09"},
	}.Bytes()
	j.must(err)
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_JobOpened{JobOpened: &recordv1.JobOpened{
		Site:  &recordv1.JobOpened_Site{Name: "sites/ridge", Title: "Ridge", Zone: "Europe/Madrid", Position: &recordv1.Position{Latitude: 40.5, Longitude: -3.5}},
		Title: Title, Procedure: "minimal", ProcedureDigest: j.compiled.Digest[:], Plan: proceduretest.Plan(),
	}}})
	return j
}

func (j *Job) must(err error) {
	j.tb.Helper()
	if err != nil {
		j.tb.Fatal(err)
	}
}

// Fold is the job's state so far.
func (j *Job) Fold() *record.Job { return j.fold }

// Wait moves the clock.
func (j *Job) Wait(d time.Duration) { j.now = j.now.Add(d) }

func (j *Job) id() string {
	j.ids++
	return fmt.Sprintf("01950000-%04x-7000-8000-%012x", j.ids, j.ids)
}

// Phone enrols the n-th device (0 to 255) of a person.
func (j *Job) Phone(n byte, person string, roles ...string) *Phone {
	j.tb.Helper()
	seed := sha256.Sum256([]byte{'d', n})
	key, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), seed[:])
	j.must(err)
	p := &Phone{job: j, Device: fmt.Sprintf("devices/d%d", n), Person: person, Roles: roles, Offset: -850 * time.Millisecond, key: key}
	p.KeyID, err = seal.KeyID(&key.PublicKey)
	j.must(err)
	j.keys[p.KeyID], err = x509.MarshalPKIXPublicKey(&key.PublicKey)
	j.must(err)
	return p
}

// Payload is an entry's JSON form, always the same for the same entry.
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

// Enter makes, signs and submits an entry; it returns the entry. The members
// that every entry has are filled in where they are absent.
func (p *Phone) Enter(e *recordv1.Entry) *recordv1.Entry {
	p.job.tb.Helper()
	payload, sig := p.sign(e)
	p.job.accept(e, payload, sig, p)
	return e
}

// Refuse makes and signs an entry that the server refuses and keeps aside.
func (p *Phone) Refuse(e *recordv1.Entry, reason, sentence string) {
	p.job.tb.Helper()
	payload, sig := p.sign(e)
	b, err := evidence.RefusedLine{Digest: seal.Sum(payload).String(), Payload: payload, Signature: sig, KeyID: p.KeyID, Reason: reason, Sentence: sentence,
		Sender: p.Person, Device: p.Device, Counter: e.GetCounter(), Received: p.job.now.Format(seal.TimeLayout)}.Bytes()
	p.job.must(err)
	p.job.Refused = append(p.job.Refused, b)
}

// Lose makes and signs an entry that never reaches the server.
func (p *Phone) Lose(e *recordv1.Entry) {
	p.job.tb.Helper()
	p.sign(e)
}

func (p *Phone) sign(e *recordv1.Entry) (payload, sig []byte) {
	j := p.job
	j.tb.Helper()
	j.now = j.now.Add(20 * time.Second)
	p.counter++
	if e.Id == "" {
		e.Id = j.id()
	}
	e.Job, e.Author, e.Device = JobName, p.Person, p.Device
	e.DeviceTime, e.ClockOffset = timestamppb.New(j.now.Add(-2*time.Second-p.Offset)), durationpb.New(p.Offset)
	e.Counter, e.Previous = p.counter, p.previous
	payload = Payload(j.tb, e)
	h := seal.Sum(payload)
	p.previous = h[:]
	sig, err := seal.Sign(p.key, seal.EntryType, payload)
	j.must(err)
	return payload, sig
}

// Server makes a line of the server's own.
func (j *Job) Server(e *recordv1.Entry) *recordv1.Entry {
	j.tb.Helper()
	j.now = j.now.Add(time.Second)
	if e.Id == "" {
		e.Id = j.id()
	}
	e.Job, e.DeviceTime = JobName, timestamppb.New(j.now)
	j.accept(e, Payload(j.tb, e), nil, nil)
	return e
}

func (j *Job) accept(e *recordv1.Entry, payload, sig []byte, p *Phone) {
	j.tb.Helper()
	pin := &recordv1.Assessment_Pinned{}
	pin.DayBegin, pin.DayEnd = j.day()
	ident := evidence.Identity{Organization: Organization}
	ln := &record.Line{Received: j.now, Entry: e, PayloadDigest: seal.Sum(payload), Assessment: &recordv1.Assessment{Pinned: pin}}
	if p != nil {
		ident.Person, ident.Device = p.Person, p.Device
		ln.KeyID, ln.Person, ln.Device = p.KeyID, p.Person, p.Device
		pin.Roles, pin.DeviceOwner, pin.Offset = p.Roles, p.Person, durationpb.New(p.Offset)
		if record.InstrumentOf(e) != "" {
			pin.ToolCalibratedUntil = "2026-11-14"
		}
		if e.GetTorqueApplied() != nil {
			most, least := 60.0, 10.0
			pin.ToolClass, pin.ToolMaximum, pin.ToolMinimum = "II A", &most, &least
			pin.InstrumentKind = "torque-wrench"
		}
		if !j.fold.Locked() && e.GetSignedOff() == nil && e.GetEndedUnfinished() == nil { // those have a call of their own
			j.must(j.fold.Check(e, record.Who{Person: p.Person, Roles: p.Roles}))
		}
	}
	if j.fold.Locked() {
		ln.Seq = int64(len(j.Addenda)) + 1
		ln.Assessment = j.fold.AssessAddendum(ln)
	} else {
		ln.Seq = int64(len(j.Lines)) + 1
		_, err := j.fold.Advance(ln)
		j.must(err)
	}
	made := ln
	if j.Doctor != nil {
		c := *ln
		c.Assessment = proto.Clone(ln.Assessment).(*recordv1.Assessment)
		made = &c
		j.Doctor(made)
	}
	b, err := evidence.MakeLine(made, payload, sig, ident)
	j.must(err)
	if j.fold.Locked() && e.GetLocked() == nil {
		j.Addenda = append(j.Addenda, b)
		return
	}
	j.Lines = append(j.Lines, b)
	j.must(j.tree.Append(seal.LeafHash(b), nil))
}

func (j *Job) day() (from, to *timestamppb.Timestamp) {
	zone := j.fold.Zone()
	b, e := record.Day(j.now, zone)
	return timestamppb.New(b), timestamppb.New(e)
}

// Photo attaches a photo to a step; received says whether its bytes arrive.
func (p *Phone) Photo(step string, content []byte, subject string, received bool) *recordv1.Entry {
	j := p.job
	j.tb.Helper()
	d := sha256.Sum256(content)
	e := p.Enter(&recordv1.Entry{Step: step, Climb: j.climbFor(step), Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{
		Digest: d[:], Size: int64(len(content)), Subject: subject, HowTaken: recordv1.PhotoAttached_IN_APP}}})
	if received {
		j.Receive(content)
	}
	return e
}

// Receive is the arrival of a JPEG's bytes and its examination.
func (j *Job) Receive(content []byte) { j.tb.Helper(); j.ReceiveAs(content, "image/jpeg") }

// ReceiveAs is Receive for another media type.
func (j *Job) ReceiveAs(content []byte, media string) {
	j.tb.Helper()
	d := sha256.Sum256(content)
	j.blobs[d] = content
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_PhotoReceived{PhotoReceived: &recordv1.PhotoReceived{Digest: d[:], Size: int64(len(content)), MediaType: media}}})
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_PhotoExamined{PhotoExamined: &recordv1.PhotoExamined{Digest: d[:], Readable: true, Rules: "photo/1", Width: 64, Height: 48}}})
}

// Big attaches a photo of this digest and size whose bytes arrive and are kept
// elsewhere: the caller's source gives them.
func (p *Phone) Big(step, subject string, digest [32]byte, size int64) {
	j := p.job
	j.tb.Helper()
	p.Enter(&recordv1.Entry{Step: step, Climb: j.climbFor(step), Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{
		Digest: digest[:], Size: size, Subject: subject, HowTaken: recordv1.PhotoAttached_IN_APP}}})
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_PhotoReceived{PhotoReceived: &recordv1.PhotoReceived{Digest: digest[:], Size: size, MediaType: "image/jpeg"}}})
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_PhotoExamined{PhotoExamined: &recordv1.PhotoExamined{Digest: digest[:], Readable: true, Rules: "photo/1", Width: 4000, Height: 3000}}})
}

// Thumbnail gives a photo a small picture.
func (j *Job) Thumbnail(content, small []byte) { j.thumbs[sha256.Sum256(content)] = small }

// Trace attaches a trace whose bytes arrive and are read.
func (p *Phone) Trace(step string, content []byte) *recordv1.Entry {
	j := p.job
	j.tb.Helper()
	d := sha256.Sum256(content)
	j.blobs[d] = content
	e := p.Enter(&recordv1.Entry{Step: step, Kind: &recordv1.Entry_TraceAttached{TraceAttached: &recordv1.TraceAttached{Digest: d[:], Size: int64(len(content)), FileName: "sweep.s1p", Instrument: Analyser}}})
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_TraceReceived{TraceReceived: &recordv1.TraceReceived{Digest: d[:], Size: int64(len(content)), Readable: true, Entry: e.GetId(),
		Bands: []*recordv1.TraceReceived_Band{{LowMhz: 880, HighMhz: 960, ReturnLossDb: 21.4, AtMhz: 921}}}}})
	return e
}

func (j *Job) climbFor(step string) string {
	if s := j.fold.Step(step); s != nil && s.Section.GetOnStructure() {
		return j.ClimbID
	}
	return ""
}

// Confirm says that a step is done.
func (p *Phone) Confirm(step string) *recordv1.Entry {
	return p.Enter(&recordv1.Entry{Step: step, Climb: p.job.climbFor(step), Kind: &recordv1.Entry_Confirmed{Confirmed: &recordv1.Confirmed{Outcome: recordv1.Confirmed_DONE}}})
}

// Torque applies a torque in newton-metres.
func (p *Phone) Torque(step string, nm float64) *recordv1.Entry {
	typed := fmt.Sprintf("%g N·m", nm)
	return p.Enter(&recordv1.Entry{Step: step, Climb: p.job.climbFor(step), Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{
		Typed: typed, Value: nm, Unit: recordv1.Measure_NEWTON_METERS, Tool: Wrench}}})
}

// Read takes a reading.
func (p *Phone) Read(step string, value float64, unit recordv1.Measure_Unit, symbol string) *recordv1.Entry {
	r := &recordv1.ReadingTaken{Typed: fmt.Sprintf("%g %s", value, symbol), Value: value, Unit: unit}
	if unit == recordv1.Measure_DECIBELS_CARRIER {
		r.CarrierPower = &recordv1.Measure{Typed: "43 dBm", Value: 43, Unit: recordv1.Measure_DECIBEL_MILLIWATTS}
		r.Instrument = Analyser
	}
	return p.Enter(&recordv1.Entry{Step: step, Climb: p.job.climbFor(step), Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: r}})
}

// Picture is a small JPEG, another one for each n.
func Picture(n byte) []byte {
	m := image.NewRGBA(image.Rect(0, 0, 64, 48))
	for y := range 48 {
		for x := range 64 {
			m.Set(x, y, color.RGBA{byte(x * 4), byte(y * 5), n * 16, 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err) // an in-memory picture of fixed size
	}
	return b.Bytes()
}

// Crew are the three devices of the usual story.
type Crew struct{ One, Two, Lead *Phone }

// Work does the whole job with two phones and a lead: briefing, wind, kit check,
// four connections of which one is torqued too low first and sent back once,
// tests of both lines, one photo that never arrives. It ends with 'finished'.
func (j *Job) Work() Crew {
	j.tb.Helper()
	c := j.Begin()
	one, two, lead := c.One, c.Two, c.Lead
	n := byte(0)
	for _, at := range []string{"A1-top", "A1-bottom", "A2-top", "A2-bottom"} {
		base := "connection:" + at + "/couple/"
		p := one
		if at[:2] == "A2" {
			p = two
		}
		p.Confirm(base + "clean")
		if at == "A1-top" {
			p.Torque(base+"torque", 18) // too low
		}
		p.Torque(base+"torque", 27)
		n++
		p.Photo(base+"photos", Picture(n), "mated", true)
	}
	lead.Enter(&recordv1.Entry{Kind: &recordv1.Entry_ReturnedForRework{ReturnedForRework: &recordv1.ReturnedForRework{Steps: []string{"connection:A2-top/couple/torque"}, Reason: "The mark is not across the joint."}}})
	j.Wait(3 * time.Minute)
	two.Torque("connection:A2-top/couple/torque", 27.5)
	one.Photo("connection:A1-top/couple/photos", []byte("never sent"), "mated", false)
	for _, line := range []string{"A1", "A2"} {
		one.Read("line:"+line+"/test/intermodulation", -158.2, recordv1.Measure_DECIBELS_CARRIER, "dBc")
		one.Read("line:"+line+"/test/return-loss", 21.5, recordv1.Measure_DECIBELS, "dB")
	}
	one.Trace("line:A1/test/trace", []byte("# MHz S DB R 50\n880 -21.4 0\n960 -22 0\n"))
	one.Enter(&recordv1.Entry{Step: "job/close/tidy", Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: "yes"}}})
	one.Enter(&recordv1.Entry{Climb: j.ClimbID, Kind: &recordv1.Entry_ClimbClosed{ClimbClosed: &recordv1.ClimbClosed{Down: []string{Climber, Second}}}})
	one.Enter(&recordv1.Entry{Kind: &recordv1.Entry_Finished{Finished: &recordv1.Finished{}}})
	return c
}

// Begin enrols the crew, opens a climb, briefs it, reads the wind and checks the
// kit.
func (j *Job) Begin() Crew {
	j.tb.Helper()
	c := Crew{One: j.Phone(1, Climber, "CLIMBER"), Two: j.Phone(2, Second, "CLIMBER"), Lead: j.Phone(9, Lead, "LEAD")}
	j.ClimbID = c.One.Enter(&recordv1.Entry{Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: []string{Climber, Second}}}}).GetId()
	for _, p := range []*Phone{c.One, c.Two} {
		p.Enter(&recordv1.Entry{Step: "climb:" + j.ClimbID + "/briefing/understood", Climb: j.ClimbID,
			Kind: &recordv1.Entry_Acknowledged{Acknowledged: &recordv1.Acknowledged{Person: p.Person, Fitness: recordv1.Acknowledged_FIT}}})
	}
	c.Lead.Read("climb:"+j.ClimbID+"/weather/wind", 4.5, recordv1.Measure_METERS_PER_SECOND, "m/s")
	dbc := func(v float64) *recordv1.Measure {
		return &recordv1.Measure{Typed: fmt.Sprintf("%g dBc", v), Value: v, Unit: recordv1.Measure_DECIBELS_CARRIER}
	}
	c.One.Enter(&recordv1.Entry{Step: "job/kit/self-check", Kind: &recordv1.Entry_KitChecked{KitChecked: &recordv1.KitChecked{Analyser: Analyser, Parts: []*recordv1.KitChecked_Part{
		{Setup: recordv1.KitChecked_Part_SOURCE_DIRECT, Read: dbc(-110)}, {Setup: recordv1.KitChecked_Part_LOAD_DIRECT, Read: dbc(-175)},
		{Setup: recordv1.KitChecked_Part_LOAD_ON_CABLE, Read: dbc(-174)}, {Setup: recordv1.KitChecked_Part_FLEXING, Read: dbc(-173)}}}}})
	return c
}

// LookAt lets the lead look at every exception that stands, until none is left.
func (j *Job) LookAt(lead *Phone) {
	j.tb.Helper()
	for range 5 {
		var ids []string
		for _, x := range j.fold.State(j.now, j.Outside()).Exceptions {
			if !slices.Contains(x.LookedAt, lead.Person) {
				ids = append(ids, x.ID)
			}
		}
		if len(ids) == 0 {
			return
		}
		lead.Enter(&recordv1.Entry{Kind: &recordv1.Entry_LookedAt{LookedAt: &recordv1.LookedAt{Exceptions: ids, Remark: "Seen on site."}}})
	}
	j.tb.Fatal("looking at exceptions brings up new ones for ever")
}

// Outside is what the fold needs to know and no line says.
func (j *Job) Outside() record.Outside {
	out := record.Outside{RefusedCounters: map[string][]int64{}}
	for _, b := range j.Refused {
		r, err := evidence.ParseRefused(b)
		j.must(err)
		out.RefusedCounters[r.Device] = append(out.RefusedCounters[r.Device], r.Counter)
	}
	return out
}

// SignOff looks at the exceptions, signs and locks. It fails the test where
// something blocks the sign-off.
func (j *Job) SignOff(lead *Phone) {
	j.tb.Helper()
	j.LookAt(lead)
	if bs := j.fold.Blockers(lead.Person, "", j.now, j.Outside()); len(bs) > 0 {
		j.tb.Fatalf("sign-off is blocked: %+v", bs)
	}
	j.Sign(lead, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "")
	j.Lock(false)
}

// Sign signs whatever stands, without asking what blocks it.
func (j *Job) Sign(lead *Phone, meaning recordv1.SignedOff_Meaning, waiver string) {
	j.tb.Helper()
	root := j.tree.Root()
	lead.Enter(&recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{Size: int64(j.tree.Size()), Root: root[:], Meaning: meaning, FourEyesWaiver: waiver}}})
}

// EndUnfinished ends the job and locks.
func (j *Job) EndUnfinished(lead *Phone, reason string) {
	j.tb.Helper()
	root := j.tree.Root()
	lead.Enter(&recordv1.Entry{Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{Reason: reason, Size: int64(j.tree.Size()), Root: root[:]}}})
	j.Lock(true)
}

// Lock appends the locked line.
func (j *Job) Lock(unfinished bool) {
	j.tb.Helper()
	names := seal.Sum(j.names)
	refused, n := seal.RootOf(slices.Values(j.Refused))
	l := &recordv1.Locked{Names: names[:], Unfinished: unfinished}
	if n > 0 {
		l.Refused = &recordv1.Locked_Refused{Size: int64(n), Root: refused[:]}
	}
	j.Server(&recordv1.Entry{Kind: &recordv1.Entry_Locked{Locked: l}})
}

// Signed is the usual job, signed off and locked.
func Signed(tb testing.TB) *Job {
	tb.Helper()
	j := New(tb)
	c := j.Work()
	j.SignOff(c.Lead)
	return j
}

// LogKey is the key of the organisation's log.
func (j *Job) LogKey() *seal.LogKey { return j.logKey }

// SetNames replaces names.json.
func (j *Job) SetNames(b []byte) { j.names = b }

// Package is what evidence.Write takes: the job in a log of seven leaves, the
// third of which is the record, the sixth its addenda.
func (j *Job) Package() (evidence.Meta, *Source) {
	j.tb.Helper()
	ctx := context.Background()
	lock := j.fold.LockTime()
	root, size := seal.RootOf(slices.Values(j.Lines))
	leaf, err := seal.LogLeaf{Job: JobName, List: seal.ListRecord, Size: size, Root: root, Locked: lock}.Bytes()
	j.must(err)
	var addendaLeaf []byte
	if len(j.Addenda) > 0 {
		root, size := seal.RootOf(slices.Values(j.Addenda))
		addendaLeaf, err = seal.LogLeaf{Job: JobName, List: seal.ListAddenda, Size: size, Root: root, Locked: lock.Add(24 * time.Hour)}.Bytes()
		j.must(err)
	}
	log, nodes := seal.NewTree(), seal.NodeMap{}
	const at, addendaAt, total = 2, 5, 7
	for i := range total {
		line := []byte(fmt.Sprintf("another leaf %d", i))
		switch {
		case i == at:
			line = leaf
		case i == addendaAt && addendaLeaf != nil:
			line = addendaLeaf
		}
		j.must(log.Append(seal.LeafHash(line), nodes.Keep))
	}
	origin := j.logKey.Public().Name()
	cp, err := seal.SignCheckpoint(seal.Checkpoint{Origin: origin, Size: log.Size(), Root: log.Root()}, j.logKey)
	j.must(err)
	path, err := seal.InclusionProof(ctx, nodes, at, total)
	j.must(err)
	m := evidence.Meta{Organization: Organization, Job: JobName, Title: Title, ProgramVersion: "test", Procedure: j.document, Names: j.names, Keys: j.keys,
		LogOrigin: origin, Leaf: leaf, Inclusion: seal.Inclusion{Index: at, Size: total, Path: path}, Checkpoint: cp, CheckpointTime: lock.Add(time.Hour),
		LogKey: j.logKey, LogKeys: []seal.LogPublicKey{j.logKey.Public()}, Retention: "not enforced by this store"}
	if addendaLeaf != nil {
		path, err := seal.InclusionProof(ctx, nodes, addendaAt, total)
		j.must(err)
		m.AddendaLeaf, m.AddendaInclusion = addendaLeaf, &seal.Inclusion{Index: addendaAt, Size: total, Path: path}
	}
	return m, &Source{Record: j.Lines, Addenda: j.Addenda, Refused: j.Refused, Blobs: j.blobs, Thumbnails: j.thumbs}
}

// Archive is the whole package of the job.
func (j *Job) Archive() []byte {
	j.tb.Helper()
	m, src := j.Package()
	var b bytes.Buffer
	j.must(evidence.Write(context.Background(), &b, m, src))
	return b.Bytes()
}

// Source is an evidence.Source in memory.
type Source struct {
	Record, Addenda, Refused [][]byte
	Blobs, Thumbnails        map[[32]byte][]byte
}

// Lines implements evidence.Source.
func (s *Source) Lines(_ context.Context, list string, after int64, limit int) ([][]byte, error) {
	all := map[string][][]byte{evidence.ListRecord: s.Record, evidence.ListAddenda: s.Addenda, evidence.ListRefused: s.Refused}[list]
	from := min(after, int64(len(all)))
	return all[from:min(from+int64(limit), int64(len(all)))], nil
}

// Open implements evidence.Source.
func (s *Source) Open(_ context.Context, digest [32]byte) (io.ReadCloser, int64, error) {
	b, ok := s.Blobs[digest]
	if !ok {
		return nil, 0, errs.Newf(errs.NotFound, "ORIGINAL_MISSING", "no original %x", digest)
	}
	return io.NopCloser(bytes.NewReader(b)), int64(len(b)), nil
}

// Derived implements evidence.Source.
func (s *Source) Derived(_ context.Context, digest [32]byte, kind string) (io.ReadCloser, int64, string, error) {
	b, ok := s.Thumbnails[digest]
	if !ok || kind != evidence.DerivedThumbnail {
		return nil, 0, "", errs.New(errs.NotFound, "DERIVED_MISSING", "there is none")
	}
	return io.NopCloser(bytes.NewReader(b)), int64(len(b)), "image/jpeg", nil
}
