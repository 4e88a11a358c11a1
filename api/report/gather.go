package report

import (
	"context"
	"encoding/json"
	"math"
	"time"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/daemon/nightlog"
)

const (
	// longestS is the longest time axis, seconds. A night that is longer had a
	// clock that was far off at first: its last part is shown.
	longestS = 36 * 3600
	// gapS is the least time without a sample that counts as a gap: of one sample
	// a second, one may come late.
	gapS = 2.5
	// mostEvents are listed one by one, moves before others.
	mostEvents = 120
	// leastStates are the parts of a night, as shares, that are worth a word.
	leastState = 0.01
)

// night is what was read of one night.
type night struct {
	nightlog.Night
	calibrations []nightlog.Calibration
	with         settings

	columns columns
	// zeroS is where the time axis begins, seconds after Begin.
	zeroS   float64
	spanS   float64 // of the time axis
	samples int
	outside int // samples and events that the time axis does not hold
	states  map[string]int

	noAltitude, noAzimuth, noError int
	first, last                    point
	armed, ended                   point // of the first watch, and before it was left
	gaps                           []gap
	gapCount                       int
	gapTotalS                      float64
	shakiest                       extreme
	warmest, coldest               extreme
	azimuthStart                   float64 // degrees, about which azimuths are unwrapped

	events  []event
	others  map[string]int // events that are not listed, by kind
	steps   []event        // of the clock
	aim     *aim
	noAim   string // key of words
	restful restful
}

// aim is where the axis ought to point.
type aim struct {
	altDeg, azDeg float64
	kind          string
	airGuessed    bool
}

// point is the estimate of one second.
type point struct {
	ok         bool
	tS         float64
	error      nightlog.Angle
	alt, az    nightlog.Angle
	tempC      float64
	state      string
	errorKnown bool
}

type extreme struct {
	ok    bool
	tS, v float64
}

func (e *extreme) see(tS, v float64, above bool) {
	if v == v && (!e.ok || (above && v > e.v) || (!above && v < e.v)) {
		*e = extreme{true, tS, v}
	}
}

// gap is a time without samples, seconds on the time axis.
type gap struct{ from, to float64 }

// event is one line of the table.
type event struct {
	nightlog.StoredEvent
	tS    float64 // on the time axis, when it was first told
	toldS float64 // when it was last told
	count int     // its number in the table, from 1
	// more events of the kind follow, until untilS, at ticks.
	more   int
	untilS float64
	ticks  []float64
	row    int // above the plots, from 1; 0: no room
}

func (e *event) number(key string) (float64, bool) { v, ok := e.Numbers[key]; return v, ok }

// settings is what the report needs of the settings that a night was logged with.
type settings struct {
	Aim      string `json:"aim"`
	Settings struct {
		Air air `json:"air"`
	} `json:"settings"`
	Calibrations []struct {
		ID       int64    `json:"calibration"` // 0: not kept
		Part     string   `json:"part"`
		Board    string   `json:"board"`
		SigmaDeg float64  `json:"sigma_deg"`
		TempC    *float64 `json:"temp_c"`
	} `json:"calibrations"`
}

type air struct {
	PressureHPa *float64 `json:"pressure_hpa"`
	TempC       *float64 `json:"temp_c"`
}

func gather(ctx context.Context, r *nightlog.Reader, id int64) (*night, error) {
	n, err := r.Night(ctx, id)
	if err != nil {
		return nil, err
	}
	d := &night{Night: n, states: map[string]int{}, others: map[string]int{}, azimuthStart: math.NaN()}
	d.spanS = n.End.Sub(n.Begin).Seconds()
	if d.spanS > longestS {
		d.zeroS, d.spanS = d.spanS-longestS, longestS
	}
	d.spanS = max(d.spanS, 60)
	if len(n.Settings) > 0 {
		// Settings of another version are no reason to have no report.
		_ = json.Unmarshal(n.Settings, &d.with)
	}
	d.findAim()
	if d.calibrations, err = r.Calibrations(ctx); err != nil {
		return nil, err
	}
	for e, err := range r.Events(ctx, n.ID) {
		if err != nil {
			return nil, err
		}
		d.takeEvent(e)
	}
	d.sortEvents()
	armedAt, endedAt := d.watchTimes()
	d.restful.begin(d)
	for s, err := range r.Samples(ctx, n.ID) {
		if err != nil {
			return nil, err
		}
		d.take(s, armedAt, endedAt)
	}
	return d, nil
}

