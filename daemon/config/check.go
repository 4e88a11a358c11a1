package config

import (
	"fmt"
	"net"
	"net/netip"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbstar/astro"
)

// checker collects what is wrong with decoded settings.
type checker struct {
	file  string
	lines map[string]int
	errs  []error
}

func (c *checker) refuse(key, format string, a ...any) {
	// The place in a list is shown by the line.
	shown := index.ReplaceAllString(key, "")
	c.errs = append(c.errs, &Error{File: c.file, Line: lineOf(c.lines, key), Key: shown, Why: fmt.Sprintf(format, a...)})
}

var index = regexp.MustCompile(`\[\d+\]`)

// number refuses what lies outside lo to hi, NaN included.
func (c *checker) number(key string, v, lo, hi float64, unit string) {
	if !(v >= lo && v <= hi) {
		c.refuse(key, "%v is out of range: give %v to %v %s", v, lo, hi, unit)
	}
}

func (c *checker) settings(s *Settings, chips Chips) {
	if !filepath.IsAbs(s.StateDir) {
		c.refuse("state_dir", "%.80q: give an absolute path, for example /var/lib/plumbstar", s.StateDir)
	}
	c.site(&s.Site)
	if s.Clock.SigmaS != nil {
		c.number("clock.sigma_s", *s.Clock.SigmaS, 0, 86400, "seconds, or leave it out when nothing is known")
	}
	c.gnss(&s.GNSS)
	c.number("board.mount_sigma_deg", s.Board.MountSigmaDeg, 0.01, 20, "degrees")
	c.number("board.local_field_uT", s.Board.LocalFieldUT, 0, 50, "uT")
	c.sensor("inertial", &s.Inertial, chips.Inertial, 10, 400)
	if s.Inertial.Chip == None {
		c.refuse("inertial.chip", "an accelerometer is needed: name a chip or %q", Auto)
	}
	c.sensor("magnetic", &s.Magnetic, chips.Magnetic, 1, 400)
	c.sensor("magnetic2", &s.Magnetic2, chips.Magnetic, 1, 400)
	c.second("magnetic2", &s.Magnetic, &s.Magnetic2)
	c.sensor("inertial2", &s.Inertial2, chips.Inertial, 10, 400)
	c.second("inertial2", &s.Inertial, &s.Inertial2)
	if s.Aim != "refracted" && s.Aim != "true" {
		c.refuse("aim", `%.40q: use "refracted" (the pole as the air lifts it) or "true"`, s.Aim)
	}
	c.air(&s.Air)
	c.kit(&s.Kit)
	c.server(&s.Server)
	if s.Access.Read != "open" && s.Access.Read != "paired" {
		c.refuse("access.read", `%.40q: use "open" or "paired"`, s.Access.Read)
	}
	c.alarms(&s.Alarms)
	c.display(&s.Display)
	c.number("loop.updates_hz", s.Loop.UpdatesHz, 1, 50, "per second")
	c.watch(&s.Watch)
	c.number("night_log.max_mb", s.NightLog.MaxMB, 20, 1e6, "MB")
}

func (c *checker) watch(w *Watch) {
	c.number("watch.least_move_deg", w.LeastMoveDeg, 0.01, 5, "degrees")
	c.number("watch.blur_share", w.BlurShare, 0.05, 100, "times kit.trail_px")
	if w.BoardOn != Auto && w.BoardOn != OnBody && w.BoardOn != OnHead {
		c.refuse("watch.board_on", "%.40q: use %q, %q or %q", w.BoardOn, Auto, OnBody, OnHead)
	}
	const most = 10
	if len(w.Quiet) > most {
		c.refuse("watch.quiet", "%d times: give at most %d", len(w.Quiet), most)
		return
	}
	for _, q := range w.Quiet {
		if _, err := quietSpan(q); err != nil {
			c.refuse("watch.quiet", "%v", err)
		}
	}
}

// quietSpan reads "23:00-05:30" as minutes after midnight.
func quietSpan(text string) (span [2]int, err error) {
	wrong := fmt.Errorf("%.40q: give from and to as hours and minutes, for example \"23:00-05:30\"", text)
	from, to, ok := strings.Cut(text, "-")
	if !ok {
		return span, wrong
	}
	for i, part := range [2]string{from, to} {
		t, err := time.Parse("15:04", strings.TrimSpace(part))
		if err != nil {
			return span, wrong
		}
		span[i] = 60*t.Hour() + t.Minute()
	}
	if span[0] == span[1] {
		return span, fmt.Errorf("%.40q begins when it ends: give two different times", text)
	}
	return span, nil
}

