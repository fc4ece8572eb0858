package seal_test

import (
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

type checkpointVectors struct {
	Published struct{ Note, KeyID string }
	Own       struct {
		Seed, PublicKey, Origin, KeyID, VerifierKey, Note, TextHash, NoteHash string
		TextBytes, NoteBytes                                                  int
	}
}

func ownKey(t *testing.T) (*seal.LogKey, checkpointVectors) {
	t.Helper()
	var v checkpointVectors
	vectorJSON(t, "checkpoint.json", &v)
	key, err := seal.GenerateLogKey(bytes.NewReader(unhex(t, v.Own.Seed)), v.Own.Origin)
	if err != nil {
		t.Fatal(err)
	}
	return key, v
}

// C2SP tlog-checkpoint and signed-note; the tree is the reference tree of eight.
func TestCheckpointVector(t *testing.T) {
	key, v := ownKey(t)
	if got := key.Public().String(); got != v.Own.VerifierKey {
		t.Errorf("public key = %s, want %s", got, v.Own.VerifierKey)
	}
	var tree merkleVectors
	vectorJSON(t, "merkle.json", &tree)
	c := seal.Checkpoint{Origin: v.Own.Origin, Size: 8, Root: wantHash(t, tree.Leaves[7].Root)}
	got, err := seal.SignCheckpoint(c, key)
	if err != nil || string(got) != v.Own.Note {
		t.Fatalf("SignCheckpoint = %q, %v; want %q", got, err, v.Own.Note)
	}
	text, _, _ := bytes.Cut(got, []byte("\n\n"))
	text = append(bytes.Clone(text), '\n')
	if len(text) != v.Own.TextBytes || seal.Sum(text).String() != v.Own.TextHash ||
		len(got) != v.Own.NoteBytes || seal.Sum(got).String() != v.Own.NoteHash {
		t.Errorf("text of %d bytes, hash %s, note of %d bytes, hash %s", len(text), seal.Sum(text), len(got), seal.Sum(got))
	}
	public, err := seal.ParseLogPublicKey(v.Own.VerifierKey)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := seal.OpenCheckpoint(got, v.Own.Origin, public); err != nil || back != c {
		t.Errorf("OpenCheckpoint = %+v, %v; want %+v", back, err, c)
	}
	if back, err := seal.PeekCheckpoint([]byte(v.Published.Note)); err != nil || back.Origin != "example.com/behind-the-sofa" || back.Size != 20852163 ||
		back.Root.Base64() != "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=" {
		t.Errorf("PeekCheckpoint of the specification's example = %+v, %v", back, err)
	}
	if _, err := seal.OpenCheckpoint([]byte(v.Published.Note), "example.com/behind-the-sofa", public); !errs.Is(err, "NOTE_KEY_UNKNOWN") {
		t.Errorf("the specification's example under our key = %v, want NOTE_KEY_UNKNOWN", err)
	}
}

// signed makes a note over any text at all, as another program might.
func signed(t *testing.T, text string, keys ...*seal.LogKey) string {
	t.Helper()
	var signers []note.Signer
	for _, k := range keys {
		s, err := note.NewSigner(k.Private())
		if err != nil {
			t.Fatal(err)
		}
		signers = append(signers, s)
	}
	b, err := note.Sign(&note.Note{Text: text}, signers...)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestOpenCheckpointNamesWhatIsWrong(t *testing.T) {
	key, v := ownKey(t)
	origin, root := v.Own.Origin, "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg="
	newKey, err := seal.GenerateLogKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere, err := seal.GenerateLogKey(rand.Reader, "other.example/log")
	if err != nil {
		t.Fatal(err)
	}
	good := v.Own.Note
	strangers := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "— cosigner.example/%d %s\n", i, base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{byte(i), 9}, 50)))
		}
		return b.String()
	}
	lastLine := good[strings.LastIndex(good, "— "):]
	trust := []seal.LogPublicKey{key.Public()}
	for _, tc := range []struct {
		name string
		note string
		keys []seal.LogPublicKey
		want string
	}{
		{"the vector", good, trust, ""},
		{"a key given twice", good, []seal.LogPublicKey{key.Public(), key.Public()}, ""},
		{"old and new key known, old signed", good, []seal.LogPublicKey{newKey.Public(), key.Public()}, ""},
		{"both signed, only the new one known", signed(t, origin+"\n8\n"+root+"\n", key, newKey), []seal.LogPublicKey{newKey.Public()}, ""},
		{"sixteen signatures by others", good + strangers(16), trust, ""},
		{"sixteen signatures by others first", strings.Replace(good, "\n\n", "\n\n"+strangers(16), 1), trust, ""},
		{"extension lines", signed(t, origin+"\n8\n"+root+"\nextra one\nextra two\n", key), trust, ""},
		{"an empty log", signed(t, origin+"\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n", key), trust, ""},
		{"an empty log with a root", signed(t, origin+"\n0\n"+root+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"size with a leading zero", signed(t, origin+"\n08\n"+root+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"size with a sign", signed(t, origin+"\n+8\n"+root+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"size over 63 bits", signed(t, origin+"\n9223372036854775808\n"+root+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"root in the other alphabet", signed(t, origin+"\n8\n"+strings.NewReplacer("+", "-", "/", "_").Replace(root)+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"no root", signed(t, origin+"\n8\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"an empty extension line", signed(t, origin+"\n8\n"+root+"\n\nmore\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"an origin with a space", signed(t, "tower log\n8\n"+root+"\n", key), trust, "CHECKPOINT_MALFORMED"},
		{"another log's checkpoint by our key", signed(t, "tower.example/log2\n8\n"+root+"\n", key), trust, "CHECKPOINT_ORIGIN"},
		{"ours, signed by another log's key only", signed(t, origin+"\n8\n"+root+"\n", elsewhere), []seal.LogPublicKey{elsewhere.Public(), key.Public()}, "NOTE_KEY_UNKNOWN"},
		{"a digit changed", strings.Replace(good, "\n8\n", "\n9\n", 1), trust, "NOTE_SIGNATURE_WRONG"},
		{"the signature changed", strings.Replace(good, "8tmPv3+m", "8tmPv3+n", 1), trust, "NOTE_SIGNATURE_WRONG"},
		{"the signature in another spelling", strings.Replace(good, "NwQ=", "NwR=", 1), trust, "NOTE_MALFORMED"},
		{"the signature twice", good + lastLine, trust, "NOTE_MALFORMED"},
		{"the key's second signature is wrong", good + strings.Replace(lastLine, "8tmPv3+m", "8tmPv3+n", 1), trust, "NOTE_MALFORMED"},
		{"no signature", strings.TrimSuffix(good, lastLine), trust, "NOTE_MALFORMED"},
		{"no known key", good, []seal.LogPublicKey{newKey.Public()}, "NOTE_KEY_UNKNOWN"},
		{"no keys at all", good, nil, "NOTE_KEY_UNKNOWN"},
		{"the zero key", good, []seal.LogPublicKey{{}}, "NOTE_KEY_UNKNOWN"},
		{"no note", "hello", trust, "NOTE_MALFORMED"},
		{"nothing", "", trust, "NOTE_MALFORMED"},
		{"CRLF", strings.ReplaceAll(good, "\n", "\r\n"), trust, "NOTE_MALFORMED"},
		{"no last line feed", strings.TrimSuffix(good, "\n"), trust, "NOTE_MALFORMED"},
		{"bytes that are no UTF-8", "\xff" + good, trust, "NOTE_MALFORMED"},
		{"huge", good + strangers(1000), trust, "NOTE_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c, err := seal.OpenCheckpoint([]byte(tc.note), origin, tc.keys...)
			if errs.ReasonOf(err) != tc.want || (err != nil) != (tc.want != "") {
				t.Errorf("OpenCheckpoint = %+v, %v; want %q", c, err, tc.want)
			}
		})
	}
}

func TestSignCheckpointRefuses(t *testing.T) {
	key, v := ownKey(t)
	for _, tc := range []struct {
		name string
		c    seal.Checkpoint
		keys []*seal.LogKey
		want string
	}{
		{"no key", seal.Checkpoint{Origin: v.Own.Origin, Root: seal.EmptyRoot()}, nil, "LOG_KEY_NAME"},
		{"a nil key", seal.Checkpoint{Origin: v.Own.Origin, Root: seal.EmptyRoot()}, []*seal.LogKey{nil}, "LOG_KEY_NAME"},
		{"a key of another name", seal.Checkpoint{Origin: "a/b", Root: seal.EmptyRoot()}, []*seal.LogKey{key}, "LOG_KEY_NAME"},
		{"no origin", seal.Checkpoint{Root: seal.EmptyRoot()}, []*seal.LogKey{key}, "LOG_NAME"},
		{"an empty log with a root", seal.Checkpoint{Origin: v.Own.Origin, Root: seal.Sum([]byte("x"))}, []*seal.LogKey{key}, "CHECKPOINT_MALFORMED"},
		{"too large", seal.Checkpoint{Origin: v.Own.Origin, Size: 1 << 63}, []*seal.LogKey{key}, "CHECKPOINT_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if b, err := seal.SignCheckpoint(tc.c, tc.keys...); !errs.Is(err, tc.want) {
				t.Errorf("SignCheckpoint = %q, %v; want %s", b, err, tc.want)
			}
		})
	}
}

func TestOrigin(t *testing.T) {
	for _, tc := range []struct{ name, log, org, want string }{
		{"as configured", "log.example/witness", "demo", "log.example/witness/demo"},
		{"no organisation", "log.example", "", ""},
		{"a resource name", "log.example", "organizations/demo", ""},
		{"no log", "", "demo", ""},
		{"a space", "log example", "demo", ""},
		{"a plus", "log.example", "de+mo", ""},
		{"a line feed", "log.example", "demo\n8", ""},
		{"a no-break space", "log.example", "de\u00a0mo", ""},
		{"bytes that are no UTF-8", "log.example", "\xff", ""},
		{"huge", strings.Repeat("l", 500), "demo", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := seal.Origin(tc.log, tc.org)
			if tc.want != "" && (got != tc.want || err != nil) || tc.want == "" && !errs.Is(err, "LOG_NAME") {
				t.Errorf("Origin(%q, %q) = %q, %v; want %q", tc.log, tc.org, got, err, tc.want)
			}
		})
	}
}

// The note library writes and reads the same key texts; RFC 8410 for the PEM.
func TestLogKeyForms(t *testing.T) {
	key, v := ownKey(t)
	again, err := seal.ParseLogKey(key.Private() + "\n")
	if err != nil || again.Private() != key.Private() {
		t.Errorf("ParseLogKey(Private) = %v, %v", again, err)
	}
	if _, err := note.NewSigner(key.Private()); err != nil {
		t.Errorf("the note library refuses our private key: %v", err)
	}
	skey, vkey, err := note.GenerateKey(rand.Reader, "a.example/b")
	if err != nil {
		t.Fatal(err)
	}
	if k, err := seal.ParseLogKey(skey); err != nil || k.Public().String() != vkey || k.Private() != skey {
		t.Errorf("the note library's key reads as %v, %v; want %s", k, err, vkey)
	}
	// A name that occurs in the prefix must not confuse the reader.
	skey, _, err = note.GenerateKey(rand.Reader, "KEY")
	if err != nil {
		t.Fatal(err)
	}
	if k, err := seal.ParseLogKey(skey); err != nil || k.Private() != skey {
		t.Errorf("a key named KEY reads as %v, %v", k, err)
	}
	// RFC 8410: SEQUENCE { SEQUENCE { OID 1.3.101.112 }, BIT STRING key }.
	wantDER := append(unhex(t, "302a300506032b6570032100"), unhex(t, v.Own.PublicKey)...)
	if got := key.Public().Fingerprint(); got != seal.Sum(wantDER) {
		t.Errorf("Fingerprint = %s, want the hash of %x", got, wantDER)
	}
	public, err := seal.ParseLogPEM(v.Own.Origin, key.Public().PEM())
	if err != nil || public.String() != v.Own.VerifierKey || !public.Same(key.Public()) {
		t.Errorf("ParseLogPEM(PEM) = %v, %v", public, err)
	}
	for _, printed := range []string{fmt.Sprint(key), fmt.Sprintf("%+v", key), fmt.Sprintf("%#v", key), key.String()} {
		if strings.Contains(printed, "PRIVATE") || strings.Contains(printed, v.Own.Seed) || !strings.Contains(printed, v.Own.KeyID) {
			t.Errorf("a private key prints as %s", printed)
		}
	}
	for _, in := range []string{"", "PRIVATE+KEY", v.Own.VerifierKey, strings.Replace(key.Private(), "f2d98fbf", "f2d98fb0", 1), key.Private()[:60]} {
		if _, err := seal.ParseLogKey(in); !errs.Is(err, "LOG_KEY_MALFORMED") {
			t.Errorf("ParseLogKey(%.20q) = %v, want LOG_KEY_MALFORMED", in, err)
		}
	}
	for _, in := range []string{"", "a+b", strings.Replace(v.Own.VerifierKey, "f2d98fbf", "f2d98fb0", 1), v.Own.VerifierKey + "A"} {
		if _, err := seal.ParseLogPublicKey(in); !errs.Is(err, "LOG_KEY_MALFORMED") {
			t.Errorf("ParseLogPublicKey(%q) = %v, want LOG_KEY_MALFORMED", in, err)
		}
	}
	if _, err := seal.ParseLogPEM(v.Own.Origin, vectorFile(t, "device-0adc823c1353bbde.pem")); !errs.Is(err, "LOG_KEY_MALFORMED") {
		t.Errorf("ParseLogPEM of a device key = %v, want LOG_KEY_MALFORMED", err)
	}
	if _, err := seal.GenerateLogKey(bytes.NewReader(make([]byte, 31)), "a"); err == nil {
		t.Error("GenerateLogKey from 31 bytes of random succeeds")
	}
	if _, err := seal.GenerateLogKey(rand.Reader, "a b"); !errs.Is(err, "LOG_NAME") {
		t.Errorf("GenerateLogKey with a space in the name = %v, want LOG_NAME", err)
	}
}

func TestManifestNote(t *testing.T) {
	key, v := ownKey(t)
	other, err := seal.GenerateLogKey(rand.Reader, v.Own.Origin)
	if err != nil {
		t.Fatal(err)
	}
	want := seal.Manifest{Origin: v.Own.Origin, Payload: seal.Sum([]byte("manifest")), Info: seal.Sum([]byte("info"))}
	good, err := seal.SignManifest(want, key)
	if err != nil {
		t.Fatal(err)
	}
	text := "witnessmark package manifest v1\ntower.example/log1\n" + want.Payload.Base64() + "\n" + want.Info.Base64() + "\n"
	if !strings.HasPrefix(string(good), text+"\n— ") {
		t.Errorf("SignManifest = %q, want it to begin with %q", good, text)
	}
	changed := want
	changed.Info[3] ^= 1
	moved := want
	moved.Origin = "tower.example/log2"
	checkpoint, err := seal.SignCheckpoint(seal.Checkpoint{Origin: v.Own.Origin, Root: seal.EmptyRoot()}, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		note []byte
		want seal.Manifest
		key  *seal.LogKey
		err  string
	}{
		{"as signed", good, want, key, ""},
		{"another digest", good, changed, key, "MANIFEST_NOTE_WRONG"},
		{"another log", good, moved, key, "MANIFEST_NOTE_WRONG"},
		{"a checkpoint", checkpoint, want, key, "MANIFEST_NOTE_WRONG"},
		{"a line more", []byte(signed(t, text+"more\n", key)), want, key, "MANIFEST_NOTE_WRONG"},
		{"a second signature", []byte(signed(t, text, key, other)), want, key, "MANIFEST_NOTE_WRONG"},
		{"another key", good, want, other, "NOTE_KEY_UNKNOWN"},
		{"a byte changed", bytes.Replace(good, []byte("v1"), []byte("v2"), 1), want, key, "NOTE_SIGNATURE_WRONG"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := seal.OpenManifest(tc.note, tc.want, tc.key.Public()); errs.ReasonOf(err) != tc.err || (err != nil) != (tc.err != "") {
				t.Errorf("OpenManifest = %v, want %q", err, tc.err)
			}
		})
	}
	if err := seal.OpenManifest(good, want); !errs.Is(err, "NOTE_KEY_UNKNOWN") {
		t.Errorf("OpenManifest without keys = %v, want NOTE_KEY_UNKNOWN", err)
	}
	if _, err := seal.OpenCheckpoint(good, v.Own.Origin, key.Public()); !errs.Is(err, "CHECKPOINT_MALFORMED") {
		t.Errorf("a manifest note as a checkpoint = %v, want CHECKPOINT_MALFORMED", err)
	}
}