// findAim computes the aim from site and settings; without air in the settings
// the standard atmosphere, as the daemon does.
func (d *night) findAim() {
	if d.Site == nil {
		d.noAim = "no-site"
		return
	}
	s := &d.with
	site := astro.Site{LatDeg: d.Site.LatDeg, LonDeg: d.Site.LonDeg, HeightM: d.Site.HeightM}
	air := astro.StandardAir(site.HeightM)
	if s.Settings.Air.PressureHPa != nil {
		air.PressureHPa = *s.Settings.Air.PressureHPa
	}
	if s.Settings.Air.TempC != nil {
		air.TempC = *s.Settings.Air.TempC
	}
	kind := pole.Refracted
	if s.Aim == string(pole.True) {
		kind = pole.True
	}
	alt, az, err := pole.Aim(site, kind, air)
	if err != nil {
		d.noAim = "bad-site"
		return
	}
	d.aim = &aim{altDeg: alt, azDeg: az, kind: string(kind), airGuessed: kind == pole.Refracted && s.Settings.Air.PressureHPa == nil}
}

// take takes one second.
func (d *night) take(s *nightlog.DatedSample, armedAt, endedAt float64) {
	d.samples++
	d.states[s.State]++
	t := s.TS - d.zeroS
	if !(t >= -1) || t > d.spanS+60 {
		d.outside++
		return
	}
	t = max(t, 0)
	p := point{
		ok: true, tS: t, error: s.Error, alt: s.AxisAltitude, az: s.AxisAzimuth, tempC: s.TempC, state: s.State,
		errorKnown: s.Error.Deg == s.Error.Deg && s.Error.SigmaDeg == s.Error.SigmaDeg,
	}
	if p.alt.Deg != p.alt.Deg {
		d.noAltitude++
	}
	if p.az.Deg != p.az.Deg {
		d.noAzimuth++
	}
	if !p.errorKnown {
		d.noError++
	}
	if d.last.ok {
		d.noteGap(d.last.tS, t)
	} else {
		d.first = p
	}
	d.last = p
	if t <= armedAt+5 && p.errorKnown && armedAt >= 0 {
		d.armed = p
	}
	if armedAt >= 0 && t >= armedAt && t <= endedAt && p.errorKnown {
		d.ended = p
	}
	d.warmest.see(t, s.TempC, true)
	d.coldest.see(t, s.TempC, false)
	d.shakiest.see(t, s.VibrationMS2, true)
	c := &d.columns
	c.add(t, altitude, s.AxisAltitude.Deg)
	c.add(t, altitudeSigma, s.AxisAltitude.SigmaDeg)
	c.add(t, azimuth, d.unwrap(s.AxisAzimuth.Deg))
	c.add(t, azimuthSigma, s.AxisAzimuth.SigmaDeg)
	c.add(t, temperature, s.TempC)
	c.add(t, strength, s.StrengthUT)
	c.add(t, vibration, s.VibrationMS2)
	d.restful.take(t, s)
}

// unwrap keeps azimuths within half a turn of the aim, or of the first one.
func (d *night) unwrap(az float64) float64 {
	if az != az {
		return az
	}
	if d.azimuthStart != d.azimuthStart {
		d.azimuthStart = az
		if d.aim != nil {
			d.azimuthStart = d.aim.azDeg
		}
	}
	return d.azimuthStart + math.Remainder(az-d.azimuthStart, 360)
}

// mostGaps are kept for the plot; more are counted.
const mostGaps = 200

func (d *night) noteGap(from, to float64) {
	if to-from <= gapS {
		return
	}
	d.gapCount++
	d.gapTotalS += to - from
	if len(d.gaps) < mostGaps {
		d.gaps = append(d.gaps, gap{from, to})
	}
}

