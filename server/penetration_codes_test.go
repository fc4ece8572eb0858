package server_test

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/asn1"
	"fmt"
	"math/big"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

// atOnce does something from n goroutines that begin together and returns the errors.
func atOnce(n int, do func(i int) error) []error {
	out := make([]error, n)
	begin := make(chan struct{})
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			<-begin
			out[i] = do(i)
		})
	}
	close(begin)
	wg.Wait()
	return out
}

// enrol tries a code without a key, from a client of its own.
func (x *target) enrol(t *testing.T, code string) (*witnessmarkv1.EnrollResponse, error) {
	t.Helper()
	r, err := x.Client(t, "").Devices.Enroll(t.Context(), &witnessmarkv1.EnrollRequest{Code: code})
	x.log.secret(r.GetToken())
	return r, err
}

func TestEnrolmentCodeWorksOnceHoweverManyTry(t *testing.T) {
	for _, engine := range []string{"sqlite", "postgres"} {
		t.Run(engine, func(t *testing.T) {
			x := attack(t, engine, server.Config{})
			code := x.code(t, x.a, "climber", 15*time.Minute)
			var mu sync.Mutex
			tokens := map[string]bool{}
			c := x.Client(t, "")
			got := atOnce(20, func(int) error {
				r, err := c.Devices.Enroll(t.Context(), &witnessmarkv1.EnrollRequest{Code: code})
				mu.Lock()
				defer mu.Unlock()
				if err == nil {
					tokens[r.GetToken()] = true
					x.log.secret(r.GetToken())
				}
				return err
			})
			if len(tokens) != 1 {
				t.Errorf("20 at once with one code: %d enrolled; want 1", len(tokens))
			}
			for _, err := range got {
				if err != nil && reason(t, err) != "CODE_NOT_GOOD" && reason(t, err) != "CODE_TRIES" {
					t.Errorf("a loser of the race: %v; want CODE_NOT_GOOD or CODE_TRIES", err)
				}
			}
		})
	}
}

// An unknown, a used, an expired code and that of a disabled person are answered
// alike: nobody learns that a guess was near.
func TestCodesThatDoNotWorkAreAnsweredAlike(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	used, late, disabled := x.code(t, x.a, "climber", 15*time.Minute), x.code(t, x.a, "climber", 15*time.Minute), x.code(t, x.a, "lead", time.Hour)
	if _, err := x.enrol(t, used); err != nil {
		t.Fatalf("the first use: %v", err)
	}
	if _, err := x.a.Office.People.UpdatePerson(t.Context(), &witnessmarkv1.UpdatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/lead", Title: "Lead Person", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_LEAD}, Disabled: true}}); err != nil {
		t.Fatal(err)
	}
	x.clock.advance(15 * time.Minute)
	_, want := x.enrol(t, "0000-0000-0000-0000")
	if status.Code(want) != codes.PermissionDenied || reason(t, want) != "CODE_NOT_GOOD" {
		t.Fatalf("an unknown code: %v; want PERMISSION_DENIED CODE_NOT_GOOD", want)
	}
	for name, code := range map[string]string{"used": used, "15 minutes old": late, "of a disabled person": disabled, "without dashes, in small letters": strings.ToLower(strings.ReplaceAll(used, "-", ""))} {
		if _, err := x.enrol(t, code); fmt.Sprint(err) != fmt.Sprint(want) {
			t.Errorf("a code %s: %v; want %v", name, err, want)
		}
	}
}

func TestGuessingEnrolmentCodesIsCounted(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	good := x.code(t, x.a, "climber", time.Hour)
	x.clock.advance(16 * time.Minute) // those who signed in for the test do not count
	tries := 0
	for ; tries < 100; tries++ {
		if _, err := x.enrol(t, fmt.Sprintf("1111-2222-3333-%04d", tries)); status.Code(err) == codes.ResourceExhausted {
			break
		}
	}
	if tries != 20 {
		t.Errorf("guesses before the address is stopped: %d; want 20", tries)
	}
	_, err := x.enrol(t, good)
	if reason(t, err) != "CODE_TRIES" {
		t.Errorf("a good code after too many guesses: %v; want CODE_TRIES", err)
	}
	x.clock.advance(15 * time.Minute)
	if _, err := x.enrol(t, good); err != nil {
		t.Errorf("the good code a quarter of an hour later: %v; want a session (the refused try did not use it up)", err)
	}
}

