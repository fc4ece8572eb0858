package procedure

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Bounds inside a procedure.
const (
	maxTitle    = 200  // characters
	maxRows     = 200  // of one limit table
	maxSubjects = 20   // of one photo step
	maxPhotos   = 20   // of one subject
	maxOptions  = 20   // of one choice
	maxHold     = 1440 // minutes
	maxCautions = 50
	maxMatches  = 10
	maxValues   = 50 // of one match
	maxShared   = 100
)

var (
	procedureID = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)
	revisionTag = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)
	languageTag = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)
)

// checker walks one procedure. Its paths are those of the document.
type checker struct {
	*document
	p         *recordv1.Procedure
	partial   bool // includes are not written out: what they bring is unknown
	sections  map[string]*recordv1.Section
	hasKit    bool
	usedNames map[string]bool // shared limits that a step uses
}

// check adds every problem of p to d.
func check(d *document, p *recordv1.Procedure) {
	c := &checker{document: d, p: p, partial: len(p.GetInclude()) > 0, sections: map[string]*recordv1.Section{}, usedNames: map[string]bool{}}
	c.texts(p.ProtoReflect(), "")
	c.head()
	for _, s := range p.GetSections() {
		for _, st := range s.GetSteps() {
			c.hasKit = c.hasKit || st.GetKitCheck() != nil
		}
	}
	c.allSections()
	c.gates()
	c.sharedLimits()
	c.catalogues()
}

// texts holds every text of the message to the bound and keeps control
// characters out, wherever the text stands.
func (c *checker) texts(m protoreflect.Message, path string) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		at := string(f.Name())
		if path != "" {
			at = path + "." + at
		}
		switch {
		case f.IsMap():
			v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
				at := at + "[" + quoted(k.String()) + "]"
				switch {
				case f.MapValue().Message() != nil:
					c.texts(v.Message(), at)
				case f.MapValue().Kind() == protoreflect.StringKind:
					c.text(at, v.String())
				}
				return true
			})
		case f.IsList():
			for i := range v.List().Len() {
				at := fmt.Sprintf("%s[%d]", at, i)
				if f.Message() != nil {
					c.texts(v.List().Get(i).Message(), at)
				} else if f.Kind() == protoreflect.StringKind {
					c.text(at, v.List().Get(i).String())
				}
			}
		case f.Message() != nil:
			c.texts(v.Message(), at)
		case f.Kind() == protoreflect.StringKind:
			c.text(at, v.String())
		case f.Kind() == protoreflect.DoubleKind:
			if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
				c.addf(at, "%v is not a finite number", x)
			}
		}
		return true
	})
}

func (c *checker) text(path, s string) {
	if n := utf8.RuneCountInString(s); n > MaxText {
		c.addf(path, "the text has %d characters; at most %d are allowed", n, MaxText)
	}
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
		c.add(path, "the text holds a control character or is not UTF-8")
	}
}

func quoted(s string) string { return fmt.Sprintf("%q", s) }

func (c *checker) id(path, id string, seen map[string]bool) {
	switch {
	case !procedureID.MatchString(id):
		c.addf(path, "%.80q must be 1 to 64 lower-case letters, digits and dashes", id)
	case seen[id]:
		c.addf(path, "%q is given twice", id)
	}
	seen[id] = true
}

func (c *checker) title(path, text string) {
	switch n := utf8.RuneCountInString(text); {
	case strings.TrimSpace(text) == "":
		c.add(path, "must not be empty")
	case n > maxTitle:
		c.addf(path, "has %d characters; a title has at most %d", n, maxTitle)
	}
}

