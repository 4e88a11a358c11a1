package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
)

// Health is how the board fares.
type Health struct {
	Status         string         `json:"status" enum:"ok,impaired,silent" doc:"ok; impaired: at least one sensor is not ok; silent: the sensor loop gives no news"`
	Version        string         `json:"version"`
	SnapshotAge    Number         `json:"snapshot_age_s" doc:"Since the loop last gave news"`
	Listeners      int64          `json:"listeners" doc:"Readers of the live stream"`
	SimulatedKnobs bool           `json:"simulated_knobs" doc:"The demo whose knobs are turned over the API"`
	Sensors        []SensorHealth `json:"sensors" nullable:"false"`
	Loop           LoopHealth     `json:"loop"`
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

type healthOutput struct{ Body Health }

func (s *Server) registerHealth(api huma.API) {
	op := s.operation(http.MethodGet, "/api/v1/health", "get-health", "How sensors and program fare", "")
	huma.Register(api, op, func(context.Context, *struct{}) (*healthOutput, error) {
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