func (c *checker) site(s *Site) {
	switch {
	case s.LatDeg == nil && s.LonDeg != nil:
		c.refuse("site.lon_deg", "given without lat_deg: give both, or neither to enter the site on the page")
	case s.LatDeg != nil && s.LonDeg == nil:
		c.refuse("site.lat_deg", "given without lon_deg: give both, or neither to enter the site on the page")
	}
	// One value at a time, so that the error can be laid to its key.
	for _, v := range []struct {
		key string
		at  *float64
		one func(float64) astro.Site
	}{
		{"site.lat_deg", s.LatDeg, func(v float64) astro.Site { return astro.Site{LatDeg: v} }},
		{"site.lon_deg", s.LonDeg, func(v float64) astro.Site { return astro.Site{LonDeg: v} }},
		{"site.height_m", &s.HeightM, func(v float64) astro.Site { return astro.Site{HeightM: v} }},
	} {
		if v.at == nil {
			continue
		}
		if err := v.one(*v.at).Validate(); err != nil {
			c.refuse(v.key, "%v", err)
		}
	}
	if len(s.Name) > 100 {
		c.refuse("site.name", "%d bytes: give a name of at most 100", len(s.Name))
	}
}

func (c *checker) gnss(g *GNSS) {
	switch {
	case g.Source == Auto, g.Source == Off, g.Source == Gpsd:
	case strings.HasPrefix(g.Source, gpsdScheme):
		if host, port, err := net.SplitHostPort(g.Server("")); err != nil || host == "" {
			c.refuse("gnss.source", `%.80q: give gpsd://host:port, for example "gpsd://127.0.0.1:2947"`, g.Source)
		} else if p, err := strconv.ParseUint(port, 10, 16); err != nil || p == 0 {
			c.refuse("gnss.source", "port %.20q: give a number from 1 to 65535", port)
		}
	case strings.HasPrefix(g.Source, "/") && filepath.IsAbs(g.Source):
	default:
		c.refuse("gnss.source", `%.80q: use %q, %q, %q, "gpsd://host:port" or a serial port such as "/dev/ttyACM0"`, g.Source, Auto, Off, Gpsd)
	}
	if g.Baud != 0 {
		c.number("gnss.baud", float64(g.Baud), 1200, 921600, "baud, or 0 to try the usual rates")
	}
}

func (c *checker) sensor(section string, s *Sensor, chips []string, minHz, maxHz float64) {
	known := append([]string{Auto, None}, chips...)
	i := slices.IndexFunc(known, func(n string) bool { return strings.EqualFold(n, s.Chip) })
	switch {
	case i >= 0:
		s.Chip = known[i]
	case s.Chip == "" || len(chips) > 0:
		c.refuse(section+".chip", "%.40q is not supported: use one of %s", s.Chip, strings.Join(known, ", "))
	}
	if s.Bus == "" {
		c.refuse(section+".bus", "empty: name the bus, for example \"/dev/i2c-1\", or %q", Auto)
	}
	if s.Address != 0 && (s.Address < 0x08 || s.Address > 0x77) {
		c.refuse(section+".address", "0x%02x is no device address: give the 7-bit address, 0x08 to 0x77, or 0 to try all that the chip can have", s.Address)
	}
	c.number(section+".rate_hz", s.RateHz, minHz, maxHz, "Hz")
	if _, err := ParseMount(s.Forward, s.Up); err != nil {
		key := section + ".up"
		if _, err := parseAxis(s.Forward); err != nil {
			key = section + ".forward"
		}
		c.refuse(key, "%v", err)
	}
}

// second refuses a second sensor that could be the first once more.
func (c *checker) second(section string, first, second *Sensor) {
	switch {
	case second.Chip == None:
	case first.Chip == None:
		c.refuse(section+".chip", "%.40q without a first: name this one in the section before", second.Chip)
	case second.Chip == Auto:
		c.refuse(section+".chip", "%q could find the first one again: name the chip, or %q", Auto, None)
	case first.Chip == Auto:
		c.refuse(section+".chip", "beside %q as the first, which could be this one: name both chips", Auto)
	case first.Chip == second.Chip && (first.Bus == Auto || second.Bus == Auto || first.Bus == second.Bus) &&
		(first.Address == second.Address || first.Address == 0 || second.Address == 0):
		c.refuse(section+".address", "the same chip as the first: give both an address, or both a bus, that differ")
	}
}

