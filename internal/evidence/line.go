// Package evidence makes, reads and verifies the package that leaves the
// program: lines, originals, procedure, keys, proofs and a report, in one bag.
// Whoever opens it needs to trust nobody; the verifier links no database and no
// network.
package evidence

import (
	"bytes"
	"encoding/json"
	"fmt"

	"google.golang.org/protobuf/encoding/protojson"

	"witnessmark/internal/errs"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Identity is who was authenticated when a line was made.
type Identity struct {
	Organization string `json:"organization"`
	Person       string `json:"person,omitempty"`
	Device       string `json:"device,omitempty"`
	Session      string `json:"session,omitempty"`
}

// ReadEntry reads a payload as an entry: strict JSON, no member twice, no
// member or enum name that is not known.
//
// Errors: those of seal.CheckJSON; Invalid PAYLOAD_NOT_KNOWN with meta "later"
// where a member or enum name is not known, which a newer server may read;
// Invalid PAYLOAD_MALFORMED for anything else that is no entry.
func ReadEntry(payload []byte) (*recordv1.Entry, error) {
	if err := seal.CheckJSON(payload); err != nil {
		return nil, err
	}
	e := &recordv1.Entry{}
	err := protojson.Unmarshal(payload, e)
	switch {
	case err == nil:
		return e, nil
	case bytes.Contains([]byte(err.Error()), []byte("unknown field")), bytes.Contains([]byte(err.Error()), []byte("invalid value for enum")):
		return nil, errs.New(errs.Invalid, "PAYLOAD_NOT_KNOWN", "this server is older than the client: it does not know a member or name of the entry; try again later", "later", "true", "detail", clip(err.Error())).Because(err)
	}
	return nil, errs.New(errs.Invalid, "PAYLOAD_MALFORMED", "the payload is not an entry: "+clip(err.Error()), "detail", clip(err.Error())).Because(err)
}

func clip(s string) string {
	if len(s) > 200 {
		s = s[:200]
	}
	return string(bytes.ToValidUTF8([]byte(s), []byte("?")))
}

// MakeLine makes the bytes of a line, once.
func MakeLine(l *record.Line, payload, signature []byte, id Identity) ([]byte, error) {
	ident, err := json.Marshal(id)
	if err != nil {
		return nil, fmt.Errorf("line %d: identity: %w", l.Seq, err)
	}
	sl := seal.Line{Seq: uint64(l.Seq), Received: l.Received, PayloadType: seal.EntryType, Payload: payload, Identity: ident}
	if l.KeyID != "" {
		sl.Signatures = []seal.Signature{{KeyID: l.KeyID, Sig: signature}}
	} else {
		sl.AttestedBy = seal.AttestedByServer
	}
	if l.Assessment != nil {
		if sl.Assessment, err = marshal(l.Assessment); err != nil {
			return nil, fmt.Errorf("line %d: assessment: %w", l.Seq, err)
		}
	}
	return seal.AppendLine(nil, sl)
}

// compact takes away, in place, the spaces that protojson strews between the
// tokens of its JSON.
func compact(b []byte) []byte {
	out := b[:0]
	for i := 0; i < len(b); i++ {
		switch c := b[i]; c {
		case ' ', '\t', '\n', '\r':
		case '"':
			from := i
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			out = append(out, b[from:min(i+1, len(b))]...)
		default:
			out = append(out, c)
		}
	}
	return out
}

// Parsed is a line with what the fold needs of it.
type Parsed struct {
	seal.Line
	Fold     *record.Line
	Identity Identity
}

// ParseLine reads a line's bytes. Members of the assessment that this program
// does not know are passed over: fields may be added.
//
// Errors: those of seal.ParseLine and ReadEntry; Invalid LINE_MEMBER for an
// identity or assessment of the wrong form.
func ParseLine(b []byte) (*Parsed, error) {
	sl, err := seal.ParseLine(b)
	if err != nil {
		return nil, err
	}
	e, err := ReadEntry(sl.Payload)
	if err != nil {
		return nil, err
	}
	p := &Parsed{Line: sl}
	if err := json.Unmarshal(sl.Identity, &p.Identity); err != nil {
		return nil, errs.Newf(errs.Invalid, "LINE_MEMBER", "line %d: identity is not of the known form", sl.Seq).Because(err)
	}
	p.Fold = &record.Line{Seq: int64(sl.Seq), Received: sl.Received, Entry: e, PayloadDigest: seal.Sum(sl.Payload), Person: p.Identity.Person, Device: p.Identity.Device}
	if len(sl.Signatures) > 0 {
		p.Fold.KeyID = sl.Signatures[0].KeyID
	}
	if len(sl.Assessment) > 0 {
		a := &recordv1.Assessment{}
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(sl.Assessment, a); err != nil {
			return nil, errs.Newf(errs.Invalid, "LINE_MEMBER", "line %d: assessment is not of the known form", sl.Seq).Because(err)
		}
		p.Fold.Assessment = a
	}
	return p, nil
}

// RefusedLine is one line of refused.jsonl: an entry that was kept aside.
type RefusedLine struct {
	Digest    string `json:"digest"` // SHA-256 of the payload, hex
	Payload   []byte `json:"payload"`
	Signature []byte `json:"signature,omitempty"`
	KeyID     string `json:"keyid,omitempty"`
	Reason    string `json:"reason"`
	Sentence  string `json:"sentence"`
	Sender    string `json:"sender"`
	Device    string `json:"device,omitempty"`
	Counter   int64  `json:"counter,omitempty"`
	Received  string `json:"received"`
}

// Bytes is the line without the line feed.
func (r RefusedLine) Bytes() ([]byte, error) { return json.Marshal(r) }
