package sqlstore

import (
	"context"
	"crypto/sha256"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

func noOrganization(id string) *errs.Error {
	return errs.New(errs.NotFound, "ORGANIZATION_NOT_FOUND", "there is no such organisation", "organization", id)
}

func versionMoved(have int64) *errs.Error {
	return errs.New(errs.Stale, "VERSION_MOVED",
		"somebody else has changed this since you read it; read it again").With("version", itoa(have))
}

// CreateOrganization implements storage.Organizations. The head of its log is
// made with it, so that there is always a row to lock.
func (s *Store) CreateOrganization(ctx context.Context, o storage.Organization) error {
	return s.write(ctx, org(o.ID), nil, func(tx Tx) error {
		n, err := exec(ctx, tx, `INSERT INTO organization (id, title, settings, version, create_time)
			VALUES ($1, $2, $3, 1, $4) ON CONFLICT (id) DO NOTHING`, o.ID, o.Title, blob(o.Settings), milli(o.CreateTime))
		if err != nil {
			return err
		}
		if n == 0 {
			return errs.New(errs.Exists, "ORGANIZATION_EXISTS", "there is an organisation of this id", "organization", o.ID)
		}
		_, err = exec(ctx, tx, `INSERT INTO log_head (org, size, root, compact, checkpoint) VALUES ($1, 0, $2, $3, $4)`,
			o.ID, hash(sha256.Sum256(nil)), []byte{}, []byte{})
		return err
	})
}

const organizationColumns = `id, title, settings, version, create_time`

func scanOrganization(row scanner) (o storage.Organization, err error) {
	var created int64
	err = row(&o.ID, &o.Title, &o.Settings, &o.Version, &created)
	o.CreateTime = fromMilli(created)
	return o, err
}

// GetOrganization implements storage.Organizations.
func (s *Store) GetOrganization(ctx context.Context, id string) (o storage.Organization, err error) {
	err = s.read(ctx, org(id), func(tx Tx) error {
		var found bool
		o, found, err = one(ctx, tx, scanOrganization, `SELECT `+organizationColumns+` FROM organization WHERE id = $1`, id)
		if err == nil && !found {
			return noOrganization(id)
		}
		return err
	})
	return o, err
}

// ListOrganizations implements storage.Organizations.
func (s *Store) ListOrganizations(ctx context.Context) (ids []string, err error) {
	err = s.read(ctx, Scope{Across: "organization"}, func(tx Tx) error {
		ids, err = many(ctx, tx, text, `SELECT id FROM organization ORDER BY id`)
		return err
	})
	return ids, err
}

// UpdateSettings implements storage.Organizations.
func (s *Store) UpdateSettings(ctx context.Context, id string, settings []byte, expect int64) (o storage.Organization, err error) {
	err = s.write(ctx, org(id), nil, func(tx Tx) error {
		have, found, err := one(ctx, tx, number, `SELECT version FROM organization WHERE id = $1`+s.engine.RowLock(), id)
		switch {
		case err != nil:
			return err
		case !found:
			return noOrganization(id)
		case have != expect:
			return versionMoved(have)
		}
		o, _, err = one(ctx, tx, scanOrganization, `UPDATE organization SET settings = $1, version = version + 1
			WHERE id = $2 RETURNING `+organizationColumns, blob(settings), id)
		return err
	})
	return o, err
}

// ---- documents ----

const documentColumns = `kind, id, owner, body, version, create_time, update_time`

func scanDocument(row scanner) (d storage.Document, err error) {
	var kind string
	var created, updated int64
	err = row(&kind, &d.ID, &d.Owner, &d.Body, &d.Version, &created, &updated)
	d.Kind, d.CreateTime, d.UpdateTime = storage.Kind(kind), fromMilli(created), fromMilli(updated)
	return d, err
}

func noDocument(kind storage.Kind, id string) *errs.Error {
	return errs.New(errs.NotFound, "DOCUMENT_NOT_FOUND", "there is no such "+string(kind), "kind", string(kind), "id", id)
}

func getDocument(ctx context.Context, tx Tx, o string, kind storage.Kind, id, lock string) (storage.Document, error) {
	d, found, err := one(ctx, tx, scanDocument,
		`SELECT `+documentColumns+` FROM document WHERE org = $1 AND kind = $2 AND id = $3`+lock, o, string(kind), id)
	if err == nil && !found {
		return d, noDocument(kind, id)
	}
	return d, err
}

// claim notes that request makes result. Where the request was seen before it
// returns what it made then. An empty request is always new.
func claim(ctx context.Context, tx Tx, o, scope, request, result string) (earlier string, err error) {
	if request == "" {
		return "", nil
	}
	n, err := exec(ctx, tx, `INSERT INTO request (org, scope, request_id, result_id) VALUES ($1, $2, $3, $4)
		ON CONFLICT (org, scope, request_id) DO NOTHING`, o, scope, request, result)
	if err != nil || n == 1 {
		return "", err
	}
	earlier, _, err = one(ctx, tx, text, `SELECT result_id FROM request WHERE org = $1 AND scope = $2 AND request_id = $3`, o, scope, request)
	return earlier, err
}

// CreateDocument implements storage.Documents.
func (s *Store) CreateDocument(ctx context.Context, o string, d storage.Document, requestID string) (made storage.Document, err error) {
	err = s.write(ctx, org(o), noOrganization(o), func(tx Tx) error {
		earlier, err := claim(ctx, tx, o, string(d.Kind), requestID, d.ID)
		if err != nil {
			return err
		}
		if earlier != "" {
			made, err = getDocument(ctx, tx, o, d.Kind, earlier, "")
			return err
		}
		var added bool
		made, added, err = one(ctx, tx, scanDocument, `INSERT INTO document (org, kind, id, owner, body, version, create_time, update_time)
			VALUES ($1, $2, $3, $4, $5, 1, $6, $7) ON CONFLICT (org, kind, id) DO NOTHING RETURNING `+documentColumns,
			o, string(d.Kind), d.ID, d.Owner, blob(d.Body), milli(d.CreateTime), milli(d.UpdateTime))
		if err == nil && !added {
			return errs.New(errs.Exists, "DOCUMENT_EXISTS", "there is a "+string(d.Kind)+" of this id", "kind", string(d.Kind), "id", d.ID)
		}
		return err
	})
	return made, err
}

// GetDocument implements storage.Documents.
func (s *Store) GetDocument(ctx context.Context, o string, kind storage.Kind, id string) (d storage.Document, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		d, err = getDocument(ctx, tx, o, kind, id, "")
		return err
	})
	return d, err
}