func (c *checker) head() {
	p := c.p
	c.id("id", p.GetId(), map[string]bool{})
	c.title("title", p.GetTitle())
	if !revisionTag.MatchString(p.GetRevision()) {
		c.addf("revision", "%.80q must be 1 to 64 letters, digits, dots, dashes or underlines, such as \"2026-03\"", p.GetRevision())
	}
	seen := map[string]bool{}
	for i, id := range p.GetInclude() {
		c.id(fmt.Sprintf("include[%d]", i), id, seen)
		if id == p.GetId() {
			c.addf(fmt.Sprintf("include[%d]", i), "a procedure cannot include itself")
		}
	}
	if n := len(p.GetCautions()); n > maxCautions {
		c.addf("cautions", "has %d cautions; at most %d are allowed", n, maxCautions)
	}
	for i, t := range p.GetCautions() {
		if strings.TrimSpace(t) == "" {
			c.addf(fmt.Sprintf("cautions[%d]", i), "must not be empty")
		}
	}
}

func (c *checker) allSections() {
	p := c.p
	switch n := len(p.GetSections()); {
	case n == 0 && !c.partial:
		c.add("sections", "a procedure has at least one section")
	case n > MaxSections:
		c.addf("sections", "has %d sections; at most %d are allowed", n, MaxSections)
	}
	steps := 0
	seen := map[string]bool{}
	for i, s := range p.GetSections() {
		at := fmt.Sprintf("sections[%d]", i)
		c.id(at+".id", s.GetId(), seen)
		if c.sections[s.GetId()] == nil {
			c.sections[s.GetId()] = s
		}
		c.section(at, s)
		steps += len(s.GetSteps())
	}
	if steps > MaxSteps {
		c.addf("sections", "the procedure has %d steps; at most %d are allowed", steps, MaxSteps)
	}
}

func (c *checker) section(at string, s *recordv1.Section) {
	c.title(at+".title", s.GetTitle())
	switch s.GetRepeat() {
	case recordv1.Section_JOB, recordv1.Section_CLIMB, recordv1.Section_LINE, recordv1.Section_CONNECTION:
	default:
		c.add(at+".repeat", "must be JOB, CLIMB, LINE or CONNECTION")
	}
	c.matches(at+".when", s.GetWhen(), s.GetRepeat())
	if len(s.GetSteps()) == 0 {
		c.add(at+".steps", "a section has at least one step")
	}
	seen := map[string]bool{}
	for i, q := range s.GetQualifications() {
		c.id(fmt.Sprintf("%s.qualifications[%d]", at, i), q, seen)
	}
	if len(s.GetQualifications()) > 0 && s.GetRepeat() != recordv1.Section_CLIMB && !s.GetOnStructure() {
		c.add(at+".qualifications", "are asked of a climb's crew; this section neither repeats per climb nor is on the structure")
	}
	ids := map[string]bool{}
	for i, st := range s.GetSteps() {
		c.step(fmt.Sprintf("%s.steps[%d]", at, i), s, st, ids)
	}
}

// matches checks conditions: names well-formed, values given, and the attribute
// one that a section of this repeat can have.
func (c *checker) matches(at string, ms []*recordv1.Match, repeat recordv1.Section_Repeat) {
	if len(ms) > maxMatches {
		c.addf(at, "has %d conditions; at most %d are allowed", len(ms), maxMatches)
	}
	for i, m := range ms {
		at := fmt.Sprintf("%s[%d]", at, i)
		name := m.GetAttribute()
		if !attributeName.MatchString(name) {
			c.addf(at+".attribute", "%.80q must be lower-case letters, digits and underlines", name)
		}
		owner := reserved[name]
		switch {
		case owner == "connection" && repeat != recordv1.Section_CONNECTION:
			c.addf(at+".attribute", "%q is an attribute of a connection; a section that repeats per %s has none", name, repeat)
		case owner == "line" && repeat != recordv1.Section_CONNECTION && repeat != recordv1.Section_LINE:
			c.addf(at+".attribute", "%q is an attribute of a line; a section that repeats per %s has none", name, repeat)
		}
		if len(m.GetAnyOf()) == 0 && len(m.GetNoneOf()) == 0 {
			c.add(at, "needs any_of or none_of")
		}
		for _, l := range []struct {
			field string
			list  []string
		}{{"any_of", m.GetAnyOf()}, {"none_of", m.GetNoneOf()}} {
			if len(l.list) > maxValues {
				c.addf(at+"."+l.field, "has %d values; at most %d are allowed", len(l.list), maxValues)
			}
			for j, v := range l.list {
				if strings.TrimSpace(v) == "" {
					c.addf(fmt.Sprintf("%s.%s[%d]", at, l.field, j), "must not be empty")
				}
				if name == "medium" && recordv1.Plan_Line_Medium_value[strings.ToUpper(v)] == 0 {
					c.addf(fmt.Sprintf("%s.%s[%d]", at, l.field, j), "%.80q must be COAX or FIBRE", v)
				}
			}
		}
	}
}

