package evidence

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Difference is a place where doing the calculation again does not give what
// the line says.
type Difference struct {
	Seq      int64
	List     seal.List
	Step     string
	What     string // "verdict", "limit", "rules" or "sentence"
	Said     string
	Computed string
}

// Weighty says that the difference bears on an outcome, not on wording.
func (d Difference) Weighty() bool { return d.What != "sentence" }

// String names the line, the step and both verdicts or sentences.
func (d Difference) String() string {
	s := fmt.Sprintf("line %d", d.Seq)
	if d.List == seal.ListAddenda {
		s = fmt.Sprintf("addendum %d", d.Seq)
	}
	if d.Step != "" {
		s += " (" + d.Step + ")"
	}
	return fmt.Sprintf("%s: %s said %s, computed again %s", s, d.What, d.Said, d.Computed)
}

// maxDifferences bounds what one replay lists.
const maxDifferences = 1000

// replay folds a record's lines again, with nothing but the facts that each
// line pins, and holds what comes out against what the line says.
type replay struct {
	job     *record.Job
	said    []*recordv1.Assessment // by seq - 1
	tree    *seal.Tree
	differ  []Difference
	omitted int

	// beforeEnd is the state before the line that signs off or ends the job.
	beforeEnd *record.State
	end       *record.Line // that line
	blockers  []record.Blocker
	endRoot   seal.Hash // of the lines before it
	outside   record.Outside
}

func newReplay(c *procedure.Compiled, out record.Outside) *replay {
	return &replay{job: record.Open(c), tree: seal.NewTree(), outside: out}
}

// add folds the next line.
func (r *replay) add(raw []byte, p *Parsed) error {
	l := p.Fold
	if l.Entry.GetSignedOff() != nil || l.Entry.GetEndedUnfinished() != nil {
		r.beforeEnd, r.end, r.endRoot = r.job.State(l.Received, r.outside), l, r.tree.Root()
		r.blockers = r.job.BlockersOf(r.beforeEnd, l.Entry.GetAuthor(), l.Entry.GetSignedOff().GetFourEyesWaiver())
	}
	said := l.Assessment
	if said != nil {
		l.Assessment = proto.Clone(said).(*recordv1.Assessment)
	}
	now, err := r.job.Advance(l)
	if err != nil {
		return err
	}
	r.said = append(r.said, said)
	if said != nil {
		r.compare(seal.ListRecord, l, said, now)
	}
	return r.tree.Append(seal.LeafHash(raw), nil)
}

// addendum judges a line that came after the lock, as the server did.
func (r *replay) addendum(l *record.Line) *recordv1.Assessment {
	said := l.Assessment
	if said == nil {
		return nil
	}
	l = &record.Line{Seq: l.Seq, Received: l.Received, Entry: l.Entry, PayloadDigest: l.PayloadDigest, KeyID: l.KeyID, Person: l.Person, Device: l.Device,
		Assessment: proto.Clone(said).(*recordv1.Assessment)}
	now := r.job.AssessAddendum(l)
	if record.ServerMade(l.Entry) {
		return now // facts: nothing is judged
	}
	r.compare(seal.ListAddenda, l, said, now)
	return now
}

func (r *replay) compare(list seal.List, l *record.Line, said, now *recordv1.Assessment) {
	add := func(what, a, b string) {
		if len(r.differ) >= maxDifferences {
			r.omitted++
			return
		}
		r.differ = append(r.differ, Difference{Seq: l.Seq, List: list, Step: l.Entry.GetStep(), What: what, Said: a, Computed: b})
	}
	judged := said.GetVerdict() != 0 || now.GetVerdict() != 0 || said.GetLimit() != nil || now.GetLimit() != nil
	if a, b := said.GetPinned().GetRules(), now.GetPinned().GetRules(); judged && a != b {
		add("rules", quoted(a), quoted(b))
		return // other rules may well judge otherwise; that is not a difference of the record
	}
	if a, b := said.GetVerdict(), now.GetVerdict(); a != b {
		add("verdict", verdictWord(a), verdictWord(b))
	}
	if a, b := limitText(said.GetLimit()), limitText(now.GetLimit()); !sameLimit(said.GetLimit(), now.GetLimit()) {
		add("limit", a, b)
	}
	if judged && said.GetSentence() != now.GetSentence() {
		add("sentence", quoted(said.GetSentence()), quoted(now.GetSentence()))
	}
}

func quoted(s string) string { return fmt.Sprintf("%.300q", s) }

// sameLimit holds two limits against each other, numbers rounded to 1e-6.
func sameLimit(a, b *recordv1.Assessment_AppliedLimit) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	near := func(x, y *float64) bool {
		if x == nil || y == nil {
			return x == nil && y == nil
		}
		return math.Round(*x*1e6) == math.Round(*y*1e6)
	}
	return near(a.Lower, b.Lower) && near(a.Upper, b.Upper) && near(&a.Guard, &b.Guard) && a.GetUnit() == b.GetUnit() && a.GetRule() == b.GetRule()
}

// eachLine calls f with each line of a list, by pages, up to size lines (all if
// size is negative). The slice is f's only until it returns.
func eachLine(ctx context.Context, src Source, list string, size int64, f func(n int64, line []byte) error) (int64, error) {
	const page = 500
	var n int64
	for size < 0 || n < size {
		want := page
		if size >= 0 {
			want = int(min(int64(page), size-n))
		}
		lines, err := src.Lines(ctx, list, n, want)
		if err != nil {
			return n, fmt.Errorf("read the lines of the list %s after %d: %w", list, n, err)
		}
		for _, l := range lines {
			if bytes.IndexByte(l, '\n') >= 0 {
				return n, errs.Newf(errs.Corrupt, "LINE_BREAK", "line %d of the list %s has a line break in it", n+1, list)
			}
			n++
			if err := f(n, l); err != nil {
				return n, err
			}
		}
		if len(lines) < want {
			break
		}
	}
	if size >= 0 && n < size {
		return n, errs.Newf(errs.Corrupt, "LINES_MISSING", "the list %s has %d lines where %d were", list, n, size)
	}
	return n, ctx.Err()
}

// listReader streams the first size lines of a list, each with its line feed.
type listReader struct {
	ctx     context.Context
	src     Source
	list    string
	at      int64
	size    int64
	pending []byte
	off     int
}

func (r *listReader) Read(p []byte) (int, error) {
	for r.off == len(r.pending) {
		if r.at >= r.size {
			return 0, io.EOF
		}
		lines, err := r.src.Lines(r.ctx, r.list, r.at, int(min(100, r.size-r.at)))
		if err != nil {
			return 0, err
		}
		if len(lines) == 0 {
			return 0, errs.Newf(errs.Corrupt, "LINES_MISSING", "the list %s has %d lines where %d were", r.list, r.at, r.size)
		}
		r.pending, r.off = r.pending[:0], 0
		for _, l := range lines[:min(int64(len(lines)), r.size-r.at)] {
			r.pending = append(append(r.pending, l...), '\n')
			r.at++
		}
	}
	n := copy(p, r.pending[r.off:])
	r.off += n
	return n, nil
}

func (r *listReader) Close() error { return nil }
