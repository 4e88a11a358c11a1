// Command rig runs the released program on real kernels: emulated machines with
// Debian's own kernels, whose /dev/i2c-N is an adapter driver of the kernel and not
// a simulation of ours. Behind it sit the simulated chips. The script in guest
// makes the faults of a night outdoors and holds the program to what it promises.
//
//	go run ./deploy/rig            every guest
//	go run ./deploy/rig arm64      only these
//
// It needs Debian, QEMU and apt; it changes nothing on the machine but its cache.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

func main() {
	cache := flag.String("cache", "", "where kernels are kept between runs (default plumbstar-rig in the user's cache folder)")
	keep := flag.String("console", "", "folder for the whole console of each guest")
	flag.Parse()
	if err := rig(*cache, *keep, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "rig:", err)
		os.Exit(1)
	}
}

func rig(cache, keep string, only []string) error {
	var chosen []guest
	var names []string
	for _, g := range guests() {
		names = append(names, g.name)
		if len(only) == 0 || slices.Contains(only, g.name) {
			chosen = append(chosen, g)
		}
	}
	for _, o := range only {
		if !slices.Contains(names, o) {
			return fmt.Errorf("no guest %q: choose from %s", o, strings.Join(names, ", "))
		}
	}
	for _, tool := range []string{"apt-get", "apt-cache", "dpkg-deb", "xz"} {
		if _, err := exec.LookPath(tool); err != nil {
			return err
		}
	}
	if cache == "" {
		c, err := os.UserCacheDir()
		if err != nil {
			return err
		}
		cache = filepath.Join(c, "plumbstar-rig")
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return err
	}
	tree, err := moduleRoot()
	if err != nil {
		return err
	}
	tmp, err := os.MkdirTemp("", "plumbstar-rig-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	d, err := newDebian(cache)
	if err != nil {
		return err
	}
	bad := 0
	for i := range chosen {
		ok, err := chosen[i].try(d, tree, tmp, keep)
		if err != nil {
			fmt.Printf("%s: FAILED: %v\n", chosen[i].name, err)
		}
		if !ok {
			bad++
		}
	}
	if bad > 0 {
		return fmt.Errorf("%d of %d guests failed", bad, len(chosen))
	}
	return nil
}

// try prepares one guest, runs it and judges it.
func (g *guest) try(d *debian, tree, tmp, keep string) (bool, error) {
	began := time.Now()
	f, err := g.prepare(d, tree, tmp)
	if err != nil {
		return false, err
	}
	prepared := time.Since(began)
	var console io.Writer = io.Discard
	if keep != "" {
		w, err := os.Create(filepath.Join(keep, g.name+".log"))
		if err != nil {
			return false, err
		}
		defer w.Close()
		console = w
	}
	r, err := g.run(f, console)
	good := g.verdict(r, os.Stdout) && err == nil
	fmt.Printf("%s: %.0f s to prepare, %.0f s to run\n", g.name, prepared.Seconds(), (time.Since(began) - prepared).Seconds())
	if !good {
		fmt.Printf("%s: the end of its console:\n%s\n", g.name, strings.Join(r.tail, "\n"))
	}
	return good, err
}

// moduleRoot is the folder of go.mod.
func moduleRoot() (string, error) {
	out, err := exec.Command("go", "env", "GOMOD").Output()
	if err != nil {
		return "", err
	}
	return filepath.Dir(strings.TrimSpace(string(out))), nil
}