func (c *checker) air(a *Air) {
	if a.Sensor != Auto && a.Sensor != None {
		c.refuse("air.sensor", "%.40q: use %q or %q", a.Sensor, Auto, None)
	}
	if a.PressureHPa != nil {
		if err := (astro.Air{PressureHPa: *a.PressureHPa}).Validate(); err != nil {
			c.refuse("air.pressure_hpa", "%v", err)
		}
	}
	if a.TempC != nil {
		if err := (astro.Air{TempC: *a.TempC}).Validate(); err != nil {
			c.refuse("air.temp_c", "%v", err)
		}
	}
}

func (c *checker) display(d *Display) {
	switch {
	case strings.EqualFold(d.Chip, SSD1306):
		d.Chip = SSD1306
	case d.Chip != None:
		c.refuse("display.chip", "%.40q is not supported: use %q, or %q for no display", d.Chip, SSD1306, None)
	}
	if d.Bus == "" {
		c.refuse("display.bus", "empty: name the bus, for example \"/dev/i2c-1\", or %q", Auto)
	}
	switch d.Address {
	case 0x3c, 0x3d:
	case 0x78, 0x7a:
		c.refuse("display.address", "0x%02x counts the bit for reading and writing, as boards print it: give 0x%02x", d.Address, d.Address>>1)
	default:
		c.refuse("display.address", "0x%02x: a display of this kind has 0x3c or 0x3d", d.Address)
	}
	c.number("display.brightness", d.Brightness, 0, 1, "of the brightest")
	if d.Language != English && d.Language != German {
		c.refuse("display.language", "%.40q: use %q or %q", d.Language, English, German)
	}
}

func (c *checker) kit(k *Kit) {
	c.number("kit.pixel_um", k.PixelUM, 0.5, 50, "um")
	c.number("kit.trail_px", k.TrailPx, 0.1, 100, "pixels")
	const most = 20
	if len(k.Lenses) > most {
		c.refuse("kit.lenses", "%d lenses: keep at most %d", len(k.Lenses), most)
		return
	}
	for i := range k.Lenses {
		l := &k.Lenses[i]
		key := fmt.Sprintf("kit.lenses[%d]", i)
		c.number(key+".focal_mm", l.FocalMM, 1, 5000, "mm")
		if l.Name == "" {
			l.Name = fmt.Sprintf("%g mm", l.FocalMM)
		}
		if len(l.Name) > 100 {
			c.refuse(key+".name", "%d bytes: give a name of at most 100", len(l.Name))
		}
		if n := len(l.ExposuresS); n == 0 || n > most {
			c.refuse(key+".exposures_s", "%d exposures: give 1 to %d, in seconds, for example [60, 120]", n, most)
			continue
		}
		for _, e := range l.ExposuresS {
			c.number(key+".exposures_s", e, 0.1, 86400, "seconds")
		}
	}
}

func (c *checker) server(s *Server) {
	host, port, err := net.SplitHostPort(s.Listen)
	if err != nil {
		c.refuse("server.listen", `%.80q: give host:port, for example "0.0.0.0:8484" or "[::1]:8484"`, s.Listen)
	} else {
		if _, err := strconv.ParseUint(port, 10, 16); err != nil {
			c.refuse("server.listen", "port %.20q: give a number from 0 to 65535", port)
		}
		if _, err := netip.ParseAddr(host); err != nil && host != "" && !hostName.MatchString(host) {
			c.refuse("server.listen", "host %.80q is neither an address nor a name", host)
		}
	}
	for _, n := range s.Names {
		if !hostName.MatchString(n) {
			c.refuse("server.names", `%.80q is no host name: give names without scheme and port, for example "tracker.local"`, n)
		}
	}
	if strings.Contains(s.LocalName, ".") || len(s.LocalName) > 40 || (s.LocalName != "" && !hostName.MatchString(s.LocalName)) {
		c.refuse("server.local_name", `%.80q: give one word of at most 40 letters, digits and "-", without ".local", or "" for no name`, s.LocalName)
	}
	if s.TLS != Off && s.TLS != Self {
		c.refuse("server.tls", `%.40q: use %q, or %q for a certificate authority of the board's own`, s.TLS, Off, Self)
	}
	c.number("server.max_streams", float64(s.MaxStreams), 1, 1000, "listeners")
}

// hostName is a name of the host name syntax of RFC 1123, section 2.1.
var hostName = regexp.MustCompile(`^(?i:[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)(\.(?i:[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?))*$`)
