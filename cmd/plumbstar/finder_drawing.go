package main

import (
	"fmt"
	"math"
	"strings"

	"plumbstar/astro/pole"
)

// The drawing's half height in lines; a character is taken to be twice as high
// as wide.
const drawingRadius = 11

// drawFinder draws the finder's field in characters, as the eye sees it: the rim,
// the pole as +, the star as O, other stars as * and . by brightness.
func drawFinder(g pole.Guide, f pole.Finder) string {
	const rows, columns = 2*drawingRadius + 1, 4*drawingRadius + 1
	var grid [rows][columns]rune
	for y := range grid {
		for x := range grid[y] {
			grid[y][x] = ' '
		}
	}
	// Degrees right and up, to the rim's radius of FieldDeg/2.
	put := func(xDeg, yDeg float64, mark rune) {
		x := int(math.Round((1 + xDeg/(f.FieldDeg/2)) * 2 * drawingRadius))
		y := int(math.Round((1 - yDeg/(f.FieldDeg/2)) * drawingRadius))
		if x >= 0 && x < columns && y >= 0 && y < rows {
			grid[y][x] = mark
		}
	}
	for i := range 360 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 180)
		put(f.FieldDeg/2*sin, f.FieldDeg/2*cos, '·')
	}
	for i := len(g.Field) - 1; i >= 0; i-- { // the brightest last
		mark := '.'
		if g.Field[i].VMag < f.LimitMag-1.5 {
			mark = '*'
		}
		put(g.Field[i].XDeg, g.Field[i].YDeg, mark)
	}
	put(0, 0, '+')
	put(g.Mark.XDeg, g.Mark.YDeg, 'O')
	var b strings.Builder
	for y := range grid {
		b.WriteString(strings.TrimRight("    "+string(grid[y][:]), " "))
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "\n    O %s   + pole   * and . other stars to magnitude %.1f   field %.1f°\n", g.Star.Name, f.LimitMag, f.FieldDeg)
	return b.String()
}
