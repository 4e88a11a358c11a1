package daemon

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// turnCheckLife is how long a turn check is believed after a restart.
const turnCheckLife = 12 * time.Hour

// loadKept reads what was kept, and notes what the options brought along.
func (d *Daemon) loadKept() {
	d.inUse = map[Part]*CalibrationRecord{}
	given := func(p Part, a *calib.Affine, sigmaDeg float64) {
		if a != nil {
			d.inUse[p] = &CalibrationRecord{Part: p, Method: CalibrationGiven, Affine: a, SigmaDeg: sigmaDeg, TempC: numberOrNil(a.RefTempC), Figures: []Figure{}}
		}
	}
	up := d.opt.Inertial.Mount.inverse(r3.Vec{Z: sensors.StandardGravity})
	if a := d.opt.Inertial.Correct.Affine; a != nil {
		given(PartAccelerometer, a, a.TiltSigma(up, math.NaN())/degree)
	}
	if m := d.opt.Magnetic; m != nil && m.Correct.Affine != nil {
		given(PartCompass, m.Correct.Affine, headingSigma(m.Correct.Affine, m.Mount.inverse(r3.Vec{Z: 1}), 49, 65*degree))
	}
	if d.opt.Store == nil {
		return
	}
	var err error
	if d.kept, err = d.opt.Store.Calibrations(); err != nil {
		d.noteDamage("calibrations", fmt.Sprintf("The kept calibrations could not be read, and none of them is used: %v.", err))
	}
	for i := range d.kept {
		if err := d.kept[i].Check(); err != nil {
			d.kept[i].Damaged = err.Error()
			d.log.Warn("damaged calibration", "id", d.kept[i].ID, "part", d.kept[i].Part, "error", err)
		}
	}
	list, err := d.opt.Store.Sightings()
	if err != nil {
		d.log.Error("kept sightings not read", "error", err)
	}
	for i := range list {
		if err := list[i].check(); err != nil {
			d.log.Warn("damaged sighting left out", "id", list[i].ID, "error", err)
			continue
		}
		d.sightings = append(d.sightings, list[i])
	}
	d.loadKit()
	d.loadKnobs()
}

// recall puts the newest kept calibrations of the chips that answer to use, in
// the order in which they were made. Where the newest is damaged there is none: an
// older one may be of a board that was altered since. The caller holds the lock.
func (d *Daemon) recall(now time.Duration) {
	d.dropOthers()
	newest := map[Part]int{}
	for i := range d.kept {
		r := &d.kept[i]
		if r.Board == d.boardOf(r.Part) && (r.Damaged != "" || d.fits(r)) {
			newest[r.Part] = i
			delete(d.damaged, string(r.Part))
		}
	}
	if t, ok := newest[PartTurnCheck]; ok {
		utc := d.utc(now)
		age := utc.Sub(d.kept[t].Time)
		if t < newest[PartAccelerometer] || t < newest[PartCompass] || t < newest[PartAxis] || t < newest[PartTemperature] || !d.clockStatus(utc).Plausible || !d.kept[t].TimeSure || age < 0 || age > turnCheckLife {
			delete(newest, PartTurnCheck)
		}
	}
	for i := range d.kept {
		r := &d.kept[i]
		if n, ok := newest[r.Part]; !ok || n != i {
			continue
		}
		if u := d.inUse[r.Part]; u != nil && u.ID == r.ID && u.Time.Equal(r.Time) {
			continue
		}
		if r.Damaged != "" {
			d.noteDamagedCalibration(r)
			continue
		}
		if err := d.reuse(r); err != nil {
			d.log.Warn("kept calibration not used", "part", r.Part, "error", err)
			continue
		}
		used := *r
		d.inUse[r.Part] = &used
		d.log.Info("kept calibration used", "part", r.Part, "time", r.Time, "sigma_deg", r.SigmaDeg)
	}
}

// dropOthers takes calibrations out of use whose chip was changed for another.
func (d *Daemon) dropOthers() {
	for p, r := range d.inUse {
		if r.Method == CalibrationGiven || r.Board == d.boardOf(p) {
			continue
		}
		none := Correction{TempC: math.NaN()}
		switch p {
		case PartAccelerometer:
			d.opt.Inertial.Correct = none
		case PartTemperature:
			d.warmth = nil
		case PartCompass2:
			d.opt.Magnetic2.Correct = none
		case PartAccelerometer2:
			d.opt.Inertial2.Correct = none
		case PartCompass, PartTurnCheck:
			d.opt.Magnetic.Correct, d.swing = none, nil
		}
		delete(d.inUse, p)
		d.log.Warn("another chip answers: its calibration is not known", "part", p, "chip", d.boardOf(p))
	}
}

// fits tells whether a kept calibration can be used as the chips sit now.
func (d *Daemon) fits(r *CalibrationRecord) bool {
	switch r.Part {
	case PartAccelerometer:
		return r.Affine != nil
	case PartCompass:
		return r.Affine != nil && r.Chips != nil && d.opt.Magnetic != nil && near(*r.Chips, d.chips())
	case PartAccelerometer2:
		// The rotation was found to be a little off the settings' one.
		return r.Affine != nil && r.Chips != nil && d.opt.Inertial2 != nil && roughly(*r.Chips, d.chips2())
	case PartCompass2:
		return r.Affine != nil && r.Chips != nil && d.opt.Magnetic2 != nil && near(*r.Chips, d.chipsOf(d.opt.Magnetic2))
	case PartAxis:
		return r.Axis != nil
	case PartTemperature:
		return r.Temperature != nil
	case PartTurnCheck:
		return r.Turn != nil && d.opt.Magnetic != nil
	}
	return false
}

func near(a, b Mount) bool {
	for i := range 3 {
		if r3.Norm(r3.Sub(a[i], b[i])) > 1e-6 {
			return false
		}
	}
	return true
}

// roughly is near to 5°, more than any board is soldered askew.
func roughly(a, b Mount) bool {
	for i := range 3 {
		if r3.Norm(r3.Sub(a[i], b[i])) > 5*degree {
			return false
		}
	}
	return true
}

func (d *Daemon) reuse(r *CalibrationRecord) error {
	switch r.Part {
	case PartAccelerometer:
		c := CorrectionOf(*r.Affine)
		return d.setBoard(Board{Accel: &c})
	case PartCompass:
		c := CorrectionOf(*r.Affine)
		return d.setBoard(Board{Compass: &c})
	case PartAccelerometer2:
		c := CorrectionOf(*r.Affine)
		return d.setBoard(Board{Accel2: &c, Chips2: *r.Chips})
	case PartCompass2:
		c := CorrectionOf(*r.Affine)
		return d.setBoard(Board{Compass2: &c})
	case PartAxis:
		return d.setBoard(Board{Axis: &r.Axis.Direction, AxisSigmaDeg: r.Axis.SigmaDeg, AxisTempC: r.TempC})
	}
	if r.Part == PartTemperature {
		d.useTemperature(r)
		return nil
	}
	t := TurnCheck{OffsetUT: r.Turn.OffsetUT, Swing: estimator.Swing{Left: r.Turn.LeftUT2, Up: r.Turn.Up, TempC: math.NaN()}}
	if r.TempC != nil {
		t.Swing.TempC = *r.TempC
	}
	return d.useTurnCheck(t)
}
