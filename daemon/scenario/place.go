package scenario

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
)

// Place is an invented site and evening.
type Place struct {
	Key, Name string
	Site      astro.Site
	Begin     time.Time // UTC
}

// Places are the sites that scenarios know.
func Places() []Place {
	return []Place{
		{"larkmoor", "Larkmoor", astro.Site{LatDeg: 51.90, LonDeg: 8.40, HeightM: 210}, time.Date(2027, 1, 15, 17, 30, 0, 0, time.UTC)},
		{"dry-lagoon", "Dry Lagoon", astro.Site{LatDeg: -31.60, LonDeg: 139.30, HeightM: 40}, time.Date(2027, 6, 9, 8, 45, 0, 0, time.UTC)},
	}
}

// PlaceNamed finds a place by its key.
func PlaceNamed(key string) (Place, error) {
	var keys []string
	for _, p := range Places() {
		if p.Key == key {
			return p, nil
		}
		keys = append(keys, p.Key)
	}
	sort.Strings(keys)
	return Place{}, fmt.Errorf("site %q: choose %s", key, strings.Join(keys, " or "))
}

// fieldVariationDeg is how far a natural field turns from its model within a
// night, 1 sigma: 7′ (USGS observatory at Boulder, January 2016).
const fieldVariationDeg = 7.0 / 60

// drawField is a field that the model does not know exactly: ENU, µT.
func drawField(f geomag.Field, spread float64, rng *rand.Rand) r3.Vec {
	turn := spread * math.Hypot(f.DeclinationSigmaDeg, fieldVariationDeg) * degree * rng.NormFloat64()
	s, c := math.Sincos(turn)
	h := 1 + spread*f.HorizontalSigmaNT/f.HorizontalNT*rng.NormFloat64()
	e, n := f.EastNT/1000*h, f.NorthNT/1000*h
	return r3.Vec{X: c*e + s*n, Y: c*n - s*e, Z: -f.DownNT/1000 + spread*f.TotalSigmaNT/1000*rng.NormFloat64()}
}

func drawVec(sigma float64, rng *rand.Rand) r3.Vec {
	return r3.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: sigma * rng.NormFloat64()}
}
