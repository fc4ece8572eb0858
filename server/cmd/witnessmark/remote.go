package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"witnessmark/internal/client"
	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// clientCommands speak with a server by its API.
func clientCommands() []*command {
	return []*command{
		{name: "enrol", args: "[CODE]", summary: "Trade a one-time code for a sign-in, kept for the commands that follow.", setup: setupEnrol, help: `
Without CODE it is asked for on the standard input, so that no shell keeps it. With
--device this machine becomes a device with a key of its own, which signs what
'witnessmark submit' sends. The sign-in is kept in the user's configuration folder,
readable by its owner alone.`},
		{name: "whoami", summary: "Who this sign-in is, and the server's time.", setup: setupWhoami},
		{name: "signout", summary: "End this sign-in here and on the server.", setup: setupSignOut},
		{name: "jobs", summary: "Jobs: list, show, open, assign, end.", below: []*command{
			{name: "list", summary: "List jobs, newest first.", setup: setupJobsList},
			{name: "show", args: "JOB", summary: "How a job stands: holds, exceptions, what is open.", setup: setupJobsShow},
			{name: "create", args: "TITLE", summary: "Open a job with a site, a procedure and a plan.", setup: setupJobsCreate},
			{name: "assign", args: "JOB", summary: "Say who is on a job and on which day.", setup: setupJobsAssign},
			{name: "end", args: "JOB", summary: "End a job unfinished, and seal it.", setup: setupJobsEnd},
		}},
		{name: "readings", args: "JOB", summary: "The readings of a job as CSV.", setup: setupReadings},
		{name: "package", args: "JOB", summary: "Fetch the evidence package of a locked or ended job.", setup: setupPackage, help: `
Check it with 'witnessmark-verify --log-key KEY FILE'; KEY from 'witnessmark checkpoint',
or better from someone who has had it since before the job.`},
		{name: "report", args: "JOB", summary: "The report of a job as one HTML page.", setup: setupReport},
		{name: "refused", summary: "Entries that were refused and kept aside.", below: []*command{
			{name: "list", args: "JOB", summary: "List them.", setup: setupRefusedList},
			{name: "admit", args: "JOB DIGEST", summary: "Take one into the record after all, with a reason.", setup: setupRefusedAdmit},
		}},
		{name: "submit", args: "FILE.jsonl", summary: "Send a phone's export as it is, or entries signed by this device.", setup: setupSubmit, help: `
One JSON object a line; '-' reads the standard input. FILE.jsonl is the file that a
phone saves of its unsent work: entries go as they were signed there, photos and
traces in pieces, from where an earlier attempt stopped. Each line has its result; a
line that is damaged is told and the others are sent. All of it may be sent again
without harm.

Any other line is an entry; what it lacks of id, author, device, counter, previous and
time is filled in, and it is signed with the key of this device ('witnessmark enrol
--device'). Name a file with --signed: it gets the signed lines before they are sent,
and can be sent again if the answer was lost.

Exit code 1 if any line was refused or could not be sent, 3 if the server does not
answer.`},
		{name: "checkpoint", summary: "The signed head of the organisation's log, and the key to check it with.", setup: setupCheckpoint},
		{name: "photos", summary: "Photos: redact, legal hold, twins.", below: []*command{
			{name: "redact", args: "JOB DIGEST", summary: "Make a copy in which parts are filled in, for sharing.", setup: setupPhotosRedact},
			{name: "hold", args: "JOB on|off", summary: "Set or lift a legal hold on a job's originals.", setup: setupPhotosHold},
			{name: "twins", args: "JOB DIGEST", summary: "Find photos that look like one.", setup: setupPhotosTwins},
		}},
		{name: "settings", summary: "The organisation's settings: show, set.", below: []*command{
			{name: "show", summary: "Show them.", setup: setupSettingsShow},
			{name: "set", summary: "Change those that are named.", setup: setupSettingsSet},
		}},
		{name: "people", summary: "People: list, add, update, codes.", below: []*command{
			{name: "list", summary: "List the people.", setup: setupPeopleList},
			{name: "add", args: "ID NAME", summary: "Add a person.", setup: setupPeopleAdd},
			{name: "update", args: "ID", summary: "Change roles or qualifications, or disable; what is not named stays.", setup: setupPeopleUpdate},
			{name: "code", args: "ID", summary: "Make a one-time code that enrols a person's device or signs him in.", setup: setupPeopleCode},
		}},
		{name: "devices", summary: "Devices: list, revoke.", below: []*command{
			{name: "list", summary: "List the devices.", setup: setupDevicesList},
			{name: "revoke", args: "DEVICE", summary: "End a device at once, such as a lost phone.", setup: setupDevicesRevoke},
		}},
		{name: "sites", summary: "Sites: list, add, update.", below: []*command{
			{name: "list", summary: "List the sites.", setup: setupSitesList},
			{name: "add", args: "ID TITLE", summary: "Add a site with its time zone and place.", setup: setupSitesAdd},
			{name: "update", args: "ID", summary: "Change a site; what is not named stays.", setup: setupSitesUpdate},
		}},
		{name: "instruments", summary: "Instruments and tools: list, add, update.", below: []*command{
			{name: "list", summary: "List the instruments.", setup: setupInstrumentsList},
			{name: "add", args: "ID KIND TITLE", summary: "Add an instrument or tool.", setup: setupInstrumentsAdd},
			{name: "update", args: "ID", summary: "Change an instrument, such as after calibration; what is not named stays.", setup: setupInstrumentsUpdate},
		}},
		{name: "grants", summary: "What auditors may read.", below: []*command{
			{name: "list", summary: "List the grants.", setup: setupGrantsList},
			{name: "add", args: "PERSON", summary: "Let an auditor in, within a scope that ends.", setup: setupGrantsAdd},
			{name: "revoke", args: "GRANT", summary: "End a grant at once.", setup: setupGrantsRevoke},
		}},
		{name: "share", summary: "Read-only links to one job.", below: []*command{
			{name: "list", summary: "List the links.", setup: setupShareList},
			{name: "add", args: "JOB", summary: "Make a link; its address is shown once.", setup: setupShareAdd},
			{name: "revoke", args: "LINK", summary: "End a link at once.", setup: setupShareRevoke},
		}},
		{name: "custody", summary: "Who read what: the auditor's own reads, or all for the office.", setup: setupCustody},
	}
}

