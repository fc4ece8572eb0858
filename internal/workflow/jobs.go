package workflow

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// NewJob is what a job is opened with.
type NewJob struct {
	ID, Title, Site string
	Procedure       string
	Digest          [32]byte // zero: the newest revision
	Plan            *recordv1.Plan
	People          []string
	Day, Follows    string
}

// CreateJob opens a job: it pins the site, the procedure's revision and the
// plan in the first line, which the server writes.
//
// Errors: NotFound for site, procedure, people or the job before; Invalid from
// the plan, PLAN_INCOMPLETE where a limit cannot be computed from it; Exists JOB_EXISTS.
func (s *Service) CreateJob(ctx context.Context, id access.Identity, n NewJob, requestID string) (storage.Job, error) {
	if n.ID == "" {
		var err error
		if n.ID, err = s.newName(); err != nil {
			return storage.Job{}, err
		}
	}
	if err := checkName("job_id", n.ID); err != nil {
		return storage.Job{}, err
	}
	if strings.TrimSpace(n.Title) == "" {
		return storage.Job{}, errs.Field("TITLE_MISSING", "title", "is needed")
	}
	if err := checkDay("day", n.Day); err != nil {
		return storage.Job{}, err
	}
	site, err := s.Site(ctx, id, n.Site)
	if err != nil {
		return storage.Job{}, err
	}
	p, c, err := s.Procedure(ctx, id, n.Procedure, n.Digest)
	if err != nil {
		return storage.Job{}, err
	}
	if err := procedure.CheckPlan(n.Plan); err != nil {
		return storage.Job{}, err
	}
	exp, err := c.Expand(n.Plan, nil)
	if err != nil {
		return storage.Job{}, err
	}
	if missing := exp.MissingForLimits(); len(missing) > 0 {
		return storage.Job{}, errs.New(errs.Invalid, "PLAN_INCOMPLETE", "plan: "+strings.Join(missing[:min(len(missing), 5)], " "), "field", "plan", "count", fmt.Sprint(len(missing)))
	}
	if err := s.knownPeople(ctx, id.Org, n.People); err != nil {
		return storage.Job{}, err
	}
	if n.Follows != "" {
		if _, err := s.Store.GetJob(ctx, id.Org, n.Follows); err != nil {
			return storage.Job{}, unavailable(err)
		}
	}
	_, set, err := s.Organization(ctx, id.Org)
	if err != nil {
		return storage.Job{}, unavailable(err)
	}
	now := s.now()
	e := &recordv1.Entry{Job: "jobs/" + n.ID, Kind: &recordv1.Entry_JobOpened{JobOpened: &recordv1.JobOpened{
		Site:  &recordv1.JobOpened_Site{Name: "sites/" + site.ID, Title: site.Title, Zone: site.Zone, Position: &recordv1.Position{Latitude: site.Latitude, Longitude: site.Longitude}},
		Title: n.Title, Procedure: p.ID, ProcedureDigest: p.Digest[:], Plan: n.Plan,
	}}}
	if n.Follows != "" {
		e.GetJobOpened().Follows = "jobs/" + n.Follows
	}
	if e.Id, err = s.newID(); err != nil {
		return storage.Job{}, err
	}
	e.DeviceTime = timestamppb.New(now)
	payload, err := serialise(e)
	if err != nil {
		return storage.Job{}, err
	}
	pin := (&facts{set: set}).pinServer(nil, now)
	ln := &record.Line{Seq: 1, Received: now, Entry: e, PayloadDigest: seal.Sum(payload), Assessment: &recordv1.Assessment{Pinned: pin}}
	fold := record.Open(c)
	if _, err := fold.Advance(ln); err != nil {
		return storage.Job{}, err
	}
	b, err := evidence.MakeLine(ln, payload, nil, evidence.Identity{Organization: "organizations/" + id.Org, Person: personName(id.Person), Device: deviceName(id.Device)})
	if err != nil {
		return storage.Job{}, err
	}
	tree := seal.NewTree()
	if err := tree.Append(seal.LeafHash(b), nil); err != nil {
		return storage.Job{}, err
	}
	j := storage.Job{
		ID: n.ID, Title: n.Title, Site: site.ID, SiteTitle: site.Title, Zone: site.Zone, Procedure: p.ID, ProcedureDigest: p.Digest, State: storage.JobOpen,
		People: n.People, Day: n.Day, Follows: n.Follows, CreateTime: now, LineCount: 1, Root: tree.Root(), Compact: tree.State(), AddendumRoot: seal.EmptyRoot(), LogIndex: -1,
	}
	j, err = s.Store.CreateJob(ctx, id.Org, j, []storage.NewLine{{Seq: 1, EntryID: e.GetId(), PayloadDigest: ln.PayloadDigest, Line: b, ReceiveTime: now}}, requestID)
	return j, unavailable(err)
}

