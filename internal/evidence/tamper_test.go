package evidence_test

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"crypto/sha256"

	"witnessmark/internal/bag"
	"witnessmark/internal/evidence"
	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// region is a file's content within an archive.
type region struct {
	path     string
	from, to int64
}

func regions(tb testing.TB, archive []byte) []region {
	tb.Helper()
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		tb.Fatal(err)
	}
	var out []region
	for _, f := range z.File {
		at, err := f.DataOffset()
		if err != nil {
			tb.Fatal(err)
		}
		_, path, _ := strings.Cut(f.Name, "/")
		out = append(out, region{path, at, at + int64(f.UncompressedSize64)})
	}
	return out
}

// Every byte counts: whichever is changed, the verification fails and says where.
func TestOneByteChanged(t *testing.T) {
	j := evidencetest.Signed(t)
	archive := j.Archive()
	files := regions(t, archive)
	at := map[int64]bool{}
	// The first and the last byte of each file, its header before it, and the
	// end of the archive, where the directory stands.
	for _, f := range files {
		for _, p := range []int64{f.from, f.to - 1, f.from - 1, f.from - 31, f.from - int64(len(f.path)) - 2, f.from + (f.to-f.from)/2} {
			if p >= 0 {
				at[p] = true
			}
		}
	}
	for p := int64(len(archive)) - 120; p < int64(len(archive)); p++ {
		at[p] = true
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 400 {
		at[r.Int64N(int64(len(archive)))] = true
	}
	for p := range at {
		changed := bytes.Clone(archive)
		changed[p] ^= 1 << r.IntN(8)
		res := verify(t, changed, pinned(j))
		if res.Failure == nil {
			t.Errorf("byte %d changed: verified", p)
			continue
		}
		i := slices.IndexFunc(files, func(f region) bool { return p >= f.from && p < f.to })
		if i < 0 {
			if res.Failure.Check != "ARCHIVE" && res.Failure.Check != "BAG" {
				t.Errorf("byte %d of the archive's own changed: failed %v; want ARCHIVE or BAG", p, res.Failure)
			}
			continue
		}
		switch path := files[i].path; path {
		case "bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt":
			// These speak of each other: the failure is in one of them or in
			// what they list.
		default:
			if res.Failure.Subject != path {
				t.Errorf("byte %d of %s changed: failed at %q (%s)", p, path, res.Failure.Subject, res.Failure.Reason)
			}
		}
	}
}

func TestCutAndGrown(t *testing.T) {
	j := evidencetest.Signed(t)
	archive := j.Archive()
	for _, tc := range []struct {
		name string
		b    []byte
	}{
		{"nothing", nil},
		{"the last byte cut off", archive[:len(archive)-1]},
		{"the first byte cut off", archive[1:]},
		{"half of it", archive[:len(archive)/2]},
		{"a byte more", append(bytes.Clone(archive), 0)},
		{"a byte before", append([]byte{0}, archive...)},
		{"no archive", []byte("record.jsonl")},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if r := verify(t, tc.b, pinned(j)); r.Failure == nil || r.Failure.Check != "ARCHIVE" {
				t.Errorf("failure = %v; want one of the archive", r.Failure)
			}
		})
	}
}

// forge unpacks an archive, changes its files and packs it again with manifests
// that fit: what somebody can do who has everything but the keys.
func forge(tb testing.TB, archive []byte, change func(files map[string][]byte)) []byte {
	tb.Helper()
	b, err := bag.Open(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		tb.Fatal(err)
	}
	files := map[string][]byte{}
	for _, e := range b.Files() {
		switch e.Path {
		case "bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt":
			continue
		}
		if files[e.Path], err = b.ReadFile(e.Path, 1<<30); err != nil {
			tb.Fatal(err)
		}
	}
	info, err := b.Fields()
	if err != nil {
		tb.Fatal(err)
	}
	change(files)
	var list []bag.File
	for path, content := range files {
		list = append(list, bag.File{Path: path, Size: int64(len(content)), SHA256: sha256.Sum256(content), Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content)), nil }})
	}
	var out bytes.Buffer
	if err := bag.Write(&out, b.Top, list, info); err != nil {
		tb.Fatal(err)
	}
	return out.Bytes()
}

// lines changes the lines of a forged record.
func lines(change func(ls [][]byte) [][]byte) func(map[string][]byte) {
	return func(files map[string][]byte) {
		ls := bytes.Split(bytes.TrimSuffix(files["data/record.jsonl"], []byte("\n")), []byte("\n"))
		files["data/record.jsonl"] = append(bytes.Join(change(ls), []byte("\n")), '\n')
	}
}

