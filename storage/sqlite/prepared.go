package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"strings"

	"modernc.org/sqlite"
)

// Bounds of what one connection keeps prepared. Reading a statement's text and
// planning it takes longer than most of the program's statements take to run.
const (
	keptStatements = 256
	longestKept    = 16 << 10 // bytes of a statement's text
)

// open opens a pool whose connections keep their statements prepared. The
// statements stay right when the schema changes: SQLite prepares them again.
func open(dsn string) *sql.DB { return sql.OpenDB(connector(dsn)) }

type connector string

// Connect implements driver.Connector.
func (c connector) Connect(context.Context) (driver.Conn, error) {
	inner, err := c.Driver().Open(string(c))
	if err != nil {
		return nil, err
	}
	whole, ok := inner.(driverConn)
	if !ok {
		return nil, fmt.Errorf("the driver's connection, %T, lacks a method", inner)
	}
	return &conn{driverConn: whole, kept: map[string]*kept{}}, nil
}

// Driver implements driver.Connector.
func (c connector) Driver() driver.Driver { return &sqlite.Driver{} }

// driverConn is what the driver's connection can do.
type driverConn interface {
	driver.Conn
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// driverStmt is what the driver's statements can do.
type driverStmt interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// kept is a prepared statement; busy while its rows are read.
type kept struct {
	driverStmt
	busy bool
}

// conn is one connection; database/sql lets one goroutine at a time use it.
type conn struct {
	driverConn
	kept map[string]*kept
}

// statement returns the prepared statement of a text, or nil where the text is
// run as it is: a script, a PRAGMA (some of which act when they are prepared),
// and a statement whose rows are being read at this moment.
func (c *conn) statement(ctx context.Context, query string) (*kept, error) {
	if k, ok := c.kept[query]; ok {
		if k.busy {
			return nil, nil
		}
		return k, nil
	}
	verb, _, _ := strings.Cut(strings.TrimSpace(query), " ")
	switch verb {
	case "SELECT", "INSERT", "UPDATE", "DELETE", "WITH":
	default:
		return nil, nil
	}
	if len(query) > longestKept || strings.IndexByte(query, ';') >= 0 {
		return nil, nil
	}
	if len(c.kept) >= keptStatements {
		if err := c.dropOne(); err != nil {
			return nil, err
		}
	}
	s, err := c.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	whole, ok := s.(driverStmt)
	if !ok {
		return nil, fmt.Errorf("the driver's statement, %T, lacks a method", s)
	}
	k := &kept{driverStmt: whole}
	c.kept[query] = k
	return k, nil
}

// dropOne makes room for another statement. Which one goes does not matter:
// texts differ only where lists of many lengths are asked for.
func (c *conn) dropOne() error {
	for query, k := range c.kept {
		if !k.busy {
			delete(c.kept, query)
			return k.Close()
		}
	}
	return nil
}

// ExecContext implements driver.ExecerContext.
func (c *conn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	k, err := c.statement(ctx, query)
	if err != nil {
		return nil, err
	}
	if k == nil {
		return c.driverConn.ExecContext(ctx, query, args)
	}
	return k.ExecContext(ctx, args)
}

// QueryContext implements driver.QueryerContext.
func (c *conn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	k, err := c.statement(ctx, query)
	if err != nil {
		return nil, err
	}
	if k == nil {
		return c.driverConn.QueryContext(ctx, query, args)
	}
	r, err := k.QueryContext(ctx, args)
	if err != nil {
		return nil, err
	}
	k.busy = true
	return &keptRows{Rows: r, of: k}, nil
}

// Close implements driver.Conn.
func (c *conn) Close() error {
	for _, k := range c.kept {
		_ = k.Close() // the connection's own close tells what is wrong
	}
	clear(c.kept)
	return c.driverConn.Close()
}

// keptRows gives the statement free when the rows are closed.
type keptRows struct {
	driver.Rows
	of *kept
}

// Close implements driver.Rows.
func (r *keptRows) Close() error {
	r.of.busy = false
	return r.Rows.Close()
}
