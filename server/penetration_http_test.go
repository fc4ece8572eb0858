package server_test

import (
	"io"
	"net/http"
	"testing"

	"witnessmark/internal/procedure/proceduretest"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

func minimalPlan() *recordv1.Plan { return proceduretest.Plan() }

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
	return resp.StatusCode, string(b), resp.Header
}
