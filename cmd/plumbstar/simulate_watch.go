package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro/trail"
	"plumbstar/daemon/scenario"
	"plumbstar/daemon/watch"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// What happens in a simulated night under watch.
const (
	faultsShown = 20
	watchKnocks = 4
	// watchSinkEvery is in how many nights one leg sinks.
	watchSinkEvery = 2
	// watchNodDeg is how well the axis of a board on the head is known.
	watchNodDeg = 0.05
)

// watchResult is the watch part of simulate --json.
type watchResult struct {
	Knocks   int     `json:"knocks"`
	SeenIn   float64 `json:"seen_in_2s"`
	False    float64 `json:"false_alarms_per_100_nights"`
	Delay    delays  `json:"delay_s"`
	Sinks    int     `json:"sinking_legs"`
	Found    float64 `json:"found_before_0_1_deg"`
	FoundDeg delays  `json:"sunk_when_found_deg"`
	Coverage struct {
		Knocks float64 `json:"knocks"`
		Sinks  float64 `json:"sinking_legs"`
	} `json:"size_within_95"`
}

type delays struct {
	Median float64 `json:"median"`
	P99    float64 `json:"p99"`
	Worst  float64 `json:"worst"`
}

// watchOutput is one line of JSON; the other parts of simulate are absent.
type watchOutput struct {
	Nights int         `json:"nights"`
	Seed   uint64      `json:"seed"`
	Watch  watchResult `json:"watch"`
}

func simulateWatch(ctx context.Context, e env, f simulateFlags) error {
	if f.board != "body" && f.board != "head" {
		return usagef("--board-on %q: choose body or head", f.board)
	}
	all, err := runWatchNights(ctx, e.stderr, f)
	if err != nil {
		return err
	}
	r := watchResultOf(all, f.nights)
	if f.json {
		out := newLineWriter(e.stdout)
		out.encode(watchOutput{Nights: f.nights, Seed: f.seed, Watch: r})
		return out.flush()
	}
	for i, x := range all.Faults {
		if i == faultsShown {
			fmt.Fprintf(e.stdout, "and %d more\n\n", len(all.Faults)-i)
			break
		}
		fmt.Fprintf(e.stdout, "night with seed %d: %s\n", x.Seed, x.What)
	}
	_, err = fmt.Fprintf(e.stdout, `%d nights of 10 h, 15 °C colder in the morning, seed %d

knocks of 0.05° or more        %d
  seen within 2 s              %.3f %%
  seen after                   %.2f s (median), %.2f s (99 %%), %.2f s (latest)
  size inside its 95 %% bound   %.1f %%
legs sinking 0.1° in an hour   %d
  found before 0.1°            %.2f %%
  found at                     %.3f° (median), %.3f° (99 %%), %.3f° (latest)
  size inside its 95 %% bound   %.1f %%
false alarms in 100 nights     %.2f
`, f.nights, f.seed, r.Knocks, 100*r.SeenIn, r.Delay.Median, r.Delay.P99, r.Delay.Worst, 100*r.Coverage.Knocks,
		r.Sinks, 100*r.Found, r.FoundDeg.Median, r.FoundDeg.P99, r.FoundDeg.Worst, 100*r.Coverage.Sinks, r.False)
	return err
}

// runWatchNights simulates nights under watch and counts. The result depends on
// seed and number of nights alone.
func runWatchNights(ctx context.Context, progress io.Writer, f simulateFlags) (*scenario.WatchScore, error) {
	inertial, magnetic, err := simulatedSpecs()
	if err != nil {
		return nil, err
	}
	scores, err := nightly(ctx, progress, f.nights, f.workers, func(i int) (*scenario.WatchScore, error) {
		return watchNight(ctx, f, i, inertial, magnetic)
	})
	if err != nil {
		return nil, err
	}
	all := &scenario.WatchScore{}
	for _, s := range scores {
		all.Add(s)
	}
	return all, nil
}

