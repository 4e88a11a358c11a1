package gnss

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// gpsdFile is what the gpsd of this machine said about testdata/ship.nmea;
// deploy/reference_gnss.sh records it.
var gpsdFile = flag.String("gpsd", "", "JSON lines that gpsd made of testdata/ship.nmea, instead of the recorded ones")

func decodeAll(t *testing.T, lines []string) []Fix {
	t.Helper()
	d := NewDecoder()
	var out []Fix
	for i, l := range lines {
		f, ok, err := d.Add(time.Duration(i)*100*time.Millisecond, []byte(l))
		if err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		if ok {
			checkFix(t, &f)
			out = append(out, f)
		}
	}
	return out
}

// gpsd is a decoder of NMEA that others wrote: both ways must give the same
// places and times.
func TestAgreesWithGpsd(t *testing.T) {
	file := "testdata/ship.json"
	if *gpsdFile != "" {
		file = *gpsdFile
	}
	ours := map[time.Time]Fix{}
	for _, f := range assemble(t, readLines(t, "testdata/ship.nmea")...) {
		ours[f.UTC] = f
	}
	seen := 0
	for _, g := range decodeAll(t, readLines(t, file)) {
		if g.UTC.IsZero() {
			continue
		}
		o, ok := ours[g.UTC]
		if !ok {
			t.Errorf("gpsd has a moment %v that the sentences do not have", g.UTC)
			continue
		}
		seen++
		if g.Mode != o.Mode || !near(g.LatDeg, o.LatDeg, 1e-9) || !near(g.LonDeg, o.LonDeg, 1e-9) || !near(g.HeightM, o.HeightM, 0.001) ||
			!near(g.SpeedMS, o.SpeedMS, 0.001) || !near(g.TrackDeg, o.TrackDeg, 0.001) || !near(g.MagvarDeg, o.MagvarDeg, 0.001) {
			t.Errorf("gpsd: %+v\nours: %+v", g, o)
		}
	}
	if seen != 3 {
		t.Errorf("%d moments compared, want 3", seen)
	}
}

func TestGpsdErrorsAndDilution(t *testing.T) {
	fixes := decodeAll(t, readLines(t, "testdata/ship.json"))
	if len(fixes) != 5 {
		t.Fatalf("%d fixes", len(fixes))
	}
	// The first comes before anything but its own estimate of 7.125 m for both axes.
	f := fixes[0]
	if f.SigmaFrom != FromGpsd || !near(f.NorthSigmaM, 7.125/math.Sqrt2, 1e-9) || !near(f.HeightSigmaM, 1.47*50*math.Sqrt2, 1e-9) || f.Device != "/dev/ttyACM0" {
		t.Errorf("%+v", f)
	}
	// Later ones have GST and SKY before them.
	f = fixes[3]
	if f.SigmaFrom != FromReceiver || f.NorthSigmaM != 0.26 || f.EastSigmaM != 0.36 || f.HeightSigmaM != 0.68 ||
		f.HDOP != 1.5 || f.PDOP != 2.7 || f.VDOP != 2.3 || f.Used != 6 || f.InView != 12 {
		t.Errorf("%+v", f)
	}
	// Only the first report of a moment says when it was.
	if fixes[1].UTC.IsZero() || !fixes[2].UTC.IsZero() || fixes[3].UTC.IsZero() {
		t.Errorf("times %v %v %v", fixes[1].UTC, fixes[2].UTC, fixes[3].UTC)
	}
}

func tpv(device string, mode int, rest string) string {
	return fmt.Sprintf(`{"class":"TPV","device":%q,"mode":%d,"lat":51.9,"lon":8.4%s}`, device, mode, rest)
}

func TestGpsdHeights(t *testing.T) {
	for rest, want := range map[string][2]float64{
		`,"altHAE":128.5,"altMSL":82,"epv":4`:   {128.5, 4},
		`,"altMSL":82,"geoidSep":46.5,"epv":4`:  {128.5, 4},
		`,"altMSL":82,"epv":4`:                  {82, math.Hypot(4, 30)},
		`,"alt":82,"epv":4`:                     {82, math.Hypot(4, 30)},
		`,"epv":4`:                              {math.NaN(), math.NaN()},
		`,"altHAE":1e9,"epv":4`:                 {math.NaN(), math.NaN()},
		`,"altHAE":128.5,"epx":3,"epy":4`:       {128.5, 1.47 * 50 * math.Sqrt2},
		`,"altHAE":128.5,"epv":-1,"eph":"wide"`: {},
	} {
		f, _, err := NewDecoder().Add(0, []byte(tpv("a", 3, rest)))
		if want == [2]float64{} {
			if err == nil {
				t.Errorf("%s passed", rest)
			}
			continue
		}
		if err != nil || !near(f.HeightM, want[0], 1e-9) || !near(f.HeightSigmaM, want[1], 1e-9) {
			t.Errorf("%s: %v ± %v (%v), want %v", rest, f.HeightM, f.HeightSigmaM, err, want)
		}
		checkFix(t, &f)
	}
}

func TestGpsdWhatIsNoFix(t *testing.T) {
	for line, doubt := range map[string]string{
		tpv("a", 1, ""):                               "",
		tpv("a", 0, ""):                               "",
		tpv("a", 7, ""):                               "",
		tpv("a", 3, `,"status":8`):                    "the receiver simulates",
		tpv("a", 3, `,"status":5`):                    "the receiver estimates without satellites",
		`{"class":"TPV","mode":3}`:                    "",
		`{"class":"TPV","mode":3,"lat":91,"lon":0}`:   "",
		`{"class":"TPV","mode":3,"lat":0,"lon":1e99}`: "",
	} {
		f, ok, err := NewDecoder().Add(0, []byte(line))
		if !ok || err != nil || f.Mode != NoFix || f.Doubt != doubt {
			t.Errorf("%s: %+v %v %v", line, f, ok, err)
		}
		checkFix(t, &f)
	}
}

