package sqlstore

import (
	"context"
	"fmt"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

const uploadColumns = `id, job, person, device, purpose, entry, size, digest, staged, state, create_time, expire_time`

func scanUpload(row scanner) (u storage.Upload, err error) {
	var created, expires int64
	err = row(&u.ID, &u.Job, &u.Person, &u.Device, &u.Purpose, &u.Entry, &u.Size, (*hash)(&u.Digest), &u.Offset, &u.State, &created, &expires)
	u.CreateTime, u.ExpireTime = fromMilli(created), fromMilli(expires)
	return u, err
}

// The states of an upload.
const (
	receiving = "receiving"
	stored    = "stored"
	wrong     = "wrong"
)

func noUpload(id string) *errs.Error {
	return errs.New(errs.NotFound, "UPLOAD_NOT_FOUND", "there is no such upload; it may have run out: begin again", "upload", id)
}

func noPurpose(purpose string) error {
	return errs.Field("PURPOSE", "purpose", "what is kept is a photo or a trace, not "+purpose)
}

// CreateUpload implements storage.Uploads.
func (s *Store) CreateUpload(ctx context.Context, o string, u storage.Upload, maxOpen int) (made storage.Upload, err error) {
	switch {
	case u.Purpose != "photo" && u.Purpose != "trace":
		return storage.Upload{}, noPurpose(u.Purpose)
	case u.Size < 0 || u.Offset != 0 || (u.State != "" && u.State != receiving):
		return storage.Upload{}, errs.Field("UPLOAD_BEGIN", "upload", "an upload begins in state receiving, at offset 0, with a size of 0 or more")
	}
	bearer := "device " + u.Device
	if u.Device == "" {
		bearer = "person " + u.Person
	}
	// An upload that a power cut forgets is begun again.
	err = s.write(ctx, Scope{Org: o, Loose: true}, noJob(u.Job), func(tx Tx) error {
		// The organisation's row is locked so that two calls at once cannot both
		// find room for the last open upload.
		if _, found, err := one(ctx, tx, text, `SELECT id FROM organization WHERE id = $1`+s.engine.RowLock(), o); err != nil {
			return err
		} else if !found {
			return noOrganization(o)
		}
		var found bool
		made, found, err = one(ctx, tx, scanUpload, `SELECT `+uploadColumns+` FROM upload
			WHERE org = $1 AND bearer = $2 AND job = $3 AND digest = $4 AND state = 'receiving'`, o, bearer, u.Job, hash(u.Digest))
		if err != nil || found {
			return err
		}
		open, _, err := one(ctx, tx, number, `SELECT count(*) FROM upload WHERE org = $1 AND bearer = $2 AND state = 'receiving'`, o, bearer)
		if err != nil {
			return err
		}
		if open >= int64(maxOpen) {
			return errs.New(errs.Busy, "TOO_MANY_UPLOADS",
				fmt.Sprintf("%d uploads are open already; finish some first", open), "bound", itoa(int64(maxOpen)))
		}
		made, found, err = one(ctx, tx, scanUpload, `INSERT INTO upload (org, bearer, `+uploadColumns+`)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, 0, 'receiving', $11, $12) ON CONFLICT (org, id) DO NOTHING RETURNING `+uploadColumns,
			o, bearer, u.ID, u.Job, u.Person, u.Device, u.Purpose, u.Entry, u.Size, hash(u.Digest), milli(u.CreateTime), milli(u.ExpireTime))
		if err == nil && !found {
			return errs.New(errs.Exists, "UPLOAD_EXISTS", "there is an upload of this id", "upload", u.ID)
		}
		return err
	})
	return made, err
}

func getUpload(ctx context.Context, tx Tx, o, id, lock string) (storage.Upload, error) {
	u, found, err := one(ctx, tx, scanUpload, `SELECT `+uploadColumns+` FROM upload WHERE org = $1 AND id = $2`+lock, o, id)
	if err == nil && !found {
		return u, noUpload(id)
	}
	return u, err
}

// GetUpload implements storage.Uploads.
func (s *Store) GetUpload(ctx context.Context, o, id string) (u storage.Upload, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		u, err = getUpload(ctx, tx, o, id, "")
		return err
	})
	return u, err
}

