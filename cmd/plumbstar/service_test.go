package main

import (
	"bytes"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbstar/daemon"
)

// manager is the other end of sd_notify.
type manager struct {
	t    *testing.T
	conn *net.UnixConn
	path string
}

func newManager(t *testing.T) *manager {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &manager{t: t, conn: conn, path: path}
}

func (m *manager) env(more ...string) func(string) string {
	return func(key string) string {
		for _, kv := range append(more, "NOTIFY_SOCKET="+m.path) {
			if v, ok := strings.CutPrefix(kv, key+"="); ok {
				return v
			}
		}
		return ""
	}
}

// heard is every datagram that has arrived.
func (m *manager) heard() []string {
	m.t.Helper()
	var out []string
	b := make([]byte, 4096)
	for {
		if err := m.conn.SetReadDeadline(time.Now().Add(20 * time.Millisecond)); err != nil {
			m.t.Fatal(err)
		}
		n, err := m.conn.Read(b)
		if err != nil {
			return out
		}
		out = append(out, string(b[:n]))
	}
}

func beat(ticks uint64, at time.Duration, state string) *daemon.Snapshot {
	return &daemon.Snapshot{Mono: at, Loop: daemon.LoopStatus{Ticks: ticks}, Sensors: []daemon.SensorStatus{{Name: "inertial", State: state}}}
}

func TestSupervisorIsFedByTheLoop(t *testing.T) {
	m := newManager(t)
	v, err := newSupervisor(m.env("WATCHDOG_USEC=8000000", "WATCHDOG_PID="+strconv.Itoa(os.Getpid())))
	if err != nil {
		t.Fatal(err)
	}
	snapshots := make(chan *daemon.Snapshot)
	address := "http://192.0.2.1:8484/"
	done := make(chan struct{})
	go func() { defer close(done); v.follow(snapshots, func() string { return address }) }()
	for i, c := range []struct {
		s    *daemon.Snapshot
		want []string
	}{
		{beat(1, 0, "starting"), []string{"READY=1\nSTATUS=http://192.0.2.1:8484/, inertial starting\nWATCHDOG=1"}},
		{beat(11, time.Second, "ok"), []string{"STATUS=http://192.0.2.1:8484/, inertial ok"}},
		{beat(21, 2*time.Second, "ok"), []string{"WATCHDOG=1"}},
		{beat(31, 3*time.Second, "ok"), nil},
		// The same tick again is no progress, however late.
		{beat(31, 9*time.Second, "ok"), nil},
		{beat(32, 9*time.Second, "lost"), []string{"STATUS=http://192.0.2.1:8484/, inertial lost\nWATCHDOG=1"}},
	} {
		snapshots <- c.s
		if got := m.heard(); strings.Join(got, "|") != strings.Join(c.want, "|") {
			t.Errorf("snapshot %d: told %q, want %q", i, got, c.want)
		}
	}
	address = "http://192.0.2.2:8484/" // read after the channel has passed it on
	snapshots <- beat(33, 20*time.Second, "lost")
	if got := m.heard(); len(got) != 1 || !strings.HasPrefix(got[0], "STATUS="+address) {
		t.Errorf("with another address: %q", got)
	}
	close(snapshots)
	<-done
	if got := m.heard(); len(got) != 1 || got[0] != "STOPPING=1" {
		t.Errorf("at the end: %q", got)
	}
}

func TestSupervisorWithoutSystemd(t *testing.T) {
	v, err := newSupervisor(func(string) string { return "" })
	if err != nil || v != nil {
		t.Fatalf("%v, %v: want none", v, err)
	}
	v.follow(nil, nil) // must return
	if _, err := newSupervisor(func(string) string { return filepath.Join(t.TempDir(), "nobody") }); err == nil || !strings.Contains(err.Error(), "NOTIFY_SOCKET") {
		t.Errorf("a socket that nobody listens on: %v", err)
	}
	m := newManager(t)
	for _, other := range []string{"WATCHDOG_PID=1", "WATCHDOG_USEC=soon", "WATCHDOG_USEC=-4"} {
		v, err := newSupervisor(m.env(other, "WATCHDOG_USEC=8000000"))
		if err != nil || v.every != 0 {
			t.Errorf("%s: watchdog %v (%v), want none", other, v.every, err)
		}
	}
}

func TestLogForTheJournal(t *testing.T) {
	var b bytes.Buffer
	log := slog.New(slog.NewTextHandler(priorityWriter{&b}, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: withoutTime}))
	log.Debug("a")
	log.Info("b", "level", "level=ERROR ")
	log.With("n", 1).Warn("two\nlines")
	log.WithGroup("g").Error("c", "time", 3)
	want := "<7>msg=a\n<6>msg=b level=\"level=ERROR \"\n<4>msg=\"two\\nlines\" n=1\n<3>msg=c g.time=3\n"
	if b.String() != want {
		t.Errorf("log:\n%swant:\n%s", &b, want)
	}

	f, err := os.Create(filepath.Join(t.TempDir(), "journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, c := range []struct {
		stream string
		want   bool
	}{{"", false}, {"1:2", false}, {deviceAndInode(f), true}} {
		t.Setenv("JOURNAL_STREAM", c.stream)
		if toJournal(f) != c.want {
			t.Errorf("JOURNAL_STREAM=%q: to the journal %v, want %v", c.stream, !c.want, c.want)
		}
	}
	if toJournal(&b) {
		t.Error("a buffer is no journal")
	}
	newLog(f, slog.LevelInfo).Warn("sensor lost")
	if got, err := os.ReadFile(f.Name()); err != nil || string(got) != "<4>msg=\"sensor lost\"\n" {
		t.Errorf("%q, %v", got, err)
	}
}
