package main

import (
	"context"
	"fmt"
	"io"
	"runtime"

	"github.com/spf13/cobra"

	"plumbstar/daemon/scenario"
)

// simulateFlags are the options of simulate.
type simulateFlags struct {
	nights  int
	seed    uint64
	json    bool
	workers int
	watch   bool
	evening bool
	board   string // where it sits, under watch
	site    string
	chips   string
}

func newSimulateCommand(e env) *cobra.Command {
	var f simulateFlags
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Simulate many nights and count how well the program did",
		Long: `Simulate many nights and count how well the program did: the real drivers over
simulated chips, the whole daemon, and a person with cold hands.

Evenings: the board is calibrated on the bench, well or hastily; carried into the
cold; put on a tripod that is not level, near steel, with iron on the mount that
was not there before; the head is turned to find its axis; the person follows the
guidance, turns the wrong way now and then, overshoots, bumps the tripod. Each
night happens three times: by compass, with a turn check, with one sighting. The
star is in the finder when the axis is within 3° of the aim.

Watch: ten hours of an aligned tracker that is knocked and whose legs sink, in a
cold that falls by 15 °C, with wind, footsteps and machines about, and a sensor
that drifts as its data sheet says.

--evenings or --watch alone leaves the other out. Everything follows from the
seed, however many nights run at a time.`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return simulate(cmd.Context(), e, f) },
	}
	fl := c.Flags()
	fl.IntVar(&f.nights, "nights", 100, "how many nights")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of everything that is left to chance")
	fl.BoolVar(&f.json, "json", false, "end with one line of JSON instead of a table")
	fl.IntVar(&f.workers, "workers", 0, "nights at a time; 0: as many as there are processors")
	fl.StringVar(&f.site, "site", "all", "invented site of the evenings: larkmoor (north), dry-lagoon (south), or all by turns")
	fl.StringVar(&f.chips, "board", scenario.DefaultBoard, "chips of the evenings' board: inertial chip, +, magnetometer; or mpu9250")
	fl.BoolVar(&f.evening, "evenings", false, "only the evenings")
	fl.BoolVar(&f.watch, "watch", false, "only the nights under watch")
	fl.StringVar(&f.board, "board-on", "body", "under watch: where the board sits, body or head")
	return c
}

func simulate(ctx context.Context, e env, f simulateFlags) error {
	if f.nights < 1 || f.nights > 1_000_000 {
		return usagef("--nights %d: give 1 to 1000000", f.nights)
	}
	if f.workers < 0 {
		return usagef("--workers %d: give 0 or more", f.workers)
	}
	if f.workers == 0 {
		f.workers = runtime.GOMAXPROCS(0)
	}
	if f.watch && !f.evening {
		return simulateWatch(ctx, e, f)
	}
	if f.board != "body" && f.board != "head" {
		return usagef("--board-on %q: choose body or head", f.board)
	}
	run, err := runEvenings(ctx, e, f)
	if err != nil {
		return err
	}
	res := run.result(f)
	if f.watch || !f.evening {
		all, err := runWatchNights(ctx, e.stderr, f)
		if err != nil {
			return err
		}
		w := watchResultOf(all, f.nights)
		res.Watch = &w
	}
	if f.json {
		out := newLineWriter(e.stdout)
		out.encode(res)
		return out.flush()
	}
	return printSimulation(e.stdout, res)
}

// nightly runs a function for each of n nights, several at a time, and gives the
// results in the order of the nights. When w is a terminal, progress goes there.
func nightly[T any](ctx context.Context, w io.Writer, n, workers int, night func(i int) (T, error)) ([]T, error) {
	type result struct {
		i   int
		v   T
		err error
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	next, done := make(chan int), make(chan result)
	go func() {
		defer close(next)
		for i := range n {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	}()
	for range workers {
		go func() {
			for i := range next {
				v, err := night(i)
				select {
				case done <- result{i, v, err}:
				case <-ctx.Done():
					return
				}
			}
		}()
	}
	out := make([]T, n)
	bar := newBar(w, n)
	for k := 1; k <= n; k++ {
		select {
		case r := <-done:
			if r.err != nil {
				return nil, fmt.Errorf("night %d: %w", r.i, r.err)
			}
			out[r.i] = r.v
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		bar.show(k)
	}
	bar.clear()
	return out, nil
}
