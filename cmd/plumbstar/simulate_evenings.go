package main

import (
	"context"
	"math"
	"slices"

	"plumbstar/daemon/scenario"
	"plumbstar/sensors"
)

// eveningRun is what many evenings came to.
type eveningRun struct {
	nights []simNight
	spec   sensors.InertialSpec
}

// runEvenings simulates the evenings of all nights.
func runEvenings(ctx context.Context, e env, f simulateFlags) (*eveningRun, error) {
	board, err := scenario.BoardNamed(f.chips)
	if err != nil {
		return nil, usageError{err}
	}
	places := scenario.Places()
	if f.site != "all" {
		p, err := scenario.PlaceNamed(f.site)
		if err != nil {
			return nil, usageError{err}
		}
		places = []scenario.Place{p}
	}
	r := &eveningRun{}
	r.nights, err = nightly(ctx, e.stderr, f.nights, f.workers, func(k int) (simNight, error) {
		return simulateNight(places[k%len(places)], board, scenario.NightSeed(f.seed, k))
	})
	if err == nil {
		r.spec = r.nights[0].spec
	}
	return r, err
}

// simulateResult is the last line of simulate --json. The first six figures take
// all ways together; evenings apart stand in Ways.
type simulateResult struct {
	Nights int    `json:"nights"`
	Seed   uint64 `json:"seed"`
	Site   string `json:"site"`
	Board  string `json:"board"`

	StarInFinder map[scenario.Way]float64 `json:"star_in_finder"`
	KnobS        spreadOf                 `json:"knob_s"`
	FinalError   percentiles              `json:"final_error_deg"`
	Coverage     coverage                 `json:"coverage95"`
	Beyond       float64                  `json:"steady_beyond_4_sigma"`
	Watch        *watchResult             `json:"watch"`

	Ways     map[scenario.Way]wayResult `json:"ways"`
	States   map[string]coverage        `json:"states"`
	Parts    []partResult               `json:"parts"`
	Settle   settleResult               `json:"settle"`
	Handling handlingResult             `json:"handling"`
}

type spreadOf struct {
	Median float64 `json:"median"`
	P95    float64 `json:"p95"`
}

type percentiles struct {
	P50 float64 `json:"p50"`
	P95 float64 `json:"p95"`
}

// coverage is how often the truth lay within the stated 95 % bound of the
// altitude, of the azimuth, and within the ellipse of both (total: chi-square
// with two degrees of freedom).
type coverage struct {
	Altitude float64 `json:"altitude"`
	Azimuth  float64 `json:"azimuth"`
	Total    float64 `json:"total"`
	Samples  int     `json:"samples"`
}

type wayResult struct {
	StarInFinder float64             `json:"star_in_finder"`
	Aligned      float64             `json:"aligned"`
	KnobS        spreadOf            `json:"knob_s"`
	Turns        float64             `json:"turns_median"`
	FinalError   percentiles         `json:"final_error_deg"`
	AltSigma     float64             `json:"altitude_sigma_deg_median"`
	AzSigma      float64             `json:"azimuth_sigma_deg_median"`
	Coverage     coverage            `json:"coverage95"`
	States       map[string]coverage `json:"states"`
	Beyond       float64             `json:"steady_beyond_4_sigma"`
	BeyondNights float64             `json:"nights_with_steady_beyond_4_sigma"`
}

type partResult struct {
	Part     string  `json:"part"`
	Altitude float64 `json:"altitude,omitempty"`
	Azimuth  float64 `json:"azimuth,omitempty"`
	Samples  int     `json:"samples"`
}

// settleResult times the last standstill of every evening.
type settleResult struct {
	// WhiteNoiseS is how long the chip's white noise must be averaged for 0.02°;
	// NoiseS when the altitude, root mean square over all evenings, has come that
	// near to its value at the end.
	WhiteNoiseS float64 `json:"white_noise_s"`
	NoiseS      float64 `json:"noise_0_02_deg_s"`
	// StatedS is the same by the stated noise, SteadyS the time to "steady".
	StatedS spreadOf `json:"stated_noise_s"`
	SteadyS spreadOf `json:"steady_s"`
}

