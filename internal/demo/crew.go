package demo

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/client"
	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	witnessmarkv1 "witnessmark/proto/gen/witnessmark/v1"
)

// Member is a person of the crew with an enrolled device.
type Member struct {
	Person string // "people/…"
	Lead   bool
	Device client.Device
	Client *client.Client
}

// Crew works on one job: each member on his own device.
type Crew struct {
	Job     string // "jobs/…"
	Members []*Member
	Kit     Kit
	Place   *recordv1.Position
	// Picture makes a photo of a step's subject; n counts the photos of one subject.
	Picture func(step Step, subject *recordv1.PhotoStep_Subject, n int) []byte
	// Now is the members' clock; After is called after each thing that they do.
	Now   func() time.Time
	After func(ctx context.Context) error
	// Settle waits until the server has examined what it was sent.
	Settle func(ctx context.Context) error

	// Offset is the clock offset that the devices state; nil: measured.
	Offset *time.Duration

	climb     string
	chains    map[*Member]*client.Chain
	procedure *recordv1.Procedure
	plan      *recordv1.Plan
}

// Begin reads the job and continues each member's chain and the open climb.
func (c *Crew) Begin(ctx context.Context) error {
	v, err := c.Members[0].Client.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: c.Job})
	if err != nil {
		return fmt.Errorf("%s: view: %w", c.Job, err)
	}
	c.procedure, c.plan, c.chains = v.GetProcedure(), v.GetPlan(), map[*Member]*client.Chain{}
	for _, m := range c.Members {
		if c.chains[m], err = m.Client.NewChain(ctx, m.Device, c.Job, c.Now); err != nil {
			return fmt.Errorf("%s: chain of %s: %w", c.Job, m.Person, err)
		}
		if c.Offset != nil {
			c.chains[m].Offset = c.Offset
		}
	}
	for _, k := range v.GetClimbs() {
		if k.GetCloseTime() == nil {
			c.climb = k.GetId()
		}
	}
	return nil
}

// State lets a member state something; a refusal is an error.
func (c *Crew) State(ctx context.Context, m *Member, a Answer) (*witnessmarkv1.EntryResult, error) {
	at := c.Now()
	if p := a.Entry.GetPhotoAttached(); p != nil && p.GetTakenTime() == nil {
		taken(a.Entry, timestamppb.New(at), c.Place)
	}
	signed, e, err := c.chains[m].Sign(a.Entry)
	if err != nil {
		return nil, err
	}
	res, err := m.Client.Jobs.SubmitEntries(ctx, &witnessmarkv1.SubmitEntriesRequest{Job: c.Job, Entries: []*witnessmarkv1.SubmittedEntry{signed}, UnsentCount: new(int64)})
	if err != nil {
		return nil, fmt.Errorf("%s: %s: %w", c.Job, e.GetStep(), err)
	}
	r := res.GetResults()[0]
	if o := r.GetOutcome(); o != witnessmarkv1.EntryResult_ACCEPTED && o != witnessmarkv1.EntryResult_ADDENDUM {
		return nil, errs.Newf(errs.WrongState, "DEMO_REFUSED", "%s: the entry on %s was not accepted: %s %s", c.Job, e.GetStep(), r.GetReason(), r.GetSentence())
	}
	if a.Bytes != nil {
		if _, err := m.Client.Upload(ctx, c.Job, e.GetId(), a.Purpose, a.Bytes, nil); err != nil {
			return nil, fmt.Errorf("%s: upload for %s: %w", c.Job, e.GetStep(), err)
		}
	}
	return r, c.After(ctx)
}

// Climb opens a climb for everyone but the lead, who stays on the ground.
func (c *Crew) Climb(ctx context.Context) error {
	m := c.climbers()[0]
	id, err := c.chains[m].ID()
	if err != nil {
		return err
	}
	e := &recordv1.Entry{Id: id, Kind: &recordv1.Entry_ClimbOpened{ClimbOpened: &recordv1.ClimbOpened{Crew: c.up()}}}
	if _, err := c.State(ctx, c.lead(), Answer{Entry: e}); err != nil {
		return err
	}
	c.climb = id
	return nil
}

