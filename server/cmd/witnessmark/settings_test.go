package main

import (
	"bytes"
	"context"
	"net"
	"strings"
	"testing"
	"time"
)

// runWith runs a command line with an environment and returns its exit code and
// what it wrote.
func runWith(env map[string]string, args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	s := &streams{in: strings.NewReader(""), out: &o, err: &e, env: func(k string) string { return env[k] }, now: time.Now}
	code = run(context.Background(), args, s)
	return code, o.String(), e.String()
}

func TestHalfSetOptionsAreRefused(t *testing.T) {
	for _, tc := range []struct {
		name, want string
		env        map[string]string
		args       []string
	}{
		{"a certificate without its key", "--tls-cert and --tls-key come together", nil, []string{"--tls-cert", "c.pem"}},
		{"a certificate and ACME", "exclude each other", nil, []string{"--tls-cert", "c.pem", "--tls-key", "k.pem", "--acme-domain", "tower.test"}},
		{"an ACME address without a domain", "--acme-domain is not", nil, []string{"--acme-email", "a@tower.test"}},
		{"plain HTTP and TLS", "exclude each other", nil, []string{"--allow-plain-http", "--acme-domain", "tower.test"}},
		{"a redirect without TLS", "--http-listen", nil, []string{"--http-listen", ":80"}},
		{"profiles without an admin listener", "--pprof needs --admin-listen", nil, []string{"--pprof"}},
		{"an address without a port", "--listen", nil, []string{"--listen", "127.0.0.1"}},
		{"a public address with a path", "--public-url", nil, []string{"--public-url", "https://tower.test/app"}},
		{"a proxy that is no network", "--trusted-proxies", nil, []string{"--trusted-proxies", "10.0.0.1"}},
		{"a form of log that is not known", "--log-format", nil, []string{"--log-format", "xml"}},
		{"a region without a bucket", "--s3-region is set", map[string]string{"WITNESSMARK_S3_REGION": "here"}, nil},
		{"a secret without a bucket", "WITNESSMARK_S3_SECRET_KEY is set", map[string]string{"WITNESSMARK_S3_SECRET_KEY": "s"}, nil},
		{"a bucket without a region", "--s3-region is not", nil, []string{"--s3-bucket", "photos"}},
		{"one S3 key of two", "come together", map[string]string{"WITNESSMARK_S3_ACCESS_KEY": "a"}, []string{"--s3-bucket", "photos", "--s3-region", "here"}},
		{"no place at all", "--data is empty", nil, []string{"--data", ""}},
		{"a log name with a slash", "--log-name", nil, []string{"--log-name", "a/b"}},
		{"a switch that is neither", "true or false", map[string]string{"WITNESSMARK_PPROF": "maybe"}, nil},
		{"providers that cannot be read", "--oidc", nil, []string{"--oidc", "settings_test.go"}},
		{"an argument too many", "more than is wanted", nil, []string{"now"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, out, errs := runWith(tc.env, append([]string{"serve"}, tc.args...)...)
			if code != exitUsage || !strings.Contains(errs, tc.want) || out != "" {
				t.Errorf("serve %q with %v: exit %d, %q, %q; want %d and %q", tc.args, tc.env, code, out, errs, exitUsage, tc.want)
			}
		})
	}
}

func TestOptionsStandAnywhereAndWinOverTheEnvironment(t *testing.T) {
	f := newFlags("test", func(k string) string { return map[string]string{"WITNESSMARK_DAY": "monday"}[k] })
	day, loud := f.text("day", "DAY", "sunday", ""), f.local("loud", "")
	rest, err := f.parse([]string{"a", "--day=friday", "b", "--loud", "--", "--c", "d"})
	if err != nil || *day != "friday" || !*loud || strings.Join(rest, " ") != "a b --c d" {
		t.Errorf("parse = %q, %v, day %q, loud %v; want a b --c d, friday, true", rest, err, *day, *loud)
	}
	f = newFlags("test", func(k string) string { return map[string]string{"WITNESSMARK_DAY": "monday"}[k] })
	if day = f.text("day", "DAY", "sunday", ""); *day != "monday" {
		t.Errorf("from the environment: %q; want monday", *day)
	}
}

func TestEveryCommandExplainsItself(t *testing.T) {
	var walk func(path string, cs []*command)
	walk = func(path string, cs []*command) {
		for _, c := range cs {
			words := strings.TrimSpace(path + " " + c.name)
			if c.summary == "" || !strings.HasSuffix(strings.TrimSpace(c.summary), ".") {
				t.Errorf("%s: summary %q; want a sentence", words, c.summary)
			}
			code, out, errs := runWith(nil, append([]string{"help"}, strings.Fields(words)...)...)
			if code != exitDone || !strings.Contains(out, c.summary) || errs != "" {
				t.Errorf("help %s: exit %d, %q, %q; want its summary", words, code, out, errs)
			}
			if len(c.below) == 0 && c.setup == nil {
				t.Errorf("%s does nothing", words)
			}
			walk(words, c.below)
		}
	}
	walk("", commands())
}

func TestTextsOfOthersStayOnTheirLine(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                  "plain",
		"two\nlines":             "two lines",
		"\x1b[31mred":            " [31mred",
		"right\u202eto left":     "right to left",
		"Señal, 24 N·m, −112 dB": "Señal, 24 N·m, −112 dB",
	} {
		if got := oneLine(in); got != want {
			t.Errorf("oneLine(%q) = %q; want %q", in, got, want)
		}
	}
}

func TestTableIsAlignedByCharacters(t *testing.T) {
	var b bytes.Buffer
	tb := table{head: []string{"NAME", "N"}}
	tb.add("Señal", "1")
	tb.add("a", "22")
	if err := tb.print(&b, false); err != nil {
		t.Fatal(err)
	}
	if want := "NAME   N\nSeñal  1\na      22\n"; b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

func TestMoments(t *testing.T) {
	now := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"48h":                  "2026-03-04T10:00:00Z",
		"2026-03-31":           "2026-04-01T00:00:00Z",
		"2026-03-31T18:00:00Z": "2026-03-31T18:00:00Z",
	} {
		got, err := until(text, now)
		if err != nil || got.AsTime().Format(time.RFC3339) != want {
			t.Errorf("until(%q) = %v, %v; want %s", text, got.AsTime(), err, want)
		}
	}
	if _, err := until("soon", now); err == nil {
		t.Error(`until("soon") gives no error`)
	}
}

func TestAddressThatPeopleType(t *testing.T) {
	for _, tc := range []struct {
		name, listener, public, want string
	}{
		{"the loopback address", "127.0.0.1:8080", "", "http://127.0.0.1:8080"},
		{"every address", "[::]:8080", "", "http://localhost:8080"},
		{"a public address", "0.0.0.0:443", "https://tower.test", "https://tower.test"},
	} {
		a, err := net.ResolveTCPAddr("tcp", tc.listener)
		if err != nil {
			t.Fatal(err)
		}
		if got := (serving{publicURL: tc.public}).address(a); got != tc.want {
			t.Errorf("%s: address(%s) = %q; want %q", tc.name, tc.listener, got, tc.want)
		}
	}
}
