package server_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"witnessmark/internal/client"
	"witnessmark/internal/logkeys"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/seal"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
	"witnessmark/storage/blob/disk"
	"witnessmark/storage/sqlite"
)

// batch is how many entries a phone sends at once here.
const batch = 20

// torque is an entry that is judged.
func torque(o *servertest.Organization, i int) *recordv1.Entry {
	return &recordv1.Entry{Step: []string{"connection:A1-top/couple/torque", "connection:A2-top/couple/torque"}[i%2],
		Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{Typed: "25 Nm", Value: 25, Unit: recordv1.Measure_NEWTON_METERS, Tool: o.Instruments["torque-wrench"]}}}
}

// floorStore is the least that keeps a signed entry for good: a plain table on
// the same driver with the same settings.
type floorStore struct {
	db  *sql.DB
	seq int
}

func newFloor(tb testing.TB) *floorStore {
	tb.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(tb.TempDir(), "floor.db")+"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(5000)")
	if err != nil {
		tb.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	tb.Cleanup(func() { _ = db.Close() }) // a floor's file is thrown away
	if _, err := db.Exec(`CREATE TABLE line (job TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, line BLOB NOT NULL, PRIMARY KEY (job, seq)) STRICT`); err != nil {
		tb.Fatal(err)
	}
	return &floorStore{db: db}
}

func (f *floorStore) put(tb testing.TB, d client.Device, es []*witnessmarkv1.SubmittedEntry) {
	tb.Helper()
	tx, err := f.db.Begin()
	if err != nil {
		tb.Fatal(err)
	}
	for _, e := range es {
		if err := seal.VerifySignature(&d.Key.PublicKey, seal.EntryType, e.GetPayload(), e.GetSignature()); err != nil {
			tb.Fatal(err)
		}
		f.seq++
		if _, err := tx.Exec(`INSERT INTO line (job, seq, id, line) VALUES (?, ?, ?, ?)`, "j", f.seq, fmt.Sprint(f.seq), append(e.GetPayload(), e.GetSignature()...)); err != nil {
			tb.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		tb.Fatal(err)
	}
}

// How much a whole server costs over a loop that verifies and inserts, for the
// entries of a phone in batches of 20, all on time or one of each batch made an
// hour before the others.
func BenchmarkSubmit(b *testing.B) {
	for _, late := range []bool{false, true} {
		b.Run(map[bool]string{false: "on-time", true: "one-late-in-each-batch"}[late], func(b *testing.B) {
			s := servertest.Start(b, servertest.Options{})
			o := s.Organization(b, "ridge-crew")
			floor := newFloor(b)
			var ours, theirs time.Duration
			var n int
			var job string
			var chain, other *client.Chain
			second := o.SignIn(b, "climber", "CLIMBER")
			for b.Loop() {
				if n%50 == 0 { // a job of 1,000 entries, then the next
					job = o.Job(b, fmt.Sprintf("j%d", n/50))
					chain, other = o.Climber.Chain(b, job), second.Chain(b, job)
					other.Now = func() time.Time { return time.Now().Add(-time.Hour).UTC() }
				}
				es := make([]*witnessmarkv1.SubmittedEntry, batch)
				for i := range es {
					c := chain
					if late && i == batch-1 {
						c = other
					}
					es[i] = servertest.Sign(b, c, torque(o, i))
				}
				n++
				began := time.Now()
				for _, r := range o.Climber.Submit(b, job, es...) {
					if r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
						b.Fatalf("not accepted: %v", r)
					}
				}
				ours += time.Since(began)
				if late { // the floor knows one key
					es[batch-1] = es[0]
				}
				began = time.Now()
				floor.put(b, o.Climber.Device, es)
				theirs += time.Since(began)
			}
			b.ReportMetric(float64(n*batch)/ours.Seconds(), "entries/s")
			b.ReportMetric(float64(n*batch)/theirs.Seconds(), "floor-entries/s")
			b.ReportMetric(float64(ours)/float64(theirs), "x-floor")
		})
	}
}

// Whether the 5,000th entry of a job costs more than the 50th.
func BenchmarkEntry5000Against50(b *testing.B) {
	s := servertest.Start(b, servertest.Options{})
	o := s.Organization(b, "ridge-crew")
	run := 0
	for b.Loop() {
		run++
		job := o.Job(b, fmt.Sprintf("j%d", run))
		chain := o.Climber.Chain(b, job)
		send := func(count int) time.Duration {
			es := make([]*witnessmarkv1.SubmittedEntry, count)
			for i := range es {
				es[i] = servertest.Sign(b, chain, torque(o, i))
			}
			began := time.Now()
			o.Climber.Submit(b, job, es...)
			return time.Since(began)
		}
		single := func() time.Duration {
			least := time.Hour
			for range 20 {
				least = min(least, send(1))
			}
			return least
		}
		send(40)
		early := single()
		for range 49 {
			send(100)
		}
		late := single()
		b.ReportMetric(float64(late)/float64(early), "x-entry-50")
		b.ReportMetric(float64(early.Microseconds()), "µs-entry-50")
		b.ReportMetric(float64(late.Microseconds()), "µs-entry-5000")
	}
}

