package daemon

import (
	"fmt"
	"math"
	"time"

	"plumbstar/daemon/estimator"
)

// What a time rests on, in the order in which they are believed.
const (
	ClockGNSS         = "gnss"
	ClockSynchronised = "system, synchronised"
	ClockEntered      = "entered"
	ClockSystem       = "system"
	ClockUnknown      = "unknown"
)

const (
	// holdRate is the 1-sigma rate of a free-running crystal: the median of
	// 20,000 hosts was 78e-6 (D. L. Mills, "Computer Network Time
	// Synchronization", 2006).
	holdRate = 100e-6
	// goodS is good enough, seconds: the night sky turns 0.004° meanwhile. Among clocks
	// that are good enough the rank decides.
	goodS = 1.0
	// A step is a change of the system clock against the monotonic one that no
	// slewing makes between two looks; two clocks disagree beyond three sigma of
	// their difference and this slack.
	stepS  = 0.5
	slackS = 0.5
	// jumpShown is for how long a jump is warned of.
	jumpShown = 10 * time.Minute
	// syncKept is how long the kernel's word that the clock is synchronised holds.
	syncKept = time.Minute
	// A receiver whose time jumps is believed again after so many readings that
	// agree with each other over so long.
	trialEnough = 3
	trialLong   = 10 * time.Second
	// farFuture after the build no clock can be right; one that lost count of the
	// weeks of GPS (1024 of them) is caught on either side.
	farFuture = 19 * 365 * 24 * time.Hour
)

// timekeeper ranks the clocks, keeps an offset of its own and tells wrong clocks
// from right ones. It is pure: the system clock and the monotonic time are
// handed in. The system clock is never set.
type timekeeper struct {
	notBefore time.Time
	// base is what the system clock is worth while the kernel does not call it
	// synchronised; a negative sigma is not known.
	base       string
	baseSigmaS float64
	synced     bool
	syncSigmaS float64
	syncAt     time.Duration

	gnss, entered *reading
	trial         []reading // of a receiver that jumped

	looked     bool
	lastMono   time.Duration
	lastSystem time.Time
	systemJump jump
	gnssJump   jump

	// What the newest look found.
	utc      time.Time
	status   ClockStatus
	warnings []estimator.Warning
}

// reading is what a clock showed at a moment of the monotonic time.
type reading struct {
	source string
	at     time.Duration
	utc    time.Time
	sigmaS float64
}

// on is the reading carried on to now by a free-running crystal.
func (r *reading) on(now time.Duration) candidate {
	d := now - r.at
	return candidate{source: r.source, utc: r.utc.Add(d), sigmaS: math.Hypot(r.sigmaS, holdRate*d.Seconds())}
}

type jump struct {
	at  time.Duration
	byS float64
	set bool
}

// candidate is a clock at the moment of a look.
type candidate struct {
	source string
	utc    time.Time
	sigmaS float64 // negative: not known
}

func (c *candidate) disagrees(o *candidate) bool {
	if c.sigmaS < 0 || o.sigmaS < 0 {
		return false
	}
	return math.Abs(c.utc.Sub(o.utc).Seconds()) > 3*math.Hypot(c.sigmaS, o.sigmaS)+slackS
}

// take hears a clock. Receivers speak every few seconds and are tried when they
// jump; what a person enters counts at once.
func (k *timekeeper) take(r reading) {
	r.utc = r.utc.Round(0)
	if r.source != ClockGNSS {
		k.entered = &r
		return
	}
	if k.gnss == nil {
		k.gnss = &r
		return
	}
	was, is := k.gnss.on(r.at), r.on(r.at)
	if !is.disagrees(&was) {
		k.gnss, k.trial = &r, nil
		return
	}
	if n := len(k.trial); n > 0 {
		before := k.trial[n-1].on(r.at)
		if is.disagrees(&before) {
			k.trial = nil
		}
	}
	k.trial = append(k.trial, r)
	if n := len(k.trial); n >= trialEnough && r.at-k.trial[0].at >= trialLong {
		k.gnssJump = jump{at: r.at, byS: is.utc.Sub(was.utc).Seconds(), set: true}
		k.gnss, k.trial = &r, nil
	}
}

// sync hears what the kernel says of the system clock.
func (k *timekeeper) sync(now time.Duration, synchronised bool, sigmaS float64) {
	k.synced, k.syncSigmaS, k.syncAt = synchronised, sigmaS, now
}

