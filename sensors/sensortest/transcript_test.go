package sensortest_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbstar/sensors/mpu9250"
	"plumbstar/sensors/sensortest"
	"plumbstar/sensors/sim"
)

// TestRecordAndPlay records a driver on a simulated chip and plays the recording
// to a second driver: it must see the same samples at the same times.
func TestRecordAndPlay(t *testing.T) {
	r := rig(mpu9250.Addr, mpu9250.Addr, sim.NewMPU6050)(t)
	var out bytes.Buffer
	rec := &sensortest.Recorder{Bus: r.Bus, Clock: r.Clock, Out: &out}
	dev, err := mpu9250.New(rec, r.Addr, r.Clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	type reading struct {
		At time.Duration
		V  any
	}
	var want []reading
	for range 20 {
		r.Clock.Sleep(7 * time.Millisecond)
		if s, err := dev.ReadInertial(); err == nil {
			want = append(want, reading{s.At, s})
		}
	}
	lines, err := sensortest.ParseTranscript(&out)
	if err != nil {
		t.Fatal(err)
	}
	p := sensortest.NewPlayback(lines)
	played, err := mpu9250.New(p, r.Addr, p, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []reading
	for p.Left() > 0 {
		if s, err := played.ReadInertial(); err == nil {
			got = append(got, reading{s.At, s})
		}
	}
	if d := cmp.Diff(want, got); d != "" || len(want) < 10 {
		t.Errorf("%d samples (-recorded +played):\n%s", len(want), d)
	}
	if _, err := played.ReadInertial(); err == nil {
		t.Error("the transcript goes on after its end")
	}
}

func TestTranscriptLines(t *testing.T) {
	for _, line := range []string{"@1.250000 68 > 75 < 71", "1e > 02 00", "0c > 0a ! remote I/O error", "4a < 00 01"} {
		got, err := sensortest.ParseTranscript(strings.NewReader("# a comment\n\n" + line + " # why\n"))
		if err != nil || len(got) != 1 || got[0].String() != strings.TrimSpace(strings.Split(line, "#")[0]) {
			t.Errorf("%q: %v, %v", line, got, err)
		}
	}
	for _, line := range []string{"x", "80 > 00", "68 > 7", "68 > zz", "@x 68", "68 69 < 00"} {
		if got, err := sensortest.ParseTranscript(strings.NewReader(line)); err == nil {
			t.Errorf("%q: %v, no error", line, got)
		}
	}
}

func TestPlaybackRefuses(t *testing.T) {
	play := func() *sensortest.Playback {
		return sensortest.NewPlayback([]sensortest.Transfer{{Addr: 0x68, W: []byte{0x75}, R: []byte{0x68}}})
	}
	for name, tx := range map[string]func(*sensortest.Playback) error{
		"another address":  func(p *sensortest.Playback) error { return p.Tx(0x69, []byte{0x75}, make([]byte, 1)) },
		"another register": func(p *sensortest.Playback) error { return p.Tx(0x68, []byte{0x76}, make([]byte, 1)) },
		"another length":   func(p *sensortest.Playback) error { return p.Tx(0x68, []byte{0x75}, make([]byte, 2)) },
		"a write":          func(p *sensortest.Playback) error { return p.Tx(0x68, []byte{0x75, 1}, nil) },
	} {
		if p := play(); tx(p) == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	if p := play(); p.Tx(0x68, []byte{0x75}, make([]byte, 1)) != nil || p.Left() != 0 {
		t.Error("the line itself was refused")
	}
}
