package gnss

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// The examples that are printed all over the public descriptions of NMEA 0183
// (D. DePriest, "NMEA data"; E. S. Raymond, "NMEA Revealed"; for GST the help of
// a receiver's maker), with the values that they give in words.
func TestPublicExamples(t *testing.T) {
	nan := math.NaN()
	for line, want := range map[string]any{
		"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47": GGA{
			TimeOfDay: 12*time.Hour + 35*time.Minute + 19*time.Second, LatDeg: 48 + 7.038/60, LonDeg: 11 + 31.0/60,
			Quality: 1, Used: 8, HDOP: 0.9, AltM: 545.4, GeoidSep: 46.9,
		},
		"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A": RMC{
			TimeOfDay: 12*time.Hour + 35*time.Minute + 19*time.Second, Valid: true, LatDeg: 48 + 7.038/60, LonDeg: 11 + 31.0/60,
			SpeedMS: 22.4 * 1852 / 3600, TrackDeg: 84.4, Date: time.Date(1994, 3, 23, 0, 0, 0, 0, time.UTC), MagvarDeg: -3.1,
		},
		"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39":                      GSA{Mode: 3, PDOP: 2.5, HDOP: 1.3, VDOP: 2.1},
		"$GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45*75": GSV{Messages: 2, Message: 1, InView: 8},
		"$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A": GST{
			TimeOfDay: 17*time.Hour + 28*time.Minute + 14*time.Second, NorthSigmaM: 0.023, EastSigmaM: 0.020, HeightSigmaM: 0.031,
		},
		"$GPZDA,201530.00,04,07,2002,00,00*60": ZDA{
			TimeOfDay: 20*time.Hour + 15*time.Minute + 30*time.Second, Date: time.Date(2002, 7, 4, 0, 0, 0, 0, time.UTC),
		},
		// Without a fix nearly all is empty.
		sentence("GNGGA,,,,,,0,00,99.99,,,,,,"):               GGA{TimeOfDay: -1, LatDeg: nan, LonDeg: nan, Quality: 0, Used: 0, HDOP: nan, AltM: nan, GeoidSep: nan},
		sentence("GNGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99,1"): GSA{Mode: 1, PDOP: nan, HDOP: nan, VDOP: nan},
		// Leap second, fraction of a second, southern and western halves, a sea below the ellipsoid.
		sentence("GAGGA,235960.25,3136.00,S,17959.9999,W,2,12,0.7,-3.5,M,-17.1,M,,"): GGA{
			TimeOfDay: 24*time.Hour + 250*time.Millisecond, LatDeg: -31.6, LonDeg: -(179 + 59.9999/60), Quality: 2, Used: 12,
			HDOP: 0.7, AltM: -3.5, GeoidSep: -17.1,
		},
	} {
		s, err := ParseSentence([]byte(line + "\r\n"))
		if err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		got, err := Decode(&s)
		if err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if d := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 1e-12)); d != "" {
			t.Errorf("%s:\n%s", line, d)
		}
	}
}

func TestDamagedLinesAreRefused(t *testing.T) {
	const good = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
	for _, c := range []struct {
		line string
		want error
	}{
		{"", ErrNoSentence},
		{"$", ErrNoSentence},
		{"$GPGGA", ErrNoSentence},
		{strings.TrimSuffix(good, "*47"), ErrNoSentence}, // no checksum
		{good[:len(good)-1], ErrNoSentence},
		{strings.Replace(good, "4807", "4907", 1), ErrChecksum},
		{strings.Replace(good, "*47", "*4g", 1), ErrNoSentence},
		{strings.Replace(good, "*47", "*48", 1), ErrChecksum},
		{"$GPGGA,\x00*56", ErrNoSentence},
		{"$GPGGA,\xff*56", ErrNoSentence},
		{"$GPGGAX,1*00", ErrChecksum},
		{sentence("GPGGAX,1,2"), ErrNoSentence},
		{sentence(",,,,,,,,"), ErrNoSentence},
		{sentence("GPGGA," + strings.Repeat("1", 300)), ErrNoSentence},
		{"!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D", ErrNoSentence},
		{"\xb5\x62\x01\x07binary frame of a maker", ErrNoSentence},
	} {
		if _, err := ParseSentence([]byte(c.line)); !errors.Is(err, c.want) {
			t.Errorf("%q: error %v, want %v", c.line, err, c.want)
		}
	}
	// What is left of a cut sentence before a whole one does not spoil it.
	if s, err := ParseSentence([]byte("12,N,01" + good)); err != nil || s.Talker != "GP" || s.Kind != "GGA" {
		t.Errorf("after a cut: %+v, %v", s, err)
	}
}

