package daemon

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// CalibrationKind is a way to calibrate.
type CalibrationKind string

const (
	// CalibrateBoard: the board in the hand, several rest poses and a slow turn
	// through all directions. Accelerometer and compass together.
	CalibrateBoard CalibrationKind = "board"
	// CalibrateInPlace: the board on the mount, a turn in azimuth and a little
	// tilt. Corrects the compass calibration in use.
	CalibrateInPlace CalibrationKind = "in-place"
	// CalibrateHead: the tracker's head is turned by 90 to 180° with the board
	// on it. Finds the rotation axis in the board.
	CalibrateHead CalibrationKind = "head"
	// CalibrateSwing: the mount is turned around the horizon; compass against
	// gyroscope. Corrects the compass for iron that turns with it.
	CalibrateSwing CalibrationKind = "swing"
	// CalibrationGiven is no session: the program was started with it.
	CalibrationGiven CalibrationKind = "given"
	// CalibrationNights is no session either: nights under watch have shown it.
	CalibrationNights CalibrationKind = "nights"
)

// What a session should reach before it is finished. The fits have limits of
// their own; these are what the person is told.
const (
	wantDirections = 9    // of rest poses; 12 make slow poses unnecessary
	goodDirections = 12   //
	wantCoverage   = 0.5  // of the sphere; the fit refuses below 0.35
	goodCoverage   = 0.85 //
	wantHeadDeg    = 90.0
	wantInPlaceDeg = 60.0
	wantSwingDeg   = 45.0
	wholeTurnDeg   = 340.0
)

// BeginCalibration starts to gather samples. Guidance goes on meanwhile.
func (d *Daemon) BeginCalibration(kind CalibrationKind) (CalibrationStatus, error) {
	switch kind {
	case CalibrateBoard, CalibrateInPlace, CalibrateHead, CalibrateSwing:
	default:
		return CalibrationStatus{}, refuse("unknown-kind", fmt.Sprintf("calibration %.40q: choose %s, %s, %s or %s", kind, CalibrateBoard, CalibrateInPlace, CalibrateHead, CalibrateSwing))
	}
	d.calibrating.Lock()
	defer d.calibrating.Unlock()
	d.mu.Lock()
	defer d.mu.Unlock()
	if s := d.tap; s != nil {
		return CalibrationStatus{}, conflict("session-running", fmt.Sprintf("a calibration of kind %s is running: finish or cancel it first", s.kind))
	}
	if err := d.mayCalibrate(kind); err != nil {
		return CalibrationStatus{}, err
	}
	d.tap = newSession(kind, d.opt.Inertial.Mount, d.spec, d.secondSpec(), d.opt.Clock.Now())
	d.log.Info("calibration begun", "kind", kind)
	return d.tap.status(d.statusHelp()), nil
}

// mayCalibrate says what is missing for a kind. The caller holds the lock.
func (d *Daemon) mayCalibrate(kind CalibrationKind) error {
	if d.inertial.status.State != "ok" {
		return conflict("sensor-lost", "the inertial sensor does not answer: see the health")
	}
	if kind == CalibrateInPlace || kind == CalibrateSwing {
		switch {
		case d.magnetic == nil:
			return conflict("no-magnetometer", "there is no magnetometer to calibrate: the settings say none")
		case d.magnetic.status.State != "ok":
			return conflict("sensor-lost", "the magnetometer does not answer: see the health")
		case d.opt.Magnetic.Correct.Affine == nil:
			return conflict("compass-uncalibrated", "the compass is not calibrated yet: calibrate the board by free turns first (kind board)")
		}
	}
	if kind == CalibrateInPlace && d.place.field == nil {
		return conflict("field-not-known", "the Earth's field here is not known: enter the site and set the clock first")
	}
	if kind == CalibrateSwing && !d.spec.HasGyro {
		return conflict("no-gyroscope", "this chip has no gyroscope, which the turn is measured with")
	}
	return nil
}

// CancelCalibration drops what was gathered.
func (d *Daemon) CancelCalibration() error {
	d.calibrating.Lock()
	defer d.calibrating.Unlock()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.tap == nil {
		return noSession()
	}
	d.log.Info("calibration cancelled", "kind", d.tap.kind)
	d.tap = nil
	return nil
}

func noSession() error {
	return conflict("no-session", "no calibration is running: begin one first")
}

