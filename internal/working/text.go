package working

import (
	"strings"
	"unicode/utf8"
)

// Text prints w in plain lines that can be read aloud on site: inputs, working,
// result, then where the figures come from, what to beware of, what is left
// out, and last who decides. Columns are aligned; lines of prose wrap at 78
// characters. The text ends with a newline.
func (w Working) Text() string {
	var b strings.Builder
	b.WriteString(w.Formula)
	b.WriteString("\n")
	width := 0
	for _, ts := range [][]Term{w.Inputs, w.Steps, w.Result} {
		for _, t := range ts {
			width = max(width, utf8.RuneCountInString(t.label()))
		}
	}
	terms(&b, "Entered", w.Inputs, width)
	terms(&b, "Working", w.Steps, width)
	terms(&b, "Result", w.Result, width)
	if len(w.Sources) > 0 {
		b.WriteString("\nSources\n")
		for _, s := range w.Sources {
			bullet(&b, s.String())
		}
	}
	list(&b, "Cautions", w.Cautions)
	list(&b, "Left out of this figure", w.LeftOut)
	if w.Defers != "" {
		b.WriteString("\nWho decides\n")
		wrap(&b, "  ", "  ", w.Defers)
	}
	return b.String()
}

func (t Term) label() string {
	if t.Symbol == "" {
		return t.Name
	}
	return t.Name + " (" + t.Symbol + ")"
}

func terms(b *strings.Builder, heading string, ts []Term, width int) {
	if len(ts) == 0 {
		return
	}
	b.WriteString("\n" + heading + "\n")
	for _, t := range ts {
		l := t.label()
		b.WriteString("  " + l + strings.Repeat(" ", width-utf8.RuneCountInString(l)+2) + t.Value)
		if t.Unit != "" {
			b.WriteString(" " + t.Unit)
		}
		b.WriteString("\n")
	}
}

func list(b *strings.Builder, heading string, items []string) {
	if len(items) == 0 {
		return
	}
	b.WriteString("\n" + heading + "\n")
	for _, s := range items {
		bullet(b, s)
	}
}

func bullet(b *strings.Builder, s string) { wrap(b, "  - ", "    ", s) }

// wrap writes s broken at blanks so that no line passes 78 characters, unless
// one word is longer than that.
func wrap(b *strings.Builder, first, rest, s string) {
	const limit = 78
	b.WriteString(first)
	col := utf8.RuneCountInString(first)
	for i, word := range strings.Fields(s) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case col+1+n > limit:
			b.WriteString("\n" + rest)
			col = utf8.RuneCountInString(rest)
		default:
			b.WriteString(" ")
			col++
		}
		b.WriteString(word)
		col += n
	}
	b.WriteString("\n")
}
