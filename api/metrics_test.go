package api

import (
	"net/http"
	"regexp"
	"runtime"
	"strings"
	"testing"
)

// TestMetrics reads the Prometheus text format line by line: a type before the
// first sample of a family, no sample twice, no word where a number belongs.
func TestMetrics(t *testing.T) {
	b := start(t, nil)
	resp, body := b.do(t, http.MethodGet, "/metrics", "", nil)
	if !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/plain; version=0.0.4") {
		t.Errorf("content type %q", resp.Header.Get("Content-Type"))
	}
	sample := regexp.MustCompile(`^([a-zA-Z_:][a-zA-Z0-9_:]*)(\{[a-zA-Z0-9_]+="(?:[^"\\]|\\.)*"(?:, ?[a-zA-Z0-9_]+="(?:[^"\\]|\\.)*")*\})? (-?[0-9][0-9.e+-]*)$`)
	typed, seen := map[string]string{}, map[string]string{}
	for line := range strings.Lines(string(body)) {
		line = strings.TrimSuffix(line, "\n")
		if rest, ok := strings.CutPrefix(line, "# TYPE "); ok {
			name, kind, _ := strings.Cut(rest, " ")
			if typed[name] != "" {
				t.Errorf("%s has two types", name)
			}
			typed[name] = kind
			continue
		}
		if strings.HasPrefix(line, "#") {
			continue
		}
		m := sample.FindStringSubmatch(line)
		if m == nil {
			t.Errorf("line %q is no sample", line)
			continue
		}
		if strings.HasPrefix(m[1], "plumbstar_") && typed[m[1]] == "" {
			t.Errorf("%s has no type", m[1])
		}
		if _, twice := seen[m[1]+m[2]]; twice {
			t.Errorf("%s twice", m[1]+m[2])
		}
		seen[m[1]+m[2]] = m[3]
	}
	for name, want := range map[string]string{
		`plumbstar_error_degrees`: "0.84", `plumbstar_altitude_sigma_degrees`: "0.09", `plumbstar_state{state="steady"}`: "1", `plumbstar_state{state="lost"}`: "0",
		`plumbstar_sensor_up{sensor="inertial"}`: "1", `plumbstar_sensor_up{sensor="magnetic"}`: "0", `plumbstar_sensor_rate_hertz{sensor="inertial"}`: "104",
		`plumbstar_sensor_sample_age_seconds{sensor="inertial"}`: "0.004", `plumbstar_sensor_faults_total{sensor="magnetic",fault="bus"}`: "7",
		`plumbstar_loop_late_ticks_total`: "2", `plumbstar_stream_listeners`: "0",
	} {
		if seen[name] != want {
			t.Errorf("%s is %q, want %s", name, seen[name], want)
		}
	}
	// What is not known is absent, not zero.
	for _, name := range []string{`plumbstar_sensor_sample_age_seconds{sensor="magnetic"}`, `plumbstar_sensor_temperature_celsius{sensor="magnetic"}`} {
		if v, ok := seen[name]; ok {
			t.Errorf("%s is %s", name, v)
		}
	}
	for _, name := range []string{"process_cpu_seconds_total", "process_resident_memory_bytes", "process_open_fds", "process_start_time_seconds", "go_goroutines"} {
		if v, ok := seen[name]; runtime.GOOS == "linux" && (!ok || v == "0" && name != "process_cpu_seconds_total") {
			t.Errorf("%s is %q", name, v)
		}
	}
	b.source.publish(lostSnapshot())
	if _, body := b.do(t, http.MethodGet, "/metrics", "", nil); strings.Contains(string(body), "\nplumbstar_error_degrees") {
		t.Error("an error in degrees while nothing is known")
	}
}

// TestStat reads lines of proc(5), with a name that was chosen to confuse.
func TestStat(t *testing.T) {
	var x exposition
	x.stat("77 (a) b) S 1 77 77 0 -1 4194560 1 0 2 0 150 50 0 0 20 0 9 0 100 123456 10 18446744073709551615 1 1 0\n")
	x.statm("30 10 5 4 0 6 0\n", 4096)
	const want = "process_cpu_seconds_total 2|process_num_threads 9|process_virtual_memory_bytes 122880|process_resident_memory_bytes 40960"
	if got := strings.Join(x.samples, "|"); got != want {
		t.Errorf("%s", got)
	}
	for _, bad := range []string{"", ")", "77 (a) S 1 2", "7", "a b"} {
		x = exposition{}
		x.stat(bad)
		x.statm(bad, 1)
		if len(x.samples) != 0 {
			t.Errorf("%q: %v", bad, x.samples)
		}
	}
}
