package api

import (
	"context"
	"flag"
	"math"
	"net"
	"os"
	"os/signal"
	"testing"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

var pageAddr = flag.String("page", "", "serve the page with an invented mount on this address until interrupted")

// TestPageByHand is for looking at the page in a browser:
// go test ./api -run PageByHand -page 127.0.0.1:8499 -timeout 0
func TestPageByHand(t *testing.T) {
	if *pageAddr == "" {
		t.Skip("give -page host:port to look at the page")
	}
	l, err := net.Listen("tcp", *pageAddr)
	if err != nil {
		t.Fatal(err)
	}
	b := startOn(t, l, func(o *Options) { o.SilentAfter = 2 * time.Second })
	code, err := b.pairing.Issue(CodeOptions{Role: RoleWrite, Lifetime: time.Hour, Uses: 1000})
	if err != nil {
		t.Fatal(err)
	}
	os.Stdout.WriteString(b.url + "/#code=" + code + "\n")
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for n := uint64(2); ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			b.knobs.mu.Lock()
			alt, az := 51.52+b.knobs.alt, 358.81+b.knobs.az
			b.knobs.mu.Unlock()
			b.source.publish(scene(os.Getenv("SCENE"), n, alt, az))
		}
	}
}

// scene is a snapshot for the eye.
func scene(name string, seq uint64, alt, az float64) *daemon.Snapshot {
	s := larkmoor(seq)
	e := &s.Estimate
	why := ""
	switch name {
	case "south":
		s.Guidance.Aim = &guidance.Aim{AltitudeDeg: 31.6, AzimuthDeg: 180, Kind: "refracted", Hemisphere: astro.South}
		s.Site.Site = astro.Site{LatDeg: -31.6, LonDeg: 139.3}
		alt, az = alt-17, az+180-360
	case "far":
		alt, az = alt-21.3, az+104
		e.State = estimator.Moving
	case "no-compass":
		e.Azimuth = estimator.Quantity{Why: "no reading from the magnetometer for 4 s"}
		e.State = estimator.Settling
		e.Warnings = append(e.Warnings, estimator.Warning{Code: "magnetometer-lost", Text: "No direction: no reading from the magnetometer for 4 s."})
	case "disturbed":
		e.State = estimator.Disturbed
		e.Azimuth.Source, e.Azimuth.SigmaDeg = "gyroscope", 2.4
		e.Warnings = append(e.Warnings, estimator.Warning{Code: "field-disturbed", Text: "The magnetic field is not the Earth's alone: strength 60.2 µT where 48.1 is expected. Move steel, phone and power leads away."},
			estimator.Warning{Code: "compass-uncalibrated", Text: "No direction: the compass is not calibrated: turn the board through all directions."})
	case "lost":
		e.State = estimator.Lost
		why = "no reading from the inertial sensor for 5 s"
		e.Altitude, e.Azimuth, e.Roll = estimator.Quantity{Why: why}, estimator.Quantity{Why: why}, estimator.Quantity{Why: why}
		e.Warnings = append(e.Warnings, estimator.Warning{Code: "inertial-lost", Text: "The inertial sensor does not answer: " + why + "."})
	case "done":
		alt, az = 51.91, 0.1
	case "no-clock":
		s.Clock = daemon.ClockStatus{Source: "unknown", SigmaS: -1, Why: "the clock stands at 1970: set it from a phone"}
		e.Azimuth = estimator.Quantity{Why: "the date is not known, so true north is not"}
	}
	if e.Altitude.Known {
		e.Altitude.Deg = alt
	}
	if e.Azimuth.Known {
		e.Azimuth.Deg = math.Mod(az+360, 360)
	}
	var g guidance.Guide
	s.Guidance = g.Next(*e, s.Guidance.Aim, why)
	return s
}
