package workflow

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // end faces come as JPEG or PNG
	"image/png"
	"io"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/endface"
	"witnessmark/internal/errs"
	"witnessmark/internal/evidence"
	"witnessmark/internal/fibre"
	"witnessmark/internal/photo"
	"witnessmark/internal/record"
	"witnessmark/internal/rf"
	"witnessmark/internal/seal"
	"witnessmark/internal/touchstone"
	"witnessmark/internal/units"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
	"witnessmark/storage/blob"
)

const (
	lease        = 2 * time.Minute
	examineLimit = 60 * time.Second // for one picture
	twinWindow   = 90 * 24 * time.Hour
)

// RunWorkers works off the queues until ctx ends: pictures and traces, the
// outbox, retention, sweeping, sealing addenda. Any number of servers may run
// them over one store; each item is leased to one.
func (s *Service) RunWorkers(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var swept time.Time
	for {
		for s.Work(ctx) {
			if ctx.Err() != nil {
				return
			}
		}
		if now := s.now(); now.Sub(swept) > time.Hour {
			swept = now
			if err := s.Sweep(ctx); err != nil && ctx.Err() == nil {
				slog.ErrorContext(ctx, "sweep failed", "err", err)
			}
			if err := s.sealAllAddenda(ctx); err != nil && ctx.Err() == nil {
				slog.ErrorContext(ctx, "sealing addenda failed", "err", err)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-s.kick:
		case <-tick.C:
		}
	}
}

// Work does one round over the queues and says whether there was anything to do.
func (s *Service) Work(ctx context.Context) bool {
	did := false
	for _, f := range []func(context.Context) (bool, error){s.workOutbox, s.workExamine, s.workRetain} {
		any, err := f(ctx)
		if err != nil && ctx.Err() == nil {
			slog.ErrorContext(ctx, "worker failed", "err", err)
		}
		did = did || (any && err == nil)
	}
	return did
}

// Drain works until the queues hold nothing that is due.
func (s *Service) Drain(ctx context.Context) error {
	for s.Work(ctx) {
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}

// ---- outbox ----

func (s *Service) workOutbox(ctx context.Context) (bool, error) {
	orgs, err := s.Store.TakeOutbox(ctx, s.now(), lease, 20)
	if err != nil {
		return false, err
	}
	for org, items := range orgs {
		for _, it := range items {
			err := s.spread(ctx, org, it)
			if err == nil {
				err = s.Store.DoneOutbox(ctx, org, []string{it.ID})
			}
			if ctx.Err() != nil {
				return true, ctx.Err()
			}
			if err != nil { // it comes back after its lease; the others do not wait for it
				slog.ErrorContext(ctx, "outbox item failed", "organization", org, "item", it.ID, "err", err)
			}
		}
	}
	return len(orgs) > 0, nil
}

// spread carries what happened in one place to the jobs that it bears on.
func (s *Service) spread(ctx context.Context, org string, it storage.OutboxItem) error {
	e, err := evidence.ReadEntry(it.Payload)
	if err != nil {
		return err
	}
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_KitChecked:
		return s.spreadKit(ctx, org, it, e.GetId())
	case *recordv1.Entry_CalibrationChanged:
		inst := k.CalibrationChanged.GetInstrument()
		// A locked record hears of it, as an addendum, where it holds readings made
		// after the day on which the calibration now ends.
		until, err := time.Parse(time.DateOnly, k.CalibrationChanged.GetCalibratedUntil())
		since := until
		if err != nil {
			since = it.CreateTime // no end: nothing that was measured is touched
		}
		return s.eachJob(ctx, org, it, since, func(job string, f *record.Job) []*recordv1.Entry {
			from := time.Time{}
			if f.Locked() {
				from = since.In(f.Zone()).AddDate(0, 0, 1)
			}
			if len(f.ReadingsWith(inst, from)) == 0 || hasLine(f, func(x *recordv1.Entry) bool {
				return proto.Equal(x.GetCalibrationChanged(), k.CalibrationChanged)
			}) {
				return nil
			}
			return []*recordv1.Entry{proto.Clone(e).(*recordv1.Entry)}
		})
	case *recordv1.Entry_QualificationEnded:
		who := k.QualificationEnded.GetPerson()
		since, err := time.Parse(time.DateOnly, k.QualificationEnded.GetUntil())
		if err != nil {
			since = it.CreateTime
		}
		return s.eachJob(ctx, org, it, since, func(job string, f *record.Job) []*recordv1.Entry {
			on := hasLine(f, func(x *recordv1.Entry) bool {
				return slices.Contains(x.GetClimbOpened().GetCrew(), who) || slices.Contains(x.GetCrewChanged().GetCrew(), who)
			})
			if !on || hasLine(f, func(x *recordv1.Entry) bool { return proto.Equal(x.GetQualificationEnded(), k.QualificationEnded) }) {
				return nil
			}
			return []*recordv1.Entry{proto.Clone(e).(*recordv1.Entry)}
		})
	}
	return errs.Newf(errs.Corrupt, "OUTBOX_UNREADABLE", "outbox item %s is of a kind that is not carried anywhere", it.ID)
}

func hasLine(f *record.Job, is func(*recordv1.Entry) bool) bool {
	return slices.ContainsFunc(f.Lines(), func(l *record.Line) bool { return is(l.Entry) })
}

// eachJob lets f add a line to each job that is open or was locked since a
// time; to a locked one as an addendum. A job that cannot be read does not keep
// the others from hearing of it.
func (s *Service) eachJob(ctx context.Context, org string, it storage.OutboxItem, since time.Time, f func(job string, fold *record.Job) []*recordv1.Entry) error {
	var failed []error
	for _, state := range []storage.JobState{storage.JobOpen, storage.JobFinished, storage.JobLocked, storage.JobEnded} {
		var at time.Time
		id := ""
		for {
			js, err := s.Store.ListJobs(ctx, org, storage.JobFilter{State: state}, at, id, 100)
			if err != nil {
				return err
			}
			for _, j := range js {
				at, id = j.CreateTime, j.ID
				if !j.LockTime.IsZero() && j.LockTime.Before(since) {
					continue
				}
				err := s.appendServer(ctx, org, j.ID, func(fold *record.Job) ([]*recordv1.Entry, error) {
					es := f(j.ID, fold)
					for _, e := range es {
						e.Id = madeID(it.CreateTime, it.ID, j.ID)
					}
					return es, nil
				}, nil)
				if ctx.Err() != nil {
					return ctx.Err()
				}
				if err != nil {
					failed = append(failed, fmt.Errorf("job %s: %w", j.ID, err))
				}
			}
			if len(js) < 100 {
				break
			}
		}
	}
	return errors.Join(failed...)
}

// spreadKit makes a self-check findable for later readings in other jobs, and
// known in the jobs whose earlier readings it bears on.
func (s *Service) spreadKit(ctx context.Context, org string, it storage.OutboxItem, entry string) error {
	job := it.Job
	var k *record.KitState
	err := s.withJob(ctx, org, job, func(l *live) error {
		for _, c := range l.fold.KitChecks() {
			if c.Entry == entry {
				k = &c
			}
		}
		return nil
	})
	if err != nil || k == nil { // withdrawn meanwhile
		return err
	}
	doc, err := s.putKitCheck(ctx, org, *k, job)
	if err != nil {
		return err
	}
	return s.eachJob(ctx, org, it, k.Time.Add(-24*time.Hour), func(other string, f *record.Job) []*recordv1.Entry {
		if f.Locked() && k.State != recordv1.KitState_NOT_FIT {
			return nil // a good check changes nothing in a record that is locked
		}
		if other == job || hasLine(f, func(x *recordv1.Entry) bool { return x.GetKitCheckKnown().GetCheck() == entry }) {
			return nil
		}
		for _, inst := range k.Instruments {
			if len(f.ReadingsWith(inst, k.Time.Add(-24*time.Hour))) > 0 {
				return []*recordv1.Entry{doc.entry()}
			}
		}
		return nil
	})
}

// ---- examination ----

func (s *Service) workExamine(ctx context.Context) (bool, error) {
	orgs, err := s.Store.TakeExamine(ctx, s.now(), lease, 1)
	if err != nil {
		return false, err
	}
	for org, items := range orgs {
		for _, it := range items {
			err := s.examine(ctx, org, it)
			if err == nil {
				continue
			}
			if ctx.Err() != nil {
				return true, ctx.Err()
			}
			slog.ErrorContext(ctx, "examination failed", "job", it.Job, "attempts", it.Attempts, "err", err)
			wait := time.Duration(math.Min(math.Pow(2, float64(it.Attempts)), 900)) * time.Second
			if perr := s.Store.PostponeExamine(ctx, org, it.ID, s.now().Add(wait), message(err)); perr != nil {
				return true, perr
			}
		}
	}
	return len(orgs) > 0, nil
}

// examine looks at one photo or trace and writes what it found as a line.
func (s *Service) examine(ctx context.Context, org string, it storage.ExamineItem) error {
	s.exam.Lock() // one large picture at a time
	defer s.exam.Unlock()
	b, err := s.Store.GetBlob(ctx, org, it.Job, it.Digest)
	if err != nil {
		return err
	}
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
	if err != nil {
		return err
	}
	bytes, err := io.ReadAll(io.LimitReader(blob.Verifying(rc, blob.Digest{Size: b.Size, SHA256: b.Digest}), MaxPhoto+1))
	if cerr := rc.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	if it.Purpose == PurposeTrace {
		return s.examineTrace(ctx, org, it, b, bytes)
	}
	return s.examinePhoto(ctx, org, it, b, bytes)
}

func (s *Service) examinePhoto(ctx context.Context, org string, it storage.ExamineItem, b storage.Blob, data []byte) error {
	var facts photo.Facts
	var endFace *recordv1.PhotoStep_Subject
	polish, mode := "", endface.ModeAuto
	var site string
	err := s.withJob(ctx, org, it.Job, func(l *live) error {
		site = l.row.Site
		facts = photo.Facts{ReceiptTime: b.CreateTime, Zone: l.fold.Zone()}
		if p := l.fold.Site().GetPosition(); p != nil {
			facts.Site = &photo.Site{Latitude: p.GetLatitude(), Longitude: p.GetLongitude(), RadiusMeters: 500}
		}
		for _, ln := range l.fold.Lines() {
			p := ln.Entry.GetPhotoAttached()
			if p == nil || !bytes.Equal(p.GetDigest(), it.Digest[:]) {
				continue
			}
			facts.Subject, facts.HowTaken = subjectOf(p.GetSubject()), howTaken(p.GetHowTaken())
			if t := p.GetTakenTime(); t != nil {
				facts.DeviceTime = t.AsTime()
			} else if t := ln.Entry.GetDeviceTime(); t != nil {
				facts.DeviceTime = t.AsTime()
			}
			if off := ln.Entry.GetClockOffset(); off != nil {
				d := off.AsDuration()
				facts.ClockOffset = &d
			}
			if pos := p.GetPosition(); pos != nil {
				facts.Position = &photo.Position{Latitude: pos.GetLatitude(), Longitude: pos.GetLongitude(), AccuracyMeters: pos.GetAccuracyMeters()}
			}
			if st := l.fold.Step(ln.Entry.GetStep()); st != nil {
				for _, sub := range st.Def.GetPhoto().GetSubjects() {
					if sub.GetId() == p.GetSubject() && sub.GetEndFace() {
						endFace, polish = sub, st.Connection.GetPolish()
						facts.Subject = photo.EndFace
						if strings.HasPrefix(strings.ToUpper(st.Line.GetType()), "OM") {
							mode = endface.Multimode
						} else if st.Line.GetType() != "" {
							mode = endface.SingleMode
						}
					}
				}
				facts.LeaveOut = append(facts.LeaveOut, sameStep(l.fold, ln.Entry.GetStep())...)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	self := twinID(it.Job, it.Digest)
	facts.LeaveOut = append(facts.LeaveOut, self)
	jobs, err := s.Store.BlobJobs(ctx, org, it.Digest)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		if j != it.Job {
			facts.SameBytes = append(facts.SameBytes, twinID(j, it.Digest))
		}
	}
	if facts.Others, err = s.twins(ctx, org, site); err != nil {
		return err
	}
	_, set, err := s.Organization(ctx, org)
	if err != nil {
		return err
	}
	thresholds, own, err := set.thresholds(facts.Subject)
	if err != nil {
		return err
	}
	ectx, cancel := context.WithTimeout(ctx, examineLimit)
	defer cancel()
	x, err := photo.Examine(ectx, data, facts, thresholds)
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		x = photo.Examination{RulesVersion: photo.RulesVersion, Measurement: photo.Measurement{Outcome: photo.Kept}, Findings: []photo.Finding{{Code: photo.NotExamined, Severity: photo.Exception, Text: "The picture could not be examined in the time that is given to one."}}}
	} else if err != nil {
		return err
	}
	out := &recordv1.PhotoExamined{
		Digest: it.Digest[:], Readable: x.Measurement.Outcome == photo.Examined, Rules: x.RulesVersion,
		Width: int32(x.Measurement.Header.Width), Height: int32(x.Measurement.Header.Height),
	}
	if own {
		out.Rules += " " + set.thresholdsVersion()
	}
	if o := x.Measurement.Exif.Orientation; o >= 5 && o <= 8 {
		out.Width, out.Height = out.Height, out.Width
	}
	for _, f := range x.Findings {
		pf := &recordv1.Finding{Code: string(f.Code), Sentence: f.Text, Exception: f.Severity == photo.Exception, Source: f.Source}
		if f.Measured {
			pf.Measured, pf.Threshold = round6(f.Measure), round6(f.Threshold)
		}
		if other := f.Parameters["photo"]; other != "" {
			pf.TwinJob, pf.Twin = readTwinID(other)
			words := maps.Clone(f.Parameters)
			if words["photo"], err = s.twinWords(ctx, org, it.Job, pf.TwinJob, pf.Twin); err != nil {
				return err
			}
			if text := photo.Sentence(f.Message, words); text != "" {
				pf.Sentence = text
			}
		}
		out.Findings = append(out.Findings, pf)
	}
	for _, v := range x.Views {
		key, _ := viewKey(org, it.Digest, v.Side)
		if err := s.putDerived(ctx, key, v.JPEG); err != nil {
			return err
		}
	}
	if endFace != nil && out.Readable {
		if out.EndFace, err = s.gradeEndFace(ctx, org, it.Digest, data, polish, mode); err != nil {
			return err
		}
		out.Rules += " " + out.EndFace.GetRuleSet()
	}
	if x.Measurement.Comparable() {
		h := x.Measurement.Look.Upright.String() + " " + x.Measurement.Look.Trimmed.String()
		if err := s.Store.PutPhotoHash(ctx, org, storage.PhotoHash{Job: it.Job, Site: site, Digest: it.Digest, Hash: []byte(h), Time: s.now()}); err != nil {
			return err
		}
	}
	return s.examined(ctx, org, it, b, out)
}

// sameStep lists the other photos of a step: taking a photo again from the same
// place is honest.
func sameStep(f *record.Job, step string) []string {
	var out []string
	for _, p := range f.Photos() {
		if p.Step == step {
			out = append(out, twinID(bare(f.Name()), p.Digest))
		}
	}
	return out
}

func twinID(job string, d [32]byte) string { return fmt.Sprintf("%s:%x", job, d) }

func readTwinID(s string) (string, []byte) {
	job, hex, ok := strings.Cut(s, ":")
	if !ok || len(hex) != 64 {
		return "", nil
	}
	out := make([]byte, 32)
	if _, err := fmt.Sscanf(hex, "%x", &out); err != nil {
		return "", nil
	}
	return "jobs/" + job, out
}

// twinWords says which photo a twin is as a lead knows it: by what it serves for
// and its job's title.
func (s *Service) twinWords(ctx context.Context, org, job, twinJob string, twin []byte) (string, error) {
	name := bare(twinJob)
	j, err := s.Store.GetJob(ctx, org, name)
	if errs.KindOf(err) == errs.NotFound {
		return twinJob, nil
	}
	if err != nil {
		return "", err
	}
	var places []string
	if err := s.withJob(ctx, org, name, func(l *live) error {
		places = l.fold.PhotoPlaces([32]byte(pad(twin)))
		return nil
	}); ctx.Err() != nil {
		return "", ctx.Err()
	} else if err != nil { // the finding stands without the words
		slog.WarnContext(ctx, "a twin's job cannot be read", "job", name, "err", err)
	}
	where := fmt.Sprintf("in the job '%s'", j.Title)
	if name == job {
		where = "in this job"
	}
	if len(places) == 0 {
		return "a photo " + where, nil
	}
	return "the photo of " + strings.Join(places[:min(len(places), 3)], "; ") + " " + where, nil
}

// twins is the index of the site's photos of the last ninety days.
func (s *Service) twins(ctx context.Context, org, site string) (*photo.TwinIndex, error) {
	hs, err := s.Store.PhotoHashes(ctx, org, site, s.now().Add(-twinWindow), 100_000)
	if err != nil {
		return nil, err
	}
	x := photo.NewTwinIndex(len(hs))
	for _, h := range hs {
		a, b, _ := strings.Cut(string(h.Hash), " ")
		up, err := photo.ParseFingerprint(a)
		if err != nil {
			return nil, err
		}
		tr, err := photo.ParseFingerprint(b)
		if err != nil {
			return nil, err
		}
		x.Add(twinID(h.Job, h.Digest), up, tr)
	}
	return x, nil
}

// subjectOf maps a step's subject to the kinds of picture that have thresholds.
func subjectOf(id string) photo.Subject {
	for _, m := range []struct {
		word string
		is   photo.Subject
	}{
		{"end-face", photo.EndFace}, {"mark", photo.Mark}, {"mated", photo.Connector}, {"label", photo.Label}, {"serial", photo.Label}, {"display", photo.Display}, {"screen", photo.Display},
		{"tool", photo.Tool}, {"wrench", photo.Tool}, {"wide", photo.WideView}, {"clean", photo.MatingFace}, {"face", photo.MatingFace}, {"connector", photo.Connector},
	} {
		if strings.Contains(id, m.word) {
			return m.is
		}
	}
	return photo.Other
}

func howTaken(h recordv1.PhotoAttached_HowTaken) photo.HowTaken {
	switch h {
	case recordv1.PhotoAttached_IN_APP:
		return photo.InApp
	case recordv1.PhotoAttached_PHONE_CAMERA:
		return photo.SystemCamera
	case recordv1.PhotoAttached_FROM_FILES:
		return photo.Picked
	}
	return photo.Unsaid
}

func round6(x float64) float64 { return math.Round(x*1e6) / 1e6 }

// examined writes the line and closes the queue's item.
func (s *Service) examined(ctx context.Context, org string, it storage.ExamineItem, b storage.Blob, x *recordv1.PhotoExamined) error {
	outcome, err := protojson.Marshal(x)
	if err != nil {
		return err
	}
	err = s.appendServer(ctx, org, it.Job, func(f *record.Job) ([]*recordv1.Entry, error) {
		for _, l := range slices.Backward(f.Lines()) {
			if was := l.Entry.GetPhotoExamined(); was != nil && bytes.Equal(was.GetDigest(), x.GetDigest()) {
				if proto.Equal(was, x) {
					return nil, nil // looked at before, with the same outcome
				}
				break
			}
		}
		return []*recordv1.Entry{{Id: madeID(b.CreateTime, "photo examined", it.ID, string(outcome)), Kind: &recordv1.Entry_PhotoExamined{PhotoExamined: x}}}, nil
	}, nil)
	if err != nil {
		return err
	}
	return s.Store.FinishExamine(ctx, org, it.ID, it.Job, it.Digest, outcome)
}

func (s *Service) putDerived(ctx context.Context, key blob.Key, data []byte) error {
	_, err := s.Blobs.Put(ctx, key, bytes.NewReader(data), blob.DigestOf(data))
	if errs.KindOf(err) == errs.Exists { // made by an earlier version: it can be made again
		if err = s.Blobs.Delete(ctx, key); err == nil {
			_, err = s.Blobs.Put(ctx, key, bytes.NewReader(data), blob.DigestOf(data))
		}
	}
	return err
}

// makeViews makes the derived views of a photo again.
func (s *Service) makeViews(ctx context.Context, org string, b storage.Blob) error {
	s.exam.Lock()
	defer s.exam.Unlock()
	rc, err := s.Blobs.Open(ctx, blob.Ref{Key: blob.Key(b.Key), Version: b.VersionID}, 0, -1)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(io.LimitReader(rc, MaxPhoto+1))
	if cerr := rc.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	vctx, cancel := context.WithTimeout(ctx, examineLimit)
	defer cancel()
	views, err := photo.Views(vctx, data)
	if err != nil {
		return err
	}
	for _, v := range views {
		key, _ := viewKey(org, b.Digest, v.Side)
		if err := s.putDerived(ctx, key, v.JPEG); err != nil {
			return err
		}
	}
	return nil
}

// gradeEndFace grades an end face and keeps its overlay.
func (s *Service) gradeEndFace(ctx context.Context, org string, digest [32]byte, data []byte, polish string, mode endface.Mode) (*recordv1.EndFaceGrade, error) {
	set, err := ruleSet(polish, mode)
	if err != nil {
		return nil, err
	}
	g := &recordv1.EndFaceGrade{RuleSet: string(set.Name)}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		g.Outcome, g.Sentence = recordv1.EndFaceGrade_NOT_GRADABLE, "The picture cannot be read for grading."
		return g, nil
	}
	res, err := endface.Analyze(img, endface.Options{Ruleset: set})
	if err != nil {
		g.Outcome, g.Sentence = recordv1.EndFaceGrade_NOT_GRADABLE, "The picture cannot be graded: "+message(err)
		return g, nil
	}
	g.Confidence = round6(res.Confidence)
	switch res.Verdict {
	case endface.Pass:
		g.Outcome, g.Sentence = recordv1.EndFaceGrade_PASS, "Within "+string(set.Name)+" in every zone. "+endface.Aid
	case endface.Fail:
		g.Outcome, g.Sentence = recordv1.EndFaceGrade_FAIL, res.Why+" "+endface.Aid
	default:
		g.Outcome, g.Sentence = recordv1.EndFaceGrade_NOT_GRADABLE, "Not gradable: "+res.Why
	}
	for _, z := range res.Zones {
		pass := z.Verdict != endface.Fail
		g.Cells = append(g.Cells,
			&recordv1.EndFaceGrade_Cell{Zone: string(z.Name), Kind: "scratch", Count: int32(z.Scratches), LargestMicrometers: round6(float64(z.LargestScratch)), Pass: pass},
			&recordv1.EndFaceGrade_Cell{Zone: string(z.Name), Kind: "defect", Count: int32(z.Defects), LargestMicrometers: round6(float64(z.LargestDefect)), Pass: pass})
	}
	if res.Found {
		var buf bytes.Buffer
		if err := png.Encode(&buf, endface.Overlay(img, res)); err != nil {
			return nil, err
		}
		key, _ := viewKey(org, digest, overlaySize)
		if err := s.putDerived(ctx, key, buf.Bytes()); err != nil {
			return nil, err
		}
	}
	return g, nil
}

// ruleSet chooses the end-face rule set by polish and fibre.
func ruleSet(polish string, mode endface.Mode) (fibre.Ruleset, error) {
	switch {
	case mode == endface.Multimode:
		return fibre.EndFaceRuleset(fibre.MM2015)
	case strings.EqualFold(polish, "APC"):
		return fibre.EndFaceRuleset(fibre.SMAPC2015)
	}
	return fibre.EndFaceRuleset(fibre.SMUPC2015)
}

// examineTrace reads a trace and computes from it what the plan asks for.
func (s *Service) examineTrace(ctx context.Context, org string, it storage.ExamineItem, b storage.Blob, data []byte) error {
	out := &recordv1.TraceReceived{Digest: it.Digest[:], Size: int64(len(data)), Entry: it.Entry}
	file, rerr := touchstone.Read(bytes.NewReader(data))
	if rerr != nil {
		out.Warnings = append(out.Warnings, message(rerr))
	}
	err := s.appendServer(ctx, org, it.Job, func(f *record.Job) ([]*recordv1.Entry, error) {
		if hasLine(f, func(e *recordv1.Entry) bool { return e.GetTraceReceived().GetEntry() == it.Entry && it.Entry != "" }) {
			return nil, nil
		}
		x := proto.Clone(out).(*recordv1.TraceReceived)
		if rerr == nil {
			s.measureTrace(f, it, file, x)
		}
		return []*recordv1.Entry{{Id: madeID(b.CreateTime, "trace received", it.ID), Kind: &recordv1.Entry_TraceReceived{TraceReceived: x}}}, nil
	}, nil)
	if err != nil {
		return err
	}
	return s.Store.FinishExamine(ctx, org, it.ID, it.Job, it.Digest, []byte("{}"))
}

// measureTrace finds the worst return loss in the line's band and the largest
// reflection over distance, after referring the trace to the line's impedance.
func (s *Service) measureTrace(f *record.Job, it storage.ExamineItem, file *touchstone.File, x *recordv1.TraceReceived) {
	x.Readable = true
	for _, w := range file.Warnings {
		x.Warnings = append(x.Warnings, w.Sentence)
	}
	t := file.Trace
	st := f.Step(it.Step)
	if st == nil || st.Line == nil {
		x.Warnings = append(x.Warnings, "The trace's step has no line in the plan; nothing was computed.")
		return
	}
	ln := st.Line
	z := ln.GetImpedanceOhms()
	if ln.ImpedanceOhms == nil {
		z = 50
	}
	band := rf.Range{Low: units.Megahertz(t.Hertz[0] / 1e6), High: units.Megahertz(t.Hertz[len(t.Hertz)-1] / 1e6)}
	if ln.LowMhz != nil && ln.HighMhz != nil {
		band = rf.Range{Low: units.Megahertz(ln.GetLowMhz()), High: units.Megahertz(ln.GetHighMhz())}
	}
	if z != t.Reference {
		own := "" // what the instrument showed; where it cannot be said, the reading below says why
		if w, err := t.WorstReturnLoss(band); err == nil && !math.IsInf(float64(w.ReturnLoss), 1) {
			own = fmt.Sprintf(", where its worst return loss is %.2f dB", float64(w.ReturnLoss))
		}
		x.Warnings = append(x.Warnings, fmt.Sprintf("The trace is referred to %g Ω%s; it was converted to the line's %g Ω, and that is judged.", t.Reference, own, z))
		r, err := t.ReferTo(z)
		if err != nil {
			x.Readable = false
			x.Warnings = append(x.Warnings, message(err))
			return
		}
		t = r
	}
	w, err := t.WorstReturnLoss(band)
	if err != nil {
		x.Readable = false
		x.Warnings = append(x.Warnings, message(err))
		return
	}
	for _, n := range w.Warnings {
		x.Warnings = append(x.Warnings, n.Sentence)
	}
	rl := float64(w.ReturnLoss)
	if math.IsInf(rl, 1) {
		rl = 200 // a perfect match has no number; more than any instrument shows
	}
	x.Bands = append(x.Bands, &recordv1.TraceReceived_Band{LowMhz: float64(w.Band.Low), HighMhz: float64(w.Band.High), ReturnLossDb: round6(rl), AtMhz: round6(float64(w.At))})
	if ln.VelocityFactor == nil {
		return
	}
	p, err := rf.DistanceProfile(t, rf.ProfileOptions{VelocityFactor: units.VelocityFactor(ln.GetVelocityFactor()), VelocityFactorError: 0.01, Window: rf.Hann, Loss: units.DBPerHundredMeter(ln.GetLossDbPer_100M()), To: units.Meters(ln.GetLengthMeters() * 1.1)})
	if err != nil {
		x.Warnings = append(x.Warnings, message(err))
		return
	}
	for _, n := range p.Warnings {
		x.Warnings = append(x.Warnings, n.Sentence)
	}
	best := -1.0
	for _, k := range p.Peaks {
		if k.Reflection > best {
			best = k.Reflection
			x.FaultDistanceMeters = proto.Float64(round6(float64(k.Distance)))
		}
	}
}

// ---- retention and sweeping ----

func (s *Service) workRetain(ctx context.Context) (bool, error) {
	orgs, err := s.Store.TakeRetain(ctx, s.now(), lease, 50)
	if err != nil {
		return false, err
	}
	for org, items := range orgs {
		for _, it := range items {
			text := ""
			until, err := s.Blobs.Retain(ctx, blob.Ref{Key: blob.Key(it.Key), Version: it.VersionID}, it.Until)
			switch {
			case err == nil:
				text = "until " + until.UTC().Format(time.DateOnly)
			case errs.Is(err, "RETENTION_NOT_ENFORCED"):
				text = "not enforced by this store"
			default:
				if perr := s.Store.PostponeRetain(ctx, org, it.ID, s.now().Add(time.Minute)); perr != nil {
					return true, perr
				}
				continue
			}
			if err := s.Store.FinishRetain(ctx, org, it.ID, it.Job, it.Digest, text); err != nil {
				return true, err
			}
		}
	}
	return len(orgs) > 0, nil
}

// Sweep removes uploads that nobody has touched for seven days, and counts of
// tries that are over: strangers make as many as they have addresses.
func (s *Service) Sweep(ctx context.Context) error {
	if _, err := s.Store.ForgetAttempts(ctx, s.now().Add(-24*time.Hour)); err != nil {
		return unavailable(err)
	}
	for {
		orgs, err := s.Store.ExpiredUploads(ctx, s.now(), 100)
		if err != nil {
			return err
		}
		n := 0
		for org, us := range orgs {
			for _, u := range us {
				n++
				if err := (blob.Uploads{Store: s.Blobs}).Remove(ctx, org, u.ID); err != nil {
					return err
				}
				if err := s.Store.DeleteUpload(ctx, org, u.ID); err != nil {
					return err
				}
			}
		}
		if n < 100 {
			return nil
		}
	}
}

// sealedToday says whether a leaf over the job's addenda was made on this day, UTC.
func (s *Service) sealedToday(ctx context.Context, org, job string) (bool, error) {
	leaves, err := s.Store.LogLeaves(ctx, org, job, -1, 1000)
	if err != nil {
		return false, err
	}
	for i := len(leaves) - 1; i >= 0; i-- {
		if leaves[i].List != storage.ListAddenda {
			continue
		}
		leaf, err := seal.ParseLogLeaf(leaves[i].Leaf)
		return err == nil && leaf.Locked.UTC().Format(time.DateOnly) == s.now().Format(time.DateOnly), err
	}
	return false, nil
}

// sealAllAddenda seals, once a day, every list of addenda that grew.
func (s *Service) sealAllAddenda(ctx context.Context) error {
	orgs, err := s.Store.ListOrganizations(ctx)
	if err != nil {
		return err
	}
	for _, org := range orgs {
		for _, state := range []storage.JobState{storage.JobLocked, storage.JobEnded} {
			var at time.Time
			id := ""
			for {
				js, err := s.Store.ListJobs(ctx, org, storage.JobFilter{State: state}, at, id, 200)
				if err != nil {
					return err
				}
				for _, j := range js {
					at, id = j.CreateTime, j.ID
					if j.AddendumCount > j.AddendumSealed {
						if today, err := s.sealedToday(ctx, org, j.ID); err != nil {
							return err
						} else if today {
							continue
						}
						if _, err := s.SealAddenda(ctx, org, j.ID); err != nil {
							return err
						}
					}
				}
				if len(js) < 200 {
					break
				}
			}
		}
	}
	return nil
}
