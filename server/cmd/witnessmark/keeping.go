package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/postgres"
)

// keepingCommands are for whoever keeps the server running.
func keepingCommands() []*command {
	return []*command{
		{name: "migrate", summary: "Bring a PostgreSQL database's schema up to date.", setup: setupMigrate, help: `
Runs as the owner of the tables, who is not the role that the server signs in as.
With --app-role that role is given its rights first. It may run again at any time;
a schema newer than this program is refused. The embedded store needs no migrate.`},
		{name: "doctor", summary: "Look at an installation and say what is wrong and what to do.", setup: setupDoctor, help: `
Looks at the store, the schema, the blob store (by writing and, where it claims to
retain, by trying to break retention), the clock, each log against the newest
checkpoint beside the blobs, queues, certificate and log keys. --deep also reads
every record and log and computes the roots again. It changes nothing but the
probe. Exit code 1 when something is wrong.`},
		{name: "backup", args: "DEST", summary: "Copy an embedded installation to a new folder, also while it runs.", setup: setupBackup, help: `
The copy is consistent: database first, then every blob that it names, then checked.
Log keys go along only with --with-keys; keep them in another place otherwise: a copy
without them can be read and verified, and new keys cannot sign for the old log.

With PostgreSQL and S3 use their own tools, in this order, so that every photo that
the database names is in the copy of the bucket:

    pg_dump --format=custom --file=witnessmark.dump "$DSN"   (a role with BYPASSRLS)
    then copy the bucket, with its versions where it has them
    and the folder of the log keys, by itself

    pg_restore --no-owner --dbname="$OWNER_DSN" witnessmark.dump
    witnessmark migrate --app-role witnessmark_app ; witnessmark doctor --deep`},
		{name: "restore", args: "SRC", summary: "Put a backup back into an empty data folder and check it.", setup: setupRestore, help: `
Everything is checked afterwards: each blob's digest, each job's roots, each log.
With --keep-blobs photos that are there already stay and only missing ones are added.
If a newer checkpoint lies beside them, the server records and shows everything and
refuses to lock: another log than the one already signed must never be made.`},
		{name: "fixity", summary: "Read kept photos again and compare their digests.", setup: setupFixity, help: `
A sample by default, everything with --all. A run that was stopped goes on where it
was with --resume FILE. The outcome is written into the organisation's custody list.`},
		{name: "keys", summary: "The logs' private keys.", below: []*command{
			{name: "list", summary: "List the logs that have keys, with what to check them by.", setup: setupKeysList},
			{name: "make", args: "ORGANIZATION", summary: "Make the first key of an organisation's log.", setup: setupKeysMake,
				help: "Once for an installation with several servers; then copy the folder to each of them."},
			{name: "rotate", args: "ORGANIZATION", summary: "Give a log a new key; the ones before stay for what they signed.", setup: setupKeysRotate,
				help: "Start the servers again afterwards, and give auditors the new verifier key."},
		}},
		{name: "office", summary: "Organisations and first codes, on the store itself.", below: []*command{
			{name: "list", summary: "List the organisations.", setup: setupOfficeList},
			{name: "add", args: "ORGANIZATION", summary: "Add an organisation with one person of the office.", setup: setupOfficeAdd},
			{name: "code", args: "ORGANIZATION", summary: "Make a code that signs a person in, such as after the first one was lost.", setup: setupOfficeCode},
			{name: "link", args: "ORGANIZATION PERSON ISSUER SUBJECT", summary: "Let a person's account at an identity provider act for him.", setup: setupOfficeLink},
			{name: "unlink", args: "ORGANIZATION PERSON", summary: "Take that back.", setup: setupOfficeUnlink},
		}},
	}
}

func setupMigrate(f *flags) func(context.Context, *streams, []string) error {
	owner := f.text("postgres-owner", "DSN", "", "DSN of the owner of the tables; better set in the environment (default: what --postgres says)")
	dsn := f.text("postgres", "DSN", "", "the same, where it is the only one")
	role := f.text("app-role", "NAME", "", "role of the server, to be given its rights")
	return func(ctx context.Context, s *streams, args []string) error {
		if err := exactly(args); err != nil {
			return err
		}
		if *owner == "" {
			*owner = *dsn
		}
		if *owner == "" {
			return usagef("--postgres-owner is needed: the DSN of the owner of the tables")
		}
		if *role != "" {
			if err := grant(ctx, *owner, *role); err != nil {
				return err
			}
		}
		if err := postgres.Migrate(ctx, *owner); err != nil {
			return err
		}
		_, err := fmt.Fprintln(s.out, "The schema is the one that this program knows.")
		return err
	}
}

