// Package postgres is the store of a company: several servers over one
// PostgreSQL database.
//
// Two roles use the database. The owner makes the schema, by Migrate, and
// nothing else. The server's role reads and writes rows, may not own the
// tables, and is held to one organisation for each transaction by row-level
// security. Give it its rights once, as the owner, before the first Migrate:
//
//	GRANT USAGE ON SCHEMA public TO server_role;
//	ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO server_role;
//
// A backup is made by a role that may pass over row-level security (BYPASSRLS);
// the owner may not, so that its dump would be refused.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"witnessmark/internal/errs"
	"witnessmark/migrations"
	"witnessmark/storage"
	"witnessmark/storage/sqlstore"
)

// Store is a pool of connections of one server.
type Store struct {
	*sqlstore.Store
	engine *engine
}

var _ storage.Store = (*Store)(nil)

type engine struct{ pool *pgxpool.Pool }

// Open connects as the server's role. dsn is a URL or keywords and values, as
// in PostgreSQL's own tools; pool_max_conns bounds the connections.
//
// Errors, with nothing changed: Invalid DATABASE_DSN; Unavailable
// STORE_UNAVAILABLE; WrongState SCHEMA_OLDER (run witnessmark migrate),
// SCHEMA_NEWER (use the newer program), ROLE_TOO_STRONG (the role is a
// superuser, passes over row-level security, or is or may become the owner of
// the tables). Where the role's synchronous_commit is off it is switched on: what
// was answered as kept survives a power cut.
func Open(ctx context.Context, dsn string) (*Store, error) {
	config, err := pgxpool.ParseConfig(dsn)
	if err != nil {
		return nil, badDSN()
	}
	config.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		// Only off is changed: a stricter setting, such as remote_apply, is the
		// operator's.
		_, err := conn.Exec(ctx, `SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'`)
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, unavailable(err)
	}
	e := &engine{pool: pool}
	if err := e.check(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return &Store{Store: sqlstore.New(e), engine: e}, nil
}

// badDSN does not carry the cause, which could quote the password.
func badDSN() error {
	return errs.Field("DATABASE_DSN", "dsn", "the database address cannot be read; it looks like postgres://user@host/database")
}

func (e *engine) check(ctx context.Context) error {
	have, want, err := e.SchemaVersion(ctx)
	switch {
	case err != nil:
		return err
	case have < want:
		return errs.Newf(errs.WrongState, "SCHEMA_OLDER", "the database has schema %d and this program needs %d: run witnessmark migrate", have, want)
	case have > want:
		return errs.Newf(errs.WrongState, "SCHEMA_NEWER",
			"the database has schema %d and this program knows %d: it was migrated by a newer version; use that one", have, want)
	}
	var strong bool
	err = e.pool.QueryRow(ctx, `SELECT r.rolsuper OR r.rolbypassrls OR EXISTS (
			SELECT FROM pg_class c WHERE c.oid = 'organization'::regclass AND pg_has_role(current_user, c.relowner, 'MEMBER'))
		FROM pg_roles r WHERE r.rolname = current_user`).Scan(&strong)
	switch {
	case err != nil:
		return unavailable(err)
	case strong:
		return errs.New(errs.WrongState, "ROLE_TOO_STRONG",
			"the server's database role may pass over row-level security: it must be no superuser, have no BYPASSRLS and not own the tables; give it a role of its own")
	}
	return nil
}

// Migrate climbs to the schema that this program knows, as the owner of the
// tables. Several may run at once; one waits for the other. WrongState
// SCHEMA_NEWER if the schema is ahead of the program.
func Migrate(ctx context.Context, ownerDSN string) error {
	config, err := pgxpool.ParseConfig(ownerDSN)
	if err != nil {
		return badDSN()
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return unavailable(err)
	}
	defer pool.Close()
	e := &engine{pool: pool}
	have, want, err := e.SchemaVersion(ctx)
	if err != nil {
		return err
	}
	if have > want {
		return errs.Newf(errs.WrongState, "SCHEMA_NEWER", "the database has schema %d and this program knows %d: use the newer program", have, want)
	}
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	db := stdlib.OpenDBFromPool(pool)
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Postgres(), goose.WithSessionLocker(locker))
	if err != nil {
		return errors.Join(fmt.Errorf("migrate: %w", err), db.Close())
	}
	if _, err := provider.Up(ctx); err != nil {
		return errors.Join(fmt.Errorf("migrate: %w", err), db.Close())
	}
	return db.Close()
}

