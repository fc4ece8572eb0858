package evidence

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"witnessmark/internal/bag"
	"witnessmark/internal/errs"
	"witnessmark/internal/procedure"
	"witnessmark/internal/record"
	"witnessmark/internal/seal"
	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// The lists of a job that Source.Lines reads.
const (
	ListRecord  = "record"  // lines up to the lock
	ListAddenda = "addenda" // lines after it
	ListRefused = "refused" // RefusedLine.Bytes of entries kept aside, in the order of their arrival
)

// Kinds of derived pictures that Source.Derived may have.
const (
	DerivedThumbnail = "thumbnail" // a small picture of a photo
	DerivedOverlay   = "overlay"   // a graded end face, drawn over
	DerivedRedacted  = "redacted"  // the copy with parts filled in, as the newest line about one says
)

// Source is what the export reads. The verifier needs none of it.
type Source interface {
	// Lines gives up to limit lines of a list after the line numbered after (0:
	// from the first), each without its line feed; fewer only at the list's end.
	Lines(ctx context.Context, list string, after int64, limit int) ([][]byte, error)
	// Open gives the kept bytes of a photo or trace by their SHA-256, and their
	// number. It may be called more than once for one digest.
	Open(ctx context.Context, digest [32]byte) (io.ReadCloser, int64, error)
	// Derived gives a picture derived from a photo, its size and media type. An
	// error of the kind NotFound says that there is none. Called again it gives
	// the same bytes.
	Derived(ctx context.Context, digest [32]byte, kind string) (io.ReadCloser, int64, string, error)
}

// Meta is what a package says besides the lines and the originals.
type Meta struct {
	Organization   string // "organizations/…"
	Job            string // "jobs/…"; names the top folder
	Title          string // what people call the job
	ProgramVersion string
	Procedure      []byte            // the pinned revision's document, as it is kept
	Names          []byte            // names.json, as it was made at the lock
	Keys           map[string][]byte // DER SubjectPublicKeyInfo by key id, of every device that signed

	LogOrigin      string
	Leaf           []byte         // the record's leaf in the log, without a line feed
	Inclusion      seal.Inclusion // of the leaf, at the checkpoint's size
	Checkpoint     []byte         // signed note
	CheckpointTime time.Time      // when it was signed; dates the bag
	LogKey         *seal.LogKey   // signs manifest.note
	LogKeys        []seal.LogPublicKey

	AddendaLeaf      []byte          // of the sealed list of addenda; nil: none yet
	AddendaInclusion *seal.Inclusion // of that leaf, at the checkpoint's size

	Retention string // such as "until 2036-03-02" or "not enforced by this store"

	// Progress, if not nil, is told how many bytes of how many were written.
	Progress func(done, total int64)
}

// Package is a package that is ready to be written: every digest known, no
// photo read yet.
type Package struct {
	top   string
	files []bag.File
	info  []bag.Field
	total int64
	m     Meta
}

// Bytes is the number of bytes of all files together; the archive is a little
// larger, by its headers.
func (p *Package) Bytes() int64 { return p.total }

// ArchiveBytes is the number of bytes that Write writes. Errors: those of bag.Size.
func (p *Package) ArchiveBytes() (int64, error) { return bag.Size(p.top, p.files, p.info) }

// Files is the number of files, without the bag's own four.
func (p *Package) Files() int { return len(p.files) }

// Write writes the package of a locked job. Memory grows with the number of
// lines, never with the photos. The same job, checkpoint and program version
// give the same bytes.
//
// Errors: those of Prepare and of bag.Write; ctx's, src's and w's own. After an
// error what was written is to be thrown away.
func Write(ctx context.Context, w io.Writer, m Meta, src Source) error {
	p, err := Prepare(ctx, m, src)
	if err != nil {
		return err
	}
	return p.Write(ctx, w)
}

// Write writes the archive.
func (p *Package) Write(ctx context.Context, w io.Writer) error {
	if p.m.Progress != nil {
		w = &progress{w: w, total: p.total, tell: p.m.Progress}
	}
	return bag.Write(ctxWriter{ctx, w}, p.top, p.files, p.info)
}

type progress struct {
	w           io.Writer
	done, total int64
	tell        func(done, total int64)
}

