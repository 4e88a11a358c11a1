package gnss

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"
)

// ErrGpsd wraps what is wrong with a line of gpsd.
var ErrGpsd = errors.New("no object of gpsd")

// object is what is used of the objects TPV, SKY, GST, DEVICES, VERSION and
// ERROR, as gpsd_json(5) of release 3.22 describes them: an attribute that gpsd
// does not know is absent.
type object struct {
	Class  string
	Device string

	// TPV
	Mode     int
	Status   int
	Time     string
	Lat, Lon *float64
	AltHAE   *float64 `json:"altHAE"`
	AltMSL   *float64 `json:"altMSL"`
	Alt      *float64 // older releases: above the sea or the ellipsoid, unsaid
	GeoidSep *float64 `json:"geoidSep"`
	Eph      *float64
	Epx, Epy *float64
	Epv      *float64
	Speed    *float64
	Track    *float64
	Magvar   *float64

	// SKY
	PDOP       *float64 `json:"pdop"`
	HDOP       *float64 `json:"hdop"`
	VDOP       *float64 `json:"vdop"`
	NSat, USat *int
	Satellites []struct{ Used bool }

	// DEVICES
	Devices []struct{ Path string }

	// VERSION
	Release    string
	ProtoMajor int `json:"proto_major"`

	// ERROR
	Message string
}

// Decoder makes fixes of gpsd's objects. It keeps what comes in objects of
// their own (dilution, errors) by device, for the position that follows.
type Decoder struct {
	devices map[string]*gpsdDevice
	current string        // the device whose fixes are taken
	at      time.Duration // of its newest fix, if fixed
	fixed   bool
	// Attached counts the receivers that gpsd last listed; -1 before it did.
	Attached int
	Release  string
}

// gpsdDevice is what is known of one receiver.
type gpsdDevice struct {
	sky, gst   accuracyAt
	pdop       float64
	hdop, vdop float64
	used, seen int
	time       string
}

type accuracyAt struct {
	accuracy
	at    time.Duration
	known bool
}

const (
	// mostDevices bounds what a server can make the decoder remember.
	mostDevices = 16
	// skyKept is how long dilution and errors stay good for new positions.
	skyKept = 10 * time.Second
	// deviceKept is how long a silent receiver keeps its place as the one that is
	// followed.
	deviceKept = 5 * time.Second
)

// NewDecoder starts with nothing known.
func NewDecoder() *Decoder {
	return &Decoder{devices: make(map[string]*gpsdDevice), Attached: -1}
}

// Add reads one line that arrived at the given time; ok is false when it is no
// position. gpsd sends several positions about one moment while it learns the
// rhythm of a receiver; each is a fix here, but only the first has the time:
// later ones do not say when the moment was.
func (d *Decoder) Add(at time.Duration, line []byte) (f Fix, ok bool, err error) {
	var o object
	if err := json.Unmarshal(line, &o); err != nil || o.Class == "" {
		return Fix{}, false, fmt.Errorf("%w: %.40q", ErrGpsd, line)
	}
	switch o.Class {
	case "VERSION":
		d.Release = o.Release
		if o.ProtoMajor != 3 {
			return Fix{}, false, fmt.Errorf("%w: protocol %d of gpsd %.20q is not spoken, only 3: install gpsd 3", ErrGpsd, o.ProtoMajor, o.Release)
		}
	case "DEVICES":
		d.Attached = len(o.Devices)
	case "ERROR":
		return Fix{}, false, fmt.Errorf("%w: it answers %.80q", ErrGpsd, o.Message)
	case "SKY":
		d.sky(at, &o)
	case "GST":
		d.errors(at, line, o.Device)
	case "TPV":
		f, ok = d.position(at, &o)
	}
	return f, ok, nil
}

func (d *Decoder) device(name string) *gpsdDevice {
	v := d.devices[name]
	if v == nil {
		if len(d.devices) >= mostDevices {
			clear(d.devices)
		}
		nan := math.NaN()
		v = &gpsdDevice{pdop: nan, hdop: nan, vdop: nan, used: -1, seen: -1}
		d.devices[name] = v
	}
	return v
}

func (d *Decoder) sky(at time.Duration, o *object) {
	v := d.device(o.Device)
	if o.HDOP != nil || o.PDOP != nil || o.VDOP != nil {
		v.pdop, v.hdop, v.vdop = knownDOP(value(o.PDOP)), knownDOP(value(o.HDOP)), knownDOP(value(o.VDOP))
		v.sky = accuracyAt{at: at, known: true}
	}
	switch {
	case o.NSat != nil && o.USat != nil:
		v.seen, v.used = min(max(*o.NSat, -1), 999), min(max(*o.USat, -1), 999)
	case o.Satellites != nil:
		v.seen, v.used = len(o.Satellites), 0
		for _, s := range o.Satellites {
			if s.Used {
				v.used++
			}
		}
	}
}

