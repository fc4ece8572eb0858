package record_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/limits"
	"witnessmark/internal/procedure"
	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

var seeds = flag.Int("seeds", 150, "how many random jobs are folded twice")

// naive folds a job a second time, from the rules alone and from nothing: no
// cache, no count kept, every question answered from all the lines.
type naive struct {
	compiled *procedure.Compiled
	lines    []*record.Line
}

type key struct {
	time    time.Time
	order   int64
	counter int64
	seq     int64
}

func (a key) less(b key) bool {
	switch {
	case !a.time.Equal(b.time):
		return a.time.Before(b.time)
	case a.order != b.order:
		return a.order < b.order
	case a.counter != b.counter:
		return a.counter < b.counter
	}
	return a.seq < b.seq
}

// key is where an entry stands: corrected time, never earlier than the device's
// entry before, ties by seq.
func (n naive) key(l *record.Line) key {
	e := l.Entry
	k := key{n.own(l), l.Seq, e.GetCounter(), l.Seq}
	if e.GetDevice() == "" || e.GetCounter() == 0 {
		return k
	}
	var chain []*record.Line
	for _, x := range n.lines {
		if x.Entry.GetDevice() == e.GetDevice() && x.Entry.GetCounter() > 0 &&
			(x.Entry.GetCounter() < e.GetCounter() || x.Entry.GetCounter() == e.GetCounter() && x.Seq <= l.Seq) {
			chain = append(chain, x)
		}
	}
	slices.SortFunc(chain, func(a, b *record.Line) int {
		if a.Entry.GetCounter() != b.Entry.GetCounter() {
			return int(a.Entry.GetCounter() - b.Entry.GetCounter())
		}
		return int(a.Seq - b.Seq)
	})
	var last key
	for i, x := range chain {
		k = key{n.own(x), x.Seq, x.Entry.GetCounter(), x.Seq}
		if i > 0 {
			if last.time.After(k.time) {
				k.time = last.time
			}
			if last.time.Equal(k.time) {
				k.order = max(k.order, last.order)
			}
		}
		last = k
	}
	return k
}

func (n naive) own(l *record.Line) time.Time {
	if l.Entry.GetAuthor() == "" || l.Entry.GetDevice() == "" || l.Entry.GetClockOffset() == nil {
		return l.Received
	}
	t := l.Entry.GetDeviceTime().AsTime().Add(l.Entry.GetClockOffset().AsDuration()).Truncate(time.Millisecond)
	if t.After(l.Received) {
		return l.Received
	}
	return t
}

func vague(l *record.Line) bool {
	return l.Entry.GetAuthor() != "" && l.Entry.GetDevice() != "" && l.Entry.GetClockOffset() == nil
}

func leads(l *record.Line) bool { return slices.Contains(l.Pinned().GetRoles(), "LEAD") }

