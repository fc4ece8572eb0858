// These tests hold the settled rules that concern the fold, one test a rule, each
// with the rule in words. Rules, or parts of them, that other packages hold:
//
//	10 the arrival of a photo is a line made by the server: workflow
//	13 what a phone says without news for 15 minutes: the phone client
//	15 five tries of a person's code: access
//	16 which lead has access to a job: access, workflow
//	17 the root that the lead saw, lines after it: workflow
//	18 addenda are sealed and have leaves in the log: seal, workflow
//	19 refused entries are kept, bounded, and travel in the package: workflow, evidence
//	20 a check of another job becomes a line of this one: workflow
//	22 the window of an instrument found bad: metrology, workflow
//	24 to 29 verdicts, residual, fibre, traces, asking: limits
//	31 same bytes, ids unique in an organisation: workflow, storage
//	33 signatures, revoked keys, re-enrolled phones: seal, workflow
//	35 follow-up jobs, jobs assigned to people: workflow
package record_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

const minute = time.Minute

// Rule 1: step ids are job/…, climb:<climb>/…, line:<line>/… and
// connection:<connection>/…; the ids of the fold are those of the expansion.
func TestRule01StepIDs(t *testing.T) {
	s := newStory(t)
	s.say(by{person: lea, device: phoneL, at: minute}, "", climbOpened(ana))
	var got, want []string
	for _, d := range s.job.Steps() {
		got = append(got, d.ID)
	}
	for _, d := range proceduretest.Expand(t).Steps {
		want = append(want, d.ID)
	}
	if !slices.Equal(got, want) {
		t.Errorf("steps are\n%v; want\n%v", got, want)
	}
}

