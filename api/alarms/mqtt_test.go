package alarms

import (
	"encoding/json"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/packets"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/guidance"
)

// fakeBroker takes messages as a broker does; deploy/reference_mqtt.sh asks a
// real one.
type fakeBroker struct {
	mu     sync.Mutex
	addr   string
	l      net.Listener
	conns  []net.Conn
	mode   string // "": well; "deaf": no receipts; "no": lets nobody in
	will   *packets.Connect
	kept   map[string]string
	events []string
	logins int
	left   bool // with DISCONNECT
}

func (b *fakeBroker) start(t *testing.T) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	at := b.addr
	if at == "" {
		at = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", at)
	if err != nil {
		t.Skipf("the port was taken meanwhile: %v", err)
	}
	b.addr, b.l = l.Addr().String(), l
	if b.kept == nil {
		b.kept = map[string]string{}
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.mu.Lock()
			b.conns = append(b.conns, c)
			b.mu.Unlock()
			go b.serve(c)
		}
	}()
	t.Cleanup(b.stop)
}

func (b *fakeBroker) stop() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.l.Close()
	for _, c := range b.conns {
		c.Close()
	}
	b.conns = nil
}

func (b *fakeBroker) serve(c net.Conn) {
	defer c.Close()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		if answer := b.take(p); answer != nil {
			if _, err := answer.WriteTo(c); err != nil {
				return
			}
		}
	}
}

func (b *fakeBroker) take(p *packets.ControlPacket) *packets.ControlPacket {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch m := p.Content.(type) {
	case *packets.Connect:
		b.will, b.left = m, false
		b.logins++
		answer := packets.NewControlPacket(packets.CONNACK)
		if b.mode == "no" {
			answer.Content.(*packets.Connack).ReasonCode = 0x86
		}
		return answer
	case *packets.Publish:
		if m.Retain {
			b.kept[m.Topic] = string(m.Payload)
		} else if n := len(b.events); n == 0 || b.events[n-1] != string(m.Payload) { // at least once
			b.events = append(b.events, string(m.Payload))
		}
		if b.mode == "deaf" {
			return nil
		}
		answer := packets.NewControlPacket(packets.PUBACK)
		answer.Content.(*packets.Puback).PacketID = m.PacketID
		return answer
	case *packets.Pingreq:
		return packets.NewControlPacket(packets.PINGRESP)
	case *packets.Disconnect:
		b.left = true
	}
	return nil
}

func (b *fakeBroker) behave(mode string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.mode = mode
}

func (b *fakeBroker) see(f func() bool) func() bool {
	return func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return f()
	}
}

func snapshot(seq uint64) *daemon.Snapshot {
	known := func(v, s float64) estimator.Quantity { return estimator.Quantity{Deg: v, SigmaDeg: s, Known: true} }
	return &daemon.Snapshot{
		Seq: seq, Time: time.Date(2026, 11, 20, 20, 0, 0, 0, time.UTC), Clock: daemon.ClockStatus{Plausible: true},
		Estimate: estimator.Estimate{State: estimator.Steady},
		Guidance: guidance.Guidance{Raise: known(0.4, 0.09), TurnEast: known(1.19, 0.9), Error: known(0.84, 0.56), Text: "Raise 0.4°, turn east 1.2°"},
	}
}

