package workflow

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

var (
	resourceID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)
	orgID      = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{1,62}$`)
)

// Site is one structure at one place.
type Site struct {
	ID         string    `json:"-"`
	Title      string    `json:"title"`
	Zone       string    `json:"zone"`
	Latitude   float64   `json:"latitude"`
	Longitude  float64   `json:"longitude"`
	Notes      string    `json:"notes,omitempty"`
	Version    int64     `json:"-"`
	CreateTime time.Time `json:"-"`
}

// Value is a number with a unit, as an instrument's data sheet gives it.
type Value struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"` // name of recordv1.Measure_Unit
}

// Instrument is a tool or instrument with a serial number.
type Instrument struct {
	ID              string    `json:"-"`
	Kind            string    `json:"kind"`
	Title           string    `json:"title"`
	Serial          string    `json:"serial,omitempty"`
	CalibratedOn    string    `json:"calibratedOn,omitempty"`
	CalibratedUntil string    `json:"calibratedUntil,omitempty"`
	Class           string    `json:"class,omitempty"`
	Minimum         *Value    `json:"minimum,omitempty"`
	Maximum         *Value    `json:"maximum,omitempty"`
	Preset          *Value    `json:"preset,omitempty"`
	Directivity     *float64  `json:"directivity,omitempty"`
	Uncertainty     *float64  `json:"uncertainty,omitempty"`
	Retired         bool      `json:"retired,omitempty"`
	Remark          string    `json:"remark,omitempty"`
	Version         int64     `json:"-"`
	CreateTime      time.Time `json:"-"`
}

// inUnit converts a value into a unit; nil where it cannot be.
func inUnit(v *Value, unit recordv1.Measure_Unit) *float64 {
	if v == nil {
		return nil
	}
	from := recordv1.Measure_Unit(recordv1.Measure_Unit_value[v.Unit])
	x, err := limits.Convert(v.Value, from, unit)
	if err != nil {
		return nil
	}
	return proto.Float64(x)
}

func checkName(field, id string) error {
	if !resourceID.MatchString(id) {
		return errs.Field("NAME_INVALID", field, fmt.Sprintf("%.80q does not match [A-Za-z0-9._-]{1,64}", id))
	}
	return nil
}

func checkDay(field, day string) error {
	if day == "" {
		return nil
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return errs.Field("DAY_INVALID", field, fmt.Sprintf("%.20q is no day of the calendar", day))
	}
	return nil
}

func encode(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("encode document: %w", err)
	}
	return b, nil
}

func decode[T any](d storage.Document, v *T) error {
	dec := json.NewDecoder(bytes.NewReader(d.Body))
	if err := dec.Decode(v); err != nil {
		return errs.Newf(errs.Corrupt, "DOCUMENT_UNREADABLE", "%s %s cannot be read", d.Kind, d.ID).Because(err)
	}
	return nil
}

func readSite(d storage.Document) (Site, error) {
	var v Site
	err := decode(d, &v)
	v.ID, v.Version, v.CreateTime = d.ID, d.Version, d.CreateTime
	return v, err
}

func readInstrument(d storage.Document) (Instrument, error) {
	var v Instrument
	err := decode(d, &v)
	v.ID, v.Version, v.CreateTime = d.ID, d.Version, d.CreateTime
	return v, err
}

func readPerson(d storage.Document) (access.Person, error) {
	var v access.Person
	err := decode(d, &v)
	v.ID, v.Version, v.CreateTime = d.ID, d.Version, d.CreateTime
	return v, err
}

func readDevice(d storage.Document) (access.Device, error) {
	var v access.Device
	err := decode(d, &v)
	v.ID, v.Version, v.CreateTime = d.ID, d.Version, d.CreateTime
	return v, err
}

func readGrant(d storage.Document) (access.Grant, error) {
	var v access.Grant
	err := decode(d, &v)
	v.ID, v.CreateTime = d.ID, d.CreateTime
	return v, err
}

func readShareLink(d storage.Document) (access.ShareLink, error) {
	var v access.ShareLink
	err := decode(d, &v)
	v.ID, v.CreateTime = d.ID, d.CreateTime
	return v, err
}

// create stores a new document under the id given or a new one.
func (s *Service) create(ctx context.Context, org string, kind storage.Kind, id, owner, requestID string, v any) (storage.Document, error) {
	if id == "" {
		var err error
		if id, err = s.newName(); err != nil {
			return storage.Document{}, err
		}
	}
	if err := checkName("name", id); err != nil {
		return storage.Document{}, err
	}
	b, err := encode(v)
	if err != nil {
		return storage.Document{}, err
	}
	now := s.now()
	d, err := s.Store.CreateDocument(ctx, org, storage.Document{Kind: kind, ID: id, Owner: owner, Body: b, CreateTime: now, UpdateTime: now}, requestID)
	return d, unavailable(err)
}

