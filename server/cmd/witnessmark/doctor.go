package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	"witnessmark/storage"
)

// How one thing stands.
const (
	fine = "ok"
	look = "LOOK"  // works; somebody should know
	ill  = "WRONG" // something does not work, or evidence is at risk
)

// symptom is one thing that doctor looked at.
type symptom struct {
	State string `json:"state"`
	What  string `json:"what"`
	Says  string `json:"says"`
	Do    string `json:"do,omitempty"`
}

type doctor struct {
	b        *backend
	now      time.Time
	symptoms []symptom
}

func (d *doctor) say(state, what, says, do string) {
	d.symptoms = append(d.symptoms, symptom{state, what, says, do})
}

// failed says that something could not be looked at.
func (d *doctor) failed(what string, err error, do string) { d.say(ill, what, explain(err), do) }

func setupDoctor(f *flags) func(context.Context, *streams, []string) error {
	where := placeFlags(f)
	cert := f.text("tls-cert", "FILE", "", "certificate whose days are counted")
	deep := f.local("deep", "also read every record and log and compute the roots again")
	asJSON := f.local("json", "for machines")
	return func(ctx context.Context, s *streams, args []string) error {
		p, err := where()
		if err != nil {
			return err
		}
		if err := exactly(args); err != nil {
			return err
		}
		d := &doctor{now: s.now()}
		pr := &progress{w: s.err}
		d.examine(ctx, p, *cert, *deep, pr)
		pr.end()
		return d.print(s, *asJSON)
	}
}

func (d *doctor) print(s *streams, asJSON bool) error {
	bad := false
	for _, y := range d.symptoms {
		bad = bad || y.State == ill
	}
	if asJSON {
		if err := printJSON(s.out, map[string]any{"symptoms": d.symptoms, "wrong": bad}); err != nil {
			return err
		}
	} else {
		for _, y := range d.symptoms {
			if _, err := fmt.Fprintf(s.out, "%-5s  %-12s %s\n", y.State, y.What, oneLine(y.Says)); err != nil {
				return err
			}
			if y.Do != "" && y.State != fine {
				if _, err := fmt.Fprintf(s.out, "%-5s  %-12s → %s\n", "", "", oneLine(y.Do)); err != nil {
					return err
				}
			}
		}
	}
	if bad {
		return silent{exitFailed}
	}
	return nil
}

// examine looks at everything that can be looked at; a part that is broken does
// not keep it from the others.
func (d *doctor) examine(ctx context.Context, p place, cert string, deep bool, pr *progress) {
	d.program()
	d.certificate(cert)
	b, err := p.open(ctx, true)
	defer func() {
		if cerr := b.Close(); cerr != nil {
			d.failed("store", cerr, "")
		}
	}()
	d.b = b
	if err != nil {
		switch errs.ReasonOf(err) {
		case "SCHEMA_OLDER":
			d.failed("schema", err, "run 'witnessmark migrate' as the owner of the tables")
		case "SCHEMA_NEWER":
			d.failed("schema", err, "use the program that migrated it, or a newer one; nothing was changed")
		case "KEYS_FOLDER":
			d.failed("log keys", err, "put the folder back, or name it with --keys; without the keys nothing can be locked")
		default:
			d.failed("store", err, "start the database or put the data folder back; nothing else could be looked at")
		}
		if b.store == nil || b.blobs == nil {
			return
		}
	}
	d.store(ctx)
	d.space(p)
	d.photos(ctx)
	d.queues(ctx)
	d.logs(ctx)
	if deep {
		d.deep(ctx, pr)
	}
}

func (d *doctor) program() {
	if d.now.Year() < 2026 || d.now.Year() > 2100 {
		d.say(ill, "clock", "it says "+d.now.UTC().Format(time.RFC3339), "set the clock: receipt times are evidence")
		return
	}
	d.say(fine, "clock", d.now.UTC().Format(time.RFC3339)+"; compare it with a clock that you trust", "")
}

func (d *doctor) certificate(path string) {
	if path == "" {
		return
	}
	until, days, err := certificateDays(path, d.now)
	switch {
	case err != nil:
		d.failed("certificate", err, "give the PEM file that the server uses")
	case days < 0:
		d.say(ill, "certificate", "it ended on "+until.UTC().Format(time.DateOnly), "renew it: phones record, but cannot send")
	case days < 15:
		d.say(look, "certificate", fmt.Sprintf("valid for %.0f days, until %s", days, until.UTC().Format(time.DateOnly)), "renew it now")
	default:
		d.say(fine, "certificate", fmt.Sprintf("valid for %.0f days, until %s", days, until.UTC().Format(time.DateOnly)), "")
	}
}

