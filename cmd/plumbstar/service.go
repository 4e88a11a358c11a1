package main

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"plumbstar/daemon"
)

// supervisor tells systemd how the service fares, in the datagrams of
// sd_notify(3). nil tells nobody.
type supervisor struct {
	conn net.Conn
	// every is how long the service may stay silent; 0: as long as it likes.
	every time.Duration
	said  string
}

// newSupervisor takes the socket and the watchdog's time from the environment
// that systemd made; nil without one.
func newSupervisor(getenv func(string) string) (*supervisor, error) {
	socket := getenv("NOTIFY_SOCKET")
	if socket == "" {
		return nil, nil
	}
	conn, err := net.Dial("unixgram", socket) // "@" begins an abstract name for both
	if err != nil {
		return nil, fmt.Errorf("NOTIFY_SOCKET: %w: start the service through systemctl, or unset the variable", err)
	}
	v := &supervisor{conn: conn}
	if pid := getenv("WATCHDOG_PID"); pid == "" || pid == strconv.Itoa(os.Getpid()) {
		us, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64)
		if err == nil && us > 0 {
			v.every = time.Duration(us) * time.Microsecond
		}
	}
	return v, nil
}

// follow speaks for as long as snapshots come. The loop makes them, and only
// they feed the watchdog: a loop that hangs is restarted, one whose sensors are
// lost is not, since a restart brings no cable back. page is asked again now and
// then: a board may get its address after the service has started.
func (v *supervisor) follow(snapshots <-chan *daemon.Snapshot, page func() string) {
	if v == nil {
		return
	}
	defer v.conn.Close()
	var ticks uint64
	var fed, asked time.Duration
	address := ""
	for s := range snapshots {
		var say []string
		if ticks == 0 {
			say = append(say, "READY=1")
		}
		if ticks == 0 || s.Mono-asked >= addressEvery {
			asked, address = s.Mono, page()
		}
		if status := "STATUS=" + address + statusOf(s); status != v.said {
			v.said = status
			say = append(say, status)
		}
		if v.every > 0 && s.Loop.Ticks > ticks && (ticks == 0 || s.Mono-fed >= v.every/4) {
			fed = s.Mono
			say = append(say, "WATCHDOG=1")
		}
		ticks = s.Loop.Ticks
		v.tell(say...)
	}
	v.tell("STOPPING=1")
}

// addressEvery is how often the status asks for the page's address.
const addressEvery = 10 * time.Second

// tell sends one datagram. Nobody could do anything about a failure: systemd's
// own patience with a silent service is the answer to it.
func (v *supervisor) tell(lines ...string) {
	if len(lines) > 0 {
		_, _ = v.conn.Write([]byte(strings.Join(lines, "\n")))
	}
}

// statusOf is what `systemctl status` shows behind the page's address.
func statusOf(s *daemon.Snapshot) string {
	var b strings.Builder
	for i := range s.Sensors {
		fmt.Fprintf(&b, ", %s %s", s.Sensors[i].Name, s.Sensors[i].State)
	}
	return b.String()
}

// newLog writes to out, for a terminal or, when out is the journal, for that.
func newLog(out io.Writer, level slog.Level) *slog.Logger {
	o := slog.HandlerOptions{Level: level}
	if toJournal(out) {
		o.ReplaceAttr = withoutTime
		out = priorityWriter{out}
	}
	return slog.New(slog.NewTextHandler(out, &o))
}

// withoutTime drops the time of a line: the journal has its own.
func withoutTime(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && a.Key == slog.TimeKey && a.Value.Kind() == slog.KindTime {
		return slog.Attr{}
	}
	return a
}

// priorityWriter turns the level that a line begins with into the prefix of
// sd-daemon(3), by which the journal sorts and colours.
type priorityWriter struct{ to io.Writer }

var priorities = []struct{ level, prefix string }{
	{"level=ERROR ", "<3>"}, {"level=WARN ", "<4>"}, {"level=INFO ", "<6>"}, {"level=DEBUG ", "<7>"},
}

func (p priorityWriter) Write(line []byte) (int, error) {
	for _, q := range priorities {
		if rest, ok := bytes.CutPrefix(line, []byte(q.level)); ok {
			_, err := p.to.Write(append([]byte(q.prefix), rest...))
			return len(line), err
		}
	}
	return p.to.Write(line)
}

// toJournal reports whether out is the stream that systemd connected to the
// journal, as systemd.exec(5) says to find it out, rather than what somebody
// redirected it to.
func toJournal(out io.Writer) bool {
	f, ok := out.(*os.File)
	return ok && os.Getenv("JOURNAL_STREAM") != "" && os.Getenv("JOURNAL_STREAM") == deviceAndInode(f)
}
