package scenario

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// Way is how a person comes to know the direction on an evening.
type Way string

const (
	// Compass is the compass as it was calibrated on the bench.
	Compass Way = "compass"
	// TurnCheck adds a turn of the mount in azimuth, compass against gyroscope.
	TurnCheck Way = "turn_check"
	// Sighting adds one sighting after the first alignment by compass.
	Sighting Way = "sighting"
)

// Ways are all of them.
func Ways() []Way { return []Way{Compass, TurnCheck, Sighting} }

// Turn is a turn by which the program calibrates.
type Turn string

const (
	HeadTurn  Turn = "head"  // the tracker's head, for its axis
	MountTurn Turn = "mount" // the mount in azimuth, for the compass
)

// Program is what a person asks of the program beside its guidance.
type Program interface {
	// Begin tells that a turn will follow a rest; Finish has what was seen since
	// put to use, or says why not.
	Begin(Turn) error
	Finish() error
	// Seen tells where the axis points, as a sighting has it now.
	Seen(Sight) error
	// Corrected is what the program makes of the sensors.
	Corrected() Corrected
}

// Sight is the result of a sighting: degrees, 1 sigma.
type Sight struct {
	Kind              string
	Altitude, Azimuth Reading
}

// Evening is one night of `simulate`: calibrated on the bench, carried outdoors
// and set up in one of the ways. The same seed has the same chips and conditions
// in every way.
type Evening struct {
	*Night
	Way        Way
	Conditions Conditions

	begin   time.Duration // the tripod was put down
	program Program
	chance  *rand.Rand // of this way
	stage   func(now time.Duration, v View)
	since   time.Duration // when the stage began
	begun   bool          // a turn was announced
	tries   int
	sighted bool
	ended   bool
	visit   *visit
	warned  time.Duration // since when the program warns of the field; 0: it does not
	// Outcome is complete when Ended.
	Outcome Outcome
}

// NewEvening makes an evening on the bench. Everything about it follows from
// seed, place and board.
func NewEvening(p Place, b Board, seed uint64, way Way) (*Evening, error) {
	f, err := fieldAt(p)
	if err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(seed, 0x6576656e696e67))
	c := drawConditions(f, rng)
	n, err := newNight(p, b, seed, 1, rng, c.Crooked, r3.Add(c.Bare, c.Bench))
	if err != nil {
		return nil, err
	}
	n.World.setTemp(func(time.Duration) float64 { return c.BenchC })
	return &Evening{Night: n, Way: way, Conditions: c}, nil
}

// Handling draws how the board is treated on the bench, worse at first.
func (e *Evening) Handling(attempt int) Handling {
	h := drawHandling(e.rng)
	if attempt > 0 {
		// Told what was missing, the person takes the time.
		h = GoodHandling()
	}
	return h
}

// SetUp carries the board outdoors, which was on the bench until leaves: it cools
// down, is put on the tripod near iron, and gets its supply again.
func (e *Evening) SetUp(leaves time.Duration, program Program) {
	c := &e.Conditions
	e.Clock.Sleep(leaves + c.Outdoors - e.Clock.Now())
	e.begin, e.program = e.Clock.Now(), program
	for k, w := range Ways() {
		if w == e.Way {
			e.chance = rand.New(rand.NewPCG(e.Seed, uint64(k+1)))
		}
	}
	alt, az := e.aim()
	e.Mount = newMount(e.path, alt+c.AltErrorDeg, az+c.AzErrorDeg, c.LeanDeg, c.LeanAzDeg, c.BacklashDeg)
	e.Hands = newHands(e.Mount, e.chance, drawHabits(e.chance))
	v := drawVisit(e.begin, e.chance)
	w := e.World
	w.mu.Lock()
	w.fieldUT, w.ironUT = r3.Add(c.Bare, c.Outside), c.Iron
	w.temp = func(t time.Duration) float64 { return c.boardC(t - leaves) }
	if e.visit = v; v != nil {
		w.visitor = v.at
	}
	w.mu.Unlock()
	e.Bus.Unplug()
	e.Bus.Replug()
	e.Outcome = newOutcome(e.Way)
	e.enter(e.begin, e.arrive)
}

// Ended reports that the person is done.
func (e *Evening) Ended() bool { return e.ended }

// Look shows the person what the program says at now; call it with every new
// View.
func (e *Evening) Look(now time.Duration, v View) {
	e.observe(v)
	e.heed(now, v)
	e.stage(now, v)
}

// heed puts away what the program warns of.
func (e *Evening) heed(now time.Duration, v View) {
	switch {
	case !v.Disturbed:
		e.warned = 0
	case e.warned == 0:
		e.warned = now
	case e.visit != nil && now-e.warned > putsAway:
		e.visit.leave(now)
	}
}

