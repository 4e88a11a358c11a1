package daemon

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
)

// Refer takes a direction of the axis that is known from outside, at this
// moment: the mount must stand still.
func (d *Daemon) Refer(r estimator.Reference) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.est.Refer(r); err != nil {
		return err
	}
	d.log.Info("reference taken", "altitude_deg", r.Altitude.Deg, "altitude_known", r.Altitude.Known,
		"azimuth_deg", r.Azimuth.Deg, "azimuth_known", r.Azimuth.Known)
	return nil
}

// ForgetReferences drops all of them.
func (d *Daemon) ForgetReferences() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.est.Forget()
	d.setAsideSightings()
}

// Board is what calibrations have found out about the board. A part that is
// nil stays as it is.
type Board struct {
	Accel, Compass *Correction
	// Compass2 is that of the second magnetometer, Accel2 that of the second
	// accelerometer with Chips2, the rotation from its axes to the first's.
	Compass2, Accel2 *Correction
	Chips2           Mount
	// Axis is the tracker's rotation axis in the axes of the inertial sensor,
	// toward the night sky, with its 1 sigma per direction, degrees.
	Axis         *r3.Vec
	AxisSigmaDeg float64
	// AxisTempC is the chip temperature while the axis was found; nil: unknown.
	AxisTempC *float64
}

// SetBoard puts calibrations to use. References were taken with the old ones
// and are dropped.
func (d *Daemon) SetBoard(b Board) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.setBoard(b)
}

// setBoard is SetBoard for a caller that holds the lock.
func (d *Daemon) setBoard(b Board) error {
	if b.Axis != nil {
		if n := r3.Norm(*b.Axis); !(n > 0.99 && n < 1.01) || !(b.AxisSigmaDeg > 0 && b.AxisSigmaDeg < 10) {
			return fmt.Errorf("axis %v ± %v°: give a unit vector and a sigma between 0 and 10°", *b.Axis, b.AxisSigmaDeg)
		}
	}
	if b.Accel != nil {
		d.opt.Inertial.Correct = *b.Accel
		d.swing = nil
	}
	if b.Compass != nil && d.opt.Magnetic != nil {
		d.opt.Magnetic.Correct = *b.Compass
		d.swing = nil
	}
	if b.Accel2 != nil && d.opt.Inertial2 != nil {
		d.opt.Inertial2.Correct = *b.Accel2
		d.opt.Inertial2.Mount = d.opt.Inertial.Mount.after(b.Chips2)
	}
	if b.Compass2 != nil && d.opt.Magnetic2 != nil {
		d.opt.Magnetic2.Correct = *b.Compass2
	}
	if b.Axis != nil {
		turn := onto(d.opt.Inertial.Mount.apply(*b.Axis))
		d.opt.Inertial.Mount = turn.after(d.opt.Inertial.Mount)
		if d.opt.Magnetic != nil {
			d.opt.Magnetic.Mount = turn.after(d.opt.Magnetic.Mount)
		}
		if d.opt.Inertial2 != nil {
			d.opt.Inertial2.Mount = turn.after(d.opt.Inertial2.Mount)
		}
		if d.opt.Magnetic2 != nil {
			d.opt.Magnetic2.Mount = turn.after(d.opt.Magnetic2.Mount)
		}
		d.swing = turnSwing(d.swing, turn)
		d.opt.MountSigmaDeg, d.axisMeasured, d.axisTempC = b.AxisSigmaDeg, true, math.NaN()
		if b.AxisTempC != nil {
			d.axisTempC = *b.AxisTempC
		}
		if d.warmth != nil {
			d.warmth.axisOlder = false
		}
	}
	d.rebuild()
	return nil
}

// rebuild starts the estimator anew, with the sensors as they are now.
func (d *Daemon) rebuild() {
	before, mount := d.est, d.estMount
	d.fields, d.forces = pair{}, pair{}
	d.est, d.estMount = estimator.New(d.estimatorOptions()), d.opt.Inertial.Mount
	d.renewWatch()
	if before != nil && d.spec.Chip == d.estChip {
		d.est.Inherit(before, d.estMount.after(mount.transposed()).apply)
	}
	d.estChip = d.spec.Chip
	d.setAsideSightings()
	d.steps.rest = restPose{} // what changes now is no movement
	d.place.stale = true
	if m := d.magnetic; m != nil && m.dev != nil {
		d.est.SetMagnetic(d.fieldSpec())
	}
}

// onto is the smallest rotation that brings the direction axis to body x.
func onto(axis r3.Vec) Mount {
	x := r3.Unit(axis)
	// Rodrigues' formula for the rotation from x to (1, 0, 0).
	c := x.X
	if c < -1+1e-12 {
		return Mount{{X: -1}, {Y: -1}, {Z: 1}}
	}
	k := 1 / (1 + c)
	v := r3.Cross(x, r3.Vec{X: 1}) // axis times sine
	return Mount{
		{X: c + k*v.X*v.X, Y: k*v.X*v.Y - v.Z, Z: k*v.X*v.Z + v.Y},
		{X: k*v.X*v.Y + v.Z, Y: c + k*v.Y*v.Y, Z: k*v.Y*v.Z - v.X},
		{X: k*v.X*v.Z - v.Y, Y: k*v.Y*v.Z + v.X, Z: c + k*v.Z*v.Z},
	}
}

// after is the mount that applies m first.
func (t Mount) after(m Mount) Mount {
	var out Mount
	for i, row := range t {
		out[i] = r3.Add(r3.Add(r3.Scale(row.X, m[0]), r3.Scale(row.Y, m[1])), r3.Scale(row.Z, m[2]))
	}
	return out
}
