package pole

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbstar/astro"
)

// Spot is a point of light that someone sees in the finder and cannot name.
type Spot struct {
	XDeg, YDeg float64 // right and up of the centre, as the eye sees it there
	SigmaDeg   float64 // 1 sigma of each; 0: DefaultFinderSigmaDeg
	// Brightest says that no other star in view is brighter.
	Brightest bool
}

// Reading of the spots: which star each of them is.
type Reading struct {
	// Stars holds a name for each spot, empty where none fits.
	Stars []string `json:"stars"`
	IDs   []string `json:"ids"`
	// Probability against all other readings, 0 to 1.
	Probability float64 `json:"probability"`
	// Axis is where the axis would point, and its error, arcminutes on the night sky.
	Axis       astro.Direction `json:"axis"`
	HighArcmin float64         `json:"high_arcmin"`
	EastArcmin float64         `json:"east_arcmin"`
}

// Identification is the answer to "which star is it?"
type Identification struct {
	Readings []Reading `json:"readings"` // likeliest first, at most five
	// Sure is true when the first can be acted upon: 95 % and more.
	Sure bool `json:"sure"`
	// Advice says what would help while it is not.
	Advice string `json:"advice"`
}

// What the eye does to a field of stars; common practice, no source.
const (
	strayChance  = 0.02 // a spot is no star of the lists
	missedBright = 0.2  // a star 1.5 magnitudes brighter than the limit is not mentioned
	missedFaint  = 0.7  // a fainter one is not
	misjudged    = 0.05 // "the brightest" is not
	sureReading  = 0.95
	shownReading = 5
	// fieldTwist widens the tolerance with the distance from the spot that a
	// reading is built on: scale and rotation of the finder are known to 3 %.
	fieldTwist = 0.03
)

// Identify weighs which stars the spots are: where the axis would have to point
// against what the sensors believe, whether the other spots then fall on stars,
// and whether brighter stars should show that were not mentioned. field are the
// candidates, brightest first, as the night sky shows them now.
func (f Finder) Identify(aim astro.Direction, field []astro.Seen, spots []Spot, p Prior) (Identification, error) {
	if err := f.Validate(); err != nil {
		return Identification{}, err
	}
	if err := p.check(); err != nil {
		return Identification{}, err
	}
	if len(spots) == 0 || len(spots) > 12 {
		return Identification{}, fmt.Errorf("%d stars seen: give 1 to 12, the brightest first", len(spots))
	}
	for i, s := range spots {
		if !(math.Hypot(s.XDeg, s.YDeg) <= f.FieldDeg/2*1.05) || !(s.SigmaDeg >= 0 && s.SigmaDeg <= 5) {
			return Identification{}, fmt.Errorf("star %d at %v° right, %v° up (sigma %v°): give a place in the field of %v°", i+1, s.XDeg, s.YDeg, s.SigmaDeg, f.FieldDeg)
		}
	}
	readings := map[string]scored{}
	for anchor := range spots {
		for star := range field {
			if field[star].VMag > f.LimitMag {
				continue
			}
			r, ok := f.read(aim, field, spots, anchor, star, p)
			if !ok {
				continue
			}
			key := strings.Join(r.IDs, "|")
			if old, known := readings[key]; !known || r.score > old.score {
				readings[key] = r
			}
		}
	}
	return weigh(readings, f.nothing(aim, field, spots, p)), nil
}

// scored is a reading with the logarithm of its weight.
type scored struct {
	Reading
	score float64
}

