package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/api"
	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/astro/pole"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
	"plumbstar/sensors/recorded"
)

// replayFlags are the options of replay.
type replayFlags struct {
	json             bool
	calibrateFrom    string
	lat, lon, height float64
	start            string
	forward, up      string
	speed            string
	listen           string
	aim              string
}

// jsonEvery is how often replay --json prints, recorded time.
const jsonEvery = 250 * time.Millisecond

func newReplayCommand(e env) *cobra.Command {
	var f replayFlags
	c := &cobra.Command{
		Use:   "replay FILE",
		Short: "Run the whole daemon on a recording",
		Long: `Run the whole daemon on a recording of inertial sensor and magnetometer.

FILE is comma-separated with the columns t_s,ax,ay,az,gx,gy,gz,mx,my,mz (seconds,
m/s2 with +g on the axis that points up, rad/s, uT), gzip accepted. With --json
one guidance object per line is printed; otherwise page and API are served while
the recording plays.`,
		Args: oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			return replay(cmd, e, f, args[0])
		},
	}
	fl := c.Flags()
	fl.BoolVar(&f.json, "json", false, "print guidance as JSON, one object per line, instead of serving")
	fl.StringVar(&f.calibrateFrom, "calibrate-from", "", "calibrate on another recording of the same board first")
	fl.Float64Var(&f.lat, "lat", 0, "latitude, degrees, north positive")
	fl.Float64Var(&f.lon, "lon", 0, "longitude, degrees, east positive")
	fl.Float64Var(&f.height, "height-m", 0, "height above the ellipsoid, metres")
	fl.StringVar(&f.start, "start", "", "UTC of the recording's time zero, RFC 3339 (default: now)")
	fl.StringVar(&f.forward, "forward", "+x", "sensor axis that lies along the tracker's axis, toward the night sky")
	fl.StringVar(&f.up, "up", "+z", "sensor axis that points up when the base is level")
	fl.StringVar(&f.speed, "speed", "", "times real time, or max (default: max with --json, else 1)")
	fl.StringVar(&f.listen, "listen", "127.0.0.1:8484", "address of page and API; port 0 takes any")
	fl.StringVar(&f.aim, "aim", "refracted", "pole to aim at: refracted or true")
	return c
}

// replayPlan is what the flags ask for.
type replayPlan struct {
	mount daemon.Mount
	start time.Time
	site  *astro.Site // nil: not given
	speed float64     // 0: as fast as possible
}

func (f *replayFlags) plan(cmd *cobra.Command, now time.Time) (p replayPlan, err error) {
	mount, err := config.ParseMount(f.forward, f.up)
	if err != nil {
		return p, usageError{err}
	}
	p.mount = daemon.Mount(mount)
	if f.aim != string(pole.Refracted) && f.aim != string(pole.True) {
		return p, usagef("--aim %q: give %s or %s", f.aim, pole.Refracted, pole.True)
	}
	p.start = now.UTC()
	if f.start != "" {
		i, err := astro.ParseInstant(f.start)
		if err != nil {
			return p, usagef("--start %s: %v", f.start, err)
		}
		p.start = i.Time()
	}
	if p.site, err = replaySite(cmd, *f); err != nil {
		return p, err
	}
	p.speed, err = replaySpeed(*f)
	return p, err
}

// corrections are those of the recording that --calibrate-from names, or none.
func (f *replayFlags) corrections(p *replayPlan, model *geomag.Model, complaints io.Writer) (accel, compass daemon.Correction, err error) {
	if f.calibrateFrom == "" {
		return uncalibrated(), uncalibrated(), nil
	}
	var field *geomag.Field
	if s := p.site; s != nil {
		if m, err := model.At(s.LatDeg, s.LonDeg, s.HeightM/1000, astro.DecimalYear(p.start)); err == nil {
			field = &m
		}
	}
	in, mag, err := readRecording(f.calibrateFrom)
	if err != nil {
		return accel, compass, err
	}
	accel, compass, err = corrections(in, mag, recorded.UnknownInertial(), field, complaints)
	if err != nil {
		return accel, compass, fmt.Errorf("%s: %w", f.calibrateFrom, err)
	}
	return accel, compass, nil
}

