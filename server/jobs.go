package server

import (
	"context"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/workflow"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/storage"
)

// jobs implements JobService.
type jobs struct {
	witnessmarkv1.UnimplementedJobServiceServer
	s *Server
}

func (x jobs) CreateJob(ctx context.Context, r *witnessmarkv1.CreateJobRequest) (*witnessmarkv1.Job, error) {
	name, digest, err := readRevision("procedure_revision", r.GetProcedureRevision())
	if err != nil {
		return nil, err
	}
	j, err := x.s.svc.CreateJob(ctx, identityOf(ctx), workflow.NewJob{ID: r.GetJobId(), Title: r.GetTitle(), Site: bare(r.GetSite()), Procedure: name, Digest: digest,
		Plan: r.GetPlan(), People: bares(r.GetPeople()), Day: r.GetDay(), Follows: bare(r.GetFollows())}, r.GetRequestId())
	if err != nil {
		return nil, err
	}
	return jobView(j), nil
}

func (x jobs) GetJob(ctx context.Context, r *witnessmarkv1.GetJobRequest) (*witnessmarkv1.Job, error) {
	j, err := x.s.svc.Job(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return jobView(j), nil
}

func (x jobs) ListJobs(ctx context.Context, r *witnessmarkv1.ListJobsRequest) (*witnessmarkv1.ListJobsResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	f := storage.JobFilter{Day: r.GetDay(), Site: bare(r.GetSite())}
	if r.GetMine() {
		f.Person = id.Person
	}
	if f.State, err = readJobState(r.GetState()); err != nil {
		return nil, err
	}
	var before time.Time
	if at.After != "" {
		before = time.UnixMilli(at.Time).UTC()
	}
	js, err := x.s.svc.Jobs(ctx, id, f, before, at.After, size+1)
	if err != nil {
		return nil, err
	}
	js, more := cut(js, size)
	out := &witnessmarkv1.ListJobsResponse{}
	for _, j := range js {
		out.Jobs = append(out.Jobs, jobView(j))
	}
	if more {
		last := js[len(js)-1]
		out.NextPageToken, err = pageToken(id.Org, r, place{After: last.ID, Time: last.CreateTime.UnixMilli()})
	}
	return out, err
}

func (x jobs) AssignJob(ctx context.Context, r *witnessmarkv1.AssignJobRequest) (*witnessmarkv1.Job, error) {
	j, err := x.s.svc.AssignJob(ctx, identityOf(ctx), bare(r.GetName()), bares(r.GetPeople()), r.GetDay())
	if err != nil {
		return nil, err
	}
	return jobView(j), nil
}

func (x jobs) SubmitEntries(ctx context.Context, r *witnessmarkv1.SubmitEntriesRequest) (*witnessmarkv1.SubmitEntriesResponse, error) {
	subs := make([]workflow.Submission, len(r.GetEntries()))
	for i, e := range r.GetEntries() {
		subs[i] = readSubmission(e)
	}
	results, head, err := x.s.svc.Submit(ctx, identityOf(ctx), bare(r.GetJob()), subs, r.UnsentCount)
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.SubmitEntriesResponse{Head: headView(head), ServerTime: stamp(x.s.svc.Now())}
	for _, res := range results {
		out.Results = append(out.Results, resultView(res))
	}
	return out, nil
}

func (x jobs) GetDeviceChain(ctx context.Context, r *witnessmarkv1.GetDeviceChainRequest) (*witnessmarkv1.DeviceChain, error) {
	n, d, err := x.s.svc.DeviceChain(ctx, identityOf(ctx), bare(r.GetJob()))
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.DeviceChain{Counter: n}
	if n > 0 {
		out.PayloadDigest = d[:]
	}
	return out, nil
}

func (x jobs) ListLines(ctx context.Context, r *witnessmarkv1.ListLinesRequest) (*witnessmarkv1.ListLinesResponse, error) {
	size := int(r.GetPageSize())
	if size == 0 {
		size = standardPage
	}
	lines, more, head, err := x.s.svc.Lines(ctx, identityOf(ctx), bare(r.GetJob()), r.GetAddenda(), r.GetAfter(), size)
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.ListLinesResponse{Lines: linesView(lines), More: more, Head: headView(head)}, nil
}

func (x jobs) GetJobView(ctx context.Context, r *witnessmarkv1.GetJobViewRequest) (*witnessmarkv1.JobView, error) {
	v, err := x.s.svc.View(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return jobViewOf(v, r.GetOmitProcedure()), nil
}

// stepsPage is the page of ListSteps that asks for none.
const stepsPage = 500

func (x jobs) ListSteps(ctx context.Context, r *witnessmarkv1.ListStepsRequest) (*witnessmarkv1.ListStepsResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, stepsPage)
	if err != nil {
		return nil, err
	}
	v, err := x.s.svc.View(ctx, id, bare(r.GetJob()))
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.ListStepsResponse{Size: v.Head.Size}
	steps := v.State.Steps
	from := min(at.Skip, len(steps))
	to := min(from+size, len(steps))
	for _, st := range steps[from:to] {
		out.Steps = append(out.Steps, stepView(st, v.Requires(st.Step, ""), r.GetWithEntries()))
	}
	if to < len(steps) {
		out.NextPageToken, err = pageToken(id.Org, r, place{Skip: to})
	}
	return out, err
}

// watchPage bounds the lines of one message of a watch.
const watchPage = 200

// WatchJob sends lines as they come. It asks the store too, for lines that other
// servers wrote. It ends cleanly after a while. For a caller whose session has
// ended it ends before the next line is told, and with the next heartbeat at the latest.
func (x jobs) WatchJob(r *witnessmarkv1.WatchJobRequest, stream witnessmarkv1.JobService_WatchJobServer) error {
	ctx := stream.Context()
	c := callerOf(ctx)
	id, job, after := c.id, bare(r.GetJob()), r.GetAfter()
	poll, beat, life := time.NewTicker(x.s.cfg.Poll), time.NewTicker(x.s.cfg.Heartbeat), time.NewTimer(x.s.cfg.WatchLife)
	defer poll.Stop()
	defer beat.Stop()
	defer life.Stop()
	for first := true; ; first = false {
		news := x.s.svc.News(id.Org, job) // before reading, so that nothing falls between
		if first {
			lines, more, head, err := x.s.svc.Lines(ctx, id, job, false, after, watchPage)
			for ; err == nil; lines, more, head, err = x.s.svc.Lines(ctx, id, job, false, after, watchPage) {
				if len(lines) > 0 {
					after = lines[len(lines)-1].Seq
				}
				if err := x.tell(stream, lines, head); err != nil {
					return err
				}
				if !more || len(lines) == 0 {
					break
				}
			}
			if err != nil {
				return err
			}
		} else {
			row, err := x.s.svc.Store.GetJob(ctx, id.Org, job)
			if err != nil {
				return err
			}
			if after < row.LineCount { // nothing more for whom was shut out meanwhile
				if err := x.still(ctx, c, row); err != nil {
					return err
				}
			}
			for after < row.LineCount {
				lines, _, head, err := x.s.svc.Lines(ctx, id, job, false, after, watchPage)
				if err != nil {
					return err
				}
				if len(lines) == 0 {
					break
				}
				after = lines[len(lines)-1].Seq
				if err := x.tell(stream, lines, head); err != nil {
					return err
				}
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-x.s.stopped:
			return stopping()
		case <-life.C:
			return nil
		case <-news:
		case <-poll.C:
		case <-beat.C:
			row, err := x.s.svc.Store.GetJob(ctx, id.Org, job)
			if err != nil {
				return err
			}
			if err := x.still(ctx, c, row); err != nil {
				return err
			}
			if row.LineCount == after { // else the lines come first
				if err := x.tell(stream, nil, workflow.Head{Size: row.LineCount, Root: row.Root}); err != nil {
					return err
				}
			}
		}
	}
}

// still says whether who watches a job may go on: session, roles and scope as
// they are now.
func (x jobs) still(ctx context.Context, c *caller, row storage.Job) error {
	now, err := x.s.identify(ctx, c.token)
	if err != nil {
		return err
	}
	if err := x.s.policy.check(witnessmarkv1.JobService_WatchJob_FullMethodName, now); err != nil {
		return err
	}
	if !now.Scope.Covers(row.Site, row.ID, row.CreateTime) {
		return errs.New(errs.NotFound, "JOB_NOT_FOUND", "this job is not within what you may read any more")
	}
	return nil
}

func (x jobs) tell(stream witnessmarkv1.JobService_WatchJobServer, lines []storage.Line, head workflow.Head) error {
	return stream.Send(&witnessmarkv1.WatchJobResponse{Lines: linesView(lines), Head: headView(head), ServerTime: stamp(x.s.svc.Now())})
}

func (x jobs) SignOff(ctx context.Context, r *witnessmarkv1.SignOffRequest) (*witnessmarkv1.SignOffResponse, error) {
	l, err := x.s.svc.SignOff(ctx, identityOf(ctx), bare(r.GetJob()), readSubmission(r.GetEntry()), r.GetCode())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.SignOffResponse{Job: jobView(l.Job), Head: headView(l.Head), LogIndex: l.LogIndex, Checkpoint: string(l.Checkpoint)}, nil
}

func (x jobs) EndJob(ctx context.Context, r *witnessmarkv1.EndJobRequest) (*witnessmarkv1.EndJobResponse, error) {
	l, err := x.s.svc.EndJob(ctx, identityOf(ctx), bare(r.GetJob()), readSubmission(r.GetEntry()), r.GetCode())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.EndJobResponse{Job: jobView(l.Job), Head: headView(l.Head), LogIndex: l.LogIndex, Checkpoint: string(l.Checkpoint)}, nil
}

// refusedBytes bounds a page of refused entries, whose payloads may be large:
// what is kept aside of one device is at most 2 MiB, so a page stays under a message.
const refusedBytes = 2 << 20

func (x jobs) ListRefused(ctx context.Context, r *witnessmarkv1.ListRefusedRequest) (*witnessmarkv1.ListRefusedResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	rs, err := x.s.svc.Refused(ctx, id, bare(r.GetJob()), at.Skip, size+1)
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.ListRefusedResponse{}
	bytes := 0
	for i, e := range rs {
		if bytes += len(e.Payload); i == size || i > 0 && bytes > refusedBytes {
			out.NextPageToken, err = pageToken(id.Org, r, place{Skip: at.Skip + i})
			return out, err
		}
		out.Refused = append(out.Refused, refusedView(e))
	}
	return out, nil
}

func (x jobs) AdmitRefused(ctx context.Context, r *witnessmarkv1.AdmitRefusedRequest) (*witnessmarkv1.AdmitRefusedResponse, error) {
	d, err := hexDigest("digest", r.GetDigest())
	if err != nil {
		return nil, err
	}
	seq, err := x.s.svc.AdmitRefused(ctx, identityOf(ctx), bare(r.GetJob()), d, r.GetReason())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.AdmitRefusedResponse{Seq: seq}, nil
}

func (x jobs) ConfirmAcknowledgement(ctx context.Context, r *witnessmarkv1.ConfirmAcknowledgementRequest) (*witnessmarkv1.ConfirmAcknowledgementResponse, error) {
	seq, err := x.s.svc.ConfirmAcknowledgement(ctx, identityOf(ctx), bare(r.GetJob()), r.GetEntry(), bare(r.GetPerson()), r.GetCode())
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.ConfirmAcknowledgementResponse{Seq: seq}, nil
}
