package scenario

import (
	"fmt"
	"math"
	"time"
)

// WatchReport is what the watch told, as far as it is judged.
type WatchReport struct {
	ID                    int
	Creep, Alarm, Final   bool
	Start, SeenAt         time.Duration
	UpDeg, UpSigmaDeg     float64
	EastDeg, EastSigmaDeg float64
}

// WatchFault is a report that should not have come, or a move that was seen too
// late or never, in words, with the seed of its night.
type WatchFault struct {
	Seed uint64
	What string
}

// WatchScore compares the reports of a night with what happened.
type WatchScore struct {
	night *WatchNight
	Knocks, Seen, Late,
	Sinks, Found int
	// FalseAlarms are alarms that nothing real explains.
	FalseAlarms int
	// Delays are those of the first alarms of knocks, s.
	Delays []float64
	// FoundAtDeg is how far each found leg had sunk.
	FoundAtDeg []float64
	// Covered of Sized parts of moves (up and east count apart) lie within 1.96
	// sigma; knocks when told finally, sinks when told first.
	KnockSized, KnockCovered int
	SinkSized, SinkCovered   int
	// Sigmas2 is the sum of squared deviations in sigmas of knocks and of sinks.
	KnockSigmas2, SinkSigmas2 float64
	// Faults are what the counts leave to be desired.
	Faults []WatchFault

	seen    []bool
	ids     map[int]int // report -> event, -1 false
	counted map[int]bool
}

// Score begins to judge a night.
func (n *WatchNight) Score() *WatchScore {
	return &WatchScore{night: n, seen: make([]bool, len(n.events)), ids: map[int]int{}, counted: map[int]bool{}}
}

const (
	// inTime is what a knock must be seen in.
	inTime = 2 * time.Second
	// belongs is how long after a knock an alarm is put down to it.
	belongs = 30 * time.Second
	within  = 1.96
)

// Take judges one report.
func (s *WatchScore) Take(r WatchReport) {
	if !r.Alarm {
		return
	}
	event, known := s.ids[r.ID]
	if !known {
		event = s.match(&r)
		s.ids[r.ID] = event
		if event < 0 {
			s.FalseAlarms++
			s.fault("false alarm at %v, from %v: up %.3f ± %.3f°, east %.3f ± %.3f°", r.SeenAt, r.Start, r.UpDeg, r.UpSigmaDeg, r.EastDeg, r.EastSigmaDeg)
		}
	}
	if event < 0 {
		return
	}
	e := &s.night.events[event]
	if !s.seen[event] {
		s.seen[event] = true
		s.first(e, &r)
	}
	if r.Creep == e.Sink && (e.Sink || r.Final) && !s.counted[r.ID] {
		s.counted[r.ID] = true
		s.size(e, &r)
	}
}

// match finds the event that a report is about, or -1.
func (s *WatchScore) match(r *WatchReport) int {
	best := -1
	for i := range s.night.events {
		e := &s.night.events[i]
		if e.Sink {
			if r.Start < e.Ends && r.SeenAt > e.At && (r.Creep || best < 0) {
				best = i
			}
			continue
		}
		if !r.Creep && r.SeenAt >= e.At && r.SeenAt <= e.At+belongs {
			return i
		}
		if r.Creep && !s.seen[i] && r.Start < e.At && r.SeenAt > e.At && best < 0 {
			best = i // missed at once, found by and by
		}
	}
	return best
}

func (s *WatchScore) first(e *WatchEvent, r *WatchReport) {
	if e.Sink {
		deg := sinkDegPerH * (r.SeenAt - e.At).Hours()
		s.Sinks++
		if deg <= 0.1 {
			s.Found++
		} else {
			s.fault("leg sinking from %v found at %.3f°", e.At, deg)
		}
		s.FoundAtDeg = append(s.FoundAtDeg, deg)
		return
	}
	s.Knocks++
	d := r.SeenAt - e.At
	s.Delays = append(s.Delays, d.Seconds())
	if d <= inTime {
		s.Seen++
	} else {
		s.Late++
		s.fault("knock at %v seen after %v", e.At, d)
	}
}

func (s *WatchScore) fault(format string, a ...any) {
	s.Faults = append(s.Faults, WatchFault{Seed: s.night.seed, What: fmt.Sprintf(format, a...)})
}

// size compares the stated move with the true one.
func (s *WatchScore) size(e *WatchEvent, r *WatchReport) {
	up, east := s.night.Moved(r.Start-time.Second, r.SeenAt)
	if e.Sink {
		// A slow move is that of the newest minute, which ended three seconds ago.
		up, east = s.night.Sunk(r.Start, r.SeenAt-33*time.Second)
	}
	du := (r.UpDeg - up) / r.UpSigmaDeg
	de := (r.EastDeg - east) / r.EastSigmaDeg
	in := 0
	for _, d := range [2]float64{du, de} {
		if math.Abs(d) <= within {
			in++
		}
	}
	if e.Sink {
		s.SinkSized += 2
		s.SinkCovered += in
		s.SinkSigmas2 += du*du + de*de
		return
	}
	s.KnockSized += 2
	s.KnockCovered += in
	s.KnockSigmas2 += du*du + de*de
}

// Close counts what was never told.
func (s *WatchScore) Close() {
	for i := range s.night.events {
		if s.seen[i] {
			continue
		}
		e := &s.night.events[i]
		if e.Sink {
			s.Sinks++
			s.fault("leg sinking from %v not found", e.At)
		} else {
			s.Knocks++
			s.fault("knock at %v not seen", e.At)
		}
	}
}

// Add joins the score of another night.
func (s *WatchScore) Add(o *WatchScore) {
	s.Knocks += o.Knocks
	s.Seen += o.Seen
	s.Late += o.Late
	s.Sinks += o.Sinks
	s.Found += o.Found
	s.FalseAlarms += o.FalseAlarms
	s.Delays = append(s.Delays, o.Delays...)
	s.FoundAtDeg = append(s.FoundAtDeg, o.FoundAtDeg...)
	s.KnockSized += o.KnockSized
	s.KnockCovered += o.KnockCovered
	s.SinkSized += o.SinkSized
	s.SinkCovered += o.SinkCovered
	s.KnockSigmas2 += o.KnockSigmas2
	s.SinkSigmas2 += o.SinkSigmas2
	s.Faults = append(s.Faults, o.Faults...)
}
