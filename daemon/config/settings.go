// Package config reads the settings file and refuses a wrong one: every error
// names file, line and key, the reason and what to do. Keys end in their unit.
package config

import (
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
)

// Settings is everything that the settings file says, checked and complete.
type Settings struct {
	// StateDir is where the database lies; absolute.
	StateDir string `toml:"state_dir"`
	// Aim is the pole "refracted", as the air lifts it, or "true".
	Aim string `toml:"aim"`

	Site     Site   `toml:"site"`
	Clock    Clock  `toml:"clock"`
	GNSS     GNSS   `toml:"gnss"`
	Board    Board  `toml:"board"`
	Inertial Sensor `toml:"inertial"`
	Magnetic Sensor `toml:"magnetic"`
	// Inertial2 and Magnetic2 are a second accelerometer and magnetometer on the
	// same board.
	Inertial2 Sensor   `toml:"inertial2"`
	Magnetic2 Sensor   `toml:"magnetic2"`
	Air       Air      `toml:"air"`
	Geomag    Geomag   `toml:"geomag"`
	Kit       Kit      `toml:"kit"`
	Learn     Learn    `toml:"learn"`
	Server    Server   `toml:"server"`
	Access    Access   `toml:"access"`
	Alarms    Alarms   `toml:"alarms"`
	Display   Display  `toml:"display"`
	Loop      LoopRate `toml:"loop"`
	Watch     Watch    `toml:"watch"`
	NightLog  NightLog `toml:"night_log"`
}

// Site is where the tripod stands. Latitude and longitude are given together or
// not at all.
type Site struct {
	Name    string   `toml:"name"`
	LatDeg  *float64 `toml:"lat_deg"`
	LonDeg  *float64 `toml:"lon_deg"`
	HeightM float64  `toml:"height_m"`
}

// Place is the site, nil when it is not known.
func (s Site) Place() *astro.Site {
	if s.LatDeg == nil || s.LonDeg == nil {
		return nil
	}
	return &astro.Site{LatDeg: *s.LatDeg, LonDeg: *s.LonDeg, HeightM: s.HeightM}
}

// Clock says what the system clock is worth while nothing disciplines it.
type Clock struct {
	SigmaS *float64 `toml:"sigma_s"`
}

// Sigma is the 1-sigma error of the system clock in seconds, negative when it
// is not known.
func (c Clock) Sigma() float64 {
	if c.SigmaS == nil {
		return -1
	}
	return *c.SigmaS
}

// Off asks for no satellite receiver; Gpsd for the gpsd server of this machine.
const (
	Off  = "off"
	Gpsd = "gpsd"
)

// GNSS is where position and time come from.
type GNSS struct {
	// Source is Auto, Off, Gpsd, "gpsd://host:port" or the path of a serial port.
	Source string `toml:"source"`
	// Baud is the rate of a serial port; 0 tries the usual ones.
	Baud int `toml:"baud"`
}

// Server is the address of the gpsd that is meant, or "" when none is; the one
// of this machine where the settings name no other.
func (g GNSS) Server(own string) string {
	switch addr, named := strings.CutPrefix(g.Source, gpsdScheme); {
	case named:
		return addr
	case g.Source == Auto || g.Source == Gpsd:
		return own
	}
	return ""
}

// Port is the path of the serial port, or "".
func (g GNSS) Port() string {
	if strings.HasPrefix(g.Source, "/") {
		return g.Source
	}
	return ""
}

const gpsdScheme = "gpsd://"

// Board says how far the sensors' surroundings can be trusted.
type Board struct {
	MountSigmaDeg float64 `toml:"mount_sigma_deg"`
	LocalFieldUT  float64 `toml:"local_field_uT"`
}

// Auto asks for what the scan finds; None for no such sensor.
const (
	Auto = "auto"
	None = "none"
)

// Sensor is which chip to use, where it is and how it is mounted.
type Sensor struct {
	Chip    string  `toml:"chip"`    // a name that the program knows, Auto or None
	Bus     string  `toml:"bus"`     // name or number of an I2C bus, or Auto
	Address uint16  `toml:"address"` // 7 bits; 0 tries those that the chip can have
	RateHz  float64 `toml:"rate_hz"`
	Forward string  `toml:"forward"`
	Up      string  `toml:"up"`
}

// Mount is the rotation from the chip's axes to the body's. It is that of a
// straight mount for settings that were not checked.
func (s Sensor) Mount() Mount {
	m, err := ParseMount(s.Forward, s.Up)
	if err != nil {
		return Mount{{X: 1}, {Y: 1}, {Z: 1}}
	}
	return m
}

// Mount is a rotation from a chip's axes to the body's (x along the tracker's
// axis toward the night sky, y left, z up): its rows are body x, y, z in chip axes.
type Mount [3]r3.Vec

// Air is the air at the site, which lifts the pole.
type Air struct {
	// Sensor is Auto for a BME280 or BMP280 where one answers, or None.
	Sensor      string   `toml:"sensor"`
	PressureHPa *float64 `toml:"pressure_hpa"`
	TempC       *float64 `toml:"temp_c"`
}

// At is the state of the air at height heightM, metres: what the settings say,
// else the standard atmosphere.
func (a Air) At(heightM float64) astro.Air {
	air := astro.StandardAir(heightM)
	if a.PressureHPa != nil {
		air.PressureHPa = *a.PressureHPa
	}
	if a.TempC != nil {
		air.TempC = *a.TempC
	}
	return air
}

// Geomag names another model of the Earth's field than the built-in one.
type Geomag struct {
	// Coefficients is a file in the format of WMM.COF; empty takes the
	// built-in model. Load makes it absolute.
	Coefficients string `toml:"coefficients"`
}