// Taking in a real 12-megapixel picture, against copying it, hashing it and
// syncing it to the same disk. Examination follows by itself and is not in it.
func BenchmarkPhoto(b *testing.B) {
	s := servertest.Start(b, servertest.Options{})
	o := s.Organization(b, "ridge-crew")
	job := o.Job(b, "j1")
	pic := testpicture.JPEG(testpicture.Options{Width: 4000, Height: 3000, Seed: 1})
	dir := b.TempDir()
	var ours, theirs time.Duration
	n := 0
	b.SetBytes(int64(len(pic)))
	for b.Loop() {
		n++
		data := append(bytes.Clone(pic), fmt.Sprintf("%d", n)...) // bytes after the end: another photo each time
		began := time.Now()
		if _, err := o.Climber.Upload(b.Context(), job, "", witnessmarkv1.BeginUploadRequest_PHOTO, data, nil); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		began = time.Now()
		f, err := os.Create(filepath.Join(dir, fmt.Sprint(n)))
		if err != nil {
			b.Fatal(err)
		}
		h := sha256.New()
		if _, err := io.Copy(io.MultiWriter(f, h), bytes.NewReader(data)); err != nil {
			b.Fatal(err)
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
		if err := f.Close(); err != nil {
			b.Fatal(err)
		}
		theirs += time.Since(began)
	}
	b.ReportMetric(float64(ours)/float64(theirs), "x-floor")
	b.ReportMetric(resident(b), "resident-MB")
}

// The package of a job with 500 photos, against a ZIP of the same bytes, stored.
func BenchmarkPackage500Photos(b *testing.B) {
	s := servertest.Start(b, servertest.Options{})
	o := s.Organization(b, "ridge-crew")
	job := o.Job(b, "j1")
	pic := testpicture.JPEG(testpicture.Options{Width: 640, Height: 480, Seed: 1})
	var files [][]byte
	chain := o.Climber.Chain(b, job)
	for i := range 500 {
		data := append(bytes.Clone(pic), fmt.Sprintf("%06d", i)...)
		sum := sha256.Sum256(data)
		o.Climber.Submit(b, job, servertest.Sign(b, chain, &recordv1.Entry{Step: "connection:A1-top/couple/photos", Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{Digest: sum[:], Size: int64(len(data)), Subject: "mated"}}}))
		if _, err := o.Climber.Upload(b.Context(), job, "", witnessmarkv1.BeginUploadRequest_PHOTO, data, nil); err != nil {
			b.Fatal(err)
		}
		files = append(files, data)
	}
	o.End(b, job)
	var ours, theirs time.Duration
	for b.Loop() {
		began := time.Now()
		if err := o.Lead.Package(b.Context(), job, io.Discard, nil); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		began = time.Now()
		z := zip.NewWriter(io.Discard)
		for i, f := range files {
			w, err := z.CreateHeader(&zip.FileHeader{Name: fmt.Sprint(i), Method: zip.Store})
			if err != nil {
				b.Fatal(err)
			}
			h := sha256.New()
			if _, err := io.MultiWriter(w, h).Write(f); err != nil {
				b.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			b.Fatal(err)
		}
		theirs += time.Since(began)
	}
	b.ReportMetric(float64(ours)/float64(theirs), "x-floor")
	b.ReportMetric(resident(b), "resident-MB")
}

// From nothing to the first 'ready', with a new database.
func BenchmarkColdStart(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		st, err := sqlite.Open(b.Context(), filepath.Join(dir, "w.db"))
		if err != nil {
			b.Fatal(err)
		}
		blobs, err := disk.Open(filepath.Join(dir, "blobs"))
		if err != nil {
			b.Fatal(err)
		}
		keys, err := logkeys.Open(filepath.Join(dir, "keys"), true)
		if err != nil {
			b.Fatal(err)
		}
		s, err := server.New(server.Config{Log: slog.New(slog.DiscardHandler)}, workflow.New(st, blobs, keys, "test.example"))
		if err != nil {
			b.Fatal(err)
		}
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		ctx, cancel := context.WithCancel(b.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx, l) }()
		if code, body, _ := rest(b, "GET", "http://"+l.Addr().String()+"/readyz", "", ""); code != 200 {
			b.Fatalf("not ready: %d %s", code, body)
		}
		cancel()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
		if err := st.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

// resident is the process's resident memory in MB, or what Go holds where the
// system does not say.
func resident(tb testing.TB) float64 {
	tb.Helper()
	if b, err := os.ReadFile("/proc/self/status"); err == nil {
		for line := range strings.Lines(string(b)) {
			var kb float64
			if _, err := fmt.Sscanf(line, "VmRSS: %f kB", &kb); err == nil {
				return kb / 1024
			}
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.Sys) / (1 << 20)
}
