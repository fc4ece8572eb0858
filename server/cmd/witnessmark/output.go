package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/errs"
	"witnessmark/internal/logkeys"
	"witnessmark/storage"
)

// table is aligned text for people, or a list of objects for machines.
type table struct {
	head []string
	rows [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// print writes the table. As JSON each row is an object whose members are the
// headings in lower case with underscores.
func (t *table) print(w io.Writer, asJSON bool) error {
	if asJSON {
		list := make([]map[string]string, 0, len(t.rows))
		for _, r := range t.rows {
			m := map[string]string{}
			for i, c := range r {
				m[strings.ToLower(strings.ReplaceAll(t.head[i], " ", "_"))] = c
			}
			list = append(list, m)
		}
		return printJSON(w, list)
	}
	width := make([]int, len(t.head))
	for _, r := range append([][]string{t.head}, t.rows...) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	for _, r := range append([][]string{t.head}, t.rows...) {
		line := ""
		for i, c := range r {
			line += oneLine(c) + strings.Repeat(" ", max(width[i]-utf8.RuneCountInString(c), 0)) + "  "
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// oneLine keeps a text from other people on its line of a terminal.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || (r >= 0x80 && r < 0xa0) || r == '\u2028' || r == '\u2029' || (r >= '\u202a' && r <= '\u202e') || (r >= '\u2066' && r <= '\u2069') {
			return ' '
		}
		return r
	}, s)
}

func printJSON(w io.Writer, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// printMessage writes a message of the API as its JSON form.
func printMessage(w io.Writer, m proto.Message) error {
	b, err := protojson.Marshal(m)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	return printJSON(w, json.RawMessage(b))
}

// printMessages writes a list of messages as a JSON list.
func printMessages[M proto.Message](w io.Writer, ms []M) error {
	list := make([]json.RawMessage, 0, len(ms))
	for _, m := range ms {
		b, err := protojson.Marshal(m)
		if err != nil {
			return fmt.Errorf("write JSON: %w", err)
		}
		list = append(list, b)
	}
	return printJSON(w, list)
}

func hexDigest(s string) ([32]byte, error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != 32 {
		return [32]byte{}, errs.Newf(errs.Invalid, "DIGEST_INVALID", "%.80q is no SHA-256 in hex", s)
	}
	return [32]byte(b), nil
}

func openKeys(p place, make bool) (*logkeys.Folder, error) { return logkeys.Open(p.keys, make) }

// chosen calls f for every blob after a digest, or for a sample chosen by chance.
func chosen(ctx context.Context, st storage.Store, org string, after [32]byte, all bool, sample int, f func(storage.Blob) error) error {
	if all {
		return blobsOf(ctx, st, org, after, f)
	}
	seen := map[string]bool{}
	for range sample {
		var at [32]byte
		if _, err := rand.Read(at[:]); err != nil {
			return fmt.Errorf("choose a sample: %w", err)
		}
		bs, err := st.ListBlobs(ctx, org, "", at, 1)
		if err == nil && len(bs) == 0 { // past the last: begin again
			bs, err = st.ListBlobs(ctx, org, "", [32]byte{}, 1)
		}
		if err != nil {
			return err
		}
		for _, b := range bs {
			if seen[b.Key+b.VersionID+b.Job] {
				continue
			}
			seen[b.Key+b.VersionID+b.Job] = true
			if err := f(b); err != nil {
				return err
			}
		}
	}
	return nil
}