func (n naive) sorted(is func(*record.Line) bool) []*record.Line {
	var out []*record.Line
	for _, l := range n.lines {
		if is(l) && !n.withdrawn(l) {
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(a, b *record.Line) int {
		if n.key(a).less(n.key(b)) {
			return -1
		}
		return 1
	})
	return out
}

func (n naive) withdrawn(l *record.Line) bool {
	if record.ServerMade(l.Entry) || l.Entry.GetWithdrawn() != nil || l.Entry.GetClimbOpened() != nil || l.Entry.GetPlanRevised() != nil {
		return false
	}
	return slices.ContainsFunc(n.lines, func(w *record.Line) bool {
		return w.Entry.GetWithdrawn().GetEntry() == l.Entry.GetId() && (w.Entry.GetAuthor() == l.Entry.GetAuthor() || leads(w))
	})
}

func (n naive) unclear(a, b *record.Line) bool {
	if a.Entry.GetDevice() == b.Entry.GetDevice() {
		return false
	}
	return vague(a) || vague(b) || n.key(a).time.Sub(n.key(b).time).Abs() <= 2*time.Minute
}

func (n naive) expansion() *procedure.Expansion {
	var plan *recordv1.Plan
	var climbs []string
	for _, l := range n.lines {
		if p := l.Entry.GetJobOpened().GetPlan(); p != nil {
			plan = p
		}
		if p := l.Entry.GetPlanRevised().GetPlan(); p != nil {
			plan = p
		}
		if l.Entry.GetClimbOpened() != nil {
			climbs = append(climbs, l.Entry.GetId())
		}
	}
	e, err := n.compiled.Expand(plan, climbs)
	if err != nil {
		panic(err)
	}
	return e
}

// says is what one entry says by itself: how bad, how its step stands, and since
// when it counts.
type says struct {
	bad     int // 0 good, 1 waits, 2 open, 3 bad
	state   recordv1.StepState
	verdict recordv1.Verdict
	excess  float64
	proven  bool
	from    time.Time
	until   time.Time
	doubts  []string
}

func (a says) worse(b says) bool {
	switch {
	case a.bad != b.bad:
		return a.bad > b.bad
	case a.proven != b.proven:
		return b.proven
	case a.state != b.state:
		return a.state == notNeeded
	}
	return a.excess > b.excess
}

func (a says) differs(b says) bool {
	return a.bad != b.bad || a.state != b.state || a.verdict != b.verdict || a.proven != b.proven
}

type check struct {
	line  *record.Line
	key   key
	state recordv1.KitState
	left  *float64
	until time.Time
}

// checks are the self-checks that name an instrument, finished and standing.
func (n naive) checks(e *procedure.Expansion, instrument string) []check {
	var out []check
	for _, l := range n.sorted(func(l *record.Line) bool { return l.Entry.GetKitChecked() != nil }) {
		d := e.Step(l.Entry.GetStep())
		v := limits.JudgeKit(l.Entry.GetKitChecked(), *d.SourceLimit, *d.ResidualLimit)
		if v.State == 0 || !slices.Contains(record.KitInstruments(l.Entry.GetKitChecked()), instrument) {
			continue
		}
		k := n.key(l)
		end := k.time.Truncate(24 * time.Hour).Add(24 * time.Hour) // the site keeps UTC
		if k.time.Add(12 * time.Hour).Before(end) {
			end = k.time.Add(12 * time.Hour)
		}
		out = append(out, check{l, k, v.State, v.ResidualDBc, end})
	}
	return out
}

func (n naive) say(e *procedure.Expansion, d *procedure.Step, l *record.Line) says {
	s := says{state: complete, proven: true}
	at := n.key(l).time
	if m := d.Def.GetHoldsMinutes(); m > 0 {
		s.until = at.Add(time.Duration(m) * time.Minute)
	}
	wrong := func() { s.bad, s.state, s.proven, s.excess = 3, outOfLimits, false, 1 }
	lacking := func() { s.bad, s.state, s.proven = 2, open, false }
	switch k := l.Entry.GetKind().(type) {
	case *recordv1.Entry_Confirmed:
		switch k.Confirmed.GetOutcome() {
		case recordv1.Confirmed_NOT_APPLICABLE:
			s.state = notNeeded // allowed on the only such step
		case recordv1.Confirmed_NOT_RIGHT:
			wrong()
		}
	case *recordv1.Entry_Answered:
		if k.Answered.GetChoice() == "no" {
			wrong()
		}
	case *recordv1.Entry_Acknowledged:
		confirmed := time.Time{}
		for _, c := range n.lines {
			x := c.Entry.GetAcknowledgementConfirmed()
			if x.GetEntry() == l.Entry.GetId() && x.GetPerson() == k.Acknowledged.GetPerson() && confirmed.IsZero() {
				confirmed = c.Received
			}
		}
		switch {
		case k.Acknowledged.GetFitness() == recordv1.Acknowledged_NOT_FIT:
			wrong()
		case l.Pinned().GetDeviceOwner() == k.Acknowledged.GetPerson():
		case confirmed.IsZero():
			s.bad, s.state, s.proven = 1, waiting, false
		default:
			s.from = confirmed
		}
	case *recordv1.Entry_KitChecked:
		switch limits.JudgeKit(k.KitChecked, *d.SourceLimit, *d.ResidualLimit).State {
		case recordv1.KitState_FIT, recordv1.KitState_MARGINAL:
			s.verdict = recordv1.Verdict_PASS
		case recordv1.KitState_NOT_FIT:
			wrong()
			s.verdict = recordv1.Verdict_FAIL
		default:
			lacking()
		}
	case *recordv1.Entry_ReadingTaken:
		pin := proto.Clone(l.Pinned()).(*recordv1.Assessment_Pinned)
		if d.Def.GetReading().GetNeedsKitCheck() {
			pin.KitState, pin.Residual = "NONE", nil
			var last *check
			for _, c := range n.checks(e, k.ReadingTaken.GetInstrument()) {
				if !c.key.time.After(at) {
					last = &c
				}
			}
			if last != nil && at.Before(last.until) {
				pin.KitState, pin.Residual = last.state.String(), last.left
			}
		}
		v := limits.JudgeReading(d.Def.GetReading().GetQuantity(), k.ReadingTaken, l.Entry.GetConfirmedValue(), *d.Limit, pin, at)
		s.verdict, s.proven = v.Verdict, v.Verdict == recordv1.Verdict_PASS
		switch v.Verdict {
		case recordv1.Verdict_FAIL:
			wrong()
			// For the limits of the stories only: the lower limit is 18 dB, the upper −150 dBc or 10.3 m/s.
			x := k.ReadingTaken.GetValue()
			if d.Limit.Lower != nil {
				s.excess = 1 + *d.Limit.Lower - x
			} else {
				s.excess = 1 + x - *d.Limit.Upper
			}
		case recordv1.Verdict_NOT_MEASURABLE:
			lacking()
		}
		if d.Def.GetReading().GetNeedsKitCheck() && s.bad < 3 && (pin.KitState == "NONE" || pin.KitState == "NOT_FIT") {
			lacking()
		}
		cs := n.checks(e, k.ReadingTaken.GetInstrument())
		for i, c := range cs {
			if c.state == recordv1.KitState_NOT_FIT && i > 0 && cs[i-1].state != recordv1.KitState_NOT_FIT && at.Before(c.key.time) && !at.Before(cs[i-1].key.time) {
				s.doubts = append(s.doubts, "kit:"+c.line.Entry.GetId())
			}
		}
		for _, id := range s.doubts {
			var found *record.Line
			for _, a := range n.lines {
				if slices.Contains(a.Entry.GetAssessed().GetDoubts(), id) && leads(a) && !n.withdrawn(a) {
					found = a
				}
			}
			if found == nil && s.bad == 0 {
				s.bad, s.state, s.proven = 1, waiting, false
			}
			if found != nil && found.Entry.GetAssessed().GetOutcome() == recordv1.Assessed_DOES_NOT_COUNT {
				lacking()
			}
		}
	}
	return s
}

func answers(d *procedure.Step, l *record.Line) bool {
	e := l.Entry
	if e.GetStep() != d.ID || d.Def.GetDoer() == recordv1.Step_LEAD && !leads(l) {
		return false
	}
	return e.GetConfirmed() != nil || e.GetReadingTaken() != nil || e.GetAcknowledged() != nil || e.GetKitChecked() != nil || e.GetAnswered() != nil || e.GetPhotoAttached() != nil
}

// stands is how a step stands by the entries up to a time (zero: all), and the
// last seq looked at (0: all); without deviations.
type stands struct {
	state    recordv1.StepState
	verdict  recordv1.Verdict
	deciding []*record.Line
}

func (n naive) back(d *procedure.Step, t time.Time) *record.Line {
	bs := n.sorted(func(l *record.Line) bool {
		return slices.Contains(l.Entry.GetReturnedForRework().GetSteps(), d.ID) && (t.IsZero() || !n.key(l).time.After(t))
	})
	if len(bs) == 0 {
		return nil
	}
	return bs[len(bs)-1]
}

func (n naive) decide(e *procedure.Expansion, d *procedure.Step, t time.Time, items []*record.Line) stands {
	back := n.back(d, t)
	var sure, unsure []*record.Line
	for _, l := range items {
		switch {
		case back == nil:
			sure = append(sure, l)
		case n.unclear(l, back):
			if l.Seq > back.Seq {
				unsure = append(unsure, l)
			}
		case n.key(back).less(n.key(l)):
			sure = append(sure, l)
		}
	}
	if len(sure) == 0 {
		if back != nil {
			return stands{state: returned}
		}
		return stands{state: open}
	}
	last := sure[len(sure)-1]
	pick := last
	slices.Reverse(sure) // of equally bad ones the newest counts
	slices.Reverse(unsure)
	for _, l := range slices.Concat(sure, unsure) {
		if l == last || !(n.unclear(l, last) || n.key(last).less(n.key(l))) || !n.say(e, d, l).differs(n.say(e, d, last)) {
			continue
		}
		if n.say(e, d, l).worse(n.say(e, d, pick)) {
			pick = l
		}
	}
	s := n.say(e, d, pick)
	if !t.IsZero() && s.bad == 0 && s.from.After(t) {
		s.state = waiting
	}
	return stands{s.state, s.verdict, []*record.Line{pick}}
}

func (n naive) step(e *procedure.Expansion, d *procedure.Step, t time.Time, before int64) stands {
	items := n.sorted(func(l *record.Line) bool {
		return answers(d, l) && (t.IsZero() || !n.key(l).time.After(t)) && (before == 0 || l.Seq < before)
	})
	switch {
	case d.Def.GetAcknowledge() != nil:
		crew := n.crew(d.ScopeID, t)
		out := stands{state: complete}
		if len(crew) == 0 {
			return stands{state: open}
		}
		rank := func(s recordv1.StepState) int {
			return slices.Index([]recordv1.StepState{complete, waiting, open, outOfLimits}, s)
		}
		allBack := true
		for _, p := range crew {
			var own []*record.Line
			for _, l := range items {
				if l.Entry.GetAcknowledged().GetPerson() == p {
					own = append(own, l)
				}
			}
			q := n.decide(e, d, t, own)
			out.deciding = append(out.deciding, q.deciding...)
			if q.state == returned {
				q.state = open
			} else {
				allBack = false
			}
			if rank(q.state) > rank(out.state) {
				out.state = q.state
			}
		}
		if out.state == open && allBack && n.back(d, t) != nil {
			out.state = returned
		}
		return out
	case d.Def.GetPhoto() != nil: // one subject, one photo
		back := n.back(d, t)
		var out stands
		there, good := false, false
		for _, l := range items {
			if back != nil && (n.unclear(l, back) || !n.key(back).less(n.key(l))) {
				continue
			}
			out.deciding = append(out.deciding, l)
			var got bool
			var seen *recordv1.PhotoExamined
			for _, x := range n.lines {
				same := func(b []byte) bool { return string(b) == string(l.Entry.GetPhotoAttached().GetDigest()) }
				if p := x.Entry.GetPhotoReceived(); p != nil && same(p.GetDigest()) {
					got = true
				}
				if p := x.Entry.GetPhotoExamined(); p != nil && same(p.GetDigest()) {
					seen = p
				}
			}
			there = there || !got || seen == nil
			good = good || got && seen.GetReadable()
		}
		switch {
		case good:
			out.state = complete
		case there:
			out.state = waiting
		case back != nil && len(out.deciding) == 0:
			out.state = returned
		default:
			out.state = open
		}
		return out
	}
	return n.decide(e, d, t, items)
}

// whole is how a step stands with its deviations.
func (n naive) whole(e *procedure.Expansion, d *procedure.Step) stands {
	st := n.step(e, d, time.Time{}, 0)
	if st.state == complete || st.state == notNeeded {
		return st
	}
	back := n.back(d, time.Time{})
	for _, dv := range n.lines {
		if dv.Entry.GetDeviationAccepted() == nil || dv.Entry.GetStep() != d.ID || n.withdrawn(dv) || !leads(dv) || back != nil && back.Seq > dv.Seq {
			continue
		}
		known, ok := 0.5, true
		for _, l := range n.step(e, d, time.Time{}, dv.Seq).deciding {
			s := n.say(e, d, l)
			ok = ok && !(s.bad > 0 && l.Entry.GetAuthor() == dv.Entry.GetAuthor())
			known = max(known, s.excess)
		}
		for _, l := range n.sorted(func(l *record.Line) bool { return answers(d, l) && l.Seq > dv.Seq }) {
			ok = ok && n.say(e, d, l).excess <= known
		}
		if ok {
			st.state = deviating
		}
	}
	return st
}

func (n naive) crew(climb string, t time.Time) []string {
	var opened *record.Line
	for _, l := range n.lines {
		if l.Entry.GetId() == climb {
			opened = l
		}
	}
	var crew []string
	for _, l := range n.sorted(func(l *record.Line) bool {
		return l == opened || l.Entry.GetCrewChanged() != nil && l.Entry.GetClimb() == climb
	}) {
		if !t.IsZero() && n.key(l).time.After(t) || opened == nil || n.key(l).less(n.key(opened)) {
			continue
		}
		if l == opened {
			crew = l.Entry.GetClimbOpened().GetCrew()
		} else {
			crew = l.Entry.GetCrewChanged().GetCrew()
		}
	}
	return crew
}

func (n naive) met(e *procedure.Expansion, gate string, t time.Time) bool {
	for _, d := range e.Section(gate) {
		st := n.step(e, d, t, 0)
		if st.state != complete && st.state != notNeeded {
			return false
		}
		for _, l := range st.deciding {
			if s := n.say(e, d, l); !s.proven || !s.until.IsZero() && !t.Before(s.until) {
				return false
			}
		}
	}
	return len(e.Section(gate)) > 0
}

// holds are the gates of the climb that are holds at t, and a stop.
func (n naive) holds(e *procedure.Expansion, t time.Time) []string {
	var out []string
	stop := false
	for _, l := range n.sorted(func(l *record.Line) bool { return l.Entry.GetWorkStopped() != nil || l.Entry.GetWorkResumed() != nil }) {
		if !n.key(l).time.After(t) {
			stop = l.Entry.GetWorkStopped() != nil || stop && !leads(l)
		}
	}
	if stop {
		out = append(out, "work-stopped")
	}
	for _, o := range n.lines {
		if o.Entry.GetClimbOpened() == nil || t.Before(n.key(o).time) {
			continue
		}
		down, closed := map[string]bool{}, false
		for _, l := range n.sorted(func(l *record.Line) bool { return l.Entry.GetClimbClosed() != nil }) {
			for _, p := range l.Entry.GetClimbClosed().GetDown() {
				down[p] = true
			}
			all := true
			for _, p := range n.crew(o.Entry.GetId(), n.key(l).time) {
				all = all && down[p]
			}
			if all {
				closed = !t.Before(n.key(l).time)
				break
			}
		}
		for _, r := range []string{"briefing", "weather"} {
			if gate := "climb:" + o.Entry.GetId() + "/" + r; !closed && !n.met(e, gate, t) {
				out = append(out, gate)
			}
		}
	}
	return out
}

// finished replays the declarations in the order of the lines.
func (n naive) finished() bool {
	in := (*record.Line)(nil)
	for i := range n.lines {
		p := naive{n.compiled, n.lines[:i+1]}
		e := p.expansion()
		all := true
		for _, d := range e.Steps {
			if d.Required {
				st := p.whole(e, d).state
				all = all && (st == complete || st == deviating || st == notNeeded)
			}
		}
		if l := n.lines[i]; in != nil && p.withdrawn(in) || !all {
			in = nil
		} else if l.Entry.GetFinished() != nil && !p.withdrawn(l) {
			in = l
		}
		if l := n.lines[i]; in == nil && all && l.Entry.GetFinished() != nil && !p.withdrawn(l) {
			in = l
		}
	}
	return in != nil
}

// smallPlan keeps random jobs dense: one line, one connection.
func smallPlan() *recordv1.Plan {
	p := proceduretest.Plan()
	p.Lines, p.Connections = p.Lines[:1], p.Connections[:1]
	return p
}

// smallProcedure has no trace and no torque, whose judging is tested elsewhere.
func smallProcedure(tb testing.TB) *procedure.Compiled {
	doc := string(proceduretest.Document())
	cut := func(from, to string) {
		a := strings.Index(doc, from)
		b := a + strings.Index(doc[a:], to)
		doc = doc[:a] + doc[b:]
	}
	cut("      - id: torque\n", "      - id: photos")
	cut("      - id: trace\n", "  - id: close")
	return compile(tb, doc)
}

// history makes the lines of a random job: phones with skewed or unknown clocks
// that send late and in any order between them.
func history(tb testing.TB, c *procedure.Compiled, r *rand.Rand, length int) []*record.Line {
	s := &story{TB: tb, counters: map[string]int64{}, previous: map[string][]byte{}}
	pick := func(n int) bool { return r.IntN(n) == 0 }
	of := func(list ...string) string { return list[r.IntN(len(list))] }
	lines := []*record.Line{{Received: morning, Assessment: &recordv1.Assessment{}, Entry: &recordv1.Entry{Id: s.id(), Job: "jobs/ridge-1",
		Kind: &recordv1.Entry_JobOpened{JobOpened: &recordv1.JobOpened{Site: &recordv1.JobOpened_Site{Zone: "Etc/UTC"}, Plan: smallPlan()}}}}}
	type phone struct {
		by
		outbox []*record.Line
	}
	phones := []*phone{{by: by{person: ana, device: phoneA, skew: 40 * minute}}, {by: by{person: ben, device: phoneB, skew: -17 * minute}}, {by: by{person: lea, device: phoneL}}}
	if pick(3) {
		phones = append(phones, &phone{by: by{person: ben, device: "devices/old", unknown: true}})
	}
	var ids []string
	openedYet := false
	var said []string
	easy := pick(2) // a crew that does nearly everything right, so that jobs get finished
	now := time.Duration(0)
	for len(lines) < length {
		now += time.Duration(r.IntN(240)+1) * time.Second
		if pick(12) {
			now += time.Duration(r.IntN(5)) * time.Hour
		}
		p := phones[r.IntN(len(phones))]
		b := p.by
		b.at = now
		if pick(4) {
			b.at -= time.Duration(r.IntN(90)) * minute // the clock was set back meanwhile
		}
		b.climb = climbID
		var step string
		var e *recordv1.Entry
		kind := r.IntN(24)
		if easy && (kind == 14 || kind == 16 || kind == 17 && openedYet) && !pick(6) {
			kind = []int{13, 19, 23, 9, 15}[r.IntN(5)]
		}
		switch kind {
		case 0, 1:
			step, e = returnLoss, loss(of2(r, 12, 17, 22, 25))
		case 2, 3:
			step, e = intermod, level(of2(r, -165, -145, -155), of("instruments/pim-1", "instruments/pim-2"))
		case 4, 5:
			step, e = selfCheck, kit(of("instruments/pim-1", "instruments/pim-2"), of2(r, -175, -175, -150))
			if pick(6) {
				e.GetKitChecked().Parts = e.GetKitChecked().Parts[:1]
			}
		case 6, 7:
			step, e = clean, confirm(recordv1.Confirmed_Outcome(1+r.IntN(3)))
		case 8:
			step, e = tidy, answer(of("yes", "yes", "no"))
		case 9:
			step, e = photoStep, photo(byte(r.IntN(4)))
		case 10, 11:
			step, e = wind, windAt(of2(r, 5, 8, 14))
		case 12, 13:
			step, e = understood, acknowledge(b.person, recordv1.Acknowledged_Fitness(1+min(r.IntN(6), 1)%2))
			if pick(5) {
				e.GetAcknowledged().Fitness = recordv1.Acknowledged_NOT_FIT
			} else {
				e.GetAcknowledged().Fitness = recordv1.Acknowledged_FIT
			}
			if pick(3) {
				b.owner = of(ana, ben)
			}
			said = append(said, "")
		case 14:
			if len(ids) == 0 {
				continue
			}
			e = withdrawn(of(ids...))
		case 15:
			step, e = of(returnLoss, intermod, clean, tidy, photoStep), accepted("agreed")
		case 16:
			e = back(of(returnLoss, intermod, clean, understood, photoStep, wind))
		case 17:
			if openedYet {
				e = &recordv1.Entry{Kind: &recordv1.Entry_CrewChanged{CrewChanged: &recordv1.CrewChanged{Crew: [][]string{{ana}, {ben}, {ana, ben}}[r.IntN(3)]}}}
			} else {
				e, openedYet = climbOpened(ana, ben), true
			}
		case 18:
			e = []*recordv1.Entry{stopped(), resumed(), resumed()}[r.IntN(3)]
		case 19:
			e = finished()
		case 20:
			if len(ids) == 0 {
				continue
			}
			e = assessed(recordv1.Assessed_Outcome(1+r.IntN(2)), "kit:"+of(ids...), "kit:"+of(ids...), "kit:"+of(ids...))
		case 21:
			if !pick(4) {
				continue
			}
			e = climbClosed(of(ana, ben), lea)
		case 22:
			if !pick(3) {
				continue
			}
			plan := smallPlan()
			if pick(2) {
				plan.Connections = nil
			}
			e = &recordv1.Entry{Kind: &recordv1.Entry_PlanRevised{PlanRevised: &recordv1.PlanRevised{Plan: plan, Reason: "changed"}}}
		default:
			x := photoReceived(byte(r.IntN(4)))
			if pick(2) {
				x = photoExamined(byte(r.IntN(4)), !pick(5))
			}
			if pick(4) && len(said) > 0 {
				x = &recordv1.Entry{Kind: &recordv1.Entry_AcknowledgementConfirmed{AcknowledgementConfirmed: &recordv1.AcknowledgementConfirmed{Entry: of(said...), Person: of(ana, ben)}}}
			}
			x.Id, x.Job = s.id(), "jobs/ridge-1"
			lines = append(lines, &record.Line{Received: morning.Add(now), Entry: x, Assessment: &recordv1.Assessment{}})
			continue
		}
		if x := e.GetReadingTaken(); easy && x != nil && !pick(5) {
			switch step {
			case returnLoss:
				x.Value = 22
			case intermod:
				x.Value, x.Instrument = -165, "instruments/pim-1"
			case wind:
				x.Value = 5
			}
		}
		if x := e.GetConfirmed(); easy && x != nil && !pick(5) {
			x.Outcome = recordv1.Confirmed_DONE
		}
		if x := e.GetKitChecked(); easy && x != nil && !pick(5) {
			e.Kind = kit("instruments/pim-1", -175).Kind
		}
		l := s.line(b, s.entry(b, step, e))
		ids = append(ids, e.GetId())
		if e.GetAcknowledged() != nil {
			said[len(said)-1] = e.GetId()
		}
		p.outbox = append(p.outbox, l)
		if p := phones[r.IntN(len(phones))]; pick(2) {
			if pick(5) {
				r.Shuffle(len(p.outbox), func(i, k int) { p.outbox[i], p.outbox[k] = p.outbox[k], p.outbox[i] })
			}
			for _, l := range p.outbox {
				l.Received = morning.Add(now)
				lines = append(lines, l)
			}
			p.outbox = nil
		}
	}
	for i, l := range lines {
		l.Seq = int64(i + 1)
	}
	return lines
}

func of2(r *rand.Rand, list ...float64) float64 { return list[r.IntN(len(list))] }

func copyOf(l *record.Line) *record.Line {
	c := *l
	c.Assessment = proto.Clone(l.Assessment).(*recordv1.Assessment)
	return &c
}

func tell(lines []*record.Line) string {
	var b strings.Builder
	n := naive{lines: lines}
	for _, l := range lines {
		fmt.Fprintf(&b, "%3d %s (received %s) %s #%d %s %s %s %v\n", l.Seq, n.key(l).time.Format("15:04:05"), l.Received.Format("15:04:05"), l.Entry.GetDevice(), l.Entry.GetCounter(), l.Entry.GetAuthor(), l.Entry.GetId()[30:], l.Entry.GetStep(), l.Entry.GetKind())
	}
	return b.String()
}

// Two folds written apart agree, after each line, on every step, on what is
// finished, on the holds at several times and on the doubts.
func TestNaive(t *testing.T) {
	c := smallProcedure(t)
	for seed := range uint64(*seeds) {
		if !t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) { compareNaive(t, c, seed) }) {
			return
		}
	}
}

