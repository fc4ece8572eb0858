package seal_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

func TestVerifyRecordAcceptsTheVectors(t *testing.T) {
	visited := 0
	r, err := seal.VerifyRecord(iotest.HalfReader(bytes.NewReader(vectorFile(t, "record.jsonl"))), seal.Options{
		Keys: vectorKeys(t),
		Visit: func(l seal.Line, e seal.Entry) error {
			visited++
			if l.Seq != uint64(visited) || e.Job != "jobs/demo-ridge-7" || len(e.Kinds) != 1 {
				t.Errorf("Visit got line %d of %s with kinds %v", l.Seq, e.Job, e.Kinds)
			}
			return nil
		},
	})
	if err != nil || r.Failure != nil {
		t.Fatalf("VerifyRecord = %v, %v", r.Failure, err)
	}
	if got, want := r.Root.String(), "38980d52ac72c4221cacceca533c9cae81196432c4391ff4d275c6f7f179d06a"; got != want || r.Size != 6 || visited != 6 {
		t.Errorf("root %s of %d lines, %d visited; want %s of 6", got, r.Size, visited, want)
	}
	if r.Signed != 3 || r.Attested != 3 || r.SignedOffLine != 5 || r.LockedLine != 6 || r.SignedOff.Size != 4 || len(r.Notes) != 0 {
		t.Errorf("report = %+v", r)
	}
	if !r.LockedTime.Equal(time.Date(2026, 3, 2, 15, 6, 0, 0, time.UTC)) {
		t.Errorf("locked at %v", r.LockedTime)
	}
	if r.Locked.RefusedSize != 0 || r.Locked.RefusedRoot == nil || *r.Locked.RefusedRoot != seal.EmptyRoot() || r.Locked.Names == nil {
		t.Errorf("lock = %+v", r.Locked)
	}
	if len(r.Chains) != 1 || r.Chains[0].Device != "devices/d1" || r.Chains[0].LastCounter != 3 || r.Chains[0].Entries != 3 ||
		r.Chains[0].LastHash.String() != "9cb6e5ecce8bd2e60c1b7c587c28de87e308030af6e35f41570f1f6b664af79a" {
		t.Errorf("chains = %+v", r.Chains)
	}
}

// payload rewrites the payload inside a line and leaves all else as it is.
func payload(t *testing.T, line []byte, change func(string) string) []byte {
	t.Helper()
	old := payload64(string(line))
	b, err := base64.StdEncoding.DecodeString(old)
	if err != nil {
		t.Fatal(err)
	}
	changed := change(string(b))
	if changed == string(b) {
		t.Fatal("the case changes nothing in the payload")
	}
	return bytes.Replace(line, []byte(old), []byte(base64.StdEncoding.EncodeToString([]byte(changed))), 1)
}

func swap(from, to string) func(string) string {
	return func(s string) string { return strings.Replace(s, from, to, 1) }
}

