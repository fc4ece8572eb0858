package seal_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

type recordVectors struct {
	Lines []struct {
		Seq, AttestedBy, PayloadHash, PAEHash, LeafHash, RootSoFar string
		PayloadBytes                                               int
	}
}

// vectorLines are the six lines made independently of this program.
func vectorLines(tb testing.TB) [][]byte {
	tb.Helper()
	return bytes.Split(bytes.TrimSuffix(vectorFile(tb, "record.jsonl"), []byte("\n")), []byte("\n"))
}

func joined(lines [][]byte) []byte {
	var b []byte
	for _, l := range lines {
		b = append(append(b, l...), '\n')
	}
	return b
}

func TestRecordVectors(t *testing.T) {
	var v recordVectors
	vectorJSON(t, "record.json", &v)
	keys := vectorKeys(t)
	lines := vectorLines(t)
	if len(lines) != len(v.Lines) {
		t.Fatalf("%d lines, want %d", len(lines), len(v.Lines))
	}
	tree := seal.NewTree()
	for i, want := range v.Lines {
		l, err := seal.ParseLine(lines[i])
		if err != nil {
			t.Fatalf("line %d: %v", i+1, err)
		}
		if l.Seq != uint64(i+1) || l.PayloadType != seal.EntryType || len(l.Payload) != want.PayloadBytes {
			t.Errorf("line %d has seq %d, type %s, payload of %d bytes; want %d bytes", i+1, l.Seq, l.PayloadType, len(l.Payload), want.PayloadBytes)
		}
		if got := seal.Sum(l.Payload).String(); got != want.PayloadHash {
			t.Errorf("payload %d hashes to %s, want %s", i+1, got, want.PayloadHash)
		}
		if got := seal.Sum(seal.PAE(l.PayloadType, l.Payload)).String(); got != want.PAEHash {
			t.Errorf("PAE %d hashes to %s, want %s", i+1, got, want.PAEHash)
		}
		leaf := seal.LeafHash(lines[i])
		if leaf.String() != want.LeafHash {
			t.Errorf("leaf %d = %s, want %s", i+1, leaf, want.LeafHash)
		}
		if err := tree.Append(leaf, nil); err != nil {
			t.Fatal(err)
		}
		if got := tree.Root().String(); got != want.RootSoFar {
			t.Errorf("root of %d = %s, want %s", i+1, got, want.RootSoFar)
		}
		if (len(l.Signatures) == 1) != (want.AttestedBy == "device") || (l.AttestedBy == seal.AttestedByServer) != (want.AttestedBy == "server") {
			t.Errorf("line %d has %d signatures and is attested by %q, want %s", i+1, len(l.Signatures), l.AttestedBy, want.AttestedBy)
		}
		for _, s := range l.Signatures {
			if err := seal.VerifySignature(keys[s.KeyID], l.PayloadType, l.Payload, s.Sig); err != nil {
				t.Errorf("line %d: %v", i+1, err)
			}
			if err := seal.VerifySignature(keys[s.KeyID], l.PayloadType, l.Payload, otherHalf(s.Sig)); err != nil {
				t.Errorf("line %d with n−s: %v", i+1, err)
			}
		}
		// What we would have written for the same entry.
		got, err := seal.AppendLine([]byte("before"), l)
		if err != nil || string(got) != "before"+string(lines[i]) {
			t.Errorf("AppendLine(line %d) = %s, %v; want %s", i+1, got, err, lines[i])
		}
	}
}