func replay(cmd *cobra.Command, e env, f replayFlags, path string) error {
	ctx := cmd.Context()
	p, err := f.plan(cmd, e.now())
	if err != nil {
		return err
	}
	model := geomag.WMM2025()
	accel, compass, err := f.corrections(&p, model, e.stderr)
	if err != nil {
		return err
	}
	file, err := openRecording(path)
	if err != nil {
		return err
	}
	defer file.Close()
	rows, err := recorded.NewReader(file)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	clock := scenario.NewClock()
	player, err := recorded.NewPlayer(rows, clock, recorded.Options{Name: filepath.Base(path)})
	if err != nil {
		return err
	}
	if player.Inertial() == nil {
		return fmt.Errorf("%s: no accelerometer in it: replay needs the columns ax, ay, az", path)
	}
	clock.Sleep(player.Start())
	if p.speed > 0 {
		clock.Pace(p.speed, time.Now, time.Sleep)
	}
	o := daemon.Options{
		Clock:       clock,
		UTC:         func(now time.Duration) time.Time { return p.start.Add(now) },
		ClockSource: "entered", ClockSigmaS: 1,
		Inertial: &daemon.Inertial{Device: path, Mount: p.mount, Correct: accel,
			Open: func() (sensors.Inertial, error) { return player.Inertial(), nil }},
		MountSigmaDeg: estimator.DefaultMountSigmaDeg,
		LocalFieldUT:  estimator.DefaultLocalFieldUT,
		Site:          p.site, SiteSource: "entered",
		AimKind: f.aim, Air: astro.StandardAir(f.height),
		Model:  model,
		Period: 10 * time.Millisecond, PublishEvery: 100 * time.Millisecond,
		Log: slog.New(slog.NewTextHandler(e.stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	}
	if player.Magnetometer() != nil {
		o.Magnetic = &daemon.Magnetic{Device: path, Mount: p.mount, Correct: compass,
			Open: func() (sensors.Magnetometer, error) { return player.Magnetometer(), nil }}
	}
	if f.json {
		err = replayJSON(ctx, e, o)
	} else {
		err = replayServed(ctx, e, o, f.listen)
	}
	if err == nil {
		err = player.Err()
	}
	return err
}

func replaySite(cmd *cobra.Command, f replayFlags) (*astro.Site, error) {
	lat, lon := cmd.Flags().Changed("lat"), cmd.Flags().Changed("lon")
	if lat != lon {
		return nil, usagef("--lat and --lon belong together: give both or none")
	}
	if !lat {
		return nil, nil
	}
	s := astro.Site{LatDeg: f.lat, LonDeg: f.lon, HeightM: f.height}
	if err := s.Validate(); err != nil {
		return nil, usageError{err}
	}
	return &s, nil
}

// replaySpeed is 0 for as fast as possible.
func replaySpeed(f replayFlags) (float64, error) {
	switch f.speed {
	case "":
		if f.json {
			return 0, nil
		}
		return 1, nil
	case "max":
		return 0, nil
	}
	return parseSpeed(f.speed)
}

// parseSpeed reads a factor of real time.
func parseSpeed(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v > 0 && v <= 1e6) {
		return 0, usagef("speed %q: give a number above 0, or max", text)
	}
	return v, nil
}

func replayJSON(ctx context.Context, e env, o daemon.Options) error {
	o.PublishEvery = jsonEvery
	out := newLineWriter(e.stdout)
	o.OnSnapshot = func(s *daemon.Snapshot) {
		g := api.GuidanceFrom(s)
		g.T = api.Known(s.Mono.Seconds())
		out.encode(g)
	}
	d, err := daemon.New(o)
	if err != nil {
		return err
	}
	ctx, out.stop = context.WithCancel(ctx)
	defer out.stop()
	if err := d.Run(ctx); err != nil {
		return err
	}
	return out.flush()
}

func replayServed(ctx context.Context, e env, o daemon.Options, listen string) error {
	d, err := daemon.New(o)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "plumbstar-replay-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	pairing, err := api.OpenPairingDir(dir, e.now)
	if err != nil {
		return err
	}
	s := serving{listen: listen, pairing: pairing}
	return s.run(ctx, e, d, o.Log, func(url string) { fmt.Fprintln(e.stdout, "page and API:", url) })
}
