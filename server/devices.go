package server

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"rsc.io/qr"

	"witnessmark/internal/access"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// devices implements DeviceService.
type devices struct {
	witnessmarkv1.UnimplementedDeviceServiceServer
	s *Server
}

func (x devices) CreateEnrollmentCode(ctx context.Context, r *witnessmarkv1.CreateEnrollmentCodeRequest) (*witnessmarkv1.EnrollmentCode, error) {
	code, expire, err := x.s.svc.CreateCode(ctx, identityOf(ctx), bare(r.GetPerson()))
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.EnrollmentCode{Code: code, ExpireTime: stamp(expire), Uri: x.s.svc.PublicURL + "/#code=" + code}
	c, err := qr.Encode(out.Uri, qr.M)
	if err != nil {
		return nil, fmt.Errorf("draw the code: %w", err)
	}
	out.QrPng = c.PNG()
	return out, nil
}

func (x devices) Enroll(ctx context.Context, r *witnessmarkv1.EnrollRequest) (*witnessmarkv1.EnrollResponse, error) {
	c := callerOf(ctx)
	e, err := x.s.svc.Enroll(ctx, r.GetCode(), r.GetTitle(), r.GetPublicKey(), network(c.address))
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.EnrollResponse{Token: e.Token, Person: personView(e.Person), Organization: named("organizations", e.Org)}
	if e.Device != nil {
		if out.Device, err = x.device(ctx, e.Org, *e.Device); err != nil {
			return nil, err
		}
	}
	if r.GetCookie() {
		if err := grpc.SetHeader(ctx, metadata.Pairs("set-cookie", x.s.cookie(c, e.Token).String())); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// device is a device with its keys.
func (x devices) device(ctx context.Context, org string, d access.Device) (*witnessmarkv1.Device, error) {
	keys, err := x.s.svc.DeviceKeys(ctx, org, d.ID)
	if err != nil {
		return nil, err
	}
	return deviceView(d, keys), nil
}

func (x devices) GetIdentity(ctx context.Context, r *witnessmarkv1.GetIdentityRequest) (*witnessmarkv1.Identity, error) {
	id := identityOf(ctx)
	o, set, err := x.s.svc.Organization(ctx, id.Org)
	if err != nil {
		return nil, err
	}
	out := &witnessmarkv1.Identity{Organization: named("organizations", o.ID), OrganizationTitle: o.Title, ServerTime: stamp(x.s.svc.Now()), ServerVersion: x.s.svc.Version, Settings: settingsView(set)}
	if id.Person != "" {
		p, err := x.s.svc.Person(ctx, id.Org, id.Person)
		if err != nil {
			return nil, err
		}
		out.Person = personView(p)
	}
	d, err := x.s.svc.Seen(ctx, id, r.UnsentCount)
	if err != nil {
		return nil, err
	}
	if d != nil {
		if out.Device, err = x.device(ctx, id.Org, *d); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (x devices) ListDevices(ctx context.Context, r *witnessmarkv1.ListDevicesRequest) (*witnessmarkv1.ListDevicesResponse, error) {
	id := identityOf(ctx)
	at, size, err := page(id.Org, r, standardPage)
	if err != nil {
		return nil, err
	}
	ds, err := x.s.svc.Devices(ctx, id, bare(r.GetPerson()), at.After, size+1)
	if err != nil {
		return nil, err
	}
	ds, more := cut(ds, size)
	out := &witnessmarkv1.ListDevicesResponse{}
	for _, d := range ds {
		v, err := x.device(ctx, id.Org, d)
		if err != nil {
			return nil, err
		}
		out.Devices = append(out.Devices, v)
	}
	if more {
		out.NextPageToken, err = pageToken(id.Org, r, place{After: ds[len(ds)-1].ID})
	}
	return out, err
}

func (x devices) RevokeDevice(ctx context.Context, r *witnessmarkv1.RevokeDeviceRequest) (*witnessmarkv1.Device, error) {
	id := identityOf(ctx)
	d, err := x.s.svc.RevokeDevice(ctx, id, bare(r.GetName()), r.GetReason())
	if err != nil {
		return nil, err
	}
	return x.device(ctx, id.Org, d)
}

func (x devices) RotateKey(ctx context.Context, r *witnessmarkv1.RotateKeyRequest) (*witnessmarkv1.Device, error) {
	id := identityOf(ctx)
	if err := x.s.svc.RotateKey(ctx, id, r.GetPublicKey()); err != nil {
		return nil, err
	}
	d, err := x.s.svc.Seen(ctx, id, nil)
	if err != nil {
		return nil, err
	}
	return x.device(ctx, id.Org, *d)
}

func (x devices) SignOut(ctx context.Context, _ *witnessmarkv1.SignOutRequest) (*witnessmarkv1.SignOutResponse, error) {
	if err := x.s.svc.SignOut(ctx, identityOf(ctx)); err != nil {
		return nil, err
	}
	return &witnessmarkv1.SignOutResponse{}, grpc.SetHeader(ctx, metadata.Pairs("set-cookie", x.s.cookie(callerOf(ctx), "").String()))
}
