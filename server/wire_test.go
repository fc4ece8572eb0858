package server_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"connectrpc.com/connect"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/client"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

func in(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(time.Now().Add(d)) }

// rest does a plain request and returns status, body and headers.
func rest(tb testing.TB, method, url, token, body string, header ...string) (int, string, http.Header) {
	tb.Helper()
	r, err := http.NewRequestWithContext(tb.Context(), method, url, strings.NewReader(body))
	if err != nil {
		tb.Fatal(err)
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	resp, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		tb.Fatalf("%s %s: %v", method, url, err)
	}
	defer func() { _ = resp.Body.Close() }()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		tb.Fatalf("%s %s: %v", method, url, err)
	}
	return resp.StatusCode, string(b), resp.Header
}

// Each bad entry gets its own reason, and the good one beside it is stored.
func TestBadEntriesAreRefusedEachWithItsReason(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	other := o.Job(t, "j2")
	foreign := s.Organization(t, "valley-crew").Climber
	revoked := o.SignIn(t, "climber", "CLIMBER")
	revokedChain := revoked.Chain(t, job)
	late := servertest.Sign(t, revokedChain, servertest.Note("signed before, sent after"))
	if _, err := o.Lead.Devices.RevokeDevice(t.Context(), &witnessmarkv1.RevokeDeviceRequest{Name: revoked.Device.Name, Reason: "lost"}); err != nil {
		t.Fatal(err)
	}
	mine := func() *client.Chain { return o.Climber.Chain(t, job) }
	signed := func(e *recordv1.Entry) func() *witnessmarkv1.SubmittedEntry {
		return func() *witnessmarkv1.SubmittedEntry { return servertest.Sign(t, mine(), e) }
	}
	bytesOf := func(change func([]byte) []byte) func() *witnessmarkv1.SubmittedEntry {
		return func() *witnessmarkv1.SubmittedEntry {
			e := servertest.Sign(t, mine(), servertest.Note("text"))
			e.Payload = change(e.Payload)
			sig, err := seal.Sign(o.Climber.Device.Key, seal.EntryType, e.Payload)
			if err != nil {
				t.Fatal(err)
			}
			e.Signature = sig
			return e
		}
	}
	torque := func(unit recordv1.Measure_Unit, typed string) *recordv1.Entry {
		return &recordv1.Entry{Step: "connection:A1-top/couple/torque", Kind: &recordv1.Entry_TorqueApplied{TorqueApplied: &recordv1.TorqueApplied{Typed: typed, Value: 25, Unit: unit, Tool: o.Instruments["torque-wrench"]}}}
	}
	for _, tc := range []struct {
		name   string
		entry  func() *witnessmarkv1.SubmittedEntry
		reason string
	}{
		{"a step that the job does not have", signed(&recordv1.Entry{Step: "line:A9/test/return-loss", Kind: servertest.Note("x").GetKind()}), "STEP_UNKNOWN"},
		{"a torque in decibels", signed(torque(recordv1.Measure_DECIBELS, "25 dB")), ""},
		{"a torque on a step that asks for a photo", signed(&recordv1.Entry{Step: "connection:A1-top/couple/photos", Kind: torque(recordv1.Measure_NEWTON_METERS, "25 Nm").GetKind()}), "KIND_NOT_FOR_STEP"},
		{"a text that is not the value", signed(torque(recordv1.Measure_NEWTON_METERS, "26 Nm")), ""},
		{"bytes that are not UTF-8", bytesOf(func(b []byte) []byte { return bytes.Replace(b, []byte(`"text"`), []byte("\"te\xfft\""), 1) }), ""},
		{"a member twice", bytesOf(func(b []byte) []byte { return append([]byte(`{"job":"jobs/j1",`), b[1:]...) }), ""},
		{"an unknown member", bytesOf(func(b []byte) []byte { return append([]byte(`{"mood":"good",`), b[1:]...) }), "PAYLOAD_NOT_KNOWN"},
		{"no JSON", bytesOf(func(b []byte) []byte { return b[:len(b)/2] }), ""},
		{"an entry of another job", func() *witnessmarkv1.SubmittedEntry {
			return servertest.Sign(t, o.Climber.Chain(t, other), servertest.Note("x"))
		}, "ENTRY_JOB_DIFFERS"},
		{"another organisation's key", func() *witnessmarkv1.SubmittedEntry {
			e := servertest.Sign(t, mine(), servertest.Note("x"))
			f := servertest.Sign(t, &client.Chain{Device: foreign.Device, Job: job, Now: time.Now}, servertest.Note("x"))
			e.Payload, e.Signature, e.KeyId = f.GetPayload(), f.GetSignature(), f.GetKeyId()
			return e
		}, "KEY_UNKNOWN"},
		{"a revoked key", func() *witnessmarkv1.SubmittedEntry { return late }, "KEY_REVOKED"},
		{"a signature over other bytes", func() *witnessmarkv1.SubmittedEntry {
			e := servertest.Sign(t, mine(), servertest.Note("x"))
			e.Payload = bytes.Replace(e.GetPayload(), []byte(`"x"`), []byte(`"y"`), 1)
			return e
		}, ""},
		{"neither payload nor message", func() *witnessmarkv1.SubmittedEntry { return &witnessmarkv1.SubmittedEntry{} }, "PAYLOAD_MISSING"},
		{"a lead's entry by a climber", signed(&recordv1.Entry{Kind: &recordv1.Entry_LookedAt{LookedAt: &recordv1.LookedAt{Exceptions: []string{"x"}}}}), "ROLE_MISSING"},
		{"what only the server writes", signed(&recordv1.Entry{Kind: &recordv1.Entry_Locked{Locked: &recordv1.Locked{}}}), "KIND_SERVER_ONLY"},
		{"a sign-off among entries", func() *witnessmarkv1.SubmittedEntry {
			return servertest.Sign(t, o.Lead.Chain(t, job), &recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{}}})
		}, "SIGN_OFF_APART"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			good := servertest.Sign(t, &client.Chain{Device: o.Climber.Device, Job: job, Now: time.Now}, servertest.Note("good"))
			rs := o.Climber.Submit(t, job, tc.entry(), good)
			if len(rs) != 2 || rs[0].GetOutcome() != witnessmarkv1.EntryResult_REFUSED || rs[0].GetReason() == "" || rs[0].GetSentence() == "" {
				t.Fatalf("results = %v; want the first refused with reason and sentence", rs)
			}
			if tc.reason != "" && rs[0].GetReason() != tc.reason {
				t.Errorf("reason = %s (%s); want %s", rs[0].GetReason(), rs[0].GetSentence(), tc.reason)
			}
			if rs[1].GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
				t.Errorf("the good entry beside it: %v; want ACCEPTED", rs[1])
			}
			t.Logf("%s: %s", rs[0].GetReason(), rs[0].GetSentence())
		})
	}
}

