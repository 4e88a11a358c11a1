package report

import (
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/watch"
	"plumbstar/sensors/stability"
)

// restful gathers the minutes of the watch during which nothing moved, to see how
// the sensor drifts.
type restful struct{ g stability.Gather }

const (
	// settleS around a move does not count.
	settleS = 30
	// warmUpS after the start of the sensor does not either.
	warmUpS = 1200
)

func (r *restful) begin(d *night) {
	from, to := d.watchTimes()
	if from < 0 {
		return
	}
	r.g.Watched, r.g.WarmUpS = []stability.Span{{From: from, To: to}}, warmUpS
	for i := range d.events {
		e := &d.events[i]
		if !e.moved() && e.Kind != string(watch.Nudge) && e.Kind != string(watch.Roll) {
			continue
		}
		r.g.Moves = append(r.g.Moves, stability.Span{From: e.tS - e.Numbers[keyBegan] - settleS, To: e.toldS + settleS})
	}
}

func (r *restful) take(t float64, s *nightlog.DatedSample) {
	a := s.Accel.Corrected
	if a.X != a.X {
		a = s.Accel.Raw
	}
	if len(r.g.Watched) > 0 && r3.Norm(a) > 0 {
		r.g.Take(t, s.TempC, a, s.Gyro.Corrected)
	}
}

func (r *restful) minutes() int { return len(r.g.Night.Rest.TS) }

// trend is how the tilt followed time and temperature.
func (r *restful) trend() stability.Trend {
	r.g.Close()
	return r.g.Night.Rest.Follow(r.g.Night.Elevation(0))
}
