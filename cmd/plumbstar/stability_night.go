package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors/stability"
)

// piece is a stretch of seconds without a move, with the readings of nine
// channels.
type piece struct {
	at    []time.Duration
	value [9][]float64
}

func nightChannels() []string {
	return []string{"ax", "ay", "az", "gx", "gy", "gz", "mx", "my", "mz"}
}

func nightUnit(k int) string { return []string{"m/s2", "rad/s", "uT"}[k/3] }

// measureNight is measureStability for a night of the log.
func measureNight(ctx context.Context, e env, log *logFlags, name string, tauS []float64) error {
	id, err := parseOneNight([]string{name})
	if err != nil {
		return fmt.Errorf("--night: %w", err)
	}
	r, err := log.open(ctx)
	if err != nil {
		return err
	}
	defer r.Close()
	n, err := r.Night(ctx, id)
	if err != nil {
		return err
	}
	g, err := daemon.RestOf(ctx, r, n.ID)
	if err != nil {
		return err
	}
	if g == nil {
		return fmt.Errorf("night %d: the watch was not armed, so what moved is not known: choose a night under watch, or export it and give the file", n.ID)
	}
	longest, field, err := readNight(ctx, r, g)
	if err != nil {
		return err
	}
	night := &g.Night
	switch {
	case len(night.Rest.TS) == 0:
		return fmt.Errorf("night %d: nothing of it was at rest under watch for long enough, 20 minutes after the start", n.ID)
	case night.Turned():
		return fmt.Errorf("night %d: the board turned, as one on the tracker's head does: it was not at rest", n.ID)
	}
	out, err := nightReport(night, longest, field, tauS)
	if err != nil {
		return fmt.Errorf("night %d: %w", n.ID, err)
	}
	enc := json.NewEncoder(e.stdout)
	enc.SetIndent("", " ")
	return enc.Encode(out)
}

// readNight fills g, and gives the longest piece and the field of each minute.
func readNight(ctx context.Context, r *nightlog.Reader, g *stability.Gather) (longest piece, field [3][]float64, err error) {
	var now piece
	stretch, sums, n, blocks := -1, [3]float64{}, 0.0, 0
	closeMinute := func() {
		for ; blocks < len(g.Night.Rest.TS); blocks++ {
			for k := range field {
				field[k] = append(field[k], sums[k]/n) // NaN without a compass
			}
		}
		sums, n = [3]float64{}, 0
	}
	for s, err := range r.Samples(ctx, g.Night.ID) {
		if err != nil {
			return piece{}, field, err
		}
		at, counts := g.Take(s.TS, s.TempC, s.Accel.Raw, s.Gyro.Raw)
		if len(g.Night.Rest.TS) > blocks {
			closeMinute()
		}
		if !counts {
			continue
		}
		if at != stretch {
			if len(now.at) > len(longest.at) {
				longest = now
			}
			now, stretch = piece{}, at
			sums, n = [3]float64{}, 0
		}
		values := [9]float64{s.Accel.Raw.X, s.Accel.Raw.Y, s.Accel.Raw.Z, s.Gyro.Raw.X, s.Gyro.Raw.Y, s.Gyro.Raw.Z, s.Field.Raw.X, s.Field.Raw.Y, s.Field.Raw.Z}
		now.at = append(now.at, time.Duration(s.TS*float64(time.Second)))
		for k, v := range values {
			now.value[k] = append(now.value[k], v)
		}
		for k := range sums {
			sums[k] += values[6+k]
		}
		n++
	}
	g.Close()
	closeMinute()
	if len(now.at) > len(longest.at) {
		longest = now
	}
	return longest, field, nil
}

func nightReport(night *stability.Night, longest piece, field [3][]float64, tauS []float64) (stabilityJSON, error) {
	rest := &night.Rest
	out := stabilityJSON{Night: night.ID, DurationS: math.Round(3600 * night.Hours()), Channels: map[string]channelJSON{}, Tilt: map[string]axisJSON{}}
	low, high := math.Inf(1), math.Inf(-1)
	out.Stretches = 1
	for i, t := range rest.TempC {
		low, high = min(low, t), max(high, t)
		if i > 0 && rest.Stretch[i] != rest.Stretch[i-1] {
			out.Stretches++
		}
	}
	out.MinC, out.MaxC = &low, &high
	minutes := [9][]float64{night.Accel[0], night.Accel[1], night.Accel[2], night.Gyro[0], night.Gyro[1], night.Gyro[2], field[0], field[1], field[2]}
	for k, name := range nightChannels() {
		if !anyNumber(minutes[k]) {
			continue
		}
		j, err := nightChannel(longest.at, longest.value[k], tauS)
		if err != nil {
			return out, fmt.Errorf("%s: %w", name, err)
		}
		t := rest.Follow(minutes[k])
		j.Unit = nightUnit(k)
		j.PerHour, j.SteadyPerHour, j.PerC, j.Hysteresis = estimateReport(t.PerHour), estimateReport(t.SteadyPerHour), estimateReport(t.PerC), estimateReport(t.Hysteresis)
		out.Channels[name] = j
	}
	for k := range 3 {
		e := night.Elevation(k)
		t := rest.Follow(e)
		out.Tilt[string("xyz"[k])] = axisJSON{
			ElevationDeg: meanOf(e), DegPerHour: estimateReport(t.PerHour), SteadyDegPerHour: estimateReport(t.SteadyPerHour),
			DegPerC: estimateReport(t.PerC), HysteresisDeg: estimateReport(t.Hysteresis),
		}
	}
	return out, nil
}

// nightChannel is the Allan deviation of the seconds of a piece that hold a number.
func nightChannel(at []time.Duration, values []float64, tauS []float64) (channelJSON, error) {
	var t []time.Duration
	var v []float64
	for i, x := range values {
		if x == x {
			t, v = append(t, at[i]), append(v, x)
		}
	}
	s, err := stability.NewSeries(t, v)
	if err != nil {
		return channelJSON{}, err
	}
	curve := s.Curve()
	if len(curve) == 0 {
		return channelJSON{}, fmt.Errorf("the longest piece has %d seconds: an Allan deviation needs five at least", s.Longest())
	}
	j := channelJSON{Mean: meanOf(v), Minimum: minimumJSON{allanPoint(curve[0]), false}}
	for i, p := range curve {
		if p.Deviation < j.Minimum.Deviation {
			j.Minimum = minimumJSON{allanPoint(p), i == len(curve)-1}
		}
	}
	if len(tauS) > 0 {
		if curve, err = s.Chosen(tauS); err != nil {
			return channelJSON{}, err
		}
	}
	for _, p := range curve {
		j.Allan = append(j.Allan, allanPoint(p))
	}
	return j, nil
}

func allanPoint(p stability.Point) allanJSON { return allanJSON{p.TauS, p.Deviation, p.Sigma} }

func anyNumber(v []float64) bool {
	for _, x := range v {
		if x == x {
			return true
		}
	}
	return false
}

// meanOf is the mean of those that are numbers.
func meanOf(v []float64) float64 {
	sum, n := 0.0, 0.0
	for _, x := range v {
		if x == x {
			sum, n = sum+x, n+1
		}
	}
	return sum / n
}