// What is odd but a fact is kept: the same entry twice, another clock, a gap.
func TestOddEntriesAreKept(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	c := o.Climber.Chain(t, job)
	first := servertest.Sign(t, c, servertest.Note("one"))
	rs := o.Climber.Submit(t, job, first)
	again := o.Climber.Submit(t, job, first)
	if rs[0].GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED || again[0].GetOutcome() != witnessmarkv1.EntryResult_ALREADY_KNOWN || again[0].GetSeq() != rs[0].GetSeq() {
		t.Errorf("sent twice: %v, then %v; want ACCEPTED, then ALREADY_KNOWN with the same seq", rs[0], again[0])
	}
	other := servertest.Sign(t, c, &recordv1.Entry{Id: rs[0].GetId(), Kind: servertest.Note("two").GetKind()})
	if r := o.Climber.Submit(t, job, other)[0]; r.GetReason() != "ENTRY_ID_CONFLICT" || !r.GetKeptAside() {
		t.Errorf("the same id with other bytes: %v; want ENTRY_ID_CONFLICT, kept aside", r)
	}
	c = o.Climber.Chain(t, job)
	c.Now = func() time.Time { return time.Now().AddDate(-1, 0, 0).UTC() }
	if r := o.Climber.Submit(t, job, servertest.Sign(t, c, servertest.Note("a year ago")))[0]; r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
		t.Errorf("a clock that is a year off: %v; want ACCEPTED", r)
	}
	c = o.Climber.Chain(t, job)
	c.Counter += 5
	gap := servertest.Sign(t, c, servertest.Note("after a gap"))
	if r := o.Climber.Submit(t, job, gap)[0]; r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
		t.Errorf("a gap in the counter: %v; want ACCEPTED", r)
	}
	v, err := o.Lead.Jobs.GetJobView(t.Context(), &witnessmarkv1.GetJobViewRequest{Name: job})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]bool{}
	for _, e := range v.GetExceptions() {
		kinds[e.GetKind()] = true
	}
	if !kinds["CHAIN_GAP"] {
		t.Errorf("exceptions = %v; want CHAIN_GAP among them", v.GetExceptions())
	}
}

