//go:build linux

package main

import (
	"bufio"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// use is what the program has taken of the machine since its start, or holds now.
type use struct {
	at      time.Time
	cpu     time.Duration
	wakeUps uint64 // how often a thread had waited and went on: voluntary switches
	threads int
	rssMB   float64
	peakMB  float64 // the most that it was
	ownMB   float64 // of rssMB, what are no pages of the program file
}

// use reads /proc (proc(5)) and the processor clock of the process
// (clock_getcpuclockid(3)). A thread that ends takes its count along: those of the Go
// runtime stay.
func (p *program) use() (use, error) {
	pid := p.cmd.Process.Pid
	u := use{at: time.Now()}
	var t unix.Timespec
	// The clock's number of a process, as the kernel's posix-timers.h makes it.
	const schedClock = 2
	if err := unix.ClockGettime(int32(^pid<<3|schedClock), &t); err != nil {
		return u, fmt.Errorf("the processor clock of the program: %w", err)
	}
	u.cpu = time.Duration(t.Nano())
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/status", pid))
	if err != nil || len(tasks) == 0 {
		return u, errors.Join(errors.New("the program has no threads"), err)
	}
	u.threads = len(tasks)
	for _, name := range tasks {
		var voluntary uint64
		if err := fields(name, map[string]any{"voluntary_ctxt_switches": &voluntary}); err != nil {
			return u, err
		}
		u.wakeUps += voluntary
	}
	of := map[string]any{"VmRSS": &u.rssMB, "VmHWM": &u.peakMB, "RssAnon": &u.ownMB}
	if err := fields(fmt.Sprintf("/proc/%d/status", pid), of); err != nil {
		return u, err
	}
	for _, kb := range []*float64{&u.rssMB, &u.peakMB, &u.ownMB} {
		*kb *= 1024 / 1e6
	}
	return u, nil
}

// fields reads numbers from a file of lines "name: number"; it takes what it found
// out of want.
func fields(file string, want map[string]any) error {
	b, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(b)) {
		name, text, _ := strings.Cut(line, ":")
		if into, ok := want[name]; ok {
			if _, err := fmt.Sscan(text, into); err != nil {
				return fmt.Errorf("%s: %q: %w", file, line, err)
			}
			delete(want, name)
		}
	}
	if len(want) > 0 {
		return fmt.Errorf("%s: no line for %q", file, slices.Sorted(maps.Keys(want)))
	}
	return nil
}

// over is what the program uses while d passes.
func (p *program) over(d time.Duration) (rate, use, error) {
	before, err := p.use()
	if err != nil {
		return rate{}, use{}, err
	}
	time.Sleep(d)
	after, err := p.use()
	if err != nil {
		return rate{}, use{}, err
	}
	s := after.at.Sub(before.at).Seconds()
	return rate{
		cpu:     (after.cpu - before.cpu).Seconds() / s,
		wakeUps: float64(after.wakeUps-before.wakeUps) / s,
	}, after, nil
}

// rate is use per second.
type rate struct{ cpu, wakeUps float64 }

// text says a rate; mips is how many million instructions a second of processor time
// stand for, 0 when that is not known.
func (r rate) text(mips float64) string {
	s := fmt.Sprintf("%.1f %% of a core", 100*r.cpu)
	if mips > 0 {
		s += fmt.Sprintf(" (%.1f million instructions/s)", r.cpu*mips)
	}
	return fmt.Sprintf("%s, %.0f wake-ups/s", s, r.wakeUps)
}

// cost measures what the program takes while nobody listens and while one does.
func (g *guest) cost() (string, error) {
	const span = 20 * time.Second
	idle, _, err := g.prog.over(span)
	if err != nil {
		return "", err
	}
	stop, err := listen()
	if err != nil {
		return "", err
	}
	one, now, err := g.prog.over(span)
	n := stop()
	if err != nil {
		return "", err
	}
	text := fmt.Sprintf("nobody listens: %s; one listener: %s; %d threads; %s", idle.text(g.plan.MIPS), one.text(g.plan.MIPS), now.threads, now.memory())
	if n == 0 {
		return "", fmt.Errorf("the listener heard nothing: %s", text)
	}
	return text, g.small(now)
}

func (u use) memory() string {
	return fmt.Sprintf("%.1f MB resident, %.1f MB at most, %.1f MB of it beside the program file", u.rssMB, u.peakMB, u.ownMB)
}

// small holds the program to its promise of memory.
func (g *guest) small(u use) error {
	if most := g.plan.MostMB; u.peakMB > most {
		return fmt.Errorf("%s: %.0f MB are promised", u.memory(), most)
	}
	return nil
}

// listen follows the live stream until stop, which says how many updates came.
func listen() (stop func() int, err error) {
	r, err := (&http.Client{}).Get(url + "/api/v1/guidance/stream")
	if err != nil {
		return nil, err
	}
	heard := make(chan int)
	go func() {
		n := 0
		for s := bufio.NewScanner(r.Body); s.Scan(); {
			if strings.HasPrefix(s.Text(), "data:") {
				n++
			}
		}
		heard <- n
	}()
	return func() int {
		r.Body.Close()
		return <-heard
	}, nil
}