// CreateSite adds a site. Zone and position are required.
func (s *Service) CreateSite(ctx context.Context, id access.Identity, v Site, requestID string) (Site, error) {
	if err := checkSite(v); err != nil {
		return v, err
	}
	d, err := s.create(ctx, id.Org, storage.KindSite, v.ID, "", requestID, v)
	if err != nil {
		return v, err
	}
	return readSite(d)
}

func checkSite(v Site) error {
	if strings.TrimSpace(v.Title) == "" {
		return errs.Field("TITLE_MISSING", "site.title", "is needed")
	}
	if v.Zone == "" {
		return errs.Field("ZONE_UNKNOWN", "site.zone", "is needed: an IANA time zone such as Europe/Madrid")
	}
	if _, err := time.LoadLocation(v.Zone); err != nil || v.Zone == "Local" {
		return errs.Field("ZONE_UNKNOWN", "site.zone", fmt.Sprintf("%.64q is not a time zone of the IANA data", v.Zone))
	}
	if !(math.Abs(v.Latitude) <= 90) || !(math.Abs(v.Longitude) <= 180) || (v.Latitude == 0 && v.Longitude == 0) {
		return errs.Field("POSITION_INVALID", "site.position", "is needed: latitude and longitude in degrees")
	}
	return nil
}

// UpdateSite replaces a site's data. Jobs keep the site as it was.
func (s *Service) UpdateSite(ctx context.Context, id access.Identity, v Site) (Site, error) {
	if err := checkSite(v); err != nil {
		return v, err
	}
	b, err := encode(v)
	if err != nil {
		return v, err
	}
	d, err := s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindSite, ID: v.ID, Body: b, UpdateTime: s.now()}, v.Version)
	if err != nil {
		return v, unavailable(err)
	}
	return readSite(d)
}

// Site returns a site that the caller may see.
func (s *Service) Site(ctx context.Context, id access.Identity, site string) (Site, error) {
	d, err := s.Store.GetDocument(ctx, id.Org, storage.KindSite, site)
	if err != nil {
		return Site{}, unavailable(err)
	}
	if ok, err := s.maySee(ctx, id, site); err != nil {
		return Site{}, err
	} else if !ok {
		return Site{}, errs.New(errs.NotFound, "DOCUMENT_NOT_FOUND", "there is no such site, or it is not within what you may read", "site", site)
	}
	return readSite(d)
}

// Sites lists sites by id.
func (s *Service) Sites(ctx context.Context, id access.Identity, after string, limit int) ([]Site, error) {
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindSite, "", after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	sites, err := mapDocs(ds, readSite)
	if err != nil || id.Scope == nil {
		return sites, err
	}
	return slices.DeleteFunc(sites, func(v Site) bool {
		ok, serr := s.maySee(ctx, id, v.ID)
		err = errors.Join(err, serr)
		return !ok
	}), err
}

// maySee says whether a site is within a narrowed reader's scope: named by a
// grant, or the site of a job that a grant or a link names.
func (s *Service) maySee(ctx context.Context, id access.Identity, site string) (bool, error) {
	if id.Scope == nil {
		return true, nil
	}
	jobs := []string{}
	if id.Scope.Job != "" {
		jobs = append(jobs, id.Scope.Job)
	}
	for _, g := range id.Scope.Grants {
		if slices.Contains(g.Sites, site) || (len(g.Sites) == 0 && len(g.Jobs) == 0) {
			return true, nil
		}
		jobs = append(jobs, g.Jobs...)
	}
	for _, job := range jobs {
		switch j, err := s.Store.GetJob(ctx, id.Org, job); {
		case err == nil && j.Site == site:
			return true, nil
		case err != nil && errs.KindOf(err) != errs.NotFound:
			return false, unavailable(err)
		}
	}
	return false, nil
}

func mapDocs[T any](ds []storage.Document, read func(storage.Document) (T, error)) ([]T, error) {
	out := make([]T, len(ds))
	for i, d := range ds {
		v, err := read(d)
		if err != nil {
			return nil, err
		}
		out[i] = v
	}
	return out, nil
}

