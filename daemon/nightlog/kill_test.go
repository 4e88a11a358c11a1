package nightlog

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The kill test starts this test program again as a writer, with the directory
// in killDir and the number of the start in killStart. killCount sets how often
// (the full check uses 1000).
const (
	killDir   = "PLUMBSTAR_KILL_DIR"
	killStart = "PLUMBSTAR_KILL_START"
	killCount = "PLUMBSTAR_KILLS"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killDir); dir != "" {
		if err := writeUntilKilled(dir, os.Getenv(killStart)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// writeUntilKilled writes samples, full-rate seconds, events and calibrations
// and says on standard output what was committed: "s 12" for samples up to number
// 12, "e 3" for events, "c 5" for calibrations.
func writeUntilKilled(dir, start string) error {
	ctx := context.Background()
	n, err := strconv.ParseUint(start, 10, 32)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(n, 6))
	l := Start(Options{Dir: dir, Opened: system(0), Every: time.Duration(1+rng.IntN(8)) * time.Millisecond})
	l.BeginNight(system(0), NightInfo{Name: start, Site: larkmoor()})
	events, calibrations := 0, 0
	for i := 1; ; i++ {
		at := time.Duration(i) * time.Second
		l.Sample(plausible(rng, at))
		if rng.IntN(3) == 0 {
			l.FullRate(fullSecond(rng, at, 50))
		}
		switch rng.IntN(6) {
		case 0:
			if err := l.Flush(ctx); err != nil {
				return err
			}
			fmt.Println("s", i)
		case 1:
			events++
			l.Event(at, Event{Kind: "moved", Text: strconv.Itoa(events)})
			if err := l.Flush(ctx); err != nil {
				return err
			}
			fmt.Printf("s %d\ne %d\n", i, events)
		case 2:
			calibrations++
			data, err := json.Marshal(map[string]int{"n": calibrations})
			if err != nil {
				return err
			}
			if _, err := l.AddCalibration(ctx, at, Calibration{Kind: start, Data: data}); err != nil {
				return err
			}
			fmt.Println("c", calibrations)
		}
	}
}

// TestKill kills the writer at random moments. After each kill the next start
// finds every record that was reported committed, and a sound file.
func TestKill(t *testing.T) {
	kills := 30
	if underRace {
		kills = 8
	}
	if s := os.Getenv(killCount); s != "" {
		var err error
		if kills, err = strconv.Atoi(s); err != nil {
			t.Fatalf("%s: %v", killCount, err)
		}
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(7, 7))
	total := map[string]int{}
	for k := range kills {
		told := killOnce(t, self, dir, k, rng)
		for kind, n := range told {
			total[kind] += n
		}
		verifyKilled(t, dir, k, told)
		if t.Failed() {
			t.Fatalf("kill %d", k)
		}
		if k%50 == 49 { // a new file now and then, so that a long run does not slow down
			dir = t.TempDir()
		}
	}
	t.Logf("%d kills; reported committed and found: %d samples, %d events, %d calibrations", kills, total["s"], total["e"], total["c"])
	if total["s"] < kills || total["e"] < kills/2 || total["c"] < kills/2 {
		t.Error("the writers were killed before they wrote anything worth looking for")
	}
}

// killOnce runs one writer and returns what it reported before it was killed.
func killOnce(t *testing.T, self, dir string, k int, rng *rand.Rand) map[string]int {
	t.Helper()
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), killDir+"="+dir, killStart+"="+strconv.Itoa(k))
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
	if !lines.Scan() {
		t.Fatal("the writer said nothing")
	}
	timer := time.AfterFunc(time.Duration(rng.IntN(30000))*time.Microsecond, func() { _ = cmd.Process.Kill() })
	defer timer.Stop()
	told := map[string]int{}
	for more := true; more; more = lines.Scan() {
		kind, number, _ := strings.Cut(lines.Text(), " ")
		n, err := strconv.Atoi(number)
		if err != nil || kind == "error" {
			t.Fatalf("the writer says %q", lines.Text())
		}
		told[kind] = n
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the writer ended by itself")
	}
	return told
}

// verifyKilled opens the log as the next start would.
func verifyKilled(t *testing.T, dir string, k int, told map[string]int) {
	t.Helper()
	l := Start(Options{Dir: dir, Opened: system(0)})
	if h := l.Health(); h.Problem != nil || len(h.Aside) > 0 {
		t.Errorf("health %+v", h)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	verify(t, l.Path(), strconv.Itoa(k), told)
}

// verify looks for the records of the night with that name: samples numbered
// without a hole up to what was committed, events, and calibrations of that kind.
func verify(t *testing.T, path, name string, told map[string]int) {
	t.Helper()
	ctx := t.Context()
	if err := checkCopy(ctx, path); err != nil {
		t.Error(err)
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	night, err := r.Night(ctx, Latest)
	if err != nil || night.Name != name {
		t.Fatalf("night %+v, %v; want %s", night, err, name)
	}
	count := 0
	for s, err := range r.Samples(ctx, night.ID) {
		if err != nil {
			t.Fatal(err)
		}
		if count++; s.At != time.Duration(count)*time.Second {
			t.Errorf("sample %d is of %v", count, s.At)
		}
	}
	if count < told["s"] {
		t.Errorf("%d samples, %d were committed", count, told["s"])
	}
	for _, err := range r.FullRate(ctx, night.ID) {
		if err != nil {
			t.Error(err)
		}
	}
	if n := len(collect(t, r.Events(ctx, night.ID))); n < told["e"] {
		t.Errorf("%d events, %d were committed", n, told["e"])
	}
	list, err := r.Calibrations(ctx)
	if err != nil {
		t.Fatal(err)
	}
	count = 0
	for _, c := range list {
		if c.Kind != name {
			continue
		}
		if count++; string(c.Data) != fmt.Sprintf(`{"n":%d}`, count) {
			t.Errorf("calibration %d holds %s", count, c.Data)
		}
	}
	if count < told["c"] {
		t.Errorf("%d calibrations, %d were committed", count, told["c"])
	}
}