// ---- signing in ----

func setupEnrol(f *flags) func(context.Context, *streams, []string) error {
	server := f.text("server", "URL", "", "address of the server")
	plain := f.yes("plain", "allow plain HTTP to another machine")
	device := f.local("device", "make this machine a device that signs")
	title := f.word("title", "TEXT", "", "what people call this machine (default: its name)")
	return func(ctx context.Context, s *streams, args []string) (err error) {
		if len(args) > 1 {
			return usagef("%q is more than is wanted here", args[1])
		}
		if *server == "" {
			return usagef("--server is needed: the address of the server, such as https://tower.example.com")
		}
		code := ""
		if len(args) == 1 {
			code = args[0]
		} else {
			if _, err := fmt.Fprint(s.err, "Code: "); err != nil {
				return err
			}
			if code, err = bufio.NewReader(io.LimitReader(s.in, 1000)).ReadString('\n'); err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("read the code: %w", err)
			}
		}
		path, err := credentialsPath(s.env)
		if err != nil {
			return err
		}
		kept, err := client.OpenCredentials(path)
		if err != nil {
			return err
		}
		address := strings.TrimRight(*server, "/")
		c, err := client.Dial(address, "", *plain)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
		if *title == "" {
			if *title, err = os.Hostname(); err != nil {
				*title = "command line"
			}
		}
		var k client.Credential
		res, err := enrol(ctx, c, strings.TrimSpace(code), *title, *device, &k)
		if err != nil {
			return err
		}
		if err := kept.Keep(address, k); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.out, "Signed in to %s as %s (%s) of %s.\n", address, oneLine(res.GetPerson().GetTitle()), res.GetPerson().GetName(), res.GetOrganization())
		return err
	}
}

