package daemon

import (
	"fmt"
	"time"

	"plumbstar/daemon/watch"
)

// WatchOptions are what the user may set of the watch. The zero value is sane.
type WatchOptions struct {
	// NoOffer never offers to arm the watch.
	NoOffer bool
	// LeastDeg is the move since arming, degrees on the night sky, below which
	// a finding is no alarm; 0 takes DefaultLeastDeg.
	LeastDeg float64
	// BlurShare is the shake, 1 sigma, that is warned of, as a part of the trail that
	// the kit accepts; 0 takes DefaultBlurShare.
	BlurShare float64
	// Head says whether the board turns with the tracker's head.
	Head watch.Head
	// Quiet are hours in which what can wait makes no noise; Zone is whose hours
	// they are, nil: UTC.
	Quiet []QuietSpan
	Zone  *time.Location
}

// DefaultLeastDeg is what the watch can tell from noise at once.
const DefaultLeastDeg = 0.03

// DefaultBlurShare keeps a star, with one sigma to either side, as narrow as the
// accepted trail is long (common practice, no source).
const DefaultBlurShare = 0.5

// QuietSpan is a time of day, minutes after midnight from From up to To, through
// midnight where To is not the greater.
type QuietSpan struct{ From, To int }

const dayMinutes = 24 * 60

func (o *WatchOptions) validate() error {
	if !(o.LeastDeg >= 0 && o.LeastDeg <= 5) {
		return fmt.Errorf("daemon: watch: a least move of %v°: give 0 to 5", o.LeastDeg)
	}
	if !(o.BlurShare >= 0 && o.BlurShare <= 100) {
		return fmt.Errorf("daemon: watch: a blur of %v of the trail: give 0 to 100", o.BlurShare)
	}
	for _, q := range o.Quiet {
		if q.From < 0 || q.To < 0 || q.From >= dayMinutes || q.To >= dayMinutes {
			return fmt.Errorf("daemon: watch: quiet from minute %d to %d: give 0 to %d", q.From, q.To, dayMinutes-1)
		}
	}
	return nil
}

func (o *WatchOptions) least() float64 {
	if o.LeastDeg == 0 {
		return DefaultLeastDeg
	}
	return o.LeastDeg
}

func (o *WatchOptions) blur() float64 {
	if o.BlurShare == 0 {
		return DefaultBlurShare
	}
	return o.BlurShare
}

// quietAt reports whether t lies in a quiet span.
func (o *WatchOptions) quietAt(t time.Time) bool {
	if len(o.Quiet) == 0 {
		return false
	}
	zone := o.Zone
	if zone == nil {
		zone = time.UTC
	}
	t = t.In(zone)
	m := 60*t.Hour() + t.Minute()
	for _, q := range o.Quiet {
		if q.From < q.To && m >= q.From && m < q.To || q.From >= q.To && (m >= q.From || m < q.To) {
			return true
		}
	}
	return false
}
