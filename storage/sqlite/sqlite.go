// Package sqlite is the embedded store: one file, one writer, many readers, no
// server to run. It brings its schema up to date by itself when it is opened.
package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"witnessmark/internal/errs"
	"witnessmark/migrations"
	"witnessmark/storage"
	"witnessmark/storage/sqlstore"
)

// Store is an open database file. Several processes may open the same file:
// each waits up to five seconds for another's write.
type Store struct {
	*sqlstore.Store
	engine *engine
}

var _ storage.Store = (*Store)(nil)

// engine has one connection that writes, so that writers in this process queue
// in memory rather than poll the file's lock, and a pool that reads.
type engine struct {
	file   string // its URI, without options
	writer *sql.DB
	reader *sql.DB
}

// options: WAL lets readers go on beside a writer; FULL keeps what was
// committed through a power cut; an immediate transaction takes the write lock
// when it begins, without which read-then-write transactions fail under load
// whatever the timeout is.
const options = "_pragma=busy_timeout(5000)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)" +
	"&_pragma=foreign_keys(1)&_pragma=recursive_triggers(1)"

// Open opens the database file at path, makes it if it is not there, and climbs
// to the schema that this program knows. The file is made readable by its
// owner alone.
//
// Errors: Invalid DATABASE_PATH for an empty path or ":memory:"; WrongState
// SCHEMA_NEWER if a newer program has migrated the file: nothing is changed then.
func Open(ctx context.Context, path string) (*Store, error) {
	if path == "" || strings.Contains(path, ":memory:") || strings.IndexByte(path, 0) >= 0 {
		return nil, errs.Field("DATABASE_PATH", "path", "the embedded store needs the path of a file")
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("database path: %w", err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	file := (&url.URL{Scheme: "file", Path: filepath.ToSlash(path)}).String()
	e := &engine{file: file}
	e.writer = open(file + "?_txlock=immediate&" + options)
	e.writer.SetMaxOpenConns(1)
	if err := e.migrate(ctx); err != nil {
		return nil, errors.Join(err, e.writer.Close())
	}
	e.reader = open(file + "?" + options + "&_pragma=query_only(1)")
	readers := max(4, runtime.GOMAXPROCS(0))
	e.reader.SetMaxOpenConns(readers)
	e.reader.SetMaxIdleConns(readers)
	return &Store{Store: sqlstore.New(e), engine: e}, nil
}

// Backup writes a whole, consistent copy of the database to a new file at
// path, while the store is in use. Exists BACKUP_EXISTS if there is a file.
func (s *Store) Backup(ctx context.Context, path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return errs.New(errs.Exists, "BACKUP_EXISTS", "there is a file of that name; a backup never writes over one", "path", path)
	}
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	// A connection of its own, so that the writer's goes on; it needs no write
	// lock, but query_only would refuse it. The empty file made above is taken
	// and keeps its mode.
	db, err := sql.Open("sqlite", s.engine.file+"?"+options)
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", path)
	if err := errors.Join(err, db.Close()); err != nil {
		return errors.Join(fmt.Errorf("back up: %w", err), os.Remove(path))
	}
	return syncFile(path)
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("back up: %w", err)
	}
	return nil
}

// migrate climbs to the newest schema. Two processes may start at once: who
// loses the race finds the work done.
func (e *engine) migrate(ctx context.Context) error {
	provider, err := goose.NewProvider(goose.DialectSQLite3, e.writer, migrations.SQLite())
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	want := migrations.Latest(migrations.SQLite())
	have, err := e.version(ctx)
	if err != nil {
		return err
	}
	if have > want {
		return errs.Newf(errs.WrongState, "SCHEMA_NEWER",
			"the database has schema %d and this program knows %d: it was opened by a newer version; use that one", have, want)
	}
	if have == want {
		return nil
	}
	if _, err := provider.Up(ctx); err != nil {
		if now, verr := e.version(ctx); verr == nil && now == want {
			return nil
		}
		return fmt.Errorf("migrate: %w", err)
	}
	return nil
}

// version returns the schema's number; 0 for an empty file.
func (e *engine) version(ctx context.Context) (int64, error) {
	var there int
	err := e.writer.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'goose_db_version'`).Scan(&there)
	if err != nil {
		return 0, fmt.Errorf("schema version: %w", err)
	}
	if there == 0 {
		return 0, nil
	}
	var version int64
	err = e.writer.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied = 1`).Scan(&version)
	if err != nil {
		return 0, fmt.Errorf("schema version: %w", err)
	}
	return version, nil
}