// Of several receivers one is followed for as long as it has a fix.
func TestGpsdFollowsOneReceiver(t *testing.T) {
	d := NewDecoder()
	at := time.Duration(0)
	step := func(line, want string) {
		t.Helper()
		at += time.Second
		f, ok, err := d.Add(at, []byte(line))
		if err != nil || ok != (want != "") || (ok && f.Device != want) {
			t.Errorf("%s: %v %v %v, want %q", line, f.Device, ok, err, want)
		}
	}
	step(tpv("a", 1, ""), "a")
	step(tpv("b", 3, ""), "b")
	step(tpv("a", 1, ""), "")
	step(tpv("a", 3, ""), "")
	step(tpv("b", 3, ""), "b")
	step(tpv("b", 1, ""), "b") // lost its fix
	for range 3 {
		step(tpv("a", 3, ""), "")
	}
	step(tpv("a", 3, ""), "a")
	for i := range 100 { // a server that invents devices
		if _, _, err := d.Add(at, []byte(fmt.Sprintf(`{"class":"SKY","device":"x%d","hdop":1}`, i))); err != nil {
			t.Fatal(err)
		}
	}
	if len(d.devices) > mostDevices {
		t.Errorf("%d devices are remembered", len(d.devices))
	}
}

func TestGpsdOldDilutionIsForgotten(t *testing.T) {
	d := NewDecoder()
	add := func(at time.Duration, l string) Fix {
		f, _, err := d.Add(at, []byte(l))
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	add(0, `{"class":"SKY","device":"a","hdop":2.5,"nSat":9,"uSat":7}`)
	add(0, `{"class":"GST","device":"a","lat":3,"lon":4,"alt":9}`)
	if f := add(time.Second, tpv("a", 3, `,"altHAE":1`)); f.HDOP != 2.5 || f.NorthSigmaM != 3 || f.EastSigmaM != 4 || f.HeightSigmaM != 9 {
		t.Errorf("%+v", f)
	}
	if f := add(time.Minute, tpv("a", 3, `,"altHAE":1`)); !math.IsNaN(f.HDOP) || f.SigmaFrom != FromNothing || f.Used != -1 {
		t.Errorf("%+v", f)
	}
	// Without counts the satellites are counted.
	add(time.Minute, `{"class":"SKY","device":"a","hdop":2.5,"satellites":[{"PRN":1,"used":true},{"PRN":2,"used":false}]}`)
	if f := add(time.Minute, tpv("a", 2, "")); f.Used != 1 || f.InView != 2 || f.Mode != Fix2D || !near(f.NorthSigmaM, 2.5*8/math.Sqrt2, 1e-9) {
		t.Errorf("%+v", f)
	}
}

func TestGpsdOtherObjects(t *testing.T) {
	d := NewDecoder()
	for _, l := range []string{
		`{"class":"DEVICES","devices":[]}`, `{"class":"ATT","device":"a","heading":3}`, `{"class":"WATCH","enable":true}`,
		`{"class":"TOFF","real_sec":1,"clock_sec":2}`, `{"class":"POLL","active":0,"tpv":[],"sky":[]}`,
	} {
		if _, ok, err := d.Add(0, []byte(l)); ok || err != nil {
			t.Errorf("%s: %v %v", l, ok, err)
		}
	}
	if d.Attached != 0 {
		t.Errorf("%d receivers attached", d.Attached)
	}
	for _, l := range []string{
		"", "hello", "{}", `{"class":7}`, `[]`, `null`, `{"class":"TPV","lat":"north"}`, `{"class":"VERSION","proto_major":9,"release":"9.1"}`,
		`{"class":"ERROR","message":"Unrecognized request"}`, strings.Repeat("[", 30000),
	} {
		if _, ok, err := d.Add(0, []byte(l)); ok || err == nil {
			t.Errorf("%.40s: %v %v", l, ok, err)
		}
	}
}

func FuzzGpsd(f *testing.F) {
	f.Add(`{"class":"SKY","device":"a","hdop":2.5,"nSat":9,"uSat":7}` + "\n" + tpv("a", 3, `,"altHAE":1,"time":"2026-11-12T20:30:15.000Z"`))
	f.Add(`{"class":"GST","device":"a","lat":3,"lon":4,"alt":9}` + "\n" + tpv("a", 2, `,"epx":1e300,"epy":-1,"status":2`))
	f.Add(`{"class":"DEVICES","devices":[{"path":"x"}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		d := NewDecoder()
		var m Mean
		tm := NewTiming(GpsdLatency())
		for i, l := range strings.Split(text, "\n") {
			at := time.Duration(i) * 10 * time.Second
			fix, ok, err := d.Add(at, []byte(l))
			if !ok || err != nil {
				continue
			}
			checkFix(t, &fix)
			m.Add(&fix)
			tm.Add(&fix)
			tm.UTC(at)
			if p, ok := m.Position(); ok && (math.IsNaN(p.LatDeg) || math.IsNaN(p.LonDeg) || !(p.NorthSigmaM > 0) || !(p.EastSigmaM > 0)) {
				t.Errorf("mean %+v", p)
			}
		}
	})
}
