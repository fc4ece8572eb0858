package seal

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// Bounds of one line of a record.
const (
	MaxLine       = 8 << 20 // bytes, without the line feed
	maxType       = 200     // bytes of a payload type
	maxSignatures = 16
)

// TimeLayout is how lines and log leaves print a time: RFC 3339, UTC,
// milliseconds, always three digits.
const TimeLayout = "2006-01-02T15:04:05.000Z"

// AttestedByServer is Line.AttestedBy of an entry without a device signature.
const AttestedByServer = "server"

// Signature is one device signature of a line.
type Signature struct {
	KeyID string // 16 lower-case hexadecimal digits
	Sig   []byte // raw, r ‖ s, 64 bytes
}

// Line is one line of a record, read or about to be made.
type Line struct {
	Seq         uint64    // 1, 2, 3 …
	Received    time.Time // the server's clock, UTC, milliseconds
	PayloadType string
	Payload     []byte // exactly as the client made it
	Signatures  []Signature
	AttestedBy  string          // AttestedByServer if and only if Signatures is empty
	Identity    json.RawMessage // object: who was authenticated
	Assessment  json.RawMessage // object: what the server answered; nil if nothing
}

// AppendLine appends the bytes of l, without a line feed, to dst. It is called
// once for each accepted entry; from then on the bytes are kept, never made
// again. Members stand in the order seq, received, payloadType, payload,
// signatures, attestedBy (if any), identity, assessment (if any); Identity and
// Assessment are written as they are given, so they must be compact JSON.
//
// The error is Invalid, with ParseLine's reasons: a line is made only if
// ParseLine reads it back.
func AppendLine(dst []byte, l Line) ([]byte, error) {
	received, err := l.check()
	if err != nil {
		return nil, err
	}
	start := len(dst)
	dst = slices.Grow(dst, 300+len(l.PayloadType)+base64.StdEncoding.EncodedLen(len(l.Payload))+120*len(l.Signatures)+len(l.Identity)+len(l.Assessment))
	dst = append(dst, `{"seq":"`...)
	dst = strconv.AppendUint(dst, l.Seq, 10)
	dst = append(dst, `","received":"`...)
	dst = append(dst, received...)
	dst = append(dst, `","payloadType":`...)
	dst = appendText(dst, l.PayloadType)
	dst = append(dst, `,"payload":"`...)
	dst = base64.StdEncoding.AppendEncode(dst, l.Payload)
	dst = append(dst, `","signatures":[`...)
	for i, s := range l.Signatures {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, `{"keyid":`...)
		dst = appendText(dst, s.KeyID)
		dst = append(dst, `,"sig":"`...)
		dst = base64.StdEncoding.AppendEncode(dst, s.Sig)
		dst = append(dst, `"}`...)
	}
	dst = append(dst, ']')
	if l.AttestedBy != "" {
		dst = append(dst, `,"attestedBy":`...)
		dst = appendText(dst, l.AttestedBy)
	}
	dst = append(dst, `,"identity":`...)
	dst = append(dst, l.Identity...)
	if len(l.Assessment) > 0 {
		dst = append(dst, `,"assessment":`...)
		dst = append(dst, l.Assessment...)
	}
	dst = append(dst, '}')
	if n := len(dst) - start; n > MaxLine {
		return nil, errs.Newf(errs.TooLarge, "LINE_TOO_LONG", "a line of %d bytes is over the bound of %d", n, MaxLine)
	}
	return dst, nil
}

