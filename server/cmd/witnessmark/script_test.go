package main

import (
	"archive/zip"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"witnessmark/internal/evidence"
	"witnessmark/internal/testbed"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"witnessmark": main, "phone": phone, "tamper": tamper, "photo-of": photoOf, "exit-code": exitCode})
}

// verifier builds witnessmark-verify once: the scripts check packages with the
// program that an auditor has.
var verifier = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "witnessmark-verify-")
	if err != nil {
		return "", err
	}
	out, err := exec.Command("go", "build", "-o", filepath.Join(dir, "witnessmark-verify"), "../witnessmark-verify").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build witnessmark-verify: %w\n%s", err, out)
	}
	return dir, nil
})

const scripts = "../../../testdata/scripts"

// free is an address on which nobody listens now.
func free() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

func runScripts(t *testing.T, setup func(*testscript.Env) error, company bool, files ...string) {
	bin, err := verifier()
	if err != nil {
		t.Fatal(err)
	}
	for i := range files {
		files[i] = filepath.Join(scripts, files[i])
	}
	testscript.Run(t, testscript.Params{Files: files, RequireExplicitExec: true, RequireUniqueNames: true,
		Condition: func(c string) (bool, error) {
			if c == "company" {
				return company, nil
			}
			return false, fmt.Errorf("there is no condition %q", c)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"setenv": setenv},
		Setup: func(e *testscript.Env) error {
			address, err := free()
			if err != nil {
				return err
			}
			e.Setenv("PATH", bin+string(os.PathListSeparator)+e.Getenv("PATH"))
			admin, err := free()
			if err != nil {
				return err
			}
			e.Setenv("ADMIN", admin)
			e.Setenv("LISTEN", address)
			e.Setenv("SERVER", "http://"+address)
			e.Setenv("WITNESSMARK_SERVER", "http://"+address)
			e.Setenv("WITNESSMARK_LOG_NAME", "log.test")
			e.Setenv("WITNESSMARK_DATA", filepath.Join(e.WorkDir, "data"))
			e.Setenv("XDG_CONFIG_HOME", filepath.Join(e.WorkDir, "config"))
			e.Setenv("PHONES", filepath.Join(e.WorkDir, "phones"))
			e.Setenv("HOME", e.WorkDir)
			return errors.Join(os.MkdirAll(filepath.Join(e.WorkDir, "phones"), 0o700), setup(e))
		}})
}

// setenv NAME puts what the last command printed, without blanks around it, into
// a variable: a code, a key.
func setenv(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: setenv NAME")
	}
	ts.Setenv(args[0], strings.TrimSpace(ts.ReadFile("stdout")))
}

func TestCommands(t *testing.T) {
	runScripts(t, func(*testscript.Env) error { return nil }, false, "usage.txtar", "calc.txtar", "procedure.txtar", "serve.txtar", "office.txtar", "demo.txtar")
}

func TestWholeJobEmbedded(t *testing.T) {
	runScripts(t, func(*testscript.Env) error { return nil }, false, "job.txtar", "backup.txtar")
}

func TestWholeJobCompany(t *testing.T) { runCompany(t, "job.txtar") }

func TestCompanyCopy(t *testing.T) { runCompany(t, "company.txtar") }

// superuser is the DSN by which a database's administrator makes copies: the
// cluster's own superuser, who passes over row-level security.
func superuser(owner string) (string, error) {
	u, err := url.Parse(owner)
	if err != nil {
		return "", err
	}
	u.User = url.User("testbed")
	if given, err := url.Parse(os.Getenv(testbed.PostgresVariable)); err == nil && given.User != nil {
		u.User = given.User
	}
	return u.String(), nil
}