func (d *doctor) store(ctx context.Context) {
	have, want, err := d.b.store.SchemaVersion(ctx)
	switch {
	case err != nil:
		d.failed("schema", err, "")
	case have < want:
		d.say(ill, "schema", fmt.Sprintf("it is %d and this program wants %d", have, want), "run 'witnessmark migrate'")
	case have > want:
		d.say(ill, "schema", fmt.Sprintf("it is %d and this program knows %d", have, want), "use the newer program")
	default:
		d.say(fine, "schema", fmt.Sprintf("version %d, as this program wants it", have), "")
	}
	if err := d.b.store.Ping(ctx); err != nil {
		d.failed("store", err, "it cannot be written to: look at its disk, its rights, its server's log")
		return
	}
	d.say(fine, "store", "can be written to", "")
}

func (d *doctor) space(p place) {
	if p.postgres != "" {
		return
	}
	free, err := freeBytes(p.data)
	switch {
	case err != nil:
		d.failed("disk", err, "")
	case free < 1<<30:
		d.say(look, "disk", fmt.Sprintf("%d MiB are free", free>>20), "make room: an upload needs up to 32 MiB twice")
	default:
		d.say(fine, "disk", fmt.Sprintf("%d GiB are free", free>>30), "")
	}
	info, err := os.Stat(filepath.Join(p.data, databaseFile))
	if err == nil && info.Mode().Perm()&0o077 != 0 {
		d.say(look, "rights", fmt.Sprintf("%s is open to others (mode %04o)", databaseFile, info.Mode().Perm()), "close it with chmod 600")
	}
}

func (d *doctor) photos(ctx context.Context) {
	r, err := d.b.blobs.Probe(ctx)
	if err != nil {
		d.failed("photos", err, "photos cannot be kept: look at the folder's or the bucket's rights and space")
		return
	}
	if !r.Writable {
		d.say(ill, "photos", "a blob could not be written, read back and deleted in "+r.Where, strings.Join(r.Lines, " "))
		return
	}
	d.say(fine, "photos", "written and read back in "+r.Where, "")
	switch {
	case r.Enforced && r.Compliance:
		d.say(fine, "retention", "kept by the store; not even its administrators can shorten it", "")
	case r.Enforced:
		d.say(fine, "retention", "kept by the store; a privileged credential can lift it", "")
	case r.ObjectLock:
		d.say(ill, "retention", "the store says that it retains, and a retained version could be deleted", "use a store that does; until then the seal alone is the proof")
	default:
		d.say(look, "retention", "not enforced by this store: what is deleted from it is gone; the seal shows it", "for retention use S3 with object lock; keep backups")
	}
	if r.StagingLocked {
		d.say(look, "staging", "the bucket's default retention also holds uploads on their way", "name another bucket with --s3-staging-bucket")
	}
}

func (d *doctor) queues(ctx context.Context) {
	depths, err := d.b.store.QueueDepths(ctx)
	if err != nil {
		d.failed("queues", err, "")
		return
	}
	state, do := fine, ""
	total := int64(0)
	for _, n := range depths {
		total += n
	}
	if total > 1000 {
		state, do = look, "is a server running? It works them off; its log says why one fails"
	}
	d.say(state, "queues", fmt.Sprintf("%d photos and traces to examine, %d lines on their way to jobs, %d retentions to set", depths["examine"], depths["outbox"], depths["retain"]), do)
}

func (d *doctor) logs(ctx context.Context) {
	orgs, err := d.b.store.ListOrganizations(ctx)
	if err != nil {
		d.failed("logs", err, "")
		return
	}
	if len(orgs) == 0 {
		d.say(look, "logs", "there is no organisation yet", "start 'witnessmark serve': it prints the first code")
	}
	for _, org := range orgs {
		what := "log"
		if err := d.log(ctx, org); err != nil {
			d.failed(what, fmt.Errorf("%s: %w", org, err), "")
		}
	}
}