func (c *checker) step(at string, s *recordv1.Section, st *recordv1.Step, ids map[string]bool) {
	c.id(at+".id", st.GetId(), ids)
	c.title(at+".title", st.GetTitle())
	if strings.TrimSpace(st.GetInstruction()) == "" {
		c.add(at+".instruction", "must not be empty: it says what to do")
	}
	c.matches(at+".when", st.GetWhen(), s.GetRepeat())
	if n := st.GetHoldsMinutes(); n < 0 || n > maxHold {
		c.addf(at+".holds_minutes", "must be 0 to %d, and is %d", maxHold, n)
	}
	if st.Source != nil {
		c.source(at+".source", st.GetSource())
	}
	_, each := st.GetKind().(*recordv1.Step_Acknowledge)
	if each && s.GetRepeat() != recordv1.Section_CLIMB {
		c.add(at+".acknowledge", "is asked of a climb's crew: its section must repeat per CLIMB")
	}
	if st.GetDoer() == recordv1.Step_EACH && !each {
		c.add(at+".doer", "EACH is for acknowledge steps: no other kind can be done once by every person")
	}
	if each && st.GetDoer() != recordv1.Step_EACH && st.GetDoer() != recordv1.Step_DOER_UNSPECIFIED {
		c.add(at+".doer", "an acknowledge step is done by EACH person for himself")
	}
	switch k := st.GetKind().(type) {
	case *recordv1.Step_Confirm, *recordv1.Step_Acknowledge:
	case *recordv1.Step_Reading:
		c.reading(at+".reading", s, k.Reading)
	case *recordv1.Step_Torque:
		c.limit(at+".torque.limit", k.Torque.GetLimit(), recordv1.Quantity_TORQUE, s.GetRepeat())
	case *recordv1.Step_Photo:
		c.photo(at+".photo", k.Photo)
	case *recordv1.Step_Trace:
		c.trace(at+".trace", s, k.Trace)
	case *recordv1.Step_KitCheck:
		c.kit(at+".kit_check", s, k.KitCheck)
	case *recordv1.Step_Choice:
		c.choice(at+".choice", k.Choice)
	case *recordv1.Step_Text:
		if n := k.Text.GetMinLength(); n < 0 || n > MaxText {
			c.addf(at+".text.min_length", "must be 0 to %d, and is %d", MaxText, n)
		}
	default:
		c.add(at, "needs exactly one of confirm, acknowledge, reading, torque, photo, trace, kit_check, choice, text")
	}
}

func (c *checker) reading(at string, s *recordv1.Section, r *recordv1.ReadingStep) {
	q := r.GetQuantity()
	units := limits.UnitsFor(q)
	switch {
	case units == nil:
		c.add(at+".quantity", "must name what is measured, such as RETURN_LOSS")
	case !slices.Contains(units, r.GetUnit()):
		c.addf(at+".unit", "%s is not a unit of %s; its units are %s", r.GetUnit(), q, names(units))
	}
	if k := r.GetInstrumentKind(); k != "" && !procedureID.MatchString(k) {
		c.addf(at+".instrument_kind", "%.80q must be lower-case letters, digits and dashes", k)
	}
	if r.GetNeedsKitCheck() && !c.hasKit && !c.partial {
		c.add(at+".needs_kit_check", "the procedure has no kit_check step")
	}
	fibre := q == recordv1.Quantity_FIBRE_LOSS || q == recordv1.Quantity_OPTICAL_RETURN_LOSS || q == recordv1.Quantity_OPTICAL_POWER
	lined := s.GetRepeat() == recordv1.Section_LINE || s.GetRepeat() == recordv1.Section_CONNECTION
	if r.GetEachWavelength() && (!fibre || !lined) {
		c.add(at+".each_wavelength", "is for optical quantities of a line or a connection")
	}
	if r.GetBothDirections() && (!fibre || !lined) {
		c.add(at+".both_directions", "is for optical quantities of a line or a connection")
	}
	if r.Limit != nil {
		c.limit(at+".limit", r.GetLimit(), q, s.GetRepeat())
	}
}

