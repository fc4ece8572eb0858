package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/access"
	"witnessmark/internal/client"
	"witnessmark/internal/photo/testpicture"
	"witnessmark/internal/procedure"
	"witnessmark/internal/workflow"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// Options say where the demonstration is set up.
type Options struct {
	// Service makes the organisations and first codes, as the program's own
	// set-up does, and works off the queues. Its clock must be Clock.
	Service *workflow.Service
	Clock   *Clock
	// Server is the address of the running server.
	Server string
	// Progress is told what is being done; may be nil.
	Progress func(string)
}

// Login is how someone gets in.
type Login struct {
	Person string // "people/…"
	Title  string
	Role   string
	Code   string // one-time, for a phone or browser
	Token  string // bearer, for machines
}

// Result is what was set up.
type Result struct {
	Organization string
	Logins       []Login // of the first organisation
	Other        []Login // of the second
	Share        string  // address of a link to the locked job
	ShareCode    string
	LogKey       string // verifier key of the first organisation's log
}

// pause is about how long one thing takes on the structure. It keeps a day's
// work within the hour that a wind reading holds.
const pause = 9 * time.Second

// codeLife is how long the codes that are printed hold.
const codeLife = 24 * time.Hour

type scene struct {
	Options
	zone    *time.Location
	clients []*client.Client
	office  *client.Client
	kit     Kit
	spare   Kit // with the wrench that is out of date
	members map[string]*Member
}

// Seed sets everything up on an empty store. It takes some seconds.
func Seed(ctx context.Context, o Options) (res *Result, err error) {
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	s := &scene{Options: o, members: map[string]*Member{}}
	defer func() {
		for _, c := range s.clients {
			if cerr := c.Close(); err == nil {
				err = cerr
			}
		}
	}()
	if s.zone, err = time.LoadLocation(siteZone); err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	real := time.Now()
	today := real.In(s.zone)
	yesterday := time.Date(today.Year(), today.Month(), today.Day()-1, 8, 0, 0, 0, s.zone)
	o.Clock.Set(yesterday)

	o.Progress("two organisations, people, kit and procedures")
	if err := s.first(ctx, today); err != nil {
		return nil, err
	}
	o.Progress("a job that was done and locked yesterday")
	share, err := s.lockedJob(ctx, yesterday)
	if err != nil {
		return nil, err
	}
	o.Progress("a fibre job that was done and locked yesterday")
	if err := s.lockedFibreJob(ctx, yesterday); err != nil {
		return nil, err
	}
	// Today's work began within the hour, and not before the day did.
	begin := real.Add(-50 * time.Minute)
	if day := time.Date(today.Year(), today.Month(), today.Day(), 0, 1, 0, 0, s.zone); begin.Before(day) {
		begin = day
	}
	o.Clock.Set(begin)
	if s.office, err = s.desk(ctx, Org); err != nil { // yesterday's sign-in has ended
		return nil, err
	}
	o.Progress("a job in work, with a reading out of limits and a hold")
	if err := s.workJob(ctx, today); err != nil {
		return nil, err
	}
	o.Progress("a fibre job with an end face that fails")
	if err := s.fibreJob(ctx, today); err != nil {
		return nil, err
	}
	if err := s.second(ctx, today); err != nil {
		return nil, err
	}
	o.Clock.Set(real.Add(time.Hour)) // from here on the real time
	res = &Result{Organization: Org, Share: share.GetUri(), ShareCode: share.GetCode()}
	if res.Logins, err = s.logins(ctx, Org, people("")); err != nil {
		return nil, err
	}
	if res.Other, err = s.logins(ctx, OtherOrg, otherPeople()); err != nil {
		return nil, err
	}
	cp, err := s.office.Evidence.GetCheckpoint(ctx, &witnessmarkv1.GetCheckpointRequest{})
	if err != nil {
		return nil, fmt.Errorf("demo: checkpoint: %w", err)
	}
	res.LogKey = cp.GetKey()
	return res, nil
}

func otherPeople() []*witnessmarkv1.Person {
	return []*witnessmarkv1.Person{{Name: "people/finn", Title: "Finn Cleat", Roles: []witnessmarkv1.Role{witnessmarkv1.Role_LEAD}, Language: "en"}}
}

