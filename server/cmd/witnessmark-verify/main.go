// Command witnessmark-verify checks evidence packages. It needs no server, no
// database and no network, and trusts nothing in a package.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"witnessmark/internal/evidence"
	"witnessmark/internal/seal"
)

// Exit codes. They are API.
const (
	exitVerified   = 0 // nothing wrong, signed by a key that was given
	exitFailed     = 1 // something is wrong, or the file cannot be read
	exitUsage      = 2
	exitConsistent = 3 // nothing wrong; nobody checked whose key it is
)

const help = `witnessmark-verify checks evidence packages, offline.

  witnessmark-verify [--log-key FILE|KEY] [--json] [--quiet] PACKAGE.zip…

It reads the whole package and says, line by line, what it checked: that every
file is there and whole; that no line of the record is missing, moved or
changed; that devices signed what they should have; who signed off, over what,
and that it was another than the doers; that every photo is there; that the
record stands in the organisation's log; and that every verdict comes out the
same when it is calculated again.

  --log-key FILE|KEY   the log's key, which you got from the organisation or
                       from an earlier package, never from this one: a file
                       (PEM, or a line NAME+HASH+KEY), or that line itself.
                       May be given several times, as after a change of keys.
  --json               print one JSON object for each package
  --quiet              print one line for each package
  --help               this text

Exit status, the worst of all packages given:
  0  verified, and the log's key is the one that you gave
  3  consistent in itself; you did not say which key to trust, so that whoever
     made the package may have made the key as well
  1  something is wrong: the first thing is named
  2  wrong use of this program

Without this program: every package has data/HOWTO.txt, which does most of this
with sha256sum, openssl and a short script.
`

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// options are the command line's.
type options struct {
	keys        evidence.Options
	json, quiet bool
	packages    []string
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	o, err := parse(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		if _, err := io.WriteString(stdout, help); err != nil {
			return exitFailed
		}
		return exitVerified
	case err != nil:
		fmt.Fprintf(stderr, "witnessmark-verify: %v\nwitnessmark-verify --help says how it is used.\n", err)
		return exitUsage
	}
	code := exitVerified
	for _, path := range o.packages {
		c, err := one(ctx, path, o, stdout)
		if err != nil {
			fmt.Fprintf(stderr, "witnessmark-verify: %s: %v\n", path, err)
			c = exitFailed
		}
		code = worse(code, c)
	}
	return code
}

// worse keeps the graver of two exit codes: failed, then consistent, then
// verified.
func worse(a, b int) int {
	switch {
	case a == exitFailed || b == exitFailed:
		return exitFailed
	case a == exitConsistent || b == exitConsistent:
		return exitConsistent
	}
	return exitVerified
}

func parse(args []string) (options, error) {
	var o options
	fs := flag.NewFlagSet("witnessmark-verify", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.BoolVar(&o.json, "json", false, "")
	fs.BoolVar(&o.quiet, "quiet", false, "")
	fs.Func("log-key", "", func(s string) error { return addKey(&o.keys, s) })
	if err := fs.Parse(args); err != nil {
		return o, err
	}
	o.packages = fs.Args()
	switch {
	case len(o.packages) == 0:
		return o, errors.New("no package is given")
	case o.json && o.quiet:
		return o, errors.New("--json and --quiet exclude each other")
	}
	return o, nil
}

// maxKeyFile bounds a key file: a PEM or a few lines.
const maxKeyFile = 64 << 10

// addKey takes a key as it stands on the command line: a verifier key, or the
// name of a file with PEM or verifier keys.
func addKey(o *evidence.Options, s string) error {
	if k, err := seal.ParseLogPublicKey(s); err == nil {
		o.LogKeys = append(o.LogKeys, k)
		return nil
	}
	f, err := os.Open(s)
	if err != nil {
		return fmt.Errorf("%q is no key and no file that can be read: %w", s, err)
	}
	b, err := io.ReadAll(io.LimitReader(f, maxKeyFile+1))
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if len(b) > maxKeyFile {
		return fmt.Errorf("%s is over the bound of %d bytes: no key file", s, maxKeyFile)
	}
	if bytes.Contains(b, []byte("-----BEGIN")) {
		if _, err := seal.ParseLogPEM("any", b); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
		o.LogPEM = append(o.LogPEM, b)
		return nil
	}
	n := 0
	for line := range strings.Lines(string(b)) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		k, err := seal.ParseLogPublicKey(line)
		if err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
		o.LogKeys = append(o.LogKeys, k)
		n++
	}
	if n == 0 {
		return fmt.Errorf("%s holds no key", s)
	}
	return nil
}

