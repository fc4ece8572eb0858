package server_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/photo/testpicture"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
	"witnessmark/server"
	"witnessmark/server/servertest"
)

// sealedJob is a job with a photo, ended and sealed, at a site.
func (x *target) sealedJob(t *testing.T, id, site string, seed uint64) (job string, photo [32]byte) {
	t.Helper()
	j, err := x.a.Lead.Jobs.CreateJob(t.Context(), &witnessmarkv1.CreateJobRequest{JobId: id, Title: "Job " + id, Site: site, ProcedureRevision: x.a.Revision, Plan: minimalPlan(), People: []string{"people/climber"}})
	if err != nil {
		t.Fatal(err)
	}
	data := testpicture.JPEG(testpicture.Options{Family: seed, Seed: seed, Width: 640, Height: 480, Quality: 70})
	if _, err := x.a.Climber.Upload(t.Context(), j.GetName(), "", witnessmarkv1.BeginUploadRequest_PHOTO, data, nil); err != nil {
		t.Fatal(err)
	}
	x.a.End(t, j.GetName())
	return j.GetName(), sha256.Sum256(data)
}

// readers are every RPC that reads one job, and their downloads.
func jobReads(job string, photo [32]byte) map[string]proto.Message {
	return map[string]proto.Message{
		"GetJob":            &witnessmarkv1.GetJobRequest{Name: job},
		"ListLines":         &witnessmarkv1.ListLinesRequest{Job: job},
		"GetJobView":        &witnessmarkv1.GetJobViewRequest{Name: job},
		"ListSteps":         &witnessmarkv1.ListStepsRequest{Job: job},
		"WatchJob":          &witnessmarkv1.WatchJobRequest{Job: job},
		"ListRefused":       &witnessmarkv1.ListRefusedRequest{Job: job},
		"DownloadPackage":   &witnessmarkv1.DownloadPackageRequest{Job: job},
		"DownloadFile":      &witnessmarkv1.DownloadFileRequest{Job: job, Digest: hex.EncodeToString(photo[:])},
		"GetInclusionProof": &witnessmarkv1.GetInclusionProofRequest{Job: job},
		"GetReadings":       &witnessmarkv1.GetReadingsRequest{Job: job},
		"GetReport":         &witnessmarkv1.GetReportRequest{Job: job},
	}
}

func jobPaths(job string, photo [32]byte) []string {
	return []string{"/" + job + "/package.zip", "/" + job + "/report", "/" + job + "/readings.csv", "/" + job + "/photos/" + hex.EncodeToString(photo[:]),
		"/v1/" + job, "/v1/" + job + "/lines", "/v1/" + job + "/view", "/v1/" + job + "/steps", "/v1/" + job + "/readings", "/v1/" + job + "/report", "/v1/" + job + "/inclusion"}
}

// fetch is a plain request with a token; it returns the status and the body.
func (x *target) fetch(t *testing.T, method, path, token string, change ...func(*http.Request)) (int, string, http.Header) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, x.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for _, c := range change {
		c(req)
	}
	return do(t, http.DefaultTransport, req)
}