func names(units []recordv1.Measure_Unit) string {
	out := make([]string, len(units))
	for i, u := range units {
		out[i] = u.String()
	}
	return strings.Join(out, ", ")
}

func (c *checker) trace(at string, s *recordv1.Section, t *recordv1.TraceStep) {
	switch t.GetQuantity() {
	case recordv1.Quantity_RETURN_LOSS, recordv1.Quantity_STANDING_WAVE_RATIO:
		if t.Limit != nil {
			c.limit(at+".limit", t.GetLimit(), t.GetQuantity(), s.GetRepeat())
		}
	default:
		c.addf(at+".quantity", "%s cannot be computed from a one-port trace; use RETURN_LOSS or STANDING_WAVE_RATIO", t.GetQuantity())
	}
	if s.GetRepeat() != recordv1.Section_LINE && s.GetRepeat() != recordv1.Section_CONNECTION {
		c.add(at, "a trace belongs to a line or a connection")
	}
}

func (c *checker) kit(at string, s *recordv1.Section, k *recordv1.KitCheckStep) {
	q, ok := limits.KitQuantity(k.GetKit())
	if !ok {
		c.addf(at+".kit", "%.80q is not a kind of kit; known are %s", k.GetKit(), strings.Join(limits.KitKinds(), ", "))
		return
	}
	if k.SourceLimit != nil {
		if k.GetKit() != limits.KitIntermodulation {
			c.addf(at+".source_limit", "belongs to a kit with a source of its own (%s)", limits.KitIntermodulation)
		}
		c.limit(at+".source_limit", k.GetSourceLimit(), q, s.GetRepeat())
	}
	c.limit(at+".residual_limit", k.GetResidualLimit(), q, s.GetRepeat())
}

func (c *checker) photo(at string, p *recordv1.PhotoStep) {
	switch n := len(p.GetSubjects()); {
	case n == 0:
		c.add(at+".subjects", "a photo step has at least one subject: what must be seen")
	case n > maxSubjects:
		c.addf(at+".subjects", "has %d subjects; at most %d are allowed", n, maxSubjects)
	}
	seen := map[string]bool{}
	for i, s := range p.GetSubjects() {
		at := fmt.Sprintf("%s.subjects[%d]", at, i)
		c.id(at+".id", s.GetId(), seen)
		c.title(at+".title", s.GetTitle())
		if n := s.GetCount(); n < 0 || n > maxPhotos {
			c.addf(at+".count", "must be 0 to %d, and is %d", maxPhotos, n)
		}
	}
	for i, s := range p.GetSubjects() {
		at := fmt.Sprintf("%s.subjects[%d].beside", at, i)
		switch b := s.GetBeside(); {
		case b == "":
		case b == s.GetId():
			c.add(at, "a subject cannot stand beside itself")
		case !seen[b]:
			c.addf(at, "the step has no subject %.80q", b)
		}
	}
}

