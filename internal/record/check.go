package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// MaxText is the bound of a text in an entry, in characters.
const MaxText = 4000

// Who is the author as the server knows him when it accepts an entry.
type Who struct {
	Person string   // "people/…"
	Roles  []string // "CLIMBER", "LEAD", "AUDITOR", "OFFICE"
}

func (w Who) is(role string) bool { return slices.Contains(w.Roles, role) }

var entryID uuid7

// uuid7 matches ^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$,
// which every entry meets several times.
type uuid7 struct{}

// MatchString reports whether s is a UUIDv7 (RFC 9562, 5.7) in lower case.
func (uuid7) MatchString(s string) bool {
	if len(s) != 36 {
		return false
	}
	for i := range len(s) {
		c := s[i]
		switch i {
		case 8, 13, 18, 23:
			if c != '-' {
				return false
			}
		case 14:
			if c != '7' {
				return false
			}
		case 19:
			if c != '8' && c != '9' && c != 'a' && c != 'b' {
				return false
			}
		default:
			if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
				return false
			}
		}
	}
	return true
}

// Check says whether an entry by a person can be accepted. Facts are always
// kept: only what cannot be read, is not authorised, or belongs to no step is
// refused, each with its own reason. Nothing here depends on limits, gates or
// time.
//
// The error's reason is the refusal's; it is permanent unless its meta says
// "later".
func (j *Job) Check(e *recordv1.Entry, who Who) error {
	if !entryID.MatchString(e.GetId()) {
		return errs.Field("ENTRY_ID_INVALID", "id", fmt.Sprintf("%.64q is not a UUIDv7 in lower case", e.GetId()))
	}
	if e.GetJob() != j.name {
		return errs.Field("ENTRY_JOB_DIFFERS", "job", fmt.Sprintf("%.80q is not this job, %s", e.GetJob(), j.name))
	}
	if e.GetKind() == nil {
		return errs.Field("ENTRY_KIND_MISSING", "kind", "the entry states nothing: exactly one kind is needed")
	}
	if ServerMade(e) {
		return errs.Newf(errs.Denied, "KIND_SERVER_ONLY", "kind: %s is written by the server only", kindName(e))
	}
	if e.GetAuthor() != who.Person && e.GetAcknowledged() == nil { // said on another's phone: kept, not yet his own word
		return errs.Field("AUTHOR_DIFFERS", "author", fmt.Sprintf("%.80q is not the person that signed it, %s", e.GetAuthor(), who.Person))
	}
	if e.GetClockOffset() != nil && !e.GetClockOffset().IsValid() {
		return errs.Field("CLOCK_OFFSET_INVALID", "clockOffset", "is out of the range of a duration")
	}
	if e.GetDeviceTime() == nil {
		return errs.Field("DEVICE_TIME_MISSING", "deviceTime", "is needed: the device's clock when the entry was made, even if it is wrong")
	}
	if !e.GetDeviceTime().IsValid() {
		return errs.Field("DEVICE_TIME_INVALID", "deviceTime", "is out of the range of a time")
	}
	if e.GetCounter() < 0 {
		return errs.Field("COUNTER_INVALID", "counter", "is 1 or more")
	}
	if n := len(e.GetPrevious()); n != 0 && n != 32 {
		return errs.Field("PREVIOUS_INVALID", "previous", fmt.Sprintf("has %d bytes; a SHA-256 has 32", n))
	}
	if c := e.GetClimb(); c != "" && !entryID.MatchString(c) {
		return errs.Field("CLIMB_INVALID", "climb", "is the id of a 'climb opened' entry")
	}
	if err := checkTexts(e); err != nil {
		return err
	}
	if err := checkValues(e); err != nil {
		return err
	}
	if err := j.checkRole(e, who); err != nil {
		return err
	}
	if err := j.checkStep(e); err != nil {
		return err
	}
	return j.checkKind(e, who)
}