func enrol(ctx context.Context, c *client.Client, code, title string, device bool, k *client.Credential) (*witnessmarkv1.EnrollResponse, error) {
	if !device {
		res, err := c.Enrol(ctx, code, title, nil)
		if err != nil {
			return nil, err
		}
		*k = client.Credential{Token: res.GetToken(), Organization: res.GetOrganization(), Person: res.GetPerson().GetName()}
		return res, nil
	}
	key, err := client.NewKey()
	if err != nil {
		return nil, err
	}
	res, err := c.Enrol(ctx, code, title, key)
	if err != nil {
		return nil, err
	}
	*k = client.Credential{Token: res.GetToken(), Organization: res.GetOrganization(), Person: res.GetPerson().GetName(), Device: res.GetDevice().GetName()}
	k.Key, err = client.MarshalKey(key)
	return res, err
}

func setupWhoami(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		id, err := c.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, id)
		}
		roles := []string{}
		for _, x := range id.GetPerson().GetRoles() {
			roles = append(roles, word(x))
		}
		_, err = fmt.Fprintf(s.out, "%s (%s), %s\n%s (%s)\ndevice %s\nserver %s, its clock %s\n", oneLine(id.GetPerson().GetTitle()), id.GetPerson().GetName(), strings.Join(roles, ", "),
			oneLine(id.GetOrganizationTitle()), id.GetOrganization(), orNone(id.GetDevice().GetName()), id.GetServerVersion(), when(id.GetServerTime()))
		return err
	})
}

func setupSignOut(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		if _, err := c.Devices.SignOut(ctx, &witnessmarkv1.SignOutRequest{}); err != nil {
			return err
		}
		server, _, err := r.find()
		if err != nil {
			return err
		}
		path, err := credentialsPath(s.env)
		if err != nil {
			return err
		}
		kept, err := client.OpenCredentials(path)
		if err != nil {
			return err
		}
		return kept.Forget(server)
	})
}

// ---- jobs ----

func setupJobsList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	mine := f.local("mine", "only those that I am on")
	day := f.word("day", "DAY", "", "only those of this day, YYYY-MM-DD")
	site := f.word("site", "SITE", "", "only those of this site")
	state := f.word("state", "STATE", "", "only those that are open, finished, locked or ended")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		req := &witnessmarkv1.ListJobsRequest{Mine: *mine, Day: *day, Site: named("sites", *site), PageSize: 1000}
		if *state != "" {
			n, ok := witnessmarkv1.Job_State_value[strings.ToUpper(*state)]
			if !ok || n == 0 {
				return usagef("--state is %q; it is open, finished, locked or ended", *state)
			}
			req.State = witnessmarkv1.Job_State(n)
		}
		var list []*witnessmarkv1.Job
		err := pages(func(token string) (string, error) {
			req.PageToken = token
			p, err := c.Jobs.ListJobs(ctx, req)
			list = append(list, p.GetJobs()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"JOB", "STATE", "DAY", "SITE", "LINES", "TITLE"}}
		for _, j := range list {
			state := word(j.GetState())
			if j.GetContradicted() {
				state += " (an addendum contradicts the record)"
			}
			t.add(bare(j.GetName()), state, j.GetDay(), bare(j.GetSite()), strconv.FormatInt(j.GetLineCount(), 10), j.GetTitle())
		}
		return t.print(s.out, false)
	})
}

func setupJobsShow(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		v, err := c.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: named("jobs", args[0]), OmitProcedure: true})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, v)
		}
		return showJob(s.out, v)
	})
}

