package evidence

import (
	_ "embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	"witnessmark/internal/working"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Picture is where a reader of the report finds a photo: the original, and a
// small picture and a graded end face where there are any. Links are relative
// to the report or absolute; empty where the photo is not there.
type Picture struct{ Original, Small, Overlay, Redacted string }

// ReportInput is what a report is made from.
type ReportInput struct {
	Job          *record.Job
	State        *record.State
	BeforeEnd    *record.State // as it stood before the line that signs off or ends the job; nil: State
	Names        Names
	Organization string // "organizations/…"
	Title        string
	Addenda      []*record.Line
	Refused      []RefusedLine
	Root         seal.Hash // of the record; zero: not locked
	LogOrigin    string
	Retention    string
	Differences  []Difference
	Packaged     bool // the report lies in a package beside the record
}

// ReportData is a report's content, ready for its page: every text made, every
// time in the site's zone with its offset and in UTC.
type ReportData struct {
	Organization, Job, Title    string
	Site, Place, Zone           string
	Procedure, Revision, Digest string
	Follows                     string
	Status, Sign                string
	Locked                      *Moment
	SignOff                     *SignOffBlock
	Root, LogOrigin             string
	Lines                       int64
	Crew                        []string
	Counts                      []Count
	NotProven                   []string
	Exceptions                  []ExceptionRow
	Deviations                  []DeviationRow
	Redactions                  []RedactionRow
	Doubts                      []DoubtRow
	Climbs                      []ClimbRow
	Holds                       []HoldRow
	Kits                        []KitRow
	Groups                      []Group
	Dropped                     []StepRow
	JobEntries                  []EntryRow
	Addenda                     []EntryRow
	Contradicted                bool
	Refused                     []RefusedRow
	Differences                 []string
	Cautions                    []string
	Custody                     []string
}

// Moment is a time in the site's zone and in UTC.
type Moment struct{ Local, UTC string }

// Count is one number of the cover.
type Count struct {
	Label string
	N     int
}

// SignOffBlock says who signed what, when, and what it means.
type SignOffBlock struct {
	Name, ID, Meaning, Device, Key, Root, Waiver, Reason string
	Unfinished                                           bool
	Line, Size                                           int64
	Time                                                 Moment
	Own                                                  []string // steps of the crew that the signer did himself
}

// ExceptionRow is one exception and who looked at it.
type ExceptionRow struct {
	Kind, Sentence, Step string
	Lines                string
	LookedAt             string
}

// DeviationRow is one accepted deviation.
type DeviationRow struct {
	Step, Reason, By string
	Line             int64
	Time             Moment
}

// RedactionRow is a copy of a photo in which something was filled in. The
// original stays.
type RedactionRow struct {
	Digest, Copy, Reason, By string
	Parts                    int
	Line                     int64
	Addendum                 bool
	Time                     Moment
	Picture                  Picture // filled by Report
	key                      [32]byte
}

// DoubtRow is a doubt about an instrument.
type DoubtRow struct {
	Sentence string
	Steps    string
	Assessed bool
}

// ClimbRow is one climb.
type ClimbRow struct {
	Name, Crew     string
	Opened, Closed *Moment
}

// HoldRow is a hold that began or ended.
type HoldRow struct {
	Began    bool
	Sentence string
	Time     Moment
	Line     int64
}

// KitRow is a self-check of a test kit.
type KitRow struct {
	Instruments, State, Sign, Sentence, Residual string
	Time, Until                                  Moment
}

// Group is the steps of one climb, line, connection, or of the job.
type Group struct {
	ID, Title, Sub string
	Defers         string
	Steps          []StepRow
}

// StepRow is one step.
type StepRow struct {
	ID, Section, Title, Instruction, Caution string
	Word, Sign, Sentence                     string
	Limit, Source, Rule                      string
	Optional                                 bool
	Working                                  *WorkingRow
	Entries                                  []EntryRow
	Photos                                   []PhotoRow
	Deviation                                string
}

// WorkingRow is a calculation that a reader can do again.
type WorkingRow struct {
	Formula string
	Terms   []string
	LeftOut []string
}

// EntryRow is one entry.
type EntryRow struct {
	Line                int64
	Kind, What          string
	Who, Device, Signed string
	Time                Moment
	Received            Moment
	Word, Sign          string
	Sentence            string
	Warnings            []string
	Withdrawn, Counts   bool
	Window              *WindowRow // of a value that has a limit in its own dimension
}

// WindowRow draws a value on its limit, on a scale of 0 to 300: the allowed
// window from From to To, the guard band hatched inside its upper end from Guard
// on, the value at Value. Equality is inside.
type WindowRow struct {
	From, To, Guard, Value      float64
	HasLower, HasUpper, Guarded bool
	Lower, Upper, Now           string
	LowerAt, UpperAt            string // text anchors that stay on the scale
	NowAt                       string
	Inside                      bool
}

// PhotoRow is one photo.
type PhotoRow struct {
	Digest, Subject string
	Line            int64
	Time            Moment
	Who             string
	Missing         bool
	Withdrawn       bool
	Derived         string
	Findings        []string
	Grade           string
	Size            string
	Picture         Picture // filled by Report
	key             [32]byte
}

// RefusedRow is an entry that was refused and kept aside.
type RefusedRow struct{ Reason, Sentence, Sender, Received, Digest string }

// reporter makes the rows.
type reporter struct {
	in   ReportInput
	zone *time.Location
	d    ReportData
}

// NewReport makes the content of a report. It works for open jobs too.
func NewReport(in ReportInput) ReportData {
	r := &reporter{in: in, zone: in.Job.Zone()}
	if in.BeforeEnd == nil {
		r.in.BeforeEnd = in.State
	}
	r.cover()
	r.exceptions()
	r.climbs()
	r.steps()
	r.entries()
	return r.d
}

func (r *reporter) moment(t time.Time) Moment {
	if t.IsZero() {
		return Moment{Local: "not known"}
	}
	return Moment{Local: t.In(r.zone).Format("2006-01-02 15:04:05 -07:00"), UTC: t.UTC().Format("2006-01-02 15:04:05 UTC")}
}

func (r *reporter) stamp(t *timestamppb.Timestamp) string {
	if t == nil || !t.IsValid() {
		return "not known"
	}
	return r.moment(t.AsTime()).Local
}

func (r *reporter) people(ids []string) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = r.in.Names.Person(id)
	}
	return strings.Join(out, ", ")
}

