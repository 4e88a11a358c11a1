//go:build linux

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"plumbstar/astro"
	"plumbstar/deploy/rig/plan"
	"plumbstar/deploy/rig/usbip"
)

// guest is the whole script with what it works on.
type guest struct {
	plan    plan.Plan
	started time.Time
	// frozen keeps the borrowed magnetometer's field as it is.
	frozen  atomic.Bool
	bench   *bench
	adapter *usbip.Adapter
	port    int
	prog    *program
}

// run goes through all points; one that fails does not end the others, so that a
// single run shows all that is wrong.
func (g *guest) run() {
	b, err := newBench(g.plan.Board, g.plan.Place, g.plan.UTC)
	if err != nil {
		g.say("FAIL bench: %v", err)
		return
	}
	g.bench = b
	if g.plan.Borrowed {
		go g.moveField()
	}
	g.point("kernel", g.findBus)
	g.point("errno", g.errnos)
	g.point("scan", g.scan)
	g.point("hotplug", g.hotplug)
	if g.prog == nil {
		return
	}
	g.point("calibration", g.calibrate)
	g.point("guidance", g.steady)
	g.point("rate", g.rate)
	g.point("turned", g.turned)
	g.point("cost", g.cost)
	for _, f := range g.plan.Script() {
		g.point(string(f), func() (string, error) { return g.trouble(f) })
	}
	g.point("end", g.end)
}

func (g *guest) say(format string, a ...any) { fmt.Printf("RIG "+format+"\n", a...) }

func (g *guest) point(name string, f func() (string, error)) {
	proof, err := f()
	if err != nil {
		g.say("FAIL %s: %s", name, strings.ReplaceAll(err.Error(), "\n", " | "))
		return
	}
	g.say("point %s: %s", name, proof)
}

func (g *guest) plug() error {
	a, err := usbip.Plug(g.bench.bus, g.port)
	g.adapter = a
	return err
}

// unplug takes the adapter off; the next plug goes into another port.
func (g *guest) unplug() error {
	g.port = (g.port + 1) % 8
	return g.adapter.Unplug()
}

// moveField lets the borrowed magnetometer see what the board would see.
func (g *guest) moveField() {
	for ; ; time.Sleep(50 * time.Millisecond) {
		if !g.frozen.Load() {
			x, y, z := g.bench.borrowedField()
			g.say("ask %s %d %d %d", plan.AskField, x, y, z)
		}
	}
}

// Buses by words in their names: that of the adapter which this process plays, and
// the one on the header of the emulated Pi.
const (
	played = "i2c-tiny-usb"
	native = "i2c@7e804000"
)

// busOf finds the node of the bus that has this word in its name.
func busOf(word string) (node, name string, err error) {
	nodes, err := filepath.Glob("/dev/i2c-*")
	for _, n := range nodes {
		b, err := os.ReadFile(filepath.Join("/sys/class/i2c-dev", filepath.Base(n), "name"))
		if err == nil && strings.Contains(string(b), word) {
			return n, strings.TrimSpace(string(b)), nil
		}
	}
	if err == nil {
		err = fmt.Errorf("no bus %q among %q", word, nodes)
	}
	return "", "", err
}

// awaitBus waits until the played adapter's bus is there, or is not.
func awaitBus(there bool, limit time.Duration) error {
	for end := time.Now().Add(limit); ; time.Sleep(10 * time.Millisecond) {
		_, _, err := busOf(played)
		switch {
		case (err == nil) == there:
			return nil
		case !time.Now().After(end):
		case there:
			return fmt.Errorf("within %v: %w", limit, err)
		default:
			return fmt.Errorf("the bus of %s did not go within %v", played, limit)
		}
	}
}

// findBus plugs the adapter in and waits for the kernel's bus.
func (g *guest) findBus() (string, error) {
	text := "Linux " + kernel()
	if g.plan.Borrowed {
		node, name, err := busOf(native)
		if err != nil {
			return "", err
		}
		text += fmt.Sprintf(", %s is %q", node, name)
	}
	at := time.Now()
	if err := g.plug(); err != nil {
		return "", err
	}
	if err := awaitBus(true, g.plan.Patience); err != nil {
		return "", err
	}
	took := time.Since(at)
	node, name, err := busOf(played)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%s, %s is %q, %d ms after the plug", text, node, name, took.Milliseconds()), nil
}