// The ways to spoil the vectors that the record's format names, each with a
// reason of its own, and some more.
func TestVerifyRecordNamesTheFirstFailure(t *testing.T) {
	sig := func(line []byte) string {
		_, rest, _ := strings.Cut(string(line), `"sig":"`)
		s, _, _ := strings.Cut(rest, `"`)
		return s
	}
	withSig := func(line []byte, s string) []byte {
		return bytes.Replace(line, []byte(sig(line)), []byte(s), 1)
	}
	root3 := wantHash(t, "d4b696caf6ec294996925572f84eb4a6ee3d3049271f80053d73d47b23e9bc4b").Base64()
	root4 := wantHash(t, "18635ffc24ad1becf6a1886d592807195d554dd6b0844ccbc227079dc30b958a").Base64()
	for _, tc := range []struct {
		name   string
		spoil  func(l [][]byte) [][]byte
		line   uint64
		reason string
	}{
		{"a byte of a signed payload changed", func(l [][]byte) [][]byte {
			l[1] = payload(t, l[1], swap("25,5 N", "25,6 N"))
			return l
		}, 2, "SIGNATURE_WRONG"},
		{"a byte of an attested payload changed", func(l [][]byte) [][]byte {
			l[3] = payload(t, l[3], swap("office", "Office"))
			return l
		}, 5, "SIGN_OFF_ROOT"},
		{"lines 2 and 3 swapped", func(l [][]byte) [][]byte { l[1], l[2] = l[2], l[1]; return l }, 2, "SEQ_BROKEN"},
		{"line 4 left out", func(l [][]byte) [][]byte { return append(l[:3], l[4:]...) }, 4, "SEQ_BROKEN"},
		{"line 4 left out and the rest numbered again", func(l [][]byte) [][]byte {
			l = append(l[:3], l[4:]...)
			l[3] = bytes.Replace(l[3], []byte(`"seq":"5"`), []byte(`"seq":"4"`), 1)
			l[4] = bytes.Replace(l[4], []byte(`"seq":"6"`), []byte(`"seq":"5"`), 1)
			return l
		}, 4, "SIGN_OFF_SIZE"},
		{"previous of line 3 replaced", func(l [][]byte) [][]byte {
			l[2] = payload(t, l[2], swap("8WxKgYm8p8kklVD2KLHPGSN764XuuRJcaT+WAOrU8DU=", root3))
			return l
		}, 3, "CHAIN_BROKEN"},
		{"the signature of line 1 on line 2", func(l [][]byte) [][]byte { l[1] = withSig(l[1], sig(l[0])); return l }, 2, "SIGNATURE_WRONG"},
		{"s replaced by n−s: the signature verifies, the line is another", func(l [][]byte) [][]byte {
			raw, err := base64.StdEncoding.DecodeString(sig(l[0]))
			if err != nil {
				t.Fatal(err)
			}
			l[0] = withSig(l[0], base64.StdEncoding.EncodeToString(otherHalf(raw)))
			return l
		}, 5, "SIGN_OFF_ROOT"},
		{"s replaced by n−s in an open record: all is well", func(l [][]byte) [][]byte {
			raw, err := base64.StdEncoding.DecodeString(sig(l[0]))
			if err != nil {
				t.Fatal(err)
			}
			l[0] = withSig(l[0], base64.StdEncoding.EncodeToString(otherHalf(raw)))
			return l[:4]
		}, 0, ""},
		{"seq starting at 0", func(l [][]byte) [][]byte {
			for i := range l {
				l[i] = bytes.Replace(l[i], fmt.Appendf(nil, `"seq":"%d"`, i+1), fmt.Appendf(nil, `"seq":"%d"`, i), 1)
			}
			return l
		}, 1, "LINE_SEQ"},
		{"seq starting at 2", func(l [][]byte) [][]byte { return l[1:] }, 1, "SEQ_BROKEN"},
		{"a blank line", func(l [][]byte) [][]byte { return [][]byte{l[0], l[1], {}, l[2], l[3], l[4], l[5]} }, 3, "LINE_BLANK"},
		{"a blank line at the end", func(l [][]byte) [][]byte { return append(l, nil) }, 7, "LINE_BLANK"},
		{"CRLF", func(l [][]byte) [][]byte {
			for i := range l {
				l[i] = append(bytes.Clone(l[i]), '\r')
			}
			return l
		}, 1, "LINE_BREAK"},
		{"size and root signed over 3 lines", func(l [][]byte) [][]byte {
			l[4] = payload(t, l[4], func(s string) string {
				return strings.Replace(strings.Replace(s, root4, root3, 1), `"size":"4"`, `"size":"3"`, 1)
			})
			return l
		}, 5, "SIGN_OFF_SIZE"},
		{"root signed over 3 lines, size over 4", func(l [][]byte) [][]byte {
			l[4] = payload(t, l[4], swap(root4, root3))
			return l
		}, 5, "SIGN_OFF_ROOT"},
		{"sign-off without a root", func(l [][]byte) [][]byte {
			l[4] = payload(t, l[4], swap(`"root"`, `"toot"`))
			return l
		}, 5, "ENTRY_MEMBER"},
		{"a line between sign-off and lock", func(l [][]byte) [][]byte {
			extra := payload(t, bytes.Replace(l[3], []byte(`"seq":"4"`), []byte(`"seq":"6"`), 1), swap("000000000004", "000000000009"))
			return [][]byte{l[0], l[1], l[2], l[3], l[4], extra, bytes.Replace(l[5], []byte(`"seq":"6"`), []byte(`"seq":"7"`), 1)}
		}, 6, "SIGN_OFF_NOT_LAST"},
		{"a line after the lock", func(l [][]byte) [][]byte {
			return append(l, payload(t, bytes.Replace(l[3], []byte(`"seq":"4"`), []byte(`"seq":"7"`), 1), swap("000000000004", "000000000009")))
		}, 7, "LOCKED_NOT_LAST"},
		{"an entry twice", func(l [][]byte) [][]byte {
			return append(l[:4], bytes.Replace(l[3], []byte(`"seq":"4"`), []byte(`"seq":"5"`), 1))
		}, 5, "ENTRY_TWICE"},
		{"an entry of another job", func(l [][]byte) [][]byte {
			l[3] = payload(t, l[3], swap("demo-ridge-7", "demo-ridge-8"))
			return l
		}, 4, "JOB_DIFFERS"},
		{"an entry without an id", func(l [][]byte) [][]byte { l[3] = payload(t, l[3], swap(`"id"`, `"ix"`)); return l }, 4, "ENTRY_MEMBER"},
		{"a payload with a member twice", func(l [][]byte) [][]byte {
			l[3] = payload(t, l[3], swap(`{"id"`, `{"note":{"text":"other"},"id"`))
			return l
		}, 4, "JSON_MEMBER_TWICE"},
		{"a payload that is no JSON", func(l [][]byte) [][]byte {
			l[3] = payload(t, l[3], func(string) string { return "hello" })
			return l
		}, 4, "JSON_MALFORMED"},
		{"another payload type", func(l [][]byte) [][]byte {
			l[3] = bytes.Replace(l[3], []byte("entry+json"), []byte("other+json"), 1)
			return l
		}, 4, "PAYLOAD_TYPE"},
		{"a key that is not there", func(l [][]byte) [][]byte {
			l[1] = bytes.Replace(l[1], []byte("0adc823c1353bbde"), []byte("0adc823c1353bbdf"), 1)
			return l
		}, 2, "KEY_MISSING"},
		{"a signature taken away and attested instead", func(l [][]byte) [][]byte {
			i, j := bytes.Index(l[1], []byte(`"signatures":[`)), bytes.Index(l[1], []byte(`,"identity"`))
			l[1] = append(append(bytes.Clone(l[1][:i]), `"signatures":[],"attestedBy":"server"`...), l[1][j:]...)
			return l
		}, 5, "SIGN_OFF_ROOT"},
		{"an open record: all is well", func(l [][]byte) [][]byte { return l[:4] }, 0, ""},
		{"no lines: all is well", func(l [][]byte) [][]byte { return nil }, 0, ""},
		{"the last line of the device left out of an open record", func(l [][]byte) [][]byte { return l[:2] }, 0, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r, err := seal.VerifyRecord(bytes.NewReader(joined(tc.spoil(vectorLines(t)))), seal.Options{Keys: vectorKeys(t)})
			if err != nil {
				t.Fatal(err)
			}
			var line uint64
			var reason string
			if r.Failure != nil {
				line, reason = r.Failure.Line, r.Failure.Reason
			}
			if line != tc.line || reason != tc.reason {
				t.Errorf("VerifyRecord fails with %v; want line %d, %s", r.Failure, tc.line, tc.reason)
			}
		})
	}
}