// look judges all clocks at now, while the system clock shows system.
func (k *timekeeper) look(now time.Duration, system time.Time) {
	system = system.Round(0).UTC() // the wall clock, without its monotonic part
	if k.looked {
		if by := system.Sub(k.lastSystem).Seconds() - (now - k.lastMono).Seconds(); math.Abs(by) > stepS {
			k.stepped(now, by)
		}
	}
	k.looked, k.lastMono, k.lastSystem = true, now, system
	k.warnings = nil
	synced := k.synced && now-k.syncAt <= syncKept

	all, base := k.candidates(now, system, synced)
	if base != nil {
		for i := range all {
			if base.disagrees(&all[i]) {
				k.warn("clock-system-wrong", fmt.Sprintf("The system clock is off by %s: the %s is used instead.", span(base.utc.Sub(all[i].utc).Seconds()), nameOf(all[i].source)))
				base = nil
				break
			}
		}
	}
	if base != nil {
		all = append(all, *base)
	}
	if len(all) == 0 {
		k.utc = system
		k.status = ClockStatus{Source: ClockUnknown, SigmaS: -1, Why: implausible(system, k.notBefore)}
		k.warnLater()
		return
	}
	c := k.settle(all)
	k.utc = c.utc
	k.status = ClockStatus{Source: c.source, SigmaS: c.sigmaS, OffsetS: c.utc.Sub(system).Seconds(), Plausible: true}
	k.jumpWarnings(now, synced)
	k.warnLater()
}

// candidates are the clocks that can be right, in rank order; base is the
// system clock when nothing vouches for it.
func (k *timekeeper) candidates(now time.Duration, system time.Time, synced bool) (all []candidate, base *candidate) {
	possible := func(c candidate) bool { return implausible(c.utc, k.notBefore) == "" }
	if k.gnss != nil {
		if c := k.gnss.on(now); possible(c) {
			all = append(all, c)
		}
	}
	own := candidate{source: k.base, utc: system, sigmaS: k.baseSigmaS}
	if synced {
		own.source, own.sigmaS = ClockSynchronised, k.syncSigmaS
		if possible(own) {
			all = append(all, own)
		}
	}
	if k.entered != nil {
		if c := k.entered.on(now); possible(c) {
			all = append(all, c)
		}
	}
	if !synced && possible(own) {
		switch {
		case k.base == ClockSystem || k.base == "":
			base = &own
		case k.entered == nil: // simulated time, given by its maker
			all = append(all, own)
		}
	}
	return all, base
}

// stepped notes that the system clock was set by somebody.
func (k *timekeeper) stepped(now time.Duration, byS float64) {
	k.systemJump = jump{at: now, byS: byS, set: true}
	if k.baseSigmaS >= 0 {
		// Which of the two times was right is not known.
		k.baseSigmaS = math.Hypot(k.baseSigmaS, byS)
	}
}

// settle picks one clock and asks the others whether they agree.
func (k *timekeeper) settle(all []candidate) candidate {
	c := all[choose(all)]
	var against []candidate
	supported := false
	for i := range all {
		o := &all[i]
		switch {
		case o.source == c.source || o.sigmaS < 0:
		case c.disagrees(o):
			against = append(against, *o)
		case o.source != ClockSystem:
			supported = true
		}
	}
	if len(against) == 0 {
		return c
	}
	if len(against) == 2 && !against[0].disagrees(&against[1]) {
		won := against[choose(against)]
		k.warn("clock-disagrees", fmt.Sprintf("The %s is off by %s against two other clocks that agree: it is left out.", nameOf(c.source), span(c.utc.Sub(won.utc).Seconds())))
		return won
	}
	worst := 0.0
	for i := range against {
		o := &against[i]
		by := o.utc.Sub(c.utc).Seconds()
		if supported {
			k.warn("clock-disagrees", fmt.Sprintf("The %s is off by %s against two other clocks that agree: it is left out.", nameOf(o.source), span(by)))
			continue
		}
		worst = max(worst, math.Abs(by))
		k.warn("clock-disagrees", fmt.Sprintf("Two clocks disagree: the %s shows %s, the %s %s. The time may be wrong by %s: check which is right.",
			nameOf(c.source), c.utc.Format(time.TimeOnly), nameOf(o.source), o.utc.Format(time.TimeOnly), span(math.Abs(by))))
	}
	c.sigmaS = max(c.sigmaS, worst)
	return c
}

