package sqlstore

import (
	"context"
	"encoding/hex"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/storage"
)

const sessionColumns = `org, id, token_hash, person, device, share_link, create_time, expire_time, revoke_time`

func scanSession(row scanner) (s storage.Session, err error) {
	var created, expires, revoked int64
	err = row(&s.Org, &s.ID, (*hash)(&s.TokenHash), &s.Person, &s.Device, &s.ShareLink, &created, &expires, &revoked)
	s.CreateTime, s.ExpireTime, s.RevokeTime = fromMilli(created), fromMilli(expires), fromMilli(revoked)
	return s, err
}

// PutSession implements storage.Access.
func (s *Store) PutSession(ctx context.Context, v storage.Session) error {
	return s.write(ctx, org(v.Org), noOrganization(v.Org), func(tx Tx) error {
		n, err := exec(ctx, tx, `INSERT INTO session (`+sessionColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`,
			v.Org, v.ID, hash(v.TokenHash), v.Person, v.Device, v.ShareLink, milli(v.CreateTime), milli(v.ExpireTime), milli(v.RevokeTime))
		if err == nil && n == 0 {
			return errs.New(errs.Exists, "SESSION_EXISTS", "there is a session of this id or token", "session", v.ID)
		}
		return err
	})
}

// SessionByToken implements storage.Access.
func (s *Store) SessionByToken(ctx context.Context, tokenHash [32]byte) (v storage.Session, err error) {
	err = s.read(ctx, Scope{Lookup: "session:" + hex.EncodeToString(tokenHash[:])}, func(tx Tx) error {
		var found bool
		v, found, err = one(ctx, tx, scanSession, `SELECT `+sessionColumns+` FROM session WHERE token_hash = $1`, hash(tokenHash))
		if err == nil && !found {
			return errs.New(errs.NotFound, "SESSION_NOT_FOUND", "there is no such session")
		}
		return err
	})
	return v, err
}

// RevokeSessions implements storage.Access.
func (s *Store) RevokeSessions(ctx context.Context, o, id, device, person, shareLink string, at time.Time) (n int64, err error) {
	if id == "" && device == "" && person == "" && shareLink == "" {
		return 0, nil
	}
	err = s.write(ctx, org(o), nil, func(tx Tx) error {
		var q query
		q.add(`UPDATE session SET revoke_time = `)
		q.arg(milli(at))
		q.add(` WHERE revoke_time = 0 AND org = `)
		q.arg(o)
		for _, c := range []struct{ column, value string }{
			{"id", id}, {"device", device}, {"person", person}, {"share_link", shareLink},
		} {
			if c.value != "" {
				q.add(` AND ` + c.column + ` = `)
				q.arg(c.value)
			}
		}
		n, err = exec(ctx, tx, q.text.String(), q.args...)
		return err
	})
	return n, err
}

const codeColumns = `hash, org, person, expire_time, use_time`

func scanCode(row scanner) (c storage.Code, err error) {
	var expires, used int64
	err = row((*hash)(&c.Hash), &c.Org, &c.Person, &expires, &used)
	c.ExpireTime, c.UseTime = fromMilli(expires), fromMilli(used)
	return c, err
}

// PutCode implements storage.Access.
func (s *Store) PutCode(ctx context.Context, c storage.Code) error {
	return s.write(ctx, org(c.Org), noOrganization(c.Org), func(tx Tx) error {
		n, err := exec(ctx, tx, `INSERT INTO code (`+codeColumns+`) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`,
			hash(c.Hash), c.Org, c.Person, milli(c.ExpireTime), milli(c.UseTime))
		if err == nil && n == 0 {
			return errs.New(errs.Exists, "CODE_EXISTS", "this code was given out before; make another")
		}
		return err
	})
}

// PeekCode implements storage.Access.
func (s *Store) PeekCode(ctx context.Context, h [32]byte, now time.Time) (c storage.Code, err error) {
	err = s.read(ctx, Scope{Lookup: "code:" + hex.EncodeToString(h[:])}, func(tx Tx) error {
		var found bool
		c, found, err = one(ctx, tx, scanCode, `SELECT `+codeColumns+` FROM code WHERE hash = $1 AND use_time = 0 AND expire_time > $2`, hash(h), milli(now))
		if err == nil && !found {
			return noCode()
		}
		return err
	})
	return c, err
}

func noCode() error {
	return errs.New(errs.NotFound, "CODE_NOT_FOUND", "this code is not known, was used, or is over; ask for a new one")
}

// UseCode implements storage.Access.
func (s *Store) UseCode(ctx context.Context, h [32]byte, now time.Time) (c storage.Code, err error) {
	err = s.write(ctx, Scope{Lookup: "code:" + hex.EncodeToString(h[:])}, nil, func(tx Tx) error {
		var found bool
		c, found, err = one(ctx, tx, scanCode, `UPDATE code SET use_time = $1 WHERE hash = $2 AND use_time = 0 AND expire_time > $3
			RETURNING `+codeColumns, milli(now), hash(h), milli(now))
		if err == nil && !found {
			return noCode()
		}
		return err
	})
	return c, err
}

const keyColumns = `org, key_id, device, person, spki, create_time, revoke_time`

func scanKey(row scanner) (k storage.Key, err error) {
	var created, revoked int64
	err = row(&k.Org, &k.KeyID, &k.Device, &k.Person, &k.SPKI, &created, &revoked)
	k.CreateTime, k.RevokeTime = fromMilli(created), fromMilli(revoked)
	return k, err
}

// PutKey implements storage.Access.
func (s *Store) PutKey(ctx context.Context, k storage.Key) error {
	return s.write(ctx, org(k.Org), noOrganization(k.Org), func(tx Tx) error {
		n, err := exec(ctx, tx, `INSERT INTO device_key (`+keyColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7)
			ON CONFLICT (org, key_id) DO NOTHING`,
			k.Org, k.KeyID, k.Device, k.Person, blob(k.SPKI), milli(k.CreateTime), milli(k.RevokeTime))
		if err == nil && n == 0 {
			return errs.New(errs.Exists, "KEY_EXISTS", "this device key is enrolled already", "key", k.KeyID)
		}
		return err
	})
}

// KeyByID implements storage.Access.
func (s *Store) KeyByID(ctx context.Context, o, keyID string) (k storage.Key, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		var found bool
		k, found, err = one(ctx, tx, scanKey, `SELECT `+keyColumns+` FROM device_key WHERE org = $1 AND key_id = $2`, o, keyID)
		if err == nil && !found {
			return errs.New(errs.NotFound, "KEY_NOT_FOUND", "there is no such device key", "key", keyID)
		}
		return err
	})
	return k, err
}