// grant gives the server's role its rights: on what is there and on what comes.
func grant(ctx context.Context, owner, role string) (err error) {
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		return errs.New(errs.Unavailable, "STORE_UNAVAILABLE", "the database does not answer").Because(err)
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	var super, bypass bool
	name := pgx.Identifier{role}.Sanitize()
	if err := conn.QueryRow(ctx, `SELECT rolsuper, rolbypassrls FROM pg_roles WHERE rolname = $1`, role).Scan(&super, &bypass); err != nil {
		return errs.Newf(errs.NotFound, "ROLE_UNKNOWN", "--app-role: there is no role %s; make it with CREATE ROLE %s LOGIN PASSWORD …", role, role).Because(err)
	}
	if super || bypass {
		return errs.Newf(errs.WrongState, "ROLE_TOO_STRONG", "--app-role: %s passes over row-level security; the server wants a role that cannot", role)
	}
	for _, q := range []string{
		`GRANT USAGE ON SCHEMA public TO ` + name,
		`ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO ` + name,
	} {
		if _, err := conn.Exec(ctx, q); err != nil {
			return errs.Newf(errs.WrongState, "GRANT_REFUSED", "the rights of %s cannot be given; is --postgres-owner the owner of the schema?", role).Because(err)
		}
	}
	return nil
}

// ---- keys ----

func setupKeysList(f *flags) func(context.Context, *streams, []string) error {
	where, asJSON := placeFlags(f), f.local("json", "for machines")
	return func(ctx context.Context, s *streams, args []string) error {
		p, err := where()
		if err != nil {
			return err
		}
		if err := exactly(args); err != nil {
			return err
		}
		b := &backend{place: p}
		if b.keys, err = openKeys(p, false); err != nil {
			return err
		}
		origins, err := b.keys.Origins()
		if err != nil {
			return err
		}
		t := table{head: []string{"LOG", "SIGNS", "FINGERPRINT", "VERIFIER KEY"}}
		for _, o := range origins {
			_, all, err := b.keys.Signer(ctx, o)
			if err != nil {
				return err
			}
			for i, k := range all {
				t.add(o, yesNo(i == 0), k.Fingerprint().String(), k.String())
			}
		}
		return t.print(s.out, *asJSON)
	}
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func setupKeysMake(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	return func(_ context.Context, s *streams, args []string) error {
		return keyOf(s, where, args, true, false)
	}
}

func setupKeysRotate(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	return func(_ context.Context, s *streams, args []string) error {
		return keyOf(s, where, args, false, true)
	}
}

func keyOf(s *streams, where func() (place, error), args []string, makeFolder, rotate bool) error {
	p, err := where()
	if err != nil {
		return err
	}
	if err := exactly(args, "ORGANIZATION"); err != nil {
		return err
	}
	keys, err := openKeys(p, makeFolder)
	if err != nil {
		return err
	}
	origin, err := seal.Origin(p.logName, args[0])
	if err != nil {
		return err
	}
	made := keys.Make
	if rotate {
		made = keys.Rotate
	}
	k, err := made(origin)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s\nfingerprint %s\n%s", k.Public(), k.Public().Fingerprint(), k.Public().PEM())
	return err
}

// ---- office ----

func setupOfficeList(f *flags) func(context.Context, *streams, []string) error {
	where, asJSON := placeFlags(f), f.local("json", "for machines")
	return withBackend(where, nil, func(ctx context.Context, s *streams, b *backend, _ []string) error {
		orgs, err := b.store.ListOrganizations(ctx)
		if err != nil {
			return err
		}
		t := table{head: []string{"ORGANIZATION", "TITLE", "LOCKS"}}
		for _, id := range orgs {
			o, err := b.store.GetOrganization(ctx, id)
			if err != nil {
				return err
			}
			h, err := b.store.GetLogHead(ctx, id)
			if err != nil {
				return err
			}
			t.add(id, o.Title, fmt.Sprint(h.Size))
		}
		return t.print(s.out, *asJSON)
	})
}

func setupOfficeAdd(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	title := f.word("title", "TEXT", "", "its name (default: the id)")
	return withBackend(where, []string{"ORGANIZATION"}, func(ctx context.Context, s *streams, b *backend, args []string) error {
		svc := b.service()
		if *title == "" {
			*title = args[0]
		}
		if err := svc.CreateOrganization(ctx, args[0], *title); err != nil {
			return err
		}
		if err := firstPerson(ctx, svc, args[0]); err != nil {
			return err
		}
		code, err := svc.SignInCode(ctx, args[0], "office", 24*time.Hour)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.out, "This code signs the office of %s in, once, within a day: %s\n", args[0], code)
		return err
	})
}

func setupOfficeCode(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	person := f.word("person", "ID", "office", "who signs in with it")
	life := f.span("valid", 24*time.Hour, "how long it holds")
	return withBackend(where, []string{"ORGANIZATION"}, func(ctx context.Context, s *streams, b *backend, args []string) error {
		id := strings.TrimPrefix(*person, "people/")
		svc := b.service()
		if _, err := svc.Person(ctx, args[0], id); err != nil {
			return err
		}
		code, err := svc.SignInCode(ctx, args[0], id, *life)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(s.out, code)
		return err
	})
}

