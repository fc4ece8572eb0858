package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/evidence/evidencetest"
	"witnessmark/internal/seal"
)

// files writes a package, its keys and another log's key into a folder.
func files(t *testing.T) (dir string, j *evidencetest.Job) {
	t.Helper()
	dir, j = t.TempDir(), evidencetest.Signed(t)
	key := j.LogKey().Public()
	other, err := seal.GenerateLogKey(bytes.NewReader(bytes.Repeat([]byte{8}, 64)), key.Name())
	if err != nil {
		t.Fatal(err)
	}
	archive := j.Archive()
	changed := bytes.Clone(archive)
	changed[bytes.Index(changed, []byte(`"people/p1": "Ana Uno"`))+len(`"people/p1": "`)] = 'E'
	for name, b := range map[string][]byte{
		"good.zip": archive, "changed.zip": changed, "log.pem": key.PEM(), "log.vkey": []byte(key.String() + "\n"), "other.pem": other.Public().PEM(), "empty": nil, "words": []byte("no key\n"),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir, j
}

func TestRun(t *testing.T) {
	dir, j := files(t)
	key := j.LogKey().Public()
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, tc := range []struct {
		name   string
		args   []string
		code   int
		stdout []string
		stderr string
	}{
		{"a key from a PEM file", []string{"--log-key", at("log.pem"), at("good.zip")}, 0, []string{"good.zip\n", "\nverified\n", evidencetest.JobName, "Lia Nueve, " + evidencetest.Lead}, ""},
		{"a key from a file with a verifier key", []string{"--log-key", at("log.vkey"), at("good.zip")}, 0, []string{"\nverified\n"}, ""},
		{"a key on the command line", []string{"--log-key", key.String(), at("good.zip")}, 0, []string{"\nverified\n"}, ""},
		{"two keys, as after a change", []string{"--log-key", at("other.pem"), "--log-key", at("log.pem"), at("good.zip")}, 0, []string{"\nverified\n"}, ""},
		{"no key", []string{at("good.zip")}, 3, []string{"\nconsistent in itself; key " + key.Fingerprint().String() + " not checked by you\n"}, ""},
		{"another key", []string{"--log-key", at("other.pem"), at("good.zip")}, 1, []string{"NOT VERIFIED: data/log/log.pem: ", "(LOG_KEY_NOT_PINNED)"}, ""},
		{"a changed byte", []string{"--log-key", at("log.pem"), at("changed.zip")}, 1, []string{"NOT VERIFIED: data/names.json: ", "FAILED", "not checked"}, ""},
		{"a good one and a changed one", []string{"--quiet", "--log-key", at("log.pem"), at("good.zip"), at("changed.zip")}, 1, []string{"good.zip: verified\n", "changed.zip: NOT VERIFIED: data/names.json"}, ""},
		{"a good one twice without a key", []string{"--quiet", at("good.zip"), at("good.zip")}, 3, []string{"good.zip: consistent in itself"}, ""},
		{"a file that is no package", []string{at("log.pem")}, 1, []string{"NOT VERIFIED: the archive"}, ""},
		{"an empty file", []string{at("empty")}, 1, []string{"NOT VERIFIED: the archive"}, ""},
		{"a file that is not there", []string{at("gone.zip")}, 1, nil, "gone.zip"},
		{"a folder", []string{dir}, 1, nil, "it is no file"},
		{"help", []string{"--help"}, 0, []string{"--log-key FILE|KEY", "Exit status"}, ""},
		{"nothing", nil, 2, nil, "no package is given"},
		{"an unknown flag", []string{"--trust-me", at("good.zip")}, 2, nil, "trust-me"},
		{"two forms of output", []string{"--json", "--quiet", at("good.zip")}, 2, nil, "exclude each other"},
		{"a key file that is not there", []string{"--log-key", at("gone"), at("good.zip")}, 2, nil, "no key and no file"},
		{"a key file without a key", []string{"--log-key", at("words"), at("good.zip")}, 2, nil, "LOG_KEY_MALFORMED"},
		{"an empty key file", []string{"--log-key", at("empty"), at("good.zip")}, 2, nil, "holds no key"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var out, errOut bytes.Buffer
			if code := run(context.Background(), tc.args, &out, &errOut); code != tc.code {
				t.Errorf("exit %d; want %d\n%s%s", code, tc.code, out.String(), errOut.String())
			}
			for _, want := range tc.stdout {
				if !strings.Contains(out.String(), want) {
					t.Errorf("stdout does not say %q:\n%s", want, out.String())
				}
			}
			if !strings.Contains(errOut.String(), tc.stderr) || tc.stderr == "" && errOut.Len() > 0 {
				t.Errorf("stderr = %q; want %q in it", errOut.String(), tc.stderr)
			}
		})
	}
}

