package workflow

import (
	"context"
	"fmt"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// Authenticate turns a bearer token into who is calling.
//
// The error is NoIdentity SESSION_UNKNOWN, SESSION_ENDED or PERSON_DISABLED.
func (s *Service) Authenticate(ctx context.Context, token string) (access.Identity, error) {
	if len(token) < 16 || len(token) > 256 {
		return access.Identity{}, errs.New(errs.NoIdentity, "SESSION_UNKNOWN", "the credential is not known here; sign in again")
	}
	ses, err := s.Store.SessionByToken(ctx, access.HashToken(token))
	if errs.KindOf(err) == errs.NotFound {
		return access.Identity{}, errs.New(errs.NoIdentity, "SESSION_UNKNOWN", "the credential is not known here; sign in again")
	}
	if err != nil {
		return access.Identity{}, unavailable(err)
	}
	now := s.now()
	if !ses.RevokeTime.IsZero() || (!ses.ExpireTime.IsZero() && !now.Before(ses.ExpireTime)) {
		return access.Identity{}, errs.New(errs.NoIdentity, "SESSION_ENDED", "this session has ended; sign in again. What is on the phone stays there")
	}
	if ses.ShareLink != "" {
		return s.shareIdentity(ctx, ses, now)
	}
	return s.identity(ctx, ses.Org, ses.Person, ses.Device, ses.ID)
}

// identity reads a person's roles and scope.
func (s *Service) identity(ctx context.Context, org, person, device, session string) (access.Identity, error) {
	p, err := s.Person(ctx, org, person)
	if errs.KindOf(err) == errs.NotFound {
		return access.Identity{}, errs.New(errs.NoIdentity, "SESSION_UNKNOWN", "the person of this session is not there any more")
	}
	if err != nil {
		return access.Identity{}, err
	}
	if p.Disabled {
		return access.Identity{}, errs.New(errs.NoIdentity, "PERSON_DISABLED", "this person can no longer sign in")
	}
	id := access.Identity{Org: org, Person: person, Roles: p.Roles, Device: device, Session: session}
	// Only an auditor is narrowed; who also works here sees what his other roles see.
	if p.Is(access.Auditor) && !p.Is(access.Lead) && !p.Is(access.Office) && !p.Is(access.Climber) {
		scope := &access.Scope{}
		after := ""
		now := s.now()
		for {
			ds, err := s.Store.ListDocuments(ctx, org, storage.KindGrant, person, after, 200)
			if err != nil {
				return access.Identity{}, unavailable(err)
			}
			gs, err := mapDocs(ds, readGrant)
			if err != nil {
				return access.Identity{}, err
			}
			for _, g := range gs {
				if g.Live(now) {
					scope.Grants = append(scope.Grants, g)
				}
				after = g.ID
			}
			if len(ds) < 200 {
				break
			}
		}
		id.Scope = scope
	}
	return id, nil
}

func (s *Service) shareIdentity(ctx context.Context, ses storage.Session, now time.Time) (access.Identity, error) {
	d, err := s.Store.GetDocument(ctx, ses.Org, storage.KindShareLink, ses.ShareLink)
	if err != nil {
		return access.Identity{}, unavailable(err)
	}
	l, err := readShareLink(d)
	if err != nil {
		return access.Identity{}, err
	}
	if !l.Live(now) {
		return access.Identity{}, errs.New(errs.NoIdentity, "SESSION_ENDED", "this link has ended")
	}
	return access.Identity{Org: ses.Org, ShareLink: l.ID, Session: ses.ID, Scope: &access.Scope{Job: l.Job}}, nil
}

// codeWindow is how long tries of codes are counted.
const codeWindow = 15 * time.Minute

// checkCode checks a person's own code: five tries in a quarter of an hour.
//
// The error is Denied CODE_NOT_SET, CODE_WRONG or CODE_TRIES.
func (s *Service) checkCode(ctx context.Context, org string, p access.Person, code string) error {
	if len(p.CodeHash) == 0 {
		return errs.New(errs.Denied, "CODE_NOT_SET", "this person has not set an own code yet")
	}
	key := "own-code:" + org + ":" + p.ID
	n, err := s.Store.CountAttempt(ctx, key, codeWindow, s.now())
	if err != nil {
		return err
	}
	if n > CodeTries {
		return errs.New(errs.Denied, "CODE_TRIES", "the code was wrong five times; wait a quarter of an hour", "tries", fmt.Sprint(CodeTries))
	}
	if !access.CheckOwnCode(p.CodeHash, code) {
		return errs.New(errs.Denied, "CODE_WRONG", fmt.Sprintf("the code is wrong; %d tries are left", max(CodeTries-n, 0)), "field", "code", "left", fmt.Sprint(max(CodeTries-n, 0)))
	}
	return s.Store.ClearAttempts(ctx, key)
}

// SetOwnCode sets the caller's own code; the one so far is asked for.
func (s *Service) SetOwnCode(ctx context.Context, id access.Identity, code, current string) error {
	p, err := s.Person(ctx, id.Org, id.Person)
	if err != nil {
		return err
	}
	if len(p.CodeHash) > 0 {
		if err := s.checkCode(ctx, id.Org, p, current); err != nil {
			return unavailable(err)
		}
	}
	if p.CodeHash, err = access.HashOwnCode(code); err != nil {
		return err
	}
	b, err := encode(p)
	if err != nil {
		return err
	}
	_, err = s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindPerson, ID: p.ID, Body: b, UpdateTime: s.now()}, p.Version)
	return unavailable(err)
}

