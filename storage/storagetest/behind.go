package storagetest

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"testing"
	"time"

	"witnessmark/storage"
)

// Forbidden are statements that a database filled by Fill must refuse, whoever
// gives them.
var Forbidden = []string{
	`UPDATE line SET receive_time = 1`,
	`DELETE FROM line`,
	`UPDATE log_leaf SET idx = idx + 1`,
	`DELETE FROM log_leaf`,
	`UPDATE log_node SET level = level`,
	`DELETE FROM log_node`,
	`UPDATE custody SET who = 'nobody'`,
	`DELETE FROM custody`,
	`DELETE FROM job`,
	`DELETE FROM organization`,
	`UPDATE job SET state = 'open', log_index = -1`,
	`UPDATE job SET line_count = line_count + 1`,
	`UPDATE job SET lock_time = 1`,
	`UPDATE job SET addendum_sealed = addendum_count + 1`,
	`UPDATE job SET state = 'closed'`,
	`UPDATE log_head SET size = size - 1`,
	`UPDATE log_head SET checkpoint = root`,
	`UPDATE upload SET staged = size + 1`,
	`INSERT INTO line (org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time)
		SELECT org, job, list, seq + 100, entry_id, payload_digest, device, counter, line, receive_time FROM line`,
	`INSERT INTO line (org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time)
		SELECT org, 'no job', list, seq, 'new' || entry_id, payload_digest, device, counter, line, receive_time FROM line`,
	`INSERT INTO line (org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time)
		SELECT org, job, 'other', seq, 'new' || entry_id, payload_digest, device, counter, line, receive_time FROM line`,
	`INSERT INTO log_leaf (org, idx, leaf, job, list) SELECT org, idx + 1, leaf, job, list FROM log_leaf`,
}

// StepRows are rows to put in place after each step of the migrations, written
// for the schema as it is after that step. bytes is 32 bytes of zero in the
// database's own way of saying it.
func StepRows(bytes string) [][]string {
	steps := [][]string{
		{
			`INSERT INTO organization (id, title, settings, version, create_time) VALUES ('north', 'North', {b}, 1, 5)`,
			`INSERT INTO document (org, kind, id, owner, body, version, create_time, update_time) VALUES ('north', 'person', 'abe', '', {b}, 1, 5, 5)`,
			`INSERT INTO request (org, scope, request_id, result_id) VALUES ('north', 'person', 'r1', 'abe')`,
			`INSERT INTO session (org, id, token_hash, person, device, share_link, create_time, expire_time, revoke_time)
				VALUES ('north', 's1', {b}, 'abe', 'd1', '', 5, 0, 0)`,
			`INSERT INTO code (hash, org, person, expire_time, use_time) VALUES ({b}, 'north', 'abe', 5, 0)`,
			`INSERT INTO device_key (org, key_id, device, person, spki, create_time, revoke_time) VALUES ('north', 'k1', 'd1', 'abe', {b}, 5, 0)`,
		},
		{
			`INSERT INTO procedure (org, id, digest, revision, title, document, create_time) VALUES ('north', 'p1', {b}, '1', 'P', {b}, 5)`,
			`INSERT INTO job (org, id, title, site, site_title, zone, procedure, procedure_digest, state, day, follows, create_time, lock_time,
				line_count, root, compact, addendum_count, addendum_root, addendum_compact, addendum_sealed, contradicted, refused_count,
				refused_bytes, log_index, names) VALUES ('north', 'j1', 'J', 's1', 'S', 'Etc/UTC', 'p1', {b}, 'locked', '', '', 5, 5,
				1, {b}, {b}, 0, {b}, {b}, 0, 0, 1, 1, 0, {b})`,
			`INSERT INTO job_person (org, job, person, place) VALUES ('north', 'j1', 'abe', 0)`,
			`INSERT INTO line (org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time)
				VALUES ('north', 'j1', 'record', 1, 'j1-1', {b}, 'd1', 1, {b}, 5)`,
			`INSERT INTO refused (org, job, digest, entry_id, payload, signature, key_id, reason, sentence, sender, device, counter, receive_time, admitted_seq)
				VALUES ('north', 'j1', {b}, '', {b}, {b}, '', 'R', 'S', 'abe', 'd1', 0, 5, 0)`,
			`INSERT INTO unsent (org, job, device, person, count, time) VALUES ('north', 'j1', 'd1', 'abe', 1, 5)`,
			`INSERT INTO log_head (org, size, root, compact, checkpoint) VALUES ('north', 1, {b}, {b}, {b})`,
			`INSERT INTO log_leaf (org, idx, leaf, job, list) VALUES ('north', 0, {b}, 'j1', 'record')`,
			`INSERT INTO log_node (org, level, idx, hash) VALUES ('north', 0, 0, {b})`,
		},
		{
			`INSERT INTO upload (org, id, job, person, device, bearer, purpose, entry, size, digest, staged, state, create_time, expire_time)
				VALUES ('north', 'u1', 'j1', 'abe', 'd1', 'device d1', 'photo', '', 1, {b}, 0, 'receiving', 5, 5)`,
			`INSERT INTO blob (org, job, digest, purpose, size, media_type, key, version_id, create_time, retention, examined)
				VALUES ('north', 'j1', {b}, 'photo', 1, '', '', '', 5, '', {b})`,
			`INSERT INTO examine (org, id, job, digest, purpose, entry, subject, step, attempts, due_time, last_problem)
				VALUES ('north', 'e1', 'j1', {b}, 'photo', '', '', '', 0, 0, '')`,
			`INSERT INTO outbox (org, id, job, payload, create_time, due_time) VALUES ('north', 'o1', 'j1', {b}, 5, 0)`,
			`INSERT INTO retain (org, id, job, key, version_id, until, digest, attempts, due_time) VALUES ('north', 'r1', 'j1', '', '', 5, {b}, 0, 0)`,
			`INSERT INTO custody_head (org, seq) VALUES ('north', 1)`,
			`INSERT INTO custody (org, seq, time, who, action, job, subject, detail) VALUES ('north', 1, 5, 'abe', 'read', 'j1', '', {b})`,
			`INSERT INTO photo_hash (org, job, digest, site, hash, time) VALUES ('north', 'j1', {b}, 's1', {b}, 5)`,
		},
	}
	for _, rows := range steps {
		for i := range rows {
			rows[i] = strings.ReplaceAll(rows[i], "{b}", bytes)
		}
	}
	return steps
}

