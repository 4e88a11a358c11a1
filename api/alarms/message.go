// Package alarms carries what happened away from the board: to a web server, to an
// MQTT broker, to a buzzer or light at a pin. Each way has its own bounded queue and
// its own goroutine: none can hold up the daemon or another way.
package alarms

import (
	"encoding/json"
	"time"

	"plumbstar/daemon/config"
)

// Message is one thing to tell, as receivers see it.
type Message struct {
	// ID is unique over all starts of all boards: a receiver that got it twice may
	// drop one.
	ID string `json:"id"`
	// Board is the name of the board that speaks.
	Board string `json:"board"`
	// Time is UTC; null when the clock could not be right.
	Time *time.Time `json:"time"`
	Kind string     `json:"kind"`
	// Severity is "info", "attention", "moved" or "sensor-lost".
	Severity string `json:"severity"`
	Text     string `json:"text"`
	// Numbers have keys that end in their unit.
	Numbers map[string]float64 `json:"numbers"`
	// Finding joins reports about one thing, the last of which is final; 0: it stands alone.
	Finding int  `json:"finding"`
	Final   bool `json:"final"`
	// Quiet: it can wait; show it, but wake nobody.
	Quiet bool `json:"quiet"`
	// Trial: somebody only tries the alarm.
	Trial bool `json:"trial"`
}

// Severities of Message.
const (
	info       = "info"
	attention  = "attention"
	moved      = "moved"
	sensorLost = "sensor-lost"
)

// rank orders severities. A lost sensor is as bad as a move: nothing is watched
// then. What is not known ranks as a move, so that it is not dropped.
func rank(severity string) int {
	switch severity {
	case info:
		return 0
	case attention:
		return 1
	case "never":
		return 3
	}
	return 2
}

// body is the message as JSON, its numbers rounded as those of the API, without
// those that JSON has no form for.
func (m Message) body() ([]byte, error) {
	n := make(map[string]float64, len(m.Numbers))
	for k, v := range m.Numbers {
		if r := number(v); r != nil {
			n[k] = *r
		}
	}
	m.Numbers = n
	return json.Marshal(m)
}

// filter decides what is told: by severity and time of day.
type filter struct {
	least, quietLeast int
	quiet             []config.Span
	zone              *time.Location
	// told are the newest findings that passed: what follows on one passes too, or
	// an alarm that was taken back would stand.
	told [16]int
	next int
}

func newFilter(least, quietLeast string, quiet []string, zone *time.Location) (*filter, error) {
	f := &filter{least: rank(least), quietLeast: rank(quietLeast), zone: zone}
	for _, q := range quiet {
		s, err := config.ParseSpan(q)
		if err != nil {
			return nil, err
		}
		f.quiet = append(f.quiet, s)
	}
	return f, nil
}

func (f *filter) passes(m Message) bool {
	if m.Finding != 0 {
		for _, t := range f.told {
			if t == m.Finding {
				return true
			}
		}
	}
	least := f.least
	if f.silent(m) {
		least = max(least, f.quietLeast)
	}
	if rank(m.Severity) < least {
		return false
	}
	if m.Finding != 0 {
		f.told[f.next] = m.Finding
		f.next = (f.next + 1) % len(f.told)
	}
	return true
}

// silent reports whether the message falls in a quiet time; without a sure clock
// nothing does.
func (f *filter) silent(m Message) bool {
	if m.Quiet {
		return true
	}
	if m.Time == nil {
		return false
	}
	t := m.Time.In(f.zone)
	for _, q := range f.quiet {
		if q.Holds(t.Hour()*60 + t.Minute()) {
			return true
		}
	}
	return false
}
