package gnss

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"time"
)

// possible reports whether a fix can be: numbers finite and in range, or not known.
func possible(f *Fix) bool {
	in := func(v, lo, hi float64) bool { return math.IsNaN(v) || v >= lo && v <= hi }
	return in(f.LatDeg, -90, 90) && in(f.LonDeg, -180, 180) && in(f.HeightM, minHeightM, maxHeightM) &&
		in(f.SpeedMS, 0, maxSpeedMS) && in(f.TrackDeg, 0, 360) && in(f.MagvarDeg, -180, 180)
}

// TestHostileGpsd: objects that no gpsd sends give an error or a fix that can be,
// and what the decoder keeps does not grow.
func TestHostileGpsd(t *testing.T) {
	d := NewDecoder()
	long := strings.Repeat("x", 60_000)
	for k, line := range []string{
		"", "null", "[]", "{", `"`, "\x00", "{}", `{"class":null}`, `{"class":7}`, `{"class":"` + long + `"}`, `{"class":["TPV"]}`,
		strings.Repeat("[", 60_000), strings.Repeat(`{"a":`, 10_000) + "1" + strings.Repeat("}", 10_000), `{"class":"SKY","satellites":[` + strings.Repeat("{},", 20_000) + `{}]}`,
		`{"class":"TPV","mode":3,"lat":1e309,"lon":8}`, `{"class":"TPV","mode":3,"lat":"51","lon":8}`, `{"class":"TPV","mode":3,"lat":1e308,"lon":-1e308,"altHAE":1e308,"eph":-1,"epx":1e308}`,
		`{"class":"TPV","mode":3,"lat":NaN,"lon":Infinity}`, `{"class":"TPV","mode":1e9,"lat":1,"lon":1}`, `{"class":"TPV","mode":-1,"lat":1,"lon":1}`, `{"class":"TPV","mode":3,"lat":91,"lon":181,"time":"9999-99-99T99:99:99Z"}`,
		`{"class":"TPV","mode":3,"lat":51,"lon":8,"time":"` + long + `"}`, `{"class":"TPV","mode":3,"lat":51,"lon":8,"time":"0000-01-01T00:00:00Z","speed":-1,"track":1e99,"magvar":720,"status":99}`,
		`{"class":"SKY","hdop":-1,"pdop":0,"vdop":1e308,"nSat":-2147483648,"uSat":2147483647}`, `{"class":"SKY","nSat":1e30,"uSat":1}`, `{"class":"GST","lat":-1,"lon":0,"alt":1e308}`, `{"class":"GST","lat":"x"}`,
		`{"class":"DEVICES","devices":[` + strings.Repeat("{},", 20_000) + `{}]}`, `{"class":"VERSION","proto_major":4,"release":"` + long + `"}`, `{"class":"ERROR","message":"` + long + `\u0000\r\n"}`,
		`{"class":"TPV","class":"ERROR","mode":3,"MODE":0,"lat":51,"LAT":-91,"lon":8}`,
	} {
		at := time.Duration(k) * time.Second
		f, ok, err := d.Add(at, []byte(line))
		if ok && (err != nil || !possible(&f)) {
			t.Errorf("%.80q: %+v, %v", line, f, err)
		}
		if err != nil && len(err.Error()) > 400 {
			t.Errorf("%.80q: an error of %d bytes", line, len(err.Error()))
		}
	}
	for k := range 10_000 {
		_, _, _ = d.Add(time.Duration(k)*time.Millisecond, fmt.Appendf(nil, `{"class":"SKY","device":"%d","hdop":1}`, k))
	}
	if len(d.devices) > mostDevices {
		t.Errorf("%d devices are remembered", len(d.devices))
	}
	f, ok, err := d.Add(time.Hour, []byte(`{"class":"TPV","mode":3,"lat":51.9,"lon":8.4,"altHAE":110}`))
	if !ok || err != nil || f.LatDeg != 51.9 {
		t.Errorf("an honest position afterwards: %+v, %v, %v", f, ok, err)
	}
}

// TestHostileNMEA does the same with sentences whose checksum is right.
func TestHostileNMEA(t *testing.T) {
	var a Assembler
	commas := strings.Repeat(",", 60)
	for k, body := range []string{
		"", "G", "GN", "GNRMC", "GNRMC" + commas, "GNGGA" + commas, "GNGSA" + commas, "GNGSV,999999999,999999999,999999999" + commas, "GNGSV,-1,-1,-1,,,,", "GNGST" + commas, "GNZDA" + commas, "GNGNS" + commas,
		"GNRMC,999999.99,A,9999.9999,N,99999.9999,E,9999999,9999999,999999,,,A", "GNRMC,203000,A,-5154.0,N,-00824.0,E,-1,-1,-11126,,,A", "GNRMC,203000,A,NaN,N,Inf,E,NaN,Inf,121126,,,A", "GNRMC,203000,A,1e3,N,1e3,E,,,121126,,,A",
		"GNRMC,203000,A,5154.0,S,00824.0,N,,,310299,,,A", "GNRMC,240000,A,5154.0,N,00824.0,E,,,290227,,,A", "GNGGA,203000,5154.0,N,00824.0,E,99,9999,-1,1e308,M,-1e308,M,,", "GNGGA,203000,9100.0,N,18100.0,E,1,09,0,99999999,M,0,M,,",
		"GNGGA,203000,0x33,N,0x8,E,1,09,1,1,M,1,M,,", "GNGGA,203000,5154.0,n,00824.0,e,1,09,1,1,M,1,M,,", "\x00\x00\x00\x00\x00,", "GNRMC,\xff\xfe,A", "GNTXT,01,01,02,\x1b[2J\a",
	} {
		s, err := ParseSentence([]byte(sentence(body)))
		if err != nil {
			continue
		}
		m, err := Decode(&s)
		if err != nil || m == nil {
			continue
		}
		if f, ok := a.Add(time.Duration(k)*time.Second, &s, m); ok && !possible(&f) {
			t.Errorf("%q: %+v", body, f)
		}
	}
}

// TestHostileReceiver: a line that floods, never ends, or gives one byte at a time
// is left or read on, and an honest receiver after it is believed.
func TestHostileReceiver(t *testing.T) {
	h := runReceiver(t,
		func(w *io.PipeWriter, _ int) { // a flood without a line end
			b := []byte(strings.Repeat("$GNRMC,", 1<<10))
			for {
				if _, err := w.Write(b); err != nil {
					return
				}
			}
		},
		func(w *io.PipeWriter, _ int) { // a flood of sentences that are none
			for {
				if _, err := io.WriteString(w, "$GNRMC,203000,A,5154.0,N*00\r\n"); err != nil {
					return
				}
			}
		},
		func(w *io.PipeWriter, _ int) { talk(w, 50) },
	)
	h.wait(t, "an honest receiver", func(h *heard) bool { return len(h.fixes) > 2 })
}

// TestHostileGpsdServer: a server that sends byte by byte is heard out.
func TestHostileGpsdServer(t *testing.T) {
	h := runClient(t, fakeGpsd(t, func(c net.Conn, _ *bufio.Scanner) {
		for _, b := range []byte(`{"class":"TPV","mode":3,"lat":51.9,"lon":8.4,"altHAE":110}` + "\n") {
			if _, err := c.Write([]byte{b}); err != nil {
				return
			}
			time.Sleep(time.Millisecond)
		}
	}))
	h.wait(t, "a position that came byte by byte", func(h *heard) bool { return len(h.fixes) == 1 && h.fixes[0].LatDeg == 51.9 })
}
