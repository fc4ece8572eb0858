package server

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// rule is who may call one RPC.
type rule struct {
	roles     []access.Role
	anonymous bool
	shareLink bool
	signedIn  bool // any person with a session; for what has no option of ours
}

// foreign are the services of others that may be registered, and who calls them.
// Health says nothing about anyone's data; reflection is for integrators.
var foreign = map[string]rule{
	"grpc.health.v1.Health":                    {anonymous: true},
	"grpc.reflection.v1.ServerReflection":      {signedIn: true},
	"grpc.reflection.v1alpha.ServerReflection": {signedIn: true},
}

// policy is the rule of every registered RPC by its full name, "/service/method".
type policy map[string]rule

// policyOf reads the rule of each registered RPC from its declaration.
//
// The error names every RPC without one: such a server does not start.
func policyOf(services map[string]grpc.ServiceInfo) (policy, error) {
	p := policy{}
	var missing []string
	for service, info := range services {
		for _, m := range info.Methods {
			full := "/" + service + "/" + m.Name
			if r, ok := foreign[service]; ok {
				p[full] = r
				continue
			}
			r, ok := declared(service, m.Name)
			if !ok {
				missing = append(missing, full)
				continue
			}
			p[full] = r
		}
	}
	if len(missing) > 0 {
		sort.Strings(missing)
		return nil, fmt.Errorf("no access declared for %s", strings.Join(missing, ", "))
	}
	return p, nil
}

func declared(service, method string) (rule, bool) {
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
	if err != nil {
		return rule{}, false
	}
	sd, ok := d.(protoreflect.ServiceDescriptor)
	if !ok {
		return rule{}, false
	}
	md := sd.Methods().ByName(protoreflect.Name(method))
	if md == nil || !proto.HasExtension(md.Options(), witnessmarkv1.E_Access) {
		return rule{}, false
	}
	a, ok := proto.GetExtension(md.Options(), witnessmarkv1.E_Access).(*witnessmarkv1.Access)
	if !ok {
		return rule{}, false
	}
	r := rule{anonymous: a.GetAnonymous(), shareLink: a.GetShareLink()}
	for _, x := range a.GetRoles() {
		role, ok := roleOf[x]
		if !ok {
			return rule{}, false
		}
		r.roles = append(r.roles, role)
	}
	return r, r.anonymous || r.shareLink || len(r.roles) > 0
}

// check says whether a caller may call an RPC. What is not declared is denied.
//
// The error is Denied ROLE_MISSING, LINK_DENIED or NOT_DECLARED.
func (p policy) check(full string, id access.Identity) error {
	r, ok := p[full]
	switch {
	case !ok:
		return errs.New(errs.Denied, "NOT_DECLARED", "this call is not open to anyone")
	case r.anonymous:
		return nil
	case id.ShareLink != "":
		if !r.shareLink {
			return errs.New(errs.Denied, "LINK_DENIED", "a share link cannot do this; it reads one job")
		}
		return nil
	case r.signedIn && id.Person != "":
		return nil
	case slices.ContainsFunc(r.roles, id.Is):
		return nil
	}
	names := make([]string, len(r.roles))
	for i, x := range r.roles {
		names[i] = string(x)
	}
	return errs.New(errs.Denied, "ROLE_MISSING", "this needs the role "+strings.ToLower(strings.Join(names, " or ")), "roles", strings.Join(names, " "))
}
