package client

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// Device is an enrolled machine that signs what it sends: a phone signs in its
// own secure hardware, a program with a key that it keeps itself.
type Device struct {
	Name   string // "devices/…"
	Person string // "people/…"
	Key    *ecdsa.PrivateKey
}

// NewKey makes a device key.
func NewKey() (*ecdsa.PrivateKey, error) {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a device key: %w", err)
	}
	return k, nil
}

// MarshalKey writes a key as PEM, PKCS #8.
func MarshalKey(k *ecdsa.PrivateKey) (string, error) {
	der, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		return "", fmt.Errorf("write the device key: %w", err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})), nil
}

// ParseKey reads what MarshalKey writes.
//
// The error is Invalid, reason DEVICE_KEY.
func ParseKey(text string) (*ecdsa.PrivateKey, error) {
	block, _ := pem.Decode([]byte(text))
	if block != nil {
		k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
		if ec, ok := k.(*ecdsa.PrivateKey); err == nil && ok && ec.Curve == elliptic.P256() {
			return ec, nil
		}
	}
	return nil, errs.New(errs.Invalid, "DEVICE_KEY", "this is no P-256 private key in PEM form; enrol again")
}

// Enrol trades a one-time code for a session. With a key it registers a device.
func (c *Client) Enrol(ctx context.Context, code, title string, key *ecdsa.PrivateKey) (*witnessmarkv1.EnrollResponse, error) {
	req := &witnessmarkv1.EnrollRequest{Code: code, Title: title}
	if key != nil {
		spki, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
		if err != nil {
			return nil, fmt.Errorf("write the public key: %w", err)
		}
		req.PublicKey = spki
	}
	return c.Devices.Enroll(ctx, req)
}

// Chain is what one device states in one job: each entry has the next counter
// and the hash of the one before. It is not safe for concurrent use.
type Chain struct {
	Device  Device
	Job     string // "jobs/…"
	Counter int64
	Last    [32]byte
	// Offset is the server's clock minus the device's, as last measured; nil
	// when it never was.
	Offset *time.Duration
	// Now is the device's clock.
	Now func() time.Time

	keyID string
}

// NewChain continues a device's chain in a job from what the server last had of
// it, and measures the clock.
func (c *Client) NewChain(ctx context.Context, d Device, job string, now func() time.Time) (*Chain, error) {
	before := now()
	id, err := c.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
	if err != nil {
		return nil, err
	}
	after := now()
	head, err := c.Jobs.GetDeviceChain(ctx, &witnessmarkv1.GetDeviceChainRequest{Job: job})
	if err != nil {
		return nil, err
	}
	offset := id.GetServerTime().AsTime().Sub(before.Add(after.Sub(before) / 2)).Truncate(time.Millisecond)
	ch := &Chain{Device: d, Job: job, Counter: head.GetCounter(), Offset: &offset, Now: now}
	copy(ch.Last[:], head.GetPayloadDigest())
	return ch, nil
}

// ID makes an id for an entry, a UUIDv7 of the device's clock. A climb's id is
// that of the entry that opens it.
func (c *Chain) ID() (string, error) {
	u, err := uuid.NewV7()
	if err != nil {
		return "", fmt.Errorf("make an id: %w", err)
	}
	ms := c.Now().UnixMilli()
	for i := range 6 {
		u[i] = byte(ms >> (40 - 8*i))
	}
	return u.String(), nil
}

// Complete fills a copy of e with id, job, author, device, time and offset, where
// it has none: what an entry needs that the server attests.
func (c *Chain) Complete(e *recordv1.Entry) (*recordv1.Entry, error) {
	e = proto.Clone(e).(*recordv1.Entry)
	if e.Id == "" {
		id, err := c.ID()
		if err != nil {
			return nil, err
		}
		e.Id = id
	}
	if e.Job == "" {
		e.Job = c.Job
	}
	if e.Author == "" {
		e.Author = c.Device.Person
	}
	e.Device = c.Device.Name
	if e.DeviceTime == nil {
		e.DeviceTime = timestamppb.New(c.Now().UTC().Truncate(time.Millisecond))
	}
	if e.ClockOffset == nil && c.Offset != nil {
		e.ClockOffset = durationpb.New(*c.Offset)
	}
	return e, nil
}

// Sign completes a copy of e, gives it the next counter and the hash of the one
// before, and signs its payload.
func (c *Chain) Sign(e *recordv1.Entry) (*witnessmarkv1.SubmittedEntry, *recordv1.Entry, error) {
	e, err := c.Complete(e)
	if err != nil {
		return nil, nil, err
	}
	e.Counter = c.Counter + 1
	if c.Counter > 0 {
		e.Previous = c.Last[:]
	}
	payload, err := Payload(e)
	if err != nil {
		return nil, nil, err
	}
	sig, err := seal.Sign(c.Device.Key, seal.EntryType, payload)
	if err != nil {
		return nil, nil, err
	}
	if c.keyID == "" {
		if c.keyID, err = seal.KeyID(&c.Device.Key.PublicKey); err != nil {
			return nil, nil, err
		}
	}
	c.Counter++
	c.Last = seal.Sum(payload)
	return &witnessmarkv1.SubmittedEntry{Payload: payload, Signature: sig, KeyId: c.keyID}, e, nil
}

// Payload writes an entry as the bytes that are signed: proto3 JSON without spaces.
func Payload(e *recordv1.Entry) ([]byte, error) {
	b, err := protojson.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("write the entry: %w", err)
	}
	var out bytes.Buffer
	if err := json.Compact(&out, b); err != nil {
		return nil, fmt.Errorf("write the entry: %w", err)
	}
	return out.Bytes(), nil
}