// ---- sqlstore.Engine ----

// Begin opens a transaction and sets what its rows are narrowed to, in one
// round trip; both settings end with the transaction.
func (e *engine) Begin(ctx context.Context, scope sqlstore.Scope, write bool) (sqlstore.Tx, error) {
	conn, err := e.pool.Acquire(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return nil, fmt.Errorf("begin: %w", err)
		}
		return nil, unavailable(err)
	}
	begin := "BEGIN ISOLATION LEVEL READ COMMITTED"
	if !write {
		begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
	}
	var batch pgx.Batch
	batch.Queue(begin)
	batch.Queue(`SELECT set_config('app.organization', $1, true), set_config('app.lookup', $2, true), set_config('app.across', $3, true)`,
		scope.Org, scope.Lookup, scope.Across)
	if scope.Loose && write {
		batch.Queue(`SET LOCAL synchronous_commit = off`)
	}
	t := &tx{conn: conn}
	if err := conn.SendBatch(ctx, &batch).Close(); err != nil {
		t.Rollback()
		if ctx.Err() != nil {
			return nil, fmt.Errorf("begin: %w", err)
		}
		return nil, unavailable(err)
	}
	return t, nil
}

func unavailable(err error) error {
	return errs.New(errs.Unavailable, "STORE_UNAVAILABLE", "the database cannot be used right now; try again").Because(err)
}

func code(err error) string {
	var pe *pgconn.PgError
	if errors.As(err, &pe) {
		return pe.Code
	}
	return ""
}

// SQLSTATE codes (PostgreSQL manual, appendix A).
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	foreignKeyViolation  = "23503"
	undefinedTable       = "42P01"
)

func (e *engine) ShouldRetry(err error) bool {
	c := code(err)
	return c == serializationFailure || c == deadlockDetected
}

func (e *engine) IsForeignKey(err error) bool { return code(err) == foreignKeyViolation }

// RowLock does not exclude those who only refer to the row.
func (e *engine) RowLock() string    { return " FOR NO KEY UPDATE" }
func (e *engine) SkipLocked() string { return " FOR NO KEY UPDATE SKIP LOCKED" }

func (e *engine) Ping(ctx context.Context) error {
	var readOnly string
	if err := e.pool.QueryRow(ctx, `SELECT current_setting('transaction_read_only')`).Scan(&readOnly); err != nil {
		return unavailable(err)
	}
	if readOnly != "off" {
		return unavailable(errors.New("the database takes no writes: a standby, or default_transaction_read_only"))
	}
	return nil
}

func (e *engine) SchemaVersion(ctx context.Context) (have, want int64, err error) {
	want = migrations.Latest(migrations.Postgres())
	err = e.pool.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&have)
	if code(err) == undefinedTable {
		return 0, want, nil
	}
	if err != nil {
		return 0, want, unavailable(err)
	}
	return have, want, nil
}

func (e *engine) Close() error {
	e.pool.Close()
	return nil
}

// tx is a transaction on a connection of its own; conn is nil when it is over.
type tx struct{ conn *pgxpool.Conn }

func (t *tx) Exec(ctx context.Context, query string, args ...any) (int64, error) {
	tag, err := t.conn.Exec(ctx, query, args...)
	return tag.RowsAffected(), err
}

func (t *tx) Query(ctx context.Context, query string, args ...any) (sqlstore.Rows, error) {
	return t.conn.Query(ctx, query, args...)
}

func (t *tx) Commit(ctx context.Context) error {
	tag, err := t.conn.Exec(ctx, "COMMIT")
	if err != nil {
		return err
	}
	t.conn.Release()
	t.conn = nil
	if tag.String() != "COMMIT" { // a transaction that had failed answers ROLLBACK
		return errors.New("the transaction was rolled back")
	}
	return nil
}

// rollbackWait bounds how long a lost connection holds up its caller.
const rollbackWait = 5 * time.Second

func (t *tx) Rollback() {
	if t.conn == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), rollbackWait)
	defer cancel()
	// Where this fails the connection is broken or still in a transaction; the
	// pool closes such a connection on its release, which rolls back as well.
	_, _ = t.conn.Exec(ctx, "ROLLBACK")
	t.conn.Release()
	t.conn = nil
}
