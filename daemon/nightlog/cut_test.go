package nightlog

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// files is a moment of the database on the disk.
type files struct{ db, wal, shm []byte }

func snapshot(t *testing.T, path string) files {
	t.Helper()
	get := func(name string) []byte {
		b, err := os.ReadFile(name)
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		return b
	}
	return files{get(path), get(path + "-wal"), get(path + "-shm")}
}

// walHeader is the length of the write-ahead log's header.
const walHeader = 32

// tornLog is what a cut during a commit leaves of the write-ahead log. When the
// log begins anew after a checkpoint, SQLite syncs its new header before it writes
// over old frames (sqlite3WalFrames in wal.c: else an old header could vouch for
// the first of the old frames), so old header and new frames do not go together.
func tornLog(rng *rand.Rand, a, b []byte, sector int) []byte {
	out := torn(rng, a, b, sector)
	if len(a) >= walHeader && !bytes.Equal(a[:walHeader], b[:walHeader]) {
		if rng.IntN(4) == 0 {
			out = bytes.Clone(a)
		}
		copy(out, b[:walHeader])
	}
	return out
}

// torn is what a cut while a file turns from a into b can leave: each sector old
// or new, in any order, the length anything in between.
func torn(rng *rand.Rand, a, b []byte, sector int) []byte {
	n := len(a)
	if len(b) != len(a) {
		n = min(len(a), len(b)) + rng.IntN(max(len(a), len(b))-min(len(a), len(b))+1)
	}
	out := make([]byte, n)
	copy(out, a)
	share := rng.Float64()
	for at := 0; at < n; at += sector {
		end := min(at+sector, n)
		if rng.Float64() < share && at < len(b) {
			copy(out[at:end], b[at:])
		} else if at >= len(a) {
			clear(out[at:end]) // allocated, never written
		}
	}
	return out
}

// TestBlockLevelCut leaves the files as a power cut does, before, after and in
// the middle of commits and checkpoints. Every acknowledged record is found, the
// batch under way wholly or not at all, and no file is broken.
//
// SQLite syncs the write-ahead log before a commit returns, and before and after
// a checkpoint writes into the database; so in a commit only the log can be torn,
// and in a checkpoint only the database (https://www.sqlite.org/wal.html).
func TestBlockLevelCut(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, cutSeed(t)))
	l := open(t, Options{Dir: t.TempDir()})
	l.BeginNight(system(0), NightInfo{Name: "cut", Site: larkmoor()})
	flush(t, l)
	conn := connection(t, l)
	told := map[string]int{}
	before := snapshot(t, l.Path())
	cuts, tornLogs, tornBases := 0, 0, 0
	cut := func(f files, fewest map[string]int, most int) {
		cuts++
		dir := t.TempDir()
		path := filepath.Join(dir, FileName)
		write(t, path, f.db)
		if f.wal != nil {
			write(t, path+"-wal", f.wal)
		}
		if f.shm != nil && rng.IntN(2) == 0 {
			write(t, path+"-shm", f.shm)
		}
		n := Start(Options{Dir: dir, Opened: system(0)})
		if h := n.Health(); h.Problem != nil || len(h.Aside) > 0 {
			t.Errorf("health %+v", h)
		}
		if err := n.Close(); err != nil {
			t.Error(err)
		}
		verify(t, path, "cut", fewest)
		r := reader(t, path)
		got := len(collect(t, r.Samples(t.Context(), All)))
		r.Close()
		if got != fewest["s"] && got != most {
			t.Errorf("%d samples: neither the %d committed ones nor all %d", got, fewest["s"], most)
		}
	}
	steps := 32
	if testing.Short() || underRace {
		steps = 9
	}
	for step := range steps {
		if step%4 == 3 {
			execute(t, conn, "PRAGMA wal_checkpoint(PASSIVE)")
			after := snapshot(t, l.Path())
			if !bytes.Equal(before.db, after.db) {
				for range 2 {
					tornBases++
					cut(files{torn(rng, before.db, after.db, 512), after.wal, before.shm}, told, told["s"])
				}
			}
			before = after
			continue
		}
		samples := 1 + rng.IntN(9)
		next := map[string]int{"s": told["s"] + samples, "e": told["e"], "c": told["c"]}
		for i := range samples {
			at := time.Duration(told["s"]+1+i) * time.Second
			l.Sample(plausible(rng, at))
			if i == 3 {
				l.FullRate(fullSecond(rng, at, 100))
			}
		}
		var err error
		if step%3 == 0 {
			next["c"]++
			_, err = l.AddCalibration(t.Context(), 0, Calibration{Kind: "cut", Data: json.RawMessage(`{"n":` + strconv.Itoa(next["c"]) + `}`)})
		} else {
			err = l.Flush(t.Context())
		}
		if err != nil {
			t.Fatal(err)
		}
		after := snapshot(t, l.Path())
		if !bytes.Equal(before.db, after.db) {
			t.Fatal("a commit wrote into the database itself: the test cuts it in the wrong place")
		}
		for _, sector := range []int{512, 4096} {
			tornLogs++
			cut(files{before.db, tornLog(rng, before.wal, after.wal, sector), before.shm}, told, next["s"])
		}
		if step%5 == 0 { // the log cut off at any byte, as it grew
			keep := min(len(before.wal), len(after.wal))
			if bytes.Equal(before.wal, after.wal[:keep]) {
				keep += rng.IntN(len(after.wal) - keep + 1)
				cut(files{before.db, after.wal[:keep], nil}, told, next["s"])
			}
		}
		cut(after, next, next["s"])
		told, before = next, after
		if t.Failed() {
			t.Fatalf("step %d", step)
		}
	}
	t.Logf("%d cuts, %d with a torn log, %d with a torn database; %d samples, %d calibrations", cuts, tornLogs, tornBases, told["s"], told["c"])
	if tornBases < steps/3 || tornLogs < steps {
		t.Error("too few of the cuts met a file in the middle of a change")
	}
}

// cutSeed lets the full check cut elsewhere: PLUMBSTAR_CUT_SEED.
func cutSeed(t *testing.T) uint64 {
	s := os.Getenv("PLUMBSTAR_CUT_SEED")
	if s == "" {
		return 8
	}
	seed, err := strconv.ParseUint(s, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return seed
}