func checkInstrument(v Instrument) error {
	if strings.TrimSpace(v.Title) == "" {
		return errs.Field("TITLE_MISSING", "instrument.title", "is needed")
	}
	if v.Kind == "" {
		return errs.Field("KIND_MISSING", "instrument.kind", "is needed, such as torque-wrench")
	}
	if err := checkDay("instrument.calibrated_until", v.CalibratedUntil); err != nil {
		return err
	}
	if err := checkDay("instrument.calibrated_on", v.CalibratedOn); err != nil {
		return err
	}
	for f, m := range map[string]*Value{"minimum": v.Minimum, "maximum": v.Maximum, "preset": v.Preset} {
		if m == nil {
			continue
		}
		if u := recordv1.Measure_Unit_value[m.Unit]; u == 0 {
			return errs.Field("UNIT_MISSING", "instrument."+f+".unit", "is needed")
		}
		if math.IsNaN(m.Value) || math.IsInf(m.Value, 0) {
			return errs.Field("VALUE_NOT_FINITE", "instrument."+f+".value", "is not a number")
		}
	}
	if v.Directivity != nil && !(*v.Directivity > 0 && *v.Directivity < 100) {
		return errs.Field("VALUE_OUT_OF_RANGE", "instrument.directivity_db", "is over 0 and under 100 dB")
	}
	if v.Uncertainty != nil && !(*v.Uncertainty >= 0 && *v.Uncertainty < 1e6) {
		return errs.Field("VALUE_OUT_OF_RANGE", "instrument.expanded_uncertainty", "is not negative")
	}
	return nil
}

// CreateInstrument adds an instrument or tool.
func (s *Service) CreateInstrument(ctx context.Context, id access.Identity, v Instrument, requestID string) (Instrument, error) {
	if err := checkInstrument(v); err != nil {
		return v, err
	}
	d, err := s.create(ctx, id.Org, storage.KindInstrument, v.ID, "", requestID, v)
	if err != nil {
		return v, err
	}
	return readInstrument(d)
}

// UpdateInstrument replaces an instrument's data. A changed calibration goes,
// by the outbox, as a line into the jobs that used it.
func (s *Service) UpdateInstrument(ctx context.Context, id access.Identity, v Instrument) (Instrument, error) {
	if err := checkInstrument(v); err != nil {
		return v, err
	}
	old, err := s.Store.GetDocument(ctx, id.Org, storage.KindInstrument, v.ID)
	if err != nil {
		return v, unavailable(err)
	}
	was, err := readInstrument(old)
	if err != nil {
		return v, err
	}
	if v.Version == 0 { // the change of calibration is told from the instrument as read
		v.Version = was.Version
	}
	b, err := encode(v)
	if err != nil {
		return v, err
	}
	var items []storage.OutboxItem
	if was.CalibratedUntil != v.CalibratedUntil {
		p, err := serialise(&recordv1.Entry{Kind: &recordv1.Entry_CalibrationChanged{CalibrationChanged: &recordv1.CalibrationChanged{Instrument: "instruments/" + v.ID, CalibratedUntil: v.CalibratedUntil, Remark: v.Remark}}})
		if err != nil {
			return v, err
		}
		items = append(items, storage.OutboxItem{ID: fmt.Sprintf("calibration:%s:%d", v.ID, was.Version+1), Payload: p, CreateTime: s.now()})
	}
	d, err := s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindInstrument, ID: v.ID, Body: b, UpdateTime: s.now()}, v.Version, items...)
	if err != nil {
		return v, unavailable(err)
	}
	s.wake()
	return readInstrument(d)
}

// Instrument returns one.
func (s *Service) Instrument(ctx context.Context, id access.Identity, name string) (Instrument, error) {
	d, err := s.Store.GetDocument(ctx, id.Org, storage.KindInstrument, name)
	if err != nil {
		return Instrument{}, unavailable(err)
	}
	return readInstrument(d)
}

// Instruments lists instruments by id.
func (s *Service) Instruments(ctx context.Context, id access.Identity, after string, limit int) ([]Instrument, error) {
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindInstrument, "", after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	return mapDocs(ds, readInstrument)
}