// CalibrationStatus is what a running calibration has so far.
type CalibrationStatus struct {
	Kind    CalibrationKind
	Seconds float64
	// Inertial and Magnetic count the samples kept; Full is true when no more
	// are taken.
	Inertial, Magnetic int
	Full               bool
	// Still is true while the board rests, long enough for a pose.
	Still bool
	// Poses are the rest poses found so far (kind board), Directions those
	// among them that are at least 15° apart.
	Poses, Directions, WantDirections int
	// NextUp is the direction, in body axes, that should point up in the next
	// rest pose; nil when there are enough.
	NextUp *r3.Vec
	// TiltSigmaDeg is what the poses so far would leave, NaN when not known.
	TiltSigmaDeg float64
	// Coverage is the share of the sphere from which the field has come, 0 to
	// 1; NaN when not known. Gap is the direction, in body axes, that it was
	// farthest from, and GapDeg how far.
	Coverage, WantCoverage, GapDeg float64
	Gap                            *r3.Vec
	// TurnedDeg is how far mount or head was turned, NaN when not known.
	TurnedDeg, WantTurnDeg float64
	// Ready is true when a fit would probably be accepted.
	Ready bool
	// Message says what to do now.
	Message string
}

// Calibrating is the state of the running calibration.
func (d *Daemon) Calibrating() (CalibrationStatus, error) {
	d.mu.Lock()
	s, h := d.tap, d.statusHelp()
	d.mu.Unlock()
	if s == nil {
		return CalibrationStatus{}, noSession()
	}
	return s.status(h), nil
}

// help is what a status takes from the daemon.
type help struct {
	spec     sensors.InertialSpec
	dipDeg   float64
	dipKnown bool
	chips    Mount
	magnetic bool
}

func (d *Daemon) statusHelp() help {
	h := help{spec: d.spec, chips: d.chips(), magnetic: d.magnetic != nil}
	if f := d.place.field; f != nil {
		h.dipDeg, h.dipKnown = f.InclinationDeg, true
	}
	return h
}

// look keeps what is costly to compute until there is more to see.
type look struct {
	poses      int
	directions int
	next       *r3.Vec // in sensor axes
	tiltDeg    float64

	magnetic int
	covered  bool
	coverage calib.Coverage // in the magnetometer's axes
}

// coverageEvery is after how many new field samples the coverage is measured
// anew.
const coverageEvery = 25

func (s *session) status(h help) CalibrationStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := CalibrationStatus{
		Kind: s.kind, Seconds: s.seconds(), Inertial: len(s.inertial), Magnetic: len(s.magnetic), Full: s.full,
		TiltSigmaDeg: math.NaN(), Coverage: math.NaN(), GapDeg: math.NaN(), TurnedDeg: math.NaN(),
	}
	_, out.Still = s.rest.Current()
	switch s.kind {
	case CalibrateBoard:
		s.boardStatus(&out, h)
	case CalibrateHead:
		s.turnStatus(&out, s.turn.head.span(), wantHeadDeg, "turn the tracker's head slowly, by a quarter or a half turn, with the board on it and the tripod untouched")
	case CalibrateInPlace:
		s.turnStatus(&out, s.turn.mount.span(), wantInPlaceDeg, "turn the mount slowly in azimuth, a whole turn if it can, then tilt it a little up and down")
	case CalibrateSwing:
		s.turnStatus(&out, s.turn.mount.span(), wantSwingDeg, "turn the mount slowly and evenly around the horizon, a whole turn if it can")
	}
	if s.full {
		out.Message = "No more is kept after ten minutes: finish, or cancel and begin again."
	}
	return out
}

// refresh looks at poses and coverage again where there is more to see. A rest
// in progress counts once it is long enough.
func (s *session) refresh(h help) {
	poses := s.allPoses()
	if len(poses) != s.look.poses {
		s.look.poses, s.look.directions = len(poses), distinct(poses)
		s.look.next, s.look.tiltDeg = nil, math.NaN()
		fit, err := calib.FitAccel(poses, 0, calib.AccelOptions{OffsetSigma: h.spec.AccelOffset, MatrixSigma: h.spec.AccelCross})
		if err == nil {
			s.look.next, s.look.tiltDeg = &fit.Next, fit.TiltSigmaDeg
		} else {
			next := farthest(poses)
			s.look.next = &next
		}
	}
	if len(s.magnetic) >= s.look.magnetic+coverageEvery {
		s.look.magnetic = len(s.magnetic)
		s.look.coverage, s.look.covered = calib.MeasureCoverage(s.magnetic)
	}
}