func showJob(w io.Writer, v *witnessmarkv1.JobView) error {
	var b strings.Builder
	j, n := v.GetJob(), v.GetCounts()
	fmt.Fprintf(&b, "%s: %s\n", bare(j.GetName()), oneLine(j.GetTitle()))
	fmt.Fprintf(&b, "state      %s, as of %s\n", word(j.GetState()), when(v.GetAsOfTime()))
	fmt.Fprintf(&b, "site       %s (%s)\nprocedure  %s %.12s\n", oneLine(j.GetSiteTitle()), j.GetZone(), j.GetProcedure(), j.GetProcedureDigest())
	fmt.Fprintf(&b, "steps      %d of %d required are done, %d open, %d out of limits, %d waiting for the server\n", n.GetDoneCount(), n.GetRequiredCount(), n.GetOpenCount(), n.GetOutOfLimitsCount(), n.GetWaitingCount())
	fmt.Fprintf(&b, "record     %d lines, root %x\n", v.GetHead().GetSize(), v.GetHead().GetRoot())
	if j.GetAddendumCount() > 0 {
		fmt.Fprintf(&b, "addenda    %d\n", j.GetAddendumCount())
	}
	if j.GetContradicted() {
		b.WriteString("AN ADDENDUM CONTRADICTS THE RECORD\n")
	}
	if v.GetStopped() {
		b.WriteString("HOLD       work is stopped\n")
	}
	for _, h := range v.GetHolds() {
		fmt.Fprintf(&b, "HOLD       %s: %s\n           %s\n", oneLine(h.GetTitle()), oneLine(h.GetSentence()), h.GetGate())
	}
	for _, d := range v.GetDoubts() {
		if !d.GetAssessed() {
			fmt.Fprintf(&b, "doubt      %s\n", oneLine(d.GetSentence()))
		}
	}
	for _, x := range v.GetExceptions() {
		seen := "not looked at"
		if x.GetLookedAt() {
			seen = "looked at"
		}
		fmt.Fprintf(&b, "exception  %s, %s: %s\n", x.GetKind(), seen, oneLine(x.GetSentence()))
		if x.GetStep() != "" {
			fmt.Fprintf(&b, "           %s\n", x.GetStep())
		}
	}
	for _, x := range v.GetBlockers() {
		if x.GetReason() == "HOLD" { // said above
			continue
		}
		fmt.Fprintf(&b, "blocks     %s\n", oneLine(x.GetSentence()))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func setupJobsCreate(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	id := f.word("id", "ID", "", "id of the job (default: chosen by the server)")
	site := f.word("site", "SITE", "", "the site")
	proc := f.word("procedure", "ID", "", "the procedure, its newest revision; or procedures/ID/revisions/DIGEST")
	plan := f.word("plan", "FILE.csv", "", "the plan")
	people := f.words("people", "IDS", "who is on it, commas between them")
	day := f.word("day", "DAY", "", "the day that it is planned for, YYYY-MM-DD")
	follows := f.word("follows", "JOB", "", "the job before")
	return r.call([]string{"TITLE"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if *site == "" || *proc == "" || *plan == "" {
			return usagef("--site, --procedure and --plan are needed")
		}
		p, err := readPlan(s, *plan, *r.json)
		if err != nil {
			return err
		}
		revision := *proc
		if !strings.Contains(revision, "/") {
			revision = "procedures/" + revision + "/revisions/latest"
		}
		j, err := c.Jobs.CreateJob(ctx, &witnessmarkv1.CreateJobRequest{JobId: *id, Title: args[0], Site: named("sites", *site), ProcedureRevision: revision, Plan: p.GetPlan(),
			People: names("people", *people), Day: *day, Follows: named("jobs", *follows)})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, j)
		}
		_, err = fmt.Fprintln(s.out, bare(j.GetName()))
		return err
	})
}

func setupJobsAssign(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	people := f.words("people", "IDS", "everyone who is on it from now on, commas between them")
	day := f.word("day", "DAY", "", "the day that it is planned for, YYYY-MM-DD")
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if len(*people) == 0 {
			return usagef("--people is needed: it replaces who is on the job")
		}
		j, err := c.Jobs.AssignJob(ctx, &witnessmarkv1.AssignJobRequest{Name: named("jobs", args[0]), People: names("people", *people), Day: *day})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, j)
		}
		_, err = fmt.Fprintf(s.out, "%s: %s\n", bare(j.GetName()), bares(j.GetPeople()))
		return err
	})
}