// withBackend opens an installation that is there, checks the arguments, and
// closes it afterwards.
func withBackend(where func() (place, error), want []string, do func(context.Context, *streams, *backend, []string) error) func(context.Context, *streams, []string) error {
	return func(ctx context.Context, s *streams, args []string) (err error) {
		p, err := where()
		if err != nil {
			return err
		}
		if err := exactly(args, want...); err != nil {
			return err
		}
		b, err := p.open(ctx, true)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, b.Close()) }()
		return do(ctx, s, b, args)
	}
}

// ---- fixity ----

// mark is where a fixity run stopped.
type mark struct {
	Organization string   `json:"organization"`
	After        string   `json:"after"` // digest, hex
	Done         []string `json:"done"`  // organisations that are finished
}

func setupFixity(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	all := f.local("all", "read everything, not a sample")
	sample := f.number("sample", "N", 200, "how many photos of each organisation to read")
	resume := f.word("resume", "FILE", "", "keep in this file how far the run is, and go on from there")
	asJSON := f.local("json", "for machines")
	return withBackend(where, nil, func(ctx context.Context, s *streams, b *backend, _ []string) error {
		if *sample < 1 {
			return usagef("--sample is %d; it is 1 or more", *sample)
		}
		if *resume != "" && !*all {
			return usagef("--resume is for --all: a sample is short and chosen anew")
		}
		p := &progress{w: s.err}
		x := &inspector{b: b, tell: func(int64, string) {}}
		err := fixity(ctx, x, p, *all, *sample, *resume, s.now)
		p.end()
		if err != nil {
			return err
		}
		return x.result(s, *asJSON, fmt.Sprintf("%d photos and traces, %d bytes, read again", x.count.blobs, x.count.bytes))
	})
}

func fixity(ctx context.Context, x *inspector, p *progress, all bool, sample int, resume string, now func() time.Time) error {
	var m mark
	if resume != "" {
		b, err := os.ReadFile(resume)
		if err == nil {
			err = json.Unmarshal(b, &m)
		}
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return errs.Newf(errs.Invalid, "RESUME_FILE", "--resume: %s cannot be read", resume).Because(err)
		}
	}
	err := x.organizations(ctx, func(org string) error {
		for _, d := range m.Done {
			if d == org {
				return nil
			}
		}
		var after [32]byte
		if m.Organization == org {
			h, err := hexDigest(m.After)
			if err != nil {
				return err
			}
			after = h
		}
		before := len(x.found)
		first := x.count.blobs
		read := func(bl storage.Blob) error {
			p.say("%s: %d read, %d bytes", org, x.count.blobs, x.count.bytes)
			was := len(x.found)
			if err := x.blob(ctx, org, bl); err != nil {
				return err
			}
			if len(x.found) > was { // who looks at the job's custody sees it there
				if err := x.b.store.AddCustody(ctx, org, storage.CustodyLine{Time: now().UTC().Truncate(time.Millisecond), Who: "server", Action: "original wrong", Job: bl.Job, Subject: seal.Hash(bl.Digest).String()}); err != nil {
					return err
				}
			}
			if resume != "" && x.count.blobs%50 == 0 {
				m.Organization, m.After = org, seal.Hash(bl.Digest).String()
				return m.keep(resume)
			}
			return nil
		}
		if err := chosen(ctx, x.b.store, org, after, all, sample, read); err != nil {
			return err
		}
		m.Done, m.Organization, m.After = append(m.Done, org), "", ""
		if resume != "" {
			if err := m.keep(resume); err != nil {
				return err
			}
		}
		outcome := fmt.Sprintf("%d read, %d wrong", x.count.blobs-first, len(x.found)-before)
		return x.b.store.AddCustody(ctx, org, storage.CustodyLine{Time: now().UTC().Truncate(time.Millisecond), Who: "server", Action: "fixity", Subject: outcome})
	})
	if err == nil && resume != "" {
		if rerr := os.Remove(resume); rerr != nil && !errors.Is(rerr, os.ErrNotExist) {
			return fmt.Errorf("fixity: %w", rerr)
		}
	}
	return err
}

func (m mark) keep(path string) error {
	b, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("--resume: %w", err)
	}
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return fmt.Errorf("--resume: %w", err)
	}
	return os.Rename(path+".new", path)
}

// result prints what an inspector found and fails if it found something.
func (x *inspector) result(s *streams, asJSON bool, summary string) error {
	if asJSON {
		if x.found == nil {
			x.found = []wrong{}
		}
		if err := printJSON(s.out, map[string]any{"wrong": x.found, "jobs": x.count.jobs, "lines": x.count.lines, "leaves": x.count.leaves, "blobs": x.count.blobs, "bytes": x.count.bytes}); err != nil {
			return err
		}
	} else {
		for _, w := range x.found {
			if _, err := fmt.Fprintf(s.out, "WRONG  %s: %s\n", w.Where, w.What); err != nil {
				return err
			}
		}
		if _, err := fmt.Fprintf(s.out, "%s: %d wrong\n", summary, len(x.found)); err != nil {
			return err
		}
	}
	if len(x.found) > 0 {
		return silent{exitFailed}
	}
	return nil
}