func TestUpload(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	up := o.Climber.Uploads
	data := bytes.Repeat([]byte("witness"), 1000)
	sum := sha256.Sum256(data)
	begin := func(size int64, digest []byte) (*witnessmarkv1.Upload, error) {
		return up.BeginUpload(t.Context(), &witnessmarkv1.BeginUploadRequest{Job: job, Size: size, Digest: digest})
	}
	if _, err := begin(32<<20+1, sum[:]); status.Code(err) != codes.ResourceExhausted || reason(t, err) != "PHOTO_TOO_LARGE" {
		t.Errorf("a photo one byte over the bound: %v; want PHOTO_TOO_LARGE", err)
	}
	u, err := begin(int64(len(data)), sum[:])
	if err != nil {
		t.Fatal(err)
	}
	chunk := func(offset int, b []byte) (*witnessmarkv1.Upload, error) {
		return up.UploadChunk(t.Context(), &witnessmarkv1.UploadChunkRequest{Name: u.GetName(), Offset: int64(offset), Chunk: b})
	}
	if got, err := chunk(500, data[500:600]); err != nil || got.GetOffset() != 0 {
		t.Errorf("a chunk at a wrong offset: %v, %v; want the right one, 0, and no error", got, err)
	}
	if _, err := chunk(0, make([]byte, 1<<20+1)); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a chunk one byte over the bound: %v; want INVALID_ARGUMENT", err)
	}
	if got, err := chunk(0, data[:1000]); err != nil || got.GetOffset() != 1000 {
		t.Fatalf("first chunk: %v, %v; want offset 1000", got, err)
	}
	if _, err := up.FinishUpload(t.Context(), &witnessmarkv1.FinishUploadRequest{Name: u.GetName()}); reason(t, err) != "UPLOAD_INCOMPLETE" {
		t.Errorf("finished too early: %v; want UPLOAD_INCOMPLETE", err)
	}
	if _, err := chunk(1000, append(data[1000:], 'x')); reason(t, err) != "CHUNK_PAST_END" {
		t.Errorf("a chunk past the end: %v; want CHUNK_PAST_END", err)
	}
	if _, err := o.Lead.Uploads.GetUpload(t.Context(), &witnessmarkv1.GetUploadRequest{Name: u.GetName()}); status.Code(err) != codes.NotFound {
		t.Errorf("another person's upload: %v; want NOT_FOUND", err)
	}
	if got, err := chunk(1000, data[1000:]); err != nil || got.GetOffset() != int64(len(data)) {
		t.Fatalf("the rest: %v, %v", got, err)
	}
	if got, err := up.FinishUpload(t.Context(), &witnessmarkv1.FinishUploadRequest{Name: u.GetName()}); err != nil || got.GetState() != witnessmarkv1.Upload_STORED {
		t.Errorf("finish: %v, %v; want STORED", got, err)
	}
	wrong := sha256.Sum256([]byte("something else"))
	if u, err = begin(4, wrong[:]); err != nil {
		t.Fatal(err)
	}
	if _, err := chunk(0, []byte("abcd")); err != nil {
		t.Fatal(err)
	}
	if got, err := up.FinishUpload(t.Context(), &witnessmarkv1.FinishUploadRequest{Name: u.GetName()}); err != nil || got.GetState() != witnessmarkv1.Upload_DIGEST_WRONG {
		t.Errorf("bytes with another digest: %v, %v; want DIGEST_WRONG", got, err)
	}
	code, body, h := rest(t, "GET", s.URL+"/"+job+"/photos/"+hexOf(sum)+"?size=0", o.Climber.Token, "")
	if code != 200 || body != string(data) || h.Get("Cache-Control") != "no-store" || h.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("the original by plain HTTP: %d, %d bytes, %v; want 200, the same bytes, no-store, nosniff", code, len(body), h)
	}
	if code, body, _ := rest(t, "GET", s.URL+"/"+job+"/photos/"+hexOf(sum)+"?size=7", o.Climber.Token, ""); code != 400 || !strings.Contains(body, "SIZE_UNKNOWN") {
		t.Errorf("a size that is not there: %d %s; want 400 SIZE_UNKNOWN", code, body)
	}
}

func hexOf(d [32]byte) string { return seal.Hash(d).String() }

