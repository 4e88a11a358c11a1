package daemon

import (
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"strings"
	"time"

	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
)

// Journal is where the loop writes what a night leaves behind. None of its methods
// waits for a disk; what cannot be kept is dropped and counted in Health.
// *nightlog.Log is one.
type Journal interface {
	Sample(nightlog.Sample)
	FullRate(nightlog.Second)
	Event(at time.Duration, e nightlog.Event)
	Clock(nightlog.Moment)
	NightSite(nightlog.Site)
	BeginNight(nightlog.Moment, nightlog.NightInfo)
	ResumeNight(nightlog.Moment, int64)
	EndNight(nightlog.Moment)
	// Night is the number of the night that is written, once it is on the disk.
	Night() (id int64, ok bool)
	Health() nightlog.Health
}

// LogStatus is how the night log fares.
type LogStatus struct {
	// Night is true while a night is written, NightID its number once that is on
	// the disk, else 0.
	Night   bool
	NightID int64
	Begun   time.Time // zero when there is no night
	// Why says what the night began with, or why there is none.
	Why string
	// Problem keeps the log from writing; empty when nothing does.
	Problem string
	// Waiting counts the records that are not on the disk yet, Dropped those that
	// were given up, Written those written since the start; Bytes is the size.
	Waiting          int
	Dropped, Written uint64
	Bytes            int64
	// Skipped counts full-rate seconds around events that were left out because
	// too many events came.
	Skipped uint64
}

// severityRank is the severity as the number that goes with an event in the log.
var severityRank = map[Severity]float64{Info: 0, Attention: 1, Moved: 2, SensorLost: 3}

// journal puts an event into the night log. The log itself notes steps of the
// clock and its own troubles.
func (d *Daemon) journal(e *Event) {
	j := d.opt.Journal
	if j == nil || e.Kind == EventClockStep || e.Kind == EventLogTrouble || e.Kind == EventLogResumed {
		return
	}
	n := maps.Clone(e.Numbers)
	if n == nil {
		n = map[string]float64{}
	}
	n["severity"] = severityRank[e.Severity]
	if e.Finding != 0 {
		n["finding"], n["final"] = float64(e.Finding), 0
		if e.Final {
			n["final"] = 1
		}
		n["began_before_s"] = (e.Mono - e.Began).Seconds()
	}
	j.Event(e.Mono, nightlog.Event{Kind: e.Kind, Text: e.Text, Numbers: n})
}

// moment is the time that is believed at now, for the log.
func (d *Daemon) moment(now time.Duration, utc time.Time) nightlog.Moment {
	c := d.keeper.status
	return nightlog.Moment{At: now, UTC: utc, SigmaS: c.SigmaS, Source: c.Source}
}

// lookAtLog notes once a second how the log fares, and tells when that changes.
func (d *Daemon) lookAtLog(now time.Duration) {
	k, j := &d.nights, d.opt.Journal
	h := j.Health()
	id, _ := j.Night()
	if !k.on {
		id = 0
	}
	k.status = LogStatus{
		Night: k.on, NightID: id, Begun: k.begun, Why: k.why, Waiting: h.Waiting, Dropped: h.Dropped, Written: h.Written, Bytes: h.Bytes,
		Skipped: d.gather.skipped, Problem: h.Text,
	}
	if n := len(h.Aside); n > k.aside {
		k.aside = n
		d.happened(now, Event{Kind: EventLogTrouble, Severity: Attention, Numbers: map[string]float64{"rescued": float64(h.Rescued)},
			Text: fmt.Sprintf("The night log was damaged: it is kept as %s, and a new one is written. %d calibrations, sightings and sites were read out of it.", filepath.Base(h.Aside[n-1]), h.Rescued)})
	}
	was := k.problem
	k.problem, k.warning = "", nil
	if h.Problem != nil {
		k.problem = h.Problem.Kind
		k.warning = &estimator.Warning{Code: "night-log-" + dashed(string(k.problem)), Text: "The night log is not written: " + strings.TrimSuffix(h.Problem.Brief(), ".") + ". Guidance and watch go on; what happens waits in memory as long as there is room."}
	}
	switch {
	case k.problem == was:
	case k.problem != "":
		d.happened(now, Event{Kind: EventLogTrouble, Severity: Attention, Text: k.warning.Text})
	default:
		d.happened(now, Event{Kind: EventLogResumed, Text: "The night log is written again.", Numbers: map[string]float64{"dropped": float64(h.Dropped)}})
	}
}

// settingsUsed is what a night's row says of how it was measured.
func (d *Daemon) settingsUsed() json.RawMessage {
	type part struct {
		Part     Part        `json:"part"`
		ID       int64       `json:"calibration"`
		Board    string      `json:"board"`
		SigmaDeg float64     `json:"sigma_deg"`
		TempC    *float64    `json:"temp_c"`
		Axis     *AxisRecord `json:"axis,omitempty"`
	}
	used := struct {
		Settings      json.RawMessage `json:"settings,omitempty"`
		Kit           Kit             `json:"kit"`
		Aim           string          `json:"aim"`
		MountSigmaDeg float64         `json:"mount_sigma_deg"`
		LocalFieldUT  float64         `json:"local_field_uT"`
		Calibrations  []part          `json:"calibrations"`
		Inertial      string          `json:"inertial_chip"`
	}{Inertial: d.boardOf(PartTemperature), Settings: d.opt.Settings, Kit: d.opt.Kit, Aim: d.opt.AimKind, MountSigmaDeg: d.opt.MountSigmaDeg, LocalFieldUT: d.opt.LocalFieldUT, Calibrations: []part{}}
	for _, p := range []Part{PartAccelerometer, PartAccelerometer2, PartCompass, PartCompass2, PartAxis, PartTurnCheck, PartTemperature} {
		if r := d.inUse[p]; r != nil {
			used.Calibrations = append(used.Calibrations, part{Part: p, ID: r.ID, Board: r.Board, SigmaDeg: r.SigmaDeg, TempC: r.TempC, Axis: r.Axis})
		}
	}
	text, err := json.Marshal(used)
	if err != nil {
		d.log.Warn("settings not put into the night log", "error", err)
		return nil
	}
	return text
}

func siteRow(s *SiteStatus) *nightlog.Site {
	if !s.Known {
		return nil
	}
	return &nightlog.Site{Name: s.Name, LatDeg: s.Site.LatDeg, LonDeg: s.Site.LonDeg, HeightM: s.Site.HeightM}
}
