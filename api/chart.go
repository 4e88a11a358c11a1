package api

import (
	"context"
	"math"
	"time"

	"plumbstar/daemon/nightlog"
)

// maxChartEvents bounds the events of a chart; the newest are kept.
const maxChartEvents = 500

// NightChart is a night as columns of equal length, one value per step of time;
// null where nothing was measured.
type NightChart struct {
	Night     int64    `json:"night"`
	Begin     Time     `json:"begin"`
	End       Time     `json:"end"`
	Step      Number   `json:"step_s" doc:"Length of a step of time"`
	T         []Number `json:"t_s" nullable:"false" doc:"Middle of each step, since the beginning of the night"`
	Altitude  []Number `json:"altitude_deg" nullable:"false"`
	AltSigma  []Number `json:"altitude_sigma_deg" nullable:"false"`
	AltLow    []Number `json:"altitude_low_deg" nullable:"false" doc:"The lowest of the step"`
	AltHigh   []Number `json:"altitude_high_deg" nullable:"false"`
	Azimuth   []Number `json:"azimuth_deg" nullable:"false" doc:"0 to 360"`
	AzSigma   []Number `json:"azimuth_sigma_deg" nullable:"false"`
	Error     []Number `json:"error_deg" nullable:"false" doc:"Angle between axis and aim"`
	ErrSigma  []Number `json:"error_sigma_deg" nullable:"false"`
	Temp      []Number `json:"temp_c" nullable:"false" doc:"Of the chip"`
	Vibration []Number `json:"vibration_m_s2" nullable:"false" doc:"RMS of the specific force, the sensor's noise included"`
	Shake     []Number `json:"shake_arcsec" nullable:"false" doc:"RMS of where the axis points, by minutes, noise taken off"`
	Strength  []Number `json:"strength_uT" nullable:"false" doc:"Of the measured field"`

	Events       []ChartEvent `json:"events" nullable:"false" doc:"At most 500, the newest"`
	EventsBefore int          `json:"events_before" doc:"Older ones that were left out"`
}

// ChartEvent is an event of the night in the chart's time.
type ChartEvent struct {
	T       Number            `json:"t_s"`
	Time    Time              `json:"time"`
	Kind    string            `json:"kind"`
	Text    string            `json:"text"`
	Numbers map[string]Number `json:"numbers"`
}

// bin sums up one step of a column.
type bin struct {
	sum float64
	n   int
}

func (b *bin) add(v float64) {
	if !math.IsNaN(v) {
		b.sum += v
		b.n++
	}
}

func (b *bin) mean() Number {
	if b.n == 0 {
		return Number{}
	}
	return Known(b.sum / float64(b.n))
}

// rms is for bins of squares.
func (b *bin) rms() Number {
	if b.n == 0 {
		return Number{}
	}
	return Known(math.Sqrt(b.sum / float64(b.n)))
}

// step is one step of time.
type step struct {
	alt, altSigma, azSigma, err, errSigma, temp, vibration, shake, strength bin
	east, north                                                             bin // azimuths as directions
	low, high                                                               float64
}

// chartOf reads a night once, in memory that grows only with the points.
func chartOf(ctx context.Context, r *nightlog.Reader, n *nightlog.Night, points int) (NightChart, error) {
	length := max(n.End.Sub(n.Begin).Seconds(), 1)
	points = min(points, max(int(length), 1))
	width := length / float64(points)
	c := NightChart{Night: n.ID, Begin: logTime(n.Begin), End: logTime(n.End), Step: Known(width), Events: []ChartEvent{}}
	steps := make([]step, points)
	for i := range steps {
		steps[i].low, steps[i].high = math.NaN(), math.NaN()
	}
	for s, err := range r.Samples(ctx, n.ID) {
		if err != nil {
			return c, err
		}
		k := int(s.TS / width)
		if k < 0 || k > points { // a clock that went back between two runs
			continue
		}
		steps[min(k, points-1)].add(&s.Sample)
	}
	for i := range steps {
		c.append((float64(i)+0.5)*width, &steps[i])
	}
	for e, err := range r.Events(ctx, n.ID) {
		if err != nil {
			return c, err
		}
		if len(c.Events) == maxChartEvents {
			c.Events = append(c.Events[:0], c.Events[1:]...)
			c.EventsBefore++
		}
		x := ChartEvent{T: Known(e.TS), Time: logTime(e.UTC.Round(time.Millisecond)), Kind: e.Kind, Text: e.Text, Numbers: make(map[string]Number, len(e.Numbers))}
		for k, v := range e.Numbers {
			x.Numbers[k] = Known(v)
		}
		c.Events = append(c.Events, x)
	}
	return c, nil
}

func (b *step) add(s *nightlog.Sample) {
	b.alt.add(s.AxisAltitude.Deg)
	b.altSigma.add(s.AxisAltitude.SigmaDeg)
	if v := s.AxisAltitude.Deg; !math.IsNaN(v) {
		if !(b.low <= v) {
			b.low = v
		}
		if !(b.high >= v) {
			b.high = v
		}
	}
	const rad = math.Pi / 180
	b.east.add(math.Sin(s.AxisAzimuth.Deg * rad))
	b.north.add(math.Cos(s.AxisAzimuth.Deg * rad))
	b.azSigma.add(s.AxisAzimuth.SigmaDeg)
	b.err.add(s.Error.Deg)
	b.errSigma.add(s.Error.SigmaDeg)
	b.temp.add(s.TempC)
	b.vibration.add(s.VibrationMS2 * s.VibrationMS2)
	b.shake.add(s.ShakeArcsec * s.ShakeArcsec)
	b.strength.add(s.StrengthUT)
}

func (c *NightChart) append(t float64, b *step) {
	az := Number{}
	if b.east.n > 0 {
		az = azimuth(math.Atan2(b.east.sum, b.north.sum) * 180 / math.Pi)
	}
	for _, x := range []struct {
		column *[]Number
		v      Number
	}{
		{&c.T, Known(t)}, {&c.Altitude, b.alt.mean()}, {&c.AltSigma, b.altSigma.mean()}, {&c.AltLow, Known(b.low)}, {&c.AltHigh, Known(b.high)},
		{&c.Azimuth, az}, {&c.AzSigma, b.azSigma.mean()}, {&c.Error, b.err.mean()}, {&c.ErrSigma, b.errSigma.mean()},
		{&c.Temp, b.temp.mean()}, {&c.Vibration, b.vibration.rms()}, {&c.Shake, b.shake.rms()}, {&c.Strength, b.strength.mean()},
	} {
		*x.column = append(*x.column, x.v)
	}
}
