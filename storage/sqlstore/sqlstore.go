// Package sqlstore is the logic of storage.Store over a SQL database, written
// once for both engines. storage/sqlite and storage/postgres open and tune
// their database, begin its transactions and say the few things that differ;
// the statements, written with $1, $2 …, are the same.
package sqlstore

import (
	"context"
	"database/sql/driver"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// Engine is what differs between the databases.
type Engine interface {
	// Begin starts a transaction that sees what scope allows. write takes the
	// database's write lock where it has only one.
	Begin(ctx context.Context, scope Scope, write bool) (Tx, error)
	// ShouldRetry reports whether err ended a transaction for certain, through no
	// fault of its own (a deadlock), so that it can be run again.
	ShouldRetry(err error) bool
	// IsForeignKey reports whether err says that a row referred to is missing.
	IsForeignKey(err error) bool
	// RowLock is appended to a SELECT that locks its rows until the end of the
	// transaction; empty where writers exclude each other anyway.
	RowLock() string
	// SkipLocked is appended to a SELECT that locks its rows and passes over
	// those that another transaction has locked.
	SkipLocked() string

	Ping(ctx context.Context) error
	SchemaVersion(ctx context.Context) (have, want int64, err error)
	Close() error
}

// Scope is what a transaction may see. Exactly one of the texts is set.
type Scope struct {
	Org    string // the rows of this organisation
	Lookup string // the row that this secret or key names, such as "session:<hex>"
	Across string // this table, in all organisations
	// Loose lets a commit return before it would survive a power cut; the next one
	// that is not loose makes it durable. For what can be found out again.
	Loose bool
}

// Tx is a transaction in either driver.
type Tx interface {
	// Exec returns the number of rows that it changed.
	Exec(ctx context.Context, query string, args ...any) (int64, error)
	Query(ctx context.Context, query string, args ...any) (Rows, error)
	Commit(ctx context.Context) error
	// Rollback ends the transaction without effect; it may follow a Commit,
	// and then does nothing.
	Rollback()
}

// Rows is the result of a query in either driver.
type Rows interface {
	Next() bool
	Scan(dest ...any) error
	Err() error
	Close()
}

// Store is a storage.Store over an Engine.
type Store struct {
	engine Engine
}

// New returns a store over e.
func New(e Engine) *Store { return &Store{engine: e} }

// Ping implements storage.Store.
func (s *Store) Ping(ctx context.Context) error { return s.engine.Ping(ctx) }

// SchemaVersion implements storage.Store.
func (s *Store) SchemaVersion(ctx context.Context) (have, want int64, err error) {
	return s.engine.SchemaVersion(ctx)
}

// Close implements storage.Store.
func (s *Store) Close() error { return s.engine.Close() }

// attempts bounds how often a transaction that lost a deadlock is run.
const attempts = 5

// write runs f in a transaction that may write. f may run more than once, so
// it sets its results anew each time. missing is the error for a row that a
// foreign key did not find; nil where there is none to be expected.
func (s *Store) write(ctx context.Context, scope Scope, missing *errs.Error, f func(tx Tx) error) error {
	for n := 1; ; n++ {
		err := s.run(ctx, scope, true, f)
		switch {
		case err == nil:
			return nil
		case missing != nil && s.engine.IsForeignKey(err):
			return missing.Because(err)
		case n < attempts && s.engine.ShouldRetry(err):
			continue
		}
		return err
	}
}

// read runs f in a transaction that only reads, over one state of the database.
func (s *Store) read(ctx context.Context, scope Scope, f func(tx Tx) error) error {
	return s.run(ctx, scope, false, f)
}

func (s *Store) run(ctx context.Context, scope Scope, write bool, f func(tx Tx) error) error {
	if err := checkText([]any{scope.Org, scope.Lookup}); err != nil {
		return err
	}
	tx, err := s.engine.Begin(ctx, scope, write)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return err
	}
	if err := tx.Commit(ctx); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}

// org is the scope of an organisation's rows.
func org(id string) Scope { return Scope{Org: id} }

// ---- statements ----

type scanner func(dest ...any) error

// exec runs a statement and returns the number of rows that it changed.
func exec(ctx context.Context, tx Tx, query string, args ...any) (int64, error) {
	if err := checkText(args); err != nil {
		return 0, err
	}
	n, err := tx.Exec(ctx, query, args...)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", summary(query), err)
	}
	return n, nil
}

// many returns every row.
func many[T any](ctx context.Context, tx Tx, scan func(scanner) (T, error), query string, args ...any) ([]T, error) {
	var all []T
	err := each(ctx, tx, func(row scanner) (bool, error) {
		t, err := scan(row)
		all = append(all, t)
		return true, err
	}, query, args...)
	if err != nil {
		return nil, err
	}
	return all, nil
}

