package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"plumbstar/daemon/scenario"
	"plumbstar/deploy/rig/plan"
)

// guest is one machine to emulate.
type guest struct {
	name string
	arch string
	// qemu is the emulator, args what it is told besides kernel and files.
	qemu    string
	args    []string
	console string
	plan    plan.Plan
	limit   time.Duration
}

// modules make a bus of an adapter that is played by the guest, and the board's own.
func (g *guest) modules() []string {
	m := []string{"i2c-dev", "vhci-hcd", "i2c-tiny-usb"}
	if g.plan.Borrowed {
		m = append(m, "i2c-bcm2835")
	}
	return m
}

// back is the promise for every guest: guidance is there again this long after the
// end of a fault.
const back = 3 * time.Second

// limit is how long a guest may take: two minutes of its own time, which a busy
// machine makes five of.
const limit = 15 * time.Minute

// pace makes the emulated processor's time that of its instructions, so that the
// figures of a run do not depend on what else the machine does: while the processor
// works, one instruction is 1/MIPS of a microsecond; while it waits, time is real.
func (g *guest) pace() []string {
	if g.plan.MIPS == 0 {
		return nil
	}
	shift := math.Round(math.Log2(1000 / g.plan.MIPS))
	return []string{"-icount", fmt.Sprintf("shift=%.0f,sleep=on", shift)}
}

func guests() []guest {
	return []guest{
		{
			name: "x86-64", arch: "amd64", qemu: "qemu-system-x86_64",
			args: []string{"-M", "q35", "-m", "384"}, console: "ttyS0", limit: limit,
			plan: plan.Plan{Board: "lsm6dso+mmc5983ma", Place: "larkmoor", RateHz: 100, Patience: 30 * time.Second, Back: back, MIPS: 500, MostMB: 30},
		},
		{
			name: "arm64", arch: "arm64", qemu: "qemu-system-aarch64",
			args: []string{"-M", "virt", "-cpu", "cortex-a53", "-m", "384"}, console: "ttyAMA0", limit: limit,
			plan: plan.Plan{Board: "ism330dhcx+lis3mdl", Place: "dry-lagoon", RateHz: 20, Patience: 30 * time.Second, Back: back, MIPS: 500, MostMB: 30},
		},
		{
			name: "pi", arch: "arm64", qemu: "qemu-system-aarch64",
			args: []string{"-M", "raspi3b"}, console: "ttyAMA0", limit: limit,
			plan: plan.Plan{Board: "mpu6500+borrowed", Borrowed: true, Place: "larkmoor", RateHz: 20, Patience: 30 * time.Second, Back: back, MIPS: 500, MostMB: 30},
		},
	}
}

// wanted are the files of a kernel's package that a guest may need.
func wanted(name string) bool {
	if strings.HasPrefix(name, "boot/vmlinuz-") {
		return true
	}
	return strings.Contains(name, "/kernel/drivers/usb/") || strings.Contains(name, "/kernel/drivers/i2c/") ||
		strings.HasSuffix(name, "/"+piTree)
}

const piTree = "bcm2837-rpi-3-b.dtb"

// busSince is the first version of QEMU whose emulated Pi has the I²C controller.
const busSince = 9

// emulator is the installed QEMU if it is new enough for the Pi's bus, or else the
// one that Debian has in backports.
func (d *debian) emulator(name string) (string, error) {
	out, err := exec.Command(name, "--version").Output()
	if err != nil {
		return "", err
	}
	var major int
	if _, err := fmt.Sscanf(string(out), "QEMU emulator version %d.", &major); err != nil {
		return "", fmt.Errorf("%s says no version: %q", name, out)
	}
	if major >= busSince {
		return name, nil
	}
	dir, err := d.unpack("qemu-system-arm", d.codename+"-backports", func(n string) bool { return n == "usr/bin/"+name })
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "usr/bin", name), nil
}

// files are what QEMU is given, in a folder that ends with the run.
type files struct {
	qemu, kernel, initial string
	tree                  string // the Pi's device tree
}

// prepare fetches the kernel and packs program and modules for it.
func (g *guest) prepare(d *debian, tree, tmp string) (files, error) {
	pkg, err := d.kernel(g.arch)
	if err != nil {
		return files{}, err
	}
	dir, err := d.unpack(pkg, d.codename, wanted)
	if err != nil {
		return files{}, err
	}
	found, err := filepath.Glob(filepath.Join(dir, "boot/vmlinuz-*"))
	if err != nil || len(found) != 1 {
		return files{}, fmt.Errorf("%s holds %d kernels, want one", dir, len(found))
	}
	modules, err := kernelModules(dir, g.modules()...)
	if err != nil {
		return files{}, err
	}
	program, start := filepath.Join(tmp, "plumbstar-"+g.arch), filepath.Join(tmp, "guest-"+g.arch)
	if err := build(tree, g.arch, program, start); err != nil {
		return files{}, err
	}
	f := files{qemu: g.qemu, kernel: found[0], initial: filepath.Join(tmp, g.name+".cpio")}
	if g.plan.Borrowed {
		trees, err := filepath.Glob(filepath.Join(dir, "usr/lib/linux-image-*/broadcom/"+piTree))
		if err != nil || len(trees) != 1 {
			return files{}, fmt.Errorf("%s holds %d device trees of the Pi, want one", dir, len(trees))
		}
		f.tree = trees[0]
		if f.qemu, err = d.emulator(g.qemu); err != nil {
			return files{}, err
		}
	}
	return f, g.pack(f.initial, start, program, modules)
}

// build makes the program as it is released, and the guest's first process.
func build(tree, arch, program, start string) error {
	for _, c := range []*exec.Cmd{
		exec.Command("deploy/build", arch, program),
		exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", start, "./deploy/rig/guest"),
	} {
		c.Dir = tree
		c.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
		if out, err := c.CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w\n%s", strings.Join(c.Args, " "), err, out)
		}
	}
	return nil
}

// pack writes the guest's initial file system.
func (g *guest) pack(out, start, program string, modules []string) error {
	p := g.plan
	place, err := scenario.PlaceNamed(p.Place)
	if err != nil {
		return err
	}
	p.UTC = place.Begin
	var b bytes.Buffer
	a := &archive{w: &b}
	for _, dir := range []string{"bin", "dev", "etc", "modules", "proc", "sys", "tmp"} {
		a.add(dir, folder, nil)
	}
	for _, m := range modules {
		content, err := readModule(m)
		if err != nil {
			return err
		}
		name := strings.TrimSuffix(filepath.Base(m), ".xz")
		p.Modules = append(p.Modules, name)
		a.add("modules/"+name, text, content)
	}
	for _, f := range []struct{ name, from string }{{"init", start}, {strings.TrimPrefix(plan.Program, "/"), program}} {
		content, err := os.ReadFile(f.from)
		if err != nil {
			return err
		}
		a.add(f.name, binary, content)
	}
	told, err := json.Marshal(p)
	if err != nil {
		return err
	}
	a.add(plan.File, text, told)
	if err := a.close(); err != nil {
		return err
	}
	return os.WriteFile(out, b.Bytes(), 0o644)
}