func (p *progress) Write(b []byte) (int, error) {
	n, err := p.w.Write(b)
	p.done += int64(n)
	p.tell(min(p.done, p.total), p.total)
	return n, err
}

// ctxWriter ends the writing of an archive when its caller has gone.
type ctxWriter struct {
	ctx context.Context
	w   io.Writer
}

func (c ctxWriter) Write(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.w.Write(b)
}

// digestWriter counts and hashes.
type digestWriter struct {
	sum  hash.Hash
	size int64
}

func (d *digestWriter) Write(b []byte) (int, error) {
	d.size += int64(len(b))
	return d.sum.Write(b)
}

// builder collects a package's files.
type builder struct {
	m     Meta
	src   Source
	files []bag.File
}

func (b *builder) bytes(path string, content []byte) {
	b.files = append(b.files, bag.File{Path: path, Size: int64(len(content)), SHA256: sha256.Sum256(content),
		Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content)), nil }})
}

// list adds a list of lines as a file, calling f with each line.
func (b *builder) list(ctx context.Context, path, list string, f func(n int64, line []byte) error) (int64, error) {
	d := digestWriter{sum: sha256.New()}
	n, err := eachLine(ctx, b.src, list, -1, func(n int64, line []byte) error {
		d.Write(line)
		d.Write([]byte{'\n'})
		return f(n, line)
	})
	if err != nil || n == 0 {
		return n, err
	}
	// What arrives while the package is written stays out of it: the second
	// reading ends where the first did.
	b.files = append(b.files, bag.File{Path: path, Size: d.size, SHA256: [32]byte(d.sum.Sum(nil)),
		Open: func() (io.ReadCloser, error) { return &listReader{ctx: ctx, src: b.src, list: list, size: n}, nil }})
	return n, nil
}

// original adds kept bytes, whose digest and size the record says.
func (b *builder) original(ctx context.Context, path string, digest [32]byte, size int64) {
	b.files = append(b.files, bag.File{Path: path, Size: size, SHA256: digest, Open: func() (io.ReadCloser, error) {
		r, n, err := b.src.Open(ctx, digest)
		if err != nil {
			return nil, fmt.Errorf("original %x: %w", digest, err)
		}
		if n != size {
			return nil, errors.Join(errs.Newf(errs.Corrupt, "BAG_FILE_SIZE", "the original %x has %d bytes where the record says %d", digest, n, size), r.Close())
		}
		return r, nil
	}})
}

// derived adds a derived picture if there is one, and returns its path in data/.
func (b *builder) derived(ctx context.Context, digest [32]byte, kind string) (string, error) {
	r, size, media, err := b.src.Derived(ctx, digest, kind)
	if errs.KindOf(err) == errs.NotFound {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("%s of %x: %w", kind, digest, err)
	}
	d := digestWriter{sum: sha256.New()}
	_, err = io.Copy(&d, r)
	if err := errors.Join(err, r.Close()); err != nil {
		return "", fmt.Errorf("%s of %x: %w", kind, digest, err)
	}
	if d.size != size {
		return "", errs.Newf(errs.Corrupt, "BAG_FILE_SIZE", "the %s of %x has %d bytes where %d were said", kind, digest, d.size, size)
	}
	path := "derived/" + kind + "/" + hex.EncodeToString(digest[:]) + "." + extension(media)
	b.files = append(b.files, bag.File{Path: "data/" + path, Size: size, SHA256: [32]byte(d.sum.Sum(nil)), Open: func() (io.ReadCloser, error) {
		r, _, _, err := b.src.Derived(ctx, digest, kind)
		return r, err
	}})
	return path, nil
}

// extension is a file name's ending by media type. The names are part of the
// layout: a package made later has the same.
func extension(media string) string {
	media, _, _ = strings.Cut(media, ";")
	switch strings.TrimSpace(strings.ToLower(media)) {
	case "image/jpeg":
		return "jpg"
	case "image/png":
		return "png"
	case "image/webp":
		return "webp"
	case "image/heic", "image/heic-sequence":
		return "heic"
	case "image/heif", "image/heif-sequence":
		return "heif"
	case "image/avif":
		return "avif"
	case "image/tiff":
		return "tif"
	case "image/gif":
		return "gif"
	}
	return "bin"
}