// TestBrokerStopsAndStarts: the queue outlives the broker, an unanswered message is
// sent again, the state is kept and the board is online, then offline.
func TestBrokerStopsAndStarts(t *testing.T) {
	t.Parallel()
	b := &fakeBroker{}
	b.start(t)
	src := newFakeSource()
	src.set(snapshot(1))
	a, end := start(t, options(src, func(s *config.Alarms) {
		s.MQTT.Broker, s.MQTT.User, s.MQTT.Password = "mqtt://"+b.addr, "larkmoor", "owl-77"
	}))
	src.events <- event(1, daemon.Moved)
	waitFor(t, "the first event", b.see(func() bool { return len(b.events) == 1 }))
	waitFor(t, "the state", b.see(func() bool { return b.kept["plumbstar/state"] != "" }))
	b.see(func() bool {
		w := b.will
		if !w.WillFlag || w.WillTopic != "plumbstar/status" || string(w.WillMessage) != "offline" || !w.WillRetain || w.WillQOS != 1 ||
			w.Username != "larkmoor" || string(w.Password) != "owl-77" || w.ClientID != "plumbstar-1" || b.kept["plumbstar/status"] != "online" {
			t.Errorf("connected as %+v, status %q", w, b.kept["plumbstar/status"])
		}
		const want = `{"time":"2026-11-20T20:00:00Z","state":"steady","text":"Raise 0.4°, turn east 1.2°","trouble":"no","error_deg":0.84,"error_sigma_deg":0.56,"raise_deg":0.4,"turn_east_deg":1.19}`
		if b.kept["plumbstar/state"] != want {
			t.Errorf("state\n%s\nwant\n%s", b.kept["plumbstar/state"], want)
		}
		if !strings.HasPrefix(b.events[0], `{"event_type":"moved","id":"run-1",`) || !json.Valid([]byte(b.events[0])) {
			t.Errorf("event %s", b.events[0])
		}
		return true
	})()
	if s := statusOf(t, a, "mqtt"); s.State != Ready || !s.Connected || s.Target != "mqtt://"+b.addr {
		t.Errorf("%+v", s)
	}
	b.stop()
	for id := uint64(2); id <= 30; id++ {
		src.events <- event(id, daemon.Attention)
	}
	waitFor(t, "the loss to be seen", func() bool { s := statusOf(t, a, "mqtt"); return !s.Connected && s.State == Retrying && s.Queued == 29 })
	b.behave("no")
	b.start(t)
	waitFor(t, "a refusal", func() bool { return strings.Contains(statusOf(t, a, "mqtt").Why, "user and password") })
	b.behave("deaf")
	waitFor(t, "a login that is not answered", b.see(func() bool { return b.kept["plumbstar/status"] == "online" && b.logins > 3 }))
	b.behave("")
	waitFor(t, "all events", b.see(func() bool { return len(b.events) == 30 }))
	b.see(func() bool {
		for i, e := range b.events {
			var m Message
			if err := json.Unmarshal([]byte(e), &m); err != nil || m.ID != "run-"+itoa(i+1) {
				t.Errorf("event %d: %s (%v)", i, e, err)
			}
		}
		return true
	})()
	// A loop that hangs: no number is true any more.
	waitFor(t, "silence to be told", b.see(func() bool { return strings.Contains(b.kept["plumbstar/state"], `"state":"silent"`) }))
	b.see(func() bool {
		if s := b.kept["plumbstar/state"]; !strings.Contains(s, `"error_deg":null`) || !strings.Contains(s, `"trouble":"yes"`) {
			t.Errorf("silent: %s", s)
		}
		return true
	})()
	end()
	waitFor(t, "a farewell", b.see(func() bool { return b.left && b.kept["plumbstar/status"] == "offline" }))
}

func itoa(n int) string { return strings.TrimPrefix(message(n, info).ID, "run-") }

// TestAnnouncements: topics and keys of the home-automation discovery convention.
func TestAnnouncements(t *testing.T) {
	top := newTopics(config.MQTT{Topic: "field/one", DiscoveryPrefix: "homeassistant"}, "plumbstar-0a1b", "1.2")
	all, err := top.announcements()
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for _, a := range all {
		level := strings.Split(a.topic, "/")
		var e struct {
			UniqueID   string   `json:"unique_id"`
			StateTopic string   `json:"state_topic"`
			Available  string   `json:"availability_topic"`
			EventTypes []string `json:"event_types"`
			Device     struct{ Identifiers []string }
		}
		if err := json.Unmarshal(a.payload, &e); err != nil {
			t.Fatal(err)
		}
		if len(level) != 5 || level[0] != "homeassistant" || level[2] != "plumbstar-0a1b" || level[4] != "config" || ids[e.UniqueID] ||
			!strings.HasPrefix(e.StateTopic, "field/one/") || e.Available != "field/one/status" || len(e.Device.Identifiers) != 1 {
			t.Errorf("%s: %s", a.topic, a.payload)
		}
		if (level[1] == "event") != (len(e.EventTypes) == 4) {
			t.Errorf("%s: event types %v", a.topic, e.EventTypes)
		}
		ids[e.UniqueID] = true
	}
	if len(ids) != 5 {
		t.Errorf("%d things are announced", len(ids))
	}
	top.prefix = ""
	if all, err := top.announcements(); err != nil || len(all) != 0 {
		t.Errorf("without a prefix: %v, %v", all, err)
	}
}