// errors keeps the 1-sigma errors that the receiver itself states.
func (d *Decoder) errors(at time.Duration, line []byte, device string) {
	var o struct{ Lat, Lon, Alt *float64 }
	if json.Unmarshal(line, &o) != nil {
		return
	}
	v := d.device(device)
	v.gst = accuracyAt{at: at, known: true, accuracy: accuracy{
		north: knownSigma(value(o.Lat)), east: knownSigma(value(o.Lon)), height: knownSigma(value(o.Alt)), from: FromReceiver,
	}}
}

func (d *Decoder) position(at time.Duration, o *object) (Fix, bool) {
	if o.Device != d.current {
		if d.fixed && at-d.at < deviceKept {
			return Fix{}, false // another receiver is followed
		}
		d.current, d.fixed = o.Device, false
	}
	f := newFix()
	f.At, f.Device = at, o.Device
	v := d.device(o.Device)
	if v.sky.known && at-v.sky.at < skyKept {
		f.PDOP, f.HDOP, f.VDOP, f.Used, f.InView = v.pdop, v.hdop, v.vdop, v.used, v.seen
	}
	f.LatDeg, f.LonDeg = within(value(o.Lat), -90, 90), within(value(o.Lon), -180, 180)
	f.SpeedMS, f.TrackDeg = within(value(o.Speed), 0, maxSpeedMS), within(value(o.Track), 0, 360)
	f.MagvarDeg = within(value(o.Magvar), -180, 180)
	switch {
	case o.Mode < 2 || o.Mode > 3 || math.IsNaN(f.LatDeg) || math.IsNaN(f.LonDeg):
		f.clear("")
		return f, true
	case o.Status == 8:
		f.clear("the receiver simulates")
		return f, true
	case o.Status == 5:
		f.clear("the receiver estimates without satellites")
		return f, true
	}
	d.at, d.fixed = at, true
	f.Mode = Fix2D
	height, geoidKnown := heightOf(o)
	if o.Mode == 3 && !math.IsNaN(height) {
		f.Mode, f.HeightM = Fix3D, height
	}
	acc := accuracy{north: math.NaN(), east: math.NaN(), height: math.NaN()}
	if v.gst.known && at-v.gst.at < skyKept {
		acc = v.gst.accuracy
	}
	f.put(acc.orElse(estimated(o)).orElse(byDilution(f.HDOP, f.VDOP, o.Status == 2)), geoidKnown)
	if o.Time != "" && o.Time != v.time {
		v.time = o.Time
		if t, err := time.Parse(time.RFC3339, o.Time); err == nil {
			f.UTC = t.UTC()
		}
	}
	return f, true
}

// heightOf is the height above the ellipsoid, and whether it is really that.
func heightOf(o *object) (m float64, geoidKnown bool) {
	switch msl, sep := value(o.AltMSL), value(o.GeoidSep); {
	case o.AltHAE != nil:
		return within(*o.AltHAE, minHeightM, maxHeightM), true
	case !math.IsNaN(msl + sep):
		return within(msl+sep, minHeightM, maxHeightM), true
	case !math.IsNaN(msl):
		return within(msl, minHeightM, maxHeightM), false
	}
	return within(value(o.Alt), minHeightM, maxHeightM), false
}

// estimated is gpsd's own estimate. gpsd_json(5) calls its certainty unknown:
// for NMEA receivers it is 15 m times the dilution with 95 %, for others what
// their driver hands on. It is taken for 1 sigma, which is at worst too wide.
func estimated(o *object) accuracy {
	a := accuracy{north: knownSigma(value(o.Epy)), east: knownSigma(value(o.Epx)), height: knownSigma(value(o.Epv)), from: FromGpsd}
	if both := knownSigma(value(o.Eph)) / math.Sqrt2; math.IsNaN(a.north) || math.IsNaN(a.east) {
		a.north, a.east = both, both
	}
	return a
}

func value(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

func within(v, lo, hi float64) float64 {
	if v >= lo && v <= hi {
		return v
	}
	return math.NaN()
}

func knownSigma(v float64) float64 {
	if v > 0 && v <= maxSigmaM {
		return v
	}
	return math.NaN()
}
