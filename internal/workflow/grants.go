package workflow

import (
	"context"
	"crypto/subtle"
	"fmt"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/storage"
)

// CreateGrant lets an auditor in, within a scope that ends.
//
// Errors: NotFound for the person; Invalid GRANT_EXPIRY, DAY_INVALID; WrongState NOT_AN_AUDITOR.
func (s *Service) CreateGrant(ctx context.Context, id access.Identity, g access.Grant) (access.Grant, error) {
	p, err := s.Person(ctx, id.Org, g.Person)
	if err != nil {
		return g, err
	}
	if !p.Is(access.Auditor) {
		return g, errs.New(errs.WrongState, "NOT_AN_AUDITOR", "a grant is for a person with the role auditor", "field", "grant.person")
	}
	now := s.now()
	if !g.ExpireTime.After(now) || g.ExpireTime.After(now.AddDate(10, 0, 0)) {
		return g, errs.Field("GRANT_EXPIRY", "grant.expire_time", "is needed: after now, within ten years")
	}
	for f, d := range map[string]string{"grant.from_day": g.FromDay, "grant.to_day": g.ToDay} {
		if err := checkDay(f, d); err != nil {
			return g, err
		}
	}
	for i, x := range g.Sites {
		if err := checkName(fmt.Sprintf("grant.sites[%d]", i), x); err != nil {
			return g, err
		}
	}
	for i, x := range g.Jobs {
		if err := checkName(fmt.Sprintf("grant.jobs[%d]", i), x); err != nil {
			return g, err
		}
	}
	d, err := s.create(ctx, id.Org, storage.KindGrant, "", g.Person, "", g)
	if err != nil {
		return g, err
	}
	return readGrant(d)
}

// Grants lists grants: an auditor sees his own.
func (s *Service) Grants(ctx context.Context, id access.Identity, after string, limit int) ([]access.Grant, error) {
	owner := ""
	if !id.Is(access.Office) {
		owner = id.Person
	}
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindGrant, owner, after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	return mapDocs(ds, readGrant)
}

// RevokeGrant ends a grant at once.
func (s *Service) RevokeGrant(ctx context.Context, id access.Identity, grant string) (access.Grant, error) {
	d, err := s.Store.GetDocument(ctx, id.Org, storage.KindGrant, grant)
	if err != nil {
		return access.Grant{}, unavailable(err)
	}
	g, err := readGrant(d)
	if err != nil {
		return g, err
	}
	if g.RevokeTime.IsZero() {
		g.RevokeTime = s.now()
	}
	b, err := encode(g)
	if err != nil {
		return g, err
	}
	_, err = s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindGrant, ID: grant, Owner: g.Person, Body: b, UpdateTime: s.now()}, 0)
	return g, unavailable(err)
}

// CreateShareLink makes a read-only link to one job. The secret is returned once.
func (s *Service) CreateShareLink(ctx context.Context, id access.Identity, l access.ShareLink, code string) (access.ShareLink, string, error) {
	if _, err := s.Store.GetJob(ctx, id.Org, l.Job); err != nil {
		return l, "", unavailable(err)
	}
	now := s.now()
	if l.ExpireTime.IsZero() {
		l.ExpireTime = now.Add(ShareLinkLife)
	}
	if !l.ExpireTime.After(now) || l.ExpireTime.After(now.AddDate(1, 0, 0)) {
		return l, "", errs.Field("LINK_EXPIRY", "share_link.expire_time", "is after now and within a year")
	}
	secret, hash, err := access.NewToken(s.Random)
	if err != nil {
		return l, "", err
	}
	l.SecretHash, l.CreatedBy = hash[:], id.Person
	if code != "" {
		if l.CodeHash, err = access.HashOwnCode(code); err != nil {
			return l, "", err
		}
	}
	d, err := s.create(ctx, id.Org, storage.KindShareLink, "", l.Job, "", l)
	if err != nil {
		return l, "", err
	}
	out, err := readShareLink(d)
	return out, id.Org + "." + out.ID + "." + secret, err
}

// ShareLinks lists links, of one job if not empty.
func (s *Service) ShareLinks(ctx context.Context, id access.Identity, job, after string, limit int) ([]access.ShareLink, error) {
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindShareLink, job, after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	return mapDocs(ds, readShareLink)
}