func (e *Evening) enter(now time.Duration, stage func(time.Duration, View)) {
	e.stage, e.since = stage, now
}

// Times of the person beside the turns (common practice, no source).
const (
	arrives   = 3 * time.Second // before the first thing is done
	breath    = time.Second     // between two things
	restAfter = 2 * time.Second // after a turn for calibrating
	patience  = 5 * time.Minute // of turning knobs
	lastLook  = 20 * time.Second
	sightTime = 2 * time.Second // at rest before a sighting counts
	maxTries  = 3
	refusal   = 5 * time.Second // of a turn, before another way is taken
	putsAway  = 3 * time.Second // after a warning of the field
)

// ready announces a turn, waits until the program has seen the tripod stand,
// and reports when the turn may begin, or that the program goes on refusing it.
func (e *Evening) ready(now time.Duration, v View, t Turn) (ready, refused bool) {
	if !e.begun {
		if !v.Still {
			return false, false
		}
		if e.program.Begin(t) != nil {
			return false, now-e.since > refusal
		}
		e.begun, e.since = true, now
	}
	return v.Still && now-e.since >= arrives, false
}

// finishTurn has a turn put to use; done when it succeeded or was tried often
// enough.
func (e *Evening) finishTurn() (ok, done bool) {
	ok = e.program.Finish() == nil
	e.begun = false
	if e.tries++; ok || e.tries == maxTries {
		e.tries = 0
		return ok, true
	}
	return false, false
}

// arrive turns the head, there and back.
func (e *Evening) arrive(now time.Duration, v View) {
	ready, refused := e.ready(now, v, HeadTurn)
	if refused {
		e.Outcome.HeadRefused++
		e.afterHead(now)
	}
	if !ready {
		return
	}
	arc := math.Copysign(90+90*e.chance.Float64(), e.chance.Float64()-0.5)
	takes := time.Duration((4 + 4*e.chance.Float64()) * float64(time.Second))
	e.Mount.TurnHead(now, takes, arc)
	e.Mount.TurnHead(now+takes+breath, takes, -arc)
	e.enter(e.path.End()+restAfter, e.headTurned)
}

func (e *Evening) headTurned(now time.Duration, _ View) {
	if now < e.since {
		return
	}
	ok, done := e.finishTurn()
	if !ok {
		e.Outcome.HeadRefused++
	}
	if !done {
		e.enter(now, e.arrive)
		return
	}
	e.afterHead(now)
}

func (e *Evening) afterHead(now time.Duration) {
	if e.Way == TurnCheck {
		e.enter(now, e.turnMount)
		return
	}
	e.Hands.Resume(now)
	e.enter(now, e.align)
}

// turnMount turns the mount in azimuth by hand, there and back.
func (e *Evening) turnMount(now time.Duration, v View) {
	ready, refused := e.ready(now, v, MountTurn)
	if refused {
		e.Outcome.TurnRefused++
		e.Hands.Resume(now)
		e.enter(now, e.align)
	}
	if !ready {
		return
	}
	arc := math.Copysign(100+90*e.chance.Float64(), e.chance.Float64()-0.5)
	rate := 8 + 10*e.chance.Float64()
	takes := time.Duration(math.Abs(arc) / rate * float64(time.Second))
	e.Mount.TurnAzimuth(now, takes, arc)
	e.Mount.TurnAzimuth(now+takes+breath, takes, -arc*(1+0.03*e.chance.NormFloat64()))
	e.enter(e.path.End()+restAfter, e.mountTurned)
}

func (e *Evening) mountTurned(now time.Duration, _ View) {
	if now < e.since {
		return
	}
	ok, done := e.finishTurn()
	if !ok {
		e.Outcome.TurnRefused++
	}
	if !done {
		e.enter(now, e.turnMount)
		return
	}
	e.Outcome.Checked = ok
	e.Hands.Resume(now)
	e.enter(now, e.align)
}

// align follows the guidance.
func (e *Evening) align(now time.Duration, v View) {
	e.Hands.See(now, v.Screen)
	done, _ := e.Hands.Done()
	if !done && now-e.since < patience {
		return
	}
	e.Outcome.Aligned = done
	if e.Way == Sighting && !e.sighted {
		e.chooseSight(now)
		return
	}
	e.enter(now, e.hold)
}

// hold leaves the tripod alone and looks a last time.
func (e *Evening) hold(now time.Duration, v View) {
	if now-e.since < lastLook {
		return
	}
	e.ended = true
	e.finish(v)
}

// NightSeed is the seed of night k of a run: neighbouring runs share no nights
// (the output function of SplitMix64; Steele, Lea and Flood, 2014).
func NightSeed(run uint64, k int) uint64 {
	z := run*0x9e3779b97f4a7c15 + uint64(k)*0xd1342543de82ef95
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}
