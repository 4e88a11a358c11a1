package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"
)

// result is what a guest's console said.
type result struct {
	points map[string]string // what was proved, by name
	failed map[string]string
	ended  bool
	tail   []string // the last lines, for a run that went wrong
	// asked does what the guest asks for.
	asked func(words string)
}

// tailLines of the console are kept.
const tailLines = 60

// run emulates the guest until it says that it is at its end. Every line goes to
// console as well.
func (g *guest) run(f files, console io.Writer) (result, error) {
	ctx, cancel := context.WithTimeout(context.Background(), g.limit)
	defer cancel()
	args := append([]string{"-accel", "tcg", "-nographic", "-no-reboot", "-nic", "none",
		"-kernel", f.kernel, "-initrd", f.initial,
		"-append", "console=" + g.console + " panic=-1 quiet"}, g.args...)
	args = append(args, g.pace()...)
	var lever *lever
	if g.plan.Borrowed {
		var err error
		if lever, err = newLever(f.initial + ".socket"); err != nil {
			return result{}, err
		}
		defer lever.close()
		args = append(args, "-dtb", f.tree, "-device", borrowed, "-qmp", "unix:"+lever.path)
	}
	c := exec.CommandContext(ctx, f.qemu, args...)
	c.Env = append(os.Environ(), "QEMU_MODULE_DIR=/") // modules of another version would be loaded
	var complaints bytes.Buffer
	c.Stderr = &complaints
	pipe, err := c.StdoutPipe()
	if err != nil {
		return result{}, err
	}
	if err := c.Start(); err != nil {
		return result{}, err
	}
	r := result{points: make(map[string]string), failed: make(map[string]string), asked: lever.pull}
	r.read(pipe, console)
	if r.ended {
		// The emulated Pi cannot end by itself.
		time.AfterFunc(2*time.Second, cancel)
	}
	err = c.Wait()
	r.tail = append(r.tail, complaints.String())
	switch {
	case r.ended:
		return r, lever.wrong()
	case ctx.Err() != nil:
		return r, fmt.Errorf("not at its end after %v", g.limit)
	}
	return r, errors.Join(errors.New("the emulation ended before the script"), err)
}

// read takes the console apart until the guest's last line.
func (r *result) read(console io.Reader, copyTo io.Writer) {
	s := bufio.NewScanner(console)
	s.Buffer(nil, 1<<20)
	for s.Scan() {
		line := strings.TrimRight(s.Text(), "\r")
		// The kernel may have put words before ours.
		_, said, ok := strings.Cut(line, "RIG ")
		if words, asks := strings.CutPrefix(said, "ask "); asks {
			r.asked(words)
			continue
		}
		fmt.Fprintln(copyTo, line)
		if r.tail = append(r.tail, line); len(r.tail) > tailLines {
			r.tail = r.tail[1:]
		}
		if !ok {
			continue
		}
		kind, rest, _ := strings.Cut(said, " ")
		name, text, _ := strings.Cut(rest, ": ")
		switch kind {
		case "point":
			r.points[name] = text
		case "FAIL":
			r.failed[name] = text
		case "end":
			r.ended = true
			return
		}
	}
}

// verdict compares what was said with what must be proved, a line each, and
// reports whether all was.
func (g *guest) verdict(r result, w io.Writer) bool {
	good := true
	for _, name := range g.plan.Points() {
		proof, ok := r.points[name]
		if !ok {
			continue
		}
		fmt.Fprintf(w, "%s %s: %s\n", g.name, name, proof)
	}
	for _, name := range g.plan.Points() {
		if why, ok := r.failed[name]; ok {
			good = false
			fmt.Fprintf(w, "%s %s: FAILED: %s\n", g.name, name, why)
		} else if _, ok := r.points[name]; !ok {
			good = false
			fmt.Fprintf(w, "%s %s: FAILED: the guest did not come to it\n", g.name, name)
		}
		delete(r.failed, name)
	}
	for name, why := range r.failed {
		good = false
		fmt.Fprintf(w, "%s %s: FAILED: %s\n", g.name, name, why)
	}
	return good
}