// enter makes the office of an organisation and signs it in.
func (s *scene) enter(ctx context.Context, org, title, person string) (*client.Client, error) {
	if err := s.Service.CreateOrganization(ctx, org, title); err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	if _, err := s.Service.CreatePerson(ctx, access.Identity{Org: org}, access.Person{ID: "dot", Title: person, Roles: []access.Role{access.Office}, Language: "en"}, ""); err != nil {
		return nil, fmt.Errorf("demo: office: %w", err)
	}
	return s.desk(ctx, org)
}

// desk signs the office of an organisation in for a working day.
func (s *scene) desk(ctx context.Context, org string) (*client.Client, error) {
	code, err := s.Service.SignInCode(ctx, org, "dot", codeLife)
	if err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	c, _, err := s.signIn(ctx, code, "Desk", nil)
	return c, err
}

// signIn trades a code for a session, with a device where key is given.
func (s *scene) signIn(ctx context.Context, code, title string, m *Member) (*client.Client, *witnessmarkv1.EnrollResponse, error) {
	door, err := client.Dial(s.Server, "", false)
	if err != nil {
		return nil, nil, err
	}
	defer func() { s.clients = append(s.clients, door) }()
	var res *witnessmarkv1.EnrollResponse
	if m != nil {
		res, err = door.Enrol(ctx, code, title, m.Device.Key)
	} else {
		res, err = door.Enrol(ctx, code, title, nil)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("demo: enrol %s: %w", title, err)
	}
	c, err := client.Dial(s.Server, res.GetToken(), false)
	if err != nil {
		return nil, nil, err
	}
	s.clients = append(s.clients, c)
	return c, res, nil
}

func (s *scene) first(ctx context.Context, today time.Time) error {
	var err error
	if s.office, err = s.enter(ctx, Org, orgTitle, "Dot Ledger"); err != nil {
		return err
	}
	day := func(years, days int) string { return today.AddDate(years, 0, days).Format(time.DateOnly) }
	for _, p := range people(day(1, 0)) {
		if _, err := s.office.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: p}); err != nil {
			return fmt.Errorf("demo: %s: %w", p.GetName(), err)
		}
	}
	list := kit(day(0, 200), day(0, -24), day(0, -165))
	for _, i := range list {
		if _, err := s.office.Setup.CreateInstrument(ctx, &witnessmarkv1.CreateInstrumentRequest{Instrument: i}); err != nil {
			return fmt.Errorf("demo: %s: %w", i.GetName(), err)
		}
	}
	s.kit = kitOf(list)
	s.spare = Kit{}
	for k, v := range s.kit {
		s.spare[k] = v
	}
	s.spare["torque-wrench"] = "instruments/wrench-2"
	if _, err := s.office.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: site("gannet-7", "Gannet Ridge 7 (invented)")}); err != nil {
		return fmt.Errorf("demo: site: %w", err)
	}
	if err := publish(ctx, s.office); err != nil {
		return err
	}
	for _, id := range []string{"ada", "bo", "cleo"} {
		code, err := s.office.Devices.CreateEnrollmentCode(ctx, &witnessmarkv1.CreateEnrollmentCodeRequest{Person: "people/" + id})
		if err != nil {
			return fmt.Errorf("demo: code for %s: %w", id, err)
		}
		m := &Member{Person: "people/" + id, Lead: id == "cleo"}
		if m.Device.Key, err = client.NewKey(); err != nil {
			return err
		}
		c, res, err := s.signIn(ctx, code.GetCode(), "Phone of "+strings.ToUpper(id[:1])+id[1:], m)
		if err != nil {
			return err
		}
		m.Client, m.Device.Name, m.Device.Person = c, res.GetDevice().GetName(), m.Person
		s.members[id] = m
	}
	_, err = s.office.Grants.CreateGrant(ctx, &witnessmarkv1.CreateGrantRequest{Grant: &witnessmarkv1.Grant{
		Person: "people/eve", Sites: []string{"sites/gannet-7"}, ExpireTime: timestamppb.New(today.AddDate(0, 1, 0))}})
	if err != nil {
		return fmt.Errorf("demo: grant: %w", err)
	}
	return nil
}

