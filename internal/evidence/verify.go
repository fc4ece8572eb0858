package evidence

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/bag"
	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Bounds of the small files of a package.
const (
	maxNames     = 4 << 20
	maxProcedure = 4 << 20
	maxProof     = 64 << 10
	maxKey       = 16 << 10
	maxManifest  = 64 << 20
	maxNotes     = 1000
)

// Outcome is how one check came out.
type Outcome string

// The outcomes.
const (
	Checked    Outcome = "checked"
	Failed     Outcome = "failed"
	NotChecked Outcome = "not checked"
)

// Check is one line of a verification.
type Check struct {
	Name    string  `json:"name"` // stable: ARCHIVE, BAG, LINES …
	Title   string  `json:"title"`
	Outcome Outcome `json:"outcome"`
	Detail  string  `json:"detail"` // what was found; of a check that was not made: why
}

// Failure is the first thing wrong with a package.
type Failure struct {
	Check    string `json:"check"`
	Reason   string `json:"reason"` // stable, UPPER_SNAKE
	Subject  string `json:"subject"`
	Sentence string `json:"sentence"`
}

// Error says the reason, what it is about and the sentence.
func (f *Failure) Error() string { return f.Reason + ": " + f.Subject + ": " + f.Sentence }

// Note is something to know that does not make a package wrong.
type Note struct {
	Reason   string `json:"reason"` // stable, UPPER_SNAKE
	Subject  string `json:"subject"`
	Sentence string `json:"sentence"`
}

// Result is what a verification found.
type Result struct {
	Checks  []Check  `json:"checks"`
	Failure *Failure `json:"failure,omitempty"` // nil: nothing is wrong
	Notes   []Note   `json:"notes,omitempty"`
	Omitted int      `json:"notesOmitted,omitempty"` // notes over the bound of 1000

	// Pinned says that the log's signatures were checked with a key that the
	// caller gave. Without it the package is only consistent in itself.
	Pinned      bool   `json:"pinned"`
	Fingerprint string `json:"fingerprint,omitempty"` // of the key in the package: SHA-256 of its DER form
	LogKey      string `json:"logKey,omitempty"`      // the same key as a signed note's verifier key

	Job          string    `json:"job,omitempty"`
	Title        string    `json:"title,omitempty"`
	Organization string    `json:"organization,omitempty"`
	LogOrigin    string    `json:"logOrigin,omitempty"`
	State        string    `json:"state,omitempty"` // "complete" or "ended unfinished", once calculated again
	Lines        uint64    `json:"lines"`
	Root         string    `json:"root,omitempty"`       // hex
	SignedBy     string    `json:"signedBy,omitempty"`   // "people/…"
	SignedName   string    `json:"signedName,omitempty"` // his name, where the lock covers it
	LockedTime   time.Time `json:"lockedTime,omitzero"`
	LogSize      uint64    `json:"logSize,omitempty"` // of the checkpoint
	Photos       int       `json:"photos"`
	Addenda      int64     `json:"addenda,omitempty"`
	Refused      int       `json:"refused,omitempty"`

	Differences []Difference `json:"differences,omitempty"` // between verdicts said and computed again
}

// Verified reports that nothing is wrong and that the log's key was pinned.
func (r *Result) Verified() bool { return r.Failure == nil && r.Pinned }

// Options are what the caller knows from elsewhere.
type Options struct {
	// LogKeys are the log's keys that the caller trusts; several across a
	// rotation. LogPEM are the same as SubjectPublicKeyInfo, PEM or DER, which
	// names no log: they are taken for the log that the package names.
	LogKeys []seal.LogPublicKey
	LogPEM  [][]byte
}

// The checks, in order.
var checkTitles = []struct{ name, title string }{
	{"ARCHIVE", "form of the archive"},
	{"BAG", "every file there, every digest right, the archive rebuilt the same"},
	{"LINES", "lines parse, none is missing or moved"},
	{"SIGNATURES", "device signatures and their chains"},
	{"SIGN_OFF", "sign-off over the lines before it, by another person than the doers"},
	{"LOCK", "the lock covers names and refused entries"},
	{"PHOTOS", "every photo that was received is there and none else"},
	{"TRACES", "every trace that was received is there"},
	{"LOG", "the record stands in the log under the checkpoint"},
	{"STATE", "calculated again: complete, with the same verdicts"},
	{"ADDENDA", "what came after the lock"},
	{"MANIFEST", "the log's key signed the manifest"},
	{"READY_SIGNATURES", "signatures made ready for openssl"},
	{"TIME_STAMPS", "time-stamps of a third party"},
}

// verification is one run.
type verification struct {
	ctx context.Context
	o   Options
	res *Result
	bag *bag.Bag

	digests  map[string][32]byte // payload files by path, from the manifest that the bag check has verified
	keys     seal.Keys
	compiled *procedure.Compiled
	record   seal.Report
	fold     *replay
	last     *recordv1.Entry
	lockTime time.Time
	refused  []RefusedLine
	refTree  []seal.Hash // roots of the refused list by size
	have     originals
	ready    map[string][2][]byte // path without ending → PAE, DER
	logKeys  []seal.LogPublicKey  // what signatures are checked with
	addenda  [][]byte
}

