package server

import (
	"errors"
	"strings"

	"google.golang.org/grpc/encoding"
	grpcproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

// brokenField is a field that no message has. A message that could not be read
// carries it, alone, up to the handler's door, where it becomes the caller's
// mistake; the library itself would answer INTERNAL before any of our code runs.
const brokenField protowire.Number = protowire.MaxValidNumber

type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(grpcproto.Name)} }

// Unmarshal implements encoding.CodecV2.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	err := c.CodecV2.Unmarshal(data, v)
	m, ok := v.(proto.Message)
	if err == nil || !ok {
		return err
	}
	proto.Reset(m)
	m.ProtoReflect().SetUnknown(protowire.AppendString(protowire.AppendTag(nil, brokenField, protowire.BytesType), strings.ToValidUTF8(err.Error(), "?")))
	return nil
}

// broken says why a message could not be read; nil for one that could. A client
// that sends the field itself has only its own message refused.
func broken(v any) error {
	m, ok := v.(proto.Message)
	if !ok {
		return nil
	}
	b := m.ProtoReflect().GetUnknown()
	if num, typ, n := protowire.ConsumeTag(b); n > 0 && num == brokenField && typ == protowire.BytesType {
		if text, k := protowire.ConsumeString(b[n:]); k > 0 {
			return malformed(errors.New(strings.ToValidUTF8(text, "?")))
		}
	}
	return nil
}
