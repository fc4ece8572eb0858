package record_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func replaceOnce(s, from, to string) string { return strings.Replace(s, from, to, 1) }

// Each refusal has its own reason; a good entry has none.
func TestCheck(t *testing.T) {
	long := strings.Repeat("a", record.MaxText+1)
	many := func(n int) []string {
		out := make([]string, n)
		for i := range out {
			out[i] = "people/x" + strings.Repeat("y", i%70) + string(rune('a'+i%26))
		}
		return out
	}
	note := func(text string) *recordv1.Entry {
		return &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: text}}}
	}
	for _, tc := range []struct {
		name   string
		want   string
		person string
		step   string
		entry  *recordv1.Entry
		change func(*recordv1.Entry)
	}{
		{"a good reading", "", ana, returnLoss, loss(22), nil},
		{"an id in capitals", "ENTRY_ID_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Id = strings.ToUpper(e.Id) }},
		{"an id of version 4", "ENTRY_ID_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Id = "01912345-6789-4abc-8def-0123456789ab" }},
		{"another job", "ENTRY_JOB_DIFFERS", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Job = "jobs/other" }},
		{"nothing stated", "ENTRY_KIND_MISSING", ana, returnLoss, &recordv1.Entry{}, nil},
		{"a kind of the server", "KIND_SERVER_ONLY", lea, "", photoReceived(1), nil},
		{"another's name", "AUTHOR_DIFFERS", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Author = ben }},
		{"an offset beyond all bounds", "CLOCK_OFFSET_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.ClockOffset = &durationpb.Duration{Seconds: math.MaxInt64} }},
		{"no time", "DEVICE_TIME_MISSING", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.DeviceTime = nil }},
		{"a time beyond all bounds", "DEVICE_TIME_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.DeviceTime = &timestamppb.Timestamp{Seconds: math.MaxInt64} }},
		{"a counter under nothing", "COUNTER_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Counter = -1 }},
		{"half a hash", "PREVIOUS_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Previous = make([]byte, 16) }},
		{"a climb that is no id", "CLIMB_INVALID", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.Climb = "first" }},
		{"too long a note", "TEXT_TOO_LONG", ana, "", note(long), nil},
		{"the longest note", "", ana, "", note(long[1:]), nil},
		{"too long an instrument", "TEXT_TOO_LONG", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.GetReadingTaken().Instrument = long }},
		{"an empty note", "TEXT_MISSING", ana, "", note(" "), nil},
		{"a deviation accepted by a climber", "ROLE_MISSING", ana, returnLoss, accepted("agreed"), nil},
		{"no step", "STEP_MISSING", ana, "", loss(22), nil},
		{"an unknown step", "STEP_UNKNOWN", ana, "line:A9/test/return-loss", loss(22), nil},
		{"a step of a climb not known yet", "", ana, "climb:01912345-6789-7abc-8def-00000000dddd/briefing/understood", acknowledge(ana, recordv1.Acknowledged_FIT), nil},
		{"an unknown step of a climb not known yet", "STEP_UNKNOWN", ana, "climb:01912345-6789-7abc-8def-00000000dddd/briefing/sung", acknowledge(ana, recordv1.Acknowledged_FIT), nil},
		{"a step of a climb that is no id", "STEP_UNKNOWN", ana, "climb:first/briefing/understood", acknowledge(ana, recordv1.Acknowledged_FIT), nil},
		{"a torque where a loss is asked", "KIND_NOT_FOR_STEP", ana, returnLoss, torqued(25), nil},
		{"a loss in newton-metres", "UNIT_NOT_FOR_QUANTITY", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.GetReadingTaken().Unit = recordv1.Measure_NEWTON_METERS }},
		{"a wavelength in micrometres", "UNIT_NOT_FOR_QUANTITY", ana, returnLoss, loss(22), func(e *recordv1.Entry) {
			e.GetReadingTaken().Wavelength = &recordv1.Measure{Value: 1.31, Unit: recordv1.Measure_MICROMETERS}
		}},
		{"not a number", "VALUE_NOT_FINITE", ana, returnLoss, loss(math.NaN()), nil},
		{"without end", "VALUE_NOT_FINITE", ana, returnLoss, loss(math.Inf(-1)), nil},
		{"a carrier that is not a number", "VALUE_NOT_FINITE", ana, intermod, level(-165, ""), func(e *recordv1.Entry) { e.GetReadingTaken().CarrierPower.Value = math.NaN() }},
		{"a number nobody measured, and not a number beside it", "VALUE_NOT_FINITE", ana, intermod, level(-165, ""), func(e *recordv1.Entry) {
			e.GetReadingTaken().NotMeasurable, e.GetReadingTaken().CarrierPower.Value = true, math.NaN()
		}},
		{"a name that this server does not know", "NAME_UNKNOWN", ana, tidy, &recordv1.Entry{Kind: &recordv1.Entry_Confirmed{Confirmed: &recordv1.Confirmed{Outcome: 99}}}, nil},
		{"typed otherwise", "TYPED_DIFFERS", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.GetReadingTaken().Typed = "23" }},
		{"typed as it reads", "", ana, returnLoss, loss(22), func(e *recordv1.Entry) { e.GetReadingTaken().Typed = "22 dB" }},
		{"a carrier without a unit", "UNIT_MISSING", ana, intermod, level(-165, ""), func(e *recordv1.Entry) { e.GetReadingTaken().CarrierPower.Unit = 0 }},
		{"a photo without a digest", "DIGEST_INVALID", ana, photoStep, photo(1), func(e *recordv1.Entry) { e.GetPhotoAttached().Digest = nil }},
		{"a photo over its bound", "SIZE_OUT_OF_BOUND", ana, photoStep, photo(1), func(e *recordv1.Entry) { e.GetPhotoAttached().Size = 32<<20 + 1 }},
		{"a photo of something else", "SUBJECT_UNKNOWN", ana, photoStep, photo(1), func(e *recordv1.Entry) { e.GetPhotoAttached().Subject = "lunch" }},
		{"a photo from nowhere", "POSITION_INVALID", ana, photoStep, photo(1), func(e *recordv1.Entry) { e.GetPhotoAttached().Position = &recordv1.Position{Latitude: 91} }},
		{"a kit check without a reading", "KIT_PARTS_BOUND", ana, selfCheck, kit("instruments/pim-1", -175), func(e *recordv1.Entry) { e.GetKitChecked().Parts = nil }},
		{"a kit check with a part unread", "MEASURE_MISSING", ana, selfCheck, kit("instruments/pim-1", -175), func(e *recordv1.Entry) { e.GetKitChecked().Parts[1].Read = nil }},
		{"acknowledged for another", "ACKNOWLEDGED_FOR_ANOTHER", ana, understood, acknowledge(ben, recordv1.Acknowledged_FIT), nil},
		{"confirmed without an outcome", "OUTCOME_MISSING", ana, clean, confirm(0), nil},
		{"not right without a reason", "REASON_MISSING", ana, clean, confirm(recordv1.Confirmed_NOT_RIGHT), func(e *recordv1.Entry) { e.GetConfirmed().Reason = " " }},
		{"a withdrawal of nothing", "ENTRY_UNKNOWN", ana, "", withdrawn(""), nil},
		{"a withdrawal of the climb's opening", "NOT_WITHDRAWABLE", lea, "", withdrawn(climbID), nil},
		{"a deviation without a reason", "REASON_MISSING", lea, returnLoss, accepted(""), nil},
		{"a deviation on his own entry", "DEVIATION_OWN", lea, tidy, accepted("agreed"), nil},
		{"an assessment without doubts", "ASSESSMENT_INCOMPLETE", lea, "", assessed(recordv1.Assessed_STANDS), nil},
		{"an assessment of too many", "ASSESSMENT_INCOMPLETE", lea, "", assessed(recordv1.Assessed_STANDS, many(1001)...), nil},
		{"looked at nothing", "EXCEPTIONS_BOUND", lea, "", lookedAt(), nil},
		{"looked at too many", "EXCEPTIONS_BOUND", lea, "", lookedAt(many(1001)...), nil},
		{"nothing returned", "STEPS_BOUND", lea, "", back(), nil},
		{"an unknown step returned", "STEP_UNKNOWN", lea, "", back(returnLoss, "line:A9/test/return-loss"), nil},
		{"a plan revised to none", "PLAN_MISSING", lea, "", &recordv1.Entry{Kind: &recordv1.Entry_PlanRevised{PlanRevised: &recordv1.PlanRevised{Reason: "x"}}}, nil},
		{"a plan with a bad id", "PLAN_ID_INVALID", lea, "", &recordv1.Entry{Kind: &recordv1.Entry_PlanRevised{PlanRevised: &recordv1.PlanRevised{Plan: &recordv1.Plan{Lines: []*recordv1.Plan_Line{{Id: "a/b"}}}, Reason: "x"}}}, nil},
		{"a climb without a crew", "CREW_BOUND", lea, "", climbOpened(), nil},
		{"a crew over its bound", "CREW_BOUND", lea, "", climbOpened(many(101)...), nil},
		{"somebody twice", "PERSON_TWICE", lea, "", climbOpened(ana, ana), nil},
		{"a crew member that is no person", "PERSON_INVALID", lea, "", climbOpened("ana"), nil},
		{"a closing of no climb", "CLIMB_MISSING", lea, "", climbClosed(ana), nil},
		{"a finding without its photo", "FINDING_INCOMPLETE", lea, "", &recordv1.Entry{Kind: &recordv1.Entry_FindingAccepted{FindingAccepted: &recordv1.FindingAccepted{Codes: []string{"SOFT"}, Reason: "enough"}}}, nil},
		{"a sign-off among entries", "SIGN_OFF_APART", lea, "", &recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{}}}, nil},
		{"an end among entries", "END_APART", lea, "", &recordv1.Entry{Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{}}}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t)
			s.crewReady(ana, ben)
			s.say(by{person: lea, device: phoneL, at: 15 * minute}, tidy, answer("no"))
			if tc.entry.GetClimbOpened() != nil {
				tc.entry.Id = s.id()
			}
			e := s.entry(by{person: tc.person, device: phoneA, at: time.Hour}, tc.step, tc.entry)
			if tc.change != nil {
				tc.change(e)
			}
			err := s.job.Check(e, who(tc.person))
			if got := errs.ReasonOf(err); got != tc.want && !(err == nil && tc.want == "") {
				t.Errorf("Check = %v; want %q", err, tc.want)
			}
		})
	}
}