func (d *doctor) log(ctx context.Context, org string) error {
	head, err := d.b.store.GetLogHead(ctx, org)
	if err != nil {
		return err
	}
	origin, err := seal.Origin(d.b.place.logName, org)
	if err != nil {
		return err
	}
	if len(head.Checkpoint) > 0 {
		cp, err := seal.PeekCheckpoint(head.Checkpoint)
		if err != nil {
			return err
		}
		if cp.Origin != origin {
			d.say(ill, "log name", fmt.Sprintf("%s: the log is called %s and the settings call it %s", org, cp.Origin, origin), "set --log-name as it was: a log keeps its name")
			return nil
		}
	}
	if err := d.key(ctx, org, origin, head); err != nil {
		return err
	}
	size, newer, err := d.b.newerCheckpoints(ctx, org)
	if err != nil {
		return err
	}
	if len(newer) > 0 {
		last := newer[len(newer)-1].Key
		d.say(ill, "log", fmt.Sprintf("%s: the store knows %d locks, and a later checkpoint was signed (%s): the store was put back from an older copy", org, size, last),
			"put the newer store back. Until then everything is recorded and nothing is locked: two logs of one size would be a forgery")
		return nil
	}
	if head.Size == 0 {
		d.say(fine, "log", org+": nothing is locked yet", "")
		return nil
	}
	there, same, err := d.b.checkpointBeside(ctx, org, head)
	switch {
	case err != nil:
		return err
	case !there:
		d.say(look, "log", fmt.Sprintf("%s: %d locks; its newest checkpoint is not beside the photos yet", org, head.Size), "it is put there before it is given out; ask for it once with 'witnessmark checkpoint'")
	case !same:
		d.say(ill, "log", fmt.Sprintf("%s: another checkpoint of size %d lies beside the photos", org, head.Size), "two logs of one size exist: find out which copy of the store is the true one; lock nothing")
	default:
		d.say(fine, "log", fmt.Sprintf("%s: %d locks; the newest checkpoint lies beside the photos", org, head.Size), "")
	}
	return nil
}

func (d *doctor) key(ctx context.Context, org, origin string, head storage.LogHead) error {
	if d.b.keys == nil {
		return nil // said already
	}
	has, err := d.b.keys.Has(origin)
	if err != nil {
		return err
	}
	switch {
	case !has && head.Size > 0:
		d.say(ill, "log key", fmt.Sprintf("%s: the key of %s is not in %s, and the log has %d locks", org, origin, d.b.keys.Path(), head.Size), "put the key file back from where you keep it; nothing can be locked or exported without it")
		return nil
	case !has && !d.b.place.makeKeys:
		d.say(ill, "log key", fmt.Sprintf("%s: the key of %s is not in %s", org, origin, d.b.keys.Path()), "make it once with 'witnessmark keys make "+org+"' and copy it to every server")
		return nil
	case !has:
		d.say(fine, "log key", org+": made at the first lock", "")
		return nil
	}
	_, all, err := d.b.keys.Signer(ctx, origin)
	if err != nil {
		return err
	}
	if len(head.Checkpoint) > 0 {
		if _, err := seal.OpenCheckpoint(head.Checkpoint, origin, all...); err != nil {
			d.say(ill, "log key", fmt.Sprintf("%s: the newest checkpoint is not signed by a key in %s", org, d.b.keys.Path()), "this is another key than the one that signed: put the right key file back")
			return nil
		}
	}
	d.say(fine, "log key", fmt.Sprintf("%s: there; fingerprint %s", org, all[0].Fingerprint()), "")
	return nil
}

func (d *doctor) deep(ctx context.Context, pr *progress) {
	x := &inspector{b: d.b, tell: func(done int64, what string) { pr.say("%d lines read, now %s", done, what) }}
	err := x.organizations(ctx, func(org string) error {
		return errors.Join(x.records(ctx, org), x.log(ctx, org))
	})
	if err != nil {
		d.failed("records", err, "")
	}
	for _, w := range x.found {
		d.say(ill, "records", w.Where+": "+w.What, "the store was changed past this program: keep it as it is and restore a copy elsewhere to compare")
	}
	if err == nil && len(x.found) == 0 {
		d.say(fine, "records", fmt.Sprintf("%d jobs, %d lines, %d log leaves: every root is as computed", x.count.jobs, x.count.lines, x.count.leaves), "")
	}
}