// ServerMade says whether an entry's kind is written by the server only.
func ServerMade(e *recordv1.Entry) bool {
	switch e.GetKind().(type) {
	case *recordv1.Entry_JobOpened, *recordv1.Entry_Locked, *recordv1.Entry_PhotoReceived, *recordv1.Entry_PhotoExamined, *recordv1.Entry_KitCheckKnown,
		*recordv1.Entry_KitInDoubt, *recordv1.Entry_CalibrationChanged, *recordv1.Entry_QualificationEnded, *recordv1.Entry_RefusedAdmitted,
		*recordv1.Entry_AcknowledgementConfirmed, *recordv1.Entry_UnsentReported, *recordv1.Entry_TraceReceived,
		*recordv1.Entry_PhotoRedacted, *recordv1.Entry_LegalHoldChanged:
		return true
	}
	return false
}

// kindName is the kind's name in the trade's words, from the message.
func kindName(e *recordv1.Entry) string {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	if f == nil {
		return "nothing"
	}
	return strings.ReplaceAll(string(f.Name()), "_", " ")
}

// KindName names an entry's kind in plain words, such as "torque applied".
func KindName(e *recordv1.Entry) string { return kindName(e) }

// checkTexts bounds every text of an entry.
func checkTexts(e *recordv1.Entry) error {
	for _, t := range texts(e) {
		if n := utf8.RuneCountInString(t.text); n > MaxText {
			return errs.Field("TEXT_TOO_LONG", t.field, fmt.Sprintf("has %d characters; at most %d", n, MaxText))
		}
	}
	return nil
}

// checkValues looks at every member of an entry, however deep: numbers are
// finite, names of closed lists are known, texts are bounded, times exist.
func checkValues(e *recordv1.Entry) error {
	var bad error
	refuse := func(err error) bool {
		bad = err
		return false
	}
	var message func(path string, m protoreflect.Message) bool
	value := func(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch f.Kind() {
		case protoreflect.DoubleKind, protoreflect.FloatKind:
			if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
				return refuse(errs.Field("VALUE_NOT_FINITE", path, "is not a number"))
			}
		case protoreflect.EnumKind:
			if f.Enum().Values().ByNumber(v.Enum()) == nil {
				return refuse(errs.Field("NAME_UNKNOWN", path, fmt.Sprintf("%d is no name that this server knows; it may be older than the client: try again later", v.Enum()), "later", "true"))
			}
		case protoreflect.StringKind:
			if n := utf8.RuneCountInString(v.String()); n > MaxText {
				return refuse(errs.Field("TEXT_TOO_LONG", path, fmt.Sprintf("has %d characters; at most %d", n, MaxText)))
			}
		case protoreflect.MessageKind, protoreflect.GroupKind:
			return message(path, v.Message())
		}
		return true
	}
	message = func(path string, m protoreflect.Message) bool {
		switch x := m.Interface().(type) {
		case *timestamppb.Timestamp:
			if !x.IsValid() {
				return refuse(errs.Field("TIME_INVALID", path, "is out of the range of a time"))
			}
			return true
		case *durationpb.Duration:
			return true // looked at by name
		}
		fields := m.Descriptor().Fields()
		for i := range fields.Len() { // in the order of the message, so that the first fault is always the same
			f := fields.Get(i)
			if !m.Has(f) {
				continue
			}
			at := path + "." + f.JSONName()
			if path == "" {
				at = f.JSONName()
			}
			v := m.Get(f)
			switch {
			case f.IsMap():
				if f.MapValue().Kind() == protoreflect.StringKind {
					continue // attributes: bounded with the plan
				}
			case f.IsList():
				for n := range v.List().Len() {
					if !value(fmt.Sprintf("%s[%d]", at, n), f, v.List().Get(n)) {
						return false
					}
				}
			case !value(at, f, v):
				return false
			}
		}
		return true
	}
	message("", e.ProtoReflect())
	return bad
}

type text struct{ field, text string }

