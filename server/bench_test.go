package server_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
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
			var ours, theirs, ourCPU, theirCPU time.Duration
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
				began, spent := time.Now(), processorTime(b)
				for _, r := range o.Climber.Submit(b, job, es...) {
					if r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
						b.Fatalf("not accepted: %v", r)
					}
				}
				ours += time.Since(began)
				ourCPU += processorTime(b) - spent
				if late { // the floor knows one key
					es[batch-1] = es[0]
				}
				began, spent = time.Now(), processorTime(b)
				floor.put(b, o.Climber.Device, es)
				theirs += time.Since(began)
				theirCPU += processorTime(b) - spent
			}
			b.ReportMetric(float64(n*batch)/ours.Seconds(), "entries/s")
			b.ReportMetric(float64(n*batch)/theirs.Seconds(), "floor-entries/s")
			b.ReportMetric(float64(ours)/float64(theirs), "x-floor")
			b.ReportMetric(float64(ourCPU)/float64(theirCPU), "x-floor-cpu")
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

// The package of a job with 500 photos of 1 to 4 MB, downloaded, against a ZIP
// of the same files, stored, and their digests, read from the same disk.
func BenchmarkPackage500Photos(b *testing.B) {
	const photos = 500
	dir := b.TempDir()
	blobs, err := disk.Open(dir)
	if err != nil {
		b.Fatal(err)
	}
	s := servertest.Start(b, servertest.Options{Blobs: blobs})
	o := s.Organization(b, "ridge-crew")
	job := o.Job(b, "j1")
	pic := testpicture.JPEG(testpicture.Options{Width: 640, Height: 480, Seed: 1})
	src := rand.NewChaCha8([32]byte{1})
	r := rand.New(src)
	sheet := make([]byte, 4<<20)
	_, _ = src.Read(sheet) // never fails
	chain := o.Climber.Chain(b, job)
	var size int64
	for i := range photos {
		data := append(bytes.Clone(pic), fmt.Sprintf("%06d", i)...)
		data = append(data, sheet[:1<<20+r.IntN(3<<20)-len(data)]...)
		size += int64(len(data))
		sum := sha256.Sum256(data)
		o.Climber.Submit(b, job, servertest.Sign(b, chain, &recordv1.Entry{Step: "connection:A1-top/couple/photos", Kind: &recordv1.Entry_PhotoAttached{PhotoAttached: &recordv1.PhotoAttached{Digest: sum[:], Size: int64(len(data)), Subject: "mated"}}}))
		if _, err := o.Climber.Upload(b.Context(), job, "", witnessmarkv1.BeginUploadRequest_PHOTO, data, nil); err != nil {
			b.Fatal(err)
		}
	}
	o.End(b, job)
	var files []string
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if info, err := d.Info(); err != nil || info.Size() < 1<<20 {
			return err // no original
		}
		files = append(files, path)
		return nil
	})
	if err != nil || len(files) != photos {
		b.Fatalf("%d files, %v; want %d", len(files), err, photos)
	}
	debug.FreeOSMemory()
	before := resident(b)
	for name, download := range map[string]func() error{
		"gRPC": func() error { return o.Lead.Package(b.Context(), job, io.Discard, nil) },
		"HTTP": func() error { return fetch(b.Context(), s.URL+"/"+job+"/package.zip", o.Lead.Token) },
	} {
		b.Run(name, func(b *testing.B) { packageAgainstZIP(b, download, files, size, before) })
	}
}

func fetch(ctx context.Context, url, token string) error {
	r, err := http.NewRequestWithContext(ctx, "GET", url, nil)
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+token)
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	if a.StatusCode != http.StatusOK {
		err = fmt.Errorf("GET %s: %s", url, a.Status)
	}
	n, rerr := io.Copy(io.Discard, a.Body)
	if n != a.ContentLength {
		rerr = errors.Join(rerr, fmt.Errorf("%d bytes came of %d", n, a.ContentLength))
	}
	return errors.Join(err, rerr, a.Body.Close())
}

func packageAgainstZIP(b *testing.B, download func() error, files []string, size int64, before float64) {
	var ours, theirs time.Duration
	var ourCPU, theirCPU time.Duration
	most := 0.0
	b.SetBytes(size)
	for b.Loop() {
		began, spent := time.Now(), processorTime(b)
		if err := download(); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		ourCPU += processorTime(b) - spent
		most = max(most, resident(b))
		began, spent = time.Now(), processorTime(b)
		z := zip.NewWriter(io.Discard)
		for i, path := range files {
			w, err := z.CreateHeader(&zip.FileHeader{Name: fmt.Sprint(i), Method: zip.Store})
			if err != nil {
				b.Fatal(err)
			}
			if err := copyFile(w, path); err != nil {
				b.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			b.Fatal(err)
		}
		for _, path := range files { // read again, as sha256sum does
			if err := copyFile(sha256.New(), path); err != nil {
				b.Fatal(err)
			}
		}
		theirs += time.Since(began)
		theirCPU += processorTime(b) - spent
	}
	b.ReportMetric(float64(ours)/float64(theirs), "x-floor")
	b.ReportMetric(float64(ourCPU)/float64(theirCPU), "x-floor-cpu")
	b.ReportMetric(most, "resident-MB")
	b.ReportMetric(before, "resident-before-MB")
}

func copyFile(w io.Writer, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, f)
	return errors.Join(err, f.Close())
}

// processorTime is what this process, server, client and floor, has used of the
// processors, to a hundredth of a second: on a machine that others use too it
// says more than the clock. 0 where the system does not say (proc(5) on Linux).
func processorTime(tb testing.TB) time.Duration {
	tb.Helper()
	b, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(b), ") ")
	fields := strings.Fields(rest)
	var ticks int64
	for _, f := range fields[11:13] { // utime and stime, the 14th and 15th of all
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			tb.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
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