func TestLogLeaf(t *testing.T) {
	var v struct {
		LogLeaf struct{ Line, LeafHash string }
	}
	vectorJSON(t, "record.json", &v)
	line := v.LogLeaf.Line
	l, err := seal.ParseLogLeaf([]byte(line))
	if err != nil {
		t.Fatal(err)
	}
	want := seal.LogLeaf{Job: "jobs/demo-ridge-7", List: seal.ListRecord, Size: 6,
		Root:   wantHash(t, "38980d52ac72c4221cacceca533c9cae81196432c4391ff4d275c6f7f179d06a"),
		Locked: time.Date(2026, 3, 2, 15, 6, 0, 0, time.UTC)}
	if l != want {
		t.Errorf("ParseLogLeaf(%s) = %+v, want %+v", line, l, want)
	}
	if got, err := want.Bytes(); err != nil || string(got) != line || seal.LeafHash(got) != wantHash(t, v.LogLeaf.LeafHash) {
		t.Errorf("Bytes = %s, %v; want %s", got, err, line)
	}
	for _, tc := range []struct{ name, from, to, want string }{
		{"a space", ":", ": ", "LOG_LEAF"},
		{"members in another order", `"list":"record","size":"6"`, `"size":"6","list":"record"`, "LOG_LEAF"},
		{"a member more", `Z"}`, `Z","x":"y"}`, "LOG_LEAF"},
		{"a member less", `"size":"6",`, ``, "LOG_LEAF"},
		{"a member twice", `"size":"6"`, `"size":"6","size":"6"`, "JSON_MEMBER_TWICE"},
		{"size as a number", `"6"`, `6`, "LOG_LEAF"},
		{"size with a leading zero", `"6"`, `"06"`, "LOG_LEAF"},
		{"another list", `"record"`, `"photos"`, "LOG_LEAF"},
		{"no job", `jobs/demo-ridge-7`, ``, "LOG_LEAF"},
		{"a needless escape", `jobs/demo`, `jobs\/demo`, "LOG_LEAF"},
		{"a time without milliseconds", `00.000Z`, `00Z`, "LOG_LEAF"},
		{"a time with another zone", `00.000Z`, `00.000+00:00`, "LOG_LEAF"},
		{"a day that is none", `03-02`, `02-30`, "LOG_LEAF"},
		{"a root cut short", `50Go=`, `50G=`, "LOG_LEAF"},
		{"a line feed after it", `Z"}`, "Z\"}\n", "LOG_LEAF"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := strings.Replace(line, tc.from, tc.to, 1)
			if in == line {
				t.Fatal("the case changes nothing")
			}
			if l, err := seal.ParseLogLeaf([]byte(in)); !errs.Is(err, tc.want) {
				t.Errorf("ParseLogLeaf(%s) = %+v, %v; want %s", in, l, err, tc.want)
			}
		})
	}
	for _, tc := range []struct {
		name   string
		change func(*seal.LogLeaf)
		want   string
	}{
		{"no job", func(l *seal.LogLeaf) { l.Job = "" }, "LOG_LEAF"},
		{"a job that is no UTF-8", func(l *seal.LogLeaf) { l.Job = "\xff" }, "LOG_LEAF"},
		{"no list", func(l *seal.LogLeaf) { l.List = "" }, "LOG_LEAF"},
		{"too large", func(l *seal.LogLeaf) { l.Size = 1 << 63 }, "LOG_LEAF"},
		{"the year 10000", func(l *seal.LogLeaf) { l.Locked = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }, "TIME_OUT_OF_RANGE"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := want
			tc.change(&l)
			if b, err := l.Bytes(); !errs.Is(err, tc.want) {
				t.Errorf("Bytes = %s, %v; want %s", b, err, tc.want)
			}
		})
	}
}