// check holds every part of a line to what ParseLine takes, and returns the
// printed time: the line as a whole is not parsed again, since all that stands
// between the parts is AppendLine's own.
func (l *Line) check() (received string, err error) {
	switch {
	case l.Seq < 1 || l.Seq > MaxTreeSize:
		return "", errs.Newf(errs.Invalid, "LINE_SEQ", "seq is %d, a line's number is 1 or more", l.Seq)
	case !utf8.ValidString(l.PayloadType) || !utf8.ValidString(l.AttestedBy):
		return "", errs.New(errs.Invalid, "JSON_NOT_UTF8", "payloadType and attestedBy are UTF-8")
	case l.PayloadType == "" || len(l.PayloadType) > maxType:
		return "", errs.Field("LINE_MEMBER", "payloadType", "1 to 200 bytes are expected")
	case len(l.Payload) == 0:
		return "", errs.Field("LINE_BASE64", "payload", "standard base64 with padding is expected")
	case len(l.Signatures) > maxSignatures:
		return "", errs.Field("LINE_MEMBER", "signatures", "an array of at most 16 is expected")
	}
	if received, err = FormatTime(l.Received); err != nil {
		return "", err
	}
	for i, s := range l.Signatures {
		switch field := "signatures[" + strconv.Itoa(i) + "]"; {
		case !isKeyID(s.KeyID):
			return "", errs.Field("LINE_KEY_ID", field, "a key id is 16 lower-case hexadecimal digits")
		case len(s.Sig) != SignatureSize:
			return "", errs.Field("SIGNATURE_MALFORMED", field, "a signature is 64 bytes, this is "+strconv.Itoa(len(s.Sig)))
		}
	}
	switch {
	case len(l.Signatures) > 0 && l.AttestedBy != "":
		return "", errs.Field("LINE_ATTESTATION", "attestedBy", "a line with a device signature is not attested by another")
	case len(l.Signatures) == 0 && l.AttestedBy != AttestedByServer:
		return "", errs.Field("LINE_ATTESTATION", "attestedBy", `a line without a device signature says "server" here`)
	}
	if err := checkObject("identity", l.Identity); err != nil {
		return "", err
	}
	if len(l.Assessment) == 0 {
		return received, nil
	}
	return received, checkObject("assessment", l.Assessment)
}

// checkObject accepts raw JSON as the value of a line's member: one object, so
// that it cannot close its own member and open another, on one line.
func checkObject(field string, raw json.RawMessage) error {
	if i := bytes.IndexAny(raw, "\r\n"); i >= 0 {
		return errs.Newf(errs.Invalid, "LINE_BREAK", "%s: a carriage return or line feed stands inside a line, at byte %d", field, i)
	}
	if len(raw) == 0 || raw[0] != '{' || raw[len(raw)-1] != '}' {
		return errs.Field("LINE_MEMBER", field, "an object is expected")
	}
	return scanInside(raw, MaxLine)
}

// FormatTime prints t in TimeLayout, cutting what is finer than a millisecond.
//
// The error is Invalid, reason TIME_OUT_OF_RANGE, outside the years 0 to 9999.
func FormatTime(t time.Time) (string, error) {
	t = t.UTC()
	if y := t.Year(); y < 0 || y > 9999 {
		return "", errs.Newf(errs.Invalid, "TIME_OUT_OF_RANGE", "a time lies in the years 0 to 9999, this is in %d", y)
	}
	return t.Format(TimeLayout), nil
}

// ParseTime reads what FormatTime prints and nothing else.
//
// The error is Invalid, reason TIME_MALFORMED.
func ParseTime(s string) (time.Time, error) {
	t, err := time.Parse(TimeLayout, s)
	if err != nil || t.Format(TimeLayout) != s {
		return time.Time{}, errs.Newf(errs.Invalid, "TIME_MALFORMED", "a time here is written like 2026-03-02T15:01:00.000Z, not %q", short(s))
	}
	return t, nil
}

// ParseLine reads one line of a record, without its line feed. Members that it
// does not know are passed over, for fields may be added; their names are still
// checked for repetition.
//
// All errors are Invalid but a TooLarge LINE_TOO_LONG. Reasons: LINE_BLANK;
// LINE_BREAK for a carriage return or line feed in it; those of CheckJSON;
// LINE_MEMBER for a member that is absent or of the wrong kind; LINE_SEQ unless
// seq is a decimal string from 1 without leading zeros; TIME_MALFORMED;
// LINE_BASE64; LINE_KEY_ID; SIGNATURE_MALFORMED for a length other than 64;
// LINE_ATTESTATION unless either device signatures or the server stand for it.
func ParseLine(b []byte) (Line, error) {
	if len(b) > MaxLine {
		return Line{}, errs.Newf(errs.TooLarge, "LINE_TOO_LONG", "a line of %d bytes is over the bound of %d", len(b), MaxLine)
	}
	if len(bytes.TrimSpace(b)) == 0 {
		return Line{}, errs.New(errs.Invalid, "LINE_BLANK", "a line is blank")
	}
	if i := bytes.IndexAny(b, "\r\n"); i >= 0 {
		return Line{}, errs.Newf(errs.Invalid, "LINE_BREAK", "a carriage return or line feed stands inside a line, at byte %d", i)
	}
	ms, err := members(b, MaxLine)
	if err != nil {
		return Line{}, err
	}
	var l Line
	has := map[string]bool{}
	for _, m := range ms {
		has[m.name] = true
		if err := l.set(m); err != nil {
			return Line{}, err
		}
	}
	for _, name := range []string{"seq", "received", "payloadType", "payload", "signatures", "identity"} {
		if !has[name] {
			return Line{}, errs.Field("LINE_MEMBER", name, "the line has no such member")
		}
	}
	switch {
	case len(l.Signatures) > 0 && has["attestedBy"]:
		return Line{}, errs.Field("LINE_ATTESTATION", "attestedBy", "a line with a device signature is not attested by another")
	case len(l.Signatures) == 0 && l.AttestedBy != AttestedByServer:
		return Line{}, errs.Field("LINE_ATTESTATION", "attestedBy", `a line without a device signature says "server" here`)
	}
	return l, nil
}

