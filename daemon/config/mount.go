package config

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"
)

// ParseMount makes the rotation of a chip whose axis forward ("+x", "-x", … "-z")
// points along the tracker's axis toward the night sky, and whose axis up points up
// when the base is level. The two must be at right angles.
func ParseMount(forward, up string) (Mount, error) {
	x, err := parseAxis(forward)
	if err != nil {
		return Mount{}, fmt.Errorf("forward %w", err)
	}
	z, err := parseAxis(up)
	if err != nil {
		return Mount{}, fmt.Errorf("up %w", err)
	}
	if r3.Dot(x, z) != 0 {
		return Mount{}, fmt.Errorf("forward %q and up %q lie on one line: name two different axes of the chip, the one toward the night sky and the one that points up", forward, up)
	}
	return Mount{x, r3.Cross(z, x), z}, nil
}

func parseAxis(s string) (r3.Vec, error) {
	switch s {
	case "+x", "x":
		return r3.Vec{X: 1}, nil
	case "-x":
		return r3.Vec{X: -1}, nil
	case "+y", "y":
		return r3.Vec{Y: 1}, nil
	case "-y":
		return r3.Vec{Y: -1}, nil
	case "+z", "z":
		return r3.Vec{Z: 1}, nil
	case "-z":
		return r3.Vec{Z: -1}, nil
	}
	return r3.Vec{}, fmt.Errorf("%.20q is no axis: use +x, -x, +y, -y, +z or -z", s)
}
