package server_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/binary"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	_ "google.golang.org/grpc/encoding/gzip" // compressed messages, which a stranger may send
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"google.golang.org/genproto/googleapis/rpc/errdetails"

	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

func minimalPlan() *recordv1.Plan { return proceduretest.Plan() }

// inside is what no answer to a stranger holds: stacks, statements, files of the machine.
var inside = regexp.MustCompile(`goroutine \d|\.go:\d+|(?i)\b(select|insert|update) .{0,40}\b(from|into|set)\b.*(\$1|where)|/tmp/|/home/|sqlite|pgx|SQLSTATE|runtime error`)

// do sends a request and reads the answer whole.
func do(t *testing.T, rt http.RoundTripper, req *http.Request) (int, string, http.Header) {
	t.Helper()
	resp, err := rt.RoundTrip(req)
	if err != nil {
		t.Fatalf("%s %s: %v", req.Method, req.URL, err)
	}
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatalf("%s %s: %v", req.Method, req.URL, err)
	}
	if err := resp.Body.Close(); err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode >= 400 {
		if m := inside.Find(b); m != nil {
			t.Errorf("%s %s: the error tells %q; want nothing from within", req.Method, req.URL, m)
		}
	}
	return resp.StatusCode, string(b), resp.Header
}

// post is a Connect call with JSON, changed as a stranger likes.
func (x *target) post(t *testing.T, rpc, body string, change ...func(*http.Request)) (int, string, http.Header) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, x.URL+rpc, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Connect-Protocol-Version", "1")
	for _, c := range change {
		c(req)
	}
	return do(t, http.DefaultTransport, req)
}

func header(k string, vs ...string) func(*http.Request) {
	return func(r *http.Request) {
		for _, v := range vs {
			r.Header.Add(k, v)
		}
	}
}

const (
	identityRPC = witnessmarkv1.DeviceService_GetIdentity_FullMethodName
	openRPC     = witnessmarkv1.GrantService_OpenShareLink_FullMethodName
)

