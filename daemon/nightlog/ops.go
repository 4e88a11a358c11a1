package nightlog

import (
	"context"
	"database/sql"
	"math"
	"time"
)

// tx is an open transaction on the writer's connection.
type tx struct {
	ctx   context.Context
	conn  *sql.Conn
	stmts *statements
	state runState // becomes the writer's when the transaction is committed
}

// runState is which run the records belong to.
type runState struct {
	run   int64 // 0 until its row is written
	night int64 // 0 until its row is written, or between nights
	info  *NightInfo
	// clock dates the run when its row is written; later, it is the latest moment.
	clock Moment
	// best is the moment that dates the run's rows.
	best Moment
	last time.Duration // of the newest record
}

// open makes sure that night and run have their rows.
func (t *tx) open() error {
	s := &t.state
	if s.run != 0 {
		return nil
	}
	var night any
	if s.info != nil && s.night == 0 {
		site, err := t.site(s.info.Site)
		if err != nil {
			return err
		}
		var settings any
		if len(s.info.Settings) > 0 && checkJSON(s.info.Settings) == nil {
			settings = string(s.info.Settings)
		}
		if s.night, err = t.insert(`INSERT INTO nights (name, note, site, settings) VALUES (?,?,?,?)`, s.info.Name, s.info.Note, site, settings); err != nil {
			return err
		}
	}
	if s.night != 0 {
		night = s.night
	}
	var err error
	if s.run, err = t.insert(`INSERT INTO runs (night, begin_ns) VALUES (?,?)`, night, int64(s.clock.At)); err != nil {
		return err
	}
	// A run that is written anew, into another file, may know better by now.
	if s.best.UTC.IsZero() || s.clock.weight() <= s.best.weight() {
		s.best = s.clock
	} else if err := t.addClock(s.best); err != nil {
		return err
	}
	return t.addClock(s.clock)
}

func (t *tx) addClock(m Moment) error {
	var sigma any
	if m.SigmaS >= 0 {
		sigma = known(m.SigmaS)
	}
	_, err := t.insert(`INSERT INTO clocks (run, at_ns, utc_ns, sigma_s, source) VALUES (?,?,?,?,?)`, t.state.run, int64(m.At), m.UTC.UnixNano(), sigma, m.Source)
	return err
}

func (t *tx) insert(query string, args ...any) (id int64, err error) {
	r, err := t.conn.ExecContext(t.ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return r.LastInsertId()
}

// site is the number of s, nil when there is none; a new one is stored.
func (t *tx) site(s *Site) (any, error) {
	if s == nil {
		return nil, nil
	}
	var id int64
	err := t.conn.QueryRowContext(t.ctx, `SELECT id FROM sites WHERE name = ? AND lat_deg = ? AND lon_deg = ? AND height_m = ?`, s.Name, s.LatDeg, s.LonDeg, s.HeightM).Scan(&id)
	if err == sql.ErrNoRows {
		id, err = t.insert(`INSERT INTO sites (name, lat_deg, lon_deg, height_m, note) VALUES (?,?,?,?,?)`, s.Name, s.LatDeg, s.LonDeg, s.HeightM, s.Note)
	}
	return id, err
}

func (t *tx) event(at time.Duration, e Event) error {
	if err := t.open(); err != nil {
		return err
	}
	t.state.last = max(t.state.last, at)
	_, err := t.insert(`INSERT INTO events (run, at_ns, kind, text, numbers) VALUES (?,?,?,?,?)`, t.state.run, int64(at), e.Kind, e.Text, e.numbersJSON())
	return err
}

func (s *Sample) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	args := t.stmts.args[:0]
	args = append(args, sampleKey(t.state.run, s.At), s.State)
	for _, q := range t.stmts.quantities {
		args = append(args, q.stored(*q.of(s)))
	}
	t.stmts.args = args
	t.state.last = max(t.state.last, s.At)
	_, err := t.stmts.sample.ExecContext(t.ctx, args...)
	return err
}

type secondOp struct {
	at   time.Duration
	blob []byte
}

func (o *secondOp) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	_, err := t.insert(`INSERT INTO full_rate (run, at_ns, samples) VALUES (?,?,?)`, t.state.run, int64(o.at), o.blob)
	return err
}

type eventOp struct {
	at time.Duration
	Event
}

func (o *eventOp) apply(t *tx) error { return t.event(o.at, o.Event) }

// A moment that differs from the one before by less than tickS, comes from the
// same source and is not twice as good says nothing new; a step of stepS is worth
// an event.
const (
	tickS = 0.1
	stepS = 1.0
)

type clockOp struct{ m Moment }

func (o *clockOp) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	s := &t.state
	step := o.m.UTC.Sub(s.clock.utc(o.m.At)).Seconds()
	if err := t.addClock(o.m); err != nil {
		return err
	}
	s.clock = o.m
	if o.m.weight() <= s.best.weight() {
		s.best = o.m
	}
	if math.Abs(step) < stepS {
		return nil
	}
	return t.event(o.m.At, Event{
		Kind: "clock-step", Text: "The clock was set (" + o.m.Source + "); the rows of this run are dated by its best moment.",
		Numbers: map[string]float64{"step_s": step},
	})
}

