package config_test

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbstar/astro"
	"plumbstar/daemon/config"
)

const sample = "../../deploy/plumbstar.toml"

func TestSampleFileSaysTheDefaults(t *testing.T) {
	b, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"sample": b, "empty file": nil} {
		got, err := config.Parse(name, data, config.Chips{})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(config.Defaults(), got); d != "" {
			t.Errorf("%s differs from the defaults:\n%s", name, d)
		}
	}
}

// Every key of the schema is explained in the sample, and its examples are good.
func TestSampleFileNamesEveryKey(t *testing.T) {
	b, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	text := regexp.MustCompile(`(?m)^#([a-z_A-Z]+ = )`).ReplaceAllString(string(b), "$1")
	s, err := config.Parse(sample, []byte(text), config.Chips{})
	if err != nil {
		t.Fatal(err)
	}
	if p := s.Site.Place(); p == nil || p.LatDeg != 51.9 || p.LonDeg != 8.4 {
		t.Errorf("example site %+v", p)
	}
	var walk func(table string, ty reflect.Type)
	walk = func(table string, ty reflect.Type) {
		section := text
		if table != "" {
			_, after, ok := strings.Cut(text, "\n["+table+"]")
			if !ok {
				t.Errorf("no table [%s]", table)
				return
			}
			section, _, _ = strings.Cut(after, "\n[")
		}
		for i := range ty.NumField() {
			f := ty.Field(i)
			key := f.Tag.Get("toml")
			switch {
			case key == "":
				t.Errorf("%s.%s has no key", ty, f.Name)
			case f.Type.Kind() == reflect.Struct:
				walk(strings.TrimPrefix(table+"."+key, "."), f.Type)
			case f.Type.Kind() == reflect.Slice && f.Type.Elem().Kind() == reflect.Struct:
				walk("["+table+"."+key+"]", f.Type.Elem())
			case !strings.Contains(section, "\n"+key+" = "):
				t.Errorf("[%s] lacks %s", table, key)
			}
		}
	}
	walk("", reflect.TypeFor[config.Settings]())
}

func TestParseTakesWhatIsSet(t *testing.T) {
	s, err := config.Parse("x", []byte(`
state_dir = "/srv/stars"
aim = "true"
[site]
lat_deg = -32     # a whole number is a number
lon_deg = 139.3
height_m = 40
[clock]
sigma_s = 0
[magnetic]
chip = "lis3mdl"
address = 0x1e
forward = "-y"
up = "+x"
[air]
pressure_hpa = 990
[kit]
lenses = [{focal_mm = 85, exposures_s = [30, 60.5]}]
[server]
listen = "[::1]:0"
names = ["tracker.local"]
[access]
read = "paired"
`), config.Chips{Inertial: []string{"LSM6DSO"}, Magnetic: []string{"HMC5883L", "LIS3MDL"}})
	if err != nil {
		t.Fatal(err)
	}
	want := config.Defaults()
	lat, lon, sigma, hpa := -32.0, 139.3, 0.0, 990.0
	want.StateDir = "/srv/stars"
	want.Site = config.Site{LatDeg: &lat, LonDeg: &lon, HeightM: 40}
	want.Clock.SigmaS = &sigma
	want.Magnetic.Chip, want.Magnetic.Address = "LIS3MDL", 0x1e // the program's own spelling
	want.Magnetic.Forward, want.Magnetic.Up = "-y", "+x"
	want.Aim, want.Air.PressureHPa = "true", &hpa
	want.Kit.Lenses = []config.Lens{{Name: "85 mm", FocalMM: 85, ExposuresS: []float64{30, 60.5}}}
	want.Server.Listen, want.Server.Names = "[::1]:0", []string{"tracker.local"}
	want.Access.Read = "paired"
	if d := cmp.Diff(want, s); d != "" {
		t.Error(d)
	}
	if p := s.Site.Place(); p == nil || *p != (astro.Site{LatDeg: -32, LonDeg: 139.3, HeightM: 40}) {
		t.Errorf("place %v", p)
	}
	if config.Defaults().Site.Place() != nil {
		t.Error("a site that nobody named")
	}
	if a := s.Air.At(40); a.PressureHPa != 990 || a.TempC != astro.StandardAir(40).TempC {
		t.Errorf("air %+v: want the pressure set and the standard temperature", a)
	}
	if s.Clock.Sigma() != 0 || config.Defaults().Clock.Sigma() >= 0 {
		t.Error("a clock sigma of 0 is set, one that is left out is not known (negative)")
	}
	for source, want := range map[string][2]string{
		"auto": {"own", ""}, "gpsd": {"own", ""}, "off": {"", ""}, "gpsd://[::1]:2948": {"[::1]:2948", ""}, "/dev/serial/by-id/usb-x": {"", "/dev/serial/by-id/usb-x"},
	} {
		g, err := config.Parse("x", []byte("[gnss]\nsource = '"+source+"'\nbaud = 38400"), config.Chips{})
		if err != nil || g.GNSS.Server("own") != want[0] || g.GNSS.Port() != want[1] || g.GNSS.Baud != 38400 {
			t.Errorf("%s: server %q, port %q (%v), want %q", source, g.GNSS.Server("own"), g.GNSS.Port(), err, want)
		}
	}
	w := config.Watch{Quiet: []string{"23:00-05:30", "0:05 - 1:00"}}
	if q, err := w.QuietMinutes(); err != nil || len(q) != 2 || q[0] != [2]int{1380, 330} || q[1] != [2]int{5, 60} {
		t.Errorf("quiet minutes %v, %v", q, err)
	}
	if !s.Access.Paired() || config.Defaults().Access.Paired() {
		t.Error("access")
	}
}

