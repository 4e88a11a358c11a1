package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
	"plumbstar/sensors/calib"
)

// Correction makes calibrated body vectors of a sensor's raw ones.
type Correction struct {
	// Apply corrects in the sensor's own axes; nil leaves the vector as it is.
	Apply func(raw r3.Vec, tempC float64) r3.Vec
	// Error is the covariance that the calibration leaves, in the sensor's own
	// axes, for a corrected vector; nil when uncalibrated.
	Error func(corrected r3.Vec) estimator.Cov3
	// TempC is the chip temperature of the calibration, NaN when unknown.
	TempC float64
	// Affine is the calibration behind it, in the sensor's own axes, to which a
	// new one is compared; nil when there is none.
	Affine *calib.Affine
}

// Mount is a rotation from a sensor's axes to the body's; rows are body x, y, z
// in sensor axes.
type Mount [3]r3.Vec

// Straight is the mount of a sensor whose axes are the body's.
func Straight() Mount { return Mount{{X: 1}, {Y: 1}, {Z: 1}} }

func (m Mount) apply(v r3.Vec) r3.Vec {
	return r3.Vec{X: r3.Dot(m[0], v), Y: r3.Dot(m[1], v), Z: r3.Dot(m[2], v)}
}

// inverse of a rotation is its transpose.
func (m Mount) inverse(v r3.Vec) r3.Vec {
	return r3.Add(r3.Add(r3.Scale(v.X, m[0]), r3.Scale(v.Y, m[1])), r3.Scale(v.Z, m[2]))
}

// cov turns a covariance of sensor axes into body axes.
func (m Mount) cov(c estimator.Cov3) estimator.Cov3 {
	at := func(v r3.Vec, k int) float64 { return [3]float64{v.X, v.Y, v.Z}[k] }
	var out estimator.Cov3
	for i := range 3 {
		for j := range 3 {
			for a := range 3 {
				for b := range 3 {
					out[i][j] += at(m[i], a) * c[a][b] * at(m[j], b)
				}
			}
		}
	}
	return out
}

// ErrOpening is what Open may say while a sensor is being looked for or set up
// elsewhere: it is called again in the next round.
var ErrOpening = errors.New("the sensor is being opened")

// Inertial and Magnetic name how to open a sensor and how it is mounted.
type Inertial struct {
	// OnLost, when set, is called after the sensor was given up or not found.
	OnLost  func()
	Device  string // what is looked for, until it is found
	Open    func() (sensors.Inertial, error)
	Mount   Mount
	Correct Correction
}

type Magnetic struct {
	// OnLost, when set, is called after the sensor was given up or not found.
	OnLost  func()
	Device  string
	Open    func() (sensors.Magnetometer, error)
	Mount   Mount
	Correct Correction
}

// Options is everything that the loop needs from outside.
type Options struct {
	Clock sensors.Clock
	// UTC is the system's idea of the time at the moment Clock shows now.
	UTC func(now time.Duration) time.Time
	// ClockSource and ClockSigmaS say what UTC is worth: see ClockStatus.
	ClockSource string
	ClockSigmaS float64
	// NotBefore is a time that has certainly passed: a clock that shows an
	// earlier one is wrong.
	NotBefore time.Time

	Inertial *Inertial
	Magnetic *Magnetic
	// Inertial2 is a second accelerometer on the same board, with or without a
	// gyroscope, nil without.
	Inertial2 *Inertial
	// Magnetic2 is a second magnetometer on the same board, nil without; it needs
	// the first.
	Magnetic2 *Magnetic

	MountSigmaDeg float64
	LocalFieldUT  float64

	// Site is nil when no place is known.
	Site       *astro.Site
	SiteName   string
	SiteSource string

	// AimKind is "refracted" or "true"; air for the refraction.
	AimKind string
	Air     astro.Air

	Model *geomag.Model
	Kit   Kit

	// Watch is what the user has set of the watch.
	Watch WatchOptions

	// Store keeps calibrations and sightings; nil keeps them in memory only.
	Store Store

	// Journal is the night log; nil keeps none. OpenNight is the night that an
	// earlier start left open, nil when there is none; Settings what the night's row
	// says of the settings.
	Journal   Journal
	OpenNight *nightlog.Night
	Settings  json.RawMessage

	// Period is the loop's; PublishEvery that of snapshots.
	Period, PublishEvery time.Duration
	// OnSnapshot, when set, is called by the loop with every snapshot; it must
	// be quick.
	OnSnapshot func(*Snapshot)
	Log        *slog.Logger
}

func (o *Options) validate() error {
	switch {
	case o.Clock == nil || o.UTC == nil:
		return fmt.Errorf("daemon: no clock given")
	case o.Inertial == nil:
		return fmt.Errorf("daemon: no inertial sensor given")
	case o.Magnetic2 != nil && o.Magnetic == nil:
		return fmt.Errorf("daemon: a second magnetometer without a first")
	case o.Model == nil:
		return fmt.Errorf("daemon: no geomagnetic model given")
	case o.AimKind != "refracted" && o.AimKind != "true":
		return fmt.Errorf("daemon: aim %q: use \"refracted\" or \"true\"", o.AimKind)
	case o.Period <= 0 || o.PublishEvery < o.Period:
		return fmt.Errorf("daemon: period %v, publishing every %v: both must be positive, publishing not faster than the loop", o.Period, o.PublishEvery)
	}
	if o.Site != nil {
		if err := o.Site.Validate(); err != nil {
			return err
		}
	}
	return o.Watch.validate()
}