// CreateCode makes a one-time code for a person; a lead makes it for climbers only.
//
// Errors: NotFound; Denied ROLE_MISSING.
func (s *Service) CreateCode(ctx context.Context, id access.Identity, person string) (string, time.Time, error) {
	p, err := s.Person(ctx, id.Org, person)
	if err != nil {
		return "", time.Time{}, err
	}
	if !id.Is(access.Office) && (p.Is(access.Office) || p.Is(access.Auditor) || (p.Is(access.Lead) && person != id.Person)) {
		return "", time.Time{}, errs.New(errs.Denied, "ROLE_MISSING", "a lead enrols climbers; the office enrols the others")
	}
	if p.Disabled {
		return "", time.Time{}, errs.New(errs.WrongState, "PERSON_DISABLED", "this person can no longer sign in")
	}
	return s.codeFor(ctx, id.Org, person, CodeLife)
}

func (s *Service) codeFor(ctx context.Context, org, person string, life time.Duration) (string, time.Time, error) {
	code, err := access.NewCode(s.Random)
	if err != nil {
		return "", time.Time{}, err
	}
	expire := s.now().Add(life)
	err = s.Store.PutCode(ctx, storage.Code{Hash: access.HashCode(code), Org: org, Person: person, ExpireTime: expire})
	return code, expire, unavailable(err)
}

// Enrolled is a new session.
type Enrolled struct {
	Token  string
	Device *access.Device
	Person access.Person
	Org    string
}