func (s *session) boardStatus(out *CalibrationStatus, h help) {
	s.refresh(h)
	l := &s.look
	out.Poses, out.Directions, out.WantDirections = l.poses, l.directions, wantDirections
	if l.poses > 0 {
		out.TiltSigmaDeg = l.tiltDeg
	}
	out.WantCoverage = wantCoverage
	if h.magnetic {
		out.Coverage = 0
	}
	gap := ""
	if l.covered {
		g := s.mount.apply(h.chips.apply(l.coverage.Gap))
		out.Coverage, out.GapDeg, out.Gap = l.coverage.Occupied, l.coverage.GapDeg, &g
		gap = ": " + towardField(g, h.dipDeg, h.dipKnown)
	}
	covered := !h.magnetic || out.Coverage >= wantCoverage
	out.Ready = l.directions >= wantDirections && covered
	if l.directions < goodDirections && l.next != nil {
		n := s.mount.apply(*l.next)
		out.NextUp = &n
	}
	switch {
	case l.directions < wantDirections && out.NextUp != nil:
		taken := ""
		if out.Still {
			taken = "Taken. "
		}
		out.Message = fmt.Sprintf("%sLay the board down so that %s points up, and let go of it for two seconds (%d of at least %d poses).", taken, side(*out.NextUp), l.directions, wantDirections)
	case !covered:
		out.Message = fmt.Sprintf("Turn the board slowly through all directions, away from iron%s (%.0f of at least %.0f %%).", gap, 100*out.Coverage, 100*wantCoverage)
	case h.magnetic && out.Coverage < goodCoverage:
		out.Message = fmt.Sprintf("Enough to finish. Better with more turns%s (%.0f %% seen).", gap, 100*out.Coverage)
	default:
		out.Message = "Enough: finish."
	}
}

func (s *session) turnStatus(out *CalibrationStatus, span, wantDeg float64, what string) {
	out.WantTurnDeg = wantDeg
	if s.turn.gyro && s.turn.known {
		out.TurnedDeg = span * 180 / math.Pi
	}
	gyro := s.turn.gyro
	out.Ready = s.turn.known && (!gyro || out.TurnedDeg >= wantDeg)
	switch {
	case !s.turn.known:
		out.Message = "Keep everything still for two seconds first."
	case gyro && out.TurnedDeg < wantDeg:
		out.Message = fmt.Sprintf("Now %s (%.0f of at least %.0f°).", what, out.TurnedDeg, wantDeg)
	case gyro && s.kind != CalibrateHead && out.TurnedDeg < wholeTurnDeg:
		out.Message = fmt.Sprintf("Enough to finish after another two seconds of rest; better with a whole turn (%.0f° so far).", out.TurnedDeg)
	default:
		out.Message = "Enough: keep still for two seconds, then finish."
	}
}

// distinct counts the poses that are at least 15° from all before.
func distinct(poses []calib.Pose) int {
	var seen []r3.Vec
next:
	for i := range poses {
		u := r3.Unit(poses[i].Accel)
		for _, v := range seen {
			if r3.Dot(u, v) > math.Cos(15*math.Pi/180) {
				continue next
			}
		}
		seen = append(seen, u)
	}
	return len(seen)
}

// farthest is the face, edge or corner that lies farthest from all poses.
func farthest(poses []calib.Pose) r3.Vec {
	best, far := r3.Vec{Z: 1}, 2.0
	for _, c := range faces() {
		near := -1.0
		for i := range poses {
			near = max(near, r3.Dot(c, r3.Unit(poses[i].Accel)))
		}
		if near < far-1e-9 {
			best, far = c, near
		}
	}
	return best
}

// faces are the six faces, twelve edges and eight corners of a cube, as
// directions, the faces first.
func faces() []r3.Vec {
	var out []r3.Vec
	for n := 1; n <= 3; n++ {
		for x := 1.0; x >= -1; x-- {
			for y := 1.0; y >= -1; y-- {
				for z := 1.0; z >= -1; z-- {
					if int(math.Abs(x)+math.Abs(y)+math.Abs(z)) == n {
						out = append(out, r3.Unit(r3.Vec{X: x, Y: y, Z: z}))
					}
				}
			}
		}
	}
	return out
}

// chips is the rotation from the magnetometer's axes to the inertial sensor's,
// as the settings have it. The caller holds the lock.
func (d *Daemon) chips() Mount { return d.chipsOf(d.opt.Magnetic) }

// chipsOf is chips for one of two magnetometers; straight for none.
func (d *Daemon) chipsOf(m *Magnetic) Mount {
	if m == nil {
		return Straight()
	}
	return d.opt.Inertial.Mount.transposed().after(m.Mount)
}

// chips2 is chips for the second accelerometer.
func (d *Daemon) chips2() Mount {
	return d.opt.Inertial.Mount.transposed().after(d.opt.Inertial2.Mount)
}

// transposed is the inverse rotation.
func (m Mount) transposed() Mount {
	return Mount{
		{X: m[0].X, Y: m[1].X, Z: m[2].X},
		{X: m[0].Y, Y: m[1].Y, Z: m[2].Y},
		{X: m[0].Z, Y: m[1].Z, Z: m[2].Z},
	}
}