func (c *checker) choice(at string, ch *recordv1.ChoiceStep) {
	if n := len(ch.GetOptions()); n < 2 || n > maxOptions {
		c.addf(at+".options", "has %d answers; a choice has 2 to %d", n, maxOptions)
	}
	seen := map[string]bool{}
	good := false
	for i, o := range ch.GetOptions() {
		at := fmt.Sprintf("%s.options[%d]", at, i)
		c.id(at+".id", o.GetId(), seen)
		c.title(at+".title", o.GetTitle())
		good = good || o.GetGood()
	}
	if !good {
		c.add(at+".options", "at least one answer must be good, else the step can never be complete")
	}
}

// source checks that a figure says where it comes from, and does not pass off
// as a citation what is none.
func (c *checker) source(at string, s *recordv1.Source) {
	if s == nil {
		c.add(at, "is missing: every figure says where it comes from, with a standing (PUBLISHED, COMMON_PRACTICE, COMPANY, OWNER, MAKER, FROM_MEMORY or COMPUTED)")
		return
	}
	switch s.GetStanding() {
	case recordv1.Source_PUBLISHED, recordv1.Source_MAKER:
		if strings.TrimSpace(s.GetDocument()) == "" {
			c.addf(at+".document", "a source that is %s names its document", s.GetStanding())
		}
	case recordv1.Source_COMMON_PRACTICE:
		if s.GetDocument() != "" {
			c.add(at+".document", "common practice has no document; write what was read as a note, or give the source the standing PUBLISHED")
		}
	case recordv1.Source_FROM_MEMORY:
		if strings.TrimSpace(s.GetNote()) == "" {
			c.add(at+".note", "a figure from memory says in its note what was not confirmed")
		}
	case recordv1.Source_COMPANY, recordv1.Source_OWNER, recordv1.Source_COMPUTED:
	default:
		c.add(at+".standing", "must be one of PUBLISHED, COMMON_PRACTICE, COMPANY, OWNER, MAKER, FROM_MEMORY, COMPUTED")
	}
	if y := s.GetYear(); y != 0 && (y < 1800 || y > 2200) {
		c.addf(at+".year", "%d is not an edition year", y)
	}
}

// limit checks one limit of quantity q as a section with this repeat uses it.
func (c *checker) limit(at string, l *recordv1.Limit, q recordv1.Quantity, repeat recordv1.Section_Repeat) {
	if l == nil {
		c.add(at, "is missing")
		return
	}
	c.decision(at+".decision", l.GetDecision(), q)
	switch b := l.GetBound().(type) {
	case *recordv1.Limit_Plain:
		c.bound(at+".plain", b.Plain, q)
	case *recordv1.Limit_Table_:
		c.table(at+".table", b.Table, q, repeat)
	case *recordv1.Limit_Formula_:
		c.formula(at+".formula", b.Formula, q, repeat)
	case *recordv1.Limit_Shared:
		c.usedNames[b.Shared] = true
		target := c.p.GetLimits()[b.Shared]
		switch {
		case target == nil && !c.partial:
			c.addf(at+".shared", "the procedure has no shared limit %.80q", b.Shared)
		case target == nil:
		case target.GetShared() != "":
			c.addf(at+".shared", "%.80q names another shared limit; write the bound there", b.Shared)
		default:
			c.limit("limits["+quoted(b.Shared)+"]", target, q, repeat)
		}
	default:
		c.add(at, "needs exactly one of plain, table, formula, shared")
	}
}

func (c *checker) decision(at string, d *recordv1.Limit_Decision, q recordv1.Quantity) {
	if d == nil {
		return
	}
	if !limits.RuleFits(q, d.GetRule()) {
		c.addf(at+".rule", "%s does not fit %s", d.GetRule(), q)
	}
	if g := d.GetGuardFactor(); g < 0 || g > 10 {
		c.addf(at+".guard_factor", "must be 0 to 10, and is %v", g)
	} else if d.GetRule() == recordv1.Limit_Decision_GUARDED && g == 0 {
		c.add(at+".guard_factor", "GUARDED needs a guard factor over 0")
	}
	if u := d.GetExpandedUncertainty(); u < 0 {
		c.addf(at+".expanded_uncertainty", "must not be negative, and is %v", u)
	}
}