// Enroll trades a one-time code for a session; with a public key it registers a
// device. from names the caller's address, for counting tries.
//
// Errors: Denied CODE_NOT_GOOD (unknown, used or expired: the caller cannot tell
// which); Busy CODE_TRIES; Invalid KEY_MALFORMED, KEY_NOT_P256; Exists KEY_EXISTS.
func (s *Service) Enroll(ctx context.Context, code, title string, spki []byte, from string) (*Enrolled, error) {
	now := s.now()
	n, err := s.Store.CountAttempt(ctx, "enrol:"+from, codeWindow, now)
	if err != nil {
		return nil, unavailable(err)
	}
	if n > 20 {
		return nil, errs.New(errs.Busy, "CODE_TRIES", "too many codes were tried from here; wait a quarter of an hour", "retry_after", codeWindow.String())
	}
	keyID := ""
	if len(spki) > 0 {
		pub, err := seal.ParsePublicKey(spki)
		if err != nil {
			return nil, err
		}
		if keyID, err = seal.KeyID(pub); err != nil {
			return nil, err
		}
	}
	bad := errs.New(errs.Denied, "CODE_NOT_GOOD", "the code is not known, was used already or has expired; ask for a new one", "field", "code")
	// What can be refused is refused before the code is used up: the person
	// stands there with the phone and tries again.
	c, err := s.Store.PeekCode(ctx, access.HashCode(code), now)
	if errs.KindOf(err) == errs.NotFound {
		return nil, bad
	}
	if err != nil {
		return nil, unavailable(err)
	}
	p, err := s.Person(ctx, c.Org, c.Person)
	if err != nil {
		return nil, err
	}
	if p.Disabled {
		return nil, bad
	}
	if keyID != "" {
		if _, err := s.Store.KeyByID(ctx, c.Org, keyID); err == nil {
			return nil, errs.New(errs.Exists, "KEY_EXISTS", "this device key is enrolled already; make a new one", "key", keyID)
		} else if errs.KindOf(err) != errs.NotFound {
			return nil, unavailable(err)
		}
	}
	if _, err := s.Store.UseCode(ctx, access.HashCode(code), now); errs.KindOf(err) == errs.NotFound {
		return nil, bad
	} else if err != nil {
		return nil, unavailable(err)
	}
	out := &Enrolled{Person: p, Org: c.Org}
	ses := storage.Session{Org: c.Org, Person: p.ID, CreateTime: now}
	if keyID != "" {
		d := access.Device{Person: p.ID, Title: title, LastSeen: now}
		doc, err := s.create(ctx, c.Org, storage.KindDevice, "", p.ID, "", d)
		if err != nil {
			return nil, err
		}
		if err := s.Store.PutKey(ctx, storage.Key{Org: c.Org, KeyID: keyID, Device: doc.ID, Person: p.ID, SPKI: spki, CreateTime: now}); err != nil {
			return nil, unavailable(err)
		}
		dev, err := readDevice(doc)
		if err != nil {
			return nil, err
		}
		out.Device, ses.Device = &dev, doc.ID
	} else {
		ses.ExpireTime = now.Add(12 * time.Hour) // a desk: signed in for a working day
	}
	var hash [32]byte
	if out.Token, hash, err = access.NewToken(s.Random); err != nil {
		return nil, err
	}
	ses.TokenHash = hash
	if ses.ID, err = s.newName(); err != nil {
		return nil, err
	}
	if err := s.Store.PutSession(ctx, ses); err != nil {
		return nil, unavailable(err)
	}
	// A whole crew enrols behind one address: only wrong tries count.
	return out, unavailable(s.Store.ClearAttempts(ctx, "enrol:"+from))
}

// Seen notes when a device was last heard of and what it holds unsent over all
// jobs, at most once a minute unless the number changed.
func (s *Service) Seen(ctx context.Context, id access.Identity, unsent *int64) (*access.Device, error) {
	if id.Device == "" {
		return nil, nil
	}
	doc, err := s.Store.GetDocument(ctx, id.Org, storage.KindDevice, id.Device)
	if err != nil {
		return nil, unavailable(err)
	}
	d, err := readDevice(doc)
	if err != nil {
		return nil, err
	}
	now := s.now()
	changed := unsent != nil && *unsent != d.Unsent
	if !changed && now.Sub(d.LastSeen) < time.Minute {
		return &d, nil
	}
	d.LastSeen = now
	if unsent != nil {
		d.Unsent = *unsent
	}
	b, err := encode(d)
	if err != nil {
		return nil, err
	}
	_, err = s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindDevice, ID: id.Device, Owner: d.Person, Body: b, UpdateTime: now}, doc.Version)
	if errs.Is(err, "VERSION_MOVED") {
		err = nil // changed meanwhile, perhaps revoked: that stands, and we look again next time
	}
	return &d, unavailable(err)
}

// Devices lists devices, of one person if not empty.
func (s *Service) Devices(ctx context.Context, id access.Identity, person, after string, limit int) ([]access.Device, error) {
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindDevice, person, after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	return mapDocs(ds, readDevice)
}

// DeviceKeys returns a device's keys, newest first.
func (s *Service) DeviceKeys(ctx context.Context, org, device string) ([]storage.Key, error) {
	ks, err := s.Store.KeysOfDevice(ctx, org, device)
	return ks, unavailable(err)
}