// A stolen key of another device, a key enrolled twice and nonsense in its place
// must not burn the code: the phone tries again.
func TestEnrolmentThatFailsLeavesTheCodeAndNoDevice(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	code := x.code(t, x.a, "climber", time.Hour)
	before, err := x.a.Office.Devices.ListDevices(t.Context(), &witnessmarkv1.ListDevicesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	leadKey, err := x509.MarshalPKIXPublicKey(&x.a.Lead.Device.Key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	for name, spki := range map[string][]byte{"nonsense": []byte("not a key at all, not a key at all"), "the lead's": leadKey} {
		r, err := x.Client(t, "").Devices.Enroll(t.Context(), &witnessmarkv1.EnrollRequest{Code: code, Title: "phone", PublicKey: spki})
		x.log.secret(r.GetToken())
		if err == nil {
			t.Errorf("enrolled with %s key", name)
		}
	}
	after, err := x.a.Office.Devices.ListDevices(t.Context(), &witnessmarkv1.ListDevicesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := len(after.GetDevices()), len(before.GetDevices()); got != want {
		t.Errorf("devices after enrolments that failed: %d; want %d", got, want)
	}
	if _, err := x.enrol(t, code); err != nil {
		t.Errorf("the code after enrolments that failed: %v; want a session", err)
	}
}

func TestOwnCodeHasFiveTries(t *testing.T) {
	for _, engine := range []string{"sqlite", "postgres"} {
		t.Run(engine, func(t *testing.T) {
			x := attack(t, engine, server.Config{})
			ctx := t.Context()
			set := func(code, current string) error {
				_, err := x.a.Climber.People.SetOwnCode(ctx, &witnessmarkv1.SetOwnCodeRequest{Code: code, CurrentCode: current})
				return err
			}
			x.log.secret("94837261", "10293847")
			if err := set("94837261", ""); err != nil {
				t.Fatal(err)
			}
			for range 4 {
				if err := set("10293847", "00000000"); reason(t, err) != "CODE_WRONG" {
					t.Fatalf("a wrong code: %v; want CODE_WRONG", err)
				}
			}
			if err := set("94837261", "94837261"); err != nil {
				t.Fatalf("the right code at the fifth try: %v", err)
			}
			// Success begins the count again: five more, raced by twenty.
			wrong := 0
			for _, err := range atOnce(20, func(i int) error { return set("10293847", fmt.Sprintf("1000%04d", i)) }) {
				switch reason(t, err) {
				case "CODE_WRONG":
					wrong++
				case "CODE_TRIES":
				default:
					t.Errorf("a wrong code in the race: %v; want CODE_WRONG or CODE_TRIES", err)
				}
			}
			if wrong != 5 {
				t.Errorf("of 20 wrong codes at once %d were looked at; want 5", wrong)
			}
			if err := set("10293847", "94837261"); reason(t, err) != "CODE_TRIES" {
				t.Errorf("the right code after five wrong: %v; want CODE_TRIES", err)
			}
			x.clock.advance(15 * time.Minute)
			if err := set("10293847", "94837261"); err != nil {
				t.Errorf("the right code a quarter of an hour later: %v", err)
			}
		})
	}
}

// A batch full of guesses of another person's code is five tries, not hundreds.
func TestABatchIsNoWayAroundTheTries(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	if _, err := x.a.Lead.People.SetOwnCode(ctx, &witnessmarkv1.SetOwnCodeRequest{Code: "7391"}); err != nil {
		t.Fatal(err)
	}
	job := x.a.Job(t, "j1")
	chain := x.a.Climber.Chain(t, job)
	opened, _, err := x.a.Lead.Chain(t, job).Sign(&recordv1.Entry{Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: []string{"people/climber", "people/lead"}}}})
	if err != nil {
		t.Fatal(err)
	}
	r := x.a.Lead.Submit(t, job, opened)
	climb := r[0].GetId()
	var es []*witnessmarkv1.SubmittedEntry
	for i := range 100 {
		e := servertest.Sign(t, chain, &recordv1.Entry{Step: "climb:" + climb + "/briefing/understood", Climb: climb, Author: "people/lead",
			Kind: &recordv1.Entry_Acknowledged{Acknowledged: &recordv1.Acknowledged{Person: "people/lead", Fitness: recordv1.Acknowledged_FIT}}})
		e.Code = fmt.Sprintf("%04d", 7342+i) // the fiftieth is right
		es = append(es, e)
	}
	x.a.Climber.Submit(t, job, es...)
	v, err := x.a.Lead.Jobs.ListSteps(ctx, &witnessmarkv1.ListStepsRequest{Job: job, WithEntries: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range v.GetSteps() {
		if strings.HasSuffix(s.GetId(), "/briefing/understood") && s.GetState() == recordv1.StepState_COMPLETE {
			t.Errorf("step %s is done by guesses of the lead's code", s.GetId())
		}
	}
	if _, err := x.a.Lead.People.SetOwnCode(ctx, &witnessmarkv1.SetOwnCodeRequest{Code: "7391", CurrentCode: "7391"}); reason(t, err) != "CODE_TRIES" {
		t.Errorf("the right code after a batch of guesses: %v; want CODE_TRIES", err)
	}
}

func TestShareLinkSecrets(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	link := func(l *witnessmarkv1.ShareLink) (*witnessmarkv1.ShareLink, string) {
		t.Helper()
		l.Job = job
		r, err := x.a.Lead.Grants.CreateShareLink(ctx, &witnessmarkv1.CreateShareLinkRequest{ShareLink: l})
		if err != nil {
			t.Fatal(err)
		}
		s := secretOf(r.GetUri())
		x.log.secret(s, s[strings.LastIndex(s, ".")+1:])
		return r, s
	}
	anyone := x.Client(t, "")
	open := func(secret, code string) (string, error) {
		r, err := anyone.Grants.OpenShareLink(ctx, &witnessmarkv1.OpenShareLinkRequest{Secret: secret, Code: code})
		x.log.secret(r.GetToken())
		return r.GetToken(), err
	}
	good, secret := link(&witnessmarkv1.ShareLink{Title: "owner"})
	if before, after, ok := strings.Cut(good.GetUri(), "#"); !ok || strings.Contains(before, secret) || !strings.Contains(after, secret) {
		t.Errorf("the link's address is %q; want the secret behind the fragment sign only", good.GetUri())
	}
	_, want := open("ridge-crew.none."+strings.Repeat("A", 43), "")
	if reason(t, want) != "LINK_NOT_GOOD" {
		t.Fatalf("an unknown link: %v; want LINK_NOT_GOOD", want)
	}
	parts := strings.SplitN(secret, ".", 3)
	revoked, revokedSecret := link(&witnessmarkv1.ShareLink{})
	if _, err := x.a.Lead.Grants.RevokeShareLink(ctx, &witnessmarkv1.RevokeShareLinkRequest{Name: revoked.GetName()}); err != nil {
		t.Fatal(err)
	}
	_, shortSecret := link(&witnessmarkv1.ShareLink{ExpireTime: timestamppb.New(x.clock.now().Add(time.Minute))})
	x.clock.advance(time.Minute)
	for name, s := range map[string]string{
		"another organisation's":      "ridge-crew-2." + parts[1] + "." + parts[2],
		"no organisation's":           "nobody." + parts[1] + "." + parts[2],
		"another link's id":           parts[0] + "." + strings.TrimPrefix(revoked.GetName(), "shareLinks/") + "." + parts[2],
		"a secret cut short":          secret[:len(secret)-1],
		"a secret of spaces":          parts[0] + "." + parts[1] + "." + strings.Repeat(" ", 43),
		"a path for an id":            parts[0] + ".../../.." + parts[2],
		"a revoked link":              revokedSecret,
		"a link that has ended":       shortSecret,
		"no dots":                     strings.Repeat("a", 64),
		"the secret alone":            ".." + parts[2],
		"an organisation with a wild": "%." + parts[1] + "." + parts[2],
	} {
		if _, err := open(s, ""); fmt.Sprint(err) != fmt.Sprint(want) {
			t.Errorf("%s: %v; want %v", name, err, want)
		}
	}
	// With a code: five tries, then not even the right one.
	_, coded := link(&witnessmarkv1.ShareLink{Code: "82736455"})
	x.log.secret("82736455")
	x.clock.advance(16 * time.Minute)
	wrong := 0
	for _, err := range atOnce(20, func(i int) error { _, err := open(coded, fmt.Sprintf("%08d", i)); return err }) {
		switch reason(t, err) {
		case "CODE_WRONG":
			wrong++
		case "CODE_TRIES":
		default:
			t.Errorf("a wrong code: %v; want CODE_WRONG or CODE_TRIES", err)
		}
	}
	if wrong != 5 {
		t.Errorf("of 20 wrong codes at once %d were looked at; want 5", wrong)
	}
	if _, err := open(coded, "82736455"); reason(t, err) != "CODE_TRIES" {
		t.Errorf("the right code after five wrong: %v; want CODE_TRIES", err)
	}
	// Revoking ends the sessions that the link opened, at once.
	token, err := open(secret, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := x.Client(t, token).Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: job}); err != nil {
		t.Fatalf("read by the link: %v", err)
	}
	if _, err := x.a.Lead.Grants.RevokeShareLink(ctx, &witnessmarkv1.RevokeShareLinkRequest{Name: good.GetName()}); err != nil {
		t.Fatal(err)
	}
	if _, err := x.Client(t, token).Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: job}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("read by a revoked link's session: %v; want UNAUTHENTICATED", err)
	}
	for _, path := range []string{"/", "/jobs/j1/report", "/v1/jobs/j1"} {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, x.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if err := resp.Body.Close(); err != nil {
			t.Fatal(err)
		}
		if got := resp.Header.Get("Referrer-Policy"); got != "no-referrer" {
			t.Errorf("Referrer-Policy of %s = %q; want no-referrer", path, got)
		}
	}
}

