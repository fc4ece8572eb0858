package server

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	"witnessmark/internal/record"
	"witnessmark/internal/workflow"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/storage"
)

// This file is the only mapping between the API's views and the domain.

// bare is the id within a resource name; the field rules have checked its form.
func bare(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

func bares(names []string) []string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = bare(n)
	}
	return out
}

// named puts a collection before an id; "" stays.
func named(collection, id string) string {
	if id == "" {
		return ""
	}
	return collection + "/" + id
}

func nameds(collection string, ids []string) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = named(collection, id)
	}
	return out
}

// checkNames holds names against their collection, where the field rules do not.
func checkNames(field, collection string, names []string) error {
	for i, n := range names {
		if !strings.HasPrefix(n, collection+"/") || len(n) > len(collection)+65 {
			return errs.Field("NAME_INVALID", fmt.Sprintf("%s[%d]", field, i), "is a name such as "+collection+"/name")
		}
	}
	return nil
}

// ownName reads the name that a caller may choose for something new.
func ownName(field, collection, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	id, ok := strings.CutPrefix(name, collection+"/")
	if !ok || id == "" {
		return "", errs.Field("NAME_INVALID", field, "is empty, or a name such as "+collection+"/name")
	}
	return id, nil
}

// theirName reads the name that says which one is meant.
func theirName(field, collection, name string) (string, error) {
	id, err := ownName(field, collection, name)
	if err == nil && id == "" {
		err = errs.Field("NAME_INVALID", field, "is needed: "+collection+"/name")
	}
	return id, err
}

// stamp is a time as the API gives it; the zero time is absent.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// moment reads a time; absent is the zero time.
func moment(field string, t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	if err := t.CheckValid(); err != nil {
		return time.Time{}, errs.Field("TIME_INVALID", field, "is out of the range of a time")
	}
	return t.AsTime().Truncate(time.Millisecond), nil
}

func etag(version int64) string { return strconv.FormatInt(version, 10) }

// version reads an etag; empty means any version.
func version(field, tag string) (int64, error) {
	if tag == "" {
		return 0, nil
	}
	v, err := strconv.ParseInt(tag, 10, 64)
	if err != nil || v < 1 {
		return 0, errs.Field("ETAG_INVALID", field, "is not one that was given out")
	}
	return v, nil
}

func hexDigest(field, s string) ([32]byte, error) {
	var d [32]byte
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(d) {
		return d, errs.Field("DIGEST_INVALID", field, "is a SHA-256 in hex, 64 digits")
	}
	return [32]byte(b), nil
}

var roleOf = map[witnessmarkv1.Role]access.Role{
	witnessmarkv1.Role_CLIMBER: access.Climber, witnessmarkv1.Role_LEAD: access.Lead,
	witnessmarkv1.Role_AUDITOR: access.Auditor, witnessmarkv1.Role_OFFICE: access.Office,
}

func personView(p access.Person) *witnessmarkv1.Person {
	out := &witnessmarkv1.Person{Name: named("people", p.ID), Title: p.Title, Language: p.Language, Disabled: p.Disabled, Etag: etag(p.Version), CreateTime: stamp(p.CreateTime), HasCode: len(p.CodeHash) > 0}
	for _, r := range p.Roles {
		out.Roles = append(out.Roles, witnessmarkv1.Role(witnessmarkv1.Role_value[string(r)]))
	}
	for _, q := range p.Qualifications {
		out.Qualifications = append(out.Qualifications, &witnessmarkv1.Person_Qualification{Name: q.Name, Until: q.Until})
	}
	return out
}

func readPerson(p *witnessmarkv1.Person) (access.Person, error) {
	v, err := version("person.etag", p.GetEtag())
	out := access.Person{Title: p.GetTitle(), Language: p.GetLanguage(), Disabled: p.GetDisabled(), Version: v}
	for _, r := range p.GetRoles() {
		out.Roles = append(out.Roles, roleOf[r])
	}
	for _, q := range p.GetQualifications() {
		out.Qualifications = append(out.Qualifications, access.Qualification{Name: q.GetName(), Until: q.GetUntil()})
	}
	return out, err
}

func deviceView(d access.Device, keys []storage.Key) *witnessmarkv1.Device {
	out := &witnessmarkv1.Device{Name: named("devices", d.ID), Person: named("people", d.Person), Title: d.Title, CreateTime: stamp(d.CreateTime),
		LastSeenTime: stamp(d.LastSeen), RevokeTime: stamp(d.RevokeTime), UnsentCount: d.Unsent}
	for _, k := range keys {
		out.KeyIds = append(out.KeyIds, k.KeyID)
	}
	return out
}

