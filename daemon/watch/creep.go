package watch

import (
	"math"
)

// look searches the snapshots for one from which the minute cannot have come
// without a move.
func (s *slow) look(w *Watch, m *minute) {
	if s.move.on {
		s.followMove(w, m)
		return
	}
	best, bestZ := -1, 0.0
	var zs [snapshotsMost]float64
	for i := range s.count {
		k := &s.snaps[i]
		if m.at-k.at < snapshotAge {
			break
		}
		du, ds, vu, vs := s.surprise(k, m)
		z := du * du / vu
		if w.head.on {
			ds = 0
		} else {
			z += ds * ds / vs
		}
		zs[i] = z
		if z > bestZ && math.Hypot(du, ds) > minCreepDeg {
			best, bestZ = i, z
		}
	}
	if bestZ < creepLimit {
		s.beyond = 0
		return
	}
	if s.beyond++; s.beyond < 2 {
		return
	}
	s.beyond = 0
	// The clearest snapshot may lie in the move's beginning, which the filter had
	// not followed yet: measure from before it, where that tells as much.
	for range earlier {
		if best > 0 && zs[best-1] > creepLimit/2 {
			best--
		}
	}
	s.move = slowMove{on: true, snap: s.snaps[best], id: w.nextID()}
	s.followMove(w, m)
}

// followMove measures a slow move anew and tells it when it has grown or ended.
func (s *slow) followMove(w *Watch, at *minute) {
	m := &s.move
	du, ds, vu, vs := s.surprise(&m.snap, at)
	if w.head.on {
		// The head's own turn hides what leans to the side: as much as is seen.
		ds, vs = 0, du*du
	}
	// A leg that gives way turns the tripod about a horizontal axis: nothing
	// about the vertical.
	c := w.frame.sky(du, ds, 0)
	m.last = Move{
		UpDeg: du, UpSigmaDeg: math.Sqrt(vu),
		EastDeg: w.east(c.left), EastSigmaDeg: math.Abs(w.frame.sin) * math.Sqrt(vs),
		RollDeg: c.roll, RollSigmaDeg: w.frame.cos * math.Sqrt(vs),
	}
	m.byTemp = m.snap.up.x[1] * (at.tempC - m.snap.tempC)
	if math.IsNaN(m.byTemp) {
		m.byTemp = 0
	}
	m.seen = [2]float64{du, ds}
	m.history[m.minutes%restMinutes] = m.seen
	m.minutes++
	if m.minutes > restMinutes {
		old := m.history[m.minutes%restMinutes]
		scatter := at.vUp + at.vSide + square(gradientC)*(square(s.priorUp)+square(s.priorSide))
		if math.Hypot(du-old[0], ds-old[1]) < max(restDeg, 4*math.Sqrt(scatter)) {
			s.finish(w)
			return
		}
	}
	size := math.Hypot(du, ds)
	if m.told == 0 || size > creepGrowth*m.shown+minCreepDeg {
		s.tellMove(w, false)
		m.shown = size
	}
}

// withMove adds the slow move that is still being followed.
func (s *slow) withMove(t *total) {
	if s.move.on {
		t.add(s.move.last)
	}
}

// soFar is what has moved since the watch was armed.
func (w *Watch) soFar() total {
	t := w.moved
	w.slow.withMove(&t)
	return t
}

func (s *slow) tellMove(w *Watch, final bool) {
	m := &s.move
	after := w.moved
	after.add(m.last)
	f := Finding{
		ID: m.id, Update: m.told, Final: final, Kind: Creep, Alarm: true, Start: m.snap.at,
		Move: m.last, ByTempDeg: m.byTemp, VerticalUnseen: true,
	}
	m.told++
	w.tell(f, &after)
	if final {
		w.moved = after
	}
}

// finish ends a slow move: the pose of the newest minute is the one to compare
// with. Of temperature, what was known before it began is kept, not what the
// move pretended; but it is doubted like at first, since it may have been the
// reason.
func (s *slow) finish(w *Watch) {
	s.tellMove(w, true)
	s.moved[0] += s.move.seen[0]
	s.moved[1] += s.move.seen[1]
	m := &s.last
	s.up, s.side = s.move.snap.up, s.move.snap.side
	s.from = origin{m.tempC, m.sin, m.cos}
	s.up.doubt()
	s.side.doubt()
	s.up.anchor(m.up, m.vUp+square(gradientC*s.priorUp))
	s.side.anchor(m.side, m.vSide+square(gradientC*s.priorSide))
	s.move = slowMove{}
	s.count, s.beyond = 0, 0
	s.remember(m.at, m.tempC)
}

// endSlow closes a slow move because its frame goes.
func (w *Watch) endSlow() {
	if w.slow.move.on {
		w.slow.finish(w)
	}
}

func (s *slow) slopes() Slopes {
	return Slopes{
		UpPerC: s.up.x[1], UpSigma: math.Sqrt(s.up.p[1][1]),
		SidePerC: s.side.x[1], SideSigma: math.Sqrt(s.side.p[1][1]),
	}
}

func (s *slow) span() float64 { return max(s.warmest-s.coldest, 0) }

func (s *slow) describe(st *Status) {
	if !s.have {
		return
	}
	st.DriftUpDeg, st.DriftSideDeg = s.last.up-s.moved[0], s.last.side-s.moved[1]
	if m := &s.move; m.on {
		st.DriftUpDeg -= m.seen[0]
		st.DriftSideDeg -= m.seen[1]
	}
	d := s.lastTemp - s.from.tempC
	if math.IsNaN(d) {
		return
	}
	st.TempFallC = -d
	st.ByTempUpDeg, st.ByTempSideDeg = s.up.x[1]*d, s.side.x[1]*d
}
