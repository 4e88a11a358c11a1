package nightlog

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
)

// companions are the files that belong to a database, the database last: while
// one of them is still in its place, so is the database.
var companions = [...]string{"-shm", "-wal", ""}

// setAside renames a broken database and what belongs to it, and starts a new
// one with the calibrations, sightings and sites that can still be read. The
// error says why there is no new one.
func (w *writer) setAside(ctx context.Context, why *Error) *Error {
	w.asides++
	if w.db != nil {
		w.db.close()
		w.db = nil
	}
	aside := freeName(w.l.path)
	for _, c := range companions {
		if err := os.Rename(w.l.path+c, aside+c); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return wrap("set the broken file aside", w.l.path, err)
		}
	}
	syncDir(filepath.Dir(w.l.path))
	w.state.run, w.state.night = 0, 0
	w.l.log.Error("the night log was broken: it is set aside, a new one begins", "error", why, "aside", aside)
	w.l.mu.Lock()
	w.l.health.Aside = append(w.l.health.Aside, aside)
	w.l.mu.Unlock()

	db, err := openDatabase(ctx, w.l.path, migrations())
	if err != nil {
		return wrap("open", w.l.path, err)
	}
	w.db = db
	n, err := w.rescue(ctx, aside)
	text := fmt.Sprintf("The night log was broken and is kept as %s; %d calibrations, sightings and sites were read out of it.", filepath.Base(aside), n)
	if err != nil {
		w.l.log.Warn("not everything could be read out of the broken night log", "rescued", n, "error", err)
		text += " Not all of it could be read."
	}
	w.l.mu.Lock()
	w.l.health.Rescued += n
	w.l.mu.Unlock()
	w.note(Event{Kind: "log-set-aside", Text: text, Numbers: map[string]float64{"rescued": float64(n)}})
	return nil
}

// freeName is a name beside path that is not taken.
func freeName(path string) string {
	for i := 1; ; i++ {
		name := fmt.Sprintf("%s.broken-%d", path, i)
		if _, err := os.Lstat(name); err != nil {
			return name
		}
	}
}

// syncDir makes renames last through a power cut, where the system can.
func syncDir(dir string) {
	if f, err := os.Open(dir); err == nil {
		_ = f.Sync() // some file systems cannot; the rename stands without it
		_ = f.Close()
	}
}

// rescue reads what is never overwritten, and alarms that wait, out of the broken file, as far as it
// goes. Rows keep their order and, where the runs can be read, their dates: they
// belong to a run whose monotonic clock counts from 1970.
func (w *writer) rescue(ctx context.Context, broken string) (n int, err error) {
	pool, err := sql.Open("sqlite", dsn(broken, url.Values{"mode": {"ro"}}))
	if err != nil {
		return 0, err
	}
	pool.SetMaxOpenConns(1)
	r := &Reader{path: broken, pool: pool, undated: true}
	defer r.Close()
	id, err := identify(ctx, pool)
	if err != nil {
		return 0, err
	}
	if !id.ours || id.version < 1 || id.version > len(migrations()) {
		return 0, errors.New("it is no night log")
	}
	sites, siteErr := r.Sites(ctx)
	calibrations, calErr := r.Calibrations(ctx)
	sightings, sightErr := r.Sightings(ctx)
	var alarms []KeptAlarm
	var alarmErr error
	if id.version >= 2 {
		alarms, alarmErr = keptAlarms(ctx, pool)
	}
	if len(sites)+len(calibrations)+len(sightings)+len(alarms) > 0 {
		n = len(sites) + len(calibrations) + len(sightings)
		if err := w.restore(ctx, sites, calibrations, sightings, alarms); err != nil {
			return 0, err
		}
	}
	return n, errors.Join(siteErr, calErr, sightErr, alarmErr)
}

// restore writes rescued rows, oldest first.
func (w *writer) restore(ctx context.Context, sites []Site, calibrations []Calibration, sightings []Sighting, alarms []KeptAlarm) error {
	return w.db.transact(ctx, func() error {
		t := &tx{ctx: ctx, conn: w.db.conn, stmts: w.db.stmts, state: runState{clock: Moment{SigmaS: -1, Source: "rescued"}}}
		t.state.clock.UTC = epoch
		for _, s := range sites {
			if _, err := t.site(&s); err != nil {
				return err
			}
		}
		renamed := map[int64]int64{}
		for _, c := range calibrations {
			o := calibrationOp{at: c.UTC.Sub(epoch), Calibration: c}
			o.Supersedes = renamed[c.Supersedes]
			if err := o.apply(t); err != nil {
				return err
			}
			renamed[c.ID] = o.id
		}
		renamed = map[int64]int64{}
		for _, s := range sightings {
			o := sightingOp{at: s.UTC.Sub(epoch), Sighting: s}
			o.Supersedes = renamed[s.Supersedes]
			if err := o.apply(t); err != nil {
				return err
			}
			renamed[s.ID] = o.id
		}
		for _, a := range alarms {
			if err := (&keepOp{a}).apply(t); err != nil {
				return err
			}
		}
		return nil
	})
}
