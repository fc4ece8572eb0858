package record_test

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// morning is the moment at which the stories' job is opened; 07:00 at the site.
var morning = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

const (
	ana, ben, lea, mia = "people/ana", "people/ben", "people/lea", "people/mia"
	phoneA, phoneB     = "devices/phone-a", "devices/phone-b"
	phoneL             = "devices/phone-l"
	climbID            = proceduretest.Climb

	understood  = "climb:" + climbID + "/briefing/understood"
	wind        = "climb:" + climbID + "/weather/wind"
	selfCheck   = "job/kit/self-check"
	clean       = "connection:A1-top/couple/clean"
	torqueStep  = "connection:A1-top/couple/torque"
	photoStep   = "connection:A1-top/couple/photos"
	returnLoss  = "line:A1/test/return-loss"
	intermod    = "line:A1/test/intermodulation"
	traceStep   = "line:A1/test/trace"
	tidy        = "job/close/tidy"
	open        = recordv1.StepState_OPEN
	complete    = recordv1.StepState_COMPLETE
	outOfLimits = recordv1.StepState_OUT_OF_LIMITS
	deviating   = recordv1.StepState_DEVIATING
	waiting     = recordv1.StepState_WAITING
	returned    = recordv1.StepState_RETURNED
	notNeeded   = recordv1.StepState_NOT_NEEDED
)

// story tells a job line by line, as a server would take it.
type story struct {
	testing.TB
	job      *record.Job
	compiled *procedure.Compiled
	counters map[string]int64
	previous map[string][]byte
	ids      int
	settings map[string]string
}

// by is who states something, and how.
type by struct {
	person  string
	device  string
	at      time.Duration // after morning, by a right clock
	late    time.Duration // reaches the server so much later
	skew    time.Duration // device clock minus right clock; measured
	unknown bool          // the clock was never measured
	climb   string
	owner   string // of the device; empty: the person
	counter int64  // other than the next
	code    bool
	pin     func(*recordv1.Assessment_Pinned)
	roles   []string
}

func newStory(tb testing.TB) *story {
	tb.Helper()
	return newStoryOf(tb, proceduretest.Compiled(tb), proceduretest.Plan())
}

func newStoryOf(tb testing.TB, c *procedure.Compiled, plan *recordv1.Plan) *story {
	tb.Helper()
	s := &story{TB: tb, compiled: c, job: record.Open(c), counters: map[string]int64{}, previous: map[string][]byte{}}
	s.server(0, &recordv1.Entry{Kind: &recordv1.Entry_JobOpened{JobOpened: &recordv1.JobOpened{
		Site: &recordv1.JobOpened_Site{Name: "sites/ridge", Title: "Ridge", Zone: "Etc/UTC"}, Plan: plan,
	}}})
	return s
}

func (s *story) id() string {
	s.ids++
	return fmt.Sprintf("01912345-6789-7abc-8def-%012x", 0x5000+s.ids)
}

// server adds a line that the server makes, received at after morning.
func (s *story) server(at time.Duration, e *recordv1.Entry) *record.Line {
	s.Helper()
	e.Id, e.Job = s.id(), "jobs/ridge-1"
	return s.add(&record.Line{Received: morning.Add(at), Entry: e, Assessment: &recordv1.Assessment{}})
}

func (s *story) add(l *record.Line) *record.Line {
	s.Helper()
	l.Seq = s.job.Size() + 1
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(l.Entry)
	if err != nil {
		s.Fatalf("marshal: %v", err)
	}
	l.PayloadDigest = sha256.Sum256(b)
	if _, err := s.job.Advance(l); err != nil {
		s.Fatalf("line %d: %v", l.Seq, err)
	}
	if e := l.Entry; e.GetDevice() != "" && e.GetCounter() > 0 {
		s.previous[e.GetDevice()] = l.PayloadDigest[:]
	}
	return l
}

func roles(person string) []string {
	if person == lea || person == mia {
		return []string{"CLIMBER", "LEAD"}
	}
	return []string{"CLIMBER"}
}

// entry makes what a person states, with everything that a phone adds.
func (s *story) entry(b by, step string, e *recordv1.Entry) *recordv1.Entry {
	if e.Id == "" {
		e.Id = s.id()
	}
	e.Job, e.Author, e.Device = "jobs/ridge-1", b.person, b.device
	if e.Climb == "" {
		e.Climb = b.climb
	}
	if e.Step == "" {
		e.Step = step
	}
	e.DeviceTime = timestamppb.New(morning.Add(b.at + b.skew))
	if b.device != "" {
		s.counters[b.device]++
		e.Counter = s.counters[b.device]
		if b.counter != 0 {
			e.Counter = b.counter
			s.counters[b.device] = max(b.counter, s.counters[b.device]-1)
		}
		if e.Counter > 1 {
			e.Previous = s.previous[b.device]
		}
		if !b.unknown {
			e.ClockOffset = durationpb.New(-b.skew)
		}
	}
	return e
}

