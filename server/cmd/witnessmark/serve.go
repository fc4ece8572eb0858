package main

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/workflow"
	"witnessmark/server"
)

func serverCommands() []*command {
	return []*command{
		{name: "serve", summary: "Run the server.", setup: setupServe, help: `
Without options: the embedded store and photos under ./data, on this machine only.
The embedded store brings its schema up to date by itself; PostgreSQL only does by
'witnessmark migrate'. A schema newer than this program is refused.

On an empty store a code is printed once, on the standard output: the office's first
sign-in. It holds for a day; 'witnessmark office code' makes another.

The phone client needs https beyond this machine: --tls-cert and --tls-key, or
--acme-domain, or a proxy that ends TLS and --allow-plain-http. The server ends on
an interrupt: calls under way are finished, streams are told.`},
		{name: "demo", summary: "Run a server with an invented organisation to try.", setup: setupDemo, help: `
Sets up people, kit, a locked job, jobs in work and a second organisation, and prints
addresses and ready-made credentials. Nothing in it exists. Without --data everything
goes away at the end; a data folder must be empty or hold an earlier demonstration.`},
	}
}

// logger makes the program's log.
func (s serving) logger(w io.Writer) *slog.Logger {
	options := &slog.HandlerOptions{Level: slog.LevelInfo}
	if s.verbose {
		options.Level = slog.LevelDebug
	}
	if s.jsonLogs {
		return slog.New(slog.NewJSONHandler(w, options))
	}
	return slog.New(slog.NewTextHandler(w, options))
}

func setupServe(f *flags) func(context.Context, *streams, []string) error {
	where, how := placeFlags(f), servingFlags(f)
	org := f.text("organization", "ID", "main", "id of the organisation that is made on an empty store")
	title := f.text("organization-title", "TEXT", "My organisation", "its name")
	return func(ctx context.Context, s *streams, args []string) error {
		if err := exactly(args); err != nil {
			return err
		}
		p, err := where()
		if err != nil {
			return err
		}
		sv, err := how()
		if err != nil {
			return err
		}
		return serve(ctx, s, p, sv, *org, *title)
	}
}

func serve(ctx context.Context, s *streams, p place, sv serving, org, title string) (err error) {
	slog.SetDefault(sv.logger(s.err))
	b, err := p.open(ctx, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := b.checkLogs(ctx); err != nil {
		return err
	}
	if sv.config.TLS.ACMEHosts != nil && sv.config.TLS.ACMECache == "" {
		if p.data == "" {
			return usagef("--acme-cache is needed where there is no data folder")
		}
		sv.config.TLS.ACMECache = filepath.Join(p.data, "certificates")
	}
	r, err := prepare(sv, b.service())
	if err != nil {
		return err
	}
	code, err := r.svc.Bootstrap(ctx, org, title)
	if err != nil {
		return errors.Join(err, r.close())
	}
	if code != "" {
		if _, err := fmt.Fprintf(s.out, "The store is empty. This code signs the office in, once, within a day:\n\n    %s\n\n    %s/#code=%s\n\nOn the command line: witnessmark enrol --server %s %s\n\n", code, r.url, code, r.url, code); err != nil {
			return errors.Join(err, r.close())
		}
	}
	if _, err := fmt.Fprintf(s.out, "Witnessmark %s serves on %s\n", version, r.url); err != nil {
		return errors.Join(err, r.close())
	}
	return r.run(ctx, true)
}

// running is a server with its listeners.
type running struct {
	svc       *workflow.Service
	srv       *server.Server
	url       string
	listeners []net.Listener
	beside    []*http.Server
	besideOn  []net.Listener
}

// prepare listens and makes the server; nothing is served yet.
func prepare(sv serving, svc *workflow.Service) (r *running, err error) {
	r = &running{svc: svc}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.close())
		}
	}()
	l, err := listen(sv.listen)
	if err != nil {
		return r, err
	}
	r.listeners = []net.Listener{l}
	r.url = sv.address(l.Addr())
	svc.PublicURL, svc.Retention = r.url, sv.retention
	if r.srv, err = server.New(sv.config, svc); err != nil {
		return r, err
	}
	if sv.admin != "" {
		h := r.srv.AdminHandler()
		if sv.pprof {
			mux := http.NewServeMux()
			mux.Handle("/", h)
			mux.HandleFunc("/debug/pprof/", pprof.Index)
			mux.HandleFunc("/debug/pprof/cmdline", pprof.Cmdline)
			mux.HandleFunc("/debug/pprof/profile", pprof.Profile)
			mux.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
			mux.HandleFunc("/debug/pprof/trace", pprof.Trace)
			h = mux
		}
		if err := r.alongside(sv.admin, h); err != nil {
			return r, err
		}
	}
	if sv.http != "" {
		if err := r.alongside(sv.http, r.srv.ChallengeHandler()); err != nil {
			return r, err
		}
	}
	return r, nil
}

func listen(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, errs.Newf(errs.WrongState, "LISTEN", "cannot listen on %s; is another program there? Choose another address with --listen", address).Because(err)
	}
	return l, nil
}

// alongside prepares a listener of its own for a handler.
func (r *running) alongside(address string, h http.Handler) error {
	l, err := listen(address)
	if err != nil {
		return err
	}
	r.besideOn = append(r.besideOn, l)
	r.beside = append(r.beside, &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: time.Minute})
	return nil
}

// close gives listeners back that never served.
func (r *running) close() error {
	var err error
	for _, l := range append(r.listeners, r.besideOn...) {
		err = errors.Join(err, l.Close())
	}
	return err
}

// run serves until ctx ends, with the workers if workers is set, and returns when
// all of it has ended.
func (r *running) run(ctx context.Context, workers bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	errc := make(chan error, len(r.beside))
	for i, h := range r.beside {
		wg.Go(func() {
			if err := h.Serve(r.besideOn[i]); !errors.Is(err, http.ErrServerClosed) {
				errc <- err
				cancel()
			}
		})
	}
	if workers {
		wg.Go(func() { r.svc.RunWorkers(ctx) })
	}
	err := r.srv.Run(ctx, r.listeners...)
	cancel()
	for _, h := range r.beside {
		end, stop := context.WithTimeout(context.Background(), 5*time.Second)
		err = errors.Join(err, h.Shutdown(end))
		stop()
	}
	wg.Wait()
	close(errc)
	for e := range errc {
		err = errors.Join(err, e)
	}
	return err
}

// certificateDays says until when a certificate file is good.
func certificateDays(path string, now time.Time) (time.Time, float64, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return time.Time{}, 0, err
	}
	block, _ := pem.Decode(b)
	if block == nil {
		return time.Time{}, 0, errs.Newf(errs.Invalid, "CERTIFICATE", "%s holds no certificate in PEM form", path)
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return time.Time{}, 0, errs.Newf(errs.Invalid, "CERTIFICATE", "%s holds a certificate that cannot be read", path).Because(err)
	}
	return c.NotAfter, c.NotAfter.Sub(now).Hours() / 24, nil
}

func orNone(s string) string {
	if strings.TrimSpace(s) == "" {
		return "-"
	}
	return s
}