// RevokeDevice ends a device: its sessions and keys, at once. What its keys
// signed before stays verifiable; what they sign later is refused and kept aside.
func (s *Service) RevokeDevice(ctx context.Context, id access.Identity, device, reason string) (access.Device, error) {
	doc, err := s.Store.GetDocument(ctx, id.Org, storage.KindDevice, device)
	if err != nil {
		return access.Device{}, unavailable(err)
	}
	d, err := readDevice(doc)
	if err != nil {
		return d, err
	}
	now := s.now()
	if _, err := s.Store.RevokeKeys(ctx, id.Org, device, now); err != nil {
		return d, unavailable(err)
	}
	if _, err := s.Store.RevokeSessions(ctx, id.Org, "", device, "", "", now); err != nil {
		return d, unavailable(err)
	}
	if d.RevokeTime.IsZero() {
		d.RevokeTime, d.RevokeReason = now, reason
	}
	b, err := encode(d)
	if err != nil {
		return d, err
	}
	_, err = s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindDevice, ID: device, Owner: d.Person, Body: b, UpdateTime: now}, 0)
	return d, unavailable(err)
}

// RotateKey registers a new key for the calling device. The old one stays good
// for what it signed.
func (s *Service) RotateKey(ctx context.Context, id access.Identity, spki []byte) error {
	if id.Device == "" {
		return errs.New(errs.WrongState, "NO_DEVICE", "this session has no device; enrol one with a key")
	}
	pub, err := seal.ParsePublicKey(spki)
	if err != nil {
		return err
	}
	keyID, err := seal.KeyID(pub)
	if err != nil {
		return err
	}
	return unavailable(s.Store.PutKey(ctx, storage.Key{Org: id.Org, KeyID: keyID, Device: id.Device, Person: id.Person, SPKI: spki, CreateTime: s.now()}))
}

// SignOut ends the calling session.
func (s *Service) SignOut(ctx context.Context, id access.Identity) error {
	_, err := s.Store.RevokeSessions(ctx, id.Org, id.Session, "", "", "", s.now())
	return unavailable(err)
}

// Bootstrap makes the first organisation and its first person of the office on
// an empty store and returns a one-time code for it. On a store that has an
// organisation it does nothing and returns "".
func (s *Service) Bootstrap(ctx context.Context, org, title string) (string, error) {
	orgs, err := s.Store.ListOrganizations(ctx)
	if err != nil {
		return "", unavailable(err)
	}
	if len(orgs) > 0 {
		return "", nil
	}
	if err := s.CreateOrganization(ctx, org, title); err != nil {
		return "", err
	}
	_, err = s.CreatePerson(ctx, access.Identity{Org: org}, access.Person{ID: "office", Title: "Office", Roles: []access.Role{access.Office}}, "")
	if err != nil {
		return "", err
	}
	code, _, err := s.codeFor(ctx, org, "office", 24*time.Hour)
	return code, err
}

// CreateOrganization adds a tenant. Its id also stands in blob keys: lower case.
func (s *Service) CreateOrganization(ctx context.Context, org, title string) error {
	if !orgID.MatchString(org) {
		return errs.Field("ORGANIZATION_INVALID", "organization", fmt.Sprintf("%.64q does not match [a-z0-9][a-z0-9-]{1,62}", org))
	}
	if err := blob.EvidenceKey(org, "photo", "none").Check(); err != nil { // names that blob keys keep for themselves
		return errs.Field("ORGANIZATION_INVALID", "organization", fmt.Sprintf("%.64q has a meaning of its own among the stored files; take another", org)).Because(err)
	}
	return unavailable(s.Store.CreateOrganization(ctx, storage.Organization{ID: org, Title: title, CreateTime: s.now()}))
}

// SignInCode makes a code without a caller: for set-up and for the demo.
func (s *Service) SignInCode(ctx context.Context, org, person string, life time.Duration) (string, error) {
	code, _, err := s.codeFor(ctx, org, person, life)
	return code, err
}