func uploadOver(u storage.Upload) error {
	return errs.New(errs.WrongState, "UPLOAD_OVER", "this upload is over", "upload", u.ID, "state", u.State)
}

// AdvanceUpload implements storage.Uploads.
func (s *Store) AdvanceUpload(ctx context.Context, o, id string, from, to int64, expire time.Time) (u storage.Upload, err error) {
	// The chunks themselves are not synced either: see blob.Store.Put.
	err = s.write(ctx, Scope{Org: o, Loose: true}, nil, func(tx Tx) error {
		u, err = getUpload(ctx, tx, o, id, s.engine.RowLock())
		switch {
		case err != nil:
			return err
		case u.State != receiving:
			return uploadOver(u)
		case u.Offset != from:
			return errs.New(errs.Stale, "UPLOAD_OFFSET", fmt.Sprintf("%d bytes are here already; go on from there", u.Offset),
				"upload", id, "offset", itoa(u.Offset))
		case to < from || to > u.Size:
			return errs.Field("UPLOAD_RANGE", "offset", fmt.Sprintf("an upload of %d bytes at %d cannot move to %d", u.Size, from, to))
		}
		u, _, err = one(ctx, tx, scanUpload, `UPDATE upload SET staged = $1, expire_time = $2 WHERE org = $3 AND id = $4 RETURNING `+uploadColumns,
			to, milli(expire), o, id)
		return err
	})
	return u, err
}

// FinishUpload implements storage.Uploads.
func (s *Store) FinishUpload(ctx context.Context, o, id, state string) (u storage.Upload, err error) {
	if state != stored && state != wrong {
		return storage.Upload{}, errs.Field("UPLOAD_STATE", "state", "an upload ends as stored or wrong, not "+state)
	}
	// Forgotten in a power cut, it is finished again: what counts is the blob's row.
	err = s.write(ctx, Scope{Org: o, Loose: true}, nil, func(tx Tx) error {
		u, err = getUpload(ctx, tx, o, id, s.engine.RowLock())
		switch {
		case err != nil:
			return err
		case u.State == state:
			return nil
		case u.State != receiving:
			return uploadOver(u)
		}
		u, _, err = one(ctx, tx, scanUpload, `UPDATE upload SET state = $1 WHERE org = $2 AND id = $3 RETURNING `+uploadColumns, state, o, id)
		return err
	})
	return u, err
}

// ofOrg is a row together with its organisation.
type ofOrg[T any] struct {
	org string
	row T
}

// withOrg reads the organisation before the columns of scan.
func withOrg[T any](scan func(scanner) (T, error)) func(scanner) (ofOrg[T], error) {
	return func(row scanner) (v ofOrg[T], err error) {
		v.row, err = scan(func(dest ...any) error { return row(append([]any{&v.org}, dest...)...) })
		return v, err
	}
}

func byOrg[T any](rows []ofOrg[T]) map[string][]T {
	m := make(map[string][]T)
	for _, r := range rows {
		m[r.org] = append(m[r.org], r.row)
	}
	return m
}

// ExpiredUploads implements storage.Uploads.
func (s *Store) ExpiredUploads(ctx context.Context, now time.Time, limit int) (us map[string][]storage.Upload, err error) {
	err = s.read(ctx, Scope{Across: "upload"}, func(tx Tx) error {
		rows, err := many(ctx, tx, withOrg(scanUpload), `SELECT org, `+uploadColumns+` FROM upload WHERE expire_time <= $1
			ORDER BY expire_time, id LIMIT $2`, milli(now), atMost(limit))
		us = byOrg(rows)
		return err
	})
	return us, err
}

