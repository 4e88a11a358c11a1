package alarms

import (
	"strings"
	"testing"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// Old readings guide nobody: neither the state at the broker nor the tone has them.
func TestOldNumbersAreWithheld(t *testing.T) {
	q := estimator.Quantity{Deg: 0.3, SigmaDeg: 1.5, Known: true}
	s := &daemon.Snapshot{Guidance: guidance.Guidance{Raise: q, TurnEast: q, Error: q, Text: "Raise 0.3°, turn east 0.3°"}}
	for state, known := range map[estimator.State]bool{estimator.Steady: true, estimator.Moving: true, estimator.Stale: false} {
		s.Estimate.State = state
		st := stateOf(s, false)
		if (st.RaiseDeg != nil) != known || (st.ErrorDeg != nil) != known || strings.HasPrefix(st.Text, "Not known") == known || (st.Trouble == "no") != known {
			t.Errorf("%s: %+v", state, st)
		}
	}
}
