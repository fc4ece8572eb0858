package main

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/server"
	"witnessmark/storage/blob/s3"
)

// place says where an installation keeps its data.
type place struct {
	data     string
	postgres string
	s3       s3.Config
	keys     string
	makeKeys bool
	logName  string
}

// placeFlags declares the options that say where the data is. The returned
// function checks them and gives the place.
func placeFlags(f *flags) func() (place, error) {
	data := f.text("data", "FOLDER", "data", "folder of the embedded store, the photos and the log keys")
	postgres := f.text("postgres", "DSN", "", "use PostgreSQL instead of the embedded store; better set in the environment, where the command line does not show the password")
	bucket := f.text("s3-bucket", "NAME", "", "keep photos in this S3 bucket instead of the data folder")
	staging := f.text("s3-staging-bucket", "NAME", "", "another bucket for what is on its way; needed where the first one retains everything by default")
	region := f.text("s3-region", "NAME", "", "region of the bucket")
	endpoint := f.text("s3-endpoint", "URL", "", "address of an S3 server that is not the region's own")
	prefix := f.text("s3-prefix", "TEXT/", "", "put before every key, with a slash at its end")
	path := f.yes("s3-path-style", "name the bucket in the path, as most own S3 servers want it")
	compliance := f.yes("s3-compliance", "retain locked evidence so that nobody can unlock it before its time; only where a contract asks for it")
	keys := f.text("keys", "FOLDER", "", "folder of the log keys (default: keys in the data folder)")
	makeKeys := f.yes("make-keys", "make log keys that are missing, also with PostgreSQL; only where the folder is the only one or shared by all servers")
	logName := f.text("log-name", "NAME", "witnessmark.local", "name of this installation's logs; never changed once something is locked")
	access := f.secret("s3-access-key", "S3 access key; else the machine's own role is used")
	secret := f.secret("s3-secret-key", "S3 secret key")
	return func() (place, error) {
		p := place{data: *data, postgres: *postgres, keys: *keys, logName: *logName,
			s3: s3.Config{Bucket: *bucket, StagingBucket: *staging, Prefix: *prefix, Region: *region, Endpoint: *endpoint, PathStyle: *path, AccessKey: access, SecretKey: secret, Compliance: *compliance}}
		if p.keys == "" && p.data != "" {
			p.keys = filepath.Join(p.data, "keys")
		}
		p.makeKeys = p.postgres == "" || *makeKeys
		return p, p.check()
	}
}

// check refuses what is half set.
func (p place) check() error {
	if p.s3.Bucket == "" {
		for _, o := range []struct {
			set  bool
			name string
		}{
			{p.s3.StagingBucket != "", "--s3-staging-bucket"}, {p.s3.Region != "", "--s3-region"}, {p.s3.Endpoint != "", "--s3-endpoint"}, {p.s3.Prefix != "", "--s3-prefix"},
			{p.s3.PathStyle, "--s3-path-style"}, {p.s3.Compliance, "--s3-compliance"}, {p.s3.AccessKey != "", "WITNESSMARK_S3_ACCESS_KEY"}, {p.s3.SecretKey != "", "WITNESSMARK_S3_SECRET_KEY"},
		} {
			if o.set {
				return usagef("%s is set and --s3-bucket is not: name the bucket, or leave both out to keep photos in the data folder", o.name)
			}
		}
	} else {
		if p.s3.Region == "" {
			return usagef("--s3-bucket is set and --s3-region is not: S3 wants both, also for a server of your own (any word will do there)")
		}
		if (p.s3.AccessKey == "") != (p.s3.SecretKey == "") {
			return usagef("WITNESSMARK_S3_ACCESS_KEY and WITNESSMARK_S3_SECRET_KEY come together: set both or none")
		}
	}
	if p.data == "" && (p.postgres == "" || p.s3.Bucket == "") {
		return usagef("--data is empty: name a folder, or use --postgres and --s3-bucket")
	}
	if p.keys == "" {
		return usagef("--keys is needed where there is no data folder")
	}
	if p.logName == "" || strings.ContainsAny(p.logName, " +/\t\r\n") {
		return usagef("--log-name is %q; it is a word without spaces, slashes and plus signs, best a host name of yours", p.logName)
	}
	return nil
}

// serving is what serve and demo are told about speaking.
type serving struct {
	listen, admin, http string
	publicURL           string
	config              server.Config
	pprof               bool
	jsonLogs, verbose   bool
	retention           time.Duration
}

