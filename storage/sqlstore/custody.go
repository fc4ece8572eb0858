package sqlstore

import (
	"context"
	"time"

	"witnessmark/storage"
)

// AddCustody implements storage.Custody.
func (s *Store) AddCustody(ctx context.Context, o string, c storage.CustodyLine) error {
	return s.write(ctx, org(o), noOrganization(o), func(tx Tx) error {
		seq, _, err := one(ctx, tx, number, `INSERT INTO custody_head (org, seq) VALUES ($1, 1)
			ON CONFLICT (org) DO UPDATE SET seq = custody_head.seq + 1 RETURNING seq`, o)
		if err != nil {
			return err
		}
		_, err = exec(ctx, tx, `INSERT INTO custody (org, `+custodyColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			o, seq, milli(c.Time), c.Who, c.Action, c.Job, c.Subject, blob(c.Detail))
		return err
	})
}

const custodyColumns = `seq, time, who, action, job, subject, detail`

func scanCustody(row scanner) (c storage.CustodyLine, err error) {
	var at int64
	err = row(&c.Seq, &at, &c.Who, &c.Action, &c.Job, &c.Subject, &c.Detail)
	c.Time = fromMilli(at)
	return c, err
}

// ListCustody implements storage.Custody.
func (s *Store) ListCustody(ctx context.Context, o, who, job string, before int64, limit int) (cs []storage.CustodyLine, err error) {
	var q query
	q.add(`SELECT ` + custodyColumns + ` FROM custody WHERE org = `)
	q.arg(o)
	if who != "" {
		q.add(` AND who = `)
		q.arg(who)
	}
	if job != "" {
		q.add(` AND job = `)
		q.arg(job)
	}
	if before > 0 {
		q.add(` AND seq < `)
		q.arg(before)
	}
	q.add(` ORDER BY seq DESC LIMIT `)
	q.arg(atMost(limit))
	err = s.read(ctx, org(o), func(tx Tx) error {
		cs, err = many(ctx, tx, scanCustody, q.text.String(), q.args...)
		return err
	})
	return cs, err
}

// PutPhotoHash implements storage.Custody.
func (s *Store) PutPhotoHash(ctx context.Context, o string, h storage.PhotoHash) error {
	return s.write(ctx, org(o), noJob(h.Job), func(tx Tx) error {
		_, err := exec(ctx, tx, `INSERT INTO photo_hash (org, job, digest, site, hash, time) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (org, job, digest) DO UPDATE SET site = excluded.site, hash = excluded.hash, time = excluded.time`,
			o, h.Job, hash(h.Digest), h.Site, blob(h.Hash), milli(h.Time))
		return err
	})
}

// PhotoHashes implements storage.Custody.
func (s *Store) PhotoHashes(ctx context.Context, o, site string, since time.Time, limit int) (hs []storage.PhotoHash, err error) {
	var q query
	q.add(`SELECT job, site, digest, hash, time FROM photo_hash WHERE org = `)
	q.arg(o)
	q.add(` AND time >= `)
	q.arg(milli(since))
	if site != "" {
		q.add(` AND site = `)
		q.arg(site)
	}
	q.add(` ORDER BY time DESC, job, digest LIMIT `)
	q.arg(atMost(limit))
	err = s.read(ctx, org(o), func(tx Tx) error {
		hs, err = many(ctx, tx, func(row scanner) (h storage.PhotoHash, err error) {
			var at int64
			err = row(&h.Job, &h.Site, (*hash)(&h.Digest), &h.Hash, &at)
			h.Time = fromMilli(at)
			return h, err
		}, q.text.String(), q.args...)
		return err
	})
	return hs, err
}
