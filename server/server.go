// Package server is everything that speaks gRPC or HTTP: one handler for gRPC,
// gRPC-Web, Connect and JSON over HTTP, the plain downloads, and the phone
// client. It decides who may call what and turns errors into status codes; the
// use cases are the workflow package's.
package server

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"buf.build/go/protovalidate"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"

	"witnessmark/internal/workflow"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server/web"
)

// Config says how the server speaks. The zero value is good for a laptop.
type Config struct {
	// Client serves the phone client; nil: the one built in.
	Client http.Handler
	// AllowPlainHTTP lets everything be served without TLS beyond the loopback
	// address: for a server behind a proxy that ends TLS.
	AllowPlainHTTP bool
	// TrustedProxies may say by X-Forwarded-For and X-Forwarded-Proto who called
	// them and how. From anyone else these headers are not read.
	TrustedProxies []netip.Prefix
	// NoReflection switches the description of the services off. Where it is on,
	// it answers signed-in people only.
	NoReflection bool
	// TLS is how the server proves its name; the zero value: plain HTTP.
	TLS TLS
	// OIDC are identity providers whose bearer tokens are taken beside sessions.
	OIDC []Issuer
	// Log gets one line for each call; nil: slog.Default().
	Log *slog.Logger

	UnaryDeadline  time.Duration // cap for one unary call; 0: 2 minutes
	StreamDeadline time.Duration // cap for a download; 0: 6 hours
	WatchLife      time.Duration // a watch ends cleanly after it; 0: 10 minutes
	Heartbeat      time.Duration // of a watch; 0: 15 seconds
	Poll           time.Duration // a watch asks the store; 0: 1 second
	SlowReader     time.Duration // a client that takes nothing for so long is cut; 0: 1 minute
	ShutdownGrace  time.Duration // for calls under way; 0: 20 seconds

	ByIdentity     Rate // calls of one session; 0: 50 a second, 200 at once
	ByAddress      Rate // calls from one address; 0: 200 a second, 1,000 at once
	Anonymous      Rate // calls without credential from one address; 0: 2 a second, 30 at once
	MaxConnections int  // 0: 4,096
}

const (
	maxHeader         = 64 << 10
	headerTimeout     = 10 * time.Second
	idleTimeout       = 2 * time.Minute
	limiterTable      = 20_000
	concurrentStreams = 250
	cookieLife        = 90 * 24 * time.Hour
)