// errnos asks the kernel alone what each fault looks like.
func (g *guest) errnos() (string, error) {
	var a asked
	if g.plan.Borrowed {
		node, _, err := busOf(native)
		if err != nil {
			return "", err
		}
		f, err := os.OpenFile(node, os.O_RDWR, 0)
		if err != nil {
			return "", err
		}
		defer f.Close()
		a.read(f, "chip on bcm2835", g.bench.mag, nil)
		a.read(f, "absent on bcm2835", 0x50, unix.EREMOTEIO)
	}
	node, _, err := busOf(played)
	if err != nil {
		return "", err
	}
	f, err := os.OpenFile(node, os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	defer f.Close()
	a.read(f, "chip", g.bench.inertial, nil)
	a.read(f, "absent", 0x50, unix.ENXIO)
	g.adapter.Set(usbip.Stalled)
	a.read(f, "stall", g.bench.inertial, unix.EIO)
	g.adapter.Set(usbip.Silent)
	a.read(f, "hang", g.bench.inertial, unix.EIO)
	g.adapter.Set(usbip.Working)
	a.read(f, "again", g.bench.inertial, nil)
	if err := g.unplug(); err != nil {
		return "", err
	}
	if err := awaitBus(false, g.plan.Patience); err != nil {
		return "", err
	}
	a.read(f, "unplugged", g.bench.inertial, unix.EIO)
	if err := f.Close(); err != nil {
		a.wrong = append(a.wrong, err)
	}
	_, err = os.OpenFile(node, os.O_RDWR, 0)
	a.said = append(a.said, "open then: "+errnoName(errors.Unwrap(err)))
	if err := g.plug(); err != nil {
		return "", err
	}
	if err := awaitBus(true, g.plan.Patience); err != nil {
		return "", fmt.Errorf("plugged in again: %w", err)
	}
	return strings.Join(a.said, "; "), errors.Join(a.wrong...)
}

// asked gathers what reads of a register gave, and what they should not have.
type asked struct {
	said  []string
	wrong []error
}

func (a *asked) read(f *os.File, what string, addr uint16, want error) {
	at := time.Now()
	_, err := readRegister(f, addr, 0x0f)
	a.said = append(a.said, fmt.Sprintf("%s %s after %d ms", what, errnoName(err), time.Since(at).Milliseconds()))
	if err != want {
		a.wrong = append(a.wrong, fmt.Errorf("%s: %s, want %s", what, errnoName(err), errnoName(want)))
	}
}

// scan lets the program name the chips. On a busy machine a transfer may be given
// up as hanging, which the report then says: a person would try again as well.
func (g *guest) scan() (text string, err error) {
	const tries = 3
	for try := range tries {
		if text, err = g.scanOnce(); err == nil {
			if try > 0 {
				text += fmt.Sprintf(" (at try %d)", try+1)
			}
			return text, nil
		}
	}
	return "", err
}

func (g *guest) scanOnce() (string, error) {
	out, err := exec.Command(plan.Program, "scan", "--json").Output()
	if err != nil {
		var x *exec.ExitError
		if errors.As(err, &x) {
			return "", fmt.Errorf("%w: %s", err, x.Stderr)
		}
		return "", err
	}
	var r struct {
		Buses []struct {
			Name  string `json:"name"`
			Error string `json:"error"`
			Found []struct {
				Address string `json:"address"`
				Chip    string `json:"chip"`
			} `json:"found"`
		} `json:"buses"`
	}
	if err := json.Unmarshal(out, &r); err != nil {
		return "", err
	}
	var found []string
	got := make(map[string]bool)
	for _, b := range r.Buses {
		if b.Error != "" {
			return "", fmt.Errorf("%s: %s", b.Name, b.Error)
		}
		for _, d := range b.Found {
			got[d.Chip] = true
			found = append(found, fmt.Sprintf("%s at %s on %s", d.Chip, d.Address, b.Name))
		}
	}
	text := strings.Join(found, ", ")
	for _, c := range g.bench.chips {
		if !got[c] {
			return "", fmt.Errorf("no %s in: %s", c, text)
		}
	}
	if len(found) != len(g.bench.chips) {
		return "", fmt.Errorf("found more than is there: %s", text)
	}
	return text, nil
}

const settingsFile = "/plumbstar.toml"

// hotplug starts the program without any bus and plugs the adapter in then.
func (g *guest) hotplug() (string, error) {
	if err := g.unplug(); err != nil {
		return "", err
	}
	if err := awaitBus(false, g.plan.Patience); err != nil {
		return "", err
	}
	s, magnetic := g.bench.place, ""
	if g.plan.Borrowed {
		node, _, err := busOf(native)
		if err != nil {
			return "", err
		}
		magnetic = fmt.Sprintf("chip = \"LSM303DLHC\"\nbus = %q\n", node)
	}
	text := fmt.Sprintf(`state_dir = "/state"
[site]
name = %q
lat_deg = %g
lon_deg = %g
height_m = %g
[clock]
sigma_s = 1.0
[gnss]
source = "off"
[inertial]
rate_hz = %g
[magnetic]
rate_hz = %g
%s[server]
listen = "127.0.0.1:8484"
`, s.Name, s.Site.LatDeg, s.Site.LonDeg, s.Site.HeightM, g.plan.RateHz, g.plan.RateHz, magnetic)
	if err := os.WriteFile(settingsFile, []byte(text), 0o644); err != nil {
		return "", err
	}
	p, err := start(settingsFile)
	if err != nil {
		return "", err
	}
	g.prog = p
	if _, err := p.awaitLog(0, 6*g.plan.Patience, "page and API"); err != nil {
		return "", err
	}
	lost, err := p.awaitLog(0, g.plan.Patience, "sensor lost", "inertial")
	if err != nil {
		return "", err
	}
	if err := g.plug(); err != nil {
		return "", err
	}
	at := time.Now()
	found, err := p.awaitLog(0, g.plan.Patience, "sensor found", "inertial")
	if err != nil {
		return "", err
	}
	took := time.Since(at)
	if _, err := p.awaitLog(0, g.plan.Patience, "sensor found", "magnetic"); err != nil {
		return "", err
	}
	return fmt.Sprintf("%s; %.1f s after the plug: %s", what(lost), took.Seconds(), what(found)), nil
}

// what is the text of a log line.
func what(line string) string {
	_, w, ok := strings.Cut(line, `msg=`)
	if !ok {
		return line
	}
	return w
}

// agrees compares guidance with the truth: 4 sigma and numbers in every place.
func (g *guest) agrees(x guidance) error {
	a := x.Axis
	if a.Altitude == nil || a.AltitudeSigma == nil || a.Azimuth == nil || a.AzimuthSigma == nil || x.Move.Raise == nil || x.Move.TurnEast == nil {
		return fmt.Errorf("state %s, %q: a number is missing: %v", x.State, x.Move.Text, x.Warnings)
	}
	const sigmas = 4
	if d := *a.Altitude - g.bench.altDeg; math.Abs(d) > sigmas**a.AltitudeSigma {
		return fmt.Errorf("altitude %.3f ± %.3f°, truth %.3f°", *a.Altitude, *a.AltitudeSigma, g.bench.altDeg)
	}
	if d := astro.Turn180(*a.Azimuth - g.bench.azDeg); math.Abs(d) > sigmas**a.AzimuthSigma {
		return fmt.Errorf("azimuth %.3f ± %.3f°, truth %.3f°", *a.Azimuth, *a.AzimuthSigma, g.bench.azDeg)
	}
	return nil
}

// guided waits until there is right guidance with numbers.
func (g *guest) guided(limit time.Duration, states ...string) (x guidance, err error) {
	err = g.prog.await(limit, "guidance", func() error {
		if err := get("/api/v1/guidance", &x); err != nil {
			return err
		}
		for _, s := range states {
			if x.State == s {
				return g.agrees(x)
			}
		}
		return fmt.Errorf("state %s, %q, %v", x.State, x.Move.Text, x.Warnings)
	})
	return x, err
}

// calibrate does what a person with a new board does: pair, calibrate in the hand.
func (g *guest) calibrate() (string, error) {
	out, err := exec.Command(plan.Program, "pair", "--token", "--config", settingsFile).Output()
	if err != nil {
		return "", fmt.Errorf("plumbstar pair: %w", err)
	}
	token := strings.TrimSpace(string(out))
	// A machine that is emulated on a busy one may lose a sensor for a moment.
	if err := g.prog.await(g.plan.Patience, "calibration", func() error {
		return post(token, "/api/v1/calibrations", map[string]string{"kind": "board"}, nil)
	}); err != nil {
		return "", err
	}
	g.bench.handle()
	var r struct {
		Accepted bool `json:"accepted"`
		Parts    []struct {
			Part     string   `json:"part"`
			Accepted bool     `json:"accepted"`
			Reason   string   `json:"reason"`
			SigmaDeg *float64 `json:"sigma_deg"`
		} `json:"parts"`
	}
	if err := post(token, "/api/v1/calibrations/session/finish", nil, &r); err != nil {
		return "", err
	}
	var said []string
	for _, p := range r.Parts {
		if !p.Accepted || p.SigmaDeg == nil {
			return "", fmt.Errorf("%s: refused: %s", p.Part, p.Reason)
		}
		said = append(said, fmt.Sprintf("%s to %.2f°", p.Part, *p.SigmaDeg))
	}
	return "board taken off, turned, put back: " + strings.Join(said, ", "), nil
}

func (g *guest) steady() (string, error) {
	x, err := g.guided(6*g.plan.Patience, "steady")
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%s: %s; altitude %.2f ± %.2f° (truth %.2f°), azimuth %.2f ± %.2f° (truth %.2f°)", x.State, x.Move.Text,
		*x.Axis.Altitude, *x.Axis.AltitudeSigma, g.bench.altDeg, *x.Axis.Azimuth, *x.Axis.AzimuthSigma, g.bench.azDeg), nil
}

