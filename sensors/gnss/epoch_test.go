package gnss

import (
	"math"
	"testing"
	"time"
)

func TestRecordedShip(t *testing.T) {
	fixes := assemble(t, readLines(t, "testdata/ship.nmea")...)
	if len(fixes) != 3 {
		t.Fatalf("%d fixes, want 3", len(fixes))
	}
	f := fixes[0]
	checkFix(t, &f)
	if f.Mode != Fix3D || !near(f.LatDeg, 15.688543149, 1e-9) || !near(f.LonDeg, -51.508534021, 1e-9) || !near(f.HeightM, 9.2-37.6, 1e-9) {
		t.Errorf("place %+v", f)
	}
	if f.NorthSigmaM != 0.26 || f.EastSigmaM != 0.36 || f.HeightSigmaM != 0.68 || f.SigmaFrom != FromReceiver {
		t.Errorf("errors %+v", f)
	}
	if f.PDOP != 2.7 || f.HDOP != 1.5 || f.VDOP != 2.3 || f.Used != 6 || f.InView != 12 || f.MagvarDeg != -16.9 {
		t.Errorf("dilution %+v", f)
	}
	if want := time.Date(2020, 1, 14, 19, 59, 59, 0, time.UTC); !f.UTC.Equal(want) || f.At != time.Second {
		t.Errorf("time %v arrived %v", f.UTC, f.At)
	}
	if !near(f.SpeedMS, 0.26*1852/3600, 1e-12) || f.TrackDeg != 147.44 {
		t.Errorf("motion %v %v", f.SpeedMS, f.TrackDeg)
	}
	// The third has no GST: dilution times the ranging error with corrections.
	if f = fixes[2]; f.SigmaFrom != FromDilution || !near(f.NorthSigmaM, 1.5*3.9/math.Sqrt2, 1e-9) || !near(f.HeightSigmaM, 2.3*3.9, 1e-9) {
		t.Errorf("errors %+v", f)
	}
	if got := f.Age(f.At + 3*time.Second); got != 3*time.Second {
		t.Errorf("age %v", got)
	}
}

// gga, rmc, gsa of an invented site: Larkmoor.
const (
	gga = "GNGGA,203015.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,"
	rmc = "GNRMC,203015.00,A,5154.0000,N,00824.0000,E,0.02,,121126,3.9,E,A,V"
	gsa = "GNGSA,A,3,05,07,13,15,,,,,,,,,2.0,1.1,1.7,1"
)

func TestMomentsInAnyOrder(t *testing.T) {
	next := "GNGGA,203016.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,"
	for _, order := range [][]string{
		{gga, gsa, rmc, next}, {rmc, gga, gsa, next}, {gsa, gga, rmc, next}, {gga, rmc, gsa, next},
		{rmc, gga, "GPGSV,1,1,09", "GLGSV,1,1,07", gsa, next},
	} {
		var lines []string
		for _, b := range order {
			lines = append(lines, sentence(b))
		}
		fixes := assemble(t, lines...)
		if len(fixes) != 2 {
			t.Errorf("%q: %d fixes", order, len(fixes))
			continue
		}
		f := fixes[0]
		if f.Mode != Fix3D || !near(f.LatDeg, 51.9, 1e-12) || !near(f.LonDeg, 8.4, 1e-12) || !near(f.HeightM, 128.5, 1e-9) ||
			f.MagvarDeg != 3.9 || !f.UTC.Equal(time.Date(2026, 11, 12, 20, 30, 15, 0, time.UTC)) || f.HDOP != 1.1 {
			t.Errorf("%q: %+v", order, f)
		}
		if len(order) == 6 && f.InView != 16 {
			t.Errorf("in view %d, want 9 of one system and 7 of another", f.InView)
		}
	}
}