// An auditor reads within his grants and nowhere else, on every way in; what is
// outside is answered as what is not there; an end is an end at once.
func TestAuditorOutsideHisGrantFindsNothing(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	ctx := t.Context()
	if _, err := x.a.Office.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: &witnessmarkv1.Site{Name: "sites/secret-hill", Title: "Secret Hill", Zone: "UTC", Position: &recordv1.Position{Latitude: 1, Longitude: 1}}}); err != nil {
		t.Fatal(err)
	}
	inside, inPhoto := x.sealedJob(t, "inside", x.a.Site, 1)
	outside, outPhoto := x.sealedJob(t, "outside", "sites/secret-hill", 2)
	if _, err := x.a.Office.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: &witnessmarkv1.Person{Name: "people/narrow", Title: "Narrow", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_AUDITOR}}}); err != nil {
		t.Fatal(err)
	}
	narrow := x.a.SignIn(t, "narrow", access.Auditor)
	x.log.secret(narrow.Token)
	grant, err := x.a.Office.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: "people/narrow", Sites: []string{x.a.Site}, ExpireTime: timestamppb.New(x.clock.now().Add(time.Hour))}})
	if err != nil {
		t.Fatal(err)
	}
	conn := x.Conn(t)
	// read walks every read of a job and returns the code of each.
	read := func(p *servertest.Person, job string, photo [32]byte) map[string]error {
		t.Helper()
		out := map[string]error{}
		reads := jobReads(job, photo)
		for _, m := range rpcs(t) {
			if req, ok := reads[string(m.Name())]; ok {
				_, err := call(t, servertest.Bearer(ctx, p.Token), conn, m, req)
				out[string(m.Name())] = err
			}
		}
		if len(out) != len(reads) {
			t.Fatalf("walked %d of %d reads", len(out), len(reads))
		}
		return out
	}
	for name, err := range read(narrow, inside, inPhoto) {
		if err != nil {
			t.Errorf("%s within the grant: %v", name, err)
		}
	}
	outsideReads, none := read(narrow, outside, outPhoto), read(narrow, "jobs/none", outPhoto)
	for name, err := range outsideReads {
		if a, b := strings.ReplaceAll(fmt.Sprint(err), "outside", "X"), strings.ReplaceAll(fmt.Sprint(none[name]), "none", "X"); status.Code(err) != codes.NotFound || a != b {
			t.Errorf("%s outside the grant: %v; want %v, as for a job that is not there", name, err, none[name])
		}
	}
	for _, p := range jobPaths(inside, inPhoto) {
		if code, body, _ := x.fetch(t, "GET", p, narrow.Token); code != http.StatusOK {
			t.Errorf("GET %s within the grant = %d %.200s; want 200", p, code, body)
		}
	}
	for _, p := range append(jobPaths(outside, outPhoto),
		"/"+inside+"/photos/"+hex.EncodeToString(outPhoto[:]), // a foreign digest in a job of his
	) {
		if code, body, _ := x.fetch(t, "GET", p, narrow.Token); code != http.StatusNotFound || strings.Contains(body, "Secret") {
			t.Errorf("GET %s outside the grant = %d %.200s; want 404", p, code, body)
		}
	}
	jobs, err := narrow.Jobs.ListJobs(ctx, &witnessmarkv1.ListJobsRequest{})
	if err != nil || len(jobs.GetJobs()) != 1 || jobs.GetJobs()[0].GetName() != inside {
		t.Errorf("jobs that he lists = %v, %v; want %s alone", jobs.GetJobs(), err, inside)
	}
	sites, err := narrow.Setup.ListSites(ctx, &witnessmarkv1.ListSitesRequest{})
	if err != nil || len(sites.GetSites()) != 1 || sites.GetSites()[0].GetName() != x.a.Site {
		t.Errorf("sites that he lists = %v, %v; want %s alone", sites.GetSites(), err, x.a.Site)
	}
	if _, err := narrow.Setup.GetSite(ctx, &witnessmarkv1.GetSiteRequest{Name: "sites/secret-hill"}); status.Code(err) != codes.NotFound {
		t.Errorf("a site outside the grant: %v; want NOT_FOUND", err)
	}
	// Custody: his reads are there, for him and the office, and no other's.
	mine, err := narrow.Grants.ListCustody(ctx, &witnessmarkv1.ListCustodyRequest{PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	actions := map[string]bool{}
	for _, l := range mine.GetLines() {
		actions[l.GetAction()] = true
		if l.GetWho() != "people/narrow" {
			t.Errorf("his custody list has a line of %s", l.GetWho())
		}
	}
	for _, a := range []string{"read job", "read lines", "view job", "download package", "read file", "read report"} {
		if !actions[a] {
			t.Errorf("no custody line %q; have %v", a, actions)
		}
	}
	gs, err := narrow.Grants.ListGrants(ctx, &witnessmarkv1.ListGrantsRequest{})
	if err != nil || len(gs.GetGrants()) != 1 {
		t.Errorf("grants that he lists = %v, %v; want his one", gs.GetGrants(), err)
	}
	// A watch that is open when the grant goes ends before the next line.
	open := x.a.Job(t, "open")
	wctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	w, err := narrow.Jobs.WatchJob(wctx, &witnessmarkv1.WatchJobRequest{Job: open})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Recv(); err != nil {
		t.Fatal(err)
	}
	if _, err := x.a.Office.Grants.RevokeGrant(ctx, &witnessmarkv1.RevokeGrantRequest{Name: grant.GetName()}); err != nil {
		t.Fatal(err)
	}
	x.a.Climber.Submit(t, open, servertest.Sign(t, x.a.Climber.Chain(t, open), servertest.Note("not for him")))
	if m, err := w.Recv(); status.Code(err) != codes.NotFound {
		t.Errorf("the watch after the grant was revoked: %v, %v; want NOT_FOUND", m, err)
	}
	for name, err := range read(narrow, inside, inPhoto) {
		if status.Code(err) != codes.NotFound {
			t.Errorf("%s after the grant was revoked: %v; want NOT_FOUND", name, err)
		}
	}
	// And one that runs out.
	if _, err := x.a.Office.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{Person: "people/narrow", Jobs: []string{inside}, ExpireTime: timestamppb.New(x.clock.now().Add(time.Minute))}}); err != nil {
		t.Fatal(err)
	}
	if _, err := narrow.Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: inside}); err != nil {
		t.Errorf("a job named by a grant: %v", err)
	}
	x.clock.advance(time.Minute)
	if _, err := narrow.Jobs.GetJob(ctx, &witnessmarkv1.GetJobRequest{Name: inside}); status.Code(err) != codes.NotFound {
		t.Errorf("a job after its grant ran out: %v; want NOT_FOUND", err)
	}
}