// payload changes a line's payload and keeps everything else.
func payload(tb testing.TB, line []byte, change func([]byte) []byte) []byte {
	tb.Helper()
	l, err := seal.ParseLine(line)
	if err != nil {
		tb.Fatal(err)
	}
	l.Payload = change(l.Payload)
	out, err := seal.AppendLine(nil, l)
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

func usual(tb testing.TB) *evidencetest.Job {
	tb.Helper()
	j := evidencetest.New(tb)
	c := j.Work()
	c.One.Refuse(&recordv1.Entry{Step: "job/no/such", Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: "to no step"}}}, "STEP_UNKNOWN", "no step of this job")
	j.SignOff(c.Lead)
	return j
}

func TestForged(t *testing.T) {
	j := usual(t)
	archive := j.Archive()
	if r := verify(t, archive, pinned(j)); !r.Verified() {
		t.Fatalf("the honest package fails: %v", r.Failure)
	}
	signed := 0 // the first line that a device signed
	for i, l := range j.Lines {
		if p, err := seal.ParseLine(l); err == nil && len(p.Signatures) > 0 {
			signed = i
			break
		}
	}
	k, err := seal.GenerateLogKey(bytes.NewReader(bytes.Repeat([]byte{8}, 64)), j.LogKey().Public().Name())
	if err != nil {
		t.Fatal(err)
	}
	other := k.Public()
	photo := func(files map[string][]byte) string {
		var paths []string
		for p := range files {
			if strings.HasPrefix(p, "data/photos/") {
				paths = append(paths, p)
			}
		}
		slices.Sort(paths)
		return paths[0]
	}
	for _, tc := range []struct {
		name, check, reason string
		change              func(map[string][]byte)
	}{
		{"a word of a signed payload changed", "SIGNATURES", "SIGNATURE_WRONG", lines(func(ls [][]byte) [][]byte {
			ls[signed] = payload(t, ls[signed], func(b []byte) []byte { return bytes.Replace(b, []byte(`"counter":"1"`), []byte(`"counter":"1" `), 1) })
			return ls
		})},
		{"two lines swapped", "LINES", "SEQ_BROKEN", lines(func(ls [][]byte) [][]byte { ls[3], ls[4] = ls[4], ls[3]; return ls })},
		{"a line left out", "LINES", "SEQ_BROKEN", lines(func(ls [][]byte) [][]byte { return slices.Delete(ls, 5, 6) })},
		{"a line that the server attests changed", "SIGN_OFF", "SIGN_OFF_ROOT", lines(func(ls [][]byte) [][]byte {
			ls[0] = payload(t, ls[0], func(b []byte) []byte { return bytes.Replace(b, []byte(`Ridge 7`), []byte(`Ridge 8`), 1) })
			return ls
		})},
		{"one line's signature on another", "SIGNATURES", "SIGNATURE_WRONG", lines(func(ls [][]byte) [][]byte {
			a, _ := seal.ParseLine(ls[signed])
			b, _ := seal.ParseLine(ls[len(ls)-2])
			a.Signatures[0].Sig = b.Signatures[0].Sig
			ls[signed], _ = seal.AppendLine(nil, a)
			return ls
		})},
		{"a blank line", "LINES", "LINE_BLANK", lines(func(ls [][]byte) [][]byte { return slices.Insert(ls, 3, []byte{}) })},
		{"carriage returns", "LINES", "LINE_BREAK", lines(func(ls [][]byte) [][]byte { ls[0] = append(ls[0], '\r'); return ls })},
		{"the lock cut off", "SIGN_OFF", "NOT_LOCKED", lines(func(ls [][]byte) [][]byte { return ls[:len(ls)-1] })},
		{"an empty record", "LINES", "RECORD_EMPTY", func(f map[string][]byte) { f["data/record.jsonl"] = nil }},
		{"an empty list of addenda", "ADDENDA", "JOB_DIFFERS", func(f map[string][]byte) { f["data/addenda.jsonl"] = nil }},
		{"no procedure", "LINES", "FILE_MISSING", func(f map[string][]byte) { delete(f, "data/procedure.yaml") }},
		{"a procedure that is none", "LINES", "PROCEDURE_INVALID", func(f map[string][]byte) { f["data/procedure.yaml"] = []byte("steps: [") }},
		{"no leaf", "LOG", "FILE_MISSING", func(f map[string][]byte) { delete(f, "data/log/leaf.json") }},
		{"another log's key in the package", "LOG", "LOG_KEY_DIFFERS", func(f map[string][]byte) { f["data/log/log.pem"] = other.PEM() }},
		{"a signature made ready that belongs to nothing", "MANIFEST", "MANIFEST_NOTE_WRONG", func(f map[string][]byte) { f["data/signatures/1-0000000000000000.der"] = []byte("x") }},
		{"no record", "LINES", "FILE_MISSING", func(f map[string][]byte) { delete(f, "data/record.jsonl") }},
		{"a photo taken out", "PHOTOS", "ORIGINAL_MISSING", func(f map[string][]byte) { delete(f, photo(f)) }},
		{"a photo put in", "PHOTOS", "ORIGINAL_UNKNOWN", func(f map[string][]byte) { f["data/photos/"+strings.Repeat("0", 64)+".jpg"] = []byte("x") }},
		{"another photo under the name", "PHOTOS", "ORIGINAL_DIFFERS", func(f map[string][]byte) { f[photo(f)] = evidencetest.Picture(99) }},
		{"another name for a person", "LOCK", "NAMES_DIFFER", func(f map[string][]byte) {
			f["data/names.json"] = bytes.Replace(f["data/names.json"], []byte("Ana"), []byte("Eva"), 1)
		}},
		{"no names", "LOCK", "FILE_MISSING", func(f map[string][]byte) { delete(f, "data/names.json") }},
		{"the refused taken out", "LOCK", "REFUSED_MISSING", func(f map[string][]byte) { delete(f, "data/refused.jsonl") }},
		{"a refused entry's sentence changed", "LOCK", "REFUSED_DIFFER", func(f map[string][]byte) {
			f["data/refused.jsonl"] = bytes.Replace(f["data/refused.jsonl"], []byte("no step"), []byte("a step"), 1)
		}},
		{"another limit in the procedure", "LINES", "PROCEDURE_DIFFERS", func(f map[string][]byte) {
			f["data/procedure.yaml"] = bytes.Replace(f["data/procedure.yaml"], []byte("lower: 24.4"), []byte("lower: 12.4"), 1)
		}},
		{"another leaf", "LOG", "INCLUSION_WRONG", func(f map[string][]byte) {
			f["data/log/leaf.json"] = bytes.Replace(f["data/log/leaf.json"], []byte("2026-03-02"), []byte("2026-03-01"), 1)
		}},
		{"another proof", "LOG", "INCLUSION_WRONG", func(f map[string][]byte) {
			f["data/log/inclusion.json"] = bytes.Replace(f["data/log/inclusion.json"], []byte(`"index":"2"`), []byte(`"index":"3"`), 1)
		}},
		{"another size in the checkpoint", "LOG", "NOTE_SIGNATURE_WRONG", func(f map[string][]byte) {
			f["data/log/checkpoint.txt"] = bytes.Replace(f["data/log/checkpoint.txt"], []byte("\n7\n"), []byte("\n8\n"), 1)
		}},
		{"a device's key taken out", "SIGNATURES", "KEY_MISSING", func(f map[string][]byte) {
			for p := range f {
				if strings.HasPrefix(p, "data/keys/") {
					delete(f, p)
				}
			}
		}},
		{"the HOWTO changed", "MANIFEST", "MANIFEST_NOTE_WRONG", func(f map[string][]byte) { f["data/HOWTO.txt"] = append(f["data/HOWTO.txt"], "All is well.\n"...) }},
		{"the report changed", "MANIFEST", "MANIFEST_NOTE_WRONG", func(f map[string][]byte) { f["data/derived/report.html"] = []byte("<p>All is well.") }},
		{"no note", "MANIFEST", "FILE_MISSING", func(f map[string][]byte) { delete(f, "manifest.note") }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := verify(t, forge(t, archive, tc.change), pinned(j))
			if r.Failure == nil {
				t.Fatal("verified")
			}
			if r.Failure.Check != tc.check || r.Failure.Reason != tc.reason {
				t.Errorf("failed %s %v; want %s %s", r.Failure.Check, r.Failure, tc.check, tc.reason)
			}
		})
	}
}

