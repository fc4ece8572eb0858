package seal

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"witnessmark/internal/errs"
)

// maxNotes bounds the notes of one report; more are counted, not kept.
const maxNotes = 1000

// Failure is the first thing wrong with a record.
type Failure struct {
	Line   uint64 // 1 is the first; the position in the file, whatever seq says
	Reason string // stable, UPPER_SNAKE
	Msg    string // one sentence
}

// Error says the line, the reason and the sentence.
func (f *Failure) Error() string { return fmt.Sprintf("line %d: %s: %s", f.Line, f.Reason, f.Msg) }

// Note is something to know that does not make a record invalid.
type Note struct {
	Line   uint64
	Reason string // CHAIN_GAP, CHAIN_FORKED, CHAIN_ABSENT, LOCKED_WITHOUT_SIGN_OFF
	Device string
	Msg    string
}

// Chain is what one device contributed to a record.
type Chain struct {
	Device      string
	Entries     uint64
	LastCounter uint64
	LastHash    Hash // of the payload with LastCounter; of the later line if forked
}

// Report is the result of VerifyRecord. Size, Root and the rest cover the lines
// up to the failure, if there is one.
type Report struct {
	Failure *Failure // nil: every check passed
	Notes   []Note   // in line order
	Omitted int      // notes over the bound of 1000

	Job      string
	Size     uint64
	Root     Hash
	Signed   uint64 // lines with a device signature, each of which verified
	Attested uint64 // lines that the server stands for
	Chains   []Chain

	SignedOff     *SignOff // nil if no line signs off
	SignedOffLine uint64
	Locked        *Lock // nil if the record is open
	LockedLine    uint64
	LockedTime    time.Time
}

// Options are what VerifyRecord cannot read from the record.
type Options struct {
	Keys Keys // device keys by key id
	// Refused holds the hashes of refused entries' payloads: a device's chain
	// runs over accepted and refused entries.
	Refused map[Hash]bool
	// Visit, if not nil, is called with each line that passed, in order. An
	// error stops the check and is returned.
	Visit func(Line, Entry) error
}

// VerifyRecord checks the bytes of record.jsonl as far as hashes and signatures
// go: lines each ended by one line feed, seq unbroken from 1, one job, no entry
// twice, every device signature by a known key, each device's chain of counter
// and previous hash, the sign-off over size and root of the lines before it,
// sign-off and locked as the last two lines. A record that is still open passes;
// Locked tells. The caller compares Root and Size with the log.
//
// The first failure by line stops the check and stands in the report. Missing
// counters (CHAIN_GAP) and a counter used twice (CHAIN_FORKED) are notes: phones
// lose entries and are restored from copies. A previous hash that no entry with
// the counter before it has, although there is such an entry, is a failure.
//
// Its reasons are those of ParseLine, CheckJSON and VerifySignature, and
// LINE_UNTERMINATED, SEQ_BROKEN, PAYLOAD_TYPE, ENTRY_MEMBER, JOB_DIFFERS,
// ENTRY_TWICE, KEY_MISSING, CHAIN_START, CHAIN_BROKEN, SIGN_OFF_SIZE,
// SIGN_OFF_ROOT, SIGN_OFF_NOT_LAST, LOCKED_NOT_LAST.
//
// The error is r's or Visit's own. Memory grows with the number of lines (ids
// and hashes), never with their length.
func VerifyRecord(r io.Reader, o Options) (Report, error) {
	v := &verifier{o: o, tree: NewTree(), ids: map[string]uint64{}, chains: map[string]*chain{}}
	err := v.read(r)
	v.finish()
	return v.report, err
}

type verifier struct {
	o      Options
	tree   *Tree
	ids    map[string]uint64 // entry id to line
	chains map[string]*chain
	report Report
}

// chain is one device's entries by counter.
type chain struct {
	byCounter map[uint64][]link
}

// link is one entry of a device's chain.
type link struct {
	line     uint64
	payload  Hash
	previous *Hash
}