func TestJSON(t *testing.T) {
	dir, j := files(t)
	var out, errOut bytes.Buffer
	if code := run(context.Background(), []string{"--json", "--log-key", filepath.Join(dir, "log.pem"), filepath.Join(dir, "good.zip"), filepath.Join(dir, "changed.zip")}, &out, &errOut); code != 1 {
		t.Fatalf("exit %d; want 1: %s", code, errOut.String())
	}
	type result struct {
		Exit     int
		Verified bool
		Job      string
		Lines    int
		Checks   []struct{ Name, Outcome string }
		Failure  *struct{ Check, Reason, Subject string }
	}
	d := json.NewDecoder(&out)
	var good, changed result
	if err := d.Decode(&good); err != nil {
		t.Fatal(err)
	}
	if err := d.Decode(&changed); err != nil {
		t.Fatal(err)
	}
	if !good.Verified || good.Exit != 0 || good.Job != evidencetest.JobName || good.Lines != len(j.Lines) || good.Failure != nil || len(good.Checks) < 10 {
		t.Errorf("good = %+v; want it verified, %d lines", good, len(j.Lines))
	}
	if changed.Verified || changed.Exit != 1 || changed.Failure == nil || changed.Failure.Subject != "data/names.json" || len(changed.Checks) != len(good.Checks) {
		t.Errorf("changed = %+v; want the failure at data/names.json and every check listed", changed)
	}
}

func TestTextCannotSteerTheTerminal(t *testing.T) {
	if got, want := plain("job\x1b[2J\u202eend\n"), "job?[2J?end?"; got != want {
		t.Errorf("plain = %q; want %q", got, want)
	}
}

// The verifier must link no database and no network: whoever runs it can read
// in one list what is in it. (crypto/x509 brings the types of package net, which
// it parses addresses with; nothing of ours imports it.)
func TestDependencies(t *testing.T) {
	list := func(args ...string) []string {
		t.Helper()
		out, err := exec.Command("go", append([]string{"list"}, args...)...).Output()
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		return strings.Fields(string(out))
	}
	deps := list("-deps", ".")
	for _, d := range deps {
		for _, bad := range []string{"database/sql", "net/http", "net/rpc", "crypto/tls", "google.golang.org/grpc", "github.com/jackc", "modernc.org", "github.com/aws", "github.com/coreos", "connectrpc.com", "witnessmark/storage", "witnessmark/server", "witnessmark/internal/workflow", "witnessmark/internal/access"} {
			if d == bad || strings.HasPrefix(d, bad+"/") && !strings.HasPrefix(d, "witnessmark/server/cmd/witnessmark-verify") {
				t.Errorf("the verifier links %s", d)
			}
		}
	}
	for _, line := range strings.Split(strings.Join(list("-deps", "-f", "{{.ImportPath}}:{{join .Imports \",\"}}", "."), "\n"), "\n") {
		path, imports, _ := strings.Cut(line, ":")
		if strings.HasPrefix(path, "witnessmark/") && slices.Contains(strings.Split(imports, ","), "net") {
			t.Errorf("%s imports net", path)
		}
	}
	if !slices.Contains(deps, "witnessmark/internal/evidence") {
		t.Errorf("dependencies = %d packages without internal/evidence: the list is wrong", len(deps))
	}
}