// order is the number of points of P-256 (FIPS 186-5, SP 800-186).
var order, _ = new(big.Int).SetString("ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551", 16)

func TestForgedSignatures(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	job := x.a.Job(t, "j1")
	chain := x.a.Climber.Chain(t, job)
	keyID := func(p *servertest.Person) string {
		id, err := seal.KeyID(&p.Device.Key.PublicKey)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	fresh := func() *witnessmarkv1.SubmittedEntry {
		return servertest.Sign(t, chain, servertest.Note("secret payload words"))
	}
	x.log.secret("secret payload words")
	twin := func(sig []byte) []byte { // (r, n−s), which verifies too
		out := append([]byte(nil), sig...)
		s := new(big.Int).Sub(order, new(big.Int).SetBytes(sig[32:]))
		s.FillBytes(out[32:])
		return out
	}
	der := func(sig []byte) []byte {
		b, err := asn1.Marshal(struct{ R, S *big.Int }{new(big.Int).SetBytes(sig[:32]), new(big.Int).SetBytes(sig[32:])})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if len(fresh().GetSignature()) != 64 {
		t.Fatal("a signature is not r and s of 32 bytes each")
	}
	for name, forge := range map[string]func(e *witnessmarkv1.SubmittedEntry){
		"another's key named":        func(e *witnessmarkv1.SubmittedEntry) { e.KeyId = keyID(x.a.Lead) },
		"another organisation's key": func(e *witnessmarkv1.SubmittedEntry) { e.KeyId = keyID(x.b.Climber) },
		"signed by another organisation's": func(e *witnessmarkv1.SubmittedEntry) {
			sig, err := seal.Sign(x.b.Climber.Device.Key, seal.EntryType, e.GetPayload())
			if err != nil {
				t.Fatal(err)
			}
			e.Signature, e.KeyId = sig, keyID(x.b.Climber)
		},
		"another payload": func(e *witnessmarkv1.SubmittedEntry) {
			e.Payload = []byte(strings.Replace(string(e.GetPayload()), "secret", "other.", 1))
		},
		"another type": func(e *witnessmarkv1.SubmittedEntry) {
			e.Signature, _ = seal.Sign(x.a.Climber.Device.Key, "application/other", e.GetPayload())
		},
		"all zero":       func(e *witnessmarkv1.SubmittedEntry) { clear(e.Signature) },
		"s zero":         func(e *witnessmarkv1.SubmittedEntry) { clear(e.Signature[32:]) },
		"r zero":         func(e *witnessmarkv1.SubmittedEntry) { clear(e.Signature[:32]) },
		"s of the order": func(e *witnessmarkv1.SubmittedEntry) { order.FillBytes(e.Signature[32:]) },
		"r and s swapped": func(e *witnessmarkv1.SubmittedEntry) {
			e.Signature = append(append([]byte(nil), e.Signature[32:]...), e.Signature[:32]...)
		},
		"one byte short": func(e *witnessmarkv1.SubmittedEntry) { e.Signature = e.Signature[:63] },
		"one byte more":  func(e *witnessmarkv1.SubmittedEntry) { e.Signature = append(e.Signature, 0) },
		"in DER":         func(e *witnessmarkv1.SubmittedEntry) { e.Signature = der(e.Signature) },
		"random":         func(e *witnessmarkv1.SubmittedEntry) { _, _ = rand.Read(e.Signature) },
		"no key id":      func(e *witnessmarkv1.SubmittedEntry) { e.KeyId = "" },
		"stripped":       func(e *witnessmarkv1.SubmittedEntry) { e.KeyId, e.Signature = "", nil },
	} {
		e := fresh()
		forge(e)
		// By the lead: the session is another's, so only the signature can carry the climber's words.
		r, err := x.a.Lead.Jobs.SubmitEntries(t.Context(), &witnessmarkv1.SubmitEntriesRequest{Job: job, Entries: []*witnessmarkv1.SubmittedEntry{e}})
		if err != nil {
			if status.Code(err) != codes.InvalidArgument {
				t.Errorf("%s: %v; want a refusal", name, err)
			}
			continue
		}
		if res := r.GetResults()[0]; res.GetOutcome() != witnessmarkv1.EntryResult_REFUSED {
			t.Errorf("%s: %v; want REFUSED", name, res.GetOutcome())
		}
	}
	// n−s verifies and is the same entry, never another one.
	e := fresh()
	x.log.secret(fmt.Sprintf("%x", e.GetSignature()))
	mirrored := &witnessmarkv1.SubmittedEntry{Payload: e.GetPayload(), KeyId: e.GetKeyId(), Signature: twin(e.GetSignature())}
	first, second := x.a.Climber.Submit(t, job, e)[0], x.a.Climber.Submit(t, job, mirrored)[0]
	if first.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED || second.GetOutcome() != witnessmarkv1.EntryResult_ALREADY_KNOWN || first.GetSeq() != second.GetSeq() {
		t.Errorf("an entry and its twin by n−s: %v line %d, %v line %d; want ACCEPTED, ALREADY_KNOWN, one line", first.GetOutcome(), first.GetSeq(), second.GetOutcome(), second.GetSeq())
	}
	e = fresh()
	e.Signature = twin(e.GetSignature())
	if r := x.a.Climber.Submit(t, job, e)[0]; r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
		t.Errorf("an entry signed by (r, n−s): %v %s; want ACCEPTED, as both verify", r.GetOutcome(), r.GetReason())
	}
}

func TestRevokedDeviceIsOutAtOnce(t *testing.T) {
	x := attack(t, "sqlite", server.Config{Heartbeat: 200 * time.Millisecond})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	chain := x.a.Climber.Chain(t, job)
	before := servertest.Sign(t, chain, servertest.Note("before"))
	x.a.Climber.Submit(t, job, before)
	late := servertest.Sign(t, chain, servertest.Note("after"))
	wctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	w, err := x.a.Climber.Jobs.WatchJob(wctx, &witnessmarkv1.WatchJobRequest{Job: job})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Recv(); err != nil {
		t.Fatalf("the watch before: %v", err)
	}
	if _, err := x.a.Lead.Devices.RevokeDevice(ctx, &witnessmarkv1.RevokeDeviceRequest{Name: x.a.Climber.Device.Name, Reason: "lost"}); err != nil {
		t.Fatal(err)
	}
	// A line that is written after the revocation must not reach the open watch.
	r := x.a.Lead.Submit(t, job, servertest.Sign(t, x.a.Lead.Chain(t, job), servertest.Note("not for the thief")))
	for {
		m, err := w.Recv()
		if err != nil {
			if status.Code(err) != codes.Unauthenticated {
				t.Errorf("the open watch ended with %v; want UNAUTHENTICATED", err)
			}
			break
		}
		for _, l := range m.GetLines() {
			if l.GetSeq() >= r[0].GetSeq() {
				t.Errorf("line %d, written after the revocation, reached the revoked device", l.GetSeq())
			}
		}
	}
	for name, err := range map[string]error{
		"read": func() error {
			_, err := x.a.Climber.Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: job})
			return err
		}(),
		"submit": func() error {
			_, err := x.a.Climber.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: job, Entries: []*witnessmarkv1.SubmittedEntry{late}})
			return err
		}(),
		"rotate": func() error {
			_, err := x.a.Climber.Devices.RotateKey(ctx, &witnessmarkv1.RotateKeyRequest{PublicKey: spkiOf(t)})
			return err
		}(),
	} {
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s after the revocation: %v; want UNAUTHENTICATED", name, err)
		}
	}
	// The same person's new phone may bring what the old one signed: it is kept aside.
	again := x.a.SignIn(t, "climber", access.Climber)
	x.log.secret(again.Token)
	res := again.Submit(t, job, before, late)
	if res[0].GetOutcome() == witnessmarkv1.EntryResult_ACCEPTED {
		t.Errorf("what was sent before is new: %v", res[0].GetOutcome())
	}
	if res[1].GetOutcome() != witnessmarkv1.EntryResult_REFUSED || res[1].GetReason() != "KEY_REVOKED" || !res[1].GetKeptAside() {
		t.Errorf("what a revoked key signed: %v %s kept %v; want REFUSED KEY_REVOKED kept true", res[1].GetOutcome(), res[1].GetReason(), res[1].GetKeptAside())
	}
}