func TestFieldsOutOfRangeAreRefused(t *testing.T) {
	for _, body := range []string{
		"GPGGA,243519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // hour 24
		"GPGGA,126019,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // minute 60
		"GPGGA,123561,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // second 61
		"GPGGA,1235,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",         // cut
		"GPGGA,123519,9000.001,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // beyond the pole
		"GPGGA,123519,4860.000,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // 60 minutes
		"GPGGA,123519,4807.038,N,18000.001,E,1,08,0.9,545.4,M,46.9,M,,",       // beyond 180
		"GPGGA,123519,4807.038,E,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // wrong letter
		"GPGGA,123519,-807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // sign in degrees
		"GPGGA,123519,48-7.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",       // sign in minutes
		"GPGGA,123519,4807.038,N,01131.000,E,X,08,0.9,545.4,M,46.9,M,,",       // quality
		"GPGGA,123519,4807.038,N,01131.000,E,1,1e3,0.9,545.4,M,46.9,M,,",      // exponent
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,inf,545.4,M,46.9,M,,",       // what ParseFloat would take
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,nan,545.4,M,46.9,M,,",       //
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,0x1p4,545.4,M,46.9,M,,",     //
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,F,46.9,M,,",       // feet
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,,46.9,M,,",        // no unit
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,99999999.9,M,46.9,M,,",  // height
		"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,1.2.3,M,46.9,M,,",       // two points
		"GPRMC,123519,B,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",    // status
		"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,310294,003.1,W",    // 31 February
		"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,001394,003.1,W",    // month 13
		"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,2303941,003.1,W",   // seven digits
		"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,181.0,W",    // declination
		"GPRMC,123519,A,4807.038,N,01131.000,E,99999,084.4,230394,003.1,W",    // faster than any tripod
		"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W,AA", // two letters
		"GPZDA,201530.00,31,06,2002,00,00",
		"GPZDA,201530.00,,06,2002,00,00",
		"GPZDA,201530.00,04,07,0002,00,00",
		"GPGSA,A,4,04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
		"GPGST,172814.0,0.006,0.023,0.020,273.6,-0.023,0.020,0.031",
		"GPGSV,2,1,-8",
	} {
		s, err := ParseSentence([]byte(sentence(body)))
		if err != nil {
			t.Errorf("%s: %v", body, err)
			continue
		}
		if m, err := Decode(&s); !errors.Is(err, ErrField) {
			t.Errorf("%s passed as %+v (%v)", body, m, err)
		}
	}
}

func TestOtherTalkersAndKindsAreLeftAlone(t *testing.T) {
	for _, body := range []string{
		"IIGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", // an instrument that repeats others
		"GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", "GNTXT,01,01,02,hello", "PMTK001,314,3", "GPGGB,1",
	} {
		s, err := ParseSentence([]byte(sentence(body)))
		if err != nil {
			t.Errorf("%s: %v", body, err)
		}
		if m, err := Decode(&s); m != nil || err != nil {
			t.Errorf("%s: %v, %v", body, m, err)
		}
	}
	for _, talker := range []string{"GP", "GN", "GL", "GA", "GB", "BD", "GQ", "QZ", "GI"} {
		s, err := ParseSentence([]byte(sentence(talker + "GSA,A,2,,,,,,,,,,,,,3,2,1")))
		if err != nil {
			t.Error(err)
		}
		if m, _ := Decode(&s); m != (GSA{Mode: 2, PDOP: 3, HDOP: 2, VDOP: 1}) {
			t.Errorf("%s: %v", talker, m)
		}
	}
}

// FuzzSentence: whatever arrives, nothing panics, what is taken has a checksum
// and lies in range, and a fix has all that makes one.
func FuzzSentence(f *testing.F) {
	for _, l := range []string{
		"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
		"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
		"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
		"$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A",
		"$GPZDA,201530.00,04,07,2002,00,00*60", "$PGRMM,WGS 84*06", "$*00", "\x00$,*2c",
	} {
		f.Add([]byte(l), true)
	}
	f.Fuzz(func(t *testing.T, body []byte, seal bool) {
		line := body
		if seal { // a right checksum, so that the fields are reached
			line = []byte(sentence(strings.TrimPrefix(string(body), "$")))
		}
		s, err := ParseSentence(line)
		if err != nil {
			return
		}
		m, err := Decode(&s)
		if err != nil || m == nil {
			return
		}
		var a Assembler
		a.Add(0, &s, m)
		fix, ok := a.Add(time.Hour, &Sentence{Talker: "GP", Kind: "GSV"}, GSV{InView: 3})
		if ok {
			checkFix(t, &fix)
		}
	})
}

// checkFix holds for every fix, wherever it comes from.
func checkFix(t *testing.T, f *Fix) {
	t.Helper()
	if f.Mode == NoFix {
		if !math.IsNaN(f.LatDeg) || !math.IsNaN(f.LonDeg) || !math.IsNaN(f.HeightM) || !f.UTC.IsZero() {
			t.Errorf("a place or time without a fix: %+v", f)
		}
		return
	}
	sigmas := []float64{f.NorthSigmaM, f.EastSigmaM}
	if f.Mode == Fix3D {
		sigmas = append(sigmas, f.HeightSigmaM)
		if !(f.HeightM >= 2*minHeightM && f.HeightM <= 2*maxHeightM) {
			t.Errorf("3D with height %v", f.HeightM)
		}
	} else if !math.IsNaN(f.HeightM) {
		t.Errorf("2D with height %v", f.HeightM)
	}
	for _, s := range sigmas {
		if !(s > 0 && s <= 2*maxSigmaM) {
			t.Errorf("sigma %v: %+v", s, f)
		}
	}
	if !(math.Abs(f.LatDeg) <= 90) || !(math.Abs(f.LonDeg) <= 180) || f.SigmaFrom == "" {
		t.Errorf("%+v", f)
	}
}