// Verify checks a package: size bytes of r. It does every check that can be
// done, in the order of the format's contract; the first failure is named. It
// reads everything within bounds and trusts nothing in the package.
//
// A nil error does not mean that the package is right: Result says that. The
// error is r's own or ctx's.
func Verify(ctx context.Context, r io.ReaderAt, size int64, o Options) (*Result, error) {
	v := &verification{ctx: ctx, o: o, res: &Result{}, ready: map[string][2][]byte{}, have: newOriginals()}
	err := v.run(ctxReaderAt{ctx, r}, size)
	// What was not reached says why.
	for _, c := range checkTitles[len(v.res.Checks):] {
		why := "an earlier check failed"
		if err != nil {
			why = "the package could not be read"
		}
		v.res.Checks = append(v.res.Checks, Check{c.name, c.title, NotChecked, why})
	}
	return v.res, err
}

type ctxReaderAt struct {
	ctx context.Context
	r   io.ReaderAt
}

func (c ctxReaderAt) ReadAt(p []byte, off int64) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.ReadAt(p, off)
}

// wrong is a failure of one check.
func wrong(reason, subject, format string, args ...any) *Failure {
	return &Failure{Reason: reason, Subject: subject, Sentence: fmt.Sprintf(format, args...)}
}

// wrongBecause turns a classified error into a failure.
func wrongBecause(subject string, err error) *Failure {
	f := &Failure{Reason: "UNREADABLE", Subject: subject, Sentence: err.Error()}
	var e *errs.Error
	var ps procedure.Problems
	switch {
	case errors.As(err, &e):
		f.Reason, f.Sentence = e.Reason, e.Msg
	case errors.As(err, &ps):
		f.Reason = "PROCEDURE_INVALID"
	}
	if len(f.Sentence) > 1000 {
		f.Sentence = strings.ToValidUTF8(f.Sentence[:1000], "?") + "…"
	}
	return f
}

// report adds the outcome of the next check.
func (v *verification) report(f *Failure, detail string) bool {
	c := checkTitles[len(v.res.Checks)]
	out := Check{c.name, c.title, Checked, detail}
	if f != nil {
		f.Check = c.name
		out.Outcome, out.Detail = Failed, f.Subject+": "+f.Sentence+" ("+f.Reason+")"
		if v.res.Failure == nil {
			v.res.Failure = f
		}
	}
	v.res.Checks = append(v.res.Checks, out)
	return f == nil
}

func (v *verification) skip(why string) {
	c := checkTitles[len(v.res.Checks)]
	v.res.Checks = append(v.res.Checks, Check{c.name, c.title, NotChecked, why})
}

func (v *verification) note(reason, subject, format string, args ...any) {
	if len(v.res.Notes) >= maxNotes {
		v.res.Omitted++
		return
	}
	v.res.Notes = append(v.res.Notes, Note{reason, subject, fmt.Sprintf(format, args...)})
}

func (v *verification) run(r io.ReaderAt, size int64) error {
	b, err := bag.Open(r, size)
	if err != nil {
		if errs.KindOf(err) == errs.Corrupt || errs.KindOf(err) == errs.TooLarge {
			v.report(wrongBecause("the archive", err), "")
			return nil
		}
		return err
	}
	v.bag = b
	v.report(nil, fmt.Sprintf("%s, %s, nothing between them", count(len(b.Files()), "file"), bytesText(size)))

	problems, err := b.Verify()
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		p := problems[0]
		v.report(wrong(p.Reason, first(p.Path, "the archive"), "%s", p.Msg), "")
		for _, p := range problems[1:] {
			v.note(p.Reason, first(p.Path, "the archive"), "%s", p.Msg)
		}
		return nil
	}
	v.report(nil, "complete and valid, byte for byte")

	for _, step := range []func() error{v.lines, v.signOff, v.lock, v.photos, v.traces, v.log, v.state, v.addendaList, v.manifest, v.readySignatures} {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		if err := step(); err != nil {
			return err
		}
	}
	v.skip("there are none in the package")
	v.unknownFiles()
	return nil
}