func TestCredentialCountsInItsPlaceOnly(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	office, climber := x.a.Office.Token, x.a.Climber.Token
	for name, c := range map[string]func(*http.Request){
		"in the query": func(r *http.Request) {
			r.URL.RawQuery = "access_token=" + office + "&authorization=Bearer+" + office + "&token=" + office
		},
		"in another header":           header("X-Authorization", "Bearer "+office),
		"in a proxy's header":         header("Proxy-Authorization", "Bearer "+office),
		"in metadata of a gateway":    header("Grpc-Metadata-Authorization", "Bearer "+office),
		"in a binary header":          header("Authorization-Bin", "Bearer "+office),
		"by another scheme":           header("Authorization", "Basic "+office),
		"without a scheme":            header("Authorization", office),
		"with something behind it":    header("Authorization", "Bearer "+office+" x"),
		"two in one":                  header("Authorization", "Bearer "+office+",Bearer "+climber),
		"twice":                       header("Authorization", "Bearer "+office, "Bearer "+office),
		"in a cookie of another name": header("Cookie", "session="+office),
		"in a cookie of another case": header("Cookie", "Witnessmark_Session="+office),
		"in the trailer": func(r *http.Request) {
			r.ContentLength = -1
			r.Trailer = http.Header{"Authorization": {"Bearer " + office}}
		},
		"cut short": header("Authorization", "Bearer "+office[:len(office)-1]),
		"longer":    header("Authorization", "Bearer "+office+"A"),
		"malformed beside a good cookie": func(r *http.Request) {
			header("Authorization", "Bearer")(r)
			header("Cookie", "witnessmark_session="+office)(r)
		},
		"wrong beside a good cookie": func(r *http.Request) {
			header("Authorization", "Bearer "+strings.Repeat("A", 43))(r)
			header("Cookie", "witnessmark_session="+office)(r)
		},
		"nowhere, with names in headers": func(r *http.Request) { names(r) },
	} {
		if code, body, _ := x.post(t, identityRPC, `{}`, c); code != http.StatusUnauthorized {
			t.Errorf("a token %s: %d %.120s; want 401", name, code, body)
		}
	}
	if code, body, _ := x.post(t, identityRPC, `{"token":"`+office+`"}`); code == http.StatusOK {
		t.Errorf("a token in the body: %d %.120s; want a refusal", code, body)
	}
	// Names in headers change nothing for who has a credential, in any protocol.
	who := func(body string) string {
		var v struct{ Person struct{ Name string } }
		if err := json.Unmarshal([]byte(body), &v); err != nil {
			t.Errorf("answer %.200s: %v", body, err)
		}
		return v.Person.Name
	}
	for name, c := range map[string][]func(*http.Request){
		"by bearer":                    {header("Authorization", "Bearer "+climber), names},
		"by cookie":                    {header("Cookie", "witnessmark_session="+climber), names},
		"by bearer beside a cookie":    {header("Authorization", "Bearer "+climber), header("Cookie", "witnessmark_session="+office)},
		"with the office in the query": {header("Authorization", "bearer "+climber), func(r *http.Request) { r.URL.RawQuery = "access_token=" + office }},
	} {
		if code, body, _ := x.post(t, identityRPC, `{}`, c...); code != http.StatusOK || who(body) != "people/climber" {
			t.Errorf("%s: %d %.120s; want the climber", name, code, body)
		}
	}
	if code, body, _ := x.fetch(t, "GET", "/v1/identity", climber, names); code != http.StatusOK || who(body) != "people/climber" {
		t.Errorf("by REST: %d %.120s; want the climber", code, body)
	}
	ctx := metadata.AppendToOutgoingContext(servertest.Bearer(t.Context(), climber), "x-user", "people/office", "x-organization", "ridge-crew-2", "x-forwarded-user", "office", "grpc-metadata-authorization", "Bearer "+office, "authorization-bin", office)
	out := &witnessmarkv1.Identity{}
	if err := x.Conn(t).Invoke(ctx, identityRPC, &witnessmarkv1.GetIdentityRequest{}, out); err != nil || out.GetPerson().GetName() != "people/climber" || out.GetOrganization() != "organizations/ridge-crew" {
		t.Errorf("by gRPC: %v %v; want the climber of ridge-crew", out, err)
	}
	ctx = metadata.AppendToOutgoingContext(servertest.Bearer(t.Context(), climber), "authorization", "Bearer "+office)
	if err := x.Conn(t).Invoke(ctx, identityRPC, &witnessmarkv1.GetIdentityRequest{}, out); status.Code(err) != codes.Unauthenticated {
		t.Errorf("two authorization headers by gRPC: %v; want UNAUTHENTICATED", err)
	}
	// gRPC-Web: one frame, flags 0, no bytes.
	code, body, h := x.post(t, identityRPC, "\x00\x00\x00\x00\x00", func(r *http.Request) {
		r.Header.Set("Content-Type", "application/grpc-web+proto")
		r.Header.Del("Connect-Protocol-Version")
		names(r)
	})
	if all := body + fmt.Sprint(h); code != http.StatusOK || !strings.Contains(strings.ToLower(all), "grpc-status") || !strings.Contains(all, "16") {
		t.Errorf("gRPC-Web with names in headers only: %d %q; want grpc-status 16", code, all)
	}
}

// names fills every header in which other servers expect a person.
func names(r *http.Request) {
	for _, k := range []string{"X-User", "X-User-Id", "X-Person", "X-Organization", "X-Tenant", "X-Role", "X-Roles", "X-Forwarded-User", "X-Remote-User", "Remote-User", "X-Authenticated-User", "X-Device", "Witnessmark-Person", "Witnessmark-Organization", "Grpc-Metadata-Person", "Impersonate-User"} {
		r.Header.Set(k, "people/office")
	}
	r.Header.Set("X-Forwarded-For", "127.0.0.1")
	r.Header.Set("X-Forwarded-Proto", "https")
	r.Header.Set("Forwarded", "for=127.0.0.1;proto=https")
}

