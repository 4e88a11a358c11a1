package report

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/watch"
	"plumbstar/sensors/stability"
)

// restful gathers the minutes of the watch during which nothing moved, to see how
// the sensor drifts.
type restful struct {
	breaks  []gap // moves, in order; times between are one stretch
	from    float64
	to      float64
	stretch int
	minute  int
	n       int
	accel   r3.Vec
	temp    float64
	rest    stability.Rest
	tilt    []float64 // degrees, of the axis against the horizon
}

const (
	// settleS after a move does not count.
	settleS = 30
	// leastOfMinute seconds make a minute.
	leastOfMinute = 30
)

func (r *restful) begin(d *night) {
	r.from, r.to = d.watchTimes()
	r.minute = -1
	for i := range d.events {
		e := &d.events[i]
		if !e.moved() && e.Kind != string(watch.Nudge) && e.Kind != string(watch.Roll) {
			continue
		}
		last := e.Numbers[keyLasted]
		r.breaks = append(r.breaks, gap{e.tS - last - settleS, e.tS + settleS})
	}
}

func (r *restful) take(t float64, s *nightlog.DatedSample) {
	if r.from < 0 || t < r.from || t > r.to {
		return
	}
	stretch := 0
	for _, b := range r.breaks {
		if t > b.to {
			stretch++
		} else if t >= b.from {
			return
		}
	}
	a := s.Accel.Corrected
	if a.X != a.X {
		a = s.Accel.Raw
	}
	if m := int(t / 60); m != r.minute || stretch != r.stretch {
		r.close()
		r.minute, r.stretch = m, stretch
	}
	if r3.Norm(a) > 0 && s.TempC == s.TempC {
		r.accel, r.temp, r.n = r3.Add(r.accel, a), r.temp+s.TempC, r.n+1
	}
}

func (r *restful) close() {
	if r.n >= leastOfMinute {
		n := float64(r.n)
		r.rest.TS = append(r.rest.TS, float64(r.minute)*60+30)
		r.rest.TempC = append(r.rest.TempC, r.temp/n)
		r.rest.Stretch = append(r.rest.Stretch, r.stretch)
		r.tilt = append(r.tilt, math.Atan2(r.accel.X, math.Hypot(r.accel.Y, r.accel.Z))*180/math.Pi)
	}
	r.n, r.temp, r.accel = 0, 0, r3.Vec{}
}

// trend is how the tilt followed time and temperature.
func (r *restful) trend() stability.Trend {
	r.close()
	return r.rest.Follow(r.tilt)
}
