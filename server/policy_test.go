package server

import (
	"strings"
	"testing"

	"google.golang.org/grpc"

	"witnessmark/internal/access"
)

// A registered RPC without a declared caller keeps the server from starting.
func TestAnRPCWithoutDeclaredAccessDoesNotStart(t *testing.T) {
	_, err := policyOf(map[string]grpc.ServiceInfo{
		"witnessmark.v1.JobService": {Methods: []grpc.MethodInfo{{Name: "GetJob"}, {Name: "EraseJob"}}},
		"example.Backdoor":          {Methods: []grpc.MethodInfo{{Name: "Open"}}},
	})
	if err == nil || !strings.Contains(err.Error(), "/example.Backdoor/Open") || !strings.Contains(err.Error(), "/witnessmark.v1.JobService/EraseJob") || strings.Contains(err.Error(), "GetJob") {
		t.Errorf("policyOf = %v; want an error that names Open and EraseJob and not GetJob", err)
	}
	if err := (policy{}).check("/example.Backdoor/Open", access.Identity{Person: "p", Roles: []access.Role{access.Office}}); err == nil {
		t.Error("a call that is not declared was allowed")
	}
}
