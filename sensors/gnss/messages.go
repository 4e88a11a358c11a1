package gnss

import (
	"math"
	"time"
)

// The sentences that are decoded, with the fields that are used. What a
// receiver leaves empty is NaN, -1 or 0 (letters); times of day are negative.
type (
	// GGA: fix data.
	GGA struct {
		TimeOfDay      time.Duration
		LatDeg, LonDeg float64
		// Quality: 0 no fix, 1 autonomous, 2 differential, 3 PPS, 4 RTK, 5 RTK float,
		// 6 estimated, 7 typed in, 8 simulator; -1 not said.
		Quality  int
		Used     int
		HDOP     float64
		AltM     float64 // above mean sea level
		GeoidSep float64 // the sea level above the ellipsoid, metres
	}
	// RMC: recommended minimum.
	RMC struct {
		TimeOfDay      time.Duration
		Valid          bool
		LatDeg, LonDeg float64
		SpeedMS        float64
		TrackDeg       float64
		Date           time.Time // midnight UTC; zero when not known
		MagvarDeg      float64   // positive east
		ModeLetter     byte      // A, D, E, F, M, N, P, R, S; 0 when not said
	}
	// GSA: dilution and kind of fix. A receiver of several systems sends one each.
	GSA struct {
		Mode             int // 1 no fix, 2 2D, 3 3D; -1 not said
		PDOP, HDOP, VDOP float64
	}
	// GST: 1-sigma errors, metres.
	GST struct {
		TimeOfDay                             time.Duration
		NorthSigmaM, EastSigmaM, HeightSigmaM float64
	}
	// ZDA: time and date.
	ZDA struct {
		TimeOfDay time.Duration
		Date      time.Time
	}
	// GSV: satellites in view of one system.
	GSV struct{ Messages, Message, InView int }
)

const metresPerSecondPerKnot = 1852.0 / 3600

// Decode reads the fields of a sentence of a satellite receiver. Kinds that are
// not used give nil and no error.
func Decode(s *Sentence) (any, error) {
	if !s.Satellite() {
		return nil, nil
	}
	r := &fields{kind: s.Kind, f: s.Fields}
	var m any
	switch s.Kind {
	case "GGA":
		m = GGA{
			TimeOfDay: r.timeOfDay(0), LatDeg: r.angle(1, 2, 'N', 'S', 90), LonDeg: r.angle(3, 3, 'E', 'W', 180),
			Quality: r.count(5, 9), Used: r.count(6, 199), HDOP: r.dop(7),
			AltM: r.metres(8), GeoidSep: r.metres(10),
		}
	case "RMC":
		m = RMC{
			TimeOfDay: r.timeOfDay(0), Valid: r.letter(1, "AV") == 'A',
			LatDeg: r.angle(2, 2, 'N', 'S', 90), LonDeg: r.angle(4, 3, 'E', 'W', 180),
			SpeedMS: r.number(6, 0, maxSpeedMS/metresPerSecondPerKnot) * metresPerSecondPerKnot, TrackDeg: r.number(7, 0, 360),
			Date: r.shortDate(8), MagvarDeg: r.magvar(9), ModeLetter: r.letter(11, "ADEFMNPRS"),
		}
	case "GSA":
		m = GSA{Mode: r.count(1, 3), PDOP: r.dop(14), HDOP: r.dop(15), VDOP: r.dop(16)}
	case "GST":
		m = GST{TimeOfDay: r.timeOfDay(0), NorthSigmaM: r.sigma(5), EastSigmaM: r.sigma(6), HeightSigmaM: r.sigma(7)}
	case "ZDA":
		m = ZDA{TimeOfDay: r.timeOfDay(0), Date: r.longDate(1)}
	case "GSV":
		m = GSV{Messages: r.count(0, 99), Message: r.count(1, 99), InView: r.count(2, 199)}
	default:
		return nil, nil
	}
	return m, r.err
}

// dop is a dilution of precision; receivers without a fix send 0 or 99.99.
func (r *fields) dop(i int) float64 { return knownDOP(r.number(i, 0, 1e5)) }

func knownDOP(v float64) float64 {
	if v > 0 && v <= maxDOP {
		return v
	}
	return math.NaN()
}

// metres is a height whose unit stands in the next field.
func (r *fields) metres(i int) float64 {
	if r.letter(i+1, "M") == 0 && r.text(i) != "" {
		r.refuse(i+1, "the unit M")
		return math.NaN()
	}
	return r.number(i, minHeightM, maxHeightM)
}

// sigma 0 is what receivers send that have none.
func (r *fields) sigma(i int) float64 {
	if v := r.number(i, 0, maxSigmaM); v > 0 {
		return v
	}
	return math.NaN()
}

func (r *fields) magvar(i int) float64 {
	v := r.number(i, 0, 180)
	switch r.letter(i+1, "EW") {
	case 'E':
		return v
	case 'W':
		return -v
	}
	return math.NaN()
}

// shortDate is ddmmyy. The century is the one after 1980, when GPS time began.
func (r *fields) shortDate(i int) time.Time {
	s := r.text(i)
	if s == "" {
		return time.Time{}
	}
	if v, ok := digits(s); ok && len(s) == 6 {
		year := 2000 + v%100
		if v%100 >= 80 {
			year -= 100
		}
		if t, ok := date(year, v/100%100, v/10000); ok {
			return t
		}
	}
	r.refuse(i, "a date ddmmyy")
	return time.Time{}
}

// longDate is day, month and year in three fields.
func (r *fields) longDate(i int) time.Time {
	if r.text(i) == "" && r.text(i+1) == "" && r.text(i+2) == "" {
		return time.Time{}
	}
	day, month, year := r.count(i, 31), r.count(i+1, 12), r.count(i+2, 9999)
	t, ok := date(year, month, day)
	if !ok {
		r.refuse(i, "a date dd,mm,yyyy")
	}
	return t
}

// date refuses days that the month does not have.
func date(year, month, day int) (time.Time, bool) {
	if year < 1980 || month < 1 || month > 12 || day < 1 {
		return time.Time{}, false
	}
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if t.Day() != day || t.Month() != time.Month(month) {
		return time.Time{}, false
	}
	return t, true
}