func (d *night) longestGap() (g gap) {
	for _, x := range d.gaps {
		if x.to-x.from > g.to-g.from {
			g = x
		}
	}
	return g
}

// utc is a moment of the time axis.
func (d *night) utc(tS float64) time.Time {
	return d.Begin.Add(time.Duration((tS + d.zeroS) * float64(time.Second)))
}

// takeEvent keeps an event; of a finding that is told again, the newest counts.
func (d *night) takeEvent(s *nightlog.StoredEvent) {
	e := event{StoredEvent: *s, tS: s.TS - d.zeroS, toldS: s.TS - d.zeroS}
	if e.tS < -1 || e.tS > d.spanS+60 {
		d.outside++
		return
	}
	e.tS = max(e.tS, 0)
	if e.Kind == kindClockStep {
		if len(d.steps) < mostEvents {
			d.steps = append(d.steps, e)
		}
	}
	if o := d.before(&e); o != nil {
		tS, began := o.tS, o.Numbers[keyBegan]
		*o = e
		o.tS = tS
		if o.Numbers != nil {
			o.Numbers[keyBegan] = began
		}
		return
	}
	if len(d.events) >= 4*mostEvents && !e.important() {
		d.others[e.Kind]++
		return
	}
	if len(d.events) >= 16*mostEvents {
		d.others[e.Kind]++
		return
	}
	d.events = append(d.events, e)
}

// before is what was told before of the same finding, nil when nothing was. A
// restart counts findings anew, so it must be of about the same time.
func (d *night) before(e *event) *event {
	id, ok := e.number(keyFinding)
	if !ok || id == 0 {
		return nil
	}
	const near = 3 * 3600
	for k := len(d.events) - 1; k >= 0 && e.tS-d.events[k].tS < near; k-- {
		if v, ok := d.events[k].number(keyFinding); ok && v == id {
			return &d.events[k]
		}
	}
	return nil
}

// group joins the minor events of a kind between two important ones.
func (d *night) group() {
	first := map[string]int{}
	kept := d.events[:0]
	for _, e := range d.events {
		if e.important() {
			clear(first)
		} else if k, ok := first[e.Kind]; ok {
			kept[k].join(&e)
			continue
		} else {
			first[e.Kind] = len(kept)
		}
		kept = append(kept, e)
	}
	d.events = kept
}

// join counts another event of the same kind, and keeps the greatest of what it
// measured.
func (e *event) join(o *event) {
	e.more++
	e.untilS = o.tS
	for _, key := range []string{keyShake, keyField} {
		if v, ok := o.number(key); ok && v > e.Numbers[key] {
			e.Numbers[key] = v
		}
	}
	e.ticks = append(e.ticks, o.tS)
}

// sortEvents groups minor events, leaves at most mostEvents and numbers them.
func (d *night) sortEvents() {
	d.group()
	if over := len(d.events) - mostEvents; over > 0 {
		kept := d.events[:0]
		for _, e := range d.events {
			if over > 0 && !e.important() {
				d.others[e.Kind]++
				over--
				continue
			}
			kept = append(kept, e)
		}
		d.events = kept
	}
	if len(d.events) > mostEvents {
		for _, e := range d.events[mostEvents:] {
			d.others[e.Kind]++
		}
		d.events = d.events[:mostEvents]
	}
	for i := range d.events {
		d.events[i].count = i + 1
	}
}

// watchTimes are when the first watch began and the last one ended, on the time
// axis; the first is negative when there was none.
func (d *night) watchTimes() (armedAt, endedAt float64) {
	armedAt, endedAt = -1, d.spanS+60
	for _, e := range d.events {
		switch {
		case e.Kind == kindArmed && armedAt < 0:
			armedAt = e.tS
		case e.Kind == kindArmed:
			endedAt = d.spanS + 60
		case e.Kind == kindDisarmed:
			endedAt = e.tS
		}
	}
	return armedAt, endedAt
}
