package main

import (
	"fmt"
	"io"
	"strings"

	"rsc.io/qr"
)

// quietZone is the white border that a reader needs, in modules (ISO/IEC 18004).
const quietZone = 4

// drawQR draws a text as a QR code for a terminal, two modules in each
// character. White is painted and black is left out: so it is read on a dark
// ground, and readers take the inverse on a light one.
func drawQR(w io.Writer, text string) error {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return fmt.Errorf("draw the code: %w", err)
	}
	var b strings.Builder
	for y := -quietZone; y < c.Size+quietZone; y += 2 {
		for x := -quietZone; x < c.Size+quietZone; x++ {
			// Outside of the code Black is false: the border is white.
			upper, lower := !c.Black(x, y), !c.Black(x, y+1) && y+1 < c.Size+quietZone
			switch {
			case upper && lower:
				b.WriteString("█")
			case upper:
				b.WriteString("▀")
			case lower:
				b.WriteString("▄")
			default:
				b.WriteString(" ")
			}
		}
		b.WriteString("\n")
	}
	_, err = io.WriteString(w, b.String())
	return err
}