func setupJobsEnd(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	reason := f.word("reason", "TEXT", "", "why; it stands in the record")
	code := f.secret("code", "your own code, where you have set one")
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if strings.TrimSpace(*reason) == "" {
			return usagef("--reason is needed")
		}
		job := named("jobs", args[0])
		chain, err := r.chain(ctx, c, job, s.now)
		if err != nil {
			return err
		}
		v, err := c.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: job, OmitProcedure: true})
		if err != nil {
			return err
		}
		sub, err := chain.sign(&recordv1.Entry{Kind: &recordv1.Entry_EndedUnfinished{EndedUnfinished: &recordv1.EndedUnfinished{
			Reason: *reason, Size: v.GetHead().GetSize(), Root: v.GetHead().GetRoot()}}})
		if err != nil {
			return err
		}
		res, err := c.Jobs.EndJob(ctx, &witnessmarkv1.EndJobRequest{Job: job, Entry: sub, Code: code})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, res)
		}
		_, err = fmt.Fprintf(s.out, "%s ended unfinished and sealed: %d lines, final root %x\n", args[0], res.GetHead().GetSize(), res.GetHead().GetRoot())
		return err
	})
}

// signer makes entries ready to be sent: signed by this machine's device, or as
// messages that the server attests.
type signer struct {
	chain    *client.Chain
	attested *client.Chain // without a key
}

func (r *remote) chain(ctx context.Context, c *client.Client, job string, now func() time.Time) (*signer, error) {
	_, k, err := r.find()
	if err != nil {
		return nil, err
	}
	if k.Device != "" && k.Key != "" {
		key, err := client.ParseKey(k.Key)
		if err != nil {
			return nil, err
		}
		ch, err := c.NewChain(ctx, client.Device{Name: k.Device, Person: k.Person, Key: key}, job, now)
		return &signer{chain: ch}, err
	}
	id, err := c.Devices.GetIdentity(ctx, &witnessmarkv1.GetIdentityRequest{})
	if err != nil {
		return nil, err
	}
	return &signer{attested: &client.Chain{Device: client.Device{Person: id.GetPerson().GetName()}, Job: job, Now: now}}, nil
}

func (g *signer) sign(e *recordv1.Entry) (*witnessmarkv1.SubmittedEntry, error) {
	if g.chain != nil {
		sub, _, err := g.chain.Sign(e)
		return sub, err
	}
	e, err := g.attested.Complete(e)
	return &witnessmarkv1.SubmittedEntry{Entry: e}, err
}

