package procedure

import (
	"fmt"
	"strings"

	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// MaxExpanded is how many steps a procedure times a plan may come to.
const MaxExpanded = 20_000

// Step is one step of one job: a step of the procedure for the job, a climb, a
// line or a connection. It is shared and read only.
type Step struct {
	// ID is stable within the job: job/<section>/<step>,
	// climb:<climb>/<section>/<step>, line:<line>/<section>/<step> or
	// connection:<connection>/<section>/<step>.
	ID string
	// SectionInstance is the ID without its last part.
	SectionInstance string
	Section         *recordv1.Section
	Def             *recordv1.Step
	// Scope is what the section repeats for; ScopeID the id of that climb,
	// line or connection, empty for the job.
	Scope   recordv1.Section_Repeat
	ScopeID string
	// Line is the line of the step, or of its connection; nil for job and climb.
	Line *recordv1.Plan_Line
	// Connection is nil but for steps of a connection.
	Connection *recordv1.Plan_Connection
	// Limit is resolved for the line or connection; nil when the kind has none
	// (confirm, photo …). A reading without a limit has one with None set.
	Limit *limits.Resolved
	// SourceLimit and ResidualLimit belong to a kit check, else nil.
	SourceLimit, ResidualLimit *limits.Resolved
	// Required says that the job is not complete without it.
	Required bool
}

// Subject is what the step's limits and conditions are asked about.
func (s *Step) Subject(plan *recordv1.Plan) limits.Subject {
	return limits.Subject{Plan: plan, Line: s.Line, Connection: s.Connection}
}

// Expansion is every step of a job, in a stable order: the sections in the
// order of the procedure; where several sections in a row repeat for the same
// kind of thing, all of them for the first line (climb, connection), then all
// for the next, so that the work stays in one place.
type Expansion struct {
	Steps []*Step

	byID       map[string]*Step
	byInstance map[string][]*Step
	compiled   *Compiled
	lineOf     map[string]string // connection to line
}

// Step returns the step with this id, or nil.
func (e *Expansion) Step(id string) *Step { return e.byID[id] }

// Section returns the steps of a section instance such as "line:A1/test", in
// order; empty when the job has no such instance.
func (e *Expansion) Section(instance string) []*Step { return e.byInstance[instance] }

// Expand multiplies the procedure with a plan and the climbs of a job (ids in
// the order of their opening). A plan revised later gives the same ids for what
// is in both.
//
// Errors are Invalid: EXPANSION_TOO_LARGE, CLIMB_ID_INVALID, or what CheckPlan
// says. A limit that the plan does not suffice for is no error: see
// limits.Resolved.Problem and MissingForLimits.
func (c *Compiled) Expand(plan *recordv1.Plan, climbs []string) (*Expansion, error) {
	if plan == nil {
		plan = &recordv1.Plan{}
	}
	if err := CheckPlan(plan); err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, id := range climbs {
		if id == "" || len(id) > 64 || strings.Contains(id, "/") || seen[id] {
			return nil, errs.New(errs.Invalid, "CLIMB_ID_INVALID", fmt.Sprintf("climb: %.80q is empty, too long, has a slash or is given twice", id), "field", "climb")
		}
		seen[id] = true
	}
	e := &Expansion{
		byID: map[string]*Step{}, byInstance: map[string][]*Step{},
		compiled: c, lineOf: make(map[string]string, len(plan.GetConnections())),
	}
	lines := make(map[string]*recordv1.Plan_Line, len(plan.GetLines()))
	for _, l := range plan.GetLines() {
		lines[l.GetId()] = l
	}
	for _, cn := range plan.GetConnections() {
		e.lineOf[cn.GetId()] = cn.GetLine()
	}

	sections := c.Proc.GetSections()
	for i := 0; i < len(sections); {
		j := i
		for j < len(sections) && sections[j].GetRepeat() == sections[i].GetRepeat() {
			j++
		}
		run := sections[i:j]
		var err error
		add := func(scope, scopeID string, line *recordv1.Plan_Line, connection *recordv1.Plan_Connection) {
			s := limits.Subject{Plan: plan, Line: line, Connection: connection}
			for _, section := range run {
				if err == nil {
					err = e.add(section, scope, scopeID, s)
				}
			}
		}
		switch sections[i].GetRepeat() {
		case recordv1.Section_JOB:
			add("job", "", nil, nil)
		case recordv1.Section_CLIMB:
			for _, id := range climbs {
				add("climb:"+id, id, nil, nil)
			}
		case recordv1.Section_LINE:
			for _, l := range plan.GetLines() {
				add("line:"+l.GetId(), l.GetId(), l, nil)
			}
		case recordv1.Section_CONNECTION:
			for _, cn := range plan.GetConnections() {
				add("connection:"+cn.GetId(), cn.GetId(), lines[cn.GetLine()], cn)
			}
		}
		if err != nil {
			return nil, err
		}
		i = j
	}
	return e, nil
}

func (e *Expansion) add(section *recordv1.Section, scope, scopeID string, s limits.Subject) error {
	if !limits.Matches(section.GetWhen(), s) {
		return nil
	}
	instance := scope + "/" + section.GetId()
	defs := section.GetSteps()
	steps := make([]Step, 0, len(defs))
	for _, def := range defs {
		if !limits.Matches(def.GetWhen(), s) {
			continue
		}
		if len(e.Steps)+len(steps) >= MaxExpanded {
			return errs.Newf(errs.Invalid, "EXPANSION_TOO_LARGE", "plan: this procedure and this plan come to more than %d steps; split the job", MaxExpanded)
		}
		steps = append(steps, Step{
			ID: instance + "/" + def.GetId(), SectionInstance: instance,
			Section: section, Def: def,
			Scope: section.GetRepeat(), ScopeID: scopeID,
			Line: s.Line, Connection: s.Connection,
			Required: !def.GetOptional(),
		})
		st := &steps[len(steps)-1]
		switch k := def.GetKind().(type) {
		case *recordv1.Step_Reading:
			st.Limit = e.resolve(k.Reading.GetLimit(), s)
		case *recordv1.Step_Torque:
			st.Limit = e.resolve(k.Torque.GetLimit(), s)
		case *recordv1.Step_Trace:
			st.Limit = e.resolve(k.Trace.GetLimit(), s)
		case *recordv1.Step_KitCheck:
			st.SourceLimit = e.resolve(k.KitCheck.GetSourceLimit(), s)
			st.ResidualLimit = e.resolve(k.KitCheck.GetResidualLimit(), s)
		}
	}
	if len(steps) == 0 {
		return nil
	}
	refs := make([]*Step, len(steps))
	for i := range steps {
		refs[i] = &steps[i]
		e.byID[steps[i].ID] = &steps[i]
	}
	e.byInstance[instance] = refs
	e.Steps = append(e.Steps, refs...)
	return nil
}

func (e *Expansion) resolve(def *recordv1.Limit, s limits.Subject) *limits.Resolved {
	r, err := limits.Resolve(def, e.compiled.Proc.GetLimits(), s)
	if err != nil {
		r = limits.Resolved{Decision: def.GetDecision(), Note: def.GetNote(), Problem: sentenceOf(err)}
	}
	return &r
}

// Requires lists the section instances that are the gates of a section
// instance: all of them must be good before it. A required job section is
// "job/x"; a climb's is that of the instance's own climb or, for any other
// section, of climb, which is the climb that the entry names; a line's is that
// of the line (of a connection: its line); a connection's is that of the same
// connection.
//
// With climb "" or unknown, a required climb section comes back as an instance
// that no expansion has, so the gate is never met. A required section of the
// line or connection whose condition leaves it out here is no gate.
func (e *Expansion) Requires(instance, climb string) []string {
	scope, id, ok := strings.Cut(instance, "/")
	if !ok {
		return nil
	}
	section := e.compiled.Section(id)
	if section == nil || len(section.GetRequires()) == 0 {
		return nil
	}
	kind, scopeID, _ := strings.Cut(scope, ":")
	if kind == "climb" {
		climb = scopeID
	}
	out := make([]string, 0, len(section.GetRequires()))
	for _, name := range section.GetRequires() {
		var gate string
		switch e.compiled.Section(name).GetRepeat() {
		case recordv1.Section_JOB:
			gate = "job/" + name
		case recordv1.Section_CLIMB:
			out = append(out, "climb:"+climb+"/"+name)
			continue
		case recordv1.Section_LINE:
			line := scopeID
			if kind == "connection" {
				line = e.lineOf[scopeID]
			}
			gate = "line:" + line + "/" + name
		case recordv1.Section_CONNECTION:
			gate = "connection:" + scopeID + "/" + name
		}
		if len(e.byInstance[gate]) > 0 {
			out = append(out, gate)
		}
	}
	return out
}

// MissingForLimits lists in sentences what the plan must still say before every
// limit of the expansion can be computed, each once, in the order of the steps.
// A job should not be opened while it is not empty.
func (e *Expansion) MissingForLimits() []string {
	var out []string
	seen := map[string]bool{}
	for _, s := range e.Steps {
		for _, l := range []*limits.Resolved{s.Limit, s.SourceLimit, s.ResidualLimit} {
			if l == nil || l.Problem == "" {
				continue
			}
			text := s.Scope.String() + " " + s.ScopeID + ": " + l.Problem
			if s.Scope == recordv1.Section_LINE || s.Scope == recordv1.Section_CONNECTION {
				text = strings.ToLower(s.Scope.String()) + " " + s.ScopeID + ": " + l.Problem
			}
			if !seen[text] {
				seen[text] = true
				out = append(out, text)
			}
		}
	}
	return out
}

// sentenceOf is the sentence of a classified error, without its reason.
func sentenceOf(err error) string {
	reason := errs.ReasonOf(err)
	return strings.TrimPrefix(err.Error(), reason+": ")
}