func (r *reporter) cover() {
	j, d, n := r.in.Job, &r.d, r.in.Names
	d.Organization, d.Job, d.Title = n.Organization(r.in.Organization), j.Name(), r.in.Title
	d.Zone = r.zone.String()
	site := j.Site()
	d.Site = site.GetTitle()
	if d.Site == "" {
		d.Site = site.GetName()
	}
	if p := site.GetPosition(); p != nil {
		d.Place = fmt.Sprintf("%.5f, %.5f (WGS 84)", p.GetLatitude(), p.GetLongitude())
	}
	c := j.Procedure()
	d.Procedure, d.Revision, d.Digest = c.Proc.GetTitle(), c.Proc.GetRevision(), hex.EncodeToString(c.Digest[:])
	d.Cautions = c.Proc.GetCautions()
	d.LogOrigin, d.Lines = r.in.LogOrigin, j.Size()
	st := r.in.State
	switch st.Status {
	case record.StatusLocked:
		d.Status, d.Sign = "locked", "whole"
	case record.StatusEnded:
		d.Status, d.Sign = "ended unfinished, locked", "hollow"
	case record.StatusFinished:
		d.Status, d.Sign = "finished, not signed off", "hollow"
	default:
		d.Status, d.Sign = "open", "hollow"
	}
	if j.Locked() {
		m := r.moment(j.LockTime())
		d.Locked, d.Root = &m, r.in.Root.String()
	}
	var crew []string
	signed, attested, photos := 0, 0, map[[32]byte]bool{}
	for _, l := range j.Lines() {
		if l.KeyID != "" {
			signed++
		} else {
			attested++
		}
		e := l.Entry
		if o := e.GetJobOpened(); o != nil {
			d.Follows = o.GetFollows()
			if d.Title == "" {
				d.Title = o.GetTitle()
			}
		}
		for _, p := range slices.Concat(e.GetClimbOpened().GetCrew(), e.GetCrewChanged().GetCrew()) {
			if !slices.Contains(crew, p) {
				crew = append(crew, p)
			}
		}
		if e.GetSignedOff() != nil || e.GetEndedUnfinished() != nil {
			r.signOff(l)
		}
	}
	for _, p := range crew {
		d.Crew = append(d.Crew, n.Person(p))
	}
	var missing []string
	unread := 0
	for _, p := range st.Photos {
		switch {
		case !p.Received:
			missing = append(missing, hex.EncodeToString(p.Digest[:]))
		case p.Examined == nil:
			unread++
		}
		if p.Received {
			photos[p.Digest] = true
		}
	}
	b := r.in.BeforeEnd
	looked := 0
	for _, x := range b.Exceptions {
		if len(x.LookedAt) > 0 {
			looked++
		}
	}
	deviations := 0
	for _, s := range st.Steps {
		if s.State == recordv1.StepState_DEVIATING {
			deviations++
		}
	}
	d.Counts = []Count{
		{"steps required", st.Counts.Required}, {"of them done", st.Counts.Done}, {"out of limits", st.Counts.OutOfLimits},
		{"not done or waiting", st.Counts.Open + st.Counts.Waiting}, {"deviations accepted", deviations},
		{"exceptions", len(b.Exceptions)}, {"of them looked at", looked}, {"photos", len(photos)},
		{"lines signed by a device", signed}, {"lines attested by the server", attested}, {"lines after the lock", len(r.in.Addenda)}, {"refused, kept aside", len(r.in.Refused)},
	}
	not := func(format string, args ...any) { d.NotProven = append(d.NotProven, fmt.Sprintf(format, args...)) }
	not("That what was entered is true: the record shows who stated what, on which device, and that nothing was changed since.")
	not("When a photo was taken: the device's clock is a claim; the time of receipt shows only that it was not later.")
	if r.in.Packaged {
		not("That the log's key in this package is the organisation's: compare its fingerprint with one that you got another way.")
		not("Time by a third party: there are no time-stamps of a time-stamping authority in this package.")
	}
	if signed > 0 {
		not("Whose hand held a phone: that a device's key belongs to a person is the organisation's word.")
	}
	if attested > 0 {
		not("Who made the %d lines that no device signed: there the server says who was logged in, or made the line itself.", attested)
	}
	if len(missing) > 0 {
		not("%d photo(s) that entries name never arrived: %s.", len(missing), strings.Join(missing[:min(len(missing), 20)], ", "))
	}
	if unread > 0 {
		not("%d photo(s) arrived and were not examined before the lock.", unread)
	}
	if d.SignOff != nil && d.SignOff.Waiver != "" {
		not("That somebody else than the doer approved: four eyes were waived (%s).", d.SignOff.Waiver)
	}
	for _, x := range r.in.Differences {
		d.Differences = append(d.Differences, x.String())
	}
	retention := r.in.Retention
	if retention == "" {
		retention = "not stated"
	}
	d.Custody = []string{
		"The bytes that were signed and the photos' original bytes are kept as they came; thumbnails, this report and verdicts.jsonl are derived and can be made again.",
		"Every line was made once, when it was received, and never changed; a correction is another line.",
		"Retention of the originals: " + retention + ".",
	}
}

