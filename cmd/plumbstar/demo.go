package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/api"
	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
)

type demoFlags struct {
	length time.Duration
	seed   uint64
	speed  string
	json   bool
	site   string
	hands  string
	listen string
	faults []string
	watch  bool
	state  string
	alarms string
}

func newDemoCommand(e env) *cobra.Command {
	var f demoFlags
	c := &cobra.Command{
		Use:   "demo",
		Short: "Simulate a board, a tripod and a person who follows the guidance",
		Long: `Simulate a board at an invented site: the real drivers over a simulated bus, and
hands that read the guidance and turn the knobs. Page and API are served on this
machine meanwhile. At the end the truth is compared with the estimate.`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return demo(cmd.Context(), e, f) },
	}
	fl := c.Flags()
	fl.DurationVar(&f.length, "for", 2*time.Minute, "simulated time after the board was put on the tripod")
	fl.Uint64Var(&f.seed, "seed", 7, "seed of everything that is left to chance")
	fl.StringVar(&f.speed, "speed", "1", "times real time, or max")
	fl.BoolVar(&f.json, "json", false, "end with one line of JSON instead of words")
	fl.StringVar(&f.site, "site", "larkmoor", "invented site: larkmoor (north) or dry-lagoon (south)")
	fl.StringVar(&f.hands, "hands", "auto", "who turns the knobs: auto, or page for the person at the page")
	fl.StringVar(&f.listen, "listen", "127.0.0.1:8484", "address of page and API; port 0 takes any")
	fl.StringArrayVar(&f.faults, "fault", nil, "trouble as WHAT@FROM-TO, for example magnetometer@20s-35s; WHAT: "+demoFaultHelp)
	fl.BoolVar(&f.watch, "watch", false, "the person arms the watch when it is offered, or after three minutes, and then leaves the tripod alone")
	fl.StringVar(&f.state, "state-dir", "", "where the night log is kept (default: a folder that ends with the demo)")
	fl.StringVar(&f.alarms, "alarms", "", "settings file whose [alarms] carry away what happens in the demo")
	return c
}

// demoPlan is what the flags ask for; speed is 0 for as fast as possible.
type demoPlan struct {
	place  scenario.Place
	speed  float64
	faults []demoFault
}

func (f *demoFlags) plan() (p demoPlan, err error) {
	if p.place, err = scenario.PlaceNamed(f.site); err != nil {
		return p, usageError{err}
	}
	if f.hands != "auto" && f.hands != "page" {
		return p, usagef("--hands %q: choose auto or page", f.hands)
	}
	if f.length <= 0 || f.length > 30*24*time.Hour {
		return p, usagef("--for %v: give a time above 0, up to 720h", f.length)
	}
	if f.speed != "max" {
		if p.speed, err = parseSpeed(f.speed); err != nil {
			return p, err
		}
	}
	p.faults, err = parseDemoFaults(f.faults)
	return p, err
}

func demo(ctx context.Context, e env, f demoFlags) error {
	p, err := f.plan()
	if err != nil {
		return err
	}
	night, err := scenario.NewNight(p.place, f.seed, scenario.Ordinary)
	if err != nil {
		return err
	}
	o, err := nightOptions(night, e)
	if err != nil {
		return err
	}
	dir, temporary, err := demoDir(f.state)
	if err != nil {
		return err
	}
	if temporary {
		defer os.RemoveAll(dir)
	}
	log := newDemoLog(dir, &o, p.speed)
	defer log.close(o.Log)
	d, err := daemon.New(o)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var away atomic.Bool
	if f.watch {
		left := make(chan struct{})
		go func() { defer close(left); armInTime(ctx, d, night.Clock.Now(), &away) }()
		defer func() { cancel(); <-left }()
	}
	run := newDemoRun(night, d, e, f.json)
	end := run.begin + f.length
	night.Clock.AfterStep(func(now time.Duration) {
		if now >= end {
			cancel()
		}
		for i := range p.faults {
			if said := p.faults[i].step(night, night.Bus, now-run.begin); said != "" {
				fmt.Fprintf(run.out, "%s%6.1f s  %s\n", run.lineStart, (now - run.begin).Seconds(), said)
			}
		}
		run.step(now, f.hands == "auto" && !away.Load())
		log.keepUp(ctx, now)
	})
	if p.speed > 0 {
		night.Clock.Pace(p.speed, time.Now, time.Sleep)
	}
	s := serving{listen: f.listen, journal: log.log}
	if s.alarms, err = demoAlarms(e, f.alarms, d, o.Log); err != nil {
		return err
	}
	if f.hands == "page" {
		s.knobs, s.knocks = knobs{night}, knobs{night}
	}
	if err := demoPairing(ctx, e, dir, &s, d, o.Log, run.announce, f.hands == "page"); err != nil {
		return err
	}
	run.finish()
	return run.report(e.stdout, f)
}