func TestVerifyRecordReadsTheLastLineFeed(t *testing.T) {
	whole := vectorFile(t, "record.jsonl")
	for _, tc := range []struct {
		name   string
		in     io.Reader
		line   uint64
		reason string
	}{
		{"no last line feed", bytes.NewReader(whole[:len(whole)-1]), 6, "LINE_UNTERMINATED"},
		{"cut in the middle", bytes.NewReader(whole[:len(whole)/2]), 3, "LINE_UNTERMINATED"},
		{"a line without end", io.MultiReader(bytes.NewReader(whole), strings.NewReader(strings.Repeat("x", seal.MaxLine+2))), 7, "LINE_TOO_LONG"},
		{"a line a byte too long", strings.NewReader(strings.Repeat("x", seal.MaxLine+1) + "\n"), 1, "LINE_TOO_LONG"},
		{"a line as long as allowed, that is no JSON", strings.NewReader(strings.Repeat("x", seal.MaxLine) + "\n"), 1, "JSON_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r, err := seal.VerifyRecord(tc.in, seal.Options{Keys: vectorKeys(t)})
			if err != nil || r.Failure == nil || r.Failure.Line != tc.line || r.Failure.Reason != tc.reason {
				t.Errorf("VerifyRecord = %v, %v; want line %d, %s", r.Failure, err, tc.line, tc.reason)
			}
		})
	}
	broken := errors.New("the disk is gone")
	if _, err := seal.VerifyRecord(io.MultiReader(bytes.NewReader(whole[:700]), iotest.ErrReader(broken)), seal.Options{Keys: vectorKeys(t)}); !errors.Is(err, broken) {
		t.Errorf("VerifyRecord over a reader that fails = %v, want its error", err)
	}
	if _, err := seal.VerifyRecord(bytes.NewReader(whole), seal.Options{Keys: vectorKeys(t), Visit: func(seal.Line, seal.Entry) error { return broken }}); !errors.Is(err, broken) {
		t.Errorf("VerifyRecord with a visit that fails = %v, want its error", err)
	}
}

