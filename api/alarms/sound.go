package alarms

import (
	"math"
	"time"

	"plumbstar/daemon/guidance"
)

// tone is what the pin does: nothing, or sound. A pin without PWM, and a light,
// know only that.
type tone struct {
	on bool
	hz float64
}

// step of a pattern.
type step struct {
	on bool
	d  time.Duration
}

const ms = time.Millisecond

// pattern is told apart by rhythm alone, so that a light and a buzzer of one tone
// serve as well.
type pattern struct {
	steps  []step
	repeat int
	rank   int
}

// patterns by severity: attention two short, moved three long, a lost sensor one
// long and two short.
var patterns = map[string]pattern{
	info:       {[]step{{true, 80 * ms}, {false, 500 * ms}}, 1, 0},
	attention:  {[]step{{true, 150 * ms}, {false, 150 * ms}, {true, 150 * ms}, {false, 1000 * ms}}, 2, 1},
	moved:      {[]step{{true, 500 * ms}, {false, 250 * ms}, {true, 500 * ms}, {false, 250 * ms}, {true, 500 * ms}, {false, 1000 * ms}}, 5, 2},
	sensorLost: {[]step{{true, 600 * ms}, {false, 200 * ms}, {true, 150 * ms}, {false, 150 * ms}, {true, 150 * ms}, {false, 1000 * ms}}, 5, 2},
}

const (
	// alarmHz is near where small sounders are loudest (common practice, no source).
	alarmHz = 2700
	// The tone rises from farHz at farDeg or more to nearHz at nearDeg.
	farHz, nearHz   = 400, 1600
	farDeg, nearDeg = 5.0, 0.05
	// The beats become faster meanwhile.
	farBeat, nearBeat = 1200 * ms, 120 * ms
	beatOn            = 60 * ms
	// guideFor is how long guidance sounds after the last movement.
	guideFor = 20 * time.Second
	// deafAfter ends guidance that has become old.
	deafAfter = time.Second
	// waitingMost is how many patterns wait behind the one that plays.
	waitingMost = 4
)

// heading is what guidance knows at one moment.
type heading struct {
	at time.Duration
	// known: there is a number. errorDeg is the distance of axis and aim on the
	// night sky, degrees, with its 1 sigma.
	known              bool
	errorDeg, sigmaDeg float64
	moving             bool
}

// player says what to sound at a time. It is not safe for concurrent use; times
// never run backwards.
type player struct {
	now     time.Duration
	playing *pattern
	began   time.Duration // of the playing pattern
	waiting []pattern

	heading heading
	movedAt time.Duration
	moved   bool
	beat    time.Duration // when the running beat began
	beating bool
}

// alarm plays the pattern of a severity: at once when it is worse than what
// plays, else after it.
func (p *player) alarm(now time.Duration, severity string, once bool) {
	p.advance(now)
	n, ok := patterns[severity]
	if !ok {
		n = patterns[moved]
	}
	if once {
		n.repeat = 1
	}
	if p.playing != nil && (once || n.rank <= p.playing.rank) {
		if len(p.waiting) < waitingMost {
			p.waiting = append(p.waiting, n)
		}
		return
	}
	p.playing, p.began = &n, now
}

// guide takes what guidance knows now.
func (p *player) guide(h heading) {
	p.advance(h.at)
	p.heading = h
	if h.moving {
		p.movedAt, p.moved = h.at, true
	}
}

// advance ends patterns that are over.
func (p *player) advance(now time.Duration) {
	p.now = max(p.now, now)
	for p.playing != nil {
		end := p.began + time.Duration(p.playing.repeat)*p.playing.length()
		if p.now < end {
			return
		}
		p.playing = nil
		if len(p.waiting) > 0 {
			next := p.waiting[0]
			p.waiting = p.waiting[1:]
			p.playing, p.began = &next, end
		}
	}
}

func (p *pattern) length() (d time.Duration) {
	for _, s := range p.steps {
		d += s.d
	}
	return d
}

// at is what sounds now, and until when nothing changes by itself; 0: for good.
func (p *player) at(now time.Duration) (t tone, until time.Duration) {
	p.advance(now)
	if p.playing != nil {
		p.beating = false
		return p.playing.at(p.began, p.now)
	}
	if !p.guiding() {
		p.beating = false
		return tone{}, 0
	}
	h := &p.heading
	hz, beat := pitch(h.errorDeg)
	end := min(h.at+deafAfter, p.movedAt+guideFor)
	if h.errorDeg <= max(nearDeg, min(h.sigmaDeg, guidance.VagueDeg)) {
		// As close as can be told: more would be chasing chance. A wider doubt is no
		// reason to stop.
		p.beating = false
		return tone{true, hz}, end
	}
	if !p.beating || p.now >= p.beat+beat {
		p.beating, p.beat = true, p.now
	}
	if p.now < p.beat+beatOn {
		return tone{true, hz}, min(p.beat+beatOn, end)
	}
	return tone{}, min(p.beat+beat, end)
}

// guiding: there is a fresh number, and somebody is turning.
func (p *player) guiding() bool {
	h := &p.heading
	return h.known && p.moved && p.now < h.at+deafAfter && p.now < p.movedAt+guideFor
}

// at is the pattern's tone at now, and when it changes.
func (p *pattern) at(began, now time.Duration) (tone, time.Duration) {
	length := p.length()
	round := (now - began) / length
	end := began + round*length
	for _, s := range p.steps {
		end += s.d
		if now < end {
			return tone{on: s.on, hz: alarmHz}, end
		}
	}
	return tone{}, end
}

// pitch of the guidance tone, and the time from beat to beat, at an error in
// degrees: both are even steps for even ratios of the error.
func pitch(errorDeg float64) (hz float64, beat time.Duration) {
	x := math.Log(farDeg/max(errorDeg, 1e-9)) / math.Log(farDeg/nearDeg)
	x = min(max(x, 0), 1)
	return farHz * math.Pow(nearHz/farHz, x), time.Duration(float64(farBeat) * math.Pow(float64(nearBeat)/float64(farBeat), x))
}
