package sensors

import (
	"bytes"
	"time"
)

// Limits of Freshness. A working chip's noise changes at least one bit of a
// burst in most samples; ten equal bursts in a row do not happen, fifty over a
// second or more are a fault. Common practice, no source.
const (
	repeatedAfter = 10
	frozenAfter   = 50
	frozenFor     = time.Second
	// stallPeriods and stallFor: without a new sample for as long as that, the
	// chip has stopped measuring.
	stallPeriods = 10
	stallFor     = 500 * time.Millisecond
)

// Verdict is what Freshness makes of a burst.
type Verdict int

const (
	// Fresh: the burst holds a sample that was not read before.
	Fresh Verdict = iota
	// Stale: it does not; ask again later.
	Stale
	// Stuck: new samples have been missing for too long, or have been the same
	// bits for too long.
	Stuck
)

// Freshness tells new samples from old ones. It trusts a data-ready bit where
// it is set; but bits that differ from those before are new in any case, since a
// sample may arrive between the status byte and the data of one burst, which
// clears the bit for good.
type Freshness struct {
	// Period is the nominal time between samples.
	Period time.Duration
	// NoReady is set for chips whose data-ready bit is missing, late or not
	// cleared by reading: the same bits are then taken for a new sample once one
	// and a half periods have passed.
	NoReady bool

	last      [maxBurst]byte
	n         int
	started   bool
	at        time.Duration
	idle      bool
	idleSince time.Duration
	same      int
	sameSince time.Duration
}

// Judge takes the measured bytes of a burst that was read at time at, and the
// chip's data-ready and overrun bits (false where there are none).
//
// Overrun is also found by time: when more than two periods (and an eighth, for
// the chip's own clock) have passed since the last sample, at least one was
// replaced unread. A single loss within two periods stays unseen where the chip
// has no bit for it.
func (f *Freshness) Judge(at time.Duration, ready, overrun bool, data []byte) (Flags, Verdict) {
	changed := f.started && !bytes.Equal(data, f.last[:f.n])
	due := f.NoReady && (!f.started || at-f.at >= f.Period*3/2)
	if !changed && !ready && !due {
		if !f.idle {
			f.idle, f.idleSince = true, at
		}
		if at-f.idleSince >= max(stallFor, stallPeriods*f.Period) {
			return 0, Stuck
		}
		return 0, Stale
	}
	var flags Flags
	if overrun || f.started && at-f.at > 2*f.Period+f.Period/8 {
		flags |= Overrun
	}
	if changed || !f.started {
		f.same, f.sameSince = 0, at
		f.n = copy(f.last[:], data)
	} else {
		f.same++
	}
	f.idle, f.started, f.at = false, true, at
	if f.same >= frozenAfter && at-f.sameSince >= frozenFor {
		return flags, Stuck
	}
	if f.same >= repeatedAfter {
		flags |= Repeated
	}
	return flags, Fresh
}

// Changed is when a burst last held other bits than the one before.
func (f *Freshness) Changed() time.Duration { return f.sameSince }