// phone makes signed lines as a device would.
type phone struct {
	t       testing.TB
	key     *ecdsa.PrivateKey
	id      string
	counter int
	last    seal.Hash
	made    int
}

func newPhone(t testing.TB) *phone {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	id, err := seal.KeyID(&key.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	return &phone{t: t, key: key, id: id}
}

// entry makes the next payload of the chain.
func (p *phone) entry() []byte {
	p.counter++
	p.made++
	e := map[string]any{"id": fmt.Sprintf("%s-%d", p.id, p.made), "job": "jobs/j", "device": "devices/" + p.id,
		"counter": fmt.Sprint(p.counter), "note": map[string]any{"text": "t"}}
	if p.counter > 1 {
		e["previous"] = p.last.Base64()
	}
	b, err := json.Marshal(e)
	if err != nil {
		p.t.Fatal(err)
	}
	p.last = seal.Sum(b)
	return b
}

func (p *phone) line(seq int, payload []byte) []byte {
	sig, err := seal.Sign(p.key, seal.EntryType, payload)
	if err != nil {
		p.t.Fatal(err)
	}
	b, err := seal.AppendLine(nil, seal.Line{Seq: uint64(seq), Received: time.Unix(int64(seq), 0), PayloadType: seal.EntryType, Payload: payload,
		Signatures: []seal.Signature{{KeyID: p.id, Sig: sig}}, Identity: json.RawMessage(`{"person":"people/p"}`)})
	if err != nil {
		p.t.Fatal(err)
	}
	return b
}

func TestVerifyRecordFollowsEachDevicesChain(t *testing.T) {
	type outcome struct {
		Line   uint64
		Reason string
	}
	for _, tc := range []struct {
		name    string
		build   func(p, q *phone) (payloads [][]byte, of []*phone, refused map[seal.Hash]bool)
		failure outcome
		notes   []outcome
	}{
		{"two devices, each whole", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			return [][]byte{p.entry(), q.entry(), p.entry(), q.entry()}, []*phone{p, q, p, q}, nil
		}, outcome{}, nil},
		{"entries that arrive out of order", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a, b, c := p.entry(), p.entry(), p.entry()
			return [][]byte{c, a, b}, []*phone{p, p, p}, nil
		}, outcome{}, nil},
		{"an entry that never came", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a, _, c := p.entry(), p.entry(), p.entry()
			return [][]byte{a, c}, []*phone{p, p}, nil
		}, outcome{}, []outcome{{2, "CHAIN_GAP"}}},
		{"the first entry never came", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			_, b := p.entry(), p.entry()
			return [][]byte{b}, []*phone{p}, nil
		}, outcome{}, []outcome{{1, "CHAIN_GAP"}}},
		{"an entry that was refused", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a, b, c := p.entry(), p.entry(), p.entry()
			return [][]byte{a, c}, []*phone{p, p}, map[seal.Hash]bool{seal.Sum(b): true}
		}, outcome{}, nil},
		{"a phone restored from a copy", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a := p.entry()
			counter, last := p.counter, p.last
			b, c := p.entry(), p.entry()
			p.counter, p.last = counter, last
			b2, c2 := p.entry(), p.entry()
			return [][]byte{a, b, c, b2, c2}, []*phone{p, p, p, p, p}, nil
		}, outcome{}, []outcome{{4, "CHAIN_FORKED"}, {5, "CHAIN_FORKED"}}},
		{"an entry that follows none that is here, rightly signed", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a := p.entry()
			p.last[0] ^= 1
			b := p.entry()
			return [][]byte{a, b}, []*phone{p, p}, nil
		}, outcome{2, "CHAIN_BROKEN"}, nil},
		{"two broken chains: the earlier line counts", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a, b := p.entry(), q.entry()
			p.last[0] ^= 1
			q.last[0] ^= 1
			return [][]byte{a, b, p.entry(), q.entry()}, []*phone{p, q, p, q}, nil
		}, outcome{3, "CHAIN_BROKEN"}, nil},
		{"a second entry that names none before it", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			a := p.entry()
			b := bytes.Replace(p.entry(), []byte("previous"), []byte("prevjous"), 1)
			return [][]byte{a, b}, []*phone{p, p}, nil
		}, outcome{2, "CHAIN_START"}, nil},
		{"a first entry that names one before it", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			p.entry()
			return [][]byte{bytes.Replace(p.entry(), []byte(`"counter":"2"`), []byte(`"counter":"1"`), 1)}, []*phone{p}, nil
		}, outcome{1, "CHAIN_START"}, nil},
		{"a counter of 0", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			return [][]byte{bytes.Replace(p.entry(), []byte(`"counter":"1"`), []byte(`"counter":"0"`), 1)}, []*phone{p}, nil
		}, outcome{1, "ENTRY_MEMBER"}, nil},
		{"a counter written as a number", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			return [][]byte{bytes.Replace(p.entry(), []byte(`"counter":"1"`), []byte(`"counter":1`), 1)}, []*phone{p}, nil
		}, outcome{}, nil},
		{"a signed entry without a counter", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			return [][]byte{bytes.Replace(p.entry(), []byte(`"counter"`), []byte(`"counted"`), 1)}, []*phone{p}, nil
		}, outcome{}, []outcome{{1, "CHAIN_ABSENT"}}},
		{"an entry signed by the other phone's key", func(p, q *phone) ([][]byte, []*phone, map[seal.Hash]bool) {
			return [][]byte{p.entry()}, []*phone{q}, nil
		}, outcome{}, nil}, // whose key it is stands in names.json, which is not here
	} {
		t.Run(tc.name, func(t *testing.T) {
			p, q := newPhone(t), newPhone(t)
			payloads, of, refused := tc.build(p, q)
			keys := seal.Keys{}
			for _, one := range []*phone{p, q} {
				if _, err := keys.Add(&one.key.PublicKey); err != nil {
					t.Fatal(err)
				}
			}
			var lines [][]byte
			for i, b := range payloads {
				lines = append(lines, of[i].line(i+1, b))
			}
			r, err := seal.VerifyRecord(bytes.NewReader(joined(lines)), seal.Options{Keys: keys, Refused: refused})
			if err != nil {
				t.Fatal(err)
			}
			var got outcome
			if r.Failure != nil {
				got = outcome{r.Failure.Line, r.Failure.Reason}
			}
			if got != tc.failure {
				t.Errorf("failure %v, want %v", r.Failure, tc.failure)
			}
			var notes []outcome
			for _, n := range r.Notes {
				notes = append(notes, outcome{n.Line, n.Reason})
			}
			if fmt.Sprint(notes) != fmt.Sprint(tc.notes) {
				t.Errorf("notes %v, want %v", notes, tc.notes)
			}
		})
	}
}

