package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// simNight is one night of simulate, in all ways.
type simNight struct {
	outcomes []scenario.Outcome
	// repeats counts calibrations that were refused and done again; accel and
	// compass tell whether there was one in the end.
	repeats        int
	accel, compass bool
	spec           sensors.InertialSpec
}

// maxBenches is how often a person calibrates before giving up.
const maxBenches = 3

// simulateNight lets one night happen in each way.
func simulateNight(place scenario.Place, board scenario.Board, seed uint64) (simNight, error) {
	var n simNight
	var b *simBench
	for _, way := range scenario.Ways() {
		e, err := scenario.NewEvening(place, board, seed, way)
		if err != nil {
			return n, err
		}
		if b == nil {
			if b, err = n.bench(e); err != nil {
				return n, fmt.Errorf("seed %d: %w", seed, err)
			}
		}
		o, err := b.evening(e)
		if err != nil {
			return n, fmt.Errorf("seed %d, %s: %w", seed, way, err)
		}
		n.outcomes = append(n.outcomes, o)
	}
	return n, nil
}

// simBench is what the bench has given, for all ways of a night.
type simBench struct {
	result calib.Result
	spec   sensors.InertialSpec
	leaves time.Duration
	field  geomag.Field
	model  *geomag.Model
}

// openBoard opens the drivers of a simulated board.
func openBoard(e *scenario.Night) (imu func() (sensors.Inertial, error), mag func() (sensors.Magnetometer, error)) {
	b := e.Board
	imu = func() (sensors.Inertial, error) {
		return openInertial(b.Inertial.Name, e.Bus, b.Inertial.Addr, e.Clock, 100)
	}
	mag = func() (sensors.Magnetometer, error) {
		return openMagnetometer(b.Magnetic.Name, e.Bus, b.Magnetic.Addr, e.Clock, 50)
	}
	return imu, mag
}

// bench calibrates until the program is content.
func (n *simNight) bench(e *scenario.Evening) (*simBench, error) {
	openIMU, openMag := openBoard(e.Night)
	imu, err := openIMU()
	if err != nil {
		return nil, err
	}
	mag, err := openMag()
	if err != nil {
		return nil, err
	}
	site := e.Place.Site
	b := &simBench{spec: imu.Spec(), model: geomag.WMM2025()}
	if b.field, err = b.model.At(site.LatDeg, site.LonDeg, site.HeightM/1000, astro.DecimalYear(e.Place.Begin)); err != nil {
		return nil, err
	}
	opt := calib.RecordingOptions{Spec: b.spec}
	opt.Mag.StrengthUT = b.field.TotalNT / 1000
	opt.Mag.StrengthSigmaUT = math.Hypot(b.field.TotalSigmaNT/1000, estimator.DefaultLocalFieldUT)
	for attempt := range maxBenches {
		h := e.Handling(attempt)
		rec, err := scenario.RunBench(e.Clock, e.World, imu, mag, e.Rng(), h)
		if err != nil {
			return nil, err
		}
		if b.result, err = calib.FromRecording(rec.Inertial, rec.Magnetic, opt); err != nil {
			return nil, err
		}
		if b.result.AccelErr == nil && b.result.MagErr == nil {
			break
		}
		n.repeats++
	}
	n.accel, n.compass = b.result.AccelErr == nil, b.result.MagErr == nil
	b.leaves = e.Clock.Now()
	n.spec = b.spec
	return b, nil
}