func (s *story) line(b by, e *recordv1.Entry) *record.Line {
	owner := b.owner
	if owner == "" && b.device != "" {
		owner = b.person
	}
	if b.roles == nil {
		b.roles = roles(b.person)
	}
	pin := &recordv1.Assessment_Pinned{Roles: b.roles, DeviceOwner: owner, CodeChecked: b.code, Settings: s.settings, Offset: e.ClockOffset}
	for _, p := range slices.Concat(e.GetClimbOpened().GetCrew(), e.GetCrewChanged().GetCrew()) {
		pin.Crew = append(pin.Crew, &recordv1.Assessment_Pinned_CrewMember{Person: p, Qualifications: []string{"climbing until 2030-01-01"}})
	}
	if b.pin != nil {
		b.pin(pin)
	}
	return &record.Line{Received: morning.Add(b.at + b.late), Entry: e, Person: b.person, Device: b.device, Assessment: &recordv1.Assessment{Pinned: pin}}
}

// say adds what a person states about a step; "" is about the job.
func (s *story) say(b by, step string, e *recordv1.Entry) *record.Line {
	s.Helper()
	return s.add(s.line(b, s.entry(b, step, e)))
}

// Entries in short.
func loss(db float64) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{Value: db, Unit: recordv1.Measure_DECIBELS, Instrument: "instruments/sweep-1"}}}
}
func level(dbc float64, instrument string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{Value: dbc, Unit: recordv1.Measure_DECIBELS_CARRIER, Instrument: instrument,
		CarrierPower: &recordv1.Measure{Value: 43, Unit: recordv1.Measure_DECIBEL_MILLIWATTS}}}}
}
func torqued(nm float64) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{Value: nm, Unit: recordv1.Measure_NEWTON_METERS, Tool: "instruments/wrench-1"}}}
}
func windAt(ms float64) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ReadingTaken{ReadingTaken: &recordv1.ReadingTaken{Value: ms, Unit: recordv1.Measure_METERS_PER_SECOND}}}
}
func confirm(o recordv1.Confirmed_Outcome) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Confirmed{Confirmed: &recordv1.Confirmed{Outcome: o, Reason: "as seen"}}}
}
func answer(choice string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: choice}}}
}
func acknowledge(person string, f recordv1.Acknowledged_Fitness) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Acknowledged{Acknowledged: &recordv1.Acknowledged{Person: person, Fitness: f}}}
}
func climbOpened(crew ...string) *recordv1.Entry {
	return &recordv1.Entry{Id: climbID, Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: crew}}}
}
func climbClosed(down ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ClimbClosed{ClimbClosed: &recordv1.ClimbClosed{Down: down}}}
}
func withdrawn(id string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Withdrawn{Withdrawn: &recordv1.Withdrawn{Entry: id, Reason: "wrong joint"}}}
}
func accepted(reason string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_DeviationAccepted{DeviationAccepted: &recordv1.DeviationAccepted{Reason: reason}}}
}
func back(steps ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_ReturnedForRework{ReturnedForRework: &recordv1.ReturnedForRework{Steps: steps, Reason: "do it again"}}}
}
func finished() *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Finished{Finished: &recordv1.Finished{}}}
}
func assessed(o recordv1.Assessed_Outcome, doubts ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_Assessed{Assessed: &recordv1.Assessed{Doubts: doubts, Outcome: o, Reason: "compared with a second kit"}}}
}
func lookedAt(ids ...string) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_LookedAt{LookedAt: &recordv1.LookedAt{Exceptions: ids}}}
}
func stopped() *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_WorkStopped{WorkStopped: &recordv1.WorkStopped{}}}
}
func resumed() *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_WorkResumed{WorkResumed: &recordv1.WorkResumed{}}}
}
func picture(n byte) []byte { d := sha256.Sum256([]byte{n}); return d[:] }
func photo(n byte) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{Digest: picture(n), Size: 1000, Subject: "mated"}}}
}
func photoReceived(n byte) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_PhotoReceived{PhotoReceived: &recordv1.PhotoReceived{Digest: picture(n), Size: 1000, MediaType: "image/jpeg"}}}
}
func photoExamined(n byte, readable bool, findings ...*recordv1.Finding) *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_PhotoExamined{PhotoExamined: &recordv1.PhotoExamined{Digest: picture(n), Readable: readable, Findings: findings}}}
}

