package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/workflow"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// errorDomain stands in every ErrorInfo.
const errorDomain = "witnessmark"

// maxViolations bounds the list in an answer; the sentence says how many there are.
const maxViolations = 100

var codeOf = map[errs.Kind]codes.Code{
	errs.Internal:    codes.Internal,
	errs.Invalid:     codes.InvalidArgument,
	errs.NotFound:    codes.NotFound,
	errs.Exists:      codes.AlreadyExists,
	errs.WrongState:  codes.FailedPrecondition,
	errs.Stale:       codes.Aborted,
	errs.Denied:      codes.PermissionDenied,
	errs.NoIdentity:  codes.Unauthenticated,
	errs.Busy:        codes.ResourceExhausted,
	errs.TooLarge:    codes.ResourceExhausted,
	errs.Unavailable: codes.Unavailable,
	errs.Corrupt:     codes.DataLoss,
}

// busyDelay is what a client that asked too often is told to wait at least.
const busyDelay = time.Second

// toStatus turns an error into what a client gets: one code, one ErrorInfo with
// the stable reason, and what else helps to put it right. The text of causes
// stays in the log.
func toStatus(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	var e *errs.Error
	var v *protovalidate.ValidationError
	switch {
	case ctx.Err() != nil: // canceled or out of time: not our failure
		return status.FromContextError(ctx.Err()).Err()
	case errors.As(err, &v):
		return violations(v)
	case !errors.As(err, &e):
		if st, ok := status.FromError(err); ok && st.Code() != codes.Unknown { // grpc's own, such as a broken stream
			return st.Err()
		}
		slog.ErrorContext(ctx, "unclassified error", "err", err)
		return status.Error(codes.Internal, "internal error")
	case e.Kind == errs.Internal || e.Kind == errs.Corrupt:
		slog.ErrorContext(ctx, "request failed", "reason", e.Reason, "err", err)
	case errors.Unwrap(e) != nil:
		slog.InfoContext(ctx, "request refused", "reason", e.Reason, "err", err)
	}
	details := []protoadapt.MessageV1{errorInfo(e.Reason, e.Meta)}
	var moved *workflow.NewLines
	var blocked *workflow.Blocked
	var problems procedure.Problems
	switch {
	case errors.As(err, &moved):
		details = append(details, protoadapt.MessageV1Of(&witnessmarkv1.ListLinesResponse{
			Lines: linesView(moved.Lines), More: movedMore(moved), Head: headView(moved.Head),
		}))
	case errors.As(err, &blocked):
		f := &errdetails.PreconditionFailure{}
		for _, b := range blocked.Blockers[:min(len(blocked.Blockers), maxViolations)] {
			subject := ""
			if len(b.Subjects) > 0 {
				subject = b.Subjects[0]
			}
			f.Violations = append(f.Violations, &errdetails.PreconditionFailure_Violation{Type: b.Reason, Subject: subject, Description: b.Sentence})
		}
		details = append(details, f)
	case errors.As(err, &problems):
		br := &errdetails.BadRequest{}
		for _, p := range problems[:min(len(problems), maxViolations)] {
			br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{
				Field: fmt.Sprintf("document:%d:%d %s", p.Line, p.Column, p.Path), Description: p.Message, Reason: e.Reason,
			})
		}
		details = append(details, br)
	case e.Kind == errs.Invalid && e.Meta["field"] != "":
		details = append(details, &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: e.Meta["field"], Description: e.Msg, Reason: e.Reason}}})
	case e.Kind == errs.Busy:
		wait := busyDelay
		if d, perr := time.ParseDuration(e.Meta["retry_after"]); perr == nil && d > wait {
			wait = d
		}
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
	}
	return withDetails(codeOf[e.Kind], e.Msg, details...)
}

func errorInfo(reason string, meta map[string]string) *errdetails.ErrorInfo {
	return &errdetails.ErrorInfo{Reason: reason, Domain: errorDomain, Metadata: meta}
}

// withDetails makes a status; without its details where they cannot be written.
func withDetails(code codes.Code, msg string, details ...protoadapt.MessageV1) error {
	st, err := status.New(code, msg).WithDetails(details...)
	if err != nil {
		slog.Error("error details cannot be written", "err", err)
		return status.Error(code, msg)
	}
	return st.Err()
}