func settingsView(s workflow.Settings) *witnessmarkv1.OrganizationSettings {
	out := &witnessmarkv1.OrganizationSettings{RequireDeviceSignatures: s.RequireDeviceSignatures, FourEyesWaiver: s.FourEyesWaiver,
		NotProvenNeedsDeviation: s.NotProvenNeedsDeviation, WindHoldsMinutes: int32(s.WindHoldsMinutes), RetentionYears: int32(s.RetentionYears)}
	for _, t := range s.PhotoThresholds {
		out.PhotoThresholds = append(out.PhotoThresholds, &witnessmarkv1.PhotoThreshold{Subject: t.Subject, Name: t.Name, Value: t.Value, Source: t.Source})
	}
	return out
}

func readSettings(s *witnessmarkv1.OrganizationSettings) workflow.Settings {
	out := workflow.Settings{RequireDeviceSignatures: s.GetRequireDeviceSignatures(), FourEyesWaiver: s.GetFourEyesWaiver(),
		NotProvenNeedsDeviation: s.GetNotProvenNeedsDeviation(), WindHoldsMinutes: int(s.GetWindHoldsMinutes()), RetentionYears: int(s.GetRetentionYears())}
	for _, t := range s.GetPhotoThresholds() {
		out.PhotoThresholds = append(out.PhotoThresholds, workflow.PhotoThreshold{Subject: t.GetSubject(), Name: t.GetName(), Value: t.GetValue(), Source: t.GetSource()})
	}
	return out
}

func siteView(s workflow.Site) *witnessmarkv1.Site {
	return &witnessmarkv1.Site{Name: named("sites", s.ID), Title: s.Title, Zone: s.Zone, Position: &recordv1.Position{Latitude: s.Latitude, Longitude: s.Longitude},
		Notes: s.Notes, Etag: etag(s.Version), CreateTime: stamp(s.CreateTime)}
}

func readSite(s *witnessmarkv1.Site) (workflow.Site, error) {
	v, err := version("site.etag", s.GetEtag())
	return workflow.Site{Title: s.GetTitle(), Zone: s.GetZone(), Latitude: s.GetPosition().GetLatitude(), Longitude: s.GetPosition().GetLongitude(), Notes: s.GetNotes(), Version: v}, err
}

func valueView(v *workflow.Value) *recordv1.Measure {
	if v == nil {
		return nil
	}
	return &recordv1.Measure{Value: v.Value, Unit: recordv1.Measure_Unit(recordv1.Measure_Unit_value[v.Unit])}
}

func readValue(m *recordv1.Measure) *workflow.Value {
	if m == nil {
		return nil
	}
	return &workflow.Value{Value: m.GetValue(), Unit: m.GetUnit().String()}
}

func instrumentView(i workflow.Instrument) *witnessmarkv1.Instrument {
	return &witnessmarkv1.Instrument{Name: named("instruments", i.ID), Kind: i.Kind, Title: i.Title, Serial: i.Serial, CalibratedUntil: i.CalibratedUntil, CalibratedOn: i.CalibratedOn,
		ToolClass: i.Class, Minimum: valueView(i.Minimum), Maximum: valueView(i.Maximum), Preset: valueView(i.Preset), DirectivityDb: i.Directivity, ExpandedUncertainty: i.Uncertainty,
		Retired: i.Retired, Etag: etag(i.Version), Remark: i.Remark}
}

func readInstrument(i *witnessmarkv1.Instrument) (workflow.Instrument, error) {
	v, err := version("instrument.etag", i.GetEtag())
	return workflow.Instrument{Kind: i.GetKind(), Title: i.GetTitle(), Serial: i.GetSerial(), CalibratedUntil: i.GetCalibratedUntil(), CalibratedOn: i.GetCalibratedOn(),
		Class: i.GetToolClass(), Minimum: readValue(i.GetMinimum()), Maximum: readValue(i.GetMaximum()), Preset: readValue(i.GetPreset()), Directivity: i.DirectivityDb,
		Uncertainty: i.ExpandedUncertainty, Retired: i.GetRetired(), Remark: i.GetRemark(), Version: v}, err
}