// KeysOfDevice implements storage.Access.
func (s *Store) KeysOfDevice(ctx context.Context, o, device string) (ks []storage.Key, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		ks, err = many(ctx, tx, scanKey, `SELECT `+keyColumns+` FROM device_key WHERE org = $1 AND device = $2
			ORDER BY create_time DESC, key_id`, o, device)
		return err
	})
	return ks, err
}

// Keys implements storage.Access.
func (s *Store) Keys(ctx context.Context, o string, keyIDs []string) (ks []storage.Key, err error) {
	err = s.read(ctx, org(o), func(tx Tx) error {
		for _, part := range batches(keyIDs) {
			var q query
			q.add(`SELECT ` + keyColumns + ` FROM device_key WHERE org = `)
			q.arg(o)
			q.add(` AND `)
			q.in("key_id", part)
			some, err := many(ctx, tx, scanKey, q.text.String(), q.args...)
			if err != nil {
				return err
			}
			ks = append(ks, some...)
		}
		return nil
	})
	return ks, err
}

// RevokeKeys implements storage.Access.
func (s *Store) RevokeKeys(ctx context.Context, o, device string, at time.Time) (n int64, err error) {
	err = s.write(ctx, org(o), nil, func(tx Tx) error {
		n, err = exec(ctx, tx, `UPDATE device_key SET revoke_time = $1 WHERE org = $2 AND device = $3 AND revoke_time = 0`,
			milli(at), o, device)
		return err
	})
	return n, err
}

// CountAttempt implements storage.Access.
func (s *Store) CountAttempt(ctx context.Context, key string, window time.Duration, now time.Time) (n int64, err error) {
	err = s.write(ctx, Scope{Lookup: "attempt:" + key}, nil, func(tx Tx) error {
		over := milli(now.Add(-window)) // a window that began then or before is over
		n, _, err = one(ctx, tx, number, `INSERT INTO attempt (key, begin_time, count) VALUES ($1, $2, 1)
			ON CONFLICT (key) DO UPDATE SET
				count = CASE WHEN attempt.begin_time <= $3 THEN 1 ELSE attempt.count + 1 END,
				begin_time = CASE WHEN attempt.begin_time <= $3 THEN excluded.begin_time ELSE attempt.begin_time END
			RETURNING count`, key, milli(now), over)
		return err
	})
	return n, err
}

// ClearAttempts implements storage.Access.
func (s *Store) ClearAttempts(ctx context.Context, key string) error {
	return s.write(ctx, Scope{Lookup: "attempt:" + key}, nil, func(tx Tx) error {
		_, err := exec(ctx, tx, `DELETE FROM attempt WHERE key = $1`, key)
		return err
	})
}

// ForgetAttempts implements storage.Access.
func (s *Store) ForgetAttempts(ctx context.Context, before time.Time) (n int64, err error) {
	err = s.write(ctx, Scope{Across: "attempt"}, nil, func(tx Tx) error {
		n, err = exec(ctx, tx, `DELETE FROM attempt WHERE begin_time < $1`, milli(before))
		return err
	})
	return n, err
}
