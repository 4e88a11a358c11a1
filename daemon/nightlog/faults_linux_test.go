package nightlog

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// memoryDisk mounts a file system of that size, which only root can.
func memoryDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("a file system cannot be mounted here (%v): the full disk is then only tested by a limit on the file", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// TestFullDisk: a real file system without space, for a new and for an old file.
func TestFullDisk(t *testing.T) {
	dir := memoryDisk(t, "2m")
	ballast := filepath.Join(dir, "ballast")
	fill := func() {
		f, err := os.Create(ballast)
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 4096)
		for err == nil {
			_, err = f.Write(b)
		}
		_ = f.Close()
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
	}
	fill()
	l := open(t, Options{Dir: dir})
	l.Sample(NewSample(time.Second))
	if err := l.Flush(t.Context()); KindOf(err) != Full {
		t.Fatalf("a new file on a full disk: %v", err)
	}
	if l.Health().Problem == nil {
		t.Error("health says nothing")
	}
	remove(t, ballast)
	flush(t, l)
	fill()
	rng := rand.New(rand.NewPCG(9, 9))
	for i := range 1000 {
		l.Sample(plausible(rng, time.Duration(2+i)*time.Second))
	}
	if err := l.Flush(t.Context()); KindOf(err) != Full {
		t.Fatalf("an old file on a full disk: %v", err)
	}
	r := reader(t, l.Path())
	if n := len(collect(t, r.Samples(t.Context(), All))); n != 1 {
		t.Errorf("%d samples on the full disk, want the one that was committed", n)
	}
	r.Close()
	remove(t, ballast)
	flush(t, l)
	r = reader(t, l.Path())
	if n := len(collect(t, r.Samples(t.Context(), All))); n != 1001 {
		t.Errorf("%d samples after there was room again, want 1001", n)
	}
}

// TestReadOnlyFileSystem: it becomes read-only under the log, as a worn-out card
// does, and writable again.
func TestReadOnlyFileSystem(t *testing.T) {
	dir := memoryDisk(t, "4m")
	l := open(t, Options{Dir: dir})
	l.Sample(NewSample(time.Second))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	mode := func(flags uintptr) {
		if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	mode(syscall.MS_RDONLY)
	l = open(t, Options{Dir: dir})
	if h := l.Health(); h.Problem == nil || h.Problem.Kind != ReadOnly {
		t.Fatalf("at the start: %+v", h)
	}
	l.Sample(NewSample(2 * time.Second))
	if err := l.Flush(t.Context()); KindOf(err) != ReadOnly {
		t.Fatalf("%v", err)
	}
	mode(0)
	flush(t, l)
	r := reader(t, l.Path())
	if n := len(collect(t, r.Samples(t.Context(), All))); n != 2 {
		t.Errorf("%d samples, want 2", n)
	}
}

// TestReadOnlyDirectory is the same with permissions, which do not bind root:
// then the thread does without root's power over files for a while.
func TestReadOnlyDirectory(t *testing.T) {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir})
	l.Sample(NewSample(time.Second))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(dir, 0o700) //nolint:errcheck // the directory is removed anyhow
	if os.Geteuid() == 0 {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		if err := syscall.Setfsuid(65534); err != nil {
			t.Fatal(err)
		}
		defer syscall.Setfsuid(0) //nolint:errcheck // the cleaning up would fail
	}
	if err := os.WriteFile(filepath.Join(dir, "x"), nil, 0o600); err == nil {
		t.Skip("permissions do not bind this user")
	}
	db, err := openDatabase(t.Context(), l.Path(), migrations())
	if err == nil {
		db.close()
		t.Fatal("a directory that cannot be written was opened for writing")
	}
	if KindOf(err) != ReadOnly {
		t.Errorf("%v", err)
	}
	if _, err := OpenReader(t.Context(), l.Path()); os.Geteuid() == 0 && (KindOf(err) != Denied || !strings.Contains(err.Error(), "daemon's user")) {
		t.Errorf("reading without the right to: %v", err)
	}
}