func servingFlags(f *flags) func() (serving, error) {
	listen := f.text("listen", "ADDRESS", "127.0.0.1:8080", "where to listen")
	cert := f.text("tls-cert", "FILE", "", "certificate chain, PEM; read again when it changes")
	key := f.text("tls-key", "FILE", "", "its private key, PEM")
	acme := f.text("acme-domain", "NAMES", "", "get certificates for these host names (commas between them)")
	acmeMail := f.text("acme-email", "ADDRESS", "", "where the certificate authority may write to")
	acmeDirectory := f.text("acme-directory", "URL", "", "another certificate authority than the default one")
	acmeCache := f.text("acme-cache", "FOLDER", "", "where certificates are kept (default: certificates in the data folder)")
	challenge := f.text("http-listen", "ADDRESS", "", "plain HTTP beside it: answers the ACME challenge and sends on to https")
	public := f.text("public-url", "URL", "", "address that people use, for links and QR codes (default: what --listen says)")
	plain := f.yes("allow-plain-http", "serve everything without TLS beyond this machine: only behind a proxy that ends TLS")
	proxies := f.text("trusted-proxies", "NETWORKS", "", "networks of proxies that may say who called (commas between them), such as 10.0.0.0/8")
	admin := f.text("admin-listen", "ADDRESS", "", "metrics and probes on a listener of their own")
	pprof := f.yes("pprof", "Go's profiles on the admin listener")
	reflection := f.text("reflection", "on|off", "on", "describe the services to signed-in callers")
	issuers := f.text("oidc", "FILE", "", "identity providers whose tokens are taken, JSON")
	logs := f.text("log-format", "text|json", "text", "form of the log lines on the error output")
	verbose := f.yes("verbose", "log more")
	years := f.number("retention-years", "N", 10, "how long locked evidence is retained where the bucket can")
	return func() (serving, error) {
		s := serving{listen: *listen, admin: *admin, http: *challenge, publicURL: strings.TrimRight(*public, "/"), pprof: *pprof, verbose: *verbose, jsonLogs: *logs == "json",
			retention: time.Duration(*years) * 365 * 24 * time.Hour}
		s.config.AllowPlainHTTP = *plain
		s.config.TLS = server.TLS{CertFile: *cert, KeyFile: *key, ACMEHosts: commas(*acme), ACMECache: *acmeCache, ACMEEmail: *acmeMail, ACMEDirectory: *acmeDirectory}
		switch *reflection {
		case "on", "true":
		case "off", "false":
			s.config.NoReflection = true
		default:
			return s, usagef("--reflection is %q; it is on or off", *reflection)
		}
		if *logs != "text" && *logs != "json" {
			return s, usagef("--log-format is %q; it is text or json", *logs)
		}
		if *years < 1 || *years > 100 {
			return s, usagef("--retention-years is %d; it is 1 to 100", *years)
		}
		for _, n := range commas(*proxies) {
			prefix, err := netip.ParsePrefix(n)
			if err != nil {
				return s, usagef("--trusted-proxies: %q is no network such as 10.0.0.0/8", n)
			}
			s.config.TrustedProxies = append(s.config.TrustedProxies, prefix)
		}
		if *issuers != "" {
			var err error
			if s.config.OIDC, err = readIssuers(*issuers); err != nil {
				return s, err
			}
		}
		return s, s.check()
	}
}

func commas(s string) []string {
	var out []string
	for p := range strings.SplitSeq(s, ",") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

func (s serving) tls() bool { return s.config.TLS.CertFile != "" || len(s.config.TLS.ACMEHosts) > 0 }

// check refuses what is half set or contradicts itself.
func (s serving) check() error {
	t := s.config.TLS
	if (t.CertFile == "") != (t.KeyFile == "") {
		return usagef("--tls-cert and --tls-key come together: set both or none")
	}
	if t.CertFile != "" && len(t.ACMEHosts) > 0 {
		return usagef("--tls-cert and --acme-domain exclude each other: the certificate is either given or fetched")
	}
	if len(t.ACMEHosts) == 0 && (t.ACMEEmail != "" || t.ACMEDirectory != "" || t.ACMECache != "") {
		return usagef("an --acme option is set and --acme-domain is not: name the hosts to get certificates for")
	}
	if s.config.AllowPlainHTTP && s.tls() {
		return usagef("--allow-plain-http and TLS exclude each other")
	}
	if s.http != "" && !s.tls() {
		return usagef("--http-listen sends people on to https: it needs --tls-cert or --acme-domain")
	}
	if s.pprof && s.admin == "" {
		return usagef("--pprof needs --admin-listen: profiles are not for strangers")
	}
	for _, a := range []struct{ name, value string }{{"--listen", s.listen}, {"--admin-listen", s.admin}, {"--http-listen", s.http}} {
		if a.value == "" && a.name != "--listen" {
			continue
		}
		if _, _, err := net.SplitHostPort(a.value); err != nil {
			return usagef("%s is %q; it is an address with a port, such as 127.0.0.1:8080 or :443", a.name, a.value)
		}
	}
	if s.publicURL != "" {
		u, err := url.Parse(s.publicURL)
		if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" || u.Path != "" {
			return usagef("--public-url is %q; it is an address without a path, such as https://tower.example.com", s.publicURL)
		}
	}
	return nil
}

// address is what people type to reach a listener.
func (s serving) address(l net.Addr) string {
	if s.publicURL != "" {
		return s.publicURL
	}
	if len(s.config.TLS.ACMEHosts) > 0 {
		return "https://" + s.config.TLS.ACMEHosts[0]
	}
	scheme := "http"
	if s.tls() {
		scheme = "https"
	}
	host, port, err := net.SplitHostPort(l.String())
	if err != nil {
		return fmt.Sprintf("%s://%s", scheme, l)
	}
	if ip := net.ParseIP(host); host == "" || (ip != nil && ip.IsUnspecified()) {
		host = "localhost"
		if name, err := os.Hostname(); err == nil && s.tls() {
			host = name
		}
	}
	return scheme + "://" + net.JoinHostPort(host, port)
}
