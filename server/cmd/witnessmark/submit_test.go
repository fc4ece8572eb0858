package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/seal"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server/servertest"
	"witnessmark/storage"
)

// exports is what the phone client's own code wrote (export.test.ts there
// compares it with what it writes now): a note, a photo and a trace.
const exports = "../../../testdata/exports"

// exporter is an organisation in which the phone of the export is enrolled.
func exporter(t *testing.T) (o *servertest.Organization, env map[string]string, job string) {
	s := servertest.Start(t, servertest.Options{})
	o = s.Organization(t, "exporting")
	spki, err := os.ReadFile(filepath.Join(exports, "phone.spki"))
	if err != nil {
		t.Fatal(err)
	}
	pub, err := seal.ParsePublicKey(spki)
	if err != nil {
		t.Fatal(err)
	}
	id, err := seal.KeyID(pub)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Service.Store.PutKey(t.Context(), storage.Key{Org: o.ID, KeyID: id, Device: "phone-1", Person: o.Climber.ID, SPKI: spki, CreateTime: time.Now()}); err != nil {
		t.Fatal(err)
	}
	env = map[string]string{"WITNESSMARK_SERVER": s.URL, "WITNESSMARK_TOKEN": o.Lead.Token, "XDG_CONFIG_HOME": t.TempDir()}
	return o, env, o.Job(t, "exported")
}

func exportFile(t *testing.T) []byte {
	b, err := os.ReadFile(filepath.Join(exports, "phone.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestPhoneExportIsSent(t *testing.T) {
	o, env, job := exporter(t)
	for _, want := range []string{"3 accepted, 0 known already, 0 after the lock, 0 refused; 2 photos and traces kept; 0 lines not sent",
		"0 accepted, 3 known already, 0 after the lock, 0 refused; 2 photos and traces kept; 0 lines not sent"} { // the second time without harm
		code, out, stderr := runWith(env, "submit", filepath.Join(exports, "phone.jsonl"))
		if code != exitDone || !strings.Contains(stderr, want) {
			t.Fatalf("submit = %d, %s%s; want 0 and %q", code, out, stderr, want)
		}
		for _, line := range []string{"line 1: ", "line 2: ", "line 3: ", "line 4: ", "line 5: "} {
			if !strings.Contains(out, line) {
				t.Errorf("submit says %q; want a result of each line, of %q too", out, line)
			}
		}
	}
	// The lines have the payloads as the phone signed them, and the photo is there.
	page, err := o.Lead.Jobs.ListLines(t.Context(), &witnessmarkv1.ListLinesRequest{Job: job, PageSize: 100})
	if err != nil {
		t.Fatal(err)
	}
	record := ""
	for _, l := range page.GetLines() {
		record += string(l.GetLine()) + "\n"
	}
	var received int
	for _, line := range bytes.Split(bytes.TrimSpace(exportFile(t)), []byte("\n")) {
		var x struct {
			Payload, Signature string
			File               struct{ Digest, Purpose string }
		}
		if err := json.Unmarshal(line, &x); err != nil {
			t.Fatal(err)
		}
		if x.Payload != "" && (!strings.Contains(record, x.Payload) || !strings.Contains(record, x.Signature)) {
			t.Errorf("the record has no line with the payload and signature %.60s…", line)
		}
		if x.File.Digest == "" {
			continue
		}
		received++
		d, err := hexDigest(x.File.Digest)
		if err != nil {
			t.Fatal(err)
		}
		stream, err := o.Lead.Evidence.DownloadFile(t.Context(), &witnessmarkv1.DownloadFileRequest{Job: job, Digest: x.File.Digest})
		if err != nil {
			t.Fatal(err)
		}
		var got bytes.Buffer
		for {
			p, err := stream.Recv()
			if err != nil {
				break // the end, or an error: the digest tells
			}
			got.Write(p.GetChunk())
		}
		if sha256.Sum256(got.Bytes()) != d {
			t.Errorf("the server has %d bytes as %s %s; want those of the phone", got.Len(), x.File.Purpose, x.File.Digest)
		}
	}
	if received != 2 {
		t.Errorf("%d files in the export; want a photo and a trace", received)
	}
}

func TestDamagedLinesOfAnExportHoldUpNoOther(t *testing.T) {
	lines := strings.SplitAfter(strings.TrimSpace(string(exportFile(t)))+"\n", "\n")
	trace, photo := lines[3], lines[4]
	_, after, _ := strings.Cut(photo, `"bytes":"`)
	damaged := strings.Replace(photo, after, base64.StdEncoding.EncodeToString([]byte("other bytes"))+"\"}\n", 1)
	for _, c := range []struct{ name, file, out, err string }{
		{"bytes of a photo are others", lines[0] + lines[1] + lines[2] + damaged + trace, "line 4: not sent: line 4: the bytes are not those", "3 accepted, 0 known already, 0 after the lock, 0 refused; 1 photos and traces kept; 1 lines not sent"},
		{"bytes of a photo are gone", lines[0] + lines[1] + strings.Replace(photo, after, "\"}\n", 1), "line 3: not sent: line 3: the bytes are not those", "2 accepted, 0 known already, 0 after the lock, 0 refused; 0 photos and traces kept; 1 lines not sent"},
		{"the last line is cut off", lines[0] + lines[1] + photo[:len(photo)-90], "line 3: not sent: line 3 is not a JSON object, or was cut off", "2 accepted"},
		{"a payload is empty", lines[0] + `{"payload":""}` + "\n" + lines[1], "line 2: not sent", "2 accepted"},
		{"a purpose is unknown", lines[0] + lines[1] + strings.Replace(photo, `"purpose":"photo"`, `"purpose":"song"`, 1), "line 3: not sent", "2 accepted"},
		{"another job's file", lines[0] + strings.Replace(trace, `"job":"jobs/exported"`, `"job":"jobs/none"`, 1) + lines[1], "line 2: not sent: ", "2 accepted"},
		{"a signature is wrong", regexp.MustCompile(`"signature":"....`).ReplaceAllString(lines[0], `"signature":"AAAA`) + lines[1], "line 1: refused", "1 refused"},
		{"another job's entry", lines[0] + strings.Replace(lines[1], `"job":"jobs/exported"`, `"job":"jobs/none"`, 1) + trace, "line 2: not sent: ", "1 accepted, 0 known already, 0 after the lock, 0 refused; 1 photos"},
		{"a signature is too long", lines[0] + strings.Replace(lines[1], `"signature":"`, `"signature":"AAAA`, 1) + lines[2], "line 2: not sent: ", "2 accepted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, env, _ := exporter(t)
			path := filepath.Join(t.TempDir(), "export.jsonl")
			if err := os.WriteFile(path, []byte(c.file), 0o600); err != nil {
				t.Fatal(err)
			}
			code, out, stderr := runWith(env, "submit", path)
			if code != exitFailed || !strings.Contains(out, c.out) || !strings.Contains(stderr, c.err) {
				t.Errorf("submit = %d, %s%s; want 1, %q and %q", code, out, stderr, c.out, c.err)
			}
		})
	}
}
