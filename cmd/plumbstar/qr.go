package main

import (
	"io"
	"os"
	"strings"

	"rsc.io/qr"
)

// quiet is the light margin around a QR code, in modules (ISO/IEC 18004).
const quiet = 4

// writeQR draws text as a QR code, two modules per character cell. On a
// terminal the colours are set, since a reader wants dark on light whatever the
// terminal's own colours are.
func writeQR(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return err
	}
	var before, after string
	if isTerminal(w) {
		before, after = "\x1b[97;40m", "\x1b[0m"
	}
	var b strings.Builder
	for y := -quiet; y < code.Size+quiet; y += 2 {
		b.WriteString(before)
		for x := -quiet; x < code.Size+quiet; x++ {
			// Black is false outside the code, which makes the margin.
			b.WriteRune(halfBlock(!code.Black(x, y), !code.Black(x, y+1)))
		}
		b.WriteString(after + "\n")
	}
	_, err = io.WriteString(w, b.String())
	return err
}

// halfBlock is the character whose upper and lower half are lit as asked.
func halfBlock(upper, lower bool) rune {
	switch {
	case upper && lower:
		return '█'
	case upper:
		return '▀'
	case lower:
		return '▄'
	}
	return ' '
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}
