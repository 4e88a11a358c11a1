// Package astro holds what its subpackages share: the observing site and the
// time scales.
package astro

import (
	"fmt"
	"math"
)

// Hemisphere names the celestial pole that can be seen.
type Hemisphere string

const (
	North Hemisphere = "north"
	South Hemisphere = "south"
)

// Site is a place on the WGS 84 ellipsoid.
type Site struct {
	LatDeg  float64 // geodetic latitude, north positive, -90 to 90
	LonDeg  float64 // longitude, east positive, -180 to 180 (360 accepted)
	HeightM float64 // above the ellipsoid, metres, -500 to 9000
}

// Validate refuses a place that is not on the Earth's surface; the error says
// which value and what is allowed.
func (s Site) Validate() error {
	switch {
	case math.IsNaN(s.LatDeg) || s.LatDeg < -90 || s.LatDeg > 90:
		return fmt.Errorf("latitude %v: give degrees from -90 (south) to 90 (north)", s.LatDeg)
	case math.IsNaN(s.LonDeg) || s.LonDeg < -180 || s.LonDeg > 360:
		return fmt.Errorf("longitude %v: give degrees from -180 (west) to 180 (east)", s.LonDeg)
	case math.IsNaN(s.HeightM) || s.HeightM < -500 || s.HeightM > 9000:
		return fmt.Errorf("height %v: give metres from -500 to 9000", s.HeightM)
	}
	return nil
}

// Hemisphere is North on the equator and above, else South.
func (s Site) Hemisphere() Hemisphere {
	if s.LatDeg < 0 {
		return South
	}
	return North
}