func TestVerifyRecordOfAJobThatWasNotSignedOff(t *testing.T) {
	lines := vectorLines(t)
	lock := bytes.Replace(lines[5], []byte(`"seq":"6"`), []byte(`"seq":"5"`), 1)
	r, err := seal.VerifyRecord(bytes.NewReader(joined(append(lines[:4:4], lock))), seal.Options{Keys: vectorKeys(t)})
	if err != nil || r.Failure != nil || r.LockedLine != 5 || r.SignedOff != nil || len(r.Notes) != 1 || r.Notes[0].Reason != "LOCKED_WITHOUT_SIGN_OFF" {
		t.Errorf("VerifyRecord = %+v, %v; want one note LOCKED_WITHOUT_SIGN_OFF", r, err)
	}
}

func TestNotesAreBounded(t *testing.T) {
	var lines [][]byte
	for i := range 1100 { // 1100 devices that begin at their second entry
		payload := fmt.Appendf(nil, `{"id":"e%d","job":"jobs/j","device":"d%d","counter":"2","previous":"%s","note":{}}`, i, i, seal.EmptyRoot().Base64())
		b, err := seal.AppendLine(nil, seal.Line{Seq: uint64(i + 1), PayloadType: seal.EntryType, Payload: payload,
			Received: time.Unix(0, 0), AttestedBy: seal.AttestedByServer, Identity: json.RawMessage(`{}`)})
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, b)
	}
	r, err := seal.VerifyRecord(bytes.NewReader(joined(lines)), seal.Options{})
	if err != nil || r.Failure != nil || len(r.Notes) != 1000 || r.Omitted != 100 {
		t.Errorf("%v, %v: %d notes and %d omitted, want 1000 and 100", r.Failure, err, len(r.Notes), r.Omitted)
	}
}

