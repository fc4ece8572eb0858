package server_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/coreos/go-oidc/v3/oidc/oidctest"

	"witnessmark/internal/access"
	"witnessmark/internal/workflow"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

// Beyond the loopback address plain HTTP gets a page of help and nothing else.
func TestPlainHTTPBeyondThisMachineGetsHelpOnly(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	ask := func(h http.Handler, path, remote string, change func(*http.Request)) *httptest.ResponseRecorder {
		r := httptest.NewRequestWithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 80})), "GET", path, nil)
		r.RemoteAddr = remote
		r.Header.Set("Authorization", "Bearer "+o.Climber.Token)
		if change != nil {
			change(r)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	h := s.Server.Handler()
	if w := ask(h, "/", "192.0.2.9:5", nil); w.Code != 200 || !strings.Contains(w.Body.String(), "not secure") {
		t.Errorf("GET /: %d %s; want the page of help", w.Code, w.Body)
	}
	for _, path := range []string{"/v1/identity", "/jobs/j/report", "/index.html"} {
		if w := ask(h, path, "192.0.2.9:5", nil); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "SECURE_CONNECTION_NEEDED") {
			t.Errorf("GET %s: %d %s; want 403 SECURE_CONNECTION_NEEDED", path, w.Code, w.Body)
		}
	}
	forwarded := func(r *http.Request) { r.Header.Set("X-Forwarded-Proto", "https") }
	if w := ask(h, "/v1/identity", "192.0.2.9:5", forwarded); w.Code != http.StatusForbidden {
		t.Errorf("a stranger that says it came by https: %d; want 403", w.Code)
	}
	if w := ask(h, "/healthz", "192.0.2.9:5", nil); w.Code != 200 {
		t.Errorf("a probe: %d; want 200", w.Code)
	}
}

// A certificate that was renewed on disk is served without a restart; half a
// copy of it leaves the old one in use.
func TestCertificateIsReadAgainWhenItsFileChanges(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writeCertificate(t, cert, key, 1)
	s := servertest.Start(t, servertest.Options{Config: server.Config{TLS: server.TLS{CertFile: cert, KeyFile: key}}})
	serial := func() int64 {
		t.Helper()
		c, err := tls.Dial("tcp", s.Address, &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12}) // only which certificate it is
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = c.Close() }()
		return c.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	if n := serial(); n != 1 {
		t.Fatalf("serial number = %d; want 1", n)
	}
	time.Sleep(5100 * time.Millisecond) // the file is looked at every five seconds at most
	if err := os.WriteFile(cert, []byte("half a cop"), 0o600); err != nil {
		t.Fatal(err)
	}
	if n := serial(); n != 1 {
		t.Errorf("serial number with half a copy = %d; want the old one, 1", n)
	}
	writeCertificate(t, cert, key, 2)
	time.Sleep(5100 * time.Millisecond)
	if n := serial(); n != 2 {
		t.Errorf("serial number after the renewal = %d; want 2", n)
	}
	if _, err := server.New(server.Config{TLS: server.TLS{CertFile: cert}}, s.Service); err == nil {
		t.Error("a certificate without its key was taken; want an error")
	}
}

func writeCertificate(t *testing.T, cert, key string, serial int64) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "test.example"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	pkcs, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	for path, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: pkcs}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// Tokens of an identity provider act for the person that the office tied to the
// account, with no more roles than both give.
func TestTokensOfAnIdentityProvider(t *testing.T) {
	priv, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	idp := &oidctest.Server{PublicKeys: []oidctest.PublicKey{{PublicKey: priv.Public(), KeyID: "k1", Algorithm: "ES256"}}, Algorithms: []string{"ES256"}}
	ts := httptest.NewServer(idp)
	defer ts.Close()
	idp.SetIssuer(ts.URL)
	s := servertest.Start(t, servertest.Options{Config: server.Config{OIDC: []server.Issuer{{URL: ts.URL, Audience: "witnessmark", Organization: "ridge-crew", RolesClaim: "groups", Roles: map[string]access.Role{"leads": access.Lead, "desk": access.Office}}}}})
	s.Organization(t, "ridge-crew")
	if err := s.Service.LinkSubject(t.Context(), "ridge-crew", "lead", ts.URL, "account-7"); err != nil {
		t.Fatal(err)
	}
	token := func(k *ecdsa.PrivateKey, change map[string]any) string {
		claims := map[string]any{"iss": ts.URL, "aud": "witnessmark", "sub": "account-7", "groups": []string{"leads", "desk"}, "exp": time.Now().Add(time.Hour).Unix(), "iat": time.Now().Unix()}
		for n, v := range change {
			claims[n] = v
		}
		b, err := json.Marshal(claims)
		if err != nil {
			t.Fatal(err)
		}
		return oidctest.SignIDToken(k, "k1", "ES256", string(b))
	}
	stranger, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name, token, path string
		code              int
		holds             string
	}{
		{"good", token(priv, nil), "/v1/identity", 200, "people/lead"},
		{"a role that the provider gives and the office does not", token(priv, nil), "/v1/custody", 403, "ROLE_MISSING"},
		{"a role that the provider took away", token(priv, map[string]any{"groups": []string{}}), "/v1/devices", 403, "ROLE_MISSING"},
		{"another account", token(priv, map[string]any{"sub": "account-8"}), "/v1/identity", 401, "SUBJECT_UNKNOWN"},
		{"for another program", token(priv, map[string]any{"aud": "other"}), "/v1/identity", 401, "TOKEN_REFUSED"},
		{"over", token(priv, map[string]any{"exp": time.Now().Add(-time.Hour).Unix()}), "/v1/identity", 401, "TOKEN_REFUSED"},
		{"signed by another key", token(stranger, nil), "/v1/identity", 401, "TOKEN_REFUSED"},
		{"of another issuer", token(priv, map[string]any{"iss": "https://elsewhere.example"}), "/v1/identity", 401, "TOKEN_REFUSED"},
		{"no token", "a.b.c", "/v1/identity", 401, "TOKEN_REFUSED"},
	} {
		if code, body, _ := rest(t, "GET", s.URL+tc.path, tc.token, ""); code != tc.code || !strings.Contains(body, tc.holds) {
			t.Errorf("a token %s: %d %s; want %d %s", tc.name, code, body, tc.code, tc.holds)
		}
	}
	if err := s.Service.LinkSubject(t.Context(), "ridge-crew", "climber", ts.URL, "account-7"); err == nil {
		t.Error("one account was tied to two people; want SUBJECT_TAKEN")
	}
}

// A panic is INTERNAL to the caller and says nothing of its cause.
func TestPanicTellsNothing(t *testing.T) {
	broken := false
	s := servertest.Start(t, servertest.Options{Service: func(svc *workflow.Service) {
		now := svc.Now
		svc.Now = func() time.Time {
			if broken {
				panic("the clock fell off the wall")
			}
			return now()
		}
	}})
	o := s.Organization(t, "ridge-crew")
	broken = true
	code, body, _ := rest(t, "GET", s.URL+"/v1/identity", o.Climber.Token, "")
	broken = false
	if code != http.StatusInternalServerError || strings.Contains(body, "clock") || !strings.Contains(body, "internal error") {
		t.Errorf("a call that panics: %d %s; want 500 and nothing of the cause", code, body)
	}
	if code, body, _ := rest(t, "GET", s.URL+"/v1/identity", o.Climber.Token, ""); code != 200 {
		t.Errorf("the call after it: %d %s; want 200", code, fmt.Sprint(body))
	}
}