func revisionView(p storage.Procedure, content *recordv1.Procedure) *witnessmarkv1.ProcedureRevision {
	d := hex.EncodeToString(p.Digest[:])
	return &witnessmarkv1.ProcedureRevision{Name: "procedures/" + p.ID + "/revisions/" + d, Procedure: p.ID, Revision: p.Revision, Title: p.Title, Digest: d,
		Document: p.Document, Content: content, CreateTime: stamp(p.CreateTime)}
}

// readRevision reads procedures/{procedure}/revisions/{digest or latest}; the
// zero digest is the newest.
func readRevision(field, name string) (string, [32]byte, error) {
	parts := strings.Split(name, "/")
	if len(parts) != 4 {
		return "", [32]byte{}, errs.Field("NAME_INVALID", field, "is procedures/{procedure}/revisions/{digest}")
	}
	if parts[3] == "latest" {
		return parts[1], [32]byte{}, nil
	}
	d, err := hexDigest(field, parts[3])
	return parts[1], d, err
}

var jobStateOf = map[storage.JobState]witnessmarkv1.Job_State{
	storage.JobOpen: witnessmarkv1.Job_OPEN, storage.JobFinished: witnessmarkv1.Job_FINISHED,
	storage.JobLocked: witnessmarkv1.Job_LOCKED, storage.JobEnded: witnessmarkv1.Job_ENDED,
}

// readJobState reads a state to filter by; unspecified does not narrow.
func readJobState(s witnessmarkv1.Job_State) (storage.JobState, error) {
	if s == witnessmarkv1.Job_STATE_UNSPECIFIED {
		return "", nil
	}
	for k, v := range jobStateOf {
		if v == s {
			return k, nil
		}
	}
	return "", errs.Field("STATE_UNKNOWN", "state", fmt.Sprintf("%d is no state", s))
}

func jobView(j storage.Job) *witnessmarkv1.Job {
	out := &witnessmarkv1.Job{Name: named("jobs", j.ID), Title: j.Title, Site: named("sites", j.Site), SiteTitle: j.SiteTitle, Procedure: j.Procedure, ProcedureDigest: hex.EncodeToString(j.ProcedureDigest[:]),
		State: jobStateOf[j.State], People: nameds("people", j.People), Day: j.Day, Follows: named("jobs", j.Follows), LineCount: j.LineCount, AddendumCount: j.AddendumCount,
		Contradicted: j.Contradicted, CreateTime: stamp(j.CreateTime), LockTime: stamp(j.LockTime), Zone: j.Zone,
		Etag: fmt.Sprintf("%d.%d", j.LineCount, j.AddendumCount)}
	if !j.LockTime.IsZero() {
		out.FinalRoot = hex.EncodeToString(j.Root[:])
	}
	return out
}

func headView(h workflow.Head) *witnessmarkv1.Head {
	return &witnessmarkv1.Head{Size: h.Size, Root: h.Root[:]}
}

func linesView(lines []storage.Line) []*witnessmarkv1.LineBytes {
	out := make([]*witnessmarkv1.LineBytes, len(lines))
	for i, l := range lines {
		out[i] = &witnessmarkv1.LineBytes{Seq: l.Seq, Line: l.Line}
	}
	return out
}

func readSubmission(e *witnessmarkv1.SubmittedEntry) workflow.Submission {
	return workflow.Submission{Payload: e.GetPayload(), Signature: e.GetSignature(), KeyID: e.GetKeyId(), Entry: e.GetEntry(), Code: e.GetCode()}
}

var outcomeOf = map[workflow.Outcome]witnessmarkv1.EntryResult_Outcome{
	workflow.Accepted: witnessmarkv1.EntryResult_ACCEPTED, workflow.AlreadyKnown: witnessmarkv1.EntryResult_ALREADY_KNOWN,
	workflow.Addendum: witnessmarkv1.EntryResult_ADDENDUM, workflow.Refused: witnessmarkv1.EntryResult_REFUSED,
}

// resultView: an id that is not UTF-8 cannot be sent back; the digest says which
// entry is meant.
func resultView(r workflow.Result) *witnessmarkv1.EntryResult {
	return &witnessmarkv1.EntryResult{Id: text(r.ID), PayloadDigest: r.Digest[:], Outcome: outcomeOf[r.Outcome], Seq: r.Seq, Assessment: r.Assessment,
		Reason: r.Reason, Sentence: text(r.Sentence), Permanent: r.Permanent, KeptAside: r.KeptAside}
}