func (c *checker) bound(at string, b *recordv1.Limit_Bound, q recordv1.Quantity) {
	if b == nil || b.Lower == nil && b.Upper == nil {
		c.add(at, "needs lower, upper or both")
	}
	if b != nil && b.Lower != nil && b.Upper != nil && *b.Lower > *b.Upper {
		c.addf(at+".lower", "%v is over upper, %v", *b.Lower, *b.Upper)
	}
	if !limits.UnitFits(q, b.GetUnit()) {
		c.addf(at+".unit", "%s is not a unit of %s; its units are %s", b.GetUnit(), q, names(limits.UnitsFor(q)))
	}
	c.source(at+".source", b.GetSource())
}

func (c *checker) table(at string, t *recordv1.Limit_Table, q recordv1.Quantity, repeat recordv1.Section_Repeat) {
	if n := len(t.GetRows()); n == 0 || n > maxRows {
		c.addf(at+".rows", "has %d rows; a table has 1 to %d", n, maxRows)
	}
	for i, row := range t.GetRows() {
		at := fmt.Sprintf("%s.rows[%d]", at, i)
		c.matches(at+".when", row.GetWhen(), repeat)
		c.bound(at+".bound", row.GetBound(), q)
		if len(row.GetWhen()) == 0 && i < len(t.GetRows())-1 {
			c.add(at, "matches everything, so that no row after it can count; put it last")
		}
	}
}

func (c *checker) formula(at string, f *recordv1.Limit_Formula, q recordv1.Quantity, repeat recordv1.Section_Repeat) {
	named, ok := limits.FormulaNamed(f.GetName())
	if !ok {
		c.addf(at+".name", "%.80q is not a formula of this program; it has %s", f.GetName(), strings.Join(limits.FormulaNames(), ", "))
		return
	}
	if !slices.Contains(named.Quantities, q) {
		c.addf(at+".name", "%s does not give a limit of %s", f.GetName(), q)
	}
	if named.NeedsLine && repeat != recordv1.Section_LINE && repeat != recordv1.Section_CONNECTION {
		c.addf(at+".name", "%s needs a line; the section repeats per %s", f.GetName(), repeat)
	}
	if named.NeedsConnection && repeat != recordv1.Section_CONNECTION {
		c.addf(at+".name", "%s needs a connection; the section repeats per %s", f.GetName(), repeat)
	}
	for _, p := range named.CheckParameters(f.GetParameters()) {
		if p.Name == "" {
			c.add(at+".parameters", p.Message)
		} else {
			c.add(at+".parameters["+quoted(p.Name)+"]", p.Message)
		}
	}
	c.source(at+".source", f.GetSource())
}

// gates checks what sections require of each other.
func (c *checker) gates() {
	opened := map[string]bool{}
	for i, s := range c.p.GetSections() {
		at := fmt.Sprintf("sections[%d].requires", i)
		seen := map[string]bool{}
		for j, name := range s.GetRequires() {
			at := fmt.Sprintf("%s[%d]", at, j)
			target := c.sections[name]
			switch {
			case seen[name]:
				c.addf(at, "%q is given twice", name)
			case name == s.GetId():
				c.add(at, "a section cannot require itself")
			case target == nil && !c.partial:
				c.addf(at, "the procedure has no section %.80q", name)
			case target != nil:
				opened[name] = true
				if why := illegalGate(s, target); why != "" {
					c.add(at, why)
				}
			}
			seen[name] = true
		}
	}
	c.cycles()
	for i, s := range c.p.GetSections() {
		if opened[s.GetId()] {
			c.canOpen(fmt.Sprintf("sections[%d]", i), s)
		}
	}
}