func texts(e *recordv1.Entry) []text {
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_Note:
		return []text{{"note.text", k.Note.GetText()}}
	case *recordv1.Entry_Confirmed:
		return []text{{"confirmed.reason", k.Confirmed.GetReason()}}
	case *recordv1.Entry_Answered:
		return []text{{"answered.text", k.Answered.GetText()}, {"answered.choice", k.Answered.GetChoice()}}
	case *recordv1.Entry_Withdrawn:
		return []text{{"withdrawn.reason", k.Withdrawn.GetReason()}}
	case *recordv1.Entry_DeviationAsked:
		return []text{{"deviationAsked.reason", k.DeviationAsked.GetReason()}}
	case *recordv1.Entry_DeviationAccepted:
		return []text{{"deviationAccepted.reason", k.DeviationAccepted.GetReason()}}
	case *recordv1.Entry_Assessed:
		return []text{{"assessed.reason", k.Assessed.GetReason()}}
	case *recordv1.Entry_LookedAt:
		return []text{{"lookedAt.remark", k.LookedAt.GetRemark()}}
	case *recordv1.Entry_ReturnedForRework:
		return []text{{"returnedForRework.reason", k.ReturnedForRework.GetReason()}}
	case *recordv1.Entry_WorkStopped:
		return []text{{"workStopped.reason", k.WorkStopped.GetReason()}}
	case *recordv1.Entry_WorkResumed:
		return []text{{"workResumed.reason", k.WorkResumed.GetReason()}}
	case *recordv1.Entry_EndedUnfinished:
		return []text{{"endedUnfinished.reason", k.EndedUnfinished.GetReason()}}
	case *recordv1.Entry_ReadingTaken:
		return []text{{"readingTaken.setup", k.ReadingTaken.GetSetup()}}
	case *recordv1.Entry_KitChecked:
		return []text{{"kitChecked.remark", k.KitChecked.GetRemark()}}
	case *recordv1.Entry_PlanRevised:
		return []text{{"planRevised.reason", k.PlanRevised.GetReason()}}
	case *recordv1.Entry_CrewChanged:
		return []text{{"crewChanged.reason", k.CrewChanged.GetReason()}}
	case *recordv1.Entry_PhotoAttached:
		return []text{{"photoAttached.derivation", k.PhotoAttached.GetDerivation()}}
	case *recordv1.Entry_TraceAttached:
		return []text{{"traceAttached.fileName", k.TraceAttached.GetFileName()}}
	case *recordv1.Entry_FindingAccepted:
		return []text{{"findingAccepted.reason", k.FindingAccepted.GetReason()}}
	}
	return nil
}

// checkRole refuses what the person may not state.
func (j *Job) checkRole(e *recordv1.Entry, who Who) error {
	need := func(roles ...string) error {
		for _, r := range roles {
			if who.is(r) {
				return nil
			}
		}
		return errs.New(errs.Denied, "ROLE_MISSING", fmt.Sprintf("'%s' needs the role %s", kindName(e), strings.ToLower(strings.Join(roles, " or "))), "roles", strings.Join(roles, " "))
	}
	switch e.GetKind().(type) {
	case *recordv1.Entry_DeviationAccepted, *recordv1.Entry_Assessed, *recordv1.Entry_LookedAt, *recordv1.Entry_ReturnedForRework, *recordv1.Entry_SignedOff, *recordv1.Entry_FindingAccepted:
		return need("LEAD")
	case *recordv1.Entry_PlanRevised, *recordv1.Entry_EndedUnfinished:
		return need("LEAD", "OFFICE")
	case *recordv1.Entry_WorkStopped:
		return nil // anyone
	}
	return need("CLIMBER", "LEAD")
}

// checkStep refuses an entry that belongs to no step or does not fit it.
func (j *Job) checkStep(e *recordv1.Entry) error {
	id := e.GetStep()
	needs := needsStep(e)
	if id == "" {
		if needs {
			return errs.Field("STEP_MISSING", "step", fmt.Sprintf("'%s' is about a step and names none", kindName(e)))
		}
		return nil
	}
	def := j.findStep(id)
	if def == nil {
		return errs.Field("STEP_UNKNOWN", "step", fmt.Sprintf("%.200q is no step of this job", id))
	}
	switch e.GetKind().(type) {
	case *recordv1.Entry_Note, *recordv1.Entry_DeviationAsked, *recordv1.Entry_DeviationAccepted, *recordv1.Entry_Withdrawn, *recordv1.Entry_FindingAccepted, *recordv1.Entry_WorkStopped, *recordv1.Entry_WorkResumed:
		return nil
	}
	if !kindFits(def.Def, e) {
		return errs.Field("KIND_NOT_FOR_STEP", "step", fmt.Sprintf("'%s' does not answer the step %s, which asks for %s", kindName(e), id, asks(def.Def)))
	}
	return nil
}

