package server

import (
	"crypto/tls"
	"fmt"
	"net/http"
	"os"
	"sync"
	"time"

	"golang.org/x/crypto/acme"
	"golang.org/x/crypto/acme/autocert"

	"witnessmark/internal/errs"
)

// TLS is how the server proves its name: by certificate files, which are read
// again when they change, or by ACME for the hosts named. At most one of the two.
type TLS struct {
	CertFile, KeyFile string // PEM; the chain, leaf first

	ACMEHosts     []string // names to get certificates for
	ACMECache     string   // folder, needed with hosts
	ACMEEmail     string
	ACMEDirectory string // "": Let's Encrypt
}

// certFresh is how long a certificate is served before its file is looked at again.
const certFresh = 5 * time.Second

// certificates gives out the certificate of each handshake.
type certificates struct {
	cfg     TLS
	manager *autocert.Manager

	mu      sync.Mutex
	current *tls.Certificate
	stamp   [2]time.Time // of the two files
	looked  time.Time
}

// newCertificates checks the configuration and reads the files once.
func newCertificates(t TLS) (*certificates, error) {
	c := &certificates{cfg: t}
	switch {
	case (t.CertFile == "") != (t.KeyFile == ""):
		return nil, errs.Field("TLS_HALF_SET", "tls", "a certificate file needs its key file, and a key file its certificate")
	case t.CertFile != "" && len(t.ACMEHosts) > 0:
		return nil, errs.Field("TLS_TWICE", "tls", "is either certificate files or ACME hosts, not both")
	case len(t.ACMEHosts) > 0 && t.ACMECache == "":
		return nil, errs.Field("ACME_CACHE", "tls", "ACME needs a folder to keep account key and certificates in")
	case len(t.ACMEHosts) > 0:
		c.manager = &autocert.Manager{Prompt: autocert.AcceptTOS, Cache: autocert.DirCache(t.ACMECache), HostPolicy: autocert.HostWhitelist(t.ACMEHosts...), Email: t.ACMEEmail}
		if t.ACMEDirectory != "" {
			c.manager.Client = &acme.Client{DirectoryURL: t.ACMEDirectory}
		}
	case t.CertFile != "":
		if _, err := c.get(nil); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// config is the handshake's; nil without TLS.
func (c *certificates) config() *tls.Config {
	switch {
	case c.manager != nil:
		t := c.manager.TLSConfig()
		t.MinVersion = tls.VersionTLS12
		return t
	case c.cfg.CertFile != "":
		return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get}
	}
	return nil
}

// get returns the certificate, read again if a file changed. A new file that
// cannot be read leaves the old certificate in use: half a copy is common.
func (c *certificates) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if c.current != nil && now.Sub(c.looked) < certFresh {
		return c.current, nil
	}
	c.looked = now
	var stamp [2]time.Time
	for i, f := range []string{c.cfg.CertFile, c.cfg.KeyFile} {
		info, err := os.Stat(f)
		if err != nil {
			return c.keep(fmt.Errorf("certificate: %w", err))
		}
		stamp[i] = info.ModTime()
	}
	if c.current != nil && stamp == c.stamp {
		return c.current, nil
	}
	pair, err := tls.LoadX509KeyPair(c.cfg.CertFile, c.cfg.KeyFile)
	if err != nil {
		return c.keep(fmt.Errorf("certificate: %w", err))
	}
	c.current, c.stamp = &pair, stamp
	return c.current, nil
}

func (c *certificates) keep(err error) (*tls.Certificate, error) {
	if c.current != nil {
		return c.current, nil
	}
	return nil, err
}

// ChallengeHandler answers ACME's HTTP challenge, for a listener on port 80, and
// sends everything else to https. Without ACME it only sends on.
func (s *Server) ChallengeHandler() http.Handler {
	if s.certs.manager != nil {
		return s.certs.manager.HTTPHandler(nil)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.Error(w, "use https", http.StatusBadRequest)
			return
		}
		http.Redirect(w, r, "https://"+hostOf(r.Host)+r.URL.RequestURI(), http.StatusFound)
	})
}