func TestErrorsNameFileLineKeyAndCure(t *testing.T) {
	chips := config.Chips{Inertial: []string{"LSM6DSO", "MPU-6050"}}
	for _, c := range []struct {
		toml string
		want []string
	}{
		// What the decoder finds.
		{"[site]\nlat_deg = 52\nlatitude = 3", []string{"x.toml:3: site.latitude: there is no such setting: use one of name, lat_deg, lon_deg, height_m"}},
		{"[site]\nlat_dg = 52", []string{"x.toml:2: site.lat_dg: there is no such setting: did you mean lat_deg?"}},
		{"[sight]\nlat_deg = 52\n\n[akses]\nread=\"open\"", []string{"x.toml:1: sight: there is no such setting: use one of state_dir, aim, site, clock", "x.toml:4: akses: "}},
		{"[kit]\nlenses=[{focal=50}]", []string{"x.toml:2: kit.", "focal: there is no such setting"}},
		{"[inertial]\nrate_hz = \"fast\"", []string{"x.toml:2: inertial.rate_hz: text stands where a number belongs"}},
		{"[inertial]\naddress = 104.5", []string{"x.toml:2: inertial.address: a number with a fraction stands where a whole number belongs"}},
		{"site = 3", []string{"x.toml:1: site: a whole number stands where a table belongs"}},
		{"[server]\nnames = \"tracker\"", []string{"x.toml:2: server.names: text stands where a list of texts, for example"}},
		{"[kit]\npixel_um = 4\n\n[[kit.lenses]]\nfocal_mm = true", []string{"x.toml:5: kit.lenses.focal_mm: true or false stands where a number belongs"}},
		{"[access]\nread = ", []string{"x.toml:2:", "correct the line"}},
		{"[access]\nread = 'open'\nread = 'open'", []string{"x.toml:3: read: key read is already defined"}},
		{"[inertial]\naddress = 70000", []string{"x.toml:2: inertial.address: "}},
		{"[inertial]\naddress = -1", []string{"x.toml:2: inertial.address: "}},
		{"\xff\xfe", []string{"x.toml:1: "}},
		// What the check finds.
		{"state_dir = 'var'", []string{`x.toml:1: state_dir: "var": give an absolute path`}},
		{"[site]\n\nlat_deg = 91\nlon_deg = 8", []string{"x.toml:3: site.lat_deg: latitude 91: give degrees from -90"}},
		{"[site]\nlat_deg = 51\nlon_deg = 1e9", []string{"x.toml:3: site.lon_deg: longitude 1e+09: give degrees"}},
		{"[site]\nlat_deg = nan\nlon_deg = 1", []string{"x.toml:2: site.lat_deg: latitude NaN"}},
		{"site.lat_deg = 51", []string{"x.toml:1: site.lat_deg: given without lon_deg"}},
		{"[site]\nlon_deg = 51", []string{"x.toml:2: site.lon_deg: given without lat_deg"}},
		{"site = {height_m = 10000}", []string{"x.toml:1: site.height_m: height 10000: give metres"}},
		{"[clock]\nsigma_s = -1", []string{"x.toml:2: clock.sigma_s: -1 is out of range: give 0 to 86400 seconds, or leave it out"}},
		{"[gnss]\nsource = 'ttyACM0'", []string{`x.toml:2: gnss.source: "ttyACM0": use "auto", "off", "gpsd", "gpsd://host:port" or a serial port`}},
		{"[gnss]\nsource = ''", []string{`x.toml:2: gnss.source: "": use`}},
		{"[gnss]\nsource = 'gpsd://tracker'", []string{`x.toml:2: gnss.source: "gpsd://tracker": give gpsd://host:port`}},
		{"[gnss]\nsource = 'gpsd://tracker:http'", []string{`x.toml:2: gnss.source: port "http": give a number`}},
		{"[gnss]\nsource = 'gpsd://:2947'", []string{`x.toml:2: gnss.source: "gpsd://:2947": give gpsd://host:port`}},
		{"[gnss]\nbaud = 300", []string{"x.toml:2: gnss.baud: 300 is out of range: give 1200 to 921600 baud, or 0"}},
		{"[gnss]\nbaud = 'fast'", []string{"x.toml:2: gnss.baud: text stands where a whole number belongs"}},
		{"[board]\nlocal_field_uT = inf", []string{"x.toml:2: board.local_field_uT: +Inf is out of range"}},
		{"[inertial]\nchip = 'BNO'", []string{`x.toml:2: inertial.chip: "BNO" is not supported: use one of auto, none, LSM6DSO, MPU-6050`}},
		{"[inertial]\nchip = 'none'", []string{"x.toml:2: inertial.chip: an accelerometer is needed"}},
		{"[magnetic]\nchip = ''", []string{"x.toml:2: magnetic.chip: "}},
		{"[magnetic]\nbus = ''", []string{"x.toml:2: magnetic.bus: empty"}},
		{"[magnetic]\naddress = 0xD0", []string{"x.toml:2: magnetic.address: 0xd0 is no device address: give the 7-bit address, 0x08 to 0x77"}},
		{"[inertial]\nforward = '+x'\nup = '-x'", []string{`x.toml:3: inertial.up: forward "+x" and up "-x" lie on one line`}},
		{"[inertial]\nforward = 'left'", []string{`x.toml:2: inertial.forward: forward "left" is no axis: use +x`}},
		{"[inertial]\nforward = '+z'", []string{"x.toml:1: inertial.up: forward \"+z\" and up \"+z\" lie on one line"}},
		{"aim = 'north'", []string{`x.toml:1: aim: "north": use "refracted"`}},
		{"[air]\npressure_hpa = 30", nil},
		{"[air]\npressure_hpa = 1013250", []string{"x.toml:2: air.pressure_hpa: pressure 1.01325e+06 hPa: give the pressure at the site"}},
		{"[air]\nsensor = 'bmp'", []string{`x.toml:2: air.sensor: "bmp": use "auto" or "none"`}},
		{"[air]\ntemp_c = 283", []string{"x.toml:2: air.temp_c: temperature 283 °C"}},
		{"[[kit.lenses]]\nfocal_mm = 50\nexposures_s = [60]\n[[kit.lenses]]\nfocal_mm = 0\nexposures_s = []", []string{
			"x.toml:5: kit.lenses.focal_mm: 0 is out of range", "x.toml:6: kit.lenses.exposures_s: 0 exposures"}},
		{"[kit]\nlenses = [\n {focal_mm = 50, exposures_s = [60]},\n {focal_mm = 0, exposures_s = [60, -1]},\n]", []string{
			"x.toml:4: kit.lenses.focal_mm: 0 is out of range", "x.toml:4: kit.lenses.exposures_s: -1 is out of range"}},
		{"[server]\nlisten = '8484'", []string{`x.toml:2: server.listen: "8484": give host:port`}},
		{"[server]\nlisten = 'a b:http'", []string{"server.listen: port \"http\": give a number", `host "a b" is neither`}},
		{"[server]\nnames = ['ok.local', 'http://x']", []string{`x.toml:2: server.names: "http://x" is no host name`}},
		{"[server]\nmax_streams = 0", []string{"x.toml:2: server.max_streams: 0 is out of range"}},
		{"[server]\ntls = 'on'", []string{`x.toml:2: server.tls: "on": use "off", or "self"`}},
		{"[display]\nchip = 'big'", []string{`x.toml:2: display.chip: "big" is not supported: use "SSD1306", or "none" for no display`}},
		{"[display]\nchip = 'ssd1306'\naddress = 0x78", []string{"x.toml:3: display.address: 0x78 counts the bit for reading and writing, as boards print it: give 0x3c"}},
		{"[display]\naddress = 60\nbus = ''", []string{`x.toml:3: display.bus: empty: name the bus, for example "/dev/i2c-1", or "auto"`}},
		{"[display]\naddress = 0x1c", []string{"x.toml:2: display.address: 0x1c: a display of this kind has 0x3c or 0x3d"}},
		{"[display]\nbrightness = 1.5", []string{"x.toml:2: display.brightness: 1.5 is out of range: give 0 to 1 of the brightest"}},
		{"[display]\nrotated = 180", []string{"x.toml:2: display.rotated: a whole number stands where true or false belongs"}},
		{"[display]\nlanguage = 'la'", []string{`x.toml:2: display.language: "la": use "en" or "de"`}},
		{"[access]\nread = 'all'", []string{`x.toml:2: access.read: "all": use "open" or "paired"`}},
		{"[alarms.webhook]\nurl = 'https://token-9f3@tracker.local/x'", []string{"x.toml:2: alarms.webhook.url: a password does not belong into the address"}},
		{"[alarms.webhook]\nurl = 'ftp://tracker.local/x'", []string{`x.toml:2: alarms.webhook.url: scheme "ftp" is not spoken: use http or https`}},
		{"[alarms.webhook]\nurl = 'tracker.local/9f3'", []string{`x.toml:2: alarms.webhook.url: this is no address: give one like "http://192.168.1.20"`}},
		{"[alarms.webhook]\nurl = 'http://tracker:70000'", []string{`x.toml:2: alarms.webhook.url: port "70000": give a number`}},
		{"[alarms.webhook]\nauth = 'basic'", []string{`x.toml:2: alarms.webhook.auth: "basic": use "none", "hmac"`}},
		{"[alarms.webhook]\nauth = 'hmac'\nsecret = 'short'", []string{`x.toml:3: alarms.webhook.secret: auth = "hmac" needs a secret of at least 8`}},
		{"[alarms.webhook]\nsecret = 'long enough'", []string{"x.toml:1: alarms.webhook.auth: a secret is given but not used", "x.toml:2: alarms.webhook.secret: the secret has characters"}},
		{"[alarms.webhook]\nsecret = 1234567890", []string{"x.toml:2: alarms.webhook.secret: a whole number stands where text in quotes belongs"}},
		{"[alarms.webhook]\ntimeout_s = 0", []string{"x.toml:2: alarms.webhook.timeout_s: 0 is out of range: give 1 to 60 seconds"}},
		{"[alarms.webhook]\nmin_severity = 'all'", []string{`x.toml:2: alarms.webhook.min_severity: "all": use one of info, attention, moved`}},
		{"[alarms.mqtt]\nquiet_min_severity = 'none'", []string{`x.toml:2: alarms.mqtt.quiet_min_severity: "none": use one of info, attention, moved, never`}},
		{"[alarms.buzzer]\nquiet = ['22:00-07:00', '25:00-07:00']", []string{`x.toml:2: alarms.buzzer.quiet: "25:00-07:00" is no time of day: give from and to, for example`}},
		{"[alarms.mqtt]\nbroker = 'http://tracker'", []string{`x.toml:2: alarms.mqtt.broker: scheme "http" is not spoken: use mqtt or mqtts`}},
		{"[alarms.mqtt]\nbroker = 'mqtt://tracker/field'", []string{`x.toml:2: alarms.mqtt.broker: a broker has no path`}},
		{"[alarms.mqtt]\npassword = 'x'", []string{"x.toml:1: alarms.mqtt.user: a password is given without a user"}},
		{"[alarms.mqtt]\ntopic = 'plumb/#'", []string{`x.toml:2: alarms.mqtt.topic: "plumb/#": give levels of letters`}},
		{"[alarms.mqtt]\ntopic = ''", []string{`x.toml:2: alarms.mqtt.topic: "": give levels`}},
		{"[alarms.mqtt]\ndiscovery_prefix = 'home//x'", []string{"x.toml:2: alarms.mqtt.discovery_prefix: "}},
		{"[alarms.buzzer]\npin = 'GPIO 18'", []string{`x.toml:2: alarms.buzzer.pin: "GPIO 18" is no pin`}},
		{"[alarms.buzzer]\nactive = true", []string{"x.toml:2: alarms.buzzer.active: true or false stands where text in quotes belongs"}},
		{"[alarms.buzzer]\nactive = 'up'", []string{`x.toml:2: alarms.buzzer.active: "up": use "high" or "low"`}},
		{"[alarms.buzzer]\nguide = 'yes'", []string{"x.toml:2: alarms.buzzer.guide: text stands where true or false belongs"}},
		{"[loop]\nupdates_hz = 0.5", []string{"x.toml:2: loop.updates_hz: 0.5 is out of range: give 1 to 50 per second"}},
		{"[watch]\nleast_move_deg = 0", []string{"x.toml:2: watch.least_move_deg: 0 is out of range: give 0.01 to 5 degrees"}},
		{"[watch]\nblur_share = 0", []string{"x.toml:2: watch.blur_share: 0 is out of range: give 0.05 to 100 times kit.trail_px"}},
		{"[watch]\nboard_on = 'top'", []string{`x.toml:2: watch.board_on: "top": use "auto", "body" or "head"`}},
		{"[watch]\nquiet = ['23:00-05:30', '23-5']", []string{`x.toml:2: watch.quiet: "23-5": give from and to as hours and minutes`}},
		{"[watch]\nquiet = ['24:10-05:30']", []string{`x.toml:2: watch.quiet: "24:10-05:30": give`}},
		{"[watch]\nquiet = ['05:30-05:30']", []string{`x.toml:2: watch.quiet: "05:30-05:30" begins when it ends`}},
		{"[night_log]\nmax_mb = 1", []string{"x.toml:2: night_log.max_mb: 1 is out of range: give 20 to 1e+06 MB"}},
	} {
		_, err := config.Parse("x.toml", []byte(c.toml), chips)
		if c.want == nil {
			if err != nil {
				t.Errorf("%q: %v", c.toml, err)
			}
			continue
		}
		if err == nil {
			t.Errorf("%q passed, want %q", c.toml, c.want)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q:\n got %q\nwant %q", c.toml, err, w)
			}
		}
		if n := strings.Count(err.Error(), "\n") + 1; n > len(c.want) {
			t.Errorf("%q: %d errors, want %d: %v", c.toml, n, len(c.want), err)
		}
		var ce *config.Error
		if !errors.As(err, &ce) || ce.Line == 0 {
			t.Errorf("%q: no line in %v", c.toml, err)
		}
	}
}