func TestClosing(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	stale := o.Head(t, job)
	o.Climber.Submit(t, job, servertest.Sign(t, o.Climber.Chain(t, job), servertest.Note("one more")))
	signOff := func(p *servertest.Person, h *witnessmarkv1.Head) error {
		e := servertest.Sign(t, p.Chain(t, job), &recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{Size: h.GetSize(), Root: h.GetRoot(), Meaning: recordv1.SignedOff_APPROVED}}})
		_, err := p.Jobs.SignOff(t.Context(), &witnessmarkv1.SignOffRequest{Job: job, Entry: e})
		return err
	}
	err := signOff(o.Lead, stale)
	lines, ok := detail[*witnessmarkv1.ListLinesResponse](err)
	if status.Code(err) != codes.Aborted || reason(t, err) != "ROOT_MOVED" || !ok || len(lines.GetLines()) != 1 {
		t.Errorf("signed over a root that is not the root any more: %v, lines %v; want ABORTED ROOT_MOVED with the one new line", err, lines)
	}
	err = signOff(o.Lead, o.Head(t, job))
	blockers, ok := detail[*errdetails.PreconditionFailure](err)
	if status.Code(err) != codes.FailedPrecondition || reason(t, err) != "SIGN_OFF_BLOCKED" || !ok || len(blockers.GetViolations()) == 0 {
		t.Errorf("signed with steps open: %v; want FAILED_PRECONDITION SIGN_OFF_BLOCKED with what keeps it", err)
	}
	if err := signOff(o.Climber, o.Head(t, job)); status.Code(err) != codes.PermissionDenied {
		t.Errorf("signed by a climber: %v; want PERMISSION_DENIED", err)
	}
	if _, err := o.Lead.Evidence.GetInclusionProof(t.Context(), &witnessmarkv1.GetInclusionProofRequest{Job: job}); reason(t, err) != "NOT_LOCKED" {
		t.Errorf("inclusion before the lock: %v; want NOT_LOCKED", err)
	}
	if code, body, _ := rest(t, "GET", s.URL+"/"+job+"/package.zip", o.Lead.Token, ""); code != http.StatusConflict || !strings.Contains(body, "NOT_LOCKED") {
		t.Errorf("package before the lock: %d %s; want 409 NOT_LOCKED", code, body)
	}
	ended := o.End(t, job)
	if ended.GetJob().GetState() != witnessmarkv1.Job_ENDED || ended.GetCheckpoint() == "" {
		t.Fatalf("ended: %v; want ENDED with a checkpoint", ended)
	}
	if r := o.Climber.Submit(t, job, servertest.Sign(t, o.Climber.Chain(t, job), servertest.Note("late")))[0]; r.GetOutcome() != witnessmarkv1.EntryResult_ADDENDUM {
		t.Errorf("an entry after the lock: %v; want ADDENDUM", r)
	}
	code, body, h := rest(t, "GET", s.URL+"/"+job+"/package.zip", o.Auditor.Token, "")
	if code != 200 || !strings.HasPrefix(body, "PK") || h.Get("Content-Disposition") != `attachment; filename="j1.zip"` {
		t.Errorf("package: %d, %d bytes, %q; want 200, a ZIP, named j1.zip", code, len(body), h.Get("Content-Disposition"))
	}
	if got := h.Get("Content-Length"); got != strconv.Itoa(len(body)) {
		t.Errorf("package: Content-Length %q; want %d, as came", got, len(body))
	}
	var streamed bytes.Buffer
	var said int64
	if err := o.Auditor.Package(t.Context(), job, &streamed, func(_, whole int64) { said = whole }); err != nil || streamed.String() != body {
		t.Errorf("package by RPC: %d bytes, %v; want the same %d bytes as by plain HTTP", streamed.Len(), err, len(body))
	}
	if said != int64(len(body)) {
		t.Errorf("package by RPC says %d bytes; want %d", said, len(body))
	}
	for _, path := range []string{"/report", "/readings.csv"} {
		if code, body, _ := rest(t, "GET", s.URL+"/"+job+path, o.Auditor.Token, ""); code != 200 || body == "" {
			t.Errorf("GET %s: %d %q; want 200", path, code, body)
		}
	}
	if code, _, _ := rest(t, "GET", s.URL+"/"+job+"/package.zip", o.Climber.Token, ""); code != http.StatusForbidden {
		t.Errorf("package by a climber: %d; want 403", code)
	}
	if code, _, _ := rest(t, "GET", s.URL+"/"+job+"/package.zip?token="+o.Lead.Token, "", ""); code != http.StatusUnauthorized {
		t.Errorf("package with the token in the address: %d; want 401", code)
	}
	cs, err := o.Office.Grants.ListCustody(t.Context(), &witnessmarkv1.ListCustodyRequest{Job: job})
	if err != nil || len(cs.GetLines()) < 4 {
		t.Errorf("custody = %v, %v; want the refused sign-offs and the auditor's reads", cs, err)
	}
}