// What a server could do that lies and has its own key: the keys are all right,
// the rules are not kept.
func TestServerThatLies(t *testing.T) {
	for _, tc := range []struct {
		name, check, reason string
		make                func(j *evidencetest.Job)
	}{
		{"a failed torque called good", "STATE", "VERDICT_DIFFERS", func(j *evidencetest.Job) {
			j.Doctor = func(l *record.Line) {
				if l.Assessment.GetVerdict() == recordv1.Verdict_FAIL {
					l.Assessment.Verdict = recordv1.Verdict_PASS
				}
			}
			c := j.Work()
			j.SignOff(c.Lead)
		}},
		{"another limit than the procedure's", "STATE", "LIMIT_DIFFERS", func(j *evidencetest.Job) {
			j.Doctor = func(l *record.Line) {
				if a := l.Assessment.GetLimit(); a != nil && l.Entry.GetTorqueApplied() != nil {
					low := 12.0
					a.Lower = &low
				}
			}
			c := j.Work()
			j.SignOff(c.Lead)
		}},
		{"rules that nobody knows", "STATE", "RULES_UNKNOWN", func(j *evidencetest.Job) {
			j.Doctor = func(l *record.Line) {
				if l.Assessment.GetPinned() != nil {
					l.Assessment.Pinned.Rules = "generous/9"
				}
			}
			c := j.Work()
			j.SignOff(c.Lead)
		}},
		{"signed before it was complete", "STATE", "NOT_COMPLETE", func(j *evidencetest.Job) {
			c := j.Begin()
			c.One.Torque("connection:A1-top/couple/torque", 27)
			j.Sign(c.Lead, recordv1.SignedOff_APPROVED, "")
			j.Lock(false)
		}},
		{"signed with exceptions that nobody looked at", "STATE", "NOT_COMPLETE", func(j *evidencetest.Job) {
			c := j.Work()
			j.Sign(c.Lead, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "")
			j.Lock(false)
		}},
		{"signed by one of the doers", "SIGN_OFF", "FOUR_EYES", func(j *evidencetest.Job) {
			c := j.Work()
			c.One.Roles = []string{"CLIMBER", "LEAD"}
			j.LookAt(c.One)
			j.Sign(c.One, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "")
			j.Lock(false)
		}},
		{"signed by somebody who is no lead", "SIGN_OFF", "SIGN_OFF_ROLE", func(j *evidencetest.Job) {
			c := j.Work()
			j.LookAt(c.Lead)
			c.Lead.Roles = []string{"CLIMBER"}
			j.Sign(c.Lead, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "")
			j.Lock(false)
		}},
		{"called ended and signed off", "SIGN_OFF", "LOCK_DIFFERS", func(j *evidencetest.Job) {
			c := j.Work()
			j.LookAt(c.Lead)
			j.Sign(c.Lead, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "")
			j.Lock(true)
		}},
		{"locked without anybody", "SIGN_OFF", "SIGN_OFF_MISSING", func(j *evidencetest.Job) {
			j.Work()
			j.Lock(false)
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			j := evidencetest.New(t)
			tc.make(j)
			r := verify(t, j.Archive(), pinned(j))
			if r.Failure == nil {
				t.Fatal("verified")
			}
			if r.Failure.Check != tc.check || r.Failure.Reason != tc.reason {
				t.Errorf("failed %s %v; want %s %s", r.Failure.Check, r.Failure, tc.check, tc.reason)
			}
		})
	}
}

