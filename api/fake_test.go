package api

import (
	"context"
	"math"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
	"plumbstar/sensors"
)

// fakeSource publishes what a test gives it.
type fakeSource struct {
	mu   sync.Mutex
	snap *daemon.Snapshot
	subs []chan *daemon.Snapshot
}

func (f *fakeSource) Latest() *daemon.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.snap
}

func (f *fakeSource) Subscribe(context.Context) <-chan *daemon.Snapshot {
	c := make(chan *daemon.Snapshot, 1)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.subs = append(f.subs, c)
	return c
}

func (f *fakeSource) publish(s *daemon.Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap = s
	for _, c := range f.subs {
		select {
		case c <- s:
		default:
			select {
			case <-c:
			default:
			}
			c <- s
		}
	}
}

// fakeControls remembers what was set and refuses what it is told to.
type fakeControls struct {
	mu     sync.Mutex
	site   astro.Site
	name   string
	clock  time.Time
	sigmaS float64
	err    error
}

func (f *fakeControls) SetSite(_ context.Context, name string, s astro.Site) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.name, f.site = name, s
	return f.err
}

func (f *fakeControls) SetClock(_ context.Context, t time.Time, sigmaS float64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.clock, f.sigmaS = t, sigmaS
	return f.err
}

type fakeKnobs struct {
	mu      sync.Mutex
	alt, az float64
}

func (f *fakeKnobs) Turn(_ context.Context, alt, az float64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.alt += alt
	f.az += az
	return nil
}

func known(v, sigma float64, source string) estimator.Quantity {
	return estimator.Quantity{Deg: v, SigmaDeg: sigma, Known: true, Source: source}
}

// larkmoor is a snapshot at the invented site Larkmoor; the numbers of axis and
// aim are those of the example in the design.
func larkmoor(seq uint64) *daemon.Snapshot {
	return &daemon.Snapshot{
		Seq: seq, Mono: time.Minute, Time: time.Date(2026, 11, 20, 18, 30, 0, int(250*time.Millisecond), time.UTC),
		Estimate: estimator.Estimate{
			State:    estimator.Steady,
			Altitude: known(51.52, 0.09, "accelerometer"),
			Azimuth:  known(358.81, 0.9, "compass"),
			Roll:     known(0.3, 0.1, "accelerometer"),
			Budget: []estimator.Part{
				{Name: "noise", AltitudeDeg: 0.003, AzimuthDeg: 0.02, RollDeg: 0.003},
				{Name: "calibration", AltitudeDeg: 0.08, AzimuthDeg: 0.8, RollDeg: 0.09},
				{Name: "declination model", AzimuthDeg: 0.33},
			},
			TempC: 4, FieldUT: 49, DipDeg: 67,
		},
		Guidance: guidance.Guidance{
			Aim:      &guidance.Aim{AltitudeDeg: 51.92, AzimuthDeg: 0, Kind: "refracted", Hemisphere: astro.North},
			Raise:    known(0.4, 0.09, "accelerometer"),
			TurnEast: known(1.19, 0.9, "compass"),
			Error:    known(0.84, 0.56, "compass"),
			Text:     "Raise 0.4°, turn east 1.2°",
			Hand:     "east is to your right as you face the pole",
		},
		Field: &geomag.Field{DeclinationDeg: 3.1, DeclinationSigmaDeg: 0.39, InclinationDeg: 67.2, TotalNT: 49300, HorizontalNT: 19100, Zone: geomag.ZoneOK},
		GoodFor: []daemon.GoodFor{
			{Lens: "24 mm", ExposureS: 120, Verdict: "yes"},
			{Lens: "50 mm", ExposureS: 60, Verdict: "probably"},
			{Lens: "135 mm", ExposureS: 30, Verdict: "no"},
		},
		Site:  daemon.SiteStatus{Known: true, Name: "Larkmoor", Site: astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 110}, Source: "settings"},
		Clock: daemon.ClockStatus{Source: "system, synchronised", SigmaS: 0.05, Plausible: true},
		Sensors: []daemon.SensorStatus{
			{Name: "inertial", Device: "LSM6DSO at 0x6a on sim", State: "ok", RateHz: 104, AgeS: 0.004, Samples: 6240, TempC: 4.5, Faults: map[string]uint64{}},
			{Name: "magnetic", Device: "LIS3MDL at 0x1c on sim", State: "lost", Fault: sensors.FaultBus, Advice: "Check the plug.", LastError: "LIS3MDL at 0x1c on sim: read sample: bus fault",
				AgeS: -1, Errors: 7, Faults: map[string]uint64{"bus": 7}, Recoveries: 1, TempC: math.NaN()},
		},
		Loop: daemon.LoopStatus{Ticks: 6000, Late: 2},
	}
}

// board is a running server with all its fakes.
type board struct {
	*Server
	source   *fakeSource
	controls *fakeControls
	knobs    *fakeKnobs
	pairing  *PairingDir
	url      string
	addr     string
}

// start runs a server on a free port; change may alter the options.
func start(t testing.TB, change func(*Options)) *board {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return startOn(t, l, change)
}

func startOn(t testing.TB, l net.Listener, change func(*Options)) *board {
	t.Helper()
	p, err := OpenPairingDir(filepath.Join(t.TempDir(), "access"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	b := &board{source: &fakeSource{}, controls: &fakeControls{}, knobs: &fakeKnobs{}, pairing: p}
	b.source.publish(larkmoor(1))
	o := Options{
		Source: b.source, Pairing: p, Controls: b.controls, Knobs: b.knobs, Now: time.Now,
		Log: quiet(), Version: "test", Hosts: []string{"larkmoor.local"},
		SilentAfter: time.Hour,
	}
	if change != nil {
		change(&o)
	}
	if b.Server, err = New(o); err != nil {
		t.Fatal(err)
	}
	b.addr = l.Addr().String()
	b.url = "http://" + b.addr
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Serve(ctx, l) }()
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	return b
}

// token pairs a device at the console.
func (b *board) token(t testing.TB, role Role) string {
	t.Helper()
	g, err := b.pairing.Grant("test", role)
	if err != nil {
		t.Fatal(err)
	}
	return g.Token
}
