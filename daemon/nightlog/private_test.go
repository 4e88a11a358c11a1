//go:build unix

package nightlog_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"plumbstar/daemon/nightlog"
)

// Only the owner may read where somebody spends the nights; a file that an
// earlier version left open to all is closed.
func TestFilesArePrivate(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, nightlog.FileName)
	for range 2 {
		l := nightlog.Start(nightlog.Options{Dir: dir, Opened: nightlog.Moment{UTC: time.Unix(1e9, 0)}})
		l.Event(time.Second, nightlog.Event{Kind: "test"})
		if err := l.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{path, path + "-wal", path + "-shm"} {
			i, err := os.Stat(name)
			if err != nil {
				t.Fatal(err)
			}
			if i.Mode().Perm() != 0o600 {
				t.Errorf("%s has mode %v", filepath.Base(name), i.Mode())
			}
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// A night that began before its place was known learns it later.
func TestNightSite(t *testing.T) {
	dir := t.TempDir()
	m := nightlog.Moment{UTC: time.Date(2027, 1, 15, 18, 0, 0, 0, time.UTC), SigmaS: 1, Source: "entered"}
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: m})
	defer l.Close()
	l.NightSite(nightlog.Site{Name: "Nowhere"}) // between nights it belongs to none
	l.BeginNight(m, nightlog.NightInfo{})
	l.NightSite(nightlog.Site{Name: "Larkmoor", LatDeg: 51.9, LonDeg: 8.4, HeightM: 210})
	if err := l.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	r, err := nightlog.OpenReader(context.Background(), l.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n, err := r.Night(context.Background(), nightlog.Latest)
	if err != nil || n.Site == nil || n.Site.Name != "Larkmoor" || n.Site.LatDeg != 51.9 {
		t.Errorf("night %+v, %v", n.Site, err)
	}
}
