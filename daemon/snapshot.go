package daemon

import (
	"time"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
	"plumbstar/sensors"
)

// Snapshot is everything that the daemon knows at one moment. It is never
// changed after it was published; readers may keep it.
type Snapshot struct {
	// Seq counts the published snapshots from 1.
	Seq uint64
	// Mono is the monotonic time of the snapshot.
	Mono time.Duration
	// Time is the UTC that the daemon believes in; see Clock.
	Time     time.Time
	Estimate estimator.Estimate
	Guidance guidance.Guidance
	// Field is the model field at the site, nil when site or date do not allow one.
	Field   *geomag.Field
	GoodFor []GoodFor
	// Warnings are those of site and clock; Estimate has its own.
	Warnings []estimator.Warning
	Site     SiteStatus
	Clock    ClockStatus
	Sensors  []SensorStatus
	// Loop is the health of the loop itself.
	Loop LoopStatus
	// Log is how the night log fares, nil when there is none.
	Log *LogStatus
}

// NotKnown is the verdict while the alignment is not known.
const NotKnown = "not known"

// GoodFor answers whether the alignment reached suffices for one lens and exposure.
type GoodFor struct {
	Lens      string // "24 mm"
	ExposureS float64
	Verdict   string // "yes", "probably", "no", "not known"
}

// SiteStatus is where the daemon believes to be.
type SiteStatus struct {
	Known  bool
	Name   string
	Site   astro.Site
	Source string // SiteSettings, SiteEntered or SiteGNSS
	// SigmaM is the 1-sigma error of the place on the ground; 0: nobody said.
	SigmaM float64
}

// Where a site comes from.
const (
	SiteSettings = "settings"
	SiteEntered  = "entered"
	SiteGNSS     = "gnss"
)

// ClockStatus says how far Time may be trusted.
type ClockStatus struct {
	// Source is "system", "system, synchronised", "entered", "gnss" or "unknown".
	Source string
	// SigmaS is the 1-sigma error in seconds; negative when unknown.
	SigmaS float64
	// OffsetS is what the daemon adds to the system clock.
	OffsetS float64
	// Plausible is false when the clock stands before the build date or beyond
	// the models; numbers that need the date are then not given.
	Plausible bool
	Why       string
}

// SensorStatus is one sensor's health.
type SensorStatus struct {
	Name   string // "inertial", "inertial2", "magnetic", "magnetic2", "gnss", "air", "display"
	Device string // String() of the driver, or what is looked for
	State  string // "ok", "starting", "lost"
	// Fault is the newest fault, empty when there was none.
	Fault  sensors.Fault
	Advice string
	// LastError is one line, empty when there was none.
	LastError string
	RateHz    float64 // measured over the last seconds
	AgeS      float64 // of the newest sample; negative when there is none
	Samples   uint64
	Errors    uint64
	// Faults counts by name.
	Faults map[string]uint64
	// Recoveries counts how often the sensor came back after being lost.
	Recoveries uint64
	TempC      float64 // NaN when unknown
	Clipped    uint64
	Overruns   uint64
}

// LoopStatus is how the sensor loop fares.
type LoopStatus struct {
	Ticks uint64
	Late  uint64 // ticks that began more than one period late
}
