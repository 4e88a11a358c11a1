package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sync"
	"time"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
)

// boardState keeps what the daemon must know again after a restart:
// calibrations and sightings in the night log, which never overwrites them, and
// documents, whose newest version counts, as files of their own.
type boardState struct {
	log   *nightlog.Log
	dir   string
	clock sensors.Clock

	mu sync.Mutex
	// newest is the row that a further calibration of the same part takes the
	// place of.
	newest map[string]int64
}

func newBoardState(log *nightlog.Log, dir string, clock sensors.Clock) *boardState {
	return &boardState{log: log, dir: dir, clock: clock, newest: map[string]int64{}}
}

// storeTimeout is how long a record may take to reach the disk: an SD card that
// tidies up can take seconds.
const storeTimeout = 10 * time.Second

func newestKey(r *daemon.CalibrationRecord) string { return string(r.Part) + "|" + r.Board }

// Calibrations reads all rows; one that cannot be read is marked as damaged.
func (b *boardState) Calibrations() ([]daemon.CalibrationRecord, error) {
	var rows []nightlog.Calibration
	err := b.read(func(ctx context.Context, r *nightlog.Reader) (err error) {
		rows, err = r.Calibrations(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]daemon.CalibrationRecord, 0, len(rows))
	for _, row := range rows {
		var c daemon.CalibrationRecord
		err := json.Unmarshal(row.Data, &c)
		if err == nil && (string(c.Part) != row.Kind || c.Board != row.Chip) {
			err = fmt.Errorf("it says that it is of the %s of %.60q, its row of the %s of %.60q", c.Part, c.Board, row.Kind, row.Chip)
		}
		if err != nil {
			c = daemon.CalibrationRecord{Part: daemon.Part(row.Kind), Board: row.Chip, Damaged: err.Error()}
		}
		c.ID, c.Time = row.ID, row.UTC
		b.newest[newestKey(&c)] = row.ID
		out = append(out, c)
	}
	return out, nil
}

// Sightings reads all rows, as Calibrations.
func (b *boardState) Sightings() ([]daemon.SightingRecord, error) {
	var rows []nightlog.Sighting
	err := b.read(func(ctx context.Context, r *nightlog.Reader) (err error) {
		rows, err = r.Sightings(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	out := make([]daemon.SightingRecord, 0, len(rows))
	for _, row := range rows {
		var s daemon.SightingRecord
		if json.Unmarshal(row.Data, &s) != nil {
			continue // history alone; nothing hangs on it
		}
		s.ID, s.Time = row.ID, row.UTC
		out = append(out, s)
	}
	return out, nil
}

func (b *boardState) read(f func(context.Context, *nightlog.Reader) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	r, err := nightlog.OpenReader(ctx, b.log.Path())
	if err != nil {
		return err
	}
	defer r.Close()
	return f(ctx, r)
}

// AddCalibration returns when the row is on the disk.
func (b *boardState) AddCalibration(c *daemon.CalibrationRecord) error {
	data, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("calibration of the %s: %w", c.Part, err)
	}
	b.mu.Lock()
	before := b.newest[newestKey(c)]
	b.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	id, err := b.log.AddCalibration(ctx, b.clock.Now(), nightlog.Calibration{
		Kind: string(c.Part), Chip: c.Board, Data: data, SigmaDeg: c.SigmaDeg, TempC: orNaN(c.TempC), Site: siteRow(c.Site),
		Note: "by " + string(c.Method), Supersedes: before,
	})
	if err != nil {
		return err
	}
	c.ID = id
	b.mu.Lock()
	b.newest[newestKey(c)] = id
	b.mu.Unlock()
	return nil
}

// AddSighting returns when the row is on the disk.
func (b *boardState) AddSighting(s *daemon.SightingRecord) error {
	data, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("sighting: %w", err)
	}
	row := nightlog.Sighting{Kind: string(s.Kind), Data: data, AzimuthSigmaDeg: math.NaN(), AltitudeSigmaDeg: math.NaN(), TempC: orNaN(s.TempC), Site: siteRow(s.Site), Note: s.Note}
	if s.Azimuth != nil {
		row.AzimuthSigmaDeg = s.Azimuth.SigmaDeg
	}
	if s.Altitude != nil {
		row.AltitudeSigmaDeg = s.Altitude.SigmaDeg
	}
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	s.ID, err = b.log.AddSighting(ctx, b.clock.Now(), row)
	return err
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func siteRow(s *astro.Site) *nightlog.Site {
	if s == nil {
		return nil
	}
	return &nightlog.Site{LatDeg: s.LatDeg, LonDeg: s.LonDeg, HeightM: s.HeightM}
}

// longestDocument bounds what is read; what is written has some kilobytes.
const longestDocument = 1 << 20

// Document reads NAME.json of the state directory; nil when there is none.
func (b *boardState) Document(name string) (json.RawMessage, error) {
	f, err := os.Open(b.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, longestDocument))
	if err != nil {
		return nil, err
	}
	if !json.Valid(text) {
		return nil, fmt.Errorf("%s is damaged: it is left alone and replaced with the next change", b.path(name))
	}
	return text, nil
}

func (b *boardState) path(name string) string { return filepath.Join(b.dir, name+".json") }

// PutDocument replaces the file at once or not at all; only its owner may read
// it.
func (b *boardState) PutDocument(name string, text json.RawMessage) error {
	f, err := os.CreateTemp(b.dir, "."+name+"-*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(f.Name(), b.path(name))
	}
	if err != nil {
		_ = os.Remove(f.Name()) // the old document stands
		return fmt.Errorf("keeping %s: %w", b.path(name), err)
	}
	if d, err := os.Open(b.dir); err == nil {
		_ = d.Sync() // some file systems cannot; the rename stands without it
		_ = d.Close()
	}
	return nil
}
