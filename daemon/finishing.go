package daemon

import (
	"fmt"
	"strings"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// CalibrationResult is what a session gave.
type CalibrationResult struct {
	Kind  CalibrationKind
	Parts []CalibrationPart
	// Accepted is true when every part was.
	Accepted bool
	// Running is true when the session goes on, because a part was refused and
	// more movement may cure that.
	Running bool
	// NotKept says why an accepted part could not be stored; it is in use all
	// the same. Empty when all is well.
	NotKept string
}

// FinishCalibration fits what the running session has gathered, puts what was
// found to use and keeps it. The fit takes a second or so and holds up nothing.
// When a part is refused the session goes on, so that more can be added.
func (d *Daemon) FinishCalibration() (CalibrationResult, error) {
	d.calibrating.Lock()
	defer d.calibrating.Unlock()
	d.mu.Lock()
	s := d.tap
	if s == nil {
		d.mu.Unlock()
		return CalibrationResult{}, noSession()
	}
	j := d.fitJob(s)
	d.mu.Unlock()

	res := CalibrationResult{Kind: s.kind, Parts: j.run(), Accepted: true}
	for i := range res.Parts {
		p := &res.Parts[i]
		if !p.Accepted {
			res.Accepted = false
			d.log.Info("calibration refused", "part", p.Part, "reason", p.Reason)
		}
	}
	records, err := d.use(&j, res.Parts)
	if err != nil {
		return CalibrationResult{}, err
	}
	res.NotKept = d.keep(records)
	d.mu.Lock()
	defer d.mu.Unlock()
	res.Running = !res.Accepted
	if res.Accepted {
		d.tap = nil
	}
	return res, nil
}

// fitJob takes what the fit needs at this moment. The caller holds the lock.
func (d *Daemon) fitJob(s *session) fitJob {
	s.mu.Lock()
	defer s.mu.Unlock()
	m := d.opt.Inertial.Mount
	j := fitJob{
		kind: s.kind, inertial: s.inertial[:len(s.inertial):len(s.inertial)], poses: s.allPoses(), spec: d.spec,
		accel: d.opt.Inertial.Correct.Affine, forward: m[0], up: m[2], field: d.place.field, localUT: d.opt.LocalFieldUT,
		rawMagnetic: s.magnetic[:len(s.magnetic):len(s.magnetic)], checkTurn: d.checkedTurn,
	}
	if d.opt.Inertial2 != nil {
		j.poses2, j.chips2, j.spec2 = s.poses2[:len(s.poses2):len(s.poses2)], d.chips2(), d.secondSpec()
	}
	if d.opt.Magnetic == nil {
		return j
	}
	chips := d.chips()
	if a := d.opt.Magnetic.Correct.Affine; a != nil {
		c := a.Rotated(chips.mat3())
		j.compass = &c
	}
	j.magnetic = turned(j.rawMagnetic, chips)
	if m2 := d.opt.Magnetic2; m2 != nil {
		chips := d.chipsOf(m2)
		if a := m2.Correct.Affine; a != nil {
			c := a.Rotated(chips.mat3())
			j.compass2 = &c
		}
		j.second = turned(s.second[:len(s.second):len(s.second)], chips)
	}
	return j
}

// turned are samples in other axes.
func turned(in []sensors.MagneticSample, by Mount) []sensors.MagneticSample {
	if by == Straight() {
		return in
	}
	out := make([]sensors.MagneticSample, len(in))
	for i, s := range in {
		s.FieldUT = by.apply(s.FieldUT)
		out[i] = s
	}
	return out
}

// mat3 is the rotation as calib writes it.
func (m Mount) mat3() calib.Mat3 {
	return calib.Mat3{m[0].X, m[0].Y, m[0].Z, m[1].X, m[1].Y, m[1].Z, m[2].X, m[2].Y, m[2].Z}
}

// use puts accepted parts to use and makes their records.
func (d *Daemon) use(j *fitJob, parts []CalibrationPart) ([]CalibrationRecord, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.opt.Clock.Now()
	var records []CalibrationRecord
	var b Board
	var check *TurnCheck
	for _, p := range parts {
		if !p.Accepted {
			continue
		}
		r := CalibrationRecord{Part: p.Part, Method: j.kind, SigmaDeg: p.SigmaDeg, Figures: p.Figures, TempC: numberOrNil(d.inertial.status.TempC)}
		r.Time = d.utc(now)
		r.TimeSure = d.clockStatus(r.Time).Plausible
		if d.place.status.Known {
			site := d.place.status.Site
			r.Site = &site
		}
		r.Board = d.boardOf(p.Part)
		switch p.Part {
		case PartAccelerometer:
			c := CorrectionOf(*p.affine)
			b.Accel, r.Affine = &c, p.affine
		case PartCompass:
			chips := d.chips()
			own := p.affine.Rotated(chips.transposed().mat3())
			c := CorrectionOf(own)
			b.Compass, r.Affine, r.Chips = &c, &own, &chips
		case PartAccelerometer2:
			c := CorrectionOf(*p.affine)
			b.Accel2, b.Chips2, r.Affine, r.Chips = &c, p.chips, p.affine, &p.chips
			r.TempC = numberOrNil(d.inertial2.status.TempC)
		case PartCompass2:
			chips := d.chipsOf(d.opt.Magnetic2)
			own := p.affine.Rotated(chips.transposed().mat3())
			c := CorrectionOf(own)
			b.Compass2, r.Affine, r.Chips = &c, &own, &chips
		case PartAxis:
			b.Axis, b.AxisSigmaDeg, r.Axis = &p.axis.Direction, p.axis.SigmaDeg, p.axis
			b.AxisTempC = r.TempC
		case PartTurnCheck:
			check = p.turn
			r.Turn = &TurnRecord{OffsetUT: check.OffsetUT, LeftUT2: check.Swing.Left, Up: check.Swing.Up}
			r.TempC = numberOrNil(check.Swing.TempC)
		}
		records = append(records, r)
	}
	if b.Accel != nil || b.Compass != nil || b.Compass2 != nil || b.Accel2 != nil || b.Axis != nil {
		if err := d.setBoard(b); err != nil {
			return nil, err
		}
	}
	if check != nil {
		if err := d.useTurnCheck(*check); err != nil {
			return nil, err
		}
	}
	for _, p := range parts {
		if p.Accepted && p.onMount != nil {
			d.swing = &estimator.Swing{Up: d.opt.Inertial.Mount.apply(*p.onMount), TempC: d.inertial.status.TempC}
			d.rebuild()
		}
	}
	for i := range records {
		d.inUse[records[i].Part] = &records[i]
		d.log.Info("calibration used", "part", records[i].Part, "method", j.kind, "sigma_deg", records[i].SigmaDeg)
	}
	if b.Compass != nil || b.Accel != nil {
		delete(d.inUse, PartTurnCheck)
	}
	return records, nil
}

// keep stores records; the answer is empty or says why not.
func (d *Daemon) keep(records []CalibrationRecord) string {
	var failed []string
	for i := range records {
		r := &records[i]
		if d.opt.Store != nil {
			if err := d.opt.Store.AddCalibration(r); err != nil {
				d.log.Error("calibration not kept", "part", r.Part, "error", err)
				failed = append(failed, fmt.Sprintf("%s: %v", r.Part, err))
			}
		}
		d.mu.Lock()
		d.kept = append(d.kept, *r)
		delete(d.damaged, string(r.Part))
		d.mu.Unlock()
	}
	return strings.Join(failed, "; ")
}

// boardOf names the chips that a part belongs to.
func (d *Daemon) boardOf(p Part) string {
	inertial := chipAt(d.inertial.status.Device)
	if (p == PartCompass || p == PartTurnCheck) && d.magnetic != nil {
		return chipAt(d.magnetic.status.Device) + " with " + inertial
	}
	if p == PartAccelerometer2 && d.inertial2 != nil {
		return chipAt(d.inertial2.status.Device) + " with " + inertial
	}
	if p == PartCompass2 && d.magnetic2 != nil {
		return chipAt(d.magnetic2.status.Device) + " with " + inertial
	}
	return inertial
}

// chipAt is chip and address of a device; the bus is renumbered now and then.
func chipAt(device string) string {
	chip, _, _ := strings.Cut(device, " on ")
	return chip
}

// Calibrations are the parts in use, and all that were kept and can be used, oldest
// first.
func (d *Daemon) Calibrations() (inUse, kept []CalibrationRecord) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, p := range []Part{PartAccelerometer, PartAccelerometer2, PartCompass, PartCompass2, PartAxis, PartTurnCheck, PartTemperature} {
		if r := d.inUse[p]; r != nil {
			inUse = append(inUse, *r)
		}
	}
	for i := range d.kept {
		if d.kept[i].Damaged == "" {
			kept = append(kept, d.kept[i])
		}
	}
	return inUse, kept
}