func (r *reporter) signOff(l *record.Line) {
	e, n := l.Entry, r.in.Names
	s := &SignOffBlock{Name: n.Person(e.GetAuthor()), ID: e.GetAuthor(), Device: n.Device(e.GetDevice()), Key: l.KeyID, Line: l.Seq, Time: r.moment(l.Received)}
	root := e.GetSignedOff().GetRoot()
	if u := e.GetEndedUnfinished(); u != nil {
		s.Unfinished, s.Reason, s.Size, root = true, u.GetReason(), u.GetSize(), u.GetRoot()
		s.Meaning = "ended unfinished"
	} else {
		s.Size, s.Waiver = e.GetSignedOff().GetSize(), e.GetSignedOff().GetFourEyesWaiver()
		switch e.GetSignedOff().GetMeaning() {
		case recordv1.SignedOff_APPROVED:
			s.Meaning = "approved"
		case recordv1.SignedOff_APPROVED_WITH_EXCEPTIONS:
			s.Meaning = "approved with exceptions"
		default:
			s.Meaning = "not stated"
		}
		for _, id := range r.in.Job.WorkOf(e.GetAuthor()) {
			s.Own = append(s.Own, r.stepName(id))
		}
	}
	s.Root = hex.EncodeToString(root)
	r.d.SignOff = s
}

// stepName is a step in words: where, section, step.
func (r *reporter) stepName(id string) string {
	ss, ok := r.in.Job.StepStatus(id)
	if !ok {
		return id
	}
	where := r.where(ss.Step)
	return strings.TrimPrefix(where+": ", ": ") + ss.Step.Section.GetTitle() + ", " + ss.Step.Def.GetTitle()
}

func (r *reporter) where(s *procedure.Step) string {
	switch {
	case s.Connection != nil:
		return first(s.Connection.GetTitle(), s.Connection.GetId())
	case s.Line != nil:
		return "line " + first(s.Line.GetTitle(), s.Line.GetId())
	case s.Scope == recordv1.Section_CLIMB:
		return r.climbName(s.ScopeID)
	}
	return ""
}

