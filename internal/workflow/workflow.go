// Package workflow holds the use cases: submit, upload, examine, sign off,
// lock, export, set up, let in. It is the only place that combines the record
// with storage; it knows neither requests nor SQL.
package workflow

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"witnessmark/internal/access"
	"witnessmark/internal/errs"
	"witnessmark/internal/photo"
	"witnessmark/internal/procedure"
	"witnessmark/internal/seal"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

// Bounds that hold everywhere.
const (
	MaxBatch        = 500
	MaxPhoto        = 32 << 20
	MaxTrace        = 8 << 20
	MaxOpenUploads  = 64
	UploadLife      = 7 * 24 * time.Hour
	MaxRefusedCount = 500
	MaxRefusedBytes = 2 << 20
	CodeTries       = 5
	CodeLife        = 15 * time.Minute
	ShareLinkLife   = 14 * 24 * time.Hour
)

// LogKeys gives the keys of organisations' logs. They are kept outside the database.
type LogKeys interface {
	// Signer returns the key that signs now, made on first use, and every key
	// that ever signed, the current one first.
	Signer(ctx context.Context, origin string) (*seal.LogKey, []seal.LogPublicKey, error)
}

// Service does the use cases. Its fields are set before the first call and not
// changed after.
type Service struct {
	Store     storage.Store
	Blobs     blob.Store
	Keys      LogKeys
	LogName   string // of this installation; the origin is LogName/organisation
	Version   string // of the program
	SpoolDir  string // for files on their way; "" is the system's
	Now       func() time.Time
	Random    io.Reader
	Retention time.Duration // how long locked evidence is retained where the bucket can
	PublicURL string        // address of the client, for QR codes and links

	cache *cache
	news  *news
	kick  chan struct{} // wakes the workers
	procs sync.Map      // digest -> *procedure.Compiled
	exam  sync.Mutex    // one large picture at a time
}

// New makes a service over a store and a blob store.
func New(store storage.Store, blobs blob.Store, keys LogKeys, logName string) *Service {
	return &Service{
		Store: store, Blobs: blobs, Keys: keys, LogName: logName, Version: "devel",
		Now: func() time.Time { return time.Now().UTC().Truncate(time.Millisecond) }, Random: rand.Reader,
		Retention: 10 * 365 * 24 * time.Hour,
		cache:     newCache(), news: newNews(), kick: make(chan struct{}, 1),
	}
}

// now is the clock, UTC, cut to milliseconds.
func (s *Service) now() time.Time { return s.Now().UTC().Truncate(time.Millisecond) }

// newID makes a UUIDv7 from the service's clock and random source.
func (s *Service) newID() (string, error) {
	u, err := uuid.NewV7FromReader(s.Random)
	if err != nil {
		return "", fmt.Errorf("make an id: %w", err)
	}
	ms := s.now().UnixMilli()
	for i := range 6 {
		u[i] = byte(ms >> (40 - 8*i))
	}
	return u.String(), nil
}

// madeID makes the id of a line that the server makes for a cause: the same
// cause gives the same id, so that the line is written once however often its
// making is repeated, in a record or in addenda. It is a UUIDv7 of the time of
// the cause.
func madeID(at time.Time, cause ...string) string {
	h := sha256.New()
	for _, c := range cause {
		fmt.Fprintf(h, "%d:%s", len(c), c)
	}
	u := uuid.UUID(h.Sum(nil)[:16])
	ms := at.UnixMilli()
	for i := range 6 {
		u[i] = byte(ms >> (40 - 8*i))
	}
	u[6], u[8] = u[6]&0x0f|0x70, u[8]&0x3f|0x80
	return u.String()
}

// newName makes a short id for something that people set up.
func (s *Service) newName() (string, error) {
	u, err := s.newID()
	if err != nil {
		return "", err
	}
	return strings.ReplaceAll(u, "-", "")[8:28], nil
}

// wake lets the workers look at their queues now.
func (s *Service) wake() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// Settings are an organisation's.
type Settings struct {
	RequireDeviceSignatures bool   `json:"requireDeviceSignatures,omitempty"`
	FourEyesWaiver          string `json:"fourEyesWaiver,omitempty"`
	NotProvenNeedsDeviation bool   `json:"notProvenNeedsDeviation,omitempty"`
	WindHoldsMinutes        int    `json:"windHoldsMinutes,omitempty"`
	// RetentionYears is how long the originals of a locked job are retained where
	// the store can, 1 to 100; 0: the installation's.
	RetentionYears  int              `json:"retentionYears,omitempty"`
	PhotoThresholds []PhotoThreshold `json:"photoThresholds,omitempty"`
}