// weight orders moments: the less, the better; unknown is the worst.
func (m Moment) weight() float64 {
	if !(m.SigmaS >= 0) {
		return math.Inf(1)
	}
	return m.SigmaS
}

// utc is what time it was at the monotonic time at, by this moment.
func (m Moment) utc(at time.Duration) time.Time { return m.UTC.Add(at - m.At) }

type beginOp struct {
	m      Moment
	info   NightInfo
	resume int64
}

func (o *beginOp) apply(t *tx) error {
	if err := t.finish(o.m.At, o.resume); err != nil {
		return err
	}
	t.state = runState{info: &o.info, clock: o.m, last: o.m.At}
	if o.resume == 0 {
		return t.open()
	}
	site := new(Site)
	var siteID sql.NullInt64
	var settings sql.NullString
	err := t.conn.QueryRowContext(t.ctx, `SELECT n.name, n.note, n.settings, s.id, coalesce(s.name,''), coalesce(s.lat_deg,0), coalesce(s.lon_deg,0), coalesce(s.height_m,0)
		FROM nights n LEFT JOIN sites s ON s.id = n.site WHERE n.id = ?`, o.resume).
		Scan(&o.info.Name, &o.info.Note, &settings, &siteID, &site.Name, &site.LatDeg, &site.LonDeg, &site.HeightM)
	switch {
	case err == sql.ErrNoRows:
	case err != nil:
		return err
	default:
		if siteID.Valid {
			o.info.Site = site
		}
		if settings.Valid {
			o.info.Settings = []byte(settings.String)
		}
		t.state.night = o.resume
		if _, err := t.conn.ExecContext(t.ctx, `UPDATE nights SET ended = 0 WHERE id = ?`, o.resume); err != nil {
			return err
		}
	}
	return t.open()
}

// finish ends the run, and every night but the one to go on with.
func (t *tx) finish(at time.Duration, except int64) error {
	if t.state.run != 0 {
		if _, err := t.conn.ExecContext(t.ctx, `UPDATE runs SET end_ns = ? WHERE id = ?`, int64(at), t.state.run); err != nil {
			return err
		}
	}
	_, err := t.conn.ExecContext(t.ctx, `UPDATE nights SET ended = 1 WHERE ended = 0 AND id <> ?`, except)
	return err
}

type nightSiteOp struct{ Site }

func (o *nightSiteOp) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	if t.state.night == 0 {
		return nil
	}
	site, err := t.site(&o.Site)
	if err != nil {
		return err
	}
	_, err = t.conn.ExecContext(t.ctx, `UPDATE nights SET site = ? WHERE id = ?`, site, t.state.night)
	return err
}

type endOp struct{ m Moment }

func (o *endOp) apply(t *tx) error {
	if err := t.finish(o.m.At, 0); err != nil {
		return err
	}
	t.state = runState{clock: o.m, last: o.m.At}
	return nil
}

type flushOp struct{}

func (flushOp) apply(*tx) error { return nil }

type annotateOp struct {
	night      int64
	name, note string
}

func (o *annotateOp) apply(t *tx) error {
	r, err := t.conn.ExecContext(t.ctx, `UPDATE nights SET name = ?, note = ? WHERE id = ?`, o.name, o.note, o.night)
	if err != nil {
		return err
	}
	if n, err := r.RowsAffected(); err != nil || n == 1 {
		return err
	}
	return &Error{Kind: NotFound}
}

type calibrationOp struct {
	at time.Duration
	Calibration
	id int64
}

func (o *calibrationOp) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	site, err := t.site(o.Site)
	if err != nil {
		return err
	}
	o.id, err = t.insert(`INSERT INTO calibrations (run, at_ns, kind, chip, data, sigma_deg, temp_c, site, note, supersedes) VALUES (?,?,?,?,?,?,?,?,?,?)`,
		t.state.run, int64(o.at), o.Kind, o.Chip, string(o.Data), known(o.SigmaDeg), known(o.TempC), site, o.Note, reference(o.Supersedes))
	return err
}

type sightingOp struct {
	at time.Duration
	Sighting
	id int64
}

func (o *sightingOp) apply(t *tx) error {
	if err := t.open(); err != nil {
		return err
	}
	site, err := t.site(o.Site)
	if err != nil {
		return err
	}
	o.id, err = t.insert(`INSERT INTO sightings (run, at_ns, kind, data, azimuth_sigma_deg, altitude_sigma_deg, temp_c, site, note, supersedes) VALUES (?,?,?,?,?,?,?,?,?,?)`,
		t.state.run, int64(o.at), o.Kind, string(o.Data), known(o.AzimuthSigmaDeg), known(o.AltitudeSigmaDeg), known(o.TempC), site, o.Note, reference(o.Supersedes))
	return err
}

type siteOp struct {
	Site
	id int64
}

func (o *siteOp) apply(t *tx) error {
	id, err := t.site(&o.Site)
	if err == nil {
		o.id = id.(int64)
	}
	return err
}

// reference is a row's number for the database, nil for none.
func reference(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}
