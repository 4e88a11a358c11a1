package alarms

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/nightlog"
)

// The kill test starts this test program again as a board whose alarms go to the
// address in killURL, with its night log in killDir.
const (
	killDir = "PLUMBSTAR_ALARM_DIR"
	killURL = "PLUMBSTAR_ALARM_URL"
	killRun = "PLUMBSTAR_ALARM_RUN"
)

func TestMain(m *testing.M) {
	if os.Getenv(killDir) != "" {
		raiseUntilKilled()
	}
	os.Exit(m.Run())
}

// raiseUntilKilled raises alarms and says on standard output which are on the disk.
func raiseUntilKilled() {
	l := nightlog.Start(nightlog.Options{Dir: os.Getenv(killDir), Opened: nightlog.Moment{UTC: time.Now()}, Every: 5 * time.Millisecond})
	src := newFakeSource()
	o := options(src, func(s *config.Alarms) { s.Webhook.URL = os.Getenv(killURL) })
	o.Keeper, o.Run = l, os.Getenv(killRun)
	a, err := New(o)
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	a.all[0].courier.pace = quick()
	go a.Run(context.Background())
	for id := uint64(1); ; id++ {
		src.events <- event(id, daemon.Moved)
		if err := l.Flush(context.Background()); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		// The source holds one event, and the one before may be on its way to the log:
		// only what lies behind both is sure to have been there at the flush.
		if id > 2 {
			fmt.Printf("%s-%d\n", o.Run, id-2)
		}
		time.Sleep(time.Duration(rand.IntN(10)) * time.Millisecond)
	}
}

// kept is a night log of a test.
func kept(t *testing.T, dir string) *nightlog.Log {
	t.Helper()
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: nightlog.Moment{UTC: time.Now()}, Every: 5 * time.Millisecond})
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// TestAlarmsOutliveAKill: whatever was on the disk when the board lost its power is
// delivered by a later start, in order, whether the receiver was there or not.
func TestAlarmsOutliveAKill(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	r := &receiver{mode: "503"}
	srv := httptest.NewServer(r)
	defer srv.Close()
	dir := t.TempDir()
	var told []string
	for run := range 6 {
		cmd := exec.Command(self)
		cmd.Env = append(os.Environ(), killDir+"="+dir, killURL+"="+srv.URL, fmt.Sprintf("%s=run%d", killRun, run))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		switch err := cmd.Start(); {
		case errors.Is(err, syscall.ENOEXEC):
			t.Skip("an emulated program cannot start itself here")
		case err != nil:
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			if strings.HasPrefix(lines.Text(), "error") {
				t.Fatal(lines.Text())
			}
			told = append(told, lines.Text())
			switch {
			case run%2 == 1 && n == 2:
				r.behave("")
			case n == 3+rand.IntN(15), n == 20:
				_ = cmd.Process.Kill() // it cannot have ended by itself
			}
		}
		_ = cmd.Wait() // killed
		r.behave("503")
	}
	r.behave("")
	src := newFakeSource()
	o := options(src, func(s *config.Alarms) { s.Webhook.URL = srv.URL })
	o.Keeper, o.Run = kept(t, dir), "last"
	a, _ := start(t, o)
	src.events <- event(1, daemon.Moved)
	waitFor(t, "the new alarm", func() bool { return slices.Contains(r.ids(), "last-1") })
	// Each in order of its first arrival. What was raised and not told of may come, too.
	var first []string
	for _, id := range r.ids() {
		if !slices.Contains(first, id) {
			first = append(first, id)
		}
	}
	at := 0
	for _, id := range told {
		next := slices.Index(first[at:], id)
		if next < 0 {
			t.Fatalf("%s was on the disk and did not arrive in order\ntold    %v\narrived %v", id, told, first)
		}
		at += next + 1
	}
	waitFor(t, "an empty queue", func() bool { return statusOf(t, a, "webhook").State == Ready })
	waitFor(t, "an empty list", func() bool {
		left, err := o.Keeper.KeptAlarms(t.Context())
		return err == nil && len(left) == 0
	})
	t.Logf("%d alarms were on the disk, %d arrived", len(told), len(first))
}

// TestRecall: in order, as they were, at most Capacity, and none that nobody sends
// any more; what is lost is told.
func TestRecall(t *testing.T) {
	r := &receiver{mode: "503"}
	srv := httptest.NewServer(http.HandlerFunc(r.ServeHTTP))
	defer srv.Close()
	l := kept(t, t.TempDir())
	set := func(s *config.Alarms) { s.Webhook.URL, s.Webhook.MinSeverity = srv.URL, "info" }
	src := newFakeSource()
	o := options(src, set)
	o.Keeper = l
	a, end := start(t, o)
	for id := range uint64(Capacity + 10) {
		src.events <- event(id+1, daemon.Moved)
	}
	src.events <- event(1000, daemon.Info) // makes room for the others by itself
	if _, err := a.Try("webhook"); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "a full queue", func() bool { return statusOf(t, a, "webhook").Dropped >= 11 })
	end()
	list := func() []nightlog.KeptAlarm {
		t.Helper()
		left, err := l.KeptAlarms(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return left
	}
	if left := list(); len(left) < Capacity-1 || len(left) > Capacity || left[len(left)-1].Name != fmt.Sprintf("run-%d", Capacity+10) {
		t.Fatalf("%d are kept, the last %+v", len(left), left[len(left)-1])
	}
	l.KeepAlarm(nightlog.KeptAlarm{Way: "webhook", Name: "x", Message: "{"})
	l.KeepAlarm(nightlog.KeptAlarm{Way: "webhook", Name: "y", Message: `{"id":"z"}`})
	l.KeepAlarm(nightlog.KeptAlarm{Way: "mqtt", Name: "m-1", Message: `{"id":"m-1","text":"The axis moved."}`})

	var said bytes.Buffer
	src = newFakeSource()
	o = options(src, set)
	o.Keeper, o.Run, o.Log = l, "next", slog.New(slog.NewTextHandler(&said, nil))
	want := list()
	b, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if s := statusOf(t, b, "webhook"); s.Queued < Capacity-1 || s.Dropped != 0 {
		t.Errorf("after the restart: %+v", s)
	}
	for i, m := range b.all[0].courier.queue.waiting {
		if body, err := m.body(); err != nil || string(body) != want[i].Message {
			t.Fatalf("%s became %s (%v)", want[i].Message, body, err)
		}
	}
	for _, w := range []string{"an alarm of an earlier start is lost", "id=x", "id=y", "this way is off now", "id=m-1", "The axis moved.", "alarms of an earlier start wait"} {
		if !strings.Contains(said.String(), w) {
			t.Errorf("not told: %q\n%s", w, said.String())
		}
	}
	if left := list(); len(left) != statusOf(t, b, "webhook").Queued {
		t.Errorf("%d are kept, %d wait", len(left), statusOf(t, b, "webhook").Queued)
	}
	// A way that cannot work now keeps its alarms for when it can.
	o = options(newFakeSource(), func(s *config.Alarms) {
		s.Webhook.URL, s.Webhook.CAFile = strings.Replace(srv.URL, "http:", "https:", 1), "/there/is/none.pem"
	})
	o.Keeper = l
	before := len(list())
	if _, err := New(o); err != nil {
		t.Fatal(err)
	}
	if left := list(); len(left) != before {
		t.Errorf("%d of %d are kept by a way that is faulty", len(left), before)
	}
}
