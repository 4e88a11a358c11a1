package report

import (
	"math"
	"slices"

	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/watch"
	"plumbstar/sensors/stability"
)

// facts is what the sentences are made of.
type facts struct {
	armed, disarmed *event
	arms            int
	moves           []*event // in order of time
	worst           *event   // the move with the most left exposure lost, or the largest
	shaking         int
	blind           float64 // seconds without samples during the watch
	watchedS        float64
	trend           stability.Trend
	used            []nightlog.Calibration
}

func (d *night) facts() *facts {
	f := &facts{trend: d.restful.trend()}
	for i := range d.events {
		e := &d.events[i]
		switch e.Kind {
		case kindArmed:
			f.arms++
			if f.armed == nil {
				f.armed = e
			}
			f.disarmed = nil
		case kindDisarmed:
			f.disarmed = e
		case string(watch.Shaking):
			f.shaking += 1 + e.more
		}
		if e.moved() {
			f.moves = append(f.moves, e)
		}
	}
	for _, e := range f.moves {
		if f.worst == nil || e.costs() > f.worst.costs() {
			f.worst = e
		}
	}
	if from, to := d.watchTimes(); from >= 0 {
		to = min(to, d.spanS)
		f.watchedS = max(to-from, 0)
		for _, g := range d.gaps {
			f.blind += max(0, min(g.to, to)-max(g.from, from))
		}
	}
	f.used = d.usedCalibrations()
	return f
}

// costs orders moves by the alignment error that they left, else by their size.
func (e *event) costs() float64 {
	if v, ok := e.number(keyError); ok {
		return 1e3 + v
	}
	deg, _ := e.size()
	return deg
}

// usedCalibrations are those that the night began with, as its settings name
// them, or else for each kind and chip the newest from before it; and those made
// during it.
func (d *night) usedCalibrations() []nightlog.Calibration {
	type key struct{ kind, chip string }
	named, newest := map[int64]bool{}, map[key]int64{}
	for _, c := range d.with.Calibrations {
		named[c.ID] = true
	}
	for _, c := range d.calibrations {
		if c.UTC.Before(d.Begin) {
			newest[key{c.Kind, c.Chip}] = c.ID
		}
	}
	var out []nightlog.Calibration
	for _, c := range d.calibrations {
		before := c.UTC.Before(d.Begin)
		switch {
		case named[c.ID]:
		case before && (d.with.Calibrations != nil || newest[key{c.Kind, c.Chip}] != c.ID):
			continue
		case c.UTC.After(d.End):
			continue
		}
		out = append(out, c)
	}
	for _, c := range d.with.Calibrations {
		if c.ID == 0 {
			x := nightlog.Calibration{Kind: c.Part, Chip: c.Board, SigmaDeg: c.SigmaDeg, TempC: math.NaN()}
			if c.TempC != nil {
				x.TempC = *c.TempC
			}
			out = append(out, x)
		}
	}
	const most = 40
	return out[max(0, len(out)-most):]
}

// otherKinds are those of events that are not listed, sorted.
func (d *night) otherKinds() []string {
	var out []string
	for k := range d.others {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