// read takes one spot for one star and sees what follows.
func (f Finder) read(aim astro.Direction, field []astro.Seen, spots []Spot, anchor, star int, p Prior) (scored, bool) {
	axis, ok := f.AxisSeeing(field[star].Direction, spots[anchor].XDeg, spots[anchor].YDeg, aim)
	if !ok {
		return scored{}, false
	}
	high, east := against(aim, axis)
	if p.distance2(high, east) > 60 { // nobody is that wrong
		return scored{}, false
	}
	r := scored{Reading: Reading{Stars: make([]string, len(spots)), IDs: make([]string, len(spots)), Axis: axis, HighArcmin: high, EastArcmin: east}}
	const perSquareDegree = 3600
	r.score = p.logDensity(high, east) + math.Log(perSquareDegree*(1-strayChance))
	taken := make([]bool, len(field))
	name := func(spot, of int) {
		r.Stars[spot], r.IDs[spot], taken[of] = field[of].Name, field[of].ID, true
	}
	name(anchor, star)

	marks := make([]Mark, len(field))
	for i := range field {
		marks[i] = f.Mark(axis, field[i].Direction)
	}
	area := math.Pi * f.FieldDeg * f.FieldDeg / 4
	for k, s := range spots {
		if k == anchor {
			continue
		}
		sigma := s.SigmaDeg
		if sigma == 0 {
			sigma = DefaultFinderSigmaDeg
		}
		// Both spots err, and the finder may be turned or scaled a little.
		far := math.Hypot(s.XDeg-spots[anchor].XDeg, s.YDeg-spots[anchor].YDeg)
		variance := 2*sigma*sigma + fieldTwist*fieldTwist*far*far
		nearest, gap := -1, math.Inf(1)
		for i, m := range marks {
			if taken[i] || field[i].VMag > f.LimitMag {
				continue
			}
			if d := math.Hypot(m.XDeg-s.XDeg, m.YDeg-s.YDeg); d < gap {
				nearest, gap = i, d
			}
		}
		fits := math.Log(1-strayChance) - gap*gap/(2*variance) - math.Log(2*math.Pi*variance)
		stray := math.Log(strayChance / area)
		if nearest >= 0 && fits > stray {
			name(k, nearest)
			r.score += fits
		} else {
			r.score += stray
		}
	}
	r.score += f.silence(field, marks, taken, spots, r.IDs)
	return r, true
}

// silence weighs the stars that should be in view and were not mentioned, and
// the spot that was called the brightest.
func (f Finder) silence(field []astro.Seen, marks []Mark, taken []bool, spots []Spot, ids []string) float64 {
	score := 0.0
	brightest := math.Inf(1)
	for i, m := range marks {
		if m.OffsetArcmin > f.FieldDeg*30*usableField {
			continue
		}
		brightest = math.Min(brightest, field[i].VMag)
		switch {
		case taken[i]:
		case field[i].VMag < f.LimitMag-1.5:
			score += math.Log(missedBright)
		case field[i].VMag < f.LimitMag:
			score += math.Log(missedFaint)
		}
	}
	for k, s := range spots {
		if !s.Brightest {
			continue
		}
		for i := range field {
			if field[i].ID == ids[k] && field[i].VMag > brightest+0.3 {
				score += math.Log(misjudged)
			}
		}
	}
	return score
}

// nothing is the score of all spots being strays, with the axis where it is
// believed to be.
func (f Finder) nothing(aim astro.Direction, field []astro.Seen, spots []Spot, p Prior) float64 {
	east := p.EastArcmin
	if hemisphereOf(aim) == astro.South {
		east = -east
	}
	const arcmin = radPerDeg / 60
	axis := astro.DirectionOf(tangent(aim).at(east*arcmin, p.HighArcmin*arcmin))
	marks := make([]Mark, len(field))
	for i := range field {
		marks[i] = f.Mark(axis, field[i].Direction)
	}
	area := math.Pi * f.FieldDeg * f.FieldDeg / 4
	return float64(len(spots))*math.Log(strayChance/area) + f.silence(field, marks, make([]bool, len(field)), spots, make([]string, len(spots)))
}

// weigh turns scores into probabilities; nothing is the score of no reading at all.
func weigh(readings map[string]scored, nothing float64) Identification {
	sorted := make([]scored, 0, len(readings))
	top := nothing
	for _, r := range readings {
		sorted = append(sorted, r)
		top = math.Max(top, r.score)
	}
	slices.SortFunc(sorted, func(a, b scored) int {
		return cmp.Or(cmp.Compare(b.score, a.score), cmp.Compare(strings.Join(a.IDs, "|"), strings.Join(b.IDs, "|")))
	})
	total := math.Exp(nothing - top)
	for _, r := range sorted {
		total += math.Exp(r.score - top)
	}
	out := Identification{Readings: []Reading{}}
	for _, r := range sorted[:min(len(sorted), shownReading)] {
		r.Probability = math.Exp(r.score-top) / total
		out.Readings = append(out.Readings, r.Reading)
	}
	switch {
	case len(out.Readings) == 0:
		out.Advice = "no star of the lists fits: check site, time and the finder's settings"
	case out.Readings[0].Probability >= sureReading:
		out.Sure = true
	case len(out.Readings[0].IDs) < 3:
		out.Advice = "not sure: add the places of one or two more stars in view, the brightest first"
	default:
		out.Advice = "not sure: move the axis by a degree and look which stars follow, or check the finder's view, rotation and field in the settings"
	}
	return out
}