func text(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

func jobViewOf(v *workflow.View, omitProcedure bool) *witnessmarkv1.JobView {
	st := v.State
	out := &witnessmarkv1.JobView{Job: jobView(v.Row), Head: headView(v.Head), AsOfTime: stamp(st.AsOf), Stopped: st.Stopped,
		Counts: &witnessmarkv1.JobView_Counts{RequiredCount: int32(st.Counts.Required), DoneCount: int32(st.Counts.Done), OpenCount: int32(st.Counts.Open),
			OutOfLimitsCount: int32(st.Counts.OutOfLimits), WaitingCount: int32(st.Counts.Waiting), StepCount: int32(st.Counts.All)}}
	if !omitProcedure {
		out.Procedure, out.Plan = v.Procedure.Proc, v.Plan
	}
	for _, c := range st.Climbs {
		out.Climbs = append(out.Climbs, &witnessmarkv1.JobView_Climb{Id: c.ID, Crew: c.Crew, OpenTime: stamp(c.Opened), CloseTime: stamp(c.Closed)})
	}
	for _, h := range st.Holds {
		out.Holds = append(out.Holds, &witnessmarkv1.JobView_Hold{Gate: h.Gate, Sentence: h.Sentence, Climb: h.Climb, SinceTime: stamp(h.Since), Title: h.Title})
	}
	for _, e := range st.Exceptions {
		x := &witnessmarkv1.JobView_ExceptionView{Id: e.ID, Kind: e.Kind, Step: e.Step, Lines: e.Lines, Sentence: e.Sentence, LookedAt: len(e.LookedAt) > 0}
		if x.LookedAt {
			x.LookedAtBy = e.LookedAt[len(e.LookedAt)-1]
		}
		out.Exceptions = append(out.Exceptions, x)
	}
	for _, k := range st.Kits {
		out.Kits = append(out.Kits, &witnessmarkv1.JobView_KitView{Instruments: k.Instruments, State: k.State, UntilTime: stamp(k.Until), ResidualDbc: k.ResidualDBc, Entry: k.Entry, Sentence: k.Sentence})
	}
	for _, b := range v.Blockers {
		out.Blockers = append(out.Blockers, &witnessmarkv1.JobView_Blocker{Reason: b.Reason, Sentence: b.Sentence, Subjects: b.Subjects[:min(len(b.Subjects), 20)]})
	}
	for _, p := range st.Photos {
		out.Photos = append(out.Photos, photoView(p, v.Blobs))
	}
	for _, d := range st.Doubts {
		out.Doubts = append(out.Doubts, &witnessmarkv1.JobView_Doubt{Id: d.ID, Sentence: d.Sentence, Steps: d.Steps, Assessed: d.Assessed})
	}
	return out
}

func photoView(p record.Photo, blobs map[[32]byte]storage.Blob) *witnessmarkv1.JobView_PhotoView {
	x := &witnessmarkv1.JobView_PhotoView{Digest: hex.EncodeToString(p.Digest[:]), Step: p.Step, Subject: p.Subject, Entry: p.Entry, Received: p.Received}
	if p.Examined != nil {
		x.Examined, x.Readable, x.Findings, x.EndFace = true, p.Examined.GetReadable(), p.Examined.GetFindings(), p.Examined.GetEndFace()
	}
	if b, ok := blobs[p.Digest]; ok {
		x.Retention = retentionText(b.Retention)
	}
	return x
}

func retentionText(r string) string {
	switch {
	case strings.HasPrefix(r, "until "):
		return "kept " + r
	case r == "not enforced":
		return "not enforced by this store"
	}
	return r
}

func stepView(s record.StepStatus, gates []string, withEntries bool) *witnessmarkv1.StepView {
	d := s.Step
	out := &witnessmarkv1.StepView{Id: d.ID, Section: d.Section.GetId(), Step: d.Def.GetId(), Scope: d.ScopeID, Limit: s.Limit, State: s.State, Verdict: s.Verdict, Sentence: s.Sentence,
		Required: d.Required, Gates: gates, EntryCount: int32(len(s.Entries)), Advice: s.Advice, Working: s.Working}
	if out.Limit == nil && d.Limit != nil {
		out.Limit = limits.Applied(*d.Limit)
	}
	if out.Limit == nil && d.ResidualLimit != nil {
		out.Limit = limits.Applied(*d.ResidualLimit)
	}
	if d.SourceLimit != nil {
		out.SourceLimit = limits.Applied(*d.SourceLimit)
	}
	if withEntries {
		for _, e := range s.Entries {
			out.Entries = append(out.Entries, &witnessmarkv1.EntryView{Seq: e.Line.Seq, Entry: e.Line.Entry, ReceiveTime: stamp(e.Line.Received), Time: stamp(e.Time),
				Verdict: e.Verdict, Sentence: e.Sentence, Withdrawn: e.Withdrawn, Counts: e.Counts})
		}
	}
	return out
}

func refusedView(r storage.Refused) *witnessmarkv1.RefusedEntry {
	return &witnessmarkv1.RefusedEntry{Digest: hex.EncodeToString(r.Digest[:]), Payload: r.Payload, Reason: r.Reason, Sentence: r.Sentence, Sender: named("people", r.Sender),
		Device: named("devices", r.Device), ReceiveTime: stamp(r.ReceiveTime), Admitted: r.AdmittedSeq != 0}
}

var uploadStateOf = map[string]witnessmarkv1.Upload_State{
	"receiving": witnessmarkv1.Upload_RECEIVING, "stored": witnessmarkv1.Upload_STORED, "wrong": witnessmarkv1.Upload_DIGEST_WRONG,
}

func uploadView(u storage.Upload, examined []byte) (*witnessmarkv1.Upload, error) {
	out := &witnessmarkv1.Upload{Name: named("uploads", u.ID), Job: named("jobs", u.Job), Size: u.Size, Digest: u.Digest[:], Offset: u.Offset, State: uploadStateOf[u.State], ExpireTime: stamp(u.ExpireTime)}
	if len(examined) > 0 && u.Purpose == workflow.PurposePhoto {
		x := new(recordv1.PhotoExamined)
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(examined, x); err != nil {
			return nil, errs.New(errs.Corrupt, "EXAMINATION_UNREADABLE", "the examination of this photo cannot be read").Because(err)
		}
		out.Examined = x
	}
	return out, nil
}

func grantView(g access.Grant) *witnessmarkv1.Grant {
	return &witnessmarkv1.Grant{Name: named("grants", g.ID), Person: named("people", g.Person), Sites: nameds("sites", g.Sites), Jobs: nameds("jobs", g.Jobs), FromDay: g.FromDay, ToDay: g.ToDay,
		ExpireTime: stamp(g.ExpireTime), RevokeTime: stamp(g.RevokeTime), CreateTime: stamp(g.CreateTime)}
}

func readGrant(g *witnessmarkv1.Grant) (access.Grant, error) {
	if err := checkNames("grant.sites", "sites", g.GetSites()); err != nil {
		return access.Grant{}, err
	}
	if err := checkNames("grant.jobs", "jobs", g.GetJobs()); err != nil {
		return access.Grant{}, err
	}
	expire, err := moment("grant.expire_time", g.GetExpireTime())
	return access.Grant{Person: bare(g.GetPerson()), Sites: bares(g.GetSites()), Jobs: bares(g.GetJobs()), FromDay: g.GetFromDay(), ToDay: g.GetToDay(), ExpireTime: expire}, err
}

func shareLinkView(l access.ShareLink) *witnessmarkv1.ShareLink {
	return &witnessmarkv1.ShareLink{Name: named("shareLinks", l.ID), Job: named("jobs", l.Job), Title: l.Title, ExpireTime: stamp(l.ExpireTime), RevokeTime: stamp(l.RevokeTime),
		HasCode: len(l.CodeHash) > 0, CreateTime: stamp(l.CreateTime)}
}

func custodyView(c storage.CustodyLine) *witnessmarkv1.CustodyLine {
	return &witnessmarkv1.CustodyLine{Time: stamp(c.Time), Who: c.Who, Action: c.Action, Job: named("jobs", c.Job), Subject: c.Subject}
}

func termsView(ts []working.Term) []*witnessmarkv1.CalculateResponse_Term {
	out := make([]*witnessmarkv1.CalculateResponse_Term, len(ts))
	for i, t := range ts {
		x := &witnessmarkv1.CalculateResponse_Term{Name: t.Name, Unit: t.Unit}
		if v, ok := t.Float(); ok {
			x.Value = v
		} else {
			x.Text = t.Value
		}
		out[i] = x
	}
	return out
}