func TestModeIsTheMostModest(t *testing.T) {
	for _, c := range []struct {
		name   string
		bodies []string
		mode   Mode
		doubt  string
	}{
		{"GGA alone", []string{gga}, Fix3D, ""},
		{"RMC alone", []string{rmc}, Fix2D, ""},
		{"no altitude", []string{"GNGGA,203015.00,5154.0000,N,00824.0000,E,1,09,1.1,,M,,M,,", gsa}, Fix2D, ""},
		{"GSA says 2D", []string{gga, "GNGSA,A,2,05,07,13,,,,,,,,,,2.0,1.1,,1"}, Fix2D, ""},
		{"GSA says none", []string{gga, "GNGSA,A,1,,,,,,,,,,,,,,,,1"}, NoFix, ""},
		{"RMC warns", []string{gga, "GNRMC,203015.00,V,5154.0000,N,00824.0000,E,,,121126,,,N,V", gsa}, NoFix, ""},
		{"quality 0", []string{"GNGGA,203015.00,5154.0000,N,00824.0000,E,0,00,99.9,,M,,M,,", rmc}, NoFix, ""},
		{"typed in", []string{"GNGGA,203015.00,5154.0000,N,00824.0000,E,7,00,1,82.0,M,46.5,M,,"}, NoFix, "the position was typed into the receiver"},
		{"simulator", []string{"GNGGA,203015.00,5154.0000,N,00824.0000,E,8,09,1,82.0,M,46.5,M,,"}, NoFix, "the receiver simulates"},
		{"simulator by RMC", []string{gga, "GNRMC,203015.00,A,5154.0000,N,00824.0000,E,,,121126,,,S"}, NoFix, "the receiver simulates"},
		{"dead reckoning", []string{"GNGGA,203015.00,5154.0000,N,00824.0000,E,6,00,1,82.0,M,46.5,M,,"}, NoFix, "the receiver estimates without satellites"},
		{"no place", []string{"GNGGA,203015.00,,,,,1,09,1.1,82.0,M,46.5,M,,"}, NoFix, ""},
		{"systems differ", []string{gga, "GNGSA,A,1,,,,,,,,,,,,,,,,1", gsa}, Fix3D, ""},
	} {
		var lines []string
		for _, b := range c.bodies {
			lines = append(lines, sentence(b))
		}
		fixes := assemble(t, lines...)
		if len(fixes) != 1 || fixes[0].Mode != c.mode || fixes[0].Doubt != c.doubt {
			t.Errorf("%s: %+v, want %v %q", c.name, fixes, c.mode, c.doubt)
			continue
		}
		checkFix(t, &fixes[0])
	}
}

func TestAccuracyWithoutGST(t *testing.T) {
	one := func(bodies ...string) Fix {
		var lines []string
		for _, b := range bodies {
			lines = append(lines, sentence(b))
		}
		return assemble(t, lines...)[0]
	}
	f := one(gga, gsa)
	if !near(f.NorthSigmaM, 1.1*8/math.Sqrt2, 1e-9) || !near(f.EastSigmaM, f.NorthSigmaM, 0) || !near(f.HeightSigmaM, 1.7*8, 1e-9) || f.SigmaFrom != FromDilution {
		t.Errorf("%+v", f)
	}
	// Without VDOP it follows from HDOP.
	if f = one(gga); !near(f.HeightSigmaM, 1.47*1.1*8, 1e-9) {
		t.Errorf("height sigma %v", f.HeightSigmaM)
	}
	// A height above the sea is unsure by the unknown height of the sea.
	f = one("GNGGA,203015.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,,M,,", gsa)
	if !near(f.HeightM, 82, 0) || !near(f.HeightSigmaM, math.Hypot(13.6, 30), 1e-9) {
		t.Errorf("%+v", f)
	}
	if f = one(rmc); f.SigmaFrom != FromNothing || f.NorthSigmaM != 50 {
		t.Errorf("%+v", f)
	}
	// GST zeros are no errors of nothing.
	if f = one(gga, gsa, "GNGST,203015.00,0,0,0,0,0,0,0"); f.SigmaFrom != FromDilution {
		t.Errorf("%+v", f)
	}
}

// A receiver without a fix repeats itself without a time.
func TestNoFixIsReported(t *testing.T) {
	l := sentence("GPGGA,,,,,,0,,,,,,,,")
	fixes := assemble(t, l, l, l)
	if len(fixes) != 2 { // the third waits for what follows
		t.Fatalf("%d reports", len(fixes))
	}
	for i := range fixes {
		checkFix(t, &fixes[i])
	}
}

func TestDateComesWithTheMoment(t *testing.T) {
	// Midnight passes between ZDA and GGA: the date of one is not put to the time
	// of the other.
	fixes := assemble(t,
		sentence("GNZDA,235959.00,31,12,2026,00,00"), sentence("GNGGA,235959.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,"),
		sentence("GNGGA,000000.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,"), sentence("GNZDA,000000.00,01,01,2027,00,00"),
		sentence("GNGGA,000001.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,"))
	if len(fixes) != 3 {
		t.Fatalf("%d fixes", len(fixes))
	}
	want := []time.Time{time.Date(2026, 12, 31, 23, 59, 59, 0, time.UTC), time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC), {}}
	for i, w := range want {
		if !fixes[i].UTC.Equal(w) {
			t.Errorf("fix %d: %v, want %v", i, fixes[i].UTC, w)
		}
	}
}
