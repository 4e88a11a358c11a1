package config_test

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/config"
)

var axes = map[string]r3.Vec{"+x": {X: 1}, "-x": {X: -1}, "+y": {Y: 1}, "-y": {Y: -1}, "+z": {Z: 1}, "-z": {Z: -1}}

// All 24 ways to mount a board, and the 12 that are none.
func TestMountIsARotationThatBringsForwardToXAndUpToZ(t *testing.T) {
	good := 0
	for forward, f := range axes {
		for up, u := range axes {
			m, err := config.ParseMount(forward, up)
			if r3.Dot(f, u) != 0 {
				if err == nil {
					t.Errorf("forward %s, up %s passed", forward, up)
				}
				continue
			}
			if err != nil {
				t.Errorf("forward %s, up %s: %v", forward, up, err)
				continue
			}
			good++
			apply := func(v r3.Vec) r3.Vec { return r3.Vec{X: r3.Dot(m[0], v), Y: r3.Dot(m[1], v), Z: r3.Dot(m[2], v)} }
			if apply(f) != (r3.Vec{X: 1}) || apply(u) != (r3.Vec{Z: 1}) {
				t.Errorf("forward %s, up %s: turns forward to %v and up to %v", forward, up, apply(f), apply(u))
			}
			if det := r3.Dot(m[0], r3.Cross(m[1], m[2])); det != 1 {
				t.Errorf("forward %s, up %s: determinant %v, not a rotation", forward, up, det)
			}
			if s := (config.Sensor{Forward: forward, Up: up}); s.Mount() != m {
				t.Errorf("Mount %v, want %v", s.Mount(), m)
			}
		}
	}
	if good != 24 {
		t.Errorf("%d mounts, want 24", good)
	}
	// Left is up × forward: with the board turned left, its x points left.
	m, _ := config.ParseMount("-y", "+z")
	if m[1] != (r3.Vec{X: 1}) {
		t.Errorf("body left is %v in chip axes, want +x", m[1])
	}
}