// DeleteUpload implements storage.Uploads.
func (s *Store) DeleteUpload(ctx context.Context, o, id string) error {
	return s.write(ctx, org(o), nil, func(tx Tx) error {
		_, err := exec(ctx, tx, `DELETE FROM upload WHERE org = $1 AND id = $2`, o, id)
		return err
	})
}

// ---- blobs ----

const blobColumns = `job, digest, purpose, size, media_type, key, version_id, create_time, retention, examined`

func scanBlob(row scanner) (b storage.Blob, err error) {
	var created int64
	err = row(&b.Job, (*hash)(&b.Digest), &b.Purpose, &b.Size, &b.MediaType, &b.Key, &b.VersionID, &created, &b.Retention, &b.Examined)
	b.CreateTime = fromMilli(created)
	return b, err
}

func getBlob(ctx context.Context, tx Tx, o, job string, digest [32]byte) (storage.Blob, error) {
	b, found, err := one(ctx, tx, scanBlob, `SELECT `+blobColumns+` FROM blob WHERE org = $1 AND job = $2 AND digest = $3`, o, job, hash(digest))
	if err == nil && !found {
		return b, noBlob(job)
	}
	return b, err
}

func noBlob(job string) *errs.Error {
	return errs.New(errs.NotFound, "BLOB_NOT_FOUND", "the job holds no bytes of this digest", "job", job)
}

// PutBlob implements storage.Uploads.
func (s *Store) PutBlob(ctx context.Context, o string, b storage.Blob) (kept storage.Blob, err error) {
	err = s.write(ctx, org(o), noJob(b.Job), func(tx Tx) error {
		if _, err := exec(ctx, tx, `INSERT INTO blob (org, `+blobColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
			ON CONFLICT (org, job, digest) DO NOTHING`, o, b.Job, hash(b.Digest), b.Purpose, b.Size, b.MediaType, b.Key, b.VersionID,
			milli(b.CreateTime), b.Retention, blob(b.Examined)); err != nil {
			return err
		}
		kept, err = getBlob(ctx, tx, o, b.Job, b.Digest)
		return err
	})
	return kept, err
}

// GetBlob implements storage.Uploads.
func (s *Store) GetBlob(ctx context.Context, o, job string, digest [32]byte) (b storage.Blob, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		b, err = getBlob(ctx, tx, o, job, digest)
		return err
	})
	return b, err
}

// ListBlobs implements storage.Uploads.
func (s *Store) ListBlobs(ctx context.Context, o, job string, after [32]byte, limit int) (bs []storage.Blob, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var q query
		q.add(`SELECT ` + blobColumns + ` FROM blob WHERE org = `)
		q.arg(o)
		if job != "" {
			q.add(` AND job = `)
			q.arg(job)
		}
		if after != ([32]byte{}) {
			q.add(` AND digest > `)
			q.arg(hash(after))
		}
		q.add(` ORDER BY digest, job LIMIT `)
		q.arg(atMost(limit))
		bs, err = many(ctx, tx, scanBlob, q.text.String(), q.args...)
		if err != nil || job != "" || len(bs) == 0 || len(bs) < limit {
			return err
		}
		last := bs[len(bs)-1]
		rest, err := many(ctx, tx, scanBlob, `SELECT `+blobColumns+` FROM blob WHERE org = $1 AND digest = $2 AND job > $3 ORDER BY job`,
			o, hash(last.Digest), last.Job)
		bs = append(bs, rest...)
		return err
	})
	return bs, err
}

// BlobJobs implements storage.Uploads.
func (s *Store) BlobJobs(ctx context.Context, o string, digest [32]byte) (jobs []string, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		jobs, err = many(ctx, tx, text, `SELECT job FROM blob WHERE org = $1 AND digest = $2 ORDER BY job`, o, hash(digest))
		return err
	})
	return jobs, err
}