func TestPagesOfOtherSitesCannotUseTheCookie(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	cookie := header("Cookie", "witnessmark_session="+x.a.Office.Token)
	create := `{"person":{"name":"people/planted","title":"Planted","roles":["OFFICE"]}}`
	rpc := witnessmarkv1.PeopleService_CreatePerson_FullMethodName
	for name, c := range map[string]func(*http.Request){
		"by Origin":         header("Origin", "https://evil.example"),
		"by a null origin":  header("Origin", "null"),
		"by Sec-Fetch-Site": header("Sec-Fetch-Site", "cross-site"),
		"by a sibling":      header("Sec-Fetch-Site", "same-site"),
		"by another port":   header("Origin", "http://127.0.0.1:1"),
		"as a form": func(r *http.Request) {
			r.Header.Set("Content-Type", "text/plain")
			r.Header.Set("Origin", "https://evil.example")
		},
		"as gRPC-Web": func(r *http.Request) {
			r.Header.Set("Content-Type", "application/grpc-web+json")
			r.Header.Set("Origin", "https://evil.example")
		},
	} {
		if code, body, _ := x.post(t, rpc, create, cookie, c); code != http.StatusForbidden {
			t.Errorf("a POST %s: %d %.120s; want 403", name, code, body)
		}
	}
	// By GET, with the method told otherwise: nothing is changed by a GET.
	for name, c := range map[string]func(*http.Request){
		"X-Http-Method-Override": header("X-Http-Method-Override", "POST"),
		"X-Method-Override":      header("X-Method-Override", "POST"),
		"_method":                func(r *http.Request) { r.URL.RawQuery = "_method=POST" },
		"Connect's GET": func(r *http.Request) {
			r.URL.RawQuery = "connect=v1&encoding=json&message=" + strings.ReplaceAll(create, `"`, "%22")
		},
	} {
		for _, p := range []string{rpc, "/v1/people"} {
			code, body, _ := x.fetch(t, http.MethodGet, p, "", cookie, c)
			if code == http.StatusOK && !strings.Contains(body, `"people"`) {
				t.Errorf("GET %s with %s: %d %.120s; want no change", p, name, code, body)
			}
		}
	}
	if _, err := x.a.Office.People.GetPerson(t.Context(), &witnessmarkv1.GetPersonRequest{Name: "people/planted"}); status.Code(err) != codes.NotFound {
		t.Errorf("the planted person: %v; want NOT_FOUND", err)
	}
}

// A token that was there before somebody signs in never becomes his.
func TestSessionIsNewAtEverySignIn(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	planted := strings.Repeat("F", 43)
	code := x.code(t, x.a, "climber", time.Hour)
	st, body, h := x.post(t, witnessmarkv1.DeviceService_Enroll_FullMethodName, `{"code":"`+code+`","cookie":true}`, header("Cookie", "witnessmark_session="+planted))
	set := h.Get("Set-Cookie")
	if st != http.StatusOK || set == "" || strings.Contains(set, planted) {
		t.Fatalf("sign in beside a planted cookie: %d %.80s, cookie %.40q; want a new one", st, body, set)
	}
	for _, want := range []string{"HttpOnly", "SameSite=Lax", "Path=/"} {
		if !strings.Contains(set, want) {
			t.Errorf("the cookie has no %s", want)
		}
	}
	token, _, _ := strings.Cut(strings.TrimPrefix(set, "witnessmark_session="), ";")
	x.log.secret(token)
	if st, _, _ := x.post(t, identityRPC, `{}`, header("Cookie", "witnessmark_session="+planted)); st != http.StatusUnauthorized {
		t.Errorf("the planted token afterwards: %d; want 401", st)
	}
	if st, _, _ := x.post(t, identityRPC, `{}`, header("Cookie", "witnessmark_session="+token)); st != http.StatusOK {
		t.Errorf("the new token: %d; want 200", st)
	}
	if st, _, _ := x.post(t, witnessmarkv1.DeviceService_SignOut_FullMethodName, `{}`, header("Cookie", "witnessmark_session="+token)); st != http.StatusOK {
		t.Errorf("sign out: %d; want 200", st)
	}
	if st, _, _ := x.post(t, identityRPC, `{}`, header("Cookie", "witnessmark_session="+token)); st != http.StatusUnauthorized {
		t.Errorf("the token after signing out: %d; want 401", st)
	}
}

// raw writes bytes to the server and returns the first line of its answer and
// what follows.
func (x *target) raw(t *testing.T, text string) (string, string) {
	t.Helper()
	c, err := net.Dial("tcp", x.Address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }() // the answer was read
	if err := c.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, text); err != nil {
		return "", ""
	}
	r := bufio.NewReader(c)
	line, err := r.ReadString('\n')
	if err != nil {
		return "", ""
	}
	rest, _ := io.ReadAll(io.LimitReader(r, 1<<20)) // as far as it came
	return strings.TrimSpace(line), string(rest)
}