// runCompany runs a script on a database and a bucket of its own.
func runCompany(t *testing.T, script string) {
	db, s3 := testbed.PostgresRoles(t), testbed.S3(t)
	runScripts(t, func(e *testscript.Env) error {
		admin, err := superuser(db.Owner)
		if err != nil {
			return err
		}
		e.Setenv("SUPERUSER", admin)
		for name, value := range map[string]string{"POSTGRES": db.App, "POSTGRES_OWNER": db.Owner, "S3_BUCKET": s3.Bucket, "S3_ENDPOINT": s3.Endpoint, "S3_REGION": s3.Region,
			"S3_ACCESS_KEY": s3.AccessKey, "S3_SECRET_KEY": s3.SecretKey, "S3_PATH_STYLE": "true"} {
			e.Setenv("WITNESSMARK_"+name, value)
		}
		return nil
	}, true, script)
}

// photoOf PACKAGE.zip STEP prints the digest of the last photo of a step, in hex.
func photoOf() {
	d, err := photoOfRun(os.Args[1], os.Args[2])
	if err != nil {
		fmt.Fprintln(os.Stderr, "photo-of:", err)
		os.Exit(1)
	}
	fmt.Println(d)
}

func photoOfRun(path, step string) (digest string, err error) {
	z, err := zip.OpenReader(path)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, z.Close()) }()
	for _, f := range z.File {
		if !strings.HasSuffix(f.Name, "/data/record.jsonl") {
			continue
		}
		r, err := f.Open()
		if err != nil {
			return "", err
		}
		b, err := io.ReadAll(r)
		if err = errors.Join(err, r.Close()); err != nil {
			return "", err
		}
		for line := range bytes.Lines(b) {
			p, err := evidence.ParseLine(bytes.TrimSpace(line))
			if err != nil {
				return "", err
			}
			if e := p.Fold.Entry; e.GetStep() == step && e.GetPhotoAttached() != nil {
				digest = hex.EncodeToString(e.GetPhotoAttached().GetDigest())
			}
		}
	}
	if digest == "" {
		return "", fmt.Errorf("%s has no photo of %s", path, step)
	}
	return digest, nil
}

// exitCode CODE COMMAND… runs a command, passes on what it prints, and fails
// unless it ends with CODE.
func exitCode() {
	want, err := strconv.Atoi(os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, "exit-code:", err)
		os.Exit(1)
	}
	c := exec.Command(os.Args[2], os.Args[3:]...)
	c.Stdout, c.Stderr = os.Stdout, os.Stderr
	err = c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		fmt.Fprintln(os.Stderr, "exit-code:", err)
		os.Exit(1)
	}
	if got := c.ProcessState.ExitCode(); got != want {
		fmt.Fprintf(os.Stderr, "exit-code: got %d, want %d\n", got, want)
		os.Exit(1)
	}
}

// tamper IN changes one byte of IN at many places, one at a time, and wants each
// time that witnessmark-verify refuses and says why. tamper IN OUT OFFSET writes
// one such file.
func tamper() {
	if err := tamperRun(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "tamper:", err)
		os.Exit(1)
	}
}

func tamperRun(args []string) error {
	whole, err := os.ReadFile(args[0])
	if err != nil {
		return err
	}
	change := func(out string, at int) error {
		b := bytes.Clone(whole)
		b[at] ^= 1
		return os.WriteFile(out, b, 0o600)
	}
	if len(args) == 3 {
		at, err := strconv.Atoi(args[2])
		if err != nil {
			return err
		}
		return change(args[1], at)
	}
	const places = 40
	for i := range places {
		at := (len(whole) - 1) * i / (places - 1)
		if err := change("changed.zip", at); err != nil {
			return err
		}
		out, err := exec.Command("witnessmark-verify", "--log-key", os.Getenv("LOG_KEY"), "--quiet", "changed.zip").CombinedOutput()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != 1 {
			return fmt.Errorf("byte %d of %d changed: %v, %s; want exit code 1", at, len(whole), err, out)
		}
		if len(bytes.TrimSpace(out)) < 20 {
			return fmt.Errorf("byte %d changed: %q names nothing", at, out)
		}
	}
	fmt.Printf("%d changed bytes, each refused\n", places)
	return nil
}
