package server

import (
	"bytes"
	"encoding/base64"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"runtime/debug"
	"strings"
	"time"

	_ "embed"

	"witnessmark/internal/errs"
)

//go:embed openapi.json
var openapi []byte

//go:embed help.html
var helpPage []byte

// routes is what is no RPC: downloads, probes, the API's description, the client.
func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", s.health.live)
	mux.HandleFunc("GET /readyz", s.health.readiness)
	mux.HandleFunc("GET /openapi.json", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(openapi))
	})
	s.downloads(mux)
	mux.HandleFunc("/v1/", func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, r, errs.New(errs.NotFound, "PATH_UNKNOWN", "there is no such path or it does not take this method; GET /openapi.json lists what there is"))
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		service, method, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
		known := false
		if info, ok := s.services[service]; ok {
			for _, m := range info.Methods {
				known = known || m.Name == method
			}
		}
		switch {
		case strings.HasPrefix(r.Header.Get("Content-Type"), "application/grpc") && r.ProtoMajor == 2:
			s.grpc.ServeHTTP(w, r) // says UNIMPLEMENTED in its own words
		case known:
			writeProblem(w, r, errs.New(errs.NotFound, "PROTOCOL_UNKNOWN", "this is an RPC: call it by gRPC, gRPC-Web, or Connect with the header Connect-Protocol-Version: 1"))
		case strings.Contains(service, ".") && method != "":
			writeProblem(w, r, errs.New(errs.NotFound, "METHOD_UNKNOWN", "there is no such RPC"))
		default:
			s.cfg.Client.ServeHTTP(w, r)
		}
	})
	return mux
}

// front is what every request passes first: who is at the other end and how,
// whether it may be served without TLS, whether another site sent it.
func (s *Server) front(next http.Handler) (http.Handler, error) {
	cross := http.NewCrossOriginProtection()
	if s.svc.PublicURL != "" {
		u, err := url.Parse(s.svc.PublicURL)
		if err != nil || u.Host == "" {
			return nil, errs.Field("PUBLIC_URL", "public_url", "is an address such as https://tower.example.com")
		}
		if err := cross.AddTrustedOrigin(u.Scheme + "://" + u.Host); err != nil {
			return nil, err
		}
	}
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, r, errs.New(errs.Denied, "CROSS_ORIGIN", "this request was sent by a page of another site"))
	}))
	guarded := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := &caller{requestID: newRequestID()}
		c.address, c.secure = s.origin(r)
		r = r.WithContext(withCaller(r.Context(), c))
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler { // a download that broke off: the client must see it
					panic(p)
				}
				s.log.ErrorContext(r.Context(), "panic", "request", c.requestID, "path", r.URL.Path, "panic", p, "stack", string(debug.Stack()))
				panic(http.ErrAbortHandler)
			}
		}()
		h := w.Header()
		h.Set("X-Request-Id", c.requestID)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if c.secure {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if !s.mayServe(r, c) {
			s.help(w, r)
			return
		}
		withoutBrokenBinary(r.Header)
		// Answers hold evidence; the client and the description set their own.
		h.Set("Cache-Control", "no-store")
		rc := http.NewResponseController(w)
		r.Body = &patientBody{ReadCloser: r.Body, rc: rc, began: time.Now()}
		guarded.ServeHTTP(&patientWriter{ResponseWriter: w, rc: rc, patience: s.cfg.SlowReader, streams: s.streams(r.URL.Path)}, r)
	}), nil
}

// origin is the address of who called, and whether it came by TLS. Forwarding
// headers are read from trusted proxies only, from the nearest backwards.
func (s *Server) origin(r *http.Request) (address string, secure bool) {
	address, secure = hostOf(r.RemoteAddr), r.TLS != nil
	if !s.trusted(address) {
		if !secure && s.cfg.AllowPlainHTTP && strings.HasPrefix(s.svc.PublicURL, "https://") {
			secure = true
		}
		return address, secure
	}
	secure = secure || strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0; i-- {
		hop, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			break
		}
		address = hop.Unmap().String()
		if !s.trusted(address) {
			break
		}
	}
	return address, secure
}

func (s *Server) trusted(address string) bool {
	a, err := netip.ParseAddr(address)
	if err != nil {
		return false
	}
	for _, p := range s.cfg.TrustedProxies {
		if p.Contains(a.Unmap()) {
			return true
		}
	}
	return false
}

