package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/demo"
	"witnessmark/internal/errs"
	"witnessmark/internal/workflow"
	"witnessmark/server"
)

// firstPerson makes the person of the office of a new organisation.
func firstPerson(ctx context.Context, svc *workflow.Service, org string) error {
	_, err := svc.CreatePerson(ctx, access.Identity{Org: org}, access.Person{ID: "office", Title: "Office", Roles: []access.Role{access.Office}}, "")
	return err
}

// demoMark is in a data folder that demo made, so that it touches no other.
const demoMark = "demonstration.txt"

func setupDemo(f *flags) func(context.Context, *streams, []string) error {
	data := f.word("data", "FOLDER", "", "keep it in this folder (default: a temporary one that goes away)")
	listen := f.text("listen", "ADDRESS", "127.0.0.1:8080", "where to listen; 127.0.0.1:0 takes a free port")
	once := f.local("once", "set up, print, and end; with --data the server can be started on it")
	asJSON := f.local("json", "print addresses and credentials for machines")
	logs := f.yes("verbose", "log what the server does")
	return func(ctx context.Context, s *streams, args []string) error {
		if err := exactly(args); err != nil {
			return err
		}
		return runDemo(ctx, s, *data, *listen, *once, *asJSON, *logs)
	}
}

func runDemo(ctx context.Context, s *streams, data, address string, once, asJSON, verbose bool) (err error) {
	level := slog.LevelWarn
	if verbose {
		level = slog.LevelInfo
	}
	slog.SetDefault(slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: level})))
	temporary := data == ""
	if temporary {
		if data, err = os.MkdirTemp("", "witnessmark-demo-"); err != nil {
			return fmt.Errorf("demo: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(data)) }()
	} else if err := demoFolder(data); err != nil {
		return err
	}
	p := place{data: data, keys: filepath.Join(data, "keys"), makeKeys: true, logName: "demo.witnessmark.example"}
	b, err := p.open(ctx, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	orgs, err := b.store.ListOrganizations(ctx)
	if err != nil {
		return err
	}
	if len(orgs) > 0 {
		return errs.Newf(errs.Exists, "DEMO_EXISTS", "the demonstration is set up in %s already; run it with: witnessmark serve --data %s --log-name %s", data, data, p.logName)
	}
	clock := &demo.Clock{}
	svc := b.service()
	svc.Now = clock.Now
	// The demonstration's own set-up calls quicker than people do.
	sv := serving{listen: address, retention: 10 * 365 * 24 * time.Hour}
	sv.config.ByIdentity, sv.config.ByAddress = server.Rate{PerSecond: 5000, Burst: 10000}, server.Rate{PerSecond: 5000, Burst: 10000}
	sv.config.Anonymous = server.Rate{PerSecond: 100, Burst: 100}
	r, err := prepare(sv, svc)
	if err != nil {
		return err
	}
	// The server runs while it is set up; the workers begin afterwards.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	served := make(chan error, 1)
	go func() { served <- r.run(ctx, false) }()
	began := time.Now()
	res, err := demo.Seed(ctx, demo.Options{Service: svc, Clock: clock, Server: r.url, Progress: func(what string) {
		if !asJSON {
			// Progress that cannot be shown is no reason to stop.
			_, _ = fmt.Fprintf(s.err, "setting up: %s\n", what)
		}
	}})
	if err == nil {
		err = os.WriteFile(filepath.Join(data, demoMark), []byte("An invented organisation made by 'witnessmark demo'. Nothing in it exists.\n"), 0o600)
	}
	if err != nil {
		cancel()
		return errors.Join(err, <-served)
	}
	if asJSON {
		err = printJSON(s.out, demoJSON(r.url, data, p.logName, res))
	} else {
		err = printDemo(s.out, r.url, data, temporary, p.logName, once, time.Since(began), res)
	}
	if err != nil || once {
		cancel()
		return errors.Join(err, <-served)
	}
	var wg sync.WaitGroup
	wg.Go(func() { svc.RunWorkers(ctx) })
	err = <-served
	cancel()
	wg.Wait()
	return err
}

// demoFolder takes a folder that is empty, not there, or an earlier demonstration's.
func demoFolder(path string) error {
	if _, err := os.Stat(filepath.Join(path, demoMark)); err == nil {
		return nil
	}
	return emptyFolder(path)
}

// link is where a one-time code is typed in by itself.
func link(url, code string) string { return url + "/#code=" + code }

func demoJSON(url, data, logName string, r *demo.Result) any {
	type login struct {
		Person string `json:"person"`
		Title  string `json:"title"`
		Role   string `json:"role"`
		Code   string `json:"code"`
		Link   string `json:"link"`
		Token  string `json:"token"`
	}
	list := func(ls []demo.Login) []login {
		var out []login
		for _, l := range ls {
			out = append(out, login{l.Person, l.Title, l.Role, l.Code, link(url, l.Code), l.Token})
		}
		return out
	}
	return map[string]any{"url": url, "data": data, "logName": logName, "logKey": r.LogKey, "organization": r.Organization, "logins": list(r.Logins),
		"otherOrganization": demo.OtherOrg, "otherLogins": list(r.Other), "share": r.Share, "lockedJob": demo.LockedJob, "lockedFibreJob": demo.LockedFibreJob, "workJob": demo.WorkJob, "fibreJob": demo.FibreJob}
}

func printDemo(w io.Writer, url, data string, temporary bool, logName string, once bool, took time.Duration, r *demo.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nWitnessmark demonstration on %s, set up in %.1f s. Nothing in it exists.\n", url, took.Seconds())
	if temporary {
		fmt.Fprintf(&b, "Data in %s; it goes away at the end.\n", data)
	} else {
		fmt.Fprintf(&b, "Data in %s; serve it again with: witnessmark serve --data %s --log-name %s\n", data, data, logName)
	}
	logins := func(title string, ls []demo.Login) {
		fmt.Fprintf(&b, "\n%s: each link signs in once, within a day\n", title)
		for _, l := range ls {
			fmt.Fprintf(&b, "  %-8s %-16s %s\n", l.Role, strings.SplitN(l.Title, ",", 2)[0], link(url, l.Code))
		}
	}
	logins("Tallow Knot Rigging (invented)", r.Logins)
	logins("Quoin Sound Towers (invented), which sees nothing of the first", r.Other)
	fmt.Fprintf(&b, "\nJobs\n  %-18s locked yesterday: a joint made again, a soft photo, a photo used twice, a late note\n", demo.LockedJob)
	fmt.Fprintf(&b, "  %-18s locked yesterday: a fibre trunk without a fault\n", demo.LockedFibreJob)
	fmt.Fprintf(&b, "  %-18s in work: a return loss out of limits, a wrench out of date, and a HOLD for wind\n", demo.WorkJob)
	fmt.Fprintf(&b, "  %-18s in work: a fibre end face that fails\n", demo.FibreJob)
	fmt.Fprintf(&b, "\nRead-only link to the locked job, for anyone\n  %s\n", r.Share)
	b.WriteString("\nTokens for machines, valid 12 hours\n")
	for _, l := range r.Logins {
		fmt.Fprintf(&b, "  %-8s %s\n", l.Role, l.Token)
	}
	var lead, auditor string
	for _, l := range r.Logins {
		switch l.Role {
		case "lead":
			lead = l.Token
		case "auditor":
			auditor = l.Token
		}
	}
	fmt.Fprintf(&b, "\nTry\n  curl -H 'Authorization: Bearer %s' %s/v1/jobs\n", lead, url)
	fmt.Fprintf(&b, "  WITNESSMARK_TOKEN=%s witnessmark jobs show --server %s %s\n", lead, url, demo.WorkJob)
	fmt.Fprintf(&b, "  WITNESSMARK_TOKEN=%s witnessmark package --server %s %s\n", auditor, url, demo.LockedJob)
	fmt.Fprintf(&b, "  witnessmark-verify --log-key '%s' %s.zip\n", r.LogKey, demo.LockedJob)
	if !once {
		b.WriteString("\nEnd with Ctrl-C.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}
