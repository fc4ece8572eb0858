package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/client"
	"witnessmark/internal/errs"
)

// remote are the options of every command that speaks with a server.
type remote struct {
	server, tokenFile *string
	plain             *bool
	json              *bool
	token             string
	env               func(string) string
}

func remoteFlags(f *flags) *remote {
	return &remote{
		server:    f.text("server", "URL", "", "address of the server (default: the one last enrolled with)"),
		tokenFile: f.text("token-file", "FILE", "", "read the credential from this file"),
		token:     f.secret("token", "the credential itself (default: what 'witnessmark enrol' kept)"),
		plain:     f.yes("plain", "allow plain HTTP to another machine"),
		json:      f.local("json", "for machines"),
		env:       f.env,
	}
}

// credentialsPath is where sign-ins are kept: the user's configuration folder.
func credentialsPath(env func(string) string) (string, error) {
	dir := env("XDG_CONFIG_HOME")
	if dir == "" {
		home := env("HOME")
		if home == "" {
			var err error
			if dir, err = os.UserConfigDir(); err != nil {
				return "", fmt.Errorf("where credentials are kept: %w", err)
			}
		} else {
			dir = filepath.Join(home, ".config")
		}
	}
	return filepath.Join(dir, "witnessmark", "credentials.json"), nil
}

// find returns the server and the credential to use.
func (r *remote) find() (server string, k client.Credential, err error) {
	path, err := credentialsPath(r.env)
	if err != nil {
		return "", k, err
	}
	kept, err := client.OpenCredentials(path)
	if err != nil {
		return "", k, err
	}
	server = strings.TrimRight(*r.server, "/")
	if server == "" {
		server = kept.Current
	}
	if server == "" {
		return "", k, usagef("no server is known: name one with --server, or enrol with 'witnessmark enrol'")
	}
	k = kept.Servers[server]
	switch {
	case *r.tokenFile != "":
		b, err := os.ReadFile(*r.tokenFile)
		if err != nil {
			return "", k, errs.Newf(errs.NotFound, "FILE", "--token-file: %s cannot be read", *r.tokenFile).Because(err)
		}
		k = client.Credential{Token: strings.TrimSpace(string(b))}
	case r.token != "":
		k = client.Credential{Token: r.token}
	}
	if k.Token == "" {
		return "", k, usagef("there is no credential for %s: enrol with 'witnessmark enrol --server %s CODE', or set WITNESSMARK_TOKEN", server, server)
	}
	return server, k, nil
}

// call connects and does something with the server.
func (r *remote) call(want []string, do func(ctx context.Context, s *streams, c *client.Client, args []string) error) func(context.Context, *streams, []string) error {
	return func(ctx context.Context, s *streams, args []string) (err error) {
		if err := exactly(args, want...); err != nil {
			return err
		}
		server, k, err := r.find()
		if err != nil {
			return err
		}
		c, err := client.Dial(server, k.Token, *r.plain)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
		return do(ctx, s, c, args)
	}
}

// named puts a collection before an id that has none: "jobs/j1" for "j1".
func named(collection, id string) string {
	if id == "" || strings.HasPrefix(id, collection+"/") {
		return id
	}
	return collection + "/" + id
}

func bare(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

func bares(names []string) string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = bare(n)
	}
	return strings.Join(out, " ")
}

func names(collection string, ids []string) []string {
	var out []string
	for _, id := range ids {
		for _, one := range commas(id) {
			out = append(out, named(collection, one))
		}
	}
	return out
}

func when(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format("2006-01-02 15:04Z")
}

// word is an enum's value in lower case.
func word(e interface{ String() string }) string {
	return strings.ToLower(strings.ReplaceAll(e.String(), "_", " "))
}

// asks names what a step asks for: the member of its kind that is set.
func asks(m protoreflect.Message) string {
	o := m.Descriptor().Oneofs().ByName("kind")
	if f := m.WhichOneof(o); f != nil {
		return strings.ReplaceAll(string(f.Name()), "_", " ")
	}
	return ""
}

// until reads a moment: a day (its end in UTC), a time, or a duration from now.
func until(text string, now time.Time) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		return timestamppb.New(now.Add(d)), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return timestamppb.New(t), nil
	}
	if t, err := time.Parse(time.DateOnly, text); err == nil {
		return timestamppb.New(t.AddDate(0, 0, 1)), nil
	}
	return nil, usagef("%q is no moment: a day such as 2027-01-31, a time such as 2027-01-31T18:00:00Z, or a duration such as 336h", text)
}

// pages calls next until there is no further page.
func pages(next func(token string) (string, error)) error {
	token := ""
	for {
		t, err := next(token)
		if err != nil || t == "" {
			return err
		}
		token = t
	}
}