func photoPath(p *recordv1.PhotoReceived) string {
	return "photos/" + hex.EncodeToString(p.GetDigest()) + "." + extension(p.GetMediaType())
}

func tracePath(t *recordv1.TraceReceived) string {
	ext := "bin"
	if t.GetReadable() {
		ext = "s1p"
	}
	return "files/" + hex.EncodeToString(t.GetDigest()) + "." + ext
}

// originals collects what the lines say the server has, each digest once.
type originals struct {
	photos map[[32]byte]*recordv1.PhotoReceived
	traces map[[32]byte]*recordv1.TraceReceived
}

func newOriginals() originals {
	return originals{map[[32]byte]*recordv1.PhotoReceived{}, map[[32]byte]*recordv1.TraceReceived{}}
}

func (o originals) add(e *recordv1.Entry) {
	if p := e.GetPhotoReceived(); p != nil && len(p.GetDigest()) == 32 && o.photos[[32]byte(p.GetDigest())] == nil {
		o.photos[[32]byte(p.GetDigest())] = p
	}
	if t := e.GetTraceReceived(); t != nil && len(t.GetDigest()) == 32 && o.traces[[32]byte(t.GetDigest())] == nil {
		o.traces[[32]byte(t.GetDigest())] = t
	}
}

func byDigest[T any](m map[[32]byte]T) [][32]byte {
	return slices.SortedFunc(maps.Keys(m), func(a, b [32]byte) int { return bytes.Compare(a[:], b[:]) })
}

// verdictLine is one line of derived/verdicts.jsonl: what the record says of an
// entry and what calculating it again gives.
type verdictLine struct {
	List       seal.List       `json:"list"`
	Seq        string          `json:"seq"`
	Step       string          `json:"step"`
	Verdict    string          `json:"verdict"`
	Recomputed string          `json:"recomputed"`
	Limit      json.RawMessage `json:"limit,omitempty"`
	Sentence   string          `json:"sentence,omitempty"`
	Rules      string          `json:"rules,omitempty"`
}

func appendVerdict(dst []byte, list seal.List, l *record.Line, said, now *recordv1.Assessment) ([]byte, error) {
	v := verdictLine{List: list, Seq: strconv.FormatInt(l.Seq, 10), Step: l.Entry.GetStep(), Verdict: said.GetVerdict().String(), Recomputed: now.GetVerdict().String(),
		Sentence: said.GetSentence(), Rules: said.GetPinned().GetRules()}
	if said.GetLimit() != nil {
		b, err := protojson.Marshal(said.GetLimit())
		if err != nil {
			return nil, fmt.Errorf("line %d: limit: %w", l.Seq, err)
		}
		var c bytes.Buffer // protojson spaces its output differently from build to build
		if err := json.Compact(&c, b); err != nil {
			return nil, fmt.Errorf("line %d: limit: %w", l.Seq, err)
		}
		v.Limit = c.Bytes()
	}
	b, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("line %d: verdict: %w", l.Seq, err)
	}
	return append(append(dst, b...), '\n'), nil
}