func TestKeysRefuseOtherCurves(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if id, err := (seal.Keys{}).Add(&key.PublicKey); !errs.Is(err, "KEY_NOT_P256") {
		t.Errorf("Add(P-384) = %s, %v; want KEY_NOT_P256", id, err)
	}
}

// Whatever a stranger changes in a locked record, either it fails or its root
// is no longer the one in the log.
func FuzzVerifyRecord(f *testing.F) {
	f.Add(vectorFile(f, "record.jsonl"))
	for i := range 6 {
		f.Add(joined(vectorLines(f)[:i+1]))
	}
	keys := vectorKeys(f)
	want := wantHash(f, "38980d52ac72c4221cacceca533c9cae81196432c4391ff4d275c6f7f179d06a")
	original := vectorFile(f, "record.jsonl")
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := seal.VerifyRecord(bytes.NewReader(b), seal.Options{Keys: keys})
		if err != nil {
			t.Fatalf("VerifyRecord of bytes in memory = %v", err)
		}
		if r.Failure != nil && (r.Failure.Reason == "" || r.Failure.Line == 0 || r.Failure.Reason == "INTERNAL") {
			t.Errorf("a failure without reason or line: %+v", r.Failure)
		}
		if r.Failure == nil && r.Root == want && !bytes.Equal(b, original) {
			t.Errorf("other bytes pass with the same root: %q", b)
		}
	})
}

func BenchmarkVerifyRecord(b *testing.B) {
	p := newPhone(b)
	keys := seal.Keys{p.id: &p.key.PublicKey}
	var lines [][]byte
	for i := range 1000 {
		lines = append(lines, p.line(i+1, p.entry()))
	}
	file := joined(lines)
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		r, err := seal.VerifyRecord(bytes.NewReader(file), seal.Options{Keys: keys})
		if err != nil || r.Failure != nil {
			b.Fatal(r.Failure, err)
		}
	}
	b.ReportMetric(float64(len(lines))*float64(b.N)/b.Elapsed().Seconds(), "lines/s")
}
