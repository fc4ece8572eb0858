package workflow_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/workflow"
	wt "witnessmark/internal/workflow/workflowtest"
)

func timeOf(b *testing.B, do func() error) time.Duration {
	b.Helper()
	begin := time.Now()
	if err := do(); err != nil {
		b.Fatal(err)
	}
	return time.Since(begin)
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

// How long does a photo of 4 MB take from the first byte to its receipt, and how
// much of that is ours? The floor, in the same run and folder: copy, SHA-256,
// sync of the file.
func BenchmarkPhotoIngest(b *testing.B) {
	dir := b.TempDir()
	bench := wt.New(b, wt.Stores{Store: wt.SQLite(b, filepath.Join(dir, "witnessmark.db")), Blobs: wt.Disk(b, filepath.Join(dir, "blobs"))})
	job, p := bench.Job("j1"), bench.Phone("climber")
	data := bytes.Repeat([]byte("a photo of four megabytes that is "), 4<<20/34)
	var ours, floor []time.Duration
	i := 0
	for b.Loop() {
		i++
		copy(data, fmt.Sprintf("%16d", i)) // no two alike
		put := func() error {
			_, err := p.Upload(bench.Service(), job, workflow.PurposePhoto, data, 1<<20)
			return err
		}
		least := func() error {
			f, err := os.Create(filepath.Join(dir, fmt.Sprint("floor", i)))
			if err != nil {
				return err
			}
			h := sha256.New()
			if _, err := io.Copy(io.MultiWriter(f, h), bytes.NewReader(data)); err != nil {
				return err
			}
			if err := f.Sync(); err != nil {
				return err
			}
			return f.Close()
		}
		// Whoever syncs second pays for the journal of both: take turns.
		if i%2 == 0 {
			ours = append(ours, timeOf(b, put))
			floor = append(floor, timeOf(b, least))
		} else {
			floor = append(floor, timeOf(b, least))
			ours = append(ours, timeOf(b, put))
		}
	}
	o, f := median(ours), median(floor)
	b.ReportMetric(o.Seconds()*1e3, "ms/photo")
	b.ReportMetric(f.Seconds()*1e3, "ms/floor")
	b.ReportMetric(float64(f)/float64(o), "floor/ours")
}

// How many photos of 12 megapixels does one worker examine in a second, with
// its views, its finding of twins and its line?
func BenchmarkPhotoExamination(b *testing.B) {
	bench := embedded(b)
	job, p := bench.Job("j1"), bench.Phone("climber")
	pic := testpicture.JPEG(testpicture.Options{Family: 1, Seed: 1})
	n, busy := 0, time.Duration(0)
	for b.Loop() {
		b.StopTimer()
		n++
		if _, err := p.Upload(bench.Service(), job, workflow.PurposePhoto, append(bytes.Clone(pic), byte(n), byte(n>>8)), 1<<20); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		before := processorTime(b)
		bench.Drain()
		busy += processorTime(b) - before
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "photos/s")
	// What one core could do alone: other work on the machine does not count.
	b.ReportMetric(float64(n)/busy.Seconds(), "photos/core-s")
}

// How much memory does the server take while fifty phones send photos of 4 MB
// at the same time?
func BenchmarkFiftyPhones(b *testing.B) {
	const phones = 50
	bench := embedded(b)
	job := bench.Job("j1")
	ps := make([]*wt.Phone, phones)
	for i := range ps {
		ps[i] = bench.Phone("climber")
		bench.Clock.Advance(20 * time.Minute) // codes are tried only so often
	}
	shared := bytes.Repeat([]byte("a photo of four megabytes that is "), 4<<20/34)
	var peak float64
	round := 0
	for b.Loop() {
		round++
		debug.FreeOSMemory()
		resetPeak(b)
		before := memory(b, "VmRSS:")
		var wg sync.WaitGroup
		fail := make(chan error, phones)
		for i, p := range ps {
			wg.Go(func() {
				if err := sendShared(p, bench.Service(), job, shared, fmt.Sprintf("%8d%8d", round, i)); err != nil {
					fail <- err
				}
			})
		}
		wg.Wait()
		close(fail)
		for err := range fail {
			b.Fatal(err)
		}
		peak = max(peak, memory(b, "VmHWM:")-before)
	}
	b.ReportMetric(float64(phones*round)/b.Elapsed().Seconds(), "photos/s")
	b.ReportMetric(peak, "MiB-peak-above-idle")
	b.ReportMetric(memory(b, "VmHWM:"), "MiB-peak")
}

// processorTime is what this process has used so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// resetPeak makes the process's peak of memory its present use (proc(5)).
func resetPeak(b *testing.B) {
	b.Helper()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0o200); err != nil {
		b.Skipf("the peak of memory cannot be told here: %v", err)
	}
}

// memory reads a line of /proc/self/status, in MiB.
func memory(b *testing.B, line string) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Skipf("the memory cannot be told here: %v", err)
	}
	_, rest, _ := strings.Cut(string(text), line)
	kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
	if err != nil {
		b.Fatal(err)
	}
	return kib / 1024
}