// choose is the first that is good enough, else the surest, else the first.
func choose(all []candidate) int {
	best := 0
	for i := range all {
		s := all[i].sigmaS
		if s >= 0 && s <= goodS {
			return i
		}
		if b := all[best].sigmaS; s >= 0 && (b < 0 || s < b) {
			best = i
		}
	}
	return best
}

func (k *timekeeper) jumpWarnings(now time.Duration, synced bool) {
	if j := k.systemJump; j.set && now-j.at < jumpShown && k.status.Source == ClockSystem && !synced {
		k.warn("clock-jump", fmt.Sprintf("The system clock jumped by %s: what depends on the time follows it. Check the time.", span(j.byS)))
	}
	if j := k.gnssJump; j.set && now-j.at < jumpShown && k.status.Source == ClockGNSS {
		k.status.SigmaS = max(k.status.SigmaS, math.Abs(j.byS)) // which of the two was right is not known
		k.warn("clock-jump", fmt.Sprintf("The time of the satellite receiver jumped by %s and stays there: it may have learned the leap seconds only now. Check the time.", span(j.byS)))
	}
}

// warnLater tells that the night sky's place is not sure enough, after all else.
func (k *timekeeper) warnLater() {
	if !k.status.Plausible {
		return // whoever needs the date says so
	}
	switch deg, known := k.status.SkyTurnSigmaDeg(); {
	case k.status.SigmaS < 0:
		k.warn("clock-unsure", "Nothing vouches for the clock: the place of the pole star in the finder may be wrong. Set the clock from a phone, or connect a satellite receiver.")
	case !known || deg > skyTurnShownDeg:
		k.warn("clock-unsure", fmt.Sprintf("The time is only known to %s: the place of the pole star in the finder is as unsure. Set the clock from a phone, or connect a satellite receiver.", span(k.status.SigmaS)))
	}
}

func (k *timekeeper) warn(code, text string) {
	k.warnings = append(k.warnings, estimator.Warning{Code: code, Text: text})
}

const (
	// skyTurnDegPerS is how fast the night sky turns: once in 86164.0905 s (mean
	// sidereal day, IERS Conventions).
	skyTurnDegPerS = 360 / 86164.0905
	// skyTurnMostDeg is where a star's place beside the pole is no longer a place:
	// the pole star, 0.6° off, is then unsure by 6′.
	skyTurnMostDeg = 10.0
	// skyTurnShownDeg moves the pole star by 0.2′, which a finder just shows.
	skyTurnShownDeg = 0.25
)

// SkyTurnSigmaDeg is the 1-sigma error, degrees, that the clock leaves in how
// far the night sky has turned, and so in hour angles and in the position angle of the
// pole star in the finder. It is not known while the clock cannot be right, its
// error is not known, or the error exceeds 10°: such places are not given.
func (c ClockStatus) SkyTurnSigmaDeg() (deg float64, known bool) {
	if !c.Plausible || !(c.SigmaS >= 0) {
		return 0, false
	}
	deg = c.SigmaS * skyTurnDegPerS
	return deg, deg <= skyTurnMostDeg
}

// years is how wrong the date may be, for what changes with the years. A clock
// that nothing vouches for has mostly stood still since it was last right; one
// year covers a tracker that lay on a shelf (own choice).
func (c ClockStatus) years() float64 {
	if !(c.SigmaS >= 0) {
		return 1
	}
	return c.SigmaS / (365.25 * 86400)
}

func nameOf(source string) string {
	switch source {
	case ClockGNSS:
		return "satellite receiver"
	case ClockSynchronised:
		return "synchronised system clock"
	case ClockEntered:
		return "time that was entered"
	case ClockSystem, "":
		return "system clock"
	}
	return source + " clock"
}

// span is a difference of time in words, with a sign when negative.
func span(s float64) string {
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	switch {
	case s < 100:
		return fmt.Sprintf("%s%.1f s", sign, s)
	case s < 100*60:
		return fmt.Sprintf("%s%.0f min", sign, s/60)
	case s < 100*3600:
		return fmt.Sprintf("%s%.1f h", sign, s/3600)
	}
	return fmt.Sprintf("%s%.0f days", sign, s/86400)
}
