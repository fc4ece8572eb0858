package testbed

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// dial opens a connection that the test closes.
func dial(t *testing.T, dsn string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

// must runs a statement that must work.
func must(t *testing.T, conn *pgx.Conn, statement string) {
	t.Helper()
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func TestPostgresGivesEachTestADatabaseOfItsOwn(t *testing.T) {
	a, b := Postgres(t), Postgres(t)
	if a == b {
		t.Fatalf("both calls gave %s", a)
	}
	must(t, dial(t, a), `CREATE TABLE x (n bigint)`)
	if _, err := dial(t, b).Exec(t.Context(), `SELECT * FROM x`); err == nil {
		t.Error("a table made in one test's database is seen in the other's")
	}
}

func TestRowLevelSecurityBindsBothRoles(t *testing.T) {
	db := PostgresRoles(t)
	owner, app := dial(t, db.Owner), dial(t, db.App)
	must(t, owner, `CREATE TABLE thing (organisation text NOT NULL, n bigint NOT NULL)`)
	must(t, owner, `INSERT INTO thing VALUES ('a', 1), ('b', 2)`)
	must(t, owner, `ALTER TABLE thing ENABLE ROW LEVEL SECURITY`)
	must(t, owner, `ALTER TABLE thing FORCE ROW LEVEL SECURITY`)
	must(t, owner, `CREATE POLICY own ON thing USING (organisation = current_setting('test.organisation', true))`)
	for _, tc := range []struct {
		name string
		conn *pgx.Conn
	}{
		{"the owner", owner},
		{"the server's role", app},
	} {
		must(t, tc.conn, `SET test.organisation = 'a'`)
		var n, sum int
		if err := tc.conn.QueryRow(t.Context(), `SELECT count(*), sum(n) FROM thing`).Scan(&n, &sum); err != nil {
			t.Fatalf("%s: %v", tc.name, err)
		}
		if n != 1 || sum != 1 {
			t.Errorf("%s sees %d rows with sum %d; want the one of organisation a", tc.name, n, sum)
		}
	}
	must(t, app, `UPDATE thing SET n = 3`)
	_, err := app.Exec(t.Context(), `DROP TABLE thing`)
	var pg *pgconn.PgError
	if !errors.As(err, &pg) || pg.Code != "42501" {
		t.Errorf("the server's role drops a table: got %v; want insufficient privilege, 42501", err)
	}
}

func TestS3BucketsWithAndWithoutLock(t *testing.T) {
	for _, tc := range []struct {
		name     string
		bucket   S3Config
		versions bool
	}{
		{"with object lock", S3(t), true},
		{"without", S3WithoutLock(t), false},
	} {
		client := tc.bucket.Client()
		key := "a/b"
		put, err := client.PutObject(t.Context(), &s3.PutObjectInput{Bucket: &tc.bucket.Bucket, Key: &key, Body: strings.NewReader("bytes")})
		if err != nil {
			t.Fatalf("%s: %v", tc.name, err)
		}
		if got := put.VersionId != nil && *put.VersionId != ""; got != tc.versions {
			t.Errorf("%s: the object has a version: %v; want %v", tc.name, got, tc.versions)
		}
		got, err := client.GetObject(t.Context(), &s3.GetObjectInput{Bucket: &tc.bucket.Bucket, Key: &key})
		if err != nil {
			t.Fatalf("%s: %v", tc.name, err)
		}
		text, err := io.ReadAll(got.Body)
		if err != nil || string(text) != "bytes" {
			t.Errorf("%s: got %q, %v; want %q", tc.name, text, err, "bytes")
		}
		_, err = client.GetObjectLockConfiguration(t.Context(), &s3.GetObjectLockConfigurationInput{Bucket: &tc.bucket.Bucket})
		if got := err == nil; got != tc.versions {
			t.Errorf("%s: object lock configured: %v (%v); want %v", tc.name, got, err, tc.versions)
		}
	}
}

// A server must not outlive the tests, however they end: the guard is told by
// the closing of its input alone.
func TestServerEndsWhenItsInputCloses(t *testing.T) {
	dir, err := folder("guard", nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := start("guard", dir, "TERM", nil, nil, "sleep", "600")
	if err != nil {
		t.Fatal(err)
	}
	s.in.Close() // what the kernel does when the test process dies
	select {
	case <-s.done:
	case <-time.After(10 * time.Second):
		t.Fatal("ten seconds after its input closed the server still runs")
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the server's folder: got %v; want it gone", err)
	}
}

func TestServerThatDiesSaysWhy(t *testing.T) {
	dir, err := folder("dying", nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := start("dying", dir, "TERM", nil, nil, "sh", "-c", "echo port already taken; exit 3")
	if err != nil {
		t.Fatal(err)
	}
	err = s.ready(func(context.Context) error { return errors.New("no answer") })
	if err == nil || !strings.Contains(err.Error(), "port already taken") {
		t.Errorf("got %v; want the server's own words", err)
	}
}

// Chromium must really start, not only be there.
func TestChromiumDrawsAPage(t *testing.T) {
	path := Chromium(t)
	cmd := exec.CommandContext(t.Context(), path, "--headless", "--no-sandbox", "--disable-gpu",
		"--disable-background-networking", "--no-first-run", "--user-data-dir="+t.TempDir(),
		"--dump-dom", "data:text/html,<p>as seen</p>")
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil || !strings.Contains(string(out), "as seen") {
		t.Errorf("got %q, %v: %s; want the page", out, err, complaint.String())
	}
}
