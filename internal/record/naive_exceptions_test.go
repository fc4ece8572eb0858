package record_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
)

// naiveKinds are the kinds of exceptions that the naive fold finds by itself.
var naiveKinds = []string{record.GateUnmet, record.WhileStopped, record.NoClimb, record.NotOnCrew, record.AfterClimb, record.OnAnothersPhone, record.FailWithdrawn, record.ChainGap}

// exceptionIDs are the ids of those exceptions: kind, subject, and the numbers of
// the causing lines, so that a new cause gives a new id. e is the expansion of the
// plan and the climb that entries may name, steps those that there are by now.
func (n naive) exceptionIDs(e, steps *procedure.Expansion) []string {
	causes := map[string][]int64{}
	add := func(kind, subject string, lines ...int64) {
		causes[kind+"|"+subject] = append(causes[kind+"|"+subject], lines...)
	}
	chains := map[string]map[int64]bool{}
	for _, l := range n.lines {
		if d, c := l.Entry.GetDevice(), l.Entry.GetCounter(); d != "" && c > 0 {
			if chains[d] == nil {
				chains[d] = map[int64]bool{}
			}
			chains[d][c] = true
		}
		d := e.Step(l.Entry.GetStep())
		if d == nil || !says1(l) {
			continue
		}
		at := n.key(l).time
		if d.Section.GetOnStructure() {
			n.structure(l, at, add)
			for _, r := range d.Section.GetRequires() {
				if gate := "climb:" + l.Entry.GetClimb() + "/" + r; !n.met(steps, gate, at) {
					add(record.GateUnmet, gate, l.Seq)
				}
			}
		}
		if strings.HasPrefix(d.ID, "climb:") && steps.Step(d.ID) == nil {
			add(record.NoClimb, d.ID, l.Seq)
		}
		if a := l.Entry.GetAcknowledged(); a != nil && !n.withdrawn(l) && l.Pinned().GetDeviceOwner() != a.GetPerson() &&
			!slices.ContainsFunc(n.lines, func(c *record.Line) bool {
				x := c.Entry.GetAcknowledgementConfirmed()
				return x.GetEntry() == l.Entry.GetId() && x.GetPerson() == a.GetPerson()
			}) {
			add(record.OnAnothersPhone, d.ID, l.Seq)
		}
		if steps.Step(d.ID) != nil && answers(d, l) && n.withdrawn(l) && n.say(e, d, l).bad == 3 {
			add(record.FailWithdrawn, d.ID, l.Seq)
		}
	}
	for d, known := range chains {
		var gap []string
		last := int64(0)
		for c := range known {
			last = max(last, c)
		}
		for c := int64(1); c <= last; c++ {
			if !known[c] {
				gap = append(gap, strconv.FormatInt(c, 10))
			}
		}
		if more := len(gap) - 10; more > 0 {
			add(record.ChainGap, d+"#"+strings.Join(gap[:10], ",")+"+"+strconv.Itoa(more))
		} else if len(gap) > 0 {
			add(record.ChainGap, d+"#"+strings.Join(gap, ","))
		}
	}
	var out []string
	for subject, lines := range causes {
		var text []string
		for _, s := range lines { // in the order of the lines
			text = append(text, strconv.FormatInt(s, 10))
		}
		out = append(out, subject+"|"+strings.Join(text, ","))
	}
	slices.Sort(out)
	return out
}

// says1 says that the line states something about its step.
func says1(l *record.Line) bool {
	e := l.Entry
	return e.GetConfirmed() != nil || e.GetReadingTaken() != nil || e.GetAcknowledged() != nil || e.GetKitChecked() != nil || e.GetAnswered() != nil || e.GetPhotoAttached() != nil
}

// structure holds an entry on the structure against its climb and a stop.
func (n naive) structure(l *record.Line, at time.Time, add func(kind, subject string, lines ...int64)) {
	var opened *record.Line
	for _, x := range n.lines {
		if x.Entry.GetClimbOpened() != nil && x.Entry.GetId() == l.Entry.GetClimb() {
			opened = x
		}
	}
	if opened == nil || at.Before(n.key(opened).time) {
		add(record.NoClimb, l.Entry.GetStep(), l.Seq)
	} else {
		id := l.Entry.GetClimb()
		if !slices.Contains(n.crew(id, at), l.Entry.GetAuthor()) {
			add(record.NotOnCrew, id, l.Seq)
		}
		down := map[string]bool{}
		for _, x := range n.sorted(func(x *record.Line) bool { return x.Entry.GetClimbClosed() != nil }) {
			for _, p := range x.Entry.GetClimbClosed().GetDown() {
				down[p] = true
			}
			if !slices.ContainsFunc(n.crew(id, n.key(x).time), func(p string) bool { return !down[p] }) {
				if at.After(n.key(x).time) {
					add(record.AfterClimb, id, l.Seq)
				}
				break
			}
		}
	}
	stopped := false
	for _, x := range n.sorted(func(x *record.Line) bool { return x.Entry.GetWorkStopped() != nil || x.Entry.GetWorkResumed() != nil }) {
		if !n.key(x).time.After(at) {
			stopped = x.Entry.GetWorkStopped() != nil || stopped && !leads(x)
		}
	}
	if stopped {
		add(record.WhileStopped, l.Entry.GetStep(), l.Seq)
	}
}

// Two folds written apart name the same exceptions by the same ids, after every
// few lines; only a few causes are so many that the id holds their hash.
func TestNaiveExceptions(t *testing.T) {
	c := smallProcedure(t)
	seen := map[string]bool{}
	for seed := range uint64(*seeds) {
		r := rand.New(rand.NewPCG(seed, 13))
		lines := history(t, c, r, 30+r.IntN(40))
		j := record.Open(c)
		for i, l := range lines {
			if _, err := j.Advance(copyOf(l)); err != nil {
				t.Fatal(err)
			}
			if i%7 != 0 && i < len(lines)-2 {
				continue
			}
			n := naive{c, lines[:i+1]}
			whole, err := c.Expand(smallPlan(), []string{climbID})
			if err != nil {
				t.Fatal(err)
			}
			want := n.exceptionIDs(whole, n.expansion())
			var got []string
			for _, x := range j.State(l.Received, record.Outside{}).Exceptions {
				if !slices.Contains(naiveKinds, x.Kind) {
					continue
				}
				id := x.ID
				seen[x.Kind] = true
				if strings.Contains(id, "-lines-") { // many causes: told by their numbers
					id = id[:strings.LastIndex(id, "|")+1] + strings.Trim(strings.ReplaceAll(fmt.Sprint(x.Lines), " ", ","), "[]")
				}
				got = append(got, id)
			}
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Fatalf("seed %d after line %d: exceptions\n%s\nwant\n%s\n%s", seed, i+1, strings.Join(got, "\n"), strings.Join(want, "\n"), tell(lines[:i+1]))
			}
		}
	}
	for _, k := range naiveKinds {
		if !seen[k] && *seeds >= 50 {
			t.Errorf("no job brought up %s: nothing was compared", k)
		}
	}
}