func setupSubmit(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	job := f.word("job", "JOB", "", "the job, where an entry does not say")
	signed := f.word("signed", "FILE.jsonl", "", "write what was signed here into this new file first")
	return r.call([]string{"FILE.jsonl"}, func(ctx context.Context, s *streams, c *client.Client, args []string) (err error) {
		in := s.in
		if args[0] != "-" {
			file, err := os.Open(args[0])
			if err != nil {
				return errs.Newf(errs.NotFound, "FILE", "%s cannot be read", args[0]).Because(err)
			}
			defer file.Close()
			in = file
		}
		u := &submission{r: r, c: c, s: s, job: named("jobs", *job), chains: map[string]*signer{}, told: &progress{w: s.err}}
		if *signed != "" {
			out, err := os.OpenFile(*signed, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
			if err != nil {
				return errs.Newf(errs.Exists, "FILE_EXISTS", "--signed: %s cannot be made", *signed).Because(err)
			}
			defer func() { err = errors.Join(err, out.Close()) }()
			u.signed = out
		}
		defer u.told.end()
		if err := client.ReadLines(in, func(l client.Line, err error) error { return u.line(ctx, l, err) }); err != nil {
			// What stands before a line that ends the reading is sent all the same.
			return errors.Join(u.flush(ctx), err)
		}
		if err := u.flush(ctx); err != nil {
			return err
		}
		u.told.end()
		text := fmt.Sprintf("%d accepted, %d known already, %d after the lock, %d refused", u.count[witnessmarkv1.EntryResult_ACCEPTED], u.count[witnessmarkv1.EntryResult_ALREADY_KNOWN],
			u.count[witnessmarkv1.EntryResult_ADDENDUM], u.count[witnessmarkv1.EntryResult_REFUSED])
		if u.files > 0 || u.failed > 0 {
			text += fmt.Sprintf("; %d photos and traces kept; %d lines not sent", u.files, u.failed)
		}
		if _, err := fmt.Fprintln(s.err, text); err != nil {
			return err
		}
		if u.count[witnessmarkv1.EntryResult_REFUSED] > 0 || u.failed > 0 {
			return silent{exitFailed}
		}
		return nil
	})
}

// submission sends entries in batches of one job, in the order of the file.
type submission struct {
	r       *remote
	c       *client.Client
	s       *streams
	job     string // where an entry does not say
	chains  map[string]*signer
	batch   []*witnessmarkv1.SubmittedEntry
	of      string // the job of the batch
	size    int
	count   [5]int
	files   int  // photos and traces that the server keeps
	failed  int  // lines that could not be sent
	foreign bool // a line that was made elsewhere has come: it is an export
	told    *progress
	lines   []int
	signed  *os.File // gets the batch before it is sent; may be nil
}

// keep writes the batch down, on the disk, as a phone exports it.
func (u *submission) keep() error {
	if u.signed == nil {
		return nil
	}
	for _, e := range u.batch {
		if len(e.GetPayload()) == 0 {
			continue // attested by the server: there is nothing signed
		}
		b, err := json.Marshal(exported{e.GetPayload(), e.GetSignature(), e.GetKeyId()})
		if err != nil {
			return fmt.Errorf("--signed: %w", err)
		}
		if _, err := u.signed.Write(append(b, '\n')); err != nil {
			return fmt.Errorf("--signed: %w", err)
		}
	}
	return u.signed.Sync()
}

// exported is an entry as a phone exports it.
type exported struct {
	Payload   []byte `json:"payload"`
	Signature []byte `json:"signature"`
	KeyID     string `json:"keyId"`
}

// line sends one line. In a phone's export a line that is broken is told and the
// others go on; in a file that is signed here it ends the sending, because what
// follows would be signed in another order than it was written.
func (u *submission) line(ctx context.Context, l client.Line, err error) error {
	n := l.Number
	u.foreign = u.foreign || l.Entry != nil || l.File != nil
	switch {
	case err != nil && u.foreign:
		return u.skip(n, err)
	case err != nil:
		return err
	case l.Entry != nil:
		job := l.Job
		if job == "" {
			e, err := seal.ParseEntry(l.Entry.GetPayload())
			if err != nil {
				return u.skip(n, err)
			}
			job = e.Job
		}
		return u.add(ctx, n, job, l.Entry)
	case l.File != nil:
		return u.upload(ctx, l)
	}
	b := l.Plain
	e := &recordv1.Entry{}
	if err := protojson.Unmarshal(b, e); err != nil {
		return errs.Newf(errs.Invalid, "ENTRY_LINE", "line %d is no entry: %v", n, err)
	}
	job := e.GetJob()
	if job == "" {
		job = u.job
	}
	if job == "" {
		return usagef("line %d names no job; say --job", n)
	}
	g := u.chains[job]
	if g == nil {
		if err := u.flush(ctx); err != nil {
			return err
		}
		var err error
		if g, err = u.r.chain(ctx, u.c, job, u.s.now); err != nil {
			return err
		}
		u.chains[job] = g
	}
	sub, err := g.sign(e)
	if err != nil {
		return fmt.Errorf("line %d: %w", n, err)
	}
	return u.add(ctx, n, job, sub)
}

// skip tells that a line was not sent; the result of the others stands.
func (u *submission) skip(n int, err error) error {
	u.failed++
	u.told.end()
	if *u.r.json {
		return printLine(u.s.out, map[string]any{"line": n, "error": explain(err)})
	}
	_, err = fmt.Fprintln(u.s.out, oneLine(fmt.Sprintf("line %d: not sent: %s", n, explain(err))))
	return err
}

// upload sends a photo or trace, from where an earlier attempt stopped. The
// entries before it go first: they name it.
func (u *submission) upload(ctx context.Context, l client.Line) error {
	if err := u.flush(ctx); err != nil {
		return err
	}
	f := l.File
	_, err := u.c.Upload(ctx, l.Job, f.Entry, f.Purpose, f.Bytes, func(have, whole int64) {
		u.told.say("line %d: %d of %d kB", l.Number, have/1000, whole/1000)
	})
	switch {
	case err != nil && (client.Later(err) || ctx.Err() != nil):
		return fmt.Errorf("line %d: %w", l.Number, err)
	case err != nil:
		return u.skip(l.Number, err)
	}
	u.files++
	u.told.end()
	if *u.r.json {
		return printLine(u.s.out, map[string]any{"line": l.Number, "file": f.Digest, "outcome": "KEPT"})
	}
	_, err = fmt.Fprintf(u.s.out, "line %d: %s kept, %d bytes\n", l.Number, word(f.Purpose), len(f.Bytes))
	return err
}

// printLine writes one line of JSON.
func printLine(w io.Writer, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

const (
	batchEntries = 500
	batchBytes   = 2 << 20
)

func (u *submission) add(ctx context.Context, n int, job string, sub *witnessmarkv1.SubmittedEntry) error {
	size := len(sub.GetPayload()) + 512
	if len(u.batch) > 0 && (u.of != job || len(u.batch) == batchEntries || u.size+size > batchBytes) {
		if err := u.flush(ctx); err != nil {
			return err
		}
	}
	u.of, u.size = job, u.size+size
	u.batch, u.lines = append(u.batch, sub), append(u.lines, n)
	return nil
}

func (u *submission) flush(ctx context.Context) error {
	if len(u.batch) == 0 {
		return nil
	}
	u.told.end()
	if err := u.keep(); err != nil {
		return err
	}
	batch, lines := u.batch, u.lines
	u.batch, u.lines, u.size = nil, nil, 0
	return u.submit(ctx, batch, lines)
}

// submit sends a batch. One that the server does not take as a message is sent
// entry by entry: a damaged line holds up no other.
func (u *submission) submit(ctx context.Context, batch []*witnessmarkv1.SubmittedEntry, lines []int) error {
	res, err := u.c.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: u.of, Entries: batch})
	switch {
	case err == nil:
	case !u.foreign || client.Later(err) || ctx.Err() != nil:
		return err
	case client.Reason(err) == "JOB_NOT_FOUND", len(batch) == 1 && client.Reason(err) == "FIELD_INVALID":
		for _, n := range lines {
			if err := u.skip(n, err); err != nil {
				return err
			}
		}
		return nil
	case client.Reason(err) == "FIELD_INVALID":
		for i := range batch {
			if err := u.submit(ctx, batch[i:i+1], lines[i:i+1]); err != nil {
				return err
			}
		}
		return nil
	default:
		return err
	}
	for i, e := range res.GetResults() {
		if o := int(e.GetOutcome()); o >= 0 && o < len(u.count) {
			u.count[o]++
		}
		if *u.r.json {
			b, err := protojson.Marshal(e)
			if err != nil {
				return fmt.Errorf("write JSON: %w", err)
			}
			if _, err := u.s.out.Write(append(b, '\n')); err != nil {
				return err
			}
			continue
		}
		text := fmt.Sprintf("line %d: %s", lines[i], word(e.GetOutcome()))
		if e.GetSeq() > 0 {
			text += fmt.Sprintf(" as %d", e.GetSeq())
		}
		if a := e.GetAssessment(); a.GetVerdict() != recordv1.Verdict_VERDICT_UNSPECIFIED {
			text += ": " + word(a.GetVerdict()) + ". " + a.GetSentence()
		}
		if e.GetReason() != "" {
			text += ": " + e.GetSentence() + " [" + e.GetReason() + "]"
		}
		if _, err := fmt.Fprintln(u.s.out, oneLine(text)); err != nil {
			return err
		}
	}
	return nil
}