// one returns the only row; found is false if there is none. It reads to the
// end, because what a statement that writes and returns does wrong may be told
// only there.
func one[T any](ctx context.Context, tx Tx, scan func(scanner) (T, error), query string, args ...any) (t T, found bool, err error) {
	err = each(ctx, tx, func(row scanner) (bool, error) {
		t, err = scan(row)
		found = true
		return true, err
	}, query, args...)
	return t, found, err
}

// each calls f for each row until it returns false or an error.
func each(ctx context.Context, tx Tx, f func(row scanner) (more bool, err error), query string, args ...any) error {
	if err := checkText(args); err != nil {
		return err
	}
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return fmt.Errorf("%s: %w", summary(query), err)
	}
	defer rows.Close()
	for rows.Next() {
		more, err := f(rows.Scan)
		if err != nil {
			return fmt.Errorf("%s: %w", summary(query), err)
		}
		if !more {
			return nil
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("%s: %w", summary(query), err)
	}
	return nil
}

// maxArguments is under the bound of both databases (32,766 in SQLite).
const maxArguments = 30_000

// insert adds rows in as few statements as the databases allow and returns how
// many were added; a row that conflict names (an ON CONFLICT clause, or empty)
// is left out of the count where nothing was done.
func insert(ctx context.Context, tx Tx, table, columns, conflict string, rows [][]any) (int64, error) {
	var total int64
	for len(rows) > 0 {
		n := min(len(rows), maxArguments/len(rows[0]))
		var q query
		q.add("INSERT INTO " + table + " (" + columns + ") VALUES ")
		for i, row := range rows[:n] {
			if i > 0 {
				q.add(", ")
			}
			q.add("(")
			for k, v := range row {
				if k > 0 {
					q.add(", ")
				}
				q.arg(v)
			}
			q.add(")")
		}
		q.add(" " + conflict)
		added, err := exec(ctx, tx, q.text.String(), q.args...)
		if err != nil {
			return 0, err
		}
		total += added
		rows = rows[n:]
	}
	return total, nil
}

// query is a statement in the making.
type query struct {
	text strings.Builder
	args []any
}

func (q *query) add(s string) { q.text.WriteString(s) }

// arg adds a placeholder for v.
func (q *query) arg(v any) {
	q.args = append(q.args, v)
	q.text.WriteByte('$')
	q.text.WriteString(strconv.Itoa(len(q.args)))
}

// in adds "column IN (…)"; values must not be empty.
func (q *query) in(column string, values []string) {
	q.add(column + " IN (")
	for i, v := range values {
		if i > 0 {
			q.add(", ")
		}
		q.arg(v)
	}
	q.add(")")
}

// summary shortens a statement for an error's text.
func summary(query string) string {
	words := strings.Fields(query)
	return strings.Join(words[:min(len(words), 4)], " ")
}

// ---- values ----

// checkText refuses text that one of the databases could not give back: it
// must be UTF-8 without the character NUL.
func checkText(args []any) error {
	for _, a := range args {
		if s, ok := a.(string); ok && (!utf8.ValidString(s) || strings.IndexByte(s, 0) >= 0) {
			return errs.New(errs.Invalid, "TEXT_NOT_UTF8",
				fmt.Sprintf("a text to be stored is not UTF-8 or holds the character NUL: %.80q", s))
		}
	}
	return nil
}

// milli is a time column: 0 for the zero time.
func milli(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func fromMilli(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// blob is b for a column that is never null.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

func flag(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// hash reads and writes a column of 32 bytes.
type hash [32]byte

// Scan implements sql.Scanner.
func (h *hash) Scan(src any) error {
	b, ok := src.([]byte)
	if !ok || len(b) != len(h) {
		return errs.New(errs.Corrupt, "STORED_HASH_WRONG",
			fmt.Sprintf("a stored hash has %d bytes in place of 32: the database is damaged", len(b)))
	}
	copy(h[:], b)
	return nil
}

// Value implements driver.Valuer.
func (h hash) Value() (driver.Value, error) { return h[:], nil }

// atMost makes a limit that both databases take: none below 1.
func atMost(limit int) int64 { return int64(max(limit, 0)) }

func text(row scanner) (s string, err error) {
	err = row(&s)
	return s, err
}

func number(row scanner) (n int64, err error) {
	err = row(&n)
	return n, err
}

// batches splits values so that each part fits into one statement.
func batches(values []string) [][]string {
	const size = 1000
	var parts [][]string
	for len(values) > size {
		parts = append(parts, values[:size])
		values = values[size:]
	}
	if len(values) > 0 {
		parts = append(parts, values)
	}
	return parts
}