// Rule 2: entries on the structure name their climb, and their author is on its
// crew; with none open the entry is kept, with an exception. What is made after
// the closing is an exception. Climbs are closed before sign-off.
func TestRule02Climbs(t *testing.T) {
	for _, tc := range []struct {
		name string
		tell func(s *story)
		want []string
	}{
		{"on the crew of an open climb", func(s *story) {
			s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		}, nil},
		{"without a climb", func(s *story) {
			s.say(by{person: ana, device: phoneA, at: 20 * minute}, clean, confirm(recordv1.Confirmed_DONE))
		}, []string{record.NoClimb, record.GateUnmet, record.GateUnmet}},
		{"before the climb was opened", func(s *story) {
			s.say(by{person: ana, device: phoneA, at: 5 * minute, late: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		}, []string{record.NoClimb, record.GateUnmet, record.GateUnmet}},
		{"by one who is not on the crew", func(s *story) {
			s.say(by{person: ben, device: phoneB, at: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		}, []string{record.NotOnCrew}},
		{"after the closing, the wind still good", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", withClimb(climbClosed(ana)))
			s.say(by{person: ana, device: phoneA, at: 31 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		}, []string{record.AfterClimb}},
		{"made before the closing, arrived after it", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", withClimb(climbClosed(ana)))
			s.say(by{person: ana, device: phoneA, at: 29 * minute, late: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_DONE))
		}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			s.crewReady(ana)
			tc.tell(s)
			s.wantStep(clean, complete)
			s.wantKinds(60*minute, tc.want...)
		})
	}
	s := newStory(t)
	s.crewReady(ana, ben)
	blocked := func() bool {
		return slices.ContainsFunc(s.job.Blockers("", "", morning.Add(40*minute), record.Outside{}), func(b record.Blocker) bool { return b.Reason == "CLIMBS_OPEN" })
	}
	s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", withClimb(climbClosed(ana)))
	if !blocked() {
		t.Error("a climb with one of two down does not block the sign-off; want it to")
	}
	s.say(by{person: lea, device: phoneL, at: 31 * minute}, "", withClimb(climbClosed(ben)))
	if blocked() {
		t.Error("a climb with everyone down blocks the sign-off; want it not to")
	}
}

func withClimb(e *recordv1.Entry) *recordv1.Entry { e.Climb = climbID; return e }

// Rule 2, more: entries may reach the server before the opening of the climb
// that they name. Nothing is asked for until it is opened; then they count.
func TestRule02ClimbOpenedAfterItsEntriesArrived(t *testing.T) {
	s := newStory(t)
	before := s.state(0).Counts.All
	s.say(by{person: ana, device: phoneA, at: 11 * minute}, understood, acknowledge(ana, recordv1.Acknowledged_FIT))
	if got := s.state(20 * minute).Counts.All; got != before {
		t.Errorf("steps after a climb was only named: %d; want %d", got, before)
	}
	s.say(by{person: lea, device: phoneL, at: 10 * minute, late: 30 * minute}, "", climbOpened(ana))
	s.wantStep(understood, complete)
	s.hold(41*minute, "climb:"+climbID+"/briefing", false)
	s.wantKinds(41 * minute)
}

// Rule 3: an entry's time is its corrected device time, never earlier than that
// device's previous entry; ties go by seq. Within two minutes of another
// device, or with a clock that was never measured, the worse counts where it
// matters, with the exception 'order uncertain'.
func TestRule03Order(t *testing.T) {
	a := func(at time.Duration) by { return by{person: ana, device: phoneA, at: at * minute} }
	b := func(at time.Duration) by { return by{person: ben, device: phoneB, at: at * minute} }
	for _, tc := range []struct {
		name      string
		tell      func(s *story)
		want      recordv1.StepState
		uncertain bool
	}{
		{"the later by corrected time counts, though it arrived first", func(s *story) {
			s.say(b(40), returnLoss, loss(22))
			x := a(30)
			x.late = 20 * minute
			s.say(x, returnLoss, loss(10))
		}, complete, false},
		{"a clock an hour fast, measured, changes nothing", func(s *story) {
			x := a(30)
			x.skew, x.late = time.Hour, 15*minute
			s.say(b(40), returnLoss, loss(22))
			s.say(x, returnLoss, loss(10))
		}, complete, false},
		{"exactly two minutes apart on two devices", func(s *story) {
			s.say(a(30), returnLoss, loss(10))
			s.say(b(32), returnLoss, loss(22))
		}, outOfLimits, true},
		{"a millisecond more than two minutes apart", func(s *story) {
			s.say(a(30), returnLoss, loss(10))
			x := b(32)
			x.at += time.Millisecond
			s.say(x, returnLoss, loss(22))
		}, complete, false},
		{"a minute apart on one device", func(s *story) {
			s.say(a(30), returnLoss, loss(10))
			s.say(a(31), returnLoss, loss(22))
		}, complete, false},
		{"a minute apart, both pass", func(s *story) {
			s.say(a(30), returnLoss, loss(20))
			s.say(b(31), returnLoss, loss(22))
		}, complete, false},
		{"the worse is not taken on from one minute to the next", func(s *story) {
			s.say(a(30), returnLoss, loss(10)) // three minutes before the last
			s.say(b(31), returnLoss, loss(22))
			s.say(a(33), returnLoss, loss(21))
		}, complete, false},
		{"a clock never measured", func(s *story) {
			x := a(30)
			x.unknown = true
			s.say(x, returnLoss, loss(10))
			s.say(b(50), returnLoss, loss(22))
		}, outOfLimits, true},
		{"not earlier than the device's entry before: a clock set back", func(s *story) {
			s.say(a(30), returnLoss, loss(10))
			x := a(10)
			x.late = 30 * minute
			s.say(x, returnLoss, loss(22))
		}, complete, false},
		{"moved on by what the device made before it on another step", func(s *story) {
			x := a(30)
			x.counter = 2
			s.say(x, returnLoss, loss(22))
			s.say(b(40), returnLoss, loss(10))
			y := a(45) // the clock was set back after it
			y.counter = 1
			s.say(y, tidy, answer("yes"))
		}, complete, false},
		{"what a device made later stays later, though it arrived first", func(s *story) {
			x := a(30)
			x.counter = 2
			s.say(x, returnLoss, loss(22))
			y := a(35) // the clock was set back after it
			y.counter = 1
			s.say(y, returnLoss, loss(10))
		}, complete, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			tc.tell(s)
			s.wantStep(returnLoss, tc.want)
			s.hasKind(time.Hour, record.OrderUncertain, tc.uncertain)
		})
	}
}

// Rule 4: the last reading counts, all stay, a fail before a pass is an
// exception to look at.
func TestRule04SeveralReadings(t *testing.T) {
	s := newStory(t)
	fail := s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(12))
	pass := s.say(by{person: ana, device: phoneA, at: 30 * minute}, returnLoss, loss(22))
	st := s.wantStep(returnLoss, complete)
	if len(st.Entries) != 2 || st.Entries[0].Counts || !st.Entries[1].Counts {
		t.Errorf("entries are %+v; want both shown and the second counting", st.Entries)
	}
	xs := s.wantKinds(time.Hour, record.FailedThenPassed)
	if len(xs) == 1 && !slices.Equal(xs[0].Lines, []int64{fail.Seq, pass.Seq}) {
		t.Errorf("lines are %v; want %d and %d", xs[0].Lines, fail.Seq, pass.Seq)
	}
	s.say(by{person: ana, device: phoneA, at: 40 * minute}, returnLoss, loss(11))
	s.wantStep(returnLoss, outOfLimits)
}

// Rule 5: an entry is withdrawn by its author or a lead. Deviation and finished
// can be withdrawn; a withdrawal cannot.
func TestRule05Withdrawal(t *testing.T) {
	for _, tc := range []struct {
		name string
		who  string
		want recordv1.StepState
	}{
		{"by the author", ana, complete}, {"by a lead", lea, complete}, {"by another", ben, outOfLimits},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
			l := s.say(by{person: ana, device: phoneA, at: 30 * minute}, returnLoss, loss(12))
			s.say(by{person: tc.who, device: "devices/w", at: 40 * minute}, "", withdrawn(l.Entry.GetId()))
			s.wantStep(returnLoss, tc.want)
			s.hasKind(time.Hour, record.FailWithdrawn, tc.want == complete)
		})
	}
	t.Run("before the entry arrives", func(t *testing.T) {
		s := newStory(t)
		e := s.entry(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
		s.say(by{person: ana, device: phoneB, at: 30 * minute, owner: ana}, "", withdrawn(e.GetId()))
		s.add(s.line(by{person: ana, device: phoneA, at: 20 * minute, late: time.Hour}, e))
		s.wantStep(returnLoss, open)
	})
	t.Run("a withdrawal", func(t *testing.T) {
		s := newStory(t)
		l := s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(22))
		w := s.say(by{person: ana, device: phoneA, at: 21 * minute}, "", withdrawn(l.Entry.GetId()))
		s.say(by{person: lea, device: phoneL, at: 22 * minute}, "", withdrawn(w.Entry.GetId()))
		s.wantStep(returnLoss, open)
		err := s.job.Check(s.entry(by{person: ana, device: phoneA, at: 23 * minute}, "", withdrawn(w.Entry.GetId())), who(ana))
		if !errs.Is(err, "WITHDRAWAL_FINAL") {
			t.Errorf("withdrawing a withdrawal: %v; want WITHDRAWAL_FINAL", err)
		}
	})
	t.Run("a deviation", func(t *testing.T) {
		s := newStory(t)
		s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(12))
		d := s.say(by{person: lea, device: phoneL, at: 30 * minute}, returnLoss, accepted("the owner agrees"))
		s.wantStep(returnLoss, deviating)
		s.say(by{person: lea, device: phoneL, at: 31 * minute}, "", withdrawn(d.Entry.GetId()))
		s.wantStep(returnLoss, outOfLimits)
	})
	t.Run("finished", func(t *testing.T) {
		s := newStory(t)
		s.everything()
		l := s.say(by{person: ana, device: phoneA, at: 2 * time.Hour}, "", finished())
		s.say(by{person: ben, device: phoneB, at: 2*time.Hour + minute}, "", withdrawn(l.Entry.GetId()))
		if got := s.job.Status(); got != record.StatusFinished {
			t.Errorf("after another's withdrawal the job is %s; want finished", got)
		}
		s.say(by{person: ana, device: phoneA, at: 2*time.Hour + 2*minute}, "", withdrawn(l.Entry.GetId()))
		if got := s.job.Status(); got != record.StatusOpen {
			t.Errorf("after the withdrawal the job is %s; want open", got)
		}
	})
	t.Run("a change of crew", func(t *testing.T) {
		s := newStory(t)
		s.crewReady(ana)
		l := s.say(by{person: lea, device: phoneL, at: 30 * minute, climb: climbID}, "", &recordv1.Entry{Kind: &recordv1.Entry_CrewChanged{CrewChanged: &recordv1.CrewChanged{Crew: []string{ana, ben}}}})
		s.wantStep(understood, open)
		s.say(by{person: lea, device: phoneL, at: 31 * minute}, "", withdrawn(l.Entry.GetId()))
		s.wantStep(understood, complete)
	})
}