func (s *Service) knownPeople(ctx context.Context, org string, people []string) error {
	want := map[string]bool{}
	for _, p := range people {
		want[p] = true
	}
	have, err := s.people(ctx, org, want)
	if err != nil {
		return unavailable(err)
	}
	for p := range want {
		if _, ok := have[p]; !ok {
			return errs.New(errs.NotFound, "PERSON_NOT_FOUND", fmt.Sprintf("people: there is no people/%s", p), "field", "people")
		}
	}
	return nil
}

// Job returns a job that the caller may read.
func (s *Service) Job(ctx context.Context, id access.Identity, job string) (storage.Job, error) {
	j, err := s.readJob(ctx, id, job, "read job", "")
	return j, unavailable(err)
}

// Jobs lists jobs that the caller may read, newest first.
func (s *Service) Jobs(ctx context.Context, id access.Identity, f storage.JobFilter, beforeTime time.Time, beforeID string, limit int) ([]storage.Job, error) {
	if id.Scope == nil {
		js, err := s.Store.ListJobs(ctx, id.Org, f, beforeTime, beforeID, limit)
		return js, unavailable(err)
	}
	// A scope is a union of grants: pages are read until enough are within it, of
	// the sites or jobs alone that the grants name.
	var sites, jobs []string
	allSites, allJobs := id.Scope.Job == "", true
	for _, g := range id.Scope.Grants {
		sites, jobs = append(sites, g.Sites...), append(jobs, g.Jobs...)
		allSites, allJobs = allSites && len(g.Sites) > 0, allJobs && len(g.Jobs) > 0
	}
	if id.Scope.Job != "" {
		jobs = append(jobs, id.Scope.Job)
	}
	if allJobs {
		f.Jobs = append([]string{}, jobs...)
	}
	if allSites {
		f.Sites = append([]string{}, sites...)
	}
	var out []storage.Job
	for len(out) < limit && !(allJobs && len(jobs) == 0) {
		js, err := s.Store.ListJobs(ctx, id.Org, f, beforeTime, beforeID, 200)
		if err != nil {
			return nil, unavailable(err)
		}
		for _, j := range js {
			beforeTime, beforeID = j.CreateTime, j.ID
			if id.Scope.Covers(j.Site, j.ID, j.CreateTime) && len(out) < limit {
				out = append(out, j)
				if len(out) == limit {
					break
				}
			}
		}
		if len(js) < 200 {
			break
		}
	}
	return out, unavailable(s.custody(ctx, id, "list jobs", "", ""))
}

// AssignJob says who is on a job and on which day.
func (s *Service) AssignJob(ctx context.Context, id access.Identity, job string, people []string, day string) (storage.Job, error) {
	if err := checkDay("day", day); err != nil {
		return storage.Job{}, err
	}
	if err := s.knownPeople(ctx, id.Org, people); err != nil {
		return storage.Job{}, err
	}
	j, err := s.Store.AssignJob(ctx, id.Org, job, people, day)
	return j, unavailable(err)
}

// View is a job's state with what stands beside the lines.
type View struct {
	Row       storage.Job
	State     *record.State
	Blockers  []record.Blocker
	Procedure *procedure.Compiled
	Plan      *recordv1.Plan
	Blobs     map[[32]byte]storage.Blob
	Requires  func(*procedure.Step, string) []string
	Head      Head
}