// findStep finds a step of the plan in force, of an earlier plan, or of a climb
// that is not known yet.
func (j *Job) findStep(id string) *procedure.Step {
	if s := j.steps[id]; s != nil && s.last != nil {
		return s.last
	}
	c := climbOfStep(id)
	if c == "" || !entryID.MatchString(c) || j.isOpened(c) {
		return nil
	}
	exp, err := j.expandClimb(j.plan, c)
	if err != nil {
		return nil
	}
	return exp.Step(id)
}

// asks says in words what a step asks for.
func asks(d *recordv1.Step) string {
	switch d.GetKind().(type) {
	case *recordv1.Step_Confirm:
		return "a confirmation"
	case *recordv1.Step_Acknowledge:
		return "an acknowledgement"
	case *recordv1.Step_Reading:
		return "a reading"
	case *recordv1.Step_Torque:
		return "a torque"
	case *recordv1.Step_Photo:
		return "a photo"
	case *recordv1.Step_Trace:
		return "a trace"
	case *recordv1.Step_KitCheck:
		return "a kit check"
	case *recordv1.Step_Choice:
		return "a choice"
	case *recordv1.Step_Text:
		return "a text"
	}
	return "nothing"
}

func needsStep(e *recordv1.Entry) bool {
	switch e.GetKind().(type) {
	case *recordv1.Entry_Confirmed, *recordv1.Entry_Acknowledged, *recordv1.Entry_ReadingTaken, *recordv1.Entry_TorqueApplied, *recordv1.Entry_PhotoAttached,
		*recordv1.Entry_TraceAttached, *recordv1.Entry_KitChecked, *recordv1.Entry_Answered, *recordv1.Entry_DeviationAsked, *recordv1.Entry_DeviationAccepted:
		return true
	}
	return false
}

// unitsOf lists the units in which a quantity may be given.
func unitsOf(q recordv1.Quantity) []recordv1.Measure_Unit { return limits.UnitsFor(q) }

