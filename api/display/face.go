package display

import (
	_ "embed"
	"math"
)

// face are the letters: Inconsolata Bold, 8x16, as golang.org/x/image v0.25.0 has it,
// packed by the test of this package, as that needs 30 kB more of the program. Each
// glyph is a mask of 9 by 17 dots, 16 levels of grey, two dots to a byte, the left one
// in the upper half.
//
//go:embed face.bin
var face string

// Glyphs stand every advance dots. Capitals and digits are rows capTop to capBottom;
// the degree sign reaches up to signTop, accents of capitals to accentTop, "g" and
// the comma down to tail.
const (
	advance     = 8
	faceColumns = 9
	faceRows    = 17
	faceBytes   = (faceColumns*faceRows + 1) / 2
	accentTop   = 0
	signTop     = 3
	capTop      = 4
	capBottom   = 14
	tail        = 16
)

// faceOrder is where a letter stands in face: ASCII, then the upper half of Latin-1.
// What is not there is a question mark, but for some that look like others.
func faceOrder(r rune) int {
	switch {
	case r >= ' ' && r <= '~':
		return int(r - ' ')
	case r >= 0xa0 && r <= 0xff:
		return int(r-0xa0) + '~' - ' ' + 1
	case r == '′', r == '’', r == '‘':
		return faceOrder('\'')
	case r == '″', r == '“', r == '”', r == '„':
		return faceOrder('"')
	case r == '–', r == '−', r == '‑':
		return faceOrder('-')
	}
	return faceOrder('?')
}

// glyph is one letter of face.
type glyph string

// glyphOf is the glyph of a letter. A naught has the stroke of the face through it,
// which in the dark makes it an eight: the letter O stands for it.
func glyphOf(r rune) glyph {
	if r == '0' {
		r = 'O'
	}
	i := faceOrder(r) * faceBytes
	return glyph(face[i : i+faceBytes])
}

// grey is the bilinear interpolation of the dots, 0 to 15, at x and y in dots of
// the face.
func (g glyph) grey(x, y float64) float64 {
	x0, y0 := math.Floor(x), math.Floor(y)
	fx, fy := x-x0, y-y0
	i, j := int(x0), int(y0)
	return (1-fy)*((1-fx)*g.dot(i, j)+fx*g.dot(i+1, j)) + fy*((1-fx)*g.dot(i, j+1)+fx*g.dot(i+1, j+1))
}

func (g glyph) dot(x, y int) float64 {
	if x < 0 || x >= faceColumns || y < 0 || y >= faceRows {
		return 0
	}
	n := y*faceColumns + x
	return float64(g[n/2] >> (4 * (1 - n%2)) & 15)
}