func first(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// climbName numbers climbs in the order of their opening: their ids are made by
// machines.
func (r *reporter) climbName(id string) string {
	for i, c := range r.in.State.Climbs {
		if c.ID == id {
			return fmt.Sprintf("climb %d", i+1)
		}
	}
	return "climb " + id
}

func numbers(ns []int64) string {
	out := make([]string, len(ns))
	for i, n := range ns {
		out[i] = fmt.Sprint(n)
	}
	if len(out) > 12 {
		out = append(out[:12], fmt.Sprintf("and %d more", len(ns)-12))
	}
	return strings.Join(out, ", ")
}

func (r *reporter) exceptions() {
	for _, x := range r.in.BeforeEnd.Exceptions {
		row := ExceptionRow{Kind: strings.ToLower(strings.ReplaceAll(x.Kind, "_", " ")), Sentence: r.name(x.Sentence), Lines: numbers(x.Lines), LookedAt: r.people(x.LookedAt)}
		if x.Step != "" {
			row.Step = r.stepName(x.Step)
		}
		r.d.Exceptions = append(r.d.Exceptions, row)
	}
	for _, s := range r.in.State.Steps {
		if l := s.Deviation; l != nil {
			r.d.Deviations = append(r.d.Deviations, DeviationRow{Step: r.stepName(s.Step.ID), Reason: l.Entry.GetDeviationAccepted().GetReason(), By: r.in.Names.Person(l.Entry.GetAuthor()), Line: l.Seq, Time: r.moment(l.Received)})
		}
	}
	for i, list := range [][]*record.Line{r.in.Job.Lines(), r.in.Addenda} {
		for _, l := range list {
			if x := l.Entry.GetPhotoRedacted(); len(x.GetDigest()) == 32 {
				r.d.Redactions = append(r.d.Redactions, RedactionRow{Digest: hex.EncodeToString(x.GetDigest()), Copy: hex.EncodeToString(x.GetCopy()), Reason: x.GetReason(), By: r.in.Names.Person(x.GetPerson()),
					Parts: len(x.GetRegions()), Line: l.Seq, Addendum: i == 1, Time: r.moment(l.Received), key: [32]byte(x.GetDigest())})
			}
		}
	}
	for _, x := range r.in.State.Doubts {
		row := DoubtRow{Sentence: r.name(x.Sentence), Assessed: x.Assessed}
		var steps []string
		for _, id := range x.Steps {
			steps = append(steps, r.stepName(id))
		}
		row.Steps = strings.Join(steps, "; ")
		r.d.Doubts = append(r.d.Doubts, row)
	}
}

// name writes names for the ids in a sentence of the fold, which knows none.
func (r *reporter) name(s string) string {
	if !strings.Contains(s, "people/") && !strings.Contains(s, "instruments/") && !strings.Contains(s, "devices/") {
		return s
	}
	words := strings.Fields(s)
	for i, w := range words {
		id := strings.TrimRight(w, ".,;:")
		var to string
		switch {
		case strings.HasPrefix(id, "people/"):
			to = r.in.Names.Person(id)
		case strings.HasPrefix(id, "devices/"):
			to = r.in.Names.Device(id)
		case strings.HasPrefix(id, "instruments/"):
			to = r.in.Names.Instrument(id)
		default:
			continue
		}
		words[i] = to + w[len(id):]
	}
	return strings.Join(words, " ")
}

func (r *reporter) climbs() {
	for i, c := range r.in.State.Climbs {
		row := ClimbRow{Name: fmt.Sprintf("climb %d", i+1), Crew: r.people(c.Crew)}
		if !c.Opened.IsZero() {
			m := r.moment(c.Opened)
			row.Opened = &m
		}
		if !c.Closed.IsZero() {
			m := r.moment(c.Closed)
			row.Closed = &m
		}
		r.d.Climbs = append(r.d.Climbs, row)
	}
	for _, l := range r.in.Job.Lines() {
		for _, h := range l.Assessment.GetHolds() {
			sentence := r.name(h.GetSentence())
			// A hold's own words name what is missing; the one that ends it names the section.
			gate := h.GetGate()[strings.LastIndexByte(h.GetGate(), '/')+1:]
			if section := r.in.Job.Procedure().Section(gate); h.GetBegan() && section != nil {
				sentence = section.GetTitle() + ": " + sentence
			}
			r.d.Holds = append(r.d.Holds, HoldRow{Began: h.GetBegan(), Sentence: sentence, Time: r.moment(l.Received), Line: l.Seq})
		}
	}
	for _, k := range r.in.State.Kits {
		row := KitRow{Sentence: r.name(k.Sentence), Time: r.moment(k.Time), Until: r.moment(k.Until)}
		switch k.State {
		case recordv1.KitState_FIT:
			row.State, row.Sign = "fit", "whole"
		case recordv1.KitState_MARGINAL:
			row.State, row.Sign = "fit, with a warning", "dashed"
		case recordv1.KitState_NOT_FIT:
			row.State, row.Sign = "not fit", "broken"
		default:
			row.State, row.Sign = "not known", "hollow"
		}
		var names []string
		for _, id := range k.Instruments {
			names = append(names, r.in.Names.Instrument(id))
		}
		row.Instruments = strings.Join(names, ", ")
		if k.ResidualDBc != nil {
			row.Residual = withUnit(*k.ResidualDBc, recordv1.Measure_DECIBELS_CARRIER)
		}
		r.d.Kits = append(r.d.Kits, row)
	}
}

func (r *reporter) steps() {
	at := map[string]int{}
	for _, s := range r.in.State.Steps {
		key := s.Step.Scope.String() + ":" + s.Step.ScopeID
		i, ok := at[key]
		if !ok {
			i = len(r.d.Groups)
			at[key] = i
			r.d.Groups = append(r.d.Groups, r.group(s.Step, i))
		}
		g := &r.d.Groups[i]
		if def := defers(s.Step); def != "" {
			g.Defers = def
		}
		g.Steps = append(g.Steps, r.step(s))
	}
	for _, s := range r.in.State.Dropped {
		row := r.step(s)
		row.Title = strings.TrimPrefix(r.where(s.Step)+": ", ": ") + row.Title
		r.d.Dropped = append(r.d.Dropped, row)
	}
}

func (r *reporter) group(s *procedure.Step, i int) Group {
	g := Group{ID: fmt.Sprintf("g%d", i+1)}
	switch s.Scope {
	case recordv1.Section_CLIMB:
		g.Title, g.Sub = upper(r.climbName(s.ScopeID)), s.ScopeID
	case recordv1.Section_LINE:
		g.Title = "Line " + first(s.Line.GetTitle(), s.ScopeID)
		g.Sub = joinNonEmpty(strings.ToLower(s.Line.GetMedium().String()), s.Line.GetType(), s.Line.GetBand())
	case recordv1.Section_CONNECTION:
		g.Title = "Connection " + first(s.Connection.GetTitle(), s.ScopeID)
		g.Sub = joinNonEmpty(s.Connection.GetInterface(), s.Connection.GetPosition(), strings.Join(s.Connection.GetMatingParts(), " to "))
	default:
		g.Title = "The job"
	}
	return g
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func joinNonEmpty(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" || strings.HasSuffix(s, "unspecified") }), " · ")
}

// defers is the line that stands with a step on which safety rests.
func defers(s *procedure.Step) string {
	switch s.Def.GetReading().GetQuantity() {
	case recordv1.Quantity_WIND_SPEED, recordv1.Quantity_HEAT_INDEX, recordv1.Quantity_WIND_CHILL, recordv1.Quantity_ELAPSED:
		return working.DefersWeather
	case recordv1.Quantity_POWER_DENSITY, recordv1.Quantity_STAND_OFF:
		return working.DefersExposure
	case recordv1.Quantity_FALL_CLEARANCE:
		return working.DefersFall
	case recordv1.Quantity_LIFT_LOAD, recordv1.Quantity_RIGGING_LOAD:
		return working.DefersRigging
	}
	return ""
}

func (r *reporter) step(s record.StepStatus) StepRow {
	d := s.Step.Def
	row := StepRow{ID: s.Step.ID, Section: s.Step.Section.GetTitle(), Title: d.GetTitle(), Instruction: d.GetInstruction(), Caution: d.GetCaution(), Optional: !s.Step.Required,
		Word: stateWord(s.State, s.Verdict), Sign: stateSign(s.State, s.Verdict), Sentence: r.name(s.Sentence)}
	if l := s.Limit; l != nil {
		row.Limit, row.Source, row.Rule = limitText(l), l.GetSource(), l.GetRule()
		if l.GetGuard() != 0 {
			row.Limit += ", guard band " + withUnit(l.GetGuard(), l.GetUnit())
		}
	}
	if w := s.Working; w != nil && (len(w.GetTerms()) > 0 || w.GetFormula() != "") {
		row.Working = &WorkingRow{Formula: w.GetFormula(), LeftOut: w.GetLeftOut()}
		for _, t := range w.GetTerms() {
			row.Working.Terms = append(row.Working.Terms, t.GetName()+": "+joinUnit(number(t.GetValue()), t.GetUnit()))
		}
	}
	if s.Deviation != nil {
		row.Deviation = s.Deviation.Entry.GetDeviationAccepted().GetReason()
	}
	for _, e := range s.Entries {
		x := r.entry(e.Line, e.Time)
		x.Withdrawn, x.Counts = e.Withdrawn, e.Counts
		if e.Verdict != 0 {
			x.Word, x.Sign = verdictWord(e.Verdict), verdictSign(e.Verdict)
		}
		x.Sentence = r.name(e.Sentence)
		row.Entries = append(row.Entries, x)
		if p := e.Line.Entry.GetPhotoAttached(); p != nil {
			row.Photos = append(row.Photos, r.photo(e, p))
		}
	}
	row.Photos = beside(d.GetPhoto(), row.Photos)
	return row
}

// beside orders photos by the step's subjects, each subject that is shown
// beside another right after it: before beside after.
func beside(p *recordv1.PhotoStep, rows []PhotoRow) []PhotoRow {
	if p == nil || len(rows) < 2 {
		return rename(p, rows)
	}
	place := map[string]int{}
	n := 0
	put := func(id string) {
		if _, ok := place[id]; !ok {
			place[id] = n
			n++
		}
	}
	for _, s := range p.GetSubjects() {
		if s.GetBeside() != "" {
			put(s.GetBeside())
		}
		put(s.GetId())
		for _, o := range p.GetSubjects() {
			if o.GetBeside() == s.GetId() {
				put(o.GetId())
			}
		}
	}
	rank := func(r PhotoRow) int {
		if n, ok := place[r.Subject]; ok {
			return n
		}
		return n
	}
	slices.SortStableFunc(rows, func(a, b PhotoRow) int { return rank(a) - rank(b) })
	return rename(p, rows)
}

// rename gives subjects their titles.
func rename(p *recordv1.PhotoStep, rows []PhotoRow) []PhotoRow {
	for i := range rows {
		for _, s := range p.GetSubjects() {
			if s.GetId() == rows[i].Subject && s.GetTitle() != "" {
				rows[i].Subject = s.GetTitle()
				break
			}
		}
	}
	return rows
}

func (r *reporter) photo(e record.EntryStatus, p *recordv1.PhotoAttached) PhotoRow {
	var d [32]byte
	copy(d[:], p.GetDigest())
	row := PhotoRow{Digest: hex.EncodeToString(p.GetDigest()), Subject: p.GetSubject(), Line: e.Line.Seq, Time: r.moment(e.Time), Who: r.in.Names.Person(e.Line.Entry.GetAuthor()), Missing: true, Withdrawn: e.Withdrawn, Derived: p.GetDerivation(), key: d}
	for _, s := range r.in.Job.Received() {
		if string(s.GetDigest()) == string(p.GetDigest()) {
			row.Missing = false
		}
	}
	for _, s := range r.in.State.Photos {
		if s.Digest != d || s.Examined == nil {
			continue
		}
		if s.Examined.GetWidth() > 0 {
			row.Size = fmt.Sprintf("%d × %d", s.Examined.GetWidth(), s.Examined.GetHeight())
		}
		for _, f := range s.Examined.GetFindings() {
			row.Findings = append(row.Findings, f.GetSentence())
		}
		row.Grade = s.Examined.GetEndFace().GetSentence()
		break
	}
	return row
}

// entry is a line as a row.
func (r *reporter) entry(l *record.Line, at time.Time) EntryRow {
	e, n := l.Entry, r.in.Names
	row := EntryRow{Line: l.Seq, Kind: record.KindName(e), What: r.what(e), Who: n.Person(e.GetAuthor()), Device: n.Device(e.GetDevice()), Time: r.moment(at), Received: r.moment(l.Received), Sentence: r.name(l.Assessment.GetSentence())}
	if e.GetAuthor() == "" {
		row.Who = "the server"
	}
	row.Signed = "attested by the server"
	if l.KeyID != "" {
		row.Signed = "signed by " + l.KeyID
	}
	if v := l.Assessment.GetVerdict(); v != 0 {
		row.Word, row.Sign = verdictWord(v), verdictSign(v)
	}
	row.Window = window(e, l.Assessment.GetLimit())
	for _, w := range l.Assessment.GetWarnings() {
		row.Warnings = append(row.Warnings, r.name(w.GetSentence()))
	}
	return row
}

// window places a value on its limit. nil where there is no number, no limit, or
// what is judged is not the number itself (a torque with an extension).
func window(e *recordv1.Entry, l *recordv1.Assessment_AppliedLimit) *WindowRow {
	var v float64
	var unit recordv1.Measure_Unit
	switch x, t := e.GetReadingTaken(), e.GetTorqueApplied(); {
	case x != nil && !x.GetNotMeasurable():
		v, unit = x.GetValue(), x.GetUnit()
	case t != nil && t.GetExtensionLength() == nil:
		v, unit = t.GetValue(), t.GetUnit()
	default:
		return nil
	}
	if l == nil || (l.Lower == nil && l.Upper == nil) {
		return nil
	}
	v, err := limits.Convert(v, unit, l.GetUnit())
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	low, high := v, v
	for _, b := range []*float64{l.Lower, l.Upper} {
		if b != nil {
			low, high = min(low, *b), max(high, *b)
		}
	}
	span := high - low
	if l.Lower == nil || l.Upper == nil { // a window that is open at one side
		span = max(span, 0.1*max(math.Abs(low), math.Abs(high)), 1)
	}
	if span <= 0 || math.IsInf(span, 0) {
		return nil
	}
	low, high = low-0.3*span, high+0.3*span
	at := func(x float64) float64 { return math.Round(3000*(x-low)/(high-low)) / 10 }
	w := &WindowRow{From: 0, To: 300, Value: at(v), HasLower: l.Lower != nil, HasUpper: l.Upper != nil, Now: withUnit(v, l.GetUnit()),
		Inside: (l.Lower == nil || v >= *l.Lower) && (l.Upper == nil || v <= *l.Upper)}
	w.NowAt = anchor(w.Value)
	if w.HasLower {
		w.From, w.Lower = at(*l.Lower), number(*l.Lower)
		w.LowerAt = anchor(w.From)
	}
	if w.HasUpper {
		w.To, w.Upper = at(*l.Upper), number(*l.Upper)
		w.UpperAt = anchor(w.To)
		if g := l.GetGuard(); g > 0 {
			w.Guarded, w.Guard = true, max(w.From, at(*l.Upper-g))
		}
	}
	return w
}

// anchor keeps a text at x on the scale.
func anchor(x float64) string {
	switch {
	case x < 60:
		return "start"
	case x > 240:
		return "end"
	}
	return "middle"
}

// Width and Hatch are lengths on the scale.
func (w WindowRow) Width() float64 { return w.To - w.From }

// Hatch is the length of the guard band on the scale.
func (w WindowRow) Hatch() float64 { return w.To - w.Guard }

func (r *reporter) measure(name string, m *recordv1.Measure) string {
	if m == nil {
		return ""
	}
	return name + " " + withUnit(m.GetValue(), m.GetUnit())
}

func list(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "; ")
}

func typed(text string, v float64, u recordv1.Measure_Unit) string {
	s := withUnit(v, u)
	if text != "" && strings.ReplaceAll(text, " ", "\u00a0") != s {
		s += " (typed “" + text + "”)"
	}
	return s
}

// what says in words what an entry states.
func (r *reporter) what(e *recordv1.Entry) string {
	n := r.in.Names
	inst := func(id string) string {
		if id == "" {
			return ""
		}
		return "with " + n.Instrument(id)
	}
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ReadingTaken:
		x := k.ReadingTaken
		value := typed(x.GetTyped(), x.GetValue(), x.GetUnit())
		if x.GetNotMeasurable() {
			value = "the instrument showed no number"
		}
		dir := ""
		switch x.GetDirection() {
		case recordv1.ReadingTaken_NEAR_TO_FAR:
			dir = "near to far end"
		case recordv1.ReadingTaken_FAR_TO_NEAR:
			dir = "far to near end"
		}
		gust := ""
		if x.GetGust() {
			gust = "gust"
		}
		return list(value, gust, r.measure("carrier", x.GetCarrierPower()), r.measure("at", x.GetFrequency()), r.measure("at", x.GetWavelength()), dir, r.measure("height", x.GetHeight()), inst(x.GetInstrument()), x.GetSetup())
	case *recordv1.Entry_TorqueApplied:
		x := k.TorqueApplied
		return list(typed(x.GetTyped(), x.GetValue(), x.GetUnit()), r.measure("set to", x.GetToolSetting()), r.measure("lever", x.GetLeverLength()), r.measure("extension", x.GetExtensionLength()), r.measure("at an angle of", x.GetExtensionAngle()), inst(x.GetTool()))
	case *recordv1.Entry_TraceAttached:
		x := k.TraceAttached
		return list(fmt.Sprintf("%q, SHA-256 %x", x.GetFileName(), x.GetDigest()), r.measure("read on the screen", x.GetRead()), inst(x.GetInstrument()))
	case *recordv1.Entry_PhotoAttached:
		return fmt.Sprintf("%s, SHA-256 %x", k.PhotoAttached.GetSubject(), k.PhotoAttached.GetDigest())
	case *recordv1.Entry_KitChecked:
		var parts []string
		for _, p := range k.KitChecked.GetParts() {
			parts = append(parts, r.measure(strings.ToLower(strings.ReplaceAll(p.GetSetup().String(), "_", " ")), p.GetRead()))
		}
		return list(append(parts, inst(k.KitChecked.GetAnalyser()), k.KitChecked.GetRemark())...)
	case *recordv1.Entry_Confirmed:
		return list(strings.ToLower(strings.ReplaceAll(k.Confirmed.GetOutcome().String(), "_", " ")), k.Confirmed.GetReason())
	case *recordv1.Entry_Acknowledged:
		fit := ""
		switch k.Acknowledged.GetFitness() {
		case recordv1.Acknowledged_FIT:
			fit = "fit for this work"
		case recordv1.Acknowledged_NOT_FIT:
			fit = "not fit for this work"
		}
		return list(n.Person(k.Acknowledged.GetPerson())+" knows", fit)
	case *recordv1.Entry_Answered:
		return list(k.Answered.GetChoice(), k.Answered.GetText())
	case *recordv1.Entry_Note:
		return k.Note.GetText()
	case *recordv1.Entry_Withdrawn:
		why := k.Withdrawn.GetReason()
		if k.Withdrawn.GetMistyped() {
			why = list("mistyped", why)
		}
		if l := r.in.Job.LineOf(k.Withdrawn.GetEntry()); l != nil {
			return fmt.Sprintf("line %d: %s", l.Seq, why)
		}
		return why
	case *recordv1.Entry_DeviationAsked:
		return k.DeviationAsked.GetReason()
	case *recordv1.Entry_DeviationAccepted:
		return k.DeviationAccepted.GetReason()
	case *recordv1.Entry_Assessed:
		return list(strings.ToLower(strings.ReplaceAll(k.Assessed.GetOutcome().String(), "_", " ")), k.Assessed.GetReason())
	case *recordv1.Entry_LookedAt:
		return list(fmt.Sprintf("%d exception(s)", len(k.LookedAt.GetExceptions())), k.LookedAt.GetRemark())
	case *recordv1.Entry_ReturnedForRework:
		var steps []string
		for _, id := range k.ReturnedForRework.GetSteps() {
			steps = append(steps, r.stepName(id))
		}
		return list(k.ReturnedForRework.GetReason(), strings.Join(steps, "; "))
	case *recordv1.Entry_WorkStopped:
		return k.WorkStopped.GetReason()
	case *recordv1.Entry_WorkResumed:
		return k.WorkResumed.GetReason()
	case *recordv1.Entry_EndedUnfinished:
		return k.EndedUnfinished.GetReason()
	case *recordv1.Entry_ClimbOpened:
		return "crew: " + r.people(k.ClimbOpened.GetCrew())
	case *recordv1.Entry_CrewChanged:
		return list("crew: "+r.people(k.CrewChanged.GetCrew()), k.CrewChanged.GetReason())
	case *recordv1.Entry_ClimbClosed:
		return "down: " + r.people(k.ClimbClosed.GetDown())
	case *recordv1.Entry_PlanRevised:
		return k.PlanRevised.GetReason()
	case *recordv1.Entry_SignedOff:
		return fmt.Sprintf("%d lines, root %x", k.SignedOff.GetSize(), k.SignedOff.GetRoot())
	case *recordv1.Entry_PhotoReceived:
		return fmt.Sprintf("SHA-256 %x, %d bytes, %s", k.PhotoReceived.GetDigest(), k.PhotoReceived.GetSize(), k.PhotoReceived.GetMediaType())
	case *recordv1.Entry_PhotoExamined:
		return fmt.Sprintf("SHA-256 %x, %d finding(s), rules %s", k.PhotoExamined.GetDigest(), len(k.PhotoExamined.GetFindings()), k.PhotoExamined.GetRules())
	case *recordv1.Entry_TraceReceived:
		return fmt.Sprintf("SHA-256 %x, %d bytes", k.TraceReceived.GetDigest(), k.TraceReceived.GetSize())
	case *recordv1.Entry_KitInDoubt:
		return list(n.Instrument(k.KitInDoubt.GetInstrument()), k.KitInDoubt.GetCause())
	case *recordv1.Entry_CalibrationChanged:
		return list(n.Instrument(k.CalibrationChanged.GetInstrument()), "in date through "+k.CalibrationChanged.GetCalibratedUntil(), k.CalibrationChanged.GetRemark())
	case *recordv1.Entry_QualificationEnded:
		return list(n.Person(k.QualificationEnded.GetPerson()), k.QualificationEnded.GetQualification(), "last day "+k.QualificationEnded.GetUntil())
	case *recordv1.Entry_RefusedAdmitted:
		return list(fmt.Sprintf("SHA-256 %x", k.RefusedAdmitted.GetDigest()), k.RefusedAdmitted.GetReason(), n.Person(k.RefusedAdmitted.GetLead()))
	case *recordv1.Entry_AcknowledgementConfirmed:
		return list(n.Person(k.AcknowledgementConfirmed.GetPerson()), k.AcknowledgementConfirmed.GetHow())
	case *recordv1.Entry_UnsentReported:
		return fmt.Sprintf("%s still holds %d", n.Device(k.UnsentReported.GetDevice()), k.UnsentReported.GetCount())
	case *recordv1.Entry_PhotoRedacted:
		return list(fmt.Sprintf("SHA-256 %x, %d part(s) filled in, copy SHA-256 %x", k.PhotoRedacted.GetDigest(), len(k.PhotoRedacted.GetRegions()), k.PhotoRedacted.GetCopy()), k.PhotoRedacted.GetReason(), n.Person(k.PhotoRedacted.GetPerson()))
	case *recordv1.Entry_LegalHoldChanged:
		hold, by := "off", "not enforced by the store"
		if k.LegalHoldChanged.GetOn() {
			hold = "on"
		}
		if k.LegalHoldChanged.GetEnforced() {
			by = "enforced by the store"
		}
		return list(hold, k.LegalHoldChanged.GetReason(), by, n.Person(k.LegalHoldChanged.GetPerson()))
	case *recordv1.Entry_FindingAccepted:
		return list(strings.Join(k.FindingAccepted.GetCodes(), ", "), k.FindingAccepted.GetReason())
	case *recordv1.Entry_KitCheckKnown:
		return list(strings.ToLower(strings.ReplaceAll(k.KitCheckKnown.GetState().String(), "_", " ")), "made "+r.stamp(k.KitCheckKnown.GetCheckTime()), "in "+k.KitCheckKnown.GetJob())
	}
	return ""
}