// evening runs the daemon while the person works.
func (b *simBench) evening(e *scenario.Evening) (scenario.Outcome, error) {
	accel, compass := uncalibrated(), uncalibrated()
	if b.result.AccelErr == nil {
		accel = correction(b.result.Accel)
	}
	if b.result.MagErr == nil {
		compass = correction(b.result.Mag.Affine)
	}
	p := &simProgram{bench: b, accel: accel, compass: compass}
	openIMU, openMag := openBoard(e.Night)
	clock := &steppedClock{Clock: e.Clock}
	site := e.Place.Site
	d, err := daemon.New(daemon.Options{
		Clock: clock, UTC: e.UTC, ClockSource: "entered", ClockSigmaS: 1,
		Inertial:      &daemon.Inertial{Device: e.Board.Inertial.Name, Mount: daemon.Straight(), Correct: accel, Open: openIMU},
		Magnetic:      &daemon.Magnetic{Device: e.Board.Magnetic.Name, Mount: daemon.Straight(), Correct: compass, Open: openMag},
		MountSigmaDeg: scenario.MountSigmaDeg,
		LocalFieldUT:  estimator.DefaultLocalFieldUT,
		Site:          &site, SiteName: e.Place.Name, SiteSource: "settings",
		AimKind: "refracted", Air: astro.StandardAir(site.HeightM),
		Model:  b.model,
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
	})
	if err != nil {
		return e.Outcome, err
	}
	p.d = d
	e.SetUp(b.leaves, p)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var seen uint64
	clock.after = func(now time.Duration) {
		s := d.Latest()
		if s == nil || s.Seq == seen || e.Ended() {
			return
		}
		seen = s.Seq
		if e.Look(now, view(s)); e.Ended() {
			cancel()
		}
	}
	err = d.Run(ctx)
	return e.Outcome, err
}

// view is a snapshot as an evening watches it.
func view(s *daemon.Snapshot) scenario.View {
	read := func(q estimator.Quantity) scenario.Reading {
		return scenario.Reading{Deg: q.Deg, SigmaDeg: q.SigmaDeg, Known: q.Known}
	}
	v := scenario.View{
		Screen: screen(s), At: s.Estimate.At, State: string(s.Estimate.State),
		Altitude: read(s.Estimate.Altitude), Azimuth: read(s.Estimate.Azimuth),
	}
	v.Disturbed = s.Estimate.State == estimator.Disturbed
	for _, p := range s.Estimate.Budget {
		if p.Name == "noise" {
			v.AltNoiseDeg = p.AltitudeDeg
		}
		v.Budget = append(v.Budget, scenario.Part{Name: p.Name, AltitudeDeg: p.AltitudeDeg, AzimuthDeg: p.AzimuthDeg})
	}
	return v
}

// steppedClock calls after whenever the loop has slept.
type steppedClock struct {
	*scenario.Clock
	after func(now time.Duration)
}

func (c *steppedClock) Sleep(d time.Duration) {
	c.Clock.Sleep(d)
	c.after(c.Clock.Now())
}

// simProgram is the program as the person of an evening uses it.
type simProgram struct {
	d              *daemon.Daemon
	bench          *simBench
	accel, compass daemon.Correction
}

// Begin starts a calibration by a turn.
func (p *simProgram) Begin(t scenario.Turn) error {
	kind := daemon.CalibrateHead
	if t == scenario.MountTurn {
		kind = daemon.CalibrateSwing
	}
	_, err := p.d.BeginCalibration(kind)
	return err
}

// Finish ends it. What was refused is not continued but done again.
func (p *simProgram) Finish() error {
	r, err := p.d.FinishCalibration()
	if err != nil || r.Accepted {
		return err
	}
	if err := p.d.CancelCalibration(); err != nil {
		return err
	}
	return errors.New("refused")
}

// Corrected is what the evening takes the errors apart with.
func (p *simProgram) Corrected() scenario.Corrected {
	apply := func(c daemon.Correction) scenario.Correction {
		if c.Apply == nil {
			return func(raw r3.Vec, _ float64) r3.Vec { return raw }
		}
		return c.Apply
	}
	c := scenario.Corrected{
		Accel: apply(p.accel), Compass: apply(p.compass), Axis: r3.Vec{X: 1}, DeclinationDeg: p.bench.field.DeclinationDeg,
	}
	inUse, _ := p.d.Calibrations()
	for _, r := range inUse {
		if r.Axis != nil {
			c.Axis = r.Axis.Direction
		}
	}
	return c
}

// Seen takes a sighting.
func (p *simProgram) Seen(s scenario.Sight) error {
	q := func(r scenario.Reading) estimator.Quantity {
		return estimator.Quantity{Deg: r.Deg, SigmaDeg: r.SigmaDeg, Known: r.Known, Source: "sighting"}
	}
	return p.d.Refer(estimator.Reference{Altitude: q(s.Altitude), Azimuth: q(s.Azimuth)})
}
