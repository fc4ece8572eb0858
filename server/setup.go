package server

import (
	"bytes"
	"context"
	"errors"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// setup implements SetupService.
type setup struct {
	witnessmarkv1.UnimplementedSetupServiceServer
	s *Server
}

func (x setup) CreateSite(ctx context.Context, r *witnessmarkv1.CreateSiteRequest) (*witnessmarkv1.Site, error) {
	v, err := readSite(r.GetSite())
	if err != nil {
		return nil, err
	}
	if v.ID, err = ownName("site.name", "sites", r.GetSite().GetName()); err != nil {
		return nil, err
	}
	if v, err = x.s.svc.CreateSite(ctx, identityOf(ctx), v, r.GetRequestId()); err != nil {
		return nil, err
	}
	return siteView(v), nil
}

func (x setup) GetSite(ctx context.Context, r *witnessmarkv1.GetSiteRequest) (*witnessmarkv1.Site, error) {
	v, err := x.s.svc.Site(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return siteView(v), nil
}

func (x setup) ListSites(ctx context.Context, r *witnessmarkv1.ListSitesRequest) (*witnessmarkv1.ListSitesResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	vs, err := x.s.svc.Sites(ctx, id, at.After, size+1)
	if err != nil {
		return nil, err
	}
	vs, more := cut(vs, size)
	out := &witnessmarkv1.ListSitesResponse{}
	for _, v := range vs {
		out.Sites = append(out.Sites, siteView(v))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: vs[len(vs)-1].ID})
	}
	return out, err
}

func (x setup) UpdateSite(ctx context.Context, r *witnessmarkv1.UpdateSiteRequest) (*witnessmarkv1.Site, error) {
	v, err := readSite(r.GetSite())
	if err != nil {
		return nil, err
	}
	if v.ID, err = theirName("site.name", "sites", r.GetSite().GetName()); err != nil {
		return nil, err
	}
	if v, err = x.s.svc.UpdateSite(ctx, identityOf(ctx), v); err != nil {
		return nil, err
	}
	return siteView(v), nil
}

func (x setup) CreateInstrument(ctx context.Context, r *witnessmarkv1.CreateInstrumentRequest) (*witnessmarkv1.Instrument, error) {
	v, err := readInstrument(r.GetInstrument())
	if err != nil {
		return nil, err
	}
	if v.ID, err = ownName("instrument.name", "instruments", r.GetInstrument().GetName()); err != nil {
		return nil, err
	}
	if v, err = x.s.svc.CreateInstrument(ctx, identityOf(ctx), v, r.GetRequestId()); err != nil {
		return nil, err
	}
	return instrumentView(v), nil
}

func (x setup) GetInstrument(ctx context.Context, r *witnessmarkv1.GetInstrumentRequest) (*witnessmarkv1.Instrument, error) {
	v, err := x.s.svc.Instrument(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return instrumentView(v), nil
}

func (x setup) ListInstruments(ctx context.Context, r *witnessmarkv1.ListInstrumentsRequest) (*witnessmarkv1.ListInstrumentsResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	vs, err := x.s.svc.Instruments(ctx, id, at.After, size+1)
	if err != nil {
		return nil, err
	}
	vs, more := cut(vs, size)
	out := &witnessmarkv1.ListInstrumentsResponse{}
	for _, v := range vs {
		out.Instruments = append(out.Instruments, instrumentView(v))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: vs[len(vs)-1].ID})
	}
	return out, err
}

func (x setup) UpdateInstrument(ctx context.Context, r *witnessmarkv1.UpdateInstrumentRequest) (*witnessmarkv1.Instrument, error) {
	v, err := readInstrument(r.GetInstrument())
	if err != nil {
		return nil, err
	}
	if v.ID, err = theirName("instrument.name", "instruments", r.GetInstrument().GetName()); err != nil {
		return nil, err
	}
	if v, err = x.s.svc.UpdateInstrument(ctx, identityOf(ctx), v); err != nil {
		return nil, err
	}
	return instrumentView(v), nil
}

func (x setup) PublishProcedure(ctx context.Context, r *witnessmarkv1.PublishProcedureRequest) (*witnessmarkv1.ProcedureRevision, error) {
	id := identityOf(ctx)
	p, err := x.s.svc.PublishProcedure(ctx, id, r.GetDocument())
	if err != nil {
		return nil, err
	}
	return x.revision(ctx, id, p.ID, p.Digest)
}