func movedMore(m *workflow.NewLines) bool {
	return len(m.Lines) > 0 && m.Lines[len(m.Lines)-1].Seq < m.Head.Size
}

// violations turns broken field rules into the same details in every protocol.
func violations(v *protovalidate.ValidationError) error {
	br := &errdetails.BadRequest{}
	for _, x := range v.Violations[:min(len(v.Violations), maxViolations)] {
		br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{
			Field: protovalidate.FieldPathString(x.Proto.GetField()), Description: x.Proto.GetMessage(), Reason: x.Proto.GetRuleId(),
		})
	}
	msg, field := "the request breaks the rules of its fields", ""
	if len(br.FieldViolations) > 0 {
		field = br.FieldViolations[0].Field
		msg = field + ": " + br.FieldViolations[0].Description
		if n := len(v.Violations) - 1; n > 0 {
			msg += fmt.Sprintf("; and %d more", n)
		}
	}
	return withDetails(codes.InvalidArgument, msg, errorInfo("FIELD_INVALID", map[string]string{"field": field}), br)
}

// malformed is the answer to bytes that are no message of the kind expected.
func malformed(err error) error {
	return withDetails(codes.InvalidArgument, "the request cannot be read: "+err.Error(), errorInfo("MESSAGE_MALFORMED", nil))
}

// reasonOf is the reason in a status, for the log.
func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.GetReason()
		}
	}
	return ""
}

// stopping is the answer of a stream when the server goes down: try again.
func stopping() error {
	return errs.New(errs.Unavailable, "SERVER_STOPPING", "the server is stopping; connect again")
}

// httpStatus is the same table for plain HTTP answers.
var httpStatus = map[errs.Kind]int{
	errs.Internal:    http.StatusInternalServerError,
	errs.Invalid:     http.StatusBadRequest,
	errs.NotFound:    http.StatusNotFound,
	errs.Exists:      http.StatusConflict,
	errs.WrongState:  http.StatusConflict,
	errs.Stale:       http.StatusConflict,
	errs.Denied:      http.StatusForbidden,
	errs.NoIdentity:  http.StatusUnauthorized,
	errs.Busy:        http.StatusTooManyRequests,
	errs.TooLarge:    http.StatusRequestEntityTooLarge,
	errs.Unavailable: http.StatusServiceUnavailable,
	errs.Corrupt:     http.StatusInternalServerError,
}

// problem is an RFC 9457 answer with the same reason as the RPC's.
type problem struct {
	Type   string            `json:"type"`
	Title  string            `json:"title"`
	Status int               `json:"status"`
	Detail string            `json:"detail"`
	Reason string            `json:"reason"`
	Meta   map[string]string `json:"metadata,omitempty"`
}

// writeProblem answers a plain HTTP request with an error.
func writeProblem(w http.ResponseWriter, r *http.Request, err error) {
	var e *errs.Error
	p := problem{Type: "about:blank", Status: http.StatusInternalServerError, Detail: "internal error", Reason: "INTERNAL"}
	if errors.As(err, &e) {
		p.Status, p.Detail, p.Reason, p.Meta = httpStatus[e.Kind], e.Msg, e.Reason, e.Meta
	}
	p.write(w, r, err)
}

func (p problem) write(w http.ResponseWriter, r *http.Request, err error) {
	if p.Status >= http.StatusInternalServerError && p.Status != http.StatusServiceUnavailable {
		slog.ErrorContext(r.Context(), "request failed", "reason", p.Reason, "err", err)
	}
	p.Title = http.StatusText(p.Status)
	h := w.Header()
	for _, k := range []string{"Content-Length", "Content-Disposition", "ETag"} {
		h.Del(k)
	}
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	switch p.Status {
	case http.StatusUnauthorized:
		h.Set("WWW-Authenticate", `Bearer realm="witnessmark"`)
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		h.Set("Retry-After", "1")
	}
	w.WriteHeader(p.Status)
	if err := json.NewEncoder(w).Encode(p); err != nil {
		slog.DebugContext(r.Context(), "answer not written", "err", err)
	}
}