// View computes how a job stands. The caller may keep the result.
func (s *Service) View(ctx context.Context, id access.Identity, job string) (*View, error) {
	if _, err := s.readJob(ctx, id, job, "view job", ""); err != nil {
		return nil, unavailable(err)
	}
	_, set, err := s.Organization(ctx, id.Org)
	if err != nil {
		return nil, unavailable(err)
	}
	out, err := s.outside(ctx, id.Org, job)
	if err != nil {
		return nil, unavailable(err)
	}
	v := &View{Blobs: map[[32]byte]storage.Blob{}}
	lead := ""
	if id.Is(access.Lead) {
		lead = personName(id.Person)
	}
	err = s.withJob(ctx, id.Org, job, func(l *live) error {
		v.Row, v.Procedure, v.Plan = l.row, l.fold.Procedure(), l.fold.Plan()
		v.State = l.fold.State(s.now(), out)
		v.Blockers = l.fold.BlockersOf(v.State, lead, set.FourEyesWaiver)
		v.Head = Head{l.row.LineCount, l.row.Root}
		requires := map[string][]string{}
		for _, st := range v.State.Steps {
			requires[st.Step.ID] = l.fold.Requires(st.Step, st.Step.ScopeID)
		}
		v.Requires = func(d *procedure.Step, _ string) []string { return requires[d.ID] }
		return nil
	})
	if err != nil {
		return nil, err
	}
	var after [32]byte
	for {
		bs, err := s.Store.ListBlobs(ctx, id.Org, job, after, 1000)
		if err != nil {
			return nil, unavailable(err)
		}
		for _, b := range bs {
			v.Blobs[b.Digest], after = b, b.Digest
		}
		if len(bs) < 1000 {
			return v, nil
		}
	}
}

// outside is what the fold needs and no line says: the refused entries that no
// lead admitted, and the counters of all of them.
func (s *Service) outside(ctx context.Context, org, job string) (record.Outside, error) {
	out := record.Outside{RefusedCounters: map[string][]int64{}}
	for offset := 0; ; offset += 1000 {
		rs, err := s.Store.ListRefused(ctx, org, job, offset, 1000)
		if err != nil {
			return out, err
		}
		for _, r := range rs {
			if r.AdmittedSeq == 0 {
				out.Refused++
			}
			if r.Counter > 0 && r.Device != "" {
				out.RefusedCounters[deviceName(r.Device)] = append(out.RefusedCounters[deviceName(r.Device)], r.Counter)
			}
		}
		if len(rs) < 1000 {
			return out, nil
		}
	}
}

// Lines returns lines as bytes, with the whole list's head.
func (s *Service) Lines(ctx context.Context, id access.Identity, job string, addenda bool, after int64, limit int) ([]storage.Line, bool, Head, error) {
	j, err := s.readJob(ctx, id, job, "read lines", fmt.Sprintf("after %d", after))
	if err != nil {
		return nil, false, Head{}, unavailable(err)
	}
	list, head := storage.ListRecord, Head{j.LineCount, j.Root}
	if addenda {
		list, head = storage.ListAddenda, Head{j.AddendumCount, j.AddendumRoot}
	}
	lines, err := s.Store.Lines(ctx, id.Org, job, list, after, limit, 2<<20)
	if err != nil {
		return nil, false, Head{}, unavailable(err)
	}
	last := after
	for i, ln := range lines {
		if ln.Seq > head.Size { // came while we read
			lines = lines[:i]
			break
		}
		last = ln.Seq
	}
	return lines, last < head.Size, head, nil
}

// DeviceChain returns the largest counter that the server has of the calling
// device in a job, and its payload's digest.
func (s *Service) DeviceChain(ctx context.Context, id access.Identity, job string) (int64, [32]byte, error) {
	if _, err := s.Store.GetJob(ctx, id.Org, job); err != nil {
		return 0, [32]byte{}, unavailable(err)
	}
	if id.Device == "" {
		return 0, [32]byte{}, errs.New(errs.WrongState, "NO_DEVICE", "this session has no device; enrol one with a key")
	}
	n, d, err := s.Store.DeviceHead(ctx, id.Org, job, id.Device)
	if err != nil {
		return 0, d, unavailable(err)
	}
	// The chain goes on over what was refused: its counters are used up.
	for offset := 0; ; offset += 1000 {
		rs, err := s.Store.ListRefused(ctx, id.Org, job, offset, 1000)
		if err != nil {
			return 0, d, unavailable(err)
		}
		for _, r := range rs {
			if r.Device == id.Device && r.Counter > n {
				n, d = r.Counter, r.Digest
			}
		}
		if len(rs) < 1000 {
			return n, d, nil
		}
	}
}

