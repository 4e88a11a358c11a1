package calib

import (
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"
)

// spiral is n directions spread evenly over the sphere (golden-angle spiral:
// equal steps of z, azimuth by the golden angle).
func spiral(n int) []r3.Vec {
	v := make([]r3.Vec, n)
	for i := range v {
		z := 1 - (2*float64(i)+1)/float64(n)
		s, c := math.Sincos(float64(i) * math.Pi * (3 - math.Sqrt(5)))
		h := math.Sqrt(1 - z*z)
		v[i] = r3.Vec{X: h * c, Y: h * s, Z: z}
	}
	return v
}

// axisWords names the direction v in sensor axes: "+x", or "+x and -z" between
// two axes.
func axisWords(v r3.Vec) string { return words(v, true) }

// lineWords is axisWords for a line, whose two directions are the same.
func lineWords(v r3.Vec) string { return words(v, false) }

func words(v r3.Vec, signed bool) string {
	v = r3.Unit(v)
	c := [3]float64{v.X, v.Y, v.Z}
	var names []string
	for range 3 {
		k := 0
		for i := range c {
			if math.Abs(c[i]) > math.Abs(c[k]) {
				k = i
			}
		}
		if math.Abs(c[k]) < 0.42 { // less than 25° out of the plane across it
			break
		}
		name := "xyz"[k : k+1]
		switch {
		case signed && c[k] < 0:
			name = "-" + name
		case signed:
			name = "+" + name
		}
		names = append(names, name)
		c[k] = 0
	}
	return strings.Join(names, " and ")
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}
