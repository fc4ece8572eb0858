// Package client is how the commands and the demonstration speak with a server:
// the connection, what is kept of a sign-in, a device's key and chain, uploads
// and downloads. It decides nothing that the server decides.
package client

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"witnessmark/internal/errs"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// Timeout bounds each call that is not a stream, unless the caller's context
// ends before.
const Timeout = time.Minute

// Client is a connection to one server with one credential.
type Client struct {
	People       witnessmarkv1.PeopleServiceClient
	Devices      witnessmarkv1.DeviceServiceClient
	Setup        witnessmarkv1.SetupServiceClient
	Jobs         witnessmarkv1.JobServiceClient
	Uploads      witnessmarkv1.UploadServiceClient
	Evidence     witnessmarkv1.EvidenceServiceClient
	Grants       witnessmarkv1.GrantServiceClient
	Calculations witnessmarkv1.CalculationServiceClient

	conn *grpc.ClientConn
}

// Dial prepares a connection to server, "https://host[:port]" or, on the
// loopback address or with plain set, "http://host[:port]". token may be empty.
// Nothing is sent before the first call.
//
// Errors: Invalid SERVER_ADDRESS; Denied SERVER_NOT_SECURE for plain HTTP to
// another machine.
func Dial(server, token string, plain bool) (*Client, error) {
	u, err := url.Parse(server)
	if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") || strings.Trim(u.Path, "/") != "" {
		return nil, errs.Field("SERVER_ADDRESS", "server", fmt.Sprintf("%.200q is not an address such as https://witnessmark.example or http://127.0.0.1:8080", server))
	}
	port := u.Port()
	creds := credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS12})
	if port == "" {
		port = "443"
	}
	if u.Scheme == "http" {
		if !plain && !Loopback(u.Hostname()) {
			return nil, errs.Newf(errs.Denied, "SERVER_NOT_SECURE", "%s is another machine and plain HTTP would show the credential to everyone on the way; use https, or say --plain", u.Host)
		}
		creds = insecure.NewCredentials()
		if u.Port() == "" {
			port = "80"
		}
	}
	options := []grpc.DialOption{grpc.WithTransportCredentials(creds), grpc.WithUnaryInterceptor(deadline), grpc.WithDefaultServiceConfig(retries),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(8 << 20))}
	if token != "" {
		options = append(options, grpc.WithPerRPCCredentials(bearer(token)))
	}
	conn, err := grpc.NewClient("dns:///"+net.JoinHostPort(u.Hostname(), port), options...)
	if err != nil {
		return nil, errs.Field("SERVER_ADDRESS", "server", fmt.Sprintf("%.200q cannot be used as an address", server)).Because(err)
	}
	return &Client{
		People: witnessmarkv1.NewPeopleServiceClient(conn), Devices: witnessmarkv1.NewDeviceServiceClient(conn), Setup: witnessmarkv1.NewSetupServiceClient(conn),
		Jobs: witnessmarkv1.NewJobServiceClient(conn), Uploads: witnessmarkv1.NewUploadServiceClient(conn), Evidence: witnessmarkv1.NewEvidenceServiceClient(conn),
		Grants: witnessmarkv1.NewGrantServiceClient(conn), Calculations: witnessmarkv1.NewCalculationServiceClient(conn), conn: conn,
	}, nil
}

// Close ends the connection.
func (c *Client) Close() error { return c.conn.Close() }

// Loopback reports whether a host name or address is this machine's own.
func Loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// retries lets gRPC repeat what no server took; the numbers are those of the
// example in gRPC proposal A6.
const retries = `{"methodConfig":[{"name":[{}],"retryPolicy":{"maxAttempts":4,"initialBackoff":"0.1s","maxBackoff":"1s","backoffMultiplier":2,"retryableStatusCodes":["UNAVAILABLE"]}}]}`

func deadline(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoker grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	ctx, cancel := context.WithTimeout(ctx, Timeout)
	defer cancel()
	return invoker(ctx, method, req, reply, cc, opts...)
}

type bearer string

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials; Dial has
// decided already.
func (bearer) RequireTransportSecurity() bool { return false }

// statusOf finds the server's own answer in an error, without the words that
// were put around it on the way.
func statusOf(err error) (*status.Status, bool) {
	var s interface{ GRPCStatus() *status.Status }
	if err == nil || !errors.As(err, &s) {
		return nil, false
	}
	return s.GRPCStatus(), true
}

// Reason returns the stable reason that a server gave with an error; empty
// where it gave none.
func Reason(err error) string {
	s, ok := statusOf(err)
	if !ok {
		return errs.ReasonOf(err)
	}
	for _, d := range s.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.GetReason()
		}
	}
	return ""
}

// Explain is an error in a sentence for a person, with its reason in brackets.
func Explain(err error) string {
	s, ok := statusOf(err)
	if !ok {
		var e *errs.Error
		if errors.As(err, &e) {
			return e.Msg + " [" + e.Reason + "]"
		}
		return err.Error()
	}
	text := s.Message()
	if s.Code() == codes.Unavailable && Reason(err) == "" {
		text = "the server does not answer; is it running, and is --server right? (" + text + ")"
	}
	var fields []string
	for _, d := range s.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				if f := v.GetField() + ": " + v.GetDescription(); !strings.Contains(text, v.GetDescription()) {
					fields = append(fields, f)
				}
			}
		}
	}
	if len(fields) > 0 {
		text += "; " + strings.Join(fields, "; ")
	}
	if r := Reason(err); r != "" {
		text += " [" + r + "]"
	}
	return text
}

// Later reports whether the same call may do better later: the server did not
// answer, or it is busy.
func Later(err error) bool {
	if s, ok := statusOf(err); ok {
		return s.Code() == codes.Unavailable || s.Code() == codes.DeadlineExceeded
	}
	return errs.KindOf(err) == errs.Unavailable || errors.Is(err, context.DeadlineExceeded)
}
