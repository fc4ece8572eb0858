package sqlstore

import (
	"context"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

const procedureColumns = `id, digest, revision, title, document, create_time`

func scanProcedure(row scanner) (p storage.Procedure, err error) {
	var created int64
	err = row(&p.ID, (*hash)(&p.Digest), &p.Revision, &p.Title, &p.Document, &created)
	p.CreateTime = fromMilli(created)
	return p, err
}

func noProcedure(id string) *errs.Error {
	return errs.New(errs.NotFound, "PROCEDURE_NOT_FOUND", "there is no such procedure or revision", "procedure", id)
}

// PutProcedure implements storage.Procedures.
func (s *Store) PutProcedure(ctx context.Context, o string, p storage.Procedure) (kept storage.Procedure, err error) {
	err = s.write(ctx, org(o), noOrganization(o), func(tx Tx) error {
		if _, err := exec(ctx, tx, `INSERT INTO procedure (org, id, digest, revision, title, document, create_time)
			VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (org, id, digest) DO NOTHING`,
			o, p.ID, hash(p.Digest), p.Revision, p.Title, blob(p.Document), milli(p.CreateTime)); err != nil {
			return err
		}
		kept, _, err = one(ctx, tx, scanProcedure, `SELECT `+procedureColumns+` FROM procedure WHERE org = $1 AND id = $2 AND digest = $3`,
			o, p.ID, hash(p.Digest))
		return err
	})
	return kept, err
}

// GetProcedure implements storage.Procedures.
func (s *Store) GetProcedure(ctx context.Context, o, id string, digest [32]byte) (p storage.Procedure, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		q, args := `SELECT `+procedureColumns+` FROM procedure WHERE org = $1 AND id = $2`, []any{o, id}
		if digest == ([32]byte{}) {
			q += ` ORDER BY create_time DESC, digest DESC LIMIT 1`
		} else {
			q, args = q+` AND digest = $3`, append(args, hash(digest))
		}
		var found bool
		p, found, err = one(ctx, tx, scanProcedure, q, args...)
		if err == nil && !found {
			return noProcedure(id)
		}
		return err
	})
	return p, err
}

// ListProcedures implements storage.Procedures.
func (s *Store) ListProcedures(ctx context.Context, o, id string, offset, limit int) (ps []storage.Procedure, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var q query
		q.add(`SELECT id, digest, revision, title, substr(document, 1, 0), create_time FROM procedure WHERE org = `)
		q.arg(o)
		if id != "" {
			q.add(` AND id = `)
			q.arg(id)
		}
		q.add(` ORDER BY create_time DESC, id DESC, digest DESC LIMIT `)
		q.arg(atMost(limit))
		q.add(` OFFSET `)
		q.arg(atMost(offset))
		ps, err = many(ctx, tx, scanProcedure, q.text.String(), q.args...)
		return err
	})
	return ps, err
}
