package alarms

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

const (
	// stateEvery is how often the state is looked at, stateKept how old the one at
	// the broker may become while only numbers change.
	stateEvery = time.Second
	stateKept  = 15 * time.Second
	// silentLooks without a new snapshot: the loop hangs, and no number is true.
	silentLooks = 3
)

// state is what the broker keeps for those who come later.
type state struct {
	Time          *time.Time `json:"time"`
	State         string     `json:"state"`
	Text          string     `json:"text"`
	Trouble       string     `json:"trouble"` // "yes", "no"
	ErrorDeg      *float64   `json:"error_deg"`
	ErrorSigmaDeg *float64   `json:"error_sigma_deg"`
	RaiseDeg      *float64   `json:"raise_deg"`
	TurnEastDeg   *float64   `json:"turn_east_deg"`
}

// keepState publishes the state when it changes, and its numbers now and then.
func (a *Alarms) keepState(ctx context.Context) {
	t := time.NewTicker(a.broker.look)
	defer t.Stop()
	var last string
	var at time.Duration
	var seq uint64
	old := 0
	var since time.Time
	for {
		select {
		case <-t.C:
		case <-ctx.Done():
			return
		}
		s := a.o.Source.Latest()
		if s == nil {
			continue
		}
		if old++; s.Seq != seq {
			seq, old = s.Seq, 0
		}
		st := stateOf(s, old >= silentLooks)
		now := a.o.Clock()
		began := a.broker.upSince()
		if key := st.State + st.Trouble; key == last && began.Equal(since) && now-at < stateKept {
			continue
		}
		payload, err := json.Marshal(st)
		if err != nil {
			continue // no value of these types makes it fail
		}
		if err := a.broker.keep(ctx, payload); err != nil {
			a.o.Log.Debug("the state was not published", "error", err)
			continue
		}
		last, at, since = st.State+st.Trouble, now, began
	}
}

func stateOf(s *daemon.Snapshot, silent bool) state {
	st := state{State: string(s.Estimate.State), Text: s.Guidance.Text, Trouble: "no"}
	if s.Clock.Plausible {
		t := s.Time.UTC().Truncate(time.Millisecond)
		st.Time = &t
	}
	if silent {
		st.State, st.Text, st.Trouble = "silent", "The sensor loop does not answer.", "yes"
		return st
	}
	if s.Estimate.State == estimator.Stale { // what was true a second ago guides nobody
		st.Text, st.Trouble = "Not known: the last reading is too old", "yes"
		return st
	}
	g := &s.Guidance
	if g.Error.Known {
		st.ErrorDeg, st.ErrorSigmaDeg = number(g.Error.Deg), number(g.Error.SigmaDeg)
	}
	if g.Raise.Known {
		st.RaiseDeg = number(g.Raise.Deg)
	}
	if g.TurnEast.Known {
		st.TurnEastDeg = number(g.TurnEast.Deg)
	}
	if s.Estimate.State == estimator.Lost {
		st.Trouble = "yes"
	}
	for _, w := range s.Warnings {
		if strings.HasPrefix(w.Code, "watch-") {
			st.Trouble = "yes"
		}
	}
	return st
}

// number is v rounded to 1e-4, nil when it is none. What is not 0 stays so: a sigma
// of 0 would claim perfection.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	r := math.Round(v*1e4) / 1e4
	switch {
	case math.IsInf(r, 0):
		r = v
	case r == 0 && v != 0:
		r = math.Copysign(1e-4, v)
	}
	return &r
}