func TestPathTricks(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	job, _ := x.sealedJob(t, "mine", x.a.Site, 1)
	x.b.Job(t, "theirs")
	for _, p := range []string{
		"/jobs/../healthz", "/jobs/mine/../theirs/report", "/jobs/..%2ftheirs/report", "/jobs/%2e%2e/report", "/jobs/mine%2f..%2ftheirs/report", "/jobs/mine%00/report", "/jobs/%00/report",
		"/jobs/" + strings.Repeat("a", 5000) + "/report", "/jobs/m%C3%AFne/report", "/jobs/%F0%9F%97%BC/report", "/jobs/%ff%fe/report", "/jobs/mine%0d%0aX-Evil:1/report", "/jobs/mine/photos/..%2f..%2f..%2fetc%2fpasswd",
		"/jobs/mine/photos/" + strings.Repeat("0", 64) + "?size=-1", "/jobs/mine/photos/" + strings.Repeat("0", 64) + "?size=99999999999999999999", "/jobs/mine/photos/" + strings.Repeat("G", 64), "/jobs/mine/photos/" + strings.Repeat("0", 63),
		"/jobs//report", "//jobs/mine/report", "/jobs/mine//report", "/jobs/mine/report/", "/jobs/mine/report;x", "/jobs/mine/report%3fx", "/jobs/theirs/report", "/jobs/theirs/package.zip",
		"/v1/jobs/..%2ftheirs", "/v1/jobs/theirs/view", "/v1/jobs/mine%2fview", "/v1/jobs/%00", "/v1/people/..", "/v1/../jobs/theirs/report", "/v1/jobs/" + strings.Repeat("a", 5000),
		"/assets/../../../etc/passwd", "/assets/..%2f..%2fetc/passwd", "/..%5c..%5cetc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/.git/config", "/index.html/../../x", "http://evil.example/jobs/theirs/report",
	} {
		line, rest := x.raw(t, "GET "+p+" HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+x.a.Office.Token+"\r\nConnection: close\r\n\r\n")
		head, body, _ := strings.Cut(rest, "\r\n\r\n")
		if !strings.HasPrefix(line, "HTTP/1.1 ") || strings.HasPrefix(line, "HTTP/1.1 5") {
			t.Errorf("GET %.80s: %q; want an answer that is no server's fault", p, line)
		}
		if strings.Contains(strings.ToLower(head), "x-evil") {
			t.Errorf("GET %.80s: a header was planted", p)
		}
		if strings.Contains(body, "root:") || strings.Contains(body, "Job theirs") || strings.Contains(body, "Company ridge-crew-2") {
			t.Errorf("GET %.80s: %.200s; want nothing of the machine or of another", p, body)
		}
		if strings.HasPrefix(line, "HTTP/1.1 200") && strings.Contains(p, "theirs") && !strings.Contains(p, "/report/") && !strings.Contains(body, "<!doctype html") && !strings.Contains(body, "<!DOCTYPE html") {
			t.Errorf("GET %.80s: 200 %.100s; want no job of another", p, body)
		}
		if m := inside.FindString(body); m != "" && strings.HasPrefix(line, "HTTP/1.1 4") {
			t.Errorf("GET %.80s: the error tells %q", p, m)
		}
	}
	for name, text := range map[string]string{
		"two lengths":              "POST " + openRPC + " HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
		"length and chunks":        "POST " + openRPC + " HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n0\r\n\r\n",
		"a header folded":          "GET / HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer\r\n x\r\nConnection: close\r\n\r\n",
		"a space before the colon": "GET / HTTP/1.1\r\nHost: x\r\nAuthorization : Bearer x\r\n\r\n",
		"no host":                  "GET / HTTP/1.1\r\n\r\n",
		"two hosts":                "GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
		"a NUL in a header":        "GET / HTTP/1.1\r\nHost: x\r\nX: a\x00b\r\n\r\n",
		"negative length":          "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
		"an unknown encoding":      "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: gzip, identity\r\n\r\n",
		"no HTTP":                  "\x16\x03\x01\x00\x05hello\r\n\r\n",
		"a header line of 200 KiB": "GET /healthz HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("a", 200<<10) + "\r\n\r\n",
		"ten thousand headers":     "GET /healthz HTTP/1.1\r\nHost: x\r\n" + strings.Repeat("X: a\r\n", 20_000) + "\r\n",
		"a path of 200 KiB":        "GET /" + strings.Repeat("a", 200<<10) + " HTTP/1.1\r\nHost: x\r\n\r\n",
	} {
		line, rest := x.raw(t, text)
		if name == "length and chunks" || name == "a header folded" { // allowed, as long as it is one request
			if strings.Contains(rest, "HTTP/1.1 ") {
				t.Errorf("%s: two answers to one request", name)
			}
			continue
		}
		if line != "" && !strings.HasPrefix(line, "HTTP/1.1 4") && !strings.HasPrefix(line, "HTTP/1.1 5") {
			t.Errorf("%s: %q; want a refusal", name, line)
		}
		if strings.HasPrefix(line, "HTTP/1.1 500") {
			t.Errorf("%s: %q; want the caller's fault", name, line)
		}
	}
	if _, err := x.a.Office.Jobs.GetJob(t.Context(), &witnessmarkv1.GetJobRequest{Name: job}); err != nil {
		t.Errorf("the server afterwards: %v", err)
	}
}

func TestMalformedMessages(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	auth := header("Authorization", "Bearer "+x.a.Office.Token)
	submit := witnessmarkv1.JobService_SubmitEntries_FullMethodName
	x.a.Job(t, "j1")
	deep := func(n int) string {
		return strings.Repeat(`{"a":`, n) + "1" + strings.Repeat("}", n)
	}
	for name, body := range map[string]string{
		"nested a hundred thousand deep": deep(100_000),
		"nested lists":                   `{"entries":` + strings.Repeat("[", 100_000) + strings.Repeat("]", 100_000) + `}`,
		"a huge number":                  `{"job":"jobs/j1","unsentCount":"99999999999999999999999999"}`,
		"a number of a million digits":   `{"job":"jobs/j1","unsentCount":` + strings.Repeat("9", 1_000_000) + `}`,
		"an exponent":                    `{"job":"jobs/j1","unsentCount":1e999999999}`,
		"NaN":                            `{"job":"jobs/j1","unsentCount":NaN}`,
		"invalid UTF-8":                  "{\"job\":\"jobs/\xff\xfe\"}",
		"a lone surrogate":               `{"job":"jobs/\ud800"}`,
		"a NUL":                          `{"job":"jobs/\u0000"}`,
		"an unknown enum":                `{"job":"jobs/j1","entries":[{"entry":{"acknowledged":{"person":"people/x","fitness":"SUPERHUMAN"}}}]}`,
		"an unknown member":              `{"job":"jobs/j1","admin":true}`,
		"a member twice":                 `{"job":"jobs/j1","job":"jobs/j2"}`,
		"two kinds":                      `{"job":"jobs/j1","entries":[{"entry":{"note":{"text":"a"},"finished":{}}}]}`,
		"a list":                         `[]`,
		"half an object":                 `{"job":"jobs/j1"`,
		"something behind":               `{"job":"jobs/j1"}{}`,
		"no JSON":                        "\x00\x01\x02",
		"too many entries":               `{"job":"jobs/j1","entries":[` + strings.TrimSuffix(strings.Repeat(`{},`, 2000), ",") + `]}`,
		"a time out of range":            `{"job":"jobs/j1","entries":[{"entry":{"deviceTime":"99999-01-01T00:00:00Z"}}]}`,
	} {
		began := time.Now()
		code, answer, _ := x.post(t, submit, body, auth)
		if code < 400 || code >= 500 {
			t.Errorf("%s: %d %.200s; want the caller's mistake", name, code, answer)
		}
		if took := time.Since(began); took > 20*time.Second {
			t.Errorf("%s took %v", name, took)
		}
	}
	// As protobuf, by gRPC frames in one Connect call and by the client.
	for name, b := range map[string][]byte{
		"a group without end":    {0x0b},
		"a length past the end":  {0x0a, 0xff, 0xff, 0xff, 0xff, 0x07},
		"field number 0":         {0x00, 0x01},
		"invalid UTF-8":          {0x0a, 0x02, 0xff, 0xfe},
		"wire type 7":            {0x0f},
		"nested twenty thousand": nested(20_000),
	} {
		code, answer, _ := x.post(t, submit, string(b), auth, func(r *http.Request) { r.Header.Set("Content-Type", "application/proto") })
		if code < 400 || code >= 500 {
			t.Errorf("%s as protobuf: %d %.200s; want the caller's mistake", name, code, answer)
		}
	}
}

// nested is a message in a message in …, in a field that groups may nest in.
func nested(n int) []byte {
	var b []byte
	for range n {
		b = append(append(binary.AppendUvarint([]byte{0x12}, uint64(len(b))), b...), nil...)
		if len(b) > 1<<20 {
			break
		}
	}
	return b
}

func TestCompressionBombsAndOversizedMessages(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	var bomb bytes.Buffer
	z, err := gzip.NewWriterLevel(&bomb, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(z, `{"secret":"`); err != nil {
		t.Fatal(err)
	}
	for range 512 {
		if _, err := z.Write(bytes.Repeat([]byte("a"), 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	// A buffer that doubles as it grows allocates a few times what it ends with.
	var before, after runtime.MemStats
	frugal := func(what string) {
		t.Helper()
		runtime.ReadMemStats(&after)
		if grew, bound := int64(after.TotalAlloc-before.TotalAlloc), int64(16*server.MaxMessage); grew > bound {
			t.Errorf("half a GiB %s made the process allocate %d MiB; want at most %d", what, grew>>20, bound>>20)
		}
		runtime.ReadMemStats(&before)
	}
	runtime.ReadMemStats(&before)
	for _, media := range []string{"application/json", "application/proto"} {
		code, body, _ := x.post(t, openRPC, bomb.String(), func(r *http.Request) { r.Header.Set("Content-Type", media); r.Header.Set("Content-Encoding", "gzip") })
		if code < 400 || code >= 500 {
			t.Errorf("half a GiB out of %d KiB as %s: %d %.120s; want a refusal", bomb.Len()>>10, media, code, body)
		}
		frugal("as " + media)
	}
	frame := append(binary.BigEndian.AppendUint32([]byte{1}, uint32(bomb.Len())), bomb.Bytes()...)
	_, body, h := x.post(t, openRPC, string(frame), func(r *http.Request) {
		r.Header.Set("Content-Type", "application/grpc-web+proto")
		r.Header.Set("Grpc-Encoding", "gzip")
	})
	if all := strings.ToLower(body + fmt.Sprint(h)); !regexp.MustCompile(`grpc-status[^0-9]{1,4}(3|8|12|13)`).MatchString(all) {
		t.Errorf("the bomb by gRPC-Web: %.300q; want a refusal", all)
	}
	frugal("by gRPC-Web")
	err = x.Conn(t).Invoke(t.Context(), openRPC, &witnessmarkv1.OpenShareLinkRequest{Secret: strings.Repeat("a", 32<<20)}, &witnessmarkv1.OpenShareLinkResponse{}, grpc.UseCompressor("gzip"), grpc.MaxCallSendMsgSize(1<<30))
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("32 MiB by compressed gRPC: %.200v; want RESOURCE_EXHAUSTED", err)
	}
	// At the bound and past it.
	auth := header("Authorization", "Bearer "+x.a.Office.Token)
	check := witnessmarkv1.SetupService_CheckProcedure_FullMethodName
	conn := x.Conn(t)
	ctx := servertest.Bearer(t.Context(), x.a.Office.Token)
	for size, want := range map[int]codes.Code{server.MaxMessage - 64: codes.InvalidArgument, server.MaxMessage + 1: codes.ResourceExhausted} {
		err := conn.Invoke(ctx, check, &witnessmarkv1.CheckProcedureRequest{Document: bytes.Repeat([]byte("#"), size)}, &witnessmarkv1.CheckProcedureResponse{}, grpc.MaxCallSendMsgSize(1<<30))
		if c := status.Code(err); c != want && !(want == codes.InvalidArgument && c == codes.OK) {
			t.Errorf("a message of %d bytes by gRPC: %.200v; want %v", size, err, want)
		}
	}
	for _, size := range []int{server.MaxMessage + 1, 3 * server.MaxMessage} {
		if code, body, _ := x.post(t, check, `{"document":"`+strings.Repeat("A", size)+`"}`, auth); code < 400 || code >= 500 {
			t.Errorf("%d bytes of JSON by Connect: %d %.200s; want a refusal", size, code, body)
		}
		if code, body, _ := x.post(t, "/v1/procedures:check", `{"document":"`+strings.Repeat("A", size)+`"}`, auth, func(r *http.Request) { r.Header.Del("Connect-Protocol-Version") }); code < 400 || code >= 500 {
			t.Errorf("%d bytes of JSON by REST: %d %.200s; want a refusal", size, code, body)
		}
	}
}

func TestFloodIsAnsweredQuicklyAndHealthStands(t *testing.T) {
	x := attack(t, "sqlite", server.Config{ByIdentity: server.Rate{PerSecond: 20, Burst: 40}, ByAddress: server.Rate{PerSecond: 100, Burst: 300}, Anonymous: server.Rate{PerSecond: 5, Burst: 30}})
	ctx := servertest.Bearer(t.Context(), x.a.Climber.Token)
	conn := x.Conn(t)
	busy := 0
	for range 400 {
		err := conn.Invoke(ctx, identityRPC, &witnessmarkv1.GetIdentityRequest{}, &witnessmarkv1.Identity{})
		if status.Code(err) != codes.ResourceExhausted {
			continue
		}
		busy++
		ri, ok := detail[*errdetails.RetryInfo](err)
		if !ok || ri.GetRetryDelay().AsDuration() <= 0 || reason(t, err) != "RATE_LIMITED" {
			t.Fatalf("too many calls: %v, advice %v; want RATE_LIMITED with a time to wait", err, ri)
		}
	}
	if busy < 100 {
		t.Errorf("of 400 calls at once %d were put off; want most", busy)
	}
	var hasty http.Header
	for range 400 {
		code, _, h := x.fetch(t, "GET", "/jobs/none/report", x.a.Climber.Token)
		if code == http.StatusTooManyRequests {
			hasty = h
		}
	}
	if hasty.Get("Retry-After") == "" {
		t.Error("a flood of downloads was never put off with Retry-After")
	}
	for range 20 {
		if code, body, _ := x.fetch(t, "GET", "/healthz", ""); code != http.StatusOK {
			t.Fatalf("/healthz in the flood: %d %.100s; want 200", code, body)
		}
		if code, body, _ := x.fetch(t, "GET", "/readyz", ""); code != http.StatusOK {
			t.Fatalf("/readyz in the flood: %d %.100s; want 200", code, body)
		}
		r, err := healthv1.NewHealthClient(conn).Check(t.Context(), &healthv1.HealthCheckRequest{})
		if err != nil || r.GetStatus() != healthv1.HealthCheckResponse_SERVING {
			t.Fatalf("gRPC health in the flood: %v %v; want SERVING", r.GetStatus(), err)
		}
	}
}

func TestSlowHeadersAndManyConnections(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for the header's time to run out")
	}
	x := attack(t, "sqlite", server.Config{})
	var conns []net.Conn
	for range 300 {
		c, err := net.Dial("tcp", x.Address)
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
		if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: "); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := x.a.Climber.Devices.GetIdentity(t.Context(), &witnessmarkv1.GetIdentityRequest{}); err != nil {
		t.Errorf("a call beside 300 slow connections: %v", err)
	}
	late := 0
	deadline := time.Now().Add(20 * time.Second)
	for _, c := range conns {
		if err := c.SetReadDeadline(deadline); err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, c); err != nil {
			if ne, ok := err.(net.Error); ok && ne.Timeout() {
				late++
			}
		}
		_ = c.Close() // the server has closed it
	}
	if late > 0 {
		t.Errorf("%d of 300 connections that never finished their header were still open after 20 s", late)
	}
}

// beyond is an address of the local network, as the connection tells it.
type beyond struct{}

func (beyond) Network() string { return "tcp" }
func (beyond) String() string  { return "192.0.2.10:8080" }

func TestPlainHTTPBeyondTheMachineServesHelpOnly(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ask := func(method, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, strings.NewReader("{}"))
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(beyond{})))
		r.RemoteAddr = "192.0.2.77:5555"
		for _, c := range change {
			c(r)
		}
		w := httptest.NewRecorder()
		x.Server.Server.Handler().ServeHTTP(w, r)
		return w
	}
	if w := ask("GET", "/"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "https") {
		t.Errorf("GET / = %d %.80s; want the page of help", w.Code, w.Body)
	}
	job := x.a.Job(t, "j1")
	auth := header("Authorization", "Bearer "+x.a.Office.Token)
	for _, p := range []string{"/v1/jobs", "/" + job + "/report", "/" + job + "/package.zip", identityRPC, openRPC, "/openapi.json", "/index.html", "/assets/x.js", "/v1/identity", "//", "/./", "/%2e/", "/sw.js"} {
		for _, m := range []string{"GET", "POST", "HEAD", "PUT", "OPTIONS"} {
			for _, c := range []func(*http.Request){func(*http.Request) {}, header("X-Forwarded-Proto", "https"), header("X-Forwarded-For", "127.0.0.1"), header("Host", "localhost"), header("Forwarded", "proto=https;for=127.0.0.1"),
				func(r *http.Request) { r.Host = "127.0.0.1" }, func(r *http.Request) { r.URL.Scheme, r.URL.Host = "https", "127.0.0.1" }} {
				w := ask(m, p, auth, c)
				if w.Code != http.StatusForbidden || strings.Contains(w.Body.String(), "ridge-crew") || !strings.Contains(w.Body.String(), "SECURE_CONNECTION_NEEDED") {
					t.Errorf("%s %s beyond loopback = %d %.100s; want 403 SECURE_CONNECTION_NEEDED", m, p, w.Code, w.Body)
				}
			}
		}
	}
}