// checkKind refuses what cannot be understood within its kind.
func (j *Job) checkKind(e *recordv1.Entry, who Who) error {
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ReadingTaken:
		r := k.ReadingTaken
		if r.GetNotMeasurable() {
			return nil
		}
		def := j.findStep(e.GetStep())
		if q := def.Def.GetReading().GetQuantity(); !slices.Contains(unitsOf(q), r.GetUnit()) {
			return errs.Field("UNIT_NOT_FOR_QUANTITY", "readingTaken.unit", fmt.Sprintf("%s is not a unit of %s", r.GetUnit(), strings.ToLower(strings.ReplaceAll(q.String(), "_", " "))))
		}
		if err := checkMeasure("readingTaken", r.GetTyped(), r.GetValue(), r.GetUnit()); err != nil {
			return err
		}
		if err := checkParts("readingTaken", []member{{"carrierPower", r.GetCarrierPower()}, {"frequency", r.GetFrequency()}, {"wavelength", r.GetWavelength()}, {"height", r.GetHeight()}}); err != nil {
			return err
		}
		if m := r.GetWavelength(); m != nil && m.GetUnit() != recordv1.Measure_NANOMETERS {
			return errs.Field("UNIT_NOT_FOR_QUANTITY", "readingTaken.wavelength.unit", fmt.Sprintf("%s is not the unit of a wavelength, NANOMETERS", m.GetUnit()))
		}
	case *recordv1.Entry_TorqueApplied:
		t := k.TorqueApplied
		if !slices.Contains(unitsOf(recordv1.Quantity_TORQUE), t.GetUnit()) {
			return errs.Field("UNIT_NOT_FOR_QUANTITY", "torqueApplied.unit", fmt.Sprintf("%s is not a unit of torque", t.GetUnit()))
		}
		if err := checkMeasure("torqueApplied", t.GetTyped(), t.GetValue(), t.GetUnit()); err != nil {
			return err
		}
		if err := checkParts("torqueApplied", []member{{"toolSetting", t.GetToolSetting()}, {"leverLength", t.GetLeverLength()}, {"extensionLength", t.GetExtensionLength()}, {"extensionAngle", t.GetExtensionAngle()}}); err != nil {
			return err
		}
		if m := t.GetToolSetting(); m != nil && !slices.Contains(unitsOf(recordv1.Quantity_TORQUE), m.GetUnit()) {
			return errs.Field("UNIT_NOT_FOR_QUANTITY", "torqueApplied.toolSetting.unit", fmt.Sprintf("%s is not a unit of torque", m.GetUnit()))
		}
	case *recordv1.Entry_TraceAttached:
		if len(k.TraceAttached.GetDigest()) != 32 {
			return errs.Field("DIGEST_INVALID", "traceAttached.digest", "is not a SHA-256")
		}
		if n := k.TraceAttached.GetSize(); n < 1 || n > 8<<20 {
			return errs.Field("SIZE_OUT_OF_BOUND", "traceAttached.size", "is 1 byte to 8 MiB")
		}
		return checkPart("traceAttached.read", k.TraceAttached.GetRead())
	case *recordv1.Entry_PhotoAttached:
		p := k.PhotoAttached
		if len(p.GetDigest()) != 32 {
			return errs.Field("DIGEST_INVALID", "photoAttached.digest", "is not a SHA-256")
		}
		if n := p.GetSize(); n < 1 || n > 32<<20 {
			return errs.Field("SIZE_OUT_OF_BOUND", "photoAttached.size", "is 1 byte to 32 MiB")
		}
		if n := len(p.GetDerivedFrom()); n != 0 && n != 32 {
			return errs.Field("DIGEST_INVALID", "photoAttached.derivedFrom", "is not a SHA-256")
		}
		if pos := p.GetPosition(); pos != nil && !(math.Abs(pos.GetLatitude()) <= 90 && math.Abs(pos.GetLongitude()) <= 180) {
			return errs.Field("POSITION_INVALID", "photoAttached.position", "is no place on the earth")
		}
		def := j.findStep(e.GetStep())
		if !slices.ContainsFunc(def.Def.GetPhoto().GetSubjects(), func(s *recordv1.PhotoStep_Subject) bool { return s.GetId() == p.GetSubject() }) {
			return errs.Field("SUBJECT_UNKNOWN", "photoAttached.subject", fmt.Sprintf("%.64q is no subject of this step", p.GetSubject()))
		}
	case *recordv1.Entry_KitChecked:
		if len(k.KitChecked.GetParts()) == 0 || len(k.KitChecked.GetParts()) > 50 {
			return errs.Field("KIT_PARTS_BOUND", "kitChecked.parts", "are 1 to 50 readings")
		}
		for i, p := range k.KitChecked.GetParts() {
			if p.GetRead() == nil {
				return errs.Field("MEASURE_MISSING", fmt.Sprintf("kitChecked.parts[%d].read", i), "is needed")
			}
			if err := checkPart(fmt.Sprintf("kitChecked.parts[%d].read", i), p.GetRead()); err != nil {
				return err
			}
			if err := checkPart(fmt.Sprintf("kitChecked.parts[%d].carrierPower", i), p.GetCarrierPower()); err != nil {
				return err
			}
		}
	case *recordv1.Entry_Acknowledged:
		if k.Acknowledged.GetPerson() != e.GetAuthor() {
			return errs.Field("ACKNOWLEDGED_FOR_ANOTHER", "acknowledged.person", "nobody acknowledges for somebody else: the entry's author is the person himself")
		}
	case *recordv1.Entry_Confirmed:
		if k.Confirmed.GetOutcome() == recordv1.Confirmed_OUTCOME_UNSPECIFIED {
			return errs.Field("OUTCOME_MISSING", "confirmed.outcome", "is DONE, NOT_APPLICABLE or NOT_RIGHT")
		}
		if k.Confirmed.GetOutcome() != recordv1.Confirmed_DONE && strings.TrimSpace(k.Confirmed.GetReason()) == "" {
			return errs.Field("REASON_MISSING", "confirmed.reason", "is needed where a step is not simply done")
		}
	case *recordv1.Entry_Withdrawn:
		w := k.Withdrawn
		if !entryID.MatchString(w.GetEntry()) {
			return errs.Field("ENTRY_UNKNOWN", "withdrawn.entry", "is the id of an entry")
		}
		if strings.TrimSpace(w.GetReason()) == "" && !w.GetMistyped() {
			return errs.Field("REASON_MISSING", "withdrawn.reason", "is needed")
		}
		if t := j.byID[w.GetEntry()]; t != nil {
			if t.Entry.GetWithdrawn() != nil {
				return errs.Field("WITHDRAWAL_FINAL", "withdrawn.entry", "a withdrawal cannot be withdrawn; enter it again")
			}
			if final(t.Entry) {
				return errs.Field("NOT_WITHDRAWABLE", "withdrawn.entry", fmt.Sprintf("'%s' cannot be withdrawn", kindName(t.Entry)))
			}
			if t.Entry.GetAuthor() != e.GetAuthor() && !who.is("LEAD") {
				return errs.New(errs.Denied, "WITHDRAWAL_OF_ANOTHER", "an entry is withdrawn by its author or by a lead", "field", "withdrawn.entry")
			}
		}
	case *recordv1.Entry_DeviationAsked:
		if strings.TrimSpace(k.DeviationAsked.GetReason()) == "" {
			return errs.Field("REASON_MISSING", "deviationAsked.reason", "is needed")
		}
	case *recordv1.Entry_DeviationAccepted:
		d := k.DeviationAccepted
		if strings.TrimSpace(d.GetReason()) == "" {
			return errs.Field("REASON_MISSING", "deviationAccepted.reason", "is needed")
		}
		if a := j.byID[d.GetAsked()]; d.GetAsked() != "" && a != nil && a.Entry.GetAuthor() == e.GetAuthor() {
			return errs.New(errs.Denied, "DEVIATION_OWN", "a lead does not accept a deviation that he asked for himself", "field", "deviationAccepted.asked")
		}
		if s := j.steps[e.GetStep()]; s != nil {
			for _, it := range j.eval(s).deciding {
				if it.Entry.GetAuthor() == e.GetAuthor() {
					return errs.New(errs.Denied, "DEVIATION_OWN", "a lead does not accept a deviation on his own entry; another lead does", "field", "author")
				}
			}
		}
	case *recordv1.Entry_Assessed:
		if k.Assessed.GetOutcome() == recordv1.Assessed_OUTCOME_UNSPECIFIED || strings.TrimSpace(k.Assessed.GetReason()) == "" || len(k.Assessed.GetDoubts()) == 0 || len(k.Assessed.GetDoubts()) > 1000 {
			return errs.Field("ASSESSMENT_INCOMPLETE", "assessed", "names 1 to 1,000 doubts, an outcome and a reason")
		}
	case *recordv1.Entry_LookedAt:
		if n := len(k.LookedAt.GetExceptions()); n < 1 || n > 1000 {
			return errs.Field("EXCEPTIONS_BOUND", "lookedAt.exceptions", "are 1 to 1,000 ids")
		}
	case *recordv1.Entry_ReturnedForRework:
		if n := len(k.ReturnedForRework.GetSteps()); n < 1 || n > 1000 {
			return errs.Field("STEPS_BOUND", "returnedForRework.steps", "are 1 to 1,000 steps")
		}
		if strings.TrimSpace(k.ReturnedForRework.GetReason()) == "" {
			return errs.Field("REASON_MISSING", "returnedForRework.reason", "is needed")
		}
		for i, id := range k.ReturnedForRework.GetSteps() {
			if j.findStep(id) == nil {
				return errs.Field("STEP_UNKNOWN", fmt.Sprintf("returnedForRework.steps[%d]", i), fmt.Sprintf("%.200q is no step of this job", id))
			}
		}
	case *recordv1.Entry_PlanRevised:
		if k.PlanRevised.GetPlan() == nil {
			return errs.Field("PLAN_MISSING", "planRevised.plan", "is the whole new plan")
		}
		if err := procedure.CheckPlan(k.PlanRevised.GetPlan()); err != nil {
			return err
		}
		if _, _, err := j.expandAll(k.PlanRevised.GetPlan()); err != nil {
			return err
		}
		if strings.TrimSpace(k.PlanRevised.GetReason()) == "" {
			return errs.Field("REASON_MISSING", "planRevised.reason", "is needed")
		}
	case *recordv1.Entry_ClimbOpened:
		exp, err := j.expandClimb(j.plan, e.GetId())
		if err != nil {
			return err
		}
		if err := checkTotal(j.total + len(exp.Steps)); err != nil {
			return err
		}
		return checkCrew("climbOpened.crew", k.ClimbOpened.GetCrew())
	case *recordv1.Entry_CrewChanged:
		if e.GetClimb() == "" {
			return errs.Field("CLIMB_MISSING", "climb", "names the climb whose crew changes")
		}
		return checkCrew("crewChanged.crew", k.CrewChanged.GetCrew())
	case *recordv1.Entry_ClimbClosed:
		if e.GetClimb() == "" {
			return errs.Field("CLIMB_MISSING", "climb", "names the climb that ends")
		}
		return checkCrew("climbClosed.down", k.ClimbClosed.GetDown())
	case *recordv1.Entry_Note:
		if strings.TrimSpace(k.Note.GetText()) == "" {
			return errs.Field("TEXT_MISSING", "note.text", "is empty")
		}
	case *recordv1.Entry_FindingAccepted:
		if len(k.FindingAccepted.GetDigest()) != 32 || len(k.FindingAccepted.GetCodes()) == 0 || len(k.FindingAccepted.GetCodes()) > 100 || strings.TrimSpace(k.FindingAccepted.GetReason()) == "" {
			return errs.Field("FINDING_INCOMPLETE", "findingAccepted", "names a photo, 1 to 100 findings of it and a reason")
		}
	case *recordv1.Entry_SignedOff:
		return errs.New(errs.WrongState, "SIGN_OFF_APART", "a sign-off is sent by its own call, against the root that was seen", "field", "signedOff")
	case *recordv1.Entry_EndedUnfinished:
		return errs.New(errs.WrongState, "END_APART", "ending a job is sent by its own call, against the root that was seen", "field", "endedUnfinished")
	}
	return nil
}