// PublishProcedure checks a document and keeps it under its digest. Includes are
// written out first, from the newest published revisions.
func (s *Service) PublishProcedure(ctx context.Context, id access.Identity, doc []byte) (storage.Procedure, error) {
	whole, err := procedure.Include(doc, func(pid string) ([]byte, error) {
		p, err := s.Store.GetProcedure(ctx, id.Org, pid, [32]byte{})
		if err != nil {
			return nil, err
		}
		return p.Document, nil
	})
	if err != nil {
		return storage.Procedure{}, err
	}
	c, err := procedure.Compile(whole)
	if err != nil {
		return storage.Procedure{}, err
	}
	p, err := s.Store.PutProcedure(ctx, id.Org, storage.Procedure{ID: c.Proc.GetId(), Digest: c.Digest, Revision: c.Proc.GetRevision(), Title: c.Proc.GetTitle(), Document: whole, CreateTime: s.now()})
	return p, unavailable(err)
}

// Procedure returns a published revision; a zero digest asks for the newest.
func (s *Service) Procedure(ctx context.Context, id access.Identity, name string, digest [32]byte) (storage.Procedure, *procedure.Compiled, error) {
	p, err := s.Store.GetProcedure(ctx, id.Org, name, digest)
	if err != nil {
		return p, nil, unavailable(err)
	}
	c, err := s.compiled(ctx, id.Org, name, p.Digest)
	return p, c, err
}

// Procedures lists revisions, newest first.
func (s *Service) Procedures(ctx context.Context, id access.Identity, name string, offset, limit int) ([]storage.Procedure, error) {
	ps, err := s.Store.ListProcedures(ctx, id.Org, name, offset, limit)
	return ps, unavailable(err)
}

// people reads those of ids that exist.
func (s *Service) people(ctx context.Context, org string, ids map[string]bool) (map[string]access.Person, error) {
	var list []string
	for id := range ids {
		if id != "" {
			list = append(list, id)
		}
	}
	slices.Sort(list)
	out := map[string]access.Person{}
	if len(list) == 0 {
		return out, nil
	}
	ds, err := s.Store.GetDocuments(ctx, org, storage.KindPerson, list)
	if err != nil {
		return nil, err
	}
	for _, d := range ds {
		p, err := readPerson(d)
		if err != nil {
			return nil, err
		}
		out[d.ID] = p
	}
	return out, nil
}

func checkPerson(p access.Person) error {
	if strings.TrimSpace(p.Title) == "" {
		return errs.Field("TITLE_MISSING", "person.title", "is needed")
	}
	for _, r := range p.Roles {
		switch r {
		case access.Climber, access.Lead, access.Auditor, access.Office:
		default:
			return errs.Field("ROLE_UNKNOWN", "person.roles", fmt.Sprintf("%.20q is no role", r))
		}
	}
	for i, q := range p.Qualifications {
		if err := checkDay(fmt.Sprintf("person.qualifications[%d].until", i), q.Until); err != nil {
			return err
		}
	}
	switch p.Language {
	case "", "en", "es":
	default:
		return errs.Field("LANGUAGE_UNKNOWN", "person.language", "is en or es")
	}
	return nil
}

// CreatePerson adds a person.
func (s *Service) CreatePerson(ctx context.Context, id access.Identity, p access.Person, requestID string) (access.Person, error) {
	if err := checkPerson(p); err != nil {
		return p, err
	}
	p.CodeHash = nil
	d, err := s.create(ctx, id.Org, storage.KindPerson, p.ID, "", requestID, p)
	if err != nil {
		return p, err
	}
	return readPerson(d)
}

// Person returns one.
func (s *Service) Person(ctx context.Context, org, name string) (access.Person, error) {
	d, err := s.Store.GetDocument(ctx, org, storage.KindPerson, name)
	if err != nil {
		return access.Person{}, unavailable(err)
	}
	return readPerson(d)
}

// People lists people by id.
func (s *Service) People(ctx context.Context, id access.Identity, after string, limit int) ([]access.Person, error) {
	ds, err := s.Store.ListDocuments(ctx, id.Org, storage.KindPerson, "", after, limit)
	if err != nil {
		return nil, unavailable(err)
	}
	return mapDocs(ds, readPerson)
}