func TestInclusionFile(t *testing.T) {
	p := seal.Inclusion{Index: 5, Size: 8, Path: []seal.Hash{seal.Sum([]byte("a")), seal.Sum([]byte("b"))}}
	for _, p := range []seal.Inclusion{p, {Index: 0, Size: 1}} {
		got, err := seal.ParseInclusion(p.Bytes())
		if err != nil || !bytes.Equal(got.Bytes(), p.Bytes()) || got.Index != p.Index || got.Size != p.Size || len(got.Path) != len(p.Path) {
			t.Errorf("ParseInclusion(%s) = %+v, %v", p.Bytes(), got, err)
		}
	}
	good := string(p.Bytes())
	for _, tc := range []struct{ name, in, want string }{
		{"a space", strings.Replace(good, ",", ", ", 1), "INCLUSION_MALFORMED"},
		{"a member more", strings.Replace(good, "}", `,"x":1}`, 1), "INCLUSION_MALFORMED"},
		{"no path", `{"index":"5","size":"8"}`, "INCLUSION_MALFORMED"},
		{"a path of numbers", `{"index":"5","size":"8","path":[1]}`, "INCLUSION_MALFORMED"},
		{"a path of short hashes", `{"index":"5","size":"8","path":["AA=="]}`, "INCLUSION_MALFORMED"},
		{"an index as a number", strings.Replace(good, `"5"`, `5`, 1), "INCLUSION_MALFORMED"},
		{"a path without end", `{"index":"5","size":"8","path":[` + strings.Repeat(`"`+seal.Sum(nil).Base64()+`",`, 500) + `""]}`, "INCLUSION_MALFORMED"},
		{"an array", `[]`, "JSON_MALFORMED"},
		{"nothing", ``, "JSON_MALFORMED"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if p, err := seal.ParseInclusion([]byte(tc.in)); !errs.Is(err, tc.want) {
				t.Errorf("ParseInclusion(%.80s) = %+v, %v; want %s", tc.in, p, err, tc.want)
			}
		})
	}
}

func FuzzOpenCheckpoint(f *testing.F) {
	key, err := seal.GenerateLogKey(bytes.NewReader(make([]byte, 32)), "a.example/b")
	if err != nil {
		f.Fatal(err)
	}
	good, err := seal.SignCheckpoint(seal.Checkpoint{Origin: "a.example/b", Root: seal.EmptyRoot()}, key)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(append(bytes.Clone(good), "— other.example AAAAAAAA\n"...))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := seal.OpenCheckpoint(b, "a.example/b", key.Public())
		if err == nil && !bytes.HasPrefix(b, good[:bytes.Index(good, []byte("\n\n"))+1]) {
			t.Errorf("OpenCheckpoint(%q) = %+v: a text that was never signed", b, c)
		}
		if err != nil && errs.KindOf(err) != errs.Corrupt {
			t.Errorf("OpenCheckpoint(%q) = %v: unclassified", b, err)
		}
	})
}
