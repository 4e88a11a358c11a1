package main

import (
	"context"
	"fmt"
	"io"
	"runtime"

	"github.com/spf13/cobra"
)

// simulateFlags are the options of simulate.
type simulateFlags struct {
	nights  int
	seed    uint64
	json    bool
	workers int
	watch   bool
	board   string
}

func newSimulateCommand(e env) *cobra.Command {
	var f simulateFlags
	c := &cobra.Command{
		Use:   "simulate --watch",
		Short: "Simulate many nights and count how well the program did",
		Long: `Simulate many nights and count how well the program did.

With --watch: ten hours each of an aligned tracker that is knocked and whose legs
sink, in a cold that falls by 15 °C, with wind, footsteps and machines about, and
a sensor that drifts as its data sheet says. Everything follows from the seed,
however many nights run at a time.`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return simulate(cmd.Context(), e, f) },
	}
	fl := c.Flags()
	fl.IntVar(&f.nights, "nights", 100, "how many nights")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of everything that is left to chance")
	fl.BoolVar(&f.json, "json", false, "end with one line of JSON instead of a table")
	fl.IntVar(&f.workers, "workers", 0, "nights at a time; 0: as many as there are processors")
	fl.BoolVar(&f.watch, "watch", false, "nights of an aligned tracker under watch")
	fl.StringVar(&f.board, "board-on", "body", "with --watch: where the board sits, body or head")
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
	if !f.watch {
		return usagef("simulate: say what: --watch")
	}
	return simulateWatch(ctx, e, f)
}

// nightly runs a function for each of n nights, several at a time, and gives the
// results in the order of the nights. Progress goes to w.
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
	shown := -1
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
		if percent := 100 * k / n; percent != shown {
			shown = percent
			fmt.Fprintf(w, "\r%3d %% of %d nights", percent, n)
		}
	}
	fmt.Fprint(w, "\r\033[K")
	return out, nil
}