// RevokeShareLink ends a link at once, with the sessions that it opened.
func (s *Service) RevokeShareLink(ctx context.Context, id access.Identity, link string) (access.ShareLink, error) {
	d, err := s.Store.GetDocument(ctx, id.Org, storage.KindShareLink, link)
	if err != nil {
		return access.ShareLink{}, unavailable(err)
	}
	l, err := readShareLink(d)
	if err != nil {
		return l, err
	}
	now := s.now()
	if l.RevokeTime.IsZero() {
		l.RevokeTime = now
	}
	b, err := encode(l)
	if err != nil {
		return l, err
	}
	if _, err := s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindShareLink, ID: link, Owner: l.Job, Body: b, UpdateTime: now}, 0); err != nil {
		return l, unavailable(err)
	}
	_, err = s.Store.RevokeSessions(ctx, id.Org, "", "", "", link, now)
	return l, unavailable(err)
}

// OpenShareLink trades a link's secret, and its code where it has one, for a
// session of an hour that can read its job. from is counted like a code's tries.
//
// The error is Denied LINK_NOT_GOOD or CODE_WRONG; Busy CODE_TRIES.
func (s *Service) OpenShareLink(ctx context.Context, secret, code, from string) (token, job string, expire time.Time, err error) {
	bad := errs.New(errs.Denied, "LINK_NOT_GOOD", "this link is not known or has ended; ask for a new one")
	now := s.now()
	n, err := s.Store.CountAttempt(ctx, "share:"+from, codeWindow, now)
	if err != nil {
		return "", "", expire, unavailable(err)
	}
	if n > 60 {
		return "", "", expire, errs.New(errs.Busy, "CODE_TRIES", "too many links were tried from here; wait a quarter of an hour", "retry_after", codeWindow.String())
	}
	org, link, key, ok := cutLink(secret)
	if !ok {
		return "", "", expire, bad
	}
	d, err := s.Store.GetDocument(ctx, org, storage.KindShareLink, link)
	if errs.KindOf(err) == errs.NotFound {
		return "", "", expire, bad
	}
	if err != nil {
		return "", "", expire, unavailable(err)
	}
	l, err := readShareLink(d)
	if err != nil {
		return "", "", expire, err
	}
	h := access.HashToken(key)
	if subtle.ConstantTimeCompare(h[:], l.SecretHash) != 1 || !l.Live(now) {
		return "", "", expire, bad
	}
	if len(l.CodeHash) > 0 {
		k := "link-code:" + org + ":" + link
		n, err := s.Store.CountAttempt(ctx, k, codeWindow, now)
		if err != nil {
			return "", "", expire, unavailable(err)
		}
		if n > CodeTries {
			return "", "", expire, errs.New(errs.Busy, "CODE_TRIES", "the code was wrong five times; wait a quarter of an hour", "retry_after", codeWindow.String())
		}
		if !access.CheckOwnCode(l.CodeHash, code) {
			return "", "", expire, errs.New(errs.Denied, "CODE_WRONG", "this link asks for a code, and it is wrong or missing", "field", "code")
		}
		if err := s.Store.ClearAttempts(ctx, k); err != nil {
			return "", "", expire, unavailable(err)
		}
	}
	token, hash, err := access.NewToken(s.Random)
	if err != nil {
		return "", "", expire, err
	}
	ses := storage.Session{TokenHash: hash, Org: org, ShareLink: link, CreateTime: now, ExpireTime: now.Add(time.Hour)}
	if l.ExpireTime.Before(ses.ExpireTime) {
		ses.ExpireTime = l.ExpireTime
	}
	if ses.ID, err = s.newName(); err != nil {
		return "", "", expire, err
	}
	if err := s.Store.PutSession(ctx, ses); err != nil {
		return "", "", expire, unavailable(err)
	}
	if err := s.Store.ClearAttempts(ctx, "share:"+from); err != nil { // only wrong tries count
		return "", "", expire, unavailable(err)
	}
	err = s.Store.AddCustody(ctx, org, storage.CustodyLine{Time: now, Who: "shareLinks/" + link, Action: "open link", Job: l.Job})
	return token, l.Job, ses.ExpireTime, unavailable(err)
}

func cutLink(secret string) (org, link, key string, ok bool) {
	var parts [3]string
	n := 0
	for i := 0; i < len(secret); i++ {
		if secret[i] == '.' && n < 2 {
			n++
			continue
		}
		parts[n] += secret[i : i+1]
	}
	return parts[0], parts[1], parts[2], n == 2 && orgID.MatchString(parts[0]) && resourceID.MatchString(parts[1]) && len(parts[2]) >= 22
}

// Custody lists who read what: an auditor sees his own reads.
func (s *Service) Custody(ctx context.Context, id access.Identity, job string, before int64, limit int) ([]storage.CustodyLine, error) {
	who := ""
	if !id.Is(access.Office) {
		who = id.Who()
	}
	cs, err := s.Store.ListCustody(ctx, id.Org, who, job, before, limit)
	return cs, unavailable(err)
}