func who(person string) record.Who { return record.Who{Person: person, Roles: roles(person)} }

// Rule 6: 'not applicable' completes a step only where the procedure allows it.
func TestRule06NotApplicable(t *testing.T) {
	s := newStory(t)
	s.crewReady(ana)
	s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_NOT_APPLICABLE))
	s.wantStep(clean, notNeeded)
	doc := strings.Replace(string(proceduretest.Document()), "confirm: {allow_not_applicable: true}", "confirm: {}", 1)
	s = newStoryOf(t, compile(t, doc), proceduretest.Plan())
	s.crewReady(ana)
	s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_NOT_APPLICABLE))
	s.wantStep(clean, open)
	s.say(by{person: lea, device: phoneL, at: 30 * minute}, clean, accepted("no such face"))
	s.wantStep(clean, deviating)
}

// Rule 7: a deviation is accepted by a lead, never on his own entry, and covers
// what was known then: a worse reading afterwards opens the step again. No
// deviation opens a gate.
func TestRule07Deviation(t *testing.T) {
	a := func(at time.Duration) by { return by{person: ana, device: phoneA, at: at * minute} }
	l := func(at time.Duration) by { return by{person: lea, device: phoneL, at: at * minute} }
	expired := func(p *recordv1.Assessment_Pinned) {
		p.ToolCalibratedUntil = "2026-02-01"
		p.DayBegin, p.DayEnd = timestamppb.New(morning.Truncate(24*time.Hour)), timestamppb.New(morning.Truncate(24*time.Hour).Add(24*time.Hour))
	}
	for _, tc := range []struct {
		name string
		tell func(s *story)
		want recordv1.StepState
	}{
		{"on a fail", func(s *story) { s.say(a(20), returnLoss, loss(12)); s.say(l(30), returnLoss, accepted("agreed")) }, deviating},
		{"by a climber", func(s *story) { s.say(a(20), returnLoss, loss(12)); s.say(a(30), returnLoss, accepted("agreed")) }, outOfLimits},
		{"on his own entry", func(s *story) { s.say(l(20), returnLoss, loss(12)); s.say(l(30), returnLoss, accepted("agreed")) }, outOfLimits},
		{"on another's after an own one", func(s *story) {
			s.say(l(10), returnLoss, loss(11))
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
		}, deviating},
		{"that he asked for himself", func(s *story) {
			s.say(a(20), returnLoss, loss(12))
			q := s.say(l(25), returnLoss, &recordv1.Entry{Kind: &recordv1.Entry_DeviationAsked{DeviationAsked: &recordv1.DeviationAsked{Reason: "cable"}}})
			d := accepted("agreed")
			d.GetDeviationAccepted().Asked = q.Entry.GetId()
			s.say(l(30), returnLoss, d)
		}, outOfLimits},
		{"a worse reading afterwards", func(s *story) {
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
			s.say(a(40), returnLoss, loss(11.9))
		}, outOfLimits},
		{"the same again afterwards", func(s *story) {
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
			s.say(a(40), returnLoss, loss(12))
		}, deviating},
		{"what was worse before it is not known afterwards", func(s *story) {
			s.say(a(10), returnLoss, loss(5))
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
			s.say(a(40), returnLoss, loss(8))
		}, outOfLimits},
		{"a worse one made before it and arrived after it", func(s *story) {
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
			s.say(by{person: ben, device: phoneB, at: 15 * minute, late: time.Hour}, returnLoss, loss(5))
		}, outOfLimits},
		{"with nothing entered, then a fail", func(s *story) {
			s.say(l(30), returnLoss, accepted("not asked here"))
			s.say(a(40), returnLoss, loss(12))
		}, outOfLimits},
		{"with nothing entered", func(s *story) { s.say(l(30), returnLoss, accepted("not asked here")) }, deviating},
		{"a pass afterwards", func(s *story) {
			s.say(a(20), returnLoss, loss(12))
			s.say(l(30), returnLoss, accepted("agreed"))
			s.say(a(40), returnLoss, loss(22))
		}, complete},
		{"on an expired instrument", func(s *story) {
			x := a(20)
			x.pin = expired
			s.say(x, returnLoss, loss(22))
			s.say(l(30), returnLoss, accepted("compared with another"))
		}, deviating},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			tc.tell(s)
			s.wantStep(returnLoss, tc.want)
		})
	}
	t.Run("opens no gate", func(t *testing.T) {
		s := newStory(t)
		s.crewReady(ana)
		s.say(by{person: mia, device: "devices/m", at: 30 * minute}, wind, windAt(20))
		s.say(l(31), wind, accepted("it will calm down"))
		s.wantStep(wind, deviating)
		s.hold(32*minute, "climb:"+climbID+"/weather", true)
	})
	t.Run("settles the doubt about an expired tool", func(t *testing.T) {
		s := newStory(t)
		x := a(20)
		x.pin = expired
		s.say(x, returnLoss, loss(22))
		s.say(l(30), returnLoss, accepted("compared with another"))
		if ds := s.state(time.Hour).Doubts; len(ds) != 1 || !ds[0].Assessed {
			t.Errorf("doubts are %+v; want one, settled", ds)
		}
	})
}