// The same call by JSON over HTTP, by Connect in JSON and in protobuf, by gRPC-Web.
func TestEveryProtocolOnOnePort(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	if code, body, _ := rest(t, "GET", s.URL+"/v1/"+job, o.Climber.Token, ""); code != 200 || !strings.Contains(body, `"lineCount":"1"`) {
		t.Errorf("REST: %d %s; want 200 and one line", code, body)
	}
	procedure := witnessmarkv1.JobService_GetJob_FullMethodName
	for name, o2 := range map[string][]connect.ClientOption{"Connect": nil, "Connect in JSON": {connect.WithProtoJSON()}, "gRPC-Web": {connect.WithGRPCWeb()}} {
		c := connect.NewClient[witnessmarkv1.GetJobRequest, witnessmarkv1.Job](http.DefaultClient, s.URL+procedure, o2...)
		r := connect.NewRequest(&witnessmarkv1.GetJobRequest{Name: job})
		r.Header().Set("Authorization", "Bearer "+o.Climber.Token)
		got, err := c.CallUnary(t.Context(), r)
		if err != nil || got.Msg.GetName() != job {
			t.Errorf("%s: %v, %v; want the job", name, got, err)
		}
		r = connect.NewRequest(&witnessmarkv1.GetJobRequest{Name: "jobs/none"})
		r.Header().Set("Authorization", "Bearer "+o.Climber.Token)
		_, err = c.CallUnary(t.Context(), r)
		if connect.CodeOf(err) != connect.CodeNotFound {
			t.Errorf("%s of a job that is not there: %v; want not_found", name, err)
		}
		watch := connect.NewClient[witnessmarkv1.WatchJobRequest, witnessmarkv1.WatchJobResponse](http.DefaultClient, s.URL+witnessmarkv1.JobService_WatchJob_FullMethodName, o2...)
		w := connect.NewRequest(&witnessmarkv1.WatchJobRequest{Job: job})
		w.Header().Set("Authorization", "Bearer "+o.Climber.Token)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		st, err := watch.CallServerStream(ctx, w)
		if err != nil {
			t.Fatalf("%s watch: %v", name, err)
		}
		if !st.Receive() || len(st.Msg().GetLines()) != 1 {
			t.Errorf("%s watch: %v, %v; want the first line", name, st.Msg(), st.Err())
		}
		cancel()
	}
	for _, tc := range []struct {
		name, method, path, body string
		code                     int
		holds                    string
	}{
		{"malformed JSON", "POST", "/v1/jobs", `{"title":`, 400, "JSON_MALFORMED"},
		{"a number for a text", "POST", "/v1/jobs", `{"title":7}`, 400, "line 1:10"},
		{"a member that the message has not", "POST", "/v1/jobs", `{"mood":"good"}`, 400, "mood"},
		{"a member twice", "POST", "/v1/jobs", `{"title":"a","title":"b"}`, 400, "title"},
		{"a text that is not UTF-8", "POST", "/v1/jobs", "{\"title\":\"\xff\"}", 400, "UTF-8"},
		{"a broken field rule", "GET", "/v1/jobs?page_size=1001", "", 400, "page_size"},
		{"at the bound", "GET", "/v1/jobs?page_size=1000", "", 200, "jobs"},
		{"an unknown query parameter", "GET", "/v1/jobs?mood=good", "", 200, "jobs"},
		{"a path that is not there", "GET", "/v1/nothing", "", 404, "PATH_UNKNOWN"},
		{"an RPC in no protocol", "POST", procedure, `{}`, 404, "PROTOCOL_UNKNOWN"},
		{"a calculation", "POST", "/v1/calculations/no-such:do", `{}`, 404, "CALCULATION_UNKNOWN"},
		{"a page token of our own making", "GET", "/v1/jobs?page_token=abc", "", 400, "PAGE_TOKEN_INVALID"},
	} {
		code, body, _ := rest(t, tc.method, s.URL+tc.path, o.Lead.Token, tc.body)
		if code != tc.code || !strings.Contains(body, tc.holds) {
			t.Errorf("%s: %d %s; want %d with %q", tc.name, code, body, tc.code, tc.holds)
		}
	}
	for _, tc := range []struct {
		name, method, header, value string
		code                        int
		reason                      string
	}{
		{"a form", "POST", "Content-Type", "application/x-www-form-urlencoded", 415, "CONTENT_TYPE_UNKNOWN"},
		{"a packing of another kind", "POST", "Content-Encoding", "br", 415, "CONTENT_TYPE_UNKNOWN"},
		{"a method that the path has not", "DELETE", "Content-Type", "application/json", 405, "METHOD_NOT_ALLOWED"},
	} {
		code, body, h := rest(t, tc.method, s.URL+"/v1/jobs", o.Lead.Token, `{"title":"a"}`, tc.header, tc.value)
		var p struct{ Reason, Detail string }
		if err := json.Unmarshal([]byte(body), &p); err != nil || code != tc.code || p.Reason != tc.reason || p.Detail == "" || h.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s %s; want %d with the reason %s", tc.name, code, h.Get("Content-Type"), body, tc.code, tc.reason)
		}
	}
}

