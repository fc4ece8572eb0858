package record_test

import (
	"crypto/sha256"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func compile(tb testing.TB, doc string) *procedure.Compiled {
	tb.Helper()
	c, err := procedure.Compile([]byte(doc))
	if err != nil {
		tb.Fatalf("the procedure does not compile: %v", err)
	}
	return c
}

const (
	briefingGate = "climb:" + climbID + "/briefing"
	weatherGate  = "climb:" + climbID + "/weather"
)

// Rule 13: a gate is a hold from the start until it is met, and again when its
// condition ends, while its climb is open; a wind reading holds 60 minutes or
// what the company sets; only a pass counts. 'Work stopped' holds until resumed
// by a lead or competent person. What was unmet when the climb closed is an
// exception for ever.
func TestRule13Gates(t *testing.T) {
	s := newStory(t)
	s.hold(9*minute, briefingGate, false) // no climb yet
	s.crewReady(ana)
	for _, tc := range []struct {
		at   time.Duration
		gate string
		want bool
	}{
		{9 * minute, briefingGate, false}, {10 * minute, briefingGate, true}, {10 * minute, weatherGate, true},
		{11 * minute, briefingGate, false}, {11*minute + 59*time.Second, weatherGate, true}, {12 * minute, weatherGate, false},
		{72*minute - time.Millisecond, weatherGate, false}, {72 * minute, weatherGate, true}, {10 * time.Hour, briefingGate, false},
	} {
		s.hold(tc.at, tc.gate, tc.want)
	}
	s.say(by{person: lea, device: phoneL, at: 80 * minute}, wind, windAt(4))
	s.hold(81*minute, weatherGate, false)
	s.say(by{person: lea, device: phoneL, at: 90 * minute}, wind, windAt(14))
	s.hold(91*minute, weatherGate, true)
	s.say(by{person: lea, device: phoneL, at: 95 * minute}, "", withClimb(climbClosed(ana)))
	s.hold(96*minute, weatherGate, false)
	xs := s.wantKinds(96*minute, record.GateUnmetAtClose)
	if len(xs) == 1 && !strings.Contains(xs[0].Sentence, "08:30") {
		t.Errorf("the exception says %q; want when the gate ended, 08:30", xs[0].Sentence)
	}

	t.Run("the company's setting", func(t *testing.T) {
		s := newStory(t)
		s.settings = map[string]string{"wind_holds_minutes": "30"}
		s.crewReady(ana)
		s.hold(41*minute, weatherGate, false)
		s.hold(42*minute, weatherGate, true)
	})
	t.Run("work stopped", func(t *testing.T) {
		s := newStory(t)
		s.crewReady(ana)
		s.say(by{person: ben, device: phoneB, at: 20 * minute}, "", stopped())
		s.say(by{person: ana, device: phoneA, at: 25 * minute}, "", resumed())
		s.hold(26*minute, "work-stopped", true) // a climber does not resume
		s.say(by{person: ana, device: phoneA, at: 27 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		s.say(by{person: ana, device: phoneA, at: 30 * minute, pin: func(p *recordv1.Assessment_Pinned) { p.Qualifications = []string{"competent-person until 2030-01-01"} }}, "", resumed())
		s.hold(30*minute, "work-stopped", false)
		s.wantKinds(31*minute, record.WhileStopped)
		s.wantStep(clean, complete)
	})
	t.Run("the end of a climb is not said to have met anything", func(t *testing.T) {
		s := newStory(t)
		s.say(by{person: lea, device: phoneL, at: 10 * minute}, "", climbOpened(ana))
		l := s.say(by{person: lea, device: phoneL, at: 20 * minute}, "", withClimb(climbClosed(ana)))
		for _, h := range l.Assessment.GetHolds() {
			if h.GetBegan() || strings.Contains(h.GetSentence(), "condition met") {
				t.Errorf("hold change %v; want its end, and not that it was met", h)
			}
		}
		if len(l.Assessment.GetHolds()) != 2 {
			t.Errorf("hold changes are %v; want two ends", l.Assessment.GetHolds())
		}
	})
}

// Rule 13, more: a qualification that is missing or ends is a hold while the
// climb is open, and an exception for what was entered meanwhile.
func TestRule13Qualification(t *testing.T) {
	doc := strings.Replace(string(proceduretest.Document()), "requires: [briefing, weather]", "requires: [briefing, weather]\n    qualifications: [climbing]", 1)
	s := newStoryOf(t, compile(t, doc), proceduretest.Plan())
	s.crewReady(ana)
	gate := "qualification:" + climbID + "/couple"
	s.hold(20*minute, gate, false)
	s.server(30*minute, &recordv1.Entry{Kind: &recordv1.Entry_QualificationEnded{QualificationEnded: &recordv1.QualificationEnded{Person: ana, Qualification: "climbing", Until: "2026-03-01"}}})
	s.hold(31*minute, gate, true)
	s.say(by{person: ana, device: phoneA, at: 32 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
	s.wantKinds(33*minute, record.Unqualified)
	// Entered anew, it is pinned by the next change of the crew.
	s.say(by{person: lea, device: phoneL, at: 40 * minute, climb: climbID}, "", &recordv1.Entry{Kind: &recordv1.Entry_CrewChanged{CrewChanged: &recordv1.CrewChanged{Crew: []string{ana}}}})
	s.hold(41*minute, gate, false)
	s.hold(35*minute, gate, true)
}

// Rule 14: an entry made before its gate was met counts, with an exception; so
// it does on the ground.
func TestRule14BeforeTheGate(t *testing.T) {
	s := newStory(t)
	s.say(by{person: lea, device: phoneL, at: 10 * minute}, "", climbOpened(ana))
	s.say(by{person: ana, device: phoneA, at: 11 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
	s.wantStep(clean, complete)
	s.wantKinds(12*minute, record.GateUnmet, record.GateUnmet)
	doc := strings.Replace(string(proceduretest.Document()), "title: Test the line\n    repeat: LINE", "title: Test the line\n    repeat: LINE\n    requires: [kit]", 1)
	s = newStoryOf(t, compile(t, doc), proceduretest.Plan())
	s.say(by{person: ana, device: phoneA, at: 11 * minute}, returnLoss, loss(22))
	s.wantStep(returnLoss, complete)
	s.wantKinds(12*minute, record.GateUnmet)
	s.hold(12*minute, "job/kit", true)
}

// Rule 15: an acknowledgement is by the person himself. Said on another's phone
// it is an exception and opens no gate until confirmed, and from then on only.
func TestRule15Acknowledgement(t *testing.T) {
	s := newStory(t)
	s.say(by{person: lea, device: phoneL, at: 10 * minute}, "", climbOpened(ana))
	l := s.say(by{person: ana, device: phoneB, owner: ben, at: 11 * minute}, understood, acknowledge(ana, recordv1.Acknowledged_FIT))
	s.wantStep(understood, waiting)
	s.wantKinds(12*minute, record.OnAnothersPhone)
	s.hold(12*minute, briefingGate, true)
	s.server(20*minute, &recordv1.Entry{Kind: &recordv1.Entry_AcknowledgementConfirmed{AcknowledgementConfirmed: &recordv1.AcknowledgementConfirmed{Entry: l.Entry.GetId(), Person: ana, How: "own code"}}})
	s.wantStep(understood, complete)
	s.hold(19*minute, briefingGate, true)
	s.hold(20*minute, briefingGate, false)
	s.wantKinds(21 * minute)
	s.say(by{person: ana, device: phoneA, at: 15 * minute, late: 30 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
	s.wantKinds(time.Hour, record.GateUnmet, record.GateUnmet) // briefing not yet, weather never

	s = newStory(t)
	s.say(by{person: lea, device: phoneL, at: 10 * minute}, "", climbOpened(ana))
	s.say(by{person: ana, device: phoneB, owner: ben, code: true, at: 11 * minute}, understood, acknowledge(ana, recordv1.Acknowledged_FIT))
	s.wantStep(understood, complete)
	err := s.job.Check(s.entry(by{person: ben, device: phoneB, at: 12 * minute}, understood, acknowledge(ana, recordv1.Acknowledged_FIT)), who(ben))
	if !errs.Is(err, "ACKNOWLEDGED_FOR_ANOTHER") {
		t.Errorf("for another: %v; want ACKNOWLEDGED_FOR_ANOTHER", err)
	}
}

// Rule 16: an exception's id is its kind, subject and causing lines; a new cause
// reopens it; one 'looked at' names many. Sign-off needs everything settled, and
// another than the doers unless waived.
func TestRule16SignOff(t *testing.T) {
	s := newStory(t)
	s.everything()
	s.say(by{person: ana, device: phoneA, at: 65 * minute}, returnLoss, loss(12))
	s.say(by{person: ana, device: phoneA, at: 68 * minute}, returnLoss, loss(22))
	s.say(by{person: ana, device: phoneA, at: 70 * minute}, "", finished())
	s.say(by{person: lea, device: phoneL, at: 71 * minute}, "", withClimb(climbClosed(ana, ben)))
	reasons := func(lead, waiver string) string {
		var out []string
		for _, b := range s.job.Blockers(lead, waiver, morning.Add(2*time.Hour), record.Outside{}) {
			out = append(out, b.Reason)
		}
		return strings.Join(out, " ")
	}
	if got := reasons(lea, ""); got != "EXCEPTIONS_NOT_LOOKED_AT" {
		t.Fatalf("blockers are %q; want only exceptions; %s", got, describe(s.state(2*time.Hour).Exceptions))
	}
	xs := s.wantKinds(2*time.Hour, record.FailedThenPassed)
	s.say(by{person: lea, device: phoneL, at: 80 * minute}, "", lookedAt(xs[0].ID))
	if got := reasons(lea, ""); got != "" {
		t.Errorf("blockers are %q; want none", got)
	}
	if got := reasons(mia, ""); got != "EXCEPTIONS_NOT_LOOKED_AT" {
		t.Errorf("for a lead who looked at nothing: %q; want EXCEPTIONS_NOT_LOOKED_AT", got)
	}
	s.say(by{person: ana, device: phoneA, at: 82 * minute}, returnLoss, loss(11))
	s.say(by{person: ana, device: phoneA, at: 83 * minute}, returnLoss, loss(21))
	s.say(by{person: ana, device: phoneA, at: 84 * minute}, "", finished())
	if got := reasons(lea, ""); got != "EXCEPTIONS_NOT_LOOKED_AT" {
		t.Errorf("after a new cause: %q; want EXCEPTIONS_NOT_LOOKED_AT", got)
	}
	s.say(by{person: lea, device: phoneL, at: 85 * minute}, tidy, answer("yes"))
	if got := reasons(lea, ""); !strings.Contains(got, "FOUR_EYES") {
		t.Errorf("for a doer: %q; want FOUR_EYES", got)
	}
	if got := reasons(lea, "one-person crew"); strings.Contains(got, "FOUR_EYES") {
		t.Errorf("waived: %q; want no FOUR_EYES", got)
	}
}

// Rule 16, more: unsent work last reported is an exception until a later report
// says none; a gap in a device's chain is one.
func TestRule16UnsentAndGaps(t *testing.T) {
	s := newStory(t)
	report := func(at time.Duration, n int64) {
		s.server(at, &recordv1.Entry{Kind: &recordv1.Entry_UnsentReported{UnsentReported: &recordv1.UnsentReported{Device: phoneA, Count: n}}})
	}
	report(10*minute, 3)
	s.wantKinds(11*minute, record.UnsentWork)
	report(12*minute, 0)
	s.wantKinds(13 * minute)
	s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
	s.say(by{person: ana, device: phoneA, at: 21 * minute, counter: 3}, returnLoss, loss(22))
	s.wantKinds(22*minute, record.ChainGap)
	xs := s.job.State(morning.Add(22*minute), record.Outside{RefusedCounters: map[string][]int64{phoneA: {2}}}).Exceptions
	if len(xs) != 0 {
		t.Errorf("with the refused counter known: %s; want none", describe(xs))
	}
}

// Rule 19: refused entries are one exception together; a lead can admit one,
// which then counts.
func TestRule19Refused(t *testing.T) {
	s := newStory(t)
	xs := s.job.State(morning.Add(time.Hour), record.Outside{Refused: 4}).Exceptions
	if len(xs) != 1 || xs[0].Kind != record.RefusedAside {
		t.Errorf("exceptions: %s; want one for all", describe(xs))
	}
	e := s.entry(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(12))
	p := payload(e)
	d := sha256.Sum256(p)
	admit := func(digest []byte) {
		s.server(30*minute, &recordv1.Entry{Kind: &recordv1.Entry_RefusedAdmitted{RefusedAdmitted: &recordv1.RefusedAdmitted{Digest: digest, Payload: p, Lead: lea, Reason: "the key was revoked too early"}}})
	}
	admit(picture(1))
	s.wantStep(returnLoss, open) // not the payload that was refused
	admit(d[:])
	s.wantStep(returnLoss, outOfLimits)
	if n := s.job.Size(); n != 3 {
		t.Errorf("the job has %d lines; want 3", n)
	}
	if got := s.job.WorkOf(ana); !slices.Equal(got, []string{returnLoss}) {
		t.Errorf("work of the author is %v; want the admitted step", got)
	}
}

// Rule 20: a self-check holds for its serials for the site's day and at most 12
// hours; none, or a bad one, holds; marginal is fit; a good check followed by a
// bad one puts every reading between in doubt until assessed.
func TestRule20KitCheck(t *testing.T) {
	a := func(at time.Duration) by { return by{person: ana, device: phoneA, at: at} }
	const pim = "instruments/pim-1"
	for _, tc := range []struct {
		name string
		tell func(s *story)
		want recordv1.StepState
	}{
		{"a good check", func(s *story) {
			s.say(a(10*minute), selfCheck, kit(pim, -175))
			s.say(a(20*minute), intermod, level(-165, pim))
		}, complete},
		{"a marginal check", func(s *story) {
			s.say(a(10*minute), selfCheck, kit(pim, -168))
			s.say(a(20*minute), intermod, level(-155, pim))
		}, complete},
		{"no check", func(s *story) { s.say(a(20*minute), intermod, level(-165, pim)) }, open},
		{"a check of another kit", func(s *story) {
			s.say(a(10*minute), selfCheck, kit("instruments/pim-2", -175))
			s.say(a(20*minute), intermod, level(-165, pim))
		}, open},
		{"a bad check", func(s *story) {
			s.say(a(10*minute), selfCheck, kit(pim, -150))
			s.say(a(20*minute), intermod, level(-165, pim))
		}, open},
		{"an unfinished check", func(s *story) {
			k := kit(pim, -175)
			k.GetKitChecked().Parts = k.GetKitChecked().Parts[:2]
			s.say(a(10*minute), selfCheck, k)
			s.say(a(20*minute), intermod, level(-165, pim))
		}, open},
		{"twelve hours later", func(s *story) {
			s.say(a(0), selfCheck, kit(pim, -175))
			s.say(a(12*time.Hour), intermod, level(-165, pim))
		}, open},
		{"a moment before twelve hours", func(s *story) {
			s.say(a(0), selfCheck, kit(pim, -175))
			s.say(a(12*time.Hour-time.Second), intermod, level(-165, pim))
		}, complete},
		{"after the site's midnight", func(s *story) {
			s.say(a(16*time.Hour), selfCheck, kit(pim, -175))
			s.say(a(17*time.Hour), intermod, level(-165, pim))
		}, open},
		{"the check arrives after its reading", func(s *story) {
			s.say(by{person: ben, device: phoneB, at: 20 * minute}, intermod, level(-165, pim))
			s.say(by{person: ana, device: phoneA, at: 10 * minute, late: time.Hour}, selfCheck, kit(pim, -175))
		}, complete},
		{"the check is withdrawn", func(s *story) {
			l := s.say(a(10*minute), selfCheck, kit(pim, -175))
			s.say(a(20*minute), intermod, level(-165, pim))
			s.say(a(30*minute), "", withdrawn(l.Entry.GetId()))
		}, open},
		{"a check of the day in another job", func(s *story) {
			s.server(20*minute, &recordv1.Entry{Kind: &recordv1.Entry_KitCheckKnown{KitCheckKnown: &recordv1.KitCheckKnown{Check: "01912345-6789-7abc-8def-00000000cccc", Job: "jobs/other",
				Instruments: []string{pim}, State: recordv1.KitState_FIT, ResidualDbc: proto.Float64(-175), CheckTime: timestamppb.New(morning), HoldsUntil: timestamppb.New(morning.Add(12 * time.Hour))}}})
			s.say(a(21*minute), intermod, level(-165, pim))
			s.wantStep(selfCheck, complete)
		}, complete},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			tc.tell(s)
			s.wantStep(intermod, tc.want)
			s.hasKind(20*time.Hour, record.AfterDoubt, tc.want == open)
		})
	}
	t.Run("good, then bad", func(t *testing.T) {
		s := newStory(t)
		s.hold(minute, "kit", true)
		s.say(a(10*minute), selfCheck, kit(pim, -175))
		s.hold(11*minute, "kit", false)
		r := s.say(a(20*minute), intermod, level(-165, pim))
		k := s.say(a(5*time.Hour), selfCheck, kit(pim, -150))
		s.wantStep(intermod, waiting)
		ds := s.state(6 * time.Hour).Doubts
		if len(ds) != 1 || ds[0].Assessed || !slices.Equal(ds[0].Entries, []string{r.Entry.GetId()}) || ds[0].ID != "kit:"+k.Entry.GetId() {
			t.Fatalf("doubts are %+v; want one, open, about the reading", ds)
		}
		first := s.say(by{person: lea, device: phoneL, at: 6 * time.Hour}, "", assessed(recordv1.Assessed_STANDS, ds[0].ID))
		s.wantStep(intermod, complete)
		second := s.say(by{person: lea, device: phoneL, at: 7 * time.Hour}, "", assessed(recordv1.Assessed_DOES_NOT_COUNT, ds[0].ID))
		s.wantStep(intermod, open)
		s.say(by{person: lea, device: phoneL, at: 8 * time.Hour}, "", withdrawn(second.Entry.GetId()))
		s.wantStep(intermod, complete)
		s.say(by{person: lea, device: phoneL, at: 9 * time.Hour}, "", withdrawn(first.Entry.GetId()))
		s.wantStep(intermod, waiting)
		s.say(a(9*time.Hour), "", withdrawn(k.Entry.GetId()))
		s.wantStep(intermod, complete)
	})
}

// Rule 21: with an expired tool the verdict goes by the numbers, and the step is
// open until that is assessed or deviated.
func TestRule21ExpiredTool(t *testing.T) {
	s := newStory(t)
	day := morning.Truncate(24 * time.Hour)
	l := s.say(by{person: ana, device: phoneA, at: 20 * minute, pin: func(p *recordv1.Assessment_Pinned) {
		p.ToolCalibratedUntil, p.DayBegin, p.DayEnd = "2026-03-01", timestamppb.New(day), timestamppb.New(day.Add(24*time.Hour))
	}}, returnLoss, loss(22))
	if got := l.Assessment.GetVerdict(); got != recordv1.Verdict_PASS {
		t.Errorf("the verdict is %s; want PASS by the numbers", got)
	}
	s.wantStep(returnLoss, waiting)
	s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", assessed(recordv1.Assessed_STANDS, "tool:"+l.Entry.GetId()))
	s.wantStep(returnLoss, complete)
}

// Rule 22: readings named by a line as in doubt wait until assessed; a change of
// calibration known later reaches earlier entries, the newest change counting.
func TestRule22FoundBad(t *testing.T) {
	s := newStory(t)
	l := s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
	s.server(30*minute, &recordv1.Entry{Kind: &recordv1.Entry_KitInDoubt{KitInDoubt: &recordv1.KitInDoubt{Doubt: "doubts/7", Instrument: "instruments/sweep-1", Entries: []string{l.Entry.GetId()}, Cause: "found 1.4 dB off"}}})
	s.wantStep(returnLoss, waiting)
	if ds := s.state(time.Hour).Doubts; len(ds) != 1 || ds[0].Sentence != "found 1.4 dB off" {
		t.Errorf("doubts are %+v; want the one named", ds)
	}
	s.say(by{person: ana, device: phoneA, at: 31 * minute}, "", assessed(recordv1.Assessed_STANDS, "doubts/7"))
	s.wantStep(returnLoss, waiting) // a climber assesses nothing
	s.say(by{person: lea, device: phoneL, at: 32 * minute}, "", assessed(recordv1.Assessed_STANDS, "doubts/7"))
	s.wantStep(returnLoss, complete)
	changed := func(at time.Duration, until string) {
		s.server(at, &recordv1.Entry{Kind: &recordv1.Entry_CalibrationChanged{CalibrationChanged: &recordv1.CalibrationChanged{Instrument: "instruments/sweep-1", CalibratedUntil: until}}})
	}
	changed(40*minute, "2026-03-01")
	s.wantStep(returnLoss, waiting)
	changed(50*minute, "2026-03-02")
	s.wantStep(returnLoss, complete)
}

// Rule 24: 'pass, not proven' completes a step and is an exception; an
// organisation may ask for a deviation. 'Recorded, no limit' completes.
func TestRule24NotProven(t *testing.T) {
	for _, setting := range []string{"", "true"} {
		s := newStory(t)
		s.settings = map[string]string{"not_proven_needs_deviation": setting}
		s.crewReady(ana)
		s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, torqueStep, torqued(27)) // the tool's class is not known
		if setting == "" {
			s.wantStep(torqueStep, complete)
			s.wantKinds(time.Hour, record.NotProven)
			continue
		}
		s.wantStep(torqueStep, open)
		s.say(by{person: lea, device: phoneL, at: 30 * minute}, torqueStep, accepted("agreed"))
		s.wantStep(torqueStep, deviating)
	}
	plan := proceduretest.Plan()
	for _, c := range plan.Connections {
		c.Interface = "own make"
	}
	s := newStoryOf(t, proceduretest.Compiled(t), plan)
	s.crewReady(ana)
	s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, torqueStep, torqued(27))
	if got := s.wantStep(torqueStep, complete); got.Verdict != recordv1.Verdict_RECORDED {
		t.Errorf("without a limit the verdict is %s; want RECORDED", got.Verdict)
	}
}

// Rule 27: every wavelength and direction passes by itself.
func TestRule27EachByItself(t *testing.T) {
	doc := strings.Replace(string(proceduretest.Document()), "quantity: RETURN_LOSS\n          unit: DECIBELS\n", "quantity: OPTICAL_RETURN_LOSS\n          unit: DECIBELS\n          each_wavelength: true\n          both_directions: true\n", 1)
	plan := proceduretest.Plan()
	for _, l := range plan.Lines {
		l.WavelengthsNanometers = []float64{1310, 1550}
	}
	s := newStoryOf(t, compile(t, doc), plan)
	at := 10 * minute
	read := func(nm float64, dir recordv1.ReadingTaken_Direction, db float64) {
		e := loss(db)
		e.GetReadingTaken().Wavelength, e.GetReadingTaken().Direction = &recordv1.Measure{Value: nm, Unit: recordv1.Measure_NANOMETERS}, dir
		at += 5 * minute
		s.say(by{person: ana, device: phoneA, at: at}, returnLoss, e)
	}
	read(1310, recordv1.ReadingTaken_NEAR_TO_FAR, 22)
	read(1310, recordv1.ReadingTaken_FAR_TO_NEAR, 22)
	read(1550, recordv1.ReadingTaken_NEAR_TO_FAR, 30)
	s.wantStep(returnLoss, open)
	read(1550, recordv1.ReadingTaken_FAR_TO_NEAR, 12)
	s.wantStep(returnLoss, outOfLimits) // though the mean is within
	s.say(by{person: lea, device: phoneL, at: time.Hour}, returnLoss, accepted("agreed"))
	s.wantStep(returnLoss, deviating)
	read(1310, recordv1.ReadingTaken_NEAR_TO_FAR, 17)
	s.wantStep(returnLoss, outOfLimits) // another wavelength than the one accepted
}

// Rule 29: a value that was asked about and not confirmed is an exception.
func TestRule29NotConfirmed(t *testing.T) {
	s := newStory(t)
	s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(-22))
	s.hasKind(time.Hour, record.NotConfirmed, true)
	s = newStory(t)
	e := loss(90)
	e.ConfirmedValue = true
	s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, e)
	s.hasKind(time.Hour, record.NotConfirmed, false)
}

// Rule 30: for clients without a key, counter and previous are optional and
// checked where present.
func TestRule30Chains(t *testing.T) {
	s := newStory(t)
	for i := range 3 {
		e := s.entry(by{person: ana, device: phoneA, at: time.Duration(20+i) * minute}, returnLoss, loss(22))
		e.Previous = nil
		s.add(s.line(by{person: ana, device: phoneA, at: time.Duration(20+i) * minute}, e))
	}
	s.wantKinds(time.Hour)
	e := s.entry(by{person: ana, device: phoneA, at: 30 * minute}, returnLoss, loss(22))
	e.Previous = picture(1)
	s.add(s.line(by{person: ana, device: phoneA, at: 30 * minute}, e))
	s.wantKinds(time.Hour, record.ChainBroken)
}

// Rule 32: a counter seen twice is accepted with the exception 'chain forked'.
func TestRule32Forked(t *testing.T) {
	s := newStory(t)
	s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
	l := s.say(by{person: ana, device: phoneA, at: 21 * minute, counter: 1}, returnLoss, loss(23))
	if xs := s.wantKinds(time.Hour, record.ChainForked); len(xs) == 1 && !slices.Equal(xs[0].Lines, []int64{l.Seq}) {
		t.Errorf("lines are %v; want %d", xs[0].Lines, l.Seq)
	}
	s.wantStep(returnLoss, complete)
}

// Rule 34: a climb's id is that of its opening entry.
func TestRule34ClimbID(t *testing.T) {
	s := newStory(t)
	s.say(by{person: lea, device: phoneL, at: 10 * minute}, "", climbOpened(ana))
	if cs := s.state(time.Hour).Climbs; len(cs) != 1 || cs[0].ID != climbID || !slices.Equal(cs[0].Crew, []string{ana}) {
		t.Errorf("climbs are %+v; want %s with its crew", cs, climbID)
	}
}

// Rule 35: a job can be ended unfinished; the day of a site is that of its zone.
func TestRule35EndedAndZone(t *testing.T) {
	s := newStory(t)
	s.server(minute, &recordv1.Entry{Kind: &recordv1.Entry_Locked{Locked: &recordv1.Locked{Unfinished: true}}})
	if s.job.Status() != record.StatusEnded || !s.job.AsOf(morning.Add(time.Hour)).Equal(morning.Add(minute)) {
		t.Errorf("%s as of %s; want ended, as of the locked line's receipt", s.job.Status(), s.job.AsOf(morning.Add(time.Hour)))
	}
	// Central European time: clocks go forward on 29 March 2026, so that day has 23 hours.
	zone, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	begin, end := record.Day(time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC), zone)
	if end.Sub(begin) != 23*time.Hour || !begin.Equal(time.Date(2026, 3, 28, 23, 0, 0, 0, time.UTC)) {
		t.Errorf("the day is %s to %s; want 23 hours from 23:00 UTC", begin, end)
	}
}

// Rule 36: fitness is 'fit' or 'not', never why; one who is not fit opens no gate.
func TestRule36Fitness(t *testing.T) {
	s := newStory(t)
	s.crewReady(ana, ben)
	s.hold(20*minute, briefingGate, false)
	s.say(by{person: ben, device: phoneB, at: 30 * minute}, understood, acknowledge(ben, recordv1.Acknowledged_NOT_FIT))
	s.wantStep(understood, outOfLimits)
	s.hold(31*minute, briefingGate, true)
	s.say(by{person: lea, device: phoneL, at: 40 * minute, climb: climbID}, "", &recordv1.Entry{Kind: &recordv1.Entry_CrewChanged{CrewChanged: &recordv1.CrewChanged{Crew: []string{ana}}}})
	s.wantStep(understood, complete)
	s.hold(41*minute, briefingGate, false)
	s.say(by{person: ana, device: phoneA, at: 50 * minute}, understood, acknowledge(ana, recordv1.Acknowledged_FITNESS_UNSPECIFIED))
	s.wantStep(understood, open)
	fields := (&recordv1.Acknowledged{}).ProtoReflect().Descriptor().Fields()
	if fields.Len() != 2 {
		t.Errorf("an acknowledgement has %d members; want the person and fit or not, and no place for a reason", fields.Len())
	}
}