func TestLoadFindsFilesBesideTheSettings(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "p.toml")
	if err := os.WriteFile(file, []byte("[geomag]\ncoefficients = \"WMM2030.COF\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := config.Load(file, config.Chips{})
	if err != nil || s.Geomag.Coefficients != filepath.Join(dir, "WMM2030.COF") {
		t.Errorf("%q, %v", s.Geomag.Coefficients, err)
	}
	if _, err := config.Load(filepath.Join(dir, "no.toml"), config.Chips{}); err == nil || !strings.Contains(err.Error(), "no.toml") || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	if err := os.Truncate(file, 2<<20); err != nil {
		t.Fatal(err)
	}
	if _, err := config.Load(file, config.Chips{}); err == nil || !strings.Contains(err.Error(), "no settings file") {
		t.Errorf("giant file: %v", err)
	}
}

func FuzzParse(f *testing.F) {
	b, err := os.ReadFile(sample)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte("site = {lat_deg = 1, lon_deg = 2}\nkit.lenses = [{focal_mm = 1}, 3]"))
	f.Add([]byte("[[kit.lenses]]\n[kit.lenses.x]\na.b.c = [[{}]]"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := config.Parse("x.toml", b, config.Chips{Inertial: []string{"LSM6DSO"}})
		if err != nil {
			for line := range strings.SplitSeq(err.Error(), "\n") {
				if !strings.HasPrefix(line, "x.toml") {
					t.Fatalf("error without its file: %q", line)
				}
			}
			return
		}
		if _, err := config.ParseMount(s.Inertial.Forward, s.Inertial.Up); err != nil {
			t.Fatal(err)
		}
		if p := s.Site.Place(); p != nil && p.Validate() != nil {
			t.Fatalf("accepted the site %+v", *p)
		}
		if len(s.Kit.Lenses) > 20 {
			t.Fatal("too many lenses")
		}
	})
}