// one checks one package and prints what was found.
func one(ctx context.Context, path string, o options, w io.Writer) (code int, err error) {
	f, err := os.Open(path)
	if err != nil {
		return exitFailed, err
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	st, err := f.Stat()
	if err != nil {
		return exitFailed, err
	}
	if !st.Mode().IsRegular() {
		return exitFailed, errors.New("it is no file: give the package as the ZIP that you got")
	}
	r, err := evidence.Verify(ctx, f, st.Size(), o.keys)
	if err != nil {
		return exitFailed, err
	}
	code = exitConsistent
	switch {
	case r.Failure != nil:
		code = exitFailed
	case r.Pinned:
		code = exitVerified
	}
	switch {
	case o.json:
		return code, json.NewEncoder(w).Encode(struct {
			Package  string `json:"package"`
			Exit     int    `json:"exit"`
			Verified bool   `json:"verified"`
			*evidence.Result
		}{path, code, r.Verified(), r})
	case o.quiet:
		_, err := fmt.Fprintf(w, "%s: %s\n", plain(path), summary(r))
		return code, err
	}
	return code, print(w, path, r)
}

// summary is the result in one line.
func summary(r *evidence.Result) string {
	switch {
	case r.Failure != nil:
		return plain(fmt.Sprintf("NOT VERIFIED: %s: %s (%s)", r.Failure.Subject, r.Failure.Sentence, r.Failure.Reason))
	case r.Pinned:
		return "verified"
	}
	return "consistent in itself; key " + r.Fingerprint + " not checked by you"
}

// plain keeps what a package says from steering the terminal.
func plain(s string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c >= 0x7f && c < 0xa0 || c >= 0x202a && c <= 0x202e || c >= 0x2066 && c <= 0x2069 {
			return '?'
		}
		return c
	}, s)
}

func print(w io.Writer, path string, r *evidence.Result) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\n", plain(filepath.Base(path)))
	facts := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fact := func(name, value string) {
		if value != "" {
			fmt.Fprintf(facts, "  %s\t%s\n", name, plain(value))
		}
	}
	fact("job", strings.TrimSuffix(r.Job+", "+r.Title, ", "))
	fact("state", r.State)
	fact("signed by", strings.TrimPrefix(r.SignedName+", "+r.SignedBy, ", "))
	if !r.LockedTime.IsZero() {
		fact("locked", r.LockedTime.UTC().Format(time.RFC3339))
	}
	fact("root", r.Root)
	fact("log", r.LogOrigin)
	fact("log's key", r.Fingerprint)
	if err := facts.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(&b)
	checks := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, c := range r.Checks {
		word := string(c.Outcome)
		if c.Outcome == evidence.Failed {
			word = "FAILED"
		}
		fmt.Fprintf(checks, "  %s\t%s\t%s\n", word, c.Title, plain(c.Detail))
	}
	if err := checks.Flush(); err != nil {
		return err
	}
	if len(r.Notes) > 0 {
		fmt.Fprintln(&b, "\n  To know:")
		for _, n := range r.Notes {
			fmt.Fprintf(&b, "  - %s: %s\n", plain(n.Subject), plain(n.Sentence))
		}
		if r.Omitted > 0 {
			fmt.Fprintf(&b, "  - and %d more\n", r.Omitted)
		}
	}
	fmt.Fprintf(&b, "\n%s\n", summary(r))
	_, err := b.WriteTo(w)
	return err
}