type handlingResult struct {
	// Shares of nights: the bench calibration was refused and repeated, or was
	// never accepted; of evenings: a turn of the head or of the mount was refused.
	BenchRepeated float64        `json:"bench_repeated"`
	Uncalibrated  float64        `json:"uncalibrated"`
	HeadRefused   float64        `json:"head_turn_refused"`
	TurnRefused   float64        `json:"mount_turn_refused"`
	Checked       float64        `json:"turn_checked"`
	Sightings     map[string]int `json:"sightings"`
}

// result gathers the figures.
func (r *eveningRun) result(f simulateFlags) simulateResult {
	res := simulateResult{
		Nights: f.nights, Seed: f.seed, Site: f.site, Board: f.chips,
		StarInFinder: map[scenario.Way]float64{}, Ways: map[scenario.Way]wayResult{},
	}
	all := newTally()
	for k, way := range scenario.Ways() {
		t := newTally()
		for i := range r.nights {
			t.add(&r.nights[i].outcomes[k])
			all.add(&r.nights[i].outcomes[k])
		}
		res.Ways[way] = t.way()
		res.StarInFinder[way] = res.Ways[way].StarInFinder
	}
	a := all.way()
	res.KnobS, res.FinalError, res.Coverage, res.Beyond, res.States = a.KnobS, a.FinalError, a.Coverage, a.Beyond, a.States
	res.Parts = all.partResults()
	res.Settle = all.settle(r.spec)
	res.Handling = r.handling(all)
	return res
}

func (r *eveningRun) handling(all *tally) handlingResult {
	h := handlingResult{Sightings: all.sightings}
	n := float64(len(r.nights))
	for i := range r.nights {
		x := &r.nights[i]
		h.BenchRepeated += float64(min(x.repeats, 1)) / n
		if !x.accel || !x.compass {
			h.Uncalibrated += 1 / n
		}
	}
	h.BenchRepeated, h.Uncalibrated = round(h.BenchRepeated, 4), round(h.Uncalibrated, 4)
	h.HeadRefused = round(share(all.headRefused, all.evenings), 4)
	h.TurnRefused = round(share(all.turnRefused, len(r.nights)), 4)
	h.Checked = round(share(all.checked, len(r.nights)), 4)
	return h
}

// tally adds evenings up.
type tally struct {
	evenings, stars, aligned int
	headRefused, turnRefused int
	checked                  int
	steady, beyond, beyondIn int
	knob, turns, final       []float64
	altSigma, azSigma        []float64
	stated, toSteady         []float64
	noise2, noiseN           [scenario.NoiseSteps]float64
	states                   map[string]*counter
	parts                    map[string]*counter
	partNames                []string
	sightings                map[string]int
}

func newTally() *tally {
	return &tally{states: map[string]*counter{}, parts: map[string]*counter{}, sightings: map[string]int{}}
}

// counter counts truths within bounds.
type counter struct{ alt, altN, az, azN, both, bothN int }

func (c *counter) add(alt, az scenario.Miss) {
	for _, x := range []struct {
		m     scenario.Miss
		in, n *int
	}{{alt, &c.alt, &c.altN}, {az, &c.az, &c.azN}} {
		if x.m.Known {
			*x.n++
			if x.m.Within() {
				*x.in++
			}
		}
	}
	if o := (scenario.Observation{Altitude: alt, Azimuth: az}); o.Known() {
		c.bothN++
		if o.Within() {
			c.both++
		}
	}
}

func (c *counter) join(d *counter) {
	c.alt, c.altN, c.az, c.azN, c.both, c.bothN = c.alt+d.alt, c.altN+d.altN, c.az+d.az, c.azN+d.azN, c.both+d.both, c.bothN+d.bothN
}

func (c *counter) coverage() coverage {
	return coverage{round(share(c.alt, c.altN), 4), round(share(c.az, c.azN), 4), round(share(c.both, c.bothN), 4), max(c.altN, c.azN)}
}

