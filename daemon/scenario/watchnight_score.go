package scenario

import (
	"math"
	"time"
)

// WatchReport is what the watch told, as far as it is judged.
type WatchReport struct {
	ID                      int
	Creep, Alarm, Final     bool
	Start, SeenAt           time.Duration
	UpDeg, UpSigmaDeg       float64
	EastDeg, EastSigmaDeg   float64
	SizeDeg, ErrorDeg       float64
	ErrorSigmaDeg, TextSize float64
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
	Misses                    []WatchReport

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
			s.Misses = append(s.Misses, r)
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
	}
	return best
}

func (s *WatchScore) first(e *WatchEvent, r *WatchReport) {
	if e.Sink {
		deg := sinkDegPerH * (r.SeenAt - e.At).Hours()
		s.Sinks++
		if deg <= 0.1 {
			s.Found++
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
	}
}

// size compares the stated move with the true one.
func (s *WatchScore) size(e *WatchEvent, r *WatchReport) {
	u0, e0 := s.night.Sky(r.Start - time.Second)
	u1, e1 := s.night.Sky(r.SeenAt)
	if e.Sink {
		// A slow move is that of the newest minute, which ended three seconds ago.
		u0, e0 = s.night.Sunk(r.Start)
		u1, e1 = s.night.Sunk(r.SeenAt - 33*time.Second)
	}
	du := (r.UpDeg - (u1 - u0)) / r.UpSigmaDeg
	de := (r.EastDeg - (e1 - e0)) / r.EastSigmaDeg
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

// Close counts what was never told. A sink in which the reference was another
// one's is not held against it.
func (s *WatchScore) Close() {
	for i := range s.night.events {
		if s.seen[i] {
			continue
		}
		e := &s.night.events[i]
		if e.Sink {
			s.Sinks++
		} else {
			s.Knocks++
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
	s.Misses = append(s.Misses, o.Misses...)
}
