package daemon

import (
	"fmt"
	"strings"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/sky"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
)

// nights begins and ends the nights of the log. The daemon's lock guards it.
//
// A night lasts from sunset to sunrise, or from arming the watch to disarming it,
// whichever is longer, and at most longestNight. Without site or clock, dusk and
// dawn are not known: it then begins with the program.
type nights struct {
	on      bool
	begun   time.Time
	since   time.Duration
	why     string
	decided bool // what to do with the night of an earlier start
	blind   bool // a night was begun without site or clock by this start

	sunAt   time.Duration
	sunSeen bool
	sunUp   bool

	status  LogStatus
	problem nightlog.Kind
	aside   int // broken files that were told of
	warning *estimator.Warning
}

const (
	// longestNight ends a night that nothing else ends: a polar one, or one without
	// site or clock.
	longestNight = 18 * time.Hour
	// decideAfter is how long the start waits for a site and a clock.
	decideAfter = time.Minute
	// resumeWithin is how long after its last record a night is gone on with.
	resumeWithin = 6 * time.Hour
	// sunsetDeg is the altitude of the Sun's centre at which its upper edge sets:
	// 34′ of refraction and 16′ of radius (the almanacs' convention). sunriseDeg is
	// a little higher, so that a night does not begin and end in turns.
	sunsetDeg  = -0.833
	sunriseDeg = -0.5
	sunEvery   = 30 * time.Second
)

// keepNight looks once a second whether a night begins or ends.
func (d *Daemon) keepNight(now time.Duration, utc time.Time) {
	k := &d.nights
	known := d.followSun(now, utc)
	if !k.decided {
		if !known && now-d.started < decideAfter && !d.watching.armed {
			k.why = "waiting for a site and a clock"
			return
		}
		k.decided = true
		if d.takeUp(now, utc, known) {
			return
		}
	}
	dark := known && !k.sunUp
	switch armed := d.watching.armed; {
	case !k.on && armed:
		d.beginNight(now, utc, "the watch was armed")
	case !k.on && dark:
		d.beginNight(now, utc, "the Sun is down")
	case !k.on && !known && !k.blind:
		k.blind = true
		d.beginNight(now, utc, "site or clock are not known, so neither are dusk and dawn: the night begins with the program")
	case k.on && now-k.since >= longestNight:
		d.endNight(now, utc, "it has lasted for 18 hours")
	case k.on && known && k.sunUp && !armed:
		d.endNight(now, utc, "the Sun is up")
	}
	if !k.on {
		k.why = "the Sun is up and the watch is not armed"
		if !known {
			k.why = "site or clock are not known, and the watch is not armed"
		}
	}
}

// followSun keeps sunUp; false when site or clock are not known.
func (d *Daemon) followSun(now time.Duration, utc time.Time) bool {
	k := &d.nights
	if !d.place.status.Known || !d.clockStatus(utc).Plausible {
		k.sunSeen = false
		return false
	}
	if k.sunSeen && now-k.sunAt < sunEvery {
		return true
	}
	m, err := sky.At(astro.InstantOf(utc))
	if err != nil {
		return false
	}
	// Without air: sunsetDeg has it.
	o, err := sky.NewObserver(d.place.status.Site, astro.Air{})
	if err != nil {
		return false
	}
	alt := o.Body(&m, m.Sun()).Airless.AltDeg
	limit := sunsetDeg
	if k.on {
		limit = sunriseDeg
	}
	k.sunUp = alt > limit
	k.sunAt, k.sunSeen = now, true
	return true
}

// takeUp goes on with the night that an earlier start of the program left open.
func (d *Daemon) takeUp(now time.Duration, utc time.Time, known bool) bool {
	k, left := &d.nights, d.opt.OpenNight
	if left == nil || !left.Open {
		return false
	}
	why := "the program was started anew"
	switch {
	case !known:
		why += "; whether it is still the same night is not known without site and clock"
	case utc.Sub(left.End) > resumeWithin || utc.Sub(left.Begin) > longestNight || utc.Before(left.Begin.Add(-time.Hour)) || k.sunUp && d.watching.kept == nil:
		d.opt.Journal.EndNight(d.moment(now, utc))
		return false
	}
	k.on, k.begun, k.why = true, left.Begin, why
	k.since = now
	if before := utc.Sub(left.Begin); known && before > 0 {
		k.since -= before
	}
	d.opt.Journal.ResumeNight(d.moment(now, utc), left.ID)
	d.happened(now, Event{Kind: EventNightBegan, Text: fmt.Sprintf("Night %d goes on in the log: %s.", left.ID, why), Numbers: map[string]float64{"night": float64(left.ID)}})
	return true
}

func (d *Daemon) beginNight(now time.Duration, utc time.Time, why string) {
	k := &d.nights
	k.on, k.begun, k.since, k.why = true, utc, now, why
	d.opt.Journal.BeginNight(d.moment(now, utc), nightlog.NightInfo{Site: siteRow(&d.place.status), Settings: d.settingsUsed()})
	d.happened(now, Event{Kind: EventNightBegan, Text: "A night begins in the log: " + why + "."})
}

func (d *Daemon) endNight(now time.Duration, utc time.Time, why string) {
	k := &d.nights
	d.happened(now, Event{Kind: EventNightEnded, Text: "The night ends in the log: " + why + "."})
	k.on, k.begun = false, time.Time{}
	d.opt.Journal.EndNight(d.moment(now, utc))
}

// dashed is a name for machines.
func dashed(s string) string { return strings.ReplaceAll(s, " ", "-") }