// publish publishes the procedures that come with the program.
func publish(ctx context.Context, office *client.Client) error {
	for _, id := range procedure.Shipped() {
		doc, err := procedure.ShippedDocument(id)
		if err != nil {
			return err
		}
		if _, err := office.Setup.PublishProcedure(ctx, &witnessmarkv1.PublishProcedureRequest{Document: doc}); err != nil {
			return fmt.Errorf("demo: procedure %s: %w", id, err)
		}
	}
	return nil
}

func (s *scene) open(ctx context.Context, id, title, proc string, plan *recordv1.Plan, day time.Time) (*Crew, error) {
	_, err := s.office.Jobs.CreateJob(ctx, &witnessmarkv1.CreateJobRequest{JobId: id, Title: title, Site: "sites/gannet-7", ProcedureRevision: "procedures/" + proc + "/revisions/latest",
		Plan: plan, People: []string{"people/ada", "people/bo", "people/cleo"}, Day: day.Format(time.DateOnly)})
	if err != nil {
		return nil, fmt.Errorf("demo: job %s: %w", id, err)
	}
	l := lens{family: number(id), zone: s.zone, place: place, now: s.Clock.Now}
	c := &Crew{Job: "jobs/" + id, Members: []*Member{s.members["ada"], s.members["bo"], s.members["cleo"]}, Kit: s.kit, Place: place, Picture: l.picture, Now: s.Clock.Now,
		After:  func(context.Context) error { s.Clock.Advance(pause); return nil },
		Settle: s.Service.Drain}
	return c, c.Begin(ctx)
}

func inSections(ids ...string) func(Step) bool {
	return func(s Step) bool { return slices.Contains(ids, s.Section.GetId()) }
}

func onClimb(s Step) bool { return s.Section.GetRepeat() == recordv1.Section_CLIMB }