func checkCrew(field string, crew []string) error {
	if len(crew) == 0 || len(crew) > 100 {
		return errs.Field("CREW_BOUND", field, "names 1 to 100 people")
	}
	for i, p := range crew {
		if !strings.HasPrefix(p, "people/") || len(p) > 80 {
			return errs.Field("PERSON_INVALID", fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%.80q is not of the form people/{person}", p))
		}
		if slices.Contains(crew[:i], p) {
			return errs.Field("PERSON_TWICE", fmt.Sprintf("%s[%d]", field, i), "stands there twice")
		}
	}
	return nil
}

func checkMeasure(field, typed string, value float64, unit recordv1.Measure_Unit) error {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return errs.Field("VALUE_NOT_FINITE", field+".value", "is not a number")
	}
	if utf8.RuneCountInString(typed) > 64 {
		return errs.Field("TEXT_TOO_LONG", field+".typed", "has more than 64 characters")
	}
	if unit == recordv1.Measure_UNIT_UNSPECIFIED {
		return errs.Field("UNIT_MISSING", field+".unit", "is needed")
	}
	if typed == "" {
		return nil
	}
	if err := limits.CheckTyped(typed, value, unit); err != nil {
		return errs.Field("TYPED_DIFFERS", field+".typed", fmt.Sprintf("%.64q does not read as %v %s", typed, value, unit)).Because(err)
	}
	return nil
}

// member is one measure within an entry.
type member struct {
	field   string
	measure *recordv1.Measure
}

func checkParts(entry string, ms []member) error {
	for _, m := range ms {
		if err := checkPart(entry+"."+m.field, m.measure); err != nil {
			return err
		}
	}
	return nil
}

func checkPart(field string, m *recordv1.Measure) error {
	if m == nil {
		return nil
	}
	if math.IsNaN(m.GetValue()) || math.IsInf(m.GetValue(), 0) {
		return errs.Field("VALUE_NOT_FINITE", field+".value", "is not a number")
	}
	if m.GetUnit() == recordv1.Measure_UNIT_UNSPECIFIED {
		return errs.Field("UNIT_MISSING", field+".unit", "is needed")
	}
	return nil
}
