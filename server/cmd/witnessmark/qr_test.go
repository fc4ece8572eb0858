package main

import (
	"strings"
	"testing"

	"rsc.io/qr"
)

// What is drawn, read back two modules a character, is the code that the
// library makes, with the border of ISO/IEC 18004 around it.
func TestQRInATerminal(t *testing.T) {
	const text = "https://tower.example.com/#enrol=ABCD-EFGH-JKMN-PQRS"
	var b strings.Builder
	if err := drawQR(&b, text); err != nil {
		t.Fatal(err)
	}
	want, err := qr.Encode(text, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	side := want.Size + 2*quietZone
	if got := len(lines); got != (side+1)/2 {
		t.Fatalf("drawn in %d lines; want %d for %d modules", got, (side+1)/2, side)
	}
	for i, line := range lines {
		cells := []rune(line)
		if len(cells) != side {
			t.Fatalf("line %d has %d characters; want %d", i, len(cells), side)
		}
		for x, r := range cells {
			for half := range 2 {
				y := 2*i + half
				if y >= side {
					continue
				}
				white := r == '█' || r == '▀' && half == 0 || r == '▄' && half == 1
				if black := want.Black(x-quietZone, y-quietZone); white == black {
					t.Fatalf("module %d,%d is drawn white %v; want black %v", x-quietZone, y-quietZone, white, black)
				}
			}
		}
	}
	if err := drawQR(&b, strings.Repeat("a", 10_000)); err == nil {
		t.Error("a text too long for any QR code was drawn")
	}
}