// rate counts samples and updates for some seconds.
func (g *guest) rate() (string, error) {
	const span = 5 * time.Second
	var before, after health
	if err := get("/api/v1/health", &before); err != nil {
		return "", err
	}
	began, transfers := time.Now(), g.bench.bus.Count().Transfers
	stop, err := listen()
	if err != nil {
		return "", err
	}
	time.Sleep(span)
	events := stop()
	if err := get("/api/v1/health", &after); err != nil {
		return "", err
	}
	s := time.Since(began).Seconds()
	transfers = g.bench.bus.Count().Transfers - transfers
	text := fmt.Sprintf("%.1f updates/s, %.0f transfers/s, %.0f rounds/s (%d late)", float64(events)/span.Seconds(), float64(transfers)/s,
		float64(after.Loop.Ticks-before.Loop.Ticks)/s, after.Loop.Late-before.Loop.Late)
	for i, x := range after.Sensors {
		n := x.Samples - before.Sensors[i].Samples
		text += fmt.Sprintf(", %s %.1f Hz", x.Name, float64(n)/s)
		if n == 0 {
			return "", fmt.Errorf("no sample of the %s sensor: %s", x.Name, text)
		}
	}
	if events < 5 {
		return "", fmt.Errorf("less than one update in a second: %s", text)
	}
	return text, nil
}

// turned turns the mount: guidance must follow.
func (g *guest) turned() (string, error) {
	before, err := g.guided(2*g.plan.Patience, "steady")
	if err != nil {
		return "", err
	}
	const eastDeg = 5
	g.bench.turn(eastDeg)
	at := time.Now()
	x, err := g.guided(4*g.plan.Patience, "steady")
	if err != nil {
		return "", err
	}
	moved := astro.Turn180(*x.Axis.Azimuth - *before.Axis.Azimuth)
	text := fmt.Sprintf("%.1f° to the east are seen as %.1f°; steady again after %.1f s: %s", float64(eastDeg), moved, time.Since(at).Seconds(), x.Move.Text)
	if math.Abs(moved-eastDeg) > 1 {
		return "", errors.New(text)
	}
	return text, nil
}

func (g *guest) end() (string, error) {
	at := time.Now()
	if err := g.prog.stop(g.plan.Patience); err != nil {
		return "", err
	}
	return fmt.Sprintf("one process from start to end; it ended in %.1f s when told to, %.0f s after the kernel's start", time.Since(at).Seconds(), time.Since(g.started).Seconds()), nil
}