// illegalGate says why section s cannot require section target; empty when it can.
func illegalGate(s, target *recordv1.Section) string {
	switch target.GetRepeat() {
	case recordv1.Section_CLIMB:
		if s.GetRepeat() != recordv1.Section_CLIMB && !s.GetOnStructure() {
			return fmt.Sprintf("%q repeats per climb, and only work on the structure names its climb: set on_structure, or do not require it", target.GetId())
		}
	case recordv1.Section_LINE:
		if s.GetRepeat() != recordv1.Section_LINE && s.GetRepeat() != recordv1.Section_CONNECTION {
			return fmt.Sprintf("%q repeats per line; a section that repeats per %s has no line", target.GetId(), s.GetRepeat())
		}
	case recordv1.Section_CONNECTION:
		if s.GetRepeat() != recordv1.Section_CONNECTION {
			return fmt.Sprintf("%q repeats per connection; a section that repeats per %s has no connection", target.GetId(), s.GetRepeat())
		}
	}
	return ""
}

// cycles reports each section from which the requirements lead back to it.
func (c *checker) cycles() {
	for i, s := range c.p.GetSections() {
		// The way from s along the first requirement that leads back.
		seen := map[string]bool{}
		var way func(name string) []string
		way = func(name string) []string {
			if seen[name] {
				return nil
			}
			seen[name] = true
			for _, next := range c.sections[name].GetRequires() {
				if next == s.GetId() && name != s.GetId() {
					return []string{name, next}
				}
				if w := way(next); w != nil {
					return append([]string{name}, w...)
				}
			}
			return nil
		}
		if w := way(s.GetId()); w != nil {
			c.addf(fmt.Sprintf("sections[%d].requires", i), "leads back to itself: %s", strings.Join(w, " requires "))
		}
	}
}

// canOpen checks that a section that is a gate can ever be good: it has a
// required step, and none of those is a reading without a limit, since only a
// pass, an allowed confirmation or an acknowledgement counts in a gate.
func (c *checker) canOpen(at string, s *recordv1.Section) {
	required := false
	for i, st := range s.GetSteps() {
		if st.GetOptional() {
			continue
		}
		required = true
		if r := st.GetReading(); r != nil && r.Limit == nil {
			c.addf(fmt.Sprintf("%s.steps[%d].reading.limit", at, i), "is missing: other sections require this one, and a reading without a limit never opens a gate")
		}
	}
	if !required {
		c.add(at+".steps", "other sections require this one, and all its steps are optional: the gate would stand open")
	}
}

func (c *checker) sharedLimits() {
	if n := len(c.p.GetLimits()); n > maxShared {
		c.addf("limits", "has %d shared limits; at most %d are allowed", n, maxShared)
	}
	for name := range c.p.GetLimits() {
		at := "limits[" + quoted(name) + "]"
		if !procedureID.MatchString(name) {
			c.addf(at, "the name must be 1 to 64 lower-case letters, digits and dashes")
		}
		if !c.usedNames[name] && !c.partial {
			c.add(at, "no step uses this limit")
		}
	}
}

func (c *checker) catalogues() {
	paths := englishTexts(c.p)
	seen := map[string]bool{}
	for i, cat := range c.p.GetCatalogues() {
		at := fmt.Sprintf("catalogues[%d]", i)
		switch lang := cat.GetLanguage(); {
		case !languageTag.MatchString(lang):
			c.addf(at+".language", "%.40q must be a BCP 47 tag, such as \"es\"", lang)
		case lang == "en":
			c.add(at+".language", "English stands in the procedure itself")
		case seen[lang]:
			c.addf(at+".language", "%q is given twice", lang)
		}
		seen[cat.GetLanguage()] = true
		for path, text := range cat.GetTexts() {
			at := at + ".texts[" + quoted(path) + "]"
			if paths[path] == "" {
				c.addf(at, "the procedure has no text at this path")
			}
			if strings.TrimSpace(text) == "" {
				c.add(at, "must not be empty; leave the path out and English is shown")
			}
		}
	}
}

// Untranslated lists the paths of texts that the catalogue of a language does
// not have, sorted.
func (c *Compiled) Untranslated(language string) []string {
	var out []string
	for _, path := range c.Paths() {
		if c.texts[language][path] == "" {
			out = append(out, path)
		}
	}
	return out
}