// ---- sqlstore.Engine ----

// Begin needs no scope: every statement names its organisation, and there is
// no second line of defence in an embedded database.
func (e *engine) Begin(ctx context.Context, scope sqlstore.Scope, write bool) (sqlstore.Tx, error) {
	db := e.reader
	if write {
		if scope.Loose {
			return e.beginLoose(ctx)
		}
		db = e.writer
	}
	t, err := db.BeginTx(ctx, nil)
	if err != nil {
		if ctx.Err() != nil {
			return nil, fmt.Errorf("begin: %w", err)
		}
		return nil, unavailable(err)
	}
	return tx{t}, nil
}

func unavailable(err error) error {
	return errs.New(errs.Unavailable, "STORE_UNAVAILABLE", "the database cannot be used right now; try again").Because(err)
}

// ShouldRetry is never true: a writer that has begun holds the only lock.
func (e *engine) ShouldRetry(error) bool { return false }

func (e *engine) IsForeignKey(err error) bool {
	var se *sqlite.Error
	return errors.As(err, &se) && se.Code() == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY
}

func (e *engine) RowLock() string    { return "" }
func (e *engine) SkipLocked() string { return "" }

func (e *engine) Ping(ctx context.Context) error {
	t, err := e.writer.BeginTx(ctx, nil) // immediate: takes the write lock
	if err != nil {
		return unavailable(err)
	}
	if err := t.Rollback(); err != nil {
		return unavailable(err)
	}
	return nil
}

func (e *engine) SchemaVersion(ctx context.Context) (have, want int64, err error) {
	have, err = e.version(ctx)
	return have, migrations.Latest(migrations.SQLite()), err
}

func (e *engine) Close() error { return errors.Join(e.reader.Close(), e.writer.Close()) }

type tx struct{ t *sql.Tx }

// numbered turns $1 into ?1: SQLite numbers the latter by its digits, the
// former by first use. No statement has a $ in any other place.
func numbered(query string) string { return strings.ReplaceAll(query, "$", "?") }

func (x tx) Exec(ctx context.Context, query string, args ...any) (int64, error) {
	r, err := x.t.ExecContext(ctx, numbered(query), args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

func (x tx) Query(ctx context.Context, query string, args ...any) (sqlstore.Rows, error) {
	r, err := x.t.QueryContext(ctx, numbered(query), args...)
	if err != nil {
		return nil, err
	}
	return rows{r}, nil
}

func (x tx) Commit(context.Context) error { return x.t.Commit() }

// Rollback after a commit answers sql.ErrTxDone, and one that fails leaves
// nothing behind that the connection would not undo by itself.
func (x tx) Rollback() { _ = x.t.Rollback() }

// looseTx is a transaction of the writer whose commit does not wait for the disk.
// In WAL mode the next commit that does wait brings it along.
type looseTx struct {
	tx
	conn *sql.Conn
}

func (e *engine) beginLoose(ctx context.Context) (sqlstore.Tx, error) {
	conn, err := e.writer.Conn(ctx)
	if err == nil {
		x := &looseTx{conn: conn}
		if _, err = conn.ExecContext(ctx, "PRAGMA synchronous = NORMAL"); err == nil {
			if x.t, err = conn.BeginTx(ctx, nil); err == nil {
				return x, nil
			}
		}
		x.giveBack()
	}
	if ctx.Err() != nil {
		return nil, fmt.Errorf("begin: %w", err)
	}
	return nil, unavailable(err)
}

func (x *looseTx) Commit(context.Context) error {
	err := x.t.Commit()
	x.giveBack()
	return err
}

func (x *looseTx) Rollback() {
	x.tx.Rollback()
	x.giveBack()
}

// giveBack makes the connection wait for the disk again before anyone else gets
// it. One that cannot is thrown away; the pool opens another, with the options.
func (x *looseTx) giveBack() {
	if x.conn == nil {
		return
	}
	if _, err := x.conn.ExecContext(context.Background(), "PRAGMA synchronous = FULL"); err != nil {
		_ = x.conn.Raw(func(any) error { return driver.ErrBadConn }) // the error is the one given
	}
	_ = x.conn.Close() // after ErrBadConn it is closed already
	x.conn = nil
}

type rows struct{ *sql.Rows }

func (r rows) Close() { _ = r.Rows.Close() } // what went wrong is in Err
