package testbed

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
)

// PostgresVariable names the environment variable with a superuser's DSN of a
// cluster that is already up, to be used in place of one of our own.
// internal/testbed/run sets it for all the tests that it runs.
const PostgresVariable = "WITNESSMARK_TEST_POSTGRES"

// The roles of every cluster. Neither is a superuser, so row-level security
// binds both: the owner where a table says FORCE.
const (
	ownerRole = "witnessmark_owner" // owns the database, runs the migrations
	appRole   = "witnessmark_app"   // what the server signs in as
)

// Database is one database of a test's own, by the two ways into it.
type Database struct {
	Owner string // DSN of the owner, who may create and alter; not a superuser
	App   string // DSN of the server's role: reads and writes rows, row-level security applies
}

// Postgres returns the owner's DSN of a fresh, empty database, which goes away
// with the test. See PostgresRoles.
func Postgres(tb testing.TB) string {
	tb.Helper()
	return PostgresRoles(tb).Owner
}

// PostgresRoles makes a fresh, empty database for this test. What the owner
// creates in the schema public, the server's role may SELECT, INSERT, UPDATE
// and DELETE unless a migration revokes it.
//
// The cluster is the one that PostgresVariable names, else one of this test
// process, started when first asked for. A test's cluster does not wait for the
// disk (fsync off); a benchmark always gets one that does.
func PostgresRoles(tb testing.TB) Database {
	tb.Helper()
	_, durable := tb.(*testing.B)
	admin, err := cluster(durable)
	if err != nil {
		tb.Fatalf("testbed: this test needs PostgreSQL: %v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	name := "t" + random(8)
	if err := createDatabase(ctx, admin, name); err != nil {
		tb.Fatalf("testbed: make a database: %v", err)
	}
	tb.Cleanup(func() {
		// The test's own context may be over; its cleanup still must happen.
		ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
		defer cancel()
		if err := execute(ctx, admin, `DROP DATABASE `+name+` WITH (FORCE)`); err != nil {
			tb.Errorf("testbed: drop the database: %v", err)
		}
	})
	owner, err := as(admin, ownerRole, name)
	if err != nil {
		tb.Fatal("testbed:", err)
	}
	app, err := as(admin, appRole, name)
	if err != nil {
		tb.Fatal("testbed:", err)
	}
	return Database{Owner: owner, App: app}
}

// createDatabase makes name with the roles' rights in it.
func createDatabase(ctx context.Context, admin, name string) error {
	if err := execute(ctx, admin, `CREATE DATABASE `+name+` OWNER `+ownerRole); err != nil {
		return err
	}
	owner, err := as(admin, ownerRole, name)
	if err != nil {
		return err
	}
	super, err := as(admin, "", name)
	if err != nil {
		return err
	}
	if err := execute(ctx, super,
		`REVOKE ALL ON DATABASE `+name+` FROM PUBLIC`,
		`GRANT CONNECT ON DATABASE `+name+` TO `+appRole,
		`ALTER SCHEMA public OWNER TO `+ownerRole); err != nil {
		return err
	}
	return execute(ctx, owner,
		`GRANT USAGE ON SCHEMA public TO `+appRole,
		`ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO `+appRole,
		`ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT USAGE ON SEQUENCES TO `+appRole)
}

// execute runs statements, each by itself, on a connection of its own.
func execute(ctx context.Context, dsn string, statements ...string) (err error) {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	for _, s := range statements {
		if _, err := conn.Exec(ctx, s); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	return nil
}

// as returns dsn, a URL, for another database and, unless empty, another role.
func as(dsn, role, database string) (string, error) {
	u, err := url.Parse(dsn)
	if err != nil || u.Scheme != "postgres" {
		return "", fmt.Errorf("%s must be a URL that begins with postgres://", PostgresVariable)
	}
	if role != "" {
		u.User = url.User(role)
	}
	u.Path = "/" + database
	return u.String(), nil
}

// clusters are the ones that this process started, by whether they wait for the
// disk. Both end with the process.
var clusters [2]struct {
	once sync.Once
	dsn  string
	err  error
}

// cluster returns a superuser's DSN.
func cluster(durable bool) (string, error) {
	if dsn := os.Getenv(PostgresVariable); dsn != "" && !durable {
		return dsn, nil
	}
	i := 0
	if durable {
		i = 1
	}
	c := &clusters[i]
	c.once.Do(func() { c.dsn, _, c.err = StartPostgres(durable) })
	return c.dsn, c.err
}

// StartPostgres starts a cluster in a temporary folder, reached by a socket in
// that folder alone, and makes the two roles. Stop ends it; so does the end of
// this process. Where this process is root, the cluster runs as an ordinary
// user. Without durable nothing is synced to disk.
func StartPostgres(durable bool) (dsn string, stop func(), err error) {
	bin, err := postgresBin()
	if err != nil {
		return "", nil, err
	}
	who, err := ordinaryUser()
	if err != nil {
		return "", nil, err
	}
	dir, err := folder("pg", who)
	if err != nil {
		return "", nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(dir))
		}
	}()
	data := filepath.Join(dir, "data")
	initdb := exec.Command(filepath.Join(bin, "initdb"),
		"--pgdata", data, "--username", "testbed", "--auth", "trust",
		"--encoding", "UTF8", "--locale", "C", "--no-sync", "--no-instructions")
	initdb.Dir = dir
	initdb.SysProcAttr = credential(who)
	if out, err := initdb.CombinedOutput(); err != nil {
		return "", nil, fmt.Errorf("initdb: %w: %s", err, out)
	}

	wait := "off"
	if durable {
		wait = "on"
	}
	s, err := start("pg", dir, "QUIT", who, nil,
		filepath.Join(bin, "postgres"), "-D", data, "-k", dir,
		"-c", "listen_addresses=", "-c", "unix_socket_permissions=0700",
		"-c", "max_connections=200", "-c", "timezone=UTC",
		"-c", "fsync="+wait, "-c", "full_page_writes="+wait, "-c", "synchronous_commit="+wait)
	if err != nil {
		return "", nil, err
	}
	dsn = (&url.URL{
		Scheme: "postgres", User: url.User("testbed"), Path: "/postgres",
		RawQuery: url.Values{"host": {dir}, "sslmode": {"disable"}}.Encode(),
	}).String()
	err = s.ready(func(ctx context.Context) error { return execute(ctx, dsn) })
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
		defer cancel()
		err = execute(ctx, dsn,
			`CREATE ROLE `+ownerRole+` LOGIN NOSUPERUSER NOBYPASSRLS`,
			`CREATE ROLE `+appRole+` LOGIN NOSUPERUSER NOBYPASSRLS`)
	}
	if err != nil {
		s.stop()
		return "", nil, err
	}
	return dsn, s.stop, nil
}

// postgresBin returns the folder with initdb and postgres: the newest under
// /usr/lib/postgresql, where Debian puts them outside of PATH, else PATH's.
func postgresBin() (string, error) {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil {
		return "", err
	}
	best, version := "", -1.0
	for _, path := range found {
		bin := filepath.Dir(path)
		v, err := strconv.ParseFloat(filepath.Base(filepath.Dir(bin)), 64)
		if err != nil || v <= version {
			continue
		}
		if _, err := os.Stat(filepath.Join(bin, "postgres")); err == nil {
			best, version = bin, v
		}
	}
	if best != "" {
		return best, nil
	}
	path, err := exec.LookPath("initdb")
	if err != nil {
		return "", errors.New("neither /usr/lib/postgresql/*/bin nor PATH holds initdb: run make prepare, or install PostgreSQL's server")
	}
	if path, err = filepath.EvalSymlinks(path); err != nil {
		return "", err
	}
	bin := filepath.Dir(path)
	if _, err := os.Stat(filepath.Join(bin, "postgres")); err != nil {
		return "", fmt.Errorf("initdb is at %s, but without its server: %w", bin, err)
	}
	return bin, nil
}