// PhotoThreshold is a figure that photos are judged by in place of the default.
type PhotoThreshold struct {
	Subject string  `json:"subject,omitempty"` // kind of picture; empty: every kind without a figure of its own
	Name    string  `json:"name"`              // one of photo.ThresholdNames
	Value   float64 `json:"value"`             // in that figure's unit
	Source  string  `json:"source"`            // where it comes from
}

// thresholds are the figures for a kind of picture; own says that one of them is
// the organisation's.
func (s Settings) thresholds(subject photo.Subject) (t photo.Thresholds, own bool, err error) {
	t = photo.DefaultThresholds(subject)
	for _, general := range []bool{true, false} { // the figure for the kind comes last and stands
		for _, x := range s.PhotoThresholds {
			if (x.Subject == "") != general || (!general && x.Subject != string(subject)) {
				continue
			}
			if t, err = t.With(x.Name, photo.Limit{Value: x.Value, Source: "this organisation: " + x.Source}); err != nil {
				return t, own, err
			}
			own = true
		}
	}
	return t, own, nil
}

// thresholdsVersion names the organisation's figures in an examination: another
// set of them has another name.
func (s Settings) thresholdsVersion() string {
	h := sha256.New()
	for _, x := range s.PhotoThresholds {
		fmt.Fprintf(h, "%q %q %x %q\n", x.Subject, x.Name, math.Float64bits(x.Value), x.Source)
	}
	return fmt.Sprintf("organisation-thresholds-%x", h.Sum(nil)[:4])
}

// check refuses settings that cannot be followed.
func (s Settings) check() error {
	if s.WindHoldsMinutes < 0 || s.WindHoldsMinutes > 1440 {
		return errs.Field("SETTING_INVALID", "settings.wind_holds_minutes", "is 0 to 1440")
	}
	if s.RetentionYears < 0 || s.RetentionYears > 100 {
		return errs.Field("SETTING_INVALID", "settings.retention_years", "is 0 to 100")
	}
	if len(s.PhotoThresholds) > 200 {
		return errs.Field("SETTING_INVALID", "settings.photo_thresholds", "are at most 200")
	}
	seen := map[[2]string]bool{}
	for i, x := range s.PhotoThresholds {
		field := fmt.Sprintf("settings.photo_thresholds[%d]", i)
		if !slices.Contains(photo.Subjects(), photo.Subject(x.Subject)) {
			return errs.Field("SETTING_INVALID", field+".subject", "is no kind of picture that has thresholds")
		}
		if len(x.Source) > 1000 {
			return errs.Field("SETTING_INVALID", field+".source", "has at most 1,000 bytes")
		}
		if _, err := photo.DefaultThresholds(photo.Subject(x.Subject)).With(x.Name, photo.Limit{Value: x.Value, Source: x.Source}); err != nil {
			return err
		}
		if k := [2]string{x.Subject, x.Name}; seen[k] {
			return errs.Field("SETTING_INVALID", field, "is given twice")
		} else {
			seen[k] = true
		}
	}
	return nil
}

// retention is how long a locked job's originals are retained.
func (s *Service) retention(now time.Time, set Settings) time.Time {
	if set.RetentionYears > 0 {
		return now.AddDate(set.RetentionYears, 0, 0)
	}
	return now.Add(s.Retention)
}

// pinned are the settings that bear on outcomes.
func (s Settings) pinned() map[string]string {
	m := map[string]string{}
	if s.NotProvenNeedsDeviation {
		m["not_proven_needs_deviation"] = "true"
	}
	if s.WindHoldsMinutes > 0 {
		m["wind_holds_minutes"] = fmt.Sprint(s.WindHoldsMinutes)
	}
	if s.FourEyesWaiver != "" {
		m["four_eyes_waiver"] = s.FourEyesWaiver
	}
	return m
}

