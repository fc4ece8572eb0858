package evidence_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"witnessmark/internal/evidence"
	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// mutator changes messages into others of the same type that nobody would make.
type mutator struct {
	*rand.Rand
	words []string
}

func (m mutator) scalar(f protoreflect.FieldDescriptor) protoreflect.Value {
	pick := func(vs ...float64) float64 { return vs[m.IntN(len(vs))] }
	switch f.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(m.words[m.IntN(len(m.words))])
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes(bytes.Repeat([]byte{byte(m.IntN(256))}, []int{0, 1, 31, 32, 33}[m.IntN(5)]))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(m.IntN(2) == 0)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32([]int32{0, 1, -1, math.MaxInt32, math.MinInt32, 7}[m.IntN(6)])
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64([]int64{0, 1, -1, math.MaxInt64, math.MinInt64, 7}[m.IntN(6)])
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(pick(0, -1, 1e308, -1e308, 5e-324, math.NaN(), math.Inf(1), math.Inf(-1), 25))
	case protoreflect.EnumKind:
		vs := f.Enum().Values()
		return protoreflect.ValueOfEnum(vs.Get(m.IntN(vs.Len())).Number())
	}
	return f.Default()
}

func (m mutator) message(x protoreflect.Message, depth int) {
	fs := x.Descriptor().Fields()
	for i := range fs.Len() {
		f := fs.Get(i)
		if x.Descriptor().Name() == "Entry" && (f.Name() == "id" || f.Name() == "job") && m.IntN(20) > 0 {
			continue
		}
		has := x.Has(f)
		if chance := m.IntN(100); has && chance > 25 || !has && (chance > 4 || f.ContainingOneof() != nil && !f.HasOptionalKeyword()) || depth > 5 {
			if has && f.Message() != nil && !f.IsList() && !f.IsMap() {
				m.message(x.Mutable(f).Message(), depth+1)
			}
			continue
		}
		switch {
		case f.IsMap():
			if m.IntN(2) == 0 {
				x.Clear(f)
			}
		case f.IsList():
			l := x.Mutable(f).List()
			switch m.IntN(3) {
			case 0:
				l.Truncate(0)
			case 1:
				if l.Len() > 0 {
					l.Append(l.Get(m.IntN(l.Len())))
				}
			default:
				if f.Message() != nil {
					e := l.AppendMutable().Message()
					m.message(e, depth+1)
				} else {
					l.Append(m.scalar(f))
				}
			}
		case f.Message() != nil:
			if m.IntN(3) == 0 {
				x.Clear(f)
			} else {
				m.message(x.Mutable(f).Message(), depth+1)
			}
		default:
			x.Set(f, m.scalar(f))
		}
	}
	// Now and then another kind altogether, with nothing in it.
	if x.Descriptor().Name() == "Entry" && m.IntN(12) == 0 {
		kinds := x.Descriptor().Oneofs().ByName("kind").Fields()
		f := kinds.Get(m.IntN(kinds.Len()))
		m.message(x.Mutable(f).Message(), depth+1)
	}
}

// Whatever stands in the lines, Verify answers: it neither panics nor hangs nor
// finds the package right. HOSTILE_ROUNDS says how many packages to try.
func TestHostileLines(t *testing.T) {
	rounds := 60
	if s := os.Getenv("HOSTILE_ROUNDS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		rounds = n
	}
	j := usual(t)
	archive := j.Archive()
	words := []string{"", "x", "people/p1", "people/p9", "devices/d1", evidencetest.Wrench, evidencetest.Analyser, "climb:x/briefing/understood", "climb:" + j.ClimbID + "/weather/wind", j.ClimbID,
		"connection:A1-top/couple/torque", "connection:A1-top/couple/photos", "line:A1/test/intermodulation", "line:A1/test/trace", "job/kit/self-check", "mated", "7-16", "Europe/Madrid", "2026-02-30", "2026-11-14", "LEAD", "NONE", "NOT_FIT", "II A"}
	for round := range rounds {
		m := mutator{rand.New(rand.NewPCG(uint64(round), 5)), words}
		changed := false
		b := forge(t, archive, lines(func(ls [][]byte) [][]byte {
			for range 1 + m.IntN(6) {
				n := m.IntN(len(ls))
				l, err := seal.ParseLine(ls[n])
				if err != nil {
					t.Fatal(err)
				}
				e, a := &recordv1.Entry{}, &recordv1.Assessment{}
				if err := protojson.Unmarshal(l.Payload, e); err != nil {
					t.Fatal(err)
				}
				if err := protojson.Unmarshal(l.Assessment, a); err != nil {
					t.Fatal(err)
				}
				m.message(e.ProtoReflect(), 0)
				m.message(a.ProtoReflect(), 0)
				payload, err := protojson.Marshal(e)
				if err != nil {
					continue // a time or a text that has no JSON form
				}
				if b, err := protojson.Marshal(a); err == nil {
					var c bytes.Buffer
					if err := json.Compact(&c, b); err != nil {
						t.Fatal(err)
					}
					l.Assessment = c.Bytes()
				}
				l.Payload, l.Signatures, l.AttestedBy = payload, nil, seal.AttestedByServer
				if out, err := seal.AppendLine(nil, l); err == nil && !proto.Equal(e, &recordv1.Entry{}) {
					changed = changed || !bytes.Equal(ls[n], out)
					ls[n] = out
				}
			}
			return ls
		}))
		r, err := evidence.Verify(context.Background(), bytes.NewReader(b), int64(len(b)), evidence.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if (r.Failure == nil) == changed {
			t.Errorf("round %d: changed %v, failure %v", round, changed, r.Failure)
		}
	}
}