func TestFourEyesWaived(t *testing.T) {
	j := evidencetest.New(t)
	c := j.Work()
	c.One.Roles = []string{"CLIMBER", "LEAD"}
	j.LookAt(c.One)
	j.Sign(c.One, recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS, "A crew of two.")
	j.Lock(false)
	archive := j.Archive()
	r := verify(t, archive, pinned(j))
	if !r.Verified() {
		t.Fatalf("failed: %v", r.Failure)
	}
	if !slices.ContainsFunc(r.Notes, func(n evidence.Note) bool { return n.Reason == "FOUR_EYES_WAIVED" }) {
		t.Errorf("notes = %v; want the waiver among them", r.Notes)
	}
	if page := file(t, archive, "data/derived/report.html"); !bytes.Contains(page, []byte("A crew of two.")) {
		t.Error("the report does not print the waiver's reason")
	}
}

func TestEndedUnfinished(t *testing.T) {
	j := evidencetest.New(t)
	c := j.Begin()
	c.One.Confirm("connection:A1-top/couple/clean")
	j.EndUnfinished(c.Lead, "The storm stays for a week.")
	r := verify(t, j.Archive(), pinned(j))
	if !r.Verified() || r.State != "ended unfinished" {
		t.Errorf("state = %q, failure %v; want ended unfinished, none", r.State, r.Failure)
	}
}

