package gnss

import (
	"math"
	"time"
)

// Latency is how long after a moment its first byte arrives.
type Latency struct {
	MeanS, SigmaS float64
}

// SerialLatency is that of NMEA on a serial line. One published comparison with
// network time found a constant 250 ms with a scatter of 20 ms; other receivers
// need 50 to 600 ms (from memory). No pulse per second is used: with one, gpsd
// and an NTP server discipline the system clock, which then ranks as good.
func SerialLatency() Latency { return Latency{MeanS: 0.3, SigmaS: 0.2} }

// GpsdLatency is that of gpsd's reports: a part of the burst has to be read and
// understood first.
func GpsdLatency() Latency { return Latency{MeanS: 0.4, SigmaS: 0.25} }

// Timing turns the moments and arrivals of fixes into UTC on the local
// monotonic clock. A report can be late but never early, so the least delayed
// one of the last two minutes counts.
type Timing struct {
	latency Latency
	offsets []timedOffset
	strange []timedOffset // that do not fit those
}

type timedOffset struct {
	at     time.Duration
	offset float64 // UTC as Unix time minus arrival, seconds
}

const (
	timingKept = 2 * time.Minute
	// timingEnough is how many reports are needed.
	timingEnough = 5
	// timingStrange is how far a report may lie from the others, seconds, before
	// it is set apart; timingAgreed of those in a row begin anew with them.
	timingStrange = 1.5
	timingAgreed  = 5
	// timingMost bounds the memory against a source that never stops talking.
	timingMost = 2000
)

// NewTiming expects reports with the given latency.
func NewTiming(l Latency) *Timing { return &Timing{latency: l} }

// Add takes a fix; one without time is ignored, and so is a time before GPS
// began or after the year 2200.
func (t *Timing) Add(f *Fix) {
	if y := f.UTC.Year(); y < 1980 || y > 2200 {
		return
	}
	o := timedOffset{f.At, float64(f.UTC.UnixNano())/1e9 - f.At.Seconds()}
	best, ok := t.best(f.At)
	if !ok || math.Abs(o.offset-best) <= timingStrange {
		t.strange = nil
		t.offsets = append(t.offsets, o)
		return
	}
	if n := len(t.strange); n > 0 && math.Abs(o.offset-t.strange[n-1].offset) > timingStrange {
		t.strange = nil
	}
	t.strange = append(t.strange, o)
	if len(t.strange) >= timingAgreed {
		t.offsets, t.strange = t.strange, nil
	}
}

// best is the greatest offset of those that are still kept.
func (t *Timing) best(now time.Duration) (float64, bool) {
	n := 0
	for n < len(t.offsets) && now-t.offsets[n].at > timingKept {
		n++
	}
	t.offsets = t.offsets[max(n, len(t.offsets)-timingMost):]
	if len(t.offsets) == 0 {
		return 0, false
	}
	best := math.Inf(-1)
	for _, o := range t.offsets {
		best = max(best, o.offset)
	}
	return best, true
}

// UTC is the time at now with its 1 sigma, seconds; ok is false while too few
// reports came lately.
func (t *Timing) UTC(now time.Duration) (utc time.Time, sigmaS float64, ok bool) {
	best, ok := t.best(now)
	if !ok || len(t.offsets) < timingEnough {
		return time.Time{}, 0, false
	}
	s := best + t.latency.MeanS + now.Seconds()
	whole := math.Floor(s)
	return time.Unix(int64(whole), int64((s-whole)*1e9)).UTC(), t.latency.SigmaS, true
}