// kit is a self-check whose load on the cable reads dBc; −175 is fit, −168
// marginal, −150 not fit.
func kit(analyser string, dbc float64) *recordv1.Entry {
	part := func(s recordv1.KitChecked_Part_Setup, v float64) *recordv1.KitChecked_Part {
		return &recordv1.KitChecked_Part{Setup: s, Read: &recordv1.Measure{Value: v, Unit: recordv1.Measure_DECIBELS_CARRIER}, CarrierPower: &recordv1.Measure{Value: 43, Unit: recordv1.Measure_DECIBEL_MILLIWATTS}, Cleaned: true}
	}
	k := &recordv1.KitChecked{Analyser: analyser}
	k.Parts = append(k.Parts, part(recordv1.KitChecked_Part_SOURCE_DIRECT, -110), part(recordv1.KitChecked_Part_LOAD_DIRECT, -175),
		part(recordv1.KitChecked_Part_LOAD_ON_CABLE, dbc), part(recordv1.KitChecked_Part_FLEXING, dbc))
	return &recordv1.Entry{Kind: &recordv1.Entry_KitChecked{KitChecked: k}}
}

func (s *story) state(at time.Duration) *record.State {
	return s.job.State(morning.Add(at), record.Outside{})
}

func (s *story) wantStep(step string, want recordv1.StepState) record.StepStatus {
	s.Helper()
	got, ok := s.job.StepStatus(step)
	if !ok || got.State != want {
		s.Errorf("%s is %s (%q); want %s", step, got.State, got.Sentence, want)
	}
	return got
}

// wantKinds holds that exactly these kinds of exceptions stand, each as often.
func (s *story) wantKinds(at time.Duration, want ...string) []record.Exception {
	s.Helper()
	var got []string
	xs := s.state(at).Exceptions
	for _, x := range xs {
		got = append(got, x.Kind)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		s.Errorf("exceptions are %v; want %v\n%s", got, want, describe(xs))
	}
	return xs
}

func (s *story) hasKind(at time.Duration, kind string, want bool) {
	s.Helper()
	xs := s.state(at).Exceptions
	if got := slices.ContainsFunc(xs, func(x record.Exception) bool { return x.Kind == kind }); got != want {
		s.Errorf("exception %s stands: %v; want %v\n%s", kind, got, want, describe(xs))
	}
}

func describe(xs []record.Exception) string {
	var b strings.Builder
	for _, x := range xs {
		fmt.Fprintf(&b, "  %s %v %s\n", x.ID, x.Lines, x.Sentence)
	}
	return b.String()
}

func (s *story) hold(at time.Duration, gate string, want bool) {
	s.Helper()
	hs := s.state(at).Holds
	if got := slices.ContainsFunc(hs, func(h record.Hold) bool { return h.Gate == gate }); got != want {
		s.Errorf("at %s hold %s stands: %v; want %v; holds: %v", at, gate, got, want, hs)
	}
}

// crewReady opens the climb and meets its gates at minute 10 to 12.
func (s *story) crewReady(crew ...string) {
	s.Helper()
	s.say(by{person: lea, device: phoneL, at: 10 * time.Minute}, "", climbOpened(crew...))
	for i, p := range crew {
		s.say(by{person: p, device: "devices/own-" + strings.TrimPrefix(p, "people/"), at: 11*time.Minute + time.Duration(i)*time.Second}, understood, acknowledge(p, recordv1.Acknowledged_FIT))
	}
	s.say(by{person: lea, device: phoneL, at: 12 * time.Minute}, wind, windAt(5))
}

// everything makes every required step complete, from minute 20 on.
func (s *story) everything() {
	s.Helper()
	s.crewReady(ana, ben)
	at := 20 * time.Minute
	a := func() by {
		at += time.Minute
		return by{person: ana, device: phoneA, at: at, climb: climbID}
	}
	s.say(a(), selfCheck, kit("instruments/pim-1", -175))
	for i, cn := range []string{"A1-top", "A1-bottom", "A2-top", "A2-bottom"} {
		pre := "connection:" + cn + "/couple/"
		s.say(a(), pre+"clean", confirm(recordv1.Confirmed_DONE))
		s.say(by{person: ana, device: phoneA, at: at, climb: climbID, pin: func(p *recordv1.Assessment_Pinned) {
			p.ToolClass, p.ToolMaximum = "II A", proto.Float64(60)
		}}, pre+"torque", torqued(27))
		s.say(a(), pre+"photos", photo(byte(i)))
		s.server(at+time.Second, photoReceived(byte(i)))
		s.server(at+2*time.Second, photoExamined(byte(i), true))
	}
	for _, l := range []string{"A1", "A2"} {
		s.say(a(), "line:"+l+"/test/intermodulation", level(-165, "instruments/pim-1"))
		s.say(a(), "line:"+l+"/test/return-loss", loss(22))
	}
	s.say(a(), tidy, answer("yes"))
}

func payload(e *recordv1.Entry) []byte { b, _ := protojson.Marshal(e); return b }
