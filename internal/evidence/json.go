package evidence

import (
	"encoding/base64"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// marshal writes a message as proto3 JSON without spaces: byte for byte what
// protojson writes, in a fraction of its time for what the program's own
// messages hold. Where a message holds something else, protojson does the work.
func marshal(m proto.Message) ([]byte, error) {
	if b, ok := appendMessage(make([]byte, 0, 1024), m.ProtoReflect()); ok {
		return b, nil
	}
	b, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	return compact(b), nil
}

func appendMessage(dst []byte, m protoreflect.Message) (out []byte, ok bool) {
	d := m.Descriptor()
	if d.FullName().Parent() == "google.protobuf" || len(m.GetUnknown()) > 0 {
		b, err := protojson.Marshal(m.Interface()) // times, durations and their like have forms of their own
		return append(dst, compact(b)...), err == nil
	}
	fields := d.Fields()
	if d.ExtensionRanges().Len() > 0 {
		return dst, false
	}
	dst = append(dst, '{')
	first := true
	for i := range fields.Len() {
		f := fields.Get(i)
		if !m.Has(f) {
			continue
		}
		if !first {
			dst = append(dst, ',')
		}
		first = false
		dst = append(append(append(dst, '"'), f.JSONName()...), '"', ':')
		switch v := m.Get(f); {
		case f.IsMap():
			if f.MapKey().Kind() != protoreflect.StringKind {
				return dst, false
			}
			var keys []string
			v.Map().Range(func(k protoreflect.MapKey, _ protoreflect.Value) bool {
				keys = append(keys, k.String())
				return true
			})
			slices.Sort(keys)
			dst = append(dst, '{')
			for i, k := range keys {
				if i > 0 {
					dst = append(dst, ',')
				}
				if dst, ok = appendString(dst, k); !ok {
					return dst, false
				}
				dst = append(dst, ':')
				if dst, ok = appendValue(dst, f.MapValue(), v.Map().Get(protoreflect.ValueOfString(k).MapKey())); !ok {
					return dst, false
				}
			}
			dst = append(dst, '}')
		case f.IsList():
			dst = append(dst, '[')
			for i := range v.List().Len() {
				if i > 0 {
					dst = append(dst, ',')
				}
				if dst, ok = appendValue(dst, f, v.List().Get(i)); !ok {
					return dst, false
				}
			}
			dst = append(dst, ']')
		default:
			if dst, ok = appendValue(dst, f, v); !ok {
				return dst, false
			}
		}
	}
	return append(dst, '}'), true
}

func appendValue(dst []byte, f protoreflect.FieldDescriptor, v protoreflect.Value) (out []byte, ok bool) {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return strconv.AppendBool(dst, v.Bool()), true
	case protoreflect.StringKind:
		return appendString(dst, v.String())
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return strconv.AppendInt(dst, v.Int(), 10), true
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return append(strconv.AppendInt(append(dst, '"'), v.Int(), 10), '"'), true
	case protoreflect.DoubleKind:
		return appendDouble(dst, v.Float())
	case protoreflect.BytesKind:
		return append(base64.StdEncoding.AppendEncode(append(dst, '"'), v.Bytes()), '"'), true
	case protoreflect.EnumKind:
		if e := f.Enum().Values().ByNumber(v.Enum()); e != nil && f.Enum().FullName() != "google.protobuf.NullValue" {
			return append(append(append(dst, '"'), e.Name()...), '"'), true
		}
		return dst, false
	case protoreflect.MessageKind:
		return appendMessage(dst, v.Message())
	}
	return dst, false
}

// appendDouble writes a number as ES6 does, which is what encoding/json and
// protojson do.
func appendDouble(dst []byte, x float64) ([]byte, bool) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return dst, false
	}
	form := byte('f')
	if a := math.Abs(x); a != 0 && (a < 1e-6 || a >= 1e21) {
		form = 'e'
	}
	dst = strconv.AppendFloat(dst, x, form, -1, 64)
	if n := len(dst); form == 'e' && n >= 4 && dst[n-4] == 'e' && dst[n-3] == '-' && dst[n-2] == '0' {
		dst[n-2] = dst[n-1] // e-09 is e-9
		dst = dst[:n-1]
	}
	return dst, true
}

// appendString writes a string that needs no escape.
func appendString(dst []byte, s string) ([]byte, bool) {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c == '"' || c == '\\' || c == 0x7f {
			return dst, false
		}
	}
	return append(append(append(dst, '"'), s...), '"'), utf8.ValidString(s)
}