// Organization returns an organisation and its settings.
func (s *Service) Organization(ctx context.Context, org string) (storage.Organization, Settings, error) {
	o, err := s.Store.GetOrganization(ctx, org)
	if err != nil {
		return o, Settings{}, err
	}
	var set Settings
	if len(o.Settings) > 0 {
		if err := json.Unmarshal(o.Settings, &set); err != nil {
			return o, set, errs.New(errs.Corrupt, "SETTINGS_UNREADABLE", "the organisation's settings cannot be read").Because(err)
		}
	}
	return o, set, nil
}

// UpdateSettings replaces the organisation's settings.
func (s *Service) UpdateSettings(ctx context.Context, id access.Identity, set Settings) error {
	if err := set.check(); err != nil {
		return err
	}
	o, _, err := s.Organization(ctx, id.Org)
	if err != nil {
		return err
	}
	b, err := json.Marshal(set)
	if err != nil {
		return fmt.Errorf("settings: %w", err)
	}
	_, err = s.Store.UpdateSettings(ctx, id.Org, b, o.Version)
	return err
}

// compiled returns a pinned procedure, compiled once.
func (s *Service) compiled(ctx context.Context, org, id string, digest [32]byte) (*procedure.Compiled, error) {
	if c, ok := s.procs.Load(digest); ok {
		return c.(*procedure.Compiled), nil
	}
	p, err := s.Store.GetProcedure(ctx, org, id, digest)
	if err != nil {
		return nil, err
	}
	c, err := procedure.Compile(p.Document)
	if err != nil {
		return nil, errs.Newf(errs.Corrupt, "PROCEDURE_UNREADABLE", "the pinned procedure %s cannot be read by this program", id).Because(err)
	}
	s.procs.Store(digest, c)
	return c, nil
}

// origin is the name of an organisation's log.
func (s *Service) origin(org string) (string, error) { return seal.Origin(s.LogName, org) }

// may says whether the caller may read a job.
func (s *Service) may(id access.Identity, j storage.Job) error {
	if !id.Scope.Covers(j.Site, j.ID, j.CreateTime) {
		return errs.New(errs.NotFound, "JOB_NOT_FOUND", "there is no such job, or it is not within what you may read", "job", j.ID)
	}
	return nil
}

// mayWrite says whether the caller may send anything to a job: a person, and a
// narrowed one only within his scope. What he may state, the record decides.
func (s *Service) mayWrite(ctx context.Context, id access.Identity, job string) error {
	if id.Person == "" {
		return errs.New(errs.Denied, "READ_ONLY", "a link lets nobody write")
	}
	j, err := s.Store.GetJob(ctx, id.Org, job)
	return s.seen(id, job, j, err)
}

// seen gives a narrowed reader the same answer for a job that is not there and
// for one that is not his to read.
func (s *Service) seen(id access.Identity, job string, j storage.Job, err error) error {
	if id.Scope != nil && errs.Is(err, "JOB_NOT_FOUND") {
		return errs.New(errs.NotFound, "JOB_NOT_FOUND", "there is no such job, or it is not within what you may read", "job", job)
	}
	if err != nil {
		return err
	}
	return s.may(id, j)
}

// readJob reads a job's row, checks the scope and writes the custody line that
// every read by an auditor or through a link leaves.
func (s *Service) readJob(ctx context.Context, id access.Identity, job, action, subject string) (storage.Job, error) {
	j, err := s.Store.GetJob(ctx, id.Org, job)
	if err := s.seen(id, job, j, err); err != nil {
		return j, err
	}
	return j, s.custody(ctx, id, action, job, subject)
}

// custody writes down that a scoped reader read something. Members of the
// organisation with other roles leave none.
func (s *Service) custody(ctx context.Context, id access.Identity, action, job, subject string) error {
	if id.ShareLink == "" && id.Scope == nil {
		return nil
	}
	return s.Store.AddCustody(ctx, id.Org, storage.CustodyLine{Time: s.now(), Who: id.Who(), Action: action, Job: job, Subject: subject})
}

// unavailable turns an outcome that is not known into one that clients retry.
func unavailable(err error) error {
	var e *errs.Error
	if err == nil || errors.As(err, &e) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	slog.Error("store failed", "err", err)
	return errs.New(errs.Unavailable, "STORE_UNAVAILABLE", "the store did not answer; send it again").Because(err)
}

func personName(id string) string {
	if id == "" {
		return ""
	}
	return "people/" + id
}

func deviceName(id string) string {
	if id == "" {
		return ""
	}
	return "devices/" + id
}

func bare(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