func compareNaive(t *testing.T, c *procedure.Compiled, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 7))
	lines := history(t, c, r, 30+r.IntN(40))
	j, plain := record.Open(c), record.Open(c)
	for i, l := range lines {
		if _, err := j.Advance(copyOf(l)); err != nil {
			t.Fatal(err)
		}
		if err := plain.Apply(copyOf(l)); err != nil {
			t.Fatal(err)
		}
		if i%5 != 0 && i < len(lines)-3 {
			continue // what is wrong stays wrong for some lines
		}
		n := naive{c, lines[:i+1]}
		e := n.expansion()
		doubts := map[string]bool{}
		for _, d := range e.Steps {
			got, ok := j.StepStatus(d.ID)
			want := n.whole(e, d)
			if !ok || got.State != want.state || want.state != deviating && got.Verdict != want.verdict {
				t.Fatalf("after line %d %s is %s, %s; want %s, %s\n%s", i+1, d.ID, got.State, got.Verdict, want.state, want.verdict, tell(lines[:i+1]))
			}
			if p, _ := plain.StepStatus(d.ID); p.State != got.State || p.Verdict != got.Verdict || p.Sentence != got.Sentence {
				t.Fatalf("after line %d %s is %s by Apply and %s by Advance", i+1, d.ID, p.State, got.State)
			}
			for _, l := range n.sorted(func(l *record.Line) bool { return l.Entry.GetReadingTaken() != nil && l.Entry.GetStep() == d.ID }) {
				for _, id := range n.say(e, d, l).doubts {
					doubts[id] = true
				}
			}
		}
		at := lines[i].Received
		for _, t0 := range []time.Time{at, at.Add(-30 * minute), at.Add(-2 * time.Hour), at.Add(3 * time.Hour)} {
			var got []string
			for _, h := range j.State(t0, record.Outside{}).Holds {
				if h.Gate != "kit" {
					got = append(got, h.Gate)
				}
			}
			want := n.holds(e, t0)
			if !slices.Equal(got, want) {
				t.Fatalf("after line %d holds at %s are %v; want %v\n%s", i+1, t0.Format("15:04:05"), got, want, tell(lines[:i+1]))
			}
		}
		for _, d := range j.State(at, record.Outside{}).Doubts {
			if !doubts[d.ID] && strings.HasPrefix(d.ID, "kit:") && slices.ContainsFunc(d.Steps, func(id string) bool { return e.Step(id) != nil }) {
				t.Fatalf("after line %d there is a doubt %s; want %v", i+1, d.ID, doubts)
			}
			delete(doubts, d.ID)
		}
		if len(doubts) > 0 {
			t.Fatalf("after line %d doubts %v are missing", i+1, doubts)
		}
	}
	a, b := j.State(morning, record.Outside{}), plain.State(morning, record.Outside{})
	if describe(a.Exceptions) != describe(b.Exceptions) {
		t.Fatalf("exceptions by Advance\n%s and by Apply\n%s", describe(a.Exceptions), describe(b.Exceptions))
	}
	if got, want := j.Status() == record.StatusFinished, (naive{c, lines}).finished(); got != want {
		t.Fatalf("finished: %v; want %v\n%s", got, want, tell(lines))
	}
	// The assessments, given again with nothing but what they pin, are the same.
	again := record.Open(c)
	for i, l := range j.Lines() {
		got, err := again.Advance(copyOf(l))
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(got, l.Assessment) {
			t.Fatalf("line %d assessed again: %v; want %v", i+1, got, l.Assessment)
		}
	}
}
