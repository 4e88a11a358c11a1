package daemon_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/lsm6dso"
	"plumbstar/sensors/mmc5983ma"
	"plumbstar/sensors/sim"
)

// rig is a daemon over the real drivers and imperfect simulated chips on a body
// that is moved along a path. The magnetometer's axes lie otherwise than those of
// the inertial sensor, as on many boards.
type rig struct {
	t     testing.TB
	rng   *rand.Rand
	place scenario.Place
	path  *scenario.Path
	clock *scenario.Clock
	bus   *sim.Bus
	d     *daemon.Daemon
	store *memory

	mu    sync.Mutex
	field r3.Vec // ENU, µT
	iron  r3.Vec // turns with the body, µT
	tempC float64
	// crooked is the rotation from the board's axes to the body's.
	crooked quat.Number

	seen *daemon.Snapshot
	// world is what a chip feels whose axes come from the board's by a function.
	world func(chip func(r3.Vec) r3.Vec) sim.WorldFunc

	end             time.Duration
	reached, resume chan struct{}
	pause, stop     func()
}

// magAxes is the magnetometer's mount: body x, y, z in its own axes.
var magAxes = daemon.Mount{{Y: 1}, {X: 1}, {Z: -1}}

func newRig(t testing.TB, key string, seed uint64, change func(*daemon.Options)) *rig {
	t.Helper()
	return newRigOn(t, key, seed, nil, change)
}

// newRigOn is newRig with another inertial sensor than the LSM6DSO.
func newRigOn(t testing.TB, key string, seed uint64, other func(*rig, sim.World) *daemon.Inertial, change func(*daemon.Options)) *rig {
	t.Helper()
	place, err := scenario.PlaceNamed(key)
	if err != nil {
		t.Fatal(err)
	}
	f, err := geomag.WMM2025().At(place.Site.LatDeg, place.Site.LonDeg, place.Site.HeightM/1000, astro.DecimalYear(place.Begin))
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{
		t: t, rng: rand.New(rand.NewPCG(seed, 99)), place: place, path: scenario.NewPath(quat.Number{Real: 1}), clock: scenario.NewClock(),
		field: r3.Vec{X: f.EastNT / 1000, Y: f.NorthNT / 1000, Z: -f.DownNT / 1000}, crooked: quat.Number{Real: 1}, store: &memory{}, tempC: 15,
	}
	world := func(chip func(r3.Vec) r3.Vec) sim.WorldFunc {
		return func(at time.Duration) sim.Environment {
			q, rate := r.path.At(at)
			r.mu.Lock()
			defer r.mu.Unlock()
			inv := quat.Conj(quat.Mul(q, r.crooked))
			force := r3.Vec{Z: sensors.StandardGravity}
			if rate != (r3.Vec{}) { // a hand trembles
				s := at.Seconds()
				force = r3.Add(force, r3.Scale(0.03, r3.Vec{X: math.Sin(2 * math.Pi * 8.3 * s), Y: math.Sin(2 * math.Pi * 9.7 * s), Z: math.Sin(2 * math.Pi * 11.1 * s)}))
			}
			return sim.Environment{
				Force: chip(turn(inv, force)), Rate: chip(turn(quat.Conj(r.crooked), rate)),
				FieldUT: chip(r3.Add(turn(inv, r.field), r.iron)), TempC: r.tempC,
			}
		}
	}
	r.world = world
	r.bus = sim.NewBus("simulated I2C", r.clock, sim.Adapter{})
	if err := r.bus.Attach(imuAddr, sim.NewLSM6DSO(world(func(v r3.Vec) r3.Vec { return v }), sim.TypicalLSM6DSO(seed))); err != nil {
		t.Fatal(err)
	}
	swapped := func(v r3.Vec) r3.Vec { return r3.Vec{X: v.Y, Y: v.X, Z: -v.Z} }
	if err := r.bus.Attach(magAddr, sim.NewMMC5983MA(world(swapped), sim.TypicalMMC5983MA(seed+1))); err != nil {
		t.Fatal(err)
	}
	o := r.options()
	if other != nil {
		o.Inertial = other(r, world(func(v r3.Vec) r3.Vec { return v }))
	}
	if change != nil {
		change(&o)
	}
	r.start(o)
	return r
}