func TestAddenda(t *testing.T) {
	j := evidencetest.New(t)
	c := j.Work()
	j.SignOff(c.Lead)
	c.Two.Torque("connection:A1-top/couple/torque", 12) // contradicts
	late := []byte("never sent")
	j.Receive(late) // the photo that had not arrived
	archive := j.Archive()
	r := verify(t, archive, pinned(j))
	if !r.Verified() {
		t.Fatalf("failed: %v", r.Failure)
	}
	if r.Addenda != 3 || r.Photos != 5 {
		t.Errorf("addenda %d, photos %d; want 3 and 5", r.Addenda, r.Photos)
	}
	if !slices.ContainsFunc(r.Notes, func(n evidence.Note) bool { return n.Reason == "ADDENDUM_CONTRADICTS" }) {
		t.Errorf("notes = %v; want the contradiction among them", r.Notes)
	}
	if page := file(t, archive, "data/derived/report.html"); !bytes.Contains(page, []byte("An addendum contradicts the record.")) {
		t.Error("the report does not say that an addendum contradicts the record")
	}
	for _, tc := range []struct {
		name, reason string
		change       func(map[string][]byte)
	}{
		{"taken out", "FILE_MISSING", func(f map[string][]byte) { delete(f, "data/addenda.jsonl"); deletePhoto(f, late) }},
		{"the first changed", "SIGNATURE_WRONG", func(f map[string][]byte) {
			ls := bytes.SplitAfter(f["data/addenda.jsonl"], []byte("\n"))
			ls[0] = append(payload(t, bytes.TrimSuffix(ls[0], []byte("\n")), func(b []byte) []byte { return bytes.Replace(b, []byte(`"12 N`), []byte(`"27 N`), 1) }), '\n')
			f["data/addenda.jsonl"] = bytes.Join(ls, nil)
		}},
		{"another leaf", "INCLUSION_WRONG", func(f map[string][]byte) {
			f["data/log/addenda-leaf.json"] = bytes.Replace(f["data/log/addenda-leaf.json"], []byte(`"size":"3"`), []byte(`"size":"2"`), 1)
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := verify(t, forge(t, archive, tc.change), pinned(j))
			if r.Failure == nil || r.Failure.Check != "ADDENDA" || r.Failure.Reason != tc.reason {
				t.Errorf("failure = %+v; want ADDENDA %s", r.Failure, tc.reason)
			}
		})
	}
}

func deletePhoto(f map[string][]byte, content []byte) {
	delete(f, fmt.Sprintf("data/photos/%x.jpg", sha256.Sum256(content)))
}

// file reads one file of an archive.
func file(tb testing.TB, archive []byte, path string) []byte {
	tb.Helper()
	b, err := bag.Open(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		tb.Fatal(err)
	}
	content, err := b.ReadFile(path, 1<<30)
	if err != nil {
		tb.Fatal(err)
	}
	return content
}

func TestKeys(t *testing.T) {
	j := evidencetest.Signed(t)
	archive := j.Archive()
	own := j.LogKey().Public()
	other, err := seal.GenerateLogKey(bytes.NewReader(bytes.Repeat([]byte{8}, 64)), own.Name())
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		o      evidence.Options
		pinned bool
		reason string
	}{
		{"none given", evidence.Options{}, false, ""},
		{"the right one", evidence.Options{LogKeys: []seal.LogPublicKey{own}}, true, ""},
		{"the right one as PEM", evidence.Options{LogPEM: [][]byte{own.PEM()}}, true, ""},
		{"the right one among others", evidence.Options{LogKeys: []seal.LogPublicKey{other.Public(), own}}, true, ""},
		{"another", evidence.Options{LogKeys: []seal.LogPublicKey{other.Public()}}, true, "LOG_KEY_NOT_PINNED"},
		{"no key", evidence.Options{LogPEM: [][]byte{[]byte("x")}}, false, "KEY_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := verify(t, archive, tc.o)
			reason := ""
			if r.Failure != nil {
				reason = r.Failure.Reason
			}
			if reason != tc.reason || r.Pinned != tc.pinned {
				t.Errorf("pinned %v, reason %q; want %v, %q", r.Pinned, reason, tc.pinned, tc.reason)
			}
			if r.Fingerprint != own.Fingerprint().String() {
				t.Errorf("fingerprint = %q; want %s", r.Fingerprint, own.Fingerprint())
			}
		})
	}
}

