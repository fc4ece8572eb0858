package evidence

import (
	"bytes"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// marshal is held against protojson, on all messages that bytes can be.
func FuzzMarshal(f *testing.F) {
	for _, s := range []string{
		`{}`, `{"steps":[{"step":"line:A1/x/y"},{}],"verdict":"PASS","sentence":"25.5 N·m > 24.4 N·m","advice":"\"quoted\" \u0001\u007f"}`,
		`{"pinned":{"settings":{"b":"2","a":"1","":"x"},"roles":["LEAD","CLIMBER"],"offset":"-1.5s","dayBegin":"2026-03-02T00:00:00Z","toolMinimum":1e-9,"toolMaximum":1e21,"directivity":0,"expandedUncertainty":-0.25}}`,
		`{"pinned":{"toolMinimum":"NaN","toolMaximum":"-Infinity","residual":123456789.125}}`,
	} {
		a := &recordv1.Assessment{}
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal([]byte(s), a); err != nil {
			f.Fatal(err)
		}
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(a)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, m := range []proto.Message{&recordv1.Assessment{}, &recordv1.Entry{}} {
			if proto.Unmarshal(b, m) != nil {
				continue
			}
			want, wantErr := protojson.Marshal(m)
			got, err := marshal(m)
			if (err == nil) != (wantErr == nil) {
				t.Errorf("marshal(%v): %v; protojson: %v", m, err, wantErr)
			} else if err == nil && !bytes.Equal(got, compact(want)) {
				t.Errorf("marshal(%v) = %s; want %s", m, got, want)
			}
		}
	})
}

func BenchmarkMarshal(b *testing.B) {
	a := &recordv1.Assessment{}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal([]byte(`{"verdict":"PASS","sentence":"25 N·m is within 24.4 to 26 N·m.","pinned":{"settings":{},"roles":["CLIMBER"],"dayBegin":"2026-03-02T00:00:00Z","dayEnd":"2026-03-03T00:00:00Z","toolMinimum":5,"toolMaximum":50,"toolCalibratedUntil":"2027-01-01"}}`), a); err != nil {
		b.Fatal(err)
	}
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			if _, err := marshal(a); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("protojson", func(b *testing.B) {
		for b.Loop() {
			if _, err := protojson.Marshal(a); err != nil {
				b.Fatal(err)
			}
		}
	})
}