// Rule 8: an optional step out of limits is an exception and blocks nothing.
func TestRule08OptionalOut(t *testing.T) {
	s := newStory(t)
	e := &recordv1.Entry{Kind: &recordv1.Entry_TraceAttached{TraceAttached: &recordv1.TraceAttached{Digest: picture(9), Size: 100}}}
	l := s.say(by{person: ana, device: phoneA, at: 20 * minute}, traceStep, e)
	s.wantStep(traceStep, waiting)
	s.server(30*minute, &recordv1.Entry{Kind: &recordv1.Entry_TraceReceived{TraceReceived: &recordv1.TraceReceived{Digest: picture(9), Readable: true, Entry: l.Entry.GetId(),
		Bands: []*recordv1.TraceReceived_Band{{LowMhz: 880, HighMhz: 960, ReturnLossDb: 11, AtMhz: 900}}}}})
	s.wantStep(traceStep, outOfLimits)
	s.wantKinds(time.Hour, record.OptionalOut)
	for _, b := range s.job.Blockers("", "", morning.Add(time.Hour), record.Outside{}) {
		if b.Reason == "STEPS_OPEN" && slices.Contains(b.Subjects, traceStep) {
			t.Error("an optional step blocks the sign-off; want it not to")
		}
	}
}

// Rule 9: a plan revision that drops a connection with entries keeps and shows
// them; the step is no longer required.
func TestRule09PlanRevision(t *testing.T) {
	s := newStory(t)
	s.crewReady(ana)
	s.say(by{person: ana, device: phoneA, at: 20 * minute, climb: climbID}, clean, confirm(recordv1.Confirmed_NOT_RIGHT))
	plan := proceduretest.Plan()
	plan.Connections = slices.DeleteFunc(plan.Connections, func(c *recordv1.Plan_Connection) bool { return c.GetId() == "A1-top" })
	revise := func(p *recordv1.Plan, at time.Duration) {
		s.say(by{person: lea, device: phoneL, at: at}, "", &recordv1.Entry{Kind: &recordv1.Entry_PlanRevised{PlanRevised: &recordv1.PlanRevised{Plan: p, Reason: "no such joint"}}})
	}
	before := s.state(21 * minute).Counts.Required
	revise(plan, 30*minute)
	st := s.state(31 * minute)
	if st.Counts.Required != before-3 || len(st.Dropped) != 1 || st.Dropped[0].Step.ID != clean {
		t.Errorf("required %d, dropped %v; want %d and the one step with an entry", st.Counts.Required, st.Dropped, before-3)
	}
	s.wantKinds(31*minute, record.PlanDropped)
	revise(proceduretest.Plan(), 40*minute)
	s.wantStep(clean, outOfLimits)
	s.wantKinds(41 * minute)
}

