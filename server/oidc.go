package server

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/workflow"
)

// Issuer is an identity provider whose bearer tokens are taken.
type Issuer struct {
	URL          string // "https://login.example.com"; its discovery document is read on first use
	Audience     string // the token must be for it
	Organization string // whose people it knows
	// RolesClaim is the claim with the roles, a text or a list of texts; empty:
	// roles are those that the office set. Roles maps the provider's words to
	// ours; a word that is not in it gives nothing.
	RolesClaim string
	Roles      map[string]access.Role
}

// oidcSet verifies bearer tokens of identity providers.
type oidcSet struct {
	svc     *workflow.Service
	issuers map[string]*issuer
}

type issuer struct {
	cfg    Issuer
	people sync.Map // subject to the person that it was tied to

	mu       sync.Mutex
	verifier *oidc.IDTokenVerifier
	tried    time.Time
}

// discoverAgain is how long a provider that did not answer is left alone.
const discoverAgain = 10 * time.Second

// newOIDC checks the configuration; nil without issuers.
func newOIDC(cfg []Issuer, svc *workflow.Service) (*oidcSet, error) {
	if len(cfg) == 0 {
		return nil, nil
	}
	s := &oidcSet{svc: svc, issuers: map[string]*issuer{}}
	for _, i := range cfg {
		switch {
		case i.URL == "" || i.Audience == "" || i.Organization == "":
			return nil, errs.Field("OIDC_HALF_SET", "oidc", "each issuer needs its address, an audience and an organisation")
		case s.issuers[i.URL] != nil:
			return nil, errs.Field("OIDC_ISSUER_TWICE", "oidc", fmt.Sprintf("%.200q stands twice", i.URL))
		case (i.RolesClaim == "") != (len(i.Roles) == 0):
			return nil, errs.Field("OIDC_HALF_SET", "oidc", "a claim for roles needs the words that it may hold, and words need their claim")
		}
		for word, r := range i.Roles {
			if !slices.Contains([]access.Role{access.Climber, access.Lead, access.Auditor, access.Office}, r) {
				return nil, errs.Field("ROLE_UNKNOWN", "oidc", fmt.Sprintf("%.20q, for %.64q, is no role", r, word))
			}
		}
		s.issuers[i.URL] = &issuer{cfg: i}
	}
	return s, nil
}

var errToken = errs.New(errs.NoIdentity, "TOKEN_REFUSED", "the bearer token is not one that is taken here: issuer, audience, signature or time is wrong")

// identify verifies a token and finds its person.
//
// The error is NoIdentity TOKEN_REFUSED; Unavailable ISSUER_UNAVAILABLE; and
// what the workflow says of the person.
func (s *oidcSet) identify(ctx context.Context, token string) (access.Identity, error) {
	// Which issuer is read from the token before it is verified, and only to
	// choose among those configured.
	name, err := peekIssuer(token)
	if err != nil {
		return access.Identity{}, errToken.Because(err)
	}
	i := s.issuers[name]
	if i == nil {
		return access.Identity{}, errToken
	}
	v, err := i.get(ctx)
	if err != nil {
		return access.Identity{}, err
	}
	t, err := v.Verify(ctx, token)
	if err != nil {
		return access.Identity{}, errToken.Because(err)
	}
	if t.Subject == "" {
		return access.Identity{}, errToken
	}
	roles, narrowed, err := i.roles(t)
	if err != nil {
		return access.Identity{}, errToken.Because(err)
	}
	person, _ := i.people.Load(t.Subject)
	known, _ := person.(string)
	id, err := s.svc.IdentityBySubject(ctx, i.cfg.Organization, i.cfg.URL, t.Subject, known, roles, narrowed)
	if err == nil && known != id.Person {
		i.people.Store(t.Subject, id.Person) // one for each person tied: bounded by them
	}
	return id, err
}

// peekIssuer reads a token's issuer without believing it.
func peekIssuer(token string) (string, error) {
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return "", errors.New("not three parts")
	}
	b, err := base64.RawURLEncoding.DecodeString(parts[1])
	if err != nil {
		return "", err
	}
	var claims struct {
		Issuer string `json:"iss"`
	}
	err = json.Unmarshal(b, &claims)
	return claims.Issuer, err
}

// get discovers the provider, once it answers. Its keys are fetched again by the
// library when a token names one that is not known.
func (i *issuer) get(ctx context.Context) (*oidc.IDTokenVerifier, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.verifier != nil {
		return i.verifier, nil
	}
	away := errs.New(errs.Unavailable, "ISSUER_UNAVAILABLE", "the identity provider does not answer; try again")
	if time.Since(i.tried) < discoverAgain {
		return nil, away
	}
	i.tried = time.Now()
	// The provider's keys are read later with this context: it must not end with the call.
	p, err := oidc.NewProvider(context.WithoutCancel(ctx), i.cfg.URL)
	if err != nil {
		return nil, away.Because(err)
	}
	i.verifier = p.Verifier(&oidc.Config{ClientID: i.cfg.Audience})
	return i.verifier, nil
}

// roles maps the claim to roles; narrowed says that the claim decides.
func (i *issuer) roles(t *oidc.IDToken) ([]access.Role, bool, error) {
	if i.cfg.RolesClaim == "" {
		return nil, false, nil
	}
	var claims map[string]json.RawMessage
	if err := t.Claims(&claims); err != nil {
		return nil, true, err
	}
	raw, ok := claims[i.cfg.RolesClaim]
	if !ok {
		return nil, true, nil
	}
	var words []string
	if err := json.Unmarshal(raw, &words); err != nil {
		var one string
		if err := json.Unmarshal(raw, &one); err != nil {
			return nil, true, fmt.Errorf("claim %s: %w", i.cfg.RolesClaim, err)
		}
		words = []string{one}
	}
	var out []access.Role
	for _, w := range words {
		if r, ok := i.cfg.Roles[w]; ok && !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	return out, true, nil
}
