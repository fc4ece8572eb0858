package workflow

import (
	"context"
	"slices"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// Subject is how a person's account at an identity provider is kept with him.
func Subject(issuer, subject string) string { return issuer + " " + subject }

// LinkSubject ties a person to an account at an identity provider, whose tokens
// then act for him; an empty issuer unties. One account is one person's.
//
// Errors: NotFound; Exists SUBJECT_TAKEN.
func (s *Service) LinkSubject(ctx context.Context, org, person, issuer, subject string) error {
	p, err := s.Person(ctx, org, person)
	if err != nil {
		return err
	}
	p.Subject = ""
	if issuer != "" {
		p.Subject = Subject(issuer, subject)
		switch other, err := s.PersonBySubject(ctx, org, issuer, subject); {
		case err == nil && other.ID != person:
			return errs.New(errs.Exists, "SUBJECT_TAKEN", "this account is tied to another person already", "person", other.ID)
		case err != nil && errs.KindOf(err) != errs.NotFound:
			return err
		}
	}
	b, err := encode(p)
	if err != nil {
		return err
	}
	_, err = s.Store.UpdateDocument(ctx, org, storage.Document{Kind: storage.KindPerson, ID: p.ID, Body: b, UpdateTime: s.now()}, p.Version)
	return unavailable(err)
}

// PersonBySubject finds the person of an account. It reads every person of the
// organisation, so callers remember what it says.
//
// The error is NotFound SUBJECT_UNKNOWN.
func (s *Service) PersonBySubject(ctx context.Context, org, issuer, subject string) (access.Person, error) {
	want, after := Subject(issuer, subject), ""
	for {
		ds, err := s.Store.ListDocuments(ctx, org, storage.KindPerson, "", after, 500)
		if err != nil {
			return access.Person{}, unavailable(err)
		}
		for _, d := range ds {
			p, err := readPerson(d)
			if err != nil {
				return p, err
			}
			if p.Subject == want {
				return p, nil
			}
			after = d.ID
		}
		if len(ds) < 500 {
			return access.Person{}, errs.New(errs.NotFound, "SUBJECT_UNKNOWN", "no person is tied to this account; the office adds it")
		}
	}
}

// IdentityBySubject is who a verified token of an identity provider stands for.
// person is what PersonBySubject said before, or empty. Where narrowed is set,
// the token's roles decide, and none of them is one that the person does not
// have here: a provider can take a role away but not give one.
//
// The error is NoIdentity SUBJECT_UNKNOWN or PERSON_DISABLED.
func (s *Service) IdentityBySubject(ctx context.Context, org, issuer, subject, person string, roles []access.Role, narrowed bool) (access.Identity, error) {
	if person != "" {
		if p, err := s.Person(ctx, org, person); err != nil || p.Subject != Subject(issuer, subject) {
			person = ""
		}
	}
	if person == "" {
		p, err := s.PersonBySubject(ctx, org, issuer, subject)
		if errs.KindOf(err) == errs.NotFound {
			return access.Identity{}, errs.New(errs.NoIdentity, "SUBJECT_UNKNOWN", "the account is good, but no person here is tied to it; the office adds it")
		}
		if err != nil {
			return access.Identity{}, err
		}
		person = p.ID
	}
	id, err := s.identity(ctx, org, person, "", "oidc."+person)
	if err != nil || !narrowed {
		return id, err
	}
	id.Roles = slices.DeleteFunc(slices.Clone(id.Roles), func(r access.Role) bool { return !slices.Contains(roles, r) })
	// What narrows an auditor is decided by all his roles; with the others taken
	// away by the token he is still narrowed.
	if id.Scope == nil && id.Is(access.Auditor) && !id.Is(access.Lead) && !id.Is(access.Office) && !id.Is(access.Climber) {
		id.Scope = &access.Scope{}
	}
	return id, nil
}