// EachLine calls f with each line of r, without its line feed, and its number
// from 1. The slice is f's only until it returns.
//
// Errors: r's or f's own; Corrupt, LINE_UNTERMINATED, if the last line does not
// end in a line feed; TooLarge, LINE_TOO_LONG.
func EachLine(r io.Reader, f func(n uint64, line []byte) error) error {
	in := bufio.NewReaderSize(r, 64<<10)
	var long []byte
	for n := uint64(1); ; n++ {
		line, err := in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			long = append(long[:0], line...)
			for errors.Is(err, bufio.ErrBufferFull) && len(long) <= MaxLine {
				line, err = in.ReadSlice('\n')
				long = append(long, line...)
			}
			if line = long; errors.Is(err, bufio.ErrBufferFull) || len(long) > MaxLine+1 {
				return errs.Newf(errs.TooLarge, "LINE_TOO_LONG", "line %d is over the bound of %d bytes", n, MaxLine)
			}
		}
		if err == io.EOF {
			if len(line) > 0 {
				return errs.Newf(errs.Corrupt, "LINE_UNTERMINATED", "line %d does not end in a line feed", n)
			}
			return nil
		}
		if err != nil {
			return err
		}
		if err := f(n, line[:len(line)-1]); err != nil {
			return err
		}
	}
}

// errStop ends reading after a failure is in the report.
var errStop = errors.New("stop")

func (v *verifier) read(r io.Reader) error {
	err := EachLine(r, v.line)
	if errors.Is(err, errStop) {
		return nil
	}
	if errs.Is(err, "LINE_UNTERMINATED") || errs.Is(err, "LINE_TOO_LONG") {
		v.fail(v.tree.Size()+1, err)
		return nil
	}
	return err
}

// fail puts err into the report and returns errStop.
func (v *verifier) fail(line uint64, err error) error {
	f := &Failure{Line: line, Reason: "INTERNAL", Msg: err.Error()}
	var e *errs.Error
	if errors.As(err, &e) {
		f.Reason, f.Msg = e.Reason, e.Msg
	}
	v.report.Failure = f
	return errStop
}

func (v *verifier) failf(line uint64, reason, format string, args ...any) error {
	return v.fail(line, errs.Newf(errs.Corrupt, reason, format, args...))
}

func (v *verifier) line(n uint64, b []byte) error {
	l, err := ParseLine(b)
	if err != nil {
		return v.fail(n, err)
	}
	if v.report.LockedLine != 0 {
		return v.failf(n, "LOCKED_NOT_LAST", "a line follows the lock in line %d", v.report.LockedLine)
	}
	if l.Seq != n {
		return v.failf(n, "SEQ_BROKEN", "seq is %d where %d is due: a line is missing, moved or added", l.Seq, n)
	}
	if l.PayloadType != EntryType {
		return v.failf(n, "PAYLOAD_TYPE", "the payload type is %q, an entry's is %q", short(l.PayloadType), EntryType)
	}
	e, err := ParseEntry(l.Payload)
	if err != nil {
		return v.fail(n, err)
	}
	// The chain is judged when all lines are known; a signature that is wrong as
	// well must not hide the more telling reason, so the entry joins it first.
	v.join(e, link{n, Sum(l.Payload), e.Previous}, len(l.Signatures) > 0)
	switch {
	case v.report.Job == "":
		v.report.Job = e.Job
	case e.Job != v.report.Job:
		return v.failf(n, "JOB_DIFFERS", "the entry belongs to %q, the record to %q", short(e.Job), short(v.report.Job))
	}
	if had, ok := v.ids[e.ID]; ok {
		return v.failf(n, "ENTRY_TWICE", "the entry %q stands in line %d already", short(e.ID), had)
	}
	v.ids[e.ID] = n
	for _, s := range l.Signatures {
		key, ok := v.o.Keys[s.KeyID]
		if !ok {
			return v.failf(n, "KEY_MISSING", "the device key %s is not among the keys", s.KeyID)
		}
		if err := VerifySignature(key, l.PayloadType, l.Payload, s.Sig); err != nil {
			return v.fail(n, err)
		}
	}
	if err := v.order(n, e); err != nil {
		return err
	}
	if err := v.tree.Append(LeafHash(b), nil); err != nil {
		return v.fail(n, err)
	}
	if e.Locked != nil {
		v.report.LockedTime = l.Received
	}
	if len(l.Signatures) > 0 {
		v.report.Signed++
	} else {
		v.report.Attested++
	}
	if v.o.Visit != nil {
		return v.o.Visit(l, e)
	}
	return nil
}