// simulatedSpecs are the data sheets of the simulated chips, as their drivers
// state them.
func simulatedSpecs() (sensors.InertialSpec, sensors.MagneticSpec, error) {
	clock := &sim.Clock{}
	bus := sim.NewBus("simulated I2C", clock, sim.Adapter{})
	const inertial, magnetic = 0x6a, 0x30
	world := sim.Still{FieldUT: r3.Vec{X: 19, Z: -45}, TempC: sim.ReferenceC}
	none := func(err error) (sensors.InertialSpec, sensors.MagneticSpec, error) {
		return sensors.InertialSpec{}, sensors.MagneticSpec{}, err
	}
	if err := bus.Attach(inertial, sim.NewLSM6DSO(world, sim.Settings{})); err != nil {
		return none(err)
	}
	if err := bus.Attach(magnetic, sim.NewMMC5983MA(world, sim.Settings{})); err != nil {
		return none(err)
	}
	imu, err := openInertial("LSM6DSO", bus, inertial, clock, 100)
	if err != nil {
		return none(err)
	}
	mag, err := openMagnetometer("MMC5983MA", bus, magnetic, clock, 50)
	if err != nil {
		return none(err)
	}
	return imu.Spec(), mag.Spec(), nil
}

// watchNight is one night: every alarm is acknowledged once it is told in full.
func watchNight(ctx context.Context, f simulateFlags, i int, inertial sensors.InertialSpec, magnetic sensors.MagneticSpec) (*scenario.WatchScore, error) {
	o := scenario.WatchOptions{Knocks: watchKnocks, OnHead: f.board == "head"}
	if i%watchSinkEvery == 1 {
		o.Sinks = 1
	}
	n := scenario.NewWatchNight(f.seed*1_000_003+uint64(i), o)
	score := n.Score()
	w := watch.New(watch.Options{Inertial: inertial, Magnetic: magnetic, NodSigmaDeg: watchNodDeg})
	kit := trail.Kit{FocalMM: 135, PixelUM: 4.3, TrailPx: 2}
	allow := watch.Allowance{
		Lens: "135 mm", ExposureS: 120, BlurDeg: kit.PixelUM / 1000 / kit.FocalMM / 2 * 180 / math.Pi,
		LongestS: func(deg float64) float64 { return kit.LongestS(60 * deg) },
	}
	armed := false
	for k := 0; ; k++ {
		b, ok := n.NextBlock()
		if !ok {
			break
		}
		if k%100_000 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if !armed && b.At > scenario.WatchArm {
			armed = true
			w.Arm(watch.Reference{Known: true, UpSigmaDeg: 0.02, EastSigmaDeg: 0.02}, allow)
		}
		w.Block(watch.Block(b))
		for x, ok := w.Next(); ok; x, ok = w.Next() {
			score.Take(scenario.WatchReport{
				ID: x.ID, Creep: x.Kind == watch.Creep, Alarm: x.Alarm, Final: x.Final,
				Start: x.Start, SeenAt: x.SeenAt,
				UpDeg: x.Move.UpDeg, UpSigmaDeg: x.Move.UpSigmaDeg,
				EastDeg: x.Move.EastDeg, EastSigmaDeg: x.Move.EastSigmaDeg,
			})
			if x.Final && x.Alarm {
				w.Acknowledge()
			}
		}
	}
	score.Close()
	return score, nil
}

func watchResultOf(s *scenario.WatchScore, nights int) watchResult {
	r := watchResult{
		Knocks: s.Knocks, SeenIn: round(share(s.Seen, s.Knocks), 5),
		False: round(100*float64(s.FalseAlarms)/float64(nights), 3),
		Delay: delaysOf(s.Delays), Sinks: s.Sinks, Found: round(share(s.Found, s.Sinks), 5), FoundDeg: delaysOf(s.FoundAtDeg),
	}
	r.Coverage.Knocks = round(share(s.KnockCovered, s.KnockSized), 4)
	r.Coverage.Sinks = round(share(s.SinkCovered, s.SinkSized), 4)
	return r
}

func share(part, whole int) float64 {
	if whole == 0 {
		return 0
	}
	return float64(part) / float64(whole)
}

func delaysOf(list []float64) delays {
	if len(list) == 0 {
		return delays{}
	}
	s := slices.Sorted(slices.Values(list))
	at := func(p float64) float64 { return round(s[int(p*float64(len(s)-1)+0.5)], 3) }
	return delays{Median: at(0.5), P99: at(0.99), Worst: at(1)}
}