// nightOptions calibrates the simulated board on the bench, puts it on the
// tripod and describes it to the daemon.
func nightOptions(n *scenario.Night, e env) (daemon.Options, error) {
	openIMU, openMag := openBoard(n)
	imu, err := openIMU()
	if err != nil {
		return daemon.Options{}, err
	}
	mag, err := openMag()
	if err != nil {
		return daemon.Options{}, err
	}
	bench, err := scenario.RunBench(n.Clock, n.World, imu, mag, n.Rng(), scenario.GoodHandling())
	if err != nil {
		return daemon.Options{}, err
	}
	site := n.Place.Site
	model := geomag.WMM2025()
	field, err := model.At(site.LatDeg, site.LonDeg, site.HeightM/1000, astro.DecimalYear(n.Place.Begin))
	if err != nil {
		return daemon.Options{}, err
	}
	accel, compass, err := corrections(bench.Inertial, bench.Magnetic, imu.Spec(), &field, e.stderr)
	if err != nil {
		return daemon.Options{}, err
	}
	n.SetUp()
	return daemon.Options{
		Clock: n.Clock, UTC: n.UTC, ClockSource: "entered", ClockSigmaS: 1,
		Inertial: &daemon.Inertial{Device: n.Board.Inertial.Name, Mount: daemon.Straight(), Correct: accel, Open: openIMU},
		Magnetic: &daemon.Magnetic{Device: n.Board.Magnetic.Name, Mount: daemon.Straight(), Correct: compass,
			Open: openMag},
		MountSigmaDeg: scenario.MountSigmaDeg,
		LocalFieldUT:  estimator.DefaultLocalFieldUT,
		Site:          &site, SiteName: n.Place.Name, SiteSource: "settings",
		AimKind: "refracted", Air: astro.StandardAir(site.HeightM),
		Model: model, Kit: demoKit(),
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
		Log: slog.New(slog.NewTextHandler(e.stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	}, nil
}

func demoKit() daemon.Kit {
	return daemon.Kit{PixelUM: 4.3, TrailPx: 2, Lenses: []daemon.Lens{
		{Name: "14 mm", FocalMM: 14, ExposureS: 240},
		{Name: "24 mm", FocalMM: 24, ExposureS: 120},
		{Name: "50 mm", FocalMM: 50, ExposureS: 120},
	}}
}

// demoRun follows a demo while it runs.
type demoRun struct {
	night *scenario.Night
	d     *daemon.Daemon
	begin time.Duration
	out   io.Writer

	// lineStart and lineEnd make one live line on a terminal, many elsewhere.
	lineStart, lineEnd string

	seen, shown time.Duration
	last        *daemon.Snapshot
	alt, az     float64 // truth at the last snapshot
}

// newDemoRun tells on standard output, or on standard error where that is for JSON.
func newDemoRun(night *scenario.Night, d *daemon.Daemon, e env, asJSON bool) *demoRun {
	r := &demoRun{night: night, d: d, begin: night.Clock.Now(), out: e.stdout, lineEnd: "\n"}
	if asJSON {
		r.out = e.stderr
	}
	if isTerminal(r.out) {
		r.lineStart, r.lineEnd = "\r\x1b[K", ""
	}
	return r
}

func (r *demoRun) announce(url string) { fmt.Fprintln(r.out, "page and API:", url) }

// step lets the person look at the newest snapshot.
func (r *demoRun) step(now time.Duration, auto bool) {
	s := r.d.Latest()
	if s == nil || s.Mono == r.seen {
		return
	}
	r.seen, r.last = s.Mono, s
	if auto {
		r.night.Hands.See(now, screen(s))
	}
	if s.Mono-r.shown >= time.Second {
		r.shown = s.Mono
		alt, az := r.night.Truth()
		off, text := amount(s.Guidance.Error), s.Guidance.Text
		if g := api.GuidanceFrom(s); !g.Error.Known { // old numbers are withheld there
			off, text = "not known", g.Move.Text
		}
		fmt.Fprintf(r.out, "%s%6.1f s  %-9s error %-14s truth %6.2f° %6.2f°  %s%s",
			r.lineStart, (s.Mono - r.begin).Seconds(), s.Estimate.State, off, alt, az, text, r.lineEnd)
	}
}

// finish takes truth and estimate of the same moment.
func (r *demoRun) finish() {
	r.last = r.d.Latest()
	r.alt, r.az = r.night.TruthAt(r.last.Mono)
}

func amount(q estimator.Quantity) string {
	if !q.Known {
		return "not known"
	}
	return fmt.Sprintf("%.2f° ± %.2f°", q.Deg, q.SigmaDeg)
}

// screen is what a person sees of a snapshot.
func screen(s *daemon.Snapshot) scenario.Screen {
	read := func(q estimator.Quantity) scenario.Reading {
		return scenario.Reading{Deg: q.Deg, SigmaDeg: q.SigmaDeg, Known: q.Known}
	}
	v := scenario.Screen{
		Shown: s.Mono, Raise: read(s.Guidance.Raise), TurnEast: read(s.Guidance.TurnEast),
		AltitudeDeg: s.Estimate.Altitude.Deg,
		South:       s.Site.Site.Hemisphere() == astro.South,
		Steady:      s.Estimate.State == estimator.Steady,
	}
	switch s.Estimate.State {
	case estimator.Steady, estimator.Settling, estimator.Disturbed:
		v.Still = true
	}
	return v
}

// demoResult is the last line of demo --json.
type demoResult struct {
	Seed     uint64       `json:"seed"`
	Site     string       `json:"site"`
	Truth    demoTruth    `json:"truth"`
	Estimate demoEstimate `json:"estimate"`
	Within95 bool         `json:"within_95"`
	KnobS    float64      `json:"knob_s"`
}

type demoTruth struct {
	Altitude float64 `json:"altitude_deg"`
	Azimuth  float64 `json:"azimuth_deg"`
	Error    float64 `json:"error_deg"`
}

type demoEstimate struct {
	Altitude      api.Number `json:"altitude_deg"`
	AltitudeSigma api.Number `json:"altitude_sigma_deg"`
	Azimuth       api.Number `json:"azimuth_deg"`
	AzimuthSigma  api.Number `json:"azimuth_sigma_deg"`
}

// sigma95 holds 95 % of a normal distribution.
const sigma95 = 1.96

func (r *demoRun) report(w io.Writer, f demoFlags) error {
	e, g := r.last.Estimate, r.last.Guidance
	res := demoResult{Seed: f.seed, Site: f.site, KnobS: round(r.night.Hands.Work.Seconds(), 1)}
	res.Truth = demoTruth{Altitude: round(r.alt, 4), Azimuth: round(r.az, 4)}
	if g.Aim != nil {
		res.Truth.Error = round(scenario.ErrorDeg(r.alt, r.az, g.Aim.AltitudeDeg, g.Aim.AzimuthDeg), 4)
	}
	da, dz := e.Altitude.Deg-r.alt, astro.Turn180(e.Azimuth.Deg-r.az)
	if e.Altitude.Known {
		res.Estimate.Altitude, res.Estimate.AltitudeSigma = api.Known(round(e.Altitude.Deg, 4)), api.Known(round(e.Altitude.SigmaDeg, 4))
	}
	if e.Azimuth.Known {
		res.Estimate.Azimuth, res.Estimate.AzimuthSigma = api.Known(round(e.Azimuth.Deg, 4)), api.Known(round(e.Azimuth.SigmaDeg, 4))
	}
	res.Within95 = e.Altitude.Known && e.Azimuth.Known &&
		math.Abs(da) <= sigma95*e.Altitude.SigmaDeg && math.Abs(dz) <= sigma95*e.Azimuth.SigmaDeg
	if f.json {
		out := newLineWriter(w)
		out.encode(res)
		return out.flush()
	}
	if !e.Altitude.Known || !e.Azimuth.Known {
		_, err := fmt.Fprintf(w, "\nThe axis really points %.2f° high, azimuth %.2f°; the program does not know where: %s%s\n", r.alt, r.az, e.Altitude.Why, e.Azimuth.Why)
		return err
	}
	_, err := fmt.Fprintf(w, `
              truth      estimate          off by
altitude   %8.3f°     %8.3f° ± %.3f°   %+.1f sigma
azimuth    %8s°     %8s° ± %.3f°   %+.1f sigma
The axis stands %.2f° from the pole after %.0f s of turning knobs.
`, r.alt, e.Altitude.Deg, e.Altitude.SigmaDeg, da/e.Altitude.SigmaDeg,
		aroundFixed(r.az, 3), aroundFixed(e.Azimuth.Deg, 3), e.Azimuth.SigmaDeg, dz/e.Azimuth.SigmaDeg,
		res.Truth.Error, res.KnobS)
	return err
}

func round(v float64, digits int) float64 {
	p := math.Pow(10, float64(digits))
	return math.Round(v*p) / p
}

// demoPairing serves with a pairing store of its own.
func demoPairing(ctx context.Context, e env, dir string, s *serving, d *daemon.Daemon, log *slog.Logger, announce func(string), withCode bool) error {
	p, err := api.OpenPairingDir(filepath.Join(dir, api.PairingFolder), e.now)
	if err != nil {
		return err
	}
	s.pairing = p
	if withCode {
		// The page that is opened with this address pairs itself.
		code, err := p.Issue(api.CodeOptions{Role: api.RoleWrite, Lifetime: 24 * time.Hour, Uses: 1000})
		if err != nil {
			return err
		}
		plain := announce
		announce = func(url string) { plain(url + "#code=" + code) }
	}
	return s.run(ctx, e, d, log, announce)
}

// knobs lets the page turn the simulated adjusters.
type knobs struct{ n *scenario.Night }

// knobRate is how fast, degrees per second, the page's person turns.
const knobRate = 1.5

func (k knobs) Turn(_ context.Context, altitudeDeg, azimuthDeg float64) error {
	now := k.n.Clock.Now()
	took := func(deg float64) time.Duration {
		return 200*time.Millisecond + time.Duration(math.Abs(deg)/knobRate*float64(time.Second))
	}
	if altitudeDeg != 0 {
		k.n.Mount.Raise(now, took(altitudeDeg), altitudeDeg)
	}
	if azimuthDeg != 0 {
		k.n.Mount.TurnAzimuth(now, took(azimuthDeg), azimuthDeg)
	}
	return nil
}

// Knock lets the page kick the tripod.
func (k knobs) Knock(_ context.Context, upDeg, eastDeg float64) error {
	k.n.Mount.Knock(k.n.Clock.Now(), kickTakes, upDeg, eastDeg)
	return nil
}