// Kit is what the user photographs with.
type Kit struct {
	PixelUM float64 `toml:"pixel_um"`
	TrailPx float64 `toml:"trail_px"` // pixels of trail that are accepted
	Lenses  []Lens  `toml:"lenses"`
}

// Lens is one lens and the exposures wished for.
type Lens struct {
	Name       string    `toml:"name"`
	FocalMM    float64   `toml:"focal_mm"`
	ExposuresS []float64 `toml:"exposures_s"`
}

// Learn says what is done with what the nights teach.
type Learn struct {
	// Unasked puts it to use by itself when a held-back night proves it.
	Unasked bool `toml:"unasked"`
}

// Server is how the phone page and the API are served.
type Server struct {
	Listen string   `toml:"listen"` // host:port
	Names  []string `toml:"names"`  // host names under which the page may be called
	// LocalName is the name that the board answers for on the local network, without
	// ".local"; "" for none.
	LocalName  string `toml:"local_name"`
	MaxStreams int    `toml:"max_streams"`
	TLS        string `toml:"tls"` // Off or Self
}

// Self asks for certificates by an authority that the board makes for itself.
const Self = "self"

// Encrypted reports whether the page is at https.
func (s Server) Encrypted() bool { return s.TLS == Self }

// Access says who may read; writing always needs pairing.
type Access struct {
	Read string `toml:"read"` // "open" or "paired"
}

// Paired reports whether reading needs a pairing too.
func (a Access) Paired() bool { return a.Read == "paired" }

// Display is a small screen at the tripod.
type Display struct {
	// Chip is SSD1306 or None.
	Chip    string `toml:"chip"`
	Bus     string `toml:"bus"`     // name or number of an I2C bus, or Auto
	Address uint16 `toml:"address"` // 7 bits: 0x3c or 0x3d
	// Rotated turns the picture by half a turn.
	Rotated bool `toml:"rotated"`
	// Brightness is a share of the brightest, 0 to 1.
	Brightness float64 `toml:"brightness"`
	Language   string  `toml:"language"` // English or German
}

// SSD1306 is the chip of a display of 128x64 dots.
const SSD1306 = "SSD1306"

// Languages of a display.
const (
	English = "en"
	German  = "de"
)

// LoopRate is how often guidance is made anew.
type LoopRate struct {
	UpdatesHz float64 `toml:"updates_hz"`
}

// Watch is what looks after the aligned tracker.
type Watch struct {
	// Offer proposes to arm it when the axis rests and stands well enough.
	Offer bool `toml:"offer"`
	// LeastMoveDeg is the move since arming that is an alarm.
	LeastMoveDeg float64 `toml:"least_move_deg"`
	// BlurShare is the shake, 1 sigma, that is warned of, as a part of kit.trail_px.
	BlurShare float64 `toml:"blur_share"`
	// BoardOn is "auto", "body" or "head": whether the board turns with the head.
	BoardOn string `toml:"board_on"`
	// Quiet are times of day, local to the board, like "23:00-05:30".
	Quiet []string `toml:"quiet"`
}

// Where the board may sit.
const (
	OnBody = "body"
	OnHead = "head"
)

// QuietMinutes are the quiet times as minutes after midnight, from and to. What
// Load has let through cannot fail.
func (w Watch) QuietMinutes() (out [][2]int, err error) {
	for _, q := range w.Quiet {
		span, err := quietSpan(q)
		if err != nil {
			return nil, err
		}
		out = append(out, span)
	}
	return out, nil
}

// NightLog is the database of nights.
type NightLog struct {
	// MaxMB is the size, 10^6 bytes, above which the oldest data are removed.
	MaxMB float64 `toml:"max_mb"`
}

// Defaults are the settings of an empty file.
func Defaults() Settings {
	return Settings{
		StateDir: "/var/lib/plumbstar",
		Aim:      "refracted",
		GNSS:     GNSS{Source: Auto},
		Air:      Air{Sensor: Auto},
		Board:    Board{MountSigmaDeg: 0.2, LocalFieldUT: 0.7},
		Inertial: Sensor{Chip: Auto, Bus: Auto, RateHz: 100, Forward: "+x", Up: "+z"},
		Magnetic: Sensor{Chip: Auto, Bus: Auto, RateHz: 50, Forward: "+x", Up: "+z"},
		// A second one is never guessed: it could be the first once more.
		Inertial2: Sensor{Chip: None, Bus: Auto, RateHz: 100, Forward: "+x", Up: "+z"},
		Magnetic2: Sensor{Chip: None, Bus: Auto, RateHz: 50, Forward: "+x", Up: "+z"},
		Kit: Kit{PixelUM: 4, TrailPx: 1, Lenses: []Lens{
			{Name: "24 mm", FocalMM: 24, ExposuresS: []float64{120}},
			{Name: "50 mm", FocalMM: 50, ExposuresS: []float64{120}},
			{Name: "135 mm", FocalMM: 135, ExposuresS: []float64{120}},
		}},
		Server:   Server{Listen: "0.0.0.0:8484", Names: []string{}, LocalName: "plumbstar", MaxStreams: 100, TLS: Off},
		Access:   Access{Read: "open"},
		Alarms:   defaultAlarms(),
		Display:  Display{Chip: None, Bus: Auto, Address: 0x3c, Brightness: 0.05, Language: English},
		Loop:     LoopRate{UpdatesHz: 10},
		Watch:    Watch{Offer: true, LeastMoveDeg: 0.03, BlurShare: 0.5, BoardOn: Auto, Quiet: []string{}},
		NightLog: NightLog{MaxMB: 1000},
	}
}