func TestParseLineNamesWhatIsWrong(t *testing.T) {
	signed, attested := string(vectorLines(t)[0]), string(vectorLines(t)[3])
	for _, tc := range []struct{ name, line, from, to, want string }{
		{"a member added later", signed, `{"seq"`, `{"later":{"a":[1]},"seq"`, ""},
		{"a member added later in a signature", signed, `{"keyid"`, `{"alg":5,"keyid"`, ""},
		{"other order and spaces", attested, `"seq":"4","received":"2026-03-02T15:04:00.000Z"`, `"received": "2026-03-02T15:04:00.000Z", "seq" :"4"`, ""},
		{"seq 0", attested, `"4"`, `"0"`, "LINE_SEQ"},
		{"seq with a leading zero", attested, `"4"`, `"04"`, "LINE_SEQ"},
		{"seq with a sign", attested, `"4"`, `"+4"`, "LINE_SEQ"},
		{"seq negative", attested, `"4"`, `"-4"`, "LINE_SEQ"},
		{"seq over 63 bits", attested, `"4"`, `"9223372036854775808"`, "LINE_SEQ"},
		{"seq a number", attested, `"4"`, `4`, "LINE_MEMBER"},
		{"seq empty", attested, `"4"`, `""`, "LINE_SEQ"},
		{"no seq", attested, `"seq":"4",`, ``, "LINE_MEMBER"},
		{"no identity", attested, `,"identity":{"organization":"organizations/demo","person":"people/p2"}`, ``, "LINE_MEMBER"},
		{"identity a string", attested, `{"organization":"organizations/demo","person":"people/p2"}`, `"p2"`, "LINE_MEMBER"},
		{"seq twice", attested, `"seq":"4"`, `"seq":"4","seq":"5"`, "JSON_MEMBER_TWICE"},
		{"an unknown member twice", attested, `"seq"`, `"x":1,"x":1,"seq"`, "JSON_MEMBER_TWICE"},
		{"a member twice deep in identity", attested, `"person"`, `"organization":"organizations/other","person"`, "JSON_MEMBER_TWICE"},
		{"a time without milliseconds", attested, `15:04:00.000Z`, `15:04:00Z`, "TIME_MALFORMED"},
		{"a time in another zone", attested, `15:04:00.000Z`, `15:04:00.000+00:00`, "TIME_MALFORMED"},
		{"a time with a comma", attested, `15:04:00.000Z`, `15:04:00,000Z`, "TIME_MALFORMED"},
		{"hour 24", attested, `15:04:00.000Z`, `24:04:00.000Z`, "TIME_MALFORMED"},
		{"no payload type", attested, `application/vnd.witnessmark.entry+json`, ``, "LINE_MEMBER"},
		{"payload in the other alphabet", attested, `"payload":"eyJ`, `"payload":"-_J`, "LINE_BASE64"},
		{"payload without padding", signed, `X0=","signatures`, `X0","signatures`, "LINE_BASE64"},
		{"payload with spare bits", signed, `X0=","signatures`, `X1=","signatures`, "LINE_BASE64"},
		{"payload with an escaped line break", attested, `"payload":"eyJ`, `"payload":"eyJ\n`, "LINE_BASE64"},
		{"payload empty", attested, string(payload64(attested)), ``, "LINE_BASE64"},
		{"neither signed nor attested", attested, `,"attestedBy":"server"`, ``, "LINE_ATTESTATION"},
		{"attested by another", attested, `"attestedBy":"server"`, `"attestedBy":"device"`, "LINE_ATTESTATION"},
		{"signed and attested", signed, `,"identity"`, `,"attestedBy":"server","identity"`, "LINE_ATTESTATION"},
		{"signed and attested by nobody", signed, `,"identity"`, `,"attestedBy":"","identity"`, "LINE_ATTESTATION"},
		{"signatures no array", attested, `[]`, `{}`, "LINE_MEMBER"},
		{"seventeen signatures", attested, `[]`, `[` + strings.Repeat(`{},`, 16) + `{}]`, "LINE_MEMBER"},
		{"a signature that is a string", attested, `[]`, `["x"]`, "LINE_MEMBER"},
		{"a signature without a key id", attested, `[]`, `[{"sig":"` + strings.Repeat("A", 86) + `=="}]`, "LINE_MEMBER"},
		{"a key id in capitals", signed, `0adc823c1353bbde`, `0ADC823C1353BBDE`, "LINE_KEY_ID"},
		{"a short key id", signed, `0adc823c1353bbde`, `0adc`, "LINE_KEY_ID"},
		{"a signature of 63 bytes", signed, `1kiAbqDc1Xhnxrk8dPfeRpoxKzqiwuybjxzDaBJrXw4PeEGp1eTZ92+SNhQK9pJcca6/Uskk0ha5nha97wZIDQ==`, strings.Repeat("A", 84), "SIGNATURE_MALFORMED"},
		{"a signature in DER", signed, `1kiAbqDc1Xhnxrk8dPfeRpoxKzqiwuybjxzDaBJrXw4PeEGp1eTZ92+SNhQK9pJcca6/Uskk0ha5nha97wZIDQ==`, "MEUC" + strings.Repeat("A", 92), "SIGNATURE_MALFORMED"},
		{"a line feed inside", attested, `,`, ",\n", "LINE_BREAK"},
		{"a carriage return after it", attested, `"people/p2"}}`, `"people/p2"}}` + "\r", "LINE_BREAK"},
		{"blank", attested, attested, "  ", "LINE_BLANK"},
		{"empty", attested, attested, "", "LINE_BLANK"},
		{"an array", attested, attested, "[]", "JSON_MALFORMED"},
		{"a byte-order mark", attested, `{"seq"`, "\ufeff" + `{"seq"`, "JSON_MALFORMED"},
		{"bytes that are no UTF-8", attested, "people/p2", "people/\xff", "JSON_NOT_UTF8"},
		{"huge", attested, "people/p2", strings.Repeat("x", seal.MaxLine), "LINE_TOO_LONG"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := strings.Replace(tc.line, tc.from, tc.to, 1)
			if in == tc.line {
				t.Fatal("the case changes nothing")
			}
			if l, err := seal.ParseLine([]byte(in)); errs.ReasonOf(err) != tc.want || (err != nil) != (tc.want != "") {
				t.Errorf("ParseLine(%.200s) = seq %d, %v; want %q", in, l.Seq, err, tc.want)
			}
		})
	}
}