func TestMessagesThatAreNone(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	conn := s.Conn(t)
	ctx := servertest.Bearer(t.Context(), o.Climber.Token)
	err := conn.Invoke(ctx, witnessmarkv1.JobService_GetJob_FullMethodName, []byte{0x0a, 0x02, 0xff, 0xfe}, new([]byte), grpc.ForceCodec(raw{}))
	if status.Code(err) != codes.InvalidArgument || reason(t, err) != "MESSAGE_MALFORMED" {
		t.Errorf("a name that is not UTF-8: %v; want INVALID_ARGUMENT MESSAGE_MALFORMED", err)
	}
	err = conn.Invoke(ctx, witnessmarkv1.JobService_GetJob_FullMethodName, bytes.Repeat([]byte{0}, server.MaxMessage+1), new([]byte), grpc.ForceCodec(raw{}))
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("a message one byte over the bound: %v; want RESOURCE_EXHAUSTED", err)
	}
	c := connect.NewClient[witnessmarkv1.UploadChunkRequest, witnessmarkv1.Upload](http.DefaultClient, s.URL+witnessmarkv1.UploadService_UploadChunk_FullMethodName)
	r := connect.NewRequest(&witnessmarkv1.UploadChunkRequest{Name: "uploads/u", Chunk: make([]byte, 5<<20)})
	r.Header().Set("Authorization", "Bearer "+o.Climber.Token)
	if _, err := c.CallUnary(t.Context(), r); connect.CodeOf(err) != connect.CodeResourceExhausted {
		t.Errorf("a too large message by Connect: %v; want resource_exhausted, which a queue does not repeat", err)
	}
	es := make([]*witnessmarkv1.SubmittedEntry, 501)
	for i := range es {
		es[i] = &witnessmarkv1.SubmittedEntry{}
	}
	_, err = o.Climber.Jobs.SubmitEntries(t.Context(), &witnessmarkv1.SubmitEntriesRequest{Job: "jobs/j", Entries: es})
	br, ok := detail[*errdetails.BadRequest](err)
	if status.Code(err) != codes.InvalidArgument || reason(t, err) != "FIELD_INVALID" || !ok || br.GetFieldViolations()[0].GetField() != "entries" {
		t.Errorf("501 entries: %v; want INVALID_ARGUMENT FIELD_INVALID naming entries", err)
	}
	_, err = o.Climber.Jobs.SubmitEntries(t.Context(), &witnessmarkv1.SubmitEntriesRequest{Job: "jobs/j", Entries: es[:500]})
	if status.Code(err) != codes.NotFound {
		t.Errorf("500 entries to a job that is not there: %v; want NOT_FOUND", err)
	}
}

// raw sends bytes as they are.
type raw struct{}

func (raw) Marshal(v any) ([]byte, error)   { return v.([]byte), nil }
func (raw) Unmarshal(b []byte, v any) error { *v.(*[]byte) = b; return nil }
func (raw) Name() string                    { return "proto" }

// Only the credential says who is calling.
func TestHeadersGiveNobodyAnIdentity(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	conn := s.Conn(t)
	for _, h := range []string{"x-user", "x-witnessmark-user", "x-forwarded-user", "x-forwarded-for", "x-real-ip", "x-organization", "grpc-metadata-authorization", "x-auth-token"} {
		ctx := metadata.AppendToOutgoingContext(t.Context(), h, o.Office.Token)
		if _, err := witnessmarkv1.NewDeviceServiceClient(conn).GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{}); status.Code(err) != codes.Unauthenticated {
			t.Errorf("the token in %s: %v; want UNAUTHENTICATED", h, err)
		}
		ctx = metadata.AppendToOutgoingContext(servertest.Bearer(t.Context(), o.Climber.Token), h, "people/office")
		id, err := witnessmarkv1.NewDeviceServiceClient(conn).GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
		if err != nil || id.GetPerson().GetName() != "people/climber" {
			t.Errorf("people/office in %s beside the climber's token: %v, %v; want people/climber", h, id.GetPerson(), err)
		}
	}
	for _, q := range []string{"token", "access_token", "authorization"} {
		if code, body, _ := rest(t, "GET", s.URL+"/v1/identity?"+q+"="+o.Office.Token, "", ""); code != http.StatusUnauthorized {
			t.Errorf("token in the query as %s: %d %s; want 401", q, code, body)
		}
	}
	if code, body, _ := rest(t, "GET", s.URL+"/v1/identity", "", "", "Cookie", "other=1; witnessmark_session="+o.Lead.Token); code != 200 || !strings.Contains(body, "people/lead") {
		t.Errorf("the session's cookie: %d %s; want 200, people/lead", code, body)
	}
	code, body, _ := rest(t, "POST", s.URL+"/v1/identity:signOut", "", "{}", "Cookie", "witnessmark_session="+o.Lead.Token, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site")
	if code != http.StatusForbidden || !strings.Contains(body, "CROSS_ORIGIN") {
		t.Errorf("a post by another site's page with the cookie: %d %s; want 403 CROSS_ORIGIN", code, body)
	}
	two := metadata.AppendToOutgoingContext(servertest.Bearer(t.Context(), o.Climber.Token), "authorization", "Bearer "+o.Office.Token)
	if _, err := witnessmarkv1.NewDeviceServiceClient(conn).GetIdentity(two, &witnessmarkv1.GetIdentityRequest{}); reason(t, err) != "CREDENTIAL_MALFORMED" {
		t.Errorf("two authorization headers: %v; want CREDENTIAL_MALFORMED", err)
	}
}

