package record

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
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
		j.judgeKit(k)
	}
	k.doubt = "kit:" + k.entry
	j.kits = insertKit(j.kits, k)
	for i, id := range k.instruments {
		if id != "" && !slices.Contains(k.instruments[:i], id) {
			j.kitsOf[id] = insertKit(j.kitsOf[id], k)
		}
	}
	j.kitAffects(k)
}

// dropKit takes a self-check out, by the time that it has now.
func (j *Job) dropKit(it *item) {
	n := slices.IndexFunc(j.kits, func(k *kitCheck) bool { return k.it == it })
	if n < 0 {
		return
	}
	k := j.kits[n]
	items := j.affected(k)
	j.kits = slices.Delete(j.kits, n, n+1)
	for _, id := range k.instruments {
		j.kitsOf[id] = slices.DeleteFunc(j.kitsOf[id], func(x *kitCheck) bool { return x == k })
	}
	j.rejudge(items)
}

// kitChanged judges again what a self-check bears on, after it was withdrawn.
func (j *Job) kitChanged(it *item) {
	for _, k := range j.kits {
		if k.it == it {
			j.kitAffects(k)
		}
	}
}

func (j *Job) kitAffects(k *kitCheck) {
	j.gateEpoch++
	j.rejudge(j.affected(k))
	for _, s := range j.kitSteps {
		j.refresh(s)
	}
}

// affected lists the entries whose judgement may rest on a self-check: of its
// instruments, from the usable check before it to the one after it.
func (j *Job) affected(k *kitCheck) []*item {
	var out []*item
	add := func(t *tool, list []*kitCheck) {
		if t == nil || len(t.items) == 0 {
			return
		}
		n := slices.Index(list, k)
		from, to := k.time, time.Time{}
		for i := n - 1; i >= 0; i-- {
			if j.usable(list[i]) {
				from = list[i].time
				break
			}
		}
		for i := n + 1; i < len(list); i++ {
			if j.usable(list[i]) {
				to = list[i].time
				break
			}
		}
		begin := upTo(t.items, from.Add(-1))
		end := len(t.items)
		if !to.IsZero() {
			end = upTo(t.items, to)
		}
		out = append(out, t.items[begin:end]...)
	}
	for i, id := range k.instruments {
		if id != "" && !slices.Contains(k.instruments[:i], id) {
			add(j.tools[id], j.kitsOf[id])
		}
	}
	add(j.tools[""], j.kits)
	return out
}

// usable says whether a self-check says anything: finished and not withdrawn.
func (j *Job) usable(k *kitCheck) bool {
	return k.state != recordv1.KitState_KIT_STATE_UNSPECIFIED && j.isWithdrawn(k.it) == nil
}

func compareKits(a, b *kitCheck) int {
	if c := a.time.Compare(b.time); c != 0 {
		return c
	}
	return cmp.Or(cmp.Compare(a.it.order, b.it.order), cmp.Compare(a.it.Entry.GetCounter(), b.it.Entry.GetCounter()), cmp.Compare(a.it.Seq, b.it.Seq))
}

func insertKit(list []*kitCheck, k *kitCheck) []*kitCheck {
	n, _ := slices.BinarySearchFunc(list, k, compareKits)
	return slices.Insert(list, n, k)
}

// lastKit is the place of the last usable check made no later than t, or -1.
func (j *Job) lastKit(list []*kitCheck, t time.Time) int {
	n, _ := slices.BinarySearchFunc(list, t, func(k *kitCheck, t time.Time) int {
		if k.time.After(t) {
			return 1
		}
		return -1
	})
	for n--; n >= 0 && !j.usable(list[n]); n-- {
	}
	return n
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

// judgeKit judges a self-check of this job.
func (j *Job) judgeKit(k *kitCheck) {
	k.time, k.until = k.it.time, kitUntil(k.it.time, j.zone)
	if s := j.steps[k.it.Entry.GetStep()]; s != nil && s.last != nil {
		v := limits.JudgeKit(k.it.Entry.GetKitChecked(), limitOf(s.last.SourceLimit), limitOf(s.last.ResidualLimit))
		k.state, k.residual, k.sentence = v.State, v.ResidualDBc, v.Sentence
	}
}

// judgeKits judges the self-checks of this job again: their limits may have
// changed with the plan.
func (j *Job) judgeKits() {
	for _, k := range j.kits {
		if k.it.Entry.GetKitChecked() != nil {
			j.judgeKit(k)
		}
	}
}

// kitAt returns the self-check that holds for an instrument at a time: the last
// one before it, if it has not ended. A reading without an instrument takes the
// last check of any.
func (j *Job) kitAt(instrument string, t time.Time) *kitCheck {
	list := j.kits
	if instrument != "" {
		list = j.kitsOf[instrument]
	}
	if n := j.lastKit(list, t); n >= 0 && t.Before(list[n].until) {
		return list[n]
	}
	return nil
}

// knownCheck returns the last good self-check of another job that can stand for
// a step of this one. Only an intermodulation kit has a residual.
func (j *Job) knownCheck(def *procedure.Step, asOf time.Time) *kitCheck {
	for _, k := range slices.Backward(j.kits) {
		if standsFor(k, def) && j.usable(k) && (asOf.IsZero() || !k.time.After(asOf)) {
			if k.state == recordv1.KitState_NOT_FIT {
				return nil
			}
			return k
		}
	}
	return nil
}

func standsFor(k *kitCheck, def *procedure.Step) bool {
	return k.it.Entry.GetKitCheckKnown() != nil &&
		(k.state == recordv1.KitState_NOT_FIT || (k.residual != nil) == (def.Def.GetKitCheck().GetKit() == limits.KitIntermodulation))
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
	if list := j.kitsOf[instrument]; instrument != "" && len(list) > 0 {
		if n := j.lastKit(list, it.time); n >= 0 && list[n].state != recordv1.KitState_NOT_FIT {
			for _, k := range list[n+1:] {
				if j.usable(k) {
					if k.state == recordv1.KitState_NOT_FIT {
						ids = append(ids, k.doubt)
					}
					break
				}
			}
		}
	}
	for _, d := range j.doubtsBy[it.Entry.GetId()] {
		ids = append(ids, d.Entry.GetKitInDoubt().GetDoubt())
	}
	return ids
}

// doubtful lists the entries that a doubt can bear on.
func (j *Job) doubtful(id string) []*item {
	var out []*item
	if entry, ok := strings.CutPrefix(id, "tool:"); ok {
		out = append(out, j.byID[entry])
	}
	if check, ok := strings.CutPrefix(id, "kit:"); ok {
		for _, k := range j.kits {
			if k.entry == check {
				out = append(out, j.affected(k)...)
			}
		}
	}
	if d := j.doubted[id]; d != nil {
		for _, entry := range d.Entry.GetKitInDoubt().GetEntries() {
			out = append(out, j.byID[entry])
		}
	}
	return out
}

// ReadingsWith returns the lines that were measured or applied with an
// instrument, at or after a time, not withdrawn.
func (j *Job) ReadingsWith(instrument string, since time.Time) []*Line {
	var out []*Line
	for _, it := range j.entries {
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
