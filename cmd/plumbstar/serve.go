package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"plumbstar/api"
	"plumbstar/api/mdns"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/nightlog"
)

// garbagePercent makes collections twice as frequent as is usual: the loop makes
// little garbage, so one in ten seconds takes a 5000th of a core and leaves 2 to 4 MB
// free.
const garbagePercent = 50

const defaultSettings = "/etc/plumbstar/plumbstar.toml"

type serveFlags struct {
	settings, listen, stateDir string
	verbose                    bool
}

func newServeCommand(e env) *cobra.Command {
	var f serveFlags
	c := &cobra.Command{
		Use:   "serve",
		Short: "Read the sensors of this board and serve page and API",
		Args:  noArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return serve(cmd, e, f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.settings, "config", "", "settings file (default "+defaultSettings+" where it exists)")
	fl.StringVar(&f.listen, "listen", "", "address of page and API, instead of the settings'; port 0 takes any")
	fl.StringVar(&f.stateDir, "state-dir", "", "where pairings and nights are kept, instead of the settings'")
	fl.BoolVar(&f.verbose, "verbose", false, "log more")
	return c
}

func serve(cmd *cobra.Command, e env, f serveFlags) error {
	set, err := serveSettings(f)
	if err != nil {
		return err
	}
	level := slog.LevelInfo
	if f.verbose {
		level = slog.LevelDebug
	}
	log := newLog(e.stderr, level)
	super, err := newSupervisor(os.Getenv)
	if err != nil {
		return err
	}
	debug.SetGCPercent(garbagePercent)
	clock := newRealClock()
	buses := newLiveBuses()
	o, err := liveOptions(set, clock, buses, log)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(set.StateDir, 0o750); err != nil {
		return fmt.Errorf("state directory: %w: choose another with --state-dir", err)
	}
	journal := nightlog.Start(nightlog.Options{Dir: set.StateDir, Log: log, MaxBytes: int64(set.NightLog.MaxMB * 1e6), Opened: nightlog.Moment{
		At: clock.Now(), UTC: e.now(), SigmaS: set.Clock.Sigma(), Source: daemon.ClockSystem,
	}})
	defer func() {
		if err := journal.Close(); err != nil {
			log.Error("the night log was not closed in order", "error", err)
		}
	}()
	o.Store = newBoardState(journal, set.StateDir, clock)
	o.Journal, o.OpenNight = journal, openNight(cmd.Context(), journal)
	o.Settings = nightSettings(&set)
	d, err := daemon.New(o)
	if err != nil {
		return err
	}
	pairing, err := api.OpenPairingDir(filepath.Join(set.StateDir, api.PairingFolder), e.now)
	if err != nil {
		return err
	}
	warnOfOpenSecrets(cmp.Or(f.settings, defaultSettings), set.Alarms, log)
	ways, err := newAlarms(e, set.Alarms, d, clock, "", journal, log)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(cmd.Context())
	located := locate(ctx, set.GNSS, clock, d, log)
	defer func() { stop(); located() }()
	aired := measureAir(ctx, set.Air, buses, d, log)
	defer func() { stop(); aired() }()
	s := serving{
		listen: set.Server.Listen, pairing: pairing, journal: journal, hosts: hostsOf(set),
		paired: set.Access.Paired(), streams: set.Server.MaxStreams, alarms: ways,
		localName: set.Server.LocalName, clock: clock.Now,
	}
	if set.Server.Encrypted() {
		if s.authority, err = openAuthority(set, e.now); err != nil {
			return err
		}
	}
	var page atomic.Value
	page.Store("")
	shown, err := showDisplay(ctx, set.Display, clock, buses, d, func() string { return page.Load().(string) }, pairing.Shown, log)
	if err != nil {
		return err
	}
	defer func() { stop(); shown() }()
	var told sync.WaitGroup
	defer told.Wait()
	return s.run(ctx, e, d, log, func(url string) {
		fmt.Fprintln(e.stdout, "page and API:", url)
		page.Store(url)
		if s.authority != nil {
			fmt.Fprintf(e.stdout, "certificate authority: %sca.crt, SHA-256 %s\n", url, s.authority.Fingerprint())
		}
		told.Go(func() { super.follow(d.Subscribe(ctx), s.page) })
		told.Go(func() { learnFromNights(ctx, d, journal.Path(), set.Learn.Unasked, log) })
	})
}

func hostsOf(set config.Settings) []string {
	hosts := append(ownNames(), set.Server.Names...)
	if set.Server.LocalName != "" {
		hosts = append(hosts, mdns.Names(set.Server.LocalName)...)
	}
	return hosts
}

// openAuthority is the board's own, made the first time.
func openAuthority(set config.Settings, now func() time.Time) (*api.Authority, error) {
	return api.OpenAuthority(filepath.Join(set.StateDir, "tls"), hostsOf(set), now, builtAt())
}

// ownNames are the names under which this machine may be called on a local net.
func ownNames() []string {
	name, err := os.Hostname()
	if err != nil {
		return nil
	}
	return []string{name, name + ".local"}
}

func serveSettings(f serveFlags) (config.Settings, error) {
	chips := config.Chips{Inertial: inertialChips(), Magnetic: magneticChips()}
	file := f.settings
	if file == "" {
		file = defaultSettings
	}
	set, err := config.Load(file, chips)
	if f.settings == "" && errors.Is(err, fs.ErrNotExist) {
		set, err = config.Defaults(), nil
	}
	if err != nil {
		return set, err
	}
	if f.listen != "" {
		set.Server.Listen = f.listen
	}
	if f.stateDir != "" {
		if set.StateDir, err = filepath.Abs(f.stateDir); err != nil {
			return set, err
		}
	}
	return set, nil
}

// liveOptions turns settings into what the daemon needs.
func liveOptions(set config.Settings, clock realClock, buses *liveBuses, log *slog.Logger) (daemon.Options, error) {
	model, err := loadGeomag(set.Geomag.Coefficients)
	if err != nil {
		return daemon.Options{}, err
	}
	o := daemon.Options{
		Clock: clock,
		UTC:   clock.UTC,
		// What the system's clock is worth while the kernel does not vouch for it.
		ClockSource: daemon.ClockSystem, ClockSigmaS: set.Clock.Sigma(), NotBefore: builtAt(),
		Inertial: &daemon.Inertial{
			Device: set.Inertial.Chip, Mount: daemon.Mount(set.Inertial.Mount()), Correct: uncalibrated(),
			Open:   newSeeker(buses, "inertial", set.Inertial, clock, openInertial).Open,
			OnLost: func() { buses.release("inertial") },
		},
		MountSigmaDeg: set.Board.MountSigmaDeg,
		LocalFieldUT:  set.Board.LocalFieldUT,
		Site:          set.Site.Place(), SiteName: set.Site.Name, SiteSource: "settings",
		AimKind: set.Aim, Air: set.Air.At(set.Site.HeightM),
		Model: model, Kit: liveKit(set.Kit),
		Period: loopPeriod, PublishEvery: time.Duration(float64(time.Second) / set.Loop.UpdatesHz),
		Log: log,
	}
	if o.Watch, err = watchOptions(&set.Watch); err != nil {
		return daemon.Options{}, err
	}
	if set.Magnetic.Chip != config.None {
		o.Magnetic = &daemon.Magnetic{
			Device: set.Magnetic.Chip, Mount: daemon.Mount(set.Magnetic.Mount()), Correct: uncalibrated(),
			Open:   newSeeker(buses, "magnetic", set.Magnetic, clock, openMagnetometer).Open,
			OnLost: func() { buses.release("magnetic") },
		}
	}
	if set.Inertial2.Chip != config.None {
		o.Inertial2 = &daemon.Inertial{
			Device: set.Inertial2.Chip, Mount: daemon.Mount(set.Inertial2.Mount()), Correct: uncalibrated(),
			Open:   newSeeker(buses, "inertial2", set.Inertial2, clock, openInertial).Open,
			OnLost: func() { buses.release("inertial2") },
		}
	}
	if set.Magnetic2.Chip != config.None {
		o.Magnetic2 = &daemon.Magnetic{
			Device: set.Magnetic2.Chip, Mount: daemon.Mount(set.Magnetic2.Mount()), Correct: uncalibrated(),
			Open:   newSeeker(buses, "magnetic2", set.Magnetic2, clock, openMagnetometer).Open,
			OnLost: func() { buses.release("magnetic2") },
		}
	}
	return o, nil
}

// loopPeriod reads each sensor at 100 Hz.
const loopPeriod = 10 * time.Millisecond

func liveKit(k config.Kit) daemon.Kit {
	out := daemon.Kit{PixelUM: k.PixelUM, TrailPx: k.TrailPx}
	for _, l := range k.Lenses {
		for _, s := range l.ExposuresS {
			out.Lenses = append(out.Lenses, daemon.Lens{Name: l.Name, FocalMM: l.FocalMM, ExposureS: s})
		}
	}
	return out
}