func TestPages(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	o := s.Organization(t, "ridge-crew")
	for _, id := range []string{"j1", "j2", "j3", "j4", "j5"} {
		o.Job(t, id)
	}
	seen := map[string]int{}
	token := ""
	var firstToken string
	for range 10 {
		r, err := o.Lead.Jobs.ListJobs(t.Context(), &witnessmarkv1.ListJobsRequest{PageSize: 2, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range r.GetJobs() {
			seen[j.GetName()]++
		}
		if firstToken == "" {
			firstToken = r.GetNextPageToken()
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	if len(seen) != 5 || seen["jobs/j3"] != 1 {
		t.Errorf("pages of two gave %v; want each of five jobs once", seen)
	}
	b, err := base64.RawURLEncoding.DecodeString(firstToken)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)-3] ^= 1
	for name, r := range map[string]*witnessmarkv1.ListJobsRequest{
		"changed by one bit":  {PageSize: 2, PageToken: base64.RawURLEncoding.EncodeToString(b)},
		"with another filter": {PageSize: 2, PageToken: firstToken, Mine: true},
		"cut short":           {PageSize: 2, PageToken: firstToken[:8]},
		"not in its alphabet": {PageToken: "!!!"},
	} {
		if _, err := o.Lead.Jobs.ListJobs(t.Context(), r); status.Code(err) != codes.InvalidArgument || reason(t, err) != "PAGE_TOKEN_INVALID" {
			t.Errorf("a page token %s: %v; want PAGE_TOKEN_INVALID", name, err)
		}
	}
	if r, err := o.Lead.Jobs.ListJobs(t.Context(), &witnessmarkv1.ListJobsRequest{PageSize: 1, PageToken: firstToken}); err != nil || len(r.GetJobs()) != 1 {
		t.Errorf("the same token with another page size: %v, %v; want it taken", r, err)
	}
}

func TestWatch(t *testing.T) {
	s := servertest.Start(t, servertest.Options{Config: server.Config{Heartbeat: 50 * time.Millisecond, Poll: 20 * time.Millisecond}})
	o := s.Organization(t, "ridge-crew")
	job := o.Job(t, "j1")
	watcher := o.SignIn(t, "climber", "CLIMBER")
	st, err := watcher.Jobs.WatchJob(t.Context(), &witnessmarkv1.WatchJobRequest{Job: job, After: 1})
	if err != nil {
		t.Fatal(err)
	}
	next := func(want func(*witnessmarkv1.WatchJobResponse) bool) *witnessmarkv1.WatchJobResponse {
		t.Helper()
		for range 100 {
			m, err := st.Recv()
			if err != nil {
				t.Fatalf("watch: %v", err)
			}
			if want(m) {
				return m
			}
		}
		t.Fatal("watch: what was waited for did not come")
		return nil
	}
	next(func(m *witnessmarkv1.WatchJobResponse) bool { return len(m.GetLines()) == 0 }) // a heartbeat
	o.Climber.Submit(t, job, servertest.Sign(t, o.Climber.Chain(t, job), servertest.Note("news")))
	if m := next(func(m *witnessmarkv1.WatchJobResponse) bool { return len(m.GetLines()) > 0 }); m.GetLines()[0].GetSeq() != 2 || m.GetHead().GetSize() != 2 {
		t.Errorf("news = %v; want line 2", m)
	}
	if _, err := o.Lead.Devices.RevokeDevice(t.Context(), &witnessmarkv1.RevokeDeviceRequest{Name: watcher.Device.Name}); err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = st.Recv()
	}
	if status.Code(err) != codes.Unauthenticated {
		t.Errorf("after the device was revoked the watch ended with %v; want UNAUTHENTICATED", err)
	}
	if st, err = o.Climber.Jobs.WatchJob(t.Context(), &witnessmarkv1.WatchJobRequest{Job: job, After: 2}); err != nil {
		t.Fatal(err)
	}
	next(func(*witnessmarkv1.WatchJobResponse) bool { return true })
	done := make(chan error, 1)
	go func() { done <- s.Stop() }()
	for err == nil {
		_, err = st.Recv()
	}
	if status.Code(err) != codes.Unavailable {
		t.Errorf("when the server stops the watch ends with %v; want UNAVAILABLE", err)
	}
	if err := <-done; err != nil {
		t.Errorf("the server ended with %v; want an orderly end", err)
	}
}

func TestRateIsLimitedAndSaysWhenToComeBack(t *testing.T) {
	s := servertest.Start(t, servertest.Options{Config: server.Config{ByIdentity: server.Rate{PerSecond: 0.01, Burst: 60}}})
	o := s.Organization(t, "ridge-crew")
	conn := s.Conn(t)
	var err error
	for range 70 {
		if _, err = witnessmarkv1.NewDeviceServiceClient(conn).GetIdentity(servertest.Bearer(t.Context(), o.Climber.Token), &witnessmarkv1.GetIdentityRequest{}); err != nil {
			break
		}
	}
	wait, ok := detail[*errdetails.RetryInfo](err)
	if status.Code(err) != codes.ResourceExhausted || reason(t, err) != "RATE_LIMITED" || !ok || wait.GetRetryDelay().AsDuration() < time.Second {
		t.Errorf("the call over the allowance: %v, %v; want RESOURCE_EXHAUSTED RATE_LIMITED with the time to wait", err, wait)
	}
	if _, err := o.Lead.Devices.GetIdentity(t.Context(), &witnessmarkv1.GetIdentityRequest{}); err != nil {
		t.Errorf("another caller: %v; want no limit met", err)
	}
}

// Every path of the published description is served by the running server.
func TestOpenAPIIsWhatTheServerDoes(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	code, body, _ := rest(t, "GET", s.URL+"/openapi.json", "", "")
	var doc struct {
		OpenAPI string `json:"openapi"`
		Paths   map[string]map[string]json.RawMessage
	}
	if err := json.Unmarshal([]byte(body), &doc); err != nil || code != 200 || !strings.HasPrefix(doc.OpenAPI, "3.") {
		t.Fatalf("openapi.json: %d, %q, %v; want an OpenAPI 3 document", code, doc.OpenAPI, err)
	}
	n := 0
	for path, methods := range doc.Paths {
		for method := range methods {
			if method == "parameters" {
				continue
			}
			n++
			at := placeholder.Replace(path)
			code, answer, _ := rest(t, strings.ToUpper(method), s.URL+at, "", map[bool]string{true: "{}"}[method != "get"])
			if code == http.StatusNotFound || code == http.StatusMethodNotAllowed || code >= 500 {
				t.Errorf("%s %s: %d %s; want an answer of the RPC", method, at, code, answer)
			}
		}
	}
	withHTTP := 0
	for _, m := range rpcs(t) {
		if proto.Size(m.Options()) > 0 && !m.IsStreamingServer() {
			withHTTP++
		}
	}
	if n < withHTTP {
		t.Errorf("the description has %d operations; want the %d unary RPCs at least: make generate", n, withHTTP)
	}
}

var placeholder = strings.NewReplacer("{digest}", strings.Repeat("0", 64), "{", "", "}", "")

func TestHealth(t *testing.T) {
	s := servertest.Start(t, servertest.Options{})
	for path, want := range map[string]string{"/healthz": "live", "/readyz": "ready"} {
		if code, body, _ := rest(t, "GET", s.URL+path, "", ""); code != 200 || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s; want 200 %s", path, code, body, want)
		}
	}
	if err := s.Store.Close(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2100 * time.Millisecond) // an answer about the store is good for two seconds
	if code, body, _ := rest(t, "GET", s.URL+"/readyz", "", ""); code != http.StatusServiceUnavailable {
		t.Errorf("/readyz with the store closed: %d %s; want 503", code, body)
	}
	if code, body, _ := rest(t, "GET", s.URL+"/healthz", "", ""); code != 200 {
		t.Errorf("/healthz with the store closed: %d %s; want 200", code, body)
	}
}