// TestSecondMagnetometer: it must be another one than the first.
func TestSecondMagnetometer(t *testing.T) {
	chips := config.Chips{Inertial: []string{"I"}, Magnetic: []string{"A", "B"}}
	for text, want := range map[string]string{
		"[magnetic]\nchip='A'\n[magnetic2]\nchip='B'":                                       "",
		"[magnetic]\nchip='A'\n[magnetic2]\nchip='b'":                                       "",
		"[magnetic]\nchip='A'\naddress=0x1c\n[magnetic2]\nchip='A'\naddress=0x1e":           "",
		"[magnetic]\nchip='A'\nbus='1'\n[magnetic2]\nchip='A'\nbus='3'":                     "",
		"[magnetic]\nchip='A'\nbus='1'\n[magnetic2]\nchip='A'\nbus='1'":                     "x.toml:4: magnetic2.address: the same chip",
		"[magnetic]\nchip='A'\naddress=0x1c\n[magnetic2]\nchip='A'":                         "magnetic2.address: the same chip",
		"[magnetic]\nchip='A'\n[magnetic2]\nchip='auto'":                                    "x.toml:4: magnetic2.chip: \"auto\" could find",
		"[magnetic2]\nchip='B'":                                                             "x.toml:2: magnetic2.chip: beside \"auto\"",
		"[magnetic]\nchip='none'\n[magnetic2]\nchip='B'":                                    "magnetic2.chip: \"B\" without a first",
		"[magnetic]\nchip='A'\n[magnetic2]\nchip='B'\nforward='+z'\nup='-z'\nrate_hz=100.0": "magnetic2.up",
	} {
		_, err := config.Parse("x.toml", []byte(text), chips)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// TestSecondAccelerometer follows the same rules.
func TestSecondAccelerometer(t *testing.T) {
	chips := config.Chips{Inertial: []string{"I", "J"}, Magnetic: []string{"A"}}
	set, err := config.Parse("x.toml", []byte("[inertial]\nchip='I'\n[inertial2]\nchip='J'\nforward='-y'"), chips)
	if err != nil || set.Inertial2.Chip != "J" || set.Inertial2.RateHz != 100 {
		t.Errorf("%+v, %v", set.Inertial2, err)
	}
	if _, err := config.Parse("x.toml", []byte("[inertial2]\nchip='J'"), chips); err == nil || !strings.Contains(err.Error(), "x.toml:2: inertial2.chip: beside") {
		t.Errorf("beside auto: %v", err)
	}
}