func (x setup) revision(ctx context.Context, id access.Identity, name string, digest [32]byte) (*witnessmarkv1.ProcedureRevision, error) {
	p, c, err := x.s.svc.Procedure(ctx, id, name, digest)
	if err != nil {
		return nil, err
	}
	return revisionView(p, c.Proc), nil
}

func (x setup) CheckProcedure(ctx context.Context, r *witnessmarkv1.CheckProcedureRequest) (*witnessmarkv1.CheckProcedureResponse, error) {
	out := &witnessmarkv1.CheckProcedureResponse{}
	id := identityOf(ctx)
	doc, err := procedure.Include(r.GetDocument(), func(name string) ([]byte, error) {
		p, _, err := x.s.svc.Procedure(ctx, id, name, [32]byte{})
		return p.Document, err
	})
	var c *procedure.Compiled
	if err == nil {
		c, err = procedure.Compile(doc)
	}
	var ps procedure.Problems
	switch {
	case errors.As(err, &ps):
		for _, p := range ps {
			out.Problems = append(out.Problems, &witnessmarkv1.CheckProcedureResponse_Problem{Line: int32(p.Line), Column: int32(p.Column), Path: text(p.Path), Message: text(p.Message)})
		}
		return out, nil
	case errs.KindOf(err) == errs.NotFound: // an include that is not published
		out.Problems = append(out.Problems, &witnessmarkv1.CheckProcedureResponse_Problem{Path: "include", Message: text(err.Error())})
		return out, nil
	case err != nil:
		return nil, err
	}
	out.Content = c.Proc
	if r.GetPlan() != nil {
		exp, err := c.Expand(r.GetPlan(), nil)
		if err != nil {
			return nil, err
		}
		for _, s := range exp.Steps {
			out.Steps = append(out.Steps, s.ID)
		}
		for _, m := range exp.MissingForLimits() {
			out.Problems = append(out.Problems, &witnessmarkv1.CheckProcedureResponse_Problem{Path: "plan", Message: m})
		}
	}
	return out, nil
}

func (x setup) GetProcedureRevision(ctx context.Context, r *witnessmarkv1.GetProcedureRevisionRequest) (*witnessmarkv1.ProcedureRevision, error) {
	name, digest, err := readRevision("name", r.GetName())
	if err != nil {
		return nil, err
	}
	return x.revision(ctx, identityOf(ctx), name, digest)
}

func (x setup) ListProcedureRevisions(ctx context.Context, r *witnessmarkv1.ListProcedureRevisionsRequest) (*witnessmarkv1.ListProcedureRevisionsResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	ps, err := x.s.svc.Procedures(ctx, id, r.GetProcedure(), at.Skip, size+1)
	if err != nil {
		return nil, err
	}
	ps, more := cut(ps, size)
	out := &witnessmarkv1.ListProcedureRevisionsResponse{}
	for _, p := range ps {
		out.Revisions = append(out.Revisions, revisionView(p, nil))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{Skip: at.Skip + size})
	}
	return out, err
}

func (x setup) ReadPlan(_ context.Context, r *witnessmarkv1.ReadPlanRequest) (*witnessmarkv1.ReadPlanResponse, error) {
	plan, rows := procedure.ParsePlanCSV(bytes.NewReader(r.GetCsv()))
	out := &witnessmarkv1.ReadPlanResponse{Plan: plan}
	for _, e := range rows[:min(len(rows), 1000)] {
		out.Errors = append(out.Errors, &witnessmarkv1.ReadPlanResponse_RowError{Row: int32(e.Row), Column: text(e.Column), Message: text(e.Message)})
	}
	return out, nil
}

func (x setup) UpdateSettings(ctx context.Context, r *witnessmarkv1.UpdateSettingsRequest) (*witnessmarkv1.OrganizationSettings, error) {
	id := identityOf(ctx)
	if err := x.s.svc.UpdateSettings(ctx, id, readSettings(r.GetSettings())); err != nil {
		return nil, err
	}
	_, set, err := x.s.svc.Organization(ctx, id.Org)
	return settingsView(set), err
}
