package postgres_test

import (
	"context"
	"database/sql"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite" // the driver "sqlite", for a comparison

	"witnessmark/internal/errs"
	"witnessmark/internal/testbed"
	"witnessmark/migrations"
	"witnessmark/storage/postgres"
	"witnessmark/storage/storagetest"
)

var ctx = context.Background()

// raw connects past the store, for what a test must do behind its back.
func raw(t *testing.T, dsn string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(ctx); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return conn
}

func mustExec(t *testing.T, conn *pgx.Conn, query string, args ...any) {
	t.Helper()
	if _, err := conn.Exec(ctx, query, args...); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

func texts(t *testing.T, conn *pgx.Conn, query string) []string {
	t.Helper()
	rows, err := conn.Query(ctx, query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return all
}

const tables = `SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
	AND relname <> 'goose_db_version' ORDER BY relname`

// TestRowsOfOneOrganization connects as the server's role and as the owner and
// counts the rows of every table under each setting.
func TestRowsOfOneOrganization(t *testing.T) {
	db := migrated(t)
	s := openAt(t, db.App)
	storagetest.Fill(t, s, "north")
	storagetest.Fill(t, s, "south")
	for _, role := range []struct{ name, dsn string }{{"the server's role", db.App}, {"the owner", db.Owner}} {
		conn := raw(t, role.dsn)
		all := texts(t, conn, tables)
		if len(all) < 20 {
			t.Fatalf("%d tables found: the test looks in the wrong place", len(all))
		}
		for _, tc := range []struct {
			name, org, lookup, across string
			want                      func(table string) int64
		}{
			{"nothing set", "", "", "", func(string) int64 { return 0 }},
			{"an organisation without rows set", "east", "", "", func(string) int64 { return 0 }},
			{"an organisation whose name has another's inside", "north ", "", "", func(string) int64 { return 0 }},
			{"one organisation set", "north", "", "", func(table string) int64 {
				if table == "attempt" {
					return 0 // of no organisation
				}
				return -1 // some
			}},
			{"a counter named", "", "attempt:code:north", "", func(table string) int64 {
				if table == "attempt" {
					return 1
				}
				return 0
			}},
			{"a token that nobody has", "", "session:" + strings.Repeat("0", 64), "", func(string) int64 { return 0 }},
			{"the outbox across", "", "", "outbox", func(table string) int64 {
				if table == "outbox" {
					return 2
				}
				return 0
			}},
			{"lines across", "", "", "line", func(string) int64 { return 0 }},
		} {
			for _, table := range all {
				tx, err := conn.Begin(ctx)
				if err != nil {
					t.Fatal(err)
				}
				if tc.org+tc.lookup+tc.across != "" {
					if _, err := tx.Exec(ctx, `SELECT set_config('app.organization', $1, true), set_config('app.lookup', $2, true), set_config('app.across', $3, true)`,
						tc.org, tc.lookup, tc.across); err != nil {
						t.Fatal(err)
					}
				}
				var n int64
				if err := tx.QueryRow(ctx, `SELECT count(*) FROM `+table).Scan(&n); err != nil {
					t.Fatalf("%s, %s, %s: %v", role.name, tc.name, table, err)
				}
				switch want := tc.want(table); {
				case want >= 0 && n != want:
					t.Errorf("%s, %s: sees %d rows of %s; want %d", role.name, tc.name, n, table, want)
				case want < 0 && n == 0:
					t.Errorf("%s, %s: sees no row of %s; the test tests nothing", role.name, tc.name, table)
				}
				if tc.org == "north" && table != "attempt" {
					column := "org"
					if table == "organization" {
						column = "id"
					}
					if err := tx.QueryRow(ctx, `SELECT count(*) FROM `+table+` WHERE `+column+` <> 'north'`).Scan(&n); err != nil || n != 0 {
						t.Errorf("%s: sees %d rows of another organisation in %s, %v", role.name, n, table, err)
					}
				}
				if err := tx.Rollback(ctx); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// TestNobodyWritesForAnother tries to write another organisation's rows, to
// switch the policies off, and looks whether every table has them.
func TestNobodyWritesForAnother(t *testing.T) {
	db := migrated(t)
	s := openAt(t, db.App)
	storagetest.Fill(t, s, "north")
	storagetest.Fill(t, s, "south")
	conn := raw(t, db.App)
	if open := texts(t, conn, `SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
		AND relname <> 'goose_db_version' AND NOT (relrowsecurity AND relforcerowsecurity)`); len(open) != 0 {
		t.Errorf("tables without forced row-level security: %v", open)
	}
	mustExec(t, conn, `SET app.organization = 'north'`)
	for _, query := range []string{
		`INSERT INTO custody_head (org, seq) VALUES ('east', 1)`,
		`INSERT INTO document (org, kind, id, owner, body, version, create_time, update_time) VALUES ('south', 'site', 'x', '', '', 1, 1, 1)`,
		`UPDATE document SET org = 'south'`,
		`ALTER TABLE line DISABLE ROW LEVEL SECURITY`,
		`ALTER TABLE line DISABLE TRIGGER ALL`,
		`DROP TRIGGER line_refuses_change ON line`,
		`SET session_replication_role = replica`,
		`SET row_security = off; SELECT * FROM line`,
		`TRUNCATE line CASCADE`,
	} {
		if tag, err := conn.Exec(ctx, query); err == nil {
			t.Errorf("%s: %s; want an error", query, tag)
		}
	}
	mustExec(t, conn, `SET row_security = on`)
	for _, query := range []string{
		`UPDATE document SET body = 'x' WHERE org = 'south'`,
		`DELETE FROM outbox WHERE org = 'south'`,
	} {
		if tag, err := conn.Exec(ctx, query); err != nil || tag.RowsAffected() != 0 {
			t.Errorf("%s: %s, %v; want no row", query, tag, err)
		}
	}
	for what, n := range storagetest.Visible(t, s, "south") {
		if n == 0 {
			t.Errorf("%s of the other organisation is gone", what)
		}
	}
}

// TestTheDatabaseRefuses tries as the owner what must never happen.
func TestTheDatabaseRefuses(t *testing.T) {
	db := migrated(t)
	s := openAt(t, db.App)
	storagetest.Fill(t, s, "north")
	conn := raw(t, db.Owner)
	mustExec(t, conn, `SET app.organization = 'north'`)
	for _, query := range append([]string{`TRUNCATE line`, `TRUNCATE custody`, `TRUNCATE log_leaf`}, storagetest.Forbidden...) {
		if tag, err := conn.Exec(ctx, query); err == nil {
			t.Errorf("%s: %s; want an error", query, tag)
		}
	}
	for what, n := range storagetest.Visible(t, s, "north") {
		if n == 0 {
			t.Errorf("%s is gone", what)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	db := testbed.PostgresRoles(t)
	refused := func(what, dsn, reason string) {
		t.Helper()
		s, err := postgres.Open(ctx, dsn)
		if err == nil {
			_ = s.Close()
		}
		if errs.ReasonOf(err) != reason {
			t.Errorf("Open of %s = %v; want %s", what, err, reason)
		}
	}
	refused("an empty database", db.App, "SCHEMA_OLDER")
	for range 2 {
		if err := postgres.Migrate(ctx, db.Owner); err != nil {
			t.Fatalf("Migrate: %v", err)
		}
	}
	refused("a database as its owner", db.Owner, "ROLE_TOO_STRONG")
	refused("an unreadable address", "postgres://a:geheim@[::", "DATABASE_DSN")
	if _, err := postgres.Open(ctx, "postgres://a:geheim@[::"); err != nil && strings.Contains(err.Error(), "geheim") {
		t.Errorf("the error tells the password: %v", err)
	}
	refused("a server that is not there", "postgres://nobody@127.0.0.1:1/none?connect_timeout=2", "STORE_UNAVAILABLE")
	mustExec(t, raw(t, db.Owner), `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, true)`)
	refused("a newer schema", db.App, "SCHEMA_NEWER")
	if err := postgres.Migrate(ctx, db.Owner); !errs.Is(err, "SCHEMA_NEWER") {
		t.Errorf("Migrate of a newer schema = %v; want SCHEMA_NEWER", err)
	}
}

func TestMigrateTwiceAtOnce(t *testing.T) {
	db := testbed.PostgresRoles(t)
	results := make(chan error, 2)
	for range 2 {
		go func() { results <- postgres.Migrate(ctx, db.Owner) }()
	}
	for range 2 {
		if err := <-results; err != nil {
			t.Errorf("Migrate beside another: %v", err)
		}
	}
	openAt(t, db.App)
}

// TestClimb goes up every step with rows in place and compares the end with a
// fresh build.
func TestClimb(t *testing.T) {
	db, fresh := testbed.PostgresRoles(t), migrated(t)
	handle, err := sql.Open("pgx", db.Owner)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := handle.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	provider, err := goose.NewProvider(goose.DialectPostgres, handle, migrations.Postgres())
	if err != nil {
		t.Fatal(err)
	}
	conn := raw(t, db.Owner)
	mustExec(t, conn, `SET app.organization = 'north'`)
	for step, rows := range storagetest.StepRows(`decode(repeat('00', 32), 'hex')`) {
		if _, err := provider.UpByOne(ctx); err != nil {
			t.Fatalf("step %d: %v", step+1, err)
		}
		for _, query := range rows {
			mustExec(t, conn, query)
		}
	}
	if left, err := provider.HasPending(ctx); err != nil || left {
		t.Fatalf("steps without rows in the test: HasPending = %v, %v", left, err)
	}
	if d := cmp.Diff(schema(t, raw(t, fresh.Owner)), schema(t, conn)); d != "" {
		t.Errorf("the climbed schema differs from a fresh one (-fresh +climbed):\n%s", d)
	}
	storagetest.CheckStepRows(t, openAt(t, db.App))
}

// schema describes columns, constraints, indexes, triggers and policies.
func schema(t *testing.T, conn *pgx.Conn) []string {
	t.Helper()
	return texts(t, conn, `
		SELECT format('column %s.%s %s %s %s', table_name, ordinal_position, column_name, data_type, is_nullable) FROM information_schema.columns WHERE table_schema = 'public'
		UNION ALL SELECT format('constraint %s %s %s', conrelid::regclass, conname, pg_get_constraintdef(oid)) FROM pg_constraint WHERE connamespace = 'public'::regnamespace
		UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'
		UNION ALL SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal
		UNION ALL SELECT format('policy %s %s %s %s', tablename, policyname, cmd, qual) FROM pg_policies WHERE schemaname = 'public'
		ORDER BY 1`)
}

// TestBothSchemasAlike: the same tables and columns, in the same order, and
// steps of the same names in both folders.
func TestBothSchemasAlike(t *testing.T) {
	conn := raw(t, migrated(t).Owner)
	got := texts(t, conn, `SELECT format('%s.%s', table_name, column_name) FROM information_schema.columns
		WHERE table_schema = 'public' AND table_name <> 'goose_db_version' ORDER BY table_name COLLATE "C", ordinal_position`)
	db, err := sql.Open("sqlite", "file:"+t.TempDir()+"/alike.db")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectSQLite3, db, migrations.SQLite())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := provider.Up(ctx); err != nil {
		t.Fatal(err)
	}
	rows, err := db.QueryContext(ctx, `SELECT m.name || '.' || c.name FROM sqlite_master m, pragma_table_info(m.name) c
		WHERE m.type = 'table' AND m.name NOT IN ('goose_db_version', 'sqlite_sequence') ORDER BY m.name, c.cid`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var want []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		want = append(want, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("columns differ (-sqlite +postgres):\n%s", d)
	}
	if p, s := migrations.Latest(migrations.Postgres()), migrations.Latest(migrations.SQLite()); p != s {
		t.Errorf("postgres climbs to %d, sqlite to %d", p, s)
	}
	for _, source := range provider.ListSources() {
		f, err := migrations.Postgres().Open(source.Path)
		if err != nil {
			t.Errorf("a step of sqlite is missing for postgres: %v", err)
			continue
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

func BenchmarkAppend(b *testing.B) {
	storagetest.BenchmarkAppend(b, func(b *testing.B) (*postgres.Store, *sql.DB) {
		db := migrated(b)
		plain, err := sql.Open("pgx", db.Owner)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() {
			if err := plain.Close(); err != nil {
				b.Error(err)
			}
		})
		return openAt(b, db.App), plain
	}, "BIGINT", "BYTEA")
}