func (t *tally) add(o *scenario.Outcome) {
	t.evenings++
	t.stars += one(o.StarInFinder)
	t.aligned += one(o.Aligned)
	t.checked += one(o.Checked)
	t.headRefused += min(o.HeadRefused, 1)
	t.turnRefused += min(o.TurnRefused, 1)
	t.steady += o.Steady
	t.beyond += o.Beyond
	t.beyondIn += min(o.Beyond, 1)
	t.knob = append(t.knob, o.KnobS)
	t.turns = append(t.turns, float64(o.Turns))
	t.final = append(t.final, o.FinalDeg)
	t.altSigma = appendKnown(t.altSigma, o.Final.Altitude)
	t.azSigma = appendKnown(t.azSigma, o.Final.Azimuth)
	t.stated = append(t.stated, o.ToNoiseS)
	t.toSteady = append(t.toSteady, o.ToSteadyS)
	for k, d := range o.Noise {
		if d == d {
			t.noise2[k] += d * d
			t.noiseN[k]++
		}
	}
	for state, x := range o.Samples {
		at(t.states, state).add(x.Altitude, x.Azimuth)
	}
	for _, p := range o.Parts {
		if t.parts[p.Name] == nil {
			t.partNames = append(t.partNames, p.Name)
		}
		at(t.parts, p.Name).add(p.Altitude, p.Azimuth)
	}
	if o.SightTaken {
		t.sightings[o.Sight]++
	}
}

func appendKnown(list []float64, m scenario.Miss) []float64 {
	if m.Known {
		return append(list, m.SigmaDeg)
	}
	return list
}

func at(m map[string]*counter, key string) *counter {
	if m[key] == nil {
		m[key] = &counter{}
	}
	return m[key]
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (t *tally) way() wayResult {
	w := wayResult{
		StarInFinder: round(share(t.stars, t.evenings), 4), Aligned: round(share(t.aligned, t.evenings), 4),
		KnobS: spreadOf{quantile(t.knob, 0.5, 1), quantile(t.knob, 0.95, 1)}, Turns: quantile(t.turns, 0.5, 0),
		FinalError: percentiles{quantile(t.final, 0.5, 3), quantile(t.final, 0.95, 3)},
		AltSigma:   quantile(t.altSigma, 0.5, 3), AzSigma: quantile(t.azSigma, 0.5, 3),
		States: map[string]coverage{},
		Beyond: round(share(t.beyond, t.steady), 6), BeyondNights: round(share(t.beyondIn, t.evenings), 4),
	}
	var sum counter
	for _, state := range scenario.States() {
		if c := t.states[state]; c != nil {
			sum.join(c)
			w.States[state] = c.coverage()
		}
	}
	w.Coverage = sum.coverage()
	return w
}

func (t *tally) partResults() []partResult {
	out := []partResult{}
	for _, name := range t.partNames {
		c := t.parts[name].coverage()
		out = append(out, partResult{name, c.Altitude, c.Azimuth, c.Samples})
	}
	return out
}

// settledDeg is the noise of altitude that counts as settled.
const settledDeg = 0.02

func (t *tally) settle(spec sensors.InertialSpec) settleResult {
	// The mean of white noise of this density over T has the variance n²/(2T).
	sigma := settledDeg * math.Pi / 180 * sensors.StandardGravity
	s := settleResult{
		WhiteNoiseS: round(spec.AccelNoise*spec.AccelNoise/(2*sigma*sigma), 3),
		StatedS:     spreadOf{quantile(t.stated, 0.5, 2), quantile(t.stated, 0.95, 2)},
		SteadyS:     spreadOf{quantile(t.toSteady, 0.5, 2), quantile(t.toSteady, 0.95, 2)},
	}
	// The first time from which on it stays below.
	for k := scenario.NoiseSteps - 1; k >= 0; k-- {
		if t.noiseN[k] == 0 || math.Sqrt(t.noise2[k]/t.noiseN[k]) > settledDeg {
			break
		}
		s.NoiseS = round(float64(k)*scenario.NoiseStep.Seconds(), 2)
	}
	return s
}

// quantile of what is known, by the nearest rank.
func quantile(list []float64, q float64, digits int) float64 {
	v := slices.DeleteFunc(slices.Clone(list), math.IsNaN)
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return round(v[int(q*float64(len(v)-1)+0.5)], digits)
}