// Down closes the climb with everyone named.
func (c *Crew) Down(ctx context.Context) error {
	e := &recordv1.Entry{Climb: c.climb, Kind: &recordv1.Entry_ClimbClosed{ClimbClosed: &recordv1.ClimbClosed{Down: c.up()}}}
	_, err := c.State(ctx, c.lead(), Answer{Entry: e})
	c.climb = ""
	return err
}

func (c *Crew) up() []string {
	var out []string
	for _, m := range c.climbers() {
		out = append(out, m.Person)
	}
	return out
}

func (c *Crew) climbers() []*Member {
	var out []*Member
	for _, m := range c.Members {
		if !m.Lead {
			out = append(out, m)
		}
	}
	return out
}

func (c *Crew) lead() *Member {
	return c.Members[slices.IndexFunc(c.Members, func(m *Member) bool { return m.Lead })]
}

// Steps returns the job's steps as they stand, in the order of the work.
func (c *Crew) Steps(ctx context.Context) ([]Step, error) {
	var out []Step
	token := ""
	for {
		page, err := c.lead().Client.Jobs.ListSteps(ctx, &witnessmarkv1.ListStepsRequest{Job: c.Job, PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, fmt.Errorf("%s: steps: %w", c.Job, err)
		}
		for _, v := range page.GetSteps() {
			s := Step{View: v}
			for _, sec := range c.procedure.GetSections() {
				if sec.GetId() == v.GetSection() {
					s.Section = sec
				}
			}
			for _, d := range s.Section.GetSteps() {
				if d.GetId() == v.GetStep() {
					s.Def = d
				}
			}
			for _, k := range c.plan.GetConnections() {
				if s.Section.GetRepeat() == recordv1.Section_CONNECTION && k.GetId() == v.GetScope() {
					s.Connection = k
				}
			}
			for _, l := range c.plan.GetLines() {
				if (s.Section.GetRepeat() == recordv1.Section_LINE && l.GetId() == v.GetScope()) || (s.Connection != nil && s.Connection.GetLine() == l.GetId()) {
					s.Line = l
				}
			}
			if s.Def == nil {
				return nil, errs.Newf(errs.Corrupt, "DEMO_STEP", "the step %s is not in the procedure", v.GetId())
			}
			out = append(out, s)
		}
		if token = page.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

// Do lets the crew do each step that is open and needed, in order, where want
// says so (nil: all). instead, if not nil, may give other answers for a step.
func (c *Crew) Do(ctx context.Context, want func(Step) bool, instead func(Step) []Answer) error {
	steps, err := c.Steps(ctx)
	if err != nil {
		return err
	}
	section := ""
	for _, s := range steps {
		switch s.View.GetState() {
		case recordv1.StepState_COMPLETE, recordv1.StepState_DEVIATING, recordv1.StepState_NOT_NEEDED, recordv1.StepState_WAITING:
			continue
		}
		if !s.View.GetRequired() || (want != nil && !want(s)) || (s.View.GetScope() != c.climb && s.Section.GetRepeat() == recordv1.Section_CLIMB) {
			continue
		}
		if now := s.View.GetSection() + s.View.GetScope(); now != section {
			section = now
			if err := c.Settle(ctx); err != nil {
				return err
			}
		}
		members := c.doers(s)
		for _, m := range members {
			var answers []Answer
			if instead != nil {
				answers = instead(s)
			}
			if answers == nil {
				if answers, err = Answers(s, m.Person, c.Kit, c.Picture); err != nil {
					return err
				}
			}
			for _, a := range answers {
				if s.Section.GetOnStructure() || s.Section.GetRepeat() == recordv1.Section_CLIMB {
					a.Entry.Climb = c.climb
				}
				if _, err := c.State(ctx, m, a); err != nil {
					return err
				}
			}
		}
	}
	return c.Settle(ctx)
}

// doers are who does a step: the lead, each of the climb, or one of the climbers.
func (c *Crew) doers(s Step) []*Member {
	switch {
	case s.Def.GetAcknowledge() != nil || s.Def.GetDoer() == recordv1.Step_EACH:
		return c.climbers()
	case s.Def.GetDoer() == recordv1.Step_LEAD:
		return []*Member{c.lead()}
	case s.Connection != nil: // one person keeps to one connection
		cs := c.climbers()
		return []*Member{cs[slices.Index(c.plan.GetConnections(), s.Connection)%len(cs)]}
	}
	return c.climbers()[:1]
}

// Finish declares the work finished.
func (c *Crew) Finish(ctx context.Context) error {
	_, err := c.State(ctx, c.climbers()[0], Answer{Entry: &recordv1.Entry{Kind: &recordv1.Entry_Finished{Finished: &recordv1.Finished{}}}})
	return err
}

// SignOff lets the lead look at every exception, compute the root from the lines
// that he holds, and sign.
func (c *Crew) SignOff(ctx context.Context, remark string) (*witnessmarkv1.SignOffResponse, error) {
	m := c.lead()
	v, err := m.Client.Jobs.GetJobView(ctx, &witnessmarkv1.GetJobViewRequest{Name: c.Job, OmitProcedure: true})
	if err != nil {
		return nil, fmt.Errorf("%s: view: %w", c.Job, err)
	}
	var ids []string
	for _, x := range v.GetExceptions() {
		ids = append(ids, x.GetId())
	}
	meaning := recordv1.SignedOff_APPROVED
	if len(ids) > 0 {
		meaning = recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS
		e := &recordv1.Entry{Kind: &recordv1.Entry_LookedAt{LookedAt: &recordv1.LookedAt{Exceptions: ids, Remark: remark}}}
		if _, err := c.State(ctx, m, Answer{Entry: e}); err != nil {
			return nil, err
		}
	}
	size, root, err := Root(ctx, m.Client, c.Job)
	if err != nil {
		return nil, err
	}
	signed, _, err := c.chains[m].Sign(&recordv1.Entry{Kind: &recordv1.Entry_SignedOff{SignedOff: &recordv1.SignedOff{Size: size, Root: root[:], Meaning: meaning}}})
	if err != nil {
		return nil, err
	}
	res, err := m.Client.Jobs.SignOff(ctx, &witnessmarkv1.SignOffRequest{Job: c.Job, Entry: signed})
	if err != nil {
		return nil, fmt.Errorf("%s: sign-off: %w", c.Job, err)
	}
	return res, c.After(ctx)
}

// Root computes size and root of a job's record from its lines, as a device does
// before a lead signs: what the server says of itself is not taken.
func Root(ctx context.Context, c *client.Client, job string) (int64, seal.Hash, error) {
	tree := seal.NewTree()
	after := int64(0)
	for {
		page, err := c.Jobs.ListLines(ctx, &witnessmarkv1.ListLinesRequest{Job: job, After: after, PageSize: 1000})
		if err != nil {
			return 0, seal.Hash{}, fmt.Errorf("%s: lines: %w", job, err)
		}
		for _, l := range page.GetLines() {
			if l.GetSeq() != after+1 {
				return 0, seal.Hash{}, errs.Newf(errs.Corrupt, "LINES_UNBROKEN", "%s: after line %d came line %d", job, after, l.GetSeq())
			}
			after = l.GetSeq()
			if err := tree.Append(seal.LeafHash(l.GetLine()), nil); err != nil {
				return 0, seal.Hash{}, err
			}
		}
		if !page.GetMore() || len(page.GetLines()) == 0 {
			return after, tree.Root(), nil
		}
	}
}
