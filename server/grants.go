package server

import (
	"context"

	"witnessmark/internal/access"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// grants implements GrantService.
type grants struct {
	witnessmarkv1.UnimplementedGrantServiceServer
	s *Server
}

func (x grants) CreateGrant(ctx context.Context, r *witnessmarkv1.CreateGrantRequest) (*witnessmarkv1.Grant, error) {
	g, err := readGrant(r.GetGrant())
	if err != nil {
		return nil, err
	}
	if g, err = x.s.svc.CreateGrant(ctx, identityOf(ctx), g); err != nil {
		return nil, err
	}
	return grantView(g), nil
}

func (x grants) ListGrants(ctx context.Context, r *witnessmarkv1.ListGrantsRequest) (*witnessmarkv1.ListGrantsResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	gs, err := x.s.svc.Grants(ctx, id, at.After, size+1)
	if err != nil {
		return nil, err
	}
	gs, more := cut(gs, size)
	out := &witnessmarkv1.ListGrantsResponse{}
	for _, g := range gs {
		out.Grants = append(out.Grants, grantView(g))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: gs[len(gs)-1].ID})
	}
	return out, err
}

func (x grants) RevokeGrant(ctx context.Context, r *witnessmarkv1.RevokeGrantRequest) (*witnessmarkv1.Grant, error) {
	g, err := x.s.svc.RevokeGrant(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return grantView(g), nil
}

func (x grants) CreateShareLink(ctx context.Context, r *witnessmarkv1.CreateShareLinkRequest) (*witnessmarkv1.ShareLink, error) {
	in := r.GetShareLink()
	expire, err := moment("share_link.expire_time", in.GetExpireTime())
	if err != nil {
		return nil, err
	}
	l, secret, err := x.s.svc.CreateShareLink(ctx, identityOf(ctx), access.ShareLink{Job: bare(in.GetJob()), Title: in.GetTitle(), ExpireTime: expire}, in.GetCode())
	if err != nil {
		return nil, err
	}
	out := shareLinkView(l)
	out.Uri = x.s.svc.PublicURL + "/#share=" + secret
	return out, nil
}

func (x grants) ListShareLinks(ctx context.Context, r *witnessmarkv1.ListShareLinksRequest) (*witnessmarkv1.ListShareLinksResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	ls, err := x.s.svc.ShareLinks(ctx, id, bare(r.GetJob()), at.After, size+1)
	if err != nil {
		return nil, err
	}
	ls, more := cut(ls, size)
	out := &witnessmarkv1.ListShareLinksResponse{}
	for _, l := range ls {
		out.ShareLinks = append(out.ShareLinks, shareLinkView(l))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: ls[len(ls)-1].ID})
	}
	return out, err
}

func (x grants) RevokeShareLink(ctx context.Context, r *witnessmarkv1.RevokeShareLinkRequest) (*witnessmarkv1.ShareLink, error) {
	l, err := x.s.svc.RevokeShareLink(ctx, identityOf(ctx), bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return shareLinkView(l), nil
}

func (x grants) OpenShareLink(ctx context.Context, r *witnessmarkv1.OpenShareLinkRequest) (*witnessmarkv1.OpenShareLinkResponse, error) {
	token, job, expire, err := x.s.svc.OpenShareLink(ctx, r.GetSecret(), r.GetCode(), network(callerOf(ctx).address))
	if err != nil {
		return nil, err
	}
	return &witnessmarkv1.OpenShareLinkResponse{Token: token, Job: named("jobs", job), ExpireTime: stamp(expire)}, nil
}

func (x grants) ListCustody(ctx context.Context, r *witnessmarkv1.ListCustodyRequest) (*witnessmarkv1.ListCustodyResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	cs, err := x.s.svc.Custody(ctx, id, bare(r.GetJob()), at.Seq, size+1)
	if err != nil {
		return nil, err
	}
	cs, more := cut(cs, size)
	out := &witnessmarkv1.ListCustodyResponse{}
	for _, c := range cs {
		out.Lines = append(out.Lines, custodyView(c))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{Seq: cs[len(cs)-1].Seq})
	}
	return out, err
}