// lockedJob is done whole: a joint fails its test and is made again, one photo
// is soft, one is used twice; the lead looks at all of it and signs; a note
// comes after the lock.
func (s *scene) lockedJob(ctx context.Context, day time.Time) (*witnessmarkv1.ShareLink, error) {
	c, err := s.open(ctx, LockedJob, "Sector A: jumpers renewed", "antenna-line", coaxPlan("A", 1), day)
	if err != nil {
		return nil, err
	}
	l := lens{family: number(LockedJob), zone: s.zone, place: place, now: s.Clock.Now}
	c.Picture = func(st Step, sub *recordv1.PhotoStep_Subject, n int) []byte {
		switch {
		case st.Connection.GetId() == "A1-top" && sub.GetId() == "after" && n == 1: // out of focus
			o := l.options(st.View.GetId(), sub.GetId(), n)
			o.Blur = 16
			return testpicture.JPEG(o)
		case st.Connection.GetId() == "A1-base" && sub.GetId() == "after" && n == 1: // the other connection's, saved once more
			o := l.options(strings.Replace(st.View.GetId(), "A1-base", "A1-top", 1), sub.GetId(), 0)
			o.Quality = 78
			return testpicture.JPEG(o)
		}
		return l.picture(st, sub, n)
	}
	if err := c.Climb(ctx); err != nil {
		return nil, err
	}
	for _, part := range []func(Step) bool{onClimb, inSections("kit"), inSections("clean"), inSections("couple")} {
		if err := c.Do(ctx, part, nil); err != nil {
			return nil, err
		}
	}
	// The test: out of limits, and the crew goes back to the joint.
	err = c.Do(ctx, inSections("test"), func(st Step) []Answer {
		if st.Def.GetReading().GetQuantity() == recordv1.Quantity_INTERMODULATION {
			return []Answer{ReadingAnswer(st, -131.6, recordv1.Measure_DECIBELS_CARRIER, c.Kit)}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	s.Clock.Advance(3 * time.Minute)
	back := &recordv1.Entry{Kind: &recordv1.Entry_ReturnedForRework{ReturnedForRework: &recordv1.ReturnedForRework{
		Steps:  []string{"connection:A1-top/clean/wipe", "connection:A1-top/couple/torque", "line:A1/test/intermodulation"},
		Reason: "A1 rises when the top joint is tapped: open it, clean, torque and test again."}}}
	if _, err := c.State(ctx, c.lead(), Answer{Entry: back}); err != nil {
		return nil, err
	}
	s.Clock.Advance(3 * time.Minute)
	if err := c.Do(ctx, inSections("clean", "couple", "test"), nil); err != nil {
		return nil, err
	}
	if err := c.Down(ctx); err != nil {
		return nil, err
	}
	if err := c.Do(ctx, nil, nil); err != nil {
		return nil, err
	}
	if err := c.Finish(ctx); err != nil {
		return nil, err
	}
	s.Clock.Advance(4 * time.Minute)
	if _, err := c.SignOff(ctx, "Each looked at with the crew; the top joint was remade and tested."); err != nil {
		return nil, err
	}
	s.Clock.Advance(40 * time.Minute)
	late := &recordv1.Entry{Kind: &recordv1.Entry_Note{Note: &recordv1.Note{Text: "Found later in the van: the cap of A1 top. Nothing is missing on the structure."}}}
	if _, err := c.State(ctx, s.members["bo"], Answer{Entry: late}); err != nil {
		return nil, err
	}
	if _, err := s.Service.SealAddenda(ctx, Org, LockedJob); err != nil { // else within the hour
		return nil, fmt.Errorf("demo: seal the addendum: %w", err)
	}
	share, err := s.office.Grants.CreateShareLink(ctx, &witnessmarkv1.CreateShareLinkRequest{ShareLink: &witnessmarkv1.ShareLink{Job: c.Job, Title: "Owner of the tower"}})
	if err != nil {
		return nil, fmt.Errorf("demo: share link: %w", err)
	}
	return share, nil
}

// workJob is half done: a torque with a tool that is out of date, a return loss
// out of limits, and wind over the limit, which is a hold.
func (s *scene) workJob(ctx context.Context, day time.Time) error {
	c, err := s.open(ctx, WorkJob, "Sector B: two lines", "antenna-line", coaxPlan("B", 2), day)
	if err != nil {
		return err
	}
	if err := c.Climb(ctx); err != nil {
		return err
	}
	if err := c.Do(ctx, onClimb, nil); err != nil {
		return err
	}
	if err := c.Do(ctx, inSections("kit"), nil); err != nil {
		return err
	}
	only := func(id, section string) func(Step) bool {
		return func(st Step) bool { return st.Connection.GetId() == id && st.Section.GetId() == section }
	}
	for _, part := range []func(Step) bool{only("B1-top", "clean"), only("B1-top", "couple"), only("B1-base", "clean")} {
		if err := c.Do(ctx, part, nil); err != nil {
			return err
		}
	}
	c.Kit = s.spare
	if err := c.Do(ctx, only("B1-base", "couple"), nil); err != nil {
		return err
	}
	c.Kit = s.kit
	err = c.Do(ctx, func(st Step) bool {
		return st.Line.GetId() == "B1" && st.Section.GetId() == "test" && st.Def.GetTrace() == nil
	}, func(st Step) []Answer {
		if st.Def.GetReading().GetQuantity() == recordv1.Quantity_RETURN_LOSS {
			return []Answer{ReadingAnswer(st, 11.7, recordv1.Measure_DECIBELS, c.Kit)}
		}
		return nil
	})
	if err != nil {
		return err
	}
	steps, err := c.Steps(ctx)
	if err != nil {
		return err
	}
	for _, st := range steps {
		if st.View.GetScope() == c.climb && st.Def.GetReading().GetQuantity() == recordv1.Quantity_WIND_SPEED {
			a := ReadingAnswer(st, 12.8, recordv1.Measure_METERS_PER_SECOND, c.Kit)
			a.Entry.Climb = c.climb
			if _, err := c.State(ctx, s.members["ada"], a); err != nil {
				return err
			}
		}
	}
	return nil
}

// lockedFibreJob is done without a fault, in the afternoon, and signed.
func (s *scene) lockedFibreJob(ctx context.Context, day time.Time) error {
	c, err := s.open(ctx, LockedFibreJob, "Trunk T1: connect and measure", "fibre-trunk", fibrePlan("T1"), day)
	if err != nil {
		return err
	}
	if err := c.Climb(ctx); err != nil {
		return err
	}
	aloft := func(st Step) bool { return st.Section.GetOnStructure() }
	for _, part := range []func(Step) bool{onClimb, inSections("kit"), aloft} {
		if err := c.Do(ctx, part, nil); err != nil {
			return err
		}
	}
	if err := c.Down(ctx); err != nil {
		return err
	}
	if err := c.Do(ctx, nil, nil); err != nil {
		return err
	}
	if err := c.Finish(ctx); err != nil {
		return err
	}
	s.Clock.Advance(4 * time.Minute)
	_, err = c.SignOff(ctx, "Each looked at with the crew.")
	return err
}

// fibreJob is begun: the end face at the top is scratched.
func (s *scene) fibreJob(ctx context.Context, day time.Time) error {
	c, err := s.open(ctx, FibreJob, "Trunk T2: connect and measure", "fibre-trunk", fibrePlan("T2"), day)
	if err != nil {
		return err
	}
	l := lens{family: number(FibreJob), zone: s.zone, place: place, now: s.Clock.Now}
	c.Picture = func(st Step, sub *recordv1.PhotoStep_Subject, n int) []byte {
		if st.Connection.GetId() == "T2-top" && sub.GetEndFace() {
			return endFace(7, scratched, true)
		}
		return l.picture(st, sub, n)
	}
	if err := c.Climb(ctx); err != nil {
		return err
	}
	if err := c.Do(ctx, onClimb, nil); err != nil {
		return err
	}
	if err := c.Do(ctx, inSections("kit"), nil); err != nil {
		return err
	}
	return c.Do(ctx, func(st Step) bool { return st.Connection.GetId() == "T2-top" && st.Section.GetId() == "clean" }, func(st Step) []Answer {
		if st.Def.GetId() == "grade" {
			return []Answer{{Entry: &recordv1.Entry{Step: st.View.GetId(), Kind: &recordv1.Entry_Answered{Answered: &recordv1.Answered{Choice: "outside"}}}}}
		}
		return nil
	})
}

// second is an organisation beside the first, with a site and a job of its own.
func (s *scene) second(ctx context.Context, today time.Time) error {
	office, err := s.enter(ctx, OtherOrg, otherOrgTitle, "Gia Inkwell")
	if err != nil {
		return err
	}
	for _, p := range otherPeople() {
		if _, err := office.People.CreatePerson(ctx, &witnessmarkv1.CreatePersonRequest{Person: p}); err != nil {
			return fmt.Errorf("demo: %s: %w", p.GetName(), err)
		}
	}
	if _, err := office.Setup.CreateSite(ctx, &witnessmarkv1.CreateSiteRequest{Site: site("bollard-2", "Bollard Sound 2 (invented)")}); err != nil {
		return fmt.Errorf("demo: site: %w", err)
	}
	if err := publish(ctx, office); err != nil {
		return err
	}
	_, err = office.Jobs.CreateJob(ctx, &witnessmarkv1.CreateJobRequest{JobId: OtherJob, Title: "North face: one line", Site: "sites/bollard-2", ProcedureRevision: "procedures/antenna-line/revisions/latest",
		Plan: coaxPlan("N", 1), People: []string{"people/finn"}, Day: today.Format(time.DateOnly)})
	if err != nil {
		return fmt.Errorf("demo: job %s: %w", OtherJob, err)
	}
	return nil
}

// logins makes a code and a token for the office and each person.
func (s *scene) logins(ctx context.Context, org string, ps []*witnessmarkv1.Person) ([]Login, error) {
	title := map[string]string{Org: "Dot Ledger", OtherOrg: "Gia Inkwell"}[org]
	all := append([]*witnessmarkv1.Person{{Name: "people/dot", Title: title, Roles: []witnessmarkv1.Role{witnessmarkv1.Role_OFFICE}}}, ps...)
	var out []Login
	for _, p := range all {
		id := strings.TrimPrefix(p.GetName(), "people/")
		l := Login{Person: p.GetName(), Title: p.GetTitle(), Role: strings.ToLower(p.GetRoles()[0].String())}
		first, err := s.Service.SignInCode(ctx, org, id, codeLife)
		if err != nil {
			return nil, fmt.Errorf("demo: %w", err)
		}
		_, res, err := s.signIn(ctx, first, "Shell", nil)
		if err != nil {
			return nil, err
		}
		l.Token = res.GetToken()
		if l.Code, err = s.Service.SignInCode(ctx, org, id, codeLife); err != nil {
			return nil, fmt.Errorf("demo: %w", err)
		}
		out = append(out, l)
	}
	return out, nil
}
