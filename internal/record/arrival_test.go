package record_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Where every clock is known and no two entries lie within two minutes, it does
// not matter in which order they reach the server: steps, holds, doubts and
// exceptions are the same. Left out is what looks at the moment of arrival: a
// deviation covers what was known then, 'finished' has effect only if everything
// was there, and a revised plan is in force from its arrival on.
func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	c := smallProcedure(t)
	for seed := range uint64(*seeds) {
		r := rand.New(rand.NewPCG(seed, 11))
		made := apart(history(t, c, r, 30+r.IntN(40)))
		evening := morning.Add(12 * time.Hour)
		first := ""
		for turn := range 4 {
			order := slices.Clone(made)
			if turn > 0 { // the opening stays the first; the server's own lines stay in their order
				r.Shuffle(len(order)-1, func(i, k int) { order[i+1], order[k+1] = order[k+1], order[i+1] })
				var own []*record.Line
				for _, l := range made {
					if record.ServerMade(l.Entry) {
						own = append(own, l)
					}
				}
				for i, l := range order {
					if record.ServerMade(l.Entry) {
						order[i], own = own[0], own[1:]
					}
				}
			}
			j := record.Open(c)
			for i, l := range order {
				x := copyOf(l)
				x.Seq = int64(i + 1)
				if _, err := j.Advance(x); err != nil {
					t.Fatalf("seed %d: line %d: %v", seed, x.Seq, err)
				}
			}
			var b strings.Builder
			for _, at := range []time.Time{evening, morning.Add(45 * minute), morning.Add(90 * minute)} {
				b.WriteString(byEntries(j, at))
			}
			if turn == 0 {
				first = b.String()
			} else if got := b.String(); got != first {
				for i, l := range order {
					l.Seq = int64(i + 1)
				}
				t.Fatalf("seed %d, arrived in another order:\n%s", seed, difference(got, first)+tell(order))
			}
		}
	}
}

// apart gives a history its entries in the order in which they were made, three
// minutes between them, all received in the evening; without what looks at the
// moment of arrival and without the device whose clock is not known.
func apart(lines []*record.Line) []*record.Line {
	var out []*record.Line
	for _, l := range lines {
		e := l.Entry
		if e.GetDeviationAccepted() == nil && e.GetFinished() == nil && e.GetPlanRevised() == nil && !vague(l) {
			out = append(out, l)
		}
	}
	// Ids were given in the order of making, but for the climb's: it follows what
	// its device said before.
	made := func(l *record.Line) string {
		if l.Entry.GetClimbOpened() == nil {
			return l.Entry.GetId()
		}
		last := lines[0].Entry.GetId()
		for _, x := range lines {
			if x.Entry.GetDevice() == l.Entry.GetDevice() && x.Entry.GetCounter() < l.Entry.GetCounter() {
				last = max(last, x.Entry.GetId())
			}
		}
		return last + "+"
	}
	slices.SortFunc(out, func(a, b *record.Line) int { return strings.Compare(made(a), made(b)) })
	for i, l := range out {
		at := morning.Add(time.Duration(i) * 3 * minute)
		l.Received = at
		if l.Entry.GetAuthor() != "" {
			l.Entry = proto.Clone(l.Entry).(*recordv1.Entry)
			l.Entry.DeviceTime = timestamppb.New(at.Add(-l.Entry.GetClockOffset().AsDuration()))
			l.Received = morning.Add(10 * time.Hour)
		}
	}
	return out
}

// byEntries is a job's state told with entries instead of line numbers.
func byEntries(j *record.Job, at time.Time) string {
	s := j.State(at, record.Outside{})
	id := map[int64]string{}
	for _, l := range j.Lines() {
		id[l.Seq] = l.Entry.GetId()[30:]
	}
	var out []string
	for _, st := range s.Steps {
		var entries []string
		for _, e := range st.Entries {
			entries = append(entries, fmt.Sprint(e.Line.Entry.GetId()[30:], " ", e.Time.Format("15:04"), " ", e.Verdict, e.Withdrawn, e.Counts))
		}
		out = append(out, fmt.Sprint("step ", st.Step.ID, " ", st.State, " ", st.Verdict, " ", st.Sentence, " ", entries))
	}
	for _, h := range s.Holds {
		out = append(out, "hold "+h.Gate)
	}
	for _, d := range s.Doubts {
		out = append(out, fmt.Sprint("doubt ", d.ID, " ", d.Steps))
	}
	for _, x := range s.Exceptions {
		var causes []string
		for _, n := range x.Lines {
			causes = append(causes, id[n])
		}
		slices.Sort(causes)
		// One that gathers several steps names the one whose line came first.
		out = append(out, fmt.Sprint("exception ", x.Kind, " ", causes))
	}
	slices.Sort(out)
	return at.Format("15:04\n") + strings.Join(out, "\n") + "\n"
}

func difference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	var b strings.Builder
	for _, l := range g {
		if !slices.Contains(w, l) {
			fmt.Fprintln(&b, "got only here: ", l)
		}
	}
	for _, l := range w {
		if !slices.Contains(g, l) {
			fmt.Fprintln(&b, "wanted:        ", l)
		}
	}
	return b.String()
}
