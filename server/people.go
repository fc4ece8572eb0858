package server

import (
	"context"

	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// standardPage is the page of a list that asks for none.
const standardPage = 100

// people implements PeopleService.
type people struct {
	witnessmarkv1.UnimplementedPeopleServiceServer
	s *Server
}

func (x people) CreatePerson(ctx context.Context, r *witnessmarkv1.CreatePersonRequest) (*witnessmarkv1.Person, error) {
	p, err := readPerson(r.GetPerson())
	if err != nil {
		return nil, err
	}
	if p.ID, err = ownName("person.name", "people", r.GetPerson().GetName()); err != nil {
		return nil, err
	}
	if p, err = x.s.svc.CreatePerson(ctx, identityOf(ctx), p, r.GetRequestId()); err != nil {
		return nil, err
	}
	return personView(p), nil
}

func (x people) GetPerson(ctx context.Context, r *witnessmarkv1.GetPersonRequest) (*witnessmarkv1.Person, error) {
	p, err := x.s.svc.Person(ctx, identityOf(ctx).Org, bare(r.GetName()))
	if err != nil {
		return nil, err
	}
	return personView(p), nil
}

func (x people) ListPeople(ctx context.Context, r *witnessmarkv1.ListPeopleRequest) (*witnessmarkv1.ListPeopleResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	ps, err := x.s.svc.People(ctx, id, at.After, size+1)
	if err != nil {
		return nil, err
	}
	ps, more := cut(ps, size)
	out := &witnessmarkv1.ListPeopleResponse{}
	for _, p := range ps {
		out.People = append(out.People, personView(p))
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: ps[len(ps)-1].ID})
	}
	return out, err
}

func (x people) UpdatePerson(ctx context.Context, r *witnessmarkv1.UpdatePersonRequest) (*witnessmarkv1.Person, error) {
	p, err := readPerson(r.GetPerson())
	if err != nil {
		return nil, err
	}
	if p.ID, err = theirName("person.name", "people", r.GetPerson().GetName()); err != nil {
		return nil, err
	}
	if p, err = x.s.svc.UpdatePerson(ctx, identityOf(ctx), p); err != nil {
		return nil, err
	}
	return personView(p), nil
}

func (x people) SetOwnCode(ctx context.Context, r *witnessmarkv1.SetOwnCodeRequest) (*witnessmarkv1.SetOwnCodeResponse, error) {
	if err := x.s.svc.SetOwnCode(ctx, identityOf(ctx), r.GetCode(), r.GetCurrentCode()); err != nil {
		return nil, err
	}
	return &witnessmarkv1.SetOwnCodeResponse{}, nil
}