func (l *Line) set(m member) error {
	str := func() (string, error) {
		s, ok := text(m.value)
		if !ok {
			return "", errs.Field("LINE_MEMBER", m.name, "a string is expected")
		}
		return s, nil
	}
	object := func() (json.RawMessage, error) {
		if m.value[0] != '{' {
			return nil, errs.Field("LINE_MEMBER", m.name, "an object is expected")
		}
		return bytes.Clone(m.value), nil
	}
	var s string
	var err error
	switch m.name {
	case "seq":
		if s, err = str(); err == nil {
			n, ok := decimal(s)
			if !ok || n < 1 {
				return errs.Field("LINE_SEQ", "seq", "a line's number is decimal, 1 or more, without leading zeros; not "+strconv.Quote(short(s)))
			}
			l.Seq = n
		}
	case "received":
		if s, err = str(); err == nil {
			l.Received, err = ParseTime(s)
		}
	case "payloadType":
		if s, err = str(); err == nil {
			if s == "" || len(s) > maxType {
				return errs.Field("LINE_MEMBER", m.name, "1 to 200 bytes are expected")
			}
			l.PayloadType = s
		}
	case "payload":
		if s, err = str(); err == nil {
			var ok bool
			if l.Payload, ok = decodeBase64(s); !ok || len(l.Payload) == 0 {
				return errs.Field("LINE_BASE64", m.name, "standard base64 with padding is expected")
			}
		}
	case "signatures":
		l.Signatures, err = parseSignatures(m.value)
	case "attestedBy":
		l.AttestedBy, err = str()
	case "identity":
		l.Identity, err = object()
	case "assessment":
		l.Assessment, err = object()
	}
	return err
}

// decimal reads a number as protobuf's JSON writes 64-bit integers: digits
// without sign or leading zero, at most MaxTreeSize.
func decimal(s string) (uint64, bool) {
	n, err := strconv.ParseUint(s, 10, 63)
	return n, err == nil && strconv.FormatUint(n, 10) == s
}

func parseSignatures(value []byte) ([]Signature, error) {
	// The grammar and repeated names are already checked over the whole line.
	var list []json.RawMessage
	if value[0] != '[' || json.Unmarshal(value, &list) != nil || len(list) > maxSignatures {
		return nil, errs.Field("LINE_MEMBER", "signatures", "an array of at most 16 is expected")
	}
	var out []Signature
	for i, one := range list {
		field := "signatures[" + strconv.Itoa(i) + "]"
		ms, err := members(one, len(one))
		if err != nil {
			return nil, errs.Field("LINE_MEMBER", field, "an object is expected")
		}
		var sig Signature
		for _, m := range ms {
			s, ok := text(m.value)
			switch m.name {
			case "keyid":
				if !ok || !isKeyID(s) {
					return nil, errs.Field("LINE_KEY_ID", field, "a key id is 16 lower-case hexadecimal digits")
				}
				sig.KeyID = s
			case "sig":
				raw, fine := decodeBase64(s)
				if !ok || !fine {
					return nil, errs.Field("LINE_BASE64", field, "standard base64 with padding is expected")
				}
				if len(raw) != SignatureSize {
					return nil, errs.Field("SIGNATURE_MALFORMED", field, "a signature is 64 bytes, this is "+strconv.Itoa(len(raw)))
				}
				sig.Sig = raw
			}
		}
		if sig.KeyID == "" || sig.Sig == nil {
			return nil, errs.Field("LINE_MEMBER", field, "keyid and sig are expected")
		}
		out = append(out, sig)
	}
	return out, nil
}

func isKeyID(s string) bool {
	if len(s) != 16 {
		return false
	}
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}