// order holds the ends of a record: sign-off over all before it, then locked,
// then nothing. The tree holds the lines before line n.
func (v *verifier) order(n uint64, e Entry) error {
	if v.report.SignedOffLine != 0 && (e.Locked == nil || e.SignedOff != nil) {
		return v.failf(n, "SIGN_OFF_NOT_LAST", "after the sign-off in line %d only the lock follows", v.report.SignedOffLine)
	}
	if e.SignedOff != nil {
		if e.Locked != nil {
			return v.failf(n, "SIGN_OFF_NOT_LAST", "one entry both signs off and locks")
		}
		if e.SignedOff.Size != v.tree.Size() {
			return v.failf(n, "SIGN_OFF_SIZE", "the sign-off is over %d lines, before it stand %d", e.SignedOff.Size, v.tree.Size())
		}
		if e.SignedOff.Root != v.tree.Root() {
			return v.failf(n, "SIGN_OFF_ROOT", "the sign-off is over another root than that of the %d lines before it", v.tree.Size())
		}
		v.report.SignedOff, v.report.SignedOffLine = e.SignedOff, n
	}
	if e.Locked != nil {
		v.report.Locked, v.report.LockedLine = e.Locked, n
		if v.report.SignedOffLine == 0 {
			v.note(Note{Line: n, Reason: "LOCKED_WITHOUT_SIGN_OFF", Msg: "the record is locked and nobody signed it off: right only for a job that was ended unfinished"})
		}
	}
	return nil
}

// join adds an entry to its device's chain. An entry without a device or
// without a counter is in no chain; clients without a key may leave both out.
func (v *verifier) join(e Entry, at link, signed bool) {
	if e.Device == "" || e.Counter == 0 {
		if signed {
			v.note(Note{Line: at.line, Reason: "CHAIN_ABSENT", Device: e.Device, Msg: "the entry is signed but names no device or no counter, so a gap before it would not show"})
		}
		return
	}
	c := v.chains[e.Device]
	if c == nil {
		c = &chain{byCounter: map[uint64][]link{}}
		v.chains[e.Device] = c
	}
	c.byCounter[e.Counter] = append(c.byCounter[e.Counter], at)
}

func (v *verifier) note(n Note) {
	if len(v.report.Notes) >= maxNotes {
		v.report.Omitted++
		return
	}
	v.report.Notes = append(v.report.Notes, n)
}

// finish judges the chains, which wait for all lines because a device's entries
// can arrive out of order, and sums up.
func (v *verifier) finish() {
	for _, device := range slices.Sorted(maps.Keys(v.chains)) {
		v.judge(device, v.chains[device])
	}
	slices.SortStableFunc(v.report.Notes, func(a, b Note) int {
		return int(min(max(int64(a.Line)-int64(b.Line), -1), 1))
	})
	v.report.Size, v.report.Root = v.tree.Size(), v.tree.Root()
}

func (v *verifier) judge(device string, c *chain) {
	sum := Chain{Device: device}
	for _, counter := range slices.Sorted(maps.Keys(c.byCounter)) {
		here := c.byCounter[counter]
		before := c.byCounter[counter-1]
		for _, at := range here {
			sum.Entries++
			sum.LastCounter, sum.LastHash = counter, at.payload
			switch prev := at.previous; {
			case counter == 1 && prev != nil:
				v.chainFails(at, "CHAIN_START", "the first entry of %s names an entry before it", device)
			case counter == 1:
			case prev == nil:
				v.chainFails(at, "CHAIN_START", "entry %d of %s names none before it", counter, device)
			case v.o.Refused[*prev]:
			case len(before) == 0:
				v.note(Note{Line: at.line, Reason: "CHAIN_GAP", Device: device,
					Msg: fmt.Sprintf("entry %d of %s is here, entry %d is not", counter, device, counter-1)})
			case !slices.ContainsFunc(before, func(b link) bool { return b.payload == *prev }):
				v.chainFails(at, "CHAIN_BROKEN", "entry %d of %s follows another entry %d than the one in line %d", counter, device, counter-1, before[0].line)
			}
		}
		if len(here) > 1 {
			v.note(Note{Line: here[1].line, Reason: "CHAIN_FORKED", Device: device,
				Msg: fmt.Sprintf("%s has %d entries with the counter %d", device, len(here), counter)})
		}
	}
	v.report.Chains = append(v.report.Chains, sum)
}

// chainFails puts a chain's failure into the report unless an earlier line
// already fails.
func (v *verifier) chainFails(at link, reason, format string, args ...any) {
	f := v.report.Failure
	if f == nil || at.line < f.Line || at.line == f.Line && f.Reason != "CHAIN_START" && f.Reason != "CHAIN_BROKEN" {
		v.report.Failure = &Failure{Line: at.line, Reason: reason, Msg: fmt.Sprintf(format, args...)}
	}
}
