package main

import (
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	_ "periph.io/x/host/v3/gpioioctl" // the kernel's own interface to pins

	"plumbstar/api/alarms"
	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/nightlog"
)

// newAlarms prepares the ways by which alarms leave this board. mark keeps a demo
// apart from the real program on the same machine; keeper, when set, keeps what waits
// over a restart.
func newAlarms(e env, set config.Alarms, d *daemon.Daemon, clock realClock, mark string, keeper *nightlog.Log, log *slog.Logger) (*alarms.Alarms, error) {
	run := make([]byte, 6)
	if _, err := rand.Read(run); err != nil {
		return nil, fmt.Errorf("a name for this start: %w", err)
	}
	board, err := os.Hostname()
	if err != nil {
		board = "plumbstar"
	}
	return alarms.New(alarms.Options{
		Settings: set, Source: d,
		Board: board + mark, ID: boardID(board) + mark, Run: fmt.Sprintf("%x", run), Version: version,
		Now: e.now, Clock: clock.Now, Zone: time.Local,
		Pin: openPin, Keeper: keeper, Log: log,
	})
}

// demoAlarms takes the alarms of a settings file; without one they are all off.
func demoAlarms(e env, file string, d *daemon.Daemon, log *slog.Logger) (*alarms.Alarms, error) {
	set := config.Defaults()
	if file != "" {
		var err error
		if set, err = config.Load(file, config.Chips{}); err != nil {
			return nil, err
		}
		warnOfOpenSecrets(file, set.Alarms, log)
	}
	return newAlarms(e, set.Alarms, d, newRealClock(), "-demo", nil, log)
}

// warnOfOpenSecrets says so when others on this machine could read a secret of the
// settings.
func warnOfOpenSecrets(file string, set config.Alarms, log *slog.Logger) {
	if set.Webhook.Secret == "" && set.MQTT.Password == "" {
		return
	}
	if info, err := os.Stat(file); err == nil && info.Mode().Perm()&0o004 != 0 {
		log.Warn("everybody on this machine may read the settings, and a secret is in them: chmod 640 and chgrp plumbstar", "file", file)
	}
}

// boardID is a name that no other board has and that stays: made of the machine's
// own, which itself is not given away (machine-id(5) asks for that).
func boardID(host string) string {
	id, err := os.ReadFile("/etc/machine-id")
	if err != nil || len(strings.TrimSpace(string(id))) == 0 {
		id = []byte(host)
	}
	sum := sha256.Sum256(append([]byte("plumbstar alarms "), id...))
	return fmt.Sprintf("plumbstar-%x", sum[:4])
}

// openPin finds a pin by the name that the board has for it.
func openPin(name string) (gpio.PinOut, error) {
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("preparing the board's pins: %w", err)
	}
	p := gpioreg.ByName(name)
	if p == nil {
		var known []string
		for _, k := range gpioreg.All() {
			known = append(known, k.Name())
		}
		if len(known) == 0 {
			return nil, fmt.Errorf("pin %s: this machine has no pins that can be used: check that there is a /dev/gpiochip0 that the program may open (group gpio)", name)
		}
		return nil, fmt.Errorf("pin %s: there is no such pin: use one of %s", name, strings.Join(known[:min(len(known), 60)], ", "))
	}
	return p, nil
}
