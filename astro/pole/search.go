package pole

import (
	"fmt"
	"math"

	"plumbstar/astro"
)

// SearchStep is one move of the adjusters, followed by a look.
type SearchStep struct {
	// From the place before; degrees of altitude and of azimuth.
	RaiseDeg    float64 `json:"raise_deg"`
	TurnEastDeg float64 `json:"turn_east_deg"`
	// Found is the probability that the star has come into view by now.
	Found float64 `json:"found"`
	Text  string  `json:"text"`
}

const (
	enough        = 0.995 // the search ends when the star is as sure as this to have been seen
	longestSearch = 40    // steps
	usableField   = 0.85  // of the finder's radius: stars at the rim are overlooked
)

// Search plans the moves when the star is not in the finder though the axis is
// believed to be near the aim: at each step the view that holds most of the
// belief not yet looked at, with nearer ones preferred, so that the likeliest
// error comes first. It ends when the star must have been seen in 99.5 %.
func (f Finder) Search(aim, star astro.Direction, p Prior) ([]SearchStep, error) {
	if err := f.Validate(); err != nil {
		return nil, err
	}
	if err := p.check(); err != nil {
		return nil, err
	}
	radius := f.FieldDeg / 2 * 60 * usableField
	starHigh, starEast := against(aim, star)
	// An axis error a, after moves that sum to m, shows the star when a lies within
	// radius of star - m. In that plane the first look was at the star's own place.
	places := beliefs(p)
	unseen := 0.0
	for i := range places {
		if math.Hypot(places[i].high-starHigh, places[i].east-starEast) <= radius {
			places[i].weight = 0
		}
		unseen += places[i].weight
	}
	if unseen <= 0 {
		return nil, fmt.Errorf("the star should be in view: check that the finder is open and focused, that it is dark enough, and that the star is not hidden")
	}
	views := viewsOver(p, radius)
	var steps []SearchStep
	atHigh, atEast, found := starHigh, starEast, 0.0
	cosAlt := math.Max(math.Cos(aim.AltDeg*radPerDeg), 0.01)
	for len(steps) < longestSearch && found < enough {
		best, bestValue := -1, 0.0
		for i, v := range views {
			mass := 0.0
			for _, b := range places {
				if b.weight > 0 && math.Hypot(b.high-v[0], b.east-v[1]) <= radius {
					mass += b.weight
				}
			}
			travel := math.Hypot(v[0]-atHigh, v[1]-atEast) / (2 * radius)
			if value := mass / (1 + travel); value > bestValue {
				best, bestValue = i, value
			}
		}
		if best < 0 || bestValue < 1e-5*unseen {
			break
		}
		v := views[best]
		for i, b := range places {
			if b.weight > 0 && math.Hypot(b.high-v[0], b.east-v[1]) <= radius {
				found += b.weight / unseen
				places[i].weight = 0
			}
		}
		// The view moves against the axis: to look where the error is larger, the axis
		// goes the other way.
		s := SearchStep{RaiseDeg: (atHigh - v[0]) / 60, TurnEastDeg: (atEast - v[1]) / 60 / cosAlt, Found: math.Min(found, 1)}
		s.Text = s.words()
		steps = append(steps, s)
		atHigh, atEast = v[0], v[1]
	}
	return steps, nil
}

func (s SearchStep) words() string {
	up, east := "", ""
	switch {
	case s.RaiseDeg >= 0.05:
		up = fmt.Sprintf("raise %.1f°", s.RaiseDeg)
	case s.RaiseDeg <= -0.05:
		up = fmt.Sprintf("lower %.1f°", -s.RaiseDeg)
	}
	switch {
	case s.TurnEastDeg >= 0.05:
		east = fmt.Sprintf("turn east %.1f°", s.TurnEastDeg)
	case s.TurnEastDeg <= -0.05:
		east = fmt.Sprintf("turn west %.1f°", -s.TurnEastDeg)
	}
	switch {
	case up == "" && east == "":
		return "look again"
	case up == "":
		return east + ", look"
	case east == "":
		return up + ", look"
	}
	return up + ", " + east + ", look"
}

// belief is a small piece of the prior.
type belief struct{ high, east, weight float64 }

// beliefs cut the prior into a grid over four sigmas.
func beliefs(p Prior) []belief {
	const n = 24 // to each side
	su, se := math.Max(p.HighSigmaArcmin, smallestSigma), math.Max(p.EastSigmaArcmin, smallestSigma)
	out := make([]belief, 0, (2*n+1)*(2*n+1))
	for i := -n; i <= n; i++ {
		for k := -n; k <= n; k++ {
			high, east := p.HighArcmin+4*su*float64(i)/n, p.EastArcmin+4*se*float64(k)/n
			if w := math.Exp(-p.distance2(high, east) / 2); w > 1e-5 {
				out = append(out, belief{high, east, w})
			}
		}
	}
	return out
}

// viewsOver covers four sigmas of the prior with overlapping views: a hexagonal
// grid about its centre.
func viewsOver(p Prior, radius float64) [][2]float64 {
	const spacing = 1.6 // radii between neighbours; 1.73 would just cover
	high, east := 4*math.Max(p.HighSigmaArcmin, smallestSigma), 4*math.Max(p.EastSigmaArcmin, smallestSigma)
	row := spacing * radius * math.Sqrt(3) / 2
	rows, columns := int(high/row)+1, int(east/(spacing*radius))+1
	var out [][2]float64
	for i := -rows; i <= rows; i++ {
		shift := 0.0
		if i%2 != 0 {
			shift = spacing * radius / 2
		}
		for k := -columns; k <= columns; k++ {
			out = append(out, [2]float64{p.HighArcmin + float64(i)*row, p.EastArcmin + float64(k)*spacing*radius + shift})
		}
	}
	return out
}