func (r *rig) options() daemon.Options {
	none := daemon.Correction{TempC: math.NaN()}
	site := r.place.Site
	return daemon.Options{
		Clock: loopClock{r.clock, r}, UTC: func(now time.Duration) time.Time { return r.place.Begin.Add(now) },
		ClockSource: "entered", ClockSigmaS: 1,
		Inertial: &daemon.Inertial{Device: "LSM6DSO", Mount: daemon.Straight(), Correct: none,
			Open: func() (sensors.Inertial, error) {
				o := lsm6dso.DefaultOpts()
				return orNil[sensors.Inertial](lsm6dso.New(r.bus, imuAddr, r.clock, &o))
			}},
		Magnetic: &daemon.Magnetic{Device: "MMC5983MA", Mount: magAxes, Correct: none,
			Open: func() (sensors.Magnetometer, error) {
				o := mmc5983ma.DefaultOpts()
				return orNil[sensors.Magnetometer](mmc5983ma.New(r.bus, magAddr, r.clock, &o))
			}},
		MountSigmaDeg: 0.2, LocalFieldUT: 0.7,
		Site: &site, SiteName: r.place.Name, SiteSource: "settings",
		AimKind: "refracted", Air: astro.StandardAir(site.HeightM), Model: geomag.WMM2025(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
		Store:      r.store,
		OnSnapshot: func(s *daemon.Snapshot) { r.seen = s },
	}
}

// start lets the daemon run; it stops the simulated time until run lets it go on.
func (r *rig) start(o daemon.Options) {
	r.t.Helper()
	o.Clock = loopClock{r.clock, r}
	d, err := daemon.New(o)
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	gone := make(chan error, 1)
	reached, resume := make(chan struct{}), make(chan struct{})
	r.d, r.end, r.reached, r.resume = d, r.clock.Now(), reached, resume
	r.pause = func() {
		if ctx.Err() == nil && r.clock.Now() >= r.end {
			reached <- struct{}{}
			<-resume
		}
	}
	go func() { gone <- d.Run(ctx) }()
	<-reached
	r.stop = sync.OnceFunc(func() {
		cancel()
		resume <- struct{}{}
		if err := <-gone; err != nil {
			r.t.Error(err)
		}
	})
	r.t.Cleanup(r.stop)
}

// loopClock is the loop's clock. It alone stops for the test: a driver sleeps
// while the loop holds its lock.
type loopClock struct {
	*scenario.Clock
	r *rig
}

func (c loopClock) Sleep(d time.Duration) {
	c.Clock.Sleep(d)
	c.r.pause()
}

// run lets the daemon work for some time.
func (r *rig) run(length time.Duration) {
	r.end = r.clock.Now() + length
	r.resume <- struct{}{}
	<-r.reached
}

// poses lays the board down in n attitudes spread over the sphere.
func (r *rig) poses(n int) {
	at := r.path.End()
	if at < r.clock.Now() {
		at = r.clock.Now()
	}
	for k := range n {
		z := 1 - 2*(float64(k)+0.5)/float64(n)
		s, c := math.Sincos(float64(k) * math.Pi * (3 - math.Sqrt(5)))
		up := r3.Vec{X: math.Sqrt(1-z*z) * c, Y: math.Sqrt(1-z*z) * s, Z: z}
		r.path.TurnTo(at, 1500*time.Millisecond, upTo(up))
		at += 4 * time.Second
	}
	r.run(at - r.clock.Now() + time.Second)
}

// upTo is an attitude whose body direction up points to the zenith.
func upTo(up r3.Vec) quat.Number {
	axis := r3.Cross(up, r3.Vec{Z: 1})
	n := r3.Norm(axis)
	if n < 1e-9 {
		axis, n = r3.Vec{X: 1}, 1
	}
	return quat.Number(r3.NewRotation(math.Acos(max(-1, min(1, up.Z))), r3.Scale(1/n, axis)))
}

// turnFreely turns the board about many axes.
func (r *rig) turnFreely(n int) {
	at := r.clock.Now()
	for range n {
		axis := r3.Unit(r3.Vec{X: r.rng.NormFloat64(), Y: r.rng.NormFloat64(), Z: r.rng.NormFloat64()})
		r.path.Turn(at, 1500*time.Millisecond, axis, (0.5+0.4*r.rng.Float64())*math.Pi)
		at += 1500 * time.Millisecond
	}
	r.run(at - r.clock.Now() + 2*time.Second)
}

// point puts the axis somewhere and waits.
func (r *rig) point(altDeg, azDeg float64) {
	r.path.TurnTo(r.clock.Now(), 6*time.Second, scenario.Attitude(altDeg, azDeg, 0))
	r.run(12 * time.Second)
}

// turnAbout turns the body about an axis in world axes, with a rest before and
// after.
func (r *rig) turnAbout(axis r3.Vec, deg float64, takes time.Duration) {
	r.run(4 * time.Second)
	r.path.Turn(r.clock.Now(), takes, axis, deg*math.Pi/180)
	r.run(takes + 4*time.Second)
}

func (r *rig) begin(kind daemon.CalibrationKind) {
	r.t.Helper()
	if _, err := r.d.BeginCalibration(kind); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) finish() daemon.CalibrationResult {
	r.t.Helper()
	res, err := r.d.FinishCalibration()
	if err != nil {
		r.t.Fatal(err)
	}
	return res
}

func (r *rig) status() daemon.CalibrationStatus {
	r.t.Helper()
	s, err := r.d.Calibrating()
	if err != nil {
		r.t.Fatal(err)
	}
	return s
}

// off is how far the estimate is from the truth, degrees and sigmas.
func (r *rig) off() (alt, az, altSigmas, azSigmas float64) {
	r.t.Helper()
	e := r.seen.Estimate
	q, _ := r.path.At(r.clock.Now())
	ta, tz := scenario.Direction(q)
	if !e.Altitude.Known || !e.Azimuth.Known {
		r.t.Fatalf("not known: altitude %q, azimuth %q", e.Altitude.Why, e.Azimuth.Why)
	}
	alt, az = e.Altitude.Deg-ta, astro.Turn180(e.Azimuth.Deg-tz)
	return alt, az, alt / e.Altitude.SigmaDeg, az / e.Azimuth.SigmaDeg
}

// turn rotates v by q.
func turn(q quat.Number, v r3.Vec) r3.Vec {
	p := quat.Mul(quat.Mul(q, quat.Number{Imag: v.X, Jmag: v.Y, Kmag: v.Z}), quat.Conj(q))
	return r3.Vec{X: p.Imag, Y: p.Jmag, Z: p.Kmag}
}

// memory is a store that forgets with the process; records pass through JSON as
// they do on a disk.
type memory struct {
	mu           sync.Mutex
	calibrations [][]byte
	sightings    [][]byte
	documents    map[string]json.RawMessage
	broken       error
}

func (m *memory) Calibrations() ([]daemon.CalibrationRecord, error) {
	out := make([]daemon.CalibrationRecord, len(m.calibrations))
	for i, row := range m.calibrations {
		if err := json.Unmarshal(row, &out[i]); err != nil {
			// As the night log, which has part and board in columns of their own.
			var r struct {
				Part  daemon.Part
				Board string
			}
			_ = json.Unmarshal(row, &r)
			out[i] = daemon.CalibrationRecord{Part: r.Part, Board: r.Board, Damaged: err.Error()}
		}
	}
	return out, nil
}

func (m *memory) Sightings() ([]daemon.SightingRecord, error) {
	return decode[daemon.SightingRecord](m.sightings)
}

func decode[T any](rows [][]byte) ([]T, error) {
	out := make([]T, len(rows))
	for i := range rows {
		if err := json.Unmarshal(rows[i], &out[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (m *memory) AddCalibration(r *daemon.CalibrationRecord) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	if err := r.Check(); err != nil {
		return fmt.Errorf("what the daemon keeps it would refuse: %w", err)
	}
	r.ID = int64(len(m.calibrations) + 1)
	b, err := json.Marshal(r)
	m.calibrations = append(m.calibrations, b)
	return err
}

func (m *memory) AddSighting(r *daemon.SightingRecord) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	r.ID = int64(len(m.sightings) + 1)
	b, err := json.Marshal(r)
	m.sightings = append(m.sightings, b)
	return err
}

func (m *memory) Document(name string) (json.RawMessage, error) { return m.documents[name], nil }

func (m *memory) PutDocument(name string, text json.RawMessage) error {
	if m.documents == nil {
		m.documents = map[string]json.RawMessage{}
	}
	m.documents[name] = text
	return m.broken
}