// entries lists what belongs to no step, and what came after the lock.
func (r *reporter) entries() {
	for _, l := range r.in.Job.Lines() {
		if l.Entry.GetStep() == "" {
			r.d.JobEntries = append(r.d.JobEntries, r.entry(l, l.Received))
		}
	}
	for _, l := range r.in.Addenda {
		row := r.entry(l, l.Received)
		if s := l.Entry.GetStep(); s != "" {
			row.What = r.stepName(s) + ": " + row.What
		}
		if l.Assessment != nil && r.in.Job.Contradicts(l) {
			r.d.Contradicted = true
			row.Warnings = append(row.Warnings, "This contradicts the record.")
		}
		r.d.Addenda = append(r.d.Addenda, row)
	}
	for _, f := range r.in.Refused {
		row := RefusedRow{Reason: f.Reason, Sentence: f.Sentence, Sender: f.Sender, Received: f.Received, Digest: f.Digest}
		if row.Sender != "" {
			row.Sender = r.in.Names.Person("people/" + strings.TrimPrefix(row.Sender, "people/"))
		}
		r.d.Refused = append(r.d.Refused, row)
	}
}

//go:embed report.html
var reportPage string

var reportTemplate = template.Must(template.New("report").Funcs(template.FuncMap{
	"short": func(s string) string { return s[:min(len(s), 16)] },
}).Parse(reportPage))

// Report writes the report's page: one HTML file without scripts that needs
// nothing but the photos, which photoURL finds by their digest. It prints in
// black and white without loss.
//
// The error is w's.
func Report(w io.Writer, d ReportData, photoURL func(digest [32]byte) Picture) error {
	find := func(rows []StepRow) []StepRow {
		out := slices.Clone(rows)
		for i := range out {
			out[i].Photos = slices.Clone(out[i].Photos)
			for k := range out[i].Photos {
				p := &out[i].Photos[k]
				if p.Picture = photoURL(p.key); p.Picture.Small == "" {
					p.Picture.Small = p.Picture.Original
				}
			}
		}
		return out
	}
	groups := slices.Clone(d.Groups)
	for i := range groups {
		groups[i].Steps = find(groups[i].Steps)
	}
	d.Groups, d.Dropped = groups, find(d.Dropped)
	d.Redactions = slices.Clone(d.Redactions)
	for i := range d.Redactions {
		d.Redactions[i].Picture = photoURL(d.Redactions[i].key)
	}
	return reportTemplate.Execute(w, d)
}
