package server

import (
	"context"
	"net/http"
	"strings"

	"google.golang.org/grpc/metadata"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
)

// sessionCookie holds the session's token in a browser.
const sessionCookie = "witnessmark_session"

// caller is what the front and the interceptors know of a request. It is put
// into the context under a private key, so that no header can stand in for it.
type caller struct {
	requestID string
	address   string // of the client; of a trusted proxy's client where there is one
	secure    bool   // came by TLS, here or at a trusted proxy
	id        access.Identity
	known     bool // id was authenticated
	token     string
}

// who names the caller in the log; "" before he is known.
func (c *caller) who() string {
	if !c.known {
		return ""
	}
	return c.id.Who()
}

type callerKey struct{}

// callerOf returns what is known of the request; never nil.
func callerOf(ctx context.Context) *caller {
	if c, ok := ctx.Value(callerKey{}).(*caller); ok {
		return c
	}
	return &caller{}
}

func withCaller(ctx context.Context, c *caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// identityOf is who is calling. The interceptors let nothing through that needs
// an identity and has none.
func identityOf(ctx context.Context) access.Identity { return callerOf(ctx).id }

// credential finds the token in a request's headers: a bearer, else the cookie.
// A bearer that is there and malformed is an error, never passed over.
func credential(authorization, cookies []string) (string, error) {
	if len(authorization) > 1 {
		return "", errs.New(errs.NoIdentity, "CREDENTIAL_MALFORMED", "there is more than one authorization header")
	}
	if len(authorization) == 1 && authorization[0] != "" {
		scheme, token, ok := strings.Cut(authorization[0], " ")
		token = strings.TrimSpace(token)
		if !ok || !strings.EqualFold(scheme, "bearer") || token == "" || strings.ContainsAny(token, " ,\t") {
			return "", errs.New(errs.NoIdentity, "CREDENTIAL_MALFORMED", "the authorization header is not 'Bearer <token>'")
		}
		return token, nil
	}
	for _, line := range cookies {
		cs, err := http.ParseCookie(line)
		if err != nil {
			continue // another's cookie; ours is plain
		}
		for _, c := range cs {
			if c.Name == sessionCookie && c.Value != "" {
				return c.Value, nil
			}
		}
	}
	return "", nil
}

// authenticate finds out who is calling, from the credential alone. Without one
// it returns false.
func (s *Server) authenticate(ctx context.Context, c *caller, authorization, cookies []string) (bool, error) {
	token, err := credential(authorization, cookies)
	if err != nil || token == "" {
		return false, err
	}
	id, err := s.identify(ctx, token)
	if err != nil {
		return false, err
	}
	c.id, c.known, c.token = id, true, token
	return true, nil
}

// identify turns a token into an identity: a session's, or an identity provider's.
func (s *Server) identify(ctx context.Context, token string) (access.Identity, error) {
	if s.oidc != nil && strings.Count(token, ".") == 2 {
		return s.oidc.identify(ctx, token)
	}
	return s.svc.Authenticate(ctx, token)
}

func incoming(ctx context.Context, key string) []string {
	md, ok := metadata.FromIncomingContext(ctx)
	if !ok {
		return nil
	}
	return md.Get(key)
}

// cookie makes the session's cookie; an empty token clears it.
func (s *Server) cookie(c *caller, token string) *http.Cookie {
	k := &http.Cookie{Name: sessionCookie, Value: token, Path: "/", HttpOnly: true, Secure: c.secure, SameSite: http.SameSiteLaxMode}
	if token == "" {
		k.MaxAge = -1
	} else {
		k.MaxAge = int(cookieLife.Seconds())
	}
	return k
}
