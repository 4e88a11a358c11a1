// Package gnss reads satellite receivers: position and time from bare NMEA 0183
// on a serial line or from the JSON of a gpsd server, each fix with its
// dilution, its age and its 1-sigma error. It never writes to a receiver.
//
// Times of arrival are on the sensors.Clock that is passed in. Latitude and
// longitude are WGS 84 in degrees, north and east positive; heights are metres
// above the WGS 84 ellipsoid.
package gnss

import (
	"math"
	"time"
)

// Mode is what a receiver has solved for.
type Mode int

const (
	// NoFix: no position, or none that was measured (simulator, typed in, dead
	// reckoning).
	NoFix Mode = iota
	// Fix2D: latitude and longitude; the height was held or guessed.
	Fix2D
	// Fix3D: latitude, longitude and height.
	Fix3D
)

func (m Mode) String() string {
	switch m {
	case Fix2D:
		return "2D"
	case Fix3D:
		return "3D"
	}
	return "no fix"
}

// Where the sigmas of a fix come from, best first.
const (
	FromReceiver = "receiver" // the sentence GST or gpsd's object GST
	FromGpsd     = "gpsd"     // gpsd's estimated errors
	FromDilution = "dilution" // dilution of precision times an assumed ranging error
	FromNothing  = "assumed"  // the receiver says nothing: a wide guess
)

// Fix is what a receiver says about one moment. Numbers that it does not say
// are NaN, counts -1, times zero.
type Fix struct {
	// At is when the first byte about this moment arrived; the moment itself was
	// earlier by the receiver's latency (see Timing).
	At   time.Duration
	Mode Mode
	// Doubt says why a position that was sent is not taken for a fix.
	Doubt string

	LatDeg, LonDeg float64
	HeightM        float64 // above the ellipsoid; NaN unless Mode is Fix3D
	// 1 sigma of the position, metres to the north, to the east and upward, and
	// where they come from. NaN without a fix.
	NorthSigmaM, EastSigmaM, HeightSigmaM float64
	SigmaFrom                             string

	PDOP, HDOP, VDOP float64 // dilution of precision: position, horizontal, vertical
	Used, InView     int     // satellites

	// UTC of the moment; zero while the receiver has no valid fix, since its clock
	// may then run on from the last one or from its maker's date.
	UTC      time.Time
	SpeedMS  float64 // over ground
	TrackDeg float64 // of the motion, from true north

	// MagvarDeg is the magnetic declination that the receiver's or gpsd's own
	// model gives, positive east.
	MagvarDeg float64
	// Device is the receiver behind gpsd; empty otherwise.
	Device string
}

// Age is how long ago the fix arrived.
func (f *Fix) Age(now time.Duration) time.Duration { return now - f.At }

func newFix() Fix {
	nan := math.NaN()
	return Fix{
		LatDeg: nan, LonDeg: nan, HeightM: nan, NorthSigmaM: nan, EastSigmaM: nan, HeightSigmaM: nan,
		PDOP: nan, HDOP: nan, VDOP: nan, Used: -1, InView: -1, SpeedMS: nan, TrackDeg: nan, MagvarDeg: nan,
	}
}

// clear takes the position back.
func (f *Fix) clear(doubt string) {
	nan := math.NaN()
	f.Mode, f.Doubt, f.UTC = NoFix, doubt, time.Time{}
	f.LatDeg, f.LonDeg, f.HeightM = nan, nan, nan
	f.NorthSigmaM, f.EastSigmaM, f.HeightSigmaM, f.SigmaFrom = nan, nan, nan, ""
}

// The bounds of what is taken for a value; beyond them a number is an error of
// the line or of the receiver.
const (
	minHeightM, maxHeightM = -1000, 20000
	maxSigmaM              = 1e5
	maxDOP                 = 50 // receivers send 99.99 for "none"
	maxSpeedMS             = 1000
)
