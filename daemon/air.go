package daemon

import (
	"fmt"
	"math"
	"time"

	"plumbstar/astro"
)

// airKept is how long a measured air is used: within it the pressure changes by
// some 2 hPa and the temperature by some 3 °C at most, 1 % of the refraction
// (common practice, no source). After that the air of the settings, or the
// standard one, which may be 5 % off, is as good: 0.1′ for a pole 30° high.
const airKept = 30 * time.Minute

// measuredAir is what a barometer has told.
type measuredAir struct {
	status *SensorStatus // nil: there is none
	air    astro.Air
	at     time.Duration
	known  bool
}

// NoteAir hears the air at the site as it is measured. It goes before that of the
// settings.
func (d *Daemon) NoteAir(a astro.Air) error {
	if err := a.Validate(); err != nil {
		return err
	}
	if a.PressureHPa < 300 {
		return fmt.Errorf("measured pressure %v hPa: no barometer of this kind shows that", a.PressureHPa)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.measured.air, d.measured.at, d.measured.known = a, d.opt.Clock.Now(), true
	return nil
}

// NoteBarometer hears how the barometer fares. A nil status is that of one that
// nobody asked for and that is not there.
func (d *Daemon) NoteBarometer(s *SensorStatus) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.measured.status = s
}

// air is the air at the site as best known at now.
func (d *Daemon) air(now time.Duration) astro.Air {
	if m := &d.measured; m.known && now-m.at < airKept {
		return m.air
	}
	return d.opt.Air
}

// barometer is its status at now.
func (d *Daemon) barometer(now time.Duration) (SensorStatus, bool) {
	m := &d.measured
	if m.status == nil {
		return SensorStatus{}, false
	}
	s := *m.status
	s.AgeS = -1
	if m.known {
		s.AgeS = math.Max(0, (now - m.at).Seconds())
	}
	return s, true
}
