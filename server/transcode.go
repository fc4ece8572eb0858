package server

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"strings"

	"connectrpc.com/connect"
	"connectrpc.com/vanguard"
	"connectrpc.com/vanguard/vanguardgrpc"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// MaxMessage is the largest message taken, in bytes.
const MaxMessage = 4 << 20

// transcodeBuffer is over MaxMessage: were it equal, a too large Connect call
// would come back as unavailable, which a queue repeats for ever; so it is a
// clean resource_exhausted.
const transcodeBuffer = 2 * MaxMessage

// transcode puts gRPC-Web, Connect and JSON over HTTP before a gRPC server, all
// on one handler. What is no RPC goes to next. This file is the only one that
// knows which library does it.
func transcode(g *grpc.Server, next http.Handler) (http.Handler, error) {
	t, err := vanguardgrpc.NewTranscoder(g,
		vanguard.WithUnknownHandler(next),
		vanguard.WithCompression(vanguard.CompressionGzip,
			func() connect.Compressor { return gzip.NewWriter(io.Discard) },
			func() connect.Decompressor { return &boundedGzip{} },
		),
		vanguard.WithCodec(func(res vanguard.TypeResolver) vanguard.Codec {
			return strictJSON{vanguard.JSONCodec{
				MarshalOptions:   protojson.MarshalOptions{Resolver: res, EmitUnpopulated: true},
				UnmarshalOptions: protojson.UnmarshalOptions{Resolver: res},
			}}
		}),
		vanguard.WithDefaultServiceOptions(
			vanguard.WithMaxMessageBufferBytes(transcodeBuffer),
			// A query parameter that is not known would be answered with 500.
			vanguard.WithRESTUnmarshalOptions(vanguard.RESTUnmarshalOptions{DiscardUnknownQueryParams: true}),
		),
	)
	if err != nil {
		return nil, err
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/v1/") {
			w = &reasonedWriter{ResponseWriter: w, r: r}
		}
		t.ServeHTTP(w, r)
	}), nil
}

// reasonedWriter gives the library's own refusals of a JSON call, which are bare
// text, the form and the reason that every other error has.
type reasonedWriter struct {
	http.ResponseWriter
	r        *http.Request
	replaced bool
}

// Unwrap lets http.ResponseController reach the writer within.
func (w *reasonedWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// Flush is for a library that asks the writer itself.
func (w *reasonedWriter) Flush() { _ = http.NewResponseController(w.ResponseWriter).Flush() }

// WriteHeader writes the status, and the whole answer where it is replaced.
func (w *reasonedWriter) WriteHeader(code int) {
	p := problem{Type: "about:blank", Status: code}
	switch code {
	case http.StatusMethodNotAllowed:
		p.Reason, p.Detail = "METHOD_NOT_ALLOWED", "this path does not take the method "+w.r.Method+"; it takes "+w.Header().Get("Allow")
	case http.StatusUnsupportedMediaType:
		p.Reason, p.Detail = "CONTENT_TYPE_UNKNOWN", "send JSON, with the header Content-Type: application/json, not packed or packed with gzip"
	default:
		w.ResponseWriter.WriteHeader(code)
		return
	}
	w.replaced = true
	p.write(w.ResponseWriter, w.r, nil)
}

func (w *reasonedWriter) Write(b []byte) (int, error) {
	if w.replaced {
		return len(b), nil
	}
	return w.ResponseWriter.Write(b)
}

// boundedGzip reads gzip up to a bound. The library bounds what it takes, not
// what comes of it: four MiB of zeros, packed, become four GiB, and that before
// anybody is asked who he is.
type boundedGzip struct {
	gzip.Reader
	left int64
}

// Reset implements connect.Decompressor.
func (z *boundedGzip) Reset(r io.Reader) error {
	z.left = transcodeBuffer
	return z.Reader.Reset(r)
}

// Read implements connect.Decompressor.
func (z *boundedGzip) Read(p []byte) (int, error) {
	if z.left <= 0 {
		e := connect.NewError(connect.CodeResourceExhausted, fmt.Errorf("the message is over %d bytes once it is unpacked", MaxMessage))
		if d, derr := connect.NewErrorDetail(errorInfo("MESSAGE_TOO_LARGE", nil)); derr == nil {
			e.AddDetail(d)
		}
		return 0, e
	}
	n, err := z.Reader.Read(p[:min(int64(len(p)), z.left)])
	z.left -= int64(n)
	return n, err
}

// strictJSON refuses members that the message does not have, and says where
// JSON is malformed, as the caller's mistake: the library alone answers 500.
type strictJSON struct{ vanguard.JSONCodec }

func (c strictJSON) Unmarshal(b []byte, m proto.Message) error {
	if err := c.JSONCodec.Unmarshal(b, m); err != nil {
		return jsonError(err)
	}
	return nil
}

func (c strictJSON) UnmarshalField(b []byte, m proto.Message, f protoreflect.FieldDescriptor) error {
	if err := c.JSONCodec.UnmarshalField(b, m, f); err != nil {
		return jsonError(err)
	}
	return nil
}

func jsonError(err error) error {
	e := connect.NewError(connect.CodeInvalidArgument, err)
	if d, derr := connect.NewErrorDetail(errorInfo("JSON_MALFORMED", nil)); derr == nil {
		e.AddDetail(d)
	}
	return e
}