func payload64(line string) string {
	_, rest, _ := strings.Cut(line, `"payload":"`)
	p, _, _ := strings.Cut(rest, `"`)
	return p
}

func TestAppendLineWritesWhatWasTyped(t *testing.T) {
	l := seal.Line{
		Seq: 1, Received: time.Date(2026, 3, 2, 16, 1, 0, 999_999_999, time.FixedZone("", 3600)),
		PayloadType: seal.EntryType, Payload: []byte(`{"id":"<&>"}`), AttestedBy: seal.AttestedByServer,
		Identity:   json.RawMessage(`{"person":"people/<p>&\u2028"}`),
		Assessment: json.RawMessage(`{"sentence":"25.5 N·m > 24.4 N·m & < 30"}`),
	}
	got, err := seal.AppendLine(nil, l)
	want := `{"seq":"1","received":"2026-03-02T15:01:00.999Z","payloadType":"application/vnd.witnessmark.entry+json",` +
		`"payload":"eyJpZCI6IjwmPiJ9","signatures":[],"attestedBy":"server","identity":{"person":"people/<p>&\u2028"},` +
		`"assessment":{"sentence":"25.5 N·m > 24.4 N·m & < 30"}}`
	if err != nil || string(got) != want {
		t.Errorf("AppendLine = %s, %v; want %s", got, err, want)
	}
	back, err := seal.ParseLine(got)
	l.Received = time.Date(2026, 3, 2, 15, 1, 0, 999_000_000, time.UTC)
	if diff := cmp.Diff(l, back); err != nil || diff != "" {
		t.Errorf("ParseLine(AppendLine): %v, %s", err, diff)
	}
	for _, tc := range []struct {
		name   string
		change func(*seal.Line)
		want   string
	}{
		{"seq 0", func(l *seal.Line) { l.Seq = 0 }, "LINE_SEQ"},
		{"seq over 63 bits", func(l *seal.Line) { l.Seq = 1 << 63 }, "LINE_SEQ"},
		{"the year 10000", func(l *seal.Line) { l.Received = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }, "TIME_OUT_OF_RANGE"},
		{"no payload", func(l *seal.Line) { l.Payload = nil }, "LINE_BASE64"},
		{"no attestation", func(l *seal.Line) { l.AttestedBy = "" }, "LINE_ATTESTATION"},
		{"no identity", func(l *seal.Line) { l.Identity = nil }, "LINE_MEMBER"},
		{"an identity that opens a member of its own", func(l *seal.Line) { l.Identity = json.RawMessage(`{},"admin":{}`) }, "JSON_MALFORMED"},
		{"an identity with spaces around", func(l *seal.Line) { l.Identity = json.RawMessage(` {}`) }, "LINE_MEMBER"},
		{"an assessment that opens a second identity", func(l *seal.Line) { l.Assessment = json.RawMessage(`{},"identity":{}`) }, "JSON_MALFORMED"},
		{"an assessment over two lines", func(l *seal.Line) { l.Assessment = json.RawMessage("{\n}") }, "LINE_BREAK"},
		{"a type that is no UTF-8", func(l *seal.Line) { l.PayloadType = "\xff" }, "JSON_NOT_UTF8"},
		{"a key id that is no UTF-8", func(l *seal.Line) { l.Signatures = []seal.Signature{{KeyID: "\xff"}} }, "LINE_KEY_ID"},
		{"a short signature", func(l *seal.Line) {
			l.Signatures, l.AttestedBy = []seal.Signature{{KeyID: "0adc823c1353bbde", Sig: make([]byte, 63)}}, ""
		}, "SIGNATURE_MALFORMED"},
		{"too long", func(l *seal.Line) { l.Payload = make([]byte, seal.MaxLine) }, "LINE_TOO_LONG"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := l
			tc.change(&c)
			if got, err := seal.AppendLine(nil, c); !errs.Is(err, tc.want) {
				t.Errorf("AppendLine = %.200s, %v; want %s", got, err, tc.want)
			}
		})
	}
}