// UpdatePerson replaces a person's data, but not his own code. A qualification
// that ends earlier than before goes, by the outbox, as a line into open jobs.
func (s *Service) UpdatePerson(ctx context.Context, id access.Identity, p access.Person) (access.Person, error) {
	if err := checkPerson(p); err != nil {
		return p, err
	}
	was, err := s.Person(ctx, id.Org, p.ID)
	if err != nil {
		return p, err
	}
	if id.Person == p.ID && was.Is(access.Office) && (!p.Is(access.Office) || p.Disabled) {
		return p, errs.New(errs.WrongState, "OWN_ROLE", "nobody takes the office role from himself; another person of the office does")
	}
	p.CodeHash, p.Subject = was.CodeHash, was.Subject
	if p.Version == 0 { // what is carried over from the person as read must not undo a change since
		p.Version = was.Version
	}
	b, err := encode(p)
	if err != nil {
		return p, err
	}
	var items []storage.OutboxItem
	now := s.now()
	for _, q := range was.Qualifications {
		until := now.AddDate(0, 0, -1).Format(time.DateOnly)
		for _, n := range p.Qualifications {
			if n.Name == q.Name {
				until = n.Until
			}
		}
		if until == "" || (q.Until != "" && until >= q.Until) {
			continue
		}
		pl, err := serialise(&recordv1.Entry{Kind: &recordv1.Entry_QualificationEnded{QualificationEnded: &recordv1.QualificationEnded{Person: "people/" + p.ID, Qualification: q.Name, Until: until}}})
		if err != nil {
			return p, err
		}
		items = append(items, storage.OutboxItem{ID: fmt.Sprintf("qualification:%s:%s:%d", p.ID, q.Name, was.Version+1), Payload: pl, CreateTime: now})
	}
	d, err := s.Store.UpdateDocument(ctx, id.Org, storage.Document{Kind: storage.KindPerson, ID: p.ID, Body: b, UpdateTime: now}, p.Version, items...)
	if err != nil {
		return p, unavailable(err)
	}
	if p.Disabled && !was.Disabled {
		if _, err := s.Store.RevokeSessions(ctx, id.Org, "", "", p.ID, "", now); err != nil {
			return p, unavailable(err)
		}
	}
	s.wake()
	return readPerson(d)
}

// kitDoc is a self-check as other jobs find it.
type kitDoc struct {
	Entry       string    `json:"entry"`
	Job         string    `json:"job"`
	Instruments []string  `json:"instruments"`
	State       string    `json:"state"`
	Residual    *float64  `json:"residual,omitempty"`
	Time        time.Time `json:"time"`
	Until       time.Time `json:"until"`
}

// entry is the line that makes the check known to another job.
func (k kitDoc) entry() *recordv1.Entry {
	return &recordv1.Entry{Kind: &recordv1.Entry_KitCheckKnown{KitCheckKnown: &recordv1.KitCheckKnown{
		Check: k.Entry, Job: "jobs/" + k.Job, Instruments: k.Instruments, State: recordv1.KitState(recordv1.KitState_value[k.State]), ResidualDbc: k.Residual,
		CheckTime: timestamppb.New(k.Time), HoldsUntil: timestamppb.New(k.Until),
	}}}
}

// kitChecks returns the newest self-checks that name an instrument, by time.
func (s *Service) kitChecks(ctx context.Context, org, instrument string) ([]kitDoc, error) {
	var out []kitDoc
	// The ids are in the order of the checks' times: an instrument has thousands.
	after := kitDocID(s.now().Add(-kitWindow), "", 0)
	for {
		ds, err := s.Store.ListDocuments(ctx, org, storage.KindKitCheck, bare(instrument), after, 1000)
		if err != nil {
			return nil, err
		}
		for _, d := range ds {
			var k kitDoc
			if err := decode(d, &k); err != nil {
				return nil, err
			}
			out, after = append(out, k), d.ID
		}
		if len(ds) < 1000 {
			return out, nil
		}
	}
}

// kitWindow is how old a self-check may be to bear on a reading that comes now:
// it holds for twelve hours at most, and readings come in late.
const kitWindow = 36 * time.Hour

// kitDocID orders the documents of self-checks by their times.
func kitDocID(at time.Time, entry string, n int) string {
	return fmt.Sprintf("%015d.%s.%d", max(at.UnixMilli(), 0), entry, n)
}

// putKitCheck makes a self-check findable by each instrument that it holds for.
func (s *Service) putKitCheck(ctx context.Context, org string, k record.KitState, job string) (kitDoc, error) {
	doc := kitDoc{Entry: k.Entry, Job: job, Instruments: k.Instruments, State: k.State.String(), Residual: k.ResidualDBc, Time: k.Time, Until: k.Until}
	b, err := encode(doc)
	if err != nil {
		return doc, err
	}
	for i, inst := range k.Instruments {
		now := s.now()
		_, err := s.Store.CreateDocument(ctx, org, storage.Document{Kind: storage.KindKitCheck, ID: kitDocID(k.Time, k.Entry, i), Owner: bare(inst), Body: b, CreateTime: now, UpdateTime: now}, "")
		if err != nil && errs.KindOf(err) != errs.Exists {
			return doc, err
		}
	}
	return doc, nil
}