// GetDocuments implements storage.Documents.
func (s *Store) GetDocuments(ctx context.Context, o string, kind storage.Kind, ids []string) (ds []storage.Document, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		for _, part := range batches(ids) {
			var q query
			q.add(`SELECT ` + documentColumns + ` FROM document WHERE org = `)
			q.arg(o)
			q.add(` AND kind = `)
			q.arg(string(kind))
			q.add(` AND `)
			q.in("id", part)
			some, err := many(ctx, tx, scanDocument, q.text.String(), q.args...)
			if err != nil {
				return err
			}
			ds = append(ds, some...)
		}
		return nil
	})
	return ds, err
}

// ListDocuments implements storage.Documents.
func (s *Store) ListDocuments(ctx context.Context, o string, kind storage.Kind, owner, after string, limit int) (ds []storage.Document, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var q query
		q.add(`SELECT ` + documentColumns + ` FROM document WHERE org = `)
		q.arg(o)
		q.add(` AND kind = `)
		q.arg(string(kind))
		q.add(` AND id > `)
		q.arg(after)
		if owner != "" {
			q.add(` AND owner = `)
			q.arg(owner)
		}
		q.add(` ORDER BY id LIMIT `)
		q.arg(atMost(limit))
		ds, err = many(ctx, tx, scanDocument, q.text.String(), q.args...)
		return err
	})
	return ds, err
}

// UpdateDocument implements storage.Documents.
func (s *Store) UpdateDocument(ctx context.Context, o string, d storage.Document, expect int64, enqueue ...storage.OutboxItem) (now storage.Document, err error) {
	err = s.write(ctx, org(o), noJob(""), func(tx Tx) error {
		have, err := getDocument(ctx, tx, o, d.Kind, d.ID, s.engine.RowLock())
		if err != nil {
			return err
		}
		if expect != 0 && have.Version != expect {
			return versionMoved(have.Version)
		}
		now, _, err = one(ctx, tx, scanDocument, `UPDATE document SET owner = $1, body = $2, update_time = $3, version = version + 1
			WHERE org = $4 AND kind = $5 AND id = $6 RETURNING `+documentColumns,
			d.Owner, blob(d.Body), milli(d.UpdateTime), o, string(d.Kind), d.ID)
		if err != nil {
			return err
		}
		return addOutbox(ctx, tx, o, enqueue)
	})
	return now, err
}