// mayServe says whether work may be done over this connection: by TLS, behind a
// proxy that the configuration knows of, or within this machine. Elsewhere a
// phone has no key, no camera screen and no store that lasts.
func (s *Server) mayServe(r *http.Request, c *caller) bool {
	if r.TLS != nil || c.secure || s.cfg.AllowPlainHTTP {
		return true
	}
	switch r.URL.Path {
	case "/healthz", "/readyz":
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	return ok && loopback(local.String()) && loopback(r.RemoteAddr)
}

func loopback(address string) bool {
	a, err := netip.ParseAddr(hostOf(address))
	return err == nil && a.Unmap().IsLoopback()
}

// hostOf is the address without port and zone.
func hostOf(address string) string {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	if a, err := netip.ParseAddr(host); err == nil {
		return a.Unmap().WithZone("").String()
	}
	return host
}

// network is whom calls are counted for: an address, and of IPv6 the /64, since
// whoever has one address there has all of it.
func network(address string) string {
	a, err := netip.ParseAddr(address)
	if err != nil || !a.Is6() {
		return address
	}
	p, err := a.Prefix(64)
	if err != nil {
		return address
	}
	return p.String()
}

// withoutBrokenBinary takes away headers that are binary by their name and not by
// what is in them: grpc would refuse the request with words of its own, and no
// call of ours reads any.
func withoutBrokenBinary(h http.Header) {
	for k, vs := range h {
		if !strings.HasSuffix(k, "-Bin") {
			continue
		}
		for _, v := range vs {
			for part := range strings.SplitSeq(v, ",") {
				if _, err := base64.RawStdEncoding.DecodeString(strings.TrimRight(strings.TrimSpace(part), "=")); err != nil {
					h.Del(k)
				}
			}
		}
	}
}

// help is all that plain HTTP beyond this machine gets.
func (s *Server) help(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
	w.Header().Set("Cache-Control", "no-store")
	if (r.Method == http.MethodGet || r.Method == http.MethodHead) && r.URL.Path == "/" {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write(helpPage) // a client that went away needs no answer
		return
	}
	writeProblem(w, r, errs.New(errs.Denied, "SECURE_CONNECTION_NEEDED", "this address has no https; nothing is served here but a page of help"))
}

// streams says whether an answer under a path may take its time: downloads and
// server streams, whose writes are timed one by one.
func (s *Server) streams(path string) bool {
	if strings.HasPrefix(path, "/jobs/") {
		return true
	}
	service, method, _ := strings.Cut(strings.TrimPrefix(path, "/"), "/")
	for _, m := range s.services[service].Methods {
		if m.Name == method {
			return m.IsServerStream
		}
	}
	return false
}

const (
	bodyPatience = time.Minute     // between two pieces of a request
	bodyWhole    = 5 * time.Minute // for a whole request
	answerWhole  = 6 * time.Minute // for a whole answer that is no stream
)

// patientBody waits for a request's bytes, but not for ever: a phone may be
// slow, and a stranger may be slow on purpose.
type patientBody struct {
	io.ReadCloser
	rc    *http.ResponseController
	began time.Time
	done  bool
}

func (b *patientBody) Read(p []byte) (int, error) {
	if !b.done {
		until := time.Now().Add(bodyPatience)
		if end := b.began.Add(bodyWhole); end.Before(until) {
			until = end
		}
		_ = b.rc.SetReadDeadline(until) // not every test's writer has one
	}
	n, err := b.ReadCloser.Read(p)
	if err != nil && !b.done {
		b.done = true
		_ = b.rc.SetReadDeadline(time.Time{})
	}
	return n, err
}

// patientWriter cuts a client that takes nothing any more: each write of a
// stream has its time, and so has the whole of any other answer.
type patientWriter struct {
	http.ResponseWriter
	rc       *http.ResponseController
	patience time.Duration
	streams  bool // each write has its own time
	set      bool
}

// Unwrap lets http.ResponseController reach the writer within.
func (w *patientWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w *patientWriter) before() {
	switch {
	case w.streams:
		_ = w.rc.SetWriteDeadline(time.Now().Add(w.patience))
	case !w.set:
		w.set = true
		_ = w.rc.SetWriteDeadline(time.Now().Add(answerWhole))
	}
}

func (w *patientWriter) after() {
	if w.streams {
		_ = w.rc.SetWriteDeadline(time.Time{})
	}
}

func (w *patientWriter) WriteHeader(code int) {
	w.before()
	w.ResponseWriter.WriteHeader(code)
	w.after()
}

func (w *patientWriter) Write(p []byte) (int, error) {
	w.before()
	defer w.after()
	return w.ResponseWriter.Write(p)
}

// Flush implements http.Flusher, which streams need.
func (w *patientWriter) Flush() {
	w.before()
	defer w.after()
	_ = w.rc.Flush() // the next write tells
}