func spkiOf(t *testing.T) []byte {
	t.Helper()
	b, err := x509.MarshalPKIXPublicKey(&servertest.Key(t).PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A device changes its key: the new one signs from then on; what only the old
// one signed before is still taken, for the phone may hold it unsent.
func TestKeyRotation(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	job := x.a.Job(t, "j1")
	chain := x.a.Climber.Chain(t, job)
	unsent := servertest.Sign(t, chain, servertest.Note("by the old key"))
	key := servertest.Key(t)
	spki, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	d, err := x.a.Climber.Devices.RotateKey(t.Context(), &witnessmarkv1.RotateKeyRequest{PublicKey: spki})
	if err != nil {
		t.Fatal(err)
	}
	if len(d.GetKeyIds()) != 2 {
		t.Errorf("keys of the device = %v; want two", d.GetKeyIds())
	}
	x.a.Climber.Device.Key = key
	counter, last := chain.Counter, chain.Last
	chain = x.a.Climber.Chain(t, job)
	chain.Counter, chain.Last = counter, last
	next := servertest.Sign(t, chain, servertest.Note("by the new key"))
	for i, r := range x.a.Climber.Submit(t, job, unsent, next) {
		if r.GetOutcome() != witnessmarkv1.EntryResult_ACCEPTED {
			t.Errorf("entry %d: %v %s; want ACCEPTED", i, r.GetOutcome(), r.GetReason())
		}
	}
	// Nobody rotates to a key that is another's.
	other, err := x509.MarshalPKIXPublicKey(&x.a.Lead.Device.Key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := x.a.Climber.Devices.RotateKey(t.Context(), &witnessmarkv1.RotateKeyRequest{PublicKey: other}); status.Code(err) != codes.AlreadyExists {
		t.Errorf("rotation to the lead's key: %v; want ALREADY_EXISTS", err)
	}
	// Revoking ends both keys.
	if _, err := x.a.Lead.Devices.RevokeDevice(t.Context(), &witnessmarkv1.RevokeDeviceRequest{Name: x.a.Climber.Device.Name}); err != nil {
		t.Fatal(err)
	}
	again := x.a.SignIn(t, "climber", access.Climber)
	x.log.secret(again.Token)
	if r := again.Submit(t, job, servertest.Sign(t, chain, servertest.Note("later")))[0]; r.GetReason() != "KEY_REVOKED" {
		t.Errorf("the rotated key after the revocation: %v %s; want KEY_REVOKED", r.GetOutcome(), r.GetReason())
	}
}

func TestDisabledPersonIsOutAtOnce(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	late := servertest.Sign(t, x.a.Climber.Chain(t, job), servertest.Note("late"))
	if _, err := x.a.Office.People.UpdatePerson(ctx, &witnessmarkv1.UpdatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/climber", Title: "Climber Person", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_CLIMBER}, Disabled: true}}); err != nil {
		t.Fatal(err)
	}
	if _, err := x.a.Climber.Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: job}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a disabled person reads: %v; want UNAUTHENTICATED", err)
	}
	if r := x.a.Lead.Submit(t, job, late)[0]; r.GetOutcome() != witnessmarkv1.EntryResult_REFUSED || r.GetReason() != "PERSON_DISABLED" {
		t.Errorf("what he signed, brought by another: %v %s; want REFUSED PERSON_DISABLED", r.GetOutcome(), r.GetReason())
	}
	if _, err := x.a.Office.Devices.CreateEnrollmentCode(ctx, &witnessmarkv1.CreateEnrollmentCodeRequest{Person: "people/climber"}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a code for a disabled person: %v; want FAILED_PRECONDITION", err)
	}
}

// Uploads of one person are nowhere for another of the same organisation.
func TestUploadOfAnotherPersonIsNowhere(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	data := []byte("bytes of a photo")
	d := sha256.Sum256(data)
	u, err := x.a.Climber.Uploads.BeginUpload(ctx, &witnessmarkv1.BeginUploadRequest{Job: job, Size: int64(len(data)), Digest: d[:]})
	if err != nil {
		t.Fatal(err)
	}
	for name, do := range map[string]func() error{
		"get": func() error {
			_, err := x.a.Lead.Uploads.GetUpload(ctx, &witnessmarkv1.GetUploadRequest{Name: u.GetName()})
			return err
		},
		"chunk": func() error {
			_, err := x.a.Lead.Uploads.UploadChunk(ctx, &witnessmarkv1.UploadChunkRequest{Name: u.GetName(), Chunk: data})
			return err
		},
		"finish": func() error {
			_, err := x.a.Lead.Uploads.FinishUpload(ctx, &witnessmarkv1.FinishUploadRequest{Name: u.GetName()})
			return err
		},
	} {
		err := do()
		_, none := x.a.Lead.Uploads.GetUpload(ctx, &witnessmarkv1.GetUploadRequest{Name: "uploads/none"})
		if a, b := strings.ReplaceAll(fmt.Sprint(err), u.GetName(), "X"), strings.ReplaceAll(fmt.Sprint(none), "uploads/none", "X"); status.Code(err) != codes.NotFound || a != b {
			t.Errorf("%s of another's upload: %v; want %v", name, err, none)
		}
	}
	mine, err := x.a.Lead.Uploads.BeginUpload(ctx, &witnessmarkv1.BeginUploadRequest{Job: job, Size: int64(len(data)), Digest: d[:]})
	if err != nil || mine.GetName() == u.GetName() {
		t.Errorf("the same bytes begun by another: %v %v; want an upload of his own", mine.GetName(), err)
	}
}

// What is malformed is refused without being written down: a secret is most often
// malformed because somebody mistyped it.
func TestMalformedSecretsAreNotLogged(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	job := x.a.Job(t, "j1")
	const secret = "hunter2-hunter2-hunter2-hunter2"
	x.log.secret(secret)
	auth := header("Authorization", "Bearer "+x.a.Climber.Token)
	for name, do := range map[string]func(){
		"a token":           func() { x.post(t, identityRPC, `{}`, header("Authorization", "Bearer "+secret)) },
		"a token with dots": func() { x.post(t, identityRPC, `{}`, header("Authorization", "Bearer a."+secret+".c")) },
		"a cookie":          func() { x.post(t, identityRPC, `{}`, header("Cookie", "witnessmark_session="+secret)) },
		"basic credentials": func() { x.post(t, identityRPC, `{}`, header("Authorization", "Basic "+secret)) },
		"an own code": func() {
			x.post(t, witnessmarkv1.PeopleService_SetOwnCode_FullMethodName, `{"code":"`+secret+`"}`, auth)
		},
		"a code of no text": func() {
			x.post(t, witnessmarkv1.PeopleService_SetOwnCode_FullMethodName, `{"code":{"`+secret+`":1}}`, auth)
		},
		"an enrolment code": func() { x.post(t, witnessmarkv1.DeviceService_Enroll_FullMethodName, `{"code":"`+secret+`"}`) },
		"an enrolment key": func() {
			x.post(t, witnessmarkv1.DeviceService_Enroll_FullMethodName, `{"code":"0000-0000-0000-0000","publicKey":"`+secret+`"}`)
		},
		"a link's secret":  func() { x.post(t, openRPC, `{"secret":"`+secret+`"}`) },
		"a link's by REST": func() { x.post(t, "/v1/shareLinks:open", `{"secret":"`+secret+`","extra":"`+secret+`"}`) },
		"a payload": func() {
			x.a.Climber.Submit(t, job, &witnessmarkv1.SubmittedEntry{Payload: []byte(`{"note":{"text":"` + secret + `"},"` + secret + `":1`)})
		},
		"a payload's enum": func() {
			x.a.Climber.Submit(t, job, &witnessmarkv1.SubmittedEntry{Payload: []byte(`{"acknowledged":{"fitness":"` + secret + `"}}`)})
		},
		"a signature": func() {
			x.a.Climber.Submit(t, job, &witnessmarkv1.SubmittedEntry{Payload: []byte(`{}`), Signature: []byte(secret), KeyId: secret})
		},
		"half JSON": func() { x.post(t, witnessmarkv1.JobService_SubmitEntries_FullMethodName, `{"`+secret+`"`, auth) },
		"protobuf": func() {
			x.post(t, witnessmarkv1.JobService_SubmitEntries_FullMethodName, secret, auth, func(r *http.Request) { r.Header.Set("Content-Type", "application/proto") })
		},
		"a token in the query": func() { x.fetch(t, "GET", "/v1/jobs?access_token="+secret, "") },
		"and of a download":    func() { x.fetch(t, "GET", "/"+job+"/report?access_token="+secret, "") },
		"a procedure": func() {
			_, _ = x.a.Office.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: []byte("id: [" + secret)})
		}, // refused
	} {
		do()
		if l := x.log.leaks(); len(l) > 0 {
			t.Errorf("%s was written into the log: %v", name, l)
			x.log.forget()
		}
	}
}