// ---- evidence ----

func setupReadings(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		res, err := c.Evidence.GetReadings(ctx, &witnessmarkv1.GetReadingsRequest{Job: named("jobs", args[0])})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, res)
		}
		_, err = s.out.Write(res.GetCsv())
		return err
	})
}

func setupReport(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		res, err := c.Evidence.GetReport(ctx, &witnessmarkv1.GetReportRequest{Job: named("jobs", args[0])})
		if err != nil {
			return err
		}
		_, err = s.out.Write(res.GetHtml())
		return err
	})
}

func setupPackage(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	output := f.word("o", "FILE", "", "where to write it (default: JOB.zip)")
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) (err error) {
		path := *output
		if path == "" {
			path = bare(args[0]) + ".zip"
		}
		if _, err := os.Stat(path); err == nil {
			return errs.Newf(errs.Exists, "FILE_EXISTS", "%s is there already; name another with -o", path)
		}
		t, err := os.CreateTemp(filepath.Dir(path), ".witnessmark-*")
		if err != nil {
			return fmt.Errorf("write the package: %w", err)
		}
		p := &progress{w: s.err}
		err = c.Package(ctx, named("jobs", args[0]), t, func(have, whole int64) {
			if whole > 0 {
				p.say("%d of %d MiB", have>>20, whole>>20)
			} else {
				p.say("%d MiB", have>>20)
			}
		})
		p.end()
		if err = errors.Join(err, t.Sync(), t.Close()); err == nil {
			err = os.Rename(t.Name(), path)
		}
		if err != nil {
			return errors.Join(err, os.Remove(t.Name()))
		}
		info, err := os.Stat(path)
		if err != nil {
			return fmt.Errorf("write the package: %w", err)
		}
		if *r.json {
			return printJSON(s.out, map[string]any{"file": path, "bytes": info.Size()})
		}
		_, err = fmt.Fprintf(s.out, "%s: %d bytes. Check it with: witnessmark-verify --log-key KEY %s\n", path, info.Size(), path)
		return err
	})
}

