package daemon

import (
	"context"
	"encoding/json"

	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/watch"
	"plumbstar/sensors/stability"
)

const (
	// restNightsMost are read: a season's habits, not a chip's whole life.
	restNightsMost = 12
	restBlockS     = 300
	restWarmUpS    = 1200
	restSettleS    = 30
)

// ReadRestNights reads the newest closed nights of a chip out of the log, oldest
// first: what was under watch and did not move.
func ReadRestNights(ctx context.Context, r *nightlog.Reader, chip string) ([]stability.Night, error) {
	list, err := r.Nights(ctx)
	if err != nil {
		return nil, err
	}
	var out []stability.Night
	for i := len(list) - 1; i >= 0 && len(out) < restNightsMost; i-- {
		if list[i].Open || chipOf(list[i].Settings) != chip {
			continue
		}
		n, err := readRestNight(ctx, r, list[i].ID)
		if err != nil {
			return nil, err
		}
		if n != nil {
			out = append([]stability.Night{*n}, out...)
		}
	}
	return out, nil
}

// chipOf is the inertial chip of a night, empty when its settings do not say.
func chipOf(settings json.RawMessage) string {
	var s struct {
		Inertial string `json:"inertial_chip"`
	}
	if json.Unmarshal(settings, &s) != nil {
		return ""
	}
	return s.Inertial
}

// readRestNight is nil for a night without a watch.
func readRestNight(ctx context.Context, r *nightlog.Reader, id int64) (*stability.Night, error) {
	g, err := RestOf(ctx, r, id)
	if err != nil || g == nil {
		return nil, err
	}
	g.BlockS = restBlockS
	for s, err := range r.Samples(ctx, id) {
		if err != nil {
			return nil, err
		}
		g.Take(s.TS, s.TempC, s.Accel.Raw, s.Gyro.Raw)
	}
	g.Close()
	return &g.Night, nil
}

// RestOf is ready to take the samples of a night: it knows when there was a watch,
// and what moved. It is nil for a night without a watch.
func RestOf(ctx context.Context, r *nightlog.Reader, id int64) (*stability.Gather, error) {
	g := stability.Gather{WarmUpS: restWarmUpS, Night: stability.Night{ID: id}}
	const forever = 1e9
	for e, err := range r.Events(ctx, id) {
		if err != nil {
			return nil, err
		}
		switch e.Kind {
		case EventWatchArmed:
			g.Watched = append(g.Watched, stability.Span{From: e.TS, To: forever})
		case EventWatchDisarmed:
			if n := len(g.Watched); n > 0 {
				g.Watched[n-1].To = min(g.Watched[n-1].To, e.TS)
			}
		case string(watch.Knock), string(watch.Slip), string(watch.Creep), string(watch.Nudge), string(watch.Roll), string(watch.Gap):
			g.Moves = append(g.Moves, stability.Span{From: e.TS - e.Numbers["began_before_s"] - restSettleS, To: e.TS + restSettleS})
		}
	}
	if len(g.Watched) == 0 {
		return nil, nil
	}
	return &g, nil
}