// certificate writes a certificate for 127.0.0.1 with a serial number of its own.
func certificate(t *testing.T, dir string, serial int64) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	kb, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for f, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: kb}} {
		if err := os.WriteFile(f, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(c)
	return cert, key, pool
}

func TestTLSIsNotDowngradedAndFollowsItsFiles(t *testing.T) {
	dir := t.TempDir()
	cert, key, pool := certificate(t, dir, 1)
	s := servertest.Start(t, servertest.Options{Config: server.Config{TLS: server.TLS{CertFile: cert, KeyFile: key}}})
	shake := func(c *tls.Config) (*tls.ConnectionState, error) {
		conn, err := tls.Dial("tcp", s.Address, c)
		if err != nil {
			return nil, err
		}
		defer func() { _ = conn.Close() }() // only the handshake was wanted
		st := conn.ConnectionState()
		return &st, nil
	}
	for _, v := range []uint16{tls.VersionTLS10, tls.VersionTLS11} { // deprecated by RFC 8996
		if _, err := shake(&tls.Config{RootCAs: pool, MinVersion: v, MaxVersion: v}); err == nil {
			t.Errorf("%s was accepted; want it refused", tls.VersionName(v))
		}
	}
	for _, v := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
		if _, err := shake(&tls.Config{RootCAs: pool, MinVersion: v, MaxVersion: v}); err != nil {
			t.Errorf("%s: %v; want a handshake", tls.VersionName(v), err)
		}
	}
	for _, suite := range tls.InsecureCipherSuites() {
		if _, err := shake(&tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS12, CipherSuites: []uint16{suite.ID}}); err == nil {
			t.Errorf("the weak suite %s was accepted", suite.Name)
		}
	}
	c, err := net.Dial("tcp", s.Address)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, "GET /v1/jobs HTTP/1.1\r\nHost: x\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	answer, _ := io.ReadAll(c) // as far as it came
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	if len(answer) > 0 && !strings.HasPrefix(string(answer), "HTTP/1.0 400") {
		t.Errorf("plain HTTP on the TLS port: %.80q; want a refusal", answer)
	}
	if testing.Short() {
		return
	}
	// A half-copied key leaves the old certificate; a whole pair takes its place.
	if err := os.WriteFile(key, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(5100 * time.Millisecond) // files are looked at every five seconds
	if st, err := shake(&tls.Config{RootCAs: pool}); err != nil || st.PeerCertificates[0].SerialNumber.Int64() != 1 {
		t.Errorf("with a broken key file: %v; want the certificate so far", err)
	}
	_, _, renewed := certificate(t, dir, 2)
	time.Sleep(5100 * time.Millisecond)
	if st, err := shake(&tls.Config{RootCAs: renewed}); err != nil || st.PeerCertificates[0].SerialNumber.Int64() != 2 {
		t.Errorf("after the renewal: %v; want the new certificate", err)
	}
}

// serve asks a handler and returns the status.
func serve(h http.Handler, url string) int {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, url, nil))
	return w.Code
}