// Prepare reads the lines, folds them, makes the report and finds the digest of
// every file. Photos are not read: the record says their digests, and writing
// checks them.
//
// Errors: Invalid PACKAGE_META for a Meta that lacks something; WrongState
// RECORD_NOT_LOCKED; Corrupt PACKAGE_MISMATCH where the parts do not belong
// together (procedure, names, keys, leaf against the record); those of
// ParseLine, procedure.Compile and the fold.
func Prepare(ctx context.Context, m Meta, src Source) (*Package, error) {
	if m.LogKey == nil || len(m.Procedure) == 0 || len(m.Names) == 0 || len(m.Leaf) == 0 || len(m.Checkpoint) == 0 || m.Job == "" || m.CheckpointTime.IsZero() {
		return nil, errs.New(errs.Invalid, "PACKAGE_META", "a package needs the job, its procedure, names, log leaf, checkpoint with its time and the log's key")
	}
	compiled, err := procedure.Compile(m.Procedure)
	if err != nil {
		return nil, err
	}
	names, err := ParseNames(m.Names)
	if err != nil {
		return nil, err
	}
	b := &builder{m: m, src: src}

	// The refused first: their counters explain gaps.
	var out record.Outside
	refused := []RefusedLine{}
	refusedTree := seal.NewTree()
	var refusedRoots []seal.Hash // by size
	refusedRoots = append(refusedRoots, refusedTree.Root())
	if _, err := b.list(ctx, "data/refused.jsonl", ListRefused, func(n int64, line []byte) error {
		r, err := ParseRefused(line)
		if err != nil {
			return fmt.Errorf("refused %d: %w", n, err)
		}
		refused = append(refused, r)
		if err := refusedTree.Append(seal.LeafHash(line), nil); err != nil {
			return err
		}
		refusedRoots = append(refusedRoots, refusedTree.Root())
		return nil
	}); err != nil {
		return nil, err
	}
	out.RefusedCounters = refusedCounters(refused)

	rp := newReplay(compiled, out)
	have := newOriginals()
	keys := map[string]bool{}
	var verdicts []byte
	var last *recordv1.Entry
	var opened *recordv1.JobOpened
	var addenda []*record.Line
	var endSeq uint64
	size, err := b.list(ctx, "data/record.jsonl", ListRecord, func(n int64, line []byte) error {
		p, err := ParseLine(bytes.Clone(line))
		if err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		if err := rp.add(line, p); err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		if said := rp.said[n-1]; judgedEntry(said, p.Fold.Assessment) {
			if verdicts, err = appendVerdict(verdicts, seal.ListRecord, p.Fold, said, p.Fold.Assessment); err != nil {
				return err
			}
		}
		have.add(p.Fold.Entry)
		for _, s := range p.Signatures {
			keys[s.KeyID] = true
		}
		if e := p.Fold.Entry; e.GetSignedOff() != nil || e.GetEndedUnfinished() != nil || e.GetLocked() != nil {
			for _, s := range p.Signatures {
				if err := b.signature(p.Line, s); err != nil {
					return err
				}
			}
			if e.GetLocked() == nil {
				endSeq = p.Seq
			}
		}
		last = p.Fold.Entry
		if n == 1 {
			opened = last.GetJobOpened()
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	locked := rp.job.Locked()
	if !locked {
		return nil, errs.New(errs.WrongState, "RECORD_NOT_LOCKED", "the record is not locked yet; a package is made of a locked record")
	}
	lock := last.GetLocked()
	leaf, err := seal.ParseLogLeaf(m.Leaf)
	if err != nil {
		return nil, err
	}
	mismatch := func(format string, args ...any) error {
		return errs.Newf(errs.Corrupt, "PACKAGE_MISMATCH", format, args...)
	}
	nRefused := lock.GetRefused().GetSize()
	switch {
	case rp.job.Name() != m.Job:
		return nil, mismatch("the lines are of %s, the package is to be of %s", rp.job.Name(), m.Job)
	case !bytes.Equal(opened.GetProcedureDigest(), compiled.Digest[:]):
		return nil, mismatch("the procedure is not the revision that the record pins")
	case !bytes.Equal(lock.GetNames(), sumSlice(m.Names)):
		return nil, mismatch("names.json is not the one that the locked line covers")
	case leaf.Root != rp.tree.Root() || leaf.Size != uint64(size) || leaf.Job != m.Job || leaf.List != seal.ListRecord:
		return nil, mismatch("the log leaf is not this record's")
	case nRefused > int64(len(refused)) || nRefused < 0:
		return nil, mismatch("the locked line covers %d refused entries, %d are there", nRefused, len(refused))
	case lock.GetRefused() != nil && !bytes.Equal(lock.GetRefused().GetRoot(), refusedRoots[nRefused][:]):
		return nil, mismatch("the refused entries are not those that the locked line covers")
	}

	if _, err := b.list(ctx, "data/addenda.jsonl", ListAddenda, func(n int64, line []byte) error {
		p, err := ParseLine(bytes.Clone(line))
		if err != nil {
			return fmt.Errorf("addendum %d: %w", n, err)
		}
		now := rp.addendum(p.Fold)
		if judgedEntry(p.Fold.Assessment, now) {
			if verdicts, err = appendVerdict(verdicts, seal.ListAddenda, p.Fold, p.Fold.Assessment, now); err != nil {
				return err
			}
		}
		have.add(p.Fold.Entry)
		for _, s := range p.Signatures {
			keys[s.KeyID] = true
		}
		addenda = append(addenda, p.Fold)
		return nil
	}); err != nil {
		return nil, err
	}

	for _, id := range slices.Sorted(maps.Keys(keys)) {
		key, err := seal.ParsePublicKey(m.Keys[id])
		if err != nil {
			return nil, fmt.Errorf("device key %s: %w", id, err)
		}
		if got, err := seal.KeyID(key); err != nil || got != id {
			return nil, mismatch("the device key given for %s is another key", id)
		}
		text, err := seal.PublicKeyPEM(key)
		if err != nil {
			return nil, err
		}
		b.bytes("data/keys/"+id+".pem", text)
	}

	// A redacted copy goes along where it is the one that the newest line names.
	copies := map[[32]byte][]byte{}
	for _, l := range append(slices.Clone(rp.job.Lines()), addenda...) {
		if x := l.Entry.GetPhotoRedacted(); len(x.GetDigest()) == 32 {
			copies[[32]byte(x.GetDigest())] = x.GetCopy()
		}
	}
	photos := map[[32]byte]Picture{}
	for _, d := range byDigest(have.photos) {
		p := have.photos[d]
		b.original(ctx, "data/"+photoPath(p), d, p.GetSize())
		pic := Picture{Original: "../" + photoPath(p)}
		for kind, to := range map[string]*string{DerivedThumbnail: &pic.Small, DerivedOverlay: &pic.Overlay} {
			path, err := b.derived(ctx, d, kind)
			if err != nil {
				return nil, err
			}
			if path != "" {
				*to = "../" + path
			}
		}
		if named := copies[d]; named != nil {
			path, err := b.derived(ctx, d, DerivedRedacted)
			if err != nil {
				return nil, err
			}
			switch last := len(b.files) - 1; {
			case path == "":
			case !bytes.Equal(b.files[last].SHA256[:], named):
				b.files = b.files[:last] // made anew, its line not written yet: no evidence
			default:
				pic.Redacted = "../" + path
			}
		}
		photos[d] = pic
	}
	// What browsers do not show is shown by the copy that the phone sent with it.
	for _, l := range rp.job.Lines() {
		p := l.Entry.GetPhotoAttached()
		if len(p.GetDerivedFrom()) != 32 || len(p.GetDigest()) != 32 {
			continue
		}
		from, kept := [32]byte(p.GetDerivedFrom()), have.photos[[32]byte(p.GetDigest())]
		if pic, ok := photos[from]; ok && kept != nil && pic.Small == "" {
			if ext := extension(have.photos[from].GetMediaType()); ext == "heic" || ext == "heif" {
				pic.Small = "../" + photoPath(kept)
				photos[from] = pic
			}
		}
	}
	for _, d := range byDigest(have.traces) {
		t := have.traces[d]
		b.original(ctx, "data/"+tracePath(t), d, t.GetSize())
	}

	b.bytes("data/procedure.yaml", m.Procedure)
	b.bytes("data/names.json", m.Names)
	b.bytes("data/log/leaf.json", m.Leaf)
	b.bytes("data/log/inclusion.json", m.Inclusion.Bytes())
	b.bytes("data/log/checkpoint.txt", m.Checkpoint)
	b.bytes("data/log/log.pem", m.LogKey.Public().PEM())
	vkeys := m.LogKey.Public().String() + "\n"
	for _, k := range m.LogKeys {
		if !k.Same(m.LogKey.Public()) {
			vkeys += k.String() + "\n"
		}
	}
	b.bytes("data/log/log.vkey", []byte(vkeys))
	if m.AddendaLeaf != nil && m.AddendaInclusion != nil {
		b.bytes("data/log/addenda-leaf.json", m.AddendaLeaf)
		b.bytes("data/log/addenda-inclusion.json", m.AddendaInclusion.Bytes())
	}
	if len(verdicts) > 0 {
		b.bytes("data/derived/verdicts.jsonl", verdicts)
	}
	b.bytes("data/HOWTO.txt", []byte(howto(m, leaf, endSeq)))

	data := NewReport(ReportInput{Job: rp.job, State: rp.job.State(time.Time{}, out), BeforeEnd: rp.beforeEnd, Names: names, Organization: m.Organization, Title: m.Title,
		Addenda: addenda, Refused: refused, Root: leaf.Root, LogOrigin: m.LogOrigin, Retention: m.Retention, Differences: rp.differ, Packaged: true})
	var page bytes.Buffer
	if err := Report(&page, data, func(d [32]byte) Picture { return photos[d] }); err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	b.bytes("data/derived/report.html", page.Bytes())

	p := &Package{top: topFolder(m.Job), m: m}
	add := func(label, value string) {
		if value = strings.Join(strings.Fields(value), " "); value != "" {
			p.info = append(p.info, bag.Field{Label: label, Value: value})
		}
	}
	add("Source-Organization", names.Organization(m.Organization))
	add("External-Identifier", m.Job)
	add("External-Description", m.Title)
	add("Bagging-Date", m.CheckpointTime.UTC().Format(time.DateOnly))
	add("Bag-Software-Agent", "witnessmark "+cmp.Or(m.ProgramVersion, "unversioned"))
	add("Record-Lines", strconv.FormatInt(size, 10))
	add("Record-Root", leaf.Root.Base64())
	add("Log-Origin", m.LogOrigin)
	add("Retention", m.Retention)

	manifest, err := bag.Manifest(b.files)
	if err != nil {
		return nil, err
	}
	info, err := bag.Info(b.files, p.info)
	if err != nil {
		return nil, err
	}
	note, err := seal.SignManifest(seal.Manifest{Origin: m.LogOrigin, Payload: seal.Sum(manifest), Info: seal.Sum(info)}, m.LogKey)
	if err != nil {
		return nil, err
	}
	b.bytes("manifest.note", note)
	p.files = b.files
	for _, f := range p.files {
		p.total += f.Size
	}
	return p, nil
}

// topFolder is the job's id without "jobs/".
func topFolder(job string) string { return strings.TrimPrefix(job, "jobs/") }

// judgedEntry says whether an entry has a verdict to list.
func judgedEntry(said, now *recordv1.Assessment) bool {
	return said.GetVerdict() != 0 || now.GetVerdict() != 0
}

// signature writes what openssl reads: the signed bytes and the signature in DER.
func (b *builder) signature(l seal.Line, s seal.Signature) error {
	der, err := seal.DERSignature(s.Sig)
	if err != nil {
		return err
	}
	path := fmt.Sprintf("data/signatures/%d-%s", l.Seq, s.KeyID)
	b.bytes(path+".pae", seal.PAE(l.PayloadType, l.Payload))
	b.bytes(path+".der", der)
	return nil
}

func refusedCounters(rs []RefusedLine) map[string][]int64 {
	out := map[string][]int64{}
	for _, r := range rs {
		if r.Counter > 0 && r.Device != "" {
			out[deviceName(r.Device)] = append(out[deviceName(r.Device)], r.Counter)
		}
	}
	return out
}

// deviceName is the resource name that entries use, of a name or a bare id.
func deviceName(id string) string {
	if strings.HasPrefix(id, "devices/") {
		return id
	}
	return "devices/" + id
}

// ParseRefused reads a line of refused.jsonl.
//
// Errors: those of seal.CheckJSON; Invalid REFUSED_MALFORMED, also where the
// digest is not the payload's.
func ParseRefused(line []byte) (RefusedLine, error) {
	var r RefusedLine
	if err := seal.CheckJSON(line); err != nil {
		return r, err
	}
	if err := json.Unmarshal(line, &r); err != nil {
		return RefusedLine{}, errs.New(errs.Invalid, "REFUSED_MALFORMED", "the line is not a refused entry").Because(err)
	}
	if seal.Sum(r.Payload).String() != r.Digest {
		return RefusedLine{}, errs.New(errs.Invalid, "REFUSED_MALFORMED", "the refused entry's digest is not that of its payload")
	}
	return r, nil
}
