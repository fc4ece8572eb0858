package workflow

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/access"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
	"witnessmark/storage"
)

// facts are what verdicts use and entries do not say, read once for a batch.
type facts struct {
	set         Settings
	people      map[string]access.Person
	instruments map[string]Instrument
}

// facts reads the instruments and people that a batch names.
func (s *Service) facts(ctx context.Context, org string, fold *record.Job, ps []*prepared) (*facts, error) {
	f := &facts{people: map[string]access.Person{}, instruments: map[string]Instrument{}}
	people := map[string]bool{}
	var instruments []string
	for _, p := range ps {
		if p.entry == nil {
			continue
		}
		if p.who.ID != "" {
			f.people[p.who.ID] = p.who
		}
		for _, c := range slices.Concat(p.entry.GetClimbOpened().GetCrew(), p.entry.GetCrewChanged().GetCrew()) {
			people[bare(c)] = true
		}
		if i := record.InstrumentOf(p.entry); i != "" && !slices.Contains(instruments, bare(i)) {
			instruments = append(instruments, bare(i))
		}
	}
	if len(people) > 0 {
		more, err := s.people(ctx, org, people)
		if err != nil {
			return nil, err
		}
		for id, p := range more {
			f.people[id] = p
		}
	}
	if len(instruments) > 0 {
		docs, err := s.Store.GetDocuments(ctx, org, storage.KindInstrument, instruments)
		if err != nil {
			return nil, err
		}
		for _, d := range docs {
			i, err := readInstrument(d)
			if err != nil {
				return nil, err
			}
			f.instruments[d.ID] = i
		}
	}
	return f, nil
}

// pin writes the facts that bear on an entry.
func (f *facts) pin(fold *record.Job, p *prepared, now time.Time) *recordv1.Assessment_Pinned {
	pin := f.pinServer(fold, now)
	pin.Roles = p.who.RoleNames()
	pin.Qualifications = p.who.PinnedQualifications()
	pin.DeviceOwner, pin.CodeChecked = personName(p.owner), p.codeOK
	if p.entry.GetDevice() == "" && p.keyID == "" {
		pin.DeviceOwner = ""
	}
	at := now
	if off := p.entry.GetClockOffset(); off != nil {
		pin.Offset = off
		if t := p.entry.GetDeviceTime().AsTime().Add(off.AsDuration()); t.Before(now) {
			at = t
		}
	}
	begin, end := record.Day(at, fold.Zone())
	pin.DayBegin, pin.DayEnd = timestamppb.New(begin), timestamppb.New(end)
	if i, ok := f.instruments[bare(record.InstrumentOf(p.entry))]; ok && record.InstrumentOf(p.entry) != "" {
		pin.InstrumentKind, pin.ToolCalibratedUntil, pin.ToolClass = i.Kind, i.CalibratedUntil, i.Class
		unit := limitUnit(fold, p.entry)
		pin.ToolMinimum, pin.ToolMaximum = inUnit(i.Minimum, unit), inUnit(i.Maximum, unit)
		if i.Directivity != nil {
			pin.Directivity = proto.Float64(*i.Directivity)
		}
		if i.Uncertainty != nil {
			pin.ExpandedUncertainty = proto.Float64(*i.Uncertainty)
		}
	}
	for _, c := range slices.Concat(p.entry.GetClimbOpened().GetCrew(), p.entry.GetCrewChanged().GetCrew()) {
		pin.Crew = append(pin.Crew, &recordv1.Assessment_Pinned_CrewMember{Person: c, Qualifications: f.people[bare(c)].PinnedQualifications()})
	}
	return pin
}

// pinServer writes the facts that bear on a line made by the server.
func (f *facts) pinServer(fold *record.Job, now time.Time) *recordv1.Assessment_Pinned {
	return &recordv1.Assessment_Pinned{Settings: f.set.pinned()}
}

// limitUnit is the unit in which the entry's step is judged.
func limitUnit(fold *record.Job, e *recordv1.Entry) recordv1.Measure_Unit {
	if d := fold.Step(e.GetStep()); d != nil && d.Limit != nil && d.Limit.Unit != recordv1.Measure_UNIT_UNSPECIFIED {
		return d.Limit.Unit
	}
	if t := e.GetTorqueApplied(); t != nil {
		return recordv1.Measure_NEWTON_METERS
	}
	return e.GetReadingTaken().GetUnit()
}

// kitKnown returns, as entries of the server, the self-checks of other jobs that
// bear on a reading and that this job does not know yet.
func (s *Service) kitKnown(ctx context.Context, org string, fold *record.Job, e *recordv1.Entry, f *facts) ([]*recordv1.Entry, error) {
	d := fold.Step(e.GetStep())
	instrument := e.GetReadingTaken().GetInstrument()
	if d == nil || instrument == "" || !d.Def.GetReading().GetNeedsKitCheck() {
		return nil, nil
	}
	checks, err := s.kitChecks(ctx, org, instrument)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, k := range fold.KitChecks() {
		known[k.Entry] = true
	}
	now := s.now()
	var out []*recordv1.Entry
	for _, k := range checks {
		if known[k.Entry] || "jobs/"+k.Job == fold.Name() || now.Sub(k.Time) > kitWindow || fold.Has(k.Entry) {
			continue
		}
		known[k.Entry] = true
		out = append(out, k.entry())
	}
	return out, nil
}