// CheckStepRows reads the rows of every step through a store, after the climb.
func CheckStepRows(tb testing.TB, s storage.Store) {
	tb.Helper()
	seen := Visible(tb, s, org)
	delete(seen, "blob's jobs") // of another digest than Fill's
	for what, n := range seen {
		if n == 0 {
			tb.Errorf("after the climb: no %s", what)
		}
	}
	depths, err := s.QueueDepths(ctx)
	must(tb, "QueueDepths", err)
	same(tb, "QueueDepths after the climb", depths, map[string]int64{"examine": 1, "outbox": 1, "retain": 1})
	_, err = s.SessionByToken(ctx, [32]byte{})
	must(tb, "SessionByToken after the climb", err)
}

// BenchmarkAppend asks how much of the speed of plain inserts is left: it
// appends 20 lines in one durable transaction, and beside it inserts the same
// rows in a plain loop in one durable transaction of the same driver with the
// same settings. It reports lines/s of both and their ratio (1 is as fast as
// the loop, above 1 is faster).
func BenchmarkAppend[S storage.Store](b *testing.B, open func(b *testing.B) (S, *sql.DB), integer, bytes string) {
	const batch = 20
	s, plain := open(b)
	seed(b, s, org)
	makeJob(b, s, org, "j1")
	exec := func(query string) {
		if _, err := plain.ExecContext(ctx, query); err != nil {
			b.Fatal(err)
		}
	}
	exec(fmt.Sprintf(`CREATE TABLE plain_line (org TEXT NOT NULL, job TEXT NOT NULL, list TEXT NOT NULL, seq %[1]s NOT NULL, entry_id TEXT NOT NULL,
		payload_digest %[2]s NOT NULL, device TEXT NOT NULL, counter %[1]s NOT NULL, line %[2]s NOT NULL, receive_time %[1]s NOT NULL,
		PRIMARY KEY (org, job, list, seq), UNIQUE (org, entry_id))`, integer, bytes))
	exec(`CREATE INDEX plain_by_device ON plain_line (org, job, device, counter)`)
	filler := make([]byte, 1000) // a line of a usual length
	for i := range filler {
		filler[i] = 'x'
	}
	after := int64(0)
	var ours, theirs time.Duration
	for b.Loop() {
		a := step("j1", after, after+batch)
		for i := range a.Lines {
			a.Lines[i].Line = filler
		}
		start := time.Now()
		if _, err := s.Append(ctx, org, "j1", a); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(start)
		start = time.Now()
		if err := plainLoop(ctx, plain, a.Lines); err != nil {
			b.Fatal(err)
		}
		theirs += time.Since(start)
		after += batch
	}
	b.ReportMetric(float64(after)/ours.Seconds(), "lines/s")
	b.ReportMetric(float64(after)/theirs.Seconds(), "plain_lines/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "of_plain")
}

func plainLoop(ctx context.Context, db *sql.DB, lines []storage.NewLine) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if _, err := tx.ExecContext(ctx, `INSERT INTO plain_line (org, job, list, seq, entry_id, payload_digest, device, counter, line, receive_time)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			org, "j1", "record", l.Seq, l.EntryID, l.PayloadDigest[:], l.Device, l.Counter, l.Line, l.ReceiveTime.UnixMilli()); err != nil {
			_ = tx.Rollback() // the first error is the one to tell
			return err
		}
	}
	return tx.Commit()
}
