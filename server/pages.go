package server

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"witnessmark/internal/errs"
)

// pageRequest is any list request.
type pageRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// place is where a page begins. Each list uses the parts that it needs.
type place struct {
	After string `json:"a,omitempty"`
	Time  int64  `json:"t,omitempty"` // milliseconds
	Seq   int64  `json:"s,omitempty"`
	Skip  int    `json:"o,omitempty"`
}

const sealLength = 16

// filterSeal ties a place to the list that it belongs to: the request without
// its page, and the organisation. A token carries no rights; this only keeps it
// from being used with another filter, where it would skip rows unnoticed.
func filterSeal(org string, r pageRequest, body []byte) ([]byte, error) {
	m := proto.Clone(r)
	f := m.ProtoReflect()
	for _, name := range []protoreflect.Name{"page_size", "page_token"} {
		f.Clear(f.Descriptor().Fields().ByName(name))
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("page token: %w", err)
	}
	h := sha256.New()
	for _, part := range [][]byte{[]byte(org), []byte(f.Descriptor().FullName()), b, body} {
		fmt.Fprintf(h, "%d:", len(part))
		h.Write(part)
	}
	return h.Sum(nil)[:sealLength], nil
}

// pageToken makes the token of the page that begins at p.
func pageToken(org string, r pageRequest, p place) (string, error) {
	body, err := json.Marshal(p)
	if err != nil {
		return "", fmt.Errorf("page token: %w", err)
	}
	seal, err := filterSeal(org, r, body)
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(append(seal, body...)), nil
}

// page reads the size and the place of a list request. standard is the size
// when the request says none.
//
// The error is Invalid PAGE_TOKEN_INVALID.
func page(org string, r pageRequest, standard int) (place, int, error) {
	size := int(r.GetPageSize())
	if size <= 0 {
		size = standard
	}
	var p place
	if r.GetPageToken() == "" {
		return p, size, nil
	}
	bad := errs.Field("PAGE_TOKEN_INVALID", "page_token", "is not one that this list gave out for this filter; begin again without it")
	b, err := base64.RawURLEncoding.Strict().DecodeString(r.GetPageToken())
	if err != nil || len(b) < sealLength {
		return p, size, bad
	}
	want, err := filterSeal(org, r, b[sealLength:])
	if err != nil {
		return p, size, err
	}
	if string(want) != string(b[:sealLength]) || json.Unmarshal(b[sealLength:], &p) != nil || p.Skip < 0 {
		return place{}, size, bad
	}
	return p, size, nil
}

// cut asks for one row more than the page and says whether there is a next page.
func cut[T any](rows []T, size int) ([]T, bool) {
	if len(rows) > size {
		return rows[:size], true
	}
	return rows, false
}