// Refused lists entries kept aside.
func (s *Service) Refused(ctx context.Context, id access.Identity, job string, offset, limit int) ([]storage.Refused, error) {
	if _, err := s.readJob(ctx, id, job, "list refused", ""); err != nil {
		return nil, unavailable(err)
	}
	rs, err := s.Store.ListRefused(ctx, id.Org, job, offset, limit)
	return rs, unavailable(err)
}

// AdmitRefused takes a refused entry into the record after all.
//
// Errors: NotFound REFUSED_NOT_FOUND; Denied ROLE_MISSING; WrongState
// RECORD_LOCKED_FOR_GOOD, ALREADY_ADMITTED.
func (s *Service) AdmitRefused(ctx context.Context, id access.Identity, job string, digest [32]byte, reason string) (int64, error) {
	if err := s.mayWrite(ctx, id, job); err != nil {
		return 0, unavailable(err)
	}
	if !id.Is(access.Lead) {
		return 0, errs.New(errs.Denied, "ROLE_MISSING", "a lead admits what was refused", "roles", "LEAD")
	}
	r, err := s.Store.GetRefused(ctx, id.Org, job, digest)
	if err != nil {
		return 0, unavailable(err)
	}
	if r.AdmittedSeq != 0 {
		return 0, errs.Newf(errs.WrongState, "ALREADY_ADMITTED", "this entry was admitted by line %d", r.AdmittedSeq)
	}
	var seq int64
	err = s.appendServer(ctx, id.Org, job, func(f *record.Job) ([]*recordv1.Entry, error) {
		if f.Locked() {
			return nil, errs.New(errs.WrongState, "RECORD_LOCKED_FOR_GOOD", "the record is locked; what was refused travels with it as it is")
		}
		seq = f.Size() + 1
		return []*recordv1.Entry{{Kind: &recordv1.Entry_RefusedAdmitted{RefusedAdmitted: &recordv1.RefusedAdmitted{Digest: digest[:], Reason: reason, Lead: personName(id.Person), Payload: r.Payload}}}}, nil
	}, func(a *storage.Append) { a.AdmitDigest, a.AdmitSeq = digest, seq })
	return seq, err
}

// ConfirmAcknowledgement confirms what a person said on another's phone: by his
// own code, or on his own device.
//
// Errors: NotFound ENTRY_NOT_FOUND; Denied CODE_WRONG; WrongState NOT_AN_ACKNOWLEDGEMENT.
func (s *Service) ConfirmAcknowledgement(ctx context.Context, id access.Identity, job, entry, person, code string) (int64, error) {
	if err := s.mayWrite(ctx, id, job); err != nil {
		return 0, unavailable(err)
	}
	if person == "" {
		person = id.Person
	}
	how := "own device"
	switch {
	case code != "":
		p, err := s.Person(ctx, id.Org, person)
		if err != nil {
			return 0, err
		}
		if err := s.checkCode(ctx, id.Org, p, code); err != nil {
			return 0, unavailable(err)
		}
		how = "own code"
	case person != id.Person:
		return 0, errs.New(errs.Denied, "CODE_MISSING", "the person's own code is needed on another's phone", "field", "code")
	}
	var seq int64
	err := s.appendServer(ctx, id.Org, job, func(f *record.Job) ([]*recordv1.Entry, error) {
		ln := f.LineOf(entry)
		if ln == nil {
			return nil, errs.New(errs.NotFound, "ENTRY_NOT_FOUND", "there is no such entry in this job", "entry", entry)
		}
		if ln.Entry.GetAcknowledged() == nil || ln.Entry.GetAcknowledged().GetPerson() != personName(person) {
			return nil, errs.New(errs.WrongState, "NOT_AN_ACKNOWLEDGEMENT", "that entry is no acknowledgement by this person", "entry", entry)
		}
		for _, l := range f.Lines() {
			if c := l.Entry.GetAcknowledgementConfirmed(); c.GetEntry() == entry && c.GetPerson() == personName(person) {
				seq = l.Seq // confirmed before
				return nil, nil
			}
		}
		if f.Locked() {
			return nil, errs.New(errs.WrongState, "RECORD_LOCKED_FOR_GOOD", "the record is locked; what was not confirmed before stays so")
		}
		seq = f.Size() + 1
		return []*recordv1.Entry{{Kind: &recordv1.Entry_AcknowledgementConfirmed{AcknowledgementConfirmed: &recordv1.AcknowledgementConfirmed{Entry: entry, Person: personName(person), How: how}}}}, nil
	}, nil)
	return seq, err
}