// Rule 10: a photo step is open until the server has the bytes and has examined
// them as readable, whichever of entry, receipt and examination comes first.
func TestRule10Photos(t *testing.T) {
	lines := map[string]func(s *story, at time.Duration){
		"entry":    func(s *story, at time.Duration) { s.say(by{person: ana, device: phoneA, at: at}, photoStep, photo(1)) },
		"received": func(s *story, at time.Duration) { s.server(at, photoReceived(1)) },
		"examined": func(s *story, at time.Duration) { s.server(at, photoExamined(1, true)) },
	}
	for _, order := range [][]string{{"entry", "received", "examined"}, {"received", "examined", "entry"}, {"received", "entry", "examined"}, {"examined", "entry", "received"}} {
		t.Run(strings.Join(order, ", "), func(t *testing.T) {
			s := newStory(t)
			for i, what := range order {
				if st, _ := s.job.StepStatus(photoStep); st.State == complete {
					t.Errorf("complete before %s", what)
				}
				lines[what](s, time.Duration(20+i)*minute)
			}
			s.wantStep(photoStep, complete)
		})
	}
	t.Run("not readable", func(t *testing.T) {
		s := newStory(t)
		lines["entry"](s, 20*minute)
		lines["received"](s, 21*minute)
		s.wantStep(photoStep, waiting)
		s.server(22*minute, photoExamined(1, false))
		s.wantStep(photoStep, open)
		copied := photo(2)
		copied.GetPhotoAttached().DerivedFrom = picture(1)
		s.say(by{person: ana, device: phoneA, at: 23 * minute}, photoStep, copied)
		s.server(24*minute, photoReceived(2))
		s.server(25*minute, photoExamined(2, true))
		s.wantStep(photoStep, complete) // the original is kept, its readable copy shows it
	})
}