// lineByParsing is the slow way to make a line: write it, read it back, compare.
func lineByParsing(l seal.Line) (line []byte, good bool) {
	quote := func(s string) string {
		b, err := json.Marshal(s)
		if err != nil || !utf8.ValidString(s) {
			return "not UTF-8"
		}
		return string(b)
	}
	var sigs []string
	for _, s := range l.Signatures {
		sigs = append(sigs, fmt.Sprintf(`{"keyid":%s,"sig":"%s"}`, quote(s.KeyID), base64.StdEncoding.EncodeToString(s.Sig)))
	}
	b := fmt.Appendf(nil, `{"seq":"%d","received":"%s","payloadType":%s,"payload":"%s","signatures":[%s]`,
		l.Seq, l.Received.UTC().Format(seal.TimeLayout), quote(l.PayloadType), base64.StdEncoding.EncodeToString(l.Payload), strings.Join(sigs, ","))
	if l.AttestedBy != "" {
		b = fmt.Appendf(b, `,"attestedBy":%s`, quote(l.AttestedBy))
	}
	b = fmt.Appendf(b, `,"identity":%s`, l.Identity)
	if len(l.Assessment) > 0 {
		b = fmt.Appendf(b, `,"assessment":%s`, l.Assessment)
	}
	b = append(b, '}')
	back, err := seal.ParseLine(b)
	return b, err == nil && bytes.Equal(back.Identity, l.Identity) && bytes.Equal(back.Assessment, l.Assessment)
}

// A line is made exactly if it is read back as it was given.
func FuzzAppendLine(f *testing.F) {
	deep := func(n int) string { return strings.Repeat(`{"a":`, n) + "1" + strings.Repeat("}", n) }
	for _, raw := range []string{"", "{}", `{"a":1}`, ` {}`, "{}\n", `{"a":1,"a":2}`, `{"a":1,"\u0061":2}`, `{},"identity":{}`, `{}}`, `[{}]`, "{\r}", `{"a":"\ud800"}`, "{\"a\":\"\xff\"}", "{\"a\":\"\x00\"}",
		deep(seal.MaxJSONDepth - 1), deep(seal.MaxJSONDepth), `{"a":tru}`, `{"a":01}`, `{"a":"}`} {
		f.Add(uint64(1), seal.EntryType, []byte("{}"), "0adc823c1353bbde", 64, 1, "", []byte(raw), []byte("{}"))
		f.Add(uint64(9), seal.EntryType, []byte("{}"), "", 0, 0, "server", []byte("{}"), []byte(raw))
	}
	f.Add(uint64(0), "", []byte(nil), "0ADC823C1353BBDE", 63, 17, "server", []byte("{}"), []byte(nil))
	f.Add(uint64(1)<<63, strings.Repeat("t", 201), []byte("x"), "0adc823c1353bbde", 65, 1, "someone", []byte("{}"), []byte("{}"))
	f.Fuzz(func(t *testing.T, seq uint64, typ string, payload []byte, keyID string, sigLen, sigs int, attested string, identity, assessment []byte) {
		l := seal.Line{Seq: seq, Received: time.Date(2026, 3, 2, 15, 1, 0, 0, time.UTC), PayloadType: typ, Payload: payload, AttestedBy: attested, Identity: identity, Assessment: assessment}
		for range min(max(sigs, 0), 20) {
			l.Signatures = append(l.Signatures, seal.Signature{KeyID: keyID, Sig: make([]byte, min(max(sigLen, 0), 200))})
		}
		want, good := lineByParsing(l)
		got, err := seal.AppendLine(nil, l)
		switch {
		case good != (err == nil):
			t.Errorf("AppendLine(%+v) = %s, %v; writing and reading %s back: %v", l, got, err, want, good)
		case err != nil && errs.ReasonOf(err) == "":
			t.Errorf("AppendLine(%+v) = %v: without a reason", l, err)
		}
		if err != nil {
			return
		}
		if len(l.Assessment) == 0 {
			l.Assessment = nil
		}
		back, err := seal.ParseLine(got)
		if diff := cmp.Diff(l, back); err != nil || diff != "" {
			t.Errorf("ParseLine(AppendLine(%+v)): %v, %s", l, err, diff)
		}
	})
}

func FuzzParseLine(f *testing.F) {
	for _, l := range vectorLines(f) {
		f.Add(l)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		l, err := seal.ParseLine(b)
		if err != nil {
			if errs.ReasonOf(err) == "" {
				t.Errorf("ParseLine(%q) = %v: without a reason", b, err)
			}
			return
		}
		if !json.Valid(b) {
			t.Errorf("ParseLine(%q) accepts what encoding/json refuses", b)
		}
		made, err := seal.AppendLine(nil, l)
		if err != nil {
			if errs.Is(err, "LINE_TOO_LONG") {
				return
			}
			t.Fatalf("AppendLine(ParseLine(%q)) = %v", b, err)
		}
		again, err := seal.ParseLine(made)
		if diff := cmp.Diff(l, again); err != nil || diff != "" {
			t.Errorf("ParseLine(AppendLine(ParseLine(%q))): %v, %s", b, err, diff)
		}
	})
}