// A climb that would take the job over its bound of steps is refused, and not
// only found out when its line is applied.
func TestCheckTooManyClimbs(t *testing.T) {
	more := ""
	for i := range 400 {
		more += fmt.Sprintf("      - id: more-%d\n        title: More\n        instruction: Look.\n        confirm: {}\n", i)
	}
	const at = "      - id: understood\n"
	s := newStoryOf(t, compile(t, replaceOnce(string(proceduretest.Document()), at, more+at)), widePlan(500))
	var err error
	n := 0
	for err == nil && n < 100 {
		e := climbOpened(ana)
		e.Id = s.id()
		at := by{person: lea, device: phoneL, at: time.Duration(n) * time.Second}
		e = s.entry(at, "", e)
		if err = s.job.Check(e, who(lea)); err == nil {
			s.add(s.line(at, e))
		}
		n++
	}
	if !errs.Is(err, "EXPANSION_TOO_LARGE") {
		t.Errorf("after %d climbs: %v; want EXPANSION_TOO_LARGE", n, err)
	}
}

// Whatever JSON reads as an entry is refused with a reason or folded; nothing
// panics, not even what Check refuses and a hostile record holds all the same.
func FuzzCheckAndApply(f *testing.F) {
	m := protojson.MarshalOptions{}
	s := newStory(f)
	for _, e := range []*recordv1.Entry{loss(22), level(-160, "instruments/pim-1"), torqued(27), confirm(2), acknowledge(ana, 1), climbOpened(ana), climbClosed(ana), withdrawn("x"), accepted("a"),
		back(returnLoss, returnLoss), finished(), assessed(1, "kit:x", "tool:x"), lookedAt("x"), photo(1), photoReceived(1), photoExamined(1, true), kit("instruments/pim-1", -170),
		{Kind: &recordv1.Entry_KitCheckKnown{KitCheckKnown: &recordv1.KitCheckKnown{Instruments: []string{"", "x", "x"}}}},
		{Kind: &recordv1.Entry_RefusedAdmitted{RefusedAdmitted: &recordv1.RefusedAdmitted{Payload: []byte("{}")}}},
		{Kind: &recordv1.Entry_PlanRevised{PlanRevised: &recordv1.PlanRevised{}}}} {
		for _, step := range []string{"", returnLoss, selfCheck, understood, "climb:" + climbID + "/couple/x"} {
			e.Step = ""
			b, err := m.Marshal(s.entry(by{person: ana, device: phoneA, at: minute, climb: climbID}, step, e))
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e := &recordv1.Entry{}
		if protojson.Unmarshal(b, e) != nil || e.GetJobOpened() != nil {
			t.Skip()
		}
		s := newStory(t)
		s.crewReady(ana)
		s.say(by{person: ana, device: phoneA, at: 20 * minute}, returnLoss, loss(12))
		checked := s.job.Check(e, who(e.GetAuthor()))
		l := &record.Line{Seq: s.job.Size() + 1, Received: morning.Add(time.Hour), Entry: e, Person: e.GetAuthor(), Assessment: &recordv1.Assessment{Pinned: &recordv1.Assessment_Pinned{Roles: []string{"LEAD"}}}}
		if _, err := s.job.Advance(l); err != nil {
			if checked == nil && !s.job.Has(e.GetId()) {
				t.Fatalf("Check takes it and Advance does not: %v", err)
			}
			return
		}
		s.job.State(morning.Add(2*time.Hour), record.Outside{})
		s.job.Blockers(lea, "", morning.Add(2*time.Hour), record.Outside{})
	})
}