func setupRefusedList(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	return r.call([]string{"JOB"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		var list []*witnessmarkv1.RefusedEntry
		err := pages(func(token string) (string, error) {
			p, err := c.Jobs.ListRefused(ctx, &witnessmarkv1.ListRefusedRequest{Job: named("jobs", args[0]), PageSize: 500, PageToken: token})
			list = append(list, p.GetRefused()...)
			return p.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessages(s.out, list)
		}
		t := table{head: []string{"DIGEST", "RECEIVED", "SENDER", "ADMITTED", "REASON", "SENTENCE"}}
		for _, x := range list {
			t.add(x.GetDigest(), when(x.GetReceiveTime()), bare(x.GetSender()), yesNo(x.GetAdmitted()), x.GetReason(), x.GetSentence())
		}
		return t.print(s.out, false)
	})
}

func setupRefusedAdmit(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	reason := f.word("reason", "TEXT", "", "why; it stands in the record")
	return r.call([]string{"JOB", "DIGEST"}, func(ctx context.Context, s *streams, c *client.Client, args []string) error {
		if strings.TrimSpace(*reason) == "" {
			return usagef("--reason is needed")
		}
		res, err := c.Jobs.AdmitRefused(ctx, &witnessmarkv1.AdmitRefusedRequest{Job: named("jobs", args[0]), Digest: args[1], Reason: *reason})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, res)
		}
		_, err = fmt.Fprintf(s.out, "admitted by line %d\n", res.GetSeq())
		return err
	})
}

func setupCheckpoint(f *flags) func(context.Context, *streams, []string) error {
	r := remoteFlags(f)
	key := f.local("key", "print only the verifier key, for witnessmark-verify --log-key")
	pem := f.local("pem", "print only the key as PEM, for openssl")
	return r.call(nil, func(ctx context.Context, s *streams, c *client.Client, _ []string) error {
		cp, err := c.Evidence.GetCheckpoint(ctx, &witnessmarkv1.GetCheckpointRequest{})
		if err != nil {
			return err
		}
		if *r.json {
			return printMessage(s.out, cp)
		}
		k, err := seal.ParseLogPublicKey(cp.GetKey())
		if err != nil {
			return err
		}
		head, err := seal.OpenCheckpoint([]byte(cp.GetNote()), k.Name(), k)
		if err != nil {
			return err
		}
		switch {
		case *key:
			_, err = fmt.Fprintln(s.out, k)
		case *pem:
			_, err = s.out.Write(k.PEM())
		default:
			_, err = fmt.Fprintf(s.out, "%s\nkey          %s\nfingerprint  %s\nlocks        %d\n", strings.TrimRight(cp.GetNote(), "\n"), k, k.Fingerprint(), head.Size)
		}
		return err
	})
}
