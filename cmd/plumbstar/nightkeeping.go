package main

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"plumbstar/api"
	"plumbstar/api/report"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/watch"
)

// openNight is the newest night in the log, to go on with after a restart; nil
// when there is none that can be read.
func openNight(ctx context.Context, journal *nightlog.Log) *nightlog.Night {
	ctx, cancel := context.WithTimeout(ctx, storeTimeout)
	defer cancel()
	r, err := nightlog.OpenReader(ctx, journal.Path())
	if err != nil {
		return nil // the log itself tells what is wrong with it
	}
	defer r.Close()
	n, err := r.Night(ctx, nightlog.Latest)
	if err != nil || !n.Open {
		return nil
	}
	return &n
}

// nightSettings is what a night's row keeps of the settings: all that what was
// measured depends on, and nothing that is secret.
func nightSettings(s *config.Settings) json.RawMessage {
	text, err := json.Marshal(map[string]any{
		"site": s.Site, "clock": s.Clock, "gnss": s.GNSS, "board": s.Board, "inertial": s.Inertial, "magnetic": s.Magnetic,
		"air": s.Air, "geomag": s.Geomag, "loop": s.Loop, "watch": s.Watch, "version": version,
	})
	if err != nil { // not reached: all of it was read from text
		return nil
	}
	return text
}

func watchOptions(w *config.Watch) (daemon.WatchOptions, error) {
	o := daemon.WatchOptions{NoOffer: !w.Offer, LeastDeg: w.LeastMoveDeg, BlurShare: w.BlurShare, Zone: time.Local}
	switch w.BoardOn {
	case config.OnBody:
		o.Head = watch.HeadFixed
	case config.OnHead:
		o.Head = watch.HeadTurning
	}
	spans, err := w.QuietMinutes()
	for _, q := range spans {
		o.Quiet = append(o.Quiet, daemon.QuietSpan{From: q[0], To: q[1]})
	}
	return o, err
}

// nights lets the API read the log and name its nights.
type nights struct{ log *nightlog.Log }

func (n nights) Open(ctx context.Context) (*nightlog.Reader, error) {
	return nightlog.OpenReader(ctx, n.log.Path())
}

func (n nights) Annotate(ctx context.Context, night int64, name, note string) error {
	return n.log.Annotate(ctx, night, name, note)
}

// reports serves the page about a night.
func (n nights) reports() http.Handler {
	return report.Handler(n.Open, version, func(w http.ResponseWriter, _ *http.Request, status int, detail string) {
		api.Problem(w, status, detail)
	})
}
