package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
)

// Health is how the board fares.
type Health struct {
	Status         string         `json:"status" enum:"ok,impaired,silent" doc:"ok; impaired: at least one sensor is not ok, or the night log cannot be written; silent: the sensor loop gives no news"`
	Version        string         `json:"version"`
	SnapshotAge    Number         `json:"snapshot_age_s" doc:"Since the loop last gave news"`
	Listeners      int64          `json:"listeners" doc:"Readers of the live stream"`
	SimulatedKnobs bool           `json:"simulated_knobs" doc:"The demo whose knobs are turned over the API"`
	Sensors        []SensorHealth `json:"sensors" nullable:"false"`
	Loop           LoopHealth     `json:"loop"`
	NightLog       *LogHealth     `json:"night_log" doc:"null when none is kept"`
	LocalName      *NameHealth    `json:"local_name" doc:"null when the page is served to this machine alone, or under no name"`
	Warnings       []Warning      `json:"warnings" nullable:"false"`
}

// SensorHealth is one sensor.
type SensorHealth struct {
	Name       string            `json:"name"`
	Device     string            `json:"device" doc:"Chip and address, or what is looked for"`
	State      string            `json:"state" doc:"ok, starting or lost"`
	Fault      Text              `json:"fault" doc:"The newest fault, null when there was none"`
	Advice     Text              `json:"advice" doc:"What to do about it"`
	LastError  Text              `json:"last_error"`
	Rate       Number            `json:"rate_hz"`
	Age        Number            `json:"age_s" doc:"Of the newest sample"`
	Samples    uint64            `json:"samples"`
	Errors     uint64            `json:"errors"`
	Faults     map[string]uint64 `json:"faults" doc:"Counts by name"`
	Recoveries uint64            `json:"recoveries"`
	Temp       Number            `json:"temp_c" doc:"Chip temperature, °C"`
	Clipped    uint64            `json:"clipped" doc:"Samples at the end of the range"`
	Overruns   uint64            `json:"overruns" doc:"Samples that were replaced before they were read"`
}

// LoopHealth is the sensor loop.
type LoopHealth struct {
	Ticks uint64 `json:"ticks"`
	Late  uint64 `json:"late" doc:"Ticks that began more than one period late"`
}

// LogHealth is the night log.
type LogHealth struct {
	_       struct{} `nullable:"true"`
	Night   Number   `json:"night" doc:"Number of the night that is being written; null between nights, and until its first record is on the disk"`
	Writing bool     `json:"writing" doc:"A night is being written"`
	Begun   Time     `json:"begun"`
	Why     Text     `json:"why" doc:"What the night began with, or why there is none"`
	Problem Text     `json:"problem" doc:"What keeps the log from being written, null when nothing does"`
	Waiting int      `json:"waiting" doc:"Records that are not on the disk yet"`
	Dropped uint64   `json:"dropped" doc:"Records that were given up"`
	Written uint64   `json:"written" doc:"Records written since the program started"`
	Skipped uint64   `json:"full_rate_skipped_s" doc:"Full-rate seconds around events that were left out because there were too many events"`
	Bytes   int64    `json:"size_bytes"`
}

// NameHealth is the board's name on the local network.
type NameHealth struct {
	_     struct{} `nullable:"true"`
	Name  string   `json:"name" doc:"plumbstar.local"`
	State string   `json:"state" enum:"answering,elsewhere,asking,failing" doc:"answering; elsewhere: Avahi on this board answers; asking: whether the name is free, or waiting for a network; failing: nobody answers"`
	Why   Text     `json:"why"`
}

func logHealth(l *daemon.LogStatus) *LogHealth {
	if l == nil {
		return nil
	}
	h := &LogHealth{
		Writing: l.Night, Begun: Time(l.Begun), Why: Text(l.Why), Problem: Text(l.Problem),
		Waiting: l.Waiting, Dropped: l.Dropped, Written: l.Written, Skipped: l.Skipped, Bytes: l.Bytes,
	}
	if l.NightID != 0 {
		h.Night = Known(float64(l.NightID))
	}
	return h
}

type healthOutput struct{ Body Health }

func (s *Server) registerHealth(api huma.API) {
	op := s.operation(http.MethodGet, "/api/v1/health", "get-health", "How sensors and program fare", "")
	register(api, op, func(context.Context, *struct{}) (*healthOutput, error) {
		return &healthOutput{Body: s.health()}, nil
	})
}

func (s *Server) health() Health {
	snap := s.o.Source.Latest()
	age := s.hub.age(snap)
	h := Health{
		Status: "ok", Version: s.o.Version, Listeners: s.hub.listeners.Load(), SimulatedKnobs: s.o.Knobs != nil,
		Sensors: []SensorHealth{}, Warnings: []Warning{},
	}
	if snap != nil {
		for i := range snap.Sensors {
			h.Sensors = append(h.Sensors, sensorHealth(&snap.Sensors[i]))
			if snap.Sensors[i].State != "ok" {
				h.Status = "impaired"
			}
		}
		h.SnapshotAge = Known(age.Seconds())
		h.Loop = LoopHealth{Ticks: snap.Loop.Ticks, Late: snap.Loop.Late}
		h.NightLog = logHealth(snap.Log)
		if snap.Log != nil && snap.Log.Problem != "" {
			h.Status = "impaired"
		}
	}
	if s.o.LocalName != nil {
		n := s.o.LocalName()
		h.LocalName = &NameHealth{Name: n.Name, State: n.State, Why: Text(n.Why)}
	}
	g := s.hub.guidance()
	h.Warnings = append(h.Warnings, g.Warnings...)
	if age >= s.o.SilentAfter {
		h.Status = "silent"
	}
	return h
}

func sensorHealth(s *daemon.SensorStatus) SensorHealth {
	h := SensorHealth{
		Name: s.Name, Device: s.Device, State: s.State, Fault: Text(s.Fault), Advice: Text(s.Advice), LastError: Text(s.LastError),
		Rate: Known(s.RateHz), Samples: s.Samples, Errors: s.Errors, Faults: s.Faults, Recoveries: s.Recoveries,
		Temp: Known(s.TempC), Clipped: s.Clipped, Overruns: s.Overruns,
	}
	if s.AgeS >= 0 {
		h.Age = Known(s.AgeS)
	}
	if h.Faults == nil {
		h.Faults = map[string]uint64{}
	}
	return h
}

// healthz is for service managers: it fails only when the loop itself is
// silent, not when a sensor is lost.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	if s.hub.age(s.o.Source.Latest()) >= s.o.SilentAfter {
		problem(w, http.StatusServiceUnavailable, "the sensor loop is silent")
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n")) // the asker may be gone
}
