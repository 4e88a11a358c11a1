package alarms

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestQueueKeepsWhatMatters: whatever comes, at most Capacity wait, in order, the
// message under way stays, and nothing is dropped while something less severe waits.
func TestQueueKeepsWhatMatters(t *testing.T) {
	severities := []string{info, attention, moved, sensorLost}
	rapid.Check(t, func(t *rapid.T) {
		q := newQueue()
		put, done := 0, 0
		flying := ""
		for ; put < Capacity-20; put++ {
			q.put(message(put, severities[put%3]))
		}
		for range rapid.IntRange(1, 150).Draw(t, "steps") {
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				if m, ok := q.take(); ok {
					flying = m.ID
				}
			case 1:
				if flying != "" {
					remove := rapid.Bool().Draw(t, "delivered")
					q.done(remove)
					if remove {
						done++
					}
					flying = ""
				}
			default:
				q.put(message(put, rapid.SampledFrom(severities).Draw(t, "severity")))
				put++
			}
			waiting, dropped, informed := q.state()
			if waiting > Capacity || waiting+done+int(dropped) != put || informed > dropped {
				t.Fatalf("%d put, %d done, %d wait, %d dropped (%d informational)", put, done, waiting, dropped, informed)
			}
			if flying != "" && q.waiting[0].ID != flying {
				t.Fatalf("the message under way, %s, made place for %s", flying, q.waiting[0].ID)
			}
		}
		last := -1
		for _, m := range q.waiting {
			n, err := strconv.Atoi(strings.TrimPrefix(m.ID, "run-"))
			if err != nil || n <= last {
				t.Fatalf("%s after %d", m.ID, last)
			}
			last = n
		}
	})
}

func TestFullQueueDropsTheOldestInformational(t *testing.T) {
	q := newQueue()
	q.put(message(0, moved))
	for n := 1; n < Capacity; n++ {
		q.put(message(n, []string{info, attention}[n%2]))
	}
	if _, ok := q.take(); !ok {
		t.Fatal("nothing waits")
	}
	for n := range Capacity {
		q.put(message(Capacity+n, moved))
	}
	waiting, dropped, informed := q.state()
	if waiting != Capacity || dropped != Capacity || informed != Capacity/2-1 {
		t.Errorf("%d wait, %d dropped, %d of them informational", waiting, dropped, informed)
	}
	// All that was less severe is gone; of the alarms the oldest behind the one under way.
	if q.waiting[0].ID != "run-0" || q.waiting[1].ID != fmt.Sprintf("run-%d", Capacity+1) {
		t.Errorf("first %s, %s", q.waiting[0].ID, q.waiting[1].ID)
	}
	q.put(message(9999, info))
	if q.waiting[Capacity-1].ID == "run-9999" {
		t.Error("an informational message took the place of an alarm")
	}
}

func TestFilter(t *testing.T) {
	at := func(h, m int) *time.Time {
		v := time.Date(2026, 11, 20, h, m, 0, 0, time.UTC)
		return &v
	}
	// One hour east of Greenwich: quiet from 21:00 to 06:00 UTC.
	f, err := newFilter("attention", "moved", []string{"22:00-07:00"}, time.FixedZone("", 3600))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		severity string
		at       *time.Time
		quiet    bool
		want     bool
	}{
		{info, at(12, 0), false, false},
		{attention, at(12, 0), false, true},
		{attention, at(20, 59), false, true},
		{attention, at(21, 0), false, false},
		{attention, at(5, 59), false, false},
		{attention, at(6, 0), false, true},
		{moved, at(23, 0), false, true},
		{sensorLost, at(23, 0), false, true},
		{"of-later-versions", at(23, 0), false, true},
		{attention, nil, false, true}, // without a sure clock no time is quiet
		{attention, at(12, 0), true, false},
		{moved, at(12, 0), true, true},
	} {
		if got := f.passes(Message{Severity: c.severity, Time: c.at, Quiet: c.quiet}); got != c.want {
			t.Errorf("%s at %v, quiet %v: passes %v", c.severity, c.at, c.quiet, got)
		}
	}
	never, err := newFilter("info", "never", []string{"00:00-23:59"}, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if never.passes(Message{Severity: moved, Time: at(3, 0)}) {
		t.Error("never lets something through")
	}
	// What was told is also taken back.
	for i, want := range []bool{false, true, true} {
		m := Message{Severity: []string{info, moved, info}[i], Finding: 7, Time: at(12, 0)}
		if f.passes(m) != want {
			t.Errorf("report %d of a finding: passes %v", i, !want)
		}
	}
	if f.passes(Message{Severity: info, Finding: 8, Time: at(12, 0)}) {
		t.Error("another finding passes as well")
	}
}
