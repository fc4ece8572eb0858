package sqlite_test

import (
	"context"
	"database/sql"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/pressly/goose/v3"

	"witnessmark/internal/errs"
	"witnessmark/migrations"
	"witnessmark/storage/sqlite"
	"witnessmark/storage/storagetest"
)

var ctx = context.Background()

// raw opens the file past the store, for what a test must do behind its back.
func raw(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(5000)&_pragma=foreign_keys(1)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return db
}

func mustExec(t *testing.T, db *sql.DB, query string, args ...any) {
	t.Helper()
	if _, err := db.ExecContext(ctx, query, args...); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

func TestTheFileIsItsOwnersAndSettingsAreDurable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "odd name? #1 100%.db")
	openAt(t, path)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatalf("the file is not where it should be: %v", err)
	}
	if info.Mode().Perm() != 0o600 {
		t.Errorf("mode of the file = %v; want -rw-------", info.Mode())
	}
	for _, bad := range []string{"", ":memory:", "file::memory:"} {
		if s, err := sqlite.Open(ctx, bad); !errs.Is(err, "DATABASE_PATH") {
			t.Errorf("Open(%q) = %v, %v; want DATABASE_PATH", bad, s, err)
		}
	}
	if _, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "no folder", "x.db")); err == nil {
		t.Error("Open in a folder that is not there: no error")
	}
	broken := filepath.Join(t.TempDir(), "broken.db")
	if err := os.WriteFile(broken, []byte(strings.Repeat("this is no database ", 500)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := sqlite.Open(ctx, broken); err == nil {
		t.Error("Open of a file that is no database: no error")
	}
}

func TestNewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "witnessmark.db")
	s, err := sqlite.Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	mustExec(t, raw(t, path), `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`)
	if _, err := sqlite.Open(ctx, path); !errs.Is(err, "SCHEMA_NEWER") || errs.KindOf(err) != errs.WrongState {
		t.Errorf("Open of a newer schema = %v; want SCHEMA_NEWER", err)
	}
}

// TestTheDatabaseRefuses tries behind the store's back what must never happen.
func TestTheDatabaseRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "witnessmark.db")
	storagetest.Fill(t, openAt(t, path), "north")
	db := raw(t, path)
	for _, query := range storagetest.Forbidden {
		if r, err := db.ExecContext(ctx, query); err == nil {
			n, _ := r.RowsAffected()
			t.Errorf("%s: changed %d rows; want an error", query, n)
		}
	}
	for what, n := range storagetest.Visible(t, openAt(t, path), "north") {
		if n == 0 {
			t.Errorf("%s is gone", what)
		}
	}
}

func TestBackupWhileInUse(t *testing.T) {
	path := filepath.Join(t.TempDir(), "witnessmark.db")
	s := openAt(t, path)
	storagetest.Fill(t, s, "north")
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := s.ClearAttempts(ctx, "x"); err != nil {
				done <- err
				return
			}
		}
	}()
	copied := filepath.Join(t.TempDir(), "it's a copy.db")
	if err := s.Backup(ctx, copied); err != nil {
		t.Fatal(err)
	}
	close(stop)
	if err := <-done; err != nil {
		t.Errorf("a write beside the backup: %v", err)
	}
	if err := s.Backup(ctx, copied); !errs.Is(err, "BACKUP_EXISTS") {
		t.Errorf("Backup over a file = %v; want BACKUP_EXISTS", err)
	}
	for what, n := range storagetest.Visible(t, openAt(t, copied), "north") {
		if n == 0 {
			t.Errorf("the copy has no %s", what)
		}
	}
}

// TestSecondProcess opens the file in another process while this one has it
// open and writes, as doctor does beside a running server.
func TestSecondProcess(t *testing.T) {
	if path := os.Getenv("WITNESSMARK_TEST_SECOND_PROCESS"); path != "" {
		s := openAt(t, path)
		if n := storagetest.Visible(t, s, "north")["lines"]; n == 0 {
			t.Error("the second process sees no lines")
		}
		if err := s.Ping(ctx); err != nil {
			t.Errorf("Ping from the second process: %v", err)
		}
		storagetest.Fill(t, s, "south")
		return
	}
	path := filepath.Join(t.TempDir(), "witnessmark.db")
	s := openAt(t, path)
	storagetest.Fill(t, s, "north")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	second := exec.Command(self, "-test.run=^TestSecondProcess$")
	second.Env = append(os.Environ(), "WITNESSMARK_TEST_SECOND_PROCESS="+path)
	result := make(chan error, 1)
	var out []byte
	go func() {
		var err error
		out, err = second.CombinedOutput()
		result <- err
	}()
	for over := false; !over; {
		select {
		case err := <-result:
			over = true
			if err != nil {
				t.Errorf("the second process: %v\n%s", err, out)
			}
		default:
			if err := s.ClearAttempts(ctx, "x"); err != nil {
				t.Errorf("a write beside the second process: %v", err)
			}
		}
	}
	if n := storagetest.Visible(t, s, "south")["lines"]; n == 0 {
		t.Error("what the second process wrote is not seen")
	}
}

// TestClimb goes up every step with rows in place and compares the end with a
// fresh build.
func TestClimb(t *testing.T) {
	path := filepath.Join(t.TempDir(), "climbed.db")
	db := raw(t, path)
	provider, err := goose.NewProvider(goose.DialectSQLite3, db, migrations.SQLite())
	if err != nil {
		t.Fatal(err)
	}
	for step, rows := range storagetest.StepRows("zeroblob(32)") {
		if _, err := provider.UpByOne(ctx); err != nil {
			t.Fatalf("step %d: %v", step+1, err)
		}
		for _, query := range rows {
			mustExec(t, db, query)
		}
	}
	if left, err := provider.HasPending(ctx); err != nil || left {
		t.Fatalf("steps without rows in the test: HasPending = %v, %v", left, err)
	}
	fresh := filepath.Join(t.TempDir(), "fresh.db")
	openAt(t, fresh)
	if d := cmp.Diff(schema(t, raw(t, fresh)), schema(t, db)); d != "" {
		t.Errorf("the climbed schema differs from a fresh one (-fresh +climbed):\n%s", d)
	}
	storagetest.CheckStepRows(t, openAt(t, path))
}

func schema(t *testing.T, db *sql.DB) []string {
	t.Helper()
	rows, err := db.QueryContext(ctx, `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_master ORDER BY type, name`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var all []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return all
}

func BenchmarkAppend(b *testing.B) {
	storagetest.BenchmarkAppend(b, func(b *testing.B) (*sqlite.Store, *sql.DB) {
		dir := b.TempDir()
		plain, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "plain.db")+
			"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(5000)&_pragma=foreign_keys(1)")
		if err != nil {
			b.Fatal(err)
		}
		plain.SetMaxOpenConns(1)
		b.Cleanup(func() {
			if err := plain.Close(); err != nil {
				b.Error(err)
			}
		})
		return openAt(b, filepath.Join(dir, "witnessmark.db")), plain
	}, "INTEGER", "BLOB")
}
