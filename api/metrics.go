package api

import (
	"fmt"
	"net/http"
	"runtime"
	"strconv"

	"plumbstar/daemon"
	"plumbstar/daemon/estimator"
)

// states in the order in which they are listed.
func states() []estimator.State {
	return []estimator.State{estimator.Settling, estimator.Steady, estimator.Moving, estimator.Disturbed, estimator.Stale, estimator.Lost}
}

// metricsText is GET /metrics. It is made per request from one snapshot, so that the
// numbers belong together and what is not known is absent.
func (s *Server) metricsText(w http.ResponseWriter, _ *http.Request) {
	var set exposition
	gauge := func(name string, v Number) {
		if v.Known {
			set.add(name, v.Value)
		}
	}
	count := func(name string, v uint64) { set.add(name, float64(v)) }
	number := func(v float64) Number { return Number{Value: v, Known: true} }

	snap := s.o.Source.Latest()
	g := s.hub.guidance()
	gauge(`plumbstar_build_info{version=`+strconv.Quote(s.o.Version)+`}`, number(1))
	if snap != nil {
		gauge("plumbstar_snapshot_age_seconds", number(s.hub.age(snap).Seconds()))
		count("plumbstar_loop_ticks_total", snap.Loop.Ticks)
		count("plumbstar_loop_late_ticks_total", snap.Loop.Late)
		for i := range snap.Sensors {
			sensorMetrics(&snap.Sensors[i], gauge, count)
		}
	}
	if snap != nil && snap.Log != nil {
		logMetrics(snap.Log, gauge, count)
	}
	if s.o.Watch != nil {
		watch := s.o.Watch.Watch()
		gauge("plumbstar_watch_armed", truth(watch.Armed))
		gauge("plumbstar_watch_unacknowledged_findings", number(float64(len(watch.Findings))))
	}
	for _, st := range states() {
		v := 0.0
		if g.State == string(st) {
			v = 1
		}
		gauge(fmt.Sprintf("plumbstar_state{state=%q}", string(st)), number(v))
	}
	gauge("plumbstar_error_degrees", g.Error)
	gauge("plumbstar_error_sigma_degrees", g.ErrorSigma)
	gauge("plumbstar_altitude_degrees", g.Axis.Altitude)
	gauge("plumbstar_altitude_sigma_degrees", g.Axis.AltitudeSigma)
	gauge("plumbstar_azimuth_degrees", g.Axis.Azimuth)
	gauge("plumbstar_azimuth_sigma_degrees", g.Axis.AzimuthSigma)
	gauge("plumbstar_warnings", number(float64(len(g.Warnings))))
	gauge("plumbstar_stream_listeners", number(float64(s.hub.listeners.Load())))
	gauge("plumbstar_connections", number(float64(s.conns.count())))
	count("plumbstar_stream_events_total", s.hub.events.Load())
	count("plumbstar_stream_slow_readers_total", s.hub.dropped.Load())
	count("plumbstar_pairing_refused_total", s.refusedPairings.Load())

	gauge("process_start_time_seconds", number(float64(s.started.Unix())))
	gauge("go_goroutines", number(float64(runtime.NumGoroutine())))
	set.process()

	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	_, _ = w.Write(set.text()) // the asker may be gone
}

func truth(on bool) Number {
	n := Number{Known: true}
	if on {
		n.Value = 1
	}
	return n
}

func logMetrics(l *daemon.LogStatus, gauge func(string, Number), count func(string, uint64)) {
	gauge("plumbstar_night_log_night", truth(l.Night))
	gauge("plumbstar_night_log_up", truth(l.Problem == ""))
	gauge("plumbstar_night_log_waiting_records", Number{Value: float64(l.Waiting), Known: true})
	gauge("plumbstar_night_log_size_bytes", Number{Value: float64(l.Bytes), Known: true})
	count("plumbstar_night_log_written_records_total", l.Written)
	count("plumbstar_night_log_dropped_records_total", l.Dropped)
}

func sensorMetrics(st *daemon.SensorStatus, gauge func(string, Number), count func(string, uint64)) {
	h := sensorHealth(st)
	label := func(name string) string { return fmt.Sprintf("plumbstar_sensor_%s{sensor=%q}", name, h.Name) }
	up := Number{Known: true}
	if h.State == "ok" {
		up.Value = 1
	}
	gauge(label("up"), up)
	gauge(label("sample_age_seconds"), h.Age)
	gauge(label("rate_hertz"), h.Rate)
	gauge(label("temperature_celsius"), h.Temp)
	count(label("samples_total"), h.Samples)
	count(label("errors_total"), h.Errors)
	count(label("recoveries_total"), h.Recoveries)
	count(label("clipped_samples_total"), h.Clipped)
	count(label("overruns_total"), h.Overruns)
	for fault, n := range h.Faults {
		count(fmt.Sprintf("plumbstar_sensor_faults_total{sensor=%q,fault=%q}", h.Name, fault), n)
	}
}