// A share link's session reads its job by the RPCs that are open to it, and is
// denied everywhere else: other jobs as if they were nowhere, other RPCs by name.
func TestShareLinkSessionReadsOneJob(t *testing.T) {
	x := attack(t, "sqlite", server.Config{})
	shared, photo := x.sealedJob(t, "shared", x.a.Site, 1)
	other, otherPhoto := x.sealedJob(t, "other", x.a.Site, 2)
	token := shareToken(t, x.Server, x.a, shared)
	x.log.secret(token)
	conn := x.Conn(t)
	own, foreign := jobReads(shared, photo), jobReads(other, otherPhoto)
	tried := 0
	for _, m := range rpcs(t) {
		a := option(t, m)
		if a.GetAnonymous() {
			continue
		}
		req, ok := own[string(m.Name())]
		if !ok {
			req = message(t, m.Input())
		}
		_, err := call(t, servertest.Bearer(t.Context(), token), conn, m, req)
		switch {
		case !a.GetShareLink() && (status.Code(err) != codes.PermissionDenied || reason(t, err) != "LINK_DENIED"):
			t.Errorf("%s by a share link: %v; want PERMISSION_DENIED LINK_DENIED", m.Name(), err)
		case a.GetShareLink() && ok && err != nil:
			t.Errorf("%s of its own job by a share link: %v", m.Name(), err)
		}
		if f, ok := foreign[string(m.Name())]; ok && a.GetShareLink() {
			tried++
			if _, err := call(t, servertest.Bearer(t.Context(), token), conn, m, f); status.Code(err) != codes.NotFound {
				t.Errorf("%s of another job by a share link: %v; want NOT_FOUND", m.Name(), err)
			}
		}
	}
	if tried < 8 {
		t.Errorf("tried %d reads of another job; want at least 8", tried)
	}
	for _, p := range jobPaths(other, otherPhoto) {
		if code, body, _ := x.fetch(t, "GET", p, token); code != http.StatusNotFound {
			t.Errorf("GET %s by a link to another job = %d %.200s; want 404", p, code, body)
		}
	}
	for _, p := range jobPaths(shared, photo) {
		if code, body, _ := x.fetch(t, "GET", p, token); code != http.StatusOK {
			t.Errorf("GET %s by its link = %d %.200s; want 200", p, code, body)
		}
	}
	c, err := x.a.Office.Grants.ListCustody(t.Context(), &witnessmarkv1.ListCustodyRequest{Job: shared, PageSize: 500})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(c.GetLines(), func(l *witnessmarkv1.CustodyLine) bool {
		return strings.HasPrefix(l.GetWho(), "shareLinks/") && l.GetAction() == "download package"
	}) {
		t.Error("no custody line says that the package was downloaded through the link")
	}
}
