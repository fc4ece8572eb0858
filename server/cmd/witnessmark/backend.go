package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/logkeys"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	"witnessmark/server"
	"witnessmark/storage"
	"witnessmark/storage/blob"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/blob/s3"
	"witnessmark/storage/postgres"
	"witnessmark/storage/sqlite"
)

// databaseFile is the embedded store within the data folder.
const databaseFile = "witnessmark.db"

// blobFolder is where photos are within the data folder.
const blobFolder = "blobs"

// backend is an open installation.
type backend struct {
	place place
	store storage.Store
	blobs blob.Store
	keys  *logkeys.Folder
	close []func() error
}

// open opens the stores of a place. With existing set nothing is made that is
// not there.
func (p place) open(ctx context.Context, existing bool) (b *backend, err error) {
	b = &backend{place: p}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.Close())
		}
	}()
	if existing {
		if err := p.exists(); err != nil {
			return b, err
		}
	} else if p.data != "" && (p.postgres == "" || p.s3.Bucket == "") {
		if err := os.MkdirAll(p.data, 0o700); err != nil {
			return b, errs.Newf(errs.WrongState, "DATA_FOLDER", "the data folder %s cannot be made", p.data).Because(err)
		}
	}
	if b.store, err = p.openStore(ctx); err != nil {
		return b, err
	}
	b.close = append(b.close, b.store.Close)
	if p.s3.Bucket != "" {
		if b.blobs, err = s3.Open(ctx, p.s3); err != nil {
			return b, err
		}
	} else {
		d, err := disk.Open(filepath.Join(p.data, blobFolder))
		if err != nil {
			return b, err
		}
		b.blobs = d
		b.close = append(b.close, d.Close)
	}
	b.keys, err = logkeys.Open(p.keys, p.makeKeys)
	return b, err
}

// exists says whether the embedded parts of a place are there.
func (p place) exists() error {
	if p.postgres == "" {
		if _, err := os.Stat(p.database()); err != nil {
			return errs.Newf(errs.NotFound, "NO_DATA", "there is no %s; name the data folder with --data, or start 'witnessmark serve' once", p.database())
		}
	}
	return nil
}

func (p place) database() string { return filepath.Join(p.data, databaseFile) }

func (p place) openStore(ctx context.Context) (storage.Store, error) {
	if p.postgres != "" {
		st, err := postgres.Open(ctx, p.postgres)
		if err != nil {
			return nil, err
		}
		return st, nil
	}
	st, err := sqlite.Open(ctx, p.database())
	if err != nil {
		return nil, err
	}
	return st, nil
}

// Close gives everything back, last opened first.
func (b *backend) Close() error {
	var err error
	for i := len(b.close) - 1; i >= 0; i-- {
		err = errors.Join(err, b.close[i]())
	}
	b.close = nil
	return err
}

// service makes the use cases over the stores.
func (b *backend) service() *workflow.Service {
	s := workflow.New(b.store, b.blobs, b.keys, b.place.logName)
	s.Version = version
	return s
}

// checkLogs refuses a log name under which another log than the one there would
// be written, and lets no new key be made for a log that has signed.
func (b *backend) checkLogs(ctx context.Context) error {
	orgs, err := b.store.ListOrganizations(ctx)
	if err != nil {
		return err
	}
	for _, org := range orgs {
		head, err := b.store.GetLogHead(ctx, org)
		if err != nil {
			return err
		}
		if len(head.Checkpoint) == 0 {
			continue
		}
		cp, err := seal.PeekCheckpoint(head.Checkpoint)
		if err != nil {
			return err
		}
		want, err := seal.Origin(b.place.logName, org)
		if err != nil {
			return err
		}
		b.keys.Signed(want)
		if cp.Origin != want {
			return errs.Newf(errs.WrongState, "LOG_NAME_CHANGED", "the log of %s is called %s, and --log-name would call it %s: a log keeps its name; set --log-name as it was", org, cp.Origin, want)
		}
	}
	return nil
}

// issuerFile is an identity provider as the file of --oidc names it.
type issuerFile struct {
	URL          string            `json:"url"`
	Audience     string            `json:"audience"`
	Organization string            `json:"organization"`
	RolesClaim   string            `json:"rolesClaim"`
	Roles        map[string]string `json:"roles"`
}

// readIssuers reads the file of --oidc: a JSON list of url, audience,
// organization, and optionally rolesClaim with roles (their word to ours).
func readIssuers(path string) ([]server.Issuer, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("--oidc: %w", err)
	}
	defer file.Close()
	dec := json.NewDecoder(file)
	dec.DisallowUnknownFields()
	var list []issuerFile
	if err := dec.Decode(&list); err != nil {
		return nil, usagef("--oidc: %s cannot be read as a list of identity providers: %v", path, err)
	}
	var out []server.Issuer
	for i, x := range list {
		if x.URL == "" || x.Audience == "" || x.Organization == "" {
			return nil, usagef("--oidc: entry %d of %s needs url, audience and organization", i+1, path)
		}
		is := server.Issuer{URL: x.URL, Audience: x.Audience, Organization: x.Organization, RolesClaim: x.RolesClaim}
		for word, role := range x.Roles {
			switch r := access.Role(role); r {
			case access.Climber, access.Lead, access.Auditor, access.Office:
				if is.Roles == nil {
					is.Roles = map[string]access.Role{}
				}
				is.Roles[word] = r
			default:
				return nil, usagef("--oidc: entry %d of %s: %q is no role; they are CLIMBER, LEAD, AUDITOR and OFFICE", i+1, path, role)
			}
		}
		out = append(out, is)
	}
	return out, nil
}