// Rule 11: 'finished' with open steps is kept without effect; what opens a step
// afterwards opens the job.
func TestRule11Finished(t *testing.T) {
	s := newStory(t)
	l := s.say(by{person: ana, device: phoneA, at: minute}, "", finished())
	if s.job.Status() != record.StatusOpen || !strings.Contains(l.Assessment.GetSentence(), "still open") {
		t.Errorf("too early: %s, %q; want open, and said so", s.job.Status(), l.Assessment.GetSentence())
	}
	s.everything()
	if s.job.Status() != record.StatusOpen {
		t.Errorf("the early declaration took effect: %s", s.job.Status())
	}
	s.say(by{person: ben, device: phoneB, at: 2 * time.Hour}, "", finished())
	if s.job.Status() != record.StatusFinished {
		t.Fatalf("declared: %s; want finished; open: %v", s.job.Status(), s.job.Blockers("", "", morning.Add(3*time.Hour), record.Outside{}))
	}
	s.say(by{person: ana, device: phoneA, at: 2*time.Hour + minute}, returnLoss, loss(12))
	s.say(by{person: ana, device: phoneA, at: 2*time.Hour + 2*minute}, returnLoss, loss(22))
	if s.job.Status() != record.StatusOpen {
		t.Errorf("after a fail and a pass: %s; want open until declared again", s.job.Status())
	}
	s.say(by{person: ana, device: phoneA, at: 2*time.Hour + 3*minute}, "", finished())
	if s.job.Status() != record.StatusFinished {
		t.Errorf("declared again: %s; want finished", s.job.Status())
	}
}

// Rule 12: each step returned for rework needs a new entry.
func TestRule12Returned(t *testing.T) {
	a := by{person: ana, device: phoneA, at: 20 * minute}
	for _, tc := range []struct {
		name string
		tell func(s *story)
		want recordv1.StepState
	}{
		{"returned", func(s *story) { s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss)) }, returned},
		{"entered again", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss))
			s.say(by{person: ana, device: phoneA, at: 40 * minute}, returnLoss, loss(23))
		}, complete},
		{"the return withdrawn", func(s *story) {
			l := s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss))
			s.say(by{person: lea, device: phoneL, at: 31 * minute}, "", withdrawn(l.Entry.GetId()))
		}, complete},
		{"made before the return, arrived after it", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss))
			s.say(by{person: ben, device: phoneB, at: 25 * minute, late: time.Hour}, returnLoss, loss(23))
		}, returned},
		{"a minute after it, by another phone", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss))
			s.say(by{person: ben, device: phoneB, at: 31 * minute}, returnLoss, loss(23))
		}, returned},
		{"known after it, though one with an unknown clock came between", func(s *story) {
			s.say(by{person: ben, device: phoneB, at: 40 * minute}, returnLoss, loss(23))
			s.say(by{person: ana, device: "devices/old", owner: ana, at: 45 * minute, unknown: true}, returnLoss, loss(23))
			s.say(by{person: lea, device: phoneL, at: 30 * minute, late: 20 * minute}, "", back(returnLoss))
		}, complete},
		{"returned, then a deviation", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, "", back(returnLoss))
			s.say(by{person: lea, device: phoneL, at: 40 * minute}, returnLoss, accepted("cannot be reached again"))
		}, deviating},
		{"a deviation, then returned", func(s *story) {
			s.say(by{person: lea, device: phoneL, at: 30 * minute}, returnLoss, accepted("agreed"))
			s.say(by{person: lea, device: phoneL, at: 40 * minute}, "", back(returnLoss))
		}, returned},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			s.say(a, returnLoss, loss(22))
			tc.tell(s)
			s.wantStep(returnLoss, tc.want)
		})
	}
}