func (c Config) withDefaults() Config {
	duration := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	duration(&c.UnaryDeadline, 2*time.Minute)
	duration(&c.StreamDeadline, 6*time.Hour)
	duration(&c.WatchLife, 10*time.Minute)
	duration(&c.Heartbeat, 15*time.Second)
	duration(&c.Poll, time.Second)
	duration(&c.SlowReader, time.Minute)
	duration(&c.ShutdownGrace, 20*time.Second)
	rate := func(r *Rate, v Rate) {
		if *r == (Rate{}) {
			*r = v
		}
	}
	rate(&c.ByIdentity, Rate{50, 200})
	rate(&c.ByAddress, Rate{200, 1000})
	rate(&c.Anonymous, Rate{2, 30})
	if c.MaxConnections == 0 {
		c.MaxConnections = 4096
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	return c
}

// Server speaks for a workflow.Service.
type Server struct {
	cfg       Config
	svc       *workflow.Service
	log       *slog.Logger
	grpc      *grpc.Server
	policy    policy
	services  map[string]grpc.ServiceInfo
	validator protovalidate.Validator
	health    *health
	metrics   *metrics
	oidc      *oidcSet
	handler   http.Handler
	certs     *certificates

	byAddress, byIdentity, anonymous *limiter

	stopOnce sync.Once
	stopped  chan struct{} // closed when the server goes down; streams end then
}

// New makes a server. It starts nothing.
//
// The error is about the configuration, or names RPCs whose callers are not
// declared: such a server does not start.
func New(cfg Config, svc *workflow.Service) (*Server, error) {
	cfg = cfg.withDefaults()
	s := &Server{
		cfg: cfg, svc: svc, log: cfg.Log, stopped: make(chan struct{}),
		byAddress: newLimiter(cfg.ByAddress, limiterTable), byIdentity: newLimiter(cfg.ByIdentity, limiterTable), anonymous: newLimiter(cfg.Anonymous, limiterTable),
	}
	var err error
	if s.certs, err = newCertificates(cfg.TLS); err != nil {
		return nil, err
	}
	if s.validator, err = protovalidate.New(); err != nil {
		return nil, fmt.Errorf("field rules: %w", err)
	}
	if s.metrics, err = newMetrics(svc); err != nil {
		return nil, err
	}
	if s.oidc, err = newOIDC(cfg.OIDC, svc); err != nil {
		return nil, err
	}
	s.health = &health{s: s}
	s.grpc = grpc.NewServer(
		grpc.ChainUnaryInterceptor(s.unary()...), grpc.ChainStreamInterceptor(s.stream()...),
		grpc.ForceServerCodecV2(newCodec()), grpc.MaxRecvMsgSize(MaxMessage), grpc.MaxHeaderListSize(maxHeader), grpc.MaxConcurrentStreams(concurrentStreams),
		grpc.StatsHandler(otelgrpc.NewServerHandler(otelgrpc.WithMeterProvider(s.metrics.provider))),
	)
	r := registrar{s.grpc}
	witnessmarkv1.RegisterPeopleServiceServer(r, people{s: s})
	witnessmarkv1.RegisterDeviceServiceServer(r, devices{s: s})
	witnessmarkv1.RegisterSetupServiceServer(r, setup{s: s})
	witnessmarkv1.RegisterJobServiceServer(r, jobs{s: s})
	witnessmarkv1.RegisterUploadServiceServer(r, uploads{s: s})
	witnessmarkv1.RegisterEvidenceServiceServer(r, evidenceService{s: s})
	witnessmarkv1.RegisterGrantServiceServer(r, grants{s: s})
	witnessmarkv1.RegisterCalculationServiceServer(r, calculations{s: s})
	healthv1.RegisterHealthServer(r, s.health)
	if !cfg.NoReflection {
		reflection.Register(s.grpc)
	}
	s.services = s.grpc.GetServiceInfo()
	if s.policy, err = policyOf(s.services); err != nil {
		return nil, err
	}
	if cfg.Client == nil {
		if s.cfg.Client, err = web.Handler(); err != nil {
			return nil, err
		}
	}
	rpc, err := transcode(s.grpc, s.routes())
	if err != nil {
		return nil, fmt.Errorf("transcode: %w", err)
	}
	if s.handler, err = s.front(rpc); err != nil {
		return nil, err
	}
	return s, nil
}

// Handler is the whole server on one handler.
func (s *Server) Handler() http.Handler { return s.handler }

// AdminHandler serves /metrics and the probes. It belongs on a listener of its
// own that strangers cannot reach.
func (s *Server) AdminHandler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.metrics.handler())
	mux.HandleFunc("GET /healthz", s.health.live)
	mux.HandleFunc("GET /readyz", s.health.readiness)
	return mux
}

// HTTPServer is the server around Handler with its bounds, for a caller that
// listens by itself. Run uses the same.
func (s *Server) HTTPServer() *http.Server {
	p := new(http.Protocols)
	p.SetHTTP1(true)
	p.SetHTTP2(true)
	p.SetUnencryptedHTTP2(true)
	// No write timeout: it would cut streams. Slow readers are cut per write.
	return &http.Server{
		Handler: s.handler, Protocols: p, ReadHeaderTimeout: headerTimeout, IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader,
		HTTP2:     &http.HTTP2Config{MaxConcurrentStreams: concurrentStreams, SendPingTimeout: time.Minute, PingTimeout: 15 * time.Second},
		ErrorLog:  slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
		TLSConfig: s.certs.config(),
	}
}

// Run serves on the listeners until ctx ends, then lets calls under way finish
// within the grace and ends streams. With TLS configured every listener is TLS.
// It returns nil after an orderly end.
func (s *Server) Run(ctx context.Context, listeners ...net.Listener) error {
	if len(listeners) == 0 {
		return errors.New("run: no listener")
	}
	hs := s.HTTPServer()
	failed := make(chan error, len(listeners))
	for _, l := range listeners {
		l = netutil.LimitListener(l, s.cfg.MaxConnections)
		s.log.InfoContext(ctx, "serving", "address", l.Addr().String(), "tls", hs.TLSConfig != nil)
		go func() {
			if hs.TLSConfig != nil {
				failed <- hs.ServeTLS(l, "", "")
				return
			}
			failed <- hs.Serve(l)
		}()
	}
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
		s.log.ErrorContext(ctx, "listener failed", "err", err)
	}
	s.Stop()
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.cfg.ShutdownGrace)
	defer cancel()
	if serr := hs.Shutdown(grace); serr != nil {
		s.log.Warn("calls were cut at the end of the grace", "err", serr)
		serr = hs.Close()
		err = errors.Join(err, serr)
	}
	s.grpc.Stop()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// Stop ends streams and makes readiness false; calls under way go on. A caller
// that listens by itself calls it before http.Server.Shutdown.
func (s *Server) Stop() { s.stopOnce.Do(func() { close(s.stopped) }) }

func (s *Server) isStopping() bool {
	select {
	case <-s.stopped:
		return true
	default:
		return false
	}
}

func newRequestID() string {
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}
