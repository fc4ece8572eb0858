package server

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"

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
	return vanguardgrpc.NewTranscoder(g,
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
