package scenario

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// Correction is what the program has made of a sensor: it corrects a raw vector
// in the sensor's axes.
type Correction func(raw r3.Vec, tempC float64) r3.Vec

// Corrected is what the program has made of the board, for taking its errors
// apart: corrections in the axes of the sensors, the direction of the tracker's
// axis in those of the corrected accelerometer, and the declination it counts
// with.
type Corrected struct {
	Accel, Compass Correction
	Axis           r3.Vec
	DeclinationDeg float64
}

// Part is one cause of error, degrees: what it really contributes (estimate
// minus truth), or what the program's budget states for it, 1 sigma.
type Part struct {
	Name                    string
	AltitudeDeg, AzimuthDeg float64
}

// Names of the parts that are compared. What calibration, temperature and
// mounting do is taken together: by turning the head the axis is found with the
// same accelerometer that then measures, so their errors partly cancel.
const (
	partSensors     = "calibration, temperature and mounting"
	partIron        = "iron on the mount"
	partOutside     = "local deviation"
	partDeclination = "declination model and field variation"
)

// grouped is the budget by those names.
func grouped(budget []Part) map[string]Part {
	in := map[string]string{
		"calibration": partSensors, "temperature": partSensors, "mounting": partSensors,
		"iron on the mount": partIron, "local deviation": partOutside,
		"declination model": partDeclination, "field variation": partDeclination,
	}
	out := map[string]Part{}
	for _, p := range budget {
		if name, ok := in[p.Name]; ok {
			q := out[name]
			out[name] = Part{name, math.Hypot(q.AltitudeDeg, p.AltitudeDeg), math.Hypot(q.AzimuthDeg, p.AzimuthDeg)}
		}
	}
	return out
}

// trueParts takes the error of altitude and azimuth by the compass apart, noise
// and wander left out.
func (e *Evening) trueParts(p Corrected) []Part {
	now := e.Clock.Now()
	body, _ := e.path.At(now)
	c, board := &e.Conditions, e.World.board
	inBoard := func(enu r3.Vec) r3.Vec { return rotate(quat.Conj(quat.Mul(body, board)), enu) }
	force := inBoard(r3.Vec{Z: sensors.StandardGravity})
	earth, outside := inBoard(c.Bare), inBoard(r3.Add(c.Bare, c.Outside))
	field := r3.Add(outside, rotate(quat.Conj(board), c.Iron))

	// The pose by exact sensors in exact axes, with one field or another.
	exact := func(f r3.Vec) float64 { _, az := poseOf(rotate(board, force), rotate(board, f)); return az }
	// The pose as the chips and the program's corrections have it.
	look := bring(p.Axis)
	up, seen := e.readings(p, force, field, e.World.At(now).TempC)
	alt, az := poseOf(rotate(look, up), rotate(look, seen))
	trueAlt, trueAz := Direction(body)
	return []Part{
		{partSensors, alt - trueAlt, astro.Turn180(az - exact(field))},
		{partIron, 0, astro.Turn180(exact(field) - exact(outside))},
		{partOutside, 0, astro.Turn180(exact(outside) - exact(earth))},
		{partDeclination, 0, astro.Turn180(exact(earth) + p.DeclinationDeg - trueAz)},
	}
}

// readings are what the program makes of specific force and field, given in the
// board's axes, at a temperature of the board.
func (e *Evening) readings(p Corrected, force, field r3.Vec, boardC float64) (up, seen r3.Vec) {
	in, mag := e.parts.inertial, e.parts.magnetic
	t := boardC + in.SelfHeatC
	up = p.Accel(quiet(&in.Accel, force, t), t+in.TempOffsetC)
	turn := e.Board.magnetic.magnetic
	if e.Board.magnetic.new == nil { // inside the inertial chip
		mag, turn = in, e.Board.inertial.magnetic
	}
	if turn == nil {
		turn = func(v r3.Vec) r3.Vec { return v }
	}
	t = boardC + mag.SelfHeatC
	return up, p.Compass(turn(quiet(&mag.Mag, turn(field), t)), t)
}

// quiet is what a part reads at chip temperature t without noise, warming up and
// wander: the model of sim.Triad.
func quiet(c *sim.Triad, v r3.Vec, t float64) r3.Vec {
	if c.Matrix != nil {
		v = c.Matrix.MulVec(v)
	}
	d := t - sim.ReferenceC
	s := r3.Vec{X: v.X * (1 + d*c.ScalePerC.X), Y: v.Y * (1 + d*c.ScalePerC.Y), Z: v.Z * (1 + d*c.ScalePerC.Z)}
	return r3.Add(s, r3.Add(c.Offset, r3.Scale(d, c.OffsetPerC)))
}

// bring is the smallest rotation that brings a direction to x.
func bring(axis r3.Vec) quat.Number {
	x := r3.Unit(axis)
	n := r3.Cross(x, r3.Vec{X: 1})
	s := r3.Norm(n)
	if s < 1e-12 {
		return quat.Number{Real: 1}
	}
	return rotation(r3.Scale(1/s, n), math.Atan2(s, x.X))
}

// poseOf is altitude and azimuth from magnetic north, degrees, of body x where
// up and field are given in body axes.
func poseOf(up, field r3.Vec) (altDeg, azDeg float64) {
	east := r3.Unit(r3.Cross(field, up))
	north := r3.Cross(r3.Unit(up), east)
	altDeg = math.Atan2(up.X, math.Hypot(up.Y, up.Z)) / degree
	return altDeg, astro.Turn360(math.Atan2(east.X, north.X) / degree)
}
