package server

import (
	"context"
	"errors"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/errs"
)

// unary is the chain around every unary call, outermost first.
func (s *Server) unary() []grpc.UnaryServerInterceptor {
	return []grpc.UnaryServerInterceptor{
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (resp any, err error) {
			ctx = s.begin(ctx)
			defer s.end(ctx, info.FullMethod, time.Now(), &err)
			return next(ctx, req)
		},
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			ctx, cancel := context.WithTimeout(ctx, s.cfg.UnaryDeadline)
			defer cancel()
			resp, err := s.guarded(ctx, info.FullMethod, req, next)
			return resp, toStatus(ctx, err)
		},
	}
}

func (s *Server) guarded(ctx context.Context, method string, req any, next grpc.UnaryHandler) (any, error) {
	if err := s.admit(ctx, method); err != nil {
		return nil, err
	}
	if err := s.valid(req); err != nil {
		return nil, err
	}
	return next(ctx, req)
}

// stream is the chain around every stream, outermost first.
func (s *Server) stream() []grpc.StreamServerInterceptor {
	return []grpc.StreamServerInterceptor{
		func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
			ctx := s.begin(ss.Context())
			defer s.end(ctx, info.FullMethod, time.Now(), &err)
			return next(srv, &serverStream{ServerStream: ss, ctx: ctx, server: s})
		},
		func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			ctx, cancel := context.WithTimeout(ss.Context(), s.cfg.StreamDeadline)
			defer cancel()
			if err := s.admit(ctx, info.FullMethod); err != nil {
				return toStatus(ctx, err)
			}
			return toStatus(ctx, next(srv, &serverStream{ServerStream: ss, ctx: ctx, server: s, check: true}))
		},
	}
}

// serverStream carries the context on and checks what comes in.
type serverStream struct {
	grpc.ServerStream
	ctx    context.Context
	server *Server
	check  bool
}

func (x *serverStream) Context() context.Context { return x.ctx }

func (x *serverStream) RecvMsg(m any) error {
	if err := x.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	if err := broken(m); err != nil {
		return err
	}
	if !x.check {
		return nil
	}
	return x.server.valid(m)
}

// begin makes sure that a request has a caller: one that came by another way
// than the front (a listener of grpc's own) gets one here.
func (s *Server) begin(ctx context.Context) context.Context {
	if _, ok := ctx.Value(callerKey{}).(*caller); ok {
		return ctx
	}
	c := &caller{requestID: newRequestID()}
	if p, ok := peer.FromContext(ctx); ok {
		c.address = hostOf(p.Addr.String())
		c.secure = p.AuthInfo != nil
	}
	return withCaller(ctx, c)
}

// end turns a panic into INTERNAL and writes the one log line of a call: no
// token, no body, no signature.
func (s *Server) end(ctx context.Context, method string, began time.Time, err *error) {
	c := callerOf(ctx)
	if p := recover(); p != nil {
		s.log.ErrorContext(ctx, "panic", "request", c.requestID, "method", method, "panic", p, "stack", string(debug.Stack()))
		*err = status.Error(codes.Internal, "internal error")
	}
	code := status.Code(*err)
	level := slog.LevelInfo
	if code == codes.Internal || code == codes.DataLoss || code == codes.Unknown {
		level = slog.LevelError
	}
	attrs := []slog.Attr{slog.String("request", c.requestID), slog.String("method", method), slog.String("code", code.String()), slog.Duration("took", time.Since(began).Round(time.Microsecond))}
	if c.known {
		attrs = append(attrs, slog.String("organization", c.id.Org), slog.String("who", c.id.Who()))
		if c.id.Device != "" {
			attrs = append(attrs, slog.String("device", c.id.Device))
		}
	}
	if code != codes.OK {
		attrs = append(attrs, slog.String("reason", reasonOf(*err)))
	}
	s.log.LogAttrs(ctx, level, "call", attrs...)
}

// admit decides whether a call goes on: rate by address, who is calling,
// whether he may, rate by caller.
func (s *Server) admit(ctx context.Context, method string) error {
	c := callerOf(ctx)
	now := time.Now()
	if method == healthv1.Health_Check_FullMethodName { // answers in any flood: it says nothing and costs nothing
		return nil
	}
	if err := s.byAddress.allow(network(c.address), now); err != nil {
		return err
	}
	r, declared := s.policy[method]
	known, err := s.authenticate(ctx, c, incoming(ctx, "authorization"), incoming(ctx, "cookie"))
	switch {
	case err != nil && !(declared && r.anonymous):
		return err
	case declared && r.anonymous:
		if !strings.HasPrefix(method, "/grpc.health.") {
			return s.anonymous.allow(network(c.address), now)
		}
		return nil
	case !known:
		return errs.New(errs.NoIdentity, "CREDENTIAL_MISSING", "sign in first: this call needs a bearer token")
	}
	if err := s.policy.check(method, c.id); err != nil {
		return err
	}
	return s.byIdentity.allow(c.id.Org+"/"+c.id.Session+"/"+c.id.Who(), now)
}

// valid holds a message against the rules of its fields.
func (s *Server) valid(m any) error {
	p, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	var v *protovalidate.ValidationError
	err := s.validator.Validate(p)
	if err != nil && !errors.As(err, &v) {
		return errs.New(errs.Internal, "RULES_BROKEN", "internal error").Because(err)
	}
	return err
}

// registrar registers services so that bytes which are no message are the
// caller's mistake (INVALID_ARGUMENT), not the server's, as grpc has it.
type registrar struct{ *grpc.Server }

func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	d := *desc
	d.Methods = make([]grpc.MethodDesc, len(desc.Methods))
	for i, m := range desc.Methods {
		d.Methods[i] = grpc.MethodDesc{MethodName: m.MethodName, Handler: func(srv any, ctx context.Context, dec func(any) error, in grpc.UnaryServerInterceptor) (any, error) {
			return m.Handler(srv, ctx, func(v any) error {
				if err := dec(v); err != nil {
					return err
				}
				return broken(v)
			}, in)
		}}
	}
	r.Server.RegisterService(&d, impl)
}
