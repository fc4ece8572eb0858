package record_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/procedure/proceduretest"
	"witnessmark/internal/record"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// widePlan has n connections, two to a line.
func widePlan(n int) *recordv1.Plan {
	p := &recordv1.Plan{}
	for i := range n {
		id := fmt.Sprintf("L%03d", i/2)
		if i%2 == 0 {
			p.Lines = append(p.Lines, &recordv1.Plan_Line{Id: id, Title: id, Medium: recordv1.Plan_Line_COAX})
		}
		p.Connections = append(p.Connections, &recordv1.Plan_Connection{Id: fmt.Sprintf("C%03d", i), Line: id, Interface: "7-16"})
	}
	return p
}

// BenchmarkAdvance asks whether the 5,000th entry of a job costs what the 50th
// does: times/50th is the ratio of the medians over the 100 entries around each.
func BenchmarkAdvance(b *testing.B) {
	for _, tc := range []struct {
		name string
		of   func(s *story, i int) *record.Line
	}{
		{"entries spread over steps", func(s *story, i int) *record.Line {
			at := by{person: ana, device: phoneA, at: time.Hour + time.Duration(i)*time.Second, climb: climbID}
			return s.line(at, s.entry(at, fmt.Sprintf("connection:C%03d/couple/clean", i%500), confirm(recordv1.Confirmed_DONE)))
		}},
		{"a late entry in each twenty", func(s *story, i int) *record.Line {
			at := by{person: ana, device: phoneA, at: time.Hour + time.Duration(i)*time.Second, climb: climbID}
			if i%20 == 19 {
				at.device, at.person, at.late = fmt.Sprintf("devices/late-%d", i), ben, 4*time.Hour
				at.at -= at.late
			}
			return s.line(at, s.entry(at, fmt.Sprintf("connection:C%03d/couple/clean", i%50), confirm(recordv1.Confirmed_DONE)))
		}},
		{"all readings on one step", func(s *story, i int) *record.Line {
			at := by{person: ana, device: phoneA, at: time.Hour + time.Duration(i)*time.Second}
			return s.line(at, s.entry(at, "line:L000/test/return-loss", loss(22)))
		}},
		{"a kit check in each hundred", func(s *story, i int) *record.Line {
			at := by{person: ana, device: phoneA, at: time.Hour + time.Duration(i)*time.Second}
			if i%100 == 99 {
				return s.line(at, s.entry(at, selfCheck, kit("instruments/pim-1", -175)))
			}
			return s.line(at, s.entry(at, fmt.Sprintf("line:L%03d/test/intermodulation", i%250), level(-165, "instruments/pim-1")))
		}},
	} {
		b.Run(tc.name, func(b *testing.B) {
			var ratios, lasts []float64
			for b.Loop() {
				s := newStoryOf(b, proceduretest.Compiled(b), widePlan(500))
				s.crewReady(ana, ben)
				took := make([]time.Duration, 5050)
				for i := range took {
					l := tc.of(s, i)
					l.Seq = s.job.Size() + 1
					begin := time.Now()
					if _, err := s.job.Advance(l); err != nil {
						b.Fatal(err)
					}
					took[i] = time.Since(begin)
				}
				median := func(d []time.Duration) float64 {
					d = slices.Clone(d)
					slices.Sort(d)
					return float64(d[len(d)/2].Nanoseconds())
				}
				early, late := median(took[:100]), median(took[4950:])
				ratios, lasts = append(ratios, late/early), append(lasts, late/1000)
			}
			slices.Sort(ratios)
			slices.Sort(lasts)
			b.ReportMetric(ratios[len(ratios)/2], "times/50th")
			b.ReportMetric(lasts[len(lasts)/2], "µs/5000th")
		})
	}
}

// BenchmarkState asks how long the whole picture of a large job takes: 500
// connections and 12 steps of each, half of them entered.
func BenchmarkState(b *testing.B) {
	doc := string(proceduretest.Document())
	more := ""
	for i := range 9 {
		more += fmt.Sprintf("      - id: more-%d\n        title: More\n        instruction: Look.\n        confirm: {}\n", i)
	}
	const at = "      - id: photos\n"
	c := compile(b, replaceOnce(doc, at, more+at))
	s := newStoryOf(b, c, widePlan(500))
	s.crewReady(ana, ben)
	for i := range 3000 {
		step := fmt.Sprintf("connection:C%03d/couple/more-%d", i%500, i/500)
		s.say(by{person: ana, device: phoneA, at: time.Hour + time.Duration(i)*time.Second, climb: climbID}, step, confirm(recordv1.Confirmed_DONE))
	}
	now := morning.Add(3 * time.Hour)
	for b.Loop() {
		st := s.job.State(now, record.Outside{})
		if st.Counts.All < 6000 {
			b.Fatalf("the job has %d steps; want 6,000 and more", st.Counts.All)
		}
	}
}