// unknownFiles lists what the format does not name: a newer program may add.
func (v *verification) unknownFiles() {
	known := []string{"data/HOWTO.txt", "data/record.jsonl", "data/addenda.jsonl", "data/refused.jsonl", "data/procedure.yaml", "data/names.json",
		"data/log/leaf.json", "data/log/inclusion.json", "data/log/checkpoint.txt", "data/log/log.pem", "data/log/log.vkey", "data/log/addenda-leaf.json", "data/log/addenda-inclusion.json",
		"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "manifest.note"}
	folders := []string{"data/photos/", "data/files/", "data/derived/", "data/signatures/", "data/keys/"}
	for _, e := range v.bag.Files() {
		if !slices.Contains(known, e.Path) && !slices.ContainsFunc(folders, func(f string) bool { return strings.HasPrefix(e.Path, f) }) {
			v.note("FILE_UNKNOWN", e.Path, "this program does not know what it is for; the manifest covers it")
		}
	}
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

func bytesText(n int64) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// file reads a small file; nil and a failure if it is not there or too large.
func (v *verification) file(path string, limit int64) ([]byte, *Failure, error) {
	b, err := v.bag.ReadFile(path, limit)
	switch errs.ReasonOf(err) {
	case "BAG_FILE_MISSING":
		return nil, wrong("FILE_MISSING", path, "the package does not have it"), nil
	case "BAG_FILE_TOO_LARGE":
		return nil, wrong("FILE_TOO_LARGE", path, "it is over the bound of %d bytes", limit), nil
	}
	return b, nil, err
}

// contents reads the payload manifest, which the bag check has held against
// every file, the keys, the procedure, the names and the refused list.
func (v *verification) contents() (*Failure, error) {
	b, f, err := v.file("manifest-sha256.txt", maxManifest)
	if f != nil || err != nil {
		return f, err
	}
	v.digests = map[string][32]byte{}
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSuffix(line, "\n")
		if len(line) < 67 {
			return wrong("MANIFEST_MALFORMED", "manifest-sha256.txt", "a line is too short"), nil
		}
		var d [32]byte
		if _, err := hex.Decode(d[:], []byte(line[:64])); err != nil {
			return wrong("MANIFEST_MALFORMED", "manifest-sha256.txt", "a digest is not hexadecimal"), nil
		}
		v.digests[line[66:]] = d
	}

	v.keys = seal.Keys{}
	for _, e := range v.bag.Files() {
		dir, name := path.Split(e.Path)
		if dir != "data/keys/" {
			continue
		}
		b, f, err := v.file(e.Path, maxKey)
		if f != nil || err != nil {
			return f, err
		}
		key, kerr := seal.ParsePublicKey(b)
		if kerr != nil {
			return wrongBecause(e.Path, kerr), nil
		}
		id, kerr := v.keys.Add(key)
		if kerr != nil {
			return wrongBecause(e.Path, kerr), nil
		}
		if name != id+".pem" {
			return wrong("KEY_NAME", e.Path, "the key in it has the key id %s", id), nil
		}
	}

	if v.bag.Has("data/refused.jsonl") {
		r, err := v.bag.File("data/refused.jsonl")
		if err != nil {
			return nil, err
		}
		tree := seal.NewTree()
		v.refTree = append(v.refTree, tree.Root())
		err = seal.EachLine(r, func(n uint64, line []byte) error {
			p, err := ParseRefused(line)
			if err != nil {
				return errs.Newf(errs.Corrupt, errs.ReasonOf(err), "line %d: %s", n, sentence(err)).Because(err)
			}
			p.Payload, p.Signature = nil, nil
			v.refused = append(v.refused, p)
			if err := tree.Append(seal.LeafHash(line), nil); err != nil {
				return err
			}
			v.refTree = append(v.refTree, tree.Root())
			return v.ctx.Err()
		})
		if err != nil {
			if f := ownFailure("data/refused.jsonl", err); f != nil {
				return f, nil
			}
			return nil, err
		}
	} else {
		v.refTree = []seal.Hash{seal.EmptyRoot()}
	}
	v.res.Refused = len(v.refused)
	return nil, nil
}

func sentence(err error) string {
	var e *errs.Error
	if errors.As(err, &e) {
		return e.Msg
	}
	return err.Error()
}

// ownFailure is a failure for an error about the content; nil for a reader's.
func ownFailure(subject string, err error) *Failure {
	if errs.ReasonOf(err) == "" {
		return nil
	}
	return wrongBecause(subject, err)
}

// signatureReasons are failures of a record that belong to signatures and
// chains, signOffReasons those that belong to the sign-off.
var (
	signatureReasons = []string{"KEY_MISSING", "SIGNATURE_WRONG", "SIGNATURE_MALFORMED", "CHAIN_START", "CHAIN_BROKEN"}
	signOffReasons   = []string{"SIGN_OFF_SIZE", "SIGN_OFF_ROOT", "SIGN_OFF_NOT_LAST"}
)

// lines checks lines and signatures: two checks, one reading.
func (v *verification) lines() error {
	f, err := v.contents()
	if err != nil {
		return err
	}
	if f != nil {
		v.report(f, "")
		v.skip("the lines could not be checked")
		return nil
	}
	r, err := v.bag.File("data/record.jsonl")
	if errs.Is(err, "BAG_FILE_MISSING") {
		v.report(wrong("FILE_MISSING", "data/record.jsonl", "the package has no record"), "")
		v.skip("there is no record")
		return nil
	} else if err != nil {
		return err
	}
	known := map[seal.Hash]bool{}
	for _, f := range v.refused {
		if h, err := hexHash(f.Digest); err == nil {
			known[h] = true
		}
	}
	v.record, err = seal.VerifyRecord(r, seal.Options{Keys: v.keys, Refused: known, Visit: func(seal.Line, seal.Entry) error { return v.ctx.Err() }})
	if err != nil {
		return err
	}
	rep := v.record
	v.res.Job, v.res.Lines, v.res.Root, v.res.LockedTime = rep.Job, rep.Size, rep.Root.String(), rep.LockedTime
	for _, n := range rep.Notes {
		if n.Reason == "LOCKED_WITHOUT_SIGN_OFF" {
			continue // the check of the sign-off says it
		}
		v.note(n.Reason, fmt.Sprintf("line %d", n.Line), "%s", n.Msg)
	}
	v.res.Omitted += rep.Omitted

	var lineFailure, signFailure *Failure
	if x := rep.Failure; x != nil {
		f := wrong(x.Reason, fmt.Sprintf("data/record.jsonl line %d", x.Line), "%s", x.Msg)
		switch {
		case slices.Contains(signatureReasons, x.Reason):
			signFailure = f
		case slices.Contains(signOffReasons, x.Reason):
		default:
			lineFailure = f
		}
	}
	if lineFailure == nil {
		if lineFailure, err = v.replay(); err != nil {
			return err
		}
	}
	if lineFailure == nil && rep.Failure == nil {
		if v.bag.Top != topFolder(rep.Job) {
			lineFailure = wrong("JOB_DIFFERS", "the top folder", "it is named %q, the record is of %q", v.bag.Top, rep.Job)
		}
	}
	v.report(lineFailure, fmt.Sprintf("%s, root %s", count(int(rep.Size), "line"), rep.Root))
	switch {
	case lineFailure != nil && signFailure == nil && rep.Failure != nil:
		v.skip("the lines could not be read")
	default:
		v.report(signFailure, fmt.Sprintf("%s signed by %s, each verified; %d attested by the server", count(int(rep.Signed), "line"), count(len(v.keys), "device key"), rep.Attested))
	}
	return nil
}

func hexHash(s string) (seal.Hash, error) {
	var h seal.Hash
	if len(s) != 64 {
		return h, errors.New("not 64 digits")
	}
	_, err := hex.Decode(h[:], []byte(s))
	return h, err
}

// replay folds the lines again, for every check that asks about the state.
func (v *verification) replay() (*Failure, error) {
	doc, f, err := v.file("data/procedure.yaml", maxProcedure)
	if f != nil || err != nil {
		return f, err
	}
	compiled, cerr := procedure.Compile(doc)
	if cerr != nil {
		return wrongBecause("data/procedure.yaml", cerr), nil
	}
	v.compiled = compiled
	fold := newReplay(compiled, record.Outside{RefusedCounters: refusedCounters(v.refused)})
	r, err := v.bag.File("data/record.jsonl")
	if err != nil {
		return nil, err
	}
	err = seal.EachLine(r, func(n uint64, line []byte) error {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		fail := func(err error) error {
			if f := wrongBecause(fmt.Sprintf("data/record.jsonl line %d", n), err); f != nil {
				return f
			}
			return err
		}
		p, err := ParseLine(bytes.Clone(line))
		if err != nil {
			return fail(err)
		}
		if o := p.Fold.Entry.GetJobOpened(); o != nil && !bytes.Equal(o.GetProcedureDigest(), compiled.Digest[:]) {
			return wrong("PROCEDURE_DIFFERS", "data/procedure.yaml", "it is not the revision that the record pins in line %d", n)
		}
		if err := fold.add(line, p); err != nil {
			return fail(err)
		}
		e := p.Fold.Entry
		v.have.add(e)
		if a := e.GetRefusedAdmitted(); a != nil && !bytes.Equal(a.GetDigest(), sumSlice(a.GetPayload())) {
			return wrong("ADMITTED_DIFFERS", fmt.Sprintf("data/record.jsonl line %d", n), "the admitted payload does not have the digest that the line names")
		}
		if e.GetSignedOff() != nil || e.GetEndedUnfinished() != nil || e.GetLocked() != nil {
			for _, s := range p.Signatures {
				der, err := seal.DERSignature(s.Sig)
				if err != nil {
					return fail(err)
				}
				v.ready[fmt.Sprintf("data/signatures/%d-%s", p.Seq, s.KeyID)] = [2][]byte{seal.PAE(p.PayloadType, p.Payload), der}
			}
		}
		v.last, v.lockTime = e, p.Received
		return nil
	})
	if f := (*Failure)(nil); errors.As(err, &f) {
		return f, nil
	}
	if err != nil {
		if f := ownFailure("data/record.jsonl", err); f != nil {
			return f, nil
		}
		return nil, err
	}
	if fold.job.Size() == 0 {
		return wrong("RECORD_EMPTY", "data/record.jsonl", "the record has no lines"), nil
	}
	v.fold = fold
	v.res.Title = fold.job.Lines()[0].Entry.GetJobOpened().GetTitle()
	return nil, nil
}

func sumSlice(b []byte) []byte {
	h := seal.Sum(b)
	return h[:]
}

const noLines = "the lines could not be read"

// signOff checks who ended the record, over what, and whether he may.
func (v *verification) signOff() error {
	if x := v.record.Failure; x != nil && slices.Contains(signOffReasons, x.Reason) {
		v.report(wrong(x.Reason, fmt.Sprintf("data/record.jsonl line %d", x.Line), "%s", x.Msg), "")
		return nil
	}
	if v.fold == nil {
		v.skip(noLines)
		return nil
	}
	end, size := v.fold.end, v.fold.job.Size()
	if !v.fold.job.Locked() {
		v.report(wrong("NOT_LOCKED", "data/record.jsonl", "the record is still open: its last line is no lock"), "")
		return nil
	}
	if end == nil || end.Seq != size-1 {
		v.report(wrong("SIGN_OFF_MISSING", "data/record.jsonl", "the line before the lock neither signs off nor ends the job"), "")
		return nil
	}
	subject := fmt.Sprintf("data/record.jsonl line %d", end.Seq)
	e := end.Entry
	v.res.SignedBy = e.GetAuthor()
	ended, signed := e.GetEndedUnfinished(), e.GetSignedOff()
	if v.last.GetLocked().GetUnfinished() != (ended != nil) {
		v.report(wrong("LOCK_DIFFERS", fmt.Sprintf("data/record.jsonl line %d", size), "the lock does not say the same as the line before it: ended unfinished or signed off"), "")
		return nil
	}
	overSize, overRoot := signed.GetSize(), signed.GetRoot()
	if ended != nil {
		overSize, overRoot = ended.GetSize(), ended.GetRoot()
	}
	roles := end.Pinned().GetRoles()
	switch own := v.fold.job.WorkOf(e.GetAuthor()); {
	case overSize != size-2:
		v.report(wrong("SIGN_OFF_SIZE", subject, "it is over %d lines, before it stand %d", overSize, size-2), "")
	case !bytes.Equal(overRoot, v.fold.endRoot[:]):
		v.report(wrong("SIGN_OFF_ROOT", subject, "it is over another root than that of the %d lines before it", size-2), "")
	case ended == nil && !slices.Contains(roles, "LEAD"), ended != nil && !slices.Contains(roles, "LEAD") && !slices.Contains(roles, "OFFICE"):
		v.report(wrong("SIGN_OFF_ROLE", subject, "%s was no lead when he signed", e.GetAuthor()), "")
	case end.KeyID == "" && end.Person != e.GetAuthor():
		v.report(wrong("SIGN_OFF_PERSON", subject, "the entry is by %s, the server says that %s was logged in", e.GetAuthor(), first(end.Person, "nobody")), "")
	case ended == nil && len(own) > 0 && signed.GetFourEyesWaiver() == "":
		v.report(wrong("FOUR_EYES", subject, "%s signed off and had made entries on the crew's steps himself: %s", e.GetAuthor(), own[0]), "")
	case ended != nil:
		v.report(nil, fmt.Sprintf("%s ended the job unfinished, over %d lines", e.GetAuthor(), overSize))
	default:
		detail := fmt.Sprintf("%s signed off %d lines", e.GetAuthor(), overSize)
		if w := signed.GetFourEyesWaiver(); w != "" {
			detail += "; four eyes were waived: " + w
			v.note("FOUR_EYES_WAIVED", subject, "the organisation waived that another person than the doers signs: %s", w)
		}
		if end.KeyID == "" {
			v.note("SIGN_OFF_ATTESTED", subject, "no device signed the sign-off: the server attests it")
		}
		v.report(nil, detail)
	}
	return nil
}

// lock checks what the locked line covers besides the lines.
func (v *verification) lock() error {
	names, f, err := v.file("data/names.json", maxNames)
	if err != nil {
		return err
	}
	if f != nil {
		v.report(f, "")
		return nil
	}
	if v.fold == nil || v.last.GetLocked() == nil {
		v.skip(noLines)
		return nil
	}
	l := v.last.GetLocked()
	known, nameErr := ParseNames(names)
	n := l.GetRefused().GetSize()
	switch {
	case len(l.GetNames()) == 0:
		v.report(wrong("NAMES_NOT_COVERED", "data/names.json", "the locked line does not cover it"), "")
	case !bytes.Equal(l.GetNames(), sumSlice(names)):
		v.report(wrong("NAMES_DIFFER", "data/names.json", "it is not the one that the locked line covers"), "")
	case nameErr != nil:
		v.report(wrongBecause("data/names.json", nameErr), "")
	case n < 0 || n > int64(len(v.refused)):
		v.report(wrong("REFUSED_MISSING", "data/refused.jsonl", "the locked line covers %d refused entries, %d are there", n, len(v.refused)), "")
	case l.GetRefused() != nil && !bytes.Equal(l.GetRefused().GetRoot(), v.refTree[n][:]):
		v.report(wrong("REFUSED_DIFFER", "data/refused.jsonl", "the first %d are not those that the locked line covers", n), "")
	default:
		if more := int64(len(v.refused)) - n; more > 0 {
			v.note("REFUSED_LATER", "data/refused.jsonl", "%d were refused after the lock, or are not covered by it", more)
		}
		v.res.SignedName = known.People[v.res.SignedBy]
		v.report(nil, fmt.Sprintf("names.json; %d refused", n))
	}
	return nil
}

// kept checks one folder of originals against what the lines say was received.
func (v *verification) kept(dir string, want map[[32]byte]int64, paths map[[32]byte]string, strict bool) *Failure {
	sizes := map[string]int64{}
	for _, e := range v.bag.Files() {
		if strings.HasPrefix(e.Path, dir) {
			sizes[e.Path] = e.Size
		}
	}
	for _, d := range byDigest(want) {
		p := paths[d]
		size, ok := sizes[p]
		switch {
		case !ok:
			return wrong("ORIGINAL_MISSING", p, "a line says that it was received, and it is not here")
		case v.digests[p] != d:
			return wrong("ORIGINAL_DIFFERS", p, "its bytes do not have the digest that it is named by")
		case size != want[d]:
			return wrong("ORIGINAL_SIZE", p, "it has %d bytes, the line says %d", size, want[d])
		}
		delete(sizes, p)
	}
	rest := make([]string, 0, len(sizes))
	for p := range sizes {
		rest = append(rest, p)
	}
	slices.Sort(rest)
	for _, p := range rest {
		if strict {
			return wrong("ORIGINAL_UNKNOWN", p, "no line says that it was received")
		}
		v.note("FILE_UNKNOWN", p, "no line says that it was received")
	}
	return nil
}

func (v *verification) photos() error {
	if v.fold == nil {
		v.skip(noLines)
		return nil
	}
	if f, err := v.readAddenda(); err != nil {
		return err
	} else if f != nil {
		v.skip("the addenda, which may name photos, could not be read")
		return nil
	}
	want, paths := map[[32]byte]int64{}, map[[32]byte]string{}
	for d, p := range v.have.photos {
		want[d], paths[d] = p.GetSize(), "data/"+photoPath(p)
	}
	v.res.Photos = len(want)
	missing := 0
	seen := map[[32]byte]bool{}
	for _, p := range v.fold.job.Photos() {
		if _, ok := want[p.Digest]; !ok && !seen[p.Digest] {
			seen[p.Digest] = true
			missing++
			v.note("PHOTO_NEVER_ARRIVED", p.Step, "the photo %x that an entry names never arrived", p.Digest)
		}
	}
	detail := count(len(want), "photo")
	if missing > 0 {
		detail += fmt.Sprintf("; %d named and never arrived", missing)
	}
	v.report(v.kept("data/photos/", want, paths, true), detail)
	return nil
}

func (v *verification) traces() error {
	if v.fold == nil {
		v.skip(noLines)
		return nil
	}
	want, paths := map[[32]byte]int64{}, map[[32]byte]string{}
	for d, t := range v.have.traces {
		want[d], paths[d] = t.GetSize(), "data/"+tracePath(t)
	}
	v.report(v.kept("data/files/", want, paths, false), count(len(want), "trace"))
	return nil
}

// log checks the leaf, the proof, the checkpoint and its signature.
func (v *verification) log() error {
	var files [5][]byte
	for i, name := range []string{"leaf.json", "inclusion.json", "checkpoint.txt", "log.pem", "log.vkey"} {
		b, f, err := v.file("data/log/"+name, maxProof)
		if err != nil {
			return err
		}
		if f != nil {
			v.report(f, "")
			return nil
		}
		files[i] = b
	}
	f, detail := v.checkLog(files)
	if f == nil && detail == "" {
		v.skip(noLines)
		return nil
	}
	v.report(f, detail)
	return nil
}

func (v *verification) checkLog(files [5][]byte) (*Failure, string) {
	leaf, err := seal.ParseLogLeaf(files[0])
	if err != nil {
		return wrongBecause("data/log/leaf.json", err), ""
	}
	proof, err := seal.ParseInclusion(files[1])
	if err != nil {
		return wrongBecause("data/log/inclusion.json", err), ""
	}
	peek, err := seal.PeekCheckpoint(files[2])
	if err != nil {
		return wrongBecause("data/log/checkpoint.txt", err), ""
	}
	v.res.LogOrigin, v.res.LogSize = peek.Origin, peek.Size
	_, v.res.Organization, _ = cutLast(peek.Origin, "/")

	pem, err := seal.ParseLogPEM(peek.Origin, files[3])
	if err != nil {
		return wrongBecause("data/log/log.pem", err), ""
	}
	v.res.Fingerprint, v.res.LogKey = pem.Fingerprint().String(), pem.String()
	var own []seal.LogPublicKey
	for line := range strings.Lines(string(files[4])) {
		k, err := seal.ParseLogPublicKey(strings.TrimSuffix(line, "\n"))
		if err != nil {
			return wrongBecause("data/log/log.vkey", err), ""
		}
		own = append(own, k)
	}
	if len(own) == 0 || !own[0].Same(pem) {
		return wrong("LOG_KEY_DIFFERS", "data/log/log.vkey", "its first key is not the one in log.pem"), ""
	}
	v.logKeys = own
	pinned := slices.Clone(v.o.LogKeys)
	for _, b := range v.o.LogPEM {
		k, err := seal.ParseLogPEM(peek.Origin, b)
		if err != nil {
			return wrongBecause("the key that was given", err), ""
		}
		pinned = append(pinned, k)
	}
	if len(pinned) > 0 {
		v.logKeys, v.res.Pinned = pinned, true
		if i := slices.IndexFunc(pinned, func(k seal.LogPublicKey) bool { return k.Same(pem) }); i < 0 {
			return wrong("LOG_KEY_NOT_PINNED", "data/log/log.pem", "the package's key %s is none of those that were given", v.res.Fingerprint), ""
		}
	}
	cp, err := seal.OpenCheckpoint(files[2], peek.Origin, v.logKeys...)
	if err != nil {
		return wrongBecause("data/log/checkpoint.txt", err), ""
	}
	if err := seal.VerifyInclusion(seal.LeafHash(files[0]), proof.Index, cp.Size, proof.Path, cp.Root); err != nil {
		return wrongBecause("data/log/inclusion.json", err), ""
	}
	if proof.Size != cp.Size {
		return wrong("INCLUSION_WRONG", "data/log/inclusion.json", "the proof is for a log of %d leaves, the checkpoint for %d", proof.Size, cp.Size), ""
	}
	if v.fold == nil || v.record.Failure != nil {
		return nil, "" // nothing to hold the leaf against
	}
	switch locked := v.lockTime.Truncate(time.Millisecond); {
	case leaf.List != seal.ListRecord || leaf.Job != v.record.Job:
		return wrong("LEAF_DIFFERS", "data/log/leaf.json", "it is of the list %s of %q", leaf.List, leaf.Job), ""
	case leaf.Size != v.record.Size:
		return wrong("LEAF_DIFFERS", "data/log/leaf.json", "it is over %d lines, the record has %d", leaf.Size, v.record.Size), ""
	case leaf.Root != v.record.Root:
		return wrong("LEAF_DIFFERS", "data/log/leaf.json", "its root is not that of the record's lines"), ""
	case !leaf.Locked.Equal(locked):
		return wrong("LEAF_DIFFERS", "data/log/leaf.json", "it says that the record was locked at %s, the locked line %s", leaf.Locked.UTC().Format(seal.TimeLayout), locked.UTC().Format(seal.TimeLayout)), ""
	}
	by := "by the key in the package"
	if v.res.Pinned {
		by = "by a key that you gave"
	}
	return nil, fmt.Sprintf("leaf %d of %d in %s, checkpoint signed %s", proof.Index+1, cp.Size, cp.Origin, by)
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// state holds the calculation made again against the record.
func (v *verification) state() error {
	if v.fold == nil || v.fold.beforeEnd == nil {
		v.skip(noLines)
		return nil
	}
	v.res.Differences = v.fold.differ
	wording := 0
	var f *Failure
	for _, d := range v.fold.differ {
		if !d.Weighty() {
			wording++
			continue
		}
		if f == nil {
			reason := "VERDICT_DIFFERS"
			switch d.What {
			case "limit":
				reason = "LIMIT_DIFFERS"
			case "rules":
				reason = "RULES_UNKNOWN"
			}
			f = wrong(reason, fmt.Sprintf("data/record.jsonl line %d", d.Seq), "%s", d.String())
		} else {
			v.note("VERDICT_DIFFERS", fmt.Sprintf("data/record.jsonl line %d", d.Seq), "%s", d.String())
		}
	}
	if wording > 0 {
		v.note("WORDED_DIFFERENTLY", "data/record.jsonl", "%d sentence(s) are worded otherwise when made again; the verdicts are the same", wording)
	}
	st := v.fold.beforeEnd
	judged := 0
	for _, a := range v.fold.said {
		if a.GetVerdict() != 0 {
			judged++
		}
	}
	detail := fmt.Sprintf("%s judged again, none differently; %d of %d required steps done", count(judged, "verdict"), st.Counts.Done, st.Counts.Required)
	if v.fold.end.Entry.GetEndedUnfinished() != nil {
		if v.report(f, "ended unfinished: "+detail) {
			v.res.State = "ended unfinished"
		}
		return nil
	}
	if f == nil {
		for _, b := range v.fold.blockers {
			if b.Reason == "FOUR_EYES" {
				continue // the check of the sign-off says it
			}
			subject := "the record"
			if len(b.Subjects) > 0 {
				subject = b.Subjects[0]
			}
			f = wrong("NOT_COMPLETE", subject, "signed off although not complete: %s", b.Sentence)
			break
		}
	}
	if n := len(st.Exceptions); n > 0 {
		detail += fmt.Sprintf("; %d exception(s), each looked at", n)
		if v.fold.end.Entry.GetSignedOff().GetMeaning() == recordv1.SignedOff_APPROVED {
			v.note("MEANING_DIFFERS", fmt.Sprintf("data/record.jsonl line %d", v.fold.end.Seq), "it says 'approved' without exceptions, and %d stand", n)
		}
	}
	if v.report(f, detail) {
		v.res.State = "complete"
	}
	return nil
}

// readAddenda parses the addenda once; later checks judge them.
func (v *verification) readAddenda() (*Failure, error) {
	if !v.bag.Has("data/addenda.jsonl") || v.addenda != nil {
		return nil, nil
	}
	r, err := v.bag.File("data/addenda.jsonl")
	if err != nil {
		return nil, err
	}
	v.addenda = [][]byte{}
	err = seal.EachLine(r, func(n uint64, line []byte) error {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		p, err := ParseLine(line)
		if err != nil {
			return errs.Newf(errs.Corrupt, errs.ReasonOf(err), "line %d: %s", n, sentence(err)).Because(err)
		}
		v.have.add(p.Fold.Entry)
		v.addenda = append(v.addenda, bytes.Clone(line))
		return nil
	})
	if err != nil {
		if f := ownFailure("data/addenda.jsonl", err); f != nil {
			v.addenda = nil
			return f, nil
		}
		return nil, err
	}
	return nil, nil
}

// addendaList checks the second list as the first was, and its leaf.
func (v *verification) addendaList() error {
	if !v.bag.Has("data/addenda.jsonl") {
		if v.bag.Has("data/log/addenda-leaf.json") {
			v.report(wrong("FILE_MISSING", "data/addenda.jsonl", "the log has a leaf for addenda, and there are none"), "")
			return nil
		}
		v.skip("there are none in the package")
		return nil
	}
	if v.fold == nil {
		v.skip(noLines)
		return nil
	}
	if f, err := v.readAddenda(); err != nil || f != nil {
		v.report(f, "")
		return err
	}
	known := map[seal.Hash]bool{}
	for _, f := range v.refused {
		if h, err := hexHash(f.Digest); err == nil {
			known[h] = true
		}
	}
	for _, l := range v.fold.job.Lines() {
		known[l.PayloadDigest] = true
	}
	r, err := v.bag.File("data/addenda.jsonl")
	if err != nil {
		return err
	}
	rep, err := seal.VerifyRecord(r, seal.Options{Keys: v.keys, Refused: known, Visit: func(seal.Line, seal.Entry) error { return v.ctx.Err() }})
	if err != nil {
		return err
	}
	v.res.Addenda = int64(rep.Size)
	if x := rep.Failure; x != nil {
		v.report(wrong(x.Reason, fmt.Sprintf("data/addenda.jsonl line %d", x.Line), "%s", x.Msg), "")
		return nil
	}
	for _, n := range rep.Notes {
		v.note(n.Reason, fmt.Sprintf("data/addenda.jsonl line %d", n.Line), "%s", n.Msg)
	}
	if rep.Job != v.record.Job {
		v.report(wrong("JOB_DIFFERS", "data/addenda.jsonl", "it is of %q, the record of %q", rep.Job, v.record.Job), "")
		return nil
	}
	tree := seal.NewTree()
	roots := []seal.Hash{tree.Root()}
	before := len(v.fold.differ)
	for i, b := range v.addenda {
		p, err := ParseLine(b)
		if err != nil {
			return err
		}
		if v.fold.job.Has(p.Fold.Entry.GetId()) {
			v.report(wrong("ENTRY_TWICE", fmt.Sprintf("data/addenda.jsonl line %d", i+1), "the record has this entry already"), "")
			return nil
		}
		v.fold.addendum(p.Fold)
		if p.Fold.Assessment != nil && v.fold.job.Contradicts(p.Fold) {
			v.note("ADDENDUM_CONTRADICTS", fmt.Sprintf("data/addenda.jsonl line %d", i+1), "an addendum contradicts the record at %s", p.Fold.Entry.GetStep())
		}
		if err := tree.Append(seal.LeafHash(b), nil); err != nil {
			return err
		}
		roots = append(roots, tree.Root())
	}
	v.res.Differences = v.fold.differ
	for _, d := range v.fold.differ[before:] {
		if d.Weighty() {
			v.report(wrong("VERDICT_DIFFERS", fmt.Sprintf("data/addenda.jsonl line %d", d.Seq), "%s", d.String()), "")
			return nil
		}
	}
	f, detail, err := v.addendaLeaf(roots)
	if err != nil {
		return err
	}
	v.report(f, fmt.Sprintf("%s, %s", count(len(v.addenda), "line"), detail))
	return nil
}

// addendaLeaf checks the list's own leaf in the log, where it has one.
func (v *verification) addendaLeaf(roots []seal.Hash) (*Failure, string, error) {
	if !v.bag.Has("data/log/addenda-leaf.json") {
		v.note("ADDENDA_NOT_SEALED", "data/addenda.jsonl", "the list has no leaf in the log yet")
		return nil, "no leaf in the log yet", nil
	}
	b, f, err := v.file("data/log/addenda-leaf.json", maxProof)
	if f != nil || err != nil {
		return f, "", err
	}
	pb, f, err := v.file("data/log/addenda-inclusion.json", maxProof)
	if f != nil || err != nil {
		return f, "", err
	}
	cb, f, err := v.file("data/log/checkpoint.txt", maxProof)
	if f != nil || err != nil {
		return f, "", err
	}
	leaf, lerr := seal.ParseLogLeaf(b)
	if lerr != nil {
		return wrongBecause("data/log/addenda-leaf.json", lerr), "", nil
	}
	proof, lerr := seal.ParseInclusion(pb)
	if lerr != nil {
		return wrongBecause("data/log/addenda-inclusion.json", lerr), "", nil
	}
	cp, lerr := seal.OpenCheckpoint(cb, v.res.LogOrigin, v.logKeys...)
	if lerr != nil {
		return wrongBecause("data/log/checkpoint.txt", lerr), "", nil
	}
	if lerr := seal.VerifyInclusion(seal.LeafHash(b), proof.Index, cp.Size, proof.Path, cp.Root); lerr != nil || proof.Size != cp.Size {
		return wrong("INCLUSION_WRONG", "data/log/addenda-inclusion.json", "the list's leaf is not in the log under the checkpoint"), "", nil
	}
	n := uint64(len(roots) - 1)
	if leaf.List != seal.ListAddenda || leaf.Job != v.record.Job || leaf.Size > n || leaf.Size == 0 || leaf.Root != roots[leaf.Size] {
		return wrong("LEAF_DIFFERS", "data/log/addenda-leaf.json", "it is not of the first lines of this list"), "", nil
	}
	if leaf.Size < n {
		v.note("ADDENDA_NOT_SEALED", "data/addenda.jsonl", "%d line(s) came after the list's last leaf in the log", n-leaf.Size)
	}
	return nil, fmt.Sprintf("the first %d sealed in the log", leaf.Size), nil
}

// manifest checks the signature over every file.
func (v *verification) manifest() error {
	note, f, err := v.file("manifest.note", maxProof)
	if err != nil {
		return err
	}
	if f != nil {
		v.report(f, "")
		return nil
	}
	if len(v.logKeys) == 0 {
		v.skip("the log's key could not be read")
		return nil
	}
	m, f, err := v.file("manifest-sha256.txt", maxManifest)
	if f != nil || err != nil {
		v.report(f, "")
		return err
	}
	info, f, err := v.file("bag-info.txt", maxManifest)
	if f != nil || err != nil {
		v.report(f, "")
		return err
	}
	if err := seal.OpenManifest(note, seal.Manifest{Origin: v.res.LogOrigin, Payload: seal.Sum(m), Info: seal.Sum(info)}, v.logKeys...); err != nil {
		v.report(wrongBecause("manifest.note", err), "")
		return nil
	}
	v.report(nil, "by the key "+v.res.Fingerprint)
	return nil
}

// readySignatures checks that the pairs that openssl reads are the record's.
func (v *verification) readySignatures() error {
	if v.fold == nil {
		v.skip(noLines)
		return nil
	}
	seen := 0
	for _, e := range v.bag.Files() {
		if !strings.HasPrefix(e.Path, "data/signatures/") {
			continue
		}
		base, ext := strings.TrimSuffix(e.Path, path.Ext(e.Path)), path.Ext(e.Path)
		want, ok := v.ready[base]
		var w []byte
		switch {
		case ok && ext == ".pae":
			w = want[0]
		case ok && ext == ".der":
			w = want[1]
		default:
			v.report(wrong("SIGNATURE_UNKNOWN", e.Path, "no line that ends the record has this signature"), "")
			return nil
		}
		if v.digests[e.Path] != [32]byte(seal.Sum(w)) {
			v.report(wrong("SIGNATURE_DIFFERS", e.Path, "it is not made from the line's payload and signature"), "")
			return nil
		}
		seen++
	}
	if seen != 2*len(v.ready) {
		v.report(wrong("FILE_MISSING", "data/signatures/", "%d files are there where %d should be", seen, 2*len(v.ready)), "")
		return nil
	}
	v.report(nil, count(len(v.ready), "pair"))
	return nil
}
