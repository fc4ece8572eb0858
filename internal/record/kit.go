package record

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/limits"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// kitLongest is how long a kit's self-check holds at most.
const kitLongest = 12 * time.Hour

// kitCheck is a self-check, of this job or known from another.
type kitCheck struct {
	it          *item
	entry       string // the id of the entry with the check
	instruments []string
	state       recordv1.KitState
	residual    *float64
	time, until time.Time
	sentence    string
	doubt       string
}

// kitUntil is the end of the site's day, at most twelve hours on.
func kitUntil(t time.Time, zone *time.Location) time.Time {
	_, end := Day(t, zone)
	if most := t.Add(kitLongest); most.Before(end) {
		return most
	}
	return end
}

// Day returns the begin and end of the site's civil day that holds t, in UTC.
func Day(t time.Time, zone *time.Location) (begin, end time.Time) {
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, zone).UTC(), time.Date(y, m, d+1, 0, 0, 0, 0, zone).UTC()
}

// addKit files a self-check.
func (j *Job) addKit(it *item) {
	e := it.Entry
	k := &kitCheck{it: it, entry: e.GetId(), time: it.time}
	if known := e.GetKitCheckKnown(); known != nil {
		k.entry, k.instruments, k.state = known.GetCheck(), known.GetInstruments(), known.GetState()
		k.residual = known.ResidualDbc
		k.time, k.until = known.GetCheckTime().AsTime(), known.GetHoldsUntil().AsTime()
	} else {
		k.instruments = KitInstruments(e.GetKitChecked())
	}
	k.doubt = "kit:" + k.entry
	j.kits = append(j.kits, k)
	j.sortKits()
}

// KitInstruments lists the serials that a self-check holds for, each once.
func KitInstruments(c *recordv1.KitChecked) []string {
	var out []string
	add := func(id string) {
		if id != "" && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	add(c.GetAnalyser())
	for _, p := range c.GetParts() {
		add(p.GetInstrument())
	}
	return out
}

// sortKits brings the checks into the order of their times and judges those of
// this job, whose limits may have changed with the plan.
func (j *Job) sortKits() {
	for _, k := range j.kits {
		c := k.it.Entry.GetKitChecked()
		if c == nil {
			continue
		}
		k.time, k.until = k.it.time, kitUntil(k.it.time, j.zone)
		if s := j.steps[k.it.Entry.GetStep()]; s != nil && s.last != nil {
			v := limits.JudgeKit(c, limitOf(s.last.SourceLimit), limitOf(s.last.ResidualLimit))
			k.state, k.residual, k.sentence = v.State, v.ResidualDBc, v.Sentence
		}
	}
	slices.SortStableFunc(j.kits, func(a, b *kitCheck) int {
		if c := a.time.Compare(b.time); c != 0 {
			return c
		}
		return int(min(max(a.it.Seq-b.it.Seq, -1), 1))
	})
}

// kitAt returns the self-check that holds for an instrument at a time: the last
// one before it, if it has not ended. A reading without an instrument takes the
// last check of any.
func (j *Job) kitAt(instrument string, t time.Time) *kitCheck {
	for i := len(j.kits) - 1; i >= 0; i-- {
		k := j.kits[i]
		if k.time.After(t) || j.isWithdrawn(k.it) != nil {
			continue
		}
		if instrument != "" && !slices.Contains(k.instruments, instrument) {
			continue
		}
		if t.Before(k.until) {
			return k
		}
		return nil
	}
	return nil
}

// pin writes the check into the pinned facts.
func (k *kitCheck) pin(p *recordv1.Assessment_Pinned) {
	p.KitCheck, p.KitState, p.Residual = k.entry, k.state.String(), nil
	p.KitHoldsUntil = timestamppb.New(k.until)
	if k.residual != nil {
		p.Residual = proto.Float64(*k.residual)
	}
}

// doubtsOf lists the doubts that bear on an entry: a bad check after a good one
// puts every reading since the good one in doubt, and so does a line that says
// so by name.
func (j *Job) doubtsOf(it *item, instrument string) []string {
	var ids []string
	if instrument != "" {
		for i, k := range j.kits {
			if k.state != recordv1.KitState_NOT_FIT || j.isWithdrawn(k.it) != nil || !slices.Contains(k.instruments, instrument) || !it.time.Before(k.time) {
				continue
			}
			for p := i - 1; p >= 0; p-- {
				good := j.kits[p]
				if j.isWithdrawn(good.it) != nil || !slices.Contains(good.instruments, instrument) {
					continue
				}
				if good.state == recordv1.KitState_NOT_FIT {
					break // nothing since was measured on a good check
				}
				if !it.time.Before(good.time) {
					ids = append(ids, k.doubt)
				}
				break
			}
		}
	}
	for _, d := range j.doubted {
		if slices.Contains(d.Entry.GetKitInDoubt().GetEntries(), it.Entry.GetId()) {
			ids = append(ids, d.Entry.GetKitInDoubt().GetDoubt())
		}
	}
	return ids
}

// ReadingsWith returns the lines that were measured or applied with an
// instrument, at or after a time, not withdrawn.
func (j *Job) ReadingsWith(instrument string, since time.Time) []*Line {
	var out []*Line
	for _, it := range j.items {
		if InstrumentOf(it.Entry) == instrument && instrument != "" && !it.time.Before(since) && j.isWithdrawn(it) == nil {
			out = append(out, it.Line)
		}
	}
	return out
}

// InstrumentOf returns the instrument or tool that an entry was made with, or "".
func InstrumentOf(e *recordv1.Entry) string {
	switch k := e.GetKind().(type) {
	case *recordv1.Entry_ReadingTaken:
		return k.ReadingTaken.GetInstrument()
	case *recordv1.Entry_TorqueApplied:
		return k.TorqueApplied.GetTool()
	case *recordv1.Entry_TraceAttached:
		return k.TraceAttached.GetInstrument()
	case *recordv1.Entry_KitChecked:
		return k.KitChecked.GetAnalyser()
	}
	return ""
}

// KitChecks returns the self-checks known to the job, by time: entry id,
// instruments, state, residual, time and until.
func (j *Job) KitChecks() []KitState {
	var out []KitState
	for _, k := range j.kits {
		if j.isWithdrawn(k.it) != nil {
			continue
		}
		out = append(out, KitState{Entry: k.entry, Instruments: k.instruments, State: k.state, ResidualDBc: k.residual, Time: k.time, Until: k.until, Sentence: k.sentence, Own: k.it.Entry.GetKitChecked() != nil})
	}
	return out
}

// KitState is a self-check as others see it.
type KitState struct {
	Entry       string
	Instruments []string
	State       recordv1.KitState
	ResidualDBc *float64
	Time, Until time.Time
	Sentence    string
	Own         bool // made in this job
}