func TestReproducible(t *testing.T) {
	a, b := usual(t).Archive(), usual(t).Archive()
	if !bytes.Equal(a, b) {
		t.Error("two packages of the same job differ")
	}
}

// A package of a record with other parts than its own is not made.
func TestWriteRefuses(t *testing.T) {
	for _, tc := range []struct {
		name, reason string
		change       func(m *evidence.Meta, s *evidencetest.Source)
	}{
		{"no key", "PACKAGE_META", func(m *evidence.Meta, _ *evidencetest.Source) { m.LogKey = nil }},
		{"another procedure", "PACKAGE_MISMATCH", func(m *evidence.Meta, _ *evidencetest.Source) { m.Procedure = append(m.Procedure, '\n') }},
		{"other names", "PACKAGE_MISMATCH", func(m *evidence.Meta, _ *evidencetest.Source) { m.Names = []byte("{}") }},
		{"another job", "PACKAGE_MISMATCH", func(m *evidence.Meta, _ *evidencetest.Source) { m.Job = "jobs/other" }},
		{"an open record", "RECORD_NOT_LOCKED", func(_ *evidence.Meta, s *evidencetest.Source) { s.Record = s.Record[:len(s.Record)-1] }},
		{"a photo lost", "ORIGINAL_MISSING", func(_ *evidence.Meta, s *evidencetest.Source) { clear(s.Blobs) }},
		{"a photo rotten", "BAG_FILE_DIGEST", func(_ *evidence.Meta, s *evidencetest.Source) {
			for d, b := range s.Blobs {
				s.Blobs[d] = append(bytes.Clone(b[:len(b)-1]), b[len(b)-1]^1)
			}
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m, src := evidencetest.Signed(t).Package()
			tc.change(&m, src)
			err := evidence.Write(context.Background(), io.Discard, m, src)
			if !strings.Contains(fmt.Sprint(err), tc.reason) {
				t.Errorf("Write = %v; want %s", err, tc.reason)
			}
		})
	}
}

func TestWriteStops(t *testing.T) {
	m, src := evidencetest.Signed(t).Package()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := evidence.Write(ctx, io.Discard, m, src); err == nil {
		t.Error("Write went on after its context ended")
	}
}

func TestProgress(t *testing.T) {
	m, src := evidencetest.Signed(t).Package()
	var done, total int64
	m.Progress = func(d, of int64) {
		if d < done || of < d {
			t.Errorf("progress %d of %d after %d", d, of, done)
		}
		done, total = d, of
	}
	if err := evidence.Write(context.Background(), io.Discard, m, src); err != nil {
		t.Fatal(err)
	}
	if done != total || total == 0 {
		t.Errorf("progress ended at %d of %d", done, total)
	}
}

func FuzzVerify(f *testing.F) {
	j := evidencetest.Signed(f)
	archive := j.Archive()
	f.Add(uint(0), []byte{})
	f.Add(uint(len(archive)-30), []byte("PK\x05\x06"))
	f.Fuzz(func(t *testing.T, at uint, patch []byte) {
		b := bytes.Clone(archive)
		n := copy(b[int(at%uint(len(b))):], patch)
		r, err := evidence.Verify(context.Background(), bytes.NewReader(b), int64(len(b)), evidence.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if same := bytes.Equal(b, archive); same != (r.Failure == nil) {
			t.Errorf("%d bytes at %d patched: unchanged %v, failure %v", n, at, same, r.Failure)
		}
	})
}

// The lines of a forged record are hostile input too.
func FuzzVerifyLines(f *testing.F) {
	j := evidencetest.Signed(f)
	archive := j.Archive()
	for i, l := range j.Lines {
		p, err := seal.ParseLine(l)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(uint8(i), p.Payload, []byte(p.Assessment))
	}
	f.Fuzz(func(t *testing.T, at uint8, payload, assessment []byte) {
		b := forge(t, archive, lines(func(ls [][]byte) [][]byte {
			n := int(at) % len(ls)
			l, err := seal.ParseLine(ls[n])
			if err != nil {
				t.Fatal(err)
			}
			l.Payload, l.Assessment, l.Signatures, l.AttestedBy = payload, assessment, nil, seal.AttestedByServer
			if out, err := seal.AppendLine(nil, l); err == nil {
				ls[n] = out
			}
			return ls
		}))
		r, err := evidence.Verify(context.Background(), bytes.NewReader(b), int64(len(b)), evidence.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Checks) == 0 {
			t.Error("no checks")
		}
	})
}
